//! The ten notebook pages of the samples (`samples-demo/notebooks`, painted by
//! `generator/notebooks.py` together with their gold): read by the real reader,
//! their entries are what the gold says, and envelopes join them.

use glassine::intake::{IntakeRules, open};
use glassine::parsing::notebook::Entry;
use glassine::pipeline::{Engine, Eyes, Rules, Times};
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

fn rules() -> Rules {
    Rules::load(Some(&samples().join("config"))).unwrap()
}

/// The entries of each page, read anew; `None` where the models are not there.
fn pages(rules: &Rules) -> Option<Vec<(String, Vec<Entry>)>> {
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
        let entries = glassine::parsing::parse(&reading, &rules.parsing).entries;
        (name, entries)
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
    let rules = rules();
    let Some(found) = pages(&rules) else { return };
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
