//! Elevation rasters: slopes as GDAL's own, the same from every window and thread, tiles and virtual rasters, and what
//! is refused.

use crate::sources_support;

use std::path::{Path, PathBuf};

use blockwright::geometry::area::Bounds;
use blockwright::geometry::terrain::{SlopeGrid, Terrain};
use blockwright::model::{GroundFrame, LayerKind, SourceBlock};
use blockwright::project::{TerrainFile, TerrainSource};
use blockwright::sources::crs::{WorkCrs, parse_crs};
use blockwright::sources::{self, RasterTerrain, SourceError};
use blockwright::units::{FOOT_M, LengthUnit};
use gdal::programs::raster::build_vrt;
use gdal::raster::processing::dem::{self, SlopeOptions};
use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::{Dataset, DriverManager};
use geo::{Coord, MultiPolygon};
use sources_support::{fields, project, shared, source};
use tempfile::TempDir;

const UTM: &str = "EPSG:32616";
const LEFT: f64 = 500_000.0;
const TOP: f64 = 5_100_000.0;

/// A GeoTIFF with its upper-left corner `(left, top)`; -9999 is unknown.
struct Dem<'a> {
    crs: Option<&'a str>,
    transform: [f64; 6],
    size: (usize, usize),
    unit: Option<&'a str>,
    nodata: Option<f64>,
}

impl Dem<'_> {
    fn upright(cell: f64, columns: usize, rows: usize) -> Dem<'static> {
        Dem {
            crs: Some(UTM),
            transform: [LEFT, cell, 0.0, TOP, 0.0, -cell],
            size: (columns, rows),
            unit: None,
            nodata: Some(-9999.0),
        }
    }

    /// `z` of a cell's centre.
    fn write(&self, path: &Path, z: impl Fn(Coord) -> f64) {
        let driver = DriverManager::get_driver_by_name("GTiff").unwrap();
        let options =
            RasterCreationOptions::from_iter(["TILED=YES", "BLOCKXSIZE=64", "BLOCKYSIZE=64"]);
        let (columns, rows) = self.size;
        let mut dataset = driver
            .create_with_band_type_with_options::<f32, _>(path, columns, rows, 1, &options)
            .unwrap();
        dataset.set_geo_transform(&self.transform).unwrap();
        if let Some(crs) = self.crs {
            dataset
                .set_spatial_ref(&parse_crs(crs, "test").unwrap())
                .unwrap();
        }
        let t = self.transform;
        let values = (0..columns * rows).map(|i| {
            let (c, r) = ((i % columns) as f64 + 0.5, (i / columns) as f64 + 0.5);
            z(Coord {
                x: t[0] + c * t[1] + r * t[2],
                y: t[3] + c * t[4] + r * t[5],
            }) as f32
        });
        let mut buffer = Buffer::new((columns, rows), values.collect());
        let mut band = dataset.rasterband(1).unwrap();
        band.set_no_data_value(self.nodata).unwrap();
        band.write((0, 0), (columns, rows), &mut buffer).unwrap();
        if let Some(unit) = self.unit {
            gdal_calls::rasters::set_unit(&mut band, unit);
        }
        drop(dataset);
    }
}

/// Hills with some roughness; no two cells alike.
fn hills(p: Coord) -> f64 {
    let (x, y) = (p.x - LEFT, p.y - TOP);
    let rough = (x * 12.989_8 + y * 78.233).sin() * 43_758.545_3;
    400.0 + 60.0 * (x / 170.0).sin() + 45.0 * (y / 130.0).cos() + 3.0 * (rough - rough.floor())
}

fn of(folder: &Path, files: &[&str]) -> TerrainSource {
    TerrainSource {
        files: files
            .iter()
            .map(|file| TerrainFile {
                path: folder.join(file),
                source: (*file).to_owned(),
            })
            .collect(),
        crs: None,
        band: 1,
        vertical_unit: None,
        cell_m: 10.0,
    }
}

fn open(source: &TerrainSource, crs: &str) -> RasterTerrain {
    RasterTerrain::open(source, &WorkCrs::new(crs).unwrap())
        .unwrap_or_else(|error| panic!("{error}"))
}

