//! Figures that can be worked out by hand, each with the row of the list of published check values it comes from.

use crate::in_memory;

use std::f64::consts::PI;

use blockwright::compliance;
use blockwright::engines::{ENGINES, GeosEngine};
use blockwright::geometry::area::{Bounds, area, polygon_area};
use blockwright::geometry::buffer::{Engine, Engines, GeoEngine, LONG_SHARE, Source, certified};
use blockwright::geometry::distance::{SegmentIndex, point_segment};
use blockwright::geometry::frame::map_polygon;
use blockwright::model::*;
use blockwright::project;
use blockwright::sources::crs::{Transform, WorkCrs, parse_crs};
use geo::{Coord, LineString, MultiLineString, MultiPolygon};
use in_memory::*;

const BOTH: [&dyn Engine; 2] = [&GeosEngine, &GeoEngine];

fn near(found: f64, expected: f64, within: f64, what: &str) {
    assert!(
        (found - expected).abs() <= within,
        "{what}: {found}, expected {expected} within {within}"
    );
}

fn straight() -> Source {
    let points = vec![(0.0, 0.0), (1000.0, 0.0)];
    Source::Lines(MultiLineString(vec![LineString::from(points)]))
}

fn rectangle_400_250() -> Source {
    Source::Polygons(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 250.0)]))
}

#[test]
fn ge_04_a_buffered_point_is_a_regular_polygon() {
    let published = [
        (4, 0.974_495_36),
        (8, 0.993_586_85),
        (16, 0.998_394_39),
        (32, 0.999_598_45),
        (64, 0.999_899_60),
    ];
    for engine in BOTH {
        for (quarter, share) in published {
            let point = Source::Points(vec![Coord { x: 3.0, y: -7.0 }]);
            let drawn = area(&engine.buffer(&point, 20.0, quarter).unwrap());
            near(drawn / (PI * 400.0), share, 1e-8, engine.name());
        }
    }
}

#[test]
fn ge_05_and_ge_06_a_buffered_line() {
    // GE-05: round ends 2rL + pi r2, L 1000 m, r 30 m; flat ends leave the 60 000 m2 beside the line.
    const EXACT_M2: f64 = 62_827.433_4;
    near(
        2.0 * 30.0 * 1000.0 + PI * 900.0,
        EXACT_M2,
        1e-4,
        "the formula",
    );
    // GE-06: arcs of 8, 16 and 64 pieces per quarter.
    for (quarter, published_m2) in [(8, 62_809.300_6), (16, 62_822.893_6), (64, 62_827.149_5)] {
        let drawn = area(&GeosEngine.buffer(&straight(), 30.0, quarter).unwrap());
        near(drawn, published_m2, 1e-3, "geos");
        // The other engine may take steps of up to 1.5 times the angle, never coarser, and stays inscribed.
        let other = area(&GeoEngine.buffer(&straight(), 30.0, quarter).unwrap());
        let step = 1.5 * PI / (2.0 * f64::from(quarter));
        let coarsest = 60_000.0 + PI * 900.0 * step.sin() / step;
        assert!(
            (coarsest - 1e-3..=EXACT_M2 + 1e-3).contains(&other),
            "geo, {quarter}: {other} m2"
        );
    }
}

#[test]
fn ge_05_a_certified_buffer_is_never_short_and_at_most_a_thousandth_long() {
    for engines in [ENGINES, Engines::pure()] {
        let drawn = area(&certified(engines, &straight(), 30.0).unwrap().shape);
        let longest_m = 30.0 * (1.0 + LONG_SHARE);
        let largest = 2.0 * longest_m * 1000.0 + PI * longest_m * longest_m;
        assert!((62_827.433_4..=largest).contains(&drawn), "{drawn} m2");
    }
}

