//! Which attributes of a layer a role reads, each with the reason, and those that are in doubt with it too.

use std::collections::BTreeSet;

use super::split::Part;
use super::words::{Meaning, Name, means};
use crate::model::{LayerKind, names_danger_tree};
use crate::rulebook::{self, RULED_KINDS};
use crate::sources::{ColumnKind, SurveyedColumn, SurveyedLayer};
use crate::units::LengthUnit;

/// One line of a layer's table.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Line {
    /// Key and value as TOML; None: a remark alone.
    pub entry: Option<(String, String)>,
    pub remark: String,
    /// Whether it counts, or stands there commented out.
    pub is_in_force: bool,
}

impl Line {
    pub fn taken(key: &str, value: String, remark: String) -> Line {
        Line {
            entry: Some((key.to_owned(), value)),
            remark,
            is_in_force: true,
        }
    }

    pub fn doubtful(key: &str, value: String, remark: String) -> Line {
        Line {
            is_in_force: false,
            ..Line::taken(key, value, remark)
        }
    }

    fn remark(remark: String) -> Line {
        Line {
            entry: None,
            remark,
            is_in_force: false,
        }
    }
}

/// Of ids, so many in a hundred must be different.
const LEAST_DIFFERENT: f64 = 0.9;
/// Among fewer features anything is different.
const FEW_FEATURES: u64 = 5;
/// Numbers among an attribute's values, so that it counts as one of numbers.
const LEAST_NUMERIC: f64 = 0.9;
/// A stream's channel is seldom wider; a larger median is in another unit, or no channel width. Own judgement.
const WIDE_CHANNEL_M: f64 = 60.0;
/// Classes that are written down to be mapped.
const MOST_LISTED: usize = 30;

/// A string of TOML on one line, whatever is in the text.
pub(super) fn quoted(text: &str) -> String {
    // JSON escapes what TOML wants escaped, but for this one sign.
    let json = serde_json::Value::from(text).to_string();
    json.replace('\u{7f}', "\\u007F")
}

/// Everything that the layer's attributes say for this role. `unit` is that of the project's bare numbers.
pub(super) fn lines(
    layer: &SurveyedLayer,
    kind: LayerKind,
    part: Option<&Part>,
    unit: LengthUnit,
) -> Vec<Line> {
    let mut lines = Vec::new();
    let id = id(layer);
    let ids: Vec<&str> = id
        .iter()
        .flat_map(|(names, _)| names.iter().map(String::as_str))
        .collect();
    match &id {
        Some((names, remark)) => {
            let texts: Vec<String> = names.iter().map(|name| quoted(name)).collect();
            let value = match &texts[..] {
                [one] => one.clone(),
                several => format!("[{}]", several.join(", ")),
            };
            lines.push(Line::taken("id", value, remark.clone()));
        }
        None => lines.push(Line::remark(
            "id: no attribute tells the features apart, so they are called `fid N`".to_owned(),
        )),
    }
    if takes_class(kind) {
        lines.extend(class(layer, kind, part, &ids));
    }
    match kind {
        LayerKind::Streams => lines.extend(channel_width(layer, unit)),
        LayerKind::Roads => lines.extend(cleared_width(layer, unit)),
        LayerKind::Stands => lines.extend(stand(layer, unit)),
        LayerKind::PowerLines => lines.extend(power_line(layer)),
        LayerKind::SlopeClasses => lines.extend(slope(layer)),
        LayerKind::Blocks | LayerKind::Settings => lines.extend(azimuth(layer)),
        LayerKind::StripLines => lines.extend(order(layer)),
        _ => {}
    }
    if RULED_KINDS.contains(&kind) {
        lines.extend(facts(layer, kind, &ids));
        lines.extend(distance(layer));
    }
    lines
}

fn takes_class(kind: LayerKind) -> bool {
    RULED_KINDS.contains(&kind) || matches!(kind, LayerKind::Crossings | LayerKind::Soils)
}

/// Columns that hold something and mean this, the best named first.
fn meaning(layer: &SurveyedLayer, meaning: Meaning) -> Vec<&SurveyedColumn> {
    let mut found: Vec<(f64, &SurveyedColumn)> = (layer.columns.iter())
        .filter(|column| column.filled > 0)
        .filter_map(|column| Some((means(&Name::new(&column.name), meaning)?.fit, column)))
        .collect();
    found.sort_by(|(a, _), (b, _)| b.total_cmp(a));
    found.into_iter().map(|(_, column)| column).collect()
}

