//! From metres in the block's frame to pixels in the map frame.

use geo::{BoundingRect, Coord, LineString, Polygon};

use super::marks;
use super::svg::{Area, PathData};
use crate::model::{BlockPlan, StripKind};
use crate::outputs::signs;

/// Ground shown around the block, in metres.
const MARGIN_M: f64 = 60.0;

pub struct View {
    pub frame: Area,
    pub pixels_per_m: f64,
    /// Pixels from one strip to the next; infinite without strips.
    pub pitch: f64,
    /// Where the scale bar and the north arrow stand.
    pub plates: (Area, Area),
    centre: Coord,
}

impl View {
    /// Fits the block and a margin of 60 m into the frame; smaller where scale bar and north arrow would lie on the block.
    pub fn fit(plan: &BlockPlan, frame: Area) -> View {
        let (centre, width_m, height_m) = match plan.shape.bounding_rect() {
            Some(rect) => (rect.center(), rect.width(), rect.height()),
            None => (Coord::zero(), 0.0, 0.0),
        };
        let fits = |pixels: f64, metres: f64| pixels / (metres + 2.0 * MARGIN_M);
        let strip_m = plan
            .strips
            .iter()
            .filter(|strip| strip.kind == StripKind::Interior)
            .map(|strip| strip.width_m)
            .fold(f64::INFINITY, f64::min);
        let pitch_m = strip_m + plan.corridor_width_m.unwrap_or(0.0);
        let mut view = View {
            frame,
            pixels_per_m: fits(frame.width, width_m).min(fits(frame.height, height_m)),
            pitch: f64::INFINITY,
            plates: (frame, frame),
            centre,
        };
        // Half as large there is room in any corner.
        for _ in 0..8 {
            let found = view.free_plates(plan);
            view.plates = found.unwrap_or_else(|| view.corners_of_choice());
            if found.is_some() {
                break;
            }
            view.pixels_per_m *= 0.92;
        }
        view.pitch = pitch_m * view.pixels_per_m;
        view
    }

    /// Places of a plate in the frame's corners: bottom left, bottom right, top right, top left.
    fn corners(&self, (width, height): (f64, f64)) -> [Area; 4] {
        const EDGE: f64 = 6.0;
        let (left, top) = (self.frame.x + EDGE, self.frame.y + EDGE);
        let right = self.frame.x + self.frame.width - EDGE - width;
        let bottom = self.frame.y + self.frame.height - EDGE - height;
        [(left, bottom), (right, bottom), (right, top), (left, top)].map(|(x, y)| Area {
            x,
            y,
            width,
            height,
        })
    }

    fn corners_of_choice(&self) -> (Area, Area) {
        let bar = self.corners(marks::bar_size(self.pixels_per_m))[0];
        (bar, self.corners(marks::ARROW_SIZE)[2])
    }

    /// Corners for scale bar and north arrow in which nothing of the block lies.
    fn free_plates(&self, plan: &BlockPlan) -> Option<(Area, Area)> {
        let free = |area: &Area| {
            let (west, north) = (self.x_m(area.x), self.y_m(area.y));
            let (east, south) = (
                self.x_m(area.x + area.width),
                self.y_m(area.y + area.height),
            );
            !signs::covers(plan, [west, south, east, north])
        };
        let [a, b, c, d] = self.corners(marks::ARROW_SIZE);
        let arrow = [c, d, b, a].into_iter().find(free)?;
        let bars = self.corners(marks::bar_size(self.pixels_per_m));
        let bar = bars
            .into_iter()
            .find(|bar| !bar.meets(&arrow) && free(bar))?;
        Some((bar, arrow))
    }

    fn x_m(&self, x: f64) -> f64 {
        self.centre.x + (x - self.frame.x - self.frame.width / 2.0) / self.pixels_per_m
    }

    fn y_m(&self, y: f64) -> f64 {
        self.centre.y - (y - self.frame.y - self.frame.height / 2.0) / self.pixels_per_m
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
