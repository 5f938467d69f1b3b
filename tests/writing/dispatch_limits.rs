//! What binds real crews: people in one place at a time, their hours and rest, and wood between felling and skidding.

use std::collections::BTreeMap;
use std::path::Path;

use crate::dispatch_runs::{self, day_and_night, lay_out};
use crate::dispatch_support::*;
use crate::run_binary::*;
use blockwright::schedule::skidding::{Least, Skidder, WoodKnown, follow};
use blockwright::schedule::stock::{Limits, follow_within};
use blockwright::schedule::{self, Duty, Plan, Problem, StockRule, What};

pub(crate) fn skidder(days: i64, pace: i64) -> Skidder {
    Skidder {
        name: "S".to_owned(),
        night: true,
        max_slope: None,
        able: Default::default(),
        windows: machine("S", shifts(days, 0, 24), pace).windows,
        upkeep: Default::default(),
        start: None,
        min_lead_s: 0,
        max_lead_s: 100 * DAY,
    }
}

pub(crate) const TEN_M3: i64 = 10_000;

pub(crate) fn wood<'w>(slope: &'w dyn Fn(usize, usize) -> Option<f64>) -> WoodKnown<'w> {
    WoodKnown {
        seconds: &|_, _| H,
        by_day: &|_, _| false,
        slope,
        too_near: &|_, _| false,
        litres: &|_, _| TEN_M3,
        lying: &[],
        kept: &|_, _| None,
        decks: None,
    }
}

/// Litres that lie at a moment, counted section by section from the tasks alone.
fn lies(plan: &Plan, tasks: &[schedule::skidding::SkidTask], at: i64) -> i64 {
    let mut cut: BTreeMap<(usize, usize), i64> = BTreeMap::new();
    for task in &plan.tasks {
        if let What::Cut { unit, .. } = task.what {
            let first = cut.entry((task.block, unit)).or_insert(i64::MAX);
            *first = task.span.from.min(*first);
        }
    }
    let gone = |ground: &(usize, usize)| {
        let own = tasks
            .iter()
            .filter(|task| (task.block, task.unit) == (ground.0, Some(ground.1)));
        own.map(|task| task.span.to).max()
    };
    let lying = cut
        .iter()
        .filter(|(ground, from)| **from <= at && gone(ground).is_none_or(|to| to > at));
    lying.count() as i64 * TEN_M3
}

pub(crate) fn ten_strips(days: i64) -> Problem {
    let blocks = vec![block("A", "d d d d d d d d d d", 0.5, [0.0, 0.0], days)];
    let machines = vec![machine("M", shifts(days, 8, 8), 1000)];
    problem(days, blocks, machines, 1)
}

/// By hand: felling takes half an hour a section, skidding an hour, so of ten sections of 10 m³ there lie up to 60 m³ when
/// nobody waits: the tenth is begun after 4.5 h, when four are brought. With 30 m³ at most the felling keeps to the
/// skidder's pace, and still all is felled and skidded.
#[test]
fn felling_waits_where_as_much_lies_as_may() {
    let days = 4;
    let problem = ten_strips(days);
    let level = |_: usize, _: usize| None;
    let own = [skidder(days, 1000)];
    let solved = schedule::solve(&problem);
    let free = follow_within(&problem, &solved, &own, wood(&level), Limits::default());
    let most =
        |plan: &Plan, tasks: &[_]| (0..days * 24 * 60).map(|m| lies(plan, tasks, m * 60)).max();
    assert_eq!(free.plan, solved.plan);
    assert_eq!(most(&free.plan, &free.skidding.tasks), Some(60_000));
    assert_eq!(free.plan.finish, Some(13 * H));
    let limits = Limits {
        least: 0,
        most: Some(30_000),
    };
    let bound = follow_within(&problem, &solved, &own, wood(&level), limits);
    assert_eq!(faults(&problem, &bound.plan), Vec::<String>::new());
    assert_eq!(schedule::check(&problem, &bound.plan), Vec::<String>::new());
    assert_eq!(bound.plan.undone, 0);
    assert_eq!(bound.skidding.left, 0);
    assert_eq!(most(&bound.plan, &bound.skidding.tasks), Some(30_000));
    // The last is begun when seven are brought, and no sooner.
    let finish = bound.plan.finish.unwrap();
    assert!(finish >= 8 * H + H / 2 + 7 * H + H / 2, "{finish}");
    let rule = |most, waits| StockRule {
        litres: &|_, _| TEN_M3,
        is_taken: &|_, _| true,
        least: 0,
        most,
        waits,
        before: &[],
    };
    let check = |found: &schedule::stock::Followed, most, waits| {
        schedule::check_stock(&problem, &found.plan, &found.skidding, &rule(most, waits))
    };
    assert_eq!(
        check(&bound, Some(30_000), &bound.waits),
        Vec::<String>::new()
    );
    // The check knows a plan that does not keep it, by its own count.
    let told = check(&bound, Some(29_999), &[]);
    assert!(
        told.len() == 1 && told[0].contains("30000 l of wood lie"),
        "{told:?}"
    );
    let told = check(&free, Some(30_000), &bound.waits);
    assert!(
        told.iter().any(|own| own.contains("while felling waits")),
        "{told:?}"
    );
    assert!(
        told.iter().any(|own| own.contains("of wood lie")),
        "{told:?}"
    );
}

