//! The database's door: one connection that writes, several that read, and a
//! handle for callers without an asynchronous runtime of their own.

use super::drafts::{Entered, KeptPhoto, NearPhoto};
use super::folder::Folder;
use super::records::RecordReader;
use super::safety::{BackedUp, Checked};
use super::{Change, Draft, DraftHead, Queue, QueueCounts, Record, RecordHead, Undone};
use crate::checking::Doubt;
use crate::intake::{Likeness, PhotoFacts};
use crate::parsing::Parsed;
use crate::reading::Reading;
use crate::trouble::{Result, Trouble};
use sqlx::SqlitePool;
use sqlx::migrate::{MigrateError, Migrator};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::Duration;

static MIGRATIONS: Migrator = sqlx::migrate!("src/catalogue/migrations");

/// "Glas" in ASCII, kept in the database's header: says whose file it is.
const APPLICATION_ID: i32 = 1_198_285_171;

/// How long a write waits for another program's before it gives up.
pub(super) const PATIENCE: Duration = Duration::from_secs(20);

/// After how long a person is told what keeps them waiting while an older
/// catalogue is brought up to this version.
const SILENCE: Duration = Duration::from_secs(2);

/// A collection folder's catalogue, for asynchronous callers.
///
/// SQLite takes one writer at a time; inside the program writers queue for one
/// connection, between programs they wait for 20 seconds. Readers never wait.
#[derive(Debug)]
pub struct Store {
    folder: Folder,
    pub(super) write: SqlitePool,
    pub(super) read: SqlitePool,
    pub(super) records: Arc<RecordReader>,
    /// Likeness hashes of all photographs by number: filled when first asked
    /// for, then only added to.
    pub(super) looks: Mutex<Vec<(i64, Likeness)>>,
    /// Whether left-over files were looked for since the program started.
    pub(super) swept: std::sync::Once,
}

impl Store {
    /// Makes a collection folder at `path` and opens it.
    pub(super) async fn create(path: &Path) -> Result<Store> {
        let folder = Folder::make(path)?;
        Store::connect(folder, true).await
    }

    /// Opens the collection folder at `path`, bringing an older catalogue up
    /// to this program's version.
    pub(super) async fn open(path: &Path) -> Result<Store> {
        let folder = Folder::at(path)?;
        Store::connect(folder, false).await
    }

    async fn connect(folder: Folder, new: bool) -> Result<Store> {
        let database = folder.database();
        let options = store_options(&database)
            .create_if_missing(new)
            .journal_mode(SqliteJournalMode::Wal)
            // A settled record must outlast a power cut, so every commit is
            // synced; it costs a few milliseconds, a person's deed seconds.
            .synchronous(SqliteSynchronous::Full)
            .optimize_on_close(true, None);
        let failed = |e| failed(&database, "cannot be opened", e);
        let write = SqlitePoolOptions::new()
            .max_connections(1)
            .connect_with(options.clone().pragma("temp_store", "memory"))
            .await
            .map_err(failed)?;
        if !new {
            let id: i32 =
                sqlx::query_scalar("PRAGMA application_id").fetch_one(&write).await.map_err(failed)?;
            if id != APPLICATION_ID {
                return Err(Trouble::file(&database, "is not a catalogue of this program")
                    .hint("name another folder, or make one with: glassine new FOLDER"));
            }
        }
        bring_up(&write).await.map_err(|e| match e {
            MigrateError::VersionMissing(version) => Trouble::file(
                &database,
                format!("was written by a newer version of this program (catalogue version {version})"),
            )
            .hint("use that version or a later one; nothing was changed"),
            MigrateError::Execute(e) | MigrateError::ExecuteMigration(e, _) => {
                self::failed(&database, "cannot be brought up to this version", e)
            }
            other => Trouble::file(&database, "cannot be brought up to this version")
                .cause(other)
                .hint("go back to your last backup, and keep this folder aside for a look"),
        })?;
        if new {
            sqlx::query("INSERT INTO folder (key, value) VALUES ('id', ?), ('made', ?), ('made_by', ?)")
                .bind(uuid::Uuid::now_v7().to_string())
                .bind(now())
                .bind(concat!("glassine ", env!("CARGO_PKG_VERSION")))
                .execute(&write)
                .await
                .map_err(failed)?;
        }
        // What they sort goes into files for a while where it is much: in memory, lists
        // of 100,000 drafts took half as much again, and were no faster.
        let read = SqlitePoolOptions::new()
            .max_connections(4)
            .connect_with(options.pragma("query_only", "on"))
            .await
            .map_err(failed)?;
        let records = Arc::new(RecordReader::new(folder.clone()));
        Ok(Store { folder, write, read, records, looks: Mutex::default(), swept: std::sync::Once::new() })
    }

