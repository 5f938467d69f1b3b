//! What can be wrong with a project file: where, why, and what to do about it.

use std::fmt;
use std::path::PathBuf;

use crate::rulebook::toml_text::did_you_mean;
use crate::rulebook::{Place, RulebookError, TomlFault, preset_names, unknown_preset_hint};
use crate::units::UnitError;

/// A project file, or the rulebook it names, that can't be used; the user has to change something (exit code 2).
#[derive(Clone, Debug, PartialEq)]
pub struct ProjectError {
    /// The file at fault: the project file as given by the caller, or its rulebook.
    pub path: PathBuf,
    /// None where no line is at fault, for example when the file can't be read.
    pub place: Option<Place>,
    /// Boxed: errors are passed up many levels.
    pub reason: Box<Reason>,
    /// What else is wrong with the same file, in its order.
    pub also: Vec<ProjectError>,
}

/// Whose file is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Whose {
    /// Of the role with this key.
    Layer(&'static str),
    Rulebook,
}

impl fmt::Display for Whose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Whose::Layer(role) => write!(f, "layer {role}"),
            Whose::Rulebook => f.write_str("rulebook"),
        }
    }
}

impl Whose {
    /// The key of the project file that names it.
    fn key(self) -> &'static str {
        match self {
            Whose::Layer(_) => "source",
            Whose::Rulebook => "rulebook",
        }
    }
}

/// Why a project file can't be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Reason {
    #[error("the file can't be read: {0}")]
    Unreadable(String),
    #[error(transparent)]
    Toml(TomlFault),
    #[error("`{role}` is no role that a layer can play")]
    UnknownRole { role: String, valid: Vec<String> },
    #[error("`[rules]` names neither a `preset` nor a `rulebook`")]
    NoRules,
    #[error("no layer plays the role `blocks`")]
    NoBlocks,
    #[error("`{key}`: {source}")]
    Unit { key: String, source: UnitError },
    #[error("`{key}`: `{value}` is not {wanted}")]
    NotA {
        key: String,
        value: String,
        wanted: &'static str,
    },
    #[error("`{key}`: {message}")]
    WrongValue { key: String, message: String },
    #[error("`{key}` is {value}, but must lie between {lowest} and {highest}")]
    OutOfRange {
        key: String,
        value: String,
        lowest: String,
        highest: String,
    },
    #[error("{message}")]
    Contradiction { message: String, remedy: String },
    #[error("`{value}` is not a choice for `{key}`")]
    UnknownChoice {
        key: String,
        value: String,
        valid: Vec<String>,
    },
    #[error("{whose}: `{source_text}` is no plain file: {why}")]
    NotAPlainFile {
        whose: Whose,
        source_text: String,
        why: &'static str,
    },
    #[error("{whose}: there is no file `{resolved}`")]
    MissingFile {
        whose: Whose,
        resolved: String,
        /// Name of a file beside it that may be meant.
        near: Option<String>,
    },
    #[error("there is no preset `{name}`")]
    UnknownPreset { name: String },
    #[error("class `{class}` of {role} is not in the rules")]
    UnknownClass {
        role: String,
        class: String,
        valid: Vec<String>,
    },
    #[error("the rule for {kind} of class `{class}` names no source")]
    NoSource { kind: String, class: String },
    #[error("`{0}` is no CRS that can be looked up")]
    WrongCrs(String),
    #[error("the filter `{filter}` is not read: {why}")]
    WrongFilter { filter: String, why: &'static str },
    #[error("`{key}` is empty")]
    Empty { key: String },
    #[error("`{key}` is a list of values")]
    ListOfValues { key: String },
    #[error("the lists make more than {most} combinations")]
    TooManyCombinations { most: usize },
    #[error("{0}")]
    WrongRule(String),
    #[error("the preset can't be used: {0}")]
    Preset(RulebookError),
}

