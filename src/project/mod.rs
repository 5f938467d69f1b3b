//! The project file: which layers play which role, and the settings in force.

mod all_faults;
mod block_rules;
mod choices;
mod costs;
mod crew;
mod crew_decks;
mod crew_file;
mod crew_values;
mod emergency;
mod errors;
mod figures;
mod file;
mod filter;
mod layers;
mod notes;
mod outputs;
mod plain_file;
mod power_lines;
mod resolve;
mod rulebook_file;
mod rules;
mod schema;
mod settings;
mod slope;
mod slope_limits;
mod terrain;
mod time_model;
mod wet_ground;
mod wind;
mod windows;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

pub use choices::{Choice, MOST_COMBINATIONS, load_choices};
pub use crew::{
    Care, Crew, CrewBlock, CrewDeck, CrewMachine, CrewSkidder, Haulage, Stock, Stop, Turn,
    WoodWanted, load_crew, parse_crew,
};
pub use errors::{ProjectError, Reason, Whose};
pub(crate) use filter::{unquoted, why_no_condition};
pub(crate) use layers::{MOST_CAPACITY_M3, MOST_ORDER};
pub(crate) use layers::{MOST_FEATURES, is_shapefile};
pub use plain_file::TEXT_FILE_BYTES;
pub(crate) use plain_file::{why_not_for_drivers, why_not_plain};
pub use power_lines::LineSource;
pub use schema::{crew_schema, project_schema};
pub(crate) use settings::{MOST_ACCURACY_M, MOST_STEMS_PER_HA, MOST_TREE_HEIGHT_M, MOST_TREE_M3};
pub use slope::SlopeUnit;

use crate::model::{LayerKind, NoteRules, PlanMark, Settings};
use crate::rulebook::{Place, Rulebook, TomlFault, toml_text};
use crate::units::LengthUnit;

/// A project file, read and checked; every path is resolved against the file's own folder.
#[derive(Clone, Debug)]
pub struct Project {
    pub path: PathBuf,
    pub name: String,
    /// As written, for example `EPSG:32616`; None: the UTM zone of the batch.
    pub crs: Option<String>,
    pub unit: LengthUnit,
    /// Number and date of the plan, if it has any.
    pub plan: Option<PlanMark>,
    /// In the order of `LayerKind`, then as written; a role may have several sources.
    pub layers: Vec<LayerSource>,
    /// Tracks of the felling machine whose ground is cut already; only by [`Project::add_felled`].
    pub felled_tracks: Vec<PathBuf>,
    pub notes: NoteSources,
    /// Elevations, if the project names any.
    pub terrain: Option<TerrainSource>,
    pub settings: Settings,
    pub rules: Rulebook,
    /// Where the rules were read, if not in a preset.
    pub rules_file: Option<RulesFile>,
    /// Trees by stand, if a table is named.
    pub stand_table: Option<TableSource>,
    pub stand_rasters: StandRasterSources,
    /// None: the project asks for none.
    pub calibration: Option<CalibrationSource>,
    /// Things that work but deserve a word, for example a role that this version reads but does not use.
    pub warnings: Vec<String>,
}

/// The rulebook of `[rules] rulebook`, as it was when it was read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RulesFile {
    /// As written in the project file.
    pub source: String,
    pub bytes: u64,
    /// Lower-case hexadecimal.
    pub sha256: String,
}

/// One source of one role.
#[derive(Clone, Debug, PartialEq)]
pub struct LayerSource {
    pub kind: LayerKind,
    pub path: PathBuf,
    /// Path as written in the project file, for messages.
    pub source: String,
    /// Name of the layer where the file holds several.
    pub layer: Option<String>,
    /// OGR attribute filter, handed to the driver as it is.
    pub filter: Option<String>,
    /// CRS for a source that names none, or a wrong one.
    pub crs: Option<String>,
    /// Code page of a Shapefile's table that does not say it, or a wrong one.
    pub encoding: Option<String>,
    /// How many features pass the filter, so that a file that was cut short is noticed.
    pub features: Option<u64>,
    pub id: Attribute,
    pub class: Attribute,
    /// Class as read -> class as the rulebook knows it.
    pub class_map: BTreeMap<String, String>,
    pub width: Attribute,
    pub azimuth: Attribute,
    pub stems_per_ha: Attribute,
    pub tree_m3: Attribute,
    /// Name of a fact, as the rules name it, and where it is read.
    pub facts: Vec<(String, Attribute)>,
    /// Width of the treeless fringe beside the bank.
    pub fringe: Attribute,
    /// Steepest slope of a slope class.
    pub slope: Attribute,
    pub slope_unit: SlopeUnit,
    /// Slope class as read -> steepest slope, rise over run.
    pub slope_map: BTreeMap<String, f64>,
    pub portfolio: Attribute,
    /// Wood that a landing holds, m3.
    pub capacity: Attribute,
    /// Width beside what stays on which no machine drives.
    pub machine_free: Attribute,
    /// Id of the road or landing that wood of a setting or block goes to.
    pub outlet: Attribute,
    pub order: Attribute,
    /// How trees are left in a block.
    pub pattern: Attribute,
    /// How far its features may lie from where they are mapped.
    pub accuracy: Attribute,
    /// At what confidence, 0 to 1.
    pub accuracy_confidence: Option<f64>,
    pub accuracy_source: Option<String>,
    /// Height of a stand's tallest trees.
    pub tree_height: Attribute,
    /// Of power lines; empty for every other role.
    pub line: LineSource,
}

