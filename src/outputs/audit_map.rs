//! Maps of audits: a window onto a block, north up, as SVG.

use std::fmt::Write as _;

use geo::{Coord, LineString, Polygon};

use crate::geometry::area::{Bounds, rings};

/// What a map shows: the class of each sign in style sheets, and its word.
pub fn key<'k>(signs: impl IntoIterator<Item = (&'k str, &'k str)>) -> String {
    let mut list = String::from("<ul class=\"key\">");
    for (class, word) in signs {
        let _ = write!(
            list,
            "<li><svg width=\"28\" height=\"12\"><path class=\"{class}\" d=\"M2 2h24v8h-24Z\"/></svg> {word}</li>"
        );
    }
    list + "</ul>\n"
}

/// Ground within `bounds`, `px` wide or high.
pub struct Window {
    pub bounds: Bounds,
    scale: f64,
}

impl Window {
    pub fn new(bounds: Bounds, px: f64) -> Window {
        let size = bounds.max - bounds.min;
        Window {
            bounds,
            scale: px / size.x.max(size.y).max(1.0),
        }
    }

    pub fn at(&self, place: Coord) -> (f64, f64) {
        (
            (place.x - self.bounds.min.x) * self.scale,
            (self.bounds.max.y - place.y) * self.scale,
        )
    }

    pub fn size(&self) -> (f64, f64) {
        let size = self.bounds.max - self.bounds.min;
        (size.x * self.scale, size.y * self.scale)
    }

    /// The opening tag.
    pub fn open(&self, label: &str) -> String {
        let (w, h) = self.size();
        format!(
            "<svg role=\"img\" aria-label=\"{label}\" width=\"{w:.0}\" height=\"{h:.0}\" viewBox=\"0 0 {w:.0} {h:.0}\">"
        )
    }

    /// The value of attribute `d` for polygons.
    pub fn ground(&self, polygons: &[Polygon]) -> String {
        let rings = polygons.iter().flat_map(rings);
        rings.map(|ring| self.ring(ring)).collect()
    }

    fn ring(&self, ring: &LineString) -> String {
        self.way(&ring.0) + "Z"
    }

    /// The same for a line.
    pub fn way(&self, line: &[Coord]) -> String {
        let mut path = String::new();
        for (index, c) in line.iter().enumerate() {
            let (x, y) = self.at(*c);
            let _ = write!(path, "{}{x:.1} {y:.1}", if index == 0 { 'M' } else { 'L' });
        }
        path
    }

    /// A bar of a round length with that length under it, in the lower left corner.
    pub fn scale_bar(&self) -> String {
        let (w, h) = self.size();
        let metres = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0];
        let most = metres.into_iter().rev().find(|m| m * self.scale <= w / 3.0);
        let Some(metres) = most else {
            return String::new();
        };
        format!(
            "<path class=\"bar\" d=\"M8 {y:.1}h{long:.1}\"/><text class=\"of-bar\" x=\"{x:.1}\" y=\"{under:.1}\">{metres:.0} m</text>",
            y = h - 18.0,
            long = metres * self.scale,
            x = 8.0 + metres * self.scale / 2.0,
            under = h - 5.0,
        )
    }
}
