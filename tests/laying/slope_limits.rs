//! Slopes by machine, heading and state of the ground, on planes whose slope in every direction is known by hand. Published
//! limits are check values SF-01 to SF-03.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::model::*;
use geo::{LineString, MultiPolygon};
use in_memory::*;

/// Rises to the north by so much a metre.
fn rising(slope: f64) -> Plane {
    plane(0.0, slope)
}

/// Rises to the east and to the north.
fn plane(east: f64, north: f64) -> Plane {
    Plane::of(|x, y| east * x + north * y)
}

fn limit(machine: LimitOf, heading: SlopeHeading, state: GroundState, most: f64) -> SlopeLimit {
    SlopeLimit {
        machine,
        heading,
        state,
        most,
        source: "maker's manual, page 31 (invented)".to_owned(),
    }
}

fn plan_of(rules: SlopeRules, terrain: Option<&Plane>) -> BlockPlan {
    plan_with(Settings::default(), rules, terrain)
}

fn plan_with(mut settings: Settings, rules: SlopeRules, terrain: Option<&Plane>) -> BlockPlan {
    settings.production.stems_per_ha = Some(550.0);
    settings.production.tree_m3 = Some(0.45);
    settings.slopes = rules;
    let road = feature(
        LayerKind::Roads,
        None,
        Some(8.0),
        line(&[(-50.0, -6.0), (650.0, -6.0)]),
    );
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 450.0)]));
    let terrain = terrain.map(|plane| plane as &dyn blockwright::landbase::SlopeSource);
    let rulebook = in_memory::rules(0.0);
    lay_out_on(ENGINES, &settings, &rulebook, &[road], terrain, &ground).unwrap()
}

fn of_feller(heading: SlopeHeading, most: f64) -> SlopeRules {
    SlopeRules {
        limits: vec![limit(LimitOf::Feller, heading, GroundState::Any, most)],
        ..SlopeRules::default()
    }
}

fn rows(plan: &BlockPlan) -> Vec<&ComplianceRow> {
    let rows = plan.compliance.iter();
    rows.filter(|row| row.rule_id.starts_with("slope-"))
        .collect()
}

fn told(plan: &BlockPlan, id: &str) -> String {
    let found = plan.findings.iter().find(|own| own.rule_id == id);
    found.map_or(String::new(), |own| own.message.clone())
}

/// Metres of lines, with the slopes across and up that the plane gives them by hand.
fn by_hand<'l>(
    slope: f64,
    lines: impl Iterator<Item = &'l LineString>,
    over: impl Fn(f64, f64) -> bool,
) -> f64 {
    let mut sum = 0.0;
    for line in lines {
        for w in line.0.windows(2) {
            let d = w[1] - w[0];
            let m = d.x.hypot(d.y);
            if m > 0.0 && over(slope * d.x.abs() / m, slope * d.y / m) {
                sum += m;
            }
        }
    }
    sum
}

#[test]
fn metres_across_and_down_are_those_of_the_plane() {
    let plane = rising(0.30);
    let plan = plan_of(of_feller(SlopeHeading::Across, 0.20), Some(&plane));
    let [row] = &rows(&plan)[..] else {
        panic!("{:?}", rows(&plan))
    };
    assert_eq!(
        (row.rule_id.as_str(), row.status),
        ("slope-feller:across", Verdict::Fail)
    );
    assert!((row.measured.unwrap() - 0.30).abs() < 1e-3, "{row:?}");
    assert!(row.source.contains("maker's manual"));
    let of_kind = |pass: bool| {
        let lines = plan.lines.iter();
        lines
            .filter(move |own| (own.kind == StripKind::BoundaryPass) == pass)
            .map(|own| &own.shape)
    };
    let pass_m = by_hand(0.30, of_kind(true), |across, _| across > 0.20);
    // The back of the block, at least.
    assert!(pass_m > 500.0, "{pass_m}");
    let text = told(&plan, "slope-feller:across");
    assert!(
        text.contains(&format!("{pass_m:.0} m of boundary pass")),
        "{pass_m} {text}"
    );
    let strips_m = by_hand(0.30, of_kind(false), |across, _| across > 0.20);
    assert_eq!(
        text.contains("m of strips"),
        strips_m >= 0.5,
        "{strips_m} {text}"
    );

    let plan = plan_of(of_feller(SlopeHeading::Down, 0.25), Some(&plane));
    let passes = plan.lines.iter();
    let passes = passes.filter(|own| own.kind == StripKind::BoundaryPass);
    let down_m = by_hand(0.30, passes.map(|own| &own.shape), |_, up| up < -0.25);
    assert!(down_m > 300.0, "{down_m}");
    let text = told(&plan, "slope-feller:down");
    assert!(
        text.contains(&format!("{down_m:.0} m of boundary pass")),
        "{down_m} {text}"
    );
    // Up no line is steeper than the plane itself.
    let plan = plan_of(of_feller(SlopeHeading::Up, 0.31), Some(&plane));
    assert_eq!(rows(&plan)[0].status, Verdict::Pass);
}

