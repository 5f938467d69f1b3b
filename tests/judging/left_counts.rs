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
