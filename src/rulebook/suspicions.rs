//! What a rulebook that reads well may still get wrong: classes that leave features out or claim them twice, keys that
//! do nothing, documents that nobody cites.

use std::collections::BTreeSet;
use std::ops::Range as Span;

use toml::de::{DeTable, DeValue};

use super::coverage::{NotCompared, Region, Space};
use super::file::{LineTable, RulebookFile};
use super::read::{Fault, Severity};
use super::toml_text::Place;
use super::*;

/// Adds what is found to `faults`, which holds what reading found.
pub(super) fn add(file: &RulebookFile, rules: &Rulebook, text: &str, faults: &mut Vec<Fault>) {
    // A condition that could not be read is missing from the definition, which then seems to stand for more.
    let unread: Vec<Span<usize>> = faults
        .iter()
        .filter(|fault| fault.severity == Severity::Error)
        .map(|fault| fault.span.clone())
        .collect();
    let mut found = Vec::new();
    if file.line.is_empty() {
        let message = "the rulebook has no lines; add `[[line]]` tables".to_owned();
        found.push(fault(0..0, Severity::Warning, "empty", message));
    }
    let tables = || file.line.iter().map(|table| table.get_ref());
    for (table, line) in tables().zip(&rules.lines) {
        let widths = [
            Some(table.reserve.span()),
            table.management.as_ref().map(|width| width.span()),
            table.machine_exclusion.as_ref().map(|width| width.span()),
        ];
        let is_read = !widths.iter().flatten().any(|span| holds_one(span, &unread));
        add_of_line(file, table, line, is_read, &mut found);
    }
    for kind in RULED_KINDS {
        let of_kind: Vec<(&LineTable, &RuleLine)> = tables()
            .zip(&rules.lines)
            .filter(|(_, line)| line.kind == kind)
            .collect();
        let is_unread = |table: &LineTable| {
            let mut whens = table.when.values().map(|condition| condition.span());
            whens.any(|when| holds_one(&when, &unread))
        };
        let kind_is_doubtful = |table: &LineTable| unread.contains(&table.kind.span());
        if of_kind.iter().any(|(table, _)| is_unread(table)) || tables().any(kind_is_doubtful) {
            continue;
        }
        add_of_classes(kind, &of_kind, &mut found);
    }
    add_of_sources(text, &mut found);
    faults.extend(found);
}

/// Whether one of `places` lies in `span`.
fn holds_one(span: &Span<usize>, places: &[Span<usize>]) -> bool {
    let within = |place: &Span<usize>| span.start <= place.start && place.end <= span.end;
    places.iter().any(within)
}

fn fault(span: Span<usize>, severity: Severity, code: &'static str, message: String) -> Fault {
    Fault {
        span,
        severity,
        code,
        message,
    }
}

fn add_of_line(
    file: &RulebookFile,
    table: &LineTable,
    line: &RuleLine,
    widths_are_read: bool,
    found: &mut Vec<Fault>,
) {
    let mut add = |span, severity, code, message| found.push(fault(span, severity, code, message));
    let name = format!("line `{}`", line.id);
    if line.title.trim().is_empty() || line.definition.trim().is_empty() {
        let message = format!("{name} has no title or no definition in words");
        add(table.class.span(), Severity::Warning, "empty", message);
    }
    if widths_are_read && line.asks_for_nothing() {
        let message = format!("{name} asks for nothing beyond the feature itself");
        add(
            table.reserve.span(),
            Severity::Hint,
            "asks-for-nothing",
            message,
        );
    }
    if let (Some(written), Width::Metres(exclusion), Width::Metres(reserve)) = (
        &table.machine_exclusion,
        &line.machine_exclusion,
        &line.reserve,
    ) && *exclusion > 0.0
        && exclusion <= reserve
    {
        let message = format!(
            "{name}: no machine drives in the reserve of {} in any case, so an exclusion of {} adds nothing",
            Unit::Metre.show(*reserve),
            Unit::Metre.show(*exclusion)
        );
        add(written.span(), Severity::Hint, "idle-exclusion", message);
    }
    if let Some(document) = &table.document
        && file.documents.contains_key(document.get_ref())
        && table
            .section
            .as_ref()
            .is_none_or(|section| section.trim().is_empty())
        && line.citation.status != ReadStatus::FromMemory
    {
        let message = format!(
            "{name} does not say where in `{}` it is written",
            document.get_ref()
        );
        add(document.span(), Severity::Hint, "no-section", message);
    }
    if let Some(written) = &table.channel_up_to {
        let channel = line
            .when
            .iter()
            .find(|condition| condition.fact == "channel");
        let told = line.channel_up_to_m.unwrap_or_default();
        if line.kind != LayerKind::Streams {
            let message = format!("{name}: only streams have channels");
            add(written.span(), Severity::Warning, "idle", message);
        } else if let Some(Test::Range { range, .. }) = channel.map(|condition| &condition.test) {
            let widest = range.high.map(|high| high.value);
            // Feet and metres may differ in the last bits.
            if widest.is_none_or(|widest| (widest - told).abs() > 1e-6) {
                let by_when = widest.map_or("any width".to_owned(), |w| Unit::Metre.show(w));
                let message = format!(
                    "{name}: by `when` channels are up to {by_when}, by `channel_up_to` up to {}",
                    Unit::Metre.show(told)
                );
                add(written.span(), Severity::Warning, "contradiction", message);
            }
        }
    }
}

