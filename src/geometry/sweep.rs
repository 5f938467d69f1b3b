//! Clips polygons to upright slabs `low <= x < high` without a general overlay: ring pieces inside a slab are chained
//! along its two sides. Slabs that share a side share its vertices exactly, so their areas add up.

use geo::{Coord, LineString, MultiPolygon, Polygon};

use super::area::{Bounds, ring_area, rings};
use super::distance::inside_polygon;
use super::nesting::loops;
use super::overlay;

/// A slab `low <= x < high`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slab {
    pub low: f64,
    pub high: f64,
}

impl Slab {
    pub fn middle(&self) -> f64 {
        (self.low + self.high) / 2.0
    }
    pub fn width(&self) -> f64 {
        self.high - self.low
    }
}

/// Pieces below this area are dropped.
const DUST_M2: f64 = 1e-6;

#[derive(Clone, Copy, PartialEq, Debug)]
enum Side {
    Low,
    High,
}

struct Chain {
    coords: Vec<Coord>,
    from: Side,
    to: Side,
}

/// Area of `polygons` in each slab, by the integral of the edges; slabs must be sorted and disjoint.
pub fn slab_areas(polygons: &MultiPolygon, slabs: &[Slab]) -> Vec<f64> {
    let mut areas = vec![0.0; slabs.len()];
    for ring in polygons.0.iter().flat_map(rings) {
        for w in ring.0.windows(2) {
            let (a, b) = (w[0], w[1]);
            let (low, high) = if a.x < b.x { (a.x, b.x) } else { (b.x, a.x) };
            if low == high {
                continue;
            }
            let sign = if a.x < b.x { -1.0 } else { 1.0 };
            let slope = (b.y - a.y) / (b.x - a.x);
            let first = slabs.partition_point(|slab| slab.high <= low);
            for (slab, area) in slabs[first..].iter().zip(&mut areas[first..]) {
                if slab.low >= high {
                    break;
                }
                let (from, to) = (low.max(slab.low), high.min(slab.high));
                let middle = a.y + slope * ((from + to) / 2.0 - a.x);
                *area += sign * middle * (to - from);
            }
        }
    }
    areas
}

/// The pieces of `polygons` in each slab, as (slab index, polygon), by slab and then upwards. Slabs must be sorted and
/// disjoint; they may touch. Polygons must be valid, with counter-clockwise exteriors and clockwise holes.
pub fn clip_slabs(polygons: &MultiPolygon, slabs: &[Slab]) -> Vec<(usize, Polygon)> {
    let mut chains: Vec<Vec<Chain>> = slabs.iter().map(|_| Vec::new()).collect();
    let mut whole: Vec<Vec<LineString>> = slabs.iter().map(|_| Vec::new()).collect();
    for ring in polygons.0.iter().flat_map(rings) {
        cut_ring(ring, slabs, &mut chains, &mut whole);
    }
    let mut out = Vec::new();
    for (index, (chains, whole)) in chains.into_iter().zip(whole).enumerate() {
        let pieces = match link(chains) {
            Some(mut linked) => {
                linked.extend(whole);
                assemble(linked.into_iter().flat_map(simple).collect())
            }
            None => by_overlay(polygons, slabs[index]),
        };
        out.extend(pieces.into_iter().map(|piece| (index, piece)));
    }
    out
}

/// A ring, or its loops where it touches itself, as parts that meet in a corner do.
fn simple(ring: LineString) -> Vec<LineString> {
    loops(&ring).unwrap_or_else(|| vec![ring])
}

fn slab_of(x: f64, slabs: &[Slab]) -> Option<usize> {
    let index = slabs.partition_point(|slab| slab.high <= x);
    (index < slabs.len() && slabs[index].low <= x).then_some(index)
}

/// One crossing of a slab side along an edge.
struct Crossing {
    x: f64,
    slab: usize,
    side: Side,
}

