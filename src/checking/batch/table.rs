//! Tables of records as they come: comma, tab or semicolon separated text, JSON
//! Lines, or the core of a Darwin Core Archive. Rows are read one by one; a
//! damaged one is told with its number and the reading goes on.

use crate::trouble::{Result, Trouble};
use csv::ByteRecord;
use quick_xml::events::Event;
use std::cell::Cell;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use std::rc::Rc;

/// A row longer than this has an open quote, or is no row.
const LONGEST_ROW: u64 = 8 << 20;

/// How the rows of a table are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    /// Separated by this byte.
    Separated {
        /// The separator.
        by: u8,
        /// Whether fields may stand in double quotes.
        quotes: bool,
    },
    /// One JSON object a line.
    JsonLines,
}

/// Some rows, with the number of the first (the header is row 1 of a separated
/// table, as a text editor counts rows).
pub(super) struct Rows {
    pub(super) first: u64,
    pub(super) body: Body,
}

/// The rows themselves.
pub(super) enum Body {
    /// Fields of a separated table.
    Fields(Vec<ByteRecord>),
    /// Lines of JSON.
    Lines(Vec<Vec<u8>>),
}

/// What a table says about itself before its first row.
pub(super) struct Head {
    pub(super) form: Form,
    /// The names of the columns; empty for JSON Lines.
    pub(super) columns: Vec<String>,
    /// Values that an archive gives to every row: column and value.
    pub(super) defaults: Vec<(String, String)>,
    /// Size in bytes of what will be read, for the progress bar.
    pub(super) size: u64,
}

/// What [`walk`] calls, in this order.
pub(super) trait Taker {
    /// Takes the head; an error ends the walk.
    fn head(&mut self, head: Head) -> Result<()>;
    /// Takes rows; false ends the walk.
    fn rows(&mut self, rows: Rows, read: u64) -> bool;
    /// A row that could not be read at all.
    fn damaged(&mut self, row: u64, why: String);
    /// Empty records to fill, where some are to hand.
    fn spare(&mut self) -> Vec<ByteRecord>;
}

const AT_ONCE: usize = 2048;

/// Reads the table `path` to its end.
pub(super) fn walk(path: &Path, taker: &mut dyn Taker) -> Result<()> {
    let open = || {
        File::open(path).map_err(|e| {
            Trouble::file(path, "cannot be opened").cause(e).hint("check the name and the permissions")
        })
    };
    let mut start = [0_u8; 4];
    let got = open()?.read(&mut start).map_err(|e| Trouble::file(path, "cannot be read").cause(e))?;
    match &start[..got] {
        [] => Err(Trouble::file(path, "is empty").hint("name a table with a header row")),
        [b'P', b'K', ..] => archive(path, open()?, taker),
        [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..] => {
            Err(Trouble::file(path, "is text in UTF-16").hint("save it as UTF-8 and check that"))
        }
        _ => {
            let file = open()?;
            let size = file.metadata().map_or(0, |m| m.len());
            plain(path, file, size, taker)
        }
    }
}

fn plain(path: &Path, file: impl Read, size: u64, taker: &mut dyn Taker) -> Result<()> {
    let mut reader = BufReader::with_capacity(1 << 18, file);
    let start = reader.fill_buf().map_err(|e| Trouble::file(path, "cannot be read").cause(e))?;
    let start = start.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(start);
    let first = start.trim_ascii_start().first().copied();
    if first == Some(b'{') {
        taker.head(Head { form: Form::JsonLines, columns: Vec::new(), defaults: Vec::new(), size })?;
        return lines(reader, taker);
    }
    let line = start.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |by: u8| line.iter().filter(|b| **b == by).count();
    let by = [b'\t', b';', b'|'].into_iter().find(|by| count(*by) > count(b',')).unwrap_or(b',');
    let form = Form::Separated { by, quotes: true };
    separated(path, reader, form, None, Vec::new(), size, taker)
}

/// Counts the bytes of one row, and gives up on one that never ends.
struct Bounded<R> {
    inner: R,
    since: Rc<Cell<u64>>,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.since.get() > LONGEST_ROW {
            return Err(std::io::Error::other("a row is longer than 8 MiB; a quotation mark is not closed"));
        }
        let got = self.inner.read(buffer)?;
        self.since.set(self.since.get() + got as u64);
        Ok(got)
    }
}

