//! Pages of field notebooks: what stands on one becomes entries in reading order.
//!
//! Takes a reading; gives the entries of a page, each with date, place, field
//! number and name, and for each of them whether it was read there, carried on
//! from above (*inherited*) or repeated by a ditto mark. Lines are put in order by
//! where they stand: column by column, in a column row by row, a number in the
//! margin with its row. An entry starts at a field number, or at a date or place
//! under which no numbered one follows. What is crossed out
//! ([`ReadLine::struck`](crate::reading::ReadLine::struck)) is passed over and said
//! to be so. Labels and envelopes are no pages and have no entries
//! (`config/notebook.toml`).
//!
//! Field numbers of a page share their beginning and run on: letters that look
//! alike are decided over all of them together (common practice of collectors;
//! the text stays as read). Left out: sketches and tables whose columns are turned.
//! What goes on from one page to the next is the catalogue's, which has them all.

use super::assemble::read_dates;
use super::confuse;
use super::dates::{DateCandidate, DateReading, DateShape, PartDate, find as find_dates};
use super::flow::{Flow, Kind};
use super::gazetteer::squash;
use super::rules::Rules;
use super::taxa;
use super::{Candidate, Field};
use crate::geometry::Quad;
use crate::reading::{ReadChar, ReadLabel, Reading};
use crate::settings;
use crate::trouble::Result;
use serde::{Deserialize, Serialize};
use std::collections::HashSet;
use std::ops::Range;
use std::path::Path;

/// The numbers and words of `config/notebook.toml`; the file says what each does.
#[derive(Debug, Deserialize)]
#[allow(missing_docs)]
pub struct NotebookRules {
    pub lines_least: usize,
    pub numbers_least: usize,
    pub days_least: usize,
    pub run_least: usize,
    pub column_lines: usize,
    pub column_width: f32,
    pub ditto: HashSet<String>,
    pub ditto_misread: HashSet<String>,
    pub before_place: HashSet<String>,
}

impl NotebookRules {
    /// The built-in rules, overlaid by `folder/notebook.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, values out of range too.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: Self =
            settings::table("notebook.toml", include_str!("../../config/notebook.toml"), folder)?;
        let ranges = settings::Ranges::of("notebook.toml", folder);
        ranges.hold("lines_least", rules.lines_least, 3..=20)?;
        ranges.hold("numbers_least", rules.numbers_least, 2..=10)?;
        ranges.hold("days_least", rules.days_least, 2..=10)?;
        ranges.hold("run_least", rules.run_least, 2..=10)?;
        ranges.hold("column_lines", rules.column_lines, 2..=10)?;
        ranges.hold("column_width", rules.column_width, 0.1..=0.4)?;
        Ok(rules)
    }
}

/// Where a value of an entry comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// It stands in the entry or in the heading right above it.
    Read,
    /// It stands further up and goes on until another one stands there.
    Inherited,
    /// A ditto mark repeats it.
    Ditto,
    /// It goes on from the page before; parsing, which sees one page, never says so.
    Before,
}

impl Origin {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Origin::Read => "read",
            Origin::Inherited => "inherited",
            Origin::Ditto => "ditto",
            Origin::Before => "before",
        }
    }
}

/// A value of an entry and where it comes from. Words and boxes are those of the
/// place where it was written, also where it is inherited.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Noted {
    /// The value.
    #[serde(flatten)]
    pub field: Field,
    /// Where it comes from.
    pub origin: Origin,
}

/// One entry of a page.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// `eventDate`, `locality`, `fieldNumber`, `scientificName`; at most one each.
    pub values: Vec<Noted>,
    /// Its words as read, without what is crossed out: a row a line.
    pub text: String,
    /// Where its rows are on the photograph.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub boxes: Vec<Quad>,
    /// Reasons to look, a plain sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub doubts: Vec<String>,
}

impl Entry {
    /// What is noted of `term`.
    pub fn noted(&self, term: &str) -> Option<&Noted> {
        self.values.iter().find(|n| n.field.term == term)
    }

    /// The value of `term`; empty where there is none.
    pub fn value(&self, term: &str) -> &str {
        self.noted(term).map_or("", |n| n.field.value.as_str())
    }
}

/// Field numbers that are the same whatever stands between their parts: letters
/// and numbers in a row, zeros before a number dropped (`H74-018`, `h 74/18`).
pub fn number_key(number: &str) -> String {
    let mut key = String::new();
    let mut last = None;
    let mut chars = number.trim().chars().peekable();
    while let Some(c) = chars.next() {
        let kind = if c.is_ascii_digit() {
            1
        } else if c.is_alphabetic() {
            2
        } else {
            last = None;
            continue;
        };
        if last != Some(kind) {
            if !key.is_empty() {
                key.push('.');
            }
            // The zeros before a number; a zero alone stays.
            if c == '0' && chars.peek().is_some_and(char::is_ascii_digit) {
                let mut zero = Some('0');
                while zero == Some('0') && chars.peek().is_some_and(char::is_ascii_digit) {
                    zero = chars.next();
                }
                key.extend(zero);
                last = Some(kind);
                continue;
            }
        }
        key.extend(c.to_uppercase());
        last = Some(kind);
    }
    key
}

/// A stretch of one line.
struct Piece<'a> {
    flow: Flow<'a>,
    quad: Quad,
    /// Left and right, in the page's own frame; by columns where the text was
    /// typed.
    x: (f32, f32),
    y: f32,
    height: f32,
    /// Whether something in it is crossed out.
    struck: bool,
}

/// A field number as it stands at the beginning of a row, before the page has
/// decided its letters.
struct Number {
    row: usize,
    /// Characters of the flow.
    chars: Range<usize>,
    /// What stands before the last run of digits.
    prefix: Vec<char>,
    serial: String,
    value: String,
    note: String,
    sure: f32,
}

