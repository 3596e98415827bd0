//! Tests of the TDWG Biodiversity Data Quality Interest Group, by their names.
//!
//! Specifications: the standard's list of single-record tests (tdwg/bdq, CC BY
//! 4.0). Here are those that concern dates, coordinates, country, elevation and
//! individual count. Authorities that the specifications name and that cannot be
//! carried along are replaced: countries by ISO 3166-1 and Natural Earth
//! boundaries, the exclusive economic zones by 200 nautical miles from land (UN
//! Convention on the Law of the Sea, article 57) towards the nearest country.
//! A record that names another authority gets `EXTERNAL_PREREQUISITES_NOT_MET`.

use super::areas::Areas;
use super::number;
use super::places::{self, country, country_by_code, country_by_number};
use crate::parsing::dates::{DateRules, IsoDate, PartDate, Standing, ordinal, parse_one};
use crate::parsing::{coordinates, elevation};
use jiff::civil::{Date, date};
use std::fmt;

/// How a test ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// It ran, and has a result.
    RunHasResult,
    /// A better value is proposed in place of the old.
    Amended,
    /// A value is proposed where there was none.
    FilledIn,
    /// Nothing is proposed.
    NotAmended,
    /// The record lacks what the test needs.
    InternalPrerequisitesNotMet,
    /// The authority the test needs is not at hand.
    ExternalPrerequisitesNotMet,
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Status::RunHasResult => "RUN_HAS_RESULT",
            Status::Amended => "AMENDED",
            Status::FilledIn => "FILLED_IN",
            Status::NotAmended => "NOT_AMENDED",
            Status::InternalPrerequisitesNotMet => "INTERNAL_PREREQUISITES_NOT_MET",
            Status::ExternalPrerequisitesNotMet => "EXTERNAL_PREREQUISITES_NOT_MET",
        })
    }
}

/// What a test answers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Response {
    /// How it ended.
    pub status: Status,
    /// `COMPLIANT`, `NOT_COMPLIANT` or a measure; empty for amendments and where
    /// it did not run.
    pub result: String,
    /// Terms (with their `dwc:` prefix) and the values proposed for them.
    pub amendment: Vec<(String, String)>,
}

/// Gives the value of a term such as `dwc:eventDate`, or of a parameter such as
/// `bdqval:sourceAuthority`; empty where there is none.
pub type Get<'a> = &'a dyn Fn(&str) -> &'a str;

type Test = fn(Get) -> Response;

