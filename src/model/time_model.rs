//! How long the felling machine takes: one model for a whole run, with where it comes from and how far it holds.

use serde::Serialize;

use super::Calibration;

/// What the time per tree of a model holds already.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeKind {
    /// A study's whole productive time over its trees: reaching, cutting, bunching, and moving on along the strip.
    #[default]
    WholeCycle,
    /// Cutting alone: advances and bunches are counted beside it.
    Elements,
}

/// Machine seconds of a tree of V m3: (`seconds_per_tree` + `seconds_per_m3` V) times 1 + `steep_factor` for each unit of
/// slope (rise over run) beyond `steep_from`. Turns between strips and empty travel come on top of either kind.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TimeModel {
    /// A published relation, `own` or `elements`.
    #[serde(rename = "time_model")]
    pub name: String,
    #[serde(rename = "time_kind")]
    pub kind: TimeKind,
    pub seconds_per_tree: f64,
    pub seconds_per_m3: f64,
    pub steep_factor: f64,
    pub steep_from: f64,
    /// Seconds for each advance of 5 ft; 0 for a whole cycle, which holds them.
    pub seconds_per_advance: f64,
    /// Seconds to lay one bunch down and square it up; 0 for a whole cycle, which holds it.
    pub seconds_per_bunch: f64,
    #[serde(rename = "time_source")]
    pub source: String,
    /// How the source was read, in the words of rulebooks.
    #[serde(rename = "time_status")]
    pub status: &'static str,
    /// Mean tree volumes that it holds for, m3, and the steepest slope; None: nobody says.
    pub tree_m3_from: Option<f64>,
    pub tree_m3_to: Option<f64>,
    pub slope_to: Option<f64>,
    /// Where the range is from.
    pub range_source: String,
    /// Fitted to sections that were finished; None: the project names none.
    pub calibration: Option<Calibration>,
}

/// A relation that someone published.
pub struct Published {
    pub name: &'static str,
    pub seconds_per_tree: f64,
    pub seconds_per_m3: f64,
    pub steep_factor: f64,
    pub steep_from: f64,
    pub source: &'static str,
    pub status: &'static str,
    pub tree_m3: [f64; 2],
    pub slope_to: f64,
    pub range_source: &'static str,
}

/// The default first.
pub const PUBLISHED: [Published; 2] = [
    Published {
        name: "tracked-feller-buncher",
        seconds_per_tree: 18.0,
        seconds_per_m3: 4.7,
        // 0.0115 for each per cent.
        steep_factor: 1.15,
        steep_from: 0.30,
        source: "Steep Slope Harvest System Models for Small to Large Trees, Forests 2022, 13(2), 305, doi 10.3390/f13020305; \
                 coefficients from the source code of the authors' open model",
        status: "secondary",
        tree_m3: [0.1, 3.0],
        slope_to: 0.60,
        range_source: "own judgement; the source says trees of all sizes",
    },
    Published {
        name: "self-levelling-feller-buncher",
        seconds_per_tree: 19.67,
        seconds_per_m3: 0.0,
        steep_factor: 2.114,
        // The tangent of 14.5 degrees, the middle of the gentler class.
        steep_from: 0.2586,
        source: "Alam, Acuna and Brown, Self-Levelling Feller-Buncher Productivity Based on Lidar-Derived Slope, Croatian \
                 Journal of Forest Engineering, abstract; a straight line through its two classes of slope (PR-01 to PR-03)",
        status: "read in source",
        tree_m3: [0.42, 0.64],
        slope_to: 0.51,
        range_source: "one stand of 0.53 m3 a tree, on up to 27 degrees; a fifth to either side is own judgement",
    },
];

impl TimeModel {
    /// A published relation; None: there is none of this name.
    pub fn published(name: &str) -> Option<TimeModel> {
        let mut all = PUBLISHED.iter();
        all.find(|relation| relation.name == name)
            .map(TimeModel::of)
    }

    fn of(found: &Published) -> TimeModel {
        TimeModel {
            name: found.name.to_owned(),
            kind: TimeKind::WholeCycle,
            seconds_per_tree: found.seconds_per_tree,
            seconds_per_m3: found.seconds_per_m3,
            steep_factor: found.steep_factor,
            steep_from: found.steep_from,
            seconds_per_advance: 0.0,
            seconds_per_bunch: 0.0,
            source: found.source.to_owned(),
            status: found.status,
            tree_m3_from: Some(found.tree_m3[0]),
            tree_m3_to: Some(found.tree_m3[1]),
            slope_to: Some(found.slope_to),
            range_source: found.range_source.to_owned(),
            calibration: None,
        }
    }

    /// Machine seconds for trees of a volume together, m3, on ground of this slope (rise over run).
    pub fn felling_s(&self, trees: f64, volume_m3: f64, slope: f64) -> f64 {
        let level = trees * self.seconds_per_tree + volume_m3 * self.seconds_per_m3;
        level * (1.0 + self.steep_factor * (slope - self.steep_from).max(0.0))
    }

    /// Hours for an hour of the model: 1 unless a calibration is in force.
    pub fn factor(&self) -> f64 {
        let applied = self.calibration.as_ref().filter(|fitted| fitted.applied);
        applied.map_or(1.0, |fitted| fitted.factor)
    }

    /// The name that outputs give hours: `tracked-feller-buncher`, `tracked-feller-buncher x 1.180` with a calibration in
    /// force.
    pub fn label(&self) -> String {
        let applied = self.calibration.as_ref().filter(|fitted| fitted.applied);
        match applied {
            None => self.name.clone(),
            Some(fitted) => format!("{} x {:.3}", self.name, fitted.factor),
        }
    }

    /// Whether hours can be told where nobody says how large the trees are.
    pub fn needs_volume(&self) -> bool {
        self.seconds_per_m3 > 0.0
    }

    /// The range in words, such as `0.1 to 3 m3 a tree, up to 60 % of slope`; None: nobody says.
    pub fn range(&self) -> Option<String> {
        let trees = match (self.tree_m3_from, self.tree_m3_to) {
            (Some(from), Some(to)) => Some(format!("{from} to {to} m3 a tree")),
            (Some(from), None) => Some(format!("{from} m3 a tree and more")),
            (None, Some(to)) => Some(format!("up to {to} m3 a tree")),
            (None, None) => None,
        };
        let slope = (self.slope_to).map(|to| format!("up to {:.0} % of slope", 100.0 * to));
        let parts: Vec<String> = trees.into_iter().chain(slope).collect();
        (!parts.is_empty()).then(|| parts.join(", "))
    }
}

impl Default for TimeModel {
    fn default() -> TimeModel {
        TimeModel::of(&PUBLISHED[0])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_is_told_in_words_as_far_as_it_is_known() {
        let mut model = TimeModel::default();
        let words = "0.1 to 3 m3 a tree, up to 60 % of slope";
        assert_eq!(model.range().as_deref(), Some(words));
        model.tree_m3_from = None;
        model.slope_to = None;
        assert_eq!(model.range().as_deref(), Some("up to 3 m3 a tree"));
        model.tree_m3_to = None;
        assert_eq!(model.range(), None);
    }
}
