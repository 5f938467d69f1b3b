//! Distances on the ground, measured from outside: what is written is brought to longitude and latitude by PROJ, laid flat
//! around each block by the geodesics of GeographicLib (Karney 2013), and measured there by `geo`. CRS of every kind on six
//! continents; random blocks, features and distances, all invented.
//!
//! `BLOCKWRIGHT_PAIRS=200 cargo test --test reading true_metres` measures fewer pairs of feature and distance.

use crate::run_binary;
use crate::size;

use std::collections::BTreeMap;
use std::path::Path;

use gdal::spatial_ref::{AxisMappingStrategy, CoordTransform, SpatialRef};
use gdal::vector::LayerAccess;
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use geo::{Coord, Distance, Euclidean, LineString, MultiPolygon, Point, Polygon};
use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic, PolygonArea, Winding};
use run_binary::{run, write};

const MILLIMETRE: f64 = 0.001;
/// What exchange files may be off.
const CENTIMETRE: f64 = 0.01;
/// Straight pieces of drawn lines while they are laid flat.
const STEP_M: f64 = 20.0;

/// CRS, and a place in degrees on its own datum. Two are the corners of their zone, one lies on the meridian of its zone.
const PLACES: [(u32, f64, f64); 14] = [
    (32633, 14.98, 48.2),
    (32610, -125.9, 54.3),
    (32616, -81.2, 48.7),
    (32650, 114.05, 5.0),
    (3005, -122.4, 54.1),
    (3857, 27.3, 62.6),
    (4326, 25.8, 66.1),
    (4326, -72.4, -39.3),
    (3067, 19.6, 64.2),
    (2154, 6.6, 44.3),
    (2264, -79.1, 35.6),
    (2193, 171.6, -42.4),
    (3577, 148.4, -36.6),
    (32736, 35.8, -18.9),
];

/// Numbers that look random, the same in every run (SplitMix64).
struct Chance(u64);

impl Chance {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
        low + (high - low) * ((z >> 11) as f64 / (1u64 << 53) as f64)
    }
}

/// A CRS with its ellipsoid.
struct Globe {
    to_degrees: CoordTransform,
    from_degrees: CoordTransform,
    /// From the degrees of exchange files.
    from_wgs84: CoordTransform,
    ellipsoid: Geodesic,
}

fn moved(way: &CoordTransform, place: Coord) -> Coord {
    let (mut x, mut y) = ([place.x], [place.y]);
    way.transform_coords(&mut x, &mut y, &mut []).unwrap();
    Coord { x: x[0], y: y[0] }
}

impl Globe {
    fn new(epsg: u32) -> Globe {
        let mut crs = SpatialRef::from_epsg(epsg).unwrap();
        let mut own = crs.geog_cs().unwrap();
        let mut wgs84 = SpatialRef::from_epsg(4326).unwrap();
        for one in [&mut crs, &mut own, &mut wgs84] {
            one.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
        }
        let (a, b) = (own.semi_major().unwrap(), own.semi_minor().unwrap());
        Globe {
            to_degrees: CoordTransform::new(&crs, &own).unwrap(),
            from_degrees: CoordTransform::new(&own, &crs).unwrap(),
            from_wgs84: CoordTransform::new(&wgs84, &crs).unwrap(),
            ellipsoid: Geodesic::new(a, (a - b) / a),
        }
    }

    /// Of the CRS, in degrees.
    fn degrees(&self, place: Coord) -> Coord {
        moved(&self.to_degrees, place)
    }

    /// A place so many metres east and north of another one, in the CRS.
    fn at(&self, from: Coord, east_m: f64, north_m: f64) -> Coord {
        let (long_m, way) = (east_m.hypot(north_m), east_m.atan2(north_m).to_degrees());
        let (latitude, longitude): (f64, f64) = self.ellipsoid.direct(from.y, from.x, way, long_m);
        let there = Coord {
            x: longitude,
            y: latitude,
        };
        moved(&self.from_degrees, there)
    }

