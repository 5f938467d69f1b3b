//! Buffers that never fall short of a legal distance. Engines draw inscribed arcs, so the radius is stretched until
//! the arcs are circumscribed; then the result is measured against its source by exact distance, by code that shares
//! nothing with the engine. What fails goes down a ladder of other ways to draw the same buffer.

use std::borrow::Cow;
use std::f64::consts::PI;

use geo::algorithm::buffer::{Buffer, BufferStyle, LineCap, LineJoin};
use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};
use rstar::RTree;
use rstar::primitives::{GeomWithData, Rectangle};

use super::area::{Bounds, rings};
use super::crowd;
use super::distance::{
    Segment, SegmentIndex, boundary_segments, inside, line_segments, point_segment,
    polygon_segments, segment_segment,
};
use super::fewer;
use super::overlay::{oriented, union};

/// Arc pieces per quarter circle in certified buffers: long by at most 0.07 % of the width.
pub const QUARTER_SEGMENTS: u32 = 32;
/// A certified buffer is nowhere nearer to its source than the width less this.
pub const SHORT_TOLERANCE_M: f64 = 0.000_5;
/// A certified buffer is nowhere farther from its source than this share beyond the width.
pub const LONG_SHARE: f64 = 0.001;

/// What a buffer is drawn around.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    Points(Vec<Coord>),
    Lines(MultiLineString),
    Polygons(MultiPolygon),
}

impl Source {
    pub fn bounds(&self) -> Bounds {
        match self {
            Source::Points(points) => Bounds::of(points),
            Source::Lines(lines) => Bounds::of(lines.0.iter().flat_map(|line| &line.0)),
            Source::Polygons(polygons) => Bounds::of_polygons(polygons),
        }
    }

    pub fn vertices(&self) -> usize {
        let sum =
            |lines: &mut dyn Iterator<Item = &LineString>| lines.map(|line| line.0.len()).sum();
        match self {
            Source::Points(points) => points.len(),
            Source::Lines(lines) => sum(&mut lines.0.iter()),
            Source::Polygons(polygons) => sum(&mut polygons.0.iter().flat_map(rings)),
        }
    }

    pub fn is_empty(&self) -> bool {
        self.bounds().is_empty()
    }

    pub fn index(&self) -> SegmentIndex {
        SegmentIndex::new(self.segments(0))
    }

    pub fn segments(&self, owner: u32) -> Vec<super::distance::Segment> {
        match self {
            Source::Points(points) => points
                .iter()
                .map(|&p| super::distance::Segment { a: p, b: p, owner })
                .collect(),
            Source::Lines(lines) => line_segments(&lines.0, owner).collect(),
            Source::Polygons(polygons) => boundary_segments(polygons, owner).collect(),
        }
    }

    /// Whether `p` lies inside; only polygons have an inside.
    pub fn contains(&self, p: Coord) -> bool {
        matches!(self, Source::Polygons(polygons) if inside(p, polygons))
    }

    /// One point of each connected member.
    fn seeds(&self) -> Vec<Coord> {
        match self {
            Source::Points(points) => points.clone(),
            Source::Lines(lines) => lines
                .0
                .iter()
                .filter_map(|line| line.0.first().copied())
                .collect(),
            Source::Polygons(polygons) => polygons
                .0
                .iter()
                .filter_map(|polygon| polygon.exterior().0.first().copied())
                .collect(),
        }
    }
}

/// Something that can draw buffers. Arcs are inscribed, with steps of at most 1.5 x 90 degrees / `quarter_segments`.
pub trait Engine: Sync {
    fn name(&self) -> &'static str;
    /// Lines and polygons outwards; polygons inwards when `distance_m` is negative. None: the engine failed.
    fn buffer(
        &self,
        source: &Source,
        distance_m: f64,
        quarter_segments: u32,
    ) -> Option<MultiPolygon>;
}

/// The `geo` crate's buffer.
pub struct GeoEngine;

