//! What `dispatch` says on standard output.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::{Value, json};

use crate::batch::{Dispatched, Moved};

/// Hours from the first shift to the finish, to the bound, and how much longer that is.
fn figures(dispatched: &Dispatched) -> (Option<f64>, Option<f64>, Option<f64>) {
    let hours = |at: i64| (at - dispatched.begins) as f64 / 3600.0;
    let plan = &dispatched.solved.plan;
    let span = plan.finish.filter(|_| plan.undone == 0).map(hours);
    let bound = dispatched.solved.bound.finish.map(|at| hours(at).max(0.0));
    let gap = span.zip(bound).filter(|(_, bound)| *bound > 0.0);
    (span, bound, gap.map(|(span, bound)| (span - bound) / bound))
}

fn rounded(value: Option<f64>, digits: i32) -> Option<f64> {
    let scale = 10f64.powi(digits);
    value.map(|value| (value * scale).round() / scale)
}

pub fn outcome_json(dispatched: &Dispatched, out: &Path) -> Value {
    let (span, bound, gap) = figures(dispatched);
    let plan = &dispatched.solved.plan;
    let warnings = |of: &[crate::batch::Warning]| -> Vec<Value> {
        of.iter()
            .map(|warning| json!({ "what": warning.what, "help": warning.help }))
            .collect()
    };
    json!({
        "version": 1,
        "command": "dispatch",
        "out": out.display().to_string(),
        "project": dispatched.project,
        "blocks": dispatched.blocks,
        "sections": dispatched.sections,
        "sheets": dispatched.sheets,
        "makespan_hours": rounded(span, 3),
        "lower_bound_hours": rounded(bound, 3),
        "lower_bound_because": dispatched.solved.bound.because,
        "gap": rounded(gap, 4),
        "limits": dispatched.solved.bound.limits.iter().map(|own| json!({
            "what": own.what.key(),
            "hours": rounded(own.finish.map(|at| (at - dispatched.begins).max(0) as f64 / 3600.0), 3),
            "because": own.because,
        })).collect::<Vec<_>>(),
        "hours_left": rounded(Some(plan.undone as f64 / 3.6e6), 3),
        "moving_hours": rounded(Some(plan.moving_s as f64 / 3600.0), 3),
        "light_hours": rounded(Some(dispatched.used.light_s as f64 / 3600.0), 3),
        "light_used_hours": rounded(Some(dispatched.used.cut_s as f64 / 3600.0), 3),
        "idle": dispatched.used.idle.iter().map(|(key, _, seconds)| json!({
            "why": key,
            "hours": rounded(Some(*seconds as f64 / 3600.0), 3),
        })).collect::<Vec<_>>(),
        "unused_night_hours": rounded(Some(dispatched.outlook.unused_night_s() as f64 / 3600.0), 3),
        "operators": dispatched.people.iter().map(|own| json!({
            "name": own.name,
            "longest_hours_in_24": rounded(Some(own.longest_in_a_day_s as f64 / 3600.0), 3),
            "least_rest_hours": rounded(own.least_rest_s.map(|rest| rest as f64 / 3600.0), 3),
        })).collect::<Vec<_>>(),
        "plan_before": dispatched.moved.as_ref().map(|moved| json!({
            "shifts": moved.compared,
            "kept": moved.kept,
        })),
        "wood": dispatched.wood.iter().map(|own| json!({
            "by": own.by.to_string(),
            "wanted_m3": own.wanted as f64 / 1000.0,
            "brought_m3": own.brought as f64 / 1000.0,
        })).collect::<Vec<_>>(),
        "most_stock_m3": rounded(dispatched.most_stock_m3, 1),
        "felling_waits_hours": rounded(Some(dispatched.felling_waits_s as f64 / 3600.0), 3),
        "skidding_waits_hours": rounded(Some(dispatched.skidding_waits_s as f64 / 3600.0), 3),
        "warnings": warnings(&dispatched.outlook.warnings),
        "rules_not_kept": warnings(&dispatched.breaches),
        "set_aside": dispatched.set_aside,
    })
}

/// What felling machines use light and time for.
fn used(dispatched: &Dispatched) -> String {
    let used = &dispatched.used;
    let hours = |seconds: i64| seconds as f64 / 3600.0;
    let mut text = String::new();
    if used.light_s > 0 {
        let _ = writeln!(
            text,
            "felling machines cut in {:.1} of the {:.1} h of light of their shifts ({:.0} %)",
            hours(used.cut_s),
            hours(used.light_s),
            100.0 * used.cut_s as f64 / used.light_s as f64
        );
    }
    let idle: i64 = used.idle.iter().map(|idle| idle.2).sum();
    if idle > 0 {
        let why = used.idle.iter();
        let why = why.map(|(_, words, seconds)| format!("{:.1} h {words}", hours(*seconds)));
        let _ = writeln!(
            text,
            "they stand idle for {:.1} h: {}",
            hours(idle),
            why.collect::<Vec<_>>().join("; ")
        );
    }
    text
}

/// What may run short, and how far each takes a plan by itself.
fn limits(dispatched: &Dispatched) -> String {
    let limits = dispatched.solved.bound.limits.iter();
    let mut text = "what limits it, each by itself:\n".to_owned();
    for own in limits.clone() {
        let hours = match own.finish {
            None => "more than the period".to_owned(),
            Some(at) => {
                let hours = (at - dispatched.begins).max(0) as f64 / 3600.0;
                format!("{hours:.1} h")
            }
        };
        let _ = writeln!(text, "  {} {hours}: {}", own.what.words(), own.because);
    }
    match limits.len() {
        0 => String::new(),
        _ => text,
    }
}

