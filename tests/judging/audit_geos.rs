//! Distances and areas of the audit against GEOS, called through GDAL, over random cases.

use crate::audited;
use crate::in_memory;

use audited::audit;
use blockwright::audit::BlockCut;
use blockwright::geometry::wkb;
use blockwright::model::*;
use gdal::vector::Geometry;
use geo::{LineString, MultiLineString, MultiPolygon, Polygon};
use in_memory::{block, feature, rectangle, ring, rules};

/// SplitMix64.
struct Dice(u64);

impl Dice {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        low + (high - low) * ((z >> 11) as f64 / (1u64 << 53) as f64)
    }

    /// A star around a middle: it never crosses itself.
    fn blob(&mut self, middle: (f64, f64), least: f64, most: f64) -> Polygon {
        let corners = self.between(5.0, 30.0) as usize;
        let points: Vec<(f64, f64)> = (0..corners)
            .map(|at| {
                let (sin, cos) = (at as f64 * std::f64::consts::TAU / corners as f64).sin_cos();
                let radius = self.between(least, most);
                (middle.0 + radius * cos, middle.1 + radius * sin)
            })
            .collect();
        Polygon::new(ring(&points), vec![])
    }

    fn line(&mut self) -> LineString {
        let bends = self.between(2.0, 12.0) as usize;
        let (x0, y0) = (self.between(-250., 0.), self.between(-150., 150.));
        let (dx, dy) = (self.between(20., 60.), self.between(-30., 30.));
        let points: Vec<(f64, f64)> = (0..=bends)
            .map(|at| {
                let at = at as f64;
                (
                    x0 + at * dx + self.between(-8., 8.),
                    y0 + at * dy + self.between(-15., 15.),
                )
            })
            .collect();
        LineString::from(points)
    }
}

fn polygon(shape: &Polygon) -> Geometry {
    Geometry::from_wkb(&wkb::write_polygon(shape, [0.0; 2])).unwrap()
}

fn distance(a: &Geometry, b: &Geometry) -> f64 {
    gdal_calls::measure::distance(a, b).expect("GEOS distance")
}

#[test]
fn distances_and_areas_agree_with_geos() {
    let mut dice = Dice(2031);
    let mut rules = rules(0.0);
    rules.lines.retain(|line| line.management_share == 0.0);
    let settings = Settings::default();
    let (mut distances, mut depths, mut areas) = (0, 0, 0);
    let mut worst = (0.0f64, 0.0f64);
    for case in 0..400 {
        let block = block(MultiPolygon(vec![rectangle(-300., -300., 300., 300.)]));
        let middle = (dice.between(-80., 80.), dice.between(-80., 80.));
        let cut = dice.blob(middle, 15.0, 90.0);
        let lake = case % 2 == 1;
        let width_m = dice.between(0.5, 8.0);
        let (features, source, half_m, rule) = if lake {
            let middle = (dice.between(-120., 120.), dice.between(-120., 120.));
            let shape = dice.blob(middle, 10.0, 60.0);
            let source = polygon(&shape);
            let shape = Shape::Polygons(MultiPolygon(vec![shape]));
            let lake = feature(LayerKind::Lakes, Some("L1-B"), None, shape);
            (vec![lake], source, 0.0, "reserve:lake-l1-b")
        } else {
            let line = dice.line();
            let source = Geometry::from_wkb(&wkb::write_line(&line, [0.0; 2])).unwrap();
            let shape = Shape::Lines(MultiLineString(vec![line]));
            let stream = feature(LayerKind::Streams, Some("S3"), Some(width_m), shape);
            (vec![stream], source, width_m / 2.0, "reserve:stream-s3")
        };
        let given = BlockCut::of_polygons(vec![cut.clone()]);
        let audited = audit(&settings, &rules, &features, None, &block, &given, 0.0);
        let cut = polygon(&cut);
        let away_m = distance(&cut, &source) - half_m;
        let row = audited.rows.iter().find(|row| row.row.row.rule_id == rule);
        let Some(judged) = row else {
            // More than 20 m to spare.
            let required_m = if lake { 10.0 } else { 20.0 };
            assert!(away_m > required_m + 19.99, "case {case}: {away_m}");
            distances += 1;
            continue;
        };
        let (row, required_m) = (&judged.row, judged.row.row.required.unwrap());
        let measured_m = row.row.measured.unwrap();
        let overlap = cut.intersection(&source);
        if lake && overlap.as_ref().is_some_and(|over| over.area() > 1e-6) {
            // How deep: the boundary of the lake is nowhere farther from any point of the overlap.
            let over = overlap.unwrap();
            let depth_m = -measured_m;
            let inner = |m: f64| source.buffer(-m, 64).unwrap();
            let beyond = over.intersection(&inner(depth_m + 0.01));
            assert!(
                beyond.is_none_or(|beyond| beyond.area() < 1e-9),
                "case {case}: {depth_m}"
            );
            if depth_m > 0.02 {
                let within = over.intersection(&inner(depth_m - 0.01)).unwrap();
                assert!(
                    distance(&within, &over) < 1e-9 && !within.is_empty(),
                    "case {case}: {depth_m}"
                );
            }
            depths += 1;
        } else {
            assert!(
                (measured_m - away_m).abs() < 1e-5,
                "case {case}: {measured_m} {away_m}"
            );
            worst.0 = worst.0.max((measured_m - away_m).abs());
            distances += 1;
        }
        if let Some(area_m2) = row.area_m2 {
            let zone = source.buffer(half_m + required_m, 256).unwrap();
            let geos_m2 = cut.intersection(&zone).map_or(0.0, |over| over.area());
            let radius_m = half_m + required_m;
            let disc_m2 = std::f64::consts::PI * radius_m * radius_m;
            let off_m2 = (area_m2 - geos_m2).abs();
            // Chords stray from a part of an arc by 0.06 % of the radius at most.
            assert!(off_m2 < 0.002 * disc_m2, "case {case}: {area_m2} {geos_m2}");
            worst.1 = worst.1.max(off_m2);
            areas += 1;
        }
    }
    assert!(
        distances > 150 && depths > 40 && areas > 100,
        "{distances} {depths} {areas}"
    );
    println!(
        "{distances} distances (worst {:.1e} m), {depths} depths, {areas} areas (worst {:.3} m2)",
        worst.0, worst.1
    );
}
