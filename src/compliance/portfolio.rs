//! The retention share that a season's blocks owe together.

use std::collections::BTreeMap;

use geo::Polygon;

use super::areas::counted;
use super::finding;
use crate::geometry::counted_once::{self, SharedGround, Twice};
use crate::geometry::overlaps::Overlaps;
use crate::model::*;
use crate::rulebook::{Cited, Origin, Rulebook};
use crate::units::hectares;

/// A portfolio may lie short of its share by rounding only: this much for each of its blocks.
const ROUNDING_M2: f64 = 0.01;

/// The blocks of a batch by portfolio. Add them in input order, so that sums are the same in every run.
#[derive(Clone, Debug, Default)]
pub struct Season {
    portfolios: BTreeMap<Option<String>, Sums>,
    /// Blocks that could not be read, of whatever portfolio.
    unread: u64,
    /// Blocks that share ground, of all portfolios.
    shared: Vec<SharedGround>,
}

#[derive(Clone, Debug, Default)]
struct Sums {
    blocks: u64,
    gross_m2: f64,
    kept_m2: f64,
    left_out: u64,
    /// Ids of its blocks that share ground.
    shared: Vec<String>,
}

/// A portfolio as judged.
#[derive(Clone, Debug)]
pub struct PortfolioShare {
    /// None: all blocks that name no portfolio.
    pub name: Option<String>,
    /// Blocks laid out.
    pub blocks: u64,
    pub gross_m2: f64,
    /// Left standing in them, as the rules count it.
    pub kept_m2: f64,
    pub row: ComplianceRow,
    /// Where the verdict is not a pass.
    pub finding: Option<Finding>,
}

impl Season {
    /// Adds a block as laid out. `overlaps`: of all blocks of the batch.
    pub fn add(&mut self, plan: &BlockPlan, rules: &Rulebook, overlaps: &Overlaps) {
        let sums = self.portfolios.entry(plan.portfolio.clone()).or_default();
        if overlaps.ground_of(&plan.id).next().is_some() {
            let mut standing: Vec<Polygon> = plan.retained_bands.0.clone();
            if !rules.reserves_count {
                standing.extend(counted(plan, rules).0);
            }
            standing.extend(plan.corridors.iter().map(|corridor| corridor.shape.clone()));
            let reserves = (plan.zones.iter()).filter(|zone| zone.kind == ZoneKind::Reserve);
            let reserve: Vec<Polygon> = reserves.flat_map(|zone| zone.shape.0.clone()).collect();
            let shared = SharedGround::new(overlaps, &plan.id, &plan.frame, &standing, &reserve);
            sums.shared.push(plan.id.clone());
            self.shared.extend(shared);
        }
        sums.blocks += 1;
        sums.gross_m2 += plan.books.gross_m2;
        sums.kept_m2 += plan.books.retained_m2;
        sums.kept_m2 += match rules.reserves_count {
            true => plan.books.reserve_m2,
            false => plan.books.kept_m2,
        };
        if rules.left_counts {
            sums.kept_m2 += plan.books.left_m2;
        }
    }

    /// What sums over all of these blocks hold too often.
    pub fn twice(&self) -> Twice {
        let all: Vec<&SharedGround> = self.shared.iter().collect();
        counted_once::twice(&all, &self.shared)
    }

    /// Counts a block that this run did not lay out.
    pub fn leave_out(&mut self, portfolio: Option<&str>) {
        let name = portfolio.map(str::to_owned);
        self.portfolios.entry(name).or_default().left_out += 1;
    }

    /// Counts blocks that could not be read, and so may belong to any portfolio.
    pub fn leave_out_unread(&mut self, blocks: u64) {
        self.unread += blocks;
    }

    /// One verdict for each portfolio, in the order of their names; none without a rule.
    pub fn judge(&self, rules: &Rulebook) -> Vec<PortfolioShare> {
        let Some(rule) = &rules.block.portfolio_share else {
            return vec![];
        };
        let portfolios = self.portfolios.iter();
        portfolios
            .map(|(name, sums)| {
                let sums = self.once(sums, rules.reserves_count);
                self.judge_one(rule, name.as_deref(), &sums)
            })
            .collect()
    }

    /// The sums of a portfolio with ground of several of its blocks counted once.
    fn once(&self, sums: &Sums, reserves_count: bool) -> Sums {
        let mut once = sums.clone();
        let own = [&mut once.gross_m2, &mut once.kept_m2];
        counted_once::count_once(&sums.shared, &self.shared, reserves_count, own);
        once
    }

    fn judge_one(&self, rule: &Cited<f64>, name: Option<&str>, sums: &Sums) -> PortfolioShare {
        let share = (sums.gross_m2 > 0.0).then(|| sums.kept_m2 / sums.gross_m2);
        let rounding_m2 = ROUNDING_M2 * sums.blocks as f64;
        let enough = sums.kept_m2 + rounding_m2 >= rule.value * sums.gross_m2;
        let mut doubts = Vec::new();
        if sums.left_out > 0 {
            let all = sums.left_out + sums.blocks;
            doubts.push(format!(
                "{} of its {all} blocks were not laid out in this run",
                sums.left_out
            ));
        }
        if self.unread > 0 {
            doubts.push(format!(
                "{} features of the blocks layer could not be used and may belong to it",
                self.unread
            ));
        }
        let status = match () {
            _ if rule.value <= 0.0 => Verdict::NotApplicable,
            // The rest of the season may tip it either way.
            _ if !doubts.is_empty() || share.is_none() => Verdict::Unknown,
            // A figure that nobody has read decides nothing alone.
            _ if Origin::from(rule).is_from_memory() => Verdict::Warn,
            _ if !enough => Verdict::Fail,
            _ => Verdict::Pass,
        };
        let named = RuleId::PortfolioShare.named();
        let named = match name {
            Some(name) => named.of(name).about(&format!("portfolio {name}")),
            None => named.about("all blocks of no portfolio"),
        };
        let mut named = named.about(&format!(
            ": {} laid out, {:.2} ha of {:.2} ha left standing",
            if sums.blocks == 1 {
                "1 block".to_owned()
            } else {
                format!("{} blocks", sums.blocks)
            },
            hectares(sums.kept_m2),
            hectares(sums.gross_m2),
        ));
        if !doubts.is_empty() {
            named = named.about(&format!(
                "; cannot be judged, for {}",
                doubts.join(", and ")
            ));
        }
        let row = Origin::from(rule).row(named, (Some(rule.value), share), status);
        PortfolioShare {
            name: name.map(str::to_owned),
            blocks: sums.blocks,
            gross_m2: sums.gross_m2,
            kept_m2: sums.kept_m2,
            finding: (status >= Verdict::Unknown).then(|| finding(&row, "", None)),
            row,
        }
    }
}