/// The entries of a notebook page; none where the reading is of no such page.
pub(crate) fn entries(reading: &Reading, rules: &Rules) -> Vec<Entry> {
    let own = &rules.notebook;
    if reading.labels.iter().map(|l| l.lines.len()).sum::<usize>() < own.lines_least {
        return Vec::new();
    }
    let (labels, struck) = without_struck(reading);
    let rows = rows(&labels, &struck, own);
    let numbers = numbers(&rows, rules);
    let mut page = Walk::new(rules, &numbers);
    for (at, row) in rows.iter().enumerate() {
        page.row(row, numbers.iter().find(|n| n.row == at));
    }
    page.close();
    let in_one_block = |found: &[usize], least: usize| {
        found.iter().any(|l| found.iter().filter(|o| *o == l).count() >= least)
    };
    let labels: Vec<usize> = numbers.iter().map(|n| rows[n.row][0].flow.label).collect();
    if in_one_block(&labels, own.numbers_least) || in_one_block(&page.days, own.days_least) {
        page.entries
    } else {
        Vec::new()
    }
}

/// The labels with what is crossed out made blank, so that all else keeps its
/// place, and whether that was so, by label and line.
fn without_struck(reading: &Reading) -> (Vec<ReadLabel>, HashSet<(usize, usize)>) {
    let mut labels = reading.labels.clone();
    let mut struck = HashSet::new();
    for (l, label) in labels.iter_mut().enumerate() {
        for (k, line) in label.lines.iter_mut().enumerate() {
            let out: Vec<usize> = (0..line.chars.len()).filter(|i| line.is_struck(*i)).collect();
            for i in &out {
                let c = &mut line.chars[*i];
                *c = ReadChar { ch: ' ', confidence: 1.0, alternatives: Vec::new(), ..*c };
            }
            if !out.is_empty() {
                struck.insert((l, k));
            }
        }
    }
    (labels, struck)
}

