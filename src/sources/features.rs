//! From what a driver hands over to usable shapes: the parts a role can use, transformed, cleaned and repaired, with a
//! note for everything that was done, or the reason why nothing can be used.

use gdal::vector::Feature;
use gdal_calls::features;
use geo::{Coord, LineString, MultiLineString, MultiPoint, MultiPolygon, Polygon};

use super::crs::Transform;
use super::limits::FEATURE_VERTICES;
use crate::geometry::area::rings;
use crate::geometry::clean::{Change, CleanError, check_coordinates, clean_lines};
use crate::geometry::repair::{repair_polygons, repair_rule};
use crate::geometry::wkb::{self, Parts};
use crate::model::{LayerKind, ProblemCode, Shape};

/// Curves are drawn with a vertex every degree of arc: 0.004 % of the radius off.
const CURVE_STEP_DEG: f64 = 1.0;

/// A geometry as read.
#[derive(Clone, Debug)]
pub(super) enum RawGeometry {
    Null,
    Empty,
    /// A type without straight two-dimensional form, or bytes that are none; why.
    Unreadable(String),
    /// So many vertices, more than are read.
    TooLong(u64),
    Parts {
        parts: Parts,
        type_name: String,
    },
}

/// A remark on a feature.
#[derive(Clone, Debug)]
pub(super) struct Remark {
    pub code: ProblemCode,
    pub place: Option<[f64; 2]>,
    pub message: String,
    pub remedy: String,
}

/// What became of a usable geometry.
#[derive(Debug)]
pub(super) struct Shaped {
    /// One for each kind of part the role can use; never empty.
    pub shapes: Vec<Shape>,
    pub moved_m2: f64,
    /// True when vertices were changed.
    pub repaired: bool,
    pub notes: Vec<Remark>,
}

/// Why a geometry cannot be used.
#[derive(Debug)]
pub(super) struct SetAside {
    pub remark: Remark,
    pub shape: Option<Shape>,
}

/// Reads the first geometry of a feature; `buffer` is reused from feature to feature.
pub(super) fn raw_geometry(feature: &Feature<'_>, buffer: &mut Vec<u8>) -> RawGeometry {
    match features::iso_wkb(feature, CURVE_STEP_DEG, buffer) {
        features::Geometry::Null => RawGeometry::Null,
        features::Geometry::Empty => RawGeometry::Empty,
        features::Geometry::Unreadable(why) => RawGeometry::Unreadable(why),
        features::Geometry::Read(type_name) => match wkb::read(buffer) {
            Ok(parts) => match vertices(&parts) {
                count if count > FEATURE_VERTICES => RawGeometry::TooLong(count),
                _ => RawGeometry::Parts { parts, type_name },
            },
            Err(error) => RawGeometry::Unreadable(error.to_string()),
        },
    }
}

fn vertices(parts: &Parts) -> u64 {
    let lines = parts.lines.iter().map(|line| line.0.len());
    let rings = parts.polygons.iter().flat_map(rings);
    let rings = rings.map(|ring| ring.0.len());
    (parts.points.len() + lines.chain(rings).sum::<usize>()) as u64
}

impl RawGeometry {
    pub(super) fn vertices(&self) -> u64 {
        match self {
            RawGeometry::Parts { parts, .. } => vertices(parts),
            RawGeometry::TooLong(count) => *count,
            RawGeometry::Null | RawGeometry::Empty | RawGeometry::Unreadable(_) => 0,
        }
    }

    /// All coordinates that are numbers.
    pub(super) fn coords(&self) -> impl Iterator<Item = Coord> + '_ {
        let parts = match self {
            RawGeometry::Parts { parts, .. } => Some(parts),
            _ => None,
        };
        parts
            .into_iter()
            .flat_map(all_coords)
            .filter(|c| c.x.is_finite() && c.y.is_finite())
    }
}

