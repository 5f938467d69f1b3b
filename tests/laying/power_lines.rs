//! Power lines: nothing within the limit of approach, no tree cut that could fall into it without the owner's word, daylight
//! beside them, and ways beneath them only where somebody mapped one.

use crate::audited;
use crate::in_memory;

use audited::brute::{edges_of, edges_of_shape, least, outline};
use audited::{as_plan, audit, of};
use blockwright::audit::{BlockCut, CutInput, CutPiece};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::area;
use blockwright::geometry::frame::{map_line, map_polygon};
use blockwright::geometry::overlay::{intersection, oriented};
use blockwright::model::*;
use blockwright::units::hectares;
use geo::{Coord, LineString, MultiPolygon, Polygon};
use in_memory::*;

const MM: f64 = 1e-3;
/// From the line in the middle of the block to either side of it.
const LINE_X: f64 = 300.0;

/// From the road through the block to its back.
fn wires(facts: &[(&str, Fact)]) -> Feature {
    let shape = line(&[(LINE_X, -100.0), (LINE_X, 500.0)]);
    let mut own = feature(LayerKind::PowerLines, None, None, shape);
    for (name, fact) in facts {
        own.facts.offer(name, fact.clone());
    }
    own
}

fn of_138_kv(more: &[(&str, Fact)]) -> Feature {
    let mut facts = vec![(Facts::VOLTAGE_KV, Fact::Number(138.0))];
    facts.extend(more.iter().cloned());
    wires(&facts)
}

fn agreed(source: bool) -> Vec<(&'static str, Fact)> {
    let mut facts = vec![(Facts::OWNER_AGREED, Fact::Flag(true))];
    if source {
        let text = Fact::Text("letter of the owner (invented)".to_owned());
        facts.push((Facts::AGREED_SOURCE, text));
    }
    facts
}

fn road() -> Feature {
    let along = line(&[(-100.0, 0.0), (700.0, 0.0)]);
    feature(LayerKind::Roads, None, Some(10.0), along)
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 600.0, 305.0)]))
}

/// Trees of 30 m where no stand says otherwise.
fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    settings.layout.tree_height = Some(TreeHeight {
        height_m: 30.0,
        source: "cruise of the block (invented)".to_owned(),
    });
    settings
}

fn plan_of(settings: &Settings, features: &[Feature]) -> BlockPlan {
    lay_out(ENGINES, settings, &rules(0.0), features, &ground()).unwrap()
}

fn cut_of(plan: &BlockPlan) -> Vec<Polygon> {
    let [x, y] = plan.origin();
    let world = move |c: Coord| c + Coord { x, y };
    let shapes = plan.strips.iter().map(|strip| &strip.shape);
    let sections = plan.sections.iter().flat_map(|section| &section.shape.0);
    shapes
        .chain(sections)
        .map(|shape| map_polygon(shape, world))
        .collect()
}

/// Least distance of anything cut and of anything driven from a feature as drawn, up to 200 m.
fn nearest(plan: &BlockPlan, feature: &Feature) -> (f64, f64) {
    let [x, y] = plan.origin();
    let world = move |c: Coord| c + Coord { x, y };
    let edges = edges_of_shape(&feature.shape);
    let lines = plan.lines.iter().map(|line| &line.shape);
    let ways = plan.lines.iter().filter_map(|line| line.travel.as_ref());
    let driven: Vec<LineString> = lines
        .chain(ways)
        .map(|line| map_line(line, world))
        .collect();
    (
        least(&outline(&cut_of(plan)), &edges, 200.0),
        least(&edges_of(&driven), &edges, 200.0),
    )
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> &'p ComplianceRow {
    let found = plan.compliance.iter().find(|row| row.rule_id == rule_id);
    found.unwrap_or_else(|| panic!("no {rule_id}"))
}

fn said(plan: &BlockPlan, rule_id: &str) -> Vec<(Verdict, String)> {
    let own = plan
        .findings
        .iter()
        .filter(|finding| finding.rule_id == rule_id);
    own.map(|finding| (finding.verdict, finding.message.clone()))
        .collect()
}

