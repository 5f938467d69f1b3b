//! What ground a machine may drive over, and when: roads at any time, the rest once it is cut.

use std::cell::OnceCell;
use std::collections::BTreeMap;

use geo::{Coord, MultiPolygon, Polygon};

use super::felled::crossing;
use super::travel::Leg;
use crate::geometry::area::{Bounds, rings};
use crate::geometry::box_tree::BoxTree;
use crate::geometry::distance::{
    Segment, SegmentIndex, inside_polygon, line_segments, places_along, point_segment,
    polygon_segments, segment_segment,
};

/// Legs that must be cut before a straight way may be driven, with metres over the ground of each; None where it leads over
/// ground that is never cut.
pub type Needs = Option<Box<[(usize, f64)]>>;

/// A line that leads to other ground ends so far on it, just short of what counts as running over it.
const ONTO_M: f64 = 1.9;
/// Whether ground is reached is asked at places this far apart along its edge.
const EDGE_STEP_M: f64 = 3.0;
/// On ground that several legs cut, the nearest of them is asked for at places this far apart.
const STEP_M: f64 = 1.0;
/// What a line runs over for fewer metres is no more than touched.
const OVER_M: f64 = 1.0;
/// Shorter stretches of a way over other ground, and other ground beside it no farther off, are rounding of edges.
const HAIR_M: f64 = 0.02;

/// A piece of ground that is cut.
pub struct Piece {
    pub shape: Polygon,
    /// Legs that cut it.
    pub legs: Vec<usize>,
}

/// All ground that is or will be open, and what opens it.
pub struct OpenGround {
    /// How far the machine reaches from its line; infinite where nobody says.
    reach_m: f64,
    /// Everything that may be driven in the end, standing trees aside.
    pub whole: MultiPolygon,
    pieces: Vec<Piece>,
    lines: Vec<geo::LineString>,
    /// Segments of each line, made when first asked.
    on_lines: Vec<OnceCell<SegmentIndex>>,
    /// Pieces by their boxes, and the outlines of those with many corners.
    tree: BoxTree,
    outlines: Vec<Option<SegmentIndex>>,
    /// Ground that is open from the beginning.
    free: SegmentIndex,
    free_box: Bounds,
}

/// A straight way among what lies beside it.
struct Beside {
    /// Whether all of it is free; None where it may be here and there.
    is_free: Option<bool>,
    /// Pieces that hold some of it, by their numbers; Some(true): all of it.
    pieces: Vec<(usize, Option<bool>)>,
    /// Shares of the way at which it comes from one ground to another, in order, from 0 to 1.
    cuts: Vec<f64>,
}

/// What opens a place.
enum Opener<'p> {
    Free,
    /// The nearest of the legs that cut it.
    Cut(&'p [usize]),
    Never,
}

/// Outlines with more corners than this are indexed.
const MANY: usize = 40;
/// Lines with more are, too.
const SHORT: usize = 16;

impl OpenGround {
    /// `free` ground is open from the beginning: roads, and what lies between them and the block.
    pub fn new(
        whole: MultiPolygon,
        pieces: Vec<Piece>,
        legs: &[Leg],
        free: MultiPolygon,
    ) -> OpenGround {
        let boxes = pieces.iter();
        let boxes: Vec<Bounds> = boxes
            .map(|piece| Bounds::of(&piece.shape.exterior().0))
            .collect();
        let many =
            |piece: &Piece| rings(&piece.shape).map(|ring| ring.0.len()).sum::<usize>() > MANY;
        let outline = |piece: &Piece| {
            many(piece).then(|| SegmentIndex::new(polygon_segments(&piece.shape).collect()))
        };
        OpenGround {
            reach_m: f64::INFINITY,
            whole,
            lines: legs.iter().map(|leg| leg.line.clone()).collect(),
            on_lines: legs.iter().map(|_| OnceCell::new()).collect(),
            tree: BoxTree::new(&boxes),
            outlines: pieces.iter().map(outline).collect(),
            pieces,
            free_box: Bounds::of_polygons(&free),
            free: SegmentIndex::of_boundary(&free),
        }
    }

