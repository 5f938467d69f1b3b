//! Which change of a raster is whose: of each piece what lies in a block is the block's, and what of it lies beside the block too
//! where most of the piece lies in it. Who cut beside a block a raster does not say.

use std::path::Path;

use geo::{MultiPolygon, Polygon};

use super::BatchError;
use super::audit::AuditOptions;
use super::audit_cut::Assigned;
use crate::audit::split::{inside_of, outside_of};
use crate::audit::{Certainty, CutInput, CutPiece, Neighbours, Screening, Stated, Together};
use crate::geometry::area::{Bounds, area, polygon_area};
use crate::geometry::overlay::oriented;
use crate::model::{Position, PositionKind};
use crate::sources::change::{ChangeOptions, ChangeRaster, ChangeReport, CutWhere};
use crate::sources::crs::WorkCrs;
use crate::sources::{Batch, InputFile};

/// A piece with this share of it in a block is the block's altogether.
const MOSTLY: f64 = 0.5;
/// Smaller pieces of change are left out unless the user says otherwise, m²: a setting of ours.
pub const LEAST_CHANGE_M2: f64 = 500.0;
const CONFIDENCE: f64 = 0.95;

/// Reads the raster that is judged, block by block.
///
/// # Errors
/// As [`ChangeRaster::open`] and [`ChangeRaster::of_block`].
pub fn assign(
    path: &Path,
    options: &AuditOptions,
    batch: &Batch,
    neighbours: &Neighbours,
) -> Result<(Assigned, ChangeReport, Vec<InputFile>), BatchError> {
    let asked = &options.change;
    let least_m2 = asked.least_m2.unwrap_or(LEAST_CHANGE_M2);
    let cut = match &asked.before {
        Some((before, least_m)) => CutWhere::HeightLoss {
            before: before.clone(),
            least_m: *least_m,
        },
        None => CutWhere::Classes(asked.classes.clone()),
    };
    let work = WorkCrs::new(&batch.crs)?;
    let mut raster = ChangeRaster::open(path, ChangeOptions { cut, least_m2 }, &work)?;
    let mut assigned = Assigned::empty(CutInput::Polygons, batch.blocks.len());
    for (index, block) in batch.blocks.iter().enumerate() {
        if !options.only.is_empty() && !options.only.contains(&block.id) {
            continue;
        }
        let seen = raster.of_block(block)?;
        let frame = &block.frame;
        let own = oriented(frame.enter_polygons(&block.shape)).0;
        let mut beside_m2 = 0.0;
        let mut pieces: Vec<Polygon> = vec![];
        for piece in &seen.polygons {
            let shape = MultiPolygon(vec![frame.enter_polygon(piece)]);
            let inside = inside_of(&shape, &own);
            if area(&inside) == 0.0 {
                continue;
            }
            let others = others_of(index, &shape, neighbours);
            let all: Vec<Polygon> = own.iter().chain(&others).cloned().collect();
            let outside = outside_of(&shape, &all);
            if area(&inside) >= MOSTLY * polygon_area(&shape.0[0]) {
                match others.is_empty() {
                    // In one piece: an overlay parts what lies on both sides of an outline.
                    true => pieces.extend(shape.0),
                    false => pieces.extend(outside_of(&shape, &others).0),
                }
            } else {
                beside_m2 += area(&outside);
                pieces.extend(inside.0);
            }
        }
        let cut = &mut assigned.cuts[index];
        cut.pieces = (pieces.into_iter())
            .map(|shape| CutPiece {
                shape: frame
                    .polygons_to_plane(&MultiPolygon(vec![shape]))
                    .0
                    .remove(0),
                kind: None,
                part: 0,
            })
            .collect();
        cut.screening = Some(Screening {
            known: seen.known,
            dropped: seen.dropped,
            least_m2,
            beside_m2,
        });
    }
    Ok((assigned, raster.report, raster.inputs))
}

/// Other blocks that a piece may lie in too, in the frame of its block.
fn others_of(index: usize, piece: &MultiPolygon, neighbours: &Neighbours) -> Vec<Polygon> {
    let frame = neighbours.frame(index);
    let bounds = Bounds::of_polygons(&frame.polygons_to_plane(piece));
    let near = neighbours.near(&bounds, 0.0).into_iter();
    let others = near.filter(|&other| other != index);
    let shapes = others.flat_map(|other| frame.enter_polygons(neighbours.shape(other)).0);
    oriented(MultiPolygon(shapes.collect())).0
}

/// What is known of where edges lie, from the size of cells.
pub fn certainty(report: &ChangeReport) -> Certainty {
    // Of no block a cell was seen: what nobody knows.
    let position = match report.cell_m > 0.0 {
        true => Position::Kind(PositionKind::Cell((report.cell_m * 1e3).round() / 1e3)),
        false => Position::Unknown,
    };
    Certainty::Stated(Stated {
        position,
        together: Together::Unstated,
        confidence: CONFIDENCE,
        source: format!("the cells of {}", report.source),
    })
}
