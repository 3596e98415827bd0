//! The part of the reader that learns a hand: a linear layer with layer norm
//! over the columns' features, two bidirectional LSTM layers, and a linear layer
//! whose scores are added to the head's. Forward and backward, on the processor.
//!
//! Written out, since one network of fixed shape needs no general differentiation;
//! ndarray does the products. What stands before it is [`super::trunk`].
//! Tensors are laid out as ONNX has them: gates in the order input, output,
//! forget, cell (the operator `LSTM`, ONNX opset 14).

use crate::reading::learned::{Tensor, Weights};
use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView2, ArrayViewMut2, s};

// Where [`NAMES`](crate::reading::learned::NAMES) has each tensor.
const SQUASH: usize = 0;
const SQUASH_BIAS: usize = 1;
const NORM: usize = 2;
const NORM_BIAS: usize = 3;
/// Where each layer's three tensors begin.
const LSTM: [usize; 2] = [4, 7];
const EXTRA: usize = 10;
const EXTRA_BIAS: usize = 11;

/// What a layer norm keeps of its way forward.
pub(super) struct Norm {
    /// The rows with mean 0 and variance 1.
    normed: Array2<f32>,
    /// By row: 1 over the root of its variance.
    spread: Vec<f32>,
}

impl Norm {
    /// Layer norm over the rows; `least` is added to their variance.
    pub(super) fn forward(
        mut normed: Array2<f32>,
        gain: &[f32],
        bias: &[f32],
        least: f32,
    ) -> (Norm, Array2<f32>) {
        let mut spread = Vec::with_capacity(normed.nrows());
        let mut out = Array2::zeros(normed.raw_dim());
        for (mut row, mut out) in normed.rows_mut().into_iter().zip(out.rows_mut()) {
            let count = row.len() as f32;
            let mean = row.sum() / count;
            let variance = row.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>() / count;
            let scale = 1.0 / (variance + least).sqrt();
            spread.push(scale);
            for (k, v) in row.iter_mut().enumerate() {
                *v = (*v - mean) * scale;
                out[k] = *v * gain[k] + bias[k];
            }
        }
        (Norm { normed, spread }, out)
    }

    /// Turns the gradient of what came out into that of what went in, and adds those
    /// of gain and bias.
    pub(super) fn back(&self, out: &mut Array2<f32>, gain: &[f32], gains: &mut [f32], biases: &mut [f32]) {
        for (row, mut out) in out.rows_mut().into_iter().enumerate() {
            let normed = self.normed.row(row);
            let count = normed.len() as f32;
            for k in 0..out.len() {
                gains[k] += out[k] * normed[k];
                biases[k] += out[k];
                out[k] *= gain[k];
            }
            let mean = out.sum() / count;
            let along = out.iter().zip(&normed).map(|(a, b)| a * b).sum::<f32>() / count;
            for k in 0..out.len() {
                out[k] = (out[k] - mean - normed[k] * along) * self.spread[row];
            }
        }
    }
}

/// Lines of one batch, padded to the longest: row `step * lines + line`.
pub struct Batch {
    /// What the trunk says of every column: rows x features.
    pub columns: Array2<f32>,
    /// The head's scores: rows x classes.
    pub base: Array2<f32>,
    /// Steps of every line.
    pub lengths: Vec<usize>,
}

/// What one direction of one LSTM layer keeps for the way back.
struct Swept {
    /// The gates' values: rows x 4 hidden.
    gates: Array2<f32>,
    cell: Array2<f32>,
    hidden: Array2<f32>,
}

/// What the way forward keeps for the way back.
pub struct Passed {
    norm: Norm,
    /// What each LSTM layer took, and the last linear layer.
    inputs: [Array2<f32>; 3],
    swept: [[Swept; 2]; 2],
    /// Which outputs of the two layers were dropped (0) or scaled up.
    kept: [Option<Array2<f32>>; 2],
    /// The scores: rows x classes.
    pub scores: Array2<f32>,
}

fn view(tensor: &Tensor) -> ArrayView2<'_, f32> {
    direction(tensor, 0, 1)
}

/// The `nth` of `parts` equal parts along the first axis, as a matrix.
fn direction(tensor: &Tensor, nth: usize, parts: usize) -> ArrayView2<'_, f32> {
    let columns = *tensor.shape.last().expect("a tensor has an axis");
    let size = tensor.data.len() / parts;
    ArrayView2::from_shape((size / columns, columns), &tensor.data[nth * size..(nth + 1) * size])
        .expect("the shape is the tensor's")
}

