//! `blocks.csv`, `compliance.csv` and `compliance.json`, written row by row.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use geo::Area;
use serde::Serialize;

use super::OutputError;
use super::cells;
use super::gpkg::Value;
use super::layers;
use crate::model::{BlockPlan, ComplianceRow, MachineCosts, Treatment, shown};
use crate::units::hectares;

/// A CSV file with a header (RFC 4180, but with bare line feeds so that line tools can read it).
pub(super) struct Table {
    path: PathBuf,
    writer: csv::Writer<File>,
}

impl Table {
    pub fn create<'a>(
        path: &Path,
        header: impl IntoIterator<Item = &'a str>,
    ) -> Result<Table, OutputError> {
        let file = File::create(path).map_err(OutputError::file(path, "create the file"))?;
        let mut table = Table {
            path: path.to_owned(),
            writer: csv::WriterBuilder::new()
                .buffer_capacity(1 << 16)
                .from_writer(file),
        };
        table.row(header)?;
        Ok(table)
    }

    /// Cells as they stand: text must have gone through [`cells::text`].
    pub fn row<T: AsRef<[u8]>>(
        &mut self,
        cells: impl IntoIterator<Item = T>,
    ) -> Result<(), OutputError> {
        self.writer
            .write_record(cells)
            .map_err(|source| OutputError::Table {
                path: self.path.clone(),
                source,
            })
    }

    pub fn close(mut self) -> Result<(), OutputError> {
        self.writer
            .flush()
            .map_err(OutputError::file(&self.path, "write the file"))
    }
}

pub(super) fn blocks_table(path: &Path) -> Result<Table, OutputError> {
    Table::create(
        path,
        layers::blocks_layer().fields.iter().map(|(name, _)| *name),
    )
}

/// Decimals of a column: 0.01 m2 of an area, a millimetre of a length, one millionth of a share or scale.
fn decimals(column: &str) -> usize {
    match column {
        "azimuth"
        | "corridor_width_m"
        | "day_hours"
        | "night_hours"
        | "volume_m3"
        | "skid_m"
        | "skid_hours"
        | "certified_margin_m"
        | "scheduled_day_hours"
        | "scheduled_night_hours"
        | "scheduled_skid_hours" => 3,
        "felling_cost" | "skidding_cost" | "cost_per_m3" => 3,
        "grid_scale" => 9,
        _ => 6,
    }
}

pub(super) fn write_block_row(table: &mut Table, plan: &BlockPlan) -> Result<(), OutputError> {
    let columns = layers::blocks_layer().fields;
    table.row(layers::block_values(plan).iter().zip(columns).map(
        |(value, (column, _))| match value {
            Value::Text(text) => cells::text(text).into_owned(),
            Value::Whole(value) => value.to_string(),
            Value::Number(value) => cells::number(Some(*value), decimals(column)),
            Value::Maybe(value) => cells::number(*value, decimals(column)),
        },
    ))
}

const COST_COLUMNS: [&str; 11] = [
    "block_id",
    "setting",
    "work",
    "volume_m3",
    "scheduled_hours",
    "scheduled_skid_hours",
    "felling_cost",
    "skidding_cost",
    "cost_per_m3",
    "currency",
    "year",
];

const STEM_COLUMNS: [&str; 11] = [
    "block_id",
    "part",
    "strip_no",
    "account",
    "area_ha",
    "trees",
    "volume_m3",
    "basal_m2",
    "trees_per_ha",
    "volume_m3_per_ha",
    "basal_m2_per_ha",
];

/// `stems.csv`: what becomes of the trees of each strip and block that a stand table tells of.
pub(super) struct StemTable(Table);

impl StemTable {
    pub fn create(path: &Path) -> Result<StemTable, OutputError> {
        Table::create(path, STEM_COLUMNS).map(StemTable)
    }

    pub fn block(&mut self, plan: &BlockPlan) -> Result<(), OutputError> {
        let mut strips: BTreeMap<(u32, u32), (f64, Option<Treatment>)> = BTreeMap::new();
        let mut whole = (0.0, plan.treated());
        for section in &plan.sections {
            let area_m2 = section.shape.unsigned_area();
            whole.0 += area_m2;
            let strip = strips
                .entry((section.id.part, section.id.strip_no))
                .or_insert((0.0, Some(Treatment::default())));
            strip.0 += area_m2;
            strip.1 = strip.1.zip(section.treated).map(|(mut sum, own)| {
                sum += own;
                sum
            });
        }
        for ((part, strip_no), sum) in strips {
            self.rows(&plan.id, &part.to_string(), &strip_no.to_string(), sum)?;
        }
        self.rows(&plan.id, "", "", whole)
    }

    fn rows(
        &mut self,
        block: &str,
        part: &str,
        strip_no: &str,
        (area_m2, treated): (f64, Option<Treatment>),
    ) -> Result<(), OutputError> {
        let Some(treated) = treated else {
            return Ok(());
        };
        let accounts = [
            ("cut", treated.cut),
            ("stays", treated.stays),
            ("lost", treated.lost),
            ("large", treated.large),
        ];
        let ha = hectares(area_m2);
        for (account, lot) in accounts {
            let figures = [lot.stems, lot.volume_m3, lot.basal_m2];
            let mut row = vec![
                cells::text(block).into_owned(),
                part.to_owned(),
                strip_no.to_owned(),
                account.to_owned(),
                cells::number(Some(ha), 6),
            ];
            row.extend(figures.map(|figure| cells::number(Some(figure), 3)));
            row.extend(figures.map(|figure| cells::number(Some(figure / ha), 3)));
            self.0.row(row)?;
        }
        Ok(())
    }

