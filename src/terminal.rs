//! The two ways out to whoever runs the program: results to standard output, messages to standard error. A write that
//! fails never ends a run by itself: who reads results is told by the exit code, and what is said in passing may get lost.
//! What steers a terminal is written out on both ways.

use std::io::{self, ErrorKind, IsTerminal, Write};
use std::sync::{Mutex, PoisonError};

use crate::model::shown;

/// Why messages got lost, the first time that they did.
static LOST: Mutex<Option<io::Error>> = Mutex::new(None);

/// Whether messages go to a terminal.
pub fn talks_to_people() -> bool {
    io::stderr().is_terminal()
}

/// Says something on standard error; where that fails the run goes on, and [`lost`] tells why.
pub fn say(text: &str) {
    let mut messages = io::stderr().lock();
    let written = messages.write_all(shown::words(text).as_bytes());
    keep(written.and_then(|()| messages.flush()));
}

/// Keeps in mind that messages got lost, if they did.
pub fn keep(written: io::Result<()>) {
    if let Err(error) = written {
        let mut lost = LOST.lock().unwrap_or_else(PoisonError::into_inner);
        lost.get_or_insert(error);
    }
}

/// Why messages got lost; none where whoever read them has gone, who wants no more of them.
pub fn lost() -> Option<io::Error> {
    let mut lost = LOST.lock().unwrap_or_else(PoisonError::into_inner);
    lost.take().filter(|error| !has_gone(error))
}

/// Gives results to standard output, as words.
///
/// # Errors
/// They cannot be written; not so when the reader has gone, as `| head` does once it has enough.
pub fn give(text: &str) -> io::Result<()> {
    put(&shown::words(text))
}

/// As [`give`], of JSON text.
///
/// # Errors
/// As [`give`].
pub fn give_json(text: &str) -> io::Result<()> {
    put(&shown::json(text))
}

fn put(text: &str) -> io::Result<()> {
    let mut results = io::stdout().lock();
    let written = results.write_all(text.as_bytes());
    unless_gone(written.and_then(|()| results.flush()))
}

/// What became of results that somebody else wrote to standard output.
///
/// # Errors
/// As [`give`].
pub fn given(written: io::Result<()>) -> io::Result<()> {
    unless_gone(written.and_then(|()| io::stdout().flush()))
}

fn unless_gone(written: io::Result<()>) -> io::Result<()> {
    match written {
        Err(error) if has_gone(&error) => Ok(()),
        other => other,
    }
}

fn has_gone(error: &io::Error) -> bool {
    error.kind() == ErrorKind::BrokenPipe
}
