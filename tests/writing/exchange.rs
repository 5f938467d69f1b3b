//! Exchange files, read back by other programs: places within a centimetre, forms as their standards ask.

use crate::outputs_fixture;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use blockwright::model::{
    BlockPlan, ExchangeFormat, Language, OutputSettings, PeopleNote, UnderWindow, WindowNote,
};
use blockwright::outputs::{Writer, file_stem, render};
use gdal::Dataset;
use gdal::spatial_ref::{AxisMappingStrategy, CoordTransform, SpatialRef};
use gdal::vector::{Geometry, LayerAccess};
use geo::Coord;
use outputs_fixture::{full, report, small, turned, two_settings};

const HOSTILE: &str = "../<script>alert(1)</script>'\"\0\u{202e}]]>&";

fn crs() -> String {
    SpatialRef::from_epsg(32616).unwrap().to_wkt().unwrap()
}

fn plans() -> Vec<BlockPlan> {
    vec![
        small("B-1"),
        turned(full("B-2", 500.0, 22), 33.0),
        small(HOSTILE),
    ]
}

fn formats(formats: &[ExchangeFormat]) -> OutputSettings {
    OutputSettings {
        exchange: formats.to_vec(),
        ..OutputSettings::default()
    }
}

fn write(dir: &Path) -> PathBuf {
    write_as(dir, &formats(&ExchangeFormat::ALL))
}

fn write_as(dir: &Path, outputs: &OutputSettings) -> PathBuf {
    let writer = Writer::create(dir, &crs())
        .unwrap()
        .with_exchange("Winter <district>", outputs)
        .unwrap();
    write_plans(writer, &plans());
    dir.join("exchange")
}

fn write_plans(mut writer: Writer, plans: &[BlockPlan]) {
    for plan in plans {
        writer
            .block(plan, Some(&render(plan, "Test", Language::English)))
            .unwrap();
    }
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
}

fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(dir).unwrap().to_owned();
                found.insert(name, fs::read(path).unwrap());
            }
        }
    }
    found
}

/// Longitude and latitude back in the work CRS.
struct Back(CoordTransform);

impl Back {
    fn new() -> Back {
        let crs = |code| {
            let mut crs = SpatialRef::from_epsg(code).unwrap();
            crs.set_axis_mapping_strategy(AxisMappingStrategy::TraditionalGisOrder);
            crs
        };
        Back(CoordTransform::new(&crs(4326), &crs(32616)).unwrap())
    }

    fn place(&self, lon: f64, lat: f64) -> Coord {
        let (mut x, mut y) = ([lon], [lat]);
        self.0.transform_coords(&mut x, &mut y, &mut []).unwrap();
        Coord { x: x[0], y: y[0] }
    }
}

fn assert_near(found: Coord, wanted: Coord, what: &str) {
    let off = (found.x - wanted.x).hypot(found.y - wanted.y);
    assert!(off < 0.01, "{what}: {off} m");
}

fn in_work_crs(plan: &BlockPlan, place: Coord) -> Coord {
    place
        + Coord {
            x: plan.origin()[0],
            y: plan.origin()[1],
        }
}

/// Every vertex of a geometry as GDAL reads it, in its own order.
fn vertices(shape: &Geometry) -> Vec<Coord> {
    let mut points = Vec::new();
    shape.get_points(&mut points);
    let mut found: Vec<Coord> = points.into_iter().map(|(x, y, _)| Coord { x, y }).collect();
    for index in 0..shape.geometry_count() {
        found.extend(vertices(&shape.get_geometry(index)));
    }
    found
}

