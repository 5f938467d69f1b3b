//! Streams that nobody cuts or drives through, however little is known of them and whatever their rule asks; and distances
//! that are measured of everything that is driven, and however far they are.

use crate::audited;
use crate::in_memory;

use audited::brute::{Edge, edges_of, edges_of_shape, least, outline};
use audited::{as_plan, audit, of};
use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{Bounds, area, polygon_area};
use blockwright::geometry::distance::inside_polygon;
use blockwright::geometry::frame::{map_line, map_polygon};
use blockwright::geometry::overlay::union;
use blockwright::model::*;
use blockwright::rulebook::{self, Channel, Match, MeasuredFrom, Rulebook};
use geo::{Coord, LineString, MultiPolygon, Polygon};
use in_memory::*;

const MM: f64 = 1e-3;

/// From the road through the middle of the block to its back.
fn stream(class: Option<&str>, width_m: Option<f64>) -> Feature {
    let points = [(200.0, 3.0), (190.0, 100.0), (230.0, 200.0), (205.0, 420.0)];
    feature(LayerKind::Streams, class, width_m, line(&points))
}

fn road() -> Feature {
    let along = line(&[(-100.0, 0.0), (500.0, 0.0)]);
    feature(LayerKind::Roads, None, Some(10.0), along)
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 400.0, 405.0)]))
}

/// The preset without a retention share, its streams measured from the middle line.
fn from_the_line() -> Rulebook {
    let mut rules = rules(0.0);
    for line in &mut rules.lines {
        line.measured_from = MeasuredFrom::Centreline;
    }
    rules
}

fn bare() -> Rulebook {
    rulebook::preset("bare").unwrap()
}

fn without_streams() -> Rulebook {
    let mut rules = bare();
    rules.lines.retain(|line| line.kind != LayerKind::Streams);
    rules
}

fn world(plan: &BlockPlan) -> impl Fn(Coord) -> Coord + use<> {
    let [x, y] = plan.origin();
    move |c| c + Coord { x, y }
}

/// Least distance of anything cut and of anything driven from edges, up to 100 m.
fn nearest(plan: &BlockPlan, edges: &[Edge]) -> (f64, f64) {
    let world = world(plan);
    let shapes = plan.strips.iter().map(|strip| &strip.shape);
    let sections = plan.sections.iter().flat_map(|section| &section.shape.0);
    let cut: Vec<Polygon> = (shapes.chain(sections))
        .map(|shape| map_polygon(shape, &world))
        .collect();
    let lines = plan.lines.iter().map(|line| &line.shape);
    let ways = plan.lines.iter().filter_map(|line| line.travel.as_ref());
    let driven: Vec<LineString> = (lines.chain(ways))
        .map(|line| map_line(line, &world))
        .collect();
    (
        least(&outline(&cut), edges, 100.0),
        least(&edges_of(&driven), edges, 100.0),
    )
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    let found = plan.compliance.iter().find(|row| row.rule_id == rule_id);
    let ids = || {
        plan.compliance
            .iter()
            .map(|row| &row.rule_id)
            .collect::<Vec<_>>()
    };
    found.unwrap_or_else(|| panic!("no {rule_id} in {:?}", ids()))
}

fn judged_anew(plan: &mut BlockPlan, rules: &Rulebook, features: &[Feature]) {
    let settings = Settings::default();
    plan.compliance.clear();
    plan.findings.clear();
    in_context(ENGINES, &settings, rules, features, None, |context| {
        compliance::judge(context, &ground(), plan);
    });
}

/// Class, width, rulebook, and how far from the line nothing may be: half the narrowest channel of the class (S5 is wider
/// than 3 m), half the width where it is known, at least 1 m where nothing is.
fn cases() -> Vec<(&'static str, Feature, Rulebook, f64)> {
    vec![
        ("a rule of 0 m", stream(None, None), bare(), 1.0),
        ("no rule", stream(None, None), without_streams(), 1.0),
        ("a width of 0", stream(None, Some(0.0)), bare(), 1.0),
        ("S5", stream(Some("S5"), None), rules(0.0), 1.5),
        ("S4", stream(Some("S4"), None), rules(0.0), 1.0),
        (
            "S4 of 1.2 m",
            stream(Some("S4"), Some(1.2)),
            rules(0.0),
            0.6,
        ),
        (
            "S6 from its line",
            stream(Some("S6"), Some(2.4)),
            from_the_line(),
            1.2,
        ),
        (
            "S5 from its line",
            stream(Some("S5"), None),
            from_the_line(),
            1.5,
        ),
    ]
}

