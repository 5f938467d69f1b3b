//! Streams that run down the terrain and join, lakes in its hollows, wetlands where it is flat.
//!
//! Nodes of an uneven lattice drain to their steepest lower neighbour. What a stream gathers is counted over the last
//! [`REACH_STEPS`] steps only, so that every tile of country can be worked out alone and comes out the same.

use geo::{Coord, LineString, MultiLineString, Polygon};

use super::curve::{Blob, distance, length, spline, tidy};
use super::noise::{Dice, hash, noise, ramp, warp};
use super::terrain::Terrain;

/// Distance between drainage nodes, in metres.
const SPACING: f64 = 250.0;
const NODES_PER_CELL: i64 = 4;
const REACH_STEPS: i64 = 20;
/// Farthest a hollow looks for its outlet, in nodes.
const BREACH: i64 = 4;
const MARGIN: i64 = REACH_STEPS + 2 * BREACH + 2;
/// Nodes that must drain to a place before a stream shows.
const HEAD: u32 = 4;

/// One stretch of a stream between two joins, or to the edge of its cell.
#[derive(Clone, Debug)]
pub struct Reach {
    pub cell: (i32, i32),
    pub class: &'static str,
    /// Channel width in metres.
    pub width: f64,
    /// Missing here and there, as in real layers.
    pub width_recorded: bool,
    pub fish: bool,
    /// In the direction of flow.
    pub line: LineString,
}

#[derive(Clone, Debug)]
pub struct Pond {
    pub cell: (i32, i32),
    pub class: &'static str,
    pub blob: Blob,
    pub outline: Polygon,
}

#[derive(Clone, Debug, Default)]
pub struct Water {
    pub reaches: Vec<Reach>,
    pub lakes: Vec<Pond>,
    pub wetlands: Vec<Pond>,
}

impl Reach {
    /// The banks, where the river is wide enough to be mapped as a surface.
    pub fn banks(&self) -> Option<Polygon> {
        use geo::algorithm::buffer::{Buffer, BufferStyle, LineCap, LineJoin};
        if self.class != "S1-B" {
            return None;
        }
        let style = BufferStyle::new(self.width / 2.0)
            .line_cap(LineCap::Round(0.35))
            .line_join(LineJoin::Round(0.35));
        let surface = MultiLineString(vec![self.line.clone()]).buffer_with_style(style);
        let mut surface = surface.0.into_iter().next()?;
        surface.exterior_mut(|ring| {
            ring.0
                .iter_mut()
                .for_each(|c| *c = super::curve::rounded(*c))
        });
        Some(surface)
    }
}

/// Heights and outlets of the nodes around one tile.
struct Drainage {
    terrain: Terrain,
    low: Node,
    side: i64,
    places: Vec<Coord>,
    height: Vec<f64>,
    /// The node drained to, and whether it is a hollow's outlet beyond its neighbours.
    outlets: Vec<Option<(Node, bool)>>,
    gathered: Vec<u32>,
}

type Node = (i64, i64);

pub fn node_place(seed: u64, salt: u64, spacing: f64, spread: f64, node: Node) -> Coord {
    let mut dice = Dice::at(seed, salt, node.0, node.1);
    Coord {
        x: (node.0 as f64 + 0.5 + dice.between(-spread, spread)) * spacing,
        y: (node.1 as f64 + 0.5 + dice.between(-spread, spread)) * spacing,
    }
}

fn lattice_place(seed: u64, node: Node) -> Coord {
    node_place(seed, 20, SPACING, 0.3, node)
}

impl Drainage {
    fn place(&self, node: Node) -> Coord {
        match self.index(node) {
            Some(at) => self.places[at],
            None => lattice_place(self.terrain.seed, node),
        }
    }

    /// Where streams are drawn: the lattice, loosened.
    fn drawn(&self, at: Coord) -> Coord {
        let loose = warp(self.terrain.seed, 21, 420.0, 45.0, at);
        warp(self.terrain.seed, 23, 150.0, 19.0, loose)
    }

    fn index(&self, node: Node) -> Option<usize> {
        let (i, j) = (node.0 - self.low.0, node.1 - self.low.1);
        ((0..self.side).contains(&i) && (0..self.side).contains(&j))
            .then_some((j * self.side + i) as usize)
    }

    fn height(&self, node: Node) -> f64 {
        self.index(node).map_or(f64::INFINITY, |at| self.height[at])
    }

    fn gathered(&self, node: Node) -> u32 {
        self.index(node).map_or(0, |at| self.gathered[at])
    }

    fn outlet(&self, node: Node) -> Option<(Node, bool)> {
        self.index(node).and_then(|at| self.outlets[at])
    }

