//! How much of the blocks' ground has a known slope.

use geo::{Coord, MultiPolygon, Polygon};

use super::super::errors::SourceError;
use super::RasterTerrain;
use super::errors::TerrainError;
use crate::geometry::area::{Bounds, area};
use crate::geometry::distance::inside;
use crate::geometry::overlay::{difference, oriented};
use crate::geometry::terrain::Terrain;
use crate::model::{Feature, LayerKind, Problem, ProblemCode, Shape, SourceBlock};

/// Counted by cells of the slope grid whose centre lies in a block.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct Coverage {
    pub blocks: usize,
    /// Slope known everywhere.
    pub whole: usize,
    /// Slope known nowhere.
    pub none: usize,
    /// Share of the ground of all blocks whose slope is known, 0 to 1.
    pub share: f64,
    /// First block whose slope is not known everywhere.
    pub first_short: Option<String>,
}

impl RasterTerrain {
    /// Reads the elevations of every block.
    ///
    /// # Errors
    /// When reading stops.
    pub fn coverage(&self, blocks: &[SourceBlock]) -> Result<Coverage, SourceError> {
        let mut coverage = Coverage {
            blocks: blocks.len(),
            ..Coverage::default()
        };
        let (mut known, mut all) = (0usize, 0usize);
        for block in blocks {
            let (block_known, block_all) =
                self.known(block).map_err(TerrainError::ReadingStopped)?;
            known += block_known;
            all += block_all;
            coverage.whole += usize::from(block_known == block_all);
            coverage.none += usize::from(block_known == 0);
            if block_known < block_all && coverage.first_short.is_none() {
                coverage.first_short = Some(block.id.clone());
            }
        }
        coverage.share = if all == 0 {
            0.0
        } else {
            known as f64 / all as f64
        };
        Ok(coverage)
    }

    /// Known and all cells of a block; a block between the centres has the cell of its middle.
    fn known(&self, block: &SourceBlock) -> Result<(usize, usize), String> {
        let bounds = Bounds::of_polygons(&block.shape);
        let step = self.report.cell_m;
        let slopes = self.window(&bounds)?;
        let is_known = |c: Coord| slopes.as_ref().is_some_and(|slopes| slopes.at(c).is_some());
        let corner = slopes.as_ref().map_or(bounds.min, |s| s.bounds().min);
        let first = |from: f64, corner: f64| ((from - corner) / step - 0.5).ceil();
        let (mut known, mut all) = (0, 0);
        let mut row = first(bounds.min.y, corner.y);
        loop {
            let y = corner.y + (row + 0.5) * step;
            if y > bounds.max.y {
                break;
            }
            let mut column = first(bounds.min.x, corner.x);
            loop {
                let x = corner.x + (column + 0.5) * step;
                if x > bounds.max.x {
                    break;
                }
                let centre = Coord { x, y };
                if inside(centre, &block.shape) {
                    all += 1;
                    known += usize::from(is_known(centre));
                }
                column += 1.0;
            }
            row += 1.0;
        }
        if all == 0 {
            let middle = (bounds.min + bounds.max) / 2.0;
            return Ok((usize::from(is_known(middle)), 1));
        }
        Ok((known, all))
    }
}

impl Coverage {
    /// A note when some ground has no known slope.
    pub fn problem(&self, terrain: &RasterTerrain) -> Option<Problem> {
        let first = self.first_short.as_ref()?;
        let message = if self.none == self.blocks {
            "the raster tells no slope of any block".to_owned()
        } else {
            format!(
                "the slope is not known everywhere in {} of {} blocks, from this one on; in {} it is known nowhere",
                self.blocks - self.whole,
                self.blocks,
                self.none
            )
        };
        Some(note(terrain, first, message))
    }
}

/// The same from the raster's extent alone, without reading.
pub(in crate::sources) fn off_raster(
    terrain: &RasterTerrain,
    blocks: &[SourceBlock],
) -> Option<Problem> {
    let off = |block: &&SourceBlock| !terrain.reaches(&Bounds::of_polygons(&block.shape));
    let first = blocks.iter().find(off)?;
    let count = blocks.iter().filter(off).count();
    let message = if count == blocks.len() {
        "the raster does not reach to any block".to_owned()
    } else {
        format!(
            "the raster does not reach to {count} of {} blocks, from this one on",
            blocks.len()
        )
    };
    Some(note(terrain, &first.id, message))
}

/// Ground that slope classes leave out below this is dust of the overlay.
const LEAST_GAP_M2: f64 = 1.0;

/// A note on blocks of whose ground nobody says how steep it is, where the project names no elevation raster.
pub fn unclassed(blocks: &[SourceBlock], features: &[Feature]) -> Option<Problem> {
    let classes: Vec<(Bounds, &MultiPolygon)> = (features.iter())
        .filter(|feature| feature.kind == LayerKind::SlopeClasses && feature.slope.is_some())
        .filter_map(|feature| match &feature.shape {
            Shape::Polygons(polygons) => Some((Bounds::of_polygons(polygons), polygons)),
            _ => None,
        })
        .collect();
    let short = |block: &&SourceBlock| {
        let bounds = Bounds::of_polygons(&block.shape);
        let near = classes.iter().filter(|(own, _)| own.meets(&bounds));
        let near: Vec<Polygon> = near.flat_map(|(_, polygons)| polygons.0.clone()).collect();
        let near = oriented(MultiPolygon(near)).0;
        area(&difference(&block.shape, &near)) > LEAST_GAP_M2
    };
    let found: Vec<&SourceBlock> = blocks.iter().filter(short).collect();
    let first = found.first()?;
    let message = if classes.is_empty() {
        "the project names no elevation raster and no slope classes, so nobody knows how steep any ground is: all of it but \
         cleared roads is worked by day only"
            .to_owned()
    } else {
        format!(
            "in {} of {} blocks, from this one on, slope classes leave ground out, and no elevation raster is named: it is \
             worked by day only",
            found.len(),
            blocks.len()
        )
    };
    Some(Problem {
        code: ProblemCode::UnknownSlope,
        layer: LayerKind::SlopeClasses.key().to_owned(),
        feature_id: first.id.clone(),
        place: None,
        message,
        remedy: "name an elevation raster under [layers.terrain], or slope classes that cover the blocks; where the ground is \
                 level, `level_ground` under [layout] may say so, with the place where that is written"
            .to_owned(),
        shape: None,
        set_aside: false,
    })
}

fn note(terrain: &RasterTerrain, block: &str, message: String) -> Problem {
    Problem {
        code: ProblemCode::UnknownSlope,
        layer: terrain.report.sources.join(", "),
        feature_id: block.to_owned(),
        place: None,
        message,
        remedy: "name a raster that covers the blocks, or further tiles, as `source` under [layers.terrain]; check its \
                 CRS"
        .to_owned(),
        shape: None,
        set_aside: false,
    }
}
