//! What the machines cost: rates per scheduled hour, and what a cubic metre costs for what.

use serde::{Deserialize, Serialize};

use super::Section;
use super::plan::Utilisation;

/// Rates per scheduled hour as the project gives them, or as someone published them.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct MachineCosts {
    #[serde(flatten)]
    pub rates: Rates,
    /// Of the rates, such as `US$`.
    pub currency: String,
    /// Whose prices they are of.
    pub year: Option<u32>,
    pub source: String,
    /// How the source was read, in the words of rulebooks.
    pub status: &'static str,
}

/// Money for a scheduled hour; None: nobody says, and then that machine has no part in any cost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Rates {
    pub felling: Option<f64>,
    pub skidding: Option<f64>,
}

impl Rates {
    pub fn any(&self) -> bool {
        self.felling.is_some() || self.skidding.is_some()
    }
}

/// Published rates, by the name that a project writes.
pub struct PublishedRates {
    pub name: &'static str,
    pub felling: f64,
    pub currency: &'static str,
    pub year: u32,
    pub source: &'static str,
    pub status: &'static str,
}

pub const PUBLISHED_RATES: [PublishedRates; 1] = [PublishedRates {
    name: "steep-slope-2022",
    felling: 289.50,
    currency: "US$",
    year: 2022,
    source: "Steep Slope Harvest System Models for Small to Large Trees, Forests 2022, 13(2), 305; from the source code of the \
             authors' open model, which has no skidder",
    status: "secondary",
}];

/// Productive seconds, by what takes them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct TimeParts {
    /// Trees on level ground.
    pub trees_s: f64,
    /// What slopes add to that.
    pub slope_s: f64,
    /// Advances and bunches, where the time model counts them beside the trees.
    pub moving_s: f64,
    /// Turns, and travel that cuts nothing.
    pub empty_s: f64,
    /// Taking up and putting down loads.
    pub loading_s: f64,
    /// The skidder's way, loaded and empty.
    pub way_s: f64,
}

impl TimeParts {
    /// Of the felling machine, but for turns and empty travel.
    pub fn work_s(&self) -> f64 {
        self.trees_s + self.slope_s + self.moving_s
    }
}

impl std::ops::Mul<f64> for TimeParts {
    type Output = TimeParts;

    fn mul(self, by: f64) -> TimeParts {
        TimeParts {
            trees_s: self.trees_s * by,
            slope_s: self.slope_s * by,
            moving_s: self.moving_s * by,
            empty_s: self.empty_s * by,
            loading_s: self.loading_s * by,
            way_s: self.way_s * by,
        }
    }
}

impl std::ops::AddAssign for TimeParts {
    fn add_assign(&mut self, other: TimeParts) {
        self.trees_s += other.trees_s;
        self.slope_s += other.slope_s;
        self.moving_s += other.moving_s;
        self.empty_s += other.empty_s;
        self.loading_s += other.loading_s;
        self.way_s += other.way_s;
    }
}

/// What makes wood dear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CostReason {
    /// Small trees: more of them, and of loads that hold less, for a cubic metre.
    TreeSize,
    Slope,
    /// Advances and bunches.
    Moving,
    /// Turns between strips, and empty travel.
    Empty,
    SkidDistance,
}

impl CostReason {
    pub const ALL: [CostReason; 5] = [
        CostReason::TreeSize,
        CostReason::Slope,
        CostReason::Moving,
        CostReason::Empty,
        CostReason::SkidDistance,
    ];

    pub fn key(self) -> &'static str {
        match self {
            CostReason::TreeSize => "tree_size",
            CostReason::Slope => "slope",
            CostReason::Moving => "moving",
            CostReason::Empty => "empty",
            CostReason::SkidDistance => "skid_distance",
        }
    }
}

impl TimeParts {
    /// Money for each of [`CostReason::ALL`].
    pub fn money(&self, rates: Rates, used: Utilisation) -> [f64; 5] {
        let felling = rates.felling.unwrap_or(0.0) / used.felling / 3600.0;
        let skidding = rates.skidding.unwrap_or(0.0) / used.skidding / 3600.0;
        [
            self.trees_s * felling + self.loading_s * skidding,
            self.slope_s * felling,
            self.moving_s * felling,
            self.empty_s * felling,
            self.way_s * skidding,
        ]
    }
}

