//! Forest roads: two trunk roads along each main valley, bridges between them, and branches that fork up the sides.

use geo::{Coord, LineString};

use super::curve::{around, distance, spline, tidy};
use super::noise::{Dice, hash, noise, warp};
use super::terrain::{InValley, Terrain};
use super::water::{Pond, node_place};

/// Distance between branch nodes, in metres.
const SPACING: f64 = 720.0;
/// Trunk roads keep about this far from the river.
const OFF_RIVER: f64 = 330.0;
/// Length of one trunk piece, in metres along the valley.
const PIECE: f64 = 500.0;

#[derive(Clone, Debug)]
pub struct Road {
    pub cell: (i32, i32),
    /// `trunk`, `branch`, `spur` or `bridge`.
    pub kind: &'static str,
    /// Running surface and cleared width, in metres.
    pub surface: f64,
    pub cleared: f64,
    pub line: LineString,
}

pub fn cell_at(at: Coord) -> (i32, i32) {
    (
        (at.x / super::country::CELL).floor() as i32,
        (at.y / super::country::CELL).floor() as i32,
    )
}

pub struct Network<'a> {
    pub terrain: Terrain,
    /// Ponds that roads must lead around, of this tile and its neighbours; lakes last, since the way around a wetland
    /// may lead into a lake.
    pub ponds: &'a [&'a Pond],
}

/// Takes the kinks off a line; its ends stay where they are.
fn eased(line: &[Coord]) -> Vec<Coord> {
    let mut eased = line.to_vec();
    for _ in 0..2 {
        let before = eased.clone();
        for (at, three) in before.windows(3).enumerate() {
            eased[at + 1] = three[1] * 0.5 + (three[0] + three[2]) * 0.25;
        }
    }
    eased
}

type Node = (i64, i64);

