//! The one door for results: blocks in input order, then the run report.

use std::fs;
use std::path::Path;

use gdal::spatial_ref::SpatialRef;

use super::exchange::Exchange;
use super::gpkg::GeoPackage;
use super::report::{BlockPage, Report};
use super::run::{Counts, RunReport};
use super::sheets::{Drafts, Page, Sheets};
use super::staging::{COSTS, Earlier, LAYOUT, MAPS, REPORT, STEMS, Staging};
use super::tables::{self, Compliance, CostTable, StemTable, Table};
use super::{FileNames, OutputError, changes, layers, set_aside, sld, wet_map};
use crate::model::{
    BlockPlan, Changes, ComplianceRow, Finding, GroundFrame, Language, MachineCosts,
    OutputSettings, PlanNote, Problem, SheetMark, SheetNews,
};
use crate::sources::{PLAN_FILE, PlanFile};

/// Stands for several blocks where an output names one.
pub const ALL_BLOCKS: &str = "*";

/// Writes everything a layout run leaves behind. Nothing shows in the output folder before [`Writer::finish`], and a
/// writer dropped before that leaves no trace. Memory does not grow with the number of blocks.
pub struct Writer {
    // Fields drop in order: files close before their folder goes.
    package: GeoPackage,
    blocks: Table,
    compliance: Compliance,
    costs: Option<CostTable>,
    stems: Option<StemTable>,
    exchange: Option<Exchange>,
    sheets: Option<Sheets>,
    report: Option<Report>,
    crs_wkt: String,
    counts: Counts,
    names: FileNames,
    staging: Staging,
}

impl Writer {
    /// Opens all outputs in a staging folder inside `dir`, which is created if missing. `crs_wkt` defines the work CRS.
    ///
    /// # Errors
    /// `dir` is a file, or holds files but no `run.json` of ours; another run writes into it, or it cannot be written to; the
    /// CRS is not understood.
    pub fn create(dir: &Path, crs_wkt: &str) -> Result<Writer, OutputError> {
        Writer::create_after(dir, crs_wkt, Earlier::Forget)
    }

    /// As [`Writer::create`], but leaves the [`journal`](super::journal) of a run that was stopped where it is.
    ///
    /// # Errors
    /// As [`Writer::create`].
    pub fn resume(dir: &Path, crs_wkt: &str) -> Result<Writer, OutputError> {
        Writer::create_after(dir, crs_wkt, Earlier::Keep)
    }

    fn create_after(dir: &Path, crs_wkt: &str, earlier: Earlier) -> Result<Writer, OutputError> {
        let srs = spatial_ref(crs_wkt)?;
        let staging = Staging::create(dir, LAYOUT, earlier)?;
        Ok(Writer {
            package: GeoPackage::create(&staging.path("layout.gpkg"), &srs, layers::LAYERS)?,
            blocks: tables::blocks_table(&staging.path("blocks.csv"))?,
            compliance: Compliance::create(
                &staging.path("compliance.csv"),
                &staging.path("compliance.json"),
                &[],
            )?,
            costs: None,
            stems: None,
            exchange: None,
            sheets: None,
            report: None,
            crs_wkt: crs_wkt.to_owned(),
            counts: Counts::default(),
            names: FileNames::default(),
            staging,
        })
    }

