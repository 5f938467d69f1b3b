//! A layer through the sources and, where it is small, on to a layout: GeoJSON as one file of six roles, or else a single
//! geometry as well-known binary, read by us and by GDAL.

use std::sync::OnceLock;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area};
use blockwright::geometry::buffer::Source;
use blockwright::geometry::wkb;
use blockwright::layout::LayoutError;
use blockwright::model::{Feature, Shape, SourceBlock};
use blockwright::project::{Project, parse};
use blockwright::sources::{Batch, read};
use gdal::vector::Geometry;
use geo::Coord;

use super::in_memory::lay_out;
use super::shapes::{coords, geos, is_finite};
use super::{plan, scratch};

/// A layout of more takes too long for a fuzzer.
const MOST_VERTICES: usize = 300;
const MOST_BLOCK_M: f64 = 800.0;

const PROJECT: &str = r#"
[project]
name = "fuzz"
crs = "EPSG:32616"
[layers.blocks]
source = "layer.geojson"
id = "id"
azimuth = "azimuth"
[layers.roads]
source = "layer.geojson"
where = "role = 'r'"
id = "id"
width = "width"
[layers.streams]
source = "layer.geojson"
where = "role = 's'"
id = "id"
class = "class"
width = "width"
[layers.wetlands]
source = "layer.geojson"
where = "role = 'w'"
id = "id"
class = "class"
[layers.stands]
source = "layer.geojson"
where = "role = 't'"
stems_per_ha = "stems"
[layers.slope_classes]
source = "layer.geojson"
where = "role = 'k'"
slope = "slope"
[rules]
preset = "bc-fppr"
[production]
tree_m3 = 0.3
"#;

fn project() -> &'static Project {
    static PROJECT_READ: OnceLock<Project> = OnceLock::new();
    PROJECT_READ.get_or_init(|| {
        parse(PROJECT, &scratch::folder().join("project.toml")).expect("a sound project")
    })
}

pub fn run(data: &[u8]) {
    if !data.trim_ascii_start().starts_with(b"{") {
        return binary(data);
    }
    scratch::file("layer.geojson", data);
    match read(project()) {
        Ok(batch) => sound(&batch),
        Err(error) => assert!(error.to_string().contains("layer.geojson"), "{error}"),
    }
}

/// Our reader takes what GDAL takes, and finds the same points in it.
fn binary(data: &[u8]) {
    let ours = wkb::read(data);
    let Ok(theirs) = Geometry::from_wkb(data) else {
        return;
    };
    let Ok(ours) = ours else {
        return;
    };
    let lines = ours.lines.iter().map(|line| line.0.len());
    let holes = |polygon: &geo::Polygon| {
        polygon
            .interiors()
            .iter()
            .map(|ring| ring.0.len())
            .sum::<usize>()
    };
    let polygons = ours
        .polygons
        .iter()
        .map(|p| p.exterior().0.len() + holes(p));
    let found: usize = ours.points.len() + lines.chain(polygons).sum::<usize>();
    let theirs = points(&theirs);
    // Rings that were not closed got a point more.
    assert!(
        found >= theirs && found <= theirs + ours.unclosed_rings + ours.points.len(),
        "{found} points, {theirs} by GDAL"
    );
}

fn points(geometry: &Geometry) -> usize {
    let members = geometry.geometry_count();
    if members == 0 {
        return geometry.point_count();
    }
    (0..members)
        .map(|at| points(&geometry.get_geometry(at)))
        .sum()
}

fn sound(batch: &Batch) {
    for layer in &batch.layers {
        assert_eq!(layer.used + layer.set_aside, layer.read, "{layer:?}");
    }
    for problem in &batch.problems {
        assert!(!problem.message.is_empty() && !problem.remedy.is_empty());
        assert!(
            problem
                .place
                .is_none_or(|place| place.iter().all(|c| !c.is_nan())),
            "{problem:?}"
        );
    }
    let mut ids: Vec<&str> = batch.blocks.iter().map(|block| block.id.as_str()).collect();
    ids.sort_unstable();
    assert!(
        ids.windows(2).all(|pair| pair[0] != pair[1]),
        "two blocks of one id"
    );
    let small = |block: &&SourceBlock| {
        let Bounds { min, max } = Bounds::of_polygons(&block.shape);
        (max.x - min.x).max(max.y - min.y) <= MOST_BLOCK_M
    };
    for block in &batch.blocks {
        assert!(
            is_finite(coords(&block.shape)) && area(&block.shape) > 0.0,
            "{block:?}"
        );
        assert!(geos(&block.shape).is_valid(), "{block:?}");
        assert!(block.scale > 0.0, "{block:?}");
        // Geodesics between corners thousands of kilometres apart are not the straight edges of the map.
        assert!(!small(&block) || block.geodesic_m2 > 0.0, "{block:?}");
        assert!(block.azimuth_deg.is_none_or(f64::is_finite), "{block:?}");
    }
    let sizes = batch.features.iter().map(sound_feature).sum::<usize>();
    let mut vertices = sizes;
    for block in &batch.blocks {
        vertices += coords(&block.shape).count();
    }
    if vertices <= MOST_VERTICES {
        for block in batch.blocks.iter().filter(small).take(2) {
            layout(batch, block);
        }
    }
}

/// How many vertices it has.
fn sound_feature(feature: &Feature) -> usize {
    let source = match &feature.shape {
        Shape::Points(points) => Source::Points(points.0.iter().map(|point| point.0).collect()),
        Shape::Lines(lines) => Source::Lines(lines.clone()),
        Shape::Polygons(polygons) => Source::Polygons(polygons.clone()),
    };
    let Bounds { min, max } = source.bounds();
    let ends: [Coord; 2] = [min, max];
    assert!(!source.is_empty() && is_finite(&ends), "{feature:?}");
    for number in [
        feature.width_m,
        feature.stems_per_ha,
        feature.slope,
        feature.fringe_m,
    ] {
        assert!(
            number.is_none_or(|number| number.is_finite() && number >= 0.0),
            "{feature:?}"
        );
    }
    source.vertices()
}

fn layout(batch: &Batch, block: &SourceBlock) {
    let project = project();
    match lay_out(
        ENGINES,
        &project.settings,
        &project.rules,
        &batch.features,
        block,
    ) {
        Ok(found) => plan::sound(&found),
        Err(LayoutError::NothingLeft { .. }) => {}
        Err(error) => panic!("{error}"),
    }
}
