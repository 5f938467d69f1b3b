//! Blocks: thrown along the roads, each claiming the ground around it up to roads, rivers, lakes and its neighbours.

use geo::{Area, Coord, LineString, MultiPolygon};

use super::contour::Field;
use super::country::{Around, CELL, Cell};
use super::curve::{distance, length, lerp, tidy, to_segment, to_segment_squared};
use super::noise::{Dice, noise, warp};

/// Half of the least ground left between two blocks, in metres.
const HALF_GAP: f64 = 11.0;
/// No claim reaches farther than this from its seed, in metres.
const CLAIM_REACH: f64 = 950.0;
/// Smaller blocks are not laid out, in square metres.
const LEAST_M2: f64 = 15_000.0;

/// What a block wants before it meets its neighbours.
#[derive(Clone, Debug)]
pub struct Claim {
    pub centre: Coord,
    /// Capsules: from, to, radius.
    lobes: Vec<(Coord, Coord, f64)>,
    /// The nearest road, where there is one.
    access: Option<Coord>,
    /// Roads run through the block instead of bounding it.
    straddles: bool,
    /// Small streams bound the block too.
    stream_shy: bool,
    /// Ground left along rivers and lakes, in metres.
    water_gap: f64,
    /// Left-out islands.
    islands: Vec<(Coord, f64)>,
    /// Depth of the bays in the outline, in metres.
    ragged: f64,
    several_parts: bool,
    pub azimuth: Option<f64>,
    wants_spur: bool,
    wants_landing: bool,
}

#[derive(Clone, Debug)]
pub struct DemoBlock {
    pub shape: MultiPolygon,
    pub azimuth: Option<f64>,
    pub spur: Option<LineString>,
    pub landing: Option<Coord>,
    /// Where machines may cross a stream inside.
    pub crossing: Option<Coord>,
}

fn segments(line: &LineString) -> impl Iterator<Item = (Coord, Coord)> + '_ {
    line.0.windows(2).map(|pair| (pair[0], pair[1]))
}

/// A road's points within a cell, with the road's direction there.
fn road_places(around: &Around, cell: Cell) -> Vec<(Coord, Coord)> {
    let inside = |at: Coord| super::roads::cell_at(at) == cell;
    around
        .roads
        .iter()
        .filter(|road| road.kind != "bridge")
        .flat_map(|road| segments(&road.line))
        .filter(|&(a, b)| inside(a) && distance(a, b) > 1.0)
        .map(|(a, b)| (a, (b - a) / distance(a, b)))
        .collect()
}

/// The claims of one cell.
pub fn claims(seed: u64, cell: Cell, around: &Around) -> Vec<Claim> {
    let mut dice = Dice::at(seed, 60, i64::from(cell.0), i64::from(cell.1));
    let places = road_places(around, cell);
    let wanted = 2 + usize::from(dice.chance(0.45));
    let mut claims: Vec<Claim> = Vec::new();
    for _ in 0..wanted + 3 {
        if claims.len() == wanted {
            break;
        }
        let claim = throw(&mut dice, cell, &places);
        let size = |claim: &Claim| claim.lobes.iter().map(|lobe| lobe.2).fold(0.0, f64::max);
        let crowded = claims
            .iter()
            .any(|other| distance(claim.centre, other.centre) < 0.9 * (size(&claim) + size(other)));
        let wet = around
            .lakes
            .iter()
            .any(|lake| lake.blob.depth(claim.centre) < 20.0)
            || around
                .reaches
                .iter()
                .filter(|reach| reach.width > 8.0)
                .flat_map(|reach| segments(&reach.line))
                .any(|(a, b)| to_segment(claim.centre, a, b) < 60.0);
        if !crowded && !wet {
            claims.push(claim);
        }
    }
    claims
}

