//! What `inspect` finds in a project's layers, as one object or in words.

use serde_json::{Value, json};

use super::causes::{Cause, causes};
use super::summary;
use crate::batch::{self, BatchError};
use crate::init;
use crate::model::{LayerKind, NoteReport, Problem, ProblemCode};
use crate::project::Project;
use crate::sources::{self, Batch, Coverage};

/// Everything read, nothing computed.
pub struct Inspection {
    project: Project,
    batch: Batch,
    coverage: Option<Coverage>,
    notes: Vec<NoteReport>,
    problems: Vec<Problem>,
    doubts: Vec<String>,
}

impl Inspection {
    /// # Errors
    /// See [`sources::read`].
    pub fn of(project: &Project) -> Result<Inspection, BatchError> {
        let project = batch::calibrated(project)?.into_owned();
        let batch = sources::read(&project)?;
        let terrain = sources::terrain(&project, &batch.crs)?;
        let coverage = (terrain.as_ref())
            .map(|terrain| terrain.coverage(&batch.blocks))
            .transpose()?;
        let notes = batch::note_reports(&project, &batch);
        let mut problems = batch.problems.clone();
        problems.extend(batch::notes_outside(&notes, &batch));
        if let (Some(terrain), Some(coverage)) = (&terrain, &coverage) {
            // What is measured says more than what the extents told.
            problems.retain(|problem| problem.code != ProblemCode::UnknownSlope);
            problems.extend(coverage.problem(terrain));
        } else if project.settings.layout.level_ground.is_none() {
            problems.extend(sources::unclassed(&batch.blocks, &batch.features));
        }
        Ok(Inspection {
            doubts: init::doubts(&project, &batch),
            project,
            batch,
            coverage,
            notes,
            problems,
        })
    }

    pub fn falls_short(&self) -> bool {
        let falls_short = |problem: &Problem| problem.spoils() || problem.fails();
        self.problems.iter().any(falls_short)
    }

    /// What the project file itself deserves to be told.
    pub fn warnings(&self) -> &[String] {
        &self.project.warnings
    }

    pub fn json(&self) -> Value {
        let (batch, settings) = (&self.batch, &self.project.settings);
        json!({
            "version": 1,
            "command": "inspect",
            "crs": batch.crs,
            "inputs": batch.inputs,
            "layers": batch.layers,
            "terrain": batch.terrain,
            "stand_table": batch.stand_table,
            "stand_rasters": batch.stand_rasters,
            "calibration": settings.production.time.calibration,
            "max_slope": settings.machine.max_slope,
            "slopes": settings.slopes,
            "windows": settings.windows,
            "wind": settings.wind,
            "wet_ground": settings.wet_ground,
            "notes": self.notes,
            "terrain_coverage": self.coverage,
            "doubts": self.doubts,
            "causes": causes(&self.problems).iter().map(Cause::json).collect::<Vec<_>>(),
            "problems": self.problems.iter().map(summary::problem_json).collect::<Vec<_>>(),
        })
    }

    pub fn words(&self) -> String {
        let (batch, settings) = (&self.batch, &self.project.settings);
        let mut lines = vec![format!(
            "work CRS {}, {} blocks",
            batch.crs,
            batch.blocks.len()
        )];
        for layer in &batch.layers {
            lines.push(format!(
                "{:<12} {} ({}, {}): {} read, {} used, {} repaired, {} set aside",
                layer.role,
                layer.source_layer,
                layer.driver,
                layer.crs,
                layer.read,
                layer.used,
                layer.repaired,
                layer.set_aside
            ));
            if layer.stated.is_none() && LayerKind::from_key(layer.role).is_some() {
                lines.push(summary::features_line(layer));
            }
            lines.extend(layer.classes.iter().map(summary::class_words));
            lines.extend(layer.uses.iter().map(summary::use_words));
        }
        if let (Some(terrain), Some(coverage)) = (&batch.terrain, &self.coverage) {
            lines.push(summary::terrain(terrain, coverage));
        }
        lines.extend(batch.stand_table.as_ref().map(summary::stand_table));
        lines.extend(batch.stand_rasters.iter().map(summary::stand_raster));
        let time = &settings.production.time;
        if let Some(fitted) = &time.calibration {
            lines.push(summary::calibration(fitted, time));
        }
        lines.extend(summary::slopes(&settings.machine, &settings.slopes));
        lines.extend(settings.windows.0.iter().map(summary::window));
        lines.extend(settings.wind.as_ref().map(summary::wind));
        lines.extend(settings.wet_ground.as_ref().map(summary::wet_ground));
        lines.extend(self.notes.iter().map(summary::note));
        lines.extend(self.doubts.iter().map(|doubt| format!("warning: {doubt}")));
        lines.extend(causes(&self.problems).iter().map(Cause::words));
        lines.join("\n")
    }
}
