//! The documents against the program: examples parse, stated defaults are the real ones, links lead somewhere, and
//! nothing that outputs or builds rely on is left undescribed.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use blockwright::demo::{self, DemoOptions};
use blockwright::model::Settings;
use blockwright::project;
use blockwright::sources;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Fenced blocks of one language.
fn fenced(text: &str, language: &str) -> Vec<String> {
    let open = format!("```{language}\n");
    let after = text.split(&open).skip(1);
    after
        .map(|rest| rest.split("\n```").next().unwrap().to_owned() + "\n")
        .collect()
}

/// Cells of the table rows under a heading, without the header.
fn rows(text: &str, heading: &str) -> Vec<Vec<String>> {
    let start = text
        .find(&format!("\n{heading}\n"))
        .unwrap_or_else(|| panic!("no heading {heading}"));
    let section = text[start + 1..].split("\n## ").next().unwrap();
    let lines = section.lines().filter(|line| line.starts_with('|'));
    lines
        .filter(|line| !line.starts_with("| ---"))
        .skip(1)
        .map(|line| {
            let cells = line.trim_matches('|').split(" | ");
            cells
                .map(|cell| cell.trim().trim_matches('|').trim().to_owned())
                .collect()
        })
        .collect()
}

fn code(cell: &str) -> Vec<&str> {
    cell.split('`').skip(1).step_by(2).collect()
}

fn documents() -> Vec<PathBuf> {
    let files = |folder: PathBuf| {
        let entries = std::fs::read_dir(folder).unwrap();
        entries.map(|entry| entry.unwrap().path())
    };
    let mut found: Vec<PathBuf> = files(root().to_owned())
        .chain(files(root().join("docs")))
        .filter(|path| path.extension().is_some_and(|extension| extension == "md"))
        .collect();
    found.sort();
    assert!(found.len() >= 8, "{found:?}");
    found
}

#[test]
fn the_example_of_the_readme_reads_the_demos_layers() {
    let folder = tempfile::tempdir().unwrap();
    let options = DemoOptions { blocks: 3, seed: 7 };
    demo::write(folder.path(), &options).unwrap();
    let examples = fenced(&read("README.md"), "toml");
    assert_eq!(examples.len(), 1);
    let path = folder.path().join("mine.toml");
    std::fs::write(&path, &examples[0]).unwrap();
    let project = project::load(&path).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(project.warnings, Vec::<String>::new());
    let batch = sources::read(&project).unwrap_or_else(|error| panic!("{error}"));
    assert!(batch.blocks.len() >= 3);
    assert_eq!(batch.layers.len(), 4);
    assert!(batch.layers.iter().all(|layer| layer.used > 0));
}

/// Where the layer is less than the net area, readers are told what else there is of it.
#[test]
fn the_layer_of_parts_is_said_to_leave_out_what_belongs_to_none() {
    let text = read("docs/schema.md");
    let section = text.split("### layout.gpkg `net_area`").nth(1).unwrap();
    let section = section.split("| attribute |").next().unwrap();
    for word in [
        "`net_ha`",
        "`retained_band`",
        "`strips`",
        "`unworked`",
        "part 0",
    ] {
        assert!(section.contains(word), "{word}: {section}");
    }
}

#[test]
fn every_option_of_the_cluster_script_is_described() {
    let script = read("scripts/cluster/dask_shares.py");
    let text = read("docs/cluster.md");
    let options = script.split("add_argument(\"--").skip(1);
    let options: Vec<&str> = options.filter_map(|rest| rest.split('"').next()).collect();
    assert!(options.len() >= 5, "{options:?}");
    for option in options {
        assert!(text.contains(&format!("--{option}")), "--{option}");
    }
    // Commands that call the program by its name say where it is found.
    assert!(text.contains("PATH"), "where `blockwright` is found");
}

#[test]
fn the_example_of_the_project_file_parses() {
    let examples = fenced(&read("docs/project-file.md"), "toml");
    assert_eq!(examples.len(), 1);
    let project = project::parse(&examples[0], Path::new("example.toml"))
        .unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(project.warnings, Vec::<String>::new());
    assert_eq!(project.layers.len(), 4);
}