fn throw(dice: &mut Dice, cell: Cell, places: &[(Coord, Coord)]) -> Claim {
    let area_ha = match dice.unit() {
        tiny if tiny < 0.07 => dice.between(2.0, 5.0),
        large if large > 0.96 => dice.between(80.0, 125.0),
        _ => (3.3 + 0.55 * dice.normal()).exp().clamp(7.0, 75.0),
    };
    let radius = (area_ha * 10_000.0 / std::f64::consts::PI).sqrt();
    let straddles = dice.chance(0.24);
    let astray = places.is_empty() || dice.chance(0.05);
    let (centre, along, access) = if astray {
        let corner = Coord {
            x: f64::from(cell.0) * CELL,
            y: f64::from(cell.1) * CELL,
        };
        let turn = dice.between(0.0, std::f64::consts::TAU);
        let inside = Coord {
            x: dice.between(0.1, 0.9),
            y: dice.between(0.1, 0.9),
        };
        let along = Coord {
            x: turn.cos(),
            y: turn.sin(),
        };
        (corner + inside * CELL, along, None)
    } else {
        let (at, along) = places[dice.below(places.len())];
        let side = if dice.chance(0.5) { 1.0 } else { -1.0 };
        let square = Coord {
            x: -along.y,
            y: along.x,
        };
        let off = if straddles {
            0.15
        } else {
            dice.between(0.55, 0.75)
        };
        (at + square * (side * off * radius), along, Some(at))
    };
    let stretch = dice.between(0.0, 0.75) * radius;
    let lean = dice.between(-0.5, 0.5);
    let long = Coord {
        x: along.x - along.y * lean,
        y: along.y + along.x * lean,
    };
    let neck = area_ha > 14.0 && dice.chance(0.07);
    let lobes = if neck {
        let (a, b) = (
            centre - long * (0.85 * radius),
            centre + long * (0.85 * radius),
        );
        vec![(a, a, 0.66 * radius), (b, b, 0.62 * radius), (a, b, 34.0)]
    } else {
        let slim = radius * (1.0 - 0.38 * stretch / radius);
        let elbow = centre
            + Coord {
                x: -along.y,
                y: along.x,
            } * dice.between(-0.5, 0.5)
                * radius;
        vec![
            (centre - long * stretch, centre, slim),
            (centre, elbow, slim * dice.between(0.75, 1.0)),
            (
                centre,
                centre + long * stretch,
                slim * dice.between(0.7, 1.05),
            ),
        ]
    };
    let mut islands = Vec::new();
    if area_ha > 12.0 && dice.chance(0.2) {
        for _ in 0..1 + dice.below(2) {
            let turn = dice.between(0.0, std::f64::consts::TAU);
            let off = Coord {
                x: turn.cos(),
                y: turn.sin(),
            } * (dice.between(0.1, 0.5) * radius);
            islands.push((centre + off, dice.between(34.0, 30.0 + 0.16 * radius)));
        }
    }
    Claim {
        centre,
        lobes,
        access,
        straddles,
        stream_shy: dice.chance(0.3),
        water_gap: [4.0, 12.0, 35.0, 60.0][dice.below(4)],
        islands,
        ragged: radius * dice.between(0.12, 0.4),
        several_parts: dice.chance(0.12),
        azimuth: dice.chance(0.06).then(|| dice.between(0.0, 180.0).round()),
        wants_spur: dice.chance(0.4),
        wants_landing: dice.chance(0.3),
    }
}

impl Claim {
    /// Metres inside the claim; negative outside.
    fn hold(&self, at: Coord) -> f64 {
        self.lobes
            .iter()
            .map(|&(a, b, radius)| radius - to_segment(at, a, b))
            .fold(f64::NEG_INFINITY, f64::max)
    }

    fn reach(&self) -> f64 {
        self.lobes
            .iter()
            .map(|&(a, b, radius)| radius + distance(self.centre, a).max(distance(self.centre, b)))
            .fold(0.0, f64::max)
            .min(CLAIM_REACH - 70.0)
    }
}

/// Where claims are measured: loosened ground, so that no outline is a circle.
fn loosened(seed: u64, at: Coord) -> Coord {
    let wide = warp(seed, 61, 460.0, 80.0, at);
    warp(seed, 63, 170.0, 20.0, wide)
}

struct Bounds {
    /// From, to, half of the ground taken.
    lines: Vec<(Coord, Coord, f64)>,
}

impl Bounds {
    /// Lines that hold a claim back, near it: wide enough to show in a field of this step.
    fn of(claim: &Claim, around: &Around, reach: f64, step: f64) -> Bounds {
        let near = |a: Coord| distance(a, claim.centre) < reach + 150.0;
        let roads = around
            .roads
            .iter()
            .filter(|_| !claim.straddles)
            .flat_map(|road| {
                segments(&road.line)
                    .map(move |(a, b)| (a, b, (road.cleared / 2.0 + 3.0).max(0.9 * step)))
            });
        let streams = around
            .reaches
            .iter()
            .filter(|reach| reach.width > 6.0 || claim.stream_shy)
            .flat_map(|reach| {
                let gap = if reach.width > 6.0 {
                    claim.water_gap
                } else {
                    6.0
                };
                segments(&reach.line).map(move |(a, b)| (a, b, reach.width / 2.0 + gap))
            });
        Bounds {
            lines: roads.chain(streams).filter(|&(a, _, _)| near(a)).collect(),
        }
    }

    fn depth(&self, at: Coord) -> f64 {
        let mut least = f64::INFINITY;
        for &(a, b, half) in &self.lines {
            let square = to_segment_squared(at, a, b);
            // Most lines are too far away to matter: no root for them.
            if least + half > 0.0 && square < (least + half).powi(2) {
                least = square.sqrt() - half;
            }
        }
        least
    }
}

