//! Several people at one catalogue: who may come in and do what, one draft at a
//! time for each, second readings, and twenty people settling at once.
//!
//! `GLASSINE_CROWD_SECONDS` sets how long the twenty work (3 unless told).

mod common;
#[path = "../benches/common/mod.rs"]
mod generated;

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use common::{folder, take_in};
use glassine::catalogue::{Catalogue, Change, Role, State, Store, kappa};
use glassine::intake::IntakeRules;
use glassine::review::{Https, Network, Options, Patience, answer, encrypting, originals, router, serve};
use http_body_util::BodyExt;
use hyper_util::client::legacy::Client;
use hyper_util::client::legacy::connect::HttpConnector;
use hyper_util::rt::TokioExecutor;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tower::ServiceExt;

const PORT: u16 = 7411;
const PASSPHRASE: &str = "moth lamp sugar rain";

fn options() -> Options {
    let opener = originals(IntakeRules::load(None).unwrap());
    Options {
        port: PORT,
        open: false,
        who: "the machine".into(),
        opener,
        typist: common::no_typist(),
        checker: common::no_checker(),
        network: None,
        second_reading: 100,
    }
}

/// The page, asked directly or over a connection as browsers do.
#[derive(Clone)]
enum Page {
    Here(axum::Router),
    At(u16, Box<Client<HttpConnector, Body>>),
}

struct Answer {
    status: StatusCode,
    headers: axum::http::HeaderMap,
    text: String,
}

impl Answer {
    fn to(&self) -> &str {
        self.headers.get(header::LOCATION).map_or("", |v| v.to_str().unwrap())
    }
}

impl Page {
    fn of(catalogue: &Catalogue) -> Page {
        Page::Here(router(catalogue.store(), options(), PORT))
    }

    fn at(port: u16) -> Page {
        Page::At(port, Box::new(Client::builder(TokioExecutor::new()).build_http()))
    }

    fn port(&self) -> u16 {
        if let Page::At(port, _) = self { *port } else { PORT }
    }

    async fn send(&self, mut request: Request<Body>) -> Answer {
        let (parts, bytes) = match self {
            Page::Here(router) => {
                let (parts, body) = router.clone().oneshot(request).await.unwrap().into_parts();
                (parts, body.collect().await.map(|b| b.to_bytes()))
            }
            Page::At(port, client) => {
                *request.uri_mut() = format!("http://127.0.0.1:{port}{}", request.uri()).parse().unwrap();
                let (parts, body) = client.request(request).await.unwrap().into_parts();
                (parts, body.collect().await.map(|b| b.to_bytes()).map_err(axum::Error::new))
            }
        };
        let bytes = bytes.unwrap_or_default();
        Answer { status: parts.status, headers: parts.headers, text: String::from_utf8_lossy(&bytes).into() }
    }

    async fn get(&self, path: &str, cookie: &str) -> Answer {
        let request = Request::get(path).header(header::HOST, format!("localhost:{}", self.port()));
        self.send(request.header(header::COOKIE, cookie).body(Body::empty()).unwrap()).await
    }

    async fn post(&self, path: &str, cookie: &str, form: &[(&str, &str)]) -> Answer {
        let request = Request::post(path)
            .header(header::HOST, format!("localhost:{}", self.port()))
            .header(header::COOKIE, cookie)
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded");
        self.send(request.body(Body::from(serde_urlencoded::to_string(form).unwrap())).unwrap()).await
    }

    /// Signs in; the cookie.
    async fn sign_in(&self, name: &str) -> String {
        let answer = self.post("/sign-in", "", &[("name", name), ("passphrase", PASSPHRASE)]).await;
        assert_eq!(answer.status, StatusCode::SEE_OTHER, "{}", answer.text);
        let cookie = answer.headers[header::SET_COOKIE].to_str().unwrap();
        assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"), "{cookie}");
        cookie.split(';').next().unwrap().to_owned()
    }
}

/// The value of a hidden input of a page.
fn hidden(text: &str, name: &str) -> String {
    let after = text.split(&format!("name=\"{name}\" value=\"")).nth(1).unwrap_or_default();
    after.split('"').next().unwrap_or_default().to_owned()
}