    /// What can be said of a straight way as a whole: most run in the open, or past no edge.
    fn beside(&self, a: Coord, b: Coord) -> Beside {
        let bounds = Bounds::of(&[a, b]);
        let middle = (a + b) / 2.0;
        let mut cuts = vec![0.0, 1.0];
        let mut crossed = |s: &Segment| {
            if segment_segment(a, b, s.a, s.b) == 0.0 {
                cuts.push(crossing(a, b, s.a, s.b));
            }
        };
        let is_free = match self.free_box.meets(&bounds) {
            false => Some(false),
            true => {
                let mut is_beside = false;
                for edge in self.free.near(a, b, 0.0) {
                    is_beside = true;
                    crossed(edge);
                }
                // Without an edge beside it all of the way is in or all of it is out.
                (!is_beside).then(|| self.free.holds(middle))
            }
        };
        let mut pieces: Vec<(usize, Option<bool>)> = Vec::new();
        for index in self.tree.meeting(bounds) {
            let mut is_beside = false;
            let mut look_at = |s: &Segment| {
                is_beside = true;
                crossed(s);
            };
            match &self.outlines[index] {
                Some(outline) => outline.near(a, b, 0.0).for_each(&mut look_at),
                None => polygon_segments(&self.pieces[index].shape)
                    .filter(|s| Bounds::of(&[s.a, s.b]).meets(&bounds))
                    .for_each(|s| look_at(&s)),
            }
            let holds = (!is_beside).then(|| self.holds(index, middle));
            if holds != Some(false) {
                pieces.push((index, holds));
            }
        }
        pieces.sort_unstable();
        cuts.sort_unstable_by(f64::total_cmp);
        Beside {
            is_free,
            pieces,
            cuts,
        }
    }

    fn holds(&self, piece: usize, at: Coord) -> bool {
        match &self.outlines[piece] {
            Some(outline) => outline.holds(at),
            None => inside_polygon(at, &self.pieces[piece].shape),
        }
    }

