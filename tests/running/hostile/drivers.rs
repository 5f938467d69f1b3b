//! Formats that follow links, run code or ask the network, and what the environment might switch on.

use std::net::TcpListener;
use std::path::Path;
use std::sync::Mutex;

use gdal::vector::LayerAccess;
use gdal::vector::sql::Dialect;
use gdal::{Dataset, DatasetOptions, DriverManager, GdalOpenFlags};

use super::paths::{blocks_from, terrain_from};
use super::run_binary::{collection, feature, rectangle, small_project, write};
use super::{Row, check_all};

fn blocks_as(folder: &Path, name: &str, text: &str) {
    blocks_from(folder, &format!("\"{name}\""));
    write(folder, name, text);
}

/// The small project's blocks as a GeoPackage; `sql` is run on it.
pub fn blocks_as_package(folder: &Path, layer: &str, sql: &[&str]) {
    blocks_from(folder, &format!("\"blocks.gpkg\"\nlayer = \"{layer}\""));
    let from = Dataset::open(folder.join("blocks.geojson")).unwrap();
    let driver = DriverManager::get_driver_by_name("GPKG").unwrap();
    let path = folder.join("blocks.gpkg");
    let mut to = driver.create_vector_only(&path).unwrap();
    let mut blocks = from.layer(0).unwrap();
    let made = to
        .create_layer(gdal::vector::LayerOptions {
            name: "blocks",
            srs: blocks.spatial_ref().as_ref(),
            ty: gdal::vector::OGRwkbGeometryType::wkbPolygon,
            options: None,
        })
        .unwrap();
    made.create_defn_fields(&[("BLOCK", gdal::vector::OGRFieldType::OFTString)])
        .unwrap();
    for block in blocks.features() {
        let mut row = gdal::vector::Feature::new(made.defn()).unwrap();
        row.set_geometry(block.geometry().unwrap().clone()).unwrap();
        let id = block.field_as_string(0).unwrap().unwrap();
        row.set_field_string(0, &id).unwrap();
        row.create(&made).unwrap();
    }
    to.close().unwrap();
    let options = DatasetOptions {
        open_flags: GdalOpenFlags::GDAL_OF_UPDATE | GdalOpenFlags::GDAL_OF_VECTOR,
        ..DatasetOptions::default()
    };
    let package = Dataset::open_ex(&path, options).unwrap();
    for one in sql {
        package.execute_sql(one, None, Dialect::DEFAULT).unwrap();
    }
    package.close().unwrap();
}

/// Makes the view `evil` a layer.
const KNOWN: [&str; 2] = [
    "INSERT INTO gpkg_contents SELECT 'evil', 'features', 'evil', '', last_change, min_x, min_y, max_x, max_y, srs_id \
     FROM gpkg_contents",
    "INSERT INTO gpkg_geometry_columns SELECT 'evil', 'geom', geometry_type_name, srs_id, z, m \
     FROM gpkg_geometry_columns",
];

/// What stands at the address that a file names.
static LISTENER: Mutex<Option<TcpListener>> = Mutex::new(None);

fn listen() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let port = listener.local_addr().unwrap().port();
    *LISTENER.lock().unwrap() = Some(listener);
    port
}

fn nobody_came(_: &Path, _: &super::Ended) {
    let listener = LISTENER.lock().unwrap().take().unwrap();
    assert!(listener.accept().is_err(), "the address was asked");
}

const CANNOT: &[&str] = &["the file cannot be read", "these formats are read"];

