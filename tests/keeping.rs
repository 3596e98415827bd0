//! Where things are kept, specimens of a lot, determinations, merging,
//! splitting and the trash: nothing is lost, and one undo takes each back.

mod common;

use common::{folder, take_in, type_in};
use glassine::catalogue::{Catalogue, Change, Mount, Queue, Record, State, Thing};

const WHO: &str = "M. Orrin";

fn change(term: &str, value: &str) -> Change {
    Change { term: term.into(), value: value.into() }
}

/// Settles invented envelope `n` and gives its record.
fn settled(catalogue: &Catalogue, n: usize, changes: &[Change]) -> i64 {
    let draft = take_in(catalogue, n);
    catalogue.settle(draft, WHO, changes, None).unwrap()
}

fn sound(catalogue: &Catalogue) {
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}

/// What of a record must come back after an undo.
fn shape(record: &Record) -> (String, Vec<(String, String)>, Vec<String>, usize) {
    let values = record.values.iter().map(|v| (v.term.clone(), v.value.clone())).collect();
    let specimens = record.specimens.iter().map(|s| s.number.clone()).collect();
    (record.fate.clone(), values, specimens, record.determinations.len())
}

#[test]
fn a_lot_is_found_through_box_and_drawer_wherever_they_go() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[]);
    catalogue.wait(async {
        store.make_container("Cabinet A", "cabinet", None, WHO).await.unwrap();
        store.make_container("Drawer 7", "drawer", Some("cabinet a"), WHO).await.unwrap();
        store.make_container("Box 3", "box", Some("Drawer 7"), WHO).await.unwrap();
        let twice = store.make_container("box 3", "", None, WHO).await.unwrap_err();
        assert!(twice.to_string().contains("is there already"), "{twice}");
        assert!(store.put(&[Thing::Lot(lot)], Some("Box 9"), WHO, "").await.is_err());
        store.put(&[Thing::Lot(lot)], Some("box 3"), WHO, "").await.unwrap();
        let at = store.whereabouts(Thing::Lot(lot)).await.unwrap();
        assert_eq!(at.chain, ["Box 3", "Drawer 7", "Cabinet A"]);
        assert_eq!(at.by, WHO);

        // The box moves, and the lot with it.
        store.make_container("Cooler", "cooler", None, WHO).await.unwrap();
        let boxed = store.thing("Box 3").await.unwrap();
        store.put(&[boxed], Some("Cooler"), WHO, "frozen against pests").await.unwrap();
        assert_eq!(store.whereabouts(Thing::Lot(lot)).await.unwrap().chain, ["Box 3", "Cooler"]);
        let cooler = store.thing("cooler").await.unwrap();
        let inside_itself = store.put(&[cooler], Some("Box 3"), WHO, "").await.unwrap_err();
        assert!(inside_itself.to_string().contains("inside itself"), "{inside_itself}");

        let Thing::Container(id) = boxed else { panic!("a container") };
        let held = store.contents(id, 10).await.unwrap();
        assert_eq!(held.lots.iter().map(|l| l.lot).collect::<Vec<_>>(), [lot]);

        store.undo(WHO, None).await.unwrap();
        assert_eq!(
            store.whereabouts(Thing::Lot(lot)).await.unwrap().chain,
            ["Box 3", "Drawer 7", "Cabinet A"]
        );
        let numbers_alone = store.make_container("12", "", None, WHO).await.unwrap_err();
        assert!(numbers_alone.to_string().contains("letters"), "{numbers_alone}");
    });
    assert_eq!(catalogue.record(lot).unwrap().kept_in, ["Box 3", "Drawer 7", "Cabinet A"]);
    sound(&catalogue);
}

#[test]
fn making_a_container_cannot_be_undone_under_what_is_in_it() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[]);
    catalogue.wait(async {
        store.make_container("Box 3", "box", None, "A. Vell").await.unwrap();
        store.put(&[Thing::Lot(lot)], Some("Box 3"), WHO, "").await.unwrap();
        let no = store.undo("A. Vell", None).await.unwrap_err();
        assert!(no.to_string().contains("put into it since"), "{no}");
        store.undo(WHO, None).await.unwrap();
        store.undo("A. Vell", None).await.unwrap();
        assert!(store.containers(None).await.unwrap().is_empty());
        // The code can be given again.
        store.make_container("Box 3", "box", None, WHO).await.unwrap();
        assert_eq!(store.containers(None).await.unwrap().len(), 1);
    });
    sound(&catalogue);
}

