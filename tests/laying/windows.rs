//! The days on which ground may be worked: which sections come under which window, and what is told where none is left.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::area;
use blockwright::geometry::overlay::{oriented, shared_area};
use blockwright::model::*;
use geo::MultiPolygon;
use in_memory::*;

fn window(name: &str, days: &str, within_m: f64) -> WorkWindow {
    WorkWindow {
        name: name.to_owned(),
        days: days.parse().unwrap(),
        within_m,
        source: "invented".to_owned(),
    }
}

fn settings(windows: Vec<WorkWindow>) -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    settings.production.stems_per_ha = Some(550.0);
    settings.production.tree_m3 = Some(0.45);
    settings.windows = WorkWindows(windows);
    settings
}

fn with(mut feature: Feature, name: &str, value: &str) -> Feature {
    feature.facts.offer(name, Fact::Text(value.to_owned()));
    feature
}

fn named(kind: LayerKind, id: &str, shape: Shape) -> Feature {
    Feature {
        id: id.to_owned(),
        ..feature(kind, None, None, shape)
    }
}

fn polygon(x0: f64, y0: f64, x1: f64, y1: f64) -> Shape {
    Shape::Polygons(oriented(MultiPolygon(vec![rectangle(x0, y0, x1, y1)])))
}

fn road(id: &str, y: f64) -> Feature {
    Feature {
        width_m: Some(10.0),
        ..named(LayerKind::Roads, id, line(&[(-100.0, y), (700.0, y)]))
    }
}

fn creek(y: f64) -> Feature {
    let along = line(&[(-50.0, y), (650.0, y)]);
    feature(LayerKind::Streams, Some("S3"), Some(2.0), along)
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 600.0, 305.0)]))
}

fn plan_of(settings: &Settings, features: &[Feature], block: &SourceBlock) -> BlockPlan {
    lay_out(ENGINES, settings, &rules(0.0), features, block).unwrap()
}

fn told(plan: &BlockPlan, rule_id: &str) -> Vec<String> {
    let own = plan.findings.iter().filter(|own| own.rule_id == rule_id);
    own.map(|own| own.message.clone()).collect()
}

/// Sections that share ground with the shape come under the window, and no other: asked of each anew.
fn agrees(plan: &BlockPlan, shape: &MultiPolygon, days: &str) {
    let days: OpenDays = days.parse().unwrap();
    let mut under = 0;
    for section in &plan.sections {
        let shared_m2 = shared_area(&plan.frame.leave_polygons(&section.shape), &shape.0);
        if shared_m2 > 1.5 {
            assert_eq!(section.open, days, "{:?} {shared_m2}", section.id);
            under += 1;
        } else if shared_m2 < 0.5 {
            assert!(section.open.is_always(), "{:?} {shared_m2}", section.id);
        }
    }
    assert!(under > 0 && under < plan.sections.len(), "{under}");
}

#[test]
fn soft_ground_is_open_when_frozen() {
    let frozen = "open 12-15/03-10";
    let soft = polygon(200.0, 100.0, 320.0, 200.0);
    let own = named(LayerKind::SoftGround, "hollow", soft.clone());
    let features = [road("R1", 0.0), with(own, Facts::WINDOW, "frozen")];
    let plan = plan_of(
        &settings(vec![window("frozen", frozen, 0.0)]),
        &features,
        &ground(),
    );
    let Shape::Polygons(soft) = soft else {
        panic!()
    };
    agrees(&plan, &soft, frozen);
    let [note] = &plan.windows[..] else {
        panic!("{:?}", plan.windows)
    };
    assert_eq!(
        (note.under, note.role, &*note.id),
        (UnderWindow::Ground, "soft_ground", "hollow")
    );
    let own = |section: &&Section| !section.open.is_always();
    let hours: f64 = plan
        .sections
        .iter()
        .filter(own)
        .filter_map(|s| s.hours)
        .sum();
    let noted = note.day_hours.unwrap() + note.night_hours.unwrap();
    assert!((hours - noted).abs() < 1e-9 && hours > 0.0);
    let [message] = &told(&plan, "window")[..] else {
        panic!()
    };
    assert!(
        message.starts_with("frozen: open from 15 Dec to 10 Mar: on soft_ground hollow, "),
        "{message}"
    );
    assert!(told(&plan, "window-never").is_empty() && told(&plan, "window-unknown").is_empty());
}

#[test]
fn a_nest_closes_the_ground_around_it() {
    let closed = "closed 04-15/08-15";
    let nest = Shape::Points(geo::MultiPoint(vec![geo::Point::new(300.0, 330.0)]));
    let nest = with(
        named(LayerKind::Hazards, "nest", nest),
        Facts::WINDOW,
        "nesting",
    );
    let plan = plan_of(
        &settings(vec![window("nesting", closed, 80.0)]),
        &[road("R1", 0.0), nest],
        &ground(),
    );
    // A circle drawn from outside: GEOS-independent, 360 corners.
    let corner = |k: u32| {
        let angle = f64::from(k).to_radians();
        (300.0 + 80.0 * angle.cos(), 330.0 + 80.0 * angle.sin())
    };
    let circle: Vec<(f64, f64)> = (0..360).map(corner).collect();
    let circle = oriented(MultiPolygon(vec![geo::Polygon::new(ring(&circle), vec![])]));
    agrees(&plan, &circle, closed);
}

