//! Settled records: lists, search, and one record with all about it.

use super::deeds::Deed;
use super::drafts::{KeptPhoto, match_words, telling, words};
use super::folder::Folder;
use super::keeping::LISTED;
use super::store::{PATIENCE, Store, trouble};
use super::term_rank;
use crate::reading::Reading;
use crate::trouble::{Result, Trouble};
use serde::de::DeserializeOwned;
use sqlx::Row;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// One line of a list of records.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RecordHead {
    /// The lot.
    pub lot: i64,
    /// The draft it was settled from.
    pub draft: Option<i64>,
    /// Its photograph.
    pub photo: Option<i64>,
    /// When it was settled, in UTC, by RFC 3339.
    pub settled: String,
    /// By whom.
    pub settled_by: String,
    /// The values of a few telling terms, those that are not empty.
    pub values: Vec<(String, String)>,
}

impl RecordHead {
    /// The value of `term`, of the few that a list shows.
    pub fn value(&self, term: &str) -> &str {
        self.values.iter().find(|v| v.0 == term).map_or("", |v| v.1.as_str())
    }
}

/// One value of a record.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordValue {
    /// The Darwin Core term.
    pub term: String,
    /// The words as read; empty where a person typed the value.
    pub verbatim: String,
    /// The value settled.
    pub value: String,
    /// The machine's confidence where the value stands as understood.
    pub confidence: Option<f64>,
    /// `read` (accepted as understood), `changed` or `typed`.
    pub origin: String,
}

/// A name given to a lot or specimen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Determination {
    /// The scientific name.
    pub name: String,
    /// Who determined it.
    pub by: String,
    /// When, as Darwin Core's `dateIdentified`.
    pub day: String,
    /// The specimen it was said of; `None`: the whole lot.
    pub specimen: Option<i64>,
    /// When it was entered, in UTC, by RFC 3339.
    pub entered: String,
    /// By whom.
    pub who: String,
}

/// One animal with a number of its own.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Specimen {
    /// Its number in this catalogue.
    pub id: i64,
    /// Its lasting identifier.
    pub uuid: String,
    /// Its catalogue number.
    pub number: String,
    /// Its sex, as Darwin Core's `sex`.
    pub sex: String,
    /// The code of the container it is in, where that is not its lot's.
    pub kept_in: String,
}

/// A settled record with everything about it.
#[derive(Clone, Debug)]
pub struct Record {
    /// The lot.
    pub lot: i64,
    /// Its lasting identifier, Darwin Core's `occurrenceID`.
    pub uuid: String,
    /// The draft it was settled from.
    pub draft: Option<i64>,
    /// When it was settled, in UTC, by RFC 3339.
    pub settled: String,
    /// By whom.
    pub settled_by: String,
    /// Its values in the order of [`super::TERM_ORDER`]; none is empty.
    pub values: Vec<RecordValue>,
    /// The codes of the containers it is in, the innermost first.
    pub kept_in: Vec<String>,
    /// Where it went though it was settled: `merged into record 12`, `in the
    /// trash`; empty as long as it stands.
    pub fate: String,
    /// The record it was split off from.
    pub part_of: Option<i64>,
    /// Records that were split off from it and stand.
    pub parts: Vec<i64>,
    /// Records that were merged into it: they stay in the catalogue as they
    /// were.
    pub merged: Vec<i64>,
    /// Its specimens.
    pub specimens: Vec<Specimen>,
    /// The names it was given, oldest first.
    pub determinations: Vec<Determination>,
    /// The entry of a notebook page that its field number joins it to; `None`
    /// also where several have the number, or where the two disagree.
    pub event: Option<String>,
    /// Its photograph.
    pub photo: Option<KeptPhoto>,
    /// The note of its draft.
    pub note: String,
    /// The text of its labels as read.
    pub verbatim_label: String,
    /// Its history, oldest first; empty in lists for writers.
    pub history: Vec<Deed>,
}

