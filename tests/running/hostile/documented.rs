//! `docs/trust.md` holds the rows and limits that are tried, word for word.

use blockwright::layout;
use blockwright::sources::limits;

use super::{Row, drivers, folders, ids, paths, rasters, size, special};

fn rows() -> Vec<&'static Row> {
    [
        drivers::rows(),
        paths::rows(),
        special::rows(),
        rasters::rows(),
        size::rows(),
        folders::rows(),
    ]
    .into_iter()
    .flatten()
    .collect()
}

fn section(heading: &str) -> String {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/trust.md");
    let text = std::fs::read_to_string(path).unwrap();
    let start = text
        .find(&format!("\n### {heading}\n"))
        .unwrap_or_else(|| panic!("no heading {heading}"));
    let rest = &text[start + 1..];
    let end = rest[1..].find("\n##").map_or(rest.len(), |at| at + 2);
    let lines = rest[..end].lines().filter(|line| line.starts_with('|'));
    lines.map(|line| format!("{line}\n")).collect()
}

fn is_documented(heading: &str, head: [&str; 2], rows: impl Iterator<Item = (String, String)>) {
    let mut wanted = format!("| {} | {} |\n| --- | --- |\n", head[0], head[1]);
    for (left, right) in rows {
        wanted += &format!("| {left} | {right} |\n");
    }
    let found = section(heading);
    assert!(
        found == wanted,
        "under {heading} there must stand:\n{wanted}"
    );
}

#[test]
fn every_row_stands_in_the_document() {
    let rows = rows();
    let mut inputs: Vec<&str> = rows.iter().map(|row| row.input).collect();
    inputs.sort_unstable();
    inputs.dedup();
    assert_eq!(inputs.len(), rows.len(), "two rows have one name");
    let table = rows
        .iter()
        .map(|row| (row.input.to_owned(), row.answer.to_owned()));
    is_documented("Inputs", ["input", "answer"], table);
}

/// With what cannot be seen, or would end a cell, written out.
fn shown(id: &str) -> String {
    if id.len() > 100 {
        return format!("{} ... {}", &id[..5], &id[id.len() - 5..]);
    }
    let letters = id.chars().map(|letter| match letter {
        '|' => "&#124;".to_owned(),
        _ if letter.is_control() || super::steers(letter) => letter.escape_unicode().to_string(),
        _ => letter.to_string(),
    });
    letters.collect()
}

#[test]
fn every_id_stands_in_the_document() {
    let mut names = ids::names();
    let table = ids::IDS.map(|(what, id)| {
        (
            format!("{what}: `{}`", shown(id)),
            format!("`{}`", names.stem(id)),
        )
    });
    is_documented("Ids", ["id of a block", "its files"], table.into_iter());
}

#[test]
fn every_limit_stands_in_the_document() {
    let gib = |bytes: u64| format!("{} GiB", bytes >> 30);
    let mib = |bytes: u64| format!("{} MiB", bytes >> 20);
    let table = [
        (
            "project file, rulebook, crew file",
            mib(limits::TEXT_FILE_BYTES),
        ),
        (
            "file of layers, and each file that belongs to it",
            gib(limits::LAYER_FILE_BYTES),
        ),
        ("file of tracks", gib(limits::TRACK_FILE_BYTES)),
        ("file of a raster", gib(limits::RASTER_FILE_BYTES)),
        (
            "description beside a raster, MapInfo table",
            mib(limits::DESCRIPTION_BYTES),
        ),
        (
            "`run.json` of an earlier run",
            mib(limits::REPORT_FILE_BYTES),
        ),
        (
            "table of an earlier run, table of finished sections",
            gib(limits::TABLE_FILE_BYTES),
        ),
        (
            "features of a layer that pass its filter",
            limits::LAYER_FEATURES.to_string(),
        ),
        ("vertices of a layer", limits::LAYER_VERTICES.to_string()),
        (
            "vertices of a feature",
            limits::FEATURE_VERTICES.to_string(),
        ),
        (
            "vertices of a block with all that lies near it",
            layout::MOST_VERTICES.to_string(),
        ),
        ("area of a block", format!("{} ha", layout::MOST_HA)),
        (
            "characters of an id, a class, a portfolio",
            limits::NAME_CHARACTERS.to_string(),
        ),
        (
            "width, fringe and machine-free radius of a feature",
            format!("{} m", limits::FEATURE_WIDTH_M),
        ),
        ("cells of a raster", limits::RASTER_CELLS.to_string()),
        ("tile of a raster", gib(limits::RASTER_TILE_BYTES)),
        ("text of a virtual raster", mib(limits::VIRTUAL_BYTES)),
        (
            "files that a virtual raster leads to, each as often as it is named",
            limits::VIRTUAL_FILES.to_string(),
        ),
        (
            "virtual rasters in virtual rasters",
            limits::VIRTUAL_LEVELS.to_string(),
        ),
    ];
    let table = table.map(|(what, most)| (what.to_owned(), most));
    is_documented("Limits", ["of", "at most"], table.into_iter());
}
