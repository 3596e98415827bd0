//! What a person does to drafts and records: each deed with all its changes is
//! one transaction, and undoing it is a further deed. Nothing is taken out of
//! history.

use super::drafts::{State, no_draft, words};
use super::store::{Store, now};
use crate::parsing::Parsed;
use crate::trouble::{Result, Trouble};
use sqlx::{Row, SqliteConnection};
use std::collections::BTreeMap;

/// A new value for one term.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The Darwin Core term.
    pub term: String,
    /// The value from now on; empty removes it.
    pub value: String,
}

/// The kind of a deed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum DeedKind {
    /// Values were changed.
    Change,
    /// A draft was settled.
    Settle,
    /// A draft was set aside.
    Aside,
    /// A draft set aside was taken back.
    Back,
    /// A note was written.
    Note,
    /// An earlier deed was undone.
    Undo,
}

impl DeedKind {
    fn word(self) -> &'static str {
        match self {
            DeedKind::Change => "change",
            DeedKind::Settle => "settle",
            DeedKind::Aside => "aside",
            DeedKind::Back => "back",
            DeedKind::Note => "note",
            DeedKind::Undo => "undo",
        }
    }

    fn of(word: &str) -> DeedKind {
        match word {
            "settle" => DeedKind::Settle,
            "aside" => DeedKind::Aside,
            "back" => DeedKind::Back,
            "note" => DeedKind::Note,
            "undo" => DeedKind::Undo,
            _ => DeedKind::Change,
        }
    }
}

/// One deed and what it changed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Deed {
    /// Its number; later deeds have greater ones.
    pub id: i64,
    /// When, in UTC, by RFC 3339.
    pub at: String,
    /// Who did it.
    pub who: String,
    /// What kind of deed it was.
    pub kind: DeedKind,
    /// Why, in the person's words; often empty.
    pub why: String,
    /// The deed that it undid.
    pub undoes: Option<i64>,
    /// Whether a later deed undid it.
    pub undone: bool,
    /// Its changes on the draft or record asked for: term (or `state`,
    /// `note`), from, to.
    pub changes: Vec<(String, String, String)>,
}

/// What an undo brought back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Undone {
    /// The deed that was undone.
    pub deed: i64,
    /// Its kind.
    pub kind: DeedKind,
    /// The drafts that it touched.
    pub drafts: Vec<i64>,
}

/// A pseudo-term of the history: where the draft stands, or whether the lot
/// stands.
const STATE: &str = "state";
/// A pseudo-term of the history: the draft's note.
const NOTE: &str = "note";

impl Store {
    /// See [`super::Catalogue::change`].
    pub async fn change(&self, draft: i64, who: &str, changes: &[Change], seen: Option<i64>) -> Result<i64> {
        self.change_each(&[(draft, changes.to_vec())], who, "", Some((draft, seen))).await
    }

