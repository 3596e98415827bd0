//! Reads lines of writing: text with the confidence and the alternatives of
//! every character, by the neural reader or by Tesseract, behind one trait.

pub mod beam;
pub mod ctc;
pub mod grams;
pub mod learned;
mod neural;
mod prose;
mod struck;
mod tesseract;
pub mod words;

pub use self::neural::{Cutter, NeuralReader, of_our_trade};
pub use self::prose::ProseRules;
pub use self::tesseract::TesseractReader;

use self::words::Words;
use crate::geometry::{Point, Quad};
use crate::intake::PhotoFacts;
use crate::layout::{Code, Label, Page};
use crate::settings;
use crate::trouble::Result;
use image::RgbImage;
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::Arc;

/// The numbers of `config/reading.toml`; the file says what each does.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct ReadingRules {
    pub line_height: u32,
    pub widest_line: u32,
    pub narrowest_line: u32,
    pub turn_below: f32,
    pub turn_gain: f32,
    pub drop_below: f32,
    pub longer_sure: f32,
    pub glimpse_sure: f32,
    pub struck_from: f32,
    pub alternatives: usize,
    pub alternative_from: f32,
    pub beam: beam::BeamRules,
    pub prose: prose::ProseRules,
}

impl ReadingRules {
    /// The built-in rules, overlaid by `folder/reading.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, or the value that is out of its range.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: Self = settings::table("reading.toml", include_str!("../../config/reading.toml"), folder)?;
        let ranges = settings::Ranges::of("reading.toml", folder);
        let whole = |key: &str, value: usize, range| ranges.hold(key, value, range);
        let number = |key: &str, value: f32, range| ranges.hold(key, value, range);
        whole("line_height", rules.line_height as usize, 16..=128)?;
        whole("widest_line", rules.widest_line as usize, 640..=4000)?;
        whole("narrowest_line", rules.narrowest_line as usize, 16..=320)?;
        whole("alternatives", rules.alternatives, 0..=10)?;
        number("alternative_from", rules.alternative_from, 0.001..=0.1)?;
        number("turn_below", rules.turn_below, 0.5..=0.95)?;
        number("turn_gain", rules.turn_gain, 0.02..=0.3)?;
        number("drop_below", rules.drop_below, 0.1..=0.6)?;
        number("struck_from", rules.struck_from, 1.8..=10.0)?;
        number("longer_sure", rules.longer_sure, 0.2..=0.9)?;
        number("glimpse_sure", rules.glimpse_sure, 0.1..=0.5)?;
        whole("beam.width", rules.beam.width, 4..=32)?;
        number("beam.from", rules.beam.from, 0.0002..=0.01)?;
        number("beam.weight", rules.beam.weight, 0.0..=0.4)?;
        number("beam.bonus", rules.beam.bonus, 0.0..=0.6)?;
        whole("prose.words_from", rules.prose.words_from, 8..=40)?;
        number("prose.share", rules.prose.share, 0.05..=0.2)?;
        number("prose.sure", rules.prose.sure, 0.9..=1.0)?;
        number("prose.narrower", rules.prose.narrower, 0.5..=0.9)?;
        whole("prose.beam.width", rules.prose.beam.width, 16..=128)?;
        number("prose.beam.from", rules.prose.beam.from, 0.0002..=0.01)?;
        number("prose.beam.weight", rules.prose.beam.weight, 0.3..=1.0)?;
        number("prose.beam.bonus", rules.prose.beam.bonus, 0.5..=3.0)?;
        for (key, beam) in [("beam", &rules.beam), ("prose.beam", &rules.prose.beam)] {
            number(&format!("{key}.figure_weight"), beam.figure_weight, 0.0..=0.4)?;
            number(&format!("{key}.figure_bonus"), beam.figure_bonus, 0.0..=0.6)?;
        }
        Ok(rules)
    }

    /// The built-in rules.
    pub fn built_in() -> Self {
        Self::load(None).expect("the built-in table fits")
    }
}

