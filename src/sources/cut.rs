//! Files of planned or cut ground: a layout's GeoPackage, polygons of anybody's, or tracks of the felling machine.

use std::path::{Path, PathBuf};

use gdal::vector::LayerAccess;
use geo::{Coord, LineString, Polygon};

use super::crs::WorkCrs;
use super::errors::SourceError;
use super::features::{self, RawGeometry};
use super::tracks::{self, TrackColumns, TracksRead};
use super::{InputFile, hash, layer, open, plain};
use crate::model::{DayCondition, Fact, LayerKind, OpenDays, Problem, Shape, SpanError};
use crate::project::{Attribute, AttributeSource, LayerSource};
use crate::units::LengthUnit;

/// Which file, layer and attribute hold the cut.
#[derive(Clone, Debug)]
pub struct CutFile {
    pub path: PathBuf,
    /// Name of the layer where the file holds several; not for a layout.
    pub layer: Option<String>,
    /// Attribute with the block's id; None: one of `ids`, if the layer has any of them.
    pub id: Option<String>,
    /// Attributes looked for where `id` is not given, ASCII case ignored.
    pub ids: Vec<String>,
    /// Whether the file may hold tracks, and what their attributes are.
    pub tracks: Option<TrackNames>,
}

/// Attributes of track points; what is not named is looked for.
#[derive(Clone, Debug, Default)]
pub struct TrackNames {
    /// With the time of a point.
    pub time: Option<String>,
    /// That tells the points of one track from those of another.
    pub track: Option<String>,
}

/// One feature, in the work CRS.
#[derive(Clone, Debug)]
pub struct CutFeature {
    pub fid: String,
    /// As the attribute says; None: it says nothing, or there is none.
    pub block_id: Option<String>,
    /// Kind of a strip or line, shift class of a section, ...
    pub class: Option<String>,
    pub part: u32,
    pub polygons: Vec<Polygon>,
    pub lines: Vec<LineString>,
    pub points: Vec<Coord>,
    /// Of points: how many trees each is.
    pub trees: Option<f64>,
    /// Of a section: the days on which its plan lets it be worked.
    pub open: OpenDays,
}

/// The layers of a layout that say what is cut, driven and left. Its zones are not read.
#[derive(Clone, Debug, Default)]
pub struct PlanLayers {
    pub strips: Vec<CutFeature>,
    pub strip_lines: Vec<CutFeature>,
    /// Ways on which nothing is cut.
    pub travel: Vec<CutFeature>,
    /// Ways that loads take; only of a plan beside what was cut.
    pub trails: Vec<CutFeature>,
    pub corridors: Vec<CutFeature>,
    pub unworked: Vec<CutFeature>,
    pub sections: Vec<CutFeature>,
}

#[derive(Clone, Debug)]
pub enum CutLayers {
    Plan(Box<PlanLayers>),
    /// `by_id` false: no attribute says which block a polygon belongs to.
    Polygons {
        features: Vec<CutFeature>,
        by_id: bool,
    },
    Tracks(TracksRead),
}

/// What was read of one file.
#[derive(Clone, Debug)]
pub struct CutRead {
    pub layers: CutLayers,
    pub problems: Vec<Problem>,
    pub inputs: Vec<InputFile>,
}

/// Why a file of the cut cannot be read.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CutError {
    #[error("{file}: {why}\n  hint: {hint}")]
    Unreadable {
        file: String,
        why: String,
        hint: &'static str,
    },
    #[error(
        "{file}: it holds several layers: {layers}\n  hint: name the one with the cut ground with --layer"
    )]
    WhichLayer { file: String, layers: String },
    #[error(
        "{file}, layer {layer}: it has no attribute `{id}`; it has {fields}\n  hint: correct --id"
    )]
    NoId {
        file: String,
        layer: String,
        id: String,
        fields: String,
    },
    #[error(transparent)]
    Tracks(SourceError),
}

/// The first line of a source's message, which names the role of a layer that this file does not have.
fn why(error: &SourceError) -> String {
    let text = error.to_string();
    let first = text
        .lines()
        .next()
        .unwrap_or_default()
        .replace(" (blocks)", "")
        .replace(" (tracks)", "");
    first.replace(" (streams)", "")
}

