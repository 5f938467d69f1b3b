//! A raster of change as what was cut: a screening, which never passes anything.

use super::row::{Judged, row, shown};
use crate::model::{RuleId, Verdict};
use crate::units::{Percent, hectares};

/// Of a published comparison, as data of ours has it: abstract read.
const PUBLISHED: &str = "Rossi, Breidenbach, Puliti, Astrup, Talbot 2019, Remote Sens. 11(5) 543 (abstract read): of a global yearly map of forest \
     loss 94 % of cuts found, kappa 0.66, area underestimated where seed trees stand; Norway, 1607 km2, 17 years";
const NO_PROOF: &str =
    "cannot be told: a raster of change is a screening, in which nothing is seen that falls short";

/// What a raster of change says of one block beside the ground that it has as cut.
#[derive(Clone, Debug, PartialEq)]
pub struct Screening {
    /// Share of the block whose cells have a value.
    pub known: f64,
    /// Pieces left out as too small, and what is too small, m².
    pub dropped: u64,
    pub least_m2: f64,
    /// Change beside the block that belongs to pieces which lie mostly outside of it, m².
    pub beside_m2: f64,
}

/// Less ground is rounding.
const KNOWN_ROUNDING: f64 = 1e-6;

impl Screening {
    /// The row of one block.
    pub(super) fn row(&self) -> Judged {
        let mut words = Vec::new();
        let all = self.known >= 1.0 - KNOWN_ROUNDING;
        if !all {
            words.push(format!(
                "cannot be told: {} of the block lies outside the raster or on cells without a value, and nothing is taken for cut there",
                Percent(1.0 - self.known)
            ));
        }
        if self.dropped > 0 {
            words.push(format!(
                "changes smaller than {} m² left out: {}",
                self.least_m2, self.dropped
            ));
        }
        if self.beside_m2 > 0.0 {
            words.push(format!(
                "{:.4} ha of change beside it, of pieces that lie mostly outside, are not taken for this block's",
                hectares(self.beside_m2)
            ));
        }
        let status = match all {
            true => Verdict::NotApplicable,
            false => Verdict::Unknown,
        };
        if words.is_empty() {
            words.push("for information".to_owned());
        }
        let named = RuleId::ChangeRaster.named();
        row(
            named,
            Some(1.0),
            Some(shown(self.known)),
            None,
            (status, words.join("; ")),
            PUBLISHED.into(),
        )
    }
}

/// What a verdict is worth that rests on a raster of change: what holds is not proved, and what falls short is to be looked at.
pub fn screened(judged: &mut Judged) {
    let row = &mut judged.row;
    let rule = RuleId::of(&row.row.rule_id);
    match row.row.status {
        Verdict::Pass => {
            row.row.status = Verdict::Unknown;
            row.message = NO_PROOF.to_owned();
        }
        Verdict::NotApplicable if rule == Some(RuleId::Cut) => {
            row.row.status = Verdict::Unknown;
            row.message =
                "cannot be told: no change is seen in this block, which does not prove that nothing was cut"
                    .to_owned();
        }
        Verdict::Fail | Verdict::Warn if rule != Some(RuleId::OverlappingBlocks) => {
            row.message +=
                "; seen by a raster of change: a screening, to be looked at in the field";
        }
        Verdict::Fail | Verdict::Warn | Verdict::Unknown | Verdict::NotApplicable => {}
    }
}