/// The tests by name.
const TESTS: &[(&str, Test)] = &[
    ("AMENDMENT_COORDINATES_FROM_VERBATIM", coordinates_from_verbatim),
    ("AMENDMENT_COORDINATES_TRANSPOSED", coordinates_transposed),
    ("AMENDMENT_COUNTRYCODE_FROM_COORDINATES", country_code_from_coordinates),
    ("AMENDMENT_COUNTRYCODE_STANDARDIZED", country_code_standardized),
    ("AMENDMENT_DATEIDENTIFIED_STANDARDIZED", |g| date_standardized(g, "dwc:dateIdentified")),
    ("AMENDMENT_DAY_STANDARDIZED", day_standardized),
    ("AMENDMENT_EVENTDATE_FROM_VERBATIM", event_date_from_verbatim),
    ("AMENDMENT_EVENTDATE_FROM_YEARMONTHDAY", event_date_from_parts),
    ("AMENDMENT_EVENTDATE_FROM_YEARSTARTDAYOFYEARENDDAYOFYEAR", event_date_from_days),
    ("AMENDMENT_EVENTDATE_STANDARDIZED", |g| date_standardized(g, "dwc:eventDate")),
    ("AMENDMENT_EVENT_FROM_EVENTDATE", event_from_event_date),
    ("AMENDMENT_MINELEVATION-MAXELEVATION_FROM_VERBATIM", elevation_from_verbatim),
    ("AMENDMENT_MONTH_STANDARDIZED", month_standardized),
    ("AMENDMENT_OCCURRENCESTATUS_ASSUMEDDEFAULT", occurrence_status_default),
    ("MEASURE_EVENTDATE_PRECISIONINSECONDS", event_date_seconds),
    ("VALIDATION_COORDINATES_COUNTRYCODE_CONSISTENT", coordinates_country_code),
    ("VALIDATION_COORDINATES_ZERO", coordinates_zero),
    ("VALIDATION_COORDINATEUNCERTAINTY_INRANGE", |g| {
        number_in(g, "dwc:coordinateUncertaintyInMeters", 1.0, 20_037_509.0)
    }),
    ("VALIDATION_COUNTRYCODE_NOTEMPTY", |g| not_empty(g, &["dwc:countryCode"])),
    ("VALIDATION_COUNTRYCODE_STANDARD", country_code_standard),
    ("VALIDATION_COUNTRYSTATEPROVINCE_UNAMBIGUOUS", country_state_unambiguous),
    ("VALIDATION_COUNTRY_COUNTRYCODE_CONSISTENT", country_country_code),
    ("VALIDATION_COUNTRY_FOUND", country_found),
    ("VALIDATION_COUNTRY_NOTEMPTY", country_not_empty),
    ("VALIDATION_DATEIDENTIFIED_INRANGE", date_identified_in_range),
    ("VALIDATION_DATEIDENTIFIED_STANDARD", |g| date_standard(g, "dwc:dateIdentified")),
    ("VALIDATION_DAY_INRANGE", day_in_range),
    ("VALIDATION_DAY_STANDARD", |g| integer_standard(g, "dwc:day", 31)),
    ("VALIDATION_DECIMALLATITUDE_INRANGE", |g| number_in(g, "dwc:decimalLatitude", -90.0, 90.0)),
    ("VALIDATION_DECIMALLATITUDE_NOTEMPTY", |g| not_empty(g, &["dwc:decimalLatitude"])),
    ("VALIDATION_DECIMALLONGITUDE_INRANGE", |g| number_in(g, "dwc:decimalLongitude", -180.0, 180.0)),
    ("VALIDATION_DECIMALLONGITUDE_NOTEMPTY", |g| not_empty(g, &["dwc:decimalLongitude"])),
    ("VALIDATION_ENDDAYOFYEAR_INRANGE", |g| day_of_year(g, "dwc:endDayOfYear", |d| d.to.date.year)),
    ("VALIDATION_EVENTDATE_CONSISTENT", event_consistent),
    ("VALIDATION_EVENTDATE_INRANGE", event_date_in_range),
    ("VALIDATION_EVENTDATE_NOTEMPTY", |g| not_empty(g, &["dwc:eventDate"])),
    ("VALIDATION_EVENTDATE_STANDARD", |g| date_standard(g, "dwc:eventDate")),
    ("VALIDATION_EVENT_TEMPORAL_NOTEMPTY", |g| not_empty(g, TEMPORAL)),
    ("VALIDATION_LOCATION_NOTEMPTY", |g| not_empty(g, LOCATION)),
    ("VALIDATION_MAXELEVATION_INRANGE", |g| number_in(g, "dwc:maximumElevationInMeters", -430.0, 8850.0)),
    ("VALIDATION_MINELEVATION_INRANGE", |g| number_in(g, "dwc:minimumElevationInMeters", -430.0, 8850.0)),
    ("VALIDATION_MINELEVATION_LESSTHAN_MAXELEVATION", elevation_order),
    ("VALIDATION_MONTH_STANDARD", |g| integer_standard(g, "dwc:month", 12)),
    ("VALIDATION_STARTDAYOFYEAR_INRANGE", |g| day_of_year(g, "dwc:startDayOfYear", |d| d.from.date.year)),
    ("VALIDATION_STATEPROVINCE_FOUND", state_found),
    ("VALIDATION_YEAR_INRANGE", year_in_range),
    ("VALIDATION_YEAR_NOTEMPTY", |g| not_empty(g, &["dwc:year"])),
];

