//! Files of notes in: which layers, which attributes, which kind.

use std::collections::BTreeSet;

use gdal::spatial_ref::AxisMappingStrategy;
use gdal::vector::{Feature, Layer, LayerAccess};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use gdal_calls::features::has_value;
use geo::{MultiLineString, MultiPoint, MultiPolygon, Polygon};

use super::{DRIVERS, ROLE, fault};
use crate::geometry::clean::{check_coordinates, clean_lines};
use crate::geometry::repair::{RepairRule, repair_polygons};
use crate::geometry::wkb::Parts;
use crate::model::{
    FieldNote, NoteFate, NoteKind, NoteRole, NoteRules, Problem, ProblemCode, Shape,
};
use crate::project::{NoteSources, TableSource};
use crate::sources::crs::{self, Transform, WorkCrs};
use crate::sources::errors::SourceError;
use crate::sources::features::{RawGeometry, raw_geometry};
use crate::sources::limits::{NAME_CHARACTERS, Tally};
use crate::sources::open::{forget_failures, last_failure, package_options, quiet_gdal};
use crate::sources::plain::{check_plain, why_no_table};
use crate::sources::tracks::{is_date, written_time};
use crate::sources::{LayerReport, counts, hash, sql};

/// Attributes that a kind is looked for in, in this order; a device's own symbol that is no kind does not hide the name.
const KIND_NAMES: [&str; 7] = ["sym", "symbol", "kind", "type", "class", "name", "title"];
const ID_NAMES: [&str; 4] = ["name", "id", "title", "ident"];
const TIME_NAMES: [&str; 6] = ["time", "date", "datetime", "timestamp", "begin", "created"];
const HDOP: &str = "hdop";

/// What was read of all files.
#[derive(Default)]
pub(in crate::sources) struct NotesRead {
    pub notes: Vec<FieldNote>,
    pub layers: Vec<LayerReport>,
    pub problems: Vec<Problem>,
    pub stamps: Vec<hash::Stamp>,
}

/// Reads every note of every file into the plane of the work CRS.
///
/// # Errors
/// A file that cannot be read, is cut short or names no CRS; an attribute that none of its layers has.
pub(in crate::sources) fn read(
    sources: &NoteSources,
    work: &WorkCrs,
) -> Result<NotesRead, SourceError> {
    let mut all = NotesRead::default();
    let mut wanted = Wanted::new(&sources.rules);
    for file in &sources.files {
        quiet_gdal();
        check_plain(&file.path, &file.source, ROLE)?;
        all.stamps.push(hash::table(file, ROLE)?);
        one_file(file, &sources.rules, work, &mut all, &mut wanted)?;
    }
    match sources.files.is_empty() {
        true => Ok(all),
        false => wanted.check(&sources.files).map(|()| all),
    }
}

/// Attributes that the project names, and whether any layer has them.
struct Wanted<'r> {
    names: [Option<&'r str>; 2],
    found: [bool; 2],
    fields: BTreeSet<String>,
}

impl<'r> Wanted<'r> {
    fn new(rules: &'r NoteRules) -> Wanted<'r> {
        Wanted {
            names: [
                rules.kind_column.as_deref(),
                rules.accuracy_column.as_deref(),
            ],
            found: [false; 2],
            fields: BTreeSet::new(),
        }
    }

    fn look(&mut self, layer: &Layer<'_>) {
        for (found, name) in self.found.iter_mut().zip(self.names) {
            *found |= name.is_some_and(|name| field(layer, name).is_some());
        }
        self.fields
            .extend(layer.defn().fields().map(|field| field.name()));
    }

    fn check(&self, files: &[TableSource]) -> Result<(), SourceError> {
        let mut named = self.names.iter().zip(self.found);
        let Some((Some(name), _)) = named.find(|(name, found)| name.is_some() && !found) else {
            return Ok(());
        };
        let files: Vec<&str> = files.iter().map(|file| file.source.as_str()).collect();
        let fields: Vec<&str> = self.fields.iter().map(String::as_str).collect();
        Err(fault(
            &files.join(", "),
            format!(
                "no layer has the attribute `{name}`; there are {}",
                fields.join(", ")
            ),
            "correct `kind_column` or `accuracy_column` under [notes]",
        ))
    }
}

fn open(file: &TableSource) -> Result<Dataset, SourceError> {
    if let Some(why) = why_no_table(&file.path) {
        return Err(fault(
            &file.source,
            why.to_owned(),
            "name one plain local file",
        ));
    }
    forget_failures();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&DRIVERS),
        open_options: package_options(&file.path),
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(&file.path, options).map_err(|error| {
        let message = last_failure().unwrap_or_else(|| error.to_string());
        let ending = file.path.extension().map(|e| e.to_ascii_lowercase());
        let driver = [("gpx", "GPX"), ("kml", "KML")]
            .into_iter()
            .find(|(own, _)| ending.as_ref().is_some_and(|ending| ending == own));
        let missing =
            driver.filter(|(_, name)| gdal::DriverManager::get_driver_by_name(name).is_err());
        match missing {
            Some((_, name)) => fault(
                &file.source,
                format!("this GDAL has no driver for {name}"),
                "save the notes as GeoJSON or GeoPackage, or install a GDAL with the driver",
            ),
            None => fault(
                &file.source,
                format!(
                    "it cannot be read: {}",
                    message.replace(&file.path.display().to_string(), &file.source)
                ),
                &format!("these formats are read: {}", DRIVERS.join(", ")),
            ),
        }
    })?;
    match sql::why_no_views(&dataset) {
        Some(why) => Err(fault(&file.source, why, "save the notes as a plain file")),
        None => Ok(dataset),
    }
}

