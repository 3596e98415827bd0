//! Where things are kept, and what becomes of lots: put into containers,
//! mounted, determined anew, merged and split.
//!
//! Each of these is one deed with its changes, in one transaction; one undo
//! takes it back. Nothing is removed from the catalogue.

use super::deeds::{Change, DeedKind, KEPT_IN, MERGED, SPECIMEN_STANDS, STANDING, STATE, Step, TRASHED};
use super::store::{Store, now};
use super::{RecordHead, StageRules};
use crate::codes;
use crate::trouble::{Result, Trouble};
use sqlx::{Row, SqliteConnection};

/// The next step where a record or draft of that number is not there.
pub(super) const LISTED: &str = "see which there are: glassine list FOLDER";

/// What can be put somewhere or looked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Thing {
    /// A record (its lot).
    Lot(i64),
    /// One specimen of a lot.
    Specimen(i64),
    /// A container, with all that is in it.
    Container(i64),
    /// A draft.
    Draft(i64),
}

/// As a person names it, for messages. A specimen's number here is its row.
impl std::fmt::Display for Thing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Thing::Lot(id) => write!(f, "record {id}"),
            Thing::Specimen(id) => write!(f, "specimen {id}"),
            Thing::Container(id) => write!(f, "container {id}"),
            Thing::Draft(id) => write!(f, "draft {id}"),
        }
    }
}

/// A box, drawer, cabinet, cooler: anything that holds others.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Container {
    /// Its number in this catalogue.
    pub id: i64,
    /// Its lasting identifier.
    pub uuid: String,
    /// What is written on it.
    pub code: String,
    /// What it is, for example `drawer`; may be empty.
    pub kind: String,
    /// The code of the container it is in; empty where it stands by itself.
    pub inside: String,
    /// How many lots are directly in it.
    pub lots: i64,
    /// How many specimens are in it apart from their lots.
    pub specimens: i64,
    /// How many containers are directly in it.
    pub containers: i64,
}

/// Where a thing is, and since when.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Whereabouts {
    /// What was asked for, in words.
    pub what: String,
    /// The codes of the containers, the innermost first; empty: nobody said.
    pub chain: Vec<String>,
    /// When it was put there, in UTC, by RFC 3339.
    pub since: String,
    /// Who put it there.
    pub by: String,
}

/// What is directly in a container.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Contents {
    /// Containers, by code.
    pub containers: Vec<Container>,
    /// Lots.
    pub lots: Vec<RecordHead>,
    /// Specimens that are here apart from their lot: number and lot.
    pub specimens: Vec<(String, i64)>,
}

/// What lies in a container and in all that is inside it, in numbers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Held {
    /// Lots.
    pub lots: i64,
    /// Specimens that are there apart from their lot.
    pub specimens: i64,
    /// How many lots have each name, the most first; an empty name is none.
    pub names: Vec<(String, i64)>,
    /// How many lots are in each stage, by the stage's word.
    pub stages: Vec<(String, i64)>,
}

/// A specimen to be mounted: its number, and its sex where it is known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mount {
    /// Its catalogue number.
    pub number: String,
    /// Its sex, as Darwin Core's `sex`; empty where it is not known.
    pub sex: String,
}

/// Chains of containers longer than this are a mistake: room, cabinet, drawer,
/// box, envelope are five.
const DEEPEST: usize = 20;

impl Store {
    // ---- containers