/// Crossings of the edge `a`-`b` in the order of travel. A point on a side counts as being to the right of it.
fn crossings(a: Coord, b: Coord, slabs: &[Slab]) -> Vec<Crossing> {
    let (low, high) = if a.x < b.x { (a.x, b.x) } else { (b.x, a.x) };
    let mut found = Vec::new();
    let crossed = |x: f64| low < x && x <= high;
    let first = slabs.partition_point(|slab| slab.high <= low);
    for (slab, sides) in slabs.iter().enumerate().skip(first) {
        if sides.low > high {
            break;
        }
        if crossed(sides.low) {
            found.push(Crossing {
                x: sides.low,
                slab,
                side: Side::Low,
            });
        }
        if crossed(sides.high) {
            found.push(Crossing {
                x: sides.high,
                slab,
                side: Side::High,
            });
        }
    }
    if a.x > b.x {
        found.reverse();
    }
    found
}

fn cut_ring(
    ring: &LineString,
    slabs: &[Slab],
    chains: &mut [Vec<Chain>],
    whole: &mut [Vec<LineString>],
) {
    let coords = &ring.0;
    if coords.len() < 4 {
        return;
    }
    let start = slab_of(coords[0].x, slabs);
    let mut current: Option<(usize, Option<Side>, Vec<Coord>)> =
        start.map(|slab| (slab, None, vec![coords[0]]));
    // The chain that began inside a slab, closed later by the ring's last chain.
    let mut opening: Option<(Side, Vec<Coord>)> = None;
    for w in coords.windows(2) {
        let (a, b) = (w[0], w[1]);
        for crossing in crossings(a, b, slabs) {
            let y = a.y + (crossing.x - a.x) / (b.x - a.x) * (b.y - a.y);
            let point = Coord { x: crossing.x, y };
            let entering = (crossing.side == Side::Low) == (b.x > a.x);
            if entering {
                current = Some((crossing.slab, Some(crossing.side), vec![point]));
            } else if let Some((slab, from, mut chain)) = current.take() {
                chain.push(point);
                match from {
                    Some(from) => chains[slab].push(Chain {
                        coords: chain,
                        from,
                        to: crossing.side,
                    }),
                    None => opening = Some((crossing.side, chain)),
                }
            }
        }
        if let Some((_, _, chain)) = &mut current
            && chain.last() != Some(&b)
        {
            chain.push(b);
        }
    }
    match (current, opening) {
        (Some((slab, None, chain)), None) => whole[slab].push(LineString(chain)),
        (Some((slab, Some(from), mut chain)), Some((to, rest))) => {
            chain.extend(rest.into_iter().skip(1));
            chains[slab].push(Chain {
                coords: chain,
                from,
                to,
            });
        }
        _ => {}
    }
}

/// Joins chains into rings along the slab's sides; None when the chains do not alternate as those of a valid polygon.
fn link(chains: Vec<Chain>) -> Option<Vec<LineString>> {
    // (y, chain, whether this end is the chain's start)
    let mut ends: [Vec<(f64, usize, bool)>; 2] = [vec![], vec![]];
    for (index, chain) in chains.iter().enumerate() {
        ends[chain.from as usize].push((chain.coords.first()?.y, index, true));
        ends[chain.to as usize].push((chain.coords.last()?.y, index, false));
    }
    let mut next = vec![usize::MAX; chains.len()];
    for (side, ends) in [Side::Low, Side::High].into_iter().zip(&mut ends) {
        if ends.len() % 2 != 0 {
            return None;
        }
        ends.sort_by(|a, b| a.0.total_cmp(&b.0));
        for pair in ends.chunks_exact_mut(2) {
            // Counter-clockwise: down the left side, up the right side.
            let (start, end) = if side == Side::Low {
                (pair[0], pair[1])
            } else {
                (pair[1], pair[0])
            };
            if !start.2 || end.2 {
                return None;
            }
            next[end.1] = start.1;
        }
    }
    let mut used = vec![false; chains.len()];
    let mut out = Vec::new();
    for first in 0..chains.len() {
        if used[first] {
            continue;
        }
        let mut ring: Vec<Coord> = Vec::new();
        let mut at = first;
        loop {
            if at == usize::MAX || used[at] {
                return None;
            }
            used[at] = true;
            for &coord in &chains[at].coords {
                if !ring.last().is_some_and(|&last| same_point(last, coord)) {
                    ring.push(coord);
                }
            }
            at = next[at];
            if at == first {
                break;
            }
        }
        // The last point may be the first one again, seen along another edge.
        while ring.len() > 1 && same_point(ring[ring.len() - 1], ring[0]) {
            ring.pop();
        }
        ring.push(ring[0]);
        out.push(LineString(ring));
    }
    Some(out)
}