const TEMPORAL: &[&str] = &[
    "dwc:eventDate",
    "dwc:verbatimEventDate",
    "dwc:year",
    "dwc:month",
    "dwc:day",
    "dwc:startDayOfYear",
    "dwc:endDayOfYear",
];

const LOCATION: &[&str] = &[
    "dwc:higherGeographyID",
    "dwc:higherGeography",
    "dwc:continent",
    "dwc:country",
    "dwc:countryCode",
    "dwc:stateProvince",
    "dwc:county",
    "dwc:municipality",
    "dwc:waterBody",
    "dwc:island",
    "dwc:islandGroup",
    "dwc:locality",
    "dwc:locationID",
    "dwc:verbatimLocality",
    "dwc:decimalLatitude",
    "dwc:decimalLongitude",
    "dwc:verbatimCoordinates",
    "dwc:verbatimLatitude",
    "dwc:verbatimLongitude",
    "dwc:footprintWKT",
];

/// Runs one test; `None` for a test that is not here.
pub fn run(test: &str, get: Get) -> Option<Response> {
    TESTS.iter().find(|t| t.0 == test).map(|t| (t.1)(get))
}

/// The names of the tests that are here.
pub fn names() -> impl Iterator<Item = &'static str> {
    TESTS.iter().map(|t| t.0)
}

fn empty(value: &str) -> bool {
    value.chars().all(|c| c.is_whitespace() || c.is_control())
}

fn plain(status: Status) -> Response {
    Response { status, result: String::new(), amendment: Vec::new() }
}

fn internal() -> Response {
    plain(Status::InternalPrerequisitesNotMet)
}

fn not_amended() -> Response {
    plain(Status::NotAmended)
}

fn compliant(yes: bool) -> Response {
    let result = if yes { "COMPLIANT" } else { "NOT_COMPLIANT" };
    Response { result: result.into(), ..plain(Status::RunHasResult) }
}

fn proposed(status: Status, pairs: &[(&str, &str)]) -> Response {
    let amendment = pairs.iter().map(|(t, v)| ((*t).into(), (*v).into())).collect();
    Response { amendment, ..plain(status) }
}

/// Whether the record asks for an authority that is not at hand.
fn foreign_authority(get: Get) -> bool {
    !empty(get("bdqval:sourceAuthority"))
}

fn integer(value: &str) -> Option<i64> {
    value.trim().parse().ok()
}

fn iso(value: &str) -> Option<IsoDate> {
    IsoDate::parse(value.trim())
}

fn today() -> Date {
    DateRules::built_in().latest
}

fn not_empty(get: Get, terms: &[&str]) -> Response {
    compliant(terms.iter().any(|t| !empty(get(t))))
}

fn number_in(get: Get, term: &str, low: f64, high: f64) -> Response {
    number(get(term)).map_or_else(internal, |v| compliant((low..=high).contains(&v)))
}

fn date_standard(get: Get, term: &str) -> Response {
    let value = get(term);
    if empty(value) { internal() } else { compliant(iso(value).is_some()) }
}

fn integer_standard(get: Get, term: &str, most: i64) -> Response {
    let value = get(term);
    if empty(value) { internal() } else { compliant(integer(value).is_some_and(|v| (1..=most).contains(&v))) }
}

fn bound(get: Get, parameter: &str, default: Date, last: bool) -> Date {
    let given = iso(get(parameter));
    given.map_or(default, |d| if last { d.last() } else { d.first() })
}

fn event_date_in_range(get: Get) -> Response {
    let Some(event) = iso(get("dwc:eventDate")) else { return internal() };
    let earliest = bound(get, "bdqval:earliestValidDate", date(1582, 11, 15), false);
    let year_end = date(today().year(), 12, 31);
    let latest = bound(get, "bdqval:latestValidDate", year_end, true);
    compliant(event.first() >= earliest && event.last() <= latest)
}

