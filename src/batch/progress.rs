//! How far a batch has come: a bar on a terminal, a line now and then elsewhere, nothing when quiet.

use std::sync::atomic::{AtomicU64, Ordering};

use indicatif::{ProgressBar, ProgressStyle};

use crate::terminal;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    Quiet,
    Lines,
    Bar,
}

impl Progress {
    /// A bar if standard error is a terminal.
    pub fn detect(quiet: bool) -> Progress {
        if quiet {
            Progress::Quiet
        } else if terminal::talks_to_people() {
            Progress::Bar
        } else {
            Progress::Lines
        }
    }

    pub fn say(self, words: &str) {
        if self != Progress::Quiet {
            terminal::say(&format!("{words}\n"));
        }
    }

    pub(super) fn bar(self, total: u64) -> Steps {
        let bar = (self == Progress::Bar).then(|| {
            let bar = ProgressBar::new(total);
            // The template is a constant; were it wrong, the plain bar would do.
            if let Ok(style) =
                ProgressStyle::with_template("laying out {bar:40} {pos}/{len} blocks, {eta} left")
            {
                bar.set_style(style);
            }
            bar
        });
        Steps {
            bar,
            lines: self == Progress::Lines,
            total,
            done: AtomicU64::new(0),
        }
    }
}

pub(super) struct Steps {
    bar: Option<ProgressBar>,
    lines: bool,
    total: u64,
    done: AtomicU64,
}

impl Steps {
    pub(super) fn step(&self) {
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if let Some(bar) = &self.bar {
            bar.inc(1);
        }
        let tenth = self.total.div_ceil(10).max(1);
        if self.lines && (done.is_multiple_of(tenth) || done == self.total) {
            terminal::say(&format!("laid out {done} of {} blocks\n", self.total));
        }
    }

    pub(super) fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}