/// Attributes by which features are told apart, and why.
fn id(layer: &SurveyedLayer) -> Option<(Vec<String>, String)> {
    let holds_ids = |column: &&SurveyedColumn| {
        matches!(column.kind, ColumnKind::Text | ColumnKind::Whole) && column.filled > 0
    };
    let rank = |column: &SurveyedColumn| {
        let name = Name::new(&column.name);
        let is_id = name.tokens.iter().any(|token| token == "id");
        match (is_id, means(&name, Meaning::Id).is_some()) {
            (true, _) if name.tokens.len() > 1 => 3,
            (true, _) => 2,
            (false, true) => 1,
            (false, false) => 0,
        }
    };
    let columns: Vec<&SurveyedColumn> = layer.columns.iter().filter(holds_ids).collect();
    let whole = columns.iter().filter(|column| {
        column.filled == layer.features
            && column.distinct == column.filled
            && (layer.features >= FEW_FEATURES || rank(column) > 0)
    });
    // The first of the best.
    let best = whole.rev().max_by_key(|column| rank(column));
    if let Some(column) = best {
        let remark = format!(
            "a value of its own for each of {}",
            features(layer.features)
        );
        return Some((vec![column.name.clone()], remark));
    }
    for (at, a) in columns.iter().enumerate() {
        for b in &columns[at + 1..] {
            let parted = a.has_value.len() == b.has_value.len()
                && a.filled + b.filled == layer.features
                && a.has_value.iter().zip(&b.has_value).all(|(a, b)| a != b);
            let different = a.distinct == a.filled && b.distinct == b.filled;
            if parted && different && rank(a) > 0 && rank(b) > 0 {
                let remark = format!("each of {} has one of the two", features(layer.features));
                return Some((vec![a.name.clone(), b.name.clone()], remark));
            }
        }
    }
    let near = columns.iter().filter(|column| {
        let different = column.distinct as f64 / layer.features as f64;
        rank(column) > 0 && different >= LEAST_DIFFERENT && layer.features >= FEW_FEATURES
    });
    let column = near
        .rev()
        .max_by_key(|column| (rank(column), column.distinct))?;
    let again = column.filled - column.distinct;
    let none = layer.features - column.filled;
    let remark = format!(
        "{} values; {again} stand there again, {none} features have none",
        column.distinct
    );
    Some((vec![column.name.clone()], remark))
}

fn features(count: u64) -> String {
    match count {
        1 => "1 feature".to_owned(),
        _ => format!("{count} features"),
    }
}

/// The class names that presets have for a kind.
fn known_classes(kind: LayerKind) -> BTreeSet<String> {
    let presets = rulebook::preset_names();
    let presets = presets
        .iter()
        .filter_map(|name| rulebook::preset(name).ok());
    presets
        .flat_map(|rules| rules.lines)
        .filter(|line| line.kind == kind && line.class != "*")
        .map(|line| line.class)
        .collect()
}

/// Words for the shape of a feature, which some tools write beside it.
const SHAPES: [&str; 6] = [
    "multipolygon",
    "polygon",
    "line",
    "linestring",
    "point",
    "area",
];

