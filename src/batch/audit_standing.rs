//! What was found standing on ground that a file has as cut: clumps are taken out of the cut, single trees are kept beside it.

use std::path::Path;

use geo::{MultiPolygon, Polygon};

use super::BatchError;
use super::audit_cut::Assigned;
use crate::audit::ground::Ground;
use crate::audit::split::outside_of;
use crate::audit::{CutPiece, Neighbours, Stem};
use crate::geometry::area::Bounds;
use crate::geometry::overlay::oriented;
use crate::model::Problem;
use crate::sources::{Batch, InputFile, read_standing};

/// What was read, beside what it did to the cut.
pub struct Standing {
    pub inputs: Vec<InputFile>,
    pub problems: Vec<Problem>,
}

/// Reads the file and takes what stands out of the cut of each block.
///
/// # Errors
/// A file, layer or CRS that cannot be read.
pub fn leave(
    path: &Path,
    batch: &Batch,
    neighbours: &Neighbours,
    assigned: &mut Assigned,
) -> Result<Standing, BatchError> {
    let read = read_standing(path, &batch.crs)?;
    for (index, block) in batch.blocks.iter().enumerate() {
        let frame = &block.frame;
        let cut = &mut assigned.cuts[index];
        let mut bounds = Bounds::of_polygons(&block.shape);
        for piece in &cut.pieces {
            piece
                .shape
                .exterior()
                .0
                .iter()
                .for_each(|&at| bounds.add(at));
        }
        let near = |own: &&Polygon| Bounds::of(&own.exterior().0).meets(&bounds);
        let clumps: Vec<Polygon> = (read.clumps.iter().filter(near))
            .map(|own| frame.enter_polygon(own))
            .collect();
        let clumps = oriented(MultiPolygon(clumps)).0;
        if !clumps.is_empty() {
            cut.pieces = (cut.pieces.drain(..))
                .flat_map(|piece| {
                    let shape = MultiPolygon(vec![frame.enter_polygon(&piece.shape)]);
                    let left = frame.polygons_to_plane(&outside_of(&shape, &clumps));
                    let piece = move |shape| CutPiece {
                        shape,
                        kind: piece.kind,
                        part: piece.part,
                    };
                    left.0.into_iter().map(piece)
                })
                .collect();
        }
        let ground = Ground::new(frame.enter_polygons(neighbours.shape(index)).0);
        let stems = read.stems.iter();
        let stems = stems.filter(|(at, _)| ground.holds(frame.enter(*at)));
        cut.stems = Some(stems.map(|&(at, trees)| Stem { at, trees }).collect());
    }
    Ok(Standing {
        inputs: read.inputs,
        problems: read.problems,
    })
}
