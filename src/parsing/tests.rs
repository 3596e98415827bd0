//! Whole labels. Invented ones are of the Tarn Valley moth survey; real names of
//! states and counties are those of the gazetteer.

use super::*;
use proptest::prelude::*;
use std::sync::OnceLock;

fn rules() -> &'static Rules {
    static RULES: OnceLock<Rules> = OnceLock::new();
    RULES.get_or_init(|| Rules::load(None).unwrap())
}

fn values<const N: usize>(text: &str, terms: [&str; N]) -> [String; N] {
    let parsed = parse_text("label.txt", text, rules());
    terms.map(|t| parsed.value(t).to_owned())
}

#[test]
fn a_pin_with_locality_collector_and_determination_labels() {
    let text = "TVS 004,217\n\nTarn Head, 2 mi. N\nFell, Calif.\nVII-4-54\n\nA. R. Vell\nCollector\n\nNoctua ♂\npronuba L.\nDet. by '62\nB.Orr";
    let terms = [
        "catalogNumber",
        "recordedBy",
        "eventDate",
        "country",
        "stateProvince",
        "verbatimLocality",
        "scientificName",
        "scientificNameAuthorship",
        "identifiedBy",
        "dateIdentified",
        "sex",
    ];
    assert_eq!(
        values(text, terms),
        [
            "TVS 004,217",
            "A. R. Vell",
            "1954-07-04",
            "United States",
            "California",
            "Tarn Head, 2 mi. N Fell, Calif",
            "Noctua pronuba",
            "L.",
            "B. Orr",
            "1962",
            "male"
        ]
    );
}

/// A line finder takes a sign set beside the genus by pen for a row of its own.
#[test]
fn a_sign_of_sex_or_a_figure_in_a_row_between_genus_and_epithet_parts_no_name() {
    let terms = ["scientificName", "scientificNameAuthorship", "sex", "individualCount", "dateIdentified"];
    let pin = |row: &str| format!("Tarn Head\n4.vii.1954\n\nNoctua\n{row}\npronuba L.\nDet. by '62\nB. Orr");
    for (row, sex, count) in [("♂", "male", ""), ("♀", "female", ""), ("3 ♀", "female", "3")] {
        assert_eq!(values(&pin(row), terms), ["Noctua pronuba", "L.", sex, count, "1962"], "{row}");
    }
    let parsed = parse_text("t", &pin("♂"), rules());
    assert_eq!(parsed.field("scientificName").unwrap().verbatim, "Noctua pronuba");
    assert_eq!(parsed.leftovers, []);
    // A figure there is the sign misread, which is never sure.
    let parsed = parse_text("t", &pin("2"), rules());
    assert_eq!(parsed.value("scientificName"), "Noctua pronuba");
    let sex = parsed.field("sex").unwrap();
    assert!(sex.value == "female" && sex.confidence < 0.95 && sex.candidates.len() == 2, "{sex:?}");
    // Without a determiner nothing says so: it is left over.
    let parsed = parse_text("t", "Tarn Head\n4.vii.1954\n\nNoctua\n2\npronuba L.", rules());
    assert_eq!((parsed.value("scientificName"), parsed.value("sex")), ("Noctua pronuba", ""));
    assert_eq!(parsed.leftovers.iter().map(|l| l.text.as_str()).collect::<Vec<_>>(), ["2"]);
}

/// As a reading of a photograph: what `text` says was read and not typed.
fn photographed(text: &str) -> Reading {
    let mut reading = Reading::from_text("t", text);
    reading.labels.iter_mut().flat_map(|l| &mut l.lines).for_each(|l| l.engine = "neural".into());
    reading
}

