//! Ground too steep for the machine or for the night, measured by GEOS cell by cell.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, length, rings};
use blockwright::geometry::overlay::union;
use blockwright::geometry::terrain::{Cells, ElevationGrid, SlopeGrid, Terrain};
use blockwright::geometry::wkb;
use blockwright::model::*;
use gdal::vector::Geometry;
use geo::{Coord, MultiPolygon, Polygon};
use in_memory::*;

const CELL_M: f64 = 10.0;
/// Overlap that the overlay's grid may leave along an edge, m2 and m.
const ROUNDING: f64 = 0.01;

struct Hill(SlopeGrid);

impl Terrain for Hill {
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String> {
        Ok(self.0.bounds().meets(bounds).then(|| self.0.clone()))
    }
}

/// Heights on cells of 10 m from (-100, -100) to (700, 600).
fn hill(height: impl Fn(f64, f64) -> f64) -> Hill {
    let cells = Cells {
        corner: Coord {
            x: -100.0,
            y: 600.0,
        },
        cell_m: CELL_M,
        first_column: 0,
        first_row: 0,
        columns: 80,
        rows: 70,
    };
    let values = (0..80 * 70).map(|i| {
        let (column, row) = (f64::from(i % 80), f64::from(i / 80));
        height(-95.0 + column * CELL_M, 595.0 - row * CELL_M)
    });
    let values = values.collect();
    Hill(SlopeGrid::from_elevation(&ElevationGrid { cells, values }))
}

/// Gentle ground with knolls: most of it workable, spots beyond every limit.
fn knolls() -> Hill {
    hill(|x, y| 26.0 * (x / 60.0).sin() * (y / 75.0).cos() + 0.02 * x)
}

fn road() -> Feature {
    feature(
        LayerKind::Roads,
        None,
        Some(8.0),
        line(&[(-50.0, -6.0), (650.0, -6.0)]),
    )
}

fn large_block() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 450.0)]))
}

fn geos(polygons: &[Polygon]) -> Geometry {
    let polygons = MultiPolygon(polygons.to_vec());
    Geometry::from_wkb(&wkb::write_multi_polygon(&polygons, [0.0; 2])).unwrap()
}

/// The cells that `choose` picks by their slope, as one GEOS geometry in the plan's frame.
fn cells_of(hill: &Hill, plan: &BlockPlan, choose: impl Fn(f64) -> bool) -> Geometry {
    let origin = Coord {
        x: plan.origin()[0],
        y: plan.origin()[1],
    };
    let there = hill.0.clone().moved(origin);
    let mut chosen = Geometry::empty(gdal::vector::OGRwkbGeometryType::wkbMultiPolygon).unwrap();
    for (bounds, gradient) in there.cells() {
        if gradient.is_some_and(|gradient| choose(gradient.slope())) {
            let cell = Geometry::from_wkb(&wkb::write_polygon(&bounds.to_polygon(), [0.0; 2]));
            chosen = chosen.union(&cell.unwrap()).unwrap();
        }
    }
    chosen
}

fn row<'p>(plan: &'p BlockPlan, id: &str) -> &'p ComplianceRow {
    plan.compliance
        .iter()
        .find(|row| row.rule_id == id)
        .unwrap()
}

fn unworked_m2(plan: &BlockPlan, reason: UnworkedReason) -> f64 {
    let shapes = plan.unworked.iter().filter(|u| u.reason == reason);
    shapes
        .map(|u| geos(std::slice::from_ref(&u.shape)).area())
        .fold(0.0, |sum, m2| sum + m2)
}

fn assert_balanced(plan: &BlockPlan) {
    let books = &plan.books;
    let sum = books.reserve_m2 + books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((books.gross_m2 - sum).abs() < 0.5, "{books:?}");
}