impl Engine for GeoEngine {
    fn name(&self) -> &'static str {
        "geo"
    }

    fn buffer(
        &self,
        source: &Source,
        distance_m: f64,
        quarter_segments: u32,
    ) -> Option<MultiPolygon> {
        let step = PI / (2.0 * f64::from(quarter_segments));
        let style = BufferStyle::new(distance_m)
            .line_join(LineJoin::Round(step))
            .line_cap(LineCap::Round(step));
        let raw = match source {
            Source::Points(points) => {
                let count = 4 * quarter_segments as usize;
                let discs: Vec<Polygon> = points
                    .iter()
                    .map(|&p| circle(p, distance_m, count))
                    .collect();
                if discs.len() > 1 {
                    union(&discs)
                } else {
                    MultiPolygon(discs)
                }
            }
            Source::Lines(lines) => lines.buffer_with_style(style),
            Source::Polygons(polygons) => polygons.buffer_with_style(style),
        };
        Some(without_specks(oriented(raw)))
    }
}

/// Rings at grid scale that the engine leaves inside its result.
fn without_specks(polygons: MultiPolygon) -> MultiPolygon {
    const SPECK_M2: f64 = 0.01;
    let large = |ring: &LineString| super::area::ring_area(ring).abs() >= SPECK_M2;
    let kept = polygons
        .0
        .into_iter()
        .filter(|polygon| large(polygon.exterior()))
        .map(|polygon| {
            let (exterior, holes) = polygon.into_inner();
            Polygon::new(exterior, holes.into_iter().filter(large).collect())
        });
    MultiPolygon(kept.collect())
}

/// A regular polygon whose corners lie on the circle.
fn circle(centre: Coord, radius_m: f64, corners: usize) -> Polygon {
    let mut ring: Vec<Coord> = (0..corners)
        .map(|k| {
            let (sin, cos) = (2.0 * PI * k as f64 / corners as f64).sin_cos();
            Coord {
                x: centre.x + radius_m * cos,
                y: centre.y + radius_m * sin,
            }
        })
        .collect();
    ring.push(ring[0]);
    Polygon::new(LineString(ring), vec![])
}

/// The two engines in force.
#[derive(Clone, Copy)]
pub struct Engines<'a> {
    pub first: &'a dyn Engine,
    pub other: &'a dyn Engine,
}

impl Engines<'static> {
    /// Without GDAL: the `geo` engine twice.
    pub fn pure() -> Engines<'static> {
        Engines {
            first: &GeoEngine,
            other: &GeoEngine,
        }
    }
}

impl Engines<'_> {
    /// An everyday buffer, inscribed and not certified: for ground that owes nobody a legal distance.
    pub fn plain(&self, source: &Source, distance_m: f64) -> MultiPolygon {
        const QUARTER: u32 = 8;
        if source.is_empty() {
            return MultiPolygon(vec![]);
        }
        let source = &*thinned(source, THIN_SHARE * distance_m.abs());
        match crowd::buffer(self.first, source, distance_m, QUARTER, THIN_SHARE) {
            // GEOS 3.11 returns EMPTY for some small inward buffers that are not (GEOS issue 984).
            Some(result) if !result.0.is_empty() => result,
            _ => crowd::buffer(self.other, source, distance_m, QUARTER, THIN_SHARE)
                .unwrap_or(MultiPolygon(vec![])),
        }
    }

    /// What of polygons is wider than twice a distance, with rounded corners: narrowed by it and widened again, by a hair more.
    pub fn broad(&self, polygons: &MultiPolygon, half_m: f64, hair_m: f64) -> MultiPolygon {
        let grown = |shape: MultiPolygon, by_m: f64| {
            super::overlay::oriented(self.plain(&Source::Polygons(shape), by_m))
        };
        grown(grown(polygons.clone(), -half_m), half_m + hair_m)
    }
}

