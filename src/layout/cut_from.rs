//! Which ground is cut from which line: passes and clearings are drawn as a whole, their lines run from one piece of
//! ground to the next and beside it.

use std::collections::BTreeMap;

use geo::{Coord, LineString, MultiPolygon};

use super::felled::crossing;
use crate::geometry::area::rings;
use crate::geometry::distance::{Segment, SegmentIndex, line_segments, segment_segment};
use crate::geometry::groups::Groups;

/// Polygons that are cut from the same lines, by their places in what was given. Neither list is empty.
#[derive(Clone, Debug, PartialEq)]
pub struct CutFrom {
    pub polygons: Vec<usize>,
    pub lines: Vec<usize>,
}

/// Divides polygons and lines into pieces of work. A polygon goes with the line that runs longest in it, or, where none
/// does, with the nearest one; a line goes with the polygon in which it runs longest, or the nearest. Whatever is joined so
/// is one piece. So no piece is without a line, unless there are no lines at all: then there are no pieces.
pub fn pieces(lines: &[LineString], shape: &MultiPolygon) -> Vec<CutFrom> {
    if lines.is_empty() || shape.0.is_empty() {
        return vec![];
    }
    let edges = (0u32..).zip(&shape.0).flat_map(|(owner, polygon)| {
        let edges = rings(polygon).flat_map(|ring| ring.0.windows(2));
        edges.map(move |w| Segment {
            a: w[0],
            b: w[1],
            owner,
        })
    });
    let edges = Edges::new(edges.collect(), shape);
    // The longest line in each polygon, and the longest polygon on each line.
    let mut of_polygon: Vec<Option<(f64, usize)>> = vec![None; shape.0.len()];
    let mut of_line: Vec<Option<(f64, usize)>> = vec![None; lines.len()];
    for (at, line) in lines.iter().enumerate() {
        for (polygon, metres) in edges.metres_inside(line) {
            let longer = |held: Option<(f64, usize)>| held.is_none_or(|(most, _)| metres > most);
            if longer(of_polygon[polygon]) {
                of_polygon[polygon] = Some((metres, at));
            }
            if longer(of_line[at]) {
                of_line[at] = Some((metres, polygon));
            }
        }
    }
    let numbered = (0u32..).zip(lines);
    let segments =
        numbered.flat_map(|(owner, line)| line_segments(std::slice::from_ref(line), owner));
    let driven = SegmentIndex::new(segments.collect());
    // Polygons first, lines after them.
    let count = shape.0.len();
    let mut joined = Groups::new(count + lines.len());
    for (polygon, longest) in of_polygon.iter().enumerate() {
        let line = match longest {
            Some((_, line)) => *line,
            None => nearest(&driven, &shape.0[polygon].exterior().0),
        };
        joined.join(polygon, count + line);
    }
    for (at, line) in lines.iter().enumerate() {
        let polygon = match of_line[at] {
            Some((_, polygon)) => polygon,
            None if joined.first(count + at) < count => continue,
            None => nearest(&edges.index, &line.0),
        };
        joined.join(polygon, count + at);
    }
    let mut pieces: Vec<CutFrom> = vec![];
    let mut piece_of: Vec<Option<usize>> = vec![None; count];
    for at in 0..count + lines.len() {
        let first = joined.first(at);
        let piece = *piece_of[first].get_or_insert_with(|| {
            pieces.push(CutFrom {
                polygons: vec![],
                lines: vec![],
            });
            pieces.len() - 1
        });
        match at.checked_sub(count) {
            None => pieces[piece].polygons.push(at),
            Some(line) => pieces[piece].lines.push(line),
        }
    }
    pieces
}

/// The owner of the segment that comes nearest to a path; of equally near ones the first.
fn nearest(index: &SegmentIndex, path: &[Coord]) -> usize {
    let mut best = (f64::INFINITY, 0);
    let single = path.first().map(|&only| [only, only]);
    let steps = path.windows(2).map(|w| [w[0], w[1]]);
    for [a, b] in single.into_iter().chain(steps) {
        // From the first place on nothing farther off is looked at.
        let within_m = match best.0 {
            f64::INFINITY => index
                .distance(a, f64::MAX / 4.0)
                .map_or(0.0, |m| m * (1.0 + 1e-9) + 1e-9),
            nearest_m => nearest_m,
        };
        if let Some(found) = index.approach(a, b, within_m) {
            best = (found.distance, found.owner as usize);
        }
    }
    best.1
}

/// The edges of polygons, each owned by the place of its polygon.
struct Edges {
    index: SegmentIndex,
    right: f64,
}

impl Edges {
    fn new(edges: Vec<Segment>, shape: &MultiPolygon) -> Edges {
        let corners = shape.0.iter().flat_map(|polygon| &polygon.exterior().0);
        Edges {
            right: corners.map(|c| c.x).fold(f64::NEG_INFINITY, f64::max),
            index: SegmentIndex::new(edges),
        }
    }