/// Volume, scheduled hours and money of some sections.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WorkCost {
    /// None where it is not known of every section; so are the following.
    pub volume_m3: Option<f64>,
    pub felling_hours: Option<f64>,
    pub skidding_hours: Option<f64>,
    /// None where there is no rate, too.
    pub felling_cost: Option<f64>,
    pub skidding_cost: Option<f64>,
}

impl WorkCost {
    pub fn of<'s>(
        sections: impl Iterator<Item = &'s Section> + Clone,
        rates: Rates,
        used: Utilisation,
    ) -> WorkCost {
        let sum = |value: &dyn Fn(&Section) -> Option<f64>| {
            let mut values = sections.clone().map(value);
            values.try_fold(0.0, |sum, value| Some(sum + value?))
        };
        let felling_hours = used.scheduled(sum(&|section| section.hours));
        let skidding_hours = used.scheduled_skidding(sum(&|section| section.skid_hours));
        let money = |hours: Option<f64>, rate: Option<f64>| hours.zip(rate).map(|(h, r)| h * r);
        WorkCost {
            volume_m3: sum(&|section| section.volume_m3),
            felling_hours,
            skidding_hours,
            felling_cost: money(felling_hours, rates.felling),
            skidding_cost: money(skidding_hours, rates.skidding),
        }
    }

    /// Of all machines that have a rate; None where the hours of one of them are not known, or none has a rate.
    pub fn cost(&self, rates: Rates) -> Option<f64> {
        let parts = [
            (rates.felling, self.felling_cost),
            (rates.skidding, self.skidding_cost),
        ];
        let rated = parts.into_iter().filter(|(rate, _)| rate.is_some());
        let sum = rated
            .map(|(_, cost)| cost)
            .try_fold(0.0, |sum, cost| Some(sum + cost?));
        sum.filter(|_| rates.any())
    }

    /// None where nothing is felled, or its volume is not known.
    pub fn cost_per_m3(&self, rates: Rates) -> Option<f64> {
        let volume_m3 = self.volume_m3.filter(|volume_m3| *volume_m3 > 0.0)?;
        Some(self.cost(rates)? / volume_m3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{PieceId, ShiftClass};

    fn section(hours: f64, skid_hours: Option<f64>, volume_m3: f64) -> Section {
        let id = PieceId {
            part: 1,
            strip_no: 1,
            piece: 1,
        };
        let class = (ShiftClass::DayOnly, vec![]);
        Section {
            hours: Some(hours),
            volume_m3: Some(volume_m3),
            skid_hours,
            ..Section::untimed(id, 1, class, geo::MultiPolygon(vec![]))
        }
    }

    const USED: Utilisation = Utilisation {
        felling: 0.75,
        skidding: 0.6,
    };

    /// By hand: 3 h / 0.75 at 300, and 6 h / 0.6 at 150, over 90 m3.
    #[test]
    fn money_is_scheduled_hours_times_rates() {
        let sections = [section(1.0, Some(2.0), 30.0), section(2.0, Some(4.0), 60.0)];
        let rates = Rates {
            felling: Some(300.0),
            skidding: Some(150.0),
        };
        let found = WorkCost::of(sections.iter(), rates, USED);
        assert_eq!(found.felling_cost, Some(1200.0));
        assert_eq!(found.skidding_cost, Some(1500.0));
        assert_eq!(found.cost_per_m3(rates), Some(30.0));
        // One machine alone has a rate: its own cost, and nothing is made of the other.
        let alone = Rates {
            skidding: None,
            ..rates
        };
        let found = WorkCost::of(sections.iter(), alone, USED);
        assert_eq!(
            (found.cost(alone), found.skidding_cost),
            (Some(1200.0), None)
        );
        assert_eq!(
            WorkCost::of(sections.iter(), Rates::default(), USED).cost(Rates::default()),
            None
        );
        let unknown = [section(1.0, None, 30.0)];
        assert_eq!(
            WorkCost::of(unknown.iter(), rates, USED).cost_per_m3(rates),
            None
        );
    }

    #[test]
    fn parts_add_up_to_the_money_of_the_hours() {
        let parts = TimeParts {
            trees_s: 5000.0,
            slope_s: 400.0,
            moving_s: 100.0,
            empty_s: 1700.0,
            loading_s: 3600.0,
            way_s: 7200.0,
        };
        let rates = Rates {
            felling: Some(300.0),
            skidding: Some(150.0),
        };
        let sum: f64 = parts.money(rates, USED).iter().sum();
        assert!(
            (sum - (2.0 / 0.75 * 300.0 + 3.0 / 0.6 * 150.0)).abs() < 1e-9,
            "{sum}"
        );
    }
}
