//! The neural reader: cuts every line out, levels it and gives it to a network
//! that reads characters along the line.

use super::beam;
use super::ctc::{Alphabet, Alternatives, Steps, add, along, best_path, chance};
use super::grams::{Grams, Habits};
use super::learned::{Learned, Shipped};
use super::words::{Prose, Words};
use super::{ReadLine, Reader, ReadingRules, View};
use crate::geometry::{Point, Quad};
use crate::layout::{resize, resize_by};
use crate::runtime::{Network, planes};
use crate::trouble::{Result, Trouble};
use fast_image_resize::FilterType;
use image::{Rgb, RgbImage};
use serde::Deserialize;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// What a model of our own says of itself in `reader.json`.
#[derive(Clone, Debug, Deserialize)]
struct About {
    /// Name and version, kept with every line it read.
    name: String,
    /// Height of the lines it reads, in pixels.
    height: u32,
    /// Its scores are divided by this before they become probabilities, so that
    /// they are right as often as they say; fitted on lines it did not learn.
    #[serde(default = "one")]
    temperature: f32,
    /// Name of the file with the habits of letters (see [`Grams`]), where it has
    /// one.
    #[serde(default)]
    letters: Option<String>,
    /// Name of the file with English words and pairs of words (see [`Words`]),
    /// where it has one.
    #[serde(default)]
    words: Option<String>,
}

fn one() -> f32 {
    1.0
}

/// A text of the reader's `folder`.
fn told(folder: &Path, name: &str) -> Result<String> {
    let path = folder.join(name);
    std::fs::read_to_string(&path).map_err(|e| {
        Trouble::file(&path, "cannot be read")
            .cause(e)
            .hint("install the program again, or restore models/ in its source tree")
    })
}

impl About {
    /// What the reader in `folder` says of itself.
    fn of(folder: &Path) -> Result<Self> {
        serde_json::from_str(&told(folder, "reader.json")?).map_err(|e| {
            Trouble::file(&folder.join("reader.json"), "is not what a reader says of itself").cause(e)
        })
    }
}

/// The neural reader with one model.
pub struct NeuralReader {
    network: Network,
    alphabet: Alphabet,
    habits: Option<Habits>,
    about: About,
    /// Where its words lie, which are loaded when running writing is met.
    words: Option<PathBuf>,
    rules: ReadingRules,
    /// The character of every class but blank.
    characters: Vec<char>,
}

impl NeuralReader {
    /// Loads the reader from the models folder, to run on `threads` threads:
    /// our own (`reader/`) where it is there, else the general PP-OCRv6 small.
    ///
    /// # Errors
    /// Names the model file that is missing or damaged.
    pub fn load(models: &Path, threads: usize, rules: ReadingRules) -> Result<Self> {
        if models.join("reader").join("reader.json").exists() {
            Self::load_own(models, &models.join("reader"), threads, rules)
        } else {
            Self::load_general(models, threads, rules)
        }
    }

    /// Loads the general PP-OCRv6 small recogniser, kept to the characters of
    /// our trade.
    ///
    /// # Errors
    /// Names the model file that is missing or damaged.
    pub fn load_general(models: &Path, threads: usize, rules: ReadingRules) -> Result<Self> {
        let path = models.join("fetched").join("PP-OCRv6_rec_small.onnx");
        let network = Network::load(models, &path, threads)?;
        let listed = network.metadata("character").ok_or_else(|| {
            Trouble::file(&path, "carries no list of characters").hint(crate::runtime::AGAIN)
        })?;
        // One character a line; a class of several characters is not for us.
        let mut characters: Vec<char> = listed
            .split('\n')
            .map(|line| {
                let mut chars = line.trim_end_matches('\r').chars();
                match (chars.next(), chars.next()) {
                    (Some(c), None) => c,
                    _ => '\u{fffd}',
                }
            })
            .collect();
        characters.truncate(GENERAL_CLASSES - 2);
        characters.resize(GENERAL_CLASSES - 2, '\u{fffd}');
        characters.push(' ');
        let alphabet = Alphabet::new(characters.clone(), of_our_trade);
        let about = About {
            name: "PP-OCRv6-small".into(),
            height: rules.line_height,
            temperature: 1.0,
            letters: None,
            words: None,
        };
        Ok(NeuralReader { network, alphabet, habits: None, words: None, about, rules, characters })
    }

