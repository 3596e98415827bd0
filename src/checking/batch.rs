//! Checks a whole table of records: `glassine check FILE`.
//!
//! Takes comma, tab or semicolon separated text, JSON Lines, or the core of a
//! Darwin Core Archive; finds the columns as [`crate::intake::Columns`] does; checks every row as [`super::check_facts`] does. One thread reads, the
//! others check, and what they find is put back in order, so that memory does not
//! grow with the table. Nothing is ever written over the table: doubts, the page
//! and the amended copy are files of their own, written whole and then named.
//!
//! A row that is damaged (other number of fields than the header, not UTF-8, not
//! JSON, a quotation mark never closed) is told with its number, kept as it is in
//! the amended copy, and the run goes on.

mod numbers;
mod report;
mod table;

use super::{CheckRules, Context, Doubt, Facts, check_dated, event_date};
use crate::intake::{self, Columns, TableColumns};
use crate::parsing::dates::{DateRules, Order, Standing, parse_one};
use crate::trouble::{Result, Trouble, shown};
use clap::{Args, ValueEnum};
use csv::ByteRecord;
use indexmap::IndexMap;
use numbers::{Numbers, bits};
use serde_json::value::RawValue;
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Instant;
use table::{Body, Form, Head, Rows, Why};

/// Which number of a date like 5/6/1932 is the day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum DayOrder {
    /// The table `dates.toml` says, or else the row's country.
    #[default]
    Rules,
    /// The day stands first.
    DayFirst,
    /// The month stands first.
    MonthFirst,
}

/// What to check, and where to put what is found.
#[derive(Args, Clone, Debug, Default)]
pub struct BatchOptions {
    /// The table: CSV, TSV, JSON Lines, or a Darwin Core Archive (.zip).
    pub file: PathBuf,
    /// Write every doubt here, a row a doubt, as CSV.
    #[arg(long, value_name = "FILE.csv")]
    pub doubts: Option<PathBuf>,
    /// Write the report here as a page with plots by year and by doubt.
    #[arg(long, value_name = "FILE.html")]
    pub page: Option<PathBuf>,
    /// Write a copy of the table here in which dates that can mean only one thing
    /// are written as Darwin Core asks. The words as they were are kept in
    /// verbatimEventDate, and a last column names the doubts. The copy of an
    /// archive is its core table.
    #[arg(long, value_name = "FILE")]
    pub amended: Option<PathBuf>,
    /// Take a column for a Darwin Core term, for example
    /// `eventDate=Date collected`. May be given several times. With --collection
    /// it is remembered for the next table with the same columns; `eventDate=`
    /// forgets.
    #[arg(long = "column", value_name = "TERM=COLUMN")]
    pub columns: Vec<String>,
    /// Which number of a date like 5/6/1932 is the day.
    #[arg(long, value_enum, default_value = "rules")]
    pub order: DayOrder,
    /// Use the tables of this folder beside the built-in ones.
    #[arg(long, value_name = "FOLDER")]
    pub config: Option<PathBuf>,
    /// Use the tables of this collection folder, and what it remembers of
    /// columns.
    #[arg(long, value_name = "FOLDER", conflicts_with = "config")]
    pub collection: Option<PathBuf>,
    /// How many threads check; 0 takes one a core.
    #[arg(long, value_name = "N", default_value_t = 0)]
    pub threads: usize,
}

/// How the event dates of a table are written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "each is a count of rows, named as `Standing` names them")]
pub struct DateCounts {
    pub empty: u64,
    pub standard: u64,
    pub understood: u64,
    pub open_century: u64,
    pub open_order: u64,
    pub no_year: u64,
    pub impossible: u64,
    pub unread: u64,
}

impl DateCounts {
    fn add(&mut self, standing: Standing) {
        *match standing {
            Standing::Empty => &mut self.empty,
            Standing::Standard => &mut self.standard,
            Standing::Understood => &mut self.understood,
            Standing::OpenCentury => &mut self.open_century,
            Standing::OpenOrder => &mut self.open_order,
            Standing::NoYear => &mut self.no_year,
            Standing::Impossible => &mut self.impossible,
            Standing::Unread => &mut self.unread,
        } += 1;
    }

    fn join(&mut self, other: &DateCounts) {
        self.empty += other.empty;
        self.standard += other.standard;
        self.understood += other.understood;
        self.open_century += other.open_century;
        self.open_order += other.open_order;
        self.no_year += other.no_year;
        self.impossible += other.impossible;
        self.unread += other.unread;
    }

    fn named(&self) -> [(&'static str, u64); 8] {
        [
            ("ISO 8601", self.standard),
            ("another form, one meaning", self.understood),
            ("century open", self.open_century),
            ("day or month first, open", self.open_order),
            ("without a year", self.no_year),
            ("no such day", self.impossible),
            ("not understood", self.unread),
            ("empty", self.empty),
        ]
    }
}

/// Doubts of one kind.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// How many.
    pub count: u64,
    /// The first ones.
    pub examples: Vec<Example>,
}

