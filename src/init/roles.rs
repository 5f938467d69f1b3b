//! Which role a layer may play, with a score that says how sure that is and why.

use super::words::{self, Heard, Name, ROLES, Strength, of_role};
use crate::model::LayerKind;
use crate::sources::{SurveyedColumn, SurveyedLayer, shapes_of};

/// From this score on, of 100, a role is taken without asking.
pub(super) const TAKEN_FROM: u32 = 60;
/// By so much a role must be ahead of the next one, or neither is taken.
const AHEAD_BY: u32 = 10;
/// Below this a guess is not worth a word.
const SHOWN_FROM: u32 = 30;
/// Values of a class that name a role must be those of this share of the features.
const SHARE_OF_VALUES: f64 = 0.5;

const STRONG_NAME: f64 = 60.0;
const WEAK_NAME: f64 = 35.0;
/// The name of the file says less than that of the layer.
const FILE_NAME: f64 = 0.75;
const USUAL_SHAPE: u32 = 15;
const VALUES: u32 = 25;
const ATTRIBUTE: u32 = 10;
const MOST_ATTRIBUTES: usize = 2;
const BLOCK_SIZE: u32 = 5;
/// Mean areas of felling blocks, hectares: common practice.
const BLOCKS_HA: std::ops::RangeInclusive<f64> = 0.3..=200.0;

/// One role that a layer may play.
#[derive(Clone, Debug, PartialEq)]
pub struct RoleGuess {
    pub kind: LayerKind,
    /// Of 100.
    pub score: u32,
    pub why: Vec<String>,
}

/// What is made of a layer.
#[derive(Clone, Debug, PartialEq)]
pub enum Verdict {
    Taken(RoleGuess),
    /// Not sure enough: the best guess first, and why it is not taken.
    Doubtful(Vec<RoleGuess>, String),
    /// No role comes near.
    Unknown(String),
}

/// Attributes that layers of a role have and hardly others.
const ATTRIBUTES: &[(LayerKind, &str)] = &[
    (
        LayerKind::Blocks,
        "cutblock, cut block, block id, blockid, block, cutting permit, harvest year",
    ),
    (
        LayerKind::Streams,
        "stream order, strahler, waterway, channel width, watercourse, stream class, stream id",
    ),
    (LayerKind::Lakes, "waterbody, waterbody type, lake, lake id"),
    (LayerKind::Wetlands, "wetland, wetland id"),
    (
        LayerKind::Roads,
        "highway, road class, road id, road width, tracktype, road section, transport line",
    ),
    (
        LayerKind::Protected,
        "iucn, iucn level, protect class, protection title, designation",
    ),
    (
        LayerKind::Stands,
        "species, stems ha, stems, basal area, dbh, site index, tree m3, stand id, stammzahl, runkoluku, essence, especie",
    ),
    (LayerKind::PowerLines, "voltage, kv"),
    (
        LayerKind::SlopeClasses,
        "slope, slope class, pente, pendiente",
    ),
    (LayerKind::Soils, "soil, soil type, texture, soil class"),
    (
        LayerKind::Crossings,
        "crossing, crossing id, culvert, crossings",
    ),
    (LayerKind::Landings, "landing id"),
];

/// Tags of OpenStreetMap, by attribute and the start of its values; documented on its wiki.
const TAGS: &[(LayerKind, &str, &[&str])] = &[
    (LayerKind::Roads, "highway", &[]),
    (
        LayerKind::Streams,
        "waterway",
        &["stream", "river", "ditch", "canal", "drain"],
    ),
    (LayerKind::Lakes, "natural", &["water"]),
    (LayerKind::Wetlands, "natural", &["wetland"]),
    (
        LayerKind::Protected,
        "boundary",
        &["national_park", "protected_area"],
    ),
    (LayerKind::Protected, "leisure", &["nature_reserve"]),
    (LayerKind::PowerLines, "power", &["line", "minor_line"]),
    (LayerKind::Hazards, "railway", &["rail"]),
];

