//! Settings in force for a run, all in metres, fractions and degrees.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{
    Emergency, FallingSnow, MachineCosts, OutputSettings, SlopeRules, TimeKind, TimeModel,
    TimeParts, Utilisation, WetGround, Wind, WorkWindows,
};
use crate::units::FOOT_M;

/// Everything the pure stages need to know besides geometry and rules.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Settings {
    pub machine: Machine,
    pub layout: LayoutSettings,
    pub production: Production,
    pub costs: MachineCosts,
    /// None: the project does not say which wind throws trees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wind: Option<Wind>,
    #[serde(skip_serializing_if = "Emergency::says_nothing")]
    pub emergency: Emergency,
    /// None: the project has no rule for work by night while snow falls.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub falling_snow: Option<FallingSnow>,
    #[serde(skip_serializing_if = "WorkWindows::is_empty")]
    pub windows: WorkWindows,
    #[serde(skip_serializing_if = "SlopeRules::says_nothing")]
    pub slopes: SlopeRules,
    /// None: nobody looks for ground that may be wet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wet_ground: Option<WetGround>,
    pub outputs: OutputSettings,
}

/// The felling machine.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Machine {
    /// Full reach from the machine's centre to one side.
    pub reach_m: f64,
    /// Safety margin on each side (common practice: 1 ft).
    pub reach_margin_m: f64,
    /// Largest slope as rise over run: steeper ground is not entered. Default 40 %, STANDARDS SF-02 (tracked machines).
    /// The maker's limit and local rules come first.
    pub max_slope: f64,
    /// Steeper ground is worked by day only. Default 35 %: own judgement, no source was read that
    /// sets a slope for the night.
    pub night_slope: f64,
    /// Half the width the machine needs to pass.
    pub half_width_m: f64,
    /// Thinner trees in the machine's own path are knocked aside, not cut; None: all are cut. So is the next.
    pub least_in_path_m: Option<f64>,
    /// Thinner trees beside the path stay.
    pub ideal_at_reach_m: Option<f64>,
    /// Thicker trees are beyond the head's capacity and take several cuts; None: nobody says.
    pub head_most_m: Option<f64>,
    /// Times that such a tree takes of another's of its volume.
    pub head_most_factor: f64,
    /// True: its largest slope is that of machines on wheels, since nobody says the maker's.
    #[serde(skip)]
    pub slope_of_wheels: bool,
}

impl Default for Machine {
    fn default() -> Machine {
        Machine {
            reach_m: 8.7,
            reach_margin_m: FOOT_M,
            max_slope: 0.40,
            night_slope: 0.35,
            half_width_m: 1.75,
            least_in_path_m: None,
            ideal_at_reach_m: None,
            head_most_m: None,
            head_most_factor: 1.0,
            slope_of_wheels: false,
        }
    }
}

impl Machine {
    /// Whether not all trees that stand in reach are cut alike.
    pub fn sorts_trees(&self) -> bool {
        let limits = [
            self.least_in_path_m,
            self.ideal_at_reach_m,
            self.head_most_m,
        ];
        limits.iter().any(Option::is_some)
    }
    /// Half of a strip: reach less margin.
    pub fn half_strip_m(&self) -> f64 {
        self.reach_m - self.reach_margin_m
    }
    /// Where the largest slope is written.
    pub fn max_slope_source(&self) -> &'static str {
        if self.slope_of_wheels {
            "SF-01 (WorkSafeBC OHS Regulation s.26.16, rubber-tired skidder, read in a secondary document) stands in for a felling machine on wheels; \
             the machine maker's limit and local rules come first"
        } else if self.max_slope == Machine::default().max_slope {
            "WorkSafeBC OHS Regulation s.26.16, tracked machines (SF-02, read in a secondary document); the machine \
             maker's limit and local rules come first"
        } else {
            "machine.max_slope of the project file; the machine maker's limit and local rules come first"
        }
    }
    /// Where the largest slope by night is written.
    pub fn night_slope_source(&self) -> &'static str {
        if self.night_slope == Machine::default().night_slope {
            "SF-01, the limit of the skidder that follows, taken for the night by this program"
        } else {
            "machine.night_slope of the project file"
        }
    }
    /// Strip width W = 2 x (reach - margin).
    pub fn strip_width_m(&self) -> f64 {
        2.0 * self.half_strip_m()
    }
}

/// How strips are turned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Azimuth {
    /// Least machine and skidding time.
    #[default]
    Auto,
    SquareToRoad,
    LongSide,
    Degrees(f64),
}

/// What to do on soft ground.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SoftGround {
    /// Cut by day, with short reach, little travel and brush mats.
    #[default]
    DayOnly,
    /// Left standing, booked as unworked.
    Leave,
}

