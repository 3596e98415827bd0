//! A Darwin Core Archive by the Darwin Core text guide,
//! <https://dwc.tdwg.org/text/>: occurrences as the core, every name that was
//! given as the Identification extension, photographs as GBIF's simple
//! Multimedia extension, `meta.xml`, and `eml.xml` (EML 2.2.0).
//!
//! The files are CSV by RFC 4180 in UTF-8. Unlike the CSV for spreadsheets,
//! cells are not guarded against formulas: an archive is read by programs that
//! take each sign as it stands. Line breaks within a label's text are kept, in
//! quotes.

use super::{Naming, Row, Source, write_failed};
use crate::catalogue::{Determination, Record};
use crate::parsing::dates::days_of;
use crate::settings;
use crate::trouble::{Result, Trouble};
use jiff::civil::Date;
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};
use serde::Deserialize;
use std::io::{Seek, Write};
use std::path::Path;
use zip::ZipWriter;
use zip::write::SimpleFileOptions;

/// Terms that come from Dublin Core rather than Darwin Core.
const DUBLIN: [&str; 8] = [
    "accessRights",
    "bibliographicCitation",
    "language",
    "license",
    "modified",
    "references",
    "rightsHolder",
    "type",
];

/// The address of a term.
pub(super) fn address(term: &str) -> String {
    if DUBLIN.contains(&term) {
        format!("http://purl.org/dc/terms/{term}")
    } else {
        format!("http://rs.tdwg.org/dwc/terms/{term}")
    }
}

/// The table `config/dataset.toml`; the file says what each value is.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct DatasetRules {
    pub title: String,
    #[serde(rename = "abstract")]
    pub summary: String,
    pub contact_given_name: String,
    pub contact_surname: String,
    pub contact_organization: String,
    pub contact_email: String,
    pub language: String,
    pub licence: String,
    pub media_base: String,
}

impl DatasetRules {
    /// The built-in table overlaid by `folder/dataset.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it; also where the title or
    /// the name to ask is missing, or the licence is unknown.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: DatasetRules =
            settings::table("dataset.toml", include_str!("../../config/dataset.toml"), folder)?;
        let file = folder.map_or_else(|| "config".into(), Path::to_path_buf).join("dataset.toml");
        if rules.title.trim().is_empty() || rules.contact_surname.trim().is_empty() {
            return Err(Trouble::file(&file, "says no title or nobody to ask, and an archive needs both")
                .hint(
                    "write into this file, for example: title = \"Moths of the Tarn Valley\" and \
                 contact_surname = \"Orrin\"",
                ));
        }
        rules.licence().ok_or_else(|| {
            Trouble::file(&file, format!("names the licence `{}`", rules.licence))
                .hint("use CC0-1.0, CC-BY-4.0 or CC-BY-NC-4.0")
        })?;
        Ok(rules)
    }

    /// The licence's title and address.
    fn licence(&self) -> Option<(&'static str, &'static str)> {
        Some(match self.licence.as_str() {
            "CC0-1.0" => {
                ("Public Domain (CC0 1.0)", "http://creativecommons.org/publicdomain/zero/1.0/legalcode")
            }
            "CC-BY-4.0" => (
                "Creative Commons Attribution (CC-BY) 4.0 License",
                "http://creativecommons.org/licenses/by/4.0/legalcode",
            ),
            "CC-BY-NC-4.0" => (
                "Creative Commons Attribution Non Commercial (CC-BY-NC) 4.0 License",
                "http://creativecommons.org/licenses/by-nc/4.0/legalcode",
            ),
            _ => return None,
        })
    }
}

/// One file of the archive as `meta.xml` tells of it.
struct Table {
    file: &'static str,
    row_type: &'static str,
    /// Addresses of the columns; those of an extension come after its core's id.
    terms: Vec<String>,
}

/// What the archive tells of its records as a whole.
#[derive(Default)]
struct Span {
    rows: u64,
    west_east_south_north: Option<(f64, f64, f64, f64)>,
    first_last: Option<(Date, Date)>,
    names: std::collections::BTreeSet<String>,
}

impl Span {
    fn add(&mut self, row: &Row) {
        self.rows += 1;
        let degree = |t: &str| row.get(t).and_then(|v| v.parse::<f64>().ok());
        if let (Some(lat), Some(lon)) = (degree("decimalLatitude"), degree("decimalLongitude")) {
            let (w, e, s, n) = self.west_east_south_north.unwrap_or((lon, lon, lat, lat));
            self.west_east_south_north = Some((w.min(lon), e.max(lon), s.min(lat), n.max(lat)));
        }
        // EML takes a whole day or a year.
        let date = row.get("eventDate").map_or("", String::as_str);
        // Of an interval open at one end the other counts.
        let days = match days_of(date) {
            Some(days) => vec![days],
            None => date.split('/').filter_map(days_of).collect(),
        };
        for (first, last) in days {
            let span = self.first_last.get_or_insert((first, last));
            *span = (span.0.min(first), span.1.max(last));
        }
        if let Some(name) = row.get("scientificName")
            && !self.names.contains(name)
        {
            self.names.insert(name.clone());
        }
    }