fn all_coords(parts: &Parts) -> impl Iterator<Item = Coord> + '_ {
    let points = parts.points.iter().map(|p| p.0);
    let lines = parts.lines.iter().flat_map(|l| l.0.iter().copied());
    let polygons = parts.polygons.iter().flat_map(|p| {
        std::iter::once(p.exterior())
            .chain(p.interiors())
            .flat_map(|r| r.0.iter().copied())
    });
    points.chain(lines).chain(polygons)
}

/// Which parts a role can use.
#[derive(Clone, Copy)]
struct Uses {
    points: bool,
    lines: bool,
    polygons: bool,
    /// Closed lines stand for the polygon they enclose.
    closed_lines: bool,
    wanted: &'static str,
}

fn uses(kind: LayerKind) -> Uses {
    let polygons = Uses {
        points: false,
        lines: false,
        polygons: true,
        closed_lines: false,
        wanted: "polygons",
    };
    match kind {
        LayerKind::Blocks | LayerKind::Settings => polygons,
        LayerKind::Streams | LayerKind::Roads => Uses {
            lines: true,
            wanted: "lines or polygons",
            ..polygons
        },
        LayerKind::Lakes
        | LayerKind::Wetlands
        | LayerKind::Brush
        | LayerKind::SoftGround
        | LayerKind::Stands
        | LayerKind::SlopeClasses
        | LayerKind::Soils
        | LayerKind::Felled => Uses {
            closed_lines: true,
            wanted: "polygons or closed lines",
            ..polygons
        },
        LayerKind::Protected | LayerKind::Retain | LayerKind::Hazards | LayerKind::PowerLines => {
            Uses {
                points: true,
                lines: true,
                wanted: "polygons, lines or points",
                ..polygons
            }
        }
        LayerKind::Landings => Uses {
            points: true,
            wanted: "polygons or points",
            ..polygons
        },
        LayerKind::StripLines => Uses {
            lines: true,
            polygons: false,
            wanted: "lines",
            ..polygons
        },
        LayerKind::Crossings => Uses {
            points: true,
            lines: true,
            polygons: false,
            wanted: "points or lines",
            ..polygons
        },
    }
}

/// Whether a role takes points, lines and polygons.
pub(super) fn shapes_of(kind: LayerKind) -> [bool; 3] {
    let uses = uses(kind);
    [uses.points, uses.lines, uses.polygons]
}