/// Points seen along two edges differ by a rounding, which would cross the ring at that place.
fn same_point(a: Coord, b: Coord) -> bool {
    const SAME_M: f64 = 1e-9;
    (a.x - b.x).abs() < SAME_M && (a.y - b.y).abs() < SAME_M
}

/// Gives holes to the shells around them; pieces upwards.
fn assemble(pieces: Vec<LineString>) -> Vec<Polygon> {
    let (mut shells, mut holes) = (Vec::new(), Vec::new());
    for ring in pieces {
        let area = ring_area(&ring);
        if area > DUST_M2 {
            shells.push(Polygon::new(ring, vec![]));
        } else if area < -DUST_M2 {
            holes.push(ring);
        }
    }
    for hole in holes {
        // A hole may touch its shell in a corner.
        let place = (hole.0[0] + hole.0[1]) / 2.0;
        let bounds = Bounds::of(&hole.0);
        let shell = shells.iter_mut().find(|shell| {
            Bounds::of(&shell.exterior().0).holds(&bounds) && inside_polygon(place, shell)
        });
        if let Some(shell) = shell {
            shell.interiors_push(hole);
        }
    }
    let bottom = |polygon: &Polygon| Bounds::of(&polygon.exterior().0).min.y;
    shells.sort_by(|a, b| bottom(a).total_cmp(&bottom(b)));
    shells
}

fn by_overlay(polygons: &MultiPolygon, slab: Slab) -> Vec<Polygon> {
    let bounds = Bounds::of_polygons(polygons).grown(1.0);
    let window = Bounds {
        min: Coord {
            x: slab.low,
            y: bounds.min.y,
        },
        max: Coord {
            x: slab.high,
            y: bounds.max.y,
        },
    };
    let mut pieces = overlay::intersection(polygons, &[window.to_polygon()]).0;
    let bottom = |polygon: &Polygon| Bounds::of(&polygon.exterior().0).min.y;
    pieces.sort_by(|a, b| bottom(a).total_cmp(&bottom(b)));
    pieces
}

/// The stretches of the upright line at `x` inside `polygons`, upwards.
pub fn upright(polygons: &MultiPolygon, x: f64) -> Vec<[f64; 2]> {
    let mut ys: Vec<f64> = Vec::new();
    for ring in polygons.0.iter().flat_map(rings) {
        for w in ring.0.windows(2) {
            if (w[0].x > x) != (w[1].x > x) {
                ys.push(w[0].y + (x - w[0].x) / (w[1].x - w[0].x) * (w[1].y - w[0].y));
            }
        }
    }
    ys.sort_by(f64::total_cmp);
    ys.chunks_exact(2).map(|pair| [pair[0], pair[1]]).collect()
}

#[cfg(test)]
mod tests {
    use super::super::area::{area, polygon_area};
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_slab_has_a_middle_and_a_width() {
        let slab = Slab {
            low: -3.0,
            high: 9.0,
        };
        assert_eq!((slab.middle(), slab.width()), (3.0, 12.0));
    }

    fn star(radii: &[f64], hole: bool) -> MultiPolygon {
        let count = radii.len();
        let at = |k: usize, r: f64| {
            let (sin, cos) = (std::f64::consts::TAU * k as f64 / count as f64).sin_cos();
            Coord {
                x: r * cos,
                y: r * sin,
            }
        };
        let ring: Vec<Coord> = (0..=count)
            .map(|k| at(k % count, radii[k % count]))
            .collect();
        let holes = if hole {
            vec![LineString(
                (0..=count)
                    .rev()
                    .map(|k| at(k % count, 0.4 * radii[k % count].min(30.0)))
                    .collect(),
            )]
        } else {
            vec![]
        };
        MultiPolygon(vec![Polygon::new(LineString(ring), holes)])
    }

