//! Outlines from a field: marching squares, smoothed and thinned.

use geo::{Area, Contains, Coord, LineString, MultiPolygon, Point, Polygon, Simplify, Validation};

use super::curve::{lerp, rounded};

/// A field sampled on a grid; positive is inside. Samples on the rim count as outside.
pub struct Field {
    pub low: Coord,
    pub step: f64,
    pub columns: usize,
    pub rows: usize,
    pub values: Vec<f64>,
}

impl Field {
    pub fn at(&self, column: usize, row: usize) -> Coord {
        self.low
            + Coord {
                x: column as f64 * self.step,
                y: row as f64 * self.step,
            }
    }

    fn value(&self, column: usize, row: usize) -> f64 {
        let rim = column == 0 || row == 0 || column + 1 == self.columns || row + 1 == self.rows;
        let value = self.values[row * self.columns + column];
        // Exactly 0 would let two crossings fall on one corner.
        match rim {
            true => value.min(-self.step * 0.2),
            false if value.abs() < self.step * 0.02 => self.step * 0.02,
            false => value,
        }
    }

    /// Evens the field out over its neighbours, which takes off what is narrower than about two steps.
    pub fn soften(&mut self) {
        let most = 1.6 * self.step;
        let clamped: Vec<f64> = self
            .values
            .iter()
            .map(|value| value.clamp(-most, most))
            .collect();
        for row in 1..self.rows - 1 {
            for column in 1..self.columns - 1 {
                let mut sum = 0.0;
                for (dr, wr) in [(0, 1.0), (1, 2.0), (2, 1.0)] {
                    for (dc, wc) in [(0, 1.0), (1, 2.0), (2, 1.0)] {
                        sum += wr * wc * clamped[(row + dr - 1) * self.columns + column + dc - 1];
                    }
                }
                self.values[row * self.columns + column] = sum / 16.0;
            }
        }
    }

    fn crossing(&self, a: (usize, usize), b: (usize, usize)) -> Coord {
        let (va, vb) = (self.value(a.0, a.1), self.value(b.0, b.1));
        lerp(self.at(a.0, a.1), self.at(b.0, b.1), va / (va - vb))
    }

    /// Rings with the inside on their left: outlines turn left, holes turn right.
    fn rings(&self) -> Vec<LineString> {
        // Edge 2n leaves corner n to the right, edge 2n + 1 upwards.
        let edges = 2 * self.columns * self.rows;
        let mut next: Vec<usize> = vec![usize::MAX; edges];
        let mut place: Vec<Coord> = vec![Coord::default(); edges];
        for row in 0..self.rows - 1 {
            for column in 0..self.columns - 1 {
                let corners = [
                    (column, row),
                    (column + 1, row),
                    (column + 1, row + 1),
                    (column, row + 1),
                ];
                let id = |c: usize, r: usize| r * self.columns + c;
                let sides = [
                    2 * id(column, row),
                    2 * id(column + 1, row) + 1,
                    2 * id(column, row + 1),
                    2 * id(column, row) + 1,
                ];
                let inside = corners.map(|(c, r)| self.value(c, r) > 0.0);
                // Walking the corners counter-clockwise, the outline enters the cell where the walk leaves the inside.
                let mut starts = Vec::new();
                let mut ends = Vec::new();
                for side in 0..4 {
                    let (a, b) = (side, (side + 1) % 4);
                    if inside[a] == inside[b] {
                        continue;
                    }
                    place[sides[side]] = self.crossing(corners[a], corners[b]);
                    if inside[a] {
                        starts.push(side);
                    } else {
                        ends.push(side);
                    }
                }
                match (&starts[..], &ends[..]) {
                    ([start], [end]) => next[sides[*start]] = sides[*end],
                    ([s0, s1], [_, _]) => {
                        let middle: f64 = corners.iter().map(|&(c, r)| self.value(c, r)).sum();
                        for start in [*s0, *s1] {
                            // Joined through the middle: turn to the side before; apart: to the side after.
                            let end = if middle > 0.0 { start + 1 } else { start + 3 } % 4;
                            next[sides[start]] = sides[end];
                        }
                    }
                    _ => {}
                }
            }
        }
        let mut rings = Vec::new();
        for start in 0..edges {
            let mut ring = Vec::new();
            let mut edge = start;
            while next[edge] != usize::MAX {
                ring.push(place[edge]);
                edge = std::mem::replace(&mut next[edge], usize::MAX);
            }
            if ring.len() > 3 {
                ring.push(ring[0]);
                rings.push(LineString(ring));
            }
        }
        rings
    }

