//! Entries of notebook pages as events, joined to envelopes and pins by their
//! field number.
//!
//! An entry's values are values of its page's draft, named by its place on the
//! page (`event 3 eventDate`): they change, keep their history and are undone as
//! all others. A page makes no record when it is settled; its entries stand as
//! they are then.

use super::deeds::Change;
use super::doubts::JOINED;
use super::drafts::{Draft, KeptPhoto, State};
use super::records::Record;
use super::store::{Catalogue, Store};
use crate::checking::notebook::{Beside, Compared, compare, disagreements};
use crate::checking::{CheckRules, Doubt};
use crate::geometry::Quad;
use crate::parsing::Parsed;
use crate::parsing::dates::{DateRules, DateShape, find};
use crate::parsing::notebook::{Entry, Noted, Origin, number_key};
use crate::trouble::{Result, Trouble};
use sqlx::{Row, SqliteConnection};
use std::collections::{BTreeMap, BTreeSet};

/// What a page's values begin with in the draft: no Darwin Core term has a space.
pub(super) const EVENT: &str = "event ";

/// The terms of an entry that can be changed, in the order of their display.
pub const EVENT_TERMS: [&str; 4] = ["fieldNumber", "eventDate", "locality", "scientificName"];

/// The terms under which an envelope or pin has the number; a lone one may have
/// been taken for a place.
const NUMBERS: [&str; 3] = ["recordNumber", "fieldNumber", "verbatimLocality"];

/// The name of an entry's value in its page's draft.
pub fn event_term(nth: u32, term: &str) -> String {
    format!("{EVENT}{nth} {term}")
}

/// The entry and the Darwin Core term that a draft's value is of.
pub fn of_event(term: &str) -> Option<(u32, &str)> {
    let (nth, term) = term.strip_prefix(EVENT)?.split_once(' ')?;
    Some((nth.parse().ok()?, term))
}

/// An event as Darwin Core's `eventID`.
pub fn event_id(uuid: &str) -> String {
    format!("urn:uuid:{uuid}")
}

/// One value of an event.
#[derive(Clone, Debug, PartialEq)]
pub struct EventValue {
    /// The Darwin Core term.
    pub term: String,
    /// Its value now.
    pub value: String,
    /// What was noted on the page, where it was.
    pub noted: Option<Noted>,
    /// The value of the page before, where this page begins without a date or place
    /// of its own and a person gave none.
    pub before: Option<Before>,
    /// Whether it was noted on the page, or a person gave it or took it out.
    given: bool,
}

/// A value that goes on from the last entry of the page before.
#[derive(Clone, Debug, PartialEq)]
pub struct Before {
    /// The draft of that page.
    pub draft: i64,
    /// The page's name, for people.
    pub page: String,
    /// The entry.
    pub nth: u32,
    /// The page's photograph, where it has one.
    pub photo: Option<KeptPhoto>,
    /// The value there now.
    pub value: String,
    /// Where its words are on that page; empty where a person gave it.
    pub boxes: Vec<Quad>,
}

impl EventValue {
    /// Where it comes from: `read`, `inherited`, `ditto`, `before` (inherited from
    /// the page before), or `yours` where a person gave it.
    pub fn from(&self) -> &'static str {
        match &self.noted {
            _ if self.before.is_some() => Origin::Before.word(),
            Some(n) if n.field.value == self.value => n.origin.word(),
            _ => "yours",
        }
    }

    /// The same in words, with the page that it goes on from.
    pub fn told(&self) -> String {
        match &self.before {
            Some(b) => format!("inherited from {}, entry {}", b.page, b.nth),
            None => self.from().into(),
        }
    }

    /// Where its words are on the page.
    pub fn boxes(&self) -> &[Quad] {
        self.noted.as_ref().map_or(&[], |n| &n.field.boxes)
    }
}

