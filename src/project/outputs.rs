//! `[outputs]`: sheets, their paper, and exchange files.

use super::file::OutputsTable;
use super::resolve::Context;
use super::{ProjectError, Reason};
use crate::model::{ExchangeFormat, Language, OutputSettings, Paper};

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
        outputs.paper = Paper::from_key(written.get_ref()).ok_or_else(|| {
            let reason = Reason::UnknownChoice {
                key: "paper".to_owned(),
                value: written.get_ref().clone(),
                valid: Paper::ALL.map(|paper| paper.key().to_owned()).to_vec(),
            };
            context.error(written.span(), reason)
        })?;
    }
    if let Some(written) = &table.language {
        outputs.language = Language::from_key(written.get_ref()).ok_or_else(|| {
            let reason = Reason::UnknownChoice {
                key: "language".to_owned(),
                value: written.get_ref().clone(),
                valid: Language::ALL
                    .map(|language| language.key().to_owned())
                    .to_vec(),
            };
            context.error(written.span(), reason)
        })?;
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
    if let Some(formats) = &table.exchange {
        outputs.exchange.clear();
        for written in formats {
            let format = ExchangeFormat::from_key(written.get_ref()).ok_or_else(|| {
                let reason = Reason::UnknownChoice {
                    key: "exchange".to_owned(),
                    value: written.get_ref().clone(),
                    valid: ExchangeFormat::ALL
                        .map(|format| format.key().to_owned())
                        .to_vec(),
                };
                context.error(written.span(), reason)
            })?;
            outputs.exchange.push(format);
        }
        outputs.exchange.sort_unstable();
        outputs.exchange.dedup();
    }
    Ok(outputs)
}
