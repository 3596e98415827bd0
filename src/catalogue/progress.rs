//! How the work goes: what is done, how fast, and what the machine got right.

use super::store::Store;
use crate::trouble::Result;

/// A pause longer than this between two settled records is a break, not work,
/// in seconds. Shorter and slow records are left out; longer and lunch counts.
const BREAK_SECONDS: f64 = 300.0;

/// Over how many of the last records the fields are counted: enough for a tenth
/// of a percent, few enough to be counted while a page opens.
const MANY: u32 = 20_000;

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
        let fields = self.stands(self.first_of_last(MANY).await?).await?;
        let lately = self.stands(self.first_of_last(100).await?).await?;
        Ok(Progress { days, seconds: pauses.get(pauses.len() / 2).copied(), fields, lately })
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

    /// By field, over the records from `first` on: how many values were
    /// understood, and how many stand. Records without a photograph are left
    /// out: nothing in them was read by a machine.
    async fn stands(&self, first: i64) -> Result<Vec<(String, i64, i64)>> {
        sqlx::query_as(
            "SELECT term, count(*) AS understood, sum(origin = 'read') FROM lot_value
             JOIN lot ON lot.id = lot_value.lot
             JOIN draft ON draft.id = coalesce(lot.draft, lot.shown) AND draft.photo IS NOT NULL
             WHERE standing = 1 AND lot.id >= ? AND origin <> 'typed' AND (value <> '' OR origin = 'changed')
             GROUP BY term ORDER BY understood DESC, term",
        )
        .bind(first)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }
}
