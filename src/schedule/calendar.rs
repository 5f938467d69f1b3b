//! Shifts by the clock of a time zone into stretches of time, with service taken out of them by day.

use chrono::{Datelike, Days, NaiveDate, NaiveTime, Offset, TimeZone, Weekday};
use chrono_tz::Tz;

use super::problem::Window;
use super::time::{Second, Stretch, intersect, subtract, total};

/// A shift as the crew file writes it. One that does not end after it begins runs over midnight.
#[derive(Clone, Debug, PartialEq)]
pub struct Shift {
    pub name: String,
    pub from: NaiveTime,
    pub to: NaiveTime,
    pub days: Vec<Weekday>,
}

/// How often a machine is serviced, by daylight only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Service {
    pub seconds: i64,
    pub every: Every,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Every {
    /// Each date on which one of the machine's shifts begins.
    Day,
    /// At the latest after so many seconds of its shifts.
    Seconds(i64),
}

/// How long people work and rest, as somebody wrote it down; nothing of it is this program's.
#[derive(Clone, Debug, PartialEq)]
pub struct Rest {
    /// On shift within any 24 hours, at most.
    pub longest_work_s: Option<i64>,
    /// Between two shifts, at least.
    pub least_rest_s: Option<i64>,
    pub source: String,
}

/// One shift of one machine on one date.
#[derive(Clone, Debug, PartialEq)]
pub struct OneShift {
    /// The date on which it begins.
    pub date: NaiveDate,
    /// Index of the shift in the crew file.
    pub shift: usize,
    pub span: Stretch,
    /// Milliseconds for a second of work.
    pub pace: i64,
}

/// The second at which a clock in the zone shows this; where it is set forward over it, the first second after the gap;
/// where it shows it twice, the first.
pub fn second_of(zone: Tz, date: NaiveDate, time: NaiveTime) -> Second {
    let wanted = date.and_time(time);
    if let Some(found) = zone.from_local_datetime(&wanted).earliest() {
        return found.timestamp();
    }
    // Inside a gap: what the offset before the gap makes of it is as far after the gap as `wanted` lies inside it.
    let naive = wanted.and_utc().timestamp();
    let before = zone
        .timestamp_opt(naive - 86_400, 0)
        .earliest()
        .map_or(0, |then| i64::from(then.offset().fix().local_minus_utc()));
    let after = zone
        .timestamp_opt(naive + 86_400, 0)
        .earliest()
        .map_or(0, |then| i64::from(then.offset().fix().local_minus_utc()));
    // The clock jumps at the one second at which both offsets have the same say: search it between the two.
    let (mut low, mut high) = (naive - before - 86_400, naive - after + 86_400);
    let offset = |at: Second| {
        zone.timestamp_opt(at, 0)
            .earliest()
            .map_or(0, |then| i64::from(then.offset().fix().local_minus_utc()))
    };
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if middle + offset(middle) <= naive {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// The dates of a period.
pub fn dates(from: NaiveDate, days: u32) -> impl Iterator<Item = NaiveDate> {
    (0..u64::from(days)).filter_map(move |day| from.checked_add_days(Days::new(day)))
}

/// The shifts of a machine that begin within a period, by time. `mine` are indices and paces of its shifts.
pub fn shifts(
    zone: Tz,
    from: NaiveDate,
    days: u32,
    shifts: &[Shift],
    mine: &[(usize, i64)],
    days_off: &[NaiveDate],
) -> Vec<OneShift> {
    let mut found = Vec::new();
    for date in dates(from, days).filter(|date| !days_off.contains(date)) {
        for &(index, pace) in mine {
            let shift = &shifts[index];
            if !shift.days.contains(&date.weekday()) {
                continue;
            }
            let ends = if shift.to > shift.from {
                Some(date)
            } else {
                date.succ_opt()
            };
            let Some(ends) = ends else { continue };
            let span = Stretch::new(
                second_of(zone, date, shift.from),
                second_of(zone, ends, shift.to),
            );
            if span.seconds() > 0 {
                found.push(OneShift {
                    date,
                    shift: index,
                    span,
                    pace,
                });
            }
        }
    }
    found.sort_by_key(|one| (one.span, one.shift));
    found
}

/// The first two shifts that overlap, if any do.
pub fn overlap(shifts: &[OneShift]) -> Option<(&OneShift, &OneShift)> {
    let mut pairs = shifts.windows(2).map(|pair| (&pair[0], &pair[1]));
    pairs.find(|(first, second)| second.span.from < first.span.to)
}

/// How a machine is fuelled, by daylight only.
#[derive(Clone, Debug, PartialEq)]
pub struct Fuel {
    pub seconds: i64,
    /// Hours: so long a full tank lasts.
    pub every: Every,
    /// Who says so.
    pub source: String,
}

/// When a machine is fuelled, and when it stands for want of fuel.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Fuelling {
    pub slots: Vec<Stretch>,
    pub dry: Vec<Stretch>,
    /// Dates without daylight for it where it is fuelled each day.
    pub unserved: Vec<NaiveDate>,
}

/// Windows of a machine, its service, and the dates on which no daylight was found for it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Hours {
    pub windows: Vec<Window>,
    pub service: Vec<Stretch>,
    pub unserved: Vec<NaiveDate>,
}