    /// The steepest lower neighbour, else the nearest lower node within the breach.
    fn find_outlet(&self, node: Node) -> Option<(Node, bool)> {
        let (here, place) = (self.height(node), self.place(node));
        for ring in 1..=BREACH {
            let mut best: Option<(f64, Node)> = None;
            for dj in -ring..=ring {
                for di in -ring..=ring {
                    if di.abs().max(dj.abs()) != ring {
                        continue;
                    }
                    let other = (node.0 + di, node.1 + dj);
                    let fall = (here - self.height(other)) / distance(place, self.place(other));
                    if fall > 0.0 && best.is_none_or(|(steepest, _)| fall > steepest) {
                        best = Some((fall, other));
                    }
                }
            }
            if let Some((_, other)) = best {
                return Some((other, ring > 1));
            }
        }
        None
    }

    fn new(terrain: Terrain, low: Node, side: i64) -> Drainage {
        let nodes: Vec<Node> = (0..side * side)
            .map(|at| (low.0 + at % side, low.1 + at / side))
            .collect();
        let places: Vec<Coord> = nodes
            .iter()
            .map(|&node| lattice_place(terrain.seed, node))
            .collect();
        let mut drainage = Drainage {
            terrain,
            low,
            side,
            height: places.iter().map(|&at| terrain.height(at)).collect(),
            places,
            outlets: Vec::new(),
            gathered: vec![0; nodes.len()],
        };
        drainage.outlets = nodes
            .iter()
            .map(|&node| drainage.find_outlet(node))
            .collect();
        let outlets: Vec<Option<usize>> = nodes
            .iter()
            .map(|&node| drainage.outlet(node).and_then(|(to, _)| drainage.index(to)))
            .collect();
        for (start, &node) in nodes.iter().enumerate() {
            let mut at = Some(start);
            while let Some(index) = at {
                let now = nodes[index];
                if (now.0 - node.0).abs().max((now.1 - node.1).abs()) > REACH_STEPS {
                    break;
                }
                drainage.gathered[index] += 1;
                at = outlets[index];
            }
        }
        drainage
    }

    fn flows(&self, node: Node) -> bool {
        self.gathered(node) >= HEAD
    }

    /// Nodes that drain to this one, the largest last.
    fn inflows(&self, node: Node) -> Vec<Node> {
        let mut found = Vec::new();
        for dj in -BREACH..=BREACH {
            for di in -BREACH..=BREACH {
                let other = (node.0 + di, node.1 + dj);
                if self.outlet(other).is_some_and(|(to, _)| to == node) {
                    found.push(other);
                }
            }
        }
        found.sort_by_key(|&other| (self.gathered(other), other));
        found
    }

    fn width(&self, node: Node) -> f64 {
        let gathered = f64::from(self.gathered(node));
        let spot = self.terrain.locate(self.place(node));
        let river =
            1.0 + (self.terrain.river_factor(spot.valley) - 1.0) * ramp(60.0, 160.0, gathered);
        let width = 0.5 * gathered.powf(0.64) * river;
        (width * 10.0).round() / 10.0
    }

    fn fish(&self, node: Node) -> bool {
        // Some basins have a fall near their mouth, and no fish above it.
        let barrier = 4.0 + 48.0 * noise(self.terrain.seed, 25, 4_000.0, self.place(node)).max(0.0);
        f64::from(self.gathered(node)) >= barrier
    }

    fn class(&self, node: Node) -> &'static str {
        match (self.fish(node), self.width(node)) {
            (true, width) if width > 20.0 => "S1-B",
            (true, width) if width > 5.0 => "S2",
            (true, width) if width >= 1.5 => "S3",
            (true, _) => "S4",
            (false, width) if width > 3.0 => "S5",
            (false, _) => "S6",
        }
    }
}

fn cell_of(node: Node) -> (i32, i32) {
    (
        node.0.div_euclid(NODES_PER_CELL) as i32,
        node.1.div_euclid(NODES_PER_CELL) as i32,
    )
}

/// All water that belongs to `side` x `side` cells from `low_cell` on.
pub fn of_tile(terrain: Terrain, low_cell: (i32, i32), side: i32) -> Water {
    let own = i64::from(side) * NODES_PER_CELL;
    let low = (
        i64::from(low_cell.0) * NODES_PER_CELL,
        i64::from(low_cell.1) * NODES_PER_CELL,
    );
    let drainage = Drainage::new(terrain, (low.0 - MARGIN, low.1 - MARGIN), own + 2 * MARGIN);
    let mut water = Water::default();
    for j in 0..own {
        for i in 0..own {
            let node = (low.0 + i, low.1 + j);
            if starts(&drainage, node)
                && let Some(reach) = reach_from(&drainage, node)
            {
                water.reaches.push(reach);
            }
            if let Some(lake) = lake_at(&drainage, node)
                && apart(&lake, &water.lakes)
            {
                water.lakes.push(lake);
            } else if let Some(wetland) = wetland_at(&drainage, node) {
                water.wetlands.push(wetland);
            }
        }
    }
    let lakes = &water.lakes;
    water.wetlands.retain(|wetland| apart(wetland, lakes));
    water
}