#[test]
fn the_same_plans_give_the_same_bytes_in_the_same_files() {
    let temp = tempfile::tempdir().unwrap();
    let one = files(&write(&temp.path().join("one")));
    let two = files(&write(&temp.path().join("two")));
    assert_eq!(
        one.keys().collect::<Vec<_>>(),
        two.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in &one {
        assert!(*bytes == two[name], "{}", name.display());
    }
    for name in ["B-1".to_owned(), "B-2".to_owned(), file_stem(HOSTILE)] {
        assert!(one.contains_key(Path::new(&format!("gpx/{name}.gpx"))));
        assert!(one.contains_key(Path::new(&format!("kml/{name}.kml"))));
    }
    // 3 GPX, 3 KML and their overview, as many KMZ, 15 GeoJSON, 15 shapefiles of 5 files, a drawing.
    assert_eq!(one.len(), 3 + 4 + 4 + 15 + 75 + 1, "{:?}", one.keys());
    assert_eq!(fs::read_dir(temp.path()).unwrap().count(), 2);
}

#[test]
fn nothing_is_written_that_nobody_asked_for() {
    let temp = tempfile::tempdir().unwrap();
    let writer = Writer::create(temp.path(), &crs()).unwrap();
    let writer = writer.with_exchange("Test", &formats(&[])).unwrap();
    let report = report(writer.counts());
    writer.finish(&report, &[]).unwrap();
    assert!(!temp.path().join("exchange").exists());
}

#[test]
fn tracks_follow_the_strips_in_the_order_of_work_under_names_that_receivers_keep() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let back = Back::new();
    for plan in plans() {
        let path = dir.join("gpx").join(file_stem(&plan.id) + ".gpx");
        let text = fs::read_to_string(&path).unwrap();
        let tree = roxmltree::Document::parse(&text).unwrap();
        let root = tree.root_element();
        assert_eq!(
            root.tag_name().namespace(),
            Some("http://www.topografix.com/GPX/1/1")
        );
        assert_eq!(root.attribute("version"), Some("1.1"));
        assert!(!text.contains("<time"));
        let tracks: Vec<_> = root
            .children()
            .filter(|node| node.has_tag_name("trk") || node.tag_name().name() == "trk")
            .collect();
        let name = |node: &roxmltree::Node| {
            let mut inside = node.children();
            let name = inside
                .find(|child| child.tag_name().name() == "name")
                .unwrap();
            name.text().unwrap_or_default().to_owned()
        };
        let mut seen = BTreeSet::new();
        for track in &tracks {
            let name = name(track);
            assert!(name.len() <= 13 && name.is_ascii(), "{name}");
            assert!(seen.insert(name.clone()), "{name} twice");
        }
        for (track, line) in tracks.iter().zip(&plan.lines) {
            let points: Vec<Coord> = track
                .descendants()
                .filter(|node| node.tag_name().name() == "trkpt")
                .map(|node| {
                    let degrees = |key| node.attribute(key).unwrap().parse().unwrap();
                    back.place(degrees("lon"), degrees("lat"))
                })
                .collect();
            assert_eq!(points.len(), line.shape.0.len());
            for (found, wanted) in points.iter().zip(&line.shape.0) {
                assert_near(*found, in_work_crs(&plan, *wanted), &name(track));
            }
        }
        assert!(tracks.len() > plan.lines.len());
        // Another reader.
        let dataset = Dataset::open(&path).unwrap();
        let mut layer = dataset.layer_by_name("tracks").unwrap();
        assert_eq!(layer.features().count(), tracks.len());
    }
}