    proptest! {
        #[test]
        fn slabs_partition_a_polygon_and_agree_with_the_overlay(
            radii in prop::collection::vec(20.0..90.0f64, 5..40), hole: bool, width in 3.0..40.0f64, phase in 0.0..1.0f64,
        ) {
            let polygon = star(&radii, hole);
            let first = -100.0 - phase * width;
            let slabs: Vec<Slab> = (0..)
                .map(|k| Slab { low: first + k as f64 * width, high: first + (k + 1) as f64 * width })
                .take_while(|slab| slab.low < 100.0)
                .collect();
            let pieces = clip_slabs(&polygon, &slabs);
            let total: f64 = pieces.iter().map(|(_, piece)| polygon_area(piece)).sum();
            prop_assert!((total - area(&polygon)).abs() < 1e-6 * area(&polygon));
            let areas = slab_areas(&polygon, &slabs);
            for (index, slab) in slabs.iter().enumerate() {
                let here: f64 = pieces.iter().filter(|(i, _)| *i == index).map(|(_, p)| polygon_area(p)).sum();
                let overlaid: f64 = by_overlay(&polygon, *slab).iter().map(polygon_area).sum();
                prop_assert!((here - overlaid).abs() < 1e-2, "{here} {overlaid}");
                prop_assert!((here - areas[index]).abs() < 1e-4, "{here} {}", areas[index]);
            }
        }
    }

    /// By hand: two squares of 10 m that meet in a corner within one slab, and a hole that touches its shell in a corner.
    #[test]
    fn what_meets_in_a_corner_stays_apart() {
        let slab = [Slab {
            low: 0.0,
            high: 30.0,
        }];
        let square = |x: f64, y: f64| {
            let corners = [(0., 0.), (10., 0.), (10., 10.), (0., 10.), (0., 0.)];
            corners.map(|(dx, dy)| (x + dx, y + dy)).to_vec()
        };
        let pair = [square(-5.0, 0.0), square(5.0, 10.0)];
        let pair = pair.map(|ring| Polygon::new(LineString::from(ring), vec![]));
        let pieces = clip_slabs(&MultiPolygon(pair.to_vec()), &slab);
        let areas: Vec<f64> = pieces
            .iter()
            .map(|(_, piece)| polygon_area(piece))
            .collect();
        assert_eq!(areas, [50.0, 100.0]);
        let mut shell = square(-5.0, 0.0);
        shell.insert(2, (5.0, 5.0));
        let hole = LineString::from(vec![(5., 5.), (2., 4.), (2., 6.), (5., 5.)]);
        let holed = Polygon::new(LineString::from(shell), vec![hole]);
        let pieces = clip_slabs(&MultiPolygon(vec![holed]), &slab);
        let m2: f64 = pieces.iter().map(|(_, piece)| polygon_area(piece)).sum();
        assert!((m2 - 47.0).abs() < 1e-9, "{m2}");
    }

    #[test]
    fn a_point_on_a_side_belongs_to_the_right() {
        let diamond = MultiPolygon(vec![Polygon::new(
            LineString::from(vec![
                (0., -10.),
                (10., 0.),
                (0., 10.),
                (-10., 0.),
                (0., -10.),
            ]),
            vec![],
        )]);
        let slabs = [
            Slab {
                low: -10.0,
                high: 0.0,
            },
            Slab {
                low: 0.0,
                high: 10.0,
            },
        ];
        let pieces = clip_slabs(&diamond, &slabs);
        assert_eq!(pieces.len(), 2);
        assert!(
            pieces
                .iter()
                .all(|(_, piece)| (polygon_area(piece) - 100.0).abs() < 1e-9)
        );
        assert_eq!(upright(&diamond, 5.0), vec![[-5.0, 5.0]]);
    }
}
