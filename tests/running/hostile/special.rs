//! Pipes, sockets, devices and folders where files are meant.

use std::fs;
use std::os::unix::fs::symlink;
use std::os::unix::net::UnixListener;
use std::path::Path;
use std::process::Command;

use super::paths::{blocks_from, terrain_from};
use super::rasters;
use super::run_binary::{run, small_project, write};
use super::{AS_CUT, DISPATCH, LAYOUT, Row, check_all};

const MEASURED: [&str; 8] = [
    "audit",
    "project.toml",
    "--plan",
    "blocks.geojson",
    "--measured",
    "filled.csv",
    "--out",
    "out",
];
const MEASURED_GPX: [&str; 8] = [
    "audit",
    "project.toml",
    "--plan",
    "blocks.geojson",
    "--measured",
    "filled.gpx",
    "--out",
    "out",
];

fn pipe(path: &Path) {
    let made = Command::new("mkfifo").arg(path).status().unwrap();
    assert!(made.success());
}

/// Only the header of a shapefile without shapes.
fn shapefile(folder: &Path) {
    blocks_from(folder, "\"blocks.shp\"");
    let mut header = vec![0; 100];
    header[..4].copy_from_slice(&9994i32.to_be_bytes());
    header[24..28].copy_from_slice(&50i32.to_be_bytes());
    header[28..32].copy_from_slice(&1000i32.to_le_bytes());
    header[32..36].copy_from_slice(&5i32.to_le_bytes());
    fs::write(folder.join("blocks.shp"), &header).unwrap();
    fs::write(folder.join("blocks.shx"), &header).unwrap();
}

fn laid_out(folder: &Path) {
    small_project(folder);
    let ended = run(folder, LAYOUT);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
}

