//! What giving a large collection back costs: every format that `glassine write`
//! has, and the labels of a mounting day.
//!
//!     cargo bench --bench giving -- [RECORDS] [PHOTOGRAPHS] [--keep FOLDER]
//!
//! 1,000,000 records and 50,000 by default. Records are invented
//! (`benches/common`): a lot each with a dozen values, one specimen and one name, and one in fifty had
//! another lot merged into it;
//! the first PHOTOGRAPHS of them have a photograph's draft with its reading, as
//! every settled photograph has. They are written straight into the database
//! and then written out by the functions that the command calls. Each format has
//! a process of its own, so that its peak memory is its own (VmHWM, Linux); the
//! pages of the database are warm from filling unless it is larger than the
//! memory. The aims are printed beside: a million in 30 s and 300 MB, the labels
//! of 500 animals in 2 s. `--keep FOLDER` keeps what was made there, to be used
//! again.

mod common;

use common::{Dice, insert, made, peak_mb};
use glassine::catalogue::{Catalogue, Record};
use glassine::geometry::Quad;
use glassine::intake::PhotoFacts;
use glassine::out;
use glassine::parsing::Parsed;
use glassine::reading::{ReadLabel, ReadLine, Reading};
use glassine::trouble::Result;
use serde_json::json;
use sqlx::{Connection, SqliteConnection};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use std::time::Instant;

/// That of the program.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const WHEN: &str = "2026-01-01T00:00:00Z";
const WHO: &str = "A. Vell";
const FORMATS: [&str; 5] = ["archive", "csv", "jsonl", "parquet", "geojson"];
/// Animals that labels are printed for; each has three labels.
const MOUNTED: usize = 500;
/// One record in so many had another lot merged into it.
const MERGED: usize = 50;

/// Rows that wait to be put into a table.
struct Waiting {
    table: &'static str,
    columns: &'static [&'static str],
    rows: Vec<Vec<serde_json::Value>>,
}