const SMALLEST: &str = "[layers.blocks]\nsource = \"a.gpkg\"\n[rules]\npreset = \"bare\"\n";

/// A project that holds nothing but `body` in table `[section]`, beside what must be there.
fn with(section: &str, body: &str) -> Result<project::Project, String> {
    let text = match section {
        "layers.ROLE" => SMALLEST.replace("[rules]", &format!("{body}\n[rules]")),
        "rules" => format!("{SMALLEST}{body}\n"),
        "rules.line" => format!("{SMALLEST}[[rules.line]]\n{body}\n"),
        _ => format!("{SMALLEST}[{section}]\n{body}\n"),
    };
    project::parse(&text, Path::new("p.toml")).map_err(|error| error.to_string())
}

/// Keys of a table of the project file, as its own message about an unknown key lists them.
fn valid_keys(section: &str) -> BTreeSet<String> {
    let message = with(section, "zzz = 1").unwrap_err();
    let valid = message
        .split("valid here: ")
        .nth(1)
        .unwrap_or_else(|| panic!("{message}"));
    code(valid).into_iter().map(str::to_owned).collect()
}

#[test]
fn every_default_of_the_tables_is_the_real_one() {
    let text = read("docs/project-file.md");
    let mut checked = 0;
    for section in ["machine", "layout", "production", "costs", "outputs"] {
        for row in rows(&text, &format!("## `[{section}]`")) {
            let key = code(&row[0])[0];
            let project = match code(&row[1])[..] {
                [] => {
                    assert_eq!(row[1], "none", "{key}");
                    with(section, "")
                }
                [value] => with(section, &format!("{key} = {value}")),
                _ => panic!("{key}: {}", row[1]),
            };
            let settings = project
                .unwrap_or_else(|error| panic!("{key}: {error}"))
                .settings;
            let real = Settings::default();
            // Values in feet are products, so the last bit may differ.
            assert_eq!(rounded(&settings), rounded(&real), "{key}");
            checked += 1;
        }
    }
    assert_eq!(checked, 85);
    let other = with("machine", "reach = \"8.71 m\"").unwrap().settings;
    assert_ne!(rounded(&other), rounded(&Settings::default()));
}

/// The table has keys that must stand, so that its defaults show only beside those.
#[test]
fn every_default_of_the_wind_is_the_real_one() {
    const NEEDED: &str = "from = 225\nsource = \"record\"\n";
    let real = with("wind", NEEDED).unwrap().settings;
    let mut checked = 0;
    for row in rows(&read("docs/project-file.md"), "## `[wind]`") {
        let (key, value) = (code(&row[0])[0], code(&row[1]));
        if let [value] = value[..] {
            let stated = with("wind", &format!("{NEEDED}{key} = {value}")).unwrap();
            assert_eq!(rounded(&stated.settings), rounded(&real), "{key}");
            checked += 1;
        }
    }
    assert_eq!(checked, 6);
}

fn rounded(settings: &Settings) -> serde_json::Value {
    fn round(value: &mut serde_json::Value) {
        match value {
            serde_json::Value::Object(map) => map.values_mut().for_each(round),
            serde_json::Value::Number(number) => {
                let near = (number.as_f64().unwrap() * 1e9).round() / 1e9;
                *value = serde_json::json!(near);
            }
            _ => {}
        }
    }
    let mut value = serde_json::to_value(settings).unwrap();
    round(&mut value);
    value
}

