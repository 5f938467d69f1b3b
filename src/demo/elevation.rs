//! The elevations of the country under and around the blocks, as a GeoTIFF written row of tiles by row of tiles.

use std::collections::BTreeSet;
use std::path::Path;

use gdal::raster::{Buffer, RasterCreationOptions};
use gdal::spatial_ref::SpatialRef;
use gdal::{Dataset, DriverManager};
use geo::{Coord, MultiPolygon};
use rayon::prelude::*;

use super::curve::{distance, length};
use super::noise::ramp;
use super::terrain::Terrain;

/// Squares by which the ground that blocks need is kept, in metres.
const SQUARE: f64 = 1_000.0;
/// Ground around a block whose slope may matter to it, in metres.
const MARGIN: f64 = 500.0;
/// Pixels on a side of a tile.
const TILE: usize = 256;
/// Side of a pixel in a small district, in metres; doubled until no more than `MOST_PIXELS` are needed.
const PIXEL: f64 = 10.0;
/// Less than two hundred megabytes of file.
const MOST_PIXELS: f64 = 160e6;
/// Where nobody has measured.
const NO_DATA: f64 = -9_999.0;

/// The ground that an elevation raster has to show.
#[derive(Default)]
pub struct Extent {
    squares: BTreeSet<(i32, i32)>,
    hollows: Vec<Hollow>,
}

/// A level place with a dip in its middle, which no layer has: what runs down to it stands there.
#[derive(Clone, Copy)]
struct Hollow {
    middle: Coord,
    /// Elevation at which it spills.
    level: f64,
}

/// How far a hollow is level, and how far it changes the land around it, in metres.
const HOLLOW: (f64, f64) = (40.0, 80.0);
/// How deep it is in the middle, in metres.
const DIP: f64 = 1.5;
/// Steeper hillsides have none, rise over run.
const MOST_SLOPE: f64 = 0.06;

impl Hollow {
    fn elevation(&self, at: Coord, elevation: f64) -> f64 {
        let off = distance(at, self.middle);
        let (level, around) = HOLLOW;
        if off >= around {
            return elevation;
        }
        let dip = DIP * (1.0 - (off / level).powi(2)).max(0.0);
        let land = ramp(level, around, off);
        (self.level - dip) * (1.0 - land) + elevation * land
    }
}

impl Extent {
    /// Takes in a block, in metres from the middle of the district. Places beyond the district, or no places at all,
    /// as broken features have them, are left out.
    pub fn add(&mut self, block: &MultiPolygon) {
        for part in block {
            let ring = &part.exterior().0;
            if !ring.iter().all(|at| at.x.abs() < 1e6 && at.y.abs() < 1e6) {
                continue;
            }
            let least = |f: fn(&Coord) -> f64| ring.iter().map(f).fold(f64::INFINITY, f64::min);
            let (west, south) = (least(|at| at.x), least(|at| at.y));
            let (east, north) = (-least(|at| -at.x), -least(|at| -at.y));
            let square = |v: f64| (v / SQUARE).floor() as i32;
            if !ring.is_empty() {
                for y in square(south - MARGIN)..=square(north + MARGIN) {
                    for x in square(west - MARGIN)..=square(east + MARGIN) {
                        self.squares.insert((x, y));
                    }
                }
            }
        }
    }

    /// Digs a hollow around a place, where the hillside is gentle enough for one.
    pub fn dig(&mut self, terrain: Terrain, middle: Coord) {
        if length(terrain.slope(middle)) > MOST_SLOPE {
            return;
        }
        let rim = (0..32).map(|step| {
            let (sin, cos) = (f64::from(step) / 32.0 * std::f64::consts::TAU).sin_cos();
            terrain.elevation(middle + Coord { x: cos, y: sin } * HOLLOW.0)
        });
        let level = rim.fold(f64::INFINITY, f64::min);
        self.hollows.push(Hollow { middle, level });
    }

    fn pixel(&self) -> f64 {
        let mut pixel = PIXEL;
        while self.squares.len() as f64 * (SQUARE / pixel).powi(2) > MOST_PIXELS {
            pixel *= 2.0;
        }
        pixel
    }

    /// Tiles that meet the squares, by row from the south and column from the west.
    fn tiles(&self, side: f64) -> BTreeSet<(i32, i32)> {
        let tile = |square: i32| {
            let low = f64::from(square) * SQUARE;
            let last = (low + SQUARE) / side;
            (low / side).floor() as i32..=last.ceil() as i32 - 1
        };
        self.squares
            .iter()
            .flat_map(|&(x, y)| tile(y).flat_map(move |row| tile(x).map(move |col| (row, col))))
            .collect()
    }
}

