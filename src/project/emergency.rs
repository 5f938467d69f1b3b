//! `[emergency]` and `[weather]`: what sheets say when something goes wrong, and of work in falling snow.

use super::file::{EmergencyTable, WeatherTable};
use super::resolve::Context;
use super::{ProjectError, Reason};
use crate::model::{Emergency, FallingSnow};
use crate::rulebook::spanned::Spanned;

/// As many letters fit on a sheet.
const MOST_LETTERS: usize = 300;

pub fn resolve(context: &Context<'_>, table: &EmergencyTable) -> Result<Emergency, ProjectError> {
    let text = |key: &str, written: &Option<Spanned<String>>| {
        let Some(written) = written else {
            return Ok(None);
        };
        context.not_empty(key, written)?;
        let letters = written.get_ref().chars().count();
        if letters > MOST_LETTERS {
            let reason = Reason::OutOfRange {
                key: key.to_owned(),
                value: format!("{letters} letters"),
                lowest: "1".to_owned(),
                highest: format!("{MOST_LETTERS} letters"),
            };
            return Err(context.error(written.span(), reason));
        }
        Ok(Some(written.get_ref().trim().to_owned()))
    };
    Ok(Emergency {
        phone: text("emergency.phone", &table.phone)?,
        radio: text("emergency.radio", &table.radio)?,
        muster_point: text("emergency.muster_point", &table.muster_point)?,
        access: text("emergency.access", &table.access)?,
    })
}

pub fn falling_snow(
    context: &Context<'_>,
    table: &Option<Spanned<WeatherTable>>,
) -> Result<Option<FallingSnow>, ProjectError> {
    let Some(table) = table.as_ref().map(Spanned::get_ref) else {
        return Ok(None);
    };
    context.not_empty("weather.source", &table.source)?;
    Ok(Some(FallingSnow {
        night_work: table.night_work_in_falling_snow,
        source: table.source.get_ref().trim().to_owned(),
    }))
}
