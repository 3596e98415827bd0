//! The queue's tables. The same SQL runs on PostgreSQL and SQLite, but for the
//! clock, which is the database's own, and for taking: PostgreSQL passes over
//! rows another worker has locked (`FOR UPDATE SKIP LOCKED`), SQLite has one
//! writer at a time.

use crate::trouble::{Result, Trouble};
use sqlx::any::AnyPoolOptions;
use sqlx::{AnyPool, Row};
use std::time::Duration;

/// The version of the tables.
const VERSION: i64 = 1;

/// How many workers may fail to bring a photograph back.
const TRIES: i64 = 3;

const TABLES: [&str; 4] = [
    "CREATE TABLE IF NOT EXISTS backlog_version (version BIGINT NOT NULL PRIMARY KEY)",
    "CREATE TABLE IF NOT EXISTS backlog_photographs (
        hash TEXT NOT NULL PRIMARY KEY,
        name TEXT NOT NULL,
        sent BIGINT NOT NULL,
        state TEXT NOT NULL,
        worker TEXT NOT NULL,
        until_when BIGINT NOT NULL,
        tries BIGINT NOT NULL,
        problem TEXT NOT NULL)",
    "CREATE TABLE IF NOT EXISTS backlog_readings (
        hash TEXT NOT NULL REFERENCES backlog_photographs (hash),
        place BIGINT NOT NULL,
        reading TEXT NOT NULL,
        likeness TEXT NOT NULL,
        PRIMARY KEY (hash, place))",
    "CREATE INDEX IF NOT EXISTS backlog_waiting ON backlog_photographs (state, sent, name, hash)",
];

/// What is the case with a photograph of the queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Not read yet.
    Waiting,
    /// With a worker.
    Taken,
    /// Read, not fetched.
    Read,
    /// In a collection folder.
    Fetched,
    /// Cannot be read.
    Failed,
}

impl State {
    fn word(self) -> &'static str {
        match self {
            State::Waiting => "waiting",
            State::Taken => "taken",
            State::Read => "read",
            State::Fetched => "fetched",
            State::Failed => "failed",
        }
    }

    fn of(word: &str) -> State {
        match word {
            "waiting" => State::Waiting,
            "taken" => State::Taken,
            "read" => State::Read,
            "fetched" => State::Fetched,
            _ => State::Failed,
        }
    }
}

/// A photograph that a worker took.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Taken {
    /// BLAKE3 hash of its bytes.
    pub hash: String,
    /// The file's name.
    pub name: String,
}

/// What was read on one page of a photograph's file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Read {
    /// The reading, as JSON.
    pub reading: String,
    /// The picture's likeness hash, in hex.
    pub likeness: String,
}

/// A photograph that was read and waits to be fetched, or one that failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Waiting {
    /// BLAKE3 hash of its bytes.
    pub hash: String,
    /// The file's name.
    pub name: String,
    /// What went wrong in it, or in one of its pages; empty where nothing.
    pub problem: String,
}

/// How many photographs are in which state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[allow(missing_docs, reason = "named as `State` names them")]
pub struct Counts {
    pub waiting: i64,
    pub taken: i64,
    pub read: i64,
    pub fetched: i64,
    pub failed: i64,
}

/// The queue.
pub struct Queue {
    /// The address without a passphrase.
    name: String,
    pool: AnyPool,
    postgres: bool,
}

/// Whole seconds, as the tables have them.
fn seconds(lease: Duration) -> i64 {
    i64::try_from(lease.as_secs()).unwrap_or(i64::MAX / 2)
}

