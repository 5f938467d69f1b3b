//! Notes taken in the field: what each kind becomes, whose edge moves, and that nothing is lost or changed elsewhere.

use crate::run_binary;

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;

use blockwright::sources::crs::WorkCrs;
use gdal::Dataset;
use gdal::vector::{Geometry, LayerAccess};
use geo::{Coord, Distance, Euclidean};
use run_binary::{
    UTM, collection, feature, files, polygon, rectangle, run, small_project, table, write,
};

/// Longitude and latitude of a place, metres from the small project's own.
fn degrees(x: f64, y: f64) -> Coord {
    let work = WorkCrs::new("EPSG:32616").unwrap();
    let at = Coord {
        x: 500_000.0 + x,
        y: 5_400_000.0 + y,
    };
    work.degrees(at).unwrap()
}

/// A waypoint; `more` stands behind its place.
fn waypoint(x: f64, y: f64, more: &str) -> String {
    let at = degrees(x, y);
    format!(
        "<wpt lat=\"{:.9}\" lon=\"{:.9}\">{more}</wpt>\n",
        at.y, at.x
    )
}

fn track(name: &str, places: &[(f64, f64)]) -> String {
    let mut fixes = String::new();
    for (x, y) in places {
        let at = degrees(*x, *y);
        write!(fixes, "<trkpt lat=\"{:.9}\" lon=\"{:.9}\"/>", at.y, at.x).unwrap();
    }
    format!("<trk><name>{name}</name><trkseg>{fixes}</trkseg></trk>\n")
}

fn gpx(inner: &[String]) -> String {
    format!(
        "<?xml version=\"1.0\"?>\n<gpx version=\"1.1\" creator=\"receiver\" \
         xmlns=\"http://www.topografix.com/GPX/1/1\">\n{}</gpx>\n",
        inner.concat()
    )
}

fn lay_out(folder: &Path, out: &str, more: &[&str]) -> run_binary::Ended {
    let arguments = [&["layout", "project.toml", "--out", out][..], more].concat();
    run(folder, &arguments)
}

/// Rows of a layer of a layout: text of each attribute by name, and the shape.
fn rows(folder: &Path, layer: &str) -> Vec<(std::collections::BTreeMap<String, String>, Geometry)> {
    let data = Dataset::open(folder.join("layout.gpkg")).unwrap();
    let mut layer = data.layer_by_name(layer).unwrap();
    let names: Vec<String> = layer.defn().fields().map(|field| field.name()).collect();
    let read = layer.features().map(|feature| {
        let values = names.iter().enumerate().map(|(at, name)| {
            let text = feature.field_as_string(at).unwrap().unwrap_or_default();
            (name.clone(), text)
        });
        (values.collect(), feature.geometry().unwrap().clone())
    });
    read.collect()
}

fn json(folder: &Path) -> serde_json::Value {
    serde_json::from_slice(&std::fs::read(folder.join("run.json")).unwrap()).unwrap()
}

fn gross_ha(folder: &Path, block: &str) -> f64 {
    let rows = table(&folder.join("blocks.csv"));
    let row = rows.iter().find(|row| row["block_id"] == block).unwrap();
    row["gross_ha"].parse().unwrap()
}

fn point(x: f64, y: f64) -> Geometry {
    Geometry::from_wkt(&format!("POINT ({} {})", 500_000.0 + x, 5_400_000.0 + y)).unwrap()
}

/// By code that the program does not measure with.
fn apart(a: &Geometry, b: &Geometry) -> f64 {
    let [a, b] = [a, b].map(|shape| shape.to_geo().unwrap());
    Euclidean.distance(&a, &b)
}

const TIME: &str = "<time>2031-02-03T15:04:05Z</time>";

