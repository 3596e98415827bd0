//! How the work goes: what is done, how fast, and what the machine got right.

use super::store::Store;
use crate::trouble::Result;
use jiff::ToSpan;
use jiff::civil::Date;
use std::collections::BTreeMap;

/// A pause longer than this between two settled records is a break, not work,
/// in seconds. Shorter and slow records are left out; longer and lunch counts.
const BREAK_SECONDS: f64 = 300.0;

/// Over how many of the last records the fields are counted: enough for a tenth
/// of a percent, few enough to be counted while a page opens.
const MANY: u32 = 20_000;

/// Into how many groups of records the fields are counted, to see how they change.
const GROUPS: u32 = 10;

/// The fewest records of a group: with fewer one record more or less shows as a
/// rise.
const FEWEST: u32 = 20;

/// Over how many days the pace is taken: two weeks, so that a free weekend counts
/// as it will count.
const PACE_DAYS: i64 = 14;

/// How the work goes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Progress {
    /// Records settled and standing, by day (UTC) and person, oldest first.
    pub days: Vec<(String, String, i64)>,
    /// Seconds from one settled record to the next of the same person, the
    /// median of the last thousand, breaks left out. `None` before there are
    /// any.
    pub seconds: Option<f64>,
    /// By field, over the last 20,000 settled records: how many values were
    /// understood from photographs, and how many of them stand as they were
    /// understood. Most frequent first.
    pub fields: Vec<(String, i64, i64)>,
    /// The same for the last hundred records.
    pub lately: Vec<(String, i64, i64)>,
    /// The same records as for `fields` in groups of equal size, oldest first:
    /// by field, how many values of each group were understood, and how many of
    /// them stand.
    pub over_time: BTreeMap<String, Vec<(i64, i64)>>,
}

impl Progress {
    /// How many records were settled a day, weekends and all, over the last two
    /// weeks up to `today` (UTC), or since the first one where that is later; and
    /// how many days that are. `None` where nothing was settled in that time.
    pub fn pace(&self, today: Date) -> Option<(f64, i64)> {
        let day = |d: &(String, String, i64)| d.0.parse::<Date>().ok();
        let ago = |day: Date| i64::from((today - day).get_days());
        let lately: Vec<(i64, i64)> = self
            .days
            .iter()
            .filter_map(|d| Some((ago(day(d)?), d.2)))
            .filter(|d| (0..PACE_DAYS).contains(&d.0))
            .collect();
        let first = self.days.iter().find_map(day)?;
        let days = (ago(first) + 1).min(PACE_DAYS);
        let settled: i64 = lately.iter().map(|d| d.1).sum();
        (settled > 0).then(|| (settled as f64 / days as f64, days))
    }

    /// The day on which `waiting` drafts are settled if it goes on as lately;
    /// `None` where nothing was settled lately, or that is more than a century off.
    pub fn ends(&self, waiting: i64, today: Date) -> Option<Date> {
        let (pace, _) = self.pace(today)?;
        let days = (waiting as f64 / pace).ceil();
        (days < 36525.0).then(|| today.checked_add((days as i64).days()).ok()).flatten()
    }
}