fn class(layer: &SurveyedLayer, kind: LayerKind, part: Option<&Part>, ids: &[&str]) -> Vec<Line> {
    const TAGS: [(&str, LayerKind); 5] = [
        ("highway", LayerKind::Roads),
        ("waterway", LayerKind::Streams),
        ("water", LayerKind::Lakes),
        ("wetland", LayerKind::Wetlands),
        ("power", LayerKind::PowerLines),
    ];
    let known = known_classes(kind);
    let is_known = |value: &str| {
        known.contains(value) || (kind == LayerKind::Retain && names_danger_tree(value))
    };
    let rated = layer.columns.iter().filter_map(|column| {
        let only_shapes = column
            .values
            .iter()
            .all(|(value, _)| SHAPES.contains(&value.as_str()));
        if only_shapes || ids.contains(&column.name.as_str()) {
            return None;
        }
        let of_rules: u64 = column
            .values
            .iter()
            .filter(|(v, _)| is_known(v))
            .map(|(_, n)| n)
            .sum();
        let named = means(&Name::new(&column.name), Meaning::Class).is_some();
        let tagged = TAGS
            .iter()
            .any(|(tag, own)| *own == kind && column.name == *tag);
        let (rating, why) = match () {
            () if of_rules * 2 > column.filled => (3, "its values are classes that a preset knows"),
            () if tagged => (2, "an OpenStreetMap tag"),
            () if named => (1, "so its name says"),
            () => return None,
        };
        Some((rating, why, column))
    });
    let mut rated: Vec<_> = rated.collect();
    rated.sort_by_key(|(rating, ..)| std::cmp::Reverse(*rating));
    let Some((rating, why, column)) = rated.first() else {
        return vec![];
    };
    // Of a part that this very attribute tells only its own values.
    let values: Vec<&(String, u64)> = match part {
        Some(part) if part.by == column.name => column
            .values
            .iter()
            .filter(|(value, _)| part.holds(value))
            .collect(),
        _ => column.values.iter().collect(),
    };
    // Where the rules have classes, others mean nothing until they are mapped.
    let is_in_force = *rating == 3 || known.is_empty() || kind == LayerKind::Roads;
    let key = if kind == LayerKind::PowerLines {
        "kind"
    } else {
        "class"
    };
    let mut lines = vec![match is_in_force {
        true => Line::taken(key, quoted(&column.name), (*why).to_owned()),
        false => Line::doubtful(
            key,
            quoted(&column.name),
            format!("{why}; no preset knows its values: fill `class_map` in"),
        ),
    }];
    let missing = layer.features - column.filled;
    let listed: Vec<String> = (values.iter().take(MOST_LISTED))
        .map(|(value, count)| format!("{value} ({count})"))
        .collect();
    let more = values.len().saturating_sub(MOST_LISTED);
    let more = if more > 0 {
        format!(" and {more} more")
    } else {
        String::new()
    };
    let none = if missing > 0 {
        format!(", none ({missing})")
    } else {
        String::new()
    };
    let whole = match part {
        Some(part) if part.by != column.name => " of the whole layer",
        _ => "",
    };
    lines.push(Line::remark(format!(
        "values{whole}: {}{none}{more}",
        listed.join(", ")
    )));
    let pairs: Vec<String> = (values.iter())
        .filter(|(value, _)| !is_known(value))
        .take(MOST_LISTED)
        .map(|(value, _)| format!("{} = \"?\"", quoted(value)))
        .collect();
    if !pairs.is_empty() && !known.is_empty() {
        lines.push(Line::doubtful(
            "class_map",
            format!("{{ {} }}", pairs.join(", ")),
            "put the rules' class for each `?`; without it the widest rule holds".to_owned(),
        ));
    }
    for (_, why, column) in rated.iter().skip(1) {
        lines.push(Line::doubtful(
            key,
            quoted(&column.name),
            format!("instead: {why}"),
        ));
    }
    lines
}

/// The unit that an attribute's name ends with.
fn unit_of(name: &str) -> Option<Result<LengthUnit, String>> {
    let tokens = Name::new(name).tokens;
    tokens
        .iter()
        .skip(1)
        .rev()
        .find_map(|token| match token.as_str() {
            "m" | "metre" | "metres" | "meter" | "meters" => Some(Ok(LengthUnit::Metre)),
            "ft" | "feet" | "foot" => Some(Ok(LengthUnit::Foot)),
            "cm" | "dm" | "mm" | "km" => Some(Err(token.clone())),
            _ => None,
        })
}

/// Units that the names of width attributes of layers in these roles have.
pub(super) fn width_units(layer: &SurveyedLayer, kind: LayerKind) -> Vec<LengthUnit> {
    let of = match kind {
        LayerKind::Streams => Meaning::Width,
        LayerKind::Roads => Meaning::ClearedWidth,
        _ => return vec![],
    };
    let columns = meaning(layer, of).into_iter();
    columns
        .filter_map(|column| unit_of(&column.name)?.ok())
        .collect()
}

fn unit_key(unit: LengthUnit) -> &'static str {
    match unit {
        LengthUnit::Metre => "m",
        LengthUnit::Foot => "ft",
    }
}

/// A length attribute as a line: in doubt where its unit is.
fn length(
    layer: &SurveyedLayer,
    key: &str,
    column: &SurveyedColumn,
    unit: LengthUnit,
    most_m: f64,
) -> Line {
    let value = quoted(&column.name);
    let doubtful = |why: String| Line::doubtful(key, value.clone(), why);
    let Some(numbers) = column.numbers else {
        return doubtful("its values are no numbers".to_owned());
    };
    let span = format!(
        "{} to {}, half of them up to {}",
        short(numbers.lowest),
        short(numbers.highest),
        short(numbers.median)
    );
    if (numbers.count as f64) < LEAST_NUMERIC * column.filled as f64 {
        let others = column.filled - numbers.count;
        return doubtful(format!(
            "{others} of {} values are no plain numbers",
            column.filled
        ));
    }
    let empty = layer.features - column.filled;
    let empty = if empty > 0 {
        format!("; empty in {empty} of {}", layer.features)
    } else {
        String::new()
    };
    match unit_of(&column.name) {
        Some(Err(other)) => doubtful(format!(
            "in {other}, which is not read: convert it to {}",
            unit_key(unit)
        )),
        Some(Ok(own)) if own != unit => doubtful(format!(
            "in {}, but bare numbers are taken for {} ([project] unit): {span}",
            unit_key(own),
            unit_key(unit)
        )),
        Some(Ok(own)) => Line::taken(
            key,
            value,
            format!("in {} by its name; {span}{empty}", unit_key(own)),
        ),
        None if layer.crs.as_ref().is_some_and(|crs| crs.is_in_feet)
            && unit == LengthUnit::Metre =>
        {
            doubtful(format!(
                "metres or feet? Its name does not say, and the CRS is in feet: {span}"
            ))
        }
        None if numbers.median > most_m => {
            doubtful(format!("feet, centimetres, or another width? {span}"))
        }
        None => Line::taken(
            key,
            value,
            format!(
                "taken for {}, since its name says no unit; {span}{empty}",
                unit_key(unit)
            ),
        ),
    }
}