fn date_identified_in_range(get: Get) -> Response {
    let Some(identified) = iso(get("dwc:dateIdentified")) else { return internal() };
    let with_event = get("bdqval:includeEventDate").trim() != "false";
    let event = get("dwc:eventDate");
    let earliest = bound(get, "bdqval:earliestValidDate", date(1753, 1, 1), false);
    let latest = bound(get, "bdqval:latestValidDate", today(), true);
    let in_range = identified.first() >= earliest && identified.last() <= latest;
    if empty(event) || !with_event {
        return compliant(in_range);
    }
    let Some(event) = iso(event) else { return internal() };
    // It overlaps the event or is later.
    compliant(in_range && identified.last() >= event.first())
}

fn year_in_range(get: Get) -> Response {
    let Some(year) = integer(get("dwc:year")) else { return internal() };
    let earliest = bound(get, "bdqval:earliestValidDate", date(1582, 1, 1), false).year();
    let latest = bound(get, "bdqval:latestValidDate", today(), true).year();
    compliant((i64::from(earliest)..=i64::from(latest)).contains(&year))
}

fn day_in_range(get: Get) -> Response {
    let Some(day) = integer(get("dwc:day")) else { return internal() };
    let month = integer(get("dwc:month")).filter(|m| (1..=12).contains(m));
    let year = integer(get("dwc:year")).filter(|y| (1..=9999).contains(y));
    match (day, month, year) {
        (29..=31, None, _) | (29, Some(2), None) => internal(),
        (1..=28, ..) => compliant(true),
        (29 | 30, Some(4 | 6 | 9 | 11), _) | (29..=31, Some(1 | 3 | 5 | 7 | 8 | 10 | 12), _) => {
            compliant(true)
        }
        (29, Some(2), Some(y)) => compliant(y % 400 == 0 || y % 4 == 0 && y % 100 != 0),
        _ => compliant(false),
    }
}

fn day_of_year(get: Get, term: &str, year: fn(&IsoDate) -> i16) -> Response {
    let value = get(term);
    if empty(value) {
        return internal();
    }
    match integer(value) {
        Some(1..=365) => compliant(true),
        Some(366) => match iso(get("dwc:eventDate")) {
            Some(event) => compliant(Date::new(year(&event), 1, 1).is_ok_and(Date::in_leap_year)),
            None => internal(),
        },
        _ => compliant(false),
    }
}

/// The day of the year, from 1.
fn number_of_day(day: Date) -> i16 {
    day.day_of_year()
}

fn event_consistent(get: Get) -> Response {
    let parts = ["dwc:year", "dwc:month", "dwc:day", "dwc:startDayOfYear", "dwc:endDayOfYear"].map(get);
    let Some(event) = iso(get("dwc:eventDate")) else { return internal() };
    if parts.iter().all(|p| empty(p)) {
        return internal();
    }
    let (from, to) = (event.from.date, event.to.date);
    let [year, month, day, start, end] = parts;
    let agrees = |given: &str, sure: bool, value: i64| {
        empty(given) || sure && integer(given).is_some_and(|g| g == value)
    };
    let one_year = from.year == to.year;
    let one_month = one_year && from.month > 0 && from.month == to.month;
    let one_day = one_month && from.day > 0 && from.day == to.day;
    compliant(
        agrees(year, one_year, from.year.into())
            && agrees(month, one_month, from.month.into())
            && agrees(day, one_day, from.day.into())
            && agrees(start, from.day > 0, number_of_day(event.first()).into())
            && agrees(end, to.day > 0, number_of_day(event.last()).into()),
    )
}

fn event_date_seconds(get: Get) -> Response {
    match iso(get("dwc:eventDate")) {
        Some(event) => Response { result: event.seconds().to_string(), ..plain(Status::RunHasResult) },
        None => Response { result: "NOT_REPORTED".into(), ..internal() },
    }
}

