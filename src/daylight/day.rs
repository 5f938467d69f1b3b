//! The sun on one civil date.

use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;

use super::light::{Light, civil_days, light};
use super::{DaylightError, Edge, Place, Span};

/// How a date stands to an edge.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DayKind {
    /// The sun rises and sets.
    Normal,
    /// It rises and stays up past midnight.
    OnlyRises,
    /// It has been up since before midnight, and sets.
    OnlySets,
    /// It is up all day.
    PolarDay,
    /// It stays down all day, or no more than touches the edge.
    PolarNight,
}

/// Sun and twilight of one civil date, in UTC, to the second.
///
/// All events are those between the first and the last midnight of the date, as almanacs give them. Near the edge of
/// polar day, or where the zone's noon is far from the sun's, a date may have no sunset, one before its sunrise (the
/// end of yesterday's light), or two of them: then `sunrise` is the first of the date and `sunset` the last, and
/// `light` has every stretch.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    pub date: NaiveDate,
    /// From midnight to midnight: 23 or 25 hours where clocks change.
    pub hours: Span,
    pub sunrise: Option<DateTime<Utc>>,
    pub sunset: Option<DateTime<Utc>>,
    pub civil_dawn: Option<DateTime<Utc>>,
    pub civil_dusk: Option<DateTime<Utc>>,
    /// Of sunrise and sunset.
    pub kind: DayKind,
    /// Of civil dawn and dusk: `PolarDay` in white nights, `Normal` on most days of polar night.
    pub civil_kind: DayKind,
    /// Stretches of the date with the sun up: sorted, disjoint.
    pub light: Vec<Span>,
    /// Stretches of the date that are civil day: sorted, disjoint.
    pub civil_light: Vec<Span>,
}

/// Sunrise, sunset and civil twilight of the civil date `date` in `zone`. Good to a few seconds, against the same
/// convention, where the sun crosses the edge at a fair angle; see `docs/algorithms.md`.
///
/// ```
/// use blockwright::daylight::{Place, day, parse_zone};
/// use chrono::{NaiveDate, Timelike};
///
/// let zone = parse_zone("America/Vancouver").unwrap();
/// let place = Place { latitude_deg: 54.5, longitude_deg: -126.3 };
/// let date = NaiveDate::from_ymd_opt(2026, 12, 21).unwrap();
/// let short = day(place, zone, date).unwrap();
///
/// let hours = (short.sunset.unwrap() - short.sunrise.unwrap()).num_minutes() as f64 / 60.0;
/// assert!((7.0..7.6).contains(&hours));
/// assert_eq!(short.sunrise.unwrap().with_timezone(&zone).hour(), 8);
/// ```
///
/// # Errors
/// For a place that is none, and for dates outside the years 1900 to 2999.
pub fn day(place: Place, zone: Tz, date: NaiveDate) -> Result<Day, DaylightError> {
    let hours = civil_days(zone, date, 1)?;
    let sun = light(place, hours, Edge::Sun)?;
    let civil = light(place, hours, Edge::Civil)?;
    Ok(Day {
        date,
        hours,
        sunrise: sun.rises.first().copied(),
        sunset: sun.sets.last().copied(),
        civil_dawn: civil.rises.first().copied(),
        civil_dusk: civil.sets.last().copied(),
        kind: kind(&sun),
        civil_kind: kind(&civil),
        light: sun.spans,
        civil_light: civil.spans,
    })
}

fn kind(light: &Light) -> DayKind {
    match (light.rises.is_empty(), light.sets.is_empty()) {
        (false, false) => DayKind::Normal,
        (false, true) => DayKind::OnlyRises,
        (true, false) => DayKind::OnlySets,
        (true, true) if light.spans.is_empty() => DayKind::PolarNight,
        (true, true) => DayKind::PolarDay,
    }
}
