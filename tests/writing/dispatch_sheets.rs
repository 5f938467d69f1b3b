//! Sheets of shifts, read by other programs: where their maps lie, at what scale, what they say, on light ground and on dark.

use crate::dispatch_runs::{day_and_night, lay_out};
use crate::{browser, run_binary};

use std::path::{Path, PathBuf};
use std::process::Command;

use gdal::vector::LayerAccess;
use gdal::{Dataset, DatasetOptions, GdalOpenFlags};
use run_binary::*;

const CREW: &str = day_and_night!(
    r#"[[machines]]
name = "feller 1"
service = { takes = "30 min", every = "day" }

[[skidders]]
name = "skidder 1"
"#
);

fn dispatched(folder: &Path) -> PathBuf {
    small_project(folder);
    write(folder, "crew.toml", CREW);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    // Level ground may be worked by night.
    let volume = "[layout]\nlevel_ground = \"invented\"\n\n[production]\ntree_m3 = 0.4\n";
    write(
        folder,
        "project.toml",
        &project.replace("[production]\n", volume),
    );
    lay_out(folder, "out");
    let ended = run(
        folder,
        &[
            "dispatch",
            "out",
            "--crew",
            "crew.toml",
            "--from",
            "2026-12-01",
            "--days",
            "6",
            "--out",
            "shifts",
            "--quiet",
        ],
    );
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
    folder.join("shifts")
}

/// Sheet and block of every row that cuts or skids.
fn worked(shifts: &Path) -> Vec<(String, String, String)> {
    let rows = table(&shifts.join("shifts.csv"));
    let works = rows
        .iter()
        .filter(|row| row["task"] == "cut" || row["task"] == "skid");
    works
        .map(|row| {
            let sheet = row["sheet"].clone();
            (sheet, row["block_id"].clone(), row["shift_class"].clone())
        })
        .collect()
}

fn paper(shifts: &Path, sheet: &str) -> PathBuf {
    shifts.join(sheet).with_extension("pdf")
}

fn open(path: &Path, flags: GdalOpenFlags) -> Dataset {
    let options = DatasetOptions {
        open_flags: flags,
        allowed_drivers: Some(&["PDF"]),
        ..DatasetOptions::default()
    };
    Dataset::open_ex(path, options).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

#[test]
fn gdal_finds_the_block_on_the_paper_where_the_layout_has_it() {
    let temp = tempfile::tempdir().unwrap();
    let shifts = dispatched(temp.path());
    let layout = Dataset::open(temp.path().join("out/layout.gpkg")).unwrap();
    let mut layer = layout.layer_by_name("blocks").unwrap();
    let outlines: Vec<(String, [f64; 4])> = (layer.features())
        .map(|block| {
            let index = block.field_index("block_id").unwrap();
            let id = block.field_as_string(index).unwrap().unwrap();
            let own = block.geometry().unwrap().envelope();
            (id, [own.MinX, own.MinY, own.MaxX, own.MaxY])
        })
        .collect();
    gdal::config::set_thread_local_config_option("OGR_PDF_READ_NON_STRUCTURED", "YES").unwrap();
    gdal::config::set_thread_local_config_option("GDAL_PDF_DPI", "72").unwrap();
    let mut whole = 0;
    for (sheet, block, _) in worked(&shifts) {
        let path = paper(&shifts, &sheet);
        let Some(text) = text_of(&path) else { return };
        // The first map is of the first block that is worked; parts of a block show no whole outline.
        let named = format!("Block {block} · 1:");
        let first = text.find("Block ").map(|at| &text[at..]);
        if !first.is_some_and(|first| first.starts_with(&named)) {
            continue;
        }
        let raster = open(&path, GdalOpenFlags::GDAL_OF_RASTER);
        let [_, pixel_m, _, _, _, line_m] = raster.geo_transform().unwrap();
        let said: f64 = text
            .split(&named)
            .nth(1)
            .and_then(|rest| rest.split_whitespace().next())
            .unwrap()
            .parse()
            .unwrap();
        let per_point = said * 0.0254 / 72.0;
        for measured in [pixel_m, -line_m] {
            assert!(
                (measured / per_point - 1.0).abs() < 0.005,
                "{sheet}: {measured} {per_point}"
            );
        }
        let drawn = open(&path, GdalOpenFlags::GDAL_OF_VECTOR);
        let mut layer = drawn.layer(0).unwrap();
        let (_, wanted) = outlines.iter().find(|own| own.0 == block).unwrap();
        let off = |feature: gdal::vector::Feature<'_>| {
            let own = feature.geometry()?.envelope();
            let found = [own.MinX, own.MinY, own.MaxX, own.MaxY];
            let corners = found.iter().zip(wanted);
            Some(corners.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max))
        };
        let nearest = layer
            .features()
            .filter_map(off)
            .fold(f64::INFINITY, f64::min);
        assert!(nearest < 0.15, "{sheet}: {nearest} m");
        whole += 1;
    }
    assert!(whole > 0);
}

