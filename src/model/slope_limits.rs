//! How steep ground each machine may work, by the way it heads and the state of the ground.

use serde::Serialize;

/// What a machine runs on, as published limits tell machines apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum MachineKind {
    Tracked,
    Wheeled,
    /// Made for steep ground.
    SteepGround,
}

impl MachineKind {
    pub const ALL: [MachineKind; 3] = [
        MachineKind::Tracked,
        MachineKind::Wheeled,
        MachineKind::SteepGround,
    ];

    pub fn key(self) -> &'static str {
        match self {
            MachineKind::Tracked => "tracked",
            MachineKind::Wheeled => "wheeled",
            MachineKind::SteepGround => "steep_ground",
        }
    }

    /// Largest slope, rise over run, where the maker's limit is not known, and where that is written: SF-01 to SF-03.
    pub fn published(self) -> (f64, &'static str) {
        match self {
            MachineKind::Tracked => (
                0.40,
                "SF-02: WorkSafeBC OHS Regulation s.26.16, tracked machines (read in a secondary document), only where the maker's limit is not known",
            ),
            MachineKind::Wheeled => (
                0.35,
                "SF-01: WorkSafeBC OHS Regulation s.26.16, rubber-tired skidder (read in a secondary document), only where the maker's limit is not known",
            ),
            MachineKind::SteepGround => (
                0.50,
                "SF-03: WorkSafeBC OHS Regulation s.26.16, machine designed for steep ground (read in a secondary document), only where the maker's \
                 limit is not known",
            ),
        }
    }
}

/// Which machine a limit is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitOf {
    Feller,
    Skidder,
}

/// Which way the machine heads on the slope.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SlopeHeading {
    Any,
    Across,
    Up,
    Down,
}

/// State of the ground in which a limit holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GroundState {
    Any,
    Frost,
    Snow,
    Rain,
}

macro_rules! keys {
    ($name:ident, $($variant:ident => $key:literal),+) => {
        impl $name {
            pub const ALL: &[$name] = &[$($name::$variant),+];

            pub fn key(self) -> &'static str {
                match self {
                    $($name::$variant => $key),+
                }
            }
        }
    };
}
keys!(LimitOf, Feller => "feller", Skidder => "skidder");
keys!(SlopeHeading, Any => "any", Across => "across", Up => "up", Down => "down");
keys!(GroundState, Any => "any", Frost => "frost", Snow => "snow", Rain => "rain");

impl SlopeHeading {
    /// In the titles of rows.
    pub fn on_ground(self) -> &'static str {
        match self {
            SlopeHeading::Any => "on ground",
            SlopeHeading::Across => "across ground",
            SlopeHeading::Up => "up ground",
            SlopeHeading::Down => "down ground",
        }
    }
}

/// A limit that the project states, with its source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SlopeLimit {
    pub machine: LimitOf,
    pub heading: SlopeHeading,
    pub state: GroundState,
    /// Rise over run.
    pub most: f64,
    pub source: String,
}

/// What the project says of its machines on slopes, beyond the largest slope of all.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct SlopeRules {
    /// None: not said; a tracked machine is assumed.
    pub feller: Option<MachineKind>,
    /// None: not said, and nothing is measured of skidders unless a limit is stated.
    pub skidder: Option<MachineKind>,
    pub limits: Vec<SlopeLimit>,
}

impl SlopeRules {
    pub fn says_nothing(&self) -> bool {
        *self == SlopeRules::default()
    }

    /// Limits of a machine in every state of the ground; of a skidder whose maker's limit for any heading is not stated, the
    /// published one of its kind.
    pub fn in_any_state(&self, machine: LimitOf) -> Vec<SlopeLimit> {
        let own = self.limits.iter().filter(|own| own.machine == machine);
        let own = own.filter(|own| own.state == GroundState::Any);
        let mut found: Vec<SlopeLimit> = own.cloned().collect();
        let stated = found.iter().any(|own| own.heading == SlopeHeading::Any);
        if let (LimitOf::Skidder, Some(kind), false) = (machine, self.skidder, stated) {
            let (most, source) = kind.published();
            found.push(SlopeLimit {
                machine,
                heading: SlopeHeading::Any,
                state: GroundState::Any,
                most,
                source: source.to_owned(),
            });
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SF-01 to SF-03: 35, 40 and 50 %, which are 19.290, 21.801 and 26.565 degrees.
    #[test]
    fn published_limits_are_those_of_the_rows() {
        for (kind, share, degrees) in [
            (MachineKind::Wheeled, 0.35, 19.290),
            (MachineKind::Tracked, 0.40, 21.801),
            (MachineKind::SteepGround, 0.50, 26.565),
        ] {
            let (most, source) = kind.published();
            assert_eq!(most, share);
            assert!((most.atan().to_degrees() - degrees).abs() < 0.001);
            assert!(source.contains("maker"), "{source}");
        }
    }

    #[test]
    fn the_makers_limit_goes_before_the_published_one() {
        let limit = |heading, most| SlopeLimit {
            machine: LimitOf::Skidder,
            heading,
            state: GroundState::Any,
            most,
            source: "maker".to_owned(),
        };
        let mut rules = SlopeRules {
            skidder: Some(MachineKind::Wheeled),
            limits: vec![limit(SlopeHeading::Across, 0.2)],
            ..SlopeRules::default()
        };
        let most = |rules: &SlopeRules| -> Vec<f64> {
            let found = rules.in_any_state(LimitOf::Skidder).into_iter();
            found.map(|own| own.most).collect()
        };
        assert_eq!(most(&rules), [0.2, 0.35]);
        rules.limits.push(limit(SlopeHeading::Any, 0.45));
        assert_eq!(most(&rules), [0.2, 0.45]);
        assert!(rules.in_any_state(LimitOf::Feller).is_empty());
    }
}