fn refused(source: &TerrainSource) -> String {
    let opened = RasterTerrain::open(source, &WorkCrs::new(UTM).unwrap());
    let error = opened.err().expect("an error");
    format!("error[{}]: {error}", error.code())
}

fn bounds(x: f64, y: f64, width: f64, height: f64) -> Bounds {
    let min = Coord {
        x: LEFT + x,
        y: TOP - y - height,
    };
    Bounds {
        min,
        max: min
            + Coord {
                x: width,
                y: height,
            },
    }
}

fn all(terrain: &RasterTerrain, bounds: &Bounds) -> SlopeGrid {
    terrain.window(bounds).unwrap().unwrap()
}

fn bits(slopes: &SlopeGrid, within: &Bounds) -> Vec<(u64, u64, u64, u64)> {
    slopes
        .cells()
        .filter(|(cell, _)| within.holds(cell))
        .map(|(cell, gradient)| {
            let (dx, dy) = gradient.map_or((f64::NAN, f64::NAN), |g| (g.dz_dx, g.dz_dy));
            (
                cell.min.x.to_bits(),
                cell.min.y.to_bits(),
                dx.to_bits(),
                dy.to_bits(),
            )
        })
        .collect()
}

/// Slopes in percent as GDAL's own DEM processing has them, row by row; its mark for unknown is -9999.
fn gdals(path: &Path, folder: &Path) -> Vec<f32> {
    let dataset = Dataset::open(path).unwrap();
    let mut options = SlopeOptions::new();
    options.with_percentage_results(true);
    let slope = dem::slope(&dataset, folder.join("slope.tif"), &options).unwrap();
    slope
        .rasterband(1)
        .unwrap()
        .read_band_as::<f32>()
        .unwrap()
        .data()
        .to_vec()
}

/// Largest difference in rise over run, and the number of cells compared.
fn against_gdal(path: &Path, crs: &str) -> (f64, usize) {
    let folder = TempDir::new().unwrap();
    let mut source = of(
        path.parent().unwrap(),
        &[path.file_name().unwrap().to_str().unwrap()],
    );
    source.cell_m = 0.1;
    let terrain = open(&source, crs);
    assert!(!terrain.report.resampled);
    let everywhere = Bounds {
        min: Coord { x: -1e8, y: -1e8 },
        max: Coord { x: 1e8, y: 1e8 },
    };
    let slopes = all(&terrain, &everywhere);
    let theirs = gdals(path, folder.path());
    let ours: Vec<_> = slopes.cells().map(|(_, gradient)| gradient).collect();
    assert_eq!(ours.len(), theirs.len());
    let (mut worst, mut compared) = (0.0f64, 0);
    for (ours, theirs) in ours.iter().zip(&theirs) {
        // Theirs stretches the pattern at the border and beside unknown cells; ours does not know there.
        if let Some(gradient) = ours {
            assert_ne!(*theirs, -9999.0);
            worst = worst.max((gradient.slope() - f64::from(*theirs) / 100.0).abs());
            compared += 1;
        }
    }
    (worst, compared)
}

#[test]
fn slopes_are_those_of_gdal() {
    let folder = TempDir::new().unwrap();
    let path = folder.path().join("dem.tif");
    Dem::upright(10.0, 150, 170).write(&path, |p| {
        let hole = (p - Coord {
            x: LEFT + 700.0,
            y: TOP - 900.0,
        })
        .x
        .abs()
            < 40.0;
        if hole { -9999.0 } else { hills(p) }
    });
    let (worst, compared) = against_gdal(&path, UTM);
    println!("{compared} cells, worst {worst:e}");
    assert_eq!(compared, 148 * 168 - 10 * 168);
    assert!(worst < 1e-5, "{worst}");
}

#[test]
fn slopes_of_real_ground_are_those_of_gdal() {
    for (file, crs, cells) in [
        ("data/real/andorra_dem.tif", "EPSG:25831", 300_000),
        ("data/real/neexdzii_dem.tif", "EPSG:3005", 400_000),
    ] {
        let Some(path) = shared(file) else { continue };
        let (worst, compared) = against_gdal(&path, crs);
        println!("{file}: {compared} cells, worst {worst:e}");
        assert!(compared > cells, "{file}: {compared}");
        assert!(worst < 1e-5, "{file}: {worst}");
    }
}