    /// Loads a reader of our own from `folder` (`reader.onnx`, `reader.json`,
    /// `alphabet.txt` with one character a line in class order).
    ///
    /// # Errors
    /// Names the file that is missing or damaged.
    pub fn load_own(models: &Path, folder: &Path, threads: usize, rules: ReadingRules) -> Result<Self> {
        Self::open(models, folder, threads, rules, None, &[])
    }

    /// As [`NeuralReader::load_own`], with `bytes`, where given, in the place of
    /// the network's file, and with the habits of the collector who wrote `own`.
    fn open(
        models: &Path,
        folder: &Path,
        threads: usize,
        rules: ReadingRules,
        bytes: Option<&[u8]>,
        own: &[String],
    ) -> Result<Self> {
        let about = About::of(folder)?;
        let characters: Vec<char> =
            told(folder, "alphabet.txt")?.split('\n').filter_map(|line| line.chars().next()).collect();
        let network = Network::load_with(models, &folder.join("reader.onnx"), threads, bytes)?;
        let grams = about.letters.as_ref().map(|name| Grams::shared(&folder.join(name))).transpose()?;
        let habits = grams.map(|grams| Habits::new(grams, own));
        Ok(NeuralReader {
            network,
            alphabet: Alphabet::new(characters.clone(), |_| true),
            habits,
            words: about.words.as_ref().map(|name| folder.join(name)),
            about,
            rules,
            characters,
        })
    }

    /// Loads our own reader with a part that was learned; without, it is
    /// [`NeuralReader::load`].
    ///
    /// # Errors
    /// Where the learned part belongs to another reader, and as `load`.
    pub fn load_learned(
        models: &Path,
        threads: usize,
        rules: ReadingRules,
        learned: Option<&Learned>,
    ) -> Result<Self> {
        let Some(learned) = learned else { return Self::load(models, threads, rules) };
        let folder = models.join("reader");
        let bytes = Self::suited(models, learned)?.with(&learned.weights);
        let mut reader = Self::open(models, &folder, threads, rules, Some(&bytes), &learned.texts)?;
        reader.about.name = learned.name(&reader.about.name);
        Ok(reader)
    }

    /// The file of our own reader, if `learned` belongs to it.
    ///
    /// # Errors
    /// Where it belongs to another reader, or a file is missing or damaged.
    pub fn suited(models: &Path, learned: &Learned) -> Result<Shipped> {
        let folder = models.join("reader");
        let shipped = Shipped::load(&folder.join("reader.onnx"))?;
        shipped.fits(learned, &About::of(&folder)?.name)?;
        Ok(shipped)
    }

    /// The class of every character of `text`; `None` where the reader cannot
    /// produce one.
    pub fn classes(&self, text: &str) -> Option<Vec<usize>> {
        let class = |c: char| self.characters.iter().position(|k| *k == c).map(|i| i + 1);
        text.chars().map(class).collect()
    }

    /// The habits this reader weighs, for the collector who wrote the lines `own`.
    pub fn habits(&self, own: &[String]) -> Option<Habits> {
        self.habits.as_ref().map(|habits| habits.of(own))
    }

    /// What `scores` (of the network, a row of classes a step) say with these
    /// habits, as classes.
    pub fn says(&self, scores: &[f32], habits: Option<&Habits>) -> Vec<usize> {
        let steps = Steps::new(scores, &self.alphabet, self.about.temperature);
        match habits {
            Some(habits) => beam::search(&steps, &self.alphabet, habits, &self.rules.beam),
            None => {
                let keep = Alternatives { most: 0, from: 1.0 };
                let chars = best_path(&steps, &self.alphabet, keep, 1.0);
                self.classes(&chars.iter().map(|c| c.ch).collect::<String>()).unwrap_or_default()
            }
        }
    }

    /// How this reader cuts lines out.
    pub fn cutter(&self) -> Cutter {
        Cutter { height: self.about.height, rules: self.rules }
    }

    /// What the network itself says of a line, a row of classes a step.
    ///
    /// # Errors
    /// Where the network fails.
    pub fn scores(&mut self, picture: &RgbImage, quad: &Quad) -> Result<Vec<f32>> {
        let crop = cut(picture, quad, self.about.height, &self.rules);
        self.run(filled(&crop, &self.rules))
    }

