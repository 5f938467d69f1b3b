//! `data/overview.js`: one short row a block, then what is said of the whole run.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;
use serde_json::{Value, json};

use super::dearest::Dearest;
use super::page::{COLUMNS, CostShare};
use super::script::{rounded, safe};
use crate::model::{ComplianceRow, Finding, Problem, Production, SlopesMeasured};
use crate::outputs::OutputError;
use crate::outputs::run::RunReport;

/// Problems listed in the report; the rest stand in `set_aside.csv`.
const MOST_PROBLEMS: usize = 500;

pub struct Overview {
    path: PathBuf,
    file: BufWriter<File>,
    rows: u64,
    season: Vec<Value>,
    /// Of all blocks.
    slopes: SlopesMeasured,
    /// Blocks with lines on ground of unknown slope.
    unknown: u64,
    dearest: Dearest,
}

impl Overview {
    pub fn create(path: &Path) -> Result<Overview, OutputError> {
        let file = File::create(path).map_err(OutputError::file(path, "create the file"))?;
        let mut overview = Overview {
            path: path.to_owned(),
            file: BufWriter::with_capacity(1 << 16, file),
            rows: 0,
            season: Vec::new(),
            slopes: SlopesMeasured::default(),
            unknown: 0,
            dearest: Dearest::default(),
        };
        let columns = overview.json(&COLUMNS)?;
        overview.text(&format!(
            "blockwrightReport.overview({{\"version\":1,\"columns\":{columns},\"rows\":["
        ))?;
        Ok(overview)
    }

    fn text(&mut self, text: &str) -> Result<(), OutputError> {
        self.file
            .write_all(text.as_bytes())
            .map_err(OutputError::file(&self.path, "write the file"))
    }

    fn json(&self, value: &impl Serialize) -> Result<String, OutputError> {
        serde_json::to_string(value).map_err(|source| OutputError::Json {
            path: self.path.clone(),
            source,
        })
    }

    /// Adds a row of [`COLUMNS`], as JSON that is safe in a script.
    pub fn row(&mut self, row: &str) -> Result<(), OutputError> {
        let comma = if self.rows == 0 { "\n" } else { ",\n" };
        self.rows += 1;
        self.text(comma)?;
        self.text(row)
    }

    /// Counts what was measured of a block's slopes.
    pub fn slopes(&mut self, block: SlopesMeasured) {
        let steeper = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
        self.slopes.driven = steeper(self.slopes.driven, block.driven);
        self.slopes.by_night = steeper(self.slopes.by_night, block.by_night);
        self.unknown += u64::from(block.unknown);
    }

    /// Takes in what a block costs.
    pub fn cost(&mut self, id: &str, share: CostShare) {
        self.dearest.add(id, share);
    }

    pub fn season(&mut self, rows: &[&ComplianceRow], findings: &[&Finding]) {
        self.season.extend(rows.iter().map(|row| json!(row)));
        // A finding restates its row.
        let unstated = |finding: &&&Finding| rows.iter().all(|row| row.rule_id != finding.rule_id);
        for finding in findings.iter().filter(unstated) {
            self.season.push(json!({
                "rule_id": finding.rule_id,
                "title": finding.message,
                "required": finding.required,
                "measured": finding.measured,
                "unit": finding.unit,
                "status": finding.verdict.key(),
                "source": finding.source,
            }));
        }
    }

    pub fn close(mut self, run: &RunReport, problems: &[Problem]) -> Result<(), OutputError> {
        let counts = &run.counts;
        let shown: Vec<Value> = problems.iter().take(MOST_PROBLEMS).map(problem).collect();
        let machine = &run.settings.machine;
        let rest = json!({
            "project": run.project,
            "program": run.program,
            "rules": { "preset": run.rulebook.preset, "title": run.rulebook.title, "lines": lines(run) },
            "crs": run.crs.crs,
            "scale": [run.crs.scale_min.and_then(|s| rounded(s, 6)), run.crs.scale_max.and_then(|s| rounded(s, 6))],
            "slope_driven": self.slopes.driven.and_then(|slope| rounded(slope, 4)),
            "slope_by_night": self.slopes.by_night.and_then(|slope| rounded(slope, 4)),
            "slope_unknown_blocks": self.unknown,
            "level_ground": run.settings.layout.level_ground,
            "inputs": run.inputs,
            "warnings": run.warnings,
            "totals": {
                "gross_ha": rounded(counts.gross_ha, 2),
                "net_ha": rounded(counts.net_ha, 2),
                "strips": counts.strips,
                "corridors": counts.corridors,
            },
            "time": time(&run.settings.production),
            "costs": std::mem::take(&mut self.dearest).close(&run.settings.costs),
            "sheets": run.settings.outputs.sheets,
            "strip_width_m": rounded(machine.strip_width_m(), 2),
            "season": self.season,
            "problems": shown,
            "more_problems": problems.len().saturating_sub(MOST_PROBLEMS),
        });
        let rest = self.json(&rest)?;
        // The rest is an object of its own: its opening brace gives way to the comma after the rows.
        let inner = rest.trim_start_matches('{');
        self.text(&format!("\n],{}", safe(inner)))?;
        self.text(");\n")?;
        self.file
            .flush()
            .map_err(OutputError::file(&self.path, "write the file"))
    }
}

/// Titles and sources of the rules, by the id that zones name.
fn lines(run: &RunReport) -> Value {
    let lines = run.rulebook.lines.iter().map(|line| {
        let cited = json!({
            "title": line.title,
            "source": line.citation.text,
            "source_status": line.citation.status,
            "origin": line.origin,
        });
        (line.id.clone(), cited)
    });
    Value::Object(lines.collect())
}

/// Which hours are meant, and where they are from.
fn time(production: &Production) -> Value {
    let model = &production.time;
    json!({
        "model": model.name,
        "kind": model.kind,
        "source": model.source,
        "source_status": model.status,
        "range": model.range(),
        "calibration": model.calibration,
        "utilisation": production.utilisation,
        "utilisation_source": production.utilisation_source(),
        "skid_utilisation": production.skid_utilisation,
        "skid_utilisation_source": production.skid_utilisation_source(),
    })
}

fn problem(problem: &Problem) -> Value {
    json!({
        "code": problem.code.key(),
        "layer": problem.layer,
        "feature": problem.feature_id,
        "place": problem.place.map(|place| place.map(|value| rounded(value, 1))),
        "message": problem.message,
        "remedy": problem.remedy,
        "set_aside": problem.set_aside,
    })
}
