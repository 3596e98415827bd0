//! Parts a stretch of lines into the labels it really is.
//!
//! Labels on one pin touch or overlap on a photograph, so that what was found as
//! one label may be three: the place, the collector, the determination. Narrow
//! lines (`pin_line` of `config/places.toml`) are parted where the words say so:
//! behind the collection's number, behind a collector's role word that ends a
//! statement, and around a determination with the name above it. Sheets and
//! envelopes are left whole.
//!
//! Left out: parting a host's or a type label, which other rules find anyway.

use super::flow::{Flow, Kind};
use super::persons;
use super::rules::{Key, Rules};
use super::taxa;
use crate::reading::{ReadLabel, Reading};
use std::ops::Range;

/// Whether the reading is of pin labels: short lines and no heading.
pub(crate) fn narrow(reading: &Reading, rules: &Rules) -> bool {
    reading.labels.iter().enumerate().all(|(i, label)| {
        let flow = Flow::new(i, label, 0..label.lines.len());
        flow.widest() <= rules.places.pin_line + 4
            && !flow.tokens.iter().enumerate().any(|(k, t)| {
                t.first && t.capital() && rules.headings.at(&flow, k, 0.1).is_some_and(|m| m.letters >= 5)
            })
    })
}

/// The lines of each part, in order; together all lines.
pub(crate) fn split(label: &ReadLabel, rules: &Rules) -> Vec<Range<usize>> {
    let count = label.lines.len();
    let flow = Flow::new(0, label, 0..count);
    let tokens_of = |line: usize| {
        let a = flow.tokens.partition_point(|t| t.line < line);
        let b = flow.tokens.partition_point(|t| t.line <= line);
        a..b
    };
    let mut cut = vec![false; count + 1];
    for line in 0..count {
        let tokens = tokens_of(line);
        if tokens.is_empty() {
            continue;
        }
        let text = label.lines[line].text();
        if rules.catalog.iter().any(|p| p.is_match(&text)) {
            cut[line + 1] = true;
        }
        let whole_line =
            |m: usize| flow.tokens[m.min(tokens.end)..tokens.end].iter().all(|t| t.kind == Kind::Mark);
        if line > 0
            && rules
                .after
                .at(&flow, tokens.start, 0.12)
                .is_some_and(|m| m.value == Key::Collector && whole_line(m.end))
        {
            cut[line + 1] = true;
        }
        let det = tokens.clone().find_map(|k| {
            let t = &flow.tokens[k];
            let slack = if t.first { 0.1 } else { 0.0 };
            let before = rules.before.at(&flow, k, slack).filter(|m| m.value == Key::Determiner);
            before
                .or_else(|| rules.after.at(&flow, k, slack).filter(|m| m.value == Key::Determiner && t.last))
                .map(|m| (k, m.end))
        });
        let Some((_, behind)) = det else { continue };
        if let Some(start) = name_above(&flow, rules, line, &tokens_of) {
            cut[start] = true;
        }
        let person_at =
            |k: usize, stop: usize| persons::at(&flow, rules, k, stop, true).is_some_and(|t| t.initials());
        let here = (behind..tokens.end).any(|k| person_at(k, tokens.end))
            || flow.tokens[tokens.end - 1].last
                && behind >= tokens.end
                && tokens.start + 1 < behind
                && person_at(tokens.start, tokens.end);
        let mut end = line + 1;
        if !here {
            for below in line + 1..(line + 3).min(count) {
                let t = tokens_of(below);
                if !t.is_empty() && person_at(t.start, t.end) {
                    end = below + 1;
                    break;
                }
            }
        }
        cut[end] = true;
    }
    let mut out = Vec::new();
    let mut start = 0;
    for (line, cut) in cut.iter().enumerate().skip(1) {
        if line == count || *cut {
            out.push(start..line);
            start = line;
        }
    }
    out
}

/// The line of the genus above a determination's `line`: a capitalised word
/// alone, with nothing but epithets, authors and years between.
fn name_above(
    flow: &Flow,
    rules: &Rules,
    line: usize,
    tokens_of: &dyn Fn(usize) -> Range<usize>,
) -> Option<usize> {
    let genus = |up: usize| {
        let tokens = tokens_of(up);
        let words: Vec<_> = flow.tokens[tokens.clone()].iter().filter(|t| t.kind == Kind::Word).collect();
        let role = rules.after.at(flow, tokens.start, 0.12).is_some()
            || rules.before.at(flow, tokens.start, 0.12).is_some();
        !role
            && words
                .first()
                .is_some_and(|w| w.capital() && taxa::generic(&rules.names, &taxa::cased(&w.text)) >= 0.5)
            && words[1..].iter().all(|w| !w.capital() || w.text.chars().count() == 1)
            && words.len() <= 3
            && !flow.tokens[tokens].iter().any(|t| t.is(',') || t.kind == Kind::Number && t.text.len() > 2)
    };
    for up in (line.saturating_sub(5)..line).rev() {
        let tokens = tokens_of(up);
        if tokens.is_empty() {
            continue;
        }
        if genus(up) {
            // Two capitalised words, a line each: the upper is the genus.
            let upper = up.checked_sub(1).filter(|u| {
                genus(*u) && flow.tokens[tokens_of(*u)].len() <= 2 && flow.tokens[tokens.clone()].len() <= 2
            });
            return Some(upper.unwrap_or(up));
        }
        let first = &flow.tokens[tokens.start];
        let words = flow.tokens[tokens.clone()].iter().filter(|t| t.kind == Kind::Word).count();
        let epithet = first.kind == Kind::Word && !first.capital();
        let author = flow.tokens[tokens.clone()].iter().any(|t| t.is('.') || t.is('&')) && words <= 4;
        let year = words == 0;
        let sign = first.text.chars().count() == 1 && words <= 1;
        // An epithet whose first letter was read as a capital.
        let misread = words == 1
            && first.text.chars().count() >= 5
            && rules.after.at(flow, tokens.start, 0.12).is_none();
        if !(epithet || author || year || sign || misread) {
            return None;
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts(text: &str) -> Vec<Range<usize>> {
        let rules = Rules::load(None).unwrap();
        let reading = Reading::from_text("t", text);
        split(&reading.labels[0], &rules)
    }

    #[test]
    fn labels_found_as_one_are_parted_by_their_words() {
        let text = "TVS 004,217\nTarn Head, 2 mi. N\nFell VII-4-54\nA. R. Vell\nCollector\nNoctua\npronuba L.\nDet. by '62\nB.Orr";
        assert_eq!(parts(text), [0..1, 1..5, 5..9]);
    }

    #[test]
    fn a_label_with_one_thing_to_say_stays_whole() {
        assert_eq!(parts("Tarn Head, 2 mi. N\nFell VII-4-54\nA. R. Vell"), vec![0..3; 1]);
        assert_eq!(parts("Noctua\npronuba L.\nDet. by\nB.Orr"), vec![0..4; 1]);
    }
}
