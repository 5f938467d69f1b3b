//! Stopping on request: Ctrl-C and the system's polite signal end a run at once, at a place from which it can be gone on with.

use std::path::{Path, PathBuf};

use super::args::Talk;
use crate::batch::{Count, Kept};
use crate::terminal;

/// What is said when a run is stopped. `in_place`: its outputs are there already. `demo`: the folder of a district, which
/// is written before anything is laid out.
pub(super) fn words(kept: Option<Count>, in_place: bool, demo: Option<&Path>) -> String {
    if in_place {
        return "stopped; the new outputs are in place".to_owned();
    }
    match (kept, demo) {
        (Some(Count { kept, of }), None) if kept > 0 => format!(
            "stopped; {kept} of {of} blocks are kept, and the same command with --resume goes on with them"
        ),
        (Some(Count { kept, of }), Some(dir)) if kept > 0 => format!(
            "stopped; {kept} of {of} blocks are kept, and `blockwright layout {} --out {} --resume` goes on with them",
            dir.join("project.toml").display(),
            dir.join("layout").display()
        ),
        (_, Some(dir)) => format!(
            "stopped; nothing is laid out, and what was written of the district stays in {}",
            dir.display()
        ),
        (_, None) => "stopped; outputs are untouched".to_owned(),
    }
}

/// From now on SIGINT and SIGTERM end the process by that very signal, after what is being kept is kept and outputs that
/// are being moved into place are there. `demo` is where a district is written to.
#[cfg(unix)]
pub fn listen(kept: &Kept, talk: Talk, demo: Option<PathBuf>) {
    use signal_hook::consts::{SIGINT, SIGTERM};
    use signal_hook::iterator::Signals;

    let kept = kept.clone();
    // Without a listener a signal still ends the process, and the journal stands a cut at any byte.
    let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) else {
        return;
    };
    let listen = move || {
        for signal in signals.forever() {
            let in_place = crate::batch::no_moves();
            let so_far = kept.so_far();
            let words = words(*so_far, *in_place, demo.as_deref());
            if talk.json {
                super::commands::print_stop(&words, 128 + signal);
            }
            if !talk.quiet {
                terminal::say(&format!("\n{words}\n"));
            }
            let _ = signal_hook::low_level::emulate_default_handler(signal);
        }
    };
    // Where the system starts no thread a signal that is heard by nobody must still end the process.
    if std::thread::Builder::new().spawn(listen).is_err() {
        for signal in [SIGINT, SIGTERM] {
            let _ = signal_hook::flag::register_conditional_default(
                signal,
                std::sync::Arc::new(std::sync::atomic::AtomicBool::new(true)),
            );
        }
    }
}

/// Puts a process in place of this one that goes on with the run, where what is to be left out is kept; else ends it.
pub fn begin_again(kept: bool) {
    let hint = "run the same command with --resume";
    if kept {
        #[cfg(unix)]
        terminal::say(&format!(
            "error: cannot begin anew: {}\n  hint: {hint}\n",
            resumed()
        ));
        #[cfg(not(unix))]
        terminal::say(&format!("hint: {hint}\n"));
    } else {
        terminal::say(
            "error: the journal cannot be written to\n  hint: check free space, or leave the block out with `where`\n",
        );
    }
    std::process::exit(super::exit::Exit::CouldNotRun as i32);
}

/// The same command with `--resume`, instead of this process; gives the error where that fails.
#[cfg(unix)]
fn resumed() -> std::io::Error {
    use std::os::unix::process::CommandExt;

    let program = match std::env::current_exe() {
        Ok(program) => program,
        Err(error) => return error,
    };
    let mut arguments: Vec<std::ffi::OsString> = std::env::args_os().skip(1).collect();
    if !arguments.iter().any(|argument| argument == "--resume") {
        let command = arguments.iter().position(|argument| argument == "layout");
        arguments.insert(command.map_or(0, |command| command + 1), "--resume".into());
    }
    std::process::Command::new(program).args(arguments).exec()
}

#[cfg(not(unix))]
pub fn listen(_: &Kept, _: Talk, _: Option<PathBuf>) {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_told() {
        let count = |kept| Some(Count { kept, of: 60 });
        assert!(words(count(7), false, None).contains("7 of 60 blocks"));
        assert_eq!(words(count(0), false, None), words(None, false, None));
    }

    #[test]
    fn outputs_are_called_untouched_only_where_they_are() {
        let some = Some(Count { kept: 7, of: 60 });
        let district = Path::new("demo-out");
        assert!(words(None, false, None).contains("untouched"));
        for told in [
            words(some, true, None),
            words(None, true, Some(district)),
            words(None, false, Some(district)),
            words(some, false, Some(district)),
        ] {
            assert!(!told.contains("untouched"), "{told}");
        }
        // `demo` itself has no --resume.
        assert!(words(some, false, Some(district)).contains("`blockwright layout demo-out"));
    }
}