/// The pieces of the page in reading order: rows from the top, a row from the
/// left, the left column before the right one.
fn rows<'a>(
    labels: &'a [ReadLabel],
    struck: &HashSet<(usize, usize)>,
    rules: &NotebookRules,
) -> Vec<Vec<Piece<'a>>> {
    let lines = || {
        labels
            .iter()
            .enumerate()
            .flat_map(|(l, label)| label.lines.iter().enumerate().map(move |(k, line)| (l, label, k, line)))
    };
    let placed = lines().all(|(_, _, _, line)| line.quad.width() > 0.0);
    // The page's turn: the middle of its lines', the long ones alone.
    let mut angles: Vec<f32> = lines()
        .filter(|(_, _, _, line)| line.quad.width() > 4.0 * line.quad.height())
        .map(|(_, _, _, line)| line.quad.angle())
        .collect();
    angles.sort_by(f32::total_cmp);
    let turn = if placed { angles.get(angles.len() / 2).copied().unwrap_or(0.0) } else { 0.0 };
    let (sin, cos) = turn.sin_cos();
    let mut pieces: Vec<Piece> = Vec::new();
    for (l, label, k, line) in lines() {
        let flow = Flow::new(l, label, k..k + 1);
        let (x, y, height) = if placed {
            let across: Vec<f32> = line.quad.0.iter().map(|p| p.x * cos + p.y * sin).collect();
            let c = line.quad.centre();
            let x = across.iter().fold((f32::MAX, f32::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
            (x, c.y * cos - c.x * sin, line.quad.height())
        } else {
            ((0.0, line.chars.len() as f32), pieces.len() as f32, 1.0)
        };
        pieces.push(Piece { flow, quad: line.quad, x, y, height, struck: struck.contains(&(l, k)) });
    }
    if !placed {
        return pieces.into_iter().map(|p| vec![p]).collect();
    }
    let gap = gutter(&pieces, rules);
    let column = |p: &Piece| gap.is_some_and(|g| (p.x.0 + p.x.1) / 2.0 > g);
    pieces.sort_by(|a, b| column(a).cmp(&column(b)).then(a.y.total_cmp(&b.y)));
    let mut rows: Vec<Vec<Piece>> = Vec::new();
    for piece in pieces {
        let fits = rows.last().is_some_and(|row: &Vec<Piece>| {
            column(&row[0]) == column(&piece)
                && row.iter().any(|o| {
                    // A ditto mark stands high or low in its row.
                    (piece.y - o.y).abs() < 0.5 * piece.height.max(o.height)
                })
                && !row.iter().any(|o| piece.x.0.max(o.x.0) < piece.x.1.min(o.x.1) - 0.3 * piece.height)
        });
        match rows.last_mut() {
            Some(row) if fits => row.push(piece),
            _ => rows.push(vec![piece]),
        }
    }
    for row in &mut rows {
        row.sort_by(|a, b| a.x.0.total_cmp(&b.x.0));
    }
    rows
}

/// Where the gap between two columns runs; `None` where there is one column.
fn gutter(pieces: &[Piece], rules: &NotebookRules) -> Option<f32> {
    let left = pieces.iter().map(|p| p.x.0).fold(f32::MAX, f32::min);
    let right = pieces.iter().map(|p| p.x.1).fold(f32::MIN, f32::max);
    let width = (right - left).max(1.0);
    let mut best: Option<(usize, f32)> = None;
    for step in 1..100 {
        let x = left + width * step as f32 / 100.0;
        let crossing = pieces.iter().filter(|p| p.x.0 < x && x < p.x.1).count();
        let side = |right: bool| {
            let on = |p: &&Piece| (p.x.0 >= x) == right && (p.x.1 <= x) != right;
            let widest = pieces.iter().filter(on).map(|p| p.x.1 - p.x.0).fold(0.0, f32::max);
            pieces.iter().filter(on).count() >= rules.column_lines && widest >= rules.column_width * width
        };
        // A lone heading may run over both columns.
        if crossing * 12 > pieces.len() || !side(false) || !side(true) {
            continue;
        }
        if best.is_none_or(|(c, b)| {
            crossing < c || crossing == c && (x - left - width / 2.0).abs() < (b - left - width / 2.0).abs()
        }) {
            best = Some((crossing, x));
        }
    }
    let (_, x) = best?;
    // A table's cells are many to a row: then most pieces of the right side are
    // no beginnings of lines but follow closely on one of the left, in three or
    // more narrow stacks.
    let stacks = |on: &dyn Fn(&Piece) -> bool| {
        let mut starts: Vec<f32> = pieces.iter().filter(|p| on(p)).map(|p| p.x.0).collect();
        starts.sort_by(f32::total_cmp);
        let mut groups: Vec<Vec<f32>> = Vec::new();
        for s in starts {
            match groups.last_mut() {
                Some(g) if s - g[g.len() - 1] < 0.06 * width => g.push(s),
                _ => groups.push(vec![s]),
            }
        }
        groups.iter().filter(|g| g.len() >= rules.column_lines).count()
    };
    let sides = [stacks(&|p| p.x.1 <= x), stacks(&|p| p.x.0 >= x)];
    (sides[0] <= 2 && sides[1] <= 2).then_some(x)
}

/// A letter that may stand for a digit.
fn as_digit(c: char) -> Option<char> {
    match c {
        '0'..='9' => Some(c),
        'I' | 'l' | '|' | 'i' => Some('1'),
        'O' | 'o' | 'Q' | 'D' => Some('0'),
        'S' | 's' => Some('5'),
        'B' => Some('8'),
        'Z' | 'z' => Some('2'),
        'g' | 'q' => Some('9'),
        'G' | 'b' => Some('6'),
        _ => None,
    }
}

/// The field numbers of a page, at most one a row, their letters decided.
fn numbers(rows: &[Vec<Piece>], rules: &Rules) -> Vec<Number> {
    // Rows whose beginning is the same but for letters that the reader was
    // unsure of have one form.
    let mut groups: Vec<Vec<Number>> = Vec::new();
    for number in rows.iter().enumerate().filter_map(|(row, pieces)| number_of(row, &pieces[0], rules)) {
        let place = groups.iter().position(|g| g.iter().any(|o| alike(rows, o, &number)));
        match place {
            Some(at) => groups[at].push(number),
            None => groups.push(vec![number]),
        }
    }
    let mut out = Vec::new();
    if groups.is_empty() {
        return out;
    }
    let dates: Vec<DateReading> =
        rows.iter().flatten().flat_map(|p| read_dates(&p.flow, &rules.dates)).collect();
    let days = dates.iter().filter(|d| d.shape == DateShape::Day).count();
    let years: HashSet<String> = dates
        .iter()
        .filter_map(|d| d.best().map(|b| format!("{:02}", b.from.year.rem_euclid(100))))
        .collect();
    for mut group in groups {
        let run_on = || {
            let serials: Vec<u64> = group.iter().filter_map(|n| n.serial.parse().ok()).collect();
            let steps = serials.windows(2).filter(|w| w[1] == w[0] + 1).count();
            steps + 1 >= rules.notebook.run_least && steps * 10 >= (serials.len() - 1) * 6
        };
        let plain = group[0].prefix.is_empty();
        // `1.`, `2.`, `3.` under one date are what lies in one envelope.
        let list = plain && group[0].serial == "1" && days < 2;
        if list || plain && !run_on() || group.len() < rules.notebook.numbers_least {
            continue;
        }
        decide(rows, &mut group, &years);
        out.extend(group);
    }
    out.sort_by_key(|n| n.row);
    out
}

/// The number at the beginning of a row.
fn number_of(row: usize, piece: &Piece, rules: &Rules) -> Option<Number> {
    let flow = &piece.flow;
    let tokens = &flow.tokens;
    // A sign before the number, not its own first letter.
    let sign = |i: usize| {
        tokens.get(i).is_some_and(|t| {
            let apart = tokens.get(i + 1).is_some_and(|n| n.spaced || n.is('.') || n.is(':'));
            t.is('.')
                || t.is(':')
                || t.is('(')
                || apart && (t.is('#') || rules.number_signs.contains(&t.text))
        })
    };
    let mut i = 0;
    while sign(i) {
        i += 1;
    }
    let first = tokens.get(i)?;
    let mut end = first.range.end;
    let mut k = i + 1;
    while let Some(t) = tokens.get(k) {
        let joins = !t.spaced && (t.kind != Kind::Mark || t.is('-') || t.is('/'));
        if !joins {
            break;
        }
        end = t.range.end;
        k += 1;
    }
    let chars: Vec<char> = flow.chars[first.range.start..end].to_vec();
    let count = chars.len();
    if count > 14 || !chars.iter().any(char::is_ascii_digit) {
        return None;
    }
    // The last run of digits, and a small letter behind it.
    let tail = usize::from(
        count > 1
            && chars[count - 1].is_ascii_lowercase()
            && chars[count - 2].is_ascii_digit()
            && as_digit(chars[count - 1]).is_none(),
    );
    let mut start = count - tail;
    while start > 0
        && as_digit(chars[start - 1]).is_some()
        && !(start < count - tail && chars[start - 1].is_alphabetic() && !separated(&chars[..start - 1]))
    {
        start -= 1;
    }
    let serial: String = chars[start..count - tail].iter().filter_map(|c| as_digit(*c)).collect();
    let prefix = chars[..start].to_vec();
    let letters = prefix.iter().filter(|c| c.is_alphabetic()).count();
    let strong = !prefix.is_empty() && letters <= 4 && prefix.iter().any(|c| c.is_alphanumeric());
    let followed = tokens.get(k).is_none_or(|t| t.spaced || t.is(':') || t.is(')') || t.is('.') || t.is(','));
    if serial.is_empty() || serial.len() > 6 || !followed || !strong && !prefix.is_empty() {
        return None;
    }
    let range = first.range.start..end;
    let dated = read_dates(flow, &rules.dates).into_iter().any(|d| {
        let named = d.verbatim.chars().any(char::is_alphabetic);
        let covers = d.chars.start < range.end && range.start < d.chars.end;
        covers
            && match d.shape {
                DateShape::Day => d.chars.end > range.end || d.chars.len() >= range.len(),
                DateShape::NoYear | DateShape::Month => named && d.chars.end > range.end,
                _ => false,
            }
    });
    if dated {
        return None;
    }
    let suffix: String = chars[count - tail..].iter().collect();
    let value = format!("{}{serial}{suffix}", prefix.iter().collect::<String>());
    let sure = flow.sureness(range.clone());
    Some(Number { row, chars: range, prefix, serial, value, note: String::new(), sure })
}

/// Whether the part ends behind a stroke: `H83-S` has a number behind it, `B211`
/// begins with a letter.
fn separated(before: &[char]) -> bool {
    before.last().is_some_and(|c| *c == '-' || *c == '/')
}

/// What the reader made of character `i` of a number's prefix: each possible
/// character with its probability.
fn options(rows: &[Vec<Piece>], number: &Number, i: usize) -> Vec<(char, f32)> {
    let flow = &rows[number.row][0].flow;
    match flow.alternatives(number.chars.start + i) {
        Some((sure, others)) => {
            std::iter::once((number.prefix[i], sure)).chain(others.iter().copied()).collect()
        }
        None => vec![(number.prefix[i], 1.0)],
    }
}

/// Whether two numbers begin alike: the same signs, or ones that the reader
/// thought possible in both.
fn alike(rows: &[Vec<Piece>], a: &Number, b: &Number) -> bool {
    let possible =
        |n: &Number, i: usize, c: char| options(rows, n, i).iter().any(|(o, p)| *o == c && *p >= 0.05);
    a.prefix.len() == b.prefix.len()
        && (0..a.prefix.len()).filter(|i| a.prefix[*i] != b.prefix[*i]).count() <= 1
        && (0..a.prefix.len())
            .all(|i| a.prefix[i] == b.prefix[i] || possible(a, i, b.prefix[i]) || possible(b, i, a.prefix[i]))
}

/// How much likelier a letter is than a figure before the year's last two
/// figures (`H74-118`). From memory of how collectors number, not measured.
const LETTER_BEFORE_YEAR: f32 = 20.0;

/// Decides the letters of numbers of one form together, then a figure that its
/// neighbours contradict; `years` are the last two figures of those on the page.
fn decide(rows: &[Vec<Piece>], group: &mut [Number], years: &HashSet<String>) {
    let length = group[0].prefix.len();
    let mut template = group[0].prefix.clone();
    for i in 0..length {
        let all: Vec<Vec<(char, f32)>> = group.iter().map(|n| options(rows, n, i)).collect();
        let mut choices: Vec<char> = all.iter().flatten().map(|o| o.0).collect();
        choices.sort_unstable();
        choices.dedup();
        let before_year = i == 0 && length >= 3 && {
            let next: String = group[0].prefix[1..3].iter().collect();
            years.contains(&next) && group[0].prefix.get(3).is_none_or(|c| !c.is_alphanumeric())
        };
        let weight = |c: char| {
            let prior = if before_year && c.is_alphabetic() { LETTER_BEFORE_YEAR.ln() } else { 0.0 };
            let seen = |o: &Vec<(char, f32)>| o.iter().find(|x| x.0 == c).map_or(0.002, |x| x.1.max(0.002));
            // The mean: one hand's letter is misread alike in every row, so that
            // more rows are hardly more evidence.
            prior + all.iter().map(|o| seen(o).ln()).sum::<f32>() / all.len() as f32
        };
        if let Some(best) = choices.into_iter().max_by(|a, b| weight(*a).total_cmp(&weight(*b))) {
            template[i] = best;
        }
    }
    for n in group.iter_mut() {
        if n.prefix != template {
            let was: String = n.prefix.iter().collect();
            let now: String = template.iter().collect();
            n.note = format!("“{was}” taken as “{now}”, with the other numbers of the page");
            n.value = n.value.replacen(&was, &now, 1);
            n.prefix.clone_from(&template);
            n.sure = n.sure.max(0.7);
        }
    }
    for i in 1..group.len().saturating_sub(1) {
        let at = |k: usize| group[k].serial.parse::<u64>().ok();
        let (Some(before), Some(behind)) = (at(i - 1), at(i + 1)) else { continue };
        let middle = (before + 1).to_string();
        let padded = format!("{middle:0>width$}", width = group[i].serial.len());
        if behind == before + 2
            && at(i) != Some(before + 1)
            && strsim::levenshtein(&group[i].serial, &padded) == 1
        {
            let n = &mut group[i];
            n.note = format!("“{}” taken as “{padded}”: the numbers run on", n.serial);
            n.value = format!("{}{padded}", n.prefix.iter().collect::<String>());
            n.sure = n.sure.min(0.6);
        }
    }
}

/// A value that is carried on.
#[derive(Clone)]
struct Carried {
    field: Field,
    /// Where it stood, so that a ditto mark finds what is above it.
    x: (f32, f32),
    /// How it came to the entries that follow: as read until the first took it.
    origin: Origin,
}

struct Walk<'a> {
    rules: &'a Rules,
    numbered: bool,
    entries: Vec<Entry>,
    open: Option<Entry>,
    /// Rows of a heading, before the entry they head.
    heading: Entry,
    /// The heading gives a date or a place, and nothing has taken it yet.
    fresh: bool,
    date: Option<Carried>,
    place: Option<Carried>,
    name: Option<Carried>,
    /// The last row gave a date and no place.
    place_next: bool,
    year: Option<i16>,
    /// The block of each date to the day.
    days: Vec<usize>,
    seen: Vec<String>,
}