/// What the machine can reach from its way is never drawn too large, and too small by the hundredth that GEOS may add.
#[test]
fn ge_05_ground_within_a_distance_lies_within_it() {
    const EXACT_M2: f64 = 62_827.433_4;
    // Of a very dense way the vertices are thinned out first.
    for count in [2, 20_000] {
        let at = |k: i32| (1000.0 * f64::from(k) / f64::from(count), 0.0);
        let way = LineString::from((0..=count).map(at).collect::<Vec<_>>());
        let way = MultiLineString(vec![way]);
        let index = SegmentIndex::of_lines(&way);
        for engines in [ENGINES, Engines::pure()] {
            let drawn = engines.within(&way, 30.0);
            for &corner in &drawn.0[0].exterior().0 {
                let off_m = index.distance(corner, f64::MAX / 4.0).unwrap();
                assert!(off_m <= 30.0 + 1e-6, "{off_m} m");
            }
            let drawn_m2 = area(&drawn);
            let least_m2 = 0.98 * EXACT_M2;
            assert!((least_m2..=EXACT_M2).contains(&drawn_m2), "{drawn_m2} m2");
        }
    }
}

/// The widest rule stands in for the one that nobody knows, and holding it proves nothing.
#[test]
fn a_stream_of_no_class_takes_the_widest_reserve_and_is_not_said_to_hold() {
    let settings = Settings::default();
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    let judged = |class: Option<&str>| {
        let shape = line(&[(-200.0, 150.0), (600.0, 170.0)]);
        let stream = feature(LayerKind::Streams, class, Some(10.0), shape);
        let features = std::slice::from_ref(&stream);
        let plan = lay_out(ENGINES, &settings, &rules(0.07), features, &block).unwrap();
        let reserves = plan.compliance.into_iter();
        let mut reserves = reserves.filter(|row| row.rule_id.starts_with("reserve:stream"));
        let row = reserves.next().expect("a stream owes a reserve");
        assert_eq!(reserves.count(), 0);
        row
    };
    let (known, unknown) = (judged(Some("S2")), judged(None));
    assert_ne!(known.status, Verdict::Unknown);
    assert_eq!(unknown.status, Verdict::Unknown);
    let widest = rules(0.07).lines.into_iter();
    let widest = widest.filter(|rule| rule.kind == LayerKind::Streams);
    let widest = widest
        .map(|rule| rule.widest().reserve_m)
        .fold(0.0, f64::max);
    assert_eq!(unknown.required, Some(widest));
    assert!(unknown.measured.unwrap() >= widest - 0.001, "{unknown:?}");
}

#[test]
fn ge_07_steiner_formula_for_a_rectangle() {
    // A + P r + pi r2 for 400 m x 250 m and r 20 m.
    const EXACT_M2: f64 = 127_256.637_1;
    near(
        100_000.0 + 1300.0 * 20.0 + PI * 400.0,
        EXACT_M2,
        1e-4,
        "the formula",
    );
    for engine in BOTH {
        let outward = area(&engine.buffer(&rectangle_400_250(), 20.0, 64).unwrap());
        let step = 1.5 * PI / 128.0;
        let coarsest = 126_000.0 + PI * 400.0 * step.sin() / step;
        assert!(
            (coarsest - 1e-3..=EXACT_M2 + 1e-3).contains(&outward),
            "{}: {outward} m2",
            engine.name()
        );
        let inward = area(&engine.buffer(&rectangle_400_250(), -20.0, 64).unwrap());
        near(inward, 75_600.0, 1e-3, engine.name());
    }
    for engines in [ENGINES, Engines::pure()] {
        let drawn = area(
            &certified(engines, &rectangle_400_250(), 20.0)
                .unwrap()
                .shape,
        );
        let longest_m = 20.0 * (1.0 + LONG_SHARE);
        let largest = 100_000.0 + 1300.0 * longest_m + PI * longest_m * longest_m;
        assert!((EXACT_M2..=largest).contains(&drawn), "{drawn} m2");
    }
}

