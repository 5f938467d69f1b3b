//! Reach, trails, crossings and closed ground, on shapes whose figures are known by hand.

use crate::in_memory;

use blockwright::audit::tracks::Leg;
use blockwright::audit::{
    self, AuditRow, BlockCut, Certainty, Context, CutInput, CutPiece, DrivenLine, Neighbours,
};
use blockwright::landbase::Landbase;
use blockwright::model::*;
use blockwright::rulebook::{ReadStatus, Rulebook};
use chrono::{DateTime, Duration, TimeZone, Utc};
use geo::{LineString, MultiPolygon, Polygon};
use in_memory::*;

fn judged(
    settings: &Settings,
    features: &[Feature],
    block: &SourceBlock,
    cuts: (&BlockCut, Option<&BlockCut>),
    tolerance_m: f64,
) -> Vec<AuditRow> {
    let rulebook = in_memory::rules(0.0);
    judged_by(&rulebook, settings, features, block, cuts, tolerance_m)
}

fn judged_by(
    rulebook: &Rulebook,
    settings: &Settings,
    features: &[Feature],
    block: &SourceBlock,
    (cut, plan): (&BlockCut, Option<&BlockCut>),
    tolerance_m: f64,
) -> Vec<AuditRow> {
    let landbase = Landbase::new(features, rulebook, &settings.layout);
    let neighbours = Neighbours::new(std::slice::from_ref(block));
    let certainty = Certainty::Tolerance(tolerance_m);
    let context = Context {
        landbase: &landbase,
        settings,
        rules: rulebook,
        terrain: None,
        neighbours: &neighbours,
        certainty: &certainty,
    };
    let audit = audit::judge(context, block, cut, plan);
    audit.rows.into_iter().map(|own| own.row).collect()
}

fn row<'r>(rows: &'r [AuditRow], id: &str) -> &'r AuditRow {
    rows.iter()
        .find(|own| own.row.rule_id == id)
        .unwrap_or_else(|| panic!("{id} among {rows:#?}"))
}

fn way(places: &[(f64, f64)]) -> LineString {
    places.iter().copied().collect()
}

fn plan(pieces: Vec<(Polygon, StripKind)>, lines: &[LineString]) -> BlockCut {
    let piece = |(shape, kind)| CutPiece {
        shape,
        kind: Some(kind),
        part: 1,
    };
    let line = |shape: &LineString| DrivenLine {
        interior: true,
        shape: shape.clone(),
        part: 1,
    };
    BlockCut {
        pieces: pieces.into_iter().map(piece).collect(),
        lines: lines.iter().map(line).collect(),
        corridors: Some(vec![]),
        ..BlockCut::empty(CutInput::Plan)
    }
}

fn ground() -> SourceBlock {
    block(MultiPolygon(vec![rectangle(0.0, 0.0, 400.0, 300.0)]))
}

fn reach_8() -> Settings {
    let mut settings = Settings::default();
    settings.layout.level_ground = Some("invented".to_owned());
    settings.machine.reach_m = 8.0;
    settings
}

#[test]
fn what_a_plan_cuts_beyond_reach_is_measured() {
    let strip = rectangle(100.0, 50.0, 116.0, 250.0);
    let along = |x: f64, to: f64| way(&[(x, 50.0), (x, to)]);
    for (line, measured, status) in [
        (along(108.0, 250.0), 8.0, Verdict::Pass),
        // Half a metre off its middle.
        (along(107.5, 250.0), 8.5, Verdict::Fail),
        // 6 m short of its end: to a corner it is 10 m.
        (along(108.0, 244.0), 10.0, Verdict::Fail),
    ] {
        let own = plan(vec![(strip.clone(), StripKind::Interior)], &[line]);
        let rows = judged(&reach_8(), &[], &ground(), (&own, None), 0.0);
        let found = row(&rows, "reach");
        assert!(
            (found.row.measured.unwrap() - measured).abs() < 1e-6,
            "{found:?}"
        );
        assert_eq!(found.row.status, status, "{found:?}");
    }
    // Driven all around, 3 m from its outline: only its middle is out of reach, 27 m from the lines.
    let ring = way(&[
        (103., 103.),
        (157., 103.),
        (157., 157.),
        (103., 157.),
        (103., 103.),
    ]);
    let square = rectangle(100.0, 100.0, 160.0, 160.0);
    let own = plan(vec![(square, StripKind::BoundaryPass)], &[ring]);
    let rows = judged(&reach_8(), &[], &ground(), (&own, None), 0.0);
    let found = row(&rows, "reach");
    assert!(
        (found.row.measured.unwrap() - 27.0).abs() < 0.005,
        "{found:?}"
    );
    // A square of 54 - 2 x 8 = 38 m.
    assert!(
        (found.area_m2.unwrap() - 38.0 * 38.0).abs() < 1.0,
        "{found:?}"
    );
    // Within a tolerance it warns, and of polygons nobody drove.
    let own = plan(
        vec![(strip.clone(), StripKind::Interior)],
        &[along(107.5, 250.0)],
    );
    let rows = judged(&reach_8(), &[], &ground(), (&own, None), 1.0);
    assert_eq!(row(&rows, "reach").row.status, Verdict::Warn);
    let cut = BlockCut::of_polygons(vec![strip]);
    let rows = judged(&reach_8(), &[], &ground(), (&cut, None), 0.0);
    assert!(rows.iter().all(|own| own.row.rule_id != "reach"));
}

