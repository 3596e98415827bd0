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
use common::{Dice, Made, connect, enter_drafts, enter_records, made};
use glassine::catalogue::Catalogue;
use glassine::intake::IntakeRules;
use glassine::review::{Options, originals, router};
use http_body_util::BodyExt;
use sqlx::Connection;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use tower::ServiceExt;

async fn fill(database: &Path, records: usize, drafts: usize) {
    let mut db = connect(database).await;
    let mut dice = Dice(0x9E37_79B9_7F4A_7C15);
    sqlx::query("BEGIN").execute(&mut db).await.unwrap();
    let words = enter_records(&mut db, records, &mut dice).await;
    println!("{words} words");
    enter_drafts(&mut db, records..records + drafts, &mut dice, |_| None).await;
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
