//! Entries of notebook pages in the catalogue: joined to envelopes by field
//! number, changed, undone and settled like all else. The pages are typed here;
//! `tests/notebooks.rs` reads pictures.

mod common;

use common::{folder, sample_rules};
use glassine::catalogue::{Catalogue, Change, State, event_term, with_followers};
use glassine::checking::notebook::Beside;
use glassine::out::events_csv;
use glassine::pipeline::Rules;
use glassine::reading::Reading;

const WHO: &str = "M. Orrin";

const PAGE: &str = "3 June 1968.  Skerrow Moss\nM.V. lamp, warm\nH68-41  Noctua pronuba  6\nH68-42  Apamea crenata\n\
                    H68-43  Xestia agathina\n4 June.  Dunmere Bog\nH68-44  Papestra biren";

fn enter(catalogue: &Catalogue, rules: &Rules, name: &str, text: &str) -> i64 {
    common::enter(catalogue, rules, &Reading::from_text(name, text))
}

#[test]
fn an_envelope_is_offered_what_it_lacks_and_doubted_where_it_disagrees_whichever_came_first() {
    let rules = sample_rules();
    for page_first in [true, false] {
        let (_place, catalogue) = folder();
        let mut page = 0;
        if page_first {
            page = enter(&catalogue, &rules, "page.jpg", PAGE);
        }
        // Without a place; with another day; spelt otherwise.
        let lacks = enter(&catalogue, &rules, "one.jpg", "No. H68-41\n3 June 1968\nleg. E. M. Harrow");
        let differs =
            enter(&catalogue, &rules, "two.jpg", "No. H68-44\nDunmere Bog\n9 July 1968\nleg. E. M. Harrow");
        let other = enter(&catalogue, &rules, "three.jpg", "No. H67-41\nDunmere Bog\n3 June 1967");
        if !page_first {
            page = enter(&catalogue, &rules, "page.jpg", PAGE);
        }
        let of = |draft: i64| catalogue.joined(draft).unwrap();
        let one = &of(lacks)[0];
        let place = one.compared.iter().find(|c| c.term == "locality").unwrap();
        assert_eq!((place.beside, place.noted.as_str()), (Beside::Offered, "Skerrow Moss"));
        assert!(one.compared.iter().any(|c| c.term == "eventDate" && c.beside == Beside::Same));
        let two = &of(differs)[0];
        assert!(two.compared.iter().any(|c| c.term == "eventDate" && c.beside == Beside::Differs));
        assert!(of(other).is_empty());
        for draft in [differs, page] {
            let doubts = catalogue.draft(draft).unwrap().doubts;
            let doubt = doubts.iter().find(|d| d.kind == "notebook-differs").unwrap();
            assert!(
                doubt.sentence.contains("page.jpg") && doubt.sentence.contains("two.jpg"),
                "{}",
                doubt.sentence
            );
        }
        assert!(!catalogue.draft(lacks).unwrap().doubts.iter().any(|d| d.kind == "notebook-differs"));
        let joined: Vec<(u32, i64)> = of(page).iter().map(|j| (j.event.nth, j.envelope.draft)).collect();
        assert_eq!(joined, [(1, lacks), (4, differs)]);
    }
}

