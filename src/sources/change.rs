//! Rasters of change as what was cut: classes, or heights before and after; read block by block, so that a province is never
//! held in memory.

use std::path::{Path, PathBuf};

use gdal::DriverManager;
use gdal::raster::Buffer;
use gdal::vector::{LayerAccess, LayerOptions, OGRwkbGeometryType};
use geo::{Coord, Geometry, MultiPolygon, Polygon};
use serde::Serialize;

use super::InputFile;
use super::crs::{self, Transform, WorkCrs};
use super::errors::SourceError;
use super::hash;
use super::open::quiet_gdal;
use super::plain::Folders;
use super::terrain::{Affine, Raster, TerrainError};
use crate::geometry::area::Bounds;
use crate::geometry::cell_shares::CellShares;
use crate::geometry::frame::map_polygons;
use crate::model::{GroundFrame, SourceBlock};
use crate::project::{TerrainFile, TerrainSource};
use crate::units::LengthUnit;

/// Endings of files that are taken for rasters.
const ENDINGS: [&str; 6] = ["tif", "tiff", "asc", "vrt", "bil", "flt"];
/// What is read around a block.
const AROUND_M: f64 = 100.0;
/// Cells of one block's window; more is no block but a province.
const MOST_CELLS: usize = 25_000_000;
/// Grids that drift from one another by less of a cell over their whole extent are one.
const SAME_GRID: f64 = 0.01;
/// Values named in a message.
const MOST_NAMED: usize = 10;
/// Of a block, less ground of which nothing is known is rounding.
const KNOWN_ROUNDING: f64 = 1e-6;

/// Which cells are cut.
#[derive(Clone, Debug, PartialEq)]
pub enum CutWhere {
    /// Where the raster has one of these values; none: it may have no other values than 0 and 1, and 1 is cut.
    Classes(Vec<i64>),
    /// Where so much height is lost from one raster to the other, m.
    HeightLoss { before: PathBuf, least_m: f64 },
}

/// How a change raster is read.
#[derive(Clone, Debug, PartialEq)]
pub struct ChangeOptions {
    pub cut: CutWhere,
    /// Smaller pieces of change are left out, m².
    pub least_m2: f64,
}

/// Why a change raster cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ChangeError {
    #[error("{file}: {why}\n  hint: {hint}")]
    Unreadable {
        file: String,
        why: String,
        hint: &'static str,
    },
    #[error(
        "{file}: beside 0 and 1 it has the values {values}\n  hint: say which of them mean that trees were cut: --cut-class 2,3"
    )]
    WhichClasses { file: String, values: String },
    #[error(
        "{before} and {after}: {what}\n  hint: heights are compared cell by cell: bring the two to one grid, as with gdalwarp"
    )]
    GridsDiffer {
        before: String,
        after: String,
        what: String,
    },
    #[error(
        "{file}: block {block} takes {cells} of its cells, more than {most}\n  hint: average the raster to larger cells"
    )]
    TooFine {
        file: String,
        block: String,
        cells: u64,
        most: usize,
    },
}

/// For `run.json` and the summary.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ChangeReport {
    pub source: String,
    /// Of heights: the raster of before.
    pub before: Option<String>,
    pub driver: String,
    pub crs: String,
    pub columns: u64,
    pub rows: u64,
    /// The longer side of a cell on the ground, at the first block.
    pub cell_m: f64,
    /// Which cells are taken for cut.
    pub cut: String,
    pub least_change_m2: f64,
    /// Blocks of which not all is known, and the first of them.
    pub blocks_not_all_known: u64,
    pub first_not_all_known: Option<String>,
}

