//! What goes wrong while a run writes: killed, stopped, no space left, inputs that change, two runs at once. Earlier outputs
//! stay or new ones are whole, and a run that is gone on with ends with the bytes of an undisturbed one.
#![cfg(unix)]

use crate::once;
use crate::run_binary;
use crate::size;

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;
use std::time::{Duration, Instant};

use run_binary::{command, copy, files, run, small_project};
use tempfile::{TempDir, tempdir};

const PARTIAL: &str = ".blockwright-partial";
/// Kept in the earlier outputs, so that these differ from those of the whole batch.
const ONE: &str = "D07-0002";
const LAYOUT: [&str; 4] = ["layout", "district/project.toml", "--out", "out"];

type Files = BTreeMap<String, Vec<u8>>;

/// Sound blocks of the district; one more can be laid out that is not.
fn blocks() -> usize {
    size::of(3, 8)
}

/// The district and what an undisturbed run writes of it, made once: bytes do not hang on the folder.
struct Undisturbed {
    folder: PathBuf,
    /// Outputs of the whole batch, but for those that hold times.
    whole: Files,
    /// And of [`ONE`] block, below `earlier`.
    earlier: Files,
    whole_takes: Duration,
}

fn undisturbed() -> &'static Undisturbed {
    static MADE: LazyLock<Undisturbed> = LazyLock::new(|| {
        let folder = once::folder();
        make_district(&folder, &blocks().to_string());
        let started = Instant::now();
        let whole = laid_out(&folder, "whole", &[]);
        let whole_takes = started.elapsed();
        let earlier = laid_out(&folder, "earlier", &["--only", ONE]);
        Undisturbed {
            folder,
            whole,
            earlier,
            whole_takes,
        }
    });
    &MADE
}

impl Undisturbed {
    /// A folder of one's own with the district in it.
    fn district(&self) -> TempDir {
        let own = tempdir().unwrap();
        copy(&self.folder.join("district"), &own.path().join("district"));
        own
    }

    fn copy_earlier(&self, to: &Path) {
        copy(&self.folder.join("earlier"), to);
    }
}

fn district(blocks: &str) -> TempDir {
    let folder = tempdir().unwrap();
    make_district(folder.path(), blocks);
    folder
}

fn make_district(folder: &Path, blocks: &str) {
    let words = [
        "demo",
        "--out",
        "district",
        "--seed",
        "11",
        "--district-only",
        "-q",
        "--blocks",
    ];
    let made = run(folder, &[&words[..], &[blocks]].concat());
    assert_eq!(made.code, 0, "{}", made.stderr);
}

/// Lays out and returns the bytes of all outputs but those that hold times.
fn laid_out(folder: &Path, out: &str, more: &[&str]) -> Files {
    let words = ["layout", "district/project.toml", "--out", out, "-q"];
    let done = run(folder, &[&words[..], more].concat());
    assert_eq!(
        done.code, 3,
        "the demo holds broken features: {}",
        done.stderr
    );
    timeless(&folder.join(out))
}

fn timeless(out: &Path) -> Files {
    let mut found = files(out);
    for name in ["run.json", "SHA256SUMS"] {
        assert!(found.remove(name).is_some(), "{name} is missing");
    }
    found
}

