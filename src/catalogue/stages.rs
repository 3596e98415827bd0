//! The stages of lots and specimens between the envelope and the drawer:
//! relaxing, pinned, spread, lent, freezing, and what of them is due.
//!
//! A stage is a fact of the history like any other value, with who and when, and
//! undone like it. Its term there (`stage of mounting`) has spaces, so that no
//! Darwin Core term can be taken for it, and nothing of it is written out as
//! one. Which stages there are, how long each takes and what to heed is
//! `config/stages.toml`.

use super::RecordHead;
use super::deeds::{SPECIMEN_STANDS, Step};
use super::keeping::Thing;
use super::store::Store;
use crate::parsing::dates::{DateRules, Edtf, One, parse_one};
use crate::settings;
use crate::trouble::{Result, Trouble};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use serde::Deserialize;
use sqlx::SqliteConnection;
use std::collections::BTreeMap;
use std::path::Path;

/// How the history names a track: with spaces, so that no Darwin Core term can
/// be taken for it.
pub(super) const STAGE_OF: &str = "stage of ";

/// The table `config/stages.toml`; the file says what each value does.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StageRules {
    pub coolers: Vec<String>,
    pub oldest: usize,
    pub stage: BTreeMap<String, StageRule>,
}

/// One stage.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct StageRule {
    pub word: String,
    pub track: String,
    pub order: u32,
    pub hours: u32,
    pub due: String,
    pub note: String,
    pub whom: bool,
    pub after: Vec<String>,
}

/// The longest that a stage may take, in hours: ten years.
const LONGEST: u32 = 87_600;

impl StageRules {
    /// The built-in stages, overlaid by `folder/stages.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: StageRules =
            settings::table("stages.toml", include_str!("../../config/stages.toml"), folder)?;
        let wrong = |fact: String, hint: &str| {
            let file = folder.map_or_else(|| Path::new("config").into(), Path::to_owned).join("stages.toml");
            Err(Trouble::file(&file, fact).hint(hint))
        };
        if !(1..=1000).contains(&rules.oldest) {
            return wrong(format!("oldest is {}", rules.oldest), "give a number from 1 to 1000");
        }
        let word = |w: &str| !w.is_empty() && w.chars().all(|c| c.is_alphanumeric() || c == '-');
        for (name, stage) in &rules.stage {
            if !word(name) || !word(&stage.track) || stage.word.trim().is_empty() {
                return wrong(
                    format!("has the stage “{name}” of the track “{}”", stage.track),
                    "name stage and track with one word each, of letters, figures and hyphens, and give its word",
                );
            }
            if stage.hours > LONGEST || !(1..=1000).contains(&stage.order) {
                return wrong(
                    format!("has hours {} and order {} for {name}", stage.hours, stage.order),
                    "give hours from 0 to 87600 and an order from 1 to 1000",
                );
            }
            if let Some(other) = stage.after.iter().find(|a| !rules.stage.contains_key(*a)) {
                return wrong(
                    format!("lets {name} follow “{other}”, which is no stage"),
                    "name a stage of the file",
                );
            }
        }
        Ok(rules)
    }

    /// The stages in the order of lists: name and rule.
    pub fn in_order(&self) -> Vec<(&str, &StageRule)> {
        let mut all: Vec<(&str, &StageRule)> = self.stage.iter().map(|s| (s.0.as_str(), s.1)).collect();
        all.sort_by_key(|s| (s.1.order, s.0));
        all
    }

    /// The stage that a person means by its name or its word.
    ///
    /// # Errors
    /// Where there is none: names the nearest.
    pub fn named(&self, words: &str) -> Result<(&str, &StageRule)> {
        let wanted = words.trim().to_lowercase();
        let all = self.in_order();
        let found = all.iter().find(|(name, rule)| *name == wanted || rule.word.to_lowercase() == wanted);
        found.copied().ok_or_else(|| {
            let like = |name: &str| strsim::jaro_winkler(name, &wanted);
            let near = all.iter().max_by(|a, b| like(a.0).total_cmp(&like(b.0)));
            let near = near
                .filter(|n| like(n.0) >= 0.8)
                .map_or(String::new(), |n| format!("did you mean {}? ", n.0));
            let names: Vec<&str> = all.iter().map(|s| s.0).collect();
            Trouble::new(format!("“{}”", words.trim()), "is no stage")
                .hint(format!("{near}The stages are {}; others go into config/stages.toml", names.join(", ")))
        })
    }
}

