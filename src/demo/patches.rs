//! What else lies in the country: brush, soft ground, protected areas, hazards and stands.

use geo::{Coord, LineString, Polygon};

use super::country::{Around, CELL, Cell, middle};
use super::curve::{Blob, distance, length, lerp, rounded, tidy};
use super::noise::{Dice, noise, warp};
use super::terrain::Terrain;

pub struct Area {
    pub kind: &'static str,
    pub outline: Polygon,
}

pub struct Hazard {
    pub kind: &'static str,
    pub line: LineString,
}

pub struct PowerLine {
    pub kind: &'static str,
    pub voltage: &'static str,
    /// Of the lowest wire over the ground, m.
    pub wire_m: f64,
    pub line: LineString,
}

pub struct Stand {
    pub stems_per_ha: f64,
    pub tree_m3: f64,
    /// Of the tallest trees, m.
    pub height_m: f64,
    pub outline: Polygon,
}

fn dice_of(terrain: Terrain, salt: u64, cell: Cell) -> Dice {
    Dice::at(terrain.seed, salt, i64::from(cell.0), i64::from(cell.1))
}

fn somewhere(dice: &mut Dice, cell: Cell) -> Coord {
    let away = Coord {
        x: dice.unit() - 0.5,
        y: dice.unit() - 0.5,
    };
    middle(cell) + away * CELL
}

fn in_lake(around: &Around, at: Coord, clear: f64) -> bool {
    around.lakes.iter().any(|lake| lake.blob.depth(at) < clear)
}

pub fn brush(terrain: Terrain, cell: Cell, around: &Around) -> Vec<Area> {
    let mut dice = dice_of(terrain, 70, cell);
    (0..dice.below(4))
        .filter_map(|_| {
            let at = somewhere(&mut dice, cell);
            let radius = dice.between(18.0, 85.0);
            let blob = Blob::throw(&mut dice, at, radius, terrain.seed);
            (!in_lake(around, at, blob.outer())).then(|| Area {
                kind: "brush",
                outline: blob.outline(),
            })
        })
        .collect()
}

/// Wet margins of the wetlands, and wet flats along the smaller streams.
pub fn soft_ground(terrain: Terrain, cell: Cell, around: &Around) -> Vec<Area> {
    let margins = around
        .wetlands
        .iter()
        .filter(|wetland| wetland.cell == cell)
        .map(|wetland| {
            let mut blob = wetland.blob;
            blob.radius = blob.radius * 1.25 + 18.0;
            blob
        });
    let mut dice = dice_of(terrain, 71, cell);
    let flats = around
        .reaches
        .iter()
        .filter(|reach| reach.cell == cell)
        .filter_map(|reach| {
            let at = reach.line.0[dice.below(reach.line.0.len())];
            let slope = terrain.slope(at);
            let radius = dice.between(22.0, 60.0);
            let blob = Blob::throw(&mut dice, at, radius, terrain.seed);
            let flat = reach.width < 8.0 && length(slope) < 0.07;
            (flat && dice.chance(0.3) && !in_lake(around, at, 40.0)).then_some(blob)
        });
    margins
        .chain(flats)
        .map(|blob| Area {
            kind: "soft",
            outline: blob.outline(),
        })
        .collect()
}

pub fn protected(terrain: Terrain, cell: Cell, around: &Around) -> Vec<Area> {
    let mut dice = dice_of(terrain, 72, cell);
    let mut areas = Vec::new();
    if dice.chance(0.3) {
        let at = somewhere(&mut dice, cell);
        let (kind, radius) = match dice.below(3) {
            0 => ("old forest", dice.between(110.0, 260.0)),
            1 => ("raptor nest", 60.0),
            _ => ("winter range", dice.between(70.0, 170.0)),
        };
        let mut blob = Blob::throw(&mut dice, at, radius, terrain.seed);
        if kind == "raptor nest" {
            (blob.stretch, blob.ragged) = (1.0, 0.0);
        }
        if !in_lake(around, at, blob.outer()) {
            areas.push(Area {
                kind,
                outline: blob.outline(),
            });
        }
    }
    areas
}

pub fn hazards(terrain: Terrain, cell: Cell) -> Vec<Hazard> {
    let mut hazards = Vec::new();
    let mut dice = dice_of(terrain, 74, cell);
    for _ in 0..3 {
        let at = somewhere(&mut dice, cell);
        hazards.extend(steep_break(terrain, at));
    }
    if dice.chance(0.16) {
        hazards.push(trail(terrain, &mut dice, cell));
    }
    hazards
}

