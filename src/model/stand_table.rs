//! Trees by diameter class and species, and what the machine does with each: cut, left standing, lost in its path.

use std::ops::{Add, AddAssign, Mul};

use serde::{Deserialize, Serialize};

use super::Machine;

/// Trees of one species and class of diameter at breast height.
#[derive(Clone, Debug, PartialEq)]
pub struct TreeClass {
    /// As the table has it; may be empty.
    pub species: String,
    /// Least diameter, m, and the first that belongs to the next class.
    pub from_m: f64,
    pub to_m: f64,
    pub stems_per_ha: f64,
    /// Mean volume of a tree, m3.
    pub tree_m3: f64,
}

/// The trees of a stand: classes of one species do not overlap.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StandTable(pub Vec<TreeClass>);

/// Trees, per hectare or in all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Lot {
    pub stems: f64,
    pub volume_m3: f64,
    /// Sum of the stems' cross-sections at breast height, m2.
    pub basal_m2: f64,
}

/// What trees are counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TreeUnit {
    Stems,
    /// Sum of the cross-sections at breast height.
    BasalArea,
    Volume,
}

impl TreeUnit {
    pub const ALL: [TreeUnit; 3] = [TreeUnit::Stems, TreeUnit::BasalArea, TreeUnit::Volume];

    /// The word of rulebooks.
    pub fn key(self) -> &'static str {
        match self {
            TreeUnit::Stems => "stems",
            TreeUnit::BasalArea => "basal_area",
            TreeUnit::Volume => "volume",
        }
    }

    pub fn words(self) -> &'static str {
        match self {
            TreeUnit::Stems => "stems",
            TreeUnit::BasalArea => "basal area",
            TreeUnit::Volume => "volume",
        }
    }
}

/// Of a block whose retention share is one of trees.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TreesLeft {
    pub unit: TreeUnit,
    /// What stands, and of what; stems, m2 or m3. None: nobody knows the trees.
    pub counted: Option<[f64; 2]>,
}

impl Lot {
    /// Stems, m2 of basal area or m3.
    pub fn counted_in(self, unit: TreeUnit) -> f64 {
        match unit {
            TreeUnit::Stems => self.stems,
            TreeUnit::BasalArea => self.basal_m2,
            TreeUnit::Volume => self.volume_m3,
        }
    }
}

impl Add for Lot {
    type Output = Lot;

    fn add(self, other: Lot) -> Lot {
        Lot {
            stems: self.stems + other.stems,
            volume_m3: self.volume_m3 + other.volume_m3,
            basal_m2: self.basal_m2 + other.basal_m2,
        }
    }
}

impl Mul<f64> for Lot {
    type Output = Lot;

    fn mul(self, by: f64) -> Lot {
        Lot {
            stems: self.stems * by,
            volume_m3: self.volume_m3 * by,
            basal_m2: self.basal_m2 * by,
        }
    }
}

/// What becomes of the trees on ground that the machine works.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Treatment {
    pub cut: Lot,
    /// Too small to be reached for, beside the path.
    pub stays: Lot,
    /// Too small to be cut, in the path: knocked aside.
    pub lost: Lot,
    /// Of those cut: beyond the head's capacity.
    pub large: Lot,
}

impl AddAssign for Treatment {
    fn add_assign(&mut self, other: Treatment) {
        self.cut = self.cut + other.cut;
        self.stays = self.stays + other.stays;
        self.lost = self.lost + other.lost;
        self.large = self.large + other.large;
    }
}

impl Mul<f64> for Treatment {
    type Output = Treatment;

    fn mul(self, by: f64) -> Treatment {
        Treatment {
            cut: self.cut * by,
            stays: self.stays * by,
            lost: self.lost * by,
            large: self.large * by,
        }
    }
}

impl TreeClass {
    /// Share of the trees of at least a diameter, m; they are spread evenly over the class.
    fn share_from(&self, least_m: f64) -> f64 {
        ((self.to_m - least_m) / (self.to_m - self.from_m)).clamp(0.0, 1.0)
    }

    /// Per hectare, of the trees of at least a diameter. A tree of any diameter of the class has the class's mean volume.
    fn lot_from(&self, least_m: f64) -> Lot {
        let stems = self.stems_per_ha * self.share_from(least_m);
        let (a, b) = (self.from_m.max(least_m).min(self.to_m), self.to_m);
        // The mean square of diameters spread evenly from a to b.
        let square_m2 = (a * a + a * b + b * b) / 3.0;
        Lot {
            stems,
            volume_m3: stems * self.tree_m3,
            basal_m2: stems * std::f64::consts::FRAC_PI_4 * square_m2,
        }
    }
}

impl StandTable {
    /// Per hectare, of the trees of at least a diameter, m.
    pub fn from(&self, least_m: f64) -> Lot {
        let lots = self.0.iter().map(|class| class.lot_from(least_m));
        lots.fold(Lot::default(), Lot::add)
    }

