//! Texts in the place of paths.

use std::path::Path;

use super::run_binary::{small_project, write};
use super::{Row, check_all};

/// A small project whose blocks are read from `source`, written as a TOML string.
pub fn blocks_from(folder: &Path, source: &str) {
    small_project(folder);
    let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    write(
        folder,
        "project.toml",
        &text.replace("\"blocks.geojson\"", source),
    );
}

/// A small project with an elevation raster.
pub fn terrain_from(folder: &Path, source: &str) {
    small_project(folder);
    let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
    let terrain = format!("\n[layers.terrain]\nsource = \"{source}\"\ncrs = \"EPSG:32616\"\n");
    write(folder, "project.toml", &(text + &terrain));
}

const PLAN: &[&str] = &[
    "audit",
    "project.toml",
    "--plan",
    "GPKG:p.gpkg:blocks",
    "--out",
    "out",
];

const ROWS: &[Row] = &[
    Row::refused(
        "a path behind `/vsicurl/`",
        "exit 2: a virtual path",
        |folder| blocks_from(folder, "\"/vsicurl/http://127.0.0.1:9/a.gpkg\""),
        &["project.toml, line 6", "network address"],
    ),
    Row::refused(
        "a path behind `/vsizip/`, in small or capital letters, with `\\`",
        "exit 2: a virtual path",
        |folder| blocks_from(folder, "'\\VsiZip\\a.zip\\blocks.shp'"),
        &["virtual path"],
    ),
    Row::refused(
        "`/vsistdin/`",
        "exit 2: a virtual path",
        |folder| blocks_from(folder, "\"/vsistdin/\""),
        &["virtual path"],
    ),
    Row::refused(
        "an `https://` address",
        "exit 2: a network address",
        |folder| blocks_from(folder, "\"https://127.0.0.1:9/blocks.geojson\""),
        &["network address"],
    ),
    Row::refused(
        "a network path `//server/share/a.shp`",
        "exit 2: a network path",
        |folder| blocks_from(folder, "\"//server/share/a.shp\""),
        &["network path"],
    ),
    Row::refused(
        "a connection string `PG:dbname=maps`",
        "exit 2: begins with the prefix of a driver",
        |folder| blocks_from(folder, "\"PG:dbname=maps\""),
        &["prefix of a driver"],
    ),
    Row::refused(
        "a driver's prefix on the command line, and a file of that very name",
        "exit 2: begins with the prefix of a driver",
        |folder| {
            small_project(folder);
            write(folder, "GPKG:p.gpkg:blocks", "no layer");
        },
        &["prefix of a driver"],
    )
    .by(PLAN),
    Row::refused(
        "data in the place of a path: `{\"type\": ...}`",
        "exit 2: data, not a path",
        |folder| {
            let data = r#"'{"type":"FeatureCollection","features":[]}'"#;
            blocks_from(folder, data);
        },
        &["it is data, not a path"],
    ),
    Row::refused(
        "a NUL in a path",
        "exit 2: holds control characters",
        |folder| blocks_from(folder, "\"blocks.geojson\\u0000.gpkg\""),
        &["control characters"],
    ),
    Row::refused(
        "an escape sequence in a path",
        "exit 2: holds control characters, and the message shows them as `\\u{1b}`",
        |folder| blocks_from(folder, "\"\\u001b]0;a\\u0007.gpkg\""),
        &["control characters", "\\u{1b}"],
    ),
    Row::refused(
        "a path up to `/etc/passwd`",
        "exit 2: cannot be read; the message shows nothing of it",
        |folder| blocks_from(folder, &format!("\"{}etc/passwd\"", "../".repeat(20))),
        &["the file cannot be read"],
    )
    .then(|_, ended| assert!(!ended.stderr.contains("root:"), "{}", ended.stderr)),
    Row::refused(
        "a marker of reading direction in a key of the project file",
        "exit 2: unknown key; the message shows it as `\\u{202e}`",
        |folder| {
            small_project(folder);
            let text = std::fs::read_to_string(folder.join("project.toml")).unwrap();
            write(
                folder,
                "project.toml",
                &text.replace("stems_per_ha", "\"stems\u{202e}\""),
            );
        },
        &["unknown", "\\u{202e}"],
    ),
    Row::refused(
        "a ZIP archive as a layer",
        "exit 2: archives are not read",
        |folder| {
            blocks_from(folder, "\"blocks.zip\"");
            write(folder, "blocks.zip", "PK\u{3}\u{4}");
        },
        &["archives are not read"],
    ),
    Row::refused(
        "an archive `.tar.gz` as a layer",
        "exit 2: archives are not read",
        |folder| {
            blocks_from(folder, "\"blocks.tar.gz\"");
            write(folder, "blocks.tar.gz", "\u{1f}");
        },
        &["archives are not read"],
    ),
    Row::refused(
        "a ZIP archive that calls itself `.gpkg`",
        "exit 2: cannot be read",
        |folder| {
            blocks_from(folder, "\"blocks.gpkg\"");
            write(folder, "blocks.gpkg", "PK\u{3}\u{4}\u{14}\0\0\0\u{8}\0");
        },
        &["the file cannot be read"],
    ),
    Row::refused(
        "a KMZ archive as what was cut",
        "exit 2: archives are not read",
        |folder| {
            small_project(folder);
            write(folder, "cut.kmz", "PK\u{3}\u{4}");
        },
        &["archives are not read"],
    )
    .by(&[
        "audit",
        "project.toml",
        "--as-cut",
        "cut.kmz",
        "--out",
        "out",
    ]),
];

#[test]
fn paths() {
    check_all(ROWS);
}

pub fn rows() -> &'static [Row] {
    ROWS
}
