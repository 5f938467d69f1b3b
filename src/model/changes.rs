//! A plan that takes the place of another: numbers and dates of plans, what ground is used for, and what changed.

use geo::{MultiPolygon, Polygon};
use serde::{Deserialize, Serialize};

use super::plan::{BlockPlan, RetainedKind, ShiftClass, UnworkedReason};
use super::words::Word;

/// Which plan a sheet is of, as its makers count and date them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PlanMark {
    pub number: u32,
    /// As ISO 8601 writes dates; None: nobody gave one.
    pub date: Option<String>,
}

/// What an operator sheet says of where it comes from.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SheetMark {
    /// None: the plan has no number.
    pub plan: Option<PlanMark>,
    /// The plan whose sheet it takes the place of.
    pub replaces: Option<PlanMark>,
    /// The mark of the inputs.
    pub input: String,
}

/// What became of a block's operator sheet.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SheetNews {
    /// The sheet in the crew's hands is the sheet of this plan.
    Kept,
    /// It says something else: to be printed anew.
    Anew,
    /// There was none.
    New,
    /// This run draws no sheets.
    None,
}

/// What a piece of ground is for. The order is that of reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum GroundUse {
    CutByDay,
    CutByNight,
    Retained,
    Reserve,
    CutBefore,
    Unworked,
    /// Not of the block.
    Outside,
}

impl GroundUse {
    pub const ALL: [GroundUse; 7] = [
        GroundUse::CutByDay,
        GroundUse::CutByNight,
        GroundUse::Retained,
        GroundUse::Reserve,
        GroundUse::CutBefore,
        GroundUse::Unworked,
        GroundUse::Outside,
    ];

    pub fn key(self) -> Word {
        match self {
            GroundUse::CutByDay => "cut_by_day",
            GroundUse::CutByNight => "cut_by_night",
            GroundUse::Retained => "retained",
            GroundUse::Reserve => "reserve",
            GroundUse::CutBefore => "cut_before",
            GroundUse::Unworked => "unworked",
            GroundUse::Outside => "outside",
        }
    }

    pub fn of_class(class: ShiftClass) -> GroundUse {
        match class {
            ShiftClass::DayOnly => GroundUse::CutByDay,
            ShiftClass::NightSafe => GroundUse::CutByNight,
        }
    }
}

impl BlockPlan {
    /// The pieces of the block that a plan names, each with its use; what is left of the block is reserve.
    pub fn ground_uses(&self) -> Vec<(GroundUse, &Polygon)> {
        let sections = self.sections.iter().flat_map(|section| {
            let of = GroundUse::of_class(section.shift_class);
            section.shape.0.iter().map(move |shape| (of, shape))
        });
        let retained = self.retained_pieces().into_iter();
        let retained = retained
            .filter(|piece| piece.kind != RetainedKind::Kept)
            .map(|piece| (GroundUse::Retained, piece.shape));
        let unworked = self.unworked.iter().map(|piece| {
            let of = match piece.reason {
                UnworkedReason::CutBefore => GroundUse::CutBefore,
                _ => GroundUse::Unworked,
            };
            (of, &piece.shape)
        });
        sections.chain(retained).chain(unworked).collect()
    }
}

/// Ground that went from one use to another.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct GroundChange {
    pub from: GroundUse,
    pub to: GroundUse,
    pub area_ha: f64,
    /// In the block's frame.
    #[serde(skip)]
    pub shape: MultiPolygon,
}

/// A figure of a block that is another now; None: not known.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FigureChange {
    /// As in layer `blocks`.
    pub figure: Word,
    pub before: Option<f64>,
    pub after: Option<f64>,
}

/// A finding of one of the two plans that the other does not have.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct FindingLine {
    pub rule_id: String,
    pub status: String,
    pub message: String,
}

/// What changed of a block.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BlockChange {
    pub block_id: String,
    /// Whether the earlier plan has the block.
    pub was_planned: bool,
    pub sheet: SheetNews,
    /// What the sheet of this plan says of where it comes from.
    pub mark: Option<SheetMark>,
    pub ground: Vec<GroundChange>,
    pub figures: Vec<FigureChange>,
    pub findings_new: Vec<FindingLine>,
    pub findings_gone: Vec<FindingLine>,
    /// File of the map of ground that changed use.
    pub map: Option<String>,
}

impl BlockChange {
    /// Whether anything of the block is other than it was.
    pub fn is_news(&self) -> bool {
        let same = self.ground.is_empty()
            && self.figures.is_empty()
            && self.findings_new.is_empty()
            && self.findings_gone.is_empty();
        !same || !self.was_planned || matches!(self.sheet, SheetNews::Anew | SheetNews::New)
    }
}

/// What changed from one plan to the one that takes its place.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Changes {
    /// Of the report's own form: 1.
    pub version: u32,
    pub plan: Option<PlanMark>,
    pub replaces: Option<PlanMark>,
    /// Ground of all blocks, by the uses it went from and to.
    pub ground: Vec<GroundChange>,
    /// Figures of all blocks that were planned before and now, summed; shares are not.
    pub figures: Vec<FigureChange>,
    /// Files of sheets that must be printed.
    pub sheets_to_print: Vec<String>,
    /// Blocks whose earlier sheets must not be worked by any more.
    pub sheets_replaced: Vec<ReplacedSheet>,
    /// Those with news, in input order.
    pub blocks: Vec<BlockChange>,
    pub blocks_without_news: u64,
    /// Planned before, and not in the blocks layer any more.
    pub blocks_gone: Vec<String>,
    /// Planned before, and not laid out in this run.
    pub blocks_not_planned: Vec<String>,
}

/// A sheet that was replaced.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReplacedSheet {
    pub block_id: String,
    /// None: the earlier plan has no number.
    pub plan: Option<PlanMark>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_use_has_a_key_of_its_own() {
        let keys: std::collections::BTreeSet<&str> =
            GroundUse::ALL.iter().map(|of| of.key()).collect();
        assert_eq!(keys.len(), GroundUse::ALL.len());
    }
}
