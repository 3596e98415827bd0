//! Each check on an invented record of the Tarn Valley survey; real place names
//! only where a boundary is checked.

use super::*;
use crate::parsing::Field;

fn parsed(values: &[(&str, &str, &str)]) -> Parsed {
    let fields = values
        .iter()
        .map(|(term, verbatim, value)| Field {
            term: (*term).into(),
            verbatim: (*verbatim).into(),
            value: (*value).into(),
            confidence: 0.9,
            candidates: Vec::new(),
            spans: Vec::new(),
            boxes: Vec::new(),
            note: String::new(),
        })
        .collect();
    Parsed { fields, ..Parsed::default() }
}

fn doubts_of(values: &[(&str, &str, &str)], text: &str) -> Vec<Doubt> {
    check(&parsed(values), &Reading::from_text("label.jpg", text), &Context::alone(), CheckRules::built_in())
}

#[track_caller]
fn has(doubts: &[Doubt], kind: &str, part: &str) {
    let found = doubts.iter().any(|d| d.kind == kind && d.sentence.contains(part));
    assert!(found, "wanted {kind} “{part}”, got {doubts:#?}");
    assert!(CheckRules::built_in().knows(kind), "{kind} has no weight in checks.toml");
}

#[track_caller]
fn facts_have(facts: &Facts, kind: &str, part: &str) {
    has(&check_facts(facts, &Context::alone(), CheckRules::built_in()), kind, part);
}

#[test]
fn a_sound_record_raises_no_doubt() {
    let values = [
        ("eventDate", "4.VII.1993", "1993-07-04"),
        ("country", "U.S.A.", "United States"),
        ("stateProvince", "Ariz.", "Arizona"),
        ("county", "Cochise Co.", "Cochise"),
        ("decimalLatitude", "", "31.55"),
        ("decimalLongitude", "", "-109.75"),
        ("minimumElevationInMeters", "1250 m", "1250"),
        ("sex", "3♂ 2♀", "3♂ 2♀"),
        ("individualCount", "5", "5"),
    ];
    assert_eq!(doubts_of(&values, "4.VII.1993"), []);
}

#[test]
fn dates_that_cannot_be_are_doubted() {
    has(
        &doubts_of(&[("eventDate", "31 June 1952", "")], "31 June 1952"),
        "date-impossible",
        "31 June 1952, but June has 30 days",
    );
    facts_have(&Facts { event_date: "2190-05-01", ..Facts::default() }, "date-in-the-future", "2190-05-01");
    facts_have(&Facts { event_date: "1650-05-01", ..Facts::default() }, "date-too-early", "1750");
    facts_have(&Facts { event_date: "sometime", ..Facts::default() }, "date-unread", "sometime");
    facts_have(&Facts { verbatim_event_date: "July 4", ..Facts::default() }, "date-without-year", "July 4");
    facts_have(&Facts { event_date: "4.7.1932", ..Facts::default() }, "day-month-open", "1932-07-04");
    facts_have(
        &Facts { event_date: "1932-05-01/1932-09-30", ..Facts::default() },
        "event-too-long",
        "153 days",
    );
    let early = Facts { event_date: "1932-05-01", date_identified: "1930", ..Facts::default() };
    facts_have(&early, "determined-before-event", "1930");
    let late = Facts { event_date: "1832-05-01", date_identified: "1993", ..Facts::default() };
    facts_have(&late, "determined-late", "161 years");
}

#[test]
fn open_century_and_order_name_the_other_candidates() {
    let century = doubts_of(&[("eventDate", "4.VII.12", "1912-07-04")], "4.VII.12");
    has(&century, "century-open", "1912-07-04 is taken, 2012-07-04 or 1812-07-04 is possible");
    let order = doubts_of(&[("eventDate", "5/6/1932", "1932-06-05")], "5/6/1932");
    has(&order, "day-month-open", "1932-05-06 is possible");
}

#[test]
fn a_sign_of_sex_that_may_be_none_is_doubted() {
    let mut parsed = parsed(&[("sex", "♂", "")]);
    let candidate = crate::parsing::Candidate { value: "male".into(), confidence: 0.4, why: String::new() };
    parsed.fields[0].candidates = vec![candidate];
    let doubts = |parsed: &Parsed| {
        check(parsed, &Reading::from_text("t", "♂"), &Context::alone(), CheckRules::built_in())
    };
    has(&doubts(&parsed), "sex-not-certain", "“♂” stands alone: male, or a spot on a wing");
    parsed.fields[0].value = "male".into();
    has(&doubts(&parsed), "sex-not-certain", "male is taken");
    parsed.fields[0].candidates.clear();
    assert_eq!(doubts(&parsed), []);
}

