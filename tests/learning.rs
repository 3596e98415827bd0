//! The reader learns a hand: better on lines held back or not at all, its own
//! part put aside where the reader changed, and back to the byte with unlearn.
//!
//! The hand is invented: words of the Tarn Valley survey drawn in DejaVu Sans
//! Condensed, in which some letters are written backwards or upside down.

mod common;

use assert_cmd::Command;
use glassine::catalogue::{Catalogue, Change};
use glassine::geometry::Quad;
use glassine::learning::training::{self, Chance, Course};
use glassine::learning::trunk::Tape;
use glassine::learning::{Judged, Line, School, learn, lines};
use glassine::parsing::{Field, Parsed, Span};
use glassine::reading::learned::{Learned, NAMES, Shipped, Told};
use glassine::reading::{NeuralReader, ReadLabel, ReadLine, Reader, Reading, ReadingRules, View};
use glassine::runtime::models_folder;
use image::{Rgb, RgbImage};
use rustybuzz::ttf_parser::{Face, OutlineBuilder};
use std::path::{Path, PathBuf};

/// The models, where the reader that ships is among them.
fn models() -> Option<PathBuf> {
    let models = models_folder().ok().filter(|m| m.join("reader").join("reader.onnx").exists());
    if models.is_none() {
        println!("skipped: the models are not there");
    }
    models
}

/// A glyph's outline as short straight pieces.
struct Pieces {
    at: (f32, f32),
    start: (f32, f32),
    all: Vec<((f32, f32), (f32, f32))>,
}

impl OutlineBuilder for Pieces {
    fn move_to(&mut self, x: f32, y: f32) {
        (self.at, self.start) = ((x, y), (x, y));
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.all.push((self.at, (x, y)));
        self.at = (x, y);
    }
    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let (a, b) = (self.at, (x1, y1));
        for k in 1..=8 {
            let t = k as f32 / 8.0;
            let on = |a: f32, b: f32, c: f32| (1.0 - t) * (1.0 - t) * a + 2.0 * t * (1.0 - t) * b + t * t * c;
            self.line_to(on(a.0, b.0, x), on(a.1, b.1, y));
        }
    }
    fn curve_to(&mut self, _: f32, _: f32, _: f32, _: f32, x: f32, y: f32) {
        self.line_to(x, y);
    }
    fn close(&mut self) {
        let start = self.start;
        self.line_to(start.0, start.1);
    }
}

/// `text` drawn 48 pixels high.
fn drawn(text: &str) -> RgbImage {
    let face = Face::parse(dejavu::sans_condensed::regular(), 0).unwrap();
    let scale = 28.0 / f32::from(face.units_per_em());
    let mut pieces = Vec::new();
    let mut x = 8.0;
    for c in text.chars() {
        let glyph = face.glyph_index(c).unwrap();
        let mut outline = Pieces { at: (0.0, 0.0), start: (0.0, 0.0), all: Vec::new() };
        face.outline_glyph(glyph, &mut outline);
        let place = |p: (f32, f32)| (x + p.0 * scale, 34.0 - p.1 * scale);
        pieces.extend(outline.all.into_iter().map(|(a, b)| (place(a), place(b))));
        x += f32::from(face.glyph_hor_advance(glyph).unwrap()) * scale;
    }
    let width = x as u32 + 8;
    let mut picture = RgbImage::from_pixel(width, 48, Rgb([232, 226, 210]));
    for y in 0..48u32 {
        // Ink where the outline winds, at four heights of the row.
        let mut ink = vec![0.0f32; width as usize];
        for part in 0..4 {
            let level = y as f32 + (part as f32 + 0.5) / 4.0;
            let mut crossings: Vec<(f32, i32)> = pieces
                .iter()
                .filter(|(a, b)| (a.1 <= level) != (b.1 <= level))
                .map(|(a, b)| {
                    let x = a.0 + (level - a.1) / (b.1 - a.1) * (b.0 - a.0);
                    (x, if a.1 < b.1 { 1 } else { -1 })
                })
                .collect();
            crossings.sort_by(|a, b| a.0.total_cmp(&b.0));
            let mut winding = 0;
            for pair in crossings.windows(2) {
                winding += pair[0].1;
                if winding != 0 {
                    for (x, ink) in ink.iter_mut().enumerate() {
                        let (left, right) = (pair[0].0.max(x as f32), pair[1].0.min(x as f32 + 1.0));
                        *ink += 0.25 * (right - left).max(0.0);
                    }
                }
            }
        }
        for (x, ink) in ink.into_iter().enumerate() {
            let dark = |v: u8| (f32::from(v) * (1.0 - 0.8 * ink.min(1.0))) as u8;
            let pixel = picture.get_pixel_mut(x as u32, y);
            *pixel = Rgb(pixel.0.map(dark));
        }
    }
    picture
}

