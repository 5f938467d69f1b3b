//! The comb of strips and corridors across a part, in the turned frame.

use crate::geometry::sweep::Slab;

/// What the width of a part is off by at the most by rounding: less ground than that is no further strip.
const ROUNDED_M: f64 = 1e-6;

/// `every` strips side by side, then a corridor, and so on, from `start` to the right; where a planner drew lines, around these.
#[derive(Clone, Debug, PartialEq)]
pub struct Comb {
    pub start: f64,
    pub strip_m: f64,
    pub corridor_m: f64,
    /// Strips between two corridors; 0: no corridors at all.
    pub every: u32,
    /// Where lines of strips are given, from left to right.
    pub given: Vec<f64>,
}

/// A strip of a comb.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tooth {
    pub slab: Slab,
    pub width_m: f64,
    /// Where its line is given.
    pub given: Option<f64>,
}

impl Comb {
    fn corridors_before(&self, strip: u32) -> u32 {
        strip.checked_div(self.every).unwrap_or(0)
    }

    fn strip_low(&self, strip: u32) -> f64 {
        self.start
            + f64::from(strip) * self.strip_m
            + f64::from(self.corridors_before(strip)) * self.corridor_m
    }

    /// Where a strip ends: the very number at which its neighbour begins, so that slabs never overlap by a rounding.
    fn strip_high(&self, strip: u32) -> f64 {
        let corridor_follows = self.corridors_before(strip + 1) > self.corridors_before(strip);
        let gap_m = if corridor_follows {
            self.corridor_m
        } else {
            0.0
        };
        self.strip_low(strip + 1) - gap_m
    }

    /// Strips from the first to the last that begins left of `end`.
    pub fn strips(&self, end: f64) -> Vec<Tooth> {
        if !self.given.is_empty() {
            return self.around_given(end).strips;
        }
        (0..)
            .map(|strip| Slab {
                low: self.strip_low(strip),
                high: self.strip_high(strip),
            })
            .take_while(|slab| slab.low < end - ROUNDED_M)
            .map(|slab| Tooth {
                slab,
                width_m: self.strip_m,
                given: None,
            })
            .collect()
    }

    fn has_corridors(&self) -> bool {
        self.every > 0 && self.corridor_m > 0.0
    }

    /// Corridors that begin left of `end`, each with the index of the strip to its left.
    pub fn corridors(&self, end: f64) -> Vec<(u32, Slab)> {
        if !self.has_corridors() {
            return vec![];
        }
        if !self.given.is_empty() {
            return self.around_given(end).corridors;
        }
        (1..)
            .map(|corridor| {
                let next_strip = corridor * self.every;
                let high = self.strip_low(next_strip);
                (
                    next_strip - 1,
                    Slab {
                        low: high - self.corridor_m,
                        high,
                    },
                )
            })
            .take_while(|(_, slab)| slab.low < end - ROUNDED_M)
            .collect()
    }

    pub fn corridor_slabs(&self, end: f64) -> Vec<Slab> {
        self.corridors(end)
            .into_iter()
            .map(|(_, slab)| slab)
            .collect()
    }

    /// How far the last strip reaches beyond `end`.
    pub fn excess(&self, end: f64) -> f64 {
        self.strips(end)
            .last()
            .map_or(0.0, |tooth| (tooth.slab.high - end).max(0.0))
    }

    /// Strips about the given lines, and from them to both sides as ever. Between two lines strips are as wide as each other;
    /// room there that is too narrow for a strip, and wide enough for a corridor, is one.
    fn around_given(&self, end: f64) -> Laid {
        let mut laid = Laid::default();
        let half_m = self.strip_m / 2.0;
        let slabs: Vec<Slab> = (self.given.iter().enumerate())
            .map(|(at, &x)| {
                let left = at.checked_sub(1).map(|before| self.given[before]);
                let right = self.given.get(at + 1);
                let middle = |other: f64| (other + x) / 2.0;
                Slab {
                    low: left.map_or(x - half_m, |left| (x - half_m).max(middle(left))),
                    high: right.map_or(x + half_m, |&right| (x + half_m).min(middle(right))),
                }
            })
            .collect();
        // The first line stands in the middle of its row of strips.
        let (left, right) = ((self.every.max(1) - 1) / 2, self.every.max(1) / 2);
        let mut edge = slabs[0].low;
        let mut row = left;
        let mut before: Vec<(bool, Slab)> = Vec::new();
        while edge > self.start + ROUNDED_M {
            let is_corridor =
                self.has_corridors() && row == 0 && edge - self.corridor_m > self.start + ROUNDED_M;
            let width_m = if is_corridor {
                row = self.every;
                self.corridor_m
            } else {
                row = row.saturating_sub(1);
                self.strip_m
            };
            let slab = Slab {
                low: edge - width_m,
                high: edge,
            };
            before.push((is_corridor, slab));
            edge = slab.low;
        }
        for (is_corridor, slab) in before.into_iter().rev() {
            laid.add(is_corridor, slab, None);
        }
        for (at, slab) in slabs.iter().enumerate() {
            laid.add(false, *slab, Some(self.given[at]));
            if let Some(next) = slabs.get(at + 1) {
                self.fill(&mut laid, slab.high, next.low);
            }
        }
        let mut edge = slabs[slabs.len() - 1].high;
        let mut row = right;
        while edge < end - ROUNDED_M {
            let (is_corridor, width_m) = self.next(&mut row, true);
            let slab = Slab {
                low: edge,
                high: edge + width_m,
            };
            laid.add(is_corridor, slab, None);
            edge = slab.high;
        }
        laid
    }

