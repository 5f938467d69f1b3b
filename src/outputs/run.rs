//! `run.json`: what ran, with which settings, on which input, and what came out. The only output with a time of day.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::model::{
    BlockPlan, BlockStatus, ComplianceRow, NoteReport, PlanMark, Problem, ProblemCode, RungCount,
    Settings,
};
use crate::rulebook::Rulebook;
use crate::sources::{InputFile, LayerReport, StandRasterReport, TableReport};

/// Those of the ground, on the ellipsoid.
pub const METRES: &str = "ground";

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RunReport {
    /// Of the report's own form: 1.
    pub version: u32,
    pub program: Program,
    /// UTC time at which the run began, as ISO 8601 text; given by the caller, for this module has no clock.
    pub started: String,
    /// Name of the project.
    pub project: String,
    pub settings: Settings,
    pub rulebook: Rulebook,
    /// Which metres all lengths and areas are in: [`METRES`].
    pub metres: &'static str,
    pub crs: CrsReport,
    pub inputs: Vec<InputFile>,
    pub layers: Vec<LayerReport>,
    /// None: the project names no stand table.
    pub stand_table: Option<TableReport>,
    /// Empty: the project names none.
    pub stand_rasters: Vec<StandRasterReport>,
    pub counts: Counts,
    /// In the order in which the stages ran.
    pub timings: Vec<StageTime>,
    pub threads: usize,
    /// What works but deserves a word.
    pub warnings: Vec<String>,
    /// Number and date that the user gave this plan.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<PlanMark>,
    /// Notes of the field, in the order of their files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<NoteReport>,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Program {
    pub name: String,
    pub version: String,
}

impl Default for Program {
    /// This program.
    fn default() -> Program {
        Program {
            name: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
}

/// The work CRS, and the point scale (grid over ground) over all blocks; None without blocks.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct CrsReport {
    pub crs: String,
    pub wkt: String,
    pub scale_min: Option<f64>,
    pub scale_max: Option<f64>,
    /// The most that a length of 100 m at any block was measured to be off on the ground, as a part of itself.
    pub ground_off: f64,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct StageTime {
    pub stage: String,
    pub seconds: f64,
}

/// Failing blocks that the last words of a run name.
const FAILING_NAMED: usize = 10;

/// What came out, counted. Keys are the stable words of the outputs.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Counts {
    pub blocks_laid_out: u64,
    pub blocks_by_status: BTreeMap<&'static str, u64>,
    /// The first blocks that fall short of a rule, for the last words of a run; layer `blocks` has all.
    #[serde(skip)]
    pub failing: Vec<String>,
    pub parts: u64,
    pub strips: u64,
    pub corridors: u64,
    /// Patches left for the share of their block.
    pub patches: u64,
    pub sections_by_shift_class: BTreeMap<&'static str, u64>,
    pub zones_by_kind: BTreeMap<&'static str, u64>,
    pub unworked_by_reason: BTreeMap<&'static str, u64>,
    pub findings: u64,
    pub compliance_by_status: BTreeMap<&'static str, u64>,
    /// Ground that lies in several blocks is counted once, here and in `net_ha`.
    pub gross_ha: f64,
    pub net_ha: f64,
    /// What was taken out of `gross_ha` so that ground counts once.
    pub overlap_ha: f64,
    pub rungs: RungCount,
    pub certificates: CertificateCount,
    pub set_aside_by_reason: BTreeMap<&'static str, u64>,
    /// Used, after a repair or under a stated assumption.
    pub doubted_by_reason: BTreeMap<&'static str, u64>,
}

/// What was proved of the blocks given out.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct CertificateCount {
    /// Features near a block with one distance each, proved to be kept.
    pub pairs: u64,
    /// The least that any of them has to spare, m.
    pub margin_m: Option<f64>,
    pub blocks: u64,
    /// Of these: laid out anew with the other overlay engine.
    pub other_overlay: u64,
    /// Blocks set aside because no engine got a zone, or what is cut, certified.
    pub not_certified: u64,
}

impl Counts {
    /// Adds one block. Blocks must come in input order, so that the sums of areas are the same in every run.
    pub fn add_plan(&mut self, plan: &BlockPlan) {
        fn count<'a>(
            into: &mut BTreeMap<&'static str, u64>,
            keys: impl Iterator<Item = &'static str> + 'a,
        ) {
            for key in keys {
                *into.entry(key).or_default() += 1;
            }
        }
        self.blocks_laid_out += 1;
        count(&mut self.blocks_by_status, [plan.status.key()].into_iter());
        if plan.status == BlockStatus::Fail && self.failing.len() < FAILING_NAMED {
            self.failing.push(plan.id.clone());
        }
        self.parts += plan.parts.len() as u64;
        self.strips += u64::from(plan.strips_count);
        self.corridors += plan.corridors.len() as u64;
        self.patches += plan.zones.iter().filter(|zone| zone.is_patch()).count() as u64;
        count(
            &mut self.sections_by_shift_class,
            plan.sections
                .iter()
                .map(|section| section.shift_class.key()),
        );
        count(
            &mut self.zones_by_kind,
            plan.zones.iter().map(|zone| zone.kind.key()),
        );
        count(
            &mut self.unworked_by_reason,
            plan.unworked.iter().map(|piece| piece.reason.key()),
        );
        self.findings += plan.findings.len() as u64;
        count(
            &mut self.compliance_by_status,
            plan.compliance.iter().map(|row| row.status.key()),
        );
        self.gross_ha += crate::units::hectares(plan.books.gross_m2);
        self.net_ha += crate::units::hectares(plan.books.net_m2);
        self.rungs += plan.rungs;
        let certificate = &plan.certificate;
        let sum = &mut self.certificates;
        sum.pairs += u64::from(certificate.pairs);
        sum.margin_m = (sum.margin_m.into_iter())
            .chain(certificate.margin_m)
            .reduce(f64::min);
        sum.blocks += u64::from(certificate.fault.is_none());
        sum.other_overlay += u64::from(certificate.other_overlay);
    }

    /// Takes ground that lies in several blocks out of the sums, as often as it is counted too often.
    pub fn count_once(&mut self, gross_m2: f64, net_m2: f64) {
        self.gross_ha -= crate::units::hectares(gross_m2);
        self.net_ha -= crate::units::hectares(net_m2);
        self.overlap_ha += crate::units::hectares(gross_m2);
    }

    /// Adds what was judged of several blocks together.
    pub fn add_season(&mut self, rows: &[&ComplianceRow], findings: usize) {
        for row in rows {
            *self
                .compliance_by_status
                .entry(row.status.key())
                .or_default() += 1;
        }
        self.findings += findings as u64;
    }

    /// Adds problems met while reading or laying out.
    pub fn add_problems(&mut self, problems: &[Problem]) {
        for problem in problems {
            let uncertified = [ProblemCode::Uncertified, ProblemCode::UncertifiedCut];
            self.certificates.not_certified += u64::from(uncertified.contains(&problem.code));
            let into = if problem.set_aside {
                &mut self.set_aside_by_reason
            } else {
                &mut self.doubted_by_reason
            };
            *into.entry(problem.code.key()).or_default() += 1;
        }
    }
}
