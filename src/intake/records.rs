//! Takes records that were typed or written out before: CSV, tab-separated
//! text, JSON Lines or a Darwin Core Archive, each row a map from Darwin Core
//! term to value.
//!
//! Nothing is understood here: values stay as they stand. Which column is which
//! term is [`Columns`]' matter; one that is none stays under its own name. A row that cannot be read is
//! named and the others go on.

use super::{ArchivePart, Columns, RecordsRules, TableColumns, whole};
use crate::trouble::{Result, Trouble, shown};
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io::{Cursor, Read};
use std::path::Path;

/// One record of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GivenRecord {
    /// File and row, for people: `records.csv, row 12`.
    pub name: String,
    /// Darwin Core terms (without prefix) and values; none is empty.
    pub values: BTreeMap<String, String>,
}

/// What a file of records holds.
#[derive(Debug, Default)]
pub struct GivenRecords {
    /// The records in the file's order.
    pub records: Vec<GivenRecord>,
    /// Rows that could not be used.
    pub troubles: Vec<Trouble>,
    /// Its columns, understood.
    pub columns: TableColumns,
}

/// Reads a file of records: its kind is told by its content and its name, its
/// columns by `columns`.
///
/// # Errors
/// Where the file cannot be read at all, is larger than `rules` allow, is of no
/// kind known here, or lacks a column that was said.
pub fn records(path: &Path, rules: &RecordsRules, columns: &Columns) -> Result<GivenRecords> {
    let bytes = whole(path, rules.file_mib, "records.file_mib")?;
    let name = shown(path.file_name().unwrap_or_default());
    let ending = path.extension().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
    if bytes.starts_with(b"PK\x03\x04") {
        return archive(&name, bytes, rules, columns);
    }
    match ending.as_str() {
        "jsonl" | "ndjson" => json_lines(&name, &bytes, rules, columns),
        "csv" => table(&name, &bytes, &Shape { guarded: true, ..Shape::default() }, rules, columns),
        "tsv" | "txt" | "tab" => table(
            &name,
            &bytes,
            &Shape { delimiter: b'\t', guarded: true, ..Shape::default() },
            rules,
            columns,
        ),
        _ => Err(Trouble::file(path, "is no file of records that is known here")
            .hint("give a .csv, .tsv or .jsonl file, or a Darwin Core Archive (.zip)")),
    }
}

fn text<'a>(name: &str, bytes: &'a [u8]) -> Result<&'a str> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    std::str::from_utf8(bytes).map_err(|e| {
        let line = 1 + bytes[..e.valid_up_to()].iter().filter(|b| **b == b'\n').count();
        Trouble::new(format!("{name}, line {line}"), "is not UTF-8 text")
            .cause(e)
            .hint("save the file as CSV in UTF-8 and add it again; nothing was taken in")
    })
}

/// How a table is written.
struct Shape {
    delimiter: u8,
    quote: Option<u8>,
    skip: usize,
    /// Column of the record's identifier, and each column's term; `None`: the
    /// first row says them.
    columns: Option<Vec<(usize, String)>>,
    /// Values of terms that have no column.
    defaults: Vec<(String, String)>,
    /// Whether an apostrophe may stand before a cell that looks like a formula.
    guarded: bool,
}

impl Shape {
    /// How a file of an archive is written.
    fn of(part: &ArchivePart) -> Self {
        let bare = |term: &str| super::columns::bare(term).to_owned();
        Shape {
            delimiter: part.delimiter,
            quote: part.quote,
            skip: part.skip,
            columns: Some(part.columns.iter().map(|(place, term)| (*place, bare(term))).collect()),
            defaults: part.defaults.iter().map(|(term, value)| (bare(term), value.clone())).collect(),
            guarded: false,
        }
    }
}

impl Default for Shape {
    fn default() -> Self {
        Shape {
            delimiter: b',',
            quote: Some(b'"'),
            skip: 0,
            columns: None,
            defaults: Vec::new(),
            guarded: false,
        }
    }
}