impl<'a> Walk<'a> {
    fn new(rules: &'a Rules, numbers: &[Number]) -> Self {
        Walk {
            rules,
            numbered: !numbers.is_empty(),
            entries: Vec::new(),
            open: None,
            heading: Entry::default(),
            fresh: false,
            date: None,
            place: None,
            name: None,
            place_next: false,
            year: None,
            days: Vec::new(),
            seen: Vec::new(),
        }
    }

    fn row(&mut self, row: &[Piece], number: Option<&Number>) {
        let text = row
            .iter()
            .map(|p| p.flow.text.split_whitespace().collect::<Vec<_>>().join(" "))
            .filter(|t| !t.is_empty())
            .collect::<Vec<_>>()
            .join(" ");
        let struck = row.iter().any(|p| p.struck);
        let mut doubts = Vec::new();
        if struck {
            doubts.push(match text.as_str() {
                "" => "A row is crossed out; it is passed over.".to_owned(),
                text => format!("Something is crossed out beside “{text}”; it is passed over."),
            });
        }
        if text.is_empty() {
            self.add("", row, doubts);
            return;
        }
        let mut taken: Vec<Vec<bool>> = row.iter().map(|p| vec![false; p.flow.tokens.len()]).collect();
        if let Some(n) = number {
            // With the sign before it.
            taken[0][..row[0].flow.within(&n.chars).end].fill(true);
        }
        let mut name = None;
        if number.is_some() {
            name = self.name_of(row, &mut taken);
        }
        let date = self.date_of(row, number.is_some(), &mut taken, &mut doubts);
        let lone_date = date.is_some()
            && taken
                .iter()
                .zip(row)
                .all(|(t, p)| t.iter().zip(&p.flow.tokens).all(|(t, token)| *t || token.kind == Kind::Mark));
        let place = self.place_of(row, number.is_some(), date.is_some(), &mut taken);
        let (date, place, name) = self.dittos(row, &taken, date, place, name);
        self.place_next = lone_date && place.is_none();
        let headed = date.is_some() || place.is_some();
        if let Some(n) = number {
            self.finish_open();
            let mut entry = std::mem::take(&mut self.heading);
            if let Some(date) = date {
                self.date = Some(date);
            }
            if let Some(place) = place {
                self.place = Some(place);
            }
            if let Some(name) = &name {
                self.name = Some(name.clone());
            }
            let mut number =
                carried(&row[0], "fieldNumber", &n.chars, n.value.clone(), 1.0, n.note.clone()).field;
            number.confidence = n.sure;
            if !n.note.is_empty() {
                number.candidates = vec![
                    Candidate { value: n.value.clone(), confidence: n.sure, why: String::new() },
                    Candidate { value: number.verbatim.clone(), confidence: 0.2, why: "as read".into() },
                ];
                doubts.push(format!("Field number {}: {}.", n.value, n.note));
            }
            if self.seen.contains(&n.value) {
                doubts.push(format!("The field number {} stands on the page twice.", n.value));
            }
            self.seen.push(n.value.clone());
            entry.values.push(Noted { field: number, origin: Origin::Read });
            if let Some(name) = name {
                entry.values.push(Noted { field: name.field, origin: name.origin });
            }
            self.open = Some(entry);
            self.take_carried();
            self.fresh = false;
            self.add(&text, row, doubts);
        } else if headed {
            if self.fresh && self.entry_of_its_own(date.is_some()) {
                self.finish_heading();
            }
            self.finish_open();
            if let Some(date) = date {
                self.date = Some(date);
            }
            if let Some(place) = place {
                self.place = Some(place);
            }
            self.fresh = true;
            self.add(&text, row, doubts);
        } else {
            self.add(&text, row, doubts);
        }
    }