/// How well the layer's shape suits a role; None: not at all.
fn shape_score(layer: &SurveyedLayer, kind: LayerKind) -> Option<(u32, &'static str)> {
    let counts = [
        layer.shapes.points,
        layer.shapes.lines,
        layer.shapes.polygons,
    ];
    let most = (0..3).rev().max_by_key(|&at| counts[at])?;
    if counts[most] == 0 || !shapes_of(kind)[most] {
        return None;
    }
    let name = ["points", "lines", "polygons"][most];
    let usual = match kind {
        LayerKind::Streams | LayerKind::Roads | LayerKind::PowerLines | LayerKind::StripLines => {
            most == 1
        }
        LayerKind::Crossings => most == 0,
        LayerKind::Landings | LayerKind::Retain => most != 1,
        LayerKind::Hazards => true,
        _ => most == 2,
    };
    Some((if usual { USUAL_SHAPE } else { 0 }, name))
}

/// Every role that the layer may play, the likeliest first.
pub(super) fn guesses(layer: &SurveyedLayer) -> Vec<RoleGuess> {
    let name = Name::new(&layer.name);
    let file = layer.path.file_stem().unwrap_or_default().to_string_lossy();
    let file = Name::new(&file);
    let named = ROLES.iter().any(|words| of_role(&name, words).is_some());
    let mut found: Vec<RoleGuess> = ROLES
        .iter()
        .filter_map(|words| {
            let (shape, shape_name) = shape_score(layer, words.kind)?;
            let (mut score, mut why) = (0.0, Vec::new());
            let by_file = !named && !layer.is_one_of_several && file != name;
            let (of, whose, part) = match by_file {
                true => (&file, "its file's name", FILE_NAME),
                false => (&name, "its name", 1.0),
            };
            if let Some((
                strength,
                Heard {
                    word,
                    language,
                    fit,
                },
            )) = of_role(of, words)
            {
                let full = match strength {
                    Strength::Strong => STRONG_NAME,
                    Strength::Weak => WEAK_NAME,
                };
                let points = (full * fit * part).round();
                score += points;
                why.push(format!("{whose} has `{word}` ({language}) {points:.0}"));
            }
            if let Some((points, words)) = of_attributes(layer, words.kind) {
                score += f64::from(points);
                why.push(format!("{words} {points}"));
            }
            if let Some((points, words)) = of_values(layer, words.kind) {
                score += f64::from(points);
                why.push(format!("{words} {points}"));
            }
            if score == 0.0 {
                return None;
            }
            if shape > 0 {
                score += f64::from(shape);
                why.push(format!("{shape_name} {shape}"));
            }
            if words.kind == LayerKind::Blocks
                && let Some((mean, _)) = layer.area_ha.filter(|(mean, _)| BLOCKS_HA.contains(mean))
            {
                score += f64::from(BLOCK_SIZE);
                why.push(format!("mean area {mean:.1} ha {BLOCK_SIZE}"));
            }
            Some(RoleGuess {
                kind: words.kind,
                score: score.min(100.0) as u32,
                why,
            })
        })
        .filter(|guess| guess.score >= SHOWN_FROM)
        .collect();
    found.sort_by_key(|guess| std::cmp::Reverse(guess.score));
    found
}

fn of_attributes(layer: &SurveyedLayer, kind: LayerKind) -> Option<(u32, String)> {
    let (_, wanted) = ATTRIBUTES.iter().find(|(own, _)| *own == kind)?;
    let telling = |column: &&SurveyedColumn| {
        let own = Name::new(&column.name);
        let is = |word: &str| own.tokens.concat() == Name::new(word).tokens.concat();
        column.filled > 0 && wanted.split(", ").any(is)
    };
    let found: Vec<String> = (layer.columns.iter())
        .filter(telling)
        .map(|column| format!("`{}`", column.name))
        .take(MOST_ATTRIBUTES)
        .collect();
    let points = ATTRIBUTE * found.len() as u32;
    (points > 0).then(|| (points, format!("attribute {}", found.join(", "))))
}

