//! Dates where the reader was not sure of a character.
//!
//! The reader keeps what else a character may be (`7` or, hardly less likely,
//! `V`). Each of the likelier alternatives is put in its place, alone and two at
//! a time, and the dates are looked for again: a reading that makes a better date
//! wins over the likeliest characters, and one that makes another date becomes a
//! candidate. The probability of a date is that of its form and repairs
//! ([`super::dates`]) times that of its characters, over all dates that the words
//! may be.
//!
//! Left out: characters that the reader dropped or put in.

use super::dates::{self, DateCandidate, DateReading, DateRules, DateShape};
use super::flow::Flow;
use std::collections::HashMap;
use std::ops::Range;

/// An alternative counts from this share of the likeliest character on.
const LIKELY: f32 = 0.12;
/// Two alternatives at once count from this product of shares on.
const LIKELY_TWO: f32 = 0.2;
/// At most this many alternatives a label are tried.
const MOST: usize = 14;
/// Characters this near to a digit may be part of a date.
const NEAR: usize = 7;

/// The dates of a label, the reader's alternatives weighed. `text` is the flow's
/// text, or one with as many characters.
pub(super) fn find(flow: &Flow, text: &str, rules: &DateRules) -> Vec<DateReading> {
    let mut found = dates::find(text, rules);
    let options = options(flow, text);
    if options.is_empty() {
        return found;
    }
    let chars: Vec<char> = text.chars().collect();
    let mut tries: Vec<(Vec<(usize, char)>, f32)> =
        options.iter().map(|(i, c, share)| (vec![(*i, *c)], *share)).collect();
    for (a, one) in options.iter().enumerate() {
        for two in &options[a + 1..] {
            let share = one.2 * two.2;
            if one.0 != two.0 && one.0.abs_diff(two.0) <= 12 && share >= LIKELY_TWO {
                tries.push((vec![(one.0, one.1), (two.0, two.1)], share));
            }
        }
    }
    // What each stretch of words may be, by the date in full.
    let mut rivals: Vec<(DateReading, f32, (usize, char))> = Vec::new();
    for (changes, share) in tries {
        let mut other = chars.clone();
        for (i, c) in &changes {
            other[*i] = *c;
        }
        let other: String = other.into_iter().collect();
        for d in dates::find(&other, rules) {
            let touched = changes.iter().all(|(i, _)| d.chars.contains(i));
            if touched && matches!(d.shape, DateShape::Day | DateShape::Month) && !d.candidates.is_empty() {
                rivals.push((d, share, changes[0]));
            }
        }
    }
    for (rival, share, change) in rivals {
        let range = rival.chars.clone();
        let worth = |d: &DateReading, share: f32| {
            form(d) * share * d.candidates.iter().map(|c| c.confidence).sum::<f32>()
        };
        let overlaps: Vec<usize> = (0..found.len()).filter(|k| meets(&found[*k].chars, &range)).collect();
        match overlaps[..] {
            [] => {
                // A date where none was seen: it rests on the alternative alone.
                let mut d = rival;
                weigh(&mut d.candidates, share / (1.0 + share), change, &chars);
                d.repairs += 1.0 - share;
                found.push(d);
            }
            // `V111-6-50` is not `I-6-50` behind three strokes: a reading that
            // leaves out what belonged to a date to the day is none.
            [k] if found[k].shape == DateShape::Day
                && (range.start > found[k].chars.start || range.end < found[k].chars.end) => {}
            [k] => {
                let (own, other) = (worth(&found[k], 1.0), worth(&rival, share));
                let of = |part: f32| part / (own + other).max(1e-6);
                if found[k].candidates.is_empty() || finer(&rival, &found[k]) || other > own {
                    let mut d = rival;
                    let old = std::mem::replace(&mut found[k], {
                        let kept = of(other).max(0.05);
                        weigh(&mut d.candidates, kept, change, &chars);
                        d.repairs += 1.0 - share;
                        d
                    });
                    let lost = of(own);
                    merge(&mut found[k], old.candidates, lost);
                } else {
                    let mut more = rival.candidates;
                    weigh(&mut more, of(other), change, &chars);
                    let kept = of(own);
                    let before = found[k].candidates.len();
                    merge(&mut found[k], more, 1.0);
                    if found[k].candidates.len() > before {
                        // Only another date makes this one less sure.
                        for c in found[k].candidates.iter_mut().take(before) {
                            c.confidence *= kept;
                        }
                    }
                }
                found[k].candidates.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
            }
            _ => {}
        }
    }
    found.sort_by_key(|d| d.chars.start);
    found
}

/// How much likelier dates of a form are on labels than others (common
/// practice): a month in letters or roman is far more often met with than one in
/// figures.
fn form(d: &DateReading) -> f32 {
    match d.shape {
        DateShape::Day if d.verbatim.chars().any(char::is_alphabetic) => 1.0,
        DateShape::Day => 0.6,
        DateShape::Month => 0.5,
        _ => 0.1,
    }
}

