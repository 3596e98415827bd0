//! What somebody tries who means harm: script through every field and file name,
//! posts from other pages, foreign host names, ways out of the folder, bodies
//! without end, requests that never arrive. Each is refused.
//!
//! What the handlers refuse one by one stands in `review.rs`, who may come in at
//! all in `people.rs`.

mod common;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use common::{draft, facts, field, folder, png, take_in};
use glassine::catalogue::{Catalogue, Change, Role, Thing};
use glassine::checking::Doubt;
use glassine::intake::{IntakeRules, PhotoFacts};
use glassine::parsing::{Candidate, Leftover, Span};
use glassine::review::{Options, Patience, answer, originals, router};
use http_body_util::BodyExt;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tower::ServiceExt;

const PORT: u16 = 7411;

fn options(second_reading: u8) -> Options {
    let opener = originals(IntakeRules::load(None).unwrap());
    Options {
        port: PORT,
        open: false,
        who: "M. Orrin".into(),
        opener,
        typist: common::no_typist(),
        checker: common::no_checker(),
        network: None,
        second_reading,
    }
}

struct Page {
    router: axum::Router,
    catalogue: Catalogue,
    cookie: String,
    _place: tempfile::TempDir,
}

struct Answer {
    status: StatusCode,
    headers: axum::http::HeaderMap,
    text: String,
}

impl Page {
    fn new() -> Page {
        let (place, catalogue) = folder();
        let router = router(catalogue.store(), options(100), PORT);
        Page { router, catalogue, cookie: String::new(), _place: place }
    }

    fn send(&self, request: Request<Body>) -> Answer {
        self.catalogue.wait(async {
            let (parts, body) = self.router.clone().oneshot(request).await.unwrap().into_parts();
            let bytes = body.collect().await.unwrap().to_bytes();
            let text = String::from_utf8_lossy(&bytes).into_owned();
            Answer { status: parts.status, headers: parts.headers, text }
        })
    }

    fn get(&self, path: &str) -> Answer {
        self.send(self.ask("GET", path).body(Body::empty()).unwrap())
    }

    fn ask(&self, method: &str, path: &str) -> axum::http::request::Builder {
        Request::builder()
            .method(method)
            .uri(path)
            .header(header::HOST, format!("localhost:{PORT}"))
            .header(header::COOKIE, &self.cookie)
    }

    fn post(&self, path: &str, form: &[(&str, &str)]) -> Answer {
        let request = self.ask("POST", path).header(header::CONTENT_TYPE, FORM);
        self.send(request.body(Body::from(serde_urlencoded::to_string(form).unwrap())).unwrap())
    }

    fn token(&self, path: &str) -> String {
        let text = self.get(path).text;
        let after = text.split("name=\"token\" value=\"").nth(1).unwrap_or_else(|| panic!("{path}: {text}"));
        after.split('"').next().unwrap().to_owned()
    }
}

const FORM: &str = "application/x-www-form-urlencoded";

/// Texts that become markup where one sort of place is not escaped: between
/// tags, in an attribute of either quotation mark or none, in a comment, in a
/// title, as an address, as a template; and one that turns the writing round.
const SCRIPTS: [&str; 9] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "' onmouseover='alert(1)",
    " onfocus=alert(1) autofocus x=",
    "--><svg onload=alert(1)>",
    "</title></textarea></option><iframe src=//evil.example>",
    "javascript:alert(1)",
    "{{constructor.constructor('alert(1)')()}}<base href=//evil.example>",
    "\u{202e}<a href=data:text/html,x>\u{0}\r\nSet-Cookie: evil=1",
];

