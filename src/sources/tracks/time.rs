//! The time of a fix, from a date field or from text.

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use gdal::vector::Feature;
use gdal_calls::features::{Clock, clock, has_value};

/// What a time attribute holds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Stamp {
    /// With its offset from UTC.
    Certain(DateTime<Utc>),
    /// Without one: taken for UTC.
    Assumed(DateTime<Utc>),
    None,
    Unreadable,
}

impl Stamp {
    pub(super) fn time(self) -> Option<DateTime<Utc>> {
        match self {
            Stamp::Certain(time) | Stamp::Assumed(time) => Some(time),
            Stamp::None | Stamp::Unreadable => None,
        }
    }
}

/// A field of dates and times, or of text, as people write it: UTC where it says a time of day with its offset or none, a bare
/// date as it stands. None where it says neither.
pub(in crate::sources) fn written_time(
    feature: &Feature<'_>,
    field: usize,
    is_date: bool,
) -> Option<String> {
    if let Some(time) = stamp(feature, field, is_date).time() {
        return Some(time.format("%Y-%m-%dT%H:%M:%SZ").to_string());
    }
    // GDAL hands a bare date over with slashes.
    let text = feature.field_as_string(field).ok().flatten()?;
    let text = text.trim().replace('/', "-");
    let date = NaiveDate::parse_from_str(&text, "%Y-%m-%d").ok()?;
    Some(date.to_string())
}

/// Reads a field of dates and times, or of text.
pub(super) fn stamp(feature: &Feature<'_>, field: usize, is_date: bool) -> Stamp {
    if !has_value(feature, field) {
        return Stamp::None;
    }
    if !is_date {
        return match feature.field_as_string(field) {
            Ok(Some(text)) => from_text(&text),
            _ => Stamp::None,
        };
    }
    let Some(clock) = clock(feature, field) else {
        return Stamp::Unreadable;
    };
    match utc(&clock) {
        None => Stamp::Unreadable,
        // GDAL: 0 unknown, 1 local time, 100 UTC, and a quarter of an hour for each step from there.
        Some(time) if clock.zone > 1 => {
            Stamp::Certain(time - chrono::Duration::minutes(15 * i64::from(clock.zone - 100)))
        }
        Some(time) if clock.zone == 0 => Stamp::Assumed(time),
        Some(_) => Stamp::Unreadable,
    }
}

/// The clock's figures taken for UTC; None where the calendar has no such day.
fn utc(clock: &Clock) -> Option<DateTime<Utc>> {
    let of = |n: i32| u32::try_from(n).ok();
    let [year, month, day] = clock.date;
    let milliseconds = (f64::from(clock.second) * 1000.0).round() as u32;
    let date = NaiveDate::from_ymd_opt(year, of(month)?, of(day)?)?;
    let minute = date.and_hms_opt(of(clock.hour)?, of(clock.minute)?, 0)?;
    let time =
        minute.checked_add_signed(chrono::Duration::milliseconds(i64::from(milliseconds)))?;
    Some(time.and_utc())
}

/// ISO 8601 with `T` or a blank, with or without fractions of a second and offset.
fn from_text(text: &str) -> Stamp {
    let text = text.trim();
    if text.is_empty() {
        return Stamp::None;
    }
    let offset_forms = [
        "%Y-%m-%dT%H:%M:%S%.f%#z",
        "%Y-%m-%d %H:%M:%S%.f%#z",
        "%Y/%m/%d %H:%M:%S%.f%#z",
    ];
    if let Ok(time) = DateTime::parse_from_rfc3339(text) {
        return Stamp::Certain(time.to_utc());
    }
    for form in offset_forms {
        if let Ok(time) = DateTime::parse_from_str(text, form) {
            return Stamp::Certain(time.to_utc());
        }
    }
    for form in [
        "%Y-%m-%dT%H:%M:%S%.f",
        "%Y-%m-%d %H:%M:%S%.f",
        "%Y/%m/%d %H:%M:%S%.f",
    ] {
        if let Ok(time) = NaiveDateTime::parse_from_str(text, form) {
            return Stamp::Assumed(time.and_utc());
        }
    }
    Stamp::Unreadable
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_with_and_without_an_offset() {
        let six: DateTime<Utc> = "2026-02-03T06:00:00Z".parse().unwrap();
        for text in [
            "2026-02-03T06:00:00Z",
            "2026-02-03T08:00:00+02:00",
            "2026-02-03 08:00:00+02:00",
            "2026/02/03 08:00:00+02",
            "2026-02-02T22:00:00.000-0800",
        ] {
            assert_eq!(from_text(text), Stamp::Certain(six), "{text}");
        }
        for text in [
            "2026-02-03T06:00:00",
            "2026-02-03 06:00:00.0",
            "2026/02/03 06:00:00",
        ] {
            assert_eq!(from_text(text), Stamp::Assumed(six), "{text}");
        }
        for text in [
            "yesterday",
            "03.02.2026 06:00",
            "2026-02-30T06:00:00Z",
            "1770098400",
        ] {
            assert_eq!(from_text(text), Stamp::Unreadable, "{text}");
        }
        assert_eq!(from_text(" "), Stamp::None);
    }
}
