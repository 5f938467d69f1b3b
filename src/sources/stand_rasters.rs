//! Rasters of stems and volume per hectare and of heights, read window by window: a province is never held in memory.

use std::sync::Mutex;

use geo::MultiPolygon;

use super::crs::{self, Transform, WorkCrs};
use super::errors::SourceError;
use super::open::quiet_gdal;
use super::plain::Folders;
use super::terrain::{Affine, Mosaic, Raster, Way};
use crate::geometry::cell_shares::CellShares;
use crate::geometry::frame::map_polygons;
use crate::model::{GroundFrame, RasterMean, SourceBlock, StandGround, StandMeans, StandSource};
use crate::project::{StandRasterSources, TableSource, TerrainFile, TerrainSource};
use crate::units::LengthUnit;

/// What messages call them.
pub(super) const ROLE: &str = "stand_rasters";
/// Cells of one piece of ground; more is no section but a province.
const MOST_CELLS: usize = 25_000_000;
/// Denser stands are units gone wrong, or a mark for unknown that the raster does not declare.
const MOST_M3_PER_HA: f64 = 5_000.0;
/// No tree is higher.
const MOST_HEIGHT_M: f64 = 120.0;

/// What was found.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct StandRasterReport {
    /// `stems_per_ha`, `volume_m3_per_ha` or `height_m`.
    pub what: &'static str,
    pub source: String,
    pub driver: String,
    pub crs: String,
    pub columns: u64,
    pub rows: u64,
    /// Width and height of a cell in units of the raster's CRS.
    pub cell: [f64; 2],
    /// Share of the ground of all blocks that it knows, and the first block of which it does not know all.
    pub known: f64,
    pub first_short: Option<String>,
}

struct One {
    mosaic: Mutex<Mosaic>,
    affine: Affine,
    /// None: the raster lies in the work CRS.
    way: Option<Way>,
    report: StandRasterReport,
}

/// Rasters beside polygons of stands. The files stay open; many threads may ask.
pub struct StandRasters {
    stems: Option<One>,
    volume: Option<One>,
    height: Option<One>,
    files: Vec<TerrainFile>,
    /// What went wrong in the first window that could not be read.
    stopped: Mutex<Option<SourceError>>,
}

fn error(file: &str, message: &str) -> SourceError {
    let first = message.lines().next().unwrap_or_default();
    SourceError::StandRaster {
        file: file.to_owned(),
        message: first.replace(&format!("{file} (terrain): "), ""),
    }
}

impl StandRasters {
    /// Opens the rasters; reads no cell yet.
    ///
    /// # Errors
    /// When a file is no raster of a listed format, or has no place or no CRS.
    pub fn open(sources: &StandRasterSources, work: &WorkCrs) -> Result<StandRasters, SourceError> {
        quiet_gdal();
        let mut folders = Folders::default();
        let mut files = Vec::new();
        let mut open = |what: &'static str, source: &Option<TableSource>, most: f64| {
            let Some(source) = source else {
                return Ok(None);
            };
            One::open((what, most), source, work, &mut folders, &mut files)
                .map(Some)
                .map_err(|found| match found {
                    SourceError::Terrain(found) => error(&source.source, &found.to_string()),
                    other => other,
                })
        };
        let stems = open(
            "stems_per_ha",
            &sources.stems_per_ha,
            crate::project::MOST_STEMS_PER_HA,
        )?;
        let volume = open(
            "volume_m3_per_ha",
            &sources.volume_m3_per_ha,
            MOST_M3_PER_HA,
        )?;
        let height = open("height_m", &sources.height_m, MOST_HEIGHT_M)?;
        Ok(StandRasters {
            stems,
            volume,
            height,
            files,
            stopped: Mutex::new(None),
        })
    }

    fn all(&self) -> impl Iterator<Item = &One> {
        self.stems.iter().chain(&self.volume).chain(&self.height)
    }

    /// Every file that was opened.
    pub(super) fn files(&self) -> &[TerrainFile] {
        &self.files
    }

    /// Reads the ground of every block, and says how much of it each raster knows.
    ///
    /// # Errors
    /// When reading stops.
    pub fn reports(&self, blocks: &[SourceBlock]) -> Result<Vec<StandRasterReport>, SourceError> {
        let mut reports = Vec::new();
        for one in self.all() {
            let mut report = one.report.clone();
            let (mut known_m2, mut all_m2) = (0.0, 0.0);
            for block in blocks {
                let shape = block.frame.enter_polygons(&block.shape);
                let block_m2 = crate::geometry::area::area(&shape);
                let mean = OfBlock::new(self, &block.frame).mean(one, &shape);
                let known = mean.map_or(0.0, |mean| mean.known);
                known_m2 += known * block_m2;
                all_m2 += block_m2;
                if known < 1.0 - 1e-6 && report.first_short.is_none() {
                    report.first_short = Some(block.id.clone());
                }
            }
            report.known = if all_m2 > 0.0 { known_m2 / all_m2 } else { 0.0 };
            reports.push(report);
        }
        self.was_read()?;
        Ok(reports)
    }

    /// Whether all that was asked for could be read.
    ///
    /// # Errors
    /// The first window that could not.
    pub fn was_read(&self) -> Result<(), SourceError> {
        let mut stopped = self.stopped.lock().unwrap_or_else(|held| held.into_inner());
        stopped.take().map_or(Ok(()), Err)
    }
}

