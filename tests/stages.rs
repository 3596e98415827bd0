//! Stages of lots and specimens: kept in the history, undone, carried along by
//! merging and splitting, checked, and due in time.

mod common;

use common::{folder, take_in};
use glassine::catalogue::{Catalogue, Change, Mount, Stage, StageRules, Thing};
use jiff::{Timestamp, ToSpan};

const WHO: &str = "M. Orrin";

fn lots(catalogue: &Catalogue, count: usize) -> Vec<i64> {
    let settled = |n| {
        let draft = take_in(catalogue, n);
        let five = [Change { term: "individualCount".into(), value: "5".into() }];
        catalogue.settle(draft, WHO, &five, None).unwrap()
    };
    (0..count).map(settled).collect()
}

fn ago(days: i64) -> Timestamp {
    Timestamp::now() - (24 * days).hours()
}

fn stage(name: &str, since: Timestamp) -> Stage {
    Stage { name: name.into(), whom: String::new(), until: None, since }
}

fn set(catalogue: &Catalogue, thing: Thing, stage: &Stage) -> glassine::trouble::Result<i64> {
    let rules = StageRules::load(None).unwrap();
    catalogue.wait(catalogue.store().set_stage(&[thing], stage, &rules, WHO, ""))
}

/// Term-less: track and name of every stage of a record, specimens last.
fn now(catalogue: &Catalogue, lot: i64) -> Vec<(String, String)> {
    let staged = catalogue.wait(catalogue.store().stages_of(lot)).unwrap();
    staged.into_iter().map(|s| (s.track, s.stage.name)).collect()
}

fn pair(track: &str, name: &str) -> (String, String) {
    (track.into(), name.into())
}

fn sound(catalogue: &Catalogue) {
    let found = catalogue.verify(|_, _| {}).unwrap().troubles;
    assert!(found.is_empty(), "{found:?}");
}

#[test]
fn a_stage_is_in_the_history_and_undo_brings_back_the_one_before() {
    let (_place, catalogue) = folder();
    let lot = lots(&catalogue, 1)[0];
    set(&catalogue, Thing::Lot(lot), &stage("relaxing", ago(3))).unwrap();
    set(&catalogue, Thing::Lot(lot), &stage("freezing", ago(2))).unwrap();
    set(&catalogue, Thing::Lot(lot), &stage("spread", ago(1))).unwrap();
    assert_eq!(now(&catalogue, lot), [pair("mounting", "spread"), pair("pests", "freezing")]);
    catalogue.undo(WHO).unwrap();
    assert_eq!(now(&catalogue, lot), [pair("mounting", "relaxing"), pair("pests", "freezing")]);
    sound(&catalogue);
    let record = catalogue.record(lot).unwrap();
    let changes: Vec<&str> = record
        .history
        .iter()
        .flat_map(|d| &d.changes)
        .map(|c| c.0.as_str())
        .filter(|t| t.starts_with("stage"))
        .collect();
    assert_eq!(changes, ["stage of mounting", "stage of pests", "stage of mounting", "stage of mounting"]);
    // Nothing of it is taken for a Darwin Core term on the way out.
    let mut csv = Vec::new();
    glassine::out::csv(&catalogue, &mut csv).unwrap();
    let csv = String::from_utf8(csv).unwrap();
    assert!(!csv.contains("relaxing") && !csv.contains("stage of"), "{csv}");
    for _ in 0..2 {
        catalogue.undo(WHO).unwrap();
    }
    assert!(now(&catalogue, lot).is_empty());
    sound(&catalogue);
}

