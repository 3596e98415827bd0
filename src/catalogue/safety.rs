//! Safety of the data: a backup that is whole even while others work, and a
//! check of everything that must hold.

use super::folder::{Folder, write_trouble};
use super::store::{Store, store_options};
use crate::trouble::{Result, Trouble};
use sqlx::{ConnectOptions, Row};
use std::path::{Path, PathBuf};

/// What a backup did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BackedUp {
    /// Photographs copied this time.
    pub copied: u64,
    /// Photographs that the backup held already.
    pub kept: u64,
}

/// What a check looked at, and what it found wrong.
#[derive(Debug, Default)]
pub struct Checked {
    /// Photographs whose bytes were hashed.
    pub photos: u64,
    /// Drafts looked at.
    pub drafts: i64,
    /// Settled records looked at.
    pub records: i64,
    /// Deeds in the history.
    pub deeds: i64,
    /// Files that a crash had left half written, now removed.
    pub swept: u64,
    /// Everything that does not hold, each with the file or row and the next
    /// step. Empty is as it should be.
    pub troubles: Vec<Trouble>,
}

/// The list of a backup's files with their hashes, as `b3sum` writes and
/// checks it.
const MANIFEST: &str = "hashes.b3";

impl Store {
    /// See [`super::Catalogue::backup`].
    pub async fn backup(&self, to: &Path) -> Result<BackedUp> {
        let target = self.backup_target(to).await?;
        let failed = |path: &Path| {
            let path = path.to_owned();
            move |e: std::io::Error| write_trouble(&path, "cannot be written", e)
        };
        for folder in [to.to_owned(), target.photos(), target.config()] {
            std::fs::create_dir_all(&folder).map_err(failed(&folder))?;
        }
        target.sweep();
        let fresh = to.join("catalogue.db.arriving");
        let done = self.copy_to(to, &target, &fresh).await;
        if done.is_err() {
            // Half a copy fills a disk that may be full already. The empty
            // file says that a backup was begun here.
            let _ = std::fs::File::create(&fresh);
        }
        done
    }

