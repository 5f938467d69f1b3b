//! Audits the blocks of a project: one reader, the blocks in parallel, one writer, in input order.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use geo::MultiPolygon;
use rayon::prelude::*;
use serde::Deserialize;

use super::audit_cut::{Assigned, assign};
use super::quiet::quietly;
use super::{
    BatchError, Clock, Progress, audit_change, audit_standing, audit_tracks, choose, crash_text,
    crs_report, field_check, keep_inputs, missing, was_read,
};
use crate::audit::against::{self, Change};
use crate::audit::field::{FieldResults, Risk, Sampler};
use crate::audit::tracks::{Leg, Sweep, follow_by};
use crate::audit::{
    self, AS_CUT_TOLERANCE_M, BlockAudit, BlockCut, Certainty, Context, Judged, Neighbours,
    PLAN_TOLERANCE_M, Portfolios,
};
use crate::daylight::DEFAULT_MARGIN;
use crate::landbase::{Landbase, SlopeSource};
use crate::layout;
use crate::model::{GroundFrame, Problem, SourceBlock, Verdict};
use crate::outputs::{
    ALL_BLOCKS, AccuracyReport, AuditReport, AuditWriter, EvidenceOptions, FieldReport, METRES,
    Program, StageTime, TracksReport,
};
use crate::project::{AttributeSource, Project};
use crate::sources::change::{self, ChangeReport};
use crate::sources::crs::WorkCrs;
use crate::sources::limits::TABLE_FILE_BYTES;
use crate::sources::tracks::TracksRead;
use crate::sources::{self, Batch, CutFile, CutLayers, CutRead, TrackNames};

/// How an audit is run.
#[derive(Clone, Debug)]
pub struct AuditOptions {
    pub out: PathBuf,
    /// At least one of `plan` and `as_cut`. With both, what was cut is judged, and compared with the plan.
    pub plan: Option<PathBuf>,
    pub as_cut: Option<PathBuf>,
    /// Layer with the cut ground where the file judged holds several.
    pub layer: Option<String>,
    /// Attribute with the block's id in the file judged.
    pub id: Option<String>,
    pub tracks: TrackOptions,
    pub change: ChangeAsked,
    /// What was found standing on ground that `as_cut` has as cut.
    pub standing: Option<PathBuf>,
    /// What is said of the accuracy of what was cut; None: nothing, so that a plan is as drawn, and what was cut may be off by
    /// [`AS_CUT_TOLERANCE_M`].
    pub certainty: Option<Certainty>,
    /// Draw places for the field by this risk and seed; None: none.
    pub field_check: Option<(Risk, u64)>,
    /// What was measured there: a filled `field_check.csv`, or waypoints of GPX. Asks for `field_check`.
    pub measured: Option<PathBuf>,
    /// Make an evidence pack.
    pub evidence: Option<EvidenceAsked>,
    /// Folder of an earlier audit to compare with.
    pub against: Option<PathBuf>,
    pub only: Vec<String>,
    pub jobs: Option<usize>,
    pub progress: Progress,
    pub started: String,
}

/// What goes into an evidence pack.
#[derive(Clone, Debug, Default)]
pub struct EvidenceAsked {
    /// Its table of actions, filled.
    pub actions: Option<PathBuf>,
    /// OpenSSH key that its sums are signed with.
    pub sign_key: Option<PathBuf>,
    /// Of the codes of findings.
    pub seed: u64,
}

/// How tracks of the felling machine are read; of no meaning for polygons.
#[derive(Clone, Debug)]
pub struct TrackOptions {
    /// None: as wide as the project's strips.
    pub cutting_width_m: Option<f64>,
    /// Attribute of points with their time.
    pub time: Option<String>,
    /// Attribute that tells the points of one track from those of another.
    pub track: Option<String>,
    /// Taken off daylight at both ends.
    pub daylight_margin: chrono::Duration,
}

impl Default for TrackOptions {
    fn default() -> TrackOptions {
        TrackOptions {
            cutting_width_m: None,
            time: None,
            track: None,
            daylight_margin: DEFAULT_MARGIN,
        }
    }
}

/// What is said of a raster of change; of no meaning for anything else.
#[derive(Clone, Debug, Default)]
pub struct ChangeAsked {
    /// Values that mean cut.
    pub classes: Vec<i64>,
    /// Heights before, and how much must be lost, m.
    pub before: Option<(PathBuf, f64)>,
    /// Smaller pieces are left out, m².
    pub least_m2: Option<f64>,
}