    /// Laid flat around a place in degrees.
    fn flat(&self, around: Coord, place: Coord) -> Coord {
        let there = self.degrees(place);
        let (long_m, way, _, _): (f64, f64, f64, f64) =
            self.ellipsoid.inverse(around.y, around.x, there.y, there.x);
        let (sin, cos) = way.to_radians().sin_cos();
        Coord {
            x: long_m * sin,
            y: long_m * cos,
        }
    }

    /// A line of the CRS, straight there between its corners, cut into pieces of about [`STEP_M`].
    fn pieces(&self, around: Coord, line: &[Coord]) -> Vec<Coord> {
        let mut pieces = vec![line[0]];
        for w in line.windows(2) {
            let d = self.flat(around, w[1]) - self.flat(around, w[0]);
            let count = (d.x.hypot(d.y) / STEP_M).ceil().max(1.0) as u32;
            pieces.extend(
                (1..=count).map(|k| w[0] + (w[1] - w[0]) * (f64::from(k) / f64::from(count))),
            );
        }
        pieces
    }

    fn flat_line(&self, around: Coord, line: &[Coord]) -> LineString {
        let pieces = self.pieces(around, line);
        LineString(pieces.into_iter().map(|c| self.flat(around, c)).collect())
    }

    fn flat_polygon(&self, around: Coord, polygon: &Polygon) -> Polygon {
        let ring = |ring: &LineString| self.flat_line(around, &ring.0);
        let holes = polygon.interiors().iter().map(ring).collect();
        Polygon::new(ring(polygon.exterior()), holes)
    }

    fn area_m2(&self, around: Coord, ring: &[Coord]) -> f64 {
        let mut area = PolygonArea::new(&self.ellipsoid, Winding::CounterClockwise);
        for place in self.pieces(around, ring).iter().skip(1) {
            let place = self.degrees(*place);
            area.add_point(place.y, place.x);
        }
        area.compute(true).1.abs()
    }
}

struct Pair {
    id: String,
    is_polygon: bool,
    coords: Vec<Coord>,
    distance_m: f64,
}

struct Block {
    id: String,
    middle: Coord,
    ring: Vec<Coord>,
    pairs: Vec<Pair>,
}

/// Pairs of blocks that share a border, each with a stream and a lake.
fn blocks(globe: &Globe, place: Coord, count: usize, chance: &mut Chance) -> Vec<Block> {
    let mut blocks = Vec::new();
    for number in 0..count {
        let (pair, second) = (number / 2, number % 2 == 1);
        // Rows of ten pairs, so that a district stays small.
        let (east, north) = ((pair % 10) as f64 * 2_500.0, (pair / 10) as f64 * 1_800.0);
        let middle = globe.degrees(globe.at(place, east, north));
        let (wide, high) = (chance.between(250.0, 700.0), chance.between(250.0, 700.0));
        let at = |x: f64, y: f64| globe.at(middle, x, y);
        // Both blocks of a pair have the border from (0, 0) to (40, 700), as one straight line.
        let (foot, head) = (at(0.0, 0.0), at(40.0, 700.0));
        let mut ring = if second {
            vec![foot, head, at(-wide, high), at(-0.8 * wide, 30.0)]
        } else {
            vec![foot, at(wide, 25.0), at(0.9 * wide, high), head]
        };
        ring.push(ring[0]);
        let side = if second { -1.0 } else { 1.0 };
        let mut pairs = Vec::new();
        let mut stream: Vec<Coord> = Vec::new();
        let (mut x, mut y) = (side * chance.between(40.0, 0.8 * wide), -250.0);
        while y < high + 250.0 {
            stream.push(at(x, y));
            x += chance.between(-60.0, 60.0);
            y += chance.between(60.0, 420.0);
        }
        pairs.push(Pair {
            id: format!("S{number}"),
            is_polygon: false,
            coords: stream,
            distance_m: (chance.between(5.0, 120.0) * 100.0).round() / 100.0,
        });
        let (x, y) = (side * wide, chance.between(0.0, high));
        let radius = chance.between(15.0, 80.0);
        let mut lake: Vec<Coord> = (0..7)
            .map(|k| {
                let (sin, cos) = (f64::from(k) * std::f64::consts::TAU / 7.0).sin_cos();
                let far = radius * chance.between(0.6, 1.0);
                at(x + far * cos, y + far * sin)
            })
            .collect();
        lake.push(lake[0]);
        pairs.push(Pair {
            id: format!("L{number}"),
            is_polygon: true,
            coords: lake,
            distance_m: (chance.between(5.0, 120.0) * 100.0).round() / 100.0,
        });
        blocks.push(Block {
            id: format!("B{number}"),
            middle,
            ring,
            pairs,
        });
    }
    blocks
}

