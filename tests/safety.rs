//! What must not be lost: catalogues of earlier versions, what a crash left,
//! folders that cannot be written and disks that are full.

mod common;

use common::{folder, take_in};
use glassine::catalogue::{Catalogue, Change, Queue, State, Thing};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, SystemTime};

const WHO: &str = "M. Orrin";

fn copied(from: &Path) -> (tempfile::TempDir, PathBuf) {
    let place = tempfile::tempdir().unwrap();
    let to = place.path().join("moths");
    for entry in walkdir::WalkDir::new(from) {
        let entry = entry.unwrap();
        let target = to.join(entry.path().strip_prefix(from).unwrap());
        if entry.file_type().is_dir() {
            std::fs::create_dir_all(&target).unwrap();
        } else {
            std::fs::copy(entry.path(), &target).unwrap();
        }
    }
    (place, to)
}

#[test]
fn a_catalogue_of_the_first_version_opens_with_all_it_held() {
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/catalogue-1");
    let (_place, folder) = copied(&sample);
    let catalogue = Catalogue::open(&folder).unwrap();
    let counts = catalogue.counts().unwrap();
    assert_eq!((counts.waiting, counts.aside, counts.settled), (0, 1, 1));
    let lot = catalogue.list(0, 10).unwrap()[0].lot;
    let record = catalogue.record(lot).unwrap();
    assert_eq!(record.settled_by, "A. Vell");
    for (term, value) in [
        ("scientificName", "Noctua serena"),
        ("eventDate", "1993-07-12"),
        ("locality", "Tarn Head"),
        ("habitat", "birch scrub"),
        ("individualCount", "5"),
        ("catalogNumber", "TVMS 00007"),
    ] {
        assert_eq!(record.value(term), value, "{term}");
    }
    assert_eq!(record.specimens.len(), 1);
    assert_eq!(record.history.len(), 4, "changed, settled, undone, settled again");
    let aside = catalogue.drafts(&Queue { state: State::Aside, ..Queue::default() }, 10).unwrap();
    assert_eq!((aside.len(), aside[0].note.as_str()), (1, "wing torn"));
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
    assert_eq!(catalogue.search("serena", 10).unwrap().len(), 1);

    // And it is worked on like a new one, its old deeds undone too.
    let store = catalogue.store();
    catalogue.wait(async {
        store.make_container("Box 1", "box", None, WHO).await.unwrap();
        store.put(&[Thing::Lot(lot)], Some("Box 1"), WHO, "").await.unwrap();
        store.undo("A. Vell", None).await.unwrap();
    });
    drop(catalogue);
    let checked = Catalogue::open(&folder).unwrap().verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}

/// Every state of the tables that people could have, each with the same work in it
/// as the program of that day did it (`tests/data/README.md`).
#[test]
fn a_catalogue_of_every_later_version_opens_with_all_it_held_and_is_worked_on() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    for (name, version) in [("2", 2), ("3", 3), ("4", 4), ("5", 5), ("5-and-7", 5), ("7", 7), ("11", 11)] {
        let (_place, folder) = copied(&data.join("photographs"));
        std::fs::create_dir(folder.join("config")).unwrap();
        std::fs::copy(data.join(format!("catalogue-{name}.db")), folder.join("catalogue.db")).unwrap();
        let catalogue = Catalogue::open(&folder).unwrap();
        let counts = catalogue.counts().unwrap();
        let pages = i64::from(version >= 7);
        // Of three settled one is in the trash, and of the records one is merged.
        let told = (counts.waiting, counts.aside, counts.settled, counts.records);
        assert_eq!(told, (1 + pages, 1, 2, 2), "{name}");
        let record = catalogue.record(1).unwrap();
        for (term, value) in
            [("scientificName", "Noctua comes"), ("individualCount", "3"), ("habitat", "birch scrub")]
        {
            assert_eq!(record.value(term), value, "{name} {term}");
        }
        assert_eq!(record.kept_in, ["Drawer 7", "Cabinet A"], "{name}");
        let numbers: Vec<&str> = record.specimens.iter().map(|s| s.number.as_str()).collect();
        assert_eq!(numbers, ["TVMS 1", "TVMS 2"], "{name}");
        assert_eq!(record.determinations.len(), 2, "{name}");
        let merged = catalogue.record(2).unwrap();
        assert_eq!(
            (merged.merged.as_slice(), merged.value("individualCount")),
            ([4].as_slice(), "2"),
            "{name}"
        );
        let aside = catalogue.drafts(&Queue { state: State::Aside, ..Queue::default() }, 10).unwrap();
        assert_eq!(aside[0].note, "wing torn", "{name}");
        // By what was not in the index of that day, too.
        for (words, lot) in [("00007", 2), ("serena", 1), ("tarn 00001 png", 1), ("TVMS 1", 1)] {
            let found: Vec<i64> = catalogue.search(words, 10).unwrap().iter().map(|h| h.lot).collect();
            assert!(found.contains(&lot), "{name} {words}: {found:?}");
        }
        let store = catalogue.store();
        catalogue.wait(async {
            let trash = store.trash().await.unwrap();
            let things: Vec<Thing> = trash.iter().map(|t| t.thing).collect();
            assert_eq!(things, [Thing::Draft(5), Thing::Lot(3)], "{name}");
            if version >= 3 {
                let people: Vec<String> = store.people().await.unwrap().into_iter().map(|p| p.name).collect();
                assert_eq!(people, ["A. Vell", "E. Harrow"], "{name}");
                assert!(store.sign_in("A. Vell", "moth lamp sugar rain").await.unwrap().is_some(), "{name}");
                assert_eq!(store.agreement().await.unwrap()[0].same, 1.0, "{name}");
            }
            if version >= 5 {
                assert_eq!(store.stages_of(1).await.unwrap()[0].stage.name, "relaxing", "{name}");
            }
            if version >= 7 {
                let events = store.page_events(7).await.unwrap();
                assert_eq!((events.len(), events[1].value("eventDate")), (3, "1968-06-02"), "{name}");
            }
            if version >= 11 {
                let past = store.past_doubts(6).await.unwrap();
                assert!(past.len() == 1 && past[0].0.contains("1893 or 1993"), "{past:?}");
            }
            // Worked on like a new one, its old deeds undone too.
            let emptied = store.empty_trash(WHO, None).await.unwrap();
            assert_eq!(emptied.files, 2, "{name}");
            // Both thrown away, merged, split; then a stage; then a page's date.
            for _ in 0..4 + i32::from(version >= 5) + i32::from(version >= 7) {
                store.undo("A. Vell", None).await.unwrap();
            }
            assert_eq!(store.record(1).await.unwrap().value("individualCount"), "5", "{name}");
            assert!(store.trash().await.unwrap().is_empty(), "{name}");
            store.settle(6, WHO, &[], None).await.unwrap();
        });
        let checked = catalogue.verify(|_, _| {}).unwrap();
        assert!(checked.troubles.is_empty(), "{name}: {:?}", checked.troubles);
        drop(catalogue);
        let checked = Catalogue::open(&folder).unwrap().verify(|_, _| {}).unwrap();
        assert!(checked.troubles.is_empty(), "{name}: {:?}", checked.troubles);
    }
}

