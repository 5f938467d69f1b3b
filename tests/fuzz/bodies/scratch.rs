//! Files for what reads files only, in memory where the system has a place for that.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// One folder a process; targets use files of different names in it.
pub fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let memory = PathBuf::from("/dev/shm");
        let root = match std::env::var_os("TMPDIR") {
            None if memory.is_dir() => memory,
            _ => std::env::temp_dir(),
        };
        let folder = root.join(format!("blockwright-fuzz-{}", std::process::id()));
        fs::create_dir_all(&folder).expect("a folder for scratch files");
        folder
    })
}

/// Writes a scratch file anew.
pub fn file(name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder().join(name);
    fs::write(&path, bytes).expect("room for a scratch file");
    path
}