    /// Whether the heading so far is an entry without a number, now that another
    /// one begins: it had its own day and the next has one too, or on a page
    /// without numbers more than a line stands under its place.
    fn entry_of_its_own(&self, dated: bool) -> bool {
        let read = |c: &Option<Carried>| c.as_ref().is_some_and(|c| c.origin != Origin::Inherited);
        let day = self.date.as_ref().is_some_and(|d| d.field.value.len() >= "2000-01-01".len());
        let notes = self.heading.text.lines().count() > 1;
        dated && day && read(&self.date) || !self.numbered && !dated && notes && read(&self.place)
    }

    /// Adds a row to the open entry, or to the heading of the next.
    fn add(&mut self, text: &str, row: &[Piece], doubts: Vec<String>) {
        let entry = self.open.as_mut().unwrap_or(&mut self.heading);
        if !text.is_empty() {
            if !entry.text.is_empty() {
                entry.text.push('\n');
            }
            entry.text.push_str(text);
        }
        entry.boxes.extend(Quad::around(row.iter().map(|p| &p.quad)).filter(|q| q.width() > 0.0));
        entry.doubts.extend(doubts);
    }

    /// Date and place as they are now go to the open entry; what follows inherits
    /// them.
    fn take_carried(&mut self) {
        let Some(entry) = &mut self.open else { return };
        for carried in [&mut self.place, &mut self.date].into_iter().flatten() {
            entry.values.insert(0, Noted { field: carried.field.clone(), origin: carried.origin });
            carried.origin = Origin::Inherited;
        }
    }

    fn finish_open(&mut self) {
        self.entries.extend(self.open.take());
    }

    /// A date or place under which nothing numbered stands is an entry too.
    fn finish_heading(&mut self) {
        self.open = Some(std::mem::take(&mut self.heading));
        self.take_carried();
        self.finish_open();
        self.fresh = false;
    }

    fn close(&mut self) {
        self.finish_open();
        if self.fresh {
            self.finish_heading();
        }
    }