impl Project {
    /// Adds files of notes taken in the field, after those that the project names.
    ///
    /// # Errors
    /// A file that is not there, or is a folder, a device or a pipe.
    pub fn add_notes(&mut self, files: &[PathBuf]) -> Result<(), ProjectError> {
        for file in files {
            is_there(file, "notes")?;
            self.notes.files.push(TableSource {
                path: file.clone(),
                source: file.display().to_string(),
                layer: None,
            });
        }
        if !self.notes.files.is_empty() {
            self.rules.keep_all();
            self.rules.keep_off_power_lines();
        }
        Ok(())
    }

    /// Adds a file of ground that is cut already: polygons, as if layer `felled` named it, or tracks of the machine.
    ///
    /// # Errors
    /// A file that is not there, or is a folder, a device or a pipe.
    pub fn add_felled(&mut self, file: &Path, are_tracks: bool) -> Result<(), ProjectError> {
        is_there(file, "ground that is cut")?;
        if are_tracks {
            self.felled_tracks.push(file.to_owned());
            return Ok(());
        }
        let shown = file.display().to_string();
        let layer = LayerSource::bare(LayerKind::Felled, file, &shown, None);
        self.layers.push(layer);
        Ok(())
    }
}

/// Files of notes taken in the field, and how they are read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct NoteSources {
    pub files: Vec<TableSource>,
    pub rules: NoteRules,
}

impl LayerSource {
    /// A layer of which nothing is said but where it lies.
    pub fn bare(kind: LayerKind, path: &Path, shown: &str, layer: Option<&str>) -> LayerSource {
        LayerSource {
            kind,
            path: path.to_owned(),
            source: shown.to_owned(),
            layer: layer.map(str::to_owned),
            filter: None,
            crs: None,
            encoding: None,
            features: None,
            id: Attribute::default(),
            class: Attribute::default(),
            class_map: Default::default(),
            width: Attribute::default(),
            azimuth: Attribute::default(),
            stems_per_ha: Attribute::default(),
            tree_m3: Attribute::default(),
            facts: vec![],
            fringe: Attribute::default(),
            slope: Attribute::default(),
            slope_unit: SlopeUnit::default(),
            slope_map: Default::default(),
            portfolio: Attribute::default(),
            outlet: Attribute::default(),
            order: Attribute::default(),
            pattern: Attribute::default(),
            capacity: Attribute::default(),
            machine_free: Attribute::default(),
            accuracy: Attribute::default(),
            accuracy_confidence: None,
            accuracy_source: None,
            tree_height: Attribute::default(),
            line: LineSource::default(),
        }
    }
}

/// A table beside the layers.
#[derive(Clone, Debug, PartialEq)]
pub struct TableSource {
    pub path: PathBuf,
    /// Path as written in the project file, for messages.
    pub source: String,
    /// Of a file that holds layers: the one that is meant.
    pub layer: Option<String>,
}

/// Rasters beside the polygons of stands.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StandRasterSources {
    pub stems_per_ha: Option<TableSource>,
    pub volume_m3_per_ha: Option<TableSource>,
    pub height_m: Option<TableSource>,
}

impl StandRasterSources {
    pub fn all(&self) -> impl Iterator<Item = &TableSource> {
        let of_ground = self.stems_per_ha.iter().chain(&self.volume_m3_per_ha);
        of_ground.chain(&self.height_m)
    }
}

/// What a factor on the time model's hours is fitted to.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrationSource {
    /// `layout.gpkg` in the folder of a finished layout.
    pub layout: TableSource,
    pub hours: HoursTaken,
    pub apply: bool,
}

/// Where the hours that sections took are written.
#[derive(Clone, Debug, PartialEq)]
pub enum HoursTaken {
    Table(TableSource),
    Tracks(TracksSource),
}

