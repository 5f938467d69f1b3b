//! Layers in, through GDAL: open, filter, map attributes, transform, clean and repair, set aside.

pub mod actions;
mod assemble;
mod attributes;
pub mod change;
mod classes;
mod counts;
pub mod crs;
mod cut;
mod earlier;
mod errors;
mod facts;
mod features;
pub mod field;
mod filled;
mod finished;
mod finished_map;
pub mod frames;
mod hash;
mod layer;
pub mod limits;
mod notes;
mod open;
mod outside;
mod overlaps;
mod plain;
mod power_lines;
mod sql;
mod stand_rasters;
mod stand_table;
mod survey;
pub mod terrain;
pub mod tracks;
mod uses;
mod wet_ground;
mod zone;

pub use classes::{ClassFound, ClassReport};
pub use cut::{
    CutError, CutFeature, CutFile, CutLayers, CutRead, PlanLayers, StandingRead, TrackNames,
    read_cut, read_standing,
};
pub use earlier::{
    EarlierBlock, EarlierLayout, FIGURES as EARLIER_FIGURES, PLAN_FILE, PlanFile, earlier,
};
pub use errors::{Bounds, Names, SourceError};
pub use finished::{
    FinishedBlock, FinishedError, FinishedLayout, FinishedOutlet, FinishedPeople, FinishedSection,
    FinishedZone, finished,
};
pub use finished_map::{FinishedLine, FinishedMap, FinishedPaper, FinishedWire};
pub use hash::only_of;
pub use notes::DRIVERS as NOTE_DRIVERS;
pub use open::{DRIVERS, only_listed_drivers};
pub use plain::{open as open_plain, read as read_plain};
pub use stand_rasters::{StandRasterReport, StandRasters};
use stand_table::StandTables;
pub use stand_table::TableReport;
pub use survey::{
    ColumnKind, Numbers, ShapeCounts, SurveyedColumn, SurveyedCrs, SurveyedLayer, SurveyedRaster,
    area_of_use, shapes_of, survey_layers, survey_raster,
};
pub use terrain::{Coverage, RasterTerrain, TerrainError, TerrainReport, unclassed};
pub use uses::UseReport;

use crate::geometry::area;
use crate::geometry::overlaps::Overlaps;
use crate::model::{Feature, FieldNote, LayerKind, MOST_WET_AROUND_M, Problem, SourceBlock};
use crate::project::{LayerSource, MOST_ACCURACY_M, MOST_TREE_HEIGHT_M, Project};
use crate::rulebook::DANGER_TREE_RULE;
use assemble::Assembly;
use crs::WorkCrs;
use frames::Around;

/// Everything read for a batch, in the plane of the work CRS.
#[derive(Clone, Debug, Default)]
pub struct Batch {
    /// Authority code or WKT of the work CRS.
    pub crs: String,
    /// WKT2 (or WKT1 where GDAL knows no better) of the work CRS.
    pub crs_wkt: String,
    /// The plane's metres in a unit of the work CRS.
    pub unit_m: f64,
    /// The most that any block's lengths were measured to be off on the ground, as a part of themselves.
    pub ground_off: f64,
    /// In file order.
    pub blocks: Vec<SourceBlock>,
    /// In the order of roles, then file order.
    pub features: Vec<Feature>,
    pub problems: Vec<Problem>,
    /// Notes taken in the field, in the order of their files.
    pub notes: Vec<FieldNote>,
    /// Ground that two blocks have in common.
    pub overlaps: Overlaps,
    pub inputs: Vec<InputFile>,
    /// Of the inputs that are read more than once or piece by piece.
    stamps: Vec<hash::Stamp>,
    pub layers: Vec<LayerReport>,
    /// The elevation raster, if the project names one.
    pub terrain: Option<TerrainReport>,
    /// The stand table, if the project names one.
    pub stand_table: Option<TableReport>,
    pub stand_rasters: Vec<StandRasterReport>,
}

impl Batch {
    /// Sees whether the files still are what was read, for a result must not be of two states of a layer.
    ///
    /// # Errors
    /// [`SourceError::Changed`] with the first that is another by now.
    pub fn is_up_to_date(&self) -> Result<(), SourceError> {
        let outdated = self.stamps.iter().find(|stamp| stamp.is_outdated());
        outdated.map_or(Ok(()), |stamp| {
            Err(SourceError::Changed {
                file: stamp.input.source.clone(),
            })
        })
    }
}

impl Batch {
    /// Adds notes behind all layers: what they are features of, and what is wrong with them. `edges` are those that stand for
    /// ground cut beyond a line.
    fn add_notes(&mut self, read: notes::NotesRead, edges: Vec<Feature>, seen_m: f64) {
        let mut notes = read.notes;
        let first = self.features.len();
        for note in &mut notes {
            note.feature = note.feature.map(|at| first + at);
        }
        self.features.extend(edges);
        notes::add_features(&mut notes, &self.blocks, seen_m, &mut self.features);
        self.layers.extend(read.layers);
        self.problems.extend(read.problems);
        (self.problems).extend(notes::problems(&notes, self.unit_m));
        self.notes = notes;
    }
}

