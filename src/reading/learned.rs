//! The part of the reader that a collector's hand may replace: its tensors as
//! the reader's file holds them, and as they were learned.
//!
//! The file that ships names them `learn.…` (see `models/training/learnable.py`)
//! and `reader.…`; linear layers that the export left nameless are called by the
//! node that uses them. A learned part is a safetensors file; its metadata say
//! which reader it belongs to, when it was learned, from how many lines, and how
//! it did on lines held back. A learned part whose reader has changed is not used.

use crate::files;
use crate::trouble::{Result, Trouble};
use half::f16;
use prost::encoding::{WireType, decode_key, decode_varint};
use safetensors::tensor::{Dtype, SafeTensors, TensorView, serialize};
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// One tensor by the name it has in the reader's file, without `learn.` or
/// `reader.`.
#[derive(Clone, Debug, PartialEq)]
pub struct Tensor {
    /// For example `lstm0.W` or `blocks.3.up.conv.weight`.
    pub name: String,
    /// Length of every axis.
    pub shape: Vec<usize>,
    /// The numbers, the last axis fastest.
    pub data: Vec<f32>,
}

/// What is learned: of a reader's file all tensors, those of [`NAMES`] first and
/// in that order.
pub type Weights = Vec<Tensor>;

/// The part beside the head: a linear layer with layer norm over the columns, two
/// LSTM layers and the linear layer whose scores are added to the head's. What was
/// learned before whole readers were holds these alone.
pub const NAMES: [&str; 12] = [
    "squash.weight",
    "squash.bias",
    "norm.weight",
    "norm.bias",
    "lstm0.W",
    "lstm0.R",
    "lstm0.B",
    "lstm1.W",
    "lstm1.R",
    "lstm1.B",
    "extra.weight",
    "extra.bias",
];

impl Tensor {
    /// The bytes it is kept as: two a number where that loses nothing.
    fn stored(&self) -> (Dtype, Vec<u8>) {
        let half = |v: &f32| f16::from_f32(*v);
        if self.data.iter().all(|v| half(v).to_f32() == *v) {
            (Dtype::F16, self.data.iter().flat_map(|v| half(v).to_le_bytes()).collect())
        } else {
            (Dtype::F32, self.data.iter().flat_map(|v| v.to_le_bytes()).collect())
        }
    }
}

/// What is said of a learned part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Told {
    /// BLAKE3 hash of the `reader.onnx` it belongs to.
    pub base: String,
    /// The name of that reader.
    pub base_name: String,
    /// The day it was learned, as YYYY-MM-DD.
    pub day: String,
    /// How many lines it was learned from.
    pub lines: usize,
    /// How many others were held back.
    pub held: usize,
    /// Character error rate on those held back, of the reader used before.
    pub before: f64,
    /// The same of this one.
    pub after: f64,
}

/// A learned part.
#[derive(Clone, Debug)]
pub struct Learned {
    /// Where it stands in its folder: the first is 1.
    pub number: u32,
    /// What is said of it.
    pub told: Told,
    /// The tensors that were learned, by name; all others are the reader's.
    pub weights: Weights,
    /// The texts it was learned from: their letters' habits are weighed, too.
    pub texts: Vec<String>,
}

impl Learned {
    /// What a reader with this part is called.
    pub fn name(&self, reader: &str) -> String {
        format!("{reader} + learned {} no. {}", self.told.day, self.number)
    }

    /// The learned part in use in `folder` (a collection folder's `reader`):
    /// the one with the highest number. `None` where there is none.
    ///
    /// # Errors
    /// Names the file that is damaged.
    pub fn newest(folder: &Path) -> Result<Option<Learned>> {
        numbered(folder, "").pop().map(|(number, path)| Self::load(&path, number)).transpose()
    }