/// As the invented collector writes: backwards and upside-down letters.
fn in_the_hand(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            'e' => 'э',
            'r' => 'я',
            'n' => 'и',
            'a' => 'ɐ',
            's' => 'ƨ',
            other => other,
        })
        .collect()
}

/// The `n`th invented line, none like another.
fn words(n: usize) -> String {
    let places = ["Tarn Head", "Alder Ghyll", "Low Fold Wood", "Mere End", "Skerrow Moss", "Ravens Nest"];
    let things = ["near stream", "on heather", "at rest", "beaten, larva", "sugared trees"];
    format!("{} {}", places[n % 6], things[n / 6 % 5])
}

/// The `n`th invented line of two short words, none like another.
fn short(n: usize) -> Line {
    let places = ["Tarn", "Alder", "Fold", "Mere", "Moss"];
    let things = ["near", "rest", "larva", "trees", "stream"];
    let text = format!("{} {}", places[n % 5], things[n / 5 % 5]);
    Line { picture: drawn(&in_the_hand(&text)), text }
}

fn lesson(n: usize) -> Line {
    Line { picture: drawn(&in_the_hand(&words(n))), text: words(n) }
}

fn school<'a>(models: &'a Path, folder: &'a Path, course: Course) -> School<'a> {
    School {
        models,
        folder,
        rules: ReadingRules::built_in(),
        current: None,
        judges: None,
        course,
        day: "2026-11-25",
    }
}

/// What the reader reads, every number of it.
fn read(reader: &mut NeuralReader, line: &Line) -> (String, String) {
    let (w, h) = line.picture.dimensions();
    let quad = Quad::upright(0.0, 0.0, w as f32, h as f32);
    let read = reader.read(&mut View::new(&line.picture), &[quad]).unwrap().remove(0);
    (read.as_ref().map(ReadLine::text).unwrap_or_default(), serde_json::to_string(&read).unwrap())
}

/// A picture of no line, the same on every machine.
fn pattern(width: u32) -> RgbImage {
    RgbImage::from_fn(width, 48, |x, y| Rgb([0, 5, 10].map(|c| (((x * 7 + y * 13 + c) * 37) % 256) as u8)))
}

fn wave(count: usize) -> Vec<f32> {
    (0..count).map(|k| (k * 31 % 97) as f32 / 48.0 - 1.0).collect()
}

