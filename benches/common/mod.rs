//! What the benches of a large catalogue share: invented records from a fixed
//! sequence, names, places and people made of syllables, so that there are as
//! many words as in a large collection; and rows put in a thousand at a time.

#![allow(dead_code, reason = "each bench uses its own part")]

use serde_json::Value;
use sqlx::SqliteConnection;

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

/// Peak memory of this process, in MB (of a million bytes); `None` where the
/// system does not tell.
pub fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
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
