//! What machines need: service and fuel by daylight, and what a block asks of them.

use std::path::Path;

use blockwright::model::MachineKind;
use blockwright::schedule::calendar::{Every, Fuel, OneShift, fuelling};
use blockwright::schedule::time::{intersect, total};
use blockwright::schedule::{self, Able, Needs, Upkeep};
use serde_json::Value;

use crate::dispatch_runs::{self, day_and_night, lay_out};
use crate::dispatch_support::*;
use crate::run_binary::*;

fn around_the_clock(days: i64) -> Vec<OneShift> {
    let first: chrono::NaiveDate = "1970-01-01".parse().unwrap();
    (0..days)
        .map(|day| OneShift {
            date: first + chrono::Days::new(day as u64),
            shift: 0,
            span: stretch(day * DAY, (day + 1) * DAY),
            pace: 1000,
        })
        .collect()
}

/// By hand, light from 8 to 16 and a machine that never stops. A tank that lasts 20 h is empty at 20:00 and is filled in the half hour
/// before 16:00; then it is empty at 12:00, and after that at 8:30: both times it is light. One that lasts 15 h is empty at 15:00 and is filled by then; filled at 15:00 it lasts until 6 on the next day, when it is
/// dark: the machine stands until 8.
#[test]
fn tanks_are_filled_in_the_last_light_before_they_are_empty() {
    let days = 3;
    let shifts = around_the_clock(days);
    let runs: Vec<_> = shifts.iter().map(|one| one.span).collect();
    let found = |hours: i64| {
        let fuel = Fuel {
            seconds: H / 2,
            every: Every::Seconds(hours * H),
            source: "by hand".to_owned(),
        };
        fuelling(chrono_tz::UTC, &shifts, &runs, &fuel, &light(days, 8, 16))
    };
    let own = found(20);
    let half_hour = |from: i64| stretch(from, from + H / 2);
    let slots = [31 * H / 2, DAY + 12 * H, 2 * DAY + 17 * H / 2].map(half_hour);
    assert_eq!(own.slots, slots);
    assert!(own.dry.is_empty());
    let own = found(15);
    assert_eq!(own.slots[0], stretch(15 * H, 31 * H / 2));
    assert_eq!(own.dry[0], stretch(DAY + 13 * H / 2, DAY + 8 * H));
    assert_eq!(own.slots[1], stretch(DAY + 8 * H, DAY + 17 * H / 2));
}

/// The check finds who is fuelled in the dark or at work, and who runs longer than a tank lasts, from the tasks alone.
#[test]
fn the_check_looks_at_fuel_for_itself() {
    let days = 3;
    let blocks = vec![block("A", "d d d d d d d d", 1.0, [0.0, 0.0], days)];
    let mut problem = problem(
        days,
        blocks,
        vec![machine("M", shifts(days, 8, 8), 1000)],
        1,
    );
    let plan = schedule::solve(&problem).plan;
    let mut told = |slots: Vec<(i64, i64)>, tank_s: Option<i64>| {
        problem.machines[0].upkeep = Upkeep {
            fuel: slots.iter().map(|(from, to)| stretch(*from, *to)).collect(),
            tank_s,
            ..Upkeep::default()
        };
        schedule::check(&problem, &plan)
    };
    assert!(told(vec![], None).is_empty());
    assert!(told(vec![(17 * H, 18 * H)], None)[0].contains("fuelled in the dark"));
    assert!(told(vec![(10 * H, 11 * H)], None)[0].contains("works while it is fuelled"));
    assert!(told(vec![], Some(7 * H))[0].contains("its tank lasts 25200 s"));
    assert!(told(vec![], Some(8 * H)).is_empty());
    problem.machines[0].upkeep.service = vec![stretch(DAY + 9 * H, DAY + 10 * H)];
    problem.machines[0].upkeep.fuel = vec![stretch(DAY + 9 * H, DAY + 10 * H)];
    assert!(schedule::check(&problem, &plan)[0].contains("serviced and fuelled at once"));
}

/// The check holds a block's needs against what is said of machines, whatever the plan took for granted.
#[test]
fn the_check_knows_who_may_work_in_a_block() {
    let days = 2;
    let blocks = vec![block("A", "d d", 1.0, [0.0, 0.0], days)];
    let mut problem = problem(
        days,
        blocks,
        vec![machine("M", shifts(days, 8, 8), 1000)],
        1,
    );
    let plan = schedule::solve(&problem).plan;
    problem.blocks[0].needs = Needs {
        reach_m: Some(9.0),
        runs_on: Some(vec![MachineKind::Tracked]),
    };
    let told = |problem: &schedule::Problem| schedule::check(problem, &plan).len();
    assert_eq!(told(&problem), 4);
    problem.machines[0].able = Able {
        reach_m: Some(8.9),
        runs_on: Some(MachineKind::Tracked),
    };
    assert_eq!(told(&problem), 2);
    problem.machines[0].able.reach_m = Some(9.0);
    assert_eq!(told(&problem), 0);
}

