//! Shares of whole blocks on blocks made in memory: endless corridors, mixed bases of shares, named portfolios.

use crate::audited;
use crate::in_memory;

use audited::{as_plan, audit, of};
use blockwright::compliance::{self, Season};
use blockwright::engines::ENGINES;
use blockwright::geometry::area::{area, polygon_area};
use blockwright::model::*;
use blockwright::rulebook::{Influence, Rulebook, ShareOf, preset};
use geo::MultiPolygon;
use in_memory::*;

fn bare(retention_share: f64) -> Rulebook {
    let mut rules = preset("bare").unwrap();
    rules.retention_share = cited(retention_share);
    rules
}

fn measured(plan: &BlockPlan, rule_id: &str) -> f64 {
    let mut rows = plan.compliance.iter();
    let row = rows.find(|row| row.rule_id == rule_id);
    row.unwrap_or_else(|| panic!("no row {rule_id}"))
        .measured
        .unwrap()
}

const LENGTH_M: f64 = 250.0;

/// Influence area and retained area of `corridors` corridors between one strip more, all from edge to edge.
fn corridors(tree_m: f64, cut_m: f64, kept_m: f64, corridors: f64) -> (f64, f64) {
    // More is asked for than such corridors can give, so their width is the one allowed.
    let mut rules = bare(0.9);
    (rules.block.corridor_min_m, rules.block.corridor_max_m) =
        (Some(cited(kept_m)), Some(cited(kept_m)));
    rules.block.influence = Some(Influence {
        share: cited(0.5),
        more_than: true,
        tree_height_m: tree_m,
        forest_outside: false,
    });
    let mut settings = Settings::default();
    settings.machine.reach_m = cut_m / 2.0 + settings.machine.reach_margin_m;
    settings.layout.boundary_pass = false;
    settings.layout.pattern = Pattern::Corridors;
    settings.layout.azimuth = Azimuth::Degrees(0.0);
    let width_m = corridors * (cut_m + kept_m) + cut_m;
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, width_m, LENGTH_M)]));
    let plan = lay_out(ENGINES, &settings, &rules, &[], &block).unwrap();
    assert_eq!(plan.corridors.len() as f64, corridors);
    let influence_m2 = measured(&plan, "influence-area") * area(&plan.shape);
    let kept = plan.corridors.iter();
    let kept_m2 = kept.map(|corridor| polygon_area(&corridor.shape)).sum();
    (influence_m2, kept_m2)
}

#[test]
fn rt_03_endless_parallel_corridors() {
    // RT-03 with RT-02's formulas: (h, wc, wr) -> influence min(1, (wr + 2h) / (wc + wr)), retention wr / (wc + wr).
    for (tree_m, cut_m, kept_m, influence, retention) in [
        (20.0, 40.0, 10.0, 1.0, 0.20),
        (20.0, 100.0, 10.0, 0.454_545, 0.090_909),
        (25.0, 60.0, 12.0, 0.861_111, 0.166_667),
    ] {
        // One corridor more adds one whole pitch inside; what the edges do is the same in both blocks.
        let (four, kept_four) = corridors(tree_m, cut_m, kept_m, 4.0);
        let (five, kept_five) = corridors(tree_m, cut_m, kept_m, 5.0);
        let pitch_m2 = (cut_m + kept_m) * LENGTH_M;
        let share = (five - four) / pitch_m2;
        assert!((share - influence).abs() < 1e-6, "{share}, not {influence}");
        let share = (kept_five - kept_four) / pitch_m2;
        assert!((share - retention).abs() < 1e-6, "{share}, not {retention}");
        // The whole block: the outer strips are influenced from one side only.
        let inner = (2.0 * tree_m).min(cut_m);
        let expected = (4.0 * kept_m + 3.0 * inner + 2.0 * tree_m.min(cut_m)) * LENGTH_M;
        assert!((four - expected).abs() < 0.01, "{four}, not {expected}");
    }
}

/// A block of 400 x 300 m of which a protected belt takes a quarter.
fn with_belt(rules: &Rulebook) -> BlockPlan {
    let belt = Shape::Polygons(MultiPolygon(vec![rectangle(0.0, 0.0, 100.0, 300.0)]));
    let belt = feature(LayerKind::Protected, None, None, belt);
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]));
    lay_out(ENGINES, &Settings::default(), rules, &[belt], &block).unwrap()
}

#[test]
fn the_layout_meets_its_own_share_and_its_part_of_the_portfolio() {
    let (gross_m2, net_m2) = (120_000.0, 90_000.0);
    // Own share, what of, whether reserves count, the portfolio's share; what corridors must then give.
    for (own, of, count, portfolio, expected_m2) in [
        (0.10, ShareOf::Net, false, 0.07, 0.10 * net_m2),
        (0.10, ShareOf::Net, false, 0.08, 0.08 * gross_m2),
        (0.10, ShareOf::Gross, false, 0.08, 0.10 * gross_m2),
        (0.30, ShareOf::Net, true, 0.07, 0.30 * gross_m2 - 30_000.0),
        (0.10, ShareOf::Gross, true, 0.31, 0.31 * gross_m2 - 30_000.0),
        (0.10, ShareOf::Net, true, 0.07, 0.0),
    ] {
        let mut rules = bare(own);
        (rules.share_of, rules.reserves_count) = (of, count);
        rules.block.portfolio_share = Some(cited(portfolio));
        let plan = with_belt(&rules);
        let kept = plan.corridors.iter();
        let kept_m2: f64 = kept.map(|corridor| polygon_area(&corridor.shape)).sum();
        let case = format!("{own} {of:?} {count} {portfolio}");
        assert!(
            kept_m2 >= expected_m2 - 1e-3,
            "{case}: {kept_m2}, not {expected_m2}"
        );
        assert!(
            kept_m2 <= expected_m2 + 30.0,
            "{case}: {kept_m2}, not {expected_m2}"
        );
        // The block's own rule is what its outputs state, on the base of that rule.
        assert_eq!(plan.required_share, own);
        let share = measured(&plan, "retention-share");
        assert!(
            (plan.retention_share - share).abs() < 1e-6,
            "{case}: {share}"
        );
        let base_m2 = if count || of == ShareOf::Gross {
            gross_m2
        } else {
            net_m2
        };
        let counted_m2 = if count { 30_000.0 } else { 0.0 };
        assert!(
            (share - (kept_m2 + counted_m2) / base_m2).abs() < 1e-6,
            "{case}: {share}"
        );
        let mut season = Season::default();
        season.add(&plan, &rules, &Default::default());
        let judged = season.judge(&rules);
        assert_eq!(
            judged[0].row.status,
            Verdict::Pass,
            "{case}: {}",
            judged[0].row.title
        );
    }
}