impl ChangeAsked {
    /// The first option that was given.
    fn given(&self) -> Option<&'static str> {
        let classes = (!self.classes.is_empty()).then_some("--cut-class");
        let before = self.before.as_ref().map(|_| "--before");
        let least = self.least_m2.map(|_| "--least-change");
        classes.or(before).or(least)
    }
}

/// What came out.
#[derive(Clone, Debug)]
pub struct AuditOutcome {
    pub blocks: u64,
    /// Blocks of which nothing is cut.
    pub uncut: u64,
    pub rows_by_status: BTreeMap<&'static str, u64>,
    /// How far an edge of the cut may lie elsewhere, m.
    pub tolerance_m: f64,
    pub accuracy: AccuracyReport,
    /// The first findings that fail, for the summary.
    pub failing: Vec<String>,
    /// Against the earlier audit, if one was named.
    pub changes: Option<Vec<Change>>,
    pub problems: Vec<Problem>,
    /// What was made of tracks, where they were given.
    pub tracks: Option<TracksReport>,
    /// What was made of a raster of change, where one was given.
    pub change: Option<ChangeReport>,
    /// Where places for the field were drawn.
    pub field_check: Option<FieldReport>,
    pub timings: Vec<StageTime>,
    pub threads: usize,
}

impl AuditOutcome {
    /// Whether nothing fails and nothing of the input was set aside.
    pub fn is_clean(&self) -> bool {
        !self.rows_by_status.contains_key(Verdict::Fail.key())
            && !self.problems.iter().any(Problem::spoils)
    }
}

#[derive(Deserialize)]
struct Earlier {
    rows: Vec<against::Row>,
}

fn earlier(dir: &Path) -> Result<Vec<against::Row>, BatchError> {
    let path = dir.join("compliance.json");
    let bad = |why: String| BatchError::Earlier {
        path: path.clone(),
        why,
    };
    let text =
        sources::read_plain(&path, TABLE_FILE_BYTES).map_err(|error| bad(error.to_string()))?;
    let earlier: Earlier = serde_json::from_slice(&text).map_err(|error| bad(error.to_string()))?;
    Ok(earlier.rows)
}

/// Blocks judged together before they are written.
const CHUNK: usize = 128;
/// Failing findings kept for the summary.
const SHOWN: usize = 10;

