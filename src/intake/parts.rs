//! The files of a Darwin Core Archive, as its `meta.xml` tells of them (Darwin
//! Core text guide, <https://dwc.tdwg.org/text/>).

use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};

/// One file of an archive.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ArchivePart {
    /// Whether it is the core; else it is an extension.
    pub core: bool,
    /// The address of what its rows are.
    pub row_type: String,
    /// Its name in the archive.
    pub file: String,
    /// The byte between cells.
    pub delimiter: u8,
    /// The byte around cells; `None` where there is none.
    pub quote: Option<u8>,
    /// Lines before the first row.
    pub skip: usize,
    /// The column of the identifier of the core's record, counted from 0.
    pub id: Option<usize>,
    /// Columns, counted from 0, and the addresses of their terms.
    pub columns: Vec<(usize, String)>,
    /// Terms without a column, and the value that every row has.
    pub defaults: Vec<(String, String)>,
}

/// The largest place of a column: no table is so wide, and a row as wide as a
/// made-up place would take the memory.
const WIDEST: usize = 10_000;

impl ArchivePart {
    /// The parts that `meta`, the text of a `meta.xml`, tells of: one core, with
    /// the name of its file, and its extensions.
    ///
    /// # Errors
    /// What is wrong with it, in a clause that goes on from `meta.xml`.
    pub fn all(meta: &str) -> Result<Vec<Self>, String> {
        let mut reader = Reader::from_str(meta);
        let mut parts: Vec<Self> = Vec::new();
        let (mut inside, mut in_location) = (false, false);
        loop {
            match reader.read_event().map_err(|e| format!("is not XML: {e}"))? {
                Event::Eof => break,
                Event::Start(e) | Event::Empty(e) => match (e.local_name().as_ref(), parts.last_mut()) {
                    (tag @ ("core" | "extension"), _) => {
                        inside = true;
                        parts.push(Self::of(&e, tag == "core")?);
                    }
                    ("location", _) => in_location = true,
                    ("id" | "coreid", Some(part)) if inside => part.id = place(&e)?,
                    ("field", Some(part)) if inside => {
                        let term = attribute(&e, "term").ok_or("has a field without a term")?;
                        match (place(&e)?, attribute(&e, "default")) {
                            (Some(place), _) => part.columns.push((place, term)),
                            (None, Some(value)) => part.defaults.push((term, value)),
                            (None, None) => {}
                        }
                    }
                    _ => {}
                },
                Event::Text(t) if inside && in_location => {
                    if let Some(part) = parts.last_mut().filter(|p| p.file.is_empty()) {
                        part.file = t.trim().to_owned();
                    }
                }
                Event::End(e) => match e.local_name().as_ref() {
                    "location" => in_location = false,
                    "core" | "extension" => inside = false,
                    _ => {}
                },
                _ => {}
            }
        }
        match parts.iter().find(|p| p.core) {
            None => Err("names no core file".into()),
            Some(core) if core.file.is_empty() => Err("names no file for its core".into()),
            Some(_) => Ok(parts),
        }
    }

    /// A part by the attributes of its own element.
    fn of(tag: &BytesStart, core: bool) -> Result<Self, String> {
        let sign = |key: &str, default: u8| match attribute(tag, key).as_deref() {
            None => Ok(Some(default)),
            Some("") => Ok(None),
            Some("\\t") => Ok(Some(b'\t')),
            Some(t) if t.len() == 1 => Ok(Some(t.as_bytes()[0])),
            Some(t) => Err(format!("has {key} `{t}`, which is more than one sign")),
        };
        let utf8 = |e: &String| e.eq_ignore_ascii_case("utf-8") || e.eq_ignore_ascii_case("utf8");
        if let Some(encoding) = attribute(tag, "encoding").filter(|e| !utf8(e)) {
            return Err(format!("says the encoding {encoding}; only UTF-8 is read"));
        }
        Ok(ArchivePart {
            core,
            row_type: attribute(tag, "rowType").unwrap_or_default(),
            delimiter: sign("fieldsTerminatedBy", b',')?.unwrap_or(b','),
            quote: sign("fieldsEnclosedBy", b'"')?,
            skip: attribute(tag, "ignoreHeaderLines").and_then(|n| n.parse().ok()).unwrap_or(0),
            ..Self::default()
        })
    }
}

/// The place of a column.
fn place(tag: &BytesStart) -> Result<Option<usize>, String> {
    let Some(index) = attribute(tag, "index") else { return Ok(None) };
    let place = index.trim().parse().ok().filter(|n| *n <= WIDEST);
    place.map(Some).ok_or_else(|| format!("has a column at the place `{index}`"))
}

fn attribute(tag: &BytesStart, key: &str) -> Option<String> {
    let found = tag.try_get_attribute(key).ok()??;
    quick_xml::escape::unescape(&found.value).map(|t| t.into_owned()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    // The structure of the Darwin Core text guide's example, in the survey's
    // words.
    #[test]
    fn the_files_of_an_archive_are_described_by_its_meta_file() {
        let meta = r#"<?xml version="1.0"?>
            <archive xmlns="http://rs.tdwg.org/dwc/text/">
              <core encoding="UTF-8" fieldsTerminatedBy="\t" linesTerminatedBy="\n" fieldsEnclosedBy="" ignoreHeaderLines="1">
                <files><location>moths.txt</location></files>
                <id index="0"/>
                <field index="2" term="http://rs.tdwg.org/dwc/terms/eventDate"/>
                <field term="http://rs.tdwg.org/dwc/terms/country" default="United States"/>
              </core>
              <extension fieldsTerminatedBy="&#9;"><files><location>other.txt</location></files><coreid index="1"/></extension>
            </archive>"#;
        let parts = ArchivePart::all(meta).unwrap();
        let core = &parts[0];
        assert!(core.core && !parts[1].core);
        assert_eq!(
            (core.file.as_str(), core.delimiter, core.quote, core.skip),
            ("moths.txt", b'\t', None, 1)
        );
        assert_eq!(core.id, Some(0));
        assert_eq!(core.columns, [(2, "http://rs.tdwg.org/dwc/terms/eventDate".to_owned())]);
        assert_eq!(core.defaults[0].1, "United States");
        let other = &parts[1];
        assert_eq!((other.file.as_str(), other.delimiter, other.id), ("other.txt", b'\t', Some(1)));
    }

    #[test]
    fn what_is_wrong_with_a_meta_file_is_said() {
        let core = |inside: &str| format!("<archive><core>{inside}</core></archive>");
        let file = "<files><location>a.csv</location></files>";
        for (meta, says) in [
            ("<archive/>".to_owned(), "names no core file"),
            (core(""), "names no file for its core"),
            (core(&format!("{file}<field index=\"0\"/>")), "a field without a term"),
            (core(&format!("{file}<field index=\"10001\" term=\"x\"/>")), "at the place `10001`"),
            ("<archive><core fieldsTerminatedBy=\"||\"/></archive>".into(), "more than one sign"),
            ("<archive><core encoding=\"latin1\"/></archive>".into(), "only UTF-8"),
            ("not xml <".into(), "is not XML"),
        ] {
            let error = ArchivePart::all(&meta).unwrap_err();
            assert!(error.contains(says), "{meta}: {error}");
        }
    }
}