/// Against PyTorch 2.15.0's automatic differentiation in double precision of the
/// model that `models/training/restore.py` makes of the same file: some scores,
/// and of the gradients of a wave over columns and scores their product with a
/// wave and the sum of their sizes.
#[test]
fn the_way_through_the_reader_and_back_is_that_of_a_reference_library() {
    let Some(models) = models() else { return };
    let weights = Shipped::load(&models.join("reader").join("reader.onnx")).unwrap().weights;
    let tape = Tape::new(&weights, &pattern(64));
    let near = |a: f32, b: f32| (a - b).abs() < 2e-3;
    for (row, reference) in [
        (tape.base().row(3), [18.848_46, -1.532_734, 1.016_576, 5.347_481]),
        (tape.columns().row(5), [-0.270_844, -0.254_094, 0.211_936, 0.033_222]),
    ] {
        assert!(row.iter().zip(reference).all(|(a, b)| near(*a, b)), "{row}");
    }
    let mut gradient: Vec<Vec<f32>> = weights.iter().map(|t| vec![0.0; t.data.len()]).collect();
    let waves = |like: &ndarray::Array2<f32>| {
        ndarray::Array2::from_shape_vec(like.raw_dim(), wave(like.len())).unwrap()
    };
    tape.back(waves(tape.columns()), waves(tape.base()), &mut gradient);
    for (name, product, size) in [
        ("s1.conv.weight", -107.509, 2774.94),
        ("s2b.conv.bias", -2.558_75, 172.054),
        ("s3.conv.weight", -506.247, 359_179.0),
        ("blocks.0.se.b.weight", 116.097, 4082.39),
        ("blocks.3.dw.conv.weight", 33.3445, 2140.75),
        ("blocks.7.up.conv.weight", 119.489, 34_437.2),
        ("blocks.11.se.a.bias", 4.368_78, 98.7877),
        ("blocks.12.down.conv.weight", 37.3786, 195_410.0),
        ("inp.conv.weight", 1776.13, 292_141.0),
        ("mix.conv.weight", 22.6774, 1645.74),
        ("attention.0.n1.weight", -48.3568, 286.781),
        ("attention.0.qkv.weight", -262.881, 42_888.9),
        ("attention.1.f2.bias", -50.4754, 469.012),
        ("final.weight", 3.807_31, 209.419),
        ("head.weight", -1610.31, 163_821.0),
    ] {
        let at = weights.iter().position(|t| t.name == name).unwrap();
        let sum: f32 = gradient[at].iter().zip(wave(gradient[at].len())).map(|(a, b)| a * b).sum();
        let sizes: f32 = gradient[at].iter().map(|g| g.abs()).sum();
        assert!(
            (sizes - size).abs() < 2e-3 * size && (sum - product).abs() < 2e-3 * size,
            "{name}: {sum} {sizes}"
        );
    }
}

#[test]
fn what_learning_says_of_a_line_is_what_the_reader_in_use_says() {
    let Some(models) = models() else { return };
    let mut reader = NeuralReader::load(&models, 1, ReadingRules::built_in()).unwrap();
    let weights = Shipped::load(&models.join("reader").join("reader.onnx")).unwrap().weights;
    for picture in [drawn("Tarn Head 12.vii.1963"), pattern(72)] {
        let (w, h) = picture.dimensions();
        let in_use = reader.scores(&picture, &Quad::upright(0.0, 0.0, w as f32, h as f32)).unwrap();
        let ours = training::scores(&weights, &reader.cutter().filled(&picture));
        assert_eq!(ours.len(), in_use.len());
        // The reader in use works in whole numbers, learning in float32.
        assert_eq!(reader.says(&ours, None), reader.says(&in_use, None));
        let far = ours.iter().zip(&in_use).map(|(a, b)| (a - b).abs()).sum::<f32>() / ours.len() as f32;
        let size = ours.iter().map(|v| v.abs()).sum::<f32>() / ours.len() as f32;
        assert!(far < 0.15 * size, "{far} of {size}");
    }
}

#[test]
fn lines_named_to_judge_are_not_learned_from() {
    let Some(models) = models() else { return };
    let place = tempfile::tempdir().unwrap();
    let all: Vec<Line> = (0..24).map(short).chain((0..8).map(lesson)).collect();
    let judges = all[24..].to_vec();
    // No rounds, since only who judges is asked here.
    let course = Course { rounds: 0, ..Course::default() };
    let school = School { judges: Some(&judges), ..school(&models, place.path(), course) };
    let outcome = learn(&all, &school, &|_| {}).unwrap();
    let characters: usize = judges.iter().map(|j| j.text.chars().count()).sum();
    let judged = &outcome.judged;
    assert_eq!((judged.lines, judged.held, judged.characters), (24, 8, characters), "{judged:?}");
    let few = School { judges: Some(&judges[..3]), ..school };
    let refused = learn(&all[..24], &few, &|_| {}).unwrap_err().to_string();
    assert!(refused.contains("lines to judge by") && refused.contains("3 can be used"), "{refused}");
}

