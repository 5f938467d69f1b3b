//! `dispatch` by its command line, on the small projects of `run_binary`.

use std::path::Path;

use crate::run_binary::{Ended, run, write};

/// A crew that works by day, and what else its file has.
macro_rules! by_day {
    ($($more:tt)*) => {
        concat!(
            "[crew]\ntime_zone = \"America/Winnipeg\"\n\n[[shifts]]\nname = \"day\"\nfrom = \"06:00\"\nto = \"16:00\"\n\n",
            $($more)*
        )
    };
}

/// The same with a night shift.
macro_rules! day_and_night {
    ($($more:tt)*) => {
        $crate::dispatch_runs::by_day!(
            "[[shifts]]\nname = \"night\"\nfrom = \"16:00\"\nto = \"02:00\"\n\n",
            $($more)*
        )
    };
}

pub(crate) use {by_day, day_and_night};

/// Lays the project of a folder out.
pub fn lay_out(folder: &Path, out: &str) {
    let ended = run(folder, &["layout", "project.toml", "--out", out, "--quiet"]);
    assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
}

/// Dispatches the layout in `out` with a crew from 1 December 2026, unless `more` says otherwise.
pub fn dispatch(folder: &Path, crew: &str, more: &[&str]) -> Ended {
    write(folder, "crew.toml", crew);
    let mut all = vec!["dispatch", "out", "--crew", "crew.toml"];
    if !more.contains(&"--from") {
        all.extend(["--from", "2026-12-01"]);
    }
    all.extend(more);
    run(folder, &all)
}