#[test]
fn an_envelope_with_five_moths_is_one_lot_and_five_specimens() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("individualCount", "5")]);
    let other = settled(&catalogue, 1, &[change("catalogNumber", "TVMS 00001")]);
    let before = shape(&catalogue.record(lot).unwrap());
    catalogue.wait(async {
        let mounts: Vec<Mount> = (413..418)
            .map(|n| Mount {
                number: format!("TVMS {n:05}"),
                sex: if n == 413 { "female".into() } else { String::new() },
            })
            .collect();
        let taken = [mounts[0].clone(), Mount { number: "TVMS 00001".into(), sex: String::new() }];
        let no = store.mount(lot, &taken, WHO, "").await.unwrap_err();
        assert!(no.to_string().contains(&format!("record {other} has it")), "{no}");
        assert!(
            store.mount(lot, &[mounts[0].clone(), mounts[0].clone()], WHO, "").await.is_err(),
            "given twice"
        );
        store.mount(lot, &mounts, WHO, "").await.unwrap();
        let record = store.record(lot).await.unwrap();
        let numbers: Vec<&str> = record.specimens.iter().map(|s| s.number.as_str()).collect();
        assert_eq!(numbers, ["TVMS 00413", "TVMS 00414", "TVMS 00415", "TVMS 00416", "TVMS 00417"]);
        assert_eq!(record.specimens[0].sex, "female");
        // One of them is pinned elsewhere, and has a name of its own.
        store.make_container("Drawer 7", "drawer", None, WHO).await.unwrap();
        let third = store.thing("TVMS 00415").await.unwrap();
        store.put(&[third], Some("Drawer 7"), WHO, "").await.unwrap();
        assert_eq!(store.whereabouts(third).await.unwrap().chain, ["Drawer 7"]);
        store.determine(third, "Noctua comes", "A. Voss", "2026-03", WHO).await.unwrap();
        let record = store.record(lot).await.unwrap();
        assert_eq!(record.specimens[2].kept_in, "Drawer 7");
        let last = record.determinations.last().unwrap();
        assert_eq!((last.name.as_str(), last.by.as_str()), ("Noctua comes", "A. Voss"));
        assert_eq!(last.specimen, Some(record.specimens[2].id));
        assert_eq!(record.value("scientificName"), "Noctua serena", "the lot keeps its own name");
        for _ in 0..4 {
            store.undo(WHO, None).await.unwrap();
        }
        assert_eq!(shape(&store.record(lot).await.unwrap()), before);
    });
    sound(&catalogue);
}

#[test]
fn determinations_are_a_history() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("identifiedBy", "A. Vell"), change("dateIdentified", "1994")]);
    catalogue.wait(async {
        store.determine(Thing::Lot(lot), "Noctua comes", "A. Voss", "2026-03-01", WHO).await.unwrap();
        let record = store.record(lot).await.unwrap();
        let names: Vec<(&str, &str, &str)> =
            record.determinations.iter().map(|d| (d.name.as_str(), d.by.as_str(), d.day.as_str())).collect();
        assert_eq!(names, [("Noctua serena", "A. Vell", "1994"), ("Noctua comes", "A. Voss", "2026-03-01")]);
        assert_eq!(record.value("scientificName"), "Noctua comes");
        store.undo(WHO, None).await.unwrap();
        let record = store.record(lot).await.unwrap();
        assert_eq!(record.determinations.len(), 1);
        assert_eq!(
            (record.value("scientificName"), record.value("identifiedBy")),
            ("Noctua serena", "A. Vell")
        );
        // A name changed on the page is a determination too.
        let draft = record.draft.unwrap();
        let seen = store.draft(draft).await.unwrap().seen;
        store.change(draft, WHO, &[change("scientificName", "Noctua janthe")], seen).await.unwrap();
        let record = store.record(lot).await.unwrap();
        assert_eq!(record.determinations.last().unwrap().name, "Noctua janthe");
    });
    sound(&catalogue);
}

