//! `shifts.ics`, a calendar after RFC 5545: one event for each shift, in UTC, so that no time zone needs describing.

use chrono::{DateTime, NaiveTime};
use sha2::{Digest, Sha256};

use super::Roster;
use super::rows::{Job, ShiftPlan, clock};
use super::words;
use crate::model::shown;
use crate::outputs::text::fill;
use crate::schedule::Second;
use crate::schedule::calendar::second_of;

/// Who sends the events: RFC 5546 asks for an organizer, and `.invalid` is nobody's (RFC 2606).
const ORGANIZER: &str = "mailto:dispatch@blockwright.invalid";

/// An event as a file has it: its lines without sequence and stamp, and these.
struct Event {
    uid: String,
    stamp: String,
    sequence: u64,
    lines: Vec<(String, String)>,
}

/// The calendar file, and one of the shifts that a former calendar had and this one has not. An event that is as before keeps its
/// sequence and its stamp, one that changed has the next sequence, so that calendars take it for an update (RFC 5546, 2.1.4). The stamp of new
/// events is the first midnight of the period, for the same input gives the same bytes.
pub(super) fn calendars(roster: &Roster<'_>, shifts: &[ShiftPlan]) -> (String, Option<String>) {
    let midnight = utc(second_of(roster.zone, roster.from, NaiveTime::MIN));
    let stamp = midnight.clone();
    let mut now: Vec<Event> = shifts
        .iter()
        .map(|own| event(roster, own, &stamp))
        .collect();
    let Some(before) = &roster.calendar_before else {
        return (calendar("PUBLISH", &now), None);
    };
    let (was, mut gone) = (events(before.events), events(before.taken_back));
    for own in &mut now {
        let held = was.iter().find(|held| held.uid == own.uid);
        if let Some(held) = held {
            let same = held.lines == own.lines;
            own.sequence = held.sequence + u64::from(!same);
            own.stamp = match same {
                true => held.stamp.clone(),
                false => held.stamp.clone().max(stamp.clone()),
            };
        } else if let Some(held) = gone.iter().find(|held| held.uid == own.uid) {
            own.sequence = held.sequence + 1;
        }
    }
    gone.retain(|held| !now.iter().any(|own| own.uid == held.uid));
    let over = before.over.map(utc);
    for held in was {
        let ends = held.lines.iter().find(|(name, _)| name == "DTEND");
        let begins = held.lines.iter().find(|(name, _)| name == "DTSTART");
        // What began before this plan does is none of its shifts.
        let is_over = begins.is_some_and(|(_, begins)| *begins < midnight)
            || ends
                .zip(over.as_ref())
                .is_some_and(|(ends, over)| ends.1 <= *over);
        if is_over || now.iter().any(|own| own.uid == held.uid) {
            continue;
        }
        let kept = ["ORGANIZER", "DTSTART", "DTEND", "SUMMARY"];
        let mut lines: Vec<(String, String)> = held.lines;
        lines.retain(|(name, _)| kept.contains(&name.as_str()));
        lines.push(("STATUS".to_owned(), "CANCELLED".to_owned()));
        gone.push(Event {
            stamp: held.stamp.max(stamp.clone()),
            sequence: held.sequence + 1,
            uid: held.uid,
            lines,
        });
    }
    let taken_back = (!gone.is_empty()).then(|| calendar("CANCEL", &gone));
    (calendar("PUBLISH", &now), taken_back)
}

fn calendar(method: &str, events: &[Event]) -> String {
    let mut lines = Lines(String::new());
    lines.put("BEGIN", "VCALENDAR");
    lines.put("VERSION", "2.0");
    lines.put(
        "PRODID",
        &format!("-//blockwright//dispatch {}//EN", env!("CARGO_PKG_VERSION")),
    );
    lines.put("CALSCALE", "GREGORIAN");
    lines.put("METHOD", method);
    for event in events {
        lines.put("BEGIN", "VEVENT");
        lines.put("UID", &event.uid);
        lines.put("DTSTAMP", &event.stamp);
        lines.put("SEQUENCE", &event.sequence.to_string());
        for (name, value) in &event.lines {
            lines.put(name, value);
        }
        lines.put("END", "VEVENT");
    }
    lines.put("END", "VCALENDAR");
    lines.0
}

fn event(roster: &Roster<'_>, shift: &ShiftPlan, stamp: &str) -> Event {
    let mut blocks: Vec<&str> = Vec::new();
    for row in shift.rows.iter().filter(|row| !row.job.is_upkeep()) {
        if !blocks.contains(&row.block_id.as_str()) {
            blocks.push(&row.block_id);
        }
    }
    let words = words::of(roster.layout.language);
    let places = match blocks.is_empty() {
        true => words.job(Job::Service).to_owned(),
        false => blocks.join(", "),
    };
    let machine = format!("{} {}", shift.name, shift.shift);
    let summary = fill(words.label, &[&machine, &places]);
    let mut lines = vec![
        ("ORGANIZER", ORGANIZER.to_owned()),
        ("DTSTART", utc(shift.span.from)),
        ("DTEND", utc(shift.span.to)),
        ("SUMMARY", escaped(&summary)),
        ("LOCATION", escaped(&blocks.join(", "))),
        ("DESCRIPTION", escaped(&description(roster, shift))),
    ];
    if let Some(block) = shift.rows.iter().find_map(|row| row.block) {
        let place = roster.layout.blocks[block].place;
        let geo = format!("{:.5};{:.5}", place.latitude_deg, place.longitude_deg);
        lines.push(("GEO", geo));
    }
    lines.push(("TRANSP", "OPAQUE".to_owned()));
    let lines = lines.into_iter();
    Event {
        uid: uid(roster, shift),
        stamp: stamp.to_owned(),
        sequence: 0,
        lines: lines
            .map(|(name, value)| (name.to_owned(), value))
            .collect(),
    }
}