#[test]
fn every_key_is_described_and_every_described_key_is_valid() {
    let text = read("docs/project-file.md");
    let of = |heading: &str| -> Vec<Vec<String>> { rows(&text, heading) };
    let keys = |rows: &[Vec<String>]| -> BTreeSet<String> {
        let names = rows.iter().flat_map(|row| code(&row[0]));
        names.map(str::to_owned).collect()
    };
    for section in [
        "project",
        "layers.terrain",
        "machine",
        "layout",
        "production",
        "notes",
        "wind",
        "costs",
        "outputs",
    ] {
        assert_eq!(
            keys(&of(&format!("## `[{section}]`"))),
            valid_keys(section),
            "{section}"
        );
    }
    // Two tables stand under each of the other headings: roles and their keys, rules and their lines.
    let mut layers = valid_keys("layers.ROLE");
    layers.extend(
        blockwright::model::LayerKind::ALL
            .iter()
            .map(|kind| kind.key().to_owned()),
    );
    layers.insert("terrain".to_owned());
    let mut described = keys(&of("## `[layers.ROLE]`"));
    described.remove("key");
    assert_eq!(described, layers);
    let mut rules = valid_keys("rules");
    rules.remove("line");
    rules.extend(valid_keys("rules.line"));
    let mut described = keys(&of("## `[rules]`"));
    described.remove("key");
    assert_eq!(described, rules);
}

#[test]
fn every_dependency_is_described_with_its_version() {
    let manifest: toml::Table = read("Cargo.toml").parse().unwrap();
    let lock: toml::Table = read("Cargo.lock").parse().unwrap();
    let mut locked: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for package in lock["package"].as_array().unwrap() {
        let name = package["name"].as_str().unwrap();
        locked
            .entry(name)
            .or_default()
            .push(package["version"].as_str().unwrap());
    }
    let text = read("docs/dependencies.md");
    for (table, heading) in [
        ("dependencies", "## In the program"),
        ("dev-dependencies", "## In tests only"),
    ] {
        let described: BTreeMap<String, String> = rows(&text, heading)
            .into_iter()
            .map(|row| (code(&row[0])[0].to_owned(), row[1].clone()))
            .collect();
        // Those of one system only stand in tables of their own.
        let of_systems = manifest["target"].as_table().unwrap().values();
        let named: BTreeSet<&String> = [&manifest[table]]
            .into_iter()
            .chain(of_systems.filter_map(|system| system.get(table)))
            .flat_map(|found| found.as_table().unwrap().keys())
            .collect();
        assert_eq!(described.keys().collect::<BTreeSet<_>>(), named);
        for (name, version) in &described {
            // A lock file may add build metadata, as in 0.9.12+spec-1.1.0.
            let is_locked = locked[name.as_str()]
                .iter()
                .any(|found| found.split('+').next() == Some(version));
            assert!(is_locked, "{name} {version}: {:?}", locked[name.as_str()]);
        }
    }
}

/// `(target, rest)` of every inline link and picture.
fn links(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in text.match_indices("](") {
        if let Some(end) = text[at + 2..].find(')') {
            found.push(text[at + 2..at + 2 + end].to_owned());
        }
    }
    found
}

/// The anchors that a page's headings make: lower case, blanks as hyphens, signs dropped.
fn anchors(text: &str) -> BTreeSet<String> {
    let headings = text.lines().filter(|line| line.starts_with('#'));
    headings
        .map(|line| {
            let words = line.trim_start_matches('#').trim().to_lowercase();
            let kept = words
                .chars()
                .filter(|c| c.is_alphanumeric() || matches!(c, ' ' | '-' | '_'));
            kept.map(|c| if c == ' ' { '-' } else { c }).collect()
        })
        .collect()
}

#[test]
fn every_relative_link_leads_somewhere() {
    let mut checked = 0;
    for path in documents() {
        let text = std::fs::read_to_string(&path).unwrap();
        for link in links(&text) {
            if link.contains("://") {
                continue;
            }
            let (file, anchor) = link.split_once('#').unwrap_or((&link, ""));
            let target = if file.is_empty() {
                path.clone()
            } else {
                path.parent().unwrap().join(file)
            };
            assert!(target.exists(), "{}: {link}", path.display());
            if !anchor.is_empty() {
                let there = std::fs::read_to_string(&target).unwrap();
                assert!(
                    anchors(&there).contains(anchor),
                    "{}: {link}",
                    path.display()
                );
            }
            checked += 1;
        }
    }
    assert!(checked > 15, "{checked}");
}

