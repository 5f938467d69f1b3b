//! Whether decks find room: figures against sums by hand, limits as a code has them. Places are invented.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::model::*;
use blockwright::rulebook::{Rulebook, preset};
use geo::MultiPolygon;
use in_memory::{block, feature, lay_out, line, rectangle, rules};

/// A road along the south of a block of 600 m x 400 m.
fn road() -> Feature {
    Feature {
        id: "R-1".to_owned(),
        ..feature(
            LayerKind::Roads,
            None,
            Some(8.0),
            line(&[(-200.0, -4.0), (800.0, -4.0)]),
        )
    }
}

fn settings(stems_per_ha: f64) -> Settings {
    let mut settings = Settings::default();
    settings.production.stems_per_ha = Some(stems_per_ha);
    settings.production.tree_m3 = Some(0.4);
    settings
}

fn plan_of(features: &[Feature], settings: &Settings, rules: &Rulebook) -> BlockPlan {
    let source = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 400.0)]));
    lay_out(ENGINES, settings, rules, features, &source).unwrap()
}

fn told<'p>(plan: &'p BlockPlan, rule: &str) -> Vec<&'p Finding> {
    plan.findings.iter().filter(|f| f.rule_id == rule).collect()
}

fn row<'p>(plan: &'p BlockPlan, rule: &str) -> Option<&'p ComplianceRow> {
    plan.compliance.iter().find(|row| row.rule_id == rule)
}

#[test]
fn decks_that_need_more_roadside_than_there_is_are_told_with_both_lengths() {
    let plan = plan_of(&[road()], &settings(600.0), &rules(0.08));
    let said = told(&plan, "deck-room");
    assert_eq!(said.len(), 1, "{said:?}");
    // 8 m3 of wood to a metre of roadside, and 600 m of it.
    let needed = plan.volume_m3().unwrap() / 8.0;
    assert!(needed > 600.0, "{needed}");
    let measured = said[0].measured.unwrap();
    assert!(
        (measured - needed).abs() < 0.01 * needed,
        "{measured} {needed}"
    );
    let there = said[0].required.unwrap();
    assert!((there - 600.0).abs() < 20.0, "{there}");
    assert!(
        said[0]
            .message
            .contains(&format!("{measured:.0} m of roadside"))
    );
    assert_eq!(said[0].verdict, Verdict::NotApplicable);
    // A fifth of the trees needs a fifth of the room.
    let plan = plan_of(&[road()], &settings(120.0), &rules(0.08));
    assert!(told(&plan, "deck-room").is_empty());
    // No rule of this code speaks of decks.
    assert!(row(&plan, "deck-share").is_none() && row(&plan, "deck-depth").is_none());
}

#[test]
fn a_code_limits_length_and_depth_of_decks() {
    let rules = preset("qc-radf").unwrap();
    let (share, depth) = (&rules.block.deck_share, &rules.block.deck_depth_m);
    // QC-16 and QC-17.
    assert_eq!(share.as_ref().map(|cited| cited.value), Some(0.25));
    assert_eq!(depth.as_ref().map(|cited| cited.value), Some(30.0));
    for (stems_per_ha, holds) in [(120.0, true), (400.0, false)] {
        let plan = plan_of(&[road()], &settings(stems_per_ha), &rules);
        let row_share = row(&plan, "deck-share").unwrap();
        let decks_m: f64 = plan.decks.iter().map(|deck| deck.length_m).sum();
        let measured = row_share.measured.unwrap();
        assert!(
            (measured - decks_m / 600.0).abs() < 0.03 * measured,
            "{measured} {decks_m}"
        );
        let wanted = if holds { Verdict::Pass } else { Verdict::Fail };
        assert_eq!(
            (row_share.status, measured <= 0.25),
            (wanted, holds),
            "{measured}"
        );
        assert!(row_share.source.contains("s.125"), "{}", row_share.source);
        // 8 m3 a metre, 2.5 m high, 0.65 of it wood: 4.92 m deep.
        let row_depth = row(&plan, "deck-depth").unwrap();
        assert!((row_depth.measured.unwrap() - 4.923).abs() < 0.001);
        assert_eq!(row_depth.status, Verdict::Pass);
    }
    // Piles that hold fifty cubic metres a metre are deeper than the code allows.
    let mut deep = settings(120.0);
    deep.production.deck_m3_per_m = 50.0;
    let plan = plan_of(&[road()], &deep, &rules);
    assert_eq!(row(&plan, "deck-depth").unwrap().status, Verdict::Fail);
    // Where nobody knows how large the trees are, nobody knows the decks.
    let mut unknown = settings(120.0);
    unknown.production.tree_m3 = None;
    let plan = plan_of(&[road()], &unknown, &rules);
    let share = row(&plan, "deck-share").unwrap();
    assert_eq!((share.status, share.measured), (Verdict::Unknown, None));
}

#[test]
fn a_landing_that_holds_less_than_comes_to_it_is_told() {
    let landing = |capacity: Option<f64>| {
        let at = Shape::Points(geo::MultiPoint(vec![geo::Point::new(300.0, 20.0)]));
        let mut landing = Feature {
            id: "L-1".to_owned(),
            ..feature(LayerKind::Landings, None, None, at)
        };
        if let Some(m3) = capacity {
            landing.facts.offer(Facts::CAPACITY, Fact::Number(m3));
        }
        landing
    };
    let mut only_landings = settings(300.0);
    only_landings.layout.decking = Decking::Landings;
    let plan = |capacity| plan_of(&[landing(capacity)], &only_landings, &rules(0.08));
    let small = plan(Some(500.0));
    let said = told(&small, "deck-capacity");
    assert_eq!(said.len(), 1, "{said:?}");
    let volume = small.volume_m3().unwrap();
    assert!((said[0].measured.unwrap() - volume).abs() < 0.01 * volume);
    assert_eq!(said[0].required, Some(500.0));
    assert!(said[0].message.contains("landing L-1, which holds 500 m3"));
    assert!(told(&plan(Some(1e5)), "deck-capacity").is_empty());
    assert!(told(&plan(None), "deck-capacity").is_empty());
}
