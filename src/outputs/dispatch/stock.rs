//! `stock.csv`: wood that lies felled and not skidded, by day.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{Days, NaiveDate, NaiveTime};

use super::Roster;
use crate::outputs::OutputError;
use crate::outputs::cells;
use crate::outputs::tables::Table;
use crate::schedule::calendar::second_of;
use crate::schedule::time::{intersect, subtract, total, union};
use crate::schedule::{Second, Stretch, What};

/// A day of the period.
pub(super) struct StockDay {
    pub date: NaiveDate,
    pub felled_m3: f64,
    pub skidded_m3: f64,
    /// At the midnight on which it ends.
    pub lies_m3: f64,
    /// The most at any time of the day.
    pub most_m3: f64,
    /// Felling stood still for skidders, within shifts.
    pub waits_s: i64,
}

/// Seconds within shifts of felling machines at which these wait for skidders: they neither cut nor move while it may not be begun
/// to fell more.
pub(super) fn waiting_s(roster: &Roster<'_>, within: Stretch) -> i64 {
    let waits = intersect(&roster.stock.waits, &[within]);
    if waits.is_empty() {
        return 0;
    }
    let mut busy: Vec<Vec<Stretch>> = vec![vec![]; roster.problem.machines.len()];
    for task in &roster.solved.plan.tasks {
        busy[task.machine].push(task.span);
    }
    let machines = roster.problem.machines.iter().zip(busy);
    machines
        .map(|(machine, busy)| {
            let idle = subtract(&machine.spans(), &union(busy));
            total(&intersect(&idle, &waits))
        })
        .sum()
}

/// By day from the first on which trees fall to the last on which wood is skidded or trees fall; None where nobody knows the
/// volume of all sections. Wood lies from the first of its section's felling until the last of its skidding.
pub(super) fn days(roster: &Roster<'_>) -> Option<Vec<StockDay>> {
    let litres = roster.stock.litres.as_ref()?;
    let before = roster.stock.lying.iter();
    let before = before.map(|own| ((own.block, own.unit), own.felled));
    let mut cut: BTreeMap<(usize, usize), Second> = before.collect();
    for task in &roster.solved.plan.tasks {
        if let What::Cut { unit, .. } = task.what {
            let at = cut.entry((task.block, unit)).or_insert(task.span.from);
            *at = (*at).min(task.span.from);
        }
    }
    let mut skidded: BTreeMap<(usize, usize), Second> = BTreeMap::new();
    for task in &roster.skidding.tasks {
        if let Some(unit) = task.unit {
            let at = skidded.entry((task.block, unit)).or_insert(task.span.to);
            *at = (*at).max(task.span.to);
        }
    }
    for ground in &roster.skidding.begun {
        skidded.remove(ground);
    }
    let wood = |ground: &(usize, usize)| litres[ground.0][ground.1];
    let mut changes: Vec<(Second, i64)> = (cut.iter())
        .map(|(ground, at)| (*at, wood(ground)))
        .chain(skidded.iter().map(|(ground, at)| (*at, -wood(ground))))
        .collect();
    changes.sort_unstable();
    let last = changes.last()?.0;
    let midnight = |date: NaiveDate| second_of(roster.zone, date, NaiveTime::MIN);
    let mut days = Vec::new();
    // What lies from before.
    let begins = midnight(roster.from);
    let mut next = changes.partition_point(|change| change.0 < begins);
    let mut lies: i64 = changes[..next].iter().map(|change| change.1).sum();
    for day in 0..=u64::from(roster.days) {
        let date = roster.from.checked_add_days(Days::new(day))?;
        let (from, to) = (midnight(date), midnight(date.succ_opt()?));
        if from > last {
            break;
        }
        let (mut felled, mut gone, mut most) = (0, 0, lies);
        while let Some(&(at, _)) = changes.get(next).filter(|change| change.0 < to) {
            // What comes and goes at one moment does not lie together.
            while let Some(&(_, change)) = changes.get(next).filter(|change| change.0 == at) {
                lies += change;
                felled += change.max(0);
                gone += (-change).max(0);
                next += 1;
            }
            most = most.max(lies);
        }
        let m3 = |litres: i64| litres as f64 / 1000.0;
        days.push(StockDay {
            date,
            felled_m3: m3(felled),
            skidded_m3: m3(gone),
            lies_m3: m3(lies),
            most_m3: m3(most),
            waits_s: waiting_s(roster, Stretch::new(from, to)),
        });
    }
    Some(days)
}

/// The most that lies at any time, m³, and seconds that felling waits for skidders.
pub fn most_stock(roster: &Roster<'_>) -> (Option<f64>, i64) {
    let most = days(roster).and_then(|days| days.iter().map(|day| day.most_m3).reduce(f64::max));
    (most, waiting_s(roster, roster.problem.period))
}

pub(super) fn write(roster: &Roster<'_>, path: &Path) -> Result<(), OutputError> {
    let header = [
        "date",
        "felled_m3",
        "skidded_m3",
        "lies_m3",
        "most_m3",
        "felling_waits_hours",
    ];
    let mut table = Table::create(path, header)?;
    for day in days(roster).unwrap_or_default() {
        let m3 = |value: f64| cells::number(Some(value), 1);
        table.row([
            day.date.to_string(),
            m3(day.felled_m3),
            m3(day.skidded_m3),
            m3(day.lies_m3),
            m3(day.most_m3),
            cells::number(Some(day.waits_s as f64 / 3600.0), 2),
        ])?;
    }
    table.close()
}
