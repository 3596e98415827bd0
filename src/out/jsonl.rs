//! JSON Lines: one object a row, from Darwin Core term to value. Degrees,
//! metres and counts are numbers where they are plain numbers, everything else
//! is a string.

use super::{NUMBERS, Row, Source, write_failed};
use crate::trouble::Result;
use serde_json::{Map, Value};
use std::io::Write;

/// Writes every settled record of `from` to `to` and gives the number of
/// rows. Rows are written as they are read: memory does not grow with them.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn jsonl<'a>(from: impl Into<Source<'a>>, to: impl Write) -> Result<u64> {
    let mut to = std::io::BufWriter::new(to);
    let mut count = 0;
    from.into().each(|_, rows| {
        for row in rows {
            serde_json::to_writer(&mut to, &object(row)).map_err(write_failed)?;
            to.write_all(b"\n").map_err(write_failed)?;
            count += 1;
        }
        Ok(())
    })?;
    to.flush().map_err(write_failed)?;
    Ok(count)
}

/// A row as a JSON object, numbers as numbers.
pub(super) fn object(row: Row) -> Map<String, Value> {
    row.into_iter()
        .map(|(term, value)| {
            let value = number(&term, &value).unwrap_or(Value::String(value));
            (term, value)
        })
        .collect()
}

/// The value of a number's term as a JSON number, digits as they stand;
/// `None` for anything else.
pub(super) fn number(term: &str, value: &str) -> Option<Value> {
    if !NUMBERS.contains(&term) {
        return None;
    }
    match serde_json::from_str::<Value>(value) {
        Ok(number @ Value::Number(_)) => Some(number),
        _ => None,
    }
}
