//! The page's words: what a term is called, how sure a reading is, and what a
//! typed value must look like.

use crate::catalogue::State;

/// What a person calls a Darwin Core term; the term itself where it is rare.
pub(super) fn name(term: &str) -> &str {
    match term {
        "scientificName" => "Name",
        "scientificNameAuthorship" => "Author of the name",
        "identificationQualifier" => "Qualifier (cf., aff.)",
        "identifiedBy" => "Determined by",
        "dateIdentified" => "Determined on",
        "sex" => "Sex",
        "lifeStage" => "Life stage",
        "individualCount" => "How many",
        "eventDate" => "Collected on",
        "eventTime" => "Time",
        "country" => "Country",
        "stateProvince" => "State or province",
        "county" => "County",
        "municipality" => "Municipality",
        "locality" => "Place",
        "verbatimEventDate" => "Date as written",
        "verbatimLocality" => "Place as written",
        "verbatimElevation" => "Elevation as written",
        "minimumElevationInMeters" => "Elevation, m",
        "maximumElevationInMeters" => "Elevation up to, m",
        "verbatimCoordinates" => "Coordinates as written",
        "decimalLatitude" => "Latitude, degrees",
        "decimalLongitude" => "Longitude, degrees",
        "habitat" => "Habitat",
        "associatedTaxa" => "Host",
        "samplingProtocol" => "Method",
        "recordedBy" => "Collected by",
        "recordNumber" => "Collector's number",
        "fieldNumber" => "Field number",
        "catalogNumber" => "Catalogue number",
        "otherCatalogNumbers" => "Other numbers",
        "preparations" => "Preparation",
        "typeStatus" => "Type status",
        "occurrenceRemarks" => "Remarks",
        "institutionCode" => "Institution",
        "collectionCode" => "Collection",
        other => other,
    }
}

/// Terms that every draft offers, read or not, since most records have them.
pub(super) const OFFERED: [&str; 9] = [
    "scientificName",
    "sex",
    "eventDate",
    "country",
    "stateProvince",
    "county",
    "locality",
    "recordedBy",
    "catalogNumber",
];

/// A confidence in one word, with the word's class on the page. The borders are
/// this page's own: a word a person can act on, beside the number itself.
pub(super) fn sureness(confidence: f32) -> &'static str {
    match confidence {
        c if c >= 0.95 => "sure",
        c if c >= 0.8 => "likely",
        c if c >= 0.5 => "unsure",
        _ => "a guess",
    }
}

/// A state in one word.
pub(super) fn state(state: State) -> &'static str {
    match state {
        State::Waiting => "waiting",
        State::Aside => "set aside",
        State::Settled => "settled",
    }
}

/// A doubt's kind as words: `date-in-the-future` is "date in the future".
pub(super) fn kind(kind: &str) -> String {
    match kind {
        "caution-hazard" => "caution: harmful to health".into(),
        "caution-protected" => "caution: protected species".into(),
        "determined-before-event" => "determined before it was taken".into(),
        "century-open" => "century not written".into(),
        "day-month-open" => "day or month first".into(),
        other => other.replace('-', " "),
    }
}

/// A symbology by the name its standard gives it: `DATA_MATRIX` is "Data Matrix".
///
/// ISO/IEC 16022, 18004, 16388, 15417, 16390 and 15420.
pub(super) fn symbology(name: &str) -> &str {
    match name {
        "DATA_MATRIX" => "Data Matrix",
        "QR_CODE" => "QR Code",
        "CODE_39" => "Code 39",
        "CODE_93" => "Code 93",
        "CODE_128" => "Code 128",
        "CODABAR" => "Codabar",
        "ITF" => "Interleaved 2 of 5",
        "EAN_8" => "EAN-8",
        "EAN_13" => "EAN-13",
        "UPC_A" => "UPC-A",
        "UPC_E" => "UPC-E",
        other => other,
    }
}