#[test]
fn a_corrected_date_goes_on_to_those_that_inherit_it_and_one_undo_takes_it_back() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    let dates = || -> Vec<String> {
        catalogue
            .page_events(page)
            .unwrap()
            .iter()
            .map(|e| format!("{} {}", e.value("eventDate"), e.values[1].from()))
            .collect()
    };
    let before = dates();
    assert_eq!(
        before,
        ["1968-06-03 read", "1968-06-03 inherited", "1968-06-03 inherited", "1968-06-04 read"]
    );
    let events = catalogue.page_events(page).unwrap();
    let changes = with_followers(&events, 1, "eventDate", "1968-06-02");
    catalogue.change(page, WHO, &changes, None).unwrap();
    assert_eq!(dates(), ["1968-06-02 yours", "1968-06-02 yours", "1968-06-02 yours", "1968-06-04 read"]);
    catalogue.undo(WHO).unwrap();
    assert_eq!(dates(), before);
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn a_changed_number_joins_anew() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    let envelope = enter(&catalogue, &rules, "one.jpg", "No. H68-142\n3 June 1968\nleg. E. M. Harrow");
    assert!(catalogue.joined(envelope).unwrap().is_empty());
    let change = Change { term: event_term(2, "fieldNumber"), value: "H68/142".into() };
    catalogue.change(page, WHO, &[change], None).unwrap();
    assert_eq!(catalogue.joined(envelope).unwrap()[0].event.nth, 2);
    catalogue.undo(WHO).unwrap();
    assert!(catalogue.joined(envelope).unwrap().is_empty());
}

#[test]
fn a_number_alone_on_an_envelope_joins_too() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    enter(&catalogue, &rules, "page.jpg", PAGE);
    let envelope = enter(&catalogue, &rules, "one.jpg", "H68-42\n3 June 1968\nleg. E. M. Harrow");
    let joined = catalogue.joined(envelope).unwrap();
    assert_eq!(joined.len(), 1);
    assert!(joined[0].compared.iter().all(|c| c.beside != Beside::Differs), "{:?}", joined[0].compared);
}

#[test]
fn a_settled_page_makes_no_record_and_its_entries_stand() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    assert!(catalogue.draft(page).unwrap().values.is_empty());
    catalogue.settle(page, WHO, &[], None).unwrap();
    let draft = catalogue.draft(page).unwrap();
    assert_eq!((draft.state, draft.lot), (State::Settled, None));
    assert!(catalogue.list(0, 10).unwrap().is_empty());
    assert!(catalogue.page_events(page).unwrap().iter().all(|e| e.settled));
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    catalogue.undo(WHO).unwrap();
    assert_eq!(catalogue.draft(page).unwrap().state, State::Waiting);
}

/// The columns are terms of Darwin Core's Event class (https://dwc.tdwg.org/terms/#event),
/// with the name beside them.
#[test]
fn events_are_written_with_darwin_core_terms() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    let mut bytes = Vec::new();
    events_csv(&catalogue.page_events(page).unwrap(), &mut bytes).unwrap();
    let mut table = csv::Reader::from_reader(bytes.as_slice());
    let head: Vec<String> = table.headers().unwrap().iter().map(str::to_owned).collect();
    assert_eq!(
        head,
        ["eventID", "fieldNumber", "eventDate", "locality", "scientificName", "fieldNotes", "eventRemarks"]
    );
    let rows: Vec<csv::StringRecord> = table.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 4);
    assert_eq!((&rows[1][1], &rows[1][2], &rows[1][3]), ("H68-42", "1968-06-03", "Skerrow Moss"));
    assert!(rows[1][6].contains("eventDate: inherited"), "{}", &rows[1][6]);
    uuid::Uuid::parse_str(rows[0][0].strip_prefix("urn:uuid:").unwrap()).unwrap();
}

