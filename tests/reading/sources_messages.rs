//! What a user reads when the input is not as it should be: each message names file, layer, feature and remedy.

use crate::sources_support;

use std::fmt::Write as _;

use blockwright::geometry::area::area;
use blockwright::model::{LayerKind, OpenDays};
use blockwright::project::LayerSource;
use blockwright::rulebook::{
    Citation, Distance, MeasuredFrom, ReadStatus, RoadUse, RuleLine, Width,
};
use blockwright::sources::{self, Batch, SourceError};
use gdal::vector::{Geometry, LayerAccess, LayerOptions, OGRFieldType, OGRwkbGeometryType};
use gdal::{DriverManager, spatial_ref::SpatialRef};
use sources_support::{constant, fields, project, source};
use tempfile::TempDir;

const UTM: &str =
    r#""crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32616"}},"#;

fn feature(id: &str, geometry: &str) -> String {
    format!(r#"{{"type": "Feature", "properties": {{"BLOCK": {id}}}, "geometry": {geometry}}}"#)
}

fn ring(points: &[(f64, f64)]) -> String {
    let points: Vec<String> = points
        .iter()
        .map(|(x, y)| format!("[{}, {}]", 500_000.0 + x, 5_100_000.0 + y))
        .collect();
    format!(
        r#"{{"type": "Polygon", "coordinates": [[{}]]}}"#,
        points.join(", ")
    )
}

fn square(x: f64, side: f64) -> String {
    ring(&[
        (x, 0.),
        (x + side, 0.),
        (x + side, side),
        (x, side),
        (x, 0.),
    ])
}

fn collection(crs: &str, features: &[String]) -> String {
    format!(
        r#"{{"type": "FeatureCollection", "name": "blocks", {crs} "features": [{}]}}"#,
        features.join(", ")
    )
}

fn blocks_file(text: &str) -> (TempDir, LayerSource) {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("blocks.geojson"), text).unwrap();
    let mut layer = source(LayerKind::Blocks, folder.path(), "blocks.geojson");
    layer.id = fields(&["BLOCK"]);
    (folder, layer)
}

fn read_in(crs: Option<&str>, text: &str) -> Result<Batch, SourceError> {
    let (folder, layer) = blocks_file(text);
    sources::read(&project(folder.path(), crs, vec![layer]))
}

fn told(batch: &Batch) -> String {
    let mut text = String::new();
    for problem in &batch.problems {
        writeln!(text, "{problem}").unwrap();
        writeln!(text, "  geometry kept: {}", problem.shape.is_some()).unwrap();
    }
    for layer in &batch.layers {
        writeln!(
            text,
            "{}: {} read, {} used, {} repaired, {} set aside",
            layer.source_layer, layer.read, layer.used, layer.repaired, layer.set_aside
        )
        .unwrap();
    }
    text
}

fn error(result: Result<Batch, SourceError>) -> String {
    let error = result.expect_err("an error");
    format!("error[{}]: {error}", error.code())
}

#[test]
fn empty_layer_of_blocks() {
    insta::assert_snapshot!(error(read_in(None, &collection(UTM, &[]))));
}

#[test]
fn empty_layer_of_another_role_is_a_note() {
    let (folder, blocks) = blocks_file(&collection(UTM, &[feature("\"A\"", &square(0., 100.))]));
    let mut lakes = source(LayerKind::Lakes, folder.path(), "blocks.geojson");
    lakes.filter = Some("BLOCK = 'Z'".to_owned());
    let batch = sources::read(&project(folder.path(), None, vec![lakes, blocks])).unwrap();
    insta::assert_snapshot!(told(&batch));
}