/// Wood that no skidder may take does not hold up the felling for ever.
#[test]
fn felling_does_not_wait_for_wood_that_nobody_may_take() {
    let days = 6;
    let problem = ten_strips(days);
    let steep = |_: usize, unit: usize| Some(if unit < 6 { 0.5 } else { 0.1 });
    let mut own = skidder(days, 1000);
    own.max_slope = Some(0.3);
    let solved = schedule::solve(&problem);
    let limits = Limits {
        least: 0,
        most: Some(20_000),
    };
    let found = follow_within(&problem, &solved, &[own], wood(&steep), limits);
    assert_eq!((found.plan.undone, found.skidding.left), (0, 6));
}

/// By hand: while the machine in A waits for the skidder, the one in B, whose wood is too steep for it, cuts on as if nothing lay.
#[test]
fn only_felling_that_would_add_to_the_stock_waits() {
    let days = 5;
    let blocks = vec![
        block("A", "d d d d d d d d d d", 0.5, [0.0, 0.0], days),
        block("B", "d d d d d d d d d d", 0.5, [5000.0, 0.0], days),
    ];
    let machines = ["M", "N"].into_iter().zip([[0.0, 0.0], [5000.0, 0.0]]);
    let machines = machines.map(|(name, at)| {
        let mut own = machine(name, shifts(days, 8, 8), 1000);
        own.start = Some(at);
        own
    });
    let problem = problem(days, blocks, machines.collect(), 1);
    let steep = |block: usize, _: usize| Some(if block == 1 { 0.5 } else { 0.1 });
    let mut own = skidder(days, 1000);
    own.max_slope = Some(0.3);
    own.start = Some([0.0, 0.0]);
    let solved = schedule::solve(&problem);
    let limits = Limits {
        least: 0,
        most: Some(30_000),
    };
    let found = follow_within(&problem, &solved, &[own], wood(&steep), limits);
    assert_eq!(faults(&problem, &found.plan), Vec::<String>::new());
    assert!(!found.waits.is_empty());
    let cuts = |plan: &Plan, block: usize| -> Vec<_> {
        let own = plan.tasks.iter().filter(|task| task.block == block);
        own.map(|task| (task.machine, task.span)).collect()
    };
    assert_eq!(cuts(&found.plan, 1), cuts(&solved.plan, 1));
    assert_ne!(cuts(&found.plan, 0), cuts(&solved.plan, 0));
    let inside = cuts(&found.plan, 1)
        .iter()
        .filter(|(_, span)| found.waits.iter().any(|wait| wait.contains(span.from)))
        .count();
    assert!(inside > 2, "{inside}");
    assert_eq!((found.plan.undone, found.skidding.left), (0, 10));
    // The check tells sections that add from those that do not.
    let rule = |is_taken| StockRule {
        litres: &|_, _| TEN_M3,
        is_taken,
        least: 0,
        most: Some(30_000),
        waits: &found.waits,
        before: &[],
    };
    let check = |rule| schedule::check_stock(&problem, &found.plan, &found.skidding, &rule);
    assert_eq!(check(rule(&|block, _| block == 0)), Vec::<String>::new());
    let told = check(rule(&|_, _| true));
    assert!(
        told.iter().any(|own| own.contains("block B is felled at")),
        "{told:?}"
    );
}

