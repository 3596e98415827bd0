//! Doubts after a person corrected a value: those that no longer hold leave the
//! list and are remembered, those about the new value come in.

mod common;

use common::{enter, folder, sample_rules};
use glassine::catalogue::{Catalogue, Change, Draft, event_term};
use glassine::pipeline::{Rules, check_again};
use glassine::reading::Reading;

const WHO: &str = "M. Orrin";

fn typed(catalogue: &Catalogue, rules: &Rules, name: &str, text: &str) -> i64 {
    enter(catalogue, rules, &Reading::from_text(name, text))
}

fn give(catalogue: &Catalogue, rules: &Rules, draft: i64, term: &str, value: &str) -> Draft {
    let change = Change { term: term.into(), value: value.into() };
    catalogue.change(draft, WHO, &[change], catalogue.draft(draft).unwrap().seen).unwrap();
    check_again(catalogue, rules, &[draft]).unwrap();
    catalogue.draft(draft).unwrap()
}

fn kinds(draft: &Draft) -> Vec<&str> {
    draft.doubts.iter().map(|d| d.kind.as_str()).collect()
}

/// June has 30 days.
#[test]
fn a_doubt_goes_with_the_value_that_it_was_about_and_comes_back_with_it() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let draft = typed(&catalogue, &rules, "one", "Tarn Head\n31.vi.1952, 9000 m\nleg. A. Vell");
    let before = catalogue.draft(draft).unwrap();
    assert!(kinds(&before).contains(&"date-impossible"), "{:?}", before.doubts);
    assert!(kinds(&before).contains(&"elevation-impossible"), "{:?}", before.doubts);
    let sentence = &before.doubts.iter().find(|d| d.kind == "date-impossible").unwrap().sentence;

    let after = give(&catalogue, &rules, draft, "eventDate", "1952-06-30");
    assert!(!kinds(&after).contains(&"date-impossible"), "{:?}", after.doubts);
    assert!(kinds(&after).contains(&"elevation-impossible"), "what still holds stays");
    assert!(after.weight < before.weight);
    let past = catalogue.past_doubts(draft).unwrap();
    assert_eq!(past.iter().map(|p| &p.0).collect::<Vec<_>>(), [sentence]);
    assert!(after.anew.is_empty());

    catalogue.undo(WHO).unwrap();
    check_again(&catalogue, &rules, &[draft]).unwrap();
    let back = catalogue.draft(draft).unwrap();
    assert!(kinds(&back).contains(&"date-impossible"));
    assert!((back.weight - before.weight).abs() < 1e-6);
    assert_eq!(catalogue.past_doubts(draft).unwrap().len(), 1, "history keeps that it was gone");
    assert!(catalogue.verify(|_, _| {}).unwrap().troubles.is_empty());
}

#[test]
fn a_value_that_a_person_gave_is_doubted_too_and_a_draft_is_no_neighbour_of_itself() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let first = typed(&catalogue, &rules, "one", "Tarn Head\n3.vi.1952\nleg. A. Vell");
    let after = give(&catalogue, &rules, first, "eventDate", "2952-06-03");
    let doubt = after.doubts.iter().find(|d| d.kind == "date-in-the-future").unwrap();
    assert_eq!(after.anew, *std::slice::from_ref(&doubt.sentence));
    let alone = give(&catalogue, &rules, first, "catalogNumber", "TVMS 00412");
    assert!(!kinds(&alone).contains(&"catalogue-number-twice"), "{:?}", alone.doubts);
    let second = typed(&catalogue, &rules, "two", "Mere End\n4.vi.1952\nleg. A. Vell");
    let twice = give(&catalogue, &rules, second, "catalogNumber", "TVMS 00412");
    assert_eq!(kinds(&twice).iter().filter(|k| k.contains("number")).count(), 1, "{:?}", twice.doubts);
    let other = give(&catalogue, &rules, second, "catalogNumber", "TVMS 00413");
    assert!(!kinds(&other).iter().any(|k| k.contains("number")), "{:?}", other.doubts);
}

#[test]
fn a_disagreement_with_the_notebook_goes_from_both_sides() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = "3 June 1968.  Skerrow Moss\nH68-41  Noctua pronuba\nH68-42\nH68-43\nH68-44\nH68-45";
    let page = typed(&catalogue, &rules, "page.jpg", page);
    let text = "No. H68-42\nSkerrow Moss\n9 July 1968\nleg. E. M. Harrow";
    let envelope = typed(&catalogue, &rules, "two.jpg", text);
    let differs = |draft: i64| kinds(&catalogue.draft(draft).unwrap()).contains(&"notebook-differs");
    assert!(differs(page) && differs(envelope));
    // Once on the envelope, once on the page.
    give(&catalogue, &rules, envelope, "eventDate", "1968-06-03");
    assert!(!differs(page) && !differs(envelope));
    catalogue.undo(WHO).unwrap();
    check_again(&catalogue, &rules, &[envelope]).unwrap();
    assert!(differs(page) && differs(envelope));
    give(&catalogue, &rules, page, &event_term(2, "eventDate"), "1968-07-09");
    assert!(!differs(page) && !differs(envelope));
}

/// An entry without a place has one once a person gave it.
#[test]
fn what_an_entry_lacked_is_no_doubt_once_it_is_given() {
    let rules = sample_rules();
    let (_place, catalogue) = folder();
    let page = typed(&catalogue, &rules, "page.jpg", "3 June 1968.\nH68-41\nH68-42\nH68-43\nH68-44\nH68-45");
    let lacks = |draft: &Draft, nth: u32| {
        draft
            .doubts
            .iter()
            .any(|d| d.sentence.starts_with(&format!("Entry {nth} ")) && d.sentence.contains("no place"))
    };
    let before = catalogue.draft(page).unwrap();
    assert!(lacks(&before, 1) && lacks(&before, 2), "{:?}", before.doubts);
    let after = give(&catalogue, &rules, page, &event_term(1, "locality"), "Skerrow Moss");
    assert!(!lacks(&after, 1) && lacks(&after, 2), "{:?}", after.doubts);
}
