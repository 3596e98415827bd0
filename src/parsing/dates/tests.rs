//! Forms of dates on labels. The forms are the trade's (common practice); the
//! values are counted by hand.

use super::*;

fn isos(text: &str) -> Vec<String> {
    find(text, DateRules::built_in())
        .iter()
        .map(|r| r.best().map_or(String::new(), |b| b.iso.clone()))
        .collect()
}

#[track_caller]
fn reads(text: &str, iso: &str) {
    let all = find(text, DateRules::built_in());
    let got: Vec<_> =
        all.iter().map(|r| (r.verbatim.as_str(), r.best().map_or("", |b| b.iso.as_str()))).collect();
    assert!(got.len() == 1 && got[0].1 == iso, "{text:?}: wanted {iso}, found {got:?}");
}

#[test]
fn whole_dates_in_the_forms_of_the_trade() {
    for (text, iso) in [
        ("11 July 1951", "1951-07-11"),
        ("VII-4-54", "1954-07-04"),
        ("4-IX-1978", "1978-09-04"),
        ("7-17-32", "1932-07-17"),
        ("12-14.vii.93", "1993-07-12/1993-07-14"),
        ("June 20, 1939", "1939-06-20"),
        ("JULY 1,1934", "1934-07-01"),
        ("JULY1,1934", "1934-07-01"),
        ("late June 1931", "1931-06"),
        ("1.V-3.VI.1908", "1908-05-01/1908-06-03"),
        ("spring 1947", "1947"),
        ("19 Sep 1990", "1990-09-19"),
        ("Feb 1898", "1898-02"),
        ("2/iii/88", "1988-03-02"),
        ("1959-07-03", "1959-07-03"),
        ("May-June 1950", "1950-05/1950-06"),
        ("VII-18-22-51", "1951-07-18/1951-07-22"),
        ("VI-2-5-1951", "1951-06-02/1951-06-05"),
        ("IV-22/23-1953", "1953-04-22/1953-04-23"),
        ("July 16-21, 1962", "1962-07-16/1962-07-21"),
        ("19-23 June 1967", "1967-06-19/1967-06-23"),
        ("10 Aug.'51", "1951-08-10"),
        ("IX-26 1978", "1978-09-26"),
        ("8-8 59", "1959-08-08"),
        ("26-VIII-\n1977", "1977-08-26"),
        ("7. 1925", "1925-07"),
        ("August, 1987", "1987-08"),
        ("4 de julio de 1951", "1951-07-04"),
        ("1er août 1908", "1908-08-01"),
        ("3rd July 1911", "1911-07-03"),
        ("the 4th of August 1902", "1902-08-04"),
        ("1951 VII 4", "1951-07-04"),
        ("12. Juli 1903", "1903-07-12"),
        ("30 Dec. 1950 - 2 Jan. 1951", "1950-12-30/1951-01-02"),
        ("VI.1908-IX.1909", "1908-06/1909-09"),
        ("June 28 to July 3, 1949", "1949-06-28/1949-07-03"),
        ("3, 4 & 5 May 1922", "1922-05-03/1922-05-05"),
        ("1973-1974", "1973/1974"),
        ("1964-68", "1964/1968"),
        ("1930s", "1930/1939"),
    ] {
        reads(text, iso);
    }
}

#[test]
fn misread_characters_are_repaired_at_a_cost() {
    for (text, iso) in [
        ("V1-27-53", "1953-06-27"),
        ("Vll-4-54", "1954-07-04"),
        ("VI!-4-54", "1954-07-04"),
        ("11 Juiy 1951", "1951-07-11"),
        ("11 Ju1y 1951", "1951-07-11"),
        ("3 0ct. 1949", "1949-10-03"),
        ("l1 July 1951", "1951-07-11"),
        ("11 July l951", "1951-07-11"),
        ("1O Aug. 1951", "1951-08-10"),
    ] {
        let all = find(text, DateRules::built_in());
        assert_eq!(all.len(), 1, "{text} {all:?}");
        assert_eq!(all[0].best().map(|b| b.iso.as_str()), Some(iso), "{text} {all:?}");
        assert!(all[0].repairs > 0.0, "{text}");
    }
}

