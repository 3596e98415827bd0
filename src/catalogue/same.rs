//! What belongs together: drafts in which the same words stand, where a value
//! a person gave once is offered (and never taken without being shown), and
//! drafts of one day and place, which are one event.

use super::drafts::{KeptPhoto, State};
use super::store::Store;
use crate::geometry::Quad;
use crate::parsing::Parsed;
use crate::trouble::Result;

/// A waiting draft in which the same words stand with another value.
#[derive(Clone, Debug, PartialEq)]
pub struct Same {
    /// The draft.
    pub draft: i64,
    /// The photograph's name, for people.
    pub name: String,
    /// Its photograph, where it has one.
    pub photo: Option<KeptPhoto>,
    /// The value it has now.
    pub value: String,
    /// The words as read.
    pub verbatim: String,
    /// Where the words are on its photograph.
    pub boxes: Vec<Quad>,
}

/// Waiting drafts that share day, place and collector.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// The day, as Darwin Core's `eventDate`.
    pub day: String,
    /// The place, as Darwin Core's `locality`.
    pub place: String,
    /// The collector, as Darwin Core's `recordedBy`; may be empty.
    pub collector: String,
    /// How many drafts wait.
    pub waiting: i64,
    /// How many of them have a doubt.
    pub doubted: i64,
}

impl Store {
    /// Waiting drafts, other than `draft`, in which `term` was read from the
    /// words `verbatim` and has a value other than
    /// `value`; at most `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn same_words(
        &self,
        draft: i64,
        term: &str,
        verbatim: &str,
        value: &str,
        limit: u32,
    ) -> Result<Vec<Same>> {
        if verbatim.trim().is_empty() {
            return Ok(Vec::new());
        }
        let rows: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT draft.id, draft_value.value, parsed FROM draft_value
             JOIN draft ON draft.id = draft_value.draft
             WHERE term = ?1 AND verbatim = ?2 AND value <> ?3 AND draft.id <> ?4 AND state = ?5
             ORDER BY draft.id LIMIT ?6",
        )
        .bind(term)
        .bind(verbatim)
        .bind(value)
        .bind(draft)
        .bind(State::Waiting.word())
        .bind(limit)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut same = Vec::with_capacity(rows.len());
        for (id, value, parsed) in rows {
            let head = self.draft_head(id).await?;
            let photo = match head.photo {
                Some(photo) => Some(self.photo(photo).await?),
                None => None,
            };
            let boxes = serde_json::from_str::<Parsed>(&parsed)
                .ok()
                .and_then(|p| p.field(term).map(|f| f.boxes.clone()))
                .unwrap_or_default();
            same.push(Same { draft: id, name: head.name, photo, value, verbatim: verbatim.into(), boxes });
        }
        Ok(same)
    }

    /// Events with at least two waiting drafts, the largest first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn events(&self, limit: u32) -> Result<Vec<Event>> {
        let rows: Vec<(String, String, String, i64, i64)> = sqlx::query_as(
            "SELECT day.value, place.value, coalesce(who.value, '') AS collector, count(*) AS waiting,
                    sum(weight > 0)
             FROM draft INDEXED BY draft_queue
             JOIN draft_value AS day ON day.draft = draft.id AND day.term = 'eventDate' AND day.value <> ''
             JOIN draft_value AS place ON place.draft = draft.id AND place.term = 'locality'
                  AND place.value <> ''
             LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
             WHERE state = 'waiting' GROUP BY day.value, place.value, collector HAVING waiting > 1
             ORDER BY waiting DESC, day.value, place.value LIMIT ?",
        )
        .bind(limit)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let event =
            |(day, place, collector, waiting, doubted)| Event { day, place, collector, waiting, doubted };
        Ok(rows.into_iter().map(event).collect())
    }

    /// The waiting drafts of one event, at most `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn event(&self, day: &str, place: &str, collector: &str, limit: u32) -> Result<Vec<i64>> {
        sqlx::query_scalar(
            "SELECT draft.id FROM draft_value AS place
             JOIN draft ON draft.id = place.draft AND state = 'waiting'
             JOIN draft_value AS day ON day.draft = draft.id AND day.term = 'eventDate' AND day.value = ?1
             LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
             WHERE place.term = 'locality' AND place.value = ?2 AND coalesce(who.value, '') = ?3
             ORDER BY draft.id LIMIT ?4",
        )
        .bind(day)
        .bind(place)
        .bind(collector)
        .bind(limit)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }
}
