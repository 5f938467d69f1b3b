//! A batch in shares: joined, they are the very files of one run, run.json apart, which holds times.

use crate::run_binary;
use crate::size;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use run_binary::Ended;

/// Six for each of three shares, or two.
fn blocks() -> String {
    size::of(6, 18).to_string()
}

fn run(arguments: &[&str]) -> Ended {
    run_binary::run(&std::env::temp_dir(), arguments)
}

fn demo(dir: &Path) -> PathBuf {
    let out = dir.join("district");
    let path = out.to_str().unwrap();
    let made = run(&[
        "demo",
        "--out",
        path,
        "--blocks",
        &blocks(),
        "--seed",
        "11",
        "--district-only",
        "-q",
    ]);
    assert_eq!(made.code, 0, "{}", made.stderr);
    out.join("project.toml")
}

fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![dir.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(dir).unwrap().to_owned();
                found.insert(name, fs::read(path).unwrap());
            }
        }
    }
    found
}

fn share(project: &Path, which: &str, out: &Path) -> Ended {
    run(&[
        "layout",
        project.to_str().unwrap(),
        "--share",
        which,
        "--out",
        out.to_str().unwrap(),
        "-q",
    ])
}

fn gather(dirs: &[&Path], out: &Path) -> Ended {
    let mut words = vec!["gather"];
    words.extend(dirs.iter().map(|dir| dir.to_str().unwrap()));
    words.extend(["--out", out.to_str().unwrap(), "-q"]);
    run(&words)
}

#[test]
fn shares_joined_are_the_bytes_of_one_run() {
    let temp = tempfile::tempdir().unwrap();
    let project = demo(temp.path());
    let [whole, joined, one, two, three] =
        ["whole", "joined", "one", "two", "three"].map(|name| temp.path().join(name));
    let words = [
        "layout",
        project.to_str().unwrap(),
        "--out",
        whole.to_str().unwrap(),
        "-q",
    ];
    let run_whole = run(&words);
    for (which, out) in [("1/3", &one), ("2/3", &two), ("3/3", &three)] {
        let done = share(&project, which, out);
        assert_eq!(done.code, 0, "{}", done.stderr);
    }
    let done = gather(&[&three, &one, &two], &joined);
    assert_eq!(done.code, run_whole.code, "{}", done.stderr);
    let (mut wanted, mut found) = (files(&whole), files(&joined));
    for files in [&mut wanted, &mut found] {
        for name in ["run.json", "SHA256SUMS"] {
            assert!(files.remove(Path::new(name)).is_some());
        }
    }
    assert!(wanted.len() > 60, "{}", wanted.len());
    assert_eq!(
        wanted.keys().collect::<Vec<_>>(),
        found.keys().collect::<Vec<_>>()
    );
    for (name, bytes) in wanted {
        assert!(found[&name] == bytes, "{} differs", name.display());
    }
}

#[test]
fn what_does_not_fit_together_is_refused_with_the_reason() {
    let temp = tempfile::tempdir().unwrap();
    let project = demo(temp.path());
    let [one, two, other, out] = ["one", "two", "other", "out"].map(|name| temp.path().join(name));
    assert_eq!(share(&project, "1/2", &one).code, 0);
    let refused = |dirs: &[&Path], why: &str| {
        let done = gather(dirs, &out);
        assert_eq!(done.code, 2, "{}", done.stderr);
        assert!(done.stderr.contains(why), "{}", done.stderr);
        assert!(!out.exists(), "nothing is written");
    };
    refused(&[&one], "of 2 shares these are missing: 2");
    refused(&[&one, &one], "both hold share 1/2");
    refused(&[temp.path()], "there is no share, or no such folder");
    refused(
        &[&temp.path().join("nowhere")],
        "there is no share, or no such folder",
    );

    assert_eq!(share(&project, "2/2", &two).code, 0);
    let path = two.join("share-2-of-2.plans");
    let whole = fs::read(&path).unwrap();
    let mut damaged = whole.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 1;
    fs::write(&path, damaged).unwrap();
    refused(&[&one, &two], "a checksum does not fit");
    fs::write(&path, &whole[..whole.len() - 16]).unwrap();
    refused(&[&one, &two], "it ends too early");
    fs::write(&path, "something else").unwrap();
    refused(&[&one, &two], "it does not begin as one of this version");
    fs::write(&path, &whole).unwrap();

    let text = fs::read_to_string(&project).unwrap();
    fs::write(
        &project,
        text.replace("reach        = \"8.7 m\"", "reach        = \"9.7 m\""),
    )
    .unwrap();
    refused(&[&one, &two], "another project file or rulebook");
    assert_eq!(share(&project, "2/2", &other).code, 0);
    refused(&[&one, &other], "another project file or rulebook");
    fs::write(&project, text).unwrap();
    assert_ne!(gather(&[&one, &two], &out).code, 2);

    for wrong in ["0/2", "3/2", "2", "two"] {
        let done = share(&project, wrong, &one);
        assert_eq!(done.code, 2);
        assert!(
            done.stderr.contains("a share is written K/N"),
            "{}",
            done.stderr
        );
    }
}