/// Ids such as BC-04 in a text.
fn ids(text: &str) -> BTreeSet<String> {
    const GROUPS: [&str; 19] = [
        "AK", "PL", "BC", "QC", "ON", "US", "MT", "NH", "OR", "ME", "UK", "XX", "SF", "PR", "SU",
        "GE", "RT", "TM", "CO",
    ];
    let words = text.split(|c: char| !(c.is_ascii_alphanumeric() || c == '-' || c == '_'));
    words
        .filter(|word| {
            word.split_once('-').is_some_and(|(group, number)| {
                GROUPS.contains(&group)
                    && number.len() == 2
                    && number.bytes().all(|b| b.is_ascii_digit())
            })
        })
        .map(str::to_owned)
        .collect()
}

fn files_under(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_under(&path, into);
        } else {
            into.push(path);
        }
    }
}

#[test]
fn every_cited_check_value_is_described() {
    let text = read("docs/algorithms.md");
    let described: BTreeSet<String> = rows(&text, "## Check values cited")
        .into_iter()
        .map(|row| row[0].clone())
        .collect();
    let mut cited = ids(&text);
    let mut files = Vec::new();
    for folder in ["src", "fixtures"] {
        files_under(&root().join(folder), &mut files);
    }
    for path in files {
        cited.extend(ids(&String::from_utf8_lossy(&std::fs::read(path).unwrap())));
    }
    assert!(cited.len() > 20, "{cited:?}");
    assert_eq!(described, cited);
}

#[test]
fn every_reason_of_a_problem_is_described() {
    let code = read("src/model/problem.rs");
    let arms = code.lines().filter_map(|line| {
        let (arm, text) = line.trim().split_once(" => \"")?;
        arm.starts_with("ProblemCode::")
            .then(|| text.split('"').next().unwrap())
    });
    let keys: Vec<&str> = arms.collect();
    assert!(keys.len() >= 19, "{keys:?}");
    let schema = read("docs/schema.md");
    for key in keys {
        assert!(schema.contains(&format!("`{key}`")), "{key}");
    }
}

/// The code of a file without its unit tests.
fn code_of(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    let code = text.split("#[cfg(test)]").next().unwrap();
    code.to_owned()
}

/// Texts in quotes that are made of small letters, digits and hyphens, with what stands before each.
fn quoted(code: &str) -> Vec<(&str, &str)> {
    let mut found = Vec::new();
    for (at, _) in code.match_indices('"') {
        let rest = &code[at + 1..];
        let word = rest.split(['"', ':']).next().unwrap_or("");
        let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        let whole = rest[word.len()..].starts_with('"') || rest[word.len()..].starts_with(":{");
        if whole && !word.is_empty() && word.bytes().all(plain) {
            found.push((code[..at].trim_end(), word));
        }
    }
    found
}

/// Every id of a rule in the code: texts with a hyphen where rules are judged, and plain words where an id is asked for.
fn rule_ids() -> BTreeSet<String> {
    let mut files = Vec::new();
    for folder in ["src/layout", "src/compliance", "src/audit"] {
        files_under(&root().join(folder), &mut files);
    }
    files.push(root().join("src/batch/missing.rs"));
    files.push(root().join("src/batch/notes.rs"));
    // Named once for layout, compliance and audit.
    use blockwright::model::MAY_BE_WET_RULE;
    use blockwright::rulebook::{
        BARRIER_RULE, DANGER_TREE_RULE, POWER_LINE_BELT, POWER_LINE_LIMIT,
    };
    let shared = [
        BARRIER_RULE,
        POWER_LINE_BELT,
        POWER_LINE_LIMIT,
        DANGER_TREE_RULE,
        MAY_BE_WET_RULE,
    ];
    let mut ids = BTreeSet::from(shared.map(str::to_owned));
    let table = blockwright::model::RuleId::ALL.iter();
    ids.extend(table.map(|rule| rule.key().to_owned()));
    for path in files {
        let code = code_of(&path);
        for (before, word) in quoted(&code) {
            let asked = ["rule_id:", "id:", ".row(", ".ruled("]
                .iter()
                .any(|sign| before.ends_with(sign));
            let named = before.ends_with("format!(") && code.contains(&format!("\"{word}:{{"));
            if asked || named || (word.contains('-') && !word.starts_with('-')) {
                ids.insert(word.to_owned());
            }
        }
    }
    ids
}