/// Takes the service out of shifts. It goes where it is light at all blocks: by the day, into that day's first light,
/// inside a shift if one has light at all, which is when the machine is at hand; by hours, into the last light before the hours
/// are over. Daylight outside the shifts costs no working time.
pub fn hours(zone: Tz, shifts: &[OneShift], service: Option<Service>, light: &[Stretch]) -> Hours {
    let spans: Vec<Stretch> = shifts.iter().map(|one| one.span).collect();
    let mut slots: Vec<Stretch> = Vec::new();
    let mut unserved = Vec::new();
    if let Some(service) = service {
        match service.every {
            Every::Day => {
                (slots, unserved) = by_day(zone, shifts, &spans, light, service.seconds);
            }
            Every::Seconds(most) => {
                by_hours(
                    &spans,
                    light,
                    (service.seconds, 0),
                    most,
                    &mut slots,
                    |at| {
                        unserved.push(date_of(zone, at));
                    },
                );
            }
        }
    }
    let mut windows = Vec::new();
    for (index, one) in shifts.iter().enumerate() {
        for span in subtract(&[one.span], &slots) {
            windows.push(Window {
                span,
                shift: index,
                pace: one.pace,
            });
        }
    }
    Hours {
        windows,
        service: slots,
        unserved,
    }
}

/// Where a machine is fuelled that runs in some stretches, those of its shifts that are left to it. It goes where it is light at
/// all blocks and nothing else is done (`light`): each day into the first such light of its shifts, else into light outside of
/// them; by hours, into the last before the tank is empty. A tank that is empty in the dark stands until the light comes. The
/// tank is full at first.
pub fn fuelling(
    zone: Tz,
    shifts: &[OneShift],
    runs: &[Stretch],
    fuel: &Fuel,
    light: &[Stretch],
) -> Fuelling {
    let mut found = Fuelling::default();
    match fuel.every {
        Every::Day => {
            let used = |one: &&OneShift| !intersect(&[one.span], runs).is_empty();
            let used: Vec<OneShift> = shifts.iter().filter(used).cloned().collect();
            (found.slots, found.unserved) = by_day(zone, &used, runs, light, fuel.seconds);
        }
        Every::Seconds(most) => {
            let mut empty = Vec::new();
            let slots = &mut found.slots;
            let takes = (fuel.seconds, TOP_UP_S);
            by_hours(runs, light, takes, most, slots, |at| empty.push(at));
            for at in empty {
                let filled = found.slots.iter().find(|slot| slot.from >= at);
                let until = filled.map_or(Second::MAX, |slot| slot.from);
                found
                    .dry
                    .extend(intersect(runs, &[Stretch::new(at, until)]));
            }
        }
    }
    found
}

