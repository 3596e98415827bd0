//! Reads lines of writing: text with the confidence and the alternatives of
//! every character, by the neural reader or by Tesseract, behind one trait.

use crate::geometry::Quad;
use crate::intake::PhotoFacts;
use crate::layout::Code;
use serde::{Deserialize, Serialize};

/// One character as read.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadChar {
    /// The character.
    pub ch: char,
    /// Probability, 0 to 1, that it is right, as far as the engine knows.
    pub confidence: f32,
    /// Other characters it may be, with their probabilities, most likely first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub alternatives: Vec<(char, f32)>,
    /// Where it starts, as a share (0 to 1) of the line's width.
    pub start: f32,
    /// Where it ends, as a share (0 to 1) of the line's width.
    pub end: f32,
}

/// One line as read. Never empty: a line in which nothing was read is dropped.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadLine {
    /// Where the line is on the photograph, in the direction of the text.
    pub quad: Quad,
    /// Its characters in reading order.
    pub chars: Vec<ReadChar>,
    /// Probability, 0 to 1, that the whole line is right.
    pub confidence: f32,
    /// Which engine and model read it, for example `neural PP-OCRv6-small`.
    pub engine: String,
    /// Probability, 0 to 1, that it is written by hand; `None` where the engine
    /// cannot tell.
    #[serde(default)]
    pub hand: Option<f32>,
}

impl ReadLine {
    /// A line of known text, every character certain, for typed-in text. It has
    /// no place on a photograph: its quad is empty.
    pub fn from_text(text: &str) -> Self {
        let count = text.chars().count().max(1) as f32;
        let chars = text
            .chars()
            .enumerate()
            .map(|(i, ch)| ReadChar {
                ch,
                confidence: 1.0,
                alternatives: Vec::new(),
                start: i as f32 / count,
                end: (i + 1) as f32 / count,
            })
            .collect();
        ReadLine {
            quad: Quad::upright(0.0, 0.0, 0.0, 0.0),
            chars,
            confidence: 1.0,
            engine: "typed".into(),
            hand: None,
        }
    }

    /// The text exactly as read.
    pub fn text(&self) -> String {
        self.chars.iter().map(|c| c.ch).collect()
    }

    /// The box of the characters `range` (counted in characters from 0).
    pub fn span(&self, range: std::ops::Range<usize>) -> Quad {
        let start = self.chars.get(range.start).map_or(0.0, |c| c.start);
        let end = range.end.checked_sub(1).and_then(|i| self.chars.get(i)).map_or(1.0, |c| c.end);
        self.quad.slice(start, end)
    }
}

/// One label as read: its lines from top to bottom.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadLabel {
    /// The area of the label's writing.
    pub quad: Quad,
    /// Its lines; never empty.
    pub lines: Vec<ReadLine>,
}

/// Everything read from one photograph. It stays with the record for ever and
/// no later step changes it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The photograph.
    pub photo: PhotoFacts,
    /// Its labels in reading order.
    pub labels: Vec<ReadLabel>,
    /// Bar codes and two-dimensional codes.
    pub codes: Vec<Code>,
}

impl Reading {
    /// The reading of typed-in text: labels separated by a blank line.
    pub fn from_text(name: &str, text: &str) -> Self {
        let mut labels = Vec::new();
        let mut lines: Vec<ReadLine> = Vec::new();
        for line in text.lines().chain([""]) {
            if line.trim().is_empty() {
                if !lines.is_empty() {
                    let quad = lines[0].quad;
                    labels.push(ReadLabel { quad, lines: std::mem::take(&mut lines) });
                }
            } else {
                lines.push(ReadLine::from_text(line));
            }
        }
        let photo = PhotoFacts { name: name.into(), ..PhotoFacts::default() };
        Reading { photo, labels, codes: Vec::new() }
    }

    /// The text as read: a line a line, labels separated by a blank line.
    pub fn text(&self) -> String {
        let label = |l: &ReadLabel| l.lines.iter().map(ReadLine::text).collect::<Vec<_>>().join("\n");
        self.labels.iter().map(label).collect::<Vec<_>>().join("\n\n")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_text_comes_back_as_it_was_typed() {
        let text = "Tarn Head\n12.vii.93\n\nleg. A. Vell";
        let reading = Reading::from_text("label.txt", text);
        assert_eq!(reading.labels.len(), 2);
        assert_eq!(reading.text(), text);
    }
}
