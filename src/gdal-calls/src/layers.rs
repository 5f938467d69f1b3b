//! What a layer says of itself.

use gdal::vector::{Layer, LayerAccess};

use crate::text;

/// Name of the column that numbers the features; empty where there is none.
pub fn fid_column(layer: &Layer<'_>) -> String {
    // SAFETY: only read off for the next call; the layer lives as long as the borrow.
    let handle = unsafe { layer.c_layer() };
    // SAFETY: a valid layer; returns null or a string of the layer, copied at once.
    unsafe { text(gdal_sys::OGR_L_GetFIDColumn(handle)) }.unwrap_or_default()
}

/// Which fields hold yes and no, by their place in the layer.
pub fn yes_no_fields(layer: &Layer<'_>) -> Vec<bool> {
    // SAFETY: only read off for the next call; the layer lives as long as the borrow.
    let handle = unsafe { layer.c_layer() };
    // SAFETY: a valid layer; its definition lives as long as the layer and is not changed here.
    let definition = unsafe { gdal_sys::OGR_L_GetLayerDefn(handle) };
    // SAFETY: a valid definition.
    let count = unsafe { gdal_sys::OGR_FD_GetFieldCount(definition) };
    (0..count)
        .map(|index| {
            // SAFETY: a valid definition, and an index below its count; the field belongs to the definition.
            let field = unsafe { gdal_sys::OGR_FD_GetFieldDefn(definition, index) };
            if field.is_null() {
                return false;
            }
            // SAFETY: a valid field of the definition.
            let kind = unsafe { gdal_sys::OGR_Fld_GetSubType(field) };
            kind == gdal_sys::OGRFieldSubType::OFSTBoolean
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use gdal::Dataset;

    #[test]
    fn yes_and_no_are_told_from_numbers() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("flags.geojson");
        std::fs::write(
            &path,
            r#"{"type":"FeatureCollection","features":[{"type":"Feature","geometry":null,
                "properties":{"number":1,"open":true,"name":"a"}}]}"#,
        )
        .unwrap();
        let dataset = Dataset::open(&path).unwrap();
        let layer = dataset.layer(0).unwrap();
        assert_eq!(yes_no_fields(&layer), [false, true, false]);
        assert_eq!(fid_column(&layer), "");
    }
}
