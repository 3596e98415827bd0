//! Adapts the learnable part to a collector's lines: AdamW (Loshchilov and
//! Hutter, ICLR 2019) whose decay draws the weights back to the shipped ones.

use super::loss::{ctc, fits};
use super::network::{Batch, backward, forward};
use crate::reading::learned::Weights;
use ndarray::{Array2, s};

/// What the trunk and the head say of one picture of a line.
#[derive(Clone, Debug)]
pub struct Seen {
    /// Steps x features.
    pub columns: Array2<f32>,
    /// Steps x classes.
    pub base: Array2<f32>,
}

/// One line: its text as classes, and pictures of it, the first as it is.
#[derive(Clone, Debug)]
pub struct Lesson {
    /// Class indices, none of them 0.
    pub target: Vec<usize>,
    /// At least one.
    pub seen: Vec<Seen>,
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
    /// Lines a step.
    pub batch: usize,
}

impl Default for Course {
    fn default() -> Self {
        Course { rounds: 8, rate: 2e-3, decay: 0.01, drop: 0.2, batch: 8 }
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
fn batch(seen: &[&Seen]) -> Batch {
    let lengths: Vec<usize> = seen.iter().map(|s| s.columns.nrows()).collect();
    let (steps, lines) = (lengths.iter().copied().max().unwrap_or(0), lengths.len());
    let fill = |of: &dyn Fn(&Seen) -> &Array2<f32>| {
        let mut all = Array2::zeros((steps * lines, of(seen[0]).ncols()));
        for (line, seen) in seen.iter().enumerate() {
            let rows = of(seen);
            for step in 0..rows.nrows() {
                all.row_mut(step * lines + line).assign(&rows.row(step));
            }
        }
        all
    };
    Batch { columns: fill(&|s| &s.columns), base: fill(&|s| &s.base), lengths }
}

/// The scores of line `line` in a batch's scores.
fn of_line(scores: &Array2<f32>, line: usize, lines: usize, length: usize) -> Vec<f32> {
    scores.slice(s![line..;lines, ..]).slice(s![..length, ..]).iter().copied().collect()
}

/// The scores that the weights give to one picture of a line, a row of classes a
/// step.
pub fn scores(weights: &Weights, seen: &Seen) -> Vec<f32> {
    let scores = forward(weights, &batch(&[seen]), None).scores;
    scores.iter().copied().collect()
}

/// Adapts `weights` to the lessons. `each` is told after every round which it
/// was and the mean loss a character.
pub fn train(weights: &mut Weights, lessons: &[Lesson], course: &Course, mut each: impl FnMut(usize, f32)) {
    let shipped = weights.clone();
    let zeros: Vec<Vec<f32>> = weights.iter().map(|t| vec![0.0; t.data.len()]).collect();
    let (mut first, mut second) = (zeros.clone(), zeros);
    let mut chance = Chance(1);
    let steps = course.rounds * lessons.len().div_ceil(course.batch);
    let mut step = 0;
    for round in 0..course.rounds {
        // Lines of like length together: padding is computed too.
        let mut turns: Vec<(usize, usize)> = (0..lessons.len())
            .map(|i| (i, (chance.draw() * lessons[i].seen.len() as f32) as usize))
            .collect();
        turns.sort_by_cached_key(|(i, k)| {
            let length = lessons[*i].seen[*k].columns.nrows() as f32;
            (length * chance.between(0.9, 1.1)) as usize
        });
        let mut batches: Vec<&[(usize, usize)]> = turns.chunks(course.batch).collect();
        chance.shuffle(&mut batches);
        let (mut lost, mut characters) = (0.0, 0usize);
        for turns in batches {
            let seen: Vec<&Seen> = turns.iter().map(|(i, k)| &lessons[*i].seen[*k]).collect();
            let batch = batch(&seen);
            let mut drop = || if chance.draw() < course.drop { 0.0 } else { 1.0 / (1.0 - course.drop) };
            let passed = forward(weights, &batch, Some(&mut drop));
            let mut gradient = Array2::<f32>::zeros(passed.scores.raw_dim());
            let lines = turns.len();
            for (line, (i, _)) in turns.iter().enumerate() {
                let target = &lessons[*i].target;
                let length = batch.lengths[line];
                let scores = of_line(&passed.scores, line, lines, length);
                let Some((loss, grad)) = ctc(&scores, passed.scores.ncols(), target) else { continue };
                lost += loss;
                characters += target.len();
                let share = 1.0 / (lines * target.len().max(1)) as f32;
                for (step, row) in grad.chunks_exact(passed.scores.ncols()).enumerate() {
                    let mut out = gradient.row_mut(step * lines + line);
                    out.iter_mut().zip(row).for_each(|(o, g)| *o = g * share);
                }
            }
            let mut gradient = backward(weights, &batch, &passed, &gradient);
            step += 1;
            let done = step as f32 / steps as f32;
            let rate =
                course.rate * (done * 10.0).min(1.0) * 0.5 * (1.0 + (std::f32::consts::PI * done).cos());
            clip(&mut gradient, 1.0);
            adam(weights, &gradient, &shipped, (&mut first, &mut second), step, rate, course.decay);
        }
        each(round + 1, lost / characters.max(1) as f32);
    }
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

/// Whether a lesson can be learned: its text fits into the steps of every
/// picture.
pub fn learnable(lesson: &Lesson) -> bool {
    !lesson.target.is_empty()
        && !lesson.seen.is_empty()
        && lesson.seen.iter().all(|s| fits(&lesson.target, s.columns.nrows()))
}