    /// Changes values of several drafts as one deed, which one undo takes back.
    /// `seen` is a draft and the last deed on it that the person saw. Nothing
    /// to change makes no deed and gives 0.
    ///
    /// # Errors
    /// When there is no such draft, or another person changed it meanwhile.
    pub async fn change_each(
        &self,
        drafts: &[(i64, Vec<Change>)],
        who: &str,
        why: &str,
        seen: Option<(i64, Option<i64>)>,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        if let Some((draft, seen)) = seen {
            self.seen_is_last(&mut tx, draft, seen).await?;
        }
        let mut steps = Vec::new();
        for (draft, changes) in drafts {
            let state = self.state_on(&mut tx, *draft).await?;
            let lot = if state == State::Settled { self.lot_of(&mut tx, *draft).await? } else { None };
            for step in self.steps(&mut tx, *draft, lot, changes).await? {
                steps.push(step);
            }
        }
        if steps.is_empty() {
            return Ok(0);
        }
        let deed = self.deed(&mut tx, who, DeedKind::Change, why, None).await?;
        for step in &steps {
            self.take(&mut tx, deed, step).await?;
        }
        self.index_touched(&mut tx, &steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(deed)
    }

    /// See [`super::Catalogue::settle`].
    pub async fn settle(&self, draft: i64, who: &str, changes: &[Change], seen: Option<i64>) -> Result<i64> {
        let mut tx = self.begin().await?;
        self.seen_is_last(&mut tx, draft, seen).await?;
        let deed = self.deed(&mut tx, who, DeedKind::Settle, "", None).await?;
        let lot = self.settle_on(&mut tx, deed, draft, who, changes).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(lot)
    }

    /// Settles several drafts as they stand, in one transaction and as one
    /// deed, which one undo takes back. Gives the lots. `seen` of each draft is
    /// the last deed on it that the person saw.
    ///
    /// # Errors
    /// When one of them is settled or was changed meanwhile: then none is.
    pub async fn settle_each(&self, drafts: &[(i64, Option<i64>)], who: &str, why: &str) -> Result<Vec<i64>> {
        let mut tx = self.begin().await?;
        let mut lots = Vec::with_capacity(drafts.len());
        if drafts.is_empty() {
            return Ok(lots);
        }
        for (draft, seen) in drafts {
            self.seen_is_last(&mut tx, *draft, *seen).await?;
        }
        let deed = self.deed(&mut tx, who, DeedKind::Settle, why, None).await?;
        for (draft, _) in drafts {
            lots.push(self.settle_on(&mut tx, deed, *draft, who, &[]).await?);
        }
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(lots)
    }

    async fn settle_on(
        &self,
        tx: &mut SqliteConnection,
        deed: i64,
        draft: i64,
        who: &str,
        changes: &[Change],
    ) -> Result<i64> {
        let state = self.state_on(tx, draft).await?;
        if state == State::Settled {
            return Err(Trouble::new(format!("draft {draft}"), "is settled already")
                .hint("go on with the next one; undo brings it back"));
        }
        for step in &self.steps(tx, draft, None, changes).await? {
            self.take(tx, deed, step).await?;
        }
        let lot: i64 = match sqlx::query_scalar("SELECT id FROM lot WHERE draft = ?")
            .bind(draft)
            .fetch_optional(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?
        {
            Some(lot) => {
                sqlx::query("UPDATE lot SET settled = ?, settled_by = ? WHERE id = ?")
                    .bind(now())
                    .bind(who)
                    .bind(lot)
                    .execute(&mut *tx)
                    .await
                    .map_err(|e| self.trouble(e))?;
                lot
            }
            None => sqlx::query_scalar(
                "INSERT INTO lot (uuid, draft, settled, settled_by, standing)
                 VALUES (?, ?, ?, ?, 0) RETURNING id",
            )
            .bind(uuid::Uuid::now_v7().to_string())
            .bind(draft)
            .bind(now())
            .bind(who)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?,
        };
        let parsed: String = sqlx::query_scalar("SELECT parsed FROM draft WHERE id = ?")
            .bind(draft)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        let parsed: Parsed = serde_json::from_str(&parsed).map_err(|e| {
            Trouble::new(format!("draft {draft}"), "holds a reading that cannot be understood").cause(e)
        })?;
        let values: Vec<(String, String, String)> =
            sqlx::query_as("SELECT term, verbatim, value FROM draft_value WHERE draft = ?")
                .bind(draft)
                .fetch_all(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let old: BTreeMap<String, String> = self.lot_values(tx, lot).await?;
        for (term, verbatim, value) in &values {
            let was = old.get(term).cloned().unwrap_or_default();
            let read = parsed.field(term);
            let (origin, confidence) = origin(read.map(|f| (f.value.as_str(), f.confidence)), value);
            sqlx::query(
                "INSERT INTO lot_value (lot, term, verbatim, value, confidence, origin)
                 VALUES (?, ?, ?, ?, ?, ?)
                 ON CONFLICT (lot, term) DO UPDATE SET value = excluded.value,
                 confidence = excluded.confidence, origin = excluded.origin",
            )
            .bind(lot)
            .bind(term)
            .bind(verbatim)
            .bind(value)
            .bind(confidence)
            .bind(origin)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
            if was != *value {
                self.write_change(tx, deed, None, Some(lot), term, &was, value).await?;
            }
        }
        let standing = Step {
            draft: None,
            lot: Some(lot),
            term: STATE.into(),
            was: "not standing".into(),
            now: "standing".into(),
        };
        let state = Step {
            draft: Some(draft),
            lot: None,
            term: STATE.into(),
            was: state.word().into(),
            now: State::Settled.word().into(),
        };
        for step in [&standing, &state] {
            self.take(tx, deed, step).await?;
        }
        let value =
            |term: &str| values.iter().find(|v| v.0 == term).map_or(String::new(), |v| v.2.trim().to_owned());
        let number = value("catalogNumber");
        if !number.is_empty() {
            sqlx::query(
                "INSERT INTO specimen (uuid, lot, number, sex, added, deed) VALUES (?, ?, ?, ?, ?, ?)",
            )
            .bind(uuid::Uuid::now_v7().to_string())
            .bind(lot)
            .bind(number)
            .bind(value("sex"))
            .bind(now())
            .bind(deed)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        }
        if !value("scientificName").is_empty() {
            self.determined(tx, lot, deed, who, &value).await?;
        }
        self.index_lot(tx, lot).await?;
        Ok(lot)
    }

    async fn determined(
        &self,
        tx: &mut SqliteConnection,
        lot: i64,
        deed: i64,
        who: &str,
        value: &(impl Fn(&str) -> String + Sync),
    ) -> Result<()> {
        sqlx::query(
            "INSERT INTO determination (lot, name, by, day, entered, who, deed) VALUES (?, ?, ?, ?, ?, ?, ?)",
        )
        .bind(lot)
        .bind(value("scientificName"))
        .bind(value("identifiedBy"))
        .bind(value("dateIdentified"))
        .bind(now())
        .bind(who)
        .bind(deed)
        .execute(tx)
        .await
        .map_err(|e| self.trouble(e))?;
        Ok(())
    }

    /// See [`super::Catalogue::set_aside`].
    pub async fn set_aside(&self, draft: i64, who: &str, why: &str) -> Result<i64> {
        if why.trim().is_empty() {
            return Err(Trouble::new(format!("draft {draft}"), "was not set aside: no reason was given")
                .hint("say in a few words what is missing"));
        }
        self.move_to(draft, who, DeedKind::Aside, why, &[State::Waiting], State::Aside).await
    }

    /// See [`super::Catalogue::take_back`].
    pub async fn take_back(&self, draft: i64, who: &str) -> Result<i64> {
        self.move_to(draft, who, DeedKind::Back, "", &[State::Aside], State::Waiting).await
    }

    async fn move_to(
        &self,
        draft: i64,
        who: &str,
        kind: DeedKind,
        why: &str,
        from: &[State],
        to: State,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        let state = self.state_on(&mut tx, draft).await?;
        if !from.contains(&state) {
            return Err(Trouble::new(format!("draft {draft}"), format!("is {} already", state.word()))
                .hint("go on with the next one; undo brings it back"));
        }
        let deed = self.deed(&mut tx, who, kind, why, None).await?;
        let step = Step {
            draft: Some(draft),
            lot: None,
            term: STATE.into(),
            was: state.word().into(),
            now: to.word().into(),
        };
        self.take(&mut tx, deed, &step).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(deed)
    }

    /// See [`super::Catalogue::note`].
    pub async fn note(&self, draft: i64, who: &str, text: &str) -> Result<i64> {
        let mut tx = self.begin().await?;
        let was: String = sqlx::query_scalar("SELECT note FROM draft WHERE id = ?")
            .bind(draft)
            .fetch_optional(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| no_draft(draft))?;
        let text = text.trim();
        if was == text {
            return Ok(0);
        }
        let deed = self.deed(&mut tx, who, DeedKind::Note, "", None).await?;
        let step = Step { draft: Some(draft), lot: None, term: NOTE.into(), was, now: text.into() };
        self.take(&mut tx, deed, &step).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(deed)
    }

    /// Undoes the last deed of `who` that is not undone yet, or deed `only`.
    ///
    /// # Errors
    /// When there is nothing to undo, or something that the deed changed was
    /// changed again since.
    pub async fn undo(&self, who: &str, only: Option<i64>) -> Result<Undone> {
        let mut tx = self.begin().await?;
        let row = sqlx::query(
            "SELECT id, kind FROM deed WHERE kind <> 'undo'
             AND CASE WHEN ?2 IS NULL THEN who = ?1 ELSE id = ?2 END
             AND NOT EXISTS (SELECT 1 FROM deed AS later WHERE later.undoes = deed.id)
             ORDER BY id DESC LIMIT 1",
        )
        .bind(who)
        .bind(only)
        .fetch_optional(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?
        .ok_or_else(|| Trouble::new("undo", format!("{who} has nothing left to undo")))?;
        let (undone, kind): (i64, DeedKind) = (row.get(0), DeedKind::of(row.get(1)));
        let rows =
            sqlx::query("SELECT draft, lot, term, was, now FROM change WHERE deed = ? ORDER BY id DESC")
                .bind(undone)
                .fetch_all(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let steps: Vec<Step> = rows
            .iter()
            .map(|r| Step { draft: r.get(0), lot: r.get(1), term: r.get(2), was: r.get(4), now: r.get(3) })
            .collect();
        for step in &steps {
            if self.now_on(&mut tx, step).await? != step.was {
                return Err(Trouble::new("undo", format!("{} was changed again since", step.term))
                    .hint("undo the later change first, or type the value you want"));
            }
        }
        let deed = self.deed(&mut tx, who, DeedKind::Undo, "", Some(undone)).await?;
        let mut drafts = Vec::new();
        for step in &steps {
            self.take(&mut tx, deed, step).await?;
            if let Some(draft) = step.draft.filter(|d| !drafts.contains(d)) {
                drafts.push(draft);
            }
        }
        self.index_touched(&mut tx, &steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        drafts.reverse();
        Ok(Undone { deed: undone, kind, drafts })
    }

    // ---- the steps beneath

    async fn state_on(&self, tx: &mut SqliteConnection, draft: i64) -> Result<State> {
        let state: String = sqlx::query_scalar("SELECT state FROM draft WHERE id = ?")
            .bind(draft)
            .fetch_optional(tx)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| no_draft(draft))?;
        Ok(State::of(&state))
    }

    async fn lot_of(&self, tx: &mut SqliteConnection, draft: i64) -> Result<Option<i64>> {
        sqlx::query_scalar("SELECT id FROM lot WHERE draft = ? AND standing = 1")
            .bind(draft)
            .fetch_optional(tx)
            .await
            .map_err(|e| self.trouble(e))
    }

    async fn lot_values(&self, tx: &mut SqliteConnection, lot: i64) -> Result<BTreeMap<String, String>> {
        let rows: Vec<(String, String)> = sqlx::query_as("SELECT term, value FROM lot_value WHERE lot = ?")
            .bind(lot)
            .fetch_all(tx)
            .await
            .map_err(|e| self.trouble(e))?;
        Ok(rows.into_iter().collect())
    }

    async fn seen_is_last(&self, tx: &mut SqliteConnection, draft: i64, seen: Option<i64>) -> Result<()> {
        let last: Option<i64> = sqlx::query_scalar("SELECT max(deed) FROM change WHERE draft = ?")
            .bind(draft)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        if last.unwrap_or(0) == seen.unwrap_or(0) {
            return Ok(());
        }
        let who: String = sqlx::query_scalar("SELECT who FROM deed WHERE id = ?")
            .bind(last)
            .fetch_optional(tx)
            .await
            .map_err(|e| self.trouble(e))?
            .unwrap_or_default();
        Err(Trouble::new(
            format!("draft {draft}"),
            format!("was changed by {who} since this page was opened"),
        )
        .hint("look at it again; nothing of yours was written over theirs"))
    }

    /// What `changes` would alter, as steps; equal values make none.
    async fn steps(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        lot: Option<i64>,
        changes: &[Change],
    ) -> Result<Vec<Step>> {
        let mut steps: Vec<Step> = Vec::new();
        for change in changes {
            let value = change.value.trim();
            for (draft, lot) in [(Some(draft), None), (None, lot)] {
                if draft.is_none() && lot.is_none() {
                    continue;
                }
                let mut step =
                    Step { draft, lot, term: change.term.clone(), was: String::new(), now: value.into() };
                step.was = self.now_on(tx, &step).await?;
                if step.was != step.now {
                    steps.push(step);
                }
            }
        }
        Ok(steps)
    }

    /// The value that a step's place has now.
    async fn now_on(&self, tx: &mut SqliteConnection, step: &Step) -> Result<String> {
        let place = step.place();
        let query = match (&place, step.term.as_str()) {
            (Place::Draft(id), STATE) => sqlx::query_scalar("SELECT state FROM draft WHERE id = ?").bind(id),
            (Place::Draft(id), NOTE) => sqlx::query_scalar("SELECT note FROM draft WHERE id = ?").bind(id),
            (Place::Lot(id), STATE) => sqlx::query_scalar(
                "SELECT CASE standing WHEN 1 THEN 'standing' ELSE 'not standing' END FROM lot WHERE id = ?",
            )
            .bind(id),
            (Place::Draft(id), term) => {
                sqlx::query_scalar("SELECT value FROM draft_value WHERE draft = ? AND term = ?")
                    .bind(id)
                    .bind(term)
            }
            (Place::Lot(id), term) => {
                sqlx::query_scalar("SELECT value FROM lot_value WHERE lot = ? AND term = ?")
                    .bind(id)
                    .bind(term)
            }
        };
        let now: Option<String> = query.fetch_optional(tx).await.map_err(|e| self.trouble(e))?;
        Ok(now.unwrap_or_default())
    }

    /// Takes a step: the value changes and history says so.
    async fn take(&self, tx: &mut SqliteConnection, deed: i64, step: &Step) -> Result<()> {
        let now = step.now.as_str();
        let query = match (step.place(), step.term.as_str()) {
            (Place::Draft(id), STATE) => {
                sqlx::query("UPDATE draft SET state = ? WHERE id = ?").bind(now).bind(id)
            }
            (Place::Draft(id), NOTE) => {
                sqlx::query("UPDATE draft SET note = ? WHERE id = ?").bind(now).bind(id)
            }
            (Place::Lot(id), STATE) => {
                sqlx::query("UPDATE lot SET standing = ? WHERE id = ?").bind(now == "standing").bind(id)
            }
            (Place::Draft(id), term) => sqlx::query(
                "INSERT INTO draft_value (draft, term, verbatim, value) VALUES (?1, ?2, '', ?3)
                 ON CONFLICT (draft, term) DO UPDATE SET value = excluded.value",
            )
            .bind(id)
            .bind(term)
            .bind(now),
            (Place::Lot(id), term) => sqlx::query(
                "INSERT INTO lot_value (lot, term, verbatim, value, origin) VALUES (?1, ?2, '', ?3, 'typed')
                 ON CONFLICT (lot, term) DO UPDATE SET value = excluded.value, confidence = NULL,
                 origin = CASE verbatim WHEN '' THEN 'typed' ELSE 'changed' END",
            )
            .bind(id)
            .bind(term)
            .bind(now),
        };
        query.execute(&mut *tx).await.map_err(|e| self.trouble(e))?;
        self.write_change(tx, deed, step.draft, step.lot, &step.term, &step.was, &step.now).await
    }

    #[expect(clippy::too_many_arguments, reason = "one row, named by its columns")]
    async fn write_change(
        &self,
        tx: &mut SqliteConnection,
        deed: i64,
        draft: Option<i64>,
        lot: Option<i64>,
        term: &str,
        was: &str,
        now: &str,
    ) -> Result<()> {
        sqlx::query("INSERT INTO change (deed, draft, lot, term, was, now) VALUES (?, ?, ?, ?, ?, ?)")
            .bind(deed)
            .bind(draft)
            .bind(lot)
            .bind(term)
            .bind(was)
            .bind(now)
            .execute(tx)
            .await
            .map_err(|e| self.trouble(e))?;
        Ok(())
    }

    async fn deed(
        &self,
        tx: &mut SqliteConnection,
        who: &str,
        kind: DeedKind,
        why: &str,
        undoes: Option<i64>,
    ) -> Result<i64> {
        if who.trim().is_empty() {
            return Err(Trouble::new("this change", "has no name to it")
                .hint("say who settles, for example: glassine review FOLDER --who \"A. Vell\""));
        }
        sqlx::query_scalar(
            "INSERT INTO deed (at, who, kind, why, undoes) VALUES (?, ?, ?, ?, ?) RETURNING id",
        )
        .bind(now())
        .bind(who.trim())
        .bind(kind.word())
        .bind(why.trim())
        .bind(undoes)
        .fetch_one(tx)
        .await
        .map_err(|e| self.trouble(e))
    }

    /// Brings names and search of every lot in `steps` up to its values.
    async fn index_touched(&self, tx: &mut SqliteConnection, steps: &[Step]) -> Result<()> {
        let mut lots: Vec<i64> = steps.iter().filter_map(|s| s.lot).collect();
        lots.sort_unstable();
        lots.dedup();
        for lot in lots {
            self.index_lot(tx, lot).await?;
        }
        Ok(())
    }

    /// Writes the words of a lot into the search index, or takes them out where
    /// the lot does not stand.
    async fn index_lot(&self, tx: &mut SqliteConnection, lot: i64) -> Result<()> {
        let standing: bool = sqlx::query_scalar("SELECT standing FROM lot WHERE id = ?")
            .bind(lot)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        sqlx::query("DELETE FROM lot_words WHERE rowid = ?")
            .bind(lot)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        if !standing {
            return Ok(());
        }
        let rows: Vec<(String, String)> =
            sqlx::query_as("SELECT value, verbatim FROM lot_value WHERE lot = ?")
                .bind(lot)
                .fetch_all(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let mut text = String::new();
        for (value, verbatim) in &rows {
            text.push_str(value);
            text.push('\n');
            if verbatim != value {
                text.push_str(verbatim);
                text.push('\n');
            }
        }
        sqlx::query("INSERT INTO lot_words (rowid, text) VALUES (?, ?)")
            .bind(lot)
            .bind(&text)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        // Only words long enough to be found by three letters in a row.
        for word in words(&text).filter(|w| w.chars().count() >= 4) {
            sqlx::query("INSERT OR IGNORE INTO word (word) VALUES (?)")
                .bind(word.to_lowercase())
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        }
        Ok(())
    }

    /// The history of a draft (and its lot), or of a lot, oldest deed first.
    pub(super) async fn history_on(
        &self,
        conn: &mut SqliteConnection,
        draft: Option<i64>,
        lot: Option<i64>,
    ) -> Result<Vec<Deed>> {
        let rows = sqlx::query(
            "SELECT deed.id, at, who, kind, why, undoes, term, was, now,
                    EXISTS (SELECT 1 FROM deed AS later WHERE later.undoes = deed.id)
             FROM change JOIN deed ON deed.id = change.deed
             WHERE change.draft = ?1 OR change.lot = ?2 ORDER BY change.id",
        )
        .bind(draft)
        .bind(lot)
        .fetch_all(conn)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut history: Vec<Deed> = Vec::new();
        for row in rows {
            let id: i64 = row.get(0);
            if history.last().is_none_or(|d| d.id != id) {
                history.push(Deed {
                    id,
                    at: row.get(1),
                    who: row.get(2),
                    kind: DeedKind::of(row.get(3)),
                    why: row.get(4),
                    undoes: row.get(5),
                    undone: row.get(9),
                    changes: Vec::new(),
                });
            }
            if let Some(deed) = history.last_mut() {
                deed.changes.push((row.get(6), row.get(7), row.get(8)));
            }
        }
        Ok(history)
    }
}

/// Whether a value stands as understood, was changed, or was typed where
/// nothing was understood; and the machine's confidence where it stands.
fn origin(read: Option<(&str, f32)>, value: &str) -> (&'static str, Option<f32>) {
    match read {
        Some((read, confidence)) if read == value => ("read", Some(confidence)),
        Some((read, _)) if !read.is_empty() => ("changed", None),
        _ => ("typed", None),
    }
}

/// One change of one place.
#[derive(Debug)]
struct Step {
    draft: Option<i64>,
    lot: Option<i64>,
    term: String,
    was: String,
    now: String,
}

enum Place {
    Draft(i64),
    Lot(i64),
}

impl Step {
    fn place(&self) -> Place {
        match (self.draft, self.lot) {
            (_, Some(lot)) => Place::Lot(lot),
            (Some(draft), None) => Place::Draft(draft),
            (None, None) => unreachable!("a step is made with a draft or a lot"),
        }
    }
}
