//! Whether the machine keeps off ground that is too steep for it: every line driven, walked cell by cell.

use geo::{Coord, Geometry, LineString};

use super::{Judge, Judged};
use crate::geometry::buffer::Source;
use crate::geometry::distance::SegmentIndex;
use crate::landbase::Slope;
use crate::model::*;

/// Shorter stretches on a cell are the rounding of the line's end.
const SHORTEST_M: f64 = 0.01;
/// Steep stretches are asked this often whether they lie on a road.
const STEP_M: f64 = 1.0;
/// A line on a road's edge is on the road.
const ON_ROAD_M: f64 = 0.01;

impl Judge<'_> {
    /// The steepest ground under any line driven against the machine's limit. On a road's cleared ground the slope of
    /// the land says nothing: the road is built. Ground without a slope is level where the project states it, and then
    /// nothing was measured there.
    pub(super) fn max_slope(&self) -> Option<Judged> {
        let machine = &self.context.settings.machine;
        let level = self.context.settings.layout.level_ground.as_deref();
        let mut source = machine.max_slope_source().to_owned();
        if let Some(level) = level {
            source += &format!("; ground without a slope is level by the project's word: {level}");
        }
        let row = |measured, status| {
            self.row(
                RuleId::MaxSlope.named(),
                Some(machine.max_slope),
                measured,
                status,
                source.as_str(),
            )
        };
        if self.plan.lines.is_empty() {
            return None;
        }
        let roads = self.roads();
        let mut steepest: Option<(f64, LineString)> = None;
        let mut unknown: Option<LineString> = None;
        for line in &self.plan.lines {
            for w in line.shape.0.windows(2) {
                for run in self.slopes.along(w[0], w[1]) {
                    let d = run.b - run.a;
                    if d.x.hypot(d.y) < SHORTEST_M {
                        continue;
                    }
                    let here = || LineString(vec![run.a, run.b]);
                    match run.slope {
                        Slope::Unknown => {
                            if level.is_none()
                                && unknown.is_none()
                                && !on_road(&roads, run.a, run.b)
                            {
                                unknown = Some(here());
                            }
                        }
                        Slope::Measured(slope) | Slope::UpTo(slope) => {
                            let most = steepest.as_ref().map_or(-1.0, |(most, _)| *most);
                            if slope > most && !on_road(&roads, run.a, run.b) {
                                steepest = Some((slope, here()));
                            }
                        }
                    }
                }
            }
        }
        let measured = steepest.as_ref().map(|(slope, _)| *slope);
        let (status, place) = match (steepest, unknown) {
            (Some((slope, place)), _) if slope > machine.max_slope => (Verdict::Fail, Some(place)),
            (_, Some(place)) => (Verdict::Unknown, Some(place)),
            (steepest, None) => (Verdict::Pass, steepest.map(|(_, place)| place)),
        };
        let mut judged = row(measured, status);
        judged.place = place.map(Geometry::LineString);
        Some(judged)
    }

    /// Centre lines or outlines of the roads near the block, each with half of its cleared width.
    pub(super) fn roads(&self) -> Vec<(SegmentIndex, f64, &Source)> {
        let open = self.near.iter().filter(|near| near.is_open_road());
        open.map(|near| {
            let index = SegmentIndex::new(near.source.segments(0));
            (index, near.demand.half_m + ON_ROAD_M, &near.source)
        })
        .collect()
    }
}

/// Whether a stretch runs on cleared road ground for all its length.
pub(super) fn on_road(roads: &[(SegmentIndex, f64, &Source)], a: Coord, b: Coord) -> bool {
    let d = b - a;
    let steps = (d.x.hypot(d.y) / STEP_M).ceil().max(1.0) as u32;
    (0..steps).all(|step| {
        let place = a + d * ((f64::from(step) + 0.5) / f64::from(steps));
        roads.iter().any(|(index, half_m, source)| {
            index.distance(place, *half_m).is_some() || source.contains(place)
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{MultiLineString, wkt};

    fn c(x: f64, y: f64) -> Coord {
        Coord { x, y }
    }

    /// By hand: a road of 6 m from x = 0 to 50, another of 6 m from there to the north, and a yard of 20 m in the west.
    #[test]
    fn a_stretch_is_on_a_road_only_with_all_of_its_length() {
        let line = |a: Coord, b: Coord| Source::Lines(MultiLineString(vec![vec![a, b].into()]));
        let yard = wkt!(POLYGON((-30. -10.,-10. -10.,-10. 10.,-30. 10.,-30. -10.)));
        let sources = [
            line(c(0., 0.), c(50., 0.)),
            line(c(50., 0.), c(50., 80.)),
            Source::Polygons(yard.into()),
        ];
        let half_m = |source: &Source| match source {
            Source::Polygons(_) => ON_ROAD_M,
            _ => 3.0 + ON_ROAD_M,
        };
        let indexed = |source| {
            (
                SegmentIndex::new(Source::segments(source, 0)),
                half_m(source),
                source,
            )
        };
        let roads: Vec<_> = sources.iter().map(indexed).collect();
        for (a, b, expected) in [
            (c(5., 0.), c(45., 0.), true),
            (c(5., 3.), c(45., 3.), true),
            (c(5., 3.1), c(45., 3.1), false),
            (c(10., 0.), c(10., 6.), false),
            (c(30., 0.), c(30., 3.), true),
            (c(40., 0.), c(52., 20.), false),
            (c(48., 0.), c(51., 60.), true),
            (c(-20., -5.), c(-20., 5.), true),
            (c(-20., 0.), c(-5., 0.), false),
            (c(200., 0.), c(201., 0.), false),
        ] {
            assert_eq!(on_road(&roads, a, b), expected, "{a:?} {b:?}");
        }
        assert!(!on_road(&[], c(0., 0.), c(1., 0.)));
    }
}
