//! What is known of features besides their shape: facts in the units of the rules, fringes, slopes and portfolios, and
//! how the classes follow from them.

use std::path::Path;

use blockwright::model::{Fact, Feature, LayerKind};
use blockwright::project;
use blockwright::sources::{self, Batch, ClassFound};
use serde_json::{Value, json};

const RULES: &str = r#"
title = "Rules of an invented district"
[block]
[block.retention_share]
value = "0 %"
status = "common practice"
source = "test"

[[line]]
id = "wide"
kind = "streams"
class = "W"
title = "Wide"
definition = "fish, wider than 3 m, gentle"
when = { fish = true, channel = "> 3 m", gradient = "<= 20 %" }
reserve = "30 m"
status = "common practice"
source = "test"

[[line]]
id = "narrow"
kind = "streams"
class = "N"
title = "Narrow"
definition = "fish, up to 3 m"
when = { fish = true, channel = "<= 3 m" }
reserve = "20 m"
status = "common practice"
source = "test"

[[line]]
id = "dry"
kind = "streams"
class = "D"
title = "Dry"
definition = "no fish, site I or II"
when = { fish = false, site = ["I", "II"] }
reserve = "5 m"
status = "common practice"
source = "test"
"#;

const STREAMS: &str = r#"
[layers.streams]
source = "streams.geojson"
id = "ID"
class = "CLASS"
facts = { fish = "FISH", channel = "WIDTH", gradient = ["GRADE", "GRADE_2"], site = ["SITE", { value = " II " }] }
fringe = "FRINGE"
"#;

fn collection(features: &[(Value, Value)]) -> String {
    let features: Vec<Value> = features
        .iter()
        .map(|(properties, geometry)| {
            json!({ "type": "Feature", "properties": properties, "geometry": geometry })
        })
        .collect();
    let crs = json!({ "type": "name", "properties": { "name": "urn:ogc:def:crs:EPSG::32616" } });
    json!({ "type": "FeatureCollection", "crs": crs, "features": features }).to_string()
}

fn square() -> Value {
    square_at(500_000.0)
}

fn square_at(x: f64) -> Value {
    let y = 5_000_000.0;
    let ring = [
        [x, y],
        [x + 100.0, y],
        [x + 100.0, y + 100.0],
        [x, y + 100.0],
        [x, y],
    ];
    json!({ "type": "Polygon", "coordinates": [ring] })
}

fn line() -> Value {
    json!({ "type": "LineString", "coordinates": [[500_000.0, 5_000_000.0], [500_100.0, 5_000_050.0]] })
}

fn read_with(folder: &Path, layers: &str, project_table: &str) -> Batch {
    std::fs::write(folder.join("rules.toml"), RULES).unwrap();
    let text = format!(
        "{project_table}\n[layers.blocks]\nsource = \"blocks.geojson\"\nid = \"ID\"\nportfolio = \"SEASON\"\n{layers}\n\
         [rules]\nrulebook = \"rules.toml\"\n"
    );
    let path = folder.join("project.toml");
    std::fs::write(&path, text).unwrap();
    let blocks = [
        (json!({ "ID": "a", "SEASON": 2026 }), square()),
        (json!({ "ID": "b", "SEASON": null }), square_at(500_200.0)),
    ];
    std::fs::write(folder.join("blocks.geojson"), collection(&blocks)).unwrap();
    let project = project::load(&path).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(project.warnings, Vec::<String>::new());
    sources::read(&project).unwrap_or_else(|error| panic!("{error}"))
}

fn streams(rows: &[Value], project_table: &str) -> Batch {
    let folder = tempfile::tempdir().unwrap();
    let features: Vec<(Value, Value)> = rows.iter().map(|row| (row.clone(), line())).collect();
    std::fs::write(folder.path().join("streams.geojson"), collection(&features)).unwrap();
    read_with(folder.path(), STREAMS, project_table)
}

fn stream(id: &str, keys: Value) -> Value {
    let mut row = json!({
        "ID": id, "CLASS": null, "FISH": null, "WIDTH": null, "GRADE": null, "GRADE_2": null, "SITE": null, "FRINGE": null
    });
    for (key, value) in keys.as_object().unwrap() {
        row[key] = value.clone();
    }
    row
}