/// Takes the apostrophe off that writers put before what a spreadsheet would
/// take for a formula.
fn unguarded(cell: &str) -> &str {
    match cell.strip_prefix('\'') {
        Some(rest) if rest.starts_with(['=', '+', '-', '@', '\t', '\r']) && rest.parse::<f64>().is_err() => {
            rest
        }
        _ => cell,
    }
}

fn table(
    name: &str,
    bytes: &[u8],
    shape: &Shape,
    rules: &RecordsRules,
    known: &Columns,
) -> Result<GivenRecords> {
    let text = text(name, bytes)?;
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(shape.delimiter)
        .quoting(shape.quote.is_some())
        .quote(shape.quote.unwrap_or(b'"'))
        .from_reader(text.as_bytes());
    let mut found = GivenRecords::default();
    let mut rows = reader.records().enumerate();
    let named: Vec<(usize, String)> = match &shape.columns {
        Some(columns) => columns.clone(),
        None => {
            let head = rows.next().and_then(|r| r.1.ok()).filter(|h| h.len() > 1 || !h[0].trim().is_empty());
            let head = head.ok_or_else(|| {
                Trouble::new(name, "has no first row with the names of its columns")
                    .hint("put Darwin Core terms into the first row: occurrenceID, scientificName, eventDate")
            })?;
            head.iter().map(str::to_owned).enumerate().collect()
        }
    };
    let names: Vec<String> = named.iter().map(|c| c.1.clone()).collect();
    found.columns = known.of_table(name, &names, true)?;
    if let Some(column) = found.columns.doubled() {
        return Err(Trouble::new(name, format!("has two columns named `{column}`"))
            .hint("rename one of them and add the file again; nothing was taken in"));
    }
    let columns: Vec<(usize, String)> = named.iter().map(|c| c.0).zip(found.columns.terms.clone()).collect();
    let width = columns.iter().map(|c| c.0 + 1).max().unwrap_or(0);
    for (at, row) in rows {
        if at < shape.skip {
            continue;
        }
        let of = format!("{name}, row {}", at + 1);
        let row = match row {
            Ok(row) => row,
            Err(e) => {
                found.troubles.push(
                    Trouble::new(of, "cannot be read").cause(e).hint("mend the row and add the file again"),
                );
                continue;
            }
        };
        if row.iter().all(|c| c.trim().is_empty()) {
            continue;
        }
        if row.as_slice().len() > rules.row_kib << 10 {
            found.troubles.push(too_long(of, rules).hint(
                "see whether a quotation mark in it is not closed: rows behind it may be in it; mend it and \
                 add the file again",
            ));
            continue;
        }
        if row.len() != width && shape.columns.is_none() || row.len() < width {
            let fact = format!("has {} cells where the table has {width} columns", row.len());
            found.troubles.push(
                Trouble::new(of, fact)
                    .hint("put cells that hold the delimiter in quotes, then add the file again"),
            );
            continue;
        }
        let mut values: BTreeMap<String, String> = shape.defaults.iter().cloned().collect();
        for (at, term) in columns.iter().filter(|c| !c.1.is_empty()) {
            let cell = if shape.guarded { unguarded(&row[*at]) } else { &row[*at] };
            if !cell.trim().is_empty() {
                values.insert(term.clone(), cell.to_owned());
            }
        }
        found.records.push(GivenRecord { name: of, values });
    }
    Ok(found)
}

fn too_long(row: String, rules: &RecordsRules) -> Trouble {
    Trouble::new(row, format!("is longer than the {} KiB a row may have", rules.row_kib))
}

