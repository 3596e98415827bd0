//! The part of the reader that a collector's hand may replace: its tensors as
//! the reader's file holds them, and as they were learned.
//!
//! The file that ships names them `learn.…` (see `models/training/learnable.py`).
//! A learned part is a safetensors file; its metadata say which reader it belongs
//! to, when it was learned, from how many lines, and how it did on lines held
//! back. A learned part whose reader has changed is not used.

use crate::files;
use crate::trouble::{Result, Trouble};
use half::f16;
use prost::encoding::{WireType, decode_key, decode_varint};
use safetensors::tensor::{Dtype, SafeTensors, TensorView, serialize};
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// One tensor by the name it has in the reader's file, without `learn.`.
#[derive(Clone, Debug, PartialEq)]
pub struct Tensor {
    /// For example `lstm0.W`.
    pub name: &'static str,
    /// Length of every axis.
    pub shape: Vec<usize>,
    /// The numbers, the last axis fastest.
    pub data: Vec<f32>,
}

/// All that is learned, in the order of [`NAMES`].
pub type Weights = Vec<Tensor>;

/// What can be learned: a linear layer with layer norm over the columns, two
/// LSTM layers and the linear layer whose scores are added to the head's.
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
    /// The tensors.
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
        for name in NAMES {
            let tensor = tensors.tensor(name).map_err(wrong)?;
            if tensor.dtype() != Dtype::F32 {
                return Err(damaged(format!("holds {name} in another number format than float32")));
            }
            weights.push(Tensor { name, shape: tensor.shape().to_vec(), data: floats(tensor.data()) });
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
    pub fn keep(folder: &Path, told: Told, weights: Weights, texts: Vec<String>) -> Result<Learned> {
        let number = numbered(folder, "").last().map_or(0, |l| l.0);
        // A number is never given twice: lines say by it what read them.
        let number = numbered(folder, ASIDE).last().map_or(0, |l| l.0).max(number) + 1;
        let path = folder.join(format!("{PREFIX}{number:04}.{ENDING}"));
        let failed = |e: std::io::Error| {
            Trouble::file(&path, "cannot be written")
                .cause(e)
                .hint("check that there is room and that the folder may be written to, then learn again")
        };
        let bytes: Vec<Vec<u8>> =
            weights.iter().map(|t| t.data.iter().flat_map(|v| v.to_le_bytes()).collect()).collect();
        let mut views = Vec::new();
        for (tensor, bytes) in weights.iter().zip(&bytes) {
            let view = TensorView::new(Dtype::F32, tensor.shape.clone(), bytes)
                .map_err(|e| failed(std::io::Error::other(e)))?;
            views.push((tensor.name, view));
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

fn floats(bytes: &[u8]) -> Vec<f32> {
    let (four, _) = bytes.as_chunks::<4>();
    four.iter().map(|b| f32::from_le_bytes(*b)).collect()
}

/// A reader's file and its learnable part.
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

/// The named tensors of an ONNX model, by the tags of onnx.proto (ONNX IR
/// version 8): ModelProto.graph 7, GraphProto.initializer 5, TensorProto.dims 1,
/// data_type 2, name 8, raw_data 9.
fn initialisers(model: &[u8]) -> impl Iterator<Item = Stored<'_>> {
    let inside = |message, wanted| {
        fields(message).filter_map(move |(tag, value)| match value {
            Value::Bytes(bytes) if tag == wanted => Some(bytes),
            _ => None,
        })
    };
    inside(model, 7).flat_map(move |graph| inside(graph, 5)).map(|tensor| {
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

impl Shipped {
    /// Reads the learnable part of the reader's file `path`.
    ///
    /// # Errors
    /// Says what is missing in it.
    pub fn load(path: &Path) -> Result<Shipped> {
        let wrong = |fact: String| {
            Trouble::file(path, fact).hint("install the program again: the reader that ships can learn")
        };
        let bytes = std::fs::read(path).map_err(|e| wrong("cannot be read".into()).cause(e))?;
        let (mut weights, mut halves, mut places) = (Weights::new(), Vec::new(), Vec::new());
        for name in NAMES {
            let tensor = initialisers(&bytes)
                .find(|t| t.name.strip_prefix(b"learn.") == Some(name.as_bytes()))
                .ok_or_else(|| wrong(format!("names no part `learn.{name}`: it cannot learn")))?;
            let shape = tensor.dims;
            let data = match tensor.data_type {
                1 => floats(tensor.raw_data),
                10 => {
                    let (two, _) = tensor.raw_data.as_chunks::<2>();
                    two.iter().map(|b| f16::from_le_bytes(*b).to_f32()).collect()
                }
                other => return Err(wrong(format!("stores learn.{name} as ONNX data type {other}"))),
            };
            if data.len() != shape.iter().product::<usize>() {
                return Err(wrong(format!("is cut short at learn.{name}")));
            }
            // The tensor's bytes are a part of the file's.
            let from = tensor.raw_data.as_ptr().addr() - bytes.as_ptr().addr();
            places.push(from..from + tensor.raw_data.len());
            halves.push(tensor.data_type == 10);
            weights.push(Tensor { name, shape, data });
        }
        let hash = blake3::hash(&bytes).to_hex().to_string();
        Ok(Shipped { hash, weights, halves, bytes, places })
    }

    /// The reader's file with `weights` in the place of its own. (ONNX Runtime
    /// can be handed other initialisers, but casts from float16 are worked out
    /// from the file's before it looks at them.)
    ///
    /// # Panics
    /// Where the weights have other shapes; [`Shipped::fits`] says so before.
    pub fn with(&self, weights: &Weights) -> Vec<u8> {
        let mut bytes = self.bytes.clone();
        for ((tensor, place), half) in weights.iter().zip(&self.places).zip(&self.halves) {
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
        let shapes = self.weights.iter().zip(&learned.weights).all(|(a, b)| a.shape == b.shape);
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
