//! What comes up after a plan: a new block, a machine more, wood wanted by a date.

use std::path::Path;

use blockwright::schedule::skidding::Skidding;
use blockwright::schedule::wood::{Wanted, Wood, brought};
use blockwright::schedule::{self, Plan, Problem};
use serde_json::Value;

use crate::dispatch_runs::{by_day, lay_out};
use crate::dispatch_support::*;
use crate::run_binary::*;

/// By hand: the machine stands at A, whose six hours have a cubic metre each; B, an hour away, has fifty an hour. With all of A
/// first, an hour is left for B on the first day; so 100 m³ by its end are met only by going to B before A is done.
#[test]
fn a_plan_prefers_to_bring_wood_by_its_date() {
    let days = 4;
    let blocks = vec![
        block("A", "d d d d d d", 1.0, [0.0, 0.0], days),
        block("B", "d d d d d d", 1.0, [500.0, 0.0], days),
    ];
    let mut own = machine("M", shifts(days, 8, 8), 1000);
    own.start = Some([0.0, 0.0]);
    let mut problem: Problem = problem(days, blocks, vec![own], 1);
    let litres = vec![vec![1_000; 6], vec![50_000; 6]];
    let of = |block: usize, unit: usize| litres[block][unit];
    let felled = |plan: &Plan, problem: &Problem| brought(problem, plan, None, &of, &[DAY])[0];
    let free = schedule::solve(&problem).plan;
    assert_eq!(felled(&free, &problem), 56_000);
    problem.wood = Wood {
        wanted: vec![Wanted {
            by: DAY,
            litres: 100_000,
        }],
        litres: litres.clone(),
        lead_s: 0,
    };
    let plan = schedule::solve(&problem).plan;
    assert!(felled(&plan, &problem) >= 100_000);
    assert_eq!(plan.undone, 0);
    assert_eq!(faults(&problem, &plan), Vec::<String>::new());
    assert_eq!(schedule::check(&problem, &plan), Vec::<String>::new());
    // The check counts for itself.
    let check = |said: i64| schedule::check_wood(&problem, &plan, None, &of, &[(DAY, said)]);
    assert_eq!(check(felled(&plan, &problem)), Vec::<String>::new());
    assert_eq!(check(100_000_000).len(), 1);
    let nothing = Skidding::default();
    let told = schedule::check_wood(&problem, &plan, Some(&nothing), &of, &[(DAY, 1)]);
    assert!(told[0].starts_with("0 l of wood are at the roadside"));
}

const CREW: &str = by_day!(
    r#"[[machines]]
name = "feller 1"

[[skidders]]
name = "skidder 1"
"#
);

fn dispatch(folder: &Path, layout: &str, crew: &str, more: &[&str]) -> Ended {
    write(folder, "crew.toml", crew);
    let mut all = vec!["dispatch", layout, "--crew", "crew.toml", "--days", "14"];
    all.extend(more);
    run(folder, &all)
}