#[test]
fn null_geometry_and_missing_id() {
    let text = collection(
        UTM,
        &[
            feature("\"A\"", "null"),
            feature("null", &square(0., 100.)),
            feature("\"C\"", r#"{"type": "Polygon", "coordinates": []}"#),
        ],
    );
    insta::assert_snapshot!(told(&read_in(None, &text).unwrap()));
}

#[test]
fn bow_ties_small_and_big() {
    // A loop of some square metres at a corner, and two halves of the same size.
    let small = ring(&[
        (0., 0.),
        (100., 0.),
        (100., 100.),
        (-4., 100.),
        (-4., 104.),
        (0., 96.),
        (0., 0.),
    ]);
    let big = ring(&[
        (200., 0.),
        (300., 100.),
        (300., 0.),
        (200., 100.),
        (200., 0.),
    ]);
    let text = collection(
        UTM,
        &[feature("\"small\"", &small), feature("\"big\"", &big)],
    );
    insta::assert_snapshot!(told(&read_in(None, &text).unwrap()));
}

#[test]
fn unclosed_ring() {
    let open = ring(&[(0., 0.), (100., 0.), (100., 100.), (0., 100.)]);
    let batch = read_in(None, &collection(UTM, &[feature("\"A\"", &open)])).unwrap();
    assert_eq!(batch.blocks[0].shape.0[0].exterior().0.len(), 5);
    insta::assert_snapshot!(told(&batch));
}

#[test]
fn duplicate_id() {
    let text = collection(
        UTM,
        &[
            feature("7", &square(0., 100.)),
            feature("7", &square(200., 100.)),
        ],
    );
    insta::assert_snapshot!(told(&read_in(None, &text).unwrap()));
}

#[test]
fn lines_as_blocks_and_not_a_number() {
    let line = r#"{"type": "LineString", "coordinates": [[500000, 5100000], [500100, 5100000]]}"#;
    let far = r#"{"type": "Polygon", "coordinates": [[[5e8, 1], [5e8, 2], [6e8, 2], [5e8, 1]]]}"#;
    let text = collection(
        UTM,
        &[
            feature("\"A\"", &square(0., 100.)),
            feature("\"line\"", line),
            feature("\"far\"", far),
        ],
    );
    insta::assert_snapshot!(told(&read_in(Some("EPSG:32616"), &text).unwrap()));
}

#[test]
fn missing_attribute() {
    let (folder, mut layer) = blocks_file(&collection(UTM, &[feature("1", &square(0., 9.))]));
    layer.id = fields(&["BLOK"]);
    insta::assert_snapshot!(error(sources::read(&project(
        folder.path(),
        None,
        vec![layer]
    ))));
}

#[test]
fn missing_layer() {
    let (folder, mut layer) = blocks_file(&collection(UTM, &[feature("1", &square(0., 9.))]));
    layer.layer = Some("block".to_owned());
    insta::assert_snapshot!(error(sources::read(&project(
        folder.path(),
        None,
        vec![layer]
    ))));
}

#[test]
fn missing_file_and_forbidden_paths() {
    let folder = TempDir::new().unwrap();
    let mut text = String::new();
    for file in [
        "nowhere.gpkg",
        "/vsicurl/http://example.org/a.gpkg",
        "https://example.org/a.gpkg",
        "a.zip",
    ] {
        let layer = source(LayerKind::Streams, folder.path(), file);
        let result = sources::read(&project(folder.path(), None, vec![layer]));
        writeln!(text, "{}", error(result)).unwrap();
    }
    insta::assert_snapshot!(text);
}

/// GDAL's own words differ from version to version.
fn without_gdals_words(result: Result<Batch, SourceError>) -> String {
    let mut error = result.expect_err("an error");
    if let SourceError::Unreadable { message, .. } | SourceError::BadFilter { message, .. } =
        &mut error
    {
        assert!(
            !message.is_empty() && !message.contains("/tmp"),
            "{message}"
        );
        *message = "<GDAL's words>".to_owned();
    }
    format!("error[{}]: {error}", error.code())
}

#[test]
fn unreadable_file() {
    let folder = TempDir::new().unwrap();
    std::fs::write(
        folder.path().join("blocks.gpkg"),
        b"these are no bytes of a database",
    )
    .unwrap();
    let layer = source(LayerKind::Blocks, folder.path(), "blocks.gpkg");
    insta::assert_snapshot!(without_gdals_words(sources::read(&project(
        folder.path(),
        None,
        vec![layer]
    ))));
}

#[test]
fn drivers_off_the_list_open_nothing() {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("a.csv"), "id,WKT\n1,POINT (1 2)\n").unwrap();
    std::fs::write(
        folder.path().join("a.vrt"),
        "<OGRVRTDataSource><OGRVRTLayer name=\"a\"><SrcDataSource>a.csv</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
    )
    .unwrap();
    for file in ["a.csv", "a.vrt"] {
        let layer = source(LayerKind::Blocks, folder.path(), file);
        let result = sources::read(&project(folder.path(), None, vec![layer]));
        assert!(
            matches!(result, Err(SourceError::Unreadable { .. })),
            "{file}"
        );
    }
}