    /// The first polygon that holds a place: where a ray to the right crosses its edges an odd number of times.
    fn holder(&self, p: Coord) -> Option<usize> {
        if p.x > self.right {
            return None;
        }
        let far = Coord {
            x: self.right,
            y: p.y,
        };
        let mut odd: BTreeMap<u32, bool> = BTreeMap::new();
        for edge in self.index.near(p, far, 0.0) {
            let (a, b) = (edge.a, edge.b);
            if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
                let crossed = odd.entry(edge.owner).or_insert(false);
                *crossed = !*crossed;
            }
        }
        let holder = odd.into_iter().find(|&(_, odd)| odd);
        holder.map(|(owner, _)| owner as usize)
    }

    /// How long a line runs in each polygon that it enters.
    fn metres_inside(&self, line: &LineString) -> BTreeMap<usize, f64> {
        let mut metres: BTreeMap<usize, f64> = BTreeMap::new();
        // None: to be asked anew, as beyond every edge.
        let mut holder: Option<Option<usize>> = None;
        for w in line.0.windows(2) {
            let (a, b) = (w[0], w[1]);
            let mut cuts: Vec<f64> = vec![];
            for edge in self.index.near(a, b, 0.0) {
                if segment_segment(a, b, edge.a, edge.b) == 0.0 {
                    cuts.push(crossing(a, b, edge.a, edge.b));
                }
            }
            cuts.sort_unstable_by(f64::total_cmp);
            let step_m = (b - a).x.hypot((b - a).y);
            let mut from = 0.0;
            for to in cuts.iter().copied().chain([1.0]) {
                if to > from {
                    if !cuts.is_empty() {
                        holder = None;
                    }
                    let middle = a + (b - a) * ((from + to) / 2.0);
                    let here = *holder.get_or_insert_with(|| self.holder(middle));
                    if let Some(polygon) = here {
                        *metres.entry(polygon).or_insert(0.0) += (to - from) * step_m;
                    }
                    from = to;
                }
            }
            if !cuts.is_empty() {
                // The next segment may begin on an edge.
                holder = None;
            }
        }
        metres
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::Polygon;

    fn rectangle(x0: f64, y0: f64, x1: f64, y1: f64) -> Polygon {
        let ring = vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn line(points: &[(f64, f64)]) -> LineString {
        LineString::from(points.to_vec())
    }

    fn found(lines: &[LineString], polygons: &[Polygon]) -> Vec<(Vec<usize>, Vec<usize>)> {
        let pieces = pieces(lines, &MultiPolygon(polygons.to_vec()));
        pieces.into_iter().map(|p| (p.polygons, p.lines)).collect()
    }

    #[test]
    fn a_line_that_runs_through_two_pieces_of_ground_makes_them_one() {
        let ground = [rectangle(0., 0., 40., 10.), rectangle(60., 0., 100., 10.)];
        // Its middle lies in neither.
        let through = line(&[(1., 5.), (50., 5.), (99., 5.)]);
        assert_eq!(found(&[through], &ground), [(vec![0, 1], vec![0])]);
    }

    #[test]
    fn ground_with_a_line_of_its_own_stays_a_piece_of_its_own() {
        let ground = [
            rectangle(0., 0., 40., 10.),
            rectangle(60., 0., 100., 10.),
            // Reached from beside.
            rectangle(60., 12., 100., 14.),
        ];
        let lines = [
            line(&[(1., 5.), (62., 5.)]),
            line(&[(61., 8.), (99., 8.)]),
            // In no polygon, nearest to the first.
            line(&[(0., -3.), (40., -3.)]),
        ];
        let wanted = [(vec![0], vec![0, 2]), (vec![1, 2], vec![1])];
        assert_eq!(found(&lines, &ground), wanted);
    }

    #[test]
    fn a_line_is_booked_where_it_runs_longest_though_a_scrap_has_no_other() {
        let ground = [rectangle(0., 0., 100., 10.), rectangle(102., 0., 104., 2.)];
        let lines = [
            line(&[(1., 5.), (90., 5.), (103., 1.)]),
            line(&[(0., 8.), (100., 8.)]),
        ];
        assert_eq!(found(&lines, &ground), [(vec![0, 1], vec![0, 1])]);
    }

    #[test]
    fn a_hole_is_not_inside_and_lengths_are_exact() {
        let ring = |d: f64| {
            LineString::from(vec![
                (d, d),
                (30. - d, d),
                (30. - d, 30. - d),
                (d, 30. - d),
                (d, d),
            ])
        };
        let shape = MultiPolygon(vec![
            Polygon::new(ring(0.0), vec![ring(10.0)]),
            rectangle(12., 12., 18., 18.),
        ]);
        let edges = (0u32..).zip(&shape.0).flat_map(|(owner, polygon)| {
            rings(polygon).flat_map(move |ring| {
                ring.0.windows(2).map(move |w| Segment {
                    a: w[0],
                    b: w[1],
                    owner,
                })
            })
        });
        let edges = Edges::new(edges.collect(), &shape);
        let across = line(&[(-5., 15.), (3., 15.), (15., 15.), (40., 15.)]);
        let metres = edges.metres_inside(&across);
        assert_eq!(metres.len(), 2);
        assert!((metres[&0] - 20.0).abs() < 1e-9, "{metres:?}");
        assert!((metres[&1] - 6.0).abs() < 1e-9, "{metres:?}");
    }

    #[test]
    fn nothing_is_cut_from_nothing() {
        assert_eq!(found(&[], &[rectangle(0., 0., 1., 1.)]), []);
        assert_eq!(found(&[line(&[(0., 0.), (1., 0.)])], &[]), []);
    }
}