    /// The inside as polygons, largest first; parts and holes below `least` square metres are left out.
    pub fn polygons(&self, least: f64) -> Vec<Polygon> {
        let rings = self.rings();
        let (mut shells, holes): (Vec<Polygon>, Vec<Polygon>) = rings
            .into_iter()
            .map(|ring| Polygon::new(ring, vec![]))
            .partition(|polygon| polygon.signed_area() > 0.0);
        shells.retain(|shell| shell.signed_area() >= least);
        shells.sort_by(|a, b| b.signed_area().total_cmp(&a.signed_area()));
        shells
            .into_iter()
            .map(|shell| {
                let inner = holes
                    .iter()
                    .filter(|hole| -hole.signed_area() >= least.min(1_600.0))
                    .filter(|hole| shell.contains(&Point(hole.exterior().0[0])))
                    .map(|hole| hole.exterior().clone());
                let raw = Polygon::new(shell.exterior().clone(), inner.collect());
                self.smoothed(&raw)
            })
            .collect()
    }

    /// Smooth outlines where that keeps the polygon valid, else the plain ones.
    fn smoothed(&self, raw: &Polygon) -> Polygon {
        let thin = |ring: &LineString, rounds: usize| {
            let mut ring = ring.clone();
            for _ in 0..rounds {
                ring = softened(&ring);
            }
            let mut ring = ring.simplify(self.step * 0.045);
            ring.0.iter_mut().for_each(|at| *at = rounded(*at));
            ring.0.dedup();
            ring
        };
        let build = |rounds: usize| {
            let holes = raw.interiors().iter().map(|hole| thin(hole, rounds));
            Polygon::new(thin(raw.exterior(), rounds), holes.collect())
        };
        let smooth = build(2);
        if MultiPolygon(vec![smooth.clone()]).is_valid() {
            return smooth;
        }
        build(0)
    }
}

/// Each point moved halfway towards the middle of its neighbours.
fn softened(ring: &LineString) -> LineString {
    let points = &ring.0[..ring.0.len() - 1];
    let count = points.len();
    let mut soft: Vec<Coord> = (0..count)
        .map(|at| {
            let around = points[(at + count - 1) % count] + points[(at + 1) % count];
            points[at] * 0.5 + around * 0.25
        })
        .collect();
    soft.push(soft[0]);
    LineString(soft)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_ring_field_gives_one_polygon_with_a_hole() {
        let field = |radius: &dyn Fn(f64) -> f64| Field {
            low: Coord {
                x: -120.0,
                y: -120.0,
            },
            step: 10.0,
            columns: 25,
            rows: 25,
            values: (0..625)
                .map(|at| {
                    let (x, y) = (
                        f64::from(at % 25) * 10.0 - 120.0,
                        f64::from(at / 25) * 10.0 - 120.0,
                    );
                    radius(x.hypot(y))
                })
                .collect(),
        };
        let rings = field(&|r| (100.0 - r).min(r - 40.0)).polygons(100.0);
        assert_eq!(rings.len(), 1);
        assert_eq!(rings[0].interiors().len(), 1);
        let expected = std::f64::consts::PI * (100.0f64.powi(2) - 40.0f64.powi(2));
        assert!((rings[0].unsigned_area() / expected - 1.0).abs() < 0.03);
        assert!(rings[0].signed_area() > 0.0);
    }
}
