//! What is called night-safe: distances by `geo`, areas by GEOS, of shapes whose answer is known beforehand.

use crate::in_memory;

use std::collections::BTreeSet;

use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area};
use blockwright::geometry::frame::{map_line, map_polygons};
use blockwright::geometry::terrain::{Cells, ElevationGrid, SlopeGrid, Terrain};
use blockwright::geometry::wkb;
use blockwright::model::*;
use gdal::vector::Geometry;
use geo::{Coord, Distance, Euclidean, LineString, MultiPolygon, Polygon};
use in_memory::*;

const LEVEL: &str = "drawn level for this test";

fn level() -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some(LEVEL.to_owned());
    settings
}

fn polygons(kind: LayerKind, class: Option<&str>, shape: Polygon) -> Feature {
    feature(
        kind,
        class,
        None,
        Shape::Polygons(MultiPolygon(vec![shape])),
    )
}

fn road(points: &[(f64, f64)]) -> Feature {
    feature(LayerKind::Roads, None, Some(8.0), line(points))
}

/// 500 m by 400 m, with the road along its south side just outside.
fn square() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 0.0, 500.0, 400.0)]))
}

fn beside() -> Feature {
    road(&[(-50.0, -6.0), (550.0, -6.0)])
}

fn of_class(plan: &BlockPlan, class: ShiftClass) -> impl Iterator<Item = &Section> {
    let sections = plan.sections.iter();
    sections.filter(move |section| section.shift_class == class)
}

fn night(plan: &BlockPlan) -> Vec<&Section> {
    of_class(plan, ShiftClass::NightSafe).collect()
}

fn world(plan: &BlockPlan) -> impl Fn(Coord) -> Coord + use<> {
    let [x, y] = plan.origin();
    move |c| Coord {
        x: c.x + x,
        y: c.y + y,
    }
}

fn geos(polygons: &[Polygon]) -> Geometry {
    let polygons = MultiPolygon(polygons.to_vec());
    Geometry::from_wkb(&wkb::write_multi_polygon(&polygons, [0.0; 2])).unwrap()
}

fn shared_m2(a: &MultiPolygon, b: &Polygon) -> f64 {
    let both = geos(&a.0).intersection(&geos(std::slice::from_ref(b)));
    both.map_or(0.0, |both| both.area())
}

fn row<'p>(plan: &'p BlockPlan, id: &str) -> Option<&'p ComplianceRow> {
    plan.compliance.iter().find(|row| row.rule_id == id)
}

fn reasons(plan: &BlockPlan) -> BTreeSet<DayReason> {
    let reasons = plan.sections.iter().flat_map(|section| &section.reasons);
    reasons.copied().collect()
}

/// The night rows of a plan with its sections as they are now.
fn judged(
    settings: &Settings,
    features: &[Feature],
    source: &SourceBlock,
    plan: &BlockPlan,
) -> BlockPlan {
    let mut plan = plan.clone();
    plan.compliance.clear();
    in_context(ENGINES, settings, &rules(0.1), features, None, |context| {
        compliance::judge(context, source, &mut plan);
    });
    plan
}

#[test]
fn ground_of_which_nobody_knows_the_slope_is_cut_by_day_and_said_once() {
    let features = [beside(), road(&[(250.0, -6.0), (250.0, 450.0)])];
    let settings = Settings::default();
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &features, &square()).unwrap();
    for section in &plan.sections {
        let unknown = section.reasons.contains(&DayReason::UnknownSlope);
        assert_eq!(unknown, section.id.part > 0, "{:?}", section.id);
    }
    // A road is built, so it may be cleared by night where nothing else speaks against it.
    assert!(night(&plan).iter().all(|section| section.id.part == 0));
    assert!(!night(&plan).is_empty());
    let said = plan.findings.iter().filter(|f| f.rule_id == "max-slope");
    let said: Vec<&Finding> = said.collect();
    assert_eq!(said.len(), 1);
    assert_eq!(said[0].verdict, Verdict::Unknown);
    // All of the block but the road's 8 m.
    let ha = said[0].measured.unwrap();
    assert!((ha - (20.0 - 0.8 * 0.4)).abs() < 0.01, "{ha}");
    assert_eq!(row(&plan, "max-slope").unwrap().status, Verdict::Unknown);
    let measured = plan.slopes_measured();
    assert!(measured.unknown && measured.driven.is_none() && measured.by_night.is_none());

    let plan = lay_out(ENGINES, &level(), &rules(0.1), &features, &square()).unwrap();
    assert!(night(&plan).iter().any(|section| section.id.part > 0));
    assert!(!reasons(&plan).contains(&DayReason::UnknownSlope));
    assert!(!plan.findings.iter().any(|f| f.rule_id == "max-slope"));
    for id in ["max-slope", "night-slope"] {
        let row = row(&plan, id).unwrap();
        assert_eq!((row.status, row.measured), (Verdict::Pass, None), "{id}");
        assert!(row.source.contains(LEVEL), "{}", row.source);
    }
}