/// A block that is kept to one machine is cut by no other, though the other stands in it; the check knows who may.
#[test]
fn a_block_may_be_kept_to_machines() {
    let days = 4;
    let blocks = vec![
        block("A", "b nn d", 1.0, [0.0, 0.0], days),
        block("B", "b nn d", 1.0, [500.0, 0.0], days),
    ];
    let machines = ["M", "N"].map(|name| {
        let mut own = machine(name, shifts(days, 8, 8), 1000);
        own.start = Some([0.0, 0.0]);
        own
    });
    let mut problem = problem(days, blocks, machines.to_vec(), 1);
    for block in &mut problem.blocks {
        block.only.machines = Some(vec!["N".to_owned()]);
        block.only.skidders = Some(vec!["T".to_owned()]);
    }
    let plan = schedule::solve(&problem).plan;
    assert_eq!(plan.undone, 0);
    assert!(plan.tasks.iter().all(|task| task.machine == 1));
    assert_eq!(schedule::check(&problem, &plan), Vec::<String>::new());
    let level = |_: usize, _: usize| None;
    let skidders = ["S", "T"].map(|name| Skidder {
        name: name.to_owned(),
        ..skidder(days, 1000)
    });
    let least = Least {
        litres: 0,
        waits: &[],
    };
    let found = follow(
        &problem,
        &plan,
        &skidders,
        &problem.moves,
        wood(&level),
        least,
    );
    assert!(found.left == 0 && found.tasks.iter().all(|task| task.skidder == 1));
    let check = |problem: &Problem| {
        schedule::check_skidding(problem, &found, &skidders, &|_, _| false, &|_, _| None)
    };
    assert_eq!(check(&problem), Vec::<String>::new());
    problem.blocks[0].only.machines = Some(vec!["M".to_owned()]);
    problem.blocks[0].only.skidders = Some(vec!["S".to_owned()]);
    let told = schedule::check(&problem, &plan);
    assert!(
        told[0].contains("N works in block A, which is kept to other machines"),
        "{told:?}"
    );
    assert!(check(&problem)[0].contains("kept to other machines"));
    // Nobody who is let in may cut it: that is told.
    problem.machines[0].kinds.clear();
    let solved = schedule::solve(&problem);
    let zone = chrono_tz::Tz::UTC;
    let outlook = schedule::outlook::outlook(&problem, &solved.plan, &solved.bound, zone);
    assert!(
        outlook
            .warnings
            .iter()
            .any(|own| own.what.contains("block A: no machine of the crew may cut")),
        "{:?}",
        outlook.warnings
    );
}

/// By hand: with 40 m³ at least the skidder goes to the block when the fourth section of half an hour is felled; and what is left
/// at the end is brought though it is less.
#[test]
fn a_skidder_goes_where_enough_lies() {
    let days = 4;
    let problem = ten_strips(days);
    let level = |_: usize, _: usize| None;
    // A machine that works away from the block first: it stands there already else.
    let own = [Skidder {
        start: Some([50.0, 0.0]),
        ..skidder(days, 250)
    }];
    let plan = schedule::solve(&problem).plan;
    let first = |least: i64| {
        let least = Least {
            litres: least,
            waits: &[],
        };
        let found = follow(&problem, &plan, &own, &problem.moves, wood(&level), least);
        assert_eq!(found.left, 0);
        let rule = StockRule {
            litres: &|_, _| TEN_M3,
            is_taken: &|_, _| true,
            least: 40_000,
            most: None,
            waits: &[],
            before: &[],
        };
        let told = schedule::check_stock(&problem, &plan, &found, &rule);
        (found.tasks[0].span.from, told.len())
    };
    assert_eq!(first(40_000), (10 * H, 0));
    // With less it leaves for the first section, which the check finds out.
    assert_eq!(first(10_000), (8 * H + H / 2, 1));
    // Where nobody says how much, it waits for four hours of work, the way being an hour: that is until all is felled.
    assert_eq!(first(0), (13 * H, 0));
    // A block that is felled whole is skidded, little as it is.
    assert_eq!(first(1_000_000).0, 13 * H);
    // Nor does it go sooner where the plan before had it go.
    let kept = WoodKnown {
        kept: &|_, _| Some(0),
        decks: None,
        ..wood(&level)
    };
    let least = Least {
        litres: 40_000,
        waits: &[],
    };
    let found = follow(&problem, &plan, &own, &problem.moves, kept, least);
    assert_eq!((found.tasks[0].span.from, found.left), (10 * H, 0));
}

/// By hand: one skidder needs an hour for an hour, the other half: together they bring three hours' wood in one.
#[test]
fn skidders_bring_no_more_than_their_hours() {
    let both = [skidder(2, 1000), skidder(2, 500)];
    assert_eq!(schedule::skidding_bound(&both, 3 * H), Some(H));
    assert_eq!(schedule::skidding_bound(&both, 1000 * H), None);
}

