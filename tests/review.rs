//! The review page's handlers: what they refuse, what they keep, and that
//! nothing from a label becomes markup.

mod common;

use axum::body::Body;
use axum::http::{Request, Response, StatusCode, header};
use common::{field, folder, take_in};
use glassine::catalogue::{Catalogue, Change, DeedKind, State};
use glassine::checking::Doubt;
use glassine::intake::IntakeRules;
use glassine::intake::PhotoFacts;
use glassine::parsing::{Candidate, Leftover, Parsed, Span};
use glassine::reading::Reading;
use glassine::review::{Options, originals, router};
use http_body_util::BodyExt;
use tower::ServiceExt;

const PORT: u16 = 7411;

struct Page {
    router: axum::Router,
    catalogue: Catalogue,
    _place: tempfile::TempDir,
}

impl Page {
    fn new() -> Page {
        let (place, catalogue) = folder();
        let options = Options {
            port: PORT,
            open: false,
            who: "M. Orrin".into(),
            opener: originals(IntakeRules::load(None).unwrap()),
            typist: glassine::pipeline::typist(&catalogue),
            checker: glassine::pipeline::checker(&catalogue),
            network: None,
            second_reading: 5,
        };
        Page { router: router(catalogue.store(), options, PORT), catalogue, _place: place }
    }

    fn send(&self, request: Request<Body>) -> (StatusCode, Response<()>, String) {
        let response = self.catalogue.wait(self.router.clone().oneshot(request)).unwrap();
        let (parts, body) = response.into_parts();
        let bytes = self.catalogue.wait(body.collect()).unwrap().to_bytes();
        let text = String::from_utf8_lossy(&bytes).into_owned();
        (parts.status, Response::from_parts(parts, ()), text)
    }

    fn get(&self, path: &str) -> (StatusCode, Response<()>, String) {
        self.send(
            Request::get(path).header(header::HOST, format!("127.0.0.1:{PORT}")).body(Body::empty()).unwrap(),
        )
    }

    /// The token of the page's own forms.
    fn token(&self) -> String {
        let (_, _, page) = self.get("/draft/1");
        let after = page.split("name=\"token\" value=\"").nth(1).expect("a form with a token");
        after.split('"').next().unwrap().to_owned()
    }

    fn post(&self, path: &str, form: &[(&str, &str)]) -> (StatusCode, Response<()>, String) {
        self.send(self.form(path, form).body(body(form)).unwrap())
    }

    fn form(&self, path: &str, _: &[(&str, &str)]) -> axum::http::request::Builder {
        Request::post(path)
            .header(header::HOST, format!("localhost:{PORT}"))
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
    }
}

fn body(form: &[(&str, &str)]) -> Body {
    Body::from(serde_urlencoded::to_string(form).unwrap())
}

#[test]
fn a_post_without_the_pages_token_changes_nothing() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    for form in [vec![], vec![("token", "")], vec![("token", "0123456789abcdef0123456789abcdef")]] {
        for path in ["settle", "keep", "aside", "note", "back"].map(|p| format!("/draft/{id}/{p}")) {
            let form: Vec<_> =
                form.iter().copied().chain([("why", "x"), ("note", "x"), ("v.sex", "male")]).collect();
            assert_eq!(page.post(&path, &form).0, StatusCode::FORBIDDEN, "{path}");
        }
        assert_eq!(page.post("/undo", &form).0, StatusCode::FORBIDDEN);
    }
    let draft = page.catalogue.draft(id).unwrap();
    assert_eq!((draft.state, draft.history.len()), (State::Waiting, 0));
}

#[test]
fn a_post_from_another_page_is_refused_even_with_the_token() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token();
    let form = [("token", token.as_str())];
    let path = format!("/draft/{id}/settle");
    for (name, value) in [
        ("origin", "http://evil.example"),
        ("origin", "null"),
        ("sec-fetch-site", "cross-site"),
        ("sec-fetch-site", "same-site"),
    ] {
        let request = page.form(&path, &form).header(name, value).body(body(&form)).unwrap();
        assert_eq!(page.send(request).0, StatusCode::FORBIDDEN, "{name}: {value}");
    }
    assert_eq!(page.catalogue.draft(id).unwrap().state, State::Waiting);
    let own = format!("http://localhost:{PORT}");
    let request = page.form(&path, &form).header("origin", own).body(body(&form)).unwrap();
    assert_eq!(page.send(request).0, StatusCode::SEE_OTHER);
}

#[test]
fn a_foreign_host_name_is_refused() {
    let page = Page::new();
    for host in ["evil.example", "127.0.0.1", "127.0.0.1:80", "localhost.evil.example:7411", ""] {
        let request = Request::get("/").header(header::HOST, host).body(Body::empty()).unwrap();
        assert_eq!(page.send(request).0, StatusCode::MISDIRECTED_REQUEST, "{host}");
    }
    for host in ["127.0.0.1:7411", "localhost:7411", "[::1]:7411"] {
        let request = Request::get("/").header(header::HOST, host).body(Body::empty()).unwrap();
        assert_eq!(page.send(request).0, StatusCode::OK, "{host}");
    }
}

