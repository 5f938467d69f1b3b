//! What `init` tells: what was made of each layer, what `inspect` finds, and what to do next.

use serde_json::{Value, json};

use super::inspect::Inspection;
use crate::init::{Outcome, Standing, Written};
use crate::project;

/// What came of inspecting a project file that was just written.
pub enum Seen {
    Inspected(Box<Inspection>),
    /// No layer of blocks counts yet.
    NoBlocks,
    /// The project, or a layer of it, is refused; why.
    Refused(String),
}

impl Seen {
    pub fn falls_short(&self) -> bool {
        match self {
            Seen::Inspected(inspection) => inspection.falls_short(),
            Seen::NoBlocks | Seen::Refused(_) => true,
        }
    }
}

/// The frame that stands in for rules that nobody has chosen yet, so that layers can be inspected.
const FRAME: &str = "bare";

/// Inspects what was written; without rules, with the frame that asks for nothing.
pub fn inspect(outcome: &Outcome) -> Seen {
    let Ok(mut document) = outcome.text.parse::<toml_edit::DocumentMut>() else {
        return Seen::Refused(format!("error: {} is no TOML", outcome.path.display()));
    };
    let layers = document.get("layers");
    if layers.is_none_or(|layers| layers.get("blocks").is_none()) {
        return Seen::NoBlocks;
    }
    let rules = document.entry("rules").or_insert_with(toml_edit::table);
    let chosen = ["preset", "rulebook"].map(|key| rules.get(key).is_some());
    if chosen == [false, false] {
        rules["preset"] = toml_edit::value(FRAME);
    }
    let read = project::parse(&document.to_string(), &outcome.path);
    let mut project = match read {
        Ok(project) => project,
        Err(error) => return Seen::Refused(error.to_string()),
    };
    if chosen == [false, false] {
        // Nobody has chosen the frame, so nobody is warned of it.
        project
            .warnings
            .retain(|warning| !warning.starts_with("[rules]"));
    }
    match Inspection::of(&project) {
        Ok(inspection) => Seen::Inspected(Box::new(inspection)),
        Err(error) => Seen::Refused(error.to_string()),
    }
}

pub fn json(outcome: &Outcome, seen: &Seen) -> Value {
    let inspection = match seen {
        Seen::Inspected(inspection) => inspection.json(),
        Seen::NoBlocks => Value::Null,
        Seen::Refused(error) => json!({ "error": error }),
    };
    json!({
        "version": 1,
        "command": "init",
        "project": outcome.path.display().to_string(),
        "written": match outcome.written {
            Written::New => "new",
            Written::Updated => "updated",
            Written::Unchanged => "unchanged",
        },
        "layers": outcome.draft.notes().collect::<Vec<_>>(),
        "presets_of_the_place": outcome.draft.proposals.iter().filter(|one| one.country.is_some()).map(|one| one.preset).collect::<Vec<_>>(),
        "to_do": outcome.draft.tasks,
        "inspection": inspection,
    })
}

pub fn words(outcome: &Outcome, seen: &Seen) -> String {
    let path = outcome.path.display();
    let mut text = match outcome.written {
        Written::New => format!("{path}: written\n"),
        Written::Updated => format!("{path}: what is new was added at its end\n"),
        Written::Unchanged => format!("{path}: nothing is new, and nothing was altered\n"),
    };
    for note in outcome.draft.notes() {
        let whose = match &note.layer {
            Some(layer) => format!("{}:{layer}", note.source),
            None => note.source.clone(),
        };
        let role = note.role.unwrap_or("-");
        let standing = match note.standing {
            Standing::InForce => "in force",
            Standing::CommentedOut => "commented out",
            Standing::NotUsed => "not used",
        };
        let score = note
            .score
            .map_or_else(String::new, |score| format!(" {score} of 100:"));
        text += &format!("{role:<12} {whose}: {standing};{score} {}\n", note.why);
    }
    match seen {
        Seen::Inspected(inspection) => {
            text += "\nWhat `inspect` finds (no distances of rules yet, where none are chosen):\n";
            for warning in inspection.warnings() {
                text += &format!("warning: {warning}\n");
            }
            text += &inspection.words();
            text += "\n";
        }
        Seen::NoBlocks => text += "\nNothing was inspected: no layer of blocks counts yet.\n",
        Seen::Refused(_) => text += "\nNothing was inspected: see the error.\n",
    }
    text += "\nNext:\n";
    for task in &outcome.draft.tasks {
        text += &format!("  {path}, line {}: {}\n", task.line, task.what);
    }
    text += &format!("  blockwright inspect {path}\n  blockwright layout {path} --out plan\n");
    text
}
