//! A block as laid out. Coordinates are in the block's own frame: `frame` takes them to the work CRS.

use std::collections::BTreeMap;

use geo::{Coord, Geometry, Intersects, LineString, MultiLineString, MultiPolygon, Polygon};
use serde::{Deserialize, Serialize};

use super::accuracy::SurveyNote;
use super::costs::{Rates, TimeParts, WorkCost};
use super::emergency::Emergency;
use super::ground_frame::GroundFrame;
use super::notes::PlanNote;
use super::people::{FallingArea, PeopleNote};
use super::power_line::PowerLineNote;
use super::problem::told;
use super::stand_table::{Treatment, TreesLeft};
use super::wet_ground::WetMap;
use super::wind::BlockWind;
use super::words::{self, Word};
use super::work_window::{OpenDays, WindowNote};

/// Overall verdict on a block.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BlockStatus {
    Ok,
    Warn,
    Fail,
}

impl BlockStatus {
    pub fn key(self) -> &'static str {
        match self {
            BlockStatus::Ok => "ok",
            BlockStatus::Warn => "warn",
            BlockStatus::Fail => "fail",
        }
    }
}

/// Verdict on one rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Pass,
    NotApplicable,
    Unknown,
    Warn,
    Fail,
}

impl Verdict {
    /// What somebody looks at first comes first.
    pub const ALL: [Verdict; 5] = [
        Verdict::Fail,
        Verdict::Warn,
        Verdict::Unknown,
        Verdict::Pass,
        Verdict::NotApplicable,
    ];