#[test]
fn ge_12_and_ge_16_the_utm_example() {
    let place = Coord { x: -73.5, y: 40.5 };
    let project = |from: &str, to: &str| -> Coord {
        let crs = |text| parse_crs(text, "test").unwrap();
        let mut points = [place];
        assert!(
            Transform::new(&crs(from), &crs(to))
                .unwrap()
                .points(&mut points)
        );
        points[0]
    };
    // Clarke 1866, UTM zone 18: GE-12 as printed, GE-16 to a tenth of a millimetre.
    let clarke = project("EPSG:4267", "EPSG:26718");
    near(clarke.x, 627_106.47, 0.01, "GE-12 easting");
    near(clarke.y, 4_484_124.43, 0.01, "GE-12 northing");
    near(clarke.x, 627_106.467_4, 1e-4, "GE-16 easting, Clarke");
    near(clarke.y, 4_484_124.434_4, 1e-4, "GE-16 northing, Clarke");
    let wgs84 = project("EPSG:4326", "EPSG:32618");
    near(wgs84.x, 627_103.087_3, 1e-4, "GE-16 easting, WGS 84");
    near(wgs84.y, 4_484_335.401_7, 1e-4, "GE-16 northing, WGS 84");
    // GE-12: point scale 0.9997989, the same in every direction.
    let scale = WorkCrs::new("EPSG:26718")
        .unwrap()
        .point_scale(clarke)
        .unwrap();
    near(scale.east, 0.999_798_9, 1e-7, "GE-12 k, east");
    near(scale.north, 0.999_798_9, 1e-7, "GE-12 k, north");
}

#[test]
fn bc_10_the_reserve_of_an_s2_stream_10_m_wide_ends_35_m_from_its_centre_line() {
    let settings = Settings::default();
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    let (from, to) = ((-200.0, 150.0), (600.0, 170.0));
    let stream = feature(
        LayerKind::Streams,
        Some("S2"),
        Some(10.0),
        line(&[from, to]),
    );
    for engines in [ENGINES, Engines::pure()] {
        let plan = lay_out(
            engines,
            &settings,
            &rules(0.07),
            std::slice::from_ref(&stream),
            &block,
        )
        .unwrap();
        let origin = Coord {
            x: plan.origin()[0],
            y: plan.origin()[1],
        };
        let (a, b) = (Coord::from(from) - origin, Coord::from(to) - origin);
        let reserve = plan
            .zones
            .iter()
            .find(|zone| zone.kind == ZoneKind::Reserve)
            .unwrap();
        // BC-03: 30 m from the bank.
        assert_eq!(
            (reserve.width_m, reserve.rule_id.as_str()),
            (30.0, "stream-s2")
        );
        let beside_the_block = |c: &&Coord| (c.x + origin.x - 200.0).abs() < 200.0;
        // Beside a straight line a reserve has corners only where it ends, so its edges are measured as well.
        let ring = &reserve.shape.0[0].exterior().0;
        let steps = ring
            .windows(2)
            .flat_map(|w| (0..=200).map(move |k| w[0] + (w[1] - w[0]) * (f64::from(k) / 200.0)));
        let edge: Vec<Coord> = steps.filter(|c| beside_the_block(&c)).collect();
        assert!(edge.len() > 100);
        for c in edge {
            let distance_m = point_segment(c, a, b);
            assert!(
                (34.9995..=35.035 + 1e-6).contains(&distance_m),
                "{distance_m} m"
            );
        }
        let cut = plan.strips.iter().map(|strip| &strip.shape);
        let nearest = cut.map(|shape| {
            let edges = SegmentIndex::of_boundary(&MultiPolygon(vec![shape.clone()]));
            edges.approach(a, b, 1000.0).unwrap().distance
        });
        let nearest_m = nearest.fold(f64::INFINITY, f64::min);
        assert!(
            (34.999..=35.04).contains(&nearest_m),
            "cut as near as {nearest_m} m"
        );
    }
}