/// Reads a page as a browser would split it into tags and attributes, and
/// refuses every one that is not ours.
fn harmless(path: &str, page: &Answer) {
    let kind = page.headers.get(header::CONTENT_TYPE).map_or("", |v| v.to_str().unwrap());
    let policy = page.headers[header::CONTENT_SECURITY_POLICY].to_str().unwrap();
    assert!(policy.starts_with("default-src 'none'") && !policy.contains("unsafe"), "{path}");
    assert_eq!(page.headers[header::X_CONTENT_TYPE_OPTIONS], "nosniff", "{path}");
    assert!(!page.headers.contains_key(header::SET_COOKIE), "{path}");
    if !kind.starts_with("text/html") {
        // What is no page is not read as one.
        assert!(kind.starts_with("text/plain") || kind.starts_with("application/json"), "{path}: {kind}");
        return;
    }
    let mut reader = quick_xml::Reader::from_str(&page.text);
    reader.config_mut().check_end_names = false;
    reader.config_mut().allow_unmatched_ends = true;
    let mut scripts = 0;
    loop {
        use quick_xml::events::Event;
        let (tag, name) = match reader.read_event().unwrap_or_else(|e| panic!("{path}: {e}\n{}", page.text)) {
            Event::Eof => break,
            Event::Start(tag) | Event::Empty(tag) => {
                let name = tag.name().as_ref().to_ascii_lowercase();
                (tag, name)
            }
            _ => continue,
        };
        let foreign = ["iframe", "object", "embed", "base", "applet", "frame", "math", "style"];
        assert!(!foreign.contains(&name.as_str()), "{path}: <{name}>");
        for attribute in tag.html_attributes() {
            let attribute = attribute.unwrap_or_else(|e| panic!("{path}: {e}"));
            let key = attribute.key.as_ref().to_ascii_lowercase();
            assert!(!key.starts_with("on") && key != "style" && key != "srcdoc", "{path}: <{name} {key}>");
            if ["href", "src", "action", "formaction", "poster", "data"].contains(&key.as_str()) {
                let to = attribute.value.as_ref();
                let inside = to.starts_with('/') && !to.starts_with("//") || to.starts_with(['?', '#']);
                assert!(inside, "{path}: <{name} {key}={to}>");
            }
        }
        if name == "script" {
            scripts += 1;
            let source = tag.try_get_attribute("src").unwrap().expect("no script stands in the page itself");
            assert_eq!(source.value.as_ref(), "/page.js", "{path}");
        }
    }
    assert_eq!(scripts, 1, "{path}");
}

/// A file's name, every word read, value, candidate, note, doubt, leftover, the
/// person's name, a container, a determination, a reason: all are `evil`.
fn filled(evil: &str, n: usize, page: &Page) -> (i64, i64) {
    let bytes = png(n);
    let known = PhotoFacts { name: evil.into(), ..facts(n, &bytes) };
    page.catalogue.keep_photo(&bytes, "png", &known, None).unwrap();
    let (mut reading, mut parsed, _) = draft(n, known);
    reading.labels[0].lines[0] = glassine::reading::ReadLine::from_text(evil);
    for term in glassine::catalogue::TERM_ORDER {
        let mut f = field(term, 0, evil, evil, 0.5);
        f.note = evil.into();
        f.candidates = vec![Candidate { value: evil.into(), confidence: 0.4, why: evil.into() }];
        parsed.fields.retain(|f| f.term != *term);
        parsed.fields.push(f);
    }
    parsed.leftovers.push(Leftover { text: evil.into(), span: Span { label: 0, line: 0, start: 0, end: 1 } });
    let doubts = [Doubt { kind: evil.into(), terms: vec!["sex".into()], sentence: evil.into(), weight: 1.0 }];
    let catalogue = &page.catalogue;
    let first = catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft;
    reading.photo = PhotoFacts { name: evil.into(), ..PhotoFacts::default() };
    let second = catalogue.enter_draft(&reading, &parsed, &doubts).unwrap().draft;
    catalogue.note(first, evil, evil).unwrap();
    let changes = [Change { term: "locality".into(), value: format!("{evil} 1") }];
    let seen = |id: i64| catalogue.draft(id).unwrap().seen;
    catalogue.change(first, evil, &changes, seen(first)).unwrap();
    let lot = catalogue.settle(second, evil, &[], seen(second)).unwrap();
    catalogue.wait(async {
        let store = catalogue.store();
        store.make_container(evil, evil, None, evil).await.unwrap();
        store.put(&[Thing::Lot(lot)], Some(evil), evil, evil).await.unwrap();
        store.determine(Thing::Lot(lot), evil, evil, "2026-03", evil).await.unwrap();
        let mount = glassine::catalogue::Mount { number: format!("{evil} 7"), sex: "female".into() };
        store.mount(lot, &[mount], evil, evil).await.unwrap();
    });
    (first, lot)
}