impl Store {
    /// How the work goes.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn progress(&self) -> Result<Progress> {
        let failed = |e| self.trouble(e);
        let days = sqlx::query_as(
            "SELECT substr(settled, 1, 10) AS day, settled_by, count(*) FROM lot WHERE standing = 1
             GROUP BY day, settled_by ORDER BY day, settled_by",
        )
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        let mut pauses: Vec<f64> = sqlx::query_scalar(
            "SELECT pause FROM
             (SELECT (julianday(at) - julianday(lag(at) OVER (PARTITION BY who ORDER BY id))) * 86400.0 AS pause
              FROM (SELECT id, at, who FROM deed WHERE kind = 'settle' ORDER BY id DESC LIMIT 1001))
             WHERE pause IS NOT NULL AND pause <= ?",
        )
        .bind(BREAK_SECONDS)
        .fetch_all(&self.read)
        .await
        .map_err(failed)?;
        pauses.sort_by(f64::total_cmp);
        let over_time = self.stands(self.first_of_last(MANY).await?, GROUPS).await?;
        let lately = self.stands(self.first_of_last(100).await?, 1).await?;
        Ok(Progress {
            days,
            seconds: pauses.get(pauses.len() / 2).copied(),
            fields: summed(&over_time),
            lately: summed(&lately),
            over_time,
        })
    }

    async fn first_of_last(&self, many: u32) -> Result<i64> {
        let first: Option<i64> = sqlx::query_scalar(
            "SELECT min(id) FROM (SELECT id FROM lot WHERE standing = 1 ORDER BY id DESC LIMIT ?)",
        )
        .bind(many)
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        Ok(first.unwrap_or(0))
    }

    /// By field, over the records from `first` on in at most `groups` groups of
    /// equal size: how many values were understood, and how many stand. Records
    /// without a photograph are left out: nothing in them was read by a machine.
    async fn stands(&self, first: i64, groups: u32) -> Result<BTreeMap<String, Vec<(i64, i64)>>> {
        let rows: Vec<(String, i64, i64, i64)> = sqlx::query_as(
            "WITH settled (lot, nth, many) AS (
                 SELECT lot.id, row_number() OVER (ORDER BY lot.id) - 1, count(*) OVER () FROM lot
                 JOIN draft ON draft.id = coalesce(lot.draft, lot.shown) AND draft.photo IS NOT NULL
                 WHERE standing = 1 AND lot.id >= ?1)
             SELECT term, nth * min(?2, max(1, many / ?3)) / many AS part, count(*), sum(origin = 'read')
             FROM settled JOIN lot_value ON lot_value.lot = settled.lot
             WHERE origin <> 'typed' AND (value <> '' OR origin = 'changed') GROUP BY term, part",
        )
        .bind(first)
        .bind(groups)
        .bind(FEWEST)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let parts = rows.iter().map(|r| r.1 as usize + 1).max().unwrap_or(0);
        let mut fields: BTreeMap<String, Vec<(i64, i64)>> = BTreeMap::new();
        for (term, part, understood, stand) in rows {
            let groups = fields.entry(term).or_insert_with(|| vec![(0, 0); parts]);
            groups[part as usize] = (understood, stand);
        }
        Ok(fields)
    }
}

/// All groups of each field together, the field most often understood first.
fn summed(fields: &BTreeMap<String, Vec<(i64, i64)>>) -> Vec<(String, i64, i64)> {
    let sum = |groups: &[(i64, i64)]| groups.iter().fold((0, 0), |a, g| (a.0 + g.0, a.1 + g.1));
    let mut all: Vec<(String, i64, i64)> =
        fields.iter().map(|(term, groups)| (term.clone(), sum(groups).0, sum(groups).1)).collect();
    all.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_end_is_foreseen_by_the_pace_of_the_last_two_weeks() {
        let day = |d: &str, n: i64| (d.to_owned(), "A. Vell".to_owned(), n);
        let today = "2026-11-28".parse().unwrap();
        // 70 in 14 days, weekends and all: 5 a day; what is older does not count.
        let work = Progress {
            days: vec![day("2026-10-01", 900), day("2026-11-20", 30), day("2026-11-28", 40)],
            ..Progress::default()
        };
        assert_eq!(work.pace(today), Some((5.0, 14)));
        assert_eq!(work.ends(51, today), Some("2026-12-09".parse().unwrap()));
        // Begun yesterday: two days count, not fourteen.
        let begun = Progress { days: vec![day("2026-11-27", 10)], ..Progress::default() };
        assert_eq!(begun.pace(today), Some((5.0, 2)));
        let long_ago = Progress { days: vec![day("2026-10-01", 900)], ..Progress::default() };
        assert_eq!(long_ago.ends(51, today), None);
        assert_eq!(Progress::default().ends(51, today), None);
    }
}