#[test]
fn a_day_whose_figure_may_be_another_is_doubted() {
    let mut reading = Reading::from_text("label.jpg", "Tarn Head\n4.VII.1993\nleg. A. Vell");
    let doubts = |reading: &Reading| {
        let parsed = crate::parsing::parse(reading, &crate::parsing::Rules::load(None).unwrap());
        check(&parsed, reading, &Context::alone(), CheckRules::built_in())
    };
    assert!(!doubts(&reading).iter().any(|d| d.kind == "date-misread"));
    let figure = &mut reading.labels[0].lines[1].chars[0];
    (figure.confidence, figure.alternatives) = (0.55, vec![('9', 0.4)]);
    has(&doubts(&reading), "date-misread", "1993-07-04 is taken, 1993-07-09 is possible");
}

#[test]
fn a_date_after_the_photograph_is_doubted() {
    let mut reading = Reading::from_text("label.jpg", "4.VII.1993");
    reading.photo.taken = Some(jiff::civil::date(1990, 1, 2).at(9, 0, 0, 0));
    let parsed = parsed(&[("eventDate", "4.VII.1993", "1993-07-04")]);
    let doubts = check(&parsed, &reading, &Context::alone(), CheckRules::built_in());
    has(&doubts, "date-after-photograph", "taken on 1990-01-02");
}

#[test]
fn dates_outside_a_collectors_years_are_doubted() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("people.toml"), "[people.\"Ada Vell\"]\nactive = [1921, 1957]\n")
        .unwrap();
    let rules = CheckRules::load(Some(folder.path())).unwrap();
    let facts = |date| Facts { event_date: date, recorded_by: "B. Orme | Ada Vell", ..Facts::default() };
    has(&check_facts(&facts("1960-05-01"), &Context::alone(), &rules), "date-after-collector", "1957");
    has(&check_facts(&facts("1910-05-01"), &Context::alone(), &rules), "date-before-collector", "1921");
    assert_eq!(check_facts(&facts("1930-05-01"), &Context::alone(), &rules), []);
}

#[test]
fn coordinates_are_held_against_the_places_named() {
    let at = |lat: &'static str, lon: &'static str| Facts {
        decimal_latitude: lat,
        decimal_longitude: lon,
        country: "USA",
        state_province: "Arizona",
        county: "Cochise",
        ..Facts::default()
    };
    facts_have(&at("31.55", "109.75"), "coordinates-sign-flipped", "-109.75 lies in it");
    facts_have(&at("-109.75", "31.55"), "coordinates-impossible", "swapped");
    facts_have(&at("33.45", "-112.07"), "coordinates-outside-county", "Cochise County, Arizona");
    facts_have(&at("0", "0"), "coordinates-zero", "0, 0");
    facts_have(&at("31.55", ""), "coordinates-incomplete", "longitude");
    facts_have(&at("31.55", "east"), "coordinates-impossible", "east");
    facts_have(&at("30.0", "-140.0"), "coordinates-in-the-sea", "sea");
    let state = Facts { county: "", ..at("40.0", "-105.0") };
    facts_have(&state, "coordinates-outside-state", "Arizona");
    let country =
        Facts { decimal_latitude: "52.5", decimal_longitude: "13.4", country: "Norway", ..Facts::default() };
    facts_have(&country, "coordinates-outside-country", "Norway");
    let swapped =
        Facts { decimal_latitude: "18.6", decimal_longitude: "69.6", country: "Norway", ..Facts::default() };
    facts_have(&swapped, "coordinates-swapped", "69.6, 18.6");
    // The point's own uncertainty is granted.
    let wide = Facts { coordinate_uncertainty: "900000", ..at("33.45", "-112.07") };
    assert_eq!(check_facts(&wide, &Context::alone(), CheckRules::built_in()), []);
}

#[test]
fn a_county_of_another_state_is_doubted() {
    let facts = Facts { country: "USA", state_province: "Arizona", county: "Inyo Co.", ..Facts::default() };
    facts_have(&facts, "county-not-in-state", "no Inyo County in Arizona; there is one in California");
}

