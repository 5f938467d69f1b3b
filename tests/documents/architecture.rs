//! Who may know whom: pure folders know no GDAL, no files and no clock, and arrows point one way.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const PURE: [&str; 11] = [
    "audit",
    "compass.rs",
    "daylight",
    "schedule",
    "units.rs",
    "model",
    "geometry",
    "rulebook",
    "landbase",
    "layout",
    "compliance",
];

/// Every module of the crate and the modules it may use.
const ARROWS: [(&str, &[&str]); 20] = [
    ("units.rs", &[]),
    ("compass.rs", &[]),
    ("model", &["units"]),
    ("daylight", &["units", "model"]),
    ("geometry", &["units", "model"]),
    ("rulebook", &["units", "model"]),
    ("landbase", &["units", "model", "geometry", "rulebook"]),
    (
        "layout",
        &["units", "model", "geometry", "rulebook", "landbase"],
    ),
    (
        "compliance",
        &[
            "units", "model", "geometry", "rulebook", "landbase", "layout",
        ],
    ),
    // Not `layout` and not `compliance`: what is proved must not lean on what is to be proved.
    (
        "audit",
        &[
            "units", "model", "daylight", "geometry", "rulebook", "landbase",
        ],
    ),
    ("engines", &["geometry"]),
    ("schedule", &["units", "model", "daylight"]),
    (
        "project",
        &[
            "units", "compass", "model", "rulebook", "daylight", "schedule",
        ],
    ),
    (
        "sources",
        &[
            "units", "model", "geometry", "rulebook", "project", "daylight",
        ],
    ),
    (
        "outputs",
        &[
            "units", "compass", "model", "geometry", "rulebook", "sources", "schedule", "daylight",
            "audit",
        ],
    ),
    ("demo", &["units", "model", "geometry"]),
    ("terminal.rs", &["model"]),
    (
        "batch",
        &[
            "units",
            "model",
            "daylight",
            "geometry",
            "rulebook",
            "landbase",
            "layout",
            "compliance",
            "audit",
            "engines",
            "daylight",
            "schedule",
            "project",
            "sources",
            "outputs",
            "terminal",
        ],
    ),
    (
        "init",
        &["units", "model", "rulebook", "project", "sources"],
    ),
    (
        "cli",
        &[
            "units", "model", "rulebook", "project", "sources", "batch", "demo", "audit", "init",
            "terminal",
        ],
    ),
];

fn files(of: &str) -> Vec<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(of);
    if path.is_file() {
        return vec![path];
    }
    let mut found = vec![];
    let mut folders = vec![path];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                found.push(path);
            }
        }
    }
    found.sort();
    assert!(!found.is_empty(), "{of}");
    found
}

/// Code as words and single signs: no comments, no contents of strings and characters.
fn tokens(text: &str) -> Vec<String> {
    let signs: Vec<char> = text.chars().collect();
    let at = |index: usize| signs.get(index).copied().unwrap_or('\0');
    let mut tokens = Vec::new();
    let mut i = 0;
    while i < signs.len() {
        let sign = signs[i];
        if sign == '/' && at(i + 1) == '/' {
            while i < signs.len() && signs[i] != '\n' {
                i += 1;
            }
        } else if sign == '/' && at(i + 1) == '*' {
            while i < signs.len() && !(signs[i] == '*' && at(i + 1) == '/') {
                i += 1;
            }
            i += 2;
        } else if sign == 'r'
            && (at(i + 1) == '"' || at(i + 1) == '#' && matches!(at(i + 2), '"' | '#'))
        {
            let hashes = signs[i + 1..].iter().take_while(|&&s| s == '#').count();
            i += hashes + 2;
            while i < signs.len()
                && !(signs[i] == '"' && signs[i + 1..].iter().take(hashes).all(|&s| s == '#'))
            {
                i += 1;
            }
            i += hashes + 1;
        } else if sign == '"' {
            i += 1;
            while i < signs.len() && signs[i] != '"' {
                i += if signs[i] == '\\' { 2 } else { 1 };
            }
            i += 1;
        } else if sign == '\'' && (at(i + 1) == '\\' || at(i + 2) == '\'') {
            i += if at(i + 1) == '\\' { 3 } else { 2 };
            while i < signs.len() && signs[i] != '\'' {
                i += 1;
            }
            i += 1;
        } else if sign.is_alphanumeric() || sign == '_' {
            let word: String = signs[i..]
                .iter()
                .take_while(|s| s.is_alphanumeric() || **s == '_')
                .collect();
            i += word.chars().count();
            tokens.push(word);
        } else {
            if !sign.is_whitespace() {
                tokens.push(sign.to_string());
            }
            i += 1;
        }
    }
    tokens
}