impl Record {
    /// The value of `term`; empty where there is none.
    pub fn value(&self, term: &str) -> &str {
        self.values.iter().find(|v| v.term == term).map_or("", |v| v.value.as_str())
    }
}

/// Rows that the database gave as JSON.
fn understood<T: DeserializeOwned>(what: impl std::fmt::Display, json: &str) -> Result<Vec<T>> {
    serde_json::from_str(json)
        .map_err(|e| Trouble::new(what, "hold something that cannot be understood").cause(e))
}

impl Store {
    /// See [`super::Catalogue::list`].
    pub async fn list(&self, after: i64, limit: u32) -> Result<Vec<RecordHead>> {
        let lots: Vec<i64> =
            sqlx::query_scalar("SELECT id FROM lot WHERE standing = 1 AND id > ? ORDER BY id LIMIT ?")
                .bind(after)
                .bind(limit)
                .fetch_all(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        self.heads(&lots).await
    }

    /// The newest records, those before `before` where it is given.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn newest(&self, before: Option<i64>, limit: u32) -> Result<Vec<RecordHead>> {
        self.heads(&self.newest_lots(before, limit).await?).await
    }

    async fn newest_lots(&self, before: Option<i64>, limit: u32) -> Result<Vec<i64>> {
        sqlx::query_scalar("SELECT id FROM lot WHERE standing = 1 AND id < ? ORDER BY id DESC LIMIT ?")
            .bind(before.unwrap_or(i64::MAX))
            .bind(limit)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// See [`super::Catalogue::search`].
    pub async fn search(&self, query: &str, limit: u32) -> Result<Vec<RecordHead>> {
        self.heads(&self.found(query, limit).await?).await
    }

    /// The lots that [`search`](Self::search) finds, all of them where `query` has
    /// no word; newest first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn found(&self, query: &str, limit: u32) -> Result<Vec<i64>> {
        let Some(begun) = match_words(query) else { return self.newest_lots(None, limit).await };
        // Whole words first: they are read off the index newest first and can
        // stop, while beginnings have to be merged from all words that go on so.
        let mut lots = self.search_words(begun.trim_end_matches('*'), limit).await?;
        if lots.is_empty() {
            lots = self.search_words(&begun, limit).await?;
        }
        if lots.is_empty() {
            // Perhaps misspelt, here or on the label: every word may also be one
            // of those known that are spelt nearly so.
            lots = self.search_near(query, limit).await?;
        }
        Ok(lots)
    }

