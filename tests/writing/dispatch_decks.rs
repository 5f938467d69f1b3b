//! Decks have room for so much, trucks take it away, and skidding waits where a deck is full.

use std::collections::BTreeMap;
use std::path::Path;

use blockwright::schedule::decks::{Deck, Decks, Load};
use blockwright::schedule::skidding::{Least, Skidding, WoodKnown, follow};
use blockwright::schedule::{self, DeckRule, Problem};
use serde_json::Value;

use crate::dispatch_limits::{TEN_M3, skidder, ten_strips, wood};
use crate::dispatch_runs::{self, by_day, lay_out};
use crate::dispatch_support::*;
use crate::run_binary::*;

fn decks(problem: &Problem, room: Option<i64>, calls: Vec<i64>) -> Decks {
    let of = problem.blocks.iter();
    Decks {
        of: of.map(|block| vec![0; block.units.len()]).collect(),
        decks: vec![Deck {
            room,
            lies: 0,
            largest: TEN_M3,
        }],
        calls,
        load: 2 * TEN_M3,
    }
}

fn followed(problem: &Problem, decks: Option<&Decks>, days: i64) -> Skidding {
    let plan = schedule::solve(problem).plan;
    let level = |_: usize, _: usize| None;
    let known = WoodKnown {
        decks,
        ..wood(&level)
    };
    let own = [skidder(days, 1000)];
    follow(
        problem,
        &plan,
        &own,
        &problem.moves,
        known,
        Least::default(),
    )
}

fn checked(skidding: &Skidding, rooms: &[Option<i64>], days: i64, loads: usize) -> Vec<String> {
    let hauls: Vec<_> = (0..days)
        .map(|day| stretch(day * DAY + 11 * H, day * DAY + 17 * H))
        .collect();
    let rule = DeckRule {
        of: &|_, _| 0,
        litres: &|_, _| TEN_M3,
        rooms,
        lies: &[0],
        hauls: &hauls,
        loads,
        load: 2 * TEN_M3,
    };
    schedule::check_decks(skidding, &rule)
}

/// By hand: sections of 10 m³ are ready every half hour from 8:30 on and are brought in an hour each. The deck has room for three,
/// trucks that take two come at 12 and at 16: so three come until 11:30, two from 12, two from 16, two from 12 on the next day, and
/// the last at 16.
#[test]
fn skidding_waits_where_the_deck_is_full() {
    let days = 4;
    let problem = ten_strips(days);
    let calls = (0..days).flat_map(|day| [day * DAY + 12 * H, day * DAY + 16 * H]);
    let own = decks(&problem, Some(3 * TEN_M3), calls.collect());
    let found = followed(&problem, Some(&own), days);
    let begins: Vec<i64> = found.tasks.iter().map(|task| task.span.from).collect();
    let half = H / 2;
    let expected = [
        8 * H + half,
        9 * H + half,
        10 * H + half,
        12 * H,
        13 * H,
        16 * H,
        17 * H,
        DAY + 12 * H,
        DAY + 13 * H,
        DAY + 16 * H,
    ];
    assert_eq!(begins, expected);
    assert_eq!(found.left, 0);
    let load = |at| Load {
        at,
        deck: 0,
        litres: 2 * TEN_M3,
    };
    let first = [12 * H, 16 * H, DAY + 12 * H, DAY + 16 * H].map(load);
    assert_eq!(found.loads[..4], first);
    // The check counts for itself, and knows a plan that does not keep it.
    let room = Some(3 * TEN_M3);
    assert_eq!(checked(&found, &[room], days, 2), Vec::<String>::new());
    let told = checked(&found, &[Some(3 * TEN_M3 - 1)], days, 2);
    assert!(told[0].contains("30000 l lie at"), "{told:?}");
    let told = checked(&found, &[room], days, 1);
    assert!(told[0].contains("2 trucks come"), "{told:?}");
    let mut other = found.clone();
    other.loads[0].at = 10 * H;
    let told = checked(&other, &[None], days, 2);
    assert!(
        told.iter().any(|own| own.contains("that is not there")),
        "{told:?}"
    );
    assert!(
        told.iter().any(|own| own.contains("outside its hours")),
        "{told:?}"
    );
    other.loads[0].litres += 1;
    let told = checked(&other, &[None], days, 2);
    assert!(
        told.iter().any(|own| own.contains("a truck takes 20001 l")),
        "{told:?}"
    );
    // With room for all nobody waits; without a truck three sections are all.
    let free = followed(&problem, Some(&decks(&problem, None, vec![])), days);
    assert_eq!(free.tasks, followed(&problem, None, days).tasks);
    let full = followed(&problem, Some(&decks(&problem, room, vec![])), days);
    assert_eq!((full.tasks.len(), full.left), (3, 7));
}

