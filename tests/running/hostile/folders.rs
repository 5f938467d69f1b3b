//! Links and other people's files in and around the output folder.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::Path;

use super::run_binary::{run, small_project, write};
use super::{LAYOUT, Row, check_all};

pub const CREW: &str = r#"[crew]
time_zone = "America/Winnipeg"

[[shifts]]
name = "day"
from = "06:00"
to = "16:00"

[[machines]]
name = "feller 1"
"#;

const PARTIAL: &str = "out/.blockwright-partial";

/// A finished layout in `out`, and a folder beside it whose files must stay as they are.
fn laid_out(folder: &Path) {
    small_project(folder);
    fs::create_dir(folder.join("outside")).unwrap();
    write(folder, "outside/mine.txt", "mine");
    let ended = run(folder, LAYOUT);
    assert_eq!(ended.code, 0, "{}", ended.stderr);
}

/// Puts a link to `to` in the place of an output.
fn link(folder: &Path, name: &str, to: &str) {
    let place = folder.join(name);
    if place.is_dir() {
        fs::remove_dir_all(&place).unwrap();
    } else {
        let _ = fs::remove_file(&place);
    }
    symlink(folder.join(to), place).unwrap();
}

/// A list of moves as a killed run leaves it.
fn planted(folder: &Path, name: &str, to: &str) {
    laid_out(folder);
    fs::create_dir(folder.join(PARTIAL)).unwrap();
    let moves = r#"{"version":1,"marker":"run.json","moves":[{"name":"mine.txt","fresh":true},{"name":"blocks.csv","fresh":true}]}"#;
    write(folder, &format!("{PARTIAL}/moves.json"), moves);
    link(folder, &format!("{PARTIAL}/{name}"), to);
}

fn from_out(folder: &Path, source: &str) {
    laid_out(folder);
    let text = fs::read_to_string(folder.join("project.toml")).unwrap();
    let other = format!("source = \"out/{source}\"\nlayer = \"blocks\"\n");
    let text = text
        .replace("source = \"blocks.geojson\"\n", &other)
        .replace("\"BLOCK\"", "\"block_id\"");
    write(folder, "project.toml", &text);
}

fn is_own_file(folder: &Path, name: &str) {
    let found = fs::symlink_metadata(folder.join(name)).unwrap();
    assert!(!found.is_symlink(), "{name} still is a link");
}

fn is_whole(folder: &Path) {
    let verified = run(folder, &["verify", "out"]);
    assert_eq!(verified.code, 0, "{}", verified.stdout);
}