    fn load(path: &Path, number: u32) -> Result<Learned> {
        let damaged = |fact: String| {
            Trouble::file(path, fact).hint(
                "take it from a backup, or go back to the reader before it with: glassine unlearn FOLDER",
            )
        };
        let bytes = std::fs::read(path).map_err(|e| damaged("cannot be read".into()).cause(e))?;
        let wrong =
            |e: safetensors::SafeTensorError| damaged("is no learned part of a reader".into()).cause(e);
        let (_, header) = SafeTensors::read_metadata(&bytes).map_err(wrong)?;
        let said = header.metadata().clone().unwrap_or_default();
        let tensors = SafeTensors::deserialize(&bytes).map_err(wrong)?;
        let text = |key: &str| said.get(key).cloned().unwrap_or_default();
        let told = Told {
            base: text("base"),
            base_name: text("base_name"),
            day: text("day"),
            lines: text("lines").parse().unwrap_or(0),
            held: text("held_back").parse().unwrap_or(0),
            before: text("error_before").parse().unwrap_or(f64::NAN),
            after: text("error_after").parse().unwrap_or(f64::NAN),
        };
        let mut weights = Weights::new();
        for (name, tensor) in tensors.iter() {
            let data = numbers(tensor.dtype(), tensor.data()).ok_or_else(|| {
                damaged(format!("holds {name} in another number format than float32 or float16"))
            })?;
            weights.push(Tensor { name: name.to_owned(), shape: tensor.shape().to_vec(), data });
        }
        weights.sort_by(|a, b| a.name.cmp(&b.name));
        if let Some(name) = NAMES.iter().find(|name| weights.iter().all(|t| t.name != **name)) {
            return Err(damaged(format!("lacks {name}")));
        }
        if weights.iter().flat_map(|t| &t.data).any(|v| !v.is_finite()) {
            return Err(damaged("holds numbers that are none".into()));
        }
        let texts = match said.get("texts") {
            Some(texts) => {
                serde_json::from_str(texts).map_err(|e| damaged("holds damaged texts".into()).cause(e))?
            }
            None => Vec::new(),
        };
        Ok(Learned { number, told, weights, texts })
    }

    /// Writes a learned part into `folder`, as the newest.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn keep(folder: &Path, told: Told, mut weights: Weights, texts: Vec<String>) -> Result<Learned> {
        weights.sort_by(|a, b| a.name.cmp(&b.name));
        let number = numbered(folder, "").last().map_or(0, |l| l.0);
        // A number is never given twice: lines say by it what read them.
        let number = numbered(folder, ASIDE).last().map_or(0, |l| l.0).max(number) + 1;
        let path = folder.join(format!("{PREFIX}{number:04}.{ENDING}"));
        let failed = |e: std::io::Error| {
            Trouble::file(&path, "cannot be written")
                .cause(e)
                .hint("check that there is room and that the folder may be written to, then learn again")
        };
        let stored: Vec<(Dtype, Vec<u8>)> = weights.iter().map(|t| t.stored()).collect();
        let mut views = Vec::new();
        for (tensor, (kind, bytes)) in weights.iter().zip(&stored) {
            let view = TensorView::new(*kind, tensor.shape.clone(), bytes)
                .map_err(|e| failed(std::io::Error::other(e)))?;
            views.push((tensor.name.as_str(), view));
        }
        let said = HashMap::from([
            ("base".to_owned(), told.base.clone()),
            ("base_name".to_owned(), told.base_name.clone()),
            ("day".to_owned(), told.day.clone()),
            ("lines".to_owned(), told.lines.to_string()),
            ("held_back".to_owned(), told.held.to_string()),
            ("error_before".to_owned(), told.before.to_string()),
            ("error_after".to_owned(), told.after.to_string()),
            ("texts".to_owned(), serde_json::to_string(&texts).unwrap_or_default()),
        ]);
        let bytes = serialize(views, Some(said)).map_err(|e| failed(std::io::Error::other(e)))?;
        std::fs::create_dir_all(folder).map_err(failed)?;
        files::write(&path, &bytes).map_err(failed)?;
        Ok(Learned { number, told, weights, texts })
    }

    /// Takes the newest learned part out of use: its file is renamed, never
    /// removed. Gives what it is called now, `None` where there was none.
    ///
    /// # Errors
    /// Where it cannot be renamed.
    pub fn put_aside(folder: &Path) -> Result<Option<PathBuf>> {
        let Some((_, path)) = numbered(folder, "").pop() else { return Ok(None) };
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let aside = folder.join(format!("{ASIDE}{name}.{ENDING}"));
        std::fs::rename(&path, &aside).map_err(|e| {
            Trouble::file(&path, "cannot be renamed").cause(e).hint("check that the folder may be written to")
        })?;
        Ok(Some(aside))
    }
}

const PREFIX: &str = "learned-";
/// Put before that where the part is out of use.
const ASIDE: &str = "aside-";
const ENDING: &str = "safetensors";

