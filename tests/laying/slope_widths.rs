//! Distances that follow the slope: each sampled place on a bank against the ground that is cut, measured by GEOS.

use crate::in_memory;
use crate::measured;
use crate::size;

use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, rings};
use blockwright::geometry::terrain::{self, SlopeGrid, Terrain};
use blockwright::geometry::wkb;
use blockwright::landbase::{STEP_M, SlopeGround, SlopeRun, SlopeSource};
use blockwright::layout::LayoutError;
use blockwright::model::*;
use blockwright::rulebook::{
    Citation, Condition, Distance, Limit, MeasuredFrom, Range, ReadStatus, Rulebook, SlopeClass,
    Test, Unit, Width, Widths,
};
use gdal::vector::Geometry;
use geo::{Coord, LineString, MultiLineString, MultiPolygon, Point, Polygon};
use in_memory::*;
use proptest::prelude::*;

/// Square cells in the work CRS, row by row from the lower left; None: unknown.
#[derive(Clone, Debug)]
struct Cells {
    corner: Coord,
    side_m: f64,
    columns: usize,
    slopes: Vec<Option<f64>>,
}

impl Cells {
    fn at(&self, p: Coord) -> Option<f64> {
        let (column, row) = (
            ((p.x - self.corner.x) / self.side_m).floor(),
            ((p.y - self.corner.y) / self.side_m).floor(),
        );
        let inside = column >= 0.0 && row >= 0.0 && column < self.columns as f64;
        inside
            .then(|| {
                self.slopes
                    .get(row as usize * self.columns + column as usize)
            })?
            .copied()?
    }
}

impl SlopeGround for &Cells {
    fn cells(&self, window: &Bounds) -> Vec<(Bounds, Option<f64>)> {
        let cells = self.slopes.iter().enumerate().map(|(index, slope)| {
            let (column, row) = (index % self.columns, index / self.columns);
            let min = Coord {
                x: self.corner.x + column as f64 * self.side_m,
                y: self.corner.y + row as f64 * self.side_m,
            };
            let max = Coord {
                x: min.x + self.side_m,
                y: min.y + self.side_m,
            };
            (Bounds { min, max }, *slope)
        });
        cells.filter(|(bounds, _)| bounds.meets(window)).collect()
    }

    fn runs(&self, a: Coord, b: Coord) -> Vec<SlopeRun> {
        let d = b - a;
        let mut cuts = vec![0.0, 1.0];
        for (from, step, corner) in [(a.x, d.x, self.corner.x), (a.y, d.y, self.corner.y)] {
            let place = |t: f64| (from + t * step - corner) / self.side_m;
            let (low, high) = (place(0.0).min(place(1.0)), place(0.0).max(place(1.0)));
            let lines = low.ceil() as i64..=high.floor() as i64;
            cuts.extend(
                lines.filter(|_| step != 0.0).map(|line| {
                    ((corner + line as f64 * self.side_m - from) / step).clamp(0.0, 1.0)
                }),
            );
        }
        cuts.sort_by(f64::total_cmp);
        cuts.windows(2)
            .map(|w| SlopeRun {
                from: w[0],
                to: w[1],
                slope: self.at(a + d * ((w[0] + w[1]) / 2.0)),
            })
            .collect()
    }
}

impl SlopeSource for Cells {
    fn window(&self, _: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String> {
        Ok(Some(Box::new(self)))
    }
}

struct Unreadable;

impl SlopeSource for Unreadable {
    fn window(&self, _: &Bounds) -> Result<Option<Box<dyn SlopeGround + '_>>, String> {
        Err("dem.tif: block 3 cannot be read".to_owned())
    }
}

fn slopes(low: Option<(f64, bool)>, high: Option<(f64, bool)>) -> Range {
    let limit = |(value, included)| Limit { value, included };
    Range {
        low: low.map(limit),
        high: high.map(limit),
    }
}

/// `low_m` below 35 %, `high_m` from 35 % on.
fn by_slope(low_m: f64, high_m: f64) -> Width {
    Width::BySlope(vec![
        SlopeClass {
            slope: slopes(None, Some((0.35, false))),
            width_m: low_m,
        },
        SlopeClass {
            slope: slopes(Some((0.35, true)), None),
            width_m: high_m,
        },
    ])
}

const GENTLE_M: f64 = 15.24;
const STEEP_M: f64 = 30.48;

/// 50 ft and two feet more for each percent above 10 %, at most 230 ft, along the ground.
fn formula() -> Width {
    Width::Formula {
        base_m: 15.24,
        from_slope: 0.10,
        per_slope_m: 60.96,
        most_m: 70.104,
    }
}

/// The complete preset, with `change` made to the line of an id.
fn changed(id: &str, change: impl FnOnce(&mut blockwright::rulebook::RuleLine)) -> Rulebook {
    let mut rules = rules(0.0);
    let line = rules.lines.iter_mut().find(|line| line.id == id);
    change(line.expect("the preset has the line"));
    rules
}

fn montana() -> Rulebook {
    changed("stream-s2", |line| {
        line.reserve = by_slope(GENTLE_M, STEEP_M);
        line.management = Width::Metres(0.0);
    })
}

fn slope_class(slope: f64, shape: Polygon) -> Feature {
    let shape = Shape::Polygons(MultiPolygon(vec![shape]));
    Feature {
        slope: Some(slope),
        id: format!("up to {slope}"),
        ..feature(LayerKind::SlopeClasses, None, None, shape)
    }
}

