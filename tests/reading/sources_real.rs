//! Real layers, where they are at hand: Z and M, widths as text, ids in two columns, crossing rings, two CRSs in a file.

use crate::sources_support;

use blockwright::geometry::wkb;
use blockwright::model::{Feature, LayerKind, ProblemCode, Shape};
use blockwright::project::LayerSource;
use blockwright::sources::{self, Batch, LayerReport};
use gdal::vector::LayerAccess;
use geo::{Area, CoordsIter, Polygon};
use sources_support::{constant, fields, project, shared, source};
use std::path::Path;

fn layer(kind: LayerKind, folder: &Path, file: &str, name: &str, filter: &str) -> LayerSource {
    let mut layer = source(kind, folder, file);
    layer.layer = Some(name.to_owned());
    layer.filter = (!filter.is_empty()).then(|| filter.to_owned());
    layer
}

fn counts(batch: &Batch) -> Vec<(&'static str, u64, u64, u64, u64)> {
    let count = |l: &LayerReport| (l.role, l.read, l.used, l.repaired, l.set_aside);
    let counts = batch.layers.iter().map(count).collect();
    for problem in &batch.problems {
        println!("{problem}");
    }
    println!("{} {counts:?}", batch.crs);
    counts
}

/// The two areas of a block must agree through its scale, to a hundred thousandth.
fn areas_agree(batch: &Batch) {
    for block in &batch.blocks {
        let ground = block.shape.unsigned_area() / (block.scale * block.scale);
        assert!(
            (ground / block.geodesic_m2 - 1.0).abs() < 1e-4,
            "{}: {ground} {}",
            block.id,
            block.geodesic_m2
        );
    }
}

#[test]
fn andorra() {
    let Some(folder) = shared("data/real") else {
        return;
    };
    let file = "andorra.gpkg";
    let mut blocks = layer(LayerKind::Blocks, &folder, file, "blocks", "");
    blocks.id = fields(&["osm_id", "osm_way_id"]);
    let mut streams = layer(
        LayerKind::Streams,
        &folder,
        file,
        "streams",
        "waterway IN ('river', 'stream', 'ditch', 'drain', 'canal') AND tunnel IS NULL",
    );
    streams.id = fields(&["osm_id"]);
    streams.class = fields(&["waterway"]);
    streams.width = fields(&["width"]);
    let mut roads = layer(
        LayerKind::Roads,
        &folder,
        file,
        "roads",
        "highway IN ('track', 'unclassified', 'tertiary', 'secondary', 'primary', 'service', 'residential')",
    );
    roads.id = fields(&["osm_id"]);
    roads.width = fields(&["width"]);
    let lakes = layer(LayerKind::Lakes, &folder, file, "water", "");
    let protected = layer(LayerKind::Protected, &folder, file, "protected", "");
    let batch = sources::read(&project(
        &folder,
        None,
        vec![blocks, streams, lakes, roads, protected],
    ))
    .unwrap();
    assert_eq!(batch.crs, "EPSG:32631");
    areas_agree(&batch);
    assert_eq!(
        counts(&batch),
        [
            ("blocks", 931, 931, 5, 0),
            ("streams", 602, 602, 0, 0),
            ("lakes", 327, 327, 0, 0),
            ("roads", 3708, 3708, 0, 0),
            ("protected", 3, 3, 0, 0)
        ]
    );
    // 833 ids come from the second column.
    assert!(batch.blocks.iter().all(|b| !b.id.starts_with("fid")));
}

/// Block by block against GEOS, in the CRS of the layer: what GEOS calls valid comes back vertex by vertex, the rest
/// with the area of its own repair.
#[test]
fn andorra_against_geos() {
    let Some(folder) = shared("data/real") else {
        return;
    };
    let mut blocks = layer(LayerKind::Blocks, &folder, "andorra.gpkg", "blocks", "");
    blocks.id = fields(&["fid"]);
    let batch = sources::read(&project(&folder, Some("EPSG:25831"), vec![blocks])).unwrap();
    let dataset = gdal::Dataset::open(folder.join("andorra.gpkg")).unwrap();
    let mut raw = dataset.layer_by_name("blocks").unwrap();
    let (mut sound, mut repaired) = (0, 0);
    for (feature, block) in raw.features().zip(&batch.blocks) {
        assert_eq!(feature.fid().unwrap().to_string(), block.id);
        let geometry = feature.geometry().unwrap();
        if geometry.is_valid() {
            sound += 1;
            let parts = wkb::read(&geometry.wkb().unwrap()).unwrap();
            let sorted = |polygons: &[Polygon]| {
                let mut points: Vec<[u64; 2]> = polygons
                    .iter()
                    .flat_map(|p| p.coords_iter())
                    .map(|c| [c.x.to_bits(), c.y.to_bits()])
                    .collect();
                points.sort_unstable();
                points
            };
            assert_eq!(
                sorted(&parts.polygons),
                sorted(&block.shape.0),
                "{}",
                block.id
            );
        } else {
            repaired += 1;
            let fixed = geometry
                .make_valid(&gdal::cpl::CslStringList::new())
                .unwrap();
            assert!(
                (fixed.area() - block.shape.unsigned_area()).abs() < 0.02,
                "{}",
                block.id
            );
        }
    }
    assert_eq!((sound, repaired), (926, 5));
}