impl Reason {
    /// A stable word for the reason.
    pub fn code(&self) -> &'static str {
        match self {
            Reason::Unreadable(_) => "unreadable-file",
            Reason::Toml(fault) => fault.code(),
            Reason::UnknownRole { .. } => "unknown-role",
            Reason::NoRules => "missing-key",
            Reason::NoBlocks => "missing-role",
            Reason::Unit { source, .. } => match source {
                UnitError::NotALength(_) | UnitError::UnknownUnit { .. } => "wrong-unit",
                UnitError::NotAShare(_) => "wrong-share",
                UnitError::Negative(_) | UnitError::ShareOutOfRange(_) => "out-of-range",
            },
            Reason::NotA { .. } | Reason::WrongValue { .. } => "wrong-value",
            Reason::OutOfRange { .. } => "out-of-range",
            Reason::Contradiction { .. } => "contradiction",
            Reason::UnknownChoice { .. } => "unknown-choice",
            Reason::NotAPlainFile { .. } => "not-a-plain-file",
            Reason::MissingFile { .. } => "missing-file",
            Reason::UnknownPreset { .. } | Reason::Preset(_) => "unknown-preset",
            Reason::UnknownClass { .. } => "unknown-class",
            Reason::NoSource { .. } => "missing-source",
            Reason::WrongCrs(_) => "wrong-crs",
            Reason::WrongFilter { .. } => "wrong-filter",
            Reason::Empty { .. } => "empty-value",
            Reason::ListOfValues { .. } => "list-of-values",
            Reason::TooManyCombinations { .. } => "too-many-combinations",
            Reason::WrongRule(_) => "wrong-rule",
        }
    }

    /// What the user can do.
    pub fn hint(&self) -> String {
        match self {
            Reason::Unreadable(_) => "check the path and who may read the file".to_owned(),
            Reason::NoRules => format!(
                "add `preset = ...`; there are {}; or `rulebook = \"my-rules.toml\"`, a file of your own",
                preset_list()
            ),
            Reason::Toml(TomlFault::MissingKey { key }) if key == "rules" => {
                format!(
                    "add a table `[rules]` with `preset = ...`; there are {}",
                    preset_list()
                )
            }
            Reason::Toml(TomlFault::MissingKey { key }) if key == "layers" => {
                "add a table `[layers.blocks]` with `source = ...`".to_owned()
            }
            Reason::Toml(fault) => fault.hint(),
            Reason::UnknownRole { role, valid } => did_you_mean(role, valid),
            Reason::NoBlocks => "add a table `[layers.blocks]` with `source = ...`".to_owned(),
            Reason::Unit { source, .. } => match source {
                UnitError::NotALength(_) | UnitError::UnknownUnit { .. } => {
                    "write a number and a unit, or a bare number in the project's `unit`".to_owned()
                }
                UnitError::Negative(_) => "write 0 or more".to_owned(),
                UnitError::NotAShare(_) | UnitError::ShareOutOfRange(_) => {
                    "a number with % is a percentage, one without is a fraction of 1".to_owned()
                }
            },
            Reason::NotA { .. } | Reason::WrongValue { .. } => "correct the value".to_owned(),
            Reason::OutOfRange { .. } => "choose a value in this range".to_owned(),
            Reason::Contradiction { remedy, .. } => remedy.clone(),
            Reason::UnknownChoice { value, valid, .. } => did_you_mean(value, valid),
            Reason::NotAPlainFile {
                whose: Whose::Rulebook,
                ..
            } => "a rulebook is a text file: save it beside the project file and name it by its path"
                .to_owned(),
            Reason::NotAPlainFile { .. } => {
                "only plain files are read: save the layer beside the project file and name it by its path; layers \
                 within a file are chosen by `layer`"
                    .to_owned()
            }
            Reason::MissingFile { near, whose, .. } => match near {
                Some(near) => format!(
                    "did you mean `{near}`? paths are taken from the project file's own folder"
                ),
                None => format!(
                    "correct `{}`; paths are taken from the project file's own folder",
                    whose.key()
                ),
            },
            Reason::UnknownPreset { name } => unknown_preset_hint(name),
            Reason::UnknownClass { class, valid, .. } => {
                format!(
                    "{}; or add a `[[rules.line]]` for this class",
                    did_you_mean(class, valid)
                )
            }
            Reason::NoSource { .. } => {
                "add `source = \"...\"` to this line or to `[rules]`: the permit, plan or code that says so"
                    .to_owned()
            }
            Reason::WrongCrs(_) => {
                "write an authority's code such as \"EPSG:32616\", WKT, or a string that begins with +proj"
                    .to_owned()
            }
            Reason::WrongFilter { .. } => {
                "write one condition; join several with AND or OR, such as \"CLASS = 'S3' AND WIDTH > 2\"".to_owned()
            }
            Reason::Empty { .. } => "give a value or remove the key".to_owned(),
            Reason::ListOfValues { .. } => {
                "write one value; lists are for `blockwright layout PROJECT --compare`, which tries each of them"
                    .to_owned()
            }
            Reason::TooManyCombinations { .. } => "shorten the lists".to_owned(),
            Reason::WrongRule(_) => {
                "correct this line; docs/rulebook.md has the format".to_owned()
            }
            Reason::Preset(_) => format!("there are {}", preset_list()),
        }
    }
}

fn preset_list() -> String {
    let names: Vec<String> = preset_names()
        .iter()
        .map(|name| format!("`{name}`"))
        .collect();
    names.join(", ")
}

impl ProjectError {
    /// A stable word for the reason, for example `unknown-key`.
    pub fn code(&self) -> &'static str {
        self.reason.code()
    }
}

impl fmt::Display for ProjectError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "error[{}]: {}", self.code(), self.path.display())?;
        if let Some(place) = &self.place {
            write!(f, ", line {}, column {}", place.line, place.column)?;
            write!(f, "\n{place}")?;
        }
        write!(f, "\n  {}\n  hint: {}", self.reason, self.reason.hint())?;
        for other in &self.also {
            write!(f, "\n\n{other}")?;
        }
        match self.also.len() {
            0 => Ok(()),
            more => write!(f, "\n\n{} faults in all", more + 1),
        }
    }
}

impl std::error::Error for ProjectError {}