    /// Makes a container with the code that is written on it, of a kind
    /// (`drawer`; may be empty), inside another where its code is given.
    ///
    /// # Errors
    /// When the code is taken or empty, or there is no such outer container.
    pub async fn make_container(
        &self,
        code: &str,
        kind: &str,
        inside: Option<&str>,
        who: &str,
    ) -> Result<i64> {
        let code = code.trim();
        if code.is_empty() || code.parse::<i64>().is_ok() {
            return Err(Trouble::new(format!("the code “{code}”"), "cannot be a container's")
                .hint("write letters too, as on the container: numbers alone are records"));
        }
        if codes::container(code).is_some() {
            return Err(Trouble::new(format!("the code “{code}”"), "is of the kind that labels print")
                .hint("give the container a name; its label gets a code of its own"));
        }
        let mut tx = self.begin().await?;
        let there: Option<(i64, bool)> = sqlx::query_as("SELECT id, standing FROM container WHERE code = ?")
            .bind(code)
            .fetch_optional(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        let id = match there {
            Some((_, true)) => {
                return Err(Trouble::new(format!("container {code}"), "is there already")
                    .hint("give the new one another code, and write it on it"));
            }
            // Its making was undone: it is made again.
            Some((id, false)) => id,
            None => sqlx::query_scalar(
                "INSERT INTO container (uuid, code, kind, added) VALUES (?, ?, ?, ?) RETURNING id",
            )
            .bind(uuid::Uuid::now_v7().to_string())
            .bind(code)
            .bind(kind.trim())
            .bind(now())
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?,
        };
        let deed = self.deed(&mut tx, who, DeedKind::Change, "made a container", None).await?;
        self.take(&mut tx, deed, &Step::of_container(id, STATE, super::deeds::NOT_STANDING, STANDING))
            .await?;
        if let Some(outer) = inside {
            let outer = self.container_coded(&mut tx, outer).await?;
            self.take(&mut tx, deed, &Step::of_container(id, KEPT_IN, "", &outer.1)).await?;
        }
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(id)
    }

    /// The container with this code, or whose printed label has it.
    pub(super) async fn container_coded(
        &self,
        conn: &mut SqliteConnection,
        code: &str,
    ) -> Result<(i64, String)> {
        sqlx::query_as("SELECT id, code FROM container WHERE (code = ?1 OR id = ?2) AND standing = 1")
            .bind(code.trim())
            .bind(codes::container(code))
            .fetch_optional(conn)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| {
                Trouble::new(format!("container {code}"), "is not in this catalogue")
                    .hint(format!("make it with: glassine container FOLDER \"{code}\""))
            })
    }