impl Network<'_> {
    fn drawn(&self, at: Coord) -> Coord {
        warp(self.terrain.seed, 40, 640.0, 60.0, at)
    }

    fn trunk(&self, valley: i64, bank: f64, along: f64) -> Coord {
        let at = Coord {
            x: valley as f64 * 7_919.0 + bank * 3_001.0,
            y: along,
        };
        let off = OFF_RIVER + 90.0 * noise(self.terrain.seed, 42, 1_500.0, at);
        self.terrain.place(InValley {
            valley,
            off_axis: bank * off,
            along,
        })
    }

    fn line(&self, points: Vec<Coord>) -> LineString {
        let mut points: Vec<Coord> = points.into_iter().map(|at| self.drawn(at)).collect();
        for pond in self.ponds {
            let clear = 32.0;
            if points.iter().any(|&at| {
                distance(at, pond.blob.centre) < pond.blob.outer() + clear
                    && pond.blob.depth(at) < clear
            }) {
                points = eased(&around(&points, &pond.blob, clear));
            }
        }
        tidy(points)
    }

    fn place(&self, node: Node) -> Coord {
        node_place(self.terrain.seed, 43, SPACING, 0.24, node)
    }

    /// Branches run towards lower values of this: towards the trunk and a little down the valley.
    fn pull(&self, node: Node) -> f64 {
        let place = self.place(node);
        let spot = self.terrain.locate(place);
        (spot.off_axis.abs() - OFF_RIVER).abs()
            + 0.12 * spot.along
            + 330.0 * noise(self.terrain.seed, 44, 2_300.0, place)
    }

    fn built(&self, node: Node) -> bool {
        let off = self.terrain.locate(self.place(node)).off_axis.abs();
        off > OFF_RIVER + 170.0
    }

    /// Where the branch through a node goes on: the next node, or a place on the trunk.
    fn onward(&self, node: Node) -> Option<Result<Node, Coord>> {
        let place = self.place(node);
        let spot = self.terrain.locate(place);
        let bank = spot.off_axis.signum();
        if spot.off_axis.abs() < OFF_RIVER + 620.0 {
            let join = self.trunk(spot.valley, bank, spot.along - 160.0);
            return Some(Err(join));
        }
        let mut best: Option<(f64, Node)> = None;
        for dj in -1..=1 {
            for di in -1..=1 {
                let other = (node.0 + di, node.1 + dj);
                if other == node || !self.built(other) {
                    continue;
                }
                let there = self.terrain.locate(self.place(other));
                if there.valley != spot.valley || there.off_axis.signum() != bank {
                    continue;
                }
                let fall =
                    (self.pull(node) - self.pull(other)) / distance(place, self.place(other));
                if fall > 0.0 && best.is_none_or(|(steepest, _)| fall > steepest) {
                    best = Some((fall, other));
                }
            }
        }
        best.map(|(_, other)| Ok(other))
    }

    fn feeders(&self, node: Node) -> Vec<Node> {
        let mut found = Vec::new();
        for dj in -1..=1 {
            for di in -1..=1 {
                let other = (node.0 + di, node.1 + dj);
                if other != node && self.built(other) && self.onward(other) == Some(Ok(node)) {
                    found.push(other);
                }
            }
        }
        found
    }

    fn branch(&self, node: Node) -> Option<Road> {
        if !self.built(node) {
            return None;
        }
        let feeders = self.feeders(node);
        let twig = feeders.is_empty();
        if twig && hash(self.terrain.seed, 45, node.0, node.1).is_multiple_of(8) {
            return None;
        }
        let here = self.place(node);
        let before = feeders.first().map_or(here, |&other| self.place(other));
        let (end, beyond) = match self.onward(node)? {
            Err(join) => (join, join),
            Ok(next) => {
                let end = self.place(next);
                let beyond = match self.onward(next) {
                    Some(Ok(far)) => self.place(far),
                    Some(Err(join)) => join,
                    None => end,
                };
                (end, beyond)
            }
        };
        let mut points: Vec<Coord> = spline(before, here, end, beyond, 24).collect();
        points.push(end);
        let (kind, surface, cleared) = match (twig, feeders.len()) {
            (true, _) => ("spur", 5.0, 12.0),
            _ => ("branch", 6.0, 15.0),
        };
        Some(Road {
            cell: cell_at(here),
            kind,
            surface,
            cleared,
            line: self.line(points),
        })
    }

    fn trunk_pieces(&self, centre: Coord, reach: f64, roads: &mut Vec<Road>) {
        let spot = self.terrain.locate(centre);
        let first = ((spot.along - reach) / PIECE).floor() as i64;
        let last = ((spot.along + reach) / PIECE).ceil() as i64;
        for valley in spot.valley - 1..=spot.valley + 1 {
            for piece in first..=last {
                for bank in [-1.0, 1.0] {
                    let start = piece as f64 * PIECE;
                    let points: Vec<Coord> = (0..=20)
                        .map(|step| {
                            self.trunk(valley, bank, start + PIECE * f64::from(step) / 20.0)
                        })
                        .collect();
                    let main =
                        (bank > 0.0) == hash(self.terrain.seed, 46, valley, 0).is_multiple_of(2);
                    roads.push(Road {
                        cell: cell_at(points[0]),
                        kind: match main {
                            true if piece.rem_euclid(6) == 1 => "public",
                            true => "trunk",
                            false => "branch",
                        },
                        surface: if main { 8.0 } else { 6.0 },
                        cleared: if main { 20.0 } else { 16.0 },
                        line: self.line(points),
                    });
                }
                let mut dice = Dice::at(self.terrain.seed, 47, valley, piece);
                if piece.rem_euclid(7) == 3 {
                    let along = (piece as f64 + dice.unit()) * PIECE;
                    let (a, b) = (
                        self.trunk(valley, -1.0, along),
                        self.trunk(valley, 1.0, along),
                    );
                    let points: Vec<Coord> = (0..=12)
                        .map(|step| super::curve::lerp(a, b, f64::from(step) / 12.0))
                        .collect();
                    if self
                        .ponds
                        .iter()
                        .any(|pond| points.iter().any(|&at| pond.blob.depth(at) < 150.0))
                    {
                        continue;
                    }
                    roads.push(Road {
                        cell: cell_at(a),
                        kind: "bridge",
                        surface: 6.0,
                        cleared: 14.0,
                        line: self.line(points),
                    });
                }
            }
        }
    }

    /// All roads that start in `side` x `side` cells from `low` on.
    pub fn of_tile(&self, low: (i32, i32), side: i32) -> Vec<Road> {
        let cell = super::country::CELL;
        let inside = |at: (i32, i32)| {
            (low.0..low.0 + side).contains(&at.0) && (low.1..low.1 + side).contains(&at.1)
        };
        let size = f64::from(side) * cell;
        let corner = Coord {
            x: f64::from(low.0) * cell,
            y: f64::from(low.1) * cell,
        };
        let mut roads = Vec::new();
        let centre = corner + Coord { x: size, y: size } * 0.5;
        self.trunk_pieces(centre, size * 1.1, &mut roads);
        let node = |x: f64| (x / SPACING).floor() as i64;
        for j in node(corner.y) - 1..=node(corner.y + size) + 1 {
            for i in node(corner.x) - 1..=node(corner.x + size) + 1 {
                if inside(cell_at(self.place((i, j)))) {
                    roads.extend(self.branch((i, j)));
                }
            }
        }
        roads.retain(|road| inside(road.cell) && road.line.0.len() > 1);
        roads
    }
}
