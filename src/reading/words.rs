//! Which English words follow which: word pairs in the back-off form of the ARPA format, made by
//! `models/training/make_words.py`.
//!
//! They weigh the reader's guesses in running writing, over the habits of letters: a hurried `the` and
//! a hurried `die` look alike, and only one of them goes before `river`. A word that the table does not
//! have (a name, a taxon) keeps the letters' habits.

use super::beam::Likely;
use super::ctc::add;
use super::grams::{Context, Habits, packed, row};
use foldhash::HashMap as FastMap;
use std::io::BufRead;
use std::path::Path;
use std::sync::Arc;

use crate::trouble::Result;

/// The share of words of running writing that the table is trusted with; the rest is left to the letters.
/// Between 0.8 and 0.97 readings were alike.
const IN_TABLE: f32 = 0.9;
/// How many words begin with a capital: counted in the prose of the table 0.11, in letters more.
const CAPITALS: f32 = 0.2;
/// What follows a word, by its share; a share of 0.001 for any other sign. Counted in the prose of the
/// table, but for the line's end: every eighth word or so ends a written line.
const AFTER: [(char, f32); 12] = [
    (' ', 0.84),
    ('\n', 0.1),
    (',', 0.065),
    ('.', 0.05),
    ('-', 0.01),
    (';', 0.006),
    (':', 0.004),
    ('\'', 0.004),
    ('?', 0.003),
    ('!', 0.003),
    ('"', 0.003),
    (')', 0.003),
];
const SELDOM: f32 = 0.001;

/// No word.
const NONE: u32 = u32::MAX;
const NEVER: f32 = -1e9;

/// The words seen after one word.
#[derive(Default)]
struct Behind {
    /// Their numbers, rising.
    words: Vec<u32>,
    /// Up to each of them, how much likelier they are than by the back-off alone.
    more: Vec<f32>,
}

/// English words and pairs of words with their probabilities.
pub struct Words {
    /// All words in a row, sorted.
    text: Vec<u8>,
    /// Where each begins, and where the last ends.
    at: Vec<u32>,
    /// The probability of all words before each; the last is that of all.
    before: Vec<f64>,
    /// The weight that each word leaves to what was not seen after it.
    left: Vec<f32>,
    behind: FastMap<u32, Behind>,
    /// How likely the hundredth of the commonest words is.
    common: f64,
}

/// How many words count as the commonest; of one letter none, which stand as initials too.
const COMMONEST: usize = 100;

impl Words {
    /// The table at `path`, packed by gzip, once for all readers of the process.
    ///
    /// # Errors
    /// Names the file, and the line that is not of this format.
    pub fn shared(path: &Path) -> Result<Arc<Words>> {
        static LOADED: super::grams::Shared<Words> = super::grams::Shared::new();
        LOADED.get(path, || packed(path, Words::read))
    }