#[test]
fn a_learned_hand_is_read_better_and_unlearned_to_the_byte() {
    let Some(models) = models() else { return };
    let rules = ReadingRules::built_in();
    let place = tempfile::tempdir().unwrap();
    let all: Vec<Line> = (0..24).map(short).collect();
    let course = Course { rounds: 4, rate: 5e-4, batch: 4, ..Course::default() };
    let say = |text: &str| println!("{text}");
    let school = school(&models, place.path(), course);
    let outcome = learn(&all, &school, &say).unwrap();
    println!("{:?}", outcome.judged);
    assert!(outcome.judged.better(), "{:?}", outcome.judged);
    let kept = outcome.kept.unwrap();
    let again = Learned::newest(place.path()).unwrap().unwrap();
    assert_eq!(again.told, kept.told);
    assert!(again.weights == kept.weights, "what was written is not what is read");
    assert!(again.weights.iter().any(|t| t.name == "s1.conv.weight"), "the convolutions learn too");
    // Words it has not learned, in the same hand, through ONNX Runtime.
    let fresh: Vec<Line> = ["Stone pass", "rear lane", "near a sea", "eastern"]
        .map(|text| Line { picture: drawn(&in_the_hand(text)), text: text.into() })
        .into();
    let mut shipped = NeuralReader::load(&models, 1, rules).unwrap();
    let mut learned = NeuralReader::load_learned(&models, 1, rules, Some(&again)).unwrap();
    assert_eq!(learned.name(), format!("{} + learned 2026-11-25 no. 1", shipped.name()));
    let (mut before, mut after) = (0, 0);
    let mut said = Vec::new();
    for line in &fresh {
        let (was, now) = (read(&mut shipped, line), read(&mut learned, line));
        println!("{}: {} -> {}", line.text, was.0, now.0);
        before += strsim::levenshtein(&was.0, &line.text);
        after += strsim::levenshtein(&now.0, &line.text);
        assert!(now.1.contains("+ learned 2026-11-25 no. 1"), "{}", now.1);
        said.push(was.1);
    }
    assert!(after < before, "{before} wrong characters before, {after} after");
    // And back.
    Learned::put_aside(place.path()).unwrap().unwrap();
    let none = Learned::newest(place.path()).unwrap();
    assert!(none.is_none());
    let mut back = NeuralReader::load_learned(&models, 1, rules, none.as_ref()).unwrap();
    assert_eq!(fresh.iter().map(|l| read(&mut back, l).1).collect::<Vec<_>>(), said);
}

#[test]
fn nothing_is_switched_when_nothing_got_better() {
    let Some(models) = models() else { return };
    let place = tempfile::tempdir().unwrap();
    // Letters in no order: no line teaches anything of another.
    let jumbled = |n: usize| -> String {
        let mut chance = Chance(n as u64);
        (0..14).map(|_| char::from(b'a' + (chance.draw() * 26.0) as u8)).collect()
    };
    let lesson = |n: usize| Line { picture: drawn(&in_the_hand(&jumbled(n))), text: jumbled(n) };
    let all: Vec<Line> = (0..30).map(lesson).collect();
    let course = Course { rounds: 0, ..Course::default() };
    let outcome = learn(&all, &school(&models, place.path(), course), &|_| ()).unwrap();
    println!("{:?}", outcome.judged);
    assert!(outcome.judged.before > 0, "the hand must be hard: {:?}", outcome.judged);
    assert!(outcome.kept.is_none());
    assert!(Learned::newest(place.path()).unwrap().is_none());
}

#[test]
fn words_that_the_collector_wrote_before_are_read_better_though_no_weight_has_changed() {
    let Some(models) = models() else { return };
    let place = tempfile::tempdir().unwrap();
    let all: Vec<Line> = (0..30).map(lesson).collect();
    let course = Course { rounds: 0, ..Course::default() };
    let outcome = learn(&all, &school(&models, place.path(), course), &|_| ()).unwrap();
    println!("{:?}", outcome.judged);
    assert!(outcome.judged.after < outcome.judged.before, "{:?}", outcome.judged);
}

