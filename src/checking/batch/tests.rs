use super::*;
use std::fs;

const TABLE: &str = "\
catalogNumber,eventDate,country,decimalLatitude,decimalLongitude,individualCount
TVM 1,1993-07-04,,,,3
TVM 2,4.VII.1993,,,,1
TVM 3,31 June 1952,,,,1
TVM 4,5/6/1932,Norway,,,1
TVM 5,4-VII-93,,0,0,1
TVM 6,only four,fields,here
TVM 7,sometime,,,,many
TVM 8,2021-28-10,,,,1
";

fn options(folder: &Path, name: &str, text: &[u8]) -> BatchOptions {
    let file = folder.join(name);
    fs::write(&file, text).unwrap();
    BatchOptions { file, threads: 2, ..BatchOptions::default() }
}

fn check(options: &BatchOptions) -> (Summary, String) {
    let mut out = Vec::new();
    let summary = run(options, &mut out).unwrap();
    (summary, String::from_utf8(out).unwrap())
}

#[test]
fn a_table_is_checked_row_by_row_and_a_damaged_row_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let (summary, text) = check(&options(folder.path(), "moths.csv", TABLE.as_bytes()));
    assert_eq!((summary.rows, summary.damaged), (7, 1));
    assert_eq!(summary.damages, [(7, "has 4 fields where the header has 6".to_owned())]);
    let d = summary.dates;
    assert_eq!((d.standard, d.understood, d.impossible, d.unread), (1, 1, 2, 1));
    assert_eq!((d.open_order, d.open_century), (1, 1));
    for kind in [
        "date-impossible",
        "day-month-open",
        "century-open",
        "coordinates-zero",
        "date-unread",
        "count-not-a-number",
    ] {
        assert!(summary.kinds.contains_key(kind), "{kind}: {summary:?}");
    }
    assert!(summary.kinds["day-month-open"].examples[0].sentence.contains("1932-06-05 is assumed"));
    assert!(text.contains("row 4, TVM 3: The words give 31 June 1952, but June has 30 days."), "{text}");
    assert!(text.contains("row 7: has 4 fields"), "{text}");
}

#[test]
fn doubts_page_and_copy_are_written_beside_the_table() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| Some(folder.path().join(name));
    let options = BatchOptions {
        doubts: at("doubts.csv"),
        page: at("page.html"),
        amended: at("amended.csv"),
        ..options(folder.path(), "moths.csv", TABLE.as_bytes())
    };
    let (summary, _) = check(&options);
    assert_eq!(fs::read_to_string(&options.file).unwrap(), TABLE, "the table itself is untouched");
    let doubts = fs::read_to_string(folder.path().join("doubts.csv")).unwrap();
    assert!(doubts.starts_with("row,record,doubt,terms,sentence,weight\n"));
    assert!(doubts.contains("4,TVM 3,date-impossible,eventDate,"), "{doubts}");
    let copy = fs::read_to_string(folder.path().join("amended.csv")).unwrap();
    let lines: Vec<&str> = copy.lines().collect();
    assert_eq!(lines.len(), 9);
    assert!(lines[0].ends_with("individualCount,verbatimEventDate,doubts"), "{copy}");
    assert_eq!(lines[1], "TVM 1,1993-07-04,,,,3,,");
    assert_eq!(lines[2], "TVM 2,1993-07-04,,,,1,4.VII.1993,");
    assert_eq!(lines[4], "TVM 4,5/6/1932,Norway,,,1,,day-month-open");
    assert_eq!(lines[6], "TVM 6,only four,fields,here");
    assert!(lines[8].starts_with("TVM 8,2021-10-28,,,,1,2021-28-10,"), "{copy}");
    assert_eq!(summary.amended, Some(2));
    let page = fs::read_to_string(folder.path().join("page.html")).unwrap();
    assert!(page.contains("<svg") && page.contains("Rows by year") && page.contains("No such day"));
}

#[test]
fn the_table_is_never_written_over() {
    let folder = tempfile::tempdir().unwrap();
    let mut options = options(folder.path(), "moths.csv", TABLE.as_bytes());
    options.amended = Some(folder.path().join(".").join("moths.csv"));
    let error = run(&options, &mut Vec::new()).unwrap_err().to_string();
    assert!(error.contains("is the table that is being checked"), "{error}");
    assert_eq!(fs::read_to_string(&options.file).unwrap(), TABLE);
}

