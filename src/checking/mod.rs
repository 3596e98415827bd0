//! Looks for what cannot be true or is not certain, and says so in one plain
//! sentence with its evidence.
//!
//! [`check`] takes what was parsed of one photograph, the reading beneath it and
//! what the catalogue knows (behind [`Neighbours`]), and gives doubts, heaviest
//! first. [`check_facts`] is the part that needs no photograph; tables of records
//! go through it too ([`batch`]). Nothing is changed here: a doubt may suggest a
//! better value, a person decides. Thresholds and weights are `config/checks.toml`.

pub mod areas;
pub mod batch;
pub mod bdq;
pub mod notebook;
mod places;
mod rules;

pub use places::{Country, country};
pub use rules::{Caution, CheckRules, Person};

use crate::parsing::confuse;
use crate::parsing::dates::{self, DateRules, DateShape, One, PartDate, Standing, parse_one};
use crate::parsing::gazetteer::{Gazetteer, Hit};
use crate::parsing::notebook::Origin;
use crate::parsing::{Field, Parsed, coordinates};
use crate::reading::{ReadLine, Reading};
use areas::Areas;
use geographiclib_rs::{Geodesic, InverseGeodesic};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::sync::OnceLock;

/// A reason for a person to look.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Doubt {
    /// The kind, a short fixed name in kebab case, for filters and counts, for
    /// example `date-in-the-future`.
    pub kind: String,
    /// The Darwin Core terms it concerns.
    pub terms: Vec<String>,
    /// One plain sentence with the evidence, for example `The label gives
    /// 31 June 1952, but June has 30 days.`
    pub sentence: String,
    /// How likely the record is wrong because of it, 0 (a remark) to 1.
    pub weight: f32,
}

/// A record already in the catalogue, as far as the checks need it. Text is empty
/// where nothing is known.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Neighbour {
    /// What to call it in a sentence: its catalogue number or its photograph.
    pub name: String,
    /// Its collector.
    pub recorded_by: String,
    /// Its collector's number.
    pub record_number: String,
    /// Its `eventDate`, ISO 8601.
    pub event_date: String,
    /// Its place in a few words.
    pub locality: String,
    /// Decimal degrees.
    pub latitude: Option<f64>,
    /// Decimal degrees.
    pub longitude: Option<f64>,
}

/// What the catalogue can tell about other records. Every function may return an
/// empty list; the record under check is never among them.
pub trait Neighbours {
    /// Records with this catalogue number.
    fn with_catalogue_number(&self, number: &str) -> Vec<Neighbour>;
    /// Records of this collector whose event touches `day`.
    fn on_day(&self, collector: &str, day: Date) -> Vec<Neighbour>;
    /// Records of this collector whose numbers are within `range` of `number`.
    fn near_number(&self, collector: &str, number: u64, range: u64) -> Vec<Neighbour>;
}

/// A catalogue that knows nothing, for reading without a collection folder.
pub struct Alone;

impl Neighbours for Alone {
    fn with_catalogue_number(&self, _: &str) -> Vec<Neighbour> {
        Vec::new()
    }

    fn on_day(&self, _: &str, _: Date) -> Vec<Neighbour> {
        Vec::new()
    }

    fn near_number(&self, _: &str, _: u64, _: u64) -> Vec<Neighbour> {
        Vec::new()
    }
}

/// What the checks may ask beside the record itself.
pub struct Context<'a> {
    /// The catalogue.
    pub neighbours: &'a dyn Neighbours,
    /// How dates are read.
    pub dates: &'a DateRules,
    /// Places by name, where they are to be looked up.
    pub gazetteer: Option<&'a Gazetteer>,
}

impl<'a> Context<'a> {
    /// Dates and gazetteer as parsing has them.
    pub fn of(neighbours: &'a dyn Neighbours, rules: &'a crate::parsing::Rules) -> Self {
        Context { neighbours, dates: &rules.dates, gazetteer: Some(&rules.gazetteer) }
    }
}

impl Context<'_> {
    /// Where a statement of place lies, if one of its phrases is a place of the
    /// collection's own list: latitude and longitude.
    fn own_position(&self, locality: &str) -> Option<(f64, f64)> {
        self.own_place(locality).and_then(|(_, place)| place.at)
    }

    /// The first place of the collection's own list in a statement of place,
    /// with the phrase that names it.
    fn own_place<'t>(&self, locality: &'t str) -> Option<(&'t str, Hit)> {
        let gazetteer = self.gazetteer?;
        locality.split([',', ';', ':']).find_map(|phrase| {
            let glyphs = confuse::glyphs(phrase);
            let budget = 0.12 * glyphs.len() as f32;
            let place = gazetteer.own_places(&glyphs, budget).into_iter().next()?;
            Some((phrase.trim(), place))
        })
    }

    /// Positions of the populated places called `place` in a state.
    fn positions(&self, place: &str, state: &str) -> Vec<(f64, f64)> {
        let Some(gazetteer) = self.gazetteer else { return Vec::new() };
        let codes: Vec<String> =
            gazetteer.admin(&confuse::glyphs(state), 0.0).into_iter().map(|h| h.code).collect();
        let inside = |h: &Hit| h.division().is_some_and(|d| codes.iter().any(|c| c == d));
        gazetteer
            .places(&confuse::glyphs(place), 0.0)
            .into_iter()
            .filter(inside)
            .filter_map(|h| h.at)
            .collect()
    }
}