fn direction_mut(tensor: &mut Tensor, nth: usize, parts: usize) -> ArrayViewMut2<'_, f32> {
    let columns = *tensor.shape.last().expect("a tensor has an axis");
    let size = tensor.data.len() / parts;
    ArrayViewMut2::from_shape((size / columns, columns), &mut tensor.data[nth * size..(nth + 1) * size])
        .expect("the shape is the tensor's")
}

fn sigmoid(x: f32) -> f32 {
    1.0 / (1.0 + (-x).exp())
}

/// The scores of a batch. `drop` gives, where something is to be dropped, the
/// factor of the next output: 0, or what makes up for those dropped.
pub fn forward(weights: &Weights, batch: &Batch, mut drop: Option<&mut dyn FnMut() -> f32>) -> Passed {
    let mut squashed = batch.columns.dot(&view(&weights[SQUASH]));
    for mut row in squashed.rows_mut() {
        row.iter_mut().zip(&weights[SQUASH_BIAS].data).for_each(|(v, b)| *v += b);
    }
    let (norm, first) = Norm::forward(squashed, &weights[NORM].data, &weights[NORM_BIAS].data, 1e-5);
    let mut layer = |at: usize, input: &Array2<f32>| {
        let swept = both(|d| sweep(weights, at, d, input, &batch.lengths));
        let hidden = swept[0].hidden.ncols();
        let mut out = Array2::zeros((input.nrows(), 2 * hidden));
        out.slice_mut(s![.., ..hidden]).assign(&swept[0].hidden);
        out.slice_mut(s![.., hidden..]).assign(&swept[1].hidden);
        let kept = drop.as_mut().map(|drop| Array2::from_shape_simple_fn(out.raw_dim(), &mut **drop));
        if let Some(kept) = &kept {
            out *= kept;
        }
        (swept, out, kept)
    };
    let (swept0, second, kept0) = layer(LSTM[0], &first);
    let (swept1, third, kept1) = layer(LSTM[1], &second);
    let mut scores = batch.base.clone();
    general_mat_mul(1.0, &third, &view(&weights[EXTRA]), 1.0, &mut scores);
    for mut row in scores.rows_mut() {
        row.iter_mut().zip(&weights[EXTRA_BIAS].data).for_each(|(v, b)| *v += b);
    }
    Passed { norm, inputs: [first, second, third], swept: [swept0, swept1], kept: [kept0, kept1], scores }
}

/// The two directions, each on its own thread.
fn both<T: Send>(work: impl Fn(usize) -> T + Sync) -> [T; 2] {
    rayon::join(|| work(0), || work(1)).into()
}

/// The steps in the order in which direction `d` (1 is backwards) takes them.
fn order(steps: usize, d: usize) -> impl DoubleEndedIterator<Item = usize> {
    (0..steps).map(move |i| if d == 0 { i } else { steps - 1 - i })
}

/// One direction of one LSTM layer. A line that is over has a state of zeros,
/// so that the way backwards starts at its own end.
fn sweep(weights: &Weights, at: usize, d: usize, input: &Array2<f32>, lengths: &[usize]) -> Swept {
    let (w, r) = (direction(&weights[at], d, 2), direction(&weights[at + 1], d, 2));
    let biases = direction(&weights[at + 2], d, 2);
    let (hidden, lines) = (r.ncols(), lengths.len());
    let steps = input.nrows() / lines;
    let mut gates = input.dot(&w.t());
    let (wb, rb) = (biases.slice(s![0, ..4 * hidden]), biases.slice(s![0, 4 * hidden..]));
    let bias = &wb + &rb;
    gates += &bias;
    let mut cell = Array2::<f32>::zeros((input.nrows(), hidden));
    let mut out = Array2::<f32>::zeros((input.nrows(), hidden));
    let mut before: Option<usize> = None;
    for step in order(steps, d) {
        let rows = step * lines..(step + 1) * lines;
        if let Some(p) = before {
            let h = out.slice(s![p * lines..(p + 1) * lines, ..]);
            general_mat_mul(1.0, &h, &r.t(), 1.0, &mut gates.slice_mut(s![rows, ..]));
        }
        for (line, length) in lengths.iter().enumerate() {
            if step >= *length {
                continue;
            }
            let at = step * lines + line;
            let mut row = gates.row_mut(at);
            let (i, rest) = row.as_slice_mut().expect("rows lie in one piece").split_at_mut(hidden);
            let (o, rest) = rest.split_at_mut(hidden);
            let (f, g) = rest.split_at_mut(hidden);
            for k in 0..hidden {
                (i[k], o[k], f[k], g[k]) = (sigmoid(i[k]), sigmoid(o[k]), sigmoid(f[k]), g[k].tanh());
                let was = before.map_or(0.0, |p| cell[[p * lines + line, k]]);
                let c = f[k] * was + i[k] * g[k];
                cell[[at, k]] = c;
                out[[at, k]] = o[k] * c.tanh();
            }
        }
        before = Some(step);
    }
    Swept { gates, cell, hidden: out }
}

