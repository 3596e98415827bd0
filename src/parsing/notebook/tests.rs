use super::*;

fn rules() -> Rules {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/config");
    Rules::load(Some(&folder)).unwrap()
}

/// Number, date, place, and where date and place come from, an entry a line.
fn told(text: &str) -> String {
    let reading = Reading::from_text("page", text);
    let origin = |e: &Entry, term: &str| e.noted(term).map_or("none", |n| n.origin.word());
    entries(&reading, &rules())
        .iter()
        .map(|e| {
            format!(
                "{} {} {} {} {}\n",
                e.value("fieldNumber"),
                e.value("eventDate"),
                e.value("locality"),
                origin(e, "eventDate"),
                origin(e, "locality")
            )
        })
        .collect()
}

#[test]
fn a_date_and_a_place_go_on_until_they_change_and_say_so() {
    let page = "3 June 1968.  Skerrow Moss\nM.V. lamp, warm and still\nH68-41  Noctua pronuba  6\nH68-42  Apamea crenata\n\
                Moon late\n4 June.  Dunmere Bog, by day\nH68-43  Papestra biren\nKelda Bridge, from four\nH68-44  Biston betularia";
    assert_eq!(
        told(page),
        "H68-41 1968-06-03 Skerrow Moss read read\nH68-42 1968-06-03 Skerrow Moss inherited inherited\n\
         H68-43 1968-06-04 Dunmere Bog read read\nH68-44 1968-06-04 Kelda Bridge inherited read\n"
    );
}

#[test]
fn a_ditto_mark_repeats_what_stands_above_it_and_is_not_taken_for_read() {
    let page = "V131  14.vii.1962  Blackmire Rigg  E. caesiata\nV132       \"            \"         H. furcata\n\
                V133       \"       Tarnfoot        N. pronuba\nV134  15.vii.1962       \"        A. crenata\n\
                V135  do.  Skerrow Moss\nV136  A. gamma\nnothing more";
    assert_eq!(
        told(page),
        "V131 1962-07-14 Blackmire Rigg read read\nV132 1962-07-14 Blackmire Rigg ditto ditto\n\
         V133 1962-07-14 Tarnfoot ditto read\nV134 1962-07-15 Tarnfoot read ditto\n\
         V135 1962-07-15 Skerrow Moss ditto read\nV136 1962-07-15 Skerrow Moss inherited inherited\n"
    );
}

#[test]
fn plain_numbers_count_only_where_they_run_on() {
    let page = "Kelda Bridge, 21 April 1957\nSallows in flower\n88 Orthosia, six\n89 Saturnia pavonia\n90 Biston betularia\nand home";
    assert_eq!(told(page).lines().count(), 3, "{}", told(page));
    let counts = "Kelda Bridge, 21 April 1957\nSallows in flower\n6 Orthosia\n2 Saturnia pavonia\n14 Biston betularia\nand home";
    assert_eq!(told(counts), "");
}

#[test]
fn a_diary_without_numbers_has_an_entry_a_date() {
    let page = "3 June 1968. Skerrow Moss\npronuba common at the lamp\n4 June. Dunmere Bog\nbiren in the heather\n6 June. Brant Hill\nrain all day";
    assert_eq!(
        told(page),
        " 1968-06-03 Skerrow Moss read read\n 1968-06-04 Dunmere Bog read read\n 1968-06-06 Brant Hill read read\n"
    );
}

#[test]
fn a_place_in_running_text_heads_nothing() {
    let page = "3 June 1968. Skerrow Moss\nH68-1 Noctua pronuba\nVoss had it lately near Kelda Bridge on 9 May 1967\nH68-2 Apamea crenata\nrain\nhome";
    assert!(told(page).ends_with("H68-2 1968-06-03 Skerrow Moss inherited inherited\n"), "{}", told(page));
}

#[test]
fn labels_and_envelopes_are_no_pages() {
    let label = "Tarnshire\nSkerrow Moss\n12.vii.1974\nleg. E. M. Harrow\n\nNoctua pronuba L.\ndet. A. Voss 1975\nTVMS 00412";
    assert_eq!(told(label), "");
    let three = "Skerrow Moss\n1 July 1974\nH74-1\n\nDunmere Bog\n2 July 1974\nH74-2\n\nKelda Bridge\n3 July 1974\nH74-3";
    assert_eq!(told(three), "");
}