/// The ISO 8601 form of a value that can only mean one date.
fn unambiguous(value: &str) -> Option<String> {
    let one = parse_one(value, DateRules::built_in());
    match one.standing {
        Standing::Standard | Standing::Understood => {}
        // 2021-28-10: with the year first, a second number above 12 is the day.
        Standing::Impossible => return year_day_month(value).map(PartDate::iso),
        _ => return None,
    }
    let years = one.from.month == 0 && one.from != one.to;
    Some(if years { format!("{}/{}", one.from.first(), one.to.last()) } else { one.iso() })
}

/// `YYYY-DD-MM` whose day is above 12, so that it can be nothing else.
pub fn year_day_month(value: &str) -> Option<PartDate> {
    let mut parts = value.trim().split(['-', '/', '.']);
    let (year, day, month) = (parts.next()?, parts.next()?, parts.next()?);
    if parts.next().is_some() || year.len() != 4 {
        return None;
    }
    let (year, day, month) = (year.parse().ok()?, day.parse().ok()?, month.parse().ok()?);
    if day <= 12 || month == 0 { None } else { PartDate::new(year, month, day) }
}

fn date_standardized(get: Get, term: &str) -> Response {
    let value = get(term);
    if empty(value) {
        return internal();
    }
    if iso(value).is_some() {
        return not_amended();
    }
    match unambiguous(value) {
        Some(better) => proposed(Status::Amended, &[(term, &better)]),
        None => not_amended(),
    }
}

fn event_date_from_verbatim(get: Get) -> Response {
    let verbatim = get("dwc:verbatimEventDate");
    if !empty(get("dwc:eventDate")) || empty(verbatim) {
        return internal();
    }
    match unambiguous(verbatim) {
        Some(date) => proposed(Status::FilledIn, &[("dwc:eventDate", &date)]),
        None => not_amended(),
    }
}

fn event_date_from_parts(get: Get) -> Response {
    let Some(year) = integer(get("dwc:year")).filter(|_| empty(get("dwc:eventDate"))) else {
        return internal();
    };
    let (month, day) = (get("dwc:month"), get("dwc:day"));
    let Ok(year @ 1..=9999) = i16::try_from(year) else { return not_amended() };
    // A day without a month says no more than the year.
    let part =
        |text: &str| if empty(text) { Some(0) } else { text.trim().parse::<u8>().ok().filter(|v| *v > 0) };
    let date =
        part(month).zip(part(day)).and_then(|(m, d)| PartDate::new(year, m, if m == 0 { 0 } else { d }));
    match date {
        Some(date) => proposed(Status::FilledIn, &[("dwc:eventDate", &date.iso())]),
        None => not_amended(),
    }
}

fn event_date_from_days(get: Get) -> Response {
    let (year, start, end) = (get("dwc:year"), get("dwc:startDayOfYear"), get("dwc:endDayOfYear"));
    if !empty(get("dwc:eventDate")) || [year, start, end].into_iter().any(empty) {
        return internal();
    }
    // The specification would have a year that is no number not amended, its
    // validation data (row 1061) have the prerequisites not met.
    let Some(year) = integer(year) else { return internal() };
    let day = |text: &str| ordinal(i16::try_from(year).ok()?, u32::try_from(integer(text)?).ok()?);
    match (day(start), day(end)) {
        (Some(a), Some(b)) if a == b => proposed(Status::FilledIn, &[("dwc:eventDate", &a.iso())]),
        (Some(a), Some(b)) if a < b => {
            proposed(Status::FilledIn, &[("dwc:eventDate", &format!("{}/{}", a.iso(), b.iso()))])
        }
        _ => not_amended(),
    }
}

