//! A map of ground that changed use, in the form of the map sheets.

use super::words::{self, Words};
use crate::model::{BlockChange, BlockPlan, GroundUse, Language};
use crate::outputs::map::{ChangeDrawn, changes_sheet};
use crate::outputs::style::Kind;
use crate::outputs::text::fill;

/// How ground is drawn that is now used so.
fn kind(of: GroundUse) -> Kind {
    match of {
        GroundUse::CutByDay => Kind::DayOnly,
        GroundUse::CutByNight => Kind::NightSafe,
        GroundUse::Retained => Kind::RetainedBand,
        GroundUse::Reserve => Kind::Reserve,
        GroundUse::CutBefore => Kind::CutBefore,
        GroundUse::Unworked => Kind::Unworked,
        GroundUse::Outside => Kind::MachineExclusion,
    }
}

/// The map as a stand-alone SVG document; None where no ground changed use.
pub fn render(
    plan: &BlockPlan,
    change: &BlockChange,
    title: &str,
    language: Language,
) -> Option<String> {
    if change.ground.is_empty() {
        return None;
    }
    let words = words::of(language);
    let drawn: Vec<ChangeDrawn> = (change.ground.iter())
        .map(|ground_change| ChangeDrawn {
            look: kind(ground_change.to).look(),
            word: row(ground_change.from, ground_change.to, words),
            figure: format!("{:.2} ha", ground_change.area_ha),
            shape: &ground_change.shape,
        })
        .collect();
    let heading = fill(words.map.sheet, &[title, &plan.id]);
    Some(changes_sheet(
        plan,
        &heading,
        words.ground_of_map,
        &drawn,
        words.map,
    ))
}

fn row(from: GroundUse, to: GroundUse, words: &Words) -> String {
    format!("{} → {}", words.use_of(from), words.use_of(to))
}