async fn people(store: &Arc<Store>) {
    for (name, role) in [("A. Vell", Role::Settles), ("M. Orrin", Role::Keeps), ("E. Harrow", Role::Reads)] {
        store.set_person(name, role, PASSPHRASE).await.unwrap();
    }
}

#[test]
fn without_people_the_page_belongs_to_the_person_at_the_machine() {
    let (_place, catalogue) = folder();
    take_in(&catalogue, 0);
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        assert_eq!(page.get("/", "").await.status, StatusCode::OK);
        assert_eq!(page.get("/sign-in", "").await.to(), "/");
        people(&catalogue.store()).await;
        let turned = page.get("/", "").await;
        assert_eq!((turned.status, turned.to()), (StatusCode::SEE_OTHER, "/sign-in"), "at once, for all");
        // The last one gone does not open the door to everybody.
        for name in ["A. Vell", "M. Orrin", "E. Harrow"] {
            catalogue.store().remove_person(name).await.unwrap();
        }
        assert_eq!(page.get("/", "").await.to(), "/sign-in");
    });
}

#[test]
fn only_name_and_passphrase_open_and_neither_is_in_the_file() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    let page = Page::of(&catalogue);
    let database = catalogue.folder().database();
    let cookie = catalogue.wait(async {
        let store = catalogue.store();
        let short = store.set_person("A. Vell", Role::Reads, "moth").await.unwrap_err();
        assert!(short.to_string().contains("15 characters"), "{short}");
        people(&store).await;
        for path in ["/", "/records", "/progress", &format!("/draft/{id}"), "/photo/1/view.jpg", "/second"] {
            assert_eq!(page.get(path, "").await.to(), "/sign-in", "{path}");
            assert_eq!(page.get(path, "glassine=0123456789abcdef").await.to(), "/sign-in", "{path}");
        }
        let no = page.post(&format!("/draft/{id}/settle"), "", &[("token", "x")]).await;
        assert_eq!(no.status, StatusCode::UNAUTHORIZED);
        for (name, passphrase) in [("A. Vell", "moth lamp sugar snow"), ("Nobody", PASSPHRASE), ("", "")] {
            let no = page.post("/sign-in", "", &[("name", name), ("passphrase", passphrase)]).await;
            assert_eq!(no.status, StatusCode::UNAUTHORIZED, "{name}");
            assert!(!no.headers.contains_key(header::SET_COOKIE));
        }
        let cookie = page.sign_in("a. vell").await;
        let (first, second) =
            (page.get(&format!("/draft/{id}"), &cookie).await, page.sign_in("M. Orrin").await);
        assert_eq!(first.status, StatusCode::OK);
        // One person's token is no good in another's hand.
        let token = hidden(&first.text, "token");
        let no = page.post(&format!("/draft/{id}/settle"), &second, &[("token", &token)]).await;
        assert_eq!(no.status, StatusCode::FORBIDDEN);
        let yes =
            page.post(&format!("/draft/{id}/settle"), &cookie, &[("token", &token), ("seen", "0")]).await;
        assert_eq!(yes.status, StatusCode::SEE_OTHER, "{}", yes.text);
        assert_eq!(store.draft(id).await.unwrap().history[0].who, "A. Vell", "the name as it was taken in");

        // Signed out, expired, or let go: the cookie opens nothing any more.
        assert_eq!(page.post("/sign-out", &cookie, &[("token", &token)]).await.to(), "/sign-in");
        assert_eq!(page.get("/", &cookie).await.to(), "/sign-in");
        store.remove_person("M. Orrin").await.unwrap();
        assert_eq!(page.get("/", &second).await.to(), "/sign-in");
        let third = page.sign_in("E. Harrow").await;
        assert_eq!(page.get("/", &third).await.status, StatusCode::OK);
        by_hand(&catalogue, "UPDATE session SET expires = 0").await;
        assert_eq!(page.get("/", &third).await.to(), "/sign-in");
        page.sign_in("E. Harrow").await
    });
    drop(catalogue);
    // What was written last is in the log beside the database.
    let mut bytes = std::fs::read(&database).unwrap();
    bytes.extend(std::fs::read(database.with_extension("db-wal")).unwrap_or_default());
    let holds = |what: &str| bytes.windows(what.len()).any(|w| w == what.as_bytes());
    assert!(holds("$argon2id$"), "hashed as RFC 9106 has it");
    assert!(!holds(PASSPHRASE) && !holds(cookie.trim_start_matches("glassine=")));
}

