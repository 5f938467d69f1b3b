//! Proof that pieces of ground, and lines, keep their distance from a feature and stay inside an outline: of every point,
//! not of samples, by exact distances between segments. Shares no code with buffers and overlay, which it is to check.
//!
//! **Distance.** The ground nearer to a feature than it asks for falls into connected pieces, each around an edge of the
//! feature. Where no boundary of what is measured runs through such ground, each piece of it is covered whole or not at
//! all, and one place of it tells which.
//!
//! **Inside.** Where no boundary runs outside the outline, what is measured lies inside, but for holes it covers whole.

use std::collections::HashSet;

use geo::{Coord, InteriorPoint, LineString, MultiPolygon, Polygon};

use super::area::{Bounds, rings};
use super::distance::{Segment, SegmentIndex, inside_polygon, point_segment, polygon_segments};

/// What a proof leaves to rounding.
pub const TOLERANCE_M: f64 = 0.001;
/// An edge is halved no further in looking for a place beyond the tolerance.
const SHORTEST_M: f64 = 1e-4;

/// An edge of a feature as drawn, and how far from it everything must stay.
#[derive(Clone, Copy, Debug)]
pub struct Kept {
    pub a: Coord,
    pub b: Coord,
    pub distance_m: f64,
}

/// Why there is no proof.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Breach {
    /// A boundary comes too near.
    Near {
        measured_m: f64,
        required_m: f64,
        place: Coord,
    },
    /// Something covers what it should keep away from.
    Covers { place: Coord },
    /// A boundary runs where nothing may be.
    Trespass { place: Coord },
}