#[test]
fn columns_are_found_by_term_or_by_mapping() {
    let folder = tempfile::tempdir().unwrap();
    let table = "no;Date collected;http://rs.tdwg.org/dwc/terms/individualCount\n1;31 June 1952;x\n";
    let plain = options(folder.path(), "own.csv", table.as_bytes());
    let (summary, _) = check(&plain);
    assert!(
        !summary.kinds.contains_key("date-impossible") && summary.kinds.contains_key("count-not-a-number")
    );
    let mapped = BatchOptions { columns: vec!["eventDate=Date collected".into()], ..plain.clone() };
    assert!(check(&mapped).0.kinds.contains_key("date-impossible"));
    let wrong = BatchOptions { columns: vec!["eventDate=Day".into()], ..plain.clone() };
    let error = run(&wrong, &mut Vec::new()).unwrap_err().to_string();
    assert!(
        error.contains("has no column “Day” for eventDate") && error.contains("Date collected"),
        "{error}"
    );
    let unknown = BatchOptions { columns: vec!["colour=Day".into()], ..plain };
    assert!(run(&unknown, &mut Vec::new()).unwrap_err().to_string().contains("no Darwin Core term"));
}

#[test]
fn an_open_quotation_mark_costs_one_row_and_no_more() {
    let folder = tempfile::tempdir().unwrap();
    let with = |rows: &str| format!("catalogNumber,eventDate,locality,sex\n{rows}");
    let told = |name: &str, rows: &str| {
        let options = BatchOptions {
            amended: Some(folder.path().join("amended.csv")),
            ..options(folder.path(), name, with(rows).as_bytes())
        };
        let (summary, _) = check(&options);
        (summary.rows, summary.damages, fs::read_to_string(folder.path().join("amended.csv")).unwrap())
    };
    let open = |n: u64| format!("a quotation mark is not closed; has {n} fields");
    // Open to the end of the table.
    let (rows, damages, copy) =
        told("end.csv", "1,1993-07-04,Moss,male\n2,1993-07-05,\"Bog,male\n3,31 June 1952,Carr,male\n");
    assert_eq!((rows, damages), (2, vec![(3, open(3))]));
    let kept = "2,1993-07-05,\"Bog,male\"\n3,31 June 1952,Carr,male,,date-impossible\n";
    assert!(copy.ends_with(kept), "{copy}");
    // Closed by the next row's.
    let (rows, damages, _) = told(
        "next.csv",
        "2,1993-07-05,\"Bog,male\n3,1993-07-06,\"Carr, N\",male\n\n4,1993-07-07,Rigg,male\n5,only\n",
    );
    assert_eq!((rows, damages), (2, vec![(2, open(3)), (6, "has 2 fields where the header has 4".into())]));
    // Open in the last column: the fields would count up.
    let (rows, damages, _) = told("last.csv", "2,1993-07-05,Bog,\"male\n3,1993-07-06,Carr,male\n");
    assert_eq!((rows, damages), (1, vec![(2, open(4))]));
    // Longer than any row: thousands of rows behind it are still read.
    let mut long = String::from("2,1993-07-05,\"Bog,male\n");
    (0..60_000).for_each(|i| long.push_str(&format!("{i},1993-07-06,Carr and Rigg,male\n")));
    let (rows, damages, _) = told("long.csv", &long);
    assert_eq!((rows, damages), (60_000, vec![(2, open(3))]));
    // A field of several lines is sound.
    let (rows, damages, _) =
        told("sound.csv", "2,1993-07-05,\"Bog,\nby the gate\",male\n3,1993-07-06,Carr,male\n");
    assert_eq!((rows, damages), (2, vec![]));
    let (rows, damages, _) = told("sound.csv", "2,1993-07-05,Bog,\"a,b,c\nd,e,f,g\"\n");
    assert_eq!((rows, damages), (1, vec![]));
}

#[test]
fn a_table_the_check_cannot_use_is_refused_with_the_next_step() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |name: &str, bytes: &[u8]| {
        run(&options(folder.path(), name, bytes), &mut Vec::new()).unwrap_err().to_string()
    };
    assert!(refused("empty.csv", b"").contains("is empty"));
    assert!(refused("wide.csv", b"\xFF\xFEa\0").contains("UTF-16"));
    assert!(refused("other.csv", b"a,b\n1,2\n").contains("--column"));
    assert!(refused("not.zip", b"PK\x03\x04 damaged").contains("zip"));
    let gone = BatchOptions { file: folder.path().join("gone.csv"), ..BatchOptions::default() };
    assert!(run(&gone, &mut Vec::new()).unwrap_err().to_string().contains("cannot be opened"));
}