/// One file that was read.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct InputFile {
    /// As written in the project file.
    pub source: String,
    pub bytes: u64,
    pub sha256: String,
}

/// What was found in one layer.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct LayerReport {
    pub role: &'static str,
    pub source_layer: String,
    pub driver: String,
    pub crs: String,
    /// Features that passed the filter.
    pub read: u64,
    pub used: u64,
    pub repaired: u64,
    pub set_aside: u64,
    /// How many the project file says there must be.
    pub stated: Option<u64>,
    /// How the classes of its features were found; empty for roles without rules.
    pub classes: Vec<ClassReport>,
    /// What is known of the use of roads and crossings, and what is assumed; empty for other roles.
    pub uses: Vec<UseReport>,
}

/// Reads every layer of a project. A bad feature becomes a [`Problem`]; a bad file, layer, attribute, filter or CRS
/// ends the reading, because it would spoil every block.
///
/// The work CRS is the project's, or else the UTM zone of the blocks. Without any block layer the project must name it.
///
/// # Errors
/// See [`SourceError`].
pub fn read(project: &Project) -> Result<Batch, SourceError> {
    read_for(project, &[])
}

/// How far off a feature may lie and still have to do with a block.
fn around_m(project: &Project) -> f64 {
    // No road or landing farther off counts for skidding, and no channel is as wide.
    const MOST_M: f64 = 3_500.0;
    let layout = &project.settings.layout;
    let ruled = project.rules.lines.iter();
    let ruled = ruled.filter(|line| line.id != DANGER_TREE_RULE);
    let ruled = ruled.map(|line| line.widest().reach_m());
    let set = [
        layout.access_search_m,
        layout.road_band_m,
        layout.frontage_distance_m,
        layout.hazard_distance_m,
        power_lines::reach_m(project),
        danger_trees_m(project),
    ];
    MOST_M + ruled.chain(set).fold(0.0, f64::max)
}

/// How far from a dangerous tree of a layer nobody works at most. Noted ones lie in blocks or near them, and a block without any
/// keeps every byte.
fn danger_trees_m(project: &Project) -> f64 {
    let mut layers = project.layers.iter();
    match layers.any(|layer| layer.kind == LayerKind::Retain) {
        true => 2.0 * MOST_TREE_HEIGHT_M,
        false => 0.0,
    }
}

/// How far around a block slopes are asked for.
fn slopes_around_m(project: &Project) -> f64 {
    // Beside a block a machine may stand; and a feature has a width of its own.
    const MOST_M: f64 = 200.0;
    let ruled = project.rules.lines.iter();
    let ruled = ruled.filter(|line| line.follows_slope());
    let ruled_m = ruled.map(|line| line.widest().reach_m());
    let wet_m = match project.settings.wet_ground {
        Some(_) => MOST_WET_AROUND_M,
        None => 0.0,
    };
    (MOST_M + ruled_m.fold(0.0, f64::max)).max(wet_m)
}

/// How far around a block its frame must be true.
fn around(project: &Project) -> Around {
    // Half of a channel, the rim of what is drawn, and a machine's reach.
    const BESIDE_M: f64 = 100.0;
    let layout = &project.settings.layout;
    let ruled = project.rules.lines.iter();
    let ruled = ruled.filter(|line| line.id != DANGER_TREE_RULE);
    let ruled = ruled.map(|line| line.widest().reach_m());
    let set = [
        layout.road_band_m,
        layout.frontage_distance_m,
        layout.hazard_distance_m,
        power_lines::reach_m(project),
        danger_trees_m(project),
    ];
    let more_m = match layout.keep_for_accuracy {
        true => MOST_ACCURACY_M,
        false => 0.0,
    };
    Around {
        ruled_m: more_m + BESIDE_M + ruled.chain(set).fold(0.0, f64::max),
        seen_m: around_m(project),
    }
}

