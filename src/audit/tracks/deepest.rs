//! How far beyond a line a machine really was, from fixes that are each off by themselves. The worst of many fixes is off to the
//! worse side: of 20 fixes along a line, each off by 2 m, the worst reads 3.7 m too much. So fixes that do not differ by more
//! than chance are taken together: the figures are parted into stretches of one level by optimal partitioning (Jackson and
//! others 2005, *An algorithm for optimal partitioning of data on an interval*), a level more costing twice the logarithm of their
//! number; the greatest of the levels is corrected for having been picked by Clark (1961), *The greatest of a finite set of
//! random variables*.

use statrs::distribution::{Continuous, ContinuousCDF, Normal};

/// What a new level costs, in units of the logarithm of the number of fixes and of their variance.
const LEVEL_COST: f64 = 2.0;
/// Fixes so many standard errors below the greatest part the others into runs.
const OUT_OF_THE_RUNNING: f64 = 20.0;
/// Fixes parted at once.
const LONGEST: usize = 2_000;
/// Within a stretch of one level the figures vary by what nobody can tell from chance: the greatest lies this many of the
/// level's standard errors above it, and is so many times as uncertain. Settings of ours, chosen on simulated work of machines
/// (passes beside a line, stands one after the other, a stand away from the line); docs/audit.md has what they come to on others.
const UNSEEN_ABOVE: f64 = 0.6;
const UNSEEN_TIMES: f64 = 1.6;

/// A figure with its standard error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figure {
    pub mean: f64,
    pub error: f64,
}

/// The greatest there really was of `figures`, in the order driven, of which each may be off by `error`, a standard error, by
/// itself. None for no figures.
pub fn deepest(figures: &[f64], error: f64) -> Option<Figure> {
    let most = figures.iter().copied().reduce(f64::max)?;
    let running = |figure: f64| figure >= most - OUT_OF_THE_RUNNING * error;
    let runs = figures.chunk_by(|&a, &b| running(a) == running(b));
    let runs = runs.filter(|run| running(run[0]));
    let levels = runs
        .flat_map(|run| run.chunks(LONGEST))
        .flat_map(|run| levels(run, error));
    let found = levels.reduce(greater)?;
    Some(Figure {
        mean: found.mean + UNSEEN_ABOVE * found.error,
        error: UNSEEN_TIMES * found.error,
    })
}

/// The greatest of figures that are off independently of one another; None for none.
pub fn greatest(figures: impl IntoIterator<Item = Figure>) -> Option<Figure> {
    figures.into_iter().reduce(greater)
}

/// Levels of the parting with the least squares and costs.
fn levels(run: &[f64], error: f64) -> Vec<Figure> {
    let cost = LEVEL_COST * (run.len() as f64).ln() * error * error;
    let (mut sums, mut squares) = (vec![0.0], vec![0.0]);
    // Less the first, so that sums of squares stay small.
    for figure in run {
        let own = figure - run[0];
        sums.push(sums[sums.len() - 1] + own);
        squares.push(squares[squares.len() - 1] + own * own);
    }
    let mut best = vec![0.0];
    let mut from = vec![0];
    for end in 1..=run.len() {
        let whole = |begin: usize| {
            let (sum, square) = (sums[end] - sums[begin], squares[end] - squares[begin]);
            best[begin] + square - sum * sum / (end - begin) as f64 + cost
        };
        let (at, least) = (0..end)
            .map(|begin| (begin, whole(begin)))
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0));
        best.push(least);
        from.push(at);
    }
    let mut found = Vec::new();
    let mut end = run.len();
    while end > 0 {
        let begin = from[end];
        let count = (end - begin) as f64;
        found.push(Figure {
            mean: run[0] + (sums[end] - sums[begin]) / count,
            error: error / count.sqrt(),
        });
        end = begin;
    }
    found.reverse();
    found
}

/// Mean and standard error of the greater of two figures with normal errors that have nothing to do with one another.
fn greater(a: Figure, b: Figure) -> Figure {
    let apart = a.error.hypot(b.error);
    if apart <= f64::MIN_POSITIVE {
        return if a.mean >= b.mean { a } else { b };
    }
    let standard = Normal::standard();
    let z = (a.mean - b.mean) / apart;
    let (first, second) = (standard.cdf(z), standard.cdf(-z));
    let density = standard.pdf(z);
    // From a's mean, so that squares stay small.
    let off = b.mean - a.mean;
    let mean = off * second + apart * density;
    let square = a.error * a.error * first
        + (off * off + b.error * b.error) * second
        + off * apart * density;
    Figure {
        mean: a.mean + mean,
        error: (square - mean * mean).max(0.0).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Expected greatest of several standard normal figures: Harter 1961, *Expected values of normal order statistics*, table 1
    /// (from memory; exact for two and three: 1 / root of pi, 3 / (2 root of pi)). Clark's figures for more than two are near.
    #[test]
    fn the_greatest_of_several_is_what_the_table_has() {
        for (several, wanted, near) in [
            (2, 0.56419, 1e-5),
            (3, 0.84628, 0.002),
            (5, 1.16296, 0.01),
            (10, 1.53875, 0.02),
        ] {
            let one = Figure {
                mean: 7.0,
                error: 1.0,
            };
            let found = greatest(std::iter::repeat_n(one, several)).unwrap();
            assert!(
                (found.mean - 7.0 - wanted).abs() < near,
                "{several} {found:?}"
            );
        }
        // One far above all others is itself.
        let far = [(3.0, 0.5), (90.0, 0.25), (-4.0, 2.0)];
        let found = greatest(far.map(|(mean, error)| Figure { mean, error })).unwrap();
        assert!((found.mean - 90.0).abs() < 1e-9 && (found.error - 0.25).abs() < 1e-9);
    }

    #[test]
    fn figures_are_parted_where_they_differ_by_more_than_chance() {
        let jitter = [0.8, -0.9, 0.3, -0.2, 1.1, -1.1, 0.5, -0.5, 0.9, -0.9];
        let at = |level: f64| jitter.map(|own| level + own);
        let figures: Vec<f64> = [at(0.0), at(12.0), at(2.0)].concat();
        let found = levels(&figures, 1.0);
        let means: Vec<f64> = found.iter().map(|own| own.mean).collect();
        assert!(
            means
                .iter()
                .zip([0.0, 12.0, 2.0])
                .all(|(a, b)| (a - b).abs() < 1e-9),
            "{means:?}"
        );
        assert!((found[1].error - 0.1f64.sqrt()).abs() < 1e-12);
        // 13.1 is the worst fix; 12 and a little was the depth.
        let deepest = deepest(&figures, 1.0).unwrap();
        assert!(
            (deepest.mean - 12.0 - 0.6 * found[1].error).abs() < 1e-6,
            "{deepest:?}"
        );
    }
}