#[test]
fn merged_records_lose_nothing_and_undo_parts_them() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let into = settled(&catalogue, 0, &[change("individualCount", "2"), change("catalogNumber", "TVMS 1")]);
    let other = settled(
        &catalogue,
        1,
        &[
            change("individualCount", "3"),
            change("habitat", "birch scrub"),
            change("catalogNumber", "TVMS 2"),
        ],
    );
    let before = (shape(&catalogue.record(into).unwrap()), shape(&catalogue.record(other).unwrap()));
    catalogue.wait(async {
        store.merge(into, &[other], WHO, "one night, one trap").await.unwrap();
        let record = store.record(into).await.unwrap();
        assert_eq!(record.value("individualCount"), "5", "counts are added up");
        assert_eq!(record.value("habitat"), "birch scrub", "what it lacked it takes");
        assert_eq!(record.value("scientificName"), "Noctua serena", "what it had stays");
        assert_eq!(record.merged, [other]);
        let numbers: Vec<&str> = record.specimens.iter().map(|s| s.number.as_str()).collect();
        assert_eq!(numbers, ["TVMS 1", "TVMS 2"]);
        assert_eq!(record.determinations.len(), 2, "both names are kept");
        let theirs = store.record(other).await.unwrap();
        assert_eq!(theirs.fate, format!("merged into record {into}"));
        assert_eq!(theirs.value("scientificName"), "Eupithecia tarnica", "its values stay as they were");
        assert_eq!(store.newest(None, 10).await.unwrap().len(), 1);
        let found: Vec<i64> = store.search("tarnica", 10).await.unwrap().iter().map(|h| h.lot).collect();
        assert_eq!(found, [into], "found once, through the record it went into");

        let again = store.merge(into, &[other], WHO, "").await.unwrap_err();
        assert!(again.to_string().contains("merged into"), "{again}");
        let draft = theirs.draft.unwrap();
        let seen = store.draft(draft).await.unwrap().seen;
        let no = store.change(draft, WHO, &[change("sex", "male")], seen).await.unwrap_err();
        assert!(no.to_string().contains("merged into"), "{no}");
    });
    sound(&catalogue);
    catalogue.undo(WHO).unwrap();
    assert_eq!((shape(&catalogue.record(into).unwrap()), shape(&catalogue.record(other).unwrap())), before);
    assert_eq!(catalogue.search("tarnica", 10).unwrap().len(), 1);
    sound(&catalogue);
}

#[test]
fn a_part_split_off_keeps_reading_photograph_and_names_and_undo_joins_it() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("individualCount", "5")]);
    let before = shape(&catalogue.record(lot).unwrap());
    catalogue.wait(async {
        let mounts = ["TVMS 1", "TVMS 2"].map(|n| Mount { number: n.into(), sex: String::new() });
        let specimens = store.mount(lot, &mounts, WHO, "").await.unwrap();
        let more = store.split(lot, &[], &[change("individualCount", "5")], WHO, "").await.unwrap_err();
        assert!(more.to_string().contains("has 5 animals"), "{more}");
        let part = store
            .split(
                lot,
                &specimens[1..],
                &[change("sex", "female"), change("individualCount", "2")],
                WHO,
                "two females",
            )
            .await
            .unwrap();
        let (whole, new) = (store.record(lot).await.unwrap(), store.record(part).await.unwrap());
        assert_eq!((whole.value("individualCount"), new.value("individualCount")), ("3", "2"));
        assert_eq!((new.value("sex"), new.value("locality")), ("female", "Tarn Head"));
        assert_eq!(new.values.iter().find(|v| v.term == "locality").unwrap().origin, "read");
        assert_eq!((new.part_of, whole.parts), (Some(lot), vec![part]));
        assert_eq!(new.photo, whole.photo, "its photograph shows it");
        assert_eq!(new.verbatim_label, whole.verbatim_label);
        assert_ne!(new.uuid, whole.uuid);
        assert_eq!(new.specimens.iter().map(|s| s.number.as_str()).collect::<Vec<_>>(), ["TVMS 2"]);
        assert_eq!(new.determinations.len(), 1);
        assert_eq!(store.search("female", 10).await.unwrap()[0].lot, part);
        // A part has no draft of its own and is changed all the same.
        store.change_record(part, WHO, &[change("habitat", "moss")], "", None).await.unwrap();
        assert_eq!(store.record(part).await.unwrap().value("habitat"), "moss");
        store.undo(WHO, None).await.unwrap();
    });
    sound(&catalogue);
    catalogue.undo(WHO).unwrap();
    catalogue.undo(WHO).unwrap();
    assert_eq!(shape(&catalogue.record(lot).unwrap()), before);
    assert_eq!(catalogue.list(0, 10).unwrap().len(), 1);
    sound(&catalogue);
}

