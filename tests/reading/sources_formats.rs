//! The same ground in four formats, and the shapes that real layers hold.

use crate::sources_support;

use blockwright::model::{LayerKind, ProblemCode, Shape};
use blockwright::sources::{self, Batch};
use gdal::DriverManager;
use gdal::spatial_ref::SpatialRef;
use gdal::vector::{
    Defn, Feature, FieldValue, Geometry, LayerAccess, LayerOptions, OGRFieldType,
    OGRwkbGeometryType,
};
use sources_support::{fields, project, source};
use std::path::Path;
use tempfile::TempDir;

struct Row {
    name: Option<&'static str>,
    width: Option<f64>,
    wkb: Vec<u8>,
}

fn row(name: &'static str, width: f64, wkt: &str) -> Row {
    Row {
        name: Some(name),
        width: Some(width),
        wkb: Geometry::from_wkt(wkt).unwrap().wkb().unwrap(),
    }
}

fn write(driver: &str, path: &Path, epsg: u32, ty: OGRwkbGeometryType::Type, rows: &[Row]) {
    let srs = SpatialRef::from_epsg(epsg).unwrap();
    let mut dataset = DriverManager::get_driver_by_name(driver)
        .unwrap()
        .create_vector_only(path)
        .unwrap();
    {
        let layer = dataset
            .create_layer(LayerOptions {
                name: "features",
                srs: Some(&srs),
                ty,
                options: None,
            })
            .unwrap();
        layer
            .create_defn_fields(&[
                ("NAME", OGRFieldType::OFTString),
                ("WIDTH", OGRFieldType::OFTReal),
            ])
            .unwrap();
        let defn = Defn::from_layer(&layer);
        for row in rows {
            let mut feature = Feature::new(&defn).unwrap();
            if let Some(name) = row.name {
                feature
                    .set_field(0, &FieldValue::StringValue(name.to_owned()))
                    .unwrap();
            }
            if let Some(width) = row.width {
                feature.set_field(1, &FieldValue::RealValue(width)).unwrap();
            }
            feature
                .set_geometry(Geometry::from_wkb(&row.wkb).unwrap())
                .unwrap();
            feature.create(&layer).unwrap();
        }
    }
    dataset.close().unwrap();
}

fn read(folder: &TempDir, kind: LayerKind, file: &str, crs: Option<&str>) -> Batch {
    let mut layer = source(kind, folder.path(), file);
    layer.id = fields(&["NAME"]);
    layer.width = fields(&["WIDTH"]);
    sources::read(&project(folder.path(), crs, vec![layer])).unwrap()
}

#[test]
fn four_formats_give_the_same_features() {
    let folder = TempDir::new().unwrap();
    let rows = [
        row(
            "a",
            2.5,
            "LINESTRING (500000.125 5100000.5, 500100.25 5100010.75, 500200 5100000)",
        ),
        row("b", 7.0, "LINESTRING (500000 5100200, 500100 5100210)"),
    ];
    let formats = [
        ("GPKG", "s.gpkg"),
        ("ESRI Shapefile", "s.shp"),
        ("GeoJSON", "s.geojson"),
        ("FlatGeobuf", "s.fgb"),
        ("MapInfo File", "s.tab"),
    ];
    let mut first: Option<Vec<(String, Option<f64>, Shape)>> = None;
    for (driver, file) in formats {
        write(
            driver,
            &folder.path().join(file),
            32616,
            OGRwkbGeometryType::wkbLineString,
            &rows,
        );
        let batch = read(&folder, LayerKind::Streams, file, Some("EPSG:32616"));
        assert!(batch.problems.is_empty(), "{driver}: {:?}", batch.problems);
        let mut found: Vec<_> = batch
            .features
            .into_iter()
            .map(|f| (f.id, f.width_m, f.shape))
            .collect();
        // FlatGeobuf sorts by place.
        found.sort_by(|a, b| a.0.cmp(&b.0));
        if driver == "MapInfo File" {
            // MapInfo keeps whole steps of its own grid.
            assert_eq!(found.len(), 2);
        } else {
            assert_eq!(&found, first.get_or_insert(found.clone()), "{driver}");
        }
    }
}

#[test]
fn every_file_is_hashed_once_with_its_sidecars() {
    let folder = TempDir::new().unwrap();
    let rows = [row("a", 1.0, "LINESTRING (500000 5100000, 500100 5100000)")];
    write(
        "ESRI Shapefile",
        &folder.path().join("s.shp"),
        32616,
        OGRwkbGeometryType::wkbLineString,
        &rows,
    );
    std::fs::write(folder.path().join("abc"), "abc").unwrap();
    let layers = vec![
        source(LayerKind::Streams, folder.path(), "s.shp"),
        source(LayerKind::Roads, folder.path(), "s.shp"),
    ];
    let batch = sources::read(&project(folder.path(), Some("EPSG:32616"), layers)).unwrap();
    let names: Vec<&str> = batch.inputs.iter().map(|i| i.source.as_str()).collect();
    assert_eq!(names, ["s.shp", "s.shx", "s.dbf", "s.prj"]);
    for input in &batch.inputs {
        let bytes = std::fs::read(folder.path().join(&input.source)).unwrap();
        assert_eq!(input.bytes, bytes.len() as u64);
        use sha2::Digest;
        assert_eq!(input.sha256, format!("{:x}", sha2::Sha256::digest(&bytes)));
    }
}