async fn by_hand(catalogue: &Catalogue, statement: &str) {
    use sqlx::{ConnectOptions, Connection};
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(catalogue.folder().database());
    let mut db = options.connect().await.unwrap();
    sqlx::query(statement).execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

#[test]
fn a_reader_changes_nothing_and_only_a_keeper_throws_away() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    let lot = catalogue.settle(id, "A. Vell", &[], None).unwrap();
    let second = take_in(&catalogue, 1);
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        people(&catalogue.store()).await;
        let trash = format!("/record/{lot}/trash");
        for (name, settles, throws) in
            [("E. Harrow", false, false), ("A. Vell", true, false), ("M. Orrin", true, true)]
        {
            let cookie = page.sign_in(name).await;
            let text = page.get(&format!("/draft/{second}"), &cookie).await.text;
            let token = hidden(&text, "token");
            let noted = page
                .post(&format!("/draft/{second}/note"), &cookie, &[("token", &token), ("note", name)])
                .await;
            assert_eq!(noted.status == StatusCode::SEE_OTHER, settles, "{name} {}", noted.text);
            let thrown = page.post(&trash, &cookie, &[("token", &token), ("why", "twice")]).await;
            assert_eq!(thrown.status == StatusCode::SEE_OTHER, throws, "{name} {}", thrown.text);
            if !throws {
                assert_eq!(thrown.status, StatusCode::FORBIDDEN);
            }
            let form = [("token", token.as_str()), ("sure", "yes"), ("seal", ""), ("why", "x")];
            for path in ["/trash/empty", "/trash", &format!("/draft/{second}/trash")] {
                let done = page.post(path, &cookie, &form).await.status;
                assert_eq!(done == StatusCode::FORBIDDEN, !throws, "{name} {path} {done}");
            }
            let asked = page.get("/trash/empty", &cookie).await.text.contains("name=\"sure\"");
            assert_eq!(asked, throws, "{name}");
            catalogue.store().remove_person(name).await.unwrap();
            by_hand(&catalogue, "DELETE FROM lease").await;
        }
    });
}

#[test]
fn guessing_a_passphrase_is_slowed_down_for_that_name_alone() {
    let (_place, catalogue) = folder();
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        people(&catalogue.store()).await;
        let mut last = StatusCode::OK;
        for n in 0..7 {
            let guess = format!("moth lamp sugar {n}");
            last = page.post("/sign-in", "", &[("name", "A. Vell"), ("passphrase", &guess)]).await.status;
        }
        assert_eq!(last, StatusCode::TOO_MANY_REQUESTS);
        let right = page.post("/sign-in", "", &[("name", "A. VELL"), ("passphrase", PASSPHRASE)]).await;
        assert_eq!(
            right.status,
            StatusCode::TOO_MANY_REQUESTS,
            "also for the right one, until a minute is over"
        );
        page.sign_in("M. Orrin").await;
    });
}

#[test]
fn a_form_too_large_is_refused() {
    let (_place, catalogue) = folder();
    let id = take_in(&catalogue, 0);
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        let long = "x".repeat(2 << 20);
        let no = page.post(&format!("/draft/{id}/note"), "", &[("note", &long)]).await;
        assert_eq!(no.status, StatusCode::PAYLOAD_TOO_LARGE);
    });
}

