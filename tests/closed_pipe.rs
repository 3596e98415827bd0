//! Whoever reads a command's output may stop early (`glassine list moths | head`):
//! the command ends without a word, with 141 as shells have it (POSIX.1-2017, XCU
//! 2.8.2: 128 and the signal's number; SIGPIPE is 13).

#![cfg(unix)]

mod common;

use common::{folder, take_in};
use glassine::catalogue::Thing;
use std::process::{Command, Stdio};

#[test]
fn a_closed_pipe_ends_every_command_that_prints_without_a_word() {
    let (place, catalogue) = folder();
    let lot = catalogue.settle(take_in(&catalogue, 0), "A. Vell", &[], None).unwrap();
    let thrown = take_in(&catalogue, 1);
    take_in(&catalogue, 2);
    catalogue.wait(async {
        let store = catalogue.store();
        store.make_container("Drawer 7", "drawer", None, "A. Vell").await.unwrap();
        store.put(&[Thing::Lot(lot)], Some("Drawer 7"), "A. Vell", "").await.unwrap();
        store.throw_away(Thing::Draft(thrown), "A. Vell", "twice").await.unwrap();
    });
    drop(catalogue);
    let at = |name: &str| place.path().join(name).to_string_lossy().into_owned();
    let (moths, label, table) = (at("moths"), at("label.txt"), at("old.csv"));
    std::fs::write(&label, "Tarn Valley\nAlder Ghyll\n12.vii.1993\nleg. A. Vell\n").unwrap();
    std::fs::write(&table, "catalogNumber,eventDate\n1,1993-13-40\n").unwrap();
    let commands: [&[&str]; 14] = [
        &["list", &moths],
        &["list", &moths, "--settled"],
        &["find", &moths, "tarn"],
        &["history", &moths, "record 1"],
        &["where", &moths, "1"],
        &["contents", &moths],
        &["contents", &moths, "Drawer 7"],
        &["trash", &moths],
        &["write", &moths, "--csv=-"],
        &["write", &moths, "--jsonl=-"],
        &["events", &moths, "--csv", "-"],
        &["parse", "--text", &label],
        &["check", &table],
        &["completions", "bash"],
    ];
    for arguments in commands {
        let glassine = || {
            let mut command = Command::new(env!("CARGO_BIN_EXE_glassine"));
            command.args(arguments).stdin(Stdio::null());
            command
        };
        let heard = glassine().output().unwrap();
        assert!(!heard.stdout.is_empty(), "{arguments:?} prints: {}", String::from_utf8_lossy(&heard.stderr));
        let (reader, writer) = std::io::pipe().unwrap();
        drop(reader);
        let ended = glassine().stdout(writer).stderr(Stdio::piped()).output().unwrap();
        let said = String::from_utf8_lossy(&ended.stderr);
        assert_eq!(ended.status.code(), Some(141), "{arguments:?}: {said}");
        assert!(!said.contains("panicked") && !said.contains("error:"), "{arguments:?}: {said}");
    }
}
