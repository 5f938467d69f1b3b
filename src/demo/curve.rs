//! Curves and outlines.

use geo::{Coord, LineString, Polygon};

use super::noise::{Dice, noise};

/// Plain square root: several times faster than `hypot`, and the same on every machine.
pub fn length(v: Coord) -> f64 {
    (v.x * v.x + v.y * v.y).sqrt()
}

pub fn distance(a: Coord, b: Coord) -> f64 {
    length(a - b)
}

pub fn lerp(a: Coord, b: Coord, t: f64) -> Coord {
    a + (b - a) * t
}

/// Square of the distance from a place to a segment.
pub fn to_segment_squared(p: Coord, a: Coord, b: Coord) -> f64 {
    let (d, v) = (b - a, p - a);
    let square = d.x * d.x + d.y * d.y;
    let t = if square > 0.0 {
        ((v.x * d.x + v.y * d.y) / square).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let off = v - d * t;
    off.x * off.x + off.y * off.y
}

/// Distance from a place to a segment.
pub fn to_segment(p: Coord, a: Coord, b: Coord) -> f64 {
    to_segment_squared(p, a, b).sqrt()
}

/// Centimetres are as fine as any survey; short coordinates also keep files small.
pub fn rounded(at: Coord) -> Coord {
    Coord {
        x: (at.x * 100.0).round() / 100.0,
        y: (at.y * 100.0).round() / 100.0,
    }
}

/// Points of the Catmull-Rom curve from `b` to `c`, `b` included, `c` not (cardinal spline of tension 1/2).
pub fn spline(a: Coord, b: Coord, c: Coord, d: Coord, steps: usize) -> impl Iterator<Item = Coord> {
    (0..steps).map(move |step| {
        let t = step as f64 / steps as f64;
        let (t2, t3) = (t * t, t * t * t);
        a * (-0.5 * t3 + t2 - 0.5 * t)
            + b * (1.5 * t3 - 2.5 * t2 + 1.0)
            + c * (-1.5 * t3 + 2.0 * t2 + 0.5 * t)
            + d * (0.5 * t3 - 0.5 * t2)
    })
}

/// A round thing with an uneven shore.
#[derive(Clone, Copy, Debug)]
pub struct Blob {
    pub centre: Coord,
    /// Mean radius in metres.
    pub radius: f64,
    /// Length over width.
    pub stretch: f64,
    /// Direction of the length, radians counter-clockwise from east.
    pub turn: f64,
    /// Unevenness of the shore, 0 round to 0.4 ragged.
    pub ragged: f64,
    pub seed: u64,
}

impl Blob {
    fn shore(&self, angle: f64) -> f64 {
        let (sin, cos) = (angle - self.turn).sin_cos();
        let root = self.stretch.sqrt();
        let oval = 1.0 / (cos / root).hypot(sin * root);
        let ring = Coord {
            x: angle.cos(),
            y: angle.sin(),
        };
        let bumps = noise(self.seed, 90, 1.1, ring * 1.3 + Coord { x: 7.3, y: 1.9 })
            + 0.5 * noise(self.seed, 91, 0.45, ring * 1.3);
        self.radius * oval * (1.0 + self.ragged * bumps).max(0.35)
    }

    /// Signed distance along the ray from the centre: negative inside.
    pub fn depth(&self, at: Coord) -> f64 {
        let v = at - self.centre;
        length(v) - self.shore(v.y.atan2(v.x))
    }

    /// No shore is farther from the centre.
    pub fn outer(&self) -> f64 {
        self.radius * self.stretch.sqrt() * (1.0 + 1.6 * self.ragged)
    }

    pub fn outline(&self) -> Polygon {
        let count = (self.radius / 3.0).clamp(24.0, 72.0) as usize;
        let mut ring: Vec<Coord> = (0..count)
            .map(|step| {
                let angle = std::f64::consts::TAU * step as f64 / count as f64;
                let (sin, cos) = angle.sin_cos();
                rounded(self.centre + Coord { x: cos, y: sin } * self.shore(angle))
            })
            .collect();
        ring.push(ring[0]);
        Polygon::new(LineString(ring), vec![])
    }

    pub fn throw(dice: &mut Dice, centre: Coord, radius: f64, seed: u64) -> Blob {
        Blob {
            centre,
            radius,
            stretch: dice.between(1.0, 1.9),
            turn: dice.between(0.0, std::f64::consts::PI),
            ragged: dice.between(0.12, 0.3),
            seed,
        }
    }
}

/// Leads a line around a blob, `clear` metres from its shore: what comes nearer goes along the shore, the shorter way.
pub fn around(line: &[Coord], blob: &Blob, clear: f64) -> Vec<Coord> {
    let angle_of = |p: Coord| (p.y - blob.centre.y).atan2(p.x - blob.centre.x);
    let mut out: Vec<Coord> = Vec::with_capacity(line.len());
    let mut inside: Vec<Coord> = Vec::new();
    let flush = |inside: &mut Vec<Coord>, out: &mut Vec<Coord>| {
        if let (Some(&first), Some(&last)) = (inside.first(), inside.last()) {
            let (from, to) = (angle_of(first), angle_of(last));
            let turn = (to - from + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU)
                - std::f64::consts::PI;
            let steps = (turn.abs() * blob.radius / 20.0).ceil().max(1.0) as usize;
            for step in 0..=steps {
                let angle = from + turn * step as f64 / steps as f64;
                let (sin, cos) = angle.sin_cos();
                let rim = blob.shore(angle) + clear;
                out.push(blob.centre + Coord { x: cos, y: sin } * rim);
            }
        }
        inside.clear();
    };
    for &p in line {
        if blob.depth(p) < clear {
            inside.push(p);
        } else {
            flush(&mut inside, &mut out);
            out.push(p);
        }
    }
    flush(&mut inside, &mut out);
    out
}

/// Rounded coordinates without repeats.
pub fn tidy(points: impl IntoIterator<Item = Coord>) -> LineString {
    let mut out: Vec<Coord> = points.into_iter().map(rounded).collect();
    out.dedup();
    LineString(out)
}
