//! Wood that is wanted at the roadside by dates: what a plan is to bring, and what it brings.

use chrono::{NaiveDate, NaiveTime};

use super::former::FormerPlan;
use super::{DispatchError, DispatchOptions};
use crate::outputs::dispatch::WoodDue;
use crate::project::{Crew, Reason};
use crate::schedule::outlook::{Warning, shown};
use crate::schedule::skidding::Skidding;
use crate::schedule::wood::{Wanted, Wood, brought};
use crate::schedule::{Plan, Problem, Second, calendar};
use crate::sources::FinishedLayout;

/// Litres of each block and unit.
type Litres = Vec<Vec<i64>>;

/// The first second after a date.
fn end_of(crew: &Crew, date: NaiveDate) -> Second {
    let next = date.succ_opt().unwrap_or(date);
    calendar::second_of(crew.zone, next, NaiveTime::MIN)
}

/// What of the crew file's wood is still to come: dates that are past are over, and what was brought since the last of them counts.
///
/// # Errors
/// The layout does not know the volume of all its sections.
pub(super) fn wanted(
    crew: &Crew,
    layout: &FinishedLayout,
    options: &DispatchOptions,
    litres: Option<Litres>,
    stood: Option<&FormerPlan>,
) -> Result<(Wood, i64), DispatchError> {
    let Some(first) = crew.wood.first() else {
        return Ok((Wood::default(), 0));
    };
    let Some(litres) = litres else {
        let reason = Reason::Contradiction {
            message: "`[[wood]]` counts wood in m³, and the layout does not know the volume of all its sections"
                .to_owned(),
            remedy: "give `tree_m3` under [production], or stands with a volume, and lay out anew; or take `[[wood]]` out"
                .to_owned(),
        };
        return Err(crew.error(first.at.clone(), reason).into());
    };
    let (past, coming): (Vec<_>, Vec<_>) = crew.wood.iter().partition(|own| own.by < options.from);
    let since = past.last().map_or(Second::MIN, |own| end_of(crew, own.by));
    let before = stood.map_or(0, |own| own.brought(layout, since));
    let mut sum = -before;
    let wanted = coming.iter().map(|own| {
        sum += (own.m3 * 1000.0).round() as i64;
        Wanted {
            by: end_of(crew, own.by),
            litres: sum.max(0),
        }
    });
    let wood = Wood {
        wanted: wanted.collect(),
        litres,
        lead_s: (crew.skidders.iter().map(|its| its.min_lead_s).min()).unwrap_or(0),
    };
    Ok((wood, before))
}

/// What a plan brings by each date. `litres` and the plan's problem hold what lies from before, too.
pub(super) fn due(
    crew: &Crew,
    options: &DispatchOptions,
    problem: &Problem,
    (plan, skidding): (&Plan, &Skidding),
    litres: &Litres,
    before: i64,
) -> Vec<WoodDue> {
    let coming = crew.wood.iter().filter(|own| own.by >= options.from);
    let by: Vec<Second> = problem.wood.wanted.iter().map(|own| own.by).collect();
    let of = |block: usize, unit: usize| litres[block][unit];
    let followed = (!crew.skidders.is_empty()).then_some(skidding);
    let there = brought(problem, plan, followed, &of, &by);
    let felled = brought(problem, plan, None, &of, &by);
    let all = coming
        .zip(&problem.wood.wanted)
        .zip(there.into_iter().zip(felled));
    all.map(|((date, wanted), (there, felled))| WoodDue {
        by: date.by,
        end: wanted.by,
        wanted: wanted.litres,
        brought: there,
        felled,
        before,
        skidded: followed.is_some(),
    })
    .collect()
}

/// Dates that are not met.
pub(super) fn short(due: &[WoodDue]) -> impl Iterator<Item = Warning> + '_ {
    let short = due.iter().filter(|own| own.brought < own.wanted);
    short.map(|own| Warning {
        what: format!(
            "{}: {:.1} m³ short",
            own.words(&shown(own.by)),
            (own.wanted - own.brought) as f64 / 1000.0
        ),
        help: match (own.skidded, own.felled >= own.wanted) {
            (true, true) => "enough is felled by then: add a skidder or a skidding shift, or let `min_lead` be shorter".to_owned(),
            _ => "not enough is felled by then: more machines or shifts before it, or a smaller `priority` for blocks with much wood in few hours".to_owned(),
        },
    })
}