#[test]
fn nothing_is_cut_or_driven_on_cells_beyond_the_limit() {
    let hill = knolls();
    let settings = Settings::default();
    let limit = settings.machine.max_slope;
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &[road()],
        Some(&hill),
        &large_block(),
    )
    .unwrap();
    let steep = cells_of(&hill, &plan, |slope| slope > limit);
    // A built road may be driven whatever the land around it.
    let roads = plan
        .zones
        .iter()
        .filter(|z| z.kind == ZoneKind::RoadClearing);
    let roads = geos(
        &roads
            .flat_map(|zone| zone.shape.0.clone())
            .collect::<Vec<_>>(),
    );
    let off_road = steep.difference(&roads).unwrap();
    let gross = geos(&plan.shape.0);
    let in_block = gross.intersection(&steep).unwrap();
    let share = in_block.area() / gross.area();
    assert!((0.01..0.6).contains(&share), "{share}");
    for strip in &plan.strips {
        let cut = geos(std::slice::from_ref(&strip.shape));
        let over = cut.intersection(&steep).map_or(0.0, |both| both.area());
        assert!(over < ROUNDING, "{:?}: {over} m2", strip.id);
    }
    for line in &plan.lines {
        for way in [Some(&line.shape), line.travel.as_ref()]
            .into_iter()
            .flatten()
        {
            let driven = Geometry::from_wkb(&wkb::write_line(way, [0.0; 2])).unwrap();
            let over = driven
                .intersection(&off_road)
                .map_or(0.0, |both| both.length());
            assert!(over < 0.1, "{:?}: {over} m", line.id);
        }
    }
    let out_m2 = unworked_m2(&plan, UnworkedReason::TooSteep);
    // The road's cleared ground ends below the block, so all steep cells of the block are left out.
    assert!((out_m2 - in_block.area()).abs() < 1.0, "{out_m2}");
    let finding = plan
        .findings
        .iter()
        .find(|f| f.rule_id == "max-slope")
        .unwrap();
    let steepest = hill.0.cells().filter(|(bounds, _)| {
        bounds.max.x > 0.0 && bounds.min.x < 600.0 && bounds.max.y > 0.0 && bounds.min.y < 450.0
    });
    let steepest = steepest.filter_map(|(_, g)| Some(g?.slope()));
    let steepest = steepest.fold(0.0, f64::max);
    assert_eq!(finding.measured, Some(steepest));
    assert_eq!(
        (finding.required, finding.verdict),
        (Some(limit), Verdict::Warn)
    );
    assert!(finding.source.contains("SF-02") && finding.shape.is_some());
    let row = row(&plan, "max-slope");
    assert_eq!(row.status, Verdict::Pass, "{row:?}");
    assert!(row.measured.unwrap() <= limit && row.measured.unwrap() > limit / 2.0);
    assert_balanced(&plan);
}

/// A machine follows a line, not a staircase of cells.
#[test]
fn the_edge_of_steep_ground_has_no_steps() {
    let hill = knolls();
    let settings = Settings::default();
    let block = large_block();
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &[road()],
        Some(&hill),
        &block,
    )
    .unwrap();
    let of = |reason: UnworkedReason| -> Vec<Polygon> {
        let left = plan.unworked.iter().filter(|left| left.reason == reason);
        left.map(|left| left.shape.clone()).collect()
    };
    let (steep, edge) = (of(UnworkedReason::TooSteep), of(UnworkedReason::SteepEdge));
    assert!(!edge.is_empty());
    let edges = geos(&edge);
    let near = geos(&steep).buffer(CELL_M + ROUNDING, 16).unwrap();
    assert!(edges.difference(&near).unwrap().area() < ROUNDING);
    let beyond = cells_of(&hill, &plan, |slope| slope > settings.machine.max_slope);
    assert!(edges.intersection(&beyond).map_or(0.0, |both| both.area()) < ROUNDING);
    let finding = plan
        .findings
        .iter()
        .find(|f| f.rule_id == "max-slope")
        .unwrap();
    let told = format!("and {:.2} ha beside them", edges.area() / 10_000.0);
    assert!(
        finding.message.contains(&told),
        "{told}: {}",
        finding.message
    );
    // Corners of the outlines, but for those on the block's own edge.
    let bounds = Bounds::of_polygons(&plan.shape);
    let corners = |left: &[Polygon]| -> usize {
        let whole = union(left);
        let each = whole.0.iter().flat_map(rings).map(|ring| {
            let open = &ring.0[..ring.0.len() - 1];
            let turns = |at: &usize| {
                let (a, b, c) = (
                    open[(at + open.len() - 1) % open.len()],
                    open[*at],
                    open[(at + 1) % open.len()],
                );
                let (u, v) = (b - a, c - b);
                let inside = b.x > bounds.min.x + 1.0
                    && b.x < bounds.max.x - 1.0
                    && b.y > bounds.min.y + 1.0
                    && b.y < bounds.max.y - 1.0;
                inside && (u.x * v.y - u.y * v.x).abs() > 0.05 * u.x.hypot(u.y) * v.x.hypot(v.y)
            };
            (0..open.len()).filter(turns).count()
        });
        each.sum()
    };
    let both = [steep.clone(), edge.clone()].concat();
    let (before, after) = (corners(&steep), corners(&both));
    println!("{before} corners, {after} without steps");
    assert!(
        after * 10 < before * 7,
        "{before} corners, {after} without steps"
    );
    assert_balanced(&plan);
}

