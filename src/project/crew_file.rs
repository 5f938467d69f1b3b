//! The crew file as written: the shape of the TOML and nothing else.

use schemars::JsonSchema;
use serde::Deserialize;

use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::{Length, Share};

type Given<T> = Option<Spanned<T>>;

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrewFile {
    /// Time zone, light and days off.
    pub crew: CrewTable,
    /// When is worked.
    pub shifts: Vec<Spanned<ShiftTable>>,
    /// Who drives, where that makes a difference.
    #[serde(default)]
    pub operators: Vec<Spanned<OperatorTable>>,
    /// The felling machines.
    pub machines: Vec<Spanned<MachineTable>>,
    /// What follows the felling.
    #[serde(default)]
    pub skidders: Vec<Spanned<SkidderTable>>,
    /// What a move between blocks costs.
    #[serde(default)]
    pub moves: MovesTable,
    /// How long people work and rest, where somebody says so.
    pub rest: Given<RestTable>,
    /// Wood that lies felled and not skidded.
    pub stock: Given<StockTable>,
    /// Wood wanted at the roadside by dates.
    #[serde(default)]
    pub wood: Vec<Spanned<WoodTable>>,
    /// How much is hauled from the decks.
    pub haulage: Given<HaulageTable>,
    /// What decks hold.
    #[serde(default)]
    pub decks: Vec<Spanned<DeckTable>>,
    /// What came up: a breakdown, a storm, a block that may not be entered.
    #[serde(default)]
    pub stops: Vec<Spanned<StopTable>>,
    /// Blocks with dates or a priority of their own.
    #[serde(default)]
    pub blocks: Vec<Spanned<BlockTable>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CrewTable {
    /// Time zone by its IANA name, such as `Europe/Helsinki`.
    pub time_zone: Spanned<String>,
    /// Kept off the light after it comes and before it goes, `"30 min"` unless given.
    pub light_margin: Given<String>,
    /// What counts as light: from sunrise to sunset, or civil twilight too.
    #[schemars(extend("enum" = ["sun", "civil_twilight"]))]
    pub light: Given<String>,
    /// Dates without any shift, such as `"2026-12-25"`.
    #[serde(default)]
    pub days_off: Vec<Spanned<String>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ShiftTable {
    /// Short name.
    pub name: Spanned<String>,
    /// By the clock of the time zone, `"06:00"`.
    pub from: Spanned<String>,
    /// Not later than `from`: on the next day.
    pub to: Spanned<String>,
    /// Days on which it begins: `mon` ... `sun`; every day unless given.
    pub days: Option<Vec<Spanned<String>>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OperatorTable {
    /// Short name or number.
    pub name: Spanned<String>,
    /// Hours needed for an hour of the layout.
    pub time_factor: Given<f64>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MachineTable {
    /// Short name.
    pub name: Spanned<String>,
    /// From the machine's centre to the farthest tree on one side; not less than that of the layout.
    pub reach: Given<Length>,
    /// Steepest ground it may enter; that of the layout unless given.
    pub max_slope: Given<Share>,
    /// What it runs on, whose published limit of slopes holds where `max_slope` is not written.
    #[schemars(extend("enum" = ["tracked", "wheeled", "steep_ground"]))]
    pub runs_on: Given<String>,
    /// Work it may do: `road_clearing`, `boundary_pass`, `interior`; all unless given.
    pub kinds: Option<Vec<Spanned<String>>>,
    /// Whether it may cut in the dark; yes unless given.
    pub night: Option<bool>,
    /// Hours it needs for an hour of the layout.
    pub time_factor: Given<f64>,
    /// Shifts it runs in; all unless given.
    pub shifts: Option<Vec<Spanned<String>>>,
    /// Operators in the order of its shifts, one for each.
    pub operators: Option<Vec<Spanned<String>>>,
    /// Id of the block where it stands at first.
    pub start: Given<String>,
    /// Service, always by daylight.
    pub service: Given<ServiceTable>,
    /// Fuelling, always by daylight.
    pub fuel: Given<FuelTable>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ServiceTable {
    /// How long it takes, such as `"45 min"`.
    pub takes: Spanned<String>,
    /// `"day"`, or hours of running such as `"10 h"`.
    pub every: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FuelTable {
    /// How long it takes, such as `"20 min"`.
    pub takes: Spanned<String>,
    /// `"day"`, or how long a full tank lasts, such as `"16 h"`.
    pub every: Spanned<String>,
    /// Who says so: the machine's manual, a log of its fuel.
    pub source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SkidderTable {
    /// Short name.
    pub name: Spanned<String>,
    /// Whether it may run in the dark; yes unless given.
    pub night: Option<bool>,
    /// Steepest ground it is sent to, rise over run; what the layout says of its skidder unless given.
    pub max_slope: Given<Share>,
    /// What it runs on, whose published limit of slopes holds where `max_slope` is not written.
    #[schemars(extend("enum" = ["tracked", "wheeled", "steep_ground"]))]
    pub runs_on: Given<String>,
    /// Hours it needs for an hour of the layout.
    pub time_factor: Given<f64>,
    /// Shifts it runs in; all unless given.
    pub shifts: Option<Vec<Spanned<String>>>,
    /// Operators in the order of its shifts, one for each.
    pub operators: Option<Vec<Spanned<String>>>,
    /// Id of the block where it stands at first.
    pub start: Given<String>,
    /// Least time between felling and skidding of a section.
    pub min_lead: Given<String>,
    /// Greatest time between them.
    pub max_lead: Given<String>,
    /// Service, always by daylight.
    pub service: Given<ServiceTable>,
    /// Fuelling, always by daylight.
    pub fuel: Given<FuelTable>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MovesTable {
    /// Way over distance as the crow flies.
    pub detour: Given<f64>,
    /// Up to this way the machine walks.
    pub walk_up_to: Given<Length>,
    /// Speed of the walking machine.
    pub walk_km_per_h: Given<f64>,
    /// Speed of the lowbed.
    pub haul_km_per_h: Given<f64>,
    /// Loading and unloading the lowbed, such as `"90 min"`.
    pub haul_loading: Given<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RestTable {
    /// Longest time that a person is on shift within any 24 hours, such as `"13 h"`.
    pub longest_work: Given<String>,
    /// Least time between two shifts of a person, such as `"8 h"`.
    pub least_rest: Given<String>,
    /// Where these are written: a law, a collective agreement, a rule of the employer.
    pub source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StockTable {
    /// Lies in a block before a skidder goes there, such as `"60 m3"`; none unless given.
    pub least: Given<String>,
    /// Most that lies felled and not skidded in all blocks together, such as `"800 m3"`: felling waits for skidders there.
    pub most: Given<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WoodTable {
    /// Last date, such as `"2026-12-12"`.
    pub by: Spanned<String>,
    /// What is wanted by its end beyond what dates before it ask for, such as `"1500 m3"`.
    pub volume: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct HaulageTable {
    /// Truck loads on a day, from all decks together.
    pub loads: Spanned<u32>,
    /// What a truck takes, such as `"40 m3"`.
    pub load: Spanned<String>,
    /// First hour at which trucks come, midnight unless given.
    pub from: Given<String>,
    /// Last hour, midnight unless given.
    pub to: Given<String>,
    /// Days on which they come: `mon` ... `sun`; every day unless given.
    pub days: Option<Vec<Spanned<String>>>,
    /// Who says so: the haulage contract, what was hauled before.
    pub source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DeckTable {
    /// Id of the landing or road, as the layout has it in `outlet`.
    pub outlet: Spanned<String>,
    /// The block whose wood comes there, where each along a road has a deck of its own; all of them unless given.
    pub block: Given<String>,
    /// What it holds, such as `"300 m3"`; the landing's `capacity` unless given.
    pub room: Given<String>,
    /// What lies there when the plan begins; nothing unless given.
    pub lies: Given<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StopTable {
    /// Why, in words, such as `"storm"`; told with each shift that changes for it.
    pub why: Spanned<String>,
    /// First moment, `"2026-12-03 10:00"`, or a date for all of it.
    pub from: Spanned<String>,
    /// Last moment, or a date for all of it.
    pub to: Spanned<String>,
    /// The machine or skidder that stands still; all of them unless given.
    pub machine: Given<String>,
    /// The block that is not worked; all of them unless given.
    pub block: Given<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BlockTable {
    /// Its id in the layout.
    pub id: Spanned<String>,
    /// First date of work, such as `"2026-12-01"`.
    pub not_before: Given<String>,
    /// Last date of work.
    pub not_after: Given<String>,
    /// A smaller number goes first; 0 unless given.
    pub priority: Given<i64>,
    /// Names of the machines and skidders that may work there; all unless given.
    pub machines: Option<Vec<Spanned<String>>>,
    /// What a felling machine must reach to work there; what the layout asks for unless given.
    pub reach: Given<Length>,
    /// What machines and skidders must run on to work there; anything unless given.
    pub runs_on: Option<Vec<Spanned<String>>>,
}
