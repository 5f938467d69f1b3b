//! A finished layout's folder read back: what `layout` wrote, for those who go on from there.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use gdal::vector::{Feature, LayerAccess};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use geo::{
    Bearing, BoundingRect, Centroid, Coord, Distance, Geodesic, InteriorPoint, MultiPolygon, Point,
};

use super::crs::{WorkCrs, wkt2};
use super::features::{RawGeometry, raw_geometry};
use super::finished_map::{self, FinishedMap, FinishedPaper};
use super::frames::{self, Around};
use super::open::{forget_failures, last_failure, package_options, quiet_gdal};
use super::{limits, plain, sql};
use crate::daylight::Place;
use crate::geometry::area::Bounds;
use crate::geometry::frame::map_polygons;
use crate::model::{
    GroundFrame, Language, MachineKind, OpenDays, SectionKey, ShiftClass, SpanError, StripKind,
};

/// Why a folder holds no layout that can be read.
#[derive(Debug, thiserror::Error)]
pub enum FinishedError {
    #[error("{}: {why}\n  hint: name the folder that `blockwright layout PROJECT --out DIR` wrote", path.display())]
    NoLayout { path: PathBuf, why: String },
    #[error("{}, layer {layer}: {why}\n  hint: lay out the blocks anew", path.display())]
    Layer {
        path: PathBuf,
        layer: &'static str,
        why: String,
    },
    #[error("{}: it was made by {program} {version}, {why}\n  hint: {hint}", path.display(), program = env!("CARGO_PKG_NAME"))]
    Version {
        path: PathBuf,
        version: String,
        why: String,
        hint: &'static str,
    },
    #[error(transparent)]
    Source(#[from] super::SourceError),
}

/// Major and minor number of a version of the program: outputs of one such pair have one form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Version(u64, u64);

impl Version {
    /// From this one on sections of strips that are cut on the way out are numbered in the direction of travel.
    const NUMBERED_BY_TRAVEL: Version = Version(0, 2);

    fn of(text: &str) -> Option<Version> {
        let mut numbers = text.split('.').map(str::parse);
        Some(Version(numbers.next()?.ok()?, numbers.next()?.ok()?))
    }

