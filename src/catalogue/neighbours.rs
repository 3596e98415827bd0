//! What the catalogue knows about other records, for the checks.

use super::store::{Catalogue, Store};
use crate::checking::{Neighbour, Neighbours};
use crate::trouble::Result;
use jiff::civil::Date;
use sqlx::Row;

/// The most records one question brings back: the checks name one or two.
const MOST: u32 = 400;

/// The catalogue as the checks ask it: drafts that wait and records settled,
/// but for those of the photograph under check.
///
/// It waits for the database; call the checks outside asynchronous code.
#[derive(Clone, Debug)]
pub struct Known {
    catalogue: Catalogue,
    /// The photograph's BLAKE3 hash and page, whose own draft is left out.
    but: (String, u32),
    /// A draft that is left out; 0: none.
    draft: i64,
}

impl Catalogue {
    /// What this catalogue knows, for checking the photograph with BLAKE3 hash
    /// `hash` (page `page` of a PDF).
    pub fn known(&self, hash: &str, page: Option<u32>) -> Known {
        Known { catalogue: self.clone(), but: (hash.into(), page.unwrap_or(0)), draft: 0 }
    }

    /// What this catalogue knows beside `draft`, for checking it again.
    pub fn known_beside(&self, draft: i64) -> Known {
        Known { draft, ..self.known("none", None) }
    }
}

impl Known {
    /// A question that cannot be answered brings no neighbours: a check less,
    /// never a wrong one, and the write that follows says what is wrong with
    /// the database.
    fn ask(&self, question: impl Future<Output = Result<Vec<Neighbour>>>) -> Vec<Neighbour> {
        self.catalogue.wait(question).unwrap_or_default()
    }
}

impl Neighbours for Known {
    fn with_catalogue_number(&self, number: &str) -> Vec<Neighbour> {
        let store = self.catalogue.store();
        self.ask(async move { store.neighbours("catalogNumber", &[number.to_owned()], None, self).await })
    }

    fn on_day(&self, collector: &str, day: Date) -> Vec<Neighbour> {
        let store = self.catalogue.store();
        let near = self.ask(async move { store.neighbours_of_year(collector, day, self).await });
        let text = day.to_string();
        near.into_iter().filter(|n| touches(&n.event_date, &text)).collect()
    }

    fn near_number(&self, collector: &str, number: u64, range: u64) -> Vec<Neighbour> {
        let store = self.catalogue.store();
        let numbers: Vec<String> = (number.saturating_sub(range)..=number.saturating_add(range))
            .take(MOST as usize)
            .map(|n| n.to_string())
            .collect();
        self.ask(async move { store.neighbours("recordNumber", &numbers, Some(collector), self).await })
    }
}

/// Whether an ISO 8601 date or interval touches the day `day`. A month or year
/// touches each of its days.
fn touches(date: &str, day: &str) -> bool {
    match date.split_once('/') {
        Some((from, to)) => {
            let whole = |end: &str| match from.len().checked_sub(end.len()) {
                // An end that leaves out what it shares with the start.
                Some(shared) if shared > 0 && from.is_char_boundary(shared) && end.len() < 4 => {
                    format!("{}{end}", &from[..shared])
                }
                _ => end.to_owned(),
            };
            let to = whole(to);
            day >= from && (day <= to.as_str() || day.starts_with(&to))
        }
        None => !date.is_empty() && (day.starts_with(date) || date.starts_with(day)),
    }
}