    pub fn key(self) -> &'static str {
        match self {
            Verdict::Pass => "pass",
            Verdict::NotApplicable => "not_applicable",
            Verdict::Unknown => "unknown",
            Verdict::Warn => "warn",
            Verdict::Fail => "fail",
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ZoneKind {
    Reserve,
    Management,
    RetainedBand,
    MachineExclusion,
    RoadClearing,
    RoadBand,
    Hazard,
    /// Beside a power line: no part of a machine or tree may enter.
    LimitOfApproach,
    /// Low over the nearest water, or nobody knows how low.
    MayBeWet,
    /// Where machines may cross water or kept ground.
    Crossing,
}

impl ZoneKind {
    pub const ALL: [ZoneKind; 10] = [
        ZoneKind::Reserve,
        ZoneKind::Management,
        ZoneKind::RetainedBand,
        ZoneKind::MachineExclusion,
        ZoneKind::RoadClearing,
        ZoneKind::RoadBand,
        ZoneKind::Hazard,
        ZoneKind::LimitOfApproach,
        ZoneKind::MayBeWet,
        ZoneKind::Crossing,
    ];

    pub fn key(self) -> &'static str {
        match self {
            ZoneKind::Reserve => "reserve",
            ZoneKind::Management => "management",
            ZoneKind::RetainedBand => "retained_band",
            ZoneKind::MachineExclusion => "machine_exclusion",
            ZoneKind::RoadClearing => "road_clearing",
            ZoneKind::RoadBand => "road_band",
            ZoneKind::Hazard => "hazard",
            ZoneKind::LimitOfApproach => "limit_of_approach",
            ZoneKind::MayBeWet => "may_be_wet",
            ZoneKind::Crossing => "crossing",
        }
    }
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Zone {
    pub kind: ZoneKind,
    pub source_layer: String,
    pub source_id: String,
    pub class: String,
    pub rule_id: String,
    /// Width from the feature's edge (bank, road edge, polygon edge).
    pub width_m: f64,
    /// Of the reserve of what layer `retain` has: whether it counts as retention.
    #[serde(default)]
    pub kept: Option<bool>,
    pub shape: MultiPolygon,
}

/// Rule id of patches, which are retained bands that no feature asks for.
pub const PATCH_RULE: &str = "retention-patch";

impl Zone {
    /// A patch left for the block's share.
    pub fn patch(number: u32, shape: MultiPolygon) -> Zone {
        Zone {
            kind: ZoneKind::RetainedBand,
            source_layer: String::new(),
            source_id: format!("P{number}"),
            class: "patch".to_owned(),
            rule_id: PATCH_RULE.to_owned(),
            width_m: 0.0,
            kept: None,
            shape,
        }
    }

    pub fn is_patch(&self) -> bool {
        self.kind == ZoneKind::RetainedBand && self.rule_id == PATCH_RULE
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StripKind {
    RoadClearing,
    BoundaryPass,
    Interior,
}

impl StripKind {
    pub fn key(self) -> &'static str {
        match self {
            StripKind::RoadClearing => "road_clearing",
            StripKind::BoundaryPass => "boundary_pass",
            StripKind::Interior => "interior",
        }
    }
}

/// Names one piece of one strip. `part` 0 is the road clearing, which belongs to no part; strip 0 is the boundary pass.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct PieceId {
    pub part: u32,
    pub strip_no: u32,
    pub piece: u32,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Strip {
    pub id: PieceId,
    pub kind: StripKind,
    /// True: ground between two strips, cut because nothing may or need stand there.
    pub gap: bool,
    pub width_m: f64,
    pub shape: Polygon,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Heading {
    In,
    Out,
    Around,
}

impl Heading {
    pub fn key(self) -> &'static str {
        match self {
            Heading::In => "in",
            Heading::Out => "out",
            Heading::Around => "around",
        }
    }
}

/// The machine's centre line through one piece, in the direction of travel.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct StripLine {
    pub id: PieceId,
    pub kind: StripKind,
    /// 1, 2, 3 ... over the whole block.
    pub order: u32,
    pub heading: Heading,
    pub shape: LineString,
    /// Travel that cuts nothing, from the end of this line to the start of the next; None after the last, and where no
    /// way inside the net area was found.
    pub travel_to_next_m: Option<f64>,
    /// Mean slope across the track, rise over run; None where no slope is known along it.
    pub cross_slope: Option<f64>,
    /// The way of that travel, from the end of this line to the start of the next.
    pub travel: Option<LineString>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Corridor {
    pub part: u32,
    pub corridor_no: u32,
    pub width_m: f64,
    pub shape: Polygon,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ShiftClass {
    DayOnly,
    NightSafe,
}

impl ShiftClass {
    pub fn key(self) -> &'static str {
        match self {
            ShiftClass::DayOnly => "day_only",
            ShiftClass::NightSafe => "night_safe",
        }
    }
}

/// Why ground is cut by day only. The order is the order in `reasons`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DayReason {
    BoundaryPass,
    NearBoundary,
    NearReserve,
    /// Near ground left out because it is too steep for the machine.
    NearTooSteep,
    /// Near soft ground that is left standing.
    NearSoftGround,
    /// Near a band of trees that a management zone keeps.
    NearRetainedBand,
    Brush,
    SoftGround,
    /// Low over the nearest water, or nobody knows how low.
    MayBeWet,
    Hazard,
    /// Steeper than the night limit.
    Steep,
    /// Nobody says how steep it is.
    UnknownSlope,
    RoadClearing,
    /// Trees beyond the head's capacity stand there.
    LargeTrees,
    ShortStretch,
}

impl DayReason {
    pub const ALL: [DayReason; 15] = [
        DayReason::BoundaryPass,
        DayReason::NearBoundary,
        DayReason::NearReserve,
        DayReason::NearTooSteep,
        DayReason::NearSoftGround,
        DayReason::NearRetainedBand,
        DayReason::Brush,
        DayReason::SoftGround,
        DayReason::MayBeWet,
        DayReason::Hazard,
        DayReason::Steep,
        DayReason::UnknownSlope,
        DayReason::RoadClearing,
        DayReason::LargeTrees,
        DayReason::ShortStretch,
    ];

    pub fn key(self) -> &'static str {
        match self {
            DayReason::BoundaryPass => "boundary_pass",
            DayReason::NearBoundary => "near_boundary",
            DayReason::NearReserve => "near_reserve",
            DayReason::NearTooSteep => "near_too_steep",
            DayReason::NearSoftGround => "near_soft_ground",
            DayReason::NearRetainedBand => "near_retained_band",
            DayReason::Brush => "brush",
            DayReason::SoftGround => "soft_ground",
            DayReason::MayBeWet => "may_be_wet",
            DayReason::Hazard => "hazard",
            DayReason::Steep => "steep",
            DayReason::UnknownSlope => "unknown_slope",
            DayReason::RoadClearing => "road_clearing",
            DayReason::LargeTrees => "large_trees",
            DayReason::ShortStretch => "short_stretch",
        }
    }

    pub fn of_key(key: &str) -> Option<DayReason> {
        DayReason::ALL
            .into_iter()
            .find(|reason| reason.key() == key)
    }

    /// Whether the ground is a danger in the dark to any machine, the skidder too; the others say that a felling machine
    /// could cut in the dark what must stand, or not see what it cuts.
    pub fn endangers_any_machine(self) -> bool {
        match self {
            DayReason::NearTooSteep
            | DayReason::SoftGround
            | DayReason::MayBeWet
            | DayReason::Hazard
            | DayReason::Steep
            | DayReason::UnknownSlope => true,
            DayReason::BoundaryPass
            | DayReason::NearBoundary
            | DayReason::NearReserve
            | DayReason::NearSoftGround
            | DayReason::NearRetainedBand
            | DayReason::Brush
            | DayReason::RoadClearing
            | DayReason::LargeTrees
            | DayReason::ShortStretch => false,
        }
    }
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Section {
    pub id: PieceId,
    pub section_no: u32,
    pub shift_class: ShiftClass,
    pub reasons: Vec<DayReason>,
    pub shape: MultiPolygon,
    /// Machine hours; None where no stand says how many trees stand there.
    pub hours: Option<f64>,
    /// Trees felled; None as for hours.
    pub trees: Option<f64>,
    /// Volume felled, m3; None where nobody says how large the trees are.
    pub volume_m3: Option<f64>,
    /// The wood's mean way to the road or landing, m.
    pub skid_m: Option<f64>,
    pub skid_hours: Option<f64>,
    /// What becomes of all trees there; None where a stand table does not say.
    pub treated: Option<Treatment>,
    /// Share of the payload that a bunch of its trees may hold, by their species; None: that of `limbiness`.
    pub bunch_share: Option<f64>,
    /// Mean height of the trees, m; None without a raster of heights.
    pub tree_height_m: Option<f64>,
    /// The days on which it may be worked.
    #[serde(default)]
    pub open: OpenDays,
    /// The windows that say so, by their place in those of the plan.
    #[serde(default)]
    pub windows: Vec<usize>,
}

impl Section {
    /// A section of which nothing but its ground and its shift class is known yet.
    pub fn untimed(
        id: PieceId,
        section_no: u32,
        (shift_class, reasons): (ShiftClass, Vec<DayReason>),
        shape: MultiPolygon,
    ) -> Section {
        Section {
            id,
            section_no,
            shift_class,
            reasons,
            shape,
            hours: None,
            trees: None,
            volume_m3: None,
            skid_m: None,
            skid_hours: None,
            treated: None,
            bunch_share: None,
            tree_height_m: None,
            open: OpenDays::default(),
            windows: vec![],
        }
    }
}

/// Where a bunch lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Placement {
    /// Left of an inbound strip, reaching over the strip cut before.
    Left,
    /// In the strip itself, on the right for choice.
    InStrip,
    /// On the outer side of a road clearing.
    OuterSide,
    /// Against a boundary or protected edge.
    AgainstEdge,
}

impl Placement {
    pub fn key(self) -> &'static str {
        match self {
            Placement::Left => "left",
            Placement::InStrip => "in_strip",
            Placement::OuterSide => "outer_side",
            Placement::AgainstEdge => "against_edge",
        }
    }
}

