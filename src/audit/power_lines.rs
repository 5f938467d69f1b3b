//! How near to power lines something was cut or driven, and what of the cut could have fallen on one.

use std::collections::BTreeSet;

use super::asked::{self, Edge};
use super::reached::Reached;
use super::reserves::{alike, nearer, nearest_of, to_lines};
use super::row::{Judged, Measure, Origin, ROUNDING_M, measured, row};
use super::scene::Scene;
use super::split::inside_of;
use crate::geometry::area::area;
use crate::landbase::{NearFeature, POWER_LINES_SOURCE, PowerLine, TreesFrom};
use crate::model::{RuleId, Verdict};
use crate::units::hectares;

/// Approaches farther beyond the belt than this are not of interest.
const LOOK_BEYOND_M: f64 = 20.0;
/// Ground up to this is the overlay's rounding along the belt's edge.
const ROUNDING_M2: f64 = 0.5;

type Line<'n> = (&'n NearFeature<'n>, PowerLine);

impl Scene<'_> {
    /// Two rows where the belt of any power line reaches into the block, or the cut into a belt; none elsewhere.
    pub(super) fn power_lines(&self) -> Vec<Judged> {
        let lines = (self.near.iter()).filter_map(|own| Some((own, own.demand.power_line?)));
        let reaches = |(own, line): &Line| {
            let belt = self.within_belt(own, line.belt_m());
            let on = |ground| area(&inside_of(ground, &belt.0)) > ROUNDING_M2;
            on(&self.shape.shape) || on(&self.cut.shape)
        };
        let lines: Vec<Line> = lines.filter(reaches).collect();
        if lines.is_empty() {
            return vec![];
        }
        let mut rows: Vec<Judged> = self.limit_of_approach(&lines).into_iter().collect();
        rows.push(self.power_line_belt(&lines));
        rows
    }

    fn within_belt(&self, near: &NearFeature, width_m: f64) -> Reached {
        let mut window = self.shape.bounds();
        let cut = self.cut.bounds();
        if !cut.is_empty() {
            window.add(cut.min);
            window.add(cut.max);
        }
        let mut reached = Reached::default();
        let edges = alike(&near.source, width_m);
        asked::reach(&mut reached, near, &edges, 0.0, &window);
        reached
    }

    fn limit_of_approach(&self, lines: &[Line]) -> Option<Judged> {
        let mut worst = None;
        let mut doubt = None;
        let mut within = Reached::default();
        for (own, line) in lines {
            let half_m = own.demand.half_m;
            let look_m = line.belt_m() + LOOK_BEYOND_M;
            let edges: Vec<Edge> = alike(&own.source, line.limit_m);
            let mut found = nearest_of(&self.cut, own, &edges, look_m);
            if self.knows_the_way() {
                let edges = alike(&own.source, line.limit_m + line.machine_m);
                found = nearer(found, to_lines(&self.ways, &edges, half_m, look_m));
            }
            let Some(found) = found else { continue };
            doubt = doubt.or(own.line_doubt());
            if found.spare_m() < -ROUNDING_M {
                within.0.extend(self.within_belt(own, line.limit_m).0);
            }
            if worst.is_none_or(|(held, _): (super::reserves::Nearest, &NearFeature)| {
                found.spare_m() < held.spare_m()
            }) {
                worst = Some((found, *own));
            }
        }
        let (found, own) = worst?;
        let depth = self.depth_beyond(&found, own);
        let rule = own.demand.rule;
        let judged = measured(
            RuleId::PowerLineLimit.named(),
            (found.required_m, found.required_m - depth.short_m),
            Measure {
                short: depth.short_m,
                rounding: ROUNDING_M,
                leeway: depth.leeway.clone(),
                doubt,
                doubt_may_save: false,
            },
            Origin {
                text: own.limit_source(),
                line: String::new(),
                status: rule.map(|rule| rule.citation.status),
            },
        );
        let judged = depth.onto(found.shown(judged, own), -1.0);
        if within.0.is_empty() {
            return Some(judged);
        }
        let ground = inside_of(&self.cut.shape, &within.0);
        let feature = format!("{}, feature {}", own.feature.source_layer, own.feature.id);
        let deep = format!(
            "{:.2} m too near to {feature}; {:.2} ha cut within the limit",
            depth.short_m,
            hectares(area(&ground))
        );
        Some(judged.over(ground).saying(&deep))
    }

    fn power_line_belt(&self, lines: &[Line]) -> Judged {
        let named = RuleId::PowerLineBelt.named();
        let kept: Vec<&Line> = lines.iter().filter(|(_, line)| !line.agreed).collect();
        if kept.is_empty() {
            let mut agreed: Vec<&str> = lines
                .iter()
                .filter_map(|(own, _)| own.agreed_source())
                .collect();
            agreed.dedup();
            let source = format!("the owner agreed: {}", agreed.join("; "));
            let verdict = (Verdict::NotApplicable, String::new());
            return row(named, None, None, None, verdict, source.as_str().into());
        }
        let cut_within = |less_m: f64| {
            let mut within = Reached::default();
            for (own, line) in &kept {
                let width_m = (line.belt_m() - less_m).max(line.limit_m.min(line.belt_m()));
                within.0.extend(self.within_belt(own, width_m).0);
            }
            inside_of(&self.cut.shape, &within.0)
        };
        let ground = cut_within(0.0);
        let cut_m2 = area(&ground);
        let surely_m2 = match self.context.limit_m() > 0.0 {
            true => area(&cut_within(self.context.limit_m())),
            false => cut_m2,
        };
        let trees_unknown = kept
            .iter()
            .any(|(_, line)| line.trees == TreesFrom::Unknown);
        let doubt = kept.iter().find_map(|(own, _)| own.line_doubt());
        let (status, message) = if surely_m2 > ROUNDING_M2 {
            (Verdict::Fail, "beyond tolerance".to_owned())
        } else if cut_m2 > ROUNDING_M2 {
            (Verdict::Warn, "short, but within tolerance".to_owned())
        } else if trees_unknown {
            let why = "cannot be told: nobody says how tall the trees beside a line are";
            (Verdict::Unknown, why.to_owned())
        } else if let Some(doubt) = doubt {
            (Verdict::Unknown, format!("cannot be told: {doubt}"))
        } else {
            (Verdict::Pass, String::new())
        };
        let trees: BTreeSet<String> = (kept.iter())
            .map(|(own, _)| own.trees_source(&self.context.settings.layout))
            .collect();
        let trees: Vec<String> = trees.into_iter().collect();
        let source = format!("{POWER_LINES_SOURCE}; trees: {}", trees.join("; "));
        let cut_at_all = matches!(status, Verdict::Fail | Verdict::Warn);
        let measured = if cut_at_all { hectares(cut_m2) } else { 0.0 };
        let figures = (Some(0.0), Some(measured));
        let judged = row(
            named,
            figures.0,
            figures.1,
            None,
            (status, message),
            source.as_str().into(),
        );
        match cut_at_all {
            true => judged.over(ground),
            false => judged,
        }
    }
}
