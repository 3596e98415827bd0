//! Adapts the whole reader to a collector's lines: AdamW (Loshchilov and Hutter,
//! ICLR 2019) whose decay draws the weights back to the shipped ones.

use super::loss::{ctc, fits};
use super::network::{Batch, backward, forward};
use super::trunk::Tape;
use super::wear;
use crate::reading::Cutter;
use crate::reading::learned::{NAMES, Weights};
use image::RgbImage;
use ndarray::{Array2, s};
use rayon::prelude::*;

/// One line: its text as classes, and its picture, levelled to the height that
/// the reader takes.
#[derive(Clone, Debug)]
pub struct Lesson {
    /// Class indices, none of them 0.
    pub target: Vec<usize>,
    /// The line as it is, not filled up.
    pub picture: RgbImage,
}

/// How it is learned. Chosen on a hand that the reader had not seen; see
/// the model's card.
#[derive(Clone, Copy, Debug)]
pub struct Course {
    /// How often every line is gone over.
    pub rounds: usize,
    /// The largest step of a weight; it rises over the first tenth and falls to
    /// nothing by a cosine.
    pub rate: f32,
    /// Share of the distance to the shipped weights taken back at each step,
    /// times the rate.
    pub decay: f32,
    /// Share of the LSTM's outputs dropped while learning.
    pub drop: f32,
    /// Lines a step…
    pub batch: usize,
    /// …as long as they are no wider than this together, in pixels: what the way
    /// forward keeps is about 130 KB a pixel's column, by reckoning.
    pub columns: u32,
}

impl Default for Course {
    fn default() -> Self {
        Course { rounds: 20, rate: 5e-4, decay: 0.01, drop: 0.2, batch: 8, columns: 3200 }
    }
}

/// A small, fast generator (SplitMix64, Steele, Lea and Flood, OOPSLA 2014), so
/// that the same lines give the same weights on every machine.
pub struct Chance(pub u64);

impl Chance {
    /// The next number, from 0 to under 1.
    pub fn draw(&mut self) -> f32 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 40) as f32 / (1u64 << 24) as f32
    }

    /// A number from `low` to under `high`.
    pub fn between(&mut self, low: f32, high: f32) -> f32 {
        low + self.draw() * (high - low)
    }

    /// Puts `items` into a random order.
    pub fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, (self.draw() * (i + 1) as f32) as usize);
        }
    }
}

/// Puts lines side by side, padded to the longest.
fn batch(tapes: &[Tape]) -> Batch {
    let lengths: Vec<usize> = tapes.iter().map(|t| t.columns().nrows()).collect();
    let (steps, lines) = (lengths.iter().copied().max().unwrap_or(0), lengths.len());
    let fill = |of: &dyn Fn(&Tape) -> Array2<f32>| {
        let mut all = Array2::zeros((steps * lines, of(&tapes[0]).ncols()));
        for (line, tape) in tapes.iter().enumerate() {
            all.slice_mut(s![line..;lines, ..]).slice_mut(s![..lengths[line], ..]).assign(&of(tape));
        }
        all
    };
    Batch { columns: fill(&|t| t.columns().clone()), base: fill(&|t| t.base().clone()), lengths }
}

/// The rows of line `line` among those of a batch.
fn of_line(rows: &Array2<f32>, line: usize, lines: usize, length: usize) -> Array2<f32> {
    rows.slice(s![line..;lines, ..]).slice(s![..length, ..]).to_owned()
}

/// The scores that the weights give to a levelled line whose width is filled up to
/// whole eights, a row of classes a step.
pub fn scores(weights: &Weights, picture: &RgbImage) -> Vec<f32> {
    let scores = forward(weights, &batch(&[Tape::new(weights, picture)]), None).scores;
    scores.iter().copied().collect()
}

/// How often a line is gone over as it is; else it is worn.
const AS_IT_IS: f32 = 0.15;

/// Lines by index, by like width, as many as a step takes.
fn steps_of(pictures: &[RgbImage], course: &Course, chance: &mut Chance) -> Vec<Vec<usize>> {
    // Lines of like width together: padding is computed too.
    let mut order: Vec<usize> = (0..pictures.len()).collect();
    order.sort_by_cached_key(|i| (pictures[*i].width() as f32 * chance.between(0.9, 1.1)) as usize);
    let mut steps: Vec<Vec<usize>> = Vec::new();
    let mut wide = 0;
    for i in order {
        let width = pictures[i].width();
        match steps.last_mut() {
            Some(step) if step.len() < course.batch && wide + width <= course.columns => {
                step.push(i);
                wide += width;
            }
            _ => {
                steps.push(vec![i]);
                wide = width;
            }
        }
    }
    chance.shuffle(&mut steps);
    steps
}

