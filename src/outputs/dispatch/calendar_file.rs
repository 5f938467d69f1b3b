//! `shifts.ics`, a calendar after RFC 5545: one event for each shift, in UTC, so that no time zone needs describing.

use chrono::{DateTime, NaiveTime};
use sha2::{Digest, Sha256};

use super::Roster;
use super::rows::{Job, ShiftPlan, clock, label};
use crate::model::shown;
use crate::schedule::Second;
use crate::schedule::calendar::second_of;

/// The calendar file. The stamp of every event is the first midnight of the period, for the same input gives the same
/// bytes.
pub(super) fn calendar(roster: &Roster<'_>, shifts: &[ShiftPlan]) -> String {
    let stamp = utc(second_of(roster.zone, roster.from, NaiveTime::MIN));
    let mut lines = Lines(String::new());
    lines.put("BEGIN", "VCALENDAR");
    lines.put("VERSION", "2.0");
    lines.put(
        "PRODID",
        &format!("-//blockwright//dispatch {}//EN", env!("CARGO_PKG_VERSION")),
    );
    lines.put("CALSCALE", "GREGORIAN");
    lines.put("METHOD", "PUBLISH");
    for shift in shifts {
        lines.put("BEGIN", "VEVENT");
        lines.put("UID", &uid(roster, shift));
        lines.put("DTSTAMP", &stamp);
        lines.put("DTSTART", &utc(shift.span.from));
        lines.put("DTEND", &utc(shift.span.to));
        let mut blocks: Vec<&str> = Vec::new();
        for row in shift.rows.iter().filter(|row| row.job != Job::Service) {
            if !blocks.contains(&row.block_id.as_str()) {
                blocks.push(&row.block_id);
            }
        }
        let summary = format!("{} {}: {}", shift.name, shift.shift, blocks.join(", "));
        lines.put("SUMMARY", &escaped(&summary));
        lines.put("LOCATION", &escaped(&blocks.join(", ")));
        lines.put("DESCRIPTION", &escaped(&description(roster, shift)));
        if let Some(block) = shift.rows.iter().find_map(|row| row.block) {
            let place = roster.layout.blocks[block].place;
            let geo = format!("{:.5};{:.5}", place.latitude_deg, place.longitude_deg);
            lines.put("GEO", &geo);
        }
        lines.put("TRANSP", "OPAQUE");
        lines.put("END", "VEVENT");
    }
    lines.put("END", "VCALENDAR");
    lines.0
}

fn description(roster: &Roster<'_>, shift: &ShiftPlan) -> String {
    let mut text = String::new();
    if let Some(operator) = &shift.operator {
        text += &format!("Operator {operator}\n");
    }
    for row in &shift.rows {
        text += &format!(
            "{}-{} {}",
            clock(roster.zone, row.span.from),
            clock(roster.zone, row.span.to),
            row.job.words()
        );
        if row.block.is_some() {
            text += &format!(" {}", row.block_id);
        }
        if let (Some(first), Some(last)) = (&row.first, &row.last) {
            text += &format!(" {} to {}", label(first), label(last));
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
