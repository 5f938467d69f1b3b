//! Where the wood of a part may go: stretches of its edge along a road, and landings.

use std::collections::BTreeMap;

use geo::{Coord, LineString, MultiLineString, Polygon, Simplify};

use super::Context;
use super::ground::Ground;
use super::on_line::{LineIndex, OnLine};
use crate::geometry::area::{Bounds, length};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{inside_polygon, point_segment, polygon_segments};
use crate::geometry::overlay::{boundary, clip_lines, joined};
use crate::landbase::NearFeature;
use crate::model::{Decking, Fact, Facts, LayerKind, OutletKind};

/// A stretch of road frontage, or a landing.
#[derive(Clone, Debug)]
pub struct Outlet {
    pub kind: OutletKind,
    /// Ids of the roads or of the landing, joined by `;`.
    pub name: String,
    /// The part's edge along the road; for a landing the place itself, as a line without length.
    pub front: MultiLineString,
    /// How wood goes on from there, where it is not decked there: to where it is.
    pub beyond: Option<LineString>,
    /// The road that it is one side of, by its place among those near.
    pub flank_of: Option<usize>,
    /// Wood that a landing holds, m³; None: nobody says.
    pub capacity_m3: Option<f64>,
}

impl Outlet {
    /// A landing, or the place nearest to one that wood is brought to over other ground.
    pub fn place(kind: OutletKind, name: String, at: Coord) -> Outlet {
        Outlet {
            kind,
            name,
            front: MultiLineString(vec![LineString(vec![at, at])]),
            beyond: None,
            flank_of: None,
            capacity_m3: None,
        }
    }
}

impl Outlet {
    /// Whether an id that a planner wrote is one of its own.
    pub fn is_named(&self, id: &str) -> bool {
        is_among(&self.name, id)
    }

    /// Metres from its front to where the wood is decked.
    pub fn beyond_m(&self) -> f64 {
        self.beyond.as_ref().map_or(0.0, length)
    }

    /// The place of its front that is nearest, and on which of its lines; a landing is a line without length.
    pub fn nearest_on(&self, from: Coord) -> Option<(usize, OnLine)> {
        let on = |line: &LineString| match line.0[..] {
            [at, other] if at == other => Some(OnLine {
                segment: 0,
                along_m: 0.0,
                at,
                off_m: (at.x - from.x).hypot(at.y - from.y),
            }),
            _ => LineIndex::new(line).nearest(from, f64::INFINITY),
        };
        let lines = self.front.0.iter().enumerate();
        let places = lines.filter_map(|(index, line)| Some((index, on(line)?)));
        places.reduce(|a, b| if b.1.off_m < a.1.off_m { b } else { a })
    }

    pub fn nearest(&self, from: Coord) -> Option<Coord> {
        self.nearest_on(from).map(|(_, on)| on.at)
    }
}

/// Whether an id as it was written is one of those that a name joins by `;`.
fn is_among(name: &str, id: &str) -> bool {
    name.split(';').any(|own| own == id.trim())
}

/// A road or a run of it that goes one way, without a sharp bend.
struct Run {
    line: LineString,
    bounds: Bounds,
    name: String,
}

impl Run {
    fn distance_m(&self, p: Coord) -> f64 {
        let each = self.line.0.windows(2).map(|w| point_segment(p, w[0], w[1]));
        each.fold(f64::INFINITY, f64::min)
    }

    /// Whether a place lies to the left of the nearest stretch, or of its line beyond the end.
    fn is_left(&self, p: Coord) -> bool {
        let nearest = (self.line.0.windows(2)).min_by(|a, b| {
            let off = |w: &[Coord]| point_segment(p, w[0], w[1]);
            off(a).total_cmp(&off(b))
        });
        nearest.is_some_and(|w| {
            (w[1].x - w[0].x) * (p.y - w[0].y) - (w[1].y - w[0].y) * (p.x - w[0].x) > 0.0
        })
    }
}

/// Roads that wood may come to, near a block.
pub struct Roads {
    runs: Vec<Run>,
    landings: Vec<Landing>,
}

struct Landing {
    id: String,
    at: Coord,
    capacity_m3: Option<f64>,
}

impl Landing {
    fn outlet(&self) -> Outlet {
        Outlet {
            capacity_m3: self.capacity_m3,
            ..Outlet::place(OutletKind::Landing, self.id.clone(), self.at)
        }
    }
}

/// Ends of roads this near to one another are one place.
const SAME_PLACE_M: f64 = 0.5;
/// A road is parted where it turns by more than this, once bends of less than [`BEND_M`] are smoothed.
const SHARP_DEG: f64 = 50.0;
const BEND_M: f64 = 12.0;
/// Stretches of edge along a road that are shorter than this belong to the stretch before them.
const SHORT_M: f64 = 15.0;
/// Step along the edge at which the road beside it is looked for.
const STEP_M: f64 = 8.0;

