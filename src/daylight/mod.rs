//! When it is light at a place: sunrise, sunset and civil twilight for a date, and the spans in which work that needs
//! daylight may be done.
//!
//! Sunrise and sunset are when the sun's upper edge stands on a level, unobstructed horizon: its centre 50' below,
//! 34' for refraction and 16' for its radius. Civil dawn and dusk: its centre 6 degrees below. Neither the height of
//! the place nor hills around it count, and refraction is the customary mean one: all three can move a real sunrise
//! by minutes, which is what the margin of [`spans`] is for.

mod day;
mod light;
mod spans;
mod zone;

use chrono::{DateTime, NaiveDate, Utc};

pub use day::{Day, DayKind, day};
pub use spans::{DEFAULT_MARGIN, spans};
pub use zone::{TIME_ZONES_VERSION, ZoneError, parse_zone};

/// A place on the ellipsoid, degrees, north and east positive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    pub latitude_deg: f64,
    pub longitude_deg: f64,
}

/// A stretch of time, the start included, the end not.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    pub from: DateTime<Utc>,
    pub to: DateTime<Utc>,
}

impl Span {
    pub fn contains(&self, at: DateTime<Utc>) -> bool {
        self.from <= at && at < self.to
    }

    pub fn minutes(&self) -> f64 {
        (self.to - self.from).as_seconds_f64() / 60.0
    }
}

/// What ends the light of a day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Edge {
    /// Sunrise and sunset.
    #[default]
    Sun,
    /// Civil dawn and dusk.
    Civil,
}

/// Why there is no answer. Polar day and polar night are answers, not errors.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DaylightError {
    #[error(
        "latitude {latitude_deg}, longitude {longitude_deg} is no place on Earth; latitudes run from -90 to 90, longitudes from -180 to 180 degrees"
    )]
    NoPlace {
        latitude_deg: f64,
        longitude_deg: f64,
    },
    #[error("{date} is outside the years 1900 to 2999 that daylight is computed for")]
    DateOutOfRange { date: NaiveDate },
    #[error("the time zone {zone} has no midnight near {date}")]
    NoMidnight { zone: String, date: NaiveDate },
    #[error("the sun's place could not be computed: {0}")]
    Computation(String),
}