struct Names {
    /// Layers with their attributes.
    layers: Vec<(String, Vec<String>)>,
}

fn source(file: &CutFile, shown: &str, layer: Option<&str>, lines: bool) -> LayerSource {
    let kind = if lines {
        LayerKind::Streams
    } else {
        LayerKind::Blocks
    };
    LayerSource::bare(kind, &file.path, shown, layer)
}

fn field(name: &str) -> Attribute {
    Attribute(vec![AttributeSource::Field(name.to_owned())])
}

/// Reads a file of the cut into the work CRS (`crs` as in [`Batch::crs`](super::Batch::crs)); a layout is known by its
/// layer `strips`. A bad feature becomes a [`Problem`]. `sections`: whether a layout's sections and trails are wanted.
///
/// # Errors
/// A file, layer, attribute or CRS that cannot be read.
pub fn read_cut(file: &CutFile, crs: &str, sections: bool) -> Result<CutRead, CutError> {
    open::quiet_gdal();
    let shown = shown(&file.path);
    let unreadable = |error: SourceError| CutError::Unreadable {
        file: shown.clone(),
        why: why(&error)
            .trim_start_matches(&format!("{shown}: "))
            .to_owned(),
        hint: match error {
            SourceError::CountsDiffer { .. } | SourceError::ReadingStopped { .. } => {
                "it was cut short, or a part of it is of another save; write it anew from where it came from, all files of it \
                 together"
            }
            SourceError::MissingPart { .. } => {
                "copy all files of the layer from where they came from"
            }
            _ => "name one plain local file with polygons or a layout.gpkg, with its CRS",
        },
    };
    let only_tracks = file.path.extension().is_some_and(|extension| {
        ["gpx", "csv"]
            .iter()
            .any(|own| extension.eq_ignore_ascii_case(own))
    });
    if only_tracks {
        plain::check_plain(&file.path, &shown, "tracks").map_err(unreadable)?;
    }
    let work = WorkCrs::new(crs).map_err(unreadable)?;
    let whole = source(file, &shown, None, false);
    let stamps = hash::inputs(&[&whole]).map_err(unreadable)?;
    let inputs = stamps.into_iter().map(|stamp| stamp.input).collect();
    if let Some(columns) = &file.tracks
        && tracks::holds(&file.path, file.layer.as_deref())
    {
        let columns = TrackColumns {
            layer: file.layer.as_deref(),
            time: columns.time.as_deref(),
            track: columns.track.as_deref(),
        };
        let read = tracks::read(&file.path, columns, &work).map_err(CutError::Tracks)?;
        return Ok(CutRead {
            layers: CutLayers::Tracks(read),
            problems: vec![],
            inputs,
        });
    }
    let names = names(&whole).map_err(unreadable)?;
    let mut desk = Desk {
        work: &work,
        crs,
        problems: vec![],
    };
    let is_layout = file.layer.is_none() && names.layers.iter().any(|(name, _)| name == "strips");
    let layers = if is_layout {
        let mut read = |name: &str, class: Option<&str>, lines: bool, part: bool| {
            let Some((_, fields)) = names.layers.iter().find(|(own, _)| own == name) else {
                return Ok(vec![]);
            };
            let has = |field: &str| fields.iter().any(|own| own == field);
            let mut source = source(file, &shown, Some(name), lines);
            source.id = field("block_id");
            source.class = class
                .filter(|c| has(c))
                .map_or_else(Attribute::default, field);
            if part && has("part") {
                source.facts.push(("part".to_owned(), field("part")));
            }
            if has(OPEN_DAYS) {
                source.facts.push((OPEN_DAYS.to_owned(), field(OPEN_DAYS)));
            }
            desk.read(&source)
        };
        let plan = PlanLayers {
            strips: read("strips", Some("kind"), false, true).map_err(unreadable)?,
            strip_lines: read("strip_lines", Some("kind"), true, true).map_err(unreadable)?,
            travel: read("travel", None, true, false).map_err(unreadable)?,
            trails: match sections {
                true => read("skid_trails", None, true, false).map_err(unreadable)?,
                false => vec![],
            },
            corridors: read("corridors", None, false, true).map_err(unreadable)?,
            unworked: read("unworked", Some("reason"), false, true).map_err(unreadable)?,
            sections: if sections {
                read("sections", Some("shift_class"), false, true).map_err(unreadable)?
            } else {
                vec![]
            },
        };
        CutLayers::Plan(Box::new(plan))
    } else {
        let chosen = match (&file.layer, &names.layers[..]) {
            (Some(wanted), layers) => layers.iter().find(|(name, _)| name == wanted),
            (None, [only]) => Some(only),
            _ => None,
        };
        let Some((name, fields)) = chosen else {
            let all: Vec<&str> = names.layers.iter().map(|(name, _)| name.as_str()).collect();
            return Err(CutError::WhichLayer {
                file: shown,
                layers: all.join(", "),
            });
        };
        let like = |wanted: &String| {
            let found = fields.iter().find(|own| own.eq_ignore_ascii_case(wanted));
            found.cloned()
        };
        let id = match &file.id {
            Some(wanted) => Some(like(wanted).ok_or_else(|| CutError::NoId {
                file: shown.clone(),
                layer: name.clone(),
                id: wanted.clone(),
                fields: fields.join(", "),
            })?),
            None => file.ids.iter().find_map(like),
        };
        let mut source = source(file, &shown, Some(name), false);
        source.id = id.as_deref().map_or_else(Attribute::default, field);
        CutLayers::Polygons {
            features: desk.read(&source).map_err(unreadable)?,
            by_id: id.is_some(),
        }
    };
    Ok(CutRead {
        layers,
        problems: desk.problems,
        inputs,
    })
}

