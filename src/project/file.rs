//! The project file as written: the shape of the TOML and nothing else. Units and ranges are looked at in `resolve`.

use std::collections::BTreeMap;
use std::fmt;

use crate::rulebook::spanned::Spanned;
use schemars::JsonSchema;
use serde::Deserialize;
use serde::de::value::MapAccessDeserializer;
use serde::de::{Deserializer, Error, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::figures::{FigureText, InfluenceTable, OccupancyTable, ShareOr};
use crate::model::LayerKind;
use crate::rulebook::file::{ConditionText, TreesPerLengthTable, WidthText};
use crate::rulebook::values::{Area, Compass, Constant, Direction, Length, Share, Written};

type Given<T> = Option<Spanned<T>>;

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProjectFile {
    /// Name, work CRS and unit.
    #[serde(default)]
    pub project: ProjectTable,
    /// Which layer plays which role.
    pub layers: LayersTable,
    /// The rules in force.
    pub rules: Spanned<RulesTable>,
    /// The felling machine.
    #[serde(default)]
    pub machine: MachineTable,
    /// How blocks are laid out.
    #[serde(default)]
    pub layout: LayoutTable,
    /// Machine time.
    #[serde(default)]
    pub production: ProductionTable,
    /// What machines cost.
    #[serde(default)]
    pub costs: CostsTable,
    /// The wind that throws trees.
    pub wind: Option<Spanned<WindTable>>,
    /// What people need when something goes wrong; it stands on every operator sheet.
    #[serde(default)]
    pub emergency: EmergencyTable,
    /// Rules for the weather of the day.
    pub weather: Option<Spanned<WeatherTable>>,
    /// Days on which ground may be worked, by name; layers name them.
    #[serde(default)]
    pub windows: BTreeMap<String, Spanned<WindowTable>>,
    /// Ground that may be wet though nobody mapped it soft.
    pub wet_ground: Option<Spanned<WetGroundTable>>,
    /// Notes taken in the field.
    pub notes: Option<NotesTable>,
    /// Trees by stand, species and class of diameter.
    pub stand_table: Option<StandTableTable>,
    /// Rasters of stems and volume, beside the polygons of `layers.stands`.
    pub stand_rasters: Option<StandRastersTable>,
    /// Sheets and exchange files.
    #[serde(default)]
    pub outputs: OutputsTable,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProjectTable {
    /// Shown in `run.json`; the file's name if not given.
    pub name: Option<String>,
    /// The work CRS, projected or in degrees: `EPSG:32616`, WKT or a `+proj=` string.
    pub crs: Given<String>,
    /// The unit of bare numbers of length.
    #[schemars(extend("enum" = ["m", "ft"]))]
    pub unit: Given<String>,
    /// Number of the plan, for operator sheets.
    pub plan_number: Given<i64>,
    /// Date of the plan, such as 2031-02-05; with `plan_number`.
    pub plan_date: Given<String>,
}

/// `[layers]`: roles in the order of `LayerKind`, sources of a role as written.
pub struct LayersTable {
    pub roles: BTreeMap<LayerKind, Vec<LayerTable>>,
    pub terrain: Option<TerrainTable>,
    pub unknown: Vec<Spanned<String>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct TerrainTable {
    /// File of the elevation raster, relative to the project file, or a list of its tiles.
    pub source: Spanned<TerrainFiles>,
    /// CRS of a raster that names none, or a wrong one.
    pub crs: Given<String>,
    /// Band that holds the elevations.
    pub band: Given<i64>,
    /// Unit of the elevations.
    #[schemars(extend("enum" = ["m", "ft"]))]
    pub vertical_unit: Given<String>,
    /// Finer rasters are averaged to about this cell.
    pub cell: Given<Length>,
}

/// `"dem.tif"`, or a list of tiles.
pub enum TerrainFiles {
    One(String),
    Several(Vec<Spanned<String>>),
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayerTable {
    /// The file, relative to the project file.
    pub source: Spanned<String>,
    /// Name of the layer; needed where the file holds several.
    pub layer: Option<String>,
    /// Filter in OGR's SQL WHERE syntax: only features that pass are read.
    #[serde(rename = "where")]
    pub filter: Given<String>,
    /// CRS of a layer that names none, or a wrong one.
    pub crs: Given<String>,
    /// Code page of a Shapefile's table that does not say it, or a wrong one: `CP1252`, `UTF-8`.
    pub encoding: Given<String>,
    /// How many features pass the filter; a file with more or fewer is refused.
    pub features: Given<i64>,
    /// Id of the feature; without it `fid N`.
    pub id: Given<AttributeText>,
    /// Class, after `class_map` one of the rulebook's.
    pub class: Given<AttributeText>,
    /// Class as read to class of the rulebook.
    #[serde(default)]
    pub class_map: BTreeMap<String, Spanned<String>>,
    /// Channel width of a stream line, cleared width of a road line.
    pub width: Given<AttributeText>,
    /// Strips of this block or setting run this way, in degrees.
    pub azimuth: Given<AttributeText>,
    /// Standing trees per hectare.
    pub stems_per_ha: Given<AttributeText>,
    /// Mean tree volume in cubic metres.
    pub tree_m3: Given<AttributeText>,
    /// Fact as the rules name it -> where it is read.
    #[serde(default)]
    pub facts: BTreeMap<String, Spanned<AttributeText>>,
    /// Width of the treeless fringe between bank and first trees.
    pub fringe: Given<AttributeText>,
    /// Steepest slope of a slope class.
    pub slope: Given<AttributeText>,
    /// Unit of slopes without a sign.
    #[schemars(extend("enum" = ["percent", "degree", "fraction"]))]
    pub slope_unit: Given<String>,
    /// Slope class as read -> its steepest slope.
    #[serde(default)]
    pub slope_map: BTreeMap<String, Spanned<Constant>>,
    /// Portfolio (season, year) that a block belongs to.
    pub portfolio: Given<AttributeText>,
    /// Wood that a landing holds, in cubic metres.
    pub capacity: Given<AttributeText>,
    /// Width beside what layer `retain` has on which no machine drives; goes before that of its class.
    pub machine_free: Given<AttributeText>,
    /// Road or landing that the wood of a setting or block goes to, by its id.
    pub outlet: Given<AttributeText>,
    /// Of settings or strip lines that a planner drew: what has less is cut first.
    pub order: Given<AttributeText>,
    /// How trees are left in a block: `corridors`, `patches` or `both`.
    pub pattern: Given<AttributeText>,
    /// Whether other people are or pass at a road or hazard.
    pub people: Given<AttributeText>,
    /// Where all meet in an emergency at this block.
    pub muster_point: Given<AttributeText>,
    /// The way in to this block.
    pub access: Given<AttributeText>,
    /// Names of windows, keys of `[windows]`, parted by commas.
    pub window: Given<AttributeText>,
    /// First and last day on which it is open: `12-15` in every year, or with a year.
    pub open_from: Given<AttributeText>,
    /// See `open_from`.
    pub open_until: Given<AttributeText>,
    /// How far a feature may lie from where it is mapped, or, as a constant, a kind of source that has a published figure:
    /// `digitised 1:20000`, `cell 10 m`, `handheld`, `machine`.
    pub accuracy: Given<AttributeText>,
    /// At what confidence: `95 %`.
    pub accuracy_confidence: Given<Share>,
    /// Where the accuracy is written; needed with a figure.
    pub accuracy_source: Given<String>,
    /// How a feature was surveyed, in your own words.
    pub surveyed: Given<AttributeText>,
    /// Height of a stand's tallest trees.
    pub tree_height: Given<AttributeText>,
    /// What kind of power line it is, in your own words.
    pub kind: Given<AttributeText>,
    /// Nominal voltage of a power line, as `25 kV` or `750 V`.
    pub voltage: Given<AttributeText>,
    /// Unit of voltages without one.
    #[schemars(extend("enum" = ["kV", "V"]))]
    pub voltage_unit: Given<String>,
    /// Height of a power line's lowest wire over the ground.
    pub height: Given<AttributeText>,
    /// Distance from a power line that its owner gave.
    pub owner_distance: Given<AttributeText>,
    /// Where the owner's distance is written.
    pub owner_source: Given<AttributeText>,
    /// Whether the owner of a power line agreed that trees which could fall on it are cut.
    pub owner_agreed: Given<AttributeText>,
    /// Where the owner's word is written.
    pub agreed_source: Given<AttributeText>,
}

/// One source of a value, or several in the order in which they are tried.
pub enum AttributeText {
    One(AttributeItem),
    Several(Vec<Spanned<AttributeItem>>),
}

pub enum AttributeItem {
    Field(String),
    Constant(Spanned<Constant>),
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ConstantTable {
    /// The value of every feature.
    value: Spanned<Constant>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(extend("oneOf" = [{ "required": ["preset"] }, { "required": ["rulebook"] }]))]
pub struct RulesTable {
    /// A preset of `blockwright rules list`; this or `rulebook`, not both.
    pub preset: Given<String>,
    /// A file with rules of your own.
    pub rulebook: Given<String>,
    /// Source of every override that names none of its own.
    pub source: Given<String>,
    /// Share that must stay of each block.
    pub retention_share: Given<ShareText>,
    /// What the retention share is a share of: `net` or `gross`, or of the trees there: `stems`, `basal_area` or `volume`.
    pub share_of: Given<FigureText<String>>,
    /// Diameter at breast height from which trees count, where the share is one of trees.
    pub least_diameter: Given<FigureText<Length>>,
    /// Whether reserves inside the block count towards the share.
    pub reserves_count: Given<FigureText<bool>>,
    /// Whether net ground left as too steep or too soft counts towards the share.
    pub left_counts: Given<FigureText<bool>>,
    /// Share of the gross area of all blocks of a portfolio that must stay.
    pub portfolio_share: Given<ShareText>,
    /// Share of the block within one tree height of retained trees.
    pub influence_share: Given<ShareOr<InfluenceTable>>,
    /// Share of the net area that trails may take.
    pub occupancy: Given<ShareOr<OccupancyTable>>,
    /// Largest area felled in one piece.
    pub largest_opening: Given<FigureText<Area>>,
    /// Retention counts towards the share only in connected pieces larger than this.
    pub least_patch: Given<FigureText<Area>>,
    /// Greatest share of the block's road frontage that decks may take.
    pub deck_share: Given<ShareText>,
    /// Greatest depth of a deck, from the toe of the road's bank.
    pub deck_depth: Given<FigureText<Length>>,
    /// Narrowest retention corridor.
    pub corridor_min: Given<FigureText<Length>>,
    /// Widest retention corridor.
    pub corridor_max: Given<FigureText<Length>>,
    /// Narrowest retention corridor, in mean distances from tree to tree.
    pub corridor_spacings: Given<FigureText<f64>>,
    /// Retention nearer to a road than this is a warning.
    pub road_band: Given<FigureText<Length>>,
    /// Retention nearer to a road than this is a failure.
    pub road_band_fail: Given<FigureText<Length>>,
    /// Figures laid over the preset's line for a kind and class, or lines of one's own.
    #[serde(default)]
    pub line: Vec<Spanned<LineTable>>,
}

/// `"12 %"`, `0.12` or `{ value = "12 %", source = "permit 12-B" }`.
pub enum ShareText {
    Plain(Share),
    Cited {
        value: Spanned<Share>,
        source: Spanned<String>,
    },
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CitedShareTable {
    /// The share.
    value: Spanned<Share>,
    /// Where it is written.
    source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LineTable {
    /// Layer role that the line is for.
    #[schemars(extend("enum" = ["streams", "lakes", "wetlands", "roads", "protected", "retain", "hazards", "power_lines"]))]
    pub kind: Spanned<String>,
    /// Class, or `*` for every class without a line of its own.
    pub class: Spanned<String>,
    /// Short name for outputs.
    pub title: Option<String>,
    /// The class's definition in words.
    pub definition: Option<String>,
    /// The class's definition by facts, all of which must hold.
    #[serde(default)]
    pub when: BTreeMap<String, Spanned<ConditionText>>,
    /// Width in which nothing is cut or driven.
    pub reserve: Given<WidthText>,
    /// Width beyond the reserve in which a share must stay.
    pub management: Given<WidthText>,
    /// Share of the management zone that must stay.
    pub management_share: Given<ShareText>,
    /// What the management share is a share of: `area`, or of the trees of the zone: `stems`, `basal_area` or `volume`.
    #[schemars(extend("enum" = ["area", "stems", "basal_area", "volume"]))]
    pub share_of: Given<String>,
    /// Diameter at breast height from which trees count, where trees are counted.
    pub least_diameter: Given<Length>,
    /// How many trees of the zone must stay for each length of the bank.
    pub trees_per_length: Given<TreesPerLengthTable>,
    /// Width from the edge on which no machine stands or drives.
    pub machine_exclusion: Given<WidthText>,
    /// How distances run: on the map or along the ground.
    #[schemars(extend("enum" = ["horizontal", "slope"]))]
    pub distance: Given<String>,
    /// Where widths begin.
    #[schemars(extend("enum" = ["bank", "stand_edge", "centreline"]))]
    pub measured_from: Given<String>,
    /// Widest channel of the class.
    pub channel_up_to: Given<Length>,
    /// Roads: whether wood may be decked along them.
    pub decking: Option<bool>,
    /// Roads: whether machines may run on them and cross them.
    pub machines: Option<bool>,
    /// Roads: whether they are cleared already.
    pub cleared: Option<bool>,
    /// Spans of days outside which nothing is worked within `within`: `12-15/03-10` in every year, or with years.
    #[serde(default)]
    pub open: Vec<Spanned<String>>,
    /// Spans of days in which nothing is worked within `within`.
    #[serde(default)]
    pub closed: Vec<Spanned<String>>,
    /// How far around the feature `open` and `closed` hold.
    pub within: Given<Length>,
    /// Where the figures are written; needed unless `[rules]` has a `source`.
    pub source: Given<String>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MachineTable {
    /// From the machine's centre to the farthest tree on one side.
    pub reach: Given<Length>,
    /// Safety margin on each side.
    pub reach_margin: Given<Length>,
    /// Largest slope, rise over run.
    pub max_slope: Given<Share>,
    /// Steeper ground is worked by day only.
    pub night_slope: Given<Share>,
    /// Half the width the machine needs to pass.
    pub half_width: Given<Length>,
    /// Thinnest tree that is cut in the machine's own path.
    pub least_in_path: Given<Length>,
    /// Thinnest tree that the machine reaches for beside its path.
    pub ideal_at_reach: Given<Length>,
    /// Thickest tree that the head cuts at once.
    pub head_most: Given<Length>,
    /// Times that a thicker tree takes of another's of its volume.
    pub head_most_factor: Given<f64>,
    /// What the felling machine runs on: which published limit stands in for the maker's.
    #[schemars(extend("enum" = ["tracked", "wheeled", "steep_ground"]))]
    pub feller: Given<String>,
    /// The same of the skidder.
    #[schemars(extend("enum" = ["tracked", "wheeled", "steep_ground"]))]
    pub skidder: Given<String>,
    /// Limits by machine, heading and state of the ground, each with its source.
    #[serde(default)]
    pub slope_limits: Vec<Spanned<SlopeLimitTable>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SlopeLimitTable {
    /// Which machine; the felling machine if not given.
    #[schemars(extend("enum" = ["feller", "skidder"]))]
    pub machine: Given<String>,
    /// Which way it heads; any if not given.
    #[schemars(extend("enum" = ["any", "across", "up", "down"]))]
    pub heading: Given<String>,
    /// State of the ground in which it holds; any if not given.
    #[schemars(extend("enum" = ["any", "frost", "snow", "rain"]))]
    pub state: Given<String>,
    /// Largest slope, rise over run.
    pub most: Spanned<Share>,
    /// Where it is written.
    pub source: Spanned<String>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LayoutTable {
    /// No retention nearer to a road's edge: nearer is a warning.
    pub road_band: Given<Length>,
    /// Retention nearer than this is a failure.
    pub road_band_fail: Given<Length>,
    /// Lay one pass along boundary and reserve edges, cut by day.
    pub boundary_pass: Option<bool>,
    /// Way of the strips.
    pub azimuth: Given<Direction>,
    /// How trees are left standing: between strips, in patches, or in patches what corridors cannot give.
    #[schemars(extend("enum" = ["corridors", "patches", "both"]))]
    pub pattern: Given<String>,
    /// A patch is larger than this.
    pub least_patch: Given<Area>,
    /// Least width of a retention corridor.
    pub corridor_min: Given<Length>,
    /// Greatest width of a retention corridor.
    pub corridor_max: Given<Length>,
    /// Least width of a retention corridor, in mean distances from tree to tree.
    pub corridor_spacings: Given<f64>,
    /// Stretches nearer to boundary or reserve edge are day-only.
    pub edge_distance: Given<Length>,
    /// Stretches nearer to a hazard are day-only.
    pub hazard_distance: Given<Length>,
    /// Height of the tallest trees where no stand says it.
    pub tree_height: Given<Length>,
    /// Where that height is written.
    pub tree_height_source: Given<String>,
    /// A night-safe stretch shorter than this joins its day-only neighbour.
    pub section_min: Given<Length>,
    /// Ground on which strips would be longer is parted by lines across them.
    pub max_strip: Given<Length>,
    /// Sections that take more scheduled hours of the felling machine are divided; 0: none is.
    pub shift_hours: Given<f64>,
    /// Cleared width of a road line that has none of its own.
    pub road_width: Given<Length>,
    /// A part whose edge lies this near to a road's edge fronts on it.
    pub frontage_distance: Given<Length>,
    /// How far a road or landing is looked for.
    pub access_search: Given<Length>,
    /// Lay out blocks that no road and no landing is in reach of.
    pub without_access: Option<bool>,
    /// Whether reserves, exclusions and hazards, and the block's own edge, are kept off by what their map may be off too.
    pub keep_for_accuracy: Option<bool>,
    /// Cleared width of a crossing that states none.
    pub crossing_width: Given<Length>,
    /// Strips between two corridors at most.
    pub strips_between_corridors: Given<f64>,
    /// Whether wood is decked along roads, on landings, or both.
    #[schemars(extend("enum" = ["roadside", "landings", "both"]))]
    pub decking: Given<String>,
    /// Ground that goes to an outlet of its own is at least this.
    pub least_setting: Given<Area>,
    /// Smaller parts of the net area are booked as unworked.
    pub least_part: Given<Area>,
    /// Smaller pieces are booked as unworked.
    pub sliver: Given<Area>,
    /// Whether soft ground is cut by day or left.
    #[schemars(extend("enum" = ["day_only", "leave"]))]
    pub soft_ground: Given<String>,
    /// Cut road clearing by day only.
    pub road_clearing_day_only: Option<bool>,
    /// Cut stands with trees beyond the head's capacity by day only.
    pub large_trees_day_only: Option<bool>,
    /// States that the ground is level where no layer gives a slope, by naming where that is written.
    pub level_ground: Given<String>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ProductionTable {
    /// Trees per hectare where no stand says so.
    pub stems_per_ha: Given<f64>,
    /// Mean tree volume in m3 where no stand says so.
    pub tree_m3: Given<f64>,
    /// What the time per tree is from: a published relation by its name, `own` or `elements`.
    #[schemars(extend("enum" = ["tracked-feller-buncher", "self-levelling-feller-buncher", "own", "elements"]))]
    pub time_model: Given<String>,
    /// Where the figures of a time model of the project's own are from.
    pub time_source: Given<String>,
    /// Finished sections that a factor on the time model's hours is fitted to.
    pub calibration: Given<CalibrationTable>,
    /// Machine seconds per tree, of a time model of the project's own.
    pub seconds_per_tree: Given<f64>,
    /// Machine seconds for each m3 of a tree, of a time model of the project's own.
    pub seconds_per_m3: Given<f64>,
    /// Smallest mean tree in m3 that a time model of the project's own holds for.
    pub tree_m3_from: Given<f64>,
    /// Largest mean tree in m3 that a time model of the project's own holds for.
    pub tree_m3_to: Given<f64>,
    /// Steepest slope that a time model of the project's own holds for.
    pub slope_to: Given<Share>,
    /// Productive hours of the felling machine in a scheduled one.
    pub utilisation: Given<Share>,
    /// Productive hours of the skidder in a scheduled one.
    pub skid_utilisation: Given<Share>,
    /// Share of the time per tree added for each unit of slope beyond `steep_from`.
    pub steep_factor: Given<f64>,
    /// Slope from which trees take longer.
    pub steep_from: Given<Share>,
    /// Share of the time per tree added for each unit of slope across the track.
    pub cross_slope_factor: Given<f64>,
    /// Machine seconds per advance of 5 ft, of a time model of elements.
    pub seconds_per_advance: Given<f64>,
    /// Seconds to lay one bunch down, of a time model of elements.
    pub seconds_per_bunch: Given<f64>,
    /// Seconds to turn into the next strip.
    pub seconds_per_turn: Given<f64>,
    /// Travel of the felling machine that cuts nothing.
    pub travel_m_per_min: Given<f64>,
    /// What the skidder's grapple takes at once.
    pub payload_m3: Given<f64>,
    /// Length from butts to tops at which a bunch is drawn and given room.
    pub bunch_length: Given<Length>,
    /// Wood that a metre of roadside holds, m3.
    pub deck_m3_per_m: Given<f64>,
    /// How much crown the trees carry.
    #[schemars(extend("enum" = ["light", "medium", "heavy"]))]
    pub limbiness: Given<String>,
    /// The same of species, as the stand table names them.
    #[serde(default)]
    pub limbiness_by_species: BTreeMap<String, Spanned<String>>,
    /// Speed of the loaded skidder.
    pub skid_loaded_m_per_min: Given<f64>,
    /// Speed of the empty skidder.
    pub skid_empty_m_per_min: Given<f64>,
    /// Skidder seconds to take up and put down one load.
    pub seconds_per_load: Given<f64>,
}

/// `{ layout = "last-season", finished = "finished.csv", apply = true }`.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CalibrationTable {
    /// Folder of the layout that the sections were cut by, relative to the project file.
    pub layout: Spanned<String>,
    /// A CSV file with the hours that each section took, relative to the project file; this or `tracks`.
    pub finished: Given<String>,
    /// Recorded tracks of the felling machine, a file or a list of files; this or `finished`.
    pub tracks: Given<TerrainFiles>,
    /// Layer of the tracks, where a file holds several.
    pub layer: Option<String>,
    /// Attribute of track points with their time.
    pub time: Option<String>,
    /// Attribute that tells the points of one track from those of another.
    pub track: Option<String>,
    /// Minutes that the machine may stand at one place and still be at work; 15 if not given.
    pub longest_stop_min: Given<f64>,
    /// Whether hours are multiplied by the factor; `false` if not given: it is only shown.
    #[serde(default)]
    pub apply: bool,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StandTableTable {
    /// A CSV file, or a file with a layer of the same columns, relative to the project file.
    pub source: Spanned<String>,
    /// Name of the layer, where the file holds several.
    pub layer: Option<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StandRastersTable {
    /// A raster of stems per hectare, relative to the project file.
    pub stems_per_ha: Given<String>,
    /// A raster of cubic metres per hectare, relative to the project file.
    pub volume_m3_per_ha: Given<String>,
    /// A raster of the trees' mean height in metres, relative to the project file.
    pub height_m: Given<String>,
}

/// The days of one window, and where they are written.
#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WindowTable {
    /// Spans of days outside which nothing is worked: `12-15/03-10` in every year, or with years.
    #[serde(default)]
    pub open: Vec<Spanned<String>>,
    /// Spans of days in which nothing is worked.
    #[serde(default)]
    pub closed: Vec<Spanned<String>>,
    /// Degree-days of frost that must have been measured first.
    pub frost_degree_days: Given<f64>,
    /// Around features that are no ground of a block, how far the window holds.
    pub within: Given<Length>,
    /// Where it is written.
    pub source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WindTable {
    /// Where the wind that throws trees comes from.
    pub from: Spanned<Compass>,
    /// It comes from so many degrees in all, half of them to either side.
    pub sector: Given<f64>,
    /// Where that is written.
    pub source: Spanned<String>,
    /// An edge faces the wind whose direction out is no more degrees off.
    pub facing: Given<f64>,
    /// Retained pieces shallower than this along the wind, long across it and open on both sides are findings.
    pub narrow: Given<Length>,
    /// So many times as long across the wind as deep along it.
    pub long_times: Given<f64>,
    /// Corners of retained pieces sharper than so many degrees are findings.
    pub sharp_corner: Given<f64>,
    /// Machine seconds that a metre of corridor edge square to the wind weighs in the choice of the strips' direction.
    pub seconds_per_m: Given<f64>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WetGroundTable {
    /// Ground no higher than this over the nearest water may be wet: it is worked by day only.
    pub depth_to_water: Spanned<Length>,
    /// The same on soil of a class of `layers.soils`.
    #[serde(default)]
    pub by_soil: BTreeMap<String, Spanned<Length>>,
    /// Where so much ground drains through a cell of the elevation raster, it counts as water too.
    pub channels_from: Given<Area>,
    /// Where these figures are written.
    pub source: Spanned<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NotesTable {
    /// File of notes, relative to the project file, or a list of files.
    pub file: Given<TerrainFiles>,
    /// Attribute with the kind of a note; the usual ones if not given.
    pub kind_column: Given<String>,
    /// Attribute with the accuracy of a note, in metres.
    pub accuracy_column: Given<String>,
    /// Metres of accuracy for each unit of a receiver's hdop.
    pub hdop: Given<Length>,
    /// How far a noted corner, or the end of a noted line, may lie from where it belongs.
    pub corner_within: Given<Length>,
    /// Whether a moved corner may add ground to a block; `false` if not given.
    #[serde(default)]
    pub corners_may_add: bool,
    /// Kind as notes have it -> what it becomes.
    #[serde(default)]
    pub kinds: BTreeMap<String, Spanned<NoteKindTable>>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct NoteKindTable {
    /// Layer that a note of the kind is a feature of; or what it says of a block's edge, or nothing.
    #[schemars(extend("enum" = ["wetlands", "protected", "retain", "brush", "soft_ground", "hazards", "power_lines", "felled", "block_corner", "stump_line", "block_line", "none"]))]
    pub layer: Spanned<String>,
    /// Class of the feature.
    pub class: Given<String>,
    /// Ground around a point or line that is taken for the feature's own.
    pub radius: Given<Length>,
    /// How far off notes of the kind may be.
    pub accuracy: Given<Length>,
    /// Of layer `retain`: whether their ground counts towards the block's share; `false` if not given.
    pub counts: Given<bool>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CostsTable {
    /// Published rates by their name.
    #[schemars(extend("enum" = ["steep-slope-2022"]))]
    pub rates: Given<String>,
    /// Rate of the felling machine for a scheduled hour.
    pub felling: Given<f64>,
    /// Rate of the skidder for a scheduled hour.
    pub skidding: Given<f64>,
    /// Money of rates of the project's own.
    pub currency: Given<String>,
    /// Year of whose prices rates of the project's own are.
    pub year: Given<f64>,
    /// Where rates of the project's own are from.
    pub source: Given<String>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct EmergencyTable {
    /// Whom to call, and by which number.
    pub phone: Given<String>,
    /// Channel or frequency.
    pub radio: Given<String>,
    /// Where all meet.
    pub muster_point: Given<String>,
    /// The way in.
    pub access: Given<String>,
}

#[derive(Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WeatherTable {
    /// Whether machines work by night while snow falls.
    pub night_work_in_falling_snow: bool,
    /// Where that is written.
    pub source: Spanned<String>,
}

#[derive(Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OutputsTable {
    /// Draw a map of every block.
    pub maps: Option<bool>,
    /// Write the web report.
    pub report: Option<bool>,
    /// Place every bunch.
    pub bunches: Option<bool>,
    /// Draw an operator sheet for every block.
    pub sheets: Option<bool>,
    /// The same sheets once more: `night` on dark ground, `black-and-white` without colours.
    pub more_sheets: Option<Vec<Spanned<String>>>,
    /// Paper of the sheets.
    #[schemars(extend("enum" = ["A4", "letter", "A3"]))]
    pub paper: Given<String>,
    /// Language of words on maps, sheets, exchange files and styles.
    #[schemars(extend("enum" = ["en", "fr"]))]
    pub language: Given<String>,
    /// Magnetic declination in degrees, east positive.
    pub declination: Given<f64>,
    /// Day for which the declination is computed by the World Magnetic Model, for example the middle of the season.
    pub declination_on: Given<String>,
    /// Formats of the exchange files.
    pub exchange: Option<Vec<Spanned<String>>>,
}

impl<'de> Deserialize<'de> for LayersTable {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<LayersTable, D::Error> {
        struct Layers;

        impl<'de> Visitor<'de> for Layers {
            type Value = LayersTable;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a table of layers by role")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<LayersTable, A::Error> {
                let mut layers = LayersTable {
                    roles: BTreeMap::new(),
                    terrain: None,
                    unknown: Vec::new(),
                };
                while let Some(role) = map.next_key::<Spanned<String>>()? {
                    if let Some(kind) = LayerKind::from_key(role.get_ref()) {
                        let OneOrSeveral(tables) = map.next_value()?;
                        layers.roles.insert(kind, tables);
                    } else if role.get_ref() == "terrain" {
                        let OneTerrain(table) = map.next_value()?;
                        layers.terrain = Some(table);
                    } else {
                        map.next_value::<IgnoredAny>()?;
                        layers.unknown.push(role);
                    }
                }
                Ok(layers)
            }
        }
        deserializer.deserialize_map(Layers)
    }
}

/// `[layers.terrain]`, and no `[[layers.terrain]]`.
struct OneTerrain(TerrainTable);

impl<'de> Deserialize<'de> for OneTerrain {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<OneTerrain, D::Error> {
        struct Table;

        impl<'de> Visitor<'de> for Table {
            type Value = OneTerrain;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "one table `[layers.terrain]`; several tiles stand in its `source`, as a list",
                )
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<OneTerrain, A::Error> {
                TerrainTable::deserialize(MapAccessDeserializer::new(map)).map(OneTerrain)
            }
        }
        deserializer.deserialize_any(Table)
    }
}

/// `[layers.roads]` or `[[layers.roads]]`.
struct OneOrSeveral(Vec<LayerTable>);

impl<'de> Deserialize<'de> for OneOrSeveral {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<OneOrSeveral, D::Error> {
        struct Tables;

        impl<'de> Visitor<'de> for Tables {
            type Value = OneOrSeveral;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a table with `source`, or an array of such tables")
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<OneOrSeveral, A::Error> {
                let table = LayerTable::deserialize(MapAccessDeserializer::new(map))?;
                Ok(OneOrSeveral(vec![table]))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<OneOrSeveral, A::Error> {
                let mut tables = Vec::new();
                while let Some(table) = seq.next_element()? {
                    tables.push(table);
                }
                Ok(OneOrSeveral(tables))
            }
        }
        deserializer.deserialize_any(Tables)
    }
}

impl<'de> Deserialize<'de> for TerrainFiles {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<TerrainFiles, D::Error> {
        struct Files;

        impl<'de> Visitor<'de> for Files {
            type Value = TerrainFiles;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("the path of an elevation raster, or a list of paths of its tiles")
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<TerrainFiles, E> {
                Ok(TerrainFiles::One(text.to_owned()))
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<TerrainFiles, A::Error> {
                let mut files = Vec::new();
                while let Some(file) = seq.next_element()? {
                    files.push(file);
                }
                Ok(TerrainFiles::Several(files))
            }
        }
        deserializer.deserialize_any(Files)
    }
}

const ATTRIBUTE: &str = "a field name, { value = ... } or a list of these";

impl<'de> Deserialize<'de> for AttributeText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<AttributeText, D::Error> {
        struct Attribute;

        impl<'de> Visitor<'de> for Attribute {
            type Value = AttributeText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(ATTRIBUTE)
            }

            fn visit_str<E: Error>(self, text: &str) -> Result<AttributeText, E> {
                Item.visit_str(text).map(AttributeText::One)
            }

            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<AttributeText, A::Error> {
                Item.visit_map(map).map(AttributeText::One)
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<AttributeText, A::Error> {
                let mut items = Vec::new();
                while let Some(item) = seq.next_element()? {
                    items.push(item);
                }
                Ok(AttributeText::Several(items))
            }
        }
        deserializer.deserialize_any(Attribute)
    }
}

struct Item;

impl<'de> Visitor<'de> for Item {
    type Value = AttributeItem;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a field name or { value = ... }")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<AttributeItem, E> {
        Ok(AttributeItem::Field(text.to_owned()))
    }

    fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<AttributeItem, A::Error> {
        let table = ConstantTable::deserialize(MapAccessDeserializer::new(map))?;
        Ok(AttributeItem::Constant(table.value))
    }
}

impl<'de> Deserialize<'de> for AttributeItem {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<AttributeItem, D::Error> {
        deserializer.deserialize_any(Item)
    }
}

impl<'de> Deserialize<'de> for ShareText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<ShareText, D::Error> {
        struct ShareVisitor;

        impl<'de> Visitor<'de> for ShareVisitor {
            type Value = ShareText;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(
                    "a share such as \"12 %\" or 0.12, or { value = \"12 %\", source = \"...\" }",
                )
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Text(text.to_owned()))))
            }
            fn visit_f64<E: Error>(self, number: f64) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Number(number))))
            }
            fn visit_i64<E: Error>(self, number: i64) -> Result<ShareText, E> {
                Ok(ShareText::Plain(Share(Written::Number(number as f64))))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<ShareText, A::Error> {
                let table = CitedShareTable::deserialize(MapAccessDeserializer::new(map))?;
                Ok(ShareText::Cited {
                    value: table.value,
                    source: table.source,
                })
            }
        }
        deserializer.deserialize_any(ShareVisitor)
    }
}