    /// Whether a corridor comes next, and how wide it or the strip is; `row` is how many strips come before the next corridor.
    fn next(&self, row: &mut u32, may_be_corridor: bool) -> (bool, f64) {
        let is_corridor = self.has_corridors() && *row == 0 && may_be_corridor;
        if is_corridor {
            *row = self.every;
            return (true, self.corridor_m);
        }
        *row = row.saturating_sub(1);
        (false, self.strip_m)
    }

    /// What lies between the strips of two given lines.
    fn fill(&self, laid: &mut Laid, low: f64, high: f64) {
        let wide_m = high - low;
        if wide_m <= ROUNDED_M {
            return;
        }
        let whole = ((wide_m + ROUNDED_M) / self.strip_m).floor();
        let spare_m = wide_m - whole * self.strip_m;
        let beside = |corridors: f64| {
            let cut_m = wide_m - corridors * self.corridor_m;
            ((cut_m - ROUNDED_M) / self.strip_m).ceil()
        };
        let (strips, corridors, corridor_m) = match self.has_corridors() {
            false => (beside(0.0), 0.0, 0.0),
            true if spare_m >= self.corridor_m - ROUNDED_M => (whole, 1.0, spare_m),
            true => {
                let mut corridors = (whole / f64::from(self.every)).floor();
                // No two of them side by side.
                while corridors > 0.0 && beside(corridors) < corridors {
                    corridors -= 1.0;
                }
                (beside(corridors), corridors, self.corridor_m)
            }
        };
        let strip_m = (wide_m - corridors * corridor_m) / strips.max(1.0);
        let (strips, corridors) = (strips as u32, corridors as u32);
        // Corridors part the strips as evenly as whole numbers can.
        let after = |corridor: u32| (corridor + 1) * strips / (corridors + 1);
        let mut edge = low;
        let mut next = 0;
        for strip in 0..=strips {
            while next < corridors && after(next) == strip {
                let to = if strip == strips {
                    high
                } else {
                    edge + corridor_m
                };
                laid.add(
                    true,
                    Slab {
                        low: edge,
                        high: to,
                    },
                    None,
                );
                edge = to;
                next += 1;
            }
            if strip < strips {
                let last = strip + 1 == strips && next == corridors;
                let to = if last { high } else { edge + strip_m };
                laid.add(
                    false,
                    Slab {
                        low: edge,
                        high: to,
                    },
                    None,
                );
                edge = to;
            }
        }
    }
}

#[derive(Default)]
struct Laid {
    strips: Vec<Tooth>,
    corridors: Vec<(u32, Slab)>,
}