fn short(number: f64) -> String {
    let rounded = (number * 100.0).round() / 100.0;
    rounded.to_string()
}

fn channel_width(layer: &SurveyedLayer, unit: LengthUnit) -> Vec<Line> {
    let columns = meaning(layer, Meaning::Width);
    let mut columns = columns.into_iter().filter(|column| {
        // `channel_width_source` is about a width and none.
        column.numbers.is_some()
    });
    let Some(first) = columns.next() else {
        return vec![Line::doubtful(
            "width",
            "{ value = \"1.5 m\" }".to_owned(),
            "no attribute has the channel's width; without one its class decides, or the line itself is the bank".to_owned(),
        )];
    };
    let mut lines = vec![length(layer, "width", first, unit, WIDE_CHANNEL_M)];
    lines.extend(
        columns.map(|column| Line::doubtful("width", quoted(&column.name), "instead".to_owned())),
    );
    lines
}

fn cleared_width(layer: &SurveyedLayer, unit: LengthUnit) -> Vec<Line> {
    let cleared = meaning(layer, Meaning::ClearedWidth);
    if let Some(column) = cleared.first() {
        return vec![length(layer, "width", column, unit, WIDE_CHANNEL_M)];
    }
    let mut lines: Vec<Line> = (meaning(layer, Meaning::Width).into_iter())
        .map(|column| {
            let remark =
                "the cleared width is meant: is this it, or the running surface?".to_owned();
            Line::doubtful("width", quoted(&column.name), remark)
        })
        .collect();
    lines.push(Line::doubtful(
        "width",
        "{ value = \"12 m\" }".to_owned(),
        "the cleared width of all; without it `road_width` of [layout] counts".to_owned(),
    ));
    lines
}

/// Key, meaning, and the medians that are believed.
const OF_STANDS: [(&str, Meaning, std::ops::RangeInclusive<f64>); 3] = [
    ("stems_per_ha", Meaning::Stems, 20.0..=20_000.0),
    ("tree_m3", Meaning::TreeVolume, 0.005..=20.0),
    ("tree_height", Meaning::TreeHeight, 2.0..=100.0),
];

fn stand(layer: &SurveyedLayer, unit: LengthUnit) -> Vec<Line> {
    let lines = OF_STANDS.iter().filter_map(|(key, of, believed)| {
        let column = meaning(layer, *of)
            .into_iter()
            .find(|column| column.numbers.is_some())?;
        let numbers = column.numbers?;
        let value = quoted(&column.name);
        let span = format!("{} to {}", short(numbers.lowest), short(numbers.highest));
        if *of == Meaning::TreeHeight && unit_of(&column.name).is_none_or(|own| own != Ok(unit)) {
            return Some(Line::doubtful(
                key,
                value,
                format!("which unit? {span}; of the tallest trees, not the mean"),
            ));
        }
        Some(match believed.contains(&numbers.median) {
            true => Line::taken(key, value, format!("by its name; {span}")),
            false => Line::doubtful(
                key,
                value,
                format!(
                    "by its name, but half of its values lie up to {}",
                    short(numbers.median)
                ),
            ),
        })
    });
    lines.collect()
}

