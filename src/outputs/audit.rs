//! What an audit leaves behind: findings as points and polygons, the summary, the field check, the difference to an earlier
//! audit, and `run.json`.

use std::fs;
use std::path::Path;

use geo::{Geometry, Point};
use serde::Serialize;

use super::audit_page::AuditPage;
use super::evidence::{self, Evidence, EvidenceOptions};
use super::field_check::{self, Approach};
use super::gpkg::{GeoPackage, GeometryKind, Kind, LayerDef, Value};
use super::run::{CrsReport, Program, StageTime};
use super::staging::{Earlier, LAYOUT, MAPS, REPORT, Staging};
use super::tables::{Compliance, Table, write_json};
use super::writer::spatial_ref;
use super::{OutputError, cells, set_aside};
use crate::audit::against::Change;
use crate::audit::field::{FieldCheck, FieldResult, InField, StratumCount};
use crate::audit::{AuditRow, BlockAudit, Certainty, Judged, Stated};
use crate::geometry::wkb;
use crate::model::{GroundFrame, Language, Problem, Settings, Verdict};
use crate::rulebook::Rulebook;
use crate::sources::InputFile;
use crate::sources::change::ChangeReport;

use Kind::{Number, Text};

const BLOCKS: usize = 0;
const FINDINGS: usize = 1;
const INTRUSIONS: usize = 2;
const FIELD_CHECK: usize = 3;

/// The attributes of a finding, its point and its ground alike.
const FINDING_FIELDS: &[(&str, Kind)] = &[
    ("block_id", Text),
    ("rule_id", Text),
    ("title", Text),
    ("status", Text),
    ("required", Number),
    ("measured", Number),
    ("tolerance", Number),
    ("short", Number),
    ("unit", Text),
    ("area_m2", Number),
    ("message", Text),
    ("source", Text),
    ("origin", Text),
    ("source_status", Text),
    ("with_map_error", Number),
    ("field_measured", Number),
    ("field_error", Number),
    ("status_by_layers", Text),
    ("error", Number),
    ("confidence", Number),
    ("as_recorded", Number),
];

/// In file order.
const LAYERS: &[LayerDef] = &[
    LayerDef {
        name: "blocks",
        geometry: GeometryKind::MultiPolygon,
        description: "Blocks as approved, with the worst verdict of the audit",
        fields: &[
            ("block_id", Text),
            ("status", Text),
            ("gross_ha", Number),
            ("cut_ha", Number),
            ("reserve_ha", Number),
            ("kept_ha", Number),
        ],
    },
    LayerDef {
        name: "findings",
        geometry: GeometryKind::Any,
        description: "What is no pass, at the place where it is worst",
        fields: FINDING_FIELDS,
    },
    LayerDef {
        name: "intrusions",
        geometry: GeometryKind::MultiPolygon,
        description: "The ground that falls short",
        fields: FINDING_FIELDS,
    },
    LayerDef {
        name: "field_check",
        geometry: GeometryKind::Any,
        description: "Places to visit in the field: all that fail, and a sample of the others",
        fields: &[
            ("no", Kind::Whole),
            ("code", Text),
            ("block_id", Text),
            ("rule_id", Text),
            ("title", Text),
            ("stratum", Text),
            ("probability", Number),
            ("required", Number),
            ("unit", Text),
        ],
    },
];

/// Columns of `compliance.csv` beyond those that a layout writes.
const MORE_COLUMNS: [&str; 18] = [
    "tolerance",
    "short",
    "area_m2",
    "x",
    "y",
    "message",
    "status_by_layers",
    "field_measured",
    "field_error",
    "field_short",
    "field_code",
    "measured_on",
    "measured_by",
    "photo",
    "field_note",
    "error",
    "confidence",
    "as_recorded",
];