    async fn copy_to(&self, to: &Path, target: &Folder, fresh: &Path) -> Result<BackedUp> {
        let failed = |path: &Path| {
            let path = path.to_owned();
            move |e: std::io::Error| write_trouble(&path, "cannot be written", e)
        };
        // The copy of the database is made in one reading transaction: it is
        // the catalogue of one moment, whatever is written meanwhile.
        remove_if_there(fresh).map_err(failed(fresh))?;
        sqlx::query("VACUUM INTO ?")
            .bind(fresh.to_string_lossy().into_owned())
            .execute(&self.write)
            .await
            .map_err(|e| self.trouble(e))?;
        let files: Vec<(String, String)> = {
            let mut copy = store_options(fresh).connect().await.map_err(|e| self.trouble(e))?;
            let files =
                sqlx::query_as("SELECT DISTINCT file, hash FROM photo WHERE gone IS NULL ORDER BY file")
                    .fetch_all(&mut copy)
                    .await
                    .map_err(|e| self.trouble(e))?;
            sqlx::Connection::close(copy).await.map_err(|e| self.trouble(e))?;
            files
        };
        // Photographs first, the catalogue that names them last: a backup cut
        // short still opens, with the catalogue it had before.
        let mut done = BackedUp::default();
        let mut manifest = String::new();
        for (file, hash) in &files {
            let (from, at) = (self.folder().photos().join(file), target.photos().join(file));
            if at.exists() {
                done.kept += 1;
            } else {
                let bytes = std::fs::read(&from).map_err(|e| {
                    Trouble::file(&from, "cannot be read for the backup")
                        .cause(e)
                        .hint("run: glassine verify FOLDER")
                })?;
                if blake3::hash(&bytes).to_hex().as_str() != hash {
                    return Err(Trouble::file(&from, "is damaged: its bytes are not those that came in")
                        .hint("take it from an earlier backup, then back up again"));
                }
                let ext = Path::new(file).extension().unwrap_or_default().to_string_lossy().into_owned();
                target.lay_down(&bytes, hash, &ext)?;
                done.copied += 1;
            }
            manifest.push_str(&format!("{hash}  photos/{file}\n"));
        }
        let tables = walkdir::WalkDir::new(self.folder().config());
        let learned = walkdir::WalkDir::new(self.folder().reader());
        for table in tables.into_iter().chain(learned).filter_map(|e| e.ok()) {
            if !table.file_type().is_file() {
                continue;
            }
            let below = table.path().strip_prefix(self.folder().path()).unwrap_or(table.path());
            let at = to.join(below);
            if let Some(parent) = at.parent() {
                std::fs::create_dir_all(parent).map_err(failed(parent))?;
            }
            let bytes = std::fs::read(table.path())
                .map_err(|e| Trouble::file(table.path(), "cannot be read for the backup").cause(e))?;
            crate::files::write(&at, &bytes).map_err(failed(&at))?;
            manifest.push_str(&format!("{}  {}\n", blake3::hash(&bytes).to_hex(), below.display()));
        }
        let bytes = std::fs::read(fresh).map_err(failed(fresh))?;
        manifest.push_str(&format!("{}  catalogue.db\n", blake3::hash(&bytes).to_hex()));
        std::fs::File::open(fresh).and_then(|f| f.sync_all()).map_err(failed(fresh))?;
        let database = target.database();
        for beside in ["catalogue.db-wal", "catalogue.db-shm"] {
            remove_if_there(&to.join(beside)).map_err(failed(&database))?;
        }
        std::fs::rename(fresh, &database).map_err(failed(&database))?;
        let list = to.join(MANIFEST);
        crate::files::write(&list, manifest.as_bytes()).map_err(failed(&list))?;
        Ok(done)
    }

    /// The folder of a backup: a new or empty one, or an earlier backup of this
    /// very collection.
    async fn backup_target(&self, to: &Path) -> Result<Folder> {
        let own = self.folder().path();
        // A new folder is where the nearest one above it that is there leads.
        let real = |p: &Path| {
            let whole = std::path::absolute(p).unwrap_or_else(|_| p.to_owned());
            let found = whole.ancestors().find_map(|a| Some((a, std::fs::canonicalize(a).ok()?)));
            let Some((there, real)) = found else { return whole };
            whole.strip_prefix(there).map_or_else(|_| real.clone(), |rest| real.join(rest))
        };
        if real(to).starts_with(real(own)) {
            return Err(Trouble::file(to, "is inside the collection folder itself")
                .hint("back up to another disk, or at least another folder"));
        }
        let target = Folder::unchecked(to);
        if !to.exists() || std::fs::read_dir(to).is_ok_and(|mut d| d.next().is_none()) {
            return Ok(target);
        }
        let theirs = match store_options(&target.database()).connect().await {
            Ok(mut conn) => folder_id(&mut conn).await.ok().flatten(),
            Err(_) => None,
        };
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let ours = folder_id(&mut conn).await.map_err(|e| self.trouble(e))?;
        // A first backup that was cut short holds photographs and no catalogue.
        let cut_short = !target.database().exists() && to.join("catalogue.db.arriving").exists();
        if (theirs.is_some() && theirs == ours) || cut_short {
            return Ok(target);
        }
        Err(Trouble::file(to, "exists and is no earlier backup of this collection")
            .hint("name a folder that does not exist yet, or the one you backed up to before"))
    }