#[test]
fn geojson_is_as_rfc_7946_asks() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let mut rings = 0;
    for (name, bytes) in files(&dir) {
        if name.extension().is_none_or(|ending| ending != "geojson") {
            continue;
        }
        let json: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
        assert_eq!(json["type"], "FeatureCollection");
        assert!(json.get("crs").is_none());
        for feature in json["features"].as_array().unwrap() {
            assert_eq!(feature["type"], "Feature");
            assert!(feature["properties"]["block_id"].is_string());
            let coordinates = &feature["geometry"]["coordinates"];
            let polygons: Vec<&serde_json::Value> = match feature["geometry"]["type"].as_str() {
                Some("Polygon") => vec![coordinates],
                Some("MultiPolygon") => coordinates.as_array().unwrap().iter().collect(),
                Some("LineString" | "Point") => vec![],
                other => panic!("{other:?}"),
            };
            for polygon in polygons {
                for (index, ring) in polygon.as_array().unwrap().iter().enumerate() {
                    let ring = ring.as_array().unwrap();
                    assert!(ring.len() >= 4 && ring.first() == ring.last());
                    let at = |n: usize, axis: usize| {
                        ring[n][axis].as_f64().unwrap() - ring[0][axis].as_f64().unwrap()
                    };
                    let doubled: f64 = (1..ring.len())
                        .map(|n| at(n - 1, 0) * at(n, 1) - at(n, 0) * at(n - 1, 1))
                        .sum();
                    // Shells counter-clockwise, holes clockwise.
                    assert!(if index == 0 {
                        doubled > 0.0
                    } else {
                        doubled < 0.0
                    });
                    rings += 1;
                }
            }
        }
    }
    assert!(rings > 60, "{rings}");
}

/// GDAL's vertices of each row, put back into the work CRS, against those of the plans.
fn assert_round_trip(path: &Path, layer: &str, wanted: &[Vec<Coord>]) {
    let back = Back::new();
    let dataset = Dataset::open(path).unwrap();
    let mut layer = dataset.layer_by_name(layer).unwrap();
    let rows: Vec<Vec<Coord>> = layer
        .features()
        .map(|feature| vertices(feature.geometry().unwrap()))
        .collect();
    assert_eq!(rows.len(), wanted.len(), "{}", path.display());
    for (row, wanted) in rows.iter().zip(wanted) {
        assert_eq!(row.len(), wanted.len());
        for place in row {
            let place = back.place(place.x, place.y);
            let near = |other: &&Coord| (place.x - other.x).hypot(place.y - other.y) < 0.01;
            assert!(
                wanted.iter().find(near).is_some(),
                "{}: {place:?}",
                path.display()
            );
        }
    }
}

#[test]
fn places_come_back_within_a_centimetre() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let plans = plans();
    let lines: Vec<Vec<Coord>> = plans
        .iter()
        .flat_map(|plan| {
            plan.lines.iter().map(|line| {
                let places = line.shape.0.iter();
                places.map(|place| in_work_crs(plan, *place)).collect()
            })
        })
        .collect();
    let corridors: Vec<Vec<Coord>> = plans
        .iter()
        .flat_map(|plan| {
            plan.corridors.iter().map(|corridor| {
                use geo::CoordsIter;
                let places = corridor.shape.coords_iter();
                places.map(|place| in_work_crs(plan, place)).collect()
            })
        })
        .collect();
    assert_round_trip(&dir.join("strip_lines.geojson"), "strip_lines", &lines);
    assert_round_trip(&dir.join("corridors.geojson"), "corridors", &corridors);
    assert_round_trip(
        &dir.join("shapefile/strip_lines.shp"),
        "strip_lines",
        &lines,
    );
    assert_round_trip(
        &dir.join("shapefile/corridors.shp"),
        "corridors",
        &corridors,
    );
}

#[test]
fn kml_shows_every_folder_to_another_reader() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let plan = &plans()[1];
    let path = dir.join("kml/B-2.kml");
    let text = fs::read_to_string(&path).unwrap();
    let tree = roxmltree::Document::parse(&text).unwrap();
    assert_eq!(tree.root_element().attribute("version"), Some("2.3"));
    // Every style that is used is there.
    let styles: BTreeSet<&str> = tree
        .descendants()
        .filter(|node| node.tag_name().name() == "Style")
        .filter_map(|node| node.attribute("id"))
        .collect();
    let mut used = 0;
    for node in tree.descendants() {
        if node.tag_name().name() == "styleUrl" {
            assert!(styles.contains(node.text().unwrap().trim_start_matches('#')));
            used += 1;
        }
    }
    assert!(used > plan.lines.len() + plan.corridors.len());
    let dataset = Dataset::open(&path).unwrap();
    let count = |name: &str| dataset.layer_by_name(name).unwrap().feature_count();
    assert_eq!(
        count("Strips in the order of work"),
        plan.lines.len() as u64
    );
    assert_eq!(
        count("Retention corridor: leave standing"),
        plan.corridors.len() as u64
    );
    let overview = Dataset::open(dir.join("blocks.kml")).unwrap();
    assert_eq!(overview.layer(0).unwrap().feature_count(), 3);
    let back = Back::new();
    let mut layer = dataset
        .layer_by_name("Strips in the order of work")
        .unwrap();
    for (feature, line) in layer.features().zip(&plan.lines) {
        for (found, wanted) in vertices(feature.geometry().unwrap())
            .iter()
            .zip(&line.shape.0)
        {
            assert_near(
                back.place(found.x, found.y),
                in_work_crs(plan, *wanted),
                "KML",
            );
        }
    }
}

