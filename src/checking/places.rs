//! Names of countries, of the United States' states and of their counties, as
//! records spell them.
//!
//! Countries are those of ISO 3166-1 (crate `rust_iso3166`), with the everyday
//! names beside the official ones; states and counties are those of the
//! boundaries in [`super::areas`].

use super::areas::{Area, Areas, states};
use crate::parsing::dates::fold_name;
use std::collections::{HashMap, HashSet};
use std::sync::OnceLock;

/// A country of ISO 3166-1.
#[derive(Debug, PartialEq, Eq)]
pub struct Country {
    /// Its name in English as the standard spells it.
    pub name: &'static str,
    /// Its two letters.
    pub alpha2: &'static str,
    /// Its three letters.
    pub alpha3: &'static str,
    /// Its three digits.
    pub numeric: &'static str,
}

struct Table {
    countries: Vec<Country>,
    by_name: HashMap<String, usize>,
}

/// Everyday names of countries beside the standard's (common practice).
const EVERYDAY: &[(&str, &str)] = &[
    ("bolivia", "BO"),
    ("brunei", "BN"),
    ("burma", "MM"),
    ("cape verde", "CV"),
    ("congo", "CG"),
    ("republic of the congo", "CG"),
    ("democratic republic of the congo", "CD"),
    ("dr congo", "CD"),
    ("zaire", "CD"),
    ("czech republic", "CZ"),
    ("east timor", "TL"),
    ("england", "GB"),
    ("falkland islands", "FK"),
    ("great britain", "GB"),
    ("holland", "NL"),
    ("iran", "IR"),
    ("ivory coast", "CI"),
    ("cote d'ivoire", "CI"),
    ("laos", "LA"),
    ("macedonia", "MK"),
    ("micronesia", "FM"),
    ("moldova", "MD"),
    ("north korea", "KP"),
    ("northern ireland", "GB"),
    ("palestine", "PS"),
    ("russia", "RU"),
    ("scotland", "GB"),
    ("south korea", "KR"),
    ("korea", "KR"),
    ("swaziland", "SZ"),
    ("syria", "SY"),
    ("taiwan", "TW"),
    ("tanzania", "TZ"),
    ("the gambia", "GM"),
    ("the netherlands", "NL"),
    ("netherlands", "NL"),
    ("turkey", "TR"),
    ("turkiye", "TR"),
    ("u.k.", "GB"),
    ("uk", "GB"),
    ("united kingdom", "GB"),
    ("u.s.a.", "US"),
    ("u.s.", "US"),
    ("usa", "US"),
    ("united states", "US"),
    ("united states of america", "US"),
    ("vatican", "VA"),
    ("venezuela", "VE"),
    ("viet nam", "VN"),
    ("vietnam", "VN"),
    ("wales", "GB"),
];

fn table() -> &'static Table {
    static TABLE: OnceLock<Table> = OnceLock::new();
    TABLE.get_or_init(|| {
        let mut countries = Vec::new();
        let mut by_name = HashMap::new();
        for c in rust_iso3166::ALL {
            let numeric: &'static str = Box::leak(format!("{:03}", c.numeric).into_boxed_str());
            by_name.insert(fold_name(c.name), countries.len());
            // Bolivia (Plurinational State of), Korea (the Republic of).
            if let Some((plain, _)) = c.name.split_once(" (") {
                by_name.entry(fold_name(plain)).or_insert(countries.len());
            }
            by_name.insert(c.alpha3.to_lowercase(), countries.len());
            countries.push(Country { name: c.name, alpha2: c.alpha2, alpha3: c.alpha3, numeric });
        }
        for (name, code) in EVERYDAY {
            if let Some(i) = countries.iter().position(|c| c.alpha2 == *code) {
                by_name.insert((*name).into(), i);
            }
        }
        Table { countries, by_name }
    })
}

/// The country of a name, in any case and with or without accents; also of its
/// three letters.
pub fn country(name: &str) -> Option<&'static Country> {
    let table = table();
    table.by_name.get(&fold_name(name.trim())).map(|i| &table.countries[*i])
}

/// The country of two letters of ISO 3166-1, exactly as the standard writes them.
pub fn country_by_code(code: &str) -> Option<&'static Country> {
    table().countries.iter().find(|c| c.alpha2 == code)
}

