//! Rules that count trees instead of ground: a share of them, or so many for each length of a bank.

use serde::Serialize;

use super::{RuleLine, Rulebook, ShareOf};
use crate::model::{Lot, TreeUnit};

/// The trees that a rule counts, and how.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TreeCount {
    pub unit: TreeUnit,
    /// Diameter at breast height from which a tree counts, m; 0: every tree.
    pub least_m: f64,
}

impl TreeCount {
    /// Stems, m2 or m3 of a lot.
    pub fn of(self, lot: Lot) -> f64 {
        lot.counted_in(self.unit)
    }

    /// `stems`, `trees of 20.3 cm and more`, `basal area of the trees of 20.3 cm and more`.
    pub fn words(self) -> String {
        match (self.least_m > 0.0, self.unit) {
            (false, unit) => unit.words().to_owned(),
            (true, TreeUnit::Stems) => format!("trees {}", from(self.least_m)),
            (true, unit) => format!("{} of the trees {}", unit.words(), from(self.least_m)),
        }
    }
}

/// So many trees for each length of a bank.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TreesPerLength {
    pub trees: f64,
    pub per_m: f64,
    /// Diameter at breast height from which a tree counts, m; 0: every tree.
    pub least_m: f64,
}

impl TreesPerLength {
    /// The bank for which a rule asks `trees` has this many metres: what 100 m of it owe.
    pub fn per_100_m(&self) -> f64 {
        self.trees / self.per_m * 100.0
    }

    pub fn count(&self) -> TreeCount {
        TreeCount {
            unit: TreeUnit::Stems,
            least_m: self.least_m,
        }
    }

    /// `10 trees of 20.3 cm and more for each 30.48 m of bank`.
    pub fn words(&self) -> String {
        let trees = match self.least_m > 0.0 {
            false => "trees".to_owned(),
            true => format!("trees {}", from(self.least_m)),
        };
        let per_m = (self.per_m * 100.0).round() / 100.0;
        format!("{} {trees} for each {per_m} m of bank", self.trees)
    }
}

/// `of 20.3 cm and more`.
fn from(least_m: f64) -> String {
    format!("of {} cm and more", (least_m * 1000.0).round() / 10.0)
}

impl RuleLine {
    /// Title of the share of a management zone where it is one of trees.
    pub fn share_title_in(&self, trees: TreeCount) -> String {
        let trees = trees.words();
        format!(
            "Share of the management zone's {trees} left standing, {}",
            self.title
        )
    }
}

impl Rulebook {
    /// Title of the retention share, counted in trees or not.
    pub fn share_title(&self, trees: Option<TreeCount>) -> String {
        let mut title = "Retention share".to_owned();
        if let Some(trees) = trees {
            title += &format!(", of the {}", trees.words());
        }
        if let Some(least) = &self.block.least_patch_m2 {
            let least_ha = crate::units::hectares(least.value);
            title += &format!(", in patches larger than {least_ha} ha");
        }
        title
    }

    /// What the retention share is a share of, in words.
    pub fn share_words(&self) -> String {
        let ground = match (self.reserves_count, self.share_of) {
            (true, _) => "of the gross area; reserves in the block count",
            (false, ShareOf::Gross) => "of the gross area; reserves do not count",
            (false, ShareOf::Net) => "of the net area; reserves do not count",
        };
        match self.share_trees {
            None if self.left_counts => {
                format!("{ground}; what is left as too steep or soft counts")
            }
            None => ground.to_owned(),
            Some(trees) => format!(
                "of the {} {}",
                trees.words(),
                ground.replacen("of", "on", 1)
            ),
        }
    }
}

impl RuleLine {
    /// Whether its management zone owes anything.
    pub fn owes_trees(&self) -> bool {
        self.management_share > 0.0 || self.trees_per_length.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_are_words() {
        let least_m = 8.0 * 0.0254;
        let stems = TreeCount {
            unit: TreeUnit::Stems,
            least_m,
        };
        assert_eq!(stems.words(), "trees of 20.3 cm and more");
        let all = TreeCount {
            unit: TreeUnit::BasalArea,
            least_m: 0.0,
        };
        assert_eq!(all.words(), "basal area");
        let per_length = TreesPerLength {
            trees: 10.0,
            per_m: 100.0 * 0.3048,
            least_m,
        };
        assert_eq!(
            per_length.words(),
            "10 trees of 20.3 cm and more for each 30.48 m of bank"
        );
        assert!((per_length.per_100_m() - 32.808_399).abs() < 1e-6);
    }
}
