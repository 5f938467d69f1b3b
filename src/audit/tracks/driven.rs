//! Which fixes a machine can have driven through one after the other: outliers dropped, gaps cut.

use geo::Coord;

use super::{Fix, Gap, GapReason, Outlier, Sweep, seconds};

/// As many fixes that agree with one another, but not with what was before, are a jump of the track and no outliers.
const AGREEING: usize = 5;

#[derive(Default)]
pub(super) struct Driven {
    pub legs: Vec<Vec<Fix>>,
    pub gaps: Vec<Gap>,
    pub outliers: Vec<Outlier>,
}

struct Walk<'a> {
    track: &'a str,
    how: &'a Sweep,
    metres: &'a dyn Fn(Coord, Coord) -> f64,
    done: Driven,
    /// The leg being driven; empty only before the first fix.
    leg: Vec<Fix>,
    /// True while all of `leg` might be the outlier itself, since nothing led to it.
    after_jump: bool,
    /// Fixes that cannot be reached from the last of `leg`.
    suspects: Vec<Fix>,
}

impl Driven {
    pub(super) fn of(
        track: &str,
        fixes: &[Fix],
        how: &Sweep,
        metres: &dyn Fn(Coord, Coord) -> f64,
    ) -> Driven {
        let mut walk = Walk {
            track,
            how,
            metres,
            done: Driven::default(),
            leg: vec![],
            after_jump: true,
            suspects: vec![],
        };
        for &fix in fixes {
            walk.take(fix);
        }
        walk.finish()
    }
}

impl Walk<'_> {
    /// Whether a machine can have come from one fix to the next. Without times only distance tells.
    fn reachable(&self, a: &Fix, b: &Fix) -> bool {
        let reach_m = match seconds(a, b) {
            Some(seconds) => self.how.max_speed_m_s * seconds + self.how.noise_m,
            None => self.how.max_gap_m.max(self.how.noise_m),
        };
        (self.metres)(a.at, b.at) <= reach_m
    }

    fn take(&mut self, fix: Fix) {
        let Some(&last) = self.leg.last() else {
            self.leg.push(fix);
            return;
        };
        if self.reachable(&last, &fix) {
            for suspect in std::mem::take(&mut self.suspects) {
                self.drop_outlier(&last, suspect);
            }
            self.go_on(last, fix);
            return;
        }
        if let Some(previous) = self.suspects.last()
            && !self.reachable(previous, &fix)
        {
            for suspect in std::mem::take(&mut self.suspects) {
                self.drop_outlier(&last, suspect);
            }
        }
        self.suspects.push(fix);
        if self.suspects.len() >= AGREEING {
            self.jump();
        }
    }

    /// Takes the next fix of the track, over a gap or not.
    fn go_on(&mut self, last: Fix, fix: Fix) {
        let reason = if (self.metres)(last.at, fix.at) > self.how.max_gap_m {
            Some(GapReason::Distance)
        } else if seconds(&last, &fix).is_some_and(|seconds| seconds > self.how.max_gap_s) {
            Some(GapReason::Time)
        } else {
            None
        };
        if let Some(reason) = reason {
            self.cut(last, fix, reason);
            self.after_jump = false;
        }
        self.leg.push(fix);
    }

    /// The track goes on at the suspects.
    fn jump(&mut self) {
        let suspects = std::mem::take(&mut self.suspects);
        let (Some(&last), Some(&first)) = (self.leg.last(), suspects.first()) else {
            return;
        };
        if let ([alone], true) = (&self.leg[..], self.after_jump) {
            // Nothing leads to it and nothing on from it.
            let alone = *alone;
            self.leg.clear();
            self.drop_outlier(&first, alone);
        } else {
            self.cut(last, first, GapReason::Jump);
        }
        self.after_jump = true;
        for fix in suspects {
            match self.leg.last().copied() {
                Some(last) => self.go_on(last, fix),
                None => self.leg.push(fix),
            }
        }
    }

    fn cut(&mut self, from: Fix, to: Fix, reason: GapReason) {
        self.done.gaps.push(Gap {
            track: self.track.to_owned(),
            from,
            to,
            distance_m: (self.metres)(from.at, to.at),
            seconds: seconds(&from, &to),
            reason,
        });
        self.done.legs.push(std::mem::take(&mut self.leg));
    }

    fn drop_outlier(&mut self, from: &Fix, fix: Fix) {
        let distance_m = (self.metres)(from.at, fix.at);
        self.done.outliers.push(Outlier {
            track: self.track.to_owned(),
            fix,
            distance_m,
            speed_m_s: seconds(from, &fix)
                .filter(|seconds| *seconds != 0.0)
                .map(|seconds| distance_m / seconds.abs()),
        });
    }

    fn finish(mut self) -> Driven {
        // At the end of a track fewer must do: two that agree are believed, one is not.
        match self.suspects.len() {
            0 => {}
            1 => {
                let suspect = self.suspects.remove(0);
                if let Some(&last) = self.leg.last() {
                    self.drop_outlier(&last, suspect);
                }
            }
            _ => self.jump(),
        }
        if !self.leg.is_empty() {
            self.done.legs.push(self.leg);
        }
        self.done
    }
}
