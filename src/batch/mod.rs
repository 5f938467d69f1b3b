//! A season of blocks: one reader, the blocks in parallel, one writer, in input order and bounded memory. One bad block
//! never stops the rest.

mod audit;
mod audit_change;
mod audit_cut;
mod audit_standing;
mod audit_tracks;
mod calibration;
mod calibration_tracks;
mod came_later;
mod changes;
mod compare;
mod dispatch;
mod done_file;
mod felled_tracks;
mod field_check;
mod journal;
mod missing;
mod notes;
mod operator;
mod plan_file;
mod progress;
mod quiet;
mod replaced;
mod season;
mod shared_ground;
mod shares;
mod threads;
mod verify;
mod watch;

use std::any::Any;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::time::Instant;

use rayon::prelude::*;

use crate::compliance::{self, Season};
use crate::engines::{ENGINES, OVERLAYS};
use crate::geometry::overlaps::Overlaps;
use crate::landbase::{Landbase, SlopeSource};
use crate::layout::{self, Context, LayoutError};
use crate::model::{
    BlockPlan, GroundFrame, NoteReport, OutputSettings, PlanMark, Problem, ProblemCode, Shape,
    SourceBlock, StandSource, Verdict,
};
use crate::outputs::{
    self, BlockPage, Counts, CrsReport, Drafts, METRES, OutputError, Program, RunReport, StageTime,
    Writer,
};
use crate::project::{CalibrationSource, Project};
use crate::sources::{self, Batch, EarlierLayout, SourceError};

use journal::Journal;
use plan_file::{Basis, Made};
use quiet::quietly;
use replaced::{Changed, Told, replaced_by, write_changes};
use shares::ShareWriter;
use watch::Watch;

pub use crate::compliance::PortfolioShare;
pub use crate::outputs::dispatch::Moved;
pub use crate::outputs::{VerifyError, no_moves, try_no_moves};
pub use crate::schedule::outlook::Warning;
pub use audit::{AuditOptions, AuditOutcome, ChangeAsked, EvidenceAsked, TrackOptions, audit};
pub use calibration::{CalibrationError, calibrated};
pub use compare::{Compared, compare};
pub use dispatch::{DispatchError, DispatchOptions, Dispatched, FormerError, dispatch};
pub use done_file::{DoneError, DoneRow, read as read_done};
pub use journal::{Count, JournalError, Kept};
pub use notes::outside as notes_outside;
pub use plan_file::PlanFileError;
pub use progress::Progress;
pub use shares::{Share, ShareError, Shares};
pub use threads::most_threads;
pub use verify::{Verification, VerifyFailure, verify};
pub use watch::Patience;

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
    /// Go on with what a run that was stopped has laid out.
    pub resume: bool,
    /// Tells how much of this run is kept.
    pub kept: Kept,
    /// With blocks that never finish; None: endless.
    pub patience: Option<Patience>,
    /// Number and date that the user gives this plan, before those of the project.
    pub plan: Option<PlanMark>,
    /// Folder of the layout that this one takes the place of.
    pub replaces: Option<PathBuf>,
}

impl Options {
    /// All blocks into one folder, without a word, on as many threads as the machine has. `started` is the UTC time that
    /// `run.json` tells.
    pub fn into_folder(out: impl Into<PathBuf>, started: &str) -> Options {
        Options {
            out: out.into(),
            only: vec![],
            jobs: None,
            progress: Progress::Quiet,
            started: started.to_owned(),
            resume: false,
            kept: Kept::default(),
            patience: None,
            plan: None,
            replaces: None,
        }
    }
}