/// The learned parts in `folder` whose names begin with `before`, by number, the
/// newest last.
fn numbered(folder: &Path, before: &str) -> Vec<(u32, PathBuf)> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(|e| e.ok());
    let mut found: Vec<(u32, PathBuf)> = entries
        .filter_map(|e| {
            let name = e.file_name().into_string().ok()?;
            let number =
                name.strip_prefix(before)?.strip_prefix(PREFIX)?.strip_suffix(ENDING)?.strip_suffix('.')?;
            Some((number.parse().ok()?, e.path()))
        })
        .collect();
    found.sort();
    found
}

/// The numbers in `bytes`; `None` where they are neither float32 nor float16.
fn numbers(kind: Dtype, bytes: &[u8]) -> Option<Vec<f32>> {
    match kind {
        Dtype::F32 => Some(bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect()),
        Dtype::F16 => {
            Some(bytes.as_chunks::<2>().0.iter().map(|b| f16::from_le_bytes(*b).to_f32()).collect())
        }
        _ => None,
    }
}

/// A reader's file and its weights.
#[derive(Clone, Debug)]
pub struct Shipped {
    /// BLAKE3 hash of the file.
    pub hash: String,
    /// The tensors.
    pub weights: Weights,
    /// By tensor: whether it is stored as float16.
    pub halves: Vec<bool>,
    bytes: Vec<u8>,
    /// By tensor: where its numbers stand in `bytes`.
    places: Vec<Range<usize>>,
}

/// One tensor in a reader's file, as ONNX's protocol buffers hold it.
#[derive(Default)]
struct Stored<'a> {
    dims: Vec<usize>,
    /// 1: float32, 10: float16.
    data_type: u64,
    name: &'a [u8],
    raw_data: &'a [u8],
}

/// One field of a message in protocol buffers: a number, or a run of bytes.
enum Value<'a> {
    Number(u64),
    Bytes(&'a [u8]),
}

/// The fields of a message by tag; stops at what is damaged.
fn fields(mut rest: &[u8]) -> impl Iterator<Item = (u32, Value<'_>)> {
    std::iter::from_fn(move || {
        let (tag, wire) = decode_key(&mut rest).ok()?;
        let number = match wire {
            WireType::ThirtyTwoBit => 4,
            WireType::SixtyFourBit => 8,
            _ => decode_varint(&mut rest).ok()?,
        };
        if wire == WireType::Varint {
            return Some((tag, Value::Number(number)));
        }
        let (bytes, after) = rest.split_at_checked(usize::try_from(number).ok()?)?;
        rest = after;
        Some((tag, Value::Bytes(bytes)))
    })
}

/// The parts of a message that are of tag `wanted` and made of bytes.
fn inside(message: &[u8], wanted: u32) -> impl Iterator<Item = &[u8]> {
    fields(message).filter_map(move |(tag, value)| match value {
        Value::Bytes(bytes) if tag == wanted => Some(bytes),
        _ => None,
    })
}

/// The named tensors of an ONNX model, by the tags of onnx.proto (ONNX IR
/// version 8): ModelProto.graph 7, GraphProto.initializer 5, TensorProto.dims 1,
/// data_type 2, name 8, raw_data 9.
fn initialisers(model: &[u8]) -> impl Iterator<Item = Stored<'_>> {
    inside(model, 7).flat_map(|graph| inside(graph, 5)).map(|tensor| {
        let mut stored = Stored::default();
        for (tag, value) in fields(tensor) {
            match (tag, value) {
                (1, Value::Number(length)) => stored.dims.push(length as usize),
                // Packed, as other writers may have it.
                (1, Value::Bytes(mut lengths)) => {
                    while let Ok(length) = decode_varint(&mut lengths) {
                        stored.dims.push(length as usize);
                    }
                }
                (2, Value::Number(kind)) => stored.data_type = kind,
                (8, Value::Bytes(name)) => stored.name = name,
                (9, Value::Bytes(data)) => stored.raw_data = data,
                _ => {}
            }
        }
        stored
    })
}

/// What a tensor of the file is called here: by its own name, else by the linear
/// layer that takes it (GraphProto.node 1; NodeProto.input 1, name 3). `None` for
/// what is no weight.
fn called(model: &[u8], tensor: &str) -> Option<String> {
    let own = tensor.strip_suffix("_h").unwrap_or(tensor);
    if let Some(name) = own.strip_prefix("learn.").or_else(|| own.strip_prefix("reader.")) {
        return Some(name.to_owned());
    }
    let mut nodes = inside(model, 7).flat_map(|graph| inside(graph, 1));
    nodes.find_map(|node| {
        let name = std::str::from_utf8(inside(node, 3).next()?).ok()?;
        let layer = name.strip_prefix("/reader/")?.strip_suffix("/MatMul")?;
        let takes = inside(node, 1).nth(1)? == own.as_bytes();
        takes.then(|| format!("{}.weight", layer.replace('/', ".")))
    })
}