    /// Both together.
    fn and(self, other: Span) -> Span {
        let (a, b) = (self.west_east_south_north, other.west_east_south_north);
        let box_ = match (a, b) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1), a.2.min(b.2), a.3.max(b.3))),
            (a, b) => a.or(b),
        };
        let days = match (self.first_last, other.first_last) {
            (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
            (a, b) => a.or(b),
        };
        let mut names = self.names;
        names.extend(other.names);
        Span { rows: self.rows + other.rows, west_east_south_north: box_, first_last: days, names }
    }
}

/// Writes every settled record of `from` as an archive to `to` and gives the
/// number of occurrences. They are written piece by piece; `today` is the
/// day of publication.
///
/// # Errors
/// When the catalogue cannot be read or `to` cannot be written.
pub fn archive<'a>(
    from: impl Into<Source<'a>>,
    rules: &DatasetRules,
    today: Date,
    to: impl Write,
) -> Result<u64> {
    let from = from.into();
    let mut zip = ZipWriter::new_stream(to);
    let columns = from.columns()?;
    let occurrences = Table {
        file: "occurrence.csv",
        row_type: "http://rs.tdwg.org/dwc/terms/Occurrence",
        terms: columns.iter().map(|c| address(c)).collect(),
    };
    let names = ["scientificName", "identifiedBy", "dateIdentified"];
    let identifications = Table {
        file: "identification.csv",
        row_type: "http://rs.tdwg.org/dwc/terms/Identification",
        terms: names.iter().map(|c| address(c)).collect(),
    };
    let about = ["type", "format", "identifier", "title", "license"];
    let media = Table {
        file: "multimedia.csv",
        row_type: "http://rs.gbif.org/terms/1.0/Multimedia",
        terms: about.map(|t| format!("http://purl.org/dc/terms/{t}")).into(),
    };
    // A zip takes one file after the other, and the catalogue is read once: the
    // smaller tables wait on the disk.
    let mut named = aside(&names)?;
    let mut shown = aside(&about)?;
    let licence = rules.licence().map_or("", |l| l.1);
    zip.start_file(occurrences.file, options()).map_err(write_failed)?;
    zip.write_all(&header(&columns)?).map_err(write_failed)?;
    let mut span = Span::default();
    from.pieces(
        |records| {
            let mut piece = Piece::default();
            for record in records {
                let (record, rows) = record?;
                piece.add(&record, &rows, &columns, (&rules.media_base, licence))?;
            }
            Ok((piece.span, [piece.core, piece.named, piece.shown].map(Rows::bytes)))
        },
        |(of, [core, names, pictures])| {
            span = std::mem::take(&mut span).and(of);
            zip.write_all(&core?).map_err(write_failed)?;
            named.write_all(&names?).map_err(write_failed)?;
            shown.write_all(&pictures?).map_err(write_failed)
        },
    )?;
    for (table, mut rows) in [(&identifications, named), (&media, shown)] {
        zip.start_file(table.file, options()).map_err(write_failed)?;
        rows.rewind().map_err(write_failed)?;
        std::io::copy(&mut rows, &mut zip).map_err(write_failed)?;
    }
    file(&mut zip, "meta.xml", &meta(&occurrences, &[identifications, media]).map_err(write_failed)?)?;
    file(&mut zip, "eml.xml", &eml(rules, &span, today).map_err(write_failed)?)?;
    zip.finish().map_err(write_failed)?;
    Ok(span.rows)
}

/// The specimen of each row of `record`, as the rows are made.
fn specimens(record: &Record) -> Vec<Option<i64>> {
    if record.specimens.is_empty() {
        vec![None]
    } else {
        record.specimens.iter().map(|s| Some(s.id)).collect()
    }
}

/// The media type by the file's extension (IANA).
fn format_of(path: &str) -> &'static str {
    match path.rsplit('.').next().unwrap_or_default().to_ascii_lowercase().as_str() {
        "jpg" | "jpeg" => "image/jpeg",
        "png" => "image/png",
        "tif" | "tiff" => "image/tiff",
        "webp" => "image/webp",
        "heic" | "heif" => "image/heic",
        "pdf" => "application/pdf",
        _ => "",
    }
}

/// Rows of one table as they stand in its file.
struct Rows(csv::Writer<Vec<u8>>);

impl Default for Rows {
    fn default() -> Self {
        Rows(csv::WriterBuilder::new().terminator(csv::Terminator::Any(b'\n')).from_writer(Vec::new()))
    }
}

