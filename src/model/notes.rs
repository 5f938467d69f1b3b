//! Notes taken in the field: what they may be, and what became of each.

use geo::{Geometry, MultiPolygon};
use serde::{Deserialize, Serialize};

use super::layer::{LayerKind, Shape};
use super::words::Word;

/// What a kind of note becomes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum NoteRole {
    /// A feature of this layer.
    Layer(LayerKind),
    /// The nearest corner of a block lies where the note is.
    BlockCorner,
    /// Beyond this line all is cut already.
    StumpLine,
    /// The block ends at this line.
    BlockLine,
    /// It is read and listed, and nothing follows from it.
    Listed,
}

impl NoteRole {
    /// Layers that notes may be features of.
    pub const LAYERS: [LayerKind; 8] = [
        LayerKind::Wetlands,
        LayerKind::Protected,
        LayerKind::Retain,
        LayerKind::Brush,
        LayerKind::SoftGround,
        LayerKind::Hazards,
        LayerKind::PowerLines,
        LayerKind::Felled,
    ];

    const OTHERS: [NoteRole; 4] = [
        NoteRole::BlockCorner,
        NoteRole::StumpLine,
        NoteRole::BlockLine,
        NoteRole::Listed,
    ];

    /// As project files write it.
    pub fn key(self) -> Word {
        match self {
            NoteRole::Layer(kind) => kind.key(),
            NoteRole::BlockCorner => "block_corner",
            NoteRole::StumpLine => "stump_line",
            NoteRole::BlockLine => "block_line",
            NoteRole::Listed => "none",
        }
    }

    pub fn all() -> impl Iterator<Item = NoteRole> {
        let layers = NoteRole::LAYERS.into_iter().map(NoteRole::Layer);
        layers.chain(NoteRole::OTHERS)
    }

    pub fn from_key(key: &str) -> Option<NoteRole> {
        NoteRole::all().find(|role| role.key() == key)
    }

    /// Whether ground that the note is not known to reach is taken for safe.
    pub fn keeps_out(self) -> bool {
        matches!(
            self,
            NoteRole::Layer(
                LayerKind::Wetlands
                    | LayerKind::Protected
                    | LayerKind::Retain
                    | LayerKind::Hazards
                    | LayerKind::PowerLines
            )
        )
    }

    /// Whether points and lines need a radius to be ground at all.
    pub fn is_ground(self) -> bool {
        matches!(
            self,
            NoteRole::Layer(
                LayerKind::Wetlands | LayerKind::Brush | LayerKind::SoftGround | LayerKind::Felled
            )
        )
    }
}

/// A kind of note.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoteKind {
    /// As the notes have it; upper and lower case are alike.
    pub name: String,
    #[serde(serialize_with = "key_of")]
    pub layer: NoteRole,
    pub class: Option<String>,
    /// Around a point or line.
    pub radius_m: f64,
    /// How far off a note of the kind may be; None: as the note says, else not known.
    pub accuracy_m: Option<f64>,
    /// Of what stays: whether its ground counts towards the block's share.
    pub counts: bool,
}

fn key_of<S: serde::Serializer>(role: &NoteRole, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(role.key())
}

/// How notes are read.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoteRules {
    /// Those of the project before the built-in ones; the first that fits counts.
    pub kinds: Vec<NoteKind>,
    /// Attribute with the kind; None: the usual ones.
    pub kind_column: Option<String>,
    /// Attribute with the accuracy in metres.
    pub accuracy_column: Option<String>,
    /// Metres of accuracy for each unit of `hdop`; None: a receiver's hdop says nothing of metres.
    pub metres_per_hdop: Option<f64>,
    /// How far a corner or the end of a line may lie from where it belongs.
    pub corner_within_m: f64,
    /// Whether a moved corner may add ground to a block.
    pub corners_may_add: bool,
}

/// Far enough for a corner post and a receiver under trees, near enough that no other corner is meant; own judgement.
const CORNER_WITHIN_M: f64 = 30.0;

impl Default for NoteRules {
    fn default() -> NoteRules {
        NoteRules {
            kinds: NoteKind::usual(),
            kind_column: None,
            accuracy_column: None,
            metres_per_hdop: None,
            corner_within_m: CORNER_WITHIN_M,
            corners_may_add: false,
        }
    }
}

impl NoteKind {
    /// Plain words in English and French. Radii are own judgement: a crew that has a rule of its own writes it into the project.
    fn usual() -> Vec<NoteKind> {
        let layer = NoteRole::Layer;
        let kinds: [(&[&str], NoteRole, Option<&str>, f64); 11] = [
            (
                &["tree", "leave tree", "arbre", "arbre à garder"],
                layer(LayerKind::Retain),
                Some("tree"),
                3.0,
            ),
            (
                &["danger tree", "arbre dangereux"],
                layer(LayerKind::Retain),
                Some(super::DANGER_TREE),
                1.0,
            ),
            (
                &["nest", "nid"],
                layer(LayerKind::Retain),
                Some("nest"),
                60.0,
            ),
            (
                &["den", "tanière"],
                layer(LayerKind::Retain),
                Some("den"),
                20.0,
            ),
            (
                &["soft", "soft ground", "sol mou", "mou"],
                layer(LayerKind::SoftGround),
                None,
                15.0,
            ),
            (
                &["wet", "wet ground", "humide", "mouillé"],
                layer(LayerKind::Wetlands),
                None,
                15.0,
            ),
            (&["hazard", "danger"], layer(LayerKind::Hazards), None, 0.0),
            (
                &["power line", "wires", "ligne électrique", "fils"],
                layer(LayerKind::PowerLines),
                None,
                0.0,
            ),
            (
                &["corner", "block corner", "coin", "coin du bloc"],
                NoteRole::BlockCorner,
                None,
                0.0,
            ),
            (
                &["stump line", "ligne de souches"],
                NoteRole::StumpLine,
                None,
                0.0,
            ),
            (
                &["block line", "ligne du bloc"],
                NoteRole::BlockLine,
                None,
                0.0,
            ),
        ];
        let named = kinds
            .into_iter()
            .flat_map(|(names, layer, class, radius_m)| {
                names.iter().map(move |name| NoteKind {
                    name: (*name).to_owned(),
                    layer,
                    class: class.map(str::to_owned),
                    radius_m,
                    accuracy_m: None,
                    counts: false,
                })
            });
        named.collect()
    }
}