#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    #[error(transparent)]
    Source(#[from] SourceError),
    #[error(transparent)]
    Output(#[from] OutputError),
    #[error("no block has the id `{id}`{}\n  hint: `--only` takes ids as they stand in the blocks layer, separated by commas", nearest.as_ref().map(|n| format!("; did you mean `{n}`?")).unwrap_or_default())]
    UnknownBlock { id: String, nearest: Option<String> },
    #[error("the block that `--only` names cannot be worked with\n{problem}")]
    BlockSetAside { problem: Box<Problem> },
    #[error(transparent)]
    Cut(#[from] sources::CutError),
    #[error(transparent)]
    Change(#[from] sources::change::ChangeError),
    #[error(
        "{}: {option} does not go with {what}\n  hint: leave it out",
        path.display()
    )]
    NotOfThisKind {
        path: PathBuf,
        option: &'static str,
        what: &'static str,
    },
    #[error(transparent)]
    Measured(#[from] sources::field::FieldFileError),
    #[error(transparent)]
    Actions(#[from] sources::actions::ActionsError),
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
        "{}: it holds no tracks, and {option} is for tracks\n  hint: leave it out, or name a file of tracks",
        path.display()
    )]
    NotTracks { path: PathBuf, option: &'static str },
    #[error(transparent)]
    Replaced(#[from] sources::FinishedError),
    #[error(
        "{}: the earlier plan cannot be set beside this one: {why}\n  hint: {hint}",
        path.display()
    )]
    NotReplaced {
        path: PathBuf,
        why: String,
        hint: &'static str,
    },
    #[error(transparent)]
    Calibration(#[from] CalibrationError),
    #[error(transparent)]
    Share(#[from] ShareError),
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// As `BatchError::Output` or `BatchError::Journal`, when blocks are kept.
    #[error(
        "{source}\n  hint: {kept} blocks that were laid out are kept; --resume goes on with them"
    )]
    Unfinished { source: Box<BatchError>, kept: u64 },
    #[error(transparent)]
    Sweep(#[from] crate::audit::tracks::SweepError),
    #[error("cannot start {jobs} threads: {source}\n  hint: give fewer with --jobs")]
    Threads {
        jobs: usize,
        source: Box<dyn std::error::Error + Send + Sync>,
    },
}

/// What came out.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub counts: Counts,
    pub problems: Vec<Problem>,
    /// What blocks owe together, by portfolio; empty without such a rule.
    pub portfolios: Vec<PortfolioShare>,
    /// Notes of the field; empty without any.
    pub notes: Vec<NoteReport>,
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
        short(Verdict::Fail) == 0 && !self.problems.iter().any(Problem::spoils)
    }
}

/// What a block's plan and map say of the batch.
struct Sheet<'s> {
    missing: missing::Missing,
    notes: notes::Notes<'s>,
    overlaps: &'s Overlaps,
    title: &'s str,
    operator: Option<operator::Operator<'s>>,
    earlier: Option<&'s EarlierLayout>,
}

/// Blocks on their way from the workers to the writer.
struct Done {
    plan: BlockPlan,
    map: Option<String>,
    sheet: Option<Drafts>,
    change: Option<Changed>,
    page: Option<BlockPage>,
}

/// Lays out every block of a project and writes the outputs.
///
/// ```
/// use blockwright::{batch, demo, project};
///
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let folder = tempfile::tempdir()?;
/// demo::write(folder.path(), &demo::DemoOptions { blocks: 1, seed: 7 })?;
/// let project = project::load(&folder.path().join("project.toml"))?;
///
/// let mut options = batch::Options::into_folder(folder.path().join("plan"), "2031-01-10T08:00:00Z");
/// options.only = vec!["D07-0001".to_owned()];
/// let outcome = batch::run(&project, &options)?;
///
/// assert_eq!(outcome.counts.blocks_laid_out, 1);
/// assert!(options.out.join("layout.gpkg").is_file());
/// # Ok(())
/// # }
/// ```
///
/// # Errors
/// When layers cannot be read, outputs cannot be written, or `only` names a block that is not there. Bad features and
/// blocks are no errors; they are listed in the outcome.
pub fn run(project: &Project, options: &Options) -> Result<Outcome, BatchError> {
    run_with(project, options, None)
}

