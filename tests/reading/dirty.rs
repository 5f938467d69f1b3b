//! Nasty geometries through clean, repair, buffer and overlay: no panic, valid for GEOS, areas that add up.

use crate::sources_support;

use std::path::{Path, PathBuf};

use blockwright::geometry::clean::clean_lines;
use blockwright::geometry::repair::{RepairRule, redraw_polygons, repair_polygons};
use blockwright::geometry::wkb;
use geo::algorithm::bool_ops::BooleanOps;
use geo::{Area, BoundingRect, Buffer, MapCoords, MultiPolygon, Polygon};
use proptest::prelude::*;

#[derive(Debug, Default, PartialEq)]
struct Count {
    files: usize,
    lines: usize,
    /// Lines that GDAL does not take for WKT.
    not_read: usize,
    refused: usize,
    empty: usize,
}

fn gdal(shape: &MultiPolygon) -> gdal::vector::Geometry {
    gdal::vector::Geometry::from_wkb(&wkb::write_multi_polygon(shape, [0.0, 0.0])).unwrap()
}

/// Figures smaller than a metre are in degrees: to be ground, they are blown up to metres.
fn blow_up(parts: &mut wkb::Parts) {
    let box_of = |polygon: &Polygon| polygon.bounding_rect();
    let size = parts
        .polygons
        .iter()
        .filter_map(box_of)
        .map(|b| b.width().max(b.height()))
        .fold(0.0, f64::max);
    if size < 1.0 {
        for polygon in &mut parts.polygons {
            *polygon = polygon.map_coords(|c| c * 1e5);
        }
    }
}

fn through(path: &Path, count: &mut Count) {
    let text = std::fs::read_to_string(path).unwrap();
    let name = path.file_name().unwrap().to_string_lossy();
    let mut before: Option<MultiPolygon> = None;
    count.files += 1;
    for (number, line) in text
        .lines()
        .enumerate()
        .filter(|(_, l)| !l.trim().is_empty())
    {
        count.lines += 1;
        let Ok(geometry) = gdal::vector::Geometry::from_wkt(line) else {
            count.not_read += 1;
            continue;
        };
        let mut parts = wkb::read(&geometry.wkb().unwrap()).unwrap();
        blow_up(&mut parts);
        if !parts.lines.is_empty()
            && let Ok(lines) = clean_lines(parts.lines.clone())
        {
            assert!(
                lines.shape.buffer(5.0).unsigned_area() > 0.0,
                "{name} {number}"
            );
        }
        if parts.polygons.is_empty() {
            continue;
        }
        for rule in [RepairRule::EvenOdd, RepairRule::NonZero] {
            let Ok(redrawn) = redraw_polygons(parts.polygons.clone(), rule) else {
                count.refused += 1;
                continue;
            };
            let shape = redrawn.shape;
            if shape.0.is_empty() {
                count.empty += 1;
                continue;
            }
            assert!(gdal(&shape).is_valid(), "{name} {number} {rule:?}");
            let area = shape.unsigned_area();
            for distance in [-50.0, -5.0, -1.0, 1.0, 3.0, 50.0] {
                let buffered = shape.buffer(distance).unsigned_area();
                assert!(
                    if distance > 0.0 {
                        buffered > area
                    } else {
                        buffered < area
                    },
                    "{name} {number} {rule:?} {distance}: {area} -> {buffered}"
                );
            }
            if let Some(other) = &before {
                let (cut, common) = (shape.difference(other), shape.intersection(other));
                let sum = cut.unsigned_area() + common.unsigned_area();
                assert!(
                    (sum - area).abs() <= 1e-6 * area + 0.01,
                    "{name} {number}: {area} {sum}"
                );
            }
            if rule == RepairRule::NonZero {
                before = Some(shape);
            }
        }
    }
}

fn wkt_files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "wkt"))
        .collect();
    files.sort();
    files
}

#[test]
fn the_fixtures_pass() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/dirty");
    let mut count = Count::default();
    for file in wkt_files(&folder) {
        through(&file, &mut count);
    }
    println!("{count:?}");
    assert_eq!((count.files, count.lines, count.not_read), (19, 35, 0));
    assert_eq!(count.refused, 0);
}

#[test]
fn the_shared_files_pass() {
    let Some(folder) = sources_support::shared("data/dirty") else {
        return;
    };
    let mut count = Count::default();
    for file in wkt_files(&folder) {
        through(&file, &mut count);
    }
    println!("{count:?}");
    assert!(
        count.files >= 45 && count.not_read * 10 <= count.lines,
        "{count:?}"
    );
}

