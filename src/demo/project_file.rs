//! The district's project file, and a crew for it.

use std::path::Path;

/// From this many blocks on, outputs that few would look through are left out.
const MANY_BLOCKS: usize = 5_000;

/// The text of `project.toml`: every layer mapped, every setting that a planner is likely to touch shown.
pub fn text(name: &str, blocks: usize) -> String {
    let mut text = include_str!("project.toml").replace("{name}", name);
    if blocks >= MANY_BLOCKS {
        text += include_str!("many_blocks.toml");
    }
    text
}

/// The text of `crew.toml`: machines that can work what the project file lays out.
pub const CREW: &str = include_str!("crew.toml");

/// Path of the stand table in the district's folder.
pub fn table_path(dir: &Path) -> std::path::PathBuf {
    dir.join("trees.csv")
}

/// Path of the notes in the district's folder.
pub fn notes_path(dir: &Path) -> std::path::PathBuf {
    dir.join("notes.geojson")
}

/// Path of the crew file in the district's folder.
pub fn crew_path(dir: &Path) -> std::path::PathBuf {
    dir.join("crew.toml")
}

/// Path of the project file in the district's folder.
pub fn path(dir: &Path) -> std::path::PathBuf {
    dir.join("project.toml")
}
