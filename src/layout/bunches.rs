//! Bunches: how much wood each holds, and where it is laid.

use std::collections::BTreeMap;

use geo::{Coord, Geometry, LineString, Point};

use super::Context;
use super::bunch_place::{Places, Time, distance_m};
use super::felled::{self, Stretch, Track};
use super::ground::Ground;
use super::hours::Stands;
use crate::geometry::distance::{SegmentIndex, boundary_segments};
use crate::model::*;

/// From the edge of the strip, or of its reach, to a bunch laid along it.
const FROM_EDGE_M: f64 = 2.0;
/// From the machine's flank to the nearest place where wood is laid beside it.
const FLANK_M: f64 = 0.25;
/// Shares of the full length that are drawn, the whole first; a shorter one marks a place too small for whole trees.
const LENGTHS: [f64; 4] = [1.0, 0.75, 0.5, 0.25];
/// Moves along the line, in spacings of bunches.
const SHIFTS: [f64; 5] = [0.0, -0.25, -0.5, 0.25, 0.5];
/// Lengths of whole trees; lower ones are no harvest, and higher ones are marks for unknown.
const TREE_LENGTH_M: std::ops::RangeInclusive<f64> = 1.0..=80.0;
/// Of a tree, but for rounding.
const WHOLE: f64 = 1.0 - 1e-9;
/// Less wood than this is none.
const NO_WOOD_M3: f64 = 1e-9;

/// A full bunch, or the last of a drive, before it has a place.
struct Load {
    /// Where the machine stands when it lays the bunch.
    station: f64,
    class: ShiftClass,
    volume_m3: f64,
    trees: f64,
    /// Length driven to fell it, where the wood stands as here.
    spacing_m: f64,
    /// Trees that a full bunch holds here.
    full_trees: f64,
    /// From butts to tops.
    length_m: f64,
}

/// How a bunch lies beside the machine.
#[derive(Clone, Copy)]
struct Lay {
    placement: Placement,
    /// To the right of the line; to the left below zero.
    aside_m: f64,
}

/// Lays the wood of all drives in bunches, drive by drive in working order. What finds no clear place is not laid but
/// reported: one finding `bunch-place` for each piece, with the volume.
pub fn lay(
    context: Context<'_>,
    ground: &Ground,
    lines: &[StripLine],
    strips: &[Strip],
    sections: &[Section],
) -> (Vec<Bunch>, Vec<Finding>) {
    let settings = context.settings;
    let stands = Stands::new(&ground.zones.stands, &settings.production);
    let felled = felled::along(lines, sections, &stands);
    if felled
        .iter()
        .flatten()
        .all(|stretch| stretch.volume_m3 <= NO_WOOD_M3)
    {
        return (vec![], vec![]);
    }
    let half_width_m = settings.machine.half_width_m;
    let places = Places::new(strips, lines, &ground.zones.exclusion, half_width_m);
    let parts = geo::MultiPolygon(ground.parts.clone());
    let edges = SegmentIndex::new(boundary_segments(&parts, 0).collect());
    let mut widths_m: BTreeMap<PieceId, f64> = BTreeMap::new();
    for strip in strips {
        let width_m = widths_m.entry(strip.id).or_insert(0.0);
        *width_m = width_m.max(strip.width_m);
    }
    let mut numbers: BTreeMap<PieceId, u32> = BTreeMap::new();
    let mut bunches = Vec::new();
    let mut homeless: BTreeMap<PieceId, (f64, Coord)> = BTreeMap::new();
    let mut all: Vec<Vec<Load>> = (felled.iter())
        .map(|stretches| loads(stretches, &settings.production))
        .collect();
    let ids: Vec<PieceId> = lines.iter().map(|line| line.id).collect();
    join_parts_of_trees(&ids, &mut all);
    for (line, loads) in lines.iter().zip(all) {
        let half_strip_m = match widths_m.get(&line.id) {
            Some(width_m) if line.kind == StripKind::Interior => width_m / 2.0,
            _ => settings.machine.half_strip_m(),
        };
        let mut drive = Drive {
            places: &places,
            edges: &edges,
            ground,
            line,
            track: Track::new(&line.shape),
            half_strip_m,
            flank_m: half_width_m + FLANK_M,
            full_up: false,
        };
        for load in loads {
            let found = (load.trees >= WHOLE).then(|| drive.find(&load)).flatten();
            let Some((placement, shape)) = found else {
                let place = drive.track.at(load.station);
                homeless.entry(line.id).or_insert((0.0, place)).0 += load.volume_m3;
                continue;
            };
            let number = numbers.entry(line.id).or_insert(0);
            *number += 1;
            bunches.push(Bunch {
                id: line.id,
                bunch_no: *number,
                shift_class: load.class,
                volume_m3: load.volume_m3,
                trees: load.trees,
                placement,
                shape,
            });
        }
    }
    let findings = homeless.into_iter().map(|(id, (volume_m3, place))| Finding {
        rule_id: "bunch-place".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(volume_m3),
        required: None,
        unit: "m3",
        message: format!(
            "no clear place for {volume_m3:.1} m³ of wood of {id} (part {}, strip {}, piece {}); it must be carried off at once",
            id.part, id.strip_no, id.piece
        ),
        source: "common practice".to_owned(),
        shape: Some(Geometry::Point(Point(place))),
    });
    (bunches, findings.collect())
}