const CREW: &str = day_and_night!(
    r#"[[machines]]
name = "feller 1"
time_factor = 2.5
service = { takes = "30 min", every = "day" }
fuel = { takes = "20 min", every = "12 h", source = "an invented manual" }

[[machines]]
name = "feller 2"
reach = "10 m"
runs_on = "tracked"
shifts = ["day"]

[[skidders]]
name = "skidder 1"
runs_on = "wheeled"
time_factor = 0.6
service = { takes = "40 min", every = "day" }
fuel = { takes = "15 min", every = "day", source = "an invented manual" }

[[skidders]]
name = "skidder 2"
runs_on = "tracked"
shifts = ["day"]
"#
);

fn dispatch(folder: &Path, crew: &str, out: &str) -> Ended {
    dispatch_runs::dispatch(folder, crew, &["--days", "9", "--out", out])
}

fn seconds(text: &Value) -> i64 {
    let at = chrono::DateTime::parse_from_str(text.as_str().unwrap(), "%Y-%m-%dT%H:%M%z");
    at.unwrap().timestamp()
}

fn spans(list: &Value) -> Vec<schedule::Stretch> {
    let all = list.as_array().unwrap().iter();
    all.map(|own| stretch(seconds(&own["from"]), seconds(&own["to"])))
        .collect()
}

#[test]
fn machines_and_skidders_are_serviced_and_fuelled_by_day() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let level = project.replace(
        "[production]\n",
        "[layout]\nlevel_ground = \"invented\"\n\n[production]\n",
    );
    write(folder, "project.toml", &level);
    lay_out(folder, "out");
    let alone = CREW.replacen("shifts = [\"day\"]", "kinds = [\"road_clearing\"]", 1);
    let ended = dispatch(folder, &alone, "shifts");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let plan = schedule_of(folder, "shifts");
    let machines = plan["machines"].as_array().unwrap();
    let of = |name: &str| machines.iter().find(|own| own["name"] == name).unwrap();
    let rows = table(&folder.join("shifts/shifts.csv"));
    for (name, least) in [("feller 1", 3), ("skidder 1", 2)] {
        let own = of(name);
        let (service, fuel) = (spans(&own["services"]), spans(&own["fuelled"]));
        assert!(service.len() >= least && fuel.len() >= least, "{name}");
        assert_eq!(total(&intersect(&service, &fuel)), 0);
        let tasks = plan["tasks"].as_array().unwrap().iter();
        let tasks = tasks.filter(|task| task["machine"] == name);
        let mut work: Vec<_> = tasks
            .map(|task| stretch(task["from"].as_i64().unwrap(), task["to"].as_i64().unwrap()))
            .collect();
        work.sort();
        for slot in service.iter().chain(&fuel) {
            // Times in the outputs are to the minute.
            assert!(total(&intersect(&work, &[*slot])) < 60, "{name} {slot:?}");
            // December light of this place, by published tables of 48.7° N: none before 8 or after 17 by the clock of Winnipeg.
            let clock = (slot.from - 6 * H).rem_euclid(DAY);
            assert!((15 * H / 2..17 * H).contains(&clock), "{name} {clock}");
        }
        let in_table = |task: &str| {
            let own = rows.iter().filter(|row| row["machine"] == name);
            own.filter(|row| row["task"] == task).count()
        };
        assert_eq!(
            (in_table("service"), in_table("fuel")),
            (service.len(), fuel.len())
        );
        if name == "feller 1" {
            let mut from = i64::MIN;
            for fill in fuel.iter().map(|slot| slot.from).chain([i64::MAX]) {
                let ran = total(&intersect(&work, &[stretch(from, fill)]));
                assert!(ran <= 12 * H + 120, "{ran}");
                from = fill;
            }
        }
    }
    // Twenty hours a day with fuel for twelve: it stands until the light comes, and that is told.
    let dry = of("feller 1")["idle"].as_array().unwrap();
    assert!(dry.iter().any(|own| own["why"] == "no_fuel"), "{dry:?}");
    assert!(
        ended
            .stdout
            .contains("with an empty tank and waits for light"),
        "{}",
        ended.stdout
    );
    // Rows of a copy that say fuel say nothing of the ground.
    let copy = std::fs::read(folder.join("shifts/shifts.csv")).unwrap();
    std::fs::write(folder.join("copy.csv"), copy).unwrap();
    let again = ["--days", "9", "--done", "copy.csv", "--out", "rest"];
    let ended = dispatch_runs::dispatch(folder, CREW, &again);
    assert!(!ended.stderr.contains("is no task"), "{}", ended.stderr);
    for (old, new, word) in [
        ("source = \"an invented manual\"", "source = \"\"", "source"),
        ("\"12 h\"", "\"5 min\"", "15 min"),
    ] {
        let ended = dispatch(folder, &CREW.replace(old, new), "none");
        assert_eq!(ended.code, 2);
        assert!(ended.stderr.contains(word), "{}", ended.stderr);
    }
}