    /// The date of a row, where it stands at a head of an entry and not in prose.
    fn date_of(
        &mut self,
        row: &[Piece],
        numbered: bool,
        taken: &mut [Vec<bool>],
        doubts: &mut Vec<String>,
    ) -> Option<Carried> {
        for (p, piece) in row.iter().enumerate() {
            let flow = &piece.flow;
            for reading in read_dates(flow, &self.rules.dates) {
                let tokens = flow.within(&reading.chars);
                if tokens.is_empty()
                    || tokens.clone().any(|k| taken[p][k])
                    || in_prose(row, taken, p, tokens.start)
                {
                    continue;
                }
                let words = |r: &[Piece]| {
                    r.iter().flat_map(|p| &p.flow.tokens).filter(|t| t.kind != Kind::Mark).count()
                };
                if reading.shape == DateShape::Month
                    && let Some((range, day, was)) = self.misread_day(flow, &tokens)
                    && !taken[p][tokens.start - 1]
                {
                    let words = flow.slice(range.clone());
                    doubts.push(format!("“{words}” is taken as {}.", day.iso));
                    self.days.push(flow.label);
                    self.in_order(day.from, words, doubts);
                    self.year = Some(day.to.year);
                    taken[p][tokens.start - 1..tokens.end].fill(true);
                    let note = format!("“{was}” taken as the day {}", day.from.day);
                    let sure = 0.7 * day.confidence;
                    return Some(carried(piece, "eventDate", &range, day.iso, sure, note));
                }
                let alone = words(row)
                    <= flow.tokens[tokens.clone()].iter().filter(|t| t.kind != Kind::Mark).count() + 1;
                let named = reading.verbatim.chars().any(char::is_alphabetic);
                let (best, year_from) = match reading.shape {
                    DateShape::Day => (reading.candidates.clone(), None),
                    DateShape::Month | DateShape::Year | DateShape::Season if alone && !numbered => {
                        (reading.candidates.clone(), None)
                    }
                    DateShape::NoYear if named => {
                        let Some(year) = self.year else { continue };
                        let full = format!("{} {year}", flow.slice(reading.chars.clone()));
                        let again = find_dates(&full, &self.rules.dates);
                        let Some(day) = again.into_iter().find(|d| d.shape == DateShape::Day) else {
                            continue;
                        };
                        (day.candidates, Some(year))
                    }
                    _ => continue,
                };
                let Some(first) = best.first() else {
                    if !reading.problem.is_empty() {
                        doubts.push(reading.problem.clone());
                    }
                    continue;
                };
                let note = match year_from {
                    Some(year) => format!("the year {year} from above"),
                    None => first.why.clone(),
                };
                if reading.open_century {
                    doubts.push(format!("“{}” leaves the century open.", reading.verbatim));
                }
                if reading.shape == DateShape::Day || year_from.is_some() {
                    self.days.push(flow.label);
                    self.in_order(first.from, &reading.verbatim, doubts);
                }
                self.year = Some(first.to.year);
                taken[p][tokens].fill(true);
                let value = first.iso.clone();
                let mut found = carried(piece, "eventDate", &reading.chars, value, first.confidence, note);
                if best.len() > 1 {
                    let candidate = |c: &DateCandidate| Candidate {
                        value: c.iso.clone(),
                        confidence: c.confidence,
                        why: c.why.clone(),
                    };
                    found.field.candidates = best.iter().map(candidate).collect();
                }
                return Some(found);
            }
        }
        None
    }

    /// A day whose figures were read as letters before a month (`S July 1959`):
    /// its characters with the month, what it may be, and the letters as read.
    fn misread_day(
        &self,
        flow: &Flow,
        month: &Range<usize>,
    ) -> Option<(Range<usize>, DateCandidate, String)> {
        let before = flow.tokens.get(month.start.checked_sub(1)?)?;
        let day: String = before.text.chars().map(as_digit).collect::<Option<_>>()?;
        if before.kind != Kind::Word || day.len() > 2 {
            return None;
        }
        let range = before.range.start..flow.tokens[month.end - 1].range.end;
        let text = format!("{day}{}", flow.slice(before.range.end..range.end));
        let found = find_dates(&text, &self.rules.dates).into_iter().next()?;
        let whole = found.shape == DateShape::Day && found.chars.start == 0;
        Some((range, found.best().filter(|_| whole)?.clone(), before.text.clone()))
    }

    /// Notebooks go forward in time; a date that goes back is worth a look.
    fn in_order(&self, day: PartDate, words: &str, doubts: &mut Vec<String>) {
        let before = self.date.as_ref().map_or("", |d| d.field.value.as_str());
        let day = day.iso();
        if before.len() == 10 && day.len() == 10 && day.as_str() < before {
            doubts.push(format!("“{words}” ({day}) is before {before}, which stands above it."));
        }
    }