    pub(super) fn read(lines: impl BufRead) -> std::result::Result<Self, String> {
        let mut single: Vec<(String, f32, f32)> = Vec::new();
        let mut pairs: Vec<(String, String, f32)> = Vec::new();
        for (n, line) in lines.lines().enumerate() {
            let line = line.map_err(|e| format!("line {}: {e}", n + 1))?;
            let Some((p, words, weight)) = row(&line).map_err(|e| format!("line {}: {e}", n + 1))? else {
                continue;
            };
            match words.split_once(' ') {
                None => single.push((words.to_owned(), p.exp(), weight.exp())),
                Some((first, second)) => pairs.push((first.to_owned(), second.to_owned(), p.exp())),
            }
        }
        if single.is_empty() || single.len() >= NONE as usize {
            return Err(format!("holds {} words", single.len()));
        }
        single.sort_by(|a, b| a.0.cmp(&b.0));
        let mut words = Words {
            text: Vec::new(),
            at: vec![0],
            before: vec![0.0],
            left: Vec::new(),
            behind: FastMap::default(),
            common: 0.0,
        };
        let mut sum = 0.0;
        for (word, p, left) in &single {
            words.text.extend_from_slice(word.as_bytes());
            words.at.push(words.text.len() as u32);
            sum += f64::from(*p);
            words.before.push(sum);
            words.left.push(*left);
        }
        let mut chances: Vec<f64> = (0..single.len())
            .filter(|i| single[*i].0.chars().nth(1).is_some())
            .map(|i| words.before[i + 1] - words.before[i])
            .collect();
        chances.sort_by(|a, b| b.total_cmp(a));
        words.common = chances.get(COMMONEST - 1).copied().unwrap_or(0.0);
        let mut seen: Vec<(u32, u32, f32)> = Vec::with_capacity(pairs.len());
        for (first, second, p) in &pairs {
            let number =
                |w: &str| words.number(w).ok_or_else(|| format!("`{w}` stands in a pair and not alone"));
            seen.push((number(first)?, number(second)?, *p));
        }
        seen.sort_by_key(|(first, second, _)| (*first, *second));
        for (first, second, p) in seen {
            let alone = words.left[first as usize] * words.range(second, second + 1) as f32;
            let behind = words.behind.entry(first).or_default();
            let sum = behind.more.last().copied().unwrap_or(0.0);
            behind.words.push(second);
            behind.more.push(sum + (p - alone).max(0.0));
        }
        Ok(words)
    }

    fn len(&self) -> u32 {
        self.left.len() as u32
    }

    fn word(&self, number: u32) -> &[u8] {
        &self.text[self.at[number as usize] as usize..self.at[number as usize + 1] as usize]
    }

    fn number(&self, word: &str) -> Option<u32> {
        let at = self.partition(0, self.len(), |w| w < word.as_bytes());
        (at < self.len() && self.word(at) == word.as_bytes()).then_some(at)
    }

    /// The first of the words `from..to` for which `before` no longer holds.
    fn partition(&self, mut from: u32, mut to: u32, before: impl Fn(&[u8]) -> bool) -> u32 {
        while from < to {
            let middle = from + (to - from) / 2;
            if before(self.word(middle)) { from = middle + 1 } else { to = middle }
        }
        from
    }

    /// Those of the words `from..to`, alike in their first `known` bytes, that go on with `ch`.
    fn going_on(&self, from: u32, to: u32, known: usize, ch: char) -> (u32, u32) {
        let mut bytes = [0; 4];
        let (mut from, mut to) = (from, to);
        for (k, byte) in ch.encode_utf8(&mut bytes).bytes().enumerate() {
            let next = |w: &[u8]| w.get(known + k).copied();
            from = self.partition(from, to, |w| next(w) < Some(byte));
            to = self.partition(from, to, |w| next(w) <= Some(byte));
        }
        (from, to)
    }

    /// The probability of the words `from..to`, whatever stood before.
    fn range(&self, from: u32, to: u32) -> f64 {
        self.before[to as usize] - self.before[from as usize]
    }

    /// The probability of the words `from..to` after the word `previous`.
    fn after(&self, previous: u32, from: u32, to: u32) -> f64 {
        let alone = self.range(from, to);
        let Some(behind) = self.behind.get(&previous) else { return alone };
        let up_to = |number: u32| match behind.words.partition_point(|w| *w < number) {
            0 => 0.0,
            n => f64::from(behind.more[n - 1]),
        };
        f64::from(self.left[previous as usize]) * alone + up_to(to) - up_to(from)
    }

    /// Whether a word (in small letters) is one of the hundred commonest of two letters and more.
    pub fn is_common(&self, word: &str) -> bool {
        word.chars().nth(1).is_some()
            && self.number(word).is_some_and(|n| self.range(n, n + 1) >= self.common)
    }
}

/// English running writing: words where the table has them, letters where not.
pub struct Prose<'a> {
    /// The habits of letters.
    pub habits: &'a Habits,
    /// The words.
    pub words: &'a Words,
}

