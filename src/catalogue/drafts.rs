//! Photographs kept and drafts entered: the way in, and the queue a person
//! works through.

use super::deeds::Deed;
use super::events::of_event;
use super::same::{ITS_PLACE, PLACE};
use super::store::{Store, now};
use super::term_rank;
use crate::checking::Doubt;
use crate::intake::{Likeness, PhotoFacts};
use crate::parsing::{Field, Parsed};
use crate::reading::Reading;
use crate::trouble::{Result, Trouble};
use sqlx::{QueryBuilder, Row, Sqlite, SqliteConnection};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Where a draft stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum State {
    /// It waits for a person.
    #[default]
    Waiting,
    /// A person set it aside, with a reason.
    Aside,
    /// A person settled it: it has a record.
    Settled,
}

impl State {
    /// The word the database and addresses use.
    pub fn word(self) -> &'static str {
        match self {
            State::Waiting => "waiting",
            State::Aside => "aside",
            State::Settled => "settled",
        }
    }

    /// The state of a word; anything unknown is `Waiting`.
    pub fn of(word: &str) -> State {
        match word {
            "aside" => State::Aside,
            "settled" => State::Settled,
            _ => State::Waiting,
        }
    }
}

/// A photograph kept in the folder.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptPhoto {
    /// Its number in this catalogue.
    pub id: i64,
    /// Where its file is.
    pub file: PathBuf,
    /// The page of a PDF, counted from 1; `None` for a picture file.
    pub page: Option<u32>,
    /// Its file's name when it came in, for people.
    pub name: String,
    /// BLAKE3 hash of its bytes.
    pub hash: String,
    /// Width of the upright picture, in pixels.
    pub width: u32,
    /// Height of the upright picture, in pixels.
    pub height: u32,
}

/// A photograph that looks like another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NearPhoto {
    /// Its number in this catalogue.
    pub photo: i64,
    /// Its file's name when it came in.
    pub name: String,
    /// Its draft, where it has one.
    pub draft: Option<i64>,
    /// In how many bits the likeness hashes differ.
    pub distance: u32,
}

/// A draft that was entered, or found to be there already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entered {
    /// The draft.
    pub draft: i64,
    /// Whether it is new.
    pub new: bool,
}

/// Which drafts are asked for. The default is every waiting draft, those with
/// the most to look at first.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Queue {
    /// Only those in this state.
    pub state: State,
    /// Only those with a doubt of this kind.
    pub doubt: Option<String>,
    /// Only those whose term (first) has this value (second). The place is the one
    /// as written where no other was given.
    pub with: Option<(String, String)>,
    /// Only those in whose text every one of these words stands.
    pub text: String,
    /// In the order they came in, instead of the most doubtful first.
    pub in_order: bool,
    /// Only those that nobody but this person works on just now.
    pub free_for: Option<String>,
}

/// One line of the queue.
#[derive(Clone, Debug, PartialEq)]
pub struct DraftHead {
    /// The draft.
    pub id: i64,
    /// The photograph's name, for people.
    pub name: String,
    /// Its photograph, where it has one.
    pub photo: Option<i64>,
    /// Where it stands.
    pub state: State,
    /// How many doubts it has.
    pub doubts: u32,
    /// The weightiest doubt's sentence; empty without doubts.
    pub doubt: String,
    /// The values of a few telling terms, those that are not empty.
    pub values: Vec<(String, String)>,
    /// The person's note.
    pub note: String,
    /// How many entries it has, where it is a notebook page.
    pub entries: i64,
}

/// One field of a draft: what was read and what it is now.
#[derive(Clone, Debug, PartialEq)]
pub struct DraftValue {
    /// The Darwin Core term.
    pub term: String,
    /// What was read and understood; `None` where the reading has no such
    /// field and a person typed it.
    pub read: Option<Field>,
    /// The value now.
    pub value: String,
}

impl DraftValue {
    /// Whether a person changed what was understood.
    pub fn changed(&self) -> bool {
        self.read.as_ref().map_or("", |f| f.value.as_str()) != self.value
    }
}

