//! The cells of a grid that lines and polygons lie on.

use geo::{Coord, LineString, Polygon};

use super::area::rings;
use super::terrain::Cells;

/// The numbers from `low` to `high` on an axis of `count` cells, by the cells' edges, both ends included.
fn span(low: f64, high: f64, count: usize) -> std::ops::Range<usize> {
    let clip = |v: f64| v.clamp(0.0, count as f64) as usize;
    if !(low <= high && high >= 0.0 && low < count as f64) {
        return 0..0;
    }
    clip(low.floor())..clip(high.floor() + 1.0)
}

impl Cells {
    /// Column and row of a place, with parts of a cell, from the first held.
    fn parts(&self, c: Coord) -> Coord {
        Coord {
            x: (c.x - self.x(0)) / self.cell_m,
            y: (self.y(0) - c.y) / self.cell_m,
        }
    }

    /// Cells that a line passes, by their places in row-by-row values; sorted, each once.
    pub fn met_by_line(&self, line: &LineString) -> Vec<usize> {
        let mut met = Vec::new();
        for w in line.0.windows(2) {
            self.pass(w[0], w[1], &mut met);
        }
        if let [only] = line.0[..] {
            self.pass(only, only, &mut met);
        }
        met.sort_unstable();
        met.dedup();
        met
    }

    fn pass(&self, a: Coord, b: Coord, met: &mut Vec<usize>) {
        let (a, b) = (self.parts(a), self.parts(b));
        let (top, bottom) = if a.y <= b.y { (a, b) } else { (b, a) };
        let run = bottom - top;
        for row in span(top.y, bottom.y, self.rows) {
            let at = |y: f64| match run.y > 0.0 {
                true => top.x + run.x * ((y - top.y) / run.y).clamp(0.0, 1.0),
                false => top.x,
            };
            let (mut from, mut to) = (at(row as f64), at(row as f64 + 1.0));
            if run.y <= 0.0 {
                to = bottom.x;
            }
            if from > to {
                std::mem::swap(&mut from, &mut to);
            }
            met.extend(span(from, to, self.columns).map(|column| row * self.columns + column));
        }
    }

    /// Cells whose middle lies in a polygon; sorted, each once.
    pub fn middles_in(&self, polygon: &Polygon) -> Vec<usize> {
        let mut crossings: Vec<Vec<f64>> = vec![vec![]; self.rows];
        for w in rings(polygon).flat_map(|ring| ring.0.windows(2)) {
            let (a, b) = (self.parts(w[0]), self.parts(w[1]));
            let (top, bottom) = if a.y < b.y { (a, b) } else { (b, a) };
            // Rows whose middle lies from the upper end, itself included, to the lower.
            let first = |y: f64| (y - 0.5).ceil().clamp(0.0, self.rows as f64) as usize;
            let rows = first(top.y)..first(bottom.y).max(first(top.y));
            for (row, crossed) in rows.clone().zip(&mut crossings[rows]) {
                let part = (row as f64 + 0.5 - top.y) / (bottom.y - top.y);
                crossed.push(top.x + (bottom.x - top.x) * part);
            }
        }
        let mut met = Vec::new();
        for (row, mut crossed) in crossings.into_iter().enumerate() {
            crossed.sort_by(f64::total_cmp);
            for pair in crossed.chunks_exact(2) {
                let first = |x: f64| (x - 0.5).ceil().clamp(0.0, self.columns as f64) as usize;
                let columns = first(pair[0])..first(pair[1]);
                met.extend(columns.map(|column| row * self.columns + column));
            }
        }
        met
    }

    /// Cells that a polygon lies on, be it with a corner only; sorted, each once.
    pub fn met_by_polygon(&self, polygon: &Polygon) -> Vec<usize> {
        let mut met = self.middles_in(polygon);
        for ring in rings(polygon) {
            met.extend(self.met_by_line(ring));
        }
        met.sort_unstable();
        met.dedup();
        met
    }
}

#[cfg(test)]
mod tests {
    use geo::{Intersects, coord, polygon};
    use proptest::prelude::*;

    use super::super::area::Bounds;
    use super::super::distance::inside;
    use super::*;

    const CELLS: Cells = Cells {
        corner: Coord { x: 100.0, y: 500.0 },
        cell_m: 10.0,
        first_column: 2,
        first_row: 3,
        columns: 8,
        rows: 6,
    };

    fn bounds(at: usize) -> Bounds {
        let middle = CELLS.middle(at);
        Bounds {
            min: middle,
            max: middle,
        }
        .grown(5.0)
    }

    /// By hand: the grid's upper-left corner is (120, 470).
    #[test]
    fn a_line_meets_the_cells_it_passes() {
        assert_eq!(CELLS.middle(0), coord! {x: 125.0, y: 465.0});
        let line = |ends: [(f64, f64); 2]| CELLS.met_by_line(&LineString::from(ends.to_vec()));
        assert_eq!(line([(122., 465.), (148., 465.)]), [0, 1, 2]);
        assert_eq!(line([(125., 468.), (125., 445.)]), [0, 8, 16]);
        assert_eq!(line([(0., 465.), (121., 465.)]), [0]);
        assert_eq!(line([(0., 0.), (50., 0.)]), [0usize; 0]);
        assert_eq!(line([(131., 462.), (131., 462.)]), [1]);
    }

    proptest! {
        /// Against each cell's own box: none with a part inside is left out, none apart is taken.
        #[test]
        fn met_is_what_cells_boxes_say(ends in proptest::collection::vec((90.0..230.0f64, 380.0..500.0f64), 3)) {
            let line = LineString::from(ends.clone());
            let met = CELLS.met_by_line(&line);
            let shape = Polygon::new(line.clone(), vec![]);
            let on = CELLS.met_by_polygon(&shape);
            for at in 0..CELLS.count() {
                let inner = bounds(at).grown(-1e-6).to_polygon();
                let outer = bounds(at).grown(1e-6).to_polygon();
                prop_assert!(!line.intersects(&inner) || met.contains(&at), "{at}");
                prop_assert!(line.intersects(&outer) || !met.contains(&at), "{at}");
                prop_assert!(!shape.intersects(&inner) || on.contains(&at), "{at}");
                prop_assert!(shape.intersects(&outer) || !on.contains(&at), "{at}");
            }
            let middles = CELLS.middles_in(&shape);
            for at in 0..CELLS.count() {
                prop_assert_eq!(middles.contains(&at), inside(CELLS.middle(at), &shape.clone().into()), "{}", at);
            }
        }
    }

    #[test]
    fn holes_are_no_part_of_a_polygon() {
        let outer = polygon![(x: 110., y: 410.), (x: 210., y: 410.), (x: 210., y: 480.), (x: 110., y: 480.)];
        let hole = LineString::from(vec![
            (139., 441.),
            (139., 459.),
            (161., 459.),
            (161., 441.),
            (139., 441.),
        ]);
        let shape = Polygon::new(outer.exterior().clone(), vec![hole]);
        assert_eq!(CELLS.middles_in(&shape).len(), 48 - 4);
        assert_eq!(CELLS.met_by_polygon(&shape).len(), 48);
    }
}