/// A pile of felled trees made for one skidder load.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Bunch {
    pub id: PieceId,
    /// From 1 along the piece, in the order of work.
    pub bunch_no: u32,
    pub shift_class: ShiftClass,
    pub volume_m3: f64,
    pub trees: f64,
    pub placement: Placement,
    /// From the butts to the tops.
    pub shape: LineString,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnworkedReason {
    Sliver,
    BeyondReach,
    SoftGround,
    MachineExclusion,
    /// Steeper than the machine may go.
    TooSteep,
    /// Steps of cells beside such ground, so that a machine can follow its edge.
    SteepEdge,
    /// No machine gets there from any road or landing.
    CutOff,
    /// A part of the net area below the least size.
    SmallPart,
    /// Road ground that is cleared already, or not for machines.
    Road,
    /// Cut before this plan; no trees stand there.
    CutBefore,
}

impl UnworkedReason {
    /// Whether trees stand there because machines must not go, and not for lack of a way or of room.
    pub fn is_left(self) -> bool {
        matches!(self, UnworkedReason::SoftGround | UnworkedReason::TooSteep)
    }

    pub const ALL: [UnworkedReason; 10] = [
        UnworkedReason::Sliver,
        UnworkedReason::BeyondReach,
        UnworkedReason::SoftGround,
        UnworkedReason::MachineExclusion,
        UnworkedReason::TooSteep,
        UnworkedReason::SteepEdge,
        UnworkedReason::CutOff,
        UnworkedReason::SmallPart,
        UnworkedReason::Road,
        UnworkedReason::CutBefore,
    ];

