//! Doubts of drafts after their values changed: those that no longer hold leave
//! the list and are remembered, new ones come in.

use super::drafts::Draft;
use super::events::{EVENT, PageEvent};
use super::store::{Catalogue, Store, now};
use crate::checking::Doubt;
use crate::parsing::notebook::{Noted, Origin};
use crate::parsing::{Field, Parsed};
use crate::trouble::Result;
use sqlx::SqliteConnection;

/// The kind of doubts that a page and an envelope have together.
pub(super) const JOINED: &str = "notebook-differs";

impl Draft {
    /// What was understood with a person's values in place of the machine's: a
    /// value given by a person is certain, and the words it stood for tell
    /// nothing more. `events` are the draft's own, where it is of a notebook page.
    pub fn understood_now(&self, events: &[PageEvent]) -> Parsed {
        let mut parsed = self.parsed.clone();
        let given = |term: &str, value: &str, read: Option<&Field>| Field {
            term: term.into(),
            verbatim: String::new(),
            value: value.into(),
            confidence: 1.0,
            candidates: Vec::new(),
            spans: read.map(|f| f.spans.clone()).unwrap_or_default(),
            boxes: read.map(|f| f.boxes.clone()).unwrap_or_default(),
            note: String::new(),
        };
        for value in self.values.iter().filter(|v| v.changed()) {
            let field = given(&value.term, &value.value, value.read.as_ref());
            match parsed.fields.iter_mut().find(|f| f.term == value.term) {
                Some(there) => *there = field,
                None => parsed.fields.push(field),
            }
        }
        for event in events {
            let Some(entry) = parsed.entries.get_mut(event.nth as usize - 1) else { continue };
            for value in event.values.iter().filter(|v| v.value != entry.value(&v.term)).collect::<Vec<_>>() {
                let mut field = given(&value.term, &value.value, entry.noted(&value.term).map(|n| &n.field));
                let origin = if value.before.is_some() { Origin::Before } else { Origin::Read };
                field.note = value.before.as_ref().map_or(String::new(), |b| b.page.clone());
                match entry.values.iter_mut().find(|n| n.field.term == value.term) {
                    Some(there) => *there = Noted { field, origin },
                    None => entry.values.push(Noted { field, origin }),
                }
            }
        }
        parsed
    }
}

impl Store {
    /// Takes `found`, what the checks find now, for the doubts of a draft: those
    /// that no longer hold go to the past ones, with when. What a notebook page
    /// and an envelope have together is not among them (see
    /// [`Store::doubt_joined`]).
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn hold_doubts(&self, draft: i64, found: &[Doubt]) -> Result<()> {
        let mut tx = self.begin().await?;
        let there: Vec<(String, String)> =
            sqlx::query_as("SELECT kind, sentence FROM doubt WHERE draft = ? ORDER BY nth")
                .bind(draft)
                .fetch_all(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        for (_, sentence) in there.iter().filter(|t| t.0 != JOINED) {
            if !found.iter().any(|d| d.sentence == *sentence) {
                self.past_doubt(&mut tx, draft, sentence).await?;
            }
        }
        for doubt in found {
            self.add_doubt(&mut tx, draft, &doubt.terms.join(" "), doubt).await?;
        }
        self.weigh(&mut tx, draft).await?;
        tx.commit().await.map_err(|e| self.trouble(e))
    }

    /// Weighs a draft anew, after doubts left its list or came to it: its place in
    /// the queue is their sum.
    pub(super) async fn weigh(&self, tx: &mut SqliteConnection, draft: i64) -> Result<()> {
        sqlx::query(
            "UPDATE draft SET weight = (SELECT coalesce(sum(weight), 0.0) FROM doubt WHERE draft = ?1)
             WHERE id = ?1",
        )
        .bind(draft)
        .execute(tx)
        .await
        .map(|_| ())
        .map_err(|e| self.trouble(e))
    }

    /// A doubt leaves the list of a draft and is remembered; see [`Store::weigh`].
    pub(super) async fn past_doubt(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        sentence: &str,
    ) -> Result<()> {
        sqlx::query(
            "INSERT INTO doubt_past (draft, kind, terms, sentence, weight, gone)
             SELECT draft, kind, terms, sentence, weight, ?3 FROM doubt WHERE draft = ?1 AND sentence = ?2",
        )
        .bind(draft)
        .bind(sentence)
        .bind(now())
        .execute(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        sqlx::query("DELETE FROM doubt WHERE draft = ? AND sentence = ?")
            .bind(draft)
            .bind(sentence)
            .execute(tx)
            .await
            .map(|_| ())
            .map_err(|e| self.trouble(e))
    }

    /// A doubt comes to the list of a draft, where it is not there yet; see
    /// [`Store::weigh`].
    pub(super) async fn add_doubt(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        terms: &str,
        doubt: &Doubt,
    ) -> Result<()> {
        sqlx::query(
            "INSERT INTO doubt (draft, nth, kind, terms, sentence, weight, anew)
             SELECT ?1, coalesce((SELECT max(nth) + 1 FROM doubt WHERE draft = ?1), 0), ?2, ?3, ?4, ?5, 1
             WHERE NOT EXISTS (SELECT 1 FROM doubt WHERE draft = ?1 AND sentence = ?4)",
        )
        .bind(draft)
        .bind(&doubt.kind)
        // One term a word: an entry's own term has spaces and stands as a whole.
        .bind(if terms.starts_with(EVENT) { "" } else { terms })
        .bind(&doubt.sentence)
        .bind(doubt.weight)
        .execute(tx)
        .await
        .map(|_| ())
        .map_err(|e| self.trouble(e))
    }

    /// The doubts of a draft that no longer hold, the first gone first: the
    /// sentence, and since when (UTC, RFC 3339).
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn past_doubts(&self, draft: i64) -> Result<Vec<(String, String)>> {
        sqlx::query_as("SELECT sentence, gone FROM doubt_past WHERE draft = ? ORDER BY id")
            .bind(draft)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }
}

impl Catalogue {
    /// See [`Store::hold_doubts`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn hold_doubts(&self, draft: i64, found: &[Doubt]) -> Result<()> {
        self.wait(self.store().hold_doubts(draft, found))
    }

    /// See [`Store::past_doubts`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn past_doubts(&self, draft: i64) -> Result<Vec<(String, String)>> {
        self.wait(self.store().past_doubts(draft))
    }
}
