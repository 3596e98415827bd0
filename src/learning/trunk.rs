//! What stands before the LSTM: convolutions, two transformer blocks and the
//! head, forward and backward, one line at a time.
//!
//! The way forward is written down step by step ([`Tape`]) and gone back over for
//! the gradient (reverse accumulation: Linnainmaa, BIT 16, 1976). Written out over
//! ndarray: candle-core 0.11.1 would bring 44 crates, a tokenizer among them.
//! The network is that of `models/training/model.py`; its forms are those of ONNX.

use super::network::Norm;
use crate::reading::learned::{Tensor, Weights};
use image::RgbImage;
use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView1, ArrayView2, ArrayViewMut1, Axis, s};

/// Channels, height halved, and with squeeze-and-excite: the 13 blocks.
const BLOCKS: [(bool, bool); 13] = [
    (false, true),
    (false, false),
    (false, false),
    (true, false),
    (false, true),
    (false, false),
    (false, true),
    (false, false),
    (false, true),
    (false, false),
    (true, false),
    (false, true),
    (false, false),
];
const ATTENTIONS: usize = 2;
const HEADS: usize = 8;

/// The layers, named as in the training's model. Each has a `.weight` and a
/// `.bias`.
fn layers() -> Vec<String> {
    let mut layers: Vec<String> =
        ["s1.conv", "s2a.conv", "s2b.conv", "s3.conv", "s4.conv"].map(str::to_owned).to_vec();
    for (k, (_, squeezed)) in BLOCKS.iter().enumerate() {
        layers.push(format!("blocks.{k}.dw.conv"));
        if *squeezed {
            layers.extend(["a", "b"].map(|part| format!("blocks.{k}.se.{part}")));
        }
        layers.extend(["up", "down"].map(|part| format!("blocks.{k}.{part}.conv")));
    }
    layers.extend(["short.conv", "inp.conv", "mix.conv"].map(str::to_owned));
    for k in 0..ATTENTIONS {
        layers.extend(["n1", "qkv", "out", "n2", "f1", "f2"].map(|part| format!("attention.{k}.{part}")));
    }
    layers.extend(["final", "head"].map(str::to_owned));
    layers
}

/// The first tensor that the trunk needs and that is not among `weights`.
pub fn missing(weights: &Weights) -> Option<String> {
    let names = layers().into_iter().flat_map(|layer| [format!("{layer}.weight"), format!("{layer}.bias")]);
    names.into_iter().find(|name| weights.iter().all(|t| t.name != *name))
}

/// Where a layer's weight and bias stand among the weights.
#[derive(Clone, Copy, Debug)]
struct Layer {
    weight: usize,
    bias: usize,
}

/// What stands in the picture's columns: rows are pixels, row by row of the
/// picture (`high` x `wide`), columns are channels.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shape {
    high: usize,
    wide: usize,
}

/// How a window is moved over the picture.
#[derive(Clone, Copy, Debug)]
struct Window {
    /// Height and width of the window.
    size: (usize, usize),
    /// Steps down and across.
    stride: (usize, usize),
    /// Zeros put before the first row and column.
    before: (usize, usize),
}

impl Window {
    /// What it makes of `shape`, with as many zeros behind as `behind` says.
    fn over(&self, shape: Shape, behind: (usize, usize)) -> Shape {
        Shape {
            high: (shape.high + self.before.0 + behind.0 - self.size.0) / self.stride.0 + 1,
            wide: (shape.wide + self.before.1 + behind.1 - self.size.1) / self.stride.1 + 1,
        }
    }

    /// Where it lies on which pixel: the pixel of `shape` that it gives, the place in
    /// the window, row by row, and the pixel of `inside` under it.
    fn lies(self, inside: Shape, shape: Shape) -> impl Iterator<Item = (usize, usize, usize)> {
        let under = move |at: usize, place: usize| {
            let y = (at / shape.wide * self.stride.0 + place / self.size.1).checked_sub(self.before.0)?;
            let x = (at % shape.wide * self.stride.1 + place % self.size.1).checked_sub(self.before.1)?;
            (y < inside.high && x < inside.wide).then_some((at, place, y * inside.wide + x))
        };
        let places = self.size.0 * self.size.1;
        (0..shape.high * shape.wide).flat_map(move |at| (0..places).filter_map(move |place| under(at, place)))
    }
}