/// The country of an ISO 3166-1 number of three digits.
pub fn country_by_number(number: &str) -> Option<&'static Country> {
    table().countries.iter().find(|c| c.numeric == number)
}

/// The country that a record names, by its code or else by its name.
pub fn country_of(name: &str, code: &str) -> Option<&'static Country> {
    let code = code.trim();
    let by_code = if code.len() == 2 { country_by_code(&code.to_uppercase()) } else { None };
    by_code.or_else(|| if name.trim().is_empty() { None } else { country(name) })
}

/// Territories of ISO 3166-1 that are no independent nation, as the field
/// "independent" of the npm package world-countries 5.1.0 has them. Palestine and
/// Taiwan, not independent there, name a country on labels and are left out.
const DEPENDENT: &[&str] = &[
    "AI", "AQ", "AS", "AW", "AX", "BL", "BM", "BQ", "BV", "CC", "CK", "CW", "CX", "EH", "FK", "FO", "GF",
    "GG", "GI", "GL", "GP", "GS", "GU", "HK", "HM", "IM", "IO", "JE", "KY", "MF", "MO", "MP", "MQ", "MS",
    "NC", "NF", "NU", "PF", "PM", "PN", "PR", "RE", "SH", "SJ", "SX", "TC", "TF", "TK", "UM", "VG", "VI",
    "WF", "YT",
];

/// Whether a country of the standard is a nation of its own.
pub fn is_nation(country: &Country) -> bool {
    !DEPENDENT.contains(&country.alpha2)
}

/// The two letters of the countries that have a first-order division of this
/// name (ISO 3166-2, as the crate `rust_iso3166` carries it).
pub fn countries_with_division(name: &str) -> Vec<&'static str> {
    static TABLE: OnceLock<HashMap<String, Vec<&'static str>>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let mut table: HashMap<String, Vec<&'static str>> = HashMap::new();
        for country in rust_iso3166::ALL {
            for division in country.subdivisions().unwrap_or_default() {
                let holders = table.entry(division_key(division.name)).or_default();
                if !holders.contains(&country.alpha2) {
                    holders.push(country.alpha2);
                }
            }
        }
        table
    });
    table.get(&division_key(name)).cloned().unwrap_or_default()
}

/// Whether a first-order division of any country has this name, in ISO 3166-2 or
/// in English in GeoNames (`parsing/gazetteer/data/NOTICE`).
pub fn is_division(name: &str) -> bool {
    static NAMES: OnceLock<HashSet<String>> = OnceLock::new();
    let names = NAMES.get_or_init(|| {
        let table = include_str!("../parsing/gazetteer/data/divisions.tsv");
        table.lines().filter_map(|line| line.split_once('\t')).map(|(_, name)| division_key(name)).collect()
    });
    let key = division_key(name);
    !key.is_empty() && (names.contains(&key) || !countries_with_division(name).is_empty())
}

/// A division's name without its kind and with Latin letters alone.
fn division_key(name: &str) -> String {
    let folded = fold_name(name.trim());
    let words = folded.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty());
    let kinds =
        ["oblast", "oblast'", "province", "state", "region", "department", "district", "krai", "kray"];
    words.filter(|w| !kinds.contains(w)).collect::<Vec<_>>().join(" ")
}

fn state_table() -> &'static HashMap<String, &'static str> {
    static TABLE: OnceLock<HashMap<String, &'static str>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let mut table = HashMap::new();
        for (id, name, letters) in states() {
            table.insert(fold_name(name), id);
            table.insert(letters.to_lowercase(), id);
        }
        table
    })
}

/// The FIPS code of a state of the United States, by name or postal letters.
pub fn state(name: &str) -> Option<&'static str> {
    if name.trim().is_empty() {
        return None;
    }
    state_table().get(&fold_name(name.trim())).copied()
}

/// The name of a state by its FIPS code; empty for an unknown one.
pub fn state_name(id: &str) -> &'static str {
    states().find(|s| s.0 == id).map_or("", |s| s.1)
}

