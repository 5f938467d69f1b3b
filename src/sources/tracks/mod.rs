//! Tracks of machines: GPX 1.1, lines, and points with a time.
//!
//! GPX times are UTC. Elsewhere a time counts as written with its offset, and as UTC, with a note, where it has none.
//! Values of M are not read: no standard says that they are times, or since when.

mod errors;
mod time;

use std::collections::BTreeMap;
use std::path::Path;

use gdal::spatial_ref::{AxisMappingStrategy, SpatialRef};
use gdal::vector::{Layer, LayerAccess, OGRFieldType};
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};

use super::counts::{self, Fault, Known};
use super::crs::{self, Transform, WorkCrs};
use super::errors::SourceError;
use super::features::{RawGeometry, raw_geometry};
use super::limits::Tally;
use super::open::{forget_failures, last_failure, package_options, quiet_gdal};
use super::plain::{check_plain, why_no_table};
use super::sql;
use crate::model::{Fix, Track};
pub use errors::TrackError;
pub(super) use time::written_time;
use time::{Stamp, stamp};

/// Drivers that may open a file of tracks: those of any layer, and two more plain local formats.
pub const DRIVERS: [&str; 8] = [
    "GPX",
    "CSV",
    "GPKG",
    "ESRI Shapefile",
    "GeoJSON",
    "GeoJSONSeq",
    "FlatGeobuf",
    "MapInfo File",
];
/// Attributes that are looked for when none is named, in this order; upper and lower case alike.
const TIME_NAMES: [&str; 6] = [
    "time",
    "timestamp",
    "datetime",
    "date_time",
    "gps_time",
    "utc",
];
/// Columns of a CSV file that are degrees on WGS 84, or else coordinates in the work CRS.
const OPTIONS: [&str; 2] = [
    "X_POSSIBLE_NAMES=lon,longitude,long,x,easting",
    "Y_POSSIBLE_NAMES=lat,latitude,y,northing",
];

/// What of a file to read; what is not named is looked for.
#[derive(Clone, Copy, Debug, Default)]
pub struct TrackColumns<'a> {
    pub layer: Option<&'a str>,
    /// Attribute of points with their time.
    pub time: Option<&'a str>,
    /// Attribute that tells the points or lines of one track, or machine, from those of another.
    pub track: Option<&'a str>,
}

/// What was found in a file.
#[derive(Clone, Debug, PartialEq)]
pub struct TracksRead {
    /// In the work CRS. A break that the file itself shows (a segment, a part) ends a track.
    pub tracks: Vec<Track>,
    /// `file:layer`.
    pub source_layer: String,
    /// What was assumed or passed over, a sentence each.
    pub notes: Vec<String>,
}

/// Reads the tracks of a file into the work CRS.
///
/// # Errors
/// [`SourceError::Tracks`] when the file cannot be read or holds no track.
pub fn read(
    path: &Path,
    columns: TrackColumns<'_>,
    work: &WorkCrs,
) -> Result<TracksRead, SourceError> {
    quiet_gdal();
    let file = path.display().to_string();
    check_plain(path, &file, "tracks").map_err(|error| plain_error(&file, error))?;
    let dataset = open(path, &file)?;
    let gpx = dataset.driver().short_name() == "GPX";
    let mut layer = layer_of(&dataset, &file, columns.layer, gpx)?;
    let mut reading = Reading {
        label: format!("{file}:{}", layer.name()),
        transform: Transform::same(),
        tracks: vec![],
        counts: Counts::default(),
        notes: vec![],
        known: Known::default(),
    };
    let known = counts::known(&dataset, &layer, path, false);
    reading.known = known.map_err(|fault| reading.fault(fault))?;
    reading.transform = reading.way_to(work, &layer)?;
    match (gpx, layer.name().as_str()) {
        (true, "track_points") => {
            let names = track_names(&dataset);
            reading.gpx_points(&mut layer, &names)?;
        }
        (true, name @ ("routes" | "route_points" | "waypoints")) => {
            return Err(reading.no_tracks(format!("`{name}` are no tracks")));
        }
        _ => reading.any(&mut layer, columns)?,
    }
    reading.finish()
}

