//! The statement of place, and what is said of the habitat.
//!
//! Takes labels whose dates, numbers, persons and names are claimed; gives what
//! is left as a statement of place or of habitat. Behind a printed key the words
//! are taken as they stand; elsewhere they are cut into phrases at punctuation
//! and each is weighed: distances, directions and names speak for a place, words
//! for rock, soil and plants for a habitat, and what follows coordinates is more
//! often habitat. On pin labels the whole statement is kept, on envelopes and
//! sheets the names of county, state and country are left to their own fields
//! (`config/places.toml`, `[locality]`).
//!
//! Left out: telling a microhabitat from a habitat.

use super::assemble::{Label, Use, is_place};
use super::flow::Kind;
use super::gazetteer::{Rank, squash};
use super::geography::{Decision, Evidence};
use super::rules::{Key, Rules};
use std::ops::Range;

/// What `write` calls for each find: flow, term, ranges, value, certainty, note.
type Push<'a> = &'a mut dyn FnMut(usize, &'static str, Vec<Range<usize>>, String, f32, String);

/// Marks at the ends of a phrase that are no part of it.
const ENDS: &str = ",;:.-*/& ";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum What {
    Place,
    Habitat,
    Region,
    Unknown,
}

#[derive(Debug)]
struct Phrase {
    flow: usize,
    tokens: Range<usize>,
    what: What,
    /// Whether a hard break stands before it.
    fresh: bool,
}

pub(crate) fn write(
    labels: &mut [Label],
    rules: &Rules,
    evidence: &[Evidence],
    decision: &Decision,
    push: Push,
) {
    let mut geo: Vec<Vec<Option<Rank>>> = labels.iter().map(|l| vec![None; l.flow.tokens.len()]).collect();
    for e in evidence {
        if let Some(rank) = is_place(e, decision) {
            for k in e.tokens.clone() {
                geo[e.flow][k] = Some(rank);
            }
        }
    }
    keyed_habitat(labels, push);
    let done = keyed(labels, &geo, push);
    let sheet = labels
        .iter()
        .any(|l| l.flow.widest() > rules.places.pin_line + 4 || l.used.contains(&Some(Use::Heading)));
    if !done {
        if sheet {
            phrases(labels, rules, &geo, push);
        } else {
            whole(labels, rules, &geo, push);
        }
    }
    for (l, label) in labels.iter_mut().enumerate() {
        for (used, geo) in label.used.iter_mut().zip(&geo[l]) {
            if geo.is_some() && used.is_none() {
                *used = Some(Use::Place);
            }
        }
    }
}

fn text_of(label: &Label, ranges: &[Range<usize>]) -> String {
    ranges.iter().map(|r| label.flow.slice(r.clone())).collect::<Vec<_>>().join(" ")
}

/// Runs of usable tokens in `tokens`, as character ranges without stray marks.
fn runs(label: &Label, tokens: Range<usize>, usable: &dyn Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut out = Vec::new();
    let mut i = tokens.start;
    while i < tokens.end {
        if !usable(i) {
            i += 1;
            continue;
        }
        let start = i;
        while i < tokens.end && usable(i) {
            i += 1;
        }
        let chars = label.flow.tokens[start].range.start..label.flow.tokens[i - 1].range.end;
        let chars = label.flow.trim(chars, ENDS);
        let letters = label.flow.slice(chars.clone()).chars().filter(|c| c.is_alphanumeric()).count();
        if letters >= 2 || letters == 1 && !out.is_empty() {
            // A full stop that ends a shortened word belongs to it.
            let dot = label.flow.chars.get(chars.end) == Some(&'.')
                && label
                    .flow
                    .within(&(chars.clone()))
                    .last()
                    .is_some_and(|t| label.flow.tokens[t].text.chars().count() <= 4);
            out.push(chars.start..chars.end + usize::from(dot));
        }
    }
    out
}

fn keyed_habitat(labels: &mut [Label], push: Push) {
    for (l, label) in labels.iter_mut().enumerate() {
        let found: Vec<Range<usize>> = label
            .marks
            .iter()
            .filter(|m| m.key == Key::Habitat && !m.content.is_empty())
            .map(|m| m.content.clone())
            .collect();
        let mut ranges = Vec::new();
        for content in &found {
            ranges
                .extend(runs(label, content.clone(), &|k| matches!(label.used[k], None | Some(Use::Taxon))));
        }
        if !ranges.is_empty() {
            let value = text_of(label, &ranges);
            push(l, "habitat", ranges, value, 0.9, String::new());
            for content in found {
                for k in content {
                    label.used[k].get_or_insert(Use::Habitat);
                }
            }
        }
        for (key, term) in [(Key::Method, "samplingProtocol"), (Key::Remarks, "occurrenceRemarks")] {
            let content: Vec<Range<usize>> =
                label.marks.iter().filter(|m| m.key == key).map(|m| m.content.clone()).collect();
            for content in content {
                let ranges = runs(label, content.clone(), &|k| label.used[k].is_none());
                if !ranges.is_empty() {
                    let value = text_of(label, &ranges);
                    push(l, term, ranges, value, 0.85, String::new());
                    for k in content {
                        label.used[k].get_or_insert(Use::Other);
                    }
                }
            }
        }
        let other: Vec<Range<usize>> =
            label.marks.iter().filter(|m| matches!(m.key, Key::Map)).map(|m| m.content.clone()).collect();
        for content in other {
            for k in content {
                label.used[k].get_or_insert(Use::Other);
            }
        }
    }
}

/// Behind printed keys. Gives whether there was one.
fn keyed(labels: &mut [Label], geo: &[Vec<Option<Rank>>], push: Push) -> bool {
    for l in 0..labels.len() {
        let label = &labels[l];
        let contents: Vec<Range<usize>> = label
            .marks
            .iter()
            .filter(|m| matches!(m.key, Key::Locality | Key::Region) && !m.behind)
            .map(|m| m.content.clone())
            .collect();
        if !label.marks.iter().any(|m| m.key == Key::Locality) {
            continue;
        }
        let mut ranges: Vec<Range<usize>> = Vec::new();
        let mut used: Vec<Range<usize>> = Vec::new();
        for content in contents {
            let mut tokens = content.clone();
            // County and state at the end have fields of their own.
            let mut end = tokens.end;
            let mut county = false;
            while end > tokens.start
                && (geo[l][end - 1].is_some()
                    || label.flow.tokens[end - 1].kind == Kind::Mark
                    || label.used[end - 1].is_some())
            {
                county |= geo[l][end - 1] == Some(Rank::County);
                end -= 1;
            }
            if county && end > tokens.start {
                tokens.end = end;
            }
            let own = runs(label, tokens.clone(), &|k| label.used[k].is_none());
            if !own.is_empty() {
                used.push(tokens);
            }
            ranges.extend(own);
        }
        // The park or forest a form names beside the county.
        for line in 0..label.flow.line_count() {
            let tokens = label.line_tokens(line);
            let county = tokens.clone().any(|k| geo[l][k] == Some(Rank::County));
            let own = runs(label, tokens.clone(), &|k| {
                label.used[k].is_none()
                    && geo[l][k].is_none()
                    && label.under(k).is_none()
                    && label.flow.tokens[k].text.chars().all(char::is_uppercase)
            });
            if county && own.len() == 1 && !ranges.is_empty() && own[0].end < ranges[0].start {
                ranges.insert(0, own[0].clone());
                used.push(tokens);
            }
        }
        if ranges.is_empty() {
            continue;
        }
        let value = text_of(label, &ranges);
        push(l, "verbatimLocality", ranges, value, 0.9, String::new());
        for tokens in used {
            for k in tokens {
                labels[l].used[k].get_or_insert(Use::Place);
            }
        }
        return true;
    }
    false
}

/// On pins: the whole of the label that says where.
fn whole(labels: &mut [Label], rules: &Rules, geo: &[Vec<Option<Rank>>], push: Push) {
    let weight = |l: usize| -> f32 {
        let label = &labels[l];
        if label.determination {
            return -1.0;
        }
        let places = geo[l].iter().filter(|g| g.is_some()).count() as f32;
        let date = f32::from(u8::from(label.used.contains(&Some(Use::Date))));
        let words = label
            .flow
            .tokens
            .iter()
            .enumerate()
            .filter(|(k, t)| label.used[*k].is_none() && rules.places.place_words.contains(&squash(&t.text)))
            .count() as f32;
        let free = (0..label.used.len())
            .filter(|k| label.used[*k].is_none() && label.flow.tokens[*k].kind == Kind::Word)
            .count();
        if free == 0 { -1.0 } else { places.min(3.0) + date + 0.3 * words.min(4.0) }
    };
    let best =
        (0..labels.len()).map(|l| (l, weight(l))).max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    let Some((l, w)) = best.filter(|b| b.1 >= 0.9) else { return };
    let label = &labels[l];
    let mut ranges = runs(label, 0..label.flow.tokens.len(), &|k| label.used[k].is_none());
    // Stray figures (a printed `19` before a year written by hand) are no place.
    ranges.retain(|r| label.flow.slice(r.clone()).chars().any(char::is_alphabetic));
    // Nor are words without any name among them.
    ranges.retain(|r| {
        label.flow.within(r).any(|k| {
            let t = &label.flow.tokens[k];
            t.capital() || rules.places.place_words.contains(&squash(&t.text))
        })
    });
    // A phrase that only describes the habitat is none either.
    let habitat = |r: &Range<usize>| {
        let tokens = label.flow.within(r);
        let words: Vec<&str> = label.flow.tokens[tokens.clone()]
            .iter()
            .filter(|t| t.kind == Kind::Word)
            .map(|t| t.text.as_str())
            .collect();
        !words.is_empty()
            && !tokens.clone().any(|k| geo[l][k].is_some())
            && words.iter().all(|w| rules.places.habitat_words.contains(&squash(w)) || w.chars().count() <= 3)
            && !words.iter().any(|w| {
                w.chars().next().is_some_and(char::is_uppercase)
                    && rules.places.place_words.contains(&squash(w))
            })
    };
    let habitats: Vec<Range<usize>> =
        ranges.iter().filter(|r| ranges.len() > 1 && habitat(r)).cloned().collect();
    ranges.retain(|r| !habitats.contains(r));
    if ranges.is_empty() {
        return;
    }
    let value = text_of(label, &ranges);
    let certainty = if w >= 2.0 { 0.88 } else { 0.7 };
    push(l, "verbatimLocality", ranges.clone(), value, certainty, String::new());
    if !habitats.is_empty() {
        let value = text_of(label, &habitats);
        push(l, "habitat", habitats.clone(), value, 0.6, String::new());
    }
    for r in ranges.iter().chain(&habitats) {
        for k in labels[l].flow.within(r) {
            labels[l].used[k].get_or_insert(Use::Place);
        }
    }
}

/// On envelopes and sheets: phrases, weighed.
fn phrases(labels: &mut [Label], rules: &Rules, geo: &[Vec<Option<Rank>>], push: Push) {
    let mut all: Vec<Phrase> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        if label.determination {
            continue;
        }
        cut(label, l, rules, &geo[l], &mut all);
    }
    // Habitat between two places of one sentence belongs to the place.
    for i in 1..all.len().saturating_sub(1) {
        let between =
            matches!(all[i - 1].what, What::Place) && matches!(all[i + 1].what, What::Place | What::Region);
        if all[i].what != What::Place
            && between
            && !all[i].fresh
            && !all[i + 1].fresh
            && all[i].flow == all[i + 1].flow
            && all[i].what != What::Region
        {
            all[i].what = What::Place;
        }
        if all[i].what == What::Unknown && !all[i].fresh && all[i - 1].what != What::Region {
            all[i].what = all[i - 1].what;
        }
    }
    if !all.iter().any(|p| p.what == What::Place) {
        for (l, label) in labels.iter().enumerate() {
            heading_region(label, l, rules, &geo[l], &mut all);
        }
    }
    let places: Vec<&Phrase> = all.iter().filter(|p| p.what == What::Place).collect();
    // A heading's place that a later phrase says again (`Tarn Lake` ... `west
    // side of Tarn Lake`) is said once.
    let said = |p: &Phrase| {
        squash(labels[p.flow].flow.slice(
            labels[p.flow].flow.tokens[p.tokens.start].range.start
                ..labels[p.flow].flow.tokens[p.tokens.end - 1].range.end,
        ))
    };
    let texts: Vec<String> = places.iter().map(|p| said(p)).collect();
    let places: Vec<&Phrase> = places
        .iter()
        .enumerate()
        .filter(|(i, _)| !texts[i + 1..].iter().any(|t| t.len() > texts[*i].len() && t.contains(&texts[*i])))
        .map(|(_, p)| *p)
        .collect();
    let flow = places.first().map(|p| p.flow);
    if let Some(l) = flow {
        let label = &labels[l];
        let mut ranges: Vec<Range<usize>> = Vec::new();
        for p in places.iter().filter(|p| p.flow == l) {
            let chars =
                label.flow.tokens[p.tokens.start].range.start..label.flow.tokens[p.tokens.end - 1].range.end;
            match ranges.last_mut() {
                // Neighbours keep the punctuation between them.
                Some(last)
                    if label
                        .flow
                        .within(&(last.end..chars.start))
                        .all(|k| label.flow.tokens[k].kind == Kind::Mark && label.used[k].is_none()) =>
                {
                    last.end = chars.end
                }
                _ => ranges.push(chars),
            }
        }
        let ranges: Vec<Range<usize>> = ranges.into_iter().map(|r| label.flow.trim(r, ENDS)).collect();
        let value = ranges.iter().map(|r| label.flow.slice(r.clone())).collect::<Vec<_>>().join(", ");
        let certainty = if ranges.len() == 1 { 0.75 } else { 0.6 };
        push(l, "verbatimLocality", ranges, value, certainty, String::new());
    }
    let habitats: Vec<&Phrase> = all.iter().filter(|p| p.what == What::Habitat).collect();
    if let Some(first) = habitats.first() {
        let l = first.flow;
        let label = &labels[l];
        let ranges: Vec<Range<usize>> = habitats
            .iter()
            .filter(|p| p.flow == l)
            .map(|p| {
                label.flow.trim(
                    label.flow.tokens[p.tokens.start].range.start
                        ..label.flow.tokens[p.tokens.end - 1].range.end,
                    ENDS,
                )
            })
            .collect();
        let value = ranges.iter().map(|r| label.flow.slice(r.clone())).collect::<Vec<_>>().join(", ");
        push(l, "habitat", ranges, value, 0.6, String::new());
    }
    for p in &all {
        let what = match p.what {
            What::Place => Use::Place,
            What::Habitat => Use::Habitat,
            _ => continue,
        };
        for k in p.tokens.clone() {
            labels[p.flow].used[k].get_or_insert(what);
        }
    }
}