#[test]
fn every_window_and_thread_sees_the_same_bits() {
    let folder = TempDir::new().unwrap();
    let wgs84 = [-87.0, 0.000_09, 0.0, 46.052, 0.0, -0.000_07];
    Dem::upright(10.0, 120, 110).write(&folder.path().join("own.tif"), hills);
    Dem::upright(0.9, 1300, 1200).write(&folder.path().join("fine.tif"), hills);
    let degrees = Dem {
        crs: Some("EPSG:4326"),
        transform: wgs84,
        ..Dem::upright(1.0, 220, 220)
    };
    degrees.write(&folder.path().join("degrees.tif"), |p| {
        500.0 + 40.0 * (p.x * 9_000.0).sin() + 30.0 * (p.y * 7_000.0).cos()
    });
    for (file, resampled) in [
        ("own.tif", false),
        ("fine.tif", false),
        ("degrees.tif", true),
    ] {
        let terrain = open(&of(folder.path(), &[file]), UTM);
        assert_eq!(terrain.report.resampled, resampled, "{file}");
        let whole = all(&terrain, &bounds(-50.0, -50.0, 1300.0, 1200.0));
        let windows: Vec<Bounds> = (0..24)
            .map(|i| {
                let i = f64::from(i);
                bounds(
                    i * 37.3 % 800.0,
                    i * 53.9 % 700.0,
                    60.0 + i * 11.0,
                    310.0 - i * 9.0,
                )
            })
            .collect();
        std::thread::scope(|scope| {
            for part in windows.chunks(6) {
                let (terrain, whole) = (&terrain, &whole);
                scope.spawn(move || {
                    for window in part {
                        let slopes = all(terrain, window);
                        assert!(slopes.bounds().holds(window), "{file} {window:?}");
                        let known = slopes.cells().filter(|(_, g)| g.is_some()).count();
                        assert!(known > 40, "{file}: {known}");
                        let within = slopes.bounds();
                        assert_eq!(
                            bits(&slopes, &within),
                            bits(whole, &within),
                            "{file} {window:?}"
                        );
                    }
                });
            }
        });
    }
}

#[test]
fn finer_rasters_are_averaged_in_whole_cells() {
    let folder = TempDir::new().unwrap();
    let plane = |p: Coord| 900.0 + 0.3 * (p.x - LEFT) - 0.2 * (p.y - TOP);
    Dem::upright(3.0, 305, 308).write(&folder.path().join("dem.tif"), plane);
    let mut source = of(folder.path(), &["dem.tif"]);
    let terrain = open(&source, UTM);
    assert_eq!(
        (terrain.report.averaged, terrain.report.cell_m),
        ([3, 3], 9.0)
    );
    let slopes = all(&terrain, &bounds(100.0, 100.0, 500.0, 500.0));
    for (_, gradient) in slopes.cells() {
        let gradient = gradient.unwrap();
        assert!((gradient.dz_dx - 0.3).abs() < 1e-5 && (gradient.dz_dy + 0.2).abs() < 1e-5);
    }
    source.cell_m = 1.0;
    assert_eq!(open(&source, UTM).report.cell_m, 3.0);
    // An averaged cell of which less than half is known is unknown, and so are its neighbours.
    Dem::upright(5.0, 100, 100).write(&folder.path().join("holes.tif"), |p| {
        let off = p - Coord {
            x: LEFT + 205.0,
            y: TOP - 205.0,
        };
        // One cell of four, and three of four farther right.
        let one = off.x.abs() < 3.0 && off.y.abs() < 3.0 && off.x < 0.0 && off.y > 0.0;
        let far = Coord {
            x: off.x - 100.0,
            y: off.y,
        };
        let three = far.x.abs() < 5.0 && far.y.abs() < 5.0 && !(far.x < 0.0 && far.y > 0.0);
        if one || three { -9999.0 } else { 250.0 }
    });
    let slopes = all(
        &open(&of(folder.path(), &["holes.tif"]), UTM),
        &bounds(100.0, 100.0, 300.0, 300.0),
    );
    assert_eq!(slopes.cells().filter(|(_, g)| g.is_none()).count(), 9);
}

