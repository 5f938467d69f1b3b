//! Ids, names and texts of attributes on their way into file names, tables, pages, drawings and the terminal.
//!
//! All ids are laid out in one run with every output there is, and dispatched; each row then looks at its own.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::sync::OnceLock;

use blockwright::outputs::FileNames;

use super::folders::CREW;
use super::run_binary::{PROJECT, UTM, collection, feature, files, rectangle, write};
use super::{bounded, steers};

/// How each is called in the document, and the id.
pub const IDS: [(&str, &str); 36] = [
    ("a way up", "../../evil"),
    ("a way up, as another system writes it", "..\\..\\evil"),
    ("a whole path", "/etc/passwd"),
    ("a drive", "C:evil"),
    ("the folder above", ".."),
    ("the folder itself", "."),
    ("a device", "CON"),
    ("a device in small letters", "nul"),
    ("a device with an ending", "COM1.txt"),
    ("a point at the end", "B."),
    ("300 characters", LONG),
    ("300 others that begin alike", LONG_TOO),
    ("an id", "b-7"),
    ("that id in other letters", "B-7"),
    ("an option", "--out"),
    ("a line feed", "B\nC"),
    ("a carriage return and line feed", "B\r\nC"),
    ("an escape sequence", "\u{1b}[2J\u{1b}]0;evil\u{7}"),
    ("one of a single sign", "\u{9b}31mB"),
    (
        "a mark that turns the reading around",
        "evil\u{202e}gpj.exe",
    ),
    ("letters of another script", "林班七"),
    ("an accent as a sign of its own", "e\u{301}"),
    ("the same accent on its letter", "\u{e9}"),
    ("a script", "<script>alert(1)</script>"),
    ("the end of a script", "</script><svg onload=alert(1)>"),
    ("the end of an attribute", "\"><img src=x onerror=alert(1)>"),
    ("the end of a CDATA section", "]]><b>&amp;"),
    ("a formula", "=HYPERLINK(\"http://127.0.0.1\")"),
    ("a formula with a call", "@SUM(1+9)*cmd|' /C calc'!A0"),
    ("a formula after a separator", "B;=1+9"),
    ("a formula after a tab", "B\t=1+9"),
    ("a number with a sign", "+1"),
    ("a number below zero", "-1"),
    ("the end of a text of PDF", "B) Tj ET BT (C"),
    ("the end of an event", "B\\nEND:VEVENT\\nBEGIN:VEVENT"),
    ("placeholders", "{} %s %n {0}"),
];

const LONG: &str = match std::str::from_utf8(&[b'x'; 300]) {
    Ok(text) => text,
    Err(_) => "",
};
const LONG_TOO: &str = {
    const BYTES: [u8; 300] = {
        let mut bytes = [b'x'; 300];
        bytes[299] = b'y';
        bytes
    };
    match std::str::from_utf8(&BYTES) {
        Ok(text) => text,
        Err(_) => "",
    }
};
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];
const EVERYTHING: &str =
    "\n[outputs]\nexchange = [\"gpx\", \"kml\", \"kmz\", \"geojson\", \"shapefile\", \"dxf\"]\n";
const STREAMS: &str = "\n[layers.streams]\nsource = 's<img src=x onerror=alert(3)>.geojson'\nid = \"S\"\nclass = \"C\"\n\n\
                       [layers.hazards]\nsource = '=1+9.geojson'\nid = \"S\"\nclass = \"C\"\n";

struct Done {
    folder: PathBuf,
    files: BTreeMap<String, Vec<u8>>,
    said: String,
}

