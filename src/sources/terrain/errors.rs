//! What can be wrong with an elevation raster, so that no slope can be read from it at all.

use super::DRIVERS;

/// `Display` gives file, what is wrong and, on a line of its own, what to do.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum TerrainError {
    #[error(
        "{file} (terrain): the raster cannot be read: {message}\n  hint: these formats are read: {formats}; write the \
         file anew or name another one",
        formats = DRIVERS.join(", ")
    )]
    Unreadable { file: String, message: String },
    #[error(
        "{file} (terrain): it has no band {band}; it has {bands}\n  hint: correct `band` under [layers.terrain]"
    )]
    NoBand {
        file: String,
        band: usize,
        bands: usize,
    },
    #[error(
        "{file} (terrain): the raster does not say where its cells lie\n  hint: write it anew with its georeference"
    )]
    NoPlace { file: String },
    #[error(
        "{file} (terrain): the raster names no CRS\n  hint: set `crs = \"EPSG:...\"` under [layers.terrain]"
    )]
    NoCrs { file: String },
    #[error(
        "{file} (terrain): its elevations are in `{unit}`, which is not understood\n  hint: set `vertical_unit` under \
         [layers.terrain] to \"m\" or \"ft\""
    )]
    VerticalUnit { file: String, unit: String },
    #[error(
        "{first} and {second} (terrain): they are no tiles of one raster: {what}\n  hint: bring them to one grid, or name \
         one of them only"
    )]
    TilesDiffer {
        first: String,
        second: String,
        what: String,
    },
    #[error(
        "{file} (terrain): cells of {native_m} m cannot be averaged to {cell_m} m: more than {most} by {most} in one\n  hint: \
         check the CRS of the raster, or set a smaller `cell` under [layers.terrain]"
    )]
    CellTooSmall {
        file: String,
        native_m: f64,
        cell_m: f64,
        most: usize,
    },
    #[error(
        "{file} (terrain): the virtual raster is not read: {why}\n  hint: name the tiles themselves: `source = [\"a.tif\", \
         \"b.tif\"]` under [layers.terrain]"
    )]
    VirtualRaster { file: String, why: String },
    #[error(
        "{file} (terrain): the raster is not read: {why}\n  hint: remove what lies beside it, or write it anew as a plain \
         raster"
    )]
    Beside { file: String, why: String },
    #[error(
        "{file} (terrain): no transformation from {from} to {to}: {message}\n  hint: check `crs` under [layers.terrain] and \
         [project]"
    )]
    NoTransform {
        file: String,
        from: String,
        to: String,
        message: String,
    },
    #[error("{0}\n  hint: the file is damaged; write it anew")]
    ReadingStopped(String),
}

impl TerrainError {
    /// A stable short name for the reason.
    pub fn code(&self) -> &'static str {
        match self {
            TerrainError::Unreadable { .. } => "unreadable-file",
            TerrainError::NoBand { .. } => "missing-band",
            TerrainError::NoPlace { .. } => "no-georeference",
            TerrainError::NoCrs { .. } => "no-crs",
            TerrainError::VerticalUnit { .. } => "vertical-unit",
            TerrainError::TilesDiffer { .. } => "tiles-differ",
            TerrainError::CellTooSmall { .. } => "cell-too-small",
            TerrainError::VirtualRaster { .. } => "virtual-raster",
            TerrainError::Beside { .. } => "forbidden-path",
            TerrainError::NoTransform { .. } => "no-transform",
            TerrainError::ReadingStopped(_) => "reading-stopped",
        }
    }
}