/// One doubt of a row.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Example {
    /// The row's number; the header is row 1.
    pub row: u64,
    /// The record's `occurrenceID`, or else its catalogue number; empty where it
    /// has none.
    pub record: String,
    /// What is doubted.
    pub sentence: String,
}

impl Example {
    /// `row 4, TVM 3`.
    fn place(&self) -> String {
        let comma = if self.record.is_empty() { "" } else { ", " };
        format!("row {}{comma}{}", self.row, self.record)
    }
}

/// What a check found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// The table's file name.
    pub name: String,
    /// The day of the check, ISO 8601.
    pub day: String,
    /// Rows checked.
    pub rows: u64,
    /// Rows with at least one doubt that weighs something.
    pub doubted: u64,
    /// Rows that could not be read.
    pub damaged: u64,
    /// The first damaged rows: row and reason.
    pub damages: Vec<(u64, String)>,
    /// Rows changed in the amended copy, where one was asked for.
    pub amended: Option<u64>,
    /// How the event dates are written.
    pub dates: DateCounts,
    /// Doubts by kind.
    pub kinds: BTreeMap<String, Found>,
    /// Rows and rows with doubts by the year of the event.
    pub years: BTreeMap<i16, (u64, u64)>,
    /// What was said of the table's columns, now or before, in words.
    pub columns: String,
    /// Whether some of it was said before.
    pub remembered: bool,
    /// Files written: what, and where.
    pub written: Vec<(String, String)>,
    /// How long it took.
    pub seconds: f64,
    /// Whether it was stopped before the end.
    pub stopped: bool,
    /// How many different catalogue numbers were compared, where the table has
    /// more.
    pub numbers: Option<usize>,
}

impl Summary {
    /// The kinds of doubt, the most frequent first.
    fn by_count(&self) -> Vec<(&str, &Found)> {
        let mut all: Vec<(&str, &Found)> = self.kinds.iter().map(|(k, f)| (k.as_str(), f)).collect();
        all.sort_by(|a, b| b.1.count.cmp(&a.1.count).then(a.0.cmp(b.0)));
        all
    }
}

/// How many examples of each kind of doubt, and damaged rows, are kept.
const EXAMPLES: usize = 8;
const DAMAGES: usize = 100;

/// The terms that the check reads, in the order of [`Cells`].
const TERMS: [&str; 24] = [
    "eventDate",
    "verbatimEventDate",
    "dateIdentified",
    "country",
    "countryCode",
    "stateProvince",
    "county",
    "locality",
    "decimalLatitude",
    "decimalLongitude",
    "coordinateUncertaintyInMeters",
    "minimumElevationInMeters",
    "maximumElevationInMeters",
    "individualCount",
    "sex",
    "recordedBy",
    "recordNumber",
    "catalogNumber",
    "year",
    "month",
    "day",
    "occurrenceID",
    "institutionCode",
    "collectionCode",
];
const EVENT_DATE: usize = 0;
const VERBATIM: usize = 1;
const IDENTIFIED: usize = 2;
const COUNTRY: usize = 3;
const CATALOG_NUMBER: usize = 17;
const YEAR: usize = 18;
const OCCURRENCE_ID: usize = 21;
const INSTITUTION: usize = 22;
const COLLECTION: usize = 23;

type Cells<'a> = [&'a str; TERMS.len()];

/// Checks a table and writes the summary to `out`.
///
/// # Errors
/// When the table cannot be opened or has no column the check could use, when an
/// output would be written over the table, or cannot be written.
pub fn run(options: &BatchOptions, out: &mut impl Write) -> Result<Summary> {
    run_until(options, &AtomicBool::new(false), out)
}

