//! The command line: arguments and settings in, exit code out. No geometry here.

mod args;
mod audit;
mod causes;
mod commands;
mod compare;
mod dispatch;
mod exit;
mod init_words;
mod inspect;
mod memory;
mod stop;
mod summary;

use clap::Parser;

use crate::terminal;

pub use args::Cli;
pub use exit::Exit;

/// Parses the command line, runs it and says how it went.
pub fn main() -> std::process::ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            // Clap sends help and version to standard output and mistakes to standard error.
            let printed = error.print();
            if !error.use_stderr() {
                return commands::helped(printed).into();
            }
            terminal::keep(printed);
            // There is no parsed command line to ask.
            if std::env::args_os().any(|argument| argument == "--json") {
                commands::print_failure(error.render().to_string().trim_end(), Exit::UserError);
            } else {
                commands::tell_lost();
            }
            return Exit::UserError.into();
        }
    };
    commands::run(&cli).into()
}
