//! Lines and outlines of fewer vertices (Douglas & Peucker 1973), for what owes nobody a distance.

use geo::{LineString, MultiLineString, MultiPolygon, Polygon, Simplify};

use super::area::rings;

/// Edges simplified in one piece. The engine takes time that grows with the square of a zigzag's vertices, and goes as deep
/// into the stack.
const PIECE: usize = 2_000;

/// Within `off_m` of the line; every vertex that is left is one of its own.
pub fn line(line: &LineString, off_m: f64) -> LineString {
    let last = line.0.len().saturating_sub(1);
    if last <= PIECE {
        return line.simplify(off_m);
    }
    let mut kept = Vec::new();
    for from in (0..last).step_by(PIECE) {
        let piece = LineString(line.0[from..=(from + PIECE).min(last)].to_vec());
        kept.pop();
        kept.extend(piece.simplify(off_m).0);
    }
    LineString(kept)
}

/// As [`line()`], of every line.
pub fn lines(lines: &MultiLineString, off_m: f64) -> MultiLineString {
    lines.0.iter().map(|own| line(own, off_m)).collect()
}

/// As [`line()`], of every ring; a ring stays one, but rings may cross.
pub fn polygon(polygon: &Polygon, off_m: f64) -> Polygon {
    if rings(polygon).all(|ring| ring.0.len() <= PIECE) {
        return polygon.simplify(off_m);
    }
    let ring = |ring: &LineString| {
        if ring.0.len() <= PIECE {
            let alone = Polygon::new(ring.clone(), vec![]);
            return alone.simplify(off_m).into_inner().0;
        }
        let fewer = line(ring, off_m);
        if fewer.0.len() < 4 {
            ring.clone()
        } else {
            fewer
        }
    };
    let holes = polygon.interiors().iter().map(ring).collect();
    Polygon::new(ring(polygon.exterior()), holes)
}

/// As [`polygon`], of every one.
pub fn polygons(polygons: &MultiPolygon, off_m: f64) -> MultiPolygon {
    polygons.0.iter().map(|own| polygon(own, off_m)).collect()
}

#[cfg(test)]
mod tests {
    use super::super::distance::SegmentIndex;
    use super::*;

    fn zigzag(vertices: usize) -> LineString {
        (0..vertices)
            .map(|k| (k as f64 * 0.01, 0.5 * (k % 2) as f64))
            .collect()
    }

    /// As deep as it is long, this would leave no stack.
    #[test]
    fn a_long_zigzag_is_no_matter() {
        let long = zigzag(60_000);
        let off = |fewer: &LineString, all: &LineString| {
            let index = SegmentIndex::of_lines(&MultiLineString(vec![fewer.clone()]));
            let off_m = all.0.iter().map(|&at| index.distance(at, 1e9).unwrap());
            off_m.fold(0.0, f64::max)
        };
        assert!(off(&line(&long, 0.1), &long) <= 0.1);
        let mut ring = long;
        ring.0.push((2_000.0, -50.0).into());
        ring.close();
        let jagged = Polygon::new(ring, vec![]);
        let fewer = polygon(&jagged, 0.1);
        assert!(off(fewer.exterior(), jagged.exterior()) <= 0.1);
    }

    #[test]
    fn what_is_left_is_near_enough_and_short_lines_are_as_the_engine_has_them() {
        let wave: LineString = (0..9_000)
            .map(|k| (f64::from(k) * 0.1, 20.0 * (f64::from(k) * 0.01).sin()))
            .collect();
        let few = line(&wave, 0.2);
        assert!(few.0.len() < 300, "{}", few.0.len());
        assert_eq!(
            (few.0.first(), few.0.last()),
            (wave.0.first(), wave.0.last())
        );
        let index = SegmentIndex::of_lines(&MultiLineString(vec![few]));
        assert!(
            wave.0
                .iter()
                .all(|&p| index.distance(p, 0.2 + 1e-9).is_some())
        );
        let short = LineString(wave.0[..2_000].to_vec());
        assert_eq!(line(&short, 0.2), short.simplify(0.2));
    }

    #[test]
    fn a_ring_stays_a_ring() {
        let ring: LineString = (0..5_000)
            .map(|k| {
                let turn = std::f64::consts::TAU * f64::from(k) / 5_000.0;
                (turn.cos(), turn.sin())
            })
            .collect();
        let disc = Polygon::new(ring, vec![]);
        for off_m in [0.001, 0.1, 10.0] {
            let few = polygon(&disc, off_m);
            assert!(few.exterior().0.len() >= 4 && few.exterior().is_closed());
        }
    }
}
