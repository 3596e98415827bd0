//! Gives the data back: CSV, JSON Lines, GeoJSON, Parquet and Darwin Core
//! Archive; readings with their boxes as ALTO and PAGE; labels for the pin,
//! blank envelopes and reports as PDF, plots as SVG; and drafts as one line a
//! photograph for scoring.
//!
//! A settled record gives one row for each of its specimens, or one for the
//! lot while none of its animals has a number of its own. Term names are those
//! of the Darwin Core quick reference, <https://dwc.tdwg.org/terms/>, without a
//! prefix.

use crate::catalogue::{Catalogue, Record, Specimen, event_id, term_rank};
use crate::trouble::{Result, Trouble};
use std::collections::BTreeMap;

mod archive;
mod coarsen;
mod containers;
mod csv;
pub mod drafts;
mod envelopes;
mod geojson;
mod jsonl;
mod labels;
mod pages;
mod parquet;
mod pdf;
mod plots;
mod report;

pub use archive::{DatasetRules, archive};
pub use coarsen::{CellSize, Coarsening, SensitiveRules};
pub use containers::{ContainerPlace, ContainerRules, ContainerSheets, container_labels};
pub use csv::{csv, events_csv};
pub use envelopes::{EnvelopeRules, EnvelopeSheets, envelope_code, envelopes};
pub use geojson::geojson;
pub use jsonl::jsonl;
pub use labels::{
    LabelKind, LabelPlace, LabelRules, LabelSheets, Mounted, label_date, labels, lot_of_number,
};
pub use labels::{NumberRules, SheetRules, SizeRules, TextRules};
pub use pages::{alto, page_xml};
pub use parquet::parquet;
pub use pdf::Paper;
pub use plots::{PlotPoint, flight_elevation, flight_time, map};
pub use report::{ReportHead, ReportLine, report, report_lines};

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

/// One row on its way out: Darwin Core term and value, none empty.
pub type Row = BTreeMap<String, String>;

/// What goes out: the settled records of a catalogue, those of sensitive taxa
/// and places coarsened where asked for.
#[derive(Clone, Copy, Debug)]
pub struct Source<'a> {
    /// The catalogue.
    pub catalogue: &'a Catalogue,
    /// How sensitive records are coarsened; `None`: they go out as they are.
    pub coarsening: Option<&'a Coarsening>,
}

impl<'a> From<&'a Catalogue> for Source<'a> {
    fn from(catalogue: &'a Catalogue) -> Self {
        Source { catalogue, coarsening: None }
    }
}

impl Source<'_> {
    /// Makes a piece of every stretch of lots, each record with its rows, on several
    /// threads, and gives the pieces to `take` in the order of the lots (see
    /// [`Catalogue::pieces`]).
    ///
    /// # Errors
    /// The catalogue's own, and what `make` and `take` give.
    pub fn pieces<P: Send>(
        &self,
        make: impl Fn(&mut dyn Iterator<Item = Result<(Record, Vec<Row>)>>) -> Result<P> + Sync,
        take: impl FnMut(P) -> Result<()>,
    ) -> Result<()> {
        let with_rows = |record: Result<Record>| {
            let record = record?;
            let rows = self.rows(&record);
            Ok((record, rows))
        };
        self.catalogue.pieces(|records| make(&mut records.map(with_rows)), take)
    }

    /// Gives every record with its rows to `each`, in the order of the lots, one
    /// after the other.
    ///
    /// # Errors
    /// The catalogue's own, and what `each` gives.
    pub fn each(&self, mut each: impl FnMut(&Record, Vec<Row>) -> Result<()>) -> Result<()> {
        for record in self.catalogue.records() {
            let record = record?;
            let rows = self.rows(&record);
            each(&record, rows)?;
        }
        Ok(())
    }

    /// The rows of one record as they go out.
    pub fn rows(&self, record: &Record) -> Vec<Row> {
        let mut rows = rows(record);
        if let Some(coarsening) = self.coarsening {
            rows.iter_mut().for_each(|row| {
                coarsening.apply(row);
            });
        }
        rows
    }

    /// Every term that a row may have, in the order of columns.
    fn columns(&self) -> Result<Vec<String>> {
        let mut columns: Vec<String> = self.catalogue.terms()?;
        columns.extend(ALWAYS.map(String::from));
        columns.extend(AS_READ.map(|t| t.1.to_owned()));
        columns.extend(OF_RECORDS.map(String::from));
        if self.coarsening.is_some() {
            columns.extend(coarsen::FILLED.map(String::from));
        }
        columns.sort_by(|a, b| column_rank(a).cmp(&column_rank(b)).then(a.cmp(b)));
        columns.dedup();
        Ok(columns)
    }
}

/// Terms that come from elsewhere than a record's values.
const OF_RECORDS: [&str; 9] = [
    "sex",
    "eventID",
    "identifiedBy",
    "dateIdentified",
    "previousIdentifications",
    "verbatimLabel",
    "occurrenceRemarks",
    "associatedMedia",
    "modified",
];

