//! A project file from the layers themselves: what can be seen is written down with its reason, what is in doubt stands
//! commented out, and what only a person can say is left to be said.

mod attributes;
mod doubts;
mod draft;
mod files;
mod place;
mod rasters;
mod roles;
mod split;
mod update;
mod words;

use std::io::{self, Write};
use std::path::{Path, PathBuf};

pub use doubts::doubts;
pub use draft::{Draft, LayerNote, Standing, Task};
pub use place::Proposal;
pub use roles::RoleGuess;

use crate::project::TEXT_FILE_BYTES;
use crate::sources::{self, SurveyedLayer, SurveyedRaster};

/// Why no project file was written.
#[derive(Debug, thiserror::Error)]
pub enum InitError {
    #[error("error[unreadable]: {path}\n  {why}\n  hint: name a folder of layers, or the layers themselves", path = .path.display())]
    Unreadable { path: PathBuf, why: String },
    #[error("error[unknown-format]: {}\n  it is in no format that is read\n  hint: {FORMATS}", .0.display())]
    OtherFormat(PathBuf),
    #[error("error[no-layers]: {}\n  there is no layer and no raster in it\n  hint: {FORMATS}", shown(.0))]
    NothingThere(Vec<PathBuf>),
    #[error("error[too-many-files]: {path}\n  it holds more than {most} files of layers, rasters and tables\n  hint: name those that are meant, or a folder below", path = .folder.display())]
    TooMany { folder: PathBuf, most: usize },
    #[error("error[file-exists]: {}\n  it is there already, and nothing is written over it\n  hint: `--update` adds layers that are new and keeps all that stands in it; `--out` names another file", .0.display())]
    Exists(PathBuf),
    #[error("error[not-toml]: {path}\n  {why}\n  hint: correct this line, or write a new file with `--out`", path = .path.display())]
    NotToml { path: PathBuf, why: String },
    #[error("error[cannot-write]: {path}\n  {source}", path = .path.display())]
    CannotWrite { path: PathBuf, source: io::Error },
}

const FORMATS: &str = "layers may be GeoPackage, Shapefile, GeoJSON, GeoJSON sequence, FlatGeobuf or MapInfo, rasters GeoTIFF, ASCII grid, \
     EHdr, HGT, USGS DEM, DTED or VRT";

fn shown(paths: &[PathBuf]) -> String {
    let texts: Vec<String> = paths
        .iter()
        .map(|path| path.display().to_string())
        .collect();
    texts.join(", ")
}

impl InitError {
    fn unreadable(path: &Path, error: &io::Error) -> InitError {
        let why = match error.kind() {
            io::ErrorKind::NotFound => "there is no such file or folder".to_owned(),
            io::ErrorKind::PermissionDenied => "it may not be read".to_owned(),
            _ => error.to_string(),
        };
        InitError::Unreadable {
            path: path.to_owned(),
            why,
        }
    }

    /// Whether the machine is at fault, and not what was named.
    pub fn is_of_the_machine(&self) -> bool {
        matches!(self, InitError::CannotWrite { .. })
    }
}

/// What is there.
#[derive(Clone, Debug, Default)]
pub(crate) struct Survey {
    pub layers: Vec<SurveyedLayer>,
    pub rasters: Vec<SurveyedRaster>,
    pub tables: Vec<PathBuf>,
    /// Files and folders that were not looked into, and why.
    pub unread: Vec<(PathBuf, String)>,
}

/// What became of the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Written {
    New,
    Updated,
    /// There was nothing to add.
    Unchanged,
}

/// A project file that was written.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub path: PathBuf,
    pub written: Written,
    pub draft: Draft,
    /// The whole text of the file.
    pub text: String,
}

/// Where the project file goes unless something else is said: into the folder, where one is named.
pub fn default_out(inputs: &[PathBuf]) -> PathBuf {
    match inputs {
        [one] if one.is_dir() => one.join("project.toml"),
        _ => PathBuf::from("project.toml"),
    }
}