/// Joins shares into the outputs that [`run`] would have written. `project` is what the shares were laid out from.
///
/// # Errors
/// As [`run`], and when shares and project do not fit.
pub fn gather(
    project: &Project,
    shares: &Shares,
    options: &Options,
) -> Result<Outcome, BatchError> {
    run_with(project, options, Some(shares))
}

/// Lays out one share of a project's blocks and writes their plans to a file in the output folder, for [`gather`].
///
/// # Errors
/// As [`run`].
pub fn lay_out_share(
    project: &Project,
    share: Share,
    options: &Options,
) -> Result<ShareOutcome, BatchError> {
    let pool = threads::pool(options.jobs, options.progress)?;
    let project = &*calibrated(project)?;
    options.progress.say("reading layers");
    let mut batch = sources::read(project)?;
    felled_tracks::add(project, &mut batch)?;
    if let Some(dir) = &options.replaces {
        let earlier = replaced_by(dir, &batch)?;
        came_later::mark(&mut batch, &earlier);
    }
    let terrain = sources::terrain(project, &batch.crs)?;
    let settings = layout::effective(&project.settings, &project.rules);
    let stands = sources::stand_rasters(project, &batch.crs)?;
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout)
        .with_stand_rasters(stands.as_ref().map(|stands| stands as &dyn StandSource));
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain: terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource),
    };
    let blocks = shares::of_share(&batch.blocks, share);
    let basis = Basis::new(project, &settings, &batch);
    let mut writer = ShareWriter::create(&options.out, share, &project.path, basis)?;
    let bar = options.progress.bar(blocks.len() as u64);
    let mut refused = 0;
    let mut write = || -> Result<(), ShareError> {
        for chunk in blocks.chunks(CHUNK) {
            let made: Vec<Made> = pool.install(|| {
                let blocks = chunk.par_iter();
                let plans = blocks.map(|block| {
                    let made = lay_out_one(context, block, |plan| plan);
                    bar.step();
                    made
                });
                plans.collect()
            });
            for (block, made) in chunk.iter().zip(made) {
                refused += u64::from(made.is_err());
                writer.block(&block.id, &made)?;
            }
        }
        Ok(())
    };
    write()?;
    bar.finish();
    batch.is_up_to_date()?;
    was_read(terrain.as_ref(), stands.as_ref())?;
    Ok(ShareOutcome {
        blocks: blocks.len() as u64 - refused,
        refused,
        path: writer.finish()?,
    })
}

/// What came of one share.
#[derive(Clone, Debug)]
pub struct ShareOutcome {
    /// Laid out.
    pub blocks: u64,
    /// Set aside.
    pub refused: u64,
    pub path: PathBuf,
}

