//! Notes that become features of a layer: the ground that each takes.

use geo::{Coord, MultiPolygon};

use crate::geometry::area::Bounds;
use crate::geometry::buffer::{Engines, Source};
use crate::geometry::frame::{map_lines, map_polygons};
use crate::model::{
    Fact, Facts, Feature, FieldNote, GroundFrame, LayerKind, NoteFate, NoteRole, Shape,
    SourceBlock, names_danger_tree,
};

/// Adds the features that notes become, behind all others; `seen_m`: how far around a block its frame is good.
pub(in crate::sources) fn add_features(
    notes: &mut [FieldNote],
    blocks: &[SourceBlock],
    seen_m: f64,
    features: &mut Vec<Feature>,
) {
    for note in notes {
        let Some(NoteRole::Layer(kind)) = note.role.filter(|_| note.fate == NoteFate::Used) else {
            continue;
        };
        let Some((shape, width_m)) = ground(note, kind, blocks, seen_m) else {
            note.message = "it lies far from every block".to_owned();
            continue;
        };
        note.message = told(note, kind);
        note.feature = Some(features.len());
        features.push(feature(note, kind, shape, width_m));
    }
}

pub(super) fn feature(
    note: &FieldNote,
    kind: LayerKind,
    shape: Shape,
    width_m: Option<f64>,
) -> Feature {
    let mut facts = Facts::default();
    if note.counts {
        facts.offer(Facts::COUNTS, Fact::Flag(true));
    }
    Feature {
        kind,
        source_layer: note.source_layer.clone(),
        id: note.id.clone(),
        class: note.class.clone(),
        width_m,
        stems_per_ha: None,
        tree_m3: None,
        trees: None,
        slope: None,
        fringe_m: None,
        facts,
        shape,
    }
}

fn told(note: &FieldNote, kind: LayerKind) -> String {
    let size = match &note.shape {
        Shape::Polygons(_) => "its ground".to_owned(),
        _ if note.radius_m > 0.0 => format!("{} m around it", metres(note.radius_m)),
        _ => "its place".to_owned(),
    };
    let more = match note.accuracy_m {
        Some(off_m) if off_m > 0.0 && takes_room(note, kind) => {
            format!(" and {} m more, as it may be that far off", metres(off_m))
        }
        _ => String::new(),
    };
    format!("{size}{more}: {}", kind.key())
}

/// A hazard without a radius stays a place, from which its distance is measured.
fn takes_room(note: &FieldNote, kind: LayerKind) -> bool {
    note.radius_m > 0.0 || kind != LayerKind::Felled
}

/// Without noughts that say nothing.
pub(super) fn metres(m: f64) -> String {
    format!("{}", (m * 10.0).round() / 10.0)
}

/// The shape of a note's feature in the plane, and the width of what stays as a point or line. A place that may be off by so
/// much takes that much more ground, but for ground that is cut already, of which it takes less.
fn ground(
    note: &FieldNote,
    kind: LayerKind,
    blocks: &[SourceBlock],
    seen_m: f64,
) -> Option<(Shape, Option<f64>)> {
    let off_m = note.accuracy_m.unwrap_or(0.0);
    let drawn = matches!(note.shape, Shape::Polygons(_));
    let around_m = match (drawn, kind) {
        (true, LayerKind::Felled) => 0.0,
        (false, LayerKind::Felled) => (note.radius_m - off_m).max(0.0),
        (true, _) => off_m,
        (false, _) => note.radius_m + off_m,
    };
    if around_m == 0.0 {
        let bare = drawn || !NoteRole::Layer(kind).is_ground();
        return bare.then(|| (note.shape.clone(), None));
    }
    // Two tree lengths count from wherever a dangerous tree may stand.
    let danger = note.class.as_deref().is_some_and(names_danger_tree);
    if kind == LayerKind::Retain && !drawn && !danger {
        return Some((note.shape.clone(), Some(2.0 * around_m)));
    }
    let frame = nearest_frame(&note.shape, blocks, seen_m)?;
    let source = entered(&note.shape, frame);
    let grown = Engines::pure().no_less(&source, around_m);
    let grown = frame.polygons_to_plane(&grown);
    (!grown.0.is_empty()).then_some((Shape::Polygons(grown), None))
}

pub(super) fn bounds(shape: &Shape) -> Bounds {
    match shape {
        Shape::Points(points) => Bounds::of(points.0.iter().map(|point| &point.0)),
        Shape::Lines(lines) => Bounds::of(lines.0.iter().flat_map(|line| &line.0)),
        Shape::Polygons(polygons) => Bounds::of_polygons(polygons),
    }
}

/// The frame of the block nearest to a shape; None where that is farther off than the frame is good for.
fn nearest_frame<'b>(
    shape: &Shape,
    blocks: &'b [SourceBlock],
    seen_m: f64,
) -> Option<&'b GroundFrame> {
    let own = bounds(shape).middle();
    let away = |block: &SourceBlock| {
        let bounds = Bounds::of_polygons(&block.shape);
        bounds.distance(own) / block.frame.plane_per_metre()
    };
    let nearest = blocks.iter().map(|block| (away(block), block));
    let (away_m, block) = nearest.min_by(|a, b| a.0.total_cmp(&b.0))?;
    (away_m <= seen_m).then_some(&block.frame)
}

pub(super) fn entered(shape: &Shape, frame: &GroundFrame) -> Source {
    let enter = |c: Coord| frame.enter(c);
    match shape {
        Shape::Points(points) => Source::Points(points.0.iter().map(|p| enter(p.0)).collect()),
        Shape::Lines(lines) => Source::Lines(map_lines(lines, enter)),
        Shape::Polygons(polygons) => {
            Source::Polygons(MultiPolygon(map_polygons(polygons, enter).0))
        }
    }
}