/// Where wood is decked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Decking {
    /// Along roads only.
    Roadside,
    /// On landings only.
    Landings,
    /// Along roads, and on landings where these are cheaper to reach.
    #[default]
    Both,
}

/// How trees are left standing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Pattern {
    /// Between strips only.
    Corridors,
    /// In patches only.
    Patches,
    /// Between strips, and in patches what corridors cannot give.
    #[default]
    Both,
}

impl Pattern {
    pub const ALL: [Pattern; 3] = [Pattern::Corridors, Pattern::Patches, Pattern::Both];

    pub fn key(self) -> &'static str {
        match self {
            Pattern::Corridors => "corridors",
            Pattern::Patches => "patches",
            Pattern::Both => "both",
        }
    }

    pub fn from_key(key: &str) -> Option<Pattern> {
        Pattern::ALL.into_iter().find(|own| own.key() == key)
    }
}

/// How tall trees are, by the project's word.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TreeHeight {
    pub height_m: f64,
    /// Where it is written.
    pub source: String,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LayoutSettings {
    /// No retention nearer than this to a road's edge (warn inside it). Default 45.72 m = 150 ft, common practice.
    pub road_band_m: f64,
    /// Retention nearer than this to a road's edge is a failure. Default 30.48 m = 100 ft, common practice.
    pub road_band_fail_m: f64,
    /// Whether the boundary pass is laid.
    pub boundary_pass: bool,
    pub azimuth: Azimuth,
    pub pattern: Pattern,
    /// A patch is larger than this; own judgement. A rule's own figure counts where it is larger.
    pub least_patch_m2: f64,
    pub corridor_min_m: f64,
    /// Trees that stand side by side across a corridor at least, where it is known how many stand; own judgement.
    pub corridor_spacings: f64,
    pub corridor_max_m: f64,
    /// Stretches of strips nearer than this to a boundary or reserve edge are day-only.
    pub edge_distance_m: f64,
    /// Stretches nearer than this to a hazard are day-only.
    pub hazard_distance_m: f64,
    /// Height of the tallest trees where no stand says it; None: nobody says it.
    pub tree_height: Option<TreeHeight>,
    /// Shorter night-safe sections join their day-only neighbour.
    pub section_min_m: f64,
    /// Ground on which strips would be longer is parted by lines across them; None: strips are as long as the ground.
    pub max_strip_m: Option<f64>,
    /// Sections that take more scheduled hours of the felling machine are divided; None: none is.
    pub shift_hours: Option<f64>,
    /// Cleared width of a road line that has no width of its own.
    pub road_width_m: f64,
    /// A part whose edge lies within this distance of a road's edge fronts on that road.
    pub frontage_distance_m: f64,
    /// How far access is searched for a part without road frontage.
    pub access_search_m: f64,
    /// Whether blocks are laid out that no road and no landing is in reach of.
    pub without_access: bool,
    /// Whether distances are kept to what may lie nearer than its map has it, by as much as its layer says.
    pub keep_for_accuracy: bool,
    /// Cleared width of a crossing that states none; own judgement.
    pub crossing_width_m: f64,
    /// Strips between two corridors at most, so that what stands is spread over the block; own judgement.
    pub strips_between_corridors: u32,
    pub decking: Decking,
    /// Smaller parts of the net area are not worked; own judgement.
    pub least_part_m2: f64,
    /// Ground that goes to an outlet of its own is at least this; own judgement.
    pub least_setting_m2: f64,
    /// Smaller pieces are booked as unworked.
    pub sliver_m2: f64,
    pub soft_ground: SoftGround,
    /// Whether road clearing is day-only.
    pub road_clearing_day_only: bool,
    /// Stands with trees beyond the head's capacity are worked by day only.
    pub large_trees_day_only: bool,
    /// Where it is written that the ground is level wherever no layer gives a slope; None: nobody says so, and such
    /// ground is day-only.
    pub level_ground: Option<String>,
}

/// Where it is written how many trees wide a corridor is to be, if no rule says it.
pub const SPACINGS_WISH: &str = "layout.corridor_spacings of the project file; 3 is own judgement";

impl LayoutSettings {
    /// Why a corridor is narrower than asked where trees stand so far apart, and what would help; in metres.
    pub fn why_narrow(&self, spacing_m: f64, narrowest_m: f64) -> String {
        let asked = self.corridor_spacings;
        format!(
            "trees stand {spacing_m:.1} m apart, so {asked} of them take {:.1} m, and the narrowest corridor has {narrowest_m:.1} m; with \
             a greater `strips_between_corridors` or `corridor_max` corridors can be fewer and wider",
            asked * spacing_m
        )
    }
}