/// A draft with everything about it.
#[derive(Clone, Debug)]
pub struct Draft {
    /// The draft.
    pub id: i64,
    /// The photograph's name, for people.
    pub name: String,
    /// Its photograph, where it has one.
    pub photo: Option<KeptPhoto>,
    /// Where it stands.
    pub state: State,
    /// Whether it is in the trash.
    pub trashed: bool,
    /// How doubtful it is: its place in the queue.
    pub weight: f64,
    /// The person's note.
    pub note: String,
    /// Everything read, as it was read.
    pub reading: Reading,
    /// Everything understood, as it was understood.
    pub parsed: Parsed,
    /// The reasons to look, the weightiest first.
    pub doubts: Vec<Doubt>,
    /// The sentences of those that came up after it was entered: when it was
    /// checked again, or beside a notebook page.
    pub anew: Vec<String>,
    /// The fields as they are now, in the order of [`super::TERM_ORDER`].
    pub values: Vec<DraftValue>,
    /// Its record, where it has one that stands.
    pub lot: Option<i64>,
    /// The last deed that touched it; given back with a change, so that what
    /// another person did meanwhile is not overwritten unseen.
    pub seen: Option<i64>,
    /// Its history, oldest first.
    pub history: Vec<Deed>,
}

/// How many drafts there are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct QueueCounts {
    /// Waiting for a person.
    pub waiting: i64,
    /// Set aside.
    pub aside: i64,
    /// Settled, but for those whose record is in the trash.
    pub settled: i64,
    /// Records that stand: parts split off are among them, what was merged into
    /// another, notebook pages and the trash are not.
    pub records: i64,
    /// Waiting drafts by kind of doubt, the most frequent first.
    pub doubts: Vec<(String, i64)>,
    /// Waiting drafts without any doubt.
    pub clean: i64,
}

/// The terms a line of the queue or of the records shows.
const HEAD_TERMS: [&str; 8] = [
    "scientificName",
    "eventDate",
    "locality",
    "verbatimLocality",
    "county",
    "stateProvince",
    "recordedBy",
    "catalogNumber",
];

/// A filter kind that is no doubt: drafts that have none.
const CLEAN: &str = "none";
/// A filter kind that is every doubt.
const ANY: &str = "any";

/// Drafts in the trash, or whose record is: their state is still aside or settled.
const THROWN_AWAY: &str = "SELECT id FROM draft WHERE trash = 1
     UNION ALL SELECT draft FROM lot WHERE fate <> '' AND fate = 'in the trash' AND draft IS NOT NULL";

