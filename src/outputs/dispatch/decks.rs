//! `decks.csv`: what comes to each deck and is hauled from it, by day.

use std::collections::BTreeMap;
use std::path::Path;

use chrono::{Days, NaiveDate, NaiveTime};

use super::{HaulagePlan, Roster};
use crate::outputs::OutputError;
use crate::outputs::cells;
use crate::outputs::tables::Table;
use crate::schedule::Second;
use crate::schedule::calendar::second_of;
use crate::schedule::idle::Why;

/// A day of a deck, litres.
pub(super) struct DeckDay {
    pub date: NaiveDate,
    pub deck: usize,
    /// Of sections whose last wood comes.
    pub brought: i64,
    pub hauled: i64,
    /// At the midnight on which it ends.
    pub lies: i64,
    /// The most at any time of the day, with what is on its way.
    pub most: i64,
}

/// By date, then by deck, of decks where anything lies, comes or goes on that day.
pub(super) fn days(roster: &Roster<'_>, haulage: &HaulagePlan) -> Vec<DeckDay> {
    let litres = roster.stock.litres.as_deref().unwrap_or_default();
    let mut sections: BTreeMap<(usize, usize), (Second, Second)> = BTreeMap::new();
    for task in &roster.skidding.tasks {
        if let Some(unit) = task.unit {
            let span = (task.span.from, task.span.to);
            let own = sections.entry((task.block, unit)).or_insert(span);
            *own = (own.0.min(span.0), own.1.max(span.1));
        }
    }
    // By deck: when, and what it makes of the wood that is there and of the room that is taken.
    let mut changes: Vec<Vec<(Second, i64, i64)>> = vec![vec![]; haulage.names.len()];
    for (ground, (from, to)) in sections {
        let wood = litres[ground.0][ground.1];
        let own = &mut changes[haulage.decks.of[ground.0][ground.1]];
        own.push((from, 0, wood));
        if !roster.skidding.begun.contains(&ground) {
            own.push((to, wood, 0));
        }
    }
    for load in &roster.skidding.loads {
        changes[load.deck].push((load.at, -load.litres, -load.litres));
    }
    let midnight = |date: NaiveDate| second_of(roster.zone, date, NaiveTime::MIN);
    let mut found = Vec::new();
    for (deck, own) in changes.iter_mut().enumerate() {
        own.sort_unstable();
        let mut own = own.iter().peekable();
        let mut lies = haulage.decks.decks[deck].lies;
        let mut taken = lies;
        for day in 0..=u64::from(roster.days) {
            let date = roster.from.checked_add_days(Days::new(day));
            let Some((date, next)) = date.and_then(|date| Some((date, date.succ_opt()?))) else {
                break;
            };
            let end = midnight(next);
            let (mut brought, mut hauled, mut most) = (0, 0, taken);
            while let Some(&(_, there, room)) = own.next_if(|change| change.0 < end) {
                brought += there.max(0);
                hauled += (-there).max(0);
                lies += there;
                taken += room;
                most = most.max(taken);
            }
            if most > 0 || hauled > 0 {
                found.push(DeckDay {
                    date,
                    deck,
                    brought,
                    hauled,
                    lies,
                    most,
                });
            }
        }
    }
    found.sort_by_key(|day| (day.date, day.deck));
    found
}

/// Seconds of skidders' shifts in which they wait for room on decks.
pub fn skidding_waits_s(roster: &Roster<'_>) -> i64 {
    let own = roster.idle.iter().filter(|idle| idle.why == Why::DeckFull);
    own.map(|idle| idle.span.seconds()).sum()
}

pub(super) fn write(
    roster: &Roster<'_>,
    haulage: &HaulagePlan,
    path: &Path,
) -> Result<(), OutputError> {
    let header = [
        "date",
        "outlet",
        "block_id",
        "brought_m3",
        "hauled_m3",
        "lies_m3",
        "most_m3",
        "room_m3",
    ];
    let mut table = Table::create(path, header)?;
    for day in days(roster, haulage) {
        let name = &haulage.names[day.deck];
        let m3 = |litres: i64| cells::number(Some(litres as f64 / 1000.0), 1);
        table.row([
            day.date.to_string().as_str(),
            &cells::text(&name.outlet),
            &cells::text(name.block.as_deref().unwrap_or_default()),
            &m3(day.brought),
            &m3(day.hauled),
            &m3(day.lies),
            &m3(day.most),
            &haulage.decks.decks[day.deck].room.map_or(String::new(), m3),
        ])?;
    }
    table.close()
}