#[test]
fn a_settling_cannot_be_undone_under_a_part() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("individualCount", "5")]);
    catalogue.wait(async {
        store.split(lot, &[], &[change("individualCount", "1")], "A. Vell", "").await.unwrap();
        // The count was changed by the split, so the settling is not the last word.
        let no = store.undo(WHO, None).await.unwrap_err();
        assert!(no.to_string().contains("since"), "{no}");
    });
    sound(&catalogue);
}

#[test]
fn the_trash_keeps_everything_until_emptied_and_then_history_all_the_same() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[]);
    let draft = take_in(&catalogue, 1);
    let kept = take_in(&catalogue, 2);
    let typed = type_in(&catalogue, 3);
    let file = |id: i64| catalogue.draft(id).unwrap().photo.unwrap().file;
    let (first, second, third) =
        (catalogue.record(lot).unwrap().photo.unwrap().file, file(draft), file(kept));
    catalogue.wait(async {
        let no = store.throw_away(Thing::Lot(lot), WHO, " ").await.unwrap_err();
        assert!(no.to_string().contains("reason"), "{no}");
        for thing in [Thing::Lot(lot), Thing::Draft(draft), Thing::Draft(typed)] {
            store.throw_away(thing, WHO, "the same envelope twice").await.unwrap();
        }
        assert_eq!(store.trash().await.unwrap().len(), 3);
        assert!(store.search("serena", 10).await.unwrap().is_empty());
        let counts = store.counts().await.unwrap();
        let told = (counts.waiting, counts.aside, counts.settled, counts.records);
        assert_eq!(told, (1, 0, 0, 0), "what is in the trash is not counted as settled");
        let settled = Queue { state: State::Settled, ..Queue::default() };
        assert!(store.drafts(&settled, None, 9).await.unwrap().is_empty(), "nor listed");
        assert!(store.values_of("locality", State::Settled, 9).await.unwrap().is_empty());

        store.take_out(Thing::Lot(lot), WHO).await.unwrap();
        let counts = store.state_counts().await.unwrap();
        assert_eq!((counts.settled, counts.records), (1, 1));
        assert_eq!(store.drafts(&settled, None, 9).await.unwrap().len(), 1);
        assert_eq!(store.search("serena", 10).await.unwrap().len(), 1);
        store.take_out(Thing::Draft(typed), WHO).await.unwrap();
        assert!(store.take_out(Thing::Draft(kept), WHO).await.is_err());
        assert!(first.exists() && second.exists(), "nothing goes before the trash is emptied");

        let emptied = store.empty_trash(WHO, None).await.unwrap();
        assert_eq!(emptied.files, 1);
        assert!(first.exists() && !second.exists() && third.exists());
        assert_eq!(store.empty_trash(WHO, None).await.unwrap().files, 0);
    });
    // The reading and its history are still there, and the photograph is known.
    let gone = catalogue.draft(draft).unwrap();
    let said = catalogue.wait(store.photo(gone.photo.as_ref().unwrap().id)).unwrap_err().to_string();
    assert!(said.contains("trash was emptied"), "{said}");
    assert_eq!(gone.history.last().unwrap().why, "the same envelope twice");
    assert!(!gone.reading.text().is_empty());
    assert!(catalogue.has_photo(&gone.reading.photo.hash, None).unwrap().is_some());
    sound(&catalogue);
}

