//! What went wrong, said so that a person can act on it.
//!
//! One error type for the whole crate: the thing it happened to (a file, a
//! line, a row), the fact, and a hint that names a real next step. Rooms return
//! it; the command line and the review page show the same words.
//!
//! File names and labels come from outside: what they hold of signs that move a
//! terminal's cursor or turn the order of writing is shown as an escape, so that
//! no name can look like another message.

use std::borrow::Cow;
use std::cell::Cell;
use std::ffi::OsStr;
use std::fmt::{self, Display, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Once;

/// An error with its subject, the fact and the next step.
#[derive(Debug)]
pub struct Trouble {
    /// The file, line or row it happened to, as the person knows it.
    pub subject: String,
    /// What was found, in one plain clause.
    pub fact: String,
    /// What to do next; empty where nothing can be done.
    pub hint: String,
    /// The error of the library or system beneath, where there is one.
    pub cause: Option<Box<dyn std::error::Error + Send + Sync>>,
}

/// A result whose error is a [`Trouble`].
pub type Result<T> = std::result::Result<T, Trouble>;

impl Trouble {
    /// A trouble with `subject`, without a hint or a cause yet.
    pub fn new(subject: impl fmt::Display, fact: impl Into<String>) -> Self {
        Trouble { subject: subject.to_string(), fact: fact.into(), hint: String::new(), cause: None }
    }

    /// A trouble about the file or folder `path`.
    pub fn file(path: &Path, fact: impl Into<String>) -> Self {
        Trouble::new(shown(path), fact)
    }

    /// Adds the next step.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hint = hint.into();
        self
    }

    /// Adds the error beneath.
    #[must_use]
    pub fn cause(mut self, cause: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Self {
        self.cause = Some(cause.into());
        self
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", plain(&self.subject, ""), plain(&self.fact, ""))?;
        let mut cause = self.cause.as_ref().map(|c| c.as_ref() as &dyn std::error::Error);
        let mut said = String::new();
        while let Some(error) = cause {
            let text = error.to_string();
            // Some libraries say again what their cause says.
            if !said.contains(text.trim()) {
                // Some draw the line that is wrong, over several lines.
                write!(f, ": {}", plain(text.trim(), "\n\t"))?;
                said = text;
            }
            cause = error.source();
        }
        if !self.hint.is_empty() {
            write!(f, "\nhint: {}", plain(&self.hint, ""))?;
        }
        Ok(())
    }
}

impl std::error::Error for Trouble {}

/// A number of things in words: `1 lot`, `2 lots`.
pub fn count<N: Display + PartialEq + From<u8>>(n: N, thing: &str) -> String {
    let s = if n == N::from(1) { "" } else { "s" };
    format!("{n} {thing}{s}")
}

/// A file's name or path for people, on one line: two different names never look
/// the same because of bytes that are no text.
pub fn shown(name: impl AsRef<OsStr>) -> String {
    let mut out = String::new();
    for chunk in name.as_ref().as_encoded_bytes().utf8_chunks() {
        out.push_str(&plain(chunk.valid(), ""));
        for byte in chunk.invalid() {
            // Writing to a string does not fail.
            let _ = write!(out, "\\x{byte:02X}");
        }
    }
    out
}

/// `text` with its control signs, and the signs that turn the direction of
/// writing (Unicode Standard Annex 9, table 4), as escapes; those of `keep` stay.
fn plain<'a>(text: &'a str, keep: &str) -> Cow<'a, str> {
    let moves = |c: char| {
        (c.is_control() || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}'))
            && !keep.contains(c)
    };
    if !text.contains(moves) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 8);
    for c in text.chars() {
        if moves(c) {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
}

/// Runs `work`; `None` where it panicked (a library gave up on a damaged file).
/// The panic's own words are not printed: whoever asked says what happened, with
/// the file's name.
pub fn caught<T>(work: impl FnOnce() -> T) -> Option<T> {
    static HOOK: Once = Once::new();
    HOOK.call_once(|| {
        let loud = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !QUIET.get() {
                loud(info);
            }
        }));
    });
    let before = QUIET.replace(true);
    let done = catch_unwind(AssertUnwindSafe(work)).ok();
    QUIET.set(before);
    done
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_message_names_subject_fact_cause_and_next_step() {
        let trouble = Trouble::new("envelope-07.jpg", "is cut short")
            .cause(std::io::Error::other("unexpected end"))
            .hint("photograph it again");
        assert_eq!(
            trouble.to_string(),
            "envelope-07.jpg: is cut short: unexpected end\nhint: photograph it again"
        );
    }

    #[test]
    fn no_name_can_look_like_another_message() {
        let trouble = Trouble::file(Path::new("a.jpg: is fine\nerror: b\u{1b}[2J\u{202e}gpj.c"), "is empty");
        assert_eq!(trouble.to_string(), r"a.jpg: is fine\nerror: b\u{1b}[2J\u{202e}gpj.c: is empty");
    }

    #[cfg(unix)]
    #[test]
    fn names_that_differ_in_bytes_that_are_no_text_are_shown_apart() {
        use std::os::unix::ffi::OsStrExt;
        let shown = |bytes| shown(OsStr::from_bytes(bytes));
        assert_eq!(shown(b"m\xE9re.jpg"), r"m\xE9re.jpg");
        assert_ne!(shown(b"m\xE9re.jpg"), shown(b"m\xE8re.jpg"));
        assert_eq!(shown("mère.jpg".as_bytes()), "mère.jpg");
    }

    #[test]
    fn a_panic_is_caught_and_the_next_work_goes_on() {
        assert_eq!(caught(|| -> u8 { panic!("a decoder gave up") }), None);
        assert_eq!(caught(|| 1), Some(1));
    }
}