/// What follows `root::` anywhere: the next word, or every first word inside its braces.
fn children(tokens: &[String], root: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for i in 0..tokens.len() {
        let is_path =
            tokens[i] == root && tokens.get(i + 1..i + 3).is_some_and(|t| t == [":", ":"]);
        if !is_path {
            continue;
        }
        let mut next = i + 3;
        if tokens.get(next).is_some_and(|t| t == "{") {
            let (mut depth, mut first) = (0, true);
            while let Some(token) = tokens.get(next) {
                match token.as_str() {
                    "{" => depth += 1,
                    "}" => depth -= 1,
                    "," => first = first || depth == 1,
                    word if depth == 1 && first => {
                        found.insert(word.to_owned());
                        first = false;
                    }
                    _ => {}
                }
                if depth == 0 {
                    break;
                }
                next += 1;
            }
        } else if let Some(word) = tokens.get(next) {
            found.insert(word.clone());
        }
    }
    found
}

/// What a pure file may not name, if it does.
fn impure(text: &str) -> Vec<String> {
    let tokens = tokens(text);
    let mut found = Vec::new();
    for outside in ["gdal", "gdal_sys", "indicatif", "clap", "rayon"] {
        if tokens.iter().any(|token| token == outside) {
            found.push(outside.to_owned());
        }
    }
    for root in ["std", "core"] {
        for module in children(&tokens, root) {
            if ["fs", "env", "time", "io", "process", "net", "thread"].contains(&module.as_str()) {
                found.push(format!("{root}::{module}"));
            }
        }
    }
    // Times as data are no clock; asking what time it is, or where we are, is one.
    for clock in ["SystemTime", "Instant", "Local"] {
        if tokens.iter().any(|token| token == clock) {
            found.push(clock.to_owned());
        }
    }
    // Calendar and time zones are arithmetic; the time of day is not.
    if children(&tokens, "Utc").contains("now") {
        found.push("Utc::now".to_owned());
    }
    found.extend(prints(&tokens));
    found
}

/// Macros that print, and crash where that cannot be done.
fn prints(tokens: &[String]) -> Vec<String> {
    let used = |printing: &&str| {
        tokens
            .windows(2)
            .any(|pair| pair[0] == **printing && pair[1] == "!")
    };
    let printing = ["println", "eprintln", "print", "eprint", "dbg"];
    let found = printing.into_iter().filter(used);
    found.map(|printing| format!("{printing}!")).collect()
}

#[test]
fn only_one_file_writes_to_the_terminal() {
    let mut writers = Vec::new();
    for file in files("") {
        let tokens = tokens(&std::fs::read_to_string(&file).unwrap());
        assert_eq!(prints(&tokens), Vec::<String>::new(), "{}", file.display());
        let ways = ["stdout", "stderr"];
        // A test of the crate of all unsafe code is no part of the program.
        let is_test = file
            .parent()
            .is_some_and(|folder| folder.ends_with("tests"));
        // What another program printed is a field of its end.
        let mut pairs = tokens.windows(2);
        let reaches = pairs.any(|pair| pair[0] != "." && ways.contains(&pair[1].as_str()));
        if !is_test && reaches {
            writers.push(file.file_name().unwrap().to_owned());
        }
    }
    // Where no memory is left, the last words go past any lock that a stopped thread may hold.
    assert_eq!(writers, ["memory.rs", "terminal.rs"]);
}