#[test]
fn each_kind_becomes_what_it_says_and_nothing_is_dropped() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let notes = gpx(&[
        waypoint(
            150.0,
            120.0,
            &format!("{TIME}<name>N-1</name><sym>Nest</sym>"),
        ),
        waypoint(40.0, 60.0, "<name>Arbre 7</name><sym>Flag, Blue</sym>"),
        waypoint(250.0, 40.0, "<name>Soft 2</name>"),
        waypoint(20.0, 180.0, "<name>W</name><type>Wet</type>"),
        waypoint(280.0, 150.0, "<name>H</name><sym>Hazard</sym>"),
        waypoint(100.0, 30.0, "<name>a feather</name><sym>Feather</sym>"),
        waypoint(9000.0, 30.0, "<name>N-2</name><sym>Nest</sym>"),
    ]);
    write(folder, "notes.gpx", &notes);
    let ended = lay_out(folder, "out", &["--notes", "notes.gpx"]);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    for told in [
        "7 notes: 6 used, 0 listed, 1 unknown, 0 refused",
        "`Feather`, `a feather`",
    ] {
        assert!(ended.stderr.contains(told), "{told}: {}", ended.stderr);
    }
    let out = folder.join("out");
    // Cut no nearer than the radius, on the strips as they were written.
    let near = |x, y| {
        let place = point(x, y);
        let strips = rows(&out, "strips");
        let distances = strips.iter().map(|(_, shape)| apart(shape, &place));
        distances.fold(f64::INFINITY, f64::min)
    };
    // Metres of the ground: the grid makes them shorter on its middle meridian.
    let [nest, tree, wet] = [near(150.0, 120.0), near(40.0, 60.0), near(20.0, 180.0)]
        .map(|distance: f64| distance / 0.9996);
    assert!((60.0 - 1e-3..61.0).contains(&nest), "{nest}");
    assert!((3.0 - 1e-3..3.5).contains(&tree), "{tree}");
    assert!(wet >= 15.0 - 1e-3, "{wet}");
    let noted = rows(&out, "notes");
    // A hazard near the edge is told to the block beside it, too.
    let ids: BTreeSet<&String> = noted.iter().map(|(row, _)| &row["note_id"]).collect();
    assert_eq!(ids.len(), 7);
    let of = |id: &str| {
        &noted
            .iter()
            .find(|(row, _)| row["note_id"] == id)
            .unwrap()
            .0
    };
    let row = of("N-1");
    assert_eq!(
        [&row["kind"], &row["layer"], &row["date"], &row["fate"]],
        ["nest", "retain", "2031-02-03T15:04:05Z", "used"]
    );
    assert_eq!((&*row["accuracy_m"], &*row["block_id"]), ("", "A-1"));
    assert_eq!(of("N-2")["block_id"], "");
    assert_eq!(of("a feather")["fate"], "unknown");
    let zones = rows(&out, "zones");
    let of_notes = zones
        .iter()
        .filter(|(row, _)| row["source_layer"] == "field note notes.gpx:waypoints");
    assert!(of_notes.count() >= 3);
    let sections = rows(&out, "sections");
    let reason = |place: Geometry, reason: &str| {
        let mut here = sections
            .iter()
            .filter(|(_, shape)| apart(shape, &place) < 10.0);
        here.all(|(row, _)| row["reasons"].contains(reason))
    };
    assert!(reason(point(250.0, 40.0), "soft_ground"));
    assert!(reason(point(280.0, 150.0), "hazard"));
    let findings = rows(&out, "findings");
    let finding = |rule: &str, with: &str| {
        let mut all = findings.iter();
        all.any(|(row, _)| row["rule_id"] == rule && row["message"].contains(with))
    };
    assert!(finding(
        "field-note",
        "nest `N-1` of 2031-02-03T15:04:05Z: 60 m around it"
    ));
    assert!(finding("field-note", "how far off it may be is not known"));
    assert!(finding("unknown-note", "`Feather`"));
    let set_aside = table(&out.join("set_aside.csv"));
    let code = |code: &str| set_aside.iter().filter(|row| row["reason"] == code).count();
    assert_eq!((code("unknown-note"), code("outside-blocks")), (1, 1));
    let notes = json(&out)["notes"].as_array().unwrap().clone();
    assert_eq!(notes.len(), 7);
    assert_eq!(notes[0]["blocks"], serde_json::json!(["A-1"]));
    let svg = std::fs::read_to_string(out.join("maps/A-1.svg")).unwrap();
    assert!(svg.contains(">Field note<") && svg.contains(">nest<"));
    let kml = std::fs::read_to_string(out.join("exchange/kml/A-1.kml")).unwrap();
    assert!(kml.contains("nest N-1"));
    let inspected = run(folder, &["inspect", "project.toml"]);
    assert!(!inspected.stdout.contains("N-1"), "only by the project");
}

