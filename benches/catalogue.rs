//! How long a person waits: search in a million records, and the next draft's
//! page after settling with a hundred thousand drafts.
//!
//!     cargo bench --bench catalogue -- [RECORDS] [DRAFTS]
//!
//! 1,000,000 and 100,000 by default. Records and drafts are invented
//! (`benches/common`) and written straight into the database, which is then used
//! as the program uses it. Medians and the
//! slowest of 40 are printed; the first query of each kind is left out (cold
//! pages), and the page's lists are given 500 ms. `--keep FOLDER` keeps what was made there, to be used again.

mod common;

use axum::body::Body;
use axum::http::{Request, header};
use common::{Dice, Made, made};
use glassine::catalogue::Catalogue;
use glassine::geometry::Quad;
use glassine::intake::{IntakeRules, PhotoFacts};
use glassine::parsing::{Field, Parsed, Span};
use glassine::reading::{ReadLabel, ReadLine, Reading};
use glassine::review::{Options, originals, router};
use http_body_util::BodyExt;
use sqlx::{Connection, SqliteConnection};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tower::ServiceExt;

async fn fill(database: &Path, records: usize, drafts: usize) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(database).pragma("synchronous", "off");
    let mut db: SqliteConnection = sqlx::ConnectOptions::connect(&options).await.unwrap();
    let mut dice = Dice(0x9E37_79B9_7F4A_7C15);
    let mut words = std::collections::HashSet::new();
    sqlx::query("BEGIN").execute(&mut db).await.unwrap();
    sqlx::query(
        "INSERT INTO deed (id, at, who, kind) VALUES (1, '2026-01-01T00:00:00Z', 'A. Vell', 'settle')",
    )
    .execute(&mut db)
    .await
    .unwrap();
    for n in 0..records {
        let m = made(n, &mut dice);
        let id = n as i64 + 1;
        sqlx::query("INSERT INTO lot (id, uuid, settled, settled_by) VALUES (?, ?, '2026-01-01T00:00:00Z', 'A. Vell')")
            .bind(id)
            .bind(format!("{n:032x}"))
            .execute(&mut db)
            .await
            .unwrap();
        let values = [
            ("scientificName", &m.name),
            ("eventDate", &m.day),
            ("locality", &m.place),
            ("recordedBy", &m.who),
            ("catalogNumber", &m.number),
        ];
        let mut text = String::from("Tarn Valley\n");
        for (term, value) in values {
            text.push_str(value);
            text.push('\n');
            sqlx::query(
                "INSERT INTO lot_value (lot, term, verbatim, value, origin) VALUES (?, ?, ?3, ?3, 'read')",
            )
            .bind(id)
            .bind(term)
            .bind(value)
            .execute(&mut db)
            .await
            .unwrap();
        }
        sqlx::query("INSERT INTO lot_words (rowid, text) VALUES (?, ?)")
            .bind(id)
            .bind(&text)
            .execute(&mut db)
            .await
            .unwrap();
        for w in text.split(|c: char| !c.is_alphanumeric()).filter(|w| w.chars().count() >= 4) {
            if w.chars().any(char::is_alphabetic) {
                words.insert(w.to_lowercase());
            }
        }
    }
    for w in &words {
        sqlx::query("INSERT OR IGNORE INTO word (word) VALUES (?)").bind(w).execute(&mut db).await.unwrap();
    }
    println!("{} words", words.len());
    for n in 0..drafts {
        let m = made(records + n, &mut dice);
        let lines = [&m.name, &m.place, &m.day, &m.who]
            .map(|t| ReadLine { quad: Quad::upright(80.0, 85.0, 720.0, 131.0), ..ReadLine::from_text(t) });
        let label = ReadLabel { quad: Quad::upright(80.0, 85.0, 720.0, 460.0), lines: lines.to_vec() };
        let photo = PhotoFacts { name: format!("tarn-{n:06}.jpg"), ..PhotoFacts::default() };
        let reading = Reading { photo, labels: vec![label], codes: Vec::new() };
        let field = |term: &str, line: usize, value: &str| Field {
            term: term.into(),
            verbatim: value.into(),
            value: value.into(),
            confidence: 0.93,
            candidates: Vec::new(),
            spans: vec![Span { label: 0, line, start: 0, end: value.chars().count() }],
            boxes: vec![Quad::upright(80.0, 85.0, 720.0, 131.0)],
            note: String::new(),
        };
        let fields = vec![
            field("scientificName", 0, &m.name),
            field("eventDate", 2, &m.day),
            field("locality", 1, &m.place),
            field("recordedBy", 3, &m.who),
            field("recordNumber", 3, &(n + 1).to_string()),
        ];
        let text = reading.text();
        let parsed = Parsed { fields, ..Parsed::default() };
        let weight = if n % 3 == 0 { 0.5 } else { 0.0 };
        let id = n as i64 + 1;
        sqlx::query("INSERT INTO draft (id, name, reading, parsed, entered, weight) VALUES (?, ?, ?, ?, '2026-01-01T00:00:00Z', ?)")
            .bind(id)
            .bind(&reading.photo.name)
            .bind(serde_json::to_string(&reading).unwrap())
            .bind(serde_json::to_string(&parsed).unwrap())
            .bind(weight)
            .execute(&mut db)
            .await
            .unwrap();
        for f in &parsed.fields {
            sqlx::query("INSERT INTO draft_value (draft, term, verbatim, value) VALUES (?, ?, ?, ?)")
                .bind(id)
                .bind(&f.term)
                .bind(&f.verbatim)
                .bind(&f.value)
                .execute(&mut db)
                .await
                .unwrap();
        }
        if weight > 0.0 {
            sqlx::query("INSERT INTO doubt (draft, nth, kind, terms, sentence, weight) VALUES (?, 0, 'century-open', 'eventDate', 'The century is not written.', ?)")
                .bind(id)
                .bind(weight)
                .execute(&mut db)
                .await
                .unwrap();
        }
        sqlx::query("INSERT INTO draft_words (rowid, text) VALUES (?, ?)")
            .bind(id)
            .bind(text)
            .execute(&mut db)
            .await
            .unwrap();
    }
    sqlx::query("COMMIT").execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

