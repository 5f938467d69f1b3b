//! Which presets stand for the country in which blocks lie.

use crate::rulebook::{self, Rulebook};
use crate::sources::area_of_use;

/// Presets of a place, and CRSs whose area of use, as their authority states it, is that place or lies around it.
const COUNTRIES: [(&str, &str, &[&str]); 13] = [
    ("bc-fppr", "British Columbia", &["EPSG:3005"]),
    ("qc-radf", "Quebec", &["EPSG:32198"]),
    ("wa-wac", "Washington", &["EPSG:32148", "EPSG:32149"]),
    ("or-west", "Oregon", &["EPSG:2992"]),
    ("or-east", "Oregon", &["EPSG:2992"]),
    (
        "ak-private",
        "Alaska",
        &["EPSG:26931", "EPSG:26932", "EPSG:26933", "EPSG:26934"],
    ),
    (
        "ak-public",
        "Alaska",
        &[
            "EPSG:26931",
            "EPSG:26932",
            "EPSG:26933",
            "EPSG:26934",
            "EPSG:26935",
            "EPSG:26936",
        ],
    ),
    ("mt-smz", "Montana", &["EPSG:32100"]),
    (
        "mn-filter-strip",
        "Minnesota",
        &["EPSG:26991", "EPSG:26992", "EPSG:26993"],
    ),
    ("nh-rsa", "New Hampshire", &["EPSG:32110"]),
    ("me-shoreland", "Maine", &["EPSG:26983", "EPSG:26984"]),
    ("ky-bmp", "Kentucky", &["EPSG:3088"]),
    ("uk-water", "United Kingdom", &["EPSG:27700"]),
];

/// A preset that somebody may choose.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Proposal {
    pub preset: &'static str,
    pub title: String,
    /// Name of the country, and the CRS whose area of use holds the blocks; None: the preset stands for no place.
    pub country: Option<(&'static str, &'static str)>,
}

/// Country of a preset that stands for a place.
pub(super) fn country_of(preset: &str) -> Option<&'static str> {
    let mut all = COUNTRIES.iter();
    all.find(|(own, ..)| *own == preset)
        .map(|(_, country, _)| *country)
}

/// Boxes around the country of a preset, and the CRSs by whose areas of use they are known: west, south, east and north in
/// degrees. None for a preset of no place.
pub(super) fn boxes_of(preset: &str) -> Vec<(&'static str, [f64; 4])> {
    let all = COUNTRIES.iter().filter(|(own, ..)| *own == preset);
    let codes = all.flat_map(|(_, _, codes)| codes.iter());
    codes
        .filter_map(|code| Some((*code, area_of_use(code)?)))
        .collect()
}

/// Whether a place, longitude and latitude in degrees, lies in a box.
pub(super) fn holds([west, south, east, north]: [f64; 4], x: f64, y: f64) -> bool {
    (west..=east).contains(&x) && (south..=north).contains(&y)
}

/// Presets whose country has the middle of the blocks, and then those of no place.
pub(super) fn proposals(degrees: Option<[f64; 4]>) -> Vec<Proposal> {
    let title = |preset: &str| {
        let rules = rulebook::preset(preset);
        rules.map_or_else(|_| String::new(), |rules: Rulebook| rules.title)
    };
    let of_place = COUNTRIES.iter().filter_map(|(preset, country, _)| {
        let [west, south, east, north] = degrees?;
        let (x, y) = (0.5 * (west + east), 0.5 * (south + north));
        let mut boxes = boxes_of(preset).into_iter();
        let (code, _) = boxes.find(|(_, area)| holds(*area, x, y))?;
        Some(Proposal {
            preset,
            title: title(preset),
            country: Some((country, code)),
        })
    });
    let anywhere = ["common-practice", "bare"].map(|preset| Proposal {
        preset,
        title: title(preset),
        country: None,
    });
    of_place.chain(anywhere).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Longitudes and latitudes of capitals, and of places beyond the border, from any atlas.
    #[test]
    fn presets_are_proposed_in_their_own_country_only() {
        let proposed = |x: f64, y: f64| -> Vec<&str> {
            let found = proposals(Some([x, y, x, y]));
            found
                .iter()
                .filter(|one| one.country.is_some())
                .map(|one| one.preset)
                .collect()
        };
        for (place, x, y, wanted) in [
            ("Prince George", -122.75, 53.92, vec!["bc-fppr"]),
            ("Quebec", -71.21, 46.81, vec!["qc-radf"]),
            ("Olympia", -122.90, 47.04, vec!["wa-wac"]),
            ("Anchorage", -149.90, 61.22, vec!["ak-private", "ak-public"]),
            ("Dillingham", -158.46, 59.04, vec!["ak-public"]),
            // In Region III, of which nothing was read: an area of use is a box.
            ("Utqiagvik", -156.79, 71.29, vec!["ak-public"]),
            ("Helena", -112.04, 46.59, vec!["mt-smz"]),
            ("Saint Paul", -93.09, 44.95, vec!["mn-filter-strip"]),
            ("Salem", -123.04, 44.94, vec!["or-west", "or-east"]),
            ("Augusta", -69.78, 44.31, vec!["me-shoreland"]),
            ("Edinburgh", -3.19, 55.95, vec!["uk-water"]),
            ("Frankfort", -84.87, 38.20, vec!["ky-bmp"]),
            ("Rautjärvi", 29.12, 61.28, vec![]),
            ("Andorra", 1.52, 42.51, vec![]),
            ("Hobart", 147.33, -42.88, vec![]),
        ] {
            assert_eq!(proposed(x, y), wanted, "{place}");
        }
        assert!(proposed(-71.54, 43.21).contains(&"nh-rsa"), "Concord");
    }

    #[test]
    fn every_preset_stands_for_a_country_or_for_none() {
        for preset in rulebook::preset_names() {
            let anywhere = ["common-practice", "bare"].contains(&preset);
            assert_ne!(country_of(preset).is_some(), anywhere, "{preset}");
        }
    }
}