/// An entry of a notebook page as it stands now.
#[derive(Clone, Debug, PartialEq)]
pub struct PageEvent {
    /// Its identity for ever, given out as `eventID`.
    pub uuid: String,
    /// The page's draft.
    pub draft: i64,
    /// The page's name, for people.
    pub page: String,
    /// The page's photograph, where it has one.
    pub photo: Option<KeptPhoto>,
    /// Its place on the page, from 1.
    pub nth: u32,
    /// Its values, in the order of [`EVENT_TERMS`].
    pub values: Vec<EventValue>,
    /// Its words as read.
    pub text: String,
    /// Reasons to look.
    pub doubts: Vec<String>,
    /// Whether a person settled its page.
    pub settled: bool,
}

impl PageEvent {
    /// The value of `term` now; empty where there is none.
    pub fn value(&self, term: &str) -> &str {
        self.values.iter().find(|v| v.term == term).map_or("", |v| v.value.as_str())
    }
}

/// An envelope or pin with an event's field number.
#[derive(Clone, Debug, PartialEq)]
pub struct Envelope {
    /// Its draft.
    pub draft: i64,
    /// Its name, for people.
    pub name: String,
    /// Its record, where it has one that stands.
    pub lot: Option<i64>,
    /// Its photograph, where it has one.
    pub photo: Option<KeptPhoto>,
    /// Its values, and where their words are on its photograph.
    pub values: Vec<(String, String, Vec<Quad>)>,
}

impl Envelope {
    /// The value of `term`; empty where there is none.
    pub fn value(&self, term: &str) -> &str {
        self.values.iter().find(|v| v.0 == term).map_or("", |v| v.1.as_str())
    }

    /// Where the words of `term` are on its photograph.
    pub fn boxes(&self, term: &str) -> &[Quad] {
        self.values.iter().find(|v| v.0 == term).map_or(&[], |v| v.2.as_slice())
    }
}

/// An event and an envelope of one field number, compared.
#[derive(Clone, Debug, PartialEq)]
pub struct Joined {
    /// The event.
    pub event: PageEvent,
    /// The envelope or pin.
    pub envelope: Envelope,
    /// What both say.
    pub compared: Vec<Compared>,
}

impl Joined {
    fn of(event: PageEvent, envelope: Envelope) -> Joined {
        let compared = compare(|t| event.value(t), |t| envelope.value(t));
        Joined { event, envelope, compared }
    }

    fn doubts(&self, rules: &CheckRules) -> Vec<Doubt> {
        let number = self.event.value("fieldNumber");
        disagreements(&self.compared, number, &self.event.page, &self.envelope.name, rules)
    }
}

/// The ways a field number may be written, most of them: its parts with what may
/// stand between them. So that an index finds them.
fn spellings(number: &str) -> Vec<String> {
    let key = number_key(number);
    let parts: Vec<&str> = key.split('.').filter(|p| !p.is_empty()).collect();
    let mut all = vec![String::new()];
    for (i, part) in parts.iter().enumerate().take(5) {
        let between: &[&str] = match i {
            0 => &[""],
            _ => &["", "-", "/", " ", ".", "- ", " -"],
        };
        let digits = part.starts_with(|c: char| c.is_ascii_digit());
        all = all
            .iter()
            .flat_map(|a| between.iter().map(move |b| (a, b)))
            // Two numbers without a sign between them would be one.
            .filter(|(a, b)| !(b.is_empty() && digits && a.ends_with(|c: char| c.is_ascii_digit())))
            .map(|(a, b)| format!("{a}{b}{part}"))
            .collect();
        if all.len() > 400 {
            break;
        }
    }
    all.push(number.trim().to_owned());
    all
}

/// The field numbers with a letter among the words of a text, by parts: a number
/// that the parser took for something else still joins.
fn numbers_in(text: &str) -> Vec<String> {
    text.split_whitespace()
        .map(|w| w.trim_matches(|c: char| !c.is_alphanumeric()))
        .filter(|w| (3..=14).contains(&w.chars().count()))
        .filter(|w| w.starts_with(char::is_uppercase) && w.ends_with(|c: char| c.is_ascii_digit()))
        .map(number_key)
        .collect()
}

