//! What ways between jobs cost, depending on which of them are done: the network of travel, without what makes no difference to
//! that.

use std::collections::{BTreeMap, BinaryHeap};

use super::travel::{Edge, Network, Over};
use crate::geometry::nearest_first::Queued;

/// Jobs that must be done before, a bit for each; None: no job opens this.
type Needs = Option<u128>;

struct Link {
    to: usize,
    length_m: f64,
    needs: u128,
}

/// A last stretch to a place, over ground that is cut from there.
struct Landing {
    place: usize,
    length_m: f64,
    needs: u128,
}

/// Roads and passes between places at which legs may be begun.
pub struct TaskWays {
    /// Of each node of the network the one here, if it is kept.
    node_at: BTreeMap<usize, usize>,
    links: Vec<Vec<Link>>,
    landings: Vec<Vec<Landing>>,
    /// Where each place is.
    places: Vec<usize>,
    queue: BinaryHeap<Queued<usize>>,
    length_m: Vec<f64>,
}

impl TaskWays {
    /// `places` are nodes, each with the leg that is begun there; `from` nodes from which ways are asked for. `opens` gives the
    /// job by which a leg is cut, None where none does, and `cut` what is cut already.
    pub fn new(
        network: &Network<'_>,
        places: &[(usize, usize)],
        from: &[usize],
        cut: &[bool],
        opens: impl Fn(usize) -> Option<usize>,
    ) -> TaskWays {
        let needs_of = |leg: usize| -> Needs {
            match cut[leg] {
                true => Some(0),
                false => opens(leg).map(|job| 1 << job),
            }
        };
        let mut asked: Vec<usize> = places.iter().map(|&(node, _)| node).collect();
        asked.extend(from);
        asked.sort_unstable();
        asked.dedup();
        let is_asked = |node: usize| asked.binary_search(&node).is_ok();
        let is_kept = |node: usize| !network.is_strip_end(node) || is_asked(node);
        let own = |node: usize| network.fixed(node).filter(|edge| is_kept(edge.to));
        // Between two stretches of one line a node makes no difference.
        let is_between = |node: usize| {
            let mut edges = own(node);
            let (Some(a), Some(b), None) = (edges.next(), edges.next(), edges.next()) else {
                return false;
            };
            let same = match (&a.over, &b.over) {
                (Over::Leg(a), Over::Leg(b)) => a == b,
                (Over::Road, Over::Road) => true,
                _ => false,
            };
            same && a.to != b.to && !is_asked(node)
        };
        let kept = (0..network.nodes_count()).filter(|&node| is_kept(node) && !is_between(node));
        let node_at: BTreeMap<usize, usize> = kept
            .enumerate()
            .map(|(place, node)| (node, place))
            .collect();
        let mut ways = TaskWays {
            links: node_at.iter().map(|_| vec![]).collect(),
            landings: node_at.iter().map(|_| vec![]).collect(),
            places: places.iter().map(|(node, _)| node_at[node]).collect(),
            queue: BinaryHeap::new(),
            length_m: vec![],
            node_at,
        };
        for (&node, &at) in &ways.node_at {
            for edge in own(node) {
                if let Over::Ground(_) = edge.over {
                    let (link, landings) =
                        over_ground(network, (node, edge), places, &needs_of, &ways.node_at);
                    ways.links[at].extend(link);
                    ways.landings[at].extend(landings);
                    continue;
                }
                let needs = match edge.over {
                    Over::Leg(leg) => needs_of(leg),
                    _ => Some(0),
                };
                let Some(needs) = needs else {
                    continue;
                };
                let (mut before, mut to, mut length_m) = (node, edge.to, edge.length_m);
                while !ways.node_at.contains_key(&to) {
                    let Some(next) = own(to).find(|next| next.to != before) else {
                        break;
                    };
                    (before, to, length_m) = (to, next.to, length_m + next.length_m);
                }
                if let Some(&to) = ways.node_at.get(&to) {
                    ways.links[at].push(Link {
                        to,
                        length_m,
                        needs,
                    });
                }
            }
        }
        ways
    }

    /// Metres to each place from the nearest of some nodes, each with metres to it, once the jobs `done` are; infinite where
    /// nothing leads there then.
    pub fn metres(&mut self, from: &[(usize, f64)], done: u128) -> Vec<f64> {
        self.length_m.clear();
        self.length_m.resize(self.links.len(), f64::INFINITY);
        self.queue.clear();
        for &(node, length_m) in from {
            let Some(&at) = self.node_at.get(&node) else {
                continue;
            };
            if length_m < self.length_m[at] {
                self.length_m[at] = length_m;
                self.queue.push(Queued(length_m, at));
            }
        }
        let mut landed = vec![f64::INFINITY; self.places.len()];
        while let Some(Queued(so_far, at)) = self.queue.pop() {
            if so_far > self.length_m[at] {
                continue;
            }
            let links = self.links[at].iter().filter(|link| link.needs & !done == 0);
            for link in links {
                let length_m = so_far + link.length_m;
                if length_m < self.length_m[link.to] {
                    self.length_m[link.to] = length_m;
                    self.queue.push(Queued(length_m, link.to));
                }
            }
            let landings = self.landings[at].iter();
            for landing in landings.filter(|landing| landing.needs & !done == 0) {
                let least_m = &mut landed[landing.place];
                *least_m = least_m.min(so_far + landing.length_m);
            }
        }
        let through = self.places.iter().map(|&at| self.length_m[at]);
        through.zip(landed).map(|(a, b)| a.min(b)).collect()
    }
}