/// Of GPX the points of tracks and routes are in the lines already.
fn is_wanted(driver: &str, layer: &str) -> bool {
    driver != "GPX" || matches!(layer, "waypoints" | "routes" | "tracks")
}

fn one_file(
    file: &TableSource,
    rules: &NoteRules,
    work: &WorkCrs,
    all: &mut NotesRead,
    wanted: &mut Wanted<'_>,
) -> Result<(), SourceError> {
    let dataset = open(file)?;
    let driver = dataset.driver().short_name();
    for mut layer in dataset.layers() {
        let name = layer.name();
        if !is_wanted(&driver, &name) {
            continue;
        }
        wanted.look(&layer);
        let known = counts::known(&dataset, &layer, &file.path, false);
        let label = format!("field note {}:{name}", file.source);
        let known = known.map_err(|fault| fault.of(&label, ROLE))?;
        let mut reading = Reading {
            label,
            file,
            rules,
            work,
            all,
            report: LayerReport {
                role: ROLE,
                source_layer: format!("{}:{name}", file.source),
                driver: driver.clone(),
                crs: "none".to_owned(),
                read: 0,
                used: 0,
                repaired: 0,
                set_aside: 0,
                stated: None,
                classes: vec![],
                uses: vec![],
            },
        };
        reading.layer(&mut layer)?;
        let report = reading.report;
        known
            .check(report.read)
            .map_err(|fault| fault.of(&report.source_layer, ROLE))?;
        if report.read > 0 {
            all.layers.push(report);
        }
    }
    Ok(())
}

fn field(layer: &Layer<'_>, wanted: &str) -> Option<usize> {
    layer
        .defn()
        .fields()
        .position(|field| field.name().eq_ignore_ascii_case(wanted))
}

/// Where the attributes of a layer stand.
struct Columns {
    kinds: Vec<usize>,
    ids: Vec<usize>,
    times: Vec<(usize, bool)>,
    accuracy: Option<usize>,
    hdop: Option<usize>,
}

impl Columns {
    fn of(layer: &Layer<'_>, rules: &NoteRules) -> Columns {
        let all = |names: &[&str]| -> Vec<usize> {
            names.iter().filter_map(|name| field(layer, name)).collect()
        };
        let own = rules.kind_column.as_deref();
        let own = own.and_then(|wanted| field(layer, wanted));
        Columns {
            kinds: own.map_or_else(|| all(&KIND_NAMES), |own| vec![own]),
            ids: all(&ID_NAMES),
            times: (all(&TIME_NAMES).into_iter())
                .map(|at| (at, is_date(layer, at)))
                .collect(),
            accuracy: (rules.accuracy_column.as_deref()).and_then(|wanted| field(layer, wanted)),
            hdop: field(layer, HDOP),
        }
    }
}

fn text(feature: &Feature<'_>, at: usize) -> Option<String> {
    let text = feature.field_as_string(at).ok().flatten()?;
    let text = text.trim();
    (!text.is_empty() && text.chars().count() <= NAME_CHARACTERS).then(|| text.to_owned())
}