    pub fn key(self) -> &'static str {
        match self {
            UnworkedReason::Sliver => "sliver",
            UnworkedReason::BeyondReach => "beyond_reach",
            UnworkedReason::SoftGround => "soft_ground",
            UnworkedReason::MachineExclusion => "machine_exclusion",
            UnworkedReason::TooSteep => "too_steep",
            UnworkedReason::SteepEdge => "steep_edge",
            UnworkedReason::CutOff => "cut_off",
            UnworkedReason::SmallPart => "small_part",
            UnworkedReason::Road => "road",
            UnworkedReason::CutBefore => "cut_before",
        }
    }
}

#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Unworked {
    pub part: u32,
    pub reason: UnworkedReason,
    pub shape: Polygon,
}

/// Hours that depend on the direction; felling itself takes the same whichever way the strips run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Costs {
    pub driving_h: f64,
    pub turning_h: f64,
    /// Travel between strips that cuts nothing.
    pub moving_h: f64,
    pub skidding_h: f64,
    /// What the slope across the track adds.
    pub cross_slope_h: f64,
    /// What edges of corridors in the wind weigh; no hours of any machine.
    #[serde(default)]
    pub wind_h: f64,
    /// What metres beyond a stated limit of slopes by heading weigh; no hours of any machine.
    #[serde(default)]
    pub beyond_h: f64,
}

impl Costs {
    pub fn total_h(&self) -> f64 {
        let machines_h = self.driving_h + self.turning_h + self.moving_h + self.skidding_h;
        machines_h + self.cross_slope_h + self.wind_h + self.beyond_h
    }
}

/// Why the strips run the way they do: what other directions would cost.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct AzimuthChoice {
    pub azimuth_deg: f64,
    /// Square to the road, or away from the access.
    pub square_deg: f64,
    pub long_side_deg: f64,
    pub chosen: Costs,
    pub square: Costs,
    pub long_side: Costs,
    /// How many directions were costed.
    pub evaluations: u32,
}

/// What wood is brought to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum OutletKind {
    /// A stretch of road along the ground itself.
    Road,
    Landing,
    /// The nearest road or landing, over ground that does not belong to the block.
    Access,
    /// Across water or kept ground, and on from there.
    Crossing,
}

impl OutletKind {
    pub fn key(self) -> &'static str {
        match self {
            OutletKind::Road => "road",
            OutletKind::Landing => "landing",
            OutletKind::Access => "access",
            OutletKind::Crossing => "crossing",
        }
    }
}

/// A part of the net area and how it was laid out.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PartNote {
    pub part: u32,
    /// One piece, unless something came after its strips were laid.
    pub shape: MultiPolygon,
    pub azimuth_deg: f64,
    pub choice: AzimuthChoice,
    pub corridor_width_m: f64,
    pub strips: u32,
    /// True when the part has no road frontage.
    pub no_frontage: bool,
    /// What its wood is brought to; None where no road or landing is in reach.
    pub outlet: Option<OutletNote>,
    /// Id of the planner's polygon that it was taken from; None: divided by cost.
    pub drawn: Option<String>,
    /// Who says which way its strips run.
    pub azimuth_from: AzimuthFrom,
    /// Lines that a planner drew for its strips: the id, and the number of the strip; from left to right.
    pub strip_lines: Vec<(String, u32)>,
}

/// Who says which way the strips of a setting run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AzimuthFrom {
    /// Least machine and skidding time.
    #[default]
    Cost,
    /// `azimuth` of the project.
    Project,
    /// Of the block.
    Block,
    /// Of the planner's polygon.
    Setting,
    /// A line that a planner drew.
    StripLine,
}

impl AzimuthFrom {
    pub const ALL: [AzimuthFrom; 5] = [
        AzimuthFrom::Cost,
        AzimuthFrom::Project,
        AzimuthFrom::Block,
        AzimuthFrom::Setting,
        AzimuthFrom::StripLine,
    ];

    pub fn key(self) -> &'static str {
        match self {
            AzimuthFrom::Cost => "cost",
            AzimuthFrom::Project => "project",
            AzimuthFrom::Block => "block",
            AzimuthFrom::Setting => "setting",
            AzimuthFrom::StripLine => "strip_line",
        }
    }
}

/// A stretch of road frontage, or a landing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OutletNote {
    pub kind: OutletKind,
    /// Ids of the roads, of the landing or of the crossing.
    pub name: String,
    /// The setting's edge along the road, or the place as a line without length.
    pub front: MultiLineString,
    /// Of a landing, m³; None: nobody says.
    #[serde(default)]
    pub capacity_m3: Option<f64>,
}

