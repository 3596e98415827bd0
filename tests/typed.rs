//! Labels without a photograph, typed in at the terminal: the real binary.

mod common;

use assert_cmd::Command;
use common::folder;
use glassine::catalogue::{Catalogue, Queue, State};
use std::path::Path;

fn glassine() -> Command {
    Command::cargo_bin("glassine").expect("the binary is built")
}

fn add(folder: &Path, typed: &str, input: &[u8]) -> (Option<i32>, String) {
    let mut command = glassine();
    command.arg("add").arg(folder).arg(typed).args(["--who", "M. Orrin"]).write_stdin(input);
    let done = command.output().unwrap();
    assert!(done.stdout.is_empty(), "nothing of this is data");
    (done.status.code(), String::from_utf8(done.stderr).unwrap())
}

const TWO: &str =
    "England, Cumbria\nAlder Ghyll, 350 m\n12.vii.93\n--\nNoctua serena\n\nMere End\n3.viii.1994\n";

#[test]
fn typed_labels_become_drafts_with_their_doubts_and_never_twice() {
    let (place, catalogue) = folder();
    let file = place.path().join("labels.txt");
    std::fs::write(&file, TWO).unwrap();
    let typed = format!("--typed={}", file.display());
    let moths = catalogue.folder().path().to_owned();
    let (code, said) = add(&moths, &typed, b"");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("2 new drafts typed in by M. Orrin"), "{said}");

    let all = |c: &Catalogue| c.drafts(&Queue { in_order: true, ..Queue::default() }, 10).unwrap();
    let heads = all(&catalogue);
    assert_eq!(
        heads.iter().map(|h| h.name.as_str()).collect::<Vec<_>>(),
        ["labels.txt, record 1", "labels.txt, record 2"]
    );
    let first = catalogue.draft(heads[0].id).unwrap();
    assert_eq!((first.state, first.photo.is_none()), (State::Waiting, true));
    assert_eq!(first.reading.labels.len(), 2, "the hyphens part two labels of one pin");
    // The century is not written: it is asked for, as from a photograph.
    assert!(first.doubts.iter().any(|d| d.terms.iter().any(|t| t == "eventDate")), "{:?}", first.doubts);
    assert_eq!(catalogue.draft(heads[1].id).unwrap().parsed.value("eventDate"), "1994-08-03");

    // The same file again, one record longer, after a run that was cut short.
    std::fs::write(&file, format!("{TWO}\nMere End\n3.viii.1994\n")).unwrap();
    let (code, said) = add(&moths, &typed, b"");
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("1 new draft typed in") && said.contains("2 passed over"), "{said}");
    assert!(said.contains("record 3 has the words of labels.txt, record 2"), "{said}");
    assert_eq!(all(&catalogue).len(), 3);
    assert_eq!(catalogue.verify(|_, _| {}).unwrap().troubles.len(), 0);
}

#[test]
fn a_pipe_is_read_and_a_bad_record_costs_only_itself() {
    let (_place, catalogue) = folder();
    let moths = catalogue.folder().path().to_owned();
    let (code, said) = add(&moths, "--typed", b"Tarn Head\n12.vii.1993\n\nM\xE9re End\n\nLow Fold Wood\n");
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("line 4") && said.contains("UTF-8") && said.contains("hint:"), "{said}");
    assert!(said.contains("2 new drafts") && said.contains("1 record could not be used"), "{said}");
    let (code, said) = add(&moths, "--typed=/nowhere/labels.txt", b"");
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("/nowhere/labels.txt") && said.contains("cannot be opened"), "{said}");
    assert_eq!(catalogue.counts().unwrap().waiting, 2);
}

#[test]
fn a_number_typed_twice_is_doubted() {
    let (_place, catalogue) = folder();
    let moths = catalogue.folder().path().to_owned();
    let text = "Cat. no. TVMS-00413\nTarn Head\n12.vii.1993\n\nCat. no. TVMS-00413\nMere End\n13.vii.1993\n";
    let (code, said) = add(&moths, "--typed", text.as_bytes());
    assert_eq!(code, Some(0), "{said}");
    let number = |id: i64| catalogue.draft(id).unwrap().parsed.value("catalogNumber").to_owned();
    assert_eq!((number(1), number(2)), ("TVMS-00413".into(), "TVMS-00413".into()));
    let second = catalogue.draft(2).unwrap();
    assert!(
        second.doubts.iter().any(|d| d.terms.contains(&"catalogNumber".to_owned())),
        "{:?}",
        second.doubts
    );
}

/// What `read --readings` wrote is understood as that, whatever its file is called.
#[test]
fn readings_are_known_by_their_first_line() {
    let place = tempfile::tempdir().unwrap();
    let reading =
        glassine::reading::Reading::from_text("tarn.jpg", "Tarn Head\n12.vii.1993\n\nNoctua serena");
    let line = format!("{}\n", serde_json::to_string(&reading).unwrap());
    let understood = |name: &str, content: &str| {
        let file = place.path().join(name);
        std::fs::write(&file, content).unwrap();
        let done = glassine().args(["parse", "--drafts", "-", "--text"]).arg(&file).output().unwrap();
        (done.status.code(), String::from_utf8(done.stdout).unwrap())
    };
    let (code, drafts) = understood("readings.json", &line);
    assert_eq!(code, Some(0));
    assert!(drafts.contains("\"tarn.jpg\"") && drafts.contains("1993-07-12"), "{drafts}");
    assert_eq!(understood("readings.jsonl", &line), (code, drafts));
    // Words that begin with a bracket stay words.
    let (code, drafts) = understood("label.txt", "{Tarn Head}\n12.vii.1993\n");
    assert!(code == Some(0) && drafts.contains("\"label.txt\""), "{drafts}");
}