fn number(feature: &Feature<'_>, at: usize) -> Option<f64> {
    let number = match has_value(feature, at) {
        true => text(feature, at)?.replace(',', ".").parse::<f64>().ok()?,
        false => return None,
    };
    (number.is_finite() && number >= 0.0).then_some(number)
}

struct Reading<'r> {
    label: String,
    file: &'r TableSource,
    rules: &'r NoteRules,
    work: &'r WorkCrs,
    all: &'r mut NotesRead,
    report: LayerReport,
}

impl Reading<'_> {
    fn layer(&mut self, layer: &mut Layer<'_>) -> Result<(), SourceError> {
        let columns = Columns::of(layer, self.rules);
        let transform = self.transform(layer)?;
        forget_failures();
        let mut buffer = Vec::new();
        let label = self.report.source_layer.clone();
        let mut tally = Tally::new(&label, ROLE);
        for feature in layer.features() {
            self.report.read += 1;
            let geometry = raw_geometry(&feature, &mut buffer);
            tally.add(geometry.vertices())?;
            self.note(&feature, geometry, &columns, transform.as_ref());
        }
        match last_failure() {
            Some(message) if self.report.read == 0 || self.report.read < layer.feature_count() => {
                Err(fault(
                    &self.file.source,
                    format!(
                        "reading stopped after {} notes: {message}",
                        self.report.read
                    ),
                    "write the file anew from where it came from",
                ))
            }
            _ => Ok(()),
        }
    }

    /// The way into the plane; None for a layer without notes, which needs none.
    fn transform(&mut self, layer: &Layer<'_>) -> Result<Option<Transform>, SourceError> {
        if layer.feature_count() == 0 {
            return Ok(None);
        }
        let Some(mut from) = layer.spatial_ref().filter(|crs| !crs::says_nothing(crs)) else {
            return Err(fault(
                &self.report.source_layer,
                "it names no CRS, and nobody can tell where its notes lie".to_owned(),
                "save the notes with their CRS, or as GPX",
            ));
        };
        from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        self.report.crs = crs::label(&from);
        let way = self.work.way_from(&from).map_err(|message| {
            fault(
                &self.report.source_layer,
                format!("no transformation from {}: {message}", self.report.crs),
                "save the notes in longitude and latitude on WGS 84",
            )
        })?;
        Ok(Some(way))
    }

    fn note(
        &mut self,
        feature: &Feature<'_>,
        geometry: RawGeometry,
        columns: &Columns,
        transform: Option<&Transform>,
    ) {
        let number_in_file = feature.fid().unwrap_or(self.report.read);
        let id = columns.ids.iter().find_map(|&at| text(feature, at));
        let id = id.unwrap_or_else(|| format!("fid {number_in_file}"));
        let shape = match placed(geometry, transform) {
            Ok(shape) => shape,
            Err((code, why)) => {
                self.report.set_aside += 1;
                self.all.problems.push(Problem {
                    code,
                    layer: self.label.clone(),
                    feature_id: id,
                    place: None,
                    message: why,
                    remedy: "note the place anew".to_owned(),
                    shape: None,
                    set_aside: true,
                });
                return;
            }
        };
        let texts: Vec<String> = (columns.kinds.iter())
            .filter_map(|&at| text(feature, at))
            .collect();
        let named: Vec<&NoteKind> = texts
            .iter()
            .filter_map(|text| self.rules.kind(text))
            .collect();
        let kind = named.first().copied();
        let other = named
            .iter()
            .find(|other| kind.map(|k| k.layer) != Some(other.layer));
        let (fate, message) = match (kind, other) {
            (None, _) => (NoteFate::Unknown, unknown(&texts)),
            (Some(one), Some(other)) => (
                NoteFate::Refused,
                format!(
                    "it is `{}` by one attribute and `{}` by another; nothing follows from it",
                    one.name, other.name
                ),
            ),
            (Some(kind), None) if kind.layer == NoteRole::Listed => {
                (NoteFate::Listed, "listed, as the project wants".to_owned())
            }
            (Some(_), None) => (NoteFate::Used, String::new()),
        };
        match fate {
            NoteFate::Used | NoteFate::Listed => self.report.used += 1,
            NoteFate::Unknown | NoteFate::Refused => self.report.set_aside += 1,
        }
        let accuracy_m = columns.accuracy.and_then(|at| number(feature, at));
        let by_hdop = || {
            let hdop = columns.hdop.and_then(|at| number(feature, at))?;
            Some(hdop * self.rules.metres_per_hdop?)
        };
        let accuracy_m = accuracy_m
            .or_else(by_hdop)
            .or_else(|| kind.and_then(|kind| kind.accuracy_m));
        let date = (columns.times.iter()).find_map(|&(at, dates)| written_time(feature, at, dates));
        self.all.notes.push(FieldNote {
            kind: match kind {
                Some(kind) => kind.name.clone(),
                None => texts.first().cloned().unwrap_or_default(),
            },
            id,
            role: kind.map(|kind| kind.layer),
            class: kind.and_then(|kind| kind.class.clone()),
            counts: kind.is_some_and(|kind| kind.counts),
            source_layer: self.label.clone(),
            radius_m: kind.map_or(0.0, |kind| kind.radius_m),
            accuracy_m,
            date,
            shape,
            fate,
            message,
            feature: None,
            edges: vec![],
        });
    }
}