#[test]
fn every_answer_carries_the_headers_that_keep_the_page_to_itself() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    for path in ["/", "/records", "/page.css", "/page.js", "/nowhere", &format!("/draft/{id}"), "/draft/99"] {
        let (_, response, _) = page.get(path);
        let header = |name: &str| response.headers()[name].to_str().unwrap().to_owned();
        let policy = header("content-security-policy");
        assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{path}: {policy}");
        assert_eq!(header("x-content-type-options"), "nosniff");
        assert_eq!(header("referrer-policy"), "same-origin");
    }
    let (status, _, text) = page.get("/draft/99");
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert!(text.contains("draft 99") && text.contains("not in this catalogue"), "{text}");
    let (status, _, text) = page.get("/draft/abc");
    assert_eq!(status, StatusCode::NOT_FOUND);
    assert!(text.contains("leads nowhere") && text.contains("go on from the drafts"), "{text}");
}

/// A picture's name, every word read, every value, candidate, note, doubt and
/// leftover is a script; none may come out as markup on any page.
#[test]
fn script_in_every_place_comes_out_as_text() {
    let evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>";
    let page = Page::new();
    let facts = PhotoFacts { name: evil.into(), ..PhotoFacts::default() };
    let mut reading = Reading::from_text("x", &format!("{evil}\n{evil}"));
    reading.photo = facts;
    let mut fields = Vec::new();
    for term in glassine::catalogue::TERM_ORDER {
        let mut f = field(term, 0, evil, evil, 0.5);
        f.note = evil.into();
        f.candidates = vec![Candidate { value: evil.into(), confidence: 0.4, why: evil.into() }];
        fields.push(f);
    }
    let span = Span { label: 0, line: 0, start: 0, end: 1 };
    let parsed =
        Parsed { fields, leftovers: vec![Leftover { text: evil.into(), span }], ..Parsed::default() };
    let doubts = [Doubt { kind: evil.into(), terms: vec!["sex".into()], sentence: evil.into(), weight: 1.0 }];
    let id = page.catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft;
    page.catalogue.note(id, evil, evil).unwrap();
    let query = serde_urlencoded::to_string([
        ("q", "script"),
        ("doubt", evil),
        ("term", evil),
        ("is", evil),
        ("did", "settle.1"),
    ])
    .unwrap();
    let check = |path: &str| {
        let (status, _, text) = page.get(path);
        assert_eq!(status, StatusCode::OK, "{path}");
        // What is ours is one script, named in the head; pictures have no handlers.
        assert_eq!(text.matches("<script").count(), 1, "{path}");
        assert!(!text.contains("<img src=x") && !text.contains("'>"), "{path}");
    };
    for path in ["/".to_owned(), format!("/?{query}"), format!("/draft/{id}"), format!("/draft/{id}?{query}")]
    {
        check(&path);
    }
    let seen = page.catalogue.draft(id).unwrap().seen;
    let lot = page.catalogue.settle(id, evil, &[], seen).unwrap();
    for path in [
        "/records".to_owned(),
        format!("/records?{query}"),
        format!("/plots?{query}"),
        format!("/record/{lot}"),
        format!("/draft/{id}"),
    ] {
        check(&path);
    }
}

#[test]
fn settling_by_form_alone_takes_what_was_typed_and_goes_to_the_next() {
    let page = Page::new();
    let (first, second) = (take_in(&page.catalogue, 0), take_in(&page.catalogue, 1));
    let token = page.token();
    let form = [
        ("token", token.as_str()),
        ("seen", "0"),
        ("walk", "order=in"),
        ("v.locality", "Mere End"),
        ("v.sex", " female "),
        ("v.Not a term", "x"),
        ("v.state", "settled"),
    ];
    let (status, response, _) = page.post(&format!("/draft/{first}/settle"), &form);
    assert_eq!(status, StatusCode::SEE_OTHER);
    let to = response.headers()[header::LOCATION].to_str().unwrap();
    assert_eq!(to, format!("/draft/{second}?order=in&did=settle.{first}"));
    let draft = page.catalogue.draft(first).unwrap();
    let record = page.catalogue.record(draft.lot.unwrap()).unwrap();
    assert_eq!((record.value("locality"), record.value("sex")), ("Mere End", "female"));
    assert_eq!(draft.history[0].who, "M. Orrin");
    assert!(!record.values.iter().any(|v| v.term.contains(' ') || v.term == "state"));
    let (_, _, text) = page.get(to);
    assert!(text.contains("Settled") && text.contains("tarn-00001.png"), "says what was done");
    // Twice is told, not doubled.
    let (status, _, text) = page.post(&format!("/draft/{first}/settle"), &form);
    assert_eq!(status, StatusCode::CONFLICT, "{text}");
}

#[test]
fn a_value_that_does_not_fit_is_said_and_kept_on_the_page_and_nothing_settled() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token();
    let form = [("token", token.as_str()), ("seen", "0"), ("v.eventDate", "soon & late")];
    for path in ["settle", "keep"].map(|p| format!("/draft/{id}/{p}")) {
        let (status, _, text) = page.post(&path, &form);
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
        assert!(text.contains("value=\"soon &amp; late\"") && text.contains("1993-07-12"), "{text}");
    }
    let draft = page.catalogue.draft(id).unwrap();
    assert_eq!((draft.state, draft.history.len()), (State::Waiting, 0));
}

