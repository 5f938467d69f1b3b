//! Which way the strips run: from the road in. A plain choice, to be refined by terrain and cost.

use geo::{Coord, MinimumRotatedRect, MultiLineString, MultiPolygon, Polygon};

use crate::geometry::area::Bounds;
use crate::geometry::frame::{Frame, azimuth_deg};
use crate::model::Azimuth;

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
    let bounds = Bounds::of(&part.exterior().0);
    Coord {
        x: (bounds.min.x + bounds.max.x) / 2.0,
        y: (bounds.min.y + bounds.max.y) / 2.0,
    }
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

/// The strips' azimuth, from the road in, in degrees. `pitch_m` is strip plus corridor.
pub fn choose(
    wish: Azimuth,
    part: &Polygon,
    interior: &MultiPolygon,
    side: RoadSide,
    pitch_m: f64,
) -> f64 {
    match wish {
        Azimuth::Degrees(degrees) => azimuth_deg(towards(from_azimuth(degrees), side.inward)),
        Azimuth::LongSide => azimuth_deg(towards(long_side(part), side.inward)),
        Azimuth::SquareToRoad => azimuth_deg(side.inward),
        Azimuth::Auto => fewest_strips(part, interior, side, pitch_m),
    }
}

/// Fewest strips among whole degrees within 30 of square to the road (all directions without frontage); among equals
/// the nearest to square.
fn fewest_strips(part: &Polygon, interior: &MultiPolygon, side: RoadSide, pitch_m: f64) -> f64 {
    let square_deg = azimuth_deg(side.inward);
    let limit = if side.no_frontage { 90 } else { 30 };
    let whole;
    let ground = if interior.0.is_empty() {
        whole = MultiPolygon(vec![part.clone()]);
        &whole
    } else {
        interior
    };
    let count = |turn: i32| {
        let frame = Frame::new(square_deg + f64::from(turn));
        let corners = ground.0.iter().flat_map(|polygon| &polygon.exterior().0);
        let mut bounds = Bounds::EMPTY;
        corners.for_each(|&c| bounds.add(frame.enter(c)));
        ((bounds.max.x - bounds.min.x) / pitch_m).ceil() as i64
    };
    let turn = (-limit..=limit)
        .min_by_key(|&turn| (count(turn), turn.abs(), turn))
        .unwrap_or(0);
    (square_deg + f64::from(turn)).rem_euclid(360.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo::LineString;

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

    #[test]
    fn strips_run_square_from_the_road_in() {
        let part = rectangle(300.0, 200.0);
        let south = MultiLineString(vec![LineString::from(vec![(300., 0.), (0., 0.)])]);
        let side = road_side(&part, &south, None);
        let azimuth = choose(
            Azimuth::SquareToRoad,
            &part,
            &MultiPolygon(vec![]),
            side,
            20.0,
        );
        assert!(azimuth.min(360.0 - azimuth) < 1e-9, "{azimuth}");
        let along = choose(
            Azimuth::Degrees(190.0),
            &part,
            &MultiPolygon(vec![]),
            side,
            20.0,
        );
        assert!(
            (along - 10.0).abs() < 1e-9,
            "a wished azimuth is turned to run in from the road: {along}"
        );
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