    fn own() -> Version {
        Version::of(env!("CARGO_PKG_VERSION")).expect("this version has numbers")
    }
}

/// Refuses a layout of a later version than this program, and one of an earlier version than `oldest`.
fn refuse_other_versions(
    path: &Path,
    run: &serde_json::Value,
    oldest: Version,
) -> Result<(), FinishedError> {
    let written = run["program"]["version"].as_str().unwrap_or_default();
    let refused = |why: String, hint| FinishedError::Version {
        path: path.to_owned(),
        version: written.to_owned(),
        why,
        hint,
    };
    match Version::of(written) {
        Some(version) if version > Version::own() => Err(refused(
            format!("a later version than this one, {}", env!("CARGO_PKG_VERSION")),
            "take that version, or lay out the blocks anew with this one",
        )),
        Some(version) if version >= oldest => Ok(()),
        _ => Err(refused(
            "an earlier version, which numbered sections of strips that are cut on the way out against the way".to_owned(),
            "lay out the blocks anew",
        )),
    }
}

#[derive(Clone, Debug, Default)]
pub struct FinishedLayout {
    /// Name of the project.
    pub project: String,
    /// Of the words on its sheets.
    pub language: Language,
    /// The reach that strips were laid out for, m.
    pub reach_m: f64,
    /// No ground of a strip is steeper, rise over run.
    pub max_slope: f64,
    /// No night-safe ground is steeper.
    pub night_slope: f64,
    /// No ground that its skidder goes over is steeper; None: it says nothing of a skidder.
    pub skidder_slope: Option<f64>,
    /// Its CRS, as WKT.
    pub crs: String,
    /// What it says of its sheets.
    pub paper: FinishedPaper,
    /// What its hours rest on, as `run.json` has it.
    pub production: serde_json::Value,
    /// In the order of the layout.
    pub blocks: Vec<FinishedBlock>,
    /// Blocks with a row that cannot be used. The others are whole.
    pub set_aside: Vec<SetAsideBlock>,
}

/// A block of a finished layout that nothing can be planned for.
#[derive(Clone, Debug, PartialEq)]
pub struct SetAsideBlock {
    pub id: String,
    /// The first fault, with its layer and feature.
    pub why: String,
    /// Work CRS, inside or nearly so; None: its shape is the fault, or there is none.
    pub centre: Option<[f64; 2]>,
}

#[derive(Clone, Debug)]
pub struct FinishedBlock {
    pub id: String,
    pub status: String,
    /// In the block's frame, as those of its zones and sections.
    pub shape: MultiPolygon,
    pub frame: GroundFrame,
    /// A place inside or nearly so, in metres east and north of the middle of all blocks.
    pub centre: [f64; 2],
    pub place: Place,
    /// Whether the slope of any of its strips is known.
    pub slopes_known: bool,
    /// Whether some of it was cut before the layout.
    pub cut_before: bool,
    pub zones: Vec<FinishedZone>,
    /// How far falling trees are a danger, m; None: nobody says how tall they are, or the layout is of an earlier version.
    pub falling_m: Option<f64>,
    /// Where other people are or may be so near that a stretch is closed or watched.
    pub people: Vec<FinishedPeople>,
    /// What the wood of each setting goes to, by the setting's number; empty for a layout of an earlier version.
    pub outlets: BTreeMap<u32, FinishedOutlet>,
    /// What landings hold, m³, by their ids, where anybody says so.
    pub capacities: BTreeMap<String, f64>,
    /// In the order of work.
    pub sections: Vec<FinishedSection>,
    /// What a map of it shows besides.
    pub map: FinishedMap,
}

#[derive(Clone, Debug)]
pub struct FinishedZone {
    pub kind: String,
    pub class: String,
    pub shape: MultiPolygon,
}

/// A road, trail, dwelling or work site within falling trees.
#[derive(Clone, Debug, PartialEq)]
pub struct FinishedPeople {
    pub id: String,
    pub role: String,
    pub class: String,
    /// False: nobody says whether other people are there.
    pub said: bool,
    pub distance_m: Option<f64>,
    pub length_m: Option<f64>,
    pub day_hours: Option<f64>,
    pub night_hours: Option<f64>,
    /// `part-strip.piece/section`.
    pub sections: Vec<String>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct FinishedOutlet {
    /// `road`, `landing`, `access` or `crossing`; empty where none is in reach.
    pub kind: String,
    pub name: String,
}

#[derive(Clone, Debug)]
pub struct FinishedSection {
    pub part: u32,
    pub strip_no: u32,
    pub piece: u32,
    pub section_no: u32,
    pub kind: StripKind,
    /// Of the first line of its piece.
    pub order: u32,
    /// Whether its piece is cut on the way out: its numbers fall towards the outlet then, else they rise away from it.
    pub is_outbound: bool,
    pub class: ShiftClass,
    pub reasons: Vec<String>,
    /// Scheduled ones, of layouts that tell them apart.
    pub hours: Option<f64>,
    pub skid_hours: Option<f64>,
    /// Volume felled, m³; None: nobody knows.
    pub volume_m3: Option<f64>,
    /// Of its piece, rise over run.
    pub cross_slope: Option<f64>,
    /// The days on which it may be worked.
    pub open: OpenDays,
    /// What people call the windows that say so.
    pub windows: Vec<String>,
    pub shape: MultiPolygon,
}

impl FinishedSection {
    pub fn key(&self) -> SectionKey {
        SectionKey {
            part: self.part,
            strip_no: self.strip_no,
            piece: self.piece,
            section_no: self.section_no,
        }
    }