impl OutletNote {
    /// Edges along roads: a landing or the end of a crossing, which is a place, has none.
    pub fn edges(&self) -> impl Iterator<Item = &LineString> {
        let front = self.front.0.iter();
        front.filter(|line| line.0.first() != line.0.last())
    }
}

/// The way that loads take to an outlet, from where wood is felled on.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SkidTrail {
    /// Number of the setting.
    pub part: u32,
    /// Loads that come along its whole length.
    pub loads: f64,
    /// Towards the outlet.
    pub shape: LineString,
}

/// A pile of wood at an outlet.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Deck {
    /// Number of the setting.
    pub part: u32,
    pub volume_m3: f64,
    /// Length of roadside that it needs.
    pub length_m: f64,
    pub place: [f64; 2],
}

/// One thing that falls short of a rule, with its place.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Finding {
    pub rule_id: String,
    pub verdict: Verdict,
    pub measured: Option<f64>,
    pub required: Option<f64>,
    #[serde(deserialize_with = "words::known")]
    pub unit: Word,
    pub message: String,
    pub source: String,
    pub shape: Option<Geometry>,
}

/// One row of the compliance summary.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct ComplianceRow {
    pub rule_id: String,
    pub title: String,
    pub required: Option<f64>,
    pub measured: Option<f64>,
    /// Of a distance: what is left of it if the map is off by as much as its layer says it may be; None: nobody says.
    pub with_map_error: Option<f64>,
    #[serde(deserialize_with = "words::known")]
    pub unit: Word,
    pub status: Verdict,
    pub source: String,
    /// File and line of the rule; empty for a requirement that no rulebook states.
    pub origin: String,
    /// How the rule's figure came to be known, in the words of rulebooks; empty as `origin`.
    #[serde(deserialize_with = "words::known")]
    pub source_status: Word,
}

/// How often each rung of the buffer ladder was used.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RungCount {
    /// First engine, as read.
    pub engine: u64,
    /// First engine on the cleaned and snapped source.
    pub cleaned: u64,
    /// The other engine.
    pub other_engine: u64,
    /// Union of circumscribed capsules, one per segment.
    pub capsules: u64,
    /// Skeleton path of the boundary pass taken.
    pub skeleton: u64,
    /// Boundary pass path from the buffer engine, the skeleton being refused or not asked.
    pub skeleton_fallback: u64,
}

impl std::ops::AddAssign for RungCount {
    fn add_assign(&mut self, other: RungCount) {
        self.engine += other.engine;
        self.cleaned += other.cleaned;
        self.other_engine += other.other_engine;
        self.capsules += other.capsules;
        self.skeleton += other.skeleton;
        self.skeleton_fallback += other.skeleton_fallback;
    }
}

/// What was proved of everything a plan gives out to be cut or driven.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Certificate {
    /// Features near the block with one distance each, proved to be kept.
    pub pairs: u32,
    /// The least that any of them has to spare, m; None: nothing comes within 5 m of what is asked.
    pub margin_m: Option<f64>,
    /// Whether the first overlay engine's plan could not be certified, and this is another one's.
    pub other_overlay: bool,
    /// Why there is no certificate; such a plan is not given out.
    pub fault: Option<CutFault>,
}

/// Why what a plan gives out could not be certified. Places are in the work CRS.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, thiserror::Error)]
pub enum CutFault {
    #[error(
        "ground {what} comes within {measured_m:.3} m of {layer}, feature {feature_id}, near ({}); {required_m:.3} m is required",
        told(*place)
    )]
    TooNear {
        /// `cut` or `driven`.
        what: String,
        layer: String,
        feature_id: String,
        measured_m: f64,
        required_m: f64,
        place: [f64; 2],
    },
    #[error("ground {what} lies on {layer}, feature {feature_id}, near ({})", told(*place))]
    On {
        what: String,
        layer: String,
        feature_id: String,
        place: [f64; 2],
    },
    #[error("ground cut lies outside the block near ({})", told(*place))]
    OutsideBlock { place: [f64; 2] },
    #[error("its areas do not balance by {rest_m2:.1} m2")]
    Unbalanced { rest_m2: f64 },
    #[error("a coordinate of it is no number")]
    NoNumber,
}

/// Productive hours in a scheduled one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Utilisation {
    /// Of the felling machine.
    pub felling: f64,
    pub skidding: f64,
}