/// Whether a file holds tracks, going by its driver or its first geometry; a file that cannot be opened holds none.
pub(super) fn holds(path: &Path, layer: Option<&str>) -> bool {
    use First::{Gpx, Lines, Points, Ring};
    matches!(first_of(path, layer), Some(Gpx | Lines | Ring | Points))
}

/// Whether a file is taken for tracks where ground could be given too: GPX, even one that cannot be opened, points, or lines that
/// end elsewhere than they begin. Lines that are closed are outlines of ground.
pub fn are_tracks(path: &Path) -> bool {
    let ending = path.extension();
    let is_named_so = ending.is_some_and(|ending| ending.eq_ignore_ascii_case("gpx"));
    let is_track = |first| matches!(first, First::Gpx | First::Lines | First::Points);
    is_named_so || first_of(path, None).is_some_and(is_track)
}

/// What a file begins with; None where it cannot be opened, or holds no shape.
fn first_of(path: &Path, layer: Option<&str>) -> Option<First> {
    quiet_gdal();
    let file = path.display().to_string();
    check_plain(path, &file, "tracks").ok()?;
    let dataset = open(path, &file).ok()?;
    if dataset.driver().short_name() == "GPX" {
        return Some(First::Gpx);
    }
    let mut layer = layer_of(&dataset, &file, layer, false).ok()?;
    first_shape(&mut layer)
}

/// What the first feature with a shape is.
enum First {
    /// Whatever it is: the format is one of tracks.
    Gpx,
    Polygons,
    Lines,
    /// Lines that end where they begin.
    Ring,
    Points,
}

fn first_shape(layer: &mut Layer<'_>) -> Option<First> {
    let mut buffer = Vec::new();
    let mut geometries = layer.features().map(|f| raw_geometry(&f, &mut buffer));
    geometries.find_map(|geometry| match geometry {
        RawGeometry::Parts { parts, .. } if !parts.polygons.is_empty() => Some(First::Polygons),
        RawGeometry::Parts { parts, .. } if !parts.lines.is_empty() => {
            let is_ring = |line: &geo::LineString| line.0.len() > 3 && line.is_closed();
            Some(match parts.lines.iter().all(is_ring) {
                true => First::Ring,
                false => First::Lines,
            })
        }
        RawGeometry::Parts { parts, .. } if !parts.points.is_empty() => Some(First::Points),
        _ => None,
    })
}

fn plain_error(file: &str, error: SourceError) -> SourceError {
    let file = file.to_owned();
    SourceError::Tracks(match error {
        SourceError::MissingFile { .. } => TrackError::MissingFile { file },
        SourceError::Forbidden { why, .. } => TrackError::Forbidden { file, why },
        much @ SourceError::TooMuch { .. } => return much,
        other => TrackError::Unreadable {
            file,
            message: other.to_string(),
        },
    })
}

fn open(path: &Path, file: &str) -> Result<Dataset, TrackError> {
    let forbidden = |why: String| TrackError::Forbidden {
        file: file.to_owned(),
        why,
    };
    if let Some(why) = why_no_table(path) {
        return Err(forbidden(why.to_owned()));
    }
    forget_failures();
    let csv = path
        .extension()
        .is_some_and(|e| e.eq_ignore_ascii_case("csv"));
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_READONLY
            | GdalOpenFlags::GDAL_OF_VECTOR
            | GdalOpenFlags::GDAL_OF_VERBOSE_ERROR,
        allowed_drivers: Some(&DRIVERS),
        // Other drivers complain about options that they do not know.
        open_options: package_options(path).or(csv.then_some(&OPTIONS[..])),
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(path, options).map_err(|error| TrackError::Unreadable {
        file: file.to_owned(),
        message: last_failure().unwrap_or_else(|| error.to_string()),
    })?;
    match sql::why_no_views(&dataset) {
        Some(why) => Err(forbidden(why)),
        None => Ok(dataset),
    }
}

