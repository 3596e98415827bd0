//! What went wrong, said so that a person can act on it.
//!
//! One error type for the whole crate: the thing it happened to (a file, a
//! line, a row), the fact, and a hint that names a real next step. Rooms return
//! it; the command line and the review page show the same words.

use std::fmt;
use std::path::Path;

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
        Trouble::new(path.display(), fact)
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
        write!(f, "{}: {}", self.subject, self.fact)?;
        let mut cause = self.cause.as_ref().map(|c| c.as_ref() as &dyn std::error::Error);
        while let Some(error) = cause {
            write!(f, ": {error}")?;
            cause = error.source();
        }
        if !self.hint.is_empty() {
            write!(f, "\nhint: {}", self.hint)?;
        }
        Ok(())
    }
}

impl std::error::Error for Trouble {}

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
}
