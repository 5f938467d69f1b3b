//! Which way the strips run: from the road in, so that machine and skidding time is least.

use std::collections::BTreeMap;

use geo::{ConvexHull, Coord, MinimumRotatedRect, MultiLineString, Polygon};

use super::cost::Model;
use crate::geometry::area::Bounds;
use crate::geometry::frame::{Frame, azimuth_deg};
use crate::model::{Azimuth, AzimuthChoice, Costs};

/// The road side of a part.
#[derive(Clone, Copy, Debug)]
pub struct RoadSide {
    /// Unit vector from the road into the part.
    pub inward: Coord,
    /// True: no frontage; `inward` runs from the nearest access, or is a guess when there is none.
    pub no_frontage: bool,
}

/// The middle of the box around a part, which is all that a direction needs.
pub fn middle(part: &Polygon) -> Coord {
    Bounds::of(&part.exterior().0).middle()
}

fn unit(v: Coord) -> Option<Coord> {
    let length = v.x.hypot(v.y);
    (length > 1e-9).then(|| Coord {
        x: v.x / length,
        y: v.y / length,
    })
}

/// Square to the frontage, whose direction is the length-weighted mean of its segments; without frontage, away from
/// `access`; without access, along the part's long side.
pub fn road_side(part: &Polygon, front: &MultiLineString, access: Option<Coord>) -> RoadSide {
    const SHORTEST_FRONT_M: f64 = 5.0;
    let (mut cos2, mut sin2, mut total) = (0.0, 0.0, 0.0);
    let mut centre = Coord { x: 0.0, y: 0.0 };
    for w in front.0.iter().flat_map(|line| line.0.windows(2)) {
        let (dx, dy) = (w[1].x - w[0].x, w[1].y - w[0].y);
        let length = dx.hypot(dy);
        let angle = dy.atan2(dx);
        cos2 += length * (2.0 * angle).cos();
        sin2 += length * (2.0 * angle).sin();
        centre = centre + (w[0] + w[1]) * (length / 2.0);
        total += length;
    }
    if total >= SHORTEST_FRONT_M {
        let angle = sin2.atan2(cos2) / 2.0;
        let normal = Coord {
            x: -angle.sin(),
            y: angle.cos(),
        };
        let to_middle = middle(part) - centre / total;
        let facing = normal.x * to_middle.x + normal.y * to_middle.y;
        let inward = if facing < 0.0 { normal * -1.0 } else { normal };
        return RoadSide {
            inward,
            no_frontage: false,
        };
    }
    let inward = access
        .and_then(|access| unit(middle(part) - access))
        .unwrap_or_else(|| long_side(part));
    RoadSide {
        inward,
        no_frontage: true,
    }
}

/// Unit vector along the long side of the smallest rectangle around the part, northwards.
fn long_side(part: &Polygon) -> Coord {
    let north = Coord { x: 0.0, y: 1.0 };
    let Some(rectangle) = MinimumRotatedRect::minimum_rotated_rect(part) else {
        return north;
    };
    let corners = &rectangle.exterior().0;
    let longest = corners.windows(2).max_by(|a, b| {
        let length = |w: &[Coord]| (w[1].x - w[0].x).hypot(w[1].y - w[0].y);
        length(a).total_cmp(&length(b))
    });
    let direction = longest.and_then(|w| unit(w[1] - w[0])).unwrap_or(north);
    if (direction.y, direction.x) < (0.0, 0.0) {
        direction * -1.0
    } else {
        direction
    }
}

fn towards(direction: Coord, inward: Coord) -> Coord {
    if direction.x * inward.x + direction.y * inward.y < 0.0 {
        direction * -1.0
    } else {
        direction
    }
}

fn from_azimuth(azimuth_deg: f64) -> Coord {
    let (sin, cos) = azimuth_deg.to_radians().sin_cos();
    Coord { x: sin, y: cos }
}

/// The chosen azimuth, from the road in, in degrees.
pub fn choose(wish: Azimuth, part: &Polygon, side: RoadSide, model: &Model) -> AzimuthChoice {
    let square_deg = azimuth_deg(side.inward);
    let long_deg = azimuth_deg(towards(long_side(part), side.inward));
    let search = Search {
        model,
        square_deg,
        tried: BTreeMap::new(),
    };
    let (chosen_deg, evaluations, (square, long_side, chosen)) = match wish {
        Azimuth::Degrees(degrees) => search.settled(
            azimuth_deg(towards(from_azimuth(degrees), side.inward)),
            long_deg,
        ),
        Azimuth::LongSide => search.settled(long_deg, long_deg),
        Azimuth::SquareToRoad => search.settled(square_deg, long_deg),
        Azimuth::Auto => search.least(part, long_deg),
    };
    AzimuthChoice {
        azimuth_deg: chosen_deg,
        square_deg,
        long_side_deg: long_deg,
        chosen,
        square,
        long_side,
        evaluations,
    }
}

