//! What a person does to drafts and records: each deed with all its changes is
//! one transaction, and undoing it is a further deed. Nothing is taken out of
//! history.

use super::drafts::{State, no_draft, words};
use super::events::of_event;
use super::stages::STAGE_OF;
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
pub(super) const STATE: &str = "state";
/// A pseudo-term of the history: the draft's note.
const NOTE: &str = "note";
/// A pseudo-term of the history: the code of the container that holds a lot,
/// a specimen (`specimen 5 kept in`) or another container. With a space in it
/// no Darwin Core term can be taken for it.
pub(super) const KEPT_IN: &str = "kept in";
/// A pseudo-term of the history: whether a draft is in the trash.
pub(super) const IN_TRASH: &str = "in the trash";
/// What settling a notebook page gives in place of a lot: it makes none.
const NO_LOT: i64 = 0;
/// States of a lot.
pub(super) const STANDING: &str = "standing";
pub(super) const NOT_STANDING: &str = "not standing";
pub(super) const TRASHED: &str = "in the trash";
/// How the state of a lot that went into another begins; that one's number follows.
pub(super) const MERGED: &str = "merged into record ";
/// A specimen counts while it has a number and the deed that made it stands.
pub(super) const SPECIMEN_STANDS: &str =
    "specimen.number <> '' AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = specimen.deed)";

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
            let lot =
                if state == State::Settled { Some(self.standing_lot(&mut tx, *draft).await?) } else { None };
            steps.extend(self.steps(&mut tx, *draft, lot, changes).await?);
        }
        self.change_by(tx, &steps, who, why).await
    }

    /// Takes `steps` as one deed that changes values, and ends the transaction.
    /// No steps make no deed and give 0.
    pub(super) async fn change_by(
        &self,
        mut tx: sqlx::Transaction<'static, sqlx::Sqlite>,
        steps: &[Step],
        who: &str,
        why: &str,
    ) -> Result<i64> {
        if steps.is_empty() {
            return Ok(0);
        }
        let deed = self.deed(&mut tx, who, DeedKind::Change, why, None).await?;
        for step in steps {
            self.take(&mut tx, deed, step).await?;
        }
        self.determined_anew(&mut tx, deed, who, steps).await?;
        self.index_touched(&mut tx, steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(deed)
    }

    /// A name changed in a record is a determination: history keeps it with the
    /// others.
    async fn determined_anew(
        &self,
        tx: &mut SqliteConnection,
        deed: i64,
        who: &str,
        steps: &[Step],
    ) -> Result<()> {
        for step in steps.iter().filter(|s| s.term == "scientificName" && !s.now.is_empty()) {
            let Some(lot) = step.lot else { continue };
            let values = self.lot_values(tx, lot).await?;
            let value = |term: &str| values.get(term).cloned().unwrap_or_default();
            self.determined(tx, lot, deed, who, &value).await?;
        }
        Ok(())
    }

    /// See [`super::Catalogue::settle`].
    pub async fn settle(&self, draft: i64, who: &str, changes: &[Change], seen: Option<i64>) -> Result<i64> {
        self.settle_into(draft, who, changes, seen, None).await
    }

    /// Settles a draft and puts its lot into a container, as one deed.
    ///
    /// # Errors
    /// As [`Store::settle`], and when there is no such container.
    pub async fn settle_into(
        &self,
        draft: i64,
        who: &str,
        changes: &[Change],
        seen: Option<i64>,
        into: Option<&str>,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        self.seen_is_last(&mut tx, draft, seen).await?;
        let deed = self.deed(&mut tx, who, DeedKind::Settle, "", None).await?;
        let lot = self.settle_on(&mut tx, deed, draft, who, changes).await?;
        self.put_away(&mut tx, deed, lot, into).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(lot)
    }

    /// Puts a lot just settled into a container, where one is named.
    async fn put_away(
        &self,
        tx: &mut SqliteConnection,
        deed: i64,
        lot: i64,
        into: Option<&str>,
    ) -> Result<()> {
        let Some(into) = into.filter(|_| lot != NO_LOT) else { return Ok(()) };
        let (_, code) = self.container_coded(tx, into).await?;
        let mut step = Step::of_lot(lot, KEPT_IN, "", &code);
        step.was = self.now_on(tx, &step).await?;
        if step.was != step.now {
            self.take(tx, deed, &step).await?;
        }
        Ok(())
    }

    /// Settles several drafts as they stand, in one transaction and as one
    /// deed, which one undo takes back. Gives the lots. `seen` of each draft is
    /// the last deed on it that the person saw; `into` names the container that
    /// its lot goes into.
    ///
    /// # Errors
    /// When one of them is settled or was changed meanwhile, or there is no such
    /// container: then none is.
    pub async fn settle_each(
        &self,
        drafts: &[(i64, Option<i64>)],
        who: &str,
        why: &str,
        into: impl Fn(i64) -> Option<String>,
    ) -> Result<Vec<i64>> {
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
            let lot = self.settle_on(&mut tx, deed, *draft, who, &[]).await?;
            self.put_away(&mut tx, deed, lot, into(*draft).as_deref()).await?;
            lots.push(lot);
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
        self.not_in_trash(tx, draft).await?;
        for step in &self.steps(tx, draft, None, changes).await? {
            self.take(tx, deed, step).await?;
        }
        if self.is_page(tx, draft).await? {
            let step = Step::of_draft(draft, STATE, state.word(), State::Settled.word());
            self.take(tx, deed, &step).await?;
            return Ok(NO_LOT);
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
        let standing = Step::of_lot(lot, STATE, NOT_STANDING, STANDING);
        let state = Step::of_draft(draft, STATE, state.word(), State::Settled.word());
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

    pub(super) async fn determined(
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
        self.not_in_trash(&mut tx, draft).await?;
        let deed = self.deed(&mut tx, who, kind, why, None).await?;
        let step = Step::of_draft(draft, STATE, state.word(), to.word());
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
        let step = Step::of_draft(draft, NOTE, &was, text);
        self.take(&mut tx, deed, &step).await?;
        self.index_touched(&mut tx, &[step]).await?;
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
        .ok_or_else(|| {
            Trouble::new("undo", format!("{who} has nothing left to undo"))
                .hint("if the name is spelt otherwise in the history, give it as it stands there")
        })?;
        let (undone, kind): (i64, DeedKind) = (row.get(0), DeedKind::of(row.get(1)));
        let rows =
            sqlx::query(
                "SELECT draft, lot, NULL, term, was, now, id FROM change WHERE deed = ?1
                 UNION ALL SELECT NULL, NULL, container, term, was, now, id FROM container_change WHERE deed = ?1
                 ORDER BY 7 DESC",
            )
                .bind(undone)
                .fetch_all(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        let steps: Vec<Step> = rows
            .iter()
            .map(|r| Step {
                draft: r.get(0),
                lot: r.get(1),
                container: r.get(2),
                term: r.get(3),
                was: r.get(5),
                now: r.get(4),
            })
            .collect();
        for step in &steps {
            if self.now_on(&mut tx, step).await? != step.was {
                return Err(Trouble::new("undo", format!("{} was changed again since", step.term))
                    .hint("undo the later change first, or type the value you want"));
            }
            self.leaves_no_orphans(&mut tx, step).await?;
            // What another person threw away since stays thrown away whole.
            let taken_out = |s: &Step| s.draft == step.draft && s.term == IN_TRASH;
            if let (Some(draft), STATE) = (step.draft, step.term.as_str())
                && !steps.iter().any(taken_out)
            {
                self.not_in_trash(&mut tx, draft).await?;
            }
        }
        let deed = self.deed(&mut tx, who, DeedKind::Undo, "", Some(undone)).await?;
        let mut drafts = Vec::new();
        for step in &steps {
            self.take(&mut tx, deed, step).await?;
            if let Some(draft) = step.draft.filter(|d| !drafts.contains(d)) {
                drafts.push(draft);
            }
            // An entry that had no value of its own has none again: what goes on
            // from the page before counts.
            if let Some(draft) = step.draft.filter(|_| step.now.is_empty() && of_event(&step.term).is_some())
            {
                sqlx::query(
                    "DELETE FROM draft_value WHERE draft = ?1 AND term = ?2 AND value = '' AND verbatim = ''
                     AND NOT EXISTS (SELECT 1 FROM change JOIN deed ON deed.id = change.deed
                         WHERE draft = ?1 AND term = ?2 AND deed.id < ?3 AND kind <> 'undo'
                         AND NOT EXISTS (SELECT 1 FROM deed AS later WHERE later.undoes = deed.id))",
                )
                .bind(draft)
                .bind(&step.term)
                .bind(undone)
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            }
        }
        self.index_touched(&mut tx, &steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        drafts.reverse();
        Ok(Undone { deed: undone, kind, drafts })
    }

    // ---- the steps beneath

    pub(super) async fn state_on(&self, tx: &mut SqliteConnection, draft: i64) -> Result<State> {
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

    /// The record of a settled draft, where it stands; else where it went.
    async fn standing_lot(&self, tx: &mut SqliteConnection, draft: i64) -> Result<i64> {
        if let Some(lot) = self.lot_of(tx, draft).await? {
            return Ok(lot);
        }
        let fate: String = sqlx::query_scalar("SELECT fate FROM lot WHERE draft = ?")
            .bind(draft)
            .fetch_optional(tx)
            .await
            .map_err(|e| self.trouble(e))?
            .unwrap_or_default();
        Err(Trouble::new(format!("the record of draft {draft}"), format!("was {fate}"))
            .hint("change it there, or undo that first"))
    }

    /// Refuses to undo what later deeds rest on without having changed it.
    async fn leaves_no_orphans(&self, tx: &mut SqliteConnection, step: &Step) -> Result<()> {
        let (query, id) = match (step.place(), step.term.as_str(), step.now.as_str()) {
            (Place::Lot(id), STATE, NOT_STANDING) => (
                "SELECT 'a part was split off, or another record merged into it, since' FROM lot
                 WHERE standing = 1 AND part_of = ?1 OR fate <> '' AND fate = 'merged into record ' || ?1 LIMIT 1",
                id,
            ),
            (Place::Container(id), STATE, NOT_STANDING) => (
                "SELECT 'something was put into it since' WHERE
                 EXISTS (SELECT 1 FROM lot WHERE container = ?1)
                 OR EXISTS (SELECT 1 FROM specimen WHERE container = ?1)
                 OR EXISTS (SELECT 1 FROM container WHERE inside = ?1)",
                id,
            ),
            _ => return Ok(()),
        };
        let why: Option<String> =
            sqlx::query_scalar(query).bind(id).fetch_optional(tx).await.map_err(|e| self.trouble(e))?;
        match why {
            Some(why) => Err(Trouble::new("undo", why).hint("undo the later deed first")),
            None => Ok(()),
        }
    }

    pub(super) async fn lot_values(
        &self,
        tx: &mut SqliteConnection,
        lot: i64,
    ) -> Result<BTreeMap<String, String>> {
        let rows: Vec<(String, String)> = sqlx::query_as("SELECT term, value FROM lot_value WHERE lot = ?")
            .bind(lot)
            .fetch_all(tx)
            .await
            .map_err(|e| self.trouble(e))?;
        Ok(rows.into_iter().collect())
    }

    pub(super) async fn seen_is_last(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        seen: Option<i64>,
    ) -> Result<()> {
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
    pub(super) async fn steps(
        &self,
        tx: &mut SqliteConnection,
        draft: impl Into<Option<i64>>,
        lot: Option<i64>,
        changes: &[Change],
    ) -> Result<Vec<Step>> {
        let draft = draft.into();
        let mut steps: Vec<Step> = Vec::new();
        for change in changes {
            let value = change.value.trim();
            for (draft, lot) in [(draft, None), (None, lot)] {
                if draft.is_none() && lot.is_none() {
                    continue;
                }
                let term = change.term.clone();
                let mut step = Step { draft, lot, term, now: value.into(), ..Step::default() };
                step.was = self.now_on(tx, &step).await?;
                let page = step.draft.filter(|_| step.was.is_empty());
                let out = match page {
                    Some(page) => self.takes_out(page, change).await?,
                    None => false,
                };
                if step.was != step.now || out {
                    steps.push(step);
                }
            }
        }
        Ok(steps)
    }

    /// The value that a step's place has now.
    pub(super) async fn now_on(&self, tx: &mut SqliteConnection, step: &Step) -> Result<String> {
        let place = step.place();
        let (specimen, stage) = (step.specimen(), step.stage());
        let query = match (&place, step.term.as_str()) {
            (Place::Draft(id), STATE) => sqlx::query_scalar("SELECT state FROM draft WHERE id = ?").bind(id),
            (Place::Draft(id), NOTE) => sqlx::query_scalar("SELECT note FROM draft WHERE id = ?").bind(id),
            (Place::Lot(id), STATE) => sqlx::query_scalar(
                "SELECT CASE WHEN standing = 1 THEN 'standing' WHEN fate = '' THEN 'not standing' ELSE fate END
                 FROM lot WHERE id = ?",
            )
            .bind(id),
            (Place::Container(id), STATE) => sqlx::query_scalar(
                "SELECT CASE standing WHEN 1 THEN 'standing' ELSE 'not standing' END FROM container WHERE id = ?",
            )
            .bind(id),
            (Place::Container(id), _) => sqlx::query_scalar(
                "SELECT coalesce(outer.code, '') FROM container
                 LEFT JOIN container AS outer ON outer.id = container.inside WHERE container.id = ?",
            )
            .bind(id),
            (Place::Draft(id), IN_TRASH) => {
                sqlx::query_scalar("SELECT CASE trash WHEN 1 THEN 'yes' ELSE '' END FROM draft WHERE id = ?")
                    .bind(id)
            }
            (Place::Lot(id), KEPT_IN) => sqlx::query_scalar(
                "SELECT coalesce(code, '') FROM lot LEFT JOIN container ON container.id = lot.container
                 WHERE lot.id = ?",
            )
            .bind(id),
            (Place::Lot(lot), _) if stage.is_some() => {
                let (specimen, track) = stage.unwrap_or_default();
                sqlx::query_scalar(match specimen {
                    Some(_) => "SELECT value FROM specimen_stage WHERE specimen = ? AND track = ?",
                    None => "SELECT value FROM lot_stage WHERE lot = ? AND track = ?",
                })
                .bind(specimen.unwrap_or(*lot))
                .bind(track)
            }
            (Place::Lot(_), _) if specimen.is_some() => {
                let (id, what) = specimen.unwrap_or_default();
                sqlx::query_scalar(match what {
                    KEPT_IN => {
                        "SELECT coalesce(code, '') FROM specimen
                         LEFT JOIN container ON container.id = specimen.container WHERE specimen.id = ?"
                    }
                    "record" => "SELECT CAST(lot AS TEXT) FROM specimen WHERE id = ?",
                    "sex" => "SELECT sex FROM specimen WHERE id = ?",
                    "name" => {
                        "SELECT name FROM determination WHERE specimen = ?
                         AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = determination.deed)
                         ORDER BY id DESC LIMIT 1"
                    }
                    _ => "SELECT number FROM specimen WHERE id = ?",
                })
                .bind(id)
            }
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
    pub(super) async fn take(&self, tx: &mut SqliteConnection, deed: i64, step: &Step) -> Result<()> {
        let now = step.now.as_str();
        let (specimen, stage) = (step.specimen(), step.stage());
        let query = match (step.place(), step.term.as_str()) {
            (Place::Draft(id), STATE) => {
                sqlx::query("UPDATE draft SET state = ? WHERE id = ?").bind(now).bind(id)
            }
            (Place::Draft(id), NOTE) => {
                sqlx::query("UPDATE draft SET note = ? WHERE id = ?").bind(now).bind(id)
            }
            (Place::Lot(id), STATE) => sqlx::query("UPDATE lot SET standing = ?, fate = ? WHERE id = ?")
                .bind(now == STANDING)
                .bind(if [STANDING, NOT_STANDING].contains(&now) { "" } else { now })
                .bind(id),
            (Place::Container(id), STATE) => {
                sqlx::query("UPDATE container SET standing = ? WHERE id = ?").bind(now == STANDING).bind(id)
            }
            (Place::Container(id), _) => sqlx::query(
                "UPDATE container SET inside = (SELECT id FROM container WHERE code = ?) WHERE id = ?",
            )
            .bind(now)
            .bind(id),
            (Place::Draft(id), IN_TRASH) => {
                sqlx::query("UPDATE draft SET trash = ? WHERE id = ?").bind(!now.is_empty()).bind(id)
            }
            (Place::Lot(id), KEPT_IN) => sqlx::query(
                "UPDATE lot SET container = (SELECT id FROM container WHERE code = ?) WHERE id = ?",
            )
            .bind(now)
            .bind(id),
            (Place::Lot(lot), _) if stage.is_some() => {
                let (specimen, track) = stage.unwrap_or_default();
                sqlx::query(match specimen {
                    Some(_) => {
                        "INSERT INTO specimen_stage (value, specimen, track) VALUES (?, ?, ?)
                         ON CONFLICT (specimen, track) DO UPDATE SET value = excluded.value"
                    }
                    None => {
                        "INSERT INTO lot_stage (value, lot, track) VALUES (?, ?, ?)
                         ON CONFLICT (lot, track) DO UPDATE SET value = excluded.value"
                    }
                })
                .bind(now)
                .bind(specimen.unwrap_or(lot))
                .bind(track)
            }
            (Place::Lot(_), _) if specimen.is_some() => {
                let (id, what) = specimen.unwrap_or_default();
                sqlx::query(match what {
                    KEPT_IN => {
                        "UPDATE specimen SET container = (SELECT id FROM container WHERE code = ?) WHERE id = ?"
                    }
                    "record" => "UPDATE specimen SET lot = CAST(? AS INTEGER) WHERE id = ?",
                    "sex" => "UPDATE specimen SET sex = ? WHERE id = ?",
                    // Names live in the determinations, which go with their deed.
                    "name" => "UPDATE specimen SET sex = sex WHERE ? <> '' AND id = ?",
                    _ => "UPDATE specimen SET number = ? WHERE id = ?",
                })
                .bind(now)
                .bind(id)
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
        if let Some(draft) = step.draft {
            self.renumbered(tx, draft, &step.term, now).await?;
        }
        if let (Some(lot), "catalogNumber" | "sex") = (step.lot, step.term.as_str()) {
            // The animal whose number or sex it was has the new one.
            let column = if step.term == "sex" { "sex" } else { "number" };
            let sql = format!(
                "UPDATE specimen SET {column} = ?1 WHERE lot = ?2 AND {column} = ?3 AND {SPECIMEN_STANDS}
                 AND ?1 <> '' AND 1 = (SELECT count(*) FROM specimen WHERE lot = ?2 AND {SPECIMEN_STANDS})"
            );
            sqlx::query(&sql)
                .bind(now)
                .bind(lot)
                .bind(&step.was)
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        }
        if let Some(container) = step.container {
            sqlx::query(
                "INSERT INTO container_change (deed, container, term, was, now) VALUES (?, ?, ?, ?, ?)",
            )
            .bind(deed)
            .bind(container)
            .bind(&step.term)
            .bind(&step.was)
            .bind(&step.now)
            .execute(tx)
            .await
            .map_err(|e| self.trouble(e))?;
            return Ok(());
        }
        self.write_change(tx, deed, step.draft, step.lot, &step.term, &step.was, &step.now).await
    }

    #[expect(clippy::too_many_arguments, reason = "one row, named by its columns")]
    pub(super) async fn write_change(
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

    pub(super) async fn deed(
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
    pub(super) async fn index_touched(&self, tx: &mut SqliteConnection, steps: &[Step]) -> Result<()> {
        // Where a thing lies and its stage are no words that it is found by.
        let found_by = |s: &&Step| {
            s.stage().is_none() && s.term != KEPT_IN && s.specimen().is_none_or(|(_, what)| what != KEPT_IN)
        };
        let mut lots: Vec<i64> = steps.iter().filter(found_by).filter_map(|s| s.lot).collect();
        // Specimens are found where they went to and no longer where they were;
        // what is merged is found with what it went into.
        for step in steps {
            let moved = step.specimen().is_some_and(|s| s.1 == "record");
            let number =
                |text: &str| text.strip_prefix(MERGED).or(moved.then_some(text))?.parse::<i64>().ok();
            lots.extend([step.was.as_str(), step.now.as_str()].into_iter().filter_map(number));
        }
        // The note of a draft is found with its record and the parts of it.
        for draft in steps.iter().filter(|s| s.term == NOTE).filter_map(|s| s.draft) {
            let of: Vec<i64> = sqlx::query_scalar(
                "WITH RECURSIVE its (id) AS (SELECT id FROM lot WHERE draft = ?
                     UNION SELECT lot.id FROM its JOIN lot ON lot.part_of = its.id) SELECT id FROM its",
            )
            .bind(draft)
            .fetch_all(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
            lots.extend(of);
        }
        lots.sort_unstable();
        lots.dedup();
        for lot in lots {
            self.index_lot(tx, lot).await?;
        }
        Ok(())
    }

    /// Writes the words of a lot into the search index, or takes them out where
    /// the lot does not stand.
    pub(super) async fn index_lot(&self, tx: &mut SqliteConnection, lot: i64) -> Result<()> {
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
        let text: String = sqlx::query_scalar("SELECT text FROM lot_text WHERE lot = ?")
            .bind(lot)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        sqlx::query("INSERT INTO lot_words (rowid, text) VALUES (?, ?)")
            .bind(lot)
            .bind(&text)
            .execute(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        // Only words long enough to be found by three letters in a row.
        // Numbers are found as they stand or not at all: a number one digit off is
        // another number, and a million of them would drown the words.
        let spelt = |w: &&str| w.chars().count() >= 4 && w.chars().any(char::is_alphabetic);
        for word in words(&text).filter(spelt) {
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
                // A value of a settled draft changes in its record too: told once.
                let change = (row.get(6), row.get(7), row.get(8));
                if !deed.changes.contains(&change) {
                    deed.changes.push(change);
                }
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
#[derive(Clone, Debug, Default)]
pub(super) struct Step {
    pub(super) draft: Option<i64>,
    pub(super) lot: Option<i64>,
    pub(super) container: Option<i64>,
    pub(super) term: String,
    pub(super) was: String,
    pub(super) now: String,
}

pub(super) enum Place {
    Draft(i64),
    Lot(i64),
    Container(i64),
}

impl Step {
    pub(super) fn of_draft(draft: i64, term: &str, was: &str, now: &str) -> Step {
        Step { draft: Some(draft), term: term.into(), was: was.into(), now: now.into(), ..Step::default() }
    }

    pub(super) fn of_lot(lot: i64, term: &str, was: &str, now: &str) -> Step {
        Step { lot: Some(lot), term: term.into(), was: was.into(), now: now.into(), ..Step::default() }
    }

    pub(super) fn of_container(container: i64, term: &str, was: &str, now: &str) -> Step {
        let container = Some(container);
        Step { container, term: term.into(), was: was.into(), now: now.into(), ..Step::default() }
    }

    fn place(&self) -> Place {
        match (self.draft, self.lot, self.container) {
            (_, Some(lot), _) => Place::Lot(lot),
            (Some(draft), None, _) => Place::Draft(draft),
            (None, None, Some(container)) => Place::Container(container),
            (None, None, None) => unreachable!("a step is made with what it changes"),
        }
    }

    /// The track whose stage this step changes, and the specimen where it is a
    /// specimen's own.
    fn stage(&self) -> Option<(Option<i64>, &str)> {
        match self.specimen() {
            Some((id, what)) => what.strip_prefix(STAGE_OF).map(|track| (Some(id), track)),
            None => self.term.strip_prefix(STAGE_OF).map(|track| (None, track)),
        }
    }

    /// The specimen and what of it this step changes: `specimen 5 number`.
    fn specimen(&self) -> Option<(i64, &str)> {
        let (id, what) = self.term.strip_prefix("specimen ")?.split_once(' ')?;
        Some((id.parse().ok()?, what))
    }
}
