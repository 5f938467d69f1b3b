//! Boxes in a tree that is built once and lies flat: each box is followed by all that lies in it, and knows where that ends.

use geo::Coord;

use super::area::Bounds;

/// Boxes in one box above them.
const FAN: usize = 4;
/// What is no leaf has no number.
const INNER: u32 = u32::MAX;

#[derive(Clone, Copy, Debug)]
pub struct Node {
    pub bounds: Bounds,
    /// The first node that does not lie in this one.
    pub next: u32,
    leaf: u32,
}

impl Node {
    /// The number of the box; None: others lie in it.
    pub fn leaf(&self) -> Option<usize> {
        (self.leaf != INNER).then_some(self.leaf as usize)
    }
}

/// Boxes by where they lie.
#[derive(Clone, Debug, Default)]
pub struct BoxTree {
    nodes: Vec<Node>,
}

impl BoxTree {
    pub fn new(boxes: &[Bounds]) -> BoxTree {
        let mut order: Vec<u32> = (0..boxes.len() as u32).collect();
        if boxes.len() > FAN {
            order = along_curve(boxes);
        }
        let mut tree = BoxTree {
            nodes: Vec::with_capacity(boxes.len() + boxes.len() / (FAN - 1) + 1),
        };
        if !order.is_empty() {
            tree.add(boxes, &order);
        }
        tree
    }

    /// Adds a node over leaves that follow one another; gives its place.
    fn add(&mut self, boxes: &[Bounds], order: &[u32]) -> usize {
        let place = self.nodes.len();
        self.nodes.push(Node {
            bounds: Bounds::EMPTY,
            next: 0,
            leaf: INNER,
        });
        let mut bounds = Bounds::EMPTY;
        if let [only] = *order {
            bounds = boxes[only as usize];
            self.nodes[place].leaf = only;
        } else {
            let mut each = 1;
            while each * FAN < order.len() {
                each *= FAN;
            }
            for own in order.chunks(each) {
                let child = self.add(boxes, own);
                let own = self.nodes[child].bounds;
                bounds.add(own.min);
                bounds.add(own.max);
            }
        }
        self.nodes[place].bounds = bounds;
        self.nodes[place].next = self.nodes.len() as u32;
        place
    }

    /// All, each before what lies in it.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// Around everything; empty where nothing is.
    pub fn bounds(&self) -> Bounds {
        self.nodes.first().map_or(Bounds::EMPTY, |root| root.bounds)
    }

    /// Numbers of the boxes that a box meets, in the tree's order.
    pub fn meeting(&self, wanted: Bounds) -> impl Iterator<Item = usize> + '_ {
        let mut at = 0;
        std::iter::from_fn(move || {
            while let Some(node) = self.nodes.get(at) {
                if !node.bounds.meets(&wanted) {
                    at = node.next as usize;
                    continue;
                }
                at += 1;
                if let Some(leaf) = node.leaf() {
                    return Some(leaf);
                }
            }
            None
        })
    }
}

/// Numbers of boxes in the order in which a Hilbert curve comes past their middles.
fn along_curve(boxes: &[Bounds]) -> Vec<u32> {
    const STEPS: f64 = 65_535.0;
    let mut around = Bounds::EMPTY;
    for own in boxes {
        around.add(own.middle());
    }
    let size = around.max - around.min;
    let step = |from: f64, size: f64| {
        if size > 0.0 {
            (from / size * STEPS) as u32
        } else {
            0
        }
    };
    let place = |own: &Bounds| {
        let Coord { x, y } = own.middle() - around.min;
        u64::from(hilbert(step(x, size.x), step(y, size.y)))
    };
    let numbered = (0u64..).zip(boxes);
    let mut placed: Vec<u64> = numbered
        .map(|(number, own)| (place(own) << 32) | number)
        .collect();
    placed.sort_unstable();
    placed.into_iter().map(|both| both as u32).collect()
}

/// How far along a Hilbert curve over 2^16 by 2^16 squares one of them lies.
fn hilbert(mut x: u32, mut y: u32) -> u32 {
    let mut along = 0;
    let mut side = 1 << 15;
    while side > 0 {
        let (right, upper) = (u32::from(x & side > 0), u32::from(y & side > 0));
        along += side * side * ((3 * right) ^ upper);
        if upper == 0 {
            if right == 1 {
                (x, y) = (x ^ 0xffff, y ^ 0xffff);
            }
            (x, y) = (y, x);
        }
        side >>= 1;
    }
    along
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By definition: the curve comes past every square once, and each time goes on to one beside it.
    #[test]
    fn the_curve_goes_from_square_to_square() {
        let mut along: Vec<(u32, u32, u32)> = Vec::new();
        for x in 0..64 {
            for y in 0..64 {
                along.push((hilbert(x, y), x, y));
            }
        }
        along.sort_unstable();
        for (at, w) in along.windows(2).enumerate() {
            assert_eq!((w[0].0, w[1].0), (at as u32, at as u32 + 1));
            assert_eq!(w[0].1.abs_diff(w[1].1) + w[0].2.abs_diff(w[1].2), 1);
        }
    }

    #[test]
    fn the_tree_finds_what_a_look_at_every_box_finds() {
        let mut state = 11u64;
        let mut next = || {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) as f64 / (1u64 << 31) as f64 * 100.0
        };
        for count in [0, 1, 2, 4, 5, 17, 64, 300] {
            let mut some = |side: f64| {
                let min = Coord {
                    x: next(),
                    y: next(),
                };
                let size = Coord {
                    x: next(),
                    y: next(),
                };
                let max = min + size * side;
                Bounds { min, max }
            };
            let boxes: Vec<Bounds> = (0..count).map(|_| some(0.05)).collect();
            let tree = BoxTree::new(&boxes);
            for _ in 0..60 {
                let wanted = some(0.3);
                let mut found: Vec<usize> = tree.meeting(wanted).collect();
                found.sort_unstable();
                let each = (0..count).filter(|&at| boxes[at].meets(&wanted));
                assert_eq!(found, each.collect::<Vec<_>>());
            }
        }
    }
}