#[test]
fn the_check_of_people_counts_for_itself() {
    let duty = |person: &str, from: i64, to: i64| Duty {
        person: person.to_owned(),
        span: stretch(from * H, to * H),
    };
    let check = schedule::check_people;
    let none = Vec::<String>::new();
    // 10 h, 14 h of rest, 10 h; and another person at the same time.
    let sound = [duty("a", 6, 16), duty("a", 30, 40), duty("b", 6, 16)];
    assert_eq!(check(&sound, Some(10 * H), Some(14 * H)), none);
    assert_eq!(check(&sound, Some(10 * H - 1), None).len(), 6);
    assert_eq!(
        check(&sound, None, Some(14 * H + 1)),
        ["a rests 50400 s from 57600"]
    );
    let twice = [duty("a", 6, 16), duty("a", 15, 20)];
    assert!(check(&twice, None, None)[0].contains("in two places"));
    // One that follows at once is no rest of none; both together are 20 h.
    let on = [duty("a", 6, 16), duty("a", 16, 26)];
    assert_eq!(check(&on, Some(20 * H), Some(8 * H)), none);
    assert!(
        check(&on, Some(20 * H - 1), None)
            .iter()
            .all(|own| own.contains("works 72000 s"))
    );
}

const CREW: &str = day_and_night!(
    r#"[[operators]]
name = "op 1"

[[operators]]
name = "op 2"

[[operators]]
name = "op 3"

[[machines]]
name = "feller 1"
operators = ["op 1", "op 2"]
"#
);

fn laid_out(folder: &Path) {
    small_project_with_volumes(folder);
    lay_out(folder, "out");
}

fn dispatch(folder: &Path, crew: &str, out: &str) -> Ended {
    dispatch_runs::dispatch(folder, crew, &["--days", "9", "--out", out])
}

#[test]
fn people_in_two_places_or_without_rest_are_refused_with_shifts_and_times() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let second =
        "\n[[machines]]\nname = \"feller 2\"\nshifts = [\"day\"]\noperators = [\"op 1\"]\n";
    let ended = dispatch(folder, &format!("{CREW}{second}"), "none");
    assert_eq!(ended.code, 2);
    for word in [
        "crew.toml, line 28",
        "operator `op 1` would be in two places at once",
        "shift `day` of `feller 1` (2026-12-01 06:00 to 2026-12-01 16:00)",
        "shift `day` of `feller 2`",
        "name another operator",
    ] {
        assert!(ended.stderr.contains(word), "{word}: {}", ended.stderr);
    }
    assert!(!folder.join("none").exists());
    // A skidder's operator is a person too.
    let third =
        "\n[[skidders]]\nname = \"skidder 1\"\nshifts = [\"night\"]\noperators = [\"op 2\"]\n";
    let ended = dispatch(folder, &format!("{CREW}{third}"), "none");
    assert!(
        ended.code == 2 && ended.stderr.contains("`op 2` would be in two"),
        "{}",
        ended.stderr
    );
    // 20 h of 24 pass where nobody says what is allowed, and are told; with a figure they are refused.
    let alone = CREW.replace("[\"op 1\", \"op 2\"]", "[\"op 1\", \"op 1\"]");
    let ended = dispatch(folder, &alone, "twenty");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    assert!(
        ended.stdout.contains("up to 20.0 h of 24"),
        "{}",
        ended.stdout
    );
    assert!(ended.stdout.contains("[rest]"), "{}", ended.stdout);
    let rest = |figure: &str| format!("\n[rest]\n{figure}\nsource = \"agreement 7\"\n");
    let ended = dispatch(
        folder,
        &format!("{alone}{}", rest("longest_work = \"13 h\"")),
        "none",
    );
    assert_eq!(ended.code, 2);
    for word in [
        "for 20.0 h of 24 hours, 13.0 h are allowed (agreement 7)",
        "shift `night` of `feller 1`",
    ] {
        assert!(ended.stderr.contains(word), "{word}: {}", ended.stderr);
    }
    let ended = dispatch(
        folder,
        &format!("{alone}{}", rest("least_rest = \"8 h\"")),
        "none",
    );
    assert_eq!(ended.code, 2);
    assert!(
        ended
            .stderr
            .contains("would rest for 4.0 h, 8.0 h are needed (agreement 7)"),
        "{}",
        ended.stderr
    );
    let both = rest("longest_work = \"10 h\"\nleast_rest = \"14 h\"");
    let ended = dispatch(folder, &format!("{CREW}{both}"), "sound");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let found = schedule_of(folder, "sound");
    assert_eq!(found["operators"][0]["longest_hours_in_24"], 10.0);
    assert_eq!(found["operators"][0]["least_rest_hours"], 14.0);
    assert_eq!(found["rest"]["source"], "agreement 7");
}