const ROWS: &[Row] = &[
    Row::harmless(
        "a link in the place of `layout.gpkg` to somebody's file",
        "the link is replaced, the file stays as it is",
        |folder| {
            laid_out(folder);
            link(folder, "out/layout.gpkg", "outside/mine.txt");
        },
        |folder, _| {
            is_own_file(folder, "out/layout.gpkg");
            is_whole(folder);
        },
    ),
    Row::harmless(
        "a link in the place of `blocks.csv` that leads nowhere",
        "the link is replaced, nothing appears where it led",
        |folder| {
            laid_out(folder);
            link(folder, "out/blocks.csv", "outside/new.txt");
        },
        |folder, _| is_own_file(folder, "out/blocks.csv"),
    ),
    Row::harmless(
        "a link in the place of the folder `maps`",
        "the link is replaced, the folder it led to stays as it is",
        |folder| {
            laid_out(folder);
            link(folder, "out/maps", "outside");
        },
        |folder, _| {
            is_own_file(folder, "out/maps");
            is_whole(folder);
        },
    ),
    Row::harmless(
        "a second name (hard link) of somebody's file in the place of `blocks.csv`",
        "that file stays as it is",
        |folder| {
            laid_out(folder);
            fs::remove_file(folder.join("out/blocks.csv")).unwrap();
            fs::hard_link(folder.join("outside/mine.txt"), folder.join("out/blocks.csv")).unwrap();
        },
        |folder, _| is_whole(folder),
    ),
    Row::refused(
        "a link in the place of the staging folder",
        "exit 1: outputs are not written behind a link",
        |folder| {
            laid_out(folder);
            link(folder, PARTIAL, "outside");
        },
        &["outputs are not written behind a link"],
    )
    .ends(1),
    Row::refused(
        "a list of moves, and a link that would move files out of the folder",
        "exit 1: outputs are not written behind a link",
        |folder| planted(folder, "replaced", "outside"),
        &["outputs are not written behind a link"],
    )
    .ends(1),
    Row::refused(
        "a list of moves, and a link that would move somebody's files into the folder",
        "exit 1: outputs are not written behind a link",
        |folder| planted(folder, "new", "outside"),
        &["outputs are not written behind a link"],
    )
    .ends(1),
    Row::refused(
        "a list of moves with names that lead out of the folder",
        "exit 1: the folder is none of ours",
        |folder| {
            planted(folder, "journal", "outside/mine.txt");
            let moves = r#"{"version":1,"marker":"run.json","moves":[{"name":"../outside/mine.txt","fresh":false}]}"#;
            write(folder, &format!("{PARTIAL}/moves.json"), moves);
        },
        &["nothing in it is overwritten"],
    )
    .ends(1),
    Row::harmless(
        "a link in the place of the journal",
        "the link is removed, the file stays as it is",
        |folder| {
            laid_out(folder);
            fs::create_dir(folder.join(PARTIAL)).unwrap();
            link(folder, &format!("{PARTIAL}/journal"), "outside/mine.txt");
        },
        |folder, _| is_whole(folder),
    )
    .by(&["layout", "project.toml", "--out", "out", "--resume"]),
    Row::harmless(
        "a link in the place of a share that was not finished",
        "the link is replaced, the file stays as it is",
        |folder| {
            small_project(folder);
            fs::create_dir(folder.join("out")).unwrap();
            write(folder, "mine.txt", "mine");
            link(folder, "out/share-1-of-1.unfinished", "mine.txt");
        },
        |folder, _| is_own_file(folder, "out/share-1-of-1.plans"),
    )
    .by(&["layout", "project.toml", "--out", "out", "--share", "1/1"]),
    Row::harmless(
        "links in the places of what `demo` writes",
        "the links are replaced, the files stay as they are",
        |folder| {
            fs::create_dir(folder.join("out")).unwrap();
            write(folder, "mine.txt", "mine");
            for name in ["project.toml", "crew.toml", "layers.gpkg", "layers.unfinished.gpkg", "elevation.tif", "trees.csv"] {
                link(folder, &format!("out/{name}"), "mine.txt");
            }
        },
        |folder, _| {
            for name in ["project.toml", "crew.toml", "layers.gpkg", "elevation.tif", "trees.csv"] {
                is_own_file(folder, &format!("out/{name}"));
            }
        },
    )
    .by(&["demo", "--out", "out", "--blocks", "1", "--district-only"]),
    Row::harmless(
        "an output folder that is itself a link",
        "outputs go where it leads, which the user named; the link stays",
        |folder| {
            small_project(folder);
            fs::create_dir(folder.join("out")).unwrap();
            symlink("out", folder.join("link")).unwrap();
        },
        |folder, _| is_whole(folder),
    )
    .by(&["layout", "project.toml", "--out", "link"]),
    Row::refused(
        "an output folder with somebody's files",
        "exit 1: nothing in it is overwritten",
        |folder| {
            small_project(folder);
            fs::create_dir(folder.join("out")).unwrap();
            write(folder, "out/layout.gpkg", "mine");
        },
        &["nothing in it is overwritten"],
    )
    .ends(1)
    .then(|folder, _| assert_eq!(fs::read(folder.join("out/layout.gpkg")).unwrap(), b"mine")),
    Row::refused(
        "the project's own folder as the output folder",
        "exit 1: nothing in it is overwritten",
        small_project,
        &["nothing in it is overwritten"],
    )
    .by(&["layout", "project.toml", "--out", "."])
    .ends(1),
    Row::refused(
        "an earlier layout as a layer of the run that would replace it",
        "exit 1: outputs would replace an input",
        |folder| from_out(folder, "layout.gpkg"),
        &["layout.gpkg is an input of this run"],
    )
    .ends(1)
    .then(|folder, _| is_whole(folder)),
    Row::harmless(
        "a layer in the output folder under a name of its own",
        "read, and left as it is",
        |folder| {
            from_out(folder, "mine.gpkg");
            fs::copy(folder.join("out/layout.gpkg"), folder.join("out/mine.gpkg")).unwrap();
            fs::copy(folder.join("out/layout.gpkg"), folder.join("outside/same.gpkg")).unwrap();
        },
        |folder, _| {
            let mine = fs::read(folder.join("out/mine.gpkg")).unwrap();
            assert_eq!(mine, fs::read(folder.join("outside/same.gpkg")).unwrap());
        },
    ),
    Row::refused(
        "a list of sums with paths that lead out of the folder",
        "exit 2: the path leads out of the folder",
        |folder| {
            laid_out(folder);
            let sums = format!("{}  ../outside/mine.txt\n", "0".repeat(64));
            write(folder, "out/SHA256SUMS", &sums);
        },
        &["SHA256SUMS, line 1: the path leads out of the folder"],
    )
    .by(&["verify", "out"]),
    Row::harmless(
        "layers that may only be read, in a folder that may only be read",
        "read; nothing beside them is altered or made",
        |folder| {
            small_project(folder);
            let inner = folder.join("inner");
            fs::create_dir(&inner).unwrap();
            for name in ["blocks.geojson", "roads.geojson"] {
                fs::rename(folder.join(name), inner.join(name)).unwrap();
                let mut may = fs::metadata(inner.join(name)).unwrap().permissions();
                may.set_readonly(true);
                fs::set_permissions(inner.join(name), may).unwrap();
            }
            let text = fs::read_to_string(folder.join("project.toml")).unwrap();
            write(folder, "project.toml", &text.replace("source = \"", "source = \"inner/"));
            let text = fs::read_to_string(folder.join("project.toml")).unwrap();
            write(folder, "project.toml", &text.replace("source = \"inner/test", "source = \"test"));
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(&inner, fs::Permissions::from_mode(0o555)).unwrap();
        },
        |folder, _| {
            use std::os::unix::fs::PermissionsExt;
            fs::set_permissions(folder.join("inner"), fs::Permissions::from_mode(0o755)).unwrap();
        },
    ),
];

pub fn rows() -> &'static [Row] {
    ROWS
}

#[test]
fn folders() {
    check_all(ROWS);
}