/// What is measured: areas by all their rings, or lines.
pub struct Measured<'m> {
    areas: Vec<(Bounds, &'m Polygon)>,
    chains: Vec<(Bounds, &'m LineString)>,
    /// Of both; each edge once.
    edges: SegmentIndex,
    pub bounds: Bounds,
}

impl<'m> Measured<'m> {
    pub fn areas(areas: impl Iterator<Item = &'m Polygon>) -> Measured<'m> {
        let boxed = |area: &'m Polygon| (Bounds::of(&area.exterior().0), area);
        let areas: Vec<_> = areas.map(boxed).collect();
        let chains = areas.iter().flat_map(|(_, area)| rings(area)).collect();
        Measured::new(areas, chains)
    }

    pub fn lines(lines: impl Iterator<Item = &'m LineString>) -> Measured<'m> {
        Measured::new(vec![], lines.collect())
    }

    fn new(areas: Vec<(Bounds, &'m Polygon)>, chains: Vec<&'m LineString>) -> Measured<'m> {
        let bits = |c: Coord| [c.x.to_bits(), c.y.to_bits()];
        let mut seen = HashSet::new();
        let mut edges = Vec::new();
        let mut bounds = Bounds::EMPTY;
        for w in chains.iter().flat_map(|chain| chain.0.windows(2)) {
            // Pieces that lie side by side share their edges.
            let (one, other) = (bits(w[0]), bits(w[1]));
            if seen.insert((one.min(other), one.max(other))) {
                edges.push(Segment {
                    a: w[0],
                    b: w[1],
                    owner: 0,
                });
                bounds.add(w[0]);
                bounds.add(w[1]);
            }
        }
        let boxed = |chain: &'m LineString| (Bounds::of(&chain.0), chain);
        Measured {
            areas,
            chains: chains.into_iter().map(boxed).collect(),
            edges: SegmentIndex::new(edges),
            bounds,
        }
    }

    /// Whether every coordinate is a number.
    pub fn is_finite(&self) -> bool {
        let mut coords = self.chains.iter().flat_map(|(_, chain)| &chain.0);
        coords.all(|c| c.x.is_finite() && c.y.is_finite())
    }

    fn covers(&self, place: Coord) -> bool {
        let mut near = self
            .areas
            .iter()
            .filter(|(bounds, _)| bounds.distance(place) == 0.0);
        near.any(|(_, area)| inside_polygon(place, area))
    }

    /// Proves that nothing comes nearer to `kept` than asked, nor into `ground`, the feature's own. Gives what the
    /// nearest approach has to spare, if less than `look_m`.
    ///
    /// # Errors
    /// The first breach found.
    pub fn keep_from(
        &self,
        kept: &[Kept],
        ground: Option<&FeatureGround>,
        look_m: f64,
    ) -> Result<Option<f64>, Breach> {
        let mut spare_m: Option<f64> = None;
        let asks = |edge: &&Kept| edge.distance_m > TOLERANCE_M;
        for edge in kept.iter().filter(asks) {
            let within_m = edge.distance_m + spare_m.unwrap_or(look_m);
            let Some(found) = self.edges.approach(edge.a, edge.b, within_m) else {
                continue;
            };
            let here_m = found.distance - edge.distance_m;
            if here_m < -TOLERANCE_M {
                return Err(Breach::Near {
                    measured_m: found.distance,
                    required_m: edge.distance_m,
                    place: (edge.a + edge.b) / 2.0,
                });
            }
            spare_m = Some(here_m);
        }
        let mut before: Option<Coord> = None;
        for edge in kept {
            if asks(&edge) && before != Some(edge.a) && self.covers(edge.a) {
                return Err(Breach::Covers { place: edge.a });
            }
            before = asks(&edge).then_some(edge.b);
        }
        if let Some(ground) = ground {
            self.keep_out(ground, kept.iter().all(|edge| asks(&edge)))?;
        }
        Ok(spare_m)
    }

    /// `apart`: no boundary comes near that of `ground`, so each runs wholly inside it or outside.
    fn keep_out(&self, ground: &FeatureGround, apart: bool) -> Result<(), Breach> {
        let near = |bounds: &Bounds| bounds.meets(&ground.bounds);
        let chains = self.chains.iter().filter(|(bounds, _)| near(bounds));
        for (_, chain) in chains {
            if apart {
                let first = chain.0.first().copied();
                if let Some(place) = first.filter(|&first| ground.edges.holds(first)) {
                    return Err(Breach::Trespass { place });
                }
            } else if let Some(place) =
                off_limits(chain, &ground.edges, &|place| ground.edges.holds(place))
            {
                return Err(Breach::Trespass { place });
            }
        }
        if apart {
            return Ok(());
        }
        match ground.middles.iter().find(|&&middle| self.covers(middle)) {
            Some(&place) => Err(Breach::Covers { place }),
            None => Ok(()),
        }
    }

    /// Proves that everything lies inside `outline`.
    ///
    /// # Errors
    /// The first breach found.
    pub fn stay_in(&self, outline: &MultiPolygon) -> Result<(), Breach> {
        let edges = SegmentIndex::of_boundary(outline);
        let outside = |place| !edges.holds(place);
        for (_, chain) in &self.chains {
            if let Some(place) = off_limits(chain, &edges, &outside) {
                return Err(Breach::Trespass { place });
            }
        }
        let holes = outline.0.iter().flat_map(Polygon::interiors);
        let middles = holes.filter_map(|hole| deep_middle(&Polygon::new(hole.clone(), vec![])));
        match middles.into_iter().find(|&middle| self.covers(middle)) {
            Some(place) => Err(Breach::Covers { place }),
            None => Ok(()),
        }
    }
}

/// The ground of a feature, as far as it has to do with a window.
pub struct FeatureGround {
    /// Enough to tell of each place in the window whether it lies inside, and how near to the edge.
    edges: SegmentIndex,
    bounds: Bounds,
    /// A place well inside each member that the window could hold.
    middles: Vec<Coord>,
}

impl FeatureGround {
    /// Of polygons that do not overlap.
    pub fn near(window: &Bounds, polygons: &[Polygon]) -> FeatureGround {
        let window = window.grown(1.0);
        let mut edges = Vec::new();
        let mut bounds = Bounds::EMPTY;
        let mut middles = Vec::new();
        for polygon in polygons {
            let own = Bounds::of(&polygon.exterior().0);
            bounds.add(own.min);
            bounds.add(own.max);
            if window.holds(&own) {
                middles.extend(deep_middle(polygon));
            }
            // A ray from any place in the window to the right meets no other edge.
            edges.extend(polygon_segments(polygon).filter(|s| {
                s.a.x.max(s.b.x) >= window.min.x
                    && s.a.y.max(s.b.y) >= window.min.y
                    && s.a.y.min(s.b.y) <= window.max.y
            }));
        }
        FeatureGround {
            edges: SegmentIndex::new(edges),
            bounds,
            middles,
        }
    }
}

/// A place inside a polygon farther than the tolerance from its edge; None: it is as good as no ground.
fn deep_middle(polygon: &Polygon) -> Option<Coord> {
    let middle = polygon.interior_point()?.0;
    polygon_segments(polygon)
        .all(|s| point_segment(middle, s.a, s.b) > TOLERANCE_M)
        .then_some(middle)
}

/// A place of `chain` where it is `bad` to be, farther than the tolerance from the border between good and bad.
fn off_limits(
    chain: &LineString,
    border: &SegmentIndex,
    bad: &impl Fn(Coord) -> bool,
) -> Option<Coord> {
    // As long as no border comes near, one place tells of all that hangs together.
    let mut known_good = false;
    for w in chain.0.windows(2) {
        if border.approach(w[0], w[1], TOLERANCE_M).is_some() {
            known_good = false;
            let found = halved(w[0], w[1], border, bad);
            if found.is_some() {
                return found;
            }
        } else if !known_good {
            let middle = (w[0] + w[1]) / 2.0;
            if bad(middle) {
                return Some(middle);
            }
            known_good = true;
        }
    }
    None
}

/// As [`off_limits`], of one edge that comes near the border.
fn halved(
    a: Coord,
    b: Coord,
    border: &SegmentIndex,
    bad: &impl Fn(Coord) -> bool,
) -> Option<Coord> {
    // The distance from one segment is greatest at an end.
    let along = |s: &&Segment| {
        point_segment(a, s.a, s.b) <= TOLERANCE_M && point_segment(b, s.a, s.b) <= TOLERANCE_M
    };
    let middle = (a + b) / 2.0;
    if border.approach(a, b, TOLERANCE_M).is_none() {
        return bad(middle).then_some(middle);
    }
    let d = b - a;
    if d.x.hypot(d.y) < SHORTEST_M || border.near(a, b, TOLERANCE_M).any(|s| along(&s)) {
        return None;
    }
    halved(a, middle, border, bad).or_else(|| halved(middle, b, border, bad))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn ring(points: &[(f64, f64)]) -> LineString {
        let mut ring = LineString::from(points.to_vec());
        ring.close();
        ring
    }

    fn square(x: f64, y: f64, side: f64) -> Polygon {
        let corners = [(x, y), (x + side, y), (x + side, y + side), (x, y + side)];
        Polygon::new(ring(&corners), vec![])
    }

    fn line(points: &[(f64, f64)], distance_m: f64) -> Vec<Kept> {
        let edge = |w: &[(f64, f64)]| Kept {
            a: w[0].into(),
            b: w[1].into(),
            distance_m,
        };
        points.windows(2).map(edge).collect()
    }

    fn outline(polygon: &Polygon, distance_m: f64) -> Vec<Kept> {
        let kept = |s: Segment| Kept {
            a: s.a,
            b: s.b,
            distance_m,
        };
        polygon_segments(polygon).map(kept).collect()
    }

    fn keep(
        cut: &[Polygon],
        kept: &[Kept],
        ground: Option<&[Polygon]>,
    ) -> Result<Option<f64>, Breach> {
        let cut = Measured::areas(cut.iter());
        let ground = ground.map(|polygons| FeatureGround::near(&cut.bounds, polygons));
        cut.keep_from(kept, ground.as_ref(), 20.0)
    }

    #[test]
    fn what_lies_inside_a_piece_is_found_however_far_its_edge() {
        let cut = [square(0.0, 0.0, 100.0)];
        // A spring and a short stream in the middle of what is cut: no boundary comes near them.
        for stream in [[(50., 50.), (50., 50.)], [(50., 50.), (52., 51.)]] {
            let breach = keep(&cut, &line(&stream, 10.0), None);
            assert!(matches!(breach, Err(Breach::Covers { .. })), "{breach:?}");
        }
        let beside = keep(&cut, &line(&[(112., 0.), (112., 90.)], 10.0), None);
        assert_eq!(beside, Ok(Some(2.0)));
        let far = keep(&cut, &line(&[(212., 0.), (212., 90.)], 10.0), None);
        assert_eq!(far, Ok(None));
        let short = keep(&cut, &line(&[(109.9, 0.), (109.9, 90.)], 10.0), None);
        assert!(matches!(short, Err(Breach::Near { .. })), "{short:?}");
        let rounding = keep(&cut, &line(&[(109.9995, 0.), (109.9995, 90.)], 10.0), None);
        assert!(rounding.is_ok());
        // In a hole of what is cut it is kept.
        let hole = square(30.0, 30.0, 40.0).exterior().clone();
        let holed = [Polygon::new(cut[0].exterior().clone(), vec![hole])];
        let kept = keep(&holed, &line(&[(50., 50.), (52., 51.)], 10.0), None);
        assert_eq!(kept, Ok(Some(8.0)));
    }

    #[test]
    fn a_lake_is_kept_with_and_without_a_distance() {
        let lake = [square(0.0, 0.0, 200.0)];
        let within = [square(90.0, 90.0, 20.0)];
        for distance_m in [0.0, 10.0] {
            let found = keep(&within, &outline(&lake[0], distance_m), Some(&lake));
            assert!(matches!(found, Err(Breach::Trespass { .. })), "{found:?}");
            let same = keep(&lake, &outline(&lake[0], distance_m), Some(&lake));
            assert!(same.is_err(), "{same:?}");
            let around = [square(-50.0, -50.0, 300.0)];
            let covered = keep(&around, &outline(&lake[0], distance_m), Some(&lake));
            assert!(
                matches!(covered, Err(Breach::Covers { .. })),
                "{distance_m} {covered:?}"
            );
        }
        let kept = |cut: Polygon| keep(&[cut], &outline(&lake[0], 0.0), Some(&lake));
        assert!(kept(square(200.0, 0.0, 50.0)).is_ok());
        assert!(kept(square(199.9995, 0.0, 50.0)).is_ok());
        assert!(kept(square(199.99, 0.0, 50.0)).is_err());
        // Both corners at the shore, the edge between them across the water.
        let across = Polygon::new(ring(&[(100., 0.), (200., 100.), (250., -50.)]), vec![]);
        assert!(kept(across).is_err());
    }

    #[test]
    fn a_strip_across_a_bay_leaves_the_block_though_its_corners_do_not() {
        let block = ring(&[
            (0., 0.),
            (100., 0.),
            (100., 100.),
            (60., 100.),
            (60., 20.),
            (40., 20.),
            (40., 100.),
            (0., 100.),
        ]);
        let block = MultiPolygon(vec![Polygon::new(block, vec![])]);
        let stays = |piece: &Polygon| Measured::areas(std::iter::once(piece)).stay_in(&block);
        let strip = |y: f64| {
            Polygon::new(
                ring(&[(10., y), (90., y), (90., y + 9.), (10., y + 9.)]),
                vec![],
            )
        };
        assert_eq!(stays(&strip(5.0)), Ok(()));
        assert!(stays(&strip(50.0)).is_err());
        assert_eq!(stays(&block.0[0]), Ok(()));
        let holed = Polygon::new(
            block.0[0].exterior().clone(),
            vec![ring(&[(5., 5.), (5., 9.), (9., 9.), (9., 5.)])],
        );
        let holed = MultiPolygon(vec![holed]);
        let whole = Measured::areas(block.0.iter()).stay_in(&holed);
        assert!(matches!(whole, Err(Breach::Covers { .. })), "{whole:?}");
        assert_eq!(Measured::areas(holed.0.iter()).stay_in(&holed), Ok(()));
    }

    proptest! {
        /// Against many sampled places of the piece.
        #[test]
        fn no_sampled_place_is_nearer_than_what_was_proved(
            corners in prop::collection::vec((0.0..60.0f64, 0.0..60.0f64), 3),
            points in prop::collection::vec((-20.0..80.0f64, -20.0..80.0f64), 2..5),
            distance_m in 0.5..20.0f64,
        ) {
            let mut piece = Polygon::new(ring(&corners), vec![]);
            if super::super::area::ring_area(piece.exterior()) < 0.0 {
                piece.exterior_mut(|ring| ring.0.reverse());
            }
            let kept = line(&points, distance_m);
            let proved = keep(std::slice::from_ref(&piece), &kept, None);
            let mut nearest = f64::INFINITY;
            for i in 0..=60 {
                for j in 0..=60 - i {
                    let (u, v) = (f64::from(i) / 60.0, f64::from(j) / 60.0);
                    let place = Coord {
                        x: corners[0].0 * u + corners[1].0 * v + corners[2].0 * (1.0 - u - v),
                        y: corners[0].1 * u + corners[1].1 * v + corners[2].1 * (1.0 - u - v),
                    };
                    for edge in &kept {
                        nearest = nearest.min(point_segment(place, edge.a, edge.b));
                    }
                }
            }
            // Samples lie at most 1.5 m apart, so a proof fails only where one is that near.
            match proved {
                Ok(spare_m) => {
                    prop_assert!(nearest >= distance_m - TOLERANCE_M);
                    prop_assert!(spare_m.is_none_or(|spare_m| nearest >= distance_m + spare_m - 1e-9));
                }
                Err(_) => prop_assert!(nearest < distance_m + 2.0, "{nearest}"),
            }
        }
    }
}
