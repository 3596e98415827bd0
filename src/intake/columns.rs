//! Which column of a table holds which Darwin Core term.
//!
//! A column is known by its name: that of a term, in any case, with spaces or a
//! prefix (`dwc:eventDate`, `Event date`). What a person says of a column
//! (`eventDate=Date collected`) goes before names, and is kept in the collection
//! folder's `config/columns.toml` under the names of all the table's columns, so
//! that the next table with the same columns is understood without a word. A
//! column that is no term stays under its own name; nothing is left out.

use crate::trouble::{Result, Trouble};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::LazyLock;

/// The file that remembers, in a collection folder's `config/`.
const FILE: &str = "columns.toml";

const HEADING: &str = "\
# Which columns of which tables are which Darwin Core terms: written by the
# program where you said so with --column TERM=COLUMN, and used for every table
# with the same columns. Change or remove a table here to have it otherwise.

";

/// The properties of Darwin Core that a record of an occurrence may have, and
/// those of Dublin Core that stand beside them, in the order of the quick
/// reference, <https://dwc.tdwg.org/terms/> (2023-09-18).
const TERMS: &str = "type modified language license rightsHolder accessRights bibliographicCitation references \
institutionID collectionID datasetID institutionCode collectionCode datasetName ownerInstitutionCode \
basisOfRecord informationWithheld dataGeneralizations dynamicProperties \
occurrenceID catalogNumber recordNumber recordedBy recordedByID individualCount organismQuantity \
organismQuantityType sex lifeStage reproductiveCondition caste behavior vitality establishmentMeans \
degreeOfEstablishment pathway georeferenceVerificationStatus occurrenceStatus associatedMedia \
associatedOccurrences associatedReferences associatedTaxa otherCatalogNumbers occurrenceRemarks preparations \
disposition associatedSequences organismID organismName organismScope associatedOrganisms \
previousIdentifications organismRemarks materialEntityID materialEntityRemarks verbatimLabel materialSampleID \
eventID parentEventID eventType fieldNumber eventDate eventTime startDayOfYear endDayOfYear year month day \
verbatimEventDate habitat samplingProtocol sampleSizeValue sampleSizeUnit samplingEffort fieldNotes \
eventRemarks locationID higherGeographyID higherGeography continent waterBody islandGroup island country \
countryCode stateProvince county municipality locality verbatimLocality minimumElevationInMeters \
maximumElevationInMeters verbatimElevation verticalDatum minimumDepthInMeters maximumDepthInMeters \
verbatimDepth minimumDistanceAboveSurfaceInMeters maximumDistanceAboveSurfaceInMeters locationAccordingTo \
locationRemarks decimalLatitude decimalLongitude geodeticDatum coordinateUncertaintyInMeters \
coordinatePrecision pointRadiusSpatialFit verbatimCoordinates verbatimLatitude verbatimLongitude \
verbatimCoordinateSystem verbatimSRS footprintWKT footprintSRS footprintSpatialFit georeferencedBy \
georeferencedDate georeferenceProtocol georeferenceSources georeferenceRemarks geologicalContextID \
earliestEonOrLowestEonothem latestEonOrHighestEonothem earliestEraOrLowestErathem latestEraOrHighestErathem \
earliestPeriodOrLowestSystem latestPeriodOrHighestSystem earliestEpochOrLowestSeries \
latestEpochOrHighestSeries earliestAgeOrLowestStage latestAgeOrHighestStage lowestBiostratigraphicZone \
highestBiostratigraphicZone lithostratigraphicTerms group formation member bed identificationID \
verbatimIdentification identificationQualifier typeStatus identifiedBy identifiedByID dateIdentified \
identificationReferences identificationVerificationStatus identificationRemarks taxonID scientificNameID \
acceptedNameUsageID parentNameUsageID originalNameUsageID nameAccordingToID namePublishedInID \
taxonConceptID scientificName acceptedNameUsage parentNameUsage originalNameUsage nameAccordingTo \
namePublishedIn namePublishedInYear higherClassification kingdom phylum class order superfamily family \
subfamily tribe subtribe genus genericName subgenus infragenericEpithet specificEpithet \
infraspecificEpithet cultivarEpithet taxonRank verbatimTaxonRank scientificNameAuthorship vernacularName \
nomenclaturalCode taxonomicStatus nomenclaturalStatus taxonRemarks";

/// What a person said of a table's columns: the column of each term.
pub type Said = BTreeMap<String, String>;

/// How the columns of tables are understood: what was said now, and what is
/// remembered.
#[derive(Clone, Debug, Default)]
pub struct Columns {
    said: Said,
    tables: Vec<Table>,
    file: Option<PathBuf>,
}

