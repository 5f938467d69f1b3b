//! Whether results still are what a run wrote, and its inputs what it read.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::outputs::{self, Verified, VerifyError};
use crate::project::Project;
use crate::sources::limits::REPORT_FILE_BYTES;
use crate::sources::{self, InputFile, SourceError};

#[derive(Debug, thiserror::Error)]
pub enum VerifyFailure {
    #[error(transparent)]
    Outputs(#[from] VerifyError),
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error(
        "{}: it cannot be read as the report of a run: {why}\n  hint: leave out --project, or name the folder of a layout or an audit",
        path.display()
    )]
    NoReport { path: PathBuf, why: String },
}

/// What became of the inputs that a run read, by their names in the project file.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Inputs {
    pub files: u64,
    /// Others by now than the run read.
    pub altered: Vec<String>,
    /// Read by the run, and no part of the project any more.
    pub missing: Vec<String>,
    /// Part of the project, and not read by the run.
    pub added: Vec<String>,
}

#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Verification {
    pub outputs: Verified,
    /// None where no project was given.
    pub inputs: Option<Inputs>,
}

impl Verification {
    pub fn is_sound(&self) -> bool {
        let sound = |inputs: &Inputs| {
            [&inputs.altered, &inputs.missing, &inputs.added]
                .iter()
                .all(|list| list.is_empty())
        };
        self.outputs.is_sound() && self.inputs.as_ref().is_none_or(sound)
    }
}

/// Holds the files in `dir` against the sums that their run wrote, and the layers of a project against those that it read.
///
/// # Errors
/// There are no sums or no report in `dir`, or the layers cannot be read.
pub fn verify(dir: &Path, project: Option<&Project>) -> Result<Verification, VerifyFailure> {
    let outputs = outputs::verify(dir)?;
    let inputs = match project {
        Some(project) => {
            let then = reported(&dir.join("run.json"))?;
            Some(compared(&then, &sources::read(project)?.inputs))
        }
        None => None,
    };
    Ok(Verification { outputs, inputs })
}

#[derive(serde::Deserialize)]
struct Report {
    inputs: Vec<InputFile>,
}

fn reported(path: &Path) -> Result<Vec<InputFile>, VerifyFailure> {
    let unread = |why: String| VerifyFailure::NoReport {
        path: path.to_owned(),
        why,
    };
    let bytes =
        sources::read_plain(path, REPORT_FILE_BYTES).map_err(|error| unread(error.to_string()))?;
    let report: Report =
        serde_json::from_slice(&bytes).map_err(|error| unread(error.to_string()))?;
    Ok(report.inputs)
}

fn compared(then: &[InputFile], now: &[InputFile]) -> Inputs {
    let by_name = |files: &[InputFile]| -> BTreeMap<String, String> {
        (files.iter())
            .map(|file| (file.source.clone(), file.sha256.clone()))
            .collect()
    };
    let (then, now) = (by_name(then), by_name(now));
    let mut inputs = Inputs {
        files: then.len() as u64,
        ..Inputs::default()
    };
    for (name, sum) in &then {
        match now.get(name) {
            None => inputs.missing.push(name.clone()),
            Some(found) if found != sum => inputs.altered.push(name.clone()),
            Some(_) => {}
        }
    }
    inputs.added = now
        .into_keys()
        .filter(|name| !then.contains_key(name))
        .collect();
    inputs
}
