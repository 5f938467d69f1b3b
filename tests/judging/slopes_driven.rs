//! Tracks held against slope limits, on planes whose slope in every direction is known by hand.

use crate::audited;
use crate::in_memory;

use blockwright::audit::tracks::Leg;
use blockwright::audit::{AuditRow, BlockCut};
use blockwright::landbase::SlopeSource;
use blockwright::model::*;
use geo::{Coord, LineString, MultiPolygon};
use in_memory::*;

/// Rises to the north by so much a metre; level from the line `level_from` on.
fn rising(slope: f64, level_from: f64) -> Plane {
    Plane::of(|_, y| slope * y.min(level_from))
}

const FAR: f64 = 1e6;

/// Fixes every 5 m, each second one off by `jitter_m` to the left.
fn track(from: (f64, f64), to: (f64, f64), jitter_m: f64) -> Leg {
    let (a, b) = (Coord::from(from), Coord::from(to));
    let d = b - a;
    let length_m = d.x.hypot(d.y);
    let steps = (length_m / 5.0).round() as u32;
    let left = Coord { x: -d.y, y: d.x } / length_m;
    let fix = |step: u32| {
        a + d * (f64::from(step) / f64::from(steps)) + left * (jitter_m * f64::from(step % 2))
    };
    let fixes: Vec<Coord> = (0..=steps).map(fix).collect();
    Leg {
        track: "1".to_owned(),
        times: vec![None; fixes.len()],
        shape: LineString(fixes),
        from: None,
        to: None,
        smoothing: None,
    }
}

fn limits(heading: SlopeHeading, most: f64) -> SlopeRules {
    SlopeRules {
        limits: vec![SlopeLimit {
            machine: LimitOf::Feller,
            heading,
            state: GroundState::Any,
            most,
            source: "maker's manual, page 31 (invented)".to_owned(),
        }],
        ..SlopeRules::default()
    }
}

/// Rows of slopes by their ids.
fn judged(
    rules: SlopeRules,
    change: impl Fn(&mut Settings),
    terrain: Option<&Plane>,
    leg: Leg,
    tolerance_m: f64,
) -> Vec<AuditRow> {
    let mut settings = Settings {
        slopes: rules,
        ..Settings::default()
    };
    change(&mut settings);
    let road = feature(
        LayerKind::Roads,
        None,
        Some(8.0),
        line(&[(-50.0, -6.0), (650.0, -6.0)]),
    );
    let ground = block(MultiPolygon(vec![rectangle(0.0, 0.0, 600.0, 450.0)]));
    let terrain = terrain.map(|plane| plane as &dyn SlopeSource);
    let swept = MultiPolygon(vec![rectangle(100.0, 100.0, 110.0, 110.0)]);
    let cut = BlockCut::of_tracks(swept, vec![leg]);
    let rulebook = in_memory::rules(0.0);
    let audit = audited::audit(
        &settings,
        &rulebook,
        &[road],
        terrain,
        &ground,
        &cut,
        tolerance_m,
    );
    let rows = audit.rows.into_iter().map(|own| own.row);
    rows.filter(|row| row.row.rule_id.starts_with("slope-") || row.row.rule_id == "max-slope")
        .collect()
}

fn row<'r>(rows: &'r [AuditRow], id: &str) -> &'r AuditRow {
    rows.iter().find(|own| own.row.rule_id == id).unwrap()
}

#[test]
fn what_was_driven_across_a_slope_is_measured() {
    let plane = rising(0.30, FAR);
    let across = track((100.0, 200.0), (300.0, 200.0), 0.0);
    let rows = judged(
        limits(SlopeHeading::Across, 0.20),
        |_| {},
        Some(&plane),
        across.clone(),
        2.0,
    );
    let own = row(&rows, "slope-feller:across");
    assert_eq!(own.row.status, Verdict::Fail);
    assert!((own.row.measured.unwrap() - 0.30).abs() < 1e-3, "{own:?}");
    assert_eq!(own.message, "200 m beyond 20.00 %");
    assert!(own.row.source.contains("maker's manual"));
    let any = row(&rows, "max-slope");
    assert_eq!(
        (any.row.status, any.row.required),
        (Verdict::Pass, Some(0.40))
    );
    assert!((any.row.measured.unwrap() - 0.30).abs() < 1e-3);
    // Up and down it is not across, the road is built, and a receiver's jitter is no heading.
    for (leg, wanted) in [
        (track((100.0, 100.0), (100.0, 300.0), 0.0), Verdict::Pass),
        (track((100.0, -6.0), (300.0, -6.0), 0.0), Verdict::Pass),
        (track((100.0, 100.0), (100.0, 300.0), 1.9), Verdict::Pass),
        (track((100.0, 200.0), (300.0, 200.0), 1.9), Verdict::Fail),
    ] {
        let rules = limits(SlopeHeading::Across, 0.20);
        let rows = judged(rules, |_| {}, Some(&plane), leg, 2.0);
        let own = row(&rows, "slope-feller:across");
        assert_eq!(own.row.status, wanted, "{own:?}");
    }
}

