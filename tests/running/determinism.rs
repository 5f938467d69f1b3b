//! The same input gives the same bytes, whatever the number of threads.

use crate::once;
use crate::size;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use blockwright::batch::{self, Kept, Options, Progress};
use blockwright::demo::{DemoOptions, write};
use blockwright::project::{self, Project};

fn run(project: &Project, out: PathBuf, jobs: usize, started: &str) -> BTreeMap<String, Vec<u8>> {
    let options = Options {
        out: out.clone(),
        only: vec![],
        jobs: Some(jobs),
        progress: Progress::Quiet,
        started: started.to_owned(),
        resume: false,
        kept: Kept::default(),
        patience: None,
        plan: None,
        replaces: None,
    };
    let outcome = batch::run(project, &options).unwrap();
    assert_eq!(outcome.threads, jobs);
    let mut files = BTreeMap::new();
    collect(&out, &out, &mut files);
    files
}

fn collect(root: &Path, folder: &Path, files: &mut BTreeMap<String, Vec<u8>>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            collect(root, &path, files);
        } else {
            let name = path.strip_prefix(root).unwrap().to_str().unwrap();
            files.insert(name.to_owned(), std::fs::read(&path).unwrap());
        }
    }
}

/// What may differ in `run.json`, taken out: when it began, how long it took, on how many threads.
fn timeless(run: &[u8]) -> serde_json::Value {
    let mut run: serde_json::Value = serde_json::from_slice(run).unwrap();
    let fields = run.as_object_mut().unwrap();
    for key in ["started", "timings", "threads"] {
        assert!(fields.remove(key).is_some(), "run.json has no {key}");
    }
    run
}

/// The sums of all files but `run.json`.
fn sums(list: &[u8]) -> Vec<String> {
    let text = String::from_utf8(list.to_vec()).unwrap();
    let lines = text.lines().filter(|line| !line.ends_with("  run.json"));
    lines.map(str::to_owned).collect()
}

/// The whole is more than the batch lays out at once, so that blocks wait for one another.
fn blocks() -> usize {
    size::of(12, 140)
}

/// A district, and all that one thread writes of it.
static ONE: LazyLock<(Project, BTreeMap<String, Vec<u8>>)> = LazyLock::new(|| {
    let folder = once::folder();
    let (blocks, seed) = (blocks(), 11);
    let report = write(&folder, &DemoOptions { blocks, seed }).unwrap();
    let project = project::load(&report.project).unwrap();
    let one = run(&project, folder.join("one"), 1, "2026-01-02T03:04:05Z");
    (project, one)
});

#[test]
fn one_thread_and_two_threads_write_the_same_bytes() {
    let folder = tempfile::tempdir().unwrap();
    let (project, one) = &*ONE;
    let two = run(
        project,
        folder.path().join("two"),
        2,
        "2027-06-07T08:09:10Z",
    );
    assert_eq!(
        one.keys().collect::<Vec<_>>(),
        two.keys().collect::<Vec<_>>()
    );
    for kind in ["csv", "json", "svg", "gpkg"] {
        let of_kind = one.keys().filter(|name| name.ends_with(kind)).count();
        let least = if kind == "svg" { blocks() - 1 } else { 2 };
        assert!(of_kind >= least, "{of_kind} files of {kind}");
    }
    for (name, bytes) in one {
        if name == "run.json" {
            assert_eq!(timeless(bytes), timeless(&two[name]));
        } else if name == "SHA256SUMS" {
            assert_eq!(sums(bytes), sums(&two[name]));
        } else {
            assert!(bytes == &two[name], "{name} differs");
            assert!(!bytes.is_empty(), "{name} is empty");
        }
    }
}

#[test]
fn a_block_alone_is_laid_out_as_in_the_batch() {
    let folder = tempfile::tempdir().unwrap();
    let (project, one) = &*ONE;
    let rows = |table: &[u8]| -> Vec<String> {
        let text = std::str::from_utf8(table).unwrap();
        text.lines().map(str::to_owned).collect()
    };
    let all = rows(&one["blocks.csv"]);
    // Named out of order, they still come in the order of the layer.
    let options = Options {
        out: folder.path().join("some"),
        only: ["D07-0009", "D07-0004"].map(str::to_owned).to_vec(),
        jobs: Some(2),
        progress: Progress::Quiet,
        started: String::new(),
        resume: false,
        kept: Kept::default(),
        patience: None,
        plan: None,
        replaces: None,
    };
    batch::run(project, &options).unwrap();
    let some = rows(&std::fs::read(options.out.join("blocks.csv")).unwrap());
    assert_eq!(some.len(), 3, "{some:?}");
    let expected: Vec<&String> = all
        .iter()
        .filter(|row| {
            ["block_id", "D07-0004", "D07-0009"]
                .iter()
                .any(|id| row.starts_with(id))
        })
        .collect();
    assert_eq!(some.iter().collect::<Vec<_>>(), expected);
}
