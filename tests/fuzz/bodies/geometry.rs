//! From raw rings and lines to a block's layout: clean, repair, certified buffer, overlay, layout, verdict. Each stage's
//! promise is held against GEOS or against sums.

use std::sync::OnceLock;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area, length, rings};
use blockwright::geometry::buffer::{SHORT_TOLERANCE_M, Source, certified};
use blockwright::geometry::clean::{MAX_COORDINATE_M, clean_lines};
use blockwright::geometry::frame::{map_lines, map_polygons};
use blockwright::geometry::overlay::{difference, shared_area, union};
use blockwright::geometry::repair::{RepairRule, redraw_polygons, repair_polygons};
use blockwright::geometry::wkb;
use blockwright::layout::LayoutError;
use blockwright::model::*;
use blockwright::rulebook::Rulebook;
use gdal::vector::Geometry;
use geo::{Coord, MultiPolygon, Polygon};

use super::in_memory::{block, feature, lay_out, rules};
use super::plan;
use super::shapes::{Bytes, coords, geos, is_finite, outside_m2};

/// Beyond it only the stages up to overlay are asked: a layout takes too long for a fuzzer.
const MOST_BLOCK_M: f64 = 800.0;
const MIDDLE: Coord = Coord {
    x: 512_345.0,
    y: 5_412_345.0,
};

pub fn run(data: &[u8]) {
    let mut bytes = Bytes(data);
    if bytes.next() % 8 == 7 {
        return raw(bytes.0);
    }
    let width_m = bytes.pick(&[0.4, 2.0, 5.0, 10.0, 20.0, 30.0, 50.0, 100.0]);
    let settings = settings(&mut bytes);
    let polygons = bytes.polygons();
    let others = bytes.polygons();
    let lines = bytes.line();
    let features = features(&mut bytes);
    let shape = repaired(polygons);
    let other = repaired(others);
    overlaid(&shape, &other);
    buffered(Source::Polygons(other), width_m, true);
    if let Ok(lines) = clean_lines(vec![lines]) {
        buffered(Source::Lines(lines.shape), width_m, true);
    }
    laid_out(shape, &settings, &features);
}

/// Well-known binary with any numbers in it.
fn raw(bytes: &[u8]) {
    let Ok(parts) = wkb::read(bytes) else {
        return;
    };
    if let Ok(lines) = clean_lines(parts.lines) {
        buffered(Source::Lines(lines.shape), 20.0, false);
    }
    let shape = repaired(parts.polygons);
    buffered(Source::Polygons(shape.clone()), 20.0, false);
    laid_out(shape, &Settings::default(), &[]);
}

/// By both rules: sound, and done after one round. Returns the smaller reading.
fn repaired(polygons: Vec<Polygon>) -> MultiPolygon {
    let mut readings = [RepairRule::NonZero, RepairRule::EvenOdd].map(|rule| {
        let redrawn = redraw_polygons(polygons.clone(), rule).ok()?;
        let shape = redrawn.shape;
        assert!(redrawn.moved_m2 >= 0.0, "{} m2 moved", redrawn.moved_m2);
        assert!(is_finite(coords(&shape)), "{rule:?}");
        assert!(geos(&shape).is_valid(), "{rule:?}: {}", told(&shape));
        let m2 = area(&shape);
        let slack_m2 = slack_m2(&shape);
        let again = redraw_polygons(shape.0.clone(), rule).expect("sound coordinates");
        assert!(
            (area(&again.shape) - m2).abs() <= slack_m2 && again.moved_m2 <= slack_m2,
            "{rule:?}: {m2} m2, then {} m2, {} m2 moved",
            area(&again.shape),
            again.moved_m2
        );
        if let Ok(accepted) = repair_polygons(polygons.clone(), rule) {
            assert_eq!(accepted.shape, shape);
        }
        Some((shape, redrawn.moved_m2, slack_m2))
    });
    let Some(((smaller, moved_m2, slack_m2), (larger, ..))) =
        readings[1].take().zip(readings[0].take())
    else {
        assert!(
            readings[0].is_none() && readings[1].is_none(),
            "one rule refuses what the other takes"
        );
        return MultiPolygon(vec![]);
    };
    let between_m2 = area(&larger) - area(&smaller);
    assert!(
        (-slack_m2..=moved_m2 + slack_m2).contains(&between_m2),
        "{between_m2} m2 between the rules, {moved_m2} m2 moved"
    );
    smaller
}