/// Plans come from `shares`, or are made here.
fn run_with(
    project: &Project,
    options: &Options,
    shares: Option<&Shares>,
) -> Result<Outcome, BatchError> {
    let mut clock = Clock::new();
    let pool = threads::pool(options.jobs, options.progress)?;
    let replaced = options
        .replaces
        .as_deref()
        .map(|dir| dir.join("layout.gpkg"));
    keep_inputs(project, &Vec::from_iter(replaced.as_deref()), &options.out)?;
    let project = &*calibrated(project)?;
    options.progress.say("reading layers");
    let mut batch = sources::read_for(project, &options.only)?;
    felled_tracks::add(project, &mut batch)?;
    let terrain = sources::terrain(project, &batch.crs)?;
    let earlier = options.replaces.as_deref();
    let earlier = earlier.map(|dir| replaced_by(dir, &batch)).transpose()?;
    if let Some(earlier) = &earlier {
        came_later::mark(&mut batch, earlier);
    }
    let chosen = choose(&batch, &options.only)?;
    clock.lap("read");
    let plan_mark = options.plan.clone().or_else(|| project.plan.clone());
    let settings = layout::effective(&project.settings, &project.rules);
    let basis = Basis::new(project, &settings, &batch);
    if let Some(shares) = shares {
        shares.check(&basis, &chosen)?;
    }
    let stands = sources::stand_rasters(project, &batch.crs)?;
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout)
        .with_stand_rasters(stands.as_ref().map(|stands| stands as &dyn StandSource));
    let mut problems = batch.problems.clone();
    clock.lap("index");
    let sheet = Sheet {
        missing: missing::Missing::new(&batch, &landbase),
        notes: notes::Notes::new(&batch, &landbase),
        overlaps: &batch.overlaps,
        title: &project.name,
        operator: operator::Operator::new(project, &batch, &settings, plan_mark.clone())?,
        earlier: earlier.as_ref(),
    };
    let note_reports = sheet.notes.reports(&batch.blocks);
    problems.extend(notes::outside(&note_reports, &batch));
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        engines: ENGINES,
        terrain: terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource),
    };
    let mut journal: Result<Option<Journal>, JournalError> = Ok(None);
    let replaces = options.replaces.as_deref();
    let written = std::thread::scope(|scope| -> Result<_, BatchError> {
        let (to_writer, from_workers) = sync_channel::<Vec<Done>>(2);
        let (ready, is_ready) = sync_channel::<()>(1);

        let batch = &batch;
        let write = move || write_all(options, batch, project, (replaces, from_workers), ready);
        let writing = move || quietly(write);
        let writer = std::thread::Builder::new()
            .spawn_scoped(scope, writing)
            .map_err(|error| threads::none(1, error))?;
        // The writer says at once whether it can write at all.
        if is_ready.recv().is_ok() {
            journal = match shares {
                Some(_) => Ok(None),
                None => open_journal(options, basis, chosen.len()).map(Some),
            };
            let work = |plans: &Plans<'_>| {
                let (wanted, progress) = (&settings.outputs, &options.progress);
                pool.install(|| lay_out_all(plans, wanted, &sheet, &chosen, progress, &to_writer))
            };
            match (shares, &journal) {
                (Some(shares), _) => problems.extend(work(&Plans::Gathered(shares))),
                (None, Ok(Some(journal))) => {
                    problems.extend(watched(options, journal, |watch| {
                        work(&Plans::Made {
                            context,
                            journal,
                            watch,
                        })
                    }));
                }
                (None, _) => {}
            }
        }
        drop(to_writer);
        clock.lap("layout");
        Ok(writer.join())
    });
    let (mut writer, mut season, told) = match written? {
        Ok(written) => written.map_err(|error| unfinished(options, error))?,
        // Not a word was said when it happened.
        Err(crash) => panic!("writing outputs failed: {}", crash_text(crash.as_ref())),
    };
    let journal = journal?;
    if let Some(journal) = &journal {
        let closed = journal.close().map_err(JournalError::from);
        closed.map_err(|error| unfinished(options, error))?;
    }
    let sound = batch
        .is_up_to_date()
        .and_then(|()| was_read(terrain.as_ref(), stands.as_ref()));
    if let Err(changed) = sound {
        // Nothing goes on from input that is no more, or that cannot be read; the file is missing where all was gathered.
        let _ = std::fs::remove_file(outputs::journal(&options.out));
        return Err(changed.into());
    }
    season::leave_out(&mut season, &batch, &chosen, &problems);
    let portfolios = season.judge(&project.rules);
    let rows: Vec<_> = portfolios.iter().map(|share| &share.row).collect();
    let findings: Vec<_> = portfolios
        .iter()
        .filter_map(|share| share.finding.as_ref())
        .collect();
    writer.season(&rows, &findings)?;
    write_changes(
        &mut writer,
        told,
        &batch,
        &plan_mark,
        (earlier.as_ref(), settings.outputs.language),
    )?;
    let plane = GroundFrame::plane(batch.unit_m);
    writer.notes_elsewhere(&sheet.notes.elsewhere(&note_reports, &plane), &plane)?;
    let twice = season.twice();
    writer.count_once(twice.gross_m2, twice.net_m2());
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
        metres: METRES,
        crs: crs_report(&batch),
        inputs: batch.inputs.clone(),
        layers: batch.layers.clone(),
        stand_table: batch.stand_table.clone(),
        stand_rasters: batch.stand_rasters.clone(),
        counts: counts.clone(),
        timings: clock.laps.clone(),
        threads,
        warnings: project.warnings.clone(),
        plan: plan_mark,
        notes: note_reports.clone(),
    };
    let finished = pool.install(|| writer.finish(&report, &problems));
    finished.map_err(|error| unfinished(options, error))?;
    drop(journal);
    clock.lap("finish");
    Ok(Outcome {
        counts,
        problems,
        portfolios,
        notes: note_reports,
        timings: clock.laps,
        threads,
    })
}