#[test]
fn archives_hold_the_same_documents_for_another_reader() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let stems = plans().into_iter().map(|plan| file_stem(&plan.id));
    let mut pairs: Vec<(PathBuf, PathBuf)> = stems
        .map(|stem| {
            (
                dir.join("kml").join(stem.clone() + ".kml"),
                dir.join("kmz").join(stem + ".kmz"),
            )
        })
        .collect();
    pairs.push((dir.join("blocks.kml"), dir.join("blocks.kmz")));
    for (loose, packed) in pairs {
        // GDAL's own reader of archives.
        let inside = PathBuf::from(format!("/vsizip/{{{}}}/doc.kml", packed.display()));
        let read = |path: &Path| -> Vec<(String, u64)> {
            let dataset = Dataset::open(path).unwrap();
            let layers = dataset.layers();
            layers
                .map(|layer| (layer.name(), layer.feature_count()))
                .collect()
        };
        let layers = read(&loose);
        assert!(layers.iter().map(|(_, count)| count).sum::<u64>() > 0);
        assert_eq!(layers, read(&inside));
        let [small, large] = [packed, loose].map(|path| fs::metadata(path).unwrap().len());
        assert!(small < large / 2, "{small} of {large} bytes");
    }
}

#[test]
fn french_files_say_nothing_in_english() {
    let temp = tempfile::tempdir().unwrap();
    let french = OutputSettings {
        language: Language::French,
        ..formats(&[ExchangeFormat::Gpx, ExchangeFormat::Kml])
    };
    let dir = write_as(temp.path(), &french);
    let read = |path: &str| fs::read_to_string(dir.join(path)).unwrap();
    let (gpx, kml) = (read("gpx/B-2.gpx"), read("kml/B-2.kml"));
    assert!(gpx.contains("<name>DEBUT</name>") && gpx.contains("sens aller"));
    assert!(kml.contains("<name>Corridor de rétention : laisser debout</name>"));
    // Attributes keep the names that the GeoPackage has.
    assert!(!gpx.contains("heading"));
    for words in ["START", "Strips", "corridors<", "Block ", "Reserve"] {
        assert!(!gpx.contains(words) && !kml.contains(words), "{words}");
    }
}

#[test]
fn shapefiles_carry_the_names_that_the_document_maps() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let document = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/exchange.md");
    let document = fs::read_to_string(document).unwrap();
    for layer in [
        "blocks",
        "zones",
        "strip_lines",
        "sections",
        "corridors",
        "unworked",
        "settings",
        "outlets",
        "skid_trails",
        "decks",
        "people",
        "people_places",
        "windows",
    ] {
        let dataset = Dataset::open(dir.join(format!("shapefile/{layer}.shp"))).unwrap();
        let shapes = dataset.layer(0).unwrap();
        for field in shapes.defn().fields() {
            let name = field.name();
            assert!(name.len() <= 10, "{name}");
            assert!(document.contains(&format!("`{name}`")), "{layer}: {name}");
        }
        assert_eq!(shapes.spatial_ref().unwrap().name().unwrap(), "WGS 84");
    }
    let dataset = Dataset::open(dir.join("shapefile/blocks.shp")).unwrap();
    let mut layer = dataset.layer(0).unwrap();
    let ids: Vec<String> = layer
        .features()
        .map(|feature| feature.field_as_string(0).unwrap().unwrap())
        .collect();
    assert_eq!(ids[..2], ["B-1", "B-2"]);
    assert_eq!(ids[2], blockwright::model::shown::line(HOSTILE));
}

