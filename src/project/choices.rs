//! Values given as lists, `reach = ["8 m", "9 m"]`: one project for each combination of them.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;

use toml::de::{DeTable, DeValue};

use super::{Project, ProjectError, Reason, plain_file, read, unreadable};
use crate::rulebook::Place;

/// Keys whose values may be compared: wishes of the planner and figures of the machine, not what layers lack.
pub(super) const LISTED: [(&str, &[&str]); 6] = [
    (
        "machine",
        &[
            "reach",
            "reach_margin",
            "max_slope",
            "night_slope",
            "feller",
            "skidder",
        ],
    ),
    (
        "layout",
        &[
            "road_band",
            "boundary_pass",
            "azimuth",
            "pattern",
            "least_patch",
            "corridor_min",
            "corridor_max",
            "corridor_spacings",
            "edge_distance",
            "hazard_distance",
            "section_min",
            "max_strip",
            "shift_hours",
            "strips_between_corridors",
            "decking",
            "soft_ground",
            "road_clearing_day_only",
            "large_trees_day_only",
        ],
    ),
    (
        "production",
        &[
            "time_model",
            "utilisation",
            "skid_utilisation",
            "payload_m3",
            "limbiness",
        ],
    ),
    ("wind", &["from", "seconds_per_m"]),
    ("wet_ground", &["depth_to_water", "channels_from"]),
    ("costs", &["felling", "skidding"]),
];

/// More combinations than this are a slip, or a study of its own.
pub const MOST_COMBINATIONS: usize = 64;

/// One combination.
#[derive(Clone, Debug)]
pub struct Choice {
    /// Key, for example `machine.reach`, and value as written, in the order of the file.
    pub values: Vec<(String, String)>,
    pub project: Project,
}

/// A key with several values.
struct List {
    key: String,
    span: Range<usize>,
    values: Vec<Range<usize>>,
}

/// In the order of the file. A text that is no TOML has none; the reader of the whole file says what is wrong.
fn lists(text: &str) -> Vec<List> {
    let Ok(document) = DeTable::parse(text) else {
        return vec![];
    };
    let mut found = Vec::new();
    for (section, table) in document.get_ref() {
        let keys = LISTED.iter().find(|(name, _)| section.get_ref() == name);
        let (Some((name, keys)), DeValue::Table(table)) = (keys, table.get_ref()) else {
            continue;
        };
        for (key, value) in table {
            let DeValue::Array(values) = value.get_ref() else {
                continue;
            };
            if keys.contains(&key.get_ref().as_ref()) {
                found.push(List {
                    key: format!("{name}.{}", key.get_ref()),
                    span: value.span(),
                    values: values.iter().map(|value| value.span()).collect(),
                });
            }
        }
    }
    found.sort_by_key(|list| list.span.start);
    found
}

fn fault(path: &Path, text: &str, span: Range<usize>, reason: Reason) -> ProjectError {
    ProjectError {
        path: path.to_owned(),
        place: Some(Place::of(text, span)),
        reason: Box::new(reason),
        also: vec![],
    }
}

/// Refuses lists where one value is needed.
pub fn refuse_lists(text: &str, path: &Path) -> Result<(), ProjectError> {
    match lists(text).into_iter().next() {
        None => Ok(()),
        Some(list) => {
            let reason = Reason::ListOfValues { key: list.key };
            Err(fault(path, text, list.span, reason))
        }
    }
}

/// Reads a project file whose values may be lists, once for each combination; the last list changes fastest. Without
/// lists there is one combination.
///
/// # Errors
/// As [`super::load`], for any of the combinations; and when a list is empty or there are too many combinations.
pub fn load_choices(path: &Path) -> Result<Vec<Choice>, ProjectError> {
    let text = plain_file::text(path).map_err(|why| unreadable(path, why))?;
    choices(&text, path, true)
}

