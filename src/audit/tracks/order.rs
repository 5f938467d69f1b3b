//! Fixes in the order driven, without those that say nothing.

use super::{Fix, Tally};

/// Sorts by time where every fix has one. Where some have none, the order written stands, and a time that goes backwards
/// is not believed.
pub(super) fn in_order(fixes: &[Fix], tally: &mut Tally) -> Vec<Fix> {
    tally.fixes += fixes.len();
    let mut kept: Vec<Fix> = (fixes.iter())
        .filter(|fix| fix.at.x.is_finite() && fix.at.y.is_finite())
        .copied()
        .collect();
    tally.no_place += fixes.len() - kept.len();
    if kept.iter().all(|fix| fix.time.is_some()) {
        if !kept.is_sorted_by_key(|fix| fix.time) {
            tally.tracks_sorted += 1;
            kept.sort_by_key(|fix| fix.time);
        }
    } else {
        let mut latest = None;
        for fix in &mut kept {
            if fix.time.is_some() && fix.time < latest {
                fix.time = None;
                tally.times_dropped += 1;
            }
            latest = latest.max(fix.time);
        }
    }
    let before = kept.len();
    kept.dedup();
    tally.repeated += before - kept.len();
    kept
}
