//! Elevation rasters that name others, run code, or claim to be larger than any machine.

use std::fs;
use std::path::Path;

use gdal::DriverManager;
use gdal::raster::RasterCreationOptions;

use super::paths::terrain_from;
use super::run_binary::write;
use super::{Row, check_all};

/// 30 by 30 cells of 50 m around the small project's blocks.
pub fn grid(folder: &Path, name: &str) {
    let row = "100 ".repeat(30);
    let text = format!(
        "ncols 30\nnrows 30\nxllcorner 499600\nyllcorner 5399600\ncellsize 50\nNODATA_value -9999\n{}",
        format!("{row}\n").repeat(30)
    );
    write(folder, name, &text);
}

fn mosaic(name: &str) -> String {
    format!(
        "<VRTDataset rasterXSize=\"30\" rasterYSize=\"30\"><GeoTransform>499600, 50, 0, 5401100, 0, -50</GeoTransform>\
         <VRTRasterBand dataType=\"Float32\" band=\"1\"><SimpleSource><SourceFilename relativeToVRT=\"1\">{name}\
         </SourceFilename><SourceBand>1</SourceBand><SrcRect xOff=\"0\" yOff=\"0\" xSize=\"30\" ySize=\"30\" />\
         <DstRect xOff=\"0\" yOff=\"0\" xSize=\"30\" ySize=\"30\" /></SimpleSource></VRTRasterBand></VRTDataset>"
    )
}

/// A virtual raster beside a sound tile.
fn virtual_raster(folder: &Path, text: &str) {
    terrain_from(folder, "dem.vrt");
    grid(folder, "tile.asc");
    write(folder, "dem.vrt", text);
}

/// A TIFF of bytes without a single tile in it.
fn empty_tiff(folder: &Path, side: usize, tile: usize) {
    terrain_from(folder, "dem.tif");
    let tile = format!("={tile}");
    let options: Vec<String> = ["SPARSE_OK=TRUE", "TILED=YES", "BIGTIFF=YES"]
        .map(str::to_owned)
        .into_iter()
        .chain([format!("BLOCKXSIZE{tile}"), format!("BLOCKYSIZE{tile}")])
        .collect();
    let options = RasterCreationOptions::from_iter(options.iter().map(String::as_str));
    let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
    let path = folder.join("dem.tif");
    let mut made = driver
        .create_with_band_type_with_options::<u8, _>(&path, side, side, 1, &options)
        .unwrap();
    made.set_geo_transform(&[499_000.0, 0.01, 0.0, 5_401_000.0, 0.0, -0.01])
        .unwrap();
    made.close().unwrap();
}

