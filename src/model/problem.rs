//! What could not be used, or only with a doubt: one row each in `set_aside.csv`.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::{Shape, shown};

/// Why a feature, layer or block was set aside or doubted. The text form is stable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum ProblemCode {
    NullGeometry,
    EmptyGeometry,
    WrongGeometryType,
    UnclosedRing,
    NotFinite,
    SelfCrossing,
    RepairedTooMuch,
    Degenerate,
    DuplicateId,
    MissingId,
    UnknownClass,
    BadNumber,
    /// Of a pattern of retention.
    UnknownWord,
    OutOfRange,
    ScaleError,
    Uncertified,
    UncertifiedCut,
    NothingLeft,
    /// No road and no landing is in reach of a block.
    NoAccess,
    TooLarge,
    Crashed,
    NoEnd,
    EmptyLayer,
    AssumedCrs,
    UnknownSlope,
    /// Of mapped water that ground low over it is found from.
    UnknownWater,
    UnknownEncoding,
    OverlappingBlocks,
    OverlapOfHairs,
    DatumShift,
    /// Of a setting that a planner drew.
    OutsideBlocks,
    StandTable,
    /// Of a note of the field: its kind.
    UnknownNote,
    RefusedNote,
    /// Of a layer whose features belong to another role.
    WrongRole,
}

impl ProblemCode {
    pub fn key(self) -> &'static str {
        match self {
            ProblemCode::NullGeometry => "null-geometry",
            ProblemCode::EmptyGeometry => "empty-geometry",
            ProblemCode::WrongGeometryType => "wrong-geometry-type",
            ProblemCode::UnclosedRing => "unclosed-ring",
            ProblemCode::NotFinite => "not-finite",
            ProblemCode::SelfCrossing => "self-crossing",
            ProblemCode::RepairedTooMuch => "repaired-too-much",
            ProblemCode::Degenerate => "degenerate",
            ProblemCode::DuplicateId => "duplicate-id",
            ProblemCode::MissingId => "missing-id",
            ProblemCode::UnknownClass => "unknown-class",
            ProblemCode::BadNumber => "bad-number",
            ProblemCode::UnknownWord => "unknown-word",
            ProblemCode::OutOfRange => "out-of-range",
            ProblemCode::ScaleError => "scale-error",
            ProblemCode::Uncertified => "uncertified-zone",
            ProblemCode::UncertifiedCut => "uncertified-cut",
            ProblemCode::NothingLeft => "nothing-left",
            ProblemCode::NoAccess => "no-access",
            ProblemCode::TooLarge => "too-large",
            ProblemCode::Crashed => "crashed",
            ProblemCode::NoEnd => "no-end",
            ProblemCode::EmptyLayer => "empty-layer",
            ProblemCode::AssumedCrs => "assumed-crs",
            ProblemCode::UnknownWater => "unknown-water",
            ProblemCode::UnknownSlope => "unknown-slope",
            ProblemCode::UnknownEncoding => "unknown-encoding",
            ProblemCode::OverlappingBlocks => "overlapping-blocks",
            ProblemCode::OverlapOfHairs => "overlap-of-hairs",
            ProblemCode::DatumShift => "datum-shift",
            ProblemCode::OutsideBlocks => "outside-blocks",
            ProblemCode::StandTable => "stand-table",
            ProblemCode::UnknownNote => "unknown-note",
            ProblemCode::RefusedNote => "refused-note",
            ProblemCode::WrongRole => "wrong-role",
        }
    }
}

impl fmt::Display for ProblemCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

/// One thing wrong with the input, and what to do about it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Problem {
    pub code: ProblemCode,
    /// `file:layer`.
    pub layer: String,
    pub feature_id: String,
    /// A place in the work CRS, if there is one.
    pub place: Option<[f64; 2]>,
    /// What is wrong, in one sentence.
    pub message: String,
    /// What the user can do.
    pub remedy: String,
    /// The geometry, as far as it could be kept.
    pub shape: Option<Shape>,
    /// True: the feature is not used. False: used, after a repair or under a stated assumption.
    pub set_aside: bool,
}

impl Problem {
    /// Whether a result that stands on it cannot be called clean: something was left out, or the place of a whole layer was
    /// assumed.
    pub fn spoils(&self) -> bool {
        self.set_aside || self.code == ProblemCode::AssumedCrs
    }

    /// Whether it breaks a rule, in every block that it names, though all is used.
    pub fn fails(&self) -> bool {
        self.code == ProblemCode::OverlappingBlocks
    }
}

/// A place of the work CRS for people: to a decimetre, in degrees to six decimals.
pub(super) fn told([x, y]: [f64; 2]) -> String {
    // Metres so near to a CRS's own origin lie nowhere in use.
    if x.abs() <= 360.0 && y.abs() <= 90.0 && x.fract() != 0.0 && y.fract() != 0.0 {
        format!("{x:.6}, {y:.6}")
    } else {
        format!("{x:.1}, {y:.1}")
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.set_aside {
            true => "set aside",
            false if self.fails() => "fail",
            false => "note",
        };
        write!(
            f,
            "{word}[{}]: {}, feature {}",
            self.code,
            shown::line(&self.layer),
            shown::line(&self.feature_id)
        )?;
        if let Some(place) = self.place {
            write!(f, ", near ({})", told(place))?;
        }
        write!(
            f,
            "\n  {}\n  hint: {}",
            shown::line(&self.message),
            shown::line(&self.remedy)
        )
    }
}