    /// Its place in its piece, counted from the outlet: what is brought out of it comes through those with less.
    pub fn from_outlet(&self) -> i64 {
        let number = i64::from(self.section_no);
        if self.is_outbound { -number } else { number }
    }
}

/// Reads the layout in a folder.
///
/// # Errors
/// When `run.json` or `layout.gpkg` is missing or none of ours, or a layer cannot be read.
pub fn finished(folder: &Path) -> Result<FinishedLayout, FinishedError> {
    let mut layout = run_file(&folder.join("run.json"), Version::NUMBERED_BY_TRAVEL)?;
    let (path, dataset) = open_package(folder)?;
    let package = Package {
        path: &path,
        dataset: &dataset,
    };
    let mut faults = Faults::default();
    (layout.crs, layout.blocks) = package.blocks(&mut faults)?;
    let index: BTreeMap<String, usize> = layout
        .blocks
        .iter()
        .enumerate()
        .map(|(at, block)| (block.id.clone(), at))
        .collect();
    let of = |id: &str| index.get(id).copied();
    let blocks = &mut layout.blocks;
    package.each("zones", &ZONES, &mut faults, |id, row| {
        if let Some(block) = of(id) {
            let zone = FinishedZone {
                kind: row.text("kind")?,
                class: row.text("class")?,
                shape: on_ground(&blocks[block].frame, &row.polygons()?),
            };
            blocks[block].zones.push(zone);
        }
        Ok(())
    })?;
    if dataset.layer_by_name("settings").is_ok() {
        package.each("settings", &SETTINGS, &mut faults, |id, row| {
            if let Some(block) = of(id) {
                let outlet = FinishedOutlet {
                    kind: row.text("outlet_kind")?,
                    name: row.text("outlet")?,
                };
                blocks[block].outlets.insert(row.whole("setting")?, outlet);
            }
            Ok(())
        })?;
    }
    if dataset.layer_by_name("unworked").is_ok() {
        package.each(
            "unworked",
            &["block_id", "reason"],
            &mut faults,
            |id, row| {
                if let Some(block) = of(id) {
                    blocks[block].cut_before |= row.text("reason")? == "cut_before";
                }
                Ok(())
            },
        )?;
    }
    if dataset.layer_by_name("people").is_ok() {
        package.each("people", &PEOPLE, &mut faults, |id, row| {
            if let Some(block) = of(id) {
                let sections = row.text("sections")?;
                blocks[block].people.push(FinishedPeople {
                    id: row.text("source_id")?,
                    role: row.text("role")?,
                    class: row.text("class")?,
                    said: row.whole("said")? == 1,
                    distance_m: row.number("distance_m")?,
                    length_m: row.number("length_m")?,
                    day_hours: row.number("day_hours")?,
                    night_hours: row.number("night_hours")?,
                    sections: sections
                        .split(';')
                        .filter(|own| !own.is_empty())
                        .map(str::to_owned)
                        .collect(),
                });
            }
            Ok(())
        })?;
    }
    let lines = package.lines(&of, blocks, &mut faults)?;
    finished_map::read(&package, &of, blocks, &mut faults)?;
    let mut sections: BTreeMap<(usize, u32, [u32; 4]), FinishedSection> = BTreeMap::new();
    package.each("sections", &SECTIONS, &mut faults, |id, row| {
        let block = of(id).ok_or("the block is not in layer blocks")?;
        let piece = row.piece()?;
        let section_no = row.whole("section_no")?;
        let line = lines.get(&(block, piece)).ok_or_else(|| {
            let [part, strip, piece] = piece;
            format!("no strip line leads through part {part}, strip {strip}, piece {piece}")
        })?;
        let class = match row.text("shift_class")?.as_str() {
            "night_safe" => ShiftClass::NightSafe,
            "day_only" => ShiftClass::DayOnly,
            other => return Err(format!("`{other}` is no shift class")),
        };
        let reasons = row.text("reasons")?;
        let key = [piece[0], piece[1], piece[2], section_no];
        let (hours, skid_hours) = (row.scheduled("hours")?, row.scheduled("skid_hours")?);
        let volume_m3 = row.maybe("volume_m3")?;
        let shape = on_ground(&blocks[block].frame, &row.polygons()?);
        match sections.entry((block, line.order, key)) {
            std::collections::btree_map::Entry::Vacant(slot) => {
                slot.insert(FinishedSection {
                    part: piece[0],
                    strip_no: piece[1],
                    piece: piece[2],
                    section_no,
                    kind: line.kind,
                    order: line.order,
                    is_outbound: line.is_outbound,
                    class,
                    reasons: reasons
                        .split(';')
                        .filter(|reason| !reason.is_empty())
                        .map(str::to_owned)
                        .collect(),
                    hours,
                    skid_hours,
                    volume_m3,
                    cross_slope: line.cross_slope,
                    open: row.open_days()?,
                    windows: row.list("windows")?,
                    shape,
                });
            }
            // A section of several polygons has as many rows, its hours shared out among them.
            std::collections::btree_map::Entry::Occupied(mut slot) => {
                let section = slot.get_mut();
                section.hours = section.hours.zip(hours).map(|(a, b)| a + b);
                section.skid_hours = section.skid_hours.zip(skid_hours).map(|(a, b)| a + b);
                section.volume_m3 = section.volume_m3.zip(volume_m3).map(|(a, b)| a + b);
                section.shape.0.extend(shape.0);
            }
        }
        Ok(())
    })?;
    for ((block, ..), section) in sections {
        blocks[block].sections.push(section);
    }
    faults.take_from(&mut layout);
    Ok(layout)
}

/// Opens the layout in a folder, once its run report is seen to be one of ours.
///
/// # Errors
/// As [`finished`].
pub(super) fn open_layout(folder: &Path) -> Result<(PathBuf, Dataset), FinishedError> {
    run_file(&folder.join("run.json"), Version(0, 0))?;
    open_package(folder)
}

fn open_package(folder: &Path) -> Result<(PathBuf, Dataset), FinishedError> {
    quiet_gdal();
    let path = folder.join("layout.gpkg");
    let no_layout = |why: String| FinishedError::NoLayout {
        path: path.clone(),
        why,
    };
    plain::check_plain(&path, &path.to_string_lossy(), "layout").map_err(|error| {
        no_layout(match error {
            super::SourceError::Forbidden { why, .. } => why,
            super::SourceError::TooMuch { found, .. } => format!("it has {found}"),
            _ => "there is no such file".to_owned(),
        })
    })?;
    forget_failures();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&["GPKG"]),
        open_options: package_options(&path),
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(&path, options)
        .map_err(|error| no_layout(last_failure().unwrap_or_else(|| error.to_string())))?;
    if let Some(why) = sql::why_no_views(&dataset) {
        return Err(no_layout(why));
    }
    Ok((path, dataset))
}

/// What is wrong with blocks: the first fault of each, in the order found.
#[derive(Default)]
pub(super) struct Faults(Vec<(String, String)>);

impl Faults {
    fn add(&mut self, id: &str, why: String) {
        if !self.0.iter().any(|(held, _)| held == id) {
            self.0.push((id.to_owned(), why));
        }
    }