#[test]
fn a_sign_of_sex_alone_on_a_label_is_offered_and_not_taken() {
    let label = "Tarn Head\n4.vii.1954\nleg. A. Vell";
    for sign in ["♂", "♂♂", "3 ♂", "o♂", "♂\n0"] {
        let parsed = parse(&photographed(&format!("{label}\n\n{sign}")), rules());
        let sex = parsed.field("sex").unwrap();
        assert_eq!((sex.value.as_str(), parsed.value("individualCount")), ("", ""), "{sign}");
        assert!(sex.candidates.iter().any(|c| c.value == "male"), "{sign}: {:?}", sex.candidates);
        assert!(sex.confidence < 0.8, "{sign}: {}", sex.confidence);
    }
    // A label that says the sex needs none; its sign is left over.
    let parsed = parse(&photographed(&format!("{label}\n2 ♀\n\n♂")), rules());
    assert_eq!((parsed.value("sex"), parsed.value("individualCount")), ("female", "2"));
    assert_eq!(parsed.leftovers.iter().map(|l| l.text.as_str()).collect::<Vec<_>>(), ["♂"]);
    // A sign on another label is no spot on a wing.
    let mut reading = photographed(&format!("{label}\n\n♂"));
    reading.labels[0].quad = crate::geometry::Quad::upright(0.0, 0.0, 300.0, 100.0);
    reading.labels[1].quad = crate::geometry::Quad::upright(240.0, 40.0, 260.0, 60.0);
    assert_eq!(parse(&reading, rules()).value("sex"), "male");
    // Who typed it saw it.
    assert_eq!(values(&format!("{label}\n\n♂"), ["sex"]), ["male"]);
}

#[test]
fn one_or_two_characters_alone_on_a_label_make_no_field() {
    let label = "Tarn Head\n4.vii.1954\nleg. A. Vell";
    let fields = |text: &str| parse(&photographed(text), rules()).fields;
    for spot in ["00", "o", "0", "8", "N", "IV", "'07", "3 4", "6/"] {
        assert_eq!(fields(&format!("{label}\n\n{spot}")), fields(label), "{spot}");
        assert_eq!(fields(spot), [], "{spot}");
        let parsed = parse(&photographed(&format!("{label}\n\n{spot}")), rules());
        assert_eq!(parsed.leftovers.iter().map(|l| l.text.as_str()).collect::<Vec<_>>(), [spot]);
    }
}

#[test]
fn a_number_under_a_bar_code_read_as_letters_is_no_place() {
    // Figures of the type under bar codes are read as O and D; invented after real ones.
    for (written, number) in [("TENN-L-DDOOD41", "TENN-L-0000041"), ("TENN-L-OODODDE", "TENN-L-000000E")] {
        let text = format!("LICHENS OF ALASKA\n{written}\nAt the Tarn, Barrow\n19 July 1958");
        let terms = ["catalogNumber", "stateProvince", "verbatimLocality"];
        assert_eq!(values(&text, terms), [number, "Alaska", "At the Tarn, Barrow"], "{written}");
    }
    // Words with hyphens stay words.
    assert_eq!(
        values("TARN-GO-BOSS Fell\n19 July 1958", ["catalogNumber", "verbatimLocality"]),
        ["", "TARN-GO-BOSS Fell"]
    );
}

#[test]
fn an_institution_read_as_one_word_is_no_place() {
    let text =
        "LICHENS OF FLORIDA\nTarn Head, along the trail\n17 December 1988\nA. Vell 23906 TARNVALLEYHERBARIUM";
    assert_eq!(values(text, ["verbatimLocality", "recordNumber"]), ["Tarn Head, along the trail", "23906"]);
}

#[test]
fn a_comma_may_part_date_and_collector() {
    for date in ["14.vii.1993, J. Vell", "14.vii.1993 J. Vell"] {
        let text = format!("ENGLAND: Tarn Head\n{date}");
        assert_eq!(values(&text, ["recordedBy", "verbatimLocality"]), ["J. Vell", "ENGLAND: Tarn Head"]);
    }
}

// Square and degrees: see `coordinates::british`, checked against PROJ.
#[test]
fn letters_and_figures_are_a_grid_reference_on_british_labels_alone() {
    let terms = ["decimalLatitude", "decimalLongitude", "verbatimCoordinates", "geodeticDatum", "eventDate"];
    assert_eq!(
        values("ENGLAND: Tarn Head\nNY 345 065\n14.vii.1993", terms),
        ["54.45011", "-3.0109", "NY 345 065", "WGS84", "1993-07-14"]
    );
    assert_eq!(values("Tarn Head, NY 345 065\nU.S.A. VII-4-1932", terms)[..3], ["", "", ""]);
    assert_eq!(values("Cambridge Road\nTarn Head, NY 345 065", terms)[..3], ["", "", ""]);
}

#[test]
fn an_envelope_with_counts_method_and_condition() {
    let text = "Tarn Head, Alt. 450 m\n12.vii.1931 leg. A. Vell\n3♂ 2♀, at light, worn";
    let terms = [
        "eventDate",
        "recordedBy",
        "minimumElevationInMeters",
        "individualCount",
        "sex",
        "samplingProtocol",
        "occurrenceRemarks",
    ];
    assert_eq!(values(text, terms), ["1931-07-12", "A. Vell", "450", "5", "male | female", "light", "worn"]);
}

