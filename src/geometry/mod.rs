//! Geometry without files: reading and writing WKB, cleaning, buffers with their certificate, overlay, sweep, distance.
//! Every polygon handed between functions has a counter-clockwise exterior and clockwise holes.

pub mod area;
pub mod buffer;
pub mod cell_shares;
pub mod clean;
pub mod cost_grid;
pub mod counted_once;
mod crowd;
pub mod distance;
pub mod fewer;
pub mod frame;
pub mod grid_overlay;
pub mod ground_fit;
pub mod groups;
pub mod inset;
pub mod nearest_first;
pub mod nesting;
pub mod outline_moves;
pub mod overlaps;
pub mod overlay;
pub mod overlay_engine;
pub mod proof;
pub mod repair;
mod repair_contacts;
pub mod segment_grid;
pub mod shared_edge;
pub mod sound;
pub mod stairs;
pub mod sweep;
pub mod terrain;
pub mod terrain_runs;
pub mod window;
pub mod windward;
pub mod within;
pub mod wkb;
