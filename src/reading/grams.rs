//! Which letters follow which in what collectors write: letter n-grams in the
//! back-off form of the ARPA format, made by `models/training/make_grams.py`.
//!
//! They weigh the reader's guesses where the picture leaves a doubt: `Riuer` is
//! hardly ever written, `River` is. Digits count as one letter, so that no day
//! or number is likelier than another: which digit it is, only the picture says.

use crate::trouble::{Result, Trouble};
use std::collections::HashMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// The longest n-grams that a key can hold.
const LONGEST: usize = 7;
/// Log probability (natural) of a letter that the table does not have.
const UNKNOWN: f32 = -9.2;

/// The letters before a place, the last in the lowest byte.
pub type Context = u64;

/// Letter n-grams: log probabilities (natural logarithm) and back-off weights.
pub struct Grams {
    /// Numbers (from 1) of the letters.
    letters: HashMap<char, u8>,
    /// Log probability and back-off weight by the n-gram's letters.
    table: HashMap<u64, (f32, f32)>,
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
        let damaged = |what: String| Trouble::file(path, what).hint("restore models/ from the source tree");
        let file = std::fs::File::open(path).map_err(|e| damaged("cannot be read".into()).cause(e))?;
        Self::read(BufReader::new(flate2::read::GzDecoder::new(file))).map_err(damaged)
    }

    /// As [`Grams::load`], but once for all readers of the process that ask for
    /// the same file.
    ///
    /// # Errors
    /// As [`Grams::load`].
    pub fn shared(path: &Path) -> Result<Arc<Grams>> {
        static LOADED: Mutex<Option<(PathBuf, Arc<Grams>)>> = Mutex::new(None);
        let mut loaded = LOADED.lock().unwrap_or_else(PoisonError::into_inner);
        match &*loaded {
            Some((known, grams)) if known == path => Ok(grams.clone()),
            _ => {
                let grams = Arc::new(Grams::load(path)?);
                *loaded = Some((path.to_owned(), grams.clone()));
                Ok(grams)
            }
        }
    }

    pub(super) fn read(lines: impl BufRead) -> std::result::Result<Self, String> {
        let mut grams = Grams { letters: HashMap::new(), table: HashMap::new(), start: 0, end: 0, reach: 0 };
        let natural = std::f32::consts::LN_10;
        for (n, line) in lines.lines().enumerate() {
            let line = line.map_err(|e| format!("line {}: {e}", n + 1))?;
            // `ngram 1=200` and the headings have no tab.
            let Some((probability, rest)) = line.split_once('\t') else { continue };
            let (letters, weight) = rest.split_once('\t').unwrap_or((rest, "0"));
            let number = |s: &str| s.parse::<f32>().ok().filter(|v| v.is_finite());
            let (Some(p), Some(w)) = (number(probability), number(weight)) else {
                return Err(format!("line {}: `{line}` has no probabilities", n + 1));
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
            grams.table.insert(key, (p * natural, w * natural));
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

    /// The context at the start of a line.
    pub fn start(&self) -> Context {
        u64::from(self.start)
    }

    /// The log probability of `ch` after `before`, and the context behind it.
    pub fn next(&self, before: Context, ch: char) -> (f32, Context) {
        let (letter, share) = match ch {
            '0'..='9' => ('0', std::f32::consts::LN_10),
            c => (c, 0.0),
        };
        match self.letters.get(&letter) {
            Some(number) => {
                let window = (1u64 << (8 * self.reach)) - 1;
                (self.probability(before, *number) - share, (before << 8 | u64::from(*number)) & window)
            }
            None => (UNKNOWN, 0),
        }
    }

    /// The log probability that the line ends after `before`.
    pub fn end(&self, before: Context) -> f32 {
        self.probability(before, self.end)
    }

    fn probability(&self, before: Context, number: u8) -> f32 {
        let mut context = before;
        let mut length = (0..self.reach).take_while(|n| context >> (8 * n) != 0).count();
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
            context &= (1u64 << (8 * length)) - 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A table by hand: after `a` mostly `b`; `c` is rare.
    const TABLE: &str = "\\data\\\nngram 1=6\nngram 2=3\n\n\\1-grams:\n-99\t<s>\t-0.3\n-1\t</s>\n-0.5\ta\t-0.4\n-0.7\tb\n-2\tc\n-1\t0\n\n\\2-grams:\n-0.1\ta b\n-0.2\t<s> a\n-0.6\tb </s>\n\n\\end\\\n";

    fn grams() -> Grams {
        Grams::read(TABLE.as_bytes()).unwrap()
    }

    #[test]
    fn a_kept_pair_counts_as_written_and_another_backs_off() {
        // The back-off rule of the ARPA format, worked by hand:
        // p(c | a) = weight(a) x p(c), in log10 -0.4 - 2.
        let g = grams();
        let ln = std::f32::consts::LN_10;
        let (first, after_a) = g.next(g.start(), 'a');
        assert!((first + 0.2 * ln).abs() < 1e-5);
        assert!((g.next(after_a, 'b').0 + 0.1 * ln).abs() < 1e-5);
        assert!((g.next(after_a, 'c').0 + 2.4 * ln).abs() < 1e-5);
        assert!((g.end(g.next(after_a, 'b').1) + 0.6 * ln).abs() < 1e-5);
    }

    #[test]
    fn no_digit_is_likelier_than_another() {
        let g = grams();
        let all: Vec<f32> = ('0'..='9').map(|d| g.next(g.start(), d).0).collect();
        assert!(all.iter().all(|p| *p == all[0]));
        // Ten digits share the class's probability: weight(<s>) x p(0) / 10.
        assert!((all[0] + 2.3 * std::f32::consts::LN_10).abs() < 1e-5);
    }

    #[test]
    fn a_damaged_table_says_where() {
        assert!(Grams::read(TABLE.replace("-0.7", "x").as_bytes()).is_err_and(|e| e.contains("line 9")));
        assert!(Grams::read("".as_bytes()).is_err());
    }
}