#[test]
fn ground_beyond_the_night_limit_is_cut_by_day_only() {
    let hill = knolls();
    let mut settings = Settings::default();
    settings.machine.night_slope = 0.25;
    // No other reason may hide the slope's.
    settings.layout.edge_distance_m = 0.0;
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &[road()],
        Some(&hill),
        &large_block(),
    )
    .unwrap();
    let steep = cells_of(&hill, &plan, |slope| slope > 0.25);
    let (mut steep_m2, mut night_m2) = (0.0, 0.0);
    for section in &plan.sections {
        let shape = geos(&section.shape.0);
        let over = shape.intersection(&steep).map_or(0.0, |both| both.area());
        match section.shift_class {
            ShiftClass::NightSafe => {
                assert!(over < ROUNDING, "{:?}: {over} m2", section.id);
                night_m2 += shape.area();
            }
            ShiftClass::DayOnly if section.reasons.contains(&DayReason::Steep) => {
                assert!(over > 0.0, "{:?} is not steep", section.id);
                steep_m2 += over;
            }
            ShiftClass::DayOnly => {}
        }
    }
    assert!(
        steep_m2 > 1000.0 && night_m2 > 10_000.0,
        "{steep_m2} {night_m2}"
    );
}

#[test]
fn the_slope_across_the_track_is_exact_on_a_plane() {
    // Rises 0.2 to the east and 0.1 to the north.
    let hill = hill(|x, y| 0.2 * x + 0.1 * y);
    let mut source = large_block();
    source.azimuth_deg = Some(30.0);
    let settings = Settings::default();
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &[road()],
        Some(&hill),
        &source,
    )
    .unwrap();
    let mut seen = 0;
    for line in plan
        .lines
        .iter()
        .filter(|line| line.kind == StripKind::Interior)
    {
        let (sin, cos) = 30f64.to_radians().sin_cos();
        let expected = (0.2 * cos - 0.1 * sin).abs();
        let found = line.cross_slope.unwrap();
        assert!((found - expected).abs() < 1e-5, "{found} {expected}");
        seen += 1;
    }
    assert!(seen > 10);
    for line in plan
        .lines
        .iter()
        .filter(|line| line.kind == StripKind::BoundaryPass)
    {
        assert!(line.cross_slope.unwrap() <= 0.2f64.hypot(0.1) + 1e-6);
    }
    // Without a terrain nothing is said of it.
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &[road()], &source).unwrap();
    assert!(plan.lines.iter().all(|line| line.cross_slope.is_none()));
    assert_eq!(row(&plan, "max-slope").status, Verdict::Unknown);
}

#[test]
fn strips_turn_up_the_slope_as_far_as_the_cross_slope_counts() {
    // The slope line runs at 50 degrees; the road lies south, so square to it is 0.
    let (sin, cos) = 50f64.to_radians().sin_cos();
    let hill = hill(|x, y| 0.25 * (x * sin + y * cos));
    let azimuth = |factor: f64, terrain: bool| {
        let mut settings = Settings::default();
        settings.production.cross_slope_factor = factor;
        let terrain = terrain.then_some(&hill as &dyn blockwright::landbase::SlopeSource);
        let plan = lay_out_on(
            ENGINES,
            &settings,
            &rules(0.1),
            &[road()],
            terrain,
            &large_block(),
        );
        plan.unwrap().azimuth_deg.unwrap()
    };
    let off = |azimuth_deg: f64| {
        let off = (azimuth_deg - 50.0).rem_euclid(180.0);
        off.min(180.0 - off)
    };
    let (plain, none, strong) = (azimuth(1.0, false), azimuth(0.0, true), azimuth(50.0, true));
    assert_eq!(plain, none);
    assert!(off(none) > 30.0, "{none}");
    assert!(off(strong) < 5.0, "{strong}");
}