#[test]
fn json_lines_are_checked_and_copied() {
    let folder = tempfile::tempdir().unwrap();
    let lines = "{\"eventDate\":\"4.VII.1993\",\"weight\":1.10,\"individualCount\":2,\"remark\":\"ä\"}\n{broken\n\n{\"eventDate\":\"31 June 1952\"}\n";
    let mut options = options(folder.path(), "moths.jsonl", lines.as_bytes());
    options.amended = Some(folder.path().join("amended.jsonl"));
    let (summary, _) = check(&options);
    assert_eq!((summary.rows, summary.damaged), (2, 1));
    assert_eq!(summary.damages[0].0, 2);
    assert_eq!(summary.kinds["date-impossible"].examples[0].row, 4);
    let copy = fs::read_to_string(folder.path().join("amended.jsonl")).unwrap();
    let first: serde_json::Value = serde_json::from_str(copy.lines().next().unwrap()).unwrap();
    assert_eq!(first["eventDate"], "1993-07-04");
    assert_eq!(first["verbatimEventDate"], "4.VII.1993");
    assert_eq!(first["remark"], "ä");
    assert!(copy.contains("\"weight\":1.10,\"individualCount\":2,"), "{copy}");
    assert_eq!(copy.lines().nth(1), Some("{broken"));
}

#[test]
fn the_core_of_a_darwin_core_archive_is_checked() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("moths.zip");
    let mut zip = zip::ZipWriter::new(fs::File::create(&file).unwrap());
    let how = zip::write::SimpleFileOptions::default();
    zip.start_file("meta.xml", how).unwrap();
    zip.write_all(
        br#"<archive xmlns="http://rs.tdwg.org/dwc/text/"><core fieldsTerminatedBy="\t" fieldsEnclosedBy="" ignoreHeaderLines="1">
        <files><location>o.txt</location></files><id index="0"/>
        <field index="1" term="http://rs.tdwg.org/dwc/terms/eventDate"/></core></archive>"#,
    )
    .unwrap();
    zip.start_file("o.txt", how).unwrap();
    zip.write_all("id\teventDate\na\t1993-07-04\nb\t31 \"June 1952\nc\t31 June 1952\n".as_bytes()).unwrap();
    zip.finish().unwrap();
    let (summary, _) = check(&BatchOptions { file, ..BatchOptions::default() });
    assert_eq!((summary.rows, summary.dates.standard, summary.dates.impossible), (3, 1, 1), "{summary:?}");
}

#[test]
fn year_month_and_day_stand_in_for_a_date_and_are_held_against_one() {
    let folder = tempfile::tempdir().unwrap();
    let table = "eventDate,year,month,day\n,1993,7,4\n,1993,2,30\n1993-07-04,1993,7,5\n1993-07-04,1993,,\n";
    let (summary, _) = check(&options(folder.path(), "parts.csv", table.as_bytes()));
    assert_eq!((summary.dates.standard, summary.dates.impossible), (3, 1));
    let found = &summary.kinds["date-parts-disagree"];
    assert_eq!((found.count, found.examples[0].row), (1, 4));
    assert!(found.examples[0].sentence.contains("1993 / 7 / 5"));
}

#[test]
fn the_collectors_years_choose_an_open_century() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("people.toml"), "[people]\n\"P. Okonjo\" = { active = [2001, 2026] }\n")
        .unwrap();
    let table = "eventDate,recordedBy\n12-vii-07,P. Okonjo\n12-vii-87,P. Okonjo\n";
    let mut options = options(folder.path(), "moths.csv", table.as_bytes());
    options.config = Some(folder.path().to_owned());
    let (summary, _) = check(&options);
    let open = &summary.kinds["century-open"];
    assert!(open.examples[0].sentence.ends_with("2007 is assumed."), "{open:?}");
    assert_eq!(open.count, 2);
    let before = &summary.kinds["date-before-collector"];
    assert_eq!((before.count, before.examples[0].row), (1, 3));
    assert_eq!(summary.years.keys().collect::<Vec<_>>(), [&1987, &2007]);
}

#[test]
fn rows_stay_in_order_over_several_threads() {
    let folder = tempfile::tempdir().unwrap();
    let mut table = String::from("catalogNumber,eventDate\n");
    for i in 0..30_000 {
        table.push_str(&format!("{i},{}\n", ["4.VII.1993", "31 June 1952", "1993-07-04"][i % 3]));
    }
    let mut options = options(folder.path(), "many.csv", table.as_bytes());
    options.amended = Some(folder.path().join("amended.csv"));
    options.threads = 4;
    let (summary, _) = check(&options);
    assert_eq!((summary.rows, summary.amended), (30_000, Some(10_000)));
    let copy = fs::read_to_string(folder.path().join("amended.csv")).unwrap();
    for (i, line) in copy.lines().skip(1).enumerate() {
        assert!(line.starts_with(&format!("{i},")), "{i}: {line}");
    }
    assert_eq!(summary.kinds["date-impossible"].examples[0].row, 3);
}

#[test]
fn a_check_that_is_stopped_says_so_and_keeps_what_it_has() {
    let folder = tempfile::tempdir().unwrap();
    let options = options(folder.path(), "moths.csv", TABLE.as_bytes());
    let summary = run_until(&options, &AtomicBool::new(true), &mut Vec::new()).unwrap();
    assert!(summary.stopped);
}

