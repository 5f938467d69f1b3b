//! Planning anew: without news the plan stays, and what changes is told with its reason.

use std::collections::BTreeMap;
use std::path::Path;

use icalendar::{Calendar, CalendarComponent, Component};

use blockwright::schedule::former::{Former, Stint};
use blockwright::schedule::{self, Plan, Problem, What};
use serde_json::Value;

use crate::dispatch_runs::{self, by_day, lay_out};
use crate::dispatch_support::*;
use crate::run_binary::*;

fn former(problem: &Problem, plan: &Plan, frozen_until: i64) -> Former {
    let of = |machine: usize| {
        let own = plan.tasks.iter().filter(|task| task.machine == machine);
        own.map(|task| Stint {
            block: task.block,
            span: task.span,
            is_move: task.what == What::Move,
        })
        .collect()
    };
    Former::new((0..problem.machines.len()).map(of).collect(), frozen_until)
}

fn three_blocks(days: i64) -> Problem {
    let blocks = (0..).zip(["b dnd nn", "bb nnd dd", "n d nn d"]);
    let blocks =
        blocks.map(|(at, text)| block(&at.to_string(), text, 1.3, [at as f64 * 9000.0, 0.0], days));
    let machines = vec![
        machine("A", shifts(days, 6, 12), 1000),
        machine("B", shifts(days, 18, 10), 1200),
    ];
    problem(days, blocks.collect(), machines, 2)
}

#[test]
fn without_news_the_plan_stays_to_the_second() {
    let problem = three_blocks(8);
    let first = schedule::solve(&problem).plan;
    assert_eq!(first.undone, 0);
    for frozen in [0, 2 * DAY, 20 * DAY] {
        let again = schedule::solve_after(&problem, Some(&former(&problem, &first, frozen)));
        assert_eq!(again.plan.tasks, first.tasks, "{frozen}");
    }
}

/// By hand: a machine that stands still on its second day leaves the first day as it was; the work of the second is done later, and
/// the rules are kept.
#[test]
fn a_breakdown_changes_nothing_before_it() {
    let problem = three_blocks(8);
    let first = schedule::solve(&problem).plan;
    let mut broken = problem.clone();
    let out = stretch(DAY + 8 * H, 2 * DAY);
    broken.machines[0]
        .windows
        .retain(|window| window.span.from < out.from - 2 * H || window.span.from >= out.to);
    let own = former(&problem, &first, 3 * DAY);
    let after = schedule::solve_after(&broken, Some(&own)).plan;
    assert_eq!(faults(&broken, &after), Vec::<String>::new());
    assert_eq!(schedule::check(&broken, &after), Vec::<String>::new());
    let until = |plan: &Plan| -> Vec<_> {
        let early = plan.tasks.iter().filter(|task| task.span.to <= DAY + 6 * H);
        early.copied().collect()
    };
    assert_eq!(until(&after), until(&first));
    assert!(
        after
            .tasks
            .iter()
            .all(|task| task.machine != 0 || !out.contains(task.span.from))
    );
    assert_eq!(after.undone, 0);
}

const CREW: &str = by_day!(
    r#"[[machines]]
name = "feller 1"

[[machines]]
name = "feller 2"

[[skidders]]
name = "skidder 1"
"#
);

fn dispatch(folder: &Path, crew: &str, from: &str, more: &[&str]) -> Ended {
    let all = [&["--from", from, "--days", "12"], more].concat();
    dispatch_runs::dispatch(folder, crew, &all)
}

/// 2026-12-02 in Winnipeg begins at 06:00 UTC.
const SECOND_DAY: i64 = 1_796_191_200;