/// A line of wires that no layer has: what nobody knows of it takes the widest limit, 6 m, and a tree's height more.
#[test]
fn wires_that_somebody_noted_are_kept_off_as_a_power_line() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let notes = gpx(&[track("Power line", &[(-20.0, 150.0), (320.0, 150.0)])]);
    write(folder, "notes.gpx", &notes);
    let ended = lay_out(folder, "out", &["--notes", "notes.gpx"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    let out = folder.join("out");
    let wires = "LINESTRING (499980 5400150, 500320 5400150)";
    let wires = Geometry::from_wkt(wires).unwrap();
    let strips = rows(&out, "strips");
    let near = strips.iter().map(|(_, shape)| apart(shape, &wires));
    let near = near.fold(f64::INFINITY, f64::min) / 0.9996;
    // 60 m stand in for trees of unknown height.
    assert!((66.0 - 1e-3..67.0).contains(&near), "{near}");
    let told = rows(&out, "findings");
    let told = told
        .iter()
        .filter(|(row, _)| row["rule_id"] == "power-line-limit");
    assert!(
        told.into_iter()
            .any(|(row, _)| row["message"].contains("its voltage is not known"))
    );
}

#[test]
fn a_block_without_news_keeps_every_byte() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    write(
        folder,
        "notes.gpx",
        &gpx(&[waypoint(150.0, 120.0, "<name>Nest 1</name>")]),
    );
    lay_out(folder, "before", &["-q"]);
    lay_out(folder, "after", &["-q", "--notes", "notes.gpx"]);
    let (before, after) = (files(&folder.join("before")), files(&folder.join("after")));
    for kept in [
        "maps/A-2.svg",
        "sheets/A-2.pdf",
        "exchange/kml/A-2.kml",
        "exchange/gpx/A-2.gpx",
        "report/data/blocks/A-2.js",
    ] {
        assert!(before[kept] == after[kept], "{kept}");
    }
    for changed in ["maps/A-1.svg", "sheets/A-1.pdf"] {
        assert!(before[changed] != after[changed], "{changed}");
    }
}