/// The block that comes of a claim among its rivals (all other claims of the cells around); None if too little is left.
pub fn block(seed: u64, claim: &Claim, rivals: &[&Claim], around: &Around) -> Option<DemoBlock> {
    let reach = claim.reach() + 70.0;
    let rivals: Vec<&Claim> = rivals
        .iter()
        .copied()
        .filter(|rival| !std::ptr::eq(*rival, claim))
        .filter(|rival| distance(rival.centre, claim.centre) < reach + rival.reach() + 70.0)
        .collect();
    let lakes: Vec<_> = around
        .lakes
        .iter()
        .filter(|lake| distance(lake.blob.centre, claim.centre) < reach + lake.blob.outer() + 80.0)
        .collect();
    let step = (reach / 24.0).clamp(10.0, 22.0);
    let bounds = Bounds::of(claim, around, reach, step);
    let count = (2.0 * reach / step).ceil() as usize + 1;
    let mut field = Field {
        low: claim.centre - Coord { x: reach, y: reach },
        step,
        columns: count,
        rows: count,
        values: Vec::with_capacity(count * count),
    };
    for row in 0..count {
        for column in 0..count {
            let at = field.at(column, row);
            let loose = loosened(seed, at);
            let own = claim.hold(loose);
            let bays = claim.ragged * noise(seed, 65, 310.0, at) + 9.0 * noise(seed, 66, 110.0, at);
            let mut inside = (own + bays).min(CLAIM_REACH - distance(at, claim.centre));
            for rival in &rivals {
                // Only the sign matters far out, and there rivals change nothing.
                if inside < -2.0 * step {
                    break;
                }
                inside = inside.min((own - rival.hold(loose)) / 2.0 - HALF_GAP);
            }
            if inside > -2.0 * step {
                inside = inside.min(bounds.depth(at));
                for lake in &lakes {
                    inside = inside.min(lake.blob.depth(at) - claim.water_gap);
                }
                for &(centre, radius) in &claim.islands {
                    inside = inside.min(distance(loose, centre) - radius);
                }
            }
            field.values.push(inside);
        }
    }
    field.soften();
    let mut parts = field.polygons(LEAST_M2);
    parts.truncate(if claim.several_parts { 3 } else { 1 });
    if parts.is_empty() {
        return None;
    }
    let shape = MultiPolygon(parts);
    let (spur, landing) = access(claim, &shape, around);
    let crossing = crossing(seed, claim, &shape, around);
    Some(DemoBlock {
        shape,
        azimuth: claim.azimuth,
        spur,
        landing,
        crossing,
    })
}

/// Where the way from the road to the far side meets a small stream inside the block: the wide ones need a bridge.
fn crossing(seed: u64, claim: &Claim, shape: &MultiPolygon, around: &Around) -> Option<Coord> {
    use geo::{Contains, Point};
    let from = claim.access?;
    let Coord { x, y } = claim.centre;
    if !Dice::at(seed, 61, x as i64, y as i64).chance(0.7) {
        return None;
    }
    let to = claim.centre + (claim.centre - from);
    let way = to - from;
    let small = around.reaches.iter().filter(|reach| reach.width < 4.0);
    let met = small
        .flat_map(|reach| segments(&reach.line))
        .filter_map(|(a, b)| {
            let step = b - a;
            let across = way.x * step.y - way.y * step.x;
            let off = a - from;
            let along_way = (off.x * step.y - off.y * step.x) / across;
            let along_step = (off.x * way.y - off.y * way.x) / across;
            let meets = (0.0..1.0).contains(&along_way) && (0.0..1.0).contains(&along_step);
            meets.then(|| lerp(a, b, along_step))
        });
    let dry = |at: &Coord| {
        let mut ponds = around.lakes.iter().chain(&around.wetlands);
        ponds.all(|pond| pond.blob.depth(*at) > 80.0)
    };
    let met = met.filter(dry);
    let off = |at: &Coord| distance(*at, claim.centre);
    let nearest = met.min_by(|a, b| off(a).total_cmp(&off(b)))?;
    shape.contains(&Point(nearest)).then_some(nearest)
}

/// A spur into the block with a landing at its end, or a landing where the road passes.
fn access(
    claim: &Claim,
    shape: &MultiPolygon,
    around: &Around,
) -> (Option<LineString>, Option<Coord>) {
    use geo::{Contains, Point};
    let Some(from) = claim.access else {
        return (None, None);
    };
    let inward = claim.centre - from;
    let far = length(inward);
    if claim.wants_spur && far > 110.0 && shape.unsigned_area() > 120_000.0 {
        let side = Coord {
            x: -inward.y,
            y: inward.x,
        } / far;
        let bend = side * (0.16 * far);
        let mut points: Vec<Coord> = (0..=14)
            .map(|step| {
                let t = f64::from(step) / 14.0;
                lerp(from, claim.centre, t * 1.1) + bend * (std::f64::consts::PI * t).sin()
            })
            .collect();
        for pond in around.lakes.iter().chain(&around.wetlands) {
            if distance(pond.blob.centre, claim.centre) < pond.blob.outer() + 30.0 + far {
                points = super::curve::around(&points, &pond.blob, 25.0);
            }
        }
        let river = around
            .reaches
            .iter()
            .filter(|reach| reach.width > 6.0)
            .flat_map(|reach| segments(&reach.line))
            .any(|(a, b)| points.iter().any(|&at| to_segment(at, a, b) < 40.0));
        let end = points[points.len() - 1];
        if !river && shape.contains(&Point(end)) {
            return (Some(tidy(points)), Some(end));
        }
    }
    let roadside = lerp(from, claim.centre, (34.0 / far.max(34.0)).min(1.0));
    let landing = (claim.wants_landing && shape.contains(&Point(roadside))).then_some(roadside);
    (None, landing)
}