/// All notes of the field, with the blocks that each has to do with.
pub fn note_reports(project: &Project, batch: &Batch) -> Vec<NoteReport> {
    if batch.notes.is_empty() {
        return vec![];
    }
    let settings = layout::effective(&project.settings, &project.rules);
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    notes::Notes::new(batch, &landbase).reports(&batch.blocks)
}

/// Whether slopes and trees could be read wherever they were asked for.
fn was_read(
    terrain: Option<&sources::RasterTerrain>,
    stands: Option<&sources::StandRasters>,
) -> Result<(), SourceError> {
    terrain.map_or(Ok(()), sources::RasterTerrain::was_read)?;
    stands.map_or(Ok(()), sources::StandRasters::was_read)
}

/// Refuses a folder in which outputs would take the place of inputs.
fn keep_inputs(project: &Project, others: &[&Path], out: &Path) -> Result<(), OutputError> {
    let layers = project.layers.iter().map(|layer| layer.path.as_path());
    let terrain = project.terrain.iter().flat_map(|terrain| &terrain.files);
    let rules = project.rules_file.as_ref().map(|file| {
        let folder = project.path.parent().unwrap_or(Path::new(""));
        folder.join(&file.source)
    });
    let fitted = (project.calibration.iter()).flat_map(CalibrationSource::files);
    let inputs = layers
        .chain(terrain.map(|file| file.path.as_path()))
        .chain(rules.as_deref())
        .chain(project.stand_table.iter().map(|table| table.path.as_path()))
        .chain(
            project
                .stand_rasters
                .all()
                .map(|raster| raster.path.as_path()),
        )
        .chain(fitted.map(|table| table.path.as_path()))
        .chain(project.felled_tracks.iter().map(PathBuf::as_path))
        .chain(project.notes.files.iter().map(|file| file.path.as_path()))
        .chain([project.path.as_path()])
        .chain(others.iter().copied());
    keep_all(inputs, |path| outputs::would_replace(out, path))
}

/// Refuses a run whose outputs would replace one of its inputs.
fn keep_all<'p>(
    mut inputs: impl Iterator<Item = &'p Path>,
    would_replace: impl Fn(&Path) -> bool,
) -> Result<(), OutputError> {
    match inputs.find(|path| would_replace(path)) {
        Some(path) => Err(OutputError::InputAmongOutputs {
            path: path.to_owned(),
        }),
        None => Ok(()),
    }
}

fn open_journal(options: &Options, basis: Basis, blocks: usize) -> Result<Journal, JournalError> {
    let path = outputs::journal(&options.out);
    let Options { resume, kept, .. } = options;
    let journal = Journal::open(&path, basis, blocks as u64, *resume, kept)?;
    if *resume {
        options.progress.say(&format!(
            "{} of {blocks} blocks were laid out before",
            journal.found()
        ));
    }
    Ok(journal)
}

/// What went wrong, and that the blocks laid out so far are kept where they are.
fn unfinished(options: &Options, error: impl Into<BatchError>) -> BatchError {
    let source = Box::new(error.into());
    if matches!(*source, BatchError::Output(OutputError::InPlace { .. })) {
        return *source;
    }
    match *options.kept.so_far() {
        Some(Count { kept, .. }) if kept > 0 => BatchError::Unfinished { source, kept },
        _ => *source,
    }
}