/// The one run.
fn done() -> &'static Done {
    static DONE: OnceLock<Done> = OnceLock::new();
    DONE.get_or_init(|| {
        let made = crate::once::folder();
        let folder = made.as_path();
        let blocks: Vec<String> = (0u32..)
            .zip(IDS)
            .map(|(at, (_, id))| {
                let (x, y) = (f64::from(at % 6) * 200.0, f64::from(at / 6) * 200.0);
                let id = serde_json::json!({ "BLOCK": id }).to_string();
                feature(&id, &rectangle(x, y, x + 120.0, y + 120.0))
            })
            .collect();
        write(folder, "blocks.geojson", &collection(UTM, &blocks));
        let id =
            r#"{"S": "=2+9;<script>alert(2)</script>\u001b[2J", "C": "\"><svg onload=alert(2)>"}"#;
        let line =
            r#"{"type": "LineString", "coordinates": [[499900, 5400060], [501500, 5400070]]}"#;
        let point =
            r#"{"type": "LineString", "coordinates": [[500050, 5400050], [500060, 5400060]]}"#;
        write(
            folder,
            "s<img src=x onerror=alert(3)>.geojson",
            &collection(UTM, &[feature(id, line)]),
        );
        write(
            folder,
            "=1+9.geojson",
            &collection(UTM, &[feature(id, point)]),
        );
        let project = PROJECT.replace("\"bare\"", "\"bc-fppr\"");
        let project = project.replace("\"small\"", "'</title><script>alert(4)</script>'");
        write(
            folder,
            "project.toml",
            &format!("{project}{STREAMS}{EVERYTHING}"),
        );
        write(
            folder,
            "crew.toml",
            &CREW.replace("feller 1", "../<script>alert(5)</script>;=5+9"),
        );
        let laid = bounded(folder, &["layout", "project.toml", "--out", "out"], &[]);
        assert!(matches!(laid.code, 0 | 3), "{}", laid.stderr);
        let dispatch = [
            "dispatch",
            "out",
            "--crew",
            "crew.toml",
            "--from",
            "2026-12-01",
            "--days",
            "40",
            "--out",
            "shifts",
        ];
        let shifts = bounded(folder, &dispatch, &[]);
        assert!(matches!(shifts.code, 0 | 3), "{}", shifts.stderr);
        let plan = [
            "audit",
            "project.toml",
            "--plan",
            "out/layout.gpkg",
            "--field-check",
            "--out",
            "audit",
        ];
        let audit = bounded(folder, &plan, &[]);
        assert!(matches!(audit.code, 0 | 3), "{}", audit.stderr);
        let json = bounded(folder, &["inspect", "project.toml", "--json"], &[]);
        let unknown = bounded(
            folder,
            &[
                "layout",
                "project.toml",
                "--out",
                "none",
                "--only",
                "\u{1b}[2J\u{202e}",
            ],
            &[],
        );
        assert_eq!(unknown.code, 2);
        let said = [laid, shifts, audit, json, unknown]
            .map(|ended| ended.stdout + &ended.stderr)
            .concat();
        Done {
            files: files(folder),
            folder: made,
            said,
        }
    })
}

fn text(name: &str) -> String {
    let bytes = (done().files.get(name)).unwrap_or_else(|| panic!("{name} is missing"));
    String::from_utf8(bytes.clone()).unwrap_or_else(|_| panic!("{name} is not UTF-8"))
}

fn is_output(name: &str) -> bool {
    ["out/", "shifts/", "audit/"]
        .iter()
        .any(|folder| name.starts_with(folder))
}

/// Names of the files in a folder of the run, without their ending.
fn stems(folder: &str, ending: &str) -> BTreeSet<String> {
    let names = done().files.keys();
    names
        .filter_map(|name| name.strip_prefix(folder)?.strip_suffix(ending))
        .filter(|stem| !stem.contains('/'))
        .map(str::to_owned)
        .collect()
}

#[test]
fn ids() {
    each_id_has_files_of_its_own();
    no_file_stands_outside_or_has_a_name_that_some_system_does_not_take();
    nothing_runs_in_a_page_a_map_or_an_exchange_file();
    no_cell_of_a_table_is_a_formula();
    no_text_breaks_a_line_or_steers_who_looks_at_it();
    a_calendar_holds_the_events_of_the_plan_and_no_others();
    a_sheet_holds_nothing_that_acts();
    a_drawing_holds_pairs_of_codes_and_values();
    nothing_steers_the_terminal();
    every_id_comes_back_as_it_was();
}

/// The names that the ids of the one run share out among them.
pub fn names() -> FileNames {
    FileNames::of(IDS.map(|(_, id)| id))
}

fn each_id_has_files_of_its_own() {
    let mut names = names();
    for (what, id) in IDS {
        let stem = names.stem(id);
        for name in [
            format!("out/maps/{stem}.svg"),
            format!("out/sheets/{stem}.pdf"),
            format!("out/exchange/gpx/{stem}.gpx"),
            format!("out/exchange/kml/{stem}.kml"),
        ] {
            assert!(
                done().files.contains_key(&name),
                "{what}: no {name} among {:?}",
                done().files.keys()
            );
        }
    }
    for (folder, ending) in [("out/maps/", ".svg"), ("out/exchange/gpx/", ".gpx")] {
        let found = stems(folder, ending);
        let folded: BTreeSet<String> = found.iter().map(|stem| stem.to_lowercase()).collect();
        assert_eq!(
            (found.len(), folded.len()),
            (IDS.len(), IDS.len()),
            "{folder}"
        );
    }
}