fn event_from_event_date(get: Get) -> Response {
    let Some(event) = iso(get("dwc:eventDate")) else { return internal() };
    let (from, to) = (event.from.date, event.to.date);
    let one_year = from.year == to.year;
    let one_month = one_year && from.month > 0 && from.month == to.month;
    let one_day = one_month && from.day > 0 && from.day == to.day;
    let days = from.day > 0 && to.day > 0;
    let parts = [
        ("dwc:year", one_year, from.year),
        ("dwc:month", one_month, from.month.into()),
        ("dwc:day", one_day, from.day.into()),
        ("dwc:startDayOfYear", days, number_of_day(event.first())),
        ("dwc:endDayOfYear", days, number_of_day(event.last())),
    ];
    let filled: Vec<(&str, String)> = parts
        .into_iter()
        .filter(|(term, sure, _)| *sure && empty(get(term)))
        .map(|(term, _, value)| (term, value.to_string()))
        .collect();
    if filled.is_empty() {
        return not_amended();
    }
    let pairs: Vec<(&str, &str)> = filled.iter().map(|(t, v)| (*t, v.as_str())).collect();
    proposed(Status::FilledIn, &pairs)
}

fn day_standardized(get: Get) -> Response {
    let value = get("dwc:day");
    if empty(value) {
        return internal();
    }
    let digits = value.trim().trim_end_matches(|c: char| c.is_alphabetic() || c == '.');
    let ending = &value.trim()[digits.len()..];
    let known = matches!(ending.to_lowercase().as_str(), "st" | "nd" | "rd" | "th" | ".");
    match digits.parse::<u8>() {
        Ok(day @ 1..=31) if known => proposed(Status::Amended, &[("dwc:day", &day.to_string())]),
        _ => not_amended(),
    }
}

fn month_standardized(get: Get) -> Response {
    let value = get("dwc:month");
    if empty(value) {
        return internal();
    }
    // A month is what makes a date of it.
    let one = parse_one(&format!("15 {} 1950", value.trim()), DateRules::built_in());
    let word = !value.trim().contains(|c: char| c.is_ascii_digit());
    if word && one.standing == Standing::Understood && one.from.month > 0 && one.from.day == 15 {
        return proposed(Status::Amended, &[("dwc:month", &one.from.month.to_string())]);
    }
    not_amended()
}

fn occurrence_status_default(get: Get) -> Response {
    // The specification would have the prerequisites not met where a status is
    // given; its validation data (rows 572-574) have nothing amended.
    if ["dwc:occurrenceStatus", "dwc:individualCount", "dwc:organismQuantity"].iter().any(|t| !empty(get(t)))
    {
        return not_amended();
    }
    let status = match get("bdqval:defaultOccurrenceStatus").trim() {
        "" => "present",
        given => given,
    };
    proposed(Status::FilledIn, &[("dwc:occurrenceStatus", status)])
}

