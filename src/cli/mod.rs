//! The command line: arguments and settings in, exit code out. No geometry here.

mod args;
mod commands;
mod exit;
mod summary;

use clap::Parser;

pub use args::Cli;
pub use exit::Exit;

/// Parses the command line, runs it and says how it went.
pub fn main() -> std::process::ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Clap sends help and version to standard output and mistakes to standard error.
            let _ = error.print();
            return if error.use_stderr() {
                Exit::UserError
            } else {
                Exit::Done
            }
            .into();
        }
    };
    commands::run(&cli).into()
}