#[test]
fn portfolios_are_judged_one_by_one() {
    let mut rules = bare(0.0);
    rules.reserves_count = true;
    let mut plan = with_belt(&rules);
    rules.block.portfolio_share = Some(cited(0.15));
    let mut season = Season::default();
    let mut add = |name: Option<&str>, reserve_m2: f64| {
        plan.portfolio = name.map(str::to_owned);
        plan.books.reserve_m2 = reserve_m2;
        season.add(&plan, &rules, &Default::default());
    };
    // Of 12 ha each: 20 % and 10 % make 15 %, and a square metre less does not.
    add(Some("winter"), 24_000.0);
    add(Some("winter"), 12_000.0);
    add(None, 17_999.0);
    add(Some("summer"), 24_000.0);
    season.leave_out(Some("summer"));
    season.leave_out(Some("spring"));
    let judged = season.judge(&rules);
    let found: Vec<(&str, Verdict)> = (judged.iter())
        .map(|share| (share.row.rule_id.as_str(), share.row.status))
        .collect();
    assert_eq!(
        found,
        [
            ("portfolio-share", Verdict::Fail),
            ("portfolio-share:spring", Verdict::Unknown),
            ("portfolio-share:summer", Verdict::Unknown),
            ("portfolio-share:winter", Verdict::Pass),
        ]
    );
    assert_eq!(judged[1].row.measured, None, "nothing of it was laid out");
    let findings = judged.iter().filter(|share| share.finding.is_some());
    assert_eq!(findings.count(), 3, "a finding for all that is no pass");
}

/// Row US-08: 5 % of the unit in clumps larger than 0.1 ha. Of a block 250 m deep corridors of the least width have some
/// 600 m2 each.
#[test]
fn retention_counts_only_in_patches_larger_than_the_least() {
    const LEAST_M2: f64 = 1_000.0;
    let road = feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-100.0, -5.0), (900.0, -5.0)]),
    );
    let features = [road];
    // As close and as narrow as they may be.
    let mut settings = Settings::default();
    settings.layout.corridor_spacings = 0.0;
    settings.layout.strips_between_corridors = 4;
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, LENGTH_M)]));
    let mut any = bare(0.05);
    any.share_of = ShareOf::Gross;
    let mut large = any.clone();
    large.block.least_patch_m2 = Some(cited(LEAST_M2));
    let areas = |plan: &BlockPlan| -> Vec<f64> {
        let corridors = plan.corridors.iter();
        corridors
            .map(|corridor| polygon_area(&corridor.shape))
            .collect()
    };
    let row = |plan: &BlockPlan| {
        let mut rows = plan.compliance.iter();
        rows.find(|row| row.rule_id == "retention-share")
            .unwrap()
            .clone()
    };
    let slivers = lay_out(ENGINES, &settings, &any, &features, &ground).unwrap();
    assert!(areas(&slivers).iter().any(|&area_m2| area_m2 < LEAST_M2));
    assert_eq!(row(&slivers).status, Verdict::Pass);
    // What passes as slivers does not as patches, in the layout and in the audit.
    let mut judged = slivers.clone();
    judged.compliance.clear();
    in_context(ENGINES, &settings, &large, &features, None, |context| {
        compliance::judge(context, &ground, &mut judged);
    });
    let counted_m2: f64 = areas(&slivers)
        .into_iter()
        .filter(|&m2| m2 > LEAST_M2)
        .sum();
    let found = row(&judged);
    assert_eq!(found.status, Verdict::Fail);
    assert!((found.measured.unwrap() - counted_m2 / (600.0 * LENGTH_M)).abs() < 1e-9);
    assert!(
        found.title.contains("larger than 0.1 ha"),
        "{}",
        found.title
    );
    let audited = |plan: &BlockPlan| {
        let cut = as_plan(plan);
        let audited = audit(&settings, &large, &features, None, &ground, &cut, 0.0);
        of(&audited, "retention-share").clone()
    };
    assert_eq!(audited(&slivers).status(), Verdict::Fail);
    // Asked for patches, the layout leaves patches, and no more of them than are needed.
    let patches = lay_out(ENGINES, &settings, &large, &features, &ground).unwrap();
    assert!(
        areas(&patches).iter().all(|&area_m2| area_m2 > LEAST_M2),
        "{:?}",
        areas(&patches)
    );
    let share = row(&patches);
    assert_eq!(share.status, Verdict::Pass);
    assert!(
        (0.05..0.0501).contains(&share.measured.unwrap()),
        "{:?}",
        share.measured
    );
    assert_eq!(
        audited(&patches).status(),
        Verdict::Pass,
        "{:?}",
        audited(&patches).row
    );
}
