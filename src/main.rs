#![forbid(unsafe_code)]

/// So that a run that finds no memory says so.
#[global_allocator]
static MEMORY: gdal_calls::memory::Watched = gdal_calls::memory::Watched;

fn main() -> std::process::ExitCode {
    blockwright::cli::main()
}