#[test]
fn no_stream_is_cut_or_driven_through() {
    let settings = Settings::default();
    for (what, stream, rules, barrier_m) in cases() {
        let edges = edges_of_shape(&stream.shape);
        let features = [road(), stream];
        let plan = lay_out(ENGINES, &settings, &rules, &features, &ground()).unwrap();
        assert!(!plan.strips.is_empty(), "{what}");
        let (cut_m, driven_m) = nearest(&plan, &edges);
        assert!(cut_m >= barrier_m - MM, "{what}: cut {cut_m} m off");
        assert!(
            driven_m >= barrier_m - MM,
            "{what}: driven {driven_m} m off"
        );
        // No wider than needed: the ground beside it is worked.
        assert!(cut_m <= barrier_m * 1.001 + MM, "{what}: cut {cut_m} m off");
        assert_eq!(plan.certificate.fault, None, "{what}");
        let zones = plan
            .zones
            .iter()
            .filter(|zone| zone.kind == ZoneKind::Reserve);
        let zones: Vec<&Zone> = zones.collect();
        let own = zones.iter().any(|zone| zone.rule_id == "stream-barrier");
        let ruled_m = match what {
            "S4 of 1.2 m" => barrier_m,
            "S4" => 0.75,
            _ => 0.0,
        };
        assert_eq!(own, ruled_m < barrier_m, "{what}");
        if own {
            let row = row(&plan, "stream-barrier");
            assert_eq!(
                (row.status, row.required),
                (Verdict::Pass, Some(barrier_m)),
                "{what}"
            );
            assert!(
                (row.measured.unwrap() - cut_m.min(driven_m)).abs() < MM,
                "{what}"
            );
            assert!(row.source.starts_with("own judgement"), "{}", row.source);
        }
        let shapes = zones.iter().flat_map(|zone| zone.shape.0.iter().cloned());
        let reserve_m2 = area(&union(&shapes.collect::<Vec<_>>()));
        assert!(
            plan.books.reserve_m2 > 0.9 * 400.0 * 2.0 * barrier_m,
            "{what}"
        );
        assert!(plan.books.reserve_m2 <= reserve_m2 + 0.01, "{what}");
        // The audit knows the same barrier, and no ground within it as standing.
        let audited = audit(
            &settings,
            &rules,
            &features,
            None,
            &ground(),
            &as_plan(&plan),
            0.0,
        );
        assert!(
            (audited.areas.reserve_m2 - plan.books.reserve_m2).abs() < 3.0,
            "{what}"
        );
        if own {
            assert_eq!(
                of(&audited, "stream-barrier").status(),
                Verdict::Pass,
                "{what}"
            );
        }
    }
}

#[test]
fn what_is_not_known_of_a_stream_is_said_with_its_barrier() {
    let say = |stream: Feature, rules: &Rulebook| {
        let plan = lay_out(
            ENGINES,
            &Settings::default(),
            rules,
            &[road(), stream],
            &ground(),
        );
        let findings = plan.unwrap().findings.into_iter();
        findings
            .map(|finding| finding.message)
            .collect::<Vec<_>>()
            .join("\n")
    };
    let said = say(stream(Some("S5"), None), &rules(0.0));
    assert!(
        said.contains(
            "class S5 sets no limit; measured from the line; nothing is cut or driven within 1.5 m"
        ),
        "{said}"
    );
    let said = say(stream(None, None), &bare());
    assert!(
        said.contains("measured from the line; nothing is cut or driven within 1 m of the line"),
        "{said}"
    );
    let said = say(stream(None, None), &without_streams());
    assert!(
        said.contains("nothing is cut or driven within 1 m of the line"),
        "{said}"
    );
}

