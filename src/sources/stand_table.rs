//! The stand table: trees by stand, species and class of diameter, from a CSV file or a layer.

use std::collections::{BTreeMap, BTreeSet};

use gdal::vector::LayerAccess;

use super::errors::SourceError;
use super::{limits, open, plain};
use crate::model::{LayerKind, Problem, ProblemCode, StandTable, TreeClass};
use crate::project::{LayerSource, MOST_STEMS_PER_HA, MOST_TREE_M3, TableSource};

/// What messages call it.
const ROLE: &str = "stand_table";
const COLUMNS: [&str; 6] = [
    "stand",
    "species",
    "dbh_from_cm",
    "dbh_to_cm",
    "stems_per_ha",
    "tree_m3",
];
/// Thicker than any tree.
const MOST_DBH_CM: f64 = 1_000.0;
/// Classes that meet agree to this, cm.
const SAME_CM: f64 = 1e-6;
/// What a layer and its table may say apart of stems or size.
const LITTLE: f64 = 0.02;

/// Tables by stand, and which of them a layer has.
#[derive(Debug, Default)]
pub struct StandTables {
    source: String,
    tables: BTreeMap<String, StandTable>,
    found: BTreeSet<String>,
    /// Stands of the layer without a table.
    without: Vec<String>,
    pub rows: u64,
    problems: Vec<Problem>,
}

/// What `inspect` and `run.json` say of it.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct TableReport {
    pub source: String,
    pub rows: u64,
    /// Stands of the layer with a table, and without.
    pub stands: u64,
    pub without: u64,
    pub species: Vec<String>,
}

impl StandTables {
    /// # Errors
    /// [`SourceError::Unreadable`] where it is no table with these columns.
    pub fn read(source: &TableSource) -> Result<StandTables, SourceError> {
        let unreadable = |message: String| SourceError::Unreadable {
            file: source.source.clone(),
            role: ROLE,
            message,
        };
        let written = match is_a_layer(source) {
            true => of_layer(source)?,
            false => of_csv(source).map_err(unreadable)?,
        };
        let heads = &written.heads;
        let at = COLUMNS.map(|name| heads.iter().position(|head| head == name));
        if let Some(lost) = COLUMNS.iter().zip(at).find(|(_, at)| at.is_none()) {
            return Err(unreadable(format!(
                "it has no column `{}`; a stand table has {}",
                lost.0,
                COLUMNS.join(", ")
            )));
        }
        let at = at.map(Option::unwrap_or_default);
        let mut tables = StandTables {
            source: source.source.clone(),
            ..StandTables::default()
        };
        let mut rows: BTreeMap<String, Vec<TreeClass>> = BTreeMap::new();
        let mut faulty: BTreeMap<String, String> = BTreeMap::new();
        for (place, record) in &written.rows {
            let cell = |column: usize| record.get(at[column]).map_or("", String::as_str);
            tables.rows += 1;
            let stand = cell(0).to_owned();
            match class(&cell) {
                Ok(class) => rows.entry(stand).or_default().push(class),
                Err(why) => {
                    rows.entry(stand.clone()).or_default();
                    faulty.entry(stand).or_insert(format!("{place}: {why}"));
                }
            }
        }
        for (stand, mut classes) in rows {
            classes.sort_by(|a, b| {
                a.species
                    .cmp(&b.species)
                    .then(a.from_m.total_cmp(&b.from_m))
            });
            if let Some(why) = faulty.remove(&stand).or_else(|| overlap(&classes)) {
                tables.tell(
                    &stand,
                    format!(
                        "{why}; the table is not used for this stand, the layer's own figures are"
                    ),
                    "correct the rows of this stand",
                );
                continue;
            }
            for gap in gaps(&classes) {
                tables.tell(
                    &stand,
                    format!("{gap}: taken for no trees of that size"),
                    "add the class that is missing, or stretch the next one",
                );
            }
            if classes.iter().any(|class| class.species.is_empty()) {
                tables.tell(
                    &stand,
                    "a class names no species: its trees count, of a species that nobody knows"
                        .to_owned(),
                    "fill in the column `species`",
                );
            }
            tables.tables.insert(stand, StandTable(classes));
        }
        Ok(tables)
    }

