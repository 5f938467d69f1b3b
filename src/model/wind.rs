//! The wind that throws trees, as a project states it, and what stands open to it.

use serde::{Deserialize, Serialize};

/// `[wind]` of a project.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Wind {
    /// Where it comes from, clockwise from grid north.
    pub from_deg: f64,
    /// It comes from so many degrees in all, half of them to either side.
    pub sector_deg: f64,
    /// Where that is written.
    pub source: String,
    /// An edge faces it whose own direction out is no more than this off; own judgement.
    pub facing_deg: f64,
    /// A piece shallower than this along the wind, and `long_times` as long across it, is a finding; own judgement.
    pub narrow_m: f64,
    pub long_times: f64,
    /// Corners below this are findings; own judgement.
    pub sharp_corner_deg: f64,
    /// Machine seconds that a metre of corridor edge square to it weighs in the choice of a direction; 0: none.
    pub seconds_per_m: f64,
}

impl Wind {
    /// With the thresholds that hold where a project has none of its own.
    pub fn new(from_deg: f64, source: String) -> Wind {
        Wind {
            from_deg,
            sector_deg: 0.0,
            source,
            facing_deg: 45.0,
            narrow_m: 30.0,
            long_times: 4.0,
            sharp_corner_deg: 60.0,
            seconds_per_m: 0.0,
        }
    }

    /// How far an edge may be turned from the middle of the sector and still face it.
    pub fn within_deg(&self) -> f64 {
        self.facing_deg + self.sector_deg / 2.0
    }
}

/// Of one retained piece.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PieceWind {
    /// As in [`RetainedPiece`](super::RetainedPiece).
    pub id: String,
    /// Edge towards the wind over cut ground, m; none of it is sheltered by what stands.
    pub windward_m: f64,
    /// Across the wind, and the mean depth along it, m.
    pub across_m: f64,
    pub deep_m: f64,
    pub sharp_corners: u32,
    /// Shallow, long across the wind, and open on both sides.
    pub is_narrow: bool,
}

/// Of a block.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct BlockWind {
    /// In the order of [`retained_pieces`](super::BlockPlan::retained_pieces).
    pub pieces: Vec<PieceWind>,
    /// Edge of reserves towards the wind over cut ground, m.
    pub reserves_m: f64,
}

impl BlockWind {
    /// Of retained pieces.
    pub fn retained_m(&self) -> f64 {
        let each = self.pieces.iter().map(|piece| piece.windward_m);
        each.fold(0.0, |sum, m| sum + m)
    }

    /// Of all that stands.
    pub fn windward_m(&self) -> f64 {
        self.retained_m() + self.reserves_m
    }

    pub fn sharp_corners(&self) -> u32 {
        self.pieces.iter().map(|piece| piece.sharp_corners).sum()
    }

    pub fn narrow(&self) -> impl Iterator<Item = &PieceWind> {
        self.pieces.iter().filter(|piece| piece.is_narrow)
    }
}