/// As [`run`], but stops after the rows in hand once `stop` is set; what was
/// checked until then is written, and the summary says so.
///
/// # Errors
/// As for [`run`].
pub fn run_until(options: &BatchOptions, stop: &AtomicBool, out: &mut impl Write) -> Result<Summary> {
    let started = Instant::now();
    for output in [&options.doubts, &options.page, &options.amended].into_iter().flatten() {
        keep_original(&options.file, output)?;
    }
    let config = match &options.collection {
        Some(folder) if !folder.join("catalogue.db").is_file() => {
            return Err(Trouble::file(folder, "is no collection folder: it holds no catalogue.db")
                .hint("name the folder that holds catalogue.db, or a folder of tables with --config"));
        }
        Some(folder) => Some(folder.join("config")),
        None => options.config.clone(),
    };
    let mut columns = Columns::new(&options.columns, config.as_deref())?;
    let mut dates = DateRules::load(config.as_deref())?;
    match options.order {
        DayOrder::Rules => {}
        DayOrder::DayFirst => dates = dates.with_order(Order::DayFirst),
        DayOrder::MonthFirst => dates = dates.with_order(Order::MonthFirst),
    }
    let rules = CheckRules::load(config.as_deref())?;
    let threads = match options.threads {
        0 => std::thread::available_parallelism().map_or(1, usize::from),
        n => n,
    };
    let numbers = Numbers::new(rules.counts.numbers);
    let shared = Shared {
        day_first: dates.with_order(Order::DayFirst),
        month_first: dates.with_order(Order::MonthFirst),
        dates,
        rules,
        columns: &columns,
        file: &options.file,
        doubts: options.doubts.is_some(),
        amend: options.amended.is_some(),
        numbers,
    };
    let mut outputs = Outputs::open(options)?;
    let mut summary = Summary {
        name: options.file.file_name().map_or(String::new(), shown),
        day: shared.dates.latest.to_string(),
        amended: options.amended.as_ref().map(|_| 0),
        ..Summary::default()
    };
    let spares = Mutex::new(Vec::new());
    let mut understood = TableColumns::default();
    std::thread::scope(|scope| {
        let (rows_to, rows_from) = sync_channel::<(u64, Arc<Plan>, Rows)>(threads * 2);
        let (done_to, done_from) = sync_channel::<Message>(threads * 4);
        let rows_from = Arc::new(Mutex::new(rows_from));
        let (shared, spares) = (&shared, &spares);
        for _ in 0..threads {
            let (rows_from, done_to) = (rows_from.clone(), done_to.clone());
            scope.spawn(move || work(shared, &rows_from, &done_to, spares));
        }
        // Only the threads hold it now: when they go, the reader sees it.
        drop(rows_from);
        let reader = scope.spawn(move || {
            let mut feed =
                Feed { shared, to: rows_to, done: done_to, plan: None, size: 0, sent: 0, spares, stop };
            table::walk(shared.file, &mut feed)
        });
        let written = gather(done_from, &mut outputs, &mut summary, &mut understood, shared);
        let read = reader.join().unwrap_or_else(|_| {
            Err(Trouble::file(shared.file, "could not be read to its end: a fault of this program")
                .hint("what was written is whole up to there; run it again on the rows that are missing"))
        });
        read.and(written)
    })?;
    summary.seconds = started.elapsed().as_secs_f64();
    summary.stopped = stop.load(Ordering::Relaxed);
    summary.numbers = shared.numbers.only();
    outputs.finish()?;
    if options.collection.is_some() {
        columns.remember(&understood)?;
    }
    if let Some(path) = &options.page {
        let page = report::page(&summary);
        whole(path, |file| file.write_all(page.as_bytes()))?;
    }
    let outputs = [("doubts", &options.doubts), ("page", &options.page), ("amended copy", &options.amended)];
    for (what, path) in outputs {
        summary.written.extend(path.iter().map(|p| (what.to_owned(), p.display().to_string())));
    }
    report::terminal(&summary, out)
        .map_err(|e| Trouble::new("standard output", "cannot be written to").cause(e))?;
    Ok(summary)
}

/// Refuses an output that is the table itself.
fn keep_original(file: &Path, output: &Path) -> Result<()> {
    let same = match (file.canonicalize(), output.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => file == output,
    };
    if same {
        return Err(Trouble::file(output, "is the table that is being checked")
            .hint("name another file; the table itself is never written over"));
    }
    Ok(())
}

struct Shared<'a> {
    dates: DateRules,
    day_first: DateRules,
    month_first: DateRules,
    rules: CheckRules,
    columns: &'a Columns,
    file: &'a Path,
    doubts: bool,
    amend: bool,
    numbers: Numbers,
}

/// Where the terms stand in the rows of a table.
struct Plan {
    form: Form,
    width: usize,
    /// The column of each term, counted from 0.
    at: [Option<usize>; TERMS.len()],
    /// Terms that have a column: term and column.
    used: Vec<(usize, usize)>,
    /// The key of each term in JSON objects.
    keys: [String; TERMS.len()],
    /// What an archive gives to every row.
    defaults: [String; TERMS.len()],
    /// The columns of the amended copy that the table lacks.
    added: Vec<usize>,
    header: Vec<String>,
    /// The table's columns, understood.
    columns: TableColumns,
}

impl Plan {
    /// Whether rows may have catalogue numbers; objects of JSON always may.
    fn numbered(&self) -> bool {
        self.at[CATALOG_NUMBER].is_some() || self.form == Form::JsonLines
    }
}

