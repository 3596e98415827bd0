//! The tables of `config/` that parsing needs, loaded and made ready.

use super::dates::DateRules;
use super::gazetteer::{Gazetteer, squash};
use super::lexicon::Lexicon;
use super::notebook::NotebookRules;
use crate::settings;
use crate::trouble::Result;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;

/// What a printed key of a form says about the words behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Key {
    /// The place.
    Locality,
    /// The wider place (a forest, a park).
    Region,
    /// The habitat.
    Habitat,
    /// The elevation.
    Elevation,
    /// The date of collecting.
    Date,
    /// Coordinates.
    Coordinates,
    /// The name of the organism.
    Name,
    /// The collector's number.
    Number,
    /// The method.
    Method,
    /// The host.
    Host,
    /// A map sheet.
    Map,
    /// Remarks.
    Remarks,
    /// The collector.
    Collector,
    /// The determiner.
    Determiner,
    /// Collector and determiner in one.
    Both,
    /// Something no field takes.
    Other,
}

/// Facts about the animal that single words give.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Trait {
    /// Sex.
    Sex,
    /// Life stage.
    Stage,
    /// Type status.
    Type,
    /// Preparation.
    Preparation,
    /// Sampling protocol.
    Method,
    /// Condition.
    Condition,
}

#[derive(Deserialize)]
struct WordsFile {
    collector: RoleWords,
    determiner: RoleWords,
    keys: BTreeMap<String, Vec<String>>,
    institutions: ListFile,
    headings: HeadingWords,
    not_collecting: ListFile,
    persons: PersonWords,
}

#[derive(Deserialize)]
struct RoleWords {
    before: Vec<String>,
    after: Vec<String>,
    #[serde(default)]
    line_start_only: Vec<String>,
}

#[derive(Deserialize)]
struct ListFile {
    words: Vec<String>,
}

#[derive(Deserialize)]
struct HeadingWords {
    words: Vec<String>,
    series: Vec<String>,
}

#[derive(Deserialize)]
struct PersonWords {
    titles: Vec<String>,
    particles: Vec<String>,
    suffixes: Vec<String>,
    joiners: Vec<String>,
    others: Vec<String>,
    never: Vec<String>,
}

