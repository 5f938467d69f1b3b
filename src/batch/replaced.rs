//! A plan that takes the place of another: the earlier one read, and what is written of both.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::{BatchError, changes};
use crate::model::{
    BlockChange, BlockPlan, Changes, Language, PlanMark, ReplacedSheet, SheetMark, SheetNews,
};
use crate::outputs::{self, OutputError, Writer};
use crate::sources::{self, Batch, EarlierLayout, PlanFile};

/// What changed of a block, and the map of it.
pub struct Changed {
    pub change: BlockChange,
    pub map: Option<String>,
}

/// What the writer was told of plans and sheets, block by block.
#[derive(Default)]
pub struct Told {
    blocks: Vec<BlockChange>,
    sheets: BTreeMap<String, SheetMark>,
    /// Blocks that were written.
    planned: BTreeSet<String>,
}

impl Changed {
    /// What changed of a block since the earlier plan, with a map where maps are drawn.
    pub fn of(
        earlier: &EarlierLayout,
        plan: &BlockPlan,
        (title, language): (&str, Language),
        maps: bool,
    ) -> Changed {
        let change = changes::of_block(earlier, plan);
        let map = maps.then(|| outputs::render_changes(plan, &change, title, language));
        Changed {
            map: map.flatten(),
            change,
        }
    }
}

impl Told {
    /// Takes in a block that was written, and writes its map.
    pub fn block(
        &mut self,
        writer: &mut Writer,
        id: &str,
        news: Option<(SheetNews, SheetMark)>,
        changed: Option<Changed>,
    ) -> Result<(), OutputError> {
        if let Some((_, mark)) = &news {
            self.sheets.insert(id.to_owned(), mark.clone());
        }
        self.planned.insert(id.to_owned());
        let Some(Changed { mut change, map }) = changed else {
            return Ok(());
        };
        if let Some((sheet, mark)) = news {
            (change.sheet, change.mark) = (sheet, Some(mark));
        }
        if let Some(map) = map {
            change.map = Some(writer.change_map(id, &map)?);
        }
        self.blocks.push(change);
        Ok(())
    }
}

/// Reads the layout that this one takes the place of.
pub fn replaced_by(dir: &Path, batch: &Batch) -> Result<EarlierLayout, BatchError> {
    let earlier = sources::earlier(dir)?;
    if !earlier.is_in(&batch.crs_wkt)? {
        return Err(BatchError::NotReplaced {
            path: dir.to_owned(),
            why: "it is in another work CRS".to_owned(),
            hint: "set `crs` under [project] to that of the earlier plan, which its run.json tells",
        });
    }
    Ok(earlier)
}

/// Writes which plan each sheet is of, and what changed, where a plan is numbered or takes the place of another.
pub fn write_changes(
    writer: &mut Writer,
    told: Told,
    batch: &Batch,
    plan: &Option<PlanMark>,
    (earlier, language): (Option<&EarlierLayout>, Language),
) -> Result<(), OutputError> {
    if plan.is_some() || earlier.is_some() {
        writer.plan_file(&PlanFile {
            version: 1,
            plan: plan.clone(),
            sheets: told.sheets,
        })?;
    }
    let Some(earlier) = earlier else {
        return Ok(());
    };
    let (ground, figures) = changes::sums(&told.blocks);
    let is_there = |id: &String| batch.blocks.iter().any(|block| block.id == *id);
    let was_planned = |id: &String| earlier.blocks.contains_key(id);
    let (blocks, without): (Vec<BlockChange>, Vec<BlockChange>) =
        told.blocks.into_iter().partition(BlockChange::is_news);
    let printed = blocks
        .iter()
        .filter(|block| matches!(block.sheet, SheetNews::Anew | SheetNews::New));
    let found = Changes {
        version: 1,
        plan: plan.clone(),
        replaces: earlier.plan().cloned(),
        ground,
        figures,
        sheets_to_print: printed
            .map(|block| writer.sheet_file(&block.block_id))
            .collect(),
        sheets_replaced: (blocks.iter())
            .filter(|block| block.sheet == SheetNews::Anew)
            .map(|block| ReplacedSheet {
                block_id: block.block_id.clone(),
                plan: block.mark.as_ref().and_then(|mark| mark.replaces.clone()),
            })
            .collect(),
        blocks_without_news: without.len() as u64,
        blocks_gone: (earlier.blocks.keys())
            .filter(|id| !is_there(id))
            .cloned()
            .collect(),
        blocks_not_planned: (batch.blocks.iter())
            .map(|block| block.id.clone())
            .filter(|id| was_planned(id) && !told.planned.contains(id))
            .collect(),
        blocks,
    };
    writer.changes(&found, language)
}
