//! The catalogue: what must never be lost, repeated or altered.

mod common;

use common::{draft, facts, folder, png, take_in, type_in};
use glassine::catalogue::{Catalogue, Change, DeedKind, Queue, State};
use glassine::intake::PhotoFacts;
use std::path::Path;

const WHO: &str = "M. Orrin";

fn change(term: &str, value: &str) -> Change {
    Change { term: term.into(), value: value.into() }
}

/// What `verify` finds, as one text; empty as it should be.
fn troubles(catalogue: &Catalogue) -> String {
    let checked = catalogue.verify(|_, _| {}).expect("the check is made");
    checked.troubles.iter().map(|t| format!("{t}\n")).collect()
}

#[test]
fn the_same_photograph_makes_no_second_draft_and_one_cut_short_is_read_again() {
    let (_place, catalogue) = folder();
    let bytes = png(1);
    let facts = facts(1, &bytes);
    assert_eq!(catalogue.has_photo(&facts.hash, None).unwrap(), None);
    catalogue.keep_photo(&bytes, "png", &facts, None).unwrap();
    // The run ends here; the next one finds no draft and reads it again.
    assert_eq!(catalogue.has_photo(&facts.hash, None).unwrap(), None);
    let first = take_in(&catalogue, 1);
    assert_eq!(catalogue.has_photo(&facts.hash, None).unwrap(), Some(first));
    let (reading, parsed, doubts) = draft(1, facts);
    let again = catalogue.enter_draft(&reading, &parsed, &doubts).unwrap();
    assert_eq!((again.draft, again.new), (first, false));
    assert_eq!(catalogue.counts().unwrap().waiting, 1);
}

#[test]
fn an_original_is_kept_byte_for_byte_under_its_hash_and_read_only() {
    let (_place, catalogue) = folder();
    let bytes = png(4);
    let kept = catalogue.keep_photo(&bytes, "PNG", &facts(4, &bytes), None).unwrap();
    assert_eq!(std::fs::read(&kept.file).unwrap(), bytes);
    assert!(kept.file.ends_with(format!("{}.png", blake3::hash(&bytes).to_hex())));
    assert!(std::fs::metadata(&kept.file).unwrap().permissions().readonly());
    let wrong = facts(5, &png(5));
    let error = catalogue.keep_photo(&bytes, "png", &wrong, None).unwrap_err().to_string();
    assert!(error.contains("tarn-00006.png") && error.contains("hint:"), "{error}");
}

#[test]
fn pages_of_one_pdf_are_photographs_of_their_own() {
    let (_place, catalogue) = folder();
    let bytes = png(7);
    for page in [1, 2] {
        let facts = glassine::intake::PhotoFacts { page: Some(page), ..facts(7, &bytes) };
        catalogue.keep_photo(&bytes, "pdf", &facts, None).unwrap();
        let (reading, parsed, doubts) = draft(7, facts);
        assert!(catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().new);
    }
    assert_eq!(catalogue.counts().unwrap().waiting, 2);
}

#[test]
fn a_photograph_that_looks_alike_is_pointed_out_and_itself_is_not() {
    let (_place, catalogue) = folder();
    let look = "f0f0123456789abcf0f0123456789abcf0f0123456789abcf0f0123456789abc";
    let near_look = look.replacen('0', "5", 1); // two bits of 256
    let far_look = "0".repeat(64);
    for (n, look) in [(1, look), (2, near_look.as_str()), (3, far_look.as_str())] {
        let (bytes, look) = (png(n), look.parse().unwrap());
        catalogue.keep_photo(&bytes, "png", &facts(n, &bytes), Some(&look)).unwrap();
    }
    let own = facts(1, &png(1)).hash;
    let asked = look.parse().unwrap();
    let near = catalogue.near_duplicates(&asked, 30, &own).unwrap();
    let near: Vec<_> = near.iter().map(|n| (n.name.as_str(), n.distance)).collect();
    assert_eq!(near, [("tarn-00003.png", 2)]);
    // One kept after the first question is found too.
    let bytes = png(9);
    let one_bit = look.replacen('0', "1", 1).parse().unwrap();
    catalogue.keep_photo(&bytes, "png", &facts(9, &bytes), Some(&one_bit)).unwrap();
    assert_eq!(catalogue.near_duplicates(&asked, 30, &own).unwrap()[0].name, "tarn-00010.png");
}