    /// Makes known the ids of all blocks, so that an id that is a file name already stays one. Call before the first block.
    pub fn with_ids<'i>(mut self, ids: impl IntoIterator<Item = &'i str>) -> Writer {
        self.names = FileNames::of(ids);
        self
    }

    /// Opens the table of costs, if there are rates. Call before the first block.
    ///
    /// # Errors
    /// A file that cannot be created.
    pub fn with_costs(mut self, costs: &MachineCosts) -> Result<Writer, OutputError> {
        if costs.rates.any() {
            self.costs = Some(CostTable::create(&self.staging.path(COSTS), costs)?);
        }
        Ok(self)
    }

    /// Opens the table of what becomes of the trees, where there is a stand table. Call before the first block.
    ///
    /// # Errors
    /// A file that cannot be created.
    pub fn with_stems(mut self, is_known: bool) -> Result<Writer, OutputError> {
        if is_known {
            self.stems = Some(StemTable::create(&self.staging.path(STEMS))?);
        }
        Ok(self)
    }

    /// Opens the exchange files, if any are asked for. Call before the first block; `title` names the batch.
    ///
    /// # Errors
    /// A file that cannot be created, or a work CRS from which there is no way to WGS 84.
    pub fn with_exchange(
        mut self,
        title: &str,
        outputs: &OutputSettings,
    ) -> Result<Writer, OutputError> {
        if !outputs.exchange.is_empty() {
            let dir = self.staging.path("exchange");
            let srs = spatial_ref(&self.crs_wkt)?;
            self.exchange = Some(Exchange::create(&dir, &srs, title, outputs)?);
        }
        Ok(self)
    }

    /// Opens the web report. Call before the first block.
    ///
    /// # Errors
    /// A file that cannot be created.
    pub fn with_report(mut self) -> Result<Writer, OutputError> {
        self.report = Some(Report::create(&self.staging.path(REPORT))?);
        Ok(self)
    }

    /// Opens the operator sheets. Call before the first block; `title` names the batch.
    ///
    /// # Errors
    /// A file that cannot be created, or a work CRS without a geographic one below.
    pub fn with_sheets(
        mut self,
        title: &str,
        outputs: &OutputSettings,
    ) -> Result<Writer, OutputError> {
        let dir = self.staging.path("");
        let srs = spatial_ref(&self.crs_wkt)?;
        self.sheets = Some(Sheets::create(&dir, &srs, title, outputs)?);
        Ok(self)
    }

    /// Adds a block's operator sheet in colours on white, where sheets are written.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn sheet(&mut self, page: &Page) -> Result<(), OutputError> {
        match &mut self.sheets {
            Some(sheets) => sheets.page(page, &self.names.stem(&page.name)),
            None => Ok(()),
        }
    }

    /// As [`Writer::sheet`], of the sheets that a block may have: the one that the layout in folder `earlier` wrote, if that is
    /// still the block's. Says what became of it; None where no sheets are written.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn sheet_of(
        &mut self,
        drafts: &Drafts,
        earlier: Option<&Path>,
    ) -> Result<Option<(SheetNews, SheetMark)>, OutputError> {
        let Some(sheets) = &mut self.sheets else {
            return Ok(None);
        };
        let stem = self.names.stem(&drafts.new.page.name);
        sheets.draft(drafts, &stem, earlier).map(Some)
    }

    /// Writes a block's map of changes; the file's name from the output folder.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn change_map(&mut self, block_id: &str, svg: &str) -> Result<String, OutputError> {
        let dir = self.staging.path(changes::MAPS);
        fs::create_dir_all(&dir).map_err(OutputError::file(&dir, "create the folder"))?;
        let name = format!("{}.svg", self.names.stem(block_id));
        let path = dir.join(&name);
        fs::write(&path, svg).map_err(OutputError::file(&path, "write the map"))?;
        Ok(format!("{}/{name}", changes::MAPS))
    }

    /// The file of a block's sheet, from the output folder.
    pub fn sheet_file(&mut self, block_id: &str) -> String {
        format!("sheets/{}.pdf", self.names.stem(block_id))
    }

    /// Writes what changed since an earlier plan. Call after the last block.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn changes(&mut self, found: &Changes, language: Language) -> Result<(), OutputError> {
        changes::write(&self.staging.path(""), found, language)
    }

    /// Writes which plan each sheet is of, for the plan that takes the place of this one.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn plan_file(&mut self, plan: &PlanFile) -> Result<(), OutputError> {
        let path = self.staging.path(PLAN_FILE);
        let text = serde_json::to_string_pretty(plan).map_err(|source| OutputError::Json {
            path: path.clone(),
            source,
        })?;
        fs::write(&path, text + "\n").map_err(OutputError::file(&path, "write the file"))
    }

    /// Adds one block, with its map where maps are drawn. Call in input order.
    ///
    /// # Errors
    /// A file that cannot be written; the writer is of no use afterwards and should be dropped.
    pub fn block(&mut self, plan: &BlockPlan, map_svg: Option<&str>) -> Result<(), OutputError> {
        layers::write_block(&mut self.package, plan)?;
        tables::write_block_row(&mut self.blocks, plan)?;
        self.compliance.rows(&plan.id, &plan.compliance)?;
        if let Some(costs) = &mut self.costs {
            costs.block(plan)?;
        }
        if let Some(stems) = &mut self.stems {
            stems.block(plan)?;
        }
        let stem = self.names.stem(&plan.id);
        if let Some(map_svg) = map_svg {
            let map = self.staging.path(MAPS).join(format!("{stem}.svg"));
            fs::write(&map, map_svg).map_err(OutputError::file(&map, "write the map"))?;
        }
        if let Some(map) = &plan.wet {
            let path = self
                .staging
                .path(wet_map::FOLDER)
                .join(format!("{stem}.tif"));
            let srs = spatial_ref(&self.crs_wkt)?;
            wet_map::write(&path, map, &srs, plan.frame.unit_m())?;
        }
        if let Some(exchange) = &mut self.exchange {
            exchange.block(plan, &stem)?;
        }
        self.counts.add_plan(plan);
        Ok(())
    }

    /// Adds the block's page to the web report, where one is written. Call after [`Writer::block`] of the same block.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn page(&mut self, page: &BlockPage) -> Result<(), OutputError> {
        match &mut self.report {
            Some(report) => report.block(page, &self.names.stem(page.id())),
            None => Ok(()),
        }
    }

    /// Adds what is judged of several blocks together, under the block id [`ALL_BLOCKS`]. Call after the last block.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn season(
        &mut self,
        rows: &[&ComplianceRow],
        findings: &[&Finding],
    ) -> Result<(), OutputError> {
        self.compliance.rows(ALL_BLOCKS, rows.iter().copied())?;
        if let Some(report) = &mut self.report {
            report.season(rows, findings);
        }
        let findings = findings.iter().copied();
        layers::write_findings(
            &mut self.package,
            ALL_BLOCKS,
            findings.clone(),
            &GroundFrame::SAME,
        )?;
        self.counts.add_season(rows, findings.len());
        Ok(())
    }

    /// Adds notes that have to do with no block, in the frame given. Call after the last block.
    ///
    /// # Errors
    /// As [`Writer::block`].
    pub fn notes_elsewhere(
        &mut self,
        notes: &[PlanNote],
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        layers::write_notes(&mut self.package, "", notes, frame)
    }

    /// Takes ground that lies in several blocks out of the sums, in square metres as often as it is counted too often.
    pub fn count_once(&mut self, gross_m2: f64, net_m2: f64) {
        self.counts.count_once(gross_m2, net_m2);
    }

    /// What was written so far, for the run report and the summary.
    pub fn counts(&self) -> &Counts {
        &self.counts
    }

    /// Writes problems and run report, closes all and moves everything into place.
    ///
    /// # Errors
    /// A file that cannot be written or moved; the output folder is then as it was before.
    pub fn finish(self, run: &RunReport, problems: &[Problem]) -> Result<(), OutputError> {
        let Writer {
            package,
            blocks,
            compliance,
            costs,
            stems,
            exchange,
            sheets,
            report,
            crs_wkt,
            counts: _,
            names: _,
            staging,
        } = self;
        if !run.settings.outputs.maps {
            let maps = staging.path(MAPS);
            fs::remove_dir(&maps).map_err(OutputError::file(&maps, "remove the folder"))?;
        }
        let language = run.settings.outputs.language;
        let styles = sld::write(&staging.path("styles"), language)?;
        package.with_styles(styles).close()?;
        blocks.close()?;
        compliance.close()?;
        if let Some(costs) = costs {
            costs.close()?;
        }
        if let Some(stems) = stems {
            stems.close()?;
        }
        if let Some(exchange) = exchange {
            exchange.close()?;
        }
        if let Some(sheets) = sheets {
            sheets.close()?;
        }
        if let Some(report) = report {
            report.finish(run, problems)?;
        }
        set_aside::write(
            &staging.path("set_aside.csv"),
            &staging.path("set_aside.gpkg"),
            &spatial_ref(&crs_wkt)?,
            problems,
        )?;
        staging.commit(run)
    }
}

pub(super) fn spatial_ref(wkt: &str) -> Result<SpatialRef, OutputError> {
    SpatialRef::from_wkt(wkt).map_err(|source| OutputError::Crs { source })
}