#[test]
fn what_is_crossed_out_is_passed_over_and_said() {
    let mut reading = Reading::from_text(
        "page",
        "8 May 1983. Wetherlathe\nH83-1 Eupithecia nanata\nH83-2 Noctua pronuba\n9 May 1983. Tarnfoot\nH83-2 Biston betularia\nH83-3 Autographa gamma",
    );
    reading.labels[0].lines[2].struck = vec![(0.0, 1.0)];
    let found = entries(&reading, &rules());
    let numbers: Vec<&str> = found.iter().map(|e| e.value("fieldNumber")).collect();
    assert_eq!(numbers, ["H83-1", "H83-2", "H83-3"]);
    assert_eq!(found[1].value("eventDate"), "1983-05-09");
    assert!(found[0].doubts.iter().any(|d| d.contains("crossed out")), "{:?}", found[0].doubts);
    assert_eq!(reading.labels[0].lines[2].text(), "H83-2 Noctua pronuba");
}

#[test]
fn letters_of_numbers_are_decided_over_the_page_and_figures_by_their_neighbours() {
    let mut reading = Reading::from_text(
        "page",
        "3 June 1968. Skerrow Moss\n468-41 Noctua pronuba\nH68-42 Apamea crenata\nH68-48 Xestia agathina\nH68-44 Papestra biren\nhome",
    );
    let first = &mut reading.labels[0].lines[1].chars[0];
    (first.confidence, first.alternatives) = (0.5, vec![('H', 0.4)]);
    let found = entries(&reading, &rules());
    let numbers: Vec<&str> = found.iter().map(|e| e.value("fieldNumber")).collect();
    assert_eq!(numbers, ["H68-41", "H68-42", "H68-43", "H68-44"]);
    assert_eq!(found[0].noted("fieldNumber").unwrap().field.verbatim, "468-41");
    assert!(found[2].doubts.iter().any(|d| d.contains("run on")), "{:?}", found[2].doubts);
}

#[test]
fn a_year_goes_on_from_its_heading_and_a_date_that_goes_back_is_doubted() {
    let page = "July 1991\n6 July. Dunmere Bog\nN91/1 Noctua pronuba\n4 July. Great Ummel\nN91/2 Autographa gamma\nrain";
    assert_eq!(
        told(page),
        "N91/1 1991-07-06 Dunmere Bog read read\nN91/2 1991-07-04 Great Ummel read read\n"
    );
    let found = entries(&Reading::from_text("page", page), &rules());
    assert!(found[1].doubts.iter().any(|d| d.contains("is before 1991-07-06")), "{:?}", found[1].doubts);
}

#[test]
fn a_day_read_as_letters_is_taken_as_figures_and_doubted() {
    let page = "S July 1959\nWetherlathe\nQ59-13 L. quercus\nQ59-14 S. pavonia\nrain\nhome";
    assert!(told(page).starts_with("Q59-13 1959-07-05 Wetherlathe read read\n"), "{}", told(page));
    let found = entries(&Reading::from_text("page", page), &rules());
    assert!(found[0].doubts.iter().any(|d| d.contains("S July 1959")), "{:?}", found[0].doubts);
}

#[test]
fn numbers_are_the_same_whatever_stands_between_their_parts() {
    for (a, b) in [("H74-118", "h 74/118"), ("H74-018", "H74-18"), ("K 7", "K-007"), ("0", "0")] {
        assert_eq!(number_key(a), number_key(b), "{a} {b}");
    }
    for (a, b) in [("H74-118", "H741-18"), ("H7", "H70"), ("K7", "K7a")] {
        assert_ne!(number_key(a), number_key(b), "{a} {b}");
    }
}

#[test]
fn of_the_demos_photographs_the_notebook_page_alone_is_a_page() {
    let file = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("samples-demo/expected.jsonl");
    let pages: Vec<String> = std::fs::read_to_string(file)
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap())
        .filter(|photo| !told(photo["text"].as_str().unwrap()).is_empty())
        .map(|photo| photo["image"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(pages, ["tarn-26-notebook.jpg"]);
}

#[test]
fn a_list_from_one_on_is_what_lies_in_an_envelope_until_a_second_day_stands_there() {
    let list = "Great Ummel, N. slope\n28.vi.1963 E. M. Harrow\n1. Entephria caesiata\n2. Papestra biren\n3. Lasiocampa quercus\non heather";
    assert_eq!(told(list), "");
    let page = format!("{list}\n29.vi.1963 Skerrow Moss\n4. Noctua pronuba");
    assert_eq!(told(&page).lines().count(), 4);
}
