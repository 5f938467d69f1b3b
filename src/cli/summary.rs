//! What a run says at its end, to people and to programs.

use std::path::Path;

use serde_json::{Value, json};

use super::causes::{Cause, causes};
use crate::batch::{Outcome, PortfolioShare, Share, ShareOutcome, Verification};
use crate::model::shown;
use crate::model::{
    Calibration, GroundState, LimitOf, Machine, NoteFate, NoteReport, OutputSettings, Problem,
    SlopeHeading, SlopeRules, TimeModel, TrackHours, WetGround, Wind, WorkWindow,
};
use crate::rulebook::{Checked, ReadStatus, Rulebook, Severity};
use crate::sources::{
    ClassReport, Coverage, LayerReport, StandRasterReport, TableReport, TerrainReport, UseReport,
};
use crate::units::{Percent, hectares};

/// Problems shown in words; the rest stand in `set_aside.csv`.
const SHOWN: usize = 10;

pub fn words(outcome: &Outcome, outputs: &OutputSettings, out: &Path) -> String {
    let counts = &outcome.counts;
    let of = |key: &str| counts.blocks_by_status.get(key).copied().unwrap_or(0);
    let set_aside = outcome
        .problems
        .iter()
        .filter(|problem| problem.set_aside)
        .count();
    let seconds: f64 = outcome.timings.iter().map(|lap| lap.seconds).sum();
    let mut failing = counts.failing.join(", ");
    let more = of("fail").saturating_sub(counts.failing.len() as u64);
    if more > 0 {
        failing += &format!(" and {more} more");
    }
    if !failing.is_empty() {
        failing = format!("falling short of a rule: {failing}\n");
    }
    format!(
        "{} blocks laid out in {seconds:.1} s: {} ok, {} warn, {} fail; {set_aside} features set aside\n{failing}\
         {:.1} ha gross, {:.1} ha net, {} strips, {} corridors, {} patches\n\
         results in {}: {}",
        counts.blocks_laid_out,
        of("ok"),
        of("warn"),
        of("fail"),
        counts.gross_ha,
        counts.net_ha,
        counts.strips,
        counts.corridors,
        counts.patches,
        out.display(),
        written(outputs).join(", ")
    )
}

/// What lies in the output folder, as paths in it.
fn written(outputs: &OutputSettings) -> Vec<&'static str> {
    let sometimes = [
        (outputs.maps, "maps"),
        (outputs.report, "report/index.html"),
        (outputs.sheets, "sheets/all.pdf"),
        (!outputs.exchange.is_empty(), "exchange"),
    ];
    let always = [
        "layout.gpkg",
        "styles",
        "blocks.csv",
        "compliance.csv",
        "set_aside.csv",
    ];
    let sometimes = sometimes.into_iter().filter(|(is_there, _)| *is_there);
    always
        .into_iter()
        .chain(sometimes.map(|(_, path)| path))
        .collect()
}

pub fn share_words(share: Share, outcome: &ShareOutcome) -> String {
    format!(
        "share {share}: {} blocks laid out, {} set aside\nplans in {}; `blockwright gather` joins all {} shares",
        outcome.blocks,
        outcome.refused,
        outcome.path.display(),
        share.of
    )
}

pub fn share_json(share: Share, outcome: &ShareOutcome) -> Value {
    json!({
        "command": "layout",
        "share": share.to_string(),
        "blocks_laid_out": outcome.blocks,
        "blocks_set_aside": outcome.refused,
        "plans": outcome.path,
    })
}

/// One line for each file that is not as it was, and how many are.
pub fn verified_words(verified: &Verification, dir: &Path) -> String {
    let outputs = &verified.outputs;
    let mut text = String::new();
    let mut list = |what: &str, names: &[String]| {
        for name in names {
            text += &format!("{what}: {name}\n");
        }
    };
    list("altered", &outputs.altered);
    list("missing", &outputs.missing);
    list("in no list, and may pass for this run's", &outputs.unlisted);
    list("not of this run", &outputs.others);
    list("list of sums", &outputs.list_faults);
    if let Some(inputs) = &verified.inputs {
        list("input altered", &inputs.altered);
        list("input missing", &inputs.missing);
        list("input added", &inputs.added);
    }
    let sound = |all: u64, off: usize, since: &str| match off {
        0 => format!("all {all} files are as they were {since}"),
        off => format!("{off} of {all} files are not as they were {since}"),
    };
    let off = outputs.altered.len() + outputs.missing.len();
    let found = if !outputs.list_faults.is_empty() {
        format!(
            "{} files are listed, which are not those that the run wrote; {off} are not as listed",
            outputs.files
        )
    } else if off == 0 && !outputs.unlisted.is_empty() {
        format!(
            "the {} files of the run are as they were written, but {} others lie among them",
            outputs.files,
            outputs.unlisted.len()
        )
    } else {
        sound(outputs.files, off, "written")
    };
    text += &format!("{}: {found}", dir.display());
    if let Some(inputs) = &verified.inputs {
        let off = inputs.altered.len() + inputs.missing.len();
        text += &format!("\ninputs: {}", sound(inputs.files, off, "read"));
    }
    text
}

