//! The command line: arguments and settings in, exit code out.

pub fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