#[test]
fn a_strip_is_twice_reach_less_a_foot_wide() {
    // Common practice: full reach to both sides less 1 ft on each; 2 x (8.7 - 0.3048) = 16.7904 m.
    near(Machine::default().strip_width_m(), 16.790_4, 1e-12, "W");
    let text = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\npreset = \"bare\"\n\
                [machine]\nreach = \"8.7 m\"\nreach_margin = \"1 ft\"\n[layout]\nroad_band = \"150 ft\"\nroad_band_fail = \"100 ft\"\n";
    let settings = project::parse(text, "project.toml".as_ref())
        .unwrap()
        .settings;
    near(
        settings.machine.strip_width_m(),
        16.790_4,
        1e-12,
        "W of a project",
    );
    near(settings.layout.road_band_m, 45.72, 1e-12, "150 ft");
    near(settings.layout.road_band_fail_m, 30.48, 1e-12, "100 ft");
    assert_eq!(settings, Settings::default());
}

/// A block without roads, boundary pass or neighbours, ten whole pitches and half a strip wide, so that one corridor
/// width alone gives the share.
fn comb(strip_m: f64, corridor_m: f64) -> (BlockPlan, f64) {
    const PITCHES: f64 = 10.0;
    const LENGTH_M: f64 = 250.0;
    let width_m = PITCHES * (strip_m + corridor_m) + strip_m / 2.0;
    let mut settings = Settings::default();
    settings.machine.reach_m = strip_m / 2.0 + settings.machine.reach_margin_m;
    settings.layout.boundary_pass = false;
    settings.layout.strips_between_corridors = 1;
    settings.layout.pattern = Pattern::Corridors;
    settings.layout.azimuth = Azimuth::Degrees(0.0);
    let share = PITCHES * corridor_m / width_m;
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, width_m, LENGTH_M)]));
    (
        lay_out(ENGINES, &settings, &rules(share), &[], &block).unwrap(),
        LENGTH_M,
    )
}

#[test]
fn qc_24_and_rt_06_occupancy_is_strip_width_over_spacing() {
    // RT-06: occupancy = w / s. QC-24: s = w / occupancy. Corridors may not be wider than strips, so half at most stands.
    let strip_m = Machine::default().strip_width_m();
    for (strip_m, spacing_m, occupancy) in [
        (4.0, 4.0 / 0.5, 0.5),
        (5.0, 5.0 / 0.6, 0.6),
        (strip_m, strip_m / 0.8, 0.8),
        (strip_m, strip_m / 0.75, 0.75),
    ] {
        let corridor_m = spacing_m - strip_m;
        let (plan, length_m) = comb(strip_m, corridor_m);
        let interior: Vec<Bounds> = plan
            .strips
            .iter()
            .map(|s| Bounds::of(&s.shape.exterior().0))
            .collect();
        assert_eq!((interior.len(), plan.corridors.len()), (11, 10));
        // The first and the last strip may be cut short by the edge, so pitches are taken from right side to right side.
        for pair in interior[..10].windows(2) {
            near(pair[1].max.x - pair[0].max.x, spacing_m, 1e-3, "pitch");
        }
        near(
            interior[5].max.x - interior[5].min.x,
            strip_m,
            1e-6,
            "strip width",
        );
        for corridor in &plan.corridors {
            near(corridor.width_m, corridor_m, 1e-3, "corridor width");
        }
        // Over nine whole pitches.
        let cut: f64 = plan.strips[1..10]
            .iter()
            .map(|strip| polygon_area(&strip.shape))
            .sum();
        near(
            cut / (9.0 * spacing_m * length_m),
            occupancy,
            1e-4,
            "occupancy",
        );
        near(plan.retention_share, plan.required_share, 1e-4, "retention");
    }
}

fn beside_a_road() -> (Vec<Feature>, SourceBlock) {
    let road = feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-100.0, 0.0), (500.0, 0.0)]),
    );
    (
        vec![road],
        block(MultiPolygon(vec![rectangle(0.0, 5.0, 400.0, 405.0)])),
    )
}