#[test]
fn settling_keeps_reading_value_person_and_time_and_undo_keeps_both() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 2);
    let before = catalogue.draft(id).unwrap();
    let lot = catalogue
        .settle(id, WHO, &[change("eventDate", "1893-07-01"), change("sex", "female")], None)
        .unwrap();
    let record = catalogue.record(lot).unwrap();
    assert_eq!(record.value("eventDate"), "1893-07-01");
    let date = record.values.iter().find(|v| v.term == "eventDate").unwrap();
    assert_eq!(
        (date.verbatim.as_str(), date.origin.as_str(), date.confidence),
        ("1.vii.93", "changed", None)
    );
    let place = record.values.iter().find(|v| v.term == "locality").unwrap();
    assert_eq!((place.origin.as_str(), place.confidence.is_some()), ("read", true));
    assert_eq!(record.values.iter().find(|v| v.term == "sex").unwrap().origin, "typed");
    let deed = record.history.last().unwrap();
    assert_eq!((deed.who.as_str(), deed.kind), (WHO, DeedKind::Settle));
    assert!(deed.changes.contains(&("eventDate".into(), "1993-07-01".into(), "1893-07-01".into())));

    let undone = catalogue.undo(WHO).unwrap();
    assert_eq!((undone.kind, undone.drafts.as_slice()), (DeedKind::Settle, [id].as_slice()));
    let after = catalogue.draft(id).unwrap();
    assert_eq!(after.state, State::Waiting);
    assert_eq!(after.values, before.values);
    assert_eq!(after.reading, before.reading);
    assert_eq!(after.history.len(), 2);
    assert!(after.history[0].undone && after.history[1].undoes == Some(after.history[0].id));
    assert!(catalogue.record(lot).unwrap_err().to_string().contains("undone"));
    assert!(catalogue.list(0, 10).unwrap().is_empty());

    // Settled again it is the same lot: its lasting identifier does not change.
    assert_eq!(catalogue.settle(id, WHO, &[], after.seen).unwrap(), lot);
    let again = catalogue.record(lot).unwrap();
    assert_eq!(again.uuid, record.uuid);
    assert_eq!(again.determinations.len(), 1, "the undone name does not count");
    assert_eq!(troubles(&catalogue), "");
}

#[test]
fn a_deed_undone_after_closing_is_undone() {
    let (place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    catalogue.settle(id, WHO, &[], None).unwrap();
    drop(catalogue);
    let catalogue = Catalogue::open(&place.path().join("moths")).unwrap();
    catalogue.undo(WHO).unwrap();
    assert_eq!(catalogue.draft(id).unwrap().state, State::Waiting);
    let error = catalogue.undo(WHO).unwrap_err().to_string();
    assert!(error.contains("nothing left to undo"), "{error}");
}

#[test]
fn what_another_person_changed_meanwhile_is_not_written_over() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    let seen = catalogue.draft(id).unwrap().seen;
    catalogue.change(id, "E. Tarrow", &[change("locality", "Mere End")], seen).unwrap();
    let error = catalogue.settle(id, WHO, &[], seen).unwrap_err().to_string();
    assert!(error.contains("E. Tarrow"), "{error}");
    assert_eq!(catalogue.draft(id).unwrap().state, State::Waiting);
    // Mine before theirs cannot be undone over theirs.
    let seen = catalogue.draft(id).unwrap().seen;
    catalogue.change(id, WHO, &[change("locality", "Mere End, north")], seen).unwrap();
    let error = catalogue.undo("E. Tarrow").unwrap_err().to_string();
    assert!(error.contains("changed again since"), "{error}");
    assert_eq!(troubles(&catalogue), "");
}