#[test]
fn script_through_any_field_or_name_is_text_on_every_page() {
    for (n, evil) in SCRIPTS.iter().enumerate() {
        let mut page = Page::new();
        let (id, lot) = filled(evil, n, &page);
        let query = serde_urlencoded::to_string([
            ("q", evil),
            ("doubt", evil),
            ("term", evil),
            ("is", evil),
            ("did", evil),
            ("state", evil),
            ("order", evil),
        ])
        .unwrap();
        let word = serde_urlencoded::to_string([("", evil)]).unwrap()[1..].replace('+', "%20");
        let event =
            serde_urlencoded::to_string([("day", evil), ("place", evil), ("by", evil), ("did", evil)])
                .unwrap();
        let paths: Vec<String> = [
            "/".into(),
            format!("/draft/{id}"),
            format!("/same/{id}/locality"),
            format!("/series/{id}/recordNumber"),
            format!("/series/{id}/{word}"),
            "/values/locality".into(),
            format!("/values/{word}"),
            "/events".into(),
            format!("/event?{event}"),
            "/progress".into(),
            "/records".into(),
            "/plots".into(),
            format!("/plots?q={word}"),
            format!("/record/{lot}"),
            format!("/record/{word}"),
            format!("/draft/{word}"),
            "/places".into(),
            "/place/1".into(),
            "/trash".into(),
            "/trash/empty".into(),
            "/second".into(),
            format!("/photo/{word}/view.jpg"),
            format!("/photo/1/{word}"),
            format!("/{word}"),
        ]
        .into();
        let look = |page: &Page| {
            for path in &paths {
                harmless(path, &page.get(path));
                if !path.contains('?') {
                    let path = format!("{path}?{query}");
                    harmless(&path, &page.get(&path));
                }
            }
        };
        look(&page);
        // What a form gives back: a value that does not fit, reasons, numbers.
        let token = page.token(&format!("/draft/{id}"));
        let form = [
            ("token", token.as_str()),
            ("walk", query.as_str()),
            ("v.eventDate", evil),
            ("v.decimalLatitude", evil),
            ("why", evil),
            ("note", evil),
            ("to", evil),
            ("name", evil),
            ("day", evil),
            ("numbers", evil),
            ("into", evil),
            ("code", evil),
            ("inside", evil),
            ("thing", evil),
            ("term", evil),
            ("draft", evil),
        ];
        for path in posts(id, lot).iter().filter(|p| !p.ends_with("/trash")) {
            let answer = page.post(path, &form);
            assert!(answer.status != StatusCode::INTERNAL_SERVER_ERROR, "{path}: {}", answer.text);
            let to = answer.headers.get(header::LOCATION).map_or("/", |v| v.to_str().unwrap());
            assert!(to.starts_with('/') && !to.starts_with("//") && !to.starts_with("/\\"), "{path} to {to}");
            if !answer.status.is_redirection() {
                harmless(path, &answer);
            }
        }
        page.post(&format!("/record/{lot}/trash"), &[("token", &token), ("why", evil)]);
        look(&page);
        // With people: the name of one who signs in, and of one who cannot.
        page.catalogue
            .wait(page.catalogue.store().set_person(evil, Role::Keeps, "moth lamp sugar rain"))
            .unwrap();
        let no = page.post("/sign-in", &[("name", evil), ("passphrase", evil)]);
        assert_eq!(no.status, StatusCode::UNAUTHORIZED);
        harmless("/sign-in", &no);
        let yes = page.post("/sign-in", &[("name", evil), ("passphrase", "moth lamp sugar rain")]);
        let cookie = yes.headers[header::SET_COOKIE].to_str().unwrap();
        page.cookie = cookie.split(';').next().unwrap().to_owned();
        look(&page);
    }
}