#[test]
fn the_drawing_has_layers_by_kind_in_metres() {
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let text = fs::read_to_string(dir.join("layout.dxf")).unwrap();
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    assert_eq!(lines[5..8], ["$ACADVER", "1", "AC1015"], "R2000");
    assert!(!text.contains("$PROJECTNAME"));
    // Metres, and metric: once each, in the header (AutoCAD 2000 DXF reference, header section).
    let header = &lines[..lines.iter().position(|line| *line == "ENDSEC").unwrap()];
    for (variable, value) in [("$INSUNITS", "6"), ("$MEASUREMENT", "1")] {
        let places: Vec<usize> = (0..lines.len())
            .filter(|at| lines[*at] == variable)
            .collect();
        assert_eq!(places.len(), 1, "{variable}");
        let at = places[0];
        assert_eq!(header[at - 1..at + 3], ["9", variable, "70", value]);
    }
    let dataset = Dataset::open(dir.join("layout.dxf")).unwrap();
    let mut layer = dataset.layer_by_name("entities").unwrap();
    let mut kinds = BTreeSet::new();
    let mut labels = BTreeSet::new();
    for feature in layer.features() {
        let index = |name| feature.field_index(name).unwrap();
        kinds.insert(feature.field_as_string(index("Layer")).unwrap().unwrap());
        if let Some(text) = feature.field_as_string(index("Text")).unwrap() {
            labels.insert(text);
        }
        for place in vertices(feature.geometry().unwrap()) {
            assert!((500_000.0..520_000.0).contains(&place.x), "{place:?}");
        }
    }
    for kind in [
        "block",
        "reserve",
        "management",
        "corridor",
        "day_only",
        "strip_in",
        "strip_no",
    ] {
        assert!(kinds.contains(kind), "{kind}: {kinds:?}");
    }
    assert!(labels.contains("B-1"), "{labels:?}");
}

/// The published schemas, where `BLOCKWRIGHT_SCHEMAS` names a folder with `gpx.xsd` and `ogckml22.xsd`; see
/// `docs/exchange.md`.
#[test]
fn gpx_and_kml_hold_against_their_published_schemas() {
    let Some(schemas) = std::env::var_os("BLOCKWRIGHT_SCHEMAS").map(PathBuf::from) else {
        println!("skipped: BLOCKWRIGHT_SCHEMAS names no folder of schemas");
        return;
    };
    let temp = tempfile::tempdir().unwrap();
    let dir = write(temp.path());
    let mut checked = 0;
    for (name, bytes) in files(&dir) {
        let schema = match name.extension().and_then(|ending| ending.to_str()) {
            Some("gpx") => "gpx.xsd",
            Some("kml") => "ogckml22.xsd",
            _ => continue,
        };
        // Of KML 2.3 nothing but its version is used that 2.2 does not have, in the same namespace.
        let text = String::from_utf8(bytes)
            .unwrap()
            .replace(" version=\"2.3\"", "");
        let path = temp.path().join("checked.xml");
        fs::write(&path, text).unwrap();
        let out = Command::new("xmllint")
            .args(["--nonet", "--noout", "--schema"])
            .arg(schemas.join(schema))
            .arg(&path)
            .output()
            .expect("xmllint (package libxml2-utils)");
        let said = String::from_utf8_lossy(&out.stderr);
        assert!(out.status.success(), "{}: {said}", name.display());
        checked += 1;
    }
    assert_eq!(checked, 7);
}