/// The areas of a block's books, in square metres: gross = reserve + retained + cut + unworked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Books {
    pub gross_m2: f64,
    pub reserve_m2: f64,
    /// Of the reserves: ground of layer `retain` alone that counts as retention.
    #[serde(default)]
    pub kept_m2: f64,
    pub net_m2: f64,
    pub retained_m2: f64,
    pub cut_m2: f64,
    pub unworked_m2: f64,
    /// Of what is unworked, what is left as too steep or too soft: trees stand there like those that stay on purpose.
    pub left_m2: f64,
}

/// A block's whole layout.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct BlockPlan {
    pub id: String,
    /// As in [`SourceBlock`](super::SourceBlock).
    pub portfolio: Option<String>,
    /// In which all shapes are; they leave it on output.
    pub frame: GroundFrame,
    pub status: BlockStatus,
    /// The block itself.
    pub shape: MultiPolygon,
    pub books: Books,
    /// Of the ground, with what is left as too steep or too soft, whether the rule counts that or not.
    pub share_with_left: f64,
    /// As the rule counts it; of trees that nobody knows, of the ground: see [`BlockPlan::share_left`].
    pub retention_share: f64,
    pub required_share: f64,
    /// None: the retention share is one of ground.
    pub trees_left: Option<TreesLeft>,
    /// Of the largest part.
    pub azimuth_deg: Option<f64>,
    /// Of the largest part.
    pub corridor_width_m: Option<f64>,
    pub strips_count: u32,
    pub day_hours: Option<f64>,
    pub night_hours: Option<f64>,
    /// Skidder hours, and the wood's mean way by volume.
    pub skid_hours: Option<f64>,
    pub skid_m: Option<f64>,
    /// Where hours come from, as [`TimeModel::label`](super::TimeModel::label) names it.
    pub time_model: String,
    /// Hours are productive ones; this makes scheduled ones of them.
    pub utilisation: Utilisation,
    pub rates: Rates,
    /// Where all hours come from; None where they are not known of every section. Without roads no skidding is in it.
    pub time_parts: Option<TimeParts>,
    pub bunches: Vec<Bunch>,
    pub scale: f64,
    pub geodesic_m2: f64,
    pub zones: Vec<Zone>,
    pub parts: Vec<PartNote>,
    pub strips: Vec<Strip>,
    pub lines: Vec<StripLine>,
    pub corridors: Vec<Corridor>,
    pub retained_bands: MultiPolygon,
    pub sections: Vec<Section>,
    pub unworked: Vec<Unworked>,
    pub trails: Vec<SkidTrail>,
    pub decks: Vec<Deck>,
    /// Power lines in and around the block.
    #[serde(default)]
    pub power_lines: Vec<PowerLineNote>,
    /// What its layer and the project say of emergencies there.
    #[serde(default)]
    pub emergency: Emergency,
    /// Longitude and latitude on WGS 84 of the frame's (0, 0), in degrees; None: not known.
    #[serde(default)]
    pub place: Option<Coord>,
    /// How its edge and all that distances are kept to were surveyed.
    #[serde(default)]
    pub surveys: Vec<SurveyNote>,
    /// How far falling trees are a danger to other people.
    #[serde(default)]
    pub falling: FallingArea,
    /// Roads, trails, dwellings and work sites nearer than that to what is cut.
    #[serde(default)]
    pub people: Vec<PeopleNote>,
    /// The days on which ground of it may be worked, by whoever says so.
    #[serde(default)]
    pub windows: Vec<WindowNote>,
    pub findings: Vec<Finding>,
    pub compliance: Vec<ComplianceRow>,
    pub rungs: RungCount,
    pub certificate: Certificate,
    /// None: the project names no wind, or the plan was not judged yet.
    #[serde(default)]
    pub wind: Option<BlockWind>,
    /// Depth to water over the block; None: the project does not ask for it, or no elevation is known there.
    #[serde(default)]
    pub wet: Option<WetMap>,
    /// Whether its strips are those of before some notes, which came later: they keep their names and end before these.
    #[serde(default)]
    pub keeps_names: bool,
    /// Notes of the field that have to do with the block; told after it is laid out, so that files of plans have none.
    #[serde(skip)]
    pub notes: Vec<PlanNote>,
}

/// What was measured of the slopes of a block, other than on roads.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SlopesMeasured {
    /// The steepest ground under any line, rise over run; None where no slope is known along any.
    pub driven: Option<f64>,
    /// The same under lines of night-safe sections.
    pub by_night: Option<f64>,
    /// Whether lines run on ground of which nobody says how steep it is.
    pub unknown: bool,
}