/// The file's own name: messages and outputs hold no machine's paths.
fn shown(path: &Path) -> String {
    let name = path.file_name().map(|name| name.to_string_lossy());
    name.map_or_else(|| path.display().to_string(), |name| name.into_owned())
}

fn names(source: &LayerSource) -> Result<Names, SourceError> {
    let dataset = open::open(source)?;
    let layers = dataset.layers().map(|layer| {
        let fields = layer.defn().fields().map(|field| field.name()).collect();
        (layer.name(), fields)
    });
    Ok(Names {
        layers: layers.collect(),
    })
}

/// What was found standing on ground that was cut, in the work CRS.
#[derive(Clone, Debug, Default)]
pub struct StandingRead {
    pub clumps: Vec<Polygon>,
    /// Places with how many trees stand there.
    pub stems: Vec<(Coord, f64)>,
    pub problems: Vec<Problem>,
    pub inputs: Vec<InputFile>,
}

/// Attribute of single trees with their number.
const TREES: &str = "trees";

/// Reads what stands on ground that was cut: of all layers of a file polygons as clumps, and points as single trees, each one tree or
/// as many as its attribute `trees` says. `crs` as in [`read_cut`].
///
/// # Errors
/// A file, layer or CRS that cannot be read.
pub fn read_standing(path: &Path, crs: &str) -> Result<StandingRead, CutError> {
    open::quiet_gdal();
    let shown = shown(path);
    let unreadable = |error: SourceError| CutError::Unreadable {
        file: shown.clone(),
        why: why(&error)
            .trim_start_matches(&format!("{shown}: "))
            .to_owned(),
        hint: "name one plain local file with points of single trees or polygons of clumps, with its CRS",
    };
    let work = WorkCrs::new(crs).map_err(unreadable)?;
    let whole = LayerSource::bare(LayerKind::Retain, path, &shown, None);
    let stamps = hash::inputs(&[&whole]).map_err(unreadable)?;
    let mut found = StandingRead {
        inputs: stamps.into_iter().map(|stamp| stamp.input).collect(),
        ..StandingRead::default()
    };
    let mut desk = Desk {
        work: &work,
        crs,
        problems: vec![],
    };
    for (name, fields) in names(&whole).map_err(unreadable)?.layers {
        let mut source = LayerSource::bare(LayerKind::Retain, path, &shown, Some(&name));
        let own = fields.iter().find(|own| own.eq_ignore_ascii_case(TREES));
        source
            .facts
            .extend(own.map(|own| (TREES.to_owned(), field(own))));
        for feature in desk.read(&source).map_err(unreadable)? {
            let trees = feature.trees.unwrap_or(1.0);
            found.clumps.extend(feature.polygons);
            found
                .stems
                .extend(feature.points.into_iter().map(|at| (at, trees)));
        }
    }
    found.problems = desk.problems;
    Ok(found)
}