/// A stage that something is in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stage {
    /// Its name in `config/stages.toml`.
    pub name: String,
    /// To whom; empty where that does not apply.
    pub whom: String,
    /// Until when it was agreed on.
    pub until: Option<Date>,
    /// Since when.
    pub since: Timestamp,
}

impl Stage {
    /// As the history has it: `lent to A. Voss until 2027-03-01 since
    /// 2026-11-26T09:30:00Z`.
    fn text(&self) -> String {
        let to = if self.whom.is_empty() { String::new() } else { format!(" to {}", self.whom) };
        let until = self.until.map_or(String::new(), |u| format!(" until {u}"));
        let since = self.since.round(jiff::Unit::Second).unwrap_or(self.since);
        format!("{}{to}{until} since {since}", self.name)
    }

    /// The other way round; `None` for what is no stage.
    pub(super) fn of(text: &str) -> Option<Stage> {
        let (rest, since) = text.rsplit_once(" since ")?;
        let (rest, until) = match rest.rsplit_once(" until ") {
            Some((before, until)) => match until.parse() {
                Ok(until) => (before, Some(until)),
                Err(_) => (rest, None),
            },
            None => (rest, None),
        };
        let (name, whom) = rest.split_once(" to ").unwrap_or((rest, ""));
        Some(Stage { name: name.into(), whom: whom.into(), until, since: since.parse().ok()? })
    }

    /// When it is due: at the start of the day agreed on, in the time zone of
    /// this place, else when the stage usually ends. `None`: never.
    pub fn due(&self, rules: &StageRules) -> Option<Timestamp> {
        if let Some(until) = self.until {
            return until.to_zoned_datetime(TimeZone::system()).ok().map(|z| z.timestamp());
        }
        let hours = rules.stage.get(&self.name).map(|r| r.hours).filter(|h| *h > 0)?;
        self.since.checked_add(i64::from(hours).hours()).ok()
    }
}

/// Something and a stage that it is in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Staged {
    /// The lot.
    pub lot: i64,
    /// The specimen whose own stage it is: its number and catalogue number.
    pub specimen: Option<(i64, String)>,
    /// The name of the lot's species; may be empty.
    pub species: String,
    /// The track.
    pub track: String,
    /// The stage.
    pub stage: Stage,
}

impl Staged {
    /// What it is, for people: `record 12 (Noctua serena)`.
    pub fn what(&self) -> String {
        let of = match &self.specimen {
            Some((_, number)) => format!("specimen {number} of record {}", self.lot),
            None => format!("record {}", self.lot),
        };
        if self.species.is_empty() { of } else { format!("{of} ({})", self.species) }
    }
}

/// A lot in a cooler that no stage of mounting was said of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Kept {
    /// The record.
    pub head: RecordHead,
    /// The code of the container it lies in.
    pub kept_in: String,
    /// The day it was collected, else the day it was put there.
    pub since: String,
}

