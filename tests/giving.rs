//! What is written out: whole, valid by the standards' own schemas, taken in
//! again without loss, and coarse where it must be.

mod common;

use common::{folder, take_in, type_in};
use glassine::catalogue::{Catalogue, Change, Mount};
use glassine::out::{self, CellSize, Coarsening, DatasetRules, SensitiveRules, Source};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::Command;

const WHO: &str = "M. Orrin";

fn change(term: &str, value: &str) -> Change {
    Change { term: term.into(), value: value.into() }
}

/// Settled lots with what is hard to write: quotes, commas, line breaks,
/// formulas, signs.
fn settle(catalogue: &Catalogue, count: usize) {
    for n in 0..count {
        let draft = if n % 2 == 0 { take_in(catalogue, n) } else { type_in(catalogue, n) };
        let mut changes = vec![
            change("decimalLatitude", &format!("54.3{n:02}27")),
            change("decimalLongitude", "-2.90843"),
            change("geodeticDatum", "WGS84"),
            change("habitat", "carr, \"wet\"; alder & birch <edge>"),
            change("individualCount", "3"),
        ];
        if n % 3 == 0 {
            changes.push(change("catalogNumber", &format!("TVMS-{n:05}")));
            changes.push(change("sex", "female"));
            changes.push(change("identifiedBy", "P. Okonjo"));
            changes.push(change("dateIdentified", "1994-02"));
        }
        if n == 1 {
            changes.push(change("locality", "=Mere End"));
            changes.push(change("eventRemarks", "first line\nsecond line"));
        }
        catalogue.settle(draft, WHO, &changes, None).unwrap();
        if n == 2 {
            // Named anew after it was settled.
            let seen = catalogue.draft(draft).unwrap().seen;
            let anew = [
                change("scientificName", "Noctua mutata"),
                change("identifiedBy", "L. Brandreth"),
                change("dateIdentified", "2001"),
            ];
            catalogue.change(draft, WHO, &anew, seen).unwrap();
        }
    }
}

fn dataset() -> DatasetRules {
    let folder = tempfile::tempdir().unwrap();
    let own = "title = \"Moths of the Tarn Valley & <beyond>\"\nabstract = \"Invented.\"\n\
               contact_given_name = \"Maud\"\ncontact_surname = \"Orrin\"\ncontact_email = \"maud@example.org\"\n";
    std::fs::write(folder.path().join("dataset.toml"), own).unwrap();
    DatasetRules::load(Some(folder.path())).unwrap()
}

fn today() -> jiff::civil::Date {
    jiff::civil::date(2026, 3, 14)
}

