//! What an earlier plan did not know: notes of the field that came after its strips were laid.

use crate::model::{NoteFate, SourceBlock};
use crate::sources::{Batch, EarlierLayout};

/// Tells every block which notes came later. In blocks of which some is cut, strips of the earlier plan keep their names then.
pub fn mark(batch: &mut Batch, earlier: &EarlierLayout) {
    let notes = &batch.notes;
    for block in &mut batch.blocks {
        let Some(before) = earlier.blocks.get(&block.id) else {
            continue;
        };
        let used = notes
            .iter()
            .enumerate()
            .filter(|(_, note)| note.fate == NoteFate::Used);
        let later = used.filter(|(_, note)| {
            let key = (note.source_layer.clone(), note.id.clone());
            before.notes.get(&key).is_none_or(|&came_later| came_later)
        });
        let later: Vec<usize> = later.map(|(at, _)| at).collect();
        let adds = later.iter().flat_map(|&at| &notes[at].edges);
        let adds = adds.filter(|edge| edge.block == block.id && edge.gained_m2 > ADDED_M2);
        block.came_later.anew = match before_all(block, &later) {
            _ if adds.count() > 0 => Some("a note adds ground to the block"),
            Err(()) => Some("an edge that the earlier plan knew was moved again"),
            Ok(outline) => {
                block.came_later.shape = outline;
                None
            }
        };
        if block.came_later.anew.is_some() {
            continue;
        }
        let keys = later
            .iter()
            .map(|&at| (notes[at].source_layer.clone(), notes[at].id.clone()));
        block.came_later.notes = keys.collect();
    }
}

/// Less is what rounding leaves along a moved edge.
const ADDED_M2: f64 = 0.5;

/// The outline before any of some notes; None: none of them changed it.
fn before_all(block: &SourceBlock, later: &[usize]) -> Result<Option<geo::MultiPolygon>, ()> {
    let Some(first) = block.outlines.iter().position(|(at, _)| later.contains(at)) else {
        return Ok(None);
    };
    let rest = &block.outlines[first..];
    match rest.iter().all(|(at, _)| later.contains(at)) {
        true => Ok(Some(rest[0].1.clone())),
        false => Err(()),
    }
}