/// A park or forest named by a heading (`FLORA OF TARN NATIONAL PARK`).
fn heading_region(label: &Label, l: usize, rules: &Rules, geo: &[Option<Rank>], all: &mut Vec<Phrase>) {
    const REGIONS: [&str; 9] =
        ["park", "forest", "monument", "refuge", "reserve", "preserve", "island", "islands", "mountains"];
    for line in 0..label.flow.line_count() {
        let tokens = label.line_tokens(line);
        let mut a = tokens.start;
        while a < tokens.end {
            if label.used[a] != Some(Use::Heading)
                || geo[a].is_some()
                || rules.headings.at(&label.flow, a, 0.1).is_some()
                || !label.flow.tokens[a].capital()
            {
                a += 1;
                continue;
            }
            let mut b = a;
            while b < tokens.end
                && label.used[b] == Some(Use::Heading)
                && geo[b].is_none()
                && label.flow.tokens[b].kind == Kind::Word
            {
                b += 1;
            }
            let region = label.flow.tokens[a..b].iter().any(|t| REGIONS.contains(&squash(&t.text).as_str()));
            if region && b - a >= 2 {
                all.push(Phrase { flow: l, tokens: a..b, what: What::Place, fresh: true });
            }
            a = b.max(a + 1);
        }
    }
}