    /// The values that `lots` have for `terms`, by term, a map a lot in their
    /// order.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn values_by_lot(&self, lots: &[i64], terms: &[&str]) -> Result<Vec<BTreeMap<String, String>>> {
        let json: String = sqlx::query_scalar(
            "SELECT json_group_array(json_array(wanted.key, term, lot_value.value)) FROM json_each(?1) AS wanted
             JOIN lot_value ON lot = wanted.value
             WHERE term IN (SELECT value FROM json_each(?2)) AND lot_value.value <> ''",
        )
        .bind(serde_json::json!(lots).to_string())
        .bind(serde_json::json!(terms).to_string())
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let found: Vec<(usize, String, String)> = understood("the records", &json)?;
        let mut values = vec![BTreeMap::new(); lots.len()];
        for (at, term, value) in found {
            values[at].insert(term, value);
        }
        Ok(values)
    }

    async fn search_words(&self, words: &str, limit: u32) -> Result<Vec<i64>> {
        sqlx::query_scalar("SELECT rowid FROM lot_words WHERE lot_words MATCH ? ORDER BY rowid DESC LIMIT ?")
            .bind(words)
            .bind(limit)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// Records with the words of `query` or words spelt nearly so.
    async fn search_near(&self, query: &str, limit: u32) -> Result<Vec<i64>> {
        let mut each = Vec::new();
        for word in words(query) {
            let mut spellings = vec![format!("\"{word}\"")];
            spellings.extend(self.near_words(word).await?.into_iter().map(|w| format!("\"{w}\"")));
            each.push(format!("({})", spellings.join(" OR ")));
        }
        self.search_words(&each.join(" AND "), limit).await
    }

    /// The known words nearest in spelling to `word`, at most 8: those that differ
    /// in one letter, which is most slips and found in milliseconds; only where
    /// there are none, those that differ in one letter of four.
    async fn near_words(&self, word: &str) -> Result<Vec<String>> {
        let word = word.to_lowercase();
        let letters: Vec<char> = word.chars().collect();
        // A number one digit off is another number.
        if letters.len() < 3 || !letters.iter().any(|c| c.is_alphabetic()) {
            return Ok(Vec::new());
        }
        // By the Damerau-Levenshtein distance: a misreading or a slip of the
        // finger, not another word.
        let within = |known: Vec<String>, most: usize| {
            let mut near: Vec<(usize, String)> = known
                .into_iter()
                .map(|k| (strsim::damerau_levenshtein(&word, &k), k))
                .filter(|k| k.0 <= most)
                .collect();
            near.sort();
            near.truncate(8);
            near.into_iter().map(|k| k.1).collect::<Vec<String>>()
        };
        let near = within(self.sharing_an_end(&letters).await?, 1);
        let most = letters.len() / 4;
        if !near.is_empty() || most < 2 {
            return Ok(near);
        }
        Ok(within(self.sharing_letters(&letters).await?, most))
    }

    /// Known words about as long that begin or end like `letters`: whatever
    /// differs by one letter (or two that changed places) is among them, since
    /// that leaves what is before the middle letter as it is, or what is after it.
    async fn sharing_an_end(&self, letters: &[char]) -> Result<Vec<String>> {
        let middle = letters.len() / 2;
        let begins: String = letters[..middle].iter().collect();
        let ends: String = letters[middle + 1..].iter().collect();
        // Ends of three letters are in the index of letters in a row; shorter ones
        // are looked for among the words of that length, which are few.
        let ending = if letters.len() - middle > 3 {
            "id IN (SELECT rowid FROM word_letters WHERE word_letters MATCH '\"' || ?2 || '\"')"
        } else {
            "length(word) BETWEEN ?3 - 1 AND ?3 + 1"
        };
        let sql = format!(
            "SELECT word FROM word WHERE word >= ?1 AND word < ?1 || char(1114111)
                 -- the plus: by its beginning, not by its length
                 AND +length(word) BETWEEN ?3 - 1 AND ?3 + 1
             UNION SELECT word FROM word WHERE {ending} AND substr(word, -length(?2)) = ?2
                 AND length(word) BETWEEN ?3 - 1 AND ?3 + 1"
        );
        sqlx::query_scalar(&sql)
            .bind(begins)
            .bind(ends)
            .bind(letters.len() as i64)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// The known words that share most often three letters in a row with
    /// `letters`.
    async fn sharing_letters(&self, letters: &[char]) -> Result<Vec<String>> {
        let thirds: Vec<String> =
            letters.windows(3).map(|w| format!("\"{}\"", w.iter().collect::<String>())).collect();
        sqlx::query_scalar("SELECT word FROM word_letters WHERE word_letters MATCH ? ORDER BY rank LIMIT 400")
            .bind(thirds.join(" OR "))
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    pub(super) async fn heads(&self, lots: &[i64]) -> Result<Vec<RecordHead>> {
        // Two questions for all of them: one by one a list of 200 took 100 ms.
        let wanted = serde_json::Value::from(lots).to_string();
        let rows = sqlx::query(
            "SELECT lot.id, lot.draft, draft.photo, settled, settled_by FROM json_each(?) AS wanted
             JOIN lot ON lot.id = wanted.value LEFT JOIN draft ON draft.id = coalesce(lot.draft, lot.shown)
             ORDER BY wanted.key",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let values: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT lot, term, lot_value.value FROM json_each(?) AS wanted
             JOIN lot_value ON lot = wanted.value WHERE lot_value.value <> ''",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut of = telling(values);
        let head = |row: &sqlx::sqlite::SqliteRow| RecordHead {
            lot: row.get(0),
            draft: row.get(1),
            photo: row.get(2),
            settled: row.get(3),
            settled_by: row.get(4),
            values: of.remove(&row.get(0)).unwrap_or_default(),
        };
        Ok(rows.iter().map(head).collect())
    }

    /// See [`super::Catalogue::terms`].
    pub async fn terms(&self) -> Result<Vec<String>> {
        // From term to term by the index: reading every value took seconds with a
        // million records.
        sqlx::query_scalar(
            "WITH RECURSIVE used (term) AS (
                 SELECT min(term) FROM lot_value
                 UNION ALL
                 SELECT (SELECT min(term) FROM lot_value WHERE term > used.term) FROM used
                 WHERE term IS NOT NULL)
             SELECT term FROM used WHERE term IS NOT NULL AND EXISTS (
                 SELECT 1 FROM lot_value CROSS JOIN lot ON lot.id = lot_value.lot
                 WHERE lot_value.term = used.term AND lot_value.value > '' AND standing = 1)",
        )
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }

    /// See [`super::Catalogue::record`].
    pub async fn record(&self, lot: i64) -> Result<Record> {
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let standing: Option<(bool, String)> = sqlx::query_as("SELECT standing, fate FROM lot WHERE id = ?")
            .bind(lot)
            .fetch_optional(&mut *conn)
            .await
            .map_err(|e| self.trouble(e))?;
        match standing {
            None => {
                return Err(Trouble::new(format!("record {lot}"), "is not in this catalogue").hint(LISTED));
            }
            // Merged or in the trash: still to be looked at.
            Some((false, fate)) if !fate.is_empty() => {}
            Some((false, _)) => {
                return Err(Trouble::new(format!("record {lot}"), "does not stand: its settling was undone")
                    .hint("settle its draft again"));
            }
            Some((true, _)) => {}
        }
        let reader = Arc::clone(&self.records);
        let found = tokio::task::spawn_blocking(move || reader.among((lot, lot), false)).await;
        let found =
            found.map_err(|e| Trouble::new(format!("record {lot}"), "could not be read").cause(e))??;
        let none = || Trouble::new(format!("record {lot}"), "is not in this catalogue").hint(LISTED);
        let mut record = found.into_iter().next().ok_or_else(none)?;
        record.history = self.history_on(&mut conn, record.draft, Some(lot)).await?;
        drop(conn);
        self.join_events(std::slice::from_mut(&mut record)).await?;
        Ok(record)
    }

    /// The last lot there is, 0 where there is none.
    pub(super) async fn last_lot(&self) -> Result<i64> {
        sqlx::query_scalar("SELECT coalesce(max(id), 0) FROM lot")
            .fetch_one(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }
}

/// Connections of [`RecordReader`] that are kept open for the next page.
const KEPT_OPEN: usize = 4;

/// Reads whole records, on connections of its own: rows come by the ten thousand,
/// and the asynchronous driver hands each one from thread to thread.
#[derive(Debug)]
pub(super) struct RecordReader {
    folder: Folder,
    idle: Mutex<Vec<rusqlite::Connection>>,
}

impl RecordReader {
    pub(super) fn new(folder: Folder) -> Self {
        RecordReader { folder, idle: Mutex::default() }
    }

    /// Closes the connections that are kept open.
    pub(super) fn close(&self) {
        self.idle.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }

    /// The records of lots `first` to `last`, those that stand or all, in order,
    /// without their history and without what joins them to a notebook page. It
    /// waits for the disk: not for asynchronous code.
    pub(super) fn among(&self, range: (i64, i64), standing: bool) -> Result<Vec<Record>> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let read = idle.map_or_else(|| self.connect(), Ok).and_then(|conn| {
            // All tables as they are at one moment.
            let moment = conn.unchecked_transaction()?;
            let records = self.read(&moment, range, standing)?;
            drop(moment);
            Ok((conn, records))
        });
        let (conn, records) = read.map_err(|e| {
            let code = e.sqlite_error().map(|e| e.extended_code as u32);
            trouble(&self.folder.database(), "could not be used", code, e)
        })?;
        let mut idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        if idle.len() < KEPT_OPEN {
            idle.push(conn);
        }
        Ok(records)
    }

    fn connect(&self) -> rusqlite::Result<rusqlite::Connection> {
        use rusqlite::OpenFlags;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let conn = rusqlite::Connection::open_with_flags(self.folder.database(), flags)?;
        conn.busy_timeout(PATIENCE)?;
        conn.pragma_update(None, "temp_store", "memory")?;
        conn.pragma_update(None, "query_only", "on")?;
        Ok(conn)
    }

    /// Each table is asked once.
    fn read(
        &self,
        conn: &rusqlite::Connection,
        range: (i64, i64),
        standing: bool,
    ) -> rusqlite::Result<Vec<Record>> {
        let which = if standing { "AND standing = 1" } else { "" };
        let mut records: Vec<Record> = Vec::new();
        let sql = format!(
            "SELECT lot.id, uuid, lot.draft, settled, settled_by, part_of, fate, note,
                 photo.id, file, page, photo.name, hash, width, height, reading
             FROM lot LEFT JOIN draft ON draft.id = coalesce(lot.draft, lot.shown)
             LEFT JOIN photo ON photo.id = draft.photo
             WHERE lot.id BETWEEN ?1 AND ?2 {which} ORDER BY lot.id"
        );
        rows(conn, range, &sql, |row| {
            records.push(self.bare(row)?);
            Ok(())
        })?;
        /// Puts each row of a query into the record that its first column names.
        macro_rules! filled {
            ($sql:expr, |$record:ident, $row:ident| $put:expr) => {
                rows(conn, range, $sql, |$row| {
                    let lot: i64 = $row.get(0)?;
                    if let Ok(at) = records.binary_search_by_key(&lot, |r| r.lot) {
                        let $record = &mut records[at];
                        $put;
                    }
                    Ok(())
                })?;
            };
        }
        filled!(
            "SELECT lot, term, verbatim, value, confidence, origin FROM lot_value
             WHERE lot BETWEEN ?1 AND ?2 AND value <> '' ORDER BY lot, term",
            |record, row| record.values.push(RecordValue {
                term: row.get(1)?,
                verbatim: row.get(2)?,
                value: row.get(3)?,
                confidence: row.get(4)?,
                origin: row.get(5)?,
            })
        );
        // The values come by term, which decides among terms of the same rank.
        for record in &mut records {
            record.values.sort_by_cached_key(|v| term_rank(&v.term));
        }
        filled!(
            "SELECT lot, specimen.id, specimen.uuid, number, sex, coalesce(code, '')
             FROM specimen LEFT JOIN container ON container.id = specimen.container
             WHERE lot BETWEEN ?1 AND ?2 AND number <> ''
             AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = specimen.deed)
             ORDER BY lot, specimen.id",
            |record, row| record.specimens.push(Specimen {
                id: row.get(1)?,
                uuid: row.get(2)?,
                number: row.get(3)?,
                sex: row.get(4)?,
                kept_in: row.get(5)?,
            })
        );
        filled!(
            // A specimen's names go with it into another lot, and names of lots
            // merged into this one count among its own. `merged into record `
            // has 19 letters.
            "SELECT of, name, by, day, specimen, entered, who FROM (
                 SELECT lot AS of, determination.* FROM determination
                 WHERE specimen IS NULL AND lot BETWEEN ?1 AND ?2
                 UNION ALL
                 SELECT specimen.lot AS of, determination.* FROM specimen
                 CROSS JOIN determination ON determination.specimen = specimen.id
                 WHERE specimen.lot BETWEEN ?1 AND ?2
                 UNION ALL
                 SELECT CAST(substr(fate, 20) AS INTEGER) AS of, determination.* FROM lot
                 CROSS JOIN determination ON determination.lot = lot.id AND determination.specimen IS NULL
                 WHERE substr(fate, 1, 19) = 'merged into record '
                 AND CAST(substr(fate, 20) AS INTEGER) BETWEEN ?1 AND ?2)
             AS named WHERE NOT EXISTS (SELECT 1 FROM deed WHERE undoes = named.deed) ORDER BY id",
            |record, row| record.determinations.push(Determination {
                name: row.get(1)?,
                by: row.get(2)?,
                day: row.get(3)?,
                specimen: row.get(4)?,
                entered: row.get(5)?,
                who: row.get(6)?,
            })
        );
        filled!(
            "WITH RECURSIVE around (lot, code, inside, depth) AS (
                 SELECT lot.id, code, inside, 0 FROM lot JOIN container ON container.id = lot.container
                 WHERE lot.id BETWEEN ?1 AND ?2
                 UNION ALL SELECT lot, c.code, c.inside, depth + 1 FROM around
                 JOIN container AS c ON c.id = around.inside WHERE depth < 20)
             SELECT lot, code FROM around ORDER BY depth",
            |record, row| record.kept_in.push(row.get(1)?)
        );
        filled!(
            "SELECT part_of, id FROM lot WHERE part_of BETWEEN ?1 AND ?2 AND standing = 1 ORDER BY id",
            |record, row| record.parts.push(row.get(1)?)
        );
        filled!(
            "SELECT CAST(substr(fate, 20) AS INTEGER), id FROM lot
             WHERE substr(fate, 1, 19) = 'merged into record '
             AND CAST(substr(fate, 20) AS INTEGER) BETWEEN ?1 AND ?2 ORDER BY id",
            |record, row| record.merged.push(row.get(1)?)
        );
        Ok(records)
    }

    /// A record of what its lot's own row says, with its photograph and what is
    /// read on it.
    fn bare(&self, row: &rusqlite::Row) -> rusqlite::Result<Record> {
        let photo = match row.get(8)? {
            None => None,
            Some(id) => Some(KeptPhoto {
                id,
                file: self.folder.photos().join(row.get::<_, String>(9)?),
                page: Some(row.get(10)?).filter(|p| *p > 0),
                name: row.get(11)?,
                hash: row.get(12)?,
                width: row.get(13)?,
                height: row.get(14)?,
            }),
        };
        // Readings are long: the text alone is taken.
        let reading = row.get_ref(15)?.as_str_or_null()?;
        Ok(Record {
            lot: row.get(0)?,
            uuid: row.get(1)?,
            draft: row.get(2)?,
            settled: row.get(3)?,
            settled_by: row.get(4)?,
            part_of: row.get(5)?,
            fate: row.get(6)?,
            note: row.get::<_, Option<String>>(7)?.unwrap_or_default(),
            photo,
            verbatim_label: reading.and_then(|r| Reading::text_of(r).ok()).unwrap_or_default(),
            values: Vec::new(),
            specimens: Vec::new(),
            determinations: Vec::new(),
            kept_in: Vec::new(),
            parts: Vec::new(),
            merged: Vec::new(),
            event: None,
            history: Vec::new(),
        })
    }
}

/// Gives every row of a query over a range of lots to `take`.
fn rows(
    conn: &rusqlite::Connection,
    range: (i64, i64),
    sql: &str,
    mut take: impl FnMut(&rusqlite::Row) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut statement = conn.prepare_cached(sql)?;
    let mut rows = statement.query(range)?;
    while let Some(row) = rows.next()? {
        take(row)?;
    }
    Ok(())
}