#[test]
fn undo_goes_back_to_the_draft_and_the_next_page_says_so() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token();
    page.post(&format!("/draft/{id}/aside"), &[("token", token.as_str()), ("why", "torn"), ("why", "")]);
    let draft = page.catalogue.draft(id).unwrap();
    assert_eq!((draft.state, draft.history[0].why.as_str()), (State::Aside, "torn"));
    let (_, response, _) = page.post("/undo", &[("token", token.as_str())]);
    assert_eq!(response.headers()[header::LOCATION], format!("/draft/{id}?did=unaside.{id}"));
    let draft = page.catalogue.draft(id).unwrap();
    assert_eq!((draft.state, draft.history[1].kind), (State::Waiting, DeedKind::Undo));
    let (status, _, text) = page.post("/undo", &[("token", token.as_str())]);
    assert_eq!(status, StatusCode::CONFLICT);
    assert!(text.contains("nothing left to undo"), "{text}");
}

#[test]
fn pictures_are_jpeg_and_a_lost_original_is_said() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let photo = page.catalogue.draft(id).unwrap().photo.unwrap();
    for piece in
        ["view.jpg", "small.jpg", "words.jpg?at=80,85,720,85,720,131,80,131", "part.jpg?at=0,0,300,200"]
    {
        let (status, response, _) = page.get(&format!("/photo/{}/{piece}", photo.id));
        assert_eq!(
            (status, &response.headers()[header::CONTENT_TYPE]),
            (StatusCode::OK, &"image/jpeg".parse().unwrap()),
            "{piece}"
        );
    }
    for piece in
        ["words.jpg", "words.jpg?at=1,2,3", "words.jpg?at=nan,1,1,1,1,1,1,1", "../catalogue.db", "other"]
    {
        assert_eq!(page.get(&format!("/photo/{}/{piece}", photo.id)).0, StatusCode::NOT_FOUND, "{piece}");
    }
    std::fs::remove_file(&photo.file).unwrap();
    let (status, _, text) = page.get(&format!("/photo/{}/part.jpg?at=5,5,50,50", photo.id));
    // The picture decoded last may still be at hand; a new one is not.
    assert!(status == StatusCode::OK || text.contains("cannot be shown"), "{text}");
    let other = take_in(&page.catalogue, 1);
    let photo = page.catalogue.draft(other).unwrap().photo.unwrap();
    std::fs::remove_file(&photo.file).unwrap();
    let (status, _, text) = page.get(&format!("/photo/{}/view.jpg", photo.id));
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text.contains("cannot be shown") && text.contains("backup"), "{text}");
}