/// A photograph before a reader, with what the reader saw of its lines, which a
/// second reading need not look at again.
pub struct View<'a> {
    /// The cleaned picture.
    pub picture: &'a RgbImage,
    looks: Vec<neural::Look>,
}

impl<'a> View<'a> {
    /// A picture of which nothing was seen yet.
    pub fn new(picture: &'a RgbImage) -> Self {
        View { picture, looks: Vec::new() }
    }

    /// Forgets what was seen since `from` looks had been taken, but for the lines
    /// of `kept`.
    fn forget(&mut self, from: usize, kept: impl Fn(&Quad) -> bool) {
        let newer = self.looks.split_off(from);
        self.looks.extend(newer.into_iter().filter(|look| kept(&look.quad)));
    }
}

/// An engine that reads lines.
pub trait Reader {
    /// Reads the lines of a photograph that stand at `lines`, one answer a line and
    /// in their order; `None` where nothing is written.
    ///
    /// # Errors
    /// Where the engine fails, not where it reads badly.
    fn read(&mut self, view: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>>;

    /// The English words that the engine knows for running writing; `None` where it knows none.
    ///
    /// # Errors
    /// Where the table of words is missing or damaged.
    fn words(&mut self) -> Result<Option<Arc<Words>>> {
        Ok(None)
    }

    /// As [`Reader::read`], for lines of running writing in English: with more time, and with the
    /// words it knows.
    ///
    /// # Errors
    /// As [`Reader::read`] and [`Reader::words`].
    fn read_prose(&mut self, view: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
        self.read(view, lines)
    }

    /// The engine's name and model.
    fn name(&self) -> &str;

    /// Whether the engine can produce `ch` at all.
    fn has(&self, ch: char) -> bool;
}

/// The characters beyond the letters that fields of ours need and `reader`
/// cannot produce; a person must put them in.
pub fn lacking(reader: &dyn Reader) -> Vec<char> {
    "°'\"♂♀☿×±½¼µ&#éèüöäñç".chars().filter(|c| !reader.has(*c)).collect()
}

/// Reads every line of a photograph. A label that reads badly is read upside
/// down too, and turned where that is better; running writing in English is read
/// once more with the words of that language.
///
/// # Errors
/// Where the engine fails.
pub fn read(
    facts: &PhotoFacts,
    picture: &RgbImage,
    page: &Page,
    reader: &mut dyn Reader,
    rules: &ReadingRules,
) -> Result<Reading> {
    let mut labels = Vec::new();
    let mut view = View::new(picture);
    for label in &page.labels {
        let before = view.looks.len();
        let lines = read_label(&mut view, label, reader, rules)?;
        // Only lines by hand are ever read twice.
        view.forget(before, |quad| lines.iter().any(|(line, _)| line.quad == *quad && line.is_by_hand()));
        if let Some(quad) = lines.first().map(|l| if l.1 { label.quad.turned() } else { label.quad }) {
            labels.push(ReadLabel { quad, lines: lines.into_iter().map(|l| l.0).collect() });
        }
    }
    prose::read_again(&mut view, &mut labels, reader, &rules.prose)?;
    for line in labels.iter_mut().flat_map(|l: &mut ReadLabel| &mut l.lines) {
        line.struck = struck::struck(picture, &line.quad, rules);
    }
    Ok(Reading { photo: facts.clone(), labels, codes: page.codes.clone() })
}

/// The lines of one label, each with whether the label was turned.
fn read_label(
    view: &mut View,
    label: &Label,
    reader: &mut dyn Reader,
    rules: &ReadingRules,
) -> Result<Vec<(ReadLine, bool)>> {
    let mut upright = reader.read(view, &label.lines)?;
    for (i, longer) in &label.longer {
        if goes_on(view, &label.lines[*i], longer, reader, rules)?
            && let Some(line) = reader.read(view, std::slice::from_ref(longer))?.remove(0)
            && says_more(&line, upright[*i].as_ref(), rules)
        {
            upright[*i] = Some(line);
        }
    }
    tell_hands(upright.iter_mut(), &label.hand);
    if !label.signs.is_empty() {
        let quads: Vec<Quad> = label.signs.iter().map(|s| s.1).collect();
        // From the last on, so that the earlier lines keep their index.
        for ((i, _), sign) in label.signs.iter().zip(reader.read(view, &quads)?).rev() {
            match (&mut upright[*i], sign) {
                (Some(line), Some(sign)) if sign.chars.len() <= 2 => line.append(&sign),
                (_, sign) => upright.insert(i + 1, sign),
            }
        }
    }
    let mut best = (upright, false);
    let sure = sureness(&best.0);
    if sure < rules.turn_below && !label.surely_upright {
        let signs = label.signs.iter().map(|s| &s.1);
        let turned: Vec<Quad> = label.lines.iter().chain(signs).rev().map(Quad::turned).collect();
        // The longest lines tell the direction as well as all of them.
        let mut longest = turned.clone();
        longest.sort_by(|a, b| b.width().total_cmp(&a.width()));
        longest.truncate(3);
        let trial = reader.read(view, &longest)?;
        if sureness(&trial) > sure + rules.turn_gain {
            let mut lines = reader.read(view, &turned)?;
            tell_hands(lines.iter_mut().rev(), &label.hand);
            best = (lines, true);
        }
    }
    let (lines, turned) = best;
    Ok(lines
        .into_iter()
        .flatten()
        .filter(|l| l.confidence >= rules.drop_below)
        .map(|l| (l, turned))
        .collect())
}

/// Gives lines as read what the finder said of them: whether they are by hand.
fn tell_hands<'a>(lines: impl Iterator<Item = &'a mut Option<ReadLine>>, hand: &[f32]) {
    for (line, hand) in lines.zip(hand) {
        if let Some(line) = line {
            line.hand = Some(*hand);
        }
    }
}