impl Store {
    /// Says that things are in the stage `name` now, as one deed.
    ///
    /// # Errors
    /// When a thing does not stand or is none that has stages, or the stage
    /// cannot follow the one it is in.
    pub async fn set_stage(
        &self,
        things: &[Thing],
        stage: &Stage,
        rules: &StageRules,
        who: &str,
        why: &str,
    ) -> Result<i64> {
        let (name, rule) = rules.named(&stage.name)?;
        let stage = Stage { name: name.into(), whom: squeezed(&stage.whom), ..stage.clone() };
        let wrong =
            |fact: &str, hint: &str| Err(Trouble::new(format!("the stage “{name}”"), fact).hint(hint));
        if rule.whom && stage.whom.is_empty() {
            return wrong("does not say to whom", "add it: --to \"A. Voss\"");
        }
        if !rule.whom && !stage.whom.is_empty() {
            return wrong("is nobody's: it takes no --to", "leave it out, or choose another stage");
        }
        let day = TimeZone::system().to_datetime(stage.since).date();
        if stage.until.is_some_and(|until| until < day) {
            return wrong("would end before it begins", "give a later day with --until");
        }
        if stage.since > Timestamp::now() {
            return wrong("would begin in the future", "give the day it began with --since, or leave it out");
        }
        let mut tx = self.begin().await?;
        let mut steps = Vec::new();
        for thing in things {
            let term = format!("{STAGE_OF}{}", rule.track);
            let mut step = match thing {
                Thing::Lot(lot) => {
                    self.must_stand(&mut tx, *lot).await?;
                    Step::of_lot(*lot, &term, "", &stage.text())
                }
                Thing::Specimen(id) => {
                    let lot = self.lot_of_specimen(&mut tx, *id).await?;
                    self.must_stand(&mut tx, lot).await?;
                    Step::of_lot(lot, &format!("specimen {id} {term}"), "", &stage.text())
                }
                Thing::Container(_) | Thing::Draft(_) => {
                    let what = self.in_words(&mut tx, *thing).await?;
                    return Err(Trouble::new(what, "has no stages")
                        .hint("name records by number and specimens by catalogue number"));
                }
            };
            step.was = self.now_on(&mut tx, &step).await?;
            let now = Stage::of(&step.was).map(|s| s.name).unwrap_or_default();
            if !rule.after.is_empty() && !rule.after.contains(&now) {
                let what = self.in_words(&mut tx, *thing).await?;
                return Err(Trouble::new(
                    what,
                    format!("cannot be “{name}”: it is not {}", rule.after.join(" or ")),
                )
                .hint("say the stage it is in first; nothing was changed"));
            }
            if step.was != step.now {
                steps.push(step);
            }
        }
        self.change_by(tx, &steps, who, why).await
    }

