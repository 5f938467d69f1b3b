//! What rasters of stems, volume and height tell of a piece of ground.

use geo::MultiPolygon;

use super::GroundFrame;

/// A mean over a piece of ground, each cell weighted by the share of it that lies there.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct RasterMean {
    /// Of the ground of which the raster knows it; 0 where it knows nothing. Of heights the mean itself.
    pub per_ha: f64,
    /// Share of the ground of which the raster knows it, 0 to 1.
    pub known: f64,
}

/// None: the project names no such raster.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct StandMeans {
    pub stems: Option<RasterMean>,
    pub volume_m3: Option<RasterMean>,
    /// Mean height of the trees, m; not per hectare.
    pub height_m: Option<RasterMean>,
}

impl StandMeans {
    /// The least that any raster knows of the ground, as a share of it.
    pub fn known(&self) -> f64 {
        let all = [self.stems, self.volume_m3, self.height_m];
        all.into_iter()
            .flatten()
            .map(|mean| mean.known)
            .fold(1.0, f64::min)
    }
}

/// Where rasters of stands are read from.
pub trait StandSource: Sync {
    /// For ground in the frame of a block.
    fn of_block<'s>(&'s self, frame: &'s GroundFrame) -> Box<dyn StandGround + 's>;

    /// The files, in words.
    fn names(&self) -> String;
}

/// The rasters as seen from one block.
pub trait StandGround {
    /// Of ground in the block's frame. What could not be read is unknown here; the source tells that it stopped.
    fn means(&self, ground: &MultiPolygon) -> StandMeans;
}