impl Context<'static> {
    /// Nothing but the built-in rules.
    pub fn alone() -> Context<'static> {
        Context { neighbours: &Alone, dates: DateRules::built_in(), gazetteer: None }
    }
}

/// The values of one record that the checks use, as Darwin Core has them; empty
/// where there is none.
#[derive(Clone, Copy, Debug, Default)]
#[allow(missing_docs, reason = "the names are Darwin Core's")]
pub struct Facts<'a> {
    pub event_date: &'a str,
    pub verbatim_event_date: &'a str,
    pub date_identified: &'a str,
    pub country: &'a str,
    pub country_code: &'a str,
    pub state_province: &'a str,
    pub county: &'a str,
    pub locality: &'a str,
    pub decimal_latitude: &'a str,
    pub decimal_longitude: &'a str,
    pub coordinate_uncertainty: &'a str,
    pub minimum_elevation: &'a str,
    pub maximum_elevation: &'a str,
    pub individual_count: &'a str,
    pub sex: &'a str,
    pub recorded_by: &'a str,
    pub record_number: &'a str,
    pub catalog_number: &'a str,
}

impl<'a> Facts<'a> {
    /// The facts of what was parsed.
    pub fn of(parsed: &'a Parsed) -> Facts<'a> {
        let v = |term| parsed.value(term);
        let words = |term| parsed.field(term).map_or("", |f: &Field| f.verbatim.as_str());
        Facts {
            event_date: v("eventDate"),
            verbatim_event_date: match v("verbatimEventDate") {
                "" => words("eventDate"),
                given => given,
            },
            date_identified: v("dateIdentified"),
            country: v("country"),
            country_code: v("countryCode"),
            state_province: v("stateProvince"),
            county: v("county"),
            locality: match v("locality") {
                "" => v("verbatimLocality"),
                given => given,
            },
            decimal_latitude: v("decimalLatitude"),
            decimal_longitude: v("decimalLongitude"),
            coordinate_uncertainty: v("coordinateUncertaintyInMeters"),
            minimum_elevation: v("minimumElevationInMeters"),
            maximum_elevation: v("maximumElevationInMeters"),
            individual_count: v("individualCount"),
            sex: v("sex"),
            recorded_by: v("recordedBy"),
            record_number: v("recordNumber"),
            catalog_number: v("catalogNumber"),
        }
    }
}

/// Collects doubts with their weights.
struct Doubts<'a> {
    list: Vec<Doubt>,
    rules: &'a CheckRules,
}

impl Doubts<'_> {
    fn add(&mut self, kind: &str, terms: &[&str], sentence: String) {
        self.list.push(Doubt {
            kind: kind.into(),
            terms: terms.iter().map(|t| (*t).into()).collect(),
            sentence,
            weight: self.rules.weight(kind),
        });
    }
}

/// Checks one record with the reading it came from, against the catalogue.
/// Doubts come heaviest first.
pub fn check(parsed: &Parsed, reading: &Reading, context: &Context, rules: &CheckRules) -> Vec<Doubt> {
    if !parsed.entries.is_empty() {
        return page(parsed, reading, rules);
    }
    let facts = Facts::of(parsed);
    let mut doubts = Doubts { list: Vec::new(), rules };
    let (event, words) = event_date(&facts, context.dates, rules);
    date_facts(&facts, event, words, context, &mut doubts);
    open_dates(parsed, context, &mut doubts);
    open_sex(parsed, &mut doubts);
    other_facts(&facts, &mut doubts);
    place_facts(&facts, &mut doubts);
    photograph(&facts, reading, context, &mut doubts);
    collector(&facts, context, &mut doubts);
    place_in_county(&facts, context, &mut doubts);
    elevation_at_place(&facts, context, &mut doubts);
    let text: Vec<String> = reading
        .labels
        .iter()
        .map(|l| l.lines.iter().map(ReadLine::text).collect::<Vec<_>>().join("\n"))
        .collect();
    labels_agree(&text, context, &mut doubts);
    cautions(&text.join("\n"), parsed, &mut doubts);
    let mut list = doubts.list;
    list.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    list
}