impl One {
    fn open(
        (what, most): (&'static str, f64),
        source: &TableSource,
        work: &WorkCrs,
        folders: &mut Folders,
        files: &mut Vec<TerrainFile>,
    ) -> Result<One, SourceError> {
        let file = TerrainFile {
            path: source.path.clone(),
            source: source.source.clone(),
        };
        let as_terrain = TerrainSource {
            files: vec![file.clone()],
            crs: None,
            band: 1,
            // Whatever the band says of its unit is not one of length.
            vertical_unit: Some(LengthUnit::Metre),
            cell_m: 1.0,
        };
        let (mut raster, crs) = Raster::open(&file, &as_terrain, folders)?;
        raster.believed = 0.0..=most;
        files.extend(raster.files.iter().cloned());
        let driver = raster.driver.clone();
        let mosaic = Mosaic::new(vec![raster])?;
        let affine = mosaic.affine();
        let own = crs == work.spatial_ref && work.unit_m == 1.0;
        let to = crs::wkt2(&crs).unwrap_or_default();
        let way = match own {
            true => None,
            false => Some(Way::new(work, &to, &file.source, &crs::label(&crs))?),
        };
        let report = StandRasterReport {
            what,
            source: file.source,
            driver,
            crs: crs::label(&crs),
            columns: mosaic.columns.unsigned_abs(),
            rows: mosaic.rows.unsigned_abs(),
            cell: [affine.column_step(), affine.row_step()],
            known: 0.0,
            first_short: None,
        };
        Ok(One {
            mosaic: Mutex::new(mosaic),
            affine,
            way,
            report,
        })
    }
}

/// The rasters as seen from one block; the ways to their CRS are made once.
struct OfBlock<'s> {
    rasters: &'s StandRasters,
    frame: &'s GroundFrame,
    /// Of stems, volume and height.
    ways: [Option<Transform>; 3],
}

impl<'s> OfBlock<'s> {
    fn new(rasters: &'s StandRasters, frame: &'s GroundFrame) -> OfBlock<'s> {
        quiet_gdal();
        let way = |one: &Option<One>| {
            let way = one.as_ref().and_then(|one| one.way.as_ref())?;
            match way.transform() {
                Ok(way) => Some(way),
                Err(message) => {
                    rasters.stop(one.as_ref().map_or("", |one| &one.report.source), &message);
                    None
                }
            }
        };
        OfBlock {
            rasters,
            frame,
            ways: [&rasters.stems, &rasters.volume, &rasters.height].map(way),
        }
    }

    /// None where it cannot be read.
    fn mean(&self, one: &One, ground: &MultiPolygon) -> Option<RasterMean> {
        let StandRasters {
            stems,
            volume,
            height,
            ..
        } = self.rasters;
        let is_it = |other: &Option<One>| other.as_ref().is_some_and(|it| std::ptr::eq(it, one));
        let at = [stems, volume, height].into_iter().position(is_it)?;
        let way = self.ways[at].as_ref();
        if one.way.is_some() && way.is_none() {
            return None;
        }
        let plane = self.frame.leave_polygons(ground);
        let lost = std::cell::Cell::new(false);
        let cells = map_polygons(&plane, |place| {
            let mut places = [place];
            if way.is_some_and(|way| !way.points(&mut places)) {
                lost.set(true);
            }
            let (x, y) = one.affine.column_and_row(places[0]);
            geo::Coord { x, y }
        });
        if lost.get() {
            return None;
        }
        let shares = CellShares::of(&cells, MOST_CELLS)?;
        let read = {
            let mosaic = one.mosaic.lock().unwrap_or_else(|held| held.into_inner());
            mosaic.read(
                (shares.first_column, shares.first_row),
                (shares.columns, shares.rows),
            )
        };
        let values = match read {
            Ok(values) => values,
            Err(found) => {
                self.rasters.stop(&one.report.source, &found.to_string());
                return None;
            }
        };
        let (mut sum, mut known, mut all) = (0.0, 0.0, 0.0);
        for (share, value) in shares.shares.iter().zip(values) {
            all += share;
            if *share > 0.0 && !value.is_nan() {
                known += share;
                sum += share * value;
            }
        }
        Some(RasterMean {
            per_ha: if known > 0.0 { sum / known } else { 0.0 },
            known: if all > 0.0 { known / all } else { 0.0 },
        })
    }
}

impl StandRasters {
    fn stop(&self, file: &str, message: &str) {
        let mut stopped = self.stopped.lock().unwrap_or_else(|held| held.into_inner());
        stopped.get_or_insert_with(|| error(file, message));
    }
}

impl StandGround for OfBlock<'_> {
    fn means(&self, ground: &MultiPolygon) -> StandMeans {
        let mean = |one: &Option<One>| {
            let one = one.as_ref()?;
            Some(self.mean(one, ground).unwrap_or_default())
        };
        StandMeans {
            stems: mean(&self.rasters.stems),
            volume_m3: mean(&self.rasters.volume),
            height_m: mean(&self.rasters.height),
        }
    }
}

impl StandSource for StandRasters {
    fn of_block<'s>(&'s self, frame: &'s GroundFrame) -> Box<dyn StandGround + 's> {
        Box::new(OfBlock::new(self, frame))
    }

    fn names(&self) -> String {
        let names: Vec<&str> = self.all().map(|one| one.report.source.as_str()).collect();
        names.join(", ")
    }
}
