//! Ground that may be wet though nobody mapped it soft, as a project asks for it and as it is found.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::layer::LayerKind;

/// Under which it is found, checked and drawn.
pub const MAY_BE_WET_RULE: &str = "may-be-wet";

/// What is known of the measure itself, for whoever reads its findings.
pub const DEPTH_TO_WATER_LIMITS: &str = "from elevation alone it did not predict ruts on 16 sites in Sweden, with soil and weather it did better: it is no \
     survey, and ground beyond it is not known to be dry";

/// Water farther off a block than this is not looked for, m; own judgement.
pub const MOST_WET_AROUND_M: f64 = 2_000.0;

/// Layers of mapped water.
pub const WATER: [LayerKind; 3] = [LayerKind::Streams, LayerKind::Lakes, LayerKind::Wetlands];

/// `[wet_ground]` of a project.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct WetGround {
    /// Ground no higher than this over the nearest water, by the least slope that adds up on the way there, may be wet; m.
    pub depth_m: f64,
    /// The same on soil of a class (lower case).
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub by_soil: BTreeMap<String, f64>,
    /// Where so much ground drains through a cell, it counts as water too, m2; None: mapped water only.
    pub channels_m2: Option<f64>,
    /// Where these figures are written.
    pub source: String,
}

impl WetGround {
    /// The figure for a soil; where nobody ranked it, or it is not known, the widest of all.
    pub fn depth_on(&self, soil: Option<&str>) -> f64 {
        let own = soil.and_then(|soil| self.by_soil.get(&soil.trim().to_lowercase()));
        own.copied().unwrap_or_else(|| self.widest_m())
    }

    pub fn ranks(&self, soil: &str) -> bool {
        self.by_soil.contains_key(&soil.trim().to_lowercase())
    }

    pub fn widest_m(&self) -> f64 {
        self.by_soil.values().copied().fold(self.depth_m, f64::max)
    }
}

/// What is said of one cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Wet {
    /// Higher over the water than asked. Not that it is dry.
    Beyond,
    MayBe,
    /// Nobody knows.
    Unknown,
}

impl Wet {
    /// As the raster has it.
    pub fn code(self) -> u8 {
        match self {
            Wet::Beyond => 0,
            Wet::MayBe => 1,
            Wet::Unknown => 2,
        }
    }
}

/// The cells over a block, in the plane of the work CRS, row by row from the upper left.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct WetMap {
    /// Upper-left corner of the raster that the cells are counted from, metres of the plane.
    pub corner: [f64; 2],
    /// Side of a cell, metres of the plane.
    pub cell_m: f64,
    /// Number of the first column and row held.
    pub first: [i64; 2],
    pub columns: usize,
    pub rows: usize,
    /// Depth to the water that was seen, m: the true one is this or less. None: much more than asked, or no way leads to any.
    pub depth_m: Vec<Option<f32>>,
    pub wet: Vec<Wet>,
}

impl WetMap {
    /// The upper-left corner of the cells held, in the plane.
    pub fn upper_left(&self) -> [f64; 2] {
        [
            self.corner[0] + self.first[0] as f64 * self.cell_m,
            self.corner[1] - self.first[1] as f64 * self.cell_m,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn soil_that_nobody_ranked_takes_the_widest() {
        let wet = WetGround {
            depth_m: 1.0,
            by_soil: [("peat".to_owned(), 2.5), ("gravel".to_owned(), 0.5)].into(),
            channels_m2: None,
            source: "permit".to_owned(),
        };
        assert_eq!(wet.depth_on(Some("Peat ")), 2.5);
        assert_eq!(wet.depth_on(Some("gravel")), 0.5);
        assert_eq!(wet.depth_on(Some("loess")), 2.5);
        assert_eq!(wet.depth_on(None), 2.5);
        assert!(!wet.ranks("loess") && wet.ranks("GRAVEL"));
        let plain = WetGround {
            by_soil: BTreeMap::new(),
            ..wet
        };
        assert_eq!(plain.depth_on(Some("peat")), 1.0);
    }
}