#[test]
fn what_makes_a_strip_day_only_makes_road_clearing_day_only() {
    // Through the block from south to north; its clearing has 8 m by 400 m.
    let through = road(&[(250.0, -50.0), (250.0, 450.0)]);
    let power = feature(
        LayerKind::Hazards,
        None,
        None,
        line(&[(-50.0, 90.0), (550.0, 90.0)]),
    );
    let brush = rectangle(240.0, 200.0, 251.0, 230.0);
    let soft = rectangle(253.0, 300.0, 300.0, 320.0);
    let features = [
        through,
        power,
        polygons(LayerKind::Brush, None, brush.clone()),
        polygons(LayerKind::SoftGround, None, soft.clone()),
    ];
    let plan = lay_out(ENGINES, &level(), &rules(0.0), &features, &square()).unwrap();
    let clearing: Vec<&Section> = plan.sections.iter().filter(|s| s.id.part == 0).collect();
    let whole: f64 = clearing.iter().map(|section| area(&section.shape)).sum();
    assert!((3200.0..3205.0).contains(&whole), "{whole}");
    let world = world(&plan);
    let mut night_m2 = 0.0;
    for section in &clearing {
        let shape = map_polygons(&section.shape, &world);
        let [low, high] = [
            Bounds::of_polygons(&shape).min.y,
            Bounds::of_polygons(&shape).max.y,
        ];
        if section.shift_class == ShiftClass::DayOnly {
            continue;
        }
        night_m2 += area(&shape);
        let on = shared_m2(&shape, &brush) + shared_m2(&shape, &soft);
        assert!(on < 0.01, "{on} m2 of brush or soft ground by night");
        assert!(low - 90.0 >= 60.0 - 0.001, "{low} m is near the power line");
        assert!(high <= 400.0 - 14.9, "{high} m is at the boundary");
    }
    // By hand: from 150 to 200, 230 to 300 and 320 to 385, less steps of up to 5 m at six ends.
    assert!((155.0..=185.0).contains(&(night_m2 / 8.0)), "{night_m2}");
    let seen: BTreeSet<DayReason> = clearing.iter().flat_map(|s| s.reasons.clone()).collect();
    assert_eq!(
        seen,
        BTreeSet::from([
            DayReason::NearBoundary,
            DayReason::Brush,
            DayReason::SoftGround,
            DayReason::Hazard,
            // From the boundary's 15 m to the power line's 60 m are 15 m.
            DayReason::ShortStretch,
        ])
    );
    // In the direction of travel, day and night by turns.
    assert!(
        clearing
            .windows(2)
            .all(|w| w[0].shift_class != w[1].shift_class)
    );
    let numbers: Vec<u32> = clearing.iter().map(|section| section.section_no).collect();
    assert_eq!(numbers, (1..=numbers.len() as u32).collect::<Vec<_>>());
    let driven = plan.lines.iter().filter(|line| line.id.part == 0);
    assert!(driven.count() > 0);
}

#[test]
fn night_work_keeps_off_edges_beside_which_no_boundary_pass_lies() {
    // A lake of 10 m reserve reaches to the road in the south, where no boundary pass is laid.
    let lake = rectangle(200.0, 20.0, 320.0, 120.0);
    let features = [
        beside(),
        polygons(LayerKind::Lakes, Some("L1-B"), lake.clone()),
    ];
    for pass in [true, false] {
        let mut settings = level();
        settings.layout.boundary_pass = pass;
        settings.layout.azimuth = Azimuth::Degrees(0.0);
        let plan = lay_out(ENGINES, &settings, &rules(0.1), &features, &square()).unwrap();
        let outline = rectangle(0.0, 0.0, 500.0, 400.0).exterior().clone();
        let world = world(&plan);
        let reserve = plan
            .zones
            .iter()
            .find(|zone| zone.kind == ZoneKind::Reserve);
        let reserve_m = reserve.unwrap().width_m;
        assert!(reserve_m > 5.0);
        for section in night(&plan) {
            for polygon in &map_polygons(&section.shape, &world).0 {
                let edge_m = Euclidean.distance(polygon, &outline);
                let lake_m = Euclidean.distance(polygon, &lake) - reserve_m;
                assert!(
                    edge_m >= 14.9,
                    "{:?}: {edge_m} m to the boundary",
                    section.id
                );
                assert!(
                    lake_m >= 14.9,
                    "{:?}: {lake_m} m to the reserve",
                    section.id
                );
            }
        }
        assert!(night(&plan).len() > 5);
        let seen = reasons(&plan);
        assert!(seen.contains(&DayReason::NearBoundary) && seen.contains(&DayReason::NearReserve));
        let row = row(&plan, "night-edge").unwrap();
        assert_eq!(
            (row.status, row.required),
            (Verdict::Pass, Some(15.0)),
            "{row:?}"
        );
        // Mouths are cut off where the rule says, not a strip's length later.
        let mouth = of_class(&plan, ShiftClass::DayOnly)
            .filter(|s| s.reasons == [DayReason::NearBoundary] && s.id.strip_no > 0)
            .map(|s| Bounds::of_polygons(&map_polygons(&s.shape, &world)))
            .filter(|bounds| bounds.min.y < 1.0)
            .map(|bounds| bounds.max.y)
            .fold(0.0, f64::max);
        assert!(!pass || (14.9..15.3).contains(&mouth), "{mouth}");
    }
}

