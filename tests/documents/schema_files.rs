//! The JSON schemas in docs/schema: kept current, and of one mind with the program about what is written in TOML.

use std::path::{Path, PathBuf};

use blockwright::{project, rulebook};
use serde_json::Value;

fn schemas() -> [(&'static str, Value); 3] {
    [
        ("project", project::project_schema()),
        ("rulebook", rulebook::rulebook_schema()),
        ("crew", project::crew_schema()),
    ]
}

#[test]
fn the_schemas_in_the_documents_are_those_of_the_program() {
    for (name, schema) in schemas() {
        let path = format!("docs/schema/{name}.schema.json");
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        let now = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        assert!(
            kept == now,
            "{path} is out of date: run `cargo run -- schema {name} > {path}`"
        );
    }
}

fn toml_files(folder: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    files.retain(|path| path.extension().is_some_and(|found| found == "toml"));
    files.sort();
    assert!(!files.is_empty(), "{folder}");
    files
}

fn as_json(text: &str) -> Option<Value> {
    let table: toml::Table = text.parse().ok()?;
    serde_json::to_value(table).ok()
}

fn faults(validator: &jsonschema::Validator, instance: &Value) -> Vec<String> {
    let errors = validator.iter_errors(instance);
    errors
        .map(|error| format!("{} at {}", error, error.instance_path()))
        .collect()
}

fn validators() -> [jsonschema::Validator; 3] {
    schemas().map(|(_, schema)| {
        jsonschema::meta::validate(&schema).unwrap();
        jsonschema::validator_for(&schema).unwrap()
    })
}

#[test]
fn what_the_program_reads_fits_the_schema() {
    let [of_project, of_rulebook, of_crew] = validators();
    for name in rulebook::preset_names() {
        let preset = as_json(rulebook::preset_text(name).unwrap()).unwrap();
        assert_eq!(faults(&of_rulebook, &preset), [""; 0], "{name}");
    }
    let mut seen = 0;
    let mut fits = |path: &Path, validator: &jsonschema::Validator| {
        let file = as_json(&std::fs::read_to_string(path).unwrap()).unwrap();
        assert_eq!(faults(validator, &file), [""; 0], "{}", path.display());
        seen += 1;
    };
    for folder in ["fixtures/project/valid", "fixtures/real"] {
        toml_files(folder)
            .iter()
            .for_each(|path| fits(path, &of_project));
    }
    fits(Path::new("src/demo/project.toml"), &of_project);
    let rulebooks = toml_files("fixtures/rulebooks/valid");
    rulebooks.iter().for_each(|path| fits(path, &of_rulebook));
    let crews = toml_files("fixtures/crew/valid");
    crews.iter().for_each(|path| fits(path, &of_crew));
    fits(Path::new("src/demo/crew.toml"), &of_crew);
    assert!(seen >= 10, "{seen}");
}

#[test]
fn what_has_the_wrong_shape_does_not_fit_the_schema() {
    let [of_project, of_rulebook, of_crew] = validators();
    let mut refused = 0;
    for path in toml_files("fixtures/project/invalid") {
        let Ok(text) = std::fs::read_to_string(&path) else {
            continue;
        };
        let Err(error) = project::parse(&text, &path) else {
            continue;
        };
        // A fault in a rulebook that the project names is none of the project file's.
        if error.path != path {
            continue;
        }
        // Whether a line is new and must have a reserve, the preset says; and a constant may be any text.
        let beyond_shape = [
            "rule_without_reserve.toml",
            "wrong_unit_in_constant.toml",
            "fringe_unit.toml",
        ];
        if beyond_shape.iter().any(|name| path.ends_with(name)) {
            continue;
        }
        let by_shape = [
            "unknown-key",
            "missing-key",
            "missing-role",
            "unknown-role",
            "wrong-unit",
        ];
        if let (Some(file), true) = (as_json(&text), by_shape.contains(&error.code())) {
            assert!(!of_project.is_valid(&file), "{}: {error}", path.display());
            refused += 1;
        }
    }
    for path in toml_files("fixtures/crew/invalid") {
        let text = std::fs::read_to_string(&path).unwrap();
        let error = project::parse_crew(&text, &path).unwrap_err();
        if let (Some(file), "unknown-key" | "missing-key") = (as_json(&text), error.code()) {
            assert!(!of_crew.is_valid(&file), "{}: {error}", path.display());
            refused += 1;
        }
    }
    for path in toml_files("fixtures/rulebooks/invalid") {
        let text = std::fs::read_to_string(&path).unwrap();
        let checked = rulebook::check(&text, "x");
        let by_shape = ["unknown-key", "missing-key", "wrong-type", "unknown-choice"];
        let found = checked
            .findings
            .iter()
            .any(|own| by_shape.contains(&own.code));
        if let (Some(file), true) = (as_json(&text), found) {
            assert!(!of_rulebook.is_valid(&file), "{}", path.display());
            refused += 1;
        }
    }
    assert!(refused >= 14, "{refused}");
}