fn of_values(layer: &SurveyedLayer, kind: LayerKind) -> Option<(u32, String)> {
    for column in &layer.columns {
        let tagged = TAGS
            .iter()
            .filter(|(own, key, _)| *own == kind && column.name == *key);
        for (_, key, wanted) in tagged {
            let tells = |value: &str| wanted.is_empty() || wanted.contains(&value);
            let telling: u64 = column
                .values
                .iter()
                .filter(|(v, _)| tells(v))
                .map(|(_, n)| n)
                .sum();
            let telling = if wanted.is_empty() {
                column.filled
            } else {
                telling
            };
            if telling as f64 >= SHARE_OF_VALUES * layer.features.max(1) as f64 {
                return Some((VALUES, format!("values of `{key}`")));
            }
        }
        if !is_class_like(column) {
            continue;
        }
        let named = |(value, count): &(String, u64)| {
            (words::role_of_value(value, &[kind]) == Some(kind)).then_some(*count)
        };
        let telling: u64 = column.values.iter().filter_map(named).sum();
        if telling as f64 >= SHARE_OF_VALUES * layer.features.max(1) as f64 {
            return Some((VALUES, format!("values of `{}`", column.name)));
        }
    }
    None
}

/// Whether a column's name says that it holds classes, and it holds few.
pub(super) fn is_class_like(column: &SurveyedColumn) -> bool {
    !column.values.is_empty()
        && words::means(&Name::new(&column.name), words::Meaning::Class).is_some()
}

/// What is made of a layer, from its guesses.
pub(super) fn verdict(layer: &SurveyedLayer) -> Verdict {
    if layer.features == 0 {
        return Verdict::Unknown("it holds no feature".to_owned());
    }
    let name = Name::new(&layer.name);
    let found = guesses(layer);
    let Some(best) = found.first() else {
        return Verdict::Unknown(match words::heard(&name, words::NO_ROLE) {
            Some(heard) => format!(
                "its name has `{}`: it says where somebody works, not what is there",
                heard.word
            ),
            None => "neither its name nor its attributes say what it is for".to_owned(),
        });
    };
    if let Some(why) = permits(best.kind) {
        return Verdict::Doubtful(found.clone(), why.to_owned());
    }
    if let Some(why) = gives_nothing(layer, best.kind) {
        return Verdict::Doubtful(found.clone(), why.to_owned());
    }
    if best.score < TAKEN_FROM {
        let why = format!("a role is taken from {TAKEN_FROM} of 100 on");
        return Verdict::Doubtful(found.clone(), why);
    }
    match found.get(1) {
        Some(next) if next.score + AHEAD_BY > best.score => {
            let why = format!("{} is as likely", next.kind.key());
            Verdict::Doubtful(found.clone(), why)
        }
        _ => Verdict::Taken(best.clone()),
    }
}

/// What a role allows, if it takes care away: then a person has to say that it is meant.
fn permits(kind: LayerKind) -> Option<&'static str> {
    match kind {
        LayerKind::Crossings => {
            Some("machines may cross water and kept ground there, which only you can say")
        }
        LayerKind::Felled => Some("nothing is planned there any more, which only you can say"),
        _ => None,
    }
}

/// Why a role is of no use without attributes that the layer does not have.
fn gives_nothing(layer: &SurveyedLayer, kind: LayerKind) -> Option<&'static str> {
    use words::Meaning;
    let has = |meaning: Meaning| {
        let mut columns = layer.columns.iter();
        columns.any(|column| {
            column.numbers.is_some() && words::means(&Name::new(&column.name), meaning).is_some()
        })
    };
    match kind {
        LayerKind::Stands
            if ![Meaning::Stems, Meaning::TreeVolume, Meaning::TreeHeight]
                .into_iter()
                .any(has) =>
        {
            Some("no attribute says how many trees stand there, or how large they are")
        }
        LayerKind::SlopeClasses if !has(Meaning::Slope) => {
            Some("no attribute says how steep it is")
        }
        LayerKind::Soils => Some("soils are used with [wet_ground] only"),
        _ => None,
    }
}