/// What is remembered of tables with certain columns.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    columns: BTreeSet<String>,
    terms: Said,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Tables {
    #[serde(default)]
    table: Vec<Table>,
}

/// The columns of one table, understood.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TableColumns {
    /// The columns' names as they stand in the table.
    pub names: Vec<String>,
    /// The term of each column; of one that is no term its own name without a
    /// prefix.
    pub terms: Vec<String>,
    /// What was said of them, now or before.
    pub said: Said,
    /// Whether something of that was said before and not now.
    pub remembered: bool,
}

impl TableColumns {
    /// The first column of `term`, counted from 0.
    pub fn at(&self, term: &str) -> Option<usize> {
        self.terms.iter().position(|t| t == term)
    }

    /// The term of a key that need not be among the table's columns.
    pub(super) fn term(&self, column: &str) -> String {
        if let Some(at) = self.names.iter().position(|n| n == column) {
            return self.terms[at].clone();
        }
        let said = self.said.iter().find(|(_, c)| key(c) == key(column)).map(|s| s.0.as_str());
        said.or_else(|| term_of(column)).unwrap_or_else(|| bare(column)).to_owned()
    }

    /// The first term that two columns have.
    pub fn doubled(&self) -> Option<&str> {
        let mut before = HashSet::new();
        self.terms.iter().filter(|t| !t.is_empty()).find(|t| !before.insert(*t)).map(String::as_str)
    }

    /// What was said of the columns, in words: `eventDate from “Date collected”`.
    pub fn in_words(&self) -> String {
        self.said.iter().map(|(t, c)| format!("{t} from “{c}”")).collect::<Vec<_>>().join(", ")
    }
}

/// A name without prefix, spaces, case and marks.
fn key(name: &str) -> String {
    let last = name.rsplit(['/', '#', ':']).next().unwrap_or(name);
    last.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// A column's name without the prefix or address that some tables put before it.
pub(super) fn bare(column: &str) -> &str {
    let column = column.trim();
    let last = column.rsplit(['/', '#']).next().unwrap_or(column);
    last.rsplit_once(':').map_or(last, |(_, term)| term).trim()
}

/// The Darwin Core term that a column's name is, where it is one.
pub fn term_of(column: &str) -> Option<&'static str> {
    // A table may have thousands of columns.
    static BY_KEY: LazyLock<HashMap<String, &str>> =
        LazyLock::new(|| TERMS.split(' ').map(|t| (key(t), t)).collect());
    BY_KEY.get(&key(column)).copied()
}

/// The name of `names` that is spelt most like `name`, where one is like it.
fn nearest<'n>(name: &str, names: impl Iterator<Item = &'n str>) -> Option<&'n str> {
    let like = |n: &str| strsim::jaro_winkler(&key(name), &key(n));
    let best = names.map(|n| (like(n), n)).max_by(|a, b| a.0.total_cmp(&b.0))?;
    // Jaro-Winkler similarity, 0 to 1: a slip or a missing word stays above it.
    (best.0 >= 0.8).then_some(best.1)
}

impl Columns {
    /// What `said` (each `TERM=COLUMN`; `TERM=` forgets) and the tables
    /// remembered in the folder `config` say.
    ///
    /// # Errors
    /// What is not of that form, no Darwin Core term, or said twice; a file of
    /// remembered tables that is damaged.
    pub fn new(said: &[String], config: Option<&Path>) -> Result<Columns> {
        let mut columns = Columns { file: config.map(|c| c.join(FILE)), ..Columns::default() };
        for given in said {
            let wrong =
                |fact: String, hint: String| Trouble::new(format!("--column {given}"), fact).hint(hint);
            let form = "write TERM=COLUMN, for example --column \"eventDate=Date collected\"";
            let (term, column) =
                given.split_once('=').ok_or_else(|| wrong("has no `=`".into(), form.into()))?;
            let known = term_of(term).ok_or_else(|| {
                let near = nearest(term, TERMS.split(' '));
                let near = near.map_or(String::new(), |n| format!("did you mean {n}? "));
                wrong(
                    format!("names “{}”, which is no Darwin Core term", term.trim()),
                    format!("{near}The terms are listed at https://dwc.tdwg.org/terms/; {form}"),
                )
            })?;
            if columns.said.insert(known.into(), column.trim().into()).is_some() {
                return Err(wrong(
                    format!("says the column of {known} a second time"),
                    "say one column for each term".into(),
                ));
            }
        }
        let Some(file) = columns.file.as_deref().filter(|f| f.exists()) else { return Ok(columns) };
        let damaged = "mend it, or remove it and say the columns again with --column";
        let text = std::fs::read_to_string(file)
            .map_err(|e| Trouble::file(file, "cannot be read").cause(e).hint(damaged))?;
        let tables: Tables = toml::from_str(&text).map_err(|e| {
            Trouble::file(file, "is not what the program remembers there").cause(e).hint(damaged)
        })?;
        columns.tables = tables.table;
        Ok(columns)
    }

