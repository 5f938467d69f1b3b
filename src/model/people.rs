//! Roads, trails, dwellings and work sites near which trees fall, as the outputs tell of them.

use geo::{Geometry, LineString};
use serde::{Deserialize, Serialize};

use super::plan::{PieceId, ShiftClass};
use super::words::{self, Word};

/// How far from falling trees nobody else may be, for a block.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct FallingArea {
    /// Height of the tallest trees.
    pub trees_m: f64,
    /// `stands`, `project` or `unknown`.
    #[serde(deserialize_with = "words::known")]
    pub trees_from: Word,
    pub trees_source: String,
    /// Two tree lengths.
    pub radius_m: f64,
    /// Where it is written that so far is to be kept.
    #[serde(default)]
    pub radius_source: String,
}

/// A section of which some lies near people.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NearPeople {
    pub id: PieceId,
    pub section_no: u32,
    pub shift_class: ShiftClass,
    /// Productive hours of the felling machine on ground that is near; None where those of the section are not known.
    pub hours: Option<f64>,
}

/// A road, trail, dwelling or work site within two tree lengths of what is cut.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct PeopleNote {
    pub source_layer: String,
    pub id: String,
    /// `roads` or `hazards`.
    #[serde(deserialize_with = "words::known")]
    pub role: Word,
    pub class: String,
    /// False: nobody says whether other people are there.
    pub said: bool,
    /// Length that is to be closed or watched; 0 of places.
    pub length_m: f64,
    /// Ground cut within the distance, m2.
    pub cut_m2: f64,
    /// None where hours of a section are not known.
    pub day_hours: Option<f64>,
    pub night_hours: Option<f64>,
    pub sections: Vec<NearPeople>,
    /// The stretches of it that are near, or the place, in the block's frame.
    pub shape: Geometry,
}

impl PeopleNote {
    /// What is drawn as lines; nothing of points.
    pub fn lines(&self) -> Vec<&LineString> {
        match &self.shape {
            Geometry::MultiLineString(lines) => lines.0.iter().collect(),
            Geometry::MultiPolygon(polygons) => {
                polygons.0.iter().map(|own| own.exterior()).collect()
            }
            _ => vec![],
        }
    }

    /// What is drawn as points.
    pub fn places(&self) -> Vec<geo::Coord> {
        match &self.shape {
            Geometry::MultiPoint(points) => points.0.iter().map(|point| point.0).collect(),
            _ => vec![],
        }
    }

    /// What stands beside it, in any language: class and id.
    pub fn label(&self) -> String {
        format!("{} {}", self.class, self.id).trim().to_owned()
    }

    /// Ends of the stretches, each with its other end.
    pub fn stretches(&self) -> Vec<[geo::Coord; 2]> {
        let lines = match &self.shape {
            Geometry::MultiLineString(lines) => &lines.0[..],
            _ => &[],
        };
        let ends = |line: &LineString| Some([*line.0.first()?, *line.0.last()?]);
        lines.iter().filter_map(ends).collect()
    }
}

/// Whether a class of hazards speaks of a place where people are or pass, in plain English or French.
pub fn names_people(class: &str) -> bool {
    const NAMES: [&str; 15] = [
        "trail",
        "footpath",
        "path",
        "dwelling",
        "house",
        "cabin",
        "camp",
        "work site",
        "worksite",
        "sentier",
        "habitation",
        "maison",
        "chalet",
        "camping",
        "chantier",
    ];
    let class = super::power_line::plain(class);
    let words: Vec<&str> = class.split(' ').collect();
    let named = |name: &str| match name.contains(' ') {
        true => class.contains(name),
        false => words
            .iter()
            .any(|word| *word == name || word.strip_suffix('s') == Some(name)),
    };
    NAMES.into_iter().any(named)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_of_people_are_told_by_their_class() {
        for class in ["trail", "snow_trails", "Cabin 4", "sentier", "work site"] {
            assert!(names_people(class), "{class}");
        }
        for class in ["steep_break", "pathogen", "campaign", "power_line"] {
            assert!(!names_people(class), "{class}");
        }
    }
}
