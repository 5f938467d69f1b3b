//! `[wind]`: where the wind that throws trees comes from, and what of retention it endangers.

use super::file::WindTable;
use super::resolve::Context;
use super::settings::{length, number};
use super::{ProjectError, Reason};
use crate::model::Wind;
use crate::rulebook::spanned::Spanned;
use crate::rulebook::values::{COMPASS, Written};

pub fn resolve(
    context: &Context<'_>,
    table: &Option<Spanned<WindTable>>,
) -> Result<Option<Wind>, ProjectError> {
    let Some(table) = table.as_ref().map(Spanned::get_ref) else {
        return Ok(None);
    };
    let Some(from_deg) = table.from.get_ref().degrees() else {
        let reason = match &table.from.get_ref().0 {
            Written::Number(degrees) => Reason::OutOfRange {
                key: "from".to_owned(),
                value: degrees.to_string(),
                lowest: "0".to_owned(),
                highest: "360 degrees, clockwise from grid north".to_owned(),
            },
            Written::Text(text) => Reason::UnknownChoice {
                key: "from".to_owned(),
                value: text.clone(),
                valid: COMPASS.map(str::to_owned).to_vec(),
            },
        };
        return Err(context.error(table.from.span(), reason));
    };
    context.not_empty("source", &table.source)?;
    let mut wind = Wind::new(from_deg, table.source.get_ref().clone());
    for (key, written, range, slot) in [
        ("sector", &table.sector, (0.0, 180.0), &mut wind.sector_deg),
        ("facing", &table.facing, (1.0, 90.0), &mut wind.facing_deg),
        (
            "long_times",
            &table.long_times,
            (1.0, 1000.0),
            &mut wind.long_times,
        ),
        (
            "sharp_corner",
            &table.sharp_corner,
            (0.0, 180.0),
            &mut wind.sharp_corner_deg,
        ),
        (
            "seconds_per_m",
            &table.seconds_per_m,
            (0.0, 1000.0),
            &mut wind.seconds_per_m,
        ),
    ] {
        if let Some(written) = written {
            *slot = number(context, key, written, range)?;
        }
    }
    length(
        context,
        "narrow",
        &table.narrow,
        (0.0, 500.0),
        &mut wind.narrow_m,
    )?;
    Ok(Some(wind))
}
