//! Files with several things wrong: each is told, at its line, in the order of the file, and nothing that only follows from it.

use std::path::Path;

use blockwright::project;
use blockwright::rulebook;

const PROJECT: &str = include_str!("../../src/demo/project.toml");
const CREW: &str = include_str!("../../src/demo/crew.toml");

/// Faults as somebody makes them: a line as it stands, and what it becomes.
const OF_PROJECT: [(&str, &str); 12] = [
    ("unit = \"m\"", "unit = \"yd\""),
    ("id      = \"BLOCK\"", "idd     = \"BLOCK\""),
    ("[layers.wetlands]", "[layers.wetland]"),
    (
        "accuracy = { value = \"5 m\" }",
        "accuracy = { valu = \"5 m\" }",
    ),
    ("window = \"SEASON\"", "window = 7"),
    (
        "preset          = \"bc-fppr\"",
        "preset          = \"bc-fpr\"",
    ),
    (
        "reserve = \"20 m\"        # a setback",
        "reserve = \"20 mm\"       # a setback",
    ),
    ("max_slope    = \"40 %\"", "max_slope    = \"400 %\""),
    ("[layout]", "[layuot]"),
    ("time_model   = ", "time_modell  = "),
    ("[emergency]", "[emergncy]"),
    (
        "rates    = \"steep-slope-2022\"",
        "rates    = \"steep-slope-2022",
    ),
];

fn lines_of(error: &project::ProjectError) -> Vec<usize> {
    let own = error.place.iter();
    let also = error.also.iter().flat_map(|one| &one.place);
    own.chain(also).map(|place| place.line).collect()
}

fn planted(text: &str, faults: &[(&str, &str)]) -> (String, Vec<usize>) {
    let mut text = text.to_owned();
    let mut lines = Vec::new();
    for (before, after) in faults {
        let at = text.find(before).unwrap_or_else(|| panic!("{before}"));
        lines.push(text[..at].matches('\n').count() + 1);
        text.replace_range(at..at + before.len(), after);
    }
    lines.sort_unstable();
    (text, lines)
}

/// Of eleven planted faults any pair, and all of them: these lines and no others. The twelfth leaves no TOML, and is told alone.
#[test]
fn every_fault_of_a_project_file_is_told_at_its_line() {
    let sound = &OF_PROJECT[..11];
    let read = |text: &str| project::parse(text, Path::new("p.toml")).unwrap_err();
    let mut cases: Vec<Vec<(&str, &str)>> = vec![sound.to_vec()];
    for (at, first) in sound.iter().enumerate() {
        cases.push(vec![*first]);
        cases.extend(sound[at + 1..].iter().map(|second| vec![*first, *second]));
    }
    for faults in cases {
        let (text, lines) = planted(PROJECT, &faults);
        let error = read(&text);
        assert_eq!(lines_of(&error), lines, "{faults:?}\n{error}");
    }
    let (text, lines) = planted(PROJECT, &[OF_PROJECT[0], OF_PROJECT[11]]);
    assert_eq!(lines_of(&read(&text)), lines[1..]);
}

#[test]
fn missing_files_are_all_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("p.toml");
    let text = "[layers.blocks]\nsource = \"a.gpkg\"\n[layers.roads]\nsource = \"b.gpkg\"\n[layers.terrain]\nsource = \"c.tif\"\n\
                [rules]\npreset = \"bare\"\n[machine]\nreach = \"900 m\"\n";
    std::fs::write(&path, text).unwrap();
    let error = project::load(&path).unwrap_err();
    assert_eq!(lines_of(&error), [2, 4, 6, 10], "{error}");
    assert!(error.to_string().ends_with("4 faults in all"), "{error}");
}

#[test]
fn every_fault_of_a_crew_file_is_told_at_its_line() {
    let faults = CREW.lines().enumerate().filter_map(|(at, line)| {
        let (key, value) = line.split_once('=')?;
        let is_plain = !key.starts_with('#') && value.trim_start().starts_with('"');
        is_plain.then(|| (at + 1, format!("{key}= true")))
    });
    let faults: Vec<(usize, String)> = faults.collect();
    assert!(faults.len() >= 4, "{faults:?}");
    // Each alone, and the first with each other.
    for (at, wrong) in &faults {
        let write = |number: usize, line: &str| -> String {
            let first = number == faults[0].0;
            match (number == *at, first) {
                (true, _) => wrong.clone(),
                (false, true) => faults[0].1.clone(),
                _ => line.to_owned(),
            }
        };
        let text: Vec<String> = CREW
            .lines()
            .enumerate()
            .map(|(n, line)| write(n + 1, line))
            .collect();
        let error = project::parse_crew(&text.join("\n"), Path::new("crew.toml")).unwrap_err();
        let mut wanted = vec![faults[0].0, *at];
        wanted.dedup();
        assert_eq!(lines_of(&error), wanted, "{error}");
    }
}

/// Two keys that are none and a width that is none, in one rulebook.
#[test]
fn every_fault_of_a_rulebook_is_told_at_its_line() {
    let text = rulebook::preset_text("bare").unwrap();
    let lines = text.lines().map(|line| match line {
        "id = \"stream-any\"" => "idd = \"stream-any\"",
        "title = \"Lake\"" => "titel = \"Lake\"",
        other => other,
    });
    let mut lines: Vec<&str> = lines.collect();
    let last = lines
        .iter()
        .rposition(|line| line.starts_with("reserve = "))
        .unwrap();
    lines[last] = "reserve = \"minus 3 m\"";
    let wrong = |line: &&str| {
        line.starts_with("idd") || line.starts_with("titel") || line.contains("minus")
    };
    let wanted: Vec<usize> = (lines.iter().enumerate())
        .filter(|(_, line)| wrong(line))
        .map(|(at, _)| at + 1)
        .collect();
    assert_eq!(wanted.len(), 3);
    let checked = rulebook::check(&lines.join("\n"), "own.toml");
    let errors = checked
        .findings
        .iter()
        .filter(|finding| finding.severity == rulebook::Severity::Error);
    let told: Vec<usize> = errors
        .map(|finding| &finding.place)
        .map(|place| place.line)
        .collect();
    assert_eq!(told, wanted, "{:?}", checked.findings);
}
