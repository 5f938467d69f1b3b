//! What was cut, or is planned to be cut, in one block: somebody else's geometry, in work-CRS coordinates.

use chrono::Duration;
use geo::{LineString, MultiPolygon, Polygon};

use super::screening::Screening;
use super::stems::Stem;
use super::tracks::{End, Gap, Leg};
use crate::daylight::Span;
use crate::model::{OpenDays, StripKind};

/// Where the cut ground comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CutInput {
    /// A layout: strips, lines, corridors and sections as planned.
    Plan,
    /// Polygons of what was cut.
    Polygons,
    /// Tracks of the felling machine, swept with its cutting width.
    Tracks,
}

impl CutInput {
    /// Whether the machine's own way is known.
    pub fn knows_the_way(self) -> bool {
        self != CutInput::Polygons
    }
}

/// One polygon of cut ground.
#[derive(Clone, Debug)]
pub struct CutPiece {
    pub shape: Polygon,
    /// None: nobody says.
    pub kind: Option<StripKind>,
    pub part: u32,
}

/// One line that the machine drives or drove.
#[derive(Clone, Debug)]
pub struct DrivenLine {
    /// Whether it runs along a strip, so that its direction is that of the strips.
    pub interior: bool,
    pub shape: LineString,
    pub part: u32,
}

/// Trees that a plan says are left between two strips.
#[derive(Clone, Debug)]
pub struct PlannedCorridor {
    pub shape: Polygon,
    pub part: u32,
}

/// What is not known of tracks in or near one block.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Untracked {
    /// Interruptions across which nothing is assumed cut.
    pub gaps: Vec<Gap>,
    /// Fixes dropped as outliers.
    pub outliers: u64,
    /// Ground beyond the ends of what was driven, of which nobody recorded whether it was cut.
    pub ends: Vec<End>,
}

/// Net ground that a plan does not work.
#[derive(Clone, Debug)]
pub struct PlannedUnworked {
    pub shape: Polygon,
    /// As too steep or too soft.
    pub is_left: bool,
}

/// Everything known of the cut in one block.
#[derive(Clone, Debug)]
pub struct BlockCut {
    pub input: CutInput,
    /// May touch and overlap one another.
    pub pieces: Vec<CutPiece>,
    pub lines: Vec<DrivenLine>,
    /// Ways between them on which nothing is cut, as a plan says.
    pub travel: Vec<LineString>,
    /// Ways that loads take, as a plan says.
    pub trails: Vec<LineString>,
    /// None: nobody says which of the standing ground is a corridor.
    pub corridors: Option<Vec<PlannedCorridor>>,
    /// Net ground neither cut nor counted as retention, as the plan says.
    pub unworked: Vec<PlannedUnworked>,
    /// Ground for daylight only; None: nobody says.
    pub day_only: Option<MultiPolygon>,
    /// Ground of a plan that is not open on every day, by its days.
    pub windows: Vec<(OpenDays, MultiPolygon)>,
    /// How far the mean sun of the block is ahead of UTC; None: where it lies is not known.
    pub ahead: Option<Duration>,
    /// Of tracks; empty otherwise.
    pub legs: Vec<Leg>,
    pub untracked: Untracked,
    /// Daylight at the block on the days of the tracks, sorted and without overlaps; None: not known.
    pub light: Option<Vec<Span>>,
    /// Single trees found standing in the block; None: nobody looked.
    pub stems: Option<Vec<Stem>>,
    /// Of a raster of change.
    pub screening: Option<Screening>,
    /// How many features of the cut near this block could not be used.
    pub unusable: u64,
}

impl BlockCut {
    pub fn empty(input: CutInput) -> BlockCut {
        BlockCut {
            input,
            pieces: vec![],
            lines: vec![],
            travel: vec![],
            trails: vec![],
            corridors: None,
            unworked: vec![],
            day_only: None,
            windows: vec![],
            ahead: None,
            legs: vec![],
            untracked: Untracked::default(),
            light: None,
            stems: None,
            screening: None,
            unusable: 0,
        }
    }

    /// Polygons of cut ground and nothing else.
    pub fn of_polygons(polygons: Vec<Polygon>) -> BlockCut {
        let piece = |shape| CutPiece {
            shape,
            kind: None,
            part: 0,
        };
        BlockCut {
            pieces: polygons.into_iter().map(piece).collect(),
            ..BlockCut::empty(CutInput::Polygons)
        }
    }

    /// Ground swept along tracks, and the tracks themselves.
    pub fn of_tracks(swept: MultiPolygon, legs: Vec<Leg>) -> BlockCut {
        let line = |leg: &Leg| DrivenLine {
            interior: false,
            shape: leg.shape.clone(),
            part: 0,
        };
        BlockCut {
            input: CutInput::Tracks,
            lines: legs.iter().map(line).collect(),
            legs,
            ..BlockCut::of_polygons(swept.0)
        }
    }

    pub fn is_empty(&self) -> bool {
        self.pieces.is_empty() && self.lines.is_empty()
    }
}