#[test]
fn a_form_with_printed_keys() {
    let text = "FLORA OF OREGON\nNo. 252\nNoctua pronuba L.\nCo. Lane\nSubstratum rail fence\nLoc. near Tarn Head camping ground\nColl. Ada Vell Alt.\nDet. Bern Orr Date 21 June 1963";
    let terms = [
        "recordNumber",
        "recordedBy",
        "identifiedBy",
        "eventDate",
        "stateProvince",
        "county",
        "verbatimLocality",
        "habitat",
    ];
    assert_eq!(
        values(text, terms),
        [
            "252",
            "Ada Vell",
            "Bern Orr",
            "1963-06-21",
            "Oregon",
            "Lane",
            "near Tarn Head camping ground",
            "rail fence"
        ]
    );
}

#[test]
fn a_two_digit_year_says_that_the_century_is_assumed() {
    let parsed = parse_text("t", "Tarn Head\n4.vii.54\nleg. A. Vell", rules());
    let date = parsed.field("eventDate").unwrap();
    assert_eq!(date.value, "1954-07-04");
    assert!(date.note.contains("century"), "{}", date.note);
    assert!(date.candidates.iter().any(|c| c.value == "1854-07-04"), "{:?}", date.candidates);
}

/// Nothing is determined before it was taken; the century is open all the same.
#[test]
fn candidates_of_an_open_century_stand_in_order_and_the_first_is_taken() {
    for (label, year) in [
        ("Tarn Head\n4.vii.1949\nleg. A. Vell\n\nNoctua\npronuba L.\nDet. by '07\nB. Orr", "2007"),
        ("Tarn Head\n4.vii.1949\nleg. A. Vell\n\nNoctua\npronuba L.\nDet. by 07\nB. Orr", "2007"),
        ("Tarn Head\n4.vii.1901\nleg. A. Vell\n\nNoctua\npronuba L.\nDet. by '07\nB. Orr", "1907"),
        ("Noctua\npronuba L.\nDet. by '07\nB. Orr", "1907"),
    ] {
        let reading = Reading::from_text("t", label);
        let parsed = parse(&reading, rules());
        let date = parsed.field("dateIdentified").unwrap();
        assert_eq!((date.value.as_str(), date.candidates[0].value.as_str()), (year, year), "{label}");
        assert!(date.candidates.len() > 1 && date.note.contains("century"), "{label}: {date:?}");
        assert!(date.candidates.is_sorted_by(|a, b| a.confidence >= b.confidence), "{:?}", date.candidates);
        assert!(date.candidates.iter().map(|c| c.confidence).sum::<f32>() <= 1.0, "{:?}", date.candidates);
        let context = crate::checking::Context::of(&crate::checking::Alone, rules());
        let doubts =
            crate::checking::check(&parsed, &reading, &context, crate::checking::CheckRules::built_in());
        let open = doubts.iter().find(|d| d.kind == "century-open" && d.terms == ["dateIdentified"]);
        assert!(
            open.is_some_and(|d| d.sentence.contains(&format!("{year} is taken"))),
            "{label}: {doubts:?}"
        );
    }
}

#[test]
fn a_determination_with_a_qualifier_keeps_it_apart() {
    let terms = ["scientificName", "identificationQualifier", "identifiedBy"];
    assert_eq!(values("Noctua cf. pronuba\ndet. A. Vell 1932", terms), ["Noctua pronuba", "cf.", "A. Vell"]);
}

#[test]
fn a_day_that_cannot_be_keeps_its_words_and_has_no_value() {
    let parsed =
        parse_text("label.txt", "Hydriomena furcata\nKelda Bridge\n31 June 1952\nW. Thirlby", rules());
    let date = parsed.field("eventDate").unwrap();
    assert_eq!((date.verbatim.as_str(), date.value.as_str()), ("31 June 1952", ""));
    assert_eq!(date.note, "The words give 31 June 1952, but June has 30 days.");
    assert_eq!(parsed.value("verbatimEventDate"), "31 June 1952");
    assert_eq!(parsed.value("recordNumber"), "");
}

