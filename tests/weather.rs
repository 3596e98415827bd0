//! Hard weather: every parser and every reader of files gets bytes that nobody
//! meant, made from good ones (`tests/weather/TARGET/`) by changing them, and must
//! neither panic nor hang, and say of what it refuses what to do.
//!
//! The ordinary run tries the same few changes each time. `make weather` tries
//! others for `GLASSINE_WEATHER_SECONDS` a target. What fails is made smaller and
//! written to `target/weather/`; put it into the target's folder, where it is tried
//! first from then on.
//!
//! proptest makes and shrinks the changes. There is no guidance by coverage: the
//! crates for it need a nightly compiler or, on stable, pin an `indexmap` that
//! `toml` cannot go with (bolero 0.13.7, 2026-11-25).

mod common;

use axum::body::Body;
use axum::http::{Request, header};
use common::take_in;
use glassine::catalogue::Catalogue;
use glassine::checking::batch::{BatchOptions, run};
use glassine::checking::{self, CheckRules, Context};
use glassine::cleanup::CleanupRules;
use glassine::intake::{self, IntakeRules};
use glassine::layout::LayoutRules;
use glassine::out::{DatasetRules, EnvelopeRules, LabelRules, SensitiveRules};
use glassine::parsing::dates::{DateRules, Edtf, IsoDate, parse_one};
use glassine::parsing::{self, Rules, coordinates, dates, elevation, parse_text};
use glassine::reading::{Reading, ReadingRules};
use glassine::review::{Options, originals, router};
use glassine::trouble::Trouble;
use http_body_util::BodyExt;
use proptest::prelude::*;
use proptest::sample::Index;
use proptest::test_runner::{Config, RngAlgorithm, TestError, TestRng, TestRunner};
use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tower::ServiceExt;

/// How long one input may take; more where nothing is optimised.
const PATIENCE: Duration = Duration::from_secs(if cfg!(debug_assertions) { 30 } else { 10 });

/// How many inputs the ordinary run makes for each target; a slow target divides
/// it.
const CASES: u32 = 160;

/// One change of a good input.
#[derive(Clone, Debug)]
enum Damage {
    Byte(Index, u8),
    Bit(Index, u8),
    Insert(Index, Vec<u8>),
    Word(Index, Index),
    Remove(Index, Index),
    Repeat(Index, Index, u8),
    Cut(Index),
    Number(Index, u64, u8, bool),
    Other(Index, Index, Index),
}

fn damage() -> impl Strategy<Value = Damage> {
    use Damage::*;
    let at = any::<Index>;
    let odd = prop_oneof![
        Just(0),
        Just(u64::MAX),
        Just(0x7FFF_FFFF),
        Just(0xFFFF),
        Just(1 << 31),
        (0..64u64).prop_map(|n| 1 << n),
        any::<u64>()
    ];
    prop_oneof![
        4 => (at(), any::<u8>()).prop_map(|(a, b)| Byte(a, b)),
        4 => (at(), 0..8u8).prop_map(|(a, b)| Bit(a, b)),
        2 => (at(), proptest::collection::vec(any::<u8>(), 1..24)).prop_map(|(a, b)| Insert(a, b)),
        6 => (at(), at()).prop_map(|(a, b)| Word(a, b)),
        3 => (at(), at()).prop_map(|(a, b)| Remove(a, b)),
        2 => (at(), at(), any::<u8>()).prop_map(|(a, b, n)| Repeat(a, b, n)),
        1 => at().prop_map(Cut),
        3 => (at(), odd, 0..4u8, any::<bool>()).prop_map(|(a, n, w, e)| Number(a, n, w, e)),
        2 => (at(), at(), at()).prop_map(|(a, b, c)| Other(a, b, c)),
    ]
}

/// Words that mean something to one of the readers.
const WORDS: &[&str] = &[
    "\0",
    "\n",
    "\r\n",
    "\t",
    "\"",
    "'",
    ",",
    ";",
    "=1+1",
    "{",
    "}",
    "[",
    "]",
    "[[",
    "\\",
    "<!",
    "]]>",
    "<a>",
    "&#0;",
    "%00",
    "%zz",
    "\u{feff}",
    "\u{202e}",
    "\u{301}",
    "ß",
    "ſ",
    "𝟙",
    "٣",
    "½",
    "°",
    "′",
    "″",
    "♂",
    "☿",
    "N",
    "S",
    "E",
    "W",
    "-0",
    "1e999",
    "NaN",
    "-inf",
    "99999999999999999999",
    "0.0000000000001",
    "/",
    "..",
    "../",
    "?",
    "~",
    "%",
    "Y-",
    "T24:00:00Z",
    "P1Y",
    "-W53-7",
    "02-29",
    "31.ii.",
    "XIIX",
    "MDCCCXCIX",
    "leg.",
    "det.",
    "ft",
    "m",
    "UTM",
    "30U",
    "T12N",
    "token=",
    "v.",
    "Content-Length: 5",
    "9223372036854775808",
    "-1",
];

