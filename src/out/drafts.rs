//! Drafts as JSON Lines, one object a photograph: its name, the text as read,
//! and the fields understood with their confidence.

use super::jsonl::number;
use super::write_failed;
use crate::parsing::Parsed;
use crate::reading::Reading;
use crate::trouble::Result;
use serde_json::{Map, Value, json};
use std::io::Write;

/// Writes one draft as one line to `to`:
///
/// ```json
/// {"media": "name.jpg", "verbatimLabel": "line 1\nline 2\n\nnext label",
///  "fields": {"eventDate": {"value": "1993-07-12", "confidence": 0.97}}}
/// ```
///
/// Fields without a value are left out; degrees and metres are numbers.
///
/// # Errors
/// When `to` cannot be written.
pub fn line(reading: &Reading, parsed: &Parsed, to: &mut impl Write) -> Result<()> {
    let fields: Map<String, Value> = parsed
        .fields
        .iter()
        .filter(|f| !f.value.is_empty())
        .map(|f| {
            let number = number(&f.term, &f.value).filter(|_| f.term != "individualCount");
            let value = number.unwrap_or_else(|| Value::String(f.value.clone()));
            // Three decimals: more would claim a precision no reader has.
            let confidence = (f64::from(f.confidence) * 1000.0).round() / 1000.0;
            (f.term.clone(), json!({ "value": value, "confidence": confidence }))
        })
        .collect();
    let draft = json!({ "media": reading.photo.name, "verbatimLabel": reading.text(), "fields": fields });
    serde_json::to_writer(&mut *to, &draft).map_err(write_failed)?;
    to.write_all(b"\n").map_err(write_failed)
}

/// Writes a whole reading as one line to `to`: every character with its
/// confidence, alternatives and place.
///
/// # Errors
/// When `to` cannot be written.
pub fn reading(reading: &Reading, to: &mut impl Write) -> Result<()> {
    serde_json::to_writer(&mut *to, reading).map_err(write_failed)?;
    to.write_all(b"\n").map_err(write_failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::parsing::Field;

    #[test]
    fn a_draft_is_one_line_with_text_as_read_and_numbers_as_numbers() {
        let reading = Reading::from_text("moth-01.jpg", "Tarn Head 1234 m\n\nleg. A. Vell");
        let field = |term: &str, value: &str| Field {
            term: term.into(),
            verbatim: value.into(),
            value: value.into(),
            confidence: 0.9,
            candidates: Vec::new(),
            spans: Vec::new(),
            boxes: Vec::new(),
            note: String::new(),
        };
        let fields = vec![
            field("minimumElevationInMeters", "1234"),
            field("recordedBy", "A. Vell"),
            field("county", ""),
        ];
        let parsed = Parsed { fields, ..Parsed::default() };
        let mut line_out = Vec::new();
        line(&reading, &parsed, &mut line_out).unwrap();
        let text = String::from_utf8(line_out).unwrap();
        assert_eq!(text.matches('\n').count(), 1, "{text}");
        let draft: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(draft["media"], "moth-01.jpg");
        assert_eq!(draft["verbatimLabel"], "Tarn Head 1234 m\n\nleg. A. Vell");
        assert_eq!(draft["fields"]["minimumElevationInMeters"]["value"], 1234);
        assert_eq!(draft["fields"]["recordedBy"]["value"], "A. Vell");
        assert!(draft["fields"].get("county").is_none());
    }
}
