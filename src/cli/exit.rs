//! Exit codes, in one place.

use std::process::ExitCode;

/// How a run ended, as the shell sees it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    /// Done, and nothing falls short.
    Done = 0,
    /// Could not run, and outputs are untouched; or could not tell what came out, and says so.
    CouldNotRun = 1,
    /// The command line or a file of the user's is wrong.
    UserError = 2,
    /// Done and complete, but blocks were set aside or rules are not met.
    FallsShort = 3,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> ExitCode {
        ExitCode::from(exit as u8)
    }
}

/// For `--help`.
pub const EXIT_HELP: &str = "Exit codes:
  0  done, and nothing falls short
  1  could not run, and outputs are untouched, unless the message says that they are in place
  2  the command line or one of your files is wrong
  3  done and complete, but something was set aside or a rule is not met
Ctrl-C and SIGTERM end a run by that signal; it says whether outputs are untouched";