#[test]
fn elevations_and_counts_are_held_against_their_limits() {
    facts_have(&Facts { minimum_elevation: "12000", ..Facts::default() }, "elevation-impossible", "12000 m");
    let reversed = Facts { minimum_elevation: "300", maximum_elevation: "100", ..Facts::default() };
    facts_have(&reversed, "elevation-reversed", "300 m");
    let wide = Facts { minimum_elevation: "100", maximum_elevation: "3000", ..Facts::default() };
    facts_have(&wide, "elevation-range-wide", "2900 m");
    facts_have(&Facts { individual_count: "many", ..Facts::default() }, "count-not-a-number", "many");
    facts_have(&Facts { individual_count: "80000", ..Facts::default() }, "count-unlikely", "80000");
    facts_have(&Facts { individual_count: "4", sex: "3♂ 2♀", ..Facts::default() }, "sex-against-count", "5");
    facts_have(
        &Facts { individual_count: "1", sex: "male | female", ..Facts::default() },
        "sex-against-count",
        "two",
    );
}

struct Shelf(Vec<Neighbour>);

impl Neighbours for Shelf {
    fn with_catalogue_number(&self, number: &str) -> Vec<Neighbour> {
        self.0.iter().filter(|n| n.name == number).cloned().collect()
    }

    fn on_day(&self, collector: &str, day: Date) -> Vec<Neighbour> {
        let day = day.to_string();
        self.0.iter().filter(|n| n.recorded_by == collector && n.event_date == day).cloned().collect()
    }

    fn near_number(&self, collector: &str, _: u64, _: u64) -> Vec<Neighbour> {
        self.0.iter().filter(|n| n.recorded_by == collector).cloned().collect()
    }
}

#[test]
fn a_record_is_held_against_its_neighbours_in_the_catalogue() {
    let shelf = Shelf(vec![Neighbour {
        name: "TVM 77".into(),
        recorded_by: "A. Vell".into(),
        record_number: "A-41".into(),
        event_date: "1993-07-04".into(),
        locality: "Tarn Head".into(),
        latitude: Some(54.4),
        longitude: Some(-3.0),
    }]);
    let context = Context { neighbours: &shelf, dates: DateRules::built_in(), gazetteer: None };
    let run = |values: &[(&str, &str, &str)]| {
        check(&parsed(values), &Reading::from_text("label.jpg", ""), &context, CheckRules::built_in())
    };
    let far = run(&[
        ("eventDate", "", "1993-07-04"),
        ("recordedBy", "", "A. Vell"),
        ("decimalLatitude", "", "48.2"),
        ("decimalLongitude", "", "16.4"),
    ]);
    has(&far, "collector-in-two-places", "at Tarn Head (TVM 77)");
    let series =
        run(&[("eventDate", "", "1993-06-01"), ("recordedBy", "", "A. Vell"), ("recordNumber", "", "A-43")]);
    has(&series, "field-number-out-of-order", "number 41 (TVM 77) is dated 1993-07-04");
    has(&run(&[("catalogNumber", "", "TVM 77")]), "catalogue-number-twice", "TVM 77");
}

/// Tombstone lies in Cochise County, Arizona (GeoNames).
#[test]
fn a_place_outside_the_county_written_beside_it_is_told() {
    let rules = crate::parsing::Rules::load(None).unwrap();
    let context = Context { gazetteer: Some(&rules.gazetteer), ..Context::alone() };
    let run = |county: &str| {
        let values = [
            ("locality", "", "Tombstone, 2 mi. E."),
            ("stateProvince", "", "Arizona"),
            ("county", "", county),
        ];
        check(&parsed(&values), &Reading::from_text("label.jpg", ""), &context, CheckRules::built_in())
    };
    has(&run("Mohave"), "place-not-in-county", "Tombstone is known, but lies");
    assert_eq!(run("Cochise"), []);
}

#[test]
fn places_of_the_collections_own_list_tell_how_far_a_collector_went() {
    let folder = tempfile::tempdir().unwrap();
    let own = "[own]\n\"Tarn Head\" = { in = \"GB\", lat = 54.4, lon = -3.0 }\n\
               \"Salt Dunes\" = { in = \"GB\", lat = 48.2, lon = 16.4 }\n";
    std::fs::write(folder.path().join("places.toml"), own).unwrap();
    let rules = crate::parsing::Rules::load(Some(folder.path())).unwrap();
    let shelf = Shelf(vec![Neighbour {
        name: "TVM 77".into(),
        recorded_by: "A. Vell".into(),
        record_number: String::new(),
        event_date: "1993-07-04".into(),
        locality: "Tarn Head, N. shore".into(),
        latitude: None,
        longitude: None,
    }]);
    let context =
        Context { neighbours: &shelf, dates: DateRules::built_in(), gazetteer: Some(&rules.gazetteer) };
    let run = |place: &str| {
        let values =
            [("eventDate", "", "1993-07-04"), ("recordedBy", "", "A. Vell"), ("locality", "", place)];
        check(&parsed(&values), &Reading::from_text("label.jpg", ""), &context, CheckRules::built_in())
    };
    has(&run("Salt Dumes"), "collector-in-two-places", "at Tarn Head, N. shore (TVM 77)");
    assert_eq!(run("Tarn Head"), []);
}