impl ChangeReport {
    /// For the summary.
    pub fn words(&self) -> String {
        let mut words = format!(
            "a raster of change is a screening, and nothing passes by it; taken for cut: {} ({:.1} m wide)",
            self.cut, self.cell_m
        );
        if self.least_change_m2 > 0.0 {
            words += &format!("; changes below {} m² are left out", self.least_change_m2);
        }
        if let Some(first) = &self.first_not_all_known {
            words += &format!(
                "\n  not all of the ground is known of {} blocks, the first {first}",
                self.blocks_not_all_known
            );
        }
        words
    }
}

/// What is seen in and near one block.
#[derive(Clone, Debug, Default)]
pub struct ChangeSeen {
    /// In the plane of the work CRS.
    pub polygons: Vec<Polygon>,
    /// Share of the block whose cells have a value.
    pub known: f64,
    /// Pieces that were too small, and their cells.
    pub dropped: u64,
}

/// Whether a file is one for [`ChangeRaster::open`], by its ending.
pub fn is_raster(path: &Path) -> bool {
    let ending = path.extension();
    ending.is_some_and(|found| ENDINGS.iter().any(|own| found.eq_ignore_ascii_case(own)))
}

/// A raster of change, with that of before where heights are compared.
pub struct ChangeRaster {
    after: Raster,
    before: Option<Raster>,
    options: ChangeOptions,
    /// From the plane to the raster's CRS and back.
    to: Transform,
    back: Transform,
    pub report: ChangeReport,
    pub inputs: Vec<InputFile>,
}

fn shown(path: &Path) -> String {
    let name = path.file_name().map(|name| name.to_string_lossy());
    name.map_or_else(|| path.display().to_string(), |name| name.into_owned())
}

fn unreadable(file: &str, error: &SourceError) -> ChangeError {
    let text = error.to_string();
    let why = text.lines().next().unwrap_or_default();
    let own = format!("{file} (terrain): ");
    ChangeError::Unreadable {
        file: file.to_owned(),
        why: why.replace(&own, "").replace("elevations", "heights"),
        hint: "name one plain local raster with its georeference and CRS, such as a GeoTIFF",
    }
}

fn stopped(error: TerrainError, file: &str) -> ChangeError {
    unreadable(file, &error.into())
}

fn failed(file: &str, why: String) -> ChangeError {
    ChangeError::Unreadable {
        file: file.to_owned(),
        why,
        hint: "write the raster anew in the CRS of the project",
    }
}

impl ChangeRaster {
    /// Opens the rasters; reads no cell yet.
    ///
    /// # Errors
    /// A file that is no raster of a listed format, has no place or no CRS, or whose cells are not those of the other one.
    pub fn open(
        path: &Path,
        options: ChangeOptions,
        work: &WorkCrs,
    ) -> Result<ChangeRaster, ChangeError> {
        quiet_gdal();
        let mut folders = Folders::default();
        let mut files = Vec::new();
        let heights = matches!(options.cut, CutWhere::HeightLoss { .. });
        let mut open = |path: &Path| {
            let file = TerrainFile {
                path: path.to_owned(),
                source: shown(path),
            };
            let source = TerrainSource {
                files: vec![file.clone()],
                crs: None,
                band: 1,
                // A class has no unit; what a height has is told by the band.
                vertical_unit: (!heights).then_some(LengthUnit::Metre),
                cell_m: 1.0,
            };
            let (mut raster, crs) = Raster::open(&file, &source, &mut folders)
                .map_err(|error| unreadable(&file.source, &error))?;
            if !heights {
                raster.believed = f64::MIN..=f64::MAX;
            }
            files.extend(raster.files.iter().cloned());
            Ok((raster, crs))
        };
        let (after, crs) = open(path)?;
        let before = match &options.cut {
            CutWhere::HeightLoss { before, .. } => Some(open(before)?),
            CutWhere::Classes(_) => None,
        };
        if let Some((before, other)) = &before {
            same_grid(before, other, &after, &crs)?;
        }
        let file = after.file.clone();
        let way = |found: Result<Transform, String>| {
            found.map_err(|why| failed(&file, format!("no way to the CRS of the project: {why}")))
        };
        let (to, back) = (way(work.way_to(&crs))?, way(work.way_from(&crs))?);
        let stamps = hash::terrain(&files).map_err(|error| unreadable(&after.file, &error))?;
        let before = before.map(|(raster, _)| raster);
        let cut = match &options.cut {
            CutWhere::Classes(classes) if classes.is_empty() => "cells of value 1".to_owned(),
            CutWhere::Classes(classes) => {
                let named: Vec<String> = classes.iter().map(i64::to_string).collect();
                format!("cells of value {}", named.join(", "))
            }
            CutWhere::HeightLoss { least_m, .. } => {
                format!("cells that lost {least_m} m of height or more")
            }
        };
        let report = ChangeReport {
            source: after.file.clone(),
            before: before.as_ref().map(|raster| raster.file.clone()),
            driver: after.driver.clone(),
            crs: crs::label(&crs),
            columns: after.columns as u64,
            rows: after.rows as u64,
            cell_m: 0.0,
            cut,
            least_change_m2: options.least_m2,
            blocks_not_all_known: 0,
            first_not_all_known: None,
        };
        Ok(ChangeRaster {
            after,
            before,
            options,
            to,
            back,
            report,
            inputs: stamps.into_iter().map(|stamp| stamp.input).collect(),
        })
    }