    /// See [`super::Catalogue::verify`].
    pub async fn verify(&self, mut progress: impl FnMut(u64, u64)) -> Result<Checked> {
        let mut checked = Checked { swept: self.folder().sweep(), ..Checked::default() };
        let mut found = Vec::new();
        let failed = |e| self.trouble(e);

        let words: Vec<String> =
            sqlx::query_scalar("PRAGMA integrity_check").fetch_all(&self.read).await.map_err(failed)?;
        let backup = "go back to your last backup, and keep this folder aside for a look";
        for word in words.iter().filter(|w| *w != "ok") {
            found.push(
                Trouble::file(&self.folder().database(), "is damaged").cause(word.clone()).hint(backup),
            );
        }
        for row in sqlx::query("PRAGMA foreign_key_check").fetch_all(&self.read).await.map_err(failed)? {
            let (table, id, parent): (String, Option<i64>, String) = (row.get(0), row.get(1), row.get(2));
            let row = format!("row {} of {table}", id.unwrap_or_default());
            found.push(Trouble::new(row, format!("points at a {parent} that is not there")).hint(backup));
        }
        for (query, fact) in CHAINS {
            for row in sqlx::query(query).fetch_all(&self.read).await.map_err(failed)? {
                let (what, id, term): (String, i64, String) = (row.get(0), row.get(1), row.get(2));
                found.push(Trouble::new(format!("{what} {id}, {term}"), *fact).hint(backup));
            }
        }
        let count = |table: &'static str| async move {
            sqlx::query_scalar::<_, i64>(table).fetch_one(&self.read).await.map_err(|e| self.trouble(e))
        };
        checked.drafts = count("SELECT count(*) FROM draft").await?;
        checked.records = count("SELECT count(*) FROM lot WHERE standing = 1").await?;
        checked.deeds = count("SELECT count(*) FROM deed").await?;

        let files: Vec<(String, String, String)> = sqlx::query_as(
            "SELECT file, hash, min(name) FROM photo WHERE gone IS NULL GROUP BY file, hash ORDER BY file",
        )
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        for (file, hash, name) in &files {
            let path: PathBuf = self.folder().photos().join(file);
            let again = "copy it back from a backup, or from the camera: its name came in as ";
            match hash_of(&path) {
                Ok(now) if now == *hash => {}
                Ok(_) => found.push(
                    Trouble::file(&path, "is damaged: its bytes are not those that came in")
                        .hint(format!("{again}{name}")),
                ),
                Err(e) => {
                    found
                        .push(Trouble::file(&path, "cannot be read").cause(e).hint(format!("{again}{name}")));
                }
            }
            checked.photos += 1;
            progress(checked.photos, files.len() as u64);
        }
        checked.troubles = found;
        Ok(checked)
    }
}