#[test]
fn settings_outlets_trails_and_decks_are_exchanged() {
    let temp = tempfile::tempdir().unwrap();
    let writer = Writer::create(temp.path(), &crs())
        .unwrap()
        .with_exchange("Test", &formats(&ExchangeFormat::ALL))
        .unwrap();
    let plan = two_settings("B-1");
    write_plans(writer, std::slice::from_ref(&plan));
    let dir = temp.path().join("exchange");
    let outlet = |at: usize| plan.parts[at].outlet.as_ref().unwrap();
    let moved = |line: &geo::LineString| -> Vec<Coord> {
        line.0.iter().map(|at| in_work_crs(&plan, *at)).collect()
    };
    let ground = |at: usize| moved(plan.parts[at].shape.0[0].exterior());
    let trails: Vec<Vec<Coord>> = plan
        .trails
        .iter()
        .map(|trail| moved(&trail.shape))
        .collect();
    let deck = vec![in_work_crs(&plan, plan.decks[0].place.into())];
    // A landing is a place: it has no edge.
    let fronts = vec![moved(&outlet(0).front.0[0])];
    for (layer, wanted) in [
        ("settings", vec![ground(0), ground(1)]),
        ("outlets", fronts),
        ("skid_trails", trails),
        ("decks", vec![deck.clone()]),
    ] {
        assert_round_trip(&dir.join(format!("{layer}.geojson")), layer, &wanted);
        assert_round_trip(&dir.join(format!("shapefile/{layer}.shp")), layer, &wanted);
    }
    let read = |name: &str| fs::read_to_string(dir.join(name)).unwrap();
    let settings: serde_json::Value = serde_json::from_str(&read("settings.geojson")).unwrap();
    let second = &settings["features"][1]["properties"];
    assert_eq!(
        (&second["setting"], &second["outlet"]),
        (&2.into(), &"L-1".into())
    );
    assert_eq!(second["outlet_kind"], "landing");

    let gpx = read("gpx/B-1.gpx");
    let tree = roxmltree::Document::parse(&gpx).unwrap();
    let kinds: Vec<&str> = (tree.root_element().children())
        .filter(|node| node.is_element())
        .map(|node| node.tag_name().name())
        .collect();
    // Waypoints come before tracks (GPX 1.1, gpxType).
    assert_eq!(kinds[..4], ["metadata", "wpt", "wpt", "trk"]);
    let deck_node = tree
        .descendants()
        .filter(|node| node.tag_name().name() == "wpt")
        .nth(1)
        .unwrap();
    let degrees = |key| deck_node.attribute(key).unwrap().parse().unwrap();
    assert_near(
        Back::new().place(degrees("lon"), degrees("lat")),
        deck[0],
        "deck",
    );
    assert!(gpx.contains("<name>DECK 1</name><desc>Deck of 320 m³ from setting 1</desc>"));

    let kml = read("kml/B-1.kml");
    for name in [
        "Line between settings",
        "Outlet: where wood is decked",
        "Skid trail, wider for more loads",
        "Deck",
    ] {
        assert!(
            kml.contains(&format!("<Folder><name>{name}</name>")),
            "{name}"
        );
    }
    let dataset = Dataset::open(dir.join("layout.dxf")).unwrap();
    let mut layer = dataset.layer_by_name("entities").unwrap();
    let mut found = BTreeMap::new();
    for feature in layer.features() {
        let index = feature.field_index("Layer").unwrap();
        let kind = feature.field_as_string(index).unwrap().unwrap();
        *found.entry(kind).or_insert(0) += 1;
    }
    let of = |kind: &str| found.get(kind).copied().unwrap_or(0);
    assert_eq!(
        ["setting", "outlet", "skid_trail", "deck"].map(of),
        [2, 1, 2, 1],
        "{found:?}"
    );
}