fn plan(head: Head, shared: &Shared) -> Result<Plan> {
    let mut at = [None; TERMS.len()];
    let mut keys: [String; TERMS.len()] = std::array::from_fn(|i| TERMS[i].to_owned());
    let mut defaults: [String; TERMS.len()] = std::array::from_fn(|_| String::new());
    let json = head.form == Form::JsonLines;
    let name = shown(shared.file.file_name().unwrap_or_default());
    let columns = shared.columns.of_table(&name, &head.columns, !json)?;
    for (i, term) in TERMS.iter().enumerate() {
        at[i] = columns.at(term);
        if let Some(column) = at[i].map(|at| &columns.names[at]).or_else(|| columns.said.get(*term)) {
            keys[i].clone_from(column);
        }
        let given = head.defaults.iter().find(|(t, _)| intake::term_of(t) == Some(term));
        if let Some((_, value)) = given {
            defaults[i].clone_from(value);
        }
    }
    let useful = (0..OCCURRENCE_ID).any(|i| i != CATALOG_NUMBER && at[i].is_some());
    if !useful && !json {
        let shown: Vec<&str> = head.columns.iter().take(12).map(String::as_str).collect();
        return Err(Trouble::file(
            shared.file,
            format!("has no column the check knows; its columns are: {}", shown.join(", ")),
        )
        .hint("say which column is which, for example --column \"eventDate=Date collected\""));
    }
    let added = [EVENT_DATE, VERBATIM].into_iter().filter(|i| at[*i].is_none()).collect();
    let used = at.iter().enumerate().filter_map(|(term, at)| at.map(|at| (term, at))).collect();
    let (form, width) = (head.form, head.columns.len());
    Ok(Plan { form, width, at, used, keys, defaults, added, header: head.columns, columns })
}

/// What the threads tell the one that writes.
enum Message {
    Head(Arc<Plan>, u64),
    Checked(u64, Checked),
    Damaged(u64, String),
    Read(u64),
}

/// What was found in some rows.
#[derive(Default)]
struct Checked {
    rows: u64,
    doubted: u64,
    amended: u64,
    damages: Vec<(u64, String)>,
    dates: DateCounts,
    kinds: BTreeMap<String, Found>,
    years: BTreeMap<i16, (u64, u64)>,
    /// Rows of the table of doubts.
    doubts: Vec<u8>,
    /// Rows of the amended copy.
    copy: Vec<u8>,
}

/// Feeds what is read to the threads that check.
struct Feed<'a> {
    shared: &'a Shared<'a>,
    to: SyncSender<(u64, Arc<Plan>, Rows)>,
    done: SyncSender<Message>,
    plan: Option<Arc<Plan>>,
    /// Bytes of the whole table.
    size: u64,
    sent: u64,
    spares: &'a Mutex<Vec<Vec<ByteRecord>>>,
    stop: &'a AtomicBool,
}

impl table::Taker for Feed<'_> {
    fn head(&mut self, head: Head) -> Result<()> {
        let size = head.size;
        self.size = size;
        let plan = Arc::new(plan(head, self.shared)?);
        self.plan = Some(plan.clone());
        // The writer may have gone; then the rows end too.
        let _ = self.done.send(Message::Head(plan, size));
        Ok(())
    }

    fn rows(&mut self, rows: Rows, read: u64) -> bool {
        let Some(plan) = &self.plan else { return false };
        let _ = self.done.send(Message::Read(read));
        if self.sent == 0 && plan.numbered() {
            let count = match &rows.body {
                Body::Fields(records) => records.len(),
                Body::Lines(lines) => lines.len(),
            };
            self.shared.numbers.expect((self.size / read.max(1)).saturating_mul(count as u64));
        }
        let went = self.to.send((self.sent, plan.clone(), rows)).is_ok();
        self.sent += 1;
        went && !self.stop.load(Ordering::Relaxed)
    }

    fn damaged(&mut self, row: u64, why: String) {
        let _ = self.done.send(Message::Damaged(row, why));
    }

    fn spare(&mut self) -> Vec<ByteRecord> {
        self.spares.lock().ok().and_then(|mut s| s.pop()).unwrap_or_default()
    }
}

type Work = Receiver<(u64, Arc<Plan>, Rows)>;

fn work(shared: &Shared, from: &Mutex<Work>, to: &SyncSender<Message>, spares: &Mutex<Vec<Vec<ByteRecord>>>) {
    loop {
        let next = from.lock().ok().and_then(|from| from.recv().ok());
        let Some((number, plan, rows)) = next else { return };
        let mut checker = Checker::new(shared, &plan);
        match rows.body {
            Body::Fields(records) => {
                let cut = |row: u64| rows.cut.iter().find(|c| c.0 == row).map(|c| c.1);
                let numbered = records.iter().zip(rows.first..).filter_map(|(record, row)| {
                    let whole = record.len() == plan.width && cut(row).is_none();
                    let cell = |term: usize| plan.at[term].and_then(|at| record.get(at)).unwrap_or_default();
                    let bits = bits(cell(INSTITUTION), cell(COLLECTION), cell(CATALOG_NUMBER))?;
                    whole.then_some((row, bits))
                });
                checker.twice = shared.numbers.take(number, &numbered.collect::<Vec<_>>());
                for (record, row) in records.iter().zip(rows.first..) {
                    checker.fields(row, record, cut(row));
                }
                if let Ok(mut spares) = spares.lock() {
                    spares.push(records);
                }
            }
            Body::Lines(lines) => {
                let lines: Vec<Line> = lines.iter().map(|line| Line::new(line, &plan)).collect();
                let numbered = lines.iter().zip(rows.first..).filter_map(|(line, row)| {
                    let cells = &line.object.as_ref().ok()?.1;
                    let cell = |term: usize| cells[term].as_bytes();
                    Some((row, bits(cell(INSTITUTION), cell(COLLECTION), cell(CATALOG_NUMBER))?))
                });
                checker.twice = shared.numbers.take(number, &numbered.collect::<Vec<_>>());
                for (line, row) in lines.into_iter().zip(rows.first..) {
                    checker.line(row, line);
                }
            }
        }
        if to.send(Message::Checked(number, checker.finish())).is_err() {
            return;
        }
    }
}