pub fn verified_json(verified: &Verification, dir: &Path) -> Value {
    json!({
        "version": 1,
        "command": "verify",
        "dir": dir.display().to_string(),
        "sound": verified.is_sound(),
        "outputs": verified.outputs,
        "inputs": verified.inputs,
    })
}

pub fn problems(problems: &[Problem]) -> String {
    let mut text = String::new();
    let found = causes(problems);
    for cause in found.iter().take(SHOWN) {
        text += &format!("{}\n", cause.words());
    }
    let left: usize = found.iter().skip(SHOWN).map(Cause::count).sum();
    if left > 0 {
        text += &format!("... and {left} more\n");
    }
    text
}

/// `class S3: 12 features, derived` with the facts that are missing.
pub fn class_words(report: &ClassReport) -> String {
    let mut text = format!(
        "{:<12} class {}: {} {}",
        "",
        report.class,
        report.features,
        report.found.key()
    );
    if !report.missing.is_empty() {
        let facts: Vec<String> = report
            .missing
            .iter()
            .map(|(name, count)| format!("{name} ({count})"))
            .collect();
        text += &format!(", not known: {}", facts.join(", "));
    }
    text
}

/// `decking: 3 no, 12 yes; 117 not said: wood may be decked along them`.
pub fn use_words(report: &UseReport) -> String {
    let said = report
        .said
        .iter()
        .map(|(word, count)| format!("{count} {word}"));
    let said = said.collect::<Vec<_>>().join(", ");
    let assumed = match (report.assumed, report.what) {
        (0, _) => String::new(),
        (count, "class") => format!("{count} without"),
        (count, _) => format!("{count} not said, taken as: {}", report.assumption),
    };
    let both = [said, assumed].into_iter().filter(|text| !text.is_empty());
    let both = both.collect::<Vec<_>>().join("; ");
    format!("{:<12} {}: {both}", "", report.what)
}

/// The line of a project file that holds a layer to what it has.
pub fn features_line(layer: &LayerReport) -> String {
    format!(
        "{:<12} features = {}   # for [layers.{}]: with this line a file with more or fewer is refused",
        "", layer.read, layer.role
    )
}

/// What became of all notes of the field, with every one that nothing follows from.
pub fn notes(notes: &[NoteReport]) -> String {
    if notes.is_empty() {
        return String::new();
    }
    let of = |fate: NoteFate| notes.iter().filter(move |note| note.fate == fate.key());
    let counts = [
        NoteFate::Used,
        NoteFate::Listed,
        NoteFate::Unknown,
        NoteFate::Refused,
    ]
    .map(|fate| format!("{} {}", of(fate).count(), fate.key()));
    let mut text = format!("{} notes: {}\n", notes.len(), counts.join(", "));
    for left in of(NoteFate::Unknown).chain(of(NoteFate::Refused)) {
        text += &note(left);
        text.push('\n');
    }
    text
}

/// One line for a note of the field.
pub fn note(note: &NoteReport) -> String {
    let accuracy = note
        .accuracy_m
        .map_or_else(|| "not known".to_owned(), |off_m| format!("{off_m} m"));
    format!(
        "{:<12} {} `{}`, {}: {}, accuracy {accuracy}, blocks {}",
        "note",
        shown::line(&note.kind),
        shown::line(&note.id),
        note.date.as_deref().unwrap_or("no date"),
        shown::line(&note.message),
        match note.blocks.is_empty() {
            true => "none".to_owned(),
            false => shown::line(&note.blocks.join(", ")).to_string(),
        }
    )
}

/// One line for each portfolio.
pub fn portfolios(portfolios: &[PortfolioShare]) -> String {
    let mut text = String::new();
    for share in portfolios {
        let row = &share.row;
        let percent = |share: Option<f64>| {
            share.map_or_else(|| "-".to_owned(), |share| format!("{:.2} %", 100.0 * share))
        };
        text += &format!(
            "{}: {} ({}, {} required)\n",
            row.status.key().replace('_', " "),
            row.title,
            percent(row.measured),
            percent(row.required)
        );
    }
    text
}

