//! Tracks of the felling machine, from files to files: the strips of a sound layout driven by day are clean, a track into
//! a reserve is found and measured, and minutes in the dark on day-only ground are counted.

use crate::audited;
use crate::once;
use crate::run_binary;

use std::fmt::Write as _;
use std::path::Path;

use audited::brute::{self, Edge};
use blockwright::engines::ENGINES;
use blockwright::geometry::frame::{map_line, map_polygon, map_polygons};
use blockwright::landbase::{Landbase, SlopeSource};
use blockwright::layout;
use blockwright::model::*;
use blockwright::project;
use blockwright::sources::crs::WorkCrs;
use blockwright::sources::{self, Batch};
use chrono::{DateTime, Duration, TimeZone, Utc};
use geo::{Coord, Polygon};
use serde_json::Value;

/// Noon and midnight in the middle of the demo's zone.
fn noon() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2031, 6, 15, 18, 0, 0).unwrap()
}

fn midnight() -> DateTime<Utc> {
    Utc.with_ymd_and_hms(2031, 6, 16, 5, 40, 0).unwrap()
}

const STEP_M: f64 = 3.0;
const WIDTH_M: f64 = 16.0;

type Fixes = Vec<(Coord, Option<DateTime<Utc>>)>;

fn gpx(work: &Work, segments: &[Fixes]) -> String {
    let mut text = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<gpx version=\"1.1\" creator=\"receiver\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\">\n<trk><name>harvester 1</name>\n",
    );
    for fixes in segments {
        text += "<trkseg>\n";
        for (at, time) in fixes {
            let at = work.0.degrees(*at).unwrap();
            write!(text, "<trkpt lat=\"{:.10}\" lon=\"{:.10}\">", at.y, at.x).unwrap();
            if let Some(time) = time {
                write!(text, "<time>{}</time>", time.format("%Y-%m-%dT%H:%M:%SZ")).unwrap();
            }
            text += "</trkpt>\n";
        }
        text += "</trkseg>\n";
    }
    text + "</trk></gpx>\n"
}

struct Work(WorkCrs);

fn every(line: &geo::LineString, step_m: f64) -> Vec<Coord> {
    let mut points = vec![];
    for w in line.0.windows(2) {
        let d = w[1] - w[0];
        let steps = (d.x.hypot(d.y) / step_m).ceil().max(1.0) as u32;
        points.extend((0..steps).map(|step| w[0] + d * (f64::from(step) / f64::from(steps))));
    }
    points.extend(line.0.last());
    points
}

/// One fix a second for each metre driven, in whole seconds.
fn timed(points: &[Coord], start: DateTime<Utc>) -> Fixes {
    (0..)
        .zip(points)
        .map(|(at, &point)| (point, Some(start + Duration::seconds(3 * at))))
        .collect()
}

/// A laid-out block with everything in work-CRS coordinates.
struct Laid {
    id: String,
    strips: Vec<Vec<Edge>>,
    lines: Vec<geo::LineString>,
    day_only: Vec<Polygon>,
    /// Edges, half a channel and the reserve of a stream beside it.
    stream: (Vec<Edge>, f64, f64, String),
}

fn laid_out(folder: &Path) -> (Vec<Laid>, Batch) {
    let project = project::load(&folder.join("project.toml")).unwrap();
    let batch = sources::read(&project).unwrap();
    let terrain = sources::terrain(&project, &batch.crs).unwrap();
    let settings = layout::effective(&project.settings, &project.rules);
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    let context = layout::Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain: terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource),
    };
    let mut found = vec![];
    for block in &batch.blocks {
        let Ok(mut plan) = layout::lay_out(context, block) else {
            continue;
        };
        blockwright::compliance::judge(context, block, &mut plan);
        if plan
            .compliance
            .iter()
            .any(|row| row.status == Verdict::Fail)
        {
            continue;
        }
        let world = |c: Coord| plan.frame.to_plane(c);
        let outline = brute::outline(&block.shape.0);
        let stream = batch
            .features
            .iter()
            .enumerate()
            .find_map(|(index, feature)| {
                let demand = landbase.demand(index as u32);
                let rule = demand.rule.filter(|rule| !rule.follows_slope())?;
                let Shape::Lines(lines) = &feature.shape else {
                    return None;
                };
                let edges = brute::edges_of(&lines.0);
                let reserve_m = rule.widest().reserve_m;
                let near = brute::least(&edges, &outline, 100.0) < reserve_m;
                let fits = feature.kind == LayerKind::Streams && reserve_m >= 10.0 && near;
                (fits && feature.width_m.is_some())
                    .then(|| (edges, demand.half_m, reserve_m, rule.id.clone()))
            });
        let Some(stream) = stream else { continue };
        let day = plan
            .sections
            .iter()
            .filter(|s| s.shift_class == ShiftClass::DayOnly);
        found.push(Laid {
            id: block.id.clone(),
            strips: (plan.strips.iter())
                .map(|strip| brute::outline(&[map_polygon(&strip.shape, world)]))
                .collect(),
            lines: plan
                .lines
                .iter()
                .map(|line| map_line(&line.shape, world))
                .collect(),
            day_only: day.flat_map(|s| map_polygons(&s.shape, world).0).collect(),
            stream,
        });
    }
    (found, batch)
}

