//! JSON Lines: one object a row, from Darwin Core term to value. Degrees,
//! metres and counts are numbers where they are plain numbers, everything else
//! is a string.

use super::{NUMBERS, Row, Source, write_failed};
use crate::trouble::Result;
use serde::{Serialize, Serializer};
use serde_json::Value;
use std::io::Write;

/// Writes every settled record of `from` to `to` and gives the number of
/// rows. They are written piece by piece: memory does not grow with them.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn jsonl<'a>(from: impl Into<Source<'a>>, mut to: impl Write) -> Result<u64> {
    let mut count = 0;
    from.into().pieces(
        |records| {
            let (mut count, mut piece) = (0, Vec::new());
            for record in records {
                for row in record?.1 {
                    serde_json::to_writer(&mut piece, &Object(&row)).map_err(write_failed)?;
                    piece.push(b'\n');
                    count += 1;
                }
            }
            Ok((count, piece))
        },
        |(rows, piece)| {
            count += rows;
            to.write_all(&piece).map_err(write_failed)
        },
    )?;
    to.flush().map_err(write_failed)?;
    Ok(count)
}

/// A row as a JSON object, numbers as numbers.
pub(super) struct Object<'a>(pub &'a Row);

impl Serialize for Object<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> std::result::Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        #[serde(untagged)]
        enum Cell<'a> {
            Number(Value),
            Text(&'a str),
        }
        let cell = |term: &str, value| number(term, value).map_or(Cell::Text(value), Cell::Number);
        to.collect_map(self.0.iter().map(|(term, value)| (term, cell(term, value))))
    }
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