/// A machine that no slope here stops, so that the widths alone decide.
fn any_slope() -> Settings {
    let mut settings = Settings::default();
    settings.machine.max_slope = 10.0;
    settings.machine.night_slope = 10.0;
    settings
}

fn stream(points: &[(f64, f64)]) -> Feature {
    feature(LayerKind::Streams, Some("S2"), Some(8.0), line(points))
}

fn large_block() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 0.0, 800.0, 500.0)]))
}

/// West of x = 400 up to 20 %, east of it up to `east`.
fn two_classes(east: f64) -> [Feature; 2] {
    [
        slope_class(0.20, rectangle(-500.0, -500.0, 400.0, 1000.0)),
        slope_class(east, rectangle(400.0, -500.0, 1500.0, 1000.0)),
    ]
}

fn geos(polygons: &MultiPolygon) -> Geometry {
    Geometry::from_wkb(&wkb::write_multi_polygon(polygons, [0.0; 2])).unwrap()
}

/// What is cut, for GEOS to measure from.
struct CutGround {
    strips: Vec<Geometry>,
    boxes: measured::Boxes,
    origin: Coord,
}

impl CutGround {
    fn of(plan: &BlockPlan) -> CutGround {
        let strip = |strip: &Strip| geos(&MultiPolygon(vec![strip.shape.clone()]));
        let strips: Vec<Geometry> = plan.strips.iter().map(strip).collect();
        CutGround {
            boxes: measured::Boxes::of(&strips),
            strips,
            origin: Coord {
                x: plan.origin()[0],
                y: plan.origin()[1],
            },
        }
    }

    /// Distance from a place in the work CRS to anything cut, if below `within_m`.
    fn distance(&self, place: Coord, within_m: f64) -> Option<f64> {
        let local = place - self.origin;
        let point =
            Geometry::from_wkt(&format!("POINT ({:.17} {:.17})", local.x, local.y)).unwrap();
        let near = self.boxes.near(&point, within_m).into_iter();
        near.map(|at| measured::distance(&point, &self.strips[at]))
            .reduce(f64::min)
            .filter(|&distance| distance < within_m)
    }
}

/// Places along lines, rings or points, every `step_m` and at each corner.
fn samples(shape: &Shape, step_m: f64) -> Vec<Coord> {
    let along = |line: &LineString| -> Vec<Coord> {
        let pairs = line.0.windows(2).flat_map(|w| {
            let d = w[1] - w[0];
            let count = (d.x.hypot(d.y) / step_m).ceil().max(1.0) as usize;
            (0..=count).map(move |k| w[0] + d * (k as f64 / count as f64))
        });
        pairs.collect()
    };
    match shape {
        Shape::Points(points) => points.0.iter().map(|point| point.0).collect(),
        Shape::Lines(lines) => lines.0.iter().flat_map(along).collect(),
        Shape::Polygons(polygons) => polygons.0.iter().flat_map(rings).flat_map(along).collect(),
    }
}

/// Asserts that nothing is cut nearer to any place of an edge than `required` there says; returns how many places
/// something was cut near, and by how much the nearest cut lies beyond the requirement, by place.
fn never_short(
    plan: &BlockPlan,
    shape: &Shape,
    half_m: f64,
    required: impl Fn(Coord) -> f64,
) -> Result<Vec<(Coord, f64)>, TestCaseError> {
    let cut = CutGround::of(plan);
    let mut spare = Vec::new();
    for place in samples(shape, 1.0) {
        let required_m = half_m + required(place);
        if let Some(distance_m) = cut.distance(place, required_m + 5.0) {
            prop_assert!(
                distance_m >= required_m - 0.001,
                "{distance_m} m at {place:?}, {required_m} m required"
            );
            spare.push((place, distance_m - required_m));
        }
    }
    Ok(spare)
}

fn row<'p>(plan: &'p BlockPlan, id: &str) -> &'p ComplianceRow {
    let row = plan.compliance.iter().find(|row| row.rule_id == id);
    row.unwrap_or_else(|| panic!("no row {id}: {:?}", plan.compliance))
}

fn zones(plan: &BlockPlan, kind: ZoneKind, layer: &str) -> Vec<Zone> {
    let zones = plan.zones.iter();
    zones
        .filter(|zone| zone.kind == kind && zone.source_layer == layer)
        .cloned()
        .collect()
}

#[test]
fn a_stream_across_a_border_of_slope_classes_keeps_each_sides_width() {
    let settings = any_slope();
    for points in [
        [(-100.0, 250.0), (900.0, 250.0)],
        [(-100.0, 60.0), (900.0, 430.0)],
        [(200.0, -100.0), (600.0, 600.0)],
    ] {
        let mut features = vec![stream(&points)];
        features.extend(two_classes(0.45));
        let block = large_block();
        let plan = lay_out(ENGINES, &settings, &montana(), &features, &block).unwrap();
        // The border itself belongs to the steeper side.
        let required = |p: Coord| if p.x >= 400.0 { STEEP_M } else { GENTLE_M };
        let spare = never_short(&plan, &features[0].shape, 4.0, required).unwrap();
        // Well away from the border nothing more is kept than the certificate allows.
        let away = |at: &&(Coord, f64)| (at.0.x - 400.0).abs() > 60.0;
        let wide = spare
            .iter()
            .filter(away)
            .filter(|(p, beyond_m)| *beyond_m > 0.001 * (4.0 + required(*p)) + 0.001);
        let ends = |p: Coord| !(100.0..=700.0).contains(&p.x) || !(40.0..=460.0).contains(&p.y);
        let wide: Vec<_> = wide.filter(|(p, _)| !ends(*p)).collect();
        assert_eq!(wide, Vec::<&(Coord, f64)>::new());
        assert!(spare.iter().filter(away).count() > 100);
        let row = row(&plan, "reserve:stream-s2");
        assert_eq!(row.status, Verdict::Pass);
        let widths: Vec<f64> = zones(&plan, ZoneKind::Reserve, "streams")
            .iter()
            .map(|zone| zone.width_m)
            .collect();
        assert_eq!(widths, [GENTLE_M, STEEP_M]);
        assert!(!plan.findings.iter().any(|f| f.rule_id == "stream-s2"));
    }
}