    /// The stages that a record and its specimens are in; those of specimens
    /// last.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn stages_of(&self, lot: i64) -> Result<Vec<Staged>> {
        self.staged(Some(lot)).await
    }

    /// Everything that stands and is in a stage: where `lot` is given, of that
    /// record only, whether it stands or not.
    async fn staged(&self, lot: Option<i64>) -> Result<Vec<Staged>> {
        let sql = format!(
            "SELECT lot.id, NULL, '', track, lot_stage.value, coalesce(name.value, '') FROM lot_stage
             JOIN lot ON lot.id = lot_stage.lot
             LEFT JOIN lot_value AS name ON name.lot = lot.id AND name.term = 'scientificName'
             WHERE lot_stage.value <> '' AND (lot.id = ?1 OR ?1 IS NULL AND standing = 1)
             UNION ALL
             SELECT lot.id, specimen.id, number, track, specimen_stage.value, coalesce(name.value, '')
             FROM specimen_stage JOIN specimen ON specimen.id = specimen_stage.specimen
             JOIN lot ON lot.id = specimen.lot
             LEFT JOIN lot_value AS name ON name.lot = lot.id AND name.term = 'scientificName'
             WHERE specimen_stage.value <> '' AND {SPECIMEN_STANDS}
             AND (lot.id = ?1 OR ?1 IS NULL AND standing = 1)
             ORDER BY 1, 2, 4"
        );
        let rows: Vec<(i64, Option<i64>, String, String, String, String)> =
            sqlx::query_as(&sql).bind(lot).fetch_all(&self.read).await.map_err(|e| self.trouble(e))?;
        let staged = |(lot, id, number, track, value, species): (_, Option<i64>, _, _, String, _)| {
            let specimen = id.map(|id| (id, number));
            Stage::of(&value).map(|stage| Staged { lot, specimen, species, track, stage })
        };
        Ok(rows.into_iter().filter_map(staged).collect())
    }

    /// What is due at `now`, the longest due first.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn due(&self, rules: &StageRules, now: Timestamp) -> Result<Vec<(Timestamp, Staged)>> {
        let all = self.staged(None).await?;
        let mut due: Vec<(Timestamp, Staged)> = all
            .into_iter()
            .filter_map(|s| s.stage.due(rules).map(|d| (d, s)))
            .filter(|d| d.0 <= now)
            .collect();
        due.sort_by_key(|a| (a.0, a.1.lot));
        Ok(due)
    }

    /// The lots that lie in a cooler, in whatever box in it, and of which no
    /// stage of mounting was said: the oldest first, by the first day on which
    /// they can have been collected, or put there where that day is not known.
    ///
    /// # Errors
    /// Only the database's own.
    pub async fn oldest_in_coolers(&self, rules: &StageRules) -> Result<Vec<Kept>> {
        let kinds: Vec<String> = rules.coolers.iter().map(|c| c.trim().to_lowercase()).collect();
        let rows: Vec<(i64, String, String, String)> = sqlx::query_as(
            "WITH RECURSIVE cold (id, depth) AS (
                 SELECT id, 0 FROM container WHERE standing = 1 AND lower(kind) IN (SELECT value FROM json_each(?1))
                 UNION SELECT c.id, depth + 1 FROM cold JOIN container AS c ON c.inside = cold.id WHERE depth < 20)
             SELECT lot.id, container.code, coalesce(day.value, ''), coalesce(
                 (SELECT substr(at, 1, 10) FROM change JOIN deed ON deed.id = change.deed
                  WHERE change.lot = lot.id AND term = 'kept in' ORDER BY change.id DESC LIMIT 1), '')
             FROM lot JOIN container ON container.id = lot.container
             LEFT JOIN lot_value AS day ON day.lot = lot.id AND day.term = 'eventDate'
             WHERE lot.standing = 1 AND lot.container IN (SELECT id FROM cold)
             AND NOT EXISTS (SELECT 1 FROM lot_stage WHERE lot_stage.lot = lot.id AND track = 'mounting'
                             AND lot_stage.value <> '')",
        )
        .bind(serde_json::Value::from(kinds).to_string())
        .fetch_all(&self.read)
        .await
        .map_err(|e| self.trouble(e))?;
        // A day may have been settled as it stands on the label: 17/6/1966.
        let dates = DateRules::load(Some(&self.folder().config()))?;
        let first = |text: &str| {
            let standard = Edtf::parse(text).and_then(|e| e.first.or(e.last));
            standard.or_else(|| Some(parse_one(text, &dates)).filter(One::has_date).map(|d| d.from.first()))
        };
        let mut kept: Vec<(Option<Date>, i64, String, String)> = rows
            .into_iter()
            .map(|(lot, code, day, put)| {
                let since = if day.is_empty() { put.clone() } else { day };
                (first(&since).or_else(|| first(&put)), lot, code, since)
            })
            .collect();
        // What has no day at all comes first: nobody knows how old it is.
        kept.sort_by_key(|k| (k.0, k.1));
        kept.truncate(rules.oldest);
        let lots: Vec<i64> = kept.iter().map(|k| k.1).collect();
        let heads = self.heads(&lots).await?;
        Ok(heads.into_iter().zip(kept).map(|(head, k)| Kept { head, kept_in: k.2, since: k.3 }).collect())
    }

    /// The stages of a lot itself, as the history has them: term and text.
    pub(super) async fn lot_stages(
        &self,
        tx: &mut SqliteConnection,
        lot: i64,
    ) -> Result<Vec<(String, String)>> {
        let rows: Vec<(String, String)> =
            sqlx::query_as("SELECT track, value FROM lot_stage WHERE lot = ? AND value <> '' ORDER BY track")
                .bind(lot)
                .fetch_all(tx)
                .await
                .map_err(|e| self.trouble(e))?;
        Ok(rows.into_iter().map(|(track, value)| (format!("{STAGE_OF}{track}"), value)).collect())
    }
}

/// When a day begins, in the time zone of this place.
///
/// # Errors
/// For a day at the end of the calendar.
pub fn begins(day: Date) -> Result<Timestamp> {
    let zoned = day.to_zoned_datetime(TimeZone::system());
    zoned
        .map(|z| z.timestamp())
        .map_err(|e| Trouble::new(day, "is no day that can be reckoned with").cause(e))
}

