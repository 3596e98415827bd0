//! The date table `config/dates.toml`, read and made ready for look-up.

use crate::settings::{self, Ranges};
use crate::trouble::Result;
use jiff::civil::Date;
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;
use std::sync::OnceLock;
use unicode_normalization::UnicodeNormalization;

const BUILT_IN: &str = include_str!("../../../config/dates.toml");

/// Which of two small numbers is the day, where a label does not say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Nothing is known: both orders are equal candidates.
    #[default]
    Unknown,
    /// The day stands first; the other order stays a candidate.
    DayFirst,
    /// The month stands first; the other order stays a candidate.
    MonthFirst,
}

/// A season's number in EDTF, its first and its last month.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Season {
    pub(super) edtf: u8,
    pub(super) months: [u8; 2],
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Table {
    years: Years,
    century: Century,
    order: OrderTable,
    repair: Repair,
    seasons: BTreeMap<String, Season>,
    season_words: BTreeMap<String, Vec<String>>,
    months: BTreeMap<String, BTreeMap<String, u8>>,
    words: Words,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Years {
    earliest: i16,
    latest: i16,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Century {
    weights: BTreeMap<String, f32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OrderTable {
    numeric: Order,
    preferred_share: f32,
    month_first_countries: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Repair {
    month_limit: f32,
    number_limit: f32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Words {
    joins: Vec<String>,
    fillers: Vec<String>,
    ordinals: Vec<String>,
    early: Vec<String>,
    middle: Vec<String>,
    late: Vec<String>,
    about: Vec<String>,
    units: Vec<String>,
    weekdays: Vec<String>,
}

/// How dates are read: the table `dates.toml`, ready for look-up.
#[derive(Clone, Debug)]
pub struct DateRules {
    /// Which of two small numbers is taken for the day.
    pub order: Order,
    /// The share of the preferred order, 0.5 to 1.
    pub preferred_share: f32,
    /// The earliest year read without doubt.
    pub earliest: i16,
    /// The last day that is not in the future.
    pub latest: Date,
    pub(super) centuries: Vec<(i16, f32)>,
    pub(super) month_limit: f32,
    pub(super) number_limit: f32,
    pub(super) months: HashMap<String, u8>,
    pub(super) month_list: Vec<(Vec<char>, u8)>,
    pub(super) seasons: Vec<Season>,
    pub(super) season_words: HashMap<String, u8>,
    pub(super) joins: HashSet<String>,
    pub(super) fillers: HashSet<String>,
    pub(super) ordinals: HashSet<String>,
    pub(super) parts: HashMap<String, u8>,
    pub(super) about: HashSet<String>,
    pub(super) units: HashSet<String>,
    pub(super) weekdays: HashSet<String>,
    month_first: HashSet<String>,
}

impl DateRules {
    /// The rules the program ships with; today is the last possible day.
    pub fn built_in() -> &'static DateRules {
        static RULES: OnceLock<DateRules> = OnceLock::new();
        RULES.get_or_init(|| {
            DateRules::load(None).expect("the built-in date table is read by a test of this module")
        })
    }

    /// The built-in rules overlaid by `folder/dates.toml` where it exists.
    ///
    /// # Errors
    /// Names the file and what in it cannot be used.
    pub fn load(folder: Option<&Path>) -> Result<DateRules> {
        let table: Table = settings::table("dates.toml", BUILT_IN, folder)?;
        let today = jiff::ZonedDateTime::now().date();
        let latest = match table.years.latest {
            0 => today,
            year => Date::new(year, 12, 31).unwrap_or(today),
        };
        let ranges = Ranges::of("dates.toml", folder);
        ranges.hold("years.earliest", table.years.earliest, 1500..=2100)?;
        ranges.hold("years.latest", table.years.latest, 0..=9999)?;
        ranges.hold("order.preferred_share", table.order.preferred_share, 0.5..=1.0)?;
        ranges.hold("repair.month_limit", table.repair.month_limit, 0.0..=2.0)?;
        ranges.hold("repair.number_limit", table.repair.number_limit, 0.0..=2.0)?;
        let mut months: HashMap<String, u8> = HashMap::new();
        for (language, names) in &table.months {
            for (name, month) in names {
                ranges.hold(&format!("months.{language}.{name}"), *month, 1..=12)?;
                months.insert(fold(name), *month);
            }
        }
        let mut month_list: Vec<(Vec<char>, u8)> =
            months.iter().filter(|(n, _)| n.len() >= 3).map(|(n, m)| (n.chars().collect(), *m)).collect();
        month_list.sort();
        let mut seasons = Vec::new();
        let mut season_words = HashMap::new();
        for (name, season) in &table.seasons {
            ranges.hold(&format!("seasons.{name}.edtf"), season.edtf, 21..=24)?;
            for month in season.months {
                ranges.hold(&format!("seasons.{name}.months"), month, 1..=12)?;
            }
            for word in table.season_words.get(name).into_iter().flatten().chain([name]) {
                season_words.insert(fold(word), seasons.len() as u8);
            }
            seasons.push(*season);
        }
        let set = |words: &[String]| words.iter().map(|w| fold(w)).collect::<HashSet<_>>();
        let mut parts = HashMap::new();
        for (number, words) in [&table.words.early, &table.words.middle, &table.words.late].iter().enumerate()
        {
            for word in words.iter() {
                parts.insert(fold(word), number as u8 + 1);
            }
        }
        let centuries =
            table.century.weights.iter().filter_map(|(c, w)| Some((c.parse().ok()?, *w))).collect();
        Ok(DateRules {
            order: table.order.numeric,
            preferred_share: table.order.preferred_share,
            earliest: table.years.earliest,
            latest,
            centuries,
            month_limit: table.repair.month_limit,
            number_limit: table.repair.number_limit,
            months,
            month_list,
            seasons,
            season_words,
            joins: set(&table.words.joins),
            fillers: set(&table.words.fillers),
            ordinals: set(&table.words.ordinals),
            parts,
            about: set(&table.words.about),
            units: set(&table.words.units),
            weekdays: set(&table.words.weekdays),
            month_first: set(&table.order.month_first_countries),
        })
    }

    /// These rules with the order of day and month that is usual on labels of
    /// `country`. A country that the table does not name leaves an order already
    /// set in the table, or else prefers the day first.
    #[must_use]
    pub fn for_country(&self, country: &str) -> DateRules {
        self.with_order(self.order_in(country))
    }

    /// The order of day and month that is usual on labels of `country`, where the
    /// table sets none itself.
    pub fn order_in(&self, country: &str) -> Order {
        if self.order != Order::Unknown || country.trim().is_empty() {
            return self.order;
        }
        let month_first = self.month_first.contains(&fold(country.trim()));
        if month_first { Order::MonthFirst } else { Order::DayFirst }
    }

    /// These rules with another preferred order.
    #[must_use]
    pub fn with_order(&self, order: Order) -> DateRules {
        DateRules { order, ..self.clone() }
    }
}

/// Lower case without accents, for look-up.
pub(crate) fn fold(word: &str) -> String {
    word.nfd()
        .filter(|c| !unicode_normalization::char::is_combining_mark(*c))
        .flat_map(char::to_lowercase)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_built_in_table_is_whole() {
        let rules = DateRules::load(None).unwrap();
        assert_eq!(rules.months["juillet"], 7);
        assert_eq!(rules.seasons.len(), 4);
        assert!((rules.centuries.iter().map(|c| c.1).sum::<f32>() - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_new_language_is_a_table_in_the_users_file() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("dates.toml"), "[months.tarnish]\nheuert = 7\n").unwrap();
        let rules = DateRules::load(Some(folder.path())).unwrap();
        assert_eq!(rules.months["heuert"], 7);
        assert_eq!(rules.months["july"], 7);
    }

    #[test]
    fn a_month_that_no_year_has_is_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        let refused = |own: &str| {
            std::fs::write(folder.path().join("dates.toml"), own).unwrap();
            DateRules::load(Some(folder.path())).err().unwrap().to_string()
        };
        let said = refused("[months.tarnish]\nheuert = 13\n");
        assert!(said.contains("months.tarnish.heuert is 13") && said.contains("from 1 to 12"), "{said}");
        let said = refused("[seasons]\nwinter = { edtf = 24, months = [12, 0] }\n");
        assert!(said.contains("seasons.winter.months is 0"), "{said}");
    }
}
