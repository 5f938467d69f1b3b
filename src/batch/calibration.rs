//! A factor on the time model's hours, from a layout that a crew has worked and a table of the hours its sections took.

use std::borrow::Cow;
use std::collections::BTreeSet;
use std::path::Path;

use super::calibration_tracks;
use super::done_file::{self, DoneError};
use crate::model::{Calibration, LEAST_SECTIONS, TimeModel, TrackHours, fit};
use crate::project::{CalibrationSource, HoursTaken, Project, TableSource};
use crate::sources::{self, FinishedError, FinishedLayout, FinishedSection, SourceError};

/// Factors beyond these are units gone wrong, not a crew.
pub(super) const BELIEVED: [f64; 2] = [0.2, 5.0];

/// Why no factor could be fitted.
#[derive(Debug, thiserror::Error)]
pub enum CalibrationError {
    #[error(transparent)]
    Layout(#[from] FinishedError),
    #[error(transparent)]
    Table(#[from] DoneError),
    #[error(transparent)]
    Tracks(#[from] SourceError),
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

/// Sections with hours of the model as published, and what was taken for them, all above 0.
pub(super) struct Taken {
    pub pairs: Vec<(f64, f64)>,
    pub blocks: BTreeSet<usize>,
    pub passed_over: u64,
    /// Of tracks.
    pub tracks: Option<TrackHours>,
}

/// From the layout's scheduled hours to productive ones of the model as published.
#[derive(Clone, Copy)]
pub(super) struct ToModel {
    utilisation: f64,
    before: f64,
}

impl ToModel {
    fn of(layout: &FinishedLayout) -> ToModel {
        let before = &layout.production["calibration"];
        ToModel {
            utilisation: layout.production["utilisation"].as_f64().unwrap_or(1.0),
            before: match before["applied"].as_bool() {
                Some(true) => before["factor"].as_f64().unwrap_or(1.0),
                _ => 1.0,
            },
        }
    }

    fn hours(self, scheduled: f64) -> f64 {
        scheduled * self.utilisation / self.before
    }

    /// Of all of a section; None where the layout does not know them.
    pub fn section(self, section: &FinishedSection) -> Option<f64> {
        let known = section.hours.filter(|hours| *hours > 0.0);
        known.map(|hours| self.hours(hours))
    }
}

fn fitted(project: &Project, source: &CalibrationSource) -> Result<Calibration, CalibrationError> {
    let folder = source.layout.path.parent().unwrap_or(Path::new(""));
    let layout = sources::finished(folder)?;
    let named: Vec<&str> = (source.files().skip(1))
        .map(|file| file.source.as_str())
        .collect();
    let named = named.join(", ");
    let fault = |why: String, hint: &'static str| CalibrationError::Fit {
        table: named.clone(),
        why,
        hint,
    };
    same_model(project, &layout).map_err(|key| {
        fault(
            format!("the layout's hours are of another time model: its `{key}` is not the project's"),
            "lay out with the same [production] figures, or name the layout that was made with them",
        )
    })?;
    let to_model = ToModel::of(&layout);
    let taken = match &source.hours {
        HoursTaken::Table(table) => of_table(table, &layout, to_model)?,
        HoursTaken::Tracks(tracks) => calibration_tracks::taken(tracks, &layout, to_model)?,
    };
    let pairs = &taken.pairs;
    let Some(fit) = fit(pairs) else {
        let of = pairs.len() as u64 + taken.passed_over;
        return Err(match taken.tracks {
            None => fault(
                format!(
                    "{} of its {of} rows have hours of the model and hours taken; a factor needs {LEAST_SECTIONS} or more",
                    pairs.len()
                ),
                "give `productive_hours_taken` or `scheduled_hours_taken` for more sections, or remove `calibration`",
            ),
            Some(_) => fault(
                format!(
                    "of {of} sections that its tracks were in, {} were worked over and have hours of the model and of the \
                     tracks; a factor needs {LEAST_SECTIONS} or more",
                    pairs.len()
                ),
                "name tracks whose fixes have times, at most 30 m and 120 s apart, of more sections, or remove `calibration`",
            ),
        });
    };
    let [least, most] = BELIEVED;
    if !(least..=most).contains(&fit.factor) {
        let why = format!(
            "{:.3} hours taken for an hour of the model are not believed",
            fit.factor
        );
        let hint = match taken.tracks {
            None => "write hours, not minutes, and those of the felling machine alone",
            Some(_) => "name tracks of the felling machine alone, each once",
        };
        return Err(fault(why, hint));
    }
    Ok(Calibration {
        factor: fit.factor,
        low: fit.low,
        high: fit.high,
        sections: pairs.len() as u64,
        blocks: taken.blocks.len() as u64,
        model_hours: pairs.iter().map(|pair| pair.0).fold(0.0, |sum, h| sum + h),
        hours_taken: pairs.iter().map(|pair| pair.1).fold(0.0, |sum, h| sum + h),
        passed_over: taken.passed_over,
        applied: source.apply,
        source: named,
        tracks: taken.tracks,
    })
}

/// What a table of finished sections says.
fn of_table(
    table: &TableSource,
    layout: &FinishedLayout,
    to_model: ToModel,
) -> Result<Taken, CalibrationError> {
    let rows = done_file::read(&table.path, layout)?;
    let mut pairs = Vec::with_capacity(rows.len());
    let mut blocks = BTreeSet::new();
    for row in &rows {
        let section = &layout.blocks[row.block].sections[row.section];
        let scheduled = row.hours.or(section.hours).filter(|hours| *hours > 0.0);
        let taken = row.productive_taken.or(row
            .scheduled_taken
            .map(|hours| hours * to_model.utilisation));
        let (Some(scheduled), Some(taken)) = (scheduled, taken.filter(|hours| *hours > 0.0)) else {
            continue;
        };
        pairs.push((to_model.hours(scheduled), taken));
        blocks.insert(row.block);
    }
    Ok(Taken {
        passed_over: (rows.len() - pairs.len()) as u64,
        pairs,
        blocks,
        tracks: None,
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