fn text_of(path: &Path) -> Option<String> {
    let out = Command::new("pdftotext")
        .arg("-layout")
        .arg(path)
        .arg("-")
        .output();
    match out {
        Ok(out) => {
            assert!(out.status.success(), "{out:?}");
            Some(String::from_utf8_lossy(&out.stdout).into_owned())
        }
        Err(_) => {
            println!("skipped: no pdftotext (package poppler-utils)");
            None
        }
    }
}

#[test]
fn each_shift_has_a_page_and_a_paper_and_each_machine_all_of_its_own() {
    let temp = tempfile::tempdir().unwrap();
    let shifts = dispatched(temp.path());
    let work = worked(&shifts);
    let machines = [("feller 1", "feller_1"), ("skidder 1", "skidder_1")];
    for (sheet, block, class) in &work {
        let page = std::fs::read_to_string(shifts.join(sheet)).unwrap();
        assert!(
            page.contains("START") && page.contains(&format!("Block {block}")),
            "{sheet}"
        );
        assert!(page.contains("When the light or the time runs out"));
        let Some(text) = text_of(&paper(&shifts, sheet)) else {
            continue;
        };
        for words in [
            "When the light or the time runs out",
            "Before you cut",
            "START",
            "In an emergency",
            &format!("Block {block}"),
            "Order:",
        ] {
            assert!(text.contains(words), "{sheet}: {words}");
        }
        match class.as_str() {
            "day_only" => assert!(text.contains("by day only"), "{sheet}"),
            "night_safe" => assert!(text.contains("Cut in this shift"), "{sheet}"),
            _ => {}
        }
    }
    let count = |path: PathBuf, machine: &str| {
        let titles = text_of(&path)?;
        let own: std::collections::BTreeSet<&String> = (work.iter())
            .map(|own| &own.0)
            .filter(|sheet| sheet.contains(machine))
            .collect();
        Some((titles.matches("page 1 ").count(), own.len()))
    };
    for (_, stem) in machines {
        for file in [
            format!("sheets/{stem}.pdf"),
            format!("sheets/{stem}_dark.pdf"),
        ] {
            if let Some((found, sheets)) = count(shifts.join(&file), stem) {
                assert!(found >= sheets && sheets > 0, "{file}: {found} {sheets}");
            }
        }
    }
    if let Some((found, sheets)) = count(shifts.join("sheets/all.pdf"), "") {
        assert!(found >= sheets && sheets > 1, "{found} {sheets}");
    }
}

/// A phone is 390 px wide: nothing of the page lies beyond, and the box turns its ground dark.
#[test]
fn pages_fit_a_phone_and_turn_dark() {
    let temp = tempfile::tempdir().unwrap();
    let shifts = dispatched(temp.path());
    let Some(program) = browser::find() else {
        return;
    };
    let mut browser = browser::Browser::start(&program);
    for (sheet, ..) in worked(&shifts) {
        for dark in [false, true] {
            browser.view(390, 844, dark, true);
            browser.open(&format!("file://{}", shifts.join(&sheet).display()));
            let wide = browser.number("document.documentElement.scrollWidth");
            assert!(wide <= 390.0, "{sheet}: {wide}");
            // As the phone's own, and the other with the box.
            let [here, there] = match dark {
                false => ["rgb(255, 255, 255)", "rgb(0, 0, 0)"],
                true => ["rgb(0, 0, 0)", "rgb(255, 255, 255)"],
            };
            let ground = "getComputedStyle(document.body).backgroundColor";
            assert_eq!(browser.text(ground), here, "{sheet}");
            browser.eval("document.getElementById('dark').click()");
            assert_eq!(browser.text(ground), there, "{sheet}");
            let ink = "getComputedStyle(document.querySelector('svg.map .f-words')).fill";
            let wanted = if dark {
                "rgb(0, 0, 0)"
            } else {
                "rgb(217, 217, 217)"
            };
            assert_eq!(browser.text(ink), wanted, "{sheet}");
        }
    }
    let complaints = browser.complaints();
    assert!(complaints.is_empty(), "{complaints:?}");
}