impl Engines<'_> {
    /// All ground within `distance_m` of `source` and up to 1.5 % of it more, not certified: for distances that the outputs
    /// state but no law asks.
    pub fn no_less(&self, source: &Source, distance_m: f64) -> MultiPolygon {
        const QUARTER: u32 = 16;
        if source.is_empty() {
            return MultiPolygon(vec![]);
        }
        let off_m = THIN_SHARE * distance_m;
        let thin = thinned(source, off_m);
        let moved_m = if matches!(thin, Cow::Owned(_)) {
            off_m
        } else {
            0.0
        };
        let width_m = circumscribed(distance_m + moved_m, QUARTER);
        let first = crowd::buffer(self.first, &thin, width_m, QUARTER, MORE_SHARE);
        first
            .filter(|result| !result.0.is_empty())
            .or_else(|| crowd::buffer(self.other, &thin, width_m, QUARTER, MORE_SHARE))
            .unwrap_or(MultiPolygon(vec![]))
    }

    /// Ground within `distance_m` of lines, nowhere more, in polygons that may overlap: GEOS straightens concave runs of its input by up to 1 % of
    /// the distance, outwards, and that is taken off.
    pub fn within(&self, lines: &MultiLineString, distance_m: f64) -> MultiPolygon {
        const QUARTER: u32 = 16;
        let source = Source::Lines(lines.clone());
        let off_m = THIN_SHARE * distance_m;
        let thin = thinned(&source, off_m);
        let moved_m = if matches!(thin, Cow::Owned(_)) {
            off_m
        } else {
            0.0
        };
        let least = 0.99 * distance_m - moved_m;
        let drawn = |source: &Source| {
            let first = crowd::buffer(self.first, source, least, QUARTER, MORE_SHARE);
            first.or_else(|| crowd::buffer(self.other, source, least, QUARTER, MORE_SHARE))
        };
        let shape = match &*thin {
            Source::Lines(lines) if thin.vertices() > MANY => {
                let groups = groups(lines).into_iter();
                let drawn =
                    groups.filter_map(|group| drawn(&Source::Lines(MultiLineString(group))));
                MultiPolygon(drawn.flat_map(|group| group.0).collect())
            }
            whole => drawn(whole).unwrap_or(MultiPolygon(vec![])),
        };
        oriented(shape)
    }
}

/// More vertices than this make a source large: an engine's work grows faster than they do.
const MANY: usize = 4_000;

/// The same lines, cut at vertices, in groups that lie together and have few vertices: one place that an engine cannot node
/// then costs the group and not the whole.
fn groups(lines: &MultiLineString) -> Vec<Vec<LineString>> {
    const PIECE: usize = 500;
    let full = lines.0.iter().filter(|line| !line.0.is_empty());
    let pieces = full.flat_map(|line| {
        let last = line.0.len().saturating_sub(1);
        let starts = (0..last.max(1)).step_by(PIECE);
        starts
            .map(move |from| LineString(line.0[from.min(last)..=(from + PIECE).min(last)].to_vec()))
    });
    let pieces = pieces.map(|piece| (Bounds::of(&piece.0), piece)).collect();
    let mut found = Vec::new();
    grouped(pieces, &mut found);
    found
}

fn grouped(mut pieces: Vec<(Bounds, LineString)>, found: &mut Vec<Vec<LineString>>) {
    const GROUP: usize = 1_000;
    let vertices: usize = pieces.iter().map(|(_, piece)| piece.0.len()).sum();
    if vertices <= GROUP || pieces.len() < 2 {
        found.push(pieces.into_iter().map(|(_, piece)| piece).collect());
        return;
    }
    let rest = crowd::halved(&mut pieces);
    grouped(pieces, found);
    grouped(rest, found);
}

/// By how much a zone may be wider where edges crowd: with its arcs it stays within [`LONG_SHARE`].
const MORE_SHARE: f64 = 0.000_2;
/// By how much of a distance a very dense source may be straightened where nobody is owed the distance: half of what
/// GEOS takes by itself.
const THIN_SHARE: f64 = 0.005;

/// A source whose vertices stand many times closer than `off_m` matters, with fewer of them (Douglas & Peucker 1973); any
/// other as it is.
fn thinned(source: &Source, off_m: f64) -> Cow<'_, Source> {
    const CLOSE: f64 = 10.0;
    let sum = |lines: &mut dyn Iterator<Item = &LineString>| {
        lines.fold((0, 0.0), |(count, length_m), line| {
            (count + line.0.len(), length_m + super::area::length(line))
        })
    };
    let (count, length_m) = match source {
        Source::Points(_) => (0, 0.0),
        Source::Lines(lines) => sum(&mut lines.0.iter()),
        Source::Polygons(polygons) => sum(&mut polygons.0.iter().flat_map(rings)),
    };
    if count < MANY || length_m / count as f64 > CLOSE * off_m {
        return Cow::Borrowed(source);
    }
    match source {
        Source::Points(_) => Cow::Borrowed(source),
        Source::Lines(lines) => Cow::Owned(Source::Lines(fewer::lines(lines, off_m))),
        Source::Polygons(polygons) => {
            Cow::Owned(Source::Polygons(fewer::polygons(polygons, off_m)))
        }
    }
}

