//! What the program stands on: every package comes from the registry with its checksum and under a licence that is allowed.
//! `scripts/supply.sh` looks closer, with tools that a test run does not install.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

fn read(file: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).unwrap()
}

fn allowed() -> BTreeSet<String> {
    let deny: toml::Table = read(".config/deny.toml").parse().unwrap();
    let licences = deny["licenses"]["allow"].as_array().unwrap().iter();
    licences
        .map(|licence| licence.as_str().unwrap().to_owned())
        .collect()
}

/// Whether one of the choices that an SPDX expression gives needs allowed licences only. Also in the older form with `/`.
fn is_allowed(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let words = expression
        .replace('(', " ( ")
        .replace(')', " ) ")
        .replace('/', " OR ");
    let words: Vec<&str> = words.split_whitespace().collect();
    let (holds, rest) = either(&words, allowed);
    assert!(rest.is_empty(), "{expression}");
    holds
}

fn either<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    let (mut holds, mut rest) = both(words, allowed);
    while let ["OR", more @ ..] = rest {
        let (other, left) = both(more, allowed);
        (holds, rest) = (holds || other, left);
    }
    (holds, rest)
}

fn both<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    let (mut holds, mut rest) = one(words, allowed);
    while let ["AND", more @ ..] = rest {
        let (other, left) = one(more, allowed);
        (holds, rest) = (holds && other, left);
    }
    (holds, rest)
}

fn one<'w>(words: &'w [&'w str], allowed: &BTreeSet<String>) -> (bool, &'w [&'w str]) {
    match words {
        ["(", inner @ ..] => {
            let (holds, rest) = either(inner, allowed);
            assert_eq!(rest.first(), Some(&")"));
            (holds, &rest[1..])
        }
        [licence, "WITH", exception, rest @ ..] => (
            allowed.contains(&format!("{licence} WITH {exception}")),
            rest,
        ),
        [licence, rest @ ..] => (allowed.contains(*licence), rest),
        [] => panic!("a licence is missing"),
    }
}

#[test]
fn licence_expressions_are_read() {
    let allowed = BTreeSet::from(["MIT".to_owned(), "A WITH e".to_owned(), "Zlib".to_owned()]);
    for (expression, holds) in [
        ("MIT", true),
        ("GPL-3.0", false),
        ("MIT OR GPL-3.0", true),
        ("MIT/Apache-2.0", true),
        ("MIT AND GPL-3.0", false),
        ("(MIT OR GPL-3.0) AND Zlib", true),
        ("(MIT OR Zlib) AND GPL-3.0", false),
        ("GPL-3.0 OR A WITH e", true),
        ("A", false),
    ] {
        assert_eq!(is_allowed(expression, &allowed), holds, "{expression}");
    }
}

/// Packages as they declare themselves: all of the lock file if this machine has them, else those that this system builds.
fn packages() -> Vec<Value> {
    let metadata = |more: &[&str]| {
        Command::new(env!("CARGO"))
            .args(["metadata", "--locked", "--offline", "--format-version", "1"])
            .args(more)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .output()
            .unwrap()
    };
    let mut output = metadata(&[]);
    if !output.status.success() {
        let version = Command::new("rustc").arg("-vV").output().unwrap();
        let version = String::from_utf8(version.stdout).unwrap();
        let host = version.lines().find_map(|line| line.strip_prefix("host: "));
        output = metadata(&["--filter-platform", host.unwrap()]);
    }
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{complaint}");
    let mut found: Value = serde_json::from_slice(&output.stdout).unwrap();
    let Value::Array(packages) = found["packages"].take() else {
        panic!("no packages");
    };
    assert!(packages.len() > 100);
    packages
}

fn licence(package: &Value) -> &str {
    package["license"].as_str().unwrap_or("none")
}

#[test]
fn every_package_has_an_allowed_licence() {
    let allowed = allowed();
    for package in packages() {
        let licence = licence(&package);
        assert!(
            is_allowed(licence, &allowed),
            "{}: {licence}",
            package["name"]
        );
    }
}

#[test]
fn licences_in_the_documents_are_those_that_packages_declare() {
    let text = read("docs/dependencies.md");
    let mut seen = 0;
    for package in packages() {
        let row = format!(
            "| `{}` | {} | ",
            package["name"].as_str().unwrap(),
            package["version"].as_str().unwrap()
        );
        if let Some(told) = text.lines().find_map(|line| line.strip_prefix(&row)) {
            let told = told.split(" | ").next().unwrap();
            assert_eq!(told, licence(&package), "{row}");
            seen += 1;
        }
    }
    assert!(seen > 30, "{seen}");
}

#[test]
fn every_package_comes_from_the_registry_with_its_checksum() {
    let lock: toml::Table = read("Cargo.lock").parse().unwrap();
    let mut own = vec![];
    for package in lock["package"].as_array().unwrap() {
        let text = |key| package.get(key).and_then(toml::Value::as_str);
        let name = text("name").unwrap();
        match text("source") {
            None => own.push(name),
            Some(source) => {
                let registry = "registry+https://github.com/rust-lang/crates.io-index";
                assert_eq!(source, registry, "{name}");
                assert_eq!(text("checksum").map(str::len), Some(64), "{name}");
            }
        }
    }
    assert_eq!(own, ["blockwright", "gdal-calls"]);
}

/// Calls that need `unsafe` are in a crate of their own.
#[test]
fn our_own_code_forbids_unsafe() {
    for root in ["src/lib.rs", "src/main.rs"] {
        assert!(read(root).contains("#![forbid(unsafe_code)]"), "{root}");
    }
    let manifest: toml::Table = read("Cargo.toml").parse().unwrap();
    let lints = &manifest["lints"]["rust"]["unsafe_code"];
    assert_eq!(lints.as_str(), Some("forbid"));
}