/// Divides the wood of one drive into full bunches. The rest at the end makes a smaller one, or joins the last one when it
/// is less than a tree.
fn loads(stretches: &[Stretch], production: &Production) -> Vec<Load> {
    let mut loads: Vec<Load> = Vec::new();
    let (mut volume_m3, mut trees) = (0.0, 0.0);
    let mut last = None;
    for stretch in stretches.iter().filter(|s| s.volume_m3 > NO_WOOD_M3) {
        let tree_m3 = stretch.volume_m3 / stretch.trees;
        let full_m3 = tree_m3 * production.trees_per_load_of(tree_m3, stretch.bunch_share);
        let per_m = stretch.volume_m3 / (stretch.to_m - stretch.from_m);
        let load = |station: f64, volume_m3: f64, trees: f64| Load {
            station,
            class: stretch.class,
            volume_m3,
            trees,
            spacing_m: full_m3 / per_m,
            full_trees: full_m3 / tree_m3,
            length_m: stretch
                .tree_height_m
                .map_or(production.bunch_length_m, |height_m| {
                    height_m.clamp(*TREE_LENGTH_M.start(), *TREE_LENGTH_M.end())
                }),
        };
        let (mut station, mut left_m3) = (stretch.from_m, stretch.volume_m3);
        while volume_m3 + left_m3 >= full_m3 - NO_WOOD_M3 {
            let taken_m3 = (full_m3 - volume_m3).clamp(0.0, left_m3);
            station += taken_m3 / per_m;
            left_m3 -= taken_m3;
            loads.push(load(
                station,
                volume_m3 + taken_m3,
                trees + taken_m3 / tree_m3,
            ));
            (volume_m3, trees) = (0.0, 0.0);
        }
        volume_m3 += left_m3;
        trees += left_m3 / tree_m3;
        last = Some(load(stretch.to_m, volume_m3, trees));
    }
    let rest = last.filter(|rest| rest.volume_m3 > NO_WOOD_M3);
    match (rest, loads.last_mut()) {
        (Some(rest), Some(before)) if rest.trees < WHOLE => {
            before.volume_m3 += rest.volume_m3;
            before.trees += rest.trees;
        }
        (Some(rest), _) => loads.push(rest),
        (None, _) => {}
    }
    loads
}

/// A drive that fells less than a tree makes no bunch: nobody cuts a part of one. Its wood goes to the bunch nearest in the order
/// of work that has room, of its own piece if there is one, else of its own setting, else of any.
fn join_parts_of_trees(ids: &[PieceId], all: &mut [Vec<Load>]) {
    for at in 0..all.len() {
        let [load] = &all[at][..] else { continue };
        if load.trees >= WHOLE {
            continue;
        }
        let (volume_m3, trees) = (load.volume_m3, load.trees);
        // The last bunch of a drive before, the first of one after.
        let room = |other: usize| {
            let bunch = if other < at {
                all[other].last()
            } else {
                all[other].first()
            };
            bunch.is_some_and(|b| b.trees >= WHOLE && b.trees + trees <= b.full_trees + 1.0)
        };
        let near = |other: &usize| {
            let same = (ids[*other] != ids[at], ids[*other].part != ids[at].part);
            (same, other.abs_diff(at), *other)
        };
        let others = (0..all.len()).filter(|&other| other != at && room(other));
        let Some(target) = others.min_by_key(near) else {
            continue;
        };
        all[at].clear();
        let bunch = if target < at {
            all[target].last_mut()
        } else {
            all[target].first_mut()
        };
        if let Some(bunch) = bunch {
            bunch.volume_m3 += volume_m3;
            bunch.trees += trees;
        }
    }
}