#[test]
fn setting_aside_asks_for_a_reason_and_comes_back() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    assert!(catalogue.set_aside(id, WHO, "  ").is_err());
    catalogue.set_aside(id, WHO, "photograph it again").unwrap();
    assert_eq!(catalogue.draft(id).unwrap().state, State::Aside);
    assert!(catalogue.set_aside(id, WHO, "twice").is_err());
    catalogue.take_back(id, WHO).unwrap();
    catalogue.note(id, WHO, "left wing torn").unwrap();
    let draft = catalogue.draft(id).unwrap();
    assert_eq!((draft.state, draft.note.as_str()), (State::Waiting, "left wing torn"));
    assert_eq!(draft.history[0].why, "photograph it again");
    assert_eq!(troubles(&catalogue), "");
}

#[test]
fn the_most_doubtful_come_first_and_the_walk_goes_round() {
    let (_place, catalogue) = folder();
    let ids: Vec<i64> = (0..6).map(|n| take_in(&catalogue, n)).collect();
    let queue = Queue::default();
    let order: Vec<i64> = catalogue.drafts(&queue, 10).unwrap().iter().map(|d| d.id).collect();
    assert_eq!(order, [ids[2], ids[5], ids[0], ids[1], ids[3], ids[4]]);
    let store = catalogue.store();
    let next = |after, back| catalogue.wait(store.next_draft(&queue, Some(after), back)).unwrap();
    assert_eq!(next(ids[5], false), Some(ids[0]));
    assert_eq!(next(ids[0], true), Some(ids[5]));
    assert_eq!(next(ids[4], false), Some(ids[2]), "after the last comes the first again");
    let doubted = Queue { doubt: Some("century-open".into()), ..Queue::default() };
    assert_eq!(catalogue.drafts(&doubted, 10).unwrap().len(), 2);
    let clean = Queue { doubt: Some("none".into()), ..Queue::default() };
    assert_eq!(catalogue.drafts(&clean, 10).unwrap().len(), 4);
    let words = Queue { text: "alder".into(), ..Queue::default() };
    assert_eq!(catalogue.drafts(&words, 10).unwrap().len(), 2);
    let counts = catalogue.counts().unwrap();
    assert_eq!((counts.waiting, counts.clean, counts.doubts), (6, 4, vec![("century-open".into(), 2)]));
}

#[test]
fn records_are_found_by_word_by_beginning_and_misspelt() {
    let (_place, catalogue) = folder();
    for n in 0..8 {
        let id = type_in(&catalogue, n);
        catalogue.settle(id, WHO, &[], None).unwrap();
    }
    let found = |q: &str| catalogue.search(q, 50).unwrap().len();
    assert_eq!(found("Alder Ghyll"), 2);
    assert_eq!(found("ghy"), 2);
    assert_eq!(found("Aldr Ghyll"), 2, "one letter missing");
    assert_eq!(found("eupitecia"), 2, "one letter missing");
    assert_eq!(found("serena vell"), 2);
    assert_eq!(found("zzzzz"), 0);
    assert_eq!(found("\"NEAR( OR *"), 0, "the index's own language stays out of reach");
    // Undone, it is found no longer.
    catalogue.undo(WHO).unwrap();
    assert_eq!(found("vallis"), 1);
}

