//! A plan is given out only with its certificate. Overlay engines can be silently wrong, so a block whose plan has none is
//! laid out anew with the next engine; what no engine gets certified is refused.

use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};

use crate::geometry::overlay_engine::{self, Overlay};
use crate::layout::{self, Context, LayoutError};
use crate::model::{BlockPlan, SourceBlock};

/// Lays out and judges one block with the first of the overlay engines that gets its plan certified.
///
/// # Errors
/// As [`layout::lay_out`], and [`LayoutError::CutUncertified`] with the first engine's fault where no engine helped.
///
/// # Panics
/// When the first engine crashed and no other got the plan certified.
pub fn certified_plan(
    context: Context<'_>,
    block: &SourceBlock,
    overlays: &[&'static dyn Overlay],
) -> Result<BlockPlan, LayoutError> {
    let mut first_refusal = None;
    for (rung, overlay) in overlays.iter().enumerate() {
        let attempt = || overlay_engine::with(*overlay, || attempt(context, block));
        match catch_unwind(AssertUnwindSafe(attempt)) {
            Ok(Ok(mut plan)) => {
                plan.certificate.other_overlay = rung > 0;
                return Ok(plan);
            }
            Ok(Err(error @ LayoutError::CutUncertified { .. })) => {
                first_refusal.get_or_insert(Ok(error));
            }
            // Of another engine's doubts the first one's refusal says more.
            Ok(Err(error)) => {
                first_refusal.get_or_insert(Ok(error));
                break;
            }
            Err(crash) => {
                first_refusal.get_or_insert(Err(crash));
            }
        }
    }
    match first_refusal {
        Some(Ok(error)) => Err(error),
        Some(Err(crash)) => resume_unwind(crash),
        None => attempt(context, block),
    }
}

fn attempt(context: Context<'_>, block: &SourceBlock) -> Result<BlockPlan, LayoutError> {
    let mut plan = layout::lay_out(context, block)?;
    super::judge(context, block, &mut plan);
    match plan.certificate.fault.take() {
        Some(fault) => Err(LayoutError::CutUncertified { fault }),
        None => Ok(plan),
    }
}