/// A record that its field number joins to an entry goes out with the entry's
/// `eventID`, in every format, and brings it into another folder again; what
/// disagrees, or has the number of two entries, is not said to be of it.
#[test]
fn the_event_of_a_record_goes_out_with_it_and_comes_in_again() {
    use glassine::out::{CellSize, Coarsening, DatasetRules, SensitiveRules, Source, archive, csv};
    let rules = sample_rules();
    let (place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    for again in ["again.jpg", "twice.jpg"] {
        enter(&catalogue, &rules, again, "9 June 1969.  Skerrow Moss\nH69-1\nH69-2\nH69-3\nH69-4\nH69-5");
    }
    for (name, text) in [
        ("same", "No. H68-41\nSkerrow Moss\n3 June 1968\nleg. E. M. Harrow"),
        ("other day", "No. H68-44\nDunmere Bog\n9 July 1968\nleg. E. M. Harrow"),
        ("no page", "No. H67-41\nDunmere Bog\n3 June 1967\nleg. E. M. Harrow"),
        ("two pages", "No. H69-2\nSkerrow Moss\n9 June 1969\nleg. E. M. Harrow"),
    ] {
        let draft = enter(&catalogue, &rules, name, text);
        catalogue.settle(draft, WHO, &[], None).unwrap();
    }
    let event = format!("urn:uuid:{}", catalogue.page_events(page).unwrap()[0].uuid);
    let wanted = [event.as_str(), "", "", ""];
    let column = |bytes: &[u8], term: &str| -> Vec<String> {
        let mut table = csv::Reader::from_reader(bytes);
        let at = table.headers().unwrap().iter().position(|h| h == term).unwrap();
        table.records().map(|r| r.unwrap()[at].to_owned()).collect()
    };
    let written = |catalogue: &Catalogue| {
        let mut bytes = Vec::new();
        csv(catalogue, &mut bytes).unwrap();
        bytes
    };
    assert_eq!(column(&written(&catalogue), "eventID"), wanted);
    let config = catalogue.folder().config();
    std::fs::write(config.join("dataset.toml"), "title = \"Moths\"\ncontact_surname = \"Orrin\"\n").unwrap();
    let file = place.path().join("moths.zip");
    let dataset = DatasetRules::load(Some(&config)).unwrap();
    let day = jiff::civil::date(2026, 3, 14);
    archive(&catalogue, &dataset, day, std::fs::File::create(&file).unwrap()).unwrap();
    let mut zip = zip::ZipArchive::new(std::fs::File::open(&file).unwrap()).unwrap();
    let mut inside = |name: &str| {
        let mut text = Vec::new();
        std::io::Read::read_to_end(&mut zip.by_name(name).unwrap(), &mut text).unwrap();
        text
    };
    let core = inside("occurrence.csv");
    assert_eq!(column(&core, "eventID"), wanted);
    // The term's address in the Darwin Core list of terms (https://dwc.tdwg.org/list/#dwc_eventID).
    let meta = String::from_utf8(inside("meta.xml")).unwrap();
    let head: Vec<String> =
        csv::Reader::from_reader(core.as_slice()).headers().unwrap().iter().map(str::to_owned).collect();
    let at = head.iter().position(|h| h == "eventID").unwrap();
    let told = format!("<field index=\"{at}\" term=\"http://rs.tdwg.org/dwc/terms/eventID\"/>");
    assert!(meta.contains(&told), "{told} is not in {meta}");

    // A coarsened record does not lead to its place by way of its event.
    let sensitive = SensitiveRules {
        taxa: Vec::new(),
        places: vec!["Skerrow Moss".into()],
        ..SensitiveRules::load(None).unwrap()
    };
    let coarsening = Coarsening::new(CellSize::Kilometres(10.0), sensitive, false).unwrap();
    let mut coarse = Vec::new();
    csv(Source { catalogue: &catalogue, coarsening: Some(&coarsening) }, &mut coarse).unwrap();
    assert_eq!(column(&coarse, "eventID"), [""; 4]);
    drop(catalogue);

    let other = Catalogue::create(&place.path().join("other")).unwrap();
    drop(other);
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_glassine"))
        .arg("add")
        .arg(place.path().join("other"))
        .arg("--records")
        .arg(&file)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let other = Catalogue::open(&place.path().join("other")).unwrap();
    for head in
        other.drafts(&glassine::catalogue::Queue { in_order: true, ..Default::default() }, 10).unwrap()
    {
        other.settle(head.id, WHO, &[], None).unwrap();
    }
    assert_eq!(column(&written(&other), "eventID"), wanted);
}

/// Page `page` of one file, or a picture of `folder`, with its text as read.
fn enter_page(
    catalogue: &Catalogue,
    rules: &Rules,
    file: &str,
    page: Option<u32>,
    folder: &str,
    text: &str,
) -> i64 {
    let bytes = if page.is_some() {
        file.as_bytes().to_vec()
    } else {
        format!("{folder} {file} {text}").into_bytes()
    };
    let mut reading = Reading::from_text(file, text);
    reading.photo.hash = blake3::hash(&bytes).to_hex().to_string();
    (reading.photo.page, reading.photo.folder) = (page, folder.into());
    catalogue.keep_photo(&bytes, "pdf", &reading.photo, None).unwrap();
    let draft = common::enter(catalogue, rules, &reading);
    glassine::pipeline::check_again(catalogue, rules, &[draft]).unwrap();
    draft
}

const NEXT: &str =
    "H68-45  Noctua comes\nH68-46  Apamea crenata\n5 June 1968.  Kelda Bridge\nH68-47\nH68-48\nH68-49";

/// Number, date and where it comes from, place and where it comes from, of each entry.
fn told(catalogue: &Catalogue, page: i64) -> Vec<String> {
    let value = |e: &glassine::catalogue::PageEvent, i: usize| {
        format!("{} {}", e.values[i].value, e.values[i].told())
    };
    let events = catalogue.page_events(page).unwrap();
    events.iter().map(|e| format!("{}: {}, {}", e.value("fieldNumber"), value(e, 1), value(e, 2))).collect()
}

#[test]
fn a_page_goes_on_with_the_date_and_place_of_the_page_before_and_says_from_where() {
    let rules = sample_rules();
    for first in [true, false] {
        let (_place, catalogue) = folder();
        let page = |nth, text| enter_page(&catalogue, &rules, "1968.pdf", Some(nth), "", text);
        let (before, after) = if first {
            (page(1, PAGE), page(2, NEXT))
        } else {
            let after = page(2, NEXT);
            (page(1, PAGE), after)
        };
        let goes_on = [
            "H68-45: 1968-06-04 inherited from 1968.pdf, page 1, entry 4, Dunmere Bog inherited from 1968.pdf, page 1, entry 4",
            "H68-46: 1968-06-04 inherited from 1968.pdf, page 1, entry 4, Dunmere Bog inherited from 1968.pdf, page 1, entry 4",
            "H68-47: 1968-06-05 read, Kelda Bridge read",
            "H68-48: 1968-06-05 inherited, Kelda Bridge inherited",
            "H68-49: 1968-06-05 inherited, Kelda Bridge inherited",
        ];
        assert_eq!(told(&catalogue, after), goes_on);
        // It was not read there, and a doubt says so once for each.
        let draft = catalogue.draft(after).unwrap();
        assert_eq!(draft.parsed.entries[0].value("eventDate"), "");
        let said: Vec<&str> =
            draft.doubts.iter().map(|d| d.sentence.as_str()).filter(|s| s.contains("page")).collect();
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(
            said.iter().any(|s| s.contains("“1968-06-04” goes on from the page before, 1968.pdf, page 1")),
            "{said:?}"
        );
        assert!(!draft.doubts.iter().any(|d| d.sentence.ends_with("stands in it or above it.")));
        let mut bytes = Vec::new();
        events_csv(&catalogue.page_events(after).unwrap(), &mut bytes).unwrap();
        assert!(
            String::from_utf8(bytes).unwrap().contains("eventDate: inherited from 1968.pdf, page 1, entry 4")
        );
        // An envelope is offered it like any other value.
        let envelope = enter(&catalogue, &rules, "one.jpg", "No. H68-46\nleg. E. M. Harrow");
        let joined = &catalogue.joined(envelope).unwrap()[0];
        let offered: Vec<&str> = joined
            .compared
            .iter()
            .filter(|c| c.beside == Beside::Offered)
            .map(|c| c.noted.as_str())
            .collect();
        assert_eq!(offered[..2], ["1968-06-04", "Dunmere Bog"]);

        // What is corrected on the page before goes on too.
        let change = |page: i64, nth, value: &str| {
            let changes = with_followers(&catalogue.page_events(page).unwrap(), nth, "eventDate", value);
            catalogue.change(page, WHO, &changes, catalogue.draft(page).unwrap().seen).unwrap();
        };
        let dates = || -> Vec<String> {
            let events = catalogue.page_events(after).unwrap();
            events[..3].iter().map(|e| format!("{} {}", e.values[1].value, e.values[1].from())).collect()
        };
        change(before, 4, "1968-06-02");
        assert_eq!(dates(), ["1968-06-02 before", "1968-06-02 before", "1968-06-05 read"]);
        // A person's own word counts, also that there is none; undo takes it back.
        change(after, 1, "1968-06-03");
        assert_eq!(dates(), ["1968-06-03 yours", "1968-06-03 yours", "1968-06-05 read"]);
        catalogue.undo(WHO).unwrap();
        change(after, 1, "");
        assert_eq!(dates(), [" yours", " yours", "1968-06-05 read"]);
        catalogue.undo(WHO).unwrap();
        catalogue.undo(WHO).unwrap();
        assert_eq!(told(&catalogue, after), goes_on);
        assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    }
}

#[test]
fn a_page_goes_on_over_another_without_a_date_of_its_own() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = |nth, text| enter_page(&catalogue, &rules, "1968.pdf", Some(nth), "", text);
    page(1, PAGE);
    page(2, "H68-45\nH68-46\nH68-47\nH68-48\nH68-49\nH68-50");
    let third = page(3, "H68-51\nH68-52\nH68-53\n5 June.  Kelda Bridge\nH68-54\nH68-55");
    let told = told(&catalogue, third);
    assert!(told[2].starts_with("H68-53: 1968-06-04 inherited from 1968.pdf, page 1, entry 4"), "{told:?}");
    // Another day begins, though its year does not stand on the page.
    assert_eq!(told[3], "H68-54:  yours, Kelda Bridge read");
}