/// As [`read`]; of all layers but those of blocks only what the blocks named in `only` may have to do with is kept.
/// Everything is read, counted and reported all the same: what is wrong with a file is wrong for each of its blocks. An
/// empty list names all blocks.
///
/// # Errors
/// See [`SourceError`].
pub fn read_for(project: &Project, only: &[String]) -> Result<Batch, SourceError> {
    open::quiet_gdal();
    let mut sources: Vec<&LayerSource> = project.layers.iter().collect();
    sources.sort_by_key(|source| source.kind);
    let mut stamps = hash::inputs(&sources)?;
    let mut inputs: Vec<InputFile> = stamps.iter().map(|stamp| stamp.input.clone()).collect();
    inputs.extend(project.rules_file.as_ref().map(|file| InputFile {
        source: file.source.clone(),
        bytes: file.bytes,
        sha256: file.sha256.clone(),
    }));
    if let Some(table) = &project.stand_table {
        let stamp = hash::table(table, "stand_table")?;
        inputs.push(stamp.input.clone());
        stamps.push(stamp);
    }
    for raster in project.stand_rasters.all() {
        let stamp = hash::table(raster, stand_rasters::ROLE)?;
        inputs.push(stamp.input.clone());
        stamps.push(stamp);
    }
    if let Some(fitted) = &project.calibration {
        for table in fitted.files() {
            let stamp = hash::table(table, "calibration")?;
            inputs.push(stamp.input.clone());
            stamps.push(stamp);
        }
    }
    let (block_sources, other_sources): (Vec<&LayerSource>, Vec<&LayerSource>) = sources
        .into_iter()
        .partition(|source| source.kind == LayerKind::Blocks);
    let block_layers = block_sources
        .iter()
        .map(|source| layer::read(source, project.unit))
        .collect::<Result<Vec<_>, _>>()?;
    if !block_layers.is_empty() && block_layers.iter().all(|layer| layer.features.is_empty()) {
        let layers: Vec<&str> = block_layers.iter().map(|l| l.head.label.as_str()).collect();
        return Err(SourceError::NoBlocks {
            layers: layers.join(", "),
        });
    }
    let work = match &project.crs {
        Some(text) => WorkCrs::new(text)?,
        None => WorkCrs::new(&zone::utm_zone_of(&block_layers)?)?,
    };
    let mut assembly = Assembly::new(project, &work, around(project));
    assembly.stand_tables = (project.stand_table.as_ref())
        .map(StandTables::read)
        .transpose()?;
    for layer in block_layers {
        assembly.blocks(layer)?;
    }
    let mut notes = notes::read(&project.notes, &work)?;
    let mut of_notes = Vec::new();
    assembly.move_edges(&mut notes.notes, &mut of_notes);
    let near = (!only.is_empty()).then(|| assembly.around(only, around_m(project)));
    for source in other_sources {
        match near {
            None => assembly.features(source, None)?,
            Some(Some(near)) => assembly.features(source, Some(near))?,
            // No such block: the caller says so.
            Some(None) => {}
        }
    }
    inputs.extend(notes.stamps.iter().map(|stamp| stamp.input.clone()));
    stamps.append(&mut notes.stamps);
    let mut batch = assembly.finish(inputs, !matches!(near, Some(None)));
    batch.add_notes(notes, of_notes, around_m(project));
    if let Some(source) = &project.terrain {
        // Opened anew by whoever needs slopes; here a bad raster ends the run early.
        let terrain = RasterTerrain::open(source, &work)?;
        let files = hash::terrain(terrain.files())?;
        (batch.inputs).extend(files.iter().map(|stamp| stamp.input.clone()));
        stamps.extend(files);
        (batch.problems).extend(terrain::off_raster(&terrain, &batch.blocks));
        if let (Some(wanted), true) = (&project.settings.wet_ground, only.is_empty()) {
            let found = wet_ground::problems(wanted, &batch.features, &terrain);
            batch.problems.extend(found);
        }
        let by_m = slopes_around_m(project);
        let bounds = |block: &SourceBlock| {
            let by = by_m * block.frame.plane_per_metre();
            area::Bounds::of_polygons(&block.shape).grown(by)
        };
        let boxes: Vec<area::Bounds> = batch.blocks.iter().map(bounds).collect();
        terrain.try_read(&boxes)?;
        batch.terrain = Some(terrain.report);
    }
    batch.stamps = stamps;
    let outside = outside::problems(&batch.blocks, &batch.features);
    batch.problems.extend(outside);
    batch.overlaps = Overlaps::new(&batch.blocks);
    let overlaps = overlaps::problems(&batch.overlaps, &batch.blocks);
    batch.problems.extend(overlaps);
    if let Some(rasters) = stand_rasters(project, &batch.crs)? {
        let files = hash::terrain(rasters.files())?;
        let known = |stamp: &hash::Stamp| batch.inputs.contains(&stamp.input);
        let files: Vec<hash::Stamp> = files.into_iter().filter(|stamp| !known(stamp)).collect();
        (batch.inputs).extend(files.iter().map(|stamp| stamp.input.clone()));
        batch.stamps.extend(files);
        batch.stand_rasters = rasters.reports(&batch.blocks)?;
    }
    Ok(batch)
}

/// Opens the rasters of stands; None: the project names none. `crs` is [`Batch::crs`].
///
/// # Errors
/// See [`StandRasters::open`].
pub fn stand_rasters(project: &Project, crs: &str) -> Result<Option<StandRasters>, SourceError> {
    if project.stand_rasters.all().next().is_none() {
        return Ok(None);
    }
    let work = WorkCrs::new(crs)?;
    StandRasters::open(&project.stand_rasters, &work).map(Some)
}

/// Opens the project's elevation raster for slopes in the work CRS, if it names one. `crs` is [`Batch::crs`].
///
/// # Errors
/// See [`RasterTerrain::open`].
pub fn terrain(project: &Project, crs: &str) -> Result<Option<RasterTerrain>, SourceError> {
    let Some(source) = &project.terrain else {
        return Ok(None);
    };
    open::quiet_gdal();
    RasterTerrain::open(source, &WorkCrs::new(crs)?).map(Some)
}
