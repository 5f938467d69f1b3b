//! Geometry without files: reading and writing WKB, cleaning, buffers with their certificate, overlay, sweep, distance.
//! Every polygon handed between functions has a counter-clockwise exterior and clockwise holes.

pub mod clean;
pub mod repair;
pub mod repair_contacts;
pub mod wkb;