    pub(super) fn first(&self) -> Option<&(String, String)> {
        self.0.first()
    }

    fn take_from(self, layout: &mut FinishedLayout) {
        for (id, why) in self.0 {
            let at = layout.blocks.iter().position(|block| block.id == id);
            let centre = at.map(|at| layout.blocks.remove(at).centre);
            layout.set_aside.push(SetAsideBlock { id, why, centre });
        }
    }
}

const ZONES: [&str; 3] = ["block_id", "kind", "class"];
const SETTINGS: [&str; 4] = ["block_id", "setting", "outlet", "outlet_kind"];
const BLOCKS: [&str; 2] = ["block_id", "status"];
const PEOPLE: [&str; 10] = [
    "block_id",
    "source_id",
    "role",
    "class",
    "said",
    "distance_m",
    "length_m",
    "day_hours",
    "night_hours",
    "sections",
];
const LINES: [&str; 8] = [
    "block_id",
    "part",
    "strip_no",
    "piece",
    "kind",
    "order",
    "heading",
    "cross_slope",
];
const SECTIONS: [&str; 9] = [
    "block_id",
    "part",
    "strip_no",
    "piece",
    "section_no",
    "shift_class",
    "reasons",
    "hours",
    "skid_hours",
];

fn run_file(path: &Path, oldest: Version) -> Result<FinishedLayout, FinishedError> {
    let no_layout = |why: String| FinishedError::NoLayout {
        path: path.to_owned(),
        why,
    };
    let text =
        plain::read(path, limits::REPORT_FILE_BYTES).map_err(|error| match error.kind() {
            std::io::ErrorKind::NotFound => no_layout("there is no such file".to_owned()),
            _ => no_layout(error.to_string()),
        })?;
    let run: serde_json::Value =
        serde_json::from_slice(&text).map_err(|error| no_layout(error.to_string()))?;
    if run["program"]["name"] != env!("CARGO_PKG_NAME") {
        return Err(no_layout("it is no run report of this program".to_owned()));
    }
    refuse_other_versions(path, &run, oldest)?;
    let figure = |key: &str| {
        let value = run["settings"]["machine"][key].as_f64();
        value.ok_or_else(|| no_layout(format!("it has no settings.machine.{key}")))
    };
    Ok(FinishedLayout {
        project: run["project"].as_str().unwrap_or_default().to_owned(),
        language: run["settings"]["outputs"]["language"]
            .as_str()
            .and_then(Language::from_key)
            .unwrap_or_default(),
        reach_m: figure("reach_m")?,
        max_slope: figure("max_slope")?,
        night_slope: figure("night_slope")?,
        skidder_slope: skidder_slope(&run["settings"]["slopes"]),
        crs: String::new(),
        paper: FinishedPaper::of(&run["settings"]),
        production: run["settings"]["production"].clone(),
        blocks: vec![],
        set_aside: vec![],
    })
}

/// The limit of a layout's skidder for any heading in any state of the ground: its maker's, else the published one of its kind.
fn skidder_slope(slopes: &serde_json::Value) -> Option<f64> {
    let limits = slopes["limits"].as_array().into_iter().flatten();
    let mut own = limits.filter(|own| {
        own["machine"] == "skidder" && own["heading"] == "any" && own["state"] == "any"
    });
    let stated = own.find_map(|own| own["most"].as_f64());
    stated.or_else(|| {
        let key = slopes["skidder"].as_str()?;
        let kind = MachineKind::ALL
            .into_iter()
            .find(|kind| kind.key() == key)?;
        Some(kind.published().0)
    })
}

struct Line {
    order: u32,
    kind: StripKind,
    is_outbound: bool,
    cross_slope: Option<f64>,
}

pub(super) struct Package<'a> {
    pub path: &'a Path,
    pub dataset: &'a Dataset,
}

