//! Coarsens records of sensitive taxa and places on their way out; what is kept
//! in the catalogue stays exact.
//!
//! A position becomes the centre of the grid cell it lies in. The grid is fixed,
//! so that asking twice tells no more than asking once. The uncertainty grows to
//! the farthest corner of the cell: the true place always lies within it. What
//! was done is said in `dataGeneralizations` and `informationWithheld`, after
//! Chapman (2020), <https://doi.org/10.15468/doc-5jp4-5g10>.

use super::Row;
use crate::checking::kilometres_between;
use crate::settings;
use crate::trouble::{Result, Trouble};
use regex::Regex;
use serde::Deserialize;
use std::path::Path;
use std::str::FromStr;

/// The terms that coarsening fills.
pub(super) const FILLED: [&str; 5] = [
    "coordinateUncertaintyInMeters",
    "dataGeneralizations",
    "decimalLatitude",
    "decimalLongitude",
    "informationWithheld",
];

/// The table `config/sensitive.toml`; the file says what each value does.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct SensitiveRules {
    pub taxa: Vec<String>,
    pub places: Vec<String>,
    pub withhold: Vec<String>,
}

impl SensitiveRules {
    /// The built-in rules, overlaid by `folder/sensitive.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        settings::table("sensitive.toml", include_str!("../../config/sensitive.toml"), folder)
    }
}

/// The side of a grid cell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum CellSize {
    /// Degrees of latitude and longitude, 0.001 to 5.
    Degrees(f64),
    /// Kilometres, 0.1 to 500.
    Kilometres(f64),
}

impl FromStr for CellSize {
    type Err = Trouble;

    /// Reads `0.1deg` or `10km`.
    fn from_str(text: &str) -> Result<Self> {
        let text = text.trim();
        let number = |unit: &str| text.strip_suffix(unit).and_then(|n| n.trim().parse::<f64>().ok());
        if let Some(degrees) = number("deg").or_else(|| number("°")).filter(|d| (0.001..=5.0).contains(d)) {
            return Ok(CellSize::Degrees(degrees));
        }
        if let Some(km) = number("km").filter(|k| (0.1..=500.0).contains(k)) {
            return Ok(CellSize::Kilometres(km));
        }
        Err(Trouble::new(format!("“{text}”"), "is no size of a grid")
            .hint("write degrees (0.001 to 5) or kilometres (0.1 to 500): 0.1deg or 10km"))
    }
}

impl std::fmt::Display for CellSize {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            CellSize::Degrees(d) => write!(f, "{d} degree"),
            CellSize::Kilometres(k) => write!(f, "{k} km"),
        }
    }
}

/// Which records are coarsened and how far.
#[derive(Clone, Debug)]
pub struct Coarsening {
    size: CellSize,
    rules: SensitiveRules,
    places: Option<Regex>,
    all: bool,
}

impl Coarsening {
    /// Coarsens to `size` the records that `rules` name, or all of them.
    ///
    /// # Errors
    /// Where `rules` name neither taxon nor place and not all are asked for:
    /// nothing would be coarsened, unnoticed.
    pub fn new(size: CellSize, rules: SensitiveRules, all: bool) -> Result<Self> {
        if !all && rules.taxa.is_empty() && rules.places.is_empty() {
            return Err(Trouble::new("config/sensitive.toml", "names no taxon and no place, so nothing would be coarsened")
                .hint("write the names into the folder's config/sensitive.toml, or coarsen every record with --coarsen-all"));
        }
        let words: Vec<String> =
            rules.places.iter().map(|p| regex::escape(p.trim())).filter(|p| !p.is_empty()).collect();
        let places = (!words.is_empty())
            .then(|| Regex::new(&format!(r"(?i)(?:^|\W)(?:{})(?:\W|$)", words.join("|"))))
            .transpose()
            .map_err(|e| {
                Trouble::new("config/sensitive.toml", "holds places that cannot be looked for").cause(e)
            })?;
        Ok(Coarsening { size, rules, places, all })
    }

    /// Whether `row` is of a sensitive taxon or place.
    pub fn concerns(&self, row: &Row) -> bool {
        self.all || self.reason(row).is_some()
    }

