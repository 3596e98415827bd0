//! Drafts made of invented text of the Tarn Valley moth survey and drawn
//! pictures, so that the catalogue and the review page are tested without a
//! reader.
#![allow(dead_code, reason = "each test file uses its own part")]

pub mod paper;
pub mod pdf;

use glassine::catalogue::Catalogue;
use glassine::checking::{Context, Doubt};
use glassine::geometry::Quad;
use glassine::intake::PhotoFacts;
use glassine::parsing::{Candidate, Field, Leftover, Parsed, Span};
use glassine::pipeline::{Rules, understand};
use glassine::reading::{ReadLabel, ReadLine, Reading};
use image::{Rgb, RgbImage};

/// One envelope's lines, invented.
pub struct Envelope {
    pub species: &'static str,
    pub place: &'static str,
    pub day: u32,
    pub number: usize,
}

const SPECIES: [&str; 5] =
    ["Noctua serena", "Eupithecia tarnica", "Plusia vallis", "Hepialus brumae", "Catocala velli"];
const PLACES: [&str; 4] = ["Tarn Head", "Alder Ghyll", "Low Fold Wood", "Mere End"];

/// The `n`th invented envelope.
pub fn envelope(n: usize) -> Envelope {
    Envelope { species: SPECIES[n % 5], place: PLACES[n % 4], day: 1 + (n / 4 % 28) as u32, number: n + 1 }
}

/// A picture of an envelope with strokes where its lines are; every `n` gives
/// other bytes.
pub fn picture(n: usize) -> RgbImage {
    let mut picture = RgbImage::from_pixel(900, 600, Rgb([226, 218, 200]));
    for line in 0..5u32 {
        for x in 0..640u32 {
            let wave = (((x as f32 / 9.0 + n as f32).sin() + 1.0) * 14.0) as u32;
            for thick in 0..4 {
                picture.put_pixel(80 + x, 92 + line * 80 + wave + thick, Rgb([50, 44, 60]));
            }
        }
    }
    for bit in 0..32u32 {
        let dark = (n >> bit) & 1 == 1;
        picture.put_pixel(850 + bit % 8, 560 + bit / 8, Rgb([if dark { 0 } else { 255 }; 3]));
    }
    picture
}

/// The picture as PNG bytes, as a camera's file would come in.
pub fn png(n: usize) -> Vec<u8> {
    let mut bytes = std::io::Cursor::new(Vec::new());
    picture(n).write_to(&mut bytes, image::ImageFormat::Png).expect("a PNG is written to memory");
    bytes.into_inner()
}

/// What is known of picture `bytes`.
pub fn facts(n: usize, bytes: &[u8]) -> PhotoFacts {
    PhotoFacts {
        hash: blake3::hash(bytes).to_hex().to_string(),
        name: format!("tarn-{:05}.png", n + 1),
        width: 900,
        height: 600,
        ..PhotoFacts::default()
    }
}

/// The box of line `line` of [`picture`].
pub fn line_box(line: usize) -> Quad {
    let top = 85.0 + line as f32 * 80.0;
    Quad::upright(80.0, top, 720.0, top + 46.0)
}

/// A field of line `line`.
pub fn field(term: &str, line: usize, verbatim: &str, value: &str, confidence: f32) -> Field {
    Field {
        term: term.into(),
        verbatim: verbatim.into(),
        value: value.into(),
        confidence,
        candidates: Vec::new(),
        spans: vec![Span { label: 0, line, start: 0, end: verbatim.chars().count() }],
        boxes: vec![line_box(line)],
        note: String::new(),
    }
}