#[derive(Clone, Copy, Debug)]
enum Curve {
    Relu,
    Gelu,
    Silu,
    HardSigmoid,
}

impl Curve {
    fn value(self, x: f32) -> f32 {
        match self {
            Curve::Relu => x.max(0.0),
            Curve::Gelu => x * normal(x).0,
            Curve::Silu => x / (1.0 + (-x).exp()),
            Curve::HardSigmoid => (x / 6.0 + 0.5).clamp(0.0, 1.0),
        }
    }

    fn slope(self, x: f32) -> f32 {
        match self {
            Curve::Relu => f32::from(x > 0.0),
            Curve::Gelu => {
                let (below, density) = normal(x);
                below + x * density
            }
            Curve::Silu => {
                let s = 1.0 / (1.0 + (-x).exp());
                s * (1.0 + x * (1.0 - s))
            }
            Curve::HardSigmoid => f32::from(x > -3.0 && x < 3.0) / 6.0,
        }
    }
}

/// The share of a normal distribution below `x`, and its density there, by
/// Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.26 (within
/// 1.5e-7): twice as fast as the library's error function, and used millions of
/// times a line.
fn normal(x: f32) -> (f32, f32) {
    const TERMS: [f32; 5] = [1.061_405_4, -1.453_152, 1.421_413_7, -0.284_496_74, 0.254_829_6];
    let t = 1.0 / (1.0 + 0.327_591_1 * x.abs() * std::f32::consts::FRAC_1_SQRT_2);
    let bell = (-0.5 * x * x).exp();
    let beyond = 0.5 * bell * t * TERMS.into_iter().reduce(|sum, term| sum * t + term).unwrap_or(0.0);
    // 1 / sqrt(2 pi) = 0.3989…
    (if x < 0.0 { beyond } else { 1.0 - beyond }, bell * 0.398_942_3)
}

/// One step of the way forward: from which values, and by which tensors.
enum Step {
    /// A picture, or what else is given.
    Given,
    /// A linear layer; its weight is outputs x inputs.
    Linear {
        from: usize,
        layer: Layer,
    },
    /// A linear layer; its weight is inputs x outputs.
    Product {
        from: usize,
        layer: Layer,
    },
    /// A convolution over all channels.
    Convolved {
        from: usize,
        layer: Layer,
        window: Window,
    },
    /// A convolution of every channel by itself.
    Apart {
        from: usize,
        layer: Layer,
        window: Window,
    },
    Curved {
        from: usize,
        curve: Curve,
    },
    /// The greatest of four neighbours, zeros beyond the edge.
    Greatest {
        from: usize,
    },
    /// Channels of two values side by side.
    Beside {
        from: [usize; 2],
    },
    Sum {
        from: [usize; 2],
    },
    /// The mean of every channel, as one row.
    Mean {
        from: usize,
    },
    /// Every channel times a factor.
    Scaled {
        from: usize,
        factors: usize,
    },
    /// The mean over the rows of the picture.
    Flat {
        from: usize,
    },
    Normed {
        from: usize,
        layer: Layer,
        norm: Norm,
    },
    /// Attention over the rows; `shares` has one matrix a head.
    Attended {
        from: usize,
        shares: Vec<Array2<f32>>,
    },
}

/// The way forward of one line.
pub struct Tape<'w> {
    weights: &'w Weights,
    steps: Vec<Step>,
    values: Vec<Array2<f32>>,
    shapes: Vec<Shape>,
    columns: usize,
    base: usize,
}

fn matrix(tensor: &Tensor) -> ArrayView2<'_, f32> {
    let rows = tensor.shape[0];
    ArrayView2::from_shape((rows, tensor.data.len() / rows.max(1)), &tensor.data)
        .expect("the shape is the tensor's")
}

