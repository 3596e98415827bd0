//! One label as one stretch of text, with the way back to the lines it came from.
//!
//! Takes a label as read; gives its letters in a row, lines joined by a space,
//! words that were divided at a line's end joined again (`Mich-`, `oacan`), typographic
//! quotes and dashes as plain ones, cut into tokens. Every letter knows its line and
//! column, so that a range of the flow gives back the words exactly as read.

use super::Span;
use super::confuse::Glyph;
use super::gazetteer::squash;
use crate::geometry::Quad;
use crate::reading::{ReadChar, ReadLabel, ReadLine};
use std::ops::Range;

/// What a token is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Letters, and apostrophes between them.
    Word,
    /// Digits.
    Number,
    /// Anything else, one character at a time.
    Mark,
}

/// A run of like characters.
#[derive(Clone, Debug)]
pub struct Token {
    /// Characters of the flow.
    pub range: Range<usize>,
    /// What it is made of.
    pub kind: Kind,
    /// Its text.
    pub text: String,
    /// The line it starts in.
    pub line: usize,
    /// Whether it is the first of its line.
    pub first: bool,
    /// Whether it is the last of its line.
    pub last: bool,
    /// Whether white space stands before it.
    pub spaced: bool,
}

impl Token {
    /// Whether it is this mark.
    pub fn is(&self, mark: char) -> bool {
        self.kind == Kind::Mark && self.text.starts_with(mark)
    }

    /// Whether it is a word that starts with a capital.
    pub fn capital(&self) -> bool {
        self.kind == Kind::Word && self.text.chars().next().is_some_and(char::is_uppercase)
    }
}

/// One label as one stretch of text.
#[derive(Debug)]
pub struct Flow<'a> {
    /// Which label.
    pub label: usize,
    /// Its characters, plain quotes and dashes.
    pub chars: Vec<char>,
    /// The same as text.
    pub text: String,
    /// Its tokens.
    pub tokens: Vec<Token>,
    lines: &'a [ReadLine],
    /// The label's line that is the flow's first.
    from: usize,
    at: Vec<Option<(usize, usize)>>,
    bytes: Vec<usize>,
}

/// First parts of surnames with a capital inside.
const SURNAMES: [&str; 12] = ["Mac", "Mc", "Mack", "La", "Le", "De", "Di", "Du", "Van", "Von", "Fitz", "O"];

fn plain(ch: char) -> char {
    match ch {
        '’' | '‘' | '´' | '`' | '′' | 'ʼ' => '\'',
        '“' | '”' | '″' | '„' => '"',
        '–' | '—' | '‐' | '‑' | '−' => '-',
        'º' | '˚' => '°',
        '，' => ',',
        '：' => ':',
        '；' => ';',
        '（' => '(',
        '）' => ')',
        '．' => '.',
        c if c.is_whitespace() => ' ',
        c => c,
    }
}

/// Whether a space is missing before character `i`: a capital behind a small
/// letter (`LosMochis`, `ArizVII`) that is not inside a surname (`MacSwain`), or
/// an initial run into one (`JMacSwain`).
fn run_together(line: &[ReadChar], i: usize) -> bool {
    if i == 0 || !line[i].ch.is_uppercase() {
        return false;
    }
    let start = line[..i].iter().rposition(|c| !c.ch.is_alphabetic()).map_or(0, |p| p + 1);
    let word = &line[start..i];
    let next_small = line.get(i + 1).is_some_and(|c| c.ch.is_lowercase());
    match word {
        [] => false,
        [one] => one.ch.is_uppercase() && next_small && line.get(i + 2).is_some_and(|c| c.ch.is_lowercase()),
        [.., last] => {
            let roman = |c: &ReadChar| "VvXxIil".contains(c.ch);
            last.ch.is_lowercase()
                // A capital in a month or a roman number read in mixed case.
                && (!word.iter().all(roman) || !roman(&line[i]))
                && (word.len() > 2 || !next_small)
                && !SURNAMES.iter().any(|s| {
                    // `MacSwain`, and `JMacSwain` behind its initial.
                    let at = word.len().checked_sub(s.len());
                    at.is_some_and(|at| at <= 1 && word[at..].iter().map(|c| c.ch).eq(s.chars()) && word[..at].iter().all(|c| c.ch.is_uppercase()))
                })
                // `kmS` but not `pH`.
                && word.len() >= 2
        }
    }
}

