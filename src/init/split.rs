//! One layer that holds what several roles are for: told apart by the values of one attribute; and features that a role
//! does not mean.

use super::words::role_of_value;
use crate::model::LayerKind;
use crate::sources::{SurveyedColumn, SurveyedLayer};

/// A part of a layer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Part {
    pub kind: LayerKind,
    /// In OGR's SQL.
    pub filter: String,
    pub features: u64,
    pub why: String,
    /// The attribute that tells the part.
    pub by: String,
    /// Its values that are in the part, or, with `not`, those that are not.
    values: Vec<String>,
    not: bool,
}

impl Part {
    /// Whether features with this value are in the part.
    pub fn holds(&self, value: &str) -> bool {
        self.values.iter().any(|own| own == value) != self.not
    }
}

const WATER: [LayerKind; 3] = [LayerKind::Lakes, LayerKind::Wetlands, LayerKind::Streams];

/// Ways of OpenStreetMap that no truck drives on; its wiki describes them.
const NO_ROADS: [&str; 15] = [
    "footway",
    "steps",
    "path",
    "cycleway",
    "pedestrian",
    "bridleway",
    "corridor",
    "via_ferrata",
    "platform",
    "proposed",
    "elevator",
    "bus_stop",
    "rest_area",
    "raceway",
    "busway",
];

/// An attribute's name as OGR's SQL takes it.
fn column_name(name: &str) -> String {
    // Words of SQL that could not stand there bare.
    const RESERVED: [&str; 14] = [
        "order", "group", "where", "select", "from", "index", "table", "and", "or", "not", "in",
        "is", "null", "like",
    ];
    let plain = name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')
        && name.starts_with(|c: char| c.is_ascii_alphabetic() || c == '_')
        && !RESERVED.contains(&name.to_ascii_lowercase().as_str());
    match plain {
        true => name.to_owned(),
        false => format!("\"{}\"", name.replace('"', "\"\"")),
    }
}

fn value(text: &str) -> String {
    format!("'{}'", text.replace('\'', "''"))
}

fn list(values: &[&str]) -> String {
    match values {
        [one] => format!("= {}", value(one)),
        several => {
            let texts: Vec<String> = several.iter().map(|text| value(text)).collect();
            format!("IN ({})", texts.join(", "))
        }
    }
}

/// The role of one value of a water layer; letters stand for words in layers of waters only.
fn role_of_water(text: &str) -> Option<LayerKind> {
    match text {
        "L" => Some(LayerKind::Lakes),
        "W" => Some(LayerKind::Wetlands),
        "R" => Some(LayerKind::Streams),
        _ => role_of_value(text, &WATER),
    }
}

/// Polygons of lakes, wetlands and rivers in one layer. Each feature is in one part; what no value tells is a lake.
pub(super) fn waters(layer: &SurveyedLayer, kind: LayerKind) -> Vec<Part> {
    if !WATER.contains(&kind) || layer.shapes.polygons * 2 < layer.features {
        return vec![];
    }
    let told = |column: &SurveyedColumn| -> (usize, u64) {
        let roles: Vec<(LayerKind, u64)> = (column.values.iter())
            .filter_map(|(text, count)| Some((role_of_water(text)?, *count)))
            .collect();
        let kinds = WATER
            .iter()
            .filter(|kind| roles.iter().any(|(own, _)| own == *kind))
            .count();
        (kinds, roles.iter().map(|(_, count)| count).sum())
    };
    // The attribute that tells most features.
    let columns = layer.columns.iter().filter(|column| told(column).0 >= 2);
    let Some(column) = columns.rev().max_by_key(|column| told(column).1) else {
        return vec![];
    };
    if told(column).1 * 2 < layer.features {
        return vec![];
    }
    let name = column_name(&column.name);
    let mut parts = Vec::new();
    let mut others: Vec<&str> = Vec::new();
    let mut rest = layer.features;
    for kind in [LayerKind::Wetlands, LayerKind::Streams] {
        let own = column
            .values
            .iter()
            .filter(|(text, _)| role_of_water(text) == Some(kind));
        let (texts, counts): (Vec<&str>, Vec<u64>) =
            own.map(|(text, count)| (text.as_str(), *count)).unzip();
        if texts.is_empty() {
            continue;
        }
        let features = counts.iter().sum();
        rest -= features;
        parts.push(Part {
            kind,
            filter: format!("{name} {}", list(&texts)),
            features,
            why: format!("values of `{}`", column.name),
            by: column.name.clone(),
            values: texts.iter().map(|text| (*text).to_owned()).collect(),
            not: false,
        });
        others.extend(texts);
    }
    if rest > 0 {
        let texts: Vec<String> = others.iter().map(|text| value(text)).collect();
        let empty = layer.features - column.filled;
        let or_null = if empty > 0 {
            format!("{name} IS NULL OR ")
        } else {
            String::new()
        };
        parts.insert(
            0,
            Part {
                kind: LayerKind::Lakes,
                filter: format!("{or_null}{name} NOT IN ({})", texts.join(", ")),
                features: rest,
                why: format!("all that `{}` does not call something else", column.name),
                by: column.name.clone(),
                values: others.iter().map(|text| (*text).to_owned()).collect(),
                not: true,
            },
        );
    }
    parts
}

/// The roads of a layer that holds footpaths and stairs too; None: it holds none of these.
pub(super) fn roads_only(layer: &SurveyedLayer, kind: LayerKind) -> Option<Part> {
    if kind != LayerKind::Roads {
        return None;
    }
    let column = layer
        .columns
        .iter()
        .find(|column| column.name == "highway")?;
    let left_out = column
        .values
        .iter()
        .filter(|(text, _)| NO_ROADS.contains(&text.as_str()));
    let (texts, counts): (Vec<&str>, Vec<u64>) = left_out
        .map(|(text, count)| (text.as_str(), *count))
        .unzip();
    if texts.is_empty() {
        return None;
    }
    let out: u64 = counts.iter().sum();
    let values = texts.iter().map(|text| (*text).to_owned()).collect();
    let texts: Vec<String> = texts.iter().map(|text| value(text)).collect();
    let or_null = match column.filled < layer.features {
        true => "highway IS NULL OR ",
        false => "",
    };
    Some(Part {
        kind,
        filter: format!("{or_null}highway NOT IN ({})", texts.join(", ")),
        features: layer.features - out,
        why: format!(
            "no truck drives on the {out} others; as trails they may be hazards, with people"
        ),
        by: column.name.clone(),
        values,
        not: true,
    })
}
