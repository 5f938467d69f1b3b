//! What the operator sheets of a batch have in common.

use std::collections::BTreeMap;

use geo::BoundingRect;

use crate::model::{BlockPlan, Settings};
use crate::outputs::OutputError;
use crate::outputs::sheets::{self, Compass, Page, SheetContext};
use crate::project::Project;
use crate::sources::Batch;

pub struct Operator<'s> {
    title: &'s str,
    settings: &'s Settings,
    crs: &'s str,
    input: String,
    /// Ways of true north by block, where a declination is shown.
    true_north_deg: BTreeMap<&'s str, f64>,
}

impl<'s> Operator<'s> {
    /// None where no sheets are wanted.
    pub fn new(
        project: &'s Project,
        batch: &'s Batch,
        settings: &'s Settings,
    ) -> Result<Option<Operator<'s>>, OutputError> {
        if !settings.outputs.sheets {
            return Ok(None);
        }
        let mut true_north_deg = BTreeMap::new();
        if settings.outputs.declination_deg.is_some() {
            let compass = Compass::new(&batch.crs_wkt)?;
            for block in &batch.blocks {
                let centre = block.shape.bounding_rect().map(|rect| rect.center());
                if let Some(degrees) = centre.and_then(|at| compass.true_north_deg(at)) {
                    true_north_deg.insert(block.id.as_str(), degrees);
                }
            }
        }
        Ok(Some(Operator {
            title: &project.name,
            settings,
            crs: &batch.crs,
            input: sheets::input_mark(&batch.inputs),
            true_north_deg,
        }))
    }

    pub fn draw(&self, plan: &BlockPlan) -> Page {
        let context = SheetContext {
            title: self.title,
            settings: self.settings,
            crs: self.crs,
            input: &self.input,
            words: sheets::words_in(self.settings.outputs.language),
        };
        let true_north_deg = self.true_north_deg.get(plan.id.as_str()).copied();
        sheets::draw(plan, &context, true_north_deg)
    }
}
