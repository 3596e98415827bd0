//! Several people at one catalogue: names with passphrases, what each may do,
//! who works on which draft, and how well two readers agree.

use super::store::{Store, now};
use crate::trouble::{Result, Trouble};
use argon2::password_hash::PasswordHasher;
use argon2::password_hash::phc::PasswordHash;
use argon2::{Argon2, Block, Params};
use sqlx::Row;
use std::collections::BTreeMap;

/// The shortest passphrase: 15 characters, what NIST SP 800-63B-4 asks for where
/// nothing else guards the door (from memory).
const SHORTEST: usize = 15;

/// How long a person stays signed in, in seconds: one working day.
const SIGNED_IN: i64 = 12 * 3600;

/// How long a draft is a person's own since they last did something to it, in
/// seconds: long enough to read a hard label, short enough for a lunch.
const LEASE: i64 = 300;

/// What a person may do; each role includes the ones before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Looks at drafts and records.
    Reads,
    /// Settles drafts and puts records away.
    Settles,
    /// Looks after the folder: the trash, and taking things out of it.
    Keeps,
}

impl Role {
    /// The word of the database and the command line.
    pub fn word(self) -> &'static str {
        match self {
            Role::Reads => "reads",
            Role::Settles => "settles",
            Role::Keeps => "keeps",
        }
    }

    fn of(word: &str) -> Role {
        match word {
            "keeps" => Role::Keeps,
            "settles" => Role::Settles,
            _ => Role::Reads,
        }
    }
}

/// A person who may sign in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The number in this catalogue.
    pub id: i64,
    /// The name, written into the history of every deed.
    pub name: String,
    /// What the person may do.
    pub role: Role,
    /// When they came, in UTC, by RFC 3339.
    pub added: String,
}

/// A person signed in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// Who.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// What the forms of their pages carry.
    pub token: String,
}

/// How well first and second readings agree on one field.
#[derive(Clone, Debug, PartialEq)]
pub struct Agreement {
    /// The Darwin Core term.
    pub term: String,
    /// How many records were read twice and have a value for it in either
    /// reading.
    pub records: usize,
    /// The share of them with the same value, 0 to 1.
    pub same: f64,
    /// Cohen's kappa, -1 to 1; `None` where both readers always gave one and
    /// the same value, so that agreement by chance is certain.
    pub kappa: Option<f64>,
}

fn seconds() -> i64 {
    jiff::Timestamp::now().as_second()
}

/// An Argon2id hash of a passphrase as a PHC string, with the parameters that
/// the library takes by default.
fn secret(passphrase: &str) -> Result<String> {
    Argon2::default()
        .hash_password(passphrase.as_bytes())
        .map(|hash| hash.to_string())
        .map_err(|e| Trouble::new("the passphrase", format!("could not be kept: {e}")))
}

fn derive(by: &Argon2, passphrase: &str, salt: &[u8], out: &mut [u8]) -> argon2::Result<()> {
    let mut memory = vec![Block::new(); by.params().block_count()];
    let done = by.hash_password_into_with_memory(passphrase.as_bytes(), salt, out, memory.as_mut_slice());
    // Nothing of a passphrase stays.
    memory.fill(Block::new());
    done
}

/// Whether `passphrase` is the one of `secret`; of no secret it is none, which takes
/// as long to say.
fn fits(passphrase: &str, secret: Option<&str>) -> bool {
    let kept = secret.and_then(|s| PasswordHash::new(s).ok());
    let parts = kept.as_ref().and_then(|k| {
        let (algorithm, version) = (k.algorithm.as_str().try_into().ok()?, k.version?.try_into().ok()?);
        Some((Argon2::new(algorithm, version, Params::try_from(k).ok()?), k.salt.as_ref()?, k.hash.as_ref()?))
    });
    let Some((by, salt, hash)) = parts else {
        let _ = derive(&Argon2::default(), passphrase, &[0; 16], &mut [0; 32]);
        return false;
    };
    let mut out = vec![0; hash.len()];
    // Hashes of them are compared, so that the time taken tells nothing.
    derive(&by, passphrase, salt, &mut out).is_ok() && blake3::hash(&out) == blake3::hash(hash.as_bytes())
}