#[test]
fn tiles_and_virtual_rasters_are_one_raster() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    Dem::upright(10.0, 100, 80).write(&at("whole.tif"), hills);
    let tile = |left: usize, top: usize, columns: usize, rows: usize| Dem {
        transform: [
            LEFT + left as f64 * 10.0,
            10.0,
            0.0,
            TOP - top as f64 * 10.0,
            0.0,
            -10.0,
        ],
        ..Dem::upright(10.0, columns, rows)
    };
    // The first has a hole over which the second knows more, and a false value where the third overlaps it.
    tile(0, 0, 60, 80).write(&at("west.tif"), |p| {
        if p.x > LEFT + 550.0 {
            -9999.0
        } else {
            hills(p)
        }
    });
    tile(50, 0, 50, 50).write(&at("north_east.tif"), hills);
    tile(50, 40, 50, 40).write(&at("south_east.tif"), hills);
    let tiles = ["west.tif", "north_east.tif", "south_east.tif"];
    let window = bounds(-100.0, -100.0, 2000.0, 2000.0);
    let whole = all(&open(&of(folder.path(), &["whole.tif"]), UTM), &window);
    let mosaic = open(&of(folder.path(), &tiles), UTM);
    assert_eq!((mosaic.report.columns, mosaic.report.rows), (100, 80));
    let expected = bits(&whole, &whole.bounds());
    assert_eq!(bits(&all(&mosaic, &window), &window), expected);

    let vrt = |name: &str, parts: &[&str]| {
        let parts: Vec<Dataset> = parts
            .iter()
            .map(|part| Dataset::open(at(part)).unwrap())
            .collect();
        build_vrt(Some(&at(name)), &parts, None).unwrap();
    };
    vrt("east.vrt", &tiles[1..]);
    vrt("all.vrt", &["west.tif", "east.vrt"]);
    for file in ["all.vrt", "east.vrt"] {
        let terrain = open(&of(folder.path(), &[file]), UTM);
        assert_eq!(terrain.report.driver, "VRT");
        if file == "all.vrt" {
            assert_eq!(bits(&all(&terrain, &window), &window), expected);
        }
    }
    // Each file that was read is among the inputs.
    let (_blocks, layer) = block_layer(folder.path());
    let mut project = project(folder.path(), Some(UTM), vec![layer]);
    project.terrain = Some(of(folder.path(), &["all.vrt"]));
    let batch = sources::read(&project).unwrap();
    let names: Vec<&str> = batch
        .inputs
        .iter()
        .map(|input| input.source.as_str())
        .collect();
    assert_eq!(
        names,
        [
            "blocks.geojson",
            "all.vrt",
            "west.tif",
            "east.vrt",
            "north_east.tif",
            "south_east.tif"
        ]
    );
    assert!(batch.problems.is_empty(), "{:?}", batch.problems);
    let terrain = sources::terrain(&project, &batch.crs).unwrap().unwrap();
    assert_eq!(Some(&terrain.report), batch.terrain.as_ref());
    let coverage = terrain.coverage(&batch.blocks).unwrap();
    assert_eq!((coverage.whole, coverage.share), (1, 1.0));
    assert!(coverage.problem(&terrain).is_none());
}

fn block_layer(folder: &Path) -> (PathBuf, blockwright::project::LayerSource) {
    let (x, y) = (LEFT + 200.0, TOP - 600.0);
    let text = format!(
        r#"{{"type": "FeatureCollection", "name": "blocks", "crs": {{"type": "name", "properties": {{"name":
        "urn:ogc:def:crs:EPSG::32616"}}}}, "features": [{{"type": "Feature", "properties": {{"BLOCK": "A-1"}},
        "geometry": {{"type": "Polygon", "coordinates": [[[{x}, {y}], [{}, {y}], [{}, {}], [{x}, {y}]]]}}}}]}}"#,
        x + 400.0,
        x + 400.0,
        y + 400.0
    );
    let path = folder.join("blocks.geojson");
    std::fs::write(&path, text).unwrap();
    let mut layer = source(LayerKind::Blocks, folder, "blocks.geojson");
    layer.id = fields(&["BLOCK"]);
    (path, layer)
}

