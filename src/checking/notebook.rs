//! What a notebook page says of a field number beside what the envelope or pin
//! with that number says: what is the same, what one side lacks and may take from
//! the other, and what disagrees.

use super::{CheckRules, Doubt, Doubts};

/// The terms that are compared: of the notebook, and where the envelope has it.
const COMPARED: [(&str, &[&str]); 3] = [
    ("eventDate", &["eventDate"]),
    ("locality", &["locality", "verbatimLocality"]),
    ("scientificName", &["scientificName"]),
];

/// A place has at least this many letters: a field number alone on an envelope
/// (`H68-41`) and the sign before one (`No.`) are taken for places.
const PLACE_LETTERS: usize = 3;

/// How two sides stand to each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Beside {
    /// Both say the same.
    Same,
    /// The envelope lacks it; the notebook's value may be taken.
    Offered,
    /// The notebook lacks it.
    Lacking,
    /// They cannot both be right.
    Differs,
}

/// One term on both sides.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Compared {
    /// The Darwin Core term.
    pub term: &'static str,
    /// The term under which the envelope has it.
    pub theirs: &'static str,
    /// What the notebook says; may be empty.
    pub noted: String,
    /// What the envelope says; may be empty.
    pub has: String,
    /// How they stand to each other.
    pub beside: Beside,
}

/// Compares an entry of a notebook with an envelope or pin of its field number.
pub fn compare<'a>(noted: impl Fn(&str) -> &'a str, has: impl Fn(&str) -> &'a str) -> Vec<Compared> {
    COMPARED
        .iter()
        .filter_map(|(term, theirs)| {
            let theirs = theirs.iter().find(|t| !has(t).trim().is_empty()).copied().unwrap_or(theirs[0]);
            let (noted, mut has) = (noted(term).trim(), has(theirs).trim());
            if *term == "locality" && has.chars().filter(|c| c.is_alphabetic()).count() < PLACE_LETTERS {
                has = "";
            }
            let beside = match (noted.is_empty(), has.is_empty()) {
                (true, true) => return None,
                (false, true) => Beside::Offered,
                (true, false) => Beside::Lacking,
                _ if agree(term, noted, has) => Beside::Same,
                _ => Beside::Differs,
            };
            Some(Compared { term, theirs, noted: noted.into(), has: has.into(), beside })
        })
        .collect()
}

/// A doubt for each term in which `envelope` and the notebook page `page`
/// disagree about the field number `number`; both are named.
pub fn disagreements(
    compared: &[Compared],
    number: &str,
    page: &str,
    envelope: &str,
    rules: &CheckRules,
) -> Vec<Doubt> {
    let mut doubts = Doubts { list: Vec::new(), rules };
    for c in compared.iter().filter(|c| c.beside == Beside::Differs) {
        let what = match c.term {
            "eventDate" => "the date",
            "locality" => "the place",
            _ => "the name",
        };
        let sentence = format!(
            "Field number {number}: {what} is “{}” on the notebook page {page} and “{}” on {envelope}.",
            c.noted, c.has
        );
        doubts.add("notebook-differs", &[c.theirs], sentence);
    }
    doubts.list
}

fn agree(term: &str, noted: &str, has: &str) -> bool {
    match term {
        "eventDate" => {
            let (a, b) = (span(noted), span(has));
            a.0 <= b.1 && b.0 <= a.1
        }
        "scientificName" => same_name(noted, has),
        _ => same_place(noted, has),
    }
}

/// First and last day of an ISO 8601 date or interval, as texts that sort.
fn span(date: &str) -> (String, String) {
    let (from, to) = date.split_once('/').unwrap_or((date, date));
    // The end of an interval may leave out what it shares with the beginning.
    // A person may have typed anything: no cut within a letter.
    let shared = from.len().checked_sub(to.len()).and_then(|n| from.get(..n)).unwrap_or_default();
    let to = format!("{shared}{to}");
    // What is behind a shorter date sorts before the mark.
    (from.to_owned(), format!("{to}~"))
}

