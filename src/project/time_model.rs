//! The time model of `[production]`: a published relation by its name, a whole cycle of the project's own, or elements that
//! the project states all together.

use super::file::ProductionTable;
use super::resolve::Context;
use super::settings::{MOST_TREE_M3, number};
use super::{ProjectError, Reason};
use crate::model::{PUBLISHED, TimeKind, TimeModel};
use crate::rulebook::spanned::Spanned;

/// A whole cycle with the project's own coefficients.
const OWN: &str = "own";
/// Cutting, advances and bunches, each with its own seconds.
const ELEMENTS: &str = "elements";

const SECONDS: (f64, f64) = (0.0, 3600.0);
const FACTOR: (f64, f64) = (0.0, 100.0);

/// Whose figures a key gives.
#[derive(Clone, Copy, PartialEq)]
enum Of {
    Own,
    Elements,
}

struct Key {
    name: &'static str,
    written: Option<std::ops::Range<usize>>,
    of: Of,
    /// Without it the model is not whole.
    needed: bool,
}

fn keys(table: &ProductionTable) -> [Key; 10] {
    fn key<T>(name: &'static str, written: &Option<Spanned<T>>, of: Of, needed: bool) -> Key {
        Key {
            name,
            written: written.as_ref().map(Spanned::span),
            of,
            needed,
        }
    }
    let t = table;
    [
        key("seconds_per_tree", &t.seconds_per_tree, Of::Own, true),
        key("seconds_per_m3", &t.seconds_per_m3, Of::Own, true),
        key("steep_factor", &t.steep_factor, Of::Own, true),
        key("steep_from", &t.steep_from, Of::Own, true),
        key("time_source", &t.time_source, Of::Own, true),
        key("tree_m3_from", &t.tree_m3_from, Of::Own, false),
        key("tree_m3_to", &t.tree_m3_to, Of::Own, false),
        key("slope_to", &t.slope_to, Of::Own, false),
        key(
            "seconds_per_advance",
            &t.seconds_per_advance,
            Of::Elements,
            true,
        ),
        key(
            "seconds_per_bunch",
            &t.seconds_per_bunch,
            Of::Elements,
            true,
        ),
    ]
}

pub fn resolve(context: &Context<'_>, table: &ProductionTable) -> Result<TimeModel, ProjectError> {
    let default = TimeModel::default().name;
    let name = (table.time_model.as_ref()).map_or(default.as_str(), |name| name.get_ref());
    let kind = match name {
        OWN => TimeKind::WholeCycle,
        ELEMENTS => TimeKind::Elements,
        _ => {
            let Some(model) = TimeModel::published(name) else {
                let reason = Reason::UnknownChoice {
                    key: "time_model".to_owned(),
                    value: name.to_owned(),
                    valid: (PUBLISHED.iter().map(|relation| relation.name))
                        .chain([OWN, ELEMENTS])
                        .map(str::to_owned)
                        .collect(),
                };
                let span = table.time_model.as_ref().map_or(0..0, Spanned::span);
                return Err(context.error(span, reason));
            };
            refuse_strangers(context, table, name, |_| false)?;
            return Ok(model);
        }
    };
    let takes = |of: Of| of == Of::Own || kind == TimeKind::Elements;
    refuse_strangers(context, table, name, takes)?;
    if let Some(lost) = keys(table)
        .into_iter()
        .find(|key| key.needed && takes(key.of) && key.written.is_none())
    {
        let needed = keys(table)
            .into_iter()
            .filter(|key| key.needed && takes(key.of));
        let needed: Vec<String> = needed.map(|key| format!("`{}`", key.name)).collect();
        let reason = Reason::Contradiction {
            message: format!("`time_model` is `{name}`, but `{}` is not given", lost.name),
            remedy: format!(
                "give all of {}; 0 where there is nothing to add",
                needed.join(", ")
            ),
        };
        let span = table.time_model.as_ref().map_or(0..0, Spanned::span);
        return Err(context.error(span, reason));
    }
    let figure = |key: &str, written: &Option<Spanned<f64>>, range: (f64, f64)| {
        (written.as_ref()).map_or(Ok(0.0), |written| number(context, key, written, range))
    };
    let limit = |key: &str, written: &Option<Spanned<f64>>| {
        let value =
            (written.as_ref()).map(|written| number(context, key, written, (0.0, MOST_TREE_M3)));
        value.transpose()
    };
    let share = |key: &str, written: &Option<Spanned<crate::rulebook::values::Share>>| {
        (written.as_ref())
            .map(|written| context.fraction(key, written))
            .transpose()
    };
    if let Some(source) = &table.time_source {
        context.not_empty("time_source", source)?;
    }
    let model = TimeModel {
        name: name.to_owned(),
        kind,
        seconds_per_tree: figure("seconds_per_tree", &table.seconds_per_tree, (0.1, 3600.0))?,
        seconds_per_m3: figure("seconds_per_m3", &table.seconds_per_m3, SECONDS)?,
        steep_factor: figure("steep_factor", &table.steep_factor, FACTOR)?,
        steep_from: share("steep_from", &table.steep_from)?.unwrap_or(0.0),
        seconds_per_advance: figure("seconds_per_advance", &table.seconds_per_advance, SECONDS)?,
        seconds_per_bunch: figure("seconds_per_bunch", &table.seconds_per_bunch, SECONDS)?,
        source: (table.time_source.as_ref())
            .map_or_else(String::new, |source| source.get_ref().clone()),
        status: "project",
        tree_m3_from: limit("tree_m3_from", &table.tree_m3_from)?,
        tree_m3_to: limit("tree_m3_to", &table.tree_m3_to)?,
        slope_to: share("slope_to", &table.slope_to)?,
        range_source: "the project file".to_owned(),
        calibration: None,
    };
    if let (Some(from), Some(to), Some(written)) =
        (model.tree_m3_from, model.tree_m3_to, &table.tree_m3_to)
        && from > to
    {
        let reason = Reason::Contradiction {
            message: format!("`tree_m3_from` ({from} m3) is more than `tree_m3_to` ({to} m3)"),
            remedy: "set both to the smallest and the largest mean tree of the study".to_owned(),
        };
        return Err(context.error(written.span(), reason));
    }
    Ok(model)
}

/// Figures of another model would change nothing, or count time twice: told, with what takes them.
fn refuse_strangers(
    context: &Context<'_>,
    table: &ProductionTable,
    name: &str,
    takes: impl Fn(Of) -> bool,
) -> Result<(), ProjectError> {
    let stranger = keys(table)
        .into_iter()
        .find_map(|key| Some((key.name, key.of, key.written.filter(|_| !takes(key.of))?)));
    let Some((key, of, span)) = stranger else {
        return Ok(());
    };
    let reason = match of {
        Of::Own => Reason::Contradiction {
            message: format!("the time model `{name}` has figures of its own, so `{key}` would change nothing"),
            remedy: "write `time_model = \"own\"` and give `seconds_per_tree`, `seconds_per_m3`, `steep_factor`, \
                     `steep_from` and `time_source` together, or remove the key"
                .to_owned(),
        },
        Of::Elements => Reason::Contradiction {
            message: format!(
                "the time model `{name}` is of whole cycles, which hold moving and bunching, so `{key}` would count them twice"
            ),
            remedy: "remove the key, or write `time_model = \"elements\"` and give all elements together: \
                     `seconds_per_tree`, `seconds_per_m3`, `steep_factor`, `steep_from`, `seconds_per_advance`, \
                     `seconds_per_bunch` and `time_source`"
                .to_owned(),
        },
    };
    Err(context.error(span, reason))
}
