//! Ground left as too soft or too steep, where a rule counts it towards the share and where none does.

use crate::audited;
use crate::in_memory;

use audited::{as_plan, audit, of};
use blockwright::engines::ENGINES;
use blockwright::model::*;
use blockwright::rulebook::{ReadStatus, ShareOf};
use geo::MultiPolygon;
use in_memory::*;

/// By hand: of 400 m by 250 m, 100 m by 100 m are soft and left, one hectare of ten.
#[test]
fn left_ground_counts_where_the_rule_says_so_and_is_shown_in_any_case() {
    let mut settings = Settings::default();
    settings.layout.boundary_pass = false;
    settings.layout.soft_ground = SoftGround::Leave;
    settings.layout.pattern = Pattern::Corridors;
    let soft = Shape::Polygons(MultiPolygon(vec![rectangle(100.0, 150.0, 200.0, 250.0)]));
    let features = [feature(LayerKind::SoftGround, None, None, soft)];
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 250.0)]));
    for (share, share_of, left_counts, corridors_m2) in [
        (0.12, ShareOf::Net, false, 12_000.0),
        (0.12, ShareOf::Net, true, 2_000.0),
        (0.12, ShareOf::Gross, true, 2_000.0),
        (0.08, ShareOf::Net, true, 0.0),
    ] {
        let mut rules = rules(share);
        (rules.share_of, rules.left_counts) = (share_of, left_counts);
        rules.retention_share.citation.status = ReadStatus::Project;
        let case = format!("{share} of {share_of:?}, left counts: {left_counts}");
        let plan = lay_out(ENGINES, &settings, &rules, &features, &block).unwrap();
        assert!((plan.books.left_m2 - 10_000.0).abs() < 0.1, "{case}");
        let found_m2 = plan.books.retained_m2;
        assert!((found_m2 - corridors_m2).abs() < 40.0, "{case}: {found_m2}");
        let counted_m2 = if left_counts {
            found_m2 + 10_000.0
        } else {
            found_m2
        };
        assert!(
            (plan.retention_share - counted_m2 / 1e5).abs() < 1e-6,
            "{case}"
        );
        let with_left = (found_m2 + 10_000.0) / 1e5;
        assert!((plan.share_with_left - with_left).abs() < 1e-6, "{case}");
        let mut rows = plan.compliance.iter();
        let row = rows.find(|row| row.rule_id == "retention-share").unwrap();
        assert_eq!(row.status, Verdict::Pass, "{case}: {:?}", row.measured);
        assert!((row.measured.unwrap() - plan.retention_share).abs() < 1e-6);
        // The audit counts the same.
        let cut = as_plan(&plan);
        let audited = audit(&settings, &rules, &features, None, &block, &cut, 0.0);
        let judged = &of(&audited, "retention-share").row.row;
        assert_eq!(judged.status, Verdict::Pass, "{case}");
        let own = judged.measured.unwrap();
        assert!((own - plan.retention_share).abs() < 1e-6, "{case}: {own}");
    }
}

/// By hand: of a patch of 40 m by 40 m that counts, a road is cleared over 10 m. No tree of it stands there, for layout and audit alike.
#[test]
fn a_patch_counts_only_where_no_road_is_cleared() {
    let road = feature(
        LayerKind::Roads,
        None,
        Some(10.0),
        line(&[(-50.0, 100.0), (450.0, 100.0)]),
    );
    let ring = rectangle(200.0, 90.0, 240.0, 130.0);
    let shape = Shape::Polygons(MultiPolygon(vec![ring]));
    let mut patch = feature(LayerKind::Retain, Some("patch"), None, shape);
    patch.facts.offer(Facts::COUNTS, Fact::Flag(true));
    let mut rules = rules(0.12);
    rules.keep_all();
    let features = [road, patch];
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 250.0)]));
    let settings = Settings::default();
    let plan = lay_out(ENGINES, &settings, &rules, &features, &block).unwrap();
    assert!(
        (plan.books.kept_m2 - 1_200.0).abs() < 2.0,
        "{}",
        plan.books.kept_m2
    );
    let audited = audit(
        &settings,
        &rules,
        &features,
        None,
        &block,
        &as_plan(&plan),
        0.0,
    );
    let by_audit = of(&audited, "retention-share").row.row.measured.unwrap();
    let own = plan
        .compliance
        .iter()
        .find(|row| row.rule_id == "retention-share");
    let own = own.unwrap().measured.unwrap();
    assert!((own - by_audit).abs() < 1e-4, "{own} {by_audit}");
    assert!(own >= 0.12);
}
