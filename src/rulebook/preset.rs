//! The presets that come with the program, and rulebooks in files of one's own.

use super::Rulebook;
use super::file::RulebookFile;
use super::read::{Fault, Reader, Severity};
use super::toml_text::{Place, TomlFault, did_you_mean, read};
use crate::units::LengthUnit;

/// Names and texts of the embedded presets, in the order of `rules list`.
const PRESETS: [(&str, &str); 15] = [
    ("bc-fppr", include_str!("presets/bc-fppr.toml")),
    ("qc-radf", include_str!("presets/qc-radf.toml")),
    ("wa-wac", include_str!("presets/wa-wac.toml")),
    ("or-west", include_str!("presets/or-west.toml")),
    ("or-east", include_str!("presets/or-east.toml")),
    ("ak-private", include_str!("presets/ak-private.toml")),
    ("ak-public", include_str!("presets/ak-public.toml")),
    ("mt-smz", include_str!("presets/mt-smz.toml")),
    (
        "mn-filter-strip",
        include_str!("presets/mn-filter-strip.toml"),
    ),
    ("nh-rsa", include_str!("presets/nh-rsa.toml")),
    ("me-shoreland", include_str!("presets/me-shoreland.toml")),
    ("ky-bmp", include_str!("presets/ky-bmp.toml")),
    ("uk-water", include_str!("presets/uk-water.toml")),
    (
        "common-practice",
        include_str!("presets/common-practice.toml"),
    ),
    ("bare", include_str!("presets/bare.toml")),
];

/// Presets that earlier versions had, and what to do instead.
const WITHDRAWN: [(&str, &str); 1] = [(
    "wa-wac-west",
    "it was withdrawn, since none of its widths could be read in the rule: read WAC 222-30-021, write them into a rulebook of \
     your own (`blockwright rules show wa-wac --toml > own.toml` has the form) and name it as `rulebook = \"own.toml\"`",
)];

/// A rulebook that can't be used: which file, where in it, and why.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RulebookError {
    #[error("there is no preset `{name}`\n  hint: {}", unknown_preset_hint(name))]
    UnknownPreset { name: String },
    #[error("{file}{}\n  {fault}\n  hint: {}", at(place), fault.hint())]
    Toml {
        file: String,
        place: Option<Box<Place>>,
        fault: TomlFault,
    },
    #[error("{file}{}\n  {message}", at(place))]
    Line {
        file: String,
        place: Option<Box<Place>>,
        message: String,
    },
}

impl RulebookError {
    /// A stable word for the reason.
    pub fn code(&self) -> &'static str {
        match self {
            RulebookError::UnknownPreset { .. } => "unknown-preset",
            RulebookError::Toml { fault, .. } => fault.code(),
            RulebookError::Line { .. } => "wrong-rule",
        }
    }
}

fn at(place: &Option<Box<Place>>) -> String {
    place.as_ref().map_or_else(String::new, |place| {
        format!(", line {}, column {}\n{place}", place.line, place.column)
    })
}

/// Names of all presets.
pub fn preset_names() -> Vec<&'static str> {
    PRESETS.iter().map(|(name, _)| *name).collect()
}

/// What to do about a preset that there is not.
pub(crate) fn unknown_preset_hint(name: &str) -> String {
    match WITHDRAWN.iter().find(|(own, _)| *own == name) {
        Some((_, instead)) => (*instead).to_owned(),
        None => did_you_mean(name, &preset_names()),
    }
}

/// The text of an embedded preset, to start one's own rulebook from.
pub fn preset_text(name: &str) -> Option<&'static str> {
    PRESETS
        .iter()
        .find(|(own, _)| *own == name)
        .map(|(_, text)| *text)
}

/// One of the embedded presets.
///
/// ```
/// use blockwright::model::{Facts, LayerKind};
/// use blockwright::rulebook::{Channel, Match, preset};
///
/// let rules = preset("qc-radf").unwrap();
/// let stream = rules.find(LayerKind::Streams, Some("any"), &Facts::default(), Channel::None);
/// let Match::Line(line) = stream else { panic!("every stream has a line there") };
/// assert_eq!(line.widths(None).reserve_m, 20.0);
/// assert!(line.citation.text.contains("s.27"));
/// ```
///
/// # Errors
/// When there is none of this name; the message lists those there are.
pub fn preset(name: &str) -> Result<Rulebook, RulebookError> {
    let Some(text) = preset_text(name) else {
        return Err(RulebookError::UnknownPreset {
            name: name.to_owned(),
        });
    };
    parse_as(text, name, &format!("preset {name}"))
}

/// Reads a rulebook in the format of the presets. `name` stands for the file in messages and as the preset's name.
///
/// ```
/// let text = r#"
///     title = "Permit 12-B"
///     [block.retention_share]
///     value  = "12 %"
///     source = "permit 12-B, clause 4"
///     status = "read in source"
/// "#;
/// let rules = blockwright::rulebook::parse(text, "permit.toml").unwrap();
/// assert_eq!(rules.retention_share.value, 0.12);
///
/// let wrong = text.replace("12 %", "120 %");
/// let error = blockwright::rulebook::parse(&wrong, "permit.toml").unwrap_err();
/// assert!(error.to_string().starts_with("permit.toml, line 4"));
/// ```
///
/// # Errors
/// On text that is no TOML, unknown or missing keys, wrong units, gaps or overlaps of slope classes, two lines for one
/// class, or a figure without a source; with line and column. [`check`](super::check) lists them all.
pub fn parse(text: &str, name: &str) -> Result<Rulebook, RulebookError> {
    parse_as(text, name, name)
}

fn parse_as(text: &str, name: &str, origin: &str) -> Result<Rulebook, RulebookError> {
    let (rules, faults) = faults(text, name, origin)?;
    let first = faults
        .into_iter()
        .filter(|fault| fault.severity == Severity::Error)
        .min_by_key(|fault| fault.span.start);
    match first {
        None => Ok(rules),
        Some(fault) => Err(RulebookError::Line {
            file: name.to_owned(),
            place: Some(Box::new(Place::of(text, fault.span))),
            message: fault.message,
        }),
    }
}

/// Reads a rulebook and everything wrong with it, in the order of its lines.
///
/// # Errors
/// Only when the text is not TOML of the right shape.
pub(super) fn faults(
    text: &str,
    name: &str,
    origin: &str,
) -> Result<(Rulebook, Vec<Fault>), RulebookError> {
    let file: RulebookFile = read(text).map_err(|(fault, span)| RulebookError::Toml {
        file: name.to_owned(),
        place: span.map(|span| Box::new(Place::of(text, span))),
        fault,
    })?;
    Ok(read_file(&file, text, name, origin))
}

/// From the shape of the TOML to rules, with everything that is wrong on the way.
pub(super) fn read_file(
    file: &RulebookFile,
    text: &str,
    name: &str,
    origin: &str,
) -> (Rulebook, Vec<Fault>) {
    let mut reader = Reader::new(text, origin, LengthUnit::Metre, &file.documents);
    let rules = reader.rulebook(file, name);
    let mut faults = reader.faults;
    faults.sort_by_key(|fault| fault.span.start);
    // What is wrong with a document is found wherever it is cited.
    faults.dedup();
    (rules, faults)
}
