//! What belongs together: drafts in which the same words stand, where a value
//! a person gave once is offered (and never taken without being shown), and
//! drafts of one day and place, which are one event.

use super::drafts::{Draft, KeptPhoto, State};
use super::store::Store;
use crate::geometry::Quad;
use crate::parsing::{Field, Parsed};
use crate::trouble::Result;

/// The term of a draft's place. Labels are read as `WRITTEN`: its words are the
/// place as long as no person gave one.
pub const PLACE: &str = "locality";
const WRITTEN: &str = "verbatimLocality";

/// Of rows of `draft_value AS its`: the one that says where its draft is from.
pub(super) const ITS_PLACE: &str = "its.term IN ('locality', 'verbatimLocality') AND (its.term = 'locality'
     OR NOT EXISTS (SELECT 1 FROM draft_value AS given
                    WHERE given.draft = its.draft AND given.term = 'locality' AND given.value <> ''))";

/// The words of a draft that `term` rests on: those it was read from, and for a
/// place those of the place as written. `None` where there are none.
pub fn words_of<'d>(draft: &'d Draft, term: &str) -> Option<&'d Field> {
    let read = |term| draft.parsed.field(term).filter(|f| !f.verbatim.trim().is_empty());
    read(term).or_else(|| read(WRITTEN).filter(|_| term == PLACE))
}

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
    /// The place, as Darwin Core's `locality`, or else as it is written.
    pub place: String,
    /// The collector, as Darwin Core's `recordedBy`; may be empty.
    pub collector: String,
    /// How many drafts wait.
    pub waiting: i64,
    /// How many of them have a doubt.
    pub doubted: i64,
}

impl Store {
    /// Waiting drafts, other than `draft`, in which the words that its `term` rests
    /// on stand too, and whose `term` has a value other than `value`; at most
    /// `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn same_words(&self, draft: &Draft, term: &str, value: &str, limit: u32) -> Result<Vec<Same>> {
        let Some(words) = words_of(draft, term) else { return Ok(Vec::new()) };
        let rows: Vec<(i64, String, String)> = sqlx::query_as(
            "SELECT draft.id, coalesce(now.value, '') AS value, parsed FROM draft_value AS words
             JOIN draft ON draft.id = words.draft
             LEFT JOIN draft_value AS now ON now.draft = draft.id AND now.term = ?1
             WHERE words.term = ?2 AND words.verbatim = ?3 AND coalesce(now.value, '') <> ?4
             AND draft.id <> ?5 AND state = ?6 ORDER BY draft.id LIMIT ?7",
        )
        .bind(term)
        .bind(&words.term)
        .bind(&words.verbatim)
        .bind(value)
        .bind(draft.id)
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
                .and_then(|p| p.field(&words.term).map(|f| f.boxes.clone()))
                .unwrap_or_default();
            let verbatim = words.verbatim.clone();
            same.push(Same { draft: id, name: head.name, photo, value, verbatim, boxes });
        }
        Ok(same)
    }

    /// Events with at least two waiting drafts, the largest first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn events(&self, limit: u32) -> Result<Vec<Event>> {
        let sql = format!(
            "SELECT day.value, its.value, coalesce(who.value, '') AS collector, count(*) AS waiting,
                    sum(weight > 0)
             FROM draft INDEXED BY draft_queue
             JOIN draft_value AS day ON day.draft = draft.id AND day.term = 'eventDate' AND day.value <> ''
             JOIN draft_value AS its ON its.draft = draft.id AND {ITS_PLACE} AND its.value <> ''
             LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
             WHERE state = 'waiting' GROUP BY day.value, its.value, collector HAVING waiting > 1
             ORDER BY waiting DESC, day.value, its.value LIMIT ?"
        );
        let rows: Vec<(String, String, String, i64, i64)> =
            sqlx::query_as(&sql).bind(limit).fetch_all(&self.read).await.map_err(|e| self.trouble(e))?;
        let event =
            |(day, place, collector, waiting, doubted)| Event { day, place, collector, waiting, doubted };
        Ok(rows.into_iter().map(event).collect())
    }

    /// The waiting drafts of one event, at most `limit`.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn event(&self, day: &str, place: &str, collector: &str, limit: u32) -> Result<Vec<i64>> {
        let sql = format!(
            "SELECT draft.id FROM draft_value AS its
             JOIN draft ON draft.id = its.draft AND state = 'waiting'
             JOIN draft_value AS day ON day.draft = draft.id AND day.term = 'eventDate' AND day.value = ?1
             LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
             WHERE its.value = ?2 AND {ITS_PLACE} AND coalesce(who.value, '') = ?3
             ORDER BY draft.id LIMIT ?4"
        );
        sqlx::query_scalar(&sql)
            .bind(day)
            .bind(place)
            .bind(collector)
            .bind(limit)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }
}