/// Changes that are told in words.
const CHANGES_SHOWN: usize = 20;

/// What became of the plan before.
fn changes(moved: &Moved) -> String {
    let mut text = format!(
        "{} of {} shifts stay as they were in the plan before\n",
        moved.kept, moved.compared
    );
    let blocks = |ids: &[String]| match ids.is_empty() {
        true => "nothing".to_owned(),
        false => ids.join(", "),
    };
    for change in moved.changes.iter().take(CHANGES_SHOWN) {
        let _ = writeln!(
            text,
            "  {} {}, {}: {} instead of {}: {}",
            change.date,
            change.shift,
            change.machine,
            blocks(&change.after),
            blocks(&change.before),
            change.why
        );
    }
    if moved.changes.len() > CHANGES_SHOWN {
        let more = moved.changes.len() - CHANGES_SHOWN;
        let _ = writeln!(text, "  and {more} more: changes.csv");
    }
    text
}

/// How long people are on shift, and how much wood lies.
fn crew_words(dispatched: &Dispatched) -> String {
    let mut text = String::new();
    let longest = dispatched
        .people
        .iter()
        .max_by_key(|own| own.longest_in_a_day_s);
    if let Some(own) = longest {
        let rests = dispatched.people.iter().filter_map(|own| own.least_rest_s);
        let rest = rests.min().map_or(String::new(), |rest| {
            format!(", least rest {:.1} h", rest as f64 / 3600.0)
        });
        let allowed = match dispatched.rest_said {
            true => "",
            false => "; nobody says how long people may work: give [rest] with its source",
        };
        let _ = writeln!(
            text,
            "operators are on shift up to {:.1} h of 24 ({}){rest}{allowed}",
            own.longest_in_a_day_s as f64 / 3600.0,
            own.name
        );
    }
    // Those that are short are told with what helps.
    for own in dispatched
        .wood
        .iter()
        .filter(|own| own.brought >= own.wanted)
    {
        let date = own.by.format("%-d %b %Y").to_string();
        let _ = writeln!(text, "{}", own.words(&date));
    }
    if let Some(most_m3) = dispatched.most_stock_m3 {
        let waits = match dispatched.felling_waits_s {
            0 => String::new(),
            waits => format!(
                "; felling waits {:.1} machine hours for skidders",
                waits as f64 / 3600.0
            ),
        };
        let _ = writeln!(
            text,
            "up to {most_m3:.0} m³ lie felled and not skidded{waits}"
        );
    }
    text
}

/// Blocks with closed ground that are told in words.
const CLOSED_SHOWN: usize = 8;

pub fn words(dispatched: &Dispatched, out: &Path) -> String {
    let (span, bound, gap) = figures(dispatched);
    let plan = &dispatched.solved.plan;
    let mut text = format!(
        "{} sections of {} blocks, {} shift sheets in {}\n",
        dispatched.sections,
        dispatched.blocks,
        dispatched.sheets,
        out.display()
    );
    // Writing to a String cannot fail.
    let done = &dispatched.done;
    if done.sections + done.begun.0 > 0 {
        let half = match done.begun {
            (0, _) => String::new(),
            (count, left) => format!("; {count} half done, {left:.1} h of them left"),
        };
        let _ = writeln!(
            text,
            "done before: {} sections, {:.1} h{half}",
            done.sections, done.hours
        );
    }
    let _ = match (span, bound, gap) {
        (Some(span), Some(bound), Some(gap)) => writeln!(
            text,
            "finished after {span:.1} h; no plan is done before {bound:.1} h ({}), so at most {:.1} % longer than need be",
            dispatched.solved.bound.because,
            gap * 100.0
        ),
        (Some(span), ..) => writeln!(text, "finished after {span:.1} h"),
        (None, ..) if plan.undone == 0 => writeln!(text, "nothing is left to be cut"),
        (None, ..) => writeln!(text, "{:.1} h do not fit", plan.undone as f64 / 3.6e6),
    };
    let _ = writeln!(
        text,
        "{:.1} h of moves, {:.1} unused night hours",
        plan.moving_s as f64 / 3600.0,
        dispatched.outlook.unused_night_s() as f64 / 3600.0
    );
    text += &used(dispatched);
    text += &limits(dispatched);
    text += &crew_words(dispatched);
    if let Some(moved) = &dispatched.moved {
        text += &changes(moved);
    }
    let closed = (dispatched.set_aside.iter()).filter(|own| own.code == "closed");
    let count = closed.clone().count();
    for own in closed.take(CLOSED_SHOWN) {
        let _ = writeln!(text, "block {}: {}", own.block_id, own.why);
    }
    if count > CLOSED_SHOWN {
        let _ = writeln!(
            text,
            "and {} more blocks with closed ground: set_aside.csv",
            count - CLOSED_SHOWN
        );
    }
    for warning in dispatched
        .outlook
        .warnings
        .iter()
        .chain(&dispatched.breaches)
    {
        let _ = writeln!(text, "{}\n  what helps: {}", warning.what, warning.help);
    }
    text
}