#[test]
fn a_table_of_the_project_says_what_notes_become() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let table = "\n[notes]\nfile = [\"n.geojson\", \"n.kml\"]\naccuracy_column = \"ACC\"\nhdop = \"4 m\"\n\
                 [notes.kinds]\nNest = { layer = \"protected\", radius = \"100 ft\" }\n\
                 Bear = { layer = \"retain\", class = \"den\", radius = \"20 m\", accuracy = \"6 m\", counts = true }\n\
                 Lunch = { layer = \"none\" }\n";
    write(folder, "project.toml", &format!("{project}{table}"));
    let at = |x: f64, y: f64| {
        format!(
            r#"{{"type": "Point", "coordinates": [{}, {}]}}"#,
            500_000.0 + x,
            5_400_000.0 + y
        )
    };
    let notes = [
        feature(
            r#"{"name": "a", "kind": "Nest", "ACC": 5}"#,
            &at(150.0, 120.0),
        ),
        feature(
            r#"{"name": "b", "kind": "Bear", "hdop": 1.5}"#,
            &at(60.0, 60.0),
        ),
        feature(r#"{"name": "c", "kind": "bear"}"#, &at(250.0, 60.0)),
        feature(r#"{"name": "d", "kind": "Lunch"}"#, &at(30.0, 30.0)),
        feature(
            r#"{"name": "e", "kind": "soft", "date": "2031-02-04"}"#,
            &rectangle(200.0, 150.0, 240.0, 190.0),
        ),
    ];
    write(folder, "n.geojson", &collection(UTM, &notes));
    let place = degrees(500.0, 150.0);
    let kml = format!(
        "<?xml version=\"1.0\"?><kml xmlns=\"http://www.opengis.net/kml/2.2\"><Document><Folder><name>F</name>\
         <Placemark><name>Tree 4</name><Point><coordinates>{:.9},{:.9}</coordinates></Point></Placemark>\
         </Folder></Document></kml>",
        place.x, place.y
    );
    write(folder, "n.kml", &kml);
    let ended = lay_out(folder, "out", &[]);
    assert!(
        ended
            .stderr
            .contains("6 notes: 5 used, 1 listed, 0 unknown, 0 refused"),
        "{}",
        ended.stderr
    );
    let out = folder.join("out");
    let noted = rows(&out, "notes");
    let of = |id: &str| {
        &noted
            .iter()
            .find(|(row, _)| row["note_id"] == id)
            .unwrap()
            .0
    };
    let accuracy = |id: &str| of(id)["accuracy_m"].parse::<f64>().ok();
    assert_eq!(
        ["a", "b", "c", "e"].map(accuracy),
        [Some(5.0), Some(6.0), Some(6.0), None]
    );
    assert_eq!(
        (&*of("e")["date"], &*of("d")["layer"]),
        ("2031-02-04", "none")
    );
    assert_eq!(of("Tree 4")["block_id"], "A-2");
    let strips = rows(&out, "strips");
    let near = |x, y| {
        let place = point(x, y);
        let distances = strips.iter().map(|(_, shape)| apart(shape, &place));
        distances.fold(f64::INFINITY, f64::min) / 0.9996
    };
    // The radius and what the note may be off.
    assert!(near(150.0, 120.0) >= 100.0 * 0.3048 + 5.0 - 1e-3);
    assert!((26.0 - 1e-3..27.0).contains(&near(60.0, 60.0)));
    let blocks = self::table(&out.join("blocks.csv"));
    let block = blocks.iter().find(|row| row["block_id"] == "A-1").unwrap();
    let counted_ha: f64 = block["counted_ha"].parse().unwrap();
    // Two circles of 26 m, which lie wholly in the block.
    let two_ha = 2.0 * std::f64::consts::PI * 0.26 * 0.26;
    assert!(
        (counted_ha / two_ha - 1.0).abs() < 0.02,
        "{counted_ha} {two_ha}"
    );
    let inspected = run(folder, &["inspect", "project.toml"]);
    assert!(
        inspected.stdout.contains("note         Lunch `d`"),
        "{}",
        inspected.stdout
    );
}

#[test]
fn a_moved_corner_takes_ground_and_adds_none_unless_it_may() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let corner = |x, y| {
        gpx(&[waypoint(
            x,
            y,
            "<name>C</name><sym>Corner</sym><hdop>1</hdop>",
        )])
    };
    write(folder, "in.gpx", &corner(290.0, 190.0));
    write(folder, "out.gpx", &corner(310.0, 215.0));
    lay_out(folder, "plain", &["-q"]);
    lay_out(folder, "in", &["-q", "--notes", "in.gpx"]);
    let finding = |out: &str| {
        let findings = rows(&folder.join(out), "findings");
        let of = findings
            .into_iter()
            .find(|(row, _)| row["rule_id"] == "block-edge");
        of.unwrap()
    };
    // By hand: the quadrilateral (0, 0), (300, 0), (290, 190), (0, 200).
    let scale = gross_ha(&folder.join("plain"), "A-1") / 6.0;
    let inner_ha = gross_ha(&folder.join("in"), "A-1") / scale;
    assert!((inner_ha - 5.75).abs() < 1e-4, "{inner_ha}");
    let (row, shape) = finding("in");
    assert_eq!(row["status"], "warn");
    assert!(
        row["message"].contains("block A-1 gains 0.00 ha and loses 0.25 ha"),
        "{}",
        row["message"]
    );
    assert!((shape.area() - 2_500.0).abs() < 1.0, "{}", shape.area());
    lay_out(folder, "out", &["-q", "--notes", "out.gpx"]);
    assert_eq!(
        gross_ha(&folder.join("out"), "A-1"),
        gross_ha(&folder.join("plain"), "A-1")
    );
    assert!(finding("out").0["message"].contains("0.33 ha that it would add are not taken"));
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let may = "\n[notes]\ncorners_may_add = true\nhdop = \"2 m\"\n";
    write(folder, "project.toml", &format!("{project}{may}"));
    lay_out(folder, "may", &["-q", "--notes", "out.gpx"]);
    let outer_ha = gross_ha(&folder.join("may"), "A-1") / scale;
    assert!((outer_ha - 6.325).abs() < 1e-4, "{outer_ha}");
    // Of a note that does not say how far off it is, nothing is added.
    write(
        folder,
        "out.gpx",
        &corner(310.0, 215.0).replace("<hdop>1</hdop>", ""),
    );
    lay_out(folder, "unsure", &["-q", "--notes", "out.gpx"]);
    assert!((gross_ha(&folder.join("unsure"), "A-1") / scale - 6.0).abs() < 1e-9);
}