#[derive(Deserialize)]
struct PlacesFile {
    names: BTreeMap<String, Codes>,
    own: BTreeMap<String, OwnPlace>,
    #[serde(default)]
    regions: BTreeMap<String, String>,
    words: PlaceWords,
    locality: LocalityFile,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Codes {
    One(String),
    Several(Vec<String>),
}

#[derive(Deserialize)]
struct OwnPlace {
    r#in: String,
    lat: f64,
    lon: f64,
    /// Metres above sea level.
    elevation: Option<f64>,
}

#[derive(Deserialize)]
struct PlaceWords {
    county_after: Vec<String>,
    county_before: Vec<String>,
    division_before: Vec<String>,
    division_after: Vec<String>,
    usual_countries: Vec<String>,
    short: BTreeMap<String, String>,
}

#[derive(Deserialize)]
struct LocalityFile {
    pin_line: usize,
    place_words: Vec<String>,
    habitat_words: Vec<String>,
}

#[derive(Deserialize)]
struct SignAlone {
    share: f32,
}

#[derive(Deserialize)]
struct SpecimenFile {
    sex: BTreeMap<String, Vec<String>>,
    sex_misread: HashMap<String, (String, f32)>,
    sign_alone: SignAlone,
    count: ListFile,
    stage: BTreeMap<String, Vec<String>>,
    r#type: BTreeMap<String, Vec<String>>,
    preparation: BTreeMap<String, Vec<String>>,
    method: BTreeMap<String, Vec<String>>,
    host: HostWords,
    condition: ListFile,
    qualifier: ListFile,
}

#[derive(Deserialize)]
struct HostWords {
    before: Vec<String>,
}

#[derive(Deserialize)]
struct NamesFile {
    epithet: EpithetFile,
    genus: EndingsFile,
    plants: GeneraFile,
    checklist: ChecklistFile,
}

#[derive(Deserialize)]
struct ChecklistFile {
    names: Vec<String>,
}

#[derive(Deserialize)]
struct EpithetFile {
    endings: Vec<String>,
    never: Vec<String>,
    ranks: Vec<String>,
}

#[derive(Deserialize)]
struct EndingsFile {
    endings: Vec<String>,
}

#[derive(Deserialize)]
struct GeneraFile {
    genera: Vec<String>,
}

/// A collector or determiner of `config/people.toml`.
#[derive(Clone, Debug, Deserialize)]
pub struct Known {
    /// Other ways the name is written on labels.
    #[serde(default)]
    pub also: Vec<String>,
    /// First and last year of collecting, where known.
    #[serde(default)]
    pub active: Option<[i16; 2]>,
}

#[derive(Deserialize)]
struct PeopleFile {
    people: BTreeMap<String, Known>,
}

#[derive(Deserialize)]
struct NumbersFile {
    catalog: CatalogFile,
    container: ContainerFile,
    record: RecordFile,
}

#[derive(Deserialize)]
struct CatalogFile {
    patterns: Vec<String>,
    misread: Vec<String>,
    beside_institution: Vec<String>,
}

#[derive(Deserialize)]
struct ContainerFile {
    reach: f32,
}

#[derive(Deserialize)]
struct RecordFile {
    signs: Vec<String>,
}

#[derive(Debug, Default)]
pub(crate) struct Persons {
    pub titles: HashSet<String>,
    pub particles: HashSet<String>,
    pub suffixes: HashSet<String>,
    pub joiners: HashSet<String>,
    pub others: Lexicon<()>,
    pub never: HashSet<String>,
}

#[derive(Debug, Default)]
pub(crate) struct Names {
    pub epithets: Vec<String>,
    pub never: HashSet<String>,
    pub ranks: HashSet<String>,
    pub genera: Vec<String>,
    pub plants: HashSet<String>,
    pub qualifiers: HashSet<String>,
}

#[derive(Debug, Default)]
pub(crate) struct PlaceRules {
    pub county_after: HashSet<String>,
    pub county_before: HashSet<String>,
    pub division_before: HashSet<String>,
    pub division_after: HashSet<String>,
    pub short: HashMap<String, String>,
    pub usual_countries: HashSet<String>,
    pub place_words: HashSet<String>,
    pub habitat_words: HashSet<String>,
    pub pin_line: usize,
}

/// Everything parsing knows beforehand.
#[derive(Debug)]
pub struct Rules {
    /// How dates are read.
    pub dates: DateRules,
    /// Places by name.
    pub gazetteer: Gazetteer,
    /// Known people by the name their records carry.
    pub people: BTreeMap<String, Known>,
    pub(crate) before: Lexicon<Key>,
    pub(crate) after: Lexicon<Key>,
    pub(crate) line_start_only: HashSet<String>,
    pub(crate) institutions: Lexicon<()>,
    pub(crate) headings: Lexicon<()>,
    pub(crate) series: Lexicon<()>,
    pub(crate) not_collecting: Lexicon<()>,
    pub(crate) persons: Persons,
    pub(crate) places: PlaceRules,
    pub(crate) names: Names,
    pub(crate) traits: Lexicon<(Trait, usize)>,
    pub(crate) values: Vec<String>,
    pub(crate) hosts: Lexicon<()>,
    pub(crate) sex_misread: HashMap<String, (String, f32)>,
    pub(crate) sign_alone: f32,
    pub(crate) counts: Lexicon<()>,
    /// Places, people and names of organisms the collection knows itself.
    pub(crate) own_places: Lexicon<()>,
    pub(crate) own_place_names: Vec<String>,
    pub(crate) own_people: Lexicon<()>,
    pub(crate) checklist: Lexicon<usize>,
    pub(crate) checklist_names: Vec<String>,
    pub(crate) catalog: Vec<regex::Regex>,
    pub(crate) catalog_misread: Vec<regex::Regex>,
    pub(crate) beside_institution: Vec<regex::Regex>,
    /// How near words of a container's label are to its code, in sides of the code.
    pub(crate) container_reach: f32,
    pub(crate) number_signs: HashSet<String>,
    pub(crate) confidence: super::confidence::Calibration,
    /// How pages of notebooks are known and read.
    pub(crate) notebook: NotebookRules,
}

impl Rules {
    /// The built-in tables, overlaid by those of `folder` where it has any.
    ///
    /// # Errors
    /// Names the file and the line that cannot be read or does not fit.
    pub fn load(folder: Option<&Path>) -> Result<Rules> {
        let words: WordsFile =
            settings::table("words.toml", include_str!("../../config/words.toml"), folder)?;
        let places: PlacesFile =
            settings::table("places.toml", include_str!("../../config/places.toml"), folder)?;
        let specimen: SpecimenFile =
            settings::table("specimen.toml", include_str!("../../config/specimen.toml"), folder)?;
        let names: NamesFile =
            settings::table("names.toml", include_str!("../../config/names.toml"), folder)?;
        let people: PeopleFile =
            settings::table("people.toml", include_str!("../../config/people.toml"), folder)?;
        let numbers: NumbersFile =
            settings::table("numbers.toml", include_str!("../../config/numbers.toml"), folder)?;

        let (mut before, mut after) = (Lexicon::default(), Lexicon::default());
        for (key, phrases) in &words.keys {
            before.add(phrases, key_of(key));
        }
        before.add(&words.collector.before, Key::Collector);
        for phrase in &words.determiner.before {
            let both = words.collector.before.contains(phrase);
            before.add([phrase], if both { Key::Both } else { Key::Determiner });
        }
        after.add(&words.collector.after, Key::Collector);
        after.add(&words.determiner.after, Key::Determiner);

        let mut traits = Lexicon::default();
        let mut values = Vec::new();
        let tables = [
            (Trait::Sex, &specimen.sex),
            (Trait::Stage, &specimen.stage),
            (Trait::Type, &specimen.r#type),
            (Trait::Preparation, &specimen.preparation),
            (Trait::Method, &specimen.method),
        ];
        for (kind, table) in tables {
            for (value, phrases) in table {
                traits.add(phrases, (kind, values.len()));
                values.push(value.clone());
            }
        }
        traits.add(&specimen.condition.words, (Trait::Condition, values.len()));
        values.push(String::new());

        let codes = places.names.iter().flat_map(|(name, codes)| {
            let codes = match codes {
                Codes::One(code) => std::slice::from_ref(code),
                Codes::Several(codes) => codes.as_slice(),
            };
            codes.iter().map(|code| (name.clone(), code.clone())).collect::<Vec<_>>()
        });
        let mut own_people = Lexicon::default();
        for (name, known) in &people.people {
            // A bare surname is a person only beside a word that says so.
            let full = |n: &&String| n.split_whitespace().count() > 1 || n.contains('.');
            own_people.add(std::iter::once(name).chain(&known.also).filter(full), ());
        }
        let mut checklist = Lexicon::default();
        for (i, name) in names.checklist.names.iter().enumerate() {
            checklist.add([name], i);
        }
        let own = places.own.iter().map(|(name, p)| (name.clone(), p.r#in.clone(), p.lat, p.lon));
        let set = |words: &[String]| words.iter().map(|w| squash(w)).collect::<HashSet<String>>();
        let lexicon = |phrases: &[String]| {
            let mut l = Lexicon::default();
            l.add(phrases, ());
            l
        };
        let regexes = |name: &str, patterns: &[String]| {
            patterns
                .iter()
                .map(|p| {
                    regex::Regex::new(p).map_err(|e| {
                        crate::trouble::Trouble::new(
                            "config/numbers.toml",
                            format!("`{name}` holds a pattern that is no regular expression"),
                        )
                        .cause(e)
                        .hint("see https://docs.rs/regex for the syntax")
                    })
                })
                .collect::<Result<Vec<_>>>()
        };
        let mut gazetteer = Gazetteer::new(places.regions.clone(), codes, own)?;
        gazetteer.set_heights(
            places.own.iter().filter_map(|(name, p)| Some((name.clone(), p.r#in.clone(), p.elevation?))),
        );
        Ok(Rules {
            dates: DateRules::load(folder)?,
            gazetteer,
            people: people.people,
            before,
            after,
            line_start_only: set(&words.collector.line_start_only),
            institutions: lexicon(&words.institutions.words),
            headings: lexicon(&words.headings.words),
            series: lexicon(&words.headings.series),
            not_collecting: lexicon(&words.not_collecting.words),
            persons: Persons {
                titles: set(&words.persons.titles),
                particles: words.persons.particles.iter().cloned().collect(),
                suffixes: words.persons.suffixes.iter().cloned().collect(),
                joiners: words.persons.joiners.iter().cloned().collect(),
                others: lexicon(&words.persons.others),
                never: set(&words.persons.never),
            },
            places: PlaceRules {
                county_after: set(&places.words.county_after),
                county_before: set(&places.words.county_before),
                division_before: set(&places.words.division_before),
                division_after: set(&places.words.division_after),
                short: places.words.short.iter().map(|(k, v)| (squash(k), squash(v))).collect(),
                usual_countries: places.words.usual_countries.into_iter().collect(),
                place_words: set(&places.locality.place_words),
                habitat_words: set(&places.locality.habitat_words),
                pin_line: places.locality.pin_line,
            },
            names: Names {
                epithets: names.epithet.endings,
                never: names.epithet.never.into_iter().collect(),
                ranks: names.epithet.ranks.into_iter().collect(),
                genera: names.genus.endings,
                plants: names.plants.genera.into_iter().collect(),
                qualifiers: specimen.qualifier.words.into_iter().collect(),
            },
            traits,
            values,
            hosts: lexicon(&specimen.host.before),
            sex_misread: specimen.sex_misread,
            sign_alone: specimen.sign_alone.share,
            counts: lexicon(&specimen.count.words),
            own_places: {
                let mut l = Lexicon::default();
                l.add(places.own.keys(), ());
                l
            },
            own_place_names: places.own.keys().cloned().collect(),
            own_people,
            checklist,
            checklist_names: names.checklist.names,
            catalog: regexes("catalog.patterns", &numbers.catalog.patterns)?,
            catalog_misread: regexes("catalog.misread", &numbers.catalog.misread)?,
            beside_institution: regexes("catalog.beside_institution", &numbers.catalog.beside_institution)?,
            container_reach: numbers.container.reach,
            number_signs: numbers.record.signs.into_iter().collect(),
            confidence: super::confidence::Calibration::load(folder)?,
            notebook: NotebookRules::load(folder)?,
        })
    }
}

fn key_of(name: &str) -> Key {
    match name {
        "locality" => Key::Locality,
        "region" => Key::Region,
        "habitat" => Key::Habitat,
        "elevation" => Key::Elevation,
        "date" => Key::Date,
        "coordinates" => Key::Coordinates,
        "name" => Key::Name,
        "number" => Key::Number,
        "method" => Key::Method,
        "host" => Key::Host,
        "map" => Key::Map,
        "remarks" => Key::Remarks,
        _ => Key::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_tables_load() {
        let rules = Rules::load(None).unwrap();
        assert!(rules.before.get("Det. by") == Some(Key::Determiner));
        assert!(
            rules.before.get("Coll. & det.") == Some(Key::Both)
                || rules.before.get("coll and det") == Some(Key::Both)
        );
    }

    #[test]
    fn regions_of_ones_own_are_found_like_those_of_the_gazetteer() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(
            folder.path().join("places.toml"),
            "[regions]\nXT = \"Tarnland\"\n\"XT.U\" = \"Uplands\"\n\"XT.U.T\" = \"Tarnshire\"\n\
             [own]\n\"Skerrow Moss\" = { in = \"XT.U.T\", lat = 54.6, lon = -2.4 }\n",
        )
        .unwrap();
        let rules = Rules::load(Some(folder.path())).unwrap();
        let parsed = super::super::parse_text("t", "Skerrow Moss, Tarnshire\n12.vii.1974", &rules);
        assert_eq!(parsed.value("county"), "Tarnshire");
        assert_eq!(parsed.value("verbatimLocality"), "Skerrow Moss, Tarnshire");
        std::fs::write(folder.path().join("places.toml"), "[regions]\n\"XT.U\" = \"Uplands\"\n").unwrap();
        let error = Rules::load(Some(folder.path())).unwrap_err();
        assert!(error.to_string().contains("XT.U"), "{error}");
    }

    #[test]
    fn a_users_abbreviation_is_a_line_in_a_file() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("places.toml"), "[names]\nTrnshr = \"GB.ENG\"\n").unwrap();
        let rules = Rules::load(Some(folder.path())).unwrap();
        let hits = rules.gazetteer.admin(&super::super::confuse::glyphs("Trnshr."), 0.0);
        assert_eq!(hits[0].code, "GB.ENG");
    }
}