fn separated(
    path: &Path,
    reader: impl Read,
    form: Form,
    columns: Option<Vec<String>>,
    defaults: Vec<(String, String)>,
    size: u64,
    taker: &mut dyn Taker,
) -> Result<()> {
    let Form::Separated { by, quotes } = form else { return Ok(()) };
    let since = Rc::new(Cell::new(0));
    let bounded = Bounded { inner: reader, since: since.clone() };
    let mut csv = csv::ReaderBuilder::new()
        .delimiter(by)
        .quoting(quotes)
        .flexible(true)
        .has_headers(false)
        .buffer_capacity(1 << 18)
        .from_reader(bounded);
    let mut row = 0;
    let columns = match columns {
        Some(columns) => columns,
        None => {
            let mut header = ByteRecord::new();
            csv.read_byte_record(&mut header)
                .map_err(|e| Trouble::file(path, "has no header row").cause(e))?;
            row = 1;
            let name = |f: &[u8]| {
                let f = f.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(f);
                String::from_utf8_lossy(f).trim().to_owned()
            };
            header.iter().map(name).collect()
        }
    };
    taker.head(Head { form, columns, defaults, size })?;
    loop {
        let mut records = taker.spare();
        let first = row + 1;
        let mut count = 0;
        let mut broken = None;
        while count < AT_ONCE {
            if count == records.len() {
                records.push(ByteRecord::new());
            }
            since.set(0);
            match csv.read_byte_record(&mut records[count]) {
                Ok(true) => {
                    row += 1;
                    count += 1;
                }
                Ok(false) => break,
                Err(e) => {
                    row += 1;
                    broken = Some(e.to_string());
                    break;
                }
            }
        }
        records.truncate(count);
        let ended = count < AT_ONCE;
        if count > 0 && !taker.rows(Rows { first, body: Body::Fields(records) }, csv.position().byte()) {
            return Ok(());
        }
        if let Some(why) = broken {
            taker.damaged(row, format!("{why}; nothing behind it was read"));
            return Ok(());
        }
        if ended {
            return Ok(());
        }
    }
}

fn lines(mut reader: impl BufRead, taker: &mut dyn Taker) -> Result<()> {
    let (mut row, mut read) = (0, 0);
    loop {
        let mut body = Vec::new();
        let first = row + 1;
        let mut broken = None;
        while body.len() < AT_ONCE {
            let mut line = Vec::new();
            match reader.by_ref().take(LONGEST_ROW).read_until(b'\n', &mut line) {
                Ok(0) => break,
                Ok(n) if n as u64 == LONGEST_ROW => {
                    row += 1;
                    broken = Some("a line is longer than 8 MiB".to_owned());
                    break;
                }
                Ok(n) => {
                    read += n as u64;
                    row += 1;
                    body.push(line);
                }
                Err(e) => {
                    row += 1;
                    broken = Some(e.to_string());
                    break;
                }
            }
        }
        let ended = body.len() < AT_ONCE;
        if !body.is_empty() && !taker.rows(Rows { first, body: Body::Lines(body) }, read) {
            return Ok(());
        }
        if let Some(why) = broken {
            taker.damaged(row, format!("{why}; nothing behind it was read"));
            return Ok(());
        }
        if ended {
            return Ok(());
        }
    }
}

/// The core of an archive, as its `meta.xml` describes it (Darwin Core text
/// guide).
#[derive(Debug, Default)]
struct Core {
    location: String,
    by: u8,
    quotes: bool,
    skip: usize,
    columns: Vec<String>,
    defaults: Vec<(String, String)>,
}

fn archive(path: &Path, file: File, taker: &mut dyn Taker) -> Result<()> {
    let bad =
        |fact: &str| Trouble::file(path, fact).hint("name a Darwin Core Archive (.zip) or a plain table");
    let mut zip = zip::ZipArchive::new(file).map_err(|e| bad("is not a readable zip file").cause(e))?;
    let mut meta = String::new();
    zip.by_name("meta.xml")
        .map_err(|e| bad("holds no meta.xml").cause(e))?
        .take(4 << 20)
        .read_to_string(&mut meta)
        .map_err(|e| bad("has a meta.xml that cannot be read").cause(e))?;
    let core = describe(&meta).map_err(|why| bad("has a meta.xml that cannot be used").cause(why))?;
    let entry = zip
        .by_name(&core.location)
        .map_err(|e| bad(&format!("names {} as its core, but does not hold it", core.location)).cause(e))?;
    let size = entry.size();
    let mut reader = BufReader::with_capacity(1 << 18, entry);
    for _ in 0..core.skip {
        let mut line = Vec::new();
        reader.read_until(b'\n', &mut line).map_err(|e| bad("is damaged inside").cause(e))?;
    }
    let form = Form::Separated { by: core.by, quotes: core.quotes };
    separated(path, reader, form, Some(core.columns), core.defaults, size, taker)
}

