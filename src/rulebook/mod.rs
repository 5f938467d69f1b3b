//! Rules as data: what a class of feature asks for, and where that is written. Presets are embedded TOML.

mod preset;
mod show;
pub(crate) mod toml_text;
pub(crate) mod values;

use serde::Serialize;

use crate::model::LayerKind;

pub use preset::{RulebookError, parse, preset, preset_names};
pub use show::show;
pub use toml_text::{Place, TomlFault};

/// The roles that rule lines may speak about; other roles have settings instead.
pub const RULED_KINDS: [LayerKind; 5] = [
    LayerKind::Streams,
    LayerKind::Lakes,
    LayerKind::Wetlands,
    LayerKind::Roads,
    LayerKind::Protected,
];

/// How a figure came to be known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub enum ReadStatus {
    /// Seen in the rule, standard or paper itself.
    #[serde(rename = "read in source")]
    ReadInSource,
    /// Seen quoted elsewhere.
    #[serde(rename = "secondary")]
    Secondary,
    /// Not seen; warns wherever it decides.
    #[serde(rename = "from memory")]
    FromMemory,
    /// Common practice of the trade, no source needed.
    #[serde(rename = "common practice")]
    CommonPractice,
    /// Set by the project file.
    #[serde(rename = "project")]
    Project,
}

/// Where a figure comes from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Citation {
    /// For example `BC-04: stream class table ..., class S3`.
    pub text: String,
    pub status: ReadStatus,
}

/// What one class of features asks for. Widths run from the feature's edge: bank, road edge or polygon edge.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RuleLine {
    /// Stable id, for example `stream-s3`.
    pub id: String,
    pub kind: LayerKind,
    /// Class this line applies to; `*` for every class of the kind.
    pub class: String,
    pub title: String,
    /// The class's definition in words.
    pub definition: String,
    pub reserve_m: f64,
    pub management_m: f64,
    /// Share of the management zone that must stay, 0..=1.
    pub management_share: f64,
    pub machine_exclusion_m: f64,
    /// Widest channel of the class; half of it stands in for an unknown channel width.
    pub channel_up_to_m: Option<f64>,
    pub citation: Citation,
}

/// A share or other single value with its source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cited<T> {
    pub value: T,
    pub citation: Citation,
}

/// The rules in force: a preset with the project's overrides.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rulebook {
    pub preset: String,
    pub title: String,
    pub lines: Vec<RuleLine>,
    /// Share of the net area (or of the gross area, if reserves count) that must be left standing.
    pub retention_share: Cited<f64>,
    /// Whether reserves inside the block count towards the retention share; the share is then of the gross area.
    pub reserves_count: bool,
}

/// The rule for a feature and what had to be assumed to find it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Match<'a> {
    Line(&'a RuleLine),
    /// The class is missing or unknown: the widest line of the kind stands in.
    Assumed(&'a RuleLine),
    /// The rulebook has nothing for this kind.
    None,
}

impl Rulebook {
    /// The line for a class: exact class first (ASCII case ignored), then `*`, then the widest line as an assumption.
    pub fn find(&self, kind: LayerKind, class: Option<&str>) -> Match<'_> {
        let of_kind = || self.lines.iter().filter(move |line| line.kind == kind);
        if let Some(class) = class
            && let Some(line) = of_kind().find(|line| line.class.eq_ignore_ascii_case(class.trim()))
        {
            return Match::Line(line);
        }
        if let Some(line) = of_kind().find(|line| line.class == "*") {
            return Match::Line(line);
        }
        let widest = of_kind().max_by(|a, b| {
            let key = |line: &RuleLine| (line.reserve_m, line.reserve_m + line.management_m);
            key(a)
                .0
                .total_cmp(&key(b).0)
                .then(key(a).1.total_cmp(&key(b).1))
        });
        widest.map_or(Match::None, Match::Assumed)
    }
}