    /// What the columns `names` of the table `name` are. A column that was said
    /// and is not there is an error if the table has the same columns in every
    /// row (`fixed`).
    ///
    /// # Errors
    /// Names the column that is not there with the nearest that is, or the one
    /// that would be the same term as another.
    pub fn of_table(&self, name: &str, names: &[String], fixed: bool) -> Result<TableColumns> {
        let set = of_names(names);
        let before =
            self.tables.iter().find(|t| t.columns == set).map(|t| t.terms.clone()).unwrap_or_default();
        let remembered = before.keys().any(|t| !self.said.contains_key(t));
        let mut said = before;
        said.extend(self.said.clone());
        said.retain(|_, column| !column.is_empty());
        let mut terms: Vec<Option<&str>> = vec![None; names.len()];
        let mut absent = Vec::new();
        for (term, column) in &said {
            let exact = names.iter().position(|n| n.trim() == column);
            match exact.or_else(|| names.iter().position(|n| key(n) == key(column))) {
                Some(at) => match terms[at].replace(term) {
                    None => {}
                    Some(other) => {
                        return Err(Trouble::new(
                            name,
                            format!("has the column “{column}” for {other} and {term}"),
                        )
                        .hint("say another column for one of them with --column"));
                    }
                },
                None if fixed => {
                    let near = nearest(column, names.iter().map(|n| n.trim()));
                    let near = near.map_or(String::new(), |n| format!("did you mean “{n}”? "));
                    let listed: Vec<&str> = names.iter().map(|n| n.trim()).take(40).collect();
                    return Err(Trouble::new(name, format!("has no column “{column}” for {term}"))
                        .hint(format!("{near}Its columns are: {}", listed.join(", "))));
                }
                None => absent.push(term.clone()),
            }
        }
        for (at, column) in names.iter().enumerate() {
            if terms[at].is_some() {
                continue;
            }
            let Some(term) = term_of(column) else { continue };
            if let Some(said) = said.get(term).filter(|_| !absent.iter().any(|a| a == term)) {
                return Err(Trouble::new(
                    name,
                    format!(
                        "has the column “{}” beside “{said}”, which was said to be {term}",
                        column.trim()
                    ),
                )
                .hint(format!("say what it is too, for example: --column \"verbatim…={}\"", column.trim())));
            }
            terms[at] = Some(term);
        }
        let own = |(at, n): (usize, &String)| terms[at].map_or_else(|| bare(n).to_owned(), str::to_owned);
        let terms = names.iter().enumerate().map(own).collect();
        Ok(TableColumns { names: names.to_vec(), terms, said, remembered })
    }

    /// Keeps what was said of a table for the next one with the same columns.
    /// Does nothing where nothing was said now, or there is no folder.
    ///
    /// # Errors
    /// Where the file cannot be written.
    pub fn remember(&mut self, table: &TableColumns) -> Result<bool> {
        let (Some(file), false) = (self.file.clone(), self.said.is_empty()) else { return Ok(false) };
        let kept = Table { columns: of_names(&table.names), terms: table.said.clone() };
        let mut tables = self.tables.clone();
        tables.retain(|t| t.columns != kept.columns);
        if !kept.terms.is_empty() {
            tables.push(kept);
        }
        if tables == self.tables {
            return Ok(false);
        }
        let written = |e: Box<dyn std::error::Error + Send + Sync>| {
            Trouble::file(&file, "cannot be written")
                .cause(e)
                .hint("check the free space and the permissions")
        };
        let text =
            toml::to_string_pretty(&Tables { table: tables.clone() }).map_err(|e| written(e.into()))?;
        crate::files::write(&file, format!("{HEADING}{text}").as_bytes()).map_err(|e| written(e.into()))?;
        self.tables = tables;
        Ok(true)
    }
}

