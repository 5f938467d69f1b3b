//! Roads and trails that other people use within two tree lengths of what is cut: told with their stretches and hours; and
//! machines in blocks that near each other never cut at once.

use crate::dispatch_support;
use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::area;
use blockwright::geometry::overlay::oriented;
use blockwright::model::*;
use blockwright::schedule::{self, What};
use dispatch_support as support;
use geo::MultiPolygon;
use in_memory::*;

/// Trees of 30 m: two lengths are 60 m (published check value SF-06: 30 m high, 60 m around).
const TWO_LENGTHS_M: f64 = 60.0;

fn settings() -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    settings.production.stems_per_ha = Some(550.0);
    settings.production.tree_m3 = Some(0.45);
    settings.layout.tree_height = Some(TreeHeight {
        height_m: 30.0,
        source: "cruise of the block (invented)".to_owned(),
    });
    settings
}

/// Where the wood goes, which nobody else uses.
fn road() -> Feature {
    let along = line(&[(-100.0, 0.0), (700.0, 0.0)]);
    let mut own = feature(LayerKind::Roads, None, Some(10.0), along);
    own.facts.offer(Facts::PEOPLE, Fact::Flag(false));
    own
}

/// Along the back of the block, `away_m` behind it, 1000 m long.
fn road_behind(away_m: f64, people: Option<bool>) -> Feature {
    let y = 305.0 + away_m;
    let along = line(&[(-200.0, y), (800.0, y)]);
    let mut own = feature(LayerKind::Roads, None, Some(0.0), along);
    own.id = "behind".to_owned();
    if let Some(people) = people {
        own.facts.offer(Facts::PEOPLE, Fact::Flag(people));
    }
    own
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 5.0, 600.0, 305.0)]))
}

fn plan_of(settings: &Settings, features: &[Feature]) -> BlockPlan {
    lay_out(ENGINES, settings, &rules(0.0), features, &ground()).unwrap()
}

fn told(plan: &BlockPlan, rule_id: &str) -> Vec<String> {
    let own = plan.findings.iter().filter(|own| own.rule_id == rule_id);
    own.map(|own| own.message.clone()).collect()
}

#[test]
fn a_road_behind_the_block_is_told_with_its_stretch_and_hours() {
    let plan = plan_of(&settings(), &[road(), road_behind(40.0, Some(true))]);
    assert_eq!(plan.falling.radius_m, TWO_LENGTHS_M);
    let [note] = &plan.people[..] else {
        panic!("{:?}", plan.people)
    };
    assert!(note.said && note.role == "roads" && note.id == "behind");
    // 20 m of the block all along its back.
    assert!((note.cut_m2 - 20.0 * 600.0).abs() < 60.0, "{}", note.cut_m2);
    // From corner to corner, and as far beyond as the corners reach: the root of 60² − 40² is 44.7 m.
    assert!(
        (note.length_m - 600.0 - 2.0 * 44.72).abs() < 1.0,
        "{}",
        note.length_m
    );
    // No section is without hours, and those near are a share of all.
    let all: f64 = plan.sections.iter().map(|own| own.hours.unwrap()).sum();
    let near = note.day_hours.unwrap() + note.night_hours.unwrap();
    let cut_m2: f64 = plan
        .strips
        .iter()
        .map(|own| area(&MultiPolygon(vec![own.shape.clone()])))
        .sum();
    assert!(near > 0.0 && near < all);
    assert!(
        (near / all - note.cut_m2 / cut_m2).abs() < 0.05,
        "{near} of {all}"
    );
    // Every section named reaches into the 20 m.
    let [_, y] = plan.origin();
    for own in &note.sections {
        let section = plan
            .sections
            .iter()
            .find(|s| s.id == own.id && s.section_no == own.section_no)
            .unwrap();
        let corners = section.shape.0.iter().flat_map(|shape| &shape.exterior().0);
        let highest = corners.map(|c| c.y + y).fold(f64::MIN, f64::max);
        assert!(highest > 285.0 - 0.01, "{own:?} {highest}");
    }
    let [text] = &told(&plan, "people-near")[..] else {
        panic!()
    };
    assert!(
        text.contains("behind")
            && text.contains(&format!("watch {:.0} m", note.length_m))
            && text.contains("60 m"),
        "{text}"
    );
}

#[test]
fn who_is_far_or_said_to_be_nobody_is_not_told() {
    for (away_m, people) in [(61.0, Some(true)), (40.0, Some(false))] {
        let plan = plan_of(&settings(), &[road(), road_behind(away_m, people)]);
        assert!(plan.people.is_empty(), "{away_m} {people:?}");
    }
    // What nobody says is listed, and not told as known.
    let plan = plan_of(&settings(), &[road(), road_behind(40.0, None)]);
    assert!(plan.people.len() == 1 && !plan.people[0].said);
    assert!(told(&plan, "people-near").is_empty());
}