/// What keeps off the line is what is asked, and no wider than needed; layout, certificate and audit agree on it.
fn keeps_off(what: &str, settings: &Settings, features: &[Feature], off_m: f64) -> BlockPlan {
    let plan = plan_of(settings, features);
    assert!(!plan.strips.is_empty(), "{what}");
    let (cut_m, driven_m) = nearest(&plan, &features[1]);
    assert!(cut_m >= off_m - MM, "{what}: cut {cut_m} m off");
    assert!(driven_m >= off_m - MM, "{what}: driven {driven_m} m off");
    assert!(cut_m <= off_m * 1.001 + 0.01, "{what}: cut {cut_m} m off");
    assert_eq!(plan.certificate.fault, None, "{what}");
    let reserve_m2 = 2.0 * off_m * 300.0;
    assert!(
        (plan.books.reserve_m2 / reserve_m2 - 1.0).abs() < 0.002,
        "{what}: {} {reserve_m2}",
        plan.books.reserve_m2
    );
    let cut = as_plan(&plan);
    let audited = audit(settings, &rules(0.0), features, None, &ground(), &cut, 0.0);
    assert!(
        (audited.areas.reserve_m2 - reserve_m2).abs() < 0.002 * reserve_m2,
        "{what}"
    );
    for id in ["power-line-limit", "power-line-belt"] {
        let (own, other) = (row(&plan, id), &of(&audited, id).row.row);
        assert_eq!(
            (own.status, own.required),
            (other.status, other.required),
            "{what}, {id}"
        );
        let figures = own.measured.zip(other.measured);
        assert!(
            figures.is_none_or(|(a, b)| (a - b).abs() < 0.002),
            "{what}, {id}: {figures:?}"
        );
    }
    plan
}

#[test]
fn what_could_fall_on_the_line_stays_and_is_told_with_its_hectares() {
    let features = [road(), of_138_kv(&[])];
    let plan = keeps_off("138 kV", &settings(), &features, 34.5);
    assert_eq!(row(&plan, "power-line-limit").status, Verdict::Pass);
    assert_eq!(row(&plan, "power-line-limit").required, Some(4.5));
    let belt = row(&plan, "power-line-belt");
    assert_eq!((belt.status, belt.measured), (Verdict::Pass, Some(0.0)));
    assert!(
        belt.source.contains("cruise of the block"),
        "{}",
        belt.source
    );
    let told = said(&plan, "power-line-belt");
    assert_eq!(told.len(), 1);
    let (verdict, text) = &told[0];
    assert_eq!(*verdict, Verdict::NotApplicable);
    assert!(
        text.contains("138 kV") && text.contains("2.07 ha within 34.5 m"),
        "{text}"
    );
    let note = &plan.power_lines[0];
    assert_eq!(
        (note.limit_m, note.belt_m, note.limit_from),
        (4.5, 34.5, "rule")
    );
    assert!((note.belt_m2 - 20_700.0).abs() < 30.0 && (note.limit_m2 - 2_700.0).abs() < 5.0);
    assert!(
        note.limit_source.contains("Table 19-1A"),
        "{}",
        note.limit_source
    );
    // By day only, as beside every hazard.
    let [x, _] = plan.origin();
    let night = plan
        .sections
        .iter()
        .filter(|own| own.shift_class == ShiftClass::NightSafe);
    let corners = night
        .flat_map(|own| &own.shape.0)
        .flat_map(|shape| &shape.exterior().0);
    assert!(corners.clone().count() > 0);
    for at in corners {
        assert!((at.x + x - LINE_X).abs() > 60.0 - 0.01, "{at:?}");
    }
}