#[test]
fn bad_filter() {
    let (folder, mut layer) = blocks_file(&collection(UTM, &[feature("1", &square(0., 9.))]));
    layer.filter = Some("BLOCK === 1".to_owned());
    insta::assert_snapshot!(without_gdals_words(sources::read(&project(
        folder.path(),
        None,
        vec![layer]
    ))));
}

/// A GeoPackage layer named `blocks` with one square, in a CRS or in none.
fn geopackage(folder: &TempDir, srs: Option<&SpatialRef>, wkt: &str) -> LayerSource {
    let path = folder.path().join("blocks.gpkg");
    let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
    let mut dataset = driver.create_vector_only(&path).unwrap();
    let mut layer = dataset
        .create_layer(LayerOptions {
            name: "blocks",
            srs,
            ty: OGRwkbGeometryType::wkbUnknown,
            options: None,
        })
        .unwrap();
    layer
        .create_defn_fields(&[("BLOCK", OGRFieldType::OFTInteger)])
        .unwrap();
    layer
        .create_feature(Geometry::from_wkt(wkt).unwrap())
        .unwrap();
    dataset.close().unwrap();
    source(LayerKind::Blocks, folder.path(), "blocks.gpkg")
}

#[test]
fn bad_filter_in_a_geopackage() {
    let folder = TempDir::new().unwrap();
    let mut layer = geopackage(
        &folder,
        None,
        "POLYGON ((500000 1, 500100 1, 500100 99, 500000 1))",
    );
    layer.filter = Some("BLOK = 1".to_owned());
    let result = sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer]));
    assert!(
        matches!(result, Err(SourceError::BadFilter { .. })),
        "{result:?}"
    );
}

#[test]
fn degrees_without_a_crs() {
    let folder = TempDir::new().unwrap();
    let layer = geopackage(
        &folder,
        None,
        "POLYGON ((-87 46, -86.99 46, -86.99 46.01, -87 46))",
    );
    insta::assert_snapshot!(error(sources::read(&project(
        folder.path(),
        Some("EPSG:32616"),
        vec![layer]
    ))));
}

#[test]
fn metres_without_a_crs() {
    let folder = TempDir::new().unwrap();
    let layer = geopackage(
        &folder,
        None,
        "POLYGON ((500000 5100000, 500100 5100000, 500100 5100099, 500000 5100000))",
    );
    let without = error(sources::read(&project(
        folder.path(),
        None,
        vec![layer.clone()],
    )));
    let with =
        told(&sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer])).unwrap());
    insta::assert_snapshot!(format!("{without}\n{with}"));
}

#[test]
fn metres_that_say_they_are_degrees() {
    // What a GeoJSON file without `crs` is by its standard.
    insta::assert_snapshot!(error(read_in(
        None,
        &collection("", &[feature("1", &square(0., 9.))])
    )));
}

#[test]
fn work_crs_that_will_not_do() {
    let text = collection(UTM, &[feature("\"A\"", &square(0., 100.))]);
    let mut messages = String::new();
    let local = r#"LOCAL_CS["a yard",UNIT["metre",1]]"#;
    for crs in [local, "EPSG:4978", "EPSG:999999", "file.prj"] {
        let mut result = read_in(Some(crs), &text);
        if let Err(SourceError::BadCrs { message, .. }) = &mut result
            && crs.starts_with("EPSG")
        {
            *message = "<GDAL's words>".to_owned();
        }
        writeln!(messages, "{}", error(result)).unwrap();
    }
    insta::assert_snapshot!(messages);
}

#[test]
fn swapped_axes_and_a_block_too_wide() {
    let degrees = |id: &str, x: f64, y: f64| {
        feature(
            id,
            &format!(
                r#"{{"type": "Polygon", "coordinates": [[[{x}, {y}], [{}, {y}], [{x}, {}], [{x}, {y}]]]}}"#,
                x + 0.001,
                y + 0.001
            ),
        )
    };
    let swapped = collection("", &[degrees("1", -87.0, 46.0), degrees("2", 46.0, -87.0)]);
    let corners = "[[[-87.0, 46.0], [-85.5, 46.0], [-87.0, 46.1], [-87.0, 46.0]]]";
    let wide = format!("{{\"type\": \"Polygon\", \"coordinates\": {corners}}}");
    let wide = collection("", &[feature("1", &wide), degrees("2", -87.0, 46.0)]);
    let text = format!(
        "{}{}",
        told(&read_in(Some("EPSG:32616"), &swapped).unwrap()),
        told(&read_in(None, &wide).unwrap())
    );
    insta::assert_snapshot!(text);
}