/// Writes the elevations (metres, to the decimetre) at the middles of the pixels; the tiles that no block needs are
/// left out of the file and read as not known. `middle` is the place of the district's middle in EPSG:32616. The same
/// country gives the same bytes.
pub fn write(
    path: &Path,
    terrain: Terrain,
    extent: &Extent,
    middle: [f64; 2],
) -> gdal::errors::Result<()> {
    let pixel = extent.pixel();
    let side = pixel * TILE as f64;
    let tiles = extent.tiles(side);
    let Some((&(south, _), &(north, _))) = tiles.first().zip(tiles.last()) else {
        return Ok(());
    };
    let columns = || tiles.iter().map(|&(_, column)| column);
    let west = columns().min().unwrap_or(0);
    let east = columns().max().unwrap_or(0);
    let count = |low: i32, high: i32| (high - low + 1) as usize * TILE;
    let options = RasterCreationOptions::from_iter([
        "TILED=YES",
        "BLOCKXSIZE=256",
        "BLOCKYSIZE=256",
        "COMPRESS=DEFLATE",
        "PREDICTOR=3",
        "SPARSE_OK=TRUE",
        "BIGTIFF=IF_SAFER",
    ]);
    let mut raster: Dataset = DriverManager::get_driver_by_name("GTiff")?
        .create_with_band_type_with_options::<f32, _>(
            path,
            count(west, east),
            count(south, north),
            1,
            &options,
        )?;
    raster.set_spatial_ref(&SpatialRef::from_epsg(32616)?)?;
    let left = f64::from(west) * side;
    let top = f64::from(north + 1) * side;
    raster.set_geo_transform(&[middle[0] + left, pixel, 0.0, middle[1] + top, 0.0, -pixel])?;
    let mut band = raster.rasterband(1)?;
    band.set_no_data_value(Some(NO_DATA))?;
    for row in (south..=north).rev() {
        let here: Vec<i32> = tiles
            .range((row, i32::MIN)..=(row, i32::MAX))
            .map(|&(_, column)| column)
            .collect();
        let upper = Coord {
            x: 0.0,
            y: f64::from(row + 1) * side,
        };
        let made: Vec<Vec<f32>> = here
            .par_iter()
            .map(|&column| {
                let x = f64::from(column) * side;
                elevations(terrain, &extent.hollows, Coord { x, ..upper }, pixel)
            })
            .collect();
        for (column, values) in here.into_iter().zip(made) {
            let at = (
                (column - west) as isize * TILE as isize,
                (north - row) as isize * TILE as isize,
            );
            let mut buffer = Buffer::new((TILE, TILE), values);
            band.write(at, (TILE, TILE), &mut buffer)?;
        }
        // Tiles reach the file in this order, however much memory GDAL would have kept them in.
        gdal_calls::rasters::flush(&mut band)?;
    }
    raster.close()
}

/// One tile, row by row from its upper left corner.
fn elevations(terrain: Terrain, hollows: &[Hollow], corner: Coord, pixel: f64) -> Vec<f32> {
    let tile = TILE as f64 * pixel;
    let near = |hollow: &&Hollow| {
        let off = hollow.middle - corner;
        (-HOLLOW.1..tile + HOLLOW.1).contains(&off.x)
            && (-tile - HOLLOW.1..HOLLOW.1).contains(&off.y)
    };
    let hollows: Vec<&Hollow> = hollows.iter().filter(near).collect();
    let mut values = Vec::with_capacity(TILE * TILE);
    for row in 0..TILE {
        for column in 0..TILE {
            let at = Coord {
                x: corner.x + (column as f64 + 0.5) * pixel,
                y: corner.y - (row as f64 + 0.5) * pixel,
            };
            let mut elevation = terrain.elevation(at);
            for hollow in &hollows {
                elevation = hollow.elevation(at, elevation);
            }
            values.push(((elevation * 10.0).round() / 10.0) as f32);
        }
    }
    values
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::{LineString, Polygon};

    fn square(x: f64, y: f64) -> MultiPolygon {
        let ring = vec![(x, y), (x + 400.0, y), (x + 400.0, y + 400.0), (x, y)];
        MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
    }

    #[test]
    fn tiles_cover_every_block_and_its_surroundings() {
        let mut extent = Extent::default();
        let corners = [(0.0, 0.0), (-7_300.0, 2_559.0), (20_000.0, -31.0)];
        for (x, y) in corners {
            extent.add(&square(x, y));
        }
        extent.add(&square(f64::NAN, 0.0));
        extent.add(&square(5e8, 0.0));
        let side = 2_560.0;
        let tiles = extent.tiles(side);
        let has = |x: f64, y: f64| {
            tiles.contains(&((y / side).floor() as i32, (x / side).floor() as i32))
        };
        for (x, y) in corners {
            for (dx, dy) in [
                (-500.0, -500.0),
                (900.0, -500.0),
                (-500.0, 900.0),
                (900.0, 900.0),
            ] {
                assert!(has(x + dx, y + dy), "{x} {y} {dx} {dy}");
            }
        }
        assert!(tiles.len() < 20, "{}", tiles.len());
    }

    #[test]
    fn a_hollow_spills_at_its_level_and_leaves_the_land_around_it() {
        let terrain = Terrain { seed: 7 };
        let gentle = (0..4_000).map(|step| Coord {
            x: f64::from(step % 60) * 97.0,
            y: f64::from(step / 60) * 131.0,
        });
        let mut extent = Extent::default();
        for middle in gentle {
            extent.dig(terrain, middle);
        }
        assert!(!extent.hollows.is_empty());
        for hollow in extent.hollows {
            let at = |dx: f64| hollow.middle + Coord { x: dx, y: 0.0 };
            let dug = |dx: f64| hollow.elevation(at(dx), terrain.elevation(at(dx)));
            assert_eq!(dug(0.0), hollow.level - DIP);
            assert_eq!(dug(HOLLOW.1), terrain.elevation(at(HOLLOW.1)));
            assert!(dug(HOLLOW.0 - 1e-9) <= hollow.level);
        }
    }

    #[test]
    fn a_wide_district_has_larger_pixels() {
        let wide = |side: i32| Extent {
            hollows: vec![],
            squares: (0..side)
                .flat_map(|x| (0..side).map(move |y| (x, y)))
                .collect(),
        };
        assert_eq!(wide(100).pixel(), 10.0);
        assert_eq!(wide(200).pixel(), 20.0);
    }
}
