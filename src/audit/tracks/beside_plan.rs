//! What a machine that drives by a plan has cut to its sides. A track says where the machine stood, not how far it
//! reached: along the edge of a block it drives nearer to the edge than it could reach. Where a plan says what is cut from a
//! line, a machine on that line is taken to have cut that, and one so far beside it, the same so far beside.

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::sweeping::{joined, swept};
use crate::audit::ground::onto;
use crate::audit::reached::Reached;
use crate::audit::split::inside_of;
use crate::geometry::area::Bounds;
use crate::geometry::distance::{SegmentIndex, line_segments};
use crate::geometry::frame::map_polygons;
use crate::geometry::overlay::{intersection, oriented};

/// A track no farther off than this runs on the line: what positions in degrees lose by their decimals.
pub const ON_LINE_M: f64 = 0.02;
/// Between two fixes no farther apart than this a machine that stood beside the line at both is taken to have followed it: the
/// straight way that stands for its own cuts corners.
const CHORD_M: f64 = 10.0;
/// Fixes along so much of a way beside the line are taken together.
const WINDOW_M: f64 = 4.0;

/// What is planned near a track, in its frame.
pub struct Planned {
    lines: SegmentIndex,
    ground: Vec<(Bounds, Polygon)>,
    tolerance_m: f64,
}

/// A fix, or a place between two, and how far it lies beside the nearest planned line.
#[derive(Clone, Copy)]
struct Beside {
    at: Coord,
    off: Coord,
    off_m: f64,
}

/// Stretches of one line that are judged alike.
enum Run {
    /// On planned lines.
    On(LineString),
    /// Beside them.
    Near(Vec<Beside>),
    /// Farther off than the machine reaches.
    Far(LineString),
}

impl Planned {
    /// None where the plan has no lines: then it says nothing of what is cut from where. `tolerance_m` is what a fix may be
    /// off by.
    pub fn new(lines: &[LineString], ground: Vec<Polygon>, tolerance_m: f64) -> Option<Planned> {
        let lines = SegmentIndex::new(line_segments(lines, 0).collect());
        let ground = oriented(MultiPolygon(ground)).0.into_iter();
        let boxed = |polygon: Polygon| (Bounds::of(&polygon.exterior().0), polygon);
        (!lines.is_empty()).then(|| Planned {
            lines,
            ground: ground.map(boxed).collect(),
            tolerance_m,
        })
    }

    fn beside(&self, at: Coord) -> Beside {
        let away = |foot: Coord| (at - foot).x.hypot((at - foot).y);
        let least_m = self.lines.distance(at, f64::MAX / 4.0).unwrap_or(0.0);
        let near = self.lines.near(at, at, least_m * (1.0 + 1e-9) + 1e-9);
        let feet = near.map(|line| onto(at, line.a, line.b));
        let foot = feet.min_by(|a, b| {
            let order = away(*a).total_cmp(&away(*b));
            order.then(a.x.total_cmp(&b.x)).then(a.y.total_cmp(&b.y))
        });
        let off = at - foot.unwrap_or(at);
        Beside {
            at,
            off,
            off_m: off.x.hypot(off.y),
        }
    }

    fn ground_near(&self, window: &Bounds) -> Vec<Polygon> {
        let near = self
            .ground
            .iter()
            .filter(|(bounds, _)| bounds.meets(window));
        near.map(|(_, polygon)| polygon.clone()).collect()
    }

    fn runs(&self, line: &LineString, reach_m: f64) -> Vec<Run> {
        let fixes: Vec<Beside> = line.0.iter().map(|&at| self.beside(at)).collect();
        let mut runs: Vec<Run> = vec![];
        for ends in fixes.windows(2) {
            let (a, b) = (ends[0], ends[1]);
            let along = b.at - a.at;
            let middle =
                (along.x.hypot(along.y) > CHORD_M).then(|| self.beside((a.at + b.at) / 2.0));
            let off_m = middle.map_or(0.0, |middle| middle.off_m);
            let off_m = off_m.max(a.off_m).max(b.off_m);
            match runs.last_mut() {
                Some(Run::On(run)) if off_m <= ON_LINE_M && run.0.last() == Some(&a.at) => {
                    run.0.push(b.at);
                }
                Some(Run::Far(run)) if off_m > reach_m && run.0.last() == Some(&a.at) => {
                    run.0.push(b.at);
                }
                Some(Run::Near(run)) if off_m > ON_LINE_M && off_m <= reach_m => {
                    run.extend(middle.into_iter().chain([b]));
                }
                _ if off_m <= ON_LINE_M => runs.push(Run::On(LineString(vec![a.at, b.at]))),
                _ if off_m > reach_m => runs.push(Run::Far(LineString(vec![a.at, b.at]))),
                _ => runs.push(Run::Near(
                    [a].into_iter().chain(middle).chain([b]).collect(),
                )),
            }
        }
        runs
    }