#[test]
fn a_draft_that_one_person_works_on_is_not_given_to_another_until_it_is_free() {
    let (_place, catalogue) = folder();
    let ids: Vec<i64> = [0, 1, 3].iter().map(|n| take_in(&catalogue, *n)).collect();
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        let store = catalogue.store();
        people(&store).await;
        let (vell, orrin) = (page.sign_in("A. Vell").await, page.sign_in("M. Orrin").await);
        assert!(page.get("/next", &vell).await.to().starts_with(&format!("/draft/{}", ids[0])));
        page.get(&format!("/draft/{}", ids[0]), &vell).await;
        let next = page.get("/next", &orrin).await;
        assert!(next.to().starts_with(&format!("/draft/{}", ids[1])), "{}", next.to());
        // Looking is allowed, changing is not.
        let looked = page.get(&format!("/draft/{}", ids[0]), &orrin).await;
        assert!(looked.text.contains("works on this draft"));
        let token = hidden(&looked.text, "token");
        let form = [("token", token.as_str()), ("seen", "0"), ("v.sex", "male"), ("why", "x"), ("note", "x")];
        for deed in ["settle", "keep", "aside", "note"] {
            let no = page.post(&format!("/draft/{}/{deed}", ids[0]), &orrin, &form).await;
            assert_eq!(no.status, StatusCode::CONFLICT, "{deed}");
            assert!(no.text.contains("A. Vell"), "{deed} {}", no.text);
        }
        // One draft each: whoever goes on leaves the one before.
        page.get(&format!("/draft/{}", ids[2]), &vell).await;
        let yes = page.post(&format!("/draft/{}/settle", ids[0]), &orrin, &form).await;
        assert_eq!(yes.status, StatusCode::SEE_OTHER, "{}", yes.text);
        assert!(store.leased(ids[2], "M. Orrin").await.unwrap().is_some());
        by_hand(&catalogue, "UPDATE lease SET until = unixepoch() - 1").await;
        assert_eq!(store.leased(ids[2], "M. Orrin").await.unwrap(), None, "free again when time is up");
        assert_eq!(store.lease(ids[2], "M. Orrin").await.unwrap(), None);
    });
}

// The worked example of https://en.wikipedia.org/wiki/Cohen%27s_kappa: 50 grant
// proposals, 20 and 15 judged alike, 5 and 10 not: observed 0.7, by chance 0.5.
#[test]
fn kappa_of_the_worked_example_is_two_fifths() {
    let pairs: Vec<(String, String)> =
        [("yes", "yes", 20), ("yes", "no", 5), ("no", "yes", 10), ("no", "no", 15)]
            .iter()
            .flat_map(|(a, b, n)| std::iter::repeat_n((a.to_string(), b.to_string()), *n))
            .collect();
    assert!((kappa(&pairs).unwrap() - 0.4).abs() < 1e-12);
    assert_eq!(kappa(&[]), None);
    assert_eq!(kappa(&[("1993".into(), "1993".into())]), None, "by chance alone they cannot differ");
    let never = [("a".to_owned(), "b".to_owned()), ("b".to_owned(), "a".to_owned())];
    assert_eq!(kappa(&never), Some(-1.0));
}

#[test]
fn a_second_reading_is_blind_by_another_person_and_compared_by_field() {
    let (_place, catalogue) = folder();
    let changed = [Change { term: "locality".into(), value: "Tarn Head, upper wood".into() }];
    let ids: Vec<i64> = (0..4).map(|n| take_in(&catalogue, n)).collect();
    catalogue.settle(ids[0], "A. Vell", &changed, None).unwrap();
    for id in &ids[1..] {
        catalogue.settle(*id, "A. Vell", &[], None).unwrap();
    }
    let page = Page::of(&catalogue);
    catalogue.wait(async {
        let store = catalogue.store();
        people(&store).await;
        let (vell, orrin) = (page.sign_in("A. Vell").await, page.sign_in("M. Orrin").await);
        let own = page.get("/second", &vell).await.text;
        assert!(own.contains("No record of the sample waits"), "nobody reads their own again");
        for n in 0..4 {
            let text = page.get("/second", &orrin).await.text;
            assert!(!text.contains("upper wood"), "blind to the first reading");
            let id: i64 =
                text.split("action=\"/second/").nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
            let value = |term: &str| hidden(&text, &format!("v.{term}"));
            let mut form = vec![("token".to_owned(), hidden(&text, "token"))];
            for term in ["locality", "scientificName", "recordedBy"] {
                form.push((format!("v.{term}"), value(term)));
            }
            form.push(("v.sex".into(), if n == 0 { "male".into() } else { String::new() }));
            let form: Vec<(&str, &str)> = form.iter().map(|f| (f.0.as_str(), f.1.as_str())).collect();
            let done = page.post(&format!("/second/{id}"), &orrin, &form).await;
            assert_eq!(done.to(), "/second", "{}", done.text);
            let twice = page.post(&format!("/second/{id}"), &orrin, &form).await;
            assert_eq!(twice.status, StatusCode::CONFLICT);
            let own = page.get("/progress", &vell).await.text;
            let own = [("token", hidden(&own, "token"))];
            let own: Vec<(&str, &str)> = own.iter().map(|f| (f.0, f.1.as_str())).collect();
            assert_eq!(page.post(&format!("/second/{id}"), &vell, &own).await.status, StatusCode::CONFLICT);
        }
        let agreement = store.agreement().await.unwrap();
        let of = |term: &str| agreement.iter().find(|a| a.term == term).unwrap();
        assert_eq!((of("locality").records, of("locality").same), (4, 0.75));
        // Four places, each once, one of them called otherwise: 0.75 observed,
        // 3/16 by chance.
        assert!((of("locality").kappa.unwrap() - (0.75 - 0.1875) / (1.0 - 0.1875)).abs() < 1e-12);
        assert_eq!((of("scientificName").same, of("scientificName").kappa), (1.0, Some(1.0)));
        assert_eq!(of("recordedBy").kappa, None, "always the same collector");
        assert_eq!((of("sex").records, of("sex").same), (1, 0.0));
        let text = page.get("/progress", &orrin).await.text;
        assert!(text.contains("Cohen's kappa") && text.contains("75.0 %"), "{text}");
    });
}