impl NoteRules {
    /// The kind that a text names: the text as it stands, else without a number at its end, as in `Nest 3`.
    pub fn kind(&self, text: &str) -> Option<&NoteKind> {
        let named = |wanted: &str| {
            let wanted = wanted.trim().to_lowercase();
            self.kinds
                .iter()
                .find(|kind| kind.name.to_lowercase() == wanted)
        };
        let bare = text.trim_end_matches(|c: char| {
            c.is_ascii_digit() || c.is_whitespace() || matches!(c, '#' | '-' | '_' | '.')
        });
        named(text).or_else(|| named(bare).filter(|_| !bare.is_empty()))
    }
}

/// What became of a note.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NoteFate {
    /// The plan keeps to it.
    Used,
    /// Nothing follows from it, as the project wants.
    Listed,
    /// Nobody says what the kind is.
    Unknown,
    /// It cannot be what it says it is.
    Refused,
}

impl NoteFate {
    pub fn key(self) -> Word {
        match self {
            NoteFate::Used => "used",
            NoteFate::Listed => "listed",
            NoteFate::Unknown => "unknown",
            NoteFate::Refused => "refused",
        }
    }
}

/// A note as read, in the plane of the work CRS.
#[derive(Clone, Debug)]
pub struct FieldNote {
    /// Its name, else `fid N`.
    pub id: String,
    /// As written; empty where nothing says it.
    pub kind: String,
    pub role: Option<NoteRole>,
    pub class: Option<String>,
    /// Of what stays: whether its ground counts towards the block's share.
    pub counts: bool,
    /// `field note FILE:LAYER`.
    pub source_layer: String,
    /// Around points and lines, without what the accuracy adds.
    pub radius_m: f64,
    /// None: nobody says.
    pub accuracy_m: Option<f64>,
    /// As precise as the file has it, in UTC where it has a time.
    pub date: Option<String>,
    pub shape: Shape,
    pub fate: NoteFate,
    /// Why it is refused or unknown, or what follows from it.
    pub message: String,
    /// Index among the features of the batch.
    pub feature: Option<usize>,
    /// Blocks whose edge it moves, or of which it says that some is cut.
    pub edges: Vec<EdgeChange>,
}

/// What a note changes of a block's own ground. Shapes are in the plane of the work CRS.
#[derive(Clone, Debug)]
pub struct EdgeChange {
    pub block: String,
    pub gained_m2: f64,
    pub lost_m2: f64,
    /// Ground that the note would add, and that is not taken.
    pub not_taken_m2: f64,
    pub shape: MultiPolygon,
}

/// A note as a block has it; shapes are in the block's frame.
#[derive(Clone, Debug)]
pub struct PlanNote {
    pub id: String,
    pub kind: String,
    pub layer: Word,
    pub source_layer: String,
    pub radius_m: f64,
    pub accuracy_m: Option<f64>,
    pub date: Option<String>,
    pub fate: NoteFate,
    pub message: String,
    /// Whether strips of the block are those of before the note.
    pub came_later: bool,
    pub shape: Geometry,
}

/// A note for reports.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NoteReport {
    pub id: String,
    pub kind: String,
    pub layer: Word,
    pub source: String,
    pub radius_m: f64,
    pub accuracy_m: Option<f64>,
    pub date: Option<String>,
    pub fate: Word,
    pub message: String,
    /// Ids of the blocks that it has to do with.
    pub blocks: Vec<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_are_known_by_plain_words_and_numbered_names() {
        let rules = NoteRules::default();
        let role = |text: &str| rules.kind(text).map(|kind| kind.layer);
        assert_eq!(role("NEST"), Some(NoteRole::Layer(LayerKind::Retain)));
        assert_eq!(role("Nid 12"), Some(NoteRole::Layer(LayerKind::Retain)));
        assert_eq!(role("Stump line #2"), Some(NoteRole::StumpLine));
        assert_eq!(role("Mouillé"), Some(NoteRole::Layer(LayerKind::Wetlands)));
        for unknown in ["", "12", "Nesting box", "tree house"] {
            assert_eq!(role(unknown), None, "{unknown}");
        }
    }

    #[test]
    fn the_project_goes_before_the_usual_words() {
        let mut rules = NoteRules::default();
        let own = NoteKind {
            name: "Nest".to_owned(),
            layer: NoteRole::Layer(LayerKind::Protected),
            class: None,
            radius_m: 100.0,
            accuracy_m: None,
            counts: false,
        };
        rules.kinds.insert(0, own);
        assert_eq!(rules.kind("nest 1").unwrap().radius_m, 100.0);
    }

    #[test]
    fn every_role_has_a_key_of_its_own() {
        for role in NoteRole::all() {
            assert_eq!(NoteRole::from_key(role.key()), Some(role));
        }
    }
}