impl Shipped {
    /// Reads the weights in the reader's file `path`.
    ///
    /// # Errors
    /// Says what is missing in it.
    pub fn load(path: &Path) -> Result<Shipped> {
        let wrong = |fact: String| {
            Trouble::file(path, fact).hint("install the program again: the reader that ships can learn")
        };
        let bytes = std::fs::read(path).map_err(|e| wrong("cannot be read".into()).cause(e))?;
        let mut found = Vec::new();
        for tensor in initialisers(&bytes) {
            let Some(name) = std::str::from_utf8(tensor.name).ok().and_then(|name| called(&bytes, name))
            else {
                continue;
            };
            let kind = match tensor.data_type {
                1 => Dtype::F32,
                10 => Dtype::F16,
                other => return Err(wrong(format!("stores {name} as ONNX data type {other}"))),
            };
            let data = numbers(kind, tensor.raw_data).unwrap_or_default();
            let shape = tensor.dims;
            if data.len() != shape.iter().product::<usize>() {
                return Err(wrong(format!("is cut short at {name}")));
            }
            // The tensor's bytes are a part of the file's.
            let from = tensor.raw_data.as_ptr().addr() - bytes.as_ptr().addr();
            let place = from..from + tensor.raw_data.len();
            found.push((Tensor { name, shape, data }, kind == Dtype::F16, place));
        }
        for name in NAMES {
            if found.iter().all(|f| f.0.name != name) {
                return Err(wrong(format!("names no part `learn.{name}`: it cannot learn")));
            }
        }
        found.sort_by_key(|f| NAMES.iter().position(|name| *name == f.0.name).unwrap_or(NAMES.len()));
        let (mut weights, mut halves, mut places) = (Weights::new(), Vec::new(), Vec::new());
        for (tensor, half, place) in found {
            weights.push(tensor);
            halves.push(half);
            places.push(place);
        }
        let hash = blake3::hash(&bytes).to_hex().to_string();
        Ok(Shipped { hash, weights, halves, bytes, places })
    }

    /// All weights, with those that were `learned` in the place of the shipped.
    pub fn with_learned(&self, learned: &Weights) -> Weights {
        let of = |own: &Tensor| learned.iter().find(|t| t.name == own.name).unwrap_or(own).clone();
        self.weights.iter().map(of).collect()
    }

    /// The reader's file with what was `learned` in the place of its own. (ONNX
    /// Runtime can be handed other initialisers, but casts from float16 are worked
    /// out from the file's before it looks at them.)
    ///
    /// # Panics
    /// Where the weights have other shapes; [`Shipped::fits`] says so before.
    pub fn with(&self, learned: &Weights) -> Vec<u8> {
        let mut bytes = self.bytes.clone();
        for ((tensor, place), half) in self.with_learned(learned).iter().zip(&self.places).zip(&self.halves) {
            let data: Vec<u8> = match half {
                true => tensor.data.iter().flat_map(|v| f16::from_f32(*v).to_le_bytes()).collect(),
                false => tensor.data.iter().flat_map(|v| v.to_le_bytes()).collect(),
            };
            bytes[place.clone()].copy_from_slice(&data);
        }
        bytes
    }

    /// Whether `learned` belongs to this reader, in plain words where not.
    ///
    /// # Errors
    /// Names both readers.
    pub fn fits(&self, learned: &Learned, name: &str) -> Result<()> {
        let known =
            |t: &Tensor| self.weights.iter().any(|own| (&own.name, &own.shape) == (&t.name, &t.shape));
        let shapes = learned.weights.iter().all(known);
        if learned.told.base == self.hash && shapes {
            return Ok(());
        }
        Err(Trouble::new(
            format!("what was learned on {}", learned.told.day),
            format!(
                "belongs to another reader ({}), not to the one installed ({name}); it is put aside and the reader that ships reads",
                learned.told.base_name
            ),
        )
        .hint("learn again with: glassine learn FOLDER"))
    }
}