/// Only where it is certain that the pages follow each other.
#[test]
fn pictures_go_on_only_in_one_folder_and_one_number_apart() {
    let rules = sample_rules();
    let goes_on = |pictures: &[(&str, &str, &str)]| {
        let (_place, catalogue) = folder();
        let mut last = 0;
        for (folder, name, text) in pictures {
            last = enter_page(&catalogue, &rules, name, None, folder, text);
        }
        let from = catalogue.page_events(last).unwrap()[0].values[1].from();
        from == "before"
    };
    assert!(goes_on(&[("a", "IMG_0009.jpg", PAGE), ("a", "IMG_0010.jpg", NEXT)]));
    assert!(!goes_on(&[("a", "IMG_0009.jpg", PAGE), ("b", "IMG_0010.jpg", NEXT)]), "another folder");
    assert!(!goes_on(&[("", "IMG_0009.jpg", PAGE), ("", "IMG_0010.jpg", NEXT)]), "folder not known");
    assert!(!goes_on(&[("a", "IMG_0008.jpg", PAGE), ("a", "IMG_0010.jpg", NEXT)]), "one is missing between");
    assert!(!goes_on(&[("a", "IMG_0009.jpg", PAGE), ("a", "DSC_0010.jpg", NEXT)]), "another camera");
    assert!(
        !goes_on(&[
            ("a", "IMG_0009.jpg", "No. H68-41\nSkerrow Moss\n3 June 1968"),
            ("a", "IMG_0010.jpg", NEXT)
        ]),
        "no page"
    );
    let other = PAGE.replace("4 June", "5 June");
    assert!(
        !goes_on(&[("a", "IMG_0009.jpg", PAGE), ("a", "IMG_0009.jpg", &other), ("a", "IMG_0010.jpg", NEXT)]),
        "two of one name"
    );
    let earlier = NEXT.replace("5 June 1968.", "5 May 1968.");
    assert!(
        !goes_on(&[("a", "IMG_0009.jpg", PAGE), ("a", "IMG_0010.jpg", &earlier)]),
        "it would go back in time"
    );
}