/// The doubts about a notebook page: those of its entries, and hazards named on it.
fn page(parsed: &Parsed, reading: &Reading, rules: &CheckRules) -> Vec<Doubt> {
    let mut doubts = Doubts { list: Vec::new(), rules };
    for (nth, entry) in (1..).zip(&parsed.entries) {
        let number = entry.value("fieldNumber");
        let which =
            if number.is_empty() { format!("Entry {nth}") } else { format!("Entry {nth} ({number})") };
        for sentence in &entry.doubts {
            doubts.add("notebook-entry", &[], format!("{which}: {sentence}"));
        }
        for (term, what) in [("eventDate", "date"), ("locality", "place")] {
            match entry.noted(term) {
                Some(n) if !n.field.value.is_empty() => {
                    // Once; the entries below it have it from there.
                    if n.origin == Origin::Before && nth == 1 {
                        let (value, page) = (&n.field.value, &n.field.note);
                        let sentence = format!(
                            "{which}: no {what} stands in it or above it; “{value}” goes on from the page before, {page}."
                        );
                        doubts.add("notebook-goes-on", &[], sentence);
                    }
                }
                _ => {
                    doubts.add("notebook-entry", &[], format!("{which}: no {what} stands in it or above it."))
                }
            }
        }
    }
    cautions(&reading.text(), parsed, &mut doubts);
    doubts.list
}

/// Checks the values of one record alone: dates, coordinates against country,
/// state and county, elevation, counts.
pub fn check_facts(facts: &Facts, context: &Context, rules: &CheckRules) -> Vec<Doubt> {
    let (event, words) = event_date(facts, context.dates, rules);
    check_dated(facts, event, words, context, rules)
}

/// As [`check_facts`], with the event's date read from its `words` already.
fn check_dated(facts: &Facts, event: One, words: &str, context: &Context, rules: &CheckRules) -> Vec<Doubt> {
    let mut doubts = Doubts { list: Vec::new(), rules };
    date_facts(facts, event, words, context, &mut doubts);
    other_facts(facts, &mut doubts);
    place_facts(facts, &mut doubts);
    doubts.list
}

/// The date of the event and the words it is read from: `eventDate`, or where
/// that is empty `verbatimEventDate`. Where the century is open, the collector's
/// years choose it.
fn event_date<'a>(facts: &Facts<'a>, rules: &DateRules, checks: &CheckRules) -> (One, &'a str) {
    let (mut event, mut words) = (parse_one(facts.event_date, rules), facts.event_date);
    if event.standing == Standing::Empty && !facts.verbatim_event_date.trim().is_empty() {
        words = facts.verbatim_event_date;
        event = parse_one(words, rules);
    }
    if event.standing == Standing::OpenCentury {
        let person = checks.person(facts.recorded_by.split('|').next().unwrap_or("").trim());
        if let Some((_, Person { active: Some([first, last]), .. })) = person {
            let moved = |d: PartDate, by: i16| PartDate::new(d.year + by, d.month, d.day);
            let fits = |by: &i16| (*first..=*last).contains(&(event.from.year + by));
            let mut shifts = [0, -100, 100, -200, 200].into_iter().filter(fits);
            if let (Some(by), None) = (shifts.next(), shifts.next())
                && let (Some(from), Some(to)) = (moved(event.from, by), moved(event.to, by))
            {
                event = One { from, to, ..event };
            }
        }
    }
    (event, words)
}

fn date_facts(facts: &Facts, event: One, words: &str, context: &Context, doubts: &mut Doubts) {
    let date_rules = context.dates;
    date_doubts("eventDate", words, event, date_rules, doubts);
    let identified = parse_one(facts.date_identified, date_rules);
    date_doubts("dateIdentified", facts.date_identified, identified, date_rules, doubts);
    if !event.has_date() {
        return;
    }
    if event.from != event.to && event.to.day > 0 && event.from.day > 0 {
        let days = days_between(event.from.first(), event.to.last()) + 1;
        if days > doubts.rules.dates.longest_event {
            let sentence = format!(
                "The event lasts {days} days, from {} to {}; more than {} is unusual.",
                event.from.iso(),
                event.to.iso(),
                doubts.rules.dates.longest_event
            );
            doubts.add("event-too-long", &["eventDate"], sentence);
        }
    }
    for name in facts.recorded_by.split('|').map(str::trim).filter(|n| !n.is_empty()) {
        if let Some((known, Person { active: Some([first, last]), .. })) = doubts.rules.person(name) {
            let known = known.to_owned();
            if event.to.year < *first {
                let sentence = format!("{} is before {known} began to collect in {first}.", event.iso());
                doubts.add("date-before-collector", &["eventDate", "recordedBy"], sentence);
            } else if event.from.year > *last {
                let sentence = format!("{} is after {known} last collected in {last}.", event.iso());
                doubts.add("date-after-collector", &["eventDate", "recordedBy"], sentence);
            }
        }
    }
    if identified.has_date() {
        if identified.to.last() < event.from.first() {
            let sentence =
                format!("It was determined ({}) before it was taken ({}).", identified.iso(), event.iso());
            doubts.add("determined-before-event", &["dateIdentified", "eventDate"], sentence);
        }
        let years = identified.from.year - event.to.year;
        if years > doubts.rules.dates.longest_until_determined {
            let sentence = format!("It was determined {years} years after it was taken.");
            doubts.add("determined-late", &["dateIdentified", "eventDate"], sentence);
        }
    }
}

