//! The tables of the checks: thresholds and weights (`config/checks.toml`),
//! words that call for care (`config/cautions.toml`), and the years in which
//! collectors were active (`config/people.toml`).

use crate::settings;
use crate::trouble::{Result, Trouble};
use regex::{Regex, RegexBuilder};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::OnceLock;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    dates: Dates,
    collectors: Collectors,
    coordinates: Coordinates,
    elevation: Elevation,
    counts: Counts,
    weights: BTreeMap<String, f32>,
}

/// Thresholds on dates.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Dates {
    /// Days one event may last.
    pub longest_event: i32,
    /// Years from an event to a usual determination.
    pub longest_until_determined: i16,
}

/// Thresholds on what collectors do.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Collectors {
    /// Kilometres one collector covers in a day.
    pub day_range: f64,
    /// Days by which neighbouring numbers may run backwards.
    pub series_days: i32,
    /// Difference up to which two numbers are neighbours.
    pub series_numbers: u64,
}

/// Thresholds on coordinates.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coordinates {
    /// Kilometres a point may lie outside its area.
    pub area_tolerance: f64,
    /// Kilometres a point may lie off the land.
    pub sea_tolerance: f64,
}

/// Thresholds on elevations, in metres.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Elevation {
    /// The lowest possible.
    pub lowest: f64,
    /// The highest possible.
    pub highest: f64,
    /// The widest usual range.
    pub widest: f64,
    /// How far off the elevation of a place of the collection's own list.
    pub from_place: f64,
}

/// Thresholds on counts.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Counts {
    /// The most specimens on one record.
    pub most: u64,
    /// The most different catalogue numbers of one table that are compared.
    pub numbers: usize,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CautionTable {
    #[serde(default)]
    hazards: BTreeMap<String, CautionEntry>,
    #[serde(default)]
    protected: BTreeMap<String, CautionEntry>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CautionEntry {
    words: Vec<String>,
    sentence: String,
}

/// Words that call for care, and the sentence that says so.
#[derive(Clone, Debug)]
pub struct Caution {
    /// The entry's name in the table.
    pub name: String,
    /// Whether it is a danger to people (else the law protects the animal).
    pub hazard: bool,
    /// Finds the words.
    pub words: Regex,
    /// What to tell.
    pub sentence: String,
}

#[derive(Debug, Default, Deserialize)]
struct PeopleTable {
    #[serde(default)]
    people: BTreeMap<String, Person>,
}

/// A collector as `people.toml` knows them; keys that concern reading are left
/// to the room that reads.
#[derive(Clone, Debug, Default, Deserialize)]
pub struct Person {
    /// Other ways the name stands on labels.
    #[serde(default)]
    pub also: Vec<String>,
    /// First and last year of collecting.
    #[serde(default)]
    pub active: Option<[i16; 2]>,
}

/// Everything the checks go by.
#[derive(Clone, Debug)]
pub struct CheckRules {
    /// Thresholds on dates.
    pub dates: Dates,
    /// Thresholds on what collectors do.
    pub collectors: Collectors,
    /// Thresholds on coordinates.
    pub coordinates: Coordinates,
    /// Thresholds on elevations.
    pub elevation: Elevation,
    /// Thresholds on counts.
    pub counts: Counts,
    weights: BTreeMap<String, f32>,
    /// Words that call for care.
    pub cautions: Vec<Caution>,
    /// Collectors by folded name.
    people: BTreeMap<String, (String, Person)>,
}

impl CheckRules {
    /// The rules the program ships with.
    pub fn built_in() -> &'static CheckRules {
        static RULES: OnceLock<CheckRules> = OnceLock::new();
        RULES.get_or_init(|| {
            CheckRules::load(None).expect("the built-in tables are read by a test of this module")
        })
    }

    /// The built-in rules overlaid by the files of the same names in `folder`.
    ///
    /// # Errors
    /// Names the file and what in it cannot be used.
    pub fn load(folder: Option<&Path>) -> Result<CheckRules> {
        let table: Table = settings::table("checks.toml", include_str!("../../config/checks.toml"), folder)?;
        let ranges = settings::Ranges::of("checks.toml", folder);
        ranges.hold("dates.longest_event", table.dates.longest_event, 1..=3660)?;
        ranges.hold("dates.longest_until_determined", table.dates.longest_until_determined, 1..=300)?;
        ranges.hold("collectors.day_range", table.collectors.day_range, 1.0..=20_000.0)?;
        ranges.hold("collectors.series_days", table.collectors.series_days, 0..=365)?;
        ranges.hold("collectors.series_numbers", table.collectors.series_numbers, 1..=100)?;
        ranges.hold("coordinates.area_tolerance", table.coordinates.area_tolerance, 0.0..=100.0)?;
        ranges.hold("coordinates.sea_tolerance", table.coordinates.sea_tolerance, 0.0..=100.0)?;
        ranges.hold("elevation.widest", table.elevation.widest, 10.0..=8000.0)?;
        ranges.hold("elevation.from_place", table.elevation.from_place, 20.0..=3000.0)?;
        ranges.hold("counts.most", table.counts.most, 1..=1_000_000)?;
        ranges.hold("counts.numbers", table.counts.numbers, 0..=1_000_000_000)?;
        for (kind, weight) in &table.weights {
            ranges.hold(&format!("weights.{kind}"), *weight, 0.0..=1.0)?;
        }
        let cautions: CautionTable =
            settings::table("cautions.toml", include_str!("../../config/cautions.toml"), folder)?;
        let people: PeopleTable = settings::table("people.toml", "[people]\n", folder)?;
        let hazards = cautions.hazards.into_iter().map(|e| (true, e));
        let protected = cautions.protected.into_iter().map(|e| (false, e));
        let cautions = hazards.chain(protected).filter(|(_, (_, e))| !e.words.is_empty());
        let cautions = cautions.map(|(hazard, (name, entry))| caution(hazard, name, entry));
        let mut names = BTreeMap::new();
        for (name, person) in people.people {
            for other in &person.also {
                names.insert(fold_name(other), (name.clone(), person.clone()));
            }
            names.insert(fold_name(&name), (name.clone(), person));
        }
        Ok(CheckRules {
            dates: table.dates,
            collectors: table.collectors,
            coordinates: table.coordinates,
            elevation: table.elevation,
            counts: table.counts,
            weights: table.weights,
            cautions: cautions.collect::<Result<Vec<_>>>()?,
            people: names,
        })
    }

    /// The weight of a kind of doubt; 0.5 for a kind the table does not name.
    pub fn weight(&self, kind: &str) -> f32 {
        self.weights.get(kind).copied().unwrap_or(0.5)
    }

    /// Whether the table names a weight for this kind.
    pub fn knows(&self, kind: &str) -> bool {
        self.weights.contains_key(kind)
    }

    /// A collector by name, however it is spaced and dotted.
    pub fn person(&self, name: &str) -> Option<(&str, &Person)> {
        if self.people.is_empty() {
            return None;
        }
        self.people.get(&fold_name(name)).map(|(n, p)| (n.as_str(), p))
    }
}