/// One plan in every exchange format.
fn in_all_formats(plan: &BlockPlan) -> tempfile::TempDir {
    let temp = tempfile::tempdir().unwrap();
    let writer = Writer::create(temp.path(), &crs())
        .unwrap()
        .with_exchange("Test", &formats(&ExchangeFormat::ALL))
        .unwrap();
    write_plans(writer, std::slice::from_ref(plan));
    temp
}

/// A trail beside the block in two stretches, and a cabin of which nobody says whether it is used.
fn with_people() -> BlockPlan {
    let mut plan = small("B-1");
    plan.falling.radius_m = 60.0;
    let note = |id: &str, class: &str, said: bool, shape: geo::Geometry| PeopleNote {
        source_layer: "hazards.gpkg:hazards".to_owned(),
        id: id.to_owned(),
        role: "hazards",
        class: class.to_owned(),
        said,
        length_m: if said { 80.0 } else { 0.0 },
        cut_m2: 900.0,
        day_hours: Some(0.2),
        night_hours: None,
        sections: vec![],
        shape,
    };
    let trail = geo::MultiLineString(vec![
        vec![(-10.0, 0.0), (-10.0, 50.0)].into(),
        vec![(-10.0, 60.0), (-12.0, 90.0)].into(),
    ]);
    let cabin = geo::MultiPoint(vec![geo::Point::new(70.0, 40.0)]);
    plan.people = vec![
        note("T-1", "trail", true, trail.into()),
        note("C<1>", "cabin", false, cabin.into()),
    ];
    plan
}

#[test]
fn places_of_people_are_exchanged_and_what_nobody_says_has_a_name_of_its_own() {
    let plan = with_people();
    let temp = in_all_formats(&plan);
    let dir = temp.path().join("exchange");
    let moved = |line: &geo::LineString| -> Vec<Coord> {
        line.0.iter().map(|at| in_work_crs(&plan, *at)).collect()
    };
    let stretches: Vec<Vec<Coord>> = plan.people[0].lines().into_iter().map(moved).collect();
    let cabin = vec![in_work_crs(&plan, plan.people[1].places()[0])];
    for (layer, wanted) in [
        ("people", stretches),
        ("people_places", vec![cabin.clone()]),
    ] {
        assert_round_trip(&dir.join(format!("{layer}.geojson")), layer, &wanted);
        assert_round_trip(&dir.join(format!("shapefile/{layer}.shp")), layer, &wanted);
    }
    let read = |name: &str| fs::read_to_string(dir.join(name)).unwrap();
    let rows: serde_json::Value = serde_json::from_str(&read("people_places.geojson")).unwrap();
    let own = &rows["features"][0]["properties"];
    assert_eq!(
        (&own["source_id"], &own["said"], &own["distance_m"]),
        (&"C<1>".into(), &0.into(), &60.0.into())
    );
    assert!(own["night_hours"].is_null(), "{own}");

    let gpx = read("gpx/B-1.gpx");
    let tree = roxmltree::Document::parse(&gpx).unwrap();
    let names: Vec<&str> = tree
        .descendants()
        .filter(|node| node.tag_name().name() == "name")
        .filter_map(|node| node.text())
        .filter(|name| name.starts_with("PEOPLE"))
        .collect();
    assert_eq!(names, ["PEOPLE? 1", "PEOPLE 1", "PEOPLE 2"]);
    assert!(gpx.contains("trail T-1: close or watch it while trees fall within 60 m"));
    let place = tree
        .descendants()
        .find(|node| {
            node.tag_name().name() == "wpt"
                && node.descendants().any(|n| n.text() == Some("PEOPLE? 1"))
        })
        .unwrap();
    let degrees = |key| place.attribute(key).unwrap().parse().unwrap();
    assert_near(
        Back::new().place(degrees("lon"), degrees("lat")),
        cabin[0],
        "cabin",
    );
    let dataset = Dataset::open(dir.join("kml/B-1.kml")).unwrap();
    let count = |name: &str| dataset.layer_by_name(name).unwrap().feature_count();
    assert_eq!(count("Close or watch: people near"), 2);
    assert_eq!(count("Nobody says whether people are there"), 1);
    let dataset = Dataset::open(dir.join("layout.dxf")).unwrap();
    let mut layer = dataset.layer_by_name("entities").unwrap();
    let mut found = BTreeMap::new();
    for feature in layer.features() {
        let index = feature.field_index("Layer").unwrap();
        let kind = feature.field_as_string(index).unwrap().unwrap();
        *found.entry(kind).or_insert(0) += 1;
    }
    // Two lines and their names; the cabin's name at its place.
    assert_eq!((found["people"], found["people_unknown"]), (4, 1));
}

