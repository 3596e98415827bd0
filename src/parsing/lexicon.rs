//! Word lists of `config/` made ready for looking up in a label.
//!
//! A phrase matches whatever its case, accents, points and spaces; a long word
//! also where letters that look alike were taken for one another.

use super::confuse::{self, Glyph};
use super::flow::{Flow, Kind};
use super::gazetteer::squash;
use std::collections::HashMap;

/// A list of phrases, each with a value.
#[derive(Debug)]
pub struct Lexicon<T> {
    map: HashMap<String, T>,
    longest: usize,
}

impl<T> Default for Lexicon<T> {
    fn default() -> Self {
        Lexicon { map: HashMap::new(), longest: 0 }
    }
}

/// Where a phrase stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Match<T> {
    /// Index of the first token behind it (points that belong to it included).
    pub end: usize,
    /// Its value.
    pub value: T,
    /// Cost of the misreading.
    pub cost: f32,
    /// Letters in it.
    pub letters: usize,
}

impl<T: Copy> Lexicon<T> {
    /// Adds phrases of one value.
    pub fn add<S: AsRef<str>>(&mut self, phrases: impl IntoIterator<Item = S>, value: T) {
        for phrase in phrases {
            let phrase = phrase.as_ref();
            let mut key = squash(phrase);
            if key.is_empty() {
                // A sign, such as that of a sex, is kept as it is.
                key = phrase.trim().to_owned();
            }
            self.longest = self.longest.max(key.chars().count());
            self.map.insert(key, value);
        }
    }

    /// Its phrases, folded, in no particular order.
    pub fn phrases(&self) -> impl Iterator<Item = &str> {
        self.map.keys().map(String::as_str)
    }

    /// The value of one word or phrase, exactly (folded).
    pub fn get(&self, text: &str) -> Option<T> {
        self.map.get(&squash(text)).or_else(|| self.map.get(text.trim())).copied()
    }

    /// The longest phrase that starts at token `i` and stays inside its line
    /// (or the next where it is divided). `slack` is the highest cost a letter
    /// of a long word may have on average (0 for exact).
    pub fn at(&self, flow: &Flow, i: usize, slack: f32) -> Option<Match<T>> {
        let (mut key, mut best): (String, Option<Match<T>>) = (String::new(), None);
        let mut glyphs: Vec<Glyph> = Vec::new();
        let first = flow.tokens.get(i)?;
        if first.kind == Kind::Mark {
            let value = self.map.get(&first.text)?;
            return Some(Match { end: i + 1, value: *value, cost: 0.0, letters: 1 });
        }
        for (j, token) in flow.tokens.iter().enumerate().skip(i).take(12) {
            match token.kind {
                Kind::Mark if token.is('&') && !key.is_empty() => {
                    key.push_str("and");
                    continue;
                }
                Kind::Mark if ".:/'-".contains(&token.text) => continue,
                Kind::Mark => break,
                _ => {}
            }
            if token.line > first.line {
                break;
            }
            key.push_str(&squash(&token.text));
            if key.chars().count() > self.longest + 2 {
                break;
            }
            let letters = key.chars().count();
            let mut hit = self.map.get(&key).map(|v| (*v, 0.0));
            if hit.is_none() && slack > 0.0 && letters >= 5 {
                glyphs.clear();
                glyphs.extend(flow.glyphs(first.range.start..token.range.end));
                hit = self.nearest(&glyphs, letters, slack);
            }
            if let Some((value, cost)) = hit {
                let mut end = j + 1;
                if flow.tokens.get(end).is_some_and(|t| t.is('.') && !t.spaced) {
                    end += 1;
                }
                if best.as_ref().is_none_or(|b| cost <= b.cost + 0.3) {
                    best = Some(Match { end, value, cost, letters });
                }
            }
        }
        best
    }

    /// The long phrase that `glyphs`, of that many letters, are most likely a
    /// misreading of, with its cost; `slack` as in [`Lexicon::at`].
    pub fn nearest(&self, glyphs: &[Glyph], letters: usize, slack: f32) -> Option<(T, f32)> {
        let budget = slack * letters as f32;
        self.map
            .iter()
            .filter(|(k, _)| k.chars().count().abs_diff(letters) <= 1 && k.chars().count() >= 5)
            .map(|(k, v)| (*v, confuse::word(glyphs, k)))
            .filter(|(_, cost)| *cost <= budget)
            .min_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// Whether any phrase stands in the tokens `range`.
    pub fn any(&self, flow: &Flow, range: std::ops::Range<usize>, slack: f32) -> Option<(usize, Match<T>)> {
        range.clone().find_map(|i| {
            let m = self.at(flow, i, slack)?;
            (m.end <= range.end).then_some((i, m))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    #[test]
    fn phrases_match_with_points_or_without_and_misread() {
        let mut words = Lexicon::default();
        words.add(["det by", "det", "collector"], 1);
        let reading = Reading::from_text("t", "Det.by A. Vell\nCo1lectar\nDeed");
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        let m = words.at(&flow, 0, 0.15).unwrap();
        assert_eq!(m.end, 3);
        let line = flow.tokens.iter().position(|t| t.text.starts_with("Co")).unwrap();
        let m = words.at(&flow, line, 0.15).unwrap();
        assert!(m.cost > 0.0 && m.letters == 9);
        assert!(words.at(&flow, flow.tokens.len() - 1, 0.15).is_none());
    }
}
