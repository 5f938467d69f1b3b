//! Where rings meet: the question whether a polygon needs repair, answered without an overlay, so that sound polygons
//! keep their vertices to the last bit.

use std::collections::{BTreeMap, BTreeSet};

use super::groups::Groups;
use geo::coordinate_position::{CoordPos, coord_pos_relative_to_ring};
use geo::kernels::{Kernel, Orientation, RobustKernel};
use geo::{BoundingRect, Coord, LineString, MultiPolygon, Polygon, Rect, Validation};

/// How the edges of a set of rings meet, apart from neighbours in one ring.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Contact {
    /// No edge meets another.
    None,
    /// Edges touch in points, but none cross and none run together.
    Touch,
    /// Edges cross or run together; the first such place in ring order.
    Cross([f64; 2]),
}

struct Edge {
    a: Coord,
    b: Coord,
    low: f64,
    high: f64,
    /// Ring, position in it, number of edges of the ring.
    ring: usize,
    position: usize,
    ring_edges: usize,
}

impl Edge {
    fn neighbours(&self, other: &Edge) -> bool {
        self.ring == other.ring && {
            let gap = self.position.abs_diff(other.position);
            gap == 1 || gap == self.ring_edges - 1
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Meeting {
    Apart,
    Touching(Coord),
    Crossing(Coord),
}

/// Two rings that touch, and where: a vertex of one of them.
struct Touch {
    at: Coord,
    rings: [usize; 2],
}

/// All touches, and the first crossing in ring order.
struct Meetings {
    crossing: Option<Coord>,
    touches: Vec<Touch>,
}

/// How the edges of rings meet.
pub fn contacts(rings: &[&LineString]) -> Contact {
    let found = meetings(rings);
    match found.crossing {
        Some(at) => Contact::Cross([at.x, at.y]),
        None if found.touches.is_empty() => Contact::None,
        None => Contact::Touch,
    }
}

/// Sorts edges along the longer side of their box and compares each with those that overlap it there: near linear for
/// ground as it is mapped, quadratic only when most edges span the whole box.
fn meetings(rings: &[&LineString]) -> Meetings {
    let mut edges = Vec::with_capacity(rings.iter().map(|ring| ring.0.len()).sum());
    let (mut min, mut max) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for (ring, line) in rings.iter().enumerate() {
        for (position, pair) in line.0.windows(2).enumerate() {
            for p in pair {
                min = [min[0].min(p.x), min[1].min(p.y)];
                max = [max[0].max(p.x), max[1].max(p.y)];
            }
            edges.push(Edge {
                a: pair[0],
                b: pair[1],
                low: 0.0,
                high: 0.0,
                ring,
                position,
                ring_edges: line.0.len() - 1,
            });
        }
    }
    let along_y = max[1] - min[1] > max[0] - min[0];
    for edge in &mut edges {
        let (a, b) = if along_y {
            (edge.a.y, edge.b.y)
        } else {
            (edge.a.x, edge.b.x)
        };
        (edge.low, edge.high) = (a.min(b), a.max(b));
    }
    edges.sort_by(|a, b| {
        let place = |e: &Edge| (e.ring, e.position);
        a.low
            .total_cmp(&b.low)
            .then_with(|| place(a).cmp(&place(b)))
    });
    let mut touches = Vec::new();
    let mut first: Option<((usize, usize), Coord)> = None;
    let mut active: Vec<&Edge> = Vec::new();
    for edge in &edges {
        active.retain(|other| other.high >= edge.low);
        for other in &active {
            match meeting(edge, other, along_y) {
                Meeting::Apart => {}
                Meeting::Touching(at) => touches.push(Touch {
                    at,
                    rings: [edge.ring, other.ring],
                }),
                Meeting::Crossing(at) => {
                    let place = (edge.ring, edge.position).min((other.ring, other.position));
                    if first.is_none_or(|(best, _)| place < best) {
                        first = Some((place, at));
                    }
                }
            }
        }
        active.push(edge);
    }
    Meetings {
        crossing: first.map(|(_, at)| at),
        touches,
    }
}

fn meeting(e: &Edge, f: &Edge, along_y: bool) -> Meeting {
    // The sweep has compared one axis already.
    let apart = if along_y {
        e.a.x.max(e.b.x) < f.a.x.min(f.b.x) || f.a.x.max(f.b.x) < e.a.x.min(e.b.x)
    } else {
        e.a.y.max(e.b.y) < f.a.y.min(f.b.y) || f.a.y.max(f.b.y) < e.a.y.min(e.b.y)
    };
    if apart {
        return Meeting::Apart;
    }
    let side = RobustKernel::orient2d;
    let (f_a, f_b) = (side(e.a, e.b, f.a), side(e.a, e.b, f.b));
    let (e_a, e_b) = (side(f.a, f.b, e.a), side(f.a, f.b, e.b));
    use Orientation::Collinear;
    if f_a == Collinear && f_b == Collinear {
        return collinear_meeting(e, f);
    }
    if e.neighbours(f) {
        return Meeting::Apart;
    }
    if (f_a == f_b && f_a != Collinear) || (e_a == e_b && e_a != Collinear) {
        return Meeting::Apart;
    }
    let ends = [(f_a, f.a), (f_b, f.b), (e_a, e.a), (e_b, e.b)];
    match ends.into_iter().find(|(side, _)| *side == Collinear) {
        Some((_, end)) => Meeting::Touching(end),
        None => Meeting::Crossing(crossing(e, f)),
    }
}

fn collinear_meeting(e: &Edge, f: &Edge) -> Meeting {
    let direction = e.b - e.a;
    let along = |p: Coord| (p.x - e.a.x) * direction.x + (p.y - e.a.y) * direction.y;
    let (f0, f1) = (along(f.a).min(along(f.b)), along(f.a).max(along(f.b)));
    let (low, high) = (f0.max(0.0), f1.min(along(e.b)));
    if low < high {
        let middle = 0.5 * (low + high) / (direction.x.powi(2) + direction.y.powi(2));
        Meeting::Crossing(e.a + direction * middle)
    } else if low == high && !e.neighbours(f) {
        let shared = |end: &Coord| *end == e.a || *end == e.b;
        Meeting::Touching([f.a, f.b].into_iter().find(shared).unwrap_or(f.a))
    } else {
        Meeting::Apart
    }
}

fn crossing(e: &Edge, f: &Edge) -> Coord {
    let (u, v, w) = (e.b - e.a, f.b - f.a, f.a - e.a);
    let cross = u.x * v.y - u.y * v.x;
    let t = if cross == 0.0 {
        0.5
    } else {
        ((w.x * v.y - w.y * v.x) / cross).clamp(0.0, 1.0)
    };
    e.a + u * t
}

/// Whether polygons with clean rings may stand as they are: None, or the place where they may not (if it is known).
/// Rings may touch in points where the OGC rules let them.
pub fn fault(polygons: &[Polygon]) -> Option<Option<[f64; 2]>> {
    let rings: Vec<&LineString> = polygons
        .iter()
        .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
        .collect();
    let found = meetings(&rings);
    if let Some(at) = found.crossing {
        return Some(Some([at.x, at.y]));
    }
    if found.touches.is_empty() {
        return misplaced_ring(polygons).map(Some);
    }
    if let Some(at) = cut_through(polygons, &found.touches) {
        return Some(Some([at.x, at.y]));
    }
    // Rare enough for the full and slow test, which does not ask whether the ground hangs together.
    (!MultiPolygon(polygons.to_vec()).is_valid()).then(|| touching_place(&rings))
}

/// Whether polygons are valid as one geometry: by the OGC's rules, and so that no ring comes back to a place it has been
/// at, which GEOS does not let pass either. No corner may stand twice in a row.
pub fn is_valid(polygons: &[Polygon]) -> bool {
    let rings: Vec<&LineString> = polygons
        .iter()
        .flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()))
        .collect();
    let finite = |ring: &&LineString| ring.0.iter().all(|c| c.x.is_finite() && c.y.is_finite());
    if !rings.iter().all(|ring| ring.0.len() > 3 && finite(ring)) {
        return false;
    }
    let found = meetings(&rings);
    let itself = |touch: &Touch| touch.rings[0] == touch.rings[1];
    found.crossing.is_none()
        && !found.touches.iter().any(itself)
        && cut_through(polygons, &found.touches).is_none()
        && misplaced_ring(polygons).is_none()
}

/// Where rings of one polygon that touch in points cut its ground in two: whoever goes from ring to ring over points of
/// touch must not come back to where he was.
fn cut_through(polygons: &[Polygon], touches: &[Touch]) -> Option<Coord> {
    let owners: Vec<usize> = polygons
        .iter()
        .enumerate()
        .flat_map(|(owner, polygon)| vec![owner; 1 + polygon.interiors().len()])
        .collect();
    let mut places: BTreeMap<[u64; 3], usize> = BTreeMap::new();
    let mut linked: BTreeSet<[usize; 2]> = BTreeSet::new();
    // Rings first, then places.
    let mut groups = Groups::new(owners.len());
    for touch in touches {
        let [ring, other] = touch.rings;
        if ring == other || owners[ring] != owners[other] {
            continue;
        }
        // Zeros of either sign are one place.
        let (x, y) = (touch.at.x + 0.0, touch.at.y + 0.0);
        let key = [owners[ring] as u64, x.to_bits(), y.to_bits()];
        let place = *places.entry(key).or_insert_with(|| groups.add());
        for ring in touch.rings {
            if linked.insert([ring, place]) && !groups.join(ring, place) {
                return Some(touch.at);
            }
        }
    }
    None
}

/// A place at a ring that touches something, for messages.
fn touching_place(rings: &[&LineString]) -> Option<[f64; 2]> {
    rings
        .iter()
        .find_map(|ring| match contacts(&[ring]) {
            Contact::None => None,
            _ => ring.0.first(),
        })
        .or_else(|| rings.first().and_then(|ring| ring.0.first()))
        .map(|p| [p.x, p.y])
}

/// For rings that do not cross: a hole outside its shell or inside another hole, or a part inside another part.
fn misplaced_ring(polygons: &[Polygon]) -> Option<[f64; 2]> {
    let shells: Vec<Placed> = polygons.iter().map(|p| Placed::new(p.exterior())).collect();
    for (n, polygon) in polygons.iter().enumerate() {
        let shell = &shells[n];
        let holes: Vec<Placed> = polygon.interiors().iter().map(Placed::new).collect();
        let wrong = holes.iter().enumerate().find(|(i, hole)| {
            let nested = |(j, other): (usize, &Placed)| *i != j && hole.lies_in(other);
            !hole.lies_in(shell) || holes.iter().enumerate().any(nested)
        });
        if let Some((_, hole)) = wrong {
            return hole.place();
        }
        // Inside another part, but not in one of its holes.
        let covered = shells.iter().enumerate().any(|(m, other)| {
            n != m
                && shell.lies_in(other)
                && !polygons[m]
                    .interiors()
                    .iter()
                    .any(|hole| shell.lies_in(&Placed::new(hole)))
        });
        if covered {
            return shell.place();
        }
    }
    None
}

/// A ring with its box.
struct Placed<'a> {
    ring: &'a LineString,
    bounds: Option<Rect>,
}