#[test]
fn what_cannot_be_is_refused_and_changes_nothing() {
    let (_place, catalogue) = folder();
    let lot = lots(&catalogue, 1)[0];
    let error = |s: &Stage| set(&catalogue, Thing::Lot(lot), s).unwrap_err().to_string();
    assert!(error(&stage("lent", ago(1))).contains("to whom"));
    assert!(error(&stage("returned", ago(1))).contains("not lent"));
    assert!(error(&Stage { whom: "A. Voss".into(), ..stage("spread", ago(1)) }).contains("takes no --to"));
    assert!(error(&stage("spread", ago(-2))).contains("future"));
    let past = Stage { whom: "A. Voss".into(), until: "1999-01-01".parse().ok(), ..stage("lent", ago(1)) };
    assert!(error(&past).contains("end before it begins"));
    assert!(set(&catalogue, Thing::Lot(99), &stage("spread", ago(1))).is_err());
    assert!(now(&catalogue, lot).is_empty());
    sound(&catalogue);
}

#[test]
fn what_is_due_comes_longest_due_first_and_only_while_it_stands() {
    let (_place, catalogue) = folder();
    let all = lots(&catalogue, 5);
    let rules = StageRules::load(None).unwrap();
    set(&catalogue, Thing::Lot(all[0]), &stage("relaxing", ago(3))).unwrap();
    set(&catalogue, Thing::Lot(all[1]), &stage("relaxing", ago(1))).unwrap();
    let lent = Stage {
        whom: "A. Voss".into(),
        until: "2020-06-01".parse().ok(),
        ..stage("lent", "2020-01-01T12:00:00Z".parse().unwrap())
    };
    set(&catalogue, Thing::Lot(all[2]), &lent).unwrap();
    set(&catalogue, Thing::Lot(all[3]), &stage("relaxing", ago(9))).unwrap();
    set(&catalogue, Thing::Lot(all[4]), &stage("off-boards", ago(900))).unwrap();
    let due = |at| {
        let due = catalogue.wait(catalogue.store().due(&rules, at)).unwrap();
        due.into_iter().map(|d| d.1.lot).collect::<Vec<_>>()
    };
    assert_eq!(due(Timestamp::now()), [all[2], all[3], all[0]]);
    assert_eq!(due(ago(-2)).len(), 4, "the one relaxing since yesterday is due in two days");
    catalogue.wait(catalogue.store().throw_away(Thing::Lot(all[3]), WHO, "twice")).unwrap();
    set(&catalogue, Thing::Lot(all[2]), &stage("returned", ago(0))).unwrap();
    assert_eq!(due(Timestamp::now()), [all[0]]);
    sound(&catalogue);
}

#[test]
fn the_oldest_in_the_cooler_comes_first_whatever_box_it_is_in() {
    let (_place, catalogue) = folder();
    let all = lots(&catalogue, 9);
    let (store, rules) = (catalogue.store(), StageRules::load(None).unwrap());
    catalogue.wait(store.make_container("Cooler", "Cooler", None, WHO)).unwrap();
    catalogue.wait(store.make_container("Box 3", "box", Some("Cooler"), WHO)).unwrap();
    catalogue.wait(store.make_container("Drawer 7", "drawer", None, WHO)).unwrap();
    // Collected on 2, 1 and 3 July 1993.
    for (lot, code) in
        [(all[4], "Cooler"), (all[0], "Box 3"), (all[8], "Box 3"), (all[1], "Drawer 7"), (all[2], "Box 3")]
    {
        catalogue.wait(store.put(&[Thing::Lot(lot)], Some(code), WHO, "")).unwrap();
    }
    set(&catalogue, Thing::Lot(all[2]), &stage("spread", ago(1))).unwrap();
    let kept = catalogue.wait(store.oldest_in_coolers(&rules)).unwrap();
    let said: Vec<(i64, &str, &str)> =
        kept.iter().map(|k| (k.head.lot, k.kept_in.as_str(), k.since.as_str())).collect();
    assert_eq!(
        said,
        [(all[0], "Box 3", "1993-07-01"), (all[4], "Cooler", "1993-07-02"), (all[8], "Box 3", "1993-07-03")]
    );
}