impl Roads {
    pub fn near(near: &[NearFeature]) -> Roads {
        let mut lines: Vec<(String, LineString)> = Vec::new();
        let mut landings = Vec::new();
        for feature in near {
            let id = &feature.feature.id;
            match (&feature.source, feature.feature.kind) {
                (Source::Lines(found), LayerKind::Roads) if feature.takes_wood() => {
                    lines.extend(found.0.iter().map(|line| (id.clone(), line.clone())));
                }
                (Source::Polygons(found), LayerKind::Roads) if feature.takes_wood() => {
                    let rings = found.0.iter().map(|polygon| polygon.exterior().clone());
                    lines.extend(rings.map(|ring| (id.clone(), ring)));
                }
                (source, LayerKind::Landings) => {
                    let capacity = feature.feature.facts.get(Facts::CAPACITY);
                    landings.push(Landing {
                        id: id.clone(),
                        at: source.bounds().middle(),
                        capacity_m3: match capacity {
                            Some(Fact::Number(m3)) => Some(*m3),
                            _ => None,
                        },
                    });
                }
                _ => {}
            }
        }
        let runs = chained(lines).into_iter().flat_map(parted).collect();
        Roads { runs, landings }
    }

    /// Whether wood may be brought to a road or landing of this id near the block.
    pub fn knows(&self, id: &str) -> bool {
        self.landings.iter().any(|own| own.id == id.trim())
            || self.runs.iter().any(|run| is_among(&run.name, id))
    }

    /// The landing of an id, if it lies within the ground.
    pub fn landing_in(&self, id: &str, ground: &Polygon) -> Option<Outlet> {
        let of_id = self.landings.iter().filter(|own| own.id == id.trim());
        let mut inside = of_id.filter(|own| inside_polygon(own.at, ground));
        inside.next().map(Landing::outlet)
    }

    /// Outlets of a part in a fixed order: its frontages by road and side, then its landings.
    pub fn outlets(&self, context: Context<'_>, ground: &Ground, part: &Polygon) -> Vec<Outlet> {
        let decking = context.settings.layout.decking;
        let frontage = match decking {
            Decking::Landings => &[],
            _ => ground.zones.frontage.as_slice(),
        };
        let rim = boundary(&geo::MultiPolygon(vec![part.clone()]));
        let fronts = joined(clip_lines(&rim, frontage, true));
        let mut by_side: BTreeMap<(usize, bool), Vec<LineString>> = BTreeMap::new();
        for line in &fronts {
            for (side, stretch) in self.sides(line) {
                by_side.entry(side).or_default().push(stretch);
            }
        }
        let mut outlets: Vec<Outlet> = by_side
            .into_iter()
            .filter(|(_, lines)| lines.iter().map(length).sum::<f64>() >= SHORT_M)
            .map(|((run, _), lines)| Outlet {
                kind: OutletKind::Road,
                name: self.runs[run].name.clone(),
                front: MultiLineString(lines),
                beyond: None,
                flank_of: Some(run),
                capacity_m3: None,
            })
            .collect();
        let reach_m = context.settings.layout.frontage_distance_m;
        let landings = self.landings.iter();
        for landing in landings.filter(|_| decking != Decking::Roadside) {
            let at = landing.at;
            let beside = || {
                let edges = polygon_segments(part).map(|s| point_segment(at, s.a, s.b));
                edges.fold(f64::INFINITY, f64::min) <= reach_m
            };
            if inside_polygon(at, part) || beside() {
                outlets.push(landing.outlet());
            }
        }
        outlets
    }

    /// A stretch of edge along roads, cut where another road or the other side of one lies beside it.
    fn sides(&self, line: &LineString) -> Vec<((usize, bool), LineString)> {
        let mut found: Vec<((usize, bool), LineString)> = Vec::new();
        for w in line.0.windows(2) {
            let step = w[1] - w[0];
            let count = (step.x.hypot(step.y) / STEP_M).ceil().max(1.0) as u32;
            let at = |k: u32| {
                if k == count {
                    w[1]
                } else {
                    w[0] + step * (f64::from(k) / f64::from(count))
                }
            };
            for k in 0..count {
                let (a, b) = (at(k), at(k + 1));
                let middle = (a + b) / 2.0;
                let around = Bounds::of(&[middle]).grown(60.0);
                let near = self.runs.iter().enumerate();
                let near = near.filter(|(_, run)| run.bounds.meets(&around));
                let nearest = near
                    .min_by(|(_, a), (_, b)| a.distance_m(middle).total_cmp(&b.distance_m(middle)));
                let Some((index, run)) = nearest else {
                    continue;
                };
                let side = (index, run.is_left(middle));
                match found.last_mut() {
                    Some((same, stretch)) if *same == side && stretch.0.last() == Some(&a) => {
                        stretch.0.push(b);
                    }
                    _ => found.push((side, LineString(vec![a, b]))),
                }
            }
        }
        // Round the end of a road, or across a junction.
        let mut merged: Vec<((usize, bool), LineString)> = Vec::new();
        for (side, stretch) in found {
            match merged.last_mut() {
                Some((before, longer))
                    if longer.0.last() == stretch.0.first()
                        && (length(&stretch) < SHORT_M || *before == side) =>
                {
                    longer.0.extend(&stretch.0[1..]);
                }
                _ => merged.push((side, stretch)),
            }
        }
        merged
    }
}

