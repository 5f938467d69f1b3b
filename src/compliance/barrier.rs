//! Streams that nothing is cut or driven through, whatever their rule asks.

use super::distances::{DISTANCE_TOLERANCE_M, LOOK_BEYOND_M, Nearest, edges, nearer, point, shown};
use super::{Judge, Judged};
use crate::model::*;
use crate::rulebook::BARRIER_SOURCE;

impl Judge<'_> {
    /// The nearest approach, of what is cut or driven, to a stream that is kept off by more than its rule asks.
    pub(super) fn stream_barrier(&self) -> Option<Judged> {
        let (cut, driven) = (self.cut(), self.driven());
        let mut found: Option<Nearest> = None;
        for (source, barrier_m) in self.near.iter().filter_map(|near| near.barrier()) {
            let edges = edges(source, barrier_m);
            for given_out in [&cut, &driven] {
                found = nearer(found, given_out.approach(&edges, 0.0, LOOK_BEYOND_M));
            }
        }
        let found = found?;
        let status = if found.spare_m() < -DISTANCE_TOLERANCE_M {
            Verdict::Fail
        } else {
            Verdict::Pass
        };
        let mut judged = self.row(
            RuleId::StreamBarrier.named(),
            Some(found.required_m),
            Some(shown(found.distance_m)),
            status,
            BARRIER_SOURCE,
        );
        judged.place = point(Some(found));
        Some(judged)
    }
}