/// Makes the shapes of one feature for its role, in the work CRS.
pub(super) fn shape(
    raw: RawGeometry,
    kind: LayerKind,
    transform: &Transform,
) -> Result<Shaped, Box<SetAside>> {
    let (mut parts, type_name) = match raw {
        RawGeometry::Parts { parts, type_name } => (parts, type_name),
        RawGeometry::Null => {
            return Err(aside(
                ProblemCode::NullGeometry,
                "the feature has no geometry".to_owned(),
                "draw it, or leave it out with `where`",
            ));
        }
        RawGeometry::Empty => {
            return Err(aside(
                ProblemCode::EmptyGeometry,
                "the geometry is empty".to_owned(),
                "draw it, or leave it out with `where`",
            ));
        }
        RawGeometry::TooLong(count) => {
            return Err(aside(
                ProblemCode::TooLarge,
                format!("the geometry has {count} vertices; up to {FEATURE_VERTICES} are read"),
                "simplify it to what the ground needs, or divide it",
            ));
        }
        RawGeometry::Unreadable(why) => {
            return Err(aside(
                ProblemCode::WrongGeometryType,
                format!("the geometry cannot be read: {why}"),
                "convert it to plain points, lines or polygons",
            ));
        }
    };
    // Numbers first: a transformation would hide which point was none.
    let coords: Vec<Coord> = all_coords(&parts).collect();
    if let Err(error @ CleanError::NotFinite { .. }) = check_coordinates(&coords) {
        let mut set_aside = rejected(&error, None);
        set_aside.remark.place = error.place().and_then(|[x, y]| {
            let mut near = [Coord { x, y }];
            transform
                .points(&mut near)
                .then_some([near[0].x, near[0].y])
        });
        return Err(set_aside);
    }
    if !transform.parts(&mut parts) {
        let at = coords
            .first()
            .map_or(String::new(), |c| format!(" near ({}, {})", c.x, c.y));
        return Err(aside(
            ProblemCode::OutOfRange,
            format!("a coordinate{at} of the layer's CRS lies where the work CRS does not reach"),
            "look whether x and y are swapped, or whether the layer's `crs` is another one",
        ));
    }
    let mut notes = Vec::new();
    let parts = choose(parts, kind, &type_name, &mut notes)?;
    let mut shaped = Shaped {
        shapes: Vec::new(),
        moved_m2: 0.0,
        repaired: false,
        notes,
    };
    if parts.unclosed_rings > 0 {
        shaped.repaired = true;
        let place = parts.polygons.iter().find_map(|p| p.exterior().0.first());
        shaped.notes.push(Remark {
            code: ProblemCode::UnclosedRing,
            place: place.map(|p| [p.x, p.y]),
            message: format!(
                "{} ring(s) did not end where they began and were closed with a straight edge",
                parts.unclosed_rings
            ),
            remedy: "look whether a vertex is missing at the end of the ring".to_owned(),
        });
    }
    if !parts.polygons.is_empty() {
        let kept = MultiPolygon(parts.polygons.clone());
        let repaired = repair_polygons(parts.polygons, repair_rule(kind))
            .map_err(|error| rejected(&error, Some(Shape::Polygons(kept))))?;
        shaped.moved_m2 += repaired.moved_m2;
        shaped.repaired |= !repaired.changes.is_empty();
        shaped.notes.extend(repaired.changes.iter().map(remark_on));
        shaped.shapes.push(Shape::Polygons(repaired.shape));
    }
    if !parts.lines.is_empty() {
        let kept = MultiLineString(parts.lines.clone());
        let cleaned =
            clean_lines(parts.lines).map_err(|error| rejected(&error, Some(Shape::Lines(kept))))?;
        shaped.repaired |= !cleaned.changes.is_empty();
        shaped.notes.extend(cleaned.changes.iter().map(remark_on));
        shaped.shapes.push(Shape::Lines(cleaned.shape));
    }
    if !parts.points.is_empty() {
        let points = MultiPoint(parts.points);
        let coords: Vec<Coord> = points.0.iter().map(|p| p.0).collect();
        check_coordinates(&coords).map_err(|error| rejected(&error, None))?;
        shaped.shapes.push(Shape::Points(points));
    }
    Ok(shaped)
}

/// Keeps the parts that the role can use and says what was left out.
fn choose(
    mut parts: Parts,
    kind: LayerKind,
    type_name: &str,
    notes: &mut Vec<Remark>,
) -> Result<Parts, Box<SetAside>> {
    let uses = uses(kind);
    let raw = parts.clone();
    if uses.closed_lines && !parts.lines.is_empty() {
        let (closed, open): (Vec<_>, Vec<_>) = std::mem::take(&mut parts.lines)
            .into_iter()
            .partition(|line| line.0.len() >= 4 && line.is_closed());
        if let Some(first) = closed.first().and_then(|line| line.0.first()) {
            notes.push(Remark {
                code: ProblemCode::WrongGeometryType,
                place: Some([first.x, first.y]),
                message: format!(
                    "{} closed line(s) taken for the ground they enclose",
                    closed.len()
                ),
                remedy: "convert closed lines to polygons to be sure".to_owned(),
            });
        }
        parts.polygons.extend(
            closed
                .into_iter()
                .map(|line| Polygon::new(line, Vec::new())),
        );
        parts.lines = open;
    }
    let mut left_out = Vec::new();
    let mut place = None;
    if !uses.lines && !parts.lines.is_empty() {
        left_out.push(format!("{} line(s)", parts.lines.len()));
        place = first_of(&parts.lines);
        parts.lines.clear();
    }
    if !uses.points && !parts.points.is_empty() {
        left_out.push(format!("{} point(s)", parts.points.len()));
        place = place.or_else(|| parts.points.first().map(|p| [p.0.x, p.0.y]));
        parts.points.clear();
    }
    if !uses.polygons && !parts.polygons.is_empty() {
        left_out.push(format!("{} polygon(s)", parts.polygons.len()));
        let first = parts.polygons.first().and_then(|p| p.exterior().0.first());
        place = place.or_else(|| first.map(|c| [c.x, c.y]));
        parts.polygons.clear();
    }
    let role = kind.key();
    if parts.polygons.is_empty() && parts.lines.is_empty() && parts.points.is_empty() {
        let mut set_aside = aside(
            ProblemCode::WrongGeometryType,
            format!("a {type_name}, but {role} are {}", uses.wanted),
            "name another layer, leave the feature out with `where`, or convert it",
        );
        set_aside.remark.place = place;
        set_aside.shape = any_shape(raw);
        return Err(set_aside);
    }
    if !left_out.is_empty() {
        notes.push(Remark {
            code: ProblemCode::WrongGeometryType,
            place,
            message: format!(
                "{} of a {type_name} left out: {role} are {}",
                left_out.join(" and "),
                uses.wanted
            ),
            remedy: "give what was left out a layer and a role of its own if it matters".to_owned(),
        });
    }
    Ok(parts)
}