#[test]
fn the_terminal_lists_entries_with_where_they_come_from() {
    let rules = sample_rules();
    let (place, catalogue) = folder();
    enter(&catalogue, &rules, "page.jpg", PAGE);
    enter(&catalogue, &rules, "one.jpg", "No. H68-41\n3 June 1968\nleg. E. M. Harrow");
    drop(catalogue);
    let done = std::process::Command::new(env!("CARGO_BIN_EXE_glassine"))
        .arg("events")
        .arg(place.path().join("moths"))
        .output()
        .unwrap();
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    assert!(said.contains("1968-06-03 (inherited)") && said.contains("+ draft 2"), "{said}");
}

/// The page: the entries of a notebook page can be changed there, an envelope is
/// shown what the notebook says, and what it lacks can be taken.
#[test]
fn entries_and_envelopes_are_side_by_side_on_the_page() {
    use axum::body::Body;
    use axum::http::{Request, StatusCode, header};
    use http_body_util::BodyExt;
    use tower::ServiceExt;
    const PORT: u16 = 7412;
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = enter(&catalogue, &rules, "page.jpg", PAGE);
    let envelope =
        enter(&catalogue, &rules, "one.jpg", "No. H68-44\nDunmere Bog\n9 July 1968\nleg. E. M. Harrow");
    let options = glassine::review::Options {
        port: PORT,
        open: false,
        who: WHO.into(),
        opener: glassine::review::originals(glassine::intake::IntakeRules::load(None).unwrap()),
        typist: glassine::pipeline::typist(&catalogue),
        checker: glassine::pipeline::checker(&catalogue),
        network: None,
        second_reading: 5,
    };
    let router = glassine::review::router(catalogue.store(), options, PORT);
    let send = |request: Request<Body>| {
        let response = catalogue.wait(router.clone().oneshot(request)).unwrap();
        let (parts, body) = response.into_parts();
        let bytes = catalogue.wait(body.collect()).unwrap().to_bytes();
        (parts.status, String::from_utf8_lossy(&bytes).into_owned())
    };
    let host = format!("127.0.0.1:{PORT}");
    let get = |draft: i64| {
        let request = Request::get(format!("/draft/{draft}")).header(header::HOST, &host);
        let (status, text) = send(request.body(Body::empty()).unwrap());
        assert_eq!(status, StatusCode::OK, "{text}");
        text
    };
    let seen = get(page);
    assert!(seen.contains("Entries of this page") && seen.contains("data-from=\"inherited\""), "{seen}");
    assert!(seen.contains("“1968-06-04” in the notebook, “1968-07-09” on the envelope"), "{seen}");
    let token = seen.split("name=\"token\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let post = |draft: i64, term: &str, value: &str| {
        let form = serde_urlencoded::to_string([("token", token.as_str()), (term, value)]).unwrap();
        let request = Request::post(format!("/draft/{draft}/keep"))
            .header(header::HOST, &host)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        send(request.body(Body::from(form)).unwrap()).0
    };
    assert_eq!(post(page, "v.event 1 locality", "Kelda Bridge"), StatusCode::SEE_OTHER);
    let places: Vec<String> =
        catalogue.page_events(page).unwrap().iter().map(|e| e.value("locality").to_owned()).collect();
    assert_eq!(places, ["Kelda Bridge", "Kelda Bridge", "Kelda Bridge", "Dunmere Bog"]);
    assert_eq!(post(page, "v.event 1 eventDate", "the third"), StatusCode::UNPROCESSABLE_ENTITY);
    let seen = get(envelope);
    assert!(seen.contains("In the notebook") && seen.contains("Papestra biren"), "{seen}");
    assert_eq!(post(envelope, "v.scientificName", "Papestra biren"), StatusCode::SEE_OTHER);
    let kept = catalogue.draft(envelope).unwrap();
    assert!(kept.values.iter().any(|v| v.term == "scientificName" && v.value == "Papestra biren"));
}