/// Whether `a` says more than `b`: a day rather than a year alone.
fn finer(a: &DateReading, b: &DateReading) -> bool {
    a.shape == DateShape::Day && matches!(b.shape, DateShape::Year | DateShape::NoYear)
}

fn meets(a: &Range<usize>, b: &Range<usize>) -> bool {
    a.start < b.end && b.start < a.end
}

fn weigh(candidates: &mut [DateCandidate], by: f32, change: (usize, char), chars: &[char]) {
    for c in candidates {
        c.confidence *= by;
        let own = if c.why.is_empty() { "" } else { "; " };
        c.why = format!("{}{own}if “{}” was read for “{}”", c.why, chars[change.0], change.1);
    }
}

/// Adds candidates that say another date, their confidence times `by`.
fn merge(into: &mut DateReading, more: Vec<DateCandidate>, by: f32) {
    let mut known: HashMap<String, usize> =
        into.candidates.iter().enumerate().map(|(i, c)| (c.iso.clone(), i)).collect();
    for mut c in more {
        c.confidence *= by;
        if known.contains_key(&c.iso) || c.confidence < 0.03 {
            continue;
        }
        known.insert(c.iso.clone(), into.candidates.len());
        into.candidates.push(c);
    }
}

/// The likelier alternatives of characters near digits: where, what, and its
/// share of the likeliest character's probability.
fn options(flow: &Flow, text: &str) -> Vec<(usize, char, f32)> {
    let digits: Vec<usize> =
        text.chars().enumerate().filter(|(_, c)| c.is_ascii_digit()).map(|(i, _)| i).collect();
    let mut out = Vec::new();
    for i in 0..flow.chars.len() {
        let near = digits.iter().any(|d| d.abs_diff(i) <= NEAR);
        let Some((own, others)) = flow.alternatives(i).filter(|_| near) else { continue };
        for (c, p) in others {
            let share = p / own.max(0.05);
            let of_dates =
                c.is_ascii_digit() || "IVXivx-./".contains(*c) || c.is_ascii_alphabetic() && share > 0.3;
            if share >= LIKELY && of_dates && *c != flow.chars[i] {
                out.push((i, *c, share.min(1.0)));
            }
        }
    }
    out.sort_by(|a, b| b.2.total_cmp(&a.2));
    out.truncate(MOST);
    out
}

#[cfg(test)]
mod tests {
    use super::super::Rules;
    use crate::reading::Reading;

    /// A typed label in which one character has an alternative.
    fn parsed(text: &str, at: usize, own: f32, other: (char, f32)) -> (String, f32, Vec<String>) {
        let rules = Rules::load(None).unwrap();
        let mut reading = Reading::from_text("t", text);
        let line = text.lines().count() - 1;
        let c = &mut reading.labels[0].lines[line].chars[at];
        c.confidence = own;
        c.alternatives = vec![other];
        let parsed = super::super::parse(&reading, &rules);
        let field = parsed.field("eventDate").cloned();
        field.map_or((String::new(), 0.0, Vec::new()), |f| {
            (f.value, f.confidence, f.candidates.into_iter().map(|c| c.value).collect())
        })
    }

    #[test]
    fn a_likely_alternative_that_makes_a_better_date_wins() {
        let (value, sure, candidates) = parsed("Tarn Head\n7- 13 - 1939", 0, 0.28, ('V', 0.24));
        assert_eq!(value, "1939-05-13");
        assert!(candidates.contains(&"1939-07-13".to_owned()), "{candidates:?}");
        assert!(sure < 0.8, "{sure}");
    }

    #[test]
    fn an_unlikely_one_changes_nothing() {
        let (value, _, candidates) = parsed("Tarn Head\n7- 13 - 1939", 0, 0.97, ('V', 0.02));
        assert_eq!((value.as_str(), candidates.len()), ("1939-07-13", 0));
    }

    #[test]
    fn another_figure_is_a_candidate_beside_the_likeliest() {
        let (value, _, candidates) = parsed("Tarn Head\n4.VII.1958", 0, 0.6, ('9', 0.35));
        assert_eq!(value, "1958-07-04");
        assert!(candidates.contains(&"1958-07-09".to_owned()), "{candidates:?}");
    }

    #[test]
    fn a_date_may_appear_where_the_likeliest_characters_make_none() {
        let (value, sure, _) = parsed("Tarn Head\nX-30~38", 4, 0.4, ('-', 0.35));
        assert_eq!(value, "1938-10-30");
        let (_, clean, _) = parsed("Tarn Head\nX-30-38", 4, 1.0, ('-', 0.0));
        assert!(sure < clean, "{sure}, cleanly read {clean}");
    }
}