impl Queue {
    pub(super) async fn open(address: &str) -> Result<Queue> {
        sqlx::any::install_default_drivers();
        let postgres = address.starts_with("postgres://") || address.starts_with("postgresql://");
        let mut name = address.to_owned();
        if let Ok(mut url) = url::Url::parse(address)
            && url.password().is_some()
        {
            let _ = url.set_password(None);
            name = url.to_string();
        }
        let hint = "give postgres://USER@HOST/DATABASE or sqlite:FILE, and see whether the server runs";
        if !postgres && !address.starts_with("sqlite:") {
            return Err(Trouble::new(name, "is no address of a queue").hint(hint));
        }
        let separator = if address.contains('?') { '&' } else { '?' };
        let address = if postgres { address.to_owned() } else { format!("{address}{separator}mode=rwc") };
        let pool = AnyPoolOptions::new()
            .max_connections(if postgres { 8 } else { 1 })
            .acquire_timeout(Duration::from_secs(20))
            .connect(&address)
            .await
            .map_err(|e| Trouble::new(&name, "cannot be opened as a queue").cause(e).hint(hint))?;
        let queue = Queue { name, pool, postgres };
        queue.prepare().await?;
        Ok(queue)
    }

    fn failed(&self, e: sqlx::Error) -> Trouble {
        Trouble::new(&self.name, "the queue could not be worked on")
            .cause(e)
            .hint("see whether the database can be reached, then do the same again; nothing is lost")
    }

    async fn prepare(&self) -> Result<()> {
        let failed = |e| self.failed(e);
        if !self.postgres {
            // Several programs at once: wait for a writer, and let readers be.
            for pragma in ["PRAGMA busy_timeout = 20000", "PRAGMA journal_mode = WAL"] {
                sqlx::query(pragma).execute(&self.pool).await.map_err(failed)?;
            }
        }
        let first = "INSERT INTO backlog_version (version)
             SELECT $1 WHERE NOT EXISTS (SELECT 1 FROM backlog_version) ON CONFLICT (version) DO NOTHING";
        let find = "SELECT version FROM backlog_version";
        let version: i64 = if self.postgres {
            // Two that make the tables at once would stumble over one another.
            let mut all = self.pool.begin().await.map_err(failed)?;
            sqlx::query("SELECT pg_advisory_xact_lock(1198285171)")
                .execute(&mut *all)
                .await
                .map_err(failed)?;
            for table in TABLES {
                sqlx::query(table).execute(&mut *all).await.map_err(failed)?;
            }
            sqlx::query(first).bind(VERSION).execute(&mut *all).await.map_err(failed)?;
            let version = sqlx::query_scalar(find).fetch_one(&mut *all).await.map_err(failed)?;
            all.commit().await.map_err(failed)?;
            version
        } else {
            // One by one: SQLite does not wait for the lock of a transaction
            // that has read before it writes.
            for table in TABLES {
                sqlx::query(table).execute(&self.pool).await.map_err(failed)?;
            }
            sqlx::query(first).bind(VERSION).execute(&self.pool).await.map_err(failed)?;
            sqlx::query_scalar(find).fetch_one(&self.pool).await.map_err(failed)?
        };
        if version != VERSION {
            return Err(Trouble::new(&self.name, format!("is a queue of another version ({version})"))
                .hint("use the version of this program that made it"));
        }
        Ok(())
    }