/// The gradient of every tensor and of the columns, from that of the scores.
/// Tensors that are not of this part have a gradient of zeros.
pub fn backward(
    weights: &Weights,
    batch: &Batch,
    passed: &Passed,
    scores: &Array2<f32>,
) -> (Weights, Array2<f32>) {
    let zeros = |t: &Tensor| Tensor { data: vec![0.0; t.data.len()], ..t.clone() };
    let mut gradient: Weights = weights.iter().map(zeros).collect();
    direction_mut(&mut gradient[EXTRA], 0, 1).assign(&passed.inputs[2].t().dot(scores));
    gradient[EXTRA_BIAS].data = scores.sum_axis(ndarray::Axis(0)).to_vec();
    let mut out = scores.dot(&view(&weights[EXTRA]).t());
    for layer in [1, 0] {
        if let Some(kept) = &passed.kept[layer] {
            out *= kept;
        }
        let input = &passed.inputs[layer];
        let at = LSTM[layer];
        let done = both(|d| {
            let swept = &passed.swept[layer][d];
            let gates = unsweep(weights, at, d, swept, &out, &batch.lengths);
            let dw = gates.t().dot(input);
            let dr = gates.t().dot(&shifted(&swept.hidden, batch.lengths.len(), d));
            let down = gates.dot(&direction(&weights[at], d, 2));
            (dw, dr, gates.sum_axis(ndarray::Axis(0)), down)
        });
        let [(.., first), (.., second)] = &done;
        out = first + second;
        for (d, (dw, dr, bias, _)) in done.into_iter().enumerate() {
            direction_mut(&mut gradient[at], d, 2).assign(&dw);
            direction_mut(&mut gradient[at + 1], d, 2).assign(&dr);
            // The layer has two biases of one effect; one of them learns.
            let width = bias.len();
            direction_mut(&mut gradient[at + 2], d, 2).slice_mut(s![0, ..width]).assign(&bias);
        }
    }
    // Layer norm, then the linear layer below.
    let [gains, biases] = gradient.get_disjoint_mut([NORM, NORM_BIAS]).expect("two tensors");
    passed.norm.back(&mut out, &weights[NORM].data, &mut gains.data, &mut biases.data);
    direction_mut(&mut gradient[SQUASH], 0, 1).assign(&batch.columns.t().dot(&out));
    gradient[SQUASH_BIAS].data = out.sum_axis(ndarray::Axis(0)).to_vec();
    (gradient, out.dot(&view(&weights[SQUASH]).t()))
}

/// The states each step of direction `d` began with.
fn shifted(hidden: &Array2<f32>, lines: usize, d: usize) -> Array2<f32> {
    let rows = hidden.nrows();
    let mut out = Array2::zeros(hidden.raw_dim());
    if rows > lines && d == 0 {
        out.slice_mut(s![lines.., ..]).assign(&hidden.slice(s![..rows - lines, ..]));
    } else if rows > lines {
        out.slice_mut(s![..rows - lines, ..]).assign(&hidden.slice(s![lines.., ..]));
    }
    out
}

