//! Tables of records as they come: comma, tab or semicolon separated text, JSON
//! Lines, or the core of a Darwin Core Archive. Rows are read one by one; a
//! damaged one is told with its number and the reading goes on.

use crate::intake::ArchivePart;
use crate::trouble::{Result, Trouble};
use csv::ByteRecord;
use std::cell::Cell;
use std::fs::File;
use std::io::{BufRead, BufReader, Read, Seek, SeekFrom};
use std::path::Path;
use std::rc::Rc;

/// A row of more bytes than this has an open quotation mark, or is no row.
const LONGEST_ROW: u64 = 1 << 20;

/// [`LONGEST_ROW`] in words.
pub(super) fn longest() -> String {
    format!("{} MiB", LONGEST_ROW >> 20)
}

/// An archive's table that unpacks to more bytes than this, and to more than
/// [`SWELLING`] times its packed size, was made to fill the disk. Tables pack to a
/// fifth or a twentieth; the packing itself allows a thousandth.
const MOST_UNPACKED: u64 = 256 << 20;
/// See [`MOST_UNPACKED`].
const SWELLING: u64 = 200;

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
/// table and empty rows count, as in a spreadsheet).
pub(super) struct Rows {
    pub(super) first: u64,
    pub(super) body: Body,
    /// Rows of a separated table of which only the first line, or the beginning of
    /// it, was taken, and why.
    pub(super) cut: Vec<(u64, Why)>,
}

/// Why a row was cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Why {
    /// A quotation mark in it is not closed.
    Unclosed,
    /// Its first line is longer than a row may be.
    Long,
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
    /// The names of the columns; for JSON Lines the keys of the first object.
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
    // A pipe cannot be looked back at and a device may never end.
    let meta = path.metadata().map_err(|e| {
        Trouble::file(path, "cannot be opened").cause(e).hint("check the name and the permissions")
    })?;
    if !meta.is_file() {
        let what = if meta.is_dir() { "is a folder, not a table" } else { "is no ordinary file" };
        return Err(
            Trouble::file(path, what).hint("name a table; write what comes from a pipe into a file first")
        );
    }
    let mut start = [0_u8; 4];
    let got = open()?.read(&mut start).map_err(|e| unreadable(path, e))?;
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

fn unreadable(path: &Path, e: std::io::Error) -> Trouble {
    Trouble::file(path, "cannot be read").cause(e).hint("check that the disk is sound and connected")
}

fn plain(path: &Path, file: File, size: u64, taker: &mut dyn Taker) -> Result<()> {
    let mut reader = BufReader::with_capacity(1 << 18, file);
    let start = reader.fill_buf().map_err(|e| unreadable(path, e))?;
    let start = start.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(start);
    let first = start.trim_ascii_start().first().copied();
    if first == Some(b'{') {
        let columns = keys_of(start);
        taker.head(Head { form: Form::JsonLines, columns, defaults: Vec::new(), size })?;
        return lines(reader, taker);
    }
    let line = start.split(|b| *b == b'\n').next().unwrap_or_default();
    let count = |by: u8| line.iter().filter(|b| **b == by).count();
    let by = [b'\t', b';', b'|'].into_iter().find(|by| count(*by) > count(b',')).unwrap_or(b',');
    let again = File::open(path).map_err(|e| unreadable(path, e))?;
    let core = Core { by, quotes: true, ..Core::default() };
    separated(path, Text { reader, again, base: 0, size, broken: None }, core, true, taker)
}

/// The keys of the first object of JSON Lines; none where it is damaged.
fn keys_of(start: &[u8]) -> Vec<String> {
    let first = start.split(|b| *b == b'\n').find(|l| !l.trim_ascii().is_empty()).unwrap_or_default();
    let object = serde_json::from_slice::<serde_json::Map<String, serde_json::Value>>(first);
    object.map(|o| o.keys().cloned().collect()).unwrap_or_default()
}