/// Judges what a plan cuts, or what was cut, in every block, and writes the outputs.
///
/// # Errors
/// When layers, the file judged or the earlier audit cannot be read, outputs cannot be written, or `only` names a block
/// that is not there.
pub fn audit(project: &Project, options: &AuditOptions) -> Result<AuditOutcome, BatchError> {
    let mut clock = Clock::new();
    let pool = super::threads::pool(options.jobs, options.progress)?;
    let actions = options.evidence.as_ref();
    let actions = actions.map_or(&None, |evidence| &evidence.actions);
    let before_cut = options.change.before.as_ref().map(|(path, _)| path.clone());
    let judged = [
        &options.as_cut,
        &options.plan,
        &options.measured,
        actions,
        &before_cut,
        &options.standing,
    ]
    .into_iter()
    .flatten();
    let judged: Vec<&Path> = judged.map(PathBuf::as_path).collect();
    keep_inputs(project, &judged, &options.out)?;
    let before = options.against.as_deref().map(earlier).transpose()?;
    let filled = options
        .measured
        .as_deref()
        .map(sources::field::read)
        .transpose()?;
    let actions = actions.as_deref().map(sources::actions::read).transpose()?;
    options.progress.say("reading layers");
    let batch = sources::read(project)?;
    let terrain = sources::terrain(project, &batch.crs)?;
    let chosen = choose(&batch, &options.only)?;
    let neighbours = Neighbours::overlapping(&batch.blocks, batch.overlaps.clone());
    let mut problems = batch.problems.clone();
    let mut inputs = batch.inputs.clone();
    inputs.extend(filled.iter().filter_map(|read| read.input.clone()));
    inputs.extend(actions.iter().filter_map(|read| read.input.clone()));
    let mut tracks: Option<TracksReport> = None;
    let mut change: Option<ChangeReport> = None;
    let mut take =
        |path: &Path, judged: bool, beside: Option<&Assigned>| -> Result<Assigned, BatchError> {
            let is_raster = judged && options.as_cut.is_some() && change::is_raster(path);
            if judged {
                goes_together(path, options, is_raster)?;
            }
            if is_raster {
                let (assigned, report, read) =
                    audit_change::assign(path, options, &batch, &neighbours)?;
                inputs.extend(read);
                change = Some(report);
                return Ok(assigned);
            }
            let file = cut_file(project, path, options, judged);
            // Sections say which ground is for daylight only, which tracks alone are set against.
            let read: CutRead = sources::read_cut(&file, &batch.crs, !judged)?;
            inputs.extend(read.inputs);
            if let CutLayers::Tracks(read) = read.layers {
                let beside = beside.map(|plan| &plan.cuts[..]);
                let (assigned, report) =
                    tracks_cut(project, path, options, &batch, &neighbours, beside, read)?;
                tracks = Some(report);
                return Ok(assigned);
            }
            if judged && options.tracks.cutting_width_m.is_some() {
                return Err(BatchError::NotTracks {
                    path: path.to_owned(),
                    option: "--cutting-width",
                });
            }
            let assigned = assign(read.layers, &read.problems, &batch.blocks, &neighbours);
            problems.extend(read.problems);
            Ok(assigned)
        };
    let (cut, plan, unsaid) = match (&options.as_cut, &options.plan) {
        (Some(as_cut), plan) => {
            let plan = plan.as_deref();
            let plan = plan.map(|plan| take(plan, false, None)).transpose()?;
            let cut = take(as_cut, true, plan.as_ref())?;
            (cut, plan, Certainty::Assumed(AS_CUT_TOLERANCE_M))
        }
        (None, Some(plan)) => {
            let unsaid = Certainty::Tolerance(PLAN_TOLERANCE_M);
            (take(plan, true, None)?, None, unsaid)
        }
        (None, None) => return Err(BatchError::NothingToAudit),
    };
    let mut cut = cut;
    if let Some(path) = &options.standing {
        let read = audit_standing::leave(path, &batch, &neighbours, &mut cut)?;
        inputs.extend(read.inputs);
        problems.extend(read.problems);
    }
    let unsaid = change.as_ref().map_or(unsaid, audit_change::certainty);
    let certainty = options.certainty.clone().unwrap_or(unsaid);
    clock.lap("read");
    let mut settings = layout::effective(&project.settings, &project.rules);
    // Rules ask for their own widths: what a plan keeps off more than that is the planner's.
    settings.layout.keep_for_accuracy = false;
    let landbase = Landbase::new(&batch.features, &project.rules, &settings.layout);
    let context = Context {
        landbase: &landbase,
        settings: &settings,
        rules: &project.rules,
        terrain: terrain.as_ref().map(|terrain| terrain as &dyn SlopeSource),
        neighbours: &neighbours,
        certainty: &certainty,
    };
    clock.lap("index");
    let evidence = options.evidence.as_ref().map(|asked| EvidenceOptions {
        actions: actions.unwrap_or_default(),
        sign_key: asked.sign_key.clone(),
        seed: asked.seed,
        language: project.settings.outputs.language,
    });
    let mut season = Season {
        writer: AuditWriter::create(
            &options.out,
            &batch.crs_wkt,
            project.settings.outputs.language,
            evidence,
        )?,
        portfolios: Portfolios::default(),
        sampler: Sampler::new(options.field_check),
        results: FieldResults::new(
            filled.iter().flat_map(|read| read.rows.clone()).collect(),
            options.field_check.map_or(0, |(_, seed)| seed),
            settings.layout.road_band_fail_m,
        ),
        measured: options.measured.clone().unwrap_or_default(),
        rows_by_status: BTreeMap::new(),
        failing: vec![],
        after: before.is_some().then(Vec::new),
    };
    let index: BTreeMap<&str, usize> = (batch.blocks.iter().enumerate())
        .map(|(index, block)| (block.id.as_str(), index))
        .collect();
    let bar = options.progress.bar(chosen.len() as u64);
    let mut uncut = 0;
    let assumed = missing::assumed_rows(&problems);
    for chunk in chosen.chunks(CHUNK) {
        let judge = |block: &&SourceBlock| {
            let at = index[block.id.as_str()];
            let plan: Option<&BlockCut> = plan.as_ref().map(|plan| &plan.cuts[at]);
            let attempt = AssertUnwindSafe(|| audit::judge(context, block, &cut.cuts[at], plan));
            // Crashes are caught: of an overlay, which is done again in another frame, or of a block, which says so.
            let audited = quietly(|| catch_unwind(attempt))
                .unwrap_or_else(|crash| audit::crashed(block, crash_text(crash.as_ref())));
            bar.step();
            audited
        };
        let mut audited: Vec<BlockAudit> = pool.install(|| chunk.par_iter().map(judge).collect());
        for audit in &mut audited {
            audit.add(&assumed);
        }
        for (block, audit) in chunk.iter().zip(&mut audited) {
            uncut += u64::from(audit.uncut);
            season.block(audit, block, project)?;
        }
    }
    bar.finish();
    clock.lap("judge");
    let chosen_ids: std::collections::BTreeSet<&str> =
        chosen.iter().map(|block| block.id.as_str()).collect();
    for block in &batch.blocks {
        if !chosen_ids.contains(block.id.as_str()) {
            season.portfolios.leave_out(block.portfolio.as_deref());
        }
    }
    let block_layers: Vec<&str> = (batch.layers.iter())
        .filter(|layer| layer.role == crate::model::LayerKind::Blocks.key())
        .map(|layer| layer.source_layer.as_str())
        .collect();
    let unread =
        |problem: &&Problem| problem.set_aside && block_layers.contains(&problem.layer.as_str());
    season.portfolios.unread = batch.problems.iter().filter(unread).count() as u64;
    let plane = GroundFrame::plane(batch.unit_m);
    let mut rows = season.portfolios.judge(&project.rules, &certainty);
    if change.is_some() {
        rows.iter_mut().for_each(audit::screened);
    }
    if options.only.is_empty() {
        rows.extend(strays(&cut, &neighbours, &plane));
    }
    season.add(ALL_BLOCKS, &mut rows, &plane)?;
    let Season {
        mut writer,
        sampler,
        results,
        rows_by_status,
        failing,
        after,
        ..
    } = season;
    let mut field_check = None;
    if let Some(check) = sampler.finish() {
        let work = WorkCrs::new(&batch.crs)?;
        let ways = field_check::approaches(&check, &batch.features, &neighbours, &work);
        let titled = (project.name.as_str(), project.settings.outputs.language);
        writer.field_check(titled, &check, &ways)?;
        let mut report = FieldReport::of(&check);
        if let (Some(read), Some(path)) = (&filled, &options.measured) {
            if let Some(error) = field_check::unknown_code(path, &results) {
                return Err(error.into());
            }
            let name = path.file_name().map(|name| name.to_string_lossy());
            report.source = name.map(|name| name.into_owned());
            report.result = Some(results.conclude(&check));
            report.remarks = field_check::remarks(read, &check, &ways);
        }
        field_check = Some(report);
    }
    let changes = match (&before, &after) {
        (Some(before), Some(after)) => Some(against::compare(before, after)),
        _ => None,
    };
    if let Some(changes) = &changes {
        writer.differences(changes)?;
    }
    batch.is_up_to_date()?;
    was_read(terrain.as_ref(), None)?;
    let threads = pool.current_num_threads();
    let report = AuditReport {
        version: 1,
        program: Program::default(),
        command: "audit",
        started: options.started.clone(),
        project: project.name.clone(),
        tolerance_m: certainty.limit_m(),
        accuracy: AccuracyReport::of(&certainty),
        settings: settings.clone(),
        rulebook: project.rules.clone(),
        metres: METRES,
        crs: crs_report(&batch),
        inputs,
        blocks: chosen.len() as u64,
        rows_by_status: rows_by_status.clone(),
        tracks: tracks.clone(),
        change: change.clone(),
        field_check: field_check.clone(),
        timings: clock.laps.clone(),
        threads,
        warnings: project.warnings.clone(),
    };
    pool.install(|| writer.finish(&report, &problems))?;
    clock.lap("finish");
    Ok(AuditOutcome {
        blocks: chosen.len() as u64,
        uncut,
        rows_by_status,
        tolerance_m: certainty.limit_m(),
        accuracy: AccuracyReport::of(&certainty),
        failing,
        changes,
        problems,
        tracks,
        change,
        field_check,
        timings: clock.laps,
        threads,
    })
}