/// The numbers that an envelope or pin has, by parts: those of its terms, and
/// without any those among its words.
fn numbers_of<'v>(
    values: impl Iterator<Item = (&'v str, &'v str)>,
    words: impl Fn() -> String,
) -> Vec<String> {
    let mut keys = Vec::new();
    let mut named = false;
    for (term, value) in values.filter(|v| NUMBERS.contains(&v.0)) {
        named |= term != "verbatimLocality" && !value.is_empty();
        keys.push(number_key(value));
    }
    if !named {
        keys.extend(numbers_in(&words()));
    }
    keys.retain(|k| !k.is_empty());
    keys.sort();
    keys.dedup();
    keys
}

/// The numbers of an envelope's draft.
fn numbers_of_draft(draft: &Draft) -> Vec<String> {
    let values = draft.values.iter().map(|v| (v.term.as_str(), v.value.as_str()));
    numbers_of(values, || draft.reading.text())
}

/// The terms that go on from one entry to the next and from page to page.
const CARRIED: [&str; 2] = ["eventDate", "locality"];

/// The most pages that a value is looked for backwards.
const MOST_BACK: usize = 20;

/// The page before or the page after.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// The page before.
    Before,
    /// The page after.
    After,
}

/// How many entries at the beginning of a page have no value of a term that goes
/// on, and a person gave none, for each term of which there are some.
fn lacking(events: &[PageEvent]) -> Vec<(&'static str, usize)> {
    let given = |e: &&PageEvent, term: &str| e.values.iter().any(|v| v.term == term && v.given);
    let count = |term: &'static str| (term, events.iter().take_while(|e| !given(e, term)).count());
    CARRIED.into_iter().map(count).filter(|c| c.1 > 0).collect()
}

/// Lets date and place of the last entry of the page before go on to the entries
/// at the beginning of this one that have none.
fn go_on(before: &[PageEvent], events: &mut [PageEvent]) {
    let Some(last) = before.last() else { return };
    // Notebooks go forward in time: where the first day of this page is before the
    // one that would go on, the pages do not follow each other.
    let first = events.iter().map(|e| e.value("eventDate")).find(|d| !d.is_empty()).unwrap_or("");
    let day = last.value("eventDate");
    if first.len() == 10 && day.len() == 10 && first < day {
        return;
    }
    // A date that stands on the page and was not understood, for want of a year,
    // is another date all the same.
    let dated = |e: &PageEvent| {
        let found = find(&e.text, DateRules::built_in());
        found.iter().any(|d| matches!(d.shape, DateShape::Day | DateShape::NoYear | DateShape::Month))
    };
    let undated = events.iter().take_while(|e| !dated(e)).count();
    for (term, count) in lacking(events) {
        let count = if term == "eventDate" { count.min(undated) } else { count };
        let Some(value) = last.values.iter().find(|v| v.term == term && !v.value.is_empty()) else {
            continue;
        };
        // Where the value is of an earlier page still, that one is told.
        let origin = value.before.clone().unwrap_or_else(|| Before {
            draft: last.draft,
            page: last.page.clone(),
            nth: last.nth,
            photo: last.photo.clone(),
            value: value.value.clone(),
            boxes: value.boxes().to_vec(),
        });
        for event in &mut events[..count] {
            for own in event.values.iter_mut().filter(|v| v.term == term) {
                own.value.clone_from(&origin.value);
                own.before = Some(origin.clone());
            }
        }
    }
}