/// Prints the median and the slowest, the first left out.
fn tell(what: &str, mut times: Vec<Duration>, goal: u64) {
    times.remove(0);
    times.sort();
    let ms = |d: Duration| d.as_secs_f64() * 1000.0;
    let median = ms(times[times.len() / 2]);
    let held = if median <= goal as f64 { "holds" } else { "DOES NOT HOLD" };
    println!(
        "{what:44} median {median:8.1} ms, slowest {:8.1} ms of {}; at most {goal} ms: {held}",
        ms(times[times.len() - 1]),
        times.len()
    );
}

/// A slip of the pen or the reader: one letter taken for another.
fn misspelt(word: &str, dice: &mut Dice) -> String {
    let mut letters: Vec<char> = word.chars().collect();
    let at = 1 + dice.next(letters.len() - 2);
    letters[at] = if letters[at] == 'c' { 'e' } else { 'c' };
    letters.into_iter().collect()
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let keep =
        arguments.iter().position(|a| a == "--keep").and_then(|i| arguments.get(i + 1)).map(PathBuf::from);
    let numbers: Vec<usize> = arguments.iter().filter_map(|a| a.parse().ok()).collect();
    let (records, drafts) = (*numbers.first().unwrap_or(&1_000_000), *numbers.get(1).unwrap_or(&100_000));
    let place = tempfile::tempdir().unwrap();
    let folder = keep.unwrap_or_else(|| place.path().join("moths"));
    if !folder.exists() {
        let began = Instant::now();
        let catalogue = Catalogue::create(&folder).unwrap();
        catalogue.wait(fill(&catalogue.folder().database(), records, drafts));
        println!("filled in {:.0} s", began.elapsed().as_secs_f64());
    }
    let catalogue = Catalogue::open(&folder).unwrap();
    let size = std::fs::metadata(catalogue.folder().database()).unwrap().len();
    println!("{records} records, {drafts} drafts, {:.2} GB", size as f64 / 1e9);

    let mut dice = Dice(77);
    let mut found = 0;
    let mut each = |query: &mut dyn FnMut(&mut Dice) -> String| {
        let mut times = Vec::new();
        for _ in 0..41 {
            let words = query(&mut dice);
            let began = Instant::now();
            found += catalogue.search(&words, 200).unwrap().len();
            times.push(began.elapsed());
        }
        times
    };
    let name = |dice: &mut Dice| {
        let n = dice.next(1_000_000);
        made(n, dice)
    };
    let epithet = |m: &Made| m.name.split(' ').nth(1).unwrap().to_owned();
    tell("one word (a species' name)", each(&mut |d| epithet(&name(d))), 50);
    tell("one word (a place)", each(&mut |d| name(d).place.split(' ').next().unwrap().to_owned()), 50);
    tell("a word of every record", each(&mut |_| "valley".into()), 50);
    tell(
        "two words (name and collector)",
        each(&mut |d| {
            let m = name(d);
            format!("{} {}", epithet(&m), m.who.split(' ').nth(1).unwrap())
        }),
        50,
    );
    tell("the beginning of a word", each(&mut |d| epithet(&name(d))[..4].to_owned()), 50);
    tell("a catalogue number", each(&mut |d| format!("{:07}", d.next(records.max(2)) + 1)), 50);
    tell(
        "one misspelt word",
        each(&mut |d| {
            let word = epithet(&name(d));
            misspelt(&word, d)
        }),
        150,
    );
    tell(
        "two words, both misspelt",
        each(&mut |d| {
            let m = name(d);
            let (a, b) =
                (misspelt(&epithet(&m), d), misspelt(&m.place.split(' ').next().unwrap().to_lowercase(), d));
            format!("{a} {b}")
        }),
        150,
    );
    tell("a word that is nowhere", each(&mut |d| format!("qqxjv{}", d.next(1000))), 150);
    println!("{found} records found in all");

    let options = Options {
        port: 7411,
        open: false,
        who: "M. Orrin".into(),
        opener: originals(IntakeRules::load(None).unwrap()),
        typist: glassine::pipeline::typist(&catalogue),
        checker: glassine::pipeline::checker(&catalogue),
        network: None,
        second_reading: 5,
    };
    let page = router(catalogue.store(), options, 7411);
    let send = |request: Request<Body>| {
        let response = catalogue.wait(page.clone().oneshot(request)).unwrap();
        let (parts, body) = response.into_parts();
        let bytes = catalogue.wait(body.collect()).unwrap().to_bytes();
        (parts, String::from_utf8_lossy(&bytes).into_owned())
    };
    let get = |path: &str| {
        send(Request::get(path).header(header::HOST, "localhost:7411").body(Body::empty()).unwrap())
    };
    let mut at = "/next".to_owned();
    let (mut both, mut settling) = (Vec::new(), Vec::new());
    for _ in 0..41 {
        while !at.starts_with("/draft/") {
            at = get(&at).0.headers[header::LOCATION].to_str().unwrap().to_owned();
        }
        let (_, text) = get(&at);
        let value = |name: &str| {
            let after = text.split(&format!("name=\"{name}\" value=\"")).nth(1).unwrap();
            after.split('"').next().unwrap().to_owned()
        };
        let form = [("token", value("token")), ("seen", value("seen")), ("v.sex", "female".into())];
        let path = format!("{}/settle", at.split('?').next().unwrap());
        let request = Request::post(path)
            .header(header::HOST, "localhost:7411")
            .header(header::CONTENT_TYPE, "application/x-www-form-urlencoded")
            .body(Body::from(serde_urlencoded::to_string(&form).unwrap()))
            .unwrap();
        let began = Instant::now();
        let (parts, text) = send(request);
        settling.push(began.elapsed());
        assert_eq!(parts.status, 303, "{text}");
        at = parts.headers[header::LOCATION].to_str().unwrap().to_owned();
        let (parts, _) = get(&at);
        both.push(began.elapsed());
        assert_eq!(parts.status, 200);
    }
    tell("settling alone", settling, 100);
    tell("settled, and the next draft's page ready", both, 100);
    for (what, path) in [
        ("the queue's page", "/"),
        ("the queue by a doubt", "/?doubt=century-open"),
        ("the queue by a word", "/?q=tarn"),
        ("values to narrow by", "/values/locality"),
        ("events", "/events"),
        ("progress", "/progress"),
    ] {
        let mut times = Vec::new();
        for _ in 0..11 {
            let began = Instant::now();
            assert_eq!(get(path).0.status, 200);
            times.push(began.elapsed());
        }
        tell(what, times, 500);
    }
}