/// The stock of the table against the layout's own volumes, by hand of tasks and `layout.gpkg`.
#[test]
fn the_stock_of_each_day_is_what_is_felled_less_what_is_skidded() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let crew = format!("{CREW}\n[[skidders]]\nname = \"skidder 1\"\ntime_factor = 2.0\n");
    let ended = dispatch(folder, &crew, "free");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let free = schedule_of(folder, "free");
    let reached = free["stock"]["reached_m3"].as_f64().unwrap();
    assert!(reached > 100.0, "{reached}");
    assert_eq!(free["stock"]["felling_waits_hours"], 0.0);
    let days = free["stock"]["days"].as_array().unwrap();
    let mut lies = 0.0;
    for day in days {
        let of = |key: &str| day[key].as_f64().unwrap();
        lies += of("felled_m3") - of("skidded_m3");
        assert!((lies - of("lies_m3")).abs() < 1.0, "{day}");
    }
    // All that is felled in these days is the layout's volume.
    let table = std::fs::read_to_string(folder.join("out/blocks.csv")).unwrap();
    let mut rows = csv::Reader::from_reader(table.as_bytes());
    let column = rows
        .headers()
        .unwrap()
        .iter()
        .position(|head| head == "volume_m3")
        .unwrap();
    let volume: f64 = rows
        .records()
        .map(|row| row.unwrap()[column].parse::<f64>().unwrap())
        .sum();
    let felled: f64 = days
        .iter()
        .map(|day| day["felled_m3"].as_f64().unwrap())
        .sum();
    assert!((felled - volume).abs() < 1.0, "{felled} {volume}");
    let most = (reached / 2.0).round();
    let bound = format!("{crew}\n[stock]\nmost = \"{most} m3\"\n");
    let ended = dispatch(folder, &bound, "bound");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let found = schedule_of(folder, "bound");
    assert!(found["stock"]["reached_m3"].as_f64().unwrap() <= most + 0.05);
    assert!(found["stock"]["felling_waits_hours"].as_f64().unwrap() > 0.0);
    assert!(ended.stdout.contains("felling waits"), "{}", ended.stdout);
    // Volumes must be known, and a section must fit.
    let small = format!("{crew}\n[stock]\nmost = \"1 m3\"\n");
    let ended = dispatch(folder, &small, "none");
    assert!(
        ended.code == 2 && ended.stderr.contains("a single section of block"),
        "{}",
        ended.stderr
    );
}

#[test]
fn blocks_are_kept_to_machines_of_the_crew_file() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    laid_out(folder);
    let second = "\n[[machines]]\nname = \"feller 2\"\nrun_on = \"tracked\"\n\n[[skidders]]\nname = \"skidder 1\"\n\n[[skidders]]\nname = \"skidder 2\"\nruns_on = \"tracked\"\n";
    let second = second.replace("run_on", "runs_on");
    let blocks = "\n[[blocks]]\nid = \"A-1\"\nmachines = [\"feller 2\", \"skidder 2\"]\n";
    let crew = format!("{CREW}{second}{blocks}");
    let ended = dispatch(folder, &crew, "kept");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let kept = schedule_of(folder, "kept");
    let mut seen = std::collections::BTreeSet::new();
    for task in kept["tasks"].as_array().unwrap() {
        if task["block_id"] == "A-1" && task["task"] != "move" {
            seen.insert(task["machine"].as_str().unwrap().to_owned());
        }
    }
    assert_eq!(
        seen.into_iter().collect::<Vec<_>>(),
        ["feller 2", "skidder 2"]
    );
    // Wheels are not for ground as steep as the layout's, whose slopes nobody has measured.
    let wheels = crew.replacen("\"tracked\"", "\"wheeled\"", 1);
    let ended = dispatch(folder, &wheels, "wheels");
    let told = "block A-1: no machine of the crew may cut";
    assert!(
        ended.code == 3 && ended.stdout.contains(told),
        "{}",
        ended.stdout
    );
    for (wrong, word) in [("[\"feller 9\"]", "feller 9"), ("[]", "kept to no machine")] {
        let crew = crew.replace("[\"feller 2\", \"skidder 2\"]", wrong);
        let ended = dispatch(folder, &crew, "none");
        assert!(
            ended.code == 2 && ended.stderr.contains(word),
            "{}",
            ended.stderr
        );
    }
}
