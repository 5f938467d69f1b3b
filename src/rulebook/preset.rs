//! The presets that come with the program, and the reader of their format.

use serde::Deserialize;
use toml::Spanned;

use super::toml_text::{Place, TomlFault, did_you_mean, read};
use super::values::{Length, Share};
use super::{Citation, Cited, RULED_KINDS, ReadStatus, RuleLine, Rulebook};
use crate::model::LayerKind;
use crate::units::LengthUnit;

/// Names of the embedded presets, in the order of `rules list`.
const NAMES: [&str; 2] = ["bc-fppr", "bare"];

/// A rulebook that can't be used: which file, where in it, and why.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RulebookError {
    #[error("there is no preset `{name}`\n  hint: {}", did_you_mean(name, &NAMES))]
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
pub fn preset_names() -> &'static [&'static str] {
    &NAMES
}

/// One of the embedded presets.
///
/// # Errors
/// When there is none of this name; the message lists those there are.
pub fn preset(name: &str) -> Result<Rulebook, RulebookError> {
    let text = match name {
        "bc-fppr" => include_str!("presets/bc-fppr.toml"),
        "bare" => include_str!("presets/bare.toml"),
        _ => {
            return Err(RulebookError::UnknownPreset {
                name: name.to_owned(),
            });
        }
    };
    parse(text, name)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RulebookFile {
    title: String,
    reserves_count: bool,
    retention_share: ShareTable,
    #[serde(default)]
    documents: std::collections::BTreeMap<String, String>,
    #[serde(default)]
    line: Vec<Spanned<LineTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ShareTable {
    value: Spanned<Share>,
    cites: Option<Spanned<String>>,
    document: Option<Spanned<String>>,
    section: Option<String>,
    source: Option<String>,
    status: Spanned<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LineTable {
    id: Spanned<String>,
    kind: Spanned<String>,
    class: Spanned<String>,
    title: String,
    definition: String,
    reserve: Spanned<Length>,
    management: Option<Spanned<Length>>,
    management_share: Option<Spanned<Share>>,
    machine_exclusion: Option<Spanned<Length>>,
    channel_up_to: Option<Spanned<Length>>,
    cites: Option<Spanned<String>>,
    document: Option<Spanned<String>>,
    section: Option<String>,
    source: Option<String>,
    status: Spanned<String>,
}

/// Reads a rulebook in the format of the presets. `name` stands for the file in messages and as the preset's name.
///
/// # Errors
/// On text that is no TOML, unknown or missing keys, wrong units, two lines for one class, or a figure without a
/// source; with line and column.
pub fn parse(text: &str, name: &str) -> Result<Rulebook, RulebookError> {
    let reader = Reader { text, name };
    let file: RulebookFile = read(text).map_err(|(fault, span)| RulebookError::Toml {
        file: name.to_owned(),
        place: span.map(|span| Box::new(Place::of(text, span))),
        fault,
    })?;
    let share = &file.retention_share;
    let retention_share = Cited {
        value: reader.share(&share.value)?,
        citation: reader.citation(
            &file.documents,
            CitationKeys {
                cites: &share.cites,
                document: &share.document,
                section: &share.section,
                source: &share.source,
                status: &share.status,
            },
        )?,
    };
    let mut lines: Vec<RuleLine> = Vec::with_capacity(file.line.len());
    for table in &file.line {
        let line = reader.line(table.get_ref(), &file.documents)?;
        let twin = lines.iter().find(|other| {
            other.id == line.id
                || (other.kind == line.kind && other.class.eq_ignore_ascii_case(&line.class))
        });
        if let Some(twin) = twin {
            return Err(reader.wrong(
                table.span(),
                format!(
                    "line `{}` ({} {}) is there twice: see line `{}` ({} {})",
                    line.id,
                    line.kind.key(),
                    line.class,
                    twin.id,
                    twin.kind.key(),
                    twin.class
                ),
            ));
        }
        lines.push(line);
    }
    Ok(Rulebook {
        preset: name.to_owned(),
        title: file.title,
        lines,
        retention_share,
        reserves_count: file.reserves_count,
    })
}

struct CitationKeys<'a> {
    cites: &'a Option<Spanned<String>>,
    document: &'a Option<Spanned<String>>,
    section: &'a Option<String>,
    source: &'a Option<String>,
    status: &'a Spanned<String>,
}

struct Reader<'a> {
    text: &'a str,
    name: &'a str,
}

impl Reader<'_> {
    fn wrong(&self, span: std::ops::Range<usize>, message: String) -> RulebookError {
        RulebookError::Line {
            file: self.name.to_owned(),
            place: Some(Box::new(Place::of(self.text, span))),
            message,
        }
    }

    fn share(&self, share: &Spanned<Share>) -> Result<f64, RulebookError> {
        let fraction = share.get_ref().fraction();
        fraction.map_err(|error| self.wrong(share.span(), error.to_string()))
    }

    fn length(&self, length: &Spanned<Length>) -> Result<f64, RulebookError> {
        let metres = length.get_ref().metres(LengthUnit::Metre);
        metres.map_err(|error| self.wrong(length.span(), error.to_string()))
    }

    fn length_or_zero(&self, length: &Option<Spanned<Length>>) -> Result<f64, RulebookError> {
        length
            .as_ref()
            .map_or(Ok(0.0), |length| self.length(length))
    }

    fn line(
        &self,
        table: &LineTable,
        documents: &std::collections::BTreeMap<String, String>,
    ) -> Result<RuleLine, RulebookError> {
        let kind = LayerKind::from_key(table.kind.get_ref())
            .filter(|kind| RULED_KINDS.contains(kind))
            .ok_or_else(|| {
                let valid = RULED_KINDS.map(LayerKind::key);
                let hint = did_you_mean(table.kind.get_ref(), &valid);
                let message = format!("no rules stand for `{}`; {hint}", table.kind.get_ref());
                self.wrong(table.kind.span(), message)
            })?;
        for name in [&table.id, &table.class] {
            if name.get_ref().trim().is_empty() {
                return Err(self.wrong(name.span(), "an id or class may not be empty".to_owned()));
            }
        }
        let management_share = match &table.management_share {
            Some(share) => self.share(share)?,
            None => 0.0,
        };
        Ok(RuleLine {
            id: table.id.get_ref().clone(),
            kind,
            class: table.class.get_ref().trim().to_owned(),
            title: table.title.clone(),
            definition: table.definition.clone(),
            reserve_m: self.length(&table.reserve)?,
            management_m: self.length_or_zero(&table.management)?,
            management_share,
            machine_exclusion_m: self.length_or_zero(&table.machine_exclusion)?,
            channel_up_to_m: match &table.channel_up_to {
                Some(width) => Some(self.length(width)?),
                None => None,
            },
            citation: self.citation(
                documents,
                CitationKeys {
                    cites: &table.cites,
                    document: &table.document,
                    section: &table.section,
                    source: &table.source,
                    status: &table.status,
                },
            )?,
        })
    }

    /// A published figure needs the id of its row and a document; common practice needs words.
    fn citation(
        &self,
        documents: &std::collections::BTreeMap<String, String>,
        keys: CitationKeys<'_>,
    ) -> Result<Citation, RulebookError> {
        let span = keys.status.span();
        let status = match keys.status.get_ref().as_str() {
            "read in source" => ReadStatus::ReadInSource,
            "secondary" => ReadStatus::Secondary,
            "from memory" => ReadStatus::FromMemory,
            "common practice" => ReadStatus::CommonPractice,
            other => {
                let valid = [
                    "read in source",
                    "secondary",
                    "from memory",
                    "common practice",
                ];
                let hint = did_you_mean(other, &valid);
                return Err(self.wrong(span, format!("unknown status `{other}`; {hint}")));
            }
        };
        let mut parts = Vec::new();
        if let Some(document) = keys.document {
            let text = documents.get(document.get_ref()).ok_or_else(|| {
                let names: Vec<&String> = documents.keys().collect();
                let hint = did_you_mean(document.get_ref(), &names);
                let message = format!("no document `{}`; {hint}", document.get_ref());
                self.wrong(document.span(), message)
            })?;
            parts.push(text.as_str());
        }
        parts.extend(keys.section.as_deref());
        parts.extend(keys.source.as_deref());
        if parts.is_empty() {
            let message = "a figure without a source: give `document` or `source`".to_owned();
            return Err(self.wrong(span, message));
        }
        let text = parts.join(", ");
        let text = match keys.cites {
            Some(cites) => format!("{}: {text}", cites.get_ref()),
            None if status == ReadStatus::CommonPractice => text,
            None => {
                let message = "a published figure needs `cites`, the id of its row".to_owned();
                return Err(self.wrong(span, message));
            }
        };
        Ok(Citation { text, status })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rulebook::Match;

    #[test]
    fn every_preset_reads_and_every_line_has_a_source() {
        for name in preset_names() {
            let rules = preset(name).unwrap();
            assert_eq!(&rules.preset, name);
            assert!(!rules.lines.is_empty());
            for line in &rules.lines {
                assert!(!line.citation.text.is_empty(), "{}", line.id);
            }
        }
    }

    #[test]
    fn shares_known_from_memory_only_are_not_applied() {
        for line in &preset("bc-fppr").unwrap().lines {
            assert_eq!(line.management_share, 0.0, "{}", line.id);
        }
    }

    #[test]
    fn a_stream_of_unknown_class_gets_the_widest_reserve() {
        let rules = preset("bc-fppr").unwrap();
        match rules.find(LayerKind::Streams, Some("S1")) {
            Match::Assumed(line) => assert_eq!(line.class, "S1-B"),
            other => panic!("{other:?}"),
        }
        assert_eq!(rules.find(LayerKind::Roads, None), Match::None);
        assert!(matches!(
            rules.find(LayerKind::Protected, None),
            Match::Line(_)
        ));
    }

    fn message_of(text: &str) -> String {
        let error = parse(text, "rules.toml").unwrap_err();
        format!("[{}] {error}", error.code())
    }

    const HEAD: &str = "title = \"t\"\nreserves_count = false\n[retention_share]\nvalue = \"7 %\"\nstatus = \"common practice\"\nsource = \"s\"\n";
    const LINE: &str = "[[line]]\nid = \"a\"\nkind = \"streams\"\nclass = \"S\"\ntitle = \"t\"\ndefinition = \"d\"\nreserve = \"5 m\"\nstatus = \"common practice\"\nsource = \"s\"\n";

    #[test]
    fn a_rulebook_that_can_not_be_used_says_where() {
        let with = |from: &str, to: &str| message_of(&format!("{HEAD}{}", LINE.replace(from, to)));
        assert!(parse(&format!("{HEAD}{LINE}"), "x").is_ok());
        let cases = [
            (with("5 m", "5 chains"), "line 13, column 11"),
            (with("\"streams\"", "\"stream\""), "did you mean `streams`?"),
            (with("reserve", "reserv"), "unknown key `reserv`"),
            (
                with("common practice", "secondary"),
                "a published figure needs `cites`",
            ),
            (with("source = \"s\"", ""), "a figure without a source"),
            (with("source", "document"), "no document `s`"),
            (message_of(&format!("{HEAD}{LINE}{LINE}")), "is there twice"),
            (preset("bc-fpr").unwrap_err().to_string(), "`bc-fppr`?"),
        ];
        for (message, part) in cases {
            assert!(message.contains(part), "{part} not in\n{message}");
        }
    }
}
