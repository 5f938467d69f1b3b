//! Edges of standing ground that face a direction over ground that is cut, and its corners.

use geo::{Coord, MultiPolygon, Polygon};

use super::area::{Bounds, area, rings};
use super::distance::{SegmentIndex, boundary_segments};
use super::fewer;
use super::frame::Frame;
use super::overlay::oriented;

/// Ground beside an edge is looked at so far off it: nearer, outlines that two overlays made may not meet.
pub const BESIDE_M: f64 = 0.5;
/// Corners are those of the outline within this, between edges at least so long.
const CORNERS_WITHIN_M: f64 = 1.0;
const LEAST_EDGE_M: f64 = 5.0;

/// The directions from which something comes, and how far edges may be turned from them and still face it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Facing {
    /// Clockwise from the frame's y.
    pub from_deg: f64,
    /// To both sides.
    pub within_deg: f64,
}

impl Facing {
    fn towards(self) -> Coord {
        let (sin, cos) = self.from_deg.to_radians().sin_cos();
        Coord { x: sin, y: cos }
    }

    /// The other way round.
    pub fn turned(self) -> Facing {
        Facing {
            from_deg: self.from_deg + 180.0,
            ..self
        }
    }

    /// Whether an edge faces it that has standing ground on its left.
    fn is_faced_by(self, edge: Coord) -> bool {
        let (towards, length) = (self.towards(), edge.x.hypot(edge.y));
        let off = edge.y * towards.x - edge.x * towards.y;
        // An edge turned by just so much still counts, whatever rounding makes of it.
        length > 0.0 && off >= length * (self.within_deg.to_radians().cos() - 1e-9)
    }
}

/// Ground that is cut.
pub struct CutGround(SegmentIndex);

impl CutGround {
    /// Polygons may touch but not overlap.
    pub fn new<'p>(polygons: impl IntoIterator<Item = &'p Polygon>) -> CutGround {
        let polygons = MultiPolygon(polygons.into_iter().cloned().collect());
        CutGround(SegmentIndex::new(boundary_segments(&polygons, 0).collect()))
    }

    /// Metres of `a`-`b`, [`BESIDE_M`] to its right, that lie on cut ground.
    fn beside_m(&self, a: Coord, b: Coord) -> f64 {
        if self.0.is_empty() {
            return 0.0;
        }
        let along = b - a;
        let length_m = along.x.hypot(along.y);
        let right = Coord {
            x: along.y,
            y: -along.x,
        } * (BESIDE_M / length_m);
        let a = a + right;
        let cross = |p: Coord, q: Coord| p.x * q.y - p.y * q.x;
        let mut cuts = vec![0.0, 1.0];
        for edge in self.0.near(a, a + along, 0.0) {
            let other = edge.b - edge.a;
            let across = cross(along, other);
            if across == 0.0 {
                continue;
            }
            let (t, s) = (
                cross(edge.a - a, other) / across,
                cross(edge.a - a, along) / across,
            );
            if t > 0.0 && t < 1.0 && (-1e-9..=1.0 + 1e-9).contains(&s) {
                cuts.push(t);
            }
        }
        cuts.sort_by(f64::total_cmp);
        let pieces = cuts.windows(2).map(|w| {
            let on_cut = w[1] > w[0] && self.0.holds(a + along * ((w[0] + w[1]) / 2.0));
            if on_cut {
                (w[1] - w[0]) * length_m
            } else {
                0.0
            }
        });
        pieces.sum()
    }
}

fn counter_clockwise(standing: &Polygon) -> MultiPolygon {
    oriented(MultiPolygon(vec![standing.clone()]))
}

/// Metres of the outline of `standing` that face a direction, where ground beside them is cut.
pub fn open_edge_m(standing: &Polygon, cut: &CutGround, facing: Facing) -> f64 {
    let standing = counter_clockwise(standing);
    let edges = standing.0.iter().flat_map(rings);
    let edges = edges.flat_map(|ring| ring.0.windows(2));
    edges
        .filter(|w| facing.is_faced_by(w[1] - w[0]))
        .map(|w| cut.beside_m(w[0], w[1]))
        .fold(0.0, |sum, m| sum + m)
}

/// How far `standing` extends across a direction, and how deep it is along it in the mean; m.
pub fn across_and_deep_m(standing: &Polygon, from_deg: f64) -> [f64; 2] {
    let standing = MultiPolygon(vec![standing.clone()]);
    let bounds = Bounds::of_polygons(&Frame::new(from_deg).enter_polygons(&standing));
    let across_m = bounds.max.x - bounds.min.x;
    [across_m, area(&standing) / across_m.max(1e-9)]
}