/// The text of a separated table.
struct Text {
    reader: BufReader<File>,
    /// The same file once more, to look back at a row.
    again: File,
    /// Where the rows start.
    base: u64,
    size: u64,
    /// Why the text ends before it should.
    broken: Option<String>,
}

/// Counts the bytes of one row, and gives up on one that never ends.
struct Bounded<R> {
    inner: R,
    since: Rc<Cell<u64>>,
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        if self.since.get() > LONGEST_ROW {
            return Err(std::io::Error::other("a row is longer than 1 MiB"));
        }
        let got = self.inner.read(buffer)?;
        self.since.set(self.since.get() + got as u64);
        Ok(got)
    }
}

impl<R: Seek> Seek for Bounded<R> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.since.set(0);
        self.inner.seek(to)
    }
}

/// A row whose first line is taken for the whole row.
struct Cut {
    record: ByteRecord,
    why: Why,
    /// Where the next row starts, counted as the other rows' positions are.
    next: u64,
}

/// One line taken for a row of its own.
fn alone(line: &[u8], by: u8, quotes: bool) -> ByteRecord {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let mut record = ByteRecord::new();
    let mut csv = csv::ReaderBuilder::new()
        .delimiter(by)
        .quoting(quotes)
        .has_headers(false)
        .flexible(true)
        .from_reader(line);
    // Reading from memory does not fail.
    let _ = csv.read_byte_record(&mut record);
    record
}

/// Looks back at the row that starts at `start`. Where it runs over several lines
/// and one of the next is a whole row of `width` fields, a quotation mark of its
/// first line is not closed and has swallowed them. A row without end (`endless`)
/// is cut in any case.
fn cut(text: &File, base: u64, start: u64, form: (u8, bool), width: usize, endless: bool) -> Option<Cut> {
    let (by, quotes) = form;
    let mut text = BufReader::new(text);
    text.seek(SeekFrom::Start(base + start)).ok()?;
    let mut next = start;
    let mut line = |next: &mut u64, long: &mut bool| {
        let mut line = Vec::new();
        let got = text.by_ref().take(LONGEST_ROW).read_until(b'\n', &mut line).ok()? as u64;
        *next += got;
        if got == LONGEST_ROW && !line.ends_with(b"\n") {
            *next += text.skip_until(b'\n').ok()? as u64;
            *long = true;
        }
        (got > 0).then_some(line)
    };
    let mut long = false;
    let mut first = line(&mut next, &mut long)?;
    while first.trim_ascii().is_empty() {
        first = line(&mut next, &mut long)?;
    }
    let why = if long { Why::Long } else { Why::Unclosed };
    let mut behind = next;
    let swallowed =
        (0..3).map_while(|_| line(&mut behind, &mut long)).any(|l| alone(&l, by, quotes).len() == width);
    (endless || width > 1 && swallowed).then(|| Cut { record: alone(&first, by, quotes), why, next })
}

/// Whether the number of quotation marks from `start` to the end is odd. Only
/// asked where less than a row's length is left.
fn odd(mut text: &File, start: u64) -> bool {
    let mut rest = Vec::new();
    let read =
        text.seek(SeekFrom::Start(start)).and_then(|_| text.take(LONGEST_ROW + 1).read_to_end(&mut rest));
    read.is_ok() && rest.iter().filter(|b| **b == b'"').count() % 2 == 1
}