#[test]
fn a_limit_hit_exactly_is_on_its_printed_side() {
    let settings = any_slope();
    let below = 0.35f64.next_down();
    for (east, expected_m) in [(0.35, STEEP_M), (below, GENTLE_M)] {
        let mut features = vec![stream(&[(-100.0, 250.0), (900.0, 250.0)])];
        features.extend(two_classes(east));
        let plan = lay_out(ENGINES, &settings, &montana(), &features, &large_block()).unwrap();
        let cut = CutGround::of(&plan);
        let east = Coord { x: 600.0, y: 250.0 };
        let distance_m = cut.distance(east, 60.0).unwrap();
        let exact_m = 4.0 + expected_m;
        assert!(
            (exact_m - 0.001..exact_m * 1.001).contains(&distance_m),
            "{distance_m}"
        );
    }
    // The same limit from cells, whose slope is that of the ground itself.
    for (slope, expected_m) in [(0.35, STEEP_M), (below, GENTLE_M)] {
        let cells = Cells {
            corner: Coord {
                x: -200.0,
                y: -200.0,
            },
            side_m: 2000.0,
            columns: 1,
            slopes: vec![Some(slope)],
        };
        let features = [stream(&[(-100.0, 250.0), (900.0, 250.0)])];
        let block = large_block();
        let plan = lay_out_on(
            ENGINES,
            &settings,
            &montana(),
            &features,
            Some(&cells),
            &block,
        )
        .unwrap();
        let middle = Coord { x: 600.0, y: 250.0 };
        let distance_m = CutGround::of(&plan).distance(middle, 60.0).unwrap();
        let exact_m = 4.0 + expected_m;
        assert!(
            (exact_m - 0.001..exact_m * 1.001).contains(&distance_m),
            "{distance_m}"
        );
    }
}

/// Cells of 20 m whose slope rises from nothing in the west by two percent a column.
fn rising() -> Cells {
    let columns = 60;
    let slope = |index: usize| Some((index % columns) as f64 * 0.02);
    Cells {
        corner: Coord {
            x: -200.0,
            y: -300.0,
        },
        side_m: 20.0,
        columns,
        slopes: (0..columns * 60).map(slope).collect(),
    }
}

#[test]
fn a_formula_along_the_ground_is_kept_cell_by_cell_and_rounded_up_by_at_most_a_step() {
    let rules = changed("stream-s2", |line| {
        line.reserve = formula();
        line.management = Width::Metres(0.0);
        line.distance = Distance::Slope;
    });
    let rule = rules
        .lines
        .iter()
        .find(|line| line.id == "stream-s2")
        .unwrap();
    let settings = any_slope();
    let cells = rising();
    let features = [stream(&[(-100.0, 240.0), (300.0, 255.0), (900.0, 250.0)])];
    let block = large_block();
    let plan = lay_out_on(ENGINES, &settings, &rules, &features, Some(&cells), &block).unwrap();
    let required = |p: Coord| rule.widths(cells.at(p)).reserve_m;
    let spare = never_short(&plan, &features[0].shape, 4.0, required).unwrap();
    // The width grows by some 1.2 m a column; next to a wider column the wider one decides.
    let column_west = |p: Coord| Coord {
        x: p.x + 20.0,
        y: p.y,
    };
    for (p, beyond_m) in spare.iter().filter(|(p, _)| (60.0..740.0).contains(&p.x)) {
        let wider_m = required(column_west(*p)) - required(*p);
        let allowed_m = wider_m.max(0.0) + STEP_M + 0.08;
        assert!(*beyond_m <= allowed_m, "{beyond_m} m more at {p:?}");
    }
    let reserves = zones(&plan, ZoneKind::Reserve, "streams");
    assert!((10..50).contains(&reserves.len()), "{}", reserves.len());
    assert!(reserves.windows(2).all(|w| w[0].width_m < w[1].width_m));
    let row = row(&plan, "reserve:stream-s2");
    assert_eq!(row.status, Verdict::Pass);
    assert!(row.required.unwrap() < 69.0 && row.measured.unwrap() >= row.required.unwrap());
}

#[test]
fn the_terrain_wins_where_it_has_a_value_and_classes_fill_the_rest() {
    let settings = any_slope();
    // Known only east of x = 600, gentle there; the classes say steep from x = 400 on.
    let cells = Cells {
        corner: Coord {
            x: 600.0,
            y: -1000.0,
        },
        side_m: 2000.0,
        columns: 1,
        slopes: vec![Some(0.1)],
    };
    let mut features = vec![stream(&[(-100.0, 250.0), (900.0, 250.0)])];
    features.extend(two_classes(0.45));
    let block = large_block();
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &montana(),
        &features,
        Some(&cells),
        &block,
    )
    .unwrap();
    let cut = CutGround::of(&plan);
    for (x, expected_m) in [(300.0, GENTLE_M), (500.0, STEEP_M), (700.0, GENTLE_M)] {
        let distance_m = cut.distance(Coord { x, y: 250.0 }, 60.0).unwrap();
        let exact_m = 4.0 + expected_m;
        assert!(
            (exact_m - 0.001..exact_m * 1.001).contains(&distance_m),
            "{distance_m} at {x}"
        );
    }
    // Where classes overlap, the steeper one counts.
    features.push(slope_class(0.6, rectangle(0.0, 0.0, 200.0, 500.0)));
    let plan = lay_out(ENGINES, &settings, &montana(), &features, &block).unwrap();
    let distance_m = CutGround::of(&plan).distance(Coord { x: 100.0, y: 250.0 }, 60.0);
    assert!((distance_m.unwrap() - 4.0 - STEEP_M).abs() < 0.04);
}

