//! How much of an input is read at most: far above what real work brings (100,000 blocks beside 2 million streams of 40
//! million vertices are well within), and low enough that a file made to exhaust the machine is refused with a reason.

use super::errors::SourceError;
pub use crate::project::TEXT_FILE_BYTES;

const KIB: u64 = 1 << 10;
const MIB: u64 = 1 << 20;
const GIB: u64 = 1 << 30;

/// Of a file of layers, and of each file that belongs to it.
pub const LAYER_FILE_BYTES: u64 = 64 * GIB;
/// Of a file of tracks.
pub const TRACK_FILE_BYTES: u64 = 4 * GIB;
/// Of a file of a raster.
pub const RASTER_FILE_BYTES: u64 = 1024 * GIB;
/// Features of one layer, those that its filter leaves out not counted; of tracks, a fix a second for a year of shifts.
pub const LAYER_FEATURES: u64 = crate::project::MOST_FEATURES;
/// Vertices of one layer.
pub const LAYER_VERTICES: u64 = 500_000_000;
/// Vertices of one feature.
pub const FEATURE_VERTICES: u64 = 4_000_000;
/// Characters of an id, a class or the name of a portfolio.
pub const NAME_CHARACTERS: usize = 1_000;
/// Width of a feature, and of a fringe, that is believed: as much as a rulebook may ask for.
pub const FEATURE_WIDTH_M: f64 = crate::rulebook::read::MOST_WIDTH_M;
/// Cells of a raster, or of all tiles of a virtual one: a country in cells of a metre.
pub const RASTER_CELLS: u64 = 20_000_000_000_000;
/// Of what a raster can only be read by: a tile of it, or a strip of whole rows. Many small ones make no difference.
pub const RASTER_TILE_BYTES: u64 = GIB;
/// Virtual rasters of virtual rasters of ...
pub const VIRTUAL_LEVELS: usize = 4;
/// Files that a virtual raster names, and that those name in turn, each as often as it is named.
pub const VIRTUAL_FILES: usize = 20_000;
/// Of the text of a virtual raster.
pub const VIRTUAL_BYTES: u64 = 64 * MIB;
/// Of the description beside a raster (`.aux.xml`) or a table (`.tab`).
pub const DESCRIPTION_BYTES: u64 = 16 * MIB;
/// Of the report of a run, `run.json`.
pub const REPORT_FILE_BYTES: u64 = 256 * MIB;
/// Of a table that an earlier run wrote, and of a table of finished sections.
pub const TABLE_FILE_BYTES: u64 = 4 * GIB;

/// Of a file with this role.
pub(super) fn file_bytes(role: &str) -> u64 {
    match role {
        "terrain" => RASTER_FILE_BYTES,
        "tracks" => TRACK_FILE_BYTES,
        _ => LAYER_FILE_BYTES,
    }
}

/// Bytes as people write them.
pub(crate) fn bytes(count: u64) -> String {
    let whole = |unit: u64, name: &str| format!("{} {name}", count / unit);
    match count {
        0..KIB => format!("{count} bytes"),
        KIB..MIB => whole(KIB, "KiB"),
        MIB..GIB => whole(MIB, "MiB"),
        _ => whole(GIB, "GiB"),
    }
}

/// Counts what is read of one layer.
#[derive(Debug)]
pub(super) struct Tally<'a> {
    label: &'a str,
    role: &'static str,
    features: u64,
    vertices: u64,
}

impl<'a> Tally<'a> {
    pub fn new(label: &'a str, role: &'static str) -> Tally<'a> {
        Tally {
            label,
            role,
            features: 0,
            vertices: 0,
        }
    }

    fn too_much(&self, count: u64, most: u64, what: &str) -> SourceError {
        SourceError::TooMuch {
            whose: self.label.to_owned(),
            role: self.role,
            found: format!("{count} {what}"),
            most: most.to_string(),
        }
    }

    /// # Errors
    /// A layer that says of itself that it has more features than are read.
    pub fn claimed(&self, features: u64) -> Result<(), SourceError> {
        if features > LAYER_FEATURES {
            return Err(self.too_much(features, LAYER_FEATURES, "features"));
        }
        Ok(())
    }

    /// Counts one more feature with so many vertices.
    ///
    /// # Errors
    /// The layer has more by now than are read.
    pub fn add(&mut self, vertices: u64) -> Result<(), SourceError> {
        self.features += 1;
        self.vertices += vertices;
        if self.vertices > LAYER_VERTICES {
            return Err(self.too_much(self.vertices, LAYER_VERTICES, "vertices or more"));
        }
        if self.features > LAYER_FEATURES {
            return Err(self.too_much(self.features, LAYER_FEATURES, "features or more"));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_in_the_limit_passes_and_the_next_does_not() {
        let mut tally = Tally::new("a.gpkg:streams", "streams");
        tally.add(LAYER_VERTICES).unwrap();
        tally.add(0).unwrap();
        let text = tally.add(1).unwrap_err().to_string();
        assert!(
            text.contains("a.gpkg:streams (streams): it has 500000001 vertices"),
            "{text}"
        );
        let mut tally = Tally::new("a.gpkg:streams", "streams");
        tally.claimed(LAYER_FEATURES).unwrap();
        assert!(tally.claimed(LAYER_FEATURES + 1).is_err());
        tally.features = LAYER_FEATURES - 1;
        tally.add(2).unwrap();
        assert!(tally.add(2).is_err());
    }

    #[test]
    fn the_largest_real_use_is_far_within() {
        const { assert!(LAYER_FEATURES >= 5 * 2_000_000) };
        const { assert!(LAYER_VERTICES >= 10 * 40_000_000) };
    }

    #[test]
    fn bytes_are_written_in_whole_units() {
        for (count, text) in [
            (12, "12 bytes"),
            (TEXT_FILE_BYTES, "4 MiB"),
            (LAYER_FILE_BYTES, "64 GiB"),
            (2048, "2 KiB"),
        ] {
            assert_eq!(bytes(count), text);
        }
    }
}
