//! Districts that several tests of one program look at: made once, and written into by nobody.
#![allow(dead_code, reason = "each room uses its own share")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Mutex, OnceLock};

/// A folder that is there as long as this program runs: a shell that outlives it takes the folder away.
pub fn folder() -> PathBuf {
    let folder = tempfile::tempdir().expect("a folder of our own").keep();
    let shell = Command::new("sh")
        .args(["-c", "trap '' INT TERM; cat; rm -rf \"$0\""])
        .arg(&folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("a shell");
    // Its input ends when this program does, whichever way.
    std::mem::forget(shell);
    folder
}

/// The demo of so many blocks, with its layout in `layout`.
pub fn demo(blocks: usize) -> &'static Path {
    static MADE: Mutex<BTreeMap<usize, &'static OnceLock<PathBuf>>> = Mutex::new(BTreeMap::new());
    let own: &'static OnceLock<PathBuf> = {
        let mut made = MADE.lock().expect("no crash while it is held");
        made.entry(blocks)
            .or_insert_with(|| Box::leak(Box::default()))
    };
    own.get_or_init(|| {
        let folder = folder();
        let ended = crate::run_binary::run(
            &folder,
            &["demo", "--out", ".", "--blocks", &blocks.to_string(), "-q"],
        );
        assert!(matches!(ended.code, 0 | 3), "{}", ended.stderr);
        folder
    })
}