#[test]
fn a_plan_that_crosses_a_stream_has_no_certificate_and_fails() {
    let (rules, features) = (bare(), [road(), stream(None, None)]);
    let settings = Settings::default();
    let plan = lay_out(ENGINES, &settings, &rules, &features, &ground()).unwrap();
    let [x, y] = plan.origin();
    let across = |plan: &BlockPlan, from: (f64, f64), to: (f64, f64)| {
        let local = |(px, py): (f64, f64)| Coord {
            x: px - x,
            y: py - y,
        };
        let mut plan = plan.clone();
        plan.lines[0].travel = Some(LineString(vec![local(from), local(to)]));
        plan
    };
    // Travel across, and travel that comes within 0.4 m of the line.
    for (from, to, measured_m) in [
        ((100.0, 150.0), (300.0, 150.0), 0.0),
        ((100.0, 100.0), (189.6, 100.0), 0.4),
    ] {
        let mut crossing = across(&plan, from, to);
        judged_anew(&mut crossing, &rules, &features);
        assert!(crossing.certificate.fault.is_some());
        let row = row(&crossing, "stream-barrier");
        assert_eq!(row.status, Verdict::Fail);
        assert!(
            (row.measured.unwrap() - measured_m).abs() < 0.01,
            "{:?}",
            row.measured
        );
        let audited = audit(
            &settings,
            &rules,
            &features,
            None,
            &ground(),
            &as_plan(&crossing),
            0.0,
        );
        assert_eq!(of(&audited, "stream-barrier").status(), Verdict::Fail);
    }
    // Cut polygons of anybody's, 5 m over the line.
    let (middle, cut) = (ground(), rectangle(100.0, 100.0, 220.0, 140.0));
    let cut = blockwright::audit::BlockCut::of_polygons(vec![cut]);
    let audited = audit(&settings, &rules, &features, None, &middle, &cut, 0.0);
    let judged = of(&audited, "stream-barrier");
    assert_eq!(judged.status(), Verdict::Fail);
    assert!(area(judged.ground.as_ref().unwrap()) > 50.0);
}

