//! How well the program reads handwritten test lines, by source: the mean number of wrong characters a
//! character (CER), as the reader's card has it.
//!
//!     cargo bench --bench hands -- HANDWRITING [SOURCE...] [--rules FOLDER]
//!
//! FOLDER may hold a `reading.toml` with other numbers than the program's own.
//! HANDWRITING is the folder with `lines.tsv` (file, source, split, writer, text) and one tar a source.
//! The lines of a writer or letter are set below each other on pages of 25, which then are read as
//! any page, but for finding the lines. Both texts are compared in Unicode's form NFC, with quotes and
//! dashes folded and blanks squeezed, as in `models/training/scoring.py`.

use glassine::geometry::Quad;
use glassine::intake::PhotoFacts;
use glassine::layout::{Label, Page};
use glassine::reading::{NeuralReader, ReadingRules, read};
use image::{Rgb, RgbImage};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use unicode_normalization::UnicodeNormalization;

/// How many lines a page has.
const LINES: usize = 25;

struct Line {
    file: String,
    text: String,
}

fn main() {
    let mut given = std::env::args().skip(1).filter(|a| a != "--bench");
    let Some(folder) = given.next().map(PathBuf::from) else {
        println!("say where the lines are: cargo bench --bench hands -- HANDWRITING [SOURCE...]");
        return;
    };
    let mut wanted: Vec<String> = given.collect();
    let mut own = None;
    if let Some(at) = wanted.iter().position(|w| w == "--rules") {
        own = wanted.drain(at..).nth(1).map(PathBuf::from);
    }
    let models = glassine::runtime::models_folder().expect("the models are installed");
    let rules = ReadingRules::load(own.as_deref()).expect("the rules can be read");
    let mut reader = NeuralReader::load(&models, 1, rules).expect("the models are installed");
    // By source, and by the one who wrote them.
    let mut sources: BTreeMap<String, BTreeMap<String, Vec<Line>>> = BTreeMap::new();
    let table = std::fs::read_to_string(folder.join("lines.tsv")).expect("lines.tsv can be read");
    for row in table.lines().skip(1) {
        let cells: Vec<&str> = row.splitn(5, '\t').collect();
        let [file, source, split, writer, text] = cells[..] else { continue };
        if split == "test" && (wanted.is_empty() || wanted.iter().any(|w| w == source)) {
            let line = Line { file: file.into(), text: text.into() };
            sources.entry(source.into()).or_default().entry(writer.into()).or_default().push(line);
        }
    }
    for (source, writers) in sources {
        let place = tempfile::tempdir().unwrap();
        let unpacked = std::process::Command::new("tar")
            .arg("xf")
            .arg(folder.join(format!("{source}.tar")))
            .arg("-C")
            .arg(place.path())
            .status();
        assert!(unpacked.is_ok_and(|s| s.success()), "{source}.tar cannot be unpacked");
        let (mut wrong, mut all, mut count) = (0, 0, 0);
        let began = std::time::Instant::now();
        for lines in writers.values().flat_map(|lines| lines.chunks(LINES)) {
            for (truth, got) in lines.iter().zip(read_page(lines, place.path(), &mut reader, &rules)) {
                let (truth, got) = (plain(&truth.text), plain(&got));
                wrong += strsim::generic_levenshtein(&truth, &got);
                all += truth.len();
                count += 1;
            }
        }
        let seconds = began.elapsed().as_secs_f64() / f64::from(count);
        println!("{source:12} {count:4} lines  CER {:.4}  {seconds:.3} s a line", wrong as f64 / all as f64);
    }
}

/// What is read in each of the lines.
fn read_page(lines: &[Line], folder: &Path, reader: &mut NeuralReader, rules: &ReadingRules) -> Vec<String> {
    let find = |name: &str| {
        let short = name.rsplit('/').next().unwrap_or(name);
        [folder.join(name), folder.join(short)].into_iter().find(|p| p.exists())
    };
    let pictures: Vec<RgbImage> = lines
        .iter()
        .map(|l| image::open(find(&l.file).unwrap_or_else(|| panic!("no {}", l.file))).unwrap().to_rgb8())
        .collect();
    let width = pictures.iter().map(RgbImage::width).max().unwrap_or(1);
    let height = pictures.iter().map(RgbImage::height).sum();
    let mut page = RgbImage::from_pixel(width, height, Rgb([255; 3]));
    let (mut quads, mut y) = (Vec::new(), 0);
    for picture in &pictures {
        image::imageops::replace(&mut page, picture, 0, i64::from(y));
        let (w, h) = (picture.width() as f32, picture.height() as f32);
        quads.push(Quad::upright(0.0, y as f32, w, y as f32 + h));
        y += picture.height();
    }
    let label = Label {
        quad: Quad::upright(0.0, 0.0, width as f32, height as f32),
        hand: vec![1.0; quads.len()],
        lines: quads.clone(),
        surely_upright: true,
        longer: Vec::new(),
        signs: Vec::new(),
    };
    let facts = PhotoFacts {
        hash: String::new(),
        name: "page".into(),
        page: None,
        width,
        height,
        taken: None,
        place: None,
        folder: String::new(),
    };
    let reading =
        read(&facts, &page, &Page { labels: vec![label], codes: Vec::new() }, reader, rules).unwrap();
    let got = |quad: &Quad| {
        let mut lines = reading.labels.iter().flat_map(|l| &l.lines);
        lines.find(|l| l.quad == *quad).map(|l| l.text()).unwrap_or_default()
    };
    quads.iter().map(got).collect()
}

/// A text as it is compared.
fn plain(text: &str) -> Vec<char> {
    let fold = |c| match c {
        '’' | '‘' => '\'',
        '“' | '”' | '„' => '"',
        '—' | '–' | '−' => '-',
        'ȼ' => 'c',
        c => c,
    };
    text.nfc()
        .map(fold)
        .collect::<String>()
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .chars()
        .collect()
}