fn found(batch: &Batch) -> Vec<&Feature> {
    let streams = batch.features.iter();
    streams.filter(|f| f.kind == LayerKind::Streams).collect()
}

fn number(batch: &Batch, id: &str, fact: &str) -> Option<f64> {
    let stream = batch.features.iter().find(|f| f.id == id).unwrap();
    match stream.facts.get(fact) {
        Some(Fact::Number(number)) => Some(*number),
        _ => None,
    }
}

#[test]
fn facts_keep_their_kind_and_take_the_units_of_the_rules() {
    let batch = streams(
        &[
            stream(
                "1",
                json!({ "FISH": true, "WIDTH": "12 ft", "GRADE": " 12 % ", "SITE": " I ", "FRINGE": "6 ft" }),
            ),
            stream("2", json!({ "FISH": false, "WIDTH": "2", "GRADE_2": 0.12 })),
        ],
        "",
    );
    assert_eq!(batch.problems.len(), 0, "{:?}", batch.problems);
    let found = found(&batch);
    assert!((number(&batch, "1", "channel").unwrap() - 3.6576).abs() < 1e-12);
    assert_eq!(number(&batch, "1", "gradient"), Some(0.12));
    assert!((found[0].fringe_m.unwrap() - 1.8288).abs() < 1e-12);
    let facts = |at: usize, name: &str| found[at].facts.get(name).cloned();
    assert_eq!(facts(0, "fish"), Some(Fact::Flag(true)));
    assert_eq!(facts(0, "site"), Some(Fact::Text("I".to_owned())));
    assert_eq!(facts(1, "fish"), Some(Fact::Flag(false)));
    assert_eq!(facts(1, "site"), Some(Fact::Text("II".to_owned())));
    assert_eq!(facts(1, "channel"), Some(Fact::Number(2.0)));
    assert_eq!(facts(1, "gradient"), Some(Fact::Number(0.12)));
    assert_eq!(found[1].fringe_m, None);
}

#[test]
fn bare_lengths_are_in_the_unit_of_the_project() {
    let rows = [stream(
        "1",
        json!({ "FISH": true, "WIDTH": 10, "FRINGE": 5 }),
    )];
    let batch = streams(&rows, "[project]\nunit = \"ft\"\n");
    assert!((number(&batch, "1", "channel").unwrap() - 3.048).abs() < 1e-12);
    assert!((found(&batch)[0].fringe_m.unwrap() - 1.524).abs() < 1e-12);
}