/// A state of a few minutes of 2026-11-25, whose first migration was another one.
#[test]
fn a_catalogue_of_the_first_hours_opens_though_its_first_migration_was_another() {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let (_place, folder) = copied(&data.join("photographs"));
    std::fs::create_dir(folder.join("config")).unwrap();
    std::fs::copy(data.join("catalogue-first.db"), folder.join("catalogue.db")).unwrap();
    for _ in 0..2 {
        let catalogue = Catalogue::open(&folder).unwrap();
        let counts = catalogue.counts().unwrap();
        assert_eq!((counts.waiting, counts.aside, counts.settled, counts.records), (3, 1, 2, 2));
        assert_eq!(catalogue.record(1).unwrap().value("individualCount"), "5");
        let checked = catalogue.verify(|_, _| {}).unwrap();
        assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
        // A likeness hash of digits alone stays what it is.
        let look: glassine::intake::Likeness = format!("{:0>64}", 12).parse().unwrap();
        let bytes = common::png(9);
        let kept = catalogue.keep_photo(&bytes, "png", &common::facts(9, &bytes), Some(&look)).unwrap();
        let near = catalogue.near_duplicates(&look, 0, "none").unwrap();
        assert_eq!((near.len(), near[0].photo), (1, kept.id));
    }
}

#[test]
fn what_keeps_a_person_waiting_while_an_old_catalogue_is_brought_up_is_said() {
    use sqlx::Connection;
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data");
    let (_place, folder) = copied(&data.join("photographs"));
    std::fs::create_dir(folder.join("config")).unwrap();
    std::fs::copy(data.join("catalogue-2.db"), folder.join("catalogue.db")).unwrap();
    let list = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_glassine"));
        command
            .arg("list")
            .arg(&folder)
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::piped());
        command.spawn().unwrap()
    };
    // As slow as a large one: another program has it for three seconds.
    let child = tokio::runtime::Runtime::new().unwrap().block_on(async {
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(folder.join("catalogue.db"));
        let mut db = sqlx::ConnectOptions::connect(&options).await.unwrap();
        sqlx::query("BEGIN IMMEDIATE").execute(&mut db).await.unwrap();
        let child = list();
        tokio::time::sleep(Duration::from_secs(4)).await;
        sqlx::query("ROLLBACK").execute(&mut db).await.unwrap();
        db.close().await.unwrap();
        child
    });
    let done = child.wait_with_output().unwrap();
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert!(done.status.success() && said.contains("Bringing the catalogue up to this version"), "{said}");
    assert!(said.contains("is up to this version."), "{said}");
    let again = list().wait_with_output().unwrap();
    assert!(again.status.success() && again.stderr.is_empty(), "{again:?}");
}