fn of_names(names: &[String]) -> BTreeSet<String> {
    names.iter().map(|n| n.trim().to_owned()).filter(|n| !n.is_empty()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(|n| (*n).to_owned()).collect()
    }

    fn said(said: &[&str]) -> Result<Columns> {
        Columns::new(&names(said), None)
    }

    // The columns with the prefix dwc: of TDWG's validation data for tests of
    // biodiversity data quality are Darwin Core's own terms; taxon is a class.
    #[test]
    fn every_term_of_the_tdwg_test_data_is_known() {
        let shared = std::env::var_os("GLASSINE_SHARED")
            .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
        let path = shared.join("standards/bdq_test_validation_data.csv");
        let Ok(mut table) = csv::Reader::from_path(&path) else {
            println!("skipped: {} is not there", path.display());
            return;
        };
        let head = table.headers().unwrap().clone();
        let terms: Vec<&str> =
            head.iter().filter_map(|h| h.strip_prefix("dwc:")).filter(|t| *t != "taxon").collect();
        assert!(terms.len() > 50);
        for term in terms {
            assert_eq!(term_of(&format!("dwc:{term}")), Some(term));
        }
        assert_eq!(term_of("dwc:colour"), None);
    }

    #[test]
    fn no_term_stands_twice_in_the_list() {
        let mut keys: Vec<String> = TERMS.split(' ').map(key).collect();
        let all = keys.len();
        keys.sort();
        keys.dedup();
        assert!(keys.len() == all && keys.iter().all(|k| !k.is_empty()));
    }

    #[test]
    fn columns_are_known_by_name_or_by_what_was_said() {
        let head = names(&[
            "no",
            "Date collected",
            "http://rs.tdwg.org/dwc/terms/country",
            "scientific name",
            "a:b",
        ]);
        let found = said(&["EventDate=date collected"]).unwrap().of_table("own.csv", &head, true).unwrap();
        assert_eq!(found.terms, ["no", "eventDate", "country", "scientificName", "b"]);
        assert_eq!((found.at("eventDate"), found.at("locality")), (Some(1), None));
        assert_eq!(found.in_words(), "eventDate from “date collected”");
        assert!(!found.remembered);
        let plain = Columns::default().of_table("own.csv", &names(&["Sex", "sex", "", ""]), true).unwrap();
        assert_eq!(plain.doubled(), Some("sex"));
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_the_nearest() {
        let error = |s: &[&str]| said(s).unwrap_err().to_string();
        assert!(error(&["evenDate=Day"]).contains("did you mean eventDate?"));
        assert!(error(&["colour=Day"]).contains("no Darwin Core term"));
        assert!(error(&["eventDate"]).contains("no `=`"));
        assert!(error(&["sex=A", "sex=B"]).contains("a second time"));
        let head = names(&["Date collected", "eventDate", "Place"]);
        let error =
            |s: &[&str], fixed| said(s).unwrap().of_table("own.csv", &head, fixed).unwrap_err().to_string();
        let absent = error(&["locality=Plaec"], true);
        assert!(
            absent.contains("no column “Plaec” for locality") && absent.contains("did you mean “Place”?"),
            "{absent}"
        );
        assert!(error(&["eventDate=Date collected"], true).contains("beside “Date collected”"));
        assert!(error(&["locality=Place", "habitat=Place"], true).contains("habitat and locality"));
        // Objects of JSON Lines need not all have the same keys.
        assert!(said(&["locality=Plaec"]).unwrap().of_table("own.jsonl", &head, false).is_ok());
    }

    #[test]
    fn what_was_said_is_remembered_for_the_same_columns_only_and_can_be_forgotten() {
        let folder = tempfile::tempdir().unwrap();
        let with = |s: &[&str]| Columns::new(&names(s), Some(folder.path())).unwrap();
        let head = names(&["no", "Date", "Ort = \"Platz\""]);
        let mut first = with(&["eventDate=Date", "locality=Ort = \"Platz\""]);
        let found = first.of_table("a.csv", &head, true).unwrap();
        assert!(first.remember(&found).unwrap() && !first.remember(&found).unwrap());
        // The order of columns is of no matter; one column more is another table.
        let turned = names(&["Ort = \"Platz\"", "no", "Date"]);
        let again = with(&[]).of_table("b.csv", &turned, true).unwrap();
        assert_eq!(again.terms, ["locality", "no", "eventDate"]);
        assert!(again.remembered);
        let other =
            with(&[]).of_table("c.csv", &names(&["no", "Date", "Ort = \"Platz\"", "x"]), true).unwrap();
        assert_eq!((other.at("eventDate"), other.remembered), (None, false));
        // One more is added to what is remembered; `TERM=` forgets.
        let mut more = with(&["recordNumber=no", "locality="]);
        let found = more.of_table("a.csv", &head, true).unwrap();
        assert_eq!(found.terms, ["recordNumber", "eventDate", "Ort = \"Platz\""]);
        more.remember(&found).unwrap();
        let after = with(&[]).of_table("a.csv", &head, true).unwrap();
        assert_eq!(after.said.keys().collect::<Vec<_>>(), ["eventDate", "recordNumber"]);

        std::fs::write(folder.path().join(FILE), "[[table]]\nnonsense").unwrap();
        let error = Columns::new(&[], Some(folder.path())).unwrap_err().to_string();
        assert!(error.contains("columns.toml") && error.contains("hint:"), "{error}");
    }
}
