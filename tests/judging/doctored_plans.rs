//! A sound plan is changed by known amounts, and its judgement must notice each and measure it: verdicts that never fail
//! prove nothing. Distances are by hand.

use crate::in_memory;

use blockwright::compliance;
use blockwright::engines::ENGINES;
use blockwright::layout;
use blockwright::model::*;
use blockwright::rulebook::Width;
use geo::{Area, Coord, LineString, MultiPolygon, Polygon};
use in_memory::{block, feature, in_context, line, rectangle, rules};

const EXCLUSION_M: f64 = 5.0;
/// The stream runs north at this x and is 4 m wide.
const STREAM_X: f64 = 250.0;

/// A block of 6 ha with a road along the south and streams through the west and the east, laid out with strips due north,
/// changed, and judged anew.
fn judged(change: impl FnOnce(&mut BlockPlan)) -> BlockPlan {
    let road = line(&[(-50., -5.), (350., -5.)]);
    let stream = line(&[(STREAM_X, -50.), (STREAM_X, 250.)]);
    let another = line(&[(20.0, -50.), (20.0, 250.)]);
    let features = [
        feature(LayerKind::Roads, None, Some(8.0), road),
        feature(LayerKind::Streams, Some("S6"), Some(4.0), another),
        feature(LayerKind::Streams, Some("S6"), Some(4.0), stream),
    ];
    let mut rules = rules(0.08);
    for rule in &mut rules.lines {
        rule.machine_exclusion = Width::Metres(EXCLUSION_M);
    }
    let mut block = block(MultiPolygon(vec![rectangle(0., 0., 300., 200.)]));
    block.azimuth_deg = Some(0.0);
    let settings = Settings::default();
    in_context(ENGINES, &settings, &rules, &features, None, |context| {
        let mut plan = layout::lay_out(context, &block).unwrap();
        change(&mut plan);
        compliance::judge(context, &block, &mut plan);
        plan
    })
}

fn row<'p>(plan: &'p BlockPlan, id: &str) -> &'p ComplianceRow {
    let found = plan.compliance.iter().find(|row| row.rule_id == id);
    found.unwrap_or_else(|| panic!("no {id} in {:#?}", plan.compliance))
}

fn measured(plan: &BlockPlan, id: &str) -> f64 {
    row(plan, id).measured.unwrap()
}

fn in_frame(plan: &BlockPlan, at: (f64, f64)) -> Coord {
    Coord {
        x: at.0 - plan.origin()[0],
        y: at.1 - plan.origin()[1],
    }
}

fn drawn(plan: &BlockPlan, points: &[(f64, f64)]) -> LineString {
    LineString(points.iter().map(|&at| in_frame(plan, at)).collect())
}

fn box_of(plan: &BlockPlan, x: [f64; 2], y: [f64; 2]) -> Polygon {
    let corners = [(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])];
    Polygon::new(drawn(plan, &corners), vec![])
}

/// Of the interior only one strip is left, from y = 20 to 180, driven along the given lines.
fn with_one_strip(plan: &mut BlockPlan, x: [f64; 2], driven: &[[(f64, f64); 2]]) {
    let mut strip = (plan.strips.iter())
        .find(|strip| strip.kind == StripKind::Interior)
        .unwrap()
        .clone();
    let own = (plan.lines.iter())
        .find(|line| line.kind == StripKind::Interior && line.id.part == strip.id.part)
        .unwrap()
        .clone();
    strip.shape = box_of(plan, x, [20.0, 180.0]);
    let lines = driven.iter().map(|ends| StripLine {
        shape: drawn(plan, ends),
        travel: None,
        ..own.clone()
    });
    plan.lines = lines.collect();
    plan.strips = vec![strip];
}

#[test]
fn the_sound_plan_passes() {
    let plan = judged(|_| ());
    for id in [
        "reach",
        "strip-width",
        "machine-exclusion:stream-s6",
        "inside-block",
        "corridor-width",
    ] {
        assert_eq!(row(&plan, id).status, Verdict::Pass, "{id}");
    }
    assert!(measured(&plan, "reach") <= 8.7 + 1e-3);
}

#[test]
fn what_lies_beyond_reach_of_every_line_is_found() {
    let reach = |driven: &[[(f64, f64); 2]]| {
        let plan = judged(|plan| with_one_strip(plan, [100.0, 116.0], driven));
        (row(&plan, "reach").status, row(&plan, "reach").measured)
    };
    let upright = |x: f64| [(x, 20.0), (x, 180.0)];
    let far = |found: (Verdict, Option<f64>), status: Verdict, far_m: f64| {
        assert_eq!(found.0, status, "{found:?}");
        assert!((found.1.unwrap() - far_m).abs() < 1e-6, "{found:?} {far_m}");
    };
    far(reach(&[upright(108.0)]), Verdict::Pass, 8.0);
    far(reach(&[upright(107.4)]), Verdict::Pass, 8.6);
    far(reach(&[upright(107.2)]), Verdict::Fail, 8.8);
    // Ends 8 m short of the strip's.
    let short = [(108.0, 28.0), (108.0, 172.0)];
    far(reach(&[short]), Verdict::Fail, 8.0f64.hypot(8.0));
    // Driven from both ends, but not in the middle.
    let ends = [
        [(108.0, 20.0), (108.0, 60.0)],
        [(108.0, 140.0), (108.0, 180.0)],
    ];
    far(reach(&ends), Verdict::Fail, 8.0f64.hypot(40.0));
    assert_eq!(reach(&[]), (Verdict::Fail, None));
}

