//! GeoPackages: a table's rows, how many GDAL wrote down for it, and the spatial index beside it (OGC 12-128, annex F.3).

use gdal::Dataset;
use gdal::vector::LayerAccess;
use gdal::vector::sql::Dialect;

use super::super::open::{forget_failures, last_failure};
use super::{Fault, Known, plural};

/// # Errors
/// Table, count and index do not have the same number of features.
pub(super) fn known(dataset: &Dataset, table: &str) -> Result<Known, Fault> {
    let package = Package(dataset);
    // A view has neither count nor index of its own.
    if !package.has_table(table)? {
        return Ok(Known::default());
    }
    let Some(rows) = package.number(&format!("SELECT count(*) FROM {}", identifier(table)))? else {
        return Ok(Known::default());
    };
    let own = text(table);
    if package.has_table("gpkg_ogr_contents")? {
        let said = format!(
            "SELECT feature_count FROM gpkg_ogr_contents WHERE lower(table_name) = lower({own})"
        );
        if let Some(said) = package.number(&said)?.filter(|said| *said != rows) {
            return Err(Fault::Differ(format!(
                "its `gpkg_ogr_contents` says {}, and {rows} are in the table",
                plural(said, "feature")
            )));
        }
    }
    let column = format!(
        "SELECT column_name FROM gpkg_geometry_columns WHERE lower(table_name) = lower({own})"
    );
    let Some(column) = package.text(&column)? else {
        return Ok(Known::of(rows));
    };
    let index = format!("rtree_{table}_{column}_rowid");
    if package.has_table(&index)?
        && let Some(named) =
            package.number(&format!("SELECT count(*) FROM {}", identifier(&index)))?
    {
        let (least, most) = package.shapes(table, &column)?;
        if !(least..=most).contains(&named) {
            return Err(Fault::Differ(format!(
                "its spatial index names {}, and {most} are in the table",
                plural(named, "shape")
            )));
        }
    }
    Ok(Known::of(rows))
}

struct Package<'d>(&'d Dataset);

impl Package<'_> {
    fn text(&self, sql: &str) -> Result<Option<String>, Fault> {
        self.row(sql, 0)
    }

    fn row(&self, sql: &str, field: usize) -> Result<Option<String>, Fault> {
        forget_failures();
        let unreadable = |message: String| Fault::Unreadable(message);
        let asked = self.0.execute_sql(sql, None, Dialect::DEFAULT);
        let asked =
            asked.map_err(|e| unreadable(last_failure().unwrap_or_else(|| e.to_string())))?;
        let first = asked.and_then(|mut rows| {
            let row = rows.features().next()?;
            row.field_as_string(field).ok().flatten()
        });
        match last_failure() {
            Some(message) => Err(unreadable(message)),
            None => Ok(first),
        }
    }

    fn number(&self, sql: &str) -> Result<Option<u64>, Fault> {
        Ok(self.row(sql, 0)?.and_then(|text| text.parse().ok()))
    }

    /// Whether there is a plain table, no view and none that a module makes up.
    fn has_table(&self, table: &str) -> Result<bool, Fault> {
        let own = text(table);
        let count = self.number(&format!(
            "SELECT count(*) FROM sqlite_master WHERE type = 'table' AND lower(name) = lower({own}) AND sql NOT LIKE \
             'CREATE VIRTUAL%'"
        ))?;
        Ok(count == Some(1))
    }

    /// At least and at most so many shapes are not empty: bytes may be no geometry, and a head may say that one is empty
    /// which is not.
    fn shapes(&self, table: &str, column: &str) -> Result<(u64, u64), Fault> {
        let (table, column) = (identifier(table), identifier(column));
        let sums = format!(
            "SELECT coalesce(sum(ST_IsEmpty({column}) IS 0), 0) || ' ' || count(*) FROM {table} WHERE {column} IS NOT NULL"
        );
        let sums = self.text(&sums)?.unwrap_or_default();
        let mut sums = sums.split(' ').map(|sum| sum.parse().unwrap_or(0));
        Ok((sums.next().unwrap_or(0), sums.next().unwrap_or(u64::MAX)))
    }
}

/// As a name in SQL.
fn identifier(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

/// As a text in SQL.
fn text(name: &str) -> String {
    format!("'{}'", name.replace('\'', "''"))
}