/// How a certified buffer came about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rung {
    Engine,
    Cleaned,
    OtherEngine,
    Capsules,
}

#[derive(Clone, Debug)]
pub struct Certified {
    pub shape: MultiPolygon,
    pub rung: Rung,
}

/// Why a buffer was refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BufferError {
    #[error("the buffer engine gave no result")]
    NoResult,
    #[error(
        "the edge comes within {measured_m:.4} m of its source near ({x:.1}, {y:.1}); {required_m:.4} m is required"
    )]
    Short {
        measured_m: f64,
        required_m: f64,
        x: f64,
        y: f64,
    },
    #[error(
        "the edge lies {measured_m:.4} m from its source near ({x:.1}, {y:.1}); {allowed_m:.4} m is allowed"
    )]
    Long {
        measured_m: f64,
        allowed_m: f64,
        x: f64,
        y: f64,
    },
    #[error("the source near ({x:.1}, {y:.1}) is not covered")]
    NotCovered { x: f64, y: f64 },
    #[error("pieces of the zone overlap near ({x:.1}, {y:.1})")]
    Overlap { x: f64, y: f64 },
}

/// The radius to ask of an engine so that its inscribed arcs stay outside the true circle of `width_m`.
pub fn circumscribed(width_m: f64, quarter_segments: u32) -> f64 {
    let worst_half_step = 0.75 * PI / (2.0 * f64::from(quarter_segments));
    width_m / worst_half_step.cos() + (0.000_1f64).min(0.000_2 * width_m)
}

/// Everything nearer than `width_m` to `source`, and at most 0.1 % more; polygons are part of their own buffer.
///
/// # Errors
/// The first refusal, when no rung of the ladder could be certified.
pub fn certified(
    engines: Engines<'_>,
    source: &Source,
    width_m: f64,
) -> Result<Certified, BufferError> {
    if width_m == 0.0 {
        let shape = match source {
            Source::Polygons(polygons) => polygons.clone(),
            Source::Points(_) | Source::Lines(_) => MultiPolygon(vec![]),
        };
        return Ok(Certified {
            shape,
            rung: Rung::Engine,
        });
    }
    let index = source.index();
    let radius_m = circumscribed(width_m, QUARTER_SEGMENTS);
    let mut first_refusal = None;
    for rung in [
        Rung::Engine,
        Rung::Cleaned,
        Rung::OtherEngine,
        Rung::Capsules,
    ] {
        let drawn = match rung {
            Rung::Engine => crowd::buffer(
                engines.first,
                source,
                radius_m,
                QUARTER_SEGMENTS,
                MORE_SHARE,
            ),
            Rung::Cleaned => {
                let (snapped, radius_m) = (snapped(source), radius_m + SNAP_M);
                crowd::buffer(
                    engines.first,
                    &snapped,
                    radius_m,
                    QUARTER_SEGMENTS,
                    MORE_SHARE,
                )
            }
            Rung::OtherEngine => engines.other.buffer(source, radius_m, QUARTER_SEGMENTS),
            Rung::Capsules => Some(capsules(source, width_m)),
        };
        let checked = drawn.ok_or(BufferError::NoResult).and_then(|shape| {
            certify(&shape, source, &index, width_m)?;
            Ok(Certified { shape, rung })
        });
        match checked {
            Ok(certified) => return Ok(certified),
            Err(refusal) => {
                first_refusal.get_or_insert(refusal);
            }
        }
    }
    Err(first_refusal.unwrap_or(BufferError::NoResult))
}