fn no_file_stands_outside_or_has_a_name_that_some_system_does_not_take() {
    let ours = [
        "blocks.geojson",
        "project.toml",
        "crew.toml",
        "=1+9.geojson",
        "s<img src=x onerror=alert(3)>.geojson",
    ];
    let devices = ["con", "prn", "aux", "nul", "com1", "lpt1"];
    for name in done()
        .files
        .keys()
        .filter(|name| !ours.contains(&name.as_str()))
    {
        assert!(is_output(name), "{name}");
        for part in name.split('/') {
            let stem = part.split('.').next().unwrap().to_lowercase();
            let plain = part
                .chars()
                .all(|letter| letter.is_ascii_graphic() && !"<>:\"\\|?*".contains(letter));
            let ends = !part.ends_with(['.', ' ']) && !part.starts_with('-');
            assert!(plain && ends && part.len() <= 255, "{name}");
            assert!(!devices.contains(&stem.as_str()), "{name}");
        }
    }
    let beside: Vec<_> = fs::read_dir(&done().folder).unwrap().collect();
    assert_eq!(beside.len(), ours.len() + 3);
}

fn nothing_runs_in_a_page_a_map_or_an_exchange_file() {
    let mut looked_at = BTreeMap::new();
    for (name, bytes) in &done().files {
        let ending = name.rsplit('.').next().unwrap();
        if is_output(name) {
            let marked_up = ["svg", "kml", "gpx", "sld", "html", "js", "xml"].contains(&ending);
            if !marked_up {
                continue;
            }
            *looked_at.entry(ending).or_insert(0) += 1;
            let text = std::str::from_utf8(bytes).unwrap();
            let lower = text.to_lowercase();
            for number in 1..=5 {
                for begins in ["<script>alert", "<svg onload=alert", "onerror=alert"] {
                    // As text it may be there, with its signs written out.
                    let raw = format!("{begins}({number})");
                    let is_raw = lower.contains(&raw)
                        && (raw.starts_with('<') || lower.contains("<img src=x"));
                    assert!(!is_raw, "{name}: {raw}");
                }
            }
            if !["html", "js"].contains(&ending) {
                let document = roxmltree::Document::parse(text)
                    .unwrap_or_else(|error| panic!("{name}: {error}"));
                for node in document.descendants() {
                    let on = node
                        .attributes()
                        .any(|a| a.name().to_lowercase().starts_with("on"));
                    assert!(!on && node.tag_name().name() != "script", "{name}");
                }
            }
        }
    }
    for ending in ["svg", "kml", "gpx", "html"] {
        assert!(
            looked_at.contains_key(ending),
            "no {ending} was looked at: {looked_at:?}"
        );
    }
}

fn no_cell_of_a_table_is_a_formula() {
    let mut cells = 0;
    for name in done().files.keys().filter(|name| name.ends_with(".csv")) {
        let text = text(name);
        let mut table = csv::ReaderBuilder::new()
            .flexible(true)
            .from_reader(text.as_bytes());
        let ids: Vec<bool> = (table.headers().unwrap().iter())
            .map(|head| ["block_id", "source_id", "feature_id"].contains(&head))
            .collect();
        for row in table.records() {
            for (column, cell) in row.unwrap().iter().enumerate() {
                cells += 1;
                for (at, part) in cell.split([';', '\t', '\r', '\n']).enumerate() {
                    let is_id = ids.get(column) == Some(&true);
                    let number = !is_id && at == 0 && part.parse::<f64>().is_ok();
                    assert!(number || !part.starts_with(FORMULA), "{name}: {cell:?}");
                }
            }
        }
    }
    assert!(cells > 1_000, "{cells}");
}