/// Crumbs of an overlay, two spikes of a millimetre along the longest edge, which stay where rings would cross without them and
/// may go from what was drawn anew, and the rounding of large coordinates along the boundary.
fn slack_m2(shape: &MultiPolygon) -> f64 {
    let reach_m = coords(shape)
        .map(|c| c.x.abs().max(c.y.abs()))
        .fold(0.0, f64::max);
    let lines = shape.0.iter().flat_map(rings);
    let edges = lines.flat_map(|ring| ring.0.windows(2));
    let lengths = edges.map(|w| (w[1].x - w[0].x).hypot(w[1].y - w[0].y));
    let (longest_m, length_m) =
        lengths.fold((0.0f64, 0.0), |(longest, sum), m| (longest.max(m), sum + m));
    0.2 + 1e-3 * longest_m + length_m * reach_m.max(1.0) * 1e-8
}

fn told(shape: &MultiPolygon) -> String {
    geos(shape).wkt().unwrap_or_default()
}

/// What is cut, what is common and what is united add up.
fn overlaid(a: &MultiPolygon, b: &MultiPolygon) {
    let (cut, common) = (difference(a, &b.0), shared_area(a, &b.0));
    let both: Vec<Polygon> = a.0.iter().chain(&b.0).cloned().collect();
    let united = union(&both);
    assert!(is_finite(coords(&cut)) && is_finite(coords(&united)));
    let (a_m2, b_m2) = (area(a), area(b));
    let lines = a.0.iter().chain(&b.0).flat_map(rings);
    // Corners nearer to one another than 0.1 mm become one, which moves the edge that leads there.
    let moved_m2 = lines.map(length).sum::<f64>() * 1e-4 / 2.0;
    let slack_m2 = 0.05 + 1e-6 * (a_m2 + b_m2) + moved_m2;
    let sum = area(&cut) + common;
    assert!(
        (sum - a_m2).abs() <= slack_m2,
        "{a_m2} m2 became {sum} m2: {} {}",
        told(a),
        told(b)
    );
    let sum = a_m2 + b_m2 - common;
    assert!(
        (area(&united) - sum).abs() <= slack_m2,
        "{sum} m2 became {} m2",
        area(&united)
    );
}

/// A buffer holds all that GEOS draws with the same radius, whose arcs are inscribed.
fn buffered(source: Source, width_m: f64, must: bool) {
    if source.is_empty() {
        return;
    }
    let bounds = source.bounds();
    let reach_m = (bounds.max.x - bounds.min.x).max(bounds.max.y - bounds.min.y);
    let buffer = match certified(ENGINES, &source, width_m) {
        Ok(buffer) => buffer.shape,
        Err(refused) => {
            assert!(!must, "{width_m} m: {refused}: {source:?}");
            return;
        }
    };
    assert!(is_finite(coords(&buffer)));
    if reach_m > MAX_COORDINATE_M / 1000.0 {
        return;
    }
    let bytes = match &source {
        Source::Lines(lines) => wkb::write_multi_line(lines, [0.0; 2]),
        Source::Polygons(polygons) => wkb::write_multi_polygon(polygons, [0.0; 2]),
        Source::Points(_) => return,
    };
    let source = Geometry::from_wkb(&bytes).expect("WKB that GDAL reads");
    let drawn = source.buffer(width_m * 0.99, 8).expect("a buffer by GEOS");
    let ours = geos(&buffer);
    let missing_m2 = outside_m2(&drawn, &ours);
    if missing_m2 > 0.01 {
        // GEOS's own buffer is now and then too wide: what counts is how near to the source the rest comes.
        let rest = drawn.difference(&ours).expect("a difference by GEOS");
        let off_m = gdal_calls::measure::distance(&rest, &source).expect("a distance by GEOS");
        assert!(
            off_m >= width_m - SHORT_TOLERANCE_M,
            "{width_m} m: {missing_m2} m2 missing, as near as {off_m} m"
        );
    }
}