fn cut(label: &Label, l: usize, rules: &Rules, geo: &[Option<Rank>], all: &mut Vec<Phrase>) {
    let tokens = &label.flow.tokens;
    let mut fresh = true;
    let mut after_numbers = false;
    let mut i = 0;
    while i < tokens.len() {
        if label.used[i].is_some() {
            fresh = true;
            if matches!(label.used[i], Some(Use::Coordinates | Use::Elevation)) {
                after_numbers = true;
            }
            i += 1;
            continue;
        }
        if geo[i].is_some() {
            // `County Road` is inside a phrase; the county itself is none.
            if geo[i] == Some(Rank::County) {
                after_numbers = false;
            }
            fresh = true;
            i += 1;
            continue;
        }
        if tokens[i].kind == Kind::Mark && !tokens[i].is('(') && !tokens[i].is('#') && !tokens[i].is('"') {
            fresh |= tokens[i].is(';') || tokens[i].is(':');
            i += 1;
            continue;
        }
        let start = i;
        let mut depth = 0i32;
        let mut hard = false;
        while i < tokens.len() && label.used[i].is_none() && geo[i].is_none() {
            let t = &tokens[i];
            if t.is('(') {
                depth += 1;
            } else if t.is(')') {
                depth = (depth - 1).max(0);
            } else if depth == 0 && (t.is(',') || t.is(';') || t.is(':')) {
                hard = !t.is(',');
                break;
            } else if depth == 0 && t.is('.') && sentence_end(label, rules, i)
                || i > start && t.first && fresh_line(label, rules, i)
            {
                hard = true;
                break;
            } else if i > start
                && ["at", "near", "along"].contains(&t.text.as_str())
                && tokens.get(i + 1).is_some_and(|n| n.capital())
                && weigh(label, rules, start..i, after_numbers) == What::Habitat
            {
                break;
            }
            i += 1;
        }
        if i == start {
            i += 1;
            continue;
        }
        let what = weigh(label, rules, start..i, after_numbers);
        let kept = if tokens[start..i].iter().any(|t| t.kind == Kind::Word) { what } else { What::Unknown };
        all.push(Phrase { flow: l, tokens: start..i, what: kept, fresh });
        fresh = hard;
        if hard && tokens.get(i).is_some_and(|t| t.is('.')) {
            after_numbers = false;
        }
    }
}