fn date_doubts(term: &str, words: &str, one: One, rules: &DateRules, doubts: &mut Doubts) {
    let shown = words.trim();
    match one.standing {
        Standing::Empty => return,
        Standing::Unread => {
            doubts.add("date-unread", &[term], format!("“{shown}” is not understood as a date."));
            return;
        }
        Standing::NoYear => {
            doubts.add("date-without-year", &[term], format!("“{shown}” gives no year."));
            return;
        }
        Standing::Impossible => {
            let why = dates::find(shown, rules).into_iter().map(|r| r.problem).find(|p| !p.is_empty());
            let sentence = why.unwrap_or_else(|| format!("“{shown}” names a day that does not exist."));
            doubts.add("date-impossible", &[term], sentence);
            return;
        }
        Standing::OpenCentury => {
            let year = one.from.year;
            let sentence = format!("“{shown}” does not say the century; {year} is assumed.");
            doubts.add("century-open", &[term], sentence);
        }
        Standing::OpenOrder => {
            let sentence =
                format!("“{shown}” does not say which number is the day; {} is assumed.", one.iso());
            doubts.add("day-month-open", &[term], sentence);
        }
        Standing::Standard | Standing::Understood => {}
    }
    // Most years tell without a look at the day.
    if one.from.year >= rules.latest.year() && one.from.first() > rules.latest {
        let sentence = format!("{} lies in the future; today is {}.", one.from.iso(), rules.latest);
        doubts.add("date-in-the-future", &[term], sentence);
    } else if one.from.year < rules.earliest {
        let sentence =
            format!("{} is before {}, earlier than any insect label.", one.from.iso(), rules.earliest);
        doubts.add("date-too-early", &[term], sentence);
    }
}

/// Whole days from `a` to `b`.
fn days_between(a: Date, b: Date) -> i32 {
    day_number(b) - day_number(a)
}

/// Days since 1 March of the year 0 (Hinnant, "chrono-compatible low-level date
/// algorithms", 2013).
fn day_number(date: Date) -> i32 {
    let (y, m, d) = (i32::from(date.year()), i32::from(date.month()), i32::from(date.day()));
    let y = if m <= 2 { y - 1 } else { y };
    let era = y.div_euclid(400);
    let of_era = y.rem_euclid(400);
    let of_year = (153 * ((m + 9) % 12) + 2) / 5 + d - 1;
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year
}

/// What the parser left open: the value says one thing, the words allow others.
fn open_dates(parsed: &Parsed, context: &Context, doubts: &mut Doubts) {
    for term in ["eventDate", "dateIdentified"] {
        let Some(field) = parsed.field(term) else { continue };
        if field.verbatim.is_empty() {
            continue;
        }
        let readings = dates::find(&field.verbatim, context.dates);
        let Some(reading) = readings.first() else {
            // Two figures that only their place made a year (`Det. by 07`).
            let others: Vec<&str> = field
                .candidates
                .iter()
                .map(|c| c.value.as_str())
                .filter(|v| *v != field.value)
                .take(2)
                .collect();
            if !field.value.is_empty() && !others.is_empty() {
                open_century(term, field, &others.join(" or "), doubts);
            }
            continue;
        };
        if field.value.is_empty() {
            if !reading.problem.is_empty() && !doubts.list.iter().any(|d| d.terms == [term]) {
                let kind =
                    if reading.shape == DateShape::NoYear { "date-without-year" } else { "date-impossible" };
                doubts.add(kind, &[term], reading.problem.clone());
            }
            continue;
        }
        let others = || {
            let all = reading.candidates.iter().map(|c| c.iso.as_str());
            all.filter(|iso| *iso != field.value).take(2).collect::<Vec<_>>().join(" or ")
        };
        // What the reader's second choices make of it.
        let told = |iso: &str| reading.candidates.iter().any(|c| c.iso == iso);
        let top = field.candidates.first().map_or(0.0, |c| c.confidence);
        let reread: Vec<&str> = field
            .candidates
            .iter()
            .filter(|c| c.value != field.value && (!told(&c.value) || !told(&field.value)))
            .filter(|c| c.confidence > 0.2 * top)
            .map(|c| c.value.as_str())
            .take(2)
            .collect();
        if !reread.is_empty() {
            let sentence = format!(
                "A character of “{}” may be misread: {} is taken, {} is possible.",
                field.verbatim,
                field.value,
                reread.join(" or ")
            );
            doubts.add("date-misread", &[term], sentence);
        } else if reading.open_order && !others().is_empty() {
            let sentence = format!(
                "“{}” does not say which number is the day: {} is taken, {} is possible.",
                field.verbatim,
                field.value,
                others()
            );
            doubts.add("day-month-open", &[term], sentence);
        } else if reading.open_century && reading.candidates.len() > 1 {
            open_century(term, field, &others(), doubts);
        }
    }
}