/// # Errors
/// An option for another kind of file than is judged.
fn goes_together(path: &Path, options: &AuditOptions, is_raster: bool) -> Result<(), BatchError> {
    let of_layers = [
        options.layer.as_ref().map(|_| "--layer"),
        options.id.as_ref().map(|_| "--id"),
        options.tracks.cutting_width_m.map(|_| "--cutting-width"),
        options.tracks.time.as_ref().map(|_| "--time"),
        options.tracks.track.as_ref().map(|_| "--track"),
    ];
    let (option, what) = match is_raster {
        true => (of_layers.into_iter().flatten().next(), "a raster of change"),
        false => (options.change.given(), "a file that is no raster"),
    };
    option.map_or(Ok(()), |option| {
        Err(BatchError::NotOfThisKind {
            path: path.to_owned(),
            option,
            what,
        })
    })
}

/// Layer and attribute are those of the file judged; a plan beside it is looked into by itself.
fn cut_file(project: &Project, path: &Path, options: &AuditOptions, judged: bool) -> CutFile {
    let mut ids = vec!["block_id".to_owned()];
    for layer in &project.layers {
        if layer.kind == crate::model::LayerKind::Blocks {
            ids.extend(layer.id.0.iter().filter_map(|source| match source {
                AttributeSource::Field(name) if !name.eq_ignore_ascii_case("fid") => {
                    Some(name.clone())
                }
                AttributeSource::Field(_) | AttributeSource::Constant(_) => None,
            }));
        }
    }
    CutFile {
        path: path.to_owned(),
        layer: options.layer.clone().filter(|_| judged),
        id: options.id.clone().filter(|_| judged),
        ids,
        tracks: judged.then(|| TrackNames {
            time: options.tracks.time.clone(),
            track: options.tracks.track.clone(),
        }),
    }
}

