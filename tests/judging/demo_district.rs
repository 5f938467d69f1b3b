//! The invented district, read back through GDAL and measured with GEOS.

use crate::size;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use blockwright::demo::{DemoError, DemoOptions, DemoReport, write};
use gdal::Dataset;
use gdal::vector::{Geometry, LayerAccess};
use gdal_calls::features::has_geometry;
use geo::{BoundingRect, Geometry as Shape, Rect};

const SEED: u64 = 7;

struct Row {
    id: String,
    fields: Vec<String>,
    wkb: Option<Vec<u8>>,
}

impl Row {
    fn geometry(&self) -> Geometry {
        Geometry::from_wkb(self.wkb.as_ref().unwrap()).unwrap()
    }
}

struct District {
    report: DemoReport,
    layers: BTreeMap<String, Vec<Row>>,
    /// Ids of the broken features, by layer.
    broken: BTreeSet<(String, String)>,
    _folder: tempfile::TempDir,
}

fn read(path: &Path) -> BTreeMap<String, Vec<Row>> {
    let dataset = Dataset::open(path).unwrap();
    let mut layers = BTreeMap::new();
    for mut layer in dataset.layers() {
        let rows = layer
            .features()
            .map(|feature| Row {
                id: feature.field_as_string(0).unwrap().unwrap_or_default(),
                fields: feature
                    .fields()
                    .map(|(name, value)| format!("{name}={value:?}"))
                    .collect(),
                wkb: has_geometry(&feature)
                    .then(|| feature.geometry())
                    .flatten()
                    .map(|geometry| geometry.wkb().unwrap()),
            })
            .collect();
        layers.insert(layer.name(), rows);
    }
    layers
}

fn district(blocks: usize, seed: u64) -> District {
    let folder = tempfile::tempdir().unwrap();
    let report = write(folder.path(), &DemoOptions { blocks, seed }).unwrap();
    let layers = read(&report.layers);
    let broken = report
        .broken
        .iter()
        .map(|note| (note.layer.to_owned(), note.id.clone()))
        .collect();
    District {
        report,
        layers,
        broken,
        _folder: folder,
    }
}

impl District {
    /// All rows of a layer but the broken ones (the twin of a duplicate id stands behind the good blocks).
    fn good(&self, layer: &str) -> Vec<&Row> {
        let mut seen = BTreeSet::new();
        self.layers[layer]
            .iter()
            .filter(|row| seen.insert(&row.id))
            .filter(|row| {
                !self.broken.contains(&(layer.to_owned(), row.id.clone())) || row.id == "D07-0001"
            })
            .collect()
    }
}

fn distance(a: &Geometry, b: &Geometry) -> f64 {
    gdal_calls::measure::distance(a, b).expect("GEOS distance")
}

fn rect(geometry: &Geometry) -> Rect {
    let envelope = geometry.envelope();
    Rect::new(
        (envelope.MinX, envelope.MinY),
        (envelope.MaxX, envelope.MaxY),
    )
}

/// Whether boxes lie farther apart than that along an axis.
fn are_apart(a: &Rect, b: &Rect, by_m: f64) -> bool {
    let gap = |a: &Rect, b: &Rect| {
        let off = b.min() - a.max();
        off.x.max(off.y)
    };
    gap(a, b).max(gap(b, a)) > by_m
}

/// Least distance from each of `from` to any of `to`, in metres; only looked for within `reach`.
fn distances(from: &[Geometry], to: &[Geometry], reach: f64) -> Vec<f64> {
    let boxes: Vec<Rect> = to.iter().map(rect).collect();
    from.iter()
        .map(|one| {
            let own = rect(one);
            let near = |other: &Rect| {
                own.min().x - reach < other.max().x
                    && other.min().x < own.max().x + reach
                    && own.min().y - reach < other.max().y
                    && other.min().y < own.max().y + reach
            };
            to.iter()
                .zip(&boxes)
                .filter(|(_, other)| near(other))
                .map(|(other, _)| distance(one, other))
                .fold(f64::INFINITY, f64::min)
        })
        .collect()
}

fn geometries(rows: &[&Row]) -> Vec<Geometry> {
    rows.iter().map(|row| row.geometry()).collect()
}

fn share(values: &[f64], within: f64) -> f64 {
    values.iter().filter(|&&value| value <= within).count() as f64 / values.len() as f64
}

