//! Whether everything that is said to be night-safe is: measured from the features, the slopes and the block itself, never
//! from the ground that the layout took for day-only.

use geo::{Coord, Geometry, LineString, MultiPolygon, Point, Polygon};

use super::distances::{DISTANCE_TOLERANCE_M, LOOK_BEYOND_M, Measured, Nearest, edges, nearer};
use super::distances::{point, shown};
use super::{Judge, Judged};
use crate::geometry::area::{area, rings};
use crate::geometry::buffer::Source;
use crate::geometry::distance::{
    Segment, SegmentIndex, boundary_segments, places_along, point_segment, polygon_segments,
    share_along,
};
use crate::geometry::overlay::{difference, intersection};
use crate::landbase::wet_polygons;
use crate::model::*;

/// Ground up to this is the overlay's rounding along a section's edge.
const ROUNDING_M2: f64 = 0.05;
/// Everyday distances hold to this.
const EDGE_TOLERANCE_M: f64 = 0.1;
/// Edges of night-safe ground are asked this often.
const STEP_M: f64 = 4.0;
/// Shorter stretches on a cell are the rounding of the line's end.
const SHORTEST_M: f64 = 0.01;

/// Edges that night work keeps away from, and how far from the line drawn the edge itself lies.
struct Keep {
    index: SegmentIndex,
    off_m: f64,
}

/// The nearest place of an edge.
struct Near {
    distance_m: f64,
    from: Coord,
    to: Coord,
}