#[test]
fn the_owners_word_opens_the_belt_by_day_and_never_the_limit() {
    let features = [road(), of_138_kv(&agreed(true))];
    let plan = keeps_off("agreed", &settings(), &features, 4.5);
    // The machine's side keeps off as well as its middle.
    let (_, driven_m) = nearest(&plan, &features[1]);
    let side_m = settings().machine.half_width_m;
    assert!(driven_m >= 4.5 + side_m - MM, "{driven_m}");
    assert_eq!(row(&plan, "power-line-limit").status, Verdict::Pass);
    let belt = row(&plan, "power-line-belt");
    assert_eq!(belt.status, Verdict::NotApplicable);
    assert!(
        belt.source.contains("letter of the owner"),
        "{}",
        belt.source
    );
    let text = &said(&plan, "power-line-belt")[0].1;
    assert!(
        text.contains("by day only") && text.contains("letter of the owner"),
        "{text}"
    );
    let [x, _] = plan.origin();
    for own in plan
        .sections
        .iter()
        .filter(|own| own.shift_class == ShiftClass::NightSafe)
    {
        let corners = own.shape.0.iter().flat_map(|shape| &shape.exterior().0);
        for at in corners {
            assert!((at.x + x - LINE_X).abs() > 60.0 - 0.01);
        }
    }
    // A word without a source is none.
    let features = [road(), of_138_kv(&agreed(false))];
    let plan = keeps_off("agreed without a source", &settings(), &features, 34.5);
    let told = said(&plan, "power-line-belt");
    assert!(
        told.iter()
            .any(|(verdict, text)| *verdict == Verdict::Warn && text.contains("agreed_source"))
    );
}

#[test]
fn what_is_not_known_takes_the_widest_and_is_never_called_safe() {
    let text = |text: &str| Fact::Text(text.to_owned());
    let cases = [
        ("not known", wires(&[]), 6.0, "widest"),
        (
            "not understood",
            wires(&[(Facts::VOLTAGE_TEXT, text("high"))]),
            6.0,
            "widest",
        ),
        (
            "below the table",
            wires(&[(Facts::VOLTAGE_KV, Fact::Number(0.4))]),
            6.0,
            "widest",
        ),
        (
            "beyond the table",
            wires(&[(Facts::VOLTAGE_KV, Fact::Number(765.0))]),
            13.716,
            "beyond_rules",
        ),
    ];
    for (what, line, limit_m, from) in cases {
        let plan = keeps_off(what, &settings(), &[road(), line], limit_m + 30.0);
        assert_eq!(plan.power_lines[0].limit_from, from, "{what}");
        assert_eq!(
            row(&plan, "power-line-limit").required,
            Some(limit_m),
            "{what}"
        );
        for id in ["power-line-limit", "power-line-belt"] {
            assert_eq!(row(&plan, id).status, Verdict::Unknown, "{what}, {id}");
        }
        let told = said(&plan, "power-line-limit");
        assert!(
            told.iter().any(|(verdict, _)| *verdict == Verdict::Unknown),
            "{what}"
        );
        assert_eq!(plan.status, BlockStatus::Warn, "{what}");
    }
    // Nobody says how tall trees are.
    let plan = keeps_off(
        "trees",
        &Settings::default(),
        &[road(), of_138_kv(&[])],
        64.5,
    );
    assert_eq!(row(&plan, "power-line-limit").status, Verdict::Pass);
    assert_eq!(row(&plan, "power-line-belt").status, Verdict::Unknown);
    let told = said(&plan, "power-line-belt");
    assert!(
        told.iter().any(|(_, text)| text.contains("tree_height")),
        "{told:?}"
    );
}

#[test]
fn the_owners_distance_wins_if_larger_and_if_smaller_only_with_a_source() {
    let owner = |m: f64, source: bool| {
        let mut facts = vec![(Facts::OWNER_DISTANCE, Fact::Number(m))];
        if source {
            facts.push((
                Facts::OWNER_SOURCE,
                Fact::Text("owner's handbook (invented)".to_owned()),
            ));
        }
        [road(), of_138_kv(&facts)]
    };
    for (m, source, limit_m) in [(9.0, false, 9.0), (2.0, false, 4.5), (2.0, true, 2.0)] {
        let what = format!("{m} m, source {source}");
        let plan = keeps_off(&what, &settings(), &owner(m, source), limit_m + 30.0);
        let refused = said(&plan, "power-line-limit");
        assert_eq!(
            refused.iter().any(|(_, text)| text.contains("not used")),
            limit_m == 4.5,
            "{what}"
        );
        let by_owner = plan.power_lines[0]
            .limit_source
            .starts_with("the line's owner");
        assert_eq!(by_owner, limit_m != 4.5, "{what}");
    }
    let facts = [(
        Facts::OWNER_DISTANCE,
        Fact::Text("not understood".to_owned()),
    )];
    let plan = keeps_off("unread", &settings(), &[road(), of_138_kv(&facts)], 43.716);
    assert_eq!(row(&plan, "power-line-limit").status, Verdict::Unknown);
}