    fn tell(&mut self, stand: &str, message: String, remedy: &str) {
        self.problems.push(Problem {
            code: ProblemCode::StandTable,
            layer: self.source.clone(),
            feature_id: stand.to_owned(),
            place: None,
            message,
            remedy: remedy.to_owned(),
            shape: None,
            set_aside: false,
        });
    }

    /// The table of a stand of the layer, which is told where it says otherwise.
    pub fn of(
        &mut self,
        stand: &str,
        stems_per_ha: Option<f64>,
        tree_m3: Option<f64>,
    ) -> Option<StandTable> {
        let Some(table) = self.tables.get(stand).cloned() else {
            self.without.push(stand.to_owned());
            return None;
        };
        if self.found.insert(stand.to_owned()) {
            let far = |said: Option<f64>, own: Option<f64>| {
                let (said, own) = said.zip(own)?;
                ((said - own).abs() > LITTLE * own.max(said)).then_some((said, own))
            };
            if let Some((said, own)) = far(stems_per_ha, Some(table.all().stems)) {
                let message = format!(
                    "the layer says {said:.0} stems per hectare, the table {own:.0}: the table counts"
                );
                self.tell(stand, message, "see which of them is right");
            }
            if let Some((said, own)) = far(tree_m3, table.tree_m3()) {
                let message = format!(
                    "the layer says {said:.3} m3 a tree, the table {own:.3}: the table counts"
                );
                self.tell(stand, message, "see which of them is right");
            }
        }
        Some(table)
    }

    /// What is left to say, once all stands were read.
    pub fn close(mut self, all_read: bool) -> (TableReport, Vec<Problem>) {
        self.without.sort();
        self.without.dedup();
        if all_read {
            let strangers: Vec<String> = (self.tables.keys())
                .filter(|stand| !self.found.contains(*stand))
                .cloned()
                .collect();
            for stand in strangers {
                let message = "no stand of the layer has this id: its rows are not used".to_owned();
                self.tell(
                    &stand,
                    message,
                    "correct the column `stand`, or `id` of [layers.stands]",
                );
            }
        }
        if let Some(first) = self.without.first().cloned() {
            let message = format!(
                "the table has no rows for it, {} stand(s) from this one on: the layer's own figures are used, without classes",
                self.without.len()
            );
            self.tell(&first, message, "add the rows of these stands");
        }
        let species: BTreeSet<String> = (self.tables.values())
            .flat_map(|table| table.0.iter().map(|class| class.species.clone()))
            .collect();
        let report = TableReport {
            source: self.source,
            rows: self.rows,
            stands: self.found.len() as u64,
            without: self.without.len() as u64,
            species: species.into_iter().collect(),
        };
        (report, self.problems)
    }
}

/// A table as written: names of columns in lower case, and each row with its place.
struct Written {
    heads: Vec<String>,
    rows: Vec<(String, Vec<String>)>,
}

/// Whether a file holds layers; else it is read as CSV.
fn is_a_layer(source: &TableSource) -> bool {
    let extension = source.path.extension().and_then(|ending| ending.to_str());
    let known = ["gpkg", "geojson", "json", "fgb", "shp", "tab", "mif"];
    let named = extension.is_some_and(|own| known.contains(&own.to_ascii_lowercase().as_str()));
    named || source.layer.is_some()
}

fn of_csv(source: &TableSource) -> Result<Written, String> {
    let bytes = plain::read(&source.path, limits::REPORT_FILE_BYTES);
    let bytes = bytes.map_err(|error| error.to_string())?;
    let mut reader = csv::ReaderBuilder::new()
        .trim(csv::Trim::All)
        .from_reader(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes));
    let heads = reader.headers().map_err(|error| error.to_string())?;
    let heads = heads.iter().map(str::to_ascii_lowercase).collect();
    let mut rows = Vec::new();
    for (record, line) in reader.records().zip(2u64..) {
        let record = record.map_err(|error| error.to_string())?;
        let cells = record.iter().map(str::to_owned).collect();
        rows.push((format!("line {line}"), cells));
    }
    Ok(Written { heads, rows })
}