fn caution(hazard: bool, name: String, entry: CautionEntry) -> Result<Caution> {
    let any = entry.words.iter().map(|w| regex::escape(w).replace(' ', r"\s+")).collect::<Vec<_>>().join("|");
    let words = RegexBuilder::new(&format!(r"\b(?:{any})\b")).case_insensitive(true).build();
    let words = words.map_err(|e| {
        Trouble::new(format!("config/cautions.toml, entry {name}"), "its words cannot be searched for")
            .cause(e)
            .hint("shorten the list of words")
    })?;
    Ok(Caution { name, hazard, words, sentence: entry.sentence })
}

/// Letters alone, in lower case.
fn fold_name(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_tables_are_whole() {
        let rules = CheckRules::load(None).unwrap();
        assert!(rules.cautions.len() >= 8);
        assert!(rules.knows("date-impossible"));
    }

    #[test]
    fn people_are_known_by_any_of_their_names() {
        let folder = tempfile::tempdir().unwrap();
        let table = "[people.\"Ada Vell\"]\nalso = [\"A. Vell\"]\nactive = [1921, 1957]\n";
        std::fs::write(folder.path().join("people.toml"), table).unwrap();
        let rules = CheckRules::load(Some(folder.path())).unwrap();
        assert_eq!(rules.person("A.Vell").unwrap().1.active, Some([1921, 1957]));
        assert_eq!(rules.person("ada vell").unwrap().0, "Ada Vell");
        assert!(rules.person("Vell").is_none());
    }
}