impl Laid {
    /// Whether ground of the cutting width around a place is all to be cut.
    fn may_stand(&self, at: Coord) -> bool {
        (0..24).all(|k| {
            let (sin, cos) = (f64::from(k) * std::f64::consts::TAU / 24.0).sin_cos();
            let rim = at + Coord { x: cos, y: sin } * (WIDTH_M / 2.0);
            self.strips.iter().any(|strip| brute::holds(strip, rim))
        })
    }

    /// The lines of the strips as driven, without what would reach beyond a strip's end.
    fn driven(&self, start: DateTime<Utc>) -> Vec<Fixes> {
        let mut segments: Vec<Fixes> = vec![];
        let mut time = start;
        for line in &self.lines {
            let points = every(line, STEP_M);
            for run in points.chunk_by(|a, b| self.may_stand(*a) && self.may_stand(*b)) {
                if run.len() > 1 && self.may_stand(run[0]) {
                    segments.push(timed(run, time));
                    time += Duration::seconds(3 * run.len() as i64);
                }
            }
        }
        segments
    }
}

fn audit(root: &Path, args: &[&str]) -> (i32, String, String) {
    let output = std::process::Command::new(env!("CARGO_BIN_EXE_blockwright"))
        .args(["audit", "project.toml", "--quiet"])
        .args(args)
        .current_dir(root)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code().unwrap(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

fn rows(dir: &Path, block: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(dir.join("compliance.json")).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    let rows = value["rows"].as_array().unwrap().iter();
    rows.filter(|row| row["block_id"] == block)
        .cloned()
        .collect()
}

fn of<'r>(rows: &'r [Value], rule: &str) -> &'r Value {
    let found = rows.iter().find(|row| row["rule_id"] == rule);
    found.unwrap_or_else(|| panic!("no {rule} in {rows:#?}"))
}