/// Where a text stands: in which word, after which.
#[derive(Clone, Copy)]
pub struct Place {
    letters: Context,
    /// The words that begin as the one that is being written.
    words: (u32, u32),
    /// Its length so far in bytes, 0 between words.
    length: usize,
    /// Log probability of the word so far by the table and by the letters.
    table: f32,
    spelt: f32,
    /// The word before.
    previous: u32,
}

/// Log probability of a word so far, whoever says it.
fn either(table: f32, spelt: f32) -> f32 {
    add(IN_TABLE.ln() + table, (1.0 - IN_TABLE).ln() + spelt)
}

impl Prose<'_> {
    /// The log probability that `sign` follows the word at `before`, the letters giving it `p`, and the
    /// word's number where the table has it.
    fn ends(&self, before: Place, sign: char, p: f32) -> (f32, u32) {
        let (word, to) = before.words;
        let whole = before.table > NEVER && word < to && self.words.word(word).len() == before.length;
        let table = if whole {
            let share = AFTER.iter().find(|a| a.0 == sign).map_or(SELDOM, |a| a.1);
            let one = self.words.after(before.previous, word, word + 1);
            before.table
                + (one / self.words.after(before.previous, word, to)).max(1e-9).ln() as f32
                + share.ln()
        } else {
            NEVER
        };
        let all = either(table, before.spelt + p) - either(before.table, before.spelt);
        (all, if whole { word } else { NONE })
    }

    /// The place behind a letter of a word, with the log probability of the letter.
    fn letter(&self, before: Place, ch: char, p: f32, letters: Context) -> (f32, Place) {
        let mut place = Place { letters, ..before };
        let first = before.length == 0;
        if first {
            place = Place { words: (0, self.words.len()), table: 0.0, spelt: 0.0, ..place };
        }
        let so_far = if first { 0.0 } else { either(place.table, place.spelt) };
        let mut small = ch.to_lowercase();
        let small = small.next().filter(|_| small.next().is_none());
        let capital = small != Some(ch);
        let (from, to) = place.words;
        place.words = match small {
            Some(small) if first || !capital => self.words.going_on(from, to, before.length, small),
            _ => (from, from),
        };
        place.length += small.map_or(1, char::len_utf8);
        place.spelt += p;
        if place.words.0 < place.words.1 && place.table > NEVER {
            let share = self.words.after(before.previous, place.words.0, place.words.1)
                / self.words.after(before.previous, from, to);
            place.table += share.max(1e-12).ln() as f32;
            if first {
                place.table += if capital { CAPITALS } else { 1.0 - CAPITALS }.ln();
            }
        } else {
            place.table = NEVER;
        }
        (either(place.table, place.spelt) - so_far, place)
    }
}

impl Likely for Prose<'_> {
    type Place = Place;

    fn start(&self) -> Place {
        Place {
            letters: Likely::start(self.habits),
            words: (0, 0),
            length: 0,
            table: 0.0,
            spelt: 0.0,
            previous: NONE,
        }
    }

    fn next(&self, before: Place, ch: char) -> (f32, Place) {
        let (p, letters) = Likely::next(self.habits, before.letters, ch);
        if ch.is_alphabetic() || (ch == '\'' && before.length > 0) {
            return self.letter(before, ch, p, letters);
        }
        let (all, word) = if before.length == 0 { (p, before.previous) } else { self.ends(before, ch, p) };
        // What stands behind a sign begins anew.
        let previous = if ch == ' ' { word } else { NONE };
        (all, Place { letters, words: (0, 0), length: 0, table: 0.0, spelt: 0.0, previous })
    }

    fn end(&self, before: Place) -> f32 {
        let p = Likely::end(self.habits, before.letters);
        if before.length == 0 { p } else { self.ends(before, '\n', p).0 }
    }
}

#[cfg(test)]
mod tests {
    use super::super::grams::Grams;
    use super::*;