impl Rows {
    fn put<T: AsRef<[u8]>>(&mut self, cells: impl IntoIterator<Item = T>) -> Result<()> {
        self.0.write_record(cells).map_err(write_failed)
    }

    fn bytes(self) -> Result<Vec<u8>> {
        self.0.into_inner().map_err(|e| write_failed(e.into_error()))
    }
}

/// What one stretch of lots adds to the tables.
#[derive(Default)]
struct Piece {
    span: Span,
    core: Rows,
    named: Rows,
    shown: Rows,
}

impl Piece {
    fn add(
        &mut self,
        record: &Record,
        rows: &[Row],
        columns: &[String],
        (media_base, licence): (&str, &str),
    ) -> Result<()> {
        for (row, specimen) in rows.iter().zip(specimens(record)) {
            self.span.add(row);
            self.core.put(columns.iter().map(|c| row.get(c).map_or("", String::as_str)))?;
            let Some(id) = row.get("occurrenceID") else { continue };
            let of = |d: &&Determination| d.specimen.is_none() || d.specimen == specimen;
            for d in record.determinations.iter().filter(of) {
                self.named.put([id, &d.name, &d.by, &d.day])?;
            }
            let now = Naming::of(record, specimen);
            if now.changed || record.determinations.is_empty() && !now.name.is_empty() {
                self.named.put([id, now.name, now.by, now.day])?;
            }
            // A coarsened record has its photograph withheld.
            if let Some(path) = row.get("associatedMedia") {
                let address = format!("{media_base}{path}");
                let title = record.photo.as_ref().map_or("", |p| p.name.as_str());
                self.shown.put([id, "StillImage", format_of(path), &address, title, licence])?;
            }
        }
        Ok(())
    }
}

/// The first line of a table.
fn header<T: AsRef<[u8]>>(terms: impl IntoIterator<Item = T>) -> Result<Vec<u8>> {
    let mut rows = Rows::default();
    rows.put(terms)?;
    rows.bytes()
}

/// A nameless file in which an extension waits until the core is written.
fn aside(terms: &[&str]) -> Result<std::fs::File> {
    let mut file = tempfile::tempfile().map_err(write_failed)?;
    file.write_all(&header([&["occurrenceID"], terms].concat())?).map_err(write_failed)?;
    Ok(file)
}

fn file<W: Write + Seek>(zip: &mut ZipWriter<W>, name: &str, content: &[u8]) -> Result<()> {
    zip.start_file(name, options()).map_err(write_failed)?;
    zip.write_all(content).map_err(write_failed)
}

fn options() -> SimpleFileOptions {
    // Sizes are not known beforehand, and a large collection passes 4 GiB.
    SimpleFileOptions::default().large_file(true)
}

/// An XML file with its declaration.
pub(super) fn xml(
    fill: impl FnOnce(&mut Writer<Vec<u8>>) -> std::io::Result<()>,
) -> std::io::Result<Vec<u8>> {
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    fill(&mut writer)?;
    let mut bytes = writer.into_inner();
    bytes.push(b'\n');
    Ok(bytes)
}

/// An element that holds `content` alone, signs that XML 1.0 forbids left out.
pub(super) fn leaf<W: Write>(w: &mut Writer<W>, name: &str, content: &str) -> std::io::Result<()> {
    w.create_element(name).write_text_content(BytesText::new(&clean(content)))?;
    Ok(())
}

/// `text` without the control characters that XML 1.0 (2.2) has no way to hold.
pub(super) fn clean(text: &str) -> String {
    let allowed = |c: &char| matches!(*c, '\t' | '\n' | '\r' | ' '..='\u{D7FF}' | '\u{E000}'..='\u{FFFD}' | '\u{10000}'..);
    text.chars().filter(allowed).collect()
}

fn meta(core: &Table, extensions: &[Table]) -> std::io::Result<Vec<u8>> {
    let one = |w: &mut Writer<Vec<u8>>, name: &str, id: &str, table: &Table, after: usize| {
        w.create_element(name)
            .with_attributes([
                ("encoding", "UTF-8"),
                ("fieldsTerminatedBy", ","),
                ("linesTerminatedBy", "\\n"),
                ("fieldsEnclosedBy", "\""),
                ("ignoreHeaderLines", "1"),
                ("rowType", table.row_type),
            ])
            .write_inner_content(|w| {
                w.create_element("files").write_inner_content(|w| leaf(w, "location", table.file))?;
                w.create_element(id).with_attribute(("index", "0")).write_empty()?;
                for (i, term) in table.terms.iter().enumerate() {
                    let index = (i + after).to_string();
                    w.create_element("field")
                        .with_attributes([("index", index.as_str()), ("term", term.as_str())])
                        .write_empty()?;
                }
                Ok(())
            })
            .map(|_| ())
    };
    xml(|w| {
        w.create_element("archive")
            .with_attributes([("xmlns", "http://rs.tdwg.org/dwc/text/"), ("metadata", "eml.xml")])
            .write_inner_content(|w| {
                one(w, "core", "id", core, 0)?;
                extensions.iter().try_for_each(|table| one(w, "extension", "coreid", table, 1))
            })?;
        Ok(())
    })
}

