//! How near to power lines anything is cut or driven, and whether a tree that is cut could fall on one.

use geo::{Geometry, MultiPolygon, Polygon};

use super::distances::{DISTANCE_TOLERANCE_M, LOOK_BEYOND_M, Nearest, edges, nearer, point, shown};
use super::map_error::Doubted;
use super::{Judge, Judged};
use crate::geometry::area::area;
use crate::geometry::overlay::{oriented, union};
use crate::geometry::within::within;
use crate::landbase::{NearFeature, POWER_LINES_SOURCE, PowerLine, TreesFrom};
use crate::model::*;
use crate::rulebook::ReadStatus;
use crate::units::hectares;

/// Ground up to this is the overlay's rounding along the belt's edge.
const ROUNDING_M2: f64 = 0.5;

impl Judge<'_> {
    /// Two rows where the belt of any power line reaches into the block; none elsewhere.
    pub(super) fn power_lines(&self) -> Vec<Judged> {
        let lines = (self.near.iter()).filter_map(|own| Some((own, own.demand.power_line?)));
        let reaches = |own: &NearFeature, line: &PowerLine| {
            let belt = within(
                &self.plan.shape,
                &own.source,
                own.demand.half_m + line.belt_m(),
            );
            area(&belt) > ROUNDING_M2
        };
        let lines: Vec<(&NearFeature, PowerLine)> =
            lines.filter(|(own, line)| reaches(own, line)).collect();
        if lines.is_empty() {
            return vec![];
        }
        let mut rows: Vec<Judged> = self.limit_of_approach(&lines).into_iter().collect();
        rows.push(self.belt(&lines));
        rows
    }

    fn limit_of_approach(&self, lines: &[(&NearFeature, PowerLine)]) -> Option<Judged> {
        let (cut, driven) = (self.cut(), self.driven());
        let mut nearest: Option<(Nearest, &NearFeature)> = None;
        let mut doubted = Doubted::default();
        let mut doubt = None;
        for (own, line) in lines {
            let half_m = own.demand.half_m;
            let look_m = line.belt_m() + LOOK_BEYOND_M;
            let mut here: Option<Nearest> = None;
            for (measured, required_m) in [
                (&cut, line.limit_m),
                (&driven, line.limit_m + line.machine_m),
            ] {
                let edges = edges(&own.source, required_m);
                here = nearer(here, measured.approach(&edges, half_m, look_m));
                here = nearer(here, measured.intrusion(&own.source, &edges));
            }
            let Some(here) = here else { continue };
            doubted.add(own, here);
            doubt = doubt.or(own.line_doubt());
            if nearest.is_none_or(|(held, _)| here.spare_m() < held.spare_m()) {
                nearest = Some((here, own));
            }
        }
        let (found, own) = nearest?;
        let from_memory =
            (own.demand.rule).is_some_and(|rule| rule.citation.status == ReadStatus::FromMemory);
        let status = if found.spare_m() < -DISTANCE_TOLERANCE_M {
            Verdict::Fail
        } else if doubt.is_some() {
            Verdict::Unknown
        } else if from_memory {
            Verdict::Warn
        } else {
            Verdict::Pass
        };
        let mut judged = self.row(
            RuleId::PowerLineLimit.named(),
            Some(found.required_m),
            Some(shown(found.distance_m)),
            status,
            own.limit_source().as_str(),
        );
        judged.place = point(Some(found));
        judged.why = doubt.unwrap_or_default().to_owned();
        doubted.tell(&mut judged);
        Some(judged)
    }

    fn belt(&self, lines: &[(&NearFeature, PowerLine)]) -> Judged {
        let cut: Vec<Polygon> = self
            .plan
            .strips
            .iter()
            .map(|strip| strip.shape.clone())
            .collect();
        let cut = MultiPolygon(oriented(MultiPolygon(cut)).0);
        let kept: Vec<&(&NearFeature, PowerLine)> =
            lines.iter().filter(|(_, line)| !line.agreed).collect();
        let agreed: Vec<&str> = lines
            .iter()
            .filter_map(|(own, _)| own.agreed_source())
            .collect();
        if kept.is_empty() {
            let mut agreed = agreed;
            agreed.dedup();
            let source = format!("the owner agreed: {}", agreed.join("; "));
            let status = Verdict::NotApplicable;
            return self.row(
                RuleId::PowerLineBelt.named(),
                None,
                None,
                status,
                source.as_str(),
            );
        }
        let mut inside: Vec<Polygon> = Vec::new();
        for (own, line) in &kept {
            inside.extend(within(&cut, &own.source, own.demand.half_m + line.belt_m()).0);
        }
        let ground = union(&inside);
        let cut_m2 = area(&ground);
        let unknown = kept
            .iter()
            .any(|(_, line)| line.trees == TreesFrom::Unknown);
        let doubt = kept.iter().find_map(|(own, _)| own.line_doubt());
        let (status, why) = if cut_m2 > ROUNDING_M2 {
            (Verdict::Fail, String::new())
        } else if unknown {
            let why = "nobody says how tall the trees beside a line are: give stands a `tree_height`, or state it under [layout]";
            (Verdict::Unknown, why.to_owned())
        } else if let Some(doubt) = doubt {
            (Verdict::Unknown, doubt.to_owned())
        } else {
            (Verdict::Pass, String::new())
        };
        let trees = kept
            .iter()
            .map(|(own, _)| own.trees_source(&self.context.settings.layout));
        let trees: std::collections::BTreeSet<String> = trees.collect();
        let trees: Vec<String> = trees.into_iter().collect();
        let source = format!("{POWER_LINES_SOURCE}; trees: {}", trees.join("; "));
        let measured = match status {
            Verdict::Fail => hectares(cut_m2),
            _ => 0.0,
        };
        let figures = (Some(0.0), Some(measured));
        let mut judged = self.row(
            RuleId::PowerLineBelt.named(),
            figures.0,
            figures.1,
            status,
            source.as_str(),
        );
        judged.why = why;
        judged.place = (status == Verdict::Fail).then_some(Geometry::MultiPolygon(ground));
        judged
    }
}