fn unknown(texts: &[String]) -> String {
    match texts {
        [] => "nothing says what kind of note it is; nothing follows from it".to_owned(),
        texts => {
            let quoted: Vec<String> = texts.iter().map(|text| format!("`{text}`")).collect();
            format!(
                "{} names no kind that is known; nothing follows from it",
                quoted.join(", ")
            )
        }
    }
}

/// The shape of a note in the plane: its ground where it has any, else its lines, else its points.
fn placed(
    geometry: RawGeometry,
    transform: Option<&Transform>,
) -> Result<Shape, (ProblemCode, String)> {
    let mut parts = match geometry {
        RawGeometry::Parts { parts, .. } => parts,
        RawGeometry::Null => {
            return Err((ProblemCode::NullGeometry, "it has no place".to_owned()));
        }
        RawGeometry::Empty => {
            return Err((ProblemCode::EmptyGeometry, "its place is empty".to_owned()));
        }
        RawGeometry::TooLong(count) => {
            let why = format!("it has {count} vertices, more than are read");
            return Err((ProblemCode::TooLarge, why));
        }
        RawGeometry::Unreadable(why) => {
            let why = format!("its geometry cannot be read: {why}");
            return Err((ProblemCode::WrongGeometryType, why));
        }
    };
    let no_number = || {
        (
            ProblemCode::NotFinite,
            "a coordinate of it is no number".to_owned(),
        )
    };
    if !coords(&parts).all(|c| c.x.is_finite() && c.y.is_finite()) {
        return Err(no_number());
    }
    if !transform.is_some_and(|transform| transform.parts(&mut parts)) {
        let why = "it lies where the work CRS does not reach".to_owned();
        return Err((ProblemCode::OutOfRange, why));
    }
    let degenerate =
        |error: crate::geometry::clean::CleanError| (ProblemCode::Degenerate, error.to_string());
    let (closed, open): (Vec<_>, Vec<_>) = (parts.lines.into_iter())
        .partition(|line| line.0.len() >= 4 && line.0.first() == line.0.last());
    let mut polygons = parts.polygons;
    polygons.extend(closed.into_iter().map(|line| Polygon::new(line, vec![])));
    if !polygons.is_empty() {
        let repaired = repair_polygons(polygons, RepairRule::NonZero).map_err(degenerate)?;
        return Ok(Shape::Polygons(MultiPolygon(repaired.shape.0)));
    }
    if !open.is_empty() {
        let cleaned = clean_lines(open).map_err(degenerate)?;
        return Ok(Shape::Lines(MultiLineString(cleaned.shape.0)));
    }
    let coords: Vec<_> = parts.points.iter().map(|point| point.0).collect();
    check_coordinates(&coords).map_err(degenerate)?;
    match parts.points.is_empty() {
        true => Err((ProblemCode::EmptyGeometry, "its place is empty".to_owned())),
        false => Ok(Shape::Points(MultiPoint(parts.points))),
    }
}

fn coords(parts: &Parts) -> impl Iterator<Item = geo::Coord> + '_ {
    let lines = parts.lines.iter().flat_map(|line| &line.0);
    let rings = (parts.polygons.iter())
        .flat_map(crate::geometry::area::rings)
        .flat_map(|ring| &ring.0);
    let points = parts.points.iter().map(|point| point.0);
    points.chain(lines.chain(rings).copied())
}