fn separated(path: &Path, text: Text, core: Core, header: bool, taker: &mut dyn Taker) -> Result<()> {
    let Text { reader, again, base, size, broken } = text;
    let Core { by, quotes, mut columns, defaults, .. } = core;
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
    if header {
        let mut names = ByteRecord::new();
        csv.read_byte_record(&mut names).map_err(|e| {
            Trouble::file(path, "has no header row")
                .cause(e)
                .hint("put the names of the columns into the first row, each row on a line of its own")
        })?;
        row = 1;
        let name = |f: &[u8]| {
            let f = f.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(f);
            String::from_utf8_lossy(f).trim().to_owned()
        };
        columns = names.iter().map(name).collect();
    }
    let width = columns.len();
    taker.head(Head { form: Form::Separated { by, quotes }, columns, defaults, size })?;
    // A row read while another batch was filled: behind a gap in the numbers.
    let mut kept: Option<(ByteRecord, Option<Why>)> = None;
    let mut stopped = None;
    let mut ended = false;
    while !ended {
        let mut records = taker.spare();
        let first = row + 1;
        let (mut count, mut cuts) = (0, Vec::new());
        if let Some((record, open)) = kept.take() {
            row += 1;
            cuts.extend(open.map(|why| (row, why)));
            count = 1;
            if records.is_empty() {
                records.push(record);
            } else {
                records[0] = record;
            }
        }
        while count < AT_ONCE {
            if count == records.len() {
                records.push(ByteRecord::new());
            }
            since.set(0);
            let start = csv.position().clone();
            let got = csv.read_byte_record(&mut records[count]);
            let over = csv.position().line() - start.line();
            if let Ok(true) = got
                && over <= 1
            {
                row += 1;
                count += 1;
                continue;
            }
            let endless = got.is_err() && since.get() > LONGEST_ROW;
            match got {
                Ok(false) => {
                    ended = true;
                    break;
                }
                Err(e) if !endless => {
                    row += 1;
                    stopped = Some(e.to_string());
                    ended = true;
                    break;
                }
                _ => {}
            }
            let at_end = base + csv.position().byte() >= size;
            let record = &records[count];
            // Line ends inside fields; what is over is empty lines before it.
            let inside = record.as_slice().iter().filter(|b| **b == b'\n').count() as u64;
            let empty = if endless { 0 } else { over.saturating_sub(1 + inside) };
            let mut open = None;
            let swallows =
                inside > 0 && (record.len() != width || at_end && odd(&again, base + start.byte()));
            if (endless || quotes && swallows)
                && let Some(cut) = cut(&again, base, start.byte(), (by, quotes), width, endless)
            {
                let mut next = csv::Position::new();
                next.set_byte(cut.next).set_line(start.line() + 1 + empty).set_record(start.record() + 1);
                if csv.seek_raw(SeekFrom::Start(base + cut.next), next).is_ok() {
                    records[count] = cut.record;
                    open = Some(cut.why);
                }
            }
            if endless && open.is_none() {
                row += 1;
                stopped = Some(format!("it is longer than {}", longest()));
                ended = true;
                break;
            }
            if empty > 0 {
                // Empty rows have numbers, too.
                kept = Some((std::mem::take(&mut records[count]), open));
                row += empty;
                break;
            }
            row += 1;
            cuts.extend(open.map(|why| (row, why)));
            count += 1;
        }
        records.truncate(count);
        let read = base + csv.position().byte();
        if count > 0 && !taker.rows(Rows { first, body: Body::Fields(records), cut: cuts }, read) {
            return Ok(());
        }
    }
    if let Some(why) = stopped.or(broken) {
        taker.damaged(row.max(1), format!("{why}; nothing behind it was read"));
    }
    Ok(())
}

