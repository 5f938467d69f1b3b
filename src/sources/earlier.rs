//! An earlier layout's folder read back, for a plan that takes its place.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use geo::{MultiPolygon, Polygon};
use serde::{Deserialize, Serialize};

use super::InputFile;
use super::crs::WorkCrs;
use super::finished::{Faults, FinishedError, Package, open_layout};
use super::{limits, plain};
use crate::model::{FindingLine, GroundUse, PlanMark, SheetMark, Word};

/// Figures of a block that plans are compared by, as in layer `blocks`.
pub const FIGURES: [Word; 8] = [
    "gross_ha",
    "reserve_ha",
    "retained_ha",
    "cut_ha",
    "retention_share",
    "day_hours",
    "night_hours",
    "skid_hours",
];

/// Which sheets a run wrote: `plan.json`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PlanFile {
    pub version: u32,
    pub plan: Option<PlanMark>,
    /// By the block's id.
    pub sheets: BTreeMap<String, SheetMark>,
}

pub const PLAN_FILE: &str = "plan.json";

/// A block of the earlier layout; shapes are as they were written.
#[derive(Clone, Debug)]
pub struct EarlierBlock {
    pub shape: MultiPolygon,
    /// In the order of [`FIGURES`].
    pub figures: [Option<f64>; FIGURES.len()],
    pub ground: Vec<(GroundUse, Polygon)>,
    pub findings: Vec<FindingLine>,
    /// Notes of the field that it knew, by source and id, and whether its strips were those of before them.
    pub notes: BTreeMap<(String, String), bool>,
}

impl Default for EarlierBlock {
    fn default() -> EarlierBlock {
        EarlierBlock {
            shape: MultiPolygon(vec![]),
            figures: Default::default(),
            ground: vec![],
            findings: vec![],
            notes: BTreeMap::new(),
        }
    }
}

#[derive(Clone, Debug, Default)]
pub struct EarlierLayout {
    pub folder: PathBuf,
    /// WKT of its CRS.
    pub crs_wkt: String,
    pub blocks: BTreeMap<String, EarlierBlock>,
    /// None: its run gave its sheets no number.
    pub plan_file: Option<PlanFile>,
    pub inputs: Vec<InputFile>,
}

impl EarlierLayout {
    /// Whether it is in the work CRS of a batch, as WKT.
    ///
    /// # Errors
    /// A CRS that is not understood.
    pub fn is_in(&self, crs_wkt: &str) -> Result<bool, super::SourceError> {
        let own = WorkCrs::new(&self.crs_wkt)?;
        Ok(own.spatial_ref == WorkCrs::new(crs_wkt)?.spatial_ref)
    }

    pub fn plan(&self) -> Option<&PlanMark> {
        self.plan_file.as_ref()?.plan.as_ref()
    }
}

/// Reads the layout in a folder.
///
/// # Errors
/// When `run.json`, `plan.json` or `layout.gpkg` is none of ours, a layer cannot be read, or a row of it.
pub fn earlier(folder: &Path) -> Result<EarlierLayout, FinishedError> {
    let (path, dataset) = open_layout(folder)?;
    let package = Package {
        path: &path,
        dataset: &dataset,
    };
    let mut faults = Faults::default();
    let crs_wkt = package.crs()?;
    let mut blocks: BTreeMap<String, EarlierBlock> = BTreeMap::new();
    package.each("blocks", &["block_id"], &mut faults, |id, row| {
        let block = blocks.entry(id.to_owned()).or_default();
        block.shape = row.polygons()?;
        for (slot, name) in block.figures.iter_mut().zip(FIGURES) {
            *slot = row.maybe(name)?;
        }
        Ok(())
    })?;
    let mut ground = |layer: &'static str, of: &dyn Fn(&str) -> Option<GroundUse>, by: &str| {
        package.each(layer, &["block_id", by], &mut faults, |id, row| {
            let (Some(of), Some(block)) = (of(&row.text(by)?), blocks.get_mut(id)) else {
                return Ok(());
            };
            let shapes = row.polygons()?.0.into_iter();
            block.ground.extend(shapes.map(|shape| (of, shape)));
            Ok(())
        })
    };
    let class = |key: &str| match key {
        "night_safe" => Some(GroundUse::CutByNight),
        _ => Some(GroundUse::CutByDay),
    };
    ground("sections", &class, "shift_class")?;
    ground(
        "retained",
        &|kind| (kind != "kept").then_some(GroundUse::Retained),
        "kind",
    )?;
    let reason = |key: &str| match key {
        "cut_before" => Some(GroundUse::CutBefore),
        _ => Some(GroundUse::Unworked),
    };
    ground("unworked", &reason, "reason")?;
    let of_finding = ["block_id", "rule_id", "status", "message"];
    package.each("findings", &of_finding, &mut faults, |id, row| {
        let line = FindingLine {
            rule_id: row.text("rule_id")?,
            status: row.text("status")?,
            message: row.text("message")?,
        };
        if let Some(block) = blocks.get_mut(id) {
            block.findings.push(line);
        }
        Ok(())
    })?;
    let of_note = ["block_id", "note_id", "source"];
    package.each("notes", &of_note, &mut faults, |id, row| {
        if let Some(block) = blocks.get_mut(id) {
            let came_later = row.maybe("came_later")? == Some(1.0);
            let key = (row.text("source")?, row.text("note_id")?);
            block.notes.insert(key, came_later);
        }
        Ok(())
    })?;
    if let Some((id, why)) = faults.first() {
        return Err(FinishedError::NoLayout {
            path,
            why: format!("block {id}: {why}"),
        });
    }
    Ok(EarlierLayout {
        folder: folder.to_owned(),
        crs_wkt,
        blocks,
        plan_file: plan_file(&folder.join(PLAN_FILE))?,
        inputs: inputs(&folder.join("run.json"))?,
    })
}

fn plan_file(path: &Path) -> Result<Option<PlanFile>, FinishedError> {
    let no_layout = |why: String| FinishedError::NoLayout {
        path: path.to_owned(),
        why,
    };
    match plain::read(path, limits::REPORT_FILE_BYTES) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(no_layout(error.to_string())),
        Ok(text) => serde_json::from_slice(&text)
            .map(Some)
            .map_err(|error| no_layout(error.to_string())),
    }
}

fn inputs(path: &Path) -> Result<Vec<InputFile>, FinishedError> {
    let no_layout = |why: String| FinishedError::NoLayout {
        path: path.to_owned(),
        why,
    };
    let text = plain::read(path, limits::REPORT_FILE_BYTES);
    let text = text.map_err(|error| no_layout(error.to_string()))?;
    let mut run: serde_json::Value =
        serde_json::from_slice(&text).map_err(|error| no_layout(error.to_string()))?;
    serde_json::from_value(run["inputs"].take()).map_err(|error| no_layout(error.to_string()))
}