fn json_lines(name: &str, bytes: &[u8], rules: &RecordsRules, known: &Columns) -> Result<GivenRecords> {
    let mut found = GivenRecords::default();
    // Objects need not have the same keys: the first one's stand for the table.
    let (mut columns, mut seen) = (None, BTreeSet::new());
    for (at, line) in text(name, bytes)?.lines().enumerate().filter(|l| !l.1.trim().is_empty()) {
        let of = format!("{name}, line {}", at + 1);
        let wrong = |fact: &str| {
            Trouble::new(&of, fact).hint("each line is one object from Darwin Core term to value")
        };
        if line.len() > rules.row_kib << 10 {
            found
                .troubles
                .push(too_long(of, rules).hint("put one object on each line and add the file again"));
            continue;
        }
        let object = match serde_json::from_str::<serde_json::Map<String, serde_json::Value>>(line) {
            Ok(object) => object,
            Err(e) => {
                found.troubles.push(wrong("is no JSON object").cause(e));
                continue;
            }
        };
        if columns.is_none() {
            let names: Vec<String> = object.keys().cloned().collect();
            columns = Some(known.of_table(name, &names, false)?);
        }
        let columns = columns.get_or_insert_default();
        let mut values = BTreeMap::new();
        let mut nested = None;
        for (term, value) in object {
            let value = match value {
                serde_json::Value::String(text) => text,
                serde_json::Value::Null => continue,
                serde_json::Value::Array(_) | serde_json::Value::Object(_) => {
                    nested = Some(term);
                    break;
                }
                other => other.to_string(),
            };
            let key = columns.term(&term);
            seen.insert(key.clone());
            if !value.trim().is_empty() && values.insert(key.clone(), value).is_some() {
                nested = Some(key);
                break;
            }
        }
        match nested {
            Some(term) if values.contains_key(&term) => {
                found.troubles.push(wrong(&format!("says `{term}` twice, under two names")));
            }
            Some(term) => found.troubles.push(wrong(&format!("has a list or an object under `{term}`"))),
            None => found.records.push(GivenRecord { name: of, values }),
        }
    }
    found.columns = columns.unwrap_or_default();
    let absent = found.columns.said.iter().find(|(term, _)| !seen.contains(*term));
    if let Some((term, column)) = absent.filter(|_| !found.records.is_empty()) {
        return Err(Trouble::new(name, format!("has no key “{column}” for {term} in any line"))
            .hint(format!("the keys of its first line are: {}", found.columns.names.join(", "))));
    }
    Ok(found)
}

