//! What changed from one plan to the next: JSON for programs, a short list for people, and maps.

mod list;
pub mod map;
mod words;

use std::fs;
use std::path::Path;

use super::OutputError;
use crate::model::{Changes, Language};

pub(super) const JSON: &str = "changes.json";
pub(super) const LIST: &str = "changes.md";
/// Folder of maps.
pub(super) const MAPS: &str = "changes";

/// # Errors
/// A file that cannot be written.
pub(super) fn write(dir: &Path, changes: &Changes, language: Language) -> Result<(), OutputError> {
    let json = dir.join(JSON);
    let text = serde_json::to_string_pretty(changes).map_err(|source| OutputError::Json {
        path: json.clone(),
        source,
    })?;
    fs::write(&json, text + "\n").map_err(OutputError::file(&json, "write the file"))?;
    let path = dir.join(LIST);
    let text = list::text(changes, words::of(language));
    fs::write(&path, text).map_err(OutputError::file(&path, "write the file"))
}