    /// What the network says of a line cut out and filled up.
    fn run(&mut self, line: RgbImage) -> Result<Vec<f32>> {
        let (w, h) = (line.width() as usize, line.height() as usize);
        let mut data = vec![0.0; 3 * w * h];
        planes(&line, w, &mut data);
        let output = self.network.run([1, 3, h, w], &data)?;
        if output.shape.last() != Some(&self.alphabet.classes()) {
            return Err(Trouble::new(
                &self.about.name,
                format!(
                    "the network has {:?} classes but its alphabet {}",
                    output.shape.last(),
                    self.alphabet.classes()
                ),
            )
            .hint("the model and its alphabet do not belong together; install the program again"));
        }
        Ok(output.data)
    }

    /// Looks at a line that was cut out of a photograph at `quad`.
    fn look(&mut self, quad: &Quad, crop: RgbImage) -> Result<Look> {
        let whole = filled(&crop, &self.rules);
        let filled = crop.width() as f32 / whole.width() as f32;
        let steps = Steps::new(&self.run(whole)?, &self.alphabet, self.about.temperature);
        Ok(Look { quad: *quad, crop, steps, filled })
    }

    fn read_line(&mut self, view: &mut View, quad: &Quad) -> Result<Option<ReadLine>> {
        let look = self.look(quad, cut(view.picture, quad, self.about.height, &self.rules))?;
        let text =
            self.habits.as_ref().map(|h| beam::search(&look.steps, &self.alphabet, h, &self.rules.beam));
        let line = self.line(&look, text.as_deref());
        if self.words.is_some() {
            view.looks.push(look);
        }
        Ok(line)
    }

    /// The line of `text` (used classes) as a look shows it; without a text that of the best path.
    fn line(&self, look: &Look, text: Option<&[usize]>) -> Option<ReadLine> {
        let keep = Alternatives { most: self.rules.alternatives, from: self.rules.alternative_from };
        let chars = match text {
            Some(text) => along(text, &look.steps, &self.alphabet, keep, look.filled),
            None => best_path(&look.steps, &self.alphabet, keep, look.filled),
        };
        ReadLine::from_chars(look.quad, chars, &format!("neural {}", self.about.name))
    }

    /// Reads a line of running writing: looked at as it is and narrower (hasty hands write wide), and
    /// of the texts found in both looks the one taken that words, letters and both looks like best.
    fn read_prose_line(&mut self, view: &mut View, quad: &Quad, words: &Words) -> Result<Option<ReadLine>> {
        let first = match view.looks.iter().position(|look| look.quad == *quad) {
            Some(at) => view.looks.swap_remove(at),
            None => self.look(quad, cut(view.picture, quad, self.about.height, &self.rules))?,
        };
        let narrower = self.look(quad, squeezed(&first.crop, self.rules.prose.narrower))?;
        let looks = [first, narrower];
        let Some(habits) = &self.habits else { return Ok(None) };
        let prose = Prose { habits, words };
        let mut found: Vec<beam::Found> = Vec::new();
        for look in &looks {
            for text in beam::texts(&look.steps, &self.alphabet, &prose, &self.rules.prose.beam, usize::MAX) {
                if found.iter().all(|f| f.text != text.text) {
                    found.push(text);
                }
            }
        }
        // The mean of both looks, and the look that likes it better, count alike: a line is wide or
        // it is not, but a letter may be seen in one look only.
        let score = |f: &beam::Found| {
            let [a, b] = [&looks[0], &looks[1]].map(|look| chance(&f.text, &look.steps).max(-1e6));
            ((add(a, b) + (a + b) / 2.0) / 2.0 + f.usual, a >= b)
        };
        let scored = found.iter().map(|f| (score(f), f));
        let best = scored.max_by(|a, b| a.0.0.total_cmp(&b.0.0));
        Ok(best.and_then(|((_, natural), f)| self.line(&looks[usize::from(!natural)], Some(&f.text))))
    }
}

/// What the network saw of one line.
pub(super) struct Look {
    pub quad: Quad,
    /// The line, levelled to the network's height.
    crop: RgbImage,
    steps: Steps,
    /// The share (0 to 1) of the steps that the line fills.
    filled: f32,
}

/// How many classes the general model has: its characters, blank and space.
const GENERAL_CLASSES: usize = 18_710;

impl Reader for NeuralReader {
    fn read(&mut self, view: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
        lines.iter().map(|quad| self.read_line(view, quad)).collect()
    }

    fn words(&mut self) -> Result<Option<Arc<Words>>> {
        match (&self.words, &self.habits) {
            (Some(path), Some(_)) => Words::shared(path).map(Some),
            _ => Ok(None),
        }
    }