/// Follows tracks, sweeps them block by block, and says what was made of them.
fn tracks_cut(
    project: &Project,
    path: &Path,
    options: &AuditOptions,
    batch: &Batch,
    neighbours: &Neighbours,
    plan: Option<&[BlockCut]>,
    read: TracksRead,
) -> Result<(Assigned, TracksReport), BatchError> {
    let unsaid = Certainty::Assumed(AS_CUT_TOLERANCE_M);
    let certainty = options.certainty.as_ref().unwrap_or(&unsaid);
    let own_m = project.settings.machine.strip_width_m();
    let how = Sweep::of_width(options.tracks.cutting_width_m.unwrap_or(own_m));
    let on_ground = |from, to| neighbours.metres(from, to);
    let mut way = follow_by(&read.tracks, &how, &on_ground)?;
    let mut remarks = way.remarks();
    if let Some(error_m) = certainty.fix_error_m() {
        let planned = audit_tracks::PlannedLines::new(plan.unwrap_or_default(), &on_ground);
        let is_planned = |at| planned.hold(at);
        if let Some((least, most)) = way.smooth(error_m, &on_ground, &is_planned) {
            remarks.push(smoothing_in_words(error_m, least, most));
        }
    }
    let plan = plan.map(|plan| (plan, certainty.limit_m()));
    let mut assigned = audit_tracks::assign(&way, &how, plan, batch.blocks.len(), neighbours);
    let work = WorkCrs::new(&batch.crs)?;
    let margin = options.tracks.daylight_margin;
    audit_tracks::light(&mut assigned, neighbours, &work, margin);
    let name = path.file_name().map(|name| name.to_string_lossy());
    let metres = |leg: &Leg| -> f64 {
        let ends = leg.shape.0.windows(2);
        ends.map(|w| on_ground(w[0], w[1])).sum()
    };
    let report = TracksReport {
        source: name.map_or_else(String::new, |name| name.into_owned()),
        tracks: read.tracks.len() as u64,
        fixes: way.tally.fixes as u64,
        driven_km: (way.legs.iter().map(metres).sum::<f64>()).round() / 1e3,
        cutting_width_m: how.width_m,
        max_gap_m: how.max_gap_m,
        max_gap_s: how.max_gap_s,
        max_speed_m_s: how.max_speed_m_s,
        noise_m: how.noise_m,
        daylight_margin_min: margin.as_seconds_f64() / 60.0,
        remarks: read.notes.into_iter().chain(remarks).collect(),
    };
    Ok((assigned, report))
}

