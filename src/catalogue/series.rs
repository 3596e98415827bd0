//! Consecutive numbers: a collector's numbers and field numbers run on from
//! one envelope to the next, and so do catalogue numbers when a series is
//! accessioned. What would follow is offered, never taken unseen.

use super::drafts::{Draft, DraftHead};
use super::store::Store;
use crate::trouble::Result;

/// The terms whose values are numbers of a series.
pub const NUMBERED: [&str; 3] = ["recordNumber", "fieldNumber", "catalogNumber"];

/// A number that would follow the one of the draft before.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Follows {
    /// The Darwin Core term.
    pub term: String,
    /// The number that follows.
    pub value: String,
    /// The photograph's name of the draft that it follows, for people.
    pub name: String,
}

/// A draft and the number that it would get.
#[derive(Clone, Debug, PartialEq)]
pub struct Numbered {
    /// The draft.
    pub head: DraftHead,
    /// The number it has now; often empty.
    pub value: String,
    /// The number that follows the one before.
    pub offered: String,
}

/// The number after `number`: the last run of digits goes up by one, keeping
/// its zeros; what stands before and after stays. `None` where there are no
/// digits.
///
/// ```
/// # use glassine::catalogue::following;
/// assert_eq!(following("TVMS 00099").as_deref(), Some("TVMS 00100"));
/// assert_eq!(following("93-7a").as_deref(), Some("93-8a"));
/// assert_eq!(following("s.n."), None);
/// ```
pub fn following(number: &str) -> Option<String> {
    let end = number.rfind(|c: char| c.is_ascii_digit())? + 1;
    let start = number[..end]
        .rfind(|c: char| !c.is_ascii_digit())
        .map_or(0, |i| i + number[i..].chars().next().map_or(1, char::len_utf8));
    let digits = &number[start..end];
    let next = digits.parse::<u128>().ok()?.checked_add(1)?;
    Some(format!("{}{next:0width$}{}", &number[..start], &number[end..], width = digits.len()))
}

impl Store {
    /// The numbers that would follow those of the draft that came in before
    /// `draft` by the same collector.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn follows(&self, draft: &Draft) -> Result<Vec<Follows>> {
        let value = |term: &str| draft.values.iter().find(|v| v.term == term).map_or("", |v| &v.value);
        let mut found = Vec::new();
        for term in NUMBERED {
            // Catalogue numbers run on whoever collected; the collector's own
            // numbers only with the collector. CROSS: walked from the drafts before,
            // nearest first; left to itself SQLite looks through every number there
            // is (150 ms with 100,000 drafts).
            let row: Option<(String, String, String)> = sqlx::query_as(
                "SELECT number.value, draft.name, coalesce(who.value, '') FROM draft
                 CROSS JOIN draft_value AS number ON number.draft = draft.id AND number.term = ?1
                 LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
                 WHERE draft.id < ?2 AND draft.id >= ?2 - 50 AND number.value <> ''
                 ORDER BY draft.id DESC LIMIT 1",
            )
            .bind(term)
            .bind(draft.id)
            .fetch_optional(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
            let Some((number, name, who)) = row else { continue };
            if term != "catalogNumber" && who != value("recordedBy") {
                continue;
            }
            found.extend(following(&number).map(|value| Follows { term: term.into(), value, name }));
        }
        Ok(found)
    }

    /// The waiting drafts that came in after `draft`, at most `limit`, with the
    /// numbers that run on from `from`.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn series(&self, draft: i64, term: &str, from: &str, limit: u32) -> Result<Vec<Numbered>> {
        let rows: Vec<(i64, String)> = sqlx::query_as(
            "SELECT draft.id, coalesce(number.value, '') FROM draft
             LEFT JOIN draft_value AS number ON number.draft = draft.id AND number.term = ?1
             WHERE draft.id > ?2 AND state = 'waiting' ORDER BY draft.id LIMIT ?3",
        )
        .bind(term)
        .bind(draft)
        .bind(limit)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut run = Vec::with_capacity(rows.len());
        let mut number = from.to_owned();
        for (id, value) in rows {
            let Some(next) = following(&number) else { break };
            run.push(Numbered { head: self.draft_head(id).await?, value, offered: next.clone() });
            number = next;
        }
        Ok(run)
    }
}

#[cfg(test)]
mod tests {
    use super::following;

    #[test]
    fn the_last_digits_go_up_and_keep_their_zeros() {
        for (number, next) in [("9", "10"), ("009", "010"), ("999", "1000"), ("A1-07", "A1-08"), ("é7", "é8")]
        {
            assert_eq!(following(number).as_deref(), Some(next));
        }
        for none in ["", "s.n.", "♂"] {
            assert_eq!(following(none), None);
        }
    }
}