#[test]
fn pure_folders_name_no_gdal_no_files_no_clock_and_print_nothing() {
    let mut looked_at = 0;
    for folder in PURE {
        for file in files(folder) {
            let found = impure(&std::fs::read_to_string(&file).unwrap());
            assert!(found.is_empty(), "{} names {found:?}", file.display());
            looked_at += 1;
        }
    }
    assert!(looked_at > 30);
}

#[test]
fn arrows_point_one_way() {
    let modules: BTreeSet<&str> = ARROWS
        .iter()
        .map(|(module, _)| module.trim_end_matches(".rs"))
        .collect();
    for (module, may_use) in ARROWS {
        let own = module.trim_end_matches(".rs");
        for file in files(module) {
            let tokens = tokens(&std::fs::read_to_string(&file).unwrap());
            for used in children(&tokens, "crate") {
                let allowed = used == own
                    || may_use.contains(&used.as_str())
                    || !modules.contains(used.as_str());
                assert!(allowed, "{} uses {used}", file.display());
            }
        }
    }
    // Uses point backwards in the list only, so there is no circle.
    for (at, (module, may_use)) in ARROWS.iter().enumerate() {
        for used in *may_use {
            let earlier = ARROWS[..at]
                .iter()
                .any(|(name, _)| name.trim_end_matches(".rs") == *used);
            assert!(earlier, "{module} may not use {used}, which comes later");
        }
    }
}

#[test]
fn every_module_has_its_arrows() {
    let known: BTreeSet<String> = ARROWS
        .iter()
        .map(|(module, _)| (*module).to_owned())
        .collect();
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let entries = std::fs::read_dir(src).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let found: BTreeSet<String> = names
        // A package of its own, below all: it knows nothing of ours.
        .filter(|name| !["lib.rs", "main.rs", "gdal-calls"].contains(&name.as_str()))
        .collect();
    assert_eq!(found, known);
}

#[test]
fn the_command_line_holds_no_geometry_and_only_two_folders_know_gdal_besides_the_engine() {
    for file in files("cli") {
        let tokens = tokens(&std::fs::read_to_string(&file).unwrap());
        for word in ["geo", "gdal", "gdal_sys", "geo_buffer", "rstar"] {
            assert!(
                !tokens.contains(&word.to_owned()),
                "{} names {word}",
                file.display()
            );
        }
    }
    for (module, _) in ARROWS {
        let may = ["sources", "outputs", "engines", "demo"].contains(&module);
        let names_it = files(module).iter().any(|file| {
            let tokens = tokens(&std::fs::read_to_string(file).unwrap());
            ["gdal", "gdal_sys"]
                .iter()
                .any(|word| !children(&tokens, word).is_empty())
        });
        assert!(may || !names_it, "{module} knows GDAL");
    }
}

#[test]
fn the_reading_itself_sees_what_it_must() {
    for text in [
        "use gdal::vector::Layer;",
        "use std::{collections::BTreeMap, fs};",
        "fn f() { std::fs::read(\"a\"); }",
        "fn f() { let t = std::time::Instant::now(); }",
        "fn f() { let t = chrono::Utc::now(); }",
        "fn f() { println!(\"{}\", 1); }",
        "use std::{env::{args, var}, fmt};",
        "let c = '\"'; use gdal::Dataset; let d = \"\";",
    ] {
        assert!(!impure(text).is_empty(), "{text}");
    }
    for text in [
        "//! knows no gdal and no std::fs",
        "/* std::env */ use std::fmt;",
        "const HINT: &str = \"set std::env or use gdal\";",
        "let raw = r#\"use gdal::x \" println!()\"#;",
        "fn f<'a>(x: &'a str) -> char { 'x' }",
    ] {
        assert_eq!(impure(text), Vec::<String>::new(), "{text}");
    }
}