#[test]
fn degrees_go_into_the_zone_of_the_blocks_and_areas_agree() {
    let folder = TempDir::new().unwrap();
    // About 1 km by 1 km near 91 W 46 N, with a hole; ring directions wrong on purpose.
    let rows = [row(
        "A",
        0.0,
        "POLYGON ((-91 46, -91 46.009, -90.987 46.009, -90.987 46, -91 46), \
         (-90.998 46.002, -90.996 46.002, -90.996 46.004, -90.998 46.004, -90.998 46.002))",
    )];
    write(
        "GPKG",
        &folder.path().join("b.gpkg"),
        4326,
        OGRwkbGeometryType::wkbPolygon,
        &rows,
    );
    let batch = read(&folder, LayerKind::Blocks, "b.gpkg", None);
    assert_eq!(batch.crs, "EPSG:32615");
    assert!(batch.crs_wkt.contains("32615"));
    let block = &batch.blocks[0];
    use geo::Area;
    let grid_m2 = block.shape.unsigned_area();
    assert!(grid_m2 > 900_000.0, "{grid_m2}");
    // Ground is grid over the square of the scale, to a millionth over so small a block.
    let ground_m2 = grid_m2 / (block.scale * block.scale);
    assert!(
        (ground_m2 / block.geodesic_m2 - 1.0).abs() < 2e-6,
        "{ground_m2} {}",
        block.geodesic_m2
    );
    // Two degrees off the meridian: k = 0.9996 (1 + (cos 46 x 2 deg)^2 / 2).
    assert!((block.scale - 0.99989).abs() < 1e-5, "{}", block.scale);
    assert!(
        block.shape.0[0]
            .exterior()
            .0
            .iter()
            .all(|p| p.x > 650_000.0 && p.y > 5_000_000.0)
    );
}

#[test]
fn what_real_layers_hold_has_a_defined_answer() {
    let folder = TempDir::new().unwrap();
    let mut rows = vec![
        row(
            "zm",
            1.0,
            "POLYGON ZM ((500000 5100000 7 1, 500100 5100000 7 2, 500100 5100100 7 3, 500000 5100000 7 1))",
        ),
        row(
            "curve",
            1.0,
            "CURVEPOLYGON (CIRCULARSTRING (500200 5100000, 500300 5100000, 500200 5100000))",
        ),
        row("empty", 1.0, "POLYGON EMPTY"),
        row(
            "closed line",
            1.0,
            "LINESTRING (500400 5100000, 500500 5100000, 500500 5100100, 500400 5100000)",
        ),
        row(
            "open line",
            1.0,
            "LINESTRING (500400 5100000, 500500 5100000)",
        ),
        row(
            "mixed",
            1.0,
            "GEOMETRYCOLLECTION (POINT (500600 5100000), POLYGON ((500600 5100000, 500700 5100000, 500700 5100100, 500600 5100000)))",
        ),
        row(
            "sliver",
            1.0,
            "POLYGON ((500800 5100000, 500900 5100000, 500900 5100000.0001, 500800 5100000))",
        ),
        row(
            "tin",
            1.0,
            "TIN (((500000 5100000, 500100 5100000, 500100 5100100, 500000 5100000)))",
        ),
    ];
    let mut nan = row(
        "nan",
        1.0,
        "POLYGON ((500800 5100000, 500900 5100000, 500900 5100100, 500800 5100000))",
    );
    let y = nan.wkb.len() - 24;
    nan.wkb[y..y + 8].copy_from_slice(&f64::NAN.to_le_bytes());
    rows.push(nan);
    write(
        "GPKG",
        &folder.path().join("l.gpkg"),
        32616,
        OGRwkbGeometryType::wkbUnknown,
        &rows,
    );
    let batch = read(&folder, LayerKind::Lakes, "l.gpkg", Some("EPSG:32616"));
    let used: Vec<&str> = batch.features.iter().map(|f| f.id.as_str()).collect();
    assert_eq!(used, ["zm", "curve", "closed line", "mixed"]);
    let told: Vec<(&str, ProblemCode, bool, bool)> = batch
        .problems
        .iter()
        .map(|p| {
            (
                p.feature_id.as_str(),
                p.code,
                p.set_aside,
                p.shape.is_some(),
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            ("empty", ProblemCode::EmptyGeometry, true, false),
            ("closed line", ProblemCode::WrongGeometryType, false, false),
            ("open line", ProblemCode::WrongGeometryType, true, true),
            ("mixed", ProblemCode::WrongGeometryType, false, false),
            ("sliver", ProblemCode::Degenerate, true, true),
            ("tin", ProblemCode::WrongGeometryType, true, false),
            ("nan", ProblemCode::NotFinite, true, false),
        ]
    );
    let Shape::Polygons(circle) = &batch.features[1].shape else {
        panic!("{:?}", batch.features[1]);
    };
    use geo::Area;
    assert!((circle.unsigned_area() / (std::f64::consts::PI * 2500.0) - 1.0).abs() < 1e-4);
    let report = &batch.layers[0];
    assert_eq!((report.read, report.used, report.set_aside), (9, 4, 5));
}

#[test]
fn damaged_files_are_errors_not_short_layers() {
    let folder = TempDir::new().unwrap();
    let rows: Vec<Row> = (0..200)
        .map(|_| row("a", 1.0, "LINESTRING (500000 5100000, 500100 5100000)"))
        .collect();
    let path = folder.path().join("s.fgb");
    write(
        "FlatGeobuf",
        &path,
        32616,
        OGRwkbGeometryType::wkbLineString,
        &rows,
    );
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let layer = source(LayerKind::Streams, folder.path(), "s.fgb");
    let result = sources::read(&project(folder.path(), Some("EPSG:32616"), vec![layer]));
    let error = result.expect_err("a damaged file");
    assert_eq!(error.code(), "counts-differ", "{error}");
}
