//! Words of the program that come back from a file.

use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

use serde::{Deserialize, Deserializer};

/// A name of its own, since derived readers take a written-out `&'static str` for one that borrows from the file.
pub type Word = &'static str;

/// A unit or status as the program itself holds it. There are few of them, and each is kept once for as long as the program
/// runs.
///
/// # Errors
/// What is read is no text.
pub fn known<'de, D: Deserializer<'de>>(deserializer: D) -> Result<&'static str, D::Error> {
    static KNOWN: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let word = String::deserialize(deserializer)?;
    let mut known = KNOWN.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(found) = known.get(word.as_str()) {
        return Ok(found);
    }
    let kept: &'static str = Box::leak(word.into_boxed_str());
    known.insert(kept);
    Ok(kept)
}