impl Store {
    /// See [`super::Catalogue::has_photo`].
    pub async fn has_photo(&self, hash: &str, page: Option<u32>) -> Result<Option<i64>> {
        sqlx::query_scalar(
            "SELECT draft.id FROM photo JOIN draft ON draft.photo = photo.id WHERE hash = ? AND page = ?",
        )
        .bind(hash)
        .bind(page.unwrap_or(0))
        .fetch_optional(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }

    /// See [`super::Catalogue::near_duplicates`].
    pub async fn near_duplicates(&self, look: &Likeness, within: u32, but: &str) -> Result<Vec<NearPhoto>> {
        // SQLite cannot count bits, and a hundred thousand numbers are small:
        // they stay in memory and only newer ones are fetched.
        let last = self.looks().last().map_or(0, |l| l.0);
        let rows: Vec<(i64, String)> =
            sqlx::query_as("SELECT id, look FROM photo WHERE id > ? AND look IS NOT NULL ORDER BY id")
                .bind(last)
                .fetch_all(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        let near: Vec<(i64, u32)> = {
            let mut looks = self.looks();
            let last = looks.last().map_or(0, |l| l.0);
            for (id, look) in rows.into_iter().filter(|r| r.0 > last) {
                looks.push((id, look.parse()?));
            }
            looks.iter().map(|l| (l.0, l.1.differs(look))).filter(|l| l.1 <= within).collect()
        };
        let mut found = Vec::new();
        for (photo, distance) in near {
            let row: Option<(String, Option<i64>)> = sqlx::query_as(
                "SELECT photo.name, draft.id FROM photo LEFT JOIN draft ON draft.photo = photo.id
                 WHERE photo.id = ? AND hash <> ?",
            )
            .bind(photo)
            .bind(but)
            .fetch_optional(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
            found.extend(row.map(|(name, draft)| NearPhoto { photo, name, draft, distance }));
        }
        found.sort_by_key(|n| (n.distance, n.photo));
        Ok(found)
    }

    fn looks(&self) -> std::sync::MutexGuard<'_, Vec<(i64, Likeness)>> {
        // A thread that panicked while adding left whole pairs behind.
        self.looks.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    /// See [`super::Catalogue::keep_photo`].
    pub async fn keep_photo(
        &self,
        bytes: &[u8],
        ext: &str,
        facts: &PhotoFacts,
        look: Option<&Likeness>,
    ) -> Result<KeptPhoto> {
        let hash = blake3::hash(bytes).to_hex();
        if hash.as_str() != facts.hash {
            return Err(Trouble::new(&facts.name, "changed while it was read")
                .hint("add it again once nothing writes to it"));
        }
        self.swept.call_once(|| {
            self.folder().sweep();
        });
        let file = self.folder().lay_down(bytes, &hash, ext)?;
        let page = facts.page.unwrap_or(0);
        let mut tx = self.begin().await?;
        sqlx::query(
            "INSERT INTO photo
                 (hash, page, file, name, width, height, taken, latitude, longitude, look, added, folder)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (hash, page) DO NOTHING",
        )
        .bind(hash.as_str())
        .bind(page)
        .bind(file)
        .bind(&facts.name)
        .bind(facts.width)
        .bind(facts.height)
        .bind(facts.taken.map(|t| t.to_string()))
        .bind(facts.place.map(|p| p.0))
        .bind(facts.place.map(|p| p.1))
        .bind(look.map(Likeness::to_string))
        .bind(now())
        .bind(&facts.folder)
        .execute(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        let id: i64 = sqlx::query_scalar("SELECT id FROM photo WHERE hash = ? AND page = ?")
            .bind(hash.as_str())
            .bind(page)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        let kept = self.photo_on(&mut tx, id).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(kept)
    }

    /// One photograph kept in the folder.
    ///
    /// # Errors
    /// When there is no such photograph, or it went with the trash.
    pub async fn photo(&self, id: i64) -> Result<KeptPhoto> {
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let kept = self.photo_on(&mut conn, id).await?;
        let gone: Option<String> = sqlx::query_scalar("SELECT gone FROM photo WHERE id = ?")
            .bind(id)
            .fetch_one(&mut *conn)
            .await
            .map_err(|e| self.trouble(e))?;
        match gone {
            None => Ok(kept),
            Some(_) => Err(Trouble::new(&kept.name, "was removed from the disk when the trash was emptied")
                .hint("its reading is still here; the photograph may be in a backup")),
        }
    }

    async fn photo_on(&self, conn: &mut SqliteConnection, id: i64) -> Result<KeptPhoto> {
        let row = sqlx::query("SELECT file, page, name, hash, width, height FROM photo WHERE id = ?")
            .bind(id)
            .fetch_optional(conn)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| Trouble::new(format!("photograph {id}"), "is not in this catalogue"))?;
        Ok(KeptPhoto {
            id,
            file: self.folder().photos().join(row.get::<String, _>(0)),
            page: Some(row.get::<u32, _>(1)).filter(|p| *p > 0),
            name: row.get(2),
            hash: row.get(3),
            width: row.get(4),
            height: row.get(5),
        })
    }

    /// See [`super::Catalogue::enter_draft`].
    pub async fn enter_draft(&self, reading: &Reading, parsed: &Parsed, doubts: &[Doubt]) -> Result<Entered> {
        let facts = &reading.photo;
        let json = |e: serde_json::Error| Trouble::new(&facts.name, "could not be written down").cause(e);
        let reading_json = serde_json::to_string(reading).map_err(json)?;
        let parsed_json = serde_json::to_string(parsed).map_err(json)?;
        let mut tx = self.begin().await?;
        let photo: Option<i64> = if facts.hash.is_empty() {
            None
        } else {
            let photo: Option<i64> = sqlx::query_scalar("SELECT id FROM photo WHERE hash = ? AND page = ?")
                .bind(&facts.hash)
                .bind(facts.page.unwrap_or(0))
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            let photo = photo.ok_or_else(|| {
                Trouble::new(&facts.name, "was read but its photograph is not in the folder")
                    .hint("keep the photograph before its draft")
            })?;
            let there: Option<i64> = sqlx::query_scalar("SELECT id FROM draft WHERE photo = ?")
                .bind(photo)
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            if let Some(draft) = there {
                return Ok(Entered { draft, new: false });
            }
            Some(photo)
        };
        let draft: i64 = sqlx::query_scalar(
            "INSERT INTO draft (photo, name, reading, parsed, entered) VALUES (?, ?, ?, ?, ?) RETURNING id",
        )
        .bind(photo)
        .bind(facts.called())
        .bind(reading_json)
        .bind(parsed_json)
        .bind(now())
        .fetch_one(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        for field in &parsed.fields {
            sqlx::query(
                "INSERT INTO draft_value (draft, term, verbatim, value) VALUES (?, ?, ?, ?)
                 ON CONFLICT DO NOTHING",
            )
            .bind(draft)
            .bind(&field.term)
            .bind(&field.verbatim)
            .bind(&field.value)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        }
        self.enter_events(&mut tx, draft, &parsed.entries).await?;
        for (nth, doubt) in doubts.iter().enumerate() {
            sqlx::query(
                "INSERT INTO doubt (draft, nth, kind, terms, sentence, weight) VALUES (?, ?, ?, ?, ?, ?)",
            )
            .bind(draft)
            .bind(nth as i64)
            .bind(&doubt.kind)
            .bind(doubt.terms.join(" "))
            .bind(&doubt.sentence)
            .bind(doubt.weight)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        }
        self.weigh(&mut tx, draft).await?;
        let mut text = format!("{}\n{}", facts.called(), reading.text());
        for field in &parsed.fields {
            text.push('\n');
            text.push_str(&field.value);
        }
        sqlx::query("INSERT INTO draft_words (rowid, text) VALUES (?, ?)")
            .bind(draft)
            .bind(text)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(Entered { draft, new: true })
    }

    /// See [`super::Catalogue::typed_alike`].
    pub async fn typed_alike(&self, text: &str) -> Result<Vec<(i64, String)>> {
        // The index of words finds the few that can be it; as many words as it
        // takes in one question tell a label from every other.
        let few: Vec<&str> = words(text).take(40).collect();
        let Some(query) = match_words(&few.join(" ")) else { return Ok(Vec::new()) };
        let rows: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT draft.id, name, reading FROM draft WHERE photo IS NULL
             AND +draft.id IN (SELECT rowid FROM draft_words WHERE draft_words MATCH ?) ORDER BY draft.id",
        )
        .bind(query)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let same = |json: &str| serde_json::from_str::<Reading>(json).is_ok_and(|r| r.text() == text);
        Ok(rows.into_iter().filter(|r| same(&r.2)).map(|r| (r.0, r.1)).collect())
    }

    /// The drafts that `queue` asks for, at most `limit`, those that follow
    /// `after` (any draft, in the queue or no longer) where it is given.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn drafts(&self, queue: &Queue, after: Option<i64>, limit: u32) -> Result<Vec<DraftHead>> {
        let ids = self.queue_rows(queue, after, false, limit).await?;
        self.draft_heads(&ids).await
    }

    /// The draft of `queue` that follows draft `after`, or comes before it.
    /// At the end it is the first one again, as long as that is another draft.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn next_draft(&self, queue: &Queue, after: Option<i64>, back: bool) -> Result<Option<i64>> {
        if let Some(id) = self.queue_rows(queue, after, back, 1).await?.first() {
            return Ok(Some(*id));
        }
        let first = self.queue_rows(queue, None, back, 1).await?.first().copied();
        Ok(first.filter(|f| Some(*f) != after))
    }

    async fn queue_rows(
        &self,
        queue: &Queue,
        after: Option<i64>,
        back: bool,
        limit: u32,
    ) -> Result<Vec<i64>> {
        // Walked by the queue's own index, each draft looked up in what narrows it:
        // left to itself SQLite begins with what narrows and reads every draft's
        // row for its state, which lies behind the reading (measured with
        // 100,000 drafts: 200 ms against 5 ms). The plus keeps it to that.
        let mut sql =
            QueryBuilder::<Sqlite>::new("SELECT draft.id FROM draft INDEXED BY draft_queue WHERE state = ");
        sql.push_bind(queue.state.word());
        if queue.state != State::Waiting {
            sql.push(" AND +draft.id NOT IN (").push(THROWN_AWAY).push(")");
        }
        match queue.doubt.as_deref() {
            None | Some("") => {}
            Some(CLEAN) => {
                sql.push(" AND weight = 0 AND NOT EXISTS (SELECT 1 FROM doubt WHERE draft = draft.id)");
            }
            Some(ANY) => {
                sql.push(" AND EXISTS (SELECT 1 FROM doubt WHERE draft = draft.id)");
            }
            Some(kind) => {
                sql.push(" AND +draft.id IN (SELECT draft FROM doubt WHERE kind = ")
                    .push_bind(kind)
                    .push(")");
            }
        }
        if let Some((term, value)) = &queue.with {
            sql.push(" AND +draft.id IN (SELECT draft FROM draft_value AS its WHERE its.value = ")
                .push_bind(value);
            sql.push(" AND ");
            if term == PLACE {
                sql.push(ITS_PLACE);
            } else {
                sql.push("its.term = ").push_bind(term);
            }
            sql.push(")");
        }
        if let Some(words) = match_words(&queue.text) {
            sql.push(" AND +draft.id IN (SELECT rowid FROM draft_words WHERE draft_words MATCH ");
            sql.push_bind(words).push(")");
        }
        if let Some(who) = &queue.free_for {
            sql.push(" AND +draft.id NOT IN (SELECT draft FROM lease WHERE who <> ").push_bind(who);
            sql.push(" AND until > unixepoch())");
        }
        let weight: Option<f64> = match after {
            Some(id) if !queue.in_order => sqlx::query_scalar("SELECT weight FROM draft WHERE id = ?")
                .bind(id)
                .fetch_optional(&self.read)
                .await
                .map_err(|e| self.trouble(e))?,
            _ => None,
        };
        let (id_than, weight_than) = if back { ("<", ">") } else { (">", "<") };
        match (after, weight) {
            (Some(id), Some(weight)) => {
                sql.push(format!(" AND weight {weight_than}= ")).push_bind(weight);
                sql.push(format!(" AND (weight {weight_than} ")).push_bind(weight);
                sql.push(format!(" OR draft.id {id_than} ")).push_bind(id).push(")");
            }
            (Some(id), None) => {
                sql.push(format!(" AND draft.id {id_than} ")).push_bind(id);
            }
            (None, _) => {}
        }
        sql.push(match (queue.in_order, back) {
            (true, false) => " ORDER BY draft.id",
            (true, true) => " ORDER BY draft.id DESC",
            (false, false) => " ORDER BY weight DESC, draft.id",
            (false, true) => " ORDER BY weight, draft.id DESC",
        });
        sql.push(" LIMIT ").push_bind(limit);
        sql.build_query_scalar().fetch_all(&self.read).await.map_err(|e| self.trouble(e))
    }

    /// The values that `term` has among drafts in `state`, and in how many; the
    /// most frequent first, at most `limit`. The place is the one as written where no
    /// other was given.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn values_of(&self, term: &str, state: State, limit: u32) -> Result<Vec<(String, i64)>> {
        // Each value is looked up among the drafts in that state or among those in
        // the other ones: whichever are fewer.
        let counts = self.state_counts().await?;
        let (waiting, aside, settled) = (counts.waiting, counts.aside, counts.settled);
        let (here, others) = match state {
            State::Waiting => (waiting, aside + settled),
            State::Aside => (aside, waiting + settled),
            State::Settled => (settled, waiting + aside),
        };
        let which = if here <= others { "IN" } else { "NOT IN" };
        let states: Vec<String> = [State::Waiting, State::Aside, State::Settled]
            .iter()
            .filter(|s| (**s == state) == (here <= others))
            .map(|s| format!("'{}'", s.word()))
            .collect();
        let its = if term == PLACE { ITS_PLACE } else { "its.term = ?1" };
        let sql = format!(
            "SELECT value, count(*) AS drafts FROM draft_value AS its WHERE {its} AND value <> ''
             AND draft {which} (SELECT id FROM draft WHERE state IN ({}))
             AND draft NOT IN ({THROWN_AWAY})
             GROUP BY value ORDER BY drafts DESC, value LIMIT ?2",
            states.join(", ")
        );
        sqlx::query_as(&sql).bind(term).bind(limit).fetch_all(&self.read).await.map_err(|e| self.trouble(e))
    }

