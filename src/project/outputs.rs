//! `[outputs]`: sheets, their paper, and exchange files.

use chrono::NaiveDate;
use geo::Coord;

use super::file::OutputsTable;
use super::resolve::Context;
use super::{ProjectError, Reason};
use crate::compass;
use crate::model::{ExchangeFormat, Language, MoreSheets, OutputSettings, Paper};
use crate::rulebook::spanned::Spanned;

/// Larger than this it is an azimuth, or a slip: only beside the magnetic poles is it more.
const MOST_DECLINATION_DEG: f64 = 60.0;

pub fn resolve(
    context: &Context<'_>,
    table: &OutputsTable,
) -> Result<OutputSettings, ProjectError> {
    let mut outputs = OutputSettings::default();
    let switches = [
        (table.maps, &mut outputs.maps),
        (table.report, &mut outputs.report),
        (table.bunches, &mut outputs.bunches),
        (table.sheets, &mut outputs.sheets),
    ];
    for (written, switch) in switches {
        *switch = written.unwrap_or(*switch);
    }
    if let Some(written) = &table.paper {
        let valid = Paper::ALL.map(Paper::key);
        outputs.paper = choice(context, "paper", written, Paper::from_key, &valid)?;
    }
    if let Some(written) = &table.language {
        let valid = Language::ALL.map(Language::key);
        outputs.language = choice(context, "language", written, Language::from_key, &valid)?;
    }
    if let Some(written) = &table.more_sheets {
        let valid = MoreSheets::ALL.map(MoreSheets::key);
        outputs.more_sheets = choices(
            context,
            "more_sheets",
            written,
            MoreSheets::from_key,
            &valid,
        )?;
    }
    if let Some(written) = &table.declination {
        let degrees = *written.get_ref();
        if degrees.is_nan() || degrees.abs() > MOST_DECLINATION_DEG {
            let reason = Reason::OutOfRange {
                key: "declination".to_owned(),
                value: format!("{degrees}°"),
                lowest: format!("-{MOST_DECLINATION_DEG}°"),
                highest: format!("{MOST_DECLINATION_DEG}°"),
            };
            return Err(context.error(written.span(), reason));
        }
        outputs.declination_deg = Some(degrees);
    }
    if let Some(written) = &table.declination_on {
        outputs.declination_on = Some(day(context, table, written)?);
    }
    if let Some(written) = &table.exchange {
        let valid = ExchangeFormat::ALL.map(ExchangeFormat::key);
        outputs.exchange = choices(
            context,
            "exchange",
            written,
            ExchangeFormat::from_key,
            &valid,
        )?;
    }
    Ok(outputs)
}

/// A day of the magnetic model, where nobody gives the declination itself.
fn day(
    context: &Context<'_>,
    table: &OutputsTable,
    written: &Spanned<String>,
) -> Result<NaiveDate, ProjectError> {
    let key = "declination_on";
    let reason = if table.declination.is_some() {
        Reason::Contradiction {
            message: "the declination is given, and is to be computed for a day too".to_owned(),
            remedy: "keep `declination` or `declination_on`".to_owned(),
        }
    } else {
        let day = NaiveDate::parse_from_str(written.get_ref(), "%Y-%m-%d");
        // The model knows by itself until when it holds; the place does not matter.
        match day.map(|day| (day, compass::declination(Coord::zero(), day))) {
            Ok((day, Ok(_))) => return Ok(day),
            Ok((day, Err((first, last)))) => Reason::OutOfRange {
                key: key.to_owned(),
                value: day.to_string(),
                lowest: first.to_string(),
                highest: last.to_string(),
            },
            Err(_) => Reason::NotA {
                key: key.to_owned(),
                value: written.get_ref().clone(),
                wanted: "a date such as \"2026-12-01\"",
            },
        }
    };
    Err(context.error(written.span(), reason))
}

/// One of a few words.
fn choice<T>(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<String>,
    from_key: fn(&str) -> Option<T>,
    valid: &[&str],
) -> Result<T, ProjectError> {
    from_key(written.get_ref()).ok_or_else(|| {
        let reason = Reason::UnknownChoice {
            key: key.to_owned(),
            value: written.get_ref().clone(),
            valid: valid.iter().map(|&word| word.to_owned()).collect(),
        };
        context.error(written.span(), reason)
    })
}

/// Several of a few words, in their own order, each once.
fn choices<T: Ord>(
    context: &Context<'_>,
    key: &str,
    written: &[Spanned<String>],
    from_key: fn(&str) -> Option<T>,
    valid: &[&str],
) -> Result<Vec<T>, ProjectError> {
    let chosen = written.iter();
    let mut chosen = chosen
        .map(|written| choice(context, key, written, from_key, valid))
        .collect::<Result<Vec<T>, ProjectError>>()?;
    chosen.sort_unstable();
    chosen.dedup();
    Ok(chosen)
}