#[test]
fn an_initial_is_no_region() {
    let regions = ["country", "stateProvince"];
    assert_eq!(values("Skerrow Moss\n12.vii.1974\nE. M. Harrow", regions), ["", ""]);
    assert_eq!(values("Kelda Bridge\n3.v.1952\nW. Thirlby", regions), ["", ""]);
}

#[test]
fn the_words_stay_as_read_beside_the_value() {
    let parsed = parse_text("t", "Tarn Head, Ca1if.\n4.vii.1954", rules());
    let state = parsed.field("stateProvince").unwrap();
    assert_eq!((state.value.as_str(), state.verbatim.as_str()), ("California", "Ca1if."));
    assert_eq!(state.spans, [Span { label: 0, line: 0, start: 11, end: 17 }]);
}

#[test]
fn what_nobody_used_is_left_over() {
    let parsed = parse_text("t", "4.vii.1954\nqxz 77 vv", rules());
    let left: Vec<&str> = parsed.leftovers.iter().map(|l| l.text.as_str()).collect();
    assert_eq!(left, ["qxz 77 vv"]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(192))]

    #[test]
    fn no_text_makes_the_parser_panic(text in "(?s).{0,160}") {
        let parsed = parse_text("t", &text, rules());
        for field in &parsed.fields {
            prop_assert!((0.0..=1.0).contains(&field.confidence));
            prop_assert_eq!(field.spans.len(), field.boxes.len());
        }
    }

    #[test]
    fn no_jumble_of_label_words_makes_it_panic(words in proptest::collection::vec("(Det\\.|Coll\\.|leg\\.|♂|Co\\.|County|Calif\\.|Mex\\.|VII|'62|12|[A-Z]\\.|[A-Z][a-z]{3,8}|[a-z]{2,9}us|\n|\n\n|,|:|;|&|\\(|\\)|#|No\\.|-|41°11'N|240 m|on|near|mi\\.)", 0..40)) {
        let text = words.join(" ");
        let parsed = parse_text("t", &text, rules());
        for field in &parsed.fields {
            for span in &field.spans {
                let reading = Reading::from_text("t", &text);
                prop_assert!(span.end <= reading.labels[span.label].lines[span.line].chars.len());
            }
        }
    }
}

/// Misreadings of a kind, on invented labels.
#[test]
fn dates_survive_what_readers_make_of_hands() {
    let rules = Rules::load(None).unwrap();
    for (text, date) in [
        ("Tarn Head\nX-9-5S", "1955-10-09"),
        ("Tarn Head V128-53", "1953-06-28"),
        ("Tarn Head\nduLy 1,1934", "1934-07-01"),
        ("Tarn Head /X-7-1959", "1959-09-07"),
    ] {
        let parsed = parse_text("t", text, &rules);
        assert_eq!(parsed.value("eventDate"), date, "{text}");
        let sure = parsed.field("eventDate").unwrap().confidence;
        assert!(sure < 0.97, "{text} is repaired, yet {sure} sure");
    }
}

#[test]
fn a_lettered_number_alone_on_a_pins_line_is_the_collectors_and_no_habitat() {
    for number in ["F93-13", "TVM93/4"] {
        let text = format!("Tarn Valley\nElderfold\n12.vi.1993\n{number}\nleg. M. Orrin");
        let parsed = parse_text("t", &text, rules());
        assert_eq!(parsed.value("recordNumber"), number, "{:?}", parsed.fields);
        assert_eq!(parsed.value("habitat"), "", "{:?}", parsed.fields);
        assert_eq!(parsed.value("verbatimLocality"), "Tarn Valley Elderfold");
    }
    // A figure alone still is none.
    let parsed = parse_text("t", "Tarn Valley\nElderfold\n12.vi.1993\n13\nleg. M. Orrin", rules());
    assert_eq!(parsed.value("recordNumber"), "", "{:?}", parsed.fields);
}

/// An envelope of the samples (`samples-demo/notebooks/envelopes.jsonl`).
#[test]
fn a_field_number_of_a_letter_and_three_figures_is_no_date() {
    let parsed = parse_text("t", "No. V131\nBlackmire Rigg\nleg. E. M. Harrow", &Rules::load(None).unwrap());
    assert_eq!(parsed.value("eventDate"), "", "{:?}", parsed.fields);
    assert_eq!(parsed.value("recordNumber"), "V131", "{:?}", parsed.fields);
}