#[test]
fn neexdzii() {
    let Some(folder) = shared("data/real") else {
        return;
    };
    let file = "neexdzii.gpkg";
    let mut streams = layer(
        LayerKind::Streams,
        &folder,
        file,
        "streams",
        "edge_type IN (1000, 1050, 1100)",
    );
    streams.id = fields(&["linear_feature_id"]);
    streams.width = fields(&["channel_width"]);
    streams.width.0.push(constant("1.507 m"));
    let lakes = layer(
        LayerKind::Lakes,
        &folder,
        file,
        "water",
        "waterbody_type = 'L'",
    );
    let wetlands = layer(
        LayerKind::Wetlands,
        &folder,
        file,
        "water",
        "waterbody_type = 'W'",
    );
    let roads = layer(LayerKind::Roads, &folder, file, "roads", "");
    let forest_roads = layer(LayerKind::Roads, &folder, file, "roads_fsr", "");
    let layers = vec![streams, lakes, wetlands, roads, forest_roads];
    let batch = sources::read(&project(&folder, Some("EPSG:32609"), layers)).unwrap();
    assert_eq!(batch.inputs.len(), 1);
    // As many as have no width of their own.
    let fallen_back = |f: &&Feature| f.width_m == Some(1.507);
    assert_eq!(batch.features.iter().filter(fallen_back).count(), 938);
    assert_eq!(
        counts(&batch),
        [
            ("streams", 1714, 1714, 0, 0),
            ("lakes", 89, 89, 0, 0),
            ("wetlands", 323, 323, 0, 0),
            ("roads", 184, 184, 0, 0),
            ("roads", 19, 19, 0, 0)
        ]
    );
}

#[test]
fn rautjarvi_has_two_crss_in_one_file() {
    let Some(folder) = shared("data/real") else {
        return;
    };
    let file = "rautjarvi.gpkg";
    let mut blocks = layer(LayerKind::Blocks, &folder, file, "blocks", "");
    blocks.id = fields(&["StandID"]);
    let mut stands = layer(
        LayerKind::Stands,
        &folder,
        file,
        "stands_digitized_2000_epsg3047",
        "",
    );
    stands.id = fields(&["ID"]);
    let streams = layer(LayerKind::Streams, &folder, file, "streams", "");
    let lakes = layer(LayerKind::Lakes, &folder, file, "water", "");
    let protected = layer(LayerKind::Protected, &folder, file, "protected_points", "");
    let layers = vec![blocks, stands, streams, lakes, protected];
    let batch = sources::read(&project(&folder, Some("EPSG:3067"), layers)).unwrap();
    areas_agree(&batch);
    let crss: Vec<&str> = batch.layers.iter().map(|l| l.crs.as_str()).collect();
    assert_eq!(
        crss,
        [
            "EPSG:3067",
            "EPSG:3067",
            "EPSG:3067",
            "EPSG:3067",
            "EPSG:3047"
        ]
    );
    // ETRS-TM35 (3047) and TM35FIN (3067) are the same grid: the stands must lie on the blocks.
    let stands: f64 = batch
        .features
        .iter()
        .filter(|f| f.kind == LayerKind::Stands)
        .map(|f| match &f.shape {
            Shape::Polygons(shape) => {
                use geo::BooleanOps;
                let all = geo::unary_union(batch.blocks.iter().flat_map(|b| &b.shape));
                shape.intersection(&all).unsigned_area()
            }
            _ => 0.0,
        })
        .sum();
    assert!(stands > 100_000.0, "{stands}");
    assert_eq!(
        counts(&batch),
        [
            ("blocks", 74, 74, 0, 0),
            ("streams", 1, 1, 0, 0),
            ("lakes", 2, 2, 0, 0),
            ("protected", 2, 2, 0, 0),
            ("stands", 22, 22, 0, 0)
        ]
    );
}

#[test]
fn quesnel() {
    let Some(folder) = shared("data/real") else {
        return;
    };
    let mut blocks = layer(
        LayerKind::Blocks,
        &folder,
        "quesnel_cutblocks.gpkg",
        "blocks",
        "",
    );
    blocks.id = fields(&["BlockID"]);
    let batch = sources::read(&project(&folder, None, vec![blocks])).unwrap();
    assert_eq!(batch.crs, "EPSG:32610");
    assert_eq!(counts(&batch), vec![("blocks", 9, 9, 0, 0)]);
    assert!(
        batch
            .problems
            .iter()
            .all(|p| p.code == ProblemCode::SelfCrossing)
    );
    let total: f64 = batch.blocks.iter().map(|b| b.shape.unsigned_area()).sum();
    assert!((total / 10_000.0 - 124.0).abs() < 1.0, "{total}");
    areas_agree(&batch);
}
