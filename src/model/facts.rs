//! What is known of a feature besides its shape.

/// One thing known of a feature.
#[derive(Clone, Debug, PartialEq)]
pub enum Fact {
    Flag(bool),
    /// Channel widths in metres, areas in square metres, shares as fractions, all else as written.
    Number(f64),
    Text(String),
}

/// What is known of one feature, by name. On reading, `channel` (metres) and `area` (square metres) are taken from the
/// feature itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts(pub Vec<(String, Fact)>);

impl Facts {
    /// Of a landing: wood that it holds, m3.
    pub const CAPACITY: &str = "capacity";
    /// Of a setting that a planner drew: id of the road or landing that its wood goes to.
    pub const OUTLET: &str = "outlet";
    /// Of ground that was cut before: from when to when.
    pub const RECORDED: &str = "recorded";
    /// Way of its strips, degrees clockwise from grid north.
    pub const AZIMUTH: &str = "azimuth";
    /// Of a setting or strip line that a planner drew: what has less comes first.
    pub const ORDER: &str = "order";

    /// Of what stays: whether its ground counts towards a block's retention share.
    pub const COUNTS: &str = "counts";
    /// Of what stays: width beside it on which no machine drives, m.
    pub const MACHINE_FREE: &str = "machine_free";
    /// Of a dangerous tree that stays: where it is written how much ground it endangers.
    pub const WIDTH_SOURCE: &str = "width_source";
    /// Of a patch that may stay: how much it is worth.
    pub const SCORE: &str = "score";

    /// Names of windows, and between which days ground is open.
    pub const WINDOW: &str = "window";
    pub const OPEN_FROM: &str = "open_from";
    pub const OPEN_UNTIL: &str = "open_until";

    /// Of a road or hazard: whether other people are or pass there.
    pub const PEOPLE: &str = "people";

    /// How far it may lie from where it is mapped, m, at what confidence (0 to 1), where that is written, and how it was surveyed.
    pub const ACCURACY: &str = "accuracy";
    pub const ACCURACY_CONFIDENCE: &str = "accuracy_confidence";
    pub const ACCURACY_SOURCE: &str = "accuracy_source";
    pub const SURVEYED: &str = "surveyed";

    /// Of a block: where all meet in an emergency, and the way in.
    pub const MUSTER_POINT: &str = "muster_point";
    pub const ACCESS: &str = "access";

    /// Of a stand: height of its tallest trees, m; of a tree that stays: its own.
    pub const TREE_HEIGHT: &str = "tree_height";

    /// Of a power line: its nominal voltage, kV.
    pub const VOLTAGE_KV: &str = "voltage_kv";
    /// Of a power line, as its layer has them: what kind of line it is, and its voltage as written.
    pub const LINE_KIND: &str = "line_kind";
    pub const VOLTAGE_TEXT: &str = "voltage_text";
    /// Of a power line: height of its lowest wire over the ground, m.
    pub const WIRE_HEIGHT: &str = "wire_height";
    /// Of a power line: the distance that its owner gave, m, and where that is written.
    pub const OWNER_DISTANCE: &str = "owner_distance";
    pub const OWNER_SOURCE: &str = "owner_source";
    /// Of a power line: whether its owner agreed that trees which could fall on it are cut, and where that is written.
    pub const OWNER_AGREED: &str = "owner_agreed";
    pub const AGREED_SOURCE: &str = "agreed_source";

    pub fn get(&self, name: &str) -> Option<&Fact> {
        let found = self.0.iter().find(|(own, _)| own == name);
        found.map(|(_, fact)| fact)
    }

    /// A number; None for anything else.
    pub fn number(&self, name: &str) -> Option<f64> {
        match self.get(name)? {
            Fact::Number(number) => Some(*number),
            Fact::Flag(_) | Fact::Text(_) => None,
        }
    }

    /// A text; None for anything else.
    pub fn text(&self, name: &str) -> Option<&str> {
        match self.get(name)? {
            Fact::Text(text) => Some(text),
            Fact::Flag(_) | Fact::Number(_) => None,
        }
    }

    /// Adds a fact unless one of this name is there.
    pub fn offer(&mut self, name: &str, fact: Fact) {
        if self.get(name).is_none() {
            self.0.push((name.to_owned(), fact));
        }
    }
}