/// Elevations held in memory, as a raster would be.
struct Elevations(SlopeGrid);

impl Terrain for Elevations {
    fn window(&self, _: &Bounds) -> Result<Option<SlopeGrid>, String> {
        Ok(Some(self.0.clone()))
    }
}

#[test]
fn elevations_tell_the_slope_cell_by_cell() {
    // Level up to x = 400, then a rise of 45 %, in cells of 10 m.
    let cells = terrain::Cells {
        corner: Coord {
            x: -300.0,
            y: 900.0,
        },
        cell_m: 10.0,
        first_column: 0,
        first_row: 0,
        columns: 150,
        rows: 150,
    };
    let values = (0..150 * 150)
        .map(|index| 0.45 * (f64::from(index % 150) * 10.0 - 295.0 - 400.0).max(0.0))
        .collect();
    let grid = SlopeGrid::from_elevation(&terrain::ElevationGrid { cells, values });
    let features = [stream(&[(-100.0, 240.0), (900.0, 265.0)])];
    let plan = lay_out_on(
        ENGINES,
        &any_slope(),
        &montana(),
        &features,
        Some(&Elevations(grid.clone())),
        &large_block(),
    )
    .unwrap();
    let required = |p: Coord| {
        let slope = grid.at(p).unwrap().slope();
        if slope >= 0.35 { STEEP_M } else { GENTLE_M }
    };
    assert_eq!(
        [390.0, 420.0].map(|x| required(Coord { x, y: 250.0 })),
        [GENTLE_M, STEEP_M]
    );
    let spare = never_short(&plan, &features[0].shape, 4.0, required).unwrap();
    let away = |x: f64| (50.0..340.0).contains(&x) || (470.0..750.0).contains(&x);
    let wide = spare.iter().filter(|(p, _)| away(p.x));
    assert!(wide.clone().count() > 400);
    assert!(wide.clone().all(|(_, beyond_m)| *beyond_m < 0.036));
    assert_eq!(zones(&plan, ZoneKind::Reserve, "streams").len(), 2);
}

#[test]
fn ground_of_unknown_slope_gets_the_widest_and_says_so_once() {
    let settings = any_slope();
    let block = large_block();
    let line = stream(&[(-100.0, 250.0), (300.0, 250.0), (900.0, 250.0)]);
    let said = |plan: &BlockPlan| -> Vec<String> {
        let findings = plan.findings.iter().filter(|f| f.rule_id == "stream-s2");
        findings
            .inspect(|f| assert_eq!(f.verdict, Verdict::Unknown))
            .map(|f| f.message.clone())
            .collect()
    };
    let plan = lay_out(
        ENGINES,
        &settings,
        &montana(),
        std::slice::from_ref(&line),
        &block,
    )
    .unwrap();
    never_short(&plan, &line.shape, 4.0, |_| STEEP_M).unwrap();
    let expected =
        "streams, feature streams 1: no slope is known along it; the widest width stands in";
    assert_eq!(said(&plan), [expected]);
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &montana(),
        std::slice::from_ref(&line),
        Some(&Unreadable),
        &block,
    )
    .unwrap();
    never_short(&plan, &line.shape, 4.0, |_| STEEP_M).unwrap();
    assert_eq!(said(&plan).len(), 1);
    assert!(said(&plan)[0].contains("(dem.tif: block 3 cannot be read)"));
    // Known in the west only.
    let west = two_classes(0.45)[0].clone();
    let plan = lay_out(
        ENGINES,
        &settings,
        &montana(),
        &[line.clone(), west.clone()],
        &block,
    )
    .unwrap();
    let required = |p: Coord| if p.x > 400.0 { STEEP_M } else { GENTLE_M };
    never_short(&plan, &line.shape, 4.0, required).unwrap();
    assert_eq!(said(&plan), [expected]);
    // Unknown ground far from the block decides nothing.
    let far = slope_class(0.1, rectangle(-80.0, -500.0, 880.0, 1000.0));
    let plan = lay_out(ENGINES, &settings, &montana(), &[line, far], &block).unwrap();
    assert_eq!(said(&plan), Vec::<String>::new());
}

#[test]
fn the_check_finds_a_layout_that_ignored_the_slope() {
    let settings = any_slope();
    let mut features = vec![stream(&[(-100.0, 250.0), (900.0, 250.0)])];
    features.extend(two_classes(0.45));
    let block = large_block();
    let narrow = changed("stream-s2", |line| {
        line.reserve = Width::Metres(GENTLE_M);
        line.management = Width::Metres(0.0);
    });
    let mut plan = lay_out(ENGINES, &settings, &narrow, &features, &block).unwrap();
    assert_eq!(row(&plan, "reserve:stream-s2").status, Verdict::Pass);
    plan.compliance.clear();
    let strict = montana();
    in_context(ENGINES, &settings, &strict, &features, None, |context| {
        compliance::judge(context, &block, &mut plan);
    });
    let row = row(&plan, "reserve:stream-s2");
    assert_eq!((row.status, row.required), (Verdict::Fail, Some(STEEP_M)));
    assert!((row.measured.unwrap() - GENTLE_M).abs() < 0.03, "{row:?}");
}