/// Measures `shape` against its source. Sufficient for "never short": no boundary point lies nearer than the width,
/// so each connected piece of the true zone is wholly in or wholly out, and one point of each member of the source is
/// in.
///
/// # Errors
/// The first place that is short, long, not covered, or covered twice.
pub fn certify(
    shape: &MultiPolygon,
    source: &Source,
    index: &SegmentIndex,
    width_m: f64,
) -> Result<(), BufferError> {
    let pieces = Pieces::new(shape);
    for Coord { x, y } in source.seeds() {
        match pieces.holding(Coord { x, y }) {
            0 => return Err(BufferError::NotCovered { x, y }),
            1 => {}
            _ => return Err(BufferError::Overlap { x, y }),
        }
    }
    let allowed_m = width_m * (1.0 + LONG_SHARE) + 1e-6;
    let search_m = width_m * 1.01 + 0.01;
    for ring in shape.0.iter().flat_map(rings) {
        if let Some(&corner) = ring.0.first()
            && matches!(source, Source::Polygons(_))
            && index.holds(corner)
        {
            return Err(BufferError::NotCovered {
                x: corner.x,
                y: corner.y,
            });
        }
        for edge in ring.0.windows(2) {
            let (nearest, farthest) = between(edge[0], edge[1], index, search_m);
            let (x, y) = (edge[0].x, edge[0].y);
            if nearest < width_m - SHORT_TOLERANCE_M {
                return Err(BufferError::Short {
                    measured_m: nearest,
                    required_m: width_m,
                    x,
                    y,
                });
            }
            if farthest > allowed_m {
                // The bound is not tight where the nearest segment changes along the edge: look at the corners.
                let corner = index.distance(edge[0], search_m).unwrap_or(f64::INFINITY);
                let middle = Coord {
                    x: (edge[0].x + edge[1].x) / 2.0,
                    y: (edge[0].y + edge[1].y) / 2.0,
                };
                let middle = index.distance(middle, search_m).unwrap_or(f64::INFINITY);
                let measured_m = corner.max(middle);
                if measured_m > allowed_m {
                    return Err(BufferError::Long {
                        measured_m,
                        allowed_m,
                        x,
                        y,
                    });
                }
            }
        }
    }
    Ok(())
}

/// Bounds of the distance of an edge's places from the index, of what lies within `search_m`: none is nearer than the
/// first, none farther than the second.
fn between(a: Coord, b: Coord, index: &SegmentIndex, search_m: f64) -> (f64, f64) {
    /// Beyond so many they are asked nearest first, and most are never looked at.
    const CROWD: usize = 64;
    let (mut nearest, mut farthest) = (f64::INFINITY, f64::INFINITY);
    let mut look = |segment: &Segment| {
        nearest = nearest.min(segment_segment(a, b, segment.a, segment.b));
        // Distance to one segment is convex along the edge, so its ends bound it.
        let ends =
            point_segment(a, segment.a, segment.b).max(point_segment(b, segment.a, segment.b));
        farthest = farthest.min(ends);
        (nearest, farthest)
    };
    let mut near = index.near(a, b, search_m);
    near.by_ref()
        .take(CROWD)
        .for_each(|segment| _ = look(segment));
    if near.next().is_some() {
        let middle = (a + b) / 2.0;
        let half_m = (b - middle).x.hypot((b - middle).y);
        for (segment, from_middle_m) in index.from_nearest(middle) {
            let (nearest, farthest) = look(segment);
            if from_middle_m - half_m > nearest && from_middle_m > farthest {
                break;
            }
        }
    }
    (nearest, farthest)
}

/// The polygons of a zone, to be asked for many places.
struct Pieces {
    boxes: RTree<GeomWithData<Rectangle<[f64; 2]>, usize>>,
    outlines: Vec<SegmentIndex>,
}

impl Pieces {
    fn new(shape: &MultiPolygon) -> Pieces {
        let boxes = shape.0.iter().enumerate().map(|(place, piece)| {
            let bounds = Bounds::of(&piece.exterior().0);
            GeomWithData::new(Rectangle::from_aabb(bounds.envelope()), place)
        });
        let outlines = shape
            .0
            .iter()
            .map(|piece| SegmentIndex::new(polygon_segments(piece).collect()));
        Pieces {
            boxes: RTree::bulk_load(boxes.collect()),
            outlines: outlines.collect(),
        }
    }

    /// How many of them hold a place.
    fn holding(&self, p: Coord) -> usize {
        let around = self.boxes.locate_all_at_point([p.x, p.y]);
        around
            .filter(|found| self.outlines[found.data].holds(p))
            .count()
    }
}

const SNAP_M: f64 = 0.000_1;

/// The source on a grid of 0.1 mm, without repeated points.
fn snapped(source: &Source) -> Source {
    let snap = |c: &Coord| Coord {
        x: (c.x / SNAP_M).round() * SNAP_M,
        y: (c.y / SNAP_M).round() * SNAP_M,
    };
    let line = |line: &LineString| {
        let mut coords: Vec<Coord> = line.0.iter().map(snap).collect();
        coords.dedup();
        LineString(coords)
    };
    match source {
        Source::Points(points) => Source::Points(points.iter().map(snap).collect()),
        Source::Lines(lines) => Source::Lines(MultiLineString(lines.0.iter().map(line).collect())),
        Source::Polygons(polygons) => Source::Polygons(MultiPolygon(
            polygons
                .0
                .iter()
                .map(|polygon| {
                    Polygon::new(
                        line(polygon.exterior()),
                        polygon.interiors().iter().map(line).collect(),
                    )
                })
                .collect(),
        )),
    }
}