fn open_century(term: &str, field: &Field, others: &str, doubts: &mut Doubts) {
    let (words, taken) = (&field.verbatim, &field.value);
    let sentence = format!("“{words}” does not say the century: {taken} is taken, {others} is possible.");
    doubts.add("century-open", &[term], sentence);
}

/// A sign that may be no sign of sex: the reader took it for another character, or
/// it stands alone.
fn open_sex(parsed: &Parsed, doubts: &mut Doubts) {
    let Some(field) = parsed.field("sex") else { return };
    let Some(first) = field.candidates.first().filter(|_| !field.verbatim.is_empty()) else { return };
    let sentence = match field.value.is_empty() {
        true => format!("“{}” stands alone: {}, or a spot on a wing.", field.verbatim, first.value),
        false => format!("“{}” stands where the sign of sex is: {} is taken.", field.verbatim, field.value),
    };
    doubts.add("sex-not-certain", &["sex"], sentence);
}

/// A number without a unit; `None` where it is none, or endless.
fn number(text: &str) -> Option<f64> {
    if text.is_empty() {
        return None;
    }
    text.trim().parse::<f64>().ok().filter(|v| v.is_finite())
}

fn other_facts(facts: &Facts, doubts: &mut Doubts) {
    let (low, high) = (number(facts.minimum_elevation), number(facts.maximum_elevation));
    let limits = doubts.rules.elevation.clone();
    for (term, value) in [("minimumElevationInMeters", low), ("maximumElevationInMeters", high)] {
        if let Some(v) = value
            && !(limits.lowest..=limits.highest).contains(&v)
        {
            let sentence = format!(
                "{v} m is no elevation on land; they lie between {} and {} m.",
                limits.lowest, limits.highest
            );
            doubts.add("elevation-impossible", &[term], sentence);
            break;
        }
    }
    if let (Some(low), Some(high)) = (low, high) {
        let terms = ["minimumElevationInMeters", "maximumElevationInMeters"];
        if low > high {
            let sentence = format!("The lower elevation, {low} m, is above the upper one, {high} m.");
            doubts.add("elevation-reversed", &terms, sentence);
        } else if high - low > limits.widest {
            let sentence = format!("From {low} to {high} m is a climb of {} m on one event.", high - low);
            doubts.add("elevation-range-wide", &terms, sentence);
        }
    }
    let count = facts.individual_count.trim();
    if !count.is_empty() {
        match count.parse::<u64>() {
            Ok(n) if n > doubts.rules.counts.most => {
                doubts.add(
                    "count-unlikely",
                    &["individualCount"],
                    format!("{n} specimens on one record are unusual."),
                );
            }
            Ok(_) => {}
            Err(_) => {
                let sentence = format!("“{count}” is not a whole number of specimens.");
                doubts.add("count-not-a-number", &["individualCount"], sentence);
            }
        }
    }
    if let Ok(n) = count.parse::<u64>() {
        sexes(facts.sex, n, doubts);
    }
}

/// `3 males, 2 females`, `male | female`, `3♂ 2♀` against a count.
fn sexes(sex: &str, count: u64, doubts: &mut Doubts) {
    let mut sum = 0;
    let mut numbered = 0;
    let mut kinds = 0;
    let mut number: Option<u64> = None;
    let spaced = sex.replace('♂', " male ").replace('♀', " female ").to_lowercase();
    for word in spaced.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()) {
        if let Ok(n) = word.parse::<u64>() {
            number = Some(n);
        } else if matches!(word, "male" | "males" | "female" | "females" | "gynandromorph" | "m" | "f") {
            kinds += 1;
            if let Some(n) = number.take() {
                sum += n;
                numbered += 1;
            }
        }
    }
    let terms = ["sex", "individualCount"];
    if numbered == kinds && kinds > 0 && sum != count {
        doubts.add(
            "sex-against-count",
            &terms,
            format!("The sexes add up to {sum}, but the count is {count}."),
        );
    } else if numbered == 0 && kinds > 1 && count == 1 {
        doubts.add("sex-against-count", &terms, "One specimen is given two sexes.".into());
    }
}

