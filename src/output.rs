//! Standard output of the commands.
//!
//! Whoever reads it may stop early (`glassine list moths | head`). That is no
//! error: the command stops where it is and ends without a word. What SIGPIPE
//! does is left as Rust sets it, since the page's connections close too.

use glassine::trouble::{Result, Trouble};
use std::fmt;
use std::io::{self, Write};
use std::sync::atomic::{AtomicBool, Ordering};

/// The exit code when nobody reads any more: 128 and SIGPIPE's number, as shells
/// have it.
pub const CLOSED: u8 = 141;

static GONE: AtomicBool = AtomicBool::new(false);

/// Whether the reader of standard output has gone.
pub fn closed() -> bool {
    GONE.load(Ordering::Relaxed)
}

/// Standard output, which remembers when its reader has gone.
pub struct Output;

fn noted<T>(done: io::Result<T>) -> io::Result<T> {
    if done.as_ref().is_err_and(|e| e.kind() == io::ErrorKind::BrokenPipe) {
        GONE.store(true, Ordering::Relaxed);
    }
    done
}

impl Write for Output {
    fn write(&mut self, data: &[u8]) -> io::Result<usize> {
        noted(io::stdout().write(data))
    }

    fn flush(&mut self) -> io::Result<()> {
        noted(io::stdout().flush())
    }
}

/// What a failed write to standard output means for the person.
pub fn failed(error: io::Error) -> Trouble {
    Trouble::new("standard output", "cannot be written")
        .cause(error)
        .hint("check the free space where it goes to")
}

/// Writes one line. For [`line!`].
///
/// # Errors
/// When it cannot be written, or nobody reads any more.
pub fn write_line(words: fmt::Arguments<'_>) -> Result<()> {
    Output.write_fmt(format_args!("{words}\n")).map_err(failed)
}

/// Writes one line to standard output, as `println!` does, and gives what came
/// of it.
macro_rules! line {
    ($($words:tt)*) => { $crate::output::write_line(format_args!($($words)*)) };
}
pub(crate) use line;