/// The gradient of the gates before their functions, from that of the layer's
/// output.
fn unsweep(
    weights: &Weights,
    at: usize,
    d: usize,
    swept: &Swept,
    out: &Array2<f32>,
    lengths: &[usize],
) -> Array2<f32> {
    let r = direction(&weights[at + 1], d, 2);
    let (hidden, lines) = (r.ncols(), lengths.len());
    let steps = out.nrows() / lines;
    let mut gates = Array2::<f32>::zeros((out.nrows(), 4 * hidden));
    let mut dh = Array2::<f32>::zeros((lines, hidden));
    let mut dc = Array2::<f32>::zeros((lines, hidden));
    for (nth, step) in order(steps, d).enumerate().collect::<Vec<_>>().into_iter().rev() {
        let before = (nth > 0).then(|| if d == 0 { step - 1 } else { step + 1 });
        for (line, length) in lengths.iter().enumerate() {
            let at = step * lines + line;
            if step >= *length {
                dh.row_mut(line).fill(0.0);
                dc.row_mut(line).fill(0.0);
                continue;
            }
            let values = swept.gates.row(at);
            let values = values.as_slice().expect("rows lie in one piece");
            let mut row = gates.row_mut(at);
            let row = row.as_slice_mut().expect("rows lie in one piece");
            for k in 0..hidden {
                let (i, o, f, g) =
                    (values[k], values[hidden + k], values[2 * hidden + k], values[3 * hidden + k]);
                let t = swept.cell[[at, k]].tanh();
                let was = before.map_or(0.0, |p| swept.cell[[p * lines + line, k]]);
                let h = dh[[line, k]] + out[[at, d * hidden + k]];
                let c = dc[[line, k]] + h * o * (1.0 - t * t);
                row[k] = c * g * i * (1.0 - i);
                row[hidden + k] = h * t * o * (1.0 - o);
                row[2 * hidden + k] = c * was * f * (1.0 - f);
                row[3 * hidden + k] = c * i * (1.0 - g * g);
                dc[[line, k]] = c * f;
            }
        }
        general_mat_mul(1.0, &gates.slice(s![step * lines..(step + 1) * lines, ..]), &r, 0.0, &mut dh);
    }
    gates
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::learned::NAMES;

    fn wave(seed: f32, count: usize) -> Vec<f32> {
        (0..count).map(|k| (seed + 0.7 * k as f32).sin()).collect()
    }

    /// Two lines of 4 and 2 steps, 3 features, hidden size 2, 4 classes, against
    /// PyTorch 2.15.0's automatic differentiation in double precision (its
    /// `LSTM` over packed sequences agrees with the cell differentiated, 2e-16).
    /// Of every tensor's gradient: its product with a wave, and the sum of its
    /// sizes.
    #[test]
    fn scores_and_gradients_are_those_of_a_reference_library() {
        let shapes: [&[usize]; 12] = [
            &[3, 4],
            &[4],
            &[4],
            &[4],
            &[2, 8, 4],
            &[2, 8, 2],
            &[2, 16],
            &[2, 8, 4],
            &[2, 8, 2],
            &[2, 16],
            &[4, 4],
            &[4],
        ];
        let weights: Weights = NAMES
            .iter()
            .zip(shapes)
            .enumerate()
            .map(|(i, (name, shape))| Tensor {
                name: (*name).to_owned(),
                shape: shape.to_vec(),
                data: wave(i as f32 + 1.0, shape.iter().product()),
            })
            .collect();
        let rows = |seed, columns| Array2::from_shape_vec((8, columns), wave(seed, 8 * columns)).unwrap();
        let batch = Batch { columns: rows(0.3, 3), base: rows(0.9, 4), lengths: vec![4, 2] };
        let passed = forward(&weights, &batch, None);
        let near = |a: f32, b: f32| (a - b).abs() < 2e-4 * b.abs().max(1.0);
        for (row, wanted) in [
            (0, [0.120_056, 0.955_624, 1.341_747, 1.096_825]),
            (3, [-0.401_836, -0.43014, -0.256_143, 0.038_322]),
        ] {
            assert!(passed.scores.row(row).iter().zip(wanted).all(|(a, b)| near(*a, b)), "{}", passed.scores);
        }
        let mut scores = rows(2.2, 4);
        // The second line is over after two steps.
        for row in [5, 7] {
            scores.row_mut(row).fill(0.0);
        }
        let (gradient, _) = backward(&weights, &batch, &passed, &scores);
        let reference = [
            (0.003_419, 0.074_472),
            (-0.002_853, 0.025_323),
            (-0.005_283, 0.020_461),
            (-0.014_505, 0.021_305),
            (-0.02205, 0.269_737),
            (-0.024_324, 0.084_393),
            (0.015_509, 0.082_169),
            (0.318_972, 5.157_681),
            (0.084_575, 0.61352),
            (-0.179_438, 2.577_385),
            (-0.202_252, 2.479_178),
            (-1.010_653, 3.720_659),
        ];
        for (tensor, (product, size)) in gradient.iter().zip(reference) {
            // Of the two biases of one effect the first alone learns.
            let data: Vec<f32> = match tensor.name.ends_with(".B") {
                true => tensor.data.chunks(8).step_by(2).flatten().copied().collect(),
                false => tensor.data.clone(),
            };
            let sum: f32 = data.iter().zip(wave(5.0, data.len())).map(|(a, b)| a * b).sum();
            let sizes: f32 = data.iter().map(|g| g.abs()).sum();
            assert!(near(sum, product) && near(sizes, size), "{}: {sum} {sizes}", tensor.name);
        }
    }
}
