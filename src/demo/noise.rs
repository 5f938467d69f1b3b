//! Seeded chance: hashes of places, dice thrown from them, and smooth noise.

use geo::Coord;

/// Mixes a state into 64 even bits (the SplitMix64 finaliser of Steele, Lea & Flood 2014).
fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// Even bits for a lattice place; `salt` keeps the uses apart.
pub fn hash(seed: u64, salt: u64, i: i64, j: i64) -> u64 {
    let step = 0x9e37_79b9_7f4a_7c15_u64;
    let mut z = mix(seed.wrapping_add(step.wrapping_mul(salt + 1)));
    z = mix(z ^ (i as u64).wrapping_mul(step));
    mix(z ^ (j as u64).wrapping_mul(0xd6e8_feb8_6659_fd93))
}

/// A row of throws that depends on nothing but where it starts.
pub struct Dice(u64);

impl Dice {
    pub fn at(seed: u64, salt: u64, i: i64, j: i64) -> Dice {
        Dice(hash(seed, salt, i, j))
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        mix(self.0)
    }

    /// Even in 0..1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Even in `low..high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    pub fn chance(&mut self, share: f64) -> bool {
        self.unit() < share
    }

    /// An index below `count`, which must not be 0.
    pub fn below(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count - 1)
    }

    /// Standard normal, by Box and Muller.
    pub fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }
}

/// Unit vectors every 22.5 degrees.
const GRADIENTS: [(f64, f64); 16] = {
    const C1: f64 = 0.923_879_532_511_286_7;
    const C2: f64 = std::f64::consts::FRAC_1_SQRT_2;
    const C3: f64 = 0.382_683_432_365_089_8;
    [
        (1.0, 0.0),
        (C1, C3),
        (C2, C2),
        (C3, C1),
        (0.0, 1.0),
        (-C3, C1),
        (-C2, C2),
        (-C1, C3),
        (-1.0, 0.0),
        (-C1, -C3),
        (-C2, -C2),
        (-C3, -C1),
        (0.0, -1.0),
        (C3, -C1),
        (C2, -C2),
        (C1, -C3),
    ]
};

/// Gradient noise (Perlin 2002), about -1..1, smooth, with features of the size `wave` in metres.
pub fn noise(seed: u64, salt: u64, wave: f64, at: Coord) -> f64 {
    let (x, y) = (at.x / wave, at.y / wave);
    let (i, j) = (x.floor(), y.floor());
    let (fx, fy) = (x - i, y - j);
    let corner = |di: f64, dj: f64| {
        let bits = hash(seed, salt, (i + di) as i64, (j + dj) as i64);
        let (gx, gy) = GRADIENTS[(bits & 15) as usize];
        gx * (fx - di) + gy * (fy - dj)
    };
    let fade = |t: f64| t * t * t * (t * (t * 6.0 - 15.0) + 10.0);
    let (u, v) = (fade(fx), fade(fy));
    let low = corner(0.0, 0.0) * (1.0 - u) + corner(1.0, 0.0) * u;
    let high = corner(0.0, 1.0) * (1.0 - u) + corner(1.0, 1.0) * u;
    1.45 * (low * (1.0 - v) + high * v)
}

/// Moves a place by smooth noise; lines that meet before still meet after.
pub fn warp(seed: u64, salt: u64, wave: f64, reach: f64, at: Coord) -> Coord {
    Coord {
        x: at.x + reach * noise(seed, salt, wave, at),
        y: at.y + reach * noise(seed, salt + 1, wave, at),
    }
}

/// 0 below `from`, 1 above `to`, smooth between.
pub fn ramp(from: f64, to: f64, value: f64) -> f64 {
    let t = ((value - from) / (to - from)).clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_bounded_smooth_and_seeded() {
        let at = |step: i32| Coord {
            x: f64::from(step) * 1.7,
            y: f64::from(step) * -0.9,
        };
        for step in 0..2000 {
            let here = noise(5, 1, 100.0, at(step));
            assert!(here.abs() <= 1.1, "{here}");
            assert!((here - noise(5, 1, 100.0, at(step + 1))).abs() < 0.1);
        }
        assert_ne!(noise(5, 1, 100.0, at(7)), noise(6, 1, 100.0, at(7)));
    }
}