fn place_facts(facts: &Facts, doubts: &mut Doubts) {
    let country = places::country_of(facts.country, facts.country_code);
    let in_states = country.is_none_or(|c| c.alpha2 == "US");
    let state = if in_states { places::state(facts.state_province) } else { None };
    let county = state.and_then(|s| places::county(s, facts.county));
    if let (Some(state), false) = (state, facts.county.trim().is_empty())
        && county.is_none()
        && country.is_some_and(|c| c.alpha2 == "US")
    {
        let elsewhere = places::states_with_county(facts.county);
        if !elsewhere.is_empty() {
            let sentence = format!(
                "There is no {} County in {}; there is one in {}.",
                places::bare_county(facts.county),
                places::state_name(state),
                listed(&elsewhere)
            );
            doubts.add("county-not-in-state", &["county", "stateProvince"], sentence);
        }
    }
    let (lat_text, lon_text) = (facts.decimal_latitude.trim(), facts.decimal_longitude.trim());
    let terms = ["decimalLatitude", "decimalLongitude"];
    if lat_text.is_empty() && lon_text.is_empty() {
        return;
    }
    let (Some(lat), Some(lon)) = (number(lat_text), number(lon_text)) else {
        if lat_text.is_empty() || lon_text.is_empty() {
            let missing = if lat_text.is_empty() { "latitude" } else { "longitude" };
            doubts.add("coordinates-incomplete", &terms, format!("The {missing} is missing."));
        } else {
            let sentence = format!("“{lat_text}, {lon_text}” are not two numbers of degrees.");
            doubts.add("coordinates-impossible", &terms, sentence);
        }
        return;
    };
    if lat.abs() > 90.0 || lon.abs() > 180.0 {
        let swapped = lat.abs() <= 180.0 && lon.abs() <= 90.0;
        let hint = if swapped { "; the two may be swapped" } else { "" };
        doubts.add("coordinates-impossible", &terms, format!("{lat}, {lon} is no place on Earth{hint}."));
        return;
    }
    if lat == 0.0 && lon == 0.0 {
        doubts.add(
            "coordinates-zero",
            &terms,
            "0, 0 is a point in the sea, and usually means none was known.".into(),
        );
        return;
    }
    let uncertainty = number(facts.coordinate_uncertainty).unwrap_or(0.0).clamp(0.0, 1e6) / 1000.0;
    let tolerance = doubts.rules.coordinates.area_tolerance + uncertainty;
    let sea = doubts.rules.coordinates.sea_tolerance + uncertainty;
    // The narrowest area named that can be checked.
    let (kind, name, term, distance): (&str, String, &str, Box<dyn Fn(f64, f64) -> f64>) =
        if let Some(county) = county {
            let name = format!("{} County, {}", county.name, state.map_or("", places::state_name));
            let far = move |lat, lon| county.distance(lat, lon);
            ("coordinates-outside-county", name, "county", Box::new(far))
        } else if let Some(state) = state {
            let far = move |lat, lon| places::state_distance(state, lat, lon);
            (
                "coordinates-outside-state",
                places::state_name(state).to_owned(),
                "stateProvince",
                Box::new(far),
            )
        } else if let Some(c) = country.filter(|c| Areas::countries().by_id(c.numeric).next().is_some()) {
            let far = move |lat, lon| {
                // The raster answers for most points before any distance is taken.
                if Areas::countries().at(lat, lon).is_some_and(|a| a.id == c.numeric) {
                    return 0.0;
                }
                let all = Areas::countries().by_id(c.numeric);
                all.map(|a| Areas::countries().distance(a, lat, lon)).fold(f64::MAX, f64::min)
            };
            ("coordinates-outside-country", c.name.to_owned(), "country", Box::new(far))
        } else {
            if Areas::countries().nearest(lat, lon, sea).is_none() {
                let sentence = format!("{lat}, {lon} lies in the sea, more than {sea} km from land.");
                doubts.add("coordinates-in-the-sea", &terms, sentence);
            }
            return;
        };
    let away = distance(lat, lon);
    if away <= tolerance {
        return;
    }
    // A slip of the pen that lands inside explains itself.
    let slips = [
        (-lat, lon, "the sign of the latitude"),
        (lat, -lon, "the sign of the longitude"),
        (-lat, -lon, "both signs"),
    ];
    for (a, b, what) in slips {
        if distance(a, b) <= tolerance {
            let sentence = format!(
                "{lat}, {lon} lies {} outside {name}; with {what} turned, {a}, {b} lies in it.",
                kilometres(away)
            );
            doubts.add("coordinates-sign-flipped", &["decimalLatitude", "decimalLongitude", term], sentence);
            return;
        }
    }
    for (a, b) in [(lon, lat), (lon, -lat), (-lon, lat), (-lon, -lat)] {
        if a.abs() <= 90.0 && distance(a, b) <= tolerance {
            let sentence = format!(
                "{lat}, {lon} lies {} outside {name}; swapped, {a}, {b} lies in it.",
                kilometres(away)
            );
            doubts.add("coordinates-swapped", &["decimalLatitude", "decimalLongitude", term], sentence);
            return;
        }
    }
    if Areas::countries().nearest(lat, lon, sea).is_none() {
        let sentence = format!("{lat}, {lon} lies in the sea, {} from {name}.", kilometres(away));
        doubts.add("coordinates-in-the-sea", &["decimalLatitude", "decimalLongitude", term], sentence);
        return;
    }
    let sentence = format!("{lat}, {lon} lies {} outside {name}.", kilometres(away));
    doubts.add(kind, &["decimalLatitude", "decimalLongitude", term], sentence);
}