#[test]
fn one_slip_in_a_word_is_forgiven_wherever_it_is_and_two_in_a_long_one() {
    let (_place, catalogue) = folder();
    let word = "Hesperochrysa";
    let values = [change("scientificName", word), change("locality", "Tarn Head")];
    let lot = catalogue.settle(type_in(&catalogue, 0), WHO, &values, None).unwrap();
    catalogue.settle(type_in(&catalogue, 1), WHO, &[], None).unwrap();
    let found = |q: &str| catalogue.search(q, 10).unwrap().iter().map(|h| h.lot).collect::<Vec<_>>();
    let letters: Vec<char> = word.to_lowercase().chars().collect();
    let text = |l: &[char]| l.iter().collect::<String>();
    // Every kind of slip of the Damerau-Levenshtein distance, at every letter.
    for at in 0..letters.len() {
        let mut other = letters.clone();
        other[at] = if other[at] == 'x' { 'z' } else { 'x' };
        let mut less = letters.clone();
        less.remove(at);
        let mut more = letters.clone();
        more.insert(at, 'q');
        let mut swapped = letters.clone();
        swapped.swap(at, (at + 1).min(letters.len() - 1));
        for slip in [other, less, more, swapped] {
            assert_eq!(found(&text(&slip)), [lot], "{}", text(&slip));
        }
    }
    assert_eq!(found("hesparochrisa"), [lot], "two slips");
    assert_eq!(found("hed tarm"), [lot], "words of three and four letters, both misspelt");
    assert!(found("1994").is_empty(), "a number one digit off is another number");
    assert!(found("hesperochrysa wood").is_empty(), "both words must stand");
}

#[test]
fn values_to_narrow_by_are_counted_by_state() {
    let (_place, catalogue) = folder();
    let ids: Vec<i64> = (0..8).map(|n| take_in(&catalogue, n)).collect();
    for id in &ids[..5] {
        catalogue.settle(*id, WHO, &[], None).unwrap();
    }
    catalogue.set_aside(ids[5], WHO, "blurred").unwrap();
    let of = |state: State| {
        let mut all = catalogue.wait(catalogue.store().values_of("locality", state, 10)).unwrap();
        all.sort();
        all.iter().map(|(v, n)| format!("{v} {n}")).collect::<Vec<_>>().join(", ")
    };
    assert_eq!(of(State::Settled), "Alder Ghyll 1, Low Fold Wood 1, Mere End 1, Tarn Head 2");
    assert_eq!(of(State::Aside), "Alder Ghyll 1");
    assert_eq!(of(State::Waiting), "Low Fold Wood 1, Mere End 1");
}

#[test]
fn what_was_read_and_what_was_done_cannot_be_altered_even_by_hand() {
    let (place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    catalogue.settle(id, WHO, &[change("locality", "Mere End")], None).unwrap();
    drop(catalogue);
    let database = place.path().join("moths/catalogue.db");
    for (statement, word) in [
        ("UPDATE draft SET reading = '{}'", "never altered"),
        ("UPDATE draft SET parsed = '{}'", "never altered"),
        ("UPDATE draft_value SET verbatim = 'x'", "never altered"),
        ("DELETE FROM draft", "never removed"),
        ("UPDATE change SET was = 'x'", "never altered"),
        ("DELETE FROM change", "never removed"),
        ("UPDATE deed SET who = 'x'", "never altered"),
        ("DELETE FROM lot", "never removed"),
    ] {
        let error = by_hand(&database, statement).unwrap_err();
        assert!(error.contains(word), "{statement}: {error}");
    }
    // A value altered by hand, against its history, is found by the check.
    by_hand(&database, "UPDATE lot_value SET value = 'elsewhere' WHERE term = 'locality'").unwrap();
    let catalogue = Catalogue::open(&place.path().join("moths")).unwrap();
    let found = troubles(&catalogue);
    assert!(found.contains("locality") && found.contains("history does not know"), "{found}");
}

/// Runs one statement on a database behind the program's back.
fn by_hand(database: &Path, statement: &str) -> Result<(), String> {
    use sqlx::ConnectOptions;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let mut conn = sqlx::sqlite::SqliteConnectOptions::new()
            .filename(database)
            .connect()
            .await
            .map_err(|e| e.to_string())?;
        sqlx::raw_sql(statement).execute(&mut conn).await.map(|_| ()).map_err(|e| e.to_string())
    })
}