/// What is said to lie at the roadside is what the table of the stock has skidded until then.
#[test]
fn wood_by_dates_is_told_met_or_short() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    lay_out(folder, "out");
    let wood = "\n[[wood]]\nby = \"2026-12-05\"\nvolume = \"50 m3\"\n\n[[wood]]\nby = \"2026-12-08\"\nvolume = \"60000 m3\"\n";
    let crew = format!("{CREW}{wood}");
    let ended = dispatch(
        folder,
        "out",
        &crew,
        &["--from", "2026-12-01", "--out", "first"],
    );
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    let found = schedule_of(folder, "first");
    let dates = found["wood"].as_array().unwrap();
    for (own, wanted) in dates.iter().zip([50.0, 60_050.0]) {
        let skidded: f64 = table(&folder.join("first/stock.csv"))
            .iter()
            .filter(|row| row["date"].as_str() <= own["by"].as_str().unwrap())
            .map(|row| row["skidded_m3"].parse::<f64>().unwrap())
            .sum();
        let brought = own["brought_m3"].as_f64().unwrap();
        assert!(
            skidded > 50.0 && (brought - skidded).abs() < 1.0,
            "{own} {skidded}"
        );
        assert_eq!(own["wanted_m3"], wanted);
        let short = own["short_m3"].as_f64().unwrap();
        assert!((short - (wanted - brought).max(0.0)).abs() < 1e-6, "{own}");
    }
    for word in [
        "wood by 5 Dec 2026: 50.0 m³ wanted, ",
        "wood by 8 Dec 2026: 60050.0 m³ wanted, ",
        " m³ short",
        "not enough is felled by then",
    ] {
        assert!(ended.stdout.contains(word), "{word}: {}", ended.stdout);
    }
    // Four days later: the first date is past, and what came after it counts for the second.
    let later = [
        "--from",
        "2026-12-07",
        "--keep-plan",
        "first",
        "--done-until",
        "2026-12-07",
        "--out",
        "later",
    ];
    let ended = dispatch(folder, "out", &crew, &later);
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    let later = schedule_of(folder, "later");
    let [own] = &later["wood"].as_array().unwrap()[..] else {
        panic!("{}", later["wood"]);
    };
    let between: f64 = table(&folder.join("first/stock.csv"))
        .iter()
        .filter(|row| ["2026-12-06"].contains(&row["date"].as_str()))
        .map(|row| row["skidded_m3"].parse::<f64>().unwrap())
        .sum();
    let before = own["before_m3"].as_f64().unwrap();
    assert!(
        between > 0.0 && (before - between).abs() < 0.2,
        "{before} {between}"
    );
    assert!((own["wanted_m3"].as_f64().unwrap() - (60_000.0 - before)).abs() < 0.01);
    // Volumes must be known.
    let bare = tempfile::tempdir().unwrap();
    small_project(bare.path());
    lay_out(bare.path(), "out");
    let ended = dispatch(
        bare.path(),
        "out",
        &crew,
        &["--from", "2026-12-01", "--out", "none"],
    );
    assert!(
        ended.code == 2 && ended.stderr.contains("`[[wood]]` counts wood in m³"),
        "{}",
        ended.stderr
    );
    // Without skidders what is felled counts, and that is said.
    let felled = crew.replace("\n[[skidders]]\nname = \"skidder 1\"\n", "");
    let ended = dispatch(
        folder,
        "out",
        &felled,
        &["--from", "2026-12-01", "--out", "felled"],
    );
    assert!(
        ended
            .stdout
            .contains("are felled (the crew has no skidder)"),
        "{}",
        ended.stdout
    );
}