#[test]
fn machines_keep_off_as_far_as_the_slope_asks() {
    let rules = changed("stream-s2", |line| {
        line.reserve = Width::Metres(5.0);
        line.management = Width::Metres(0.0);
        line.machine_exclusion = by_slope(GENTLE_M, STEEP_M);
    });
    let mut features = vec![stream(&[(-100.0, 250.0), (900.0, 250.0)])];
    features.extend(two_classes(0.45));
    let plan = lay_out(ENGINES, &any_slope(), &rules, &features, &large_block()).unwrap();
    let widths: Vec<f64> = zones(&plan, ZoneKind::MachineExclusion, "streams")
        .iter()
        .map(|zone| zone.width_m)
        .collect();
    assert_eq!(widths, [GENTLE_M, STEEP_M]);
    assert_eq!(zones(&plan, ZoneKind::Reserve, "streams").len(), 1);
    assert_eq!(
        row(&plan, "machine-exclusion:stream-s2").status,
        Verdict::Pass
    );
    let east = LineString::from(vec![(400.0, 250.0), (900.0, 250.0)]);
    let origin = plan.origin();
    let east = Geometry::from_wkb(&wkb::write_multi_line(
        &MultiLineString(vec![east]),
        [-origin[0], -origin[1]],
    ))
    .unwrap();
    for driven in &plan.lines {
        let driven = MultiLineString(vec![driven.shape.clone()]);
        let driven = Geometry::from_wkb(&wkb::write_multi_line(&driven, [0.0; 2])).unwrap();
        assert!(measured::distance(&driven, &east) >= 4.0 + STEEP_M - 0.001);
    }
}

#[test]
fn a_retained_band_takes_the_same_part_of_each_sides_management_zone() {
    let rules = changed("stream-s2", |line| {
        line.reserve = Width::Metres(10.0);
        line.management = by_slope(20.0, 40.0);
        line.management_share = 0.5;
        line.share_citation = None;
    });
    let mut features = vec![stream(&[(-100.0, 250.0), (900.0, 250.0)])];
    features.extend(two_classes(0.45));
    let plan = lay_out(ENGINES, &any_slope(), &rules, &features, &large_block()).unwrap();
    let row = row(&plan, "management-share:stream-s2");
    assert_eq!(row.status, Verdict::Pass);
    // No more than is owed.
    assert!(row.measured.unwrap() < 0.502, "{row:?}");
    let bands = geos(&plan.retained_bands);
    // From the middle line outwards: reserve, then band.
    let depth_m = |x: f64| {
        let x = x - plan.origin()[0];
        let across = Geometry::from_wkt(&format!("LINESTRING ({x} 0, {x} 200)")).unwrap();
        let crossing = measured::intersection(&across, &bands);
        crossing.envelope().MaxY - crossing.envelope().MinY
    };
    let (gentle_m, steep_m) = (depth_m(200.0), depth_m(600.0));
    assert!(
        (steep_m / gentle_m - 2.0).abs() < 0.02,
        "{gentle_m} and {steep_m} m"
    );
    assert!((gentle_m - 10.0).abs() < 0.5, "{gentle_m} m");
    let widths: Vec<f64> = zones(&plan, ZoneKind::Management, "streams")
        .iter()
        .map(|zone| zone.width_m)
        .collect();
    assert_eq!(widths, [20.0, 40.0]);
    // The band is said to be as wide as its widest part.
    let band = &zones(&plan, ZoneKind::RetainedBand, "streams")[0];
    assert!((band.width_m - steep_m).abs() < 0.5, "{}", band.width_m);
    assert_eq!(self::row(&plan, "areas-balance").status, Verdict::Pass);
    // The books, which take their figures from the layout, against GEOS.
    let corridors = plan.corridors.iter().map(|corridor| corridor.shape.clone());
    let retained_m2 = geos(&MultiPolygon(corridors.collect())).area() + bands.area();
    let books = &plan.books;
    assert!(bands.area() > 1000.0);
    assert!((books.retained_m2 - retained_m2).abs() < 0.1, "{books:?}");
    let sum_m2 = books.reserve_m2 + books.retained_m2 + books.cut_m2 + books.unworked_m2;
    assert!((sum_m2 - books.gross_m2).abs() < 1.0, "{books:?}");
}

#[test]
fn a_lake_keeps_the_width_of_each_shore() {
    let rules = changed("lake-l1-b", |line| {
        line.reserve = by_slope(GENTLE_M, STEEP_M);
        line.management = Width::Metres(0.0);
    });
    let class = rules
        .lines
        .iter()
        .find(|line| line.id == "lake-l1-b")
        .unwrap();
    let mut lake = rectangle(330.0, 180.0, 470.0, 330.0);
    lake.interiors_push(ring(&[
        (360.0, 220.0),
        (360.0, 290.0),
        (450.0, 290.0),
        (450.0, 220.0),
    ]));
    let shape = Shape::Polygons(MultiPolygon(vec![lake]));
    let mut features = vec![feature(LayerKind::Lakes, Some(&class.class), None, shape)];
    features.extend(two_classes(0.45));
    let plan = lay_out(ENGINES, &any_slope(), &rules, &features, &large_block()).unwrap();
    // Nor does the certificate ask for the widest distance everywhere.
    assert_eq!(plan.certificate.fault, None);
    let required = |p: Coord| if p.x >= 400.0 { STEEP_M } else { GENTLE_M };
    let spare = never_short(&plan, &features[0].shape, 0.0, required).unwrap();
    let west = |p: Coord| (p.x - 330.0).abs() < 1e-9 && (200.0..310.0).contains(&p.y);
    let least = |side: &dyn Fn(Coord) -> bool| {
        let there = spare.iter().filter(|(p, _)| side(*p)).map(|(_, m)| *m);
        there.fold(f64::NEG_INFINITY, f64::max)
    };
    assert!((-0.001..0.02).contains(&least(&west)), "{}", least(&west));
    let east = |p: Coord| (p.x - 470.0).abs() < 1e-9;
    assert!((-0.001..0.04).contains(&least(&east)), "{}", least(&east));
    assert_eq!(
        row(&plan, &format!("reserve:{}", class.id)).status,
        Verdict::Pass
    );
    let reserves = zones(&plan, ZoneKind::Reserve, "lakes");
    assert_eq!(reserves.len(), 2);
}