#[test]
fn corners_that_nobody_can_tell_are_not_moved() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let narrow = feature(r#"{"BLOCK": "A-3"}"#, &rectangle(700.0, 0.0, 725.0, 300.0));
    let blocks = std::fs::read_to_string(folder.join("blocks.geojson")).unwrap();
    let blocks = blocks.replace("\n]}", &format!(",\n{narrow}\n]}}"));
    write(folder, "blocks.geojson", &blocks);
    let corner =
        |x, y, name: &str| waypoint(x, y, &format!("<name>{name}</name><sym>Corner</sym>"));
    let notes = gpx(&[
        corner(150.0, 100.0, "far"),
        corner(712.0, 290.0, "two"),
        corner(302.0, 195.0, "one"),
        corner(298.0, 205.0, "again"),
    ]);
    write(folder, "notes.gpx", &notes);
    let ended = lay_out(folder, "out", &["--notes", "notes.gpx"]);
    assert_eq!(ended.code, 3);
    for why in [
        "no corner of a block lies within 30 m of it (the nearest, of block A-1, is 180.3 m off)",
        "two corners lie within 30 m of it, of block A-3 at 15.6 m and of block A-3 at 16.4 m",
        "another note moves the same corner",
    ] {
        assert!(ended.stderr.contains(why), "{why}: {}", ended.stderr);
    }
    lay_out(folder, "plain", &["-q"]);
    for block in ["A-1", "A-3"] {
        let ha = |out: &str| gross_ha(&folder.join(out), block);
        assert_eq!(ha("out"), ha("plain"));
    }
    let refused = rows(&folder.join("out"), "findings");
    let refused = refused
        .iter()
        .filter(|(row, _)| row["rule_id"] == "refused-note");
    assert!(refused.count() >= 3);
}