/// Degrees with at most seven decimals (a centimetre), without trailing noughts.
fn degrees(value: f64) -> String {
    let text = format!("{value:.7}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn coordinates_from_verbatim(get: Get) -> Response {
    let (lat, lon) = (get("dwc:verbatimLatitude"), get("dwc:verbatimLongitude"));
    let both = get("dwc:verbatimCoordinates");
    if !empty(get("dwc:decimalLatitude")) || !empty(get("dwc:decimalLongitude")) {
        return internal();
    }
    if empty(both) && (empty(lat) || empty(lon)) {
        return internal();
    }
    let found =
        if !empty(lat) && !empty(lon) { one_angle(lat, true).zip(one_angle(lon, false)) } else { pair(both) };
    let Some((latitude, longitude)) = found else { return not_amended() };
    if latitude.abs() > 90.0 || longitude.abs() > 180.0 {
        return not_amended();
    }
    let (latitude, longitude) = (degrees(latitude), degrees(longitude));
    let mut pairs =
        vec![("dwc:decimalLatitude", latitude.as_str()), ("dwc:decimalLongitude", longitude.as_str())];
    let system = get("dwc:verbatimSRS").trim();
    if !empty(system) {
        pairs.push(("dwc:geodeticDatum", system));
    }
    proposed(Status::FilledIn, &pairs)
}

/// A lone latitude or longitude, decimal or in degrees with its hemisphere.
fn one_angle(text: &str, latitude: bool) -> Option<f64> {
    if let Some(value) = number(text) {
        return Some(value);
    }
    let found = coordinates::find(text);
    let [reading] = found.as_slice() else { return None };
    if latitude { reading.latitude } else { reading.longitude }
}

fn pair(text: &str) -> Option<(f64, f64)> {
    if let Some((a, b)) = text.split_once([',', ';'])
        && let (Some(a), Some(b)) = (number(a), number(b))
    {
        // A first number that is no latitude is the longitude.
        return Some(if a.abs() > 90.0 { (b, a) } else { (a, b) });
    }
    let found = coordinates::find(text);
    let [reading] = found.as_slice() else { return None };
    if matches!(reading.system, coordinates::System::Utm | coordinates::System::Mgrs) {
        return None;
    }
    let covered = reading.verbatim.len() + 2 >= text.trim().len();
    reading.latitude.zip(reading.longitude).filter(|_| covered)
}

fn point(get: Get) -> Option<(f64, f64)> {
    number(get("dwc:decimalLatitude")).zip(number(get("dwc:decimalLongitude")))
}

fn on_earth((lat, lon): (f64, f64)) -> bool {
    lat.abs() <= 90.0 && lon.abs() <= 180.0
}

fn coordinates_zero(get: Get) -> Response {
    point(get).map_or_else(internal, |(lat, lon)| compliant(lat != 0.0 || lon != 0.0))
}

/// Two hundred nautical miles in kilometres.
const ZONE: f64 = 370.4;

/// The codes of the country at a point, or of the nearest within its zone.
fn code_at(lat: f64, lon: f64) -> Option<&'static str> {
    let areas = Areas::countries();
    let area = areas.at(lat, lon).or_else(|| {
        let near = areas.within(lat, lon, ZONE);
        near.into_iter().min_by(|a, b| a.1.total_cmp(&b.1)).map(|(a, _)| a)
    })?;
    country_by_number(&area.id).map(|c| c.alpha2)
}

fn country_code_from_coordinates(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let empties = ["dwc:decimalLatitude", "dwc:decimalLongitude"].iter().any(|t| empty(get(t)));
    if empties || !empty(get("dwc:countryCode")) {
        return internal();
    }
    let Some((lat, lon)) = point(get).filter(|p| on_earth(*p)) else { return not_amended() };
    // XZ is the user-assigned code for the high seas that Darwin Core recommends.
    let code = match Areas::countries().nearest(lat, lon, ZONE) {
        None => Some("XZ"),
        Some(_) => code_at(lat, lon),
    };
    code.map_or_else(not_amended, |c| proposed(Status::FilledIn, &[("dwc:countryCode", c)]))
}

fn coordinates_country_code(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let code = get("dwc:countryCode").trim();
    let Some((lat, lon)) = point(get).filter(|p| on_earth(*p)) else { return internal() };
    let Some(named) = country_by_code(code) else { return internal() };
    // The specification's default buffer of 3 km.
    let buffer = number(get("bdqval:spatialBufferInMeters")).unwrap_or(3000.0) / 1000.0;
    let near = Areas::countries().by_id(named.numeric);
    let close = near.map(|a| Areas::countries().distance(a, lat, lon)).fold(f64::MAX, f64::min) <= buffer;
    compliant(close || code_at(lat, lon) == Some(named.alpha2))
}

