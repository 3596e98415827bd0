//! Which letters follow which in what collectors write: letter n-grams in the
//! back-off form of the ARPA format, made by `models/training/make_grams.py`.
//!
//! They weigh the reader's guesses where the picture leaves a doubt: `Riuer` is
//! hardly ever written, `River` is. Digits count as one letter, so that no day
//! or number is likelier than another: which digit it is, only the picture says.
//!
//! [`Habits`] lays over them what one collector wrote before: the same places,
//! people and abbreviations come again and again.

use super::beam::Likely;
use crate::trouble::{Result, Trouble};
use foldhash::HashMap as FastMap;
use std::collections::HashMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The longest n-grams that a key can hold.
const LONGEST: usize = 7;
/// Log probability (natural) of a letter that the table does not have.
const UNKNOWN: f32 = -9.2;

/// The letters before a place (at most seven), the last in the lowest byte.
pub type Context = u64;

/// The last `length` letters of a context.
fn last(context: Context, length: usize) -> Context {
    context & ((1u64 << (8 * length)) - 1)
}

/// How many letters a context has.
fn length(context: Context) -> usize {
    (64 - context.leading_zeros() as usize).div_ceil(8)
}

/// A table of the process, loaded when first asked for.
pub(super) struct Shared<T>(Mutex<Option<(PathBuf, Arc<T>)>>);

impl<T> Shared<T> {
    pub(super) const fn new() -> Self {
        Shared(Mutex::new(None))
    }

    /// The table at `path`, by `load` where it is not the one at hand.
    pub(super) fn get(&self, path: &Path, load: impl FnOnce() -> Result<T>) -> Result<Arc<T>> {
        let mut loaded = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match &*loaded {
            Some((known, table)) if known == path => Ok(table.clone()),
            _ => {
                let table = Arc::new(load()?);
                *loaded = Some((path.to_owned(), table.clone()));
                Ok(table)
            }
        }
    }
}

/// What `read` makes of a table packed by gzip.
///
/// # Errors
/// Names the file, and what is wrong in it.
pub(super) fn packed<T>(
    path: &Path,
    read: impl FnOnce(BufReader<flate2::read::GzDecoder<std::fs::File>>) -> std::result::Result<T, String>,
) -> Result<T> {
    let damaged = |what: String| {
        Trouble::file(path, what).hint("install the program again, or restore models/ in its source tree")
    };
    let file = std::fs::File::open(path).map_err(|e| damaged("cannot be read".into()).cause(e))?;
    read(BufReader::new(flate2::read::GzDecoder::new(file))).map_err(damaged)
}

/// A row of the ARPA format: the log probability of an n-gram, its parts, and the log of the weight it
/// leaves to what was not seen after it (natural logarithms; the file has those to base ten). `None`
/// for headings and blank lines.
pub(super) fn row(line: &str) -> std::result::Result<Option<(f32, &str, f32)>, String> {
    // `ngram 1=200` and the headings have no tab.
    let Some((probability, rest)) = line.split_once('\t') else { return Ok(None) };
    let (parts, weight) = rest.split_once('\t').unwrap_or((rest, "0"));
    let number =
        |s: &str| s.parse::<f32>().ok().filter(|v| v.is_finite()).map(|v| v * std::f32::consts::LN_10);
    match (number(probability), number(weight)) {
        (Some(p), Some(w)) => Ok(Some((p, parts, w))),
        _ => Err(format!("`{line}` has no probabilities")),
    }
}

/// Letter n-grams: log probabilities (natural logarithm) and back-off weights.
pub struct Grams {
    /// Numbers (from 1) of the letters.
    letters: HashMap<char, u8>,
    /// Log probability and back-off weight by the n-gram's letters.
    table: FastMap<u64, (f32, f32)>,
    start: u8,
    end: u8,
    /// How many letters before it a letter's probability may look at.
    reach: usize,
}

impl Grams {
    /// Loads a table in the ARPA format, packed by gzip.
    ///
    /// # Errors
    /// Names the file, and the line that is not of this format.
    pub fn load(path: &Path) -> Result<Self> {
        packed(path, Self::read)
    }

    /// As [`Grams::load`], but once for all readers of the process that ask for
    /// the same file.
    ///
    /// # Errors
    /// As [`Grams::load`].
    pub fn shared(path: &Path) -> Result<Arc<Grams>> {
        static LOADED: Shared<Grams> = Shared::new();
        LOADED.get(path, || Grams::load(path))
    }