/// What the table, `schedule.json` and the season's page say of time agrees, and adds up to the shifts.
#[test]
fn idle_times_and_service_add_up_to_the_shifts() {
    let temp = tempfile::tempdir().unwrap();
    let shifts = dispatched(temp.path());
    let text = std::fs::read_to_string(shifts.join("schedule.json")).unwrap();
    let schedule: serde_json::Value = serde_json::from_str(&text).unwrap();
    let rows = table(&shifts.join("shifts.csv"));
    let at = |value: &serde_json::Value| {
        let text = value.as_str().unwrap();
        let moment = chrono::DateTime::parse_from_str(text, "%Y-%m-%dT%H:%M%:z");
        moment.unwrap().timestamp() as f64 / 3600.0
    };
    for machine in schedule["machines"].as_array().unwrap() {
        let name = machine["name"].as_str().unwrap();
        let of = |task: &str| -> f64 {
            let mine = rows
                .iter()
                .filter(|row| row["machine"] == name && row["task"] == task);
            mine.map(|row| row["hours"].parse::<f64>().unwrap()).sum()
        };
        assert!(
            (of("service") - machine["service_hours"].as_f64().unwrap()).abs() < 0.01,
            "{name}"
        );
        let idle: f64 = (machine["idle"].as_array().unwrap().iter())
            .map(|own| at(&own["to"]) - at(&own["from"]))
            .sum();
        let all = of("cut") + of("skid") + of("move") + of("service") + idle;
        // Two shifts of ten hours on six days; times are told to the minute.
        let minutes = (rows.len() + machine["idle"].as_array().unwrap().len()) as f64 / 60.0;
        assert!((all - 120.0).abs() < minutes, "{name}: {all}");
    }
    let page = std::fs::read_to_string(shifts.join("season.html")).unwrap();
    assert!(page.contains("<svg ") && page.contains("Machines") && page.contains("of the"));
}

/// A night shift has the evening of its own date and the morning after, by Meeus's sunrise as `shifts.csv` has it of the days.
#[test]
fn rows_in_the_dark_have_the_evening_before_and_the_morning_after() {
    let temp = tempfile::tempdir().unwrap();
    let shifts = dispatched(temp.path());
    let rows = table(&shifts.join("shifts.csv"));
    let mut seen = 0;
    for row in &rows {
        if row["shift"] != "night" || row["dark_from"].is_empty() {
            continue;
        }
        let date = &row["date"];
        assert!(row["dark_from"].starts_with(date.as_str()), "{row:?}");
        assert_eq!(row["dark_from"], row["daylight_to"], "{row:?}");
        let next = date
            .parse::<chrono::NaiveDate>()
            .unwrap()
            .succ_opt()
            .unwrap();
        let morning = &row["dark_to"];
        assert!(morning.starts_with(&next.to_string()), "{row:?}");
        assert!(
            *morning > row["to"] && row["dark_from"] <= row["from"],
            "{row:?}"
        );
        seen += 1;
    }
    assert!(seen > 0);
    // Where light falls on a row, there is no dark.
    let lit = rows.iter().filter(|row| row["shift_class"] == "day_only");
    for row in lit {
        assert!(
            row["dark_from"].is_empty() && row["dark_to"].is_empty(),
            "{row:?}"
        );
    }
}

/// Page, picture, calendar and sheets of a French layout: no word of the English ones stands in them.
#[test]
fn a_french_layout_is_dispatched_in_french() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    small_project(folder);
    write(folder, "crew.toml", CREW);
    let project = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(
        folder,
        "project.toml",
        &format!("{project}\n[outputs]\nlanguage = \"fr\"\n"),
    );
    lay_out(folder, "out");
    run(
        folder,
        &[
            "dispatch",
            "out",
            "--crew",
            "crew.toml",
            "--from",
            "2026-12-01",
            "--days",
            "1",
            "--out",
            "shifts",
            "--quiet",
        ],
    );
    let shifts = folder.join("shifts");
    for name in ["season.html", "shifts.svg", "shifts.ics"] {
        let text = std::fs::read_to_string(shifts.join(name)).unwrap();
        let text = text.replace("\r\n ", "");
        for word in [
            " hours",
            " shifts from",
            "do not fit",
            "What helps",
            "daylight hours",
            "machine hours",
            " idle",
            "cut, day only",
            "skidding",
            "nobody",
            "Nobody",
            "move to",
            " against ",
            "Mon ",
            "Dec ",
        ] {
            assert!(!text.contains(word), "{name}: {word}");
        }
    }
    let page = std::fs::read_to_string(shifts.join("season.html")).unwrap();
    for words in [
        "n’entrent pas dans la période",
        "Ce qui aide",
        "heures de lumière de",
        "déc. 2026",
    ] {
        assert!(page.contains(words), "{words}");
    }
    let calendar = std::fs::read_to_string(shifts.join("shifts.ics")).unwrap();
    assert!(calendar.contains("abattre"));
}
