//! Learns one collector's hand: adapts a part of the reader to lines that a
//! person settled, and says by lines held back whether it reads better.
//!
//! All weights are learned, with small steps, from pictures of the lines worn
//! otherwise every time, and which letters the collector lets follow which, from
//! the texts. A quarter of the lines is held back;
//! what was learned is used only where it reads those with fewer wrong
//! characters, by a margin that chance would hardly give. Nothing of the reader
//! that ships is changed.

pub mod lines;
pub mod loss;
pub mod network;
pub mod training;
pub mod trunk;
pub mod wear;

pub use self::lines::Line;

use self::training::{Chance, Course, Lesson};
use crate::geometry::Quad;
use crate::reading::learned::{Learned, Shipped, Told, Weights};
use crate::reading::{NeuralReader, ReadingRules};
use crate::trouble::{Result, Trouble};
use image::RgbImage;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::Path;

/// Fewer lines than this teach nothing that could be judged.
pub const FEWEST: usize = 24;

/// More are not learned from: it would take longer than minutes.
pub const MOST: usize = 600;

/// A quarter of the lines, at least [`FEWEST_HELD`], is held back.
const HELD: f64 = 0.25;
const FEWEST_HELD: usize = 8;

/// What was learned is better where it makes this share fewer errors…
const MARGIN: f64 = 0.05;
/// …and fewer in this share of drawings of the held-back lines (bootstrap:
/// Efron 1979).
const SURE: f64 = 0.95;
const DRAWINGS: usize = 2000;

/// How the reader did on lines held back, before and after.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Lines learned from.
    pub lines: usize,
    /// Lines held back.
    pub held: usize,
    /// Their characters.
    pub characters: usize,
    /// Wrong characters in them with the reader in use.
    pub before: usize,
    /// The same with what was learned.
    pub after: usize,
    /// In which share of drawings of those lines the second is fewer.
    pub sure: f64,
}

impl Judged {
    /// Character error rate before and after.
    pub fn rates(&self) -> (f64, f64) {
        let rate = |errors: usize| errors as f64 / self.characters.max(1) as f64;
        (rate(self.before), rate(self.after))
    }

    /// Whether what was learned is better by a real margin.
    pub fn better(&self) -> bool {
        (self.after as f64) < self.before as f64 * (1.0 - MARGIN) && self.sure >= SURE
    }
}

/// What came of learning.
#[derive(Debug)]
pub struct Outcome {
    /// How it did.
    pub judged: Judged,
    /// What was learned, in use now; `None` where it was not better.
    pub kept: Option<Learned>,
    /// Lines that could not be used, and why.
    pub left_out: Vec<String>,
}

/// With what and how it is learned.
#[derive(Clone, Copy, Debug)]
pub struct School<'a> {
    /// The models folder.
    pub models: &'a Path,
    /// Where what was learned is kept: a collection folder's `reader`.
    pub folder: &'a Path,
    /// How lines are cut.
    pub rules: ReadingRules,
    /// What was learned before and is in use.
    pub current: Option<&'a Learned>,
    /// The lines that judge; none of them is learned from. Where `None`, a
    /// quarter of the lines is held back for it.
    pub judges: Option<&'a [Line]>,
    /// How long and how fast.
    pub course: Course,
    /// Today, as YYYY-MM-DD.
    pub day: &'a str,
}