/// A plane in the work CRS keeps its slope when its raster lies in another CRS, is turned, or has oblong cells.
#[test]
fn rasters_on_other_grids_keep_the_slope_of_the_ground() {
    let folder = TempDir::new().unwrap();
    let plane = |p: Coord| 900.0 + 0.25 * (p.x - LEFT) - 0.4 * (p.y - TOP);
    let (sin, cos) = 20f64.to_radians().sin_cos();
    let turned = [LEFT, 8.0 * cos, 8.0 * sin, TOP, 8.0 * sin, -8.0 * cos];
    let south_up = [LEFT, 10.0, 0.0, TOP - 1500.0, 0.0, 10.0];
    for (name, transform) in [
        ("oblong", [LEFT, 10.0, 0.0, TOP, 0.0, -7.0]),
        ("turned", turned),
        ("south_up", south_up),
    ] {
        let file = format!("{name}.tif");
        let dem = Dem {
            transform,
            ..Dem::upright(1.0, 250, 250)
        };
        dem.write(&folder.path().join(&file), plane);
        let terrain = open(&of(folder.path(), &[&file]), UTM);
        assert!(terrain.report.resampled, "{name}");
        let mut known = 0;
        for (_, gradient) in all(&terrain, &bounds(300.0, 300.0, 500.0, 500.0)).cells() {
            if let Some(gradient) = gradient {
                assert!((gradient.dz_dx - 0.25).abs() < 1e-4, "{name} {gradient:?}");
                assert!((gradient.dz_dy + 0.4).abs() < 1e-4, "{name} {gradient:?}");
                known += 1;
            }
        }
        assert!(known > 2000, "{name}: {known}");
    }
    // In degrees: elevations from the work CRS, so that the plane is a plane there.
    let to_utm = gdal::spatial_ref::CoordTransform::new(
        &parse_crs("EPSG:4326", "test").unwrap(),
        &parse_crs(UTM, "test").unwrap(),
    )
    .unwrap();
    let dem = Dem {
        crs: Some("EPSG:4326"),
        transform: [-87.0, 0.000_05, 0.0, 46.052, 0.0, -0.000_05],
        ..Dem::upright(1.0, 400, 400)
    };
    dem.write(&folder.path().join("degrees.tif"), |p| {
        let (mut x, mut y) = ([p.x], [p.y]);
        to_utm.transform_coords(&mut x, &mut y, &mut []).unwrap();
        plane(Coord { x: x[0], y: y[0] })
    });
    let terrain = open(&of(folder.path(), &["degrees.tif"]), UTM);
    let everywhere = bounds(-100.0, -1000.0, 2000.0, 3000.0);
    let slopes = all(&terrain, &everywhere);
    let known: Vec<_> = slopes
        .cells()
        .filter_map(|(_, gradient)| gradient)
        .collect();
    assert!(known.len() > 2000, "{}", known.len());
    for gradient in known {
        assert!((gradient.dz_dx - 0.25).abs() < 1e-3, "{gradient:?}");
        assert!((gradient.dz_dy + 0.4).abs() < 1e-3, "{gradient:?}");
    }
    assert!(
        terrain
            .window(&bounds(9000.0, 0.0, 100.0, 100.0))
            .unwrap()
            .is_none()
    );
    assert!(!terrain.reaches(&bounds(9000.0, 0.0, 100.0, 100.0)));
}

#[test]
fn feet_are_read_as_feet() {
    let folder = TempDir::new().unwrap();
    let plane = |p: Coord| 100.0 + (p.x - LEFT);
    let dem = |unit| Dem {
        unit,
        ..Dem::upright(10.0, 20, 20)
    };
    dem(Some("ft")).write(&folder.path().join("ft.tif"), plane);
    dem(None).write(&folder.path().join("silent.tif"), plane);
    dem(Some("fathom")).write(&folder.path().join("fathom.tif"), plane);
    let slope = |source: &TerrainSource| {
        let slopes = all(&open(source, UTM), &bounds(50.0, 50.0, 50.0, 50.0));
        slopes
            .at(Coord {
                x: LEFT + 75.0,
                y: TOP - 75.0,
            })
            .unwrap()
            .slope()
    };
    let mut source = of(folder.path(), &["ft.tif"]);
    assert!((slope(&source) - FOOT_M).abs() < 1e-6);
    source.vertical_unit = Some(LengthUnit::Metre);
    assert!((slope(&source) - 1.0).abs() < 1e-6);
    let mut source = of(folder.path(), &["silent.tif"]);
    assert!((slope(&source) - 1.0).abs() < 1e-6);
    source.vertical_unit = Some(LengthUnit::Foot);
    assert!((slope(&source) - FOOT_M).abs() < 1e-6);
    insta::assert_snapshot!(refused(&of(folder.path(), &["fathom.tif"])));
}

