//! What is planned or was really cut, set against the rules, without any of the layout's own work: distances from the
//! cut to the features themselves, areas by overlay with distances drawn anew. See docs/audit.md for every rule of
//! judging.

pub mod against;
mod asked;
pub mod certainty;
mod closed;
mod corridors;
mod cut;
mod depth;
mod driven;
pub mod farthest;
pub mod field;
pub mod ground;
mod head;
mod map_error;
mod neighbours;
mod night;
mod opening;
mod planned;
mod portfolio;
mod power_lines;
mod reach;
pub mod reached;
mod reserves;
mod road_band;
mod row;
mod scene;
mod screening;
mod shares;
mod slopes;
mod spacing;
pub mod split;
mod stems;
mod tracked;
pub mod tracks;
mod trees;
mod trespass;
mod whole_block;
mod wind;

pub use certainty::{Certainty, Stated, Together};
pub use cut::{
    BlockCut, CutInput, CutPiece, DrivenLine, PlannedCorridor, PlannedUnworked, Untracked,
};
pub use neighbours::Neighbours;
pub use portfolio::Portfolios;
pub use row::{AuditRow, Judged, Leeway, Toward};
pub use scene::{Areas, BlockAudit, Context, crashed, judge};
pub use screening::{Screening, screened};
pub use stems::Stem;
pub use trespass::{assumed_crs_row, stray_row, stray_track_row, unknown_ids_row};

/// Error allowed for a plan: its lines are what they are.
pub const PLAN_TOLERANCE_M: f64 = 0.0;
/// Error allowed for what was measured by satellite under trees, unless the user knows better.
pub const AS_CUT_TOLERANCE_M: f64 = 2.0;