#[test]
fn a_load_ban_closes_what_goes_to_that_road() {
    let ban = "closed 03-01/05-15";
    let features = [
        road("R1", 0.0),
        with(road("R2", 310.0), Facts::WINDOW, "ban"),
    ];
    let plan = plan_of(
        &settings(vec![window("ban", ban, 0.0)]),
        &features,
        &ground(),
    );
    let mut parts = [0, 0];
    for section in plan.sections.iter().filter(|section| section.id.part > 0) {
        let outlet = plan
            .setting(section.id.part)
            .unwrap()
            .outlet
            .as_ref()
            .unwrap();
        let to_second = outlet.name == "R2";
        assert_eq!(section.open.is_always(), !to_second, "{:?}", section.id);
        parts[usize::from(to_second)] += 1;
    }
    assert!(parts[0] > 0 && parts[1] > 0, "{parts:?}");
}

#[test]
fn a_crossing_closes_what_lies_behind_it() {
    // A stream across the block, with a crossing that is open in winter only.
    let stream = creek(150.0);
    let crossing = named(
        LayerKind::Crossings,
        "ice bridge",
        line(&[(300.0, 110.0), (300.0, 190.0)]),
    );
    let crossing = with(crossing, Facts::WINDOW, "winter");
    let days = "open 01-01/03-01";
    let plan = plan_of(
        &settings(vec![window("winter", days, 0.0)]),
        &[road("R1", 0.0), stream, crossing],
        &ground(),
    );
    let mut sides = [0, 0];
    for section in plan.sections.iter().filter(|section| section.id.part > 0) {
        let shape = plan.frame.leave_polygons(&section.shape);
        let behind = blockwright::geometry::area::Bounds::of_polygons(&shape)
            .middle()
            .y
            > 150.0;
        assert_eq!(section.open.is_always(), !behind, "{:?}", section.id);
        sides[usize::from(behind)] += 1;
    }
    assert!(sides[0] > 0 && sides[1] > 0, "{sides:?}");
    assert!(
        plan.windows
            .iter()
            .all(|note| note.under == UnderWindow::Crossing)
    );
}

#[test]
fn a_permit_closes_the_block_and_windows_may_leave_no_day() {
    let mut permitted = ground();
    permitted.windows.open_from = Some("2027-05-01".to_owned());
    permitted.windows.open_until = Some("2027/09/30".to_owned());
    let plan = plan_of(&settings(vec![]), &[road("R1", 0.0)], &permitted);
    let days: OpenDays = "open 2027-05-01/2027-09-30".parse().unwrap();
    assert!(plan.sections.iter().all(|section| section.open == days));
    assert!(
        told(&plan, "window")[0]
            .starts_with("open from 1 May 2027 to 30 Sep 2027: the whole block, ")
    );
    // Frozen ground under a permit for the summer is never open.
    let own = named(
        LayerKind::SoftGround,
        "hollow",
        polygon(200.0, 100.0, 320.0, 200.0),
    );
    let features = [road("R1", 0.0), with(own, Facts::WINDOW, "frozen")];
    let settings = settings(vec![window("frozen", "open 12-15/03-10", 0.0)]);
    let plan = plan_of(&settings, &features, &permitted);
    let [message] = &told(&plan, "window-never")[..] else {
        panic!()
    };
    assert!(message.contains("no day opens them"), "{message}");
    let finding = plan
        .findings
        .iter()
        .find(|own| own.rule_id == "window-never")
        .unwrap();
    assert_eq!(finding.verdict, Verdict::Fail);
    let never: f64 = plan
        .sections
        .iter()
        .filter(|s| s.open.is_never())
        .map(|s| area(&s.shape))
        .sum();
    assert!((finding.measured.unwrap() - never / 1e4).abs() < 1e-9 && never > 10_000.0);
    assert_eq!(plan.status, BlockStatus::Fail);
}

#[test]
fn what_nobody_knows_is_open_on_no_day_that_is_planned() {
    for (words, days) in [
        ("winter", "unknown"),
        ("frost", "frost 150; open 12-01/03-31"),
    ] {
        let own = named(
            LayerKind::SoftGround,
            "hollow",
            polygon(200.0, 100.0, 320.0, 200.0),
        );
        let features = [road("R1", 0.0), with(own, Facts::WINDOW, words)];
        let settings = settings(vec![window("frost", "frost 150; open 12-01/03-31", 0.0)]);
        let plan = plan_of(&settings, &features, &ground());
        let days: OpenDays = days.parse().unwrap();
        let under = plan.sections.iter().filter(|section| section.open == days);
        assert!(under.count() > 0, "{words}");
        assert_eq!(told(&plan, "window-unknown").len(), 1, "{words}");
        assert!(told(&plan, "window-never").is_empty(), "{words}");
    }
    // A date that is none.
    let mut permitted = ground();
    permitted.windows.open_until = Some("next spring".to_owned());
    let plan = plan_of(&settings(vec![]), &[road("R1", 0.0)], &permitted);
    assert!(
        plan.sections
            .iter()
            .all(|section| section.open.is_unknown())
    );
}

#[test]
fn a_rule_can_carry_a_window() {
    let mut rules = rules(0.0);
    let rule = rules
        .lines
        .iter_mut()
        .find(|rule| rule.kind == LayerKind::Streams && rule.class == "S3");
    let rule = rule.unwrap();
    rule.days = "closed 09-15/06-01".parse().unwrap();
    rule.window_within_m = 60.0;
    let title = rule.title.clone();
    let stream = creek(340.0);
    let plan = lay_out(
        ENGINES,
        &settings(vec![]),
        &rules,
        &[road("R1", 0.0), stream],
        &ground(),
    )
    .unwrap();
    let [note] = &plan.windows[..] else {
        panic!("{:?}", plan.windows)
    };
    assert_eq!((&*note.name, note.within_m), (&*title, 60.0));
    assert!(note.source.contains("BC-"), "{}", note.source);
    assert!(
        plan.sections
            .iter()
            .any(|section| !section.open.is_always())
    );
    assert!(plan.sections.iter().any(|section| section.open.is_always()));
}