#[test]
fn a_folder_that_is_not_ours_is_refused_with_what_it_is() {
    let place = tempfile::tempdir().unwrap();
    let at = |name: &str| place.path().join(name);
    let open = |name: &str| Catalogue::open(&at(name)).unwrap_err().to_string();
    assert!(open("nowhere").contains("does not exist"));
    std::fs::write(at("file"), "x").unwrap();
    assert!(open("file").contains("is a file"));
    std::fs::create_dir(at("other")).unwrap();
    assert!(open("other").contains("holds no catalogue.db"));
    std::fs::write(at("other").join("catalogue.db"), "no database at all, but long enough to be read as one")
        .unwrap();
    assert!(open("other").contains("is not a database"), "{}", open("other"));
    std::fs::create_dir(at("theirs")).unwrap();
    std::fs::write(at("theirs").join("catalogue.db"), "").unwrap();
    assert!(open("theirs").contains("not a catalogue of this program"), "{}", open("theirs"));
    let error = Catalogue::create(&at("other")).unwrap_err().to_string();
    assert!(error.contains("collection folder already"), "{error}");
    std::fs::create_dir(at("full")).unwrap();
    std::fs::write(at("full").join("a.txt"), "x").unwrap();
    let error = Catalogue::create(&at("full")).unwrap_err().to_string();
    assert!(error.contains("not empty"), "{error}");
}

#[test]
fn a_catalogue_of_a_newer_program_is_refused_and_left_as_it_is() {
    let (place, catalogue) = folder();
    drop(catalogue);
    let database = place.path().join("moths/catalogue.db");
    by_hand(
        &database,
        "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
         VALUES (9999, 'from the future', 1, x'00', 0)",
    )
    .unwrap();
    let error = Catalogue::open(&place.path().join("moths")).unwrap_err().to_string();
    assert!(error.contains("newer version") && error.contains("9999"), "{error}");
}

#[test]
fn a_backup_opens_and_verifies_and_a_second_one_copies_only_what_is_new() {
    let (place, catalogue) = folder();
    for n in 0..3 {
        let id = take_in(&catalogue, n);
        if n == 0 {
            catalogue.settle(id, WHO, &[], None).unwrap();
        }
    }
    std::fs::write(catalogue.folder().config().join("people.toml"), "[people]\n").unwrap();
    let to = place.path().join("backup");
    let first = catalogue.backup(&to).unwrap();
    assert_eq!((first.copied, first.kept), (3, 0));
    take_in(&catalogue, 3);
    let second = catalogue.backup(&to).unwrap();
    assert_eq!((second.copied, second.kept), (1, 3));
    assert_eq!(std::fs::read_to_string(to.join("config/people.toml")).unwrap(), "[people]\n");

    let restored = place.path().join("restored");
    copy_all(&to, &restored);
    let copy = Catalogue::open(&restored).unwrap();
    assert_eq!(troubles(&copy), "");
    let counts = copy.counts().unwrap();
    assert_eq!((counts.waiting, counts.settled), (3, 1));
    // Work goes on in the restored folder.
    let id = copy.drafts(&Queue::default(), 1).unwrap()[0].id;
    copy.settle(id, WHO, &[], None).unwrap();

    std::os::unix::fs::symlink(place.path().join("moths"), place.path().join("link")).unwrap();
    for inside in ["moths/inside", "moths/new/one", "backup/../moths/inside", "link/inside"] {
        let error = catalogue.backup(&place.path().join(inside)).unwrap_err().to_string();
        assert!(error.contains("inside the collection folder"), "{inside}: {error}");
    }
    let other = Catalogue::create(&place.path().join("other")).unwrap();
    let error = other.backup(&to).unwrap_err().to_string();
    assert!(error.contains("no earlier backup"), "{error}");
}

fn copy_all(from: &Path, to: &Path) {
    for entry in walkdir::WalkDir::new(from) {
        let entry = entry.unwrap();
        let at = to.join(entry.path().strip_prefix(from).unwrap());
        if entry.file_type().is_dir() {
            std::fs::create_dir_all(at).unwrap();
        } else {
            std::fs::copy(entry.path(), at).unwrap();
        }
    }
}