impl Default for LayoutSettings {
    fn default() -> LayoutSettings {
        LayoutSettings {
            road_band_m: 150.0 * FOOT_M,
            road_band_fail_m: 100.0 * FOOT_M,
            boundary_pass: true,
            azimuth: Azimuth::Auto,
            pattern: Pattern::Both,
            least_patch_m2: 200.0,
            corridor_min_m: 3.0,
            corridor_spacings: 3.0,
            corridor_max_m: 20.0,
            edge_distance_m: 15.0,
            hazard_distance_m: 60.0,
            tree_height: None,
            section_min_m: 20.0,
            max_strip_m: None,
            shift_hours: Some(10.0),
            road_width_m: 6.0,
            frontage_distance_m: 15.0,
            access_search_m: 1000.0,
            without_access: false,
            keep_for_accuracy: false,
            crossing_width_m: 5.0,
            strips_between_corridors: 12,
            decking: Decking::Both,
            least_part_m2: 1_000.0,
            least_setting_m2: 10_000.0,
            sliver_m2: 25.0,
            soft_ground: SoftGround::DayOnly,
            road_clearing_day_only: false,
            large_trees_day_only: false,
            level_ground: None,
        }
    }
}

/// How much crown the trees carry: heavy limby trees make smaller bunches (common practice).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Limbiness {
    Light,
    #[default]
    Medium,
    Heavy,
}

impl Limbiness {
    /// Share of the skidder's payload that one bunch holds; settings of ours, no published figure was read.
    pub fn bunch_share(self) -> f64 {
        match self {
            Limbiness::Light => 1.0,
            Limbiness::Medium => 0.85,
            Limbiness::Heavy => 0.7,
        }
    }
}

/// Times, loads and stand figures used for hours. See docs/algorithms.md for the sources of the defaults; where none is
/// named, no published figure was read and the user should set their own.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Production {
    /// Standing trees per hectare where no stand layer says so; None leaves hours and bunches empty.
    pub stems_per_ha: Option<f64>,
    /// Mean tree volume in m3 where no stand layer says so; None leaves bunches empty.
    pub tree_m3: Option<f64>,
    /// What each tree takes.
    #[serde(flatten)]
    pub time: TimeModel,
    /// Share of the time per tree added for each unit of slope across the track: in the choice of a direction always, in
    /// hours where the model is of elements, since a whole cycle holds it.
    pub cross_slope_factor: f64,
    /// Productive hours of the felling machine in a scheduled one.
    pub utilisation: f64,
    /// The same of the skidder.
    pub skid_utilisation: f64,
    /// Seconds to turn into the next strip.
    pub seconds_per_turn: f64,
    /// Travel of the felling machine that cuts nothing, metres per minute.
    pub travel_m_per_min: f64,
    /// What the skidder's grapple takes at once, m3.
    pub payload_m3: f64,
    /// Length from butts to tops at which a bunch is drawn and given room (setting of the user, no published figure read).
    pub bunch_length_m: f64,
    pub limbiness: Limbiness,
    /// Of species as stand tables name them, lower case; all others are of `limbiness`.
    pub limbiness_by_species: BTreeMap<String, Limbiness>,
    pub skid_loaded_m_per_min: f64,
    pub skid_empty_m_per_min: f64,
    /// Wood that a metre of roadside holds, m3: piles 2.5 m high and 5 m deep, 0.65 of them wood (own judgement).
    pub deck_m3_per_m: f64,
    /// Seconds of the skidder to take up and put down one load.
    pub seconds_per_load: f64,
}

impl Default for Production {
    fn default() -> Production {
        Production {
            stems_per_ha: None,
            tree_m3: None,
            time: TimeModel::default(),
            cross_slope_factor: 1.0,
            utilisation: 0.77,
            skid_utilisation: 0.70,
            seconds_per_turn: 60.0,
            travel_m_per_min: 50.0,
            payload_m3: 4.0,
            bunch_length_m: 18.0,
            limbiness: Limbiness::Medium,
            limbiness_by_species: BTreeMap::new(),
            skid_loaded_m_per_min: 80.0,
            skid_empty_m_per_min: 110.0,
            deck_m3_per_m: 8.0,
            seconds_per_load: 60.0,
        }
    }
}

impl Production {
    /// What a bunch may hold, m3; `share` of the payload, None: that of `limbiness`.
    pub fn bunch_m3(&self, share: Option<f64>) -> f64 {
        self.payload_m3 * share.unwrap_or(self.limbiness.bunch_share())
    }

    /// Share of the payload that trees of a species may take.
    pub fn bunch_share_of(&self, species: &str) -> f64 {
        let own = self.limbiness_by_species.get(&species.to_lowercase());
        own.unwrap_or(&self.limbiness).bunch_share()
    }

    /// Trees of `tree_m3` in a full bunch, which is one load of the skidder: as many whole ones as it may hold, at least
    /// one.
    pub fn trees_per_load(&self, tree_m3: f64) -> f64 {
        self.trees_per_load_of(tree_m3, None)
    }