#[test]
fn unreadable_numbers_and_unknown_classes() {
    let folder = TempDir::new().unwrap();
    let line = |class: &str, width: &str| {
        format!(
            r#"{{"type": "Feature", "properties": {{"CLASS": {class}, "W": {width}}}, "geometry":
            {{"type": "LineString", "coordinates": [[500000, 5100000], [500100, 5100000]]}}}}"#
        )
    };
    let text = collection(
        UTM,
        &[
            line("\"S3\"", "\"8 ft\""),
            line("\"S9\"", "\"wide\""),
            line("\"S9\"", "\"\""),
            line("null", "\"2.3\""),
            line("\"creek\"", "null"),
        ],
    );
    std::fs::write(folder.path().join("streams.geojson"), text).unwrap();
    let mut streams = source(LayerKind::Streams, folder.path(), "streams.geojson");
    streams.class = fields(&["class"]);
    streams.class_map = [("creek".to_owned(), "S3".to_owned())].into();
    streams.width = fields(&["W"]);
    streams.width.0.push(constant("1 m"));
    let mut project = project(folder.path(), Some("EPSG:32616"), vec![streams]);
    for (class, reserve_m) in [("S1", 50.0), ("S3", 20.0)] {
        project.rules.lines.push(RuleLine {
            id: format!("stream-{}", class.to_lowercase()),
            kind: LayerKind::Streams,
            class: class.to_owned(),
            title: String::new(),
            definition: String::new(),
            when: vec![],
            reserve: Width::Metres(reserve_m),
            management: Width::default(),
            management_share: 0.0,
            share_trees: None,
            trees_per_length: None,
            share_citation: None,
            machine_exclusion: Width::default(),
            distance: Distance::default(),
            measured_from: MeasuredFrom::default(),
            channel_up_to_m: None,
            road_use: RoadUse::default(),
            days: OpenDays::default(),
            window_within_m: 0.0,
            citation: Citation {
                text: "test".to_owned(),
                status: ReadStatus::Project,
            },
            origin: "test".to_owned(),
        });
    }
    let batch = sources::read(&project).unwrap();
    let found: Vec<_> = batch
        .features
        .iter()
        .map(|f| (f.class.as_deref(), f.width_m))
        .collect();
    assert_eq!(
        found,
        [
            (Some("S3"), Some(8.0 * 0.3048)),
            (None, None),
            (None, Some(1.0)),
            (None, Some(2.3)),
            (Some("S3"), Some(1.0)),
        ]
    );
    insta::assert_snapshot!(told(&batch));
}

/// PROJ's database knows the shift from the North American Datum of 1927 to a few metres, and to centimetres where a grid
/// is at hand.
#[test]
fn a_layer_on_another_datum_is_told_with_how_well_the_shift_is_known() {
    let named = |epsg: u32| UTM.replace("32616", &epsg.to_string());
    let read = |epsg: u32| {
        let text = collection(&named(epsg), &[feature("\"A\"", &square(0., 100.))]);
        read_in(Some("EPSG:32616"), &text).unwrap()
    };
    let batch = read(26716);
    assert_eq!((batch.blocks.len(), batch.problems.len()), (1, 1));
    let problem = &batch.problems[0];
    assert_eq!(problem.code.key(), "datum-shift");
    assert!(!problem.set_aside);
    let (_, known) = problem
        .message
        .split_once("PROJ knows the shift to ")
        .unwrap();
    let known_m: f64 = known.strip_suffix(" m").unwrap().parse().unwrap();
    assert!((0.01..60.0).contains(&known_m), "{problem}");
    // Another zone of the same datum.
    assert_eq!(told(&read(32615)).matches("datum").count(), 0);
}

#[test]
fn several_layers_and_constants_that_are_no_numbers() {
    let folder = TempDir::new().unwrap();
    let mut layer = geopackage(
        &folder,
        None,
        "POLYGON ((500000 1, 500100 1, 500100 99, 500000 1))",
    );
    {
        let options = gdal::DatasetOptions {
            open_flags: gdal::GdalOpenFlags::GDAL_OF_UPDATE | gdal::GdalOpenFlags::GDAL_OF_VECTOR,
            ..gdal::DatasetOptions::default()
        };
        let mut dataset =
            gdal::Dataset::open_ex(folder.path().join("blocks.gpkg"), options).unwrap();
        dataset
            .create_layer(LayerOptions {
                name: "roads",
                ..LayerOptions::default()
            })
            .unwrap();
        dataset.close().unwrap();
    }
    let unnamed = error(sources::read(&project(
        folder.path(),
        None,
        vec![layer.clone()],
    )));
    layer.kind = LayerKind::Roads;
    layer.layer = Some("blocks".to_owned());
    layer.width.0.push(constant("3 chains"));
    let wrong = error(sources::read(&project(
        folder.path(),
        Some("EPSG:32616"),
        vec![layer],
    )));
    insta::assert_snapshot!(format!("{unnamed}\n{wrong}"));
}