impl Waiting {
    const fn new(table: &'static str, columns: &'static [&'static str]) -> Self {
        Waiting { table, columns, rows: Vec::new() }
    }
}

async fn fill(database: &Path, records: usize, photographs: usize) {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(database).pragma("synchronous", "off");
    let mut db: SqliteConnection = sqlx::ConnectOptions::connect(&options).await.unwrap();
    let mut dice = Dice(0x9E37_79B9_7F4A_7C15);
    sqlx::query("BEGIN").execute(&mut db).await.unwrap();
    sqlx::query("INSERT INTO deed (id, at, who, kind) VALUES (1, ?, ?, 'settle')")
        .bind(WHEN)
        .bind(WHO)
        .execute(&mut db)
        .await
        .unwrap();
    // In the order in which one refers to another.
    let mut photos = Waiting::new("photo", &["id", "hash", "file", "name", "width", "height", "added"]);
    let mut drafts = Waiting::new("draft", &["id", "photo", "name", "reading", "parsed", "entered", "state"]);
    let mut lots = Waiting::new("lot", &["id", "uuid", "draft", "settled", "settled_by"]);
    let mut merged = Waiting::new("lot", &["id", "uuid", "settled", "settled_by", "standing", "fate"]);
    let mut values = Waiting::new("lot_value", &["lot", "term", "verbatim", "value", "confidence", "origin"]);
    let mut specimens = Waiting::new("specimen", &["uuid", "lot", "number", "sex", "added", "deed"]);
    let mut names = Waiting::new("determination", &["lot", "name", "by", "entered", "who", "deed"]);
    for n in 0..records {
        let m = made(n, &mut dice);
        let id = n + 1;
        let (latitude, longitude) =
            (54.0 + dice.next(90_000) as f64 / 1e5, -3.0 + dice.next(90_000) as f64 / 1e5);
        let sex = ["male", "female"][dice.next(2)];
        let hash = blake3::hash(&id.to_le_bytes()).to_hex().to_string();
        let photograph = n < photographs;
        if photograph {
            let reading = reading(n, &m, &hash);
            let file = format!("{}/{hash}.jpg", &hash[..2]);
            let name = reading.photo.name.clone();
            photos.rows.push(vec![
                json!(id),
                json!(hash),
                json!(file),
                json!(name),
                json!(4000),
                json!(3000),
                json!(WHEN),
            ]);
            drafts.rows.push(vec![
                json!(id),
                json!(id),
                json!(name),
                json!(serde_json::to_string(&reading).unwrap()),
                json!(serde_json::to_string(&Parsed::default()).unwrap()),
                json!(WHEN),
                json!("settled"),
            ]);
        }
        let draft = photograph.then_some(id);
        lots.rows.push(vec![json!(id), json!(&hash[..32]), json!(draft), json!(WHEN), json!(WHO)]);
        for (term, value) in [
            ("scientificName", m.name.as_str()),
            ("eventDate", &m.day),
            ("country", "Tarnland"),
            ("stateProvince", "Tarn Valley"),
            ("locality", &m.place),
            ("decimalLatitude", &format!("{latitude:.5}")),
            ("decimalLongitude", &format!("{longitude:.5}")),
            ("recordedBy", &m.who),
            ("recordNumber", &id.to_string()),
            ("catalogNumber", &m.number),
            ("samplingProtocol", "at light"),
            ("sex", sex),
        ] {
            values.rows.push(vec![
                json!(id),
                json!(term),
                json!(value),
                json!(value),
                json!(0.93),
                json!("read"),
            ]);
        }
        specimens.rows.push(vec![
            json!(&hash[32..]),
            json!(id),
            json!(m.number),
            json!(sex),
            json!(WHEN),
            json!(1),
        ]);
        names.rows.push(vec![json!(id), json!(m.name), json!(m.who), json!(WHEN), json!(WHO), json!(1)]);
        if id % MERGED == 0 {
            // Numbers that are free: lots merged do not go out.
            let other = records + id;
            let uuid = format!("{other:032x}");
            merged.rows.push(vec![
                json!(other),
                json!(uuid),
                json!(WHEN),
                json!(WHO),
                json!(0),
                json!(format!("merged into record {id}")),
            ]);
        }
        if id % 1000 == 0 || id == records {
            for waiting in
                [&mut photos, &mut drafts, &mut lots, &mut merged, &mut values, &mut specimens, &mut names]
            {
                insert(&mut db, waiting.table, waiting.columns, &mut waiting.rows).await;
            }
        }
    }
    sqlx::query("COMMIT").execute(&mut db).await.unwrap();
    db.close().await.unwrap();
}

/// What the reader would give for a pin's two labels.
fn reading(n: usize, m: &common::Made, hash: &str) -> Reading {
    let texts = [&m.name, &m.place, &m.day, &m.who, &m.number];
    let line = |(i, t): (usize, &&String)| {
        let top = 85.0 + 80.0 * i as f32;
        ReadLine {
            quad: Quad::upright(80.0, top, 720.0, top + 46.0),
            engine: "neural".into(),
            ..ReadLine::from_text(t)
        }
    };
    let label = ReadLabel {
        quad: Quad::upright(80.0, 85.0, 720.0, 460.0),
        lines: texts.iter().enumerate().map(line).collect(),
    };
    let photo = PhotoFacts { name: format!("tarn-{n:07}.jpg"), hash: hash.into(), ..PhotoFacts::default() };
    Reading { photo, labels: vec![label], codes: Vec::new() }
}

/// Writes one format to `to` and gives how many records.
fn write(format: &str, catalogue: &Catalogue, to: impl Write + Send) -> Result<u64> {
    match format {
        "archive" => {
            let rules = out::DatasetRules::load(Some(&catalogue.folder().config()))?;
            out::archive(catalogue, &rules, jiff::civil::date(2026, 3, 14), to)
        }
        "csv" => out::csv(catalogue, to),
        "jsonl" => out::jsonl(catalogue, to),
        "parquet" => out::parquet(catalogue, to),
        "geojson" => out::geojson(catalogue, to),
        other => panic!("{other} is no format"),
    }
}

/// One format, measured in this process: `seconds bytes megabytes count`.
fn one(format: &str, folder: &Path, to: &Path) {
    let began = Instant::now();
    let catalogue = Catalogue::open(folder).unwrap();
    let count = if format == "labels" {
        let records: Vec<Record> = catalogue.records().take(MOUNTED).collect::<Result<_>>().unwrap();
        let rules = out::LabelRules::load(Some(&catalogue.folder().config())).unwrap();
        let mounted: Vec<out::Mounted> =
            records.into_iter().map(|record| out::Mounted { record, animals: 1, first: 1 }).collect();
        let made = out::labels(&mounted, &rules).unwrap();
        std::fs::write(to, &made.pdf).unwrap();
        made.places.len() as u64
    } else {
        let mut file = BufWriter::new(std::fs::File::create(to).unwrap());
        let count = write(format, &catalogue, &mut file).unwrap();
        file.flush().unwrap();
        count
    };
    let seconds = began.elapsed().as_secs_f64();
    let bytes = std::fs::metadata(to).unwrap().len();
    println!("{seconds} {bytes} {} {count}", peak_mb().unwrap_or(f64::NAN));
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    if let [word, format, folder, to] = arguments.as_slice()
        && word == "--one"
    {
        return one(format, Path::new(folder), Path::new(to));
    }
    let keep =
        arguments.iter().position(|a| a == "--keep").and_then(|i| arguments.get(i + 1)).map(PathBuf::from);
    let numbers: Vec<usize> = arguments.iter().filter_map(|a| a.parse().ok()).collect();
    let records = *numbers.first().unwrap_or(&1_000_000);
    let photographs = numbers.get(1).copied().unwrap_or(50_000).min(records);
    let place = tempfile::tempdir().unwrap();
    let folder = keep.unwrap_or_else(|| place.path().join("moths"));
    if !folder.exists() {
        let began = Instant::now();
        let catalogue = Catalogue::create(&folder).unwrap();
        let config = catalogue.folder().config();
        std::fs::write(
            config.join("dataset.toml"),
            "title = \"Moths of the Tarn Valley\"\ncontact_surname = \"Orrin\"\n",
        )
        .unwrap();
        catalogue.wait(fill(&catalogue.folder().database(), records, photographs));
        println!("filled in {:.0} s", began.elapsed().as_secs_f64());
    }
    let size = std::fs::metadata(folder.join("catalogue.db")).unwrap().len();
    println!("{records} records, {photographs} with a photograph, {:.2} GB", size as f64 / 1e9);
    let million = records as f64 / 1e6;
    for format in FORMATS.into_iter().chain(["labels"]) {
        let to = place.path().join(format);
        let child = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--one", format])
            .args([&folder, &to])
            .output()
            .unwrap();
        assert!(child.status.success(), "{format}: {}", String::from_utf8_lossy(&child.stderr));
        let said = String::from_utf8(child.stdout).unwrap();
        let [seconds, bytes, peak, count] =
            said.split_whitespace().map(|w| w.parse::<f64>().unwrap()).collect::<Vec<_>>()[..]
        else {
            panic!("{format}: {said}")
        };
        let (what, aim) = if format == "labels" {
            assert!(count as usize >= MOUNTED.min(records), "{count} labels");
            ("labels", 2.0)
        } else {
            assert_eq!(count as usize, records, "{format}");
            ("records", 30.0 * million)
        };
        let held = if seconds <= aim && peak <= 300.0 { "holds" } else { "DOES NOT HOLD" };
        println!(
            "{format:8} {count:8} {what:8} {seconds:8.2} s {:10.2} MB written {peak:8.1} MB at most; at most {aim} s and 300 MB: {held}",
            bytes / 1e6
        );
        std::fs::remove_file(to).unwrap();
    }
}
