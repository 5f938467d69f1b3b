//! What the operator sheets of a batch have in common.

use crate::model::{BlockPlan, LayerKind, Settings};
use crate::outputs::OutputError;
use crate::outputs::sheets::{self, Page, SheetContext};
use crate::project::Project;
use crate::sources::{self, Batch};

pub struct Operator<'s> {
    title: &'s str,
    settings: &'s Settings,
    crs: &'s str,
    input: String,
    /// Of sheets of blocks of which some was cut before.
    input_of_rest: String,
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
        let mut felled = sources::only_of(&project.layers, LayerKind::Felled);
        let tracks = project.felled_tracks.iter();
        felled.extend(
            tracks.filter_map(|path| Some(path.file_name()?.to_string_lossy().into_owned())),
        );
        Ok(Some(Operator {
            title: &project.name,
            settings,
            crs: &batch.crs,
            // What was cut elsewhere makes no sheet another.
            input: sheets::input_mark(
                (batch.inputs.iter()).filter(|input| !felled.contains(&input.source)),
            ),
            input_of_rest: sheets::input_mark(&batch.inputs),
        }))
    }

    pub fn draw(&self, plan: &BlockPlan) -> Page {
        let context = SheetContext {
            title: self.title,
            settings: self.settings,
            crs: self.crs,
            input: match plan.is_rest() {
                true => &self.input_of_rest,
                false => &self.input,
            },
            words: sheets::words_in(self.settings.outputs.language),
        };
        sheets::draw(plan, &context)
    }
}