#[test]
fn a_plan_is_kept_and_what_changes_is_told() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    lay_out(folder, "out");
    let ended = dispatch(folder, CREW, "2026-12-01", &["--out", "first"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let first = schedule_of(folder, "first");
    assert_eq!(first["plan_before"], Value::Null);
    assert!(!folder.join("first/changes.csv").exists());
    // Without news the same table comes out.
    let keep = ["--keep-plan", "first"];
    let ended = dispatch(
        folder,
        CREW,
        "2026-12-01",
        &[&keep[..], &["--out", "same"]].concat(),
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let same = schedule_of(folder, "same");
    assert_eq!(same["plan_before"]["kept"], same["plan_before"]["shifts"]);
    assert_eq!(same["tasks"], first["tasks"]);
    let text = |path: &str| std::fs::read_to_string(folder.join(path)).unwrap();
    assert_eq!(text("same/shifts.csv"), text("first/shifts.csv"));
    assert_eq!(text("same/changes.csv").lines().count(), 1);
    assert!(
        ended.stdout.contains("shifts stay as they were"),
        "{}",
        ended.stdout
    );
    // A day later, all done as planned: the rest stays, and wood that was felled on the first day is skidded on.
    let later = [
        &keep[..],
        &["--done-until", "2026-12-02", "--out", "second"],
    ]
    .concat();
    let ended = dispatch(folder, CREW, "2026-12-02", &later);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let second = schedule_of(folder, "second");
    let cut = |schedule: &Value, from: i64| -> f64 {
        let own = tasks(schedule, "cut").into_iter();
        let own = own.filter(|task| task["from"].as_i64().unwrap() >= from);
        own.map(|task| task["layout_hours"].as_f64().unwrap()).sum()
    };
    let (was, is) = (cut(&first, SECOND_DAY), cut(&second, 0));
    assert!(was > 1.0 && (was - is).abs() < 0.01, "{was} {is}");
    for (before, after) in tasks(&first, "cut")
        .iter()
        .filter(|task| task["from"].as_i64().unwrap() >= SECOND_DAY)
        .zip(tasks(&second, "cut"))
    {
        for key in ["machine", "block_id", "section"] {
            assert_eq!(before[key], after[key]);
        }
    }
    let section = |task: &Value| format!("{} {}", task["block_id"], task["section"]);
    let felled: Vec<String> = tasks(&second, "cut").into_iter().map(section).collect();
    let from_before = |schedule: &Value| {
        let own = tasks(schedule, "skid").into_iter();
        own.filter(|task| {
            task["from"].as_i64().unwrap() >= SECOND_DAY && !felled.contains(&section(task))
        })
        .map(section)
        .collect::<std::collections::BTreeSet<_>>()
    };
    assert!(!from_before(&first).is_empty());
    assert_eq!(from_before(&second), from_before(&first));
    // A machine that breaks down on the second day.
    let stop = "\n[[stops]]\nwhy = \"a hose of feller 1\"\nmachine = \"feller 1\"\nfrom = \"2026-12-02 08:00\"\nto = \"2026-12-02\"\n";
    let ended = dispatch(
        folder,
        &format!("{CREW}{stop}"),
        "2026-12-01",
        &[&keep[..], &["--out", "broken"]].concat(),
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let broken = schedule_of(folder, "broken");
    let stopped = SECOND_DAY + 8 * H..SECOND_DAY + 24 * H;
    for task in broken["tasks"].as_array().unwrap() {
        let (from, to) = (task["from"].as_i64().unwrap(), task["to"].as_i64().unwrap());
        assert!(
            task["machine"] != "feller 1" || to <= stopped.start || from >= stopped.end,
            "{task}"
        );
    }
    let day = |schedule: &Value| -> Vec<Value> {
        let own = tasks(schedule, "cut").into_iter();
        own.filter(|task| task["to"].as_i64().unwrap() <= SECOND_DAY)
            .cloned()
            .collect()
    };
    assert_eq!(day(&broken), day(&first));
    calendars_take_the_news(folder, &keep);
    // A block that is closed for all of the period is told, and nobody is sent there.
    let stop = "\n[[stops]]\nwhy = \"the owner's wish\"\nblock = \"A-1\"\nfrom = \"2026-11-01\"\nto = \"2027-03-01\"\n";
    let ended = dispatch(
        folder,
        &format!("{CREW}{stop}"),
        "2026-12-01",
        &[&keep[..], &["--out", "closed"]].concat(),
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let closed = schedule_of(folder, "closed");
    assert!(
        closed["tasks"]
            .as_array()
            .unwrap()
            .iter()
            .all(|task| task["block_id"] != "A-1")
    );
    let changes = closed["plan_before"]["changes"].as_array().unwrap();
    assert!(
        changes.iter().any(|own| own["why"] == "the owner's wish"),
        "{changes:?}"
    );
    assert!(
        ended.stdout.contains("the owner's wish"),
        "{}",
        ended.stdout
    );
    assert!(text("closed/set_aside.csv").contains("the owner's wish"));
    // What is no plan, and a plan that would be lost.
    for (folder_named, out) in [("out", "none"), ("first", "first")] {
        let ended = dispatch(
            folder,
            CREW,
            "2026-12-01",
            &["--keep-plan", folder_named, "--out", out],
        );
        assert_eq!(ended.code, 2, "{}", ended.stderr);
        assert!(
            ended.stderr.contains("error[former-plan]"),
            "{}",
            ended.stderr
        );
    }
    let ended = dispatch(
        folder,
        CREW,
        "2026-12-01",
        &["--done-until", "2026-12-02", "--out", "none"],
    );
    assert_eq!(ended.code, 2);
}

/// UID, SEQUENCE, whether cancelled, and what it says, by a parser that is not ours.
fn events(text: &str) -> BTreeMap<String, (u64, bool, String)> {
    let calendar: Calendar = text.parse().expect("a calendar");
    let events = calendar
        .components
        .into_iter()
        .map(|component| match component {
            CalendarComponent::Event(event) => {
                assert!(
                    event.get_timestamp().is_some() && event.property_value("ORGANIZER").is_some()
                );
                let said = format!("{:?} {:?}", event.get_summary(), event.get_description());
                let sequence = event.property_value("SEQUENCE").unwrap().parse().unwrap();
                let cancelled = event.property_value("STATUS") == Some("CANCELLED");
                (
                    event.get_uid().unwrap().to_owned(),
                    (sequence, cancelled, said),
                )
            }
            other => panic!("{other:?}"),
        });
    events.collect()
}

/// RFC 5546: an update has the UID of what it takes the place of and a greater SEQUENCE; what is taken back comes by METHOD:CANCEL.
fn calendars_take_the_news(folder: &Path, keep: &[&str]) {
    let text = |path: &str| std::fs::read_to_string(folder.join(path)).unwrap();
    let first = events(&text("first/shifts.ics"));
    assert!(first.values().all(|own| own.0 == 0 && !own.1));
    assert_eq!(text("same/shifts.ics"), text("first/shifts.ics"));
    assert!(!folder.join("same/shifts-cancelled.ics").exists());
    // Feller 1 stands still from the first morning on.
    let stop = "\n[[stops]]\nwhy = \"a hose\"\nmachine = \"feller 1\"\nfrom = \"2026-12-01 09:30\"\nto = \"2026-12-30\"\n";
    let ended = dispatch(
        folder,
        &format!("{CREW}{stop}"),
        "2026-12-01",
        &[keep, &["--out", "away"]].concat(),
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let away = events(&text("away/shifts.ics"));
    let updates = |now: &BTreeMap<String, (u64, bool, String)>| -> u64 {
        let expected = now.iter().map(|(uid, (sequence, _, said))| {
            let before = first.get(uid);
            let expected = before.map_or(0, |held| u64::from(held.2 != *said));
            assert_eq!(*sequence, expected, "{said}");
            expected
        });
        expected.sum()
    };
    updates(&away);
    let taken_back = text("away/shifts-cancelled.ics");
    assert!(taken_back.contains("\r\nMETHOD:CANCEL\r\n"), "{taken_back}");
    let gone = events(&taken_back);
    for (uid, (sequence, cancelled, _)) in &gone {
        assert!(*sequence == 1 && *cancelled && first.contains_key(uid) && !away.contains_key(uid));
    }
    let lost = first.keys().filter(|uid| !away.contains_key(*uid));
    assert!(lost.count() == gone.len() && !gone.is_empty());
    // An hour of rain is an update of the shifts that it falls into.
    let rain =
        "\n[[stops]]\nwhy = \"rain\"\nfrom = \"2026-12-01 10:00\"\nto = \"2026-12-01 11:00\"\n";
    let rain = format!("{CREW}{rain}");
    dispatch(
        folder,
        &rain,
        "2026-12-01",
        &[keep, &["--out", "rain"]].concat(),
    );
    assert!(updates(&events(&text("rain/shifts.ics"))) > 0);
    // Now the other stands still and the first takes over: what comes back is newer than its cancellation.
    let other = stop.replace("feller 1", "feller 2");
    assert_ne!(other, stop);
    let other = format!("{CREW}{other}");
    let keep = ["--keep-plan", "away", "--keep-days", "0", "--out", "back"];
    dispatch(folder, &other, "2026-12-01", &keep);
    let back = events(&text("back/shifts.ics"));
    let mut again = 0;
    for (uid, (sequence, ..)) in back.iter().filter(|(uid, _)| gone.contains_key(*uid)) {
        assert_eq!(*sequence, 2, "{uid}");
        again += 1;
    }
    assert!(again > 0);
}

/// In Winnipeg the sun of 1 December sets at about 16:30: a row of that evening has the daylight of that day, not of the next.
#[test]
fn evenings_have_the_daylight_of_their_own_day_and_service_is_not_begun_twice() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let demo = [
        "demo",
        "--out",
        ".",
        "--blocks",
        "4",
        "--seed",
        "7",
        "--district-only",
        "--quiet",
    ];
    run(folder, &demo);
    lay_out(folder, "out");
    let crew = CREW.replace(
        "from = \"06:00\"\nto = \"16:00\"",
        "from = \"12:00\"\nto = \"02:00\"",
    );
    assert_ne!(crew, CREW);
    let crew = crew.replace("from = \"12:00\"", "from = \"06:00\"");
    let crew = crew.replace(
        "name = \"feller 1\"",
        "name = \"feller 1\"\nservice = { takes = \"45 min\", every = \"day\" }",
    );
    let ended = dispatch(folder, &crew, "2026-12-01", &["--out", "shifts"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    // Nobody cuts for some seconds before the service.
    let mut rows = csv::Reader::from_path(folder.join("shifts/shifts.csv")).unwrap();
    let rows_read: Vec<csv::StringRecord> = rows.records().map(Result::unwrap).collect();
    let mut services = 0;
    for pair in rows_read.windows(2).filter(|pair| &pair[1][4] == "service") {
        let hours: f64 = pair[0][12].parse().unwrap();
        assert!(pair[0][2] != pair[1][2] || hours > 0.05, "{pair:?}");
        services += 1;
    }
    assert!(services > 3, "{services}");
    let mut rows = csv::Reader::from_path(folder.join("shifts/shifts.csv")).unwrap();
    let mut dark = 0;
    for row in rows.records() {
        let row = row.unwrap();
        if &row[4] == "service" {
            continue;
        }
        assert_eq!(row[13][..10], row[0], "{row:?}");
        // Night work often begins at the very end of the light.
        dark += usize::from(row[10] >= row[14]);
    }
    assert!(dark > 5, "{dark}");
}

/// Two ways of saying that a block is finished, and one of naming what is none.
#[test]
fn finished_blocks_are_left_out() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    lay_out(folder, "out");
    write(folder, "blocks.csv", "block_id\nA-1\n");
    let columns = "block_id,part,strip_no,piece,section_no,hours_done";
    write(
        folder,
        "mixed.csv",
        &format!("{columns}\nA-1,,,,,\nA-9,,,,,\n"),
    );
    write(folder, "half.csv", "block_id,part\nA-1,\n");
    let blocks = |out: &str| -> Vec<String> {
        let found = schedule_of(folder, out);
        let own = tasks(&found, "cut").into_iter();
        own.map(|task| task["block_id"].to_string()).collect()
    };
    for (table, code) in [("blocks.csv", 0), ("mixed.csv", 3)] {
        let ended = dispatch(
            folder,
            CREW,
            "2026-12-01",
            &["--done", table, "--out", "left"],
        );
        assert_eq!(ended.code, code, "{}{}", ended.stdout, ended.stderr);
        let left = blocks("left");
        assert!(
            !left.is_empty() && left.iter().all(|id| id == "\"A-2\""),
            "{left:?}"
        );
        assert_eq!(
            ended.stdout.contains("no block `A-9`"),
            code == 3,
            "{}",
            ended.stdout
        );
    }
    let ended = dispatch(
        folder,
        CREW,
        "2026-12-01",
        &["--done", "half.csv", "--out", "none"],
    );
    assert!(
        ended.code == 2 && ended.stderr.contains("no column `strip_no`"),
        "{}",
        ended.stderr
    );
}