    pub(super) fn read(lines: impl BufRead) -> std::result::Result<Self, String> {
        let mut grams =
            Grams { letters: HashMap::new(), table: FastMap::default(), start: 0, end: 0, reach: 0 };
        for (n, line) in lines.lines().enumerate() {
            let line = line.map_err(|e| format!("line {}: {e}", n + 1))?;
            let Some((p, letters, w)) = row(&line).map_err(|e| format!("line {}: {e}", n + 1))? else {
                continue;
            };
            let mut key = 0;
            let mut count = 0;
            for letter in letters.split(' ') {
                key = key << 8 | u64::from(grams.number(letter)?);
                count += 1;
            }
            if count > LONGEST {
                return Err(format!("line {}: more than {LONGEST} letters", n + 1));
            }
            grams.reach = grams.reach.max(count - 1);
            grams.table.insert(key, (p, w));
        }
        if grams.reach == 0 || grams.start == 0 || grams.end == 0 {
            return Err("holds no n-grams, or no line ends".into());
        }
        Ok(grams)
    }

    /// The number of a letter as the table writes it, a new one for a new letter.
    fn number(&mut self, written: &str) -> std::result::Result<u8, String> {
        let mut chars = written.chars();
        let ch = match (written, chars.next(), chars.next()) {
            ("<s>", ..) => '\u{2}',
            ("</s>", ..) => '\u{3}',
            ("_", ..) => ' ',
            (_, Some(c), None) => c,
            _ => return Err(format!("`{written}` is no letter")),
        };
        let next = u8::try_from(self.letters.len() + 1).map_err(|_| "more than 255 letters".to_owned())?;
        let number = *self.letters.entry(ch).or_insert(next);
        match ch {
            '\u{2}' => self.start = number,
            '\u{3}' => self.end = number,
            _ => {}
        }
        Ok(number)
    }

    /// The number of a letter, and by how much (natural logarithm) its probability
    /// is that of its class; `None` where the table does not have it.
    fn known(&self, ch: char) -> Option<(u8, f32)> {
        let (letter, share) = match ch {
            '0'..='9' => ('0', std::f32::consts::LN_10),
            c => (c, 0.0),
        };
        self.letters.get(&letter).map(|number| (*number, share))
    }

    /// The log probability of letter `number` after `before`.
    fn probability(&self, before: Context, number: u8) -> f32 {
        let mut length = length(before).min(self.reach);
        let mut context = last(before, length);
        let mut left = 0.0;
        loop {
            if let Some((p, _)) = self.table.get(&(context << 8 | u64::from(number))) {
                return left + p;
            }
            if length == 0 {
                return left + UNKNOWN;
            }
            left += self.table.get(&context).map_or(0.0, |(_, weight)| *weight);
            length -= 1;
            context = last(context, length);
        }
    }
}

/// What stood behind a context in one collector's lines.
#[derive(Default)]
struct Behind {
    all: f32,
    /// How often each letter.
    letters: Vec<(u8, f32)>,
}

/// What letters followed which in one collector's lines.
struct Own(FastMap<Context, Behind>);

/// One collector's habits are asked from this many letters on: after fewer,
/// everybody's say more.
const OWN_FROM: usize = 2;

/// How many times over the common habits count beside the collector's, in
/// Witten and Bell's interpolation (1991, method C): more than once, since a
/// collector's few lines show little of what may follow.
const OTHERS: f32 = 4.0;

impl Own {
    /// Counts `lines`; letters that `grams` does not have end a context.
    fn count(grams: &Grams, lines: &[String]) -> Self {
        let mut own = Own(FastMap::default());
        for line in lines {
            let mut before = u64::from(grams.start);
            for ch in line.chars().map(Some).chain([None]) {
                let number = ch.map_or(Some(grams.end), |c| grams.known(c).map(|k| k.0));
                let Some(number) = number else {
                    before = 0;
                    continue;
                };
                for n in OWN_FROM..=length(before) {
                    let behind = own.0.entry(last(before, n)).or_default();
                    behind.all += 1.0;
                    match behind.letters.iter_mut().find(|l| l.0 == number) {
                        Some(letter) => letter.1 += 1.0,
                        None => behind.letters.push((number, 1.0)),
                    }
                }
                before = last(before << 8 | u64::from(number), LONGEST);
            }
        }
        own
    }

    /// The log probability of letter `number` after `before`, where everybody's
    /// habits give it `common`.
    fn probability(&self, before: Context, number: u8, common: f32) -> f32 {
        let mut own = None;
        for n in OWN_FROM..=length(before) {
            let Some(behind) = self.0.get(&last(before, n)) else { break };
            let times = behind.letters.iter().find(|l| l.0 == number).map_or(0.0, |l| l.1);
            let others = OTHERS * behind.letters.len() as f32;
            let shorter = own.unwrap_or_else(|| common.exp());
            own = Some((times + others * shorter) / (behind.all + others));
        }
        own.map_or(common, |p: f32| p.max(f32::MIN_POSITIVE).ln())
    }
}

/// The habits that a reader weighs: everybody's, and one collector's over them
/// where some are known.
pub struct Habits {
    grams: Arc<Grams>,
    own: Option<Own>,
}