mod properties {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_bytes_make_a_check_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let folder = tempfile::tempdir().unwrap();
            let mut table = b"eventDate,decimalLatitude,decimalLongitude,sex\n".to_vec();
            table.extend(bytes);
            let options = options(folder.path(), "x.csv", &table);
            prop_assert!(run(&options, &mut Vec::new()).is_ok());
        }
    }
}

#[test]
fn a_collection_remembers_what_was_said_of_columns() {
    let folder = tempfile::tempdir().unwrap();
    let moths = folder.path().join("moths");
    crate::catalogue::Catalogue::create(&moths).unwrap();
    let table = "no,Date collected,Bemerkung\n1,31 June 1952,x\n";
    let plain = BatchOptions {
        collection: Some(moths.clone()),
        ..options(folder.path(), "own.csv", table.as_bytes())
    };
    // Nothing is known of its columns yet.
    assert!(run(&plain, &mut Vec::new()).is_err());
    let said = BatchOptions { columns: vec!["eventDate=Date collected".into()], ..plain.clone() };
    let (summary, text) = check(&said);
    assert!(text.contains("columns as said: eventDate from “Date collected”"), "{text}");
    assert!(summary.kinds.contains_key("date-impossible"));
    // The next table with the same columns, in another order.
    let next = "Bemerkung\tno\tDate collected\ny\t2\t30 February 1961\n";
    let next = BatchOptions {
        collection: Some(moths.clone()),
        ..options(folder.path(), "next.tsv", next.as_bytes())
    };
    let (summary, text) = check(&next);
    assert!(text.contains("columns as last time: eventDate from “Date collected”"), "{text}");
    assert!(summary.kinds.contains_key("date-impossible"));
    // JSON Lines with the same keys are the same table.
    let lines = "{\"no\":3,\"Date collected\":\"31 April 1970\",\"Bemerkung\":\"z\"}\n";
    let lines =
        BatchOptions { collection: Some(moths), ..options(folder.path(), "n.jsonl", lines.as_bytes()) };
    assert!(check(&lines).0.kinds.contains_key("date-impossible"));
    let nowhere = BatchOptions { collection: Some(folder.path().into()), ..plain };
    let error = run(&nowhere, &mut Vec::new()).unwrap_err().to_string();
    assert!(error.contains("no collection folder") && error.contains("hint:"), "{error}");
}

#[test]
fn a_catalogue_number_given_twice_names_the_first_row_whatever_the_threads() {
    let folder = tempfile::tempdir().unwrap();
    let mut table = String::from("institutionCode,catalogNumber,eventDate\n");
    for i in 0..20_000 {
        // Every tenth repeats the number of seven rows before it, one of them in
        // another institution.
        let number = if i % 10 == 9 { i - 7 } else { i };
        let house = if i == 9 { "Fell Museum" } else { "TVM" };
        table.push_str(&format!("{house},M {number} ,1993-07-04\n"));
    }
    let mut options = options(folder.path(), "many.csv", table.as_bytes());
    options.doubts = Some(folder.path().join("doubts.csv"));
    let doubts = |options: &BatchOptions| {
        let (summary, _) = check(options);
        let found = &summary.kinds["catalogue-number-twice"];
        assert_eq!((found.count, summary.numbers), (1_999, None));
        assert_eq!(found.examples[0].row, 21);
        assert_eq!(found.examples[0].sentence, "The catalogue number M 12 is also that of row 14.");
        fs::read_to_string(folder.path().join("doubts.csv")).unwrap()
    };
    options.threads = 1;
    let one = doubts(&options);
    options.threads = 4;
    assert_eq!(one, doubts(&options));

    let config = folder.path().join("config");
    fs::create_dir(&config).unwrap();
    fs::write(config.join("checks.toml"), "[counts]\nnumbers = 5\n").unwrap();
    options.config = Some(config);
    let (summary, text) = check(&options);
    assert_eq!((summary.numbers, summary.kinds.len()), (Some(5), 0));
    assert!(text.contains("compared with the first 5 only"), "{text}");
}

#[test]
fn catalogue_numbers_of_json_lines_are_compared_too() {
    let folder = tempfile::tempdir().unwrap();
    let lines = "{\"catalogNumber\":7,\"eventDate\":\"1993\"}\n{broken\n{\"catalogNumber\":\"7\",\"eventDate\":\"1993\"}\n";
    let (summary, _) = check(&options(folder.path(), "moths.jsonl", lines.as_bytes()));
    let found = &summary.kinds["catalogue-number-twice"].examples[0];
    assert_eq!((found.row, found.sentence.as_str()), (3, "The catalogue number 7 is also that of row 1."));
}