/// A block that is laid out after the plan, and a machine that comes to the crew: the first days stay as they were, and what
/// changes is told with its reason.
#[test]
fn a_new_block_and_a_machine_more_leave_the_first_days_as_they_were() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    // Farther apart than trees fall, else two machines would not work there at once.
    let one = feature(r#"{"BLOCK": "A-1"}"#, &rectangle(0.0, 0.0, 300.0, 200.0));
    let other = feature(r#"{"BLOCK": "A-2"}"#, &rectangle(480.0, 0.0, 680.0, 300.0));
    let both = collection(UTM, &[one.clone(), other]);
    write(folder, "blocks.geojson", &collection(UTM, &[one]));
    lay_out(folder, "one");
    let from = ["--from", "2026-12-01"];
    let first = dispatch(
        folder,
        "one",
        CREW,
        &[&from[..], &["--out", "first"]].concat(),
    );
    assert!(matches!(first.code, 0 | 3), "{}", first.stderr);
    write(folder, "blocks.geojson", &both);
    lay_out(folder, "two");
    let before = dispatch(
        folder,
        "two",
        CREW,
        &[&from[..], &["--out", "two-plan"]].concat(),
    );
    assert!(matches!(before.code, 0 | 3), "{}", before.stderr);
    let more = format!("{CREW}\n[[machines]]\nname = \"feller 2\"\n");
    let frozen = |out: &str| -> Vec<Value> {
        // 2026-12-03 in Winnipeg begins at 06:00 UTC.
        let until = 1_796_277_600;
        let found = schedule_of(folder, out);
        let tasks = found["tasks"].as_array().unwrap().iter();
        tasks
            .filter(|task| task["task"] == "cut" && task["machine"] == "feller 1")
            .filter(|task| task["to"].as_i64().unwrap() <= until)
            .cloned()
            .collect()
    };
    let machine = "the machine was not in the plan before";
    for (plan, crew, out, why) in [
        ("first", CREW, "block", "A-2 was not in the plan before"),
        ("two-plan", &more, "machine", machine),
        ("first", &more, "both", machine),
    ] {
        let keep = [&from[..], &["--keep-plan", plan, "--out", out]].concat();
        let ended = dispatch(folder, "two", crew, &keep);
        assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
        assert!(frozen(plan).len() > 3);
        assert_eq!(frozen(out), frozen(plan), "{out}");
        let rows = table(&folder.join(out).join("changes.csv"));
        assert!(rows.iter().any(|row| row["why"] == why), "{out}: {rows:?}");
        for row in &rows {
            let news = row["machine"] == "feller 2" || row["date"].as_str() >= "2026-12-03";
            assert!(news || row["machine"].starts_with("skidder"), "{row:?}");
        }
        let found = schedule_of(folder, out);
        let has = |key: &str, name: &str| {
            let mut tasks = found["tasks"].as_array().unwrap().iter();
            tasks.any(|task| task[key] == name)
        };
        assert_eq!(has("machine", "feller 2"), crew == more.as_str());
        assert!(has("block_id", "A-2"));
    }
}

/// A-2 may be worked from 3 December on, by its permit: nobody fells or skids there before. A-1 lies 100 m from it, within the 120 m of
/// two trees whose height nobody says: two machines never cut in both at once, as they do where the blocks lie 180 m apart.
#[test]
fn windows_and_falling_trees_of_files_are_kept() {
    // 2026-12-03 in Winnipeg begins at 06:00 UTC.
    let opens = 1_796_277_600;
    let mut at_once = vec![];
    for gap in [100.0, 180.0] {
        let temp = tempfile::tempdir().unwrap();
        let folder = temp.path();
        small_project_with_volumes(folder);
        let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
        let project = project.replace("id = \"BLOCK\"\n", "id = \"BLOCK\"\nopen_from = \"OPEN\"\n");
        write(folder, "project.toml", &project);
        let east = 300.0 + gap;
        let blocks = [
            feature(
                r#"{"BLOCK": "A-1", "OPEN": null}"#,
                &rectangle(0.0, 0.0, 300.0, 200.0),
            ),
            feature(
                r#"{"BLOCK": "A-2", "OPEN": "2026-12-03"}"#,
                &rectangle(east, 0.0, east + 200.0, 300.0),
            ),
        ];
        write(folder, "blocks.geojson", &collection(UTM, &blocks));
        lay_out(folder, "out");
        let crew = format!("{CREW}\n[[machines]]\nname = \"feller 2\"\n");
        let ended = dispatch(
            folder,
            "out",
            &crew,
            &["--from", "2026-12-01", "--out", "shifts"],
        );
        assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
        let found = schedule_of(folder, "shifts");
        let tasks = found["tasks"].as_array().unwrap();
        let of = |kind: &str, block: &str| -> Vec<(i64, i64)> {
            let own = tasks
                .iter()
                .filter(|task| task["task"] == kind && task["block_id"] == block);
            own.map(|task| (task["from"].as_i64().unwrap(), task["to"].as_i64().unwrap()))
                .collect()
        };
        for kind in ["cut", "skid"] {
            let own = of(kind, "A-2");
            assert!(
                !own.is_empty() && own.iter().all(|span| span.0 >= opens),
                "{kind} {own:?}"
            );
        }
        let (one, two) = (of("cut", "A-1"), of("cut", "A-2"));
        let meets = |a: &(i64, i64)| two.iter().any(|b| a.0 < b.1 && b.0 < a.1);
        at_once.push(one.iter().filter(|span| meets(span)).count());
    }
    assert!(at_once[0] == 0 && at_once[1] > 0, "{at_once:?}");
}