/// Whether the point at token `i` ends a sentence rather than a short form.
fn sentence_end(label: &Label, rules: &Rules, i: usize) -> bool {
    let tokens = &label.flow.tokens;
    let Some(before) = i.checked_sub(1).map(|k| &tokens[k]) else { return true };
    let Some(next) = tokens.get(i + 1) else { return true };
    if !next.spaced || !(next.capital() || next.kind == Kind::Number && next.first) {
        return false;
    }
    let key = squash(&before.text);
    let short = before.text.chars().count() <= 3 || before.kind == Kind::Number;
    let known = rules.places.place_words.contains(&key) && key.len() <= 5 && before.capital();
    !known && (!short || next.first)
}

/// Whether a line starts a statement of its own: the line before was clearly
/// shorter than the label's others, and this one starts with a capital.
fn fresh_line(label: &Label, rules: &Rules, i: usize) -> bool {
    let tokens = &label.flow.tokens;
    let before = &tokens[i - 1];
    if !tokens[i].capital()
        || before.is(',')
        || before.is('-')
        || before.is('&')
        || before.kind == Kind::Word
            && ["of", "the", "and", "in", "on", "at", "to", "near", "from", "along", "de", "del"]
                .contains(&before.text.as_str())
    {
        return false;
    }
    let line = label.line_tokens(before.line);
    let length = before.range.end - tokens[line.start].range.start;
    let _ = rules;
    length * 10 < label.flow.widest() * 7
}