/// A fact that is a number of 0 or more.
fn number(facts: &[(String, Fact)], name: &str) -> Option<f64> {
    let own = facts.iter().find(|(own, _)| own == name);
    let number = match own?.1 {
        Fact::Number(number) => number,
        Fact::Text(ref text) => text.trim().parse().ok()?,
        Fact::Flag(_) => return None,
    };
    (number.is_finite() && number >= 0.0).then_some(number)
}

struct Desk<'d> {
    work: &'d WorkCrs,
    crs: &'d str,
    problems: Vec<Problem>,
}

impl Desk<'_> {
    fn read(&mut self, source: &LayerSource) -> Result<Vec<CutFeature>, SourceError> {
        let layer = layer::read(source, LengthUnit::Metre)?;
        let Some((from, note)) = layer.head.crs(Some(self.crs))? else {
            return Ok(vec![]);
        };
        self.problems.extend(note);
        let transform = layer.head.transform_to(&from, self.work)?;
        let label = layer.head.label.clone();
        let mut found = Vec::with_capacity(layer.features.len());
        for mut raw in layer.features {
            let geometry = std::mem::replace(&mut raw.geometry, RawGeometry::Null);
            let mut feature = CutFeature {
                part: raw
                    .facts
                    .iter()
                    .find_map(|(name, fact)| part(fact).filter(|_| name == "part"))
                    .unwrap_or(0),
                open: open_days(&raw.facts),
                block_id: raw.id,
                class: raw.class,
                fid: raw.fid,
                polygons: vec![],
                lines: vec![],
                points: vec![],
                trees: number(&raw.facts, TREES),
            };
            let mut problem = |remark: features::Remark, shape, set_aside| {
                self.problems.push(Problem {
                    code: remark.code,
                    layer: label.clone(),
                    feature_id: feature.fid.clone(),
                    place: remark
                        .place
                        .map(|at| self.work.plane().leave(at.into()).into()),
                    message: remark.message,
                    remedy: remark.remedy,
                    shape,
                    set_aside,
                });
            };
            match features::shape(geometry, source.kind, &transform) {
                Ok(shaped) => {
                    shaped
                        .notes
                        .into_iter()
                        .for_each(|note| problem(note, None, false));
                    for shape in shaped.shapes {
                        match shape {
                            Shape::Polygons(shape) => feature.polygons.extend(shape.0),
                            Shape::Lines(lines) => feature.lines.extend(lines.0),
                            Shape::Points(points) => {
                                feature.points.extend(points.0.into_iter().map(|at| at.0));
                            }
                        }
                    }
                    found.push(feature);
                }
                Err(aside) => problem(aside.remark, aside.shape, true),
            }
        }
        Ok(found)
    }
}

/// Attribute of a plan's sections.
const OPEN_DAYS: &str = "open_days";

/// The days on which a section may be worked; those that nobody understands are not known.
fn open_days(facts: &[(String, Fact)]) -> OpenDays {
    let own = facts.iter().find(|(name, _)| name == OPEN_DAYS);
    match own {
        Some((_, Fact::Text(written))) => {
            let unknown = |_: SpanError| OpenDays::new(vec![DayCondition::Unknown]);
            written.parse().unwrap_or_else(unknown)
        }
        _ => OpenDays::default(),
    }
}

fn part(fact: &Fact) -> Option<u32> {
    match fact {
        Fact::Number(number) if *number >= 0.0 => Some(*number as u32),
        Fact::Number(_) | Fact::Flag(_) => None,
        Fact::Text(text) => text.trim().parse().ok(),
    }
}