/// Events of a calendar that this program wrote; what is none is passed over.
fn events(text: &str) -> Vec<Event> {
    let whole = text.replace("\r\n", "\n").replace("\n ", "");
    let mut found = Vec::new();
    let mut own: Option<Event> = None;
    for line in whole.lines() {
        let Some((name, value)) = line.split_once(':') else {
            continue;
        };
        match (name, value, &mut own) {
            ("BEGIN", "VEVENT", _) => {
                own = Some(Event {
                    uid: String::new(),
                    stamp: String::new(),
                    sequence: 0,
                    lines: vec![],
                });
            }
            ("END", "VEVENT", _) => found.extend(own.take().filter(|own| !own.uid.is_empty())),
            ("UID", _, Some(own)) => own.uid = value.to_owned(),
            ("DTSTAMP", _, Some(own)) => own.stamp = value.to_owned(),
            ("SEQUENCE", _, Some(own)) => own.sequence = value.parse().unwrap_or(0),
            (_, _, Some(own)) => own.lines.push((name.to_owned(), value.to_owned())),
            _ => {}
        }
    }
    found
}

fn description(roster: &Roster<'_>, shift: &ShiftPlan) -> String {
    let mut text = String::new();
    let words = words::of(roster.layout.language);
    if let Some(operator) = &shift.operator {
        text += &fill(words.label, &[words.operator_is, operator]);
        text.push('\n');
    }
    for row in &shift.rows {
        text += &format!(
            "{}-{} {}",
            clock(roster.zone, row.span.from),
            clock(roster.zone, row.span.to),
            words.job(row.job)
        );
        if row.block.is_some() {
            text += &format!(" {}", row.block_id);
        }
        if let (Some(first), Some(last)) = (&row.first, &row.last) {
            text.push(' ');
            text += &fill(
                words.from_to_section,
                &[&first.to_string(), &last.to_string()],
            );
        }
        text.push('\n');
    }
    text
}

/// The same for the same machine, date and shift, so that a new plan replaces the old one in a calendar.
fn uid(roster: &Roster<'_>, shift: &ShiftPlan) -> String {
    let mut hash = Sha256::new();
    for part in [
        roster.layout.project.as_str(),
        &shift.name,
        &shift.date.to_string(),
        &shift.shift,
    ] {
        hash.update(part.len().to_le_bytes());
        hash.update(part.as_bytes());
    }
    let hex: String = hash.finalize()[..16]
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    format!("{hex}@blockwright.invalid")
}

fn utc(at: Second) -> String {
    DateTime::from_timestamp(at, 0)
        .map_or(String::new(), |at| at.format("%Y%m%dT%H%M%SZ").to_string())
}

/// Text values: RFC 5545, 3.3.11. Control characters have no place in them.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.trim_end_matches('\n').replace("\r\n", "\n").chars() {
        match letter {
            '\\' => out.push_str("\\\\"),
            ';' => out.push_str("\\;"),
            ',' => out.push_str("\\,"),
            '\n' | '\r' => out.push_str("\\n"),
            '\t' | '\u{2028}' | '\u{2029}' => out.push(' '),
            other if shown::steers(other) => out.push('\u{fffd}'),
            other => out.push(other),
        }
    }
    out
}

/// Content lines, folded at 75 octets: RFC 5545, 3.1.
struct Lines(String);

impl Lines {
    fn put(&mut self, name: &str, value: &str) {
        let mut room = 75;
        for letter in name.chars().chain([':']).chain(value.chars()) {
            let long = letter.len_utf8();
            if long > room {
                self.0.push_str("\r\n ");
                room = 74;
            }
            self.0.push(letter);
            room -= long;
        }
        self.0.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_folded_between_letters_at_75_octets() {
        let mut lines = Lines(String::new());
        lines.put("SUMMARY", &"é".repeat(100));
        let text = lines.0;
        assert!(text.ends_with("\r\n"));
        for line in text.trim_end().split("\r\n") {
            assert!(line.len() <= 75, "{}", line.len());
        }
        assert_eq!(
            text.replace("\r\n ", ""),
            format!("SUMMARY:{}\r\n", "é".repeat(100))
        );
        assert_eq!(escaped("a;b,c\\d\ne\u{7}"), "a\\;b\\,c\\\\d\\ne\u{fffd}");
    }
}