/// A slot on each date on which a shift begins: in the first light of what the machine runs of that date's shifts, else in light
/// outside of all shifts; and the dates that have neither.
fn by_day(
    zone: Tz,
    shifts: &[OneShift],
    runs: &[Stretch],
    light: &[Stretch],
    seconds: i64,
) -> (Vec<Stretch>, Vec<NaiveDate>) {
    let spans: Vec<Stretch> = shifts.iter().map(|one| one.span).collect();
    let (lit, outside) = (intersect(runs, light), subtract(light, &spans));
    let (mut slots, mut unserved): (Vec<Stretch>, Vec<NaiveDate>) = Default::default();
    for own in shifts.chunk_by(|a, b| a.date == b.date) {
        let Some(one) = own.first() else { continue };
        let day = day_of(zone, one.date);
        // A night shift's light may lie in the next morning.
        let until = own.iter().map(|other| other.span.to).max();
        let own = Stretch::new(one.span.from, until.unwrap_or(day.to));
        let free = |among: &[Stretch], within: Stretch| {
            let there = subtract(&intersect(among, &[within]), &slots);
            there
                .into_iter()
                .find(|span| span.seconds() >= seconds)
                .map(|span| Stretch::new(span.from, span.from + seconds))
        };
        match free(&lit, own).or_else(|| free(&outside, day)) {
            Some(slot) => slots.push(slot),
            None => unserved.push(one.date),
        }
        slots.sort();
    }
    (slots, unserved)
}

/// Nobody fills up again sooner, s.
const TOP_UP_S: i64 = 3600;

/// Puts a slot into the last light before the machine has run for `most` seconds since the one before, and no sooner than
/// `apart_s` after that.
fn by_hours(
    spans: &[Stretch],
    light: &[Stretch],
    (seconds, apart_s): (i64, i64),
    most: i64,
    slots: &mut Vec<Stretch>,
    mut missing: impl FnMut(Second),
) {
    let Some(end) = spans.last().map(|span| span.to) else {
        return;
    };
    let mut since = spans[0].from;
    loop {
        // When the hours are over, if they are before the end.
        let mut left = most;
        let due = spans.iter().find_map(|span| {
            let from = span.from.max(since);
            let long = (span.to - from).max(0);
            if long > left {
                return Some(from + left);
            }
            left -= long;
            None
        });
        let Some(due) = due.filter(|due| *due < end) else {
            return;
        };
        let room = intersect(light, &[Stretch::new(since, due + seconds)]);
        let last = room.iter().rev().find(|span| span.seconds() >= seconds);
        let is_worth = |span: &&Stretch| span.to - seconds - since >= apart_s;
        let last = last.filter(is_worth);
        match last {
            Some(span) => {
                let slot = Stretch::new(span.to - seconds, span.to);
                slots.push(slot);
                since = slot.to;
            }
            None => {
                missing(due);
                // The next light there is, late as it is.
                let later = intersect(light, &[Stretch::new(due, end)]);
                match later.iter().find(|span| span.seconds() >= seconds) {
                    Some(span) => {
                        let slot = Stretch::new(span.from, span.from + seconds);
                        slots.push(slot);
                        since = slot.to;
                    }
                    None => return,
                }
            }
        }
    }
}

fn day_of(zone: Tz, date: NaiveDate) -> Stretch {
    let midnight = |date: NaiveDate| second_of(zone, date, NaiveTime::MIN);
    let next = date.succ_opt().unwrap_or(date);
    Stretch::new(midnight(date), midnight(next))
}

/// The date that a calendar in the zone shows.
pub fn date_of(zone: Tz, at: Second) -> NaiveDate {
    let there = zone.timestamp_opt(at, 0).earliest();
    there.map_or(NaiveDate::MIN, |there| there.date_naive())
}