struct Checker<'a> {
    shared: &'a Shared<'a>,
    plan: &'a Plan,
    found: Checked,
    doubts: csv::Writer<Vec<u8>>,
    copy: Option<csv::Writer<Vec<u8>>>,
    built: String,
    defaults: Cells<'a>,
    /// Rows, and rows with doubts, of each year from 0.
    years: Vec<(u32, u32)>,
    /// Rows whose catalogue number was there before, and where, in order.
    twice: Vec<(u64, u64)>,
}

/// A line of JSON: its object and the words of [`TERMS`], or what is wrong.
struct Line<'a> {
    text: &'a [u8],
    /// Values stay as they are written: `1.10` is no `1.1`.
    object: std::result::Result<(IndexMap<String, Box<RawValue>>, [String; TERMS.len()]), String>,
}

impl<'a> Line<'a> {
    fn new(line: &'a [u8], plan: &Plan) -> Self {
        let text = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line).trim_ascii();
        let parsed = serde_json::from_slice::<IndexMap<String, Box<RawValue>>>(text);
        let object = parsed.map_err(|e| format!("is not a JSON object: {e}")).map(|object| {
            let cells = std::array::from_fn(|i| {
                let key = &plan.keys[i];
                let value = object.get(key).or_else(|| object.get(&format!("dwc:{key}")));
                let value = value.map_or("", |v| v.get());
                match value.as_bytes().first() {
                    Some(b'"') => serde_json::from_str(value).unwrap_or_default(),
                    Some(b'-' | b'0'..=b'9') => value.to_owned(),
                    _ => String::new(),
                }
            });
            (object, cells)
        });
        Line { text, object }
    }
}

/// What the amended copy says in place of a row's own values.
#[derive(Default)]
struct Amendment {
    event_date: Option<String>,
    verbatim: Option<String>,
    identified: Option<String>,
}

impl<'a> Checker<'a> {
    fn new(shared: &'a Shared<'a>, plan: &'a Plan) -> Self {
        let copy = match plan.form {
            Form::Separated { by, quotes } if shared.amend => Some(separated_writer(by, quotes)),
            _ => None,
        };
        Checker {
            shared,
            plan,
            found: Checked::default(),
            doubts: csv::Writer::from_writer(Vec::new()),
            copy,
            built: String::new(),
            defaults: std::array::from_fn(|i| plan.defaults[i].as_str()),
            years: Vec::new(),
            twice: Vec::new(),
        }
    }

    fn finish(mut self) -> Checked {
        for (year, (rows, doubted)) in self.years.iter().enumerate().filter(|(_, y)| y.0 > 0) {
            self.found.years.insert(year as i16, (u64::from(*rows), u64::from(*doubted)));
        }
        self.found.doubts = self.doubts.into_inner().unwrap_or_default();
        if let Some(copy) = self.copy {
            self.found.copy = copy.into_inner().unwrap_or_default();
        }
        self.found
    }

    fn damaged(&mut self, row: u64, why: String) {
        self.found.damages.push((row, why));
    }

    fn fields(&mut self, row: u64, record: &ByteRecord, cut: Option<Why>) {
        let plan = self.plan;
        let mut cells = self.defaults;
        let mut fault = None;
        if record.len() != plan.width && plan.width > 0 {
            let only = (record.len() == 1 && record.get(0).is_some_and(|f| f.trim_ascii().is_empty()))
                .then_some("is empty");
            let why = format!("has {} fields where the header has {}", record.len(), plan.width);
            fault = Some(only.map_or(why, str::to_owned));
        }
        match cut {
            Some(Why::Unclosed) => {
                fault = Some(format!("a quotation mark is not closed; has {} fields", record.len()));
            }
            Some(Why::Long) => {
                fault =
                    Some(format!("is longer than {}; an amended copy holds its beginning", table::longest()));
            }
            None => {}
        }
        if fault.is_none() {
            for &(term, at) in &plan.used {
                match record.get(at).map(std::str::from_utf8) {
                    None | Some(Ok("")) => {}
                    Some(Ok(text)) => cells[term] = text,
                    Some(Err(_)) => fault = Some("is not UTF-8 text".to_owned()),
                }
            }
        }
        if let Some(why) = fault {
            self.damaged(row, why);
            self.copy_fields(record, None, "");
            return;
        }
        let (doubts, amendment) = self.check(row, &cells);
        if self.copy.is_some() {
            let kinds: Vec<&str> = doubts.iter().map(|d| d.kind.as_str()).collect();
            self.copy_fields(record, Some(&amendment), &kinds.join(" | "));
        }
    }