    /// The ground within `reach_m` beside lines, as far as a machine that drove them by the plan has cut it.
    pub fn swept<'a>(
        &self,
        lines: impl Iterator<Item = &'a LineString>,
        reach_m: f64,
    ) -> MultiPolygon {
        let (mut on, mut far) = (vec![], vec![]);
        let mut areas: Vec<MultiPolygon> = vec![];
        for line in lines {
            for run in self.runs(line, reach_m) {
                match run {
                    Run::On(run) => on.push(run),
                    Run::Far(run) => far.push(run),
                    Run::Near(fixes) => {
                        let way: LineString = fixes.iter().map(|fix| fix.at).collect();
                        let beside = swept(std::iter::once(&way), reach_m);
                        let moved = joined(self.shifted(&fixes, reach_m), reach_m);
                        areas.push(intersection(&beside, &moved.0));
                    }
                }
            }
        }
        areas.push(swept(far.iter(), reach_m));
        let on = swept(on.iter(), reach_m);
        let planned = self.ground_near(&Bounds::of_polygons(&on));
        areas.push(inside_of(&on, &planned));
        joined(areas, reach_m)
    }

    /// What is planned around the feet of fixes beside a line, moved as far as they are beside it. Of several fixes the one
    /// farthest off does not count, while it is off by no more than twice the tolerance: alone it is the receiver's.
    fn shifted(&self, fixes: &[Beside], reach_m: f64) -> Vec<MultiPolygon> {
        let mut moved = vec![];
        let mut from = 0;
        while from + 1 < fixes.len() {
            let mut to = from + 1;
            let mut long_m = 0.0;
            while to < fixes.len() {
                let step = fixes[to].at - fixes[to - 1].at;
                long_m += step.x.hypot(step.y);
                if long_m > WINDOW_M {
                    break;
                }
                to += 1;
            }
            let to = to.clamp(from + 1, fixes.len() - 1);
            let window = &fixes[from..=to];
            let feet: Vec<Coord> = window.iter().map(|fix| fix.at - fix.off).collect();
            let mut around = Reached::default();
            around.line(&feet, reach_m);
            let bounds = Bounds::of(feet.iter()).grown(reach_m);
            let planned = MultiPolygon(self.ground_near(&bounds));
            let planned = intersection(&planned, &around.0);
            let mut offs: Vec<&Beside> = window.iter().collect();
            offs.sort_by(|a, b| b.off_m.total_cmp(&a.off_m));
            if offs[0].off_m <= 2.0 * self.tolerance_m {
                offs.remove(0);
            }
            // The farthest, and where the machine came from and went to, stand for those between.
            let first = offs.first().copied();
            let ends = [&window[0], &window[window.len() - 1]].into_iter();
            let ends = ends.filter(|end| first.is_some_and(|first| end.off_m <= first.off_m));
            for fix in first.into_iter().chain(ends) {
                moved.push(map_polygons(&planned, |c| c + fix.off));
            }
            from = to;
        }
        moved
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::area;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn along(y: f64) -> LineString {
        (0..=20).map(|k| (5.0 * f64::from(k), y)).collect()
    }

    /// A strip of 10 m whose line runs 2 m inside its upper edge; the machine reaches 8 m.
    fn planned(tolerance_m: f64) -> Planned {
        let strip = rectangle(0., 0., 100., 10.);
        Planned::new(&[along(8.0)], vec![strip], tolerance_m).unwrap()
    }

    fn top_of(found: &MultiPolygon) -> f64 {
        Bounds::of_polygons(found).max.y
    }

    #[test]
    fn on_its_line_a_machine_cuts_what_is_planned_and_beside_it_the_same_so_far_beside() {
        let at = |y: f64| planned(0.0).swept([along(y)].iter(), 8.0);
        // Reaches from 0 to 16; planned is up to 10.
        assert!((area(&at(8.0)) - 1000.0).abs() < 1e-6);
        assert!((area(&at(8.01)) - 999.0).abs() < 1e-6);
        assert!((top_of(&at(8.01)) - 10.0).abs() < 1e-6);
        for y in [9.0, 11.0] {
            let found = at(y);
            assert!((top_of(&found) - 2.0 - y).abs() < 1e-6, "{y}");
            assert!((area(&found) - 1000.0).abs() < 2.0, "{y} {}", area(&found));
        }
        // Lower, it leaves what is planned above.
        assert!((top_of(&at(5.0)) - 7.0).abs() < 1e-6);
        // Farther off than it reaches, it went ways of its own.
        assert!((area(&at(16.5)) - 1600.0).abs() < 1e-6);
    }

    #[test]
    fn a_fix_alone_is_the_receivers_up_to_twice_the_tolerance() {
        let with = |fixes: &[usize], off_m: f64, tolerance_m: f64| {
            let mut line = along(8.0);
            for &fix in fixes {
                line.0[fix].y += off_m;
            }
            top_of(&planned(tolerance_m).swept([line].iter(), 8.0))
        };
        assert!((with(&[10], 3.0, 2.0) - 10.0).abs() < 1e-6);
        assert!((with(&[10], 5.0, 2.0) - 15.0).abs() < 1e-6);
        assert!((with(&[10], 3.0, 0.0) - 13.0).abs() < 1e-6);
        assert!((with(&[10, 11], 3.0, 2.0) - 13.0).abs() < 1e-6);
    }

    #[test]
    fn a_way_that_leaves_the_line_counts_in_full_where_it_is_far() {
        let mut line = along(8.0);
        line.0.extend((1..=20).map(|k| Coord {
            x: 100.0,
            y: 8.0 + f64::from(k),
        }));
        let found = planned(0.0).swept([line].iter(), 8.0);
        let top = Bounds::of_polygons(&found).max;
        assert!((top.y - 28.0).abs() < 1e-6, "{top:?}");
        assert!((top.x - 108.0).abs() < 1e-6, "{top:?}");
    }

    #[test]
    fn a_plan_without_lines_says_nothing() {
        assert!(Planned::new(&[], vec![rectangle(0., 0., 1., 1.)], 0.0).is_none());
    }
}