fn damaged(seeds: &[Vec<u8>], seed: Index, changes: &[Damage]) -> Vec<u8> {
    use Damage::*;
    let mut bytes = seeds[seed.index(seeds.len())].clone();
    // Not optimised, the ordinary run is slow with long ones.
    let most = if cfg!(debug_assertions) { 1 << 11 } else { 1 << 16 };
    for change in changes {
        let place = |at: &Index| at.index(bytes.len() + 1);
        let range = |a: &Index, b: &Index| {
            let (a, b) = (place(a), place(b));
            a.min(b)..a.max(b)
        };
        match change {
            Byte(at, value) => {
                let at = place(at);
                bytes.get_mut(at).into_iter().for_each(|b| *b = *value);
            }
            Bit(at, bit) => {
                let at = place(at);
                bytes.get_mut(at).into_iter().for_each(|b| *b ^= 1 << bit);
            }
            Insert(at, new) => drop(bytes.splice(place(at)..place(at), new.iter().copied())),
            Word(at, word) => drop(bytes.splice(place(at)..place(at), word.get(WORDS).bytes())),
            Remove(a, b) => drop(bytes.drain(range(a, b))),
            Repeat(a, b, times) => {
                let range = range(a, b);
                let again = bytes[range.clone()].repeat(usize::from(*times)).into_iter().take(most);
                let again: Vec<u8> = again.collect();
                bytes.splice(range.end..range.end, again);
            }
            Cut(at) => bytes.truncate(place(at)),
            Number(at, number, width, big) => {
                let at = place(at);
                let width = 1 << width;
                let number = if *big {
                    number.to_be_bytes()[8 - width..].to_vec()
                } else {
                    number.to_le_bytes()[..width].to_vec()
                };
                for (to, from) in bytes.iter_mut().skip(at).zip(number) {
                    *to = from;
                }
            }
            Other(at, seed, from) => {
                let other = seed.get(seeds);
                let from = from.index(other.len() + 1);
                bytes.splice(place(at).., other[from..].iter().copied());
            }
        }
    }
    bytes
}

fn setting(name: &str) -> Option<u64> {
    std::env::var(name).ok().and_then(|v| v.parse().ok())
}

/// Keeps `bytes` for a person to look at.
fn kept(target: &str, bytes: &[u8]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap().join("weather");
    std::fs::create_dir_all(&folder).unwrap();
    let path = folder.join(format!("{target}-{}", &blake3::hash(bytes).to_hex()[..12]));
    std::fs::write(&path, bytes).unwrap();
    path
}

/// Ends the process where one input is not done in three times its time: a test
/// that hangs says nothing.
fn watched(target: &'static str, hand: Arc<Mutex<Option<(Instant, Vec<u8>)>>>) {
    std::thread::spawn(move || {
        loop {
            std::thread::sleep(Duration::from_secs(1));
            if let Some((since, bytes)) = &*hand.lock().unwrap()
                && since.elapsed() > 3 * PATIENCE
            {
                eprintln!("{target}: hangs at {}", kept(target, bytes).display());
                std::process::abort();
            }
        }
    });
}