#[test]
fn a_damaged_or_missing_photograph_is_found_and_named() {
    let (_place, catalogue) = folder();
    let (a, b) = (take_in(&catalogue, 0), take_in(&catalogue, 1));
    let file = |id| catalogue.draft(id).unwrap().photo.unwrap().file;
    std::fs::remove_file(file(a)).unwrap();
    // Written over as another program would: put in its place.
    std::fs::remove_file(file(b)).unwrap();
    std::fs::write(file(b), "other bytes").unwrap();
    let found = troubles(&catalogue);
    assert!(found.contains("tarn-00001.png") && found.contains("cannot be read"), "{found}");
    assert!(found.contains("tarn-00002.png") && found.contains("is damaged"), "{found}");
    let error = catalogue.backup(&catalogue.folder().path().with_extension("b")).unwrap_err().to_string();
    assert!(error.contains("photos"), "{error}");
}

#[test]
fn many_at_once_lose_and_double_nothing() {
    let (_place, catalogue) = folder();
    let threads: Vec<_> = (0..8)
        .map(|t| {
            let catalogue = catalogue.clone();
            std::thread::spawn(move || {
                for n in 0..12 {
                    // Neighbouring threads take the same photographs.
                    let id = take_in(&catalogue, (t / 2) * 12 + n);
                    let _ = catalogue.settle(id, &format!("person {t}"), &[], None);
                }
            })
        })
        .collect();
    for thread in threads {
        thread.join().unwrap();
    }
    let counts = catalogue.counts().unwrap();
    assert_eq!((counts.waiting, counts.settled), (0, 48));
    assert_eq!(catalogue.list(0, 100).unwrap().len(), 48);
    assert_eq!(troubles(&catalogue), "");
}

#[test]
fn the_same_words_elsewhere_are_found_only_where_they_wait_with_another_value() {
    let (_place, catalogue) = common::folder();
    // Envelopes 0, 4, 8 are from Tarn Head, the others are not.
    let ids: Vec<i64> = (0..12).map(|n| common::type_in(&catalogue, n)).collect();
    let store = catalogue.store();
    let found = |value: &str| {
        let draft = catalogue.draft(ids[0]).unwrap();
        let same = catalogue.wait(store.same_words(&draft, "locality", value, 50)).unwrap();
        same.iter().map(|s| s.draft).collect::<Vec<_>>()
    };
    assert!(found("Tarn Head").is_empty(), "they have that value already");
    assert_eq!(found("Tarn Head (north)"), [ids[4], ids[8]]);
    catalogue.settle(ids[4], "M. Orrin", &[], None).unwrap();
    assert_eq!(found("Tarn Head (north)"), [ids[8]], "what is settled is left alone");
    let draft = catalogue.draft(ids[0]).unwrap();
    assert_eq!(catalogue.wait(store.same_words(&draft, "habitat", "x", 50)).unwrap(), [], "without words");
    // The words stay the words when the value is changed.
    catalogue.change(ids[8], "M. Orrin", &[change("locality", "Tarn Head (north)")], None).unwrap();
    assert!(found("Tarn Head (north)").is_empty());
    assert_eq!(found("Tarn Head (south)"), [ids[8]]);
}