/// Days as they may have been settled: by ISO 8601, and as labels have them.
#[test]
fn days_in_the_cooler_are_ordered_by_what_they_mean() {
    let (_place, catalogue) = folder();
    let all = lots(&catalogue, 6);
    let (store, rules) = (catalogue.store(), StageRules::load(None).unwrap());
    catalogue.wait(store.make_container("Cooler", "cooler", None, WHO)).unwrap();
    let days =
        ["1966-07-01", "17/6/1966", "3.vii.1966", "1965", "1966-06-18/1966-06-20", "in summer, I think"];
    for (lot, day) in all.iter().zip(days) {
        let change = Change { term: "eventDate".into(), value: day.into() };
        let draft = catalogue.record(*lot).unwrap().draft.unwrap();
        let seen = catalogue.draft(draft).unwrap().seen;
        catalogue.change(draft, WHO, &[change], seen).unwrap();
        catalogue.wait(store.put(&[Thing::Lot(*lot)], Some("Cooler"), WHO, "")).unwrap();
    }
    let kept = catalogue.wait(store.oldest_in_coolers(&rules)).unwrap();
    let said: Vec<&str> = kept.iter().map(|k| k.since.as_str()).collect();
    // What is no day counts from the day it was put there, today.
    assert_eq!(
        said,
        ["1965", "17/6/1966", "1966-06-18/1966-06-20", "1966-07-01", "3.vii.1966", "in summer, I think"]
    );
    let few = StageRules { oldest: 2, ..rules };
    let kept = catalogue.wait(store.oldest_in_coolers(&few)).unwrap();
    assert_eq!(kept.iter().map(|k| k.head.lot).collect::<Vec<_>>(), [all[3], all[1]]);
}

#[test]
fn merging_and_splitting_and_backup_carry_stages_along() {
    let (place, catalogue) = folder();
    let all = lots(&catalogue, 2);
    let store = catalogue.store();
    set(&catalogue, Thing::Lot(all[0]), &stage("relaxing", ago(1))).unwrap();
    set(&catalogue, Thing::Lot(all[1]), &stage("spread", ago(1))).unwrap();
    set(&catalogue, Thing::Lot(all[1]), &stage("quarantine", ago(1))).unwrap();
    let mount = Mount { number: "TVMS 00413".into(), sex: "female".into() };
    let moth = catalogue.wait(store.mount(all[1], &[mount], WHO, "")).unwrap()[0];
    let lent = Stage { whom: "P. Okonjo".into(), ..stage("lent", ago(1)) };
    set(&catalogue, Thing::Specimen(moth), &lent).unwrap();

    catalogue.wait(store.merge(all[0], &[all[1]], WHO, "")).unwrap();
    assert_eq!(
        now(&catalogue, all[0]),
        [pair("mounting", "relaxing"), pair("pests", "quarantine"), pair("loan", "lent")],
        "its own stage stays, what it lacked it takes over, the specimen brings its own"
    );
    sound(&catalogue);
    // The specimen's history goes on in the record it went into.
    set(&catalogue, Thing::Specimen(moth), &stage("returned", ago(0))).unwrap();
    sound(&catalogue);
    let part = catalogue.wait(store.split(all[0], &[moth], &[], WHO, "")).unwrap();
    assert_eq!(
        now(&catalogue, part),
        [pair("mounting", "relaxing"), pair("pests", "quarantine"), pair("loan", "returned")]
    );
    let copy = place.path().join("copy");
    catalogue.backup(&copy).unwrap();
    assert_eq!(now(&Catalogue::open(&copy).unwrap(), part).len(), 3);
    for _ in 0..3 {
        catalogue.undo(WHO).unwrap();
    }
    assert_eq!(now(&catalogue, all[0]), [pair("mounting", "relaxing")]);
    assert_eq!(
        now(&catalogue, all[1]),
        [pair("mounting", "spread"), pair("pests", "quarantine"), pair("loan", "lent")]
    );
    sound(&catalogue);
}
