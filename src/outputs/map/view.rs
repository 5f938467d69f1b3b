//! From metres in the block's frame to pixels in the map frame.

use geo::{BoundingRect, Coord, LineString, Polygon};

use super::svg::{Area, PathData};
use crate::model::{BlockPlan, StripKind};

/// Ground shown around the block, in metres.
const MARGIN_M: f64 = 60.0;

pub struct View {
    pub frame: Area,
    pub pixels_per_m: f64,
    /// Pixels from one strip to the next; infinite without strips.
    pub pitch: f64,
    centre: Coord,
}

impl View {
    /// Fits the block and a margin of 60 m into the frame.
    pub fn fit(plan: &BlockPlan, frame: Area) -> View {
        let (centre, width_m, height_m) = match plan.shape.bounding_rect() {
            Some(rect) => (rect.center(), rect.width(), rect.height()),
            None => (Coord::zero(), 0.0, 0.0),
        };
        let fits = |pixels: f64, metres: f64| pixels / (metres + 2.0 * MARGIN_M);
        let pixels_per_m = fits(frame.width, width_m).min(fits(frame.height, height_m));
        let strip_m = plan
            .strips
            .iter()
            .filter(|strip| strip.kind == StripKind::Interior)
            .map(|strip| strip.width_m)
            .fold(f64::INFINITY, f64::min);
        View {
            frame,
            pixels_per_m,
            pitch: (strip_m + plan.corridor_width_m.unwrap_or(0.0)) * pixels_per_m,
            centre,
        }
    }

    /// Whether strips are so narrow on the sheet that outlines would hide their fill.
    pub fn is_crowded(&self) -> bool {
        self.pitch < 8.0
    }

    pub fn place(&self, coord: Coord) -> (f64, f64) {
        (
            self.frame.x + self.frame.width / 2.0 + (coord.x - self.centre.x) * self.pixels_per_m,
            self.frame.y + self.frame.height / 2.0 - (coord.y - self.centre.y) * self.pixels_per_m,
        )
    }

    fn shows(&self, line: &LineString) -> bool {
        let Some(rect) = line.bounding_rect() else {
            return false;
        };
        let (left, bottom) = self.place(rect.min());
        let (right, top) = self.place(rect.max());
        right >= self.frame.x
            && left <= self.frame.x + self.frame.width
            && bottom >= self.frame.y
            && top <= self.frame.y + self.frame.height
    }

    fn points<'a>(&'a self, line: &'a LineString) -> impl Iterator<Item = (f64, f64)> + 'a {
        line.0.iter().map(|coord| self.place(*coord))
    }

    /// Adds a polygon if any of it may show.
    pub fn polygon(&self, path: &mut PathData, polygon: &Polygon) {
        if !self.shows(polygon.exterior()) {
            return;
        }
        // The last point repeats the first: `z` draws that edge.
        for ring in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
            let edges = ring.0.len().saturating_sub(1);
            path.add(self.points(ring).take(edges), true);
        }
    }

    pub fn line(&self, path: &mut PathData, line: &LineString) {
        if self.shows(line) {
            path.add(self.points(line), false);
        }
    }
}