fn settings(bytes: &mut Bytes<'_>) -> Settings {
    let mut settings = Settings::default();
    let layout = &mut settings.layout;
    layout.azimuth = match bytes.next() % 4 {
        0 => Azimuth::Auto,
        1 => Azimuth::SquareToRoad,
        2 => Azimuth::LongSide,
        _ => Azimuth::Degrees(f64::from(bytes.next()) * 1.5),
    };
    let flags = bytes.next();
    layout.boundary_pass = flags & 1 == 0;
    if flags & 2 != 0 {
        layout.soft_ground = SoftGround::Leave;
    }
    settings
}

fn features(bytes: &mut Bytes<'_>) -> Vec<Feature> {
    let count = bytes.next() % 5;
    (0..count)
        .filter_map(|number| {
            let (kind, is_line) = bytes.pick(&[
                (LayerKind::Roads, true),
                (LayerKind::Streams, true),
                (LayerKind::Lakes, false),
                (LayerKind::Wetlands, false),
                (LayerKind::Protected, false),
                (LayerKind::Brush, false),
                (LayerKind::SoftGround, false),
                (LayerKind::Hazards, true),
                (LayerKind::Stands, false),
                (LayerKind::Landings, false),
            ]);
            let class = bytes.pick(&[
                None,
                Some("S2"),
                Some("S4"),
                Some("S6"),
                Some("L1-B"),
                Some("W1"),
            ]);
            let width_m = bytes.pick(&[
                None,
                Some(0.0),
                Some(0.001),
                Some(4.0),
                Some(12.0),
                Some(60.0),
            ]);
            let shape = if is_line {
                let lines = clean_lines(vec![bytes.line()]).ok()?.shape;
                Shape::Lines(map_lines(&lines, |c| c + MIDDLE))
            } else {
                let repaired = repair_polygons(vec![bytes.polygon()], RepairRule::NonZero).ok()?;
                Shape::Polygons(map_polygons(&repaired.shape, |c| c + MIDDLE))
            };
            let mut feature = feature(kind, class, width_m, shape);
            feature.id = format!("{} {number}", kind.key());
            if kind == LayerKind::Stands {
                feature.stems_per_ha = width_m.map(|width_m| 100.0 * width_m);
            }
            Some(feature)
        })
        .collect()
}

fn rules_in_force() -> &'static Rulebook {
    static RULES: OnceLock<Rulebook> = OnceLock::new();
    RULES.get_or_init(|| rules(0.1))
}

fn laid_out(shape: MultiPolygon, settings: &Settings, features: &[Feature]) {
    let bounds = Bounds::of_polygons(&shape);
    if shape.0.is_empty() {
        return;
    }
    let (wide_m, high_m) = (bounds.max.x - bounds.min.x, bounds.max.y - bounds.min.y);
    if wide_m.max(high_m) > MOST_BLOCK_M {
        return;
    }
    let shape = if features.is_empty() {
        // Wherever it was read: one of kilometres off its features would stand alone.
        let middle = bounds.middle();
        map_polygons(&shape, |c| c - middle + MIDDLE)
    } else {
        map_polygons(&shape, |c| c + MIDDLE)
    };
    // Moving rounds, and what was sound by a hair may not be so after it.
    let Ok(shape) = repair_polygons(shape.0, RepairRule::EvenOdd) else {
        return;
    };
    let block = block(shape.shape);
    let rules = rules_in_force();
    match lay_out(ENGINES, settings, rules, features, &block) {
        Ok(found) => plan::sound(&found),
        Err(LayoutError::NothingLeft { .. }) => {}
        Err(error) => panic!("{error}"),
    }
}