    fn place_of(
        &self,
        row: &[Piece],
        numbered: bool,
        dated: bool,
        taken: &mut [Vec<bool>],
    ) -> Option<Carried> {
        for (p, piece) in row.iter().enumerate() {
            let flow = &piece.flow;
            for i in 0..flow.tokens.len() {
                if taken[p][i] || !flow.tokens[i].capital() {
                    continue;
                }
                let Some(m) = self.rules.own_places.at(flow, i, 0.12) else { continue };
                if in_prose(row, taken, p, i) && !self.only_before_place(row, taken, p, i) {
                    continue;
                }
                let range = flow.tokens[i].range.start..flow.tokens[m.end - 1].range.end;
                taken[p][i..m.end.min(flow.tokens.len())].fill(true);
                return Some(self.placed(piece, range, true, m.cost));
            }
        }
        if numbered {
            return None;
        }
        // A place nobody knows: behind or before a date, in the row after a lone
        // date, or a row that begins with words for a place.
        for (p, piece) in row.iter().enumerate() {
            let flow = &piece.flow;
            let free = |i: usize| !taken[p][i];
            let Some(start) = (0..flow.tokens.len()).find(|i| free(*i) && flow.tokens[*i].kind != Kind::Mark)
            else {
                continue;
            };
            let Some(end) = self.phrase(piece, start, &free) else { continue };
            let words: Vec<&str> = flow.tokens[start..end]
                .iter()
                .filter(|t| t.kind == Kind::Word)
                .map(|t| t.text.as_str())
                .collect();
            let speaks =
                words.len() > 1 && words.iter().any(|w| self.rules.places.place_words.contains(&squash(w)));
            if !(dated || self.place_next && p == 0 || speaks) {
                continue;
            }
            let range = flow.tokens[start].range.start..flow.tokens[end - 1].range.end;
            taken[p][start..end].fill(true);
            return Some(self.placed(piece, range, false, 0.0));
        }
        None
    }

    /// The end of a phrase of capitalised words from `start` to a break.
    fn phrase(&self, piece: &Piece, start: usize, free: &dyn Fn(usize) -> bool) -> Option<usize> {
        let tokens = &piece.flow.tokens;
        if !tokens[start].capital() {
            return None;
        }
        let mut end = start;
        let mut letters = 0;
        while let Some(t) = tokens.get(end).filter(|_| free(end)) {
            match t.kind {
                Kind::Word if t.capital() || self.rules.notebook.before_place.contains(&t.text) => {
                    letters += t.text.chars().count();
                }
                Kind::Mark if t.is('-') || t.is('\'') => {}
                // A shortened word, or the end of the phrase.
                Kind::Mark if t.is('.') && tokens[end - 1].text.chars().count() <= 2 => {}
                Kind::Mark if ".,;:".contains(&t.text) => break,
                _ => return None,
            }
            end += 1;
        }
        let count = tokens[start..end].iter().filter(|t| t.kind == Kind::Word).count();
        let small = tokens[end - 1].kind == Kind::Word && !tokens[end - 1].capital();
        let weekday = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"].iter().any(|d| {
            count == 1
                && squash(&tokens[start].text).starts_with(d)
                && tokens[start].text.len() <= 9
                && (tokens[start].text.len() <= 4 || squash(&tokens[start].text).ends_with("day"))
        });
        (letters >= 4 && count <= 5 && !small && !weekday).then_some(end)
    }

    fn placed(&self, piece: &Piece, range: Range<usize>, known: bool, cost: f32) -> Carried {
        let flow = &piece.flow;
        let range = flow.trim(range, " .,;:");
        let mut value = flow.slice(range.clone()).to_owned();
        let mut note = String::new();
        if known
            && let Some(name) = self.rules.own_place_named(flow, &range)
            && name != value
        {
            note = format!("“{value}” taken as {name}, a place of the collection");
            value = name;
        }
        let sure = if known { 0.97 - 0.1 * cost } else { 0.6 };
        carried(piece, "locality", &range, value, sure, note)
    }

    /// Whether only words such as `at` and `near` stand before a place.
    fn only_before_place(&self, row: &[Piece], taken: &[Vec<bool>], piece: usize, token: usize) -> bool {
        before(row, taken, piece, token).all(|w| self.rules.notebook.before_place.contains(&squash(w)))
    }

    /// The name of the organism behind a field number.
    fn name_of(&self, row: &[Piece], taken: &mut [Vec<bool>]) -> Option<Carried> {
        for (p, piece) in row.iter().enumerate() {
            let flow = &piece.flow;
            for i in 0..flow.tokens.len() {
                if taken[p][i] || !flow.tokens[i].capital() {
                    continue;
                }
                if self.rules.own_places.at(flow, i, 0.12).is_some() {
                    break;
                }
                if let Some(m) = self.rules.checklist.at(flow, i, 0.12) {
                    let range = flow.tokens[i].range.start..flow.tokens[m.end - 1].range.end;
                    taken[p][i..m.end].fill(true);
                    let name = self.rules.checklist_names[m.value].clone();
                    return Some(named(piece, range, name, 0.95 - 0.1 * m.cost));
                }
                let skip = |k: usize| taken[p].get(k).copied().unwrap_or(true);
                if let Some(taxon) = taxa::at(flow, self.rules, i, false, &skip)
                    && taxon.name.contains(' ')
                {
                    let tokens = flow.within(&taxon.chars);
                    taken[p][tokens].fill(true);
                    return Some(named(piece, taxon.chars.clone(), taxon.name.clone(), 0.7));
                }
                // `N. pronuba`: the genus is left to the person, the words are its.
                let short = flow.tokens[i].text.chars().count() <= 2
                    && flow.tokens.get(i + 1).is_some_and(|t| t.is('.'))
                    && flow
                        .tokens
                        .get(i + 2)
                        .is_some_and(|t| t.kind == Kind::Word && !t.capital() && t.text.chars().count() >= 4);
                if short {
                    taken[p][i..i + 3].fill(true);
                    let range = flow.tokens[i].range.start..flow.tokens[i + 2].range.end;
                    let value = format!("{}. {}", flow.tokens[i].text, flow.tokens[i + 2].text);
                    let (name, sure) = self.unabbreviated(&value).map_or((value, 0.5), |n| (n, 0.8));
                    return Some(named(piece, range, name, sure));
                }
                break;
            }
        }
        None
    }

    /// The one name of the checklist that `N. pronuba` can be.
    fn unabbreviated(&self, short: &str) -> Option<String> {
        let (letter, epithet) = short.split_once(". ")?;
        let mut fits = self
            .rules
            .checklist_names
            .iter()
            .filter(|n| n.split_once(' ').is_some_and(|(g, e)| g.starts_with(letter) && e == epithet));
        let one = fits.next()?;
        fits.next().is_none().then(|| one.clone())
    }

    /// Lets ditto marks repeat what stands above them.
    #[allow(clippy::type_complexity)]
    fn dittos(
        &self,
        row: &[Piece],
        taken: &[Vec<bool>],
        date: Option<Carried>,
        place: Option<Carried>,
        name: Option<Carried>,
    ) -> (Option<Carried>, Option<Carried>, Option<Carried>) {
        let mut marks: Vec<(f32, f32)> = Vec::new();
        for (p, piece) in row.iter().enumerate() {
            let flow = &piece.flow;
            let whole: String = flow.text.split_whitespace().collect();
            if piece.quad.width() > 0.0 && row.len() > 1 && self.rules.notebook.ditto_misread.contains(&whole)
            {
                marks.push(piece.x);
                continue;
            }
            let mut i = 0;
            while i < flow.tokens.len() {
                let mut end = i + 1;
                while flow
                    .tokens
                    .get(end)
                    .is_some_and(|t| t.kind == Kind::Mark && !t.spaced && flow.tokens[i].kind == Kind::Mark)
                {
                    end += 1;
                }
                let range = flow.tokens[i].range.start..flow.tokens[end - 1].range.end;
                let text: String =
                    flow.slice(range.clone()).trim_matches(|c| c == '-' || c == '.').to_lowercase();
                let ends = flow.tokens.get(end).is_none_or(|t| t.spaced || t.is('.') || t.is(','));
                if flow.tokens[i].spaced && ends && !taken[p][i] && self.rules.notebook.ditto.contains(&text)
                {
                    marks.push(place_in(piece, &range));
                }
                i = end;
            }
        }
        let given = [date.is_some(), place.is_some(), name.is_some()];
        let mut found = [date, place, name];
        let above = [&self.date, &self.place, &self.name];
        let centre = |x: (f32, f32)| (x.0 + x.1) / 2.0;
        for mark in marks {
            let nearest = (0..3)
                .filter(|k| !given[*k] && found[*k].is_none())
                .filter_map(|k| Some((k, above[k].as_ref()?)))
                .min_by(|a, b| {
                    let far = |c: &Carried| {
                        let inside = c.x.0 <= centre(mark) && centre(mark) <= c.x.1;
                        if inside {
                            0.0
                        } else {
                            (c.x.0 - centre(mark)).abs().min((c.x.1 - centre(mark)).abs())
                        }
                    };
                    far(a.1).total_cmp(&far(b.1))
                });
            if let Some((k, carried)) = nearest {
                found[k] = Some(Carried { origin: Origin::Ditto, ..carried.clone() });
            }
        }
        let [date, place, name] = found;
        (date, place, name)
    }
}