/// What a reader and a parser would give for envelope `n`. Every third has a
/// doubt about its century; the others are clean.
pub fn draft(n: usize, facts: PhotoFacts) -> (Reading, Parsed, Vec<Doubt>) {
    let e = envelope(n);
    let texts = [
        e.species.to_owned(),
        format!("{}, Tarn Valley", e.place),
        format!("{}.vii.93", e.day),
        format!("leg. A. Vell  no. {}", e.number),
        "at light, wet night".to_owned(),
    ];
    let lines =
        texts.iter().enumerate().map(|(i, t)| ReadLine { quad: line_box(i), ..ReadLine::from_text(t) });
    let label = ReadLabel { quad: Quad::upright(80.0, 85.0, 720.0, 460.0), lines: lines.collect() };
    let reading = Reading { photo: facts, labels: vec![label], codes: Vec::new() };
    let mut date = field("eventDate", 2, &texts[2], &format!("1993-07-{:02}", e.day), 0.97);
    let mut doubts = Vec::new();
    if n % 3 == 2 {
        date.confidence = 0.55;
        date.candidates = [("1993", 0.55), ("1893", 0.4)]
            .map(|(year, confidence)| Candidate {
                value: format!("{year}-07-{:02}", e.day),
                confidence,
                why: "two-digit year".into(),
            })
            .to_vec();
        doubts.push(Doubt {
            kind: "century-open".into(),
            terms: vec!["eventDate".into()],
            sentence: format!("The label says 93: it may be 1893 or 1993 ({}).", texts[2]),
            weight: 0.5,
        });
    }
    let fields = vec![
        field("scientificName", 0, &texts[0], e.species, 0.93),
        date,
        field("locality", 1, e.place, e.place, 0.96),
        field("stateProvince", 1, "Tarn Valley", "Tarn Valley", 0.9),
        field("recordedBy", 3, "A. Vell", "A. Vell", 0.95),
        field("recordNumber", 3, &e.number.to_string(), &e.number.to_string(), 0.9),
        field("samplingProtocol", 4, "at light", "at light", 0.85),
    ];
    let leftovers =
        vec![Leftover { text: "wet night".into(), span: Span { label: 0, line: 4, start: 10, end: 19 } }];
    (reading, Parsed { fields, leftovers, ..Parsed::default() }, doubts)
}

/// Takes picture `n` all the way in and gives its draft.
pub fn take_in(catalogue: &Catalogue, n: usize) -> i64 {
    let bytes = png(n);
    let facts = facts(n, &bytes);
    catalogue.keep_photo(&bytes, "png", &facts, None).expect("the photograph is kept");
    let (reading, parsed, doubts) = draft(n, facts);
    catalogue.enter_draft(&reading, &parsed, &doubts).expect("the draft is entered").draft
}

/// Takes envelope `n` in with its text alone.
pub fn type_in(catalogue: &Catalogue, n: usize) -> i64 {
    let (reading, parsed, doubts) =
        draft(n, PhotoFacts { name: format!("typed-{n}"), ..PhotoFacts::default() });
    catalogue.enter_draft(&reading, &parsed, &doubts).expect("the draft is entered").draft
}

/// A new collection folder of its own, gone with the returned guard.
pub fn folder() -> (tempfile::TempDir, Catalogue) {
    let place = tempfile::tempdir().expect("a temporary folder");
    let catalogue = Catalogue::create(&place.path().join("moths")).expect("a new collection folder");
    (place, catalogue)
}

/// A page on which nothing is typed in.
pub fn no_typist() -> glassine::review::Typist {
    std::sync::Arc::new(|_, _| Err(glassine::trouble::Trouble::new("typing in", "is not part of this test")))
}

/// A page on which doubts stay as they are.
pub fn no_checker() -> glassine::review::Checker {
    std::sync::Arc::new(|_| Ok(()))
}

/// The rules with the tables of the samples.
pub fn sample_rules() -> Rules {
    let config = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/config");
    Rules::load(Some(&config)).expect("the samples' tables are sound")
}

/// Takes a reading in as the program does, and gives its draft.
pub fn enter(catalogue: &Catalogue, rules: &Rules, reading: &Reading) -> i64 {
    let known = catalogue.known(&reading.photo.hash, reading.photo.page);
    let (parsed, doubts) = understand(reading, rules, &Context::of(&known, &rules.parsing));
    let draft = catalogue.enter_draft(reading, &parsed, &doubts).expect("the draft is entered").draft;
    catalogue.doubt_joined(draft, &rules.checking).expect("both sides are compared");
    draft
}