impl Utilisation {
    /// Scheduled hours of productive ones.
    pub fn scheduled(self, hours: Option<f64>) -> Option<f64> {
        hours.map(|hours| hours / self.felling)
    }

    /// The same of the skidder.
    pub fn scheduled_skidding(self, hours: Option<f64>) -> Option<f64> {
        hours.map(|hours| hours / self.skidding)
    }
}

/// What kind of retention stands in a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RetainedKind {
    Corridor,
    /// Against a reserve, for a management zone's own share.
    Band,
    Patch,
    /// What layer `retain` has: trees, patches, dens and the like, as far as they lie in the block.
    Kept,
}

impl RetainedKind {
    pub fn key(self) -> &'static str {
        match self {
            RetainedKind::Corridor => "corridor",
            RetainedKind::Band => "band",
            RetainedKind::Patch => "patch",
            RetainedKind::Kept => "kept",
        }
    }
}

/// A piece of forest that stays, to be ticked off on the ground.
#[derive(Clone, Debug)]
pub struct RetainedPiece<'p> {
    /// `C`, `B`, `P` or `K` and a number: the same as long as the input is.
    pub id: String,
    pub kind: RetainedKind,
    /// Setting of a corridor; 0 of all else, which belongs to none.
    pub part: u32,
    /// Of what layer `retain` has, the feature's id and class.
    pub feature: Option<[&'p str; 2]>,
    pub shape: &'p Polygon,
}

impl BlockPlan {
    /// Whether some of the block was cut before this plan.
    pub fn is_rest(&self) -> bool {
        let before = |unworked: &Unworked| unworked.reason == UnworkedReason::CutBefore;
        self.unworked.iter().any(before)
    }

    /// Ground that this plan leaves, since it was cut before or for other reasons.
    pub fn left_unworked(&self, cut_before: bool) -> impl Iterator<Item = &Polygon> {
        let pieces = self.unworked.iter();
        let pieces = pieces.filter(move |u| (u.reason == UnworkedReason::CutBefore) == cut_before);
        pieces.map(|unworked| &unworked.shape)
    }

    /// Whether nothing of the block is cut, by this plan or before it.
    pub fn cuts_nothing(&self) -> bool {
        self.strips.is_empty() && !self.is_rest()
    }

    /// Share of the bunches of strips driven in that lie on their left, over the strip cut before; None where there are none.
    pub fn left_share(&self) -> Option<f64> {
        let inbound: std::collections::BTreeSet<PieceId> = (self.lines.iter())
            .filter(|line| line.kind == StripKind::Interior && line.heading == Heading::In)
            .map(|line| line.id)
            .collect();
        let bunches = (self.bunches.iter()).filter(|bunch| inbound.contains(&bunch.id));
        let [mut left, mut all] = [0.0, 0.0];
        for bunch in bunches {
            all += 1.0;
            if bunch.placement == Placement::Left {
                left += 1.0;
            }
        }
        (all > 0.0).then(|| left / all)
    }

    /// The share left standing as the rule counts it; None where it is one of trees that nobody knows.
    pub fn share_left(&self) -> Option<f64> {
        let unknown = self.trees_left.is_some_and(|trees| trees.counted.is_none());
        (!unknown).then_some(self.retention_share)
    }

    /// What people call the windows that a section comes under, each once.
    pub fn windows_of(&self, section: &Section) -> Vec<String> {
        let own = section.windows.iter();
        let mut labels: Vec<String> = own
            .filter_map(|&at| Some(self.windows.get(at)?.label()))
            .collect();
        labels.sort();
        labels.dedup();
        labels
    }

    /// A setting by its number.
    pub fn setting(&self, part: u32) -> Option<&PartNote> {
        self.parts.iter().find(|note| note.part == part)
    }