/// Gaps and overlaps of the definitions of one kind.
fn add_of_classes(kind: LayerKind, lines: &[(&LineTable, &RuleLine)], found: &mut Vec<Fault>) {
    let defined: Vec<(&LineTable, &RuleLine)> = lines
        .iter()
        .copied()
        .filter(|(_, line)| !line.when.is_empty())
        .collect();
    let Some((first, _)) = defined.first() else {
        return;
    };
    let kind = kind.key();
    let definitions: Vec<&[Condition]> = defined.iter().map(|(_, line)| &line.when[..]).collect();
    let not_compared = |why: NotCompared| {
        let message = match why {
            NotCompared::Mixed { fact } => {
                format!(
                    "the classes of {kind} are not compared: `{fact}` is a number in one line and something else in another"
                )
            }
            NotCompared::TooMany => {
                format!(
                    "the classes of {kind} are not compared: their limits make too many combinations"
                )
            }
        };
        fault(
            first.class.span(),
            Severity::Warning,
            "not-compared",
            message,
        )
    };
    let space = match Space::of(&definitions) {
        Ok(space) => space,
        Err(why) => return found.push(not_compared(why)),
    };
    let regions: Vec<Region> = definitions.iter().map(|own| space.region(own)).collect();
    let is_lost: Vec<bool> = (0..regions.len())
        .map(|at| {
            space
                .is_taken(&regions[at], &regions[..at])
                .unwrap_or(false)
        })
        .collect();
    for (at, (table, line)) in defined.iter().enumerate() {
        if is_lost[at] {
            let takers = (0..at).filter(|&before| !regions[before].and(&regions[at]).is_empty());
            let takers: Vec<String> = takers.map(|b| format!("`{}`", defined[b].1.id)).collect();
            let message = if takers.is_empty() {
                format!("nothing can meet the definition of line `{}`", line.id)
            } else {
                format!(
                    "no feature is ever taken for class `{}`: all of {kind} with {} belong to {} before it",
                    line.class,
                    space.show(&regions[at]),
                    takers.join(", ")
                )
            };
            found.push(fault(
                table.class.span(),
                Severity::Error,
                "unreachable",
                message,
            ));
            continue;
        }
        for before in 0..at {
            let same_class = defined[before].1.class.eq_ignore_ascii_case(&line.class);
            // Two lines of one class are told already.
            if is_lost[before] || same_class {
                continue;
            }
            let both = match space.both(&regions[before], &regions[at]) {
                Ok(Some(both)) => both,
                Ok(None) => continue,
                Err(why) => return found.push(not_compared(why)),
            };
            let message = format!(
                "classes `{}` (line `{}`) and `{}` (line `{}`) both stand for {kind} with {}",
                defined[before].1.class,
                defined[before].1.id,
                line.class,
                line.id,
                space.show(&both)
            );
            found.push(fault(
                table.class.span(),
                Severity::Error,
                "class-overlap",
                message,
            ));
        }
    }
    let gaps = match space.gaps(&regions) {
        Ok(gaps) => gaps,
        Err(why) => return found.push(not_compared(why)),
    };
    let catch_all = lines
        .iter()
        .find(|(_, line)| line.class == "*" && line.when.is_empty());
    if let Some((table, line)) = catch_all {
        if gaps.is_empty() {
            let message = format!(
                "line `{}` for every class only meets {kind} whose facts or class are not known: the definitions leave \
                 no other out",
                line.id
            );
            found.push(fault(
                table.class.span(),
                Severity::Hint,
                "idle-catch-all",
                message,
            ));
        }
        return;
    }
    for gap in &gaps {
        let severity = if space.needs_other_word(gap) {
            Severity::Hint
        } else {
            Severity::Warning
        };
        let message = format!("no class stands for {kind} with {}", space.show(gap));
        found.push(fault(first.class.span(), severity, "class-gap", message));
    }
}

/// Documents that nobody cites, and figures from memory. Looked for in the text as it stands, wherever a figure may be.
fn add_of_sources(text: &str, found: &mut Vec<Fault>) {
    let Ok(root) = DeTable::parse(text) else {
        return;
    };
    let mut seen = Sources::default();
    seen.walk(root.get_ref());
    let documents = root.get_ref().get("documents");
    if let Some(DeValue::Table(documents)) = documents.map(|value| value.get_ref()) {
        for name in documents.keys() {
            if !seen.cited.contains(name.get_ref().as_ref()) {
                let message = format!("document `{}` is not cited", name.get_ref());
                found.push(fault(
                    name.span(),
                    Severity::Warning,
                    "unused-document",
                    message,
                ));
            }
        }
    }
    seen.from_memory.sort_by_key(|span| span.start);
    if let Some(first) = seen.from_memory.first() {
        let lines = seen.from_memory.iter();
        let lines: Vec<String> = lines
            .map(|s| Place::of(text, s.clone()).line.to_string())
            .collect();
        let message = match &lines[..] {
            [_] => "1 figure is from memory".to_owned(),
            _ => format!(
                "{} figures are from memory: lines {}",
                lines.len(),
                lines.join(", ")
            ),
        };
        found.push(fault(first.clone(), Severity::Hint, "from-memory", message));
    }
}

#[derive(Default)]
struct Sources {
    cited: BTreeSet<String>,
    from_memory: Vec<Span<usize>>,
}

impl Sources {
    fn walk(&mut self, table: &DeTable<'_>) {
        for (key, value) in table {
            match (key.get_ref().as_ref(), value.get_ref()) {
                ("document", DeValue::String(name)) => {
                    self.cited.insert(name.as_ref().to_owned());
                }
                ("status", DeValue::String(status)) if status == ReadStatus::FromMemory.key() => {
                    self.from_memory.push(value.span());
                }
                (_, DeValue::Table(inner)) => self.walk(inner),
                (_, DeValue::Array(items)) => {
                    for item in items {
                        if let DeValue::Table(inner) = item.get_ref() {
                            self.walk(inner);
                        }
                    }
                }
                _ => {}
            }
        }
    }
}