/// Hours of shifts, for sums.
pub fn hours_of(shifts: &[OneShift]) -> f64 {
    let spans: Vec<Stretch> = shifts.iter().map(|one| one.span).collect();
    total(&spans) as f64 / 3600.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn clock(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").unwrap()
    }

    #[test]
    fn clocks_that_are_set_forward_and_back_are_followed() {
        let zone: Tz = "Europe/Helsinki".parse().unwrap();
        let at = |date: &str, time: &str| second_of(zone, day(date), clock(time));
        // On 29 March 2026 the clock jumps from 03:00 to 04:00; 01:00 UTC.
        assert_eq!(at("2026-03-29", "04:00") - at("2026-03-29", "02:59"), 60);
        assert_eq!(at("2026-03-29", "03:30"), at("2026-03-29", "04:00"));
        // On 25 October it goes back from 04:00 to 03:00: the first of the two.
        assert_eq!(at("2026-10-25", "03:30") - at("2026-10-25", "02:30"), 3600);
        let shift = Shift {
            name: "night".to_owned(),
            from: clock("22:00"),
            to: clock("06:00"),
            days: vec![Weekday::Sat],
        };
        let long = |date: &str| {
            let found = shifts(
                zone,
                day(date),
                1,
                std::slice::from_ref(&shift),
                &[(0, 1000)],
                &[],
            );
            found[0].span.seconds() / 3600
        };
        assert_eq!(long("2026-03-28"), 7);
        assert_eq!(long("2026-10-24"), 9);
        assert_eq!(long("2026-06-06"), 8);
    }

    #[test]
    fn service_goes_into_light_and_days_without_light_are_told() {
        let zone: Tz = "UTC".parse().unwrap();
        let noon = |day: i64| {
            let base = second_of(zone, "2026-12-01".parse().unwrap(), NaiveTime::MIN);
            base + day * 86_400 + 12 * 3600
        };
        // Light from 10 to 14, on the third day none.
        let light = [0, 1].map(|d| Stretch::new(noon(d) - 7200, noon(d) + 7200));
        let work = Shift {
            name: "day".to_owned(),
            from: clock("06:00"),
            to: clock("18:00"),
            days: vec![Weekday::Tue, Weekday::Wed, Weekday::Thu],
        };
        let dayshift = shifts(zone, day("2026-12-01"), 3, &[work], &[(0, 1000)], &[]);
        let daily = Service {
            seconds: 3600,
            every: Every::Day,
        };
        let found = hours(zone, &dayshift, Some(daily), &light);
        assert_eq!(
            found.service,
            light.map(|s| Stretch::new(s.from, s.from + 3600))
        );
        assert_eq!(found.unserved, [day("2026-12-03")]);
        let run: i64 = found.windows.iter().map(|w| w.span.seconds()).sum();
        assert_eq!(run, (36 - 2) * 3600);
        // Shifts in the dark alone: serviced by day, outside of them.
        let night = Shift {
            name: "night".to_owned(),
            from: clock("20:00"),
            to: clock("04:00"),
            days: vec![Weekday::Tue],
        };
        let dark = shifts(zone, day("2026-12-01"), 1, &[night], &[(0, 1000)], &[]);
        let found = hours(zone, &dark, Some(daily), &light);
        assert_eq!(found.service.len(), 1);
        assert_eq!(found.windows.len(), 1);
        // Every 8 hours: 12 hours a day from 06:00; due at 14:00, in the light until then.
        let often = Service {
            seconds: 1800,
            every: Every::Seconds(8 * 3600),
        };
        let found = hours(zone, &dayshift, Some(often), &light);
        assert_eq!(
            found.service[0],
            Stretch::new(noon(0) + 5400, noon(0) + 7200)
        );
        assert!(!found.unserved.is_empty());
    }
}
