//! Nobody works within two lengths of a dangerous tree that stays (published check value SF-08), unless somebody judged with a
//! source how far it reaches. Places are invented.

use crate::in_memory;

use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::geometry::area::area;
use blockwright::model::*;
use blockwright::rulebook::{DANGER_TREE_RULE, Rulebook, Width};
use geo::{Distance, Euclidean, MultiPolygon, Point};
use in_memory::*;

/// SF-06: trees of 30 m give 60 m, and a disc of 11309.73 m2.
const TREES_M: f64 = 30.0;
const AROUND_M: f64 = 60.0;
const DISC_M2: f64 = 11_309.73;

const PLACE: (f64, f64) = (300.0, 150.0);

fn settings(trees: bool) -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    settings.production.stems_per_ha = Some(550.0);
    settings.layout.tree_height = trees.then(|| TreeHeight {
        height_m: TREES_M,
        source: "cruise of the block (invented)".to_owned(),
    });
    settings
}

fn tree(class: &str) -> Feature {
    let at = Shape::Points(vec![Point::from(PLACE)].into());
    let mut own = feature(LayerKind::Retain, Some(class), None, at);
    own.id = "T-1".to_owned();
    own
}

fn road() -> Feature {
    feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-100.0, 0.0), (700.0, 0.0)]),
    )
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 600.0, 305.0)]))
}

fn kept() -> Rulebook {
    let mut rules = rules(0.0);
    rules.keep_all();
    rules
}

fn plan_of(settings: &Settings, tree: Feature) -> BlockPlan {
    lay_out(ENGINES, settings, &kept(), &[road(), tree], &ground()).unwrap()
}

/// Nearest of anything cut or driven, by another library's distance.
fn nearest_m(plan: &BlockPlan) -> f64 {
    let [x, y] = plan.origin();
    let place = Point::new(PLACE.0 - x, PLACE.1 - y);
    let cut = (plan.strips.iter()).map(|strip| Euclidean.distance(&place, &strip.shape));
    let driven = plan.lines.iter().map(|own| &own.shape);
    let ways = plan.lines.iter().filter_map(|own| own.travel.as_ref());
    let driven = driven
        .chain(ways)
        .map(|own| Euclidean.distance(&place, own));
    cut.chain(driven).fold(f64::INFINITY, f64::min)
}

fn told(plan: &BlockPlan) -> Vec<(Verdict, String)> {
    let own = plan.findings.iter();
    own.filter(|own| own.rule_id == DANGER_TREE_RULE)
        .map(|own| (own.verdict, own.message.clone()))
        .collect()
}

fn row(plan: &BlockPlan) -> Option<&ComplianceRow> {
    let mut rows = plan.compliance.iter();
    rows.find(|row| row.rule_id == "reserve:danger-tree")
}

#[test]
fn nobody_works_within_two_lengths_of_a_dangerous_tree() {
    for class in ["danger_tree", "arbre dangereux"] {
        let plan = plan_of(&settings(true), tree(class));
        let found_m = nearest_m(&plan);
        assert!(
            (AROUND_M - 0.001..AROUND_M + 1.0).contains(&found_m),
            "{found_m}"
        );
        let zone = plan
            .zones
            .iter()
            .find(|own| own.rule_id == DANGER_TREE_RULE);
        let zone = zone.unwrap();
        let zone_m2 = area(&zone.shape);
        // Drawn no less than asked, and by 0.1 % of the width at most more.
        assert!((DISC_M2..DISC_M2 * 1.003).contains(&zone_m2), "{zone_m2}");
        let row = row(&plan).unwrap();
        assert_eq!(row.status, Verdict::Pass);
        assert!(
            (row.required.unwrap() + 1.0 - AROUND_M).abs() < 1e-9,
            "{row:?}"
        );
        assert!(row.source.contains("SF-08"), "{row:?}");
        let [(verdict, text)] = &told(&plan)[..] else {
            panic!("{:?}", told(&plan))
        };
        assert_eq!(*verdict, Verdict::NotApplicable);
        assert!(
            text.contains("T-1") && text.contains("60.0 m") && text.contains("1.13 ha"),
            "{text}"
        );
    }
    // A tree that merely stays has the ground that it takes.
    let plan = plan_of(&settings(true), tree("tree"));
    assert!(nearest_m(&plan) < 12.0 && told(&plan).is_empty());
    assert!(row(&plan).is_none());
}