fn first_of(lines: &[LineString]) -> Option<[f64; 2]> {
    lines.iter().find_map(|l| l.0.first()).map(|p| [p.x, p.y])
}

fn any_shape(parts: Parts) -> Option<Shape> {
    if !parts.polygons.is_empty() {
        Some(Shape::Polygons(MultiPolygon(parts.polygons)))
    } else if !parts.lines.is_empty() {
        Some(Shape::Lines(MultiLineString(parts.lines)))
    } else if !parts.points.is_empty() {
        Some(Shape::Points(MultiPoint(parts.points)))
    } else {
        None
    }
}

fn aside(code: ProblemCode, message: String, remedy: &str) -> Box<SetAside> {
    Box::new(SetAside {
        remark: Remark {
            code,
            place: None,
            message,
            remedy: remedy.to_owned(),
        },
        shape: None,
    })
}

fn rejected(error: &CleanError, shape: Option<Shape>) -> Box<SetAside> {
    let (code, remedy) = match error {
        CleanError::NotFinite { .. } => (
            ProblemCode::NotFinite,
            "correct the vertex; to leave it out would change the shape unseen",
        ),
        CleanError::TooFar { .. } => (
            ProblemCode::OutOfRange,
            "look whether the layer's `crs` is another one",
        ),
        CleanError::Degenerate { .. } => (
            ProblemCode::Degenerate,
            "redraw it, or leave it out with `where`",
        ),
        CleanError::MovesTooMuch { .. } | CleanError::Unsound { .. } => (
            ProblemCode::RepairedTooMuch,
            "redraw the ring so that it does not cross itself",
        ),
    };
    Box::new(SetAside {
        remark: Remark {
            code,
            place: error.place(),
            message: error.to_string(),
            remedy: remedy.to_owned(),
        },
        shape,
    })
}

fn remark_on(change: &Change) -> Remark {
    let (code, place, remedy) = match change {
        Change::ClosedRings(_) => (
            ProblemCode::UnclosedRing,
            None,
            "look whether a vertex is missing at the end of the ring",
        ),
        Change::Spikes { .. } | Change::DroppedRings { .. } | Change::DroppedLines(_) => (
            ProblemCode::Degenerate,
            None,
            "nothing needs to be done; redraw it if the feature should be wider there",
        ),
        Change::Crossings { place, .. } => (
            ProblemCode::SelfCrossing,
            *place,
            "look at the place and redraw the ring if the wrong side was taken",
        ),
        Change::JoinedParts { place, .. } => (
            ProblemCode::SelfCrossing,
            *place,
            "nothing needs to be done if the parts belong together",
        ),
    };
    Remark {
        code,
        place,
        message: change.to_string(),
        remedy: remedy.to_owned(),
    }
}