impl Package<'_> {
    /// Gives every row of a layer with its block's id to `take`; a row that it refuses spoils its block and no other.
    pub fn each(
        &self,
        name: &'static str,
        attributes: &[&str],
        faults: &mut Faults,
        mut take: impl FnMut(&str, Row<'_, '_>) -> Result<(), String>,
    ) -> Result<(), FinishedError> {
        let wrong = |why: String| FinishedError::Layer {
            path: self.path.to_owned(),
            layer: name,
            why,
        };
        forget_failures();
        let mut layer = self
            .dataset
            .layer_by_name(name)
            .map_err(|_| wrong("it is missing".to_owned()))?;
        let mut fields = BTreeMap::new();
        for (index, field) in layer.defn().fields().enumerate() {
            fields.insert(field.name(), index);
        }
        if let Some(lost) = attributes.iter().find(|name| !fields.contains_key(**name)) {
            return Err(wrong(format!("it has no attribute `{lost}`")));
        }
        let count = layer.feature_count();
        let mut read = 0;
        for feature in layer.features() {
            let row = Row {
                feature: &feature,
                fields: &fields,
            };
            let id = row.text("block_id").map_err(&wrong)?;
            if let Err(why) = take(&id, row) {
                let fid = feature.fid();
                let fid = fid.map_or(String::new(), |fid| format!(", feature {fid}"));
                faults.add(&id, format!("layer {name}{fid}: {why}"));
            }
            read += 1;
        }
        if read < count {
            return Err(wrong(
                last_failure().unwrap_or_else(|| "reading stopped early".to_owned()),
            ));
        }
        Ok(())
    }

    /// The CRS of the layout, as WKT.
    pub fn crs(&self) -> Result<String, FinishedError> {
        let wrong = |why: String| FinishedError::Layer {
            path: self.path.to_owned(),
            layer: "blocks",
            why,
        };
        let layer = (self.dataset.layer_by_name("blocks"))
            .map_err(|_| wrong("it is missing".to_owned()))?;
        let mut crs = layer
            .spatial_ref()
            .ok_or_else(|| wrong("it names no CRS".to_owned()))?;
        crs.set_axis_mapping_strategy(gdal::spatial_ref::AxisMappingStrategy::TraditionalGisOrder);
        wkt2(&crs).map_err(|error| wrong(error.to_string()))
    }

    /// The CRS of the layout, and its blocks.
    fn blocks(&self, faults: &mut Faults) -> Result<(String, Vec<FinishedBlock>), FinishedError> {
        let wkt = self.crs()?;
        let work = WorkCrs::new(&wkt)?;
        let mut blocks: Vec<FinishedBlock> = Vec::new();
        self.each("blocks", &BLOCKS, faults, |id, row| {
            if blocks.iter().any(|block| block.id == id) {
                return Err("there are two blocks of this id".to_owned());
            }
            let shape = row.polygons()?;
            let inside = shape
                .interior_point()
                .map(Coord::from)
                .or_else(|| shape.centroid().map(Coord::from))
                .or_else(|| shape.bounding_rect().map(|rect| rect.min()))
                .ok_or("it has no shape")?;
            let plane = inside * work.unit_m;
            let degrees = work.degrees(plane);
            let degrees = degrees.ok_or("its place has no longitude and latitude")?;
            let read = |c: Coord| c * work.unit_m;
            let bounds = Bounds::of_polygons(&map_polygons(&shape, read));
            let frame = frames::frame(&work, &bounds, AROUND);
            let frame = frame
                .map_err(|_| "its place is beyond the reach of its CRS")?
                .frame;
            blocks.push(FinishedBlock {
                id: id.to_owned(),
                status: row.text("status")?,
                shape: on_ground(&frame, &shape),
                frame,
                // Of the whole layout, further down.
                centre: [0.0; 2],
                place: Place {
                    latitude_deg: degrees.y,
                    longitude_deg: degrees.x,
                },
                slopes_known: false,
                cut_before: false,
                zones: vec![],
                falling_m: match row.fields.contains_key("falling_m") {
                    true => row.number("falling_m")?,
                    false => None,
                },
                people: vec![],
                outlets: BTreeMap::new(),
                capacities: BTreeMap::new(),
                sections: vec![],
                map: FinishedMap::default(),
            });
            Ok(())
        })?;
        far_apart(&mut blocks);
        Ok((wkt, blocks))
    }

    fn lines(
        &self,
        of: &dyn Fn(&str) -> Option<usize>,
        blocks: &mut [FinishedBlock],
        faults: &mut Faults,
    ) -> Result<BTreeMap<(usize, [u32; 3]), Line>, FinishedError> {
        let mut lines: BTreeMap<(usize, [u32; 3]), Line> = BTreeMap::new();
        self.each("strip_lines", &LINES, faults, |id, row| {
            let Some(block) = of(id) else {
                return Ok(());
            };
            let kind = match row.text("kind")?.as_str() {
                "road_clearing" => StripKind::RoadClearing,
                "boundary_pass" => StripKind::BoundaryPass,
                "interior" => StripKind::Interior,
                other => return Err(format!("`{other}` is no kind of strip")),
            };
            let order = row.whole("order")?;
            let is_outbound = row.text("heading")? == "out";
            let cross_slope = row.number("cross_slope")?;
            blocks[block].slopes_known |= cross_slope.is_some();
            let line = lines.entry((block, row.piece()?)).or_insert(Line {
                order,
                kind,
                is_outbound,
                cross_slope,
            });
            if order < line.order {
                (line.order, line.is_outbound) = (order, is_outbound);
            }
            line.cross_slope = line.cross_slope.max_by(cross_slope);
            Ok(())
        })?;
        Ok(lines)
    }
}