    /// Per hectare.
    pub fn all(&self) -> Lot {
        self.from(0.0)
    }

    /// Mean volume of all trees, m3; None where there are none.
    pub fn tree_m3(&self) -> Option<f64> {
        let all = self.all();
        (all.stems > 0.0).then(|| all.volume_m3 / all.stems)
    }

    /// Volume cut per hectare, times what `weight` gives for the species, as [`StandTable::treated`] sorts the trees.
    pub fn cut_weighted(&self, path: f64, machine: &Machine, weight: impl Fn(&str) -> f64) -> f64 {
        let in_path_m = machine.least_in_path_m.unwrap_or(0.0);
        let beside_m = machine.ideal_at_reach_m.unwrap_or(0.0);
        let cut = |class: &TreeClass| {
            class.lot_from(in_path_m).volume_m3 * path
                + class.lot_from(beside_m).volume_m3 * (1.0 - path)
        };
        let classes = self.0.iter();
        classes
            .map(|class| cut(class) * weight(&class.species))
            .sum()
    }

    /// Per hectare of ground of which `path` is the machine's own way, as a share.
    pub fn treated(&self, path: f64, machine: &Machine) -> Treatment {
        let all = self.all();
        let in_path_m = machine.least_in_path_m.unwrap_or(0.0);
        let beside_m = machine.ideal_at_reach_m.unwrap_or(0.0);
        let (in_path, beside) = (self.from(in_path_m), self.from(beside_m));
        let less = |kept: Lot| all + kept * -1.0;
        let large = machine.head_most_m.map_or(Lot::default(), |most_m| {
            self.from(most_m.max(in_path_m)) * path + self.from(most_m.max(beside_m)) * (1.0 - path)
        });
        Treatment {
            cut: in_path * path + beside * (1.0 - path),
            lost: less(in_path) * path,
            stays: less(beside) * (1.0 - path),
            large,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, wanted: f64) {
        assert!((found - wanted).abs() < 1e-9, "{found} {wanted}");
    }

    /// Twenty trees in three classes, by hand: 8 of 10 to 20 cm and 0.1 m3, 9 of 20 to 40 cm and 0.5 m3, 3 of 40 to 60 cm and
    /// 1.6 m3.
    fn twenty() -> StandTable {
        let class = |from_m, to_m, stems_per_ha, tree_m3| TreeClass {
            species: "spruce".to_owned(),
            from_m,
            to_m,
            stems_per_ha,
            tree_m3,
        };
        StandTable(vec![
            class(0.1, 0.2, 8.0, 0.1),
            class(0.2, 0.4, 9.0, 0.5),
            class(0.4, 0.6, 3.0, 1.6),
        ])
    }

    #[test]
    fn twenty_trees_in_three_classes_add_up() {
        let all = twenty().all();
        near(all.stems, 20.0);
        near(all.volume_m3, 0.8 + 4.5 + 4.8);
        near(twenty().tree_m3().unwrap(), 10.1 / 20.0);
        // Mean squares 0.07/3, 0.28/3 and 0.76/3 m2.
        let squares = 8.0 * 0.07 / 3.0 + 9.0 * 0.28 / 3.0 + 3.0 * 0.76 / 3.0;
        near(all.basal_m2, std::f64::consts::PI / 4.0 * squares);
        assert_eq!(StandTable::default().tree_m3(), None);
    }

    #[test]
    fn small_trees_are_lost_in_the_path_and_stay_beside_it() {
        let machine = Machine {
            // Half of the smallest class, and all of it and half of the next.
            least_in_path_m: Some(0.15),
            ideal_at_reach_m: Some(0.3),
            head_most_m: Some(0.5),
            ..Machine::default()
        };
        let treated = twenty().treated(0.25, &machine);
        near(treated.lost.stems, 0.25 * 4.0);
        near(treated.stays.stems, 0.75 * (8.0 + 4.5));
        near(
            treated.cut.stems,
            0.25 * (4.0 + 9.0 + 3.0) + 0.75 * (4.5 + 3.0),
        );
        near(
            treated.cut.volume_m3,
            0.25 * (0.4 + 4.5 + 4.8) + 0.75 * (2.25 + 4.8),
        );
        near(treated.large.stems, 1.5);
        let sum = treated.cut + treated.lost + treated.stays;
        let all = twenty().all();
        near(sum.stems, all.stems);
        near(sum.volume_m3, all.volume_m3);
        near(sum.basal_m2, all.basal_m2);
        // Without limits all is cut.
        let plain = twenty().treated(0.25, &Machine::default());
        assert_eq!(
            (plain.lost.stems, plain.stays.stems, plain.large.stems),
            (0.0, 0.0, 0.0)
        );
        near(plain.cut.volume_m3, all.volume_m3);
    }
}