#[test]
fn trees_are_left_beside_a_designated_road_and_nothing_fronts_on_it() {
    let mut rules = rules(0.0);
    let mut corridor = rules.lines[0].clone();
    corridor.id = "road-designated".to_owned();
    corridor.kind = LayerKind::Roads;
    corridor.class = "designated".to_owned();
    corridor.reserve = Width::Metres(20.0);
    corridor.management = Width::Metres(0.0);
    corridor.when = vec![];
    rules.lines.push(corridor);
    let mut plain = rules.lines.last().unwrap().clone();
    plain.id = "road-plain".to_owned();
    plain.class = "plain".to_owned();
    plain.reserve = Width::Metres(0.0);
    rules.lines.push(plain);
    let road = |class: &str, y: f64| Feature {
        id: class.to_owned(),
        ..feature(
            LayerKind::Roads,
            Some(class),
            Some(10.0),
            line(&[(-100.0, y), (900.0, y)]),
        )
    };
    let mut settings = any_slope();
    settings.layout.without_access = true;
    let designated = road("designated", 250.0);
    let plan = lay_out(
        ENGINES,
        &settings,
        &rules,
        std::slice::from_ref(&designated),
        &large_block(),
    )
    .unwrap();
    let spare = never_short(&plan, &designated.shape, 5.0, |_| 20.0).unwrap();
    // At the block's ends the nearest ground beside the road may lie outside.
    let within = spare.iter().filter(|(p, _)| (0.0..=800.0).contains(&p.x));
    let wide = within.clone().filter(|(_, beyond_m)| *beyond_m > 0.026);
    assert_eq!((wide.count(), within.count() > 500), (0, true));
    assert_eq!(zones(&plan, ZoneKind::Reserve, "roads")[0].width_m, 20.0);
    for kind in [ZoneKind::RoadBand, ZoneKind::RoadClearing] {
        assert!(zones(&plan, kind, "roads").is_empty());
    }
    assert!(
        plan.strips
            .iter()
            .all(|strip| strip.kind != StripKind::RoadClearing)
    );
    assert!(plan.parts.iter().all(|part| part.no_frontage));
    let row = row(&plan, "reserve:road-designated");
    assert_eq!((row.status, row.required), (Verdict::Pass, Some(20.0)));
    assert_eq!(self::row(&plan, "road-band").status, Verdict::NotApplicable);
    // A road whose rule asks for nothing stays a road, beside the other one and alone.
    let both = [designated, road("plain", 5.0)];
    let plan = lay_out(ENGINES, &settings, &rules, &both, &large_block()).unwrap();
    never_short(&plan, &both[0].shape, 5.0, |_| 20.0).unwrap();
    assert!(!zones(&plan, ZoneKind::RoadClearing, "roads").is_empty());
    let south = plan.parts.iter().filter(|part| !part.no_frontage).count();
    // What lies behind the reserve of the other one is cut off.
    assert_eq!((plan.parts.len(), south), (1, 1));
    let cut_off = |u: &Unworked| u.reason == UnworkedReason::CutOff;
    assert!(plan.unworked.iter().any(cut_off));
    assert!(
        !plan
            .compliance
            .iter()
            .any(|row| row.rule_id == "reserve:road-plain")
    );
}

#[test]
fn a_hazard_keeps_what_its_rule_asks() {
    let mut rules = rules(0.0);
    let mut hazard = rules.lines[0].clone();
    hazard.id = "hazard-break".to_owned();
    hazard.kind = LayerKind::Hazards;
    hazard.class = "break".to_owned();
    hazard.reserve = by_slope(3.0, 12.0);
    hazard.management = Width::Metres(0.0);
    hazard.machine_exclusion = Width::Metres(10.0);
    rules.lines.push(hazard);
    let shape = line(&[(-100.0, 250.0), (900.0, 250.0)]);
    let mut features = vec![feature(LayerKind::Hazards, Some("break"), None, shape)];
    features.extend(two_classes(0.45));
    let plan = lay_out(ENGINES, &any_slope(), &rules, &features, &large_block()).unwrap();
    let required = |p: Coord| if p.x >= 400.0 { 12.0 } else { 3.0 };
    never_short(&plan, &features[0].shape, 0.0, required).unwrap();
    assert_eq!(row(&plan, "reserve:hazard-break").status, Verdict::Pass);
    assert_eq!(
        row(&plan, "machine-exclusion:hazard-break").status,
        Verdict::Pass
    );
    assert_eq!(zones(&plan, ZoneKind::Hazard, "hazards").len(), 1);
    assert_eq!(zones(&plan, ZoneKind::Reserve, "hazards").len(), 2);
}

