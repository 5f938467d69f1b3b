//! What is said where memory runs out, or a library aborts the process: by children of this very program, which end.
#![cfg(unix)]

use std::process::{Command, Output};

use gdal_calls::memory::{Watched, when_aborted, when_empty};

#[global_allocator]
static MEMORY: Watched = Watched;

/// More than any machine lets a process have.
const TOO_MUCH: usize = 1 << 46;
const ENDING: &str = "GDAL_CALLS_TEST_ENDING";

/// This program again, to run only the test named, as one that ends.
fn child(test: &str) -> Output {
    let program = std::env::current_exe().unwrap();
    let mut child = Command::new(program);
    child
        .args(["--exact", test, "--nocapture"])
        .env(ENDING, "1");
    child.output().unwrap()
}

fn is_child() -> bool {
    std::env::var_os(ENDING).is_some()
}

#[test]
fn want_of_memory_is_told_while_other_threads_want_it_too() {
    if is_child() {
        let end = |bytes: usize| {
            // There is memory for what is said.
            let words = format!("wanted {bytes}{}", " and more".repeat(100_000));
            let _ = std::io::Write::write_all(&mut std::io::stderr(), &words.as_bytes()[..50]);
            std::process::exit(7);
        };
        when_empty(end).unwrap();
        std::thread::scope(|scope| {
            for _ in 0..3 {
                scope.spawn(|| std::hint::black_box(vec![0u8; TOO_MUCH]));
            }
            let mut growing = Vec::<u8>::with_capacity(10);
            growing.reserve(TOO_MUCH);
        });
        unreachable!("it was had");
    }
    let ended = child("want_of_memory_is_told_while_other_threads_want_it_too");
    let told = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(7), "{told}");
    assert!(told.contains("wanted 70368744177664"), "{told}");
}

#[test]
fn an_abort_is_told() {
    if is_child() {
        when_aborted("told\n".to_owned(), "given\n".to_owned(), 9).unwrap();
        std::process::abort();
    }
    let ended = child("an_abort_is_told");
    assert_eq!(ended.status.code(), Some(9));
    assert!(ended.stderr.ends_with(b"told\n") && ended.stdout.ends_with(b"given\n"));
}