#[test]
fn the_network_stays_closed_while_nobody_signs_in() {
    let (_place, catalogue) = folder();
    let network =
        Some(Network { address: "0.0.0.0".parse().unwrap(), names: Vec::new(), https: None, open: true });
    let no = serve(&catalogue, Options { network, port: 0, ..options() }).unwrap_err().to_string();
    assert!(no.contains("nobody signs in") && no.contains("glassine people"), "{no}");
    // With people it stays closed without HTTPS, as long as nobody asks for that.
    catalogue.wait(people(&catalogue.store()));
    let network =
        Some(Network { address: "0.0.0.0".parse().unwrap(), names: Vec::new(), https: None, open: false });
    let no = serve(&catalogue, Options { network, port: 0, ..options() }).unwrap_err().to_string();
    assert!(
        no.contains("unencrypted") && no.contains("--certificate") && no.contains("--without-https"),
        "{no}"
    );
}

/// A certificate by openssl, the connection by curl: neither is ours.
#[test]
fn with_a_certificate_nothing_passes_unencrypted_and_the_cookie_goes_back_by_nothing_else() {
    let ran =
        |program: &str, arguments: &[&str]| std::process::Command::new(program).args(arguments).output();
    let place = tempfile::tempdir().unwrap();
    let at = |name: &str| place.path().join(name).to_string_lossy().into_owned();
    let (certificate, key) = (at("page.pem"), at("page.key"));
    let made = ran(
        "openssl",
        &[
            "req",
            "-x509",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
            "-days",
            "2",
            "-subj",
            "/CN=localhost",
            "-addext",
            "subjectAltName=DNS:localhost",
            "-keyout",
            &key,
            "-out",
            &certificate,
        ],
    );
    if !made.is_ok_and(|m| m.status.success()) || ran("curl", &["--version"]).is_err() {
        println!("skipped: openssl and curl are needed for it");
        return;
    }
    let https = Https { certificate: certificate.clone().into(), key: key.clone().into() };
    // A key that is not the certificate's, and files that are none.
    for wrong in [
        Https { key: certificate.clone().into(), ..https.clone() },
        Https { certificate: key.clone().into(), ..https.clone() },
        Https { certificate: at("none.pem").into(), ..https.clone() },
    ] {
        let no = encrypting(&wrong).map(|_| ()).unwrap_err().to_string();
        assert!(no.contains(&at("")) && no.contains("hint: give PEM files"), "{no}");
    }
    let (_place, catalogue) = folder();
    take_in(&catalogue, 0);
    catalogue.wait(async {
        people(&catalogue.store()).await;
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let network = Network {
            address: "127.0.0.1".parse().unwrap(),
            names: Vec::new(),
            https: Some(https.clone()),
            open: false,
        };
        let router = router(catalogue.store(), Options { port, network: Some(network), ..options() }, port);
        let tls = Some(encrypting(&https).unwrap());
        tokio::spawn(answer(listener, tls, router, Patience::default(), std::future::pending()));
        let curl = async |arguments: Vec<String>| {
            let ran = tokio::task::spawn_blocking(move || {
                std::process::Command::new("curl")
                    .args(["-sS", "-i", "--max-time", "20"])
                    .args(arguments)
                    .output()
            });
            let ran = ran.await.unwrap().unwrap();
            (ran.status.success(), String::from_utf8_lossy(&ran.stdout).into_owned())
        };
        let words = |w: &[&str]| w.iter().map(|w| (*w).to_owned()).collect::<Vec<String>>();
        let url = format!("https://localhost:{port}/sign-in");
        let passphrase = format!("passphrase={PASSPHRASE}");
        let asked = [
            "--cacert",
            &certificate,
            "--data-urlencode",
            "name=A. Vell",
            "--data-urlencode",
            &passphrase,
            &url,
        ];
        let asked = words(&asked);
        let (done, text) = curl(asked).await;
        assert!(done && text.contains("303"), "{text}");
        let cookie = text.lines().find(|l| l.to_lowercase().starts_with("set-cookie: glassine=")).unwrap();
        assert!(cookie.contains("; Secure") && cookie.contains("HttpOnly"), "{cookie}");
        // Who does not know the certificate is warned; without HTTPS nothing comes.
        assert!(!curl(words(&[&url])).await.0);
        let plain = curl(words(&[&format!("http://localhost:{port}/sign-in")])).await;
        assert!(!plain.1.contains("Sign in"), "{}", plain.1);
    });
}