fn start(folder: &Path, words: &[&str]) -> Child {
    command(folder, words)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits until `path` is there, and holds something.
fn wait_for(path: &Path, child: &mut Child) {
    let started = Instant::now();
    while fs::metadata(path).map_or(0, |found| found.len()) == 0 {
        assert!(child.try_wait().unwrap().is_none(), "it ended too early");
        assert!(started.elapsed() < Duration::from_secs(120));
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Waits until a file that holds something holds more: a journal's head is written before the first block.
fn wait_for_more(path: &Path, child: &mut Child) {
    wait_for(path, child);
    let length = || fs::metadata(path).map_or(0, |found| found.len());
    let first = length();
    while length() <= first {
        assert!(child.try_wait().unwrap().is_none(), "it ended too early");
        std::thread::sleep(Duration::from_millis(1));
    }
}

/// What is said where no block was laid out before.
fn none_kept() -> String {
    format!("\n0 of {} blocks", blocks() + 1)
}

fn journal(folder: &Path) -> PathBuf {
    folder.join("out").join(PARTIAL).join("journal")
}

/// Steele, Lea & Flood (2014): SplitMix64, as a fraction of 1.
fn fraction(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as f64 / u64::MAX as f64
}

/// `BLOCKWRIGHT_KILLS` sets how many runs are killed, `BLOCKWRIGHT_KILL_SEED` at which moments.
#[test]
fn runs_killed_at_random_moments_end_with_the_bytes_of_an_undisturbed_one() {
    let set = |name: &str, otherwise: u64| {
        std::env::var(name).map_or(otherwise, |text| text.parse().unwrap())
    };
    let kills = set("BLOCKWRIGHT_KILLS", size::of(2, 6) as u64);
    let mut seed = set("BLOCKWRIGHT_KILL_SEED", 1);
    let made = undisturbed();
    let takes = made.whole_takes.as_secs_f64();
    let folder = made.district();
    let folder = folder.path();
    let out = folder.join("out");
    let (mut killed, mut half_way, mut resumed, mut half_moved) = (0, 0, 0, 0);
    // On a busy machine the first kills may all come too early or too late: then there are some more.
    for number in 0..4 * kills {
        if number >= kills && killed > 0 && half_way > 0 {
            break;
        }
        made.copy_earlier(&out);
        let mut child = start(folder, &LAYOUT);
        let after = takes * 1.1 * fraction(&mut seed);
        std::thread::sleep(Duration::from_secs_f64(after));
        let _ = child.kill();
        killed += u64::from(child.wait().unwrap().signal() == Some(9));
        half_way += u64::from(journal(folder).exists());

        // What a reader finds now is one or the other, or says that it is neither.
        let verified = run(folder, &["verify", "out"]);
        match verified.code {
            0 => {
                let mut found = timeless(&out);
                found.retain(|name, _| !name.starts_with(PARTIAL));
                assert!(
                    found == made.earlier || found == made.whole,
                    "run {number}: a mixture"
                );
            }
            code => {
                assert_eq!(code, 2, "run {number}: {}", verified.stdout);
                assert!(
                    verified.stderr.contains("moved its outputs"),
                    "{}",
                    verified.stderr
                );
                half_moved += 1;
            }
        }
        let done = run(folder, &[&LAYOUT[..], &["--resume"]].concat());
        assert_eq!(done.code, 3, "run {number}: {}", done.stderr);
        resumed += u64::from(!done.stderr.contains(&none_kept()));
        assert!(
            timeless(&out) == made.whole,
            "run {number}, killed after {after} s: other bytes"
        );
        assert!(!out.join(PARTIAL).exists());
    }
    println!(
        "{kills} runs, {killed} killed before their end, {half_way} with a journal, {half_moved} between moves; \
         {resumed} went on with blocks laid out before; all ended with the same bytes"
    );
    assert!(killed > 0 && half_way > 0, "no run was killed half-way");
}

#[test]
fn a_journal_with_any_damage_is_used_as_far_as_it_is_sound() {
    let made = undisturbed();
    let folder = made.district();
    let folder = folder.path();
    let mut child = start(folder, &[&LAYOUT[..], &["--jobs", "1"]].concat());
    wait_for(&journal(folder), &mut child);
    while fs::metadata(journal(folder)).unwrap().len() < 100_000
        && child.try_wait().unwrap().is_none()
    {
        std::thread::sleep(Duration::from_millis(1));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let sound = fs::read(journal(folder)).unwrap();
    let mut seed = 5;
    for case in 0..size::of(3, 6) {
        let mut bytes = sound.clone();
        let at = (fraction(&mut seed) * (bytes.len() - 1) as f64) as usize;
        match case % 3 {
            0 => bytes.truncate(at),
            1 => bytes[at] ^= 0x40,
            _ => bytes.extend([7; 40]),
        }
        fs::create_dir_all(journal(folder).parent().unwrap()).unwrap();
        fs::write(journal(folder), bytes).unwrap();
        let found = laid_out(folder, "out", &["--resume"]);
        assert!(found == made.whole, "case {case}, byte {at}");
    }
}

#[test]
fn signals_end_a_run_that_can_be_gone_on_with() {
    let made = undisturbed();
    let folder = made.district();
    let folder = folder.path();
    for (name, number) in [("TERM", 15), ("INT", 2)] {
        let mut child = start(folder, &LAYOUT);
        wait_for(&journal(folder), &mut child);
        let sent = Command::new("kill")
            .args(["-s", name, &child.id().to_string()])
            .status();
        assert!(sent.unwrap().success());
        let ended = child.wait_with_output().unwrap();
        assert_eq!(ended.status.signal(), Some(number));
        let told = String::from_utf8(ended.stderr).unwrap();
        assert!(
            told.contains(&format!(" of {} blocks are kept", blocks() + 1))
                && told.contains("--resume"),
            "{told}"
        );
        let left = fs::read_dir(folder.join("out")).unwrap().count();
        assert_eq!(left, 1, "something looks like a result");
        assert!(laid_out(folder, "out", &["--resume"]) == made.whole);
        fs::remove_dir_all(folder.join("out")).unwrap();
    }
}

#[test]
fn the_second_run_into_a_folder_is_refused() {
    let folder = district("3");
    let folder = folder.path();
    let before = laid_out(folder, "out", &[]);
    let partial = folder.join("out").join(PARTIAL);
    fs::create_dir(&partial).unwrap();
    let lock = fs::File::create(partial.join("lock")).unwrap();
    lock.lock().unwrap();
    writeln!(&lock, "4242").unwrap();
    for more in [&[][..], &["--resume"], &["--only", ONE]] {
        let refused = run(folder, &[&LAYOUT[..], more].concat());
        assert_eq!(refused.code, 1);
        assert!(
            refused.stderr.contains("another run is writing") && refused.stderr.contains("4242"),
            "{}",
            refused.stderr
        );
    }
    drop(lock);
    fs::remove_dir_all(&partial).unwrap();
    assert!(timeless(&folder.join("out")) == before);
}

#[test]
fn a_file_that_changes_during_the_run_ends_it() {
    let made = undisturbed();
    let folder = made.district();
    let folder = folder.path();
    made.copy_earlier(&folder.join("out"));
    let layers = folder.join("district/layers.gpkg");
    let mut child = start(folder, &LAYOUT);
    wait_for(&journal(folder), &mut child);
    // The header of a GeoPackage counts its changes, at bytes 24 to 27 (SQLite file format, 1.3).
    let mut bytes = fs::read(&layers).unwrap();
    bytes[27] ^= 1;
    fs::write(&layers, &bytes).unwrap();
    let ended = child.wait_with_output().unwrap();
    let told = String::from_utf8(ended.stderr).unwrap();
    assert_eq!(ended.status.code(), Some(2), "{told}");
    assert!(
        told.contains("layers.gpkg") && told.contains("was changed while"),
        "{told}"
    );
    assert!(timeless(&folder.join("out")) == made.earlier);
    assert!(!folder.join("out").join(PARTIAL).exists());

    // The same bytes written anew are no change.
    let mut child = start(folder, &LAYOUT);
    wait_for(&journal(folder), &mut child);
    fs::write(&layers, &bytes).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(3));
}

#[test]
fn what_was_kept_of_other_input_is_not_gone_on_with() {
    let folder = undisturbed().district();
    let folder = folder.path();
    let mut child = start(folder, &LAYOUT);
    wait_for_more(&journal(folder), &mut child);
    child.kill().unwrap();
    child.wait().unwrap();
    let project = folder.join("district/project.toml");
    let text = fs::read_to_string(&project).unwrap();
    fs::write(&project, text.replace("\"Invented", "\"Altered")).unwrap();
    let resume = [&LAYOUT[..], &["--resume"]].concat();
    let refused = run(folder, &resume);
    assert_eq!(refused.code, 2, "{}", refused.stderr);
    assert!(
        refused.stderr.contains("another project file"),
        "{}",
        refused.stderr
    );
    fs::write(&project, text).unwrap();
    let done = run(folder, &resume);
    assert_eq!(done.code, 3);
    assert!(
        !done.stderr.contains(&none_kept()),
        "it was still there: {}",
        done.stderr
    );
    // Without a run to go on with there is nothing to complain of.
    let again = run(folder, &resume);
    assert!(
        again.code == 3 && again.stderr.contains(&none_kept()),
        "{}",
        again.stderr
    );
}

/// Fills a small file system of its own: earlier outputs fit, new ones do not.
#[test]
fn a_full_disk_leaves_earlier_outputs_and_says_so() {
    let made = undisturbed();
    let folder = made.district();
    let folder = folder.path();
    made.copy_earlier(&folder.join("earlier"));
    fs::create_dir(folder.join("small")).unwrap();
    // Everything is looked at inside, for the file system goes with the shell.
    let script = r#"
        mount -t tmpfs -o size="$1" tmpfs small || exit 77
        cp -r earlier small/out
        "$0" layout district/project.toml --out small/out
        echo "code $?"
        "$0" verify small/out && echo sound
        ls -A small/out
        diff -r earlier small/out --exclude=.blockwright-partial && echo same
        mount -o remount,size=200m small
        "$0" layout district/project.toml --out small/out --resume
        echo "then $?"
        "$0" verify small/out && echo whole
        mkdir -p result && cp -r small/out/. result/
    "#;
    let earlier: u64 = files(&folder.join("earlier"))
        .values()
        .map(|bytes| bytes.len() as u64)
        .sum();
    let binary = env!("CARGO_BIN_EXE_blockwright");
    // No room for anything; for some of the outputs; for all of them but the last.
    let all: u64 = made.whole.values().map(|bytes| bytes.len() as u64).sum();
    for room in [200_000, all / 2, all * 9 / 10] {
        let size = (earlier + room).to_string();
        let ended = Command::new("unshare")
            .args([
                "--mount",
                "--propagation",
                "private",
                "sh",
                "-c",
                script,
                binary,
                &size,
            ])
            .current_dir(folder)
            .output();
        let Ok(ended) = ended else {
            println!("skipped: no `unshare` here");
            return;
        };
        let (said, told) = (
            String::from_utf8_lossy(&ended.stdout).into_owned(),
            String::from_utf8_lossy(&ended.stderr).into_owned(),
        );
        if ended.status.code() == Some(77) || told.contains("unshare failed") {
            println!("skipped: no file systems of our own here");
            return;
        }
        assert!(said.contains("code 1"), "{room}: {said}{told}");
        assert!(
            said.contains("\nsound\n") && said.contains("\nsame\n"),
            "{room}: {said}{told}"
        );
        assert!(
            told.contains("small/out/.blockwright-partial"),
            "no file is named: {told}"
        );
        assert!(told.contains("space"), "no remedy is named: {told}");
        assert!(
            said.contains("then 3") && said.contains("\nwhole\n"),
            "{room}: {said}{told}"
        );
        assert!(timeless(&folder.join("result")) == made.whole, "{room}");
        fs::remove_dir_all(folder.join("result")).unwrap();
    }
}

#[test]
fn a_folder_that_cannot_be_written_is_named() {
    let folder = district("1");
    let told = run(
        folder.path(),
        &[
            "layout",
            "district/project.toml",
            "--out",
            "/proc/blockwright",
        ],
    );
    assert_eq!(told.code, 1, "{}", told.stderr);
    assert!(
        told.stderr.contains("/proc/blockwright") && told.stderr.contains("permission"),
        "{}",
        told.stderr
    );
}

#[test]
fn altered_results_are_found_and_an_independent_program_agrees() {
    let folder = district("3");
    let folder = folder.path();
    laid_out(folder, "out", &[]);
    let out = folder.join("out");
    let independent = || {
        let mut check = Command::new("sha256sum");
        check
            .args(["--check", "--quiet", "SHA256SUMS"])
            .current_dir(&out);
        check.stderr(Stdio::null()).stdout(Stdio::null());
        check.status().unwrap().success()
    };
    let verify = |more: &[&str]| run(folder, &[&["verify", "out"][..], more].concat());
    let sound = verify(&["--project", "district/project.toml"]);
    assert_eq!((sound.code, sound.stderr.as_str()), (0, ""));
    assert!(independent());

    let table = out.join("blocks.csv");
    let text = fs::read_to_string(&table).unwrap();
    fs::write(&table, text.replacen('5', "6", 1)).unwrap();
    fs::remove_file(out.join("maps").join(format!("{ONE}.svg"))).unwrap();
    fs::write(out.join("notes.txt"), "mine").unwrap();
    let found = verify(&["--json"]);
    assert_eq!(found.code, 3);
    let json: serde_json::Value = serde_json::from_str(&found.stdout).unwrap();
    assert_eq!(json["sound"], false);
    assert_eq!(
        json["outputs"]["altered"],
        serde_json::json!(["blocks.csv"])
    );
    let map = format!("maps/{ONE}.svg");
    assert_eq!(json["outputs"]["missing"], serde_json::json!([map]));
    assert_eq!(json["outputs"]["others"], serde_json::json!(["notes.txt"]));
    assert!(!independent());
    let words = verify(&[]).stdout;
    for line in ["altered: blocks.csv\n", "not of this run: notes.txt\n"] {
        assert!(words.contains(line), "{words}");
    }

    // `sha256sum` has nothing to say against a list that lost lines, and none at all against an empty one.
    let list = out.join("SHA256SUMS");
    let lines = fs::read_to_string(&list).unwrap();
    fs::write(&list, "").unwrap();
    let found = verify(&[]);
    assert_eq!(found.code, 3, "{}", found.stdout);
    assert!(!found.stdout.contains("as they were"), "{}", found.stdout);
    let without: Vec<&str> = lines.lines().filter(|line| !line.ends_with(&map)).collect();
    fs::write(&list, without.join("\n") + "\n").unwrap();
    let found = verify(&[]);
    assert_eq!(found.code, 3, "{}", found.stdout);
    assert!(
        found.stdout.contains("in maps the run wrote"),
        "{}",
        found.stdout
    );
    fs::write(&list, &lines).unwrap();

    let layers = folder.join("district/layers.gpkg");
    let mut bytes = fs::read(&layers).unwrap();
    bytes[27] ^= 1;
    fs::write(&layers, bytes).unwrap();
    let words = verify(&["--project", "district/project.toml"]).stdout;
    assert!(words.contains("input altered: layers.gpkg\n"), "{words}");
}

/// Every command that leaves a list of sums says which files it wrote.
#[test]
fn a_list_without_a_line_is_found_in_the_folders_of_every_command() {
    let temp = tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    let crew = "[crew]\ntime_zone = \"America/Winnipeg\"\n[[shifts]]\nname = \"day\"\nfrom = \"06:00\"\nto = \"16:00\"\n\
                [[machines]]\nname = \"feller 1\"\n";
    fs::write(folder.join("crew.toml"), crew).unwrap();
    let commands: [(&str, &[&str], &[&str]); 5] = [
        (
            "out",
            &["layout", "project.toml"],
            &["run.json", "maps/A-1.svg"],
        ),
        ("shares", &["layout", "project.toml", "--share", "1/1"], &[]),
        (
            "joined",
            &["gather", "shares"],
            &["run.json", "sheets/A-2.pdf"],
        ),
        (
            "audit",
            &["audit", "project.toml", "--plan", "out/layout.gpkg"],
            &["run.json", "compliance.csv"],
        ),
        (
            "shifts",
            &[
                "dispatch",
                "out",
                "--crew",
                "crew.toml",
                "--from",
                "2026-12-01",
                "--days",
                "3",
            ],
            &["schedule.json", "shifts.csv"],
        ),
    ];
    for (out, command, lines) in commands {
        let ended = run(folder, &[command, &["--out", out, "--quiet"]].concat());
        assert!(matches!(ended.code, 0 | 3), "{out}: {}", ended.stderr);
        if lines.is_empty() {
            continue;
        }
        let verify = || run(folder, &["verify", out]);
        assert_eq!(verify().code, 0, "{out}: {}", verify().stdout);
        let list = folder.join(out).join("SHA256SUMS");
        let whole = fs::read_to_string(&list).unwrap();
        for line in lines {
            let without: Vec<&str> = whole.lines().filter(|own| !own.ends_with(line)).collect();
            assert_eq!(without.len() + 1, whole.lines().count(), "{out}: {line}");
            fs::write(&list, without.join("\n") + "\n").unwrap();
            let found = verify();
            assert_eq!(found.code, 3, "{out} without {line}: {}", found.stdout);
            assert!(!found.stdout.contains("as they were"), "{}", found.stdout);
        }
        fs::write(&list, "").unwrap();
        assert_eq!(verify().code, 3);
    }
}

#[test]
fn what_is_no_folder_of_results_is_refused() {
    let folder = tempdir().unwrap();
    fs::create_dir(folder.path().join("empty")).unwrap();
    for (dir, why) in [("empty", "no SHA256SUMS"), ("gone", "no folder")] {
        let refused = run(folder.path(), &["verify", dir]);
        assert_eq!(refused.code, 2);
        assert!(
            refused.stderr.contains(why) && refused.stderr.contains("hint: "),
            "{}",
            refused.stderr
        );
    }
}

/// From too little memory to begin with up to enough. Libraries that find none say so in their own ways, and some that do
/// not look at what they were given can only be ended by the system.
#[test]
fn without_memory_a_run_ends_with_a_sentence_and_earlier_outputs_stay() {
    const STEP_KIB: u64 = 40_000;
    const SEGMENTATION_FAULT: i32 = 11;
    let made = undisturbed();
    let folder = made.district();
    let folder = folder.path();
    made.copy_earlier(&folder.join("out"));
    let mut sentences = 0;
    for kib in (1..75).map(|step| step * STEP_KIB) {
        let bound = format!("ulimit -v {kib} && exec \"$0\" \"$@\"");
        let mut bounded = Command::new("sh");
        bounded.args(["-c", &bound, env!("CARGO_BIN_EXE_blockwright")]);
        bounded
            .args(LAYOUT)
            .args(["--jobs", "2"])
            .current_dir(folder);
        let ended = bounded.output().unwrap();
        let told = String::from_utf8_lossy(&ended.stderr);
        match ended.status.code() {
            // The system could not even load the program.
            Some(127) => continue,
            Some(3) => break,
            // Some say only what they could not do for want of it.
            Some(1 | 2) => {
                assert!(told.contains("error: "), "{kib} KiB: {told}");
                sentences += u32::from(told.contains("memory"));
            }
            _ => {
                let by = ended.status.signal();
                assert_eq!(
                    by,
                    Some(SEGMENTATION_FAULT),
                    "{kib} KiB: {:?} {told}",
                    ended.status
                );
            }
        }
        let _ = fs::remove_dir_all(folder.join("out").join(PARTIAL));
        assert!(
            timeless(&folder.join("out")) == made.earlier,
            "{kib} KiB: {told}"
        );
    }
    assert!(sentences > 0, "memory never ran out");
}