/// Whether a run that was stopped has left blocks in `out` that it had laid out.
pub fn can_resume(out: &std::path::Path) -> bool {
    outputs::journal(out).is_file()
}

/// Blocks to be laid out, in input order.
fn choose<'b>(batch: &'b Batch, only: &[String]) -> Result<Vec<&'b SourceBlock>, BatchError> {
    let blocks = &batch.blocks;
    for id in only {
        if !blocks.iter().any(|block| block.id == *id) {
            let mut problems = batch.problems.iter();
            if let Some(problem) = problems.find(|p| p.set_aside && p.feature_id == *id) {
                let problem = Box::new(problem.clone());
                return Err(BatchError::BlockSetAside { problem });
            }
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
    options: &Options,
    batch: &Batch,
    project: &Project,
    (replaces, from_workers): (Option<&Path>, Receiver<Vec<Done>>),
    ready: SyncSender<()>,
) -> Result<(Writer, Season, Told), OutputError> {
    let mut season = Season::default();
    let mut told = Told::default();
    let Options { out, resume, .. } = options;
    let create = if *resume {
        Writer::resume
    } else {
        Writer::create
    };
    let ids = batch.blocks.iter().map(|block| block.id.as_str());
    let mut writer = create(out, &batch.crs_wkt)?
        .with_ids(ids)
        .with_costs(&project.settings.costs)?
        .with_stems(project.stand_table.is_some())?
        .with_exchange(&project.name, &project.settings.outputs)?;
    if project.settings.outputs.report {
        writer = writer.with_report()?;
    }
    if project.settings.outputs.sheets {
        writer = writer.with_sheets(&project.name, &project.settings.outputs)?;
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
            let mut news = None;
            if let Some(drafts) = &done.sheet {
                news = writer.sheet_of(drafts, replaces)?;
            }
            told.block(&mut writer, &done.plan.id, news, done.change)?;
            season.add(&done.plan, &project.rules, &batch.overlaps);
        }
    }
    Ok((writer, season, told))
}

/// Blocks laid out together before they go to the writer: enough to keep all threads busy, few enough to hold.
const CHUNK: usize = 128;

/// Where plans come from.
enum Plans<'p> {
    /// Made here, or by the run that is gone on with.
    Made {
        context: Context<'p>,
        journal: &'p Journal,
        watch: Option<&'p Watch>,
    },
    Gathered(&'p Shares),
}

impl Plans<'_> {
    fn plan(&self, block: &SourceBlock) -> Made {
        match self {
            Plans::Gathered(shares) => gathered(shares, block),
            Plans::Made {
                context,
                journal,
                watch,
            } => journal.made(block, || {
                let make = || caught(block, || planned(*context, block));
                match watch {
                    Some(watch) => watch.during(block, make),
                    None => make(),
                }
            }),
        }
    }

    /// Whether to go on after some blocks.
    fn go_on(&self) -> bool {
        match self {
            Plans::Gathered(_) => true,
            Plans::Made { journal, .. } => journal.sync(),
        }
    }
}