fn stand(x0: f64, x1: f64, height_m: f64) -> Feature {
    let shape = MultiPolygon(vec![rectangle(x0, -50.0, x1, 400.0)]);
    let mut own = feature(
        LayerKind::Stands,
        None,
        None,
        Shape::Polygons(oriented(shape)),
    );
    own.facts.offer(Facts::TREE_HEIGHT, Fact::Number(height_m));
    own
}

#[test]
fn trees_are_as_tall_as_the_stands_that_could_reach_the_line() {
    let line = || of_138_kv(&[]);
    // Tall trees that stand too far off do not count.
    let far = [
        road(),
        line(),
        stand(-50.0, 200.0, 40.0),
        stand(200.0, 700.0, 18.0),
    ];
    let plan = keeps_off("tall ones far off", &settings(), &far, 22.5);
    assert_eq!(plan.power_lines[0].trees_from, "stands");
    let near = [
        road(),
        line(),
        stand(-50.0, 270.0, 40.0),
        stand(270.0, 700.0, 18.0),
    ];
    keeps_off("tall ones near", &settings(), &near, 44.5);
    // Ground in no stand of known height takes the project's figure.
    let gap = [
        road(),
        line(),
        stand(-50.0, 290.0, 18.0),
        stand(310.0, 700.0, 18.0),
    ];
    let plan = keeps_off("a gap", &settings(), &gap, 34.5);
    assert_eq!(plan.power_lines[0].trees_from, "project");
    let plan = keeps_off("a gap that nobody knows", &Settings::default(), &gap, 64.5);
    assert_eq!(plan.power_lines[0].trees_from, "unknown");
}

/// Across the block, so that its back is reached beneath the wires or not at all.
fn across() -> Feature {
    let shape = line(&[(-100.0, 150.0), (700.0, 150.0)]);
    let mut own = feature(LayerKind::PowerLines, None, None, shape);
    own.facts.offer(Facts::VOLTAGE_KV, Fact::Number(138.0));
    own
}

#[test]
fn machines_pass_beneath_a_line_only_where_a_crossing_says_so() {
    let crossing = |class: &str| {
        let at = Shape::Points(vec![geo::Point::new(200.0, 150.0)].into());
        feature(LayerKind::Crossings, Some(class), None, at)
    };
    let beyond = |plan: &BlockPlan| {
        let back = MultiPolygon(vec![rectangle(0.0, 190.0, 600.0, 305.0)]);
        hectares(area(&intersection(
            &back,
            &oriented(MultiPolygon(cut_of(plan))).0,
        )))
    };
    for class in ["bridge", "ford"] {
        let plan = plan_of(&settings(), &[road(), across(), crossing(class)]);
        assert!(beyond(&plan) < 0.01, "{class}: {}", beyond(&plan));
        let told = said(&plan, "power-line-crossing");
        assert!(
            told.len() == 1 && told[0].1.contains("beneath_line"),
            "{told:?}"
        );
    }
    let plan = plan_of(&settings(), &[road(), across(), crossing("Beneath line")]);
    assert!(beyond(&plan) > 4.0, "{}", beyond(&plan));
    let told = said(&plan, "power-line-crossing");
    assert!(told.len() == 1 && told[0].0 == Verdict::Unknown, "{told:?}");
    assert_eq!(plan.power_lines[0].crossings, ["crossings 1"]);
    assert_eq!(plan.certificate.fault, None);
    assert_eq!(row(&plan, "power-line-limit").status, Verdict::Pass);
    // Nothing is cut beneath, crossing or not.
    let (cut_m, _) = nearest(&plan, &across());
    assert!(cut_m >= 34.5 - MM, "{cut_m}");
    // A height over ground does not make it safe.
    let mut high = across();
    high.facts.offer(Facts::WIRE_HEIGHT, Fact::Number(12.0));
    let plan = plan_of(&settings(), &[road(), high, crossing("beneath_line")]);
    assert_eq!(said(&plan, "power-line-crossing")[0].0, Verdict::Warn);
}