fn json(coords: &[Coord]) -> String {
    let coords: Vec<String> = coords
        .iter()
        .map(|c| format!("[{}, {}]", c.x, c.y))
        .collect();
    format!("[{}]", coords.join(", "))
}

/// The member of a GeoJSON file; none of degrees, which it is in without.
fn named_crs(epsg: u32) -> String {
    match epsg {
        4326 => String::new(),
        _ => format!(
            r#""crs": {{"type": "name", "properties": {{"name": "urn:ogc:def:crs:EPSG::{epsg}"}}}}, "#
        ),
    }
}

fn write_district(folder: &Path, epsg: u32, blocks: &[Block]) {
    let crs = named_crs(epsg);
    let feature = |properties: String, kind: &str, coords: String| {
        run_binary::feature(
            &properties,
            &format!(r#"{{"type": "{kind}", "coordinates": {coords}}}"#),
        )
    };
    let mut layers: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    let mut rules = String::new();
    for block in blocks {
        let ring = format!("[{}]", json(&block.ring));
        let id = format!(r#"{{"ID": "{}"}}"#, block.id);
        layers
            .entry("blocks")
            .or_default()
            .push(feature(id, "Polygon", ring));
        for pair in &block.pairs {
            let properties = format!(r#"{{"ID": "{0}", "CL": "{0}"}}"#, pair.id);
            let (kind, one) = if pair.is_polygon {
                let ring = format!("[{}]", json(&pair.coords));
                ("lakes", feature(properties, "Polygon", ring))
            } else {
                let line = json(&pair.coords);
                ("streams", feature(properties, "LineString", line))
            };
            layers.entry(kind).or_default().push(one);
            rules += &format!(
                "\n[[rules.line]]\nkind = \"{kind}\"\nclass = \"{}\"\nreserve = \"{} m\"\nsource = \"test\"\n",
                pair.id, pair.distance_m
            );
        }
    }
    for (name, features) in &layers {
        let text = run_binary::collection(&crs, features);
        write(folder, &format!("{name}.geojson"), &text);
    }
    let lakes = match layers.contains_key("lakes") {
        true => "[layers.lakes]\nsource = \"lakes.geojson\"\nid = \"ID\"\nclass = \"CL\"",
        false => "",
    };
    let project = format!(
        r#"[project]
crs = "EPSG:{epsg}"
[layers.blocks]
source = "blocks.geojson"
id = "ID"
[layers.streams]
source = "streams.geojson"
id = "ID"
class = "CL"
width = {{ value = "0 m" }}
{lakes}
[outputs]
maps = false
report = false
sheets = false
bunches = false
exchange = ["geojson"]
[rules]
preset = "bare"
source = "test"
retention_share = "0 %"
{rules}"#
    );
    write(folder, "project.toml", &project);
}

fn lay_out(folder: &Path, epsg: u32, blocks: &[Block]) {
    write_district(folder, epsg, blocks);
    let ended = run(folder, &["layout", "project.toml", "--out", "out", "-q"]);
    assert!(matches!(ended.code, 0 | 3), "EPSG:{epsg}: {}", ended.stderr);
}

/// Polygons of a layer with two attributes.
fn polygons(folder: &Path, layer: &str, names: [&str; 2]) -> Vec<([String; 2], MultiPolygon)> {
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_VECTOR,
        ..DatasetOptions::default()
    };
    let dataset = Dataset::open_ex(folder.join("out/layout.gpkg"), options).unwrap();
    let mut layer = dataset.layer_by_name(layer).unwrap();
    let fields: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let index = names.map(|name| fields.iter().position(|field| field == name).unwrap());
    let mut found = Vec::new();
    for feature in layer.features() {
        let text = |index: usize| {
            let value = feature.field_as_string(index).unwrap();
            value.unwrap_or_default()
        };
        let wkb = feature.geometry().unwrap().wkb().unwrap();
        let parts = blockwright::geometry::wkb::read(&wkb).unwrap();
        found.push((index.map(text), MultiPolygon(parts.polygons)));
    }
    found
}

fn run_json(folder: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(folder.join("out/run.json")).unwrap()).unwrap()
}

/// Outer rings of the blocks as the exchange file has them, by block, in degrees.
fn exchanged(folder: &Path) -> BTreeMap<String, Vec<Coord>> {
    let text = std::fs::read(folder.join("out/exchange/blocks.geojson")).unwrap();
    let value: serde_json::Value = serde_json::from_slice(&text).unwrap();
    let rings = value["features"].as_array().unwrap().iter().map(|feature| {
        let geometry = &feature["geometry"];
        let polygon = match geometry["type"].as_str() {
            Some("Polygon") => &geometry["coordinates"],
            _ => &geometry["coordinates"][0],
        };
        let ring = polygon[0].as_array().unwrap().iter().map(|place| Coord {
            x: place[0].as_f64().unwrap(),
            y: place[1].as_f64().unwrap(),
        });
        let id = feature["properties"]["block_id"].as_str().unwrap();
        (id.to_owned(), ring.collect())
    });
    rings.collect()
}

#[derive(Default)]
struct Worst {
    pairs: usize,
    tight: usize,
    short_m: f64,
    over_m: f64,
    border_m: f64,
    exchange_m: f64,
    area: f64,
}

fn measure(folder: &Path, globe: &Globe, epsg: u32, blocks: &[Block], worst: &mut Worst) {
    let run = run_json(folder);
    assert_eq!(run["metres"], "ground");
    assert!(run["crs"]["ground_off"].as_f64().unwrap() <= 1e-6, "{epsg}");
    assert_eq!(
        run["counts"]["blocks_laid_out"],
        blocks.len(),
        "EPSG:{epsg}"
    );
    let strips = polygons(folder, "strips", ["block_id", "kind"]);
    let zones = polygons(folder, "zones", ["block_id", "source_id"]);
    let outlines = polygons(folder, "blocks", ["block_id", "gross_ha"]);
    let exchanged = exchanged(folder);
    // Neighbours' common borders are no overlaps, however they bend.
    let aside = std::fs::read_to_string(folder.join("out/set_aside.csv")).unwrap();
    assert!(!aside.contains("overlap"), "EPSG:{epsg}: {aside}");
    let mut borders: Vec<LineString> = Vec::new();
    for (number, block) in blocks.iter().enumerate() {
        let around = block.middle;
        let cut: Vec<Polygon> = strips
            .iter()
            .filter(|([id, _], _)| *id == block.id)
            .flat_map(|(_, shape)| shape.0.iter().map(|p| globe.flat_polygon(around, p)))
            .collect();
        assert!(!cut.is_empty(), "EPSG:{epsg} {}", block.id);
        // What lies beside the neighbour is kept off too.
        let beside = blocks.get(number ^ 1);
        for pair in beside.into_iter().flat_map(|beside| &beside.pairs) {
            let line = globe.flat_line(around, &pair.coords);
            for strip in &cut {
                let off_m = Euclidean.distance(strip, &line);
                let short_m = pair.distance_m - off_m;
                assert!(
                    short_m <= MILLIMETRE,
                    "EPSG:{epsg} {} {}: {off_m}",
                    block.id,
                    pair.id
                );
            }
        }
        for pair in &block.pairs {
            let line = globe.flat_line(around, &pair.coords);
            let solid = Polygon::new(line.clone(), vec![]);
            let least_m = cut
                .iter()
                .map(|strip| match pair.is_polygon {
                    true => Euclidean.distance(strip, &solid),
                    false => Euclidean.distance(strip, &line),
                })
                .fold(f64::INFINITY, f64::min);
            let what = format!("EPSG:{epsg} {} {} {}", block.id, pair.id, pair.distance_m);
            let short_m = pair.distance_m - least_m;
            assert!(short_m <= MILLIMETRE, "{what}: {least_m}");
            worst.short_m = worst.short_m.max(short_m);
            let most_m = pair.distance_m * 1.001 + MILLIMETRE;
            worst.tight += usize::from(least_m <= most_m);
            worst.pairs += 1;
            for ([id, source], zone) in &zones {
                if *id != block.id || *source != pair.id {
                    continue;
                }
                let rings = zone.0.iter().flat_map(|polygon| &polygon.exterior().0);
                for corner in rings {
                    let corner = Point(globe.flat(around, *corner));
                    let far_m = match pair.is_polygon {
                        true => Euclidean.distance(&corner, &solid),
                        false => Euclidean.distance(&corner, &line),
                    };
                    assert!(far_m <= most_m, "{what}: zone at {far_m}");
                    worst.over_m = worst.over_m.max(far_m - pair.distance_m);
                }
            }
        }
        let ([_, gross_ha], outline) = &outlines[number];
        let gross_m2 = gross_ha.parse::<f64>().unwrap() * 1e4;
        let area_m2 = globe.area_m2(around, &block.ring);
        let off = (gross_m2 / area_m2 - 1.0).abs();
        assert!(off < 1e-6, "EPSG:{epsg} {}: {gross_m2} {area_m2}", block.id);
        worst.area = worst.area.max(off);
        let border = globe.flat_polygon(around, &outline.0[0]).exterior().clone();
        for w in exchanged[&block.id].windows(2) {
            for part in 0..8 {
                let place = w[0] + (w[1] - w[0]) * (f64::from(part) / 8.0);
                let place = globe.flat(around, moved(&globe.from_wgs84, place));
                let off_m = Euclidean.distance(&Point(place), &border);
                assert!(off_m <= CENTIMETRE, "EPSG:{epsg} {}: {off_m}", block.id);
                worst.exchange_m = worst.exchange_m.max(off_m);
            }
        }
        borders.push(border);
        // The second block of a pair and the first meet along their border, as written.
        if number % 2 == 1 {
            let (foot, head) = (blocks[number].ring[0], blocks[number].ring[1]);
            let border = globe.flat_line(around, &[foot, head]);
            for place in &border.0 {
                for outline in &borders[number - 1..=number] {
                    let off_m = Euclidean.distance(&Point(*place), outline);
                    assert!(off_m <= MILLIMETRE, "EPSG:{epsg} {}: {off_m}", block.id);
                    worst.border_m = worst.border_m.max(off_m);
                }
            }
        }
    }
}

#[test]
fn no_distance_falls_short_on_the_ground_in_any_crs() {
    let wanted: usize = std::env::var("BLOCKWRIGHT_PAIRS")
        .map_or(size::of(56, 2_000), |text| text.parse().unwrap());
    // Two pairs a block, two blocks a border.
    let count = wanted.div_ceil(4 * PLACES.len()) * 2;
    let mut chance = Chance(20_260_718);
    let mut worst = Worst::default();
    for (epsg, x, y) in PLACES {
        let globe = Globe::new(epsg);
        let blocks = blocks(&globe, Coord { x, y }, count, &mut chance);
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path(), epsg, &blocks);
        measure(folder.path(), &globe, epsg, &blocks, &mut worst);
    }
    println!(
        "{} pairs, {} of them tight: at most {:.3} mm short, zones {:.1} mm over, borders {:.3} mm, exchanged {:.1} mm, areas {:.1e}",
        worst.pairs,
        worst.tight,
        worst.short_m * 1e3,
        worst.over_m * 1e3,
        worst.border_m * 1e3,
        worst.exchange_m * 1e3,
        worst.area
    );
    assert!(worst.tight * 2 > worst.pairs);
}