fn lay_out_all(
    plans: &Plans<'_>,
    wanted: &OutputSettings,
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
                let result = caught(block, || {
                    let mut plan = plans.plan(block)?;
                    sheet.missing.warn(block, &mut plan);
                    sheet.notes.tell(block, &mut plan);
                    shared_ground::tell(sheet.overlaps, &mut plan);
                    let map = wanted
                        .maps
                        .then(|| outputs::render(&plan, sheet.title, wanted.language));
                    let page = wanted.report.then(|| BlockPage::new(&plan));
                    let operator = sheet.operator.as_ref();
                    let change = sheet.earlier.map(|earlier| {
                        let words = (sheet.title, wanted.language);
                        Changed::of(earlier, &plan, words, wanted.maps)
                    });
                    let sheet = operator.map(|operator| operator.draw(&plan, sheet.earlier));
                    Ok(Done {
                        change,
                        plan,
                        map,
                        page,
                        sheet,
                    })
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
        if to_writer.send(done).is_err() || !plans.go_on() {
            // The writer or the journal failed, and says why when it is closed.
            break;
        }
    }
    bar.finish();
    refused
}

/// Does the work while a watch is kept over its blocks, if patience has an end.
fn watched<T>(options: &Options, journal: &Journal, work: impl FnOnce(Option<&Watch>) -> T) -> T {
    let Some(Patience { limit, end }) = options.patience else {
        return work(None);
    };
    let watch = Watch::new(limit);
    std::thread::scope(|scope| {
        let look = || {
            watch.look(|block| {
                let problem = endless(block, limit);
                options.progress.say(&format!(
                    "block {}: {}; it is set aside, and the others go on",
                    block.id, problem.message
                ));
                end(journal.keep_refused(block, problem));
            });
        };
        let started = std::thread::Builder::new().spawn_scoped(scope, look);
        if let Err(error) = started {
            options.progress.say(&format!(
                "warning: --block-limit is not kept: no thread could be started for it: {error}"
            ));
        }
        let _watched = watch.until_dropped();
        work(Some(&watch))
    })
}

fn endless(block: &SourceBlock, limit: std::time::Duration) -> Problem {
    let minutes = limit.as_secs_f64() / 60.0;
    Problem {
        code: ProblemCode::NoEnd,
        message: format!("laying out this block was not done after {minutes} minutes"),
        remedy: "simplify the block's outline or the features near it, or give it longer with --block-limit; report this \
                 with the geometry in set_aside.gpkg"
            .to_owned(),
        ..problem(block)
    }
}

/// Lays out and judges one block, and makes of it what is wanted; a crash is the block's own problem.
fn lay_out_one<T>(
    context: Context<'_>,
    block: &SourceBlock,
    finish: impl FnOnce(BlockPlan) -> T,
) -> Result<T, Box<Problem>> {
    caught(block, || planned(context, block).map(finish))
}

/// Lays out and judges one block.
fn planned(context: Context<'_>, block: &SourceBlock) -> Made {
    compliance::certified_plan(context, block, &OVERLAYS)
        .map_err(|error| Box::new(refusal(block, &error)))
}

/// The plan that a share has of a block.
fn gathered(shares: &Shares, block: &SourceBlock) -> Made {
    shares.plan(&block.id).unwrap_or_else(|error| {
        Err(Box::new(Problem {
            message: format!("its plan cannot be read from its share: {error}"),
            remedy: "gather again; if it stays so, lay the share out again".to_owned(),
            ..problem(block)
        }))
    })
}

/// Does something for a block; a crash is the block's own problem.
fn caught<T>(
    block: &SourceBlock,
    make: impl FnOnce() -> Result<T, Box<Problem>>,
) -> Result<T, Box<Problem>> {
    match quietly(|| catch_unwind(AssertUnwindSafe(make))) {
        Ok(made) => made,
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
        place: place.map(|&c| block.frame.of_plane().leave(c).into()),
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
        LayoutError::CutUncertified { .. } => (
            ProblemCode::UncertifiedCut,
            "simplify the block's outline or the feature named, then run again; report this with the geometry in set_aside.gpkg",
        ),
        LayoutError::TooWide { .. } => (
            ProblemCode::TooLarge,
            "look whether its coordinates are in another unit or CRS, or divide the block",
        ),
        LayoutError::TooLarge { .. } => (
            ProblemCode::TooLarge,
            "simplify its outline and the layers around it to what the ground needs, or divide the block",
        ),
        LayoutError::NoAccess { .. } => (
            ProblemCode::NoAccess,
            "map the road or the landing that its wood goes to, look farther with `access_search`, or lay it out as it is with `without_access = true` under [layout]",
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
        ground_off: batch.ground_off,
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