impl Store {
    /// Takes a person in, or gives one who is there a new passphrase and role
    /// (and signs them out everywhere).
    ///
    /// # Errors
    /// When the name is empty or the passphrase shorter than 15 characters.
    pub async fn set_person(&self, name: &str, role: Role, passphrase: &str) -> Result<i64> {
        let name = name.trim();
        if name.is_empty() {
            return Err(
                Trouble::new("a person", "has no name").hint("give the name as the history shall have it")
            );
        }
        if passphrase.chars().count() < SHORTEST {
            return Err(Trouble::new("the passphrase", format!("is shorter than {SHORTEST} characters"))
                .hint("take four or five words that do not belong together"));
        }
        let secret = secret(passphrase)?;
        let mut tx = self.begin().await?;
        let id: i64 = sqlx::query_scalar(
            "INSERT INTO person (name, role, secret, added) VALUES (?, ?, ?, ?)
             ON CONFLICT (name) DO UPDATE SET role = excluded.role, secret = excluded.secret, gone = NULL
             RETURNING id",
        )
        .bind(name)
        .bind(role.word())
        .bind(secret)
        .bind(now())
        .fetch_one(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        sqlx::query("DELETE FROM session WHERE person = ?")
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(id)
    }

    /// Lets a person come no more. What they did stays under their name.
    ///
    /// # Errors
    /// When there is no such person.
    pub async fn remove_person(&self, name: &str) -> Result<()> {
        let mut tx = self.begin().await?;
        let id: Option<i64> =
            sqlx::query_scalar("UPDATE person SET gone = ? WHERE name = ? AND gone IS NULL RETURNING id")
                .bind(now())
                .bind(name.trim())
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let id = id.ok_or_else(|| {
            Trouble::new(name, "is not one of the people here").hint("list them with: glassine people FOLDER")
        })?;
        sqlx::query("DELETE FROM session WHERE person = ?")
            .bind(id)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))
    }

    /// The people who may sign in, by name; empty: the page belongs to the
    /// person at the machine.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn people(&self) -> Result<Vec<Person>> {
        let rows = sqlx::query("SELECT id, name, role, added FROM person WHERE gone IS NULL ORDER BY name")
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
        let person = |r: &sqlx::sqlite::SqliteRow| Person {
            id: r.get(0),
            name: r.get(1),
            role: Role::of(r.get(2)),
            added: r.get(3),
        };
        Ok(rows.iter().map(person).collect())
    }

    /// Whether anybody was ever taken in. A folder whose last person was
    /// removed does not open to everybody.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn has_people(&self) -> Result<bool> {
        sqlx::query_scalar("SELECT EXISTS (SELECT 1 FROM person)")
            .fetch_one(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// Signs a person in and gives the cookie; `None` where name and passphrase
    /// do not fit. An unknown name takes as long as a wrong passphrase.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn sign_in(&self, name: &str, passphrase: &str) -> Result<Option<String>> {
        let row: Option<(i64, String)> =
            sqlx::query_as("SELECT id, secret FROM person WHERE name = ? AND gone IS NULL")
                .bind(name.trim())
                .fetch_optional(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        let passphrase = passphrase.to_owned();
        let person = row.as_ref().map(|r| r.0);
        let fit = tokio::task::spawn_blocking(move || fits(&passphrase, row.as_ref().map(|r| r.1.as_str())))
            .await
            .unwrap_or(false);
        let Some(person) = person.filter(|_| fit) else { return Ok(None) };
        // Two random UUIDs: 244 bits from the system's generator.
        let random = || uuid::Uuid::new_v4().simple().to_string();
        let cookie = random() + &random();
        let mut tx = self.begin().await?;
        sqlx::query("DELETE FROM session WHERE expires < ?")
            .bind(seconds())
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        sqlx::query("INSERT INTO session (cookie, person, token, expires) VALUES (?, ?, ?, ?)")
            .bind(blake3::hash(cookie.as_bytes()).to_hex().as_str())
            .bind(person)
            .bind(random())
            .bind(seconds() + SIGNED_IN)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(Some(cookie))
    }

    /// Who holds this cookie; `None` where nobody does or it has expired.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn session(&self, cookie: &str) -> Result<Option<Session>> {
        let row: Option<(String, String, String)> = sqlx::query_as(
            "SELECT name, role, token FROM session JOIN person ON person.id = session.person
             WHERE cookie = ? AND expires > ? AND gone IS NULL",
        )
        .bind(blake3::hash(cookie.as_bytes()).to_hex().as_str())
        .bind(seconds())
        .fetch_optional(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        Ok(row.map(|(name, role, token)| Session { name, role: Role::of(&role), token }))
    }

    /// Signs out.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn sign_out(&self, cookie: &str) -> Result<()> {
        let mut tx = self.begin().await?;
        sqlx::query("DELETE FROM session WHERE cookie = ?")
            .bind(blake3::hash(cookie.as_bytes()).to_hex().as_str())
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))
    }

    // ---- one draft at a time

    /// Makes `draft` the one that `who` works on, for five minutes from now;
    /// any other they had is free again. Where another person works on it, it
    /// stays theirs and their name is given back.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn lease(&self, draft: i64, who: &str) -> Result<Option<String>> {
        let mut tx = self.begin().await?;
        let other: Option<String> =
            sqlx::query_scalar("SELECT who FROM lease WHERE draft = ? AND who <> ? AND until > ?")
                .bind(draft)
                .bind(who)
                .bind(seconds())
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        if other.is_some() {
            return Ok(other);
        }
        sqlx::query("INSERT OR REPLACE INTO lease (draft, who, until) VALUES (?, ?, ?)")
            .bind(draft)
            .bind(who)
            .bind(seconds() + LEASE)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(None)
    }

    /// Who else works on `draft` now.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn leased(&self, draft: i64, but: &str) -> Result<Option<String>> {
        sqlx::query_scalar("SELECT who FROM lease WHERE draft = ? AND who <> ? AND until > ?")
            .bind(draft)
            .bind(but)
            .bind(seconds())
            .fetch_optional(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    // ---- second readings

    /// A settled draft to be read a second time by `who`: of a random sample of
    /// `percent` of all, settled by another and not yet read twice. Whether a
    /// draft is in the sample depends on its record's identifier alone, so
    /// nobody can tell beforehand and the sample stays the same.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn second_wanted(&self, who: &str, percent: u8) -> Result<Option<i64>> {
        let mut after = 0_i64;
        loop {
            let rows: Vec<(i64, i64, String)> = sqlx::query_as(
                "SELECT lot.id, draft, uuid FROM lot WHERE standing = 1 AND draft IS NOT NULL
                 AND settled_by <> ? AND id > ?
                 AND NOT EXISTS (SELECT 1 FROM second_reading AS s WHERE s.draft = lot.draft)
                 ORDER BY id LIMIT 500",
            )
            .bind(who)
            .bind(after)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
            let Some(last) = rows.last().map(|r| r.0) else { return Ok(None) };
            let sampled =
                |uuid: &str| blake3::hash(uuid.as_bytes()).as_bytes()[0] as u16 * 100 / 256 < percent.into();
            if let Some(row) = rows.iter().find(|r| sampled(&r.2)) {
                return Ok(Some(row.1));
            }
            after = last;
        }
    }

    /// Keeps a second reading: `values` by term, empty ones where the reader
    /// found nothing.
    ///
    /// # Errors
    /// When the draft is not settled, was settled by the same person, or was
    /// read twice already.
    pub async fn read_again(&self, draft: i64, who: &str, values: &[(String, String)]) -> Result<()> {
        let mut tx = self.begin().await?;
        let by: Option<String> =
            sqlx::query_scalar("SELECT settled_by FROM lot WHERE draft = ? AND standing = 1")
                .bind(draft)
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let subject = format!("draft {draft}");
        match by {
            None => {
                return Err(Trouble::new(subject, "is not settled: there is no first reading")
                    .hint("settle it first, or go on with the next one"));
            }
            Some(by) if by == who => {
                return Err(Trouble::new(subject, "was settled by you").hint("another person reads it again"));
            }
            Some(_) => {}
        }
        let values: BTreeMap<&str, &str> = values.iter().map(|v| (v.0.as_str(), v.1.trim())).collect();
        let given = serde_json::to_string(&values)
            .map_err(|e| Trouble::new(&subject, "could not be written down").cause(e))?;
        let done = sqlx::query(
            "INSERT INTO second_reading (draft, who, at, given) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
        )
        .bind(draft)
        .bind(who)
        .bind(now())
        .bind(given)
        .execute(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        if done.rows_affected() == 0 {
            return Err(Trouble::new(subject, "was read twice already").hint("go on with the next one"));
        }
        tx.commit().await.map_err(|e| self.trouble(e))
    }

    /// How well first and second readings agree, by field; the field most often
    /// read twice comes first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn agreement(&self) -> Result<Vec<Agreement>> {
        let rows: Vec<(i64, String)> = sqlx::query_as(
            "SELECT lot.id, given FROM second_reading CROSS JOIN lot ON lot.draft = second_reading.draft
             WHERE standing = 1",
        )
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut pairs: BTreeMap<String, Vec<(String, String)>> = BTreeMap::new();
        for (lot, given) in rows {
            let second: BTreeMap<String, String> = serde_json::from_str(&given).unwrap_or_default();
            let first: BTreeMap<String, String> =
                sqlx::query_as::<_, (String, String)>("SELECT term, value FROM lot_value WHERE lot = ?")
                    .bind(lot)
                    .fetch_all(&self.read)
                    .await
                    .map_err(|e| self.trouble(e))?
                    .into_iter()
                    .collect();
            // Only what the second reader was asked for can be compared.
            for (term, second) in second {
                let first = first.get(&term).cloned().unwrap_or_default();
                if !first.is_empty() || !second.is_empty() {
                    pairs.entry(term).or_default().push((first, second));
                }
            }
        }
        let mut all: Vec<Agreement> = pairs
            .into_iter()
            .map(|(term, pairs)| {
                let same = pairs.iter().filter(|p| p.0 == p.1).count() as f64 / pairs.len() as f64;
                Agreement { term, records: pairs.len(), same, kappa: kappa(&pairs) }
            })
            .collect();
        all.sort_by(|a, b| b.records.cmp(&a.records).then(a.term.cmp(&b.term)));
        Ok(all)
    }
}

/// Cohen's kappa of pairs of nominal readings: agreement beyond chance, where
/// chance is what the two readers' own frequencies give (Cohen 1960, "A
/// coefficient of agreement for nominal scales", Educational and Psychological
/// Measurement 20: 37-46). `None` without pairs or where chance agreement is
/// certain.
pub fn kappa(pairs: &[(String, String)]) -> Option<f64> {
    let n = pairs.len() as f64;
    let mut counts: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
    for (first, second) in pairs {
        counts.entry(first).or_default().0 += 1.0;
        counts.entry(second).or_default().1 += 1.0;
    }
    let observed = pairs.iter().filter(|p| p.0 == p.1).count() as f64 / n;
    let chance: f64 = counts.values().map(|c| (c.0 / n) * (c.1 / n)).sum();
    (!pairs.is_empty() && chance < 1.0).then(|| (observed - chance) / (1.0 - chance))
}