impl<'a> Flow<'a> {
    /// The flow of the lines `part` of one label.
    pub fn new(label: usize, read: &'a ReadLabel, part: Range<usize>) -> Self {
        let (mut chars, mut at) = (Vec::new(), Vec::new());
        let from = part.start;
        let lines = &read.lines[part];
        for (l, line) in lines.iter().enumerate() {
            for (c, letter) in line.chars.iter().enumerate() {
                if run_together(&line.chars, c) {
                    chars.push(' ');
                    at.push(None);
                }
                chars.push(plain(letter.ch));
                at.push(Some((l, c)));
            }
            let next = lines.get(l + 1).and_then(|n| n.chars.iter().find(|c| !c.ch.is_whitespace()));
            let Some(next) = next else { continue };
            while chars.last() == Some(&' ') {
                chars.pop();
                at.pop();
            }
            let before = chars.len().checked_sub(2).and_then(|i| chars.get(i)).copied();
            match (before, chars.last()) {
                // A word divided at the line's end.
                (Some(b), Some('-')) if b.is_lowercase() && next.ch.is_lowercase() => {
                    chars.pop();
                    at.pop();
                }
                // A number or a date divided there (`26-VIII-`, `1977`).
                (Some(b), Some('-')) if b.is_alphanumeric() && next.ch.is_ascii_digit() => {}
                _ => {
                    chars.push(' ');
                    at.push(None);
                }
            }
        }
        let text: String = chars.iter().collect();
        let mut bytes: Vec<usize> = text.char_indices().map(|(i, _)| i).collect();
        bytes.push(text.len());
        let mut flow = Flow { label, chars, text, tokens: Vec::new(), lines, from, at, bytes };
        flow.tokens = flow.cut();
        flow
    }

    fn cut(&self) -> Vec<Token> {
        let kind = |c: char| match c {
            c if c.is_alphabetic() => Kind::Word,
            c if c.is_ascii_digit() => Kind::Number,
            _ => Kind::Mark,
        };
        let mut tokens: Vec<Token> = Vec::new();
        let (mut i, mut line) = (0, usize::MAX);
        while i < self.chars.len() {
            if self.chars[i] == ' ' {
                i += 1;
                continue;
            }
            let (start, what) = (i, kind(self.chars[i]));
            i += 1;
            while what != Kind::Mark && i < self.chars.len() {
                let inner = what == Kind::Word
                    && self.chars[i] == '\''
                    && self
                        .chars
                        .get(i + 1)
                        .is_some_and(|c| c.is_lowercase() || c.is_alphabetic() && i == start + 1);
                // A figure between small letters is a letter misread (`Ar1zona`).
                let misread = what == Kind::Word
                    && "0158|".contains(self.chars[i])
                    && self.chars[i - 1].is_lowercase()
                    && self.chars.get(i + 1).is_some_and(|c| c.is_lowercase());
                if kind(self.chars[i]) != what && !inner && !misread {
                    break;
                }
                i += 1;
            }
            let here = self.line(start);
            let first = here != line;
            if first && let Some(t) = tokens.last_mut() {
                t.last = true;
            }
            // A divided word ends in the line after the one it starts in.
            line = self.line(i - 1);
            tokens.push(Token {
                range: start..i,
                kind: what,
                text: self.chars[start..i].iter().collect(),
                line: here,
                first,
                last: false,
                spaced: start == 0 || self.chars[start - 1] == ' ',
            });
        }
        if let Some(t) = tokens.last_mut() {
            t.last = true;
        }
        tokens
    }

    /// The line a character stands in.
    pub fn line(&self, i: usize) -> usize {
        self.at[..=i.min(self.at.len().saturating_sub(1))].iter().rev().flatten().next().map_or(0, |a| a.0)
    }

    /// How many lines the label has.
    pub fn line_count(&self) -> usize {
        self.lines.len()
    }

    /// The longest line, in characters.
    pub fn widest(&self) -> usize {
        self.lines.iter().map(|l| l.chars.len()).max().unwrap_or(0)
    }

    /// The text of a range, divided words joined.
    pub fn slice(&self, range: Range<usize>) -> &str {
        let (a, b) = (range.start.min(self.chars.len()), range.end.min(self.chars.len()));
        if a >= b { "" } else { &self.text[self.bytes[a]..self.bytes[b]] }
    }

    /// `range` without white space and stray marks at its ends.
    pub fn trim(&self, range: Range<usize>, marks: &str) -> Range<usize> {
        let (mut a, mut b) = (range.start, range.end.min(self.chars.len()));
        while a < b && (self.chars[a] == ' ' || marks.contains(self.chars[a])) {
            a += 1;
        }
        while a < b && (self.chars[b - 1] == ' ' || marks.contains(self.chars[b - 1])) {
            b -= 1;
        }
        a..b
    }

    /// Where a range stands in the reading: one span a line.
    pub fn spans(&self, range: Range<usize>) -> Vec<Span> {
        let mut spans: Vec<Span> = Vec::new();
        for (line, column) in
            self.at[range.start.min(self.at.len())..range.end.min(self.at.len())].iter().flatten()
        {
            let line = line + self.from;
            match spans.last_mut() {
                Some(s) if s.line == line => s.end = column + 1,
                _ => spans.push(Span { label: self.label, line, start: *column, end: column + 1 }),
            }
        }
        spans
    }

