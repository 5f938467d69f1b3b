//! The district's project file.

use std::path::Path;

/// The text of `project.toml`: every layer mapped, every setting that a planner is likely to touch shown.
pub fn text(name: &str) -> String {
    include_str!("project.toml").replace("{name}", name)
}

/// Name of the project file in the district's folder.
pub fn path(dir: &Path) -> std::path::PathBuf {
    dir.join("project.toml")
}
