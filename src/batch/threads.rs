//! How many threads work on a batch.

use std::num::NonZero;
use std::thread::available_parallelism;

use super::{BatchError, Progress};

/// Threads for each processor at most: what is beyond only waits, and looking for work it burns the processors' time.
const A_PROCESSOR: usize = 4;
/// So many are always allowed.
const ALWAYS: usize = 8;

/// The most threads that a run takes, whatever `--jobs` says.
pub fn most_threads() -> usize {
    let processors = available_parallelism().map_or(1, NonZero::get);
    processors.saturating_mul(A_PROCESSOR).max(ALWAYS)
}

/// A pool of `jobs` threads, one a processor where none are asked for; of more than [`most_threads`] so many, with a word.
///
/// # Errors
/// When the system does not start them.
pub(super) fn pool(
    jobs: Option<usize>,
    progress: Progress,
) -> Result<rayon::ThreadPool, BatchError> {
    let most = most_threads();
    let threads = jobs.unwrap_or(0).min(most);
    if let Some(jobs) = jobs.filter(|&jobs| jobs > most) {
        progress.say(&format!(
            "note: {most} threads work, not {jobs}: more than {A_PROCESSOR} for each processor would only wait"
        ));
    }
    rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .map_err(|error| none(threads, error))
}

/// What is told where so many threads could not be started.
pub(super) fn none(
    jobs: usize,
    source: impl Into<Box<dyn std::error::Error + Send + Sync>>,
) -> BatchError {
    let source = source.into();
    BatchError::Threads { jobs, source }
}