/// A convolution's weight by place in the window: places x channels.
fn by_place(weight: ArrayView2<'_, f32>) -> Array2<f32> {
    weight.t().as_standard_layout().into_owned()
}

impl<'w> Tape<'w> {
    /// Goes forward over a levelled line, its width filled up to whole eights.
    ///
    /// # Panics
    /// Where a tensor is [`missing`] or has another shape than the reader's.
    pub fn new(weights: &'w Weights, picture: &RgbImage) -> Self {
        let shape = Shape { high: picture.height() as usize, wide: picture.width() as usize };
        let data = picture.as_raw().iter().map(|v| f32::from(*v) / 127.5 - 1.0).collect();
        let pixels =
            Array2::from_shape_vec((shape.high * shape.wide, 3), data).expect("three colours a pixel");
        let mut tape = Tape { weights, steps: vec![], values: vec![], shapes: vec![], columns: 0, base: 0 };
        let x = tape.keep(Step::Given, pixels, shape);
        let columns = tape.convolutions(x);
        tape.columns = columns;
        tape.base = tape.head(columns);
        tape
    }

    /// What the LSTM takes: steps x features.
    pub fn columns(&self) -> &Array2<f32> {
        &self.values[self.columns]
    }

    /// The head's scores: steps x classes.
    pub fn base(&self) -> &Array2<f32> {
        &self.values[self.base]
    }

    fn convolutions(&mut self, x: usize) -> usize {
        let whole = |size, stride| Window { size, stride, before: (0, 0) };
        let around = |stride| Window { size: (3, 3), stride, before: (1, 1) };
        let x = self.convolved("s1.conv", x, around((2, 2)), (1, 1));
        let x = self.curved(x, Curve::Relu);
        let y = self.convolved("s2a.conv", x, whole((2, 2), (1, 1)), (1, 1));
        let y = self.curved(y, Curve::Relu);
        let y = self.convolved("s2b.conv", y, whole((2, 2), (1, 1)), (1, 1));
        let y = self.curved(y, Curve::Relu);
        let x = self.greatest(x);
        let x = self.beside(x, y);
        let x = self.convolved("s3.conv", x, around((2, 2)), (1, 1));
        let x = self.curved(x, Curve::Relu);
        let x = self.linear("s4.conv", x);
        let mut x = self.curved(x, Curve::Relu);
        for (k, (halved, squeezed)) in BLOCKS.into_iter().enumerate() {
            let name = |part: &str| format!("blocks.{k}.{part}");
            x = self.apart(&name("dw.conv"), x, around((if halved { 2 } else { 1 }, 1)), (1, 1));
            if squeezed {
                let m = self.mean(x);
                let m = self.linear(&name("se.a"), m);
                let m = self.curved(m, Curve::Relu);
                let m = self.linear(&name("se.b"), m);
                let m = self.curved(m, Curve::HardSigmoid);
                x = self.scaled(x, m);
            }
            let y = self.linear(&name("up.conv"), x);
            let y = self.curved(y, Curve::Gelu);
            let y = self.linear(&name("down.conv"), y);
            x = if halved { y } else { self.sum(x, y) };
        }
        self.flat(x)
    }

    fn head(&mut self, columns: usize) -> usize {
        let skip = self.linear("short.conv", columns);
        let skip = self.curved(skip, Curve::Silu);
        let y = self.linear("inp.conv", columns);
        let y = self.curved(y, Curve::Silu);
        let near = Window { size: (1, 7), stride: (1, 1), before: (0, 3) };
        let mixed = self.apart("mix.conv", y, near, (0, 3));
        let mixed = self.curved(mixed, Curve::Silu);
        let mut y = self.sum(y, mixed);
        for k in 0..ATTENTIONS {
            let name = |part: &str| format!("attention.{k}.{part}");
            let a = self.normed(&name("n1"), y, 1e-5);
            let a = self.product(&name("qkv"), a);
            let a = self.attended(a);
            let a = self.product(&name("out"), a);
            y = self.sum(y, a);
            let f = self.normed(&name("n2"), y, 1e-5);
            let f = self.product(&name("f1"), f);
            let f = self.curved(f, Curve::Silu);
            let f = self.product(&name("f2"), f);
            y = self.sum(y, f);
        }
        let y = self.normed("final", y, 1e-6);
        let y = self.sum(y, skip);
        self.product("head", y)
    }