fn kilometres(distance: f64) -> String {
    if distance < 10.0 { format!("{distance:.1} km") } else { format!("{distance:.0} km") }
}

fn listed(names: &[&str]) -> String {
    match names {
        [] => String::new(),
        [one] => (*one).to_owned(),
        [first, second, third, _, _, ..] => {
            format!("{first}, {second}, {third} and {} more", names.len() - 3)
        }
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

fn photograph(facts: &Facts, reading: &Reading, context: &Context, doubts: &mut Doubts) {
    let Some(taken) = reading.photo.taken else { return };
    let event = parse_one(facts.event_date, context.dates);
    if event.has_date() && event.from.first() > taken.date() {
        let sentence =
            format!("The event is dated {}, but the photograph was taken on {}.", event.iso(), taken.date());
        doubts.add("date-after-photograph", &["eventDate"], sentence);
    }
}

/// The shortest way in kilometres between two points on WGS84 (Karney 2013, as
/// `geographiclib-rs` translates it).
pub fn kilometres_between(a: (f64, f64), b: (f64, f64)) -> f64 {
    static EARTH: OnceLock<Geodesic> = OnceLock::new();
    let metres: f64 = EARTH.get_or_init(Geodesic::wgs84).inverse(a.0, a.1, b.0, b.1);
    metres / 1000.0
}

/// The last run of digits of a collector's number.
fn field_number(text: &str) -> Option<u64> {
    let end = text.rfind(|c: char| c.is_ascii_digit())? + 1;
    let start = text[..end]
        .rfind(|c: char| !c.is_ascii_digit())
        .map_or(0, |i| i + text[i..].chars().next().map_or(1, char::len_utf8));
    text[start..end].parse().ok()
}

fn collector(facts: &Facts, context: &Context, doubts: &mut Doubts) {
    let number = facts.catalog_number.trim();
    if !number.is_empty() {
        let same = context.neighbours.with_catalogue_number(number);
        if let Some(first) = same.first() {
            let sentence = format!("The catalogue number {number} is also that of {}.", first.name);
            doubts.add("catalogue-number-twice", &["catalogNumber"], sentence);
        }
    }
    let event = parse_one(facts.event_date, context.dates);
    if !event.has_date() {
        return;
    }
    let here = crate::checking::number(facts.decimal_latitude)
        .zip(crate::checking::number(facts.decimal_longitude))
        .or_else(|| context.own_position(facts.locality));
    for name in facts.recorded_by.split('|').map(str::trim).filter(|n| !n.is_empty()) {
        if let (Some(here), true) = (here, event.from == event.to && event.from.day > 0) {
            for other in context.neighbours.on_day(name, event.from.first()) {
                let there =
                    other.latitude.zip(other.longitude).or_else(|| context.own_position(&other.locality));
                let Some(there) = there else { continue };
                let single = parse_one(&other.event_date, context.dates);
                if single.from != event.from || single.to != event.to {
                    continue;
                }
                let far = kilometres_between(here, there);
                if far > doubts.rules.collectors.day_range {
                    let sentence = format!(
                        "{name} would have been in two places {} apart on {}: here and at {} ({}).",
                        kilometres(far),
                        event.iso(),
                        if other.locality.is_empty() { "another place" } else { &other.locality },
                        other.name
                    );
                    doubts.add("collector-in-two-places", &["recordedBy", "eventDate"], sentence);
                    break;
                }
            }
        }
        let Some(number) = field_number(facts.record_number) else { continue };
        let range = doubts.rules.collectors.series_numbers;
        let near = context.neighbours.near_number(name, number, range);
        let mut against: Vec<(Neighbour, u64, One)> = Vec::new();
        for other in near {
            let Some(n) = field_number(&other.record_number) else { continue };
            let date = parse_one(&other.event_date, context.dates);
            if !date.has_date() || n == number || n.abs_diff(number) > range {
                continue;
            }
            let days = if n < number {
                days_between(event.to.last(), date.from.first())
            } else {
                days_between(date.to.last(), event.from.first())
            };
            if days > doubts.rules.collectors.series_days {
                against.push((other, n, date));
            }
        }
        if let Some((other, n, date)) = against.iter().min_by_key(|(_, n, _)| n.abs_diff(number)) {
            let sentence = format!(
                "Number {number} is dated {}, but number {n} ({}) is dated {}: the series runs backwards.",
                event.iso(),
                other.name,
                date.iso()
            );
            doubts.add("field-number-out-of-order", &["recordNumber", "eventDate"], sentence);
        }
    }
}

fn place_in_county(facts: &Facts, context: &Context, doubts: &mut Doubts) {
    let Some(state) = places::state(facts.state_province) else { return };
    let Some(county) = places::county(state, facts.county) else { return };
    let place = facts.locality.split([',', ';', ':']).next().unwrap_or("").trim();
    if place.is_empty() {
        return;
    }
    let positions = context.positions(place, facts.state_province);
    let tolerance = doubts.rules.coordinates.area_tolerance + 10.0;
    let near = positions.iter().map(|p| county.distance(p.0, p.1)).fold(f64::MAX, f64::min);
    if !positions.is_empty() && near > tolerance {
        let sentence =
            format!("{place} is known, but lies {} outside {} County.", kilometres(near), county.name);
        doubts.add("place-not-in-county", &["locality", "county"], sentence);
    }
}

/// An elevation far off that of the place, where the collection's own list says
/// how high the place lies. A statement that starts from the place (`3 km N of`)
/// speaks of another one.
fn elevation_at_place(facts: &Facts, context: &Context, doubts: &mut Doubts) {
    let (low, high) = (number(facts.minimum_elevation), number(facts.maximum_elevation));
    let Some((low, high)) = low.or(high).zip(high.or(low)) else { return };
    let Some((phrase, place)) = context.own_place(facts.locality) else { return };
    let Some(height) = context.gazetteer.and_then(|g| g.height(&place)) else { return };
    let limit = doubts.rules.elevation.from_place;
    let off = (low.min(high) - height).max(height - low.max(high));
    if off > limit {
        let said = if low == high { format!("{low} m") } else { format!("{low} to {high} m") };
        let sentence = format!("{phrase} lies at {height} m in your own list of places, not at {said}.");
        doubts.add("elevation-unlike-place", &["minimumElevationInMeters", "locality"], sentence);
    }
}

/// Two labels of one specimen that give different days, or points far apart.
fn labels_agree(labels: &[String], context: &Context, doubts: &mut Doubts) {
    let determined = |text: &str| {
        let low = text.to_lowercase();
        ["det.", "det ", "determin", "identif", "verif", "revid", "annot"].iter().any(|w| low.contains(w))
    };
    let mut days: Vec<(usize, Vec<(PartDate, PartDate)>, String)> = Vec::new();
    let mut points: Vec<(usize, (f64, f64), String)> = Vec::new();
    for (i, text) in labels.iter().enumerate() {
        if determined(text) {
            continue;
        }
        for reading in dates::find(text, context.dates) {
            if reading.shape == DateShape::Day && reading.repairs == 0.0 && !reading.candidates.is_empty() {
                let spans = reading.candidates.iter().map(|c| (c.from, c.to)).collect();
                days.push((i, spans, reading.verbatim));
            }
        }
        for reading in coordinates::find(text) {
            if let (Some(lat), Some(lon)) = (reading.latitude, reading.longitude) {
                points.push((i, (lat, lon), reading.verbatim));
            }
        }
    }
    for (n, (i, one, words)) in days.iter().enumerate() {
        for (j, two, others) in &days[n + 1..] {
            let meet = |a: &(PartDate, PartDate), b: &(PartDate, PartDate)| {
                a.0.first() <= b.1.last() && b.0.first() <= a.1.last()
            };
            if i != j && !one.iter().any(|a| two.iter().any(|b| meet(a, b))) {
                let sentence = format!("One label is dated “{words}”, another “{others}”.");
                doubts.add("labels-disagree", &["eventDate"], sentence);
                return;
            }
        }
    }
    for (n, (i, one, words)) in points.iter().enumerate() {
        for (j, two, others) in &points[n + 1..] {
            let far = kilometres_between(*one, *two);
            if i != j && far > 10.0 {
                let sentence =
                    format!("One label gives {words}, another {others}, {} apart.", kilometres(far));
                doubts.add("labels-disagree", &["decimalLatitude", "decimalLongitude"], sentence);
                return;
            }
        }
    }
}

fn cautions(text: &str, parsed: &Parsed, doubts: &mut Doubts) {
    let name = parsed.value("scientificName");
    let rules = doubts.rules;
    for caution in &rules.cautions {
        let found = caution.words.find(text).or_else(|| caution.words.find(name));
        if let Some(found) = found {
            let kind = if caution.hazard { "caution-hazard" } else { "caution-protected" };
            let term = if caution.hazard { "occurrenceRemarks" } else { "scientificName" };
            doubts.add(kind, &[term], format!("“{}”: {}", found.as_str(), caution.sentence));
        }
    }
}

#[cfg(test)]
mod tests;