/// Reach 8.7 m to both sides, less 1 ft each side: common practice.
#[test]
fn a_strip_wider_than_the_reach_is_found() {
    let most_m = 2.0 * (8.7 - 0.3048);
    for (width_m, status) in [(most_m, Verdict::Pass), (most_m + 0.1, Verdict::Fail)] {
        let line = [(108.0, 20.0), (108.0, 180.0)];
        let plan = judged(|plan| with_one_strip(plan, [100.0, 100.0 + width_m], &[line]));
        assert_eq!(row(&plan, "strip-width").status, status, "{width_m}");
        let found_m = measured(&plan, "strip-width");
        assert!((found_m - width_m).abs() < 1e-6, "{found_m} {width_m}");
    }
}

#[test]
fn a_line_on_excluded_ground_is_found() {
    for (off_m, status) in [
        (5.1, Verdict::Pass),
        (4.9, Verdict::Fail),
        (0.5, Verdict::Fail),
    ] {
        let x = STREAM_X - 2.0 - off_m;
        let line = [(x, 20.0), (x, 180.0)];
        let plan = judged(|plan| with_one_strip(plan, [100.0, 116.0], &[line]));
        let found = row(&plan, "machine-exclusion:stream-s6");
        assert_eq!(found.status, status, "{found:?}");
        assert!((found.required.unwrap() - EXCLUSION_M).abs() < 1e-9);
        assert!((found.measured.unwrap() - off_m).abs() < 1e-6, "{found:?}");
    }
}

#[test]
fn a_strip_over_the_boundary_is_found() {
    let strip = |x: [f64; 2]| {
        let line = [(108.0, 20.0), (108.0, 180.0)];
        let plan = judged(|plan| with_one_strip(plan, x, &[line]));
        (
            row(&plan, "inside-block").status,
            measured(&plan, "inside-block"),
        )
    };
    assert_eq!(strip([0.0, 16.0]), (Verdict::Pass, 0.0));
    let (status, out_m) = strip([-2.5, 13.5]);
    assert_eq!(status, Verdict::Fail);
    assert!((out_m - 2.5).abs() < 1e-6, "{out_m}");
}

/// Corridors are 3 to 20 m wide unless the project says otherwise.
#[test]
fn corridors_too_narrow_and_too_wide_are_found() {
    for (width_m, narrow, wide) in [
        (2.9, Verdict::Fail, Verdict::Pass),
        (3.1, Verdict::Pass, Verdict::Pass),
        (19.9, Verdict::Pass, Verdict::Pass),
        (20.1, Verdict::Pass, Verdict::Fail),
    ] {
        let plan = judged(|plan| {
            let shape = box_of(plan, [100.0, 100.0 + width_m], [60.0, 180.0]);
            plan.corridors.truncate(1);
            plan.corridors[0].shape = shape;
        });
        assert_eq!(row(&plan, "corridor-width").status, narrow, "{width_m}");
        assert_eq!(row(&plan, "corridor-width-most").status, wide, "{width_m}");
        let found_m = measured(&plan, "corridor-width");
        assert!((found_m - width_m).abs() < 1e-6, "{found_m} {width_m}");
    }
}

/// What fails is also a finding, at the place.
#[test]
fn a_failure_is_a_finding() {
    let line = [(107.0, 20.0), (107.0, 180.0)];
    let plan = judged(|plan| with_one_strip(plan, [100.0, 116.0], &[line]));
    let found = plan
        .findings
        .iter()
        .find(|finding| finding.rule_id == "reach");
    let found = found.expect("a finding");
    assert_eq!(found.verdict, Verdict::Fail);
    assert!((found.measured.unwrap() - 9.0).abs() < 1e-6);
    assert!(found.shape.is_some());
}

#[test]
fn ground_left_out_or_counted_twice_is_found() {
    let sound_m2 = measured(&judged(|_| ()), "areas-balance");
    let found = |m2: f64, change: &dyn Fn(&mut BlockPlan)| {
        let plan = judged(change);
        assert_eq!(row(&plan, "areas-balance").status, Verdict::Fail);
        let found_m2 = measured(&plan, "areas-balance");
        assert!((found_m2 - m2).abs() <= sound_m2 + 1e-6, "{found_m2} {m2}");
    };
    let last = judged(|_| ()).strips.pop().unwrap();
    let last_m2 = last.shape.unsigned_area();
    found(last_m2, &|plan| drop(plan.strips.pop()));
    found(40.0, &|plan| {
        let shape = box_of(plan, [100.0, 105.0], [60.0, 68.0]);
        let again = Strip {
            shape,
            ..last.clone()
        };
        plan.strips.push(again);
    });
}
