//! When it is light at a place: sunrise, sunset and civil twilight for a date, and the spans in which work that needs
//! daylight may be done.

use chrono::{DateTime, Utc};

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