/// The union of one circumscribed capsule per segment: slow, and right by construction.
fn capsules(source: &Source, width_m: f64) -> MultiPolygon {
    const HALF_CIRCLE_PIECES: usize = 2 * QUARTER_SEGMENTS as usize;
    let step = PI / HALF_CIRCLE_PIECES as f64;
    let radius = width_m / (step / 2.0).cos() + 0.000_05;
    let mut pieces: Vec<Polygon> = match source {
        Source::Polygons(polygons) => polygons.0.clone(),
        Source::Points(_) | Source::Lines(_) => vec![],
    };
    for segment in source.segments(0) {
        let (dx, dy) = (segment.b.x - segment.a.x, segment.b.y - segment.a.y);
        let heading = if dx == 0.0 && dy == 0.0 {
            0.0
        } else {
            dy.atan2(dx)
        };
        let mut ring = Vec::with_capacity(2 * HALF_CIRCLE_PIECES + 3);
        for (centre, from) in [
            (segment.b, heading - PI / 2.0),
            (segment.a, heading + PI / 2.0),
        ] {
            for k in 0..=HALF_CIRCLE_PIECES {
                let (sin, cos) = (from + step * k as f64).sin_cos();
                ring.push(Coord {
                    x: centre.x + radius * cos,
                    y: centre.y + radius * sin,
                });
            }
        }
        ring.push(ring[0]);
        pieces.push(Polygon::new(LineString(ring), vec![]));
    }
    crowd::united(pieces)
}

#[cfg(test)]
mod tests {
    use super::super::area::area;
    use super::*;

    fn line(coords: &[(f64, f64)]) -> Source {
        Source::Lines(MultiLineString(vec![LineString::from(coords.to_vec())]))
    }

    fn rectangle(width: f64, height: f64) -> Source {
        Source::Polygons(MultiPolygon(vec![Polygon::new(
            LineString::from(vec![
                (0., 0.),
                (width, 0.),
                (width, height),
                (0., height),
                (0., 0.),
            ]),
            vec![],
        )]))
    }

    /// Three sightings of one nest: two discs that overlap would be ground counted twice.
    #[test]
    fn points_that_nearly_coincide_have_one_zone() {
        let at = [
            (431.0005, -261.9982),
            (431.0109, -262.0035),
            (430.9967, -262.0002),
        ];
        let source = Source::Points(at.map(Coord::from).to_vec());
        let discs: Vec<Polygon> = at
            .iter()
            .map(|&p| circle(p.into(), circumscribed(42.5, 32), 128))
            .collect();
        let refused = certify(&MultiPolygon(discs), &source, &source.index(), 42.5);
        assert!(
            matches!(refused, Err(BufferError::Overlap { .. })),
            "{refused:?}"
        );
        let zone = certified(Engines::pure(), &source, 42.5).unwrap();
        assert_eq!(zone.shape.0.len(), 1);
        // Common knowledge: pi r2, and 1 cm between the centres.
        let excess = area(&zone.shape) / (PI * 42.5 * 42.5) - 1.0;
        assert!((0.0..0.003).contains(&excess), "{excess}");
    }

    /// STANDARDS GE-05: L = 1000 m, r = 30 m, round caps: 2rL + pi r2 = 62827.4334 m2.
    #[test]
    fn a_buffered_line_has_the_closed_form_area_and_is_never_short() {
        let buffer = certified(Engines::pure(), &line(&[(0., 0.), (1000., 0.)]), 30.0).unwrap();
        let excess = area(&buffer.shape) / 62_827.433_4 - 1.0;
        assert!((0.0..0.001).contains(&excess), "{excess}");
        let capsule = area(&capsules(&line(&[(0., 0.), (1000., 0.)]), 30.0)) / 62_827.433_4 - 1.0;
        assert!((0.0..0.001).contains(&capsule), "{capsule}");
    }