#[test]
fn any_crs_of_the_place_will_do_and_a_batch_may_be_wide() {
    let degrees = |id: &str, x: f64, y: f64| {
        feature(
            id,
            &format!(
                r#"{{"type": "Polygon", "coordinates": [[[{x}, {y}], [{}, {y}], [{x}, {}], [{x}, {y}]]]}}"#,
                x + 0.001,
                y + 0.001
            ),
        )
    };
    // An Albers CRS is true to size on its two parallels only, 50 and 58.5 north here.
    let text = collection(
        "",
        &[
            degrees("\"on\"", -126.0, 50.0),
            degrees("\"between\"", -126.0, 54.3),
        ],
    );
    for crs in ["EPSG:3005", "EPSG:3857", "EPSG:4326", "EPSG:2264"] {
        let batch = read_in(Some(crs), &text);
        // North Carolina's feet do not reach to British Columbia.
        let used = if crs == "EPSG:2264" { 0 } else { 2 };
        assert_eq!(batch.unwrap().blocks.len(), used, "{crs}");
    }
    let wide = [degrees("1", -87.0, 46.0), degrees("2", -72.0, 46.0)];
    let batch = read_in(None, &collection("", &wide)).unwrap();
    assert_eq!((batch.blocks.len(), batch.crs.as_str()), (2, "EPSG:32617"));
    for block in &batch.blocks {
        let (own_m2, wanted_m2) = (
            area(&block.frame.enter_polygons(&block.shape)),
            block.geodesic_m2,
        );
        assert!(
            (own_m2 / wanted_m2 - 1.0).abs() < 1e-6,
            "{own_m2} {wanted_m2}"
        );
    }
}

#[test]
fn reading_twice_gives_the_same() {
    let small = ring(&[
        (0., 0.),
        (100., 0.),
        (100., 100.),
        (-4., 100.),
        (-4., 104.),
        (0., 96.),
        (0., 0.),
    ]);
    let text = collection(
        UTM,
        &[
            feature("\"a\"", &small),
            feature("\"b\"", "null"),
            feature("null", &square(300., 50.)),
        ],
    );
    let read = || {
        let batch = read_in(None, &text).unwrap();
        let found = (&batch.blocks, &batch.features, &batch.problems);
        let said = (&batch.crs, &batch.crs_wkt, &batch.inputs, &batch.layers);
        format!("{found:?} {said:?}")
    };
    assert_eq!(read(), read());
}

#[test]
fn bare_numbers_are_in_the_unit_of_the_project() {
    let folder = TempDir::new().unwrap();
    let line = r#"{"type": "Feature", "properties": {"W": 10}, "geometry":
        {"type": "LineString", "coordinates": [[500000, 5100000], [500100, 5100000]]}}"#;
    std::fs::write(
        folder.path().join("s.geojson"),
        collection(UTM, &[line.to_owned()]),
    )
    .unwrap();
    let mut streams = source(LayerKind::Streams, folder.path(), "s.geojson");
    streams.width = fields(&["W"]);
    let mut project = project(folder.path(), Some("EPSG:32616"), vec![streams]);
    project.unit = blockwright::units::LengthUnit::Foot;
    let batch = sources::read(&project).unwrap();
    assert_eq!(batch.features[0].width_m, Some(10.0 * 0.3048));
}

#[test]
fn a_crs_by_link_is_not_fetched() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let link = format!(
        r#""crs": {{"type": "link", "properties": {{"href": "http://{}/crs", "type": "ogcwkt"}}}},"#,
        listener.local_addr().unwrap()
    );
    let result = read_in(None, &collection(&link, &[feature("1", &square(0., 9.))]));
    assert!(result.is_err());
    let visitor = listener.accept();
    assert!(
        visitor.is_err_and(|e| e.kind() == std::io::ErrorKind::WouldBlock),
        "somebody asked for the CRS"
    );
}