fn portfolio_json(share: &PortfolioShare) -> Value {
    json!({
        "portfolio": share.name,
        "blocks": share.blocks,
        "gross_ha": hectares(share.gross_m2),
        "kept_ha": hectares(share.kept_m2),
        "share": share.row.measured,
        "required": share.row.required,
        "status": share.row.status.key(),
        "title": share.row.title,
        "source": share.row.source,
    })
}

pub fn problem_json(problem: &Problem) -> Value {
    json!({
        "reason": problem.code.key(),
        "layer": problem.layer,
        "feature_id": problem.feature_id,
        "place": problem.place,
        "message": problem.message,
        "remedy": problem.remedy,
        "set_aside": problem.set_aside,
    })
}

pub fn outcome_json(command: &str, outcome: &Outcome, out: &Path) -> Value {
    json!({
        "version": 1,
        "command": command,
        "out": out.display().to_string(),
        "clean": outcome.is_clean(),
        "threads": outcome.threads,
        "counts": outcome.counts,
        "timings": outcome.timings,
        "notes": outcome.notes,
        "portfolios": outcome.portfolios.iter().map(portfolio_json).collect::<Vec<_>>(),
        "problems": outcome.problems.iter().map(problem_json).collect::<Vec<_>>(),
    })
}

/// What `inspect` says of the elevation raster.
pub fn terrain(report: &TerrainReport, coverage: &Coverage) -> String {
    let [width, height] = report.native_cell;
    let how = match (report.resampled, report.averaged) {
        (false, [1, 1]) => "as they are".to_owned(),
        (false, [columns, _]) => format!("averaged {columns} by {columns}"),
        (true, [1, 1]) => "resampled to the work CRS".to_owned(),
        (true, [columns, rows]) => {
            format!("averaged {columns} by {rows} and resampled to the work CRS")
        }
    };
    format!(
        "{:<12} {} ({}, {}): {} by {} cells of {} by {}, heights in {}; slopes of cells of {} m, {how}; {} of {} blocks \
         covered, {} of their ground",
        "terrain",
        report.sources.join(", "),
        report.driver,
        report.crs,
        report.columns,
        report.rows,
        rounded(width),
        rounded(height),
        report.vertical_unit,
        rounded(report.cell_m),
        coverage.whole,
        coverage.blocks,
        Percent(coverage.share)
    )
}

/// What `inspect` says of ground that may be wet.
pub fn wet_ground(wet: &WetGround) -> String {
    let soils: Vec<String> = (wet.by_soil.iter())
        .map(|(soil, m)| format!("{m} m on {soil}"))
        .collect();
    let soils = match soils.is_empty() {
        true => String::new(),
        false => format!(" ({})", soils.join(", ")),
    };
    let channels = wet.channels_m2.map_or_else(String::new, |m2| {
        format!(" or channels that {} ha drain through", hectares(m2))
    });
    format!(
        "{:<12} no higher than {} m{soils} over mapped water{channels}: may be wet, by day only ({})",
        "wet_ground", wet.depth_m, wet.source
    )
}

/// What `inspect` says of a raster of stands.
pub fn stand_raster(report: &StandRasterReport) -> String {
    let short = (report.first_short.as_ref()).map_or_else(String::new, |block| {
        format!("; not all of block {block}, where the figures of stands are taken instead")
    });
    format!(
        "{:<12} {} ({}, {}): {}, cells of {} by {}; knows {} of the ground of the blocks{short}",
        "raster",
        report.source,
        report.driver,
        report.crs,
        report.what,
        report.cell[0],
        report.cell[1],
        Percent(report.known)
    )
}

/// What `inspect` says of how steep machines may go: the largest slope of all, and each limit by machine, heading and state.
pub fn slopes(machine: &Machine, rules: &SlopeRules) -> Vec<String> {
    let line = |who: &str, most: f64, how: &str, source: &str| {
        format!(
            "{:<12} {who} up to {}{how} ({source})",
            "slopes",
            Percent(most)
        )
    };
    let mut lines = vec![line(
        "feller",
        machine.max_slope,
        "",
        machine.max_slope_source(),
    )];
    let stated = rules
        .limits
        .iter()
        .filter(|own| own.state != GroundState::Any);
    let anywhere = LimitOf::ALL.iter().flat_map(|own| rules.in_any_state(*own));
    for limit in anywhere.chain(stated.cloned()) {
        let heading = match limit.heading {
            SlopeHeading::Any => "",
            SlopeHeading::Across => " across",
            SlopeHeading::Up => " up",
            SlopeHeading::Down => " down",
        };
        let state = match limit.state {
            GroundState::Any => "",
            GroundState::Frost => " on frozen ground",
            GroundState::Snow => " in snow",
            GroundState::Rain => " in rain",
        };
        let how = format!("{heading}{state}");
        lines.push(line(limit.machine.key(), limit.most, &how, &limit.source));
    }
    lines
}

