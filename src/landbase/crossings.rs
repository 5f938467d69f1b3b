//! Where machines may cross water and kept ground.

use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

use super::NearFeature;
use crate::geometry::area::Bounds;
use crate::geometry::buffer::Source;
use crate::geometry::distance::{SegmentIndex, inside_polygon, share_along};
use crate::geometry::overlay::{clip_lines, union};
use crate::model::{LayerKind, Zone, ZoneKind, is_beneath_line};

/// A way across what is else kept off, as wide as it is cleared. Nothing is cut on it.
#[derive(Clone, Debug)]
pub struct Crossing {
    pub id: String,
    pub class: Option<String>,
    pub source_layer: String,
    pub width_m: f64,
    /// Ids of the power lines that it passes beneath.
    pub beneath: Vec<String>,
    /// From clear ground on one side to clear ground on the other.
    pub line: LineString,
    pub shape: Vec<Polygon>,
    /// The same on through management zones, where no tree may be kept in its way.
    pub lane: Vec<Polygon>,
}

impl Crossing {
    pub fn zone(&self) -> Zone {
        Zone {
            kept: None,
            kind: ZoneKind::Crossing,
            source_layer: self.source_layer.clone(),
            source_id: self.id.clone(),
            class: self.class.clone().unwrap_or_default(),
            rule_id: String::new(),
            width_m: self.width_m,
            shape: MultiPolygon(self.shape.clone()),
        }
    }
}

/// A point's crossing leads square to kept ground that lies this near.
const OBSTACLE_M: f64 = 60.0;
/// A crossing goes on straight at most this far to come out of what is kept.
const MOST_M: f64 = 150.0;
const STEP_M: f64 = 1.0;
/// Beyond kept ground by this much, so that the machine stands clear.
const CLEAR_M: f64 = 0.5;

/// Crossings among what is near a block, in the order they were read. Points lead square across the nearest kept ground;
/// lines go on straight until they are out of it. `width_m` is for those that state none.
///
/// Only those whose class says so pass beneath power lines; any other that comes near one is closed.
pub fn crossings(near: &[NearFeature], width_m: f64) -> Vec<Crossing> {
    let found = open_and_closed(near, width_m).into_iter();
    found.filter(|own| !own.is_closed()).collect()
}

/// Crossings that are closed, since they come near power lines and nobody says that machines may pass beneath these.
pub fn closed_crossings(near: &[NearFeature], width_m: f64) -> Vec<Crossing> {
    let found = open_and_closed(near, width_m).into_iter();
    found.filter(Crossing::is_closed).collect()
}

impl Crossing {
    fn passes_beneath(&self) -> bool {
        self.class.as_deref().is_some_and(is_beneath_line)
    }

    fn is_closed(&self) -> bool {
        !self.beneath.is_empty() && !self.passes_beneath()
    }
}

fn open_and_closed(near: &[NearFeature], width_m: f64) -> Vec<Crossing> {
    let is_crossing = |own: &NearFeature| own.feature.kind == LayerKind::Crossings;
    // Most blocks have none, and an index of all that is kept is dear.
    if !near.iter().any(is_crossing) {
        return vec![];
    }
    let all = Kept::new(near, true);
    let but_lines = Kept::new(near, false);
    let lines: Vec<Wires> = near.iter().filter_map(Wires::of).collect();
    let mut found = Vec::new();
    for own in near.iter().filter(|own| is_crossing(own)) {
        let passes = own.feature.class.as_deref().is_some_and(is_beneath_line);
        let kept = if passes { &all } else { &but_lines };
        let wires = &lines;
        let lines: Vec<LineString> = match &own.source {
            Source::Points(points) => {
                // A point beside a line alone leads nowhere unless it passes beneath; that is told of its place.
                let place =
                    |at: Coord| (!passes && !lines.is_empty()).then(|| LineString(vec![at; 2]));
                let leads = |&at: &Coord| kept.square(at).or_else(|| place(at));
                points.iter().filter_map(leads).collect()
            }
            Source::Lines(lines) => lines.0.clone(),
            Source::Polygons(_) => vec![],
        };
        for line in lines.into_iter().filter(|line| line.0.len() > 1) {
            let is_place = line.0.windows(2).all(|w| w[0] == w[1]);
            let line = kept.out_of(line, false);
            let through = kept.out_of(line.clone(), true);
            let width_m = own.feature.width_m.unwrap_or(width_m);
            let beneath = wires.iter().filter(|wires| wires.come_near(&line, width_m));
            let beneath: Vec<String> = beneath.map(|wires| wires.id.to_owned()).collect();
            if is_place && beneath.is_empty() {
                continue;
            }
            found.push(Crossing {
                beneath,
                id: own.feature.id.clone(),
                class: own.feature.class.clone(),
                source_layer: own.feature.source_layer.clone(),
                width_m,
                shape: band(&line, width_m / 2.0),
                lane: band(&through, width_m / 2.0),
                line,
            });
        }
    }
    found
}

/// A power line, and how far it is kept off.
struct Wires<'n> {
    id: &'n str,
    index: SegmentIndex,
    source: &'n Source,
    off_m: f64,
}