/// The name that a picture next to `name` has, where pictures are numbered: the
/// last run of figures is one more or one less, all else the same.
fn name_beside(name: &str, side: Side) -> Option<String> {
    let end = name.rfind(|c: char| c.is_ascii_digit())? + 1;
    let start = name[..end]
        .rfind(|c: char| !c.is_ascii_digit())
        .map_or(0, |i| i + name[i..].chars().next().map_or(1, char::len_utf8));
    let number: u64 = name[start..end].parse().ok()?;
    let number = match side {
        Side::Before => number.checked_sub(1)?,
        Side::After => number.checked_add(1)?,
    };
    let number = format!("{number:0width$}", width = end - start);
    (number.len() == end - start).then(|| format!("{}{number}{}", &name[..start], &name[end..]))
}

impl Store {
    /// Enters the entries of a page with its draft.
    pub(super) async fn enter_events(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        entries: &[Entry],
    ) -> Result<()> {
        for (nth, entry) in (1u32..).zip(entries) {
            sqlx::query("INSERT INTO event (uuid, draft, nth, number) VALUES (?, ?, ?, ?)")
                .bind(uuid::Uuid::now_v7().to_string())
                .bind(draft)
                .bind(nth)
                .bind(number_key(entry.value("fieldNumber")))
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            for noted in &entry.values {
                sqlx::query("INSERT INTO draft_value (draft, term, verbatim, value) VALUES (?, ?, ?, ?)")
                    .bind(draft)
                    .bind(event_term(nth, &noted.field.term))
                    .bind(&noted.field.verbatim)
                    .bind(&noted.field.value)
                    .execute(&mut *tx)
                    .await
                    .map_err(|e| self.trouble(e))?;
            }
        }
        Ok(())
    }

    /// A changed field number joins anew.
    pub(super) async fn renumbered(
        &self,
        tx: &mut SqliteConnection,
        draft: i64,
        term: &str,
        value: &str,
    ) -> Result<()> {
        if let Some((nth, "fieldNumber")) = of_event(term) {
            sqlx::query("UPDATE event SET number = ? WHERE draft = ? AND nth = ?")
                .bind(number_key(value))
                .bind(draft)
                .bind(nth)
                .execute(tx)
                .await
                .map_err(|e| self.trouble(e))?;
        }
        Ok(())
    }

    /// Whether a change takes out a value that goes on from the page before: there
    /// is nothing of it in the page's own values.
    pub(super) async fn takes_out(&self, draft: i64, change: &Change) -> Result<bool> {
        let Some((nth, term)) = of_event(&change.term).filter(|_| change.value.trim().is_empty()) else {
            return Ok(false);
        };
        let events = self.page_events(draft).await?;
        let value =
            events.iter().find(|e| e.nth == nth).and_then(|e| e.values.iter().find(|v| v.term == term));
        Ok(value.is_some_and(|v| v.before.is_some()))
    }