impl Placed<'_> {
    fn new(ring: &LineString) -> Placed<'_> {
        Placed {
            ring,
            bounds: ring.bounding_rect(),
        }
    }

    /// Right for rings that do not cross, and touch in points only.
    fn lies_in(&self, other: &Placed<'_>) -> bool {
        let (Some(inner), Some(outer)) = (self.bounds, other.bounds) else {
            return false;
        };
        if inner.min().x < outer.min().x
            || inner.min().y < outer.min().y
            || inner.max().x > outer.max().x
            || inner.max().y > outer.max().y
        {
            return false;
        }
        let corners = self.ring.0.iter().copied();
        let middles = self.ring.0.windows(2).map(|w| (w[0] + w[1]) / 2.0);
        let mut places = corners
            .chain(middles)
            .map(|place| coord_pos_relative_to_ring(place, other.ring));
        places.find(|place| *place != CoordPos::OnBoundary) == Some(CoordPos::Inside)
    }

    fn place(&self) -> Option<[f64; 2]> {
        self.ring.0.first().map(|p| [p.x, p.y])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::wkt;

    #[test]
    fn sound_polygons_have_no_fault() {
        let ring = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),(2. 2.,2. 4.,4. 4.,4. 2.,2. 2.)));
        assert_eq!(fault(&[ring]), None);
        let touching = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),(0. 4.,3. 5.,3. 3.,0. 4.)));
        assert_eq!(fault(&[touching]), None);
        let triangle = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 0.)));
        assert_eq!(fault(&[triangle]), None);
    }

    #[test]
    fn crossings_are_found_with_their_place() {
        let tie = wkt!(POLYGON((0. 0.,10. 10.,10. 0.,0. 10.,0. 0.)));
        assert_eq!(fault(&[tie]), Some(Some([5.0, 5.0])));
    }

    #[test]
    fn holes_outside_or_nested_and_parts_in_parts_are_faults() {
        let outside =
            wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),(12. 2.,12. 4.,14. 4.,14. 2.,12. 2.)));
        assert!(fault(&[outside]).is_some());
        let big = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.)));
        let small = wkt!(POLYGON((2. 2.,4. 2.,4. 4.,2. 4.,2. 2.)));
        assert!(fault(&[big.clone(), small.clone()]).is_some());
        assert!(fault(&[small, big]).is_some());
    }

    /// OGC Simple Features 6.1.11.1: the interior of a polygon is a connected point set.
    #[test]
    fn holes_that_cut_the_ground_in_two_are_a_fault() {
        let split = wkt!(POLYGON((0. 0.,5. 0.,5. 3.,3. 3.,3. 2.,2. 2.,2. 3.,0. 3.,0. 0.),
            (1. 1.,1. 2.,2. 2.,2. 1.,1. 1.),(3. 1.,3. 2.,4. 2.,4. 1.,3. 0.,3. 1.)));
        assert!(fault(&[split]).is_some());
        let chain = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),
            (0. 4.,3. 5.,3. 3.,0. 4.),(3. 5.,6. 6.,6. 4.,3. 5.),(6. 4.,9. 5.,8. 3.,6. 4.)));
        assert!(fault(&[chain]).is_some());
        let open = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),
            (0. 4.,3. 5.,3. 3.,0. 4.),(3. 5.,6. 6.,6. 4.,3. 5.),(6. 4.,8. 5.,8. 3.,6. 4.)));
        assert_eq!(fault(&[open]), None);
        let star = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),
            (4. 4.,3. 3.,4. 2.,4. 4.),(4. 4.,6. 5.,6. 4.,4. 4.),(4. 4.,3. 6.,5. 6.,4. 4.)));
        assert_eq!(fault(&[star]), None);
    }

    /// GEOS (ST_IsValidReason): "Ring Self-intersection" for the first two, valid for the others.
    #[test]
    fn rings_that_come_back_to_a_place_are_not_valid_and_holes_may_touch_their_shell() {
        let bitten = wkt!(POLYGON((0. 0.,10. 0.,10. 10.,5. 10.,4. 6.,6. 6.,5. 10.,0. 10.,0. 0.)));
        let on_edge = wkt!(POLYGON((0. 0.,10. 0.,10. 4.,0. 5.,10. 6.,10. 10.,0. 10.,0. 0.)));
        assert!(!is_valid(&[bitten]) && !is_valid(&[on_edge]));
        let touching = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),(0. 4.,3. 5.,3. 3.,0. 4.)));
        let corner = wkt!(POLYGON((9. 9.,12. 9.,12. 12.,9. 12.,9. 9.)));
        assert!(is_valid(&[touching.clone(), corner]));
        let outside = wkt!(POLYGON((0. 0.,9. 0.,9. 9.,0. 9.,0. 0.),(0. 4.,-3. 5.,-3. 3.,0. 4.)));
        assert!(!is_valid(&[outside]));
        // A part that lies on another, and touches its edge.
        let upon = wkt!(POLYGON((9. 6.,8. 7.,8. 5.,9. 6.)));
        assert!(!is_valid(&[touching, upon]));
    }

    #[test]
    fn shared_edges_are_a_fault_and_shared_corners_are_not() {
        let left = wkt!(POLYGON((0. 0.,4. 0.,4. 4.,0. 4.,0. 0.)));
        let right = wkt!(POLYGON((4. 1.,8. 1.,8. 5.,4. 5.,4. 1.)));
        let corner = wkt!(POLYGON((4. 4.,8. 4.,8. 8.,4. 8.,4. 4.)));
        assert!(fault(&[left.clone(), right]).is_some());
        assert_eq!(fault(&[left, corner]), None);
    }
}
