//! What the operator sheets of a batch have in common.

use crate::model::{BlockPlan, LayerKind, PlanMark, Settings, SheetMark};
use crate::outputs::sheets::{self, Page, SheetContext};
use crate::outputs::style::Theme;
use crate::outputs::{Drafts, OutputError, SheetDraft};
use crate::project::Project;
use crate::sources::{self, Batch, EarlierLayout};

pub struct Operator<'s> {
    title: &'s str,
    settings: &'s Settings,
    crs: &'s str,
    /// Without and with what was cut before, and in each without and with notes of the field.
    inputs: [[String; 2]; 2],
    /// Number and date of this plan.
    plan: Option<PlanMark>,
}

impl<'s> Operator<'s> {
    /// None where no sheets are wanted.
    pub fn new(
        project: &'s Project,
        batch: &'s Batch,
        settings: &'s Settings,
        plan: Option<PlanMark>,
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
            plan,
            inputs: [false, true].map(|rest| [false, true].map(|notes| input(rest, notes))),
        }))
    }

    /// The sheets that a block may have: with `earlier` as that plan would have drawn it, and as this one does.
    pub fn draw(&self, plan: &BlockPlan, earlier: Option<&EarlierLayout>) -> Drafts {
        let input = &self.inputs[usize::from(plan.is_rest())][usize::from(!plan.notes.is_empty())];
        let own = |replaces: Option<PlanMark>| SheetMark {
            plan: self.plan.clone(),
            replaces,
            input: input.clone(),
        };
        let marks = earlier.map_or_else(Vec::new, |earlier| self.marks(plan, earlier, input));
        let replaced = earlier.and_then(|earlier| {
            let known = earlier.plan_file.as_ref()?.sheets.get(&plan.id);
            known.map_or(earlier.plan(), |mark| mark.plan.as_ref())
        });
        let draft = |mark: SheetMark| SheetDraft {
            page: self.page(plan, &mark, Theme::Light),
            more: (self.settings.outputs.more_sheets.iter())
                .map(|inks| self.page(plan, &mark, sheets::theme(*inks)))
                .collect(),
            mark,
        };
        let first = draft(own(None));
        Drafts {
            new: match replaced {
                None => first.clone(),
                Some(_) => draft(own(replaced.cloned())),
            },
            first,
            earlier: marks.into_iter().map(draft).collect(),
        }
    }

    /// What the earlier sheet of a block may say of where it comes from. A run that numbered no sheets has left no list of
    /// them; then its inputs, all of them or those that count for this block, made the mark.
    fn marks(&self, plan: &BlockPlan, earlier: &EarlierLayout, input: &str) -> Vec<SheetMark> {
        if let Some(file) = &earlier.plan_file {
            return file.sheets.get(&plan.id).cloned().into_iter().collect();
        }
        let bare = |input: String| SheetMark {
            input,
            ..SheetMark::default()
        };
        let mut marks = vec![bare(sheets::input_mark(&earlier.inputs))];
        if marks[0].input != *input {
            marks.push(bare(input.to_owned()));
        }
        marks
    }

    fn page(&self, plan: &BlockPlan, mark: &SheetMark, theme: Theme) -> Page {
        let context = SheetContext {
            title: self.title,
            settings: self.settings,
            crs: self.crs,
            mark,
            words: sheets::words_in(self.settings.outputs.language),
            theme,
        };
        sheets::draw(plan, &context)
    }
}
