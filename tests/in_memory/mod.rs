//! Blocks and features made in memory, laid out and judged without any file.
#![allow(dead_code, reason = "each test file uses its own share")]

use blockwright::compliance;
use blockwright::geometry::area::{Bounds, area};
use blockwright::geometry::buffer::Engines;
use blockwright::geometry::overlay::oriented;
use blockwright::geometry::terrain::{Cells, ElevationGrid, SlopeGrid, Terrain};
use blockwright::geometry::wkb;
use blockwright::landbase::{Landbase, SlopeSource};
use blockwright::layout::{self, Context, LayoutError};
use blockwright::model::*;
use blockwright::rulebook::{BlockRules, Citation, Cited, ReadStatus, Rulebook, ShareOf, preset};
use gdal::vector::Geometry;
use geo::{Coord, LineString, MultiLineString, MultiPolygon, Polygon};

pub fn ring(points: &[(f64, f64)]) -> LineString {
    let mut ring = LineString::from(points.to_vec());
    ring.close();
    ring
}

pub fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
    Polygon::new(ring(&[(x0, y0), (x1, y0), (x1, y1), (x0, y1)]), vec![])
}

pub fn block(shape: MultiPolygon) -> SourceBlock {
    let shape = oriented(shape);
    SourceBlock {
        id: "A-1".to_owned(),
        source_layer: "blocks".to_owned(),
        azimuth_deg: None,
        pattern: None,
        portfolio: None,
        outlets: vec![],
        windows: Default::default(),
        accuracy: Default::default(),
        emergency: Default::default(),
        place: None,
        repaired_m2: 0.0,
        scale: 1.0,
        geodesic_m2: area(&shape),
        outlines: vec![],
        came_later: Default::default(),
        frame: GroundFrame::around(Bounds::of_polygons(&shape).middle()),
        shape,
    }
}

pub fn line(points: &[(f64, f64)]) -> Shape {
    Shape::Lines(MultiLineString(vec![LineString::from(points.to_vec())]))
}

pub fn feature(
    kind: LayerKind,
    class: Option<&str>,
    width_m: Option<f64>,
    shape: Shape,
) -> Feature {
    Feature {
        kind,
        source_layer: kind.key().to_owned(),
        id: format!("{} 1", kind.key()),
        class: class.map(str::to_owned),
        width_m,
        stems_per_ha: None,
        slope: None,
        fringe_m: None,
        facts: Default::default(),
        tree_m3: None,
        trees: None,
        shape,
    }
}

/// The widths of the complete preset with a share of the net area of one's own, and no other share.
pub fn rules(retention_share: f64) -> Rulebook {
    let mut rules = preset("bc-fppr").expect("the preset is embedded");
    rules.retention_share.value = retention_share;
    // The test's own share, not what the preset knows from memory.
    rules.retention_share.citation.status = ReadStatus::Project;
    rules.share_of = ShareOf::Net;
    rules.block = BlockRules::default();
    for line in &mut rules.lines {
        line.management_share = 0.0;
    }
    rules
}

/// A figure of a rule that was read where it is written.
pub fn cited(value: f64) -> Cited<f64> {
    Cited {
        value,
        citation: Citation {
            text: "test".to_owned(),
            status: ReadStatus::ReadInSource,
        },
        origin: "test, line 1".to_owned(),
    }
}

/// One block laid out and judged.
///
/// # Errors
/// As the layout.
pub fn lay_out(
    engines: Engines<'_>,
    settings: &Settings,
    rules: &Rulebook,
    features: &[Feature],
    block: &SourceBlock,
) -> Result<BlockPlan, LayoutError> {
    lay_out_on(engines, settings, rules, features, None, block)
}

/// One block laid out and judged on ground of known slope.
///
/// # Errors
/// As the layout.
pub fn lay_out_on(
    engines: Engines<'_>,
    settings: &Settings,
    rules: &Rulebook,
    features: &[Feature],
    terrain: Option<&dyn SlopeSource>,
    block: &SourceBlock,
) -> Result<BlockPlan, LayoutError> {
    in_context(engines, settings, rules, features, terrain, |context| {
        let mut plan = layout::lay_out(context, block)?;
        compliance::judge(context, block, &mut plan);
        Ok(plan)
    })
}

