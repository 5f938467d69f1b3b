//! What somebody did, or is to do, about findings of an audit: `actions.csv` of an evidence pack with its empty columns filled.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::field::code;
use super::{InputFile, filled, hash};

/// How far a corrective action has come.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum ActionState {
    /// Nobody has begun.
    #[default]
    Open,
    UnderWay,
    /// Done, and nobody has looked yet.
    Done,
    /// Somebody looked, and it is mended.
    Checked,
}

impl ActionState {
    pub const ALL: [ActionState; 4] = [
        ActionState::Open,
        ActionState::UnderWay,
        ActionState::Done,
        ActionState::Checked,
    ];

    /// As it stands in the table.
    pub fn key(self) -> &'static str {
        match self {
            ActionState::Open => "open",
            ActionState::UnderWay => "under way",
            ActionState::Done => "done",
            ActionState::Checked => "checked",
        }
    }
}

/// One row of the table, as filled.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Action {
    pub code: String,
    /// Of the finding that it is about, as the table has them.
    pub block_id: String,
    pub title: String,
    pub action: String,
    pub responsible: String,
    pub due: String,
    pub state: ActionState,
    pub done_on: String,
    pub checked_by: String,
    pub note: String,
}

/// Filled rows by their codes.
#[derive(Debug, Default)]
pub struct ActionsRead {
    pub rows: BTreeMap<String, Action>,
    pub input: Option<InputFile>,
}

#[derive(Debug, thiserror::Error)]
#[error("error[actions-file]: {}{}\n  {why}\n  hint: {hint}", path.display(), line.map(|line| format!(", line {line}")).unwrap_or_default())]
pub struct ActionsError {
    pub path: PathBuf,
    pub line: Option<u64>,
    pub why: String,
    pub hint: &'static str,
}

const WHOLE: &str = "give actions.csv of an evidence pack, filled; column `code` stays as it was";
const STATES: &str = "write open, under way, done or checked, or nothing for open";

/// Reads filled rows; those in which nothing is filled are passed over.
///
/// # Errors
/// The file cannot be read, there is no column `code` or `state`, a state is none, a code stands twice.
pub fn read(path: &Path) -> Result<ActionsRead, ActionsError> {
    let fault = |line: Option<u64>, why: String, hint: &'static str| ActionsError {
        path: path.to_owned(),
        line,
        why,
        hint,
    };
    let whole = |(line, why): filled::Fault| fault(line, why, WHOLE);
    let table = filled::read(path).map_err(whole)?;
    let code_at = table.needed("code").map_err(whole)?;
    let state_at = table.needed("state").map_err(whole)?;
    let texts = [
        "action",
        "responsible",
        "due",
        "done_on",
        "checked_by",
        "note",
        "block_id",
        "title",
    ];
    let texts = texts.map(|name| table.column(name));
    let mut found = ActionsRead::default();
    for (line, record) in &table.rows {
        let cell = |at: usize| record.get(at).unwrap_or_default();
        let text = |which: usize| texts[which].map_or("", cell).to_owned();
        let state = cell(state_at);
        if state.is_empty() && (0..6).all(|which| text(which).is_empty()) {
            continue;
        }
        let Some(code) = code(cell(code_at)) else {
            let why = format!("`{}` is no code of a finding", cell(code_at));
            return Err(fault(*line, why, WHOLE));
        };
        let known = ActionState::ALL.into_iter();
        let mut known = known.filter(|own| own.key().eq_ignore_ascii_case(state));
        let state = match known.next() {
            Some(state) => state,
            None if state.is_empty() => ActionState::Open,
            None => {
                return Err(fault(
                    *line,
                    format!("`{state}` is no state of an action"),
                    STATES,
                ));
            }
        };
        let row = Action {
            code: code.clone(),
            action: text(0),
            responsible: text(1),
            due: text(2),
            state,
            done_on: text(3),
            checked_by: text(4),
            note: text(5),
            block_id: text(6),
            title: text(7),
        };
        if found.rows.insert(code.clone(), row).is_some() {
            let why = format!("finding {code} stands twice");
            return Err(fault(*line, why, "keep the row that counts"));
        }
    }
    let stamp = hash::named(path, "actions");
    let stamp = stamp.map_err(|error| fault(None, error.to_string(), WHOLE))?;
    found.input = Some(stamp.input);
    Ok(found)
}