#[test]
fn tracks_are_swept_and_judged() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    run_binary::copy(once::demo(12), root);
    let (laid, batch) = laid_out(root);
    let work = Work(WorkCrs::new(&batch.crs).unwrap());
    let own = (laid.iter())
        .min_by_key(|laid| laid.strips.len())
        .expect("a sound block beside a stream");
    let run = |name: &str, segments: &[Fixes], more: &[&str]| -> (i32, Vec<Value>) {
        let file = format!("{name}.gpx");
        std::fs::write(root.join(&file), gpx(&work, segments)).unwrap();
        let width = WIDTH_M.to_string();
        let mut args = vec!["--as-cut", &file, "--out", name, "--cutting-width", &width];
        args.extend(["--only", &own.id]);
        args.extend(more);
        let (code, _, err) = audit(root, &args);
        assert!(code == 0 || code == 3, "{code} {err}");
        (code, rows(&root.join(name), &own.id))
    };
    let with_plan = ["--plan", "layout/layout.gpkg"];

    // The strips, driven by day.
    let driven = own.driven(noon());
    let metres: usize = driven.iter().map(Vec::len).sum();
    assert!(
        driven.len() > 5 && metres > 300,
        "{} {metres}",
        driven.len()
    );
    for (name, more) in [("day", &with_plan[..]), ("day-without", &[])] {
        let (_, found) = run(name, &driven, more);
        let failing: Vec<&Value> = found.iter().filter(|row| row["status"] == "fail").collect();
        assert!(failing.is_empty(), "{name} {failing:#?}");
        let status = |rule: &str| of(&found, rule)["status"].as_str().unwrap().to_owned();
        assert_eq!(status("inside-block"), "pass", "{found:#?}");
        assert_ne!(status(&format!("reserve:{}", own.stream.3)), "unknown");
        let night = if more.is_empty() { "unknown" } else { "pass" };
        assert_eq!(status("night-work"), night, "{found:#?}");
    }
    let report = std::fs::read_to_string(root.join("day/run.json")).unwrap();
    let report: Value = serde_json::from_str(&report).unwrap();
    assert_eq!(report["tracks"]["source"], "day.gpx");
    assert_eq!(report["tracks"]["cutting_width_m"], WIDTH_M);
    assert_eq!(report["tolerance_m"], 2.0);

    // Up to where the ground swept lies 3 m within the reserve of the stream.
    let (edges, half_m, reserve_m, rule) = &own.stream;
    // In the grid, which is drawn that much smaller there.
    let wanted_m = 0.9996 * (half_m + reserve_m - 3.0 + WIDTH_M / 2.0);
    let away = |at: Coord| {
        edges
            .iter()
            .map(|e| brute::to_edge(at, *e))
            .fold(f64::MAX, f64::min)
    };
    let from = driven
        .iter()
        .flatten()
        .map(|(at, _)| *at)
        .min_by(|a, b| away(*a).total_cmp(&away(*b)))
        .unwrap();
    let nearest = edges
        .iter()
        .min_by(|a, b| brute::to_edge(from, **a).total_cmp(&brute::to_edge(from, **b)));
    let (a, b) = *nearest.unwrap();
    let d = b - a;
    let t = ((from - a).x * d.x + (from - a).y * d.y) / (d.x * d.x + d.y * d.y);
    let towards = a + d * t.clamp(0.0, 1.0) - from;
    let share = 1.0 - wanted_m / towards.x.hypot(towards.y);
    let mut astray = driven.clone();
    let end = from + towards * share;
    assert!(
        (away(end) - wanted_m).abs() < 1e-6,
        "{} {wanted_m}",
        away(end)
    );
    let there = every(&geo::LineString(vec![from, end]), 1.0);
    let back = there.iter().rev().skip(1);
    let there_and_back: Vec<Coord> = there.iter().chain(back).copied().collect();
    astray.push(timed(&there_and_back, noon() + Duration::hours(3)));
    let (code, found) = run("astray", &astray, &with_plan);
    assert_eq!(code, 3);
    let row = of(&found, &format!("reserve:{rule}"));
    assert_eq!(row["status"], "fail", "{row}");
    let short = row["short"].as_f64().unwrap();
    assert!((short - 3.0).abs() < 0.015, "{row}");
    // Where the track ends there nobody knows whether the machine cut ahead of itself.
    astray.pop();
    astray.push(timed(&there, noon() + Duration::hours(3)));
    let (_, found) = run("ahead", &astray, &with_plan);
    let row = of(&found, "track-ends");
    assert_eq!(row["status"], "unknown", "{row}");
    let short = row["short"].as_f64().unwrap();
    assert!((short - 3.0).abs() < 0.015, "{row}");
    assert_ne!(of(&found, &format!("reserve:{rule}"))["status"], "fail");

    // At midnight along the line with most of its way on day-only ground.
    let outlines: Vec<Vec<Edge>> = own
        .day_only
        .iter()
        .map(|p| brute::outline(std::slice::from_ref(p)))
        .collect();
    let by_day = |at: Coord| outlines.iter().any(|outline| brute::holds(outline, at));
    let line = own
        .lines
        .iter()
        .max_by_key(|line| every(line, 2.0).iter().filter(|at| by_day(**at)).count());
    let points = every(line.unwrap(), STEP_M);
    let dark = timed(&points, midnight());
    // Three seconds from fix to fix.
    let mut expected_min = 0.0;
    for w in points.windows(2) {
        let inside =
            (0..300).filter(|k| by_day(w[0] + (w[1] - w[0]) * ((f64::from(*k) + 0.5) / 300.0)));
        expected_min += inside.count() as f64 / 300.0 * 3.0 / 60.0;
    }
    assert!(expected_min > 2.0, "{expected_min}");
    let mut at_night = driven.clone();
    at_night.push(dark.clone());
    let (_, found) = run("night", &at_night, &with_plan);
    let row = of(&found, "night-work");
    assert_eq!(row["status"], "fail", "{row}");
    let measured = row["measured"].as_f64().unwrap();
    assert!(
        (measured - expected_min).abs() < 0.005,
        "{measured} {expected_min}"
    );
    // The same way at noon, and the same at midnight with nothing known of when.
    at_night.pop();
    at_night.push(timed(&points, noon() + Duration::hours(1)));
    let (_, found) = run("noon", &at_night, &with_plan);
    assert_eq!(of(&found, "night-work")["status"], "pass");
    let untimed: Vec<Fixes> = (at_night.iter())
        .map(|fixes| fixes.iter().map(|(at, _)| (*at, None)).collect())
        .collect();
    let (_, found) = run("untimed", &untimed, &with_plan);
    assert_eq!(of(&found, "night-work")["status"], "unknown");

    // A gap in the middle of a strip and a fix far off are said, not smoothed over.
    let mut broken = driven.clone();
    let without = |fixes: &Fixes| -> f64 {
        let [Some((from, _)), Some((to, _))] = [fixes.get(5), fixes.get(20)] else {
            return 0.0;
        };
        (*to - *from).x.hypot((*to - *from).y)
    };
    let long = (broken.iter_mut())
        .max_by(|a, b| without(a).total_cmp(&without(b)))
        .unwrap();
    assert!(without(long) > 35.0, "{}", without(long));
    long.drain(6..20);
    long[3].0.x += 400.0;
    let (_, found) = run("broken", &broken, &with_plan);
    let row = of(&found, "track-gaps");
    assert_eq!(
        (&row["status"], row["measured"].as_f64()),
        (&Value::from("warn"), Some(1.0)),
        "{row}"
    );
    let report = std::fs::read_to_string(root.join("broken/run.json")).unwrap();
    assert!(report.contains("fixes dropped as outliers: 1"), "{report}");

    // A width is for tracks only.
    let args = [
        "--as-cut",
        "layout/layout.gpkg",
        "--cutting-width",
        "16",
        "--out",
        "x",
    ];
    let (code, _, err) = audit(root, &args);
    assert!(code == 2 && err.contains("--cutting-width"), "{code} {err}");
}
