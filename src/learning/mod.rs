//! Learns one collector's hand: adapts a part of the reader to lines that a
//! person settled, and says by lines held back whether it reads better.
//!
//! The convolutions and the head stay as shipped. What is learned are the two
//! LSTM layers beside the head with the linear layers around them, from pictures
//! of the lines and versions worn a little, and which letters the collector lets
//! follow which, from the texts. A quarter of the lines is held back;
//! what was learned is used only where it reads those with fewer wrong
//! characters, by a margin that chance would hardly give. Nothing of the reader
//! that ships is changed.

pub mod lines;
pub mod loss;
pub mod network;
pub mod training;
pub mod wear;

pub use self::lines::Line;

use self::training::{Chance, Course, Lesson, Seen};
use crate::geometry::Quad;
use crate::reading::learned::{Learned, Shipped, Told, Weights};
use crate::reading::{NeuralReader, ReadingRules};
use crate::trouble::{Result, Trouble};
use image::RgbImage;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;

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
    let School { models, folder, rules, current, course, day } = *school;
    let file = models.join("reader").join("reader.onnx");
    let shipped = Shipped::load(&file)?;
    let reader = NeuralReader::load(models, 1, rules)?;
    if !reader.can_learn() {
        return Err(Trouble::file(&file, "gives no `columns` and `base`: it cannot learn")
            .hint("install the program again: the reader that ships can learn"));
    }
    let (mut taken, mut left_out) = (Vec::new(), Vec::new());
    for line in lines {
        match reader.classes(&folded(&line.text)) {
            Some(target) if !target.is_empty() => taken.push((line, target)),
            _ => left_out.push(format!("“{}” holds characters that the reader does not know", line.text)),
        }
    }
    // Lines that come last are the newest.
    if taken.len() > MOST {
        left_out.push(format!("{} older lines: {MOST} are enough", taken.len() - MOST));
        taken.drain(..taken.len() - MOST);
    }
    if taken.len() < FEWEST {
        return Err(too_few(taken.len()));
    }
    let held = held_back(&taken.iter().map(|t| t.0.text.as_str()).collect::<Vec<_>>());
    let versions = (1200 / taken.len()).clamp(2, 6);
    say(&format!("looking at {} lines, {versions} times each", taken.len()));
    let mut lessons = looked_at(models, rules, &taken, &held, versions)?;
    let mut pairs: Vec<(Lesson, bool)> = Vec::new();
    let mut texts = Vec::new();
    for ((lesson, held), (line, _)) in lessons.drain(..).zip(held).zip(&taken) {
        if training::learnable(&lesson) {
            if !held {
                texts.push(folded(&line.text));
            }
            pairs.push((lesson, held));
        } else {
            left_out.push(format!("“{}” is longer than its picture can hold", line.text));
        }
    }
    let (judges, lessons): (Vec<_>, Vec<_>) = pairs.into_iter().partition(|p| p.1);
    let lessons: Vec<Lesson> = lessons.into_iter().map(|p| p.0).collect();
    if lessons.len() + judges.len() < FEWEST {
        return Err(too_few(lessons.len() + judges.len()));
    }
    let mut weights = shipped.weights.clone();
    training::train(&mut weights, &lessons, &course, |round, loss| {
        say(&format!("round {round} of {}: loss {loss:.3} a character", course.rounds));
    });
    // As it will be used: rounded where the reader's file is.
    for (tensor, _) in weights.iter_mut().zip(&shipped.halves).filter(|p| *p.1) {
        tensor.data.iter_mut().for_each(|v| *v = half::f16::from_f32(*v).to_f32());
    }
    let was = current.map_or(&shipped.weights, |l| &l.weights);
    let errors = |weights: &Weights, own: &[String]| -> Vec<usize> {
        let habits = reader.habits(own);
        let wrong = |(lesson, _): &(Lesson, bool)| {
            let read = reader.says(&training::scores(weights, &lesson.seen[0]), habits.as_ref());
            strsim::generic_levenshtein(&read, &lesson.target)
        };
        judges.iter().map(wrong).collect()
    };
    let before = errors(was, current.map_or(&[], |l| &l.texts));
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

/// What the unchanging part of the reader says of every line and of its worn
/// versions; those held back are looked at as they are.
fn looked_at(
    models: &Path,
    rules: ReadingRules,
    taken: &[(&Line, Vec<usize>)],
    held: &[bool],
    versions: usize,
) -> Result<Vec<Lesson>> {
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(taken.len());
    let next = std::sync::atomic::AtomicUsize::new(0);
    let lessons: Mutex<Vec<Option<Lesson>>> = Mutex::new(vec![None; taken.len()]);
    let work = || -> Result<()> {
        let mut reader = NeuralReader::load(models, 1, rules)?;
        loop {
            let i = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            let Some((line, target)) = taken.get(i) else { return Ok(()) };
            let (w, h) = line.picture.dimensions();
            let flat = reader.crop(&line.picture, &Quad::upright(0.0, 0.0, w as f32, h as f32));
            let mut chance = Chance(i as u64);
            let mut seen = Vec::new();
            for version in 0..if held[i] { 1 } else { versions } {
                let picture: RgbImage =
                    if version == 0 { flat.clone() } else { wear::worn(&flat, &mut chance) };
                let [columns, base] = reader.look(&picture)?;
                seen.push(Seen { columns, base });
            }
            let lesson = Lesson { target: target.clone(), seen };
            lessons.lock().unwrap_or_else(std::sync::PoisonError::into_inner)[i] = Some(lesson);
        }
    };
    std::thread::scope(|scope| {
        let handles: Vec<_> = (0..workers).map(|_| scope.spawn(work)).collect();
        handles
            .into_iter()
            .try_for_each(|h| h.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)))
    })?;
    let lessons = lessons.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    Ok(lessons.into_iter().flatten().collect())
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