/// `run.json` of an audit.
#[derive(Clone, Debug, Serialize)]
pub struct AuditReport {
    /// Of the report's own form: 1.
    pub version: u32,
    pub program: Program,
    pub command: &'static str,
    pub started: String,
    pub project: String,
    /// How far an edge of the cut may lie elsewhere.
    pub tolerance_m: f64,
    pub accuracy: AccuracyReport,
    pub settings: Settings,
    pub rulebook: Rulebook,
    /// As in the run report.
    pub metres: &'static str,
    pub crs: CrsReport,
    pub inputs: Vec<InputFile>,
    pub blocks: u64,
    pub rows_by_status: std::collections::BTreeMap<&'static str, u64>,
    /// What was made of tracks, where they were given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tracks: Option<TracksReport>,
    /// What was made of a raster of change, where one was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub change: Option<ChangeReport>,
    /// What is to be visited in the field and what came back, where it was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub field_check: Option<FieldReport>,
    pub timings: Vec<StageTime>,
    pub threads: usize,
    pub warnings: Vec<String>,
}

/// What is said of the accuracy of what was cut.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AccuracyReport {
    /// `tolerance`, `assumed`: nobody said anything, or `stated`.
    pub judged_by: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stated: Option<Stated>,
    /// Standard error along any one direction, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard_error_m: Option<f64>,
    pub words: String,
}

impl AccuracyReport {
    pub fn of(certainty: &Certainty) -> AccuracyReport {
        let metres = |m: f64| cells::number(Some(m), 3);
        let (judged_by, words) = match certainty {
            Certainty::Tolerance(m) => (
                "tolerance",
                format!("Measured with a tolerance of {} m.", metres(*m)),
            ),
            Certainty::Assumed(m) => (
                "assumed",
                format!(
                    "Nobody says how far what was cut may lie from where it was measured. {} m is taken, which is no published figure: no \
                     verdict is beyond doubt before --accuracy states it.",
                    metres(*m)
                ),
            ),
            Certainty::Stated(stated) => ("stated", stated.words()),
        };
        let stated = certainty.stated();
        AccuracyReport {
            judged_by,
            stated: stated.cloned(),
            standard_error_m: stated.and_then(|own| own.position.error_m()),
            words,
        }
    }
}

/// How places for the field were drawn, and what was measured there.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FieldReport {
    pub seed: u64,
    pub faulty_share: f64,
    pub miss_risk: f64,
    pub strata: Vec<StratumCount>,
    /// Places to visit.
    pub places: u64,
    /// So many places are the share, of those that the layers do not fail.
    pub faulty_places: u64,
    /// Of finding none of them, as they lie worst.
    pub worst_risk: f64,
    pub failing_without_place: u64,
    /// Name of the file with what was measured, and what it says; None: nothing came back yet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub result: Option<FieldResult>,
    /// What is odd about the filled rows, a sentence each.
    pub remarks: Vec<String>,
}

impl FieldReport {
    pub fn of(check: &FieldCheck) -> FieldReport {
        FieldReport {
            seed: check.seed,
            faulty_share: check.risk.faulty_share,
            miss_risk: check.risk.miss_risk,
            strata: check.strata.clone(),
            places: check.places.len() as u64,
            faulty_places: check.faulty_places,
            worst_risk: check.worst_risk,
            failing_without_place: check.failing_without_place,
            source: None,
            result: None,
            remarks: vec![],
        }
    }