/// Nothing is looked for around a finished block.
const AROUND: Around = Around {
    ruled_m: 100.0,
    seen_m: 200.0,
};

/// A shape as written, in a block's frame.
fn on_ground(frame: &GroundFrame, shape: &MultiPolygon) -> MultiPolygon {
    frame.enter_polygons(&map_polygons(shape, |c| frame.read(c)))
}

/// Gives each block its place on flat ground around the middle of all: distances from there are true, others nearly so.
fn far_apart(blocks: &mut [FinishedBlock]) {
    let count = blocks.len().max(1) as f64;
    // The mean of places on a ball, so that the 180th meridian is no border.
    let mut sum = [0.0; 3];
    for block in blocks.iter() {
        let (latitude, longitude) = (
            block.place.latitude_deg.to_radians(),
            block.place.longitude_deg.to_radians(),
        );
        sum[0] += latitude.cos() * longitude.cos() / count;
        sum[1] += latitude.cos() * longitude.sin() / count;
        sum[2] += latitude.sin() / count;
    }
    let [x, y, z] = sum;
    let middle = Point::new(y.atan2(x).to_degrees(), z.atan2(x.hypot(y)).to_degrees());
    for block in blocks.iter_mut() {
        let place = Point::new(block.place.longitude_deg, block.place.latitude_deg);
        let far_m = Geodesic.distance(middle, place);
        let (sin, cos) = Geodesic.bearing(middle, place).to_radians().sin_cos();
        block.centre = if far_m > 0.0 {
            [far_m * sin, far_m * cos]
        } else {
            [0.0; 2]
        };
    }
}

trait Larger {
    fn max_by(self, other: Option<f64>) -> Option<f64>;
}

