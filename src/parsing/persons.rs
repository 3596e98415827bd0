//! Names of people: one, or a team.
//!
//! Takes tokens of a label; gives persons with given names and surname apart.
//! Knows initials (`J.R.Powers`, `C T Dodds`), given names, titles, particles
//! (`de`, `van`), shared surnames (`H. & V. Bailey`, `Dr. & Mrs. A. Vell`) and
//! teams joined by `&`, `and` or commas. Whether they collected or determined is
//! decided by who calls.
//!
//! Left out: surnames first without a comma, names in capitals of one letter.

use super::flow::{Flow, Kind};
use super::gazetteer::squash;
use super::rules::{Persons, Rules};
use super::taxa;
use std::ops::Range;

/// One person.
#[derive(Clone, Debug, PartialEq)]
pub struct Person {
    /// The name written plainly: `J. R. Powers`.
    pub name: String,
    /// The surname.
    pub surname: String,
    /// Whether an initial or a given name stands before the surname.
    pub given: bool,
    /// Whether there is an initial, which hardly anything but a person has.
    pub initial: bool,
}

/// Persons and the tokens they take.
#[derive(Clone, Debug, PartialEq)]
pub struct Team {
    /// The persons; never empty.
    pub persons: Vec<Person>,
    /// The tokens.
    pub tokens: Range<usize>,
    /// Whether `et al.` or the like stands behind.
    pub others: bool,
}

impl Team {
    /// Whether every person has more than a surname.
    pub fn full(&self) -> bool {
        self.persons.iter().all(|p| p.given)
    }

    /// Whether some person has an initial.
    pub fn initials(&self) -> bool {
        self.persons.iter().any(|p| p.initial)
    }

    /// The persons as Darwin Core writes them.
    pub fn value(&self) -> String {
        let mut names: Vec<&str> = Vec::new();
        for p in &self.persons {
            if !names.contains(&p.name.as_str()) {
                names.push(&p.name);
            }
        }
        names.join(" | ")
    }
}

#[derive(Default)]
struct Half {
    title: Option<String>,
    given: Vec<String>,
    initial: bool,
    end: usize,
}

/// The team that starts at token `i` and ends at or before token `stop`.
/// `loose` takes a bare surname (beside a word that says it is a person).
pub fn at(flow: &Flow, rules: &Rules, i: usize, stop: usize, loose: bool) -> Option<Team> {
    let words = &rules.persons;
    let stop = stop.min(flow.tokens.len());
    let (mut persons, mut pos) = (Vec::new(), i);
    let mut pending: Vec<Half> = Vec::new();
    let mut end = i;
    let mut others = false;
    loop {
        let half = half(flow, words, pos, stop);
        // A person on the next line, or behind a mere comma, must look like one.
        let by_line = pos > i && flow.tokens.get(pos).is_some_and(|t| t.first) && !joined(flow, words, pos);
        let by_comma = pos > i && flow.tokens[pos - 1].is(',');
        if (by_line || by_comma) && !half.initial && half.title.is_none() {
            break;
        }
        // An initial at the start of the next line is another person's.
        let found = surname(flow, words, half.end, stop);
        match found {
            Some((last, next))
                if half.given.is_empty() && half.title.is_none() && !loose && pending.is_empty() =>
            {
                let _ = (last, next);
                break;
            }
            Some((last, next)) => {
                // `H. & V. Bailey`: the first shares the surname of the second.
                for before in pending.drain(..) {
                    persons.push(person(&before, &last, &half));
                }
                persons.push(person(&half, &last, &half));
                end = next;
                pos = next;
            }
            None if half.end > pos && pending.is_empty() && persons.is_empty() => {
                // Only initials or a title so far: a joiner must follow.
                pos = half.end;
                pending.push(half);
            }
            // `Stephen & Sandra Talbot` comes here only by way of a joiner.
            None => break,
        }
        if let Some(m) = joined_others(flow, words, pos, stop) {
            others = true;
            end = m;
            break;
        }
        let Some(next) = joiner(flow, words, pos, stop) else { break };
        pos = next;
    }
    if persons.is_empty() {
        return None;
    }
    let mut team = Team { persons, tokens: i..end, others };
    share_given(flow, words, &mut team);
    Some(team)
}

/// `Stephen & Sandra Talbot`: a lone first word before a full name shares its
/// surname.
fn share_given(flow: &Flow, words: &Persons, team: &mut Team) {
    if team.persons.len() < 2 || team.persons[0].given || !team.persons[1].given || team.persons[1].initial {
        return;
    }
    let i = team.tokens.start;
    let amp =
        flow.tokens.get(i + 1).is_some_and(|t| words.joiners.contains(&t.text) && !t.is(',') && !t.is(';'));
    // The first of a pair of surnames is no shared given name: there the second
    // has no given name either.
    if amp && flow.tokens[i].text.chars().count() > 1 {
        let given = team.persons[0].surname.clone();
        let surname = team.persons[1].surname.clone();
        team.persons[0] = Person { name: format!("{given} {surname}"), surname, given: true, initial: false };
    }
}