const ROWS: &[Row] = &[
    Row::refused(
        "a pipe as a layer",
        "exit 2: no file",
        |folder| {
            blocks_from(folder, "\"blocks.pipe\"");
            pipe(&folder.join("blocks.pipe"));
        },
        &["blocks.pipe", "a folder, a device or a pipe"],
    ),
    Row::refused(
        "a socket as a layer",
        "exit 2: no file",
        |folder| {
            blocks_from(folder, "\"blocks.sock\"");
            UnixListener::bind(folder.join("blocks.sock")).unwrap();
        },
        &["a folder, a device or a pipe"],
    ),
    Row::refused(
        "a link to `/dev/zero` as a layer",
        "exit 2: no file",
        |folder| {
            blocks_from(folder, "\"zero.gpkg\"");
            symlink("/dev/zero", folder.join("zero.gpkg")).unwrap();
        },
        &["a folder, a device or a pipe"],
    ),
    Row::refused(
        "a folder as a layer",
        "exit 2: no file",
        |folder| {
            blocks_from(folder, "\"blocks\"");
            fs::create_dir(folder.join("blocks")).unwrap();
        },
        &["a folder, a device or a pipe"],
    ),
    Row::refused(
        "a file geodatabase (a folder)",
        "exit 2: a folder is no data file",
        |folder| {
            blocks_from(folder, "\"blocks.gdb\"");
            fs::create_dir(folder.join("blocks.gdb")).unwrap();
        },
        &["a folder is no data file"],
    ),
    Row::refused(
        "a pipe in the place of a shapefile's table",
        "exit 2: what would be opened with it is no plain file",
        |folder| {
            shapefile(folder);
            pipe(&folder.join("blocks.dbf"));
        },
        &["`blocks.dbf` beside it"],
    ),
    Row::refused(
        "a link to `/dev/zero` in the place of a layer's `.prj`",
        "exit 2: what would be opened with it is no plain file",
        |folder| {
            shapefile(folder);
            symlink("/dev/zero", folder.join("blocks.prj")).unwrap();
        },
        &["`blocks.prj` beside it"],
    ),
    Row::refused(
        "a pipe in the place of a raster's `.aux.xml`",
        "exit 2: what would be opened with it is no plain file",
        |folder| {
            terrain_from(folder, "dem.asc");
            rasters::grid(folder, "dem.asc");
            pipe(&folder.join("dem.asc.aux.xml"));
        },
        &["`dem.asc.aux.xml` beside it"],
    ),
    Row::refused(
        "a pipe as the project file",
        "exit 2: no plain file",
        |folder| pipe(&folder.join("project.toml")),
        &["it is no plain file"],
    ),
    Row::refused(
        "a pipe as the rulebook",
        "exit 2: no file",
        |folder| {
            small_project(folder);
            let text = fs::read_to_string(folder.join("project.toml")).unwrap();
            write(
                folder,
                "project.toml",
                &text.replace("preset = \"bare\"", "rulebook = \"rules.toml\""),
            );
            pipe(&folder.join("rules.toml"));
        },
        &["a folder, a device or a pipe"],
    ),
    Row::refused(
        "a pipe as the rulebook of `rules check`",
        "exit 2: no plain file",
        |folder| pipe(&folder.join("rules.toml")),
        &["it is no plain file"],
    )
    .by(&["rules", "check", "rules.toml"]),
    Row::refused(
        "a pipe as the crew file",
        "exit 2: no plain file",
        |folder| pipe(&folder.join("crew.toml")),
        &["it is no plain file"],
    )
    .by(DISPATCH),
    Row::refused(
        "a pipe as the tracks of what was cut",
        "exit 2: no plain file",
        |folder| {
            small_project(folder);
            pipe(&folder.join("cut.gpx"));
        },
        &["it is no plain file"],
    )
    .by(AS_CUT),
    Row::refused(
        "a pipe as what was measured in the field",
        "exit 2: no plain file",
        |folder| {
            small_project(folder);
            pipe(&folder.join("filled.csv"));
        },
        &["it is no plain file"],
    )
    .by(&MEASURED),
    Row::refused(
        "a pipe as waypoints of what was measured in the field",
        "exit 2: no plain file",
        |folder| {
            small_project(folder);
            pipe(&folder.join("filled.gpx"));
        },
        &["it is no plain file"],
    )
    .by(&MEASURED_GPX),
    Row::refused(
        "a pipe in the place of `compliance.json` of an earlier audit",
        "exit 2: no plain file",
        |folder| {
            small_project(folder);
            fs::create_dir(folder.join("before")).unwrap();
            pipe(&folder.join("before/compliance.json"));
        },
        &["it is no plain file"],
    )
    .by(&[
        "audit",
        "project.toml",
        "--plan",
        "blocks.geojson",
        "--against",
        "before",
        "--out",
        "out",
    ]),
    Row::refused(
        "a pipe in the place of `run.json` in the output folder",
        "exit 1: the folder is none of ours",
        |folder| {
            laid_out(folder);
            fs::remove_file(folder.join("out/run.json")).unwrap();
            pipe(&folder.join("out/run.json"));
        },
        &["holds no run.json of blockwright"],
    )
    .ends(1),
    Row::refused(
        "a pipe in the place of `run.json` of a layout to dispatch",
        "exit 2: no plain file",
        |folder| {
            write(folder, "crew.toml", super::folders::CREW);
            fs::create_dir(folder.join("laid")).unwrap();
            pipe(&folder.join("laid/run.json"));
        },
        &["it is no plain file"],
    )
    .by(DISPATCH),
    Row::refused(
        "a pipe in the place of `SHA256SUMS`",
        "exit 1: cannot be opened",
        |folder| {
            laid_out(folder);
            fs::remove_file(folder.join("out/SHA256SUMS")).unwrap();
            pipe(&folder.join("out/SHA256SUMS"));
        },
        &["SHA256SUMS", "it is no plain file"],
    )
    .by(&["verify", "out"])
    .ends(1),
    Row::refused(
        "a pipe among the shares of a batch",
        "exit 1: cannot be opened",
        |folder| {
            small_project(folder);
            fs::create_dir(folder.join("shares")).unwrap();
            pipe(&folder.join("shares/share-1-of-1.plans"));
        },
        &["it is no plain file"],
    )
    .by(&["gather", "shares", "--out", "out"])
    .ends(1),
];

pub fn rows() -> &'static [Row] {
    ROWS
}

#[test]
fn special_files() {
    check_all(ROWS);
}
