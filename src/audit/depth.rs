//! How far beyond a line the cut really is, and how sure that is. Of tracks the worst of many fixes is off to the worse side:
//! what is left of that after smoothing is corrected.

use geo::Coord;

use super::certainty::errors_wide;
use super::row::{Judged, Leeway, shown};
use super::scene::Scene;
use super::tracks::deepest::{Figure, deepest, greatest};

/// A fix so near to what was driven off crossings is of it.
const ON_WAY_M: f64 = 0.01;

/// What falls short, m, and how sure that is.
pub(super) struct Depth {
    pub short_m: f64,
    pub leeway: Leeway,
    /// By the fixes as recorded.
    as_recorded_m: Option<f64>,
}

impl Depth {
    /// Adds what the fixes as recorded say to a row whose figure is so much less with each metre that is short (`sign` -1) or
    /// more (1).
    pub fn onto(&self, mut judged: Judged, sign: f64) -> Judged {
        let (Some(recorded_m), Some(measured)) = (self.as_recorded_m, judged.row.row.measured)
        else {
            return judged;
        };
        let as_recorded = measured + sign * (recorded_m - self.short_m);
        judged.row.as_recorded = Some(shown(as_recorded));
        judged.saying(&format!(
            "by the fixes as recorded {as_recorded:.2} m, of which the worst of many is off to the worse side"
        ))
    }
}

impl Scene<'_> {
    /// Of what falls short by `short_m` as drawn. `beyond` says how far a place is beyond a line, more with each metre; None: too
    /// far off to matter. `other_m` is what the line may be off.
    pub(super) fn depth(
        &self,
        short_m: f64,
        beyond: impl Fn(Coord) -> Option<f64>,
        other_m: Result<f64, String>,
    ) -> Depth {
        let certainty = self.context.certainty;
        let as_drawn = |several| Depth {
            short_m,
            leeway: certainty.of_distance(several, other_m.clone()),
            as_recorded_m: None,
        };
        if certainty.stated().is_none() {
            return as_drawn(1);
        }
        let Some((greatest, most, recorded)) = self.greatest_beyond(&beyond) else {
            return as_drawn(self.rivals(&beyond));
        };
        Depth {
            short_m: short_m + greatest.mean - most,
            leeway: certainty.of_smoothed(greatest.error, other_m),
            as_recorded_m: Some(short_m + recorded - most),
        }
    }

    /// Of smoothed tracks: the greatest there really was, the greatest as smoothed and the greatest as recorded. None where
    /// nothing was smoothed.
    fn greatest_beyond(
        &self,
        beyond: &impl Fn(Coord) -> Option<f64>,
    ) -> Option<(Figure, f64, f64)> {
        let error_m = self.context.certainty.fix_error_m()?;
        let frame = &self.block.frame;
        let (mut most, mut recorded) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let mut found = Vec::new();
        for leg in &self.given.legs {
            let Some(smoothing) = &leg.smoothing else {
                continue;
            };
            let (mut figures, mut pinned) = (Vec::new(), Vec::new());
            for (k, (&at, &raw)) in leg.shape.0.iter().zip(&smoothing.recorded).enumerate() {
                let at = frame.enter(at);
                let Some(figure) = beyond(at).filter(|_| self.ways.is_on(at, ON_WAY_M)) else {
                    continue;
                };
                most = most.max(figure);
                let raw = beyond(frame.enter(raw)).unwrap_or(figure);
                recorded = recorded.max(raw);
                match smoothing.way.off_m[k] > 0.0 {
                    true => figures.push(raw),
                    // On a line of the plan.
                    false => pinned.push(Figure {
                        mean: raw,
                        error: 0.0,
                    }),
                }
            }
            found.extend(deepest(&figures, error_m));
            found.extend(greatest(pinned));
        }
        // Of many legs the deepest is taken as it is: Clark's figure for so many would say more than any fix did.
        let deepest = found.into_iter().max_by(|a, b| a.mean.total_cmp(&b.mean))?;
        let deepest = Figure {
            mean: deepest.mean.min(recorded),
            ..deepest
        };
        Some((deepest, most, recorded))
    }

    /// How many corners of the cut may be the worst one.
    fn rivals(&self, beyond: &impl Fn(Coord) -> Option<f64>) -> usize {
        let Some(stated) = self.context.certainty.stated() else {
            return 1;
        };
        let near_m = errors_wide(stated.confidence) * stated.position.error_m().unwrap_or(0.0);
        let rings = self.cut.shape.0.iter().map(|polygon| polygon.exterior());
        let corners = rings.flat_map(|ring| ring.0.iter().skip(1));
        let figures: Vec<f64> = corners.filter_map(|&at| beyond(at)).collect();
        let most = figures.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let rivals = figures.iter().filter(|&&figure| figure >= most - near_m);
        rivals.count().max(1)
    }
}