    fn reason(&self, row: &Row) -> Option<&'static str> {
        const NAMES: [&str; 8] = [
            "scientificName",
            "acceptedNameUsage",
            "verbatimIdentification",
            "previousIdentifications",
            "genus",
            "family",
            "higherClassification",
            "typeStatus",
        ];
        const PLACES: [&str; 10] = [
            "locality",
            "verbatimLocality",
            "municipality",
            "county",
            "stateProvince",
            "island",
            "waterBody",
            "locationRemarks",
            "higherGeography",
            "verbatimLabel",
        ];
        let squash = |t: &str| t.to_lowercase().split_whitespace().collect::<Vec<_>>().join(" ");
        let named = |value: &str| {
            value.split('|').map(squash).any(|name| {
                self.rules.taxa.iter().map(|t| squash(t)).filter(|t| !t.is_empty()).any(|taxon| {
                    name.strip_prefix(&taxon).is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
                })
            })
        };
        if NAMES.iter().filter_map(|t| row.get(*t)).any(|v| named(v)) {
            return Some("sensitive taxon");
        }
        let places = self.places.as_ref()?;
        PLACES.iter().filter_map(|t| row.get(*t)).any(|v| places.is_match(v)).then_some("sensitive place")
    }

    /// Coarsens `row` where it is concerned, and says whether it was.
    pub fn apply(&self, row: &mut Row) -> bool {
        let reason = self.reason(row).or(self.all.then_some("all records"));
        let Some(reason) = reason else { return false };
        let mut withheld: Vec<&str> = Vec::new();
        for term in &self.rules.withhold {
            if row.remove(term).is_some() {
                withheld.push(term);
            }
        }
        let point = |row: &Row| {
            let degree = |term: &str| row.get(term).and_then(|v| v.parse::<f64>().ok());
            Some((degree("decimalLatitude")?, degree("decimalLongitude")?))
        };
        let mut done = Vec::new();
        match point(row).filter(|p| p.0.abs() <= 90.0 && p.1.abs() <= 180.0) {
            Some(exact) => {
                let (centre, radius) = cell(exact, self.size);
                let before = row.get("coordinateUncertaintyInMeters").and_then(|v| v.parse::<f64>().ok());
                row.insert("decimalLatitude".into(), short(centre.0));
                row.insert("decimalLongitude".into(), short(centre.1));
                let uncertainty = (radius * 1000.0).ceil() + before.unwrap_or(0.0).max(0.0).ceil();
                row.insert("coordinateUncertaintyInMeters".into(), format!("{uncertainty}"));
                done.push(format!("coordinates moved to the centre of a {} grid cell", self.size));
            }
            None => {
                // A half or impossible position cannot be coarsened: it goes.
                for term in ["decimalLatitude", "decimalLongitude", "coordinateUncertaintyInMeters"] {
                    if row.remove(term).is_some() {
                        withheld.push(term);
                    }
                }
                done.push("place given by its larger units only".into());
            }
        }
        let said = format!("{} ({reason})", done.join("; "));
        join(row, "dataGeneralizations", &said);
        if !withheld.is_empty() {
            let said =
                format!("withheld ({reason}): {}; ask the keeper of the collection", withheld.join(", "));
            join(row, "informationWithheld", &said);
        }
        true
    }
}

fn join(row: &mut Row, term: &str, said: &str) {
    let value = row.entry(term.into()).or_default();
    if value.is_empty() {
        *value = said.into();
    } else if !value.contains(said) {
        *value = format!("{value} | {said}");
    }
}