/// When a day has ended: all of it is then due.
///
/// # Errors
/// As [`begins`].
pub fn ended(day: Date) -> Result<Timestamp> {
    begins(day.tomorrow().unwrap_or(day))
}

/// Spaces within a line as one each.
fn squeezed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stage_comes_back_from_its_words() {
        let since: Timestamp = "2026-11-26T09:30:00Z".parse().unwrap();
        for (name, whom, until) in [
            ("relaxing", "", None),
            ("lent", "A. Voss", "2027-03-01".parse().ok()),
            ("lent", "the house to let until spring since 1990", None),
            ("lent", "Mere End until never", "2027-03-01".parse().ok()),
        ] {
            let stage = Stage { name: name.into(), whom: whom.into(), until, since };
            assert_eq!(Stage::of(&stage.text()), Some(stage.clone()), "{}", stage.text());
        }
        for text in ["", "relaxing", "relaxing since yesterday"] {
            assert_eq!(Stage::of(text), None, "{text}");
        }
    }

    #[test]
    fn the_built_in_stages_are_sound_and_name_their_cautions() {
        let rules = StageRules::load(None).unwrap();
        assert!(
            rules.stage.values().all(|s| s.hours == 0 || !s.due.is_empty()),
            "what is due says what to do"
        );
        assert_eq!(rules.named("Off the boards").unwrap().0, "off-boards");
        let error = rules.named("relaxin").unwrap_err().to_string();
        assert!(error.contains("did you mean relaxing?"), "{error}");
        // Whatever names a harmful agent refers to its safety sheet and the codes.
        for (name, stage) in &rules.stage {
            let text = stage.note.to_lowercase();
            if ["ethyl acetate", "naphthalene", "phenol", "insecticide"].iter().any(|a| text.contains(a)) {
                assert!(text.contains("safety sheet") && text.contains("local codes"), "{name}");
            }
        }
    }

    #[test]
    fn an_own_stage_is_a_few_lines_and_a_wrong_one_is_named() {
        let with = |own: &str| {
            let folder = tempfile::tempdir().unwrap();
            std::fs::write(folder.path().join("stages.toml"), own).unwrap();
            StageRules::load(Some(folder.path())).map_err(|e| e.to_string())
        };
        let own = "[stage.dissected]\nword = \"dissected\"\ntrack = \"dissection\"\norder = 20\nhours = 0\n\
                   due = \"\"\nnote = \"\"\nwhom = false\nafter = []\n[stage.spread]\nhours = 200\n";
        let rules = with(own).unwrap();
        assert_eq!((rules.stage["spread"].hours, rules.stage["spread"].track.as_str()), (200, "mounting"));
        assert_eq!(rules.in_order().last().unwrap().0, "dissected");
        assert!(with("[stage.spread]\nhours = 90000\n").unwrap_err().contains("0 to 87600"));
        assert!(with("[stage.spread]\nafter = [\"soaked\"]\n").unwrap_err().contains("soaked"));
        assert!(with("[stage.spread]\ntrack = \"two words\"\n").unwrap_err().contains("one word"));
        assert!(with("oldest = 0\n").unwrap_err().contains("1 to 1000"));
    }

    #[test]
    fn a_stage_is_due_after_its_hours_or_on_the_day_agreed() {
        let rules = StageRules::load(None).unwrap();
        let since: Timestamp = "2026-11-01T10:00:00Z".parse().unwrap();
        let of = |name: &str, until| Stage { name: name.into(), whom: String::new(), until, since };
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        assert_eq!(of("relaxing", None).due(&rules), Some(at("2026-11-03T10:00:00Z")));
        assert_eq!(of("off-boards", None).due(&rules), None);
        let day: Date = "2026-11-20".parse().unwrap();
        let due = of("lent", Some(day)).due(&rules).unwrap();
        assert_eq!(TimeZone::system().to_datetime(due), day.at(0, 0, 0, 0));
    }
}