    /// By hand: three words; after `tarn` stands `head` with 0.8, and 0.4 of what
    /// a word has alone is left for it.
    const TABLE: &str = "\\1-grams:\n-0.30103\thead\n-0.60206\ttarn\t-0.39794\n-0.60206\ttar\n\n\\2-grams:\n-0.0969\ttarn head\n\\end\\\n";
    /// Every letter a tenth, after whatever it stands.
    const LETTERS: &str =
        "-9\t<s>\n-1\t</s>\n-1\t_\n-1\th\n-1\te\n-1\ta\n-1\td\n-1\tt\n-1\tr\n-1\tn\n-1\tH\n-1\th e\n";

    fn words() -> Words {
        Words::read(TABLE.as_bytes()).unwrap()
    }

    fn habits() -> Habits {
        Habits::new(Arc::new(Grams::read(LETTERS.as_bytes()).unwrap()), &[])
    }

    /// Log probability of `text`, its end not counted.
    fn said(prose: &Prose, text: &str) -> f32 {
        let mut place = prose.start();
        text.chars()
            .map(|c| {
                let (p, next) = prose.next(place, c);
                place = next;
                p
            })
            .sum()
    }

    #[test]
    fn words_that_begin_alike_share_what_is_theirs() {
        let w = words();
        let (from, to) = w.going_on(0, w.len(), 0, 't');
        assert_eq!(to - from, 2);
        // p(tarn) + p(tar), 0.25 each.
        assert!((w.range(from, to) - 0.5).abs() < 1e-4);
        // After `tarn` what was not seen has 0.4 of its probability, and a seen pair its own:
        // the back-off rule of the ARPA format.
        let tarn = w.number("tarn").unwrap();
        assert!((w.after(tarn, from, to) - 0.2).abs() < 1e-4);
        let head = w.number("head").unwrap();
        assert!((w.after(tarn, head, head + 1) - 0.8).abs() < 1e-3);
        assert!((w.after(NONE, head, head + 1) - 0.5).abs() < 1e-4);
    }

    #[test]
    fn a_text_is_as_likely_as_its_words_and_letters_say() {
        let (w, h) = (words(), habits());
        let prose = Prose { habits: &h, words: &w };
        // Worked by hand: of the table `head` with a small letter, then a blank; of the
        // letters ten to the minus five.
        let by_table = IN_TABLE * 0.5 * (1.0 - CAPITALS) * 0.84;
        let by_letters = (1.0 - IN_TABLE) * 1e-5;
        assert!((said(&prose, "head ") - (by_table + by_letters).ln()).abs() < 1e-3);
        // A pair that was seen.
        let tarn = said(&prose, "tarn ");
        let pair = IN_TABLE * 0.8 * (1.0 - CAPITALS) * 0.84;
        assert!((said(&prose, "tarn head ") - tarn - (pair + by_letters).ln()).abs() < 1e-3);
        // A capital is rarer, and within a word no word of the table has one.
        let capital = IN_TABLE * 0.5 * CAPITALS * 0.84;
        assert!((said(&prose, "Head ") - (capital + by_letters).ln()).abs() < 1e-3);
        // A word that the table does not have keeps the letters' habits: five of ten to the minus one.
        assert!((said(&prose, "dearth") - ((1.0 - IN_TABLE) * 1e-6).ln()).abs() < 1e-3);
    }

    #[test]
    fn the_commonest_words_are_known_by_their_number() {
        let rows: String = (0..150).map(|i| format!("{:.3}\tw{i:03}\n", -1.0 - i as f32 / 100.0)).collect();
        let w = Words::read(format!("-0.5\ta\n{rows}").as_bytes()).unwrap();
        assert!(w.is_common("w000") && w.is_common("w099"));
        // Beyond the hundredth, of one letter, and not in the table.
        assert!(!w.is_common("w101") && !w.is_common("a") && !w.is_common("tarn"));
    }

    #[test]
    fn a_damaged_table_says_where() {
        assert!(
            Words::read(TABLE.replace("-0.60206\ttar\n", "x\ttar\n").as_bytes())
                .is_err_and(|e| e.contains("line 4"))
        );
        assert!(Words::read("".as_bytes()).is_err());
        assert!(Words::read("-1\ttarn\n-1\ttarn weir\n".as_bytes()).is_err_and(|e| e.contains("weir")));
    }
}