#[test]
fn each_class_says_how_it_was_found_and_what_is_missing() {
    let batch = streams(
        &[
            stream("given", json!({ "CLASS": "n" })),
            stream(
                "derived",
                json!({ "FISH": "yes", "WIDTH": 3.1, "GRADE": "20 %" }),
            ),
            stream("limit", json!({ "FISH": "Y", "WIDTH": 3 })),
            stream("dry", json!({ "FISH": 0 })),
            // No definition fits: the widest of all stands in.
            stream(
                "steep",
                json!({ "FISH": true, "WIDTH": 9, "GRADE": "30 %" }),
            ),
            stream("unknown", json!({})),
            stream("narrow", json!({ "WIDTH": 1 })),
            stream("foreign", json!({ "CLASS": "S9", "WIDTH": 2 })),
        ],
        "",
    );
    let layer = batch
        .layers
        .iter()
        .find(|layer| layer.role == "streams")
        .unwrap();
    let told: Vec<String> = layer
        .classes
        .iter()
        .map(|class| {
            let missing: Vec<String> = class
                .missing
                .iter()
                .map(|(name, count)| format!("{name} {count}"))
                .collect();
            format!(
                "{} {} {} [{}]",
                class.rule_id,
                class.features,
                class.found.key(),
                missing.join(", ")
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            "wide 1 derived []",
            "wide 2 assumed [channel 1, fish 1, gradient 1]",
            "narrow 1 given []",
            "narrow 1 derived []",
            "narrow 2 assumed [fish 2, gradient 2]",
            "dry 1 derived []",
        ]
    );
    let count: u64 = layer.classes.iter().map(|class| class.features).sum();
    assert_eq!(count, 8);
    let notes: Vec<String> = batch
        .problems
        .iter()
        .map(|problem| problem.to_string())
        .collect();
    insta::assert_snapshot!(notes.join("\n"));
    assert!(
        batch
            .layers
            .iter()
            .all(|layer| layer.role == "streams" || layer.classes.is_empty())
    );
    assert!(
        layer
            .classes
            .iter()
            .all(|class| class.found != ClassFound::NoRule)
    );
}

#[test]
fn facts_that_can_be_read_in_two_ways_are_told_and_not_used() {
    let batch = streams(
        &[
            stream("1", json!({ "WIDTH": "wide" })),
            stream("2", json!({ "WIDTH": "-1" })),
            stream("3", json!({ "WIDTH": "3 chains" })),
            stream("4", json!({ "GRADE": "20" })),
            stream("5", json!({ "GRADE": "steep" })),
            stream("6", json!({ "GRADE_2": 20 })),
            stream("7", json!({ "FRINGE": "two" })),
        ],
        "",
    );
    let told: Vec<String> = batch
        .problems
        .iter()
        .filter(|problem| problem.code.key() == "bad-number")
        .map(|problem| problem.to_string())
        .collect();
    assert_eq!(told.len(), 7);
    insta::assert_snapshot!(told.join("\n"));
    for id in ["1", "2", "3"] {
        assert_eq!(number(&batch, id, "channel"), None);
    }
    for id in ["4", "5", "6"] {
        assert_eq!(number(&batch, id, "gradient"), None);
    }
}

#[test]
fn a_field_that_is_not_there_is_named_with_its_fact() {
    let folder = tempfile::tempdir().unwrap();
    let rows = [(json!({ "ID": "1", "FISH_YN": "Y" }), line())];
    std::fs::write(folder.path().join("streams.geojson"), collection(&rows)).unwrap();
    std::fs::write(folder.path().join("rules.toml"), RULES).unwrap();
    std::fs::write(
        folder.path().join("blocks.geojson"),
        collection(&[(json!({ "ID": "a" }), square())]),
    )
    .unwrap();
    let text = "[layers.blocks]\nsource = \"blocks.geojson\"\n[layers.streams]\nsource = \"streams.geojson\"\nfacts = { fish = \"FISH\" }\n[rules]\nrulebook = \"rules.toml\"\n";
    let project = project::parse(text, &folder.path().join("project.toml")).unwrap();
    let error = sources::read(&project).unwrap_err();
    assert_eq!(error.code(), "missing-attribute");
    assert!(
        error
            .to_string()
            .ends_with("write `facts.fish = \"FISH_YN\"` under [layers.streams]"),
        "{error}"
    );
}

#[test]
fn slope_classes_are_as_steep_as_their_upper_end() {
    let folder = tempfile::tempdir().unwrap();
    let classes = ["0-15", "15-30 %", "> 50", "VI", "n/a", "> 30"];
    let rows: Vec<(Value, Value)> = classes
        .iter()
        .map(|class| (json!({ "CLASS": class }), square()))
        .chain([(json!({ "CLASS": null }), square())])
        .collect();
    std::fs::write(folder.path().join("slopes.geojson"), collection(&rows)).unwrap();
    let layers = "[layers.slope_classes]\nsource = \"slopes.geojson\"\nid = \"CLASS\"\nslope = \"CLASS\"\nslope_map = { VI = \"70 %\", \"> 50\" = 80 }\n";
    let batch = read_with(folder.path(), layers, "");
    let slopes: Vec<Option<f64>> = batch.features.iter().map(|feature| feature.slope).collect();
    assert_eq!(
        slopes,
        [
            Some(0.15),
            Some(0.30),
            Some(0.80),
            Some(0.70),
            None,
            None,
            None
        ]
    );
    let told: Vec<String> = batch
        .problems
        .iter()
        .map(|problem| problem.to_string())
        .collect();
    insta::assert_snapshot!(told.join("\n"));
}

#[test]
fn portfolios_and_the_rulebook_are_read() {
    let folder = tempfile::tempdir().unwrap();
    let batch = read_with(folder.path(), "", "");
    let portfolios: Vec<Option<&str>> = batch
        .blocks
        .iter()
        .map(|b| b.portfolio.as_deref())
        .collect();
    assert_eq!(portfolios, [Some("2026"), None]);
    let file = batch.inputs.last().unwrap();
    assert_eq!(
        (file.source.as_str(), file.bytes),
        ("rules.toml", RULES.len() as u64)
    );
    assert_eq!(file.sha256.len(), 64);
}