/// What a block is laid out and judged with.
pub fn in_context<T>(
    engines: Engines<'_>,
    settings: &Settings,
    rules: &Rulebook,
    features: &[Feature],
    terrain: Option<&dyn SlopeSource>,
    work: impl FnOnce(Context<'_>) -> T,
) -> T {
    let settings = &layout::effective(settings, rules);
    let landbase = Landbase::new(features, rules, &settings.layout);
    work(Context {
        landbase: &landbase,
        settings,
        rules,
        engines,
        terrain,
    })
}

/// What of a plan is empty, or not valid by GEOS, as it is written and read back.
pub fn unsound(plan: &BlockPlan) -> Vec<String> {
    let mut found = Vec::new();
    let mut ask = |what: &str, wkb: Vec<u8>| {
        let shape = Geometry::from_wkb(&wkb).expect("our own WKB");
        if shape.is_empty() || !shape.is_valid() {
            found.push(format!("{what}: {}", shape.wkt().unwrap_or_default()));
        }
    };
    let frame = &plan.frame;
    let one = |shape: &Polygon| wkb::write_polygon(&frame.leave_polygon(shape), [0.0; 2]);
    let all =
        |shape: &MultiPolygon| wkb::write_multi_polygon(&frame.leave_polygons(shape), [0.0; 2]);
    ask("block", all(&plan.shape));
    for zone in &plan.zones {
        ask(zone.kind.key(), all(&zone.shape));
    }
    if !plan.retained_bands.0.is_empty() {
        ask("retained bands", all(&plan.retained_bands));
    }
    for part in &plan.parts {
        ask("part", all(&part.shape));
    }
    for strip in &plan.strips {
        ask("strip", one(&strip.shape));
    }
    for corridor in &plan.corridors {
        ask("corridor", one(&corridor.shape));
    }
    for shape in plan.sections.iter().flat_map(|section| &section.shape.0) {
        ask("section", one(shape));
    }
    for piece in &plan.unworked {
        ask("unworked", one(&piece.shape));
    }
    for line in &plan.lines {
        ask(
            "line",
            wkb::write_line(&frame.leave_line(&line.shape), [0.0; 2]),
        );
    }
    for bunch in &plan.bunches {
        ask(
            "bunch",
            wkb::write_line(&frame.leave_line(&bunch.shape), [0.0; 2]),
        );
    }
    for shape in plan
        .findings
        .iter()
        .filter_map(|finding| finding.shape.as_ref())
    {
        ask("finding", wkb::write(&frame.leave_shape(shape), [0.0; 2]));
    }
    found
}

/// Twenty trees to the hectare in three classes.
pub fn twenty() -> StandTable {
    let class = |from_m, to_m, stems_per_ha, tree_m3| TreeClass {
        species: "spruce".to_owned(),
        from_m,
        to_m,
        stems_per_ha,
        tree_m3,
    };
    StandTable(vec![
        class(0.1, 0.2, 8.0, 0.1),
        class(0.2, 0.4, 9.0, 0.5),
        class(0.4, 0.6, 3.0, 1.6),
    ])
}

/// All words of a plan's map, with single blanks between.
pub fn words_of_map(plan: &BlockPlan, language: Language) -> String {
    let svg = blockwright::outputs::render(plan, "Test", language);
    let tree = roxmltree::Document::parse(&svg).unwrap();
    let texts = tree.descendants().filter(|node| node.is_text());
    let words: Vec<&str> = texts
        .flat_map(|node| node.text().unwrap().split_whitespace())
        .collect();
    words.join(" ")
}

/// Slopes of cells of 10 m, of heights that are known by hand.
pub struct Plane(SlopeGrid);

impl Plane {
    pub fn of(height: impl Fn(f64, f64) -> f64) -> Plane {
        let cells = Cells {
            corner: Coord {
                x: -200.0,
                y: 700.0,
            },
            cell_m: 10.0,
            first_column: 0,
            first_row: 0,
            columns: 100,
            rows: 90,
        };
        let values = (0..100 * 90).map(|i| {
            let (column, row) = (f64::from(i % 100), f64::from(i / 100));
            height(column * 10.0, 695.0 - row * 10.0)
        });
        let values = values.collect();
        Plane(SlopeGrid::from_elevation(&ElevationGrid { cells, values }))
    }
}

impl Terrain for Plane {
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String> {
        Ok(self.0.bounds().meets(bounds).then(|| self.0.clone()))
    }
}