    fn copy_fields(&mut self, record: &ByteRecord, amendment: Option<&Amendment>, kinds: &str) {
        let plan = self.plan;
        let Some(copy) = &mut self.copy else { return };
        let Some(amendment) = amendment else {
            // A damaged row stays as it is.
            let _ = copy.write_byte_record(record);
            return;
        };
        let better = |term: usize| match term {
            EVENT_DATE => amendment.event_date.as_deref(),
            VERBATIM => amendment.verbatim.as_deref(),
            IDENTIFIED => amendment.identified.as_deref(),
            _ => None,
        };
        let mut changed = ByteRecord::new();
        for (i, field) in record.iter().enumerate() {
            let term = plan.at.iter().position(|at| *at == Some(i));
            changed.push_field(term.and_then(better).map_or(field, str::as_bytes));
        }
        for &term in &plan.added {
            changed.push_field(better(term).unwrap_or("").as_bytes());
        }
        changed.push_field(kinds.as_bytes());
        // Writing to memory does not fail.
        let _ = copy.write_byte_record(&changed);
    }

    fn line(&mut self, row: u64, line: Line) {
        if line.text.is_empty() {
            return;
        }
        let (object, texts) = match line.object {
            Ok(object) => object,
            Err(why) => {
                self.damaged(row, why);
                if self.shared.amend {
                    self.found.copy.extend_from_slice(line.text);
                    self.found.copy.push(b'\n');
                }
                return;
            }
        };
        let cells: Cells = std::array::from_fn(|i| texts[i].as_str());
        let (doubts, amendment) = self.check(row, &cells);
        if !self.shared.amend {
            return;
        }
        let mut changed = object;
        let mut put = |key: &str, value: serde_json::Value| {
            if let Ok(value) = serde_json::value::to_raw_value(&value) {
                changed.insert(key.to_owned(), value);
            }
        };
        let values = [
            (EVENT_DATE, amendment.event_date),
            (VERBATIM, amendment.verbatim),
            (IDENTIFIED, amendment.identified),
        ];
        for (term, value) in values {
            if let Some(value) = value {
                put(&self.plan.keys[term], value.into());
            }
        }
        if !doubts.is_empty() {
            let kinds: Vec<serde_json::Value> = doubts.iter().map(|d| d.kind.clone().into()).collect();
            put("doubts", kinds.into());
        }
        let text = serde_json::to_string(&changed).unwrap_or_default();
        self.found.copy.extend_from_slice(text.as_bytes());
        self.found.copy.push(b'\n');
    }