#[test]
fn the_same_seed_gives_the_same_content_and_another_seed_another_district() {
    let content = |district: &District| -> Vec<_> {
        let rows = district.layers.iter();
        rows.flat_map(|(name, rows)| {
            rows.iter()
                .map(move |row| (name.clone(), row.fields.clone(), row.wkb.clone()))
        })
        .collect()
    };
    let (a, b, c) = (
        district(30, SEED),
        district(30, SEED),
        district(30, SEED + 1),
    );
    assert!(content(&a) == content(&b));
    assert!(content(&a) != content(&c));
    assert_eq!(
        std::fs::read(&a.report.project).unwrap(),
        std::fs::read(&b.report.project).unwrap()
    );
    let elevations = |d: &District| std::fs::read(&d.report.elevation).unwrap();
    assert!(elevations(&a) == elevations(&b));
    assert!(elevations(&a) != elevations(&c));
}

#[test]
fn a_larger_district_holds_the_blocks_of_the_smaller_one() {
    let (small, large) = (district(25, SEED), district(90, SEED));
    let (few, many) = (small.good("blocks"), large.good("blocks"));
    assert_eq!((few.len(), many.len()), (25, 90));
    for (a, b) in few.iter().zip(&many) {
        assert_eq!(a.id, b.id);
        assert_eq!(a.wkb, b.wkb);
    }
}

#[test]
fn all_but_the_broken_features_are_valid_and_blocks_keep_apart() {
    for seed in [SEED, 1, 2, 3].into_iter().take(size::of(2, 4)) {
        let district = district(80, seed);
        for name in district.layers.keys() {
            for row in district.good(name) {
                let geometry = row.geometry();
                assert!(geometry.is_valid(), "seed {seed}, {name}, {}", row.id);
                assert!(!geometry.is_empty());
            }
        }
        let blocks = geometries(&district.good("blocks"));
        let boxes: Vec<_> = blocks.iter().map(rect).collect();
        for (at, block) in blocks.iter().enumerate() {
            for (other_at, other) in blocks.iter().enumerate().skip(at + 1) {
                // GEOS takes long over what lies far apart.
                assert!(
                    are_apart(&boxes[at], &boxes[other_at], 5.0) || distance(block, other) > 5.0,
                    "seed {seed}: blocks {at} and {other_at} come nearer than 5 m"
                );
            }
        }
    }
}

#[test]
fn the_country_looks_like_country() {
    let district = district(200, SEED);
    let blocks = geometries(&district.good("blocks"));
    let roads = geometries(&district.good("roads"));
    let streams = geometries(&district.good("streams"));
    let to_road = distances(&blocks, &roads, 200.0);
    let to_stream = distances(&blocks, &streams, 200.0);
    let roadside = share(&to_road, 30.0);
    assert!(
        (0.70..1.0).contains(&roadside),
        "{roadside} of the blocks lie at a road"
    );
    let crossed = share(&to_stream, 60.0);
    assert!(crossed >= 0.34, "{crossed} of the blocks lie at a stream");

    let mut hectares: Vec<f64> = blocks.iter().map(|block| block.area() / 10_000.0).collect();
    hectares.sort_by(f64::total_cmp);
    let usual = hectares
        .iter()
        .filter(|ha| (8.0..=60.0).contains(*ha))
        .count();
    assert!(
        usual * 10 >= blocks.len() * 6,
        "{usual} blocks of usual size"
    );
    assert!(hectares[0] >= 1.5 && hectares[0] < 6.0, "{}", hectares[0]);
    assert!(
        hectares[199] > 60.0 && hectares[199] < 160.0,
        "{}",
        hectares[199]
    );

    let holes = blocks.iter().filter(|block| {
        (0..block.geometry_count()).any(|part| block.get_geometry(part).geometry_count() > 1)
    });
    assert!(holes.count() >= 10);
    assert!(
        blocks
            .iter()
            .filter(|block| block.geometry_count() > 1)
            .count()
            >= 4
    );
}

#[test]
fn roads_keep_out_of_lakes_and_every_stream_class_is_there() {
    let district = district(400, SEED);
    let roads = geometries(&district.good("roads"));
    let lakes = geometries(&district.good("lakes"));
    let clear = distances(&lakes, &roads, 50.0);
    let wet = share(&clear, 0.0);
    assert!(wet <= 0.03, "{wet} of the lakes have a road through them");
    let classes = |layer: &str| -> BTreeSet<String> {
        let rows = district.good(layer);
        rows.iter().map(|row| row.fields[1].clone()).collect()
    };
    let streams = classes("streams");
    for class in ["S1-B", "S2", "S3", "S4", "S5", "S6"] {
        assert!(
            streams
                .iter()
                .any(|field| field.contains(&format!("\"{class}\""))),
            "{class}"
        );
    }
    assert!(classes("lakes").len() >= 3);
    assert!(classes("wetlands").len() >= 3);
    assert!(!district.good("stream_banks").is_empty());
    assert!(classes("hazards").len() == 2);
    assert!(!district.good("power_lines").is_empty());
}