#[test]
fn a_little_better_is_not_better() {
    let judged =
        |before, after, sure| Judged { lines: 60, held: 20, characters: 600, before, after, sure }.better();
    assert!(judged(100, 80, 0.99));
    assert!(!judged(100, 80, 0.90), "it may be chance");
    assert!(!judged(100, 97, 0.99), "it is not worth it");
    assert!(!judged(100, 120, 0.0));
}

/// A learned part with the shipped numbers and a base that is not installed.
fn of_another_reader(models: &Path, folder: &Path) -> Learned {
    let shipped = Shipped::load(&models.join("reader").join("reader.onnx")).unwrap();
    let told = Told {
        base: "0".repeat(64),
        base_name: "glassine-reader 0.0".into(),
        day: "2026-01-02".into(),
        ..Told::default()
    };
    Learned::keep(folder, told, shipped.weights, Vec::new()).unwrap()
}

#[test]
fn what_belongs_to_another_reader_is_put_aside_and_reading_goes_on() {
    let Some(models) = models() else { return };
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("moths");
    let catalogue = Catalogue::create(&folder).unwrap();
    let other = of_another_reader(&models, &catalogue.folder().reader());
    // What is put aside keeps its number.
    Learned::put_aside(&catalogue.folder().reader()).unwrap().unwrap();
    let other = Learned::keep(&catalogue.folder().reader(), other.told, other.weights, other.texts).unwrap();
    assert_eq!(other.number, 2);
    let refused = NeuralReader::load_learned(&models, 1, ReadingRules::built_in(), Some(&other));
    let said = refused.err().unwrap().to_string();
    assert!(said.contains("glassine-reader 0.0") && said.contains("glassine learn"), "{said}");
    drop(catalogue);
    let photo = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/photos/tarn-12-pin-printed.jpg");
    let run =
        Command::new(env!("CARGO_BIN_EXE_glassine")).arg("add").arg(&folder).arg(photo).assert().success();
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("belongs to another reader (glassine-reader 0.0)"), "{said}");
    let catalogue = Catalogue::open(&folder).unwrap();
    let reading = catalogue.draft(1).unwrap().reading;
    let engine = &reading.labels[0].lines[0].engine;
    assert!(engine.starts_with("neural glassine-reader") && !engine.contains("learned"), "{engine}");
}

/// Before whole readers were learned, a part held the LSTM's tensors alone.
#[test]
fn an_earlier_learned_part_reads_on_with_the_rest_as_shipped() {
    let Some(models) = models() else { return };
    let place = tempfile::tempdir().unwrap();
    let shipped = Shipped::load(&models.join("reader").join("reader.onnx")).unwrap();
    let mut part: Vec<_> =
        shipped.weights.iter().filter(|t| NAMES.contains(&t.name.as_str())).cloned().collect();
    assert_eq!(part.len(), 12);
    // All scores one higher: other bytes, the same reading.
    part.iter_mut().filter(|t| t.name == "extra.bias").flat_map(|t| &mut t.data).for_each(|v| *v += 1.0);
    let told = Told { base: shipped.hash.clone(), day: "2026-11-20".into(), ..Told::default() };
    Learned::keep(place.path(), told, part, Vec::new()).unwrap();
    let learned = Learned::newest(place.path()).unwrap().unwrap();
    let rules = ReadingRules::built_in();
    let line = Line { picture: drawn("Mere End 450 m"), text: String::new() };
    let was = read(&mut NeuralReader::load(&models, 1, rules).unwrap(), &line).0;
    let now = read(&mut NeuralReader::load_learned(&models, 1, rules, Some(&learned)).unwrap(), &line);
    assert_eq!(now.0, was);
    assert!(now.1.contains("+ learned 2026-11-20 no. 1"), "{}", now.1);
    let away: Vec<_> = learned.weights.into_iter().filter(|t| t.name != "lstm0.R").collect();
    Learned::keep(place.path(), learned.told, away, Vec::new()).unwrap();
    let said = Learned::newest(place.path()).unwrap_err().to_string();
    assert!(said.contains("lacks lstm0.R") && said.contains("glassine unlearn"), "{said}");
}

