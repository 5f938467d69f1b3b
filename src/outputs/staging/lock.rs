//! One run at a time writes into a folder.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::Path;

use crate::outputs::OutputError;

/// Name of the file inside the staging folder that is locked while a run writes.
pub const NAME: &str = "lock";

/// Held by the run that writes; the system gives it back when the run ends, however it ends.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the staging folder `root`, which is created if missing, for this run.
    ///
    /// # Errors
    /// Another run holds it, or it cannot be written to.
    pub fn take(root: &Path, target: &Path) -> Result<Lock, OutputError> {
        // A run that ends takes the folder away, perhaps between two steps of this one.
        const TRIES: usize = 20;
        let path = root.join(NAME);
        let failed = || OutputError::file(&path, "lock the folder");
        for _ in 0..TRIES {
            fs::create_dir_all(root).map_err(OutputError::file(root, "create the folder"))?;
            if fs::symlink_metadata(&path).is_ok_and(|found| found.is_symlink()) {
                fs::remove_file(&path).map_err(failed())?;
            }
            let opened = OpenOptions::new()
                .read(true)
                .write(true)
                .create(true)
                .truncate(false)
                .open(&path);
            let mut file = match opened {
                Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
                opened => opened.map_err(failed())?,
            };
            match file.try_lock() {
                Ok(()) => {}
                Err(TryLockError::WouldBlock) => {
                    return Err(OutputError::InUse {
                        dir: target.to_owned(),
                        process: told(&mut file),
                    });
                }
                Err(TryLockError::Error(error)) => return Err(failed()(error)),
            }
            if is_there(&file, &path) {
                tell(&mut file).map_err(failed())?;
                return Ok(Lock { _file: file });
            }
        }
        Err(failed()(io::ErrorKind::ResourceBusy.into()))
    }
}

/// The number of the process that holds the lock, as it told itself.
fn told(file: &mut File) -> String {
    let mut text = String::new();
    let _ = file.take(20).read_to_string(&mut text);
    let digits: String = text.chars().take_while(char::is_ascii_digit).collect();
    if digits.is_empty() {
        "of unknown number".to_owned()
    } else {
        digits
    }
}

fn tell(file: &mut File) -> io::Result<()> {
    file.set_len(0)?;
    file.rewind()?;
    writeln!(file, "{}", std::process::id())
}

/// Whether `path` still names the very file that was locked.
#[cfg(unix)]
fn is_there(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let same = |a: fs::Metadata, b: fs::Metadata| a.dev() == b.dev() && a.ino() == b.ino();
    match (file.metadata(), fs::symlink_metadata(path)) {
        (Ok(own), Ok(found)) => same(own, found),
        _ => false,
    }
}

/// Elsewhere a file that is open cannot be removed.
#[cfg(not(unix))]
fn is_there(_: &File, path: &Path) -> bool {
    path.exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_is_refused_until_the_first_is_gone() {
        let temp = tempfile::tempdir().unwrap();
        let root = temp.path().join("staging");
        let first = Lock::take(&root, temp.path()).unwrap();
        let refused = Lock::take(&root, temp.path()).unwrap_err();
        let own = std::process::id().to_string();
        assert!(
            matches!(&refused, OutputError::InUse { process, .. } if *process == own),
            "{refused}"
        );
        drop(first);
        Lock::take(&root, temp.path()).unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn a_link_in_the_place_of_the_lock_is_not_followed() {
        let temp = tempfile::tempdir().unwrap();
        let root = temp.path().join("staging");
        fs::create_dir(&root).unwrap();
        let outside = temp.path().join("outside");
        fs::write(&outside, "keep").unwrap();
        std::os::unix::fs::symlink(&outside, root.join(NAME)).unwrap();
        let _lock = Lock::take(&root, temp.path()).unwrap();
        assert_eq!(fs::read_to_string(&outside).unwrap(), "keep");
    }
}