/// Tracks of the felling machine.
#[derive(Clone, Debug, PartialEq)]
pub struct TracksSource {
    /// Never empty; those with several layers name theirs.
    pub files: Vec<TableSource>,
    /// Attribute of points with their time; None: looked for.
    pub time: Option<String>,
    /// Attribute that tells one track from another.
    pub track: Option<String>,
    /// A machine that stands for longer is not at work.
    pub longest_stop_min: f64,
}

impl CalibrationSource {
    /// Every file that it is fitted from.
    pub fn files(&self) -> impl Iterator<Item = &TableSource> {
        let (table, tracks) = match &self.hours {
            HoursTaken::Table(table) => (Some(table), None),
            HoursTaken::Tracks(tracks) => (None, Some(&tracks.files)),
        };
        [&self.layout]
            .into_iter()
            .chain(table)
            .chain(tracks.into_iter().flatten())
    }
}

/// Where elevations come from: one raster, or tiles of one.
#[derive(Clone, Debug, PartialEq)]
pub struct TerrainSource {
    /// Never empty. Where tiles overlap, the first that knows the place counts.
    pub files: Vec<TerrainFile>,
    /// CRS for rasters that name none, or a wrong one.
    pub crs: Option<String>,
    /// From 1.
    pub band: usize,
    /// Unit of the elevations; None: as the raster says, else metres.
    pub vertical_unit: Option<LengthUnit>,
    /// Finer rasters are averaged to about this cell, metres.
    pub cell_m: f64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct TerrainFile {
    pub path: PathBuf,
    /// Path as written in the project file, for messages.
    pub source: String,
}

/// Where a value comes from: the first of these that is not null. Empty: not given.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Attribute(pub Vec<AttributeSource>);

#[derive(Clone, Debug, PartialEq)]
pub enum AttributeSource {
    Field(String),
    Constant(String),
}

/// Reads a project file and checks that every source is there.
///
/// # Errors
/// When the file can't be read, is not valid (unknown key or role, wrong unit, value out of range ...), or a source is
/// missing or is no plain file. The message names file, line, column and remedy; nothing else has been opened.
pub fn load(path: &Path) -> Result<Project, ProjectError> {
    let text = plain_file::text(path).map_err(|why| unreadable(path, why))?;
    read_whole(&text, path, true)
}

/// Reads a text with all that is wrong in it.
fn read_whole(text: &str, path: &Path, look_for_files: bool) -> Result<Project, ProjectError> {
    all_faults::read_all(text, |round| {
        choices::refuse_lists(&round.text, path)?;
        read(&round.text, text, path, look_for_files, &round.excused)
    })
}

fn is_there(file: &Path, what: &str) -> Result<(), ProjectError> {
    if file.is_file() {
        return Ok(());
    }
    let why = match file.exists() {
        true => "it is a folder, a device or a pipe",
        false => "there is no such file",
    };
    Err(unreadable(file, format!("{what}: {why}")))
}

fn unreadable(path: &Path, why: String) -> ProjectError {
    ProjectError {
        path: path.to_owned(),
        place: None,
        reason: Box::new(Reason::Unreadable(why)),
        also: vec![],
    }
}

/// Reads the text of a project file; `path` says where it stands or would stand. Layers are not looked for; a rulebook
/// that it names is read.
///
/// ```
/// use std::path::Path;
///
/// let text = r#"
///     [layers.blocks]
///     source = "layers.gpkg"
///     [rules]
///     preset = "bare"
///     [machine]
///     raech = "8.7 m"
/// "#;
/// let error = blockwright::project::parse(text, Path::new("project.toml")).unwrap_err();
/// assert!(error.to_string().contains("did you mean `reach`?"));
///
/// let project = blockwright::project::parse(&text.replace("raech", "reach"), Path::new("project.toml")).unwrap();
/// assert_eq!(project.settings.machine.reach_m, 8.7);
/// ```
///
/// # Errors
/// As [`load`], but for missing layers.
pub fn parse(text: &str, path: &Path) -> Result<Project, ProjectError> {
    read_whole(text, path, false)
}

/// Reads `text`; messages show `written`, which differs from it in no byte's place but may in blanks.
fn read(
    text: &str,
    written: &str,
    path: &Path,
    look_for_files: bool,
    excused: &BTreeSet<usize>,
) -> Result<Project, ProjectError> {
    let file = toml_text::read(text).map_err(|(fault, span)| {
        // A table that is missing altogether has no line to point at.
        let whole_file =
            matches!(&fault, TomlFault::MissingKey { key } if key == "layers" || key == "rules");
        let span = span.filter(|_| !whole_file);
        ProjectError {
            path: path.to_owned(),
            place: span.map(|span| Place::of(written, span)),
            reason: Box::new(Reason::Toml(fault)),
            also: vec![],
        }
    })?;
    resolve::resolve(file, written, path, look_for_files, excused)
}