const ROWS: &[Row] = &[
    Row::refused(
        "a KML file as a layer",
        "exit 2: no driver of the list opens it",
        |folder| {
            let text = "<?xml version=\"1.0\"?><kml xmlns=\"http://www.opengis.net/kml/2.2\"><Document/></kml>";
            blocks_as(folder, "blocks.kml", text);
        },
        CANNOT,
    ),
    Row::refused(
        "a GML file whose schema lies on the network",
        "exit 2: no driver of the list opens it; nothing is fetched",
        |folder| {
            let text = format!(
                "<?xml version=\"1.0\"?><gml:FeatureCollection xmlns:gml=\"http://www.opengis.net/gml\" \
                 xmlns:xsi=\"http://www.w3.org/2001/XMLSchema-instance\" xsi:schemaLocation=\"http://a \
                 http://127.0.0.1:{}/a.xsd\"/>",
                listen()
            );
            blocks_as(folder, "blocks.gml", &text);
        },
        CANNOT,
    )
    .then(nobody_came),
    Row::refused(
        "a virtual layer (`OGRVRTDataSource`) over another file",
        "exit 2: no driver of the list opens it",
        |folder| {
            let text = "<OGRVRTDataSource><OGRVRTLayer name=\"blocks\"><SrcDataSource>roads.geojson</SrcDataSource>\
                        </OGRVRTLayer></OGRVRTDataSource>";
            blocks_as(folder, "blocks.vrt", text);
        },
        CANNOT,
    ),
    Row::refused(
        "a description of a feature service (WFS)",
        "exit 2: no driver of the list opens it; nothing is fetched",
        |folder| {
            let text = format!(
                "<OGRWFSDataSource><URL>http://127.0.0.1:{}/wfs</URL></OGRWFSDataSource>",
                listen()
            );
            blocks_as(folder, "blocks.xml", &text);
        },
        CANNOT,
    )
    .then(nobody_came),
    Row::refused(
        "a table CSV with a column of WKT as a layer",
        "exit 2: no driver of the list opens it",
        |folder| blocks_as(folder, "blocks.csv", "WKT,BLOCK\n\"POINT (0 0)\",A\n"),
        CANNOT,
    ),
    Row::refused(
        "a DXF drawing as a layer",
        "exit 2: no driver of the list opens it, though one of the list writes it",
        |folder| blocks_as(folder, "blocks.dxf", "  0\nSECTION\n  2\nENTITIES\n  0\nENDSEC\n  0\nEOF\n"),
        CANNOT,
    ),
    Row::refused(
        "a plain SQLite database as a layer",
        "exit 2: no driver of the list opens it",
        |folder| {
            blocks_from(folder, "\"blocks.sqlite\"");
            let driver = DriverManager::get_driver_by_name("SQLite").unwrap();
            let made = driver.create_vector_only(folder.join("blocks.sqlite"));
            made.unwrap().close().unwrap();
        },
        CANNOT,
    ),
    Row::refused(
        "a MapInfo table made of other tables",
        "exit 2: a table made of other tables",
        |folder| {
            let text = "!table\n!version 300\n!charset Neutral\n\nDefinition Table\n  Type NATIVE Charset \"Neutral\"\n  \
                        Fields 1\n    Table Char (100) ;\nbegin_metadata\n\"\\IsSeamless\" = \"TRUE\"\nend_metadata\n";
            blocks_as(folder, "blocks.tab", text);
        },
        &["a table made of other tables"],
    ),
    Row::refused(
        "a GeoPackage with a view that asks a geocoding service",
        "exit 2: the database is not opened; nothing is fetched",
        |folder| {
            let view = format!(
                "CREATE VIEW evil AS SELECT fid, geom, ogr_geocode('x', 'geometry', 'SERVICE=OSM_NOMINATIM', \
                 'QUERY_TEMPLATE=http://127.0.0.1:{}/%s') AS BLOCK FROM blocks",
                listen()
            );
            blocks_as_package(folder, "evil", &[&view, KNOWN[0], KNOWN[1]]);
        },
        &["blocks.gpkg"],
    )
    .with(&[("ALLOW_OGR_SQL_FUNCTIONS_FROM_TRIGGER_AND_VIEW", "YES")])
    .then(nobody_came),
    Row::refused(
        "a GeoPackage with a view that has no end",
        "exit 2: a view that refers to itself is not read",
        |folder| {
            let view = "CREATE VIEW evil AS WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) \
                        SELECT n AS fid, geom, BLOCK FROM blocks, c";
            blocks_as_package(folder, "evil", &[view, KNOWN[0], KNOWN[1]]);
        },
        &["its view `evil` is made by WITH and UNION"],
    ),
    Row::harmless(
        "a GeoPackage with a plain view",
        "read as any layer",
        |folder| {
            let view = "CREATE VIEW evil AS SELECT fid, geom, BLOCK FROM blocks";
            blocks_as_package(folder, "evil", &[view, KNOWN[0], KNOWN[1]]);
        },
        |folder, _| assert!(folder.join("out/maps/A-1.svg").is_file()),
    ),
    Row::harmless(
        "a GeoPackage in write-ahead mode",
        "read as it is; no `-wal`, `-shm` or `-journal` appears beside it",
        |folder| blocks_as_package(folder, "blocks", &["PRAGMA journal_mode=WAL"]),
        |folder, _| {
            let bytes = std::fs::read(folder.join("blocks.gpkg")).unwrap();
            assert_eq!(bytes[18..20], [2, 2], "it is in write-ahead mode");
        },
    ),
    Row::refused(
        "a filter with a query that has no end",
        "exit 2: a query inside a filter is not computed",
        |folder| {
            blocks_as_package(folder, "blocks", &[]);
            let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
            let filter = "where = \"1 IN (WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT n FROM c)\"\n";
            write(folder, "project.toml", &text.replace("id = \"BLOCK\"\n", &format!("id = \"BLOCK\"\n{filter}")));
        },
        &["a query inside a filter is not computed"],
    ),
    Row::refused(
        "a filter that loads an extension",
        "exit 2: the function reaches out of the file",
        |folder| {
            blocks_as_package(folder, "blocks", &[]);
            let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
            let filter = "where = \"load_extension('/tmp/a.so') IS NULL\"\n";
            write(folder, "project.toml", &text.replace("id = \"BLOCK\"\n", &format!("id = \"BLOCK\"\n{filter}")));
        },
        &["the function `load_extension` reaches out of the file"],
    ),
    Row::harmless(
        "a GeoJSON file that names its CRS by a link, and `no_proxy=*`",
        "nothing is fetched: degrees, as the standard has it, of which one that says otherwise is told",
        |folder| {
            small_project(folder);
            let crs = format!(
                "\"crs\": {{\"type\": \"link\", \"properties\": {{\"href\": \"http://127.0.0.1:{}/crs\", \"type\": \
                 \"ogcwkt\"}}}}, ",
                listen()
            );
            let block = feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0));
            write(folder, "blocks.geojson", &collection(&crs, &[block]));
        },
        nobody_came,
    )
    .with(&[("no_proxy", "*"), ("NO_PROXY", "*")])
    .ends(2),
    Row::refused(
        "a description of a map service (WMS) as elevations",
        "exit 2: no driver of the list opens it; nothing is fetched",
        |folder| {
            terrain_from(folder, "dem.xml");
            let text = format!(
                "<GDAL_WMS><Service name=\"TMS\"><ServerUrl>http://127.0.0.1:{}/${{z}}/${{x}}/${{y}}.png</ServerUrl></Service>\
                 <DataWindow><UpperLeftX>0</UpperLeftX><UpperLeftY>1</UpperLeftY><LowerRightX>1</LowerRightX>\
                 <LowerRightY>0</LowerRightY><TileLevel>1</TileLevel></DataWindow><Projection>EPSG:3857</Projection>\
                 <BandsCount>1</BandsCount></GDAL_WMS>",
                listen()
            );
            write(folder, "dem.xml", &text);
        },
        &["the raster cannot be read"],
    )
    .then(nobody_came),
    Row::refused(
        "a picture (PPM) as elevations",
        "exit 2: no driver of the list opens it",
        |folder| {
            terrain_from(folder, "dem.ppm");
            write(folder, "dem.ppm", "P6 1 1 255\nabc");
        },
        &["the raster cannot be read"],
    ),
    Row::harmless(
        "an environment that names plug-ins, an SQLite extension and Python in virtual rasters",
        "none of them is looked for",
        |folder| {
            blocks_as_package(folder, "blocks", &[]);
            std::fs::create_dir(folder.join("plugins")).unwrap();
            write(folder, "plugins/gdal_EVIL.so", "no library");
        },
        |_, ended| assert!(!ended.stderr.contains("EVIL"), "{}", ended.stderr),
    )
    .with(&[
        ("GDAL_DRIVER_PATH", "plugins"),
        ("OGR_SQLITE_LOAD_EXTENSIONS", "plugins/gdal_EVIL.so"),
        ("GDAL_VRT_ENABLE_PYTHON", "YES"),
    ]),
];

pub fn rows() -> &'static [Row] {
    ROWS
}

#[test]
fn drivers() {
    check_all(ROWS);
}
