//! What the benches of a large catalogue share: invented records from a fixed
//! sequence, names, places and people made of syllables, so that there are as
//! many words as in a large collection; and rows put in a thousand at a time.
//! Rows name only what every version of the tables has, so that catalogues of old
//! versions can be filled too.

#![allow(dead_code, reason = "each bench and test uses its own part")]

use glassine::geometry::Quad;
use glassine::intake::PhotoFacts;
use glassine::parsing::{Field, Parsed, Span};
use glassine::reading::{ReadLabel, ReadLine, Reading};
use serde_json::Value;
use sqlx::SqliteConnection;
use std::ops::Range;
use std::path::Path;

pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self, n: usize) -> usize {
        // Marsaglia's xorshift.
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n as u64) as usize
    }

    /// A number below `n`, small ones far more often, as names in a collection
    /// are.
    pub fn often(&mut self, n: usize) -> usize {
        let share = self.next(1_000_000) as f64 / 1e6;
        ((n as f64).powf(share) - 1.0) as usize
    }
}

const SYLLABLES: [&str; 32] = [
    "tar", "nem", "vel", "ori", "gha", "brun", "lis", "mon", "pau", "sel", "tra", "vin", "dor", "fen", "gol",
    "hep", "ith", "jan", "kel", "lum", "mar", "nov", "ost", "per", "qui", "rud", "sca", "tyl", "urs", "wen",
    "xan", "zet",
];

/// The `n`th invented word of three to four syllables.
pub fn word(mut n: usize) -> String {
    let mut word = String::new();
    n += 32 * 32;
    while n > 0 {
        word.push_str(SYLLABLES[n % 32]);
        n /= 32;
    }
    word
}

pub fn capital(word: &str) -> String {
    word[..1].to_uppercase() + &word[1..]
}

pub struct Made {
    pub name: String,
    pub place: String,
    pub who: String,
    pub day: String,
    pub number: String,
}

/// The `n`th record.
pub fn made(n: usize, dice: &mut Dice) -> Made {
    let species = dice.often(12_000);
    Made {
        name: format!("{} {}", capital(&word(species / 12)), word(20_000 + species)),
        place: format!(
            "{} {}",
            capital(&word(40_000 + dice.often(25_000))),
            ["Head", "Ghyll", "Wood", "End"][n % 4]
        ),
        who: format!("{}. {}", ["A", "M", "J"][n % 3], capital(&word(80_000 + dice.often(800)))),
        day: format!("19{:02}-{:02}-{:02}", dice.next(100), 1 + dice.next(12), 1 + dice.next(28)),
        number: format!("TVMS {:07}", n + 1),
    }
}

/// Peak memory of this process; see [`peak_mb_of`].
pub fn peak_mb() -> Option<f64> {
    peak_mb_of(std::process::id())
}

/// Peak memory of a process, in MB (of a million bytes); `None` where the system
/// does not tell.
pub fn peak_mb_of(process: u32) -> Option<f64> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? * 1024.0 / 1e6)
}

/// Puts rows into `table`, a thousand or so in one question: one by one a
/// million lots with their values take a quarter of an hour.
pub async fn insert(db: &mut SqliteConnection, table: &str, columns: &[&str], rows: &mut Vec<Vec<Value>>) {
    let values: Vec<String> = (0..columns.len()).map(|i| format!("json_extract(value, '$[{i}]')")).collect();
    let sql = format!(
        "INSERT INTO {table} ({}) SELECT {} FROM json_each(?)",
        columns.join(", "),
        values.join(", ")
    );
    let json = serde_json::to_string(rows).unwrap();
    sqlx::query(&sql).bind(json).execute(db).await.unwrap();
    rows.clear();
}

/// A connection for filling: nothing is synced.
pub async fn connect(database: &Path) -> SqliteConnection {
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(database).pragma("synchronous", "off");
    sqlx::ConnectOptions::connect(&options).await.unwrap()
}

async fn run(db: &mut SqliteConnection, sql: &str) {
    sqlx::query(sql).execute(db).await.unwrap();
}

/// Enters `count` settled records without drafts and history; gives how many
/// words they have.
pub async fn enter_records(db: &mut SqliteConnection, count: usize, dice: &mut Dice) -> usize {
    let mut words = std::collections::HashSet::new();
    run(db, "INSERT INTO deed (id, at, who, kind) VALUES (1, '2026-01-01T00:00:00Z', 'A. Vell', 'settle')")
        .await;
    for n in 0..count {
        let m = made(n, dice);
        let id = n as i64 + 1;
        sqlx::query("INSERT INTO lot (id, uuid, settled, settled_by) VALUES (?, ?, '2026-01-01T00:00:00Z', 'A. Vell')")
            .bind(id)
            .bind(format!("{n:032x}"))
            .execute(&mut *db)
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
            .execute(&mut *db)
            .await
            .unwrap();
        }
        sqlx::query("INSERT INTO lot_words (rowid, text) VALUES (?, ?)")
            .bind(id)
            .bind(&text)
            .execute(&mut *db)
            .await
            .unwrap();
        for w in text.split(|c: char| !c.is_alphanumeric()).filter(|w| w.chars().count() >= 4) {
            if w.chars().any(char::is_alphabetic) {
                words.insert(w.to_lowercase());
            }
        }
    }
    for w in &words {
        sqlx::query("INSERT OR IGNORE INTO word (word) VALUES (?)").bind(w).execute(&mut *db).await.unwrap();
    }
    words.len()
}

