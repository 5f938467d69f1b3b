//! Who drives when: nobody is in two places at once, or on shift longer than the crew file says is allowed.

use chrono::TimeZone;

use super::shifts_of;
use super::{DispatchError, DispatchOptions};
use crate::outputs::dispatch::Person;
use crate::project::{Crew, Reason, Turn};
use crate::rulebook::spanned::Spanned;
use crate::schedule::{Duty, Second};

/// A shift of somebody, and on which machine.
struct Served<'c> {
    machine: &'c Spanned<String>,
    shift: &'c str,
    duty: Duty,
}

const DAY_S: i64 = 86_400;

/// How long each operator is on shift, in the order of the crew file.
///
/// # Errors
/// Somebody is in two places at once, works longer in 24 hours than `[rest]` allows, or rests less.
pub(super) fn people(
    crew: &Crew,
    options: &DispatchOptions,
) -> Result<(Vec<Person>, Vec<Duty>), DispatchError> {
    let machines = crew.machines.iter().map(|its| (&its.name, &its.turns));
    let skidders = crew.skidders.iter().map(|its| (&its.name, &its.turns));
    let mut served: Vec<Served<'_>> = machines
        .chain(skidders)
        .flat_map(|(machine, turns)| of_machine(crew, options, machine, turns))
        .collect();
    served.sort_by(|a, b| (&a.duty.person, a.duty.span).cmp(&(&b.duty.person, b.duty.span)));
    let mut people = Vec::new();
    for own in served.chunk_by(|a, b| a.duty.person == b.duty.person) {
        people.push(person(crew, own)?);
    }
    Ok((people, served.into_iter().map(|own| own.duty).collect()))
}

fn of_machine<'c>(
    crew: &'c Crew,
    options: &DispatchOptions,
    machine: &'c Spanned<String>,
    turns: &'c [Turn],
) -> Vec<Served<'c>> {
    let all = shifts_of(crew, options, turns).into_iter();
    all.filter_map(|one| {
        let turn = turns.iter().find(|turn| turn.shift == one.shift)?;
        Some(Served {
            machine,
            shift: &crew.shifts[one.shift].name,
            duty: Duty {
                person: turn.operator.clone()?,
                span: one.span,
            },
        })
    })
    .collect()
}

/// One person, whose shifts come by time.
fn person(crew: &Crew, own: &[Served<'_>]) -> Result<Person, DispatchError> {
    let name = &own[0].duty.person;
    let clock = |at: Second| {
        let there = crew.zone.timestamp_opt(at, 0).earliest();
        there.map_or(String::new(), |at| at.format("%Y-%m-%d %H:%M").to_string())
    };
    let told = |served: &Served<'_>| {
        format!(
            "shift `{}` of `{}` ({} to {})",
            served.shift,
            served.machine.get_ref(),
            clock(served.duty.span.from),
            clock(served.duty.span.to)
        )
    };
    let refuse = |at: &Served<'_>, message: String, remedy: &str| {
        let reason = Reason::Contradiction {
            message,
            remedy: remedy.to_owned(),
        };
        DispatchError::Crew(crew.error(at.machine.span(), reason))
    };
    for pair in own.windows(2) {
        if pair[1].duty.span.from < pair[0].duty.span.to {
            return Err(refuse(
                &pair[1],
                format!(
                    "operator `{name}` would be in two places at once: {} and {}",
                    told(&pair[0]),
                    told(&pair[1])
                ),
                "name another operator for one of the two shifts in `operators`",
            ));
        }
    }
    let (mut most_s, mut longest) = (0, 0..1);
    for first in 0..own.len() {
        let begin = own[first].duty.span.from;
        let in_day = own[first..]
            .iter()
            .take_while(|one| one.duty.span.from < begin + DAY_S);
        let works = in_day.clone().map(|one| {
            let span = one.duty.span;
            span.to.min(begin + DAY_S) - span.from
        });
        let works: i64 = works.sum();
        if works > most_s {
            (most_s, longest) = (works, first..first + in_day.count());
        }
    }
    let rests = own.windows(2).map(|pair| {
        let rest = pair[1].duty.span.from - pair[0].duty.span.to;
        (rest, pair)
    });
    // What follows at once is one long shift.
    let least = rests
        .filter(|(rest, _)| *rest > 0)
        .min_by_key(|(rest, _)| *rest);
    let hours = |seconds: i64| format!("{:.1} h", seconds as f64 / 3600.0);
    if let Some(rest) = &crew.rest {
        if let Some(allowed) = rest.longest_work_s.filter(|allowed| most_s > *allowed) {
            let shifts: Vec<String> = own[longest.clone()].iter().map(told).collect();
            return Err(refuse(
                &own[longest.start],
                format!(
                    "operator `{name}` would be on shift for {} of 24 hours, {} are allowed ({}): {}",
                    hours(most_s),
                    hours(allowed),
                    rest.source,
                    shifts.join(", ")
                ),
                "name more operators, or make the shifts shorter",
            ));
        }
        if let Some((found, pair)) = least
            && let Some(needed) = rest.least_rest_s.filter(|needed| found < *needed)
        {
            return Err(refuse(
                &pair[1],
                format!(
                    "operator `{name}` would rest for {}, {} are needed ({}): after {} comes {}",
                    hours(found),
                    hours(needed),
                    rest.source,
                    told(&pair[0]),
                    told(&pair[1])
                ),
                "name more operators, or move the shifts apart",
            ));
        }
    }
    Ok(Person {
        name: name.clone(),
        shifts: own.len(),
        longest_in_a_day_s: most_s,
        least_rest_s: least.map(|(rest, _)| rest),
    })
}