    /// Whether a draft is of a notebook page.
    pub(super) async fn is_page(&self, tx: &mut SqliteConnection, draft: i64) -> Result<bool> {
        sqlx::query_scalar("SELECT EXISTS (SELECT 1 FROM event WHERE draft = ?)")
            .bind(draft)
            .fetch_one(tx)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// The drafts of notebook pages, the first entered first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn pages(&self) -> Result<Vec<i64>> {
        sqlx::query_scalar("SELECT DISTINCT draft FROM event ORDER BY draft")
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))
    }

    /// The events of a page, in the order of the page; none for other drafts. A
    /// page that begins without a date or place goes on with those of the last
    /// entry of the page before ([`Store::page_beside`]), as they stand there now.
    ///
    /// # Errors
    /// When there is no such draft.
    pub async fn page_events(&self, draft: i64) -> Result<Vec<PageEvent>> {
        // From page to page back to the one that says it.
        let mut pages = vec![(draft, self.events_alone(draft).await?)];
        while pages.len() < MOST_BACK
            && let Some((page, events)) = pages.last()
            && !lacking(events).is_empty()
            && let Some(before) = self.page_beside(*page, Side::Before).await?
            && pages.iter().all(|p| p.0 != before)
        {
            pages.push((before, self.events_alone(before).await?));
        }
        let mut events: Vec<PageEvent> = Vec::new();
        for (_, mut own) in pages.into_iter().rev() {
            go_on(&events, &mut own);
            events = own;
        }
        Ok(events)
    }

    /// The events of a page by what stands on it alone and a person gave.
    async fn events_alone(&self, draft: i64) -> Result<Vec<PageEvent>> {
        let rows: Vec<(String, u32)> =
            sqlx::query_as("SELECT uuid, nth FROM event WHERE draft = ? ORDER BY nth")
                .bind(draft)
                .fetch_all(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        if rows.is_empty() {
            return Ok(Vec::new());
        }
        let row = sqlx::query("SELECT name, photo, state, parsed FROM draft WHERE id = ?")
            .bind(draft)
            .fetch_one(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
        let photo = match row.get::<Option<i64>, _>(1) {
            Some(photo) => self.photo(photo).await.ok(),
            None => None,
        };
        let parsed: Parsed = serde_json::from_str(row.get(3)).map_err(|e| {
            Trouble::new(format!("draft {draft}"), "holds a reading that cannot be understood").cause(e)
        })?;
        let values: Vec<(String, String)> =
            sqlx::query_as("SELECT term, value FROM draft_value WHERE draft = ? AND term LIKE 'event %'")
                .bind(draft)
                .fetch_all(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        let settled = State::of(row.get(2)) == State::Settled;
        let event = |(uuid, nth): (String, u32)| {
            let entry = parsed.entries.get(nth as usize - 1);
            let value = |term: &str| {
                let name = event_term(nth, term);
                let given = values.iter().find(|v| v.0 == name).map(|v| v.1.clone());
                let noted = entry.and_then(|e| e.noted(term)).cloned();
                EventValue {
                    term: term.into(),
                    given: noted.is_some() || given.is_some(),
                    value: given.unwrap_or_default(),
                    noted,
                    before: None,
                }
            };
            PageEvent {
                uuid,
                draft,
                page: row.get(0),
                photo: photo.clone(),
                nth,
                values: EVENT_TERMS.iter().map(|t| value(t)).collect(),
                text: entry.map_or(String::new(), |e| e.text.clone()),
                doubts: entry.map_or(Vec::new(), |e| e.doubts.clone()),
                settled,
            }
        };
        Ok(rows.into_iter().map(event).collect())
    }

    /// The notebook page before or after the page of `draft`, where that is certain:
    /// the next page of the same file, or the picture of the same folder whose
    /// number is one less or one more and whose name is else the same. `None` too
    /// where that one is no notebook page, or lies in the trash.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn page_beside(&self, draft: i64, side: Side) -> Result<Option<i64>> {
        let own: Option<(String, i64, String, String)> = sqlx::query_as(
            "SELECT hash, page, photo.name, folder FROM draft JOIN photo ON photo.id = draft.photo WHERE draft.id = ?",
        )
        .bind(draft)
        .fetch_optional(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let Some((hash, page, name, folder)) = own else { return Ok(None) };
        let photos: Vec<i64> = if page > 0 {
            let beside = if side == Side::Before { page - 1 } else { page + 1 };
            sqlx::query_scalar("SELECT id FROM photo WHERE hash = ? AND page = ? AND page > 0")
                .bind(hash)
                .bind(beside)
                .fetch_all(&self.read)
                .await
        } else {
            let Some(beside) = name_beside(&name, side).filter(|_| !folder.is_empty()) else {
                return Ok(None);
            };
            sqlx::query_scalar(
                "SELECT id FROM photo WHERE folder = ? AND name = ? AND page = 0 AND folder <> ''",
            )
            .bind(folder)
            .bind(beside)
            .fetch_all(&self.read)
            .await
        }
        .map_err(|e| self.trouble(e))?;
        // A file that was changed and added again: nobody knows which it is.
        let [photo] = photos.as_slice() else { return Ok(None) };
        sqlx::query_scalar(
            "SELECT id FROM draft WHERE photo = ? AND EXISTS (SELECT 1 FROM event WHERE event.draft = draft.id)
             AND +id NOT IN (SELECT id FROM draft WHERE trash = 1)",
        )
        .bind(photo)
        .fetch_optional(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }

    /// The envelopes and pins that have the field number `number`, waiting or
    /// settled; those in the trash left out.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn envelopes_of(&self, number: &str) -> Result<Vec<Envelope>> {
        let key = number_key(number);
        if key.is_empty() {
            return Ok(Vec::new());
        }
        let ids: Vec<(i64, String)> = sqlx::query_as(
            "SELECT DISTINCT draft_value.draft, draft_value.value FROM json_each(?1) AS spelt
             JOIN draft_value ON draft_value.value = spelt.value AND term IN (?2, ?3, ?4)
             JOIN draft ON draft.id = draft_value.draft AND trash = 0
             WHERE NOT EXISTS (SELECT 1 FROM event WHERE event.draft = draft.id) ORDER BY 1",
        )
        .bind(serde_json::Value::from(spellings(number)).to_string())
        .bind(NUMBERS[0])
        .bind(NUMBERS[1])
        .bind(NUMBERS[2])
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut found: Vec<Envelope> = Vec::new();
        // Those that have it among their words alone.
        let phrase = format!("\"{}\"", number.replace('"', " "));
        let spelt: Vec<i64> = sqlx::query_scalar(
            "SELECT draft.id FROM draft WHERE trash = 0 AND +draft.id IN
             (SELECT rowid FROM draft_words WHERE draft_words MATCH ?)
             AND NOT EXISTS (SELECT 1 FROM event WHERE event.draft = draft.id) ORDER BY 1 LIMIT 50",
        )
        .bind(phrase)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        for id in ids.into_iter().map(|i| i.0).chain(spelt) {
            if found.iter().any(|e| e.draft == id) {
                continue;
            }
            let draft = self.draft(id).await?;
            if numbers_of_draft(&draft).contains(&key) {
                found.push(Envelope::of(&draft));
            }
        }
        Ok(found)
    }

    /// The events with a field number that the draft of an envelope or pin has,
    /// each compared with it; for a page, the envelopes of its events.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn joined(&self, draft: &Draft) -> Result<Vec<Joined>> {
        self.joined_to(draft, &self.page_events(draft.id).await?).await
    }

    /// As [`Store::joined`], where the draft's own events are at hand.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn joined_to(&self, draft: &Draft, own: &[PageEvent]) -> Result<Vec<Joined>> {
        let mut joined = Vec::new();
        for event in own {
            for envelope in self.envelopes_of(event.value("fieldNumber")).await? {
                joined.push(Joined::of(event.clone(), envelope));
            }
        }
        if !own.is_empty() {
            return Ok(joined);
        }
        for key in numbers_of_draft(draft) {
            let events: Vec<(i64, u32)> =
                sqlx::query_as("SELECT draft, nth FROM event WHERE number = ? ORDER BY draft, nth")
                    .bind(key)
                    .fetch_all(&self.read)
                    .await
                    .map_err(|e| self.trouble(e))?;
            for (page, nth) in events {
                let event = self.page_events(page).await?.into_iter().find(|e| e.nth == nth);
                joined.extend(event.map(|e| Joined::of(e, Envelope::of(draft))));
            }
        }
        Ok(joined)
    }

    /// Gives each record the entry of a notebook page that it is of by its field
    /// number: where one entry alone has the number, and the two do not disagree.
    pub(super) async fn join_events(&self, records: &mut [Record]) -> Result<()> {
        let any: bool = sqlx::query_scalar("SELECT EXISTS (SELECT 1 FROM event WHERE number <> '')")
            .fetch_one(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
        if !any {
            return Ok(());
        }
        let numbers = |r: &Record| {
            let values = r.values.iter().map(|v| (v.term.as_str(), v.value.as_str()));
            numbers_of(values, || r.verbatim_label.clone())
        };
        let wanted: Vec<Vec<String>> = records.iter().map(numbers).collect();
        let all: BTreeSet<&String> = wanted.iter().flatten().collect();
        let found: Vec<(String, i64, u32)> = sqlx::query_as(
            "SELECT number, draft, nth FROM json_each(?) AS wanted
             JOIN event ON number = wanted.value AND number <> ''
             WHERE draft NOT IN (SELECT id FROM draft WHERE trash = 1)",
        )
        .bind(serde_json::json!(all).to_string())
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut of: BTreeMap<&str, BTreeSet<(i64, u32)>> = BTreeMap::new();
        for (number, page, nth) in &found {
            of.entry(number).or_default().insert((*page, *nth));
        }
        let mut pages: BTreeMap<i64, Vec<PageEvent>> = BTreeMap::new();
        for (record, wanted) in records.iter_mut().zip(&wanted) {
            let entries: BTreeSet<(i64, u32)> =
                wanted.iter().filter_map(|n| of.get(n.as_str())).flatten().copied().collect();
            let (Some((page, nth)), 1) = (entries.first(), entries.len()) else { continue };
            if !pages.contains_key(page) {
                pages.insert(*page, self.page_events(*page).await?);
            }
            let event = pages[page].iter().find(|e| e.nth == *nth);
            let agrees = |e: &&PageEvent| {
                let compared = compare(|t| e.value(t), |t| record.value(t));
                compared.iter().all(|c| c.beside != Beside::Differs)
            };
            record.event = event.filter(agrees).map(|e| e.uuid.clone());
        }
        Ok(())
    }

    /// Tells waiting drafts in which an envelope and a notebook page disagree:
    /// `draft` is the side that came in or changed last, the doubts go to both, and
    /// those that no longer hold from both. Gives how many there are.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn doubt_joined(&self, draft: i64, rules: &CheckRules) -> Result<usize> {
        let draft = self.draft(draft).await?;
        let joined = self.joined(&draft).await?;
        let told: Vec<(&Joined, Vec<Doubt>)> = joined.iter().map(|j| (j, j.doubts(rules))).collect();
        let mut tx = self.begin().await?;
        let mut touched = BTreeSet::new();
        // What no longer holds goes from both sides.
        for gone in draft.doubts.iter().filter(|d| d.kind == JOINED) {
            if told.iter().any(|t| t.1.iter().any(|d| d.sentence == gone.sentence)) {
                continue;
            }
            let sides: Vec<i64> =
                sqlx::query_scalar("SELECT draft FROM doubt WHERE kind = ? AND sentence = ?")
                    .bind(JOINED)
                    .bind(&gone.sentence)
                    .fetch_all(&mut *tx)
                    .await
                    .map_err(|e| self.trouble(e))?;
            for side in sides {
                self.past_doubt(&mut tx, side, &gone.sentence).await?;
                touched.insert(side);
            }
        }
        let mut count = 0;
        for (joined, doubts) in &told {
            count += doubts.len();
            for doubt in doubts {
                let term = event_term(joined.event.nth, doubt.terms.first().map_or("", String::as_str));
                for (id, terms) in
                    [(joined.event.draft, term), (joined.envelope.draft, doubt.terms.join(" "))]
                {
                    self.add_doubt(&mut tx, id, &terms, doubt).await?;
                    touched.insert(id);
                }
            }
        }
        for side in touched {
            self.weigh(&mut tx, side).await?;
        }
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(count)
    }
}