#[test]
fn a_draft_in_the_trash_is_not_settled_or_put_back_and_so_no_settled_photograph_goes_with_it() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let draft = take_in(&catalogue, 1);
    let file = catalogue.draft(draft).unwrap().photo.unwrap().file;
    catalogue.set_aside(draft, "A. Vell", "blurred").unwrap();
    catalogue.wait(async {
        store.throw_away(Thing::Draft(draft), WHO, "the same envelope twice").await.unwrap();
        for no in [
            store.settle(draft, WHO, &[], store.draft(draft).await.unwrap().seen).await.unwrap_err(),
            store.take_back(draft, WHO).await.unwrap_err(),
            store.undo("A. Vell", None).await.map(|_| ()).unwrap_err(),
        ] {
            assert!(no.to_string().contains("in the trash"), "{no}");
        }
        assert!(store.draft(draft).await.unwrap().trashed);
        let counts = store.counts().await.unwrap();
        assert_eq!((counts.waiting, counts.aside, counts.settled), (0, 0, 0));
        // Its own undo takes the throwing away back, and what was before it too.
        store.undo(WHO, None).await.unwrap();
        store.undo("A. Vell", None).await.unwrap();
        store.settle(draft, WHO, &[], store.draft(draft).await.unwrap().seen).await.unwrap();
        assert_eq!(store.empty_trash(WHO, None).await.unwrap().files, 0);
    });
    assert!(file.exists());
    sound(&catalogue);
}

#[test]
fn only_what_was_shown_is_removed_and_who_emptied_is_kept() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let (first, second) = (take_in(&catalogue, 0), take_in(&catalogue, 1));
    catalogue.wait(async {
        assert_eq!(store.removal().await.unwrap().files, 0);
        store.throw_away(Thing::Draft(first), WHO, "twice").await.unwrap();
        let shown = store.removal().await.unwrap();
        assert_eq!((shown.files, shown.names.as_slice()), (1, ["tarn-00001.png".to_owned()].as_slice()));
        let file = store.draft(first).await.unwrap().photo.unwrap().file;
        assert_eq!(shown.bytes, std::fs::metadata(&file).unwrap().len());
        // Another thing is thrown away while the person looks.
        store.throw_away(Thing::Draft(second), "A. Vell", "twice").await.unwrap();
        let no = store.empty_trash(WHO, Some(&shown.seal)).await.unwrap_err().to_string();
        assert!(no.contains("changed since"), "{no}");
        assert!(file.exists());
        store.take_out(Thing::Draft(second), "A. Vell").await.unwrap();
        assert_eq!(store.trash_count().await.unwrap(), 1);
        let done = store.empty_trash(WHO, Some(&shown.seal)).await.unwrap();
        assert_eq!((done.files, done.bytes), (1, shown.bytes));
        let left = &store.trash().await.unwrap()[0];
        assert_eq!((left.photo, left.gone.as_ref().unwrap().1.as_str()), (None, WHO));
    });
    sound(&catalogue);
}

#[test]
fn the_photograph_of_a_part_stays_when_the_whole_is_thrown_away_even_after_the_part_was_merged() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let whole = settled(&catalogue, 0, &[change("individualCount", "5")]);
    let other = settled(&catalogue, 1, &[]);
    let file = catalogue.record(whole).unwrap().photo.unwrap().file;
    catalogue.wait(async {
        let part = store.split(whole, &[], &[change("individualCount", "2")], WHO, "").await.unwrap();
        store.merge(other, &[part], WHO, "").await.unwrap();
        store.throw_away(Thing::Lot(whole), WHO, "eaten by dermestids").await.unwrap();
        assert_eq!(store.empty_trash(WHO, None).await.unwrap().files, 0);
    });
    assert!(file.exists());
    sound(&catalogue);
}