/// Every address that takes a post.
fn posts(draft: i64, lot: i64) -> Vec<String> {
    let mut all: Vec<String> = ["keep", "settle", "aside", "back", "note", "trash"]
        .iter()
        .map(|d| format!("/draft/{draft}/{d}"))
        .collect();
    all.extend(
        ["put", "mount", "determine", "change", "split", "merge", "trash"]
            .iter()
            .map(|d| format!("/record/{lot}/{d}")),
    );
    all.extend([
        format!("/same/{draft}/locality"),
        format!("/series/{draft}/recordNumber"),
        format!("/second/{draft}"),
    ]);
    all.extend(
        ["/undo", "/event", "/type", "/places", "/trash", "/trash/empty", "/sign-out"].map(str::to_owned),
    );
    all
}

/// The addresses that take posts, as the program declares them.
fn declared() -> BTreeSet<String> {
    include_str!("../src/review/mod.rs")
        .lines()
        .filter(|l| l.trim_start().starts_with(".route(") && l.contains("post("))
        .map(|l| l.split('"').nth(1).unwrap().to_owned())
        .collect()
}

#[test]
fn no_post_changes_anything_when_another_page_sends_it() {
    let page = Page::new();
    let (id, settled) = (take_in(&page.catalogue, 0), take_in(&page.catalogue, 1));
    let lot = page.catalogue.settle(settled, "A. Vell", &[], None).unwrap();
    let token = page.token(&format!("/draft/{id}"));
    let all = posts(id, lot);
    for declared in declared().iter().filter(|d| *d != "/sign-in") {
        let fixed: Vec<&str> = declared.split('/').filter(|p| !p.starts_with('{')).collect();
        let tried = |p: &String| {
            let parts: Vec<&str> = p.split('/').collect();
            parts.len() == declared.split('/').count() && fixed.iter().all(|f| parts.contains(f))
        };
        assert!(all.iter().any(tried), "{declared} is not tried here");
    }
    let state = || {
        let text = ["/", "/records", "/places", "/trash", "/progress"].map(|p| page.get(p).text).concat();
        (text, page.get(&format!("/draft/{id}")).text, page.get(&format!("/record/{lot}")).text)
    };
    let before = state();
    let fields = "v.sex=male&why=x&note=x&code=Drawer+9&numbers=TVMS+9&name=x&into=&term=sex&value=male\
                  &draft=1.0&thing=record+1";
    let forged = format!("{fields}&token=00000000000000000000000000000000");
    let stolen = format!("{fields}&token={token}");
    for path in &all {
        let send = |method: &str, kind: &str, body: &str, more: &[(&str, &str)]| {
            let mut request = page.ask(method, path).header(header::CONTENT_TYPE, kind);
            for (name, value) in more {
                request = request.header(*name, *value);
            }
            page.send(request.body(Body::from(body.to_owned())).unwrap())
        };
        // Without the token, and with a made-up one.
        for body in [fields, forged.as_str(), ""] {
            assert_eq!(send("POST", FORM, body, &[]).status, StatusCode::FORBIDDEN, "{path}");
        }
        // From elsewhere, even if the token has leaked.
        for from in [
            ("origin", "http://evil.example"),
            ("origin", "null"),
            ("origin", "http://localhost:80"),
            ("origin", "http://127.0.0.1.evil.example:7411"),
            ("origin", "file://"),
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-site", "same-site"),
            ("sec-fetch-site", "none"),
        ] {
            let no = send("POST", FORM, &stolen, &[from]);
            assert_eq!(no.status, StatusCode::FORBIDDEN, "{path} {from:?}");
            assert!(no.text.contains("nothing was changed"), "{}", no.text);
        }
        // The kinds that a foreign form can send without asking first.
        for kind in ["text/plain", "multipart/form-data; boundary=x", "application/json", ""] {
            let no = send("POST", kind, &stolen, &[]);
            assert_eq!(no.status, StatusCode::UNSUPPORTED_MEDIA_TYPE, "{path} {kind}");
        }
        // Other methods, and a page asking whether it might.
        for method in ["PUT", "DELETE", "PATCH", "OPTIONS"] {
            let no = send(method, FORM, &stolen, &[("origin", "http://evil.example")]);
            assert_eq!(no.status, StatusCode::METHOD_NOT_ALLOWED, "{path} {method}");
            assert!(!no.headers.keys().any(|k| k.as_str().starts_with("access-control-")), "{path} {method}");
        }
    }
    assert_eq!(state(), before);
}