/// A truck goes where room is short first, then where most lies, and takes no half load where there is room.
#[test]
fn trucks_go_to_the_fullest_deck() {
    let days = 4;
    let mut problem = ten_strips(days);
    let other = block("B", "d d d d d d d d d d", 0.5, [0.0, 0.0], days);
    problem.blocks.push(other);
    let mut own = decks(
        &problem,
        Some(3 * TEN_M3),
        vec![20 * H, 21 * H, 22 * H, 23 * H],
    );
    own.of[1] = vec![1; 10];
    own.decks.push(Deck {
        room: None,
        lies: TEN_M3,
        largest: TEN_M3,
    });
    let found = followed(&problem, Some(&own), days);
    let loads: Vec<(usize, i64)> = found.loads.iter().map(|l| (l.deck, l.litres)).collect();
    assert_eq!(loads[0], (0, 2 * TEN_M3));
    // Half a load of the deck with room for all stays where it is.
    let of_second: i64 = loads.iter().filter(|own| own.0 == 1).map(|own| own.1).sum();
    assert!(of_second % (2 * TEN_M3) == 0, "{loads:?}");
}

const CREW: &str = by_day!(
    r#"[[machines]]
name = "feller 1"

[[skidders]]
name = "skidder 1"
time_factor = 0.3

[haulage]
loads = 3
load = "40 m3"
from = "07:00"
to = "19:00"
source = "an invented contract"
"#
);

fn dispatch(folder: &Path, crew: &str, out: &str) -> Ended {
    dispatch_runs::dispatch(folder, crew, &["--days", "14", "--out", out])
}

fn number(row: &BTreeMap<String, String>, name: &str) -> f64 {
    row[name].parse().unwrap_or(f64::NAN)
}

/// What `decks.csv` says is what the tasks bring, the room is kept, and no more is hauled than trucks take.
fn holds_together(folder: &Path, out: &str, outlet: &str, room_m3: f64) {
    let rows = table(&folder.join(out).join("decks.csv"));
    let mut lies: BTreeMap<(String, String), f64> = BTreeMap::new();
    let mut hauled: BTreeMap<String, f64> = BTreeMap::new();
    let mut brought = 0.0;
    for row in &rows {
        let own = lies
            .entry((row["outlet"].clone(), row["block_id"].clone()))
            .or_default();
        *own += number(row, "brought_m3") - number(row, "hauled_m3");
        assert!((*own - number(row, "lies_m3")).abs() < 0.5, "{row:?}");
        *hauled.entry(row["date"].clone()).or_default() += number(row, "hauled_m3");
        brought += number(row, "brought_m3");
        if row["outlet"] == outlet {
            assert_eq!(number(row, "room_m3"), room_m3);
            assert!(number(row, "most_m3") <= room_m3 + 0.05, "{row:?}");
        }
    }
    assert!(hauled.values().all(|m3| *m3 <= 120.1), "{hauled:?}");
    let stock = table(&folder.join(out).join("stock.csv"));
    let skidded: f64 = stock.iter().map(|row| number(row, "skidded_m3")).sum();
    assert!((skidded - brought).abs() < 1.0, "{skidded} {brought}");
}

