//! Hostile inputs, one row each: how it is made, and the answer that the program gives. `docs/trust.md` holds the same rows.
//!
//! Whatever the row, no run may take longer than a minute or more memory than [`MOST_KIB`], alter or add anything outside
//! its output folder, or send to the terminal what steers it; and a run that is refused names a remedy.
#![cfg(unix)]

mod documented;
mod drivers;
mod folders;
mod ids;
mod paths;
mod rasters;
use crate::run_binary;
mod size;
mod special;

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Read;
use std::os::unix::fs::FileTypeExt;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use run_binary::Ended;
use tempfile::tempdir;

pub const LAYOUT: &[&str] = &["layout", "project.toml", "--out", "out"];
pub const AS_CUT: &[&str] = &[
    "audit",
    "project.toml",
    "--as-cut",
    "cut.gpx",
    "--out",
    "out",
];
pub const DISPATCH: &[&str] = &[
    "dispatch",
    "laid",
    "--crew",
    "crew.toml",
    "--from",
    "2026-12-01",
    "--days",
    "2",
    "--out",
    "out",
];
/// Address space of a run, for the whole process and its threads.
const MOST_KIB: u64 = 6 * 1024 * 1024;
const MOST_TIME: Duration = Duration::from_secs(60);

/// One hostile input.
pub struct Row {
    /// As it stands in the document.
    pub input: &'static str,
    pub answer: &'static str,
    /// Writes it into an empty folder.
    pub make: fn(&Path),
    pub command: &'static [&'static str],
    pub environment: &'static [(&'static str, &'static str)],
    /// Exit code.
    pub code: i32,
    /// What standard error says.
    pub words: &'static [&'static str],
    /// Looks at what is left.
    pub then: fn(&Path, &Ended),
}

impl Row {
    /// Refused before anything is written: exit code 2.
    pub const fn refused(
        input: &'static str,
        answer: &'static str,
        make: fn(&Path),
        words: &'static [&'static str],
    ) -> Row {
        Row {
            input,
            answer,
            make,
            command: LAYOUT,
            environment: &[],
            code: 2,
            words,
            then: |_, _| {},
        }
    }

    /// Used, or passed over, without harm: exit code 0.
    pub const fn harmless(
        input: &'static str,
        answer: &'static str,
        make: fn(&Path),
        then: fn(&Path, &Ended),
    ) -> Row {
        Row {
            code: 0,
            then,
            ..Row::refused(input, answer, make, &[])
        }
    }

    pub const fn by(self, command: &'static [&'static str]) -> Row {
        Row { command, ..self }
    }

    pub const fn then(self, then: fn(&Path, &Ended)) -> Row {
        Row { then, ..self }
    }

    pub const fn ends(self, code: i32) -> Row {
        Row { code, ..self }
    }

    pub const fn with(self, environment: &'static [(&'static str, &'static str)]) -> Row {
        Row {
            environment,
            ..self
        }
    }
}

/// What stands at a path: links and special files are not followed, and of large files only the length is looked at.
#[derive(Debug, PartialEq, Eq)]
enum Seen {
    Bytes(Vec<u8>),
    Length(u64),
    Link(std::path::PathBuf),
    Special,
}

/// Everything below a folder but what is in `out`.
fn seen(folder: &Path) -> BTreeMap<String, Seen> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(inner) = folders.pop() {
        for entry in fs::read_dir(&inner).unwrap() {
            let path = entry.unwrap().path();
            if path == folder.join("out") {
                continue;
            }
            let kind = fs::symlink_metadata(&path).unwrap();
            let what = if kind.is_symlink() {
                Seen::Link(fs::read_link(&path).unwrap())
            } else if kind.is_dir() {
                folders.push(path);
                continue;
            } else if kind.file_type().is_fifo() || kind.file_type().is_socket() {
                Seen::Special
            } else if kind.len() > 1 << 26 {
                Seen::Length(kind.len())
            } else {
                Seen::Bytes(fs::read(&path).unwrap())
            };
            let name = path.strip_prefix(folder).unwrap().display().to_string();
            found.insert(name, what);
        }
    }
    found
}

/// Runs the program with bounds on time and memory.
pub fn bounded(folder: &Path, command: &[&str], environment: &[(&str, &str)]) -> Ended {
    let said = tempdir().unwrap();
    let (out, err) = (said.path().join("out"), said.path().join("err"));
    let bounds = format!("ulimit -v {MOST_KIB} && exec \"$0\" \"$@\"");
    let mut child = Command::new("sh")
        .args(["-c", &bounds, env!("CARGO_BIN_EXE_blockwright")])
        .args(command)
        .current_dir(folder)
        .env_remove("RUST_BACKTRACE")
        .envs(environment.iter().copied())
        .stdin(std::process::Stdio::null())
        .stdout(File::create(&out).unwrap())
        .stderr(File::create(&err).unwrap())
        .spawn()
        .unwrap();
    let started = Instant::now();
    let code = loop {
        if let Some(status) = child.try_wait().unwrap() {
            break status.code().unwrap_or(-1);
        }
        if started.elapsed() > MOST_TIME {
            child.kill().unwrap();
            child.wait().unwrap();
            break -2;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    let text = |path: &Path| {
        let mut bytes = Vec::new();
        File::open(path).unwrap().read_to_end(&mut bytes).unwrap();
        String::from_utf8(bytes).expect("UTF-8")
    };
    Ended {
        code,
        stdout: text(&out),
        stderr: text(&err),
    }
}

/// Signs that would steer a terminal.
pub fn steers(letter: char) -> bool {
    !matches!(letter, '\n' | '\t') && letter.is_control()
        || matches!(letter, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

fn check(row: &Row) -> Result<(), String> {
    let folder = tempdir().unwrap();
    let folder = folder.path();
    (row.make)(folder);
    let had_out = fs::symlink_metadata(folder.join("out")).is_ok();
    let before = seen(folder);
    let ended = bounded(folder, row.command, row.environment);
    let told = format!("{}\n{}{}", row.input, ended.stderr, ended.stdout);
    if ended.code != row.code {
        return Err(format!(
            "ended with {}, not {}: {told}",
            ended.code, row.code
        ));
    }
    for word in row.words {
        if !ended.stderr.contains(word) {
            return Err(format!("`{word}` is not said: {told}"));
        }
    }
    let refused = matches!(row.code, 1 | 2);
    if refused
        && !["hint: ", "with --out"]
            .iter()
            .any(|word| ended.stderr.contains(word))
    {
        return Err(format!("no remedy: {told}"));
    }
    if refused && !had_out && folder.join("out").exists() {
        return Err(format!("outputs although refused: {told}"));
    }
    if let Some(letter) = (ended.stdout.chars().chain(ended.stderr.chars())).find(|l| steers(*l)) {
        return Err(format!("{letter:?} goes to the terminal: {}", row.input));
    }
    let after = seen(folder);
    for (name, what) in &after {
        if before.get(name) != Some(what) {
            return Err(format!("{name} was altered or made: {}", row.input));
        }
    }
    if let Some(name) = before.keys().find(|name| !after.contains_key(*name)) {
        return Err(format!("{name} is gone: {}", row.input));
    }
    (row.then)(folder, &ended);
    Ok(())
}

/// Tries all rows and tells of each that has another answer.
pub fn check_all(rows: &[Row]) {
    let wrong: Vec<String> = rows.iter().filter_map(|row| check(row).err()).collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
