//! Numbers: the collection's catalogue number with its institution, and the
//! collector's own.

use super::{Find, Label, Use};
use crate::parsing::Candidate;
use crate::parsing::flow::Kind;
use crate::parsing::gazetteer::squash;
use crate::parsing::rules::{Key, Rules};
use crate::reading::Reading;
use std::ops::Range;

pub(super) fn catalog(labels: &mut [Label], rules: &Rules, reading: &Reading, finds: &mut Vec<Find>) {
    let mut best: Option<(f32, usize, Range<usize>, String)> = None;
    for (l, label) in labels.iter().enumerate() {
        let lines: Vec<Range<usize>> = (0..label.flow.line_count()).map(|i| label.line_tokens(i)).collect();
        for (n, line) in lines.iter().enumerate() {
            if line.is_empty() {
                continue;
            }
            let chars = label.chars(line.clone());
            let text = label.flow.slice(chars.clone());
            let start = label.flow.text.find(text).map_or(0, |_| chars.start);
            let alone_bonus = |len: usize| 0.1 * len as f32 / text.chars().count().max(1) as f32;
            let to_chars = |m: regex::Match| {
                let before = text[..m.start()].chars().count();
                start + before..start + before + m.as_str().chars().count()
            };
            let mut consider = |score: f32, range: Range<usize>, value: &str| {
                let tokens = label.flow.within(&range);
                if tokens.clone().any(|i| !label.free(i)) || tokens.is_empty() {
                    return;
                }
                if best.as_ref().is_none_or(|b| score > b.0) {
                    best = Some((score, l, tokens, value.to_owned()));
                }
            };
            for (k, pattern) in rules.catalog.iter().enumerate() {
                for m in pattern.find_iter(text) {
                    consider(
                        0.95 - 0.03 * k as f32 + alone_bonus(m.as_str().chars().count()),
                        to_chars(m),
                        m.as_str(),
                    );
                }
            }
            for pattern in &rules.catalog_misread {
                for m in pattern.find_iter(text) {
                    if let Some((value, all)) = in_figures(m.as_str()) {
                        let score = if all { 0.45 } else { 0.2 };
                        consider(score, to_chars(m), &value);
                    }
                }
            }
            let near = [n.checked_sub(1), Some(n), Some(n + 1)].into_iter().flatten().any(|k| {
                lines.get(k).is_some_and(|r| rules.institutions.any(&label.flow, r.clone(), 0.12).is_some())
            });
            for pattern in &rules.beside_institution {
                for m in pattern.find_iter(text) {
                    let score = if near {
                        0.8
                    } else if m.as_str().len() == text.len() && m.as_str().starts_with('0') {
                        0.7
                    } else {
                        continue;
                    };
                    consider(score + alone_bonus(m.as_str().chars().count()), to_chars(m), m.as_str());
                }
            }
        }
    }
    let code = reading.codes.iter().map(|c| c.text.trim()).find(|t| {
        t.chars().filter(char::is_ascii_digit).count() >= 4
            && t.chars().count() <= 40
            && !t.contains("://")
            && crate::codes::container(t).is_none()
    });
    match (best, code) {
        (Some((score, l, tokens, value)), code) => {
            labels[l].claim(tokens.clone(), Use::Catalog);
            let agrees =
                code.is_some_and(|c| squash(c) == squash(&value) || squash(c).ends_with(&squash(&value)));
            let chars = labels[l].chars(tokens);
            let mut find = Find {
                term: "catalogNumber",
                flow: l,
                ranges: vec![chars],
                value: value.clone(),
                certainty: if agrees { 0.99 } else { score.min(0.97) },
                candidates: Vec::new(),
                note: if agrees { "the bar code says the same".into() } else { String::new() },
            };
            if let Some(code) = code.filter(|_| !agrees) {
                // Print next to a code is that code in writing; the code cannot
                // be misread.
                let close = strsim::normalized_levenshtein(&squash(code), &squash(&value)) > 0.6;
                find.candidates.push(Candidate {
                    value: code.to_owned(),
                    confidence: if close { 0.9 } else { 0.4 },
                    why: "bar code".into(),
                });
                find.candidates.push(Candidate {
                    value: value.clone(),
                    confidence: if close { 0.1 } else { 0.5 },
                    why: "as written".into(),
                });
                if close {
                    find.value = code.to_owned();
                    find.note = "taken from the bar code; the writing was read otherwise".into();
                }
            }
            finds.push(find);
        }
        (None, Some(code)) => finds.push(Find {
            term: "catalogNumber",
            flow: 0,
            ranges: Vec::new(),
            value: code.to_owned(),
            certainty: 0.9,
            candidates: Vec::new(),
            note: "taken from the bar code".into(),
        }),
        (None, None) => {}
    }
}