/// What must hold between values and their history: each query gives the rows
/// where it does not.
const CHAINS: &[(&str, &str)] = &[
    (
        "SELECT CASE WHEN lot IS NULL THEN 'draft' ELSE 'record' END, coalesce(lot, draft), term FROM
         (SELECT draft, lot, term, was, lag(now) OVER (
              -- a specimen's history goes on in the lot it went into
              PARTITION BY draft, CASE WHEN term LIKE 'specimen % %' THEN NULL ELSE lot END, term ORDER BY id)
              AS before
          FROM change) WHERE before IS NOT NULL AND before <> was",
        "has a gap in its history",
    ),
    (
        "SELECT 'draft', v.draft, v.term FROM draft_value AS v JOIN
         (SELECT draft, term, now, max(id) FROM change WHERE draft IS NOT NULL AND lot IS NULL
          GROUP BY draft, term) AS c ON c.draft = v.draft AND c.term = v.term WHERE c.now <> v.value",
        "has a value that its history does not know",
    ),
    (
        "SELECT 'draft', v.draft, v.term FROM draft_value AS v JOIN draft ON draft.id = v.draft
         JOIN json_each(draft.parsed, '$.fields') AS f ON json_extract(f.value, '$.term') = v.term
         WHERE json_extract(f.value, '$.value') <> v.value AND NOT EXISTS
         (SELECT 1 FROM change WHERE change.draft = v.draft AND change.term = v.term)",
        "has a value that was neither read nor given by a person",
    ),
    (
        "SELECT 'record', v.lot, v.term FROM lot_value AS v LEFT JOIN
         (SELECT lot, term, now, max(id) FROM change WHERE lot IS NOT NULL GROUP BY lot, term) AS c
         ON c.lot = v.lot AND c.term = v.term WHERE coalesce(c.now, '') <> v.value",
        "has a value that its history does not know",
    ),
    (
        "SELECT 'draft', draft.id, 'state' FROM draft LEFT JOIN
         (SELECT draft, now, max(id) FROM change WHERE term = 'state' AND lot IS NULL GROUP BY draft) AS c
         ON c.draft = draft.id WHERE coalesce(c.now, 'waiting') <> state",
        "has a state that its history does not know",
    ),
    (
        "SELECT 'draft', draft.id, 'state' FROM draft LEFT JOIN lot ON lot.draft = draft.id AND (standing = 1 OR fate <> '')
         WHERE (state = 'settled') <> (lot.id IS NOT NULL)
         AND NOT EXISTS (SELECT 1 FROM event WHERE event.draft = draft.id)",
        "is settled without a record, or has a record without being settled",
    ),
    (
        "SELECT 'record', lot.id, 'kept in' FROM lot LEFT JOIN container ON container.id = lot.container
         LEFT JOIN (SELECT lot, now, max(id) FROM change WHERE term = 'kept in' AND lot IS NOT NULL GROUP BY lot)
         AS c ON c.lot = lot.id WHERE coalesce(c.now, '') <> coalesce(code, '')",
        "is in a place that its history does not know",
    ),
    (
        "SELECT 'record', s.lot, 'stage of ' || s.track FROM lot_stage AS s LEFT JOIN
         (SELECT lot, term, now, max(id) FROM change WHERE term LIKE 'stage of %' GROUP BY lot, term) AS c
         ON c.lot = s.lot AND c.term = 'stage of ' || s.track WHERE coalesce(c.now, '') <> s.value",
        "is in a stage that its history does not know",
    ),
    (
        "SELECT 'specimen', s.specimen, 'stage of ' || s.track FROM specimen_stage AS s LEFT JOIN
         (SELECT term, now, max(id) FROM change WHERE term LIKE 'specimen % stage of %' GROUP BY term) AS c
         ON c.term = 'specimen ' || s.specimen || ' stage of ' || s.track WHERE coalesce(c.now, '') <> s.value",
        "is in a stage that its history does not know",
    ),
    (
        "SELECT 'record', lot.id, 'state' FROM lot LEFT JOIN
         (SELECT lot, now, max(id) FROM change WHERE term = 'state' AND lot IS NOT NULL GROUP BY lot) AS c
         ON c.lot = lot.id WHERE coalesce(c.now, 'not standing') <>
         CASE WHEN standing = 1 THEN 'standing' WHEN fate = '' THEN 'not standing' ELSE fate END",
        "stands or not, against its history",
    ),
    (
        "SELECT 'draft', e.draft, 'event ' || e.nth FROM event AS e JOIN draft ON draft.id = e.draft
         WHERE e.nth > coalesce(json_array_length(draft.parsed, '$.entries'), 0)",
        "has an event that its page does not have",
    ),
    (
        "SELECT 'draft', draft.id, 'words' FROM draft WHERE NOT EXISTS
         (SELECT 1 FROM draft_words WHERE draft_words.rowid = draft.id)",
        "cannot be found by its words",
    ),
];

async fn folder_id(conn: &mut sqlx::SqliteConnection) -> std::result::Result<Option<String>, sqlx::Error> {
    sqlx::query_scalar("SELECT value FROM folder WHERE key = 'id'").fetch_optional(conn).await
}

fn hash_of(path: &Path) -> std::io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(std::fs::File::open(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

fn remove_if_there(path: &Path) -> std::io::Result<()> {
    match std::fs::remove_file(path) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}