impl Larger for Option<f64> {
    /// The larger of two numbers of which either may be missing.
    fn max_by(self, other: Option<f64>) -> Option<f64> {
        match (self, other) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        }
    }
}

pub(super) struct Row<'r, 'f> {
    pub(super) feature: &'r Feature<'f>,
    fields: &'r BTreeMap<String, usize>,
}

impl Row<'_, '_> {
    fn field(&self, name: &str) -> Result<usize, String> {
        let index = self.fields.get(name).copied();
        index.ok_or_else(|| format!("it has no attribute `{name}`"))
    }

    pub fn text(&self, name: &str) -> Result<String, String> {
        let value = self.feature.field_as_string(self.field(name)?);
        value
            .map(Option::unwrap_or_default)
            .map_err(|error| error.to_string())
    }

    fn number(&self, name: &str) -> Result<Option<f64>, String> {
        let value = self.feature.field_as_double(self.field(name)?);
        let value = value.map_err(|error| error.to_string())?;
        Ok(value.filter(|number| number.is_finite()))
    }

    /// A number that an earlier version may not have written.
    pub fn maybe(&self, name: &str) -> Result<Option<f64>, String> {
        match self.fields.contains_key(name) {
            true => self.number(name),
            false => Ok(None),
        }
    }

    /// Hours of a kind, the scheduled ones where the layer has them.
    /// Of a layout of an earlier version, any.
    fn open_days(&self) -> Result<OpenDays, String> {
        if !self.fields.contains_key("open_days") {
            return Ok(OpenDays::default());
        }
        let written = self.text("open_days")?;
        let days = written.parse();
        days.map_err(|why: SpanError| format!("open_days: {why}"))
    }

    /// Words parted by `;`; none where a layout of an earlier version has no such attribute.
    fn list(&self, name: &str) -> Result<Vec<String>, String> {
        if !self.fields.contains_key(name) {
            return Ok(vec![]);
        }
        let written = self.text(name)?;
        let words = written.split(';').filter(|own| !own.is_empty());
        Ok(words.map(str::to_owned).collect())
    }

    fn scheduled(&self, name: &str) -> Result<Option<f64>, String> {
        let productive = self.number(name)?;
        let scheduled = format!("scheduled_{name}");
        if productive.is_none() || !self.fields.contains_key(&scheduled) {
            return Ok(productive);
        }
        Ok(self.number(&scheduled)?.or(productive))
    }

    pub fn whole(&self, name: &str) -> Result<u32, String> {
        let value = self.feature.field_as_integer64(self.field(name)?);
        let value = value.map_err(|error| error.to_string())?;
        value
            .and_then(|value| u32::try_from(value).ok())
            .ok_or_else(|| format!("`{name}` is no whole number"))
    }

    pub fn piece(&self) -> Result<[u32; 3], String> {
        Ok([
            self.whole("part")?,
            self.whole("strip_no")?,
            self.whole("piece")?,
        ])
    }

    pub fn polygons(&self) -> Result<MultiPolygon, String> {
        let mut buffer = Vec::new();
        match raw_geometry(self.feature, &mut buffer) {
            RawGeometry::Parts { parts, .. } => Ok(MultiPolygon(parts.polygons)),
            RawGeometry::Null | RawGeometry::Empty => Ok(MultiPolygon(vec![])),
            RawGeometry::Unreadable(why) => Err(why),
            RawGeometry::TooLong(count) => Err(format!("its geometry has {count} vertices")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn layouts_of_other_versions_are_read_or_refused_with_a_word() {
        let refused = |written: &str, oldest: Version| {
            let run = serde_json::json!({ "program": { "version": written } });
            refuse_other_versions(Path::new("run.json"), &run, oldest).err()
        };
        let by_travel = Version::NUMBERED_BY_TRAVEL;
        for (written, oldest) in [
            (env!("CARGO_PKG_VERSION"), by_travel),
            ("0.2.17", by_travel),
            ("0.1.0", Version(0, 0)),
        ] {
            assert!(refused(written, oldest).is_none(), "{written}");
        }
        let says = |written: &str| refused(written, by_travel).unwrap().to_string();
        assert!(says("0.1.9").contains("0.1.9, an earlier version"));
        assert!(says("0.1.9").ends_with("hint: lay out the blocks anew"));
        assert!(says("0.10.0").contains("a later version than this one"));
        assert!(says("1.0.0").contains("a later version than this one"));
        assert!(says("").contains("an earlier version"), "none is written");
    }
}
