//! Gives the data back: CSV and JSON Lines with Darwin Core terms, and drafts
//! as one line a photograph for scoring.
//!
//! A settled record gives one row for each of its specimens, or one for the
//! lot while none of its animals has a number of its own. Term names are those
//! of the Darwin Core quick reference, <https://dwc.tdwg.org/terms/>, without a
//! prefix.

use crate::catalogue::{Record, term_rank};
use crate::trouble::Trouble;
use std::collections::BTreeMap;

mod csv;
pub mod drafts;
mod jsonl;
mod labels;
mod pdf;

pub use csv::csv;
pub use jsonl::jsonl;
pub use labels::{LabelKind, LabelPlace, LabelRules, LabelSheets, Mounted, label_date, labels};
pub use labels::{NumberRules, SheetRules, SizeRules, TextRules};
pub use pdf::Paper;

/// Terms whose values are numbers: decimal degrees, metres and counts.
const NUMBERS: [&str; 6] = [
    "decimalLatitude",
    "decimalLongitude",
    "coordinateUncertaintyInMeters",
    "minimumElevationInMeters",
    "maximumElevationInMeters",
    "individualCount",
];

/// Terms every row has, whatever the labels say; they come first.
const ALWAYS: [&str; 4] = ["occurrenceID", "basisOfRecord", "catalogNumber", "scientificName"];

/// Terms that keep the words as read beside a value; they come last.
const AS_READ: [(&str, &str); 3] = [
    ("eventDate", "verbatimEventDate"),
    ("locality", "verbatimLocality"),
    ("scientificName", "verbatimIdentification"),
];

/// The rows of a record, each from term to value, none empty.
fn rows(record: &Record) -> Vec<BTreeMap<String, String>> {
    let mut row: BTreeMap<String, String> =
        record.values.iter().map(|v| (v.term.clone(), v.value.clone())).collect();
    for (term, verbatim) in AS_READ {
        if let Some(value) = record.values.iter().find(|v| v.term == term && !v.verbatim.is_empty()) {
            row.entry(verbatim.into()).or_insert_with(|| value.verbatim.clone());
        }
    }
    // The last name given counts; the others stay in the catalogue.
    if let Some(last) = record.determinations.iter().rev().find(|d| d.specimen.is_none()) {
        row.insert("scientificName".into(), last.name.clone());
        put(&mut row, "identifiedBy", &last.by);
        put(&mut row, "dateIdentified", &last.day);
    }
    row.insert("basisOfRecord".into(), "PreservedSpecimen".into());
    put(&mut row, "verbatimLabel", &record.verbatim_label);
    put(&mut row, "occurrenceRemarks", &record.note);
    put(&mut row, "modified", &record.settled);
    if let Some(photo) = &record.photo {
        let file = photo.file.file_name().unwrap_or_default().to_string_lossy();
        put(&mut row, "associatedMedia", &format!("photos/{}/{file}", &photo.hash[..2]));
    }
    if record.specimens.is_empty() {
        row.insert("occurrenceID".into(), format!("urn:uuid:{}", record.uuid));
        return vec![row];
    }
    let of = |specimen: &crate::catalogue::Specimen| {
        let mut row = row.clone();
        row.insert("occurrenceID".into(), format!("urn:uuid:{}", specimen.uuid));
        put(&mut row, "catalogNumber", &specimen.number);
        put(&mut row, "sex", &specimen.sex);
        if let Some(own) = record.determinations.iter().rev().find(|d| d.specimen == Some(specimen.id)) {
            put(&mut row, "scientificName", &own.name);
            put(&mut row, "identifiedBy", &own.by);
            put(&mut row, "dateIdentified", &own.day);
        }
        row
    };
    record.specimens.iter().map(of).collect()
}

fn put(row: &mut BTreeMap<String, String>, term: &str, value: &str) {
    if !value.is_empty() {
        row.insert(term.into(), value.into());
    }
}

/// Where a column of `term` stands: what every row has, then the order of the
/// catalogue, then what was read.
fn column_rank(term: &str) -> (usize, usize) {
    if let Some(i) = ALWAYS.iter().position(|t| *t == term) {
        return (0, i);
    }
    match term {
        "verbatimEventDate" | "verbatimLocality" | "verbatimIdentification" => (2, 0),
        "occurrenceRemarks" => (2, 1),
        "associatedMedia" => (2, 2),
        "verbatimLabel" => (2, 3),
        "modified" => (2, 4),
        _ => (1, term_rank(term)),
    }
}

/// Checks values of a table against their ranges: name, value, least, most.
fn in_range(
    table: &str,
    folder: Option<&std::path::Path>,
    ranges: &[(&str, f32, f32, f32)],
) -> crate::trouble::Result<()> {
    for (name, value, least, most) in ranges {
        if !(*least..=*most).contains(value) {
            let file = folder.map_or_else(|| std::path::PathBuf::from("config"), Into::into).join(table);
            return Err(Trouble::file(&file, format!("{name} is {value}; it can be {least} to {most}"))
                .hint("put a value in this range"));
        }
    }
    Ok(())
}

/// A failed write of the output, with the next step.
fn write_failed(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Trouble {
    Trouble::new("the output", "could not be written")
        .cause(error)
        .hint("check that there is room and permission where it goes, then run the same command again")
}
