//! Corridors as wide as some trees stand apart, and only as many as that leaves room for.

use crate::in_memory;

use blockwright::engines::ENGINES;
use blockwright::geometry::area::Bounds;
use blockwright::model::*;
use blockwright::rulebook::{Influence, Rulebook};
use geo::MultiPolygon;
use in_memory::*;

/// 600 m by 250 m without roads, boundary pass and neighbours, with strips 16.79 m wide from south to north.
fn plan(rules: &Rulebook, stems_per_ha: Option<f64>, change: impl Fn(&mut Settings)) -> BlockPlan {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings.layout.azimuth = Azimuth::Degrees(0.0);
    settings.production.stems_per_ha = stems_per_ha;
    change(&mut settings);
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 250.0)]));
    lay_out(ENGINES, &settings, rules, &[], &block).unwrap()
}

fn row<'p>(plan: &'p BlockPlan, rule_id: &str) -> Option<&'p ComplianceRow> {
    plan.compliance.iter().find(|row| row.rule_id == rule_id)
}

/// Whole corridors by their left sides, and how wide each is.
fn corridors(plan: &BlockPlan) -> Vec<(f64, f64)> {
    let bounds = plan.corridors.iter();
    let bounds = bounds.map(|corridor| Bounds::of(&corridor.shape.exterior().0));
    let mut corridors: Vec<(f64, f64)> = bounds.map(|b| (b.min.x, b.max.x - b.min.x)).collect();
    corridors.sort_by(|a, b| a.0.total_cmp(&b.0));
    corridors
}

/// By hand: 625 trees to a hectare stand 4 m apart, so three take 12 m. 12 % of 600 m are 72 m. With four strips of 16.79 m between
/// two corridors seven have room, 84 m of them, which is too much; with five six, 72 m. Six is even, and leaves room for five,
/// of 14.4 m each (5 x 100.74 m + 4 x 14.4 m = 561 m).
#[test]
fn corridors_are_three_trees_wide_and_as_close_as_the_share_allows() {
    let plan = plan(&rules(0.12), Some(625.0), |_| {});
    let found = corridors(&plan);
    assert_eq!(found.len(), 5, "{found:?}");
    for (_, width_m) in &found {
        assert!((width_m - 14.4).abs() < 0.05, "{found:?}");
    }
    for pair in found.windows(2) {
        let between_m = pair[1].0 - pair[0].0 - pair[0].1;
        assert!((between_m - 6.0 * 16.790_4).abs() < 1e-3, "{found:?}");
    }
    let spacings = row(&plan, "corridor-spacings").unwrap();
    assert_eq!(spacings.status, Verdict::Pass);
    assert!((spacings.measured.unwrap() - found[0].1 / 4.0).abs() < 1e-3);
    assert!(plan.retention_share >= 0.12 && plan.retention_share < 0.121);
}

#[test]
fn where_corridors_must_be_close_they_are_narrower_and_a_warning_says_so() {
    let plan = plan(&rules(0.12), Some(625.0), |settings| {
        settings.layout.strips_between_corridors = 1;
    });
    let found = corridors(&plan);
    assert!(
        found.len() > 20 && found.iter().all(|(_, m)| *m < 4.0),
        "{found:?}"
    );
    let spacings = row(&plan, "corridor-spacings").unwrap();
    assert_eq!(
        (spacings.status, spacings.required),
        (Verdict::Warn, Some(3.0))
    );
    let finding = plan
        .findings
        .iter()
        .find(|f| f.rule_id == "corridor-spacings");
    let message = &finding.unwrap().message;
    assert!(message.contains("trees stand 4.0 m apart"), "{message}");
    // Asked for by a rule, it is a failure.
    let mut rules = rules(0.12);
    rules.block.corridor_spacings = Some(cited(3.0));
    let plan = self::plan(&rules, Some(625.0), |settings| {
        settings.layout.strips_between_corridors = 1;
    });
    let status = row(&plan, "corridor-spacings").unwrap().status;
    assert_eq!(status, Verdict::Fail);
}

#[test]
fn nobody_judges_by_trees_that_nobody_knows_and_none_where_none_are_asked() {
    let unknown = plan(&rules(0.12), None, |_| {});
    assert!(row(&unknown, "corridor-spacings").is_none());
    let unasked = plan(&rules(0.12), Some(625.0), |settings| {
        settings.layout.corridor_spacings = 0.0;
    });
    assert!(row(&unasked, "corridor-spacings").is_none());
    // As few as reach the share, each nearly as wide as a strip.
    assert!(corridors(&unasked).iter().all(|(_, m)| *m > 14.0));
}

/// RT-03's field of parallel corridors (list of check values): a corridor and a tree's height to both sides of it have to be the
/// share of each pitch. With 5 % asked for and trees of 20 m, wide corridors alone would lie 240 m apart.
#[test]
fn where_trees_must_have_influence_corridors_lie_no_farther_apart_than_that_takes() {
    let mut rules = rules(0.05);
    let apart = |plan: &BlockPlan| {
        let found = corridors(plan);
        let gaps = found.windows(2).map(|w| w[1].0 - w[0].0 - w[0].1);
        gaps.fold(0.0_f64, f64::max)
    };
    let far = apart(&plan(&rules, Some(625.0), |_| {}));
    assert!(far > 150.0, "{far}");
    rules.block.influence = Some(Influence {
        share: cited(0.5),
        more_than: true,
        tree_height_m: 20.0,
        forest_outside: false,
    });
    let plan = plan(&rules, Some(625.0), |_| {});
    let close = apart(&plan);
    assert!(close <= 80.0, "{close}");
    assert_eq!(row(&plan, "influence-area").unwrap().status, Verdict::Pass);
}
