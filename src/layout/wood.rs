//! The wood's way from where it is felled to its outlet: skid trails, and decks beside the road.

use std::cell::OnceCell;
use std::collections::BTreeMap;

use geo::{Coord, LineString};

use super::ground::Ground;
use super::outlets::Outlet;
use super::setting::{Setting, cost_grid, sources};
use crate::geometry::cost_grid::{CLOSED, CostGrid, Reached};
use crate::geometry::distance::{SegmentIndex, polygon_segments, segment_segment};
use crate::model::{Bunch, Deck, OutletKind, PieceId, Production, SkidTrail, StripKind, StripLine};

/// Wood is decked in stretches of road of about this length.
const DECK_M: f64 = 60.0;
/// A shorter way is none.
const LEAST_TRAIL_M: f64 = 0.1;
/// Ways bend off each other at less than this: then they are straight.
const EDGE_M: f64 = 0.05;

/// Ways from a setting's ground to its outlet.
pub struct Home<'s> {
    setting: &'s Setting,
    ground: &'s Ground<'s>,
    edge: SegmentIndex,
    grid: OnceCell<(CostGrid, Reached)>,
}

impl<'s> Home<'s> {
    pub fn new(ground: &'s Ground<'s>, setting: &'s Setting) -> Home<'s> {
        Home {
            setting,
            ground,
            edge: SegmentIndex::new(polygon_segments(setting.ways_over()).collect()),
            grid: OnceCell::new(),
        }
    }

    /// Metres to the outlet; None where there is none, or no way to it.
    pub fn way_m(&self, from: Coord) -> Option<f64> {
        let outlet = self.setting.outlet.as_ref()?;
        let goal = outlet.nearest(from)?;
        let off = goal - from;
        let straight_m = off.x.hypot(off.y);
        let beyond_m = outlet.beyond_m();
        if self.sees(outlet, from, goal) {
            return Some(straight_m + beyond_m);
        }
        let (grid, reached) = self.ways(outlet);
        let cell = grid.open_near(from, 3)?;
        (reached.cost[cell] < CLOSED).then(|| reached.length_m[cell].max(straight_m) + beyond_m)
    }

    /// The way itself, from a place to the outlet.
    fn way(&self, from: Coord) -> Option<Way> {
        let outlet = self.setting.outlet.as_ref()?;
        let goal = outlet.nearest(from)?;
        if self.sees(outlet, from, goal) {
            return Some(Way::Straight(goal));
        }
        let (grid, reached) = self.ways(outlet);
        let cell = grid.open_near(from, 3)?;
        (reached.cost[cell] < CLOSED).then(|| Way::Cells(reached.way(cell)))
    }

    /// Ways that several loads share: from where ways meet to where the next joins, with all loads that pass.
    fn main_trails(
        &self,
        outlet: &Outlet,
        part: u32,
        passing: &BTreeMap<usize, f64>,
    ) -> Vec<SkidTrail> {
        if passing.is_empty() {
            return vec![];
        }
        let (grid, reached) = self.ways(outlet);
        let next = |cell: usize| reached.from[cell] as usize;
        let mut joining: BTreeMap<usize, u32> = BTreeMap::new();
        for &cell in passing.keys().filter(|&&cell| next(cell) != cell) {
            *joining.entry(next(cell)).or_default() += 1;
        }
        // Loads can also begin in the middle of a way.
        let same = |a: usize, b: usize| (passing[&a] - passing[&b]).abs() < 1e-9;
        let goes_on = |from: usize| {
            let to = next(from);
            (to != from && joining.get(&to) == Some(&1) && same(from, to)).then_some(to)
        };
        let follows: std::collections::BTreeSet<usize> =
            passing.keys().filter_map(|&cell| goes_on(cell)).collect();
        let starts = passing.keys().filter(|cell| !follows.contains(cell));
        let trails = starts.filter_map(|&start| {
            let mut line = vec![grid.middle(start)];
            let mut at = start;
            while let Some(to) = goes_on(at) {
                line.push(grid.middle(to));
                at = to;
            }
            let to = next(at);
            let end = if to == at {
                outlet.nearest(grid.middle(at))?
            } else {
                grid.middle(to)
            };
            line.push(end);
            line.dedup();
            let shape = geo::Simplify::simplify(&LineString(line), grid.cell_m() / 2.0);
            (crate::geometry::area::length(&shape) > LEAST_TRAIL_M).then_some(SkidTrail {
                part,
                loads: passing[&start],
                shape,
            })
        });
        trails.collect()
    }

    fn ways(&self, outlet: &Outlet) -> &(CostGrid, Reached) {
        self.grid.get_or_init(|| {
            let grid = cost_grid(self.ground, self.setting.ways_over());
            let reached = grid.reach(&sources(&grid, outlet));
            (grid, reached)
        })
    }

    /// Whether a straight way leads over the setting's own ground; to a place off it, over whatever lies between.
    fn sees(&self, outlet: &Outlet, from: Coord, goal: Coord) -> bool {
        if outlet.kind == OutletKind::Access {
            return true;
        }
        let off = goal - from;
        let off_m = off.x.hypot(off.y);
        if off_m < 2.0 * EDGE_M {
            return true;
        }
        let shorter = off * (EDGE_M / off_m);
        let (a, b) = (from + shorter, goal - shorter);
        !self
            .edge
            .near(a, b, 0.0)
            .any(|s| segment_segment(a, b, s.a, s.b) == 0.0)
    }
}

/// How wood comes to an outlet.
enum Way {
    Straight(Coord),
    /// Cells of the grid, to the outlet.
    Cells(Vec<usize>),
}

/// Where the wood of a piece leaves it, and how much of it.
struct Load {
    end: Coord,
    line: LineString,
    loads: f64,
    volume_m3: f64,
}

/// Skid trails and decks of one setting.
pub fn carry(
    production: &Production,
    home: &Home<'_>,
    part: u32,
    lines: &[StripLine],
    bunches: &BTreeMap<PieceId, (f64, f64)>,
) -> (Vec<SkidTrail>, Vec<Deck>) {
    let Some(outlet) = &home.setting.outlet else {
        return (vec![], vec![]);
    };
    let mut driven_m: BTreeMap<PieceId, f64> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.id.part == part) {
        *driven_m.entry(line.id).or_default() += crate::geometry::area::length(&line.shape);
    }
    let (mut trails, mut at_outlet) = (Vec::new(), Vec::new());
    for line in lines.iter().filter(|line| line.id.part == part) {
        let Some((loads, volume_m3)) = bunches.get(&line.id) else {
            continue;
        };
        let share = crate::geometry::area::length(&line.shape) / driven_m[&line.id].max(1e-9);
        let ends = [line.shape.0.first(), line.shape.0.last()];
        let ways = ends.map(|end| end.and_then(|&end| Some((home.way_m(end)?, end))));
        let [first, last] = ways;
        let (end, backwards) = match (first, last) {
            (Some(a), Some(b)) if b.0 < a.0 => (b.1, false),
            (Some(a), _) => (a.1, true),
            (None, Some(b)) => (b.1, false),
            (None, None) => continue,
        };
        let mut towards = line.shape.clone();
        if backwards {
            towards.0.reverse();
        }
        at_outlet.push(Load {
            end,
            line: if line.kind == StripKind::Interior {
                towards
            } else {
                LineString(vec![])
            },
            loads: loads * share,
            volume_m3: volume_m3 * share,
        });
    }
    let mut passing: BTreeMap<usize, f64> = BTreeMap::new();
    for load in &at_outlet {
        let mut trail = load.line.clone();
        match home.way(load.end) {
            Some(Way::Straight(goal)) => trail.0.extend([load.end, goal]),
            Some(Way::Cells(cells)) => {
                let (grid, _) = home.ways(outlet);
                trail.0.extend([load.end, grid.middle(cells[0])]);
                for cell in cells {
                    *passing.entry(cell).or_default() += load.loads;
                }
            }
            None => {}
        }
        trail.0.dedup();
        if crate::geometry::area::length(&trail) > LEAST_TRAIL_M && load.loads > 0.0 {
            trails.push(SkidTrail {
                part,
                loads: load.loads,
                shape: trail,
            });
        }
    }
    trails.extend(home.main_trails(outlet, part, &passing));
    if let Some(beyond) = &outlet.beyond {
        let loads: f64 = at_outlet.iter().map(|load| load.loads).sum();
        let shape = beyond.clone();
        trails.push(SkidTrail { part, loads, shape });
    }
    (trails, decks(production, outlet, part, &at_outlet))
}

