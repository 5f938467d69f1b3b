fn main() -> std::process::ExitCode {
    blockwright::cli::main()
}