pub(super) fn choices(
    text: &str,
    path: &Path,
    look_for_files: bool,
) -> Result<Vec<Choice>, ProjectError> {
    let lists = lists(text);
    let mut count = 1usize;
    for list in &lists {
        if list.values.is_empty() {
            let key = list.key.clone();
            return Err(fault(path, text, list.span.clone(), Reason::Empty { key }));
        }
        count = count.saturating_mul(list.values.len());
        if count > MOST_COMBINATIONS {
            let reason = Reason::TooManyCombinations {
                most: MOST_COMBINATIONS,
            };
            return Err(fault(path, text, list.span.clone(), reason));
        }
    }
    (0..count)
        .map(|number| {
            let mut rest = number;
            let mut picked: Vec<&Range<usize>> = Vec::with_capacity(lists.len());
            for list in lists.iter().rev() {
                picked.push(&list.values[rest % list.values.len()]);
                rest /= list.values.len();
            }
            picked.reverse();
            let one = with_values(text, &lists, &picked);
            let values = lists.iter().zip(&picked);
            Ok(Choice {
                values: values
                    .map(|(list, value)| (list.key.clone(), text[(*value).clone()].to_owned()))
                    .collect(),
                // Places are those of the file as it is written.
                project: read(&one, text, path, look_for_files, &BTreeSet::new())?,
            })
        })
        .collect()
}

/// The text with one value instead of each list. Blanks stand for the rest of the list, so that every other byte, and
/// the value too, keeps its place.
fn with_values(text: &str, lists: &[List], picked: &[&Range<usize>]) -> String {
    let mut one = String::with_capacity(text.len());
    let mut at = 0;
    for (list, value) in lists.iter().zip(picked) {
        one.push_str(&text[at..list.span.start]);
        one.push_str(&" ".repeat(value.start - list.span.start));
        one.push_str(&text[(*value).clone()]);
        one.push_str(&" ".repeat(list.span.end - value.end));
        at = list.span.end;
    }
    one.push_str(&text[at..]);
    one
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Azimuth;

    const FRAME: &str = "[layers.blocks]\nsource = \"b.gpkg\"\n[rules]\npreset = \"bare\"\n";

    fn of(text: &str) -> Result<Vec<Choice>, ProjectError> {
        choices(&format!("{FRAME}{text}"), Path::new("p.toml"), false)
    }

    #[test]
    fn every_combination_is_a_project_of_its_own() {
        let found = of(
            "[layout]\nazimuth = [\"auto\", 45.0]\n[machine]\nreach = [\n  \"8 m\", # é\n  \"9 m\",\n]\n",
        )
        .unwrap();
        let settings = found.iter().map(|choice| &choice.project.settings);
        let settings: Vec<(Azimuth, f64)> = settings
            .map(|settings| (settings.layout.azimuth, settings.machine.reach_m))
            .collect();
        let (auto, turned) = (Azimuth::Auto, Azimuth::Degrees(45.0));
        let wanted = [(auto, 8.0), (auto, 9.0), (turned, 8.0), (turned, 9.0)];
        assert_eq!(settings, wanted);
        let values = [("layout.azimuth", "45.0"), ("machine.reach", "\"8 m\"")];
        let values = values.map(|(key, value)| (key.to_owned(), value.to_owned()));
        assert_eq!(found[2].values, values);
        assert_eq!(of("").unwrap().len(), 1);
    }

    #[test]
    fn errors_point_into_the_file_as_it_is_written() {
        let place = |text: &str| {
            let error = of(text).unwrap_err();
            let place = error.place.clone().unwrap();
            (error.code(), place.line, place.column)
        };
        // The frame has four lines.
        assert_eq!(
            place("[machine]\nreach = [\"8 m\", \"90 m\"]\n"),
            ("out-of-range", 6, 17)
        );
        assert_eq!(
            place("[machine]\nreach = [\n  \"8 m\",\n  \"9 mm\",\n]\n[layout]\n").1,
            8
        );
        assert_eq!(
            place("[machine]\nreach = [\n\"8 m\",\n]\n[layout]\nroad_bnd = 3\n"),
            ("unknown-key", 10, 1)
        );
        assert_eq!(place("[machine]\nreach = []\n"), ("empty-value", 6, 9));
        let many = "[0.1, 1, 2, 3, 4, 5, 6, 7, 8]";
        let too_many =
            format!("[layout]\nroad_band = 40\nsection_min = {many}\nedge_distance = {many}\n");
        assert_eq!(place(&too_many), ("too-many-combinations", 8, 17));
    }
}
