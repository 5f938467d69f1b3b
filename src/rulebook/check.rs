//! Everything that is wrong with a rulebook, or may not be what was meant, with line and remedy.

use std::fmt;
use std::ops::Range as Span;

use serde::Serialize;

use super::file::RulebookFile;
use super::preset::read_file;
use super::read::{Fault, Severity};
use super::suspicions;
use super::toml_text::{Place, TomlFault, nearest, read};
use super::{ReadStatus, Rulebook};

/// One thing that somebody should look at.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    pub severity: Severity,
    /// A stable word for the kind of fault.
    pub code: &'static str,
    pub file: String,
    #[serde(flatten)]
    pub place: Place,
    pub message: String,
    pub remedy: String,
}

/// A rulebook and what was found in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    pub file: String,
    /// In the order of the file's lines.
    pub findings: Vec<Finding>,
    /// None when there are errors.
    pub rules: Option<Rulebook>,
}

impl Checked {
    pub fn count(&self, severity: Severity) -> usize {
        let found = self.findings.iter();
        found.filter(|own| own.severity == severity).count()
    }

    /// Whether it can be used: it may still hold warnings and hints.
    pub fn is_sound(&self) -> bool {
        self.count(Severity::Error) == 0
    }
}

impl Severity {
    pub fn key(self) -> &'static str {
        match self {
            Severity::Hint => "hint",
            Severity::Warning => "warning",
            Severity::Error => "error",
        }
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let place = &self.place;
        write!(f, "{}[{}]: {}", self.severity.key(), self.code, self.file)?;
        writeln!(f, ", line {}, column {}", place.line, place.column)?;
        write!(f, "{place}\n  {}\n  hint: {}", self.message, self.remedy)
    }
}

/// Looks at a rulebook in the format of the presets; `name` stands for the file in messages.
///
/// ```
/// use blockwright::rulebook::{Severity, check, preset_text};
///
/// let text = preset_text("nh-rsa").unwrap();
/// assert_eq!(check(text, "nh-rsa").count(Severity::Error), 0);
///
/// let misspelt = text.replacen("reserve =", "reserves =", 1);
/// let checked = check(&misspelt, "own.toml");
/// assert!(checked.rules.is_none() && checked.count(Severity::Error) > 0);
/// ```
///
/// Errors are what keeps a rulebook from being used, and classes that claim the same feature; warnings are classes that
/// leave a feature out, keys that do nothing and the like; hints are worth a look.
pub fn check(text: &str, name: &str) -> Checked {
    let shape = Shape::read(text);
    let mut faults = shape.faults;
    let mut rules = None;
    if let Some(file) = &shape.file {
        let (read, found) = read_file(file, text, name, name);
        faults.extend(found);
        if shape.is_whole {
            suspicions::add(file, &read, text, &mut faults);
        } else {
            let at = faults.first().map_or(0..0, |fault| fault.span.clone());
            let message =
                "gaps, overlaps and unused documents are looked for once every line can be read";
            faults.push(Fault {
                span: at,
                severity: Severity::Hint,
                code: "not-looked-for",
                message: message.to_owned(),
            });
        }
        rules = Some(read);
    }
    faults.sort_by(|a, b| {
        let key = |fault: &Fault| (fault.span.start, std::cmp::Reverse(fault.severity));
        key(a).cmp(&key(b)).then_with(|| a.message.cmp(&b.message))
    });
    faults.dedup();
    let findings: Vec<Finding> = faults
        .into_iter()
        .map(|fault| {
            let (message, remedy) = with_remedy(fault.code, fault.message);
            Finding {
                severity: fault.severity,
                code: fault.code,
                file: name.to_owned(),
                place: Place::of(text, fault.span),
                message,
                remedy,
            }
        })
        .collect();
    let mut checked = Checked {
        file: name.to_owned(),
        findings,
        rules,
    };
    if !checked.is_sound() {
        checked.rules = None;
    }
    checked
}

impl Checked {
    /// `own.toml: 18 lines; 1 error, 2 warnings, 0 hints`.
    pub fn summary(&self) -> String {
        let count = |severity: Severity| {
            let count = self.count(severity);
            let plural = if count == 1 { "" } else { "s" };
            format!("{count} {}{plural}", severity.key())
        };
        let all = [Severity::Error, Severity::Warning, Severity::Hint].map(count);
        match &self.rules {
            Some(rules) => {
                let memory = rules.lines_of(ReadStatus::FromMemory);
                let lines = rules.lines.len();
                let sound = "can be used";
                format!(
                    "{}: {lines} lines ({memory} from memory), {sound}; {}",
                    self.file,
                    all.join(", ")
                )
            }
            None => format!("{}: cannot be used; {}", self.file, all.join(", ")),
        }
    }
}

/// Most faults of shape that are looked for one after the other.
const MOST_SHAPE_FAULTS: usize = 100;

/// The file as far as it has the right shape.
struct Shape {
    file: Option<RulebookFile>,
    faults: Vec<Fault>,
    is_whole: bool,
}

