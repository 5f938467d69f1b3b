//! The retention share that a season's blocks owe together, from the areas that the audit measured.

use std::collections::BTreeMap;

use super::certainty::{Certainty, EdgeSpread};
use super::row::{Judged, Measure, SHARE_ROUNDING, measured};
use super::scene::BlockAudit;
use crate::geometry::counted_once::{self, SharedGround};
use crate::model::{RuleId, Verdict};
use crate::rulebook::Rulebook;
use crate::units::hectares;

#[derive(Clone, Debug, Default)]
struct Sums {
    blocks: u64,
    gross_m2: f64,
    kept_m2: f64,
    edges: EdgeSpread,
    left_out: u64,
    /// Ids of its blocks that share ground.
    shared: Vec<String>,
}

/// The blocks of an audit by portfolio. Add them in input order, so that sums are the same in every run.
#[derive(Clone, Debug, Default)]
pub struct Portfolios {
    sums: BTreeMap<Option<String>, Sums>,
    /// Features of the blocks layer that could not be read, of whatever portfolio.
    pub unread: u64,
    /// Blocks that share ground, of all portfolios.
    shared: Vec<SharedGround>,
}

impl Portfolios {
    /// Adds a block; one of which nothing is cut yet is left out.
    pub fn add(&mut self, audit: &BlockAudit, rules: &Rulebook) {
        if audit.uncut {
            return self.leave_out(audit.portfolio.as_deref());
        }
        let sums = self.sums.entry(audit.portfolio.clone()).or_default();
        sums.blocks += 1;
        sums.gross_m2 += audit.areas.gross_m2;
        sums.kept_m2 += audit.areas.kept_m2;
        sums.edges += audit.areas.kept_edges;
        sums.kept_m2 += match rules.reserves_count {
            true => audit.areas.reserve_m2,
            false => audit.areas.counted_m2,
        };
        if rules.left_counts {
            sums.kept_m2 += audit.areas.left_m2;
        }
        if let Some(shared) = &audit.shared {
            sums.shared.push(audit.id.clone());
            self.shared.push(shared.clone());
        }
    }

    /// The sums of a portfolio with ground of several of its blocks counted once.
    fn once(&self, sums: &Sums, reserves_count: bool) -> Sums {
        let mut once = sums.clone();
        let own = [&mut once.gross_m2, &mut once.kept_m2];
        counted_once::count_once(&sums.shared, &self.shared, reserves_count, own);
        once
    }

    /// Counts a block that was not judged.
    pub fn leave_out(&mut self, portfolio: Option<&str>) {
        let sums = self.sums.entry(portfolio.map(str::to_owned)).or_default();
        sums.left_out += 1;
    }

    /// One row for each portfolio, in the order of their names; none without a rule.
    pub fn judge(&self, rules: &Rulebook, certainty: &Certainty) -> Vec<Judged> {
        let Some(rule) = &rules.block.portfolio_share else {
            return vec![];
        };
        let rows = self.sums.iter().map(|(name, sums)| {
            let sums = self.once(sums, rules.reserves_count);
            let share = if sums.gross_m2 > 0.0 {
                sums.kept_m2 / sums.gross_m2
            } else {
                0.0
            };
            let mut doubts = Vec::new();
            if sums.left_out > 0 {
                let all = sums.left_out + sums.blocks;
                doubts.push(format!(
                    "{} of its {all} blocks were not judged",
                    sums.left_out
                ));
            }
            if self.unread > 0 {
                doubts.push(format!("{} blocks could not be read", self.unread));
            }
            let doubts = doubts.join(" and ");
            let named = RuleId::PortfolioShare.named();
            let named = match name {
                Some(name) => named.of(name).about(&format!("portfolio {name}")),
                None => named.about("all blocks of no portfolio"),
            };
            let words = format!(
                "{:.2} ha of {:.2} ha left standing in {} blocks",
                hectares(sums.kept_m2),
                hectares(sums.gross_m2),
                sums.blocks
            );
            let mut judged = measured(
                named,
                (rule.value, share),
                Measure {
                    short: rule.value - share,
                    rounding: SHARE_ROUNDING,
                    leeway: certainty.of_area(&sums.edges, sums.gross_m2.max(1.0)),
                    doubt: Some(doubts.as_str()).filter(|doubts| !doubts.is_empty()),
                    // The rest of the season may tip it either way.
                    doubt_may_save: true,
                },
                rule.into(),
            );
            if rule.value <= 0.0 {
                judged.row.row.status = Verdict::NotApplicable;
                judged.row.message.clear();
            }
            judged.saying(&words)
        });
        rows.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audit::scene::Areas;
    use crate::model::GroundFrame;
    use crate::rulebook::preset;
    use geo::MultiPolygon;

    fn audit(gross_ha: f64, kept_ha: f64, reserve_ha: f64, uncut: bool) -> BlockAudit {
        BlockAudit {
            id: "A-1".to_owned(),
            portfolio: None,
            frame: GroundFrame::SAME,
            status: Verdict::Pass,
            areas: Areas {
                gross_m2: gross_ha * 1e4,
                kept_m2: kept_ha * 1e4,
                reserve_m2: reserve_ha * 1e4,
                kept_edges: EdgeSpread {
                    length_m: 1000.0,
                    ..EdgeSpread::default()
                },
                ..Areas::default()
            },
            uncut,
            rows: vec![],
            cut: MultiPolygon(vec![]),
            shared: None,
        }
    }

    /// Of 10 ha and 30 ha together 3 ha stand, and 1 ha is reserve.
    #[test]
    fn a_portfolio_is_judged_by_its_sums_and_never_passes_with_blocks_left_out() {
        let mut rules = preset("bc-fppr").unwrap();
        let mut judged = |share: f64, reserves_count: bool, uncut: bool, tolerance_m: f64| {
            rules.reserves_count = reserves_count;
            let mut rule = rules.retention_share.clone();
            rule.value = share;
            rule.citation.status = crate::rulebook::ReadStatus::ReadInSource;
            rules.block.portfolio_share = Some(rule);
            let mut portfolios = Portfolios::default();
            portfolios.add(&audit(10.0, 1.0, 0.75, false), &rules);
            portfolios.add(&audit(30.0, 2.0, 0.25, false), &rules);
            if uncut {
                portfolios.add(&audit(5.0, 5.0, 0.0, true), &rules);
            }
            let rows = portfolios.judge(&rules, &Certainty::Tolerance(tolerance_m));
            assert_eq!(rows.len(), 1);
            (rows[0].row.row.measured.unwrap(), rows[0].status())
        };
        assert_eq!(judged(0.07, false, false, 0.0), (0.075, Verdict::Pass));
        assert_eq!(judged(0.08, false, false, 0.0), (0.075, Verdict::Fail));
        assert_eq!(judged(0.08, true, false, 0.0), (0.1, Verdict::Pass));
        // An error of 2 m along 2 km is 0.4 ha of 40 ha.
        assert_eq!(judged(0.0849, false, false, 2.0), (0.075, Verdict::Warn));
        assert_eq!(judged(0.0851, false, false, 2.0), (0.075, Verdict::Fail));
        assert_eq!(judged(0.07, false, true, 0.0), (0.075, Verdict::Unknown));
        assert_eq!(judged(0.08, false, true, 0.0), (0.075, Verdict::Unknown));
    }
}
