//! What the contributors' documents name is in the tree: modules, files, folders, constants. And every room is named.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const DOCUMENTS: [&str; 2] = ["docs/architecture.md", "DEVELOPERS.md"];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn read(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Code spans of a text, without its fenced blocks.
fn spans(text: &str) -> Vec<String> {
    let prose: Vec<&str> = text.split("```").step_by(2).collect();
    let spans = prose
        .iter()
        .flat_map(|part| part.split('`').skip(1).step_by(2));
    spans.map(str::to_owned).collect()
}

fn files_under(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files_under(&path, found);
        } else if path.extension().is_some_and(|extension| {
            ["rs", "sh", "toml", "py"]
                .iter()
                .any(|own| extension == *own)
        }) {
            found.push(path);
        }
    }
}

/// Whether `a::b::c` is a module, or an item in the module before it.
fn is_module_or_item(name: &str, code: &str) -> bool {
    let parts: Vec<&str> = name.split("::").collect();
    let module = |parts: &[&str]| {
        let path = parts.join("/");
        let rooms = ["src", "tests"].map(|room| root().join(room));
        let mut rooms = rooms.iter();
        rooms.any(|room| room.join(&path).is_dir() || room.join(format!("{path}.rs")).is_file())
    };
    let Some((item, before)) = parts.split_last() else {
        return false;
    };
    module(&parts) || (module(before) && code.contains(*item))
}

fn is_module_name(text: &str) -> bool {
    let parts = text.split("::");
    text.contains("::")
        && parts.into_iter().all(|part| {
            !part.is_empty() && part.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
        })
}

fn is_constant(text: &str) -> bool {
    text.len() > 4
        && text.contains('_')
        && text
            .chars()
            .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '_')
}

fn is_path(text: &str) -> bool {
    let plain = text
        .chars()
        .all(|c| c.is_ascii_alphanumeric() || "_-./".contains(c));
    plain
        && text.contains('/')
        && !text.contains("//")
        && text.chars().any(|c| c.is_ascii_lowercase())
}

/// What a document says that is not so, with the names of all code put into one text.
fn wrong_names(document: &str, code: &str) -> Vec<String> {
    let is_there = |path: &str| {
        root().join(path).exists()
            || root().join("src").join(path).exists()
            || root().join("tests").join(path).exists()
    };
    let wrong = |span: &String| {
        if is_module_name(span) {
            return !is_module_or_item(span, code);
        }
        if is_constant(span) {
            return !code.contains(span.as_str());
        }
        // Names in capitals stand for others, and what a run writes lies in its folder.
        let stands_for_others = span
            .split(['/', '.'])
            .any(|part| part.len() > 1 && part.chars().all(|c| c.is_ascii_uppercase()));
        is_path(span)
            && !stands_for_others
            // What lies beside the checkout is not the tree's.
            && !span.starts_with("../")
            && !span.starts_with("demo-out")
            && !span.starts_with("target")
            && !is_there(span)
    };
    let mut found: Vec<String> = spans(document).into_iter().filter(wrong).collect();
    found.sort();
    found.dedup();
    found
}

fn code() -> String {
    let mut files = Vec::new();
    for folder in ["src", "tests", "scripts", ".cargo"] {
        files_under(&root().join(folder), &mut files);
    }
    files.sort();
    let texts = files
        .iter()
        .map(|path| std::fs::read_to_string(path).unwrap_or_default());
    texts.collect::<Vec<_>>().join("\n")
}

/// Modules of the first column of the table of modules; a bare name stands in the room of the name before it.
fn modules_of_the_table(document: &str) -> Vec<String> {
    let rows = document.lines().filter(|line| line.starts_with("| `"));
    let cells = rows.filter_map(|row| row.split('|').nth(1));
    let mut found = Vec::new();
    for cell in cells {
        let mut room = String::new();
        for span in spans(cell) {
            let is_room = root().join("src").join(&span).is_dir();
            match span.rsplit_once("::") {
                Some((before, _)) => room = before.to_owned(),
                None if is_room || room.is_empty() => {}
                None => {
                    found.push(format!("{room}::{span}"));
                    continue;
                }
            }
            found.push(span);
        }
    }
    found
}

#[test]
fn every_module_of_the_table_is_there() {
    let modules = modules_of_the_table(&read("docs/architecture.md"));
    assert!(modules.len() >= 80, "{}", modules.len());
    let src = root().join("src");
    let is_there = |name: &String| {
        let path = src.join(name.replace("::", "/"));
        path.is_dir() || path.with_extension("rs").is_file() || name == "gdal-calls"
    };
    let wrong: Vec<&String> = modules.iter().filter(|name| !is_there(name)).collect();
    assert_eq!(wrong, Vec::<&String>::new());
}

#[test]
fn modules_files_and_constants_that_documents_name_are_there() {
    let code = code();
    for document in DOCUMENTS {
        assert_eq!(
            wrong_names(&read(document), &code),
            Vec::<String>::new(),
            "{document}"
        );
    }
    // The test sees what is not there.
    let wrong = wrong_names(
        "`audit::nowhere` `NO_SUCH_CONSTANT` `src/nowhere/` `audit::cut` `src/audit`",
        "x",
    );
    assert_eq!(
        wrong,
        ["NO_SUCH_CONSTANT", "audit::nowhere", "src/nowhere/"]
    );
}

#[test]
fn every_room_of_the_program_is_named() {
    let entries = std::fs::read_dir(root().join("src")).unwrap();
    let rooms = entries.map(|entry| entry.unwrap().path());
    let rooms: BTreeSet<String> = rooms
        .filter(|path| {
            path.is_dir()
                || path
                    .file_stem()
                    .is_some_and(|stem| stem != "lib" && stem != "main")
        })
        .map(|path| path.file_stem().unwrap().to_string_lossy().into_owned())
        .collect();
    assert!(rooms.len() >= 20, "{rooms:?}");
    let architecture: BTreeSet<String> = spans(&read("docs/architecture.md")).into_iter().collect();
    let folders = read("DEVELOPERS.md");
    let folders = folders.split("```").nth(1).unwrap();
    for room in rooms {
        assert!(
            architecture.contains(&room),
            "docs/architecture.md does not name `{room}`"
        );
        assert!(
            folders.contains(&format!("{room}/")) || folders.contains(&format!("{room}.rs")),
            "DEVELOPERS.md does not name {room}"
        );
    }
}