    /// What the field says, in sentences.
    pub fn words(&self) -> Vec<String> {
        let percent = |share: f64| format!("{} %", cells::number(Some(100.0 * share), 2));
        let others: u64 = self.strata.iter().skip(1).map(|own| own.places).sum();
        let drawn: u64 = self.strata.iter().skip(1).map(|own| own.drawn).sum();
        let fails = self.strata.first().map_or(0, |own| own.places);
        let failing = match fails {
            0 => "none fails by the layers".to_owned(),
            1 => "the one that fails by the layers".to_owned(),
            _ => format!("all {fails} that fail by the layers"),
        };
        let mut said = vec![format!(
            "{} place(s) to visit: {failing}, and {drawn} of the {others} others, drawn with seed {}; if {} \
             of these or more were faulty, none would be found with a probability of at most {}",
            self.places,
            self.seed,
            percent(self.faulty_share),
            percent(self.worst_risk),
        )];
        if self.failing_without_place > 0 {
            said.push(format!(
                "{} row(s) that fail are of a whole block and have no place to visit",
                self.failing_without_place
            ));
        }
        let Some(result) = &self.result else {
            return said;
        };
        let (mut measured, mut faulty, mut within) = (0, 0, 0);
        for own in result.strata.iter().skip(1) {
            measured += own.measured;
            faulty += own.faulty;
            within += own.within_error;
        }
        if let Some(own) = result.strata.first().filter(|own| own.places > 0) {
            said.push(format!(
                "of {} place(s) that fail by the layers {} were measured, and {} fall short in the field",
                own.places, own.measured, own.faulty
            ));
        }
        if drawn > 0 {
            said.push(format!(
                "of {drawn} other place(s) drawn {measured} were measured, and {faulty} fall short, {within} of them by no more than the \
                 error of measuring"
            ));
            let estimate = &result.estimate;
            let middle = match estimate.faulty {
                Some(faulty) => format!("about {}", cells::number(Some(faulty), 1)),
                None => "an unknown number".to_owned(),
            };
            said.push(format!(
                "of all {others} places that do not fail by the layers {middle} fall short, and with {} confidence between {} and {}",
                percent(crate::audit::field::CONFIDENCE),
                cells::number(Some(estimate.from.floor()), 0),
                cells::number(Some(estimate.to.ceil()), 0),
            ));
            said.push(match (result.none_found, measured < drawn) {
                (true, _) => format!(
                    "accepted: nothing of the sample falls short; had {} of the places or more been faulty, that would have happened with a \
                     probability of at most {}",
                    percent(self.faulty_share),
                    percent(self.worst_risk)
                ),
                (false, true) if faulty == 0 => format!(
                    "not accepted: {} place(s) of the sample were not measured, and nobody knows them",
                    drawn - measured
                ),
                _ => "not accepted: places of the sample fall short that the layers do not fail".to_owned(),
            });
        }
        if !result.not_drawn.is_empty() {
            said.push(format!(
                "{} measured place(s) were not drawn: they are judged, but no part of the estimate",
                result.not_drawn.len()
            ));
        }
        said.extend(self.remarks.iter().cloned());
        said
    }
}

/// What was made of tracks.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TracksReport {
    /// Name of the file.
    pub source: String,
    pub tracks: u64,
    pub fixes: u64,
    pub driven_km: f64,
    pub cutting_width_m: f64,
    /// Beyond these no cutting is assumed between two fixes.
    pub max_gap_m: f64,
    pub max_gap_s: f64,
    /// Fixes that ask for more are outliers, unless they are off by no more than `noise_m`.
    pub max_speed_m_s: f64,
    pub noise_m: f64,
    pub daylight_margin_min: f64,
    /// What was assumed, dropped or not joined, a sentence each.
    pub remarks: Vec<String>,
}

/// Writes an audit block by block into a staging folder.
pub struct AuditWriter {
    // Fields drop in order: files close before their folder goes.
    package: GeoPackage,
    compliance: Compliance,
    page: AuditPage,
    evidence: Option<Evidence>,
    crs_wkt: String,
    /// Of coordinates in tables.
    decimals: usize,
    staging: Staging,
}

#[derive(Serialize)]
struct Differences<'c> {
    version: u32,
    changes: &'c [Change],
}

impl AuditWriter {
    /// Opens all outputs. `crs_wkt` defines the work CRS.
    ///
    /// # Errors
    /// As [`Writer::create`](super::Writer::create), and when `dir` holds the results of a layout, which would be lost.
    pub fn create(
        dir: &Path,
        crs_wkt: &str,
        language: Language,
        evidence: Option<EvidenceOptions>,
    ) -> Result<AuditWriter, OutputError> {
        if dir.join("layout.gpkg").exists() {
            return Err(OutputError::LayoutFolder {
                dir: dir.to_owned(),
            });
        }
        let evidence = evidence
            .map(|options| Evidence::new(dir, options))
            .transpose()?;
        let srs = spatial_ref(crs_wkt)?;
        let staging = Staging::create(dir, LAYOUT, Earlier::Forget)?;
        let maps = staging.path(MAPS);
        fs::remove_dir(&maps).map_err(OutputError::file(&maps, "remove the folder"))?;
        Ok(AuditWriter {
            package: GeoPackage::create(&staging.path("audit.gpkg"), &srs, LAYERS)?,
            compliance: Compliance::create(
                &staging.path("compliance.csv"),
                &staging.path("compliance.json"),
                &MORE_COLUMNS,
            )?,
            page: AuditPage::new(language),
            evidence,
            crs_wkt: crs_wkt.to_owned(),
            decimals: cells::place_decimals(&srs),
            staging,
        })
    }