fn describe(meta: &str) -> std::result::Result<Core, String> {
    let mut xml = quick_xml::Reader::from_str(meta);
    let mut core = Core { by: b'\t', quotes: false, ..Core::default() };
    let (mut inside, mut location) = (false, false);
    loop {
        match xml.read_event().map_err(|e| e.to_string())? {
            Event::Eof => break,
            Event::End(end) => match end.local_name().as_ref() {
                "core" => break,
                "location" => location = false,
                _ => {}
            },
            Event::Text(text) if inside && location => {
                core.location = text.as_ref().trim().to_owned();
            }
            Event::Start(tag) | Event::Empty(tag) => {
                let name = tag.local_name();
                let attribute = |name: &str| {
                    let found = tag.attributes().flatten().find(|a| a.key.local_name().as_ref() == name);
                    found.map(|a| unescaped(&a.value))
                };
                match name.as_ref() {
                    "core" => {
                        inside = true;
                        core.by = attribute("fieldsTerminatedBy").map_or(b',', |t| separator(&t));
                        core.quotes = attribute("fieldsEnclosedBy").is_none_or(|q| q == "\"");
                        core.skip = attribute("ignoreHeaderLines").and_then(|n| n.parse().ok()).unwrap_or(0);
                    }
                    "location" => location = true,
                    "id" if inside => {
                        if let Some(index) = attribute("index").and_then(|i| i.parse().ok()) {
                            place(&mut core.columns, index, "id")?;
                        }
                    }
                    "field" if inside => {
                        let term = attribute("term").ok_or("a field without a term")?;
                        match attribute("index").map(|i| i.parse::<usize>()) {
                            Some(Ok(index)) => place(&mut core.columns, index, &term)?,
                            Some(Err(_)) => {
                                return Err(format!("the field {term} has no number as its index"));
                            }
                            None => {
                                core.defaults.push((term.clone(), attribute("default").unwrap_or_default()))
                            }
                        }
                    }
                    _ => {}
                }
            }
            _ => {}
        }
    }
    if core.location.is_empty() {
        return Err("it names no file for the core".into());
    }
    Ok(core)
}

fn place(columns: &mut Vec<String>, index: usize, name: &str) -> std::result::Result<(), String> {
    if index > 10_000 {
        return Err(format!("the field {name} stands at {index}"));
    }
    if columns.len() <= index {
        columns.resize(index + 1, String::new());
    }
    if columns[index].is_empty() || columns[index] == "id" {
        columns[index] = name.to_owned();
    }
    Ok(())
}

fn separator(text: &str) -> u8 {
    match text {
        "\\t" | "\t" => b'\t',
        other => other.bytes().next().unwrap_or(b','),
    }
}

fn unescaped(text: &str) -> String {
    text.replace("&quot;", "\"")
        .replace("&apos;", "'")
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&#9;", "\t")
        .replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::*;

    // The structure of the Darwin Core text guide's example, in the survey's
    // words.
    #[test]
    fn the_core_of_an_archive_is_described_by_its_meta_file() {
        let meta = r#"<?xml version="1.0"?>
            <archive xmlns="http://rs.tdwg.org/dwc/text/">
              <core encoding="UTF-8" fieldsTerminatedBy="\t" linesTerminatedBy="\n" fieldsEnclosedBy="" ignoreHeaderLines="1">
                <files><location>moths.txt</location></files>
                <id index="0"/>
                <field index="2" term="http://rs.tdwg.org/dwc/terms/eventDate"/>
                <field term="http://rs.tdwg.org/dwc/terms/country" default="United States"/>
              </core>
              <extension><files><location>other.txt</location></files></extension>
            </archive>"#;
        let core = describe(meta).unwrap();
        assert_eq!((core.location.as_str(), core.by, core.quotes, core.skip), ("moths.txt", b'\t', false, 1));
        assert_eq!(core.columns, ["id", "", "http://rs.tdwg.org/dwc/terms/eventDate"]);
        assert_eq!(core.defaults[0].1, "United States");
        assert!(describe("<archive><core/></archive>").is_err());
        assert!(describe("not xml <").is_err());
    }
}