/// What is wrong with `value` for `term`, in one sentence with the accepted
/// form; `None` where it will do. An empty value always will.
///
/// Dates are ISO 8601-1:2019 dates or intervals, as Darwin Core asks for
/// (<https://dwc.tdwg.org/terms/#dwc:eventDate>).
pub(super) fn misfit(term: &str, value: &str) -> Option<String> {
    let value = value.trim();
    if value.is_empty() {
        return None;
    }
    match term {
        "eventDate" | "dateIdentified" => (!is_date_or_interval(value)).then(|| {
            format!("“{value}” is not a date the catalogue takes: write 1993-07-12, 1993-07, 1993, or two with a / between.")
        }),
        "decimalLatitude" => out_of(value, 90.0).then(|| {
            format!("“{value}” is no latitude: write degrees from -90 to 90, for example 46.5191.")
        }),
        "decimalLongitude" => out_of(value, 180.0).then(|| {
            format!("“{value}” is no longitude: write degrees from -180 to 180, for example -105.2705.")
        }),
        "minimumElevationInMeters" | "maximumElevationInMeters" => out_of(value, 9000.0)
            .then(|| format!("“{value}” is no elevation: write metres from -9000 to 9000 as a plain number, for example 1250.")),
        "individualCount" => value
            .parse::<u32>()
            .is_err()
            .then(|| format!("“{value}” is no count: write a whole number, for example 5.")),
        _ => None,
    }
}

fn out_of(value: &str, most: f64) -> bool {
    value.parse::<f64>().map_or(true, |v| !v.is_finite() || v.abs() > most)
}

fn is_date_or_interval(value: &str) -> bool {
    match value.split_once('/') {
        Some((from, to)) => is_date(from) && (is_date(to) || is_short_end(from, to)),
        None => is_date(value),
    }
}

/// A day, a month or a year, or a day with a time.
fn is_date(value: &str) -> bool {
    let digits = |s: &str, n: usize| s.len() == n && s.bytes().all(|b| b.is_ascii_digit());
    let parts: Vec<&str> = value.split('-').collect();
    match parts.as_slice() {
        [year] => digits(year, 4),
        [year, month] => digits(year, 4) && digits(month, 2) && ("01"..="12").contains(month),
        _ => {
            value.len() >= 10
                && (value.parse::<jiff::civil::Date>().is_ok_and(|_| value.len() == 10)
                    || value.parse::<jiff::civil::DateTime>().is_ok()
                    || value.parse::<jiff::Timestamp>().is_ok())
        }
    }
}

/// The end of an interval that leaves out what it shares with the start:
/// `1993-07-12/15`.
fn is_short_end(from: &str, to: &str) -> bool {
    !to.is_empty() && from.len() > to.len() && from.is_char_boundary(from.len() - to.len()) && {
        let whole = format!("{}{to}", &from[..from.len() - to.len()]);
        is_date(&whole)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The examples are those of Darwin Core's eventDate,
    // https://dwc.tdwg.org/list/#dwc_eventDate
    #[test]
    fn the_examples_of_darwin_core_are_dates() {
        for date in [
            "1963-03-08T14:07-06:00",
            "2009-02-20T08:40Z",
            "2018-08-29T15:19",
            "1809-02-12",
            "1906-06",
            "1971",
            "2007-03-01T13:00:00Z/2008-05-11T15:30:00Z",
            "1900/1909",
            "2007-11-13/15",
        ] {
            assert_eq!(misfit("eventDate", date), None, "{date}");
        }
    }

    #[test]
    fn what_is_no_date_or_number_is_refused_with_the_accepted_form() {
        for date in ["12.vii.93", "93-07-12", "1993-13", "1993-02-30", "1993-7-2", "1993/", "soon"] {
            assert!(misfit("eventDate", date).is_some_and(|m| m.contains("1993-07-12")), "{date}");
        }
        for (term, value) in [
            ("decimalLatitude", "91"),
            ("decimalLongitude", "12 W"),
            ("individualCount", "five"),
            ("minimumElevationInMeters", "NaN"),
        ] {
            assert!(misfit(term, value).is_some(), "{term} {value}");
        }
        assert_eq!(misfit("decimalLongitude", "-105.27"), None);
        assert_eq!(misfit("locality", "=anything"), None);
    }
}
