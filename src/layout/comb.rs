//! The comb of strips and corridors across a part, in the turned frame.

use crate::geometry::sweep::Slab;

/// What the width of a part is off by at the most by rounding: less ground than that is no further strip.
const ROUNDED_M: f64 = 1e-6;

/// `every` strips side by side, then a corridor, and so on, from `start` to the right.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comb {
    pub start: f64,
    pub strip_m: f64,
    pub corridor_m: f64,
    /// Strips between two corridors; 0: no corridors at all.
    pub every: u32,
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
    pub fn strips(&self, end: f64) -> Vec<Slab> {
        (0..)
            .map(|strip| Slab {
                low: self.strip_low(strip),
                high: self.strip_high(strip),
            })
            .take_while(|slab| slab.low < end - ROUNDED_M)
            .collect()
    }

    /// Corridors that begin left of `end`, each with the index of the strip to its left.
    pub fn corridors(&self, end: f64) -> Vec<(u32, Slab)> {
        if self.every == 0 || self.corridor_m <= 0.0 {
            return vec![];
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
            .map_or(0.0, |slab| (slab.high - end).max(0.0))
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
            };
            let mut all = comb.strips(200.0);
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
                every: 0
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
}