/// One draft with the values that the checks look at.
const NEIGHBOUR: &str =
    "SELECT coalesce(nullif(number.value, ''), draft.name), who.value, own.value, day.value,
        coalesce(nullif(place.value, ''), nullif(words.value, ''), county.value), latitude.value, longitude.value
 FROM draft_value AS asked
 JOIN draft ON draft.id = asked.draft AND draft.state <> 'aside'
 LEFT JOIN photo ON photo.id = draft.photo
 LEFT JOIN draft_value AS number ON number.draft = draft.id AND number.term = 'catalogNumber'
 LEFT JOIN draft_value AS who ON who.draft = draft.id AND who.term = 'recordedBy'
 LEFT JOIN draft_value AS own ON own.draft = draft.id AND own.term = 'recordNumber'
 LEFT JOIN draft_value AS day ON day.draft = draft.id AND day.term = 'eventDate'
 LEFT JOIN draft_value AS place ON place.draft = draft.id AND place.term = 'locality'
 LEFT JOIN draft_value AS words ON words.draft = draft.id AND words.term = 'verbatimLocality'
 LEFT JOIN draft_value AS county ON county.draft = draft.id AND county.term = 'county'
 LEFT JOIN draft_value AS latitude ON latitude.draft = draft.id AND latitude.term = 'decimalLatitude'
 LEFT JOIN draft_value AS longitude ON longitude.draft = draft.id AND longitude.term = 'decimalLongitude'
 WHERE NOT (coalesce(photo.hash, '') = ?1 AND coalesce(photo.page, 0) = ?2) AND draft.id <> ?6 AND ";

impl Store {
    /// Records whose `term` has one of `values`, of `collector` where given.
    async fn neighbours(
        &self,
        term: &str,
        values: &[String],
        collector: Option<&str>,
        known: &Known,
    ) -> Result<Vec<Neighbour>> {
        let sql = format!(
            "{NEIGHBOUR} asked.term = ?3 AND asked.value IN (SELECT value FROM json_each(?4))
             AND (?5 IS NULL OR who.value = ?5) ORDER BY draft.id LIMIT {MOST}"
        );
        let values = serde_json::Value::from(values).to_string();
        let rows = sqlx::query(&sql)
            .bind(&known.but.0)
            .bind(known.but.1)
            .bind(term)
            .bind(values)
            .bind(collector)
            .bind(known.draft);
        let rows = rows.fetch_all(&self.read).await.map_err(|e| self.trouble(e))?;
        Ok(rows.iter().map(neighbour).collect())
    }

    /// Records of `collector` whose date begins in the year of `day`, or, for
    /// an interval, in the year before.
    async fn neighbours_of_year(&self, collector: &str, day: Date, known: &Known) -> Result<Vec<Neighbour>> {
        let sql = format!(
            "{NEIGHBOUR} asked.term = 'eventDate' AND asked.value >= ?3 AND asked.value < ?4 AND who.value = ?5
             ORDER BY draft.id LIMIT 20000"
        );
        let year = i32::from(day.year());
        let rows = sqlx::query(&sql)
            .bind(&known.but.0)
            .bind(known.but.1)
            .bind(format!("{:04}", year - 1))
            .bind(format!("{:04}", year + 1))
            .bind(collector)
            .bind(known.draft);
        let rows = rows.fetch_all(&self.read).await.map_err(|e| self.trouble(e))?;
        Ok(rows.iter().map(neighbour).collect())
    }
}

fn neighbour(row: &sqlx::sqlite::SqliteRow) -> Neighbour {
    let text = |i: usize| row.get::<Option<String>, _>(i).unwrap_or_default();
    Neighbour {
        name: text(0),
        recorded_by: text(1),
        record_number: text(2),
        event_date: text(3),
        locality: text(4),
        latitude: text(5).parse().ok(),
        longitude: text(6).parse().ok(),
    }
}

#[cfg(test)]
mod tests {
    use super::touches;

    // ISO 8601-1:2019, 4.3 and 5.5: reduced precision and intervals.
    #[test]
    fn a_day_is_touched_by_its_month_its_year_and_intervals_around_it() {
        for date in [
            "1993-07-12",
            "1993-07-12T22:00",
            "1993-07",
            "1993",
            "1993-07-10/1993-07-14",
            "1993-07-10/14",
            "1993-06/1993-07",
            "1992/1993",
        ] {
            assert!(touches(date, "1993-07-12"), "{date}");
        }
        for date in ["", "1993-07-13", "1993-08", "1994", "1993-07-13/1993-07-14", "1993-07-01/11"] {
            assert!(!touches(date, "1993-07-12"), "{date}");
        }
    }
}