/// Decks along the outlet, each for the wood that arrives within a stretch of road.
fn decks(production: &Production, outlet: &Outlet, part: u32, loads: &[Load]) -> Vec<Deck> {
    if let Some(&end) = outlet.beyond.as_ref().and_then(|beyond| beyond.0.last()) {
        let volume_m3: f64 = loads.iter().map(|load| load.volume_m3).sum();
        let deck = Deck {
            part,
            volume_m3,
            length_m: volume_m3 / production.deck_m3_per_m,
            place: [end.x, end.y],
        };
        return if volume_m3 > 0.0 { vec![deck] } else { vec![] };
    }
    let mut found: BTreeMap<(usize, u64), (f64, Coord)> = BTreeMap::new();
    for load in loads {
        let Some((line, on)) = outlet.nearest_on(load.end) else {
            continue;
        };
        let (stretch, at) = ((on.along_m / DECK_M) as u64, on.at);
        let deck = found
            .entry((line, stretch))
            .or_insert((0.0, Coord::default()));
        deck.0 += load.volume_m3;
        deck.1 = deck.1 + at * load.volume_m3;
    }
    let decks = found
        .into_values()
        .filter(|(volume_m3, _)| *volume_m3 > 0.0);
    decks
        .map(|(volume_m3, place)| Deck {
            part,
            volume_m3,
            length_m: volume_m3 / production.deck_m3_per_m,
            place: [place.x / volume_m3, place.y / volume_m3],
        })
        .collect()
}

/// Loads and volume of each piece.
pub fn of_pieces(bunches: &[Bunch]) -> BTreeMap<PieceId, (f64, f64)> {
    let mut found: BTreeMap<PieceId, (f64, f64)> = BTreeMap::new();
    for bunch in bunches {
        let piece = found.entry(bunch.id).or_default();
        piece.0 += 1.0;
        piece.1 += bunch.volume_m3;
    }
    found
}