#[test]
fn a_word_that_may_mean_two_things_is_asked_about() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("catalogNumber", "1")]);
    assert_eq!(lot, 1);
    catalogue.wait(async {
        let no = store.thing("1").await.unwrap_err().to_string();
        assert!(no.contains("specimen 1 of record 1") && no.contains("record 1 (Noctua serena)"), "{no}");
        assert_eq!(store.thing("record 1").await.unwrap(), Thing::Lot(1));
        assert!(matches!(store.thing("specimen 1").await.unwrap(), Thing::Specimen(_)));
        assert!(store.thing("Drawer 99").await.is_err());
    });
}

#[test]
fn a_number_corrected_in_the_record_is_the_specimens_too() {
    let (_place, catalogue) = folder();
    let lot = settled(&catalogue, 0, &[change("catalogNumber", "TVMS 1")]);
    let draft = catalogue.record(lot).unwrap().draft.unwrap();
    let seen = catalogue.draft(draft).unwrap().seen;
    catalogue.change(draft, WHO, &[change("catalogNumber", "TVMS 7")], seen).unwrap();
    assert_eq!(catalogue.record(lot).unwrap().specimens[0].number, "TVMS 7");
    catalogue.undo(WHO).unwrap();
    assert_eq!(catalogue.record(lot).unwrap().specimens[0].number, "TVMS 1");
    sound(&catalogue);
}

#[test]
fn a_record_is_found_by_everything_that_was_said_of_it() {
    let (_place, catalogue) = folder();
    let store = catalogue.store();
    let lot = settled(&catalogue, 0, &[change("individualCount", "5")]);
    let other = settled(&catalogue, 1, &[change("catalogNumber", "TVMS 00777")]);
    let draft = catalogue.record(lot).unwrap().draft.unwrap();
    let found = |q: &str| {
        let mut lots: Vec<i64> = catalogue.search(q, 10).unwrap().iter().map(|h| h.lot).collect();
        lots.sort_unstable();
        lots
    };
    catalogue.wait(async {
        let mounts = ["TVMS 00413", "TVMS 00414"].map(|n| Mount { number: n.into(), sex: String::new() });
        let animals = store.mount(lot, &mounts, WHO, "").await.unwrap();
        store.determine(Thing::Lot(lot), "Noctua comes", "A. Voss", "2026-03", WHO).await.unwrap();
        store.determine(Thing::Specimen(animals[1]), "Noctua janthina", "A. Voss", "", WHO).await.unwrap();
        store.note(draft, WHO, "palps missing").await.unwrap();
    });
    assert_eq!(found("00413"), [lot], "a specimen's number");
    assert_eq!(found("serena"), [lot], "a name it had before");
    assert_eq!(found("janthina voss"), [lot], "a specimen's name and who gave it");
    assert_eq!(found("palps"), [lot], "the note");
    assert_eq!(found("palsp"), [lot], "and that misspelt");
    assert_eq!(found("wet night"), [lot, other], "words of the label that have no field");
    assert_eq!(found("tarn 00001 png"), [lot], "the photograph's name");
    catalogue.undo(WHO).unwrap();
    assert!(found("palps").is_empty(), "the note was undone");
    catalogue.wait(async {
        // A specimen is found where it went, and no longer where it was.
        let Thing::Specimen(id) = store.thing("TVMS 00414").await.unwrap() else { panic!() };
        let part = store.split(lot, &[id], &[], WHO, "").await.unwrap();
        let lots =
            |heads: Vec<glassine::catalogue::RecordHead>| heads.iter().map(|h| h.lot).collect::<Vec<_>>();
        assert_eq!(lots(store.search("00414", 10).await.unwrap()), [part]);
        store.undo(WHO, None).await.unwrap();
        assert_eq!(lots(store.search("00414", 10).await.unwrap()), [lot]);
        // What was merged is found with what it went into.
        store.merge(lot, &[other], WHO, "").await.unwrap();
        assert_eq!(lots(store.search("00777", 10).await.unwrap()), [lot]);
        store.undo(WHO, None).await.unwrap();
        assert_eq!(lots(store.search("00777", 10).await.unwrap()), [other]);
    });
    sound(&catalogue);
}