/// One drive, for finding places beside it.
struct Drive<'d> {
    places: &'d Places<'d>,
    /// Edges of the parts.
    edges: &'d SegmentIndex,
    ground: &'d Ground<'d>,
    line: &'d StripLine,
    track: Track<'d>,
    half_strip_m: f64,
    /// The least way aside.
    flank_m: f64,
    /// Set once a search along the whole drive has found nothing.
    full_up: bool,
}

impl Drive<'_> {
    fn find(&mut self, load: &Load) -> Option<(Placement, LineString)> {
        let spacing_m = load.spacing_m.min(load.length_m);
        let lays = self.lays(load);
        let wished = LENGTHS.iter().find_map(|share| {
            lays.iter().find_map(|lay| {
                SHIFTS.iter().find_map(|shift| {
                    let station = load.station + shift * spacing_m;
                    self.clear(station, *lay, share * load.length_m)
                })
            })
        });
        if wished.is_some() || self.full_up {
            return wished;
        }
        let nearest = self.nearest(load);
        self.full_up = nearest.is_none();
        nearest
    }

    /// The nearest clear place along the drive.
    fn nearest(&self, load: &Load) -> Option<(Placement, LineString)> {
        let step_m = load.length_m / 4.0;
        let steps = (self.track.length_m() / step_m).ceil() as i32 + 1;
        let wide_m = (self.half_strip_m - FROM_EDGE_M).max(self.flank_m);
        let asides = [wide_m, -wide_m, self.flank_m, -self.flank_m];
        LENGTHS.iter().find_map(|share| {
            (1..=steps).flat_map(|k| [-k, k]).find_map(|k| {
                let station = load.station + f64::from(k) * step_m;
                if !(0.0..=self.track.length_m()).contains(&station) {
                    return None;
                }
                asides.iter().find_map(|&aside_m| {
                    let placement = Placement::InStrip;
                    self.clear(station, Lay { placement, aside_m }, share * load.length_m)
                })
            })
        })
    }

    /// Ways to lay a bunch, the usual one first.
    fn lays(&self, load: &Load) -> Vec<Lay> {
        let lay = |placement, aside_m| Lay { placement, aside_m };
        let beside_m = ((self.half_strip_m + self.flank_m) / 2.0).max(self.flank_m);
        let wide_m = (self.half_strip_m - FROM_EDGE_M).max(self.flank_m);
        let right = lay(Placement::InStrip, beside_m);
        let left = lay(Placement::InStrip, -beside_m);
        match (self.line.kind, self.line.heading) {
            (StripKind::Interior, Heading::In) => {
                vec![lay(Placement::Left, -self.half_strip_m), right, left]
            }
            (StripKind::Interior, _) => vec![right, left],
            (StripKind::BoundaryPass, _) => {
                let within_m = 2.0 * self.half_strip_m;
                let [r, l] = self.both_sides(load, wide_m);
                let edge = |p| distance_m(self.edges, p, within_m);
                let side_m = if edge(r) <= edge(l) { wide_m } else { -wide_m };
                vec![
                    lay(Placement::AgainstEdge, side_m),
                    lay(Placement::InStrip, side_m.signum() * self.flank_m),
                    lay(Placement::InStrip, -side_m),
                ]
            }
            (StripKind::RoadClearing, _) => {
                let within_m = 4.0 * self.half_strip_m;
                let [r, l] = self.both_sides(load, wide_m);
                let off = |p| self.ground.access.road_m(p, within_m);
                let side_m = if off(r) >= off(l) { wide_m } else { -wide_m };
                // Along the road's own middle line both sides are outer sides.
                let other = if (off(r) - off(l)).abs() < wide_m {
                    Placement::OuterSide
                } else {
                    Placement::InStrip
                };
                vec![
                    lay(Placement::OuterSide, side_m),
                    lay(other, -side_m),
                    lay(Placement::InStrip, side_m.signum() * self.flank_m),
                ]
            }
        }
    }

    /// Places to the right and left of where a bunch is laid.
    fn both_sides(&self, load: &Load, aside_m: f64) -> [Coord; 2] {
        let (p, u) = self.pose(load.station, load.length_m);
        let right = Coord { x: u.y, y: -u.x } * aside_m;
        [p + right, p - right]
    }

    /// The place at a station and the direction of travel, as a chord of `length_m` around it.
    fn pose(&self, station: f64, length_m: f64) -> (Coord, Coord) {
        let chord =
            self.track.at(station + length_m / 2.0) - self.track.at(station - length_m / 2.0);
        let chord_m = chord.x.hypot(chord.y);
        let ahead = if chord_m > 1e-6 {
            chord / chord_m
        } else {
            self.track.direction()
        };
        (self.track.at(station), ahead)
    }

    /// The bunch laid so at a station, if its place is clear.
    fn clear(&self, station: f64, lay: Lay, length_m: f64) -> Option<(Placement, LineString)> {
        if !(0.0..=self.track.length_m()).contains(&station) {
            return None;
        }
        let (p, ahead) = self.pose(station, length_m);
        let right = Coord {
            x: ahead.y,
            y: -ahead.x,
        };
        let beside = p + right * lay.aside_m;
        let (from, to) = if lay.placement == Placement::Left {
            let slant = (ahead - right) * std::f64::consts::FRAC_1_SQRT_2;
            (beside, beside + slant * length_m)
        } else {
            let half = ahead * (length_m / 2.0);
            (beside - half, beside + half)
        };
        let time = Time::of_line(self.line.order);
        if !self.places.is_clear(from, to, self.line.id, time) {
            return None;
        }
        // Asked last: the way to the road takes longer to find than a clear place.
        let turned = lay.placement != Placement::Left && self.butts_in_front(from, to);
        let shape = if turned { [to, from] } else { [from, to] };
        Some((lay.placement, LineString(shape.to_vec())))
    }

    /// Whether the road, or the landing, lies in front.
    fn butts_in_front(&self, back: Coord, front: Coord) -> bool {
        match self.line.heading {
            Heading::In => false,
            Heading::Out => true,
            Heading::Around => {
                let access = &self.ground.access;
                access.distance_m(front) < access.distance_m(back)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::sections::untimed;
    use geo::Polygon;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn section(shape: Polygon, shift_class: ShiftClass) -> Section {
        Section {
            id: ID,
            shift_class,
            ..untimed(shape)
        }
    }

    const ID: PieceId = PieceId {
        part: 1,
        strip_no: 1,
        piece: 1,
    };

    fn line(from: (f64, f64), to: (f64, f64)) -> StripLine {
        StripLine {
            id: ID,
            kind: StripKind::Interior,
            order: 1,
            heading: Heading::In,
            shape: LineString::from(vec![from, to]),
            travel_to_next_m: None,
            cross_slope: None,
            travel: None,
        }
    }

    fn production(stems_per_ha: f64, tree_m3: f64) -> Production {
        Production {
            stems_per_ha: Some(stems_per_ha),
            tree_m3: Some(tree_m3),
            ..Production::default()
        }
    }

    /// 100 m x 16 m at 500 trees/ha of 0.4 m3: 80 trees, 32 m3, a bunch of 4 m3 every 12.5 m.
    #[test]
    fn a_straight_strip_is_laid_in_even_bunches() {
        let production = production(500.0, 0.4);
        let stands = Stands::new(&[], &production);
        let whole = [section(
            rectangle(-8.0, 0.0, 8.0, 100.0),
            ShiftClass::NightSafe,
        )];
        let lines = [line((0.0, 0.0), (0.0, 100.0))];
        let felled = felled::along(&lines, &whole, &stands);
        let production = Production {
            limbiness: Limbiness::Light,
            ..production
        };
        let loads = loads(&felled[0], &production);
        assert_eq!(loads.len(), 8);
        for (load, k) in loads.iter().zip(1..) {
            assert!((load.station - 12.5 * f64::from(k)).abs() < 1e-6);
            assert!((load.volume_m3 - 4.0).abs() < 1e-6 && (load.trees - 10.0).abs() < 1e-6);
        }
    }

    #[test]
    fn bunches_hold_whole_trees_and_the_rest_is_laid_too() {
        let stretch = |trees: f64, tree_m3: f64| {
            let production = production(trees / 0.16, tree_m3);
            let stands = Stands::new(&[], &production);
            let whole = [section(
                rectangle(-8.0, 0.0, 8.0, 100.0),
                ShiftClass::DayOnly,
            )];
            felled::along(&[line((0.0, 0.0), (0.0, 100.0))], &whole, &stands).remove(0)
        };
        let trees = |trees: f64, tree_m3: f64| -> Vec<f64> {
            let loads = loads(&stretch(trees, tree_m3), &Production::default());
            let sum: f64 = loads.iter().map(|load| load.volume_m3).sum();
            assert!((sum - trees * tree_m3).abs() < 1e-9, "{sum}");
            loads
                .iter()
                .map(|load| (load.trees * 1e6).round() / 1e6)
                .collect()
        };
        // 3.4 m3 are 6.8 trees of 0.5 m3; a tree larger than a bunch is one bunch; half a tree joins the last.
        assert_eq!(trees(20.0, 0.5), [6.0, 6.0, 6.0, 2.0]);
        assert_eq!(trees(3.0, 5.0), [1.0, 1.0, 1.0]);
        assert_eq!(trees(12.5, 0.5), [6.0, 6.5]);
        assert_eq!(trees(0.5, 0.5), [0.5]);
    }

    #[test]
    fn a_drive_with_less_than_a_tree_makes_no_bunch() {
        let load = |trees: f64| Load {
            station: 0.0,
            class: ShiftClass::DayOnly,
            volume_m3: trees * 0.5,
            trees,
            spacing_m: 10.0,
            full_trees: 6.0,
            length_m: 18.0,
        };
        let id = |part: u32, strip_no: u32| PieceId {
            part,
            strip_no,
            piece: 1,
        };
        let ids = [id(1, 1), id(1, 2), id(2, 1), id(2, 2), id(2, 2), id(2, 3)];
        let mut all = [
            vec![load(6.0), load(3.0)],
            vec![load(2e-7)],
            vec![load(6.0), load(6.9)],
            vec![load(0.4)],
            vec![load(2.0)],
            vec![load(0.3)],
        ];
        join_parts_of_trees(&ids, &mut all);
        let trees: Vec<Vec<f64>> = (all.iter())
            .map(|loads| loads.iter().map(|load| load.trees).collect())
            .collect();
        // To its own setting, to its own piece, and to the nearest with room: 6.9 trees are full.
        let wanted = [
            vec![6.0, 3.0 + 2e-7],
            vec![],
            vec![6.0, 6.9],
            vec![],
            vec![2.0 + 0.4 + 0.3],
            vec![],
        ];
        for (found, wanted) in trees.iter().zip(&wanted) {
            assert_eq!(found.len(), wanted.len(), "{trees:?}");
            for (found, wanted) in found.iter().zip(wanted) {
                assert!((found - wanted).abs() < 1e-12, "{trees:?}");
            }
        }
        // A block with less than a tree has none.
        let mut lonely = [vec![load(0.7)]];
        join_parts_of_trees(&ids[..1], &mut lonely);
        assert!(lonely[0][0].trees < WHOLE);
    }

    #[test]
    fn stretches_follow_the_sections_and_lose_no_wood() {
        let production = production(1000.0, 0.3);
        let stands = Stands::new(&[], &production);
        // The last section lies beside the drive: it is felled from the nearest stretch.
        let sections = [
            section(rectangle(-8.0, 0.0, 8.0, 30.0), ShiftClass::DayOnly),
            section(rectangle(-8.0, 30.0, 8.0, 100.0), ShiftClass::NightSafe),
            section(rectangle(5.0, 100.0, 8.0, 104.0), ShiftClass::DayOnly),
        ];
        let felled = felled::along(&[line((0.0, 2.0), (0.0, 100.0))], &sections, &stands);
        let found: Vec<(f64, f64, ShiftClass)> = felled[0]
            .iter()
            .map(|s| (s.from_m, s.to_m, s.class))
            .collect();
        let wanted = [
            (0.0, 28.0, ShiftClass::DayOnly),
            (28.0, 98.0, ShiftClass::NightSafe),
        ];
        assert_eq!(found, wanted);
        let volumes: Vec<f64> = felled[0].iter().map(|s| s.volume_m3).collect();
        assert!((volumes[0] - 480.0 * 0.03).abs() < 1e-9, "{volumes:?}");
        assert!(
            (volumes[1] - (1120.0 + 12.0) * 0.03).abs() < 1e-9,
            "{volumes:?}"
        );
    }
}