    /// The words of spans exactly as read, lines joined by one space.
    pub fn verbatim(&self, spans: &[Span]) -> String {
        let words = |s: &Span| {
            self.lines[s.line - self.from].chars[s.start..s.end].iter().map(|c| c.ch).collect::<String>()
        };
        spans.iter().map(words).collect::<Vec<_>>().join(" ")
    }

    /// The boxes of spans on the photograph.
    pub fn boxes(&self, spans: &[Span]) -> Vec<Quad> {
        spans.iter().map(|s| self.lines[s.line - self.from].span(s.start..s.end)).collect()
    }

    /// Mean probability that the characters of a range were read right.
    pub fn sureness(&self, range: Range<usize>) -> f32 {
        let seen: Vec<f32> = self.at[range.start.min(self.at.len())..range.end.min(self.at.len())]
            .iter()
            .flatten()
            .map(|(l, c)| self.lines[*l].chars[*c].confidence)
            .collect();
        if seen.is_empty() { 1.0 } else { seen.iter().sum::<f32>() / seen.len() as f32 }
    }

    /// The least sure character of a range, 0 to 1.
    pub fn weakest(&self, range: Range<usize>) -> f32 {
        self.at[range.start.min(self.at.len())..range.end.min(self.at.len())]
            .iter()
            .flatten()
            .map(|(l, c)| self.lines[*l].chars[*c].confidence)
            .fold(1.0, f32::min)
    }

    /// The probability of a character and what else it may be; `None` for one
    /// that is not on the label or has no alternatives.
    pub fn alternatives(&self, i: usize) -> Option<(f32, &[(char, f32)])> {
        let (l, c) = (*self.at.get(i)?)?;
        let read = &self.lines[l].chars[c];
        (!read.alternatives.is_empty()).then_some((read.confidence, &read.alternatives))
    }

    /// The letters and digits of a range with the reader's alternatives.
    pub fn glyphs(&self, range: Range<usize>) -> Vec<Glyph> {
        let mut out = Vec::new();
        for i in range {
            let Some(ch) = self.chars.get(i) else { break };
            let others: Vec<(char, f32)> = match self.at[i] {
                Some((l, c)) => self.lines[l].chars[c]
                    .alternatives
                    .iter()
                    .filter_map(|(c, p)| Some((squash(c.encode_utf8(&mut [0; 4])).chars().next()?, *p)))
                    .collect(),
                None => Vec::new(),
            };
            let mut letters = squash(ch.encode_utf8(&mut [0; 4])).chars().collect::<Vec<_>>();
            if letters.len() == 1 {
                out.push(Glyph { ch: letters.remove(0), others });
            } else {
                out.extend(letters.into_iter().map(Glyph::sure));
            }
        }
        out
    }

    /// The tokens whose characters lie in `range`.
    pub fn within(&self, range: &Range<usize>) -> Range<usize> {
        let a = self.tokens.partition_point(|t| t.range.start < range.start);
        let b = self.tokens.partition_point(|t| t.range.end <= range.end);
        a..b.max(a)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    #[test]
    fn divided_words_join_and_still_know_their_lines() {
        let reading = Reading::from_text("t", "Tarn-\ndale, 26-VIII-\n1977 “Fell”");
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        assert_eq!(flow.text, "Tarndale, 26-VIII-1977 \"Fell\"");
        let spans = flow.spans(0..8);
        assert_eq!(flow.verbatim(&spans), "Tarn dale");
        assert_eq!(spans[1], Span { label: 0, line: 1, start: 0, end: 4 });
        let all = flow.spans(0..flow.chars.len());
        assert_eq!(flow.verbatim(&all[2..]), "1977 “Fell”");
    }

    #[test]
    fn words_run_together_come_apart_but_not_surnames() {
        let reading = Reading::from_text("t", "LosMochis ArizVII-6-50 JMacSwain MacSwain McFell 15 kmS");
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        assert_eq!(flow.text, "Los Mochis Ariz VII-6-50 J MacSwain MacSwain McFell 15 km S");
        assert_eq!(flow.verbatim(&flow.spans(0..10)), "LosMochis");
    }

    #[test]
    fn tokens_part_letters_from_digits() {
        let reading = Reading::from_text("t", "8-8 59ARIZ 5000'\nO'Fell");
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        let words: Vec<&str> = flow.tokens.iter().map(|t| t.text.as_str()).collect();
        assert_eq!(words, ["8", "-", "8", "59", "ARIZ", "5000", "'", "O'Fell"]);
        assert!(flow.tokens[7].first && flow.tokens[6].last);
    }
}