    /// All that is left standing as retention, piece by piece.
    pub fn retained_pieces(&self) -> Vec<RetainedPiece<'_>> {
        let mut pieces: Vec<RetainedPiece> = Vec::new();
        let mut counts: BTreeMap<(u32, u32), u32> = BTreeMap::new();
        for corridor in &self.corridors {
            let count = counts
                .entry((corridor.part, corridor.corridor_no))
                .or_default();
            *count += 1;
            pieces.push(RetainedPiece {
                id: format!("C{}-{}-{count}", corridor.part, corridor.corridor_no),
                kind: RetainedKind::Corridor,
                part: corridor.part,
                feature: None,
                shape: &corridor.shape,
            });
        }
        let kept = |zone: &&Zone| zone.kind == ZoneKind::RetainedBand;
        let kept: Vec<&Zone> = self.zones.iter().filter(kept).collect();
        // Bands that no zone names are bands all the same.
        let unnamed = (kept.is_empty()).then_some(&self.retained_bands);
        let named = kept.iter().filter(|zone| !zone.is_patch());
        let bands = named.map(|zone| &zone.shape).chain(unnamed);
        let bands = (1u32..).zip(bands.flat_map(|shape| &shape.0));
        pieces.extend(bands.map(|(number, shape)| RetainedPiece {
            id: format!("B{number}"),
            kind: RetainedKind::Band,
            part: 0,
            feature: None,
            shape,
        }));
        for zone in kept.into_iter().filter(|zone| zone.is_patch()) {
            for (number, shape) in (1u32..).zip(&zone.shape.0) {
                let id = match number {
                    1 => zone.source_id.clone(),
                    _ => format!("{}-{number}", zone.source_id),
                };
                pieces.push(RetainedPiece {
                    id,
                    kind: RetainedKind::Patch,
                    part: 0,
                    feature: None,
                    shape,
                });
            }
        }
        let kept = self.zones.iter().filter(|zone| zone.kept.is_some());
        let kept = kept.flat_map(|zone| zone.shape.0.iter().map(move |shape| (zone, shape)));
        let kept = kept.filter(|(_, shape)| shape.intersects(&self.shape));
        pieces.extend(
            (1u32..)
                .zip(kept)
                .map(|(number, (zone, shape))| RetainedPiece {
                    id: format!("K{number}"),
                    kind: RetainedKind::Kept,
                    part: 0,
                    feature: Some([&zone.source_id, &zone.class]),
                    shape,
                }),
        );
        pieces
    }

    /// Volume felled in one setting, m3; None where it is not known of every section.
    pub fn volume_of(&self, part: u32) -> Option<f64> {
        let own = self
            .sections
            .iter()
            .filter(|section| section.id.part == part);
        own.map(|section| section.volume_m3)
            .try_fold(0.0, |sum, m3| Some(sum + m3?))
    }

    /// Hours and money of one setting.
    pub fn cost_of(&self, part: u32) -> WorkCost {
        let own = (self.sections.iter()).filter(move |section| section.id.part == part);
        WorkCost::of(own, self.rates, self.utilisation)
    }

    /// What becomes of all trees of the sections; None where a stand table does not say of some.
    pub fn treated(&self) -> Option<Treatment> {
        let mut all = Treatment::default();
        for section in &self.sections {
            all += section.treated?;
        }
        (!self.sections.is_empty()).then_some(all)
    }

    /// Hours and money of the block.
    pub fn cost(&self) -> WorkCost {
        WorkCost::of(self.sections.iter(), self.rates, self.utilisation)
    }

    /// The same by setting and kind of work, in their order.
    pub fn costs_by_work(&self) -> Vec<(u32, StripKind, WorkCost)> {
        let kinds: BTreeMap<PieceId, StripKind> = (self.strips.iter())
            .map(|strip| (strip.id, strip.kind))
            .collect();
        let kind = |section: &Section| kinds.get(&section.id).copied();
        let mut groups: Vec<(u32, StripKind)> = (self.sections.iter())
            .filter_map(|section| Some((section.id.part, kind(section)?)))
            .collect();
        groups.sort();
        groups.dedup();
        let cost = |(part, of): (u32, StripKind)| {
            let own = (self.sections.iter())
                .filter(|section| section.id.part == part && kind(section) == Some(of));
            (part, of, WorkCost::of(own, self.rates, self.utilisation))
        };
        groups.into_iter().map(cost).collect()
    }

    /// Where the frame's (0, 0) lies in the plane of the work CRS.
    pub fn origin(&self) -> [f64; 2] {
        self.frame.origin().into()
    }

    /// As the compliance rows have it; nothing before the plan was judged.
    pub fn slopes_measured(&self) -> SlopesMeasured {
        let row = |id: &str| self.compliance.iter().find(|row| row.rule_id == id);
        let driven = row("max-slope");
        SlopesMeasured {
            driven: driven.and_then(|row| row.measured),
            by_night: row("night-slope").and_then(|row| row.measured),
            unknown: driven.is_some_and(|row| row.status == Verdict::Unknown),
        }
    }

    /// Volume felled, m3; None where it is not known of every section.
    pub fn volume_m3(&self) -> Option<f64> {
        let mut volumes = self.sections.iter().map(|section| section.volume_m3);
        volumes.try_fold(0.0, |sum, volume_m3| Some(sum + volume_m3?))
    }
}
