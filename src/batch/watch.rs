//! Watches that no block takes for ever. A thread cannot be ended from outside, so a block that never finishes ends the
//! process: it is kept as set aside, and a run that goes on from the journal does without it.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::model::SourceBlock;

/// How long one block may take, and what to do once one has taken longer.
#[derive(Clone, Copy, Debug)]
pub struct Patience {
    pub limit: Duration,
    /// Ends the process, or puts one in its place that goes on; told whether the block is kept as set aside.
    pub end: fn(kept: bool),
}

/// Blocks that are being laid out, and since when.
pub(super) struct Watch {
    limit: Duration,
    state: Mutex<State>,
    all_done: Condvar,
}

#[derive(Default)]
struct State {
    blocks: Vec<(Instant, SourceBlock)>,
    all_done: bool,
}

/// Ends the watch when it goes.
pub(super) struct Watched<'w>(&'w Watch);

impl Watch {
    pub fn new(limit: Duration) -> Watch {
        Watch {
            limit,
            state: Mutex::default(),
            all_done: Condvar::new(),
        }
    }

    /// Does some work for a block, which must not crash.
    pub fn during<T>(&self, block: &SourceBlock, work: impl FnOnce() -> T) -> T {
        self.state().blocks.push((Instant::now(), block.clone()));
        let made = work();
        let mut state = self.state();
        state.blocks.retain(|(_, other)| other.id != block.id);
        made
    }

    /// Looks until all is done, or a block takes too long; while that is seen to, no other is finished.
    pub fn look(&self, too_long: impl FnOnce(&SourceBlock)) {
        let mut state = self.state();
        while !state.all_done {
            let oldest = state.blocks.iter().min_by_key(|(since, _)| *since);
            let left = match oldest {
                Some((since, _)) => self.limit.saturating_sub(since.elapsed()),
                None => self.limit,
            };
            if let Some((_, block)) = oldest.filter(|_| left.is_zero()) {
                return too_long(block);
            }
            let waited = self.all_done.wait_timeout(state, left);
            state = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
    }

    pub fn until_dropped(&self) -> Watched<'_> {
        Watched(self)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Watched<'_> {
    fn drop(&mut self) {
        self.0.state().all_done = true;
        self.0.all_done.notify_all();
    }
}
