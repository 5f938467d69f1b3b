//! What was read from the layers, in the work CRS.

use std::collections::BTreeSet;
use std::sync::Arc;

use geo::{LineString, MultiLineString, MultiPoint, MultiPolygon, Polygon};
use serde::{Deserialize, Serialize};

use super::facts::{Fact, Facts};
use super::ground_frame::GroundFrame;
use super::stand_table::StandTable;
use super::words::Word;
use super::work_window::WindowWords;

/// The role a layer plays. The order is the order of outputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LayerKind {
    Blocks,
    Streams,
    Lakes,
    Wetlands,
    Roads,
    Protected,
    /// Trees, patches, dens, rare plants and remains of culture that stay for certain, and patches that may.
    Retain,
    Brush,
    SoftGround,
    Hazards,
    /// Electric lines: what comes near them can kill, and what falls on them too.
    PowerLines,
    Stands,
    Landings,
    Crossings,
    /// Ground that a planner drew as one setting.
    Settings,
    /// Lines along which a planner wants strips to run.
    StripLines,
    SlopeClasses,
    /// What kind of soil ground is.
    Soils,
    /// Ground that was cut before this plan.
    Felled,
}

impl LayerKind {
    pub const ALL: [LayerKind; 19] = [
        LayerKind::Blocks,
        LayerKind::Streams,
        LayerKind::Lakes,
        LayerKind::Wetlands,
        LayerKind::Roads,
        LayerKind::Protected,
        LayerKind::Retain,
        LayerKind::Brush,
        LayerKind::SoftGround,
        LayerKind::Hazards,
        LayerKind::PowerLines,
        LayerKind::Stands,
        LayerKind::Landings,
        LayerKind::Crossings,
        LayerKind::Settings,
        LayerKind::StripLines,
        LayerKind::SlopeClasses,
        LayerKind::Soils,
        LayerKind::Felled,
    ];

    /// The key under `[layers]` in a project file.
    pub fn key(self) -> &'static str {
        match self {
            LayerKind::Blocks => "blocks",
            LayerKind::Streams => "streams",
            LayerKind::Lakes => "lakes",
            LayerKind::Wetlands => "wetlands",
            LayerKind::Roads => "roads",
            LayerKind::Protected => "protected",
            LayerKind::Retain => "retain",
            LayerKind::Brush => "brush",
            LayerKind::SoftGround => "soft_ground",
            LayerKind::Hazards => "hazards",
            LayerKind::PowerLines => "power_lines",
            LayerKind::Stands => "stands",
            LayerKind::Landings => "landings",
            LayerKind::Crossings => "crossings",
            LayerKind::Settings => "settings",
            LayerKind::StripLines => "strip_lines",
            LayerKind::SlopeClasses => "slope_classes",
            LayerKind::Soils => "soils",
            LayerKind::Felled => "felled",
        }
    }

    /// Whether its features can say when ground is open.
    pub fn takes_windows(self) -> bool {
        !matches!(
            self,
            LayerKind::StripLines | LayerKind::SlopeClasses | LayerKind::Felled
        )
    }

    /// Whether anything is kept at a distance from it, so that it matters how well it is mapped.
    pub fn takes_accuracy(self) -> bool {
        matches!(
            self,
            LayerKind::Blocks
                | LayerKind::Streams
                | LayerKind::Lakes
                | LayerKind::Wetlands
                | LayerKind::Protected
                | LayerKind::Retain
                | LayerKind::Hazards
                | LayerKind::PowerLines
        )
    }

    pub fn from_key(key: &str) -> Option<LayerKind> {
        LayerKind::ALL.into_iter().find(|kind| kind.key() == key)
    }
}

/// A geometry in two dimensions; Z and M are dropped on reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Shape {
    Points(MultiPoint),
    Lines(MultiLineString),
    Polygons(MultiPolygon),
}

impl Shape {
    /// Gives back the room that its lists have beyond what they hold: a province's features are held in memory all at
    /// once.
    pub fn compact(&mut self) {
        let line = |line: &mut LineString| line.0.shrink_to_fit();
        match self {
            Shape::Points(points) => points.0.shrink_to_fit(),
            Shape::Lines(lines) => {
                lines.0.iter_mut().for_each(line);
                lines.0.shrink_to_fit();
            }
            Shape::Polygons(polygons) => {
                for polygon in &mut polygons.0 {
                    let empty = Polygon::new(LineString(vec![]), vec![]);
                    let (mut exterior, mut holes) = std::mem::replace(polygon, empty).into_inner();
                    line(&mut exterior);
                    holes.iter_mut().for_each(line);
                    holes.shrink_to_fit();
                    *polygon = Polygon::new(exterior, holes);
                }
                polygons.0.shrink_to_fit();
            }
        }
    }
}

