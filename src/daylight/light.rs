//! Stretches with the sun above an edge, from the crossings that `solar-positioning` finds.

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc};
use chrono_tz::Tz;
use solar_positioning::time::JulianDate;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};

use super::{DaylightError, Edge, Place, Span};

/// The sun against one edge within a window of time.
#[derive(Debug)]
pub(super) struct Light {
    pub rises: Vec<DateTime<Utc>>,
    pub sets: Vec<DateTime<Utc>>,
    /// With the sun above the edge: sorted, disjoint, cut at the window.
    pub spans: Vec<Span>,
}

impl Edge {
    fn horizon(self) -> Horizon {
        match self {
            Edge::Sun => Horizon::SunriseSunset,
            Edge::Civil => Horizon::CivilTwilight,
        }
    }
}

/// Crossings of `edge` in `window`, cut to whole seconds: what is beyond is noise, and differs between machines.
pub(super) fn light(place: Place, window: Span, edge: Edge) -> Result<Light, DaylightError> {
    let location = location(place)?;
    let failed = |error: solar_positioning::Error| DaylightError::Computation(error.to_string());
    let delta_t =
        delta_t::estimate_from_date(window.from.year(), window.from.month()).map_err(failed)?;
    let (start, end) = (julian_date(window.from), julian_date(window.to));
    let (finder, horizon) = (SolarEvents::new(), edge.horizon());
    let next = |after: f64, rising: bool| {
        let found = if rising {
            finder.next_rise_from_julian(after, end, location, delta_t, horizon)
        } else {
            finder.next_set_from_julian(after, end, location, delta_t, horizon)
        };
        found.map_err(failed)
    };

    let (rise, set) = (next(start, true)?, next(start, false)?);
    let up_first = match (rise, set) {
        (Some(rise), Some(set)) => set < rise,
        (None, None) => {
            let sun = SolarPositions::new()
                .at_from_julian(
                    JulianDate::new(start, delta_t).map_err(failed)?,
                    location,
                    0.0,
                    None,
                )
                .map_err(failed)?;
            sun.elevation_angle() > horizon.elevation_angle()
        }
        (None, Some(_)) => true,
        (Some(_), None) => false,
    };
    let mut light = Light {
        rises: vec![],
        sets: vec![],
        spans: vec![],
    };
    let mut since = up_first.then_some(window.from);
    let mut coming = if up_first { set } else { rise };
    while let Some(at) = coming {
        let time = whole_second(at).map_or(window.to, |time| time.clamp(window.from, window.to));
        match since.take() {
            Some(from) => {
                light.sets.push(time);
                light.spans.push(Span { from, to: time });
            }
            None => {
                light.rises.push(time);
                since = Some(time);
            }
        }
        coming = next(at, since.is_none())?;
    }
    light.spans.extend(since.map(|from| Span {
        from,
        to: window.to,
    }));
    light.spans.retain(|span| span.from < span.to);
    Ok(light)
}

const UNIX_EPOCH_JD: f64 = 2_440_587.5;
const DAY_SECONDS: f64 = 86_400.0;

fn julian_date(time: DateTime<Utc>) -> f64 {
    UNIX_EPOCH_JD + time.timestamp() as f64 / DAY_SECONDS
}

fn whole_second(julian_date: f64) -> Option<DateTime<Utc>> {
    DateTime::from_timestamp(
        ((julian_date - UNIX_EPOCH_JD) * DAY_SECONDS).floor() as i64,
        0,
    )
}

fn location(place: Place) -> Result<Location, DaylightError> {
    let Place {
        latitude_deg,
        longitude_deg,
    } = place;
    if (-90.0..=90.0).contains(&latitude_deg) && (-180.0..=180.0).contains(&longitude_deg) {
        Ok(Location {
            latitude: latitude_deg,
            longitude: longitude_deg,
        })
    } else {
        Err(DaylightError::NoPlace {
            latitude_deg,
            longitude_deg,
        })
    }
}

/// `days` civil dates of `zone` from `date` on, from the start of the first to the end of the last. A date may have 23
/// or 25 hours, or none at all where a zone has jumped the date line.
///
/// # Errors
/// For dates outside the years 1900 to 2999.
pub(super) fn civil_days(zone: Tz, date: NaiveDate, days: u32) -> Result<Span, DaylightError> {
    let after = date
        .checked_add_days(Days::new(u64::from(days)))
        .ok_or(DaylightError::DateOutOfRange { date })?;
    Ok(Span {
        from: start_of(zone, date)?,
        to: start_of(zone, after)?,
    })
}

/// The first instant of a civil date: midnight, or what follows a gap that swallows it.
fn start_of(zone: Tz, date: NaiveDate) -> Result<DateTime<Utc>, DaylightError> {
    const STEP_MINUTES: i64 = 15;
    if !(1900..3000).contains(&date.year()) {
        return Err(DaylightError::DateOutOfRange { date });
    }
    let midnight = date.and_time(NaiveTime::MIN);
    for step in 0..=24 * 60 / STEP_MINUTES {
        let local = midnight + TimeDelta::minutes(step * STEP_MINUTES);
        if let Some(start) = zone.from_local_datetime(&local).earliest() {
            return Ok(start.with_timezone(&Utc));
        }
    }
    Err(DaylightError::NoMidnight {
        zone: zone.name().to_owned(),
        date,
    })
}