    /// Width and height of a cell on the ground at a place of the plane; None where the raster does not reach.
    fn cell_at(&self, frame: &GroundFrame, at: Coord) -> Option<(f64, f64)> {
        let affine = &self.after.affine;
        let mut place = [at];
        if !self.to.points(&mut place) {
            return None;
        }
        let (column, row) = affine.column_and_row(place[0]);
        let mut corners = [
            affine.place(column, row),
            affine.place(column + 1.0, row),
            affine.place(column, row + 1.0),
        ];
        if !self.back.points(&mut corners) {
            return None;
        }
        let [a, b, c] = corners.map(|place| frame.enter(place));
        let long = |d: Coord| d.x.hypot(d.y);
        Some((long(b - a), long(c - a)))
    }

    /// What is cut in and near a block.
    ///
    /// # Errors
    /// Cells that cannot be read, or have values that nobody has said the meaning of.
    pub fn of_block(&mut self, block: &SourceBlock) -> Result<ChangeSeen, ChangeError> {
        quiet_gdal();
        let frame = &block.frame;
        let bounds = Bounds::of_polygons(&block.shape);
        let Some((wide_m, high_m)) = self.cell_at(frame, bounds.middle()) else {
            return Ok(self.unseen(block));
        };
        if self.report.cell_m == 0.0 {
            self.report.cell_m = wide_m.max(high_m);
        }
        let affine = self.after.affine;
        let lost = std::cell::Cell::new(false);
        let cells = map_polygons(&block.shape, |place| {
            let mut places = [place];
            lost.set(lost.get() || !self.to.points(&mut places));
            let (x, y) = affine.column_and_row(places[0]);
            Coord { x, y }
        });
        if lost.get() {
            return Ok(self.unseen(block));
        }
        let Some(window) = Window::around(&cells, wide_m.min(high_m), &self.after) else {
            return Ok(self.unseen(block));
        };
        let count = window.columns as u64 * window.rows as u64;
        if count > MOST_CELLS as u64 {
            return Err(ChangeError::TooFine {
                file: self.after.file.clone(),
                block: block.id.clone(),
                cells: count,
                most: MOST_CELLS,
            });
        }
        let mask = self.mask(&window)?;
        let known = known_share(&cells, &window, &mask);
        let least = (self.options.least_m2 / (wide_m * high_m)).ceil();
        let (pieces, dropped) = polygons(&mask, &window, least.clamp(1.0, 1e9) as i32)
            .map_err(|why| failed(&self.after.file, why))?;
        let mut found = Vec::new();
        for piece in pieces {
            let off = Coord {
                x: window.first_column as f64,
                y: window.first_row as f64,
            };
            let in_raster = |at: Coord| affine.place(at.x + off.x, at.y + off.y);
            let in_raster = map_polygons(&MultiPolygon(vec![piece]), in_raster);
            let lost = std::cell::Cell::new(false);
            let in_plane = map_polygons(&in_raster, |place| {
                let mut places = [place];
                lost.set(lost.get() || !self.back.points(&mut places));
                places[0]
            });
            if lost.get() {
                let why = "no way from some of its cells to the CRS of the project".to_owned();
                return Err(failed(&self.after.file, why));
            }
            found.extend(in_plane.0);
        }
        if known < 1.0 - KNOWN_ROUNDING {
            self.note(block);
        }
        Ok(ChangeSeen {
            polygons: found,
            known,
            dropped,
        })
    }

