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
    /// Without and with what was cut before, and in each without and with notes of the field.
    inputs: [[String; 2]; 2],
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
        let noted = |source: &String| {
            let mut files = project.notes.files.iter();
            files.any(|file| file.source == *source)
        };
        // What was cut or noted elsewhere makes no sheet another.
        let input = |rest: bool, notes: bool| {
            sheets::input_mark(batch.inputs.iter().filter(|input| {
                (rest || !felled.contains(&input.source)) && (notes || !noted(&input.source))
            }))
        };
        Ok(Some(Operator {
            title: &project.name,
            settings,
            crs: &batch.crs,
            inputs: [false, true].map(|rest| [false, true].map(|notes| input(rest, notes))),
        }))
    }

    pub fn draw(&self, plan: &BlockPlan) -> Page {
        let context = SheetContext {
            title: self.title,
            settings: self.settings,
            crs: self.crs,
            input: &self.inputs[usize::from(plan.is_rest())][usize::from(!plan.notes.is_empty())],
            words: sheets::words_in(self.settings.outputs.language),
        };
        sheets::draw(plan, &context)
    }
}
