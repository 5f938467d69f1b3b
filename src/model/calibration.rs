//! A factor on the hours of a time model, fitted to sections that a crew and machine have finished.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Fewer sections tell nothing of how far they scatter.
pub const LEAST_SECTIONS: usize = 3;

/// Work studies count delays of up to 15 minutes as productive time, and longer ones as none (from memory).
pub const LONGEST_STOP_MIN: f64 = 15.0;

/// Hours taken over hours of the model, with the interval that holds it 19 times of 20.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Calibration {
    /// Hours taken for an hour of the model.
    pub factor: f64,
    /// The 95 % interval.
    pub low: f64,
    pub high: f64,
    /// What it rests on.
    pub sections: u64,
    pub blocks: u64,
    /// Productive hours of these sections: by the model as published, and taken.
    pub model_hours: f64,
    pub hours_taken: f64,
    /// Rows of the table that tell nothing: without hours taken, or of sections whose hours the layout does not know. Of
    /// tracks, sections that they were in but tell nothing of.
    pub passed_over: u64,
    /// Whether hours are multiplied by it; else it is only shown.
    pub applied: bool,
    /// The table or the tracks, as the project names them.
    pub source: String,
    /// What tracks tell beside, where the hours are from tracks.
    pub tracks: Option<TrackHours>,
}

/// Hours that tracks tell of, by what became of them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct TrackHours {
    /// In the sections that count.
    pub counted: f64,
    /// In sections passed over.
    pub passed_over: f64,
    /// Standing longer than `longest_stop_min`.
    pub stopped: f64,
    /// Between fixes that no stretch driven joins.
    pub gaps: f64,
    /// Beside every section.
    pub elsewhere: f64,
    /// A machine that stays within the noise of its fixes for longer is not at work.
    pub longest_stop_min: f64,
}

/// What is fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    pub factor: f64,
    pub low: f64,
    pub high: f64,
}

/// The ratio of sums, and its interval by Student's t with one degree of freedom less than there are pairs. Pairs are hours
/// of the model and hours taken, all above 0. None for fewer than [`LEAST_SECTIONS`].
///
/// Source: W. G. Cochran, Sampling Techniques, 3rd ed., 1977, chapter 6 (from memory); the same estimate and standard error
/// are those of `ratio.R` of the sampling course of the University of Montana (read).
pub fn fit(pairs: &[(f64, f64)]) -> Option<Fit> {
    if pairs.len() < LEAST_SECTIONS {
        return None;
    }
    let n = pairs.len() as f64;
    let sum = |of: fn(&(f64, f64)) -> f64| pairs.iter().map(of).fold(0.0, |sum, x| sum + x);
    let (model, taken) = (sum(|pair| pair.0), sum(|pair| pair.1));
    let factor = taken / model;
    let off = pairs.iter().map(|(x, y)| (y - factor * x).powi(2));
    let variance = off.fold(0.0, |sum, x| sum + x) / (n - 1.0);
    let error = (variance / n).sqrt() / (model / n);
    let t = StudentsT::new(0.0, 1.0, n - 1.0).ok()?.inverse_cdf(0.975);
    Some(Fit {
        factor,
        low: (factor - t * error).max(0.0),
        high: factor + t * error,
    })
}

impl Calibration {
    /// `1.18 (95 % interval 1.05 to 1.31, 12 sections of 3 blocks)`.
    pub fn words(&self) -> String {
        format!(
            "{:.3} (95 % interval {:.3} to {:.3}; {} sections of {} blocks)",
            self.factor, self.low, self.high, self.sections, self.blocks
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// As R's t.test gives an interval for a mean: of pairs with 1 hour of the model each, the ratio is the mean of what was
    /// taken. Of 1, 2, 3, 4 and 5 that is 3 with a standard error of 1/sqrt(2), and t is 2.776 for 4 degrees of freedom (table of
    /// NIST, 1.3.6.7.2).
    #[test]
    fn the_ratio_of_equal_parts_is_the_mean_with_its_interval() {
        let fit = fit(&[1.0, 2.0, 3.0, 4.0, 5.0].map(|taken| (1.0, taken))).unwrap();
        assert!((fit.factor - 3.0).abs() < 1e-12);
        assert!(
            (fit.high - 3.0 - 2.776 / 2f64.sqrt()).abs() < 5e-4,
            "{fit:?}"
        );
        assert!(
            (3.0 - fit.low - 2.776 / 2f64.sqrt()).abs() < 5e-4,
            "{fit:?}"
        );
    }

    #[test]
    fn two_sections_fit_nothing() {
        assert_eq!(fit(&[(1.0, 1.2), (2.0, 2.1)]), None);
    }
}