#[test]
fn drafts_of_one_day_place_and_collector_are_one_event_settled_at_once_or_not_at_all() {
    let (_place, catalogue) = common::folder();
    // Day and place of envelope n and n + 112 are the same.
    let pair = [common::type_in(&catalogue, 2), common::type_in(&catalogue, 114)];
    let other = common::type_in(&catalogue, 3);
    let store = catalogue.store();
    let events = catalogue.wait(store.events(10)).unwrap();
    assert_eq!(events.len(), 1);
    let e = &events[0];
    assert_eq!(
        (e.place.as_str(), e.day.as_str(), e.collector.as_str()),
        ("Low Fold Wood", "1993-07-01", "A. Vell")
    );
    assert_eq!((e.waiting, e.doubted), (2, 1), "every third envelope has a doubt");
    let ids = catalogue.wait(store.event(&e.day, &e.place, &e.collector, 10)).unwrap();
    assert_eq!(ids, pair);
    // One of them changed meanwhile: none is settled.
    catalogue.note(pair[1], "A. Vell", "look again").unwrap();
    let both = [(pair[0], Some(0)), (pair[1], Some(0))];
    let no = catalogue.wait(store.settle_each(&both, "M. Orrin", "one event", |_| None)).unwrap_err();
    assert!(no.to_string().contains("A. Vell"), "{no}");
    assert_eq!(catalogue.counts().unwrap().settled, 0);
    let both = pair.map(|id| (id, catalogue.draft(id).unwrap().seen));
    assert_eq!(catalogue.wait(store.settle_each(&both, "M. Orrin", "one event", |_| None)).unwrap().len(), 2);
    assert_eq!(catalogue.wait(store.events(10)).unwrap(), []);
    assert_eq!(catalogue.undo("M. Orrin").unwrap().drafts, pair, "one undo takes both back");
    assert_eq!(catalogue.draft(other).unwrap().state, State::Waiting);
    assert_eq!(troubles(&catalogue), "");
}

#[test]
fn progress_counts_what_stands_and_what_was_understood_right() {
    let (_place, catalogue) = common::folder();
    let ids: Vec<i64> = (0..4).map(|n| take_in(&catalogue, n)).collect();
    catalogue.settle(ids[0], "A. Vell", &[], None).unwrap();
    catalogue.settle(ids[1], "M. Orrin", &[change("locality", "Alder Ghyll, top")], None).unwrap();
    catalogue.settle(ids[2], "M. Orrin", &[change("habitat", "birch scrub")], None).unwrap();
    catalogue.settle(ids[3], "M. Orrin", &[], None).unwrap();
    catalogue.undo("M. Orrin").unwrap();
    // Nothing in it was read by the machine, so it says nothing of how well that reads.
    catalogue.settle(common::type_in(&catalogue, 9), "P. Okonjo", &[], None).unwrap();
    let progress = catalogue.wait(catalogue.store().progress()).unwrap();
    let by = |who: &str| progress.days.iter().filter(|d| d.1 == who).map(|d| d.2).sum::<i64>();
    assert_eq!((by("A. Vell"), by("M. Orrin")), (1, 2), "what was undone does not count");
    let field = |term: &str| progress.fields.iter().find(|f| f.0 == term).map(|f| (f.1, f.2));
    assert_eq!(field("locality"), Some((3, 2)), "two of three stand as understood");
    assert_eq!(field("scientificName"), Some((3, 3)));
    assert_eq!(field("habitat"), None, "what was never understood is not counted");
    assert!(progress.seconds.is_some_and(|s| (0.0..60.0).contains(&s)));
    assert_eq!(progress.over_time["locality"], [(3, 2)], "too few records for more than one group");
}

#[test]
fn progress_shows_how_the_reading_gets_better_over_the_records() {
    let (_place, catalogue) = folder();
    // The first twenty places of sixty are changed, then every tenth.
    for n in 0..60 {
        let wrong = n < 20 || n % 10 == 0;
        let changes = if wrong { vec![change("locality", "Alder Ghyll, top")] } else { Vec::new() };
        catalogue.settle(take_in(&catalogue, n), WHO, &changes, None).unwrap();
    }
    let progress = catalogue.wait(catalogue.store().progress()).unwrap();
    assert_eq!(progress.over_time["locality"], [(20, 0), (20, 18), (20, 18)]);
    assert_eq!(progress.over_time["recordedBy"], [(20, 20); 3]);
    assert!(progress.fields.contains(&("locality".into(), 60, 36)));
}