/// A corner of the boundary comes near a road through the block: the pass between them ends in a point there.
#[test]
fn a_pass_pinched_between_boundary_and_road_keeps_nobody_off_the_line() {
    let mut pinched = 0;
    for gap_m in [0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0] {
        for rise_m in [10.0, 60.0] {
            // Cleared ground beside the road begins at x = 246.
            let tip_m = 246.0 - gap_m;
            let outline = [
                (0.0, 0.0),
                (500.0, 0.0),
                (500.0, 400.0),
                (0.0, 400.0),
                (0.0, 260.0),
                (tip_m, 200.0),
                (tip_m - 12.0, 200.0 - rise_m),
                (0.0, 120.0),
            ];
            let block = block(MultiPolygon(vec![Polygon::new(ring(&outline), vec![])]));
            let through = road(&[(250.0, -50.0), (250.0, 450.0)]);
            let plan = lay_out(ENGINES, &level(), &rules(0.0), &[through], &block).unwrap();
            let row = row(&plan, "night-edge").unwrap();
            assert_eq!(row.status, Verdict::Pass, "{gap_m} m, {rise_m} m: {row:?}");
            let near = Coord { x: tip_m, y: 200.0 };
            let world = world(&plan);
            let off_m = |section: &&Section| {
                let shape = map_polygons(&section.shape, &world);
                Euclidean.distance(&geo::Point(near), &shape)
            };
            let least_m = night(&plan).iter().map(off_m).fold(f64::INFINITY, f64::min);
            assert!(gap_m >= 2.0 || least_m >= 14.0, "{gap_m} m: {least_m} m");
            pinched += usize::from(gap_m < 2.0);
        }
    }
    assert_eq!(pinched, 6);
}

#[test]
fn a_wider_distance_than_the_pass_holds_beyond_the_pass() {
    let mut settings = level();
    settings.layout.edge_distance_m = 40.0;
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &[beside()], &square()).unwrap();
    let outline = rectangle(0.0, 0.0, 500.0, 400.0).exterior().clone();
    let world = world(&plan);
    for section in night(&plan) {
        for polygon in &map_polygons(&section.shape, &world).0 {
            assert!(Euclidean.distance(polygon, &outline) >= 39.9);
        }
    }
    assert!(!night(&plan).is_empty());
}

struct Hill(SlopeGrid);

impl Terrain for Hill {
    fn window(&self, bounds: &Bounds) -> Result<Option<SlopeGrid>, String> {
        Ok(self.0.bounds().meets(bounds).then(|| self.0.clone()))
    }
}

/// A bank of 80 % across the block from y = 160 to 200, level ground to both sides.
fn bank() -> Hill {
    let cells = Cells {
        corner: Coord {
            x: -100.0,
            y: 600.0,
        },
        cell_m: 10.0,
        first_column: 0,
        first_row: 0,
        columns: 80,
        rows: 70,
    };
    let values = (0..80 * 70).map(|i| {
        let y = 595.0 - f64::from(i / 80) * 10.0;
        0.8 * y.clamp(160.0, 200.0)
    });
    let values = values.collect();
    Hill(SlopeGrid::from_elevation(&ElevationGrid { cells, values }))
}