    fn note(&mut self, block: &SourceBlock) {
        self.report.blocks_not_all_known += 1;
        let first = &mut self.report.first_not_all_known;
        first.get_or_insert_with(|| block.id.clone());
    }

    fn unseen(&mut self, block: &SourceBlock) -> ChangeSeen {
        self.note(block);
        ChangeSeen::default()
    }

    /// Of each cell of a window: None where nothing is known, else whether it is cut.
    fn mask(&self, window: &Window) -> Result<Vec<Option<bool>>, ChangeError> {
        let from = (window.first_column, window.first_row);
        let size = (window.columns, window.rows);
        let read = |raster: &Raster| {
            let values = raster.read(from, size);
            values.map_err(|error| stopped(error, &raster.file))
        };
        let after = read(&self.after)?;
        match (&self.options.cut, &self.before) {
            (CutWhere::HeightLoss { least_m, .. }, Some(before)) => {
                let before = read(before)?;
                let lost = before.iter().zip(&after).map(|(before, after)| {
                    let lost_m = before - after;
                    (!lost_m.is_nan()).then_some(lost_m >= *least_m)
                });
                Ok(lost.collect())
            }
            (CutWhere::Classes(classes), _) => self.classes(classes, &after),
            (CutWhere::HeightLoss { .. }, None) => Ok(vec![None; after.len()]),
        }
    }

    fn classes(&self, cut: &[i64], values: &[f64]) -> Result<Vec<Option<bool>>, ChangeError> {
        let is_known = |value: &&f64| !value.is_nan();
        if cut.is_empty() {
            let other = |value: &&f64| **value != 0.0 && **value != 1.0;
            let mut others: Vec<f64> = values
                .iter()
                .filter(is_known)
                .filter(other)
                .copied()
                .collect();
            others.sort_by(f64::total_cmp);
            others.dedup();
            if !others.is_empty() {
                let named = others.iter().take(MOST_NAMED);
                let mut named: Vec<String> = named.map(f64::to_string).collect();
                if others.len() > MOST_NAMED {
                    named.push("...".to_owned());
                }
                return Err(ChangeError::WhichClasses {
                    file: self.after.file.clone(),
                    values: named.join(", "),
                });
            }
        }
        let is_cut = |value: f64| match cut.is_empty() {
            true => value == 1.0,
            false => cut.iter().any(|own| *own as f64 == value),
        };
        let cells = values.iter();
        Ok(cells.map(|v| (!v.is_nan()).then(|| is_cut(*v))).collect())
    }
}