impl Shape {
    /// The TOML reader stops at the first fault. What it stopped at is taken out, and the rest read again.
    fn read(text: &str) -> Shape {
        let mut shape = Shape {
            file: None,
            faults: Vec::new(),
            is_whole: true,
        };
        let mut left = text.to_owned();
        // A misspelt key is missing under its right name as well.
        let mut meant: Vec<String> = Vec::new();
        while shape.faults.len() < MOST_SHAPE_FAULTS {
            match read::<RulebookFile>(&left) {
                Ok(file) => {
                    shape.file = Some(file);
                    return shape;
                }
                Err((fault, span)) => {
                    shape.is_whole = false;
                    let span = span.unwrap_or(0..0);
                    let next = without(&left, &fault, &span);
                    match &fault {
                        TomlFault::UnknownKey { key, valid } => {
                            meant.extend(nearest(key, valid).map(str::to_owned));
                        }
                        TomlFault::MissingKey { key } if meant.contains(key) => {
                            meant.clear();
                            match next {
                                Some(next) => left = next,
                                None => return shape,
                            }
                            continue;
                        }
                        _ => meant.clear(),
                    }
                    shape.faults.push(Fault {
                        span,
                        severity: Severity::Error,
                        code: fault.code(),
                        // The remedy is split off again with those of all other faults.
                        message: format!("{fault}; {}", fault.hint()),
                    });
                    match next {
                        Some(next) => left = next,
                        None => return shape,
                    }
                }
            }
        }
        shape
    }
}

/// The text with blanks for what can't be read: the line of an unknown key, else the whole `[[line]]`. Every byte keeps
/// its place. None when nothing can be taken out.
fn without(text: &str, fault: &TomlFault, at: &Span<usize>) -> Option<String> {
    let is_toml = |text: &String| toml::Deserializer::parse(text).is_ok();
    let line_start = text.get(..at.start)?.rfind('\n').map_or(0, |end| end + 1);
    let line_end = text[at.start..]
        .find('\n')
        .map_or(text.len(), |end| at.start + end);
    match fault {
        TomlFault::Syntax(_) => return None,
        TomlFault::UnknownKey { .. } => {
            let cut = blanked(text, line_start..line_end);
            if is_toml(&cut) && !text[line_start..].starts_with('[') {
                return Some(cut);
            }
        }
        TomlFault::MissingKey { .. } | TomlFault::WrongType(_) => {}
    }
    let header = |at: usize| text[at..].starts_with("[[line]]");
    let starts = std::iter::once(0).chain(text.match_indices('\n').map(|(end, _)| end + 1));
    let tables: Vec<usize> = starts.filter(|&at| text[at..].starts_with('[')).collect();
    let own = tables
        .iter()
        .rev()
        .copied()
        .find(|&start| start <= at.start && header(start))?;
    // A sub-table of the line belongs to it, any other table ends it.
    let end = tables
        .iter()
        .copied()
        .find(|&start| start > own && !text[start..].starts_with("[line."))
        .unwrap_or(text.len());
    if at.start >= end {
        return None;
    }
    Some(blanked(text, own..end)).filter(is_toml)
}

fn blanked(text: &str, part: Span<usize>) -> String {
    let blank = |byte: u8| if byte == b'\n' { '\n' } else { ' ' };
    let middle: String = text[part.clone()].bytes().map(blank).collect();
    format!("{}{middle}{}", &text[..part.start], &text[part.end..])
}

/// Messages may end in what to do; all others get the remedy of their kind.
fn with_remedy(code: &str, message: String) -> (String, String) {
    for sign in [
        "; did you mean ",
        "; valid here: ",
        "; nothing is valid here",
        "; write ",
        "; use ",
        "; add ",
        "; the file must be ",
    ] {
        if let Some(at) = message.find(sign) {
            let remedy = message[at + 2..].to_owned();
            return (message[..at].to_owned(), remedy);
        }
    }
    let remedy = match code {
        "twice" => "keep one of them, or give it an id and a class of its own",
        "gap" | "overlap" => {
            "let each slope class begin where the one before it ends, the limit itself in one of them: `< 35 %`, then `>= 35 %`"
        }
        "class-gap" => {
            "such a feature gets the widest line that its facts do not exclude: widen a `when`, or add a line"
        }
        "class-overlap" => "such a feature gets the first of them: narrow one `when`",
        "unreachable" => "narrow the lines before it, or remove it",
        "not-compared" => "compare a fact in one way, and lengths with lengths",
        "idle" => "give the width, or remove the key",
        "idle-diameter" => "say what is counted, or remove the key",
        "idle-exclusion" => "widen it beyond the reserve, or remove it",
        "narrower" => "check the figures against the source",
        "impossible" => "check the figure and its unit against the source",
        "idle-catch-all" => "keep it if such features may be there",
        "contradiction" => "let both say the same",
        "no-source" => "say where the figure is written",
        "no-section" => "give `section`, so that somebody can look it up",
        "unused-document" => "cite it, or remove it",
        "empty" => "write it out",
        "asks-for-nothing" => "if the source does not say so, give the widths",
        "from-memory" => {
            "look up what is from memory and change `status`; until then every output that rests on it warns"
        }
        "not-looked-for" => "correct the errors first",
        _ => "write the value in the form of docs/rulebook.md",
    };
    (message, remedy.to_owned())
}