/// Both classes ask for 30 m. Without a width the wide one keeps the machine 36 m from the line, the narrow one 31 m.
#[test]
fn of_unknown_classes_the_one_is_taken_that_keeps_the_machine_farthest_from_the_line() {
    let line = |id: &str, channel: &str, exclusion: &str| {
        format!(
            "[[line]]\nid = \"{id}\"\nkind = \"streams\"\nclass = \"{id}\"\ntitle = \"{id}\"\ndefinition = \"{id}\"\n\
             reserve = \"30 m\"\n{channel}\n{exclusion}\nstatus = \"read in source\"\nsource = \"a test\"\n"
        )
    };
    let head = "title = \"t\"\n[block.retention_share]\nvalue = \"0 %\"\nstatus = \"common practice\"\nsource = \"none\"\n";
    let wide = line("wide", "channel_up_to = \"12 m\"", "");
    let narrow = line("narrow", "channel_up_to = \"2 m\"", "");
    let barred = line(
        "barred",
        "channel_up_to = \"2 m\"",
        "machine_exclusion = \"40 m\"",
    );
    let taken = |lines: &[&str], width_m: Option<f64>| {
        let rules = rulebook::parse(&format!("{head}{}", lines.concat()), "rules.toml").unwrap();
        let channel = Channel::of(LayerKind::Streams, true, width_m);
        match rules.find(LayerKind::Streams, None, &Facts::default(), channel) {
            Match::Assumed(line) => line.id.clone(),
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(taken(&[&wide, &narrow], None), "wide");
    assert_eq!(taken(&[&narrow, &wide], None), "wide");
    assert_eq!(taken(&[&wide, &narrow, &barred], None), "barred");
    // With a width they keep off alike: the first.
    assert_eq!(taken(&[&wide, &narrow], Some(1.0)), "wide");
    assert_eq!(taken(&[&narrow, &wide], Some(1.0)), "narrow");
}

/// Lakes and wetlands are surfaces: under a rule of 0 m nothing is cut or driven in them, and what is fails.
#[test]
fn no_machine_drives_in_a_lake_or_wetland_under_a_rule_of_nothing() {
    let rules = bare();
    for kind in [LayerKind::Lakes, LayerKind::Wetlands] {
        let shore = MultiPolygon(vec![rectangle(150.0, 120.0, 260.0, 300.0)]);
        let water = feature(kind, None, None, Shape::Polygons(shore));
        let edges = edges_of_shape(&water.shape);
        let features = [road(), water];
        let settings = Settings::default();
        let plan = lay_out(ENGINES, &settings, &rules, &features, &ground()).unwrap();
        let world = world(&plan);
        let corners = plan.lines.iter().flat_map(|line| {
            let way = line.travel.iter().flat_map(|way| &way.0);
            line.shape.0.iter().chain(way)
        });
        let inside = |c: Coord| c.x > 150.01 && c.x < 259.99 && c.y > 120.01 && c.y < 299.99;
        assert!(!corners.map(|&c| world(c)).any(inside));
        assert_eq!(plan.certificate.fault, None);
        assert!(!edges.is_empty());
        let mut wading = plan.clone();
        let [x, y] = plan.origin();
        let way = [(160.0, 130.0), (250.0, 290.0)].map(|(px, py)| Coord {
            x: px - x,
            y: py - y,
        });
        wading.lines[0].travel = Some(LineString(way.to_vec()));
        judged_anew(&mut wading, &rules, &features);
        assert!(wading.certificate.fault.is_some());
        let id = format!(
            "reserve:{}",
            features[1].kind.key().trim_end_matches('s').to_owned() + "-any"
        );
        let row = row(&wading, &id);
        assert_eq!(row.status, Verdict::Fail);
        assert!(
            (row.measured.unwrap() + 10.0).abs() < 1e-6,
            "{:?}",
            row.measured
        );
        let audited = audit(
            &settings,
            &rules,
            &features,
            None,
            &ground(),
            &as_plan(&wading),
            0.0,
        );
        assert_eq!(of(&audited, &id).status(), Verdict::Fail);
    }
}

/// The way between two strips runs nearer to a stream than anything cut: it is what is measured, by the layout and by the
/// audit of its plan.
#[test]
fn reserves_and_exclusions_are_measured_of_the_ways_between_strips_too() {
    let mut rules = rules(0.0);
    let s3 = rules
        .lines
        .iter_mut()
        .find(|line| line.class == "S3")
        .unwrap();
    s3.machine_exclusion = rulebook::Width::Metres(25.0);
    let features = [road(), stream(Some("S3"), Some(2.0))];
    let settings = Settings::default();
    let mut plan = lay_out(ENGINES, &settings, &rules, &features, &ground()).unwrap();
    let measured = |plan: &BlockPlan, id: &str| row(plan, id).measured.unwrap();
    let (cut_m, _) = nearest(&plan, &edges_of_shape(&features[1].shape));
    assert!((measured(&plan, "reserve:stream-s3") - (cut_m - 1.0)).abs() < MM);
    // Straight at the stream from the west along y = 100, where it lies at x = 190, and 17 m from its bank.
    let [x, y] = plan.origin();
    let way = [(20.0, 100.0), (172.0, 100.0)].map(|(px, py)| Coord {
        x: px - x,
        y: py - y,
    });
    plan.lines[0].travel = Some(LineString(way.to_vec()));
    let (_, driven_m) = nearest(&plan, &edges_of_shape(&features[1].shape));
    judged_anew(&mut plan, &rules, &features);
    assert!(driven_m < 18.01);
    for id in ["reserve:stream-s3", "machine-exclusion:stream-s3"] {
        assert!((measured(&plan, id) - (driven_m - 1.0)).abs() < MM, "{id}");
        assert_eq!(row(&plan, id).status, Verdict::Fail);
        let audited = audit(
            &settings,
            &rules,
            &features,
            None,
            &ground(),
            &as_plan(&plan),
            0.0,
        );
        let judged = of(&audited, id);
        assert!(
            (judged.row.row.measured.unwrap() - (driven_m - 1.0)).abs() < MM,
            "{id}"
        );
    }
}

/// A road 8 m wide beside, at some distance from, the southern edge of the block.
fn road_at(y: f64) -> Feature {
    let along = line(&[(-3000.0, y), (3000.0, y)]);
    feature(LayerKind::Roads, None, Some(8.0), along)
}

#[test]
fn retention_is_measured_from_the_road_however_far_it_stands() {
    let settings = Settings::default();
    let rules = rules(0.1);
    let mut laid = lay_out(ENGINES, &settings, &rules, &[road()], &ground()).unwrap();
    let low = |plan: &BlockPlan| {
        let lows = plan
            .corridors
            .iter()
            .map(|c| Bounds::of(&c.shape.exterior().0).min.y);
        lows.fold(f64::INFINITY, f64::min) + plan.origin()[1]
    };
    // Only the backs of the corridors stand: 69 m and more from the road's edge.
    let from = 74.0 - laid.origin()[1];
    for corridor in &mut laid.corridors {
        let bounds = Bounds::of(&corridor.shape.exterior().0);
        corridor.shape = rectangle(bounds.min.x, from, bounds.max.x, bounds.max.y);
    }
    for road_y in [0.0, -60.0, -400.0, -900.0, -1010.0] {
        let features = [road_at(road_y)];
        let mut plan = laid.clone();
        judged_anew(&mut plan, &rules, &features);
        let wanted_m = low(&plan) - road_y - 4.0;
        let row = row(&plan, "road-band");
        let cut = as_plan(&plan);
        let audited = audit(&settings, &rules, &features, None, &ground(), &cut, 0.0);
        let judged = of(&audited, "road-band");
        if road_y < -1000.0 {
            assert_eq!((row.status, row.measured), (Verdict::NotApplicable, None));
            assert!(row.title.contains("no road within 1000 m"), "{}", row.title);
            assert_eq!(judged.status(), Verdict::NotApplicable);
            continue;
        }
        assert_eq!(row.status, Verdict::Pass, "{road_y}");
        assert!(
            (row.measured.unwrap() - wanted_m).abs() < MM,
            "{road_y}: {:?} {wanted_m}",
            row.measured
        );
        assert_eq!(judged.status(), Verdict::Pass, "{road_y}");
        let audited_m = judged.row.row.measured.unwrap();
        assert!(
            audited_m <= wanted_m + MM && audited_m >= 45.72 - MM,
            "{road_y}: {audited_m} {wanted_m}"
        );
    }
    let all: f64 = laid.corridors.iter().map(|c| polygon_area(&c.shape)).sum();
    assert!(all > 1000.0);
}

/// Where a stream cuts strips aslant, the corners that no line of their own side reaches are not cut from beyond the stream.
#[test]
fn no_line_stands_on_uncut_ground_across_a_stream() {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings.layout.azimuth = Azimuth::Degrees(0.0);
    let slant = line(&[(60.0, 120.0), (340.0, 330.0)]);
    let features = [road(), feature(LayerKind::Streams, None, None, slant)];
    let plan = lay_out(ENGINES, &settings, &without_streams(), &features, &ground()).unwrap();
    let first = |id: PieceId| {
        let own = plan.lines.iter().filter(|line| line.id == id);
        own.map(|line| line.order).min().unwrap()
    };
    let divided = plan.lines.iter().filter(|line| line.id.piece > 1).count();
    assert!(divided > 5, "{divided}");
    for line in &plan.lines {
        let (a, b) = (line.shape.0[0], line.shape.0[line.shape.0.len() - 1]);
        let steps = 200;
        let on_later = (0..=steps).filter(|&step| {
            let at = a + (b - a) * (f64::from(step) / f64::from(steps));
            plan.strips.iter().any(|strip| {
                strip.id != line.id
                    && first(strip.id) > line.order
                    && inside_polygon(at, &strip.shape)
            })
        });
        let metres = on_later.count() as f64 / 200.0 * (b - a).x.hypot((b - a).y);
        assert!(metres < 1.0, "{:?}: {metres} m", line.id);
    }
}
