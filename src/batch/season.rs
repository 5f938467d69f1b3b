//! Which blocks of a season a run did not lay out, so that no portfolio is judged as if it were whole.

use std::collections::BTreeSet;

use crate::compliance::Season;
use crate::model::{LayerKind, Problem, SourceBlock};
use crate::sources::Batch;

/// Counts blocks that were not chosen, blocks that could not be laid out, and features of the blocks layers that could
/// not be read as blocks.
pub fn leave_out(
    season: &mut Season,
    batch: &Batch,
    chosen: &[&SourceBlock],
    problems: &[Problem],
) {
    let layers: BTreeSet<&str> = (batch.layers.iter())
        .filter(|layer| layer.role == LayerKind::Blocks.key())
        .map(|layer| layer.source_layer.as_str())
        .collect();
    let set_aside =
        |problems: &&Problem| problems.set_aside && layers.contains(problems.layer.as_str());
    let unread = batch.problems.iter().filter(set_aside).count();
    season.leave_out_unread(unread as u64);
    // Problems of the run stand behind those of the reading.
    let refused = problems[batch.problems.len()..].iter().filter(set_aside);
    let refused: BTreeSet<&str> = refused.map(|problem| problem.feature_id.as_str()).collect();
    let chosen: BTreeSet<&str> = chosen.iter().map(|block| block.id.as_str()).collect();
    for block in &batch.blocks {
        let id = block.id.as_str();
        if !chosen.contains(id) || refused.contains(id) {
            season.leave_out(block.portfolio.as_deref());
        }
    }
}