/// A number of a collection with letters read for figures, the letters that look
/// like figures put right, and whether only figures are left in its last part.
/// `None` where most of the last part looks like no figure.
fn in_figures(read: &str) -> Option<(String, bool)> {
    let start = read.rfind('-').map_or(0, |i| i + 1);
    let figure = |c: char| match c {
        'O' | 'D' | 'Q' => '0',
        'I' | 'L' => '1',
        'Z' => '2',
        'S' => '5',
        'G' => '6',
        'B' => '8',
        c => c,
    };
    let last: String = read[start..].chars().map(figure).collect();
    let figures = last.chars().filter(char::is_ascii_digit).count();
    // One word of letters that all look like figures (`TARN-GO-BOSS`) is none.
    let read_figure = read[start..].contains(|c: char| c.is_ascii_digit() || c == 'D' || c == 'Q');
    (read_figure && figures + 1 >= last.chars().count())
        .then(|| (format!("{}{last}", &read[..start]), figures == last.chars().count()))
}

/// Names of institutions: the word and the capitalised words around it.
pub(super) fn institutions(label: &mut Label, rules: &Rules) {
    let mut i = 0;
    let mut carry = false;
    while i < label.flow.tokens.len() {
        let first = label.flow.tokens[i].first;
        if carry && first && label.free(i) {
            // `HERBARIUM OF` goes on in the next line.
            let line = label.line_tokens(label.flow.tokens[i].line);
            let end = line
                .clone()
                .find(|k| label.flow.tokens[*k].kind == Kind::Number || !label.free(*k))
                .unwrap_or(line.end);
            if rules.headings.at(&label.flow, i, 0.1).is_none()
                && rules.before.at(&label.flow, i, 0.0).is_none()
            {
                label.claim(i..end, Use::Institution);
            }
            carry = false;
            i = end.max(i + 1);
            continue;
        }
        if first {
            carry = false;
        }
        let Some(m) = rules.institutions.at(&label.flow, i, 0.12) else {
            if label.free(i) && runs_together(&label.flow.tokens[i].text, rules) {
                label.claim(i..i + 1, Use::Institution);
            }
            i += 1;
            continue;
        };
        let t = &label.flow.tokens[i];
        let road = label
            .flow
            .tokens
            .get(m.end)
            .is_some_and(|n| ["road", "rd", "trail", "hwy"].contains(&squash(&n.text).as_str()));
        // `Collected on the fifth Tarn Valley foray` is no place either.
        let line = label.line_tokens(t.line);
        let told = rules.before.at(&label.flow, line.start, 0.0).is_some_and(|b| b.value == Key::Collector)
            && label
                .flow
                .tokens
                .get(line.start + 1)
                .is_some_and(|w| ["on", "during", "at", "in"].contains(&w.text.as_str()));
        if told && label.free(line.start) {
            label.claim(line.clone(), Use::Institution);
            i = line.end.max(i + 1);
            continue;
        }
        if road
            || !t.capital()
            || !label.free(i)
            || (m.letters < 4 && !t.text.chars().all(char::is_uppercase))
        {
            i += 1;
            continue;
        }
        let small = [
            "of", "the", "de", "du", "des", "la", "for", "and", "at", "in", "on", "by", "di", "et", "from",
            "ex",
        ];
        let keeps = |k: usize, back: bool| {
            let t = &label.flow.tokens[k];
            let heading = rules.headings.at(&label.flow, k, 0.1).is_some()
                && rules.institutions.at(&label.flow, k, 0.12).is_none();
            label.free(k)
                && (back || !heading)
                && (t.capital()
                    || t.kind == Kind::Word && small.contains(&t.text.to_lowercase().as_str())
                    || t.is('.')
                    || t.is('\'')
                    || t.is('-')
                    || !back
                        && (t.is('(')
                            || t.is(')')
                            || t.is(',')
                            || t.is('&')
                            || t.kind == Kind::Number && t.text.len() == 4 && "12".contains(&t.text[..1])))
        };
        let mut a = i;
        while a > line.start && keeps(a - 1, true) {
            a -= 1;
        }
        let mut b = m.end.min(line.end);
        while b < line.end && keeps(b, false) {
            b += 1;
        }
        // A person with a number before the institution (`A. Vell 4216 NAME`)
        // is stopped by the number; without one the words cannot be told apart.
        let key = rules.before.at(&label.flow, a, 0.0);
        if !(key.is_some() && a < i) {
            label.claim(a..b, Use::Institution);
        } else {
            label.claim(i..b, Use::Institution);
        }
        carry = b == line.end
            && b > 0
            && ["of", "the", "and", "de", "du"]
                .contains(&label.flow.tokens[b - 1].text.to_lowercase().as_str());
        i = b.max(i + 1);
    }
}