#[test]
fn beyond_a_line_of_stumps_all_is_cut_and_beyond_a_block_line_nothing_is_the_block() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let line = |name: &str| {
        gpx(&[track(
            name,
            &[(240.0, 190.0), (245.0, 100.0), (240.0, -5.0)],
        )])
    };
    write(folder, "stumps.gpx", &line("Stump line"));
    write(folder, "edge.gpx", &line("Block line"));
    write(
        folder,
        "half.gpx",
        &gpx(&[track("Stump line", &[(150.0, -5.0), (150.0, 205.0)])]),
    );
    lay_out(folder, "plain", &["-q"]);
    lay_out(folder, "stumps", &["-q", "--notes", "stumps.gpx"]);
    lay_out(folder, "edge", &["-q", "--notes", "edge.gpx"]);
    // By hand: 60 m by 200 m less two triangles of 5 m; the line is led on to the nearest edge, straight up.
    let beyond_m2 = 60.0 * 200.0 - 0.5 * 5.0 * 90.0 - 0.5 * 5.0 * 100.0;
    let unworked = rows(&folder.join("stumps"), "unworked");
    let cut = unworked
        .iter()
        .filter(|(row, _)| row["reason"] == "cut_before");
    let cut_m2: f64 = cut.map(|(_, shape)| shape.area()).sum();
    assert!(
        (cut_m2 / beyond_m2 - 1.0).abs() < 0.03,
        "{cut_m2} {beyond_m2}"
    );
    assert_eq!(
        gross_ha(&folder.join("stumps"), "A-1"),
        gross_ha(&folder.join("plain"), "A-1")
    );
    let lost_m2 =
        1e4 * (gross_ha(&folder.join("plain"), "A-1") - gross_ha(&folder.join("edge"), "A-1"));
    assert!(
        (lost_m2 / beyond_m2 - 1.0).abs() < 0.01,
        "{lost_m2} {beyond_m2}"
    );
    // Strips keep their names where all that is new is cut ground.
    let places = |out: &str| {
        let strips = rows(&folder.join(out), "strips");
        let id = |row: &std::collections::BTreeMap<String, String>| {
            [
                &row["block_id"],
                &row["part"],
                &row["strip_no"],
                &row["piece"],
            ]
            .map(String::clone)
        };
        let each = strips.into_iter().map(|(row, shape)| (id(&row), shape));
        each.collect::<Vec<_>>()
    };
    let before = places("plain");
    for (id, shape) in places("stumps") {
        let mut same = before.iter().filter(|(own, _)| *own == id);
        assert!(
            same.any(|(_, own)| own.buffer(0.01, 4).unwrap().contains(&shape)),
            "{id:?}"
        );
    }
    let ended = lay_out(folder, "half", &["--notes", "half.gpx"]);
    assert!(
        ended.stderr.contains("nobody can tell which side is meant"),
        "{}",
        ended.stderr
    );
}

#[test]
fn shares_and_single_blocks_know_the_notes() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let notes = gpx(&[
        waypoint(150.0, 120.0, "<name>Nest 1</name>"),
        waypoint(590.0, 290.0, "<name>Corner</name>"),
        waypoint(100.0, 30.0, "<name>odd</name>"),
    ]);
    write(folder, "notes.gpx", &notes);
    let more = ["-q", "--notes", "notes.gpx"];
    lay_out(folder, "whole", &more);
    for (out, share) in [("one", "1/2"), ("two", "2/2")] {
        let ended = lay_out(folder, out, &[&more[..], &["--share", share]].concat());
        assert_eq!(ended.code, 0, "{}", ended.stderr);
    }
    let gather = [
        "gather",
        "one",
        "two",
        "--out",
        "joined",
        "--notes",
        "notes.gpx",
        "-q",
    ];
    let ended = run(folder, &gather);
    assert_eq!(ended.code, 3, "{}", ended.stderr);
    let same = |name: &String| !["run.json", "SHA256SUMS"].contains(&&**name);
    let (whole, joined) = (files(&folder.join("whole")), files(&folder.join("joined")));
    for (name, bytes) in whole.iter().filter(|(name, _)| same(name)) {
        assert!(joined[name] == *bytes, "{name}");
    }
    let without = run(folder, &["gather", "one", "two", "--out", "other", "-q"]);
    assert_eq!(without.code, 2, "{}", without.stderr);
    lay_out(folder, "only", &[&more[..], &["--only", "A-2"]].concat());
    let only = files(&folder.join("only"));
    for name in ["maps/A-2.svg", "sheets/A-2.pdf"] {
        assert!(only[name] == whole[name], "{name}");
    }
}