#[test]
fn marks_for_unknown_that_are_not_declared_are_no_elevations() {
    let folder = TempDir::new().unwrap();
    for (index, mark) in [-9999.0, -32768.0, f64::from(f32::MIN), f64::NAN]
        .into_iter()
        .enumerate()
    {
        let file = format!("{index}.tif");
        let dem = Dem {
            nodata: None,
            ..Dem::upright(10.0, 20, 20)
        };
        dem.write(&folder.path().join(&file), |p| {
            if p.x > LEFT + 100.0 { mark } else { 300.0 }
        });
        let slopes = all(
            &open(&of(folder.path(), &[&file]), UTM),
            &bounds(0.0, 0.0, 199.0, 199.0),
        );
        let known = slopes.cells().filter(|(_, g)| g.is_some()).count();
        assert_eq!(known, 8 * 18, "{mark}");
    }
}

#[test]
fn what_no_slope_can_be_read_from_is_refused() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    let dem = || Dem::upright(10.0, 12, 12);
    dem().write(&at("dem.tif"), hills);
    Dem { crs: None, ..dem() }.write(&at("no_crs.tif"), hills);
    Dem {
        crs: Some("EPSG:32617"),
        ..dem()
    }
    .write(&at("other_crs.tif"), hills);
    Dem::upright(11.0, 12, 12).write(&at("other_cell.tif"), hills);
    Dem {
        transform: [LEFT + 124.0, 10.0, 0.0, TOP, 0.0, -10.0],
        ..dem()
    }
    .write(&at("off_grid.tif"), hills);
    std::fs::write(at("no_raster.tif"), "not a raster").unwrap();
    std::fs::write(
        at("layer.geojson"),
        r#"{"type": "FeatureCollection", "features": []}"#,
    )
    .unwrap();
    std::fs::write(at("dem.zip"), "").unwrap();
    std::fs::write(at("plain.asc"), "ncols 2\nnrows 2\n").unwrap();
    let mut text = String::new();
    for files in [
        &["nowhere.tif"][..],
        &["no_raster.tif"],
        &["layer.geojson"],
        &["dem.zip"],
        &["plain.asc"],
        &["no_crs.tif"],
        &["dem.tif", "other_crs.tif"],
        &["dem.tif", "other_cell.tif"],
        &["dem.tif", "off_grid.tif"],
    ] {
        text += &refused(&of(folder.path(), files));
        text += "\n\n";
    }
    let mut band = of(folder.path(), &["dem.tif"]);
    band.band = 3;
    text += &refused(&band);
    let mut crs = of(folder.path(), &["no_crs.tif"]);
    crs.crs = Some(UTM.to_owned());
    assert!(!open(&crs, UTM).report.resampled);
    insta::assert_snapshot!(text);
}

