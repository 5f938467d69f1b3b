//! Adds what is new to a project file that people have written in: nothing that stands there is altered.

use std::collections::BTreeSet;

use toml_edit::{DocumentMut, Item, TableLike};

use super::draft::{Draft, Section};
use crate::model::LayerKind;

/// Sources and layers of the tables that count, however they are written.
fn in_force(document: &DocumentMut) -> BTreeSet<(String, Option<String>)> {
    let mut found = BTreeSet::new();
    let text = |table: &dyn TableLike, key: &str| {
        let item = table.get(key)?;
        item.as_str().map(str::to_owned)
    };
    let mut add = |table: &dyn TableLike| {
        let layer = text(table, "layer");
        found.extend(text(table, "source").map(|source| (source, layer)));
    };
    let layers = document.get("layers").and_then(Item::as_table_like);
    for (_, item) in layers.iter().flat_map(|layers| layers.iter()) {
        if let Some(table) = item.as_table_like() {
            add(table);
        } else if let Some(tables) = item.as_array_of_tables() {
            tables.iter().for_each(|table| add(table));
        } else if let Some(tables) = item.as_array() {
            let tables = tables.iter().filter_map(|one| one.as_inline_table());
            tables.for_each(|table| add(table));
        }
    }
    found
}

/// The file with what is new in it.
pub(super) struct Added {
    pub text: String,
    /// What was added, and what is to be done about it.
    pub draft: Draft,
}

/// Sources and layers that a text names, in tables that count and in those that are commented out.
fn named(text: &str) -> BTreeSet<(String, Option<String>)> {
    let mut found = BTreeSet::new();
    let (mut sources, mut layer): (Vec<String>, Option<String>) = (vec![], None);
    let mut close = |sources: &mut Vec<String>, layer: &mut Option<String>| {
        let layer = layer.take();
        for source in sources.drain(..) {
            found.insert((source, layer.clone()));
        }
    };
    for line in text.lines() {
        let line = line.trim_start_matches(['#', ' ', '\t']);
        if line.starts_with('[') {
            close(&mut sources, &mut layer);
        }
        let Some((key, _)) = line.split_once('=') else {
            continue;
        };
        let key = key.trim();
        if key != "source" && key != "layer" {
            continue;
        }
        // The line alone is a document, with its remark.
        let Ok(alone) = line.parse::<DocumentMut>() else {
            continue;
        };
        let item = &alone[key];
        if key == "layer" {
            layer = item.as_str().map(str::to_owned);
        } else if let Some(one) = item.as_str() {
            sources = vec![one.to_owned()];
        } else if let Some(several) = item.as_array() {
            sources = several
                .iter()
                .filter_map(|one| one.as_str())
                .map(str::to_owned)
                .collect();
        }
    }
    close(&mut sources, &mut layer);
    found
}

/// Adds the sections of a draft that the text does not name.
///
/// # Errors
/// The text is no TOML; says where.
pub(super) fn add(old: &str, mut draft: Draft) -> Result<Added, String> {
    let mut document: DocumentMut = old
        .parse()
        .map_err(|error: toml_edit::TomlError| error.to_string().trim().replace('\n', "\n  "))?;
    let mut known = named(old);
    known.extend(in_force(&document));
    // A file of one layer may be named with it or without.
    let is_known = |source: &str, layer: Option<&str>| {
        let own = known.iter().filter(|(known, _)| known == source);
        own.into_iter().any(|(_, named)| {
            layer.is_none() || named.as_deref().is_none_or(|named| Some(named) == layer)
        })
    };
    let is_new = |section: &Section| {
        let mut sources = section.source.split(", ");
        !sources.all(|source| is_known(source, section.layer.as_deref()))
    };
    draft.sections.retain(is_new);
    draft
        .unused
        .retain(|(remark, _)| !old.contains(remark.trim_end()));
    let has_terrain = !matches!(
        document
            .get("layers")
            .and_then(|layers| layers.get("terrain")),
        None | Some(Item::None)
    );
    let mut parts = Vec::new();
    for section in &mut draft.sections {
        let Some(kind) = section.kind else {
            if has_terrain && section.is_in_force {
                commented(section, "the file has elevations already");
            }
            parts.push(section.text.clone());
            continue;
        };
        if kind == LayerKind::Blocks && section.is_in_force && has(&document, kind) {
            commented(section, "the file has blocks already: a further season?");
        }
        if has(&document, kind) {
            if !as_one_of_several(&mut document, kind) && section.is_in_force {
                commented(
                    section,
                    "a second layer of its role: write the first one as [[layers.ROLE]] too",
                );
            }
            let one = format!("[layers.{}]\n", kind.key());
            let several = format!("[[layers.{}]]\n", kind.key());
            section.text = section.text.replacen(&several, &one, 1);
            section.text = section.text.replacen(&one, &several, 1);
        }
        parts.push(section.text.clone());
    }
    let mut text = document.to_string();
    if !parts.is_empty() || !draft.unused.is_empty() {
        if !text.ends_with('\n') {
            text.push('\n');
        }
        text += "\n# --- Added by `blockwright init --update` ---\n";
    }
    for part in &parts {
        text += "\n";
        text += part;
    }
    if !draft.unused.is_empty() {
        text += "\n# Found, and not used:\n";
        for (remark, _) in &draft.unused {
            text += remark;
        }
    }
    draft.tasks = draft.tasks_in(&text, false);
    Ok(Added { text, draft })
}

fn has(document: &DocumentMut, kind: LayerKind) -> bool {
    let layers = document.get("layers");
    layers
        .and_then(|layers| layers.get(kind.key()))
        .is_some_and(|item| !item.is_none())
}

/// Comments a section out that would stand against what is in the file.
fn commented(section: &mut Section, why: &str) {
    let lines = section
        .text
        .lines()
        .map(|line| match line.starts_with('#') || line.is_empty() {
            true => format!("{line}\n"),
            false => format!("# {line}\n"),
        });
    section.text = format!("# Commented out: {why}.\n{}", lines.collect::<String>());
    section.is_in_force = false;
    section.note.standing = super::Standing::CommentedOut;
    section.note.why = why.to_owned();
    section.task = Some(format!("{}: {why}", section.source));
}

/// Turns `[layers.ROLE]` into `[[layers.ROLE]]`, with its remarks, so that another can follow. False: it is written in another
/// way, in which none can.
fn as_one_of_several(document: &mut DocumentMut, kind: LayerKind) -> bool {
    let layers = document.get_mut("layers").and_then(Item::as_table_like_mut);
    let Some(item) = layers.and_then(|layers| layers.get_mut(kind.key())) else {
        return false;
    };
    match item {
        Item::ArrayOfTables(_) => true,
        Item::Table(table) if !table.is_dotted() && !table.is_implicit() => {
            let own = std::mem::take(table);
            *item = Item::ArrayOfTables([own].into_iter().collect());
            true
        }
        _ => false,
    }
}