/// Whether it is capitals of several words read as one, an institution's among
/// them: `TARNVALLEYHERBARIUM`.
fn runs_together(word: &str, rules: &Rules) -> bool {
    if word.chars().count() < 12 || !word.chars().all(char::is_uppercase) {
        return false;
    }
    let word = squash(word);
    rules.institutions.phrases().any(|p| p.len() >= 6 && word.contains(p))
}

/// A number with what is written against it: `SM97-095`, `88038-23A`, `L- 885`.
fn number_at(label: &Label, i: usize, spaced_dash: bool) -> Option<(String, usize)> {
    let tokens = &label.flow.tokens;
    let (mut k, mut value) = (i, String::new());
    while let Some(t) = tokens.get(k) {
        if k > i && t.line != tokens[i].line || !label.free(k) {
            break;
        }
        let joined = k == i || !t.spaced || spaced_dash && value.ends_with('-');
        let fits = match t.kind {
            Kind::Number => true,
            Kind::Word => {
                t.text.chars().count() <= if k == i { 4 } else { 2 }
                    && t.text.chars().all(|c| c.is_ascii_alphabetic())
                    && (k > i || t.text.chars().all(char::is_uppercase))
            }
            Kind::Mark => {
                (t.is('-') || t.is('/'))
                    && k > i
                    && tokens.get(k + 1).is_some_and(|n| n.kind != Kind::Mark && (!n.spaced || spaced_dash))
            }
        };
        if !joined || !fits {
            break;
        }
        value.push_str(&t.text);
        k += 1;
    }
    (k > i && value.contains(|c: char| c.is_ascii_digit())).then_some((value, k))
}

