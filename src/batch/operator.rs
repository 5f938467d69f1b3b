//! What the operator sheets of a batch have in common.

use crate::model::{BlockPlan, Settings};
use crate::outputs::OutputError;
use crate::outputs::sheets::{self, Page, SheetContext};
use crate::project::Project;
use crate::sources::Batch;

pub struct Operator<'s> {
    title: &'s str,
    settings: &'s Settings,
    crs: &'s str,
    input: String,
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
        Ok(Some(Operator {
            title: &project.name,
            settings,
            crs: &batch.crs,
            input: sheets::input_mark(&batch.inputs),
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
        sheets::draw(plan, &context)
    }
}