#[test]
fn the_year_behind_a_determiner_is_found_with_its_apostrophe_or_without() {
    let rules = Rules::load(None).unwrap();
    for text in ["Det. by '58\nA. Vell", "Det.by58\nA. Vell", "Det.by158\nA. Vell", "Det. by\nA. Vell 5/"] {
        let label = format!("Tarn Head\n12.vii.1949\nB. Orr, coll.\n\nNoctua\npronuba L.\n{text}");
        let parsed = parse_text("t", &label, &rules);
        let want = if text.ends_with('/') { "1951" } else { "1958" };
        assert_eq!(parsed.value("dateIdentified"), want, "{text}");
        assert_eq!(parsed.value("eventDate"), "1949-07-12", "{text}");
    }
}

#[test]
fn places_and_people_the_collection_knows_are_never_taken_for_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    write("places.toml", "[own]\n\"Sallow Intake\" = { in = \"GB\", lat = 54.6, lon = -2.4 }\n");
    write("people.toml", "[people]\n\"N. Brandreth\" = { also = [\"Nuala Brandreth\"] }\n");
    write("names.toml", "[checklist]\nnames = [\"Papestra biren\"]\n");
    let rules = Rules::load(Some(folder.path())).unwrap();
    let parsed =
        parse_text("t", "Papestra birem  2 ex.\nSallow lntake, 330 m\n24. viii. 1990\nN. Brandretb", &rules);
    assert_eq!(parsed.value("recordedBy"), "N. Brandreth");
    assert_eq!(parsed.field("recordedBy").unwrap().verbatim, "N. Brandretb");
    assert_eq!(parsed.value("verbatimLocality"), "Sallow lntake");
    assert_eq!(parsed.value("scientificName"), "Papestra biren");
    assert_eq!(parsed.value("individualCount"), "2");
    // On a pin the name stands on two lines, a sign of sex between.
    for name in ["Papestra\nbirem", "Papestra ♂\nbirem L.", "Papestra\n♂\nbirem"] {
        let parsed = parse_text("t", &format!("{name}\nDet. by '62\nB. Orr"), &rules);
        assert_eq!(parsed.value("scientificName"), "Papestra biren", "{name}");
    }
    let parsed = parse_text("t", "Papestra\npronuba\nDet. by '62\nB. Orr", &rules);
    assert_eq!(parsed.value("scientificName"), "Papestra pronuba");
}

/// The form of authors with years: International Code of Zoological Nomenclature,
/// recommendation 51C (from memory).
#[test]
fn the_year_of_an_author_or_a_gift_is_no_date_of_collecting() {
    let rules = Rules::load(None).unwrap();
    for text in [
        "NOCTUIDAE\nNoctua pronuba\n(Linnaeus, 1758)",
        "Noctua comes Hubner, 1813",
        "Box 14 - A. Vell bequest 2009",
    ] {
        assert_eq!(parse_text("t", text, &rules).value("eventDate"), "", "{text}");
    }
    assert_eq!(parse_text("t", "Tarn Head, 1913", &rules).value("eventDate"), "1913");
}

#[test]
fn an_apostrophe_and_s_are_no_part_of_a_surname() {
    assert_eq!(values("Noctua\npronuba L.\nDet. by\nA. Vell's", ["identifiedBy"]), ["A. Vell"]);
}

#[test]
fn a_day_above_the_determiner_stays_the_day_of_collecting() {
    let rules = Rules::load(None).unwrap();
    let text = "Tarn Head\nCalif.\n10 Aug. 1951\nOn Baccharis\nNoctua\npronuba\nDet.by '69\nA. Vell";
    let parsed = parse_text("t", text, &rules);
    assert_eq!(parsed.value("eventDate"), "1951-08-10");
    assert_eq!(parsed.value("stateProvince"), "California");
    assert_eq!(parsed.value("identifiedBy"), "A. Vell");
    assert_eq!(parsed.value("dateIdentified"), "1969");
}

#[test]
fn the_initial_of_the_next_line_is_no_unit_of_the_year() {
    let rules = Rules::load(None).unwrap();
    let parsed = parse_text("t", "Tarn Head\n27-vi-53\nM. Vell", &rules);
    assert_eq!(parsed.value("eventDate"), "1953-06-27");
    assert_eq!(parsed.value("recordedBy"), "M. Vell");
    assert_eq!(parsed.value("minimumElevationInMeters"), "");
}
