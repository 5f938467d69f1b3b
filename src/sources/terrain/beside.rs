//! What lies beside a raster and is opened with it: a mask, overviews, a description. GDAL opens these with any driver it
//! has, so a mask might be a virtual raster that names any place.

use std::fs::File;
use std::io::Read;

use super::super::errors::SourceError;
use super::super::limits::{self, DESCRIPTION_BYTES};
use super::super::plain::{self, with_ending};
use super::errors::TerrainError;
use crate::project::TerrainFile;

/// Beginnings of a TIFF, either order of bytes, classic or big.
const TIFF: [&[u8; 4]; 4] = [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"];

pub(super) fn refused(file: &TerrainFile, why: &str) -> SourceError {
    TerrainError::Beside {
        file: file.source.clone(),
        why: why.to_owned(),
    }
    .into()
}

/// # Errors
/// A mask or overviews that are no TIFF, or a description that is too long.
pub(super) fn check(file: &TerrainFile) -> Result<(), SourceError> {
    for ending in [".msk", ".MSK", ".ovr", ".OVR", ".msk.ovr"] {
        let Ok(opened) = File::open(with_ending(&file.path, ending)) else {
            continue;
        };
        let mut head = Vec::new();
        let read = opened.take(4).read_to_end(&mut head);
        if read.is_err() || !TIFF.iter().any(|mark| head == mark.as_slice()) {
            let name = ending.to_lowercase();
            return Err(refused(file, &format!("the `{name}` beside it is no TIFF")));
        }
    }
    let description = with_ending(&file.path, ".aux.xml");
    if description.is_file() && plain::open(&description, DESCRIPTION_BYTES).is_err() {
        let most = limits::bytes(DESCRIPTION_BYTES);
        return Err(refused(
            file,
            &format!("the `.aux.xml` beside it is longer than {most}, or cannot be read"),
        ));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn masks_and_overviews_are_tiffs() {
        let folder = tempfile::tempdir().unwrap();
        let file = TerrainFile {
            path: folder.path().join("dem.tif"),
            source: "dem.tif".to_owned(),
        };
        check(&file).unwrap();
        std::fs::write(with_ending(&file.path, ".msk"), b"II*\0and more").unwrap();
        check(&file).unwrap();
        std::fs::write(with_ending(&file.path, ".msk"), "<VRTDataset/>").unwrap();
        let text = check(&file).unwrap_err().to_string();
        assert!(text.contains("`.msk` beside it"), "{text}");
    }
}