/// Lines joined where just two of them meet, so that a road is one line however it was drawn.
fn chained(lines: Vec<(String, LineString)>) -> Vec<(String, LineString)> {
    let key = |c: &Coord| {
        let whole = |v: f64| (v / SAME_PLACE_M).round() as i64;
        (whole(c.x), whole(c.y))
    };
    let mut ends: BTreeMap<(i64, i64), Vec<(usize, bool)>> = BTreeMap::new();
    for (index, (_, line)) in lines.iter().enumerate() {
        if let (Some(first), Some(last)) = (line.0.first(), line.0.last()) {
            ends.entry(key(first)).or_default().push((index, true));
            ends.entry(key(last)).or_default().push((index, false));
        }
    }
    let mut used = vec![false; lines.len()];
    let mut chains = Vec::new();
    // The line that goes on from an end where just two meet, and whether it goes on from its first point.
    let onward = |used: &[bool], at: &Coord, from: usize| -> Option<(usize, bool)> {
        match ends.get(&key(at))?.as_slice() {
            [a, b] => [*a, *b]
                .into_iter()
                .find(|&(next, _)| next != from && !used[next]),
            _ => None,
        }
    };
    for start in 0..lines.len() {
        if used[start] || lines[start].1.0.len() < 2 {
            continue;
        }
        used[start] = true;
        let mut names = vec![lines[start].0.clone()];
        let mut chain = lines[start].1.0.clone();
        for backwards in [false, true] {
            let mut from = start;
            while let Some((next, forwards)) = chain.last().and_then(|end| onward(&used, end, from))
            {
                used[next] = true;
                let mut more = lines[next].1.0.clone();
                if !forwards {
                    more.reverse();
                }
                chain.extend(&more[1..]);
                if !names.contains(&lines[next].0) {
                    names.push(lines[next].0.clone());
                }
                from = next;
            }
            chain.reverse();
            if backwards {
                break;
            }
        }
        names.sort();
        chains.push((names.join(";"), LineString(chain)));
    }
    chains
}

/// A road cut at its sharp bends.
fn parted((name, line): (String, LineString)) -> Vec<Run> {
    let smooth = line.simplify(BEND_M);
    let sharp = |w: &[Coord]| {
        let (a, b) = (w[1] - w[0], w[2] - w[1]);
        let turn = (a.x * b.y - a.y * b.x).atan2(a.x * b.x + a.y * b.y);
        turn.abs().to_degrees() > SHARP_DEG
    };
    let bends: Vec<Coord> = smooth
        .0
        .windows(3)
        .filter(|w| sharp(w))
        .map(|w| w[1])
        .collect();
    let mut runs: Vec<LineString> = vec![LineString(vec![])];
    for &corner in &line.0 {
        if let Some(last) = runs.last_mut() {
            last.0.push(corner);
        }
        if bends.contains(&corner) {
            runs.push(LineString(vec![corner]));
        }
    }
    let runs = runs.into_iter().filter(|run| run.0.len() > 1);
    runs.map(|line| Run {
        bounds: Bounds::of(&line.0),
        line,
        name: name.clone(),
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    #[test]
    fn a_road_drawn_in_pieces_is_one_and_a_fork_parts_it() {
        let drawn = vec![
            ("A".to_owned(), line(&[(0., 0.), (100., 0.)])),
            ("B".to_owned(), line(&[(200., 0.), (100.1, 0.)])),
            ("C".to_owned(), line(&[(200., 0.), (300., 0.)])),
            ("D".to_owned(), line(&[(200., 0.), (200., 50.)])),
        ];
        let chains = chained(drawn);
        let names: Vec<&str> = chains.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["A;B", "C", "D"]);
        assert!((length(&chains[0].1) - 200.0).abs() < 0.2);
    }

    #[test]
    fn a_road_is_parted_at_a_sharp_bend_only() {
        let bent = |dx: f64, dy: f64| line(&[(0., 0.), (100., 0.), (100. + dx, dy)]);
        assert_eq!(parted((String::new(), bent(0., 100.))).len(), 2);
        assert_eq!(parted((String::new(), bent(90., 60.))).len(), 1);
    }

    #[test]
    fn the_two_sides_of_a_dead_end_are_told_apart() {
        let roads = Roads {
            runs: parted(("A".to_owned(), line(&[(0., 0.), (0., 100.)]))),
            landings: vec![],
        };
        // Up on the right, round the end, down on the left.
        let round = line(&[(5., 0.), (5., 105.), (-5., 105.), (-5., 0.)]);
        let sides = roads.sides(&round);
        assert_eq!(sides.len(), 2, "{sides:?}");
        assert_eq!((sides[0].0, sides[1].0), ((0, false), (0, true)));
        assert!((length(&sides[0].1) - 110.0).abs() < 5.0);
    }
}