    fn keep(&mut self, step: Step, value: Array2<f32>, shape: Shape) -> usize {
        self.steps.push(step);
        self.values.push(value);
        self.shapes.push(shape);
        self.values.len() - 1
    }

    fn layer(&self, name: &str) -> Layer {
        let at = |part: &str| {
            let known =
                |t: &Tensor| t.name.strip_prefix(name).and_then(|rest| rest.strip_prefix('.')) == Some(part);
            self.weights.iter().position(known).expect("no tensor is missing")
        };
        Layer { weight: at("weight"), bias: at("bias") }
    }

    fn weight(&self, layer: Layer) -> ArrayView2<'_, f32> {
        matrix(&self.weights[layer.weight])
    }

    fn with_bias(&self, mut out: Array2<f32>, layer: Layer) -> Array2<f32> {
        let bias = &self.weights[layer.bias].data;
        for mut row in out.rows_mut() {
            row.iter_mut().zip(bias).for_each(|(v, b)| *v += b);
        }
        out
    }

    fn linear(&mut self, name: &str, from: usize) -> usize {
        let layer = self.layer(name);
        let out = self.values[from].dot(&self.weight(layer).t());
        let out = self.with_bias(out, layer);
        self.keep(Step::Linear { from, layer }, out, self.shapes[from])
    }

    fn product(&mut self, name: &str, from: usize) -> usize {
        let layer = self.layer(name);
        let out = self.values[from].dot(&self.weight(layer));
        let out = self.with_bias(out, layer);
        self.keep(Step::Product { from, layer }, out, self.shapes[from])
    }

    fn convolved(&mut self, name: &str, from: usize, window: Window, behind: (usize, usize)) -> usize {
        let layer = self.layer(name);
        let shape = window.over(self.shapes[from], behind);
        let windows = spread(&self.values[from], self.shapes[from], window, shape);
        let out = windows.dot(&self.weight(layer).t());
        let out = self.with_bias(out, layer);
        self.keep(Step::Convolved { from, layer, window }, out, shape)
    }

    fn apart(&mut self, name: &str, from: usize, window: Window, behind: (usize, usize)) -> usize {
        let layer = self.layer(name);
        let (x, inside) = (&self.values[from], self.shapes[from]);
        let shape = window.over(inside, behind);
        let weight = by_place(self.weight(layer));
        let mut out = self.with_bias(Array2::zeros((shape.high * shape.wide, x.ncols())), layer);
        for (at, place, under) in window.lies(inside, shape) {
            let (mut out, x, w) = (out.row_mut(at), x.row(under), weight.row(place));
            let (out, x, w) = (run_mut(&mut out), run(&x), run(&w));
            out.iter_mut().zip(x).zip(w).for_each(|((o, x), w)| *o += x * w);
        }
        self.keep(Step::Apart { from, layer, window }, out, shape)
    }

    fn curved(&mut self, from: usize, curve: Curve) -> usize {
        let out = self.values[from].mapv(|x| curve.value(x));
        self.keep(Step::Curved { from, curve }, out, self.shapes[from])
    }

    fn greatest(&mut self, from: usize) -> usize {
        let (x, shape) = (&self.values[from], self.shapes[from]);
        let mut out = x.clone();
        for at in 0..x.nrows() {
            for other in neighbours(at, shape) {
                for k in 0..x.ncols() {
                    let v = other.map_or(0.0, |other| x[[other, k]]);
                    out[[at, k]] = out[[at, k]].max(v);
                }
            }
        }
        self.keep(Step::Greatest { from }, out, shape)
    }

    fn beside(&mut self, a: usize, b: usize) -> usize {
        let out = ndarray::concatenate(Axis(1), &[self.values[a].view(), self.values[b].view()])
            .expect("both have a row a pixel");
        self.keep(Step::Beside { from: [a, b] }, out, self.shapes[a])
    }

    fn sum(&mut self, a: usize, b: usize) -> usize {
        let out = &self.values[a] + &self.values[b];
        self.keep(Step::Sum { from: [a, b] }, out, self.shapes[a])
    }

    fn mean(&mut self, from: usize) -> usize {
        let mean = self.values[from].mean_axis(Axis(0)).expect("a picture has pixels");
        self.keep(Step::Mean { from }, mean.insert_axis(Axis(0)), Shape { high: 1, wide: 1 })
    }

    fn scaled(&mut self, from: usize, factors: usize) -> usize {
        let out = &self.values[from] * &self.values[factors];
        self.keep(Step::Scaled { from, factors }, out, self.shapes[from])
    }

    fn flat(&mut self, from: usize) -> usize {
        let (x, shape) = (&self.values[from], self.shapes[from]);
        let mut out = Array2::zeros((shape.wide, x.ncols()));
        for y in 0..shape.high {
            out += &x.slice(s![y * shape.wide..(y + 1) * shape.wide, ..]);
        }
        out /= shape.high as f32;
        self.keep(Step::Flat { from }, out, Shape { high: 1, wide: shape.wide })
    }

    fn normed(&mut self, name: &str, from: usize, least: f32) -> usize {
        let layer = self.layer(name);
        let (gain, bias) = (&self.weights[layer.weight].data, &self.weights[layer.bias].data);
        let (norm, out) = Norm::forward(self.values[from].clone(), gain, bias, least);
        self.keep(Step::Normed { from, layer, norm }, out, self.shapes[from])
    }

    fn attended(&mut self, from: usize) -> usize {
        let x = &self.values[from];
        let (width, each) = (x.ncols() / 3, x.ncols() / 3 / HEADS);
        let mut out = Array2::zeros((x.nrows(), width));
        let mut all = Vec::with_capacity(HEADS);
        for head in 0..HEADS {
            let part =
                |nth: usize| x.slice(s![.., nth * width + head * each..nth * width + (head + 1) * each]);
            let mut shares = part(0).dot(&part(1).t());
            shares *= (each as f32).powf(-0.5);
            for mut row in shares.rows_mut() {
                let most = row.iter().copied().fold(f32::MIN, f32::max);
                row.mapv_inplace(|v| (v - most).exp());
                let sum = row.sum();
                row /= sum;
            }
            let mut place = out.slice_mut(s![.., head * each..(head + 1) * each]);
            general_mat_mul(1.0, &shares, &part(2), 0.0, &mut place);
            all.push(shares);
        }
        self.keep(Step::Attended { from, shares: all }, out, self.shapes[from])
    }

    /// Adds to `gradient` (the data of every weight) what the gradients of
    /// [`Tape::columns`] and [`Tape::base`] give.
    pub fn back(&self, columns: Array2<f32>, base: Array2<f32>, gradient: &mut [Vec<f32>]) {
        let mut after: Vec<Option<Array2<f32>>> = vec![None; self.values.len()];
        after[self.columns] = Some(columns);
        after[self.base] = Some(base);
        for at in (1..self.steps.len()).rev() {
            let Some(out) = after[at].take() else { continue };
            self.one_back(at, out, &mut after, gradient);
        }
    }

    fn one_back(
        &self,
        at: usize,
        out: Array2<f32>,
        after: &mut [Option<Array2<f32>>],
        gradient: &mut [Vec<f32>],
    ) {
        let mut add = |from: usize, part: Array2<f32>| match &mut after[from] {
            Some(sum) => *sum += &part,
            none => *none = Some(part),
        };
        match &self.steps[at] {
            Step::Given => {}
            Step::Linear { from, layer } => {
                learn(gradient, *layer, &out.view().reversed_axes(), &self.values[*from].view());
                bias(gradient, *layer, &out);
                add(*from, out.dot(&self.weight(*layer)));
            }
            Step::Product { from, layer } => {
                learn(gradient, *layer, &self.values[*from].t(), &out.view());
                bias(gradient, *layer, &out);
                add(*from, out.dot(&self.weight(*layer).t()));
            }
            Step::Convolved { from, layer, window } => {
                let inside = self.shapes[*from];
                let windows = spread(&self.values[*from], inside, *window, self.shapes[at]);
                learn(gradient, *layer, &out.view().reversed_axes(), &windows.view());
                bias(gradient, *layer, &out);
                // Nothing learns before the picture.
                if *from > 0 {
                    let windows = out.dot(&self.weight(*layer));
                    add(*from, gathered(&windows, inside, *window, self.shapes[at]));
                }
            }
            Step::Apart { from, layer, window } => {
                let (x, inside, shape) = (&self.values[*from], self.shapes[*from], self.shapes[at]);
                let weight = by_place(self.weight(*layer));
                let mut learned = Array2::<f32>::zeros(weight.raw_dim());
                let mut down = Array2::<f32>::zeros(x.raw_dim());
                for (at, place, under) in window.lies(inside, shape) {
                    let (out, w, x) = (out.row(at), weight.row(place), x.row(under));
                    let (mut l, mut d) = (learned.row_mut(place), down.row_mut(under));
                    let (out, w, x) = (run(&out), run(&w), run(&x));
                    let (l, d) = (run_mut(&mut l), run_mut(&mut d));
                    for k in 0..out.len() {
                        l[k] += out[k] * x[k];
                        d[k] += out[k] * w[k];
                    }
                }
                gradient[layer.weight].iter_mut().zip(learned.t().iter()).for_each(|(g, l)| *g += l);
                bias(gradient, *layer, &out);
                add(*from, down);
            }
            Step::Curved { from, curve } => {
                let mut out = out;
                out.zip_mut_with(&self.values[*from], |o, x| *o *= curve.slope(*x));
                add(*from, out);
            }
            Step::Greatest { from } => {
                let (x, shape) = (&self.values[*from], self.shapes[at]);
                let mut down = Array2::zeros(x.raw_dim());
                for at in 0..x.nrows() {
                    for k in 0..x.ncols() {
                        let (mut best, mut most) = (Some(at), x[[at, k]]);
                        for other in neighbours(at, shape) {
                            let v = other.map_or(0.0, |other| x[[other, k]]);
                            if v > most {
                                (best, most) = (other, v);
                            }
                        }
                        if let Some(best) = best {
                            down[[best, k]] += out[[at, k]];
                        }
                    }
                }
                add(*from, down);
            }
            Step::Beside { from: [a, b] } => {
                let width = self.values[*a].ncols();
                add(*a, out.slice(s![.., ..width]).to_owned());
                add(*b, out.slice(s![.., width..]).to_owned());
            }
            Step::Sum { from: [a, b] } => {
                add(*a, out.clone());
                add(*b, out);
            }
            Step::Mean { from } => {
                let x = &self.values[*from];
                let each = out / x.nrows() as f32;
                add(*from, each.broadcast(x.raw_dim()).expect("one row for all").to_owned());
            }
            Step::Scaled { from, factors } => {
                let each = (&out * &self.values[*from]).sum_axis(Axis(0)).insert_axis(Axis(0));
                add(*factors, each);
                add(*from, out * &self.values[*factors]);
            }
            Step::Flat { from } => {
                let shape = self.shapes[*from];
                let each = out / shape.high as f32;
                let rows = vec![each.view(); shape.high];
                add(*from, ndarray::concatenate(Axis(0), &rows).expect("rows of one width"));
            }
            Step::Normed { from, layer, norm } => {
                let mut out = out;
                let [gains, biases] =
                    gradient.get_disjoint_mut([layer.weight, layer.bias]).expect("two tensors");
                norm.back(&mut out, &self.weights[layer.weight].data, gains, biases);
                add(*from, out);
            }
            Step::Attended { from, shares } => {
                let x = &self.values[*from];
                let (width, each) = (x.ncols() / 3, x.ncols() / 3 / HEADS);
                let scale = (each as f32).powf(-0.5);
                let mut down = Array2::zeros(x.raw_dim());
                for (head, shares) in shares.iter().enumerate() {
                    let place =
                        |nth: usize| s![.., nth * width + head * each..nth * width + (head + 1) * each];
                    let out = out.slice(s![.., head * each..(head + 1) * each]);
                    let mut said = out.dot(&x.slice(place(2)).t());
                    for (mut said, shares) in said.rows_mut().into_iter().zip(shares.rows()) {
                        let along: f32 = said.iter().zip(&shares).map(|(a, b)| a * b).sum();
                        said.zip_mut_with(&shares, |g, share| *g = (*g - along) * share * scale);
                    }
                    down.slice_mut(place(2)).assign(&shares.t().dot(&out));
                    down.slice_mut(place(0)).assign(&said.dot(&x.slice(place(1))));
                    down.slice_mut(place(1)).assign(&said.t().dot(&x.slice(place(0))));
                }
                add(*from, down);
            }
        }
    }
}