fn power_line(layer: &SurveyedLayer) -> Vec<Line> {
    let Some(column) = meaning(layer, Meaning::Voltage).into_iter().next() else {
        return vec![Line::remark(
            "voltage: no attribute says it, so the widest limit of approach holds".to_owned(),
        )];
    };
    let examples: Vec<&str> = column
        .values
        .iter()
        .take(3)
        .map(|(value, _)| value.as_str())
        .collect();
    let has_unit = column.numbers.is_none();
    let mut lines = vec![Line::taken(
        "voltage",
        quoted(&column.name),
        format!("by its name: {}", examples.join(", ")),
    )];
    if !has_unit {
        let (kv, volts) = ("\"kV\"".to_owned(), "\"V\"".to_owned());
        let highest = column.numbers.map_or(0.0, |numbers| numbers.highest);
        let value = if highest > 1_500.0 { volts } else { kv };
        lines.push(Line::doubtful(
            "voltage_unit",
            value,
            "the values name no unit: say which, or the widest limit holds".to_owned(),
        ));
    }
    lines
}

fn slope(layer: &SurveyedLayer) -> Vec<Line> {
    let Some(column) = meaning(layer, Meaning::Slope).into_iter().next() else {
        return vec![];
    };
    let mut lines = vec![Line::taken(
        "slope",
        quoted(&column.name),
        "by its name; its steepest is meant".to_owned(),
    )];
    if let Some(numbers) = column.numbers {
        let tokens = Name::new(&column.name).tokens;
        let degrees = tokens.iter().any(|token| token.starts_with("deg"));
        let unit = match () {
            () if degrees => "degree",
            () if numbers.highest <= 1.5 => "fraction",
            () => "percent",
        };
        let remark = format!(
            "{} to {}: is that so?",
            short(numbers.lowest),
            short(numbers.highest)
        );
        lines.push(Line::doubtful("slope_unit", format!("\"{unit}\""), remark));
    }
    lines
}

fn azimuth(layer: &SurveyedLayer) -> Vec<Line> {
    let columns = meaning(layer, Meaning::Azimuth).into_iter();
    let columns = columns.filter(|column| {
        column
            .numbers
            .is_some_and(|n| n.lowest >= -360.0 && n.highest <= 360.0)
    });
    columns
        .take(1)
        .map(|column| {
            let remark = format!(
                "strips run this way in {} of {}",
                column.filled, layer.features
            );
            Line::taken("azimuth", quoted(&column.name), remark)
        })
        .collect()
}

fn order(layer: &SurveyedLayer) -> Vec<Line> {
    let columns = meaning(layer, Meaning::Order).into_iter().take(1);
    columns
        .map(|column| {
            Line::taken(
                "order",
                quoted(&column.name),
                "what has less is cut first".to_owned(),
            )
        })
        .collect()
}

/// Facts that a preset asks for and an attribute is named after.
fn facts(layer: &SurveyedLayer, kind: LayerKind, ids: &[&str]) -> Vec<Line> {
    let mut pairs: Vec<String> = Vec::new();
    let mut askers: BTreeSet<&str> = BTreeSet::new();
    for preset in rulebook::preset_names() {
        let Ok(rules) = rulebook::preset(preset) else {
            continue;
        };
        for (fact, _) in rules.facts_of(kind) {
            let wanted = Name::new(fact);
            let named = |column: &&SurveyedColumn| {
                column.filled > 0
                    && !ids.contains(&column.name.as_str())
                    && Name::new(&column.name) == wanted
            };
            if let Some(column) = layer.columns.iter().find(named) {
                let pair = format!("{fact} = {}", quoted(&column.name));
                askers.insert(preset);
                if !pairs.contains(&pair) {
                    pairs.push(pair);
                }
            }
        }
    }
    if pairs.is_empty() {
        return vec![];
    }
    let askers: Vec<&str> = askers.into_iter().collect();
    let remark = format!("asked for by {}", askers.join(", "));
    vec![Line::doubtful(
        "facts",
        format!("{{ {} }}", pairs.join(", ")),
        remark,
    )]
}

/// Attributes that say how far to keep off: no rule until somebody gives its source.
fn distance(layer: &SurveyedLayer) -> Vec<Line> {
    let columns = meaning(layer, Meaning::Distance).into_iter();
    columns
        .filter_map(|column| {
            let numbers = column.numbers?;
            Some(Line::remark(format!(
                "`{}` ({} to {}) may be a distance to keep: a [[rules.line]] with its source makes it one",
                column.name,
                short(numbers.lowest),
                short(numbers.highest)
            )))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_text_is_one_line_and_reads_back() {
        for text in [
            "plain",
            "a \"b\" \\ c",
            "two\nlines\r\n",
            "\u{7f}\u{1}\t",
            "\u{2028}é漢",
        ] {
            let line = format!("key = {}", quoted(text));
            assert_eq!(line.lines().count(), 1, "{line}");
            let read: toml::Table = line.parse().unwrap();
            assert_eq!(read["key"].as_str(), Some(text));
        }
    }
}
