//! The dearest blocks of a run, and what makes them dearer than the mean.

use serde_json::{Value, json};

use super::page::CostShare;
use super::script::rounded;
use crate::model::{CostReason, MachineCosts};

/// Blocks listed.
const LISTED: usize = 10;
/// What adds less than this share of the mean to a cubic metre is no reason.
const LEAST_SHARE: f64 = 0.02;

/// Blocks with what they cost. Memory: a few numbers for each.
#[derive(Default)]
pub struct Dearest(Vec<(String, CostShare)>);

impl Dearest {
    pub fn add(&mut self, id: &str, share: CostShare) {
        self.0.push((id.to_owned(), share));
    }

    /// What the page says; None where no block has a cost.
    pub fn close(mut self, costs: &MachineCosts) -> Option<Value> {
        let mut volume_m3 = 0.0;
        let mut cost = 0.0;
        let mut parts = [0.0; 5];
        for (_, share) in &self.0 {
            volume_m3 += share.volume_m3;
            cost += share.cost;
            for (sum, part) in parts.iter_mut().zip(share.parts) {
                *sum += part;
            }
        }
        if volume_m3 <= 0.0 {
            return None;
        }
        let mean = cost / volume_m3;
        let means = parts.map(|part| part / volume_m3);
        let per_m3 = |share: &CostShare| share.cost / share.volume_m3;
        // The first of equals in the order of the blocks.
        self.0.sort_by(|a, b| per_m3(&b.1).total_cmp(&per_m3(&a.1)));
        let rows = self.0.iter().take(LISTED).map(|(id, share)| {
            json!({
                "id": id,
                "cost_per_m3": rounded(per_m3(share), 2),
                "volume_m3": rounded(share.volume_m3, 0),
                "why": reasons(share, means, LEAST_SHARE * mean),
            })
        });
        Some(json!({
            "currency": costs.currency,
            "year": costs.year,
            "source": costs.source,
            "source_status": costs.status,
            "felling": costs.rates.felling,
            "skidding": costs.rates.skidding,
            "cost": rounded(cost, 0),
            "cost_per_m3": rounded(mean, 2),
            "blocks": self.0.len(),
            "dearest": rows.collect::<Vec<_>>(),
        }))
    }
}

/// What a cubic metre costs more for each reason than on the mean, the most first.
fn reasons(share: &CostShare, means: [f64; 5], least: f64) -> Vec<Value> {
    let mut more: Vec<(f64, CostReason)> = (share.parts.iter().zip(means).zip(CostReason::ALL))
        .map(|((part, mean), reason)| (part / share.volume_m3 - mean, reason))
        .filter(|(more, _)| *more > least)
        .collect();
    more.sort_by(|a, b| b.0.total_cmp(&a.0));
    let words = more
        .into_iter()
        .map(|(more, reason)| json!({ "reason": reason.key(), "more": rounded(more, 2) }));
    words.collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Rates;

    fn share(volume_m3: f64, parts: [f64; 5]) -> CostShare {
        CostShare {
            volume_m3,
            cost: parts.iter().sum(),
            parts,
        }
    }

    /// By hand: 100 m3 at 20 and 100 m3 at 30, which are 25 on the mean; the second has smaller trees and a longer way.
    #[test]
    fn the_dearest_block_comes_first_with_what_is_above_the_mean() {
        let mut dearest = Dearest::default();
        dearest.add("A", share(100.0, [800.0, 100.0, 0.0, 300.0, 800.0]));
        dearest.add("B", share(100.0, [1000.0, 60.0, 0.0, 340.0, 1600.0]));
        let costs = MachineCosts {
            rates: Rates {
                felling: Some(300.0),
                skidding: Some(150.0),
            },
            currency: "CA$".to_owned(),
            year: Some(2031),
            ..MachineCosts::default()
        };
        let said = dearest.close(&costs).unwrap();
        assert_eq!(said["cost_per_m3"], 25.0);
        assert_eq!(said["dearest"][0]["id"], "B");
        assert_eq!(
            said["dearest"][0]["why"],
            json!([{ "reason": "skid_distance", "more": 4.0 }, { "reason": "tree_size", "more": 1.0 }])
        );
        assert_eq!(said["dearest"][1]["why"], json!([]));
        assert!(Dearest::default().close(&costs).is_none());
    }
}
