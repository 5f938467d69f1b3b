//! A run that finds no memory ends with a sentence and what to do.

use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::args::Talk;
use super::commands::failure_json;
use super::exit::Exit;
use super::stop;
use crate::batch::Kept;
use crate::model::shown;

/// What helps, first what costs least.
const REMEDY: &str = "use fewer threads (`--jobs 1`); lay out in shares (`layout --share K/N`) or with `--only`; leave outputs out \
                      ([outputs]: `bunches`, `sheets`, `maps`, `exchange`); or give the process more";
/// A thread that stopped for want of memory may hold what is waited for.
const PATIENCE: Duration = Duration::from_secs(2);

/// What failed for want of memory, as libraries word it, with the remedy for that in the place of others; None: what failed
/// otherwise.
pub fn remedied(text: &str) -> Option<String> {
    let wants = ["bad_alloc", "ut of memory", "annot allocate"];
    wants.iter().find(|words| text.contains(**words))?;
    let told = text.lines().filter(|line| !line.starts_with("  hint:"));
    let told: Vec<&str> = told.collect();
    Some(format!(
        "{}\n  hint: no memory is left: {REMEDY}",
        told.join("\n")
    ))
}

/// From now on want of memory ends the process with a sentence, after what is being kept is kept and outputs that are being
/// moved into place are there. `demo` is where a district is written to.
pub fn watch(kept: &Kept, talk: Talk, demo: Option<PathBuf>) {
    let kept = kept.clone();
    let [out, err] = standard();
    let end = move |bytes: usize| {
        let until = Instant::now() + PATIENCE;
        let in_place = patiently(until, crate::batch::try_no_moves);
        let so_far = patiently(until, || kept.try_so_far());
        let left = match &in_place {
            Some(in_place) => {
                let so_far = so_far.as_deref().copied().flatten();
                stop::words(so_far, **in_place, demo.as_deref())
            }
            None => "stopped while outputs were moved; the next run into the folder ends that"
                .to_owned(),
        };
        let words = format!(
            "error: no memory is left: {bytes} bytes more could not be had\n  hint: {REMEDY}\n{left}"
        );
        // Nobody listens any more when these fail.
        if let Some(mut err) = err {
            let _ = writeln!(err, "\n{}", shown::words(&words));
        }
        if let Some(mut out) = out.filter(|_| talk.json) {
            let _ = out.write_all(given(&words).as_bytes());
        }
        at_once(Exit::CouldNotRun);
    };
    // Without these the process ends with less of a word.
    let _ = gdal_calls::memory::when_empty(end);
    #[cfg(unix)]
    {
        let told = format!(
            "error: a library ended the run; what it said stands above. Most often no memory is left\n  hint: {REMEDY}\n"
        );
        let given = if talk.json {
            given(told.trim_end())
        } else {
            String::new()
        };
        let _ = gdal_calls::memory::when_aborted(told, given, Exit::CouldNotRun as i32);
    }
}

fn given(words: &str) -> String {
    let object = failure_json(words, Exit::CouldNotRun);
    format!("{}\n", shown::json(&format!("{object:#}")))
}

/// Standard output and standard error, past any lock: the thread that holds it may have stopped.
#[cfg(unix)]
fn standard() -> [Option<File>; 2] {
    use std::os::fd::AsFd;

    let (out, err) = (std::io::stdout(), std::io::stderr());
    [out.as_fd(), err.as_fd()].map(|own| own.try_clone_to_owned().ok().map(File::from))
}

#[cfg(not(unix))]
fn standard() -> [Option<File>; 2] {
    [None, None]
}

fn patiently<T>(until: Instant, mut ask: impl FnMut() -> Option<T>) -> Option<T> {
    loop {
        let answer = ask();
        if answer.is_some() || Instant::now() >= until {
            return answer;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// Ends the process without a last turn of its libraries, which other threads are still in.
fn at_once(exit: Exit) -> ! {
    #[cfg(unix)]
    signal_hook::low_level::exit(exit as i32);
    #[cfg(not(unix))]
    std::process::exit(exit as i32);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_remedy_is_told_where_memory_is_what_is_missing() {
        let told = remedied("a.tif: cannot allocate 9 bytes\n  hint: write it anew").unwrap();
        assert!(told.starts_with("a.tif: cannot allocate 9 bytes\n  hint: no memory is left"));
        assert!(told.contains("--jobs 1") && !told.contains("anew"));
        assert_eq!(remedied("a.tif: damaged"), None);
    }
}
