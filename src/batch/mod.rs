//! A season of blocks: one reader, the blocks in parallel, one writer, in input order and bounded memory. One bad block
//! never stops the rest.

mod audit;
mod audit_cut;
mod audit_tracks;
mod compare;
mod dispatch;
mod done_file;
mod missing;
mod operator;
mod progress;
mod season;

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Instant;

use rayon::prelude::*;

use crate::compliance::{self, Season};
use crate::engines::ENGINES;
use crate::landbase::{Landbase, SlopeSource};
use crate::layout::{self, Context, LayoutError};
use crate::model::{BlockPlan, Problem, ProblemCode, Shape, SourceBlock, Verdict};
use crate::outputs::sheets::Page;
use crate::outputs::{
    self, BlockPage, Counts, CrsReport, OutputError, Program, RunReport, StageTime, Writer,
};
use crate::project::Project;
use crate::sources::{self, Batch, SourceError};

pub use crate::compliance::PortfolioShare;
pub use crate::schedule::outlook::Warning;
pub use audit::{AuditOptions, AuditOutcome, TrackOptions, audit};
pub use compare::{Compared, compare};
pub use dispatch::{DispatchError, DispatchOptions, Dispatched, dispatch};
pub use done_file::DoneError;
pub use progress::Progress;

/// How a batch is run.
#[derive(Clone, Debug)]
pub struct Options {
    pub out: PathBuf,
    /// Only blocks with these ids; empty: all.
    pub only: Vec<String>,
    /// Threads; None: as many as the machine has.
    pub jobs: Option<usize>,
    pub progress: Progress,
    /// UTC time at which the run began, for `run.json`.
    pub started: String,
}

#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error(transparent)]
    Output(#[from] OutputError),
    #[error("no block has the id `{id}`{}\n  hint: `--only` takes ids as they stand in the blocks layer, separated by commas", nearest.as_ref().map(|n| format!("; did you mean `{n}`?")).unwrap_or_default())]
    UnknownBlock { id: String, nearest: Option<String> },
    #[error(transparent)]
    Cut(#[from] sources::CutError),
    #[error(
        "{}: the earlier audit cannot be read: {why}\n  hint: name with --against the folder of an earlier audit",
        path.display()
    )]
    Earlier { path: PathBuf, why: String },
    #[error(
        "there is nothing to audit\n  hint: name a plan with --plan, or what was cut with --as-cut"
    )]
    NothingToAudit,
    #[error(
        "{}: it holds no tracks, and {option} is for tracks\n  hint: leave it out, or name tracks with --as-cut",
        path.display()
    )]
    NotTracks { path: PathBuf, option: &'static str },
    #[error(transparent)]
    Sweep(#[from] crate::audit::tracks::SweepError),
    #[error("cannot start {jobs} threads: {source}\n  hint: give fewer with --jobs")]
    Threads {
        jobs: usize,
        source: rayon::ThreadPoolBuildError,
    },
}

/// What came out.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub counts: Counts,
    pub problems: Vec<Problem>,
    /// What blocks owe together, by portfolio; empty without such a rule.
    pub portfolios: Vec<PortfolioShare>,
    pub timings: Vec<StageTime>,
    pub threads: usize,
}

impl Outcome {
    /// Whether every block was laid out and no rule falls short.
    pub fn is_clean(&self) -> bool {
        let short = |verdict: Verdict| {
            self.counts
                .compliance_by_status
                .get(verdict.key())
                .copied()
                .unwrap_or(0)
        };
        short(Verdict::Fail) == 0 && !self.problems.iter().any(|problem| problem.set_aside)
    }
}

/// What a block's plan and map say of the batch.
struct Sheet<'s> {
    missing: missing::Missing,
    title: &'s str,
    operator: Option<operator::Operator<'s>>,
}

/// Blocks on their way from the workers to the writer.
struct Done {
    plan: BlockPlan,
    map: Option<String>,
    sheet: Option<Page>,
    page: Option<BlockPage>,
}