fn archive(name: &str, bytes: Vec<u8>, rules: &RecordsRules, columns: &Columns) -> Result<GivenRecords> {
    let damaged = |e: zip::result::ZipError| {
        Trouble::new(name, "is a damaged archive").cause(e).hint("write or fetch it again")
    };
    let mut zip = zip::ZipArchive::new(Cursor::new(bytes)).map_err(damaged)?;
    let mut open = |file: &str| -> Result<Vec<u8>> {
        let mut content = Vec::new();
        let mut entry = zip.by_name(file).map_err(|e| {
            Trouble::new(format!("{name}, {file}"), "cannot be opened")
                .cause(e)
                .hint("a Darwin Core Archive holds meta.xml and the files it names")
        })?;
        // What an archive says of its own sizes need not be true.
        let limit = rules.file_mib << 20;
        entry.by_ref().take(limit + 1).read_to_end(&mut content).map_err(|e| {
            Trouble::new(format!("{name}, {file}"), "cannot be unpacked")
                .cause(e)
                .hint("write or fetch it again")
        })?;
        if content.len() as u64 > limit {
            let fact = format!("unpacks to more than the {} MiB allowed", rules.file_mib);
            return Err(Trouble::new(format!("{name}, {file}"), fact).hint(
                "split the archive, or raise records.file_mib in the collection folder's config/intake.toml",
            ));
        }
        Ok(content)
    };
    let meta = open("meta.xml")?;
    let named = format!("{name}, meta.xml");
    let wrong = |fact: String| Trouble::new(&named, fact).hint("write or fetch the archive again");
    let parts = ArchivePart::all(text(&named, &meta)?).map_err(wrong)?;
    let (core, extensions): (Vec<_>, Vec<_>) = parts.iter().partition(|p| p.core);
    let core = core[0];
    let mut found =
        table(&format!("{name}, {}", core.file), &open(&core.file)?, &Shape::of(core), rules, columns)?;
    // Names given before the last, where the core does not tell them itself.
    let earlier = extensions.iter().find(|p| p.row_type.ends_with("/Identification"));
    if let Some(part) = earlier {
        let mut shape = Shape { defaults: Vec::new(), ..Shape::of(part) };
        let (id, columns) = (part.id.unwrap_or(0), shape.columns.get_or_insert_default());
        columns.retain(|c| c.0 != id);
        columns.push((id, "coreid".into()));
        let mut rows =
            table(&format!("{name}, {}", part.file), &open(&part.file)?, &shape, rules, &Columns::default())?;
        found.troubles.append(&mut rows.troubles);
        let mut by_core: HashMap<String, Vec<BTreeMap<String, String>>> = HashMap::new();
        for row in rows.records {
            let id = row.values.get("coreid").cloned().unwrap_or_default();
            by_core.entry(id).or_default().push(row.values);
        }
        for record in &mut found.records {
            let id = record.values.get("occurrenceID").cloned().unwrap_or_default();
            let Some(names) =
                by_core.get(&id).filter(|_| !record.values.contains_key("previousIdentifications"))
            else {
                continue;
            };
            let said = |row: &BTreeMap<String, String>| {
                ["scientificName", "identifiedBy", "dateIdentified"]
                    .iter()
                    .filter_map(|t| row.get(*t).cloned())
                    .collect::<Vec<_>>()
                    .join(", ")
            };
            let now = said(&record.values);
            let before: Vec<String> = names.iter().map(said).filter(|s| !s.is_empty() && *s != now).collect();
            if !before.is_empty() {
                record.values.insert("previousIdentifications".into(), before.join(" | "));
            }
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn given(file: &str, content: &str) -> Result<GivenRecords> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(file);
        std::fs::write(&path, content).unwrap();
        records(&path, &rules(), &Columns::default())
    }

    fn rules() -> RecordsRules {
        RecordsRules { file_mib: 1, row_kib: 4 }
    }

    #[test]
    fn a_table_is_read_by_its_columns_and_a_bad_row_is_named() {
        let csv = "\u{feff}occurrenceID,dwc:scientificName,http://rs.tdwg.org/dwc/terms/locality,decimalLongitude\r\n\
                   a,Plusia vallis,'=Tarn Head,-2.9\r\n\
                   b,Plusia vallis\r\n\
                   \r\n\
                   c,,\"Mere End, the\nold fold\",'5\r\n";
        let found = given("old.csv", csv).unwrap();
        assert_eq!(found.records.len(), 2);
        assert_eq!(found.records[0].values["scientificName"], "Plusia vallis");
        assert_eq!(found.records[0].values["locality"], "=Tarn Head");
        assert_eq!(found.records[0].values["decimalLongitude"], "-2.9");
        assert_eq!(found.records[1].values["locality"], "Mere End, the\nold fold");
        assert_eq!(found.records[1].values["decimalLongitude"], "'5");
        assert!(!found.records[1].values.contains_key("scientificName"));
        let said = found.troubles[0].to_string();
        assert!(
            said.contains("old.csv, row 3") && said.contains("2 cells") && said.contains("hint:"),
            "{said}"
        );
    }

    #[test]
    fn json_lines_keep_numbers_as_written_and_name_a_bad_line() {
        let found = given(
            "old.jsonl",
            "{\"eventDate\":\"1993\",\"individualCount\":3,\"sex\":null}\n[1]\n{\"a\":{}}\n",
        )
        .unwrap();
        assert_eq!(found.records[0].values["individualCount"], "3");
        assert_eq!(found.records[0].values.len(), 2);
        assert_eq!(found.troubles.len(), 2);
        assert!(found.troubles[0].to_string().contains("line 2"));
    }

    #[test]
    fn what_is_no_file_of_records_is_refused_with_the_next_step() {
        for (file, content, fact) in [
            ("x.pdf", "%PDF", "no file of records"),
            ("x.csv", "", "no first row"),
            ("x.csv", "a,a\n1,2\n", "two columns named `a`"),
            ("x.zip", "PK\u{3}\u{4}rest", "damaged archive"),
        ] {
            let error = given(file, content).unwrap_err().to_string();
            assert!(error.contains(fact) && error.contains("hint:"), "{error}");
        }
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("latin.csv");
        std::fs::write(&path, b"locality\nM\xE9re End\n").unwrap();
        let error = records(&path, &rules(), &Columns::default()).unwrap_err().to_string();
        assert!(error.contains("latin.csv, line 2") && error.contains("UTF-8"), "{error}");
    }
}