    /// Adds one block. Call in input order.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn block(
        &mut self,
        audit: &BlockAudit,
        shape: &geo::MultiPolygon,
    ) -> Result<(), OutputError> {
        let ha = |area_m2| Value::Number(crate::units::hectares(area_m2));
        let areas = &audit.areas;
        self.package.row(
            BLOCKS,
            Some(&wkb::write_multi_polygon(
                &audit.frame.of_plane().leave_polygons(shape),
                [0.0; 2],
            )),
            &[
                Value::Text(&audit.id),
                Value::Text(audit.status.key()),
                ha(areas.gross_m2),
                ha(areas.cut_m2),
                ha(areas.reserve_m2),
                ha(areas.kept_m2),
            ],
        )?;
        self.page.block(audit, shape);
        if let Some(evidence) = &mut self.evidence {
            evidence.block(audit, shape);
        }
        self.write_rows(&audit.id, &audit.rows, &audit.frame)
    }

    /// Adds rows of one block, or of what stands for several.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn rows(
        &mut self,
        name: &str,
        rows: &[Judged],
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        self.page.rows(name, rows);
        if let Some(evidence) = &mut self.evidence {
            evidence.rows(name, rows, frame);
        }
        self.write_rows(name, rows, frame)
    }

    fn write_rows(
        &mut self,
        block_id: &str,
        rows: &[Judged],
        frame: &GroundFrame,
    ) -> Result<(), OutputError> {
        for judged in rows {
            self.summary(block_id, &judged.row)?;
            if matches!(judged.status(), Verdict::Pass | Verdict::NotApplicable) {
                continue;
            }
            let values = finding_values(block_id, &judged.row);
            let place = judged.place.map(|c| Geometry::Point(Point(frame.leave(c))));
            let place = place.map(|place| wkb::write(&place, [0.0; 2]));
            self.package.row(FINDINGS, place.as_deref(), &values)?;
            if let Some(ground) = &judged.ground {
                let ground = wkb::write_multi_polygon(&frame.leave_polygons(ground), [0.0; 2]);
                self.package.row(INTRUSIONS, Some(&ground), &values)?;
            }
        }
        Ok(())
    }

    fn summary(&mut self, block_id: &str, row: &AuditRow) -> Result<(), OutputError> {
        let field = row.field.as_ref();
        let said = |of: fn(&InField) -> &String| cells::text(field.map_or("", |field| of(field)));
        let more = [
            cells::number(row.tolerance, 6).into(),
            cells::number(row.short, 6).into(),
            cells::number(row.area_m2, 3).into(),
            cells::number(row.x, self.decimals).into(),
            cells::number(row.y, self.decimals).into(),
            cells::text(&row.message),
            field
                .map_or("", |field| field.status_by_layers.key())
                .into(),
            cells::number(field.and_then(|field| field.measured), 6).into(),
            cells::number(field.and_then(|field| field.error), 6).into(),
            cells::number(field.and_then(|field| field.short), 6).into(),
            said(|field| &field.code),
            said(|field| &field.on),
            said(|field| &field.by),
            said(|field| &field.photo),
            said(|field| &field.note),
            cells::number(row.error, 6).into(),
            cells::number(row.confidence, 6).into(),
            cells::number(row.as_recorded, 6).into(),
        ];
        self.compliance.row(block_id, &row.row, &more, row)
    }

    /// Writes what goes to the field; `ways` are those of the places, in their order.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn field_check(
        &mut self,
        titled: (&str, Language),
        check: &FieldCheck,
        ways: &[Approach],
    ) -> Result<(), OutputError> {
        let path = |name: &str| self.staging.path(name);
        field_check::write(&path, titled, check, ways, self.decimals)?;
        for place in &check.places {
            let shape = Geometry::Point(Point::new(place.x, place.y));
            self.package.row(
                FIELD_CHECK,
                Some(&wkb::write(&shape, [0.0; 2])),
                &[
                    Value::Whole(place.no),
                    Value::Text(&place.code),
                    Value::Text(&place.block_id),
                    Value::Text(&place.rule_id),
                    Value::Text(&place.title),
                    Value::Text(place.stratum.key()),
                    Value::Number(place.probability),
                    Value::Maybe(place.required),
                    Value::Text(place.unit),
                ],
            )?;
        }
        Ok(())
    }

    /// Writes the difference to an earlier audit.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn differences(&mut self, changes: &[Change]) -> Result<(), OutputError> {
        let header = [
            "turn",
            "block_id",
            "rule_id",
            "title",
            "status_before",
            "status",
            "measured_before",
            "measured",
            "required_before",
            "required",
            "unit",
        ];
        self.page.differences(changes);
        let mut table = Table::create(&self.staging.path("differences.csv"), header)?;
        for change in changes {
            let status = |status: &Option<String>| status.clone().unwrap_or_default();
            table.row([
                change.turn.key(),
                cells::text(&change.block_id).as_ref(),
                cells::text(&change.rule_id).as_ref(),
                cells::text(&change.title).as_ref(),
                cells::text(&status(&change.status_before)).as_ref(),
                cells::text(&status(&change.status)).as_ref(),
                &cells::number(change.measured_before, 6),
                &cells::number(change.measured, 6),
                &cells::number(change.required_before, 6),
                &cells::number(change.required, 6),
                cells::text(&change.unit).as_ref(),
            ])?;
        }
        table.close()?;
        let differences = Differences {
            version: 1,
            changes,
        };
        write_json(&self.staging.path("differences.json"), &differences)
    }

    /// Writes problems and run report, closes all and moves everything into place.
    ///
    /// # Errors
    /// A file that cannot be written or moved; the output folder is then as it was before.
    pub fn finish(self, run: &AuditReport, problems: &[Problem]) -> Result<(), OutputError> {
        let AuditWriter {
            package,
            compliance,
            crs_wkt,
            decimals,
            staging,
            page,
            evidence,
        } = self;
        package.close()?;
        compliance.close()?;
        set_aside::write(
            &staging.path("set_aside.csv"),
            &staging.path("set_aside.gpkg"),
            &spatial_ref(&crs_wkt)?,
            problems,
        )?;
        page.write(&staging.path(REPORT), run)?;
        if let Some(evidence) = evidence {
            evidence.write(&staging.path(evidence::FOLDER), run, decimals)?;
        }
        staging.commit(run)
    }
}

fn finding_values<'v>(block_id: &'v str, row: &'v AuditRow) -> [Value<'v>; 21] {
    let own = &row.row;
    let field = row.field.as_ref();
    [
        Value::Text(block_id),
        Value::Text(&own.rule_id),
        Value::Text(&own.title),
        Value::Text(own.status.key()),
        Value::Maybe(own.required),
        Value::Maybe(own.measured),
        Value::Maybe(row.tolerance),
        Value::Maybe(row.short),
        Value::Text(own.unit),
        Value::Maybe(row.area_m2),
        Value::Text(&row.message),
        Value::Text(&own.source),
        Value::Text(&own.origin),
        Value::Text(own.source_status),
        Value::Maybe(own.with_map_error),
        Value::Maybe(field.and_then(|field| field.measured)),
        Value::Maybe(field.and_then(|field| field.error)),
        Value::Text(field.map_or("", |field| field.status_by_layers.key())),
        Value::Maybe(row.error),
        Value::Maybe(row.confidence),
        Value::Maybe(row.as_recorded),
    ]
}
