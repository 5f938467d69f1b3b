//! Plain data: layers, features and blocks as read, settings in force, plans as laid out, problems met on the way.
//! Lengths in metres, areas in square metres, shares as fractions, azimuths in degrees clockwise from grid north.

mod calibration;
mod changes;
mod costs;
mod danger_tree;
mod facts;
mod ground_frame;
mod layer;
mod notes;
mod outputs;
mod people;
mod plan;
mod power_line;
mod problem;
mod settings;
pub mod shown;
mod slope_limits;
mod stand_raster;
mod stand_table;
mod time_model;
mod track;
mod wind;
mod words;
mod work_window;

pub use calibration::*;
pub use changes::*;
pub use costs::*;
pub use danger_tree::*;
pub use facts::*;
pub use ground_frame::{BEND_M, GroundFrame, GroundMap};
pub use layer::*;
pub use notes::*;
pub use outputs::*;
pub use people::*;
pub use plan::*;
pub use power_line::*;
pub use problem::*;
pub use settings::*;
pub use slope_limits::*;
pub use stand_raster::*;
pub use stand_table::*;
pub use time_model::*;
pub use track::*;
pub use wind::*;
pub use words::Word;
pub use work_window::*;
