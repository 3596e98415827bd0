//! Runs neural networks: finds the model files and wraps ONNX Runtime.
//!
//! The library of ONNX Runtime and the models that come in packages are put
//! into `models/fetched/` by the set-up; nothing is downloaded while the
//! program runs. Why ONNX Runtime and not a runtime in Rust: see the table of
//! measured times in DEVELOPERS.md.

use crate::trouble::{Result, Trouble};
use ort::environment::Environment;
use ort::session::{
    HasSelectedOutputs, OutputSelector, RunOptions, Session, builder::GraphOptimizationLevel,
};
use ort::value::TensorRef;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// The next step where a file that belongs to the program is missing or damaged.
pub(crate) const AGAIN: &str = "install the program again, or run `make setup` in its source tree";

/// The folder that holds the models: `GLASSINE_MODELS` where that is set, else
/// `models` beside the program, else `models` of the source tree it was built
/// from.
///
/// # Errors
/// Says where it looked and that the set-up fetches the models.
pub fn models_folder() -> Result<PathBuf> {
    let mut tried = Vec::new();
    let named = std::env::var_os("GLASSINE_MODELS").map(PathBuf::from);
    let beside = std::env::current_exe().ok().and_then(|p| p.parent().map(|p| p.join("models")));
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
    for folder in [named, beside, Some(source)].into_iter().flatten() {
        if folder.join("fetched").is_dir() {
            return Ok(folder);
        }
        tried.push(folder.display().to_string());
    }
    Err(Trouble::new("models", format!("not found; looked in {}", tried.join(", ")))
        .hint(
            "install the program again, run `make setup` in its source tree, or name their folder in GLASSINE_MODELS",
        ))
}

/// ONNX Runtime, loaded once for the whole program.
fn environment(models: &Path) -> Result<&'static Environment> {
    static LOADED: OnceLock<std::result::Result<Environment, String>> = OnceLock::new();
    let path = models.join("fetched").join("libonnxruntime.so");
    let loaded = LOADED.get_or_init(|| {
        let builder = ort::init_from(&path).map_err(|e| e.to_string())?;
        builder.with_name("glassine").build().map_err(|e| e.to_string())
    });
    loaded.as_ref().map_err(|e| {
        Trouble::file(&path, format!("the library of ONNX Runtime cannot be loaded: {e}")).hint(AGAIN)
    })
}

/// How the convolutions that our networks mark for 8-bit numbers are worked out.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Sums {
    /// In whole numbers, in four to six tenths of the time.
    Whole,
    /// Step by step in float32, rounded where the whole numbers would be.
    Stepwise,
}

impl Sums {
    /// What this processor works out rightly. On x86 without VNNI two products of
    /// 8-bit numbers are added in 16 bits, which may be too few (OpenVINO's manual,
    /// "Saturation (overflow) issue workaround"; ONNX Runtime's kernels do the same).
    fn of_this_processor() -> Self {
        #[cfg(target_arch = "x86_64")]
        if !is_x86_feature_detected!("avx512vnni") && !is_x86_feature_detected!("avxvnni") {
            return Sums::Stepwise;
        }
        Sums::Whole
    }
}

/// A loaded network with one input; its first output is its answer.
pub struct Network {
    session: Session,
    name: String,
    /// The first output's name, and what asks for it alone.
    first: (String, RunOptions<HasSelectedOutputs>),
}

/// A network's output: its shape, and its numbers in row-major order.
pub struct Output {
    /// Length of every axis.
    pub shape: Vec<usize>,
    /// The numbers, the last axis fastest.
    pub data: Vec<f32>,
}

impl Network {
    /// Loads the ONNX file `path`, to run on `threads` threads a call.
    ///
    /// # Errors
    /// Names the file that is missing or is no network.
    pub fn load(models: &Path, path: &Path, threads: usize) -> Result<Self> {
        Self::load_with(models, path, threads, None)
    }

    /// As [`Network::load`], with `bytes`, where given, in the place of the file's.
    ///
    /// # Errors
    /// Names the file that is missing or is no network.
    pub fn load_with(models: &Path, path: &Path, threads: usize, bytes: Option<&[u8]>) -> Result<Self> {
        Self::load_as(models, path, threads, bytes, Sums::of_this_processor())
    }

    /// As [`Network::load_with`], with the arithmetic named.
    fn load_as(models: &Path, path: &Path, threads: usize, bytes: Option<&[u8]>, sums: Sums) -> Result<Self> {
        let environment = environment(models)?;
        if !path.exists() {
            return Err(Trouble::file(path, "is missing").hint(AGAIN));
        }
        let wrong =
            |e: String| Trouble::file(path, format!("cannot be loaded as a network: {e}")).hint(AGAIN);
        let mut builder = Session::builder(environment)
            .map_err(|e| wrong(e.to_string()))?
            .with_optimization_level(GraphOptimizationLevel::Level3)
            .map_err(|e| wrong(e.to_string()))?
            .with_intra_threads(threads)
            .map_err(|e| wrong(e.to_string()))?
            // Shapes change with every photograph: a remembered memory plan is
            // never used again and only holds memory.
            .with_memory_pattern(false)
            .map_err(|e| wrong(e.to_string()))?
            .with_config_entry("session.disable_quant_qdq", if sums == Sums::Whole { "0" } else { "1" })
            .map_err(|e| wrong(e.to_string()))?;
        let session = match bytes {
            Some(bytes) => builder.commit_from_memory(bytes),
            None => builder.commit_from_file(path),
        };
        let session = session.map_err(|e| wrong(e.to_string()))?;
        let first = session.outputs().first().map(|o| o.name().to_owned()).unwrap_or_default();
        let first = selecting(&[&first]).map(|options| (first, options)).map_err(|e| wrong(e.to_string()))?;
        Ok(Network { session, name: path.display().to_string(), first })
    }