/// What `inspect` says of a window of the project.
pub fn window(window: &WorkWindow) -> String {
    let around = match window.within_m > 0.0 {
        true => format!(", and {} m around what names it", window.within_m),
        false => String::new(),
    };
    format!(
        "{:<12} {}: {}{around} ({})",
        "window", window.name, window.days, window.source
    )
}

/// What `inspect` says of the wind that throws trees.
pub fn wind(wind: &Wind) -> String {
    let sector = match wind.sector_deg > 0.0 {
        true => format!(", {} degrees to either side", wind.sector_deg / 2.0),
        false => String::new(),
    };
    let weighs = match wind.seconds_per_m > 0.0 {
        true => "weighs in the choice of direction",
        false => "measured only",
    };
    format!(
        "{:<12} from {} degrees{sector} ({}); edges within {} degrees of it face it; {weighs}",
        "wind", wind.from_deg, wind.source, wind.facing_deg
    )
}

/// What `inspect` says of a factor on hours.
pub fn calibration(fitted: &Calibration, model: &TimeModel) -> String {
    format!(
        "{:<12} {}: {} h taken, {} h by {}; factor {}, {}{}",
        "calibration",
        fitted.source,
        (fitted.hours_taken * 10.0).round() / 10.0,
        (fitted.model_hours * 10.0).round() / 10.0,
        model.name,
        fitted.words(),
        if fitted.applied {
            "in force"
        } else {
            "not in force: hours are those of the model as published"
        },
        fitted.tracks.as_ref().map_or(String::new(), track_hours)
    )
}

/// What became of the rest of the tracks' time.
fn track_hours(hours: &TrackHours) -> String {
    let figure = |hours: f64| (hours * 10.0).round() / 10.0;
    format!(
        "; of the tracks {} h in sections passed over, {} h standing longer than {} min, {} h in gaps, {} h elsewhere",
        figure(hours.passed_over),
        figure(hours.stopped),
        hours.longest_stop_min,
        figure(hours.gaps),
        figure(hours.elsewhere)
    )
}

/// What `inspect` says of the stand table.
pub fn stand_table(report: &TableReport) -> String {
    let species: Vec<&str> = (report.species.iter())
        .map(|species| match species.as_str() {
            "" => "(not named)",
            named => named,
        })
        .collect();
    format!(
        "{:<12} {}: {} rows, {} stands with classes, {} without; species: {}",
        "stand table",
        report.source,
        report.rows,
        report.stands,
        report.without,
        species.join(", ")
    )
}

/// Without the digits that only binary fractions bring; cells may be in degrees.
fn rounded(value: f64) -> f64 {
    (value * 1e7).round() / 1e7
}

/// One line for each preset: its name, its lines by how they were read, its title.
pub fn presets(presets: &[Rulebook]) -> String {
    let mut text = String::new();
    for rules in presets {
        let counts: Vec<String> = lines_by_status(rules)
            .map(|(status, count)| format!("{count} {}", status.key()))
            .collect();
        text += &format!(
            "{:<16} {}\n{:<16} {} lines: {}\n",
            rules.preset,
            rules.title,
            "",
            rules.lines.len(),
            counts.join(", ")
        );
    }
    text
}

fn lines_by_status(rules: &Rulebook) -> impl Iterator<Item = (ReadStatus, usize)> {
    let counts = ReadStatus::ALL.map(|status| (status, rules.lines_of(status)));
    counts.into_iter().filter(|(_, count)| *count > 0)
}

pub fn preset_json(rules: &Rulebook) -> Value {
    let by_status: serde_json::Map<String, Value> = lines_by_status(rules)
        .map(|(status, count)| (status.key().to_owned(), json!(count)))
        .collect();
    json!({
        "preset": rules.preset,
        "title": rules.title,
        "lines": rules.lines.len(),
        "lines_by_status": by_status,
    })
}

pub fn checked_json(checked: &Checked) -> Value {
    json!({
        "version": 1,
        "command": "rules check",
        "file": checked.file,
        "sound": checked.is_sound(),
        "errors": checked.count(Severity::Error),
        "warnings": checked.count(Severity::Warning),
        "hints": checked.count(Severity::Hint),
        "findings": checked.findings,
        "rulebook": checked.rules,
    })
}
