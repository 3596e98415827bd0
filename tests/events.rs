//! Entries of notebook pages in the catalogue: joined to envelopes by field
//! number, changed, undone and settled like all else. The pages are typed here;
//! `tests/notebooks.rs` reads pictures.

use glassine::catalogue::{Catalogue, Change, State, event_term, with_followers};
use glassine::checking::notebook::Beside;
use glassine::out::events_csv;
use glassine::pipeline::understand;
use glassine::reading::Reading;
use std::path::Path;

const WHO: &str = "M. Orrin";

const PAGE: &str = "3 June 1968.  Skerrow Moss\nM.V. lamp, warm\nH68-41  Noctua pronuba  6\nH68-42  Apamea crenata\n\
                    H68-43  Xestia agathina\n4 June.  Dunmere Bog\nH68-44  Papestra biren";

fn rules() -> glassine::pipeline::Rules {
    let config = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/config");
    glassine::pipeline::Rules::load(Some(&config)).unwrap()
}

fn enter(catalogue: &Catalogue, rules: &glassine::pipeline::Rules, name: &str, text: &str) -> i64 {
    let reading = Reading::from_text(name, text);
    let known = catalogue.known("none", None);
    let context = glassine::checking::Context {
        neighbours: &known,
        dates: &rules.parsing.dates,
        gazetteer: Some(&rules.parsing.gazetteer),
    };
    let (parsed, doubts) = understand(&reading, rules, &context);
    let draft = catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft;
    catalogue.doubt_joined(draft, &rules.checking).unwrap();
    draft
}

fn folder() -> (tempfile::TempDir, Catalogue) {
    let place = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::create(&place.path().join("moths")).unwrap();
    (place, catalogue)
}

#[test]
fn an_envelope_is_offered_what_it_lacks_and_doubted_where_it_disagrees_whichever_came_first() {
    let rules = rules();
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
    let rules = rules();
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
    let rules = rules();
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
    let rules = rules();
    let (_place, catalogue) = folder();
    enter(&catalogue, &rules, "page.jpg", PAGE);
    let envelope = enter(&catalogue, &rules, "one.jpg", "H68-42\n3 June 1968\nleg. E. M. Harrow");
    let joined = catalogue.joined(envelope).unwrap();
    assert_eq!(joined.len(), 1);
    assert!(joined[0].compared.iter().all(|c| c.beside != Beside::Differs), "{:?}", joined[0].compared);
}

#[test]
fn a_settled_page_makes_no_record_and_its_entries_stand() {
    let rules = rules();
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
    let rules = rules();
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

#[test]
fn the_terminal_lists_entries_with_where_they_come_from() {
    let rules = rules();
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
    let rules = rules();
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