impl Envelope {
    fn of(draft: &Draft) -> Envelope {
        let value = |v: &super::drafts::DraftValue| {
            let boxes = v.read.as_ref().map(|f| f.boxes.clone()).unwrap_or_default();
            (v.term.clone(), v.value.clone(), boxes)
        };
        Envelope {
            draft: draft.id,
            name: draft.name.clone(),
            lot: draft.lot,
            photo: draft.photo.clone(),
            values: draft.values.iter().map(value).collect(),
        }
    }
}

/// A change of an entry's value, and with it of the entries that inherit it or
/// repeat it by a ditto mark: those that follow, up to the next one with a value
/// of its own, and had the same value.
pub fn with_followers(events: &[PageEvent], nth: u32, term: &str, value: &str) -> Vec<Change> {
    let change = |nth: u32| Change { term: event_term(nth, term), value: value.into() };
    let Some(at) = events.iter().position(|e| e.nth == nth) else { return Vec::new() };
    let was = events[at].value(term);
    let follows = |e: &&PageEvent| {
        e.values.iter().any(|v| {
            let carried = v.noted.as_ref().map_or(v.before.is_some(), |n| n.origin != Origin::Read);
            v.term == term && carried && v.value == was
        })
    };
    std::iter::once(change(nth))
        .chain(events[at + 1..].iter().take_while(follows).map(|e| change(e.nth)))
        .collect()
}