fn same_grid(
    before: &Raster,
    other: &gdal::spatial_ref::SpatialRef,
    after: &Raster,
    crs: &gdal::spatial_ref::SpatialRef,
) -> Result<(), ChangeError> {
    let differ = |what: String| {
        Err(ChangeError::GridsDiffer {
            before: before.file.clone(),
            after: after.file.clone(),
            what,
        })
    };
    if other != crs {
        let (first, second) = (crs::label(other), crs::label(crs));
        return differ(format!("the first is in {first}, the second in {second}"));
    }
    let sizes = [(before.columns, before.rows), (after.columns, after.rows)];
    if sizes[0] != sizes[1] {
        let [(a, b), (c, d)] = sizes;
        return differ(format!(
            "the first has {a} by {b} cells, the second {c} by {d}"
        ));
    }
    let corner =
        |affine: &Affine, column: usize, row: usize| affine.place(column as f64, row as f64);
    for (column, row) in [(0, 0), (after.columns, 0), (0, after.rows)] {
        let at = corner(&before.affine, column, row);
        let (x, y) = after.affine.column_and_row(at);
        let off = (x - column as f64).hypot(y - row as f64);
        if off > SAME_GRID {
            return differ(format!("their cells lie {off:.2} of a cell apart"));
        }
    }
    Ok(())
}

/// Columns and rows of a raster that are read for a block.
struct Window {
    first_column: usize,
    first_row: usize,
    columns: usize,
    rows: usize,
}

impl Window {
    /// Around ground given by columns and rows; None where the raster has none of it.
    fn around(cells: &MultiPolygon, cell_m: f64, raster: &Raster) -> Option<Window> {
        let bounds = Bounds::of_polygons(cells).grown((AROUND_M / cell_m).ceil());
        let clamp = |value: f64, most: usize| value.clamp(0.0, most as f64) as usize;
        let first_column = clamp(bounds.min.x.floor(), raster.columns);
        let first_row = clamp(bounds.min.y.floor(), raster.rows);
        let window = Window {
            first_column,
            first_row,
            columns: clamp(bounds.max.x.ceil(), raster.columns).saturating_sub(first_column),
            rows: clamp(bounds.max.y.ceil(), raster.rows).saturating_sub(first_row),
        };
        (window.columns > 0 && window.rows > 0).then_some(window)
    }

    /// The place of a cell in the window.
    fn index(&self, column: i64, row: i64) -> Option<usize> {
        let column = usize::try_from(column)
            .ok()?
            .checked_sub(self.first_column)?;
        let row = usize::try_from(row).ok()?.checked_sub(self.first_row)?;
        (column < self.columns && row < self.rows).then_some(row * self.columns + column)
    }
}

/// The share of ground, given by columns and rows, whose cells are known.
fn known_share(cells: &MultiPolygon, window: &Window, mask: &[Option<bool>]) -> f64 {
    let Some(shares) = CellShares::of(cells, MOST_CELLS) else {
        return 0.0;
    };
    let (mut known, mut all) = (0.0, 0.0);
    for (at, share) in shares.shares.iter().enumerate() {
        let column = shares.first_column + (at % shares.columns) as i64;
        let row = shares.first_row + (at / shares.columns) as i64;
        all += share;
        let is_known = window
            .index(column, row)
            .is_some_and(|at| mask[at].is_some());
        if is_known {
            known += share;
        }
    }
    if all > 0.0 { known / all } else { 0.0 }
}

/// Outlines of what is cut, in columns and rows of the window, and how many pieces were too small. What stands inside a piece stays
/// outside of it, however small.
fn polygons(
    mask: &[Option<bool>],
    window: &Window,
    least_cells: i32,
) -> Result<(Vec<Polygon>, u64), String> {
    let cut: Vec<u8> = mask
        .iter()
        .map(|own| u8::from(*own == Some(true)))
        .collect();
    if !cut.contains(&1) {
        return Ok((vec![], 0));
    }
    let all = outlines(cut.clone(), window)?;
    if least_cells <= 1 {
        return Ok((all, 0));
    }
    let told = |error: gdal::errors::GdalError| error.to_string();
    let size = (window.columns, window.rows);
    let driver = DriverManager::get_driver_by_name("MEM").map_err(told)?;
    let dataset = driver.create("", size.0, size.1, 1).map_err(told)?;
    let mut band = dataset.rasterband(1).map_err(told)?;
    let mut cells = Buffer::new(size, cut.clone());
    band.write((0, 0), size, &mut cells).map_err(told)?;
    gdal_calls::polygons::sieve(&mut band, least_cells).map_err(|found| found.0)?;
    let sieved = band.read_as::<u8>((0, 0), size, size, None).map_err(told)?;
    // It fills small holes too, which are trees that stand.
    let both = sieved.data().iter().zip(&cut);
    let left: Vec<u8> = both.map(|(sieved, own)| sieved & own).collect();
    let pieces = outlines(left, window)?;
    let dropped = all.len().saturating_sub(pieces.len()) as u64;
    Ok((pieces, dropped))
}