    fn read_prose(&mut self, view: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
        match self.words()? {
            Some(words) => lines.iter().map(|quad| self.read_prose_line(view, quad, &words)).collect(),
            None => self.read(view, lines),
        }
    }

    fn name(&self) -> &str {
        &self.about.name
    }

    fn has(&self, ch: char) -> bool {
        self.alphabet.has(ch)
    }
}

/// Whether a label of our trade may hold the character: Latin letters with
/// accents, digits, and the signs of dates, measures, sex and print.
pub fn of_our_trade(c: char) -> bool {
    matches!(c,
        ' '..='~'
        | '¡'..='ſ'     // Latin-1 and Latin Extended-A
        | 'Ș'..='ț'
        | '‐'..='―' | '‘'..='‟' | '•' | '…' | '′' | '″'
        | '♀' | '♂' | '☿' | '№' | '†')
        && !matches!(c, '¢'..='¥' | '¬' | '¯' | '¸')
}

/// How a reader cuts lines out.
#[derive(Clone, Copy, Debug)]
pub struct Cutter {
    height: u32,
    rules: ReadingRules,
}

impl Cutter {
    /// The line at `quad`, levelled to the height that the network takes.
    pub fn crop(&self, picture: &RgbImage, quad: &Quad) -> RgbImage {
        cut(picture, quad, self.height, &self.rules)
    }

    /// A levelled line filled up to a width that the network takes.
    pub fn filled(&self, line: &RgbImage) -> RgbImage {
        let (w, h) = line.dimensions();
        filled(&self.crop(line, &Quad::upright(0.0, 0.0, w as f32, h as f32)), &self.rules)
    }
}

/// Cuts a line out for the network: a picture `height` high and as wide as the line is at that height.
fn cut(picture: &RgbImage, quad: &Quad, height: u32, rules: &ReadingRules) -> RgbImage {
    let width = (quad.width() * height as f32 / quad.height().max(1.0)).round() as u32;
    sample(picture, quad, width.clamp(1, rules.widest_line), height)
}

/// A line that was cut out before, made `share` times as wide. Lanczos keeps it sharp: lines
/// squeezed so read as well as when they are cut out narrower.
fn squeezed(crop: &RgbImage, share: f32) -> RgbImage {
    let width = ((crop.width() as f32 * share).round() as u32).max(1);
    resize_by(crop, width, crop.height(), FilterType::Lanczos3)
}

/// A line filled up on the right: the network halves the width, so whole eights, and never too narrow.
fn filled(crop: &RgbImage, rules: &ReadingRules) -> RgbImage {
    let full = crop.width().max(rules.narrowest_line).div_ceil(8) * 8;
    let mut filled = RgbImage::from_pixel(full, crop.height(), Rgb([128; 3]));
    image::imageops::replace(&mut filled, crop, 0, 0);
    filled
}

/// The part of `picture` inside `quad`, levelled to `width` x `height`.
pub(super) fn sample(picture: &RgbImage, quad: &Quad, width: u32, height: u32) -> RgbImage {
    // Where the photograph is much finer than wanted, cut at its own resolution
    // and average on the way down; else go straight there.
    let (w, h) = if quad.height() > 1.3 * height as f32 {
        ((quad.width().round() as u32).clamp(1, 8000), (quad.height().round() as u32).clamp(1, 2000))
    } else {
        (width, height)
    };
    let crop = warp(picture, quad, w, h);
    if (w, h) == (width, height) { crop } else { resize(&crop, width, height) }
}