#[test]
fn a_sheet_is_written_filled_in_and_kept_and_too_few_lines_are_said_to_be() {
    let Some(_) = models() else { return };
    let (place, catalogue) = common::folder();
    let folder = catalogue.folder().path().to_owned();
    common::take_in(&catalogue, 0);
    drop(catalogue);
    let glassine = || Command::new(env!("CARGO_BIN_EXE_glassine"));
    let sheet = place.path().join("sheet");
    glassine().arg("learn").arg(&folder).arg("--sheet").arg(&sheet).assert().success();
    let list = std::fs::read_to_string(sheet.join("lines.tsv")).unwrap();
    let rows: Vec<&str> = list.lines().collect();
    assert_eq!((rows.len(), rows[0]), (6, "picture\tphotograph\tread\ttext"));
    assert!(rows[1].contains("Noctua serena") && rows[1].ends_with('\t'), "{}", rows[1]);
    // One row filled in; the others are passed over.
    let filled = format!("{}\n{}Noctua serena\n{}\n", rows[0], rows[1], rows[2]);
    std::fs::write(sheet.join("lines.tsv"), filled).unwrap();
    let run =
        glassine().arg("learn").arg(&folder).arg("--lines").arg(sheet.join("lines.tsv")).assert().failure();
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("1 line of") && said.contains("1 are there, 24 are needed"), "{said}");
    let kept = std::fs::read_to_string(folder.join("reader/lines/lines.tsv")).unwrap();
    assert!(kept.lines().count() == 2 && kept.ends_with("\tNoctua serena\n"), "{kept}");
    let run = glassine().arg("unlearn").arg(&folder).assert().failure();
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("has nothing learned"), "{said}");
}

#[test]
fn only_lines_whose_text_is_certain_are_taken_from_settled_drafts() {
    let (_place, catalogue) = common::folder();
    let bytes = common::png(0);
    let facts = common::facts(0, &bytes);
    catalogue.keep_photo(&bytes, "png", &facts, None).unwrap();
    let texts = ["Tarn Haed, N. side", "leg. A. Vell", "Noctua serena", "12.vii.93", "A. Vell"];
    let read = texts.iter().enumerate().map(|(i, t)| ReadLine {
        quad: common::line_box(i),
        engine: "neural test".into(),
        ..ReadLine::from_text(t)
    });
    let label = ReadLabel { quad: common::line_box(0), lines: read.collect() };
    let reading = Reading { photo: facts, labels: vec![label], codes: Vec::new() };
    let whole = |term: &str, line: usize, value: &str| Field {
        value: value.into(),
        ..common::field(term, line, texts[line], value, 0.9)
    };
    let part = Field {
        spans: vec![Span { label: 0, line: 1, start: 5, end: 12 }],
        ..common::field("recordedBy", 1, "A. Vell", "A. Vell", 0.9)
    };
    let fields = vec![
        whole("verbatimLocality", 0, texts[0]),
        part,
        whole("scientificName", 2, texts[2]),
        whole("eventDate", 3, "1993-07-12"),
        whole("identifiedBy", 4, texts[4]),
    ];
    let parsed = Parsed { fields, ..Parsed::default() };
    let id = catalogue.enter_draft(&reading, &parsed, &[]).unwrap().draft;
    let change = |term: &str, value: &str| Change { term: term.into(), value: value.into() };
    // A slip of the reader is mended; a name is written out in full, which says
    // nothing of what stands on the label.
    let changes = [change("verbatimLocality", "Tarn Head, N. side"), change("identifiedBy", "Vell, Alwin")];
    catalogue.settle(id, "M. Quill", &changes, None).unwrap();
    let taken: Vec<String> = lines::certain(&catalogue.draft(id).unwrap()).into_iter().map(|l| l.1).collect();
    // `leg.` belongs to no field, the date's value is not its words.
    assert_eq!(taken, ["Tarn Head, N. side", "Noctua serena"]);
}