/// A block of 3 to 12 corners with a spike or a crossing here and there.
fn rough_ring() -> impl Strategy<Value = Vec<(f64, f64)>> {
    proptest::collection::vec((0.0..300.0f64, 0.0..300.0f64), 4..12)
}

fn polygon(points: &[(f64, f64)], x: f64, y: f64) -> Polygon {
    let points: Vec<(f64, f64)> = points.iter().map(|p| (p.0 + x, p.1 + y)).collect();
    Polygon::new(points.into(), Vec::new())
}

proptest! {
    /// GEOS' linework repair reads a ring by even-odd.
    #[test]
    fn even_odd_repair_is_what_geos_makes_of_it(points in rough_ring()) {
        let ring = polygon(&points, 512_000.0, 6_100_000.0);
        let ours = redraw_polygons(vec![ring.clone()], RepairRule::EvenOdd).unwrap();
        prop_assert!(ours.shape.0.is_empty() || gdal(&ours.shape).is_valid());
        let geos = gdal(&MultiPolygon(vec![ring]))
            .make_valid(&gdal::cpl::CslStringList::new())
            .unwrap();
        let difference = (ours.shape.unsigned_area() - geos.area()).abs();
        // Dropped crumbs are at most 0.01 m2 each.
        prop_assert!(difference <= 0.2, "{} {}", ours.shape.unsigned_area(), geos.area());
    }

    /// The two rules bracket the truth, and what they disagree on is in the account.
    #[test]
    fn the_rules_differ_by_no_more_than_the_account_says(points in rough_ring()) {
        let ring = polygon(&points, 0.0, 0.0);
        let odd = redraw_polygons(vec![ring.clone()], RepairRule::EvenOdd).unwrap();
        let any = redraw_polygons(vec![ring], RepairRule::NonZero).unwrap();
        let (small, large) = (odd.shape.unsigned_area(), any.shape.unsigned_area());
        prop_assert!(small <= large + 0.2);
        prop_assert!(large - small <= odd.moved_m2 + 0.2);
        prop_assert!((odd.moved_m2 - any.moved_m2).abs() < 0.01);
    }

    /// A sound polygon with a spike out and back is the polygon without it.
    #[test]
    fn spikes_vanish(at in 0.05..0.95f64, length in 0.01..500.0f64, width in 0.0..0.0009f64) {
        let x = 100.0 * at;
        let ring = polygon(
            &[(0., 0.), (x, 0.), (x, -length), (x + width, 0.), (100., 0.), (100., 100.), (0., 100.)],
            512_000.0,
            6_100_000.0,
        );
        let repaired = repair_polygons(vec![ring], RepairRule::EvenOdd).unwrap();
        prop_assert!((repaired.shape.unsigned_area() - 10_000.0).abs() < 1e-3);
        prop_assert!(repaired.moved_m2 < 0.5);
    }

    /// A line drawn there and back as a ring, within a millimetre: engines may hang on such rings, and no ground is lost
    /// by dropping them.
    #[test]
    fn lines_drawn_there_and_back_are_no_ground(
        path in proptest::collection::vec((0.0..300.0f64, 0.0..300.0f64), 2..12),
        noise in proptest::collection::vec(-1.0..1.0f64, 24),
        size in prop_oneof![Just(0.0), Just(1e-7), Just(1e-5), Just(1e-3)],
    ) {
        let back = path.iter().rev().skip(1).zip(noise.chunks(2));
        let mut ring = path.clone();
        ring.extend(back.map(|(p, n)| (p.0 + size * n[0], p.1 + size * n[1])));
        let length: f64 = path.windows(2).map(|e| (e[1].0 - e[0].0).hypot(e[1].1 - e[0].1)).sum();
        let redrawn = redraw_polygons(vec![polygon(&ring, 512_000.0, 6_100_000.0)], RepairRule::NonZero).unwrap();
        prop_assert!(redrawn.shape.unsigned_area() <= 3.0 * size * length + 0.01, "{redrawn:?}");
    }

    /// Whatever is repaired is sound, so a second repair finds nothing to do.
    #[test]
    fn repair_is_done_after_one_round(a in rough_ring(), b in rough_ring()) {
        let parts = vec![polygon(&a, 0.0, 0.0), polygon(&b, 150.0, 0.0)];
        let once = redraw_polygons(parts, RepairRule::NonZero).unwrap();
        let twice = redraw_polygons(once.shape.0.clone(), RepairRule::NonZero).unwrap();
        prop_assert!(twice.moved_m2 < 0.1, "{twice:?}");
        prop_assert!((once.shape.unsigned_area() - twice.shape.unsigned_area()).abs() < 0.1);
    }
}