/// The part of `picture` inside `quad` as a picture of `width` x `height`, between its pixels by
/// their distance; beyond the picture its edge goes on.
///
/// Does what imageproc's warping does, to the bit. That asks a closure for every pixel, which
/// took a fifth of the time of reading a page.
fn warp(picture: &RgbImage, quad: &Quad, width: u32, height: u32) -> RgbImage {
    let (w, h) = (picture.width() as i32, picture.height() as i32);
    let pixels = picture.as_raw();
    let [a, b, c, d] = quad.0;
    let share = |n: u32, of: u32| (n as f32 + 0.5) / of as f32;
    // The upper and the lower end of every column.
    let columns: Vec<(Point, Point)> =
        (0..width).map(|x| share(x, width)).map(|u| (a.towards(b, u), d.towards(c, u))).collect();
    // The pixel before and its distance; `floor` is a call of a library where SSE 4.1 is not sure.
    let before = |v: f32| {
        let whole = v as i32;
        let whole = whole - i32::from(whole as f32 > v);
        (whole, v - whole as f32)
    };
    let mut out = RgbImage::new(width, height);
    for (y, row) in out.chunks_exact_mut(3 * width as usize).enumerate() {
        let v = share(y as u32, height);
        for (rgb, (top, foot)) in row.chunks_exact_mut(3).zip(&columns) {
            let p = top.towards(*foot, v);
            let ((x, right), (y, down)) = (before(p.x - 0.5), before(p.y - 0.5));
            let (x0, x1) = (x.clamp(0, w - 1), (x + 1).clamp(0, w - 1));
            let (y0, y1) = (y.clamp(0, h - 1), (y + 1).clamp(0, h - 1));
            let at = |x: i32, y: i32| -> [f32; 3] {
                let i = 3 * (y as usize * w as usize + x as usize);
                [pixels[i], pixels[i + 1], pixels[i + 2]].map(f32::from)
            };
            let (nw, ne, sw, se) = (at(x0, y0), at(x1, y0), at(x0, y1), at(x1, y1));
            // Each step is cut to a whole number.
            let between = |a: f32, b: f32, share: f32| ((1.0 - share) * a + share * b) as u8;
            for (k, value) in rgb.iter_mut().enumerate() {
                let (upper, lower) = (between(nw[k], ne[k], right), between(sw[k], se[k], right));
                *value = between(f32::from(upper), f32::from(lower), down);
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_levelled_whatever_its_direction() {
        // Left half black, right half white, photographed upside down.
        let mut picture = RgbImage::from_pixel(96, 48, Rgb([255; 3]));
        for y in 0..48 {
            for x in 48..96 {
                picture.put_pixel(x, y, Rgb([0; 3]));
            }
        }
        let quad = Quad::upright(0.0, 0.0, 96.0, 48.0).turned();
        let crop = cut(&picture, &quad, 48, &ReadingRules::built_in());
        assert_eq!(crop.dimensions(), (96, 48));
        assert_eq!((crop.get_pixel(10, 24)[0], crop.get_pixel(80, 24)[0]), (0, 255));
    }

    #[test]
    fn a_fine_photograph_is_averaged_down_and_short_lines_are_filled_up() {
        let picture = RgbImage::from_fn(400, 480, |x, _| Rgb([if x % 2 == 0 { 0 } else { 255 }; 3]));
        let rules = ReadingRules::built_in();
        let crop = cut(&picture, &Quad::upright(0.0, 0.0, 400.0, 480.0), 48, &rules);
        assert_eq!((crop.dimensions(), filled(&crop, &rules).dimensions()), ((40, 48), (48, 48)));
        let tone = crop.get_pixel(20, 20)[0];
        assert!((100..156).contains(&tone), "stripes finer than a pixel average to grey, not {tone}");
    }

    /// Against imageproc's own warping, by the same points.
    #[test]
    fn a_slanted_line_is_cut_as_a_reference_library_cuts_it() {
        use imageproc::geometric_transformations::{Border, Interpolation, warp_into_with};
        let picture = RgbImage::from_fn(90, 70, |x, y| {
            Rgb([(x * 7 + y * 3) as u8, (x * x / 5 + 11 * y) as u8, ((x * 13) ^ (y * 29)) as u8])
        });
        // Tilted, not quite a rectangle, and beyond the picture at one end.
        let p = |x, y| Point::new(x, y);
        let quad = Quad([p(-6.3, 12.1), p(80.2, 3.4), p(83.7, 30.9), p(-3.1, 41.2)]);
        let ours = warp(&picture, &quad, 120, 40);
        let [a, b, c, d] = quad.0;
        let map = |x: f32, y: f32| {
            let (u, v) = ((x + 0.5) / 120.0, (y + 0.5) / 40.0);
            let p = a.towards(b, u).towards(d.towards(c, u), v);
            (p.x - 0.5, p.y - 0.5)
        };
        let mut theirs = RgbImage::new(120, 40);
        warp_into_with(&picture, map, Interpolation::Bilinear, Border::Replicate, &mut theirs);
        assert!(ours == theirs);
    }

    #[test]
    fn the_signs_of_the_trade_are_wanted_and_other_scripts_are_not() {
        assert!("Ärz°'\"♂♀☿×±½¼µ&#ñő–".chars().all(of_our_trade));
        assert!(!"中Жα¥".chars().any(of_our_trade));
    }
}