fn eml(rules: &DatasetRules, span: &Span, today: Date) -> std::io::Result<Vec<u8>> {
    let person = |w: &mut Writer<Vec<u8>>, name: &str| {
        w.create_element(name)
            .write_inner_content(|w| {
                w.create_element("individualName").write_inner_content(|w| {
                    if !rules.contact_given_name.trim().is_empty() {
                        leaf(w, "givenName", rules.contact_given_name.trim())?;
                    }
                    leaf(w, "surName", rules.contact_surname.trim())
                })?;
                if !rules.contact_organization.trim().is_empty() {
                    leaf(w, "organizationName", rules.contact_organization.trim())?;
                }
                if !rules.contact_email.trim().is_empty() {
                    leaf(w, "electronicMailAddress", rules.contact_email.trim())?;
                }
                Ok(())
            })
            .map(|_| ())
    };
    let id = format!("urn:uuid:{}", uuid::Uuid::now_v7());
    let (licence, licence_address) = rules.licence().unwrap_or_default();
    xml(|w| {
        w.create_element("eml:eml")
            .with_attributes([
                ("xmlns:eml", "https://eml.ecoinformatics.org/eml-2.2.0"),
                ("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance"),
                (
                    "xsi:schemaLocation",
                    "https://eml.ecoinformatics.org/eml-2.2.0 https://eml.ecoinformatics.org/eml-2.2.0/eml.xsd",
                ),
                ("packageId", id.as_str()),
                ("system", "http://gbif.org"),
                ("scope", "system"),
                ("xml:lang", rules.language.as_str()),
            ])
            .write_inner_content(|w| {
                w.create_element("dataset").write_inner_content(|w| {
                    leaf(w, "title", rules.title.trim())?;
                    person(w, "creator")?;
                    person(w, "metadataProvider")?;
                    leaf(w, "pubDate", &today.to_string())?;
                    leaf(w, "language", &rules.language)?;
                    if !rules.summary.trim().is_empty() {
                        w.create_element("abstract")
                            .write_inner_content(|w| leaf(w, "para", rules.summary.trim()))?;
                    }
                    w.create_element("intellectualRights").write_inner_content(|w| {
                        w.create_element("para").write_inner_content(|w| {
                            w.write_event(Event::Text(BytesText::new("This work is licensed under a ")))?;
                            w.create_element("ulink")
                                .with_attribute(("url", licence_address))
                                .write_inner_content(|w| leaf(w, "citetitle", licence))?;
                            Ok(())
                        })?;
                        Ok(())
                    })?;
                    coverage(w, span)?;
                    person(w, "contact")
                })?;
                Ok(())
            })?;
        Ok(())
    })
}

fn coverage(w: &mut Writer<Vec<u8>>, span: &Span) -> std::io::Result<()> {
    if span.west_east_south_north.is_none() && span.first_last.is_none() && span.names.is_empty() {
        return Ok(());
    }
    w.create_element("coverage").write_inner_content(|w| {
        if let Some((west, east, south, north)) = span.west_east_south_north {
            w.create_element("geographicCoverage").write_inner_content(|w| {
                leaf(w, "geographicDescription", "The smallest box around all records with coordinates")?;
                w.create_element("boundingCoordinates").write_inner_content(|w| {
                    leaf(w, "westBoundingCoordinate", &west.to_string())?;
                    leaf(w, "eastBoundingCoordinate", &east.to_string())?;
                    leaf(w, "northBoundingCoordinate", &north.to_string())?;
                    leaf(w, "southBoundingCoordinate", &south.to_string())
                })?;
                Ok(())
            })?;
        }
        if let Some((first, last)) = &span.first_last {
            w.create_element("temporalCoverage").write_inner_content(|w| {
                w.create_element("rangeOfDates").write_inner_content(|w| {
                    for (name, day) in [("beginDate", first), ("endDate", last)] {
                        let day = day.to_string();
                        w.create_element(name).write_inner_content(|w| leaf(w, "calendarDate", &day))?;
                    }
                    Ok(())
                })?;
                Ok(())
            })?;
        }
        if !span.names.is_empty() {
            w.create_element("taxonomicCoverage").write_inner_content(|w| {
                for name in &span.names {
                    w.create_element("taxonomicClassification")
                        .write_inner_content(|w| leaf(w, "taxonRankValue", name))?;
                }
                Ok(())
            })?;
        }
        Ok(())
    })?;
    Ok(())
}