    /// Whether the network gives an output of this name.
    pub fn gives(&self, output: &str) -> bool {
        self.session.outputs().iter().any(|o| o.name() == output)
    }

    /// Runs the network as [`Network::run`] does, for the outputs named.
    ///
    /// # Errors
    /// What ONNX Runtime says, with the model's name.
    pub fn run_for(&mut self, shape: [usize; 4], data: &[f32], outputs: &[&str]) -> Result<Vec<Output>> {
        let options = selecting(outputs).map_err(|e| failed(&self.name, e))?;
        answers(&mut self.session, &self.name, (shape, data), &options, outputs)
    }

    /// The text that the model file carries under `key`, where it has one.
    pub fn metadata(&self, key: &str) -> Option<String> {
        self.session.metadata().ok()?.custom(key)
    }

    /// Runs the network on `data` of shape `shape` (batch, channels, height,
    /// width).
    ///
    /// # Errors
    /// What ONNX Runtime says, with the model's name.
    pub fn run(&mut self, shape: [usize; 4], data: &[f32]) -> Result<Output> {
        let (first, options) = &self.first;
        let mut given = answers(&mut self.session, &self.name, (shape, data), options, &[first])?;
        Ok(given.remove(0))
    }
}

fn failed(name: &str, e: ort::Error) -> Trouble {
    Trouble::new(name, "the network failed")
        .cause(e.to_string())
        .hint("where memory is short, read fewer photographs at once: --workers 1")
}

/// What `session` gives for one input, by the names of the outputs.
fn answers(
    session: &mut Session,
    name: &str,
    input: ([usize; 4], &[f32]),
    options: &RunOptions<HasSelectedOutputs>,
    outputs: &[&str],
) -> Result<Vec<Output>> {
    let wrong = |e| failed(name, e);
    let input = TensorRef::from_array_view(input).map_err(wrong)?;
    let given = session.run_with_options(ort::inputs![input], options).map_err(wrong)?;
    let take = |output: &&str| {
        let value =
            given.get(*output).ok_or_else(|| Trouble::new(name, format!("gives no {output}")).hint(AGAIN))?;
        let (shape, data) = value.try_extract_tensor::<f32>().map_err(wrong)?;
        Ok(Output { shape: shape.iter().map(|&d| d as usize).collect(), data: data.to_vec() })
    };
    outputs.iter().map(take).collect()
}

/// Options that ask for these outputs alone.
fn selecting(outputs: &[&str]) -> ort::Result<RunOptions<HasSelectedOutputs>> {
    let chosen = outputs.iter().fold(OutputSelector::no_default(), |chosen, name| chosen.with(*name));
    Ok(RunOptions::new()?.with_outputs(chosen))
}

/// Writes 8-bit RGB into a network's input: three planes (red, green, blue),
/// each value `(v / 255 - 0.5) / 0.5`, the scaling of the PP-OCR models.
///
/// `planes` holds `3 * width * height` numbers for a picture `width` wide (the
/// picture may be narrower: the rest keeps what it held).
pub fn planes(picture: &image::RgbImage, width: usize, planes: &mut [f32]) {
    let (w, h) = (picture.width() as usize, picture.height() as usize);
    let area = width * h;
    for (y, row) in picture.as_raw().chunks_exact(w * 3).enumerate() {
        for (x, rgb) in row.chunks_exact(3).enumerate() {
            let at = y * width + x;
            for (channel, &value) in rgb.iter().enumerate() {
                planes[channel * area + at] = f32::from(value) / 127.5 - 1.0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn old_processors_find_and_read_what_new_ones_do() {
        let Ok(models) = models_folder() else { return eprintln!("skipped: the models are not here") };
        // Dark bars on paper, as high and as far apart as lines of writing.
        let ink =
            |x: u32, y: u32| y % 40 > 25 && !(x / 7 + y / 3).is_multiple_of(3) && (40..280).contains(&x);
        let picture =
            image::RgbImage::from_fn(320, 192, |x, y| image::Rgb([if ink(x, y) { 40 } else { 220 }; 3]));
        let line = image::imageops::crop_imm(&picture, 0, 60, 320, 48).to_image();
        for (file, picture) in [("finder/finder.onnx", &picture), ("reader/reader.onnx", &line)] {
            let (w, h) = (picture.width() as usize, picture.height() as usize);
            let mut data = vec![0.0; 3 * w * h];
            planes(picture, w, &mut data);
            let says = |sums| {
                let mut network = Network::load_as(&models, &models.join(file), 1, None, sums).unwrap();
                network.run([1, 3, h, w], &data).unwrap().data
            };
            let (whole, stepwise) = (says(Sums::Whole), says(Sums::Stepwise));
            let mean = |numbers: &mut dyn Iterator<Item = f32>| numbers.sum::<f32>() / whole.len() as f32;
            let apart = mean(&mut whole.iter().zip(&stepwise).map(|(a, b)| (a - b).abs()));
            let size = mean(&mut stepwise.iter().map(|v| v.abs()));
            assert!(size > 0.01 && apart < 0.05 * size, "{file}: {apart} of {size}");
        }
    }

    #[test]
    fn planes_hold_each_colour_apart_from_minus_one_to_one() {
        let picture = image::RgbImage::from_raw(1, 2, vec![0, 255, 0, 255, 0, 0]).unwrap();
        let mut data = vec![9.0; 3 * 2 * 2];
        planes(&picture, 2, &mut data);
        assert_eq!(data, [-1.0, 9.0, 1.0, 9.0, 1.0, 9.0, -1.0, 9.0, -1.0, 9.0, -1.0, 9.0]);
    }
}