#[test]
fn trails_and_dwellings_among_hazards_are_places_of_people() {
    let hazard = |class: &str, shape: Shape| feature(LayerKind::Hazards, Some(class), None, shape);
    let trail = line(&[(-50.0, 340.0), (650.0, 340.0)]);
    let cabin = Shape::Points(vec![geo::Point::new(300.0, 350.0)].into());
    for (class, shape) in [("trail", trail.clone()), ("cabin", cabin)] {
        let plan = plan_of(&settings(), &[road(), hazard(class, shape)]);
        assert_eq!(plan.people.len(), 1, "{class}");
        assert_eq!(plan.people[0].length_m > 0.0, class == "trail");
    }
    let plan = plan_of(&settings(), &[road(), hazard("steep_break", trail)]);
    assert!(plan.people.is_empty());
}

#[test]
fn unknown_trees_are_told_where_people_are() {
    let mut unknown = settings();
    unknown.layout.tree_height = None;
    let plan = plan_of(&unknown, &[road(), road_behind(100.0, Some(true))]);
    assert_eq!(plan.falling.radius_m, 120.0);
    assert_eq!(told(&plan, "falling-area").len(), 1);
    assert_eq!(plan.status, BlockStatus::Warn);
    // Stands say it: of all the block the tallest.
    let stand = |x0: f64, x1: f64, m: f64| {
        let shape = oriented(MultiPolygon(vec![rectangle(x0, -9.0, x1, 309.0)]));
        let mut own = feature(LayerKind::Stands, None, None, Shape::Polygons(shape));
        own.facts.offer(Facts::TREE_HEIGHT, Fact::Number(m));
        own
    };
    let stands = [road(), stand(-9.0, 300.0, 18.0), stand(300.0, 609.0, 25.0)];
    let plan = plan_of(&unknown, &stands);
    assert_eq!(
        (plan.falling.radius_m, plan.falling.trees_from),
        (50.0, "stands")
    );
}

#[test]
fn french_sheets_say_in_french_whom_to_keep_off() {
    let plan = plan_of(&settings(), &[road(), road_behind(40.0, Some(true))]);
    let text = |language| words_of_map(&plan, language);
    let (english, french) = (text(Language::English), text(Language::French));
    let long = format!("{:.0} m", plan.people[0].length_m);
    assert!(
        english.contains(&format!("close or watch {long}")),
        "{english}"
    );
    assert!(
        french.contains(&format!("behind : à fermer ou surveiller sur {long}")),
        "{french}"
    );
    assert!(!french.contains("watch") && !french.contains("felling"));
}

#[test]
fn near_blocks_are_never_cut_at_once() {
    let days = 4;
    let mut problem = schedule::Problem {
        period: support::stretch(0, (days + 1) * support::DAY),
        blocks: vec![
            support::block("A", "b dd dd", 2.0, [0.0, 0.0], days),
            support::block("B", "b dd dd", 2.0, [500.0, 0.0], days),
        ],
        machines: vec![
            support::machine("M1", support::shifts(days, 8, 8), 1000),
            support::machine("M2", support::shifts(days, 8, 8), 1000),
        ],
        moves: support::moves(1),
        wood: Default::default(),
    };
    let at_once = |problem: &schedule::Problem| {
        let plan = schedule::solve(problem).plan;
        assert_eq!(schedule::check(problem, &plan), Vec::<String>::new());
        let cuts = |block: usize| {
            let own = plan
                .tasks
                .iter()
                .filter(move |t| t.block == block && matches!(t.what, What::Cut { .. }));
            own.map(|t| t.span).collect::<Vec<_>>()
        };
        let (a, b) = (cuts(0), cuts(1));
        assert!(!a.is_empty() && !b.is_empty());
        let found = a
            .iter()
            .any(|a| b.iter().any(|b| a.from < b.to && b.from < a.to));
        (found, plan)
    };
    let (found, free) = at_once(&problem);
    assert!(found, "two machines have nothing to keep them apart");
    problem.blocks[0].near = vec![1];
    problem.blocks[1].near = vec![0];
    let (found, _) = at_once(&problem);
    assert!(!found);
    // The plan that knew of nothing breaks the rule.
    let broken = schedule::check(&problem, &free);
    assert!(
        broken.iter().any(|what| what.contains("falling trees")),
        "{broken:?}"
    );
}