#[test]
fn virtual_rasters_that_name_anything_else_are_refused() {
    let folder = TempDir::new().unwrap();
    let at = |name: &str| folder.path().join(name);
    Dem::upright(10.0, 12, 12).write(&at("dem.tif"), hills);
    std::fs::write(
        at("list.geojson"),
        r#"{"type": "FeatureCollection", "features": []}"#,
    )
    .unwrap();
    let vrt = |source: &str| {
        format!(
            r#"<VRTDataset rasterXSize="12" rasterYSize="12"><SRS>EPSG:32616</SRS><GeoTransform>500000, 10, 0, 5100000, 0,
            -10</GeoTransform><VRTRasterBand dataType="Float32" band="1">{source}</VRTRasterBand></VRTDataset>"#
        )
    };
    let simple = |name: &str| {
        vrt(&format!(
            r#"<SimpleSource><SourceFilename relativeToVRT="1">{name}</SourceFilename></SimpleSource>"#
        ))
    };
    let mut text = String::new();
    for (name, content) in [
        ("network.tif", simple("/vsicurl/https://example.org/a.tif")),
        ("nothing.vrt", simple("nowhere.tif")),
        ("itself.vrt", simple("itself.vrt")),
        ("other.vrt", simple("list.geojson")),
        (
            "absolute.vrt",
            vrt("<SimpleSource><SourceFilename>dem.tif</SourceFilename></SimpleSource>"),
        ),
        (
            "code.vrt",
            vrt("<PixelFunctionLanguage>Python</PixelFunctionLanguage>"),
        ),
        (
            "raw.vrt",
            simple("dem.tif").replace("band=\"1\">", "band=\"1\" subClass=\"VRTRawRasterBand\">"),
        ),
        (
            "hidden.asc",
            format!("\n\n  {}", simple("/vsizip/a.zip/a.tif")),
        ),
        ("broken.vrt", "<VRTDataset".to_owned()),
    ] {
        std::fs::write(at(name), content).unwrap();
        text += &refused(&of(folder.path(), &[name]));
        text += "\n\n";
    }
    std::fs::write(at("sound.vrt"), simple("dem.tif")).unwrap();
    assert_eq!(
        open(&of(folder.path(), &["sound.vrt"]), UTM).report.columns,
        12
    );
    insta::assert_snapshot!(text);
}

#[test]
fn blocks_off_the_raster_are_noted() {
    let folder = TempDir::new().unwrap();
    Dem::upright(10.0, 30, 100).write(&folder.path().join("dem.tif"), hills);
    Dem {
        transform: [LEFT + 5e4, 10.0, 0.0, TOP, 0.0, -10.0],
        ..Dem::upright(10.0, 30, 100)
    }
    .write(&folder.path().join("far.tif"), hills);
    let (_blocks, layer) = block_layer(folder.path());
    let mut project = project(folder.path(), Some(UTM), vec![layer]);
    let mut text = String::new();
    for file in ["far.tif", "dem.tif"] {
        project.terrain = Some(of(folder.path(), &[file]));
        let batch = sources::read(&project).unwrap();
        for problem in &batch.problems {
            text += &format!("read: {problem}\n");
        }
        let terrain = sources::terrain(&project, &batch.crs).unwrap().unwrap();
        let coverage = terrain.coverage(&batch.blocks).unwrap();
        // The triangle has 820 cells; 9 columns of it from its tip, 45 cells, lie left of the raster's unknown last one.
        let known = if file == "far.tif" { 0.0 } else { 45.0 };
        assert_eq!(coverage.share, known / 820.0);
        text += &format!(
            "share {:.4}\nmeasured: {}\n\n",
            coverage.share,
            coverage.problem(&terrain).unwrap()
        );
    }
    insta::assert_snapshot!(text);
    project.terrain = Some(of(folder.path(), &["nowhere.tif"]));
    assert!(matches!(
        sources::read(&project),
        Err(SourceError::MissingFile { .. })
    ));
}

/// A block so small that no cell has its centre in it still has a slope.
#[test]
fn a_block_between_the_centres_is_covered() {
    let folder = TempDir::new().unwrap();
    Dem::upright(10.0, 30, 30).write(&folder.path().join("dem.tif"), hills);
    let terrain = open(&of(folder.path(), &["dem.tif"]), UTM);
    let block = SourceBlock {
        id: "A".to_owned(),
        source_layer: "b".to_owned(),
        shape: MultiPolygon(vec![bounds(101.0, 101.0, 2.0, 2.0).to_polygon()]),
        frame: GroundFrame::SAME,
        azimuth_deg: None,
        pattern: None,
        portfolio: None,
        outlets: vec![],
        windows: Default::default(),
        accuracy: Default::default(),
        emergency: Default::default(),
        place: None,
        repaired_m2: 0.0,
        scale: 1.0,
        geodesic_m2: 4.0,
        outlines: vec![],
        came_later: Default::default(),
    };
    assert_eq!(terrain.coverage(&[block]).unwrap().share, 1.0);
}