fn person(half: &Half, last: &str, full: &Half) -> Person {
    let mut given = half.given.clone();
    // `Dr. & Mrs. A. J. Sharp`: the initials stand with the second only.
    if given.is_empty() && half.title.is_some() {
        given = full.given.clone();
    }
    let mut name = given.join(" ");
    if !name.is_empty() {
        name.push(' ');
    }
    name.push_str(last);
    if let Some(title) = &half.title {
        name = format!("{title}. {name}");
    }
    Person { surname: last.to_owned(), given: !given.is_empty(), initial: half.initial || full.initial, name }
}

fn half(flow: &Flow, words: &Persons, mut i: usize, stop: usize) -> Half {
    let mut out = Half::default();
    let point = |i: usize| if i < stop && flow.tokens[i].is('.') { i + 1 } else { i };
    while i < stop && out.title.is_none() && out.given.is_empty() {
        let t = &flow.tokens[i];
        let dotted = flow.tokens.get(i + 1).is_some_and(|n| n.is('.'));
        if t.capital() && words.titles.contains(&squash(&t.text)) && (dotted || t.text.chars().count() > 1) {
            out.title = Some(t.text.clone());
            i = point(i + 1);
        } else {
            break;
        }
    }
    while i < stop {
        let t = &flow.tokens[i];
        // Initials do not go on in the next line: that is the next person.
        if t.kind != Kind::Word || !t.capital() || t.first && !out.given.is_empty() {
            break;
        }
        let letters = t.text.chars().count();
        let upper = t.text.chars().all(char::is_uppercase);
        let dotted = flow.tokens.get(i + 1).is_some_and(|n| n.is('.') && i + 1 < stop);
        if letters == 1 {
            out.given.push(format!("{}.", t.text));
            out.initial = true;
            i = point(i + 1);
            // `J.-P.`
            if i + 1 < stop
                && flow.tokens[i].is('-')
                && flow.tokens[i + 1].text.chars().count() == 1
                && !flow.tokens[i + 1].spaced
            {
                out.given.push(format!("{}.", flow.tokens[i + 1].text));
                i = point(i + 2);
            }
            continue;
        }
        // Two or three capitals before a surname: initials run together.
        let next = flow.tokens.get(i + 1).filter(|n| i + 1 < stop && n.kind == Kind::Word);
        if letters <= 3
            && upper
            && !dotted
            && out.given.is_empty()
            && next.is_some_and(|n| {
                n.capital() && n.text.chars().any(char::is_lowercase) && n.text.chars().count() > 2
            })
            && !words.never.contains(&squash(&t.text))
        {
            out.given.extend(t.text.chars().map(|c| format!("{c}.")));
            out.initial = true;
            i += 1;
            continue;
        }
        // A given name: a capitalised word with another name behind it.
        let name_behind = next.is_some_and(|n| {
            (n.capital() && (n.text.chars().count() == 1 || !words.never.contains(&squash(&n.text))))
                || words.particles.contains(&n.text)
        });
        let abbreviated = dotted
            && letters <= 5
            && flow.tokens.get(i + 2).is_some_and(|n| i + 2 < stop && n.capital() && n.line == t.line);
        if !out.initial
            && out.given.len() < 2
            && !words.never.contains(&squash(&t.text))
            && ((name_behind && !dotted) || abbreviated)
            && next.is_none_or(|n| n.line == t.line)
            && !words.particles.contains(&t.text)
        {
            out.given.push(if abbreviated { format!("{}.", t.text) } else { cased(&t.text) });
            i = if abbreviated { i + 2 } else { i + 1 };
            continue;
        }
        break;
    }
    out.end = i;
    out
}

fn cased(word: &str) -> String {
    if word.chars().count() > 2 && word.chars().all(|c| c.is_uppercase() || !c.is_alphabetic()) {
        taxa::cased(word)
    } else {
        word.to_owned()
    }
}