#[test]
fn without_limits_nothing_is_said_and_without_slopes_nobody_knows() {
    let plan = plan_of(SlopeRules::default(), Some(&rising(0.30)));
    assert!(rows(&plan).is_empty());
    let plan = plan_of(of_feller(SlopeHeading::Across, 0.20), None);
    let found = rows(&plan);
    assert_eq!(
        (found[0].status, found[0].measured),
        (Verdict::Unknown, None)
    );
    assert!(told(&plan, "slope-feller:across").contains("nobody knows how steep"));
}

#[test]
fn a_limit_in_frost_is_told_and_fails_nothing() {
    let rules = SlopeRules {
        limits: vec![limit(
            LimitOf::Feller,
            SlopeHeading::Across,
            GroundState::Frost,
            0.20,
        )],
        ..SlopeRules::default()
    };
    let plan = plan_of(rules.clone(), Some(&rising(0.30)));
    assert!(rows(&plan).is_empty());
    let text = told(&plan, "slope-state");
    assert!(
        text.starts_with("on frozen ground the feller does not go across slopes over 20.00 %")
            && text.contains("m of boundary pass"),
        "{text}"
    );
    let free = plan_of(SlopeRules::default(), Some(&rising(0.30)));
    assert_eq!(plan.status, free.status);
    // On gentler ground there is nothing to say.
    assert!(told(&plan_of(rules, Some(&rising(0.15))), "slope-state").is_empty());

    let words = in_memory::words_of_map(&plan, Language::French);
    assert!(
        words.contains("Sur sol gelé, l’abatteuse ne va pas en travers"),
        "{words}"
    );
}

/// SF-01 and SF-02, and a maker's limit before them.
#[test]
fn a_skidder_has_the_limit_of_its_kind_unless_its_maker_has_one() {
    let plane = rising(0.38);
    for (kind, stated, status, most) in [
        (MachineKind::Wheeled, None, Verdict::Warn, 0.35),
        (MachineKind::Tracked, None, Verdict::Pass, 0.40),
        (MachineKind::Wheeled, Some(0.45), Verdict::Pass, 0.45),
        (MachineKind::Tracked, Some(0.30), Verdict::Warn, 0.30),
    ] {
        let stated =
            stated.map(|most| limit(LimitOf::Skidder, SlopeHeading::Any, GroundState::Any, most));
        let rules = SlopeRules {
            skidder: Some(kind),
            limits: stated.into_iter().collect(),
            ..SlopeRules::default()
        };
        let plan = plan_of(rules, Some(&plane));
        let found = rows(&plan);
        let [row] = &found[..] else {
            panic!("{found:?}")
        };
        assert_eq!(
            (row.rule_id.as_str(), row.status, row.required),
            ("slope-skidder:any", status, Some(most))
        );
        assert!((row.measured.unwrap() - 0.38).abs() < 1e-3, "{row:?}");
        let text = told(&plan, "slope-skidder:any");
        assert_eq!(
            text.contains("m of strips"),
            status == Verdict::Warn,
            "{text}"
        );
    }
}

/// Along the road the ground rises by 30 %, and who thinks of nothing else runs strips square to it. A limit of 20 % across turns
/// them to within 41.8 degrees of the way that the ground falls.
#[test]
fn strips_turn_to_keep_a_limit_across() {
    let hill = plane(0.30, 0.0);
    let mut settings = Settings::default();
    settings.production.cross_slope_factor = 0.0;
    let over_m = |rules: SlopeRules| {
        let plan = plan_with(settings.clone(), rules, Some(&hill));
        let strips = plan
            .lines
            .iter()
            .filter(|own| own.kind == StripKind::Interior);
        let mut sum = 0.0;
        for line in strips {
            for w in line.shape.0.windows(2) {
                let d = w[1] - w[0];
                let m = d.x.hypot(d.y);
                if m > 0.0 && 0.30 * d.y.abs() / m > 0.20 {
                    sum += m;
                }
            }
        }
        (sum, plan)
    };
    let (free_m, _) = over_m(SlopeRules::default());
    assert!(free_m > 5_000.0, "{free_m}");
    let (kept_m, plan) = over_m(of_feller(SlopeHeading::Across, 0.20));
    assert!(kept_m < 1.0, "{kept_m}");
    // What is left are passes, which follow the edge.
    let text = told(&plan, "slope-feller:across");
    assert!(
        text.contains("m of boundary pass") && !text.contains("m of strips"),
        "{text}"
    );
    assert!(
        plan.parts
            .iter()
            .all(|part| part.choice.chosen.beyond_h < 1e-9)
    );
}