    fn opener(&self, at: Coord, beside: &Beside) -> Opener<'_> {
        let is_free = || self.free_box.meets(&Bounds::of(&[at])) && self.free.holds(at);
        if beside.is_free.unwrap_or_else(is_free) {
            return Opener::Free;
        }
        let holds =
            |&&(piece, all): &&(usize, Option<bool>)| all.unwrap_or_else(|| self.holds(piece, at));
        match beside.pieces.iter().find(holds) {
            Some(&(piece, _)) => Opener::Cut(&self.pieces[piece].legs),
            None => Opener::Never,
        }
    }

    fn nearest(&self, legs: &[usize], at: Coord) -> Option<usize> {
        let off_m = |leg: usize| {
            let line = &self.lines[leg];
            if line.0.len() <= SHORT {
                let each = line.0.windows(2).map(|w| point_segment(at, w[0], w[1]));
                return each.fold(f64::INFINITY, f64::min);
            }
            let segments = || line_segments(std::slice::from_ref(line), 0).collect();
            let index = self.on_lines[leg].get_or_init(|| SegmentIndex::new(segments()));
            index.distance(at, f64::INFINITY).unwrap_or(f64::INFINITY)
        };
        let nearest = legs.iter().map(|&leg| (off_m(leg), leg));
        let nearest = nearest.min_by(|a, b| a.0.total_cmp(&b.0));
        nearest.map(|(_, leg)| leg)
    }

    /// Visits the legs that open a straight way, with metres of it; a stretch that none ever does has no leg. Stops where
    /// `on` says so.
    fn walk(&self, a: Coord, b: Coord, mut on: impl FnMut(Option<usize>, f64) -> bool) {
        let beside = self.beside(a, b);
        if beside.is_free == Some(true) {
            return;
        }
        let way = b - a;
        let way_m = way.x.hypot(way.y);
        let aside = Coord {
            x: -way.y,
            y: way.x,
        } * (HAIR_M / way_m.max(HAIR_M));
        for cut in beside.cuts.windows(2) {
            let stretch_m = (cut[1] - cut[0]) * way_m;
            // A way of no length stands somewhere all the same.
            if stretch_m <= HAIR_M && way_m > HAIR_M {
                continue;
            }
            let middle = a + way * ((cut[0] + cut[1]) / 2.0);
            // On an edge it is no matter which side holds a place.
            let opener = [middle, middle + aside, middle - aside]
                .into_iter()
                .map(|at| self.opener(at, &beside))
                .find(|opener| !matches!(opener, Opener::Never));
            let go_on = match opener {
                Some(Opener::Free) => true,
                Some(Opener::Cut(&[only])) => on(Some(only), stretch_m),
                Some(Opener::Cut(legs)) => {
                    let count = (stretch_m / STEP_M).ceil().max(1.0);
                    (0..count as u32).all(|k| {
                        let share = (f64::from(k) + 0.5) / count;
                        let at = a + way * (cut[0] + (cut[1] - cut[0]) * share);
                        on(self.nearest(legs, at), stretch_m / count)
                    })
                }
                Some(Opener::Never) | None => on(None, stretch_m),
            };
            if !go_on {
                return;
            }
        }
    }

    /// Other legs over whose ground the line of a leg runs for more than [`OVER_M`], with metres.
    pub fn runs_over(&self, leg: usize) -> Vec<(usize, f64)> {
        let mut metres: BTreeMap<usize, f64> = BTreeMap::new();
        for w in self.lines[leg].0.windows(2) {
            self.walk(w[0], w[1], |other, over_m| {
                if let Some(other) = other {
                    *metres.entry(other).or_default() += over_m;
                }
                true
            });
        }
        let over = |&(other, metres): &(usize, f64)| other != leg && metres > OVER_M;
        metres.into_iter().filter(over).collect()
    }

    pub fn with_reach(mut self, reach_m: f64) -> OpenGround {
        self.reach_m = reach_m;
        self
    }

    /// A leg's line from one of its ends up to and [`ONTO_M`] onto the ground of another, and the rest, where that leads over
    /// nothing else; None where it does, or comes to none, or where corners of its own ground would be out of reach:
    /// `is_shared` where the other line counts for them, too.
    pub fn parted_at(
        &self,
        (leg, end): (usize, usize),
        (other, is_shared): (usize, bool),
    ) -> Option<[geo::LineString; 2]> {
        let mut line = self.lines[leg].clone();
        if end == 1 {
            line.0.reverse();
        }
        let [a, b] = line.0[..] else {
            return None;
        };
        let (mut along_m, mut from_m, mut astray_m) = (0.0, None, 0.0);
        self.walk(a, b, |ground, over_m| {
            if ground == Some(other) {
                from_m.get_or_insert(along_m);
            } else if from_m.is_some() {
                astray_m += over_m;
            }
            along_m += over_m;
            true
        });
        let whole_m = (b - a).x.hypot((b - a).y);
        // On by a little, for the corners of its own ground.
        let own_m = (from_m? + ONTO_M).min(whole_m);
        let at = a + (b - a) * (own_m / whole_m);
        let parted = [vec![a, at], vec![at, b]].map(geo::LineString);
        let reaches = |piece: &Piece, place: Coord| {
            let reached = |w: &[Coord]| point_segment(place, w[0], w[1]) <= self.reach_m;
            let others = piece.legs.iter().filter(|&&own| own != leg);
            let others = others.chain(is_shared.then_some(&other));
            let mut others = others.flat_map(|&leg| self.lines[leg].0.windows(2));
            reached(&[a, at]) || !reached(&[a, b]) || others.any(reached)
        };
        let own = self.pieces.iter().filter(|piece| piece.legs.contains(&leg));
        let mut places = own.flat_map(|piece| {
            let edges = piece.shape.exterior().0.windows(2);
            edges.flat_map(move |w| {
                places_along(w[0], w[1], EDGE_STEP_M).map(move |place| (piece, place))
            })
        });
        let is_clear = astray_m <= OVER_M && along_m > whole_m - OVER_M && at != a;
        (is_clear && places.all(|(piece, place)| reaches(piece, place))).then_some(parted)
    }

    pub fn needs(&self, a: Coord, b: Coord) -> Needs {
        let mut legs: Vec<(usize, f64)> = Vec::new();
        let mut is_open = true;
        self.walk(a, b, |leg, over_m| {
            match leg {
                Some(leg) => match legs.iter_mut().find(|(held, _)| *held == leg) {
                    Some((_, metres)) => *metres += over_m,
                    None => legs.push((leg, over_m)),
                },
                None => is_open = false,
            }
            is_open
        });
        is_open.then(|| legs.into())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

    fn rectangle(x0: f64, x1: f64) -> Polygon {
        let ring = vec![(x0, 0.), (x1, 0.), (x1, 10.), (x0, 10.), (x0, 0.)];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn ground(cut: &[(f64, f64)]) -> OpenGround {
        let legs: Vec<Leg> = (cut.iter())
            .map(|&(x0, x1)| Leg {
                line: LineString::from(vec![(x0, 5.), (x1, 5.)]),
                kind: crate::layout::travel::LegKind::Strip,
            })
            .collect();
        let pieces = cut.iter().enumerate().map(|(leg, &(x0, x1))| Piece {
            shape: rectangle(x0, x1),
            legs: vec![leg],
        });
        let none = MultiPolygon(vec![]);
        OpenGround::new(
            MultiPolygon(vec![rectangle(0., 20.)]),
            pieces.collect(),
            &legs,
            none,
        )
    }

    #[test]
    fn ground_that_a_way_crosses_for_less_than_a_metre_is_found() {
        let (a, b) = (Coord { x: 1., y: 5. }, Coord { x: 19., y: 5. });
        let all = ground(&[(0., 8.1), (8.1, 8.4), (8.4, 20.)]).needs(a, b);
        let all: Vec<(usize, f64)> = all.unwrap().to_vec();
        assert_eq!(
            all.iter().map(|(leg, _)| *leg).collect::<Vec<_>>(),
            [0, 1, 2]
        );
        for ((_, metres), wanted) in all.iter().zip([7.1, 0.3, 10.6]) {
            assert!((metres - wanted).abs() < 1e-9, "{all:?}");
        }
        // What is never cut bars it, but for a rounding.
        assert!(ground(&[(0., 8.1), (8.4, 20.)]).needs(a, b).is_none());
        assert!(ground(&[(0., 8.1), (8.11, 20.)]).needs(a, b).is_some());
    }

    #[test]
    fn a_line_is_not_parted_where_a_corner_would_be_out_of_reach() {
        let mut open = ground(&[(0., 10.), (10., 20.)]).with_reach(4.6);
        open.lines[0] = LineString::from(vec![(1., 5.), (19., 5.)]);
        // 1.9 m onto other ground its corner would be 5 m off.
        open.pieces[0].shape = Polygon::new(
            LineString::from(vec![(0., 0.), (10., 0.), (21., 1.), (10., 10.), (0., 10.)]),
            vec![],
        );
        open.lines[1] = LineString::from(vec![(12., 9.), (19., 9.)]);
        assert!(open.parted_at((0, 0), (1, true)).is_none());
        open.lines[1] = LineString::from(vec![(12., 2.), (19., 2.)]);
        assert!(open.parted_at((0, 0), (1, true)).is_some());
        assert!(open.parted_at((0, 0), (1, false)).is_none());
    }

    /// Strip 0 runs 4 m on over ground of 1, as beside an oblique end; 1 comes to no ground of 0, and 0 leads over nothing else.
    #[test]
    fn a_line_is_parted_a_little_beyond_where_other_ground_begins() {
        let mut open = ground(&[(0., 10.), (10., 20.)]);
        open.lines[0] = LineString::from(vec![(1., 5.), (14., 5.)]);
        let [own, rest] = open.parted_at((0, 0), (1, true)).unwrap();
        assert_eq!(own.0[0], Coord { x: 1., y: 5. });
        assert!((own.0[1].x - 11.9).abs() < 1e-9, "{own:?}");
        assert_eq!((rest.0[0], rest.0[1].x), (own.0[1], 14.0));
        // The other way round it begins there, and leads over its own ground after it.
        assert!(open.parted_at((0, 1), (1, true)).is_none());
        assert!(open.parted_at((1, 0), (0, true)).is_none());
    }
}
