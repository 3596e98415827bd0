//! The trash: records and drafts thrown away, taken out again, and the files of
//! their photographs removed when a person asks for it.
//!
//! Throwing away and taking out are deeds like all others. Emptying is the one
//! thing that cannot be undone, so it takes nothing but files, and only those
//! that the person was shown; readings, values and history stay.

use super::deeds::{IN_TRASH, STANDING, STATE, Step, TRASHED};
use super::drafts::State;
use super::folder::write_trouble;
use super::keeping::Thing;
use super::store::{Store, now};
use crate::trouble::{Result, Trouble};
use sqlx::{Row, SqliteConnection};

/// One thing in the trash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trashed {
    /// What it is.
    pub thing: Thing,
    /// In words, for people.
    pub what: String,
    /// When it was thrown away, in UTC, by RFC 3339.
    pub since: String,
    /// By whom.
    pub by: String,
    /// Why.
    pub why: String,
    /// Its photograph, as long as its file is there.
    pub photo: Option<i64>,
    /// When and by whom its photograph's file was removed.
    pub gone: Option<(String, String)>,
}

/// What emptying the trash would remove.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Removal {
    /// The names of the photographs, as their files came in.
    pub names: Vec<String>,
    /// How many files they are: pages of one PDF share theirs.
    pub files: usize,
    /// How many bytes the files have.
    pub bytes: u64,
    /// Says which files these are: the same only for the same files.
    pub seal: String,
}

/// What emptying the trash removed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Emptied {
    /// Photographs' files removed.
    pub files: u64,
    /// Bytes freed.
    pub bytes: u64,
}

/// A photograph that only things in the trash show.
struct Unwanted {
    id: i64,
    file: String,
    name: String,
}

impl Store {
    /// Refuses what cannot be done to a draft in the trash.
    pub(super) async fn not_in_trash(&self, conn: &mut SqliteConnection, draft: i64) -> Result<()> {
        if self.now_on(conn, &Step::of_draft(draft, IN_TRASH, "", "")).await?.is_empty() {
            return Ok(());
        }
        Err(Trouble::new(format!("draft {draft}"), "is in the trash")
            .hint(format!("take it out first: glassine trash FOLDER --take-out \"draft {draft}\"")))
    }

    /// Throws a record or a draft away, with the reason. It stays in the trash
    /// until a person takes it out.
    ///
    /// # Errors
    /// When there is no reason, or it is in the trash already.
    pub async fn throw_away(&self, thing: Thing, who: &str, why: &str) -> Result<i64> {
        if why.trim().is_empty() {
            return Err(Trouble::new("the trash", "takes nothing without a reason")
                .hint("say in a few words why, for example: --why \"the same envelope twice\""));
        }
        let mut tx = self.begin().await?;
        let step = match thing {
            Thing::Lot(lot) => {
                self.must_stand(&mut tx, lot).await?;
                vec![Step::of_lot(lot, STATE, STANDING, TRASHED)]
            }
            Thing::Draft(id) => {
                let mut steps = Vec::new();
                match self.state_on(&mut tx, id).await? {
                    State::Settled => {
                        return Err(Trouble::new(format!("draft {id}"), "is settled")
                            .hint("throw its record away instead"));
                    }
                    State::Waiting => steps.push(Step::of_draft(id, STATE, "waiting", "aside")),
                    State::Aside => {}
                }
                let step = Step::of_draft(id, IN_TRASH, "", "yes");
                if self.now_on(&mut tx, &step).await? == "yes" {
                    return Err(Trouble::new(format!("draft {id}"), "is in the trash already"));
                }
                steps.push(step);
                steps
            }
            other => {
                return Err(Trouble::new(other.to_string(), "cannot be thrown away")
                    .hint("give a record, or \"draft 12\""));
            }
        };
        self.change_by(tx, &step, who, why).await
    }

    /// Takes a record or a draft out of the trash.
    ///
    /// # Errors
    /// When it is not in the trash.
    pub async fn take_out(&self, thing: Thing, who: &str) -> Result<i64> {
        let mut tx = self.begin().await?;
        let mut steps = match thing {
            Thing::Lot(lot) => vec![Step::of_lot(lot, STATE, TRASHED, STANDING)],
            Thing::Draft(id) => vec![Step::of_draft(id, IN_TRASH, "yes", "")],
            other => {
                return Err(Trouble::new(other.to_string(), "is never in the trash")
                    .hint("give a record, or \"draft 12\""));
            }
        };
        if self.now_on(&mut tx, &steps[0]).await? != steps[0].was {
            return Err(
                Trouble::new("this", "is not in the trash").hint("see what is: glassine trash FOLDER")
            );
        }
        if let Thing::Draft(id) = thing
            && self.state_on(&mut tx, id).await? == State::Aside
        {
            steps.push(Step::of_draft(id, STATE, "aside", "waiting"));
        }
        self.change_by(tx, &steps, who, "taken out of the trash").await
    }