#[test]
fn files_of_notes_that_cannot_be_read_are_refused_with_a_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    write(folder, "broken.gpx", "<gpx><wpt lat=\"1\"");
    write(folder, "broken.kml", "<kml><Placemark>");
    write(folder, "notes.txt", "nest at the bend");
    let bare = feature(
        r#"{"kind": "Nest"}"#,
        &polygon(&[(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 0.0)]),
    );
    write(folder, "bare.geojson", &collection(UTM, &[bare]));
    for (file, told) in [
        ("none.gpx", "there is no such file"),
        ("broken.gpx", "broken.gpx (notes)"),
        ("broken.kml", "broken.kml (notes)"),
        ("notes.txt", "these formats are read: GPX, KML"),
    ] {
        let ended = lay_out(folder, "out", &["-q", "--notes", file]);
        assert_eq!(ended.code, 2, "{file}: {}", ended.stderr);
        assert!(ended.stderr.contains(told), "{file}: {}", ended.stderr);
        assert!(!folder.join("out").exists(), "{file}");
    }
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let with = |table: &str| write(folder, "project.toml", &format!("{project}\n{table}"));
    for (table, told) in [
        (
            "[notes]\nkind_column = \"SORT\"\n",
            "no layer has the attribute `SORT`",
        ),
        (
            "[notes.kinds]\nNest = { layer = \"nests\" }\n",
            "is not a choice for `notes.kinds.Nest.layer`",
        ),
        (
            "[notes.kinds]\nBog = { layer = \"wetlands\" }\n",
            "`notes.kinds.Bog.radius` is missing",
        ),
        (
            "[notes.kinds]\nPost = { layer = \"block_corner\", radius = \"3 m\" }\n",
            "remove `radius`",
        ),
        (
            "[notes.kinds]\nBog = { layer = \"soft_ground\", radius = \"3 m\", counts = true }\n",
            "remove `counts`",
        ),
        ("[notes]\ncorner_within = \"500 m\"\n", "must lie between"),
    ] {
        with(table);
        let ended = lay_out(folder, "out", &["-q", "--notes", "bare.geojson"]);
        assert_eq!(ended.code, 2, "{table}: {}", ended.stderr);
        assert!(ended.stderr.contains(told), "{table}: {}", ended.stderr);
    }
}

#[test]
fn maps_say_notes_in_french() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let french = "\n[outputs]\nlanguage = \"fr\"\n";
    write(folder, "project.toml", &format!("{project}{french}"));
    write(
        folder,
        "notes.gpx",
        &gpx(&[waypoint(150.0, 120.0, "<name>Nid 1</name>")]),
    );
    lay_out(folder, "out", &["-q", "--notes", "notes.gpx"]);
    let svg = std::fs::read_to_string(folder.join("out/maps/A-1.svg")).unwrap();
    assert!(svg.contains("Note de terrain") && svg.contains(">nid<"));
}

/// A circle of 60 m about the nest that nobody knew of when the plan was made is cut by it.
#[test]
fn audits_and_comparisons_hold_what_is_cut_against_notes() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    small_project(folder);
    let notes = gpx(&[waypoint(150.0, 120.0, "<name>Nest 1</name>")]);
    write(folder, "notes.gpx", &notes);
    assert_eq!(lay_out(folder, "plan", &["-q"]).code, 0);
    let audit = ["audit", "project.toml", "--plan", "plan/layout.gpkg", "-q"];
    let failed = |out: &str, more: &[&str]| -> Vec<String> {
        let ended = run(folder, &[&audit[..], &["--out", out], more].concat());
        assert!(
            matches!(ended.code, 0 | 3),
            "{} {}",
            ended.code,
            ended.stderr
        );
        let rows = table(&folder.join(out).join("compliance.csv"));
        let failed = rows.into_iter().filter(|row| row["status"] == "fail");
        failed.map(|row| row["rule_id"].clone()).collect()
    };
    assert!(failed("without", &[]).is_empty());
    let found = failed("with", &["--notes", "notes.gpx"]);
    assert!(
        found.contains(&"reserve:retain-any".to_owned()),
        "{found:?}"
    );
    let kept = |more: &[&str]| {
        let ended = run(
            folder,
            &[&["layout", "project.toml", "--compare", "--json"], more].concat(),
        );
        let rows: serde_json::Value = serde_json::from_str(&ended.stdout).unwrap();
        rows.to_string()
    };
    assert_ne!(kept(&[]), kept(&["--notes", "notes.gpx"]));
}