#[test]
fn the_audit_measures_what_was_cut_within_limit_and_belt() {
    let features = [road(), of_138_kv(&[])];
    let whole = |tolerance_m: f64, from_x: f64| {
        let cut = BlockCut {
            pieces: vec![CutPiece {
                shape: rectangle(from_x, 5.0, 600.0, 305.0),
                kind: None,
                part: 0,
            }],
            ..BlockCut::empty(CutInput::Polygons)
        };
        audit(
            &settings(),
            &rules(0.0),
            &features,
            None,
            &ground(),
            &cut,
            tolerance_m,
        )
    };
    let all = whole(2.0, 0.0);
    let (limit, belt) = (of(&all, "power-line-limit"), of(&all, "power-line-belt"));
    assert_eq!(
        (limit.status(), belt.status()),
        (Verdict::Fail, Verdict::Fail)
    );
    // 300 m of the line: 9 m and 69 m wide.
    assert!(
        (limit.row.area_m2.unwrap() - 2_700.0).abs() < 3.0,
        "{:?}",
        limit.row.area_m2
    );
    assert!(
        (belt.row.row.measured.unwrap() - 2.07).abs() < 0.002,
        "{:?}",
        belt.row.row
    );
    assert!(
        limit.row.message.contains("0.27 ha"),
        "{}",
        limit.row.message
    );
    // Beside the belt but for a metre, and within the tolerance of where it was measured.
    let near = whole(2.0, LINE_X + 33.5);
    assert_eq!(of(&near, "power-line-belt").status(), Verdict::Warn);
    assert_eq!(of(&near, "power-line-limit").status(), Verdict::Pass);
    let clear = whole(2.0, LINE_X + 34.6);
    assert_eq!(of(&clear, "power-line-belt").status(), Verdict::Pass);
}

#[test]
fn a_plan_that_forgets_the_line_fails() {
    let blind = plan_of(&settings(), &[road()]);
    let cut = as_plan(&blind);
    let features = [road(), of_138_kv(&[])];
    let audited = audit(
        &settings(),
        &rules(0.0),
        &features,
        None,
        &ground(),
        &cut,
        0.0,
    );
    for id in ["power-line-limit", "power-line-belt"] {
        assert_eq!(of(&audited, id).status(), Verdict::Fail, "{id}");
    }
    let mut judged = blind;
    judged.compliance.clear();
    in_context(
        ENGINES,
        &settings(),
        &rules(0.0),
        &features,
        None,
        |context| {
            blockwright::compliance::judge(context, &ground(), &mut judged);
        },
    );
    for id in ["power-line-limit", "power-line-belt", "night-hazard"] {
        assert_eq!(row(&judged, id).status, Verdict::Fail, "{id}");
    }
    let own = row(&judged, "power-line-belt").measured.unwrap();
    let other = of(&audited, "power-line-belt").row.row.measured.unwrap();
    assert!(own > 1.5 && (own - other).abs() < 0.002, "{own} {other}");
    assert!(judged.certificate.fault.is_some());
}

#[test]
fn a_line_among_hazards_is_told_to_change_its_role() {
    let shape = line(&[(LINE_X, -100.0), (LINE_X, 500.0)]);
    let hazard = |class| feature(LayerKind::Hazards, Some(class), None, shape.clone());
    let plan = plan_of(&settings(), &[road(), hazard("power_line")]);
    let told = said(&plan, "power-line-role");
    assert!(told.len() == 1 && told[0].0 == Verdict::Unknown, "{told:?}");
    let plan = plan_of(&settings(), &[road(), hazard("trail")]);
    assert!(said(&plan, "power-line-role").is_empty());
}

#[test]
fn a_landing_beneath_the_wires_fails() {
    let landing = |x: f64| {
        let shape = MultiPolygon(vec![rectangle(x, -30.0, x + 20.0, -8.0)]);
        feature(
            LayerKind::Landings,
            None,
            None,
            Shape::Polygons(oriented(shape)),
        )
    };
    for (x, fails) in [(LINE_X + 2.0, true), (LINE_X + 20.0, false)] {
        let plan = plan_of(&settings(), &[road(), of_138_kv(&[]), landing(x)]);
        let told = said(&plan, "power-line-landing");
        assert_eq!(
            told.iter().any(|(verdict, _)| *verdict == Verdict::Fail),
            fails,
            "{told:?}"
        );
    }
}