#[test]
fn an_elevation_is_held_against_that_of_the_own_place() {
    let folder = tempfile::tempdir().unwrap();
    let own = "[own]\n\"Tarn Head\" = { in = \"GB\", lat = 54.4, lon = -3.0, elevation = 420 }\n\
               \"Salt Dunes\" = { in = \"GB\", lat = 53.5, lon = 0.2 }\n";
    std::fs::write(folder.path().join("places.toml"), own).unwrap();
    let rules = crate::parsing::Rules::load(Some(folder.path())).unwrap();
    let context = Context { gazetteer: Some(&rules.gazetteer), ..Context::alone() };
    let run = |place: &str, low: &str, high: &str| {
        let values = [
            ("locality", "", place),
            ("minimumElevationInMeters", "", low),
            ("maximumElevationInMeters", "", high),
        ];
        check(&parsed(&values), &Reading::from_text("label.jpg", ""), &context, CheckRules::built_in())
    };
    has(&run("Tarn Head, N. shore", "1420", ""), "elevation-unlike-place", "Tarn Head lies at 420 m");
    has(&run("Tarn Head", "40", "90"), "elevation-unlike-place", "not at 40 to 90 m");
    // Its slopes, a range over it, and a place whose height is not known.
    assert_eq!(run("Tarn Head", "600", ""), []);
    assert_eq!(run("Tarn Head", "300", "900"), []);
    assert_eq!(run("Salt Dunes", "1420", ""), []);
}

#[test]
fn two_labels_that_disagree_are_named() {
    let doubts =
        doubts_of(&[("eventDate", "4.VII.1993", "1993-07-04")], "Tarn Head\n4.VII.1993\n\n9 Aug. 1994");
    has(&doubts, "labels-disagree", "“4.VII.1993”, another “9 Aug. 1994”");
    // A determination's date is no second event; an open century is no quarrel.
    assert_eq!(
        doubts_of(&[("eventDate", "4.VII.1993", "1993-07-04")], "4.VII.1993\n\ndet. A. Vell\n9 Aug. 1994"),
        []
    );
    assert_eq!(doubts_of(&[("eventDate", "4.VII.1993", "1993-07-04")], "4.VII.1993\n\n4-VII-93"), []);
}

#[test]
fn words_that_call_for_care_are_told_and_defer_to_practice() {
    let doubts = doubts_of(&[], "Tarn Head\npoisoned with mercuric chloride");
    has(&doubts, "caution-hazard", "mercuric");
    assert!(doubts.iter().all(|d| d.weight == 0.0 && d.sentence.contains("licensed practice")));
    let taxon = doubts_of(&[("scientificName", "", "Papilio homerus")], "");
    has(&taxon, "caution-protected", "Check the current list");
}

// One degree of the WGS84 equator is 2 pi 6378.137 km / 360; GeographicLib's own
// test set is run in tests/standards.
#[test]
fn distances_follow_the_ellipsoid() {
    let far = kilometres_between((0.0, 10.0), (0.0, 11.0));
    assert!((far - 111.319_491).abs() < 1e-5, "{far}");
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_values_make_the_checks_panic(
            date in "\\PC{0,20}|[0-9-/]{0,12}", lat in "-?[0-9.]{0,8}|\\PC{0,5}", lon in "-?[0-9.]{0,8}",
            county in "\\PC{0,12}", sex in "[0-9♂♀ a-z,]{0,12}", count in "[0-9]{0,3}",
        ) {
            let facts = Facts {
                event_date: &date, decimal_latitude: &lat, decimal_longitude: &lon, county: &county, sex: &sex,
                individual_count: &count, state_province: "Arizona", country: "USA", ..Facts::default()
            };
            for doubt in check_facts(&facts, &Context::alone(), CheckRules::built_in()) {
                prop_assert!(doubt.sentence.ends_with('.'));
            }
        }

        #[test]
        fn day_numbers_count_as_the_calendar_does(a in -100_000_i64..100_000, step in 0_i64..100_000) {
            let start = jiff::civil::date(1900, 1, 1);
            let one = start.checked_add(jiff::Span::new().days(a)).unwrap();
            let two = one.checked_add(jiff::Span::new().days(step)).unwrap();
            prop_assert_eq!(i64::from(days_between(one, two)), step);
        }
    }
}