/// Tries `look` with the seeds of `target`, then with damaged ones: a share of
/// [`CASES`], or for as long as `GLASSINE_WEATHER_SECONDS` says.
fn weather(target: &'static str, slowness: u32, look: impl Fn(&[u8])) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/weather").join(target);
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_file()).collect();
    paths.sort();
    let seeds: Vec<Vec<u8>> = paths.iter().map(|p| std::fs::read(p).unwrap()).collect();
    assert!(!seeds.is_empty(), "{} holds seeds", folder.display());
    let hand = Arc::new(Mutex::new(None));
    watched(target, hand.clone());
    let timed = |bytes: &[u8]| {
        let began = Instant::now();
        *hand.lock().unwrap() = Some((began, bytes.to_vec()));
        look(bytes);
        *hand.lock().unwrap() = None;
        assert!(began.elapsed() < PATIENCE, "takes {:?}", began.elapsed());
    };
    for seed in &seeds {
        timed(seed);
    }
    let strategy = (any::<Index>(), proptest::collection::vec(damage(), 0..10));
    let seconds = setting("GLASSINE_WEATHER_SECONDS");
    let cases = if seconds.is_some() { 500 } else { (CASES / slowness).max(8) };
    let config = Config { cases, failure_persistence: None, max_shrink_time: 20_000, ..Config::default() };
    let (began, tried) = (Instant::now(), Cell::new(0u64));
    for round in 0u64.. {
        let rng = match seconds {
            Some(_) => {
                let seed = blake3::hash(format!("{round} {}", uuid_like()).as_bytes());
                TestRng::from_seed(RngAlgorithm::ChaCha, seed.as_bytes())
            }
            None => TestRng::deterministic_rng(RngAlgorithm::ChaCha),
        };
        // A runner is done once it has made its inputs: a new one each time.
        let mut runner = TestRunner::new_with_rng(config.clone(), rng);
        let result = runner.run(&strategy, |(seed, changes)| {
            timed(&damaged(&seeds, seed, &changes));
            tried.set(tried.get() + 1);
            Ok(())
        });
        if let Err(TestError::Fail(why, (seed, changes))) = &result {
            let path = kept(target, &damaged(&seeds, *seed, changes));
            panic!(
                "{target}: {why}\ninput: {}; put it into {} once mended",
                path.display(),
                folder.display()
            );
        }
        result.unwrap();
        assert!(tried.get() >= (round + 1) * u64::from(cases), "{target}: {} inputs made", tried.get());
        if began.elapsed() >= Duration::from_secs(seconds.unwrap_or(0)) {
            break;
        }
    }
    let seconds = began.elapsed().as_secs_f64();
    println!("{target}: {} inputs from {} seeds in {seconds:.1} s", tried.get(), seeds.len());
}

/// Something else each time.
fn uuid_like() -> String {
    format!("{:?} {}", std::time::SystemTime::now(), std::process::id())
}

