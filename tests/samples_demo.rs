//! The sample photographs are what their `expected.jsonl` says they are, and
//! what can be checked of them without a model comes out right.

use glassine::intake::{IntakeRules, Photo, open};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo")
}

fn photo(name: &str) -> Photo {
    let rules = IntakeRules::load(None).unwrap();
    let mut photos = open(&samples().join("photos").join(name), &rules);
    let photo = photos.next().unwrap().unwrap();
    assert!(photos.next().is_none());
    photo
}

/// The lines of `expected.jsonl`, by the photograph's name.
fn expected() -> BTreeMap<String, serde_json::Value> {
    std::fs::read_to_string(samples().join("expected.jsonl"))
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .map(|line| (line["image"].as_str().unwrap().to_owned(), line))
        .collect()
}

#[test]
fn every_photograph_has_its_expectation_and_opens() {
    let expected = expected();
    let there: BTreeSet<String> = std::fs::read_dir(samples().join("photos"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(expected.keys().cloned().collect::<BTreeSet<_>>(), there);
    assert!(there.len() >= 24);
    for (name, line) in &expected {
        let photo = photo(name);
        assert_eq!(photo.facts.width.max(photo.facts.height), 1600, "{name}");
        assert!(!line["text"].as_str().unwrap().is_empty(), "{name}");
        assert!(line["fields"].is_object(), "{name}");
        let size = samples().join("photos").join(name).metadata().unwrap().len();
        assert!(size <= 250_000, "{name} has {size} bytes");
    }
}

/// Field values stand on the label: what is expected verbatim is in the text.
#[test]
fn verbatim_fields_are_words_of_the_label() {
    let squash = |s: &str| s.split_whitespace().collect::<String>();
    for (name, line) in expected() {
        let text = squash(line["text"].as_str().unwrap());
        for term in ["verbatimEventDate", "verbatimElevation", "verbatimCoordinates", "catalogNumber"] {
            if let Some(value) = line["fields"][term].as_str() {
                assert!(text.contains(&squash(value)), "{name}: {term} `{value}`");
            }
        }
    }
}

#[test]
fn the_sideways_photograph_comes_in_upright_with_its_time() {
    let facts = photo("tarn-06-sideways-telephone.jpg").facts;
    assert_eq!((facts.width, facts.height), (1200, 1600));
    assert_eq!(facts.taken.unwrap().to_string(), "2026-03-14T16:20:31");
}

/// Codes made by segno (QR, ISO/IEC 18004) and python-barcode (Code 128,
/// ISO/IEC 15417), photographed with perspective and noise.
#[test]
fn the_codes_on_two_labels_are_read() {
    for (name, text) in
        [("tarn-12-pin-printed.jpg", "TVMS 00412"), ("tarn-19-pin-bar-code.jpg", "TVMS 01377")]
    {
        let grey = image::DynamicImage::ImageRgb8(photo(name).pixels).into_luma8();
        let codes = glassine::layout::find_codes(&grey);
        assert!(codes.iter().any(|code| code.text == text), "{name}: {codes:?}");
    }
}

#[test]
fn the_survey_s_own_tables_fit_the_built_in_ones() {
    let folder = samples().join("config");
    let rules = glassine::parsing::Rules::load(Some(&folder)).unwrap();
    assert_eq!(rules.people["P. Okonjo"].active, Some([2001, 2026]));
}

/// The faults put into `records.csv` are found, and what is sound is left alone.
#[test]
fn the_faults_of_the_sample_table_are_found() {
    use glassine::checking::batch::{BatchOptions, run};
    let file = samples().join("records.csv");
    let config = Some(samples().join("config"));
    let options = BatchOptions { file, config, ..BatchOptions::default() };
    let summary = run(&options, &mut Vec::new()).unwrap();
    assert_eq!((summary.rows, summary.doubted, summary.damaged), (38, 23, 2));
    assert_eq!(summary.damages.iter().map(|d| d.0).collect::<Vec<_>>(), [18, 24]);
    let found: BTreeMap<&str, Vec<u64>> = summary
        .kinds
        .iter()
        .map(|(kind, found)| (kind.as_str(), found.examples.iter().map(|e| e.row).collect()))
        .collect();
    let faults: [(&str, &[u64]); 20] = [
        ("century-open", &[7, 36]),
        ("coordinates-impossible", &[27]),
        ("coordinates-in-the-sea", &[9]),
        ("coordinates-incomplete", &[21]),
        ("coordinates-sign-flipped", &[10]),
        ("coordinates-swapped", &[8]),
        ("coordinates-zero", &[11]),
        ("count-not-a-number", &[19]),
        ("count-unlikely", &[32]),
        ("date-after-collector", &[15]),
        ("date-before-collector", &[34]),
        ("date-impossible", &[4, 20, 29]),
        ("date-in-the-future", &[15]),
        ("date-unread", &[16]),
        ("date-without-year", &[17]),
        ("day-month-open", &[5]),
        ("determined-before-event", &[12]),
        ("elevation-impossible", &[30]),
        ("elevation-reversed", &[14]),
        ("event-too-long", &[22]),
    ];
    for (kind, rows) in faults {
        assert_eq!(found.get(kind).map(Vec::as_slice), Some(rows), "{kind}");
    }
    assert_eq!(found["sex-against-count"], [13]);
    assert_eq!(found.len(), faults.len() + 1, "{found:?}");
}
