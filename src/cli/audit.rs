//! `blockwright audit`: what it says at its end.

use std::path::Path;

use serde_json::{Value, json};

use super::args::{AuditArgs, ErrorsArg};
use super::summary;
use crate::audit::against::Turn;
use crate::audit::field::Risk;
use crate::audit::{Certainty, Stated, Together};
use crate::batch::{
    AuditOptions, AuditOutcome, ChangeAsked, EvidenceAsked, Progress, TrackOptions,
};

pub fn options(args: &AuditArgs, quiet: bool, started: String) -> AuditOptions {
    AuditOptions {
        out: args.out.clone(),
        plan: args.plan.clone(),
        as_cut: args.as_cut.clone(),
        layer: args.layer.clone(),
        id: args.id.clone(),
        tracks: TrackOptions {
            cutting_width_m: args.cutting_width,
            time: args.time.clone(),
            track: args.track.clone(),
            daylight_margin: chrono::Duration::minutes(i64::from(args.daylight_margin)),
        },
        standing: args.standing.clone(),
        change: ChangeAsked {
            classes: args.cut_class.clone(),
            before: args.before.clone().zip(args.height_loss),
            least_m2: args.least_change,
        },
        certainty: certainty(args),
        field_check: (args.field_check || args.measured.is_some()).then_some((
            Risk {
                faulty_share: args.faulty_share,
                miss_risk: args.miss_risk,
            },
            args.seed,
        )),
        measured: args.measured.clone(),
        evidence: args.evidence.then(|| EvidenceAsked {
            actions: args.actions.clone(),
            sign_key: args.sign_key.clone(),
            seed: args.seed,
        }),
        against: args.against.clone(),
        only: args.only.clone(),
        jobs: args.jobs.map(std::num::NonZeroUsize::get),
        progress: Progress::detect(quiet),
        started,
    }
}

fn certainty(args: &AuditArgs) -> Option<Certainty> {
    let stated = args.accuracy.clone().map(|position| {
        Certainty::Stated(Stated {
            position,
            together: args
                .errors
                .map_or(Together::Unstated, |errors| match errors {
                    ErrorsArg::Independent => Together::Independent,
                    ErrorsArg::Shared => Together::Shared,
                }),
            confidence: args.confidence,
            source: args.accuracy_source.clone().unwrap_or_default(),
        })
    });
    stated.or(args.tolerance.map(Certainty::Tolerance))
}

fn count(outcome: &AuditOutcome, turn: Turn) -> Option<usize> {
    let changes = outcome.changes.as_ref()?;
    Some(changes.iter().filter(|change| change.turn == turn).count())
}

pub fn words(outcome: &AuditOutcome, out: &Path) -> String {
    let of = |key: &str| outcome.rows_by_status.get(key).copied().unwrap_or(0);
    let seconds: f64 = outcome.timings.iter().map(|lap| lap.seconds).sum();
    let mut text = String::new();
    for line in &outcome.failing {
        text += &format!("{line}\n");
    }
    if of("fail") > outcome.failing.len() as u64 {
        let more = of("fail") - outcome.failing.len() as u64;
        text += &format!("... and {more} more\n");
    }
    text += &format!(
        "{} blocks audited in {seconds:.1} s, {} of them uncut\n{}\n{} rows pass, {} warn, {} cannot be \
         told, {} fail\n",
        outcome.blocks,
        outcome.uncut,
        outcome.accuracy.words,
        of("pass"),
        of("warn"),
        of("unknown"),
        of("fail")
    );
    if let Some(tracks) = &outcome.tracks {
        text += &format!(
            "{} tracks, {:.1} km, swept {} m wide; fixes more than {} m or {} s apart are not joined, nor such as a machine of {} m/s \
             (and {} m of noise) cannot have driven between\n",
            tracks.tracks,
            tracks.driven_km,
            (tracks.cutting_width_m * 1e3).round() / 1e3,
            tracks.max_gap_m,
            tracks.max_gap_s,
            tracks.max_speed_m_s,
            tracks.noise_m
        );
        for remark in &tracks.remarks {
            text += &format!("  {remark}\n");
        }
    }
    if let Some(change) = &outcome.change {
        text += &format!("{}\n", change.words());
    }
    if let Some(field) = &outcome.field_check {
        text += "in the field:\n";
        for said in field.words() {
            text += &format!("  {said}\n");
        }
    }
    if let (Some(worse), Some(new), Some(mended), Some(gone)) = (
        count(outcome, Turn::Worse),
        count(outcome, Turn::New),
        count(outcome, Turn::Mended),
        count(outcome, Turn::Gone),
    ) {
        text += &format!(
            "against the earlier audit: {worse} worse, {new} new, {mended} mended, {gone} gone\n"
        );
    }
    text + &format!(
        "results in {}: audit.gpkg, compliance.csv, compliance.json",
        out.display()
    )
}

pub fn json(outcome: &AuditOutcome, out: &Path) -> Value {
    json!({
        "version": 1,
        "command": "audit",
        "out": out.display().to_string(),
        "clean": outcome.is_clean(),
        "blocks": outcome.blocks,
        "uncut": outcome.uncut,
        "tolerance_m": outcome.tolerance_m,
        "accuracy": outcome.accuracy,
        "rows_by_status": outcome.rows_by_status,
        "changes": outcome.changes,
        "tracks": outcome.tracks,
        "change": outcome.change,
        "field_check": outcome.field_check,
        "threads": outcome.threads,
        "timings": outcome.timings,
        "problems": outcome.problems.iter().map(summary::problem_json).collect::<Vec<_>>(),
    })
}