/// An edge straight over ground as it is for going on, and for places where it ends on what is cut from there.
fn over_ground(
    network: &Network<'_>,
    (node, edge): (usize, &Edge),
    places: &[(usize, usize)],
    needs_of: &impl Fn(usize) -> Needs,
    node_at: &BTreeMap<usize, usize>,
) -> (Option<Link>, Vec<Landing>) {
    let Some((&to, legs)) = node_at.get(&edge.to).zip(network.needs_of(node, edge)) else {
        return (None, vec![]);
    };
    let all = |goal: Option<usize>| {
        let mut legs = legs.iter();
        legs.try_fold(0, |all, &(leg, over_m)| {
            match network.is_onto(leg, over_m, goal) {
                true => Some(all),
                false => needs_of(leg).map(|needs| all | needs),
            }
        })
    };
    let length_m = edge.length_m;
    let link = all(None).map(|needs| Link {
        to,
        length_m,
        needs,
    });
    let here = (0..places.len()).filter(|&place| places[place].0 == edge.to);
    let landings = here.filter_map(|place| {
        let needs = all(Some(places[place].1))?;
        (Some(needs) != link.as_ref().map(|link| link.needs)).then_some(Landing {
            place,
            length_m,
            needs,
        })
    });
    let landings = landings.collect();
    (link, landings)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::open_ground::{OpenGround, Piece};
    use crate::layout::travel::{Leg, LegKind, Scratch};
    use geo::{LineString, MultiPolygon, Polygon};

    fn rectangle(x: [f64; 2], y: [f64; 2]) -> Polygon {
        let ring = [
            (x[0], y[0]),
            (x[1], y[0]),
            (x[1], y[1]),
            (x[0], y[1]),
            (x[0], y[0]),
        ];
        Polygon::new(LineString::from(ring.to_vec()), vec![])
    }

    #[test]
    fn ways_open_as_jobs_are_done_and_are_as_long_as_those_that_are_driven() {
        let leg = |points: [(f64, f64); 2], kind| Leg {
            line: LineString::from(points.to_vec()),
            kind,
        };
        // A road, a pass that goes up from it, one that goes on from there, and two strips below that.
        let legs = [
            leg([(20., 10.), (20., 90.)], LegKind::Pass),
            leg([(36., 90.), (120., 90.)], LegKind::Pass),
            leg([(60., 72.), (60., 30.)], LegKind::Strip),
            leg([(77., 72.), (77., 30.)], LegKind::Strip),
            leg([(0., 0.), (200., 0.)], LegKind::Road),
        ];
        let shapes = [
            rectangle([5., 35.], [5., 100.]),
            rectangle([35., 130.], [80., 100.]),
            rectangle([51.5, 68.5], [25., 80.]),
            rectangle([68.5, 85.5], [25., 80.]),
        ];
        let pieces = (0..).zip(shapes).map(|(leg, shape)| Piece {
            shape,
            legs: vec![leg],
        });
        let whole = MultiPolygon(vec![rectangle([0., 200.], [-5., 100.])]);
        let free = MultiPolygon(vec![rectangle([0., 200.], [-5., 5.])]);
        let open = OpenGround::new(whole, pieces.collect(), &legs, free);
        let network = Network::new(&legs, &open, (&MultiPolygon(vec![]), 0.0), 16.8);
        let places: Vec<(usize, usize)> = (0..4)
            .flat_map(|leg| [0, 1].map(|end| (network.end((leg, end)), leg)))
            .collect();
        let start = network.end((4, 0));
        // Both strips are one job.
        let mut ways = TaskWays::new(&network, &places, &[start], &[false; 5], |leg| {
            Some(leg.min(2))
        });
        let mut scratch = Scratch::default();
        let mut counts = vec![];
        for done in [0b000, 0b001, 0b011] {
            let cut: Vec<bool> = (0..5)
                .map(|leg: usize| done >> leg.min(3) & 1 == 1)
                .collect();
            let metres = ways.metres(&[(start, 0.0)], done);
            for (&(node, leg), own_m) in places.iter().zip(&metres) {
                let way = network.way(&mut scratch, &cut, start, (node, leg));
                let driven_m = way.map_or(f64::INFINITY, |way| way.length_m);
                let same = own_m == &driven_m || (own_m - driven_m).abs() < 1e-9;
                assert!(same, "{done:b}, leg {leg}: {own_m} instead of {driven_m}");
            }
            counts.push(metres.iter().filter(|m| m.is_finite()).count());
        }
        assert!(counts[0] < counts[1] && counts[1] < counts[2], "{counts:?}");
        let in_the_end = ways.metres(&[(start, 0.0)], u128::MAX);
        assert!(in_the_end.iter().all(|m| m.is_finite()), "{in_the_end:?}");
    }
}