impl Judge<'_> {
    /// One row for each thing that would make ground day-only; none where nothing is night-safe.
    pub(super) fn night(&self) -> Vec<Judged> {
        let night: Vec<&Section> = (self.plan.sections.iter())
            .filter(|section| section.shift_class == ShiftClass::NightSafe)
            .collect();
        if night.is_empty() {
            return vec![];
        }
        let ground: Vec<&Polygon> = night.iter().flat_map(|section| &section.shape.0).collect();
        let mut rows = Vec::new();
        rows.extend(self.night_slope(&night));
        rows.extend(self.night_hazards(&ground));
        rows.extend(self.night_ground(&ground));
        rows.extend(self.night_wet(&ground));
        rows.push(self.night_edges(&ground));
        rows
    }

    /// Of cleared roads the slope of the land says nothing.
    fn night_slope(&self, night: &[&Section]) -> Option<Judged> {
        let off_road: Vec<&&Section> = night.iter().filter(|s| s.id.part > 0).collect();
        if off_road.is_empty() {
            return None;
        }
        let machine = &self.context.settings.machine;
        let limit = machine.night_slope;
        let shapes = off_road.iter().flat_map(|section| section.shape.0.clone());
        let ground = MultiPolygon(shapes.collect());
        let level = self.context.settings.layout.level_ground.as_deref();
        let given = self.slopes.given();
        let steep = given.then(|| self.slopes.steeper_than(limit, &ground));
        let unknown = match level {
            Some(_) => None,
            None if given => Some(self.slopes.unknown_in(&ground)),
            None => Some(ground),
        };
        let mut source = machine.night_slope_source().to_owned();
        if let Some(level) = level {
            source += &format!("; ground without a slope is level by the project's word: {level}");
        }
        let steepest = self.steepest_by_night(&off_road);
        let measured = steepest.as_ref().map(|(slope, _)| *slope);
        let wrong = [steep, unknown].into_iter().flatten();
        let wrong = wrong.into_iter().find(|wrong| area(wrong) > ROUNDING_M2);
        let holds = wrong.is_none() && measured.is_none_or(|slope| slope <= limit);
        let mut judged = self.row(
            RuleId::NightSlope.named(),
            Some(limit),
            measured,
            if holds { Verdict::Pass } else { Verdict::Fail },
            source.as_str(),
        );
        let place = steepest.map(|(_, place)| Geometry::LineString(place));
        judged.place = wrong.map(Geometry::MultiPolygon).or(place);
        Some(judged)
    }

    /// The steepest ground under lines of night-safe sections, and its place.
    fn steepest_by_night(&self, night: &[&&Section]) -> Option<(f64, LineString)> {
        let mut steepest: Option<(f64, LineString)> = None;
        for line in &self.plan.lines {
            let own: Vec<&MultiPolygon> = (night.iter())
                .filter(|section| section.id == line.id)
                .map(|section| &section.shape)
                .collect();
            if own.is_empty() {
                continue;
            }
            for w in line.shape.0.windows(2) {
                for run in self.slopes.along(w[0], w[1]) {
                    let d = run.b - run.a;
                    let middle = (run.a + run.b) / 2.0;
                    let Some(slope) = run.slope.steepest() else {
                        continue;
                    };
                    if d.x.hypot(d.y) >= SHORTEST_M
                        && steepest.as_ref().is_none_or(|(most, _)| slope > *most)
                        && (own.iter()).any(|own| crate::geometry::distance::inside(middle, own))
                    {
                        steepest = Some((slope, LineString(vec![run.a, run.b])));
                    }
                }
            }
        }
        steepest
    }

    fn night_hazards(&self, night: &[&Polygon]) -> Option<Judged> {
        let required_m = self.context.settings.layout.hazard_distance_m;
        let hazards = || {
            let near = self.near.iter();
            near.filter(|near| {
                matches!(
                    near.feature.kind,
                    LayerKind::Hazards | LayerKind::PowerLines
                )
            })
        };
        hazards().next()?;
        let measured = Measured::polygons(night.to_vec());
        let mut nearest: Option<Nearest> = None;
        for near in hazards() {
            let belt_m = near.demand.power_line.map_or(0.0, |line| line.belt_m());
            let edges = edges(&near.source, required_m.max(belt_m));
            let half_m = match near.feature.kind {
                LayerKind::PowerLines => near.demand.half_m,
                _ => 0.0,
            };
            nearest = nearer(nearest, measured.approach(&edges, half_m, LOOK_BEYOND_M));
            nearest = nearer(nearest, measured.intrusion(&near.source, &edges));
        }
        let holds = nearest.is_none_or(|n| n.spare_m() >= -DISTANCE_TOLERANCE_M);
        let mut judged = self.row(
            RuleId::NightHazard.named(),
            Some(nearest.map_or(required_m, |nearest| nearest.required_m)),
            nearest.map(|nearest| shown(nearest.distance_m)),
            if holds { Verdict::Pass } else { Verdict::Fail },
            "layout.hazard_distance of the project file",
        );
        judged.place = point(nearest);
        Some(judged)
    }

    fn night_ground(&self, night: &[&Polygon]) -> Option<Judged> {
        let asked = |kind| matches!(kind, LayerKind::Brush | LayerKind::SoftGround);
        let mut grounds = Vec::new();
        for near in self.near.iter().filter(|near| asked(near.feature.kind)) {
            if let Source::Polygons(polygons) = &near.source {
                grounds.extend(crate::geometry::overlay::oriented(polygons.clone()).0);
            }
        }
        if grounds.is_empty() {
            return None;
        }
        let night = MultiPolygon(night.iter().map(|&polygon| polygon.clone()).collect());
        let on = intersection(&night, &grounds);
        let measured_m2 = area(&on);
        let holds = measured_m2 <= ROUNDING_M2;
        let mut judged = self.row(
            RuleId::NightGround.named(),
            Some(0.0),
            Some(if holds { 0.0 } else { measured_m2 }),
            if holds { Verdict::Pass } else { Verdict::Fail },
            "docs/algorithms.md, Sections",
        );
        judged.place = (!holds).then_some(Geometry::MultiPolygon(on));
        Some(judged)
    }

    /// By the cells of the depth to water themselves; ground that no cell says anything of is not known.
    fn night_wet(&self, night: &[&Polygon]) -> Option<Judged> {
        let wanted = self.context.settings.wet_ground.as_ref()?;
        let night = MultiPolygon(night.iter().map(|&polygon| polygon.clone()).collect());
        let beyond = (self.plan.wet.as_ref())
            .map(|map| wet_polygons(map, &self.plan.frame, |wet| wet == Wet::Beyond));
        let on = difference(&night, &beyond.unwrap_or_default());
        let measured_m2 = area(&on);
        let holds = measured_m2 <= ROUNDING_M2;
        let mut judged = self.row(
            RuleId::NightWet.named(),
            Some(0.0),
            Some(if holds { 0.0 } else { measured_m2 }),
            if holds { Verdict::Pass } else { Verdict::Fail },
            wanted.source.as_str(),
        );
        judged.place = (!holds).then_some(Geometry::MultiPolygon(on));
        Some(judged)
    }

    /// What night work keeps away from: the boundary, reserves, ground left out, bands of trees.
    fn night_keeps(&self) -> Vec<Keep> {
        let keep = |segments: Vec<Segment>, off_m: f64| Keep {
            index: SegmentIndex::new(segments),
            off_m,
        };
        let mut keeps = vec![keep(boundary_segments(&self.plan.shape, 0).collect(), 0.0)];
        for near in self.near {
            let itself = near.keeps_out();
            if !itself && near.feature.kind != LayerKind::Hazards {
                continue;
            }
            for (source, widths) in near.stretches() {
                if itself || widths.reserve_m > 0.0 {
                    let off_m = near.demand.half_m + widths.reserve_m;
                    keeps.push(keep(source.segments(0), off_m));
                }
            }
            // A mapped stream without a reserve is as much of an edge.
            let barrier = near.barrier();
            keeps.extend(barrier.map(|(source, barrier_m)| keep(source.segments(0), barrier_m)));
        }
        let left = self.plan.unworked.iter().filter(|unworked| {
            matches!(
                unworked.reason,
                UnworkedReason::TooSteep | UnworkedReason::SteepEdge | UnworkedReason::SoftGround
            )
        });
        let left = left.map(|unworked| &unworked.shape);
        let standing = left.chain(&self.plan.retained_bands.0);
        keeps.push(keep(standing.flat_map(polygon_segments).collect(), 0.0));
        keeps.retain(|keep| !keep.index.is_empty());
        keeps
    }

    fn night_edges(&self, night: &[&Polygon]) -> Judged {
        let settings = self.context.settings;
        let required_m = settings.layout.edge_distance_m;
        let keeps = self.night_keeps();
        let passes = (self.plan.strips.iter())
            .filter(|strip| strip.kind == StripKind::BoundaryPass)
            .flat_map(|strip| polygon_segments(&strip.shape));
        let passes = SegmentIndex::new(passes.collect());
        // Sections are classed as if nothing were cut, so what is cut between them and the edge was to be a pass.
        let open = (self.plan.unworked.iter())
            .filter(|unworked| unworked.reason == UnworkedReason::CutBefore)
            .flat_map(|unworked| polygon_segments(&unworked.shape));
        let open = SegmentIndex::new(open.collect());
        // A pass narrower than the distance is none that keeps it.
        let shields = settings.machine.strip_width_m() >= required_m;
        let between = |near: &Near| {
            let along = |k: u32| near.from + (near.to - near.from) * (f64::from(k) / 8.0);
            shields && (1..8).any(|k| passes.holds(along(k)) || open.holds(along(k)))
        };
        let mut least: Option<Near> = None;
        for ring in night.iter().flat_map(|polygon| rings(polygon)) {
            for w in ring.0.windows(2) {
                for keep in &keeps {
                    let within_m = keep.off_m + required_m;
                    if keep.index.near(w[0], w[1], within_m).next().is_none() {
                        continue;
                    }
                    for near in keep.along(w[0], w[1], required_m) {
                        let nearer = |least: &Near| near.distance_m < least.distance_m;
                        if least.as_ref().is_none_or(nearer) && !between(&near) {
                            least = Some(near);
                        }
                    }
                }
            }
        }
        let measured = least.as_ref().map(|least| least.distance_m);
        let holds = measured.is_none_or(|m| m >= required_m - EDGE_TOLERANCE_M);
        let mut judged = self.row(
            RuleId::NightEdge.named(),
            Some(required_m),
            measured.map(shown),
            if holds { Verdict::Pass } else { Verdict::Fail },
            "layout.edge_distance of the project file",
        );
        judged.place = least.map(|least| Geometry::Point(Point(least.from)));
        judged
    }
}

impl Keep {
    /// Places along `a`-`b` that come nearer to the edge than `required_m`.
    fn along(&self, a: Coord, b: Coord, required_m: f64) -> impl Iterator<Item = Near> + '_ {
        let within_m = self.off_m + required_m;
        places_along(a, b, STEP_M).filter_map(move |from| {
            let far = |s: &Segment| point_segment(from, s.a, s.b);
            let nearest = (self.index.near(from, from, within_m))
                .map(|s| (far(s), s))
                .min_by(|x, y| x.0.total_cmp(&y.0));
            let (distance_m, s) = nearest?;
            (distance_m < within_m).then(|| Near {
                distance_m: distance_m - self.off_m,
                from,
                to: s.a + (s.b - s.a) * share_along(from, s.a, s.b),
            })
        })
    }
}
