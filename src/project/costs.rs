//! `[costs]`: rates of machines per scheduled hour.

use super::file::CostsTable;
use super::resolve::Context;
use super::settings::number;
use super::{ProjectError, Reason};
use crate::model::{MachineCosts, PUBLISHED_RATES, Rates};
use crate::rulebook::spanned::Spanned;

/// Of any currency for an hour.
const MOST_RATE: f64 = 1e7;
const MOST_CURRENCY: usize = 8;

pub fn resolve(context: &Context<'_>, table: &CostsTable) -> Result<MachineCosts, ProjectError> {
    let rate = |key: &str, written: &Option<Spanned<f64>>| {
        let rate =
            (written.as_ref()).map(|written| number(context, key, written, (0.0, MOST_RATE)));
        rate.transpose()
    };
    let mut costs = MachineCosts {
        rates: Rates {
            felling: rate("felling", &table.felling)?,
            skidding: rate("skidding", &table.skidding)?,
        },
        ..MachineCosts::default()
    };
    if let Some(name) = &table.rates {
        let Some(found) = PUBLISHED_RATES.iter().find(|r| r.name == name.get_ref()) else {
            let reason = Reason::UnknownChoice {
                key: "rates".to_owned(),
                value: name.get_ref().clone(),
                valid: PUBLISHED_RATES.map(|rates| rates.name.to_owned()).to_vec(),
            };
            return Err(context.error(name.span(), reason));
        };
        let year = found.year.to_string();
        for (key, span) in [
            ("currency", table.currency.as_ref().map(Spanned::span)),
            ("year", table.year.as_ref().map(Spanned::span)),
        ] {
            if let Some(span) = span {
                let reason = Reason::Contradiction {
                    message: format!(
                        "the rates `{}` are in {} of {year}, so `{key}` would say otherwise",
                        found.name, found.currency
                    ),
                    remedy: "remove the key, and give rates of your own in the same money; or remove `rates`".to_owned(),
                };
                return Err(context.error(span, reason));
            }
        }
        costs.rates.felling = costs.rates.felling.or(Some(found.felling));
        costs.currency = found.currency.to_owned();
        costs.year = Some(found.year);
        costs.status = found.status;
        costs.source = found.source.to_owned();
    }
    let own = table.felling.as_ref().or(table.skidding.as_ref());
    let Some(own) = own else {
        return Ok(costs);
    };
    let Some(source) = &table.source else {
        return Err(lost(context, own, "source"));
    };
    context.not_empty("source", source)?;
    if costs.status.is_empty() {
        costs.status = "project";
    }
    costs.source = match costs.source.as_str() {
        "" => source.get_ref().clone(),
        published => format!("{}; rates of the project: {}", published, source.get_ref()),
    };
    if table.rates.is_some() {
        return Ok(costs);
    }
    let Some(currency) = &table.currency else {
        return Err(lost(context, own, "currency"));
    };
    context.not_empty("currency", currency)?;
    let text = currency.get_ref();
    if text.chars().count() > MOST_CURRENCY || text.chars().any(char::is_control) {
        let reason = Reason::NotA {
            key: "currency".to_owned(),
            value: text.clone(),
            wanted: "a currency; write up to eight letters, such as \"CA$\"",
        };
        return Err(context.error(currency.span(), reason));
    }
    costs.currency = text.clone();
    let Some(year) = &table.year else {
        return Err(lost(context, own, "year"));
    };
    let value = number(context, "year", year, (1950.0, 2200.0))?;
    costs.year = Some(value as u32);
    Ok(costs)
}

fn lost(context: &Context<'_>, own: &Spanned<f64>, key: &str) -> ProjectError {
    let reason = Reason::Contradiction {
        message: format!("`[costs]` gives a rate, but no `{key}`"),
        remedy: "give `currency`, `year` and `source` with rates of your own: money without them cannot be compared".to_owned(),
    };
    context.error(own.span(), reason)
}
