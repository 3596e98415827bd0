//! Records that were typed or written out before, as a reading and fields: they
//! wait for a person like what was read from a photograph.

use super::{Field, Parsed};
use crate::reading::Reading;
use std::collections::BTreeMap;

/// A record given as Darwin Core terms and values. Its label's text
/// (`verbatimLabel`) is the reading; every other value is a field as it stands,
/// certain, without words on a photograph. `name` says which file and row it
/// came from.
pub fn given(name: &str, values: &BTreeMap<String, String>) -> (Reading, Parsed) {
    let reading = Reading::from_text(name, values.get("verbatimLabel").map_or("", String::as_str));
    let fields = values
        .iter()
        .filter(|(term, _)| *term != "verbatimLabel")
        .map(|(term, value)| Field {
            term: term.clone(),
            verbatim: String::new(),
            value: value.clone(),
            confidence: 1.0,
            candidates: Vec::new(),
            spans: Vec::new(),
            boxes: Vec::new(),
            note: format!("taken over from {name}"),
        })
        .collect();
    (reading, Parsed { fields, ..Parsed::default() })
}