    /// The collection folder.
    pub fn folder(&self) -> &Folder {
        &self.folder
    }

    /// Begins a transaction that writes. It takes the write lock at once: one
    /// that first reads and then writes could fail halfway when another
    /// program wrote in between.
    pub(super) async fn begin(&self) -> Result<sqlx::Transaction<'static, sqlx::Sqlite>> {
        self.write.begin_with("BEGIN IMMEDIATE").await.map_err(|e| self.trouble(e))
    }

    /// What a database error means for the person.
    pub(super) fn trouble(&self, error: sqlx::Error) -> Trouble {
        failed(&self.folder.database(), "could not be used", error)
    }

    async fn close(&self) {
        self.records.close();
        self.read.close().await;
        self.write.close().await;
    }
}

/// Brings the tables up to this version. Each migration is a transaction of its
/// own: one that is cut short leaves the catalogue as it was before it.
async fn bring_up(write: &SqlitePool) -> std::result::Result<(), MigrateError> {
    let mut bringing = std::pin::pin!(async {
        mend_first(write).await?;
        MIGRATIONS.run(write).await
    });
    if let Ok(done) = tokio::time::timeout(SILENCE, &mut bringing).await {
        return done;
    }
    eprintln!(
        "Bringing the catalogue up to this version: once, minutes for a large one. It can be stopped; the next \
         command goes on with it."
    );
    let done = bringing.await;
    if done.is_ok() {
        eprintln!("The catalogue is up to this version.");
    }
    done
}

/// Catalogues of the first hours (2026-11-25) have the first migration as it was
/// then: its column for likeness hashes held numbers, which would make other
/// hashes of today's digits. They get today's column, empty; likeness is only a
/// hint.
async fn mend_first(write: &SqlitePool) -> std::result::Result<(), sqlx::Error> {
    let is_theirs =
        "SELECT count(*) FROM pragma_table_info('photo') WHERE name = 'look' AND type = 'INTEGER'";
    if sqlx::query_scalar::<_, i64>(is_theirs).fetch_one(write).await? == 0 {
        return Ok(());
    }
    let mut tx = write.begin_with("BEGIN IMMEDIATE").await?;
    // Asked again: another program may have been first.
    if sqlx::query_scalar::<_, i64>(is_theirs).fetch_one(&mut *tx).await? == 1 {
        for column in ["ALTER TABLE photo DROP COLUMN look", "ALTER TABLE photo ADD COLUMN look TEXT"] {
            sqlx::query(column).execute(&mut *tx).await?;
        }
        if let Some(first) = MIGRATIONS.iter().next() {
            sqlx::query("UPDATE _sqlx_migrations SET checksum = ? WHERE version = ?")
                .bind(first.checksum.as_ref())
                .bind(first.version)
                .execute(&mut *tx)
                .await?;
        }
    }
    tx.commit().await
}

/// How every connection is made.
pub(super) fn store_options(database: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new().filename(database).foreign_keys(true).busy_timeout(PATIENCE)
}

/// An error of the asynchronous driver with the next step by its kind.
fn failed(path: &Path, fact: &str, error: sqlx::Error) -> Trouble {
    let code = error.as_database_error().and_then(|e| e.code()?.parse().ok());
    trouble(path, fact, code, error)
}

/// A database error with the next step by its kind, which SQLite's result code
/// says, where there is one.
pub(super) fn trouble(
    path: &Path,
    fact: &str,
    code: Option<u32>,
    error: impl std::error::Error + Send + Sync + 'static,
) -> Trouble {
    // Primary result codes, https://www.sqlite.org/rescode.html
    let (fact, hint) = match code.map(|c| c & 0xff) {
        Some(5 | 6) => (
            "is being written by another program",
            "wait until it is done, then run the same command again; nothing was changed",
        ),
        Some(8) => (
            "is read-only",
            "check the permissions of the folder, or work on a copy that can be written; nothing was changed",
        ),
        Some(10) => {
            ("the disk did not do what it was asked", "check the disk; nothing settled before is lost")
        }
        Some(11) => ("is damaged", "go back to your last backup, and keep this folder aside for a look"),
        Some(13) => {
            ("the disk is full", "free some space and do the same again; nothing settled before is lost")
        }
        Some(14) => (
            "cannot be opened",
            "check that the folder can be read and written: SQLite keeps two more files beside catalogue.db",
        ),
        Some(26) => ("is not a database", "name another folder, or go back to your last backup"),
        _ => (fact, ""),
    };
    Trouble::file(path, fact).cause(error).hint(hint)
}

