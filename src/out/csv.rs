//! CSV by RFC 4180 (comma, quotes doubled, CRLF), UTF-8, one header row of
//! Darwin Core terms.
//!
//! A cell that a spreadsheet would take for a formula gets an apostrophe in
//! front, as OWASP's page on CSV injection recommends; a plain number such as
//! -105.2 stays as it is. Reading such a file back takes one leading
//! apostrophe off where it stands before one of those characters.

use super::{Source, write_failed};
use crate::catalogue::{PageEvent, event_id};
use crate::trouble::Result;
use std::io::Write;

/// Writes every settled record of `from` to `to` and gives the number of
/// rows. They are written piece by piece: memory does not grow with them.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn csv<'a>(from: impl Into<Source<'a>>, to: impl Write) -> Result<u64> {
    let (from, mut to) = (from.into(), to);
    let columns = from.columns()?;
    let mut header = writer(&mut to);
    header.write_record(&columns).map_err(write_failed)?;
    header.flush().map_err(write_failed)?;
    drop(header);
    let mut count = 0;
    from.pieces(
        |records| {
            let mut piece = writer(Vec::new());
            let mut count = 0;
            for record in records {
                for row in record?.1 {
                    for column in &columns {
                        let cell = row.get(column).map_or("", String::as_str);
                        piece.write_field(safe(cell).as_bytes()).map_err(write_failed)?;
                    }
                    piece.write_record(None::<&[u8]>).map_err(write_failed)?;
                    count += 1;
                }
            }
            Ok((count, piece.into_inner().map_err(|e| write_failed(e.into_error()))?))
        },
        |(rows, piece)| {
            count += rows;
            to.write_all(&piece).map_err(write_failed)
        },
    )?;
    to.flush().map_err(write_failed)?;
    Ok(count)
}

fn writer<W: Write>(to: W) -> csv::Writer<W> {
    csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(to)
}

/// Writes events of notebook pages as Darwin Core events, a row each.
///
/// # Errors
/// When `to` cannot be written.
pub fn events_csv(events: &[PageEvent], to: impl Write) -> Result<()> {
    let mut writer = writer(to);
    let mut put = |cells: &[&str]| -> Result<()> {
        for cell in cells {
            writer.write_field(safe(cell).as_bytes()).map_err(write_failed)?;
        }
        writer.write_record(None::<&[u8]>).map_err(write_failed)
    };
    put(&[
        "eventID",
        "fieldNumber",
        "eventDate",
        "locality",
        "scientificName",
        "fieldNotes",
        "eventRemarks",
    ])?;
    for e in events {
        let carried: Vec<String> = e
            .values
            .iter()
            .filter(|v| !v.value.is_empty() && v.from() != "read")
            .map(|v| format!("{}: {}", v.term, v.told()))
            .collect();
        put(&[
            &event_id(&e.uuid),
            e.value("fieldNumber"),
            e.value("eventDate"),
            e.value("locality"),
            e.value("scientificName"),
            &e.text,
            &carried.join("; "),
        ])?;
    }
    writer.flush().map_err(write_failed)
}

/// The cell, or the cell behind an apostrophe where it would be a formula.
fn safe(cell: &str) -> std::borrow::Cow<'_, str> {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
    if formula { format!("'{cell}").into() } else { cell.into() }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The characters are those of https://owasp.org/www-community/attacks/CSV_Injection
    #[test]
    fn a_formula_is_held_back_and_a_longitude_is_not() {
        for cell in ["=1+1", "+SUM(A1)", "-2+3", "@SUM(A1)", "\t=1", "\r=1"] {
            assert_eq!(safe(cell), format!("'{cell}"));
        }
        for cell in ["-105.2", "+3", "Tarn Head", "", "2 = two"] {
            assert_eq!(safe(cell), cell);
        }
    }
}