#[test]
fn what_a_crash_left_half_written_is_swept_and_what_is_being_written_stays() {
    let (_place, catalogue) = folder();
    take_in(&catalogue, 0);
    let shelf = catalogue.folder().photos().join("ab");
    std::fs::create_dir_all(&shelf).unwrap();
    let old = shelf.join(".arriving-old");
    let new = shelf.join(".arriving-new");
    for file in [&old, &new] {
        std::fs::write(file, b"half a photograph").unwrap();
    }
    let hours_ago = SystemTime::now() - Duration::from_secs(7200);
    std::fs::File::options().write(true).open(&old).unwrap().set_modified(hours_ago).unwrap();
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert_eq!(checked.swept, 1);
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
    assert!(!old.exists() && new.exists());
    // A run of intake sweeps as well, once.
    std::fs::File::options().write(true).open(&new).unwrap().set_modified(hours_ago).unwrap();
    let again = Catalogue::open(catalogue.folder().path()).unwrap();
    take_in(&again, 1);
    assert!(!new.exists());
}

/// A small file system of its own, unmounted with the guard.
struct Disk(PathBuf, #[expect(dead_code, reason = "removed last")] tempfile::TempDir);

impl Disk {
    /// `None`, said on the way, where this process may not mount.
    fn of(size: &str) -> Option<Disk> {
        let place = tempfile::tempdir().unwrap();
        let at = place.path().join("disk");
        std::fs::create_dir(&at).unwrap();
        let done = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(&at)
            .output();
        match done {
            Ok(done) if done.status.success() => Some(Disk(at, place)),
            other => {
                println!("skipped: a small disk needs the right to mount ({other:?})");
                None
            }
        }
    }

    fn read_only(&self) {
        let done = Command::new("mount").args(["-o", "remount,ro"]).arg(&self.0).status().unwrap();
        assert!(done.success());
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_is_said_and_nothing_settled_is_lost() {
    let Some(disk) = Disk::of("2m") else { return };
    let folder = disk.0.join("moths");
    let catalogue = Catalogue::create(&folder).unwrap();
    let first = take_in(&catalogue, 0);
    let lot = catalogue.settle(first, WHO, &[], None).unwrap();
    // The disk fills up.
    let filler = disk.0.join("filler");
    let mut size = 2 << 20;
    while size > 512 {
        let mut bytes = std::fs::read(&filler).unwrap_or_default();
        bytes.resize(bytes.len() + size, 0);
        if std::fs::write(&filler, &bytes).is_err() {
            bytes.truncate(bytes.len() - size);
            std::fs::write(&filler, &bytes).unwrap();
            size /= 2;
        }
    }
    let bytes = common::png(1);
    let facts = common::facts(1, &bytes);
    let kept = catalogue.keep_photo(&bytes, "png", &facts, None);
    let trouble = kept.expect_err("there is no room for the photograph").to_string();
    assert!(trouble.contains("disk is full") && trouble.contains("free some space"), "{trouble}");
    // Settling large values fails too, whole.
    let long = Change { term: "habitat".into(), value: "x".repeat(1 << 20) };
    let seen = catalogue.draft(first).unwrap().seen;
    let trouble = catalogue.change(first, WHO, &[long], seen).expect_err("no room").to_string();
    assert!(trouble.contains("disk is full"), "{trouble}");
    assert_eq!(catalogue.record(lot).unwrap().value("habitat"), "");
    drop(catalogue);

    std::fs::remove_file(&filler).unwrap();
    let catalogue = Catalogue::open(&folder).unwrap();
    assert_eq!(catalogue.record(lot).unwrap().value("locality"), "Tarn Head");
    let second = take_in(&catalogue, 1);
    catalogue.settle(second, WHO, &[], None).unwrap();
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}

#[test]
fn a_full_disk_for_the_backup_is_said_and_an_earlier_backup_stays_whole() {
    let Some(disk) = Disk::of("2m") else { return };
    let (_place, catalogue) = folder();
    take_in(&catalogue, 0);
    let to = disk.0.join("backup");
    catalogue.backup(&to).unwrap();
    for n in 1..400 {
        common::type_in(&catalogue, n);
    }
    let trouble = catalogue.backup(&to).expect_err("there is no room").to_string();
    assert!(trouble.contains("full"), "{trouble}");
    let earlier = Catalogue::open(&to).unwrap();
    assert_eq!(earlier.counts().unwrap().waiting, 1);
}

#[test]
fn a_read_only_folder_is_said_with_the_next_step() {
    let Some(disk) = Disk::of("4m") else { return };
    let folder = disk.0.join("moths");
    let catalogue = Catalogue::create(&folder).unwrap();
    take_in(&catalogue, 0);
    drop(catalogue);
    disk.read_only();
    let trouble = Catalogue::open(&folder).map(|_| ()).expect_err("it cannot be written").to_string();
    assert!(trouble.contains("catalogue.db"), "{trouble}");
    assert!(trouble.contains("permissions") || trouble.contains("read and written"), "{trouble}");
    let trouble = Catalogue::create(&disk.0.join("more")).map(|_| ()).expect_err("nor made").to_string();
    assert!(trouble.contains("read-only"), "{trouble}");
}
