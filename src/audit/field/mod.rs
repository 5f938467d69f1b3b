//! Checking an audit in the field: which places to visit, drawn with probabilities that are told, and what was measured
//! there.

mod draw;
use crate::model::RuleId;
pub mod inference;
mod judge;

pub use draw::{FieldCheck, FieldPlace, Sampler, Stratum, StratumCount};
pub use inference::{CONFIDENCE, Estimate, Risk};
pub use judge::{FieldResult, FieldResults, InField, NotMeasurable, StratumResult};

/// Whether a figure is asked to be so much at least, or at most.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sense {
    AtLeast,
    AtMost,
}

/// What a person can measure at the place of a row, with a tape or a range finder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Task {
    /// From the nearest cut stump or wheel track to the edge of the feature.
    ToFeature,
    /// The same, to the line drawn in the middle of the stream.
    ToStreamLine,
    /// From the nearest wheel track to the edge of the feature.
    TrackToFeature,
    /// From the nearest cut stump or wheel track to the wire, by range finder and from outside the limit.
    ToPowerLine,
    /// How far beyond the block's line trees are cut.
    BeyondBoundary,
    /// From the road's edge to the nearest standing retention.
    RoadToRetention,
    /// Width of what stands between two cuts.
    CorridorWidth,
    /// Width of a cut strip.
    StripWidth,
    /// Nothing that a tape tells: look, and write it down.
    Look,
}

impl Task {
    pub const ALL: [Task; 9] = [
        Task::ToFeature,
        Task::ToStreamLine,
        Task::TrackToFeature,
        Task::ToPowerLine,
        Task::BeyondBoundary,
        Task::RoadToRetention,
        Task::CorridorWidth,
        Task::StripWidth,
        Task::Look,
    ];

    /// By the row's rule, of which the part before the colon says what kind it is.
    pub fn of(rule_id: &str, unit: &str) -> Task {
        match RuleId::of(rule_id) {
            _ if unit != "m" => Task::Look,
            Some(RuleId::Reserve) => Task::ToFeature,
            Some(RuleId::StreamBarrier) => Task::ToStreamLine,
            Some(RuleId::MachineExclusion) => Task::TrackToFeature,
            Some(RuleId::PowerLineLimit) => Task::ToPowerLine,
            Some(RuleId::InsideBlock) => Task::BeyondBoundary,
            Some(RuleId::RoadBand) => Task::RoadToRetention,
            Some(RuleId::CorridorWidth | RuleId::CorridorWidthMost) => Task::CorridorWidth,
            Some(RuleId::StripWidth) => Task::StripWidth,
            _ => Task::Look,
        }
    }
}

/// None: no single figure decides the rule.
pub fn sense(rule_id: &str, unit: &str) -> Option<Sense> {
    match Task::of(rule_id, unit) {
        Task::ToFeature
        | Task::ToStreamLine
        | Task::TrackToFeature
        | Task::ToPowerLine
        | Task::RoadToRetention => Some(Sense::AtLeast),
        Task::CorridorWidth if RuleId::CorridorWidth.is(rule_id) => Some(Sense::AtLeast),
        Task::CorridorWidth | Task::BeyondBoundary | Task::StripWidth => Some(Sense::AtMost),
        Task::Look => None,
    }
}

/// Names a place of a draw, whatever else is audited: eight letters and digits that are not mistaken for one another
/// (Crockford's base 32). `nth` counts rows of the same rule in the block. The seed is in it, since places on a block's line
/// are others with another one.
pub fn code(seed: u64, block_id: &str, rule_id: &str, nth: usize) -> String {
    const SIGNS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
    let bits = hash(seed, &["code", block_id, rule_id, &nth.to_string()]);
    let sign = |at: u32| char::from(SIGNS[(bits >> (5 * at)) as usize & 31]);
    let half = |from: u32| -> String { (from..from + 4).map(sign).collect() };
    format!("{}-{}", half(0), half(4))
}

/// Even bits for some words (FNV-1a over their bytes, then the finaliser of SplitMix64).
fn hash(seed: u64, words: &[&str]) -> u64 {
    let mut state = 0xcbf2_9ce4_8422_2325u64 ^ seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
    for word in words {
        for byte in word.bytes().chain([0xff]) {
            state = (state ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }
    let mut z = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