#[test]
fn beside_ground_that_is_too_steep_the_reason_says_so() {
    let hill = bank();
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    let plan = lay_out_on(
        ENGINES,
        &settings,
        &rules(0.1),
        &[beside()],
        Some(&hill),
        &square(),
    );
    let plan = plan.unwrap();
    let seen = reasons(&plan);
    assert!(seen.contains(&DayReason::NearTooSteep));
    assert!(!seen.contains(&DayReason::NearReserve), "{seen:?}");
    let steep: Vec<&Polygon> = (plan.unworked.iter())
        .filter(|unworked| unworked.reason == UnworkedReason::TooSteep)
        .map(|unworked| &unworked.shape)
        .collect();
    assert!(!steep.is_empty());
    for section in night(&plan) {
        for polygon in &section.shape.0 {
            for steep in &steep {
                let away_m = Euclidean.distance(polygon, *steep);
                assert!(away_m >= 14.9, "{:?}: {away_m}", section.id);
            }
        }
    }
    assert!(!night(&plan).is_empty());
    // What sheets and report print is what was measured, not the limit.
    let measured = plan.slopes_measured();
    // By hand: of the row of cells below the bank, (132 - 128) / 20; of the rows away from it, nothing.
    assert!(
        (measured.driven.unwrap() - 0.2).abs() < 1e-6,
        "{measured:?}"
    );
    assert_eq!(measured.by_night, Some(0.0));
    assert!(!measured.unknown);
}

/// Sections that a layout made day-only are called night-safe by hand, one reason at a time: the check must notice each.
#[test]
fn the_check_of_night_safe_ground_notices_what_is_not() {
    let features = [
        beside(),
        feature(
            LayerKind::Hazards,
            None,
            None,
            line(&[(-50.0, 300.0), (550.0, 300.0)]),
        ),
        polygons(
            LayerKind::Brush,
            None,
            rectangle(100.0, 100.0, 160.0, 150.0),
        ),
        polygons(
            LayerKind::SoftGround,
            None,
            rectangle(300.0, 100.0, 360.0, 150.0),
        ),
        polygons(
            LayerKind::Lakes,
            Some("L1-B"),
            rectangle(400.0, 20.0, 450.0, 60.0),
        ),
    ];
    let (settings, source) = (level(), square());
    let plan = lay_out(ENGINES, &settings, &rules(0.1), &features, &source).unwrap();
    let ids = ["night-slope", "night-hazard", "night-ground", "night-edge"];
    for id in ids {
        assert_eq!(row(&plan, id).unwrap().status, Verdict::Pass, "{id}");
    }
    for (reason, id) in [
        (DayReason::NearBoundary, "night-edge"),
        (DayReason::NearReserve, "night-edge"),
        (DayReason::Brush, "night-ground"),
        (DayReason::SoftGround, "night-ground"),
        (DayReason::Hazard, "night-hazard"),
    ] {
        let mut wrong = plan.clone();
        let section = (wrong.sections.iter_mut())
            .find(|s| {
                let edges = [DayReason::NearBoundary, DayReason::NearReserve];
                let only =
                    |r: &DayReason| *r == reason || (edges.contains(r) && edges.contains(&reason));
                s.id.strip_no > 0 && s.reasons.contains(&reason) && s.reasons.iter().all(only)
            })
            .unwrap_or_else(|| panic!("no section for {reason:?} alone"));
        section.shift_class = ShiftClass::NightSafe;
        section.reasons.clear();
        let wrong = judged(&settings, &features, &source, &wrong);
        for other in ids {
            let expected = if other == id {
                Verdict::Fail
            } else {
                Verdict::Pass
            };
            assert_eq!(
                row(&wrong, other).unwrap().status,
                expected,
                "{reason:?} {other}"
            );
        }
        assert_eq!(wrong.status, BlockStatus::Fail);
    }
    // Nobody's word for the ground being level: all night-safe strips are on ground of unknown slope.
    let wrong = judged(&Settings::default(), &features, &source, &plan);
    assert_eq!(row(&wrong, "night-slope").unwrap().status, Verdict::Fail);
}

#[test]
fn a_pass_says_where_more_than_its_edge_is_against_the_dark() {
    let features = [
        beside(),
        feature(
            LayerKind::Hazards,
            None,
            None,
            line(&[(-50.0, 420.0), (550.0, 420.0)]),
        ),
    ];
    let plan = lay_out(ENGINES, &level(), &rules(0.1), &features, &square()).unwrap();
    let pass = |section: &&Section| section.reasons.contains(&DayReason::BoundaryPass);
    let (near, far): (Vec<&Section>, Vec<&Section>) = (plan.sections.iter())
        .filter(pass)
        .partition(|section| section.reasons.contains(&DayReason::Hazard));
    assert!(!near.is_empty() && !far.is_empty());
    let power = LineString::from(vec![(-50.0, 420.0), (550.0, 420.0)]);
    let local = |c: Coord| Coord {
        x: c.x - plan.origin()[0],
        y: c.y - plan.origin()[1],
    };
    let power = map_line(&power, local);
    for section in far {
        assert_eq!(section.shift_class, ShiftClass::DayOnly);
        for polygon in &section.shape.0 {
            assert!(Euclidean.distance(polygon, &power) >= 60.0 - 0.001);
        }
    }
}