    /// All containers, or those directly in `inside`, by code.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn containers(&self, inside: Option<i64>) -> Result<Vec<Container>> {
        let rows = sqlx::query(
            "SELECT c.id, c.uuid, c.code, c.kind, coalesce(outer.code, ''),
                    (SELECT count(*) FROM lot WHERE lot.container = c.id AND lot.standing = 1),
                    (SELECT count(*) FROM specimen WHERE specimen.container = c.id),
                    (SELECT count(*) FROM container AS inner WHERE inner.inside = c.id AND inner.standing = 1)
             FROM container AS c LEFT JOIN container AS outer ON outer.id = c.inside
             WHERE c.standing = 1 AND (?1 IS NULL OR c.inside = ?1) ORDER BY c.code",
        )
        .bind(inside)
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        let container = |r: &sqlx::sqlite::SqliteRow| Container {
            id: r.get(0),
            uuid: r.get(1),
            code: r.get(2),
            kind: r.get(3),
            inside: r.get(4),
            lots: r.get(5),
            specimens: r.get(6),
            containers: r.get(7),
        };
        Ok(rows.iter().map(container).collect())
    }

    /// Puts things into the container with code `into`, or nowhere in
    /// particular (`None`), as one deed.
    ///
    /// # Errors
    /// When a thing or the container is not there, or a container would come to
    /// be inside itself.
    pub async fn put(&self, things: &[Thing], into: Option<&str>, who: &str, why: &str) -> Result<i64> {
        let mut tx = self.begin().await?;
        let (outer, code) = match into {
            Some(code) => {
                let (id, code) = self.container_coded(&mut tx, code).await?;
                (Some(id), code)
            }
            None => (None, String::new()),
        };
        let mut steps = Vec::new();
        for thing in things {
            let mut step = match thing {
                Thing::Lot(lot) => {
                    self.must_stand(&mut tx, *lot).await?;
                    Step::of_lot(*lot, KEPT_IN, "", &code)
                }
                Thing::Specimen(id) => {
                    let lot = self.lot_of_specimen(&mut tx, *id).await?;
                    Step::of_lot(lot, &format!("specimen {id} {KEPT_IN}"), "", &code)
                }
                Thing::Container(id) => {
                    if let Some(outer) = outer {
                        self.not_inside_itself(&mut tx, *id, outer).await?;
                    }
                    Step::of_container(*id, KEPT_IN, "", &code)
                }
                Thing::Draft(id) => {
                    return Err(Trouble::new(format!("draft {id}"), "is not settled: it is no record yet")
                        .hint("settle it first, then put its record away"));
                }
            };
            step.was = self.now_on(&mut tx, &step).await?;
            if step.was != step.now {
                steps.push(step);
            }
        }
        self.change_by(tx, &steps, who, why).await
    }

    async fn not_inside_itself(&self, tx: &mut SqliteConnection, inner: i64, outer: i64) -> Result<()> {
        let mut at = Some(outer);
        for _ in 0..DEEPEST {
            let Some(id) = at else { return Ok(()) };
            if id == inner {
                break;
            }
            at = sqlx::query_scalar("SELECT inside FROM container WHERE id = ?")
                .bind(id)
                .fetch_one(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
        }
        Err(Trouble::new("this container", "would be inside itself").hint("take the other one out first"))
    }

    /// Where a thing is.
    ///
    /// # Errors
    /// When it is not in this catalogue.
    pub async fn whereabouts(&self, thing: Thing) -> Result<Whereabouts> {
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let conn = &mut *conn;
        let what = self.in_words(conn, thing).await?;
        // A specimen without a place of its own is with its lot.
        let (mut at, lot, term): (Option<i64>, Option<i64>, String) = match thing {
            Thing::Lot(id) => (self.place_of(conn, "lot", id).await?, Some(id), KEPT_IN.into()),
            Thing::Specimen(id) => {
                let lot = self.lot_of_specimen(conn, id).await?;
                match self.place_of(conn, "specimen", id).await? {
                    Some(own) => (Some(own), Some(lot), format!("specimen {id} {KEPT_IN}")),
                    None => (self.place_of(conn, "lot", lot).await?, Some(lot), KEPT_IN.into()),
                }
            }
            Thing::Container(id) => {
                let inside = sqlx::query_scalar("SELECT inside FROM container WHERE id = ?")
                    .bind(id)
                    .fetch_one(&mut *conn)
                    .await
                    .map_err(|e| self.trouble(e))?;
                (inside, None, KEPT_IN.into())
            }
            Thing::Draft(_) => (None, None, KEPT_IN.into()),
        };
        let mut found = Whereabouts { what, ..Whereabouts::default() };
        let container = if let Thing::Container(id) = thing { Some(id) } else { None };
        let last: Option<(String, String)> = sqlx::query_as(
            "SELECT at, who FROM (
                 SELECT deed, term FROM change WHERE lot = ?1 AND term = ?2
                 UNION ALL SELECT deed, term FROM container_change WHERE container = ?3 AND term = ?2)
             JOIN deed ON deed.id = deed ORDER BY deed.id DESC LIMIT 1",
        )
        .bind(lot)
        .bind(&term)
        .bind(container)
        .fetch_optional(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?;
        while let Some(id) = at
            && found.chain.len() < DEEPEST
        {
            let (code, inside): (String, Option<i64>) =
                sqlx::query_as("SELECT code, inside FROM container WHERE id = ?")
                    .bind(id)
                    .fetch_one(&mut *conn)
                    .await
                    .map_err(|e| self.trouble(e))?;
            found.chain.push(code);
            at = inside;
        }
        if let Some((since, by)) = last.filter(|_| !found.chain.is_empty()) {
            found.since = since;
            found.by = by;
        }
        Ok(found)
    }

    async fn place_of(
        &self,
        conn: &mut SqliteConnection,
        table: &'static str,
        id: i64,
    ) -> Result<Option<i64>> {
        let sql = if table == "lot" {
            "SELECT container FROM lot WHERE id = ?"
        } else {
            "SELECT container FROM specimen WHERE id = ?"
        };
        sqlx::query_scalar(sql).bind(id).fetch_one(conn).await.map_err(|e| self.trouble(e))
    }

    /// What is directly in a container; at most `limit` lots and specimens.
    ///
    /// # Errors
    /// When there is no such container.
    pub async fn contents(&self, container: i64, limit: u32) -> Result<Contents> {
        let lots: Vec<i64> =
            sqlx::query_scalar("SELECT id FROM lot WHERE container = ? AND standing = 1 ORDER BY id LIMIT ?")
                .bind(container)
                .bind(limit)
                .fetch_all(&self.read)
                .await
                .map_err(|e| self.trouble(e))?;
        let sql = format!(
            "SELECT number, lot FROM specimen WHERE container = ? AND {SPECIMEN_STANDS} ORDER BY number LIMIT ?"
        );
        let specimens = sqlx::query_as(&sql)
            .bind(container)
            .bind(limit)
            .fetch_all(&self.read)
            .await
            .map_err(|e| self.trouble(e))?;
        Ok(Contents {
            containers: self.containers(Some(container)).await?,
            lots: self.heads(&lots).await?,
            specimens,
        })
    }

    /// What lies in a container and in all that is inside it.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn held_in(&self, container: i64, rules: &StageRules) -> Result<Held> {
        const INSIDE: &str = "WITH RECURSIVE held (id, depth) AS (
            SELECT ?1, 0 UNION SELECT c.id, depth + 1 FROM held JOIN container AS c ON c.inside = held.id
            WHERE c.standing = 1 AND depth < 20),
            here (lot) AS (SELECT id FROM lot WHERE standing = 1 AND container IN (SELECT id FROM held))";
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let names: Vec<(String, i64)> = sqlx::query_as(&format!(
            "{INSIDE} SELECT coalesce(value, '') AS name, count(*) FROM here
             LEFT JOIN lot_value ON lot_value.lot = here.lot AND term = 'scientificName'
             GROUP BY name ORDER BY 2 DESC, 1"
        ))
        .bind(container)
        .fetch_all(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?;
        let specimens: i64 = sqlx::query_scalar(&format!(
            "{INSIDE} SELECT count(*) FROM specimen WHERE container IN (SELECT id FROM held) AND {SPECIMEN_STANDS}"
        ))
        .bind(container)
        .fetch_one(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?;
        let texts: Vec<String> = sqlx::query_scalar(&format!(
            "{INSIDE} SELECT value FROM here JOIN lot_stage ON lot_stage.lot = here.lot WHERE value <> ''"
        ))
        .bind(container)
        .fetch_all(&mut *conn)
        .await
        .map_err(|e| self.trouble(e))?;
        let texts: Vec<String> = texts.iter().filter_map(|t| super::Stage::of(t)).map(|s| s.name).collect();
        let stages = rules
            .in_order()
            .into_iter()
            .map(|(name, rule)| (rule.word.clone(), texts.iter().filter(|t| *t == name).count() as i64))
            .filter(|s| s.1 > 0)
            .collect();
        Ok(Held { lots: names.iter().map(|n| n.1).sum(), specimens, names, stages })
    }

    /// The containers whose printed codes are among `texts`, each once; codes of
    /// none of this collection are left out.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn containers_on<'t>(&self, texts: impl Iterator<Item = &'t str>) -> Result<Vec<Container>> {
        let wanted: std::collections::BTreeSet<i64> = texts.filter_map(codes::container).collect();
        if wanted.is_empty() {
            return Ok(Vec::new());
        }
        Ok(self.containers(None).await?.into_iter().filter(|c| wanted.contains(&c.id)).collect())
    }

    /// The lot of a specimen that is the only one of it; any other thing as it
    /// is. An envelope's number is that of its lot until its animals are mounted.
    ///
    /// # Errors
    /// When there is no such specimen.
    pub async fn whole(&self, thing: Thing) -> Result<Thing> {
        let Thing::Specimen(id) = thing else { return Ok(thing) };
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let lot = self.lot_of_specimen(&mut conn, id).await?;
        let of_lot: i64 =
            sqlx::query_scalar(&format!("SELECT count(*) FROM specimen WHERE lot = ? AND {SPECIMEN_STANDS}"))
                .bind(lot)
                .fetch_one(&mut *conn)
                .await
                .map_err(|e| self.trouble(e))?;
        Ok(if of_lot == 1 { Thing::Lot(lot) } else { thing })
    }

    /// The thing that a person means: a container's code, a specimen's
    /// catalogue number, or a record's number; `record 12`, `specimen 12`,
    /// `container 12` and `draft 12` say which.
    ///
    /// # Errors
    /// When there is none, or several could be meant.
    pub async fn thing(&self, words: &str) -> Result<Thing> {
        let words = words.trim();
        let (only, rest) = match words.split_once(' ') {
            Some((kind @ ("record" | "specimen" | "container" | "draft"), rest)) => (kind, rest.trim()),
            _ => ("", words),
        };
        let mut conn = self.read.acquire().await.map_err(|e| self.trouble(e))?;
        let mut found = Vec::new();
        let id = rest.parse::<i64>().ok();
        if ["", "container"].contains(&only) {
            found.extend(
                self.ids(&mut conn, "SELECT id FROM container WHERE code = ? AND standing = 1", rest)
                    .await?
                    .into_iter()
                    .map(Thing::Container),
            );
            if let Some(id) = codes::container(rest) {
                let sql = "SELECT id FROM container WHERE id = CAST(? AS INTEGER) AND standing = 1";
                let printed = self.ids(&mut conn, sql, &id.to_string()).await?;
                found.extend(printed.into_iter().map(Thing::Container));
            }
        }
        if ["", "specimen"].contains(&only) {
            let sql = format!("SELECT id FROM specimen WHERE number = ? AND {SPECIMEN_STANDS} LIMIT 5");
            found.extend(self.ids(&mut conn, &sql, rest).await?.into_iter().map(Thing::Specimen));
        }
        if ["", "record"].contains(&only) && id.is_some() {
            found.extend(
                self.ids(&mut conn, "SELECT id FROM lot WHERE id = CAST(? AS INTEGER)", rest)
                    .await?
                    .into_iter()
                    .map(Thing::Lot),
            );
        }
        if only == "draft" {
            found.extend(
                self.ids(&mut conn, "SELECT id FROM draft WHERE id = CAST(? AS INTEGER)", rest)
                    .await?
                    .into_iter()
                    .map(Thing::Draft),
            );
        }
        match found.as_slice() {
            [one] => Ok(*one),
            [] => Err(Trouble::new(format!("“{words}”"), "is not in this catalogue").hint(
                "give a record's number, a specimen's catalogue number or a container's code; \
                 glassine find FOLDER WORDS lists records",
            )),
            several => {
                let mut names = Vec::new();
                for thing in several {
                    names.push(self.in_words(&mut conn, *thing).await?);
                }
                Err(Trouble::new(format!("“{words}”"), format!("may mean {}", names.join(" or ")))
                    .hint(format!("say which, for example: \"record {rest}\" or \"specimen {rest}\"")))
            }
        }
    }

    async fn ids(&self, conn: &mut SqliteConnection, sql: &str, value: &str) -> Result<Vec<i64>> {
        sqlx::query_scalar(sql).bind(value.to_owned()).fetch_all(conn).await.map_err(|e| self.trouble(e))
    }

    /// A thing in words: `record 12 (Noctua comes)`.
    pub(super) async fn in_words(&self, conn: &mut SqliteConnection, thing: Thing) -> Result<String> {
        let (sql, id) = match thing {
            Thing::Lot(id) => (
                "SELECT 'record ' || lot.id || coalesce(' (' || nullif(value, '') || ')', '') FROM lot
                 LEFT JOIN lot_value ON lot = lot.id AND term = 'scientificName' WHERE lot.id = ?",
                id,
            ),
            Thing::Specimen(id) => {
                ("SELECT 'specimen ' || number || ' of record ' || lot FROM specimen WHERE id = ?", id)
            }
            Thing::Container(id) => (
                "SELECT code || coalesce(' (' || nullif(kind, '') || ')', '') FROM container WHERE id = ? AND standing = 1",
                id,
            ),
            Thing::Draft(id) => ("SELECT 'draft ' || id || ' (' || name || ')' FROM draft WHERE id = ?", id),
        };
        sqlx::query_scalar(sql)
            .bind(id)
            .fetch_optional(conn)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| Trouble::new(thing.to_string(), "is not in this catalogue"))
    }

    pub(super) async fn lot_of_specimen(&self, conn: &mut SqliteConnection, id: i64) -> Result<i64> {
        sqlx::query_scalar(&format!("SELECT lot FROM specimen WHERE id = ? AND {SPECIMEN_STANDS}"))
            .bind(id)
            .fetch_optional(conn)
            .await
            .map_err(|e| self.trouble(e))?
            .ok_or_else(|| Trouble::new(format!("specimen {id}"), "is not in this catalogue"))
    }

    /// Refuses a record that does not stand, saying where it went.
    pub(super) async fn must_stand(&self, conn: &mut SqliteConnection, lot: i64) -> Result<()> {
        let row: Option<(bool, String)> = sqlx::query_as("SELECT standing, fate FROM lot WHERE id = ?")
            .bind(lot)
            .fetch_optional(conn)
            .await
            .map_err(|e| self.trouble(e))?;
        let subject = format!("record {lot}");
        match row {
            None => Err(Trouble::new(subject, "is not in this catalogue").hint(LISTED)),
            Some((true, _)) => Ok(()),
            Some((false, fate)) if fate.is_empty() => {
                Err(Trouble::new(subject, "does not stand: its settling was undone")
                    .hint("settle its draft again"))
            }
            Some((false, fate)) if fate == TRASHED => Err(Trouble::new(subject, "is in the trash")
                .hint(format!("take it out with: glassine trash FOLDER --take-out {lot}"))),
            Some((false, fate)) => {
                Err(Trouble::new(subject, format!("was {fate}")).hint("go on with that record"))
            }
        }
    }

    // ---- lots and their specimens

    /// Changes values of a record, whether it has a draft or was split off.
    /// `seen` is the last deed on it that the person saw, 0 or `None` to take
    /// it as it is.
    ///
    /// # Errors
    /// When there is no such record, or it was changed since.
    pub async fn change_record(
        &self,
        lot: i64,
        who: &str,
        changes: &[Change],
        why: &str,
        seen: Option<i64>,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        self.must_stand(&mut tx, lot).await?;
        if let Some(seen) = seen {
            let last: Option<i64> = sqlx::query_scalar("SELECT max(deed) FROM change WHERE lot = ?")
                .bind(lot)
                .fetch_one(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            if last != Some(seen) {
                return Err(Trouble::new(format!("record {lot}"), "was changed since this page was opened")
                    .hint("look at it again; nothing was written over"));
            }
        }
        let draft: Option<i64> = sqlx::query_scalar("SELECT draft FROM lot WHERE id = ?")
            .bind(lot)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
        let steps = self.steps(&mut tx, draft, Some(lot), changes).await?;
        self.change_by(tx, &steps, who, why).await
    }

    /// Gives animals of a lot numbers of their own: an envelope with five moths
    /// is one lot and, once mounted, five specimens. Gives the specimens.
    ///
    /// # Errors
    /// When a number is empty, given twice, or another specimen's.
    pub async fn mount(&self, lot: i64, mounts: &[Mount], who: &str, why: &str) -> Result<Vec<i64>> {
        let mut tx = self.begin().await?;
        self.must_stand(&mut tx, lot).await?;
        let why = if why.trim().is_empty() { "mounted" } else { why };
        let deed = self.deed(&mut tx, who, DeedKind::Change, why, None).await?;
        let mut made = Vec::with_capacity(mounts.len());
        for mount in mounts {
            let number = mount.number.trim();
            if number.is_empty() {
                return Err(Trouble::new("a specimen", "has no number").hint("give each animal its own"));
            }
            let sql = format!("SELECT lot FROM specimen WHERE number = ? AND {SPECIMEN_STANDS} LIMIT 1");
            let taken: Option<i64> = sqlx::query_scalar(&sql)
                .bind(number)
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            if let Some(other) = taken {
                return Err(Trouble::new(
                    format!("number {number}"),
                    format!("is taken: record {other} has it"),
                )
                .hint("give each animal a number of its own; nothing was changed"));
            }
            let id: i64 = sqlx::query_scalar(
                "INSERT INTO specimen (uuid, lot, number, sex, added, deed) VALUES (?, ?, '', ?, ?, ?)
                 RETURNING id",
            )
            .bind(uuid::Uuid::now_v7().to_string())
            .bind(lot)
            .bind(mount.sex.trim())
            .bind(now())
            .bind(deed)
            .fetch_one(&mut *tx)
            .await
            .map_err(|e| self.trouble(e))?;
            let step = Step::of_lot(lot, &format!("specimen {id} number"), "", number);
            self.take(&mut tx, deed, &step).await?;
            made.push(id);
        }
        self.index_lot(&mut tx, lot).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(made)
    }

    /// Determines a record anew, or one specimen of it: history keeps the names
    /// it had. For a whole record its name, determiner and date change too.
    ///
    /// # Errors
    /// When the name is empty, or there is no such record or specimen.
    pub async fn determine(&self, thing: Thing, name: &str, by: &str, day: &str, who: &str) -> Result<i64> {
        if name.trim().is_empty() {
            return Err(Trouble::new("a determination", "has no name").hint("give the scientific name"));
        }
        let change = |term: &str, value: &str| Change { term: term.into(), value: value.trim().into() };
        match thing {
            Thing::Lot(lot) => {
                let changes = [
                    change("scientificName", name),
                    change("identifiedBy", by),
                    change("dateIdentified", day),
                ];
                let deed = self.change_record(lot, who, &changes, "determined", None).await?;
                if deed == 0 {
                    return Err(Trouble::new(format!("record {lot}"), "has that determination already")
                        .hint("nothing is to be done; another name, determiner or day makes a new one"));
                }
                Ok(deed)
            }
            Thing::Specimen(id) => {
                let mut tx = self.begin().await?;
                let lot = self.lot_of_specimen(&mut tx, id).await?;
                let was: Option<String> = sqlx::query_scalar(
                    "SELECT name FROM determination WHERE specimen = ?
                     AND NOT EXISTS (SELECT 1 FROM deed WHERE undoes = determination.deed)
                     ORDER BY id DESC LIMIT 1",
                )
                .bind(id)
                .fetch_optional(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
                let deed = self.deed(&mut tx, who, DeedKind::Change, "determined", None).await?;
                sqlx::query(
                    "INSERT INTO determination (lot, specimen, name, by, day, entered, who, deed)
                     VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                )
                .bind(lot)
                .bind(id)
                .bind(name.trim())
                .bind(by.trim())
                .bind(day.trim())
                .bind(now())
                .bind(who)
                .bind(deed)
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
                // The name itself lives in the determinations: the history of
                // the record says that it was given.
                let term = format!("specimen {id} name");
                let was = was.unwrap_or_default();
                self.write_change(&mut tx, deed, None, Some(lot), &term, &was, name.trim()).await?;
                self.index_lot(&mut tx, lot).await?;
                tx.commit().await.map_err(|e| self.trouble(e))?;
                Ok(deed)
            }
            other => Err(Trouble::new(other.to_string(), "is no record and no specimen")
                .hint("give a record's number or a specimen's catalogue number")),
        }
    }

    /// Merges records into one: what `into` lacks it takes from the others,
    /// their specimens become its own, counts are added up. The others stay in
    /// the catalogue with all they said, and one undo parts them again.
    ///
    /// # Errors
    /// When one of them does not stand, or is `into` itself.
    pub async fn merge(&self, into: i64, others: &[i64], who: &str, why: &str) -> Result<i64> {
        let mut tx = self.begin().await?;
        self.must_stand(&mut tx, into).await?;
        if others.is_empty() || others.contains(&into) {
            return Err(Trouble::new(format!("record {into}"), "cannot be merged into itself")
                .hint("name the other records"));
        }
        let deed = self.deed(&mut tx, who, DeedKind::Change, why, None).await?;
        let mut values = self.lot_values(&mut tx, into).await?;
        let (draft, mut steps): (Option<i64>, Vec<Step>) = (None, Vec::new());
        for other in others {
            self.must_stand(&mut tx, *other).await?;
            let theirs = self.lot_values(&mut tx, *other).await?;
            for (term, value) in theirs.iter().filter(|v| !v.1.is_empty()) {
                let mine = values.get(term).cloned().unwrap_or_default();
                let now = match (term.as_str(), mine.parse::<u64>(), value.parse::<u64>()) {
                    ("individualCount", Ok(a), Ok(b)) => (a + b).to_string(),
                    _ if mine.is_empty() => value.clone(),
                    _ => continue,
                };
                let step = Step { draft, ..Step::of_lot(into, term, &mine, &now) };
                self.take(&mut tx, deed, &step).await?;
                values.insert(term.clone(), now);
                steps.push(step);
            }
            // What stages the one has not, it takes over too; they are not added up.
            let mine = self.lot_stages(&mut tx, into).await?;
            for (term, stage) in self.lot_stages(&mut tx, *other).await? {
                if mine.iter().all(|m| m.0 != term) {
                    let step = Step::of_lot(into, &term, "", &stage);
                    self.take(&mut tx, deed, &step).await?;
                }
            }
            steps.extend(self.move_specimens(&mut tx, deed, *other, into, None).await?);
            let step = Step::of_lot(*other, STATE, STANDING, &format!("{MERGED}{into}"));
            self.take(&mut tx, deed, &step).await?;
            steps.push(step);
        }
        self.index_touched(&mut tx, &steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(deed)
    }

    async fn move_specimens(
        &self,
        tx: &mut SqliteConnection,
        deed: i64,
        from: i64,
        to: i64,
        only: Option<&[i64]>,
    ) -> Result<Vec<Step>> {
        let sql = format!("SELECT id FROM specimen WHERE lot = ? AND {SPECIMEN_STANDS} ORDER BY id");
        let ids: Vec<i64> =
            sqlx::query_scalar(&sql).bind(from).fetch_all(&mut *tx).await.map_err(|e| self.trouble(e))?;
        let mut steps = Vec::new();
        for id in ids.into_iter().filter(|id| only.is_none_or(|o| o.contains(id))) {
            let step = Step::of_lot(to, &format!("specimen {id} record"), &from.to_string(), &to.to_string());
            self.take(tx, deed, &step).await?;
            steps.push(step);
        }
        Ok(steps)
    }

    /// Splits a part off a record: the part is a record of its own with the
    /// same values, changed by `changes`, with the specimens named; the count
    /// of the rest goes down by that of the part. One undo joins them again.
    /// Gives the new lot.
    ///
    /// # Errors
    /// When the record does not stand, a specimen is not its own, or the part
    /// would be more than there is.
    pub async fn split(
        &self,
        lot: i64,
        specimens: &[i64],
        changes: &[Change],
        who: &str,
        why: &str,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        self.must_stand(&mut tx, lot).await?;
        for specimen in specimens {
            if self.lot_of_specimen(&mut tx, *specimen).await? != lot {
                return Err(Trouble::new(format!("specimen {specimen}"), format!("is not of record {lot}"))
                    .hint("name specimens of the record that is split"));
            }
        }
        let values = self.lot_values(&mut tx, lot).await?;
        let given = |term: &str| changes.iter().rev().find(|c| c.term == term).map(|c| c.value.trim());
        let whole = values.get("individualCount").and_then(|c| c.parse::<u64>().ok());
        let part = match given("individualCount") {
            Some(count) => Some(count.parse::<u64>().map_err(|_| {
                Trouble::new(format!("“{count}”"), "is no count").hint("write a whole number")
            })?),
            None if !specimens.is_empty() => Some(specimens.len() as u64),
            None => None,
        };
        if let (Some(whole), Some(part)) = (whole, part)
            && part >= whole
        {
            return Err(Trouble::new(
                format!("record {lot}"),
                format!("has {whole} animals: {part} cannot be split off"),
            )
            .hint("split off fewer, so that each part keeps at least one"));
        }
        let deed = self.deed(&mut tx, who, DeedKind::Change, why, None).await?;
        let new: i64 = sqlx::query_scalar(
            "INSERT INTO lot (uuid, draft, settled, settled_by, standing, part_of, shown, container)
             SELECT ?1, NULL, ?2, ?3, 0, id, coalesce(draft, shown), NULL FROM lot WHERE id = ?4 RETURNING id",
        )
        .bind(uuid::Uuid::now_v7().to_string())
        .bind(now())
        .bind(who)
        .bind(lot)
        .fetch_one(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        // The words as read go along: they are what the part's values rest on.
        sqlx::query(
            "INSERT INTO lot_value (lot, term, verbatim, value, confidence, origin)
             SELECT ?1, term, verbatim, '', confidence, origin FROM lot_value WHERE lot = ?2",
        )
        .bind(new)
        .bind(lot)
        .execute(&mut *tx)
        .await
        .map_err(|e| self.trouble(e))?;
        let mut theirs = values.clone();
        theirs.remove("catalogNumber");
        if let Some(part) = part {
            theirs.insert("individualCount".into(), part.to_string());
        }
        for change in changes {
            theirs.insert(change.term.clone(), change.value.trim().to_owned());
        }
        let mut steps = vec![Step::of_lot(new, STATE, super::deeds::NOT_STANDING, STANDING)];
        for (term, value) in theirs.iter().filter(|v| !v.1.is_empty()) {
            steps.push(Step::of_lot(new, term, "", value));
        }
        let place = Step::of_lot(lot, KEPT_IN, "", "");
        let place = self.now_on(&mut tx, &place).await?;
        if !place.is_empty() {
            steps.push(Step::of_lot(new, KEPT_IN, "", &place));
        }
        for (term, stage) in self.lot_stages(&mut tx, lot).await? {
            steps.push(Step::of_lot(new, &term, "", &stage));
        }
        if let (Some(whole), Some(part)) = (whole, part) {
            let (was, now) = (whole.to_string(), (whole - part).to_string());
            steps.push(Step::of_lot(lot, "individualCount", &was, &now));
        }
        for step in &steps {
            self.take(&mut tx, deed, step).await?;
            // What was copied unchanged is as sure, and from where, as before.
            if step.lot == Some(new) && values.get(&step.term) == Some(&step.now) {
                sqlx::query(
                    "UPDATE lot_value SET (confidence, origin) =
                     (SELECT confidence, origin FROM lot_value WHERE lot = ?1 AND term = ?3)
                     WHERE lot = ?2 AND term = ?3",
                )
                .bind(lot)
                .bind(new)
                .bind(&step.term)
                .execute(&mut *tx)
                .await
                .map_err(|e| self.trouble(e))?;
            }
        }
        steps.extend(self.move_specimens(&mut tx, deed, lot, new, Some(specimens)).await?);
        if let Some(name) = theirs.get("scientificName").filter(|n| !n.is_empty()) {
            let value = |term: &str| match term {
                "scientificName" => name.clone(),
                other => theirs.get(other).cloned().unwrap_or_default(),
            };
            self.determined(&mut tx, new, deed, who, &value).await?;
        }
        self.index_touched(&mut tx, &steps).await?;
        tx.commit().await.map_err(|e| self.trouble(e))?;
        Ok(new)
    }
}