/// Lays out every block of a project and writes the outputs.
///
/// # Errors
/// When layers cannot be read, outputs cannot be written, or `only` names a block that is not there. Bad features and
/// blocks are no errors; they are listed in the outcome.
pub fn run(project: &Project, options: &Options) -> Result<Outcome, BatchError> {
    let mut clock = Clock::new();
    let jobs = options.jobs.unwrap_or(0);
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs)
        .build()
        .map_err(|source| BatchError::Threads { jobs, source })?;
    options.progress.say("reading layers");
    let batch = sources::read_for(project, &options.only)?;
    let terrain = sources::terrain(project, &batch.crs)?;
    let chosen = choose(&batch.blocks, &options.only)?;
    clock.lap("read");
    let settings = layout::effective(&project.settings, &project.rules);
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    let mut problems = batch.problems.clone();
    clock.lap("index");
    let sheet = Sheet {
        missing: missing::Missing::new(&batch, &landbase),
        title: &project.name,
        operator: operator::Operator::new(project, &batch, &settings)?,
    };
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain: terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource),
    };
    let hook = std::panic::take_hook();
    // A crash in one block is caught and reported with the block; the default hook would write over the progress bar.
    std::panic::set_hook(Box::new(|_| {}));
    let written = std::thread::scope(|scope| {
        let (to_writer, from_workers) = sync_channel::<Vec<Done>>(2);
        let (ready, is_ready) = sync_channel::<()>(1);

        let writer = scope.spawn(|| write_all(&options.out, &batch, project, from_workers, ready));
        // The writer says at once whether it can write at all.
        if is_ready.recv().is_ok() {
            let refused = pool
                .install(|| lay_out_all(context, &sheet, &chosen, &options.progress, &to_writer));
            problems.extend(refused);
        }
        drop(to_writer);
        clock.lap("layout");
        writer.join()
    });
    std::panic::set_hook(hook);
    let (mut writer, mut season) = match written {
        Ok(written) => written?,
        Err(crash) => std::panic::resume_unwind(crash),
    };
    season::leave_out(&mut season, &batch, &chosen, &problems);
    let portfolios = season.judge(&project.rules);
    let rows: Vec<_> = portfolios.iter().map(|share| &share.row).collect();
    let findings: Vec<_> = portfolios
        .iter()
        .filter_map(|share| share.finding.as_ref())
        .collect();
    writer.season(&rows, &findings)?;
    let mut counts = writer.counts().clone();
    counts.add_problems(&problems);
    clock.lap("write rest");
    let threads = pool.current_num_threads();
    let report = RunReport {
        version: 1,
        program: Program::default(),
        started: options.started.clone(),
        project: project.name.clone(),
        settings: settings.clone(),
        rulebook: project.rules.clone(),
        crs: crs_report(&batch),
        inputs: batch.inputs.clone(),
        layers: batch.layers.clone(),
        counts: counts.clone(),
        timings: clock.laps.clone(),
        threads,
        warnings: project.warnings.clone(),
    };
    writer.finish(&report, &problems)?;
    clock.lap("finish");
    Ok(Outcome {
        counts,
        problems,
        portfolios,
        timings: clock.laps,
        threads,
    })
}

/// Blocks to be laid out, in input order.
fn choose<'b>(
    blocks: &'b [SourceBlock],
    only: &[String],
) -> Result<Vec<&'b SourceBlock>, BatchError> {
    for id in only {
        if !blocks.iter().any(|block| block.id == *id) {
            let nearest = blocks
                .iter()
                .map(|block| (strsim::osa_distance(&block.id, id), &block.id))
                .min()
                .filter(|(distance, _)| *distance <= 3)
                .map(|(_, id)| id.clone());
            return Err(BatchError::UnknownBlock {
                id: id.clone(),
                nearest,
            });
        }
    }
    let wanted = |block: &&SourceBlock| only.is_empty() || only.contains(&block.id);
    Ok(blocks.iter().filter(wanted).collect())
}

fn write_all(
    out: &std::path::Path,
    batch: &Batch,
    project: &Project,
    from_workers: Receiver<Vec<Done>>,
    ready: SyncSender<()>,
) -> Result<(Writer, Season), OutputError> {
    let mut season = Season::default();
    let mut writer = Writer::create(out, &batch.crs_wkt)?
        .with_exchange(&project.name, &project.settings.outputs)?;
    if project.settings.outputs.report {
        writer = writer.with_report()?;
    }
    if project.settings.outputs.sheets {
        writer = writer.with_sheets(&project.name, project.settings.outputs.language)?;
    }
    // The other end is gone only when the run itself is.
    let _ = ready.send(());
    drop(ready);
    for chunk in from_workers {
        for done in chunk {
            writer.block(&done.plan, done.map.as_deref())?;
            if let Some(page) = &done.page {
                writer.page(page)?;
            }
            if let Some(sheet) = &done.sheet {
                writer.sheet(sheet)?;
            }
            season.add(&done.plan, &project.rules);
        }
    }
    Ok((writer, season))
}

/// Blocks laid out together before they go to the writer: enough to keep all threads busy, few enough to hold.
const CHUNK: usize = 128;

