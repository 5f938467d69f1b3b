//! Segments by the squares of a grid: for a great many short questions among segments that run askew, whose boxes in an
//! R-tree would overlap nearly everything.

use geo::Coord;

use super::area::Bounds;
use super::distance::Segment;

/// Squares beyond this many are made larger instead, however far the segments lie apart.
const MOST_SQUARES: f64 = 1_000_000.0;
/// Squares are entered this much beyond a segment, so that rounding loses none.
const SLACK_M: f64 = 1e-6;

pub struct SegmentGrid {
    segments: Vec<Segment>,
    low: Coord,
    side_m: f64,
    columns: usize,
    rows: usize,
    /// Where each square's entries start; one more than there are squares.
    starts: Vec<u32>,
    entries: Vec<u32>,
}

impl SegmentGrid {
    /// Squares of about `side_m`.
    pub fn new(segments: Vec<Segment>, side_m: f64) -> SegmentGrid {
        let mut bounds: Option<Bounds> = None;
        for segment in &segments {
            let own = Bounds::of(&[segment.a, segment.b]);
            bounds = Some(bounds.map_or(own, |all| Bounds {
                min: Coord {
                    x: all.min.x.min(own.min.x),
                    y: all.min.y.min(own.min.y),
                },
                max: Coord {
                    x: all.max.x.max(own.max.x),
                    y: all.max.y.max(own.max.y),
                },
            }));
        }
        let (low, size) = bounds.map_or((Coord::zero(), Coord::zero()), |b| (b.min, b.max - b.min));
        let mut side_m = side_m;
        while (size.x / side_m + 1.0) * (size.y / side_m + 1.0) > MOST_SQUARES {
            side_m *= 2.0;
        }
        let count = |length_m: f64| (length_m / side_m) as usize + 1;
        let mut grid = SegmentGrid {
            segments,
            low,
            side_m,
            columns: count(size.x),
            rows: count(size.y),
            starts: Vec::new(),
            entries: Vec::new(),
        };
        grid.fill();
        grid
    }

    fn fill(&mut self) {
        let mut starts = vec![0u32; self.columns * self.rows + 1];
        for segment in &self.segments {
            self.squares(segment, |square| starts[square + 1] += 1);
        }
        for square in 1..starts.len() {
            starts[square] += starts[square - 1];
        }
        let mut next = starts.clone();
        let mut entries = vec![0u32; starts.last().map_or(0, |&all| all as usize)];
        for (segment, index) in self.segments.iter().zip(0u32..) {
            self.squares(segment, |square| {
                entries[next[square] as usize] = index;
                next[square] += 1;
            });
        }
        (self.starts, self.entries) = (starts, entries);
    }

    fn column(&self, x: f64) -> usize {
        (((x - self.low.x) / self.side_m) as usize).min(self.columns - 1)
    }

    fn row(&self, y: f64) -> usize {
        (((y - self.low.y) / self.side_m) as usize).min(self.rows - 1)
    }

    /// Every square that a segment passes through, row by row.
    fn squares(&self, segment: &Segment, mut enter: impl FnMut(usize)) {
        let (a, b) = if segment.a.y <= segment.b.y {
            (segment.a, segment.b)
        } else {
            (segment.b, segment.a)
        };
        let rise = b.y - a.y;
        let x_at = |y: f64| {
            if rise > 0.0 {
                a.x + (b.x - a.x) * ((y - a.y) / rise).clamp(0.0, 1.0)
            } else {
                a.x
            }
        };
        for row in self.row(a.y - SLACK_M)..=self.row(b.y + SLACK_M) {
            let floor = self.low.y + row as f64 * self.side_m;
            let (from, to) = if rise > SLACK_M {
                (x_at(floor - SLACK_M), x_at(floor + self.side_m + SLACK_M))
            } else {
                (a.x, b.x)
            };
            let (left, right) = (from.min(to) - SLACK_M, from.max(to) + SLACK_M);
            for column in self.column(left)..=self.column(right) {
                enter(row * self.columns + column);
            }
        }
    }

    /// Segments in the squares that the box of `a`-`b`, grown by `within_m`, meets: at least all that come so near.
    /// One may come more than once.
    pub fn near(&self, a: Coord, b: Coord, within_m: f64) -> impl Iterator<Item = &Segment> {
        let grown_m = within_m + SLACK_M;
        let columns = self.column(a.x.min(b.x) - grown_m)..=self.column(a.x.max(b.x) + grown_m);
        (self.row(a.y.min(b.y) - grown_m)..=self.row(a.y.max(b.y) + grown_m)).flat_map(move |row| {
            let (first, last) = (
                row * self.columns + columns.start(),
                row * self.columns + columns.end(),
            );
            // Squares of one row lie side by side.
            self.entries[self.starts[first] as usize..self.starts[last + 1] as usize]
                .iter()
                .map(|&index| &self.segments[index as usize])
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::distance::segment_segment;

    #[test]
    fn no_near_segment_is_missed() {
        let mut state = 11u64;
        let mut next = |scale: f64| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 33) as f64 / (1u64 << 31) as f64 * scale
        };
        let mut segments: Vec<Segment> = (0..400)
            .map(|owner| {
                let a = Coord {
                    x: next(500.0),
                    y: next(300.0),
                };
                let reach = if owner % 3 == 0 { 400.0 } else { 20.0 };
                let b = a + Coord {
                    x: next(reach) - reach / 2.0,
                    y: next(reach) - reach / 2.0,
                };
                Segment { a, b, owner }
            })
            .collect();
        // Upright, level, on grid lines, and of no length.
        for (owner, (a, b)) in [
            ((24.0, 0.0), (24.0, 300.0)),
            ((0.0, 36.0), (500.0, 36.0)),
            ((48.0, 48.0), (48.0, 48.0)),
        ]
        .into_iter()
        .enumerate()
        {
            segments.push(Segment {
                a: a.into(),
                b: b.into(),
                owner: 400 + owner as u32,
            });
        }
        let grid = SegmentGrid::new(segments.clone(), 12.0);
        for _ in 0..500 {
            let a = Coord {
                x: next(700.0) - 100.0,
                y: next(500.0) - 100.0,
            };
            let b = a + Coord {
                x: next(30.0) - 15.0,
                y: next(30.0) - 15.0,
            };
            let within_m = next(4.0);
            let found = |owner: u32| grid.near(a, b, within_m).any(|s| s.owner == owner);
            for s in &segments {
                if segment_segment(a, b, s.a, s.b) <= within_m {
                    assert!(found(s.owner), "{s:?} of {a:?} {b:?}");
                }
            }
        }
    }

    #[test]
    fn nothing_and_far_apart_are_answered() {
        let zero = Coord::zero();
        assert_eq!(
            SegmentGrid::new(vec![], 12.0).near(zero, zero, 5.0).count(),
            0
        );
        let far = Coord { x: 1e7, y: 2e7 };
        let segments = [zero, far].map(|at| Segment {
            a: at,
            b: at,
            owner: 0,
        });
        let grid = SegmentGrid::new(segments.to_vec(), 12.0);
        assert!(grid.starts.len() <= 1_000_001);
        assert_eq!(grid.near(far, far, 1.0).count(), 1);
    }
}
