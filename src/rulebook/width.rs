//! Widths that depend on the slope of the ground, and how a distance is measured.

use serde::Serialize;

use super::range::Range;

/// A width in metres for one class of slope (rise over run).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SlopeClass {
    pub slope: Range,
    pub width_m: f64,
}

/// A width, possibly one that depends on the slope of the ground beside the feature.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Width {
    Metres(f64),
    /// Classes without gaps or overlaps from level ground on.
    BySlope(Vec<SlopeClass>),
    /// `base + per_slope x (slope - from_slope)` above `from_slope`, `base` below it, never more than `most`.
    Formula {
        base_m: f64,
        /// Rise over run from which the width grows.
        from_slope: f64,
        /// Metres for each unit of slope: a foot per percent is 30.48.
        per_slope_m: f64,
        most_m: f64,
    },
}

impl Default for Width {
    fn default() -> Width {
        Width::Metres(0.0)
    }
}

impl Width {
    /// The width on ground of this slope (rise over run), in metres; on unknown ground the widest.
    pub fn at(&self, slope: Option<f64>) -> f64 {
        let Some(slope) = slope.filter(|slope| !slope.is_nan()) else {
            return self.widest();
        };
        match self {
            Width::Metres(width_m) => *width_m,
            Width::BySlope(classes) => classes
                .iter()
                .find(|class| class.slope.contains(slope))
                .map_or_else(|| self.widest(), |class| class.width_m),
            Width::Formula {
                base_m,
                from_slope,
                per_slope_m,
                most_m,
            } => (base_m + per_slope_m * (slope - from_slope).max(0.0)).min(*most_m),
        }
    }

    pub fn widest(&self) -> f64 {
        match self {
            Width::Metres(width_m) => *width_m,
            Width::BySlope(classes) => classes
                .iter()
                .map(|class| class.width_m)
                .fold(0.0, f64::max),
            Width::Formula { base_m, most_m, .. } => base_m.max(*most_m),
        }
    }

    /// The width on ground where it is least.
    pub fn least(&self) -> f64 {
        match self {
            Width::Metres(width_m) => *width_m,
            Width::BySlope(classes) => classes
                .iter()
                .map(|class| class.width_m)
                .reduce(f64::min)
                .unwrap_or(0.0),
            Width::Formula { base_m, most_m, .. } => base_m.min(*most_m),
        }
    }

    pub fn follows_slope(&self) -> bool {
        !matches!(self, Width::Metres(_))
    }

    /// Whether the width takes any value between its least and its greatest.
    pub fn is_continuous(&self) -> bool {
        matches!(self, Width::Formula { .. })
    }
}

/// How a code measures its distances.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Distance {
    /// On the map.
    #[default]
    Horizontal,
    /// Along the ground: shorter on the map by the cosine of the slope.
    Slope,
}

impl Distance {
    /// The distance on the map, in metres. On unknown ground nothing is taken off.
    pub fn on_the_map(self, width_m: f64, slope: Option<f64>) -> f64 {
        match (self, slope) {
            (Distance::Slope, Some(slope)) if slope.is_finite() => width_m / slope.hypot(1.0),
            _ => width_m,
        }
    }
}

/// Where a width begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredFrom {
    /// The bank or the feature's edge: half the channel's or road's width is added to a line.
    #[default]
    Bank,
    /// The first trees: the width of the open fringe beside the bank is added too.
    StandEdge,
    /// The line as drawn: nothing is added.
    Centreline,
}

/// What a rule asks for at one place: distances on the map from the feature's edge, in metres.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Widths {
    pub reserve_m: f64,
    /// Beyond the reserve.
    pub management_m: f64,
    pub machine_exclusion_m: f64,
}

impl Widths {
    /// How far any of them reaches.
    pub fn reach_m(&self) -> f64 {
        (self.reserve_m + self.management_m).max(self.machine_exclusion_m)
    }
}
