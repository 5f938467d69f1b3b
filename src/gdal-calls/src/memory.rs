//! Memory that runs out: a word from whoever runs the process, in the place of an abort.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::hint::black_box;
use std::ptr;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

/// The system's allocator. Where it has nothing left, the thread that asked stops for good and what [`when_empty`] was given
/// is done on a thread of its own; before that, all is as with the system's.
pub struct Watched;

/// Bytes that could not be had, once that has happened.
static ASKED: Mutex<Option<usize>> = Mutex::new(None);
static HAPPENED: Condvar = Condvar::new();
/// Whether somebody waits for it.
static WATCHED: AtomicBool = AtomicBool::new(false);

thread_local! {
    /// Whether this thread ends the process: it must come to an end, whatever it finds.
    static ENDING: Cell<bool> = const { Cell::new(false) };
}

/// Kept for the last words.
const RESERVE_BYTES: usize = 4 << 20;

/// Does `end`, which gets the bytes that were asked for and should end the process, once memory runs out. Called again, it
/// does nothing; without [`Watched`] as global allocator nothing comes of it.
///
/// # Errors
/// When the system starts no thread.
pub fn when_empty(end: impl FnOnce(usize) + Send + 'static) -> std::io::Result<()> {
    if WATCHED.swap(true, Ordering::AcqRel) {
        return Ok(());
    }
    let reserve = black_box(vec![1u8; RESERVE_BYTES]);
    let wait = move || {
        let mut asked = ASKED.lock().unwrap_or_else(PoisonError::into_inner);
        let bytes = loop {
            match *asked {
                Some(bytes) => break bytes,
                None => asked = HAPPENED.wait(asked).unwrap_or_else(PoisonError::into_inner),
            }
        };
        drop(asked);
        ENDING.set(true);
        drop(reserve);
        end(bytes);
    };
    let started = std::thread::Builder::new()
        .name("memory".to_owned())
        .spawn(wait);
    if started.is_err() {
        WATCHED.store(false, Ordering::Release);
    }
    started.map(|_| ())
}

/// Says `told` on standard error and `given` on standard output where a library under this one aborts the process, as those in
/// C++ do where no memory is left, and ends it with `code`.
///
/// # Errors
/// When the system takes no such wish.
#[cfg(unix)]
pub fn when_aborted(told: String, given: String, code: i32) -> std::io::Result<()> {
    use std::fs::File;
    use std::io::Write;
    use std::mem::ManuallyDrop;
    use std::os::fd::FromRawFd;

    let say = |number: i32, words: &str| {
        // SAFETY: the descriptor is not closed, and writing to one that is closed fails.
        let mut out = ManuallyDrop::new(unsafe { File::from_raw_fd(number) });
        // Nobody listens any more when this fails.
        let _ = out.write(words.as_bytes());
    };
    let action = move || {
        say(2, &told);
        if !given.is_empty() {
            say(1, &given);
        }
        signal_hook::low_level::exit(code);
    };
    // SAFETY: the action takes no lock and no memory: it writes what is there to descriptors and ends the process, by two
    // functions of the system that a signal handler may call.
    unsafe { signal_hook::low_level::register(signal_hook::consts::SIGABRT, action) }.map(|_| ())
}

/// Stops this thread for good where somebody waits for it.
#[cold]
fn ran_out(bytes: usize) {
    if !WATCHED.load(Ordering::Acquire) || ENDING.get() {
        return;
    }
    {
        let mut asked = ASKED.lock().unwrap_or_else(PoisonError::into_inner);
        if asked.is_none() {
            *asked = Some(bytes);
        }
    }
    HAPPENED.notify_all();
    loop {
        std::thread::sleep(Duration::from_secs(1));
    }
}

fn told(block: *mut u8, bytes: usize) -> *mut u8 {
    if block.is_null() {
        ran_out(bytes);
        return ptr::null_mut();
    }
    block
}

// SAFETY: every call goes to the system's allocator as it came, and what that gives is given on.
unsafe impl GlobalAlloc for Watched {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        // SAFETY: the caller's promises are those that the system's allocator asks for.
        told(unsafe { System.alloc(layout) }, layout.size())
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        // SAFETY: as above.
        told(unsafe { System.alloc_zeroed(layout) }, layout.size())
    }

    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        // SAFETY: as above; the block came from the system's allocator.
        unsafe { System.dealloc(block, layout) }
    }

    unsafe fn realloc(&self, block: *mut u8, layout: Layout, bytes: usize) -> *mut u8 {
        // SAFETY: as above; the block came from the system's allocator.
        told(unsafe { System.realloc(block, layout, bytes) }, bytes)
    }
}