/// Whether the ink between the ends of `line` and those of `longer` shows a
/// character by itself. Edges, folds and pins, most of what is offered, are told
/// with less work from a look at the ends than by reading the whole line again.
fn goes_on(
    view: &mut View,
    line: &Quad,
    longer: &Quad,
    reader: &mut dyn Reader,
    rules: &ReadingRules,
) -> Result<bool> {
    let whole = longer.width().max(1.0);
    // As much of the line is seen with it as a letter or two are wide.
    let known = line.height().min(line.width());
    let left = longer.0[0].distance(line.0[0]);
    let right = longer.0[1].distance(line.0[1]);
    let ends = [
        (left, longer.slice(0.0, (left + known) / whole), 0.0..left / (left + known)),
        (right, longer.slice(1.0 - (right + known) / whole, 1.0), known / (right + known)..1.0),
    ];
    for (beyond, end, new) in ends {
        if beyond < 1.0 {
            continue;
        }
        let seen = reader.read(view, &[end])?.remove(0);
        let shows = |c: &ReadChar| {
            counted(c.ch) && c.confidence >= rules.glimpse_sure && new.contains(&((c.start + c.end) / 2.0))
        };
        if seen.is_some_and(|seen| seen.chars.iter().any(shows)) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether a character is one that a longer line must bring: no comma or dash.
fn counted(c: char) -> bool {
    c.is_alphanumeric() || "♂♀☿".contains(c)
}

/// Whether the longer cut of a line reads better than the line: it has more
/// characters, those are sure enough, and the others did not suffer.
fn says_more(longer: &ReadLine, line: Option<&ReadLine>, rules: &ReadingRules) -> bool {
    let Some(line) = line else { return longer.confidence >= rules.longer_sure };
    let signs = |l: &ReadLine| l.chars.iter().filter(|c| counted(c.ch)).count();
    let (more, fewer) = (signs(longer), signs(line));
    if more <= fewer {
        return false;
    }
    let sum = |l: &ReadLine| l.chars.iter().map(|c| c.confidence).sum::<f32>();
    let added = longer.chars.len().saturating_sub(line.chars.len()).max(1) as f32;
    // What the new characters bring, what the old ones lost taken off.
    (sum(longer) - sum(line)) / added >= rules.longer_sure
}

/// Mean confidence over the characters of some lines, 0 for none.
fn sureness(lines: &[Option<ReadLine>]) -> f32 {
    let chars = lines.iter().flatten().flat_map(|l| &l.chars);
    let (sum, count) = chars.fold((0.0, 0u32), |(s, n), c| (s + c.confidence, n + 1));
    if count == 0 { 0.0 } else { sum / count as f32 }
}

/// Cuts the line at `quad` out of `picture` and levels it to `height` pixels.
pub fn level(picture: &RgbImage, quad: &Quad, height: u32) -> RgbImage {
    let width = (quad.width() * height as f32 / quad.height().max(1.0)).round().clamp(1.0, 8000.0) as u32;
    neural::sample(picture, quad, width, height)
}

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
    /// Probability, 0 to 1, that it is written by hand; `None` where nothing
    /// told.
    #[serde(default)]
    pub hand: Option<f32>,
    /// What a pen crossed out: from where to where, as shares (0 to 1) of the
    /// line's width. The characters are kept as read.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub struck: Vec<(f32, f32)>,
}

/// What a line of known text has for its engine; who typed it and when may
/// follow.
const TYPED: &str = "typed";

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
            engine: TYPED.into(),
            hand: None,
            struck: Vec::new(),
        }
    }

    /// A line of the characters read at `quad`; `None` where there are none.
    /// Spaces at either end are dropped.
    pub fn from_chars(quad: Quad, mut chars: Vec<ReadChar>, engine: &str) -> Option<Self> {
        while chars.last().is_some_and(|c| c.ch.is_whitespace()) {
            chars.pop();
        }
        let blank = chars.iter().take_while(|c| c.ch.is_whitespace()).count();
        chars.drain(..blank);
        if chars.is_empty() {
            return None;
        }
        let confidence = chars.iter().map(|c| c.confidence).sum::<f32>() / chars.len() as f32;
        Some(ReadLine { quad, chars, confidence, engine: engine.into(), hand: None, struck: Vec::new() })
    }

    /// Puts a piece that stands to the right of the line at its end, behind a
    /// space.
    fn append(&mut self, piece: &ReadLine) {
        let [a, b, _, d] = self.quad.0;
        let width = a.distance(b).max(1.0);
        let along = |p: Point| ((p.x - a.x) * (b.x - a.x) + (p.y - a.y) * (b.y - a.y)) / (width * width);
        let (from, to) = (along(piece.quad.0[0]), along(piece.quad.0[1]).max(1.0));
        // The line's own quad grows to hold both; shares of its width shrink.
        self.quad = Quad([a, a.towards(b, to), d.towards(self.quad.0[2], to), d]);
        for c in &mut self.chars {
            (c.start, c.end) = (c.start / to, c.end / to);
        }
        let end = self.chars.last().map_or(0.0, |c| c.end);
        let start = (from / to).clamp(end, 1.0);
        self.chars.push(ReadChar {
            ch: ' ',
            confidence: 1.0,
            alternatives: Vec::new(),
            start: end,
            end: start,
        });
        let place = |x: f32| start + x * (1.0 - start);
        self.chars.extend(piece.chars.iter().map(|c| ReadChar {
            start: place(c.start),
            end: place(c.end),
            ..c.clone()
        }));
        let sum: f32 = self.chars.iter().map(|c| c.confidence).sum();
        self.confidence = sum / self.chars.len() as f32;
    }

    /// Whether it is rather written by hand than printed.
    fn is_by_hand(&self) -> bool {
        self.hand.is_some_and(|hand| hand >= 0.5)
    }

    /// Whether a person typed the line, and no engine read it.
    pub fn is_typed(&self) -> bool {
        self.engine == TYPED || self.typed_by().is_some()
    }

    /// Who typed the line and when (RFC 3339, UTC), where that was kept.
    pub fn typed_by(&self) -> Option<(&str, &str)> {
        self.engine.strip_prefix(TYPED)?.strip_prefix(" by ")?.rsplit_once(" at ")
    }

    /// The text exactly as read.
    pub fn text(&self) -> String {
        self.chars.iter().map(|c| c.ch).collect()
    }

    /// Whether character `i` is crossed out.
    pub fn is_struck(&self, i: usize) -> bool {
        let middle = self.chars.get(i).map(|c| (c.start + c.end) / 2.0);
        middle.is_some_and(|m| self.struck.iter().any(|(a, b)| (*a..=*b).contains(&m)))
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

    /// What `who` typed in at `at`, as [`Reading::from_text`] has it: every line
    /// says so, so that it is never taken for what an engine read.
    pub fn typed(name: &str, text: &str, who: &str, at: jiff::Timestamp) -> Self {
        let mut reading = Self::from_text(name, text);
        let at = at.round(jiff::Unit::Second).unwrap_or(at);
        for line in reading.labels.iter_mut().flat_map(|l| &mut l.lines) {
            line.engine = format!("{TYPED} by {} at {at}", who.trim());
        }
        reading
    }

    /// The text as read: a line a line, labels separated by a blank line.
    pub fn text(&self) -> String {
        text(self.labels.iter().map(|label| label.lines.iter().map(ReadLine::text)))
    }

    /// The [`text`](Self::text) of a reading kept as JSON. The rest, which is a
    /// hundred times as long, is passed over.
    ///
    /// # Errors
    /// Where `json` is no reading.
    pub fn text_of(json: &str) -> serde_json::Result<String> {
        #[derive(Deserialize)]
        struct Kept {
            labels: Vec<KeptLabel>,
        }
        #[derive(Deserialize)]
        struct KeptLabel {
            lines: Vec<KeptLine>,
        }
        #[derive(Deserialize)]
        struct KeptLine {
            chars: Vec<KeptChar>,
        }
        #[derive(Deserialize)]
        struct KeptChar {
            ch: char,
        }
        let kept: Kept = serde_json::from_str(json)?;
        let line = |line: &KeptLine| line.chars.iter().map(|c| c.ch).collect();
        Ok(text(kept.labels.iter().map(|label| label.lines.iter().map(line))))
    }
}