#[test]
fn what_the_class_rests_on_is_said() {
    let defined = |rules: &mut Rulebook, id: &str, low: f64, high: f64| {
        let line = rules.lines.iter_mut().find(|line| line.id == id).unwrap();
        line.when = vec![Condition {
            fact: "channel".to_owned(),
            test: Test::Range {
                range: slopes(Some((low, false)), Some((high, true))),
                unit: Unit::Metre,
            },
        }];
    };
    let mut rules = rules(0.0);
    defined(&mut rules, "stream-s2", 5.0, 20.0);
    defined(&mut rules, "stream-s3", 1.5, 5.0);
    for line in &mut rules.lines {
        if line.id == "stream-s3" {
            line.measured_from = MeasuredFrom::StandEdge;
            line.management_share = 0.25;
            line.share_citation = Some(Citation {
                text: "BC-20: shares".to_owned(),
                status: ReadStatus::FromMemory,
            });
        }
    }
    let mut given = stream(&[(-100.0, 250.0), (900.0, 250.0)]);
    given.class = Some("S3".to_owned());
    given.width_m = Some(7.0);
    given.facts.offer("channel", Fact::Number(7.0));
    let lay = |feature: &Feature| {
        let features = std::slice::from_ref(feature);
        lay_out(ENGINES, &any_slope(), &rules, features, &large_block()).unwrap()
    };
    let plan = lay(&given);
    let said: Vec<(Verdict, &str)> = plan
        .findings
        .iter()
        .filter(|f| f.rule_id == "stream-s3")
        .map(|f| (f.verdict, f.message.split_once(": ").unwrap().1))
        .collect();
    assert_eq!(
        said,
        [
            (
                Verdict::Warn,
                "class S3 is given, but its channel of 7 m makes it S2 by the rulebook's own definition; the class given stands"
            ),
            (
                Verdict::Warn,
                "where the first trees stand is not known: measured from the bank"
            ),
            (
                Verdict::Warn,
                "the share of the management zone of class S3, 25 %, is known from memory only"
            ),
        ]
    );
    assert_eq!(zones(&plan, ZoneKind::Reserve, "streams")[0].class, "S3");
    // Without a class of its own it is S2, and zones say so; nothing is in doubt.
    given.class = None;
    let plan = lay(&given);
    assert_eq!(zones(&plan, ZoneKind::Reserve, "streams")[0].class, "S2");
    assert!(
        !plan
            .findings
            .iter()
            .any(|f| f.rule_id.starts_with("stream"))
    );
}

/// Ground and a feature on it, anywhere.
#[derive(Clone, Debug)]
struct Case {
    feature: Feature,
    half_m: f64,
    classes: Vec<Feature>,
    cells: Option<Cells>,
    rules: Rulebook,
    line: &'static str,
}

fn blob(middle: (f64, f64), least: f64, most: f64) -> impl Strategy<Value = Polygon> {
    prop::collection::vec(least..most, 5..16).prop_map(move |radii| {
        let step = std::f64::consts::TAU / radii.len() as f64;
        let corner = |(at, radius): (usize, &f64)| {
            let (sin, cos) = (at as f64 * step).sin_cos();
            (middle.0 + radius * cos, middle.1 + radius * sin)
        };
        let corners: Vec<(f64, f64)> = radii.iter().enumerate().map(corner).collect();
        Polygon::new(ring(&corners), vec![])
    })
}

fn any_classes() -> impl Strategy<Value = Vec<Feature>> {
    let slope = prop::sample::select(vec![0.0, 0.12, 0.25, 0.3499, 0.35, 0.5, 0.9]);
    let place = (-300.0..300.0f64, -300.0..300.0f64);
    let one = (blob((0.0, 0.0), 30.0, 350.0), slope, place).prop_map(|(shape, slope, (x, y))| {
        let shape = blockwright::geometry::frame::map_polygon(&shape, |c| c + Coord { x, y });
        slope_class(slope, shape)
    });
    // One class everywhere below the others, now and then.
    let base = prop::option::of(Just(slope_class(0.2, rectangle(-2e3, -2e3, 2e3, 2e3))));
    (base, prop::collection::vec(one, 0..5)).prop_map(|(base, mut classes)| {
        classes.extend(base);
        classes
    })
}

fn any_cells() -> impl Strategy<Value = Cells> {
    let slope =
        prop_oneof![1 => Just(None), 6 => (0.0..1.2f64).prop_map(Some), 2 => Just(Some(0.35))];
    (
        prop::collection::vec(slope, 24 * 24),
        8.0..60.0f64,
        -300.0..0.0f64,
    )
        .prop_map(|(slopes, side_m, corner)| Cells {
            corner: Coord {
                x: corner,
                y: corner + 3.7,
            },
            side_m,
            columns: 24,
            slopes,
        })
}

fn any_rules(line: &'static str) -> impl Strategy<Value = Rulebook> {
    let table = |low, middle, high| {
        let class = |slope, width_m| SlopeClass { slope, width_m };
        Width::BySlope(vec![
            class(slopes(None, Some((0.15, false))), low),
            class(slopes(Some((0.15, true)), Some((0.35, true))), middle),
            class(slopes(Some((0.35, false)), None), high),
        ])
    };
    let width = prop_oneof![
        Just(by_slope(GENTLE_M, STEEP_M)),
        Just(formula()),
        Just(Width::Metres(20.0)),
        // Wider on gentle ground, as no code has it, and in the middle.
        (0.0..40.0f64, 0.0..40.0f64, 0.0..40.0f64).prop_map(move |(a, b, c)| table(a, b, c)),
    ];
    (
        width.clone(),
        width.clone(),
        width,
        any::<bool>(),
        any::<bool>(),
    )
        .prop_map(move |(reserve, management, exclusion, along, managed)| {
            changed(line, |line| {
                line.reserve = reserve;
                line.management = if managed {
                    management
                } else {
                    Width::Metres(0.0)
                };
                line.management_share = if managed { 0.3 } else { 0.0 };
                line.machine_exclusion = exclusion;
                line.distance = if along {
                    Distance::Slope
                } else {
                    Distance::Horizontal
                };
            })
        })
}