#[test]
fn corridors_stop_150_feet_from_the_edge_of_the_road() {
    let (features, block) = beside_a_road();
    let plan = lay_out(
        ENGINES,
        &Settings::default(),
        &rules(0.12),
        &features,
        &block,
    )
    .unwrap();
    assert!(plan.corridors.len() > 2);
    let south_edges = plan
        .corridors
        .iter()
        .map(|c| Bounds::of(&c.shape.exterior().0).min.y + plan.origin()[1]);
    let nearest_m = south_edges.fold(f64::INFINITY, f64::min) - 5.0;
    // 150 ft = 45.72 m from the road's edge, and at most a thousandth of the distance from the centre line more.
    assert!(
        (45.72 - 1e-3..=45.72 + 0.001 * 50.72).contains(&nearest_m),
        "{nearest_m} m"
    );
    let row = plan
        .compliance
        .iter()
        .find(|row| row.rule_id == "road-band")
        .unwrap();
    assert_eq!(
        (row.status, row.required),
        (Verdict::Pass, Some(150.0 * 0.3048))
    );
}

#[test]
fn retention_between_100_and_150_feet_is_a_warning_and_nearer_a_failure() {
    let (features, block) = beside_a_road();
    let (settings, rules) = (Settings::default(), rules(0.12));
    let laid = lay_out(ENGINES, &settings, &rules, &features, &block).unwrap();
    for (feet, expected) in [
        (151.0, Verdict::Pass),
        (149.0, Verdict::Warn),
        (101.0, Verdict::Warn),
        (99.0, Verdict::Fail),
        (10.0, Verdict::Fail),
    ] {
        let mut plan = laid.clone();
        plan.compliance.clear();
        let south = |c: &Corridor| Bounds::of(&c.shape.exterior().0).min.y + laid.origin()[1] - 5.0;
        let moved_m = feet * 0.3048 - south(&plan.corridors[0]);
        plan.corridors[0].shape = map_polygon(&plan.corridors[0].shape, |c| Coord {
            x: c.x,
            y: c.y + moved_m,
        });
        in_context(ENGINES, &settings, &rules, &features, None, |context| {
            compliance::judge(context, &block, &mut plan);
        });
        let row = plan
            .compliance
            .iter()
            .find(|row| row.rule_id == "road-band")
            .unwrap();
        assert_eq!(row.status, expected, "{feet} ft");
        if expected > Verdict::Pass {
            near(
                row.measured.unwrap(),
                feet * 0.3048,
                1e-6,
                "the nearest retention",
            );
        }
    }
}

/// Common practice: near a power line work is done by day, also where the line runs past outside the block. The zone of a
/// line of 600 m is 2 r L + pi r2 (GE-05).
#[test]
fn a_hazard_beside_the_block_asks_for_daylight_in_it() {
    let hazard = line(&[(-20.0, -100.0), (-20.0, 500.0)]);
    let features = [feature(
        LayerKind::Hazards,
        Some("power line"),
        None,
        hazard,
    )];
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("drawn level for this test".to_owned());
    let outline = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 400.0)]));
    let plan = lay_out(ENGINES, &settings, &rules(0.0), &features, &outline).unwrap();
    let r = settings.layout.hazard_distance_m;
    let zones: Vec<&Zone> = plan
        .zones
        .iter()
        .filter(|zone| zone.kind == ZoneKind::Hazard)
        .collect();
    assert_eq!(zones.len(), 1);
    let by_hand = 2.0 * r * 600.0 + PI * r * r;
    near(area(&zones[0].shape), by_hand, 0.001 * by_hand, "zone");
    let (mut day, mut night) = (0, 0);
    for section in &plan.sections {
        let west = Bounds::of_polygons(&section.shape).min.x + plan.origin()[0];
        match section.shift_class {
            ShiftClass::DayOnly => day += 1,
            ShiftClass::NightSafe => {
                night += 1;
                assert!(
                    west + 20.0 >= r - 0.001,
                    "night work {west} m from the edge"
                );
            }
        }
    }
    assert!(day > 0 && night > 0, "{day} by day, {night} by night");
}