fn apart(pond: &Pond, others: &[Pond]) -> bool {
    others.iter().all(|other| {
        distance(pond.blob.centre, other.blob.centre)
            > pond.blob.outer() + other.blob.outer() + 40.0
    })
}

fn starts(drainage: &Drainage, node: Node) -> bool {
    if !drainage.flows(node) {
        return false;
    }
    let above: Vec<_> = drainage
        .inflows(node)
        .into_iter()
        .filter(|&other| drainage.flows(other))
        .collect();
    match above[..] {
        [one] => cell_of(one) != cell_of(node) || drainage.class(one) != drainage.class(node),
        _ => true,
    }
}

fn reach_from(drainage: &Drainage, start: Node) -> Option<Reach> {
    let cell = cell_of(start);
    let mut nodes = vec![start];
    let mut node = start;
    while let Some((next, _)) = drainage.outlet(node) {
        nodes.push(next);
        node = next;
        if cell_of(next) != cell || starts(drainage, next) {
            break;
        }
    }
    if nodes.len() < 2 {
        return None;
    }
    // The spline looks one node beyond either end, along the main stem, so that reaches meet smoothly.
    let before = drainage.inflows(start).last().copied().unwrap_or(start);
    let beyond = drainage.outlet(node).map_or(node, |(next, _)| next);
    let stem: Vec<Coord> = std::iter::once(before)
        .chain(nodes)
        .chain([beyond])
        .map(|node| drainage.place(node))
        .collect();
    let mut points: Vec<Coord> = stem
        .windows(4)
        .flat_map(|w| spline(w[0], w[1], w[2], w[3], 9))
        .collect();
    points.push(stem[stem.len() - 2]);
    let class = drainage.class(start);
    Some(Reach {
        cell,
        class,
        width: drainage.width(start),
        width_recorded: class != "S6"
            || !hash(drainage.terrain.seed, 26, start.0, start.1).is_multiple_of(12),
        fish: drainage.fish(start),
        line: tidy(points.into_iter().map(|at| drainage.drawn(at))),
    })
}

fn pond(drainage: &Drainage, node: Node, salt: u64, radius: (f64, f64)) -> (Blob, f64) {
    let mut dice = Dice::at(drainage.terrain.seed, salt, node.0, node.1);
    let radius = dice.between(radius.0.sqrt(), radius.1.sqrt()).powi(2);
    let centre = drainage.drawn(drainage.place(node));
    let mut blob = Blob::throw(&mut dice, centre, radius, drainage.terrain.seed);
    if let Some((next, _)) = drainage.outlet(node) {
        let flow = drainage.place(next) - drainage.place(node);
        blob.turn = flow.y.atan2(flow.x);
    }
    let area = std::f64::consts::PI * radius * radius / 10_000.0;
    (blob, area)
}

fn lake_at(drainage: &Drainage, node: Node) -> Option<Pond> {
    let hollow = match drainage.outlet(node) {
        Some((_, breached)) => breached,
        None => true,
    };
    // Large rivers run through their hollows; few of them are held up.
    let river = drainage.gathered(node) > 60
        && !hash(drainage.terrain.seed, 34, node.0, node.1).is_multiple_of(6);
    if !hollow || river {
        return None;
    }
    let (blob, area) = pond(drainage, node, 30, (55.0, 240.0));
    let class = match area {
        area if area > 5.0 => "L1-B",
        area if area >= 1.0 => "L3",
        _ => "L4",
    };
    Some(Pond {
        cell: cell_of(node),
        class,
        blob,
        outline: blob.outline(),
    })
}

fn wetland_at(drainage: &Drainage, node: Node) -> Option<Pond> {
    let seed = drainage.terrain.seed;
    if !hash(seed, 31, node.0, node.1).is_multiple_of(9) || drainage.gathered(node) > 60 {
        return None;
    }
    let place = drainage.place(node);
    let slope = drainage.terrain.slope(place);
    let (next, breached) = drainage.outlet(node)?;
    if length(slope) > 0.055 || breached {
        return None;
    }
    // A wetland beside a lake would be the lake's own shore.
    if drainage.outlet(next).is_none_or(|(_, breached)| breached) {
        return None;
    }
    let (blob, area) = pond(drainage, node, 32, (35.0, 170.0));
    let complex = hash(seed, 33, node.0, node.1).is_multiple_of(6);
    let class = match area {
        area if area > 5.0 && complex => "W5",
        area if area > 5.0 => "W1",
        area if area >= 1.0 => "W3",
        _ => "W4",
    };
    Some(Pond {
        cell: cell_of(node),
        class,
        blob,
        outline: blob.outline(),
    })
}