/// One names the other, or they are a letter or two apart.
fn same_place(a: &str, b: &str) -> bool {
    let words = |t: &str| {
        t.to_lowercase()
            .split(|c: char| !c.is_alphanumeric())
            .filter(|w| !w.is_empty())
            .collect::<Vec<_>>()
            .join(" ")
    };
    let (a, b) = (words(a), words(b));
    a.contains(&b)
        || b.contains(&a)
        || strsim::damerau_levenshtein(&a, &b) * 6 <= a.chars().count().min(b.chars().count())
}

/// The same epithets, and a genus that is the same or shortened; authors left out.
fn same_name(a: &str, b: &str) -> bool {
    let parts = |t: &str| -> (String, Vec<String>) {
        let mut words = t.split_whitespace();
        let genus = words.next().unwrap_or("").trim_end_matches('.').to_lowercase();
        let small = |w: &&str| w.chars().next().is_some_and(char::is_lowercase);
        (genus, words.take_while(small).map(str::to_owned).collect())
    };
    let ((ga, ea), (gb, eb)) = (parts(a), parts(b));
    let genus = ga.starts_with(&gb) || gb.starts_with(&ga);
    let shorter = ea.len().min(eb.len());
    genus && ea[..shorter] == eb[..shorter]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(noted: [&str; 3], has: [&str; 3]) -> Vec<(&'static str, Beside)> {
        let of = |values: [&'static str; 3]| {
            move |term: &str| {
                let at = COMPARED.iter().position(|c| c.0 == term);
                at.map_or("", |i| values[i])
            }
        };
        let leak = |v: [&str; 3]| v.map(|t| &*t.to_owned().leak());
        compare(of(leak(noted)), of(leak(has))).into_iter().map(|c| (c.term, c.beside)).collect()
    }

    #[test]
    fn what_one_side_lacks_is_offered_and_what_disagrees_is_told() {
        let noted = ["1968-06-03", "Skerrow Moss", "Noctua pronuba"];
        assert_eq!(
            beside(noted, ["", "Skerrow Moss, Tarnshire", "Noctua pronuba (Linnaeus, 1758)"]),
            [("eventDate", Beside::Offered), ("locality", Beside::Same), ("scientificName", Beside::Same)]
        );
        assert_eq!(
            beside(noted, ["1968-06-04", "Kelda Bridge", ""]),
            [
                ("eventDate", Beside::Differs),
                ("locality", Beside::Differs),
                ("scientificName", Beside::Offered)
            ]
        );
        // A number that was taken for a place is none.
        assert_eq!(beside(["", "Skerrow Moss", ""], ["", "H68-41", ""]), [("locality", Beside::Offered)]);
        assert_eq!(beside(["", "", ""], ["1968", "", ""]), [("eventDate", Beside::Lacking)]);
    }

    /// ISO 8601-1:2019, 5.5: the end of an interval may leave out what it shares.
    #[test]
    fn dates_that_can_be_one_day_agree() {
        for (a, b) in [
            ("1968-06-03", "1968-06"),
            ("1968", "1968-06-03"),
            ("1968-06-01/04", "1968-06-03"),
            ("1968-06-01/1968-06-04", "1968-06-04/05"),
        ] {
            assert!(agree("eventDate", a, b), "{a} {b}");
        }
        assert!(!agree("eventDate", "1968-06-01/02", "1968-06-03"));
        assert!(agree("scientificName", "N. pronuba", "Noctua pronuba L."));
        assert!(!agree("scientificName", "Noctua pronuba", "Noctua comes"));
        assert!(agree("locality", "Skerow Moss", "Skerrow Moss"));
        // Typed by a person, cut within a letter by no one.
        assert!(!agree("eventDate", "é/1", "1968-06-03"));
    }

    #[test]
    fn a_disagreement_names_both_sides() {
        let compared = compare(
            |t| if t == "eventDate" { "1968-06-03" } else { "" },
            |t| if t == "eventDate" { "1968-07-03" } else { "" },
        );
        let doubts = disagreements(&compared, "H68-41", "page-01.jpg", "tarn-02.jpg", CheckRules::built_in());
        assert_eq!(
            doubts[0].sentence,
            "Field number H68-41: the date is “1968-06-03” on the notebook page page-01.jpg and “1968-07-03” on tarn-02.jpg."
        );
        assert!(doubts[0].weight > 0.0);
    }
}