/// The lines of labels, labels separated by a blank line.
fn text(labels: impl Iterator<Item = impl Iterator<Item = String>>) -> String {
    labels.map(|lines| lines.collect::<Vec<_>>().join("\n")).collect::<Vec<_>>().join("\n\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_text_of_a_kept_reading_is_that_of_the_reading() {
        let reading = Reading::from_text("typed", "Tarn Head ♀\n12.vii.1993\n\nleg. \"A. Vell\"");
        let kept = serde_json::to_string(&reading).unwrap();
        assert_eq!(Reading::text_of(&kept).unwrap(), reading.text());
        assert!(Reading::text_of("{}").is_err());
    }

    #[test]
    fn a_sign_behind_a_line_is_put_at_its_end_and_keeps_its_place() {
        let chars = |text: &str| ReadLine::from_text(text).chars;
        let mut line =
            ReadLine::from_chars(Quad::upright(100.0, 50.0, 200.0, 70.0), chars("Noctua"), "t").unwrap();
        let sign = ReadLine::from_chars(Quad::upright(240.0, 45.0, 260.0, 75.0), chars("♀"), "t").unwrap();
        line.append(&sign);
        assert_eq!(line.text(), "Noctua ♀");
        let (l, _, r, _) = line.span(7..8).bounds();
        assert!((l - 240.0).abs() < 0.5 && (r - 260.0).abs() < 0.5, "{l} {r}");
        let (l, _, r, _) = line.span(0..6).bounds();
        assert!((l - 100.0).abs() < 0.5 && (r - 200.0).abs() < 0.5, "{l} {r}");
    }

    #[test]
    fn a_number_out_of_its_range_or_a_key_unknown_is_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let refused = |own: &str| {
            std::fs::write(folder.path().join("reading.toml"), own).unwrap();
            ReadingRules::load(Some(folder.path())).unwrap_err().to_string()
        };
        let said = refused("widest_line = 0\n");
        assert!(said.contains("widest_line is 0") && said.contains("from 640 to 4000"), "{said}");
        let said = refused("[prose.beam]\nweight = 7.0\n");
        assert!(said.contains("prose.beam.weight is 7") && said.contains("from 0.3 to 1"), "{said}");
        assert!(refused("widest = 3200\n").contains("reading.toml"));
    }

    #[test]
    fn typed_text_comes_back_as_it_was_typed() {
        let text = "Tarn Head\n12.vii.93\n\nleg. A. Vell";
        let reading = Reading::from_text("label.txt", text);
        assert_eq!(reading.labels.len(), 2);
        assert_eq!(reading.text(), text);
    }

    #[test]
    fn typed_lines_say_who_typed_them_and_are_never_an_engines() {
        let at = "2026-03-14T09:26:53.5Z".parse().unwrap();
        let reading = Reading::typed("typed", "Tarn Head\n12.vii.93", " M. Orrin at Mere End ", at);
        for line in &reading.labels[0].lines {
            assert_eq!(line.typed_by(), Some(("M. Orrin at Mere End", "2026-03-14T09:26:54Z")));
            assert!(line.is_typed() && line.confidence == 1.0);
            assert!(line.chars.iter().all(|c| c.confidence == 1.0 && c.alternatives.is_empty()));
        }
        let mut read = ReadLine::from_text("Tarn Head");
        assert!(read.is_typed() && read.typed_by().is_none());
        read.engine = "neural typed-by-machine 1".into();
        assert!(!read.is_typed());
    }

    /// A reader that sees one letter for every 20 pixels of ink it is told of, and
    /// remembers how wide the lines were that it was given.
    struct Letters {
        ink: std::ops::Range<f32>,
        widths: Vec<u32>,
    }

    impl Reader for Letters {
        fn read(&mut self, _: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
            self.widths.extend(lines.iter().map(|q| q.width().round() as u32));
            let read = |quad: &Quad| {
                let (l, _, r, _) = quad.bounds();
                let mut chars = ReadLine::from_text("Tarn Head above the weir").chars;
                chars.retain(|c| c.ch != ' ');
                let first = (self.ink.start.max(l) / 20.0).ceil() as usize;
                let last = (self.ink.end.min(r) / 20.0).floor() as usize;
                chars.truncate(last.saturating_sub(first));
                for (k, c) in chars.iter_mut().enumerate() {
                    c.start = ((first + k) as f32 * 20.0 - l) / (r - l);
                    c.end = c.start + 20.0 / (r - l);
                }
                ReadLine::from_chars(*quad, chars, "letters")
            };
            Ok(lines.iter().map(read).collect())
        }

        fn name(&self) -> &str {
            "letters"
        }

        fn has(&self, _: char) -> bool {
            true
        }
    }

    #[test]
    fn a_longer_line_is_read_whole_only_where_its_ends_show_a_character() {
        let label = Label {
            quad: Quad::upright(100.0, 0.0, 300.0, 20.0),
            lines: vec![Quad::upright(100.0, 0.0, 300.0, 20.0)],
            hand: vec![0.0],
            surely_upright: true,
            longer: vec![(0, Quad::upright(40.0, 0.0, 300.0, 20.0))],
            signs: Vec::new(),
        };
        let read = |ink| {
            let mut reader = Letters { ink, widths: Vec::new() };
            let picture = RgbImage::new(400, 20);
            let lines =
                read_label(&mut View::new(&picture), &label, &mut reader, &ReadingRules::built_in()).unwrap();
            (lines[0].0.chars.len(), reader.widths)
        };
        // Nothing but an edge beyond the line: its end of 60 and a letter's width is all.
        assert_eq!(read(100.0..300.0), (10, vec![200, 80]));
        // A day written before it.
        assert_eq!(read(60.0..300.0), (12, vec![200, 80, 260]));
    }
}
