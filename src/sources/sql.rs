//! What a filter or a view of a GeoPackage may not ask: whoever wrote it chooses what SQLite computes while we read.

use gdal::Dataset;
use gdal::vector::LayerAccess;
use gdal::vector::sql::Dialect;

use crate::project::{unquoted, why_no_condition};

/// Functions that reach out of the file, as far as a GDAL has them.
const REACHING_OUT: [&str; 7] = [
    "ogr_geocode",
    "ogr_datasource_load_layers",
    "ogr_getconfigoption",
    "ogr_setconfigoption",
    "gdal_get_pixel_value",
    "gdal_get_layer_pixel_value",
    "load_extension",
];

fn has_word(sql: &str, word: &str) -> bool {
    sql.split(|letter: char| !letter.is_alphanumeric() && letter != '_')
        .any(|own| own == word)
}

/// Why a filter is not handed to a driver: a query inside may have no end, and some functions reach out of the file.
pub(super) fn why_no_filter(filter: &str) -> Option<String> {
    if let Some(why) = why_no_condition(filter) {
        return Some(why.to_owned());
    }
    let words = unquoted(filter, &['\'', '"']);
    if ["select", "with"].iter().any(|word| has_word(&words, word)) {
        return Some("a query inside a filter is not computed".to_owned());
    }
    // The name of a function may stand in quotes, as that of an attribute does.
    let names = unquoted(filter, &['\'']);
    let found = REACHING_OUT.iter().find(|name| has_word(&names, name));
    found.map(|name| format!("the function `{name}` reaches out of the file"))
}

/// Why a GeoPackage is not read: a view of it that refers to itself may have no end, and a driver looks into every view
/// before it tells even their names.
pub(super) fn why_no_views(dataset: &Dataset) -> Option<String> {
    if dataset.driver().short_name() != "GPKG" {
        return None;
    }
    const VIEWS: &str = "SELECT name, sql FROM sqlite_master WHERE type = 'view' ORDER BY name";
    let mut views = dataset.execute_sql(VIEWS, None, Dialect::DEFAULT).ok()??;
    let endless = views.features().find_map(|view| {
        let text = |field| view.field_as_string(field).ok().flatten();
        may_be_endless(&text(1)?).then(|| text(0).unwrap_or_default())
    });
    endless.map(|name| {
        format!("its view `{name}` is made by WITH and UNION, so that it may have no end")
    })
}

/// A query can refer to itself only in a common table expression that unites a first part with the next ones.
fn may_be_endless(sql: &str) -> bool {
    let words = unquoted(sql, &['\'', '"', '`']);
    ["with", "union"].iter().all(|word| has_word(&words, word))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_filters_pass() {
        for filter in [
            "CLASS = 'S3'",
            "\"SELECT\" = 1 AND \"with\" > 2",
            "NAME = 'select with load_extension('",
            "width_m > 2.5 OR selected IS NULL",
            "ogr_fid < 100",
        ] {
            assert_eq!(why_no_filter(filter), None, "{filter}");
        }
    }

    #[test]
    fn views_that_refer_to_themselves_are_known() {
        let endless = "CREATE VIEW a AS WITH c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c) SELECT n FROM c";
        assert!(may_be_endless(endless));
        assert!(may_be_endless(&endless.to_lowercase()));
        for plain in [
            "CREATE VIEW a AS SELECT * FROM b UNION SELECT * FROM c",
            "CREATE VIEW a AS WITH c AS (SELECT 1) SELECT * FROM c",
            "CREATE VIEW a AS SELECT 'with union' AS \"with\" FROM \"union\"",
        ] {
            assert!(!may_be_endless(plain), "{plain}");
        }
    }

    #[test]
    fn queries_and_functions_that_reach_out_do_not() {
        for filter in [
            "fid IN (SELECT 1)",
            "1 in (with recursive c(x) as (values(1)) Select x from c)",
            "OGR_Geocode('x') IS NULL",
            "\"ogr_SetConfigOption\"('A', 'B') IS NULL",
            "NAME = 'it''s' AND load_extension('x') IS NULL",
        ] {
            assert!(why_no_filter(filter).is_some(), "{filter}");
        }
    }
}