fn idle_hours(schedule: &Value, why: &str) -> usize {
    let machines = schedule["machines"].as_array().unwrap().iter();
    let all = machines.flat_map(|own| own["idle"].as_array().unwrap());
    all.filter(|own| own["why"] == why).count()
}

#[test]
fn decks_of_the_crew_file_and_of_landings_hold_what_they_have_room_for() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project_with_volumes(folder);
    lay_out(folder, "out");
    // Without a limit nothing waits; wood leaves all the same.
    let ended = dispatch(folder, CREW, "free");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let free = schedule_of(folder, "free");
    assert_eq!(idle_hours(&free, "deck_full"), 0);
    assert!(!free["haulage"]["loads"].as_array().unwrap().is_empty());
    let tight =
        format!("{CREW}\n[[decks]]\noutlet = \"R-1\"\nroom = \"500 m3\"\nlies = \"30 m3\"\n");
    let ended = dispatch(folder, &tight, "tight");
    assert_eq!(ended.code, 3, "{}{}", ended.stdout, ended.stderr);
    assert!(
        ended.stdout.contains("hours for room on decks"),
        "{}",
        ended.stdout
    );
    assert!(ended.stdout.contains("haul more loads"), "{}", ended.stdout);
    let plan = schedule_of(folder, "tight");
    assert!(idle_hours(&plan, "deck_full") > 0);
    assert!(plan["haulage"]["skidding_waits_hours"].as_f64().unwrap() > 1.0);
    let page = std::fs::read_to_string(folder.join("tight/season.html")).unwrap();
    assert!(page.contains("R-1: up to ") && page.contains(" of 500 m³"));
    holds_together(folder, "free", "none", 0.0);
    let table_of = std::fs::read_to_string(folder.join("tight/decks.csv")).unwrap();
    assert!(table_of.contains(",R-1,,"), "{table_of}");
    // One deck for each block along the road is another matter than one for both.
    let each = tight.replace("room = ", "block = \"A-1\"\nroom = ");
    let ended = dispatch(folder, &each, "each");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let of_block = std::fs::read_to_string(folder.join("each/decks.csv")).unwrap();
    assert!(of_block.contains(",R-1,A-1,") && of_block.contains(",R-1,A-2,"));
    for (old, new, words) in [
        ("\"R-1\"", "\"R-2\"", &["R-2", "R-1"][..]),
        (
            "\"500 m3\"",
            "\"31 m3\"",
            &["a single section of block", "31.0 m³", "shorter sections"],
        ),
        (
            "\"30 m3\"",
            "\"501 m3\"",
            &["more lies on the deck than it has room for"],
        ),
    ] {
        let ended = dispatch(folder, &tight.replace(old, new), "none");
        assert_eq!(ended.code, 2, "{new}: {}", ended.stderr);
        for word in words {
            assert!(ended.stderr.contains(word), "{word}: {}", ended.stderr);
        }
    }
    // A landing's capacity holds, whoever's wood comes there.
    let at = r#"{"type": "Point", "coordinates": [500150, 5400010]}"#;
    write(
        folder,
        "landings.geojson",
        &collection(UTM, &[feature(r#"{"ID": "LD-1", "M3": 480}"#, at)]),
    );
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let landings = "\n[layers.landings]\nsource = \"landings.geojson\"\nid = \"ID\"\ncapacity = \"M3\"\n\n[layout]\ndecking = \"landings\"\n";
    write(folder, "project.toml", &format!("{project}{landings}"));
    lay_out(folder, "out");
    let ended = dispatch(folder, CREW, "landing");
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    holds_together(folder, "landing", "LD-1", 480.0);
    assert!(idle_hours(&schedule_of(folder, "landing"), "deck_full") > 0);
    assert!(
        dispatch(
            folder,
            &CREW.replace("[haulage]", "[haulage]\nfrom = \"5\"#"),
            "none"
        )
        .code
            == 2
    );
}