fn layer_of<'a>(
    dataset: &'a Dataset,
    file: &str,
    wanted: Option<&str>,
    gpx: bool,
) -> Result<Layer<'a>, TrackError> {
    let names: Vec<String> = dataset.layers().map(|layer| layer.name()).collect();
    let wanted = wanted.or(gpx.then_some("track_points"));
    let index = match wanted {
        Some(wanted) => names
            .iter()
            .position(|name| name == wanted)
            .ok_or_else(|| TrackError::MissingLayer {
                file: file.to_owned(),
                layer: wanted.to_owned(),
                available: names.clone(),
            })?,
        None if names.len() == 1 => 0,
        None => {
            return Err(TrackError::LayerNotNamed {
                file: file.to_owned(),
                available: names,
            });
        }
    };
    dataset
        .layer(index)
        .map_err(|error| TrackError::Unreadable {
            file: file.to_owned(),
            message: last_failure().unwrap_or_else(|| error.to_string()),
        })
}

/// Names of the tracks of a GPX file, by their numbers.
fn track_names(dataset: &Dataset) -> BTreeMap<i64, String> {
    let mut names = BTreeMap::new();
    let Ok(mut layer) = dataset.layer_by_name("tracks") else {
        return names;
    };
    let Some(field) = field_named(&layer, "name") else {
        return names;
    };
    for (number, feature) in layer.features().enumerate() {
        if let Ok(Some(name)) = feature.field_as_string(field) {
            names.insert(number as i64, name);
        }
    }
    names
}

fn field_names(layer: &Layer<'_>) -> Vec<String> {
    layer.defn().fields().map(|field| field.name()).collect()
}

fn field_named(layer: &Layer<'_>, wanted: &str) -> Option<usize> {
    (field_names(layer).iter()).position(|name| name.eq_ignore_ascii_case(wanted))
}

pub(super) fn is_date(layer: &Layer<'_>, field: usize) -> bool {
    let kind = layer.defn().fields().nth(field).map(|f| f.field_type());
    kind == Some(OGRFieldType::OFTDateTime)
}

#[derive(Default)]
struct Counts {
    features: u64,
    assumed_utc: usize,
    unreadable_times: usize,
    no_place: usize,
}

struct Reading {
    label: String,
    transform: Transform,
    tracks: Vec<Track>,
    counts: Counts,
    notes: Vec<String>,
    known: Known,
}

impl Reading {
    fn fault(&self, fault: Fault) -> SourceError {
        let layer = self.label.clone();
        SourceError::Tracks(match fault {
            Fault::Differ(what) => TrackError::CountsDiffer { layer, what },
            Fault::Unreadable(message) => TrackError::Unreadable {
                file: layer,
                message,
            },
        })
    }

    fn no_tracks(&self, why: String) -> SourceError {
        SourceError::Tracks(TrackError::NoTracks {
            layer: self.label.clone(),
            why,
        })
    }

    fn way_to(&mut self, work: &WorkCrs, layer: &Layer<'_>) -> Result<Transform, TrackError> {
        let named = layer.spatial_ref().filter(|crs| !crs::says_nothing(crs));
        let mut from: SpatialRef = match named {
            Some(crs) => crs,
            None if field_named(layer, "lat")
                .or(field_named(layer, "latitude"))
                .is_some() =>
            {
                let note = "the file names no CRS; `lat` and `lon` are taken for degrees on WGS 84";
                self.notes.push(note.to_owned());
                crs::wgs84().map_err(|error| self.no_way("WGS 84", work, error.to_string()))?
            }
            None => {
                return Err(TrackError::NoCrs {
                    layer: self.label.clone(),
                });
            }
        };
        from.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        work.way_from(&from)
            .map_err(|message| self.no_way(&crs::label(&from), work, message))
    }