#[test]
fn dates_are_found_inside_other_words() {
    assert_eq!(isos("Ariz.: 4100', 4-IX-1978, Tarn Co."), ["1978-09-04"]);
    assert_eq!(isos("8-8 59ARIZ 5000'"), ["1959-08-08"]);
    assert_eq!(isos("Hotwell 7000' VI-28-66"), ["1966-06-28"]);
    assert_eq!(isos("N.Mex.VII-13-59"), ["1959-07-13"]);
    assert_eq!(isos("det. A. Vell 1981"), ["1981"]);
    assert_eq!(isos("Det.Vell1981"), ["1981"]);
    assert_eq!(isos("Det.by '58\nA.Vell"), ["1958"]);
    assert_eq!(isos("No. 4461 September 1969"), ["1969-09"]);
    assert_eq!(isos("#850 3 September 1987"), ["1987-09-03"]);
    assert_eq!(isos("X-9-55 19"), ["1955-10-09"]);
    assert_eq!(isos("935 19.VI.1894"), ["1894-06-19"]);
    assert_eq!(isos("T.5N, R6E. 19 Sep 1990. leg. A. Vell 12 km W"), ["1990-09-19"]);
    assert_eq!(isos("10,000 ft. Sept.20,1935."), ["1935-09-20"]);
}

#[test]
fn numbers_that_are_no_dates_stay_numbers() {
    for text in [
        "EMEC 609,488",
        "10 km.W.of",
        "1800 Feet",
        "2000 m.",
        "1240-1600 ft",
        "1.5 mi. NE",
        "60°09.7'N, 152°36.2'W",
        "T 68S, R 88E, Sec,33 SE1/4 of NW 1/4",
        "18-20 mm",
        "SE1/4",
        "3♂ 2♀",
        "tel. 04-2211",
        "",
    ] {
        assert_eq!(isos(text), Vec::<String>::new(), "{text} {:?}", find(text, DateRules::built_in()));
    }
}

#[test]
fn two_digit_year_leaves_the_century_open() {
    let all = find("4.VII.12", DateRules::built_in());
    let candidates: Vec<_> = all[0].candidates.iter().map(|c| c.iso.as_str()).collect();
    assert_eq!(candidates, ["1912-07-04", "2012-07-04", "1812-07-04"]);
    assert!(all[0].open_century);
    let sum: f32 = all[0].candidates.iter().map(|c| c.confidence).sum();
    assert!(sum < 1.0 && sum > 0.9);
}

#[test]
fn day_and_month_order_stays_open_until_a_rule_or_a_person_says() {
    let rules = DateRules::built_in();
    let open = &find("5/6/1932", rules)[0];
    assert!(open.open_order);
    assert_eq!(open.candidates.len(), 2);
    assert!((open.candidates[0].confidence - open.candidates[1].confidence).abs() < 1e-6);
    let american = rules.for_country("United States");
    let month_first = &find("5/6/1932", &american)[0];
    assert_eq!(month_first.best().unwrap().iso, "1932-05-06");
    assert!(month_first.open_order && month_first.candidates.len() == 2);
    assert_eq!(find("5/6/1932", &rules.for_country("Norway"))[0].best().unwrap().iso, "1932-06-05");
    assert!(!find("17/6/1932", rules)[0].open_order);
}

#[test]
fn a_day_that_does_not_exist_has_no_candidate_and_says_why() {
    let reading = &find("31 June 1952", DateRules::built_in())[0];
    assert!(reading.candidates.is_empty());
    assert_eq!(reading.problem, "The words give 31 June 1952, but June has 30 days.");
    let leap = &find("29 Feb. 1901", DateRules::built_in())[0];
    assert_eq!(leap.problem, "The words give 29 February 1901, but February had 28 days in 1901.");
    let order = &find("17/18/1932", DateRules::built_in())[0];
    assert_eq!(order.problem, "Neither 17 nor 18 can be a month.");
}

#[test]
fn edtf_is_written_beside_iso() {
    let edtf = |text: &str| find(text, DateRules::built_in())[0].best().unwrap().edtf.clone();
    assert_eq!(edtf("spring 1947"), "1947-21");
    assert_eq!(edtf("ca. 1930"), "1930~");
    assert_eq!(edtf("July 1930?"), "1930-07?");
    assert_eq!(edtf("1930s"), "193X");
    assert_eq!(edtf("1.V-3.VI.1908"), "1908-05-01/1908-06-03");
}