fn shared(file: &str) -> Option<PathBuf> {
    let shared = std::env::var_os("GLASSINE_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    let path = shared.join("standards").join(file);
    if !path.exists() {
        println!("skipped: {} is not there", path.display());
    }
    Some(path).filter(|p| p.exists())
}

fn unpacked(bytes: &[u8]) -> (tempfile::TempDir, BTreeMap<String, String>) {
    let place = tempfile::tempdir().unwrap();
    let mut zip = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
    let mut files = BTreeMap::new();
    for i in 0..zip.len() {
        let mut entry = zip.by_index(i).unwrap();
        let mut text = String::new();
        entry.read_to_string(&mut text).unwrap();
        let name = entry.name().unwrap().into_owned();
        std::fs::write(place.path().join(&name), &text).unwrap();
        files.insert(name, text);
    }
    (place, files)
}

fn table(text: &str) -> (Vec<String>, Vec<Vec<String>>) {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let head = reader.headers().unwrap().iter().map(str::to_owned).collect();
    let rows = reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect();
    (head, rows)
}

/// Runs xmllint; `None` where it is missing.
fn xmllint(args: &[&str], file: &Path) -> Option<(bool, String)> {
    match Command::new("xmllint").args(["--noout", "--nonet"]).args(args).arg(file).output() {
        Ok(done) => Some((done.status.success(), String::from_utf8_lossy(&done.stderr).into_owned())),
        Err(_) => {
            println!("skipped: xmllint is missing (./setup.sh tests installs it)");
            None
        }
    }
}

/// Checks that `file` is valid by our own statement of the standard's structure,
/// and that the check can fail: with `from` changed to `to` it is not.
fn structured(schema: &str, file: &Path, from: &str, to: &str) {
    let schema = format!("{}/tests/data/structure/{schema}", env!("CARGO_MANIFEST_DIR"));
    let Some((valid, said)) = xmllint(&["--schema", &schema], file) else { return };
    assert!(valid, "{said}");
    let text = std::fs::read_to_string(file).unwrap();
    assert!(text.contains(from), "{from} is not in {text}");
    let broken = file.with_extension("broken.xml");
    std::fs::write(&broken, text.replace(from, to)).unwrap();
    assert!(!xmllint(&["--schema", &schema], &broken).unwrap().0, "valid with {to} for {from}");
}

/// What a library of other people reads in `file` (tests/outside.py), as JSON;
/// `None` where it is not there. `GLASSINE_PYTHON` names another Python.
fn outside(kind: &str, file: &Path) -> Option<serde_json::Value> {
    let python = std::env::var("GLASSINE_PYTHON").unwrap_or_else(|_| "python3".into());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside.py");
    match Command::new(python).arg(script).arg(kind).arg(file).output() {
        Ok(done) if done.status.code() == Some(77) => {
            println!("skipped: {}", String::from_utf8_lossy(&done.stderr).trim());
            None
        }
        Ok(done) => {
            assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
            Some(serde_json::from_slice(&done.stdout).unwrap())
        }
        Err(e) => {
            println!("skipped: python3 cannot be run ({e})");
            None
        }
    }
}

/// python-dwca-reader, a library of other people, opens the archive and finds
/// every row, cell and extension.
#[test]
fn a_library_of_other_people_reads_the_archive() {
    let (_place, catalogue) = folder();
    settle(&catalogue, 8);
    let file = tempfile::Builder::new().suffix(".zip").tempfile().unwrap();
    out::archive(&catalogue, &dataset(), today(), file.reopen().unwrap()).unwrap();
    let Some(read) = outside("archive", file.path()) else { return };
    assert_eq!(read["core"], "Occurrence");
    assert_eq!(read["title"], "Moths of the Tarn Valley & <beyond>");
    let expected = rows(&catalogue);
    let got = read["rows"].as_array().unwrap();
    assert_eq!(got.len(), expected.len());
    for (got, expected) in got.iter().zip(&expected) {
        for (term, value) in expected {
            assert_eq!(got["cells"][term], *value, "{term}");
        }
        assert!(got["extensions"].as_array().unwrap().iter().any(|e| e == "Identification"), "{got}");
    }
}

/// DuckDB and Arrow read the Parquet file: the path of analysis beyond one
/// machine.
#[test]
fn duckdb_and_arrow_read_the_parquet_file() {
    let (_place, catalogue) = folder();
    settle(&catalogue, 8);
    let file = tempfile::Builder::new().suffix(".parquet").tempfile().unwrap();
    out::parquet(&catalogue, file.reopen().unwrap()).unwrap();
    let Some(read) = outside("parquet", file.path()) else { return };
    let expected = rows(&catalogue);
    let got = read["rows"].as_array().unwrap();
    assert_eq!(got.len(), expected.len());
    for (got, expected) in got.iter().zip(&expected) {
        assert_eq!(got.as_object().unwrap().len(), expected.len(), "{got}");
        for (term, value) in expected {
            match &got[term] {
                serde_json::Value::Number(number) => {
                    assert_eq!(number.as_f64(), value.parse().ok(), "{term}");
                }
                text => assert_eq!(text, value, "{term}"),
            }
        }
    }
    assert_eq!(read["types"]["decimalLatitude"], "double");
    let mut names: std::collections::BTreeMap<&str, u64> = Default::default();
    expected.iter().for_each(|r| *names.entry(r["scientificName"].as_str()).or_default() += 1);
    let counted = read["by_name"].as_array().unwrap();
    assert_eq!(counted.len(), names.len());
    for line in counted {
        assert_eq!(line[1], names[line[0].as_str().unwrap()], "{line}");
    }
}

#[test]
fn an_archive_is_valid_and_holds_every_row() {
    let (_place, catalogue) = folder();
    settle(&catalogue, 8);
    let mut bytes = Vec::new();
    assert_eq!(out::archive(&catalogue, &dataset(), today(), &mut bytes).unwrap(), 8);
    let (place, files) = unpacked(&bytes);
    assert_eq!(
        files.keys().map(String::as_str).collect::<Vec<_>>(),
        ["eml.xml", "identification.csv", "meta.xml", "multimedia.csv", "occurrence.csv"]
    );
    // The schema of the Darwin Core text guide, tdwg_dwc_text.xsd.
    if let Some(schema) = shared("tdwg_dwc_text.xsd") {
        let schema = schema.to_string_lossy().into_owned();
        if let Some((valid, said)) = xmllint(&["--schema", &schema], &place.path().join("meta.xml")) {
            assert!(valid, "{said}");
        }
        // The check can fail: a core without a field is not valid.
        let broken = files["meta.xml"].replace("<field ", "<feld ");
        std::fs::write(place.path().join("broken.xml"), broken).unwrap();
        if let Some((valid, _)) = xmllint(&["--schema", &schema], &place.path().join("broken.xml")) {
            assert!(!valid);
        }
    }
    // The specification of EML 2.2.0: a resource has a title that says something.
    let eml = place.path().join("eml.xml");
    structured("eml.xsd", &eml, "Moths of the Tarn Valley &amp; &lt;beyond&gt;", " ");
    structured("eml.xsd", &eml, "<pubDate>", "<series>x</series><pubDate>");
    assert!(files["eml.xml"].contains("<title>Moths of the Tarn Valley &amp; &lt;beyond&gt;</title>"));
    assert!(files["eml.xml"].contains("<calendarDate>1993-07-01</calendarDate>"));

    let (head, rows) = table(&files["occurrence.csv"]);
    assert_eq!(rows.len(), 8);
    // Every column is told of in meta.xml, in its place and under its address.
    for (i, term) in head.iter().enumerate() {
        let space =
            if term == "modified" { "http://purl.org/dc/terms/" } else { "http://rs.tdwg.org/dwc/terms/" };
        let field = format!("<field index=\"{i}\" term=\"{space}{term}\"/>");
        assert!(files["meta.xml"].contains(&field), "{field}");
    }
    let ids: Vec<&str> = rows.iter().map(|r| r[0].as_str()).collect();
    let (_, names) = table(&files["identification.csv"]);
    assert_eq!(names.len(), 9, "one was named twice");
    let anew: Vec<&[String]> = names.iter().filter(|r| r[0] == rows[2][0]).map(|r| &r[1..]).collect();
    assert_eq!(anew, [["Plusia vallis", "", ""], ["Noctua mutata", "L. Brandreth", "2001"]]);
    let cell = |term: &str| rows[2][head.iter().position(|h| h == term).unwrap()].as_str();
    assert_eq!((cell("scientificName"), cell("previousIdentifications")), ("Noctua mutata", "Plusia vallis"));
    let (_, media) = table(&files["multimedia.csv"]);
    assert_eq!(media.len(), 4, "every other lot has a photograph");
    assert!(names.iter().chain(&media).all(|r| ids.contains(&r[0].as_str())));
    assert!(media.iter().all(|r| r[2] == "image/png" && r[3].starts_with("photos/")));
    let locality = head.iter().position(|h| h == "locality").unwrap();
    assert_eq!(rows[1][locality], "=Mere End", "an archive is for programs");
}

#[test]
fn an_archive_without_title_or_licence_is_refused_with_the_file_to_write() {
    let error = DatasetRules::load(None).unwrap_err().to_string();
    assert!(error.contains("dataset.toml") && error.contains("title = "), "{error}");
    let folder = tempfile::tempdir().unwrap();
    let own = "title = \"x\"\ncontact_surname = \"y\"\nlicence = \"mine\"\n";
    std::fs::write(folder.path().join("dataset.toml"), own).unwrap();
    let error = DatasetRules::load(Some(folder.path())).unwrap_err().to_string();
    assert!(error.contains("`mine`") && error.contains("CC0-1.0"), "{error}");
}

/// All rows of a catalogue without the time they were changed.
fn rows(catalogue: &Catalogue) -> Vec<out::Row> {
    let mut all = Vec::new();
    Source::from(catalogue)
        .each(|_, rows| {
            all.extend(rows);
            Ok(())
        })
        .unwrap();
    for row in &mut all {
        row.remove("modified");
    }
    all
}

// Darwin Core, sex: one animal has one (https://dwc.tdwg.org/list/#dwc_sex).
#[test]
fn an_animal_whose_sex_nobody_told_has_none_of_a_lot_of_both() {
    let (_place, catalogue) = folder();
    for (n, sex) in ["male | female", "female"].into_iter().enumerate() {
        let changes = [change("sex", sex), change("individualCount", "2")];
        let draft = take_in(&catalogue, n);
        catalogue.settle(draft, WHO, &changes, None).unwrap();
        let lot = catalogue.draft(draft).unwrap().lot.unwrap();
        let mount = |number: &str, sex: &str| Mount { number: format!("{number}{n}"), sex: sex.into() };
        let mounts = [mount("TVMS 1", ""), mount("TVMS 2", "male")];
        catalogue.wait(catalogue.store().mount(lot, &mounts, WHO, "")).unwrap();
    }
    let sexes: Vec<Option<String>> = rows(&catalogue).iter().map(|r| r.get("sex").cloned()).collect();
    let told = |sex: &str| Some(sex.to_owned());
    assert_eq!(sexes, [None, told("male"), told("female"), told("male")]);
}

#[test]
fn what_was_written_out_is_taken_in_again_without_loss() {
    let (place, catalogue) = folder();
    settle(&catalogue, 9);
    let before = rows(&catalogue);
    let moths = place.path().join("moths");
    std::fs::write(
        moths.join("config/dataset.toml"),
        "title = \"Moths of the Tarn Valley\"\ncontact_surname = \"Orrin\"\n",
    )
    .unwrap();
    drop(catalogue);
    let glassine = |args: &[&Path]| {
        let done = Command::new(env!("CARGO_BIN_EXE_glassine")).args(args).output().unwrap();
        let said = String::from_utf8(done.stderr).unwrap();
        assert_eq!(done.status.code(), Some(0), "{said}");
        said
    };
    let p = Path::new;
    for (flag, file) in [("--csv", "moths.csv"), ("--jsonl", "moths.jsonl"), ("--archive", "moths.zip")] {
        let file = place.path().join(file);
        let said = glassine(&[p("write"), &moths, p(flag), &file]);
        assert!(said.contains("9 records"), "{said}");
        let again = place.path().join(format!("again{flag}"));
        glassine(&[p("new"), &again]);
        let said = glassine(&[p("add"), &again, p("--records"), &file]);
        assert!(said.contains("9 new drafts from records"), "{flag}: {said}");
        // A second time nothing is new, waiting or settled.
        let said = glassine(&[p("add"), &again, p("--records"), &file]);
        assert!(said.contains("0 new drafts from records") && said.contains("9 passed over"), "{said}");
        let taken = Catalogue::open(&again).unwrap();
        for draft in
            taken.drafts(&glassine::catalogue::Queue { in_order: true, ..Default::default() }, 99).unwrap()
        {
            assert!(draft.name.starts_with("moths."), "{}", draft.name);
            taken.settle(draft.id, WHO, &[], None).unwrap();
        }
        assert_eq!(rows(&taken), before, "{flag}");
        drop(taken);
        let said = glassine(&[p("add"), &again, p("--records"), &file]);
        assert!(said.contains("9 passed over"), "{said}");
        // Back into the collection it came from: all are there.
        let said = glassine(&[p("add"), &moths, p("--records"), &file]);
        assert!(said.contains("0 new drafts from records"), "{said}");
    }
}

#[test]
fn coarsened_records_give_no_place_away_in_any_format() {
    let (_place, catalogue) = folder();
    settle(&catalogue, 10);
    let rules = SensitiveRules {
        taxa: vec!["Plusia vallis".into()],
        places: vec!["Alder Ghyll".into()],
        ..SensitiveRules::load(None).unwrap()
    };
    let coarsening = Coarsening::new(CellSize::Kilometres(10.0), rules, false).unwrap();
    let from = Source { catalogue: &catalogue, coarsening: Some(&coarsening) };
    let mut files: Vec<(&str, String)> = Vec::new();
    let mut bytes = Vec::new();
    out::csv(from, &mut bytes).unwrap();
    files.push(("CSV", String::from_utf8(std::mem::take(&mut bytes)).unwrap()));
    out::jsonl(from, &mut bytes).unwrap();
    files.push(("JSON Lines", String::from_utf8(std::mem::take(&mut bytes)).unwrap()));
    out::archive(from, &dataset(), today(), &mut bytes).unwrap();
    files.push(("archive", unpacked(&bytes).1.into_values().collect()));

    let mut secret = Vec::new();
    let mut open = 0;
    let exact = Source::from(&catalogue);
    exact
        .each(|record, rows| {
            for row in rows {
                if coarsening.concerns(&row) {
                    secret.push(row["decimalLatitude"].clone());
                    secret.extend(record.photo.as_ref().map(|p| p.hash.clone()));
                } else {
                    open += 1;
                    assert!(files[0].1.contains(&row["decimalLatitude"]), "others stay exact");
                }
            }
            Ok(())
        })
        .unwrap();
    assert!(secret.len() >= 4 && open > 0, "{secret:?}");
    secret.push("Alder Ghyll".into());
    for (format, text) in &files {
        for word in &secret {
            assert!(!text.contains(word.as_str()), "{format} tells {word}");
        }
        assert!(text.contains("10 km grid"), "{format} does not say what was done");
    }
    // What is kept stays exact.
    assert!(rows(&catalogue).iter().all(|r| !r.contains_key("dataGeneralizations")));
}

#[test]
fn geojson_has_every_row_and_longitude_first() {
    let (_place, catalogue) = folder();
    settle(&catalogue, 3);
    let draft = type_in(&catalogue, 3);
    catalogue.settle(draft, WHO, &[], None).unwrap();
    let mut bytes = Vec::new();
    assert_eq!(out::geojson(&catalogue, &mut bytes).unwrap(), 4);
    let all: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    // RFC 7946: 3.3 the collection, 3.1.1 longitude before latitude, 3.2 a
    // feature without a place has a null geometry.
    assert_eq!(all["type"], "FeatureCollection");
    let features = all["features"].as_array().unwrap();
    assert_eq!(features.len(), 4);
    assert_eq!(features[0]["type"], "Feature");
    assert_eq!(features[0]["geometry"]["type"], "Point");
    assert_eq!(features[0]["geometry"]["coordinates"], serde_json::json!([-2.90843, 54.30027]));
    assert_eq!(features[0]["properties"]["locality"], "Tarn Head");
    assert!(features[3]["geometry"].is_null());
    assert_eq!(features[1]["id"], features[1]["properties"]["occurrenceID"]);
}

#[test]
fn an_empty_collection_gives_sound_files() {
    let (_place, catalogue) = folder();
    let mut bytes = Vec::new();
    assert_eq!(out::geojson(&catalogue, &mut bytes).unwrap(), 0);
    let all: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(all["features"].as_array().unwrap().len(), 0);
    let mut bytes = Vec::new();
    assert_eq!(out::parquet(&catalogue, &mut bytes).unwrap(), 0);
    assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"));
    let mut bytes = Vec::new();
    assert_eq!(out::archive(&catalogue, &dataset(), today(), &mut bytes).unwrap(), 0);
    assert_eq!(table(&unpacked(&bytes).1["occurrence.csv"]).1.len(), 0);
}

#[test]
fn parquet_gives_back_every_cell() {
    use parquet::file::reader::{FileReader, SerializedFileReader};
    use parquet::record::Field;
    let (_place, catalogue) = folder();
    settle(&catalogue, 5);
    let file = tempfile::NamedTempFile::new().unwrap();
    assert_eq!(out::parquet(&catalogue, file.reopen().unwrap()).unwrap(), 5);
    let reader = SerializedFileReader::new(file.reopen().unwrap()).unwrap();
    let mut expected = rows(&catalogue);
    for (row, expected) in reader.get_row_iter(None).unwrap().zip(&mut expected) {
        let row = row.unwrap();
        let mut got = out::Row::new();
        for (term, field) in row.get_column_iter().filter(|c| *c.0 != "modified") {
            match field {
                Field::Null => {}
                Field::Str(text) => drop(got.insert(term.clone(), text.clone())),
                Field::Double(number) => drop(got.insert(term.clone(), number.to_string())),
                other => panic!("{term}: {other:?}"),
            }
        }
        // The double of 54.30027 prints as it was written.
        assert_eq!(&got, expected);
    }
}

/// What is read of a photograph: two lines, one aslant, with a code.
fn reading() -> glassine::reading::Reading {
    use glassine::geometry::{Point, Quad};
    let (reading, _, _) = common::draft(0, common::facts(0, &common::png(0)));
    let mut reading = reading;
    // A line without a word is no line of ALTO.
    reading.labels[0].lines.push(glassine::reading::ReadLine::from_text(" "));
    let corners = [(80.0, 90.0), (720.0, 120.0), (718.0, 170.0), (78.0, 140.0)];
    reading.labels[0].lines[0].quad = Quad(corners.map(|(x, y)| Point::new(x, y)));
    reading.labels[0].lines[0].hand = Some(0.9);
    reading.codes.push(glassine::layout::Code {
        text: "TVMS \"00412\" <&>".into(),
        symbology: "DATA_MATRIX".into(),
        quad: Quad::upright(700.0, 400.0, 760.0, 460.0),
    });
    reading
}

/// Structure after the published schema of ALTO 4.2: the order of elements, what
/// an element must have, and identifiers that stand once.
#[test]
fn a_reading_as_alto_has_words_with_places_and_confidence() {
    let bytes = out::alto(&reading()).unwrap();
    let text = String::from_utf8(bytes.clone()).unwrap();
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join("alto.xml"), &bytes).unwrap();
    // The published schema of ALTO 4.2: a word has its content, a confidence is at
    // most 1, and an identifier stands once.
    let alto = place.path().join("alto.xml");
    structured("alto.xsd", &alto, "CONTENT=\"Noctua\" ", "");
    structured("alto.xsd", &alto, "WC=\"1.000\"", "WC=\"1.5\"");
    structured("alto.xsd", &alto, "ID=\"line1-2\"", "ID=\"line1-1\"");
    assert!(text.contains(r#"<OtherTag ID="says1""#) && text.contains(r#"TAGREFS="says1""#), "{text}");
    assert!(text.contains(r#"TYPE="DATA_MATRIX" LABEL="TVMS &quot;00412&quot; &lt;&amp;&gt;""#), "{text}");
    if let Some(schema) = shared("alto-4-2.xsd") {
        let schema = schema.to_string_lossy().into_owned();
        let (valid, said) = xmllint(&["--schema", &schema], &place.path().join("alto.xml")).unwrap();
        assert!(valid, "{said}");
    }
    let order = [
        "<Description>",
        "<MeasurementUnit>pixel",
        "<sourceImageInformation>",
        "<Layout>",
        "<Page ",
        "<PrintSpace ",
    ];
    let places: Vec<usize> = order.iter().map(|o| text.find(o).unwrap_or_else(|| panic!("{o}"))).collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(text.contains(r#"CONTENT="Noctua" WC="1.000""#), "{text}");
    let ids: Vec<&str> = text.split(" ID=\"").skip(1).map(|t| t.split('"').next().unwrap()).collect();
    assert_eq!(ids.iter().collect::<std::collections::BTreeSet<_>>().len(), ids.len());
    let read: Vec<&str> = text.split("CONTENT=\"").skip(1).map(|t| t.split('"').next().unwrap()).collect();
    let expected = reading().text();
    assert_eq!(read, expected.split_whitespace().collect::<Vec<_>>());
    // A word lies in its line: the slanted line's first word.
    let first = text.split("<String ").nth(1).unwrap();
    let number = |key: &str| -> f32 {
        first.split(&format!("{key}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
    };
    assert_eq!((number("HPOS"), number("VPOS")), (78.0, 90.0));
    assert!((number("WIDTH") - 640.0 * 6.0 / 13.0).abs() < 6.0, "{first}");
}

#[test]
fn a_reading_as_page_xml_is_valid_where_the_schema_is_there() {
    let bytes = out::page_xml(&reading(), "2026-03-14T10:20:30Z".parse().unwrap()).unwrap();
    let text = String::from_utf8(bytes.clone()).unwrap();
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join("page.xml"), &bytes).unwrap();
    // The published schema of PAGE 2019-07-15: an area has three points or more, its
    // coordinates stand before its text.
    let page = place.path().join("page.xml");
    structured("page.xsd", &page, "80,90 720,120 718,170 78,140", "80,90 720,120");
    structured("page.xsd", &page, "<Created>2026-03-14T10:20:30</Created>", "");
    structured("page.xsd", &page, "type=\"barcode\"", "type=\"code\"");
    structured("page.xsd", &page, "production=\"handwritten-cursive\"", "production=\"hand\"");
    // The schema of PAGE 2019-07-15 (PRImA, Apache 2.0).
    if let Some(schema) = shared("page-2019-07-15.xsd") {
        let schema = schema.to_string_lossy().into_owned();
        let (valid, said) = xmllint(&["--schema", &schema], &place.path().join("page.xml")).unwrap();
        assert!(valid, "{said}");
    }
    assert!(text.contains(r#"<Coords points="80,90 720,120 718,170 78,140"/>"#), "{text}");
    assert!(text.contains("<Created>2026-03-14T10:20:30</Created>"));
    assert!(text.contains("<Unicode>Noctua serena</Unicode>"));
    assert!(text.contains(r#"type="barcode" comments="TVMS &quot;00412&quot; &lt;&amp;&gt;""#), "{text}");
}
