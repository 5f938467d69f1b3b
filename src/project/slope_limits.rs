//! Slopes by machine, heading and state of the ground, as `[machine]` has them.

use super::file::{MachineTable, SlopeLimitTable};
use super::resolve::Context;
use super::settings::slope;
use super::{ProjectError, Reason};
use crate::model::{GroundState, LimitOf, MachineKind, SlopeHeading, SlopeLimit, SlopeRules};
use crate::rulebook::spanned::Spanned;
use crate::units::Percent;

fn chosen<T: Copy>(
    context: &Context<'_>,
    key: &str,
    written: &Spanned<String>,
    all: &[T],
    name: impl Fn(T) -> &'static str,
) -> Result<T, ProjectError> {
    let found = all.iter().find(|own| name(**own) == written.get_ref());
    found.copied().ok_or_else(|| {
        let reason = Reason::UnknownChoice {
            key: key.to_owned(),
            value: written.get_ref().clone(),
            valid: all.iter().map(|own| name(*own).to_owned()).collect(),
        };
        context.error(written.span(), reason)
    })
}

/// What `key` of `[machine]` says the machine runs on.
pub(super) fn kind(
    context: &Context<'_>,
    key: &str,
    written: &Option<Spanned<String>>,
) -> Result<Option<MachineKind>, ProjectError> {
    let of = |written| chosen(context, key, written, &MachineKind::ALL, MachineKind::key);
    written.as_ref().map(of).transpose()
}

/// `max_slope`: the felling machine's own limit, above which no ground is entered.
pub(super) fn resolve(
    context: &Context<'_>,
    table: &MachineTable,
    max_slope: f64,
) -> Result<SlopeRules, ProjectError> {
    let mut rules = SlopeRules {
        feller: kind(context, "feller", &table.feller)?,
        skidder: kind(context, "skidder", &table.skidder)?,
        limits: vec![],
    };
    for written in &table.slope_limits {
        let limit = limit(context, written.get_ref())?;
        let contradiction = |message: String, remedy: &str| {
            let reason = Reason::Contradiction {
                message,
                remedy: remedy.to_owned(),
            };
            Err(context.error(written.span(), reason))
        };
        let feller = limit.machine == LimitOf::Feller;
        let plain = limit.heading == SlopeHeading::Any && limit.state == GroundState::Any;
        if feller && plain {
            return contradiction(
                "a limit of the feller for any heading in any state is its `max_slope`".to_owned(),
                "write it as `max_slope` of [machine]",
            );
        }
        if feller && limit.most > max_slope {
            return contradiction(
                format!(
                    "`most` ({}) is more than `max_slope` ({}), beyond which no ground is entered",
                    Percent(limit.most),
                    Percent(max_slope)
                ),
                "a limit by heading or state only restricts: leave it out, or raise `max_slope` if the maker's limit is higher",
            );
        }
        let same = |own: &&SlopeLimit| {
            (own.machine, own.heading, own.state) == (limit.machine, limit.heading, limit.state)
        };
        if let Some(held) = rules.limits.iter().find(same) {
            return contradiction(
                format!(
                    "two limits of the {} for heading `{}` in state `{}`: {} and {}",
                    limit.machine.key(),
                    limit.heading.key(),
                    limit.state.key(),
                    Percent(held.most),
                    Percent(limit.most)
                ),
                "keep the one whose source counts",
            );
        }
        rules.limits.push(limit);
    }
    Ok(rules)
}

fn limit(context: &Context<'_>, table: &SlopeLimitTable) -> Result<SlopeLimit, ProjectError> {
    context.not_empty("source", &table.source)?;
    let of =
        |written: &Spanned<String>| chosen(context, "machine", written, LimitOf::ALL, LimitOf::key);
    let heading = |written: &Spanned<String>| {
        chosen(
            context,
            "heading",
            written,
            SlopeHeading::ALL,
            SlopeHeading::key,
        )
    };
    let state = |written: &Spanned<String>| {
        chosen(
            context,
            "state",
            written,
            GroundState::ALL,
            GroundState::key,
        )
    };
    Ok(SlopeLimit {
        machine: (table.machine.as_ref().map(of).transpose()?).unwrap_or(LimitOf::Feller),
        heading: (table.heading.as_ref().map(heading).transpose()?).unwrap_or(SlopeHeading::Any),
        state: (table.state.as_ref().map(state).transpose()?).unwrap_or(GroundState::Any),
        most: slope(context, "most", &table.most)?,
        source: table.source.get_ref().clone(),
    })
}