/// RFC 9112, 3.2: a request has one host, and an address in full outweighs it.
/// DNS rebinding brings a foreign name to this machine's address; the name stays
/// in the request.
#[test]
fn a_foreign_host_is_refused_however_it_is_named() {
    let page = Page::new();
    take_in(&page.catalogue, 0);
    let ask = |path: &str, hosts: &[&str]| {
        let mut request = Request::get(path);
        for host in hosts {
            request = request.header(header::HOST, *host);
        }
        page.send(request.body(Body::empty()).unwrap())
    };
    let own = format!("localhost:{PORT}");
    for hosts in [
        &[][..],
        &["evil.example"],
        &["evil.example:7411"],
        &["localhost.evil.example:7411"],
        &["localhost:7411.evil.example"],
        &["evil.example@localhost:7411"],
        &["localhost:7412"],
        &["localhost"],
        &["0.0.0.0:7411"],
        &["2130706433:7411"],
        &["[::ffff:127.0.0.1]:7411"],
        &[&own, "evil.example"],
        &["evil.example", &own],
        &["localhost:7411, evil.example"],
    ] {
        for path in ["/", "/draft/1", "/photo/1/view.jpg", "/page.js", "/nowhere"] {
            let no = ask(path, hosts);
            assert_eq!(no.status, StatusCode::MISDIRECTED_REQUEST, "{path} {hosts:?}");
            assert!(no.text.contains("this machine only") && !no.text.contains("serena"), "{}", no.text);
        }
    }
    assert_eq!(ask("http://evil.example:7411/", &[&own]).status, StatusCode::MISDIRECTED_REQUEST);
    assert_eq!(ask(&format!("http://{own}/"), &[&own]).status, StatusCode::OK);
    assert_eq!(ask("/", &[&own]).status, StatusCode::OK);
}

/// A page at a port of its own, `patience` with whoever asks; `ask` is done
/// beside it.
fn served<T>(patience: Patience, people: bool, ask: impl AsyncFnOnce(u16) -> T) -> T {
    let (_place, catalogue) = folder();
    take_in(&catalogue, 0);
    catalogue.wait(async {
        if people {
            catalogue.store().set_person("A. Vell", Role::Keeps, "moth lamp sugar rain").await.unwrap();
        }
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let router = router(catalogue.store(), Options { port, ..options(5) }, port);
        let (over, end) = tokio::sync::oneshot::channel::<()>();
        let page = tokio::spawn(answer(listener, None, router, patience, async {
            let _ = end.await;
        }));
        let done = ask(port).await;
        let began = Instant::now();
        over.send(()).unwrap();
        page.await.unwrap();
        assert!(began.elapsed() < Duration::from_secs(7), "it ends although somebody holds on");
        done
    })
}

fn patience() -> Patience {
    let ms = Duration::from_millis;
    Patience { connections: 6, from_one: 3, head: ms(400), answer: ms(1200), life: ms(2500) }
}

