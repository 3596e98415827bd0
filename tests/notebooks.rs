//! The ten notebook pages of the samples (`samples-demo/notebooks`, painted by
//! `generator/notebooks.py` together with their gold): read by the real reader,
//! their entries are what the gold says, and envelopes join them.

mod common;

use common::{enter, sample_rules};
use glassine::catalogue::Catalogue;
use glassine::checking::notebook::Beside;
use glassine::intake::{IntakeRules, open};
use glassine::parsing::notebook::Entry;
use glassine::pipeline::{Engine, Eyes, Rules, Times};
use glassine::reading::Reading;
use serde_json::Value;
use std::path::{Path, PathBuf};

fn samples() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo")
}

fn lines(name: &str) -> Vec<Value> {
    std::fs::read_to_string(samples().join("notebooks").join(name))
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// A page as read: its name, its bytes, the reading.
struct Page {
    name: String,
    bytes: Vec<u8>,
    reading: Reading,
}

/// Each page, read anew; `None` where the models are not there.
fn pages(rules: &Rules) -> Option<Vec<Page>> {
    let mut eyes = match Eyes::load(Engine::Neural, "eng", rules, None) {
        Ok(eyes) => eyes,
        Err(trouble) => {
            println!("skipped: {trouble}");
            return None;
        }
    };
    let read = |line: Value| {
        let name = line["image"].as_str().unwrap().to_owned();
        let path = samples().join("notebooks").join(&name);
        let photo = open(&path, &IntakeRules::load(None).unwrap()).next().unwrap().unwrap();
        let reading = eyes.read(photo, rules, None, &mut Times::default()).unwrap();
        Page { name, bytes: std::fs::read(path).unwrap(), reading }
    };
    Some(lines("gold.jsonl").into_iter().map(read).collect())
}

/// An entry as the score compares it: field number, date, place.
fn scored(number: &str, date: &str, place: &str) -> String {
    format!("{number} | {date} | {place}")
}

/// F1 of entries: one counts where number, date and place are all right.
fn f1(found: &[(String, Vec<Entry>)], gold: &[Value]) -> f32 {
    let (mut right, mut made, mut wanted) = (0, 0, 0);
    for ((name, entries), page) in found.iter().zip(gold) {
        let mut left: Vec<String> = page["entries"]
            .as_array()
            .unwrap()
            .iter()
            .map(|e| {
                let text = |key: &str| e[key].as_str().unwrap_or("");
                scored(text("fieldNumber"), text("eventDate"), text("locality"))
            })
            .collect();
        wanted += left.len();
        made += entries.len();
        for e in entries {
            let one = scored(e.value("fieldNumber"), e.value("eventDate"), e.value("locality"));
            match left.iter().position(|l| *l == one) {
                Some(at) => {
                    left.remove(at);
                    right += 1;
                }
                None => println!("{name}: not in the gold: {one}"),
            }
        }
        for one in left {
            println!("{name}: missed: {one}");
        }
    }
    2.0 * right as f32 / (made + wanted) as f32
}

/// The share of values whose origin (read, inherited, ditto) is the gold's, over
/// the entries found by their number.
fn origins(found: &[(String, Vec<Entry>)], gold: &[Value]) -> f32 {
    let (mut right, mut all) = (0, 0);
    for ((name, entries), page) in found.iter().zip(gold) {
        for wanted in page["entries"].as_array().unwrap() {
            let Some(e) = entries.iter().find(|e| e.value("fieldNumber") == wanted["fieldNumber"]) else {
                continue;
            };
            for (term, key) in [("eventDate", "dateFrom"), ("locality", "placeFrom")] {
                let origin = e.noted(term).map_or("none", |n| n.origin.word());
                all += 1;
                if origin == wanted[key] {
                    right += 1;
                } else {
                    println!("{name}: {} {term} is {origin}, not {}", wanted["fieldNumber"], wanted[key]);
                }
            }
        }
    }
    right as f32 / all.max(1) as f32
}

#[test]
fn entries_of_the_sample_pages_are_found_with_date_place_and_number() {
    let rules = sample_rules();
    let Some(pages) = pages(&rules) else { return };
    let entries = |p: &Page| glassine::parsing::parse(&p.reading, &rules.parsing).entries;
    let found: Vec<(String, Vec<Entry>)> = pages.iter().map(|p| (p.name.clone(), entries(p))).collect();
    let gold = lines("gold.jsonl");
    assert_eq!(found.len(), 10);
    let (f1, origins) = (f1(&found, &gold), origins(&found, &gold));
    println!("F1 of entries {f1:.3}, origins {origins:.3}");
    assert!(f1 >= 0.90, "F1 of entries {f1:.3}");
    assert!(origins >= 0.85, "origins {origins:.3}");
    // Where the words of a value are on the page is known for every value.
    for (name, entries) in &found {
        for v in entries.iter().flat_map(|e| &e.values) {
            assert!(!v.field.boxes.is_empty(), "{name}: {} has no box", v.field.value);
        }
        assert!(entries.iter().all(|e| !e.boxes.is_empty()), "{name}");
    }
    let joined = joined(&pages, &rules);
    println!("joined envelopes {joined:.3}");
    assert!(joined >= 0.95, "joined envelopes {joined:.3}");
}

/// The share of the gold's envelopes that join the right entry and only that, are
/// offered what they lack and doubted where they disagree.
fn joined(pages: &[Page], rules: &Rules) -> f32 {
    let place = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::create(&place.path().join("moths")).unwrap();
    for page in pages {
        catalogue.keep_photo(&page.bytes, "jpg", &page.reading.photo, None).unwrap();
        enter(&catalogue, rules, &page.reading);
    }
    let gold = lines("envelopes.jsonl");
    let mut right = 0;
    for (nth, wanted) in gold.iter().enumerate() {
        let name = format!("envelope {nth}");
        let draft = enter(&catalogue, rules, &Reading::from_text(&name, wanted["text"].as_str().unwrap()));
        let found = catalogue.joined(draft).unwrap();
        let terms = |beside: Beside| -> Vec<&str> {
            let all = found.iter().flat_map(|j| &j.compared);
            // The envelopes say no name; the notebook's is always offered.
            all.filter(|c| c.beside == beside && c.term != "scientificName").map(|c| c.term).collect()
        };
        let listed = |key: &str| -> Vec<&str> {
            wanted[key].as_array().unwrap().iter().map(|t| t.as_str().unwrap()).collect()
        };
        let doubted = catalogue.draft(draft).unwrap().doubts.iter().any(|d| d.kind == "notebook-differs");
        let one = found.len() == 1
            && found[0].event.page == wanted["page"]
            && found[0].event.value("eventDate") == wanted["eventDate"]
            && found[0].event.value("locality") == wanted["locality"];
        if one
            && listed("offered").iter().all(|t| terms(Beside::Offered).contains(t))
            && terms(Beside::Differs) == listed("disagrees")
            && doubted != listed("disagrees").is_empty()
        {
            right += 1;
        } else {
            let compared: Vec<_> = found.iter().map(|j| (&j.event.page, &j.compared)).collect();
            println!("{wanted}: {compared:?}");
        }
    }
    assert!(gold.len() > 30, "{} envelopes", gold.len());
    right as f32 / gold.len() as f32
}

/// A notebook that was scanned to one PDF: each page is a photograph of its own,
/// with its number, and its entries are found as on single pictures.
#[test]
fn a_scanned_notebook_is_taken_in_page_by_page() {
    let rules = sample_rules();
    if let Err(trouble) = Eyes::load(Engine::Neural, "eng", &rules, None) {
        println!("skipped: {trouble}");
        return;
    }
    let gold: Vec<Value> = lines("gold.jsonl");
    let gold = [gold[1].clone(), gold[4].clone()];
    let picture = |page: &Value| {
        let path = samples().join("notebooks").join(page["image"].as_str().unwrap());
        let size = image::image_dimensions(&path).unwrap();
        (std::fs::read(path).unwrap(), size)
    };
    let place = tempfile::tempdir().unwrap();
    let (pdf, moths) = (place.path().join("notebook 1971.pdf"), place.path().join("moths"));
    std::fs::write(&pdf, common::pdf::scanned(&gold.each_ref().map(picture), 150.0)).unwrap();
    let catalogue = Catalogue::create(&moths).unwrap();
    for table in std::fs::read_dir(samples().join("config")).unwrap() {
        let table = table.unwrap();
        std::fs::copy(table.path(), catalogue.folder().config().join(table.file_name())).unwrap();
    }
    let add = || {
        let done = std::process::Command::new(env!("CARGO_BIN_EXE_glassine"))
            .arg("add")
            .args([&moths, &pdf])
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert!(done.status.success(), "{said}");
        said
    };
    assert!(add().contains("2 new drafts"));
    assert!(add().contains("0 new drafts"), "pages that are there are passed over");

    let mut found = Vec::new();
    for (number, draft) in (1..).zip(catalogue.pages().unwrap()) {
        let draft = catalogue.draft(draft).unwrap();
        assert_eq!(draft.name, format!("notebook 1971.pdf, page {number}"));
        let photo = draft.photo.as_ref().unwrap();
        assert_eq!((photo.page, photo.name.as_str()), (Some(number), "notebook 1971.pdf"));
        found.push((draft.name.clone(), draft.parsed.entries.clone()));
    }
    assert_eq!(found.len(), 2);
    let (f1, origins) = (f1(&found, &gold), origins(&found, &gold));
    println!("F1 of entries {f1:.3}, origins {origins:.3}");
    assert!(f1 >= 0.90 && origins >= 0.85, "F1 of entries {f1:.3}, origins {origins:.3}");
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_glassine"))
        .arg("events")
        .arg(&moths)
        .output()
        .unwrap();
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(
        said.contains("notebook 1971.pdf, page 1") && said.contains("notebook 1971.pdf, page 2"),
        "{said}"
    );
}

/// The score sees what is wrong: a date moved by a day, a number lost.
#[test]
fn the_score_falls_where_entries_are_wrong() {
    let gold = lines("gold.jsonl");
    let entry = |e: &Value, date: &str| {
        let value = |term: &str, value: &str| serde_json::json!({"term": term, "verbatim": value, "value": value, "confidence": 1.0, "origin": "read"});
        let text = |key: &str| e[key].as_str().unwrap().to_owned();
        let date = if date.is_empty() { text("eventDate") } else { date.to_owned() };
        let values = [
            value("eventDate", &date),
            value("locality", &text("locality")),
            value("fieldNumber", &text("fieldNumber")),
        ];
        serde_json::from_value::<Entry>(serde_json::json!({"values": values, "text": ""})).unwrap()
    };
    let made = |date: &str, drop: usize| -> Vec<(String, Vec<Entry>)> {
        gold.iter()
            .map(|page| {
                let entries = page["entries"].as_array().unwrap().iter().skip(drop).map(|e| entry(e, date));
                (page["image"].as_str().unwrap().to_owned(), entries.collect())
            })
            .collect()
    };
    assert_eq!(f1(&made("", 0), &gold), 1.0);
    assert_eq!(f1(&made("1900-01-01", 0), &gold), 0.0);
    assert!(f1(&made("", 2), &gold) < 0.9);
}