fn any_stream() -> impl Strategy<Value = Feature> {
    (
        0.0..std::f64::consts::TAU,
        -150.0..150.0f64,
        prop::collection::vec(-60.0..60.0f64, 2..9),
    )
        .prop_map(|(angle, aside, bends)| {
            let (sin, cos) = angle.sin_cos();
            let last = (bends.len() - 1) as f64;
            let corner = |(at, bend): (usize, &f64)| {
                let (x, y) = (-500.0 + 1000.0 * at as f64 / last, aside + bend);
                (x * cos - y * sin, x * sin + y * cos)
            };
            let points: Vec<(f64, f64)> = bends.iter().enumerate().map(corner).collect();
            stream(&points)
        })
}

fn any_case() -> impl Strategy<Value = Case> {
    let lake = blob((20.0, -30.0), 15.0, 130.0).prop_map(|shape| {
        let shape = Shape::Polygons(MultiPolygon(vec![shape]));
        feature(LayerKind::Lakes, Some("L1-B"), None, shape)
    });
    let springs =
        prop::collection::vec((-200.0..200.0f64, -200.0..200.0f64), 1..5).prop_map(|at| {
            let points = at.into_iter().map(|(x, y)| Point::new(x, y)).collect();
            feature(LayerKind::Streams, Some("S2"), None, Shape::Points(points))
        });
    let water = prop_oneof![
        4 => (any_stream(), any_rules("stream-s2")).prop_map(|(f, r)| (f, 4.0, "stream-s2", r)),
        3 => (lake, any_rules("lake-l1-b")).prop_map(|(f, r)| (f, 0.0, "lake-l1-b", r)),
        1 => (springs, any_rules("stream-s2")).prop_map(|(f, r)| (f, 0.0, "stream-s2", r)),
    ];
    (water, any_classes(), prop::option::of(any_cells())).prop_map(
        |((feature, half_m, line, rules), classes, cells)| Case {
            feature,
            half_m,
            classes,
            cells,
            rules,
            line,
        },
    )
}

/// What is required at a place, by way of GEOS and by trying out every slope of a class.
fn required(case: &Case, classes: &[(f64, Geometry)], p: Coord) -> f64 {
    let rule = case
        .rules
        .lines
        .iter()
        .find(|line| line.id == case.line)
        .unwrap();
    let reserve = |widths: Widths| widths.reserve_m;
    if let Some(slope) = case.cells.as_ref().and_then(|cells| cells.at(p)) {
        return reserve(rule.widths(Some(slope)));
    }
    let point = Geometry::from_wkt(&format!("POINT ({:.17} {:.17})", p.x, p.y)).unwrap();
    let steepest = classes
        .iter()
        .filter(|(_, shape)| measured::distance(shape, &point) < 1e-9)
        .map(|(slope, _)| *slope)
        .reduce(f64::max);
    let Some(steepest) = steepest else {
        return reserve(rule.widest());
    };
    (0..=400)
        .map(|k| reserve(rule.widths(Some(steepest * f64::from(k) / 400.0))))
        .fold(0.0, f64::max)
}

/// 32 cases, a part of them, or as many as asked for.
fn config() -> ProptestConfig {
    let wish = std::env::var("BLOCKWRIGHT_CASES").ok();
    let wish = wish.and_then(|text| text.parse().ok());
    ProptestConfig {
        cases: wish.unwrap_or(size::of(8, 32) as u32),
        max_shrink_iters: 100,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn no_bank_comes_out_short_whatever_the_ground(case in any_case()) {
        let block = block(MultiPolygon(vec![rectangle(-220.0, -220.0, 220.0, 220.0)]));
        let mut features = vec![case.feature.clone()];
        features.extend(case.classes.iter().cloned());
        let terrain = case.cells.as_ref().map(|cells| cells as &dyn SlopeSource);
        let laid = lay_out_on(ENGINES, &any_slope(), &case.rules, &features, terrain, &block);
        let plan = match laid {
            Ok(plan) => plan,
            Err(LayoutError::NothingLeft { .. }) => return Ok(()),
            Err(error) => return Err(TestCaseError::fail(error.to_string())),
        };
        let classes: Vec<(f64, Geometry)> = case
            .classes
            .iter()
            .map(|class| match &class.shape {
                Shape::Polygons(polygons) => (class.slope.unwrap(), geos(polygons)),
                _ => unreachable!("classes are polygons"),
            })
            .collect();
        never_short(&plan, &case.feature.shape, case.half_m, |p| required(&case, &classes, p))?;
        for row in &plan.compliance {
            let checked = row.rule_id.starts_with("reserve:")
                || row.rule_id.starts_with("management-share:")
                || row.rule_id.starts_with("machine-exclusion:")
                || ["areas-balance", "inside-block"].contains(&row.rule_id.as_str());
            prop_assert!(!checked || row.status != Verdict::Fail, "{:?}", row);
        }
    }
}
