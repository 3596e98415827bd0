//! Columns that were said once are known again: the real binary.

mod common;

use assert_cmd::Command;
use common::folder;
use std::path::Path;

fn run(args: &[&str], folder: &Path) -> (Option<i32>, String) {
    let mut command = Command::cargo_bin("glassine").expect("the binary is built");
    let done = command.current_dir(folder).args(args).output().unwrap();
    let said = String::from_utf8_lossy(&done.stdout).into_owned() + &String::from_utf8_lossy(&done.stderr);
    (done.status.code(), said)
}

#[test]
fn a_table_is_taken_in_by_columns_said_once_and_keeps_the_others() {
    let (place, catalogue) = folder();
    let at = place.path();
    std::fs::write(at.join("old.csv"), "Date collected,Ort,Temperatur\n1993-07-12,Tarn Head,14 °C\n")
        .unwrap();
    std::fs::write(at.join("new.csv"), "Ort,Temperatur,Date collected\nMere End,9 °C,1994-08-03\n").unwrap();
    let wrong = run(&["add", "moths", "--records", "old.csv", "--column", "evntDate=Date collected"], at);
    assert_eq!(wrong.0, Some(1), "{}", wrong.1);
    assert!(wrong.1.contains("did you mean eventDate?"), "{}", wrong.1);
    let wrong = run(&["add", "moths", "--records", "old.csv", "--column", "eventDate=Date colected"], at);
    assert_eq!(wrong.0, Some(1), "{}", wrong.1);
    assert!(wrong.1.contains("did you mean “Date collected”?"), "{}", wrong.1);
    assert_eq!(catalogue.counts().unwrap().waiting, 0, "nothing was taken in");

    let mapping = ["--column", "eventDate=Date collected", "--column", "locality=Ort"];
    let said = run(&[&["add", "moths", "--records", "old.csv"][..], &mapping].concat(), at);
    assert_eq!(said.0, Some(0), "{}", said.1);
    assert!(said.1.contains("remembered for tables like it: eventDate from “Date collected”"), "{}", said.1);
    let again = run(&["add", "moths", "--records", "new.csv"], at);
    assert_eq!(again.0, Some(0), "{}", again.1);
    assert!(
        again
            .1
            .contains("new.csv: columns as last time: eventDate from “Date collected”, locality from “Ort”"),
        "{}",
        again.1
    );
    let draft = |id: i64| {
        let draft = catalogue.draft(id).unwrap();
        move |term: &str| draft.parsed.value(term).to_owned()
    };
    assert_eq!([draft(1)("eventDate"), draft(1)("locality")], ["1993-07-12", "Tarn Head"]);
    assert_eq!([draft(2)("eventDate"), draft(2)("locality")], ["1994-08-03", "Mere End"]);
    // No column is left out: what is no term stays under its own name.
    assert_eq!([draft(1)("Temperatur"), draft(2)("Temperatur")], ["14 °C", "9 °C"]);
    // The check knows them too.
    let (code, text) = run(&["check", "new.csv", "--collection", "moths"], at);
    assert_eq!(code, Some(0), "{text}");
    assert!(text.contains("columns as last time"), "{text}");
}