/// Corners of `standing` sharper than `least_deg`, of whose two edges one faces the direction over cut ground beside the corner.
pub fn sharp_corners(
    standing: &Polygon,
    cut: &CutGround,
    facing: Facing,
    least_deg: f64,
) -> Vec<Coord> {
    let fewer = fewer::polygon(standing, CORNERS_WITHIN_M);
    let mut corners = Vec::new();
    for ring in counter_clockwise(&fewer).0.iter().flat_map(rings) {
        let ring = &ring.0[..ring.0.len().saturating_sub(1)];
        for at in 0..ring.len() {
            let corner = ring[at];
            let into = corner - ring[(at + ring.len() - 1) % ring.len()];
            let out = ring[(at + 1) % ring.len()] - corner;
            let lengths = [into, out].map(|edge| edge.x.hypot(edge.y));
            if lengths.iter().any(|&m| m < LEAST_EDGE_M) {
                continue;
            }
            let turn = (into.x * out.y - into.y * out.x).atan2(into.x * out.x + into.y * out.y);
            if 180.0 - turn.to_degrees() >= least_deg {
                continue;
            }
            // The simpler outline may run inside the true one, so ground is looked at from the corner itself.
            let ends = [
                (corner - into * (LEAST_EDGE_M / lengths[0]), corner),
                (corner, corner + out * (LEAST_EDGE_M / lengths[1])),
            ];
            let is_open = |(a, b): (Coord, Coord)| {
                facing.is_faced_by(b - a) && cut.beside_m(a, b) >= LEAST_EDGE_M / 2.0
            };
            if ends.into_iter().any(is_open) {
                corners.push(corner);
            }
        }
    }
    corners
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

    fn polygon(ring: &[(f64, f64)]) -> Polygon {
        let closed = ring.iter().chain(&ring[..1]).copied();
        Polygon::new(closed.collect::<Vec<_>>().into(), vec![])
    }

    fn turned(polygon: &Polygon, deg: f64) -> Polygon {
        Frame::new(deg).leave_polygon(polygon)
    }

    const WITHIN: f64 = 45.0;

    fn from(from_deg: f64) -> Facing {
        Facing {
            from_deg,
            within_deg: WITHIN,
        }
    }

    /// 40 m by 10 m in the middle of cut ground, with a strip left on its east side, turned round the circle with the wind.
    #[test]
    fn only_edges_towards_the_wind_over_cut_ground_count() {
        let piece = polygon(&[(0., 0.), (40., 0.), (40., 10.), (0., 10.)]);
        let around = Polygon::new(
            LineString::from(vec![
                (-50., -50.),
                (40., -50.),
                (40., 60.),
                (-50., 60.),
                (-50., -50.),
            ]),
            vec![LineString::from(vec![
                (0., 0.),
                (0., 10.),
                (40., 10.),
                (40., 0.),
                (0., 0.),
            ])],
        );
        for turn in (0..360).step_by(15) {
            let turn = f64::from(turn);
            let cut = CutGround::new([&turned(&around, turn)]);
            let piece = turned(&piece, turn);
            let open = |deg: f64| open_edge_m(&piece, &cut, from(deg + turn));
            // North and south edges have 40 m, the west one 10 m; beyond the east one nothing is cut.
            for (deg, wanted) in [
                (0., 40.),
                (180., 40.),
                (270., 10.),
                (90., 0.),
                (46., 0.),
                (314., 10.),
            ] {
                assert!(
                    (open(deg) - wanted).abs() < 1e-6,
                    "{turn} {deg}: {}",
                    open(deg)
                );
            }
            // Halfway both count, the edges' own direction just within.
            assert!((open(315.0) - 50.0).abs() < 1e-6, "{turn}: {}", open(315.0));
            let [across, deep] = across_and_deep_m(&piece, turn);
            assert!((across - 40.0).abs() < 1e-9 && (deep - 10.0).abs() < 1e-9);
        }
    }

    #[test]
    fn a_sharp_corner_counts_where_one_of_its_edges_faces_the_wind() {
        // 30 degrees at the west end.
        let wedge = polygon(&[(0., 0.), (100., 0.), (100., 57.735)]);
        let ring = &wedge.exterior().0;
        let hole: LineString = ring.iter().rev().copied().collect();
        let around = Bounds::of(ring).grown(50.0).to_polygon();
        let cut = CutGround::new([&Polygon::new(around.exterior().clone(), vec![hole])]);
        let corners = |deg: f64, least: f64| sharp_corners(&wedge, &cut, from(deg), least);
        assert_eq!(corners(180.0, 45.0), vec![Coord { x: 0.0, y: 0.0 }]);
        assert_eq!(corners(330.0, 45.0).len(), 1);
        assert!(corners(90.0, 45.0).is_empty(), "neither edge faces east");
        assert!(corners(180.0, 29.9).is_empty());
        // The corner at the top has 60 degrees; that at the right, 90, is none.
        assert_eq!(corners(90.0, 61.0).len(), 1);
        let nothing = CutGround::new([]);
        assert!(sharp_corners(&wedge, &nothing, from(180.0), 45.0).is_empty());
    }
}