    /// STANDARDS GE-07 (Steiner formula): 400 x 250 m, r = 20 m: 127256.6371 m2.
    #[test]
    fn a_buffered_rectangle_follows_the_steiner_formula() {
        let buffer = certified(Engines::pure(), &rectangle(400.0, 250.0), 20.0).unwrap();
        let excess = area(&buffer.shape) / 127_256.637_1 - 1.0;
        assert!((0.0..0.0005).contains(&excess), "{excess}");
    }

    /// STANDARDS GE-07: 20 m inwards leaves 75600 m2.
    #[test]
    fn an_inward_buffer_of_a_rectangle_is_exact() {
        let inner = Engines::pure().plain(&rectangle(400.0, 250.0), -20.0);
        assert!((area(&inner) - 75_600.0).abs() < 1e-2, "{}", area(&inner));
    }

    /// Common knowledge: around a square ring 2 x perimeter x r, less the 4 corners inside, which overlap, and with pi r2
    /// outside; around a straight line 2 r L + pi r2. Both drawn with so many vertices that they are taken in groups.
    #[test]
    fn ground_within_reach_of_many_lines_is_that_of_each() {
        let (side, d): (f64, f64) = (20.0, 3.0);
        let square = |k: usize| {
            let low = Coord {
                x: 100.0 * (k % 20) as f64,
                y: 100.0 * (k / 20) as f64,
            };
            let corners = [(0., 0.), (side, 0.), (side, side), (0., side), (0., 0.)];
            let sides = corners.windows(2).flat_map(|w| {
                let (from, to) = (Coord::from(w[0]), Coord::from(w[1]));
                (0..4).map(move |at| low + from + (to - from) * (f64::from(at) / 4.0))
            });
            let mut ring: LineString = sides.collect();
            ring.close();
            ring
        };
        let (squares, steps) = (300, 3_000);
        let mut lines: Vec<LineString> = (0..squares).map(square).collect();
        lines.push((0..=steps).map(|k| (f64::from(k) * 0.5, -100.0)).collect());
        let lines = MultiLineString(lines);
        assert!(lines.0.iter().map(|line| line.0.len()).sum::<usize>() > MANY);
        let found = union(&Engines::pure().within(&lines, d).0);
        // A hundredth of the distance is left off.
        let r = 0.99 * d;
        let round_a_square = 8.0 * side * r - 4.0 * r * r + PI * r * r;
        let along_the_line = 2.0 * r * f64::from(steps) * 0.5 + PI * r * r;
        let by_hand = squares as f64 * round_a_square + along_the_line;
        let off = area(&found) / by_hand - 1.0;
        assert!((-0.002..=0.0001).contains(&off), "{off}");
        assert_eq!(found.0.len(), squares + 1);
    }

    /// STANDARDS GE-02: worst relative shortfall of an inscribed arc, 1 - cos(pi/4q).
    #[test]
    fn the_stretch_covers_the_published_shortfall() {
        for (q, shortfall) in [(8u32, 0.004815), (16, 0.001205), (32, 0.000301)] {
            assert!(circumscribed(1.0, q) * (1.0 - shortfall) > 1.0);
        }
        assert!(circumscribed(30.0, QUARTER_SEGMENTS) < 30.0 * (1.0 + LONG_SHARE));
    }

    #[test]
    fn the_certificate_refuses_what_is_short_long_or_absent() {
        let source = line(&[(0., 0.), (50., 0.), (50., 40.)]);
        let index = source.index();
        let good = certified(Engines::pure(), &source, 10.0).unwrap().shape;
        assert_eq!(certify(&good, &source, &index, 10.0), Ok(()));
        assert!(matches!(
            certify(&good, &source, &index, 10.02),
            Err(BufferError::Short { .. })
        ));
        assert!(matches!(
            certify(&good, &source, &index, 9.9),
            Err(BufferError::Long { .. })
        ));
        let nothing = MultiPolygon(vec![]);
        assert!(matches!(
            certify(&nothing, &source, &index, 10.0),
            Err(BufferError::NotCovered { .. })
        ));
        let mut holed = good.clone();
        holed.0[0].interiors_push(LineString::from(vec![
            (20., 2.),
            (22., 2.),
            (22., 4.),
            (20., 2.),
        ]));
        assert!(matches!(
            certify(&holed, &source, &index, 10.0),
            Err(BufferError::Short { .. })
        ));
    }
}