/// Words before a token of a row that nothing has taken.
fn before<'r>(
    row: &'r [Piece],
    taken: &'r [Vec<bool>],
    piece: usize,
    token: usize,
) -> impl Iterator<Item = &'r str> {
    row[..=piece]
        .iter()
        .enumerate()
        .flat_map(move |(p, it)| {
            let end = if p == piece { token } else { it.flow.tokens.len() };
            (0..end).filter(move |k| !taken[p][*k]).map(move |k| &it.flow.tokens[k])
        })
        .filter(|t| t.kind == Kind::Word)
        .map(|t| t.text.as_str())
}

/// Whether a token stands in running text: small words stand before it.
fn in_prose(row: &[Piece], taken: &[Vec<bool>], piece: usize, token: usize) -> bool {
    let words: Vec<&str> = before(row, taken, piece, token).collect();
    words.iter().any(|w| w.chars().count() > 3 && w.chars().next().is_some_and(char::is_lowercase))
        || words.len() > 4
}

fn boxes(flow: &Flow, spans: &[super::Span]) -> Vec<Quad> {
    flow.boxes(spans).into_iter().filter(|q| q.width() > 0.0).collect()
}

/// Left and right of characters in the page's frame.
fn place_in(piece: &Piece, chars: &Range<usize>) -> (f32, f32) {
    if piece.quad.width() <= 0.0 {
        return (chars.start as f32, chars.end as f32);
    }
    let spans = piece.flow.spans(chars.clone());
    let quads = piece.flow.boxes(&spans);
    let (l, _, r, _) = piece.quad.bounds();
    let around = Quad::around(&quads).map_or((l, r), |q| (q.bounds().0, q.bounds().2));
    // From the photograph's frame into the page's: by shares of the piece.
    let share = |x: f32| piece.x.0 + (x - l) / (r - l).max(1.0) * (piece.x.1 - piece.x.0);
    (share(around.0), share(around.1))
}

fn named(piece: &Piece, range: Range<usize>, value: String, sure: f32) -> Carried {
    carried(piece, "scientificName", &range, value, sure, String::new())
}

/// A value that stands at `range`; `sure` is lowered by how sure its characters
/// are.
fn carried(
    piece: &Piece,
    term: &str,
    range: &Range<usize>,
    value: String,
    sure: f32,
    note: String,
) -> Carried {
    let flow = &piece.flow;
    let spans = flow.spans(range.clone());
    let field = Field {
        term: term.into(),
        verbatim: flow.verbatim(&spans),
        value,
        confidence: sure * flow.sureness(range.clone()),
        candidates: Vec::new(),
        boxes: boxes(flow, &spans),
        spans,
        note,
    };
    Carried { field, x: place_in(piece, range), origin: Origin::Read }
}

impl Rules {
    /// The name of the own place that stands at a range, as the table writes it.
    fn own_place_named(&self, flow: &Flow, range: &Range<usize>) -> Option<String> {
        let glyphs = flow.glyphs(range.clone());
        self.own_place_names
            .iter()
            .map(|name| (confuse::word(&glyphs, &squash(name)), name))
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, name)| name.clone())
    }
}

#[cfg(test)]
mod tests;