/// One usable feature of any layer but `blocks`.
#[derive(Clone, Debug)]
pub struct Feature {
    pub kind: LayerKind,
    /// `file, layer name` as messages and outputs show it, for example `layers.gpkg:streams`.
    pub source_layer: String,
    /// From the id attribute(s); else `fid N`.
    pub id: String,
    /// Class as the rulebook knows it, after `class_map`. None when the attribute is null or not mapped.
    pub class: Option<String>,
    /// Channel width of a stream line, cleared width of a road line; metres.
    pub width_m: Option<f64>,
    /// Standing trees per hectare (stands only).
    pub stems_per_ha: Option<f64>,
    /// Mean tree volume in m3 (stands only).
    pub tree_m3: Option<f64>,
    /// Its trees by class (stands only).
    pub trees: Option<Arc<StandTable>>,
    /// Steepest slope of a slope class, rise over run (slope classes only).
    pub slope: Option<f64>,
    /// Width of the treeless fringe between the bank and the first trees; metres. None: not known.
    pub fringe_m: Option<f64>,
    /// What else is known of it, for deriving its class.
    pub facts: Facts,
    pub shape: Shape,
}

impl Feature {
    /// A patch of layer `retain` that may stay, the higher the better; None: it stays for certain.
    pub fn score(&self) -> Option<f64> {
        if self.kind != LayerKind::Retain {
            return None;
        }
        let score = match self.facts.get(Facts::SCORE)? {
            Fact::Number(score) => *score,
            Fact::Text(text) => text.trim().parse().ok()?,
            Fact::Flag(_) => return None,
        };
        score.is_finite().then_some(score)
    }

    /// Whether it stays for certain because layer `retain` has it.
    pub fn stays(&self) -> bool {
        self.kind == LayerKind::Retain && self.score().is_none()
    }
}

/// One block as approved, repaired if need be.
#[derive(Clone, Debug)]
pub struct SourceBlock {
    pub id: String,
    pub source_layer: String,
    pub shape: MultiPolygon,
    /// In which it is computed.
    pub frame: GroundFrame,
    /// Strip azimuth from the block's own attribute.
    pub azimuth_deg: Option<f64>,
    /// How trees are left in it; None: as the project says.
    pub pattern: Option<super::Pattern>,
    /// Which portfolio (a season, a year) it belongs to; None: the one of all blocks that name none.
    pub portfolio: Option<String>,
    /// Ids of the roads and landings that its wood is to go to; empty: any.
    pub outlets: Vec<String>,
    /// When it is open, as its layer has it.
    pub windows: WindowWords,
    /// How far its outline may be off.
    pub accuracy: super::Accuracy,
    /// What its layer says of emergencies there.
    pub emergency: super::Emergency,
    /// Longitude and latitude on WGS 84 of the frame's (0, 0), in degrees; None: not known.
    pub place: Option<geo::Coord>,
    /// Area moved by the repair, in square metres; 0 when the rings were sound.
    pub repaired_m2: f64,
    /// Point scale of the CRS at the block, grid length over ground length.
    pub scale: f64,
    /// Area on the ellipsoid, in square metres.
    pub geodesic_m2: f64,
    /// Its outline before a note of the field changed it, with the note's index; in the order in which they did.
    pub outlines: Vec<(usize, MultiPolygon)>,
    pub came_later: CameLater,
}

/// What an earlier plan of a block did not know, and what came after the strips of that plan were laid.
#[derive(Clone, Debug, Default)]
pub struct CameLater {
    /// Notes of the field, each by its source and its id.
    pub notes: BTreeSet<(String, String)>,
    /// The outline before any of these; None: none of them changed it.
    pub shape: Option<MultiPolygon>,
    /// Why strips cannot be those of before, where some came and they cannot.
    pub anew: Option<Word>,
}

impl CameLater {
    pub fn has(&self, feature: &Feature) -> bool {
        !self.notes.is_empty() && self.has_note(&feature.source_layer, &feature.id)
    }

    pub fn has_note(&self, source: &str, id: &str) -> bool {
        self.notes.contains(&(source.to_owned(), id.to_owned()))
    }
}