#[test]
fn a_block_is_given_to_machines_that_have_what_it_needs() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    lay_out(folder, "out");
    let needs = "\n[[blocks]]\nid = \"A-2\"\nreach = \"9.5 m\"\nruns_on = [\"tracked\", \"steep_ground\"]\n";
    let ended = dispatch(folder, &format!("{CREW}{needs}"), "shifts");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let plan = schedule_of(folder, "shifts");
    let who = |block: &str, kind: &str| {
        let own = tasks(&plan, kind).into_iter();
        let own = own.filter(|task| task["block_id"] == block);
        let names: std::collections::BTreeSet<String> = own
            .map(|task| task["machine"].as_str().unwrap().to_owned())
            .collect();
        names.into_iter().collect::<Vec<_>>()
    };
    assert_eq!(who("A-2", "cut"), ["feller 2"]);
    assert_eq!(who("A-2", "skid"), ["skidder 2"]);
    assert!(!who("A-1", "cut").is_empty());
    // Nobody reaches as far: that is told, and the rest is planned.
    let far = needs.replace("9.5 m", "12 m");
    let ended = dispatch(folder, &format!("{CREW}{far}"), "far");
    assert_eq!(ended.code, 3);
    assert!(
        ended
            .stdout
            .contains("block A-2: no machine of the crew may cut"),
        "{}",
        ended.stdout
    );
    assert!(
        ended.stdout.contains("asks for more reach"),
        "{}",
        ended.stdout
    );
    let none = needs.replace("[\"tracked\", \"steep_ground\"]", "[]");
    let ended = dispatch(folder, &format!("{CREW}{none}"), "none");
    assert_eq!(ended.code, 2);
    assert!(ended.stderr.contains("run on nothing"), "{}", ended.stderr);
}

/// By hand: work from 6 to 10 and from 14 to 20, an hour of way to B. A is brought until 9:30, and all of B is felled by then: half an hour of
/// moving would be parted by the break, so the skidder leaves after it.
#[test]
fn no_break_parts_a_move_of_a_skidder() {
    use blockwright::schedule::Plan;
    use blockwright::schedule::skidding::{Least, WoodKnown, follow};
    let days = 2;
    let blocks = vec![
        block("A", "d", 1.0, [0.0, 0.0], days),
        block("B", "d", 1.0, [500.0, 0.0], days),
    ];
    let own = machine("M", vec![(6 * H, 10 * H), (14 * H, 20 * H)], 1000);
    let problem = problem(days, blocks, vec![own.clone()], 1);
    let plan = Plan {
        tasks: (0..2)
            .map(|block| schedule::Task {
                machine: 0,
                shift: 0,
                block,
                what: schedule::What::Cut {
                    unit: 0,
                    done: schedule::HOUR,
                },
                span: stretch(5 * H, 6 * H),
            })
            .collect(),
        ..Plan::default()
    };
    let level = |_: usize, _: usize| None;
    let known = WoodKnown {
        seconds: &|_, _| 7 * H / 2,
        ..crate::dispatch_limits::wood(&level)
    };
    let skidder = schedule::skidding::Skidder {
        windows: own.windows,
        start: Some([0.0, 0.0]),
        ..crate::dispatch_limits::skidder(days, 1000)
    };
    let found = follow(
        &problem,
        &plan,
        &[skidder],
        &problem.moves,
        known,
        Least::default(),
    );
    let told: Vec<_> = (found.tasks.iter())
        .map(|task| (task.block, task.unit.is_some(), task.span.from))
        .collect();
    assert_eq!(
        told,
        [(0, true, 6 * H), (1, false, 14 * H), (1, true, 15 * H)]
    );
}
