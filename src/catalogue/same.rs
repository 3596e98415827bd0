//! Where the same words stand: a value a person gave once is offered there,
//! and never taken without being shown.

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
}