    fn no_way(&self, from: &str, work: &WorkCrs, message: String) -> TrackError {
        TrackError::NoTransform {
            layer: self.label.clone(),
            from: from.to_owned(),
            to: work.label.clone(),
            message,
        }
    }

    /// Track points of GPX, one track for each segment. Times are UTC by the standard.
    fn gpx_points(
        &mut self,
        layer: &mut Layer<'_>,
        names: &BTreeMap<i64, String>,
    ) -> Result<(), SourceError> {
        let fields = ["track_fid", "track_seg_id", "time"].map(|name| field_named(layer, name));
        let [Some(track), Some(segment), Some(time)] = fields else {
            return Err(
                self.no_tracks("its points do not say to which track they belong".to_owned())
            );
        };
        let dates = is_date(layer, time);
        let mut segments: BTreeMap<(i64, i64), Vec<Fix>> = BTreeMap::new();
        self.points(layer, |feature, reading, at| {
            let number = |field| {
                feature
                    .field_as_integer64(field)
                    .ok()
                    .flatten()
                    .unwrap_or(0)
            };
            let found = stamp(feature, time, dates);
            reading.counts.unreadable_times += usize::from(found == Stamp::Unreadable);
            let key = (number(track), number(segment));
            segments.entry(key).or_default().extend(at.map(|at| Fix {
                at,
                time: found.time(),
            }));
        })?;
        let several: Vec<i64> = segments.keys().map(|&(track, _)| track).collect();
        for ((track, segment), fixes) in segments {
            let name = names.get(&track).filter(|name| !name.trim().is_empty());
            let mut id = match name {
                Some(name) => name.trim().to_owned(),
                None => format!("track {}", track + 1),
            };
            if several.iter().filter(|&&other| other == track).count() > 1 {
                id = format!("{id}, segment {}", segment + 1);
            }
            self.tracks.push(Track { id, fixes });
        }
        Ok(())
    }

    /// Points, one track for each value of the track attribute; or lines, one track for each part.
    fn any(&mut self, layer: &mut Layer<'_>, columns: TrackColumns<'_>) -> Result<(), SourceError> {
        let find = |wanted: Option<&str>| match wanted {
            None => Ok(None),
            Some(wanted) => match field_named(layer, wanted) {
                Some(field) => Ok(Some(field)),
                None => Err(TrackError::MissingField {
                    layer: self.label.clone(),
                    field: wanted.to_owned(),
                    available: field_names(layer),
                }),
            },
        };
        let track = find(columns.track)?;
        let time = match find(columns.time)? {
            Some(field) => Some(field),
            None => TIME_NAMES.iter().find_map(|name| field_named(layer, name)),
        };
        let dates = time.is_some_and(|time| is_date(layer, time));
        let mut by_id: BTreeMap<String, Vec<Fix>> = BTreeMap::new();
        let mut order: Vec<String> = Vec::new();
        let mut lines: Vec<Track> = Vec::new();
        let mut polygons = 0;
        self.each(layer, |feature, number, reading, geometry| {
            let text = |field| feature.field_as_string(field).ok().flatten();
            let id = track.and_then(text).unwrap_or_default();
            let RawGeometry::Parts { mut parts, .. } = geometry else {
                reading.counts.no_place += 1;
                return;
            };
            polygons += parts.polygons.len();
            if !reading.transform.parts(&mut parts) {
                reading.counts.no_place += 1;
                return;
            }
            let count = parts.lines.len();
            for (k, line) in parts.lines.into_iter().enumerate() {
                let mut id = if id.is_empty() {
                    format!("line {number}")
                } else {
                    id.clone()
                };
                if count > 1 {
                    id = format!("{id}, part {}", k + 1);
                }
                let fixes = line.0.into_iter().map(|at| Fix { at, time: None });
                lines.push(Track {
                    id,
                    fixes: fixes.collect(),
                });
            }
            if parts.points.is_empty() {
                return;
            }
            let found = time.map_or(Stamp::None, |field| stamp(feature, field, dates));
            reading.counts.assumed_utc += usize::from(matches!(found, Stamp::Assumed(_)));
            reading.counts.unreadable_times += usize::from(found == Stamp::Unreadable);
            let fixes = by_id.entry(id.clone()).or_insert_with(|| {
                order.push(id);
                vec![]
            });
            fixes.extend(parts.points.iter().map(|point| Fix {
                at: point.0,
                time: found.time(),
            }));
        })?;
        if polygons > 0 && by_id.is_empty() && lines.is_empty() {
            return Err(
                self.no_tracks("it holds polygons; they are the cut area itself".to_owned())
            );
        }
        if !by_id.is_empty() && time.is_none() {
            self.notes.push(
                "the points have no attribute of time; their order is that of the file".to_owned(),
            );
        }
        if !lines.is_empty() {
            self.notes
                .push("lines say where the machine was, but not when".to_owned());
        }
        for id in order {
            let fixes = by_id.remove(&id).unwrap_or_default();
            let id = if id.is_empty() {
                "track".to_owned()
            } else {
                id
            };
            self.tracks.push(Track { id, fixes });
        }
        self.tracks.extend(lines);
        Ok(())
    }

