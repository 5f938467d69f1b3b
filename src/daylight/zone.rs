//! Time zones by the names of the IANA database.

use chrono_tz::{IANA_TZDB_VERSION, TZ_VARIANTS, Tz};

/// Edition of the time zone database in use: rules that were changed after it are not known.
pub const TIME_ZONES_VERSION: &str = IANA_TZDB_VERSION;

/// A name that is not in the time zone database.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{given}` is no time zone of the IANA database; did you mean `{nearest}`? Zones are named by region and city, for example `Europe/Helsinki`"
)]
pub struct ZoneError {
    pub given: String,
    /// The nearest name that is one.
    pub nearest: &'static str,
}

/// Reads a time zone by its IANA name, such as `Europe/Helsinki` or `America/Vancouver`.
///
/// Upper and lower case count alike. Of the names without a region only `UTC` and `GMT` are taken: abbreviations such as
/// `EST` stand in the database as zones without daylight saving, which hardly anybody means by them.
///
/// # Errors
/// For any other name, with the nearest one.
pub fn parse_zone(text: &str) -> Result<Tz, ZoneError> {
    let given = text.trim();
    let known = TZ_VARIANTS.iter().find(|zone| {
        let name = zone.name();
        name.eq_ignore_ascii_case(given) && (name.contains('/') || ["UTC", "GMT"].contains(&name))
    });
    known.copied().ok_or_else(|| ZoneError {
        given: given.to_owned(),
        nearest: nearest(given),
    })
}

fn nearest(given: &str) -> &'static str {
    let wanted = given.to_lowercase().replace([' ', '-'], "_");
    let score = |zone: &Tz| {
        let name = zone.name().to_lowercase();
        let city = name.rsplit('/').next().unwrap_or(&name);
        // A city alone is as good as the whole name; three letters may be like anything.
        strsim::jaro_winkler(&wanted, &name).max(strsim::jaro_winkler(&wanted, city) - 0.001)
    };
    let mut best = (f64::NEG_INFINITY, Tz::UTC.name());
    for zone in TZ_VARIANTS.iter().filter(|zone| zone.name().contains('/')) {
        let score = score(zone);
        if score > best.0 {
            best = (score, zone.name());
        }
    }
    best.1
}