/// Straight between its corner towers, one line every 7 km.
pub fn power_lines(terrain: Terrain, cell: Cell) -> Vec<PowerLine> {
    const SPACING: f64 = 7_000.0;
    const TOWERS: f64 = 1_400.0;
    let height = |line: i64, at: f64| {
        let corner = |step: i64| {
            let off = Dice::at(terrain.seed, 73, line, step).between(-170.0, 170.0);
            line as f64 * SPACING + 1_300.0 + 0.12 * step as f64 * TOWERS + off
        };
        let step = (at / TOWERS).floor();
        let (a, b) = (corner(step as i64), corner(step as i64 + 1));
        a + (b - a) * (at / TOWERS - step)
    };
    let (left, right) = (f64::from(cell.0) * CELL, f64::from(cell.0 + 1) * CELL);
    let bottom = f64::from(cell.1) * CELL;
    let nearest = ((bottom - 1_300.0 - 0.12 * left) / SPACING).round() as i64;
    (nearest - 1..=nearest + 1)
        .filter(|&line| {
            let at = height(line, left);
            (bottom..bottom + CELL).contains(&at)
        })
        .map(|line| {
            let mut stations = vec![left];
            let corner = (left / TOWERS).floor() * TOWERS + TOWERS;
            if corner < right {
                stations.push(corner);
            }
            stations.push(right);
            let (kind, voltage, wire_m) = match line.rem_euclid(2) {
                0 => ("transmission", "138 kV", 8.5),
                _ => ("distribution", "25 kV", 6.5),
            };
            PowerLine {
                kind,
                voltage,
                wire_m,
                line: tidy(stations.into_iter().map(|x| Coord {
                    x,
                    y: height(line, x),
                })),
            }
        })
        .collect()
}

/// Follows the contour both ways from a steep place for as long as it stays steep.
fn steep_break(terrain: Terrain, from: Coord) -> Option<Hazard> {
    const STEEP: f64 = 0.17;
    let walk = |sign: f64| {
        let mut points = Vec::new();
        let mut at = from;
        for _ in 0..16 {
            let slope = terrain.slope(at);
            let steepness = length(slope);
            if steepness < STEEP {
                break;
            }
            points.push(at);
            at = at
                + Coord {
                    x: -slope.y,
                    y: slope.x,
                } * (sign * 22.0 / steepness);
        }
        points
    };
    let mut points = walk(-1.0);
    points.reverse();
    points.pop();
    points.extend(walk(1.0));
    let long = points.len() >= 6 && distance(points[0], points[points.len() - 1]) > 90.0;
    long.then(|| Hazard {
        kind: "steep_break",
        line: tidy(points),
    })
}

fn trail(terrain: Terrain, dice: &mut Dice, cell: Cell) -> Hazard {
    let mut at = somewhere(dice, cell);
    let heading = dice.between(0.0, std::f64::consts::TAU);
    let mut points = vec![at];
    for _ in 0..36 {
        let turn = heading + 1.3 * noise(terrain.seed, 75, 520.0, at);
        at = at
            + Coord {
                x: turn.cos(),
                y: turn.sin(),
            } * 35.0;
        points.push(at);
    }
    Hazard {
        kind: "trail",
        line: tidy(points),
    }
}

/// Four stands a cell, without gaps: a square net, loosened.
pub fn stands(terrain: Terrain, cell: Cell) -> Vec<Stand> {
    const SIDE: f64 = CELL / 2.0;
    const STEPS: usize = 10;
    let drawn = |at: Coord| {
        let wide = warp(terrain.seed, 76, 900.0, 120.0, at);
        rounded(warp(terrain.seed, 78, 240.0, 22.0, wide))
    };
    (0..4)
        .map(|quarter| {
            let (i, j) = (
                i64::from(cell.0) * 2 + quarter % 2,
                i64::from(cell.1) * 2 + quarter / 2,
            );
            let corner = |di: i64, dj: i64| Coord {
                x: (i + di) as f64 * SIDE,
                y: (j + dj) as f64 * SIDE,
            };
            let corners = [corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)];
            let mut ring: Vec<Coord> = (0..4)
                .flat_map(|side| {
                    let (a, b) = (corners[side], corners[(side + 1) % 4]);
                    (0..STEPS).map(move |step| lerp(a, b, step as f64 / STEPS as f64))
                })
                .map(drawn)
                .collect();
            ring.push(ring[0]);
            let mut dice = Dice::at(terrain.seed, 79, i, j);
            // Self-thinning: the larger the trees, the fewer stand on a hectare.
            let tree_m3 = (-0.85 + 0.42 * dice.normal()).exp().clamp(0.12, 1.4);
            let stems = 520.0 * (tree_m3 / 0.45_f64).powf(-0.6) * dice.between(0.8, 1.25);
            Stand {
                stems_per_ha: (stems / 10.0).round() * 10.0,
                tree_m3: (tree_m3 * 100.0).round() / 100.0,
                height_m: (9.0 + 18.0 * tree_m3.cbrt()).round(),
                outline: Polygon::new(LineString(ring), vec![]),
            }
        })
        .collect()
}