/// All that comes back for `sent` until the other side closes.
async fn raw(port: u16, sent: &[u8]) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    // The other side may hang up before it has read everything.
    let _ = stream.write_all(sent).await;
    let mut back = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(10), stream.read_to_end(&mut back)).await;
    assert!(read.is_ok(), "it hangs");
    String::from_utf8_lossy(&back).into_owned()
}

fn status(answer: &str) -> u16 {
    answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0)
}

#[test]
fn no_path_leads_out_of_the_page() {
    served(Patience { life: Duration::from_secs(60), ..patience() }, false, async |port| {
        let asked = |path: &str| {
            format!("GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n")
        };
        let good = raw(port, asked("/").as_bytes()).await;
        assert!(status(&good) == 200 && good.contains("serena"), "the page is there: {good}");
        for path in [
            "/../catalogue.db",
            "/..%2fcatalogue.db",
            "/photo/../catalogue.db",
            "/photo/1/../../catalogue.db",
            "/photo/1/..%2f..%2fcatalogue.db",
            "/photo/1/%2e%2e%2f%2e%2e%2fcatalogue.db",
            "/photo/1/%252e%252e%252fcatalogue.db",
            "/photo/1/..%5c..%5ccatalogue.db",
            "/photo/1/view.jpg%00.png",
            "/photo/1/%2fetc%2fpasswd",
            "/photo/1//etc/passwd",
            "//etc/passwd",
            "/etc/passwd",
            "/photos/",
            "/catalogue.db",
            "/catalogue.db-wal",
            "/config/people.toml",
            "/page.css/../../../../etc/passwd",
            "/page.css%2f..%2f..%2fetc%2fpasswd",
            "/photo/1%20OR%201=1/view.jpg",
            "/photo/-1/view.jpg",
            "/photo/99999999999999999999/view.jpg",
            "file:///etc/passwd",
            "*",
        ] {
            let got = raw(port, asked(path).as_bytes()).await;
            assert!((400..500).contains(&status(&got)), "{path}: {got}");
            assert!(!got.contains("SQLite format") && !got.contains("root:"), "{path}: {got}");
        }
    });
}

#[test]
fn what_is_too_large_is_refused_before_it_is_taken_in() {
    served(Patience { life: Duration::from_secs(60), ..patience() }, false, async |port| {
        let head = |first: &str, more: &str| {
            format!("{first} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n{more}\r\n")
        };
        // Said to be large; the body is not even waited for.
        let form = "Content-Type: application/x-www-form-urlencoded\r\n";
        let said =
            raw(port, head("POST /undo", &format!("{form}Content-Length: 99999999999\r\n")).as_bytes()).await;
        assert_eq!(status(&said), 413, "{said}");
        // Large without saying so.
        let mut sent = head("POST /undo", &format!("{form}Transfer-Encoding: chunked\r\n")).into_bytes();
        for _ in 0..40 {
            sent.extend(b"10000\r\n");
            sent.extend([b'a'; 0x10000]);
            sent.extend(b"\r\n");
        }
        let chunked = raw(port, &sent).await;
        assert!([413, 0].contains(&status(&chunked)), "{chunked}");
        // A length of two meanings, as smuggled requests have (RFC 9112, 6.3).
        for double in [
            "Content-Length: 5\r\nContent-Length: 50\r\n",
            "Content-Length: 5\r\nTransfer-Encoding: chunked\r\n",
            "Content-Length: -1\r\n",
            "Transfer-Encoding: chunked, identity\r\n",
        ] {
            let got =
                raw(port, (head("POST /undo", &format!("{form}{double}")) + "0\r\n\r\n").as_bytes()).await;
            assert!(status(&got) == 0 || (400..500).contains(&status(&got)), "{double}: {got}");
        }
        // A head without end: many lines, one long line, a long address.
        let many = "X-A: b\r\n".repeat(100_000);
        let long = format!("X-A: {}\r\n", "b".repeat(2 << 20));
        for (first, more) in
            [("GET /", many.as_str()), ("GET /", &long), (&format!("GET /?q={}", "a".repeat(2 << 20)), "")]
        {
            let got = raw(port, head(first, more).as_bytes()).await;
            assert!([0, 400, 414, 431].contains(&status(&got)), "{got}");
        }
        let good = raw(port, head("GET /", "").as_bytes()).await;
        assert_eq!(status(&good), 200, "and the page is still there");
    });
}