    /// Checks one row and counts what is found.
    fn check(&mut self, row: u64, cells: &Cells) -> (Vec<Doubt>, Amendment) {
        let mut dates = &self.shared.dates;
        if dates.order == Order::Unknown && !cells[COUNTRY].is_empty() && digits_apart(cells[EVENT_DATE]) {
            // The order of the row's own country, where the rules leave it open.
            dates = match dates.order_in(cells[COUNTRY]) {
                Order::MonthFirst => &self.shared.month_first,
                Order::DayFirst => &self.shared.day_first,
                Order::Unknown => dates,
            };
        }
        let [year, month, day] = [cells[YEAR], cells[YEAR + 1], cells[YEAR + 2]].map(str::trim);
        let mut event = cells[EVENT_DATE];
        let from_parts = event.trim().is_empty() && cells[VERBATIM].trim().is_empty() && !year.is_empty();
        let mut built = std::mem::take(&mut self.built);
        if from_parts {
            built.clear();
            built.push_str(year);
            for part in [month, day] {
                if part.is_empty() {
                    break;
                }
                built.push('-');
                if part.len() == 1 {
                    built.push('0');
                }
                built.push_str(part);
            }
            event = &built;
        }
        let facts = Facts {
            event_date: event,
            verbatim_event_date: cells[1],
            date_identified: cells[2],
            country: cells[3],
            country_code: cells[4],
            state_province: cells[5],
            county: cells[6],
            locality: cells[7],
            decimal_latitude: cells[8],
            decimal_longitude: cells[9],
            coordinate_uncertainty: cells[10],
            minimum_elevation: cells[11],
            maximum_elevation: cells[12],
            individual_count: cells[13],
            sex: cells[14],
            recorded_by: cells[15],
            record_number: cells[16],
            catalog_number: cells[17],
        };
        let context = Context { neighbours: &super::Alone, dates, gazetteer: None };
        let (one, words) = event_date(&facts, dates, &self.shared.rules);
        let mut doubts = check_dated(&facts, one, words, &context, &self.shared.rules);
        if !from_parts && one.has_date() && one.from.year == one.to.year {
            let differs = |text: &str, value: i64, sure: bool| {
                sure && text.parse::<i64>().is_ok_and(|given| given != value)
            };
            let one_month = one.from.month > 0 && one.from.month == one.to.month;
            let one_day = one_month && one.from.day > 0 && one.from.day == one.to.day;
            let certain = one.standing == Standing::Standard || one.standing == Standing::Understood;
            if certain
                && (differs(year, one.from.year.into(), true)
                    || differs(month, one.from.month.into(), one_month)
                    || differs(day, one.from.day.into(), one_day))
            {
                doubts.push(Doubt {
                    kind: "date-parts-disagree".into(),
                    terms: ["eventDate", "year", "month", "day"].map(String::from).to_vec(),
                    sentence: format!(
                        "The date is {}, but year, month and day are {}.",
                        one.iso(),
                        [year, month, day].map(|p| if p.is_empty() { "-" } else { p }).join(" / ")
                    ),
                    weight: self.shared.rules.weight("date-parts-disagree"),
                });
            }
        }
        if let Ok(at) = self.twice.binary_search_by_key(&row, |t| t.0) {
            doubts.push(Doubt {
                kind: "catalogue-number-twice".into(),
                terms: vec!["catalogNumber".into()],
                sentence: format!(
                    "The catalogue number {} is also that of row {}.",
                    cells[CATALOG_NUMBER].trim(),
                    self.twice[at].1
                ),
                weight: self.shared.rules.weight("catalogue-number-twice"),
            });
        }
        let mut amendment = Amendment::default();
        if self.shared.amend {
            amendment = self.amend(cells, words, from_parts, one.standing, dates);
        }
        self.built = built;
        let found = &mut self.found;
        found.rows += 1;
        found.dates.add(one.standing);
        let heavy = doubts.iter().any(|d| d.weight > 0.0);
        found.doubted += u64::from(heavy);
        if one.has_date() {
            let year = usize::try_from(one.from.year).unwrap_or(0);
            if self.years.len() <= year {
                self.years.resize(year.max(2_100) + 1, (0, 0));
            }
            let year = &mut self.years[year];
            year.0 += 1;
            year.1 += u32::from(heavy);
        }
        let id = if cells[OCCURRENCE_ID].is_empty() { cells[CATALOG_NUMBER] } else { cells[OCCURRENCE_ID] };
        for doubt in &doubts {
            if self.shared.doubts {
                // Writing to memory does not fail.
                let _ = self.doubts.write_record([
                    row.to_string().as_str(),
                    id,
                    &doubt.kind,
                    &doubt.terms.join(" | "),
                    &doubt.sentence,
                    &doubt.weight.to_string(),
                ]);
            }
            let kind = match found.kinds.get_mut(&doubt.kind) {
                Some(kind) => kind,
                None => found.kinds.entry(doubt.kind.clone()).or_default(),
            };
            kind.count += 1;
            if kind.examples.len() < EXAMPLES {
                let (record, sentence) = (id.to_owned(), doubt.sentence.clone());
                kind.examples.push(Example { row, record, sentence });
            }
        }
        (doubts, amendment)
    }

    fn amend(
        &mut self,
        cells: &Cells,
        words: &str,
        from_parts: bool,
        standing: Standing,
        dates: &DateRules,
    ) -> Amendment {
        let mut amendment = Amendment::default();
        let better = |text: &str, standing: Standing| match standing {
            Standing::Understood => Some(parse_one(text, dates).iso()),
            Standing::Impossible => super::bdq::year_day_month(text).map(|d| d.iso()),
            _ => None,
        };
        if cells[EVENT_DATE].trim().is_empty() {
            amendment.event_date = match standing {
                Standing::Standard if from_parts || !words.trim().is_empty() => Some(words.trim().to_owned()),
                _ => better(words, standing),
            };
        } else if let Some(iso) = better(words, standing) {
            amendment.event_date = Some(iso);
            if cells[VERBATIM].trim().is_empty() {
                amendment.verbatim = Some(cells[EVENT_DATE].to_owned());
            }
        }
        let identified = parse_one(cells[IDENTIFIED], dates);
        amendment.identified = better(cells[IDENTIFIED], identified.standing);
        if amendment.event_date.is_some() || amendment.identified.is_some() {
            self.found.amended += 1;
        }
        amendment
    }
}

/// Whether a value has the form of numbers with marks between them.
fn digits_apart(text: &str) -> bool {
    let text = text.trim();
    text.len() >= 6
        && text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'/' | b'-' | b'.' | b' '))
        && !text.as_bytes()[..4].iter().all(u8::is_ascii_digit)
}

fn separated_writer(by: u8, quotes: bool) -> csv::Writer<Vec<u8>> {
    let style = if quotes { csv::QuoteStyle::Necessary } else { csv::QuoteStyle::Never };
    csv::WriterBuilder::new().delimiter(by).quote_style(style).flexible(true).from_writer(Vec::new())
}

/// Files that grow while the table is read; each gets its name when it is whole.
struct Outputs {
    doubts: Option<(PathBuf, BufWriter<tempfile::NamedTempFile>)>,
    amended: Option<(PathBuf, BufWriter<tempfile::NamedTempFile>)>,
}

fn beside(path: &Path) -> Result<tempfile::NamedTempFile> {
    crate::files::beside(path).map_err(|e| {
        Trouble::file(path, "cannot be written")
            .cause(e)
            .hint("check that its folder exists and may be written to")
    })
}