    /// The same of trees that may take a share of the payload, as in [`Production::bunch_m3`].
    pub fn trees_per_load_of(&self, tree_m3: f64, share: Option<f64>) -> f64 {
        (self.bunch_m3(share) / tree_m3 + 1e-9).floor().max(1.0)
    }

    /// Loads, which are full bunches, that trees of this volume together make. What does not fill one counts as the part of
    /// it that it is.
    pub fn loads(&self, trees: f64, volume_m3: f64) -> f64 {
        self.loads_of(trees, volume_m3, None)
    }

    /// The same of trees that may take a share of the payload.
    pub fn loads_of(&self, trees: f64, volume_m3: f64, share: Option<f64>) -> f64 {
        if trees > 0.0 && volume_m3 > 0.0 {
            trees / self.trees_per_load_of(volume_m3 / trees, share)
        } else {
            0.0
        }
    }

    /// Skidder seconds to bring one load over `distance_m` along the ground, one way, and to come back.
    pub fn skid_seconds(&self, distance_m: f64) -> f64 {
        let minutes =
            distance_m / self.skid_loaded_m_per_min + distance_m / self.skid_empty_m_per_min;
        minutes * 60.0 + self.seconds_per_load
    }

    /// What the slope across the track adds to trees of a volume together, in machine seconds.
    pub fn cross_slope_s(&self, trees: f64, volume_m3: f64, across: f64) -> f64 {
        self.time.felling_s(trees, volume_m3, 0.0) * self.cross_slope_factor * across.abs()
    }

    /// Productive machine seconds of a piece of work by what takes them, but for turns, empty travel and skidding.
    pub fn work_parts(&self, work: &WorkDone) -> TimeParts {
        let WorkDone {
            trees, volume_m3, ..
        } = *work;
        let (counted, counted_m3) = (trees + work.again[0], volume_m3 + work.again[1]);
        let trees_s = self.time.felling_s(counted, counted_m3, 0.0);
        let slope_s = self.time.felling_s(counted, counted_m3, work.slope) - trees_s;
        let parts = TimeParts {
            trees_s,
            slope_s,
            ..TimeParts::default()
        };
        match self.time.kind {
            TimeKind::WholeCycle => parts,
            TimeKind::Elements => TimeParts {
                slope_s: slope_s + self.cross_slope_s(trees, volume_m3, work.across),
                moving_s: work.advances * self.time.seconds_per_advance
                    + self.loads_of(trees, volume_m3, work.bunch_share)
                        * self.time.seconds_per_bunch,
                ..parts
            },
        }
    }

    /// The sum of [`Production::work_parts`].
    pub fn work_s(&self, work: &WorkDone) -> f64 {
        self.work_parts(work).work_s()
    }

    pub fn used(&self) -> Utilisation {
        Utilisation {
            felling: self.utilisation,
            skidding: self.skid_utilisation,
        }
    }

    /// Where the share of productive hours of the felling machine is written.
    pub fn utilisation_source(&self) -> &'static str {
        if self.utilisation == Production::default().utilisation {
            "as the relation tracked-feller-buncher, read in a secondary document"
        } else {
            "production.utilisation of the project file"
        }
    }

    /// The same of the skidder.
    pub fn skid_utilisation_source(&self) -> &'static str {
        if self.skid_utilisation == Production::default().skid_utilisation {
            "Thompson 2001: 64.8 to 76.5 % of four grapple skidders, read in the abstract; 70 % is own judgement"
        } else {
            "production.skid_utilisation of the project file"
        }
    }
}

/// What the felling machine does on a piece of ground.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WorkDone {
    pub trees: f64,
    pub volume_m3: f64,
    /// What trees take besides that need several cuts, in trees and their m3.
    pub again: [f64; 2],
    /// Of the ground, and across the track; rise over run.
    pub slope: f64,
    pub across: f64,
    /// Steps of 5 ft.
    pub advances: f64,
    /// Share of the payload that a bunch may hold; None: that of `limbiness`.
    pub bunch_share: Option<f64>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_is_one_bunch_of_whole_trees() {
        // 4 m3 of payload, 0.85 of it in a bunch of medium trees: 3.4 m3.
        let production = Production::default();
        let loads = |trees: f64, tree_m3: f64| production.loads(trees, trees * tree_m3);
        // Ten of 0.34 m3 fill it; of 0.5 m3 six, with 0.4 m3 to spare; one larger than a load is a bunch of its own.
        assert!((loads(100.0, 0.34) - 10.0).abs() < 1e-9);
        assert!((loads(100.0, 0.5) - 100.0 / 6.0).abs() < 1e-9);
        assert_eq!(loads(3.0, 11.0), 3.0);
        assert_eq!((loads(0.0, 0.3), loads(100.0, 0.0)), (0.0, 0.0));
    }
}