fn coordinates_transposed(get: Get) -> Response {
    let code = get("dwc:countryCode");
    if ["dwc:decimalLatitude", "dwc:decimalLongitude", "dwc:countryCode"].iter().any(|t| empty(get(t))) {
        return internal();
    }
    let (Some((lat, lon)), Some(named)) = (point(get), country_by_code(code.trim())) else {
        return not_amended();
    };
    let inside = |p: (f64, f64)| on_earth(p) && code_at(p.0, p.1) == Some(named.alpha2);
    if !on_earth((lat, lon)) && !on_earth((lon, lat)) || inside((lat, lon)) {
        return not_amended();
    }
    let turned = [(-lat, lon), (lat, -lon), (-lat, -lon), (lon, lat), (-lon, lat), (lon, -lat), (-lon, -lat)];
    match turned.into_iter().find(|p| inside(*p)) {
        Some((a, b)) => {
            let (a, b) = (degrees(a), degrees(b));
            proposed(Status::Amended, &[("dwc:decimalLatitude", &a), ("dwc:decimalLongitude", &b)])
        }
        None => not_amended(),
    }
}

fn country_code_standard(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let code = get("dwc:countryCode");
    if empty(code) {
        return internal();
    }
    // The high seas and the unknown country, user-assigned codes in Darwin Core.
    compliant(country_by_code(code.trim()).is_some() || matches!(code.trim(), "XZ" | "ZZ"))
}

fn country_code_standardized(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let code = get("dwc:countryCode");
    if empty(code) {
        return internal();
    }
    if country_by_code(code.trim()).is_some() {
        return not_amended();
    }
    let better = country_by_code(&code.trim().to_uppercase()).or_else(|| country(code));
    better.map_or_else(not_amended, |c| proposed(Status::Amended, &[("dwc:countryCode", c.alpha2)]))
}

fn country_found(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let name = get("dwc:country");
    if empty(name) { internal() } else { compliant(country(name).is_some_and(places::is_nation)) }
}

fn country_not_empty(get: Get) -> Response {
    let name = get("dwc:country");
    compliant(!empty(name) || get("dwc:countryCode").trim() == "XZ")
}

fn country_country_code(get: Get) -> Response {
    let (name, code) = (get("dwc:country"), get("dwc:countryCode"));
    if empty(name) || empty(code) {
        return internal();
    }
    compliant(country(name).is_some_and(|c| c.alpha2 == code.trim()))
}

fn country_state_unambiguous(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let (name, state) = (get("dwc:country"), get("dwc:stateProvince"));
    if empty(name) && empty(state) {
        return internal();
    }
    let named = country(name);
    if !empty(name) && named.is_none() {
        return compliant(false);
    }
    if empty(state) {
        return compliant(true);
    }
    let mut holders = places::countries_with_division(state);
    if let Some(named) = named {
        holders.retain(|c| *c == named.alpha2);
    }
    compliant(holders.len() == 1)
}

fn state_found(get: Get) -> Response {
    if foreign_authority(get) {
        return plain(Status::ExternalPrerequisitesNotMet);
    }
    let state = get("dwc:stateProvince");
    if empty(state) { internal() } else { compliant(places::is_division(state)) }
}

fn elevation_order(get: Get) -> Response {
    let low = number(get("dwc:minimumElevationInMeters"));
    let high = number(get("dwc:maximumElevationInMeters"));
    low.zip(high).map_or_else(internal, |(low, high)| compliant(low <= high))
}

fn elevation_from_verbatim(get: Get) -> Response {
    let verbatim = get("dwc:verbatimElevation");
    let given =
        ["dwc:minimumElevationInMeters", "dwc:maximumElevationInMeters"].iter().any(|t| !empty(get(t)));
    if given || empty(verbatim) {
        return internal();
    }
    let found = elevation::find(verbatim);
    let [reading] = found.as_slice() else { return not_amended() };
    let (low, high) = (metres(reading.exact.0), metres(reading.exact.1));
    proposed(
        Status::FilledIn,
        &[("dwc:minimumElevationInMeters", &low), ("dwc:maximumElevationInMeters", &high)],
    )
}

/// Metres with at most two decimals, without trailing noughts.
fn metres(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