fn no_text_breaks_a_line_or_steers_who_looks_at_it() {
    let mut looked_at = BTreeMap::new();
    for (name, bytes) in done().files.iter().filter(|(name, _)| is_output(name)) {
        let ending = name.rsplit('.').next().unwrap();
        let is_text = [
            "csv", "json", "geojson", "js", "html", "svg", "kml", "gpx", "ics", "sld", "dxf",
        ];
        if !is_text.contains(&ending) {
            continue;
        }
        let text = String::from_utf8_lossy(bytes);
        // The calendar's own lines end as its standard wants, and only scripts of ours have tabs.
        let text = match ending {
            "ics" => text.replace("\r\n", "\n"),
            _ => text.into_owned(),
        };
        let found = text
            .chars()
            .find(|letter| steers(*letter) || matches!(letter, '\t' | '\u{2028}' | '\u{2029}'));
        assert_eq!(found, None, "{name}");
        *looked_at.entry(ending).or_insert(0) += 1;
        if ending == "csv" {
            let mut table = csv::ReaderBuilder::new()
                .flexible(true)
                .from_reader(text.as_bytes());
            let rows = table.records().count();
            assert_eq!(text.lines().count(), rows + 1, "{name}: a row is a line");
        }
    }
    for ending in ["csv", "json", "geojson", "js", "html", "svg", "ics", "dxf"] {
        assert!(looked_at.contains_key(ending), "{looked_at:?}");
    }
    let table = text("out/blocks.csv");
    for shown in ["B\\u{a}C,", "\\u{1b}[2J", "\\u{9b}31mB,", "B\\u{9}=1+9,"] {
        assert!(table.contains(shown), "{shown}");
    }
}

fn a_calendar_holds_the_events_of_the_plan_and_no_others() {
    let calendar = text("shifts/shifts.ics");
    let events = calendar
        .split("\r\n")
        .filter(|line| *line == "BEGIN:VEVENT")
        .count();
    let rows = text("shifts/shifts.csv");
    let mut table = csv::Reader::from_reader(rows.as_bytes());
    let shifts: BTreeSet<(String, String)> = table
        .records()
        .map(|row| {
            row.map(|row| (row[0].to_owned(), row[1].to_owned()))
                .unwrap()
        })
        .collect();
    assert_eq!(events, shifts.len());
    assert!(events > 0);
    for line in calendar.split("\r\n") {
        assert!(
            line.len() <= 75 && !line.contains(['\n', '\r', '\u{1b}']),
            "{line:?}"
        );
    }
    let unfolded = calendar.replace("\r\n ", "");
    icalendar::parser::read_calendar(&unfolded).unwrap();
}

fn a_sheet_holds_nothing_that_acts() {
    let (mut sheets, mut of_shifts) = (0, 0);
    for (name, bytes) in done()
        .files
        .iter()
        .filter(|(name, _)| name.ends_with(".pdf"))
    {
        match name.starts_with("shifts/") {
            true => of_shifts += 1,
            false => sheets += 1,
        }
        for key in [
            "/JavaScript",
            "/JS",
            "/OpenAction",
            "/AA",
            "/Launch",
            "/URI",
            "/EmbeddedFile",
        ] {
            let found = bytes
                .windows(key.len())
                .any(|window| window == key.as_bytes());
            assert!(!found, "{name}: {key}");
        }
        let breaks = b"(B) Tj ET BT (C";
        assert!(
            !bytes.windows(breaks.len()).any(|window| window == breaks),
            "{name}"
        );
    }
    assert_eq!(sheets, IDS.len() + 1);
    // One of a shift, and of its machine, light and dark, and one of all.
    assert!(of_shifts >= 4, "{of_shifts}");
}

fn a_drawing_holds_pairs_of_codes_and_values() {
    // Its letters are of an older set.
    let drawing = String::from_utf8_lossy(&done().files["out/exchange/layout.dxf"]);
    let mut lines = drawing.lines();
    let mut labels = 0;
    while let Some(code) = lines.next() {
        assert!(code.trim().parse::<u32>().is_ok(), "{code:?}");
        let value = lines.next().expect("a value");
        assert!(!value.contains(steers), "{value:?}");
        labels += usize::from(value.starts_with("=HYPERLINK(_"));
    }
    assert_eq!(labels, 1);
}

fn nothing_steers_the_terminal() {
    let said = &done().said;
    assert!(
        said.contains("\\u{1b}[2J\\u{202e}"),
        "the unknown id is named"
    );
    let found = said.chars().find(|letter| steers(*letter));
    assert_eq!(found, None, "{said}");
}

fn every_id_comes_back_as_it_was() {
    let json = text("out/compliance.json");
    let value: serde_json::Value = serde_json::from_str(&json).unwrap();
    let found: BTreeSet<&str> = value["rows"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|row| row["block_id"].as_str())
        .collect();
    for (what, id) in IDS {
        assert!(
            found.contains(id) || found.contains(id.trim()),
            "{what}: {found:?}"
        );
    }
}