fn lay_out_all(
    context: Context<'_>,
    sheet: &Sheet<'_>,
    blocks: &[&SourceBlock],
    progress: &Progress,
    to_writer: &SyncSender<Vec<Done>>,
) -> Vec<Problem> {
    let bar = progress.bar(blocks.len() as u64);
    let mut refused = Vec::new();
    for chunk in blocks.chunks(CHUNK) {
        let results: Vec<Result<Done, Box<Problem>>> = chunk
            .par_iter()
            .map(|block| {
                let result = lay_out_one(context, block, |mut plan| {
                    sheet.missing.warn(block, &mut plan);
                    let wanted = &context.settings.outputs;
                    let map = wanted
                        .maps
                        .then(|| outputs::render(&plan, sheet.title, wanted.language));
                    let page = wanted.report.then(|| BlockPage::new(&plan));
                    let operator = sheet.operator.as_ref();
                    let sheet = operator.map(|operator| operator.draw(&plan));
                    Done {
                        plan,
                        map,
                        page,
                        sheet,
                    }
                });
                bar.step();
                result
            })
            .collect();
        let mut done = Vec::with_capacity(results.len());
        for result in results {
            match result {
                Ok(block) => done.push(block),
                Err(problem) => refused.push(*problem),
            }
        }
        if to_writer.send(done).is_err() {
            // The writer failed and says why when it is joined.
            break;
        }
    }
    bar.finish();
    refused
}

/// Lays out and judges one block, and makes of it what is wanted; a crash is the block's own problem.
fn lay_out_one<T>(
    context: Context<'_>,
    block: &SourceBlock,
    finish: impl FnOnce(BlockPlan) -> T,
) -> Result<T, Box<Problem>> {
    let attempt = catch_unwind(AssertUnwindSafe(|| {
        let mut plan = layout::lay_out(context, block)?;
        compliance::judge(context, block, &mut plan);
        Ok(finish(plan))
    }));
    match attempt {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(error)) => Err(Box::new(refusal(block, &error))),
        Err(crash) => Err(Box::new(Problem {
            code: ProblemCode::Crashed,
            message: format!("laying out this block crashed: {}", crash_text(crash.as_ref())),
            remedy: "simplify the block's outline or the features near it, and report this with the geometry in set_aside.gpkg"
                .to_owned(),
            ..problem(block)
        })),
    }
}

fn crash_text(crash: &(dyn Any + Send)) -> &str {
    let text = crash.downcast_ref::<&str>().copied();
    text.or_else(|| crash.downcast_ref::<String>().map(String::as_str))
        .unwrap_or("no message")
}

fn problem(block: &SourceBlock) -> Problem {
    let place = block
        .shape
        .0
        .first()
        .and_then(|polygon| polygon.exterior().0.first());
    Problem {
        code: ProblemCode::Crashed,
        layer: block.source_layer.clone(),
        feature_id: block.id.clone(),
        place: place.map(|c| [c.x, c.y]),
        message: String::new(),
        remedy: String::new(),
        shape: Some(Shape::Polygons(block.shape.clone())),
        set_aside: true,
    }
}

fn refusal(block: &SourceBlock, error: &LayoutError) -> Problem {
    let (code, remedy) = match error {
        LayoutError::Uncertified { .. } => (
            ProblemCode::Uncertified,
            "simplify or redraw the feature named, then run again",
        ),
        LayoutError::TooLarge { .. } => (
            ProblemCode::TooLarge,
            "simplify its outline and the layers around it to what the ground needs, or divide the block",
        ),
        LayoutError::NothingLeft { .. } => (
            ProblemCode::NothingLeft,
            "check the block's place and the widths around it; there is nothing to cut",
        ),
    };
    Problem {
        code,
        message: error.to_string(),
        remedy: remedy.to_owned(),
        ..problem(block)
    }
}

fn crs_report(batch: &Batch) -> CrsReport {
    let scales = || batch.blocks.iter().map(|block| block.scale);
    CrsReport {
        crs: batch.crs.clone(),
        wkt: batch.crs_wkt.clone(),
        scale_min: scales().reduce(f64::min),
        scale_max: scales().reduce(f64::max),
    }
}

struct Clock {
    last: Instant,
    laps: Vec<StageTime>,
}

impl Clock {
    fn new() -> Clock {
        Clock {
            last: Instant::now(),
            laps: vec![],
        }
    }

    fn lap(&mut self, stage: &str) {
        let now = Instant::now();
        let seconds = (now - self.last).as_secs_f64();
        self.laps.push(StageTime {
            stage: stage.to_owned(),
            seconds,
        });
        self.last = now;
    }
}