    /// One line of the queue.
    ///
    /// # Errors
    /// When there is no such draft.
    pub async fn draft_head(&self, id: i64) -> Result<DraftHead> {
        self.draft_heads(&[id]).await?.pop().ok_or_else(|| no_draft(id))
    }

    async fn draft_heads(&self, ids: &[i64]) -> Result<Vec<DraftHead>> {
        let wanted = serde_json::Value::from(ids).to_string();
        let failed = |e| self.trouble(e);
        let rows = sqlx::query(
            "SELECT draft.id, name, photo, state, note FROM json_each(?) AS wanted
             JOIN draft ON draft.id = wanted.value ORDER BY wanted.key",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        let doubts: Vec<(i64, String)> = sqlx::query_as(
            "SELECT draft, sentence FROM json_each(?) AS wanted JOIN doubt ON draft = wanted.value
             ORDER BY weight DESC, nth",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        let values: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT draft, term, draft_value.value FROM json_each(?) AS wanted
             JOIN draft_value ON draft = wanted.value WHERE draft_value.value <> ''",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        let entries: BTreeMap<i64, i64> = sqlx::query_as(
            "SELECT draft, count(*) FROM json_each(?) AS wanted JOIN event ON draft = wanted.value GROUP BY draft",
        )
        .bind(&wanted)
        .fetch_all(&self.read)
        .await
        .map_err(failed)?
        .into_iter()
        .collect();
        let mut of = telling(values);
        let head = |row: &sqlx::sqlite::SqliteRow| {
            let id: i64 = row.get(0);
            let mut sentences = doubts.iter().filter(|d| d.0 == id).map(|d| d.1.clone());
            let doubt = sentences.next();
            DraftHead {
                id,
                name: row.get(1),
                photo: row.get(2),
                state: State::of(row.get(3)),
                doubts: doubt.iter().len() as u32 + sentences.count() as u32,
                doubt: doubt.unwrap_or_default(),
                values: of.remove(&id).unwrap_or_default(),
                note: row.get(4),
                entries: entries.get(&id).copied().unwrap_or(0),
            }
        };
        Ok(rows.iter().map(head).collect())
    }