/// The relative luminance and contrast of WCAG 2.2,
/// <https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio>.
fn contrast(a: &str, b: &str) -> f64 {
    let luminance = |hex: &str| {
        let channel = |i: usize| {
            let c = f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
            if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(1) + 0.7152 * channel(3) + 0.0722 * channel(5)
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

#[test]
fn colours_have_the_contrast_that_wcag_asks_for_light_and_dark() {
    assert!((contrast("#ffffff", "#000000") - 21.0).abs() < 1e-9, "the standard's own bounds");
    let css = include_str!("../src/review/page.css");
    let schemes: Vec<&str> = css.split(":root {").skip(1).map(|s| s.split('}').next().unwrap()).collect();
    assert_eq!(schemes.len(), 2, "a light and a dark scheme");
    for scheme in schemes {
        let colour = |name: &str| {
            let after = scheme.split(&format!("--{name}: ")).nth(1).unwrap_or_else(|| panic!("--{name}"));
            after.split(';').next().unwrap().to_owned()
        };
        let at_least = |pairs: &[(&str, &[&str])], least: f64| {
            for (on, grounds) in pairs {
                for ground in *grounds {
                    let ratio = contrast(&colour(on), &colour(ground));
                    assert!(ratio >= least, "{on} on {ground}: {ratio:.2} of {least}");
                }
            }
        };
        // Text: 4.5 to 1 (success criterion 1.4.3).
        at_least(
            &[
                ("ink", &["paper", "sheet", "lamplit", "rustlit", "well"]),
                ("soft", &["paper", "sheet", "lamplit", "well"]),
                ("press", &["paper", "sheet", "lamplit"]),
                ("on-press", &["press"]),
                ("moss", &["sheet", "lamplit", "paper"]),
                ("rust", &["sheet", "lamplit", "paper"]),
                ("paper", &["ink"]),
            ],
            4.5,
        );
        // Edges of what can be pressed or typed into: 3 to 1 (1.4.11).
        at_least(&[("edge", &["sheet", "paper"]), ("press", &["sheet", "paper", "lamplit"])], 3.0);
    }
}

#[test]
fn a_record_is_put_away_mounted_determined_and_thrown_away_from_its_page() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token();
    let lot = page.catalogue.settle(id, "A. Vell", &[], None).unwrap();
    let t = ("token", token.as_str());
    let see_other = |path: &str, form: &[(&str, &str)]| {
        let (status, _, text) = page.post(path, form);
        assert_eq!(status, StatusCode::SEE_OTHER, "{path} {text}");
    };
    see_other("/places", &[t, ("code", "Drawer 7"), ("kind", "drawer"), ("inside", "")]);
    let to = |deed: &str| format!("/record/{lot}/{deed}");
    see_other(&to("put"), &[t, ("into", "Drawer 7")]);
    see_other(&to("mount"), &[t, ("numbers", "TVMS 1, female\r\n\r\nTVMS 2")]);
    see_other(&to("determine"), &[t, ("name", "Noctua comes"), ("by", "A. Voss"), ("day", "2026-03")]);
    let (status, _, text) = page.post(&to("determine"), &[t, ("name", "Noctua comes"), ("day", "soon")]);
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(text.contains("2026") || text.contains("1993-07-12"), "{text}");
    let (_, _, text) = page.get(&format!("/record/{lot}"));
    for word in ["Drawer 7", "TVMS 1, female", "Noctua comes", "A. Voss", "Noctua serena"] {
        assert!(text.contains(word), "{word}");
    }
    let (_, _, text) = page.get("/place/1");
    assert!(text.contains(&format!("/record/{lot}")), "{text}");
    for path in ["put", "mount", "determine", "trash", "change"] {
        assert_eq!(
            page.post(&to(path), &[("why", "x")]).0,
            StatusCode::FORBIDDEN,
            "{path} without the token"
        );
    }
    see_other(&to("trash"), &[t, ("why", "twice")]);
    let (_, _, text) = page.get("/trash");
    assert!(text.contains("twice") && text.contains(&format!("record {lot}")), "{text}");
    see_other("/trash", &[t, ("thing", &format!("record {lot}"))]);
    assert!(page.catalogue.record(lot).unwrap().fate.is_empty());
    see_other("/undo", &[t, ("to", &format!("/record/{lot}"))]);
    assert_eq!(page.catalogue.record(lot).unwrap().fate, "in the trash");
    assert!(page.catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn the_trash_is_looked_through_on_the_page_and_emptied_only_after_a_second_yes() {
    let page = Page::new();
    let (settled, aside) = (take_in(&page.catalogue, 0), take_in(&page.catalogue, 1));
    let token = page.token();
    let lot = page.catalogue.settle(settled, "A. Vell", &[], None).unwrap();
    page.catalogue.set_aside(aside, "A. Vell", "blurred").unwrap();
    let files = [settled, aside].map(|id| page.catalogue.draft(id).unwrap().photo.unwrap().file);
    let t = ("token", token.as_str());
    let post = |path: &str, form: &[(&str, &str)]| page.post(path, form).0;
    assert_eq!(post(&format!("/record/{lot}/trash"), &[t, ("why", "eaten")]), StatusCode::SEE_OTHER);
    assert_eq!(post(&format!("/draft/{aside}/trash"), &[t, ("why", "")]), StatusCode::CONFLICT, "no reason");
    assert_eq!(post(&format!("/draft/{aside}/trash"), &[t, ("why", "no label")]), StatusCode::SEE_OTHER);
    let (_, _, text) = page.get(&format!("/draft/{aside}"));
    assert!(text.contains("In the trash") && text.contains("no label") && !text.contains("id=\"settle\""));
    assert_eq!(post(&format!("/draft/{aside}/settle"), &[t]), StatusCode::CONFLICT);
    assert!(page.get("/places").2.contains("The trash (2)"));
    let (_, _, text) = page.get("/trash");
    for said in ["eaten", "no label", "M. Orrin", "/record/", "/draft/", "2 photographs (", "/trash/empty"] {
        assert!(text.contains(said), "{said}: {text}");
    }
    // Looking at it, and pressing without the second yes, removes nothing.
    let (_, _, text) = page.get("/trash/empty");
    assert!(text.contains("tarn-00001.png") && text.contains("tarn-00002.png") && text.contains("for good"));
    let seal = text.split("name=\"seal\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert_eq!(post("/trash/empty", &[t, ("seal", &seal)]), StatusCode::SEE_OTHER);
    assert_eq!(post("/trash/empty", &[("seal", &seal), ("sure", "yes")]), StatusCode::FORBIDDEN);
    assert_eq!(post("/trash/empty", &[t, ("seal", ""), ("sure", "yes")]), StatusCode::CONFLICT);
    assert!(files.iter().all(|f| f.exists()));
    // One is taken out: what was shown is no longer what would go.
    assert_eq!(post("/trash", &[t, ("thing", &format!("record {lot}"))]), StatusCode::SEE_OTHER);
    assert_eq!(post("/trash/empty", &[t, ("seal", &seal), ("sure", "yes")]), StatusCode::CONFLICT);
    let (_, _, text) = page.get("/trash/empty");
    let seal = text.split("name=\"seal\" value=\"").nth(1).unwrap().split('"').next().unwrap().to_owned();
    assert_eq!(post("/trash/empty", &[t, ("seal", &seal), ("sure", "yes")]), StatusCode::SEE_OTHER);
    assert!(files[0].exists() && !files[1].exists());
    let (_, _, text) = page.get("/trash");
    assert!(
        text.contains("photograph removed on") && text.contains("There are no photographs of it"),
        "{text}"
    );
    assert!(page.catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn records_are_split_and_merged_from_their_page_and_one_undo_takes_each_back() {
    let page = Page::new();
    let change = |term: &str, value: &str| Change { term: term.into(), value: value.into() };
    let ids = [0, 1].map(|n| take_in(&page.catalogue, n));
    let token = page.token();
    let t = ("token", token.as_str());
    let [one, two] =
        ids.map(|id| page.catalogue.settle(id, "A. Vell", &[change("individualCount", "5")], None).unwrap());
    let count = |lot: i64| page.catalogue.record(lot).unwrap().value("individualCount").to_owned();
    let (status, head, text) =
        page.post(&format!("/record/{one}/split"), &[t, ("count", "2"), ("sex", "female")]);
    assert_eq!(status, StatusCode::SEE_OTHER, "{text}");
    let to = head.headers()[header::LOCATION].to_str().unwrap().to_owned();
    let part: i64 = to.rsplit('/').next().unwrap().parse().unwrap();
    assert_eq!((count(one).as_str(), count(part).as_str()), ("3", "2"));
    assert_eq!(page.catalogue.record(part).unwrap().value("sex"), "female");
    assert_eq!(page.post("/undo", &[t]).0, StatusCode::SEE_OTHER);
    assert_eq!(count(one), "5");
    let (status, _, text) = page.post(&format!("/record/{one}/split"), &[t]);
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{text}");
    let (status, _, text) = page.post(&format!("/record/{one}/split"), &[t, ("count", "9")]);
    assert!(status == StatusCode::CONFLICT && text.contains("has 5 animals"), "{text}");

    assert_eq!(
        page.post(&format!("/record/{one}/merge"), &[t, ("others", "two")]).0,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    let done =
        page.post(&format!("/record/{one}/merge"), &[t, ("others", &format!(" {two},")), ("why", "one box")]);
    assert_eq!(done.0, StatusCode::SEE_OTHER, "{}", done.2);
    assert_eq!(count(one), "10");
    assert_eq!(page.catalogue.record(two).unwrap().fate, format!("merged into record {one}"));
    assert_eq!(page.post("/undo", &[t]).0, StatusCode::SEE_OTHER);
    assert_eq!((count(one), page.catalogue.record(two).unwrap().fate), ("5".to_owned(), String::new()));
    assert!(page.catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn the_queue_is_narrowed_by_place_day_and_collector_and_by_any_doubt() {
    let page = Page::new();
    for n in 0..6 {
        take_in(&page.catalogue, n);
    }
    let (_, _, text) = page.get("/values/locality");
    assert!(text.contains("Tarn Head") && text.contains("2 drafts"), "{text}");
    assert!(text.contains("href=\"/?term=locality&amp;is=Tarn+Head\""), "{text}");
    assert!(text.contains("<a href=\"/\" aria-current=\"page\">Drafts"), "{text}");
    let (_, _, text) = page.get("/?term=locality&is=Tarn+Head");
    let shown = |text: &str| text.matches("class=\"row\"").count();
    assert_eq!(shown(&text), 2);
    assert_eq!(shown(&page.get("/?doubt=any").2), 2, "every third has a doubt");
    assert_eq!(shown(&page.get("/?doubt=none").2), 4);
    assert_eq!(shown(&page.get("/?term=recordedBy&is=A.+Vell&q=serena").2), 2);
    assert_eq!(shown(&page.get("/?term=eventDate&is=1993-07-02").2), 2);
    assert_eq!(shown(&page.get("/?doubt=century-open&term=eventDate&is=1993-07-01").2), 1);
    // Whoever determined wrote a label too.
    page.catalogue
        .change(1, "A. Vell", &[Change { term: "identifiedBy".into(), value: "E. Harrow".into() }], None)
        .unwrap();
    assert!(page.get("/values/identifiedBy").2.contains("E. Harrow"));
    assert_eq!(shown(&page.get("/?term=identifiedBy&is=E.+Harrow").2), 1);
}

#[test]
fn consecutive_numbers_are_offered_and_given_as_one_deed() {
    let page = Page::new();
    let ids: Vec<i64> = (0..4).map(|n| take_in(&page.catalogue, n)).collect();
    let token = page.token();
    // Envelope 1 has the collector's number 1: for the next one 2 follows, and
    // it has that; take it away and it is offered.
    let draft = page.catalogue.draft(ids[1]).unwrap();
    let follows = page.catalogue.wait(page.catalogue.store().follows(&draft)).unwrap();
    assert_eq!((follows[0].term.as_str(), follows[0].value.as_str()), ("recordNumber", "2"));
    let empty = [glassine::catalogue::Change { term: "recordNumber".into(), value: String::new() }];
    page.catalogue.change(ids[1], "M. Orrin", &empty, None).unwrap();
    let (_, _, text) = page.get(&format!("/draft/{}", ids[1]));
    assert!(text.contains("follows tarn-00001.png"), "{text}");

    // Catalogue numbers for the run, the third left out: numbers close up.
    let number = [glassine::catalogue::Change { term: "catalogNumber".into(), value: "TVMS 00099".into() }];
    page.catalogue.change(ids[0], "M. Orrin", &number, None).unwrap();
    let path = format!("/series/{}/catalogNumber", ids[0]);
    let (_, _, text) = page.get(&path);
    assert!(text.contains("TVMS 00100") && text.contains("TVMS 00102"), "{text}");
    let (second, fourth) = (format!("{}.", ids[1]), format!("{}.", ids[3]));
    let form = [("token", token.as_str()), ("draft", second.as_str()), ("draft", fourth.as_str())];
    assert_eq!(page.post(&path, &form).0, StatusCode::SEE_OTHER);
    let number = |id: i64| {
        let draft = page.catalogue.draft(id).unwrap();
        draft.values.iter().find(|v| v.term == "catalogNumber").map(|v| v.value.clone())
    };
    assert_eq!(number(ids[1]).as_deref(), Some("TVMS 00100"));
    assert_eq!(number(ids[2]), None);
    assert_eq!(number(ids[3]).as_deref(), Some("TVMS 00101"));
    page.catalogue.undo("M. Orrin").unwrap();
    assert_eq!((number(ids[1]), number(ids[3])), (None, None), "one undo takes all back");
    let (status, _, text) = page.get(&format!("/series/{}/catalogNumber", ids[2]));
    assert_eq!(status, StatusCode::CONFLICT, "{text}");
}

#[test]
fn a_label_typed_on_the_page_becomes_a_draft_with_its_words_marked() {
    let page = Page::new();
    let token = {
        let (_, _, text) = page.get("/type");
        let after = text.split("name=\"token\" value=\"").nth(1).expect("a form with a token");
        after.split('"').next().unwrap().to_owned()
    };
    let text =
        "England, Cumbria\r\nAlder Ghyll <carr>\r\n12.vii.1993, 350 m\r\n\r\nNoctua serena\r\nleg. A. Vell";
    assert_eq!(page.post("/type", &[("text", text)]).0, StatusCode::FORBIDDEN, "without the token");
    assert_eq!(page.catalogue.counts().unwrap().waiting, 0);
    let (code, response, _) = page.post("/type", &[("token", &token), ("text", text)]);
    assert_eq!(code, StatusCode::SEE_OTHER);
    assert_eq!(response.headers()[header::LOCATION], "/draft/1");

    let draft = page.catalogue.draft(1).unwrap();
    assert_eq!(draft.state, State::Waiting);
    assert!(draft.photo.is_none());
    assert_eq!(draft.reading.text(), text.replace("\r\n", "\n"));
    assert_eq!(draft.reading.labels.len(), 2);
    for line in draft.reading.labels.iter().flat_map(|l| &l.lines) {
        assert_eq!(line.typed_by().expect("it says who typed it").0, "M. Orrin");
        assert_eq!(line.confidence, 1.0);
    }
    let value = |term: &str| draft.values.iter().find(|v| v.term == term).map_or("", |v| v.value.as_str());
    assert_eq!((value("eventDate"), value("recordedBy")), ("1993-07-12", "A. Vell"));

    // The words stand on the page, lit with their field, and nothing of them is markup.
    let (_, _, shown) = page.get("/draft/1");
    assert!(shown.contains("Typed in by M. Orrin"), "{shown}");
    assert!(shown.contains("&lt;carr&gt;") && !shown.contains("<carr>"));
    let marked = shown.split("id=\"wording\"").nth(1).unwrap();
    let date =
        marked.split("<span class=\"words\"").find(|s| s.contains(">12.vii.1993<")).expect("a marked date");
    assert!(date.split('>').next().unwrap().contains("eventDate"), "{date}");

    // What will not do stays on the page with the reason.
    for (wrong, said) in [(" \r\n--\r\n", "no words"), ("Tarn\u{1b}[2J Head", "U+001B")] {
        let (code, _, again) = page.post("/type", &[("token", &token), ("text", wrong)]);
        assert_eq!(code, StatusCode::UNPROCESSABLE_ENTITY, "{wrong:?}");
        assert!(again.contains(said) && again.contains("role=\"alert\""), "{again}");
    }
    assert_eq!(page.catalogue.counts().unwrap().waiting, 1);
}

#[test]
fn a_stage_is_said_on_the_records_page_and_shown_there() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token();
    let lot = page.catalogue.settle(id, "M. Orrin", &[], None).unwrap();
    let path = format!("/record/{lot}/stage");
    let form = [("stage", "lent"), ("to", "A. <Voss>"), ("until", "2199-03-01")];
    assert_eq!(page.post(&path, &form).0, StatusCode::FORBIDDEN, "without the token");
    let with: Vec<_> = form.iter().copied().chain([("token", token.as_str())]).collect();
    assert_eq!(page.post(&path, &with).0, StatusCode::SEE_OTHER);
    let (_, _, text) = page.get(&format!("/record/{lot}"));
    assert!(text.contains("A. &lt;Voss&gt;") && text.contains(" until 2199-03-01"), "{text}");
    let wrong = [("token", token.as_str()), ("stage", "lent"), ("to", "A. Voss"), ("until", "soon")];
    assert_eq!(page.post(&path, &wrong).0, StatusCode::UNPROCESSABLE_ENTITY);
    let (code, _, text) = page.post(&path, &[("token", token.as_str()), ("stage", "lent")]);
    assert!(code == StatusCode::CONFLICT && text.contains("to whom"), "{text}");
}

#[test]
fn what_is_due_is_listed_with_its_cautions_and_a_day_ahead_can_be_asked_for() {
    use glassine::catalogue::{Stage, StageRules, Thing};
    use jiff::ToSpan;
    let page = Page::new();
    let rules = StageRules::load(None).unwrap();
    let store = page.catalogue.store();
    let lot = |n: usize| page.catalogue.settle(take_in(&page.catalogue, n), "M. Orrin", &[], None).unwrap();
    let set = |lot: i64, name: &str, whom: &str, hours: i64, until: Option<jiff::civil::Date>| {
        let since = jiff::Timestamp::now() - hours.hours();
        let stage = Stage { name: name.into(), whom: whom.into(), until, since };
        page.catalogue.wait(store.set_stage(&[Thing::Lot(lot)], &stage, &rules, "M. Orrin", "")).unwrap();
    };
    assert!(page.get("/due").2.contains("Nothing is due."));
    let (relaxed, fresh, lent, cold) = (lot(0), lot(1), lot(2), lot(3));
    set(relaxed, "relaxing", "", 24 * 9, None);
    set(fresh, "relaxing", "", 1, None);
    set(lent, "lent", "A. <Voss>", 24, Some("2199-03-01".parse().unwrap()));
    page.catalogue.wait(async {
        store.make_container("Cooler", "cooler", None, "M. Orrin").await.unwrap();
        store.put(&[Thing::Lot(cold)], Some("Cooler"), "M. Orrin", "").await.unwrap();
    });
    let (code, _, text) = page.get("/due");
    assert_eq!(code, StatusCode::OK);
    let listed = |text: &str, lot: i64| text.contains(&format!("href=\"/record/{lot}\""));
    assert!(listed(&text, relaxed) && !listed(&text, fresh) && !listed(&text, lent), "{text}");
    assert!(
        text.contains(&format!(": {}", rules.stage["relaxing"].due)) && text.contains("the oldest first"),
        "{text}"
    );
    assert!(listed(&text, cold) && text.contains("in Cooler"));
    // The caution as the command says it, once.
    let note = rules.stage["relaxing"].note.as_str();
    assert!(note.contains("safety sheet") && text.matches(note).count() == 1, "{text}");
    let (_, _, text) = page.get("/due?on=2199-03-01");
    assert!(listed(&text, fresh) && listed(&text, lent) && text.contains("to A. &lt;Voss&gt;"), "{text}");
    // The menu leads there.
    assert!(page.get("/").2.contains("href=\"/due\""));
    let (code, _, text) = page.get("/due?on=soon");
    assert!(code == StatusCode::UNPROCESSABLE_ENTITY && text.contains("2027-03-01"), "{text}");
}

#[test]
fn a_boxs_code_on_the_photograph_is_offered_and_settling_puts_the_lot_there() {
    let page = Page::new();
    let store = page.catalogue.store();
    let made = page.catalogue.wait(store.make_container("Box <3>", "box", None, "M. Orrin")).unwrap();
    let drafts: Vec<i64> = (0..2)
        .map(|n| {
            let bytes = common::png(n);
            let facts = common::facts(n, &bytes);
            page.catalogue.keep_photo(&bytes, "png", &facts, None).unwrap();
            let (mut reading, parsed, doubts) = common::draft(n, facts);
            reading.codes.push(glassine::layout::Code {
                text: glassine::codes::of_container(made + n as i64),
                symbology: "DATA_MATRIX".into(),
                quad: glassine::geometry::Quad::upright(10.0, 10.0, 60.0, 60.0),
            });
            page.catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft
        })
        .collect();
    let (_, _, text) = page.get(&format!("/draft/{}", drafts[0]));
    assert!(text.contains("put it into Box &lt;3&gt;"), "{text}");
    assert!(text.contains("Data Matrix") && !text.contains("DATA_MATRIX"), "{text}");
    // A code of no container here is offered nowhere.
    assert!(!page.get(&format!("/draft/{}", drafts[1])).2.contains("put it into"));
    let token = page.token();
    let path = format!("/draft/{}/settle", drafts[0]);
    let form = [("token", token.as_str()), ("into", "Box <3>")];
    assert_eq!(page.post(&path, &form).0, StatusCode::SEE_OTHER);
    let lot = page.catalogue.draft(drafts[0]).unwrap().lot.unwrap();
    assert_eq!(page.catalogue.record(lot).unwrap().kept_in, ["Box <3>"]);
}

/// Settling in bulk puts each lot into the box whose label its photograph shows,
/// the others into the one that is named, in the same deed.
#[test]
fn settling_in_bulk_offers_the_box_and_puts_the_lots_there() {
    let page = Page::new();
    let store = page.catalogue.store();
    for code in ["Box 3", "Cooler"] {
        page.catalogue.wait(store.make_container(code, "box", None, "M. Orrin")).unwrap();
    }
    let box_3 = page.catalogue.wait(store.containers(None)).unwrap()[0].clone();
    assert_eq!(box_3.code, "Box 3");
    // Two of one day and place, the first with the label of the box beside it.
    let drafts = [0, 112].map(|n| {
        let (mut reading, parsed, _) =
            common::draft(n, PhotoFacts { name: format!("typed-{n}"), ..PhotoFacts::default() });
        if n == 0 {
            reading.codes.push(glassine::layout::Code {
                text: format!("IN.{:05}", box_3.id),
                symbology: "DATA_MATRIX".into(),
                quad: glassine::geometry::Quad::upright(0.0, 0.0, 50.0, 50.0),
            });
        }
        page.catalogue.enter_draft(&reading, &parsed, &[]).unwrap().draft
    });
    let (_, _, shown) = page.get("/event?day=1993-07-01&place=Tarn+Head&by=A.+Vell");
    assert!(shown.contains("its photograph shows the label of </span>Box 3"), "{shown}");
    assert!(shown.contains("(1 of 2)") && shown.contains("<option value=\"Cooler\">"), "{shown}");
    let token = page.token();
    let [first, second] = drafts.map(|d| format!("{d}.0"));
    let form = [
        ("token", token.as_str()),
        ("draft", &first),
        ("draft", &second),
        ("by-code", "1"),
        ("into", "Cooler"),
    ];
    assert_eq!(page.post("/event", &form).0, StatusCode::SEE_OTHER);
    let kept = |draft: i64| {
        let lot = page.catalogue.draft(draft).unwrap().lot.unwrap();
        page.catalogue.record(lot).unwrap().kept_in
    };
    assert_eq!(drafts.map(kept), [["Box 3"], ["Cooler"]]);
    page.catalogue.undo("M. Orrin").unwrap();
    assert!(drafts.iter().all(|d| page.catalogue.draft(*d).unwrap().state == State::Waiting));
    assert!(page.catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
    // A box that is not there settles none.
    let [first, second] = drafts.map(|d| format!("{d}.{}", page.catalogue.draft(d).unwrap().seen.unwrap()));
    let form = [("token", token.as_str()), ("draft", &first), ("draft", &second), ("into", "Box 9")];
    assert_eq!(page.post("/event", &form).0, StatusCode::NOT_FOUND);
    assert!(drafts.iter().all(|d| page.catalogue.draft(*d).unwrap().state == State::Waiting));
}

/// June has 30 days: the doubt goes from the page with the answer to the value.
#[test]
fn a_corrected_value_takes_its_doubt_off_the_page_and_history_keeps_it() {
    let page = Page::new();
    let rules = common::sample_rules();
    let reading = Reading::from_text("one", "Tarn Head\n31.vi.1952\nleg. A. Vell");
    let draft = common::enter(&page.catalogue, &rules, &reading);
    let gone = page
        .catalogue
        .draft(draft)
        .unwrap()
        .doubts
        .into_iter()
        .find(|d| d.kind == "date-impossible")
        .unwrap();
    let token = page.token();
    let form = [("token", token.as_str()), ("v.eventDate", "1952-06-30")];
    let request =
        page.form(&format!("/draft/{draft}/keep"), &form).header(header::ACCEPT, "application/json");
    let (status, _, answer) = page.send(request.body(body(&form)).unwrap());
    assert_eq!(status, StatusCode::OK, "{answer}");
    let answer: serde_json::Value = serde_json::from_str(&answer).unwrap();
    assert!(!answer["doubts"].as_str().unwrap().contains("30 days"), "{answer}");
    let (_, _, shown) = page.get(&format!("/draft/{draft}"));
    let (before, past) = shown.split_once("Doubts that no longer hold").expect("history names it");
    assert!(before.contains("<ul class=\"doubts\" id=\"doubts\" aria-label=\"Doubts\" hidden>"), "{shown}");
    assert!(past.contains(&gone.sentence), "{} {shown}", gone.sentence);
}

#[test]
fn the_flight_time_and_map_of_what_is_found_are_on_the_page() {
    let page = Page::new();
    let change = |term: &str, value: &str| Change { term: term.into(), value: value.into() };
    let at = [change("decimalLatitude", "54.36"), change("decimalLongitude", "-2.91")];
    page.catalogue.settle(take_in(&page.catalogue, 0), "M. Orrin", &at, None).unwrap();
    for n in [1, 2] {
        let elsewhere = [change("locality", "Coldwell Scar"), change("eventDate", "1993")];
        page.catalogue.settle(take_in(&page.catalogue, n), "M. Orrin", &elsewhere, None).unwrap();
    }
    let (status, _, all) = page.get("/plots");
    assert_eq!(status, StatusCode::OK);
    assert!(all.contains("3 records."), "{all}");
    assert!(
        all.contains("1 of 3 lots tell their day") && all.contains("1 of 3 lots tell their place"),
        "{all}"
    );
    assert!(all.contains("no chosen lot tells its day and elevation"), "{all}");
    let (_, _, found) = page.get("/plots?q=coldwell");
    assert!(found.contains("2 records."), "{found}");
    assert!(found.contains("no chosen lot tells its day.") && !found.contains("<figure"), "{found}");
    assert!(found.contains("/records?q=coldwell"), "{found}");
    assert!(page.get("/records?q=coldwell").2.contains("/plots?q=coldwell"));
}

#[test]
fn the_header_counts_what_stands_and_nothing_in_the_trash() {
    use glassine::catalogue::Thing;
    let page = Page::new();
    let lots: Vec<i64> = (0..3)
        .map(|n| take_in(&page.catalogue, n))
        .map(|id| page.catalogue.settle(id, "M. Orrin", &[], None).unwrap())
        .collect();
    let store = page.catalogue.store();
    page.catalogue.wait(async {
        store.throw_away(Thing::Lot(lots[0]), "M. Orrin", "twice").await.unwrap();
        store.merge(lots[1], &[lots[2]], "M. Orrin", "one box").await.unwrap();
    });
    let header = "Records<span class=\"count\">1</span>";
    // Of the two settled, one went into the other.
    for path in ["/", "/records", "/progress", &format!("/record/{}", lots[1])] {
        let (_, _, text) = page.get(path);
        assert!(text.contains(header) && text.contains("title=\"2 of 2 settled\""), "{path}: {text}");
    }
    assert!(page.get("/progress").2.contains("<dd>2 of 2</dd>"));
}