/// Enters the drafts of the records `numbers`, which wait; every third has a doubt.
/// `photo` gives the photograph's number of each, where it has one.
pub async fn enter_drafts(
    db: &mut SqliteConnection,
    numbers: Range<usize>,
    dice: &mut Dice,
    photo: impl Fn(usize) -> Option<i64>,
) {
    let first: i64 =
        sqlx::query_scalar("SELECT coalesce(max(id), 0) + 1 FROM draft").fetch_one(&mut *db).await.unwrap();
    for (n, number) in numbers.enumerate() {
        let m = made(number, dice);
        let lines = [&m.name, &m.place, &m.day, &m.who]
            .map(|t| ReadLine { quad: Quad::upright(80.0, 85.0, 720.0, 131.0), ..ReadLine::from_text(t) });
        let label = ReadLabel { quad: Quad::upright(80.0, 85.0, 720.0, 460.0), lines: lines.to_vec() };
        let facts = PhotoFacts { name: format!("tarn-{n:06}.jpg"), ..PhotoFacts::default() };
        let reading = Reading { photo: facts, labels: vec![label], codes: Vec::new() };
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
        let id = first + n as i64;
        sqlx::query("INSERT INTO draft (id, photo, name, reading, parsed, entered, weight) VALUES (?, ?, ?, ?, ?, '2026-01-01T00:00:00Z', ?)")
            .bind(id)
            .bind(photo(n))
            .bind(&reading.photo.name)
            .bind(serde_json::to_string(&reading).unwrap())
            .bind(serde_json::to_string(&parsed).unwrap())
            .bind(weight)
            .execute(&mut *db)
            .await
            .unwrap();
        for f in &parsed.fields {
            sqlx::query("INSERT INTO draft_value (draft, term, verbatim, value) VALUES (?, ?, ?, ?)")
                .bind(id)
                .bind(&f.term)
                .bind(&f.verbatim)
                .bind(&f.value)
                .execute(&mut *db)
                .await
                .unwrap();
        }
        if weight > 0.0 {
            sqlx::query("INSERT INTO doubt (draft, nth, kind, terms, sentence, weight) VALUES (?, 0, 'century-open', 'eventDate', 'The century is not written.', ?)")
                .bind(id)
                .bind(weight)
                .execute(&mut *db)
                .await
                .unwrap();
        }
        sqlx::query("INSERT INTO draft_words (rowid, text) VALUES (?, ?)")
            .bind(id)
            .bind(text)
            .execute(&mut *db)
            .await
            .unwrap();
    }
}

/// Settles every waiting draft without a lot, as one deed, with the history that
/// settling writes.
pub async fn settle_all(db: &mut SqliteConnection) {
    run(db, "INSERT INTO deed (at, who, kind) VALUES ('2026-01-02T00:00:00Z', 'A. Vell', 'settle')").await;
    for sql in [
        // With keys, or they are looked through for every row.
        "CREATE TEMP TABLE these (id INTEGER PRIMARY KEY)",
        "CREATE TEMP TABLE lots (id INTEGER PRIMARY KEY)",
        "INSERT INTO these SELECT id FROM draft WHERE state = 'waiting'
             AND id NOT IN (SELECT draft FROM lot WHERE draft IS NOT NULL)",
        "CREATE TEMP TABLE by AS SELECT max(id) AS deed FROM deed",
        "UPDATE draft SET state = 'settled' WHERE id IN these",
        "INSERT INTO change (deed, draft, term, was, now) SELECT deed, id, 'state', 'waiting', 'settled' FROM by, these",
        "INSERT INTO lot (uuid, draft, settled, settled_by)
             SELECT lower(hex(randomblob(16))), id, '2026-01-02T00:00:00Z', 'A. Vell' FROM these",
        "INSERT INTO lots SELECT lot.id FROM lot JOIN these ON these.id = lot.draft",
        "INSERT INTO change (deed, lot, term, was, now) SELECT deed, id, 'state', 'not standing', 'standing' FROM by, lots",
        "INSERT INTO lot_value (lot, term, verbatim, value, confidence, origin)
             SELECT lot.id, term, verbatim, value, 0.93, 'read' FROM lots JOIN lot ON lot.id = lots.id
             JOIN draft_value ON draft_value.draft = lot.draft",
        "INSERT INTO change (deed, lot, term, was, now)
             SELECT deed, lot, term, '', value FROM by, lots JOIN lot_value ON lot = lots.id WHERE value <> ''",
        "INSERT INTO lot_words (rowid, text)
             SELECT lot, group_concat(value, char(10)) FROM lots JOIN lot_value ON lot = lots.id GROUP BY lot",
        "DROP TABLE lots",
        "DROP TABLE by",
        "DROP TABLE these",
    ] {
        run(db, sql).await;
    }
}