fn smoothing_in_words(error_m: f64, least: f64, most: f64) -> String {
    let restless = match least == most {
        true => format!("{least:.0e}"),
        false => format!("{least:.0e} to {most:.0e}"),
    };
    format!(
        "fixes smoothed by a Kalman filter and the smoother of Rauch, Tung & Striebel, each taken to be off by {error_m:.2} m along \
         any direction; white noise acceleration of {restless} m²/s³ makes them likeliest"
    )
}

/// Cut ground that lies in or near no block, and block ids that the project does not know.
fn strays(cut: &Assigned, neighbours: &Neighbours, plane: &GroundFrame) -> Vec<Judged> {
    let mut rows = Vec::new();
    if !cut.strays.is_empty() {
        let ground = MultiPolygon(cut.strays.clone());
        rows.push(audit::stray_row(
            neighbours.area_m2(&cut.strays),
            ground,
            plane,
        ));
    }
    if let Some((metres, at)) = cut.astray {
        rows.push(audit::stray_track_row(metres, at, plane));
    }
    if !cut.unknown_ids.is_empty() {
        let count: u64 = cut.unknown_ids.values().sum();
        let ids: Vec<&str> = cut.unknown_ids.keys().map(String::as_str).take(5).collect();
        rows.push(audit::unknown_ids_row(count, &ids));
    }
    rows
}

/// What is gathered over all blocks.
struct Season {
    writer: AuditWriter,
    portfolios: Portfolios,
    sampler: Sampler,
    results: FieldResults,
    /// What they were read from, for messages.
    measured: PathBuf,
    rows_by_status: BTreeMap<&'static str, u64>,
    failing: Vec<String>,
    after: Option<Vec<against::Row>>,
}

impl Season {
    fn block(
        &mut self,
        audit: &mut BlockAudit,
        block: &SourceBlock,
        project: &Project,
    ) -> Result<(), BatchError> {
        self.portfolios.add(audit, &project.rules);
        self.field(&audit.id, &mut audit.rows, &audit.frame, Some(&block.shape))?;
        if let Some(worst) = audit.rows.iter().map(Judged::status).max() {
            audit.status = worst;
        }
        self.count(&audit.id, &audit.rows);
        self.writer.block(audit, &block.shape)?;
        Ok(())
    }

    /// Places are drawn by what the layers say; then what was measured decides.
    fn field(
        &mut self,
        id: &str,
        rows: &mut [Judged],
        frame: &GroundFrame,
        outline: Option<&MultiPolygon>,
    ) -> Result<(), BatchError> {
        self.sampler.add(id, rows, frame, outline);
        let judged = self.results.judge(id, rows);
        judged.map_err(|found| field_check::not_measurable(self.measured.clone(), found))?;
        Ok(())
    }

    fn add(
        &mut self,
        id: &str,
        rows: &mut [Judged],
        frame: &GroundFrame,
    ) -> Result<(), BatchError> {
        self.field(id, rows, frame, None)?;
        self.count(id, rows);
        self.writer.rows(id, rows, frame)?;
        Ok(())
    }

    fn count(&mut self, id: &str, rows: &[Judged]) {
        for judged in rows {
            let row = &judged.row.row;
            *self.rows_by_status.entry(row.status.key()).or_default() += 1;
            if row.status == Verdict::Fail && self.failing.len() < SHOWN {
                let figure =
                    |value: Option<f64>| value.map_or("-".to_owned(), |v| format!("{v:.3}"));
                let (measured, required) = (figure(row.measured), figure(row.required));
                let text = format!(
                    "fail: block {id}, {}: {measured} of {required} {}; {}",
                    row.title, row.unit, judged.row.message
                );
                self.failing.push(text);
            }
            if let Some(after) = &mut self.after {
                after.push(against::Row {
                    block_id: id.to_owned(),
                    rule_id: row.rule_id.clone(),
                    title: row.title.clone(),
                    status: row.status.key().to_owned(),
                    measured: row.measured,
                    required: row.required,
                    short: judged.row.short,
                    unit: row.unit.to_owned(),
                });
            }
        }
    }
}
