//! What maps may be off: beside every distance as mapped the one that is left if they are, and the block's own edge.

use geo::{Coord, LineString, MultiLineString};

use super::distances::{DISTANCE_TOLERANCE_M, LOOK_BEYOND_M, Nearest, edges, point, shown};
use super::{Judge, Judged};
use crate::geometry::buffer::Source;
use crate::geometry::distance::SegmentIndex;
use crate::geometry::overlay::boundary;
use crate::geometry::proof::{Breach, Kept, Measured};
use crate::landbase::NearFeature;
use crate::model::*;

/// The edge is asked this often whether it lies in front of a road.
const STEP_M: f64 = 1.0;

/// Of the features that one row is about: the least that is left to spare if their maps are off.
#[derive(Default)]
pub(super) struct Doubted<'n> {
    worst: Option<(Nearest, f64, &'n NearFeature<'n>)>,
    /// Features that come into it of which nobody says how far they may be off.
    unknown: bool,
}

impl<'n> Doubted<'n> {
    pub fn add(&mut self, near: &'n NearFeature<'n>, found: Nearest) {
        let Some(off_m) = near.demand.off_m else {
            self.unknown = true;
            return;
        };
        let spare_m = found.spare_m() - off_m;
        let held = self.worst.map(|(held, off_m, _)| held.spare_m() - off_m);
        if held.is_none_or(|held| spare_m < held) {
            self.worst = Some((found, off_m, near));
        }
    }

    /// Fills in what of the measured distance is left if the map is off, and what that is the accuracy of.
    pub fn tell(&self, judged: &mut Judged) {
        let Some((found, off_m, near)) = self.worst.filter(|_| !self.unknown) else {
            return;
        };
        let accuracy = Accuracy::of(&near.feature.facts);
        let more_m = near.demand.more_m;
        if more_m > 0.0 {
            let source = &accuracy.source;
            judged.row.source +=
                &format!("; {more_m} m of it for what the map may be off: {source}");
        }
        judged.row.with_map_error = Some(shown(found.distance_m - off_m));
        judged.off = Some(Off {
            whose: format!("{}, feature {}", near.feature.source_layer, near.feature.id),
            required_m: found.required_m - more_m,
            accuracy,
        });
    }
}

/// What a row's distance may be off by.
pub(super) struct Off {
    /// Layer and feature.
    pub whose: String,
    /// By the rule alone.
    pub required_m: f64,
    pub accuracy: Accuracy,
}

/// Says of a row that holds as mapped that it may not, if the map is off.
pub(super) fn finding(judged: &Judged) -> Option<Finding> {
    let (off, least_m) = judged.off.as_ref().zip(judged.row.with_map_error)?;
    let fails = judged.row.status == Verdict::Fail;
    if fails || least_m >= off.required_m - DISTANCE_TOLERANCE_M {
        return None;
    }
    let figures = off.accuracy.figures()?;
    Some(Finding {
        rule_id: "map-error".to_owned(),
        verdict: Verdict::NotApplicable,
        measured: Some(least_m),
        required: Some(off.required_m),
        unit: "m",
        message: format!(
            "{} holds as mapped; {} may be off by {figures}, so that {:.1} m of {:.1} m are sure",
            judged.row.rule_id,
            off.whose,
            least_m.max(0.0),
            off.required_m
        ),
        source: off.accuracy.source.clone(),
        shape: judged.place.clone(),
    })
}