fn tracks(ways: &[LineString], from: Option<DateTime<Utc>>) -> BlockCut {
    let leg = |shape: &LineString| {
        let time = |fix: usize| from.map(|from| from + Duration::minutes(10 * fix as i64));
        Leg {
            track: "1".to_owned(),
            times: (0..shape.0.len()).map(time).collect(),
            shape: shape.clone(),
            from,
            to: time(shape.0.len() - 1),
            smoothing: None,
        }
    };
    let swept = MultiPolygon(vec![rectangle(100.0, 50.0, 116.0, 250.0)]);
    BlockCut {
        ahead: Some(Duration::zero()),
        light: Some(vec![]),
        ..BlockCut::of_tracks(swept, ways.iter().map(leg).collect())
    }
}

#[test]
fn what_was_driven_is_set_against_what_was_planned() {
    // A creek across the block, over which two crossings lead, 40 m apart.
    let creek = feature(
        LayerKind::Streams,
        Some("S3"),
        Some(2.0),
        line(&[(-50.0, 150.0), (450.0, 150.0)]),
    );
    let over = |id: &str, x: f64| Feature {
        id: id.to_owned(),
        ..feature(
            LayerKind::Crossings,
            None,
            Some(6.0),
            line(&[(x, 120.0), (x, 180.0)]),
        )
    };
    let features = [creek, over("C-1", 108.0), over("C-2", 148.0)];
    let strip = rectangle(100.0, 50.0, 116.0, 250.0);
    let own = plan(
        vec![(strip, StripKind::Interior)],
        &[way(&[(108.0, 50.0), (108.0, 250.0)])],
    );
    let settings = reach_8();
    let half_m = settings.machine.half_width_m;
    let look = |track: &LineString, plan: &BlockCut| {
        let cut = tracks(std::slice::from_ref(track), None);
        judged(&settings, &features, &ground(), (&cut, Some(plan)), 1.0)
    };
    // As planned, and half a metre beside it.
    for x in [108.0, 108.5] {
        let rows = look(&way(&[(x, 50.0), (x, 250.0)]), &own);
        for id in ["driven-beyond-plan", "crossing-beyond-plan"] {
            assert_eq!(row(&rows, id).row.status, Verdict::Pass, "{rows:#?}");
            assert_eq!(row(&rows, id).row.measured, Some(0.0));
        }
        let said = &row(&rows, "crossing-beyond-plan").message;
        assert_eq!(said, "driven over as planned: C-1 (1 ×)");
        assert_eq!(row(&rows, "planned-undriven").row.measured, Some(0.0));
    }
    // Half of it, then across to the other crossing and back over it once more.
    let strays = way(&[
        (108.0, 50.0),
        (108.0, 100.0),
        (148.0, 100.0),
        (148.0, 200.0),
        (149.0, 100.0),
    ]);
    let rows = look(&strays, &own);
    let beyond = row(&rows, "driven-beyond-plan");
    // 40 m and twice 100 m, less what is within half a machine and 1 m of the line.
    let wanted_m = 40.0 + 100.0 + 1f64.hypot(100.0) - half_m - 1.0;
    assert!(
        (beyond.row.measured.unwrap() - wanted_m).abs() <= 1.0,
        "{beyond:?}"
    );
    assert_eq!(beyond.row.status, Verdict::Warn);
    let crossed = row(&rows, "crossing-beyond-plan");
    assert_eq!(
        (crossed.row.status, crossed.row.measured),
        (Verdict::Warn, Some(1.0))
    );
    assert_eq!(
        crossed.message,
        "driven over although the plan has no way there: C-2 (2 ×); planned and not driven over: C-1"
    );
    let undriven = row(&rows, "planned-undriven");
    // 150 m of the line lie beyond y = 100, less as much.
    let wanted_m = 150.0 - half_m - 1.0;
    assert!(
        (undriven.row.measured.unwrap() - wanted_m).abs() <= 1.0,
        "{undriven:?}"
    );
    // A trail of the plan there, and it is as planned.
    let with_trail = BlockCut {
        trails: vec![strays.clone()],
        ..own.clone()
    };
    let rows = look(&strays, &with_trail);
    for id in ["driven-beyond-plan", "crossing-beyond-plan"] {
        assert_eq!(row(&rows, id).row.status, Verdict::Pass, "{rows:#?}");
    }
    // Without a plan nothing is said of it.
    let cut = tracks(&[strays], None);
    let rows = judged(&settings, &features, &ground(), (&cut, None), 1.0);
    assert!(rows.iter().all(|own| !own.row.rule_id.ends_with("-plan")));
}