    pub fn close(self) -> Result<(), OutputError> {
        self.0.close()
    }
}

/// `costs.csv`: what each setting of each block costs, by kind of work.
pub(super) struct CostTable {
    table: Table,
    currency: String,
    year: String,
}

impl CostTable {
    pub fn create(path: &Path, costs: &MachineCosts) -> Result<CostTable, OutputError> {
        Ok(CostTable {
            table: Table::create(path, COST_COLUMNS)?,
            currency: cells::text(&costs.currency).into_owned(),
            year: costs.year.map_or_else(String::new, |year| year.to_string()),
        })
    }

    pub fn block(&mut self, plan: &BlockPlan) -> Result<(), OutputError> {
        for (setting, work, cost) in plan.costs_by_work() {
            self.table.row([
                cells::text(&plan.id).into_owned(),
                setting.to_string(),
                work.key().to_owned(),
                cells::number(cost.volume_m3, 3),
                cells::number(cost.felling_hours, 3),
                cells::number(cost.skidding_hours, 3),
                cells::number(cost.felling_cost, 3),
                cells::number(cost.skidding_cost, 3),
                cells::number(cost.cost_per_m3(plan.rates), 3),
                self.currency.clone(),
                self.year.clone(),
            ])?;
        }
        Ok(())
    }

    pub fn close(self) -> Result<(), OutputError> {
        self.table.close()
    }
}

const COMPLIANCE_COLUMNS: [&str; 11] = [
    "block_id",
    "rule_id",
    "title",
    "required",
    "measured",
    "unit",
    "status",
    "source",
    "origin",
    "source_status",
    "with_map_error",
];

/// Writes one value as JSON, and sees that it is on the disk.
pub(super) fn write_json(path: &Path, value: &impl Serialize) -> Result<(), OutputError> {
    let text = serde_json::to_string_pretty(value).map_err(|source| OutputError::Json {
        path: path.to_owned(),
        source,
    })?;
    let text = format!("{}\n", shown::json(&text));
    File::create(path)
        .and_then(|mut file| {
            file.write_all(text.as_bytes())
                .and_then(|()| file.sync_all())
        })
        .map_err(OutputError::file(path, "write the file"))
}

/// `compliance.csv` and `compliance.json` side by side.
pub(super) struct Compliance {
    table: Table,
    json_path: PathBuf,
    json: BufWriter<File>,
    rows: u64,
}

#[derive(Serialize)]
struct JsonRow<'a, R: Serialize> {
    block_id: &'a str,
    #[serde(flatten)]
    row: &'a R,
}

impl Compliance {
    /// `more` names columns beyond those of every row.
    pub fn create(
        csv_path: &Path,
        json_path: &Path,
        more: &[&'static str],
    ) -> Result<Compliance, OutputError> {
        let file =
            File::create(json_path).map_err(OutputError::file(json_path, "create the file"))?;
        let mut compliance = Compliance {
            table: Table::create(
                csv_path,
                COMPLIANCE_COLUMNS.into_iter().chain(more.iter().copied()),
            )?,
            json_path: json_path.to_owned(),
            json: BufWriter::with_capacity(1 << 16, file),
            rows: 0,
        };
        compliance.json(b"{\"version\":1,\"rows\":[")?;
        Ok(compliance)
    }

    fn json(&mut self, bytes: &[u8]) -> Result<(), OutputError> {
        self.json
            .write_all(bytes)
            .map_err(OutputError::file(&self.json_path, "write the file"))
    }

    /// Adds the rows of one block, or of what stands for several.
    pub fn rows<'r>(
        &mut self,
        block_id: &str,
        rows: impl IntoIterator<Item = &'r ComplianceRow>,
    ) -> Result<(), OutputError> {
        for row in rows {
            self.row(block_id, row, &[], row)?;
        }
        Ok(())
    }

    /// Adds one row: `more` are the cells beyond those of `row`, and `whole` is what the JSON file says of it.
    pub fn row(
        &mut self,
        block_id: &str,
        row: &ComplianceRow,
        more: &[Cow<'_, str>],
        whole: &impl Serialize,
    ) -> Result<(), OutputError> {
        let own = [
            cells::text(block_id),
            cells::text(&row.rule_id),
            cells::text(&row.title),
            cells::number(row.required, 6).into(),
            cells::number(row.measured, 6).into(),
            cells::text(row.unit),
            row.status.key().into(),
            cells::text(&row.source),
            cells::text(&row.origin),
            row.source_status.into(),
            cells::number(row.with_map_error, 6).into(),
        ];
        self.table
            .row(own.iter().chain(more).map(AsRef::<str>::as_ref))?;
        self.json(if self.rows == 0 { b"\n" } else { b",\n" })?;
        let row = JsonRow {
            block_id,
            row: whole,
        };
        let text = serde_json::to_string(&row).map_err(|source| OutputError::Json {
            path: self.json_path.clone(),
            source,
        })?;
        self.json(shown::json(&text).as_bytes())?;
        self.rows += 1;
        Ok(())
    }

    pub fn close(mut self) -> Result<(), OutputError> {
        self.json(b"\n]}\n")?;
        self.json
            .flush()
            .map_err(OutputError::file(&self.json_path, "write the file"))?;
        self.table.close()
    }
}
