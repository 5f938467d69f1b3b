//! Ground too deep for the longest strip, parted by lines across the strips: the tier at the outlet is worked first, and
//! wood of the next comes over it.

use geo::{Coord, Geometry, LineString, MultiLineString, MultiPolygon, Polygon};

use super::setting::{Setting, Tier, merge_small};
use super::strips::Part;
use crate::geometry::area::{Bounds, length};
use crate::geometry::overlay::{clip_lines, difference, inside_and_outside, intersection};
use crate::geometry::sweep::upright;
use crate::model::{Finding, LayoutSettings, StripKind, StripLine, Verdict};

/// Strips are measured at so many places of each one's width.
const PER_STRIP: u32 = 4;
/// They come out at least this much shorter than asked, since they lie between the places measured.
const SPARE_M: f64 = 1.0;
/// Lines are no steeper than this against square to the strips: a machine turns at their ends.
const STEEPEST: f64 = 1.0;
/// How often ground is parted at most: more than as often as any ground of a block is deep.
const ROUNDS: u32 = 400;
/// What is tried of the room that a line has, to both sides of its middle.
const OFFSETS: [f64; 9] = [0.0, -0.25, 0.25, -0.5, 0.5, -0.75, 0.75, -0.98, 0.98];
/// So many lines are tried before ground is left as deep as it is.
const TRIES: usize = 20;