    /// One draft with everything about it.
    ///
    /// # Errors
    /// When there is no such draft.
    pub async fn draft(&self, id: i64) -> Result<Draft> {
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let row = sqlx::query(
            "SELECT name, photo, state, weight, note, reading, parsed, trash FROM draft WHERE id = ?",
        )
        .bind(id)
        .fetch_optional(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?
        .ok_or_else(|| no_draft(id))?;
        let damaged = |e: serde_json::Error| {
            Trouble::new(format!("draft {id}"), "holds a reading that cannot be understood")
                .cause(e)
                .hint("go back to your last backup, and keep this folder aside for a look")
        };
        let reading: Reading = serde_json::from_str(row.get(5)).map_err(damaged)?;
        let parsed: Parsed = serde_json::from_str(row.get(6)).map_err(damaged)?;
        let photo = match row.get::<Option<i64>, _>(1) {
            Some(photo) => Some(self.photo_on(&mut conn, photo).await?),
            None => None,
        };
        let doubts: Vec<(String, String, String, f32, bool)> = sqlx::query_as(
            "SELECT kind, terms, sentence, weight, anew FROM doubt WHERE draft = ? ORDER BY weight DESC, nth",
        )
        .bind(id)
        .fetch_all(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?;
        let anew = doubts.iter().filter(|d| d.4).map(|d| d.2.clone()).collect();
        let doubts = doubts
            .into_iter()
            .map(|(kind, terms, sentence, weight, _)| Doubt {
                kind,
                terms: terms.split_whitespace().map(str::to_owned).collect(),
                sentence,
                weight,
            })
            .collect();
        let values: Vec<(String, String)> =
            sqlx::query_as("SELECT term, value FROM draft_value WHERE draft = ?")
                .bind(id)
                .fetch_all(&mut *conn)
                .await
                .map_err(|e| self.trouble(e))?;
        let mut values: Vec<DraftValue> = values
            .into_iter()
            // Those of a page's entries are given by `page_events`.
            .filter(|(term, _)| of_event(term).is_none())
            .map(|(term, value)| DraftValue { read: parsed.field(&term).cloned(), term, value })
            // Neither read nor given any more: a typed value that was undone.
            .filter(|v| v.read.is_some() || !v.value.is_empty())
            .collect();
        values.sort_by(|a, b| term_rank(&a.term).cmp(&term_rank(&b.term)).then(a.term.cmp(&b.term)));
        let lot: Option<i64> = sqlx::query_scalar("SELECT id FROM lot WHERE draft = ? AND standing = 1")
            .bind(id)
            .fetch_optional(&mut *conn)
            .await
            .map_err(|e| self.trouble(e))?;
        let history = self.history_on(&mut conn, Some(id), None).await?;
        Ok(Draft {
            id,
            name: row.get(0),
            photo,
            state: State::of(row.get(2)),
            trashed: row.get(7),
            weight: row.get(3),
            note: row.get(4),
            reading,
            parsed,
            doubts,
            anew,
            values,
            lot,
            seen: history.last().map(|d| d.id),
            history,
        })
    }

    /// How many drafts stand in each state; without the doubts, which take
    /// longer to count.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn state_counts(&self) -> Result<QueueCounts> {
        let mut counts = QueueCounts::default();
        // Most drafts wait, or most are settled: all are counted at once, which SQLite
        // does without looking at each, and those waiting are what is left.
        let (all, aside, settled): (i64, i64, i64) = sqlx::query_as(
            "SELECT (SELECT count(*) FROM draft), (SELECT count(*) FROM draft WHERE state = 'aside'),
             (SELECT count(*) FROM draft WHERE state = 'settled')",
        )
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        (counts.aside, counts.settled, counts.waiting) = (aside, settled, all - aside - settled);
        // What is in the trash is counted apart, by its own small indexes: the
        // column itself lies behind the reading, and looking into every row would
        // read them all. Of the lots, few do not stand.
        let (aside, settled, records): (i64, i64, i64) = sqlx::query_as(
            "SELECT (SELECT count(*) FROM draft WHERE trash = 1),
             (SELECT count(*) FROM lot WHERE fate <> '' AND fate = 'in the trash' AND draft IS NOT NULL),
             (SELECT count(*) FROM lot) - (SELECT count(*) FROM lot WHERE standing = 0)",
        )
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        counts.aside -= aside;
        counts.settled -= settled;
        counts.records = records;
        Ok(counts)
    }

    /// How many drafts stand in each state, and which doubts wait.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn counts(&self) -> Result<QueueCounts> {
        let mut counts = self.state_counts().await?;
        counts.doubts = sqlx::query_as(
            "SELECT kind, count(DISTINCT draft) AS drafts FROM doubt
             WHERE draft NOT IN (SELECT id FROM draft WHERE state IN ('aside', 'settled'))
             GROUP BY kind ORDER BY drafts DESC, kind",
        )
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        counts.clean = sqlx::query_scalar(
            "SELECT count(*) FROM draft WHERE state = 'waiting' AND weight = 0
             AND NOT EXISTS (SELECT 1 FROM doubt WHERE draft = draft.id)",
        )
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        Ok(counts)
    }
}