#[test]
fn a_form_of_very_many_fields_is_refused_at_once() {
    let page = Page::new();
    let id = take_in(&page.catalogue, 0);
    let token = page.token(&format!("/draft/{id}"));
    let many: String = (0..90_000).map(|n| format!("&v.a{n}=1")).collect();
    for (first, expected) in
        [(format!("token={token}"), StatusCode::PAYLOAD_TOO_LARGE), ("token=x".into(), StatusCode::FORBIDDEN)]
    {
        let request = page.ask("POST", &format!("/draft/{id}/keep")).header(header::CONTENT_TYPE, FORM);
        let began = Instant::now();
        let no = page.send(request.body(Body::from(first + &many)).unwrap());
        assert_eq!(no.status, expected);
        assert!(began.elapsed() < Duration::from_secs(2), "{:?}", began.elapsed());
        assert!(no.text.contains("nothing was changed"), "{}", no.text);
    }
    assert!(page.catalogue.draft(id).unwrap().history.is_empty());
}

/// Heads and bodies a letter at a time, from as many as may connect, and answers
/// nobody takes: others are served all the same.
#[test]
fn slow_requests_hold_nobody_else_up() {
    for people in [false, true] {
        served(patience(), people, async |port| {
            let honest =
                format!("GET /page.css HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\n\r\n");
            let heads = ["", "G", "GET / HTTP/1.1\r\n", "GET / HTTP/1.1\r\nX-a: "];
            let bodies = format!(
                "POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Type: {FORM}\r\nContent-Length: 900\r\n\r\nname="
            );
            let mut slow = tokio::task::JoinSet::new();
            for n in 0..18 {
                let start = if n % 3 == 2 { bodies.clone() } else { heads[n % heads.len()].to_owned() };
                slow.spawn(async move {
                    let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
                    let began = Instant::now();
                    let mut sent = stream.write_all(start.as_bytes()).await;
                    // A letter in a while, for as long as the other side listens.
                    while sent.is_ok() && began.elapsed() < Duration::from_secs(30) {
                        let mut back = [0; 512];
                        let wait = Duration::from_millis(100);
                        if let Ok(Ok(0) | Err(_)) = tokio::time::timeout(wait, stream.read(&mut back)).await {
                            break;
                        }
                        sent = stream.write_all(b"a").await;
                    }
                    began.elapsed()
                });
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
            let began = Instant::now();
            let got = raw(port, honest.as_bytes()).await;
            assert_eq!(status(&got), 200, "{got}");
            assert!(began.elapsed() < Duration::from_secs(8), "{:?}", began.elapsed());
            while let Some(held) = slow.join_next().await {
                assert!(held.unwrap() < Duration::from_secs(15), "each was let go");
            }
            // An answer that nobody takes, over and over on one connection.
            let mut deaf = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
            let many = format!("GET /page.js HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n").repeat(400);
            let _ = tokio::time::timeout(Duration::from_secs(1), deaf.write_all(many.as_bytes())).await;
            let got = raw(port, honest.as_bytes()).await;
            assert_eq!(status(&got), 200, "{got}");
            drop(deaf);
        });
    }
}

#[test]
fn the_page_ends_although_a_connection_is_held_open() {
    served(Patience::default(), false, async |port| {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        stream.write_all(b"POST /undo HTTP/1.1\r\nHost: x\r\nContent-Le").await.unwrap();
        // It stays open while the page is told to end.
        std::mem::forget(stream);
    });
}