#[test]
fn streams_join_and_lead_on() {
    let district = district(120, SEED);
    let rows = district.good("streams");
    let lines: Vec<_> = rows
        .iter()
        .map(|row| {
            blockwright::geometry::wkb::read(row.wkb.as_ref().unwrap())
                .unwrap()
                .lines
                .remove(0)
        })
        .collect();
    let key = |at: &geo::Coord| ((at.x * 100.0).round() as i64, (at.y * 100.0).round() as i64);
    let starts: BTreeSet<_> = lines.iter().map(|line| key(&line.0[0])).collect();
    let all: Vec<Shape> = lines.iter().cloned().map(Shape::from).collect();
    let bounds = all.iter().filter_map(BoundingRect::bounding_rect).fold(
        (f64::MAX, f64::MAX, f64::MIN, f64::MIN),
        |b, r| {
            (
                b.0.min(r.min().x),
                b.1.min(r.min().y),
                b.2.max(r.max().x),
                b.3.max(r.max().y),
            )
        },
    );
    let inner = |at: &geo::Coord| {
        at.x > bounds.0 + 1500.0
            && at.x < bounds.2 - 1500.0
            && at.y > bounds.1 + 1500.0
            && at.y < bounds.3 - 1500.0
    };
    let (mut led_on, mut ends) = (0, 0);
    for line in &lines {
        let end = line.0.last().unwrap();
        if inner(end) {
            ends += 1;
            led_on += usize::from(starts.contains(&key(end)));
        }
        // Streams wind but do not double back on themselves.
        let length: f64 = line.lines().map(|s| s.dx().hypot(s.dy())).sum();
        let straight = (end.x - line.0[0].x).hypot(end.y - line.0[0].y);
        assert!(
            length < 3.0 * straight + 150.0,
            "{length} m for {straight} m"
        );
    }
    assert!(ends > 100);
    assert!(
        led_on as f64 >= 0.97 * f64::from(ends),
        "{led_on} of {ends} lead on"
    );
}

#[test]
fn broken_features_stand_where_the_report_says() {
    let district = district(3, SEED);
    assert_eq!(district.report.blocks, 3);
    assert!(district.report.broken.len() >= 10);
    for note in &district.report.broken {
        let found = district.layers[note.layer]
            .iter()
            .filter(|row| row.id == note.id)
            .count();
        let twins = usize::from(note.what.contains("id of another block"));
        assert_eq!(found, 1 + twins, "{note:?}");
    }
    let of = |layer: &str, id: &str| {
        district.layers[layer]
            .iter()
            .find(|row| row.id == id)
            .unwrap()
    };
    assert!(!of("blocks", "D07-X01").geometry().is_valid());
    assert!(of("blocks", "D07-X03").wkb.is_none());
    assert!(of("blocks", "D07-X04").geometry().is_empty());
    let nan =
        blockwright::geometry::wkb::read(of("blocks", "D07-X06").wkb.as_ref().unwrap()).unwrap();
    assert!(nan.polygons[0].exterior().0.iter().any(|at| at.x.is_nan()));
    assert_eq!(of("lakes", "LK-X11").geometry().area(), 0.0);
    for (layer, count) in &district.report.features {
        assert_eq!(district.layers[*layer].len() as u64, *count, "{layer}");
    }
}