    /// Every feature of the layer with its number, from 1.
    fn each(
        &mut self,
        layer: &mut Layer<'_>,
        mut take: impl FnMut(&gdal::vector::Feature<'_>, u64, &mut Reading, RawGeometry),
    ) -> Result<(), SourceError> {
        forget_failures();
        let mut buffer = Vec::new();
        let label = self.label.clone();
        let mut tally = Tally::new(&label, "tracks");
        for feature in layer.features() {
            self.counts.features += 1;
            let geometry = raw_geometry(&feature, &mut buffer);
            tally.add(geometry.vertices())?;
            take(&feature, self.counts.features, self, geometry);
        }
        match last_failure() {
            // A complaint about one feature leaves the count whole; one without features is of the file.
            Some(message)
                if self.counts.features == 0 || self.counts.features < layer.feature_count() =>
            {
                Err(SourceError::Tracks(TrackError::ReadingStopped {
                    layer: self.label.clone(),
                    features: self.counts.features,
                    message,
                }))
            }
            _ => (self.known)
                .check(self.counts.features)
                .map_err(|fault| self.fault(fault)),
        }
    }

    /// As [`Reading::each`], for points, transformed; None where the point lies nowhere.
    fn points(
        &mut self,
        layer: &mut Layer<'_>,
        mut take: impl FnMut(&gdal::vector::Feature<'_>, &mut Reading, Option<geo::Coord>),
    ) -> Result<(), SourceError> {
        self.each(layer, |feature, _, reading, geometry| {
            let mut at = match geometry {
                RawGeometry::Parts { parts, .. } => parts.points.first().map(|point| [point.0]),
                _ => None,
            };
            at = at.filter(|at| at[0].x.is_finite() && at[0].y.is_finite());
            at = at.and_then(|mut at| reading.transform.points(&mut at).then_some(at));
            reading.counts.no_place += usize::from(at.is_none());
            take(feature, reading, at.map(|[at]| at));
        })
    }

    fn finish(mut self) -> Result<TracksRead, SourceError> {
        self.tracks.retain(|track| !track.fixes.is_empty());
        if self.tracks.is_empty() {
            return Err(self.no_tracks("it has no usable points or lines".to_owned()));
        }
        let counts = &self.counts;
        for (count, what) in [
            (
                counts.assumed_utc,
                "times without an offset from UTC, taken for UTC",
            ),
            (
                counts.unreadable_times,
                "times that cannot be read (write them as 2026-02-03T06:00:00Z)",
            ),
            (
                counts.no_place,
                "features passed over without a usable position",
            ),
        ] {
            if count > 0 {
                self.notes.push(format!("{what}: {count}"));
            }
        }
        Ok(TracksRead {
            tracks: self.tracks,
            source_layer: self.label,
            notes: self.notes,
        })
    }
}
