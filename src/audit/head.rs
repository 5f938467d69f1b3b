//! What the felling head may have done where only the machine's way is known: least, it cut what the machine drove over, and most,
//! all that it reached. Between the two lies ground of which tracks tell nothing.

use geo::{MultiPolygon, Polygon};

use super::row::{Judged, SHARE_ROUNDING};
use super::scene::Scene;
use super::tracks::swept_area;
use crate::geometry::overlay::oriented;
use crate::model::Verdict;

impl Scene<'_> {
    /// Of tracks without a plan: the ground under the machine, and all within its reach beside them.
    fn cut_at_least_and_most(&self) -> [Vec<Polygon>; 2] {
        let machine = &self.context.settings.machine;
        let swept = |half_m: f64| oriented(swept_area(self.lines.iter(), 2.0 * half_m)).0;
        let mut most = swept(machine.reach_m);
        // A cutting width that is stated may be wider.
        most.extend(self.cut.shape.0.iter().cloned());
        [swept(machine.half_width_m), most]
    }

    /// Ground that is gone for other reasons than the cut.
    fn gone_uncut(&self) -> Vec<Polygon> {
        let mut gone = self.unworked.clone();
        gone.extend(self.cleared(&self.shape.bounds()));
        oriented(MultiPolygon(gone)).0
    }

    /// A row by a share that must stand, of which nobody can tell where it hangs on what the head did to the sides of the way.
    /// `share` is what stands if all of some ground is gone.
    pub(super) fn unless_by_the_head(
        &self,
        mut judged: Judged,
        required: f64,
        share: impl Fn(&[Polygon]) -> f64,
    ) -> Judged {
        let is_told = matches!(
            judged.status(),
            Verdict::Pass | Verdict::Warn | Verdict::Fail
        );
        if !self.reach_unknown || !is_told {
            return judged;
        }
        let gone = self.gone_uncut();
        let [most, least] = self.cut_at_least_and_most().map(|mut cut| {
            cut.extend(gone.iter().cloned());
            share(&cut)
        });
        let falls_short = judged.row.short.is_some_and(|short| short > SHARE_ROUNDING);
        let sure = match falls_short {
            true => most < required - SHARE_ROUNDING,
            false => least >= required - SHARE_ROUNDING,
        };
        if !sure {
            judged.row.row.status = Verdict::Unknown;
            judged.row.message = format!(
                "cannot be told: a track does not say how far to its sides the machine cut; {:.2} % stand if it cut all within reach, {:.2} % \
                 if only what it drove over",
                100.0 * least,
                100.0 * most
            );
        }
        judged
    }
}