/// Degrees with at most five decimals (1 m), no zeros at the end.
fn short(degrees: f64) -> String {
    let text = format!("{degrees:.5}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" { "0".into() } else { text.into() }
}

/// The centre of the cell that `point` lies in, and the distance in kilometres
/// from there to the cell's farthest corner.
fn cell((lat, lon): (f64, f64), size: CellSize) -> ((f64, f64), f64) {
    /// Kilometres a degree of latitude, the mean of WGS84's meridian.
    const DEGREE: f64 = 111.133;
    let snap = |value: f64, step: f64| (value / step).floor() * step;
    let (height, south) = match size {
        CellSize::Degrees(d) => (d, snap(lat, d)),
        CellSize::Kilometres(k) => (k / DEGREE, snap(lat, k / DEGREE)),
    };
    // A cell that reaches over a pole is cut off there, not moved: its middle must
    // stay inside it, or a place coarsened twice would wander.
    let (south, north) = (south.max(-90.0), (south + height).min(90.0));
    let middle = (south + north) / 2.0;
    let width = match size {
        CellSize::Degrees(d) => d,
        // One width for the whole band of cells; near a pole the band is one.
        CellSize::Kilometres(_) => (height / middle.to_radians().cos().abs().max(1e-6)).min(360.0),
    };
    let west = (snap(lon, width)).max(-180.0);
    let east = (west + width).min(180.0);
    let centre = (middle, (west + east) / 2.0);
    let corners = [(south, west), (south, east), (north, west), (north, east)];
    // The centre is written with five decimals: 2 m more.
    let radius = corners.into_iter().map(|c| kilometres_between(centre, c)).fold(0.0, f64::max) + 0.002;
    (centre, radius)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn rules(taxa: &[&str], places: &[&str]) -> SensitiveRules {
        SensitiveRules {
            taxa: taxa.iter().map(|t| (*t).into()).collect(),
            places: places.iter().map(|t| (*t).into()).collect(),
            ..SensitiveRules::load(None).unwrap()
        }
    }

    fn row(pairs: &[(&str, &str)]) -> Row {
        pairs.iter().map(|(t, v)| ((*t).into(), (*v).into())).collect()
    }

    #[test]
    fn a_grid_is_read_in_degrees_and_kilometres() {
        assert_eq!("0.1deg".parse::<CellSize>().unwrap(), CellSize::Degrees(0.1));
        assert_eq!(" 10 km".parse::<CellSize>().unwrap(), CellSize::Kilometres(10.0));
        for wrong in ["", "10", "0deg", "10deg", "1000km", "-1km", "tenkm", "nandeg"] {
            assert!(wrong.parse::<CellSize>().unwrap_err().to_string().contains("10km"), "{wrong}");
        }
    }

    // Cells of 0.1 degree as in Chapman (2020), category 2: 54.36127 N lies in
    // the cell 54.3 to 54.4. The corner's distance was worked with the PyPI
    // package geographiclib 2.1: Inverse(54.35, -2.95, 54.3, -2.9) is 6446.6 m,
    // to 54.4, -2.9 it is 6444.6 m; 30 m were there before.
    #[test]
    fn a_sensitive_record_is_moved_to_its_cell_and_says_so() {
        let coarsening =
            Coarsening::new(CellSize::Degrees(0.1), rules(&["Plusia"], &["Alder Ghyll"]), false).unwrap();
        let mut moth = row(&[
            ("scientificName", "Plusia vallis"),
            ("decimalLatitude", "54.36127"),
            ("decimalLongitude", "-2.90843"),
            ("coordinateUncertaintyInMeters", "30"),
            ("locality", "Mere End"),
            ("county", "Mereshire"),
            ("verbatimLabel", "Mere End, below the bridge"),
        ]);
        assert!(coarsening.apply(&mut moth));
        assert_eq!((moth["decimalLatitude"].as_str(), moth["decimalLongitude"].as_str()), ("54.35", "-2.95"));
        let uncertainty: f64 = moth["coordinateUncertaintyInMeters"].parse().unwrap();
        assert!((6476.6..6481.0).contains(&uncertainty), "{uncertainty}");
        assert_eq!(moth["county"], "Mereshire");
        assert!(!moth.contains_key("locality") && !moth.contains_key("verbatimLabel"));
        assert!(
            moth["dataGeneralizations"].contains("0.1 degree grid")
                && moth["informationWithheld"].contains("locality")
        );

        // By place, by an earlier name; and not by a name that only begins alike.
        for pairs in [
            [("locality", "near ALDER GHYLL, upper path")],
            [("previousIdentifications", "Noctua serena | plusia vallis, A. Vell, 1990")],
        ] {
            assert!(coarsening.concerns(&row(&pairs)), "{pairs:?}");
        }
        for pairs in [[("scientificName", "Plusiana vallis")], [("locality", "Alder Ghylls")]] {
            assert!(!coarsening.concerns(&row(&pairs)), "{pairs:?}");
        }
        let mut half = row(&[("scientificName", "Plusia vallis"), ("decimalLatitude", "54.36127")]);
        coarsening.apply(&mut half);
        assert!(
            !half.contains_key("decimalLatitude") && half["informationWithheld"].contains("decimalLatitude")
        );
    }

    #[test]
    fn a_list_without_names_is_refused_rather_than_let_all_through() {
        let error = Coarsening::new(CellSize::Degrees(0.1), rules(&[], &[]), false).unwrap_err().to_string();
        assert!(error.contains("sensitive.toml") && error.contains("--coarsen-all"), "{error}");
        assert!(
            Coarsening::new(CellSize::Degrees(0.1), rules(&[], &[]), true).unwrap().concerns(&Row::new())
        );
    }

    #[test]
    fn a_place_beside_the_pole_stays_in_its_cell() {
        let coarsening =
            Coarsening::new(CellSize::Degrees(1.517370800524375), rules(&[], &[]), true).unwrap();
        let mut once = row(&[("decimalLatitude", "-89.673506"), ("decimalLongitude", "0")]);
        coarsening.apply(&mut once);
        let mut twice = once.clone();
        coarsening.apply(&mut twice);
        assert_eq!(once["decimalLatitude"], twice["decimalLatitude"]);
    }

    proptest! {
        #[test]
        fn the_true_place_lies_within_the_uncertainty(
            lat in -89.9f64..89.9, lon in -180.0f64..180.0,
            size in prop_oneof![
                (0.01f64..2.0).prop_map(CellSize::Degrees),
                (0.5f64..100.0).prop_map(CellSize::Kilometres),
            ],
        ) {
            let coarsening = Coarsening::new(size, rules(&[], &[]), true).unwrap();
            let exact = (format!("{lat:.6}").parse::<f64>().unwrap(), format!("{lon:.6}").parse::<f64>().unwrap());
            let mut moved = row(&[
                ("decimalLatitude", &exact.0.to_string()),
                ("decimalLongitude", &exact.1.to_string()),
            ]);
            coarsening.apply(&mut moved);
            let number = |term: &str| moved[term].parse::<f64>().unwrap();
            let centre = (number("decimalLatitude"), number("decimalLongitude"));
            let metres = kilometres_between(centre, exact) * 1000.0;
            prop_assert!(metres <= number("coordinateUncertaintyInMeters"), "{metres} m from {centre:?}");
            // Coarsened again it stays where it is.
            let mut again = moved.clone();
            coarsening.apply(&mut again);
            prop_assert!((again["decimalLatitude"].parse::<f64>().unwrap() - centre.0).abs() < 1e-4);
        }
    }
}