/// Now, in UTC, to the millisecond, by RFC 3339.
pub(super) fn now() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Millisecond).unwrap_or(now).to_string()
}

/// A collection folder's catalogue, for callers without a runtime: every method
/// waits until it is done. Cheap to clone and usable from several threads, but
/// not from inside asynchronous code (use [`Catalogue::store`] there).
#[derive(Clone, Debug)]
pub struct Catalogue {
    inner: Arc<Inner>,
}

#[derive(Debug)]
struct Inner {
    store: Arc<Store>,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Drop for Inner {
    fn drop(&mut self) {
        // A runtime must not be dropped where it would block another one, and
        // the last writes of the log belong into the database proper.
        if let Some(runtime) = self.runtime.take() {
            if tokio::runtime::Handle::try_current().is_err() {
                runtime.block_on(self.store.close());
            }
            runtime.shutdown_background();
        }
    }
}

impl Catalogue {
    /// Makes a collection folder at `path`, which must not exist or be empty.
    ///
    /// # Errors
    /// Says what stands at `path`, or what kept the folder from being made.
    pub fn create(path: &Path) -> Result<Catalogue> {
        let runtime = runtime()?;
        let store = runtime.block_on(Store::create(path))?;
        Ok(Catalogue { inner: Arc::new(Inner { store: Arc::new(store), runtime: Some(runtime) }) })
    }

    /// Opens the collection folder at `path`.
    ///
    /// # Errors
    /// Says what `path` is instead, or that its catalogue is read-only,
    /// damaged, or of a newer program.
    pub fn open(path: &Path) -> Result<Catalogue> {
        let runtime = runtime()?;
        let store = runtime.block_on(Store::open(path))?;
        Ok(Catalogue { inner: Arc::new(Inner { store: Arc::new(store), runtime: Some(runtime) }) })
    }

    /// The collection folder and the places in it.
    pub fn folder(&self) -> &Folder {
        self.inner.store.folder()
    }

    /// The same catalogue for asynchronous code run by [`Catalogue::wait`].
    pub fn store(&self) -> Arc<Store> {
        self.inner.store.clone()
    }

    /// Runs `future` to its end on the catalogue's own runtime.
    ///
    /// # Panics
    /// Never outside asynchronous code: the runtime lives as long as the handle.
    pub fn wait<F: Future>(&self, future: F) -> F::Output {
        self.inner.runtime.as_ref().expect("the runtime lives as long as the handle").block_on(future)
    }

    /// The draft of the photograph with BLAKE3 hash `hash` (page `page` of a
    /// PDF), where there is one. `None` also for a photograph whose intake was
    /// cut short: it is to be read again.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn has_photo(&self, hash: &str, page: Option<u32>) -> Result<Option<i64>> {
        self.wait(self.inner.store.has_photo(hash, page))
    }