/// Turns are held in tenths of a degree from square to the road, so that none is tried twice.
struct Search<'s> {
    model: &'s Model<'s>,
    square_deg: f64,
    tried: BTreeMap<i32, Costs>,
}

/// Tenths of a degree between the first directions that are tried.
const COARSE: i32 = 20;
/// Steps from the best of them to both sides: a strip more or less makes narrow valleys.
const SCAN: [i32; 3] = [4, 8, 14];
/// Steps from the best of those.
const FINE: [i32; 2] = [2, 1];
/// Turn to either side of an outline edge's direction.
const BESIDE: i32 = 3;
/// Square to the road, or the long side, is as good as the best within this factor.
const AS_GOOD: f64 = 1.003;
/// How many of the first directions are looked at closely.
const CLOSE_LOOKS: usize = 6;
/// Outline edges whose directions are tried too: strips along a straight side waste least.
const EDGES: usize = 4;

impl Search<'_> {
    fn cost(&mut self, turn: i32) -> f64 {
        let azimuth = self.square_deg + f64::from(turn) / 10.0;
        let model = self.model;
        let costs = self
            .tried
            .entry(turn)
            .or_insert_with(|| model.costs(azimuth));
        costs.total_h()
    }

    /// Nearest turn to an azimuth, -900 < turn <= 900: half a circle, because strips run in and out.
    fn turn(&self, azimuth_deg: f64) -> i32 {
        let turn = ((azimuth_deg - self.square_deg) * 10.0).round() as i32;
        let turn = turn.rem_euclid(1800);
        if turn > 900 { turn - 1800 } else { turn }
    }

    fn settled(self, chosen_deg: f64, long_deg: f64) -> (f64, u32, (Costs, Costs, Costs)) {
        let costs = |azimuth| self.model.costs(azimuth);
        let all = (costs(self.square_deg), costs(long_deg), costs(chosen_deg));
        (chosen_deg, 3, all)
    }

    fn least(mut self, part: &Polygon, long_deg: f64) -> (f64, u32, (Costs, Costs, Costs)) {
        let mut first: Vec<i32> = (-900 / COARSE..=900 / COARSE).map(|k| k * COARSE).collect();
        let mut edges: Vec<(f64, i32)> = part
            .exterior()
            .0
            .windows(2)
            .map(|w| {
                let d = w[1] - w[0];
                (d.x.hypot(d.y), self.turn(azimuth_deg(d)))
            })
            .collect();
        edges.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let long_turn = self.turn(long_deg);
        first.push(long_turn);
        // A strip beside a straight edge just takes it in or just misses it: both sides are tried.
        let beside = |&(_, turn): &(f64, i32)| [turn - BESIDE, turn, turn + BESIDE];
        first.extend(edges.iter().take(EDGES).flat_map(beside));
        // Near ties go to the direction nearer to square: the order is by cost, then by turn.
        let mut ranked: Vec<(f64, i32)> = first.iter().map(|&t| (self.cost(t), t)).collect();
        let order = |a: &(f64, i32), b: &(f64, i32)| {
            a.0.total_cmp(&b.0)
                .then(a.1.abs().cmp(&b.1.abs()))
                .then(a.1.cmp(&b.1))
        };
        ranked.sort_by(order);
        ranked.dedup_by_key(|(_, turn)| *turn);
        let mut best = ranked[0];
        let hull = part.convex_hull();
        let (square_deg, pitch_m) = (self.square_deg, self.model.pitch_m);
        let strips = |turn: i32| {
            let frame = Frame::new(square_deg + f64::from(turn) / 10.0);
            let mut across = Bounds::EMPTY;
            for &corner in &hull.exterior().0 {
                across.add(frame.enter(corner));
            }
            ((across.max.x - across.min.x) / pitch_m).ceil() as i64
        };
        // Where one strip more is needed the cost jumps; the best direction often lies just before.
        let changes = |turn: i32| {
            let counts: Vec<i64> = (turn - COARSE..=turn + COARSE).map(strips).collect();
            let at = counts.windows(2).enumerate().filter(|(_, w)| w[0] != w[1]);
            at.map(|(k, _)| turn - COARSE + k as i32)
                .collect::<Vec<i32>>()
        };
        let mut looked: Vec<i32> = Vec::new();
        for &(cost, turn) in &ranked {
            if looked.len() == CLOSE_LOOKS {
                break;
            }
            if looked.iter().any(|seen| (seen - turn).abs() < COARSE) {
                continue;
            }
            looked.push(turn);
            let mut here = (cost, turn);
            let mut visit = |turn: i32, here: &mut (f64, i32)| {
                let turn = turn.clamp(-900, 900);
                let there = (self.cost(turn), turn);
                if order(&there, here).is_lt() {
                    *here = there;
                }
            };
            for step in SCAN {
                visit(turn - step, &mut here);
                visit(turn + step, &mut here);
            }
            for change in changes(turn) {
                visit(change, &mut here);
                visit(change + 1, &mut here);
            }
            for step in FINE {
                let from = here.1;
                visit(from - step, &mut here);
                visit(from + step, &mut here);
            }
            if order(&here, &best).is_lt() {
                best = here;
            }
        }
        // A hair's breadth is no reason to turn strips off square or off the long side.
        if let Some(plain) = [0, long_turn]
            .into_iter()
            .find(|&turn| self.cost(turn) <= best.0 * AS_GOOD)
        {
            best = (self.cost(plain), plain);
        }
        let evaluations = self.tried.len() as u32;
        let of = |turn: i32| self.tried[&turn];
        let azimuth = (self.square_deg + f64::from(best.1) / 10.0).rem_euclid(360.0);
        (azimuth, evaluations, (of(0), of(long_turn), of(best.1)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::distance::SegmentIndex;
    use crate::geometry::frame::Frame;
    use crate::layout::cost::{Access, Gradient};
    use crate::model::Production;
    use geo::{LineString, MultiPolygon};

    fn rectangle(width: f64, height: f64) -> Polygon {
        let ring = vec![
            (0., 0.),
            (width, 0.),
            (width, height),
            (0., height),
            (0., 0.),
        ];
        Polygon::new(LineString::from(ring), vec![])
    }

    fn model_of<'m>(
        ground: &'m MultiPolygon,
        access: &'m Access,
        production: &'m Production,
    ) -> Model<'m> {
        Model {
            ground,
            access,
            gradient: None,
            production,
            pitch_m: 20.0,
            max_strip_m: None,
            stems_per_m2: 0.05,
            tree_m3: 0.3,
            wind: None,
            headings: None,
        }
    }

    fn road(line: &[(f64, f64)]) -> (MultiLineString, Access) {
        let front = MultiLineString(vec![LineString::from(line.to_vec())]);
        let access = Access::new(SegmentIndex::of_lines(&front), vec![]);
        (front, access)
    }

    #[test]
    fn of_two_ways_along_a_line_the_one_that_leads_in_is_taken() {
        for turn in 0..36 {
            for aside in (-80..=80).step_by(20) {
                let inward = from_azimuth(f64::from(turn) * 10.0);
                let along = from_azimuth(f64::from(turn * 10 + aside));
                for given in [along, along * -1.0] {
                    assert_eq!(towards(given, inward), along, "{turn} {aside}");
                }
            }
        }
    }

    #[test]
    fn strips_run_square_from_the_road_in() {
        let part = rectangle(300.0, 200.0);
        let (south, access) = road(&[(300., 0.), (0., 0.)]);
        let side = road_side(&part, &south, None);
        let ground = MultiPolygon(vec![part.clone()]);
        let production = Production::default();
        let model = model_of(&ground, &access, &production);
        for wish in [Azimuth::SquareToRoad, Azimuth::Auto] {
            let azimuth = choose(wish, &part, side, &model).azimuth_deg;
            assert!(azimuth.min(360.0 - azimuth) < 1e-9, "{wish:?} {azimuth}");
        }
        let along = choose(Azimuth::Degrees(190.0), &part, side, &model).azimuth_deg;
        assert!(
            (along - 10.0).abs() < 1e-9,
            "a wished azimuth is turned to run in from the road: {along}"
        );
    }

    /// A shape with the road sides it has, drawn from a seed.
    fn random_part(seed: u64) -> (Polygon, Vec<LineString>) {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(1);
        let mut draw = |low: f64, high: f64| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            low + (high - low) * ((state >> 11) as f64 / (1u64 << 53) as f64)
        };
        let (w, h) = (draw(150.0, 700.0), draw(120.0, 600.0));
        let (u, v) = (draw(0.3, 0.7) * w, draw(0.3, 0.7) * h);
        let mut holes = vec![];
        let outline: Vec<(f64, f64)> = match seed % 4 {
            0 => {
                // A convex outline on an ellipse.
                let count = 5 + (seed / 4 % 6) as usize;
                let step = std::f64::consts::TAU / count as f64;
                (0..count)
                    .map(|k| (k as f64 + draw(-0.3, 0.3)) * step)
                    .map(|a| (w / 2.0 * (1.0 + a.cos()), h / 2.0 * (1.0 + a.sin())))
                    .collect()
            }
            1 => vec![(0., 0.), (w, 0.), (w, v), (u, v), (u, h), (0., h)],
            2 => vec![
                (0., 0.),
                (w, 0.),
                (w, h),
                (w - u / 3.0, h),
                (w - u / 3.0, v),
                (u / 3.0, v),
                (u / 3.0, h),
                (0., h),
            ],
            _ => {
                let (x, y) = (draw(0.2, 0.5) * w, draw(0.3, 0.5) * h);
                let (r, s) = (draw(0.1, 0.3) * w, draw(0.1, 0.3) * h);
                holes.push(vec![(x, y), (x, y + s), (x + r, y + s), (x + r, y), (x, y)]);
                vec![(0., 0.), (w, draw(0.0, 0.2) * h), (w, h), (0., h)]
            }
        };
        let turned = Frame::new(draw(0.0, 360.0));
        let place = |points: Vec<(f64, f64)>| -> Vec<Coord> {
            points
                .into_iter()
                .map(|(x, y)| turned.leave(Coord { x, y }))
                .collect()
        };
        let mut ring = place(outline);
        let sides = ring.len();
        ring.push(ring[0]);
        let side = |k: usize| LineString(vec![ring[k % sides], ring[k % sides + 1]]);
        let mut roads = vec![side(0)];
        if seed.is_multiple_of(3) {
            roads.push(side(1));
        }
        let holes = holes.into_iter().map(|h| LineString(place(h))).collect();
        (Polygon::new(LineString(ring), holes), roads)
    }

    /// The choice against every tenth of a degree, with and without sloping ground.
    #[test]
    fn the_choice_costs_at_most_one_percent_more_than_the_best_of_all_tenths_of_a_degree() {
        let production = Production::default();
        let (mut sum, mut evaluations) = (0.0, 0);
        const PARTS: u64 = 200;
        for seed in 0..PARTS {
            let (part, roads) = random_part(seed);
            let front = MultiLineString(roads);
            let access = Access::new(SegmentIndex::of_lines(&front), vec![]);
            let side = road_side(&part, &front, None);
            let ground = MultiPolygon(vec![part.clone()]);
            let hill = |c: Coord| Some((0.3 * (c.x / 180.0).sin(), 0.2 * (c.y / 150.0).cos()));
            let model = Model {
                gradient: seed.is_multiple_of(2).then_some(&hill as Gradient),
                ..model_of(&ground, &access, &production)
            };
            let choice = choose(Azimuth::Auto, &part, side, &model);
            let best = (-900..=900)
                .map(|t| model.costs(choice.square_deg + f64::from(t) / 10.0))
                .fold(f64::INFINITY, |least, costs| least.min(costs.total_h()));
            let ratio = choice.chosen.total_h() / best;
            sum += ratio;
            evaluations += choice.evaluations;
            assert!(ratio <= 1.01, "part {seed}: {ratio}");
            let as_good = choice.chosen.total_h() / AS_GOOD;
            assert!(as_good <= choice.square.total_h());
            assert!(as_good <= choice.long_side.total_h());
        }
        let mean = sum / PARTS as f64;
        assert!(mean <= 1.001, "{mean}");
        let share = f64::from(evaluations) / (1801.0 * PARTS as f64);
        assert!(share <= 0.1, "{share} of all directions were costed");
    }

    #[test]
    fn without_frontage_strips_run_away_from_the_access() {
        let part = rectangle(300.0, 200.0);
        let side = road_side(
            &part,
            &MultiLineString(vec![]),
            Some(Coord {
                x: -500.0,
                y: 100.0,
            }),
        );
        assert!(side.no_frontage && side.inward.x > 0.99);
    }
}
