//! The invented district: country, water, roads and blocks grown from one seed, with a few features broken on purpose.
//!
//! Everything is a function of the seed and a place, so a larger district holds the smaller one, and the cost of a
//! block does not depend on how many there are. Only `write` and `elevation` know GDAL.

mod blocks;
mod broken;
mod contour;
mod country;
mod curve;
mod district;
mod elevation;
mod noise;
mod notes;
mod patches;
mod project_file;
mod roads;
mod stand_table;
mod terrain;
mod water;
mod write;

pub use broken::BrokenFeature;
pub use write::{DemoError, DemoOptions, DemoReport, write};