fn surname(flow: &Flow, words: &Persons, mut i: usize, stop: usize) -> Option<(String, usize)> {
    let mut name = String::new();
    while i < stop && words.particles.contains(&flow.tokens[i].text) && i + 1 < stop {
        let next = &flow.tokens[i + 1];
        if !(next.kind == Kind::Word && (next.capital() || words.particles.contains(&next.text))) {
            break;
        }
        name.push_str(&flow.tokens[i].text);
        if next.spaced {
            name.push(' ');
        }
        i += 1;
    }
    let t = flow.tokens.get(i).filter(|_| i < stop)?;
    if t.kind != Kind::Word
        || !t.capital()
        || t.text.chars().count() < 2
        || words.never.contains(&squash(&t.text))
    {
        return None;
    }
    // A person's thing (`Vell's bequest`), or what a year by hand was read as (`'5`).
    name.push_str(&cased(t.text.strip_suffix("'s").unwrap_or(&t.text)));
    i += 1;
    // `MacSwain` and `O'Hara` cut in two, and double surnames with a hyphen.
    while i + 1 < stop
        && flow.tokens[i].is('-')
        && !flow.tokens[i].spaced
        && flow.tokens[i + 1].capital()
        && !flow.tokens[i + 1].spaced
    {
        name.push('-');
        name.push_str(&flow.tokens[i + 1].text);
        i += 2;
    }
    if i < stop
        && flow.tokens[i].is(',')
        && flow.tokens.get(i + 1).is_some_and(|n| i + 1 < stop && words.suffixes.contains(&n.text))
    {
        i += 2;
        if i < stop && flow.tokens[i].is('.') {
            i += 1;
        }
    } else if i < stop && words.suffixes.contains(&flow.tokens[i].text) && flow.tokens[i].line == t.line {
        i += 1;
        if i < stop && flow.tokens[i].is('.') {
            i += 1;
        }
    }
    Some((name, i))
}

fn joiner(flow: &Flow, words: &Persons, i: usize, stop: usize) -> Option<usize> {
    let t = flow.tokens.get(i).filter(|_| i < stop)?;
    if words.joiners.contains(&t.text)
        || (t.kind == Kind::Word && words.joiners.contains(&t.text.to_lowercase()) && !t.capital())
    {
        // `Vell, & Orr`
        let next = flow.tokens.get(i + 1).filter(|_| i + 1 < stop);
        if t.is(',') && next.is_some_and(|n| words.joiners.contains(&n.text) && !n.is(',')) {
            return Some(i + 2);
        }
        return Some(i + 1);
    }
    // Under each other, a person a line.
    (t.first && i > 0).then_some(i)
}

/// Whether a joiner (other than a comma) stands before token `i`.
fn joined(flow: &Flow, words: &Persons, i: usize) -> bool {
    i > 0 && !flow.tokens[i - 1].is(',') && words.joiners.contains(&flow.tokens[i - 1].text)
}

fn joined_others(flow: &Flow, words: &Persons, i: usize, stop: usize) -> Option<usize> {
    let skip = if flow.tokens.get(i).is_some_and(|t| t.is(',') || t.is('&')) { i + 1 } else { i };
    let m = words.others.at(flow, skip, 0.0)?;
    (m.end <= stop).then_some(m.end)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    fn team(text: &str, loose: bool) -> Option<String> {
        let rules = Rules::load(None).unwrap();
        let reading = Reading::from_text("t", text);
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        at(&flow, &rules, 0, flow.tokens.len(), loose).map(|t| t.value())
    }

    #[test]
    fn initials_with_points_or_without() {
        assert_eq!(team("A.R.Vell", false).unwrap(), "A. R. Vell");
        assert_eq!(team("A R Vell", false).unwrap(), "A. R. Vell");
        assert_eq!(team("AR Vell", false).unwrap(), "A. R. Vell");
        assert_eq!(team("O. C. La Fell", false).unwrap(), "O. C. La Fell");
        assert_eq!(team("ADA VELL", false).unwrap(), "Ada Vell");
    }

    #[test]
    fn teams_and_shared_surnames() {
        assert_eq!(team("A. Vell & B. Orr", false).unwrap(), "A. Vell | B. Orr");
        assert_eq!(team("A. & B. Vell", false).unwrap(), "A. Vell | B. Vell");
        assert_eq!(team("Ada & Bern Vell", true).unwrap(), "Ada Vell | Bern Vell");
        assert_eq!(
            team("Dr. & Mrs. A. J. Vell, B. Orr & C. Tarn", false).unwrap(),
            "Dr. A. J. Vell | Mrs. A. J. Vell | B. Orr | C. Tarn"
        );
        assert_eq!(team("A. Vell\nB. C. Orr", false).unwrap(), "A. Vell | B. C. Orr");
        assert_eq!(team("Ada Vell and Bern Orr", false).unwrap(), "Ada Vell | Bern Orr");
    }

    #[test]
    fn a_bare_surname_needs_a_word_that_says_so() {
        assert_eq!(team("Vell", false), None);
        assert_eq!(team("Vell", true).unwrap(), "Vell");
        assert_eq!(team("12 miles", true), None);
    }
}