#[test]
fn up_and_down_are_told_apart_by_the_way_driven() {
    let plane = rising(0.30, FAR);
    let [south, north] =
        [300.0, 100.0].map(|from| track((200.0, from), (200.0, 400.0 - from), 0.0));
    for (heading, leg, status) in [
        (SlopeHeading::Down, &south, Verdict::Fail),
        (SlopeHeading::Down, &north, Verdict::Pass),
        (SlopeHeading::Up, &south, Verdict::Pass),
        (SlopeHeading::Up, &north, Verdict::Fail),
    ] {
        let rows = judged(
            limits(heading, 0.25),
            |_| {},
            Some(&plane),
            leg.clone(),
            2.0,
        );
        let id = format!("slope-feller:{}", heading.key());
        assert_eq!(row(&rows, &id).row.status, status, "{heading:?}");
    }
}

/// At 45 degrees 30 % are 21.2 % across. Over 200 m fixes that are 2 m off turn the heading by up to 1.15 degrees (20.8 %), over 30 m by
/// up to 7.7 degrees (18.2 %).
#[test]
fn a_limit_passed_only_if_the_fixes_are_right_warns() {
    let plane = rising(0.30, FAR);
    let slanting = |long_m: f64| {
        let side_m = long_m / 2f64.sqrt();
        track((200.0, 100.0), (200.0 + side_m, 100.0 + side_m), 0.0)
    };
    for (long_m, tolerance_m, status) in [
        (200.0, 2.0, Verdict::Fail),
        (30.0, 2.0, Verdict::Warn),
        (30.0, 0.0, Verdict::Fail),
    ] {
        let rules = limits(SlopeHeading::Across, 0.20);
        let rows = judged(rules, |_| {}, Some(&plane), slanting(long_m), tolerance_m);
        let own = row(&rows, "slope-feller:across");
        assert_eq!(own.row.status, status, "{own:?}");
        assert!((own.row.measured.unwrap() - 0.30 / 2f64.sqrt()).abs() < 1e-3);
    }
    // Steep up to y = 200, level beyond: on the last cells of the slope the machine may as well have been on level ground.
    let edge = rising(0.50, 200.0);
    for (y, status) in [
        (150.0, Verdict::Fail),
        (188.5, Verdict::Warn),
        (260.0, Verdict::Pass),
    ] {
        let leg = track((100.0, y), (300.0, y), 0.0);
        let rows = judged(SlopeRules::default(), |_| {}, Some(&edge), leg, 2.0);
        assert_eq!(row(&rows, "max-slope").row.status, status, "{y}");
    }
}

#[test]
fn what_nobody_knows_is_not_told_to_hold() {
    let leg = track((100.0, 200.0), (300.0, 200.0), 0.0);
    let rules = limits(SlopeHeading::Across, 0.20);
    let rows = judged(rules.clone(), |_| {}, None, leg.clone(), 2.0);
    assert_eq!(rows.len(), 2);
    for own in &rows {
        assert_eq!(own.row.status, Verdict::Unknown, "{own:?}");
        assert!(own.message.contains("nobody knows how steep 200 m are"));
    }
    let level = |settings: &mut Settings| {
        settings.layout.level_ground = Some("survey of 2031".to_owned());
    };
    let rows = judged(rules, level, None, leg, 2.0);
    assert!(rows.iter().all(|own| own.row.status == Verdict::Pass));
    assert!(
        row(&rows, "max-slope")
            .row
            .source
            .contains("survey of 2031")
    );
}