#[test]
fn every_reason_and_rule_id_is_described() {
    use blockwright::model::{DayReason, UnworkedReason, ZoneKind};
    let schema = read("docs/schema.md");
    let row = |layer: &str, attribute: &str| -> BTreeSet<String> {
        let rows = rows(&schema.replace("\n### ", "\n## "), &format!("## {layer}"));
        let row = rows.iter().find(|row| code(&row[0]) == [attribute]);
        let row = row.unwrap_or_else(|| panic!("{layer} {attribute}"));
        code(&row[2]).into_iter().map(str::to_owned).collect()
    };
    let keys =
        |keys: Vec<&str>| -> BTreeSet<String> { keys.into_iter().map(str::to_owned).collect() };
    assert_eq!(
        row("layout.gpkg `sections`", "reasons")
            .into_iter()
            .filter(|word| word != ";")
            .collect::<BTreeSet<_>>(),
        keys(DayReason::ALL.map(DayReason::key).to_vec())
    );
    assert_eq!(
        row("layout.gpkg `unworked`", "reason"),
        keys(UnworkedReason::ALL.map(UnworkedReason::key).to_vec())
    );
    let zones = row("layout.gpkg `zones`", "kind");
    for kind in ZoneKind::ALL {
        assert!(zones.contains(kind.key()), "{}", kind.key());
    }
    // Reasons are explained, not just listed.
    let sections = read("docs/algorithms.md");
    let explained: BTreeSet<String> = rows(&sections, "## Sections")
        .iter()
        .flat_map(|row| code(&row[0]))
        .map(str::to_owned)
        .collect();
    assert_eq!(explained, keys(DayReason::ALL.map(DayReason::key).to_vec()));
    let ids = rule_ids();
    assert!(
        ids.len() > 30 && ids.contains("reserve") && ids.contains("reachable"),
        "{ids:?}"
    );
    let table = schema.split("\n### Rule ids\n").nth(1).unwrap();
    let table = table.split("\n### ").next().unwrap();
    let described: BTreeSet<&str> = code(table)
        .into_iter()
        .map(|id| id.split(':').next().unwrap_or(id))
        .collect();
    for id in &ids {
        assert!(
            described.contains(id.as_str()),
            "docs/schema.md says nothing of {id}"
        );
    }
    // And nothing is described that is not there.
    let others = ["rules show", "rule_id", "KIND-unruled", "streams-unruled"];
    for id in described {
        assert!(ids.contains(id) || others.contains(&id), "nobody says {id}");
    }
}

/// Every arm of `key` has its constant in `ALL`, which the documents are held against.
#[test]
fn no_reason_is_left_out_of_the_lists() {
    let code = read("src/model/plan.rs");
    for (name, count) in [
        ("DayReason", blockwright::model::DayReason::ALL.len()),
        (
            "UnworkedReason",
            blockwright::model::UnworkedReason::ALL.len(),
        ),
        ("ZoneKind", blockwright::model::ZoneKind::ALL.len()),
    ] {
        let arms = code.lines().filter(|line| {
            let arm = line.trim().split_once(" => \"");
            arm.is_some_and(|(arm, _)| arm.starts_with(&format!("{name}::")))
        });
        assert_eq!(arms.count(), count, "{name}");
    }
}

#[test]
fn every_place_in_the_documents_that_outputs_name_is_there() {
    // The row `areas-balance` names this heading as its source.
    assert!(anchors(&read("docs/algorithms.md")).contains("books"));
    // As does `stream-barrier`.
    assert!(anchors(&read("docs/algorithms.md")).contains("streams-are-barriers"));
}