/// Adds the product of two matrices to a weight's gradient.
fn learn(gradient: &mut [Vec<f32>], layer: Layer, a: &ArrayView2<'_, f32>, b: &ArrayView2<'_, f32>) {
    let mut sum = ndarray::ArrayViewMut2::from_shape((a.nrows(), b.ncols()), &mut gradient[layer.weight])
        .expect("the weight's shape");
    general_mat_mul(1.0, a, b, 1.0, &mut sum);
}

fn bias(gradient: &mut [Vec<f32>], layer: Layer, out: &Array2<f32>) {
    for row in out.rows() {
        gradient[layer.bias].iter_mut().zip(row).for_each(|(g, o)| *g += o);
    }
}

/// A row's numbers, which lie in one piece.
fn run<'a>(row: &'a ArrayView1<'_, f32>) -> &'a [f32] {
    row.as_slice().expect("rows lie in one piece")
}

fn run_mut<'a>(row: &'a mut ArrayViewMut1<'_, f32>) -> &'a mut [f32] {
    row.as_slice_mut().expect("rows lie in one piece")
}

/// Every window as one row, channel by channel, as the weights have it.
fn spread(x: &Array2<f32>, inside: Shape, window: Window, shape: Shape) -> Array2<f32> {
    let places = window.size.0 * window.size.1;
    let mut out = Array2::zeros((shape.high * shape.wide, x.ncols() * places));
    for (at, place, under) in window.lies(inside, shape) {
        let mut out = out.row_mut(at);
        out.iter_mut().skip(place).step_by(places).zip(x.row(under)).for_each(|(o, v)| *o = *v);
    }
    out
}

/// [`spread`] back: what each pixel gets from all windows it lies under.
fn gathered(windows: &Array2<f32>, inside: Shape, window: Window, shape: Shape) -> Array2<f32> {
    let places = window.size.0 * window.size.1;
    let mut out = Array2::<f32>::zeros((inside.high * inside.wide, windows.ncols() / places));
    for (at, place, under) in window.lies(inside, shape) {
        let given = windows.row(at);
        out.row_mut(under)
            .iter_mut()
            .zip(given.iter().skip(place).step_by(places))
            .for_each(|(o, v)| *o += v);
    }
    out
}

/// The pixels to the right, below, and below to the right; `None` beyond the
/// edge.
fn neighbours(at: usize, shape: Shape) -> [Option<usize>; 3] {
    let (y, x) = (at / shape.wide, at % shape.wide);
    let pixel = |y: usize, x: usize| (y < shape.high && x < shape.wide).then_some(y * shape.wide + x);
    [pixel(y, x + 1), pixel(y + 1, x), pixel(y + 1, x + 1)]
}
