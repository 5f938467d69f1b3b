//! The program as it is run: its command line, faults, threads, hostile input.

#[path = "../once/mod.rs"]
mod once;
#[path = "../run_binary/mod.rs"]
mod run_binary;
#[path = "../size/mod.rs"]
mod size;

mod command_line;
mod determinism;
mod endless;
mod faults;
mod from_python;
mod hostile;
mod init;
mod inspect_doubts;
mod replaced_plan;
mod shares;
mod terminal;
mod tutorial;