/// The rows of a record, each from term to value, none empty.
fn rows(record: &Record) -> Vec<Row> {
    let mut row: Row = record.values.iter().map(|v| (v.term.clone(), v.value.clone())).collect();
    for (term, verbatim) in AS_READ {
        if let Some(value) = record.values.iter().find(|v| v.term == term && !v.verbatim.is_empty()) {
            row.entry(verbatim.into()).or_insert_with(|| value.verbatim.clone());
        }
    }
    let named = Naming::of(record, None);
    put(&mut row, "scientificName", named.name);
    put(&mut row, "identifiedBy", named.by);
    put(&mut row, "dateIdentified", named.day);
    let earlier = earlier_names(record, &named);
    if !earlier.is_empty() {
        let given = row.get("previousIdentifications").cloned();
        let all = given.into_iter().chain(earlier).collect::<Vec<_>>().join(" | ");
        row.insert("previousIdentifications".into(), all);
    }
    // A person's word, or what the record came with, goes before the number's.
    if let Some(event) = &record.event {
        row.entry("eventID".into()).or_insert_with(|| event_id(event));
    }
    row.entry("basisOfRecord".into()).or_insert_with(|| "PreservedSpecimen".into());
    // A record taken in from a file keeps the identifier it came with.
    let given = row.get("occurrenceID").filter(|_| record.specimens.len() < 2).cloned();
    put(&mut row, "verbatimLabel", &record.verbatim_label);
    put(&mut row, "occurrenceRemarks", &record.note);
    put(&mut row, "modified", &record.settled);
    if let Some(photo) = &record.photo {
        let file = photo.file.file_name().unwrap_or_default().to_string_lossy();
        put(&mut row, "associatedMedia", &format!("photos/{}/{file}", &photo.hash[..2]));
    }
    if record.specimens.is_empty() {
        row.insert("occurrenceID".into(), given.unwrap_or_else(|| format!("urn:uuid:{}", record.uuid)));
        return vec![row];
    }
    // The last of them is `row` itself: most records have one specimen.
    let copies = std::iter::repeat_n(row, record.specimens.len());
    let of = |(specimen, mut row): (&Specimen, Row)| {
        let own = given.clone().unwrap_or_else(|| format!("urn:uuid:{}", specimen.uuid));
        row.insert("occurrenceID".into(), own);
        put(&mut row, "catalogNumber", &specimen.number);
        // Which of a lot's two sexes this one has nobody said.
        if specimen.sex.is_empty() && row.get("sex").is_some_and(|s| s.contains('|')) {
            row.remove("sex");
        }
        put(&mut row, "sex", &specimen.sex);
        let own = Naming::of(record, Some(specimen.id));
        put(&mut row, "scientificName", own.name);
        put(&mut row, "identifiedBy", own.by);
        put(&mut row, "dateIdentified", own.day);
        row
    };
    record.specimens.iter().zip(copies).map(of).collect()
}

/// The name that counts, who gave it and when.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Naming<'a> {
    name: &'a str,
    by: &'a str,
    day: &'a str,
    /// The name was changed on the record since the last determination.
    changed: bool,
}

impl<'a> Naming<'a> {
    /// The last determination of `specimen`, else the last of its lot. A name
    /// that none of the lot's determinations gave was put in later, when the
    /// record was corrected: then the record's values count.
    fn of(record: &'a Record, specimen: Option<i64>) -> Naming<'a> {
        let of =
            |wanted: Option<i64>| record.determinations.iter().rev().filter(move |d| d.specimen == wanted);
        let value = record.value("scientificName");
        let changed = !value.is_empty() && of(None).all(|d| d.name != value);
        let own = specimen.and_then(|s| of(Some(s)).next());
        match own.or_else(|| of(None).next().filter(|_| !changed)) {
            Some(d) => Naming { name: &d.name, by: &d.by, day: &d.day, changed: false },
            None => Naming {
                name: value,
                by: record.value("identifiedBy"),
                day: record.value("dateIdentified"),
                changed: changed && of(None).next().is_some(),
            },
        }
    }
}

/// The names that a lot had before `now`, oldest first, each with who said so
/// and when, as `previousIdentifications` has them.
fn earlier_names(record: &Record, now: &Naming) -> Vec<String> {
    let named: Vec<_> = record.determinations.iter().filter(|d| d.specimen.is_none()).collect();
    let all = if now.changed { named.len() } else { named.len().saturating_sub(1) };
    let said = |words: [&String; 3]| {
        words.into_iter().filter(|w| !w.is_empty()).map(String::as_str).collect::<Vec<_>>().join(", ")
    };
    named[..all].iter().map(|d| said([&d.name, &d.by, &d.day])).collect()
}

fn put(row: &mut Row, term: &str, value: &str) {
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

/// A failed write of the output, with the next step.
fn write_failed(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> Trouble {
    Trouble::new("the output", "could not be written")
        .cause(error)
        .hint("check that there is room and permission where it goes, then run the same command again")
}