#[test]
fn steep_classes_are_left_out_where_the_terrain_knows_nothing() {
    let class = |slope: f64, shape: Polygon| Feature {
        slope: Some(slope),
        ..feature(
            LayerKind::SlopeClasses,
            None,
            None,
            Shape::Polygons(MultiPolygon(vec![shape])),
        )
    };
    let classes = [
        road(),
        class(0.20, rectangle(-200.0, -200.0, 800.0, 300.0)),
        class(0.60, rectangle(-200.0, 300.0, 800.0, 800.0)),
    ];
    let settings = Settings::default();
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &classes, &large_block()).unwrap();
    let out_m2 = unworked_m2(&plan, UnworkedReason::TooSteep);
    assert!((out_m2 - 600.0 * 150.0).abs() < 1.0, "{out_m2}");
    assert_eq!(row(&plan, "max-slope").measured, Some(0.20));
    assert_eq!(row(&plan, "max-slope").status, Verdict::Pass);
    assert_balanced(&plan);
    // A level terrain that ends at x = 300 has the last word on its own ground: its last column has no neighbours.
    let level = hill(|x, _| if x < 300.0 { 5.0 } else { f64::NAN });
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &classes,
        Some(&level),
        &large_block(),
    )
    .unwrap();
    let out_m2 = unworked_m2(&plan, UnworkedReason::TooSteep);
    assert!((out_m2 - (600.0 - 290.0) * 150.0).abs() < 1.0, "{out_m2}");
    assert_balanced(&plan);
}

#[test]
fn ground_of_unknown_slope_is_cut_by_day_only_and_said_once() {
    let half = hill(|x, _| if x < 300.0 { 5.0 } else { f64::NAN });
    let plan = lay_out_on(
        ENGINES,
        &Settings::default(),
        &rules(0.1),
        &[road()],
        Some(&half),
        &large_block(),
    )
    .unwrap();
    assert_eq!(unworked_m2(&plan, UnworkedReason::TooSteep), 0.0);
    let unknown = |f: &&Finding| f.verdict == Verdict::Unknown && f.unit == "ha";
    let found: Vec<&Finding> = plan.findings.iter().filter(unknown).collect();
    assert_eq!(found.len(), 1);
    assert!(
        (found[0].measured.unwrap() - 31.0 * 0.45).abs() < 1e-3,
        "{:?}",
        found[0].measured
    );
    assert_eq!(row(&plan, "max-slope").status, Verdict::Unknown);
    let dark = rectangle(290.0, 0.0, 600.0, 450.0);
    let dark = blockwright::geometry::frame::map_polygon(&dark, |c| Coord {
        x: c.x - plan.origin()[0],
        y: c.y - plan.origin()[1],
    });
    let dark = geos(&[dark]);
    for section in plan
        .sections
        .iter()
        .filter(|s| s.shift_class == ShiftClass::NightSafe)
    {
        let over = geos(&section.shape.0)
            .intersection(&dark)
            .map_or(0.0, |both| both.area());
        assert!(over < ROUNDING, "{:?}: {over}", section.id);
    }
    let driven: f64 = plan.lines.iter().map(|line| length(&line.shape)).sum();
    assert!(driven > 5_000.0);
    assert_balanced(&plan);
}

#[test]
fn a_line_over_steep_ground_fails_and_one_on_a_road_does_not() {
    // A bank across the block's middle, steeper than any limit.
    let hill = hill(|_, y| y.clamp(200.0, 260.0));
    let settings = Settings::default();
    let rules = rules(0.1);
    let through = feature(
        LayerKind::Roads,
        None,
        Some(12.0),
        line(&[(305.0, -50.0), (305.0, 500.0)]),
    );
    let features = [road(), through];
    let source = large_block();
    let mut plan = lay_out_on(ENGINES, &settings, &rules, &features, Some(&hill), &source).unwrap();
    assert_eq!(row(&plan, "max-slope").status, Verdict::Pass);
    let on_road = plan
        .lines
        .iter()
        .filter(|line| line.kind == StripKind::RoadClearing);
    let y = |c: &Coord| c.y + plan.origin()[1];
    assert!(on_road.into_iter().any(|line| {
        let ys = || line.shape.0.iter().map(y);
        ys().fold(f64::INFINITY, f64::min) < 190.0 && ys().fold(0.0, f64::max) > 270.0
    }));
    // The same plan with one strip driven on over the bank.
    let line = plan
        .lines
        .iter_mut()
        .find(|line| line.kind == StripKind::Interior)
        .unwrap();
    let x = line.shape.0[0].x;
    line.shape = geo::LineString::from(vec![(x, -200.0), (x, 200.0)]);
    plan.compliance.clear();
    in_memory::in_context(
        ENGINES,
        &settings,
        &rules,
        &features,
        Some(&hill),
        |context| {
            blockwright::compliance::judge(context, &source, &mut plan);
        },
    );
    let row = row(&plan, "max-slope");
    assert_eq!(row.status, Verdict::Fail);
    assert!((row.measured.unwrap() - 1.0).abs() < 1e-6);
    assert_eq!(plan.status, BlockStatus::Fail);
}