/// The program itself with the page, in a process of its own, killed with the test.
struct Served {
    child: Child,
    port: u16,
    // Read to its end, so that the program never waits for it.
    _said: BufReader<ChildStderr>,
}

impl Served {
    fn start(folder: &Path) -> Served {
        let mut child = Command::new(env!("CARGO_BIN_EXE_glassine"))
            .args(["review", "--no-open", "--port", "0", "--who", "M. Orrin"])
            .arg(folder)
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stderr.take().unwrap());
        let mut line = String::new();
        said.read_line(&mut line).unwrap();
        let port = line.split("127.0.0.1:").nth(1).and_then(|rest| rest.split('/').next()?.parse().ok());
        Served { child, port: port.expect(&line), _said: said }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A photograph of 12 megapixels, as a telephone makes them; the bytes after its
/// end make each another file.
fn large_photographs() -> impl Fn(usize) -> Vec<u8> {
    let picture = image::imageops::resize(&common::picture(1), 4000, 3000, image::imageops::Nearest);
    let mut bytes = Vec::new();
    picture.write_with_encoder(image::codecs::jpeg::JpegEncoder::new(&mut bytes)).unwrap();
    move |n| [bytes.as_slice(), &n.to_le_bytes()].concat()
}

/// What one of the crowd did until `end`: drafts settled, and those that another
/// had settled first. A person opens a draft, sees its pictures, settles it and is
/// led to the next; now and then they look at the lists.
async fn one_of_the_crowd(page: Page, cookie: String, end: Instant) -> (u32, u32) {
    let (mut settled, mut refused, mut steps) = (0, 0, 0);
    let mut at = "/next".to_owned();
    while Instant::now() < end {
        if !at.starts_with("/draft/") {
            at = page.get("/next", &cookie).await.to().to_owned();
            if !at.starts_with("/draft/") {
                break;
            }
        }
        let text = page.get(&at, &cookie).await.text;
        for picture in text.split("=\"/photo/").skip(1) {
            let picture = format!("/photo/{}", picture.split('"').next().unwrap());
            assert_eq!(page.get(&picture, &cookie).await.status, StatusCode::OK, "{picture}");
        }
        let (token, seen) = (hidden(&text, "token"), hidden(&text, "seen"));
        let form = [("token", token.as_str()), ("seen", &seen), ("v.habitat", "moss")];
        let path = at.split('?').next().unwrap();
        let answer = page.post(&format!("{path}/settle"), &cookie, &form).await;
        match answer.status {
            StatusCode::SEE_OTHER => settled += 1,
            StatusCode::CONFLICT => refused += 1,
            other => panic!("{other} {}", answer.text),
        }
        at = answer.to().to_owned();
        steps += 1;
        if steps % 10 == 0 {
            for path in ["/", "/records?q=tarn", "/progress", "/events"] {
                assert_eq!(page.get(path, &cookie).await.status, StatusCode::OK, "{path}");
            }
        }
    }
    (settled, refused)
}

/// Over the program itself. `GLASSINE_CROWD_SECONDS` sets how long they work and
/// `GLASSINE_CROWD_DRAFTS` how many drafts wait (generated); those that come first
/// have a photograph each, of 12 megapixels where they work for half a minute or
/// longer.
#[test]
fn twenty_people_settling_at_once_lose_and_double_nothing_and_the_server_stays_small() {
    let number =
        |name: &str, unless: usize| std::env::var(name).ok().and_then(|s| s.parse().ok()).unwrap_or(unless);
    let seconds = number("GLASSINE_CROWD_SECONDS", 3);
    let drafts = number("GLASSINE_CROWD_DRAFTS", 300 * seconds);
    let photographs = (drafts / 3).min(30 * seconds);
    let (_place, catalogue) = folder();
    let large = (seconds >= 30).then(large_photographs);
    for n in 0..photographs {
        let (bytes, ext, width, height) = match &large {
            Some(large) => (large(n), "jpg", 4000, 3000),
            None => (common::png(n), "png", 900, 600),
        };
        let facts = glassine::intake::PhotoFacts { width, height, ..common::facts(n, &bytes) };
        catalogue.keep_photo(&bytes, ext, &facts, None).unwrap();
    }
    let mut cookies = Vec::new();
    let served = catalogue.wait(async {
        let mut db = generated::connect(&catalogue.folder().database()).await;
        sqlx::query("BEGIN").execute(&mut db).await.unwrap();
        // The doubted ones come first, and every third is.
        let photo = |n: usize| (n.is_multiple_of(3) && n / 3 < photographs).then_some(n as i64 / 3 + 1);
        generated::enter_drafts(&mut db, 0..drafts, &mut generated::Dice(77), photo).await;
        sqlx::query("COMMIT").execute(&mut db).await.unwrap();
        for n in 0..20 {
            catalogue.store().set_person(&format!("Person {n}"), Role::Settles, PASSPHRASE).await.unwrap();
        }
        let served = Served::start(catalogue.folder().path());
        for n in 0..20 {
            cookies.push(Page::at(served.port).sign_in(&format!("Person {n}")).await);
        }
        served
    });
    let began = Instant::now();
    let done = catalogue.wait(async {
        let end = Instant::now() + Duration::from_secs(seconds as u64);
        let page = |cookie| tokio::spawn(one_of_the_crowd(Page::at(served.port), cookie, end));
        let crowd: Vec<_> = cookies.into_iter().map(page).collect();
        let mut done = (0, 0);
        for person in crowd {
            let (settled, refused) = person.await.unwrap();
            done = (done.0 + settled, done.1 + refused);
        }
        done
    });
    let most = generated::peak_mb_of(served.child.id());
    drop(served);
    println!(
        "{} of {drafts} drafts settled, {} refused by 20 people in {:.1} s; the server had {} MB at most",
        done.0,
        done.1,
        began.elapsed().as_secs_f64(),
        most.map_or("an unknown number of".into(), |m| format!("{m:.0}"))
    );
    assert!(most.is_none_or(|m| m < 200.0), "{most:?} MB");
    assert!(done.0 > 0, "they got somewhere: {done:?}");
    let counts = catalogue.counts().unwrap();
    assert_eq!((counts.settled, counts.settled + counts.waiting), (i64::from(done.0), drafts as i64));
    let lots = catalogue.list(0, u32::MAX >> 1).unwrap();
    assert_eq!(lots.len(), done.0 as usize, "each has one record");
    for lot in &lots {
        let record = catalogue.record(lot.lot).unwrap();
        assert_eq!(record.value("habitat"), "moss");
        let draft = catalogue.draft(record.draft.unwrap()).unwrap();
        assert_eq!((draft.state, draft.history.len()), (State::Settled, 1), "settled once, by one person");
    }
    let checked = catalogue.verify(|_, _| {}).unwrap();
    assert!(checked.troubles.is_empty(), "{:?}", checked.troubles);
}
