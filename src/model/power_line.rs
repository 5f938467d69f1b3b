//! A power line as the outputs tell of it.

use geo::{Geometry, LineString};
use serde::{Deserialize, Serialize};

use super::words::{self, Word};

/// A power line in or around a block, with every figure that keeps machines and trees off it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PowerLineNote {
    pub source_layer: String,
    pub id: String,
    /// In the planner's own words; empty: not said.
    pub kind: String,
    /// None: not known.
    pub voltage_kv: Option<f64>,
    /// The voltage as its layer has it, where it was not understood.
    pub voltage_text: Option<String>,
    /// Of the lowest wire over the ground, m.
    pub wire_height_m: Option<f64>,
    /// No part of a machine or tree comes nearer.
    pub limit_m: f64,
    /// `rule`, `owner`, `widest` or `beyond_rules`.
    #[serde(deserialize_with = "words::known")]
    pub limit_from: Word,
    pub limit_source: String,
    /// Height of the tallest trees that could fall on it.
    pub trees_m: f64,
    /// `stands`, `project` or `unknown`.
    #[serde(deserialize_with = "words::known")]
    pub trees_from: Word,
    pub trees_source: String,
    /// Limit and trees together: within it a tree could fall into the limit.
    pub belt_m: f64,
    /// Whether the owner agreed that such trees are cut, and where that is written.
    pub agreed: bool,
    pub agreed_source: String,
    /// Ground of the block within limit and belt, m2.
    pub limit_m2: f64,
    pub belt_m2: f64,
    /// Ways of machines that are mapped to pass beneath it.
    pub crossings: Vec<String>,
    /// A place of the belt in the block.
    pub place: Option<[f64; 2]>,
    /// Lines, points or polygons as drawn, in the block's frame.
    pub shape: Geometry,
}

impl PowerLineNote {
    /// What is drawn as lines; nothing of points.
    pub fn lines(&self) -> Vec<&LineString> {
        match &self.shape {
            Geometry::MultiLineString(lines) => lines.0.iter().collect(),
            Geometry::MultiPolygon(polygons) => {
                let shells = polygons.0.iter().map(|own| own.exterior());
                shells
                    .chain(polygons.0.iter().flat_map(|own| own.interiors()))
                    .collect()
            }
            _ => vec![],
        }
    }

    /// What stands beside it on maps, in any language: id, voltage, limit of approach and belt.
    pub fn label(&self) -> String {
        let voltage = match (self.voltage_kv, &self.voltage_text) {
            (Some(kv), _) => format!("{kv} kV"),
            (None, Some(text)) => format!("`{text}`"),
            (None, None) => "? kV".to_owned(),
        };
        let unknown = if self.trees_from == "unknown" {
            "?"
        } else {
            ""
        };
        format!(
            "{} · {voltage} · {:.1} m / {:.1} m{unknown}",
            self.id, self.limit_m, self.belt_m
        )
    }

    /// ` (transmission, 138 kV)`, or nothing where nothing is known.
    pub fn named(&self) -> String {
        let voltage = match (self.voltage_kv, &self.voltage_text) {
            (Some(kv), _) => Some(format!("{kv} kV")),
            (None, Some(text)) => Some(format!("`{text}`")),
            (None, None) => None,
        };
        let kind = Some(self.kind.clone()).filter(|kind| !kind.is_empty());
        let known: Vec<String> = [kind, voltage].into_iter().flatten().collect();
        match known.is_empty() {
            true => String::new(),
            false => format!(" ({})", known.join(", ")),
        }
    }
}

/// Class of crossings at which machines may pass beneath a power line.
pub const BENEATH_LINE: &str = "beneath_line";

/// Whether a class says that machines may pass beneath a power line.
pub fn is_beneath_line(class: &str) -> bool {
    plain(class) == plain(BENEATH_LINE)
}

/// Whether a class of hazards speaks of a power line, in plain English or French.
pub fn names_power_line(class: &str) -> bool {
    const NAMES: [&str; 10] = [
        "power line",
        "powerline",
        "power transmission",
        "transmission line",
        "distribution line",
        "electric line",
        "overhead line",
        "ligne electrique",
        "ligne de transport",
        "ligne de distribution",
    ];
    let class = plain(class);
    NAMES.iter().any(|name| class.contains(name))
}

/// Lower case, words parted by one blank, without accents that French lines have.
pub(super) fn plain(text: &str) -> String {
    let text = text.to_lowercase().replace(['é', 'è'], "e");
    let words = text.split(|c: char| c.is_whitespace() || c == '_' || c == '-');
    let words: Vec<&str> = words.filter(|word| !word.is_empty()).collect();
    words.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_among_hazards_are_told_by_their_class() {
        for class in [
            "power_line",
            "Power Line 138 kV",
            "powerline",
            "Ligne électrique",
            "transmission-line",
        ] {
            assert!(names_power_line(class), "{class}");
        }
        for class in ["steep_break", "trail", "pipeline", "power station road"] {
            assert!(!names_power_line(class), "{class}");
        }
        assert!(is_beneath_line("Beneath line") && !is_beneath_line("bridge"));
    }
}