/// A trouble that a person can act on.
fn helps(trouble: &Trouble, name: &str) {
    assert!(trouble.subject.contains(name), "names the file: {trouble}");
    assert!(!trouble.fact.is_empty() && !trouble.hint.is_empty(), "says fact and next step: {trouble}");
    let said = trouble.to_string();
    assert!(!said.contains('\0') && !said.contains('\u{1b}'), "{said:?}");
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Words found stand where they are said to stand.
fn stands(text: &str, bytes: &std::ops::Range<usize>, chars: &std::ops::Range<usize>, verbatim: &str) {
    assert_eq!(text.get(bytes.clone()), Some(verbatim));
    let by_chars: String = text.chars().skip(chars.start).take(chars.len()).collect();
    assert_eq!(by_chars, verbatim);
}

#[test]
fn dates_of_any_text() {
    let rules = DateRules::built_in();
    weather("dates", 4, |bytes| {
        let text = text(bytes);
        for found in dates::find(&text, rules) {
            stands(&text, &found.bytes, &found.chars, &found.verbatim);
            for candidate in &found.candidates {
                assert!((0.0..=1.0).contains(&candidate.confidence), "{candidate:?}");
            }
        }
        for line in text.lines() {
            parse_one(line, rules);
        }
    });
}

#[test]
fn standard_dates_of_any_text() {
    weather("edtf", 1, |bytes| {
        for part in text(bytes).split('\n') {
            Edtf::parse(part);
            if let Some(date) = IsoDate::parse(part) {
                assert!(date.first() <= date.last(), "{part}");
                date.seconds();
            }
        }
    });
}

#[test]
fn coordinates_of_any_text() {
    weather("coordinates", 1, |bytes| {
        let text = text(bytes);
        for found in coordinates::find(&text) {
            stands(&text, &found.bytes, &found.chars, &found.verbatim);
            assert!(found.latitude.is_none_or(|l| (-90.0..=90.0).contains(&l)), "{found:?}");
            assert!(found.longitude.is_none_or(|l| (-180.0..=180.0).contains(&l)), "{found:?}");
            assert!(found.uncertainty.is_none_or(|u| u.is_finite() && u >= 0.0), "{found:?}");
        }
        for found in elevation::find(&text) {
            stands(&text, &found.bytes, &found.chars, &found.verbatim);
            assert!(found.minimum.is_finite() && found.maximum.is_finite(), "{found:?}");
        }
    });
}

/// Found by hard weather: thirty thousand angles or dates in one cell took minutes,
/// each held against all others.
#[test]
fn the_time_for_a_long_text_grows_with_its_length() {
    let time = |words: &str, times: usize| {
        let text = words.repeat(times);
        let began = Instant::now();
        coordinates::find(&text);
        elevation::find(&text);
        dates::find(&text, DateRules::built_in());
        began.elapsed()
    };
    for words in ["34°", "14.vii.93 ", "3 ", "1200 ft "] {
        let (short, long) = (time(words, 3000), time(words, 15_000));
        assert!(long < 15 * short + Duration::from_secs(1), "{words}: {short:?}, five times that: {long:?}");
    }
}

#[test]
fn whole_labels_of_any_text() {
    let (rules, checks) = (Rules::load(None).unwrap(), CheckRules::built_in());
    // Longer texts are refused where they are typed in, and no photograph holds them.
    let longest = IntakeRules::load(None).unwrap().typed.record_chars;
    weather("label", 20, |bytes| {
        let text: String = text(bytes).chars().take(longest).collect();
        let reading = Reading::from_text("weather", &text);
        let parsed = parse_text("weather", &text, &rules);
        for span in
            parsed.fields.iter().flat_map(|f| &f.spans).chain(parsed.leftovers.iter().map(|l| &l.span))
        {
            let line = &reading.labels[span.label].lines[span.line];
            assert!(span.start < span.end && span.end <= line.chars.len(), "{span:?}");
        }
        let context = Context { dates: &rules.dates, gazetteer: Some(&rules.gazetteer), ..Context::alone() };
        for doubt in checking::check(&parsed, &reading, &context, checks) {
            assert!(!doubt.sentence.is_empty() && doubt.weight.is_finite(), "{doubt:?}");
        }
    });
}

/// Tries a table of the name's kind, with all that a check writes.
fn batch(target: &'static str, name: &str) {
    let folder = tempfile::tempdir().unwrap();
    let to = |n: &str| folder.path().join(n);
    let file = to(name);
    weather(target, 10, |bytes| {
        std::fs::write(&file, bytes).unwrap();
        let options = BatchOptions {
            file: file.clone(),
            doubts: Some(to("doubts.csv")),
            page: Some(to("page.html")),
            amended: Some(to("amended")),
            threads: 1,
            ..BatchOptions::default()
        };
        let mut said = Vec::new();
        match run(&options, &mut said) {
            Ok(summary) => {
                assert!(summary.doubted <= summary.rows, "{summary:?}");
                let page = std::fs::read_to_string(to("page.html")).unwrap();
                assert!(!page.contains("<b>x</b>") && !page.contains("<script"), "nothing becomes markup");
            }
            Err(trouble) => helps(&trouble, name),
        }
        assert_eq!(std::fs::read(&file).unwrap(), bytes, "the table itself stays as it was");
    });
}

#[test]
fn a_check_of_any_csv() {
    batch("csv", "x.csv");
}

#[test]
fn a_check_of_any_tsv() {
    batch("tsv", "x.tsv");
}

#[test]
fn a_check_of_any_json_lines() {
    batch("jsonl", "x.jsonl");
}

#[test]
fn a_check_of_any_archive() {
    batch("archive", "x.zip");
}

fn given(target: &'static str, name: &str) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join(name);
    let rules = IntakeRules::load(None).unwrap().records;
    weather(target, 2, |bytes| {
        std::fs::write(&file, bytes).unwrap();
        match intake::records(&file, &rules, &intake::Columns::default()) {
            Ok(found) => {
                for record in found.records {
                    let (reading, parsed) = parsing::given(&record.name, &record.values);
                    checking::check(&parsed, &reading, &Context::alone(), CheckRules::built_in());
                }
                found.troubles.iter().for_each(|t| helps(t, name));
            }
            Err(trouble) => helps(&trouble, name),
        }
    });
}

#[test]
fn records_from_any_csv() {
    given("records_csv", "x.csv");
}

#[test]
fn records_from_any_tsv() {
    given("records_tsv", "x.tsv");
}

#[test]
fn records_from_any_json_lines() {
    given("records_jsonl", "x.jsonl");
}

#[test]
fn records_from_any_archive() {
    given("records_archive", "x.zip");
}

#[test]
fn pictures_from_any_bytes() {
    let mut rules = IntakeRules::load(None).unwrap();
    // Small, so that many are tried: the limits themselves have tests beside them.
    rules.limits.megapixels = 2;
    rules.limits.side = 4000;
    rules.pdf.pages = 4;
    rules.pdf.dpi = 72.0;
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("x.jpg");
    weather("pictures", 1, |bytes| {
        std::fs::write(&file, bytes).unwrap();
        let mut count = 0;
        for photo in intake::open(&file, &rules) {
            count += 1;
            match photo {
                Ok(photo) => {
                    assert_eq!(photo.pixels.dimensions(), (photo.facts.width, photo.facts.height));
                    assert!(photo.pixels.width() > 0 && photo.pixels.height() > 0);
                    let place = photo.facts.place.unwrap_or_default();
                    assert!(place.0.abs() <= 90.0 && place.1.abs() <= 180.0, "{place:?}");
                }
                Err(trouble) => helps(&trouble, "x.jpg"),
            }
        }
        assert!((1..=5).contains(&count), "{count} photographs or troubles");
    });
}

/// What the program reads with each table; every one of its own tables is here.
fn tables(folder: &Path) -> [Option<Trouble>; 10] {
    let f = Some(folder);
    [
        IntakeRules::load(f).err(),
        CleanupRules::load(f).err(),
        LayoutRules::load(f).err(),
        ReadingRules::load(f).err(),
        Rules::load(f).err(),
        CheckRules::load(f).err(),
        DatasetRules::load(f).err(),
        SensitiveRules::load(f).err(),
        EnvelopeRules::load(f).err(),
        LabelRules::load(f).err(),
    ]
}

#[test]
fn tables_of_any_text() {
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let names: Vec<String> =
        std::fs::read_dir(own).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    assert!(names.len() > 15);
    let folder = tempfile::tempdir().unwrap();
    let turn = std::cell::Cell::new(0);
    // Loading all tables with the gazetteer takes a while.
    weather("config", 20, |bytes| {
        let name = &names[turn.get() % names.len()];
        turn.set(turn.get() + 1);
        let file = folder.path().join(name);
        std::fs::write(&file, bytes).unwrap();
        for trouble in tables(folder.path()).into_iter().flatten() {
            // One table is not enough by itself: a dataset needs a title.
            helps(&trouble, ".toml");
        }
        std::fs::remove_file(&file).unwrap();
    });
}

#[test]
fn requests_of_any_bytes() {
    let place = tempfile::tempdir().unwrap();
    let catalogue = Catalogue::create(&place.path().join("moths")).unwrap();
    for n in 0..3 {
        take_in(&catalogue, n);
    }
    let options = Options {
        port: 7411,
        open: false,
        who: "M. Orrin".into(),
        opener: originals(IntakeRules::load(None).unwrap()),
        typist: glassine::pipeline::typist(&catalogue),
        checker: glassine::pipeline::checker(&catalogue),
        network: None,
        second_reading: 100,
    };
    let page = router(catalogue.store(), options, 7411);
    weather("requests", 4, |bytes| {
        // Method, address, host, kind of the body, body; parted by NULs.
        let parts: Vec<&[u8]> = bytes.splitn(5, |b| *b == 0).collect();
        let part = |n: usize| parts.get(n).copied().unwrap_or_default();
        let request = Request::builder()
            .method(part(0))
            .uri(part(1))
            .header(header::HOST, part(2))
            .header(header::CONTENT_TYPE, part(3))
            .body(Body::from(part(4).to_vec()));
        // What is no request never reaches the page.
        let Ok(request) = request else { return };
        let (status, text) = catalogue.wait(async {
            let response = page.clone().oneshot(request).await.unwrap();
            let status = response.status();
            assert!(response.headers().contains_key(header::CONTENT_SECURITY_POLICY));
            (status, response.into_body().collect().await.unwrap().to_bytes())
        });
        assert!(!status.is_server_error(), "{status} {}", String::from_utf8_lossy(&text));
        assert!(!text.windows(15).any(|w| w == b"SQLite format 3"));
    });
    assert_eq!(catalogue.counts().unwrap().waiting, 3, "without the token nothing is settled");
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}
