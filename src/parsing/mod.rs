//! Turns lines as read into fields: Darwin Core terms with the words they came
//! from, a value, other candidates and a confidence. Rules live in
//! `config/*.toml`; what no rule could use is kept as leftovers.

mod assemble;
mod blocks;
pub mod confidence;
pub mod confuse;
pub mod coordinates;
pub mod dates;
pub mod elevation;
pub mod flow;
pub mod gazetteer;
mod geography;
mod given;
mod lexicon;
mod locality;
pub mod notebook;
pub mod persons;
mod pieces;
mod rules;
pub mod taxa;
mod unsure;

pub use given::given;
pub use rules::Rules;

use crate::geometry::Quad;
use crate::reading::Reading;
use serde::{Deserialize, Serialize};

/// What a reading says: fields with values, candidates, confidence and the words
/// they rest on, and the words no rule could use. Never fails: where nothing is
/// understood every word is a leftover.
///
/// A page of a notebook has entries in place of fields: it is no record.
pub fn parse(reading: &Reading, rules: &Rules) -> Parsed {
    let entries = notebook::entries(reading, rules);
    if entries.is_empty() { assemble::parse(reading, rules) } else { Parsed { entries, ..Parsed::default() } }
}

/// Parses typed-in text, labels separated by a blank line; `name` stands for the
/// photograph in messages.
pub fn parse_text(name: &str, text: &str, rules: &Rules) -> Parsed {
    parse(&Reading::from_text(name, text), rules)
}

/// Where words stand in a reading: characters `start..end` of one line, all
/// counted from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct Span {
    /// Index into [`crate::reading::Reading::labels`].
    pub label: usize,
    /// Index into that label's lines.
    pub line: usize,
    /// First character.
    pub start: usize,
    /// One past the last character.
    pub end: usize,
}

/// One thing a field's words may mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// The value, in the form Darwin Core asks for.
    pub value: String,
    /// Probability, 0 to 1, that it is right.
    pub confidence: f32,
    /// Why it is possible, in a few plain words, for the person who decides.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub why: String,
}

/// One field: a Darwin Core term with what was read and what it may mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// The Darwin Core term's name, for example `eventDate`.
    pub term: String,
    /// The words as read, lines joined by one space; never altered.
    pub verbatim: String,
    /// The value understood; empty where the words allow no single one.
    pub value: String,
    /// Probability, 0 to 1, that `value` is right.
    pub confidence: f32,
    /// What else it may mean, most likely first (the value itself included
    /// where there is a choice).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub candidates: Vec<Candidate>,
    /// Where the words stand in the reading.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub spans: Vec<Span>,
    /// Where the words are on the photograph, one box a span.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub boxes: Vec<Quad>,
    /// How the value came about where the words alone do not say it (county
    /// found from the place, century assumed), in a few plain words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
}

/// Words that no rule could use.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Leftover {
    /// The words as read.
    pub text: String,
    /// Where they stand.
    pub span: Span,
}

/// What was understood of one reading.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Parsed {
    /// The fields, at most one a term; several persons are one field whose
    /// value separates them by ` | ` as Darwin Core recommends.
    pub fields: Vec<Field>,
    /// What no rule could use.
    pub leftovers: Vec<Leftover>,
    /// The entries of a notebook page, in reading order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entries: Vec<notebook::Entry>,
}

impl Parsed {
    /// The field of `term`, where there is one.
    pub fn field(&self, term: &str) -> Option<&Field> {
        self.fields.iter().find(|f| f.term == term)
    }

    /// The value of `term`; empty where there is none.
    pub fn value(&self, term: &str) -> &str {
        self.field(term).map_or("", |f| f.value.as_str())
    }
}

#[cfg(test)]
mod tests;
