//! A factor on the time model's hours, from a layout that a crew has worked and a table of the hours its sections took.

use std::borrow::Cow;
use std::path::Path;

use super::done_file::{self, DoneError};
use crate::model::{Calibration, LEAST_SECTIONS, TimeModel, fit};
use crate::project::{CalibrationSource, Project};
use crate::sources::{self, FinishedError, FinishedLayout};

/// Factors beyond these are units gone wrong, not a crew.
const BELIEVED: [f64; 2] = [0.2, 5.0];

/// Why no factor could be fitted.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    #[error(transparent)]
    Layout(#[from] FinishedError),
    #[error(transparent)]
    Table(#[from] DoneError),
    #[error("error[calibration]: {table}: {why}\n  hint: {hint}")]
    Fit {
        table: String,
        why: String,
        hint: &'static str,
    },
}

/// The project with the factor that its own `calibration` asks for; as it is where it asks for none.
///
/// # Errors
/// When layout or table cannot be read, the layout's hours are those of another time model, or the rows tell too little.
pub fn calibrated(project: &Project) -> Result<Cow<'_, Project>, CalibrationError> {
    let Some(source) = &project.calibration else {
        return Ok(Cow::Borrowed(project));
    };
    let fitted = fitted(project, source)?;
    let mut own = project.clone();
    own.settings.production.time.calibration = Some(fitted);
    Ok(Cow::Owned(own))
}

fn fitted(project: &Project, source: &CalibrationSource) -> Result<Calibration, CalibrationError> {
    let folder = source.layout.path.parent().unwrap_or(Path::new(""));
    let layout = sources::finished(folder)?;
    let fault = |why: String, hint: &'static str| CalibrationError::Fit {
        table: source.finished.source.clone(),
        why,
        hint,
    };
    same_model(project, &layout).map_err(|key| {
        fault(
            format!("the layout's hours are of another time model: its `{key}` is not the project's"),
            "lay out with the same [production] figures, or name the layout that was made with them",
        )
    })?;
    let figure = |key: &str| layout.production[key].as_f64();
    let utilisation = figure("utilisation").unwrap_or(1.0);
    let before = &layout.production["calibration"];
    let before = match before["applied"].as_bool() {
        Some(true) => before["factor"].as_f64().unwrap_or(1.0),
        _ => 1.0,
    };
    let rows = done_file::read(&source.finished.path, &layout)?;
    let mut pairs = Vec::with_capacity(rows.len());
    let mut blocks = std::collections::BTreeSet::new();
    for row in &rows {
        let section = &layout.blocks[row.block].sections[row.section];
        let scheduled = row.hours.or(section.hours).filter(|hours| *hours > 0.0);
        let taken = row
            .productive_taken
            .or(row.scheduled_taken.map(|hours| hours * utilisation));
        let (Some(scheduled), Some(taken)) = (scheduled, taken.filter(|hours| *hours > 0.0)) else {
            continue;
        };
        pairs.push((scheduled * utilisation / before, taken));
        blocks.insert(row.block);
    }
    let passed_over = (rows.len() - pairs.len()) as u64;
    let Some(fit) = fit(&pairs) else {
        let why = format!(
            "{} of its {} rows have hours of the model and hours taken; a factor needs {LEAST_SECTIONS} or more",
            pairs.len(),
            rows.len()
        );
        return Err(fault(
            why,
            "give `productive_hours_taken` or `scheduled_hours_taken` for more sections, or remove `calibration`",
        ));
    };
    let [least, most] = BELIEVED;
    if !(least..=most).contains(&fit.factor) {
        let why = format!(
            "{:.3} hours taken for an hour of the model are not believed",
            fit.factor
        );
        return Err(fault(
            why,
            "write hours, not minutes, and those of the felling machine alone",
        ));
    }
    Ok(Calibration {
        factor: fit.factor,
        low: fit.low,
        high: fit.high,
        sections: pairs.len() as u64,
        blocks: blocks.len() as u64,
        model_hours: pairs.iter().map(|pair| pair.0).fold(0.0, |sum, h| sum + h),
        hours_taken: pairs.iter().map(|pair| pair.1).fold(0.0, |sum, h| sum + h),
        passed_over,
        applied: source.apply,
        source: source.finished.source.clone(),
    })
}

/// Whether the layout's hours come from the figures of this project; else the key that differs.
fn same_model(project: &Project, layout: &FinishedLayout) -> Result<(), &'static str> {
    let production = &project.settings.production;
    let time: &TimeModel = &production.time;
    if layout.production["time_model"].as_str() != Some(&time.name) {
        return Err("time_model");
    }
    let figures = [
        ("seconds_per_tree", time.seconds_per_tree),
        ("seconds_per_m3", time.seconds_per_m3),
        ("steep_factor", time.steep_factor),
        ("steep_from", time.steep_from),
        ("seconds_per_advance", time.seconds_per_advance),
        ("seconds_per_bunch", time.seconds_per_bunch),
        ("seconds_per_turn", production.seconds_per_turn),
        ("travel_m_per_min", production.travel_m_per_min),
    ];
    let differs = |(key, own): &&(&str, f64)| {
        let found = layout.production[*key].as_f64();
        found.is_none_or(|found| (found - own).abs() > 1e-9 * own.abs().max(1.0))
    };
    figures
        .iter()
        .find(differs)
        .map_or(Ok(()), |(key, _)| Err(key))
}