/// Ground in the block that is open when frozen, and the block's own permit.
fn with_windows() -> BlockPlan {
    let mut plan = small("B-1");
    let ring = vec![
        (5.0, 5.0),
        (30.0, 5.0),
        (30.0, 40.0),
        (5.0, 40.0),
        (5.0, 5.0),
    ];
    let hollow = geo::Polygon::new(ring.into(), vec![]);
    let note = |name: &str, under, days: &str, shape| WindowNote {
        name: name.to_owned(),
        source_layer: "soft.gpkg:soft".to_owned(),
        id: "S<1>".to_owned(),
        role: "soft_ground",
        class: String::new(),
        under,
        days: days.parse().unwrap(),
        within_m: 0.0,
        source: "invented".to_owned(),
        sections: vec![(plan.sections[0].id, 1)],
        day_hours: Some(0.1),
        night_hours: Some(0.0),
        cut_m2: 540.0,
        shape: geo::MultiPolygon(vec![shape]),
    };
    let whole = plan.shape.0[0].clone();
    plan.windows = vec![
        note("frozen", UnderWindow::Ground, "open 12-15/03-10", hollow),
        note("", UnderWindow::Block, "open 2027-05-01/2027-09-30", whole),
    ];
    plan.sections[0].open = "open 12-15/03-10".parse().unwrap();
    plan
}

#[test]
fn ground_that_is_open_on_some_days_is_exchanged_with_its_days() {
    let plan = with_windows();
    let temp = in_all_formats(&plan);
    let dir = temp.path().join("exchange");
    let rings: Vec<Vec<Coord>> = (plan.windows.iter())
        .map(|note| {
            let ring = note.shape.0[0].exterior();
            ring.0.iter().map(|at| in_work_crs(&plan, *at)).collect()
        })
        .collect();
    assert_round_trip(&dir.join("windows.geojson"), "windows", &rings);
    let read = |name: &str| fs::read_to_string(dir.join(name)).unwrap();
    let rows: serde_json::Value = serde_json::from_str(&read("windows.geojson")).unwrap();
    let own = &rows["features"][0]["properties"];
    assert_eq!(
        (
            &own["window"],
            &own["days"],
            &own["under"],
            &own["source_id"]
        ),
        (
            &"frozen".into(),
            &"open 12-15/03-10".into(),
            &"ground".into(),
            &"S<1>".into()
        )
    );
    let rows: serde_json::Value = serde_json::from_str(&read("sections.geojson")).unwrap();
    assert_eq!(
        rows["features"][0]["properties"]["open_days"],
        "open 12-15/03-10"
    );
    // In words, around the ground alone and not around the block again.
    let gpx = read("gpx/B-1.gpx");
    assert!(
        gpx.contains("<name>OPEN 1</name><desc>frozen: open from 15 Dec to 10 Mar</desc>"),
        "{gpx}"
    );
    assert!(!gpx.contains("OPEN 2"));
    assert!(read("kml/B-1.kml").contains("frozen: open 12-15/03-10"));
    let dataset = Dataset::open(dir.join("layout.dxf")).unwrap();
    let mut layer = dataset.layer_by_name("entities").unwrap();
    let windows = layer.features().filter(|feature| {
        let index = feature.field_index("Layer").unwrap();
        feature.field_as_string(index).unwrap().as_deref() == Some("window")
    });
    // An outline and its days.
    assert_eq!(windows.count(), 2);
}