#[test]
fn neighbours_are_asked_by_number_day_and_collector_and_never_the_draft_itself() {
    use glassine::checking::Neighbours;
    let (_place, catalogue) = common::folder();
    let ids: Vec<i64> = (0..6).map(|n| common::take_in(&catalogue, n)).collect();
    catalogue.settle(ids[0], "M. Orrin", &[change("catalogNumber", "TVMS 1")], None).unwrap();
    let known = catalogue.known("", None);
    let one = known.with_catalogue_number("TVMS 1");
    assert_eq!(
        (one.len(), one[0].recorded_by.as_str(), one[0].locality.as_str()),
        (1, "A. Vell", "Tarn Head")
    );
    let numbers =
        |n: Vec<glassine::checking::Neighbour>| n.iter().map(|n| n.record_number.clone()).collect::<Vec<_>>();
    assert_eq!(numbers(known.near_number("A. Vell", 3, 1)), ["2", "3", "4"]);
    assert_eq!(known.near_number("B. Nother", 3, 1).len(), 0);
    let day = "1993-07-01".parse().unwrap();
    assert_eq!(numbers(known.on_day("A. Vell", day)), ["1", "2", "3", "4"]);
    let own = catalogue.draft(ids[1]).unwrap().photo.unwrap().hash;
    assert_eq!(numbers(catalogue.known(&own, None).on_day("A. Vell", day)), ["1", "3", "4"]);
    // What is set aside says nothing.
    catalogue.set_aside(ids[2], "M. Orrin", "torn").unwrap();
    assert_eq!(numbers(known.on_day("A. Vell", day)), ["1", "2", "4"]);
}

/// Labels are read as `verbatimLocality`; `locality` is what a person makes of it
/// (Darwin Core, https://dwc.tdwg.org/terms/#dwc:verbatimLocality).
#[test]
fn a_place_as_written_is_a_place_until_another_is_given() {
    let (_place, catalogue) = common::folder();
    let ids: Vec<i64> = (0..4)
        .map(|n| {
            let facts = PhotoFacts { name: format!("typed-{n}"), ..PhotoFacts::default() };
            let (reading, mut parsed, doubts) = common::draft(0, facts);
            parsed
                .fields
                .iter_mut()
                .filter(|f| f.term == "locality")
                .for_each(|f| f.term = "verbatimLocality".into());
            catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft
        })
        .collect();
    let store = catalogue.store();
    catalogue.wait(async {
        let events = async || {
            let events = store.events(9).await.unwrap();
            events.into_iter().map(|e| (e.place, e.waiting)).collect::<Vec<_>>()
        };
        assert_eq!(events().await, [("Tarn Head".into(), 4)]);
        store.change(ids[0], "M. Orrin", &[change("locality", "Tarn Head, west")], None).await.unwrap();
        assert_eq!(events().await, [("Tarn Head".into(), 3)]);
        let day = "1993-07-01";
        assert_eq!(store.event(day, "Tarn Head", "A. Vell", 9).await.unwrap(), ids[1..]);
        assert_eq!(store.event(day, "Tarn Head, west", "A. Vell", 9).await.unwrap(), ids[..1]);
        let values = store.values_of("locality", State::Waiting, 9).await.unwrap();
        assert_eq!(values, [("Tarn Head".into(), 3), ("Tarn Head, west".into(), 1)]);
        let of = |place: &str| Queue { with: Some(("locality".into(), place.into())), ..Queue::default() };
        assert_eq!(store.drafts(&of("Tarn Head"), None, 9).await.unwrap().len(), 3);
        assert_eq!(store.drafts(&of("Tarn Head, west"), None, 9).await.unwrap()[0].id, ids[0]);
        // What was given for the words is offered where they stand too.
        let draft = store.draft(ids[0]).await.unwrap();
        let same = store.same_words(&draft, "locality", "Tarn Head, west", 9).await.unwrap();
        let told: Vec<_> = same.iter().map(|s| (s.draft, s.value.as_str(), s.boxes.len())).collect();
        assert_eq!(told, [(ids[1], "", 1), (ids[2], "", 1), (ids[3], "", 1)]);
    });
}