impl Judge<'_> {
    /// Where the project keeps off the block's own edge by what that may be off; and else what may be cut beyond it.
    pub(super) fn block_edge(&self) -> Option<Judged> {
        let accuracy = &self.block.accuracy;
        let off_m = accuracy.off_m?;
        let kept = self.context.settings.layout.keep_for_accuracy;
        let required_m = if kept { off_m } else { 0.0 };
        let rim = edges(&Source::Lines(self.rim_off_roads()), required_m);
        let found = self.cut().approach(&rim, 0.0, LOOK_BEYOND_M);
        let distance_m = found.map(|found| found.distance_m);
        let short = distance_m.is_some_and(|own| own < required_m - DISTANCE_TOLERANCE_M);
        let mut judged = self.row(
            RuleId::BlockEdge.named(),
            Some(required_m),
            distance_m.map(shown),
            match (kept, short) {
                (false, _) => Verdict::NotApplicable,
                (true, true) => Verdict::Fail,
                (true, false) => Verdict::Pass,
            },
            accuracy.source.as_str(),
        );
        judged.place = point(found);
        judged.row.with_map_error = distance_m.map(|own| shown(own - off_m));
        let beyond = distance_m.is_some_and(|own| own < off_m - DISTANCE_TOLERANCE_M);
        if let (false, true, Some(figures)) = (kept, beyond, accuracy.figures()) {
            judged.why = format!(
                "it may be off by {figures}, and so much of what is cut along it may lie outside the block"
            );
        }
        Some(judged)
    }

    /// The block's outline but for what lies in front of roads that wood goes to, to a metre.
    fn rim_off_roads(&self) -> MultiLineString {
        let fronts = self.fronts();
        let mut pieces: Vec<LineString> = Vec::new();
        for w in boundary(&self.plan.shape)
            .0
            .iter()
            .flat_map(|line| line.0.windows(2))
        {
            let d = w[1] - w[0];
            let steps = (d.x.hypot(d.y) / STEP_M).ceil().max(1.0) as u32;
            let at = |step: u32| w[0] + d * (f64::from(step) / f64::from(steps));
            let off: Vec<bool> = (0..=steps)
                .map(|step| !is_in_front(&fronts, at(step)))
                .collect();
            let mut from: Option<u32> = None;
            for step in 0..=steps {
                match (off[step as usize], from) {
                    (true, None) => from = Some(step),
                    (false, Some(begun)) => {
                        // Up to the last place that is off every front.
                        pieces.push(LineString(vec![at(begun), at(step - 1)]));
                        from = None;
                    }
                    _ => {}
                }
            }
            pieces.extend(from.map(|begun| LineString(vec![at(begun), at(steps)])));
        }
        MultiLineString(pieces)
    }

    /// Proves that nothing is cut nearer to the block's edge than that may be off, where the project asks for it.
    pub(super) fn prove_edge(&self, cut: &Measured) -> Result<(), CutFault> {
        let off_m = self.block.accuracy.off_m.unwrap_or(0.0);
        if !self.context.settings.layout.keep_for_accuracy || off_m == 0.0 || cut.bounds.is_empty()
        {
            return Ok(());
        }
        let rim = self.rim_off_roads();
        let kept: Vec<Kept> = rim
            .0
            .iter()
            .flat_map(|line| line.0.windows(2))
            .map(|w| Kept {
                a: w[0],
                b: w[1],
                distance_m: off_m,
            })
            .collect();
        let proved = cut.keep_from(&kept, None, LOOK_BEYOND_M);
        proved.map(drop).map_err(|breach| CutFault::TooNear {
            what: "cut".to_owned(),
            layer: self.block.source_layer.clone(),
            feature_id: self.block.id.clone(),
            measured_m: match breach {
                Breach::Near { measured_m, .. } => measured_m,
                Breach::Covers { .. } | Breach::Trespass { .. } => 0.0,
            },
            required_m: off_m,
            place: self.place(breach),
        })
    }

    /// Roads that wood goes to, with how far in front of them ground is theirs.
    fn fronts(&self) -> Vec<(SegmentIndex, f64)> {
        let front_m = self.context.settings.layout.frontage_distance_m;
        let roads = self.near.iter().filter(|near| near.takes_wood());
        roads
            .map(|near| {
                let index = SegmentIndex::new(near.source.segments(0));
                (index, near.demand.half_m + front_m)
            })
            .collect()
    }
}

fn is_in_front(fronts: &[(SegmentIndex, f64)], at: Coord) -> bool {
    let within = |(index, within_m): &(SegmentIndex, f64)| index.distance(at, *within_m).is_some();
    fronts.iter().any(within)
}