    /// How many things are in the trash.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn trash_count(&self) -> Result<i64> {
        sqlx::query_scalar(
            "SELECT (SELECT count(*) FROM lot WHERE fate <> '' AND fate = ?)
             + (SELECT count(*) FROM draft WHERE trash = 1)",
        )
        .bind(TRASHED)
        .fetch_one(&self.read)
        .await
        .map_err(|e| self.trouble(e))
    }

    /// What is in the trash, the newest first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn trash(&self) -> Result<Vec<Trashed>> {
        let rows = sqlx::query(
            "SELECT 'lot', lot.id, deed.at, deed.who, deed.why, deed.id, photo.id, gone, gone_by FROM lot
             JOIN change ON change.id = (SELECT max(id) FROM change WHERE change.lot = lot.id AND term = 'state')
             JOIN deed ON deed.id = change.deed
             LEFT JOIN draft ON draft.id = coalesce(lot.draft, lot.shown) LEFT JOIN photo ON photo.id = draft.photo
             WHERE fate <> '' AND fate = ?1
             UNION ALL
             SELECT 'draft', draft.id, deed.at, deed.who, deed.why, deed.id, photo.id, gone, gone_by FROM draft
             JOIN change ON change.id =
                 (SELECT max(id) FROM change WHERE change.draft = draft.id AND term = 'in the trash')
             JOIN deed ON deed.id = change.deed LEFT JOIN photo ON photo.id = draft.photo WHERE trash = 1
             ORDER BY 6 DESC",
        )
        .bind(TRASHED)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let mut found = Vec::with_capacity(rows.len());
        for r in &rows {
            let (kind, id): (String, i64) = (r.get(0), r.get(1));
            let thing = if kind == "lot" { Thing::Lot(id) } else { Thing::Draft(id) };
            let what = self.in_words(&mut conn, thing).await?;
            let gone: Option<(String, String)> = r.get::<Option<String>, _>(7).map(|at| (at, r.get(8)));
            found.push(Trashed {
                thing,
                what,
                since: r.get(2),
                by: r.get(3),
                why: r.get(4),
                photo: r.get::<Option<i64>, _>(6).filter(|_| gone.is_none()),
                gone,
            });
        }
        Ok(found)
    }

    /// The photographs whose files are there and that only things in the trash
    /// show.
    async fn unwanted(&self, conn: &mut SqliteConnection) -> Result<Vec<Unwanted>> {
        let rows: Vec<(i64, String, String, bool)> = sqlx::query_as(
            "SELECT photo.id, photo.file, photo.name, gone IS NOT NULL FROM photo JOIN draft ON draft.photo = photo.id
             LEFT JOIN lot ON lot.draft = draft.id
             WHERE (draft.trash = 1 AND draft.state = 'aside' OR lot.fate = ?1)
             -- parts of it, also where they are merged into other records now
             AND NOT EXISTS (SELECT 1 FROM lot AS part WHERE part.shown = draft.id
                             AND (part.standing = 1 OR part.fate LIKE 'merged into record %'))
             -- other pages of the same file may still be wanted
             AND NOT EXISTS (
                 SELECT 1 FROM photo AS other JOIN draft AS d ON d.photo = other.id
                 LEFT JOIN lot AS l ON l.draft = d.id
                 WHERE other.file = photo.file AND NOT (d.trash = 1 AND d.state = 'aside')
                 AND coalesce(l.fate, '') <> ?1)
             ORDER BY photo.id",
        )
        .bind(TRASHED)
        .fetch_all(conn)
        .await
        .map_err(|e| self.trouble(e))?;
        // One whose removal was cut short says that it is gone, and lies there still.
        let there = |file: &str| self.folder().photos().join(file).exists();
        let wanted = rows.into_iter().filter(|r| !r.3 || there(&r.1));
        Ok(wanted.map(|(id, file, name, _)| Unwanted { id, file, name }).collect())
    }

    /// What emptying the trash would remove now.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn removal(&self) -> Result<Removal> {
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let unwanted = self.unwanted(&mut conn).await?;
        let files = files(&unwanted);
        let size = |file: &&str| std::fs::metadata(self.folder().photos().join(file)).map_or(0, |f| f.len());
        Ok(Removal {
            files: files.len(),
            bytes: files.iter().map(size).sum(),
            seal: seal(&unwanted),
            names: unwanted.into_iter().map(|u| u.name).collect(),
        })
    }

    /// Empties the trash: removes the files of photographs that only things in
    /// the trash show. Readings, values and history stay; what is in the trash
    /// stays listed there. With the seal of what the person was shown, nothing
    /// else is removed. The row says so before the file goes, so that a crash in
    /// between leaves a file too many and never one too few.
    ///
    /// # Errors
    /// When the trash is not as it was shown, or a file cannot be removed.
    pub async fn empty_trash(&self, who: &str, shown: Option<&str>) -> Result<Emptied> {
        let mut tx = self.begin().await?;
        let unwanted = self.unwanted(&mut tx).await?;
        if shown.is_some_and(|s| s != seal(&unwanted)) {
            return Err(Trouble::new("the trash", "changed since it was shown")
                .hint("look at it again; nothing was removed"));
        }
        for photo in &unwanted {
            sqlx::query("UPDATE photo SET gone = ?, gone_by = ? WHERE id = ? AND gone IS NULL")
                .bind(now())
                .bind(who)
                .bind(photo.id)
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        }
        tx.commit().await.map_err(|e| self.trouble(e))?;
        let mut emptied = Emptied::default();
        for file in files(&unwanted) {
            let path = self.folder().photos().join(file);
            let Ok(facts) = std::fs::metadata(&path) else { continue };
            std::fs::remove_file(&path).map_err(|e| write_trouble(&path, "cannot be removed", e))?;
            emptied.files += 1;
            emptied.bytes += facts.len();
        }
        Ok(emptied)
    }
}

/// The files of photographs, each once.
fn files(unwanted: &[Unwanted]) -> Vec<&str> {
    let mut files: Vec<&str> = unwanted.iter().map(|u| u.file.as_str()).collect();
    files.sort_unstable();
    files.dedup();
    files
}

fn seal(unwanted: &[Unwanted]) -> String {
    let ids: String = unwanted.iter().map(|u| format!("{} ", u.id)).collect();
    blake3::hash(ids.as_bytes()).to_hex().to_string()
}