const ROWS: &[Row] = &[
    Row::harmless(
        "a virtual raster of a plain one beside it",
        "read",
        |folder| virtual_raster(folder, &mosaic("tile.asc")),
        |folder, _| {
            let report = fs::read_to_string(folder.join("out/run.json")).unwrap();
            assert!(report.contains("\"tile.asc\""), "it is among the inputs");
        },
    ),
    Row::harmless(
        "a virtual raster of a plain one in the folder above",
        "read as any raster that the project might name, and listed with its sum among the inputs",
        |folder| {
            terrain_from(folder, "inner/dem.vrt");
            grid(folder, "tile.asc");
            fs::create_dir(folder.join("inner")).unwrap();
            write(folder, "inner/dem.vrt", &mosaic("../tile.asc"));
        },
        |folder, _| {
            let report = fs::read_to_string(folder.join("out/run.json")).unwrap();
            assert!(report.contains("\"inner/../tile.asc\""), "it is among the inputs");
        },
    ),
    Row::refused(
        "a virtual raster that names a file by its whole path",
        "exit 2: not named relative to the virtual raster",
        |folder| virtual_raster(folder, &mosaic("/etc/dem.tif")),
        &["dem.vrt", "not named relative to the virtual raster"],
    ),
    Row::refused(
        "a virtual raster that names a place on the network",
        "exit 2: no plain file",
        |folder| virtual_raster(folder, &mosaic("/vsicurl/http://127.0.0.1:9/a.tif")),
        &["is no plain file"],
    ),
    Row::refused(
        "a virtual raster with code in Python",
        "exit 2: not understood",
        |folder| {
            let code = "<PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python</PixelFunctionLanguage>\
                        <SimpleSource>";
            virtual_raster(folder, &mosaic("tile.asc").replacen("<SimpleSource>", code, 1));
        },
        &["<PixelFunctionType> in it is not understood"],
    )
    .with(&[("GDAL_VRT_ENABLE_PYTHON", "YES")]),
    Row::refused(
        "a virtual raster that takes the bytes of any file for cells",
        "exit 2: not understood",
        |folder| {
            let raw = "band=\"1\" subClass=\"VRTRawRasterBand\"";
            virtual_raster(folder, &mosaic("tile.asc").replace("band=\"1\"", raw));
        },
        &["`subClass`, which is not understood"],
    ),
    Row::refused(
        "a virtual raster of itself",
        "exit 2: it names itself",
        |folder| virtual_raster(folder, &mosaic("dem.vrt")),
        &["it names itself"],
    ),
    Row::refused(
        "virtual rasters nested five deep",
        "exit 2: nested too deep",
        |folder| {
            virtual_raster(folder, &mosaic("1.vrt"));
            for level in 1..5 {
                let next = match level {
                    4 => "tile.asc".to_owned(),
                    _ => format!("{}.vrt", level + 1),
                };
                write(folder, &format!("{level}.vrt"), &mosaic(&next));
            }
        },
        &["nested more than 4 deep"],
    ),
    Row::refused(
        "a virtual raster that names another 200 times, which names a tile 200 times",
        "exit 2: more files than are read",
        |folder| {
            let often = |name: &str| {
                let text = mosaic(name);
                let start = text.find("<SimpleSource>").unwrap();
                let end = text.find("</VRTRasterBand>").unwrap();
                text[..start].to_owned() + &text[start..end].repeat(200) + &text[end..]
            };
            virtual_raster(folder, &often("inner.vrt"));
            write(folder, "inner.vrt", &often("tile.asc"));
        },
        &["it names more than 20000 files"],
    ),
    Row::refused(
        "a virtual raster with XML entities that multiply",
        "exit 2: no sound XML",
        |folder| {
            let bomb = "<!DOCTYPE a [<!ENTITY a \"aaaaaaaaaa\"><!ENTITY b \"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;\">]>";
            virtual_raster(folder, &(bomb.to_owned() + &mosaic("&b;")));
        },
        &["no sound XML"],
    ),
    Row::refused(
        "a mask beside a raster that is a virtual raster of a place on the network",
        "exit 2: the mask is no TIFF",
        |folder| {
            terrain_from(folder, "dem.asc");
            grid(folder, "dem.asc");
            write(folder, "dem.asc.msk", &mosaic("/vsicurl/http://127.0.0.1:9/a.tif"));
        },
        &["the `.msk` beside it is no TIFF"],
    ),
    Row::refused(
        "overviews that are said to lie in another file",
        "exit 2: not read",
        |folder| {
            terrain_from(folder, "dem.asc");
            grid(folder, "dem.asc");
            let text = "<PAMDataset><Metadata domain=\"OVERVIEWS\"><MDI key=\"OVERVIEW_FILE\">/etc/passwd</MDI></Metadata>\
                        </PAMDataset>";
            write(folder, "dem.asc.aux.xml", text);
        },
        &["its overviews are said to lie in another file"],
    ),
    Row::harmless(
        "a plain raster without statistics",
        "read; no `.aux.xml` appears beside it",
        |folder| {
            terrain_from(folder, "dem.asc");
            grid(folder, "dem.asc");
        },
        |folder, _| assert!(!folder.join("dem.asc.aux.xml").exists()),
    ),
    Row::refused(
        "a TIFF of a few KB that claims 5,000,000 by 5,000,000 cells",
        "exit 2: more cells than are read",
        |folder| empty_tiff(folder, 5_000_000, 32_768),
        &["dem.tif (terrain): it has 5000000 by 5000000 cells"],
    ),
    Row::refused(
        "a TIFF that can only be read by tiles of 40,000 by 40,000 cells",
        "exit 2: larger tiles than are read",
        |folder| empty_tiff(folder, 40_000, 40_000),
        &["it has tiles of 40000 by 40000 cells, and 1 GiB are read"],
    ),
    Row::refused(
        "a text grid that claims 2,000,000,000 by 2,000,000,000 cells",
        "exit 2",
        |folder| {
            terrain_from(folder, "dem.asc");
            let text = "ncols 2000000000\nnrows 2000000000\nxllcorner 0\nyllcorner 0\ncellsize 1\n1 2 3\n";
            write(folder, "dem.asc", text);
        },
        &["dem.asc (terrain)"],
    ),
    Row::refused(
        "a bare grid of 4 bytes that claims 2,000,000,000 by 2,000,000,000 cells",
        "exit 2",
        |folder| {
            terrain_from(folder, "dem.bil");
            write(folder, "dem.bil", "abcd");
            let text = "NROWS 2000000000\nNCOLS 2000000000\nNBANDS 1\nNBITS 32\nPIXELTYPE FLOAT\nULXMAP 0\nULYMAP 0\nXDIM 1\nYDIM 1\n";
            write(folder, "dem.hdr", text);
        },
        &["dem.bil (terrain)"],
    ),
];

pub fn rows() -> &'static [Row] {
    ROWS
}

#[test]
fn rasters() {
    check_all(ROWS);
}