/// Shapes, if the layer has any, are passed over.
fn of_layer(source: &TableSource) -> Result<Written, SourceError> {
    let layer = source.layer.as_deref();
    let layer = LayerSource::bare(LayerKind::Stands, &source.path, &source.source, layer);
    open::quiet_gdal();
    let dataset = open::open(&layer)?;
    let mut found = open::layer(&dataset, &layer)?;
    let heads = found
        .defn()
        .fields()
        .map(|field| field.name().to_ascii_lowercase());
    let heads: Vec<String> = heads.collect();
    let mut rows = Vec::new();
    for feature in found.features() {
        let cells = (0..heads.len()).map(|at| {
            let text = feature.field_as_string(at).ok().flatten();
            text.unwrap_or_default().trim().to_owned()
        });
        let place = feature
            .fid()
            .map_or_else(String::new, |fid| format!("feature {fid}"));
        rows.push((place, cells.collect()));
    }
    if let Some(message) = open::last_failure() {
        return Err(SourceError::Unreadable {
            file: source.source.clone(),
            role: ROLE,
            message,
        });
    }
    Ok(Written { heads, rows })
}

fn class<'r>(cell: &impl Fn(usize) -> &'r str) -> Result<TreeClass, String> {
    let number = |column: usize, most: f64| -> Result<f64, String> {
        let (name, text) = (COLUMNS[column], cell(column));
        let value = text.parse::<f64>().ok().filter(|value| value.is_finite());
        let value = value.ok_or_else(|| format!("`{name}` is `{text}`, which is no number"))?;
        if value < 0.0 {
            return Err(format!("`{name}` is {value}, below zero"));
        }
        if value > most {
            return Err(format!("`{name}` is {value}, but {most} is the most"));
        }
        Ok(value)
    };
    let (from_cm, to_cm) = (number(2, MOST_DBH_CM)?, number(3, MOST_DBH_CM)?);
    if from_cm >= to_cm {
        return Err(format!("the class from {from_cm} to {to_cm} cm is empty"));
    }
    let (stems_per_ha, tree_m3) = (number(4, MOST_STEMS_PER_HA)?, number(5, MOST_TREE_M3)?);
    if stems_per_ha > 0.0 && tree_m3 <= 0.0 {
        return Err("trees without a volume".to_owned());
    }
    Ok(TreeClass {
        species: cell(1).to_owned(),
        from_m: from_cm / 100.0,
        to_m: to_cm / 100.0,
        stems_per_ha,
        tree_m3,
    })
}

/// Neighbours of one species in a sorted table.
fn neighbours(classes: &[TreeClass]) -> impl Iterator<Item = (&TreeClass, &TreeClass)> {
    let pairs = classes.windows(2).map(|pair| (&pair[0], &pair[1]));
    pairs.filter(|(a, b)| a.species == b.species)
}

fn between(a: &TreeClass, b: &TreeClass) -> String {
    let cm = |m: f64| (m * 1e6).round() / 1e4;
    format!(
        "{}: classes {} to {} cm and {} to {} cm",
        a.species,
        cm(a.from_m),
        cm(a.to_m),
        cm(b.from_m),
        cm(b.to_m)
    )
}

fn overlap(classes: &[TreeClass]) -> Option<String> {
    neighbours(classes)
        .find(|(a, b)| b.from_m < a.to_m - SAME_CM / 100.0)
        .map(|(a, b)| format!("{} overlap", between(a, b)))
}

fn gaps(classes: &[TreeClass]) -> Vec<String> {
    neighbours(classes)
        .filter(|(a, b)| b.from_m > a.to_m + SAME_CM / 100.0)
        .map(|(a, b)| format!("{} leave a gap", between(a, b)))
        .collect()
}