fn weigh(label: &Label, rules: &Rules, range: Range<usize>, after_numbers: bool) -> What {
    let tokens = &label.flow.tokens[range.clone()];
    let (mut place, mut habitat) = (0.0f32, 0.0f32);
    let mut capitals = 0;
    for (k, t) in tokens.iter().enumerate() {
        let key = squash(&t.text);
        if t.kind == Kind::Number {
            let unit = tokens.get(k + 1).is_some_and(|n| {
                ["mi", "mile", "miles", "km", "kms", "m", "yards", "yds"].contains(&squash(&n.text).as_str())
            });
            place += if unit { 1.5 } else { 0.2 };
            continue;
        }
        if t.kind != Kind::Word {
            continue;
        }
        let first = k == 0;
        let is_place = rules.places.place_words.contains(&key);
        let is_habitat = rules.places.habitat_words.contains(&key);
        let minor = ["of", "to", "from", "by", "at", "de", "del", "la", "el", "is", "s", "end", "side"]
            .contains(&key.as_str());
        if is_place && minor {
            place += 0.15;
        } else if is_place && t.capital() && !first {
            place += 0.8;
        } else if is_place && is_habitat && !t.capital() {
            habitat += 0.4;
        } else if is_place {
            place += 0.5;
        } else if is_habitat && (!t.capital() || first) {
            habitat += 0.8;
        } else if is_habitat
            && t.capital()
            && tokens[..k].iter().any(|p| ["on", "in"].contains(&squash(&p.text).as_str()))
        {
            habitat += 0.4;
        } else if t.capital() {
            capitals += 1;
            place += if first { 0.3 } else { 0.5 };
        }
    }
    let opening = tokens.first().map(|t| squash(&t.text)).unwrap_or_default();
    let onto = tokens.get(1).is_some_and(|t| !t.capital());
    if ["on", "in", "under", "over", "hanging", "submerged", "growing", "from", "among", "sur"]
        .contains(&opening.as_str())
        && onto
    {
        habitat += 0.7;
    }
    if opening == "on" && !onto && tokens.len() <= 3 {
        // `On Betula`
        habitat += 1.2;
    }
    if after_numbers {
        habitat += 1.2;
    }
    // Words of plain prose without a name are no place.
    if capitals == 0 && place < 0.8 && habitat == 0.0 {
        return What::Unknown;
    }
    if tokens.iter().filter(|t| t.kind == Kind::Word).count() == 0 {
        return What::Unknown;
    }
    if place > habitat {
        What::Place
    } else if habitat > 0.0 {
        What::Habitat
    } else {
        What::Unknown
    }
}