impl Laid {
    fn add(&mut self, is_corridor: bool, slab: Slab, given: Option<f64>) {
        if is_corridor {
            self.corridors
                .push(((self.strips.len() as u32).saturating_sub(1), slab));
        } else {
            self.strips.push(Tooth {
                slab,
                width_m: slab.width(),
                given,
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_and_corridors_fill_the_width_without_gap_or_overlap() {
        for every in 1..4 {
            let comb = Comb {
                start: -3.0,
                strip_m: 16.0,
                corridor_m: 4.0,
                every,
                given: vec![],
            };
            let mut all: Vec<Slab> = comb.strips(200.0).iter().map(|tooth| tooth.slab).collect();
            all.extend(comb.corridor_slabs(200.0));
            all.sort_by(|a, b| a.low.total_cmp(&b.low));
            assert!(
                all.windows(2).all(|w| (w[0].high - w[1].low).abs() < 1e-9),
                "{all:?}"
            );
        }
        assert!(
            Comb {
                start: 0.0,
                strip_m: 16.0,
                corridor_m: 4.0,
                every: 0,
                given: vec![],
            }
            .corridors(100.0)
            .is_empty()
        );
    }
    /// By hand: 160 m are eight strips of 20 m, and 164 m seven strips of 20 m with six corridors of 4 m between them.
    #[test]
    fn what_rounding_leaves_over_is_no_strip_of_its_own() {
        for (every, corridor_m, wide_m, count) in [(0, 0.0, 160.0, 8), (1, 4.0, 164.0, 7)] {
            let comb = Comb {
                start: -80.0,
                strip_m: 20.0,
                corridor_m,
                every,
                given: vec![],
            };
            for off_m in [-2e-7, 0.0, 2e-7] {
                let end = comb.start + wide_m + off_m;
                let strips = comb.strips(end);
                assert_eq!(strips.len(), count, "{off_m}");
                assert!(comb.excess(end) < 1e-6, "{off_m}");
                let corridors = comb.corridor_slabs(end).len();
                assert_eq!(corridors, if every == 0 { 0 } else { count - 1 });
            }
            assert_eq!(
                comb.strips(comb.start + wide_m + corridor_m + 0.001).len(),
                count + 1
            );
        }
    }

    /// Whatever lines are given: strips and corridors lie side by side from the first to the last, none wider than a strip, and
    /// about each line lies a strip.
    #[test]
    fn around_given_lines_the_width_is_filled_without_gap_or_overlap() {
        let mut state = 7u64;
        let mut draw = |low: f64, high: f64| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            low + (high - low) * ((state >> 11) as f64 / (1u64 << 53) as f64)
        };
        for _ in 0..2_000 {
            let mut given = vec![draw(-20.0, 150.0)];
            while draw(0.0, 1.0) < 0.6 {
                given.push(given[given.len() - 1] + draw(8.0, 90.0));
            }
            let comb = Comb {
                start: -30.0,
                strip_m: 16.0,
                corridor_m: draw(-2.0, 16.0).max(0.0),
                every: draw(0.0, 6.0) as u32,
                given: given.clone(),
            };
            let strips = comb.strips(400.0);
            let mut all: Vec<Slab> = strips.iter().map(|tooth| tooth.slab).collect();
            all.extend(comb.corridor_slabs(400.0));
            all.sort_by(|a, b| a.low.total_cmp(&b.low));
            assert!(all[0].low <= -30.0 + 1e-6 && all[all.len() - 1].high >= 400.0 - 1e-6);
            for w in all.windows(2) {
                assert!((w[0].high - w[1].low).abs() < 1e-9, "{comb:?}: {w:?}");
            }
            assert!(
                all.iter().all(|slab| slab.width() < 16.0 + 1e-9),
                "{comb:?}"
            );
            let of: Vec<f64> = strips.iter().filter_map(|tooth| tooth.given).collect();
            assert_eq!(of, given);
            for tooth in &strips {
                if let Some(x) = tooth.given {
                    assert!(tooth.slab.low < x && x < tooth.slab.high);
                }
            }
            for (left, slab) in comb.corridors(400.0) {
                assert!((strips[left as usize].slab.high - slab.low).abs() < 1e-9);
            }
        }
    }
    /// By hand: lines 52 m apart leave 36 m between strips of 16 m: two strips, and a corridor of 4 m; 35 m apart leave 19 m, two
    /// strips of 9.5 m.
    #[test]
    fn room_between_given_lines_is_a_corridor_where_one_fits() {
        let comb = |apart_m: f64| Comb {
            start: 0.0,
            strip_m: 16.0,
            corridor_m: 4.0,
            every: 3,
            given: vec![8.0, 8.0 + apart_m],
        };
        let widths = |apart_m: f64| -> Vec<f64> {
            let comb = comb(apart_m);
            let strips = comb.strips(16.0 + apart_m);
            strips.iter().map(|tooth| tooth.width_m).collect()
        };
        assert_eq!(widths(52.0), [16.0; 4]);
        assert_eq!(
            comb(52.0).corridor_slabs(68.0),
            [Slab {
                low: 32.0,
                high: 36.0
            }]
        );
        assert_eq!(widths(35.0), [16.0, 9.5, 9.5, 16.0]);
        assert!(comb(35.0).corridor_slabs(51.0).is_empty());
        assert_eq!(widths(20.0), [16.0, 16.0], "the room between is a corridor");
    }
}