/// What a label's season covers is what the standard's number of it covers.
#[test]
fn a_season_covers_the_same_days_read_and_written() {
    for text in ["spring 1947", "summer 1947", "autumn 1947", "winter 1947"] {
        let found = find(text, DateRules::built_in());
        let read = found[0].best().unwrap();
        let written = Edtf::parse(&read.edtf).unwrap();
        assert_eq!((written.first, written.last), (Some(read.from.first()), Some(read.to.last())), "{text}");
    }
}

#[test]
fn a_time_of_day_is_kept_beside_the_date() {
    for (text, time) in [
        ("4 July 1993 20:30", "20:30"),
        ("4 July 1993, 2030 h", "20:30"),
        ("4 July 1993 21h30-23h00", "21:30/23:00"),
        ("4 July 1993 9 pm", "21:00"),
        ("4 July 1993 9.30 p.m.", "21:30"),
    ] {
        let reading = &find(text, DateRules::built_in())[0];
        assert_eq!(reading.time.as_ref().map(|t| t.iso.as_str()), Some(time), "{text}");
    }
    assert!(find("4 July 1993 12 specimens", DateRules::built_in())[0].time.is_none());
}

#[test]
fn places_are_counted_in_bytes_and_in_characters() {
    let reading = &find("Tärn Höhe 4.VII.1993", DateRules::built_in())[0];
    assert_eq!(reading.bytes, 12..22);
    assert_eq!(reading.chars, 10..20);
    assert_eq!(reading.verbatim, "4.VII.1993");
}

/// Numbers of a letter and three figures are common practice of collectors; the
/// dates stand as they may on labels.
#[test]
fn a_letter_and_three_figures_are_no_date_alone() {
    for number in
        ["V131", "No. V131", "V131, Tarn Head", "X112\nTarn Head", "V131 Noctua pronuba", "I118. Vell"]
    {
        assert_eq!(find(number, DateRules::built_in()), [], "{number}");
    }
    for (date, iso) in [
        ("V128-53", "1953-06-28"),
        ("V128.1953", "1953-06-28"),
        ("V128 1953", "1953-06-28"),
        ("V128-S3", "1953-06-28"),
        ("28.V153", "1953-06-28"),
    ] {
        let found = find(date, DateRules::built_in());
        assert_eq!(found.first().and_then(|r| r.best()).map_or("", |c| c.iso.as_str()), iso, "{date}");
    }
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn no_text_makes_the_finder_panic(text in any::<String>()) {
            for r in find(&text, DateRules::built_in()) {
                prop_assert_eq!(&text[r.bytes.clone()], &r.verbatim);
            }
            parse_one(&text, DateRules::built_in());
        }

        #[test]
        fn no_date_like_text_makes_the_finder_panic(text in "[0-9IVXlivx./,' \\-–&?JulyA-Cst\n♂°]{0,40}") {
            let mut end = 0;
            for r in find(&text, DateRules::built_in()) {
                prop_assert_eq!(&text[r.bytes.clone()], &r.verbatim);
                prop_assert!(r.bytes.start >= end);
                end = r.bytes.end;
                for c in &r.candidates {
                    prop_assert!(c.confidence >= 0.0 && c.confidence <= 1.0);
                    prop_assert!(c.from.first() <= c.to.last());
                }
            }
            parse_one(&text, DateRules::built_in());
        }

        #[test]
        fn written_dates_come_back(year in 1760_i16..2025, month in 1_u8..=12, day in 1_u8..=28, form in 0..5) {
            const ROMAN: [&str; 12] =
                ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"];
            let (m, r) = (MONTHS[usize::from(month)], ROMAN[usize::from(month) - 1]);
            let text = match form {
                0 => format!("{day} {m} {year}"),
                1 => format!("{m} {day}, {year}"),
                2 => format!("{day}.{r}.{year}"),
                3 => format!("{r}-{day}-{year}"),
                _ => format!("{year:04}-{month:02}-{day:02}"),
            };
            let wanted = format!("{year:04}-{month:02}-{day:02}");
            let found = find(&text, DateRules::built_in());
            prop_assert_eq!(found.len(), 1);
            prop_assert_eq!(&found[0].best().unwrap().iso, &wanted);
            prop_assert_eq!(parse_one(&text, DateRules::built_in()).iso(), wanted);
        }
    }
}