/// Settings, each with the index of its part of the net area, none deeper than strips may be long where a line parts
/// it into settings of the least size. Tiers follow one another from the outlet in.
pub fn divide(parts: &[(usize, Part<'_>)], limits: Limits) -> Vec<(usize, Setting)> {
    let mut settings = Vec::with_capacity(parts.len());
    for (of, (index, part)) in parts.iter().enumerate() {
        let mut found = Vec::new();
        let mut rounds = ROUNDS;
        let whole = Deep {
            shape: part.setting.shape.clone(),
            interior: part.turned_interior.clone(),
        };
        whole.part(part, limits, &mut rounds, &mut found);
        let divided = found.len() > 1;
        settings.extend(found.into_iter().map(|shape| {
            let (tier, choice) = match divided {
                true => {
                    let tier = Tier {
                        whole: part.setting.shape.clone(),
                        of,
                        azimuth_deg: part.azimuth_deg,
                    };
                    (Some(tier), None)
                }
                false => (None, Some(part.choice)),
            };
            let setting = Setting {
                shape,
                tier,
                choice,
                ..part.setting.clone()
            };
            (*index, setting)
        }));
    }
    settings
}

#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// Longest strip.
    pub most_m: f64,
    /// Width of a strip, and of the pass along a dividing line.
    pub strip_m: f64,
    /// Smaller tiers go to what they lie longest against.
    pub least_m2: f64,
}

/// Ground that is looked at, and what of it strips are laid on, in the turned frame.
struct Deep {
    shape: Polygon,
    interior: MultiPolygon,
}

/// A stretch that a strip would run through.
#[derive(Clone, Copy, Debug)]
struct Chord {
    x: f64,
    low: f64,
    high: f64,
}

impl Chord {
    fn long_m(&self) -> f64 {
        self.high - self.low
    }

    /// Between which ordinates a line parts it so that it needs no tier more than it must: about half of them on each side.
    fn room(&self, limits: Limits) -> [f64; 2] {
        let most_m = limits.most_m - SPARE_M;
        let tier_m = most_m + limits.strip_m;
        let count = ((self.long_m() + limits.strip_m) / tier_m).ceil().max(2.0);
        let below = (count / 2.0).floor();
        let top = self.low + below * tier_m;
        let bottom = self.high - (count - below) * tier_m + limits.strip_m;
        let top = top.min(self.high - limits.strip_m);
        let bottom = bottom.max(self.low + 2.0 * limits.strip_m);
        [bottom.min(top), top]
    }
}

/// A dividing line, y = at + slope * x.
#[derive(Clone, Copy, Debug)]
struct Line {
    at: f64,
    slope: f64,
}

impl Line {
    fn y(&self, x: f64) -> f64 {
        self.at + self.slope * x
    }

    /// What lies less than `depth_m` below the line.
    fn below(&self, bounds: &Bounds, depth_m: f64) -> Polygon {
        let (left, right) = (bounds.min.x - 1.0, bounds.max.x + 1.0);
        let [a, b] = [left, right].map(|x| Coord { x, y: self.y(x) });
        let down = |c: Coord| Coord {
            y: c.y - depth_m,
            ..c
        };
        Polygon::new(LineString(vec![down(a), down(b), b, a, down(a)]), vec![])
    }
}

impl Deep {
    fn part(self, part: &Part<'_>, limits: Limits, rounds: &mut u32, found: &mut Vec<Polygon>) {
        let chords = chords(&self.interior, limits.strip_m);
        let is_long = |chord: &&Chord| chord.long_m() > limits.most_m;
        let long: Vec<Chord> = chords.iter().filter(is_long).copied().collect();
        if long.is_empty() || *rounds == 0 {
            found.push(self.shape);
            return;
        }
        *rounds -= 1;
        let lines = lines(&self.interior, &chords, &long, limits).into_iter();
        let cut = lines
            .take(TRIES)
            .find_map(|line| Some((line, self.cut(part, line, limits)?)));
        let Some((line, tiers)) = cut else {
            found.push(self.shape);
            return;
        };
        // Strips end at the pass along the line.
        let bounds = Bounds::of_polygons(&part.frame.enter_polygons(&whole(&self.shape)));
        let lane = [line.below(&bounds, limits.strip_m * line.slope.hypot(1.0))];
        for (tier, shape) in tiers {
            let turned = part.frame.enter_polygons(&whole(&shape));
            let mut interior = intersection(&self.interior, &turned.0);
            if tier == 0 {
                interior = difference(&interior, &lane);
            }
            Deep { shape, interior }.part(part, limits, rounds, found);
        }
    }

    /// The ground below a line, 0, and above it, 1; None where that would leave a setting below the least size.
    fn cut(&self, part: &Part<'_>, line: Line, limits: Limits) -> Option<Vec<(usize, Polygon)>> {
        let ground = whole(&self.shape);
        let bounds = Bounds::of_polygons(&part.frame.enter_polygons(&ground));
        let lowest = [bounds.min.x - 1.0, bounds.max.x + 1.0].map(|x| line.y(x) - bounds.min.y);
        let depth_m = lowest[0].max(lowest[1]).max(0.0) + 1.0;
        let below = [part.frame.leave_polygon(&line.below(&bounds, depth_m))];
        let tiers = inside_and_outside(&ground, &below);
        let shapes = (0..).zip(tiers).flat_map(|(tier, ground)| {
            let shapes = ground.0.into_iter();
            shapes.map(move |shape| (tier, shape))
        });
        let mut tiers = merge_small(shapes.collect(), limits.least_m2);
        tiers.sort_by_key(|(tier, _)| *tier);
        let parted = tiers.first()?.0 != tiers.last()?.0;
        parted.then_some(tiers)
    }
}

fn whole(shape: &Polygon) -> MultiPolygon {
    MultiPolygon(vec![shape.clone()])
}

/// At every part of a strip's width the ground that a strip with its middle there is driven through: as far as it goes
/// anywhere in the strip.
fn chords(interior: &MultiPolygon, strip_m: f64) -> Vec<Chord> {
    let bounds = Bounds::of_polygons(interior);
    let step_m = strip_m / f64::from(PER_STRIP);
    let count = ((bounds.max.x - bounds.min.x) / step_m).ceil().max(0.0) as usize;
    let x = |k: usize| bounds.min.x + (k as f64 + 0.5) * step_m;
    let ground: Vec<Vec<[f64; 2]>> = (0..count).map(|k| upright(interior, x(k))).collect();
    let half = PER_STRIP as usize / 2;
    let mut chords = Vec::new();
    for (k, own) in ground.iter().enumerate() {
        for &[low, high] in own {
            let mut chord = Chord { x: x(k), low, high };
            let beside = &ground[k.saturating_sub(half)..(k + half + 1).min(count)];
            for [other_low, other_high] in beside.iter().flatten() {
                if *other_low < high && *other_high > low {
                    chord.low = chord.low.min(*other_low);
                    chord.high = chord.high.max(*other_high);
                }
            }
            chords.push(chord);
        }
    }
    chords
}

/// Lines that part the longest chord, the best first: those that part most of what is too long, cut through little else and have
/// the shortest pass along them.
fn lines(interior: &MultiPolygon, chords: &[Chord], long: &[Chord], limits: Limits) -> Vec<Line> {
    let rooms: Vec<(f64, [f64; 2])> = long.iter().map(|c| (c.x, c.room(limits))).collect();
    let longest = (long.iter()).fold(long[0], |a, b| if b.long_m() > a.long_m() { *b } else { a });
    let [bottom, top] = longest.room(limits);
    let middle = |[low, high]: [f64; 2]| (low + high) / 2.0;
    let count = rooms.len() as f64;
    let mean_y = rooms.iter().map(|(_, room)| middle(*room)).sum::<f64>() / count;
    let half_m = rooms.iter().map(|(_, [low, high])| (high - low) / 2.0);
    let half_m = half_m.fold(f64::INFINITY, f64::min);
    let fitted = fitted(&rooms, mean_y);
    let level = |at: f64| Line { at, slope: 0.0 };
    let tried = OFFSETS.into_iter().flat_map(|part| {
        let off_m = part * half_m;
        let own_m = part * (top - bottom) / 2.0;
        let slanted = Line {
            at: fitted.at + off_m,
            ..fitted
        };
        [
            level(middle([bottom, top]) + own_m),
            level(mean_y + off_m),
            slanted,
        ]
    });
    let bounds = Bounds::of_polygons(interior);
    // Each place at which strips are measured stands for this part of one.
    let each = limits.strip_m / f64::from(PER_STRIP);
    let cost_m = |line: Line| {
        let ends = [bounds.min.x, bounds.max.x].map(|x| Coord { x, y: line.y(x) });
        let across = MultiLineString(vec![LineString(ends.to_vec())]);
        let pass = clip_lines(&across, &interior.0, true);
        let pass_m: f64 = pass.0.iter().map(length).sum();
        let missed = (rooms.iter())
            .filter(|(x, [low, high])| !(*low..=*high).contains(&line.y(*x)))
            .count();
        let spoilt = (chords.iter())
            .filter(|c| c.long_m() <= limits.most_m)
            .filter(|c| (c.low..=c.high).contains(&line.y(c.x)))
            .count();
        pass_m + each * (2 * missed + spoilt) as f64
    };
    let least_m = limits.strip_m.min(longest.long_m() / 4.0);
    let parted = longest.low + least_m..=longest.high - least_m;
    let lines = tried.filter(|line| parted.contains(&line.y(longest.x)));
    let mut costed: Vec<(f64, Line)> = lines.map(|line| (cost_m(line), line)).collect();
    costed.sort_by(|a, b| a.0.total_cmp(&b.0));
    costed.into_iter().map(|(_, line)| line).collect()
}

/// The straight line nearest to the middles of all rooms.
fn fitted(rooms: &[(f64, [f64; 2])], mean_y: f64) -> Line {
    let mean_x = rooms.iter().map(|(x, _)| x).sum::<f64>() / rooms.len() as f64;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (x, [low, high]) in rooms {
        xx += (x - mean_x).powi(2);
        xy += (x - mean_x) * ((low + high) / 2.0 - mean_y);
    }
    let slope = if xx > 0.0 { xy / xx } else { 0.0 };
    let slope = slope.clamp(-STEEPEST, STEEPEST);
    Line {
        at: mean_y - slope * mean_x,
        slope,
    }
}

/// Strips of ground that no line parts into settings of the least size.
pub fn too_long(layout: &LayoutSettings, lines: &[StripLine]) -> Option<Finding> {
    let most_m = layout.max_strip_m?;
    let strips = lines.iter().filter(|line| line.kind == StripKind::Interior);
    let long = strips.map(|line| (length(&line.shape), line));
    let long: Vec<(f64, &StripLine)> = long.filter(|(m, _)| *m > most_m + 0.01).collect();
    let (longest_m, line) = long
        .iter()
        .copied()
        .reduce(|a, b| if b.0 > a.0 { b } else { a })?;
    Some(Finding {
        rule_id: "max-strip".to_owned(),
        verdict: Verdict::Warn,
        measured: Some(longest_m),
        required: Some(most_m),
        unit: "m",
        message: format!(
            "strips longer than {most_m:.0} m: {}, the longest {longest_m:.0} m; a line across them would leave a setting below \
             least_setting",
            long.len()
        ),
        source: "layout.max_strip of the project file".to_owned(),
        shape: Some(Geometry::LineString(line.shape.clone())),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        most_m: 300.0,
        strip_m: 16.0,
        least_m2: 10_000.0,
    };

    #[test]
    fn a_line_leaves_both_sides_with_as_few_tiers_as_can_be() {
        for long_m in [301.0, 450.0, 615.0, 640.0, 900.0, 1500.0, 3333.0] {
            let chord = Chord {
                x: 0.0,
                low: 20.0,
                high: 20.0 + long_m,
            };
            let tiers =
                |m: f64| ((m + LIMITS.strip_m) / (LIMITS.most_m + LIMITS.strip_m - SPARE_M)).ceil();
            let [bottom, top] = chord.room(LIMITS);
            for y in [bottom, (bottom + top) / 2.0, top] {
                // What a rounding takes is no tier more.
                let (below, above) = (y - LIMITS.strip_m - 20.0 - 1e-6, chord.high - y - 1e-6);
                assert!(below > 0.0 && above > 0.0, "{long_m}: {y}");
                assert_eq!(tiers(below) + tiers(above), tiers(long_m), "{long_m}: {y}");
            }
        }
    }

    #[test]
    fn a_slanted_depth_is_parted_along_its_slant_and_a_waist_at_the_waist() {
        let polygon = |points: &[(f64, f64)]| {
            let mut ring = points.to_vec();
            ring.push(points[0]);
            MultiPolygon(vec![Polygon::new(LineString::from(ring), vec![])])
        };
        let line = |ground: &MultiPolygon| {
            let chords = chords(ground, 16.0);
            let long: Vec<Chord> = chords
                .iter()
                .filter(|c| c.long_m() > 300.0)
                .copied()
                .collect();
            lines(ground, &chords, &long, LIMITS)[0]
        };
        let slanted = polygon(&[(0., 0.), (600., 300.), (600., 700.), (0., 400.)]);
        let found = line(&slanted);
        assert!((found.slope - 0.5).abs() < 0.01, "{found:?}");
        let waist = polygon(&[
            (0., 0.),
            (200., 0.),
            (200., 180.),
            (140., 180.),
            (140., 230.),
            (200., 230.),
            (200., 400.),
            (0., 400.),
        ]);
        let found = line(&waist);
        assert!((180.0..=230.0).contains(&found.y(100.0)), "{found:?}");
        assert_eq!(found.slope, 0.0);
    }
}