pub(super) fn record_number(labels: &mut [Label], rules: &Rules, narrow: bool, finds: &mut Vec<Find>) {
    let series = labels.iter().any(|l| {
        (0..l.flow.tokens.len())
            .any(|i| l.flow.tokens[i].capital() && rules.series.at(&l.flow, i, 0.1).is_some())
    });
    let mut all: Vec<(f32, usize, Range<usize>, String)> = Vec::new();
    let mut series_numbers: Vec<(usize, Range<usize>)> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        let tokens = &label.flow.tokens;
        // Behind the collector.
        for (team, role, _) in &label.teams {
            if !matches!(role, Some(Key::Collector | Key::Both)) {
                continue;
            }
            let mut k = team.tokens.end;
            let mut sign = 0.0;
            while let Some(t) = tokens.get(k) {
                if t.line > tokens[team.tokens.end - 1].line + 1 {
                    break;
                }
                let new_line = t.line > tokens[team.tokens.end - 1].line;
                if t.is('#')
                    || t.is(':') && !t.spaced && !new_line
                    || rules.number_signs.contains(&t.text) && !t.is('.')
                {
                    sign = 0.08;
                    k += 1;
                } else if t.is('.') || t.is(',') {
                    k += 1;
                } else {
                    break;
                }
            }
            let Some(first) = tokens.get(k) else { continue };
            let same_line = first.line == tokens[team.tokens.end - 1].line;
            if !(same_line || sign > 0.0) {
                continue;
            }
            if let Some((value, end)) = number_at(label, k, sign > 0.0) {
                all.push((0.88 + sign, l, k..end, value));
            }
        }
        for (i, t) in tokens.iter().enumerate() {
            if !label.free(i) && !matches!(label.used[i], Some(Use::Key | Use::Heading | Use::Institution)) {
                continue;
            }
            // Behind its own sign.
            let sign = t.is('#')
                || t.kind == Kind::Word
                    && (rules.number_signs.contains(&t.text) || ["no", "nr"].contains(&t.text.as_str()))
                    && (t.first || tokens.get(i + 1).is_some_and(|n| n.is('.') || n.is(':')));
            let keyed = label.marks.iter().any(|m| m.key == Key::Number && m.tokens.contains(&i));
            if sign || keyed {
                let mut k = i + 1;
                while tokens
                    .get(k)
                    .is_some_and(|n| n.is('.') || n.is(':') || n.is('#') || label.used[k] == Some(Use::Key))
                {
                    k += 1;
                }
                let road = i > 0
                    && ["hwy", "highway", "route", "rt", "road", "rd", "us", "sr"]
                        .contains(&squash(&tokens[i - 1].text).as_str())
                    || i > 0
                        && tokens[i - 1].is('.')
                        && i > 1
                        && ["hwy", "rt", "rd"].contains(&squash(&tokens[i - 2].text).as_str());
                let under_place =
                    label.under(i).is_some_and(|m| matches!(m.key, Key::Locality | Key::Habitat));
                let line_start = t.first || keyed || t.is('#');
                if !road
                    && !under_place
                    && line_start
                    && tokens.get(k).is_some_and(|n| n.line == t.line)
                    && let Some((value, end)) = number_at(label, k, true)
                {
                    all.push((
                        if keyed { 0.9 } else { 0.8 } - if t.first || keyed { 0.0 } else { 0.1 },
                        l,
                        k..end,
                        value,
                    ));
                }
            }
        }
        // Before the name of the organism, on its line or the line before.
        for taxon in &label.taxa {
            let at = taxon.tokens.start;
            let mut k = at;
            while k > 0 && tokens[k - 1].is('.') {
                k -= 1;
            }
            let pointed = k < at;
            if k == 0 {
                continue;
            }
            let line = label.line_tokens(tokens[k - 1].line);
            if tokens[at].line > tokens[k - 1].line + 1 {
                continue;
            }
            let start = (line.start..k).find(|s| number_at(label, *s, false).is_some_and(|(_, e)| e == k));
            if let Some(s) = start {
                let Some((value, end)) = number_at(label, s, false) else { continue };
                let before_ok = s == line.start
                    || tokens[line.start..s]
                        .iter()
                        .all(|t| t.kind == Kind::Mark || t.text.chars().count() <= 2);
                let distributed = series && pointed && value.chars().count() <= 3;
                if before_ok && distributed {
                    series_numbers.push((l, s..end));
                } else if before_ok {
                    all.push((0.8, l, s..end, value));
                }
            }
        }
        // Alone on a line, or at the end of a heading.
        for line in 0..label.flow.line_count() {
            let range = label.line_tokens(line);
            if range.is_empty() || label.under(range.start).is_some_and(|m| !m.behind && m.key != Key::Other)
            {
                continue;
            }
            let mut content: Vec<usize> =
                range.clone().filter(|k| !(tokens[*k].is('.') || tokens[*k].is('#'))).collect();
            content.retain(|k| {
                !(tokens[*k].kind == Kind::Mark && tokens[*k].text != "-" && tokens[*k].text != "/")
            });
            if content
                .iter()
                .all(|k| tokens[*k].kind == Kind::Number && tokens[*k].text.len() == 1 && label.free(*k))
                && content.len() >= 3
            {
                let value: String = content.iter().map(|k| tokens[*k].text.as_str()).collect();
                all.push((0.75, l, range.clone(), value));
                continue;
            }
            if let Some((value, end)) = content.first().and_then(|s| number_at(label, *s, false))
                && content.last().is_some_and(|e| end == e + 1)
            {
                // The first line is where collectors' numbers stand.
                let place = if line == 0 || line + 1 == label.flow.line_count() { 0.6 } else { 0.5 };
                let alone_digits = value.chars().filter(char::is_ascii_digit).count();
                let size = if alone_digits < 2 { -0.3 } else { 0.02 * alone_digits.min(6) as f32 };
                // Letters of a series and two parts, as in `F93-13`: a stray figure
                // looks otherwise, even on a pin (common practice).
                let parts = value.split(['-', '/']).filter(|p| p.ends_with(|c: char| c.is_ascii_digit()));
                let shaped = value.starts_with(char::is_alphabetic) && parts.count() == 2 && alone_digits > 2;
                let shape = if shaped { 0.2 } else { 0.0 };
                let start = content[0];
                all.push((place + size + shape, l, start..end, value));
            } else if content.iter().any(|k| label.used[*k] == Some(Use::Heading))
                && let Some(last) = content.last()
            {
                let start = (range.start..=*last)
                    .find(|s| number_at(label, *s, false).is_some_and(|(_, e)| e == last + 1));
                if let Some(s) = start
                    && s > range.start
                    && let Some((value, end)) = number_at(label, s, false)
                {
                    all.push((0.5, l, s..end, value));
                }
            }
        }
    }
    // A pin label's stray figures are no field numbers: without a sign or a
    // collector beside it a number needs an envelope or sheet.
    for (l, tokens) in series_numbers {
        labels[l].claim(tokens, Use::Other);
    }
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    let Some((score, l, tokens, value)) = all.first().cloned() else { return };
    if score < if narrow { 0.75 } else { 0.45 } {
        return;
    }
    labels[l].claim(tokens.clone(), Use::Number);
    for (_, ol, other, v) in &all {
        if *v == value || value.ends_with(v.as_str()) && v.len() + 1 >= value.len() {
            labels[*ol].claim(other.clone(), Use::Number);
        }
    }
    let agree = all.iter().skip(1).any(|o| o.3 == value && (o.1 != l || o.2 != tokens));
    let mut candidates: Vec<Candidate> = Vec::new();
    for o in all.iter().skip(1) {
        if o.3 != value && !candidates.iter().any(|c| c.value == o.3) {
            candidates.push(Candidate {
                value: o.3.clone(),
                confidence: 0.3 * o.0,
                why: "also a number on the label".into(),
            });
        }
    }
    if !candidates.is_empty() {
        candidates.insert(0, Candidate { value: value.clone(), confidence: score, why: String::new() });
    }
    let chars = labels[l].chars(tokens);
    finds.push(Find {
        term: "recordNumber",
        flow: l,
        ranges: vec![chars],
        value,
        certainty: if agree { 0.98 } else { score.min(0.96) },
        candidates,
        note: if agree { "it stands on the label twice".into() } else { String::new() },
    });
}
