//! Whether a raster can be read wherever blocks lie, told before any of them is laid out: what is damaged is damaged for
//! every command, and for one block as for all.

use geo::Coord;

use super::super::errors::SourceError;
use super::mosaic::Window;
use super::{Grid, RasterTerrain};
use crate::geometry::area::Bounds;

/// Averaged cells around a box: neighbours for the slope, and for the cells between which a place lies.
const AROUND: f64 = 3.0;
/// Places along each side of a box that are looked up in the raster's CRS.
const STEPS: u32 = 4;
/// Boxes looked up at once.
const CHUNK: usize = 1024;

impl RasterTerrain {
    /// Reads every piece of the rasters that meets one of the boxes, each once.
    ///
    /// # Errors
    /// The first that cannot be read.
    pub fn try_read(&self, boxes: &[Bounds]) -> Result<(), SourceError> {
        let mosaic = self.mosaic.lock().unwrap_or_else(|held| held.into_inner());
        let mut pieces = std::collections::BTreeSet::new();
        for chunk in boxes.chunks(CHUNK) {
            pieces.extend(mosaic.pieces(&self.windows(chunk))?);
        }
        mosaic.try_read(&pieces)?;
        Ok(())
    }

    /// Whether everything that was asked for since it was opened could be read.
    ///
    /// # Errors
    /// What could not.
    pub fn was_read(&self) -> Result<(), SourceError> {
        let stopped = self.stopped.lock().unwrap_or_else(|held| held.into_inner());
        stopped.clone().map_or(Ok(()), |error| Err(error.into()))
    }

    /// Boxes in the work CRS as averaged cells; those that lie off the raster are left out.
    fn windows(&self, boxes: &[Bounds]) -> Vec<Window> {
        let grid = (0..=STEPS).flat_map(|i| (0..=STEPS).map(move |j| (i, j)));
        let part = |step: u32| f64::from(step) / f64::from(STEPS);
        let outline: Vec<Coord> = boxes
            .iter()
            .flat_map(|own| {
                grid.clone().map(|(i, j)| Coord {
                    x: own.min.x + (own.max.x - own.min.x) * part(i),
                    y: own.min.y + (own.max.y - own.min.y) * part(j),
                })
            })
            .collect();
        let places: Vec<(f64, f64)> = match &self.grid {
            Grid::Own { .. } => (outline.iter())
                .map(|place| self.affine.column_and_row(*place))
                .collect(),
            // Where there is no way to the raster there is nothing to be read either.
            Grid::Work { way, .. } => way.to_raster(self.affine, &outline).unwrap_or_default(),
        };
        let each = ((STEPS + 1) * (STEPS + 1)) as usize;
        places
            .chunks(each)
            .filter_map(|places| {
                let all =
                    |of: fn(&(f64, f64)) -> f64| places.iter().map(of).filter(|v| v.is_finite());
                let ends = |of: fn(&(f64, f64)) -> f64| {
                    let low = all(of).reduce(f64::min)?;
                    let high = all(of).reduce(f64::max)?;
                    // Edges bend between the places.
                    let more = AROUND + (high - low) / 16.0;
                    Some(((low - more).floor() as i64, (high + more).ceil() as i64))
                };
                let ((left, right), (top, bottom)) = (ends(|p| p.0)?, ends(|p| p.1)?);
                Some(((left, top), (right, bottom)))
            })
            .collect()
    }
}
