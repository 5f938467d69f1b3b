//! The lie of the land: long valleys that fall one way, with hills and side valleys between them.

use geo::Coord;

use super::noise::{Dice, noise, ramp};

/// Distance between two main valleys, in metres.
const VALLEY_SPACING: f64 = 6_000.0;
/// The valleys run this much askew to the grid; an upright grid of valleys would look drawn.
const TURN: (f64, f64) = (0.906_307_787_036_65, 0.422_618_261_740_699_4);
/// Height of the ridges over the valley floors, in metres.
const RELIEF: f64 = 170.0;
/// Elevation of the lowest floor in the middle of the country: high enough that a wide one nowhere falls below the sea.
const SEA_TO_FLOOR: f64 = 1_600.0;
/// Every so many metres up there is a steep face.
const FACE_SPACING: f64 = 140.0;
/// Height over which a face would rise without being steep, and what it rises more.
const FACE: (f64, f64) = (12.0, 18.0);

#[derive(Clone, Copy, Debug)]
pub struct Terrain {
    pub seed: u64,
}

/// A place told by its valley.
#[derive(Clone, Copy, Debug)]
pub struct InValley {
    /// Which valley.
    pub valley: i64,
    /// Metres to the right of the valley's axis, looking up the valley.
    pub off_axis: f64,
    /// Metres up the valley.
    pub along: f64,
}

impl Terrain {
    fn turned(at: Coord) -> Coord {
        Coord {
            x: at.x * TURN.0 - at.y * TURN.1,
            y: at.x * TURN.1 + at.y * TURN.0,
        }
    }

    fn turned_back(at: Coord) -> Coord {
        Coord {
            x: at.x * TURN.0 + at.y * TURN.1,
            y: -at.x * TURN.1 + at.y * TURN.0,
        }
    }

    /// How far the axes swing out, in turned coordinates.
    fn swing(&self, turned: Coord) -> f64 {
        let stretched = Coord {
            x: turned.x * 0.4,
            y: turned.y,
        };
        800.0 * noise(self.seed, 1, 5_200.0, stretched) + 650.0
    }

    pub fn locate(&self, at: Coord) -> InValley {
        let turned = Terrain::turned(at);
        let across = turned.x + self.swing(turned);
        let valley = (across / VALLEY_SPACING).round();
        InValley {
            valley: valley as i64,
            off_axis: across - valley * VALLEY_SPACING,
            along: turned.y,
        }
    }

    /// The inverse of [`Terrain::locate`].
    pub fn place(&self, spot: InValley) -> Coord {
        let target = spot.valley as f64 * VALLEY_SPACING + spot.off_axis;
        let mut turned = Coord {
            x: target,
            y: spot.along,
        };
        // The swing changes by at most a tenth of a metre a metre across: each round gains a digit.
        for _ in 0..8 {
            turned.x = target - self.swing(turned);
        }
        Terrain::turned_back(turned)
    }

    /// Height in metres over the lowest floor.
    pub fn height(&self, at: Coord) -> f64 {
        let spot = self.locate(at);
        let off = spot.off_axis.abs();
        let side = (off / (VALLEY_SPACING / 2.0)).powf(0.9);
        let hills = ramp(120.0, 900.0, off);
        0.011 * spot.along
            + RELIEF * side
            + hills
                * (75.0 * noise(self.seed, 2, 2_100.0, at)
                    + 30.0 * noise(self.seed, 3, 900.0, at)
                    + 6.0 * noise(self.seed, 4, 350.0, at))
    }

    /// Elevation in metres over the sea: the heights that water and roads follow, with a steep face here and there along
    /// a contour. What is higher stays higher, so water still runs down; only where a hillside is steep anyway, a face
    /// is too steep for a machine.
    pub fn elevation(&self, at: Coord) -> f64 {
        let height = self.height(at);
        let faces = height / FACE_SPACING;
        let half = FACE.0 / FACE_SPACING / 2.0;
        let risen = faces.floor() + ramp(0.5 - half, 0.5 + half, faces - faces.floor());
        SEA_TO_FLOOR + height + FACE.1 * risen
    }

    /// Rise over run and the uphill direction, by differences over 40 m.
    pub fn slope(&self, at: Coord) -> Coord {
        let d = 20.0;
        let h = |dx: f64, dy: f64| {
            self.height(Coord {
                x: at.x + dx,
                y: at.y + dy,
            })
        };
        Coord {
            x: (h(d, 0.0) - h(-d, 0.0)) / (2.0 * d),
            y: (h(0.0, d) - h(0.0, -d)) / (2.0 * d),
        }
    }

    /// How much wider than usual the river of a valley is.
    pub fn river_factor(&self, valley: i64) -> f64 {
        match valley {
            0 => 2.0,
            _ => Dice::at(self.seed, 5, valley, 0).between(0.8, 2.3),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_found_again_from_its_valley() {
        let terrain = Terrain { seed: 3 };
        for step in -40..40 {
            let at = Coord {
                x: f64::from(step) * 431.0,
                y: f64::from(step) * -277.0,
            };
            let back = terrain.place(terrain.locate(at));
            assert!((back.x - at.x).hypot(back.y - at.y) < 1e-3);
        }
    }

    #[test]
    fn what_is_higher_stays_higher() {
        let terrain = Terrain { seed: 3 };
        let mut places: Vec<(f64, f64)> = (0..4_000)
            .map(|step| {
                let at = Coord {
                    x: f64::from(step % 60) * 97.0,
                    y: f64::from(step / 60) * 131.0,
                };
                (terrain.height(at), terrain.elevation(at))
            })
            .collect();
        places.sort_by(|a, b| a.0.total_cmp(&b.0));
        assert!(
            places
                .windows(2)
                .all(|w| w[1].1 - w[0].1 >= w[1].0 - w[0].0 - 1e-9)
        );
    }

    #[test]
    fn valley_floors_fall_one_way() {
        let terrain = Terrain { seed: 3 };
        let floor = |along: f64| {
            terrain.height(terrain.place(InValley {
                valley: 1,
                off_axis: 0.0,
                along,
            }))
        };
        for step in 0..100 {
            let along = f64::from(step) * 100.0;
            assert!(floor(along) < floor(along + 100.0));
        }
    }
}