/// A grid that is stretched by 0.18 %: there a reserve of 50 m of grid is 49.9 m of ground. And a district in two zones,
/// one block each side, in the zone of neither.
#[test]
fn stretched_grids_and_two_zones_are_true() {
    for (epsg, places) in [
        (32616, vec![(-81.15, 48.66)]),
        (32610, vec![(-126.02, 54.3), (-125.98, 54.3)]),
        (32609, vec![(-123.0, 54.3), (-117.2, 54.3)]),
    ] {
        let globe = Globe::new(epsg);
        let mut chance = Chance(7);
        let mut all = Vec::new();
        for (x, y) in places {
            for mut block in blocks(&globe, Coord { x, y }, 2, &mut chance) {
                let number = all.len();
                block.id = format!("B{number}");
                for (pair, letter) in block.pairs.iter_mut().zip(["S", "L"]) {
                    pair.id = format!("{letter}{number}");
                    pair.distance_m = 50.0;
                }
                all.push(block);
            }
        }
        let folder = tempfile::tempdir().unwrap();
        lay_out(folder.path(), epsg, &all);
        let mut worst = Worst::default();
        measure(folder.path(), &globe, epsg, &all, &mut worst);
        assert!(worst.tight > 0);
    }
}

/// 5 m into a reserve of 50 m, by a polygon and by a machine's track, where a metre of the grid is half a metre of the
/// ground, or a degree.
#[test]
fn audits_measure_on_the_ground() {
    for (epsg, x, y) in [(3857, 27.3, 62.6), (4326, 25.8, 66.1), (3005, -122.4, 54.1)] {
        let (globe, middle) = (Globe::new(epsg), Coord { x, y });
        let at = |x: f64, y: f64| globe.at(middle, x, y);
        let rectangle = |west: f64, south: f64, east: f64, north: f64| {
            let corners = [(west, south), (east, south), (east, north), (west, north)];
            let mut ring: Vec<Coord> = corners.iter().map(|&(x, y)| at(x, y)).collect();
            ring.push(ring[0]);
            ring
        };
        let upright = |x: f64, from: i32, to: i32| -> Vec<Coord> {
            (from..=to)
                .map(|step| at(x, 5.0 * f64::from(step)))
                .collect()
        };
        let block = Block {
            id: "B0".to_owned(),
            middle,
            ring: rectangle(-20.0, 0.0, 400.0, 300.0),
            pairs: vec![Pair {
                id: "S0".to_owned(),
                is_polygon: false,
                coords: upright(0.0, -40, 100),
                distance_m: 50.0,
            }],
        };
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        write_district(folder, epsg, &[block]);
        let crs = named_crs(epsg);
        let cut = |kind: &str, coordinates: String| {
            let shape = format!(r#"{{"type": "{kind}", "coordinates": {coordinates}}}"#);
            let feature = run_binary::feature(r#"{"block_id": "B0"}"#, &shape);
            write(
                folder,
                "cut.geojson",
                &run_binary::collection(&crs, &[feature]),
            );
            let arguments = ["audit", "project.toml", "--as-cut", "cut.geojson"];
            let how = ["--tolerance", "0", "--out", "audited", "-q"];
            let ended = run(folder, &[&arguments[..], &how].concat());
            assert!(matches!(ended.code, 0 | 3), "EPSG:{epsg}: {}", ended.stderr);
            let rows = std::fs::read(folder.join("audited/compliance.json")).unwrap();
            let rows: serde_json::Value = serde_json::from_slice(&rows).unwrap();
            let rows = rows["rows"].as_array().unwrap().iter();
            let is_reserve =
                |row: &&serde_json::Value| row["rule_id"].as_str().unwrap().starts_with("reserve:");
            let row = rows.clone().find(is_reserve).unwrap();
            assert_eq!(row["required"], 50.0);
            row["measured"].as_f64().unwrap()
        };
        let ring = rectangle(45.0, 50.0, 200.0, 250.0);
        let by_polygon_m = cut("Polygon", format!("[{}]", json(&ring)));
        assert!(
            (by_polygon_m - 45.0).abs() < 0.002,
            "EPSG:{epsg}: {by_polygon_m}"
        );
        // The machine cuts 8.3952 m to either side, its reach less a foot.
        let by_track_m = cut("LineString", json(&upright(45.0 + 8.395_2, 10, 50)));
        assert!(
            (by_track_m - 45.0).abs() < 0.02,
            "EPSG:{epsg}: {by_track_m}"
        );
    }
}