fn outlines(cells: Vec<u8>, window: &Window) -> Result<Vec<Polygon>, String> {
    let told = |error: gdal::errors::GdalError| error.to_string();
    let size = (window.columns, window.rows);
    let driver = DriverManager::get_driver_by_name("MEM").map_err(told)?;
    let dataset = driver.create("", size.0, size.1, 1).map_err(told)?;
    let mut band = dataset.rasterband(1).map_err(told)?;
    band.write((0, 0), size, &mut Buffer::new(size, cells))
        .map_err(told)?;
    // Newer libraries have one driver for both kinds of things in memory.
    let mut drivers = ["Memory", "MEM"]
        .map(DriverManager::get_driver_by_name)
        .into_iter();
    let driver = drivers
        .find_map(Result::ok)
        .ok_or("no driver for layers in memory")?;
    let mut found = driver.create_vector_only("").map_err(told)?;
    let mut layer = found
        .create_layer(LayerOptions {
            name: "pieces",
            srs: None,
            ty: OGRwkbGeometryType::wkbPolygon,
            options: None,
        })
        .map_err(told)?;
    gdal_calls::polygons::outlines(&band, &mut layer).map_err(|found| found.0)?;
    let mut pieces = Vec::new();
    for feature in layer.features() {
        let shape = feature.geometry().map(|own| own.to_geo()).transpose();
        match shape.map_err(told)? {
            Some(Geometry::Polygon(own)) => pieces.push(own),
            Some(Geometry::MultiPolygon(own)) => pieces.extend(own.0),
            _ => {}
        }
    }
    Ok(pieces)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::area::polygon_area;

    /// By hand, eight columns and five rows: 14 cells with two that stand inside, one of them alone in a corner of its hole; a pair;
    /// and a cell of which nothing is known.
    #[test]
    fn small_changes_go_and_small_standing_trees_stay() {
        let rows = ["11111...", "1.11.1..", "11111.1.", "......1?", "1......."];
        let mask: Vec<Option<bool>> = rows
            .iter()
            .flat_map(|row| row.chars())
            .map(|c| (c != '?').then_some(c == '1'))
            .collect();
        let window = Window {
            first_column: 3,
            first_row: 7,
            columns: 8,
            rows: 5,
        };
        let areas = |least| {
            let (pieces, dropped) = polygons(&mask, &window, least).unwrap();
            let mut areas: Vec<f64> = pieces.iter().map(polygon_area).collect();
            areas.sort_by(f64::total_cmp);
            (areas, dropped)
        };
        assert_eq!(areas(1), (vec![1.0, 1.0, 2.0, 13.0], 0));
        assert_eq!(areas(2), (vec![2.0, 13.0], 2));
        assert_eq!(areas(3), (vec![13.0], 3));
        // The window's cells 3 to 11, 7 to 12: a block over its last column and one beyond.
        let ground = Bounds {
            min: Coord { x: 10.0, y: 8.0 },
            max: Coord { x: 12.0, y: 11.0 },
        };
        let ground = MultiPolygon(vec![ground.to_polygon()]);
        assert!((known_share(&ground, &window, &mask) - 2.0 / 6.0).abs() < 1e-9);
    }
}
