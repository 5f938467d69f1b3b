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

    /// Of what stays: whether its ground counts towards a block's retention share.
    pub const COUNTS: &str = "counts";
    /// Of what stays: width beside it on which no machine drives, m.
    pub const MACHINE_FREE: &str = "machine_free";
    /// Of a patch that may stay: how much it is worth.
    pub const SCORE: &str = "score";

    pub fn get(&self, name: &str) -> Option<&Fact> {
        let found = self.0.iter().find(|(own, _)| own == name);
        found.map(|(_, fact)| fact)
    }

    /// Adds a fact unless one of this name is there.
    pub fn offer(&mut self, name: &str, fact: Fact) {
        if self.get(name).is_none() {
            self.0.push((name.to_owned(), fact));
        }
    }
}
