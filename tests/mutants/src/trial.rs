//! Runs tests on mutants drawn by lot. A first run without a mutant tells how long each test takes and which mutants it meets, so
//! that each mutant is tried on the tests that meet it alone, the quickest first, until one of them fails.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;

/// A test that takes longer is not run: one survivor would cost as much as a hundred others.
const SLOWEST: Duration = Duration::from_secs(10);

struct Test {
    executable: PathBuf,
    name: String,
    takes: Duration,
    meets: BTreeSet<usize>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Ended {
    Passed,
    Failed,
    TimedOut,
}

struct Mutant {
    number: usize,
    built: bool,
    folder: String,
    name: String,
}

#[derive(Default)]
struct Row {
    mutants: usize,
    built: usize,
    tried: usize,
    caught: usize,
    timed_out: usize,
    not_met: usize,
}

pub fn try_some(tree: &Path, count: usize, seed: u64, names: &[&str]) {
    let tree = tree.canonicalize().expect("TREE is a folder");
    let table = std::fs::read_to_string(tree.join("mutants.tsv")).expect("TREE is woven");
    let mutants: Vec<Mutant> = table.lines().map(mutant).collect();
    let tests = measured(&tree, listed(&tree, names));

    let mut drawn: Vec<&Mutant> = mutants.iter().filter(|mutant| mutant.built).collect();
    shuffle(&mut drawn, seed);
    drawn.truncate(count);
    let rows: Mutex<BTreeMap<&str, Row>> = Mutex::default();
    for mutant in &mutants {
        let mut rows = rows.lock().expect("no panic");
        let row = rows.entry(&mutant.folder).or_default();
        row.mutants += 1;
        row.built += usize::from(mutant.built);
    }
    let survivors = Mutex::new(String::new());
    in_parallel(drawn.len(), |index| {
        let mutant = drawn[index];
        let meeting: Vec<&Test> = tests
            .iter()
            .filter(|test| test.meets.contains(&mutant.number))
            .collect();
        let number = mutant.number.to_string();
        let ends = meeting
            .iter()
            .map(|test| (test, test.run(&tree, "BLOCKWRIGHT_MUTANT", &number)));
        let caught = ends.into_iter().find(|(_, ended)| *ended != Ended::Passed);
        let mut rows = rows.lock().expect("no panic");
        let row = rows
            .get_mut(mutant.folder.as_str())
            .expect("each folder has a row");
        row.tried += 1;
        match caught {
            Some((test, ended)) => {
                row.caught += 1;
                row.timed_out += usize::from(ended == Ended::TimedOut);
                let how = if ended == Ended::TimedOut {
                    "hangs"
                } else {
                    "caught"
                };
                eprintln!(
                    "{} of {}: {how} by {}: {}",
                    index + 1,
                    drawn.len(),
                    test.name,
                    mutant.name
                );
            }
            None => {
                row.not_met += usize::from(meeting.is_empty());
                let line = format!("{}\t{}\t{}\n", mutant.number, meeting.len(), mutant.name);
                eprint!("{} of {}: SURVIVES {line}", index + 1, drawn.len());
                let mut survivors = survivors.lock().expect("no panic");
                *survivors += &line;
                std::fs::write(tree.join("survivors.tsv"), &*survivors)
                    .expect("TREE can be written to");
            }
        }
    });

    println!(
        "{:<12}{:>9}{:>9}{:>8}{:>8}{:>10}{:>10}{:>9}{:>8}",
        "folder", "mutants", "built", "tried", "caught", "by time", "survived", "not met", "share"
    );
    let rows = rows.into_inner().expect("no panic");
    for (folder, row) in &rows {
        row.print(folder);
    }
    let sum = |of: fn(&Row) -> usize| rows.values().map(of).sum();
    Row {
        mutants: sum(|r| r.mutants),
        built: sum(|r| r.built),
        tried: sum(|r| r.tried),
        caught: sum(|r| r.caught),
        timed_out: sum(|r| r.timed_out),
        not_met: sum(|r| r.not_met),
    }
    .print("all");
}

impl Row {
    fn print(&self, folder: &str) {
        let share = 100.0 * self.caught as f64 / self.tried.max(1) as f64;
        println!(
            "{folder:<12}{:>9}{:>9}{:>8}{:>8}{:>10}{:>10}{:>9}{share:>7.1}%",
            self.mutants,
            self.built,
            self.tried,
            self.caught,
            self.timed_out,
            self.tried - self.caught,
            self.not_met
        );
    }
}

fn mutant(line: &str) -> Mutant {
    let cells: Vec<&str> = line.split('\t').collect();
    Mutant {
        number: cells[0].parse().expect("a number"),
        built: cells[1] == "built",
        folder: cells[2].to_string(),
        name: cells[3].to_string(),
    }
}

/// The unit tests of the library and the tests of the named files, `ROOM::FILE` each.
fn listed(tree: &Path, names: &[&str]) -> Vec<Test> {
    let mut cargo = Command::new("cargo");
    cargo
        .args([
            "test",
            "--locked",
            "--no-run",
            "--message-format=json",
            "--lib",
        ])
        .current_dir(tree);
    let files: Vec<(&str, &str)> = (names.iter())
        .map(|name| name.split_once("::").expect("ROOM::FILE"))
        .collect();
    let rooms: BTreeSet<&str> = files.iter().map(|(room, _)| *room).collect();
    cargo.args(rooms.iter().flat_map(|room| ["--test", room]));
    let output = cargo
        .stderr(Stdio::inherit())
        .output()
        .expect("cargo starts");
    assert!(output.status.success(), "the tests do not build");
    let messages = String::from_utf8_lossy(&output.stdout);
    let messages = messages
        .lines()
        .filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let mut tests = Vec::new();
    for message in messages.filter(|m| m["profile"]["test"] == true) {
        let executable = PathBuf::from(message["executable"].as_str().expect("a test can be run"));
        let list = Command::new(&executable)
            .args(["--list", "--format", "terse"])
            .output()
            .expect("a test binary starts");
        let room = message["target"]["name"].as_str().expect("a name");
        let is_named = |name: &str| {
            let mut of_room = files.iter().filter(|file| file.0 == room);
            !rooms.contains(room)
                || of_room.any(|file| name.split_once("::").is_some_and(|(of, _)| of == file.1))
        };
        for line in String::from_utf8_lossy(&list.stdout).lines() {
            let name = line.strip_suffix(": test");
            if let Some(name) = name.filter(|name| is_named(name)) {
                let (executable, name) = (executable.clone(), name.to_string());
                tests.push(Test {
                    executable,
                    name,
                    takes: SLOWEST,
                    meets: BTreeSet::new(),
                });
            }
        }
    }
    tests
}

/// The tests that pass without a mutant and are quick, the quickest first.
fn measured(tree: &Path, tests: Vec<Test>) -> Vec<Test> {
    let tests: Vec<Mutex<Test>> = tests.into_iter().map(Mutex::new).collect();
    in_parallel(tests.len(), |index| {
        let mut test = tests[index].lock().expect("no panic");
        let met = tree.join(format!("met-{index}.txt"));
        let _ = std::fs::remove_file(&met);
        let start = Instant::now();
        let ended = test.run(tree, "BLOCKWRIGHT_REACHED", &met.display().to_string());
        assert!(
            ended != Ended::Failed,
            "{} fails without a mutant",
            test.name
        );
        test.takes = start.elapsed();
        let met = std::fs::read_to_string(&met).unwrap_or_default();
        test.meets = met.lines().filter_map(|line| line.parse().ok()).collect();
    });
    let tests = tests
        .into_iter()
        .map(|test| test.into_inner().expect("no panic"));
    let (mut quick, slow): (Vec<Test>, Vec<Test>) = tests.partition(|test| test.takes < SLOWEST);
    quick.sort_by_key(|test| test.takes);
    let seconds = quick
        .iter()
        .map(|test| test.takes.as_secs_f64())
        .sum::<f64>();
    let slow: Vec<&str> = slow.iter().map(|test| test.name.as_str()).collect();
    eprintln!(
        "{} tests, {seconds:.0} s without a mutant; too slow: {slow:?}",
        quick.len()
    );
    quick
}

impl Test {
    fn run(&self, tree: &Path, name: &str, value: &str) -> Ended {
        let limit = self.takes * 5 + Duration::from_secs(5);
        let start = Instant::now();
        // Mutants may ask for all the memory and room there is.
        let status = Command::new("prlimit")
            .args([
                "--as=4000000000",
                "--fsize=1000000000",
                "timeout",
                "--signal=KILL",
            ])
            .arg(limit.as_secs().to_string())
            .arg(&self.executable)
            .args(["--exact", &self.name])
            .current_dir(tree)
            .env("CARGO_MANIFEST_DIR", tree)
            .env("INSTA_UPDATE", "no")
            .env(name, value)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .status()
            .expect("prlimit starts");
        match status.success() {
            true => Ended::Passed,
            false if start.elapsed().as_secs() >= limit.as_secs() => Ended::TimedOut,
            false => Ended::Failed,
        }
    }
}

/// Calls `work` for each number below `count`, on as many threads as there are processors.
fn in_parallel(count: usize, work: impl Fn(usize) + Sync) {
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let index = next.fetch_add(1, Ordering::Relaxed)
                    && index < count
                {
                    work(index);
                }
            });
        }
    });
}

/// The same seed gives the same order, and a longer draw begins with the shorter one.
fn shuffle<T>(items: &mut [T], seed: u64) {
    let mut state = seed;
    for index in 0..items.len() {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = state;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^= mixed >> 31;
        let rest = (items.len() - index) as u64;
        items.swap(index, index + (mixed % rest) as usize);
    }
}