/// Kilometres from a point to a state, 0 inside it.
pub fn state_distance(id: &str, latitude: f64, longitude: f64) -> f64 {
    let counties = Areas::counties();
    if counties.at(latitude, longitude).is_some_and(|c| c.id.starts_with(id)) {
        return 0.0;
    }
    let own = counties.all().iter().filter(|c| c.id.starts_with(id));
    own.map(|c| counties.distance(c, latitude, longitude)).fold(f64::MAX, f64::min)
}

/// A county's name without the word for county.
pub fn bare_county(name: &str) -> &str {
    let name = name.trim();
    for ending in [" county", " co.", " co", " parish", " borough", " census area", " municipality"] {
        let cut = name.len().saturating_sub(ending.len());
        if name.is_char_boundary(cut) && cut > 0 && name[cut..].eq_ignore_ascii_case(ending) {
            return name[..cut].trim();
        }
    }
    name
}

fn county_key(name: &str) -> String {
    let folded = fold_name(bare_county(name));
    let saint =
        folded.strip_prefix("st. ").or_else(|| folded.strip_prefix("st ")).map(|r| format!("saint {r}"));
    let whole =
        saint.or_else(|| folded.strip_prefix("ste. ").map(|r| format!("sainte {r}"))).unwrap_or(folded);
    whole.chars().filter(|c| c.is_alphanumeric()).collect()
}

/// The counties of one name: several where a city has the name of its county.
#[derive(Clone, Copy)]
pub struct County {
    /// Its name as the Census Bureau spells it.
    pub name: &'static str,
    areas: &'static [&'static Area],
}

impl County {
    /// Kilometres from a point to it, 0 inside it.
    pub fn distance(&self, latitude: f64, longitude: f64) -> f64 {
        let all = self.areas.iter().map(|a| Areas::counties().distance(a, latitude, longitude));
        all.fold(f64::MAX, f64::min)
    }
}

fn county_table() -> &'static HashMap<(&'static str, String), Vec<&'static Area>> {
    static TABLE: OnceLock<HashMap<(&'static str, String), Vec<&'static Area>>> = OnceLock::new();
    TABLE.get_or_init(|| {
        let mut table: HashMap<(&'static str, String), Vec<&'static Area>> = HashMap::new();
        for area in Areas::counties().all() {
            if let Some((id, ..)) = states().find(|s| area.id.starts_with(s.0)) {
                table.entry((id, county_key(&area.name))).or_default().push(area);
            }
        }
        table
    })
}

/// A county of a state (FIPS code) by name, with or without the word for county.
pub fn county(state: &'static str, name: &str) -> Option<County> {
    if name.trim().is_empty() {
        return None;
    }
    let areas = county_table().get(&(state, county_key(name)))?;
    Some(County { name: &areas.first()?.name, areas })
}

/// The names of the states that have a county of this name, in the order of the
/// FIPS codes.
pub fn states_with_county(name: &str) -> Vec<&'static str> {
    let key = county_key(name);
    states().filter(|s| county_table().contains_key(&(s.0, key.clone()))).map(|s| s.1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn countries_are_known_by_their_everyday_names_too() {
        for (name, code) in [
            ("Bolivia", "BO"),
            ("côte d'ivoire", "CI"),
            ("U.S.A.", "US"),
            ("Vietnam", "VN"),
            ("Eswatini", "SZ"),
            ("AUS", "AU"),
            ("Tanzania", "TZ"),
        ] {
            assert_eq!(country(name).map(|c| c.alpha2), Some(code), "{name}");
        }
        assert!(country("Tasmania").is_none());
        assert!(EVERYDAY.iter().all(|(_, code)| country_by_code(code).is_some()));
        assert_eq!(country_by_code("US").map(|c| c.numeric), Some("840"));
    }

    #[test]
    fn counties_are_known_with_and_without_the_word_for_county() {
        let arizona = state("Arizona").unwrap();
        assert_eq!(state("AZ"), Some(arizona));
        assert_eq!(county(arizona, "Cochise Co.").map(|c| c.name), Some("Cochise"));
        assert_eq!(
            county(state("Louisiana").unwrap(), "St. Tammany Parish").map(|c| c.name),
            Some("St. Tammany")
        );
        assert!(county(arizona, "Inyo").is_none());
        assert_eq!(states_with_county("Inyo County"), ["California"]);
    }
}
