//! `[windows]`: the days on which ground may be worked, by name.

use std::collections::BTreeMap;

use super::file::WindowTable;
use super::resolve::Context;
use super::settings::{length, number};
use super::{ProjectError, Reason};
use crate::model::{DayCondition, DaySpan, OpenDays, WorkWindow, WorkWindows};
use crate::rulebook::spanned::Spanned;

/// What is farther off is another place.
const WITHIN_M: (f64, f64) = (0.0, 2_000.0);
/// More than the coldest winters have.
const DEGREE_DAYS: (f64, f64) = (1.0, 10_000.0);

pub fn resolve(
    context: &Context<'_>,
    tables: &BTreeMap<String, Spanned<WindowTable>>,
) -> Result<WorkWindows, ProjectError> {
    let mut windows = Vec::new();
    for (name, written) in tables {
        windows.push(window(context, name, written)?);
    }
    Ok(WorkWindows(windows))
}

fn window(
    context: &Context<'_>,
    name: &str,
    written: &Spanned<WindowTable>,
) -> Result<WorkWindow, ProjectError> {
    let table = written.get_ref();
    let key = |of: &str| format!("windows.{name}.{of}");
    let contradiction = |message: String, remedy: &str| {
        let reason = Reason::Contradiction {
            message,
            remedy: remedy.to_owned(),
        };
        context.error(written.span(), reason)
    };
    if name.trim().is_empty() || name.contains([',', ';']) {
        return Err(contradiction(
            format!("`{name}` is no name of a window: features name several, parted by commas"),
            "give it a name without commas and semicolons",
        ));
    }
    context.not_empty(&key("source"), &table.source)?;
    let open = spans(context, &key("open"), &table.open)?;
    let closed = spans(context, &key("closed"), &table.closed)?;
    let mut days = OpenDays::of_spans(open, closed);
    if let Some(degree_days) = &table.frost_degree_days {
        let degree_days = number(context, &key("frost_degree_days"), degree_days, DEGREE_DAYS)?;
        days.and(&OpenDays::new(vec![DayCondition::Frost(degree_days)]));
    }
    if days.is_always() {
        return Err(contradiction(
            format!("window `{name}` says no day"),
            "give `open`, `closed` or `frost_degree_days`",
        ));
    }
    if days.is_never() && !days.is_unknown() {
        return Err(contradiction(
            format!("window `{name}` is open on no day: {days}"),
            "correct its days; ground that is never worked is a reserve",
        ));
    }
    let mut within_m = 0.0;
    length(context, "within", &table.within, WITHIN_M, &mut within_m)?;
    Ok(WorkWindow {
        name: name.to_owned(),
        days,
        within_m,
        source: table.source.get_ref().clone(),
    })
}

fn spans(
    context: &Context<'_>,
    key: &str,
    written: &[Spanned<String>],
) -> Result<Vec<DaySpan>, ProjectError> {
    let one = |written: &Spanned<String>| {
        written
            .get_ref()
            .parse()
            .map_err(|why: crate::model::SpanError| {
                let (key, message) = (key.to_owned(), why.to_string());
                context.error(written.span(), Reason::WrongValue { key, message })
            })
    };
    written.iter().map(one).collect()
}