/// The values of a few telling terms by draft or lot, in the order of
/// [`super::TERM_ORDER`].
pub(super) fn telling(values: Vec<(i64, String, String)>) -> BTreeMap<i64, Vec<(String, String)>> {
    let mut of: BTreeMap<i64, Vec<(String, String)>> = BTreeMap::new();
    for (id, term, value) in values.into_iter().filter(|v| HEAD_TERMS.contains(&v.1.as_str())) {
        of.entry(id).or_default().push((term, value));
    }
    for values in of.values_mut() {
        values.sort_by_key(|v| term_rank(&v.0));
    }
    of
}

pub(super) fn no_draft(id: i64) -> Trouble {
    Trouble::new(format!("draft {id}"), "is not in this catalogue").hint(super::keeping::LISTED)
}

/// The words of `text` as an FTS5 query: each must stand, the last one may go
/// on. `None` where there is no word. Quoting every word keeps FTS5's own
/// language out of what a person types.
pub(super) fn match_words(text: &str) -> Option<String> {
    let words: Vec<String> = words(text).map(|w| format!("\"{w}\"")).collect();
    (!words.is_empty()).then(|| words.join(" ") + "*")
}

/// The words of `text` as the search index cuts them: runs of letters, marks
/// and digits.
pub(super) fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty())
}