/// Adapts `weights` to the lessons. `cutter` is the reader's; `each` is told
/// after every round which it was and the mean loss a character.
pub fn train(
    weights: &mut Weights,
    lessons: &[Lesson],
    course: &Course,
    cutter: &Cutter,
    mut each: impl FnMut(usize, f32),
) {
    let shipped = weights.clone();
    let zeros: Vec<Vec<f32>> = weights.iter().map(|t| vec![0.0; t.data.len()]).collect();
    let (mut first, mut second) = (zeros.clone(), zeros);
    let mut chance = Chance(1);
    let mut step = 0;
    for round in 0..course.rounds {
        let seeds: Vec<u64> = lessons.iter().map(|_| (chance.draw() * 16_777_216.0) as u64).collect();
        let pictures: Vec<RgbImage> = lessons
            .par_iter()
            .zip(&seeds)
            .map(|(lesson, seed)| {
                let mut chance = Chance(*seed);
                let worn = chance.draw() >= AS_IT_IS;
                let picture = worn.then(|| cutter.filled(&wear::worn(&lesson.picture, &mut chance)));
                // Worn too narrow, its text does not fit any more.
                picture
                    .filter(|p| fits(&lesson.target, p.width() as usize / COLUMN))
                    .unwrap_or_else(|| cutter.filled(&lesson.picture))
            })
            .collect();
        let batches = steps_of(&pictures, course, &mut chance);
        let (mut lost, mut characters) = (0.0, 0usize);
        for (nth, turns) in batches.iter().enumerate() {
            let tapes: Vec<Tape> = turns.par_iter().map(|i| Tape::new(weights, &pictures[*i])).collect();
            let batch = batch(&tapes);
            let mut drop = || if chance.draw() < course.drop { 0.0 } else { 1.0 / (1.0 - course.drop) };
            let passed = forward(weights, &batch, Some(&mut drop));
            let mut scores = Array2::<f32>::zeros(passed.scores.raw_dim());
            let (lines, classes) = (turns.len(), passed.scores.ncols());
            for (line, i) in turns.iter().enumerate() {
                let target = &lessons[*i].target;
                let said = of_line(&passed.scores, line, lines, batch.lengths[line]);
                let said = said.as_slice().expect("rows lie in one piece");
                let Some((loss, grad)) = ctc(said, classes, target) else { continue };
                lost += loss;
                characters += target.len();
                let share = 1.0 / (lines * target.len().max(1)) as f32;
                for (step, row) in grad.chunks_exact(classes).enumerate() {
                    let mut out = scores.row_mut(step * lines + line);
                    out.iter_mut().zip(row).for_each(|(o, g)| *o = g * share);
                }
            }
            let (mut gradient, columns) = backward(weights, &batch, &passed, &scores);
            for part in before_the_lstm(&tapes, weights, &columns, &scores, &batch.lengths) {
                for (tensor, part) in gradient.iter_mut().zip(&part) {
                    tensor.data.iter_mut().zip(part).for_each(|(g, p)| *g += p);
                }
            }
            std::mem::drop(tapes);
            step += 1;
            let done = (round as f32 + (nth + 1) as f32 / batches.len() as f32) / course.rounds as f32;
            let rate =
                course.rate * (done * 10.0).min(1.0) * 0.5 * (1.0 + (std::f32::consts::PI * done).cos());
            clip(&mut gradient, 1.0);
            adam(weights, &gradient, &shipped, (&mut first, &mut second), step, rate, course.decay);
        }
        each(round + 1, lost / characters.max(1) as f32);
    }
}

/// Pixels of a levelled line's width for one step of the network.
const COLUMN: usize = 4;

/// The gradients of what stands before the LSTM, in a few parts to be added; of
/// the LSTM's own tensors they hold nothing.
fn before_the_lstm(
    tapes: &[Tape],
    weights: &Weights,
    columns: &Array2<f32>,
    scores: &Array2<f32>,
    lengths: &[usize],
) -> Vec<Vec<Vec<f32>>> {
    let lines = tapes.len();
    let each = lines.div_ceil(rayon::current_num_threads());
    let part = |nth: usize| {
        let of = |(k, tensor): (usize, &crate::reading::learned::Tensor)| {
            vec![0.0; if k < NAMES.len() { 0 } else { tensor.data.len() }]
        };
        let mut gradient: Vec<Vec<f32>> = weights.iter().enumerate().map(of).collect();
        for line in nth * each..((nth + 1) * each).min(lines) {
            let columns = of_line(columns, line, lines, lengths[line]);
            tapes[line].back(columns, of_line(scores, line, lines, lengths[line]), &mut gradient);
        }
        gradient
    };
    (0..lines.div_ceil(each)).into_par_iter().map(part).collect()
}

/// Shortens the gradient to length `most`, where it is longer.
fn clip(gradient: &mut Weights, most: f32) {
    let square: f64 = gradient.iter().flat_map(|t| &t.data).map(|g| f64::from(g * g)).sum();
    let length = square.sqrt() as f32;
    if length > most {
        gradient.iter_mut().flat_map(|t| &mut t.data).for_each(|g| *g *= most / length);
    }
}

/// One step of AdamW with its usual constants.
fn adam(
    weights: &mut Weights,
    gradient: &Weights,
    shipped: &Weights,
    (first, second): (&mut [Vec<f32>], &mut [Vec<f32>]),
    step: usize,
    rate: f32,
    decay: f32,
) {
    let (b1, b2): (f32, f32) = (0.9, 0.999);
    let (c1, c2) = (1.0 - b1.powi(step as i32), 1.0 - b2.powi(step as i32));
    for (t, tensor) in weights.iter_mut().enumerate() {
        let rows = tensor.data.iter_mut().zip(&gradient[t].data).zip(&shipped[t].data);
        for (((w, g), w0), (m, v)) in rows.zip(first[t].iter_mut().zip(&mut second[t])) {
            *m = b1 * *m + (1.0 - b1) * g;
            *v = b2 * *v + (1.0 - b2) * g * g;
            *w -= rate * ((*m / c1) / ((*v / c2).sqrt() + 1e-8) + decay * (*w - w0));
        }
    }
}

/// Whether a lesson can be learned: its text fits into the steps of its picture,
/// `filled` up.
pub fn learnable(lesson: &Lesson, filled: &RgbImage) -> bool {
    !lesson.target.is_empty() && fits(&lesson.target, filled.width() as usize / COLUMN)
}
