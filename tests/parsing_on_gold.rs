//! Parses the gold text of the development sets and scores the fields with
//! their scorer (`eval/score.py` of the shared folder): what parsing alone loses.
//!
//! Skipped, saying so, where the shared folder or Python is absent. The drafts
//! stay in cargo's temporary folder for `score.py --misses FIELD`.

use glassine::parsing::{Rules, parse_text};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::Command;

fn shared() -> Option<PathBuf> {
    let folder = std::env::var_os("GLASSINE_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    folder.join("eval/score.py").exists().then_some(folder)
}

/// F1 by field of the parser fed the gold text of `set`.
fn score(set: &str) -> Option<serde_json::Map<String, Value>> {
    let Some(shared) = shared() else {
        eprintln!("skipped: no ../shared/eval (set GLASSINE_SHARED)");
        return None;
    };
    let gold = shared.join(format!("eval/{set}/gold.jsonl"));
    let rules = Rules::load(None).unwrap();
    let mut drafts = String::new();
    for line in std::fs::read_to_string(&gold).unwrap().lines() {
        let entry: Value = serde_json::from_str(line).unwrap();
        let (image, text) = (entry["image"].as_str().unwrap(), entry["text"].as_str().unwrap());
        let parsed = parse_text(image, text, &rules);
        let fields: serde_json::Map<String, Value> = parsed
            .fields
            .iter()
            .filter(|f| !f.value.is_empty())
            .map(|f| (f.term.clone(), json!({"value": f.value, "confidence": f.confidence})))
            .collect();
        let left: Vec<&str> = parsed.leftovers.iter().map(|l| l.text.as_str()).collect();
        let draft = json!({"media": image, "verbatimLabel": text, "fields": fields, "leftovers": left});
        drafts.push_str(&format!("{draft}\n"));
    }
    let out = Path::new(env!("CARGO_TARGET_TMPDIR"));
    let (drafts_path, scores) =
        (out.join(format!("gold-text-{set}.jsonl")), out.join(format!("gold-text-{set}.json")));
    std::fs::write(&drafts_path, drafts).unwrap();
    let run = Command::new("python3")
        .arg(shared.join("eval/score.py"))
        .args([&gold, &drafts_path])
        .arg("--json")
        .arg(&scores)
        .output();
    let Ok(run) = run else {
        eprintln!("skipped: python3 is not installed");
        return None;
    };
    println!("{set}\n{}", String::from_utf8_lossy(&run.stdout));
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let scores: Value = serde_json::from_str(&std::fs::read_to_string(scores).unwrap()).unwrap();
    Some(scores["fields"].as_object().unwrap().clone())
}

fn assert_floors(set: &str, floors: &[(&str, f64)]) {
    let Some(fields) = score(set) else { return };
    for (field, floor) in floors {
        let f1 = fields[*field]["f1"].as_f64().unwrap();
        assert!(f1 >= *floor, "{set}: F1 of {field} is {f1:.3}, below {floor}");
    }
}

#[test]
fn gold_text_of_pin_labels_becomes_fields() {
    assert_floors(
        "pins-dev",
        &[
            ("eventDate", 0.97),
            ("recordedBy", 0.9),
            ("stateProvince", 0.95),
            ("county", 0.93),
            ("verbatimLocality", 0.75),
        ],
    );
}

#[test]
fn gold_text_of_packets_becomes_fields() {
    assert_floors(
        "packets-dev",
        &[
            ("eventDate", 0.97),
            ("recordedBy", 0.9),
            ("stateProvince", 0.93),
            ("county", 0.88),
            ("verbatimLocality", 0.75),
        ],
    );
}