/// Adapts the reader to `lines`, and keeps what was learned where it is better
/// than the reader in use. `say` is told how far it is.
///
/// # Errors
/// Where there are too few lines, the reader cannot learn, or a file fails.
pub fn learn(lines: &[Line], school: &School, say: &dyn Fn(&str)) -> Result<Outcome> {
    let School { models, folder, rules, current, judges: given, course, day } = *school;
    let file = models.join("reader").join("reader.onnx");
    let shipped = Shipped::load(&file)?;
    let reader = NeuralReader::load(models, 1, rules)?;
    if let Some(name) = trunk::missing(&shipped.weights) {
        return Err(Trouble::file(&file, format!("has no weights `{name}`: it cannot learn"))
            .hint("install the program again: the reader that ships can learn"));
    }
    let mut left_out = Vec::new();
    let known = |line: &Line, left_out: &mut Vec<String>| {
        let target = reader.classes(&folded(&line.text)).filter(|t| !t.is_empty());
        if target.is_none() {
            left_out.push(format!("“{}” holds characters that the reader does not know", line.text));
        }
        target
    };
    let judging = given.unwrap_or_default();
    let mut taken: Vec<(&Line, Vec<usize>)> = lines
        .iter()
        .filter(|l| !judging.contains(l))
        .filter_map(|l| Some((l, known(l, &mut left_out)?)))
        .collect();
    // Lines that come last are the newest.
    if taken.len() > MOST {
        left_out.push(format!("{} older lines: {MOST} are enough", taken.len() - MOST));
        taken.drain(..taken.len() - MOST);
    }
    if taken.len() < FEWEST {
        return Err(too_few(taken.len()));
    }
    let held = match given {
        Some(_) => vec![false; taken.len()],
        None => held_back(&taken.iter().map(|t| t.0.text.as_str()).collect::<Vec<_>>()),
    };
    let mut all: Vec<(&Line, Vec<usize>, bool)> =
        taken.into_iter().zip(held).map(|((line, target), held)| (line, target, held)).collect();
    for line in judging {
        all.extend(known(line, &mut left_out).map(|target| (line, target, true)));
    }
    let cutter = reader.cutter();
    let (mut judges, mut lessons, mut texts) = (Vec::new(), Vec::new(), Vec::new());
    for (line, target, held) in all {
        let (w, h) = line.picture.dimensions();
        let picture = cutter.crop(&line.picture, &Quad::upright(0.0, 0.0, w as f32, h as f32));
        let lesson = Lesson { target, picture };
        let filled = cutter.filled(&lesson.picture);
        if !training::learnable(&lesson, &filled) {
            left_out.push(format!("“{}” is longer than its picture can hold", line.text));
        } else if held {
            judges.push((lesson, filled));
        } else {
            texts.push(folded(&line.text));
            lessons.push(lesson);
        }
    }
    if judges.len() < FEWEST_HELD {
        return Err(Trouble::new(
            "lines to judge by",
            format!("{} can be used, {FEWEST_HELD} are needed", judges.len()),
        )
        .hint("give more lines to judge by, or let a quarter of the others be held back"));
    }
    if lessons.len() + judges.len() < FEWEST {
        return Err(too_few(lessons.len() + judges.len()));
    }
    let mut weights = shipped.weights.clone();
    training::train(&mut weights, &lessons, &course, &cutter, |round, loss| {
        say(&format!("round {round} of {}: loss {loss:.3} a character", course.rounds));
    });
    // As it will be used: rounded where the reader's file is.
    for (tensor, _) in weights.iter_mut().zip(&shipped.halves).filter(|p| *p.1) {
        tensor.data.iter_mut().for_each(|v| *v = half::f16::from_f32(*v).to_f32());
    }
    let was = current.map_or_else(|| shipped.weights.clone(), |l| shipped.with_learned(&l.weights));
    let errors = |weights: &Weights, own: &[String]| -> Vec<usize> {
        let habits = reader.habits(own);
        let scores: Vec<Vec<f32>> =
            judges.par_iter().map(|(_, filled)| training::scores(weights, filled)).collect();
        let wrong = |(scores, (lesson, _)): (&Vec<f32>, &(Lesson, RgbImage))| {
            strsim::generic_levenshtein(&reader.says(scores, habits.as_ref()), &lesson.target)
        };
        scores.iter().zip(&judges).map(wrong).collect()
    };
    let before = errors(&was, current.map_or(&[], |l| &l.texts));
    let after = errors(&weights, &texts);
    let judged = Judged {
        lines: lessons.len(),
        held: judges.len(),
        characters: judges.iter().map(|j| j.0.target.len()).sum(),
        before: before.iter().sum(),
        after: after.iter().sum(),
        sure: sureness(&before, &after),
    };
    let kept = if judged.better() {
        let (before, after) = judged.rates();
        let told = Told {
            base: shipped.hash.clone(),
            base_name: crate::reading::Reader::name(&reader).to_owned(),
            day: day.to_owned(),
            lines: judged.lines,
            held: judged.held,
            before,
            after,
        };
        Some(Learned::keep(folder, told, weights, texts)?)
    } else {
        None
    };
    Ok(Outcome { judged, kept, left_out })
}

fn too_few(count: usize) -> Trouble {
    Trouble::new("lines to learn from", format!("{count} are there, {FEWEST} are needed; 100 to 200 help most"))
        .hint("settle more drafts, or write lines out: `glassine learn FOLDER --sheet NEW-FOLDER` makes pictures and a list")
}

/// Signs that a hand does not tell apart, as the reader learned to write them.
fn folded(text: &str) -> String {
    use unicode_normalization::UnicodeNormalization;
    let folded = text.nfc().map(|c| match c {
        '’' | '‘' => '\'',
        '“' | '”' | '„' => '"',
        '—' | '−' => '–',
        c => c,
    });
    lines::plain(&folded.collect::<String>())
}

/// Which lines are held back: a quarter, the same ones for the same lines, and
/// lines of the same text together, so that none is judged by heart.
fn held_back(texts: &[&str]) -> Vec<bool> {
    let mut groups: BTreeMap<[u8; 32], Vec<usize>> = BTreeMap::new();
    for (i, text) in texts.iter().enumerate() {
        groups.entry(blake3::hash(text.to_lowercase().as_bytes()).into()).or_default().push(i);
    }
    let wanted = ((texts.len() as f64 * HELD) as usize).max(FEWEST_HELD);
    let mut held = vec![false; texts.len()];
    let mut count = 0;
    for group in groups.values() {
        // A text that stands on every label would fill the judges' bench.
        if count >= wanted || group.len() > wanted / 4 + 1 {
            continue;
        }
        count += group.len();
        group.iter().for_each(|i| held[*i] = true);
    }
    held
}

/// In which share of drawings, with putting back, of the lines held back the
/// second errors are fewer than the first.
fn sureness(before: &[usize], after: &[usize]) -> f64 {
    let mut chance = Chance(7);
    let count = before.len();
    let fewer = (0..DRAWINGS).filter(|_| {
        let (mut a, mut b) = (0, 0);
        for _ in 0..count {
            let i = ((chance.draw() * count as f32) as usize).min(count - 1);
            a += before[i];
            b += after[i];
        }
        b < a
    });
    fewer.count() as f64 / DRAWINGS as f64
}