#[test]
fn closed_ground_is_told_without_a_plan() {
    let mut settings = reach_8();
    settings.windows = WorkWindows(vec![WorkWindow {
        name: "frozen".to_owned(),
        days: "open 12-15/03-10".parse().unwrap(),
        within_m: 0.0,
        source: "permit (invented)".to_owned(),
    }]);
    let mut soft = feature(
        LayerKind::SoftGround,
        None,
        None,
        Shape::Polygons(MultiPolygon(vec![rectangle(90.0, 100.0, 130.0, 150.0)])),
    );
    soft.facts
        .offer(Facts::WINDOW, Fact::Text("frozen".to_owned()));
    // 200 m in four steps of ten minutes each: a quarter of it on soft ground.
    let along = way(&[
        (108.0, 50.0),
        (108.0, 100.0),
        (108.0, 150.0),
        (108.0, 200.0),
        (108.0, 250.0),
    ]);
    let at = |month| Utc.with_ymd_and_hms(2031, month, 5, 12, 0, 0).unwrap();
    let minutes = |block: &SourceBlock, month| {
        let cut = tracks(std::slice::from_ref(&along), Some(at(month)));
        let rows = judged(
            &settings,
            std::slice::from_ref(&soft),
            block,
            (&cut, None),
            1.0,
        );
        let own = row(&rows, "closed-work");
        (own.row.status, own.row.measured.unwrap().round())
    };
    assert_eq!(minutes(&ground(), 1), (Verdict::Pass, 0.0));
    assert_eq!(minutes(&ground(), 7), (Verdict::Fail, 10.0));
    // The block's permit ran out in June: then all of it is closed, the soft ground once.
    let mut permitted = ground();
    permitted.windows.open_from = Some("2031-01-01".to_owned());
    permitted.windows.open_until = Some("2031-06-30".to_owned());
    assert_eq!(minutes(&permitted, 2), (Verdict::Pass, 0.0));
    assert_eq!(minutes(&permitted, 7), (Verdict::Fail, 40.0));
    // Nothing says anything of days.
    let cut = tracks(std::slice::from_ref(&along), Some(at(7)));
    let rows = judged(&settings, &[], &ground(), (&cut, None), 1.0);
    assert!(rows.iter().all(|own| own.row.rule_id != "closed-work"));
}

/// A block 200 m by 40 m with one way through its middle. Swept 15 m wide 62.5 % of it stand; with all within 8 m gone 60 %, and with
/// what the machine drove over, 3.2 m, 92 %.
#[test]
fn what_hangs_on_the_felling_head_alone_is_not_told() {
    let mut settings = reach_8();
    settings.machine.half_width_m = 1.6;
    let block = block(MultiPolygon(vec![rectangle(0.0, 0.0, 200.0, 40.0)]));
    let along = way(&[(0.0, 20.0), (100.0, 20.0), (200.0, 20.0)]);
    let leg = Leg {
        track: "1".to_owned(),
        times: vec![None; 3],
        shape: along.clone(),
        from: None,
        to: None,
        smoothing: None,
    };
    let swept = MultiPolygon(vec![rectangle(0.0, 12.5, 200.0, 27.5)]);
    let cut = BlockCut::of_tracks(swept, vec![leg]);
    let strip = rectangle(0.0, 12.5, 200.0, 27.5);
    let plan = plan(vec![(strip, StripKind::Interior)], &[along]);
    let look = |share: f64, plan: Option<&BlockCut>| {
        let mut rulebook = in_memory::rules(share);
        rulebook.retention_share.citation.status = ReadStatus::Project;
        let rows = judged_by(&rulebook, &settings, &[], &block, (&cut, plan), 0.0);
        let own = row(&rows, "retention-share").clone();
        assert!((own.row.measured.unwrap() - 0.625).abs() < 1e-6, "{own:?}");
        (own.row.status, own.message)
    };
    let unsure = "60.00 % stand if it cut all within reach, 92.00 % if only what it drove over";
    for (share, status) in [
        (0.59, Verdict::Pass),
        (0.61, Verdict::Unknown),
        (0.70, Verdict::Unknown),
        (0.91, Verdict::Unknown),
        (0.93, Verdict::Fail),
    ] {
        let (found, message) = look(share, None);
        assert_eq!(found, status, "{share}: {message}");
        assert_eq!(
            message.contains(unsure),
            status == Verdict::Unknown,
            "{message}"
        );
    }
    // A plan says what is cut from its lines.
    assert_eq!(look(0.61, Some(&plan)).0, Verdict::Pass);
    assert_eq!(look(0.70, Some(&plan)).0, Verdict::Fail);
}