#[test]
fn a_judgement_counts_with_its_source_alone() {
    let mut judged = tree("danger tree");
    judged.width_m = Some(24.0);
    let plan = plan_of(&settings(true), judged.clone());
    assert!(nearest_m(&plan) >= AROUND_M - 0.001);
    let found = told(&plan);
    assert!(
        found.len() == 2 && found[1].0 == Verdict::Warn && found[1].1.contains("width_source"),
        "{found:?}"
    );
    judged.facts.offer(
        Facts::WIDTH_SOURCE,
        Fact::Text("assessor's card 12 (invented)".to_owned()),
    );
    let plan = plan_of(&settings(true), judged);
    let found_m = nearest_m(&plan);
    assert!((12.0 - 0.001..25.0).contains(&found_m), "{found_m}");
    let found = told(&plan);
    assert!(
        found.len() == 1 && found[0].1.contains("card 12"),
        "{found:?}"
    );

    // A line of the rulebook for the class is a judgement with a source, too; one that asks for nothing is none.
    for (reserve_m, least_m) in [(20.0, 21.0), (0.0, AROUND_M)] {
        let mut rules = kept();
        let any = rules.lines.iter().find(|own| own.id == "retain-any");
        let mut own = any.unwrap().clone();
        own.id = "own".to_owned();
        own.class = "danger tree".to_owned();
        own.reserve = Width::Metres(reserve_m);
        rules.lines.insert(0, own);
        let features = [road(), tree("danger tree")];
        let plan = lay_out(ENGINES, &settings(true), &rules, &features, &ground()).unwrap();
        let found_m = nearest_m(&plan);
        assert!(
            (least_m - 0.001..least_m + 15.0).contains(&found_m),
            "{reserve_m}: {found_m}"
        );
    }
}

#[test]
fn its_own_height_goes_before_that_of_the_block_and_what_nobody_knows_is_told() {
    let mut short = tree("danger tree");
    short.facts.offer(Facts::TREE_HEIGHT, Fact::Number(20.0));
    let plan = plan_of(&settings(true), short);
    let found_m = nearest_m(&plan);
    assert!((40.0 - 0.001..41.0).contains(&found_m), "{found_m}");

    let plan = plan_of(&settings(false), tree("danger tree"));
    assert!(nearest_m(&plan) >= 120.0 - 0.001);
    assert_eq!(row(&plan).unwrap().status, Verdict::Unknown);
    let found = told(&plan);
    assert!(
        found.len() == 2 && found[1].0 == Verdict::Unknown && found[1].1.contains("tree_height"),
        "{found:?}"
    );
}

#[test]
fn work_near_a_dangerous_tree_is_found() {
    let settings = settings(true);
    let mut plan = plan_of(&settings, tree("tree"));
    plan.compliance.clear();
    let features = [road(), tree("danger tree")];
    in_context(ENGINES, &settings, &kept(), &features, None, |context| {
        compliance::judge(context, &ground(), &mut plan);
    });
    let row = row(&plan).unwrap();
    assert_eq!(row.status, Verdict::Fail);
    assert!(row.measured.unwrap() < 12.0, "{row:?}");
}

#[test]
fn a_dangerous_tree_among_hazards_is_told_and_sheets_speak_french() {
    let at = Shape::Points(vec![Point::from(PLACE)].into());
    let hazard = feature(LayerKind::Hazards, Some("danger_tree"), None, at);
    let plan = plan_of(&settings(true), hazard);
    let role = plan
        .findings
        .iter()
        .find(|own| own.rule_id == "danger-tree-role");
    assert!(role.unwrap().message.contains("role `retain`"));

    let plan = plan_of(&settings(true), tree("arbre dangereux"));
    let words = in_memory::words_of_map(&plan, Language::French);
    assert!(
        words.contains("arbre dangereux T-1 : personne ne travaille à moins de 60,0 m"),
        "{words}"
    );
}