#[test]
fn one_block_is_a_district_and_none_is_not() {
    let district = district(1, SEED);
    assert_eq!(district.good("blocks").len(), 1);
    assert!(!district.good("roads").is_empty());
    let folder = tempfile::tempdir().unwrap();
    for blocks in [0, 100_001] {
        let refused = write(folder.path(), &DemoOptions { blocks, seed: SEED });
        assert!(matches!(refused, Err(DemoError::BlockCount(count)) if count == blocks));
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn stands_tile_the_country() {
    let district = district(20, SEED);
    let stands = geometries(&district.good("stands"));
    let sum: f64 = stands.iter().map(Geometry::area).sum();
    let mut all = stands[0].clone();
    for stand in &stands[1..] {
        all = all.union(stand).unwrap();
    }
    let covered = all.area();
    assert!((covered - sum).abs() < 1e-6 * sum, "{covered} of {sum} m2");
}

#[test]
fn a_season_of_two_thousand_blocks_takes_seconds() {
    let blocks = size::of(500, 2_000);
    let started = std::time::Instant::now();
    let district = district(blocks, SEED);
    let taken = started.elapsed();
    assert_eq!(district.good("blocks").len(), blocks);
    assert!(taken.as_secs() < 60, "{taken:?}");
}

#[test]
fn the_project_file_maps_every_layer_to_attributes_that_exist() {
    let district = district(2, SEED);
    let text = std::fs::read_to_string(&district.report.project).unwrap();
    let project: toml::Table = text.parse().unwrap();
    let mut mapped = BTreeSet::new();
    let roles = project["layers"].as_table().unwrap();
    assert_eq!(
        roles["terrain"]["source"].as_str(),
        district
            .report
            .elevation
            .file_name()
            .and_then(|name| name.to_str())
    );
    for (role, value) in roles.iter().filter(|(role, _)| *role != "terrain") {
        assert!(
            blockwright::model::LayerKind::from_key(role).is_some(),
            "{role}"
        );
        let tables = match value {
            toml::Value::Array(tables) => tables.iter().collect(),
            table => vec![table],
        };
        for table in tables {
            let layer = table["layer"].as_str().unwrap();
            assert!(mapped.insert(layer.to_owned()), "{layer} is mapped twice");
            // Small streams that a block lies across are few, and so are trees that stay for certain.
            let Some(first) = district.layers[layer].first() else {
                assert!(
                    ["crossings", "retain", "strip_lines"].contains(&layer),
                    "{layer}"
                );
                continue;
            };
            let fields = &first.fields;
            for (key, attribute) in table.as_table().unwrap() {
                // Of the whole layer, or the same for all its features.
                let of_layer = [
                    "source",
                    "layer",
                    "where",
                    "accuracy_confidence",
                    "accuracy_source",
                ];
                if !of_layer.contains(&key.as_str()) && attribute.get("value").is_none() {
                    let named = format!("{}=", attribute.as_str().unwrap());
                    assert!(
                        fields.iter().any(|field| field.starts_with(&named)),
                        "{layer}, {key}"
                    );
                }
            }
        }
    }
    assert_eq!(mapped, district.layers.keys().cloned().collect());
}

/// Slopes by GDAL itself, sampled on every block.
#[test]
fn some_blocks_are_too_steep_in_places_and_most_are_not() {
    use gdal::raster::processing::dem::{SlopeOptions, slope};
    let (mut blocks, mut left_out, mut day_only) = (0, 0, 0);
    for seed in [SEED, 1, 2] {
        let district = district(120, seed);
        let size = std::fs::metadata(&district.report.elevation).unwrap().len();
        assert!(size < 4_000_000, "{size} bytes");
        let dem = Dataset::open(&district.report.elevation).unwrap();
        let mut options = SlopeOptions::new();
        options.with_percentage_results(true);
        let folder = tempfile::tempdir().unwrap();
        let slopes = slope(&dem, folder.path().join("slope.tif"), &options).unwrap();
        let [left, pixel, _, top, _, _] = slopes.geo_transform().unwrap();
        let band = slopes.rasterband(1).unwrap();
        for row in district.good("blocks") {
            let bounds = rect(&row.geometry());
            let at = |v: f64| (v / pixel).floor() as isize;
            let corner = (at(bounds.min().x - left), at(top - bounds.max().y));
            let size = (
                (bounds.width() / pixel) as usize + 1,
                (bounds.height() / pixel) as usize + 1,
            );
            let values = band.read_as::<f32>(corner, size, size, None).unwrap();
            let shape = row.geometry().to_geo().unwrap();
            let mut on_block = Vec::new();
            for (index, &value) in values.data().iter().enumerate() {
                let (column, line) = (index % size.0, index / size.0);
                let place = geo::Point::new(
                    left + (corner.0 as f64 + column as f64 + 0.5) * pixel,
                    top - (corner.1 as f64 + line as f64 + 0.5) * pixel,
                );
                if geo::Contains::contains(&shape, &place) {
                    on_block.push(f64::from(value));
                }
            }
            assert!(
                on_block.iter().all(|s| (0.0..120.0).contains(s)),
                "{}",
                row.id
            );
            let steep = |limit: f64| on_block.iter().filter(|&&s| s > limit).count();
            blocks += 1;
            left_out += usize::from(steep(40.0) > 0);
            day_only += usize::from(steep(35.0) > steep(40.0));
            assert!(
                steep(40.0) * 2 < on_block.len(),
                "{} can hardly be worked",
                row.id
            );
        }
    }
    let share = |count: usize| f64::from(count as u32) / f64::from(blocks);
    assert!(
        (0.03..0.15).contains(&share(left_out)),
        "{left_out} of {blocks}"
    );
    assert!(
        (0.05..0.20).contains(&share(day_only)),
        "{day_only} of {blocks}"
    );
}