    /// The database's clock, in seconds.
    fn now(&self) -> &'static str {
        if self.postgres {
            "CAST(EXTRACT(EPOCH FROM now()) AS BIGINT)"
        } else {
            "CAST(strftime('%s', 'now') AS INTEGER)"
        }
    }

    /// What is the case with a photograph; `None` where it was never sent.
    ///
    /// # Errors
    /// The database's own.
    pub async fn state(&self, hash: &str) -> Result<Option<State>> {
        let row = sqlx::query("SELECT state FROM backlog_photographs WHERE hash = $1").bind(hash);
        let row = row.fetch_optional(&self.pool).await.map_err(|e| self.failed(e))?;
        Ok(row.map(|row| State::of(row.get(0))))
    }

    pub(super) async fn send(&self, hash: &str, name: &str) -> Result<bool> {
        let sql = format!(
            "INSERT INTO backlog_photographs (hash, name, sent, state, worker, until_when, tries, problem)
             VALUES ($1, $2, {}, 'waiting', '', 0, 0, '') ON CONFLICT (hash) DO NOTHING",
            self.now()
        );
        let done = sqlx::query(&sql).bind(hash).bind(name).execute(&self.pool).await;
        done.map(|d| d.rows_affected() == 1).map_err(|e| self.failed(e))
    }

    /// Takes the photograph that waits longest, for `lease`; a lease that ran out
    /// counts as waiting. A photograph that several workers did not bring back
    /// becomes a failed one.
    ///
    /// # Errors
    /// The database's own.
    pub async fn take(&self, worker: &str, lease: Duration) -> Result<Option<Taken>> {
        let now = self.now();
        let given_up = format!(
            "UPDATE backlog_photographs SET state = 'failed', problem = $1
             WHERE state = 'taken' AND until_when < {now} AND tries >= {TRIES}"
        );
        let why = format!("{TRIES} workers took it and none brought it back");
        sqlx::query(&given_up).bind(why).execute(&self.pool).await.map_err(|e| self.failed(e))?;
        let sql = format!(
            "UPDATE backlog_photographs
             SET state = 'taken', worker = $1, until_when = {now} + $2, tries = tries + 1
             WHERE hash = (
                 SELECT hash FROM backlog_photographs
                 WHERE state = 'waiting' OR (state = 'taken' AND until_when < {now})
                 ORDER BY sent, name, hash LIMIT 1 {})
             RETURNING hash, name",
            if self.postgres { "FOR UPDATE SKIP LOCKED" } else { "" }
        );
        let row = sqlx::query(&sql)
            .bind(worker)
            .bind(seconds(lease))
            .fetch_optional(&self.pool)
            .await
            .map_err(|e| self.failed(e))?;
        Ok(row.map(|row| Taken { hash: row.get(0), name: row.get(1) }))
    }

    /// Prolongs a lease; says whether the photograph is still this worker's.
    ///
    /// # Errors
    /// The database's own.
    pub async fn prolong(&self, worker: &str, hash: &str, lease: Duration) -> Result<bool> {
        let sql = format!(
            "UPDATE backlog_photographs SET until_when = {} + $3
             WHERE hash = $1 AND worker = $2 AND state = 'taken'",
            self.now()
        );
        let done = sqlx::query(&sql).bind(hash).bind(worker).bind(seconds(lease)).execute(&self.pool).await;
        done.map(|d| d.rows_affected() == 1).map_err(|e| self.failed(e))
    }

    /// Brings a photograph back with what was read on each of its pages, and what
    /// went wrong on some. Says whether it was still this worker's; if not,
    /// nothing is written.
    ///
    /// # Errors
    /// The database's own.
    pub async fn bring(&self, worker: &str, hash: &str, pages: &[Read], problem: &str) -> Result<bool> {
        let failed = |e| self.failed(e);
        let state = if pages.is_empty() { State::Failed } else { State::Read };
        let mut all = self.pool.begin().await.map_err(failed)?;
        let done = sqlx::query(
            "UPDATE backlog_photographs SET state = $3, problem = $4, until_when = 0
             WHERE hash = $1 AND worker = $2 AND state = 'taken'",
        )
        .bind(hash)
        .bind(worker)
        .bind(state.word())
        .bind(problem)
        .execute(&mut *all)
        .await
        .map_err(failed)?;
        if done.rows_affected() != 1 {
            return Ok(false);
        }
        for (page, place) in pages.iter().zip(0_i64..) {
            sqlx::query(
                "INSERT INTO backlog_readings (hash, place, reading, likeness) VALUES ($1, $2, $3, $4)",
            )
            .bind(hash)
            .bind(place)
            .bind(&page.reading)
            .bind(&page.likeness)
            .execute(&mut *all)
            .await
            .map_err(failed)?;
        }
        all.commit().await.map_err(failed)?;
        Ok(true)
    }

    /// Gives a photograph back unread, as if it had not been taken.
    ///
    /// # Errors
    /// The database's own.
    pub async fn give_back(&self, worker: &str, hash: &str) -> Result<()> {
        sqlx::query(
            "UPDATE backlog_photographs SET state = 'waiting', worker = '', until_when = 0, tries = tries - 1
             WHERE hash = $1 AND worker = $2 AND state = 'taken'",
        )
        .bind(hash)
        .bind(worker)
        .execute(&self.pool)
        .await
        .map(|_| ())
        .map_err(|e| self.failed(e))
    }

    /// Photographs in a state, the longest sent first.
    ///
    /// # Errors
    /// The database's own.
    pub async fn list(&self, state: State) -> Result<Vec<Waiting>> {
        let rows = sqlx::query(
            "SELECT hash, name, problem FROM backlog_photographs WHERE state = $1 ORDER BY sent, name, hash",
        )
        .bind(state.word())
        .fetch_all(&self.pool)
        .await
        .map_err(|e| self.failed(e))?;
        let waiting = |r: &sqlx::any::AnyRow| Waiting { hash: r.get(0), name: r.get(1), problem: r.get(2) };
        Ok(rows.iter().map(waiting).collect())
    }

    /// What was read on the pages of a photograph, in order.
    ///
    /// # Errors
    /// The database's own.
    pub async fn pages(&self, hash: &str) -> Result<Vec<Read>> {
        let rows =
            sqlx::query("SELECT reading, likeness FROM backlog_readings WHERE hash = $1 ORDER BY place")
                .bind(hash)
                .fetch_all(&self.pool)
                .await
                .map_err(|e| self.failed(e))?;
        Ok(rows.iter().map(|r| Read { reading: r.get(0), likeness: r.get(1) }).collect())
    }

    /// Notes that a photograph is in a collection folder.
    ///
    /// # Errors
    /// The database's own.
    pub async fn fetched(&self, hash: &str) -> Result<()> {
        sqlx::query("UPDATE backlog_photographs SET state = 'fetched' WHERE hash = $1 AND state = 'read'")
            .bind(hash)
            .execute(&self.pool)
            .await
            .map(|_| ())
            .map_err(|e| self.failed(e))
    }

    /// Lets failed photographs wait again; gives how many.
    ///
    /// # Errors
    /// The database's own.
    pub async fn retry(&self) -> Result<u64> {
        self.again("").await
    }

    /// Lets a failed photograph wait again; with an empty `hash` all of them.
    pub(super) async fn again(&self, hash: &str) -> Result<u64> {
        let done = sqlx::query(
            "UPDATE backlog_photographs SET state = 'waiting', worker = '', tries = 0, problem = ''
             WHERE state = 'failed' AND (hash = $1 OR $1 = '')",
        )
        .bind(hash)
        .execute(&self.pool)
        .await;
        done.map(|d| d.rows_affected()).map_err(|e| self.failed(e))
    }

    /// How many photographs are in which state; leases that ran out count as
    /// taken.
    ///
    /// # Errors
    /// The database's own.
    pub async fn counts(&self) -> Result<Counts> {
        let rows = sqlx::query("SELECT state, COUNT(*) FROM backlog_photographs GROUP BY state")
            .fetch_all(&self.pool)
            .await
            .map_err(|e| self.failed(e))?;
        let mut counts = Counts::default();
        for row in rows {
            let (state, count): (String, i64) = (row.get(0), row.get(1));
            *match State::of(&state) {
                State::Waiting => &mut counts.waiting,
                State::Taken => &mut counts.taken,
                State::Read => &mut counts.read,
                State::Fetched => &mut counts.fetched,
                State::Failed => &mut counts.failed,
            } = count;
        }
        Ok(counts)
    }
}
