//! Where a machine was, as its receiver wrote it down.

use chrono::{DateTime, Utc};
use geo::Coord;

/// One position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fix {
    /// Work CRS, metres.
    pub at: Coord,
    pub time: Option<DateTime<Utc>>,
}

/// Positions of one machine without a known interruption, in the order driven.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    pub id: String,
    pub fixes: Vec<Fix>,
}