/// Looks into layers and rasters and writes a project file. `on` is told of each file before it is read.
///
/// # Errors
/// See [`InitError`]; then nothing was written.
pub fn write(
    inputs: &[PathBuf],
    out: &Path,
    update: bool,
    mut on: impl FnMut(&Path),
) -> Result<Outcome, InitError> {
    let there = match std::fs::metadata(out) {
        Ok(_) if !update => return Err(InitError::Exists(out.to_owned())),
        Ok(_) => Some(read_text(out)?),
        Err(_) => None,
    };
    let survey = survey(inputs, &mut on)?;
    let draft = Draft::new(&survey, out);
    let Some(old) = there else {
        let text = draft.text();
        put(out, &text, true)?;
        return Ok(Outcome {
            path: out.to_owned(),
            written: Written::New,
            draft,
            text,
        });
    };
    let added = update::add(&old, draft).map_err(|why| InitError::NotToml {
        path: out.to_owned(),
        why,
    })?;
    let written = match added.text == old {
        true => Written::Unchanged,
        false => Written::Updated,
    };
    if written == Written::Updated {
        put(out, &added.text, false)?;
    }
    Ok(Outcome {
        path: out.to_owned(),
        written,
        draft: added.draft,
        text: added.text,
    })
}

fn read_text(path: &Path) -> Result<String, InitError> {
    let bytes = sources::read_plain(path, TEXT_FILE_BYTES)
        .map_err(|error| InitError::unreadable(path, &error))?;
    String::from_utf8(bytes).map_err(|_| InitError::NotToml {
        path: path.to_owned(),
        why: "it is not in UTF-8".to_owned(),
    })
}

fn survey(inputs: &[PathBuf], on: &mut impl FnMut(&Path)) -> Result<Survey, InitError> {
    let found = files::find(inputs)?;
    let mut survey = Survey {
        tables: found.tables,
        ..Survey::default()
    };
    for (folder, why) in found.passed_over {
        survey.unread.push((folder, why.to_owned()));
    }
    for path in found.layers {
        on(&path);
        match sources::survey_layers(&path) {
            Ok(layers) => survey.layers.extend(layers),
            Err(why) => survey.unread.push((path, why)),
        }
    }
    for path in found.rasters {
        on(&path);
        match sources::survey_raster(&path) {
            Ok(raster) => survey.rasters.push(raster),
            Err(why) => survey.unread.push((path, why)),
        }
    }
    if survey.layers.is_empty() && survey.rasters.is_empty() {
        return Err(match &survey.unread[..] {
            [(path, why), ..] => InitError::Unreadable {
                path: path.clone(),
                why: why.clone(),
            },
            [] => InitError::NothingThere(inputs.to_vec()),
        });
    }
    Ok(survey)
}

/// Writes the file whole or not at all; a new one never over another.
fn put(path: &Path, text: &str, is_new: bool) -> Result<(), InitError> {
    let failed = |source: io::Error| InitError::CannotWrite {
        path: path.to_owned(),
        source,
    };
    let mut beside = path.as_os_str().to_owned();
    beside.push(format!(".{}.tmp", std::process::id()));
    let beside = PathBuf::from(beside);
    let written = (|| {
        let mut file = std::fs::OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&beside)?;
        file.write_all(text.as_bytes())?;
        file.sync_all()?;
        match is_new {
            // Fails where somebody else has just written one.
            true => std::fs::hard_link(&beside, path).or_else(|error| match error.kind() {
                io::ErrorKind::AlreadyExists => Err(error),
                // A file system without links.
                _ if !path.exists() => std::fs::rename(&beside, path),
                _ => Err(error),
            }),
            false => {
                if let Ok(old) = std::fs::metadata(path) {
                    file.set_permissions(old.permissions())?;
                }
                std::fs::rename(&beside, path)
            }
        }
    })();
    let _ = std::fs::remove_file(&beside);
    written.map_err(failed)
}