fn lines(mut reader: impl BufRead, taker: &mut dyn Taker) -> Result<()> {
    let (mut row, mut read) = (0, 0);
    loop {
        let mut body = Vec::new();
        let first = row + 1;
        let (mut broken, mut long) = (None, None);
        while body.len() < AT_ONCE {
            let mut line = Vec::new();
            match reader.by_ref().take(LONGEST_ROW).read_until(b'\n', &mut line) {
                Ok(0) => break,
                Ok(n) if n as u64 == LONGEST_ROW && !line.ends_with(b"\n") => {
                    row += 1;
                    let rest = reader.skip_until(b'\n');
                    read += n as u64 + *rest.as_ref().unwrap_or(&0) as u64;
                    match rest {
                        Ok(_) => long = Some(row),
                        Err(e) => broken = Some(e.to_string()),
                    }
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
        let ended = body.len() < AT_ONCE && long.is_none();
        if !body.is_empty() && !taker.rows(Rows { first, body: Body::Lines(body), cut: Vec::new() }, read) {
            return Ok(());
        }
        if let Some(row) = long {
            taker.damaged(
                row,
                format!("is longer than {} and was passed over; an amended copy lacks it", longest()),
            );
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
    let mut entry = zip
        .by_name(&core.location)
        .map_err(|e| bad(&format!("names {} as its core, but does not hold it", core.location)).cause(e))?;
    // Unpacked to a file without a name, so that a row can be looked back at.
    let unpacked = |e: std::io::Error| {
        Trouble::file(path, "cannot be unpacked")
            .cause(e)
            .hint("see whether the disk of temporary files is full; TMPDIR names another folder")
    };
    let mut file = tempfile::NamedTempFile::new().map_err(unpacked)?;
    let mut broken = None;
    let packed = entry.compressed_size();
    let mut unpacked_bytes = 0;
    let mut part = vec![0; 1 << 18];
    loop {
        match entry.read(&mut part) {
            Ok(0) => break,
            Ok(n)
                if unpacked_bytes + n as u64 > MOST_UNPACKED && unpacked_bytes / packed.max(1) > SWELLING =>
            {
                return Err(bad("unpacks to far more than a table does"));
            }
            Ok(n) => std::io::Write::write_all(&mut file, &part[..n])
                .map(|()| unpacked_bytes += n as u64)
                .map_err(unpacked)?,
            Err(e) => {
                broken = Some(format!("the archive is damaged here: {e}"));
                break;
            }
        }
    }
    let size = file.as_file().metadata().map_err(unpacked)?.len();
    let mut reader = BufReader::with_capacity(1 << 18, file.reopen().map_err(unpacked)?);
    for _ in 0..core.skip {
        if reader.skip_until(b'\n').map_err(|e| bad("is damaged inside").cause(e))? == 0 {
            break;
        }
    }
    let base = reader.stream_position().map_err(unpacked)?;
    let again = file.reopen().map_err(unpacked)?;
    separated(path, Text { reader, again, base, size, broken }, core, false, taker)
}

/// The core that a `meta.xml` tells of.
fn describe(meta: &str) -> std::result::Result<Core, String> {
    let parts = ArchivePart::all(meta)?;
    let Some(part) = parts.into_iter().find(|p| p.core) else { return Err("names no core file".into()) };
    let mut columns = Vec::new();
    let named = part.columns.into_iter().chain(part.id.map(|id| (id, "id".to_owned())));
    for (place, name) in named {
        if columns.len() <= place {
            columns.resize(place + 1, String::new());
        }
        if columns[place].is_empty() {
            columns[place] = name;
        }
    }
    Ok(Core {
        location: part.file,
        by: part.delimiter,
        quotes: part.quote == Some(b'"'),
        skip: part.skip,
        columns,
        defaults: part.defaults,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_columns_of_an_archives_core_stand_at_their_places() {
        let meta = r#"<archive>
              <core fieldsTerminatedBy="\t" fieldsEnclosedBy="" ignoreHeaderLines="1">
                <files><location>moths.txt</location></files>
                <id index="0"/>
                <field index="2" term="http://rs.tdwg.org/dwc/terms/eventDate"/>
              </core></archive>"#;
        let core = describe(meta).unwrap();
        assert_eq!((core.location.as_str(), core.by, core.quotes, core.skip), ("moths.txt", b'\t', false, 1));
        assert_eq!(core.columns, ["id", "", "http://rs.tdwg.org/dwc/terms/eventDate"]);
    }
}