    /// Photographs that look like one with the likeness hash `look`: at most
    /// `within` bits differ. Those with BLAKE3 hash `but` are
    /// left out: they are the photograph itself. The nearest comes first.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn near_duplicates(&self, look: &Likeness, within: u32, but: &str) -> Result<Vec<NearPhoto>> {
        self.wait(self.inner.store.near_duplicates(look, within, but))
    }

    /// Keeps the original `bytes` of a photograph in the folder and notes its
    /// facts; `ext` is the file's extension, `look` its likeness hash where
    /// there is one. A photograph kept before is left as it is.
    ///
    /// # Errors
    /// When the bytes do not have the hash of `facts`, or cannot be written.
    pub fn keep_photo(
        &self,
        bytes: &[u8],
        ext: &str,
        facts: &PhotoFacts,
        look: Option<&Likeness>,
    ) -> Result<KeptPhoto> {
        self.wait(self.inner.store.keep_photo(bytes, ext, facts, look))
    }

    /// Enters what was read, understood and doubted as one waiting draft, in
    /// one transaction. The same photograph again gives the draft it has and
    /// changes nothing. A reading without a photograph's hash (typed in) makes
    /// a draft without a photograph.
    ///
    /// # Errors
    /// When the photograph was not kept before, or the database refuses.
    pub fn enter_draft(&self, reading: &Reading, parsed: &Parsed, doubts: &[Doubt]) -> Result<Entered> {
        self.wait(self.inner.store.enter_draft(reading, parsed, doubts))
    }

    /// Drafts without a photograph whose text is `text`, letter by letter: their
    /// numbers and names, the first entered first.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn typed_alike(&self, text: &str) -> Result<Vec<(i64, String)>> {
        self.wait(self.inner.store.typed_alike(text))
    }

    /// The drafts that `queue` asks for, at most `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn drafts(&self, queue: &Queue, limit: u32) -> Result<Vec<DraftHead>> {
        self.wait(self.inner.store.drafts(queue, None, limit))
    }

    /// One draft with everything about it.
    ///
    /// # Errors
    /// When there is no such draft.
    pub fn draft(&self, id: i64) -> Result<Draft> {
        self.wait(self.inner.store.draft(id))
    }

    /// How many drafts stand in each state.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn counts(&self) -> Result<QueueCounts> {
        self.wait(self.inner.store.counts())
    }

    /// Changes values of a draft, or of its record where it is settled.
    ///
    /// # Errors
    /// When there is no such draft, or `seen` (the last deed the person saw) is
    /// not its last.
    pub fn change(&self, draft: i64, who: &str, changes: &[Change], seen: Option<i64>) -> Result<i64> {
        self.wait(self.inner.store.change(draft, who, changes, seen))
    }

    /// Settles a draft: `changes` first, then its record with every value, all
    /// in one transaction. Gives the lot.
    ///
    /// # Errors
    /// When it is settled already, or `seen` is not its last deed.
    pub fn settle(&self, draft: i64, who: &str, changes: &[Change], seen: Option<i64>) -> Result<i64> {
        self.wait(self.inner.store.settle(draft, who, changes, seen))
    }

    /// Sets a draft aside, with the reason.
    ///
    /// # Errors
    /// When it is settled or aside already, or the reason is empty.
    pub fn set_aside(&self, draft: i64, who: &str, why: &str) -> Result<i64> {
        self.wait(self.inner.store.set_aside(draft, who, why))
    }

    /// Puts a draft that was set aside back into the queue.
    ///
    /// # Errors
    /// When it was not set aside.
    pub fn take_back(&self, draft: i64, who: &str) -> Result<i64> {
        self.wait(self.inner.store.take_back(draft, who))
    }

    /// Writes the note of a draft; an empty one removes it (history keeps it).
    ///
    /// # Errors
    /// When there is no such draft.
    pub fn note(&self, draft: i64, who: &str, text: &str) -> Result<i64> {
        self.wait(self.inner.store.note(draft, who, text))
    }

    /// Undoes the last deed of `who` that is not undone yet, whenever it was.
    ///
    /// # Errors
    /// When there is none, or something it changed was changed again since.
    pub fn undo(&self, who: &str) -> Result<Undone> {
        self.wait(self.inner.store.undo(who, None))
    }

    /// Copies the whole collection to folder `to`: a new one, or an earlier
    /// backup of this collection, of which only what is new is copied. The copy
    /// is the collection of one moment even while others work on it; it is a
    /// collection folder itself, with a list of all hashes in `hashes.b3`.
    ///
    /// # Errors
    /// When `to` is something else, cannot be written, or a photograph is
    /// damaged. A backup cut short leaves an earlier one as it was.
    pub fn backup(&self, to: &Path) -> Result<BackedUp> {
        self.wait(self.inner.store.backup(to))
    }

    /// Checks every photograph's hash, every reference between rows, and every
    /// value against its history. `progress` hears of photographs done and all.
    ///
    /// # Errors
    /// Only where the check itself could not be made; what it finds is in
    /// [`Checked::troubles`].
    pub fn verify(&self, progress: impl FnMut(u64, u64)) -> Result<Checked> {
        self.wait(self.inner.store.verify(progress))
    }

    /// Settled records in the order they were made, after record `after`.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn list(&self, after: i64, limit: u32) -> Result<Vec<RecordHead>> {
        self.wait(self.inner.store.list(after, limit))
    }

    /// Settled records in which every word of `query` stands; where there is
    /// none, in which the last word begins so; where there is none either, in
    /// which words stand that are spelt nearly so. Newest first, at most
    /// `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn search(&self, query: &str, limit: u32) -> Result<Vec<RecordHead>> {
        self.wait(self.inner.store.search(query, limit))
    }

    /// One settled record with its values, specimens, names and history.
    ///
    /// # Errors
    /// When there is no such record.
    pub fn record(&self, lot: i64) -> Result<Record> {
        self.wait(self.inner.store.record(lot))
    }

    /// The terms that any settled record has a value for.
    ///
    /// # Errors
    /// Only the database's own.
    pub fn terms(&self) -> Result<Vec<String>> {
        self.wait(self.inner.store.terms())
    }

    /// Every settled record in turn, read in pages: a million of them need no more
    /// memory than some hundreds. What is settled meanwhile does not come.
    pub fn records(&self) -> impl Iterator<Item = Result<Record>> + '_ {
        let (last, failed) = match self.wait(self.inner.store.last_lot()) {
            Ok(last) => (last, None),
            Err(e) => (0, Some(Err(e))),
        };
        failed.into_iter().chain(self.among(1, last))
    }

    /// The records that stand among lots `first` to `last`, in order.
    fn among(&self, first: i64, last: i64) -> impl Iterator<Item = Result<Record>> + '_ {
        let mut begin = first;
        let mut page = Vec::new().into_iter();
        std::iter::from_fn(move || {
            loop {
                if let Some(record) = page.next() {
                    return Some(Ok(record));
                }
                if begin > last {
                    return None;
                }
                let end = (begin + PAGE - 1).min(last);
                let store = &self.inner.store;
                let read = store.records.among((begin, end), true).and_then(|mut records| {
                    self.wait(store.join_events(&mut records))?;
                    Ok(records)
                });
                match read {
                    Ok(records) => (begin, page) = (end + 1, records.into_iter()),
                    Err(e) => {
                        // Nothing after a page that could not be read: the rest would
                        // look like all there is.
                        begin = i64::MAX;
                        return Some(Err(e));
                    }
                }
            }
        })
    }

    /// Every settled record, for writers, on several threads: `make` makes a piece
    /// of each stretch of lots, whose records it is given in order, and `take` gets
    /// the pieces in order on the caller's thread. Few pieces are there at a time:
    /// memory does not grow with the collection. What is settled meanwhile does not
    /// come.
    ///
    /// # Errors
    /// The database's own, and what `make` and `take` give; the first ends it.
    pub fn pieces<T: Send>(
        &self,
        make: impl Fn(&mut dyn Iterator<Item = Result<Record>>) -> Result<T> + Sync,
        mut take: impl FnMut(T) -> Result<()>,
    ) -> Result<()> {
        let last = self.wait(self.inner.store.last_lot())?;
        let begins: Vec<i64> = (1..=last).step_by(STRETCH as usize).collect();
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let threads = cores.min(MOST_THREADS);
        std::thread::scope(|scope| {
            // Each thread makes every so many-th piece, and goes on as soon as the one
            // before waits to be taken.
            let thread = |nth| {
                let (to, from) = std::sync::mpsc::sync_channel(1);
                let (make, begins) = (&make, &begins);
                scope.spawn(move || {
                    for begin in begins.iter().skip(nth).step_by(threads) {
                        let end = (begin + STRETCH - 1).min(last);
                        let made = make(&mut self.among(*begin, end));
                        let failed = made.is_err();
                        if to.send(made).is_err() || failed {
                            break;
                        }
                    }
                });
                from
            };
            let coming: Vec<_> = (0..threads.min(begins.len())).map(thread).collect();
            for nth in 0..begins.len() {
                // Nothing comes where a thread panicked; the scope passes that on.
                let Ok(made) = coming[nth % threads].recv() else { break };
                take(made?)?;
            }
            Ok(())
        })
    }
}

/// Lots that are read at once: few enough for little memory.
const PAGE: i64 = 500;

/// Lots of one piece of [`Catalogue::pieces`].
const STRETCH: i64 = 5_000;

/// Threads of [`Catalogue::pieces`]: each has pieces in memory, and one thread puts
/// all of them in order.
const MOST_THREADS: usize = 4;

fn runtime() -> Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(|e| Trouble::new("the program", "could not start its threads").cause(e))
}
