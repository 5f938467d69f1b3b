#![forbid(unsafe_code)]

fn main() -> std::process::ExitCode {
    blockwright::cli::main()
}