impl<'n> Wires<'n> {
    fn of(near: &'n NearFeature) -> Option<Wires<'n>> {
        near.demand.power_line.as_ref()?;
        let widths = near.demand.widest();
        Some(Wires {
            id: &near.feature.id,
            index: near.source.index(),
            source: &near.source,
            off_m: near.demand.half_m + widths.reserve_m.max(widths.machine_exclusion_m),
        })
    }

    fn come_near(&self, way: &LineString, width_m: f64) -> bool {
        let within_m = self.off_m + width_m / 2.0;
        let near = |w: &[Coord]| self.index.approach(w[0], w[1], within_m).is_some();
        way.0.windows(2).any(near) || way.0.iter().any(|&at| self.source.contains(at))
    }
}

/// What of ways does not lie on crossings.
pub fn off_crossings(ways: Vec<LineString>, crossings: &[Crossing]) -> Vec<LineString> {
    if crossings.is_empty() {
        return ways;
    }
    let shapes: Vec<Polygon> = crossings.iter().flat_map(|c| c.shape.clone()).collect();
    let shapes = union(&shapes).0;
    let bounds = Bounds::of_polygons(&MultiPolygon(shapes.clone()));
    ways.into_iter()
        .flat_map(|way| {
            if Bounds::of(&way.0).meets(&bounds) {
                clip_lines(&MultiLineString(vec![way]), &shapes, false).0
            } else {
                vec![way]
            }
        })
        .collect()
}

/// One kept feature: its outline, the ground inside, and how far it is kept off.
struct Off<'n> {
    index: SegmentIndex,
    inside: &'n [Polygon],
    off_m: f64,
    /// How far trees may have to stay.
    managed_m: f64,
}

struct Kept<'n> {
    each: Vec<Off<'n>>,
}

impl<'n> Kept<'n> {
    /// `lines`: power lines too.
    fn new(near: &'n [NearFeature], lines: bool) -> Kept<'n> {
        let off = |own: &'n NearFeature| {
            let widths = own.demand.widest();
            let asked_m = own.demand.half_m + widths.reserve_m.max(widths.machine_exclusion_m);
            let off_m = asked_m.max(own.demand.barrier_m);
            let kept =
                own.keeps_out() || (off_m > own.demand.half_m && own.demand.asks_for_something());
            let inside: &[Polygon] = match &own.source {
                Source::Polygons(polygons) => &polygons.0,
                _ => &[],
            };
            kept.then(|| Off {
                index: SegmentIndex::new(own.source.segments(0)),
                inside,
                off_m,
                managed_m: off_m.max(own.demand.half_m + widths.reserve_m + widths.management_m),
            })
        };
        Kept {
            each: (near.iter())
                .filter(|own| lines || own.demand.power_line.is_none())
                .filter_map(off)
                .collect(),
        }
    }

    fn is_clear(&self, at: Coord, of_management: bool) -> bool {
        self.each.iter().all(|own| {
            let off_m = if of_management {
                own.managed_m
            } else {
                own.off_m
            };
            own.index.distance(at, off_m + CLEAR_M).is_none()
                && !own.inside.iter().any(|polygon| inside_polygon(at, polygon))
        })
    }

    /// From a place in a direction of length 1 to where it is clear, or nothing where that is too far.
    fn clear_of(&self, from: Coord, along: Coord, of_management: bool) -> Option<Coord> {
        let steps = (MOST_M / STEP_M) as u32;
        let places = (0..=steps).map(|k| from + along * (f64::from(k) * STEP_M));
        let mut places = places.filter(|&at| self.is_clear(at, of_management));
        places.next()
    }

    /// Straight through a place, square to the nearest kept feature.
    fn square(&self, at: Coord) -> Option<LineString> {
        let nearest = self.each.iter().filter_map(|own| {
            let around = own.index.near(at, at, OBSTACLE_M);
            let each = around.map(|s| {
                let on = s.a + (s.b - s.a) * share_along(at, s.a, s.b);
                ((on.x - at.x).hypot(on.y - at.y), s.b - s.a)
            });
            each.reduce(|a, b| if b.0 < a.0 { b } else { a })
        });
        let (_, along) = nearest.reduce(|a, b| if b.0 < a.0 { b } else { a })?;
        let length_m = along.x.hypot(along.y);
        if length_m == 0.0 {
            return None;
        }
        let across = Coord {
            x: -along.y / length_m,
            y: along.x / length_m,
        };
        let one = self.clear_of(at, across, false)?;
        let other = self.clear_of(at, across * -1.0, false)?;
        Some(LineString(vec![one, other]))
    }

    /// A line that goes on straight at either end until it is clear, as far as that is.
    fn out_of(&self, mut line: LineString, of_management: bool) -> LineString {
        for _ in 0..2 {
            line.0.reverse();
            let [.., before, end] = line.0[..] else {
                continue;
            };
            let step = end - before;
            let length_m = step.x.hypot(step.y);
            if length_m > 0.0
                && let Some(clear) = self.clear_of(end, step / length_m, of_management)
                && clear != end
            {
                line.0.push(clear);
            }
        }
        line
    }
}

/// Ground within a distance beside a line, square at its ends.
fn band(line: &LineString, half_m: f64) -> Vec<Polygon> {
    let last = line.0.len().saturating_sub(2);
    let boxes = line.0.windows(2).enumerate().filter_map(|(at, w)| {
        let step = w[1] - w[0];
        let length_m = step.x.hypot(step.y);
        if length_m == 0.0 {
            return None;
        }
        let along = step / length_m;
        let aside = Coord {
            x: -along.y,
            y: along.x,
        } * half_m;
        // Bends are filled by running on to the outside of them.
        let a = if at > 0 { w[0] - along * half_m } else { w[0] };
        let b = if at < last {
            w[1] + along * half_m
        } else {
            w[1]
        };
        let ring = vec![a - aside, b - aside, b + aside, a + aside, a - aside];
        Some(Polygon::new(LineString(ring), vec![]))
    });
    union(&boxes.collect::<Vec<Polygon>>()).0
}