impl Catalogue {
    /// See [`Store::page_beside`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn page_beside(&self, draft: i64, side: Side) -> Result<Option<i64>> {
        self.wait(self.store().page_beside(draft, side))
    }

    /// See [`Store::pages`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn pages(&self) -> Result<Vec<i64>> {
        self.wait(self.store().pages())
    }

    /// See [`Store::page_events`].
    ///
    /// # Errors
    /// When there is no such draft.
    pub fn page_events(&self, draft: i64) -> Result<Vec<PageEvent>> {
        self.wait(self.store().page_events(draft))
    }

    /// See [`Store::envelopes_of`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn envelopes_of(&self, number: &str) -> Result<Vec<Envelope>> {
        self.wait(self.store().envelopes_of(number))
    }

    /// See [`Store::joined`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn joined(&self, draft: i64) -> Result<Vec<Joined>> {
        let store = self.store();
        self.wait(async move { store.joined(&store.draft(draft).await?).await })
    }

    /// See [`Store::doubt_joined`].
    ///
    /// # Errors
    /// Only the database's own.
    pub fn doubt_joined(&self, draft: i64, rules: &CheckRules) -> Result<usize> {
        self.wait(self.store().doubt_joined(draft, rules))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_found_however_it_is_spelt() {
        let all = spellings("H74-18");
        for spelt in ["H74-18", "H74/18", "H 74-18", "H74 18"] {
            assert!(all.iter().any(|s| s == spelt), "{spelt}: {all:?}");
        }
        assert!(!all.iter().any(|s| s == "H7418"));
    }

    #[test]
    fn the_name_beside_is_one_number_on_and_else_the_same() {
        for (name, before, after) in [
            ("IMG_0100.JPG", Some("IMG_0099.JPG"), Some("IMG_0101.JPG")),
            ("1971 page 9.jpg", Some("1971 page 8.jpg"), None),
            ("p01-left.jpg", Some("p00-left.jpg"), Some("p02-left.jpg")),
            ("000.png", None, Some("001.png")),
            ("notes.png", None, None),
        ] {
            assert_eq!(name_beside(name, Side::Before).as_deref(), before, "{name}");
            assert_eq!(name_beside(name, Side::After).as_deref(), after, "{name}");
        }
    }

    #[test]
    fn numbers_are_found_among_words_and_dates_are_none() {
        assert_eq!(
            numbers_in("No. V131, Tarn Head\n12.vii.93 (H74-018) 1968-06-03 Vell"),
            ["V.131", "H.74.18"]
        );
    }

    #[test]
    fn the_name_of_an_entrys_value_is_none_of_darwin_core() {
        let term = event_term(12, "eventDate");
        assert_eq!(of_event(&term), Some((12, "eventDate")));
        assert_eq!(of_event("eventDate"), None);
    }
}