fn unwritten(path: &Path, e: std::io::Error) -> Trouble {
    Trouble::file(path, "cannot be written").cause(e).hint("see whether the disk is full, then check again")
}

fn named(path: &Path, file: tempfile::NamedTempFile) -> Result<()> {
    crate::files::finish(file, path).map_err(|e| unwritten(path, e))
}

/// Writes a file whole: to another name first.
fn whole(path: &Path, write: impl FnOnce(&mut tempfile::NamedTempFile) -> std::io::Result<()>) -> Result<()> {
    let mut file = beside(path)?;
    write(&mut file).map_err(|e| unwritten(path, e))?;
    named(path, file)
}

impl Outputs {
    fn open(options: &BatchOptions) -> Result<Outputs> {
        let open = |path: &Option<PathBuf>| -> Result<_> {
            Ok(match path {
                Some(path) => Some((path.clone(), BufWriter::with_capacity(1 << 18, beside(path)?))),
                None => None,
            })
        };
        let mut outputs = Outputs { doubts: open(&options.doubts)?, amended: open(&options.amended)? };
        if let Some((path, file)) = &mut outputs.doubts {
            file.write_all(b"row,record,doubt,terms,sentence,weight\n").map_err(|e| unwritten(path, e))?;
        }
        Ok(outputs)
    }

    fn head(&mut self, plan: &Plan) -> Result<()> {
        let (Some((path, file)), Form::Separated { by, quotes }) = (&mut self.amended, plan.form) else {
            return Ok(());
        };
        let mut header = separated_writer(by, quotes);
        let added = plan.added.iter().map(|t| TERMS[*t]);
        let names = plan.header.iter().map(String::as_str).chain(added).chain(["doubts"]);
        let _ = header.write_record(names);
        let bytes = header.into_inner().unwrap_or_default();
        file.write_all(&bytes).map_err(|e| unwritten(path, e))
    }

    fn rows(&mut self, checked: &Checked) -> Result<()> {
        for (output, bytes) in [(&mut self.doubts, &checked.doubts), (&mut self.amended, &checked.copy)] {
            if let Some((path, file)) = output {
                file.write_all(bytes).map_err(|e| unwritten(path, e))?;
            }
        }
        Ok(())
    }

    fn finish(self) -> Result<()> {
        for (path, file) in [self.doubts, self.amended].into_iter().flatten() {
            let file = file
                .into_inner()
                .map_err(|e| Trouble::file(&path, "cannot be written").cause(e.into_error()))?;
            named(&path, file)?;
        }
        Ok(())
    }
}

/// Puts what the threads found back in order, counts and writes it.
fn gather(
    from: Receiver<Message>,
    outputs: &mut Outputs,
    summary: &mut Summary,
    understood: &mut TableColumns,
    shared: &Shared,
) -> Result<()> {
    let bar = indicatif::ProgressBar::no_length();
    let style = indicatif::ProgressStyle::with_template(
        "{bar:30} {percent:>3} %  {bytes_per_sec}  {eta} left  {msg}",
    );
    if let Ok(style) = style {
        bar.set_style(style);
    }
    let mut waiting: BTreeMap<u64, Checked> = BTreeMap::new();
    let mut next = 0;
    for message in from {
        match message {
            Message::Head(plan, size) => {
                bar.set_length(size);
                summary.columns = plan.columns.in_words();
                summary.remembered = plan.columns.remembered;
                *understood = plan.columns.clone();
                if shared.amend {
                    outputs.head(&plan)?;
                }
            }
            Message::Read(bytes) => bar.set_position(bytes),
            Message::Damaged(row, why) => {
                summary.damaged += 1;
                summary.damages.push((row, why));
            }
            Message::Checked(number, checked) => {
                waiting.insert(number, checked);
                while let Some(checked) = waiting.remove(&next) {
                    next += 1;
                    outputs.rows(&checked)?;
                    add(summary, checked);
                }
                bar.set_message(format!("{} rows", summary.rows));
            }
        }
    }
    bar.finish_and_clear();
    summary.damages.sort();
    summary.damages.truncate(DAMAGES);
    Ok(())
}

fn add(summary: &mut Summary, checked: Checked) {
    summary.rows += checked.rows;
    summary.doubted += checked.doubted;
    summary.damaged += checked.damages.len() as u64;
    let room = DAMAGES.saturating_sub(summary.damages.len());
    summary.damages.extend(checked.damages.into_iter().take(room));
    if let Some(amended) = &mut summary.amended {
        *amended += checked.amended;
    }
    summary.dates.join(&checked.dates);
    for (kind, found) in checked.kinds {
        let all = summary.kinds.entry(kind).or_default();
        all.count += found.count;
        let room = EXAMPLES.saturating_sub(all.examples.len());
        all.examples.extend(found.examples.into_iter().take(room));
    }
    for (year, (rows, doubted)) in checked.years {
        let all = summary.years.entry(year).or_default();
        all.0 += rows;
        all.1 += doubted;
    }
}

#[cfg(test)]
mod tests;