impl Habits {
    /// Everybody's, with those of the collector who wrote the lines `own`.
    pub fn new(grams: Arc<Grams>, own: &[String]) -> Self {
        let own = (!own.is_empty()).then(|| Own::count(&grams, own));
        Habits { grams, own }
    }

    /// Everybody's as here, with those of the collector who wrote `own`.
    pub fn of(&self, own: &[String]) -> Self {
        Habits::new(self.grams.clone(), own)
    }

    fn probability(&self, before: Context, number: u8) -> f32 {
        let common = self.grams.probability(before, number);
        self.own.as_ref().map_or(common, |own| own.probability(before, number, common))
    }
}

impl Likely for Habits {
    type Place = Context;

    fn start(&self) -> Context {
        u64::from(self.grams.start)
    }

    fn next(&self, before: Context, ch: char) -> (f32, Context) {
        match self.grams.known(ch) {
            Some((number, share)) => {
                (self.probability(before, number) - share, last(before << 8 | u64::from(number), LONGEST))
            }
            None => (UNKNOWN, 0),
        }
    }

    fn end(&self, before: Context) -> f32 {
        self.probability(before, self.grams.end)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A table by hand: after `a` mostly `b`; `c` is rare.
    const TABLE: &str = "\\data\\\nngram 1=6\nngram 2=3\n\n\\1-grams:\n-99\t<s>\t-0.3\n-1\t</s>\n-0.5\ta\t-0.4\n-0.7\tb\n-2\tc\n-1\t0\n\n\\2-grams:\n-0.1\ta b\n-0.2\t<s> a\n-0.6\tb </s>\n\n\\end\\\n";

    fn grams() -> Arc<Grams> {
        Arc::new(Grams::read(TABLE.as_bytes()).unwrap())
    }

    #[test]
    fn a_kept_pair_counts_as_written_and_another_backs_off() {
        // The back-off rule of the ARPA format, worked by hand:
        // p(c | a) = weight(a) x p(c), in log10 -0.4 - 2.
        let g = Habits::new(grams(), &[]);
        let ln = std::f32::consts::LN_10;
        let (first, after_a) = g.next(g.start(), 'a');
        assert!((first + 0.2 * ln).abs() < 1e-5);
        assert!((g.next(after_a, 'b').0 + 0.1 * ln).abs() < 1e-5);
        assert!((g.next(after_a, 'c').0 + 2.4 * ln).abs() < 1e-5);
        assert!((g.end(g.next(after_a, 'b').1) + 0.6 * ln).abs() < 1e-5);
    }

    #[test]
    fn no_digit_is_likelier_than_another() {
        let g = Habits::new(grams(), &[]);
        let all: Vec<f32> = ('0'..='9').map(|d| g.next(g.start(), d).0).collect();
        assert!(all.iter().all(|p| *p == all[0]));
        // Ten digits share the class's probability: weight(<s>) x p(0) / 10.
        assert!((all[0] + 2.3 * std::f32::consts::LN_10).abs() < 1e-5);
    }

    #[test]
    fn what_a_collector_wrote_before_is_likelier_where_it_is_begun_again() {
        let own = Habits::new(grams(), &["abc", "abc", "abb"].map(String::from));
        let after = |h: &Habits, text: &str| text.chars().fold(h.start(), |before, c| h.next(before, c).1);
        let common = Habits::new(grams(), &[]);
        let before = after(&own, "ab");
        // Worked by hand: behind `ab` stood c twice and b once, two kinds; both the
        // contexts `ab` and `<s>ab` say so. p(c) of everybody: 10^-2.
        let blend = |times: f32, lower: f32| (times + OTHERS * 2.0 * lower) / (3.0 + OTHERS * 2.0);
        let c = blend(2.0, blend(2.0, 0.01));
        assert!((own.next(before, 'c').0 - c.ln()).abs() < 1e-4, "{} {}", own.next(before, 'c').0, c.ln());
        assert!(own.next(before, 'c').0 > common.next(after(&common, "ab"), 'c').0);
        // Where nothing of the collector's was begun, everybody's habits stand.
        assert_eq!(own.next(after(&own, "ca"), 'b').0, common.next(after(&common, "ca"), 'b').0);
        // All that may follow adds up to one at most.
        let sum: f32 =
            "abc0".chars().map(|c| own.next(before, c).0.exp() * if c == '0' { 10.0 } else { 1.0 }).sum();
        assert!(sum + own.end(before).exp() < 1.001);
    }

    #[test]
    fn a_damaged_table_says_where() {
        assert!(Grams::read(TABLE.replace("-0.7", "x").as_bytes()).is_err_and(|e| e.contains("line 9")));
        assert!(Grams::read("".as_bytes()).is_err());
    }
}
