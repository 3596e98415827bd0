//! Puts what the recognisers found together into fields.
//!
//! Works on all labels of a photograph at once, since they speak of one
//! specimen: what a label is for (a determination, a collector, a place) is
//! judged by what was found on it, a two-digit year by the other dates, a state's
//! abbreviation by the country. Each step claims the tokens it used; those that
//! nobody claims are the leftovers.

use super::coordinates::{self, CoordinateReading, System};
use super::dates::{self, DateReading, DateShape};
use super::elevation::{self, ElevationReading};
use super::flow::{Flow, Kind, Token};
use super::gazetteer::{Rank, squash};
use super::geography::{self, Decision, Evidence};
use super::persons::{self, Team};
use super::rules::{Key, Rules, Trait};
use super::taxa::{self, Taxon};
use super::{Candidate, Field, Leftover, Parsed, Span};
use crate::reading::{ReadLabel, Reading};
use std::ops::Range;

/// What a token was used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Use {
    Institution,
    Heading,
    Catalog,
    Date,
    Elevation,
    Coordinates,
    Taxon,
    Key,
    Person,
    Number,
    Trait,
    Host,
    Habitat,
    Place,
    Other,
}

/// A key or role word and the tokens it speaks for.
#[derive(Clone, Debug)]
pub(crate) struct Mark {
    pub key: Key,
    /// Its own tokens.
    pub tokens: Range<usize>,
    /// What it speaks for; empty where nothing is written.
    pub content: Range<usize>,
    /// Whether it stands behind what it speaks for.
    pub behind: bool,
}

/// A find that becomes a field.
struct Find {
    term: &'static str,
    flow: usize,
    ranges: Vec<Range<usize>>,
    value: String,
    certainty: f32,
    candidates: Vec<Candidate>,
    note: String,
}

pub(crate) struct Label<'a> {
    pub flow: Flow<'a>,
    pub used: Vec<Option<Use>>,
    pub marks: Vec<Mark>,
    dates: Vec<(DateReading, Range<usize>)>,
    elevations: Vec<(ElevationReading, Range<usize>)>,
    coordinates: Vec<(CoordinateReading, Range<usize>)>,
    taxa: Vec<Taxon>,
    /// Teams with their role (`None` undecided) and how sure.
    teams: Vec<(Team, Option<Key>, f32)>,
    /// Whether it is a determination label.
    pub determination: bool,
    /// Tokens of places the collection knows: no person and no organism.
    known_places: Vec<Range<usize>>,
}

impl Label<'_> {
    pub fn free(&self, i: usize) -> bool {
        self.used[i].is_none()
    }

    pub fn claim(&mut self, tokens: Range<usize>, what: Use) {
        for i in tokens {
            if i < self.used.len() {
                self.used[i] = Some(what);
            }
        }
    }

    pub fn line_tokens(&self, line: usize) -> Range<usize> {
        let a = self.flow.tokens.partition_point(|t| t.line < line);
        let b = self.flow.tokens.partition_point(|t| t.line <= line);
        a..b
    }

    fn chars(&self, tokens: Range<usize>) -> Range<usize> {
        if tokens.is_empty() {
            return 0..0;
        }
        self.flow.tokens[tokens.start].range.start..self.flow.tokens[tokens.end - 1].range.end
    }

    pub fn under(&self, token: usize) -> Option<&Mark> {
        self.marks.iter().find(|m| m.content.contains(&token))
    }
}

/// Whether a label is more than a stray sign: the figures of a ruler beside the
/// specimen, read one by one, must not become compass points or counts.
fn says_something(label: &ReadLabel) -> bool {
    let chars = || label.lines.iter().flat_map(|l| &l.chars).map(|c| c.ch);
    chars().filter(|c| c.is_alphanumeric()).count() > 2 || chars().any(|c| "♂♀☿".contains(c))
}

/// Whether a label is that of a box or drawer, whose code lies within reach:
/// its words say nothing of the specimens.
fn of_container(reading: &Reading, label: &ReadLabel, rules: &Rules) -> bool {
    let (l, t, r, b) = label.quad.bounds();
    reading.codes.iter().filter(|c| crate::codes::container(&c.text).is_some()).any(|code| {
        let (left, top, right, bottom) = code.quad.bounds();
        let gap = (l - right).max(left - r).max(t - bottom).max(top - b);
        gap <= rules.container_reach * (right - left).min(bottom - top)
    })
}

/// Parses all labels of a reading.
pub(crate) fn parse(reading: &Reading, rules: &Rules) -> Parsed {
    let narrow = super::blocks::narrow(reading, rules);
    let parts = |label: &crate::reading::ReadLabel| match narrow {
        true => super::blocks::split(label, rules),
        false => std::iter::once(0..label.lines.len()).collect(),
    };
    let speaks = |label: &ReadLabel| says_something(label) && !of_container(reading, label, rules);
    let mut labels: Vec<Label> = reading
        .labels
        .iter()
        .enumerate()
        .filter(|(_, l)| speaks(l))
        .flat_map(|(i, l)| parts(l).into_iter().map(move |part| (i, l, part)))
        .map(|(i, l, part)| {
            let flow = Flow::new(i, l, part);
            let used = vec![None; flow.tokens.len()];
            Label {
                flow,
                used,
                marks: Vec::new(),
                dates: Vec::new(),
                elevations: Vec::new(),
                coordinates: Vec::new(),
                taxa: Vec::new(),
                teams: Vec::new(),
                determination: false,
                known_places: Vec::new(),
            }
        })
        .collect();
    let mut finds: Vec<Find> = Vec::new();

    let mut dates: Vec<Vec<DateReading>> =
        labels.iter().map(|label| read_dates(&label.flow, &rules.dates)).collect();
    for (label, dates) in labels.iter_mut().zip(&dates) {
        spans_with_units(label, dates);
    }
    catalog(&mut labels, rules, reading, &mut finds);
    for (label, dates) in labels.iter_mut().zip(&mut dates) {
        institutions(label, rules);
        headings(label, rules);
        find_dates(label, rules, std::mem::take(dates));
        marks(label, rules);
        label.determination = is_determination(label);
        known_places(label, rules);
        names(label, rules);
    }
    for label in &mut labels {
        roles(label, rules);
    }
    let geography = places_and_grid(&mut labels, rules);
    known_persons(&mut labels, rules);
    lone_persons(&mut labels, rules, &geography.1);
    let ctx_country =
        geography.0.country.as_ref().and_then(|c| rules.gazetteer.name(&c.code)).unwrap_or("").to_owned();
    persons_out(&labels, rules, &mut finds);
    dates_out(&mut labels, rules, &ctx_country, &mut finds);
    record_number(&mut labels, rules, narrow, &mut finds);
    taxon_out(&mut labels, &mut finds);
    traits(&mut labels, rules, &mut finds);
    hosts(&mut labels, rules, &geography.1, &mut finds);
    coordinates_out(&mut labels, &mut finds);
    geography_out(&labels, rules, &geography.0, &geography.1, &mut finds);
    super::locality::write(
        &mut labels,
        rules,
        &geography.1,
        &geography.0,
        &mut |flow, term, ranges, value, certainty, note| {
            finds.push(Find { term, flow, ranges, value, certainty, candidates: Vec::new(), note });
        },
    );

    let fields = finish(&labels, rules, finds);
    let mut leftovers = leftovers(&labels);
    for (label, l) in reading.labels.iter().enumerate().filter(|(_, l)| !speaks(l)) {
        leftovers.extend(l.lines.iter().enumerate().map(|(line, read)| Leftover {
            text: read.text(),
            span: Span { label, line, start: 0, end: read.chars.len() },
        }));
    }
    Parsed { fields, leftovers, ..Parsed::default() }
}

/// The text for the search of dates: roman months whose strokes were read as
/// other strokes (`V1I1`, `Vii1`) as capitals, and a degree sign between digits
/// as a point. As many characters as the flow's text.
fn date_text(flow: &Flow) -> String {
    let mut chars = flow.chars.clone();
    // A unit in the next line is none of a year's: `27-vi-53`, `M. Vell`.
    for i in 1..chars.len().saturating_sub(1) {
        if chars[i] == ' ' && flow.line(i - 1) != flow.line(i + 1) {
            chars[i] = '\n';
        }
    }
    // A slanting I before X or V is read as a stroke: `/X-7-1959`.
    for i in 0..chars.len().saturating_sub(2) {
        let opens = i == 0 || chars[i - 1].is_whitespace();
        if chars[i] == '/' && opens && "XxVv".contains(chars[i + 1]) && "-./ ".contains(chars[i + 2]) {
            chars[i] = if chars[i + 1].is_uppercase() { 'I' } else { 'i' };
        }
    }
    let stroke = |c: char| "VvXxIi1l|!".contains(c);
    let mut i = 0;
    while i < chars.len() {
        if chars[i] == '°'
            && i > 0
            && chars[i - 1].is_ascii_digit()
            && chars.get(i + 1).is_some_and(char::is_ascii_digit)
            && chars.get(i + 3).is_none_or(|c| !c.is_ascii_digit() && *c != '\'')
        {
            chars[i] = '.';
        }
        if !stroke(chars[i]) || i > 0 && chars[i - 1].is_alphanumeric() {
            i += 1;
            continue;
        }
        let start = i;
        while i < chars.len() && stroke(chars[i]) {
            i += 1;
        }
        let ends = chars.get(i).is_some_and(|c| "-./ ,".contains(*c))
            && chars.get(i + 1).is_some_and(|c| c.is_ascii_digit() || *c == ' ' || *c == '\'');
        let run = &chars[start..i];
        if !ends
            || run.len() > 4
            || !run.iter().any(|c| "VvXxIi".contains(*c))
            || !run.iter().any(|c| !"VXI".contains(*c))
        {
            continue;
        }
        let roman: String = run
            .iter()
            .map(|c| match c {
                'V' | 'v' => 'V',
                'X' | 'x' => 'X',
                _ => 'I',
            })
            .collect();
        if ["I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X", "XI", "XII"]
            .contains(&roman.as_str())
        {
            chars.splice(start..i, roman.chars());
        }
    }
    chars.into_iter().collect()
}

/// The dates of a label. One that rests on a stroke taken for a letter is less
/// sure.
pub(super) fn read_dates(flow: &Flow, rules: &dates::DateRules) -> Vec<DateReading> {
    let text = date_text(flow);
    let mut found = super::unsure::find(flow, &text, rules);
    for d in &mut found {
        let strokes = |c: &str| c.chars().filter(|c| *c == '/').count();
        if strokes(flow.slice(d.chars.clone())) > strokes(&d.verbatim) {
            d.repairs += 0.3;
            d.candidates.iter_mut().for_each(|c| c.confidence *= 0.75);
        }
    }
    found
}

/// Coordinates and elevations, which say what they are by their signs. `dates`
/// are those of the label.
fn spans_with_units(label: &mut Label, dates: &[DateReading]) {
    // `IV-22/23-1953` before an initial `M.` is no height of 1953 m.
    let days: Vec<&Range<usize>> =
        dates.iter().filter(|d| d.shape == DateShape::Day).map(|d| &d.chars).collect();
    for c in coordinates::find(&label.flow.text) {
        let tokens = label.flow.within(&c.chars);
        // `X-9-5S` is a day whose last figure was misread, no latitude of 9° 5' S.
        let dated = (c.latitude.is_some() != c.longitude.is_some())
            && !c.verbatim.contains(['°', '\'', '"', '′'])
            && days.iter().any(|d| d.start < c.chars.start && c.chars.start < d.end);
        if dated || tokens.is_empty() || tokens.clone().any(|i| !label.free(i)) {
            continue;
        }
        label.claim(tokens.clone(), Use::Coordinates);
        label.coordinates.push((c, tokens));
    }
    for e in elevation::find(&label.flow.text) {
        let tokens = label.flow.within(&e.chars);
        let dated = !e.labelled && days.iter().any(|d| d.start < e.chars.end && e.chars.start < d.end);
        if dated || tokens.is_empty() || tokens.clone().any(|i| !label.free(i)) {
            continue;
        }
        label.claim(tokens.clone(), Use::Elevation);
        label.elevations.push((e, tokens));
    }
}

fn catalog(labels: &mut [Label], rules: &Rules, reading: &Reading, finds: &mut Vec<Find>) {
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

/// Names of institutions: the word and the capitalised words around it.
fn institutions(label: &mut Label, rules: &Rules) {
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

/// Headings (`LICHENS OF ALASKA`): the line's words are no place or person, but
/// a region in it counts more than one elsewhere.
fn headings(label: &mut Label, rules: &Rules) {
    for line in 0..label.flow.line_count() {
        let tokens = label.line_tokens(line);
        let words = tokens.clone().filter(|i| label.flow.tokens[*i].kind == Kind::Word).count();
        if words == 0 || words > 9 {
            continue;
        }
        let hit = tokens.clone().find_map(|i| {
            let m = rules.headings.at(&label.flow, i, 0.1)?;
            (label.flow.tokens[i].capital() && m.letters >= 4).then_some((i, m.end))
        });
        let Some((i, end)) = hit else { continue };
        let of = label.flow.tokens.get(end).is_some_and(|t| {
            t.line == line
                && ["of", "de", "du", "from", "von", "der"].contains(&t.text.to_lowercase().as_str())
        });
        let edge = i <= tokens.start + 3 || end >= tokens.end.saturating_sub(1);
        let mostly_capital =
            tokens.clone().filter(|i| label.flow.tokens[*i].capital()).count() * 3 >= words * 2;
        if edge && (of || mostly_capital) {
            for k in tokens {
                // Only words: a number there may be the collector's.
                let t = &label.flow.tokens[k];
                if label.free(k) && (t.kind == Kind::Word || k > i && !t.is('#')) && t.kind != Kind::Number {
                    label.used[k] = Some(Use::Heading);
                }
            }
        }
    }
}

/// Whether a year is that of a name's publication: `(Author, 1827)`, or behind an
/// author and a comma after an epithet.
fn of_an_author(label: &Label, year: &Range<usize>) -> bool {
    let tokens = &label.flow.tokens;
    let before = |k: usize| year.start.checked_sub(k).map(|i| &tokens[i]);
    let comma = before(1).is_some_and(|t| t.is(','));
    let author = before(2).is_some_and(|t| t.capital() || t.is('.'));
    let line = tokens[year.start].line;
    let opened = (0..year.start).rev().take_while(|k| tokens[*k].line == line).any(|k| tokens[k].is('('));
    let closed = tokens.get(year.end).is_some_and(|t| t.is(')'));
    let epithet =
        before(3).is_some_and(|t| t.kind == Kind::Word && !t.capital() && t.text.chars().count() > 3);
    comma && author && (opened && closed || epithet)
}

/// Whether a year stands beside a word for a gift, a sale or a book.
fn of_a_gift(label: &Label, rules: &Rules, year: &Range<usize>) -> bool {
    let line = label.line_tokens(label.flow.tokens[year.start].line);
    rules.not_collecting.any(&label.flow, line, 0.0).is_some()
}

fn find_dates(label: &mut Label, rules: &Rules, dates: Vec<DateReading>) {
    for d in dates {
        let tokens = label.flow.within(&d.chars);
        // A day that cannot be (`31 June 1952`) is a date all the same, if its
        // month is written in letters; in figures it may be any number.
        let impossible =
            !d.problem.is_empty() && d.shape == DateShape::Day && d.verbatim.chars().any(char::is_alphabetic);
        if tokens.is_empty() || d.candidates.is_empty() && !impossible {
            continue;
        }
        if tokens.clone().any(|i| !matches!(label.used[i], None | Some(Use::Heading))) {
            continue;
        }
        if d.shape == DateShape::Year && (of_an_author(label, &tokens) || of_a_gift(label, rules, &tokens)) {
            continue;
        }
        label.claim(tokens.clone(), Use::Date);
        label.dates.push((d, tokens));
    }
}

fn marks(label: &mut Label, rules: &Rules) {
    let mut found: Vec<Mark> = Vec::new();
    let mut i = 0;
    let count = label.flow.tokens.len();
    while i < count {
        let t = &label.flow.tokens[i];
        if !label.free(i) && label.used[i] != Some(Use::Institution) || t.kind != Kind::Word {
            i += 1;
            continue;
        }
        let fuzzy = if t.first || t.capital() { 0.1 } else { 0.0 };
        let before = rules.before.at(&label.flow, i, fuzzy);
        let after = rules.after.at(&label.flow, i, fuzzy);
        let Some(m) = before.or(after) else {
            i += 1;
            continue;
        };
        let colon = label.flow.tokens.get(m.end).is_some_and(|n| n.is(':'));
        let next = if colon { m.end + 1 } else { m.end };
        let person = team_after(label, rules, next);
        let key = before.map(|b| b.value);
        let role = key.filter(|k| matches!(k, Key::Collector | Key::Determiner | Key::Both));
        let dotted = m.end > i && label.flow.tokens[m.end - 1].is('.');
        let start_only = rules.line_start_only.contains(&squash(label.flow.slice(label.chars(i..m.end))));
        let mut mark = None;
        if let Some(role) = role {
            let ok_place = t.first || !start_only || label.flow.tokens[i - 1].is(',');
            let strong =
                t.first || t.capital() || colon || dotted || !label.flow.tokens[i].spaced || m.letters > 3;
            let behind = after.filter(|a| a.end == m.end).and_then(|a| {
                let team = team_before(label, rules, i)?;
                Some((a.value, team))
            });
            let ahead_same_line = person
                .as_ref()
                .is_some_and(|p| label.flow.tokens[p.tokens.start].line == label.flow.tokens[m.end - 1].line);
            if label.used[i] == Some(Use::Institution) && !(ahead_same_line && t.first) {
                i += 1;
                continue;
            }
            if ok_place && strong && (ahead_same_line || colon) {
                mark = Some(Mark { key: role, tokens: i..next, content: next..next, behind: false });
            } else if let Some((key, team)) = behind {
                mark = Some(Mark { key, tokens: i..next, content: team.tokens.clone(), behind: true });
            } else if ok_place && strong && (person.is_some() || t.first || role != Key::Collector) {
                mark = Some(Mark { key: role, tokens: i..next, content: next..next, behind: false });
            }
        } else if let Some(key) = key {
            if label.used[i] == Some(Use::Institution) {
                i += 1;
                continue;
            }
            let number_next =
                label.flow.tokens.get(next).is_some_and(|n| n.kind == Kind::Number || n.is('#'));
            let inline = matches!(key, Key::Elevation | Key::Date | Key::Number) && t.capital()
                || key == Key::Coordinates && t.capital() && number_next;
            let whole =
                t.first && t.capital() && (m.letters >= 6 || dotted || key == Key::Date && next < count)
                    || t.first && t.capital() && key == Key::Name;
            let bracketed = label.flow.tokens.get(i.wrapping_sub(1)).is_some_and(|p| p.is('('));
            if !bracketed
                && (colon && (t.capital() || t.first)
                    || whole && key != Key::Other && key != Key::Region
                    || inline && (number_next || dotted || m.letters >= 4))
            {
                // `Lake`, `Cape` and the like are no keys in the middle of a
                // sentence; a key without a colon starts its line or is followed
                // by a number.
                mark = Some(Mark { key, tokens: i..next, content: next..next, behind: false });
            }
        } else if let Some(a) = after
            && let Some(team) = team_before(label, rules, i)
        {
            mark = Some(Mark { key: a.value, tokens: i..a.end, content: team.tokens.clone(), behind: true });
        }
        match mark {
            Some(mark) => {
                i = mark.tokens.end.max(i + 1);
                found.push(mark);
            }
            None => i += 1,
        }
    }
    // What each key speaks for.
    let starts: Vec<usize> = found.iter().map(|m| m.tokens.start).collect();
    for (n, mark) in found.iter_mut().enumerate() {
        if mark.behind {
            continue;
        }
        let from = mark.tokens.end;
        let next_mark = starts.get(n + 1).copied().unwrap_or(count);
        let line = label.flow.tokens[mark.tokens.end - 1].line;
        let mut end = label.line_tokens(line).end.min(next_mark);
        let goes_on = matches!(
            mark.key,
            Key::Locality | Key::Region | Key::Habitat | Key::Host | Key::Remarks | Key::Name | Key::Method
        );
        if goes_on {
            let mut line = line;
            while end < next_mark {
                let following = label.line_tokens(line + 1);
                if following.is_empty() || following.start != end {
                    break;
                }
                let head = &label.flow.tokens[following.start];
                let ended = label.flow.tokens.get(end.wrapping_sub(1)).is_some_and(|t| t.is('.'));
                let boundary = following
                    .clone()
                    .any(|k| matches!(label.used[k], Some(Use::Institution | Use::Heading | Use::Catalog)))
                    || matches!(label.used[following.start], Some(Use::Date | Use::Elevation))
                    || matches!(label.used[following.start], Some(Use::Coordinates))
                        && mark.key != Key::Locality
                    || head.is('#') && mark.key != Key::Locality
                    || head.is('(') && following.len() < 4
                    || ended
                        && persons::at(&label.flow, rules, following.start, following.end, false).is_some()
                    || end == from && !matches!(mark.key, Key::Locality | Key::Habitat | Key::Name);
                if boundary {
                    break;
                }
                end = following.end.min(next_mark);
                line += 1;
            }
        }
        mark.content = from..end.max(from);
    }
    for mark in &found {
        label.claim(mark.tokens.clone(), Use::Key);
        if mark.behind {
            label.claim(mark.content.clone(), Use::Person);
        }
    }
    label.marks = found;
}

fn team_after(label: &Label, rules: &Rules, i: usize) -> Option<Team> {
    let t = label.flow.tokens.get(i)?;
    // On the same line, or the whole next line.
    let stop = (i..label.flow.tokens.len())
        .find(|k| {
            matches!(label.used[*k], Some(Use::Date | Use::Catalog | Use::Coordinates | Use::Elevation))
        })
        .unwrap_or(label.flow.tokens.len());
    let team = persons::at(&label.flow, rules, i, stop, true)?;
    let _ = t;
    Some(team)
}

/// The team that ends right before token `i`.
fn team_before(label: &Label, rules: &Rules, i: usize) -> Option<Team> {
    let mut end = i;
    while end > 0
        && (label.flow.tokens[end - 1].is(',')
            || label.flow.tokens[end - 1].is('.')
            || label.flow.tokens[end - 1].is(';'))
    {
        end -= 1;
    }
    let mut best: Option<Team> = None;
    let line = label.flow.tokens.get(i)?.line;
    for start in (end.saturating_sub(24)..end).rev() {
        if !label.free(start) || label.flow.tokens[start].line + 4 < line {
            break;
        }
        let t = &label.flow.tokens[start];
        let same_line = t.line == label.flow.tokens[end - 1].line;
        let small = label.flow.tokens.len() <= 6;
        let near = t.line == line;
        if let Some(team) = persons::at(&label.flow, rules, start, end, same_line || t.first) {
            if !near && !small && !team.initials() && !team.full() {
                continue;
            }
            let whole = team.tokens.end == end
                || label.flow.tokens[team.tokens.end..end].iter().all(|t| t.is('.') || t.is(','));
            if !whole {
                continue;
            }
            // A longer team is better only while every person stays full or it
            // is the same line.
            let inside_line = start == 0
                || label.flow.tokens[start].first
                || matches!(label.flow.tokens[start - 1].kind, Kind::Mark | Kind::Number);
            if best.is_none() || team.full() && (inside_line || same_line) && (same_line || t.first) {
                best = Some(team);
            }
        }
    }
    best
}

fn is_determination(label: &Label) -> bool {
    let det = label.marks.iter().any(|m| matches!(m.key, Key::Determiner));
    let coll = label.marks.iter().any(|m| matches!(m.key, Key::Collector | Key::Both | Key::Locality));
    // A day well above the determiner is the day of collecting: two labels that
    // lie so close were taken for one.
    let line = |k: usize| label.flow.tokens[k].line;
    let determiner = label.marks.iter().find(|m| m.key == Key::Determiner).map(|m| line(m.tokens.start));
    let collected = |d: &(DateReading, Range<usize>)| {
        d.0.shape == DateShape::Day && determiner.is_some_and(|l| line(d.1.start) + 2 <= l)
    };
    det && !coll
        && !label.dates.iter().any(collected)
        && label.flow.tokens.len() <= 40
        && label.coordinates.is_empty()
        && label.elevations.is_empty()
}

/// Highest cost a letter of a known name may have on average.
const KNOWN_SLACK: f32 = 0.12;

/// Places of the collection's own list.
fn known_places(label: &mut Label, rules: &Rules) {
    for i in 0..label.flow.tokens.len() {
        let inside = label.known_places.last().is_some_and(|r| r.contains(&i));
        if inside || !label.free(i) || !label.flow.tokens[i].capital() {
            continue;
        }
        if let Some(m) = rules.own_places.at(&label.flow, i, KNOWN_SLACK) {
            label.known_places.push(i..m.end);
        }
    }
}

/// People of the collection's own list, where they stand without a role word:
/// collectors, on a determination label its determiner.
fn known_persons(labels: &mut [Label], rules: &Rules) {
    let has = |labels: &[Label], keys: [Key; 2]| {
        labels.iter().any(|l| l.teams.iter().any(|t| t.1.is_some_and(|k| keys.contains(&k))))
    };
    for l in 0..labels.len() {
        let mut i = 0;
        while i < labels[l].flow.tokens.len() {
            let label = &labels[l];
            let hit = (label.free(i) && label.flow.tokens[i].capital())
                .then(|| rules.own_people.at(&label.flow, i, KNOWN_SLACK))
                .flatten()
                .filter(|m| m.letters >= 4 && (i..m.end).all(|k| label.free(k)));
            let Some(m) = hit else {
                i += 1;
                continue;
            };
            // The whole team, where others are joined to the known one.
            let team = persons::at(&label.flow, rules, i, label.flow.tokens.len(), true)
                .filter(|t| t.tokens.end >= m.end && t.tokens.clone().all(|k| label.free(k)));
            i = team.as_ref().map_or(m.end, |t| t.tokens.end).max(i + 1);
            let Some(team) = team else { continue };
            let key = if labels[l].determination { Key::Determiner } else { Key::Collector };
            if has(labels, [key, Key::Both]) {
                continue;
            }
            labels[l].claim(team.tokens.clone(), Use::Person);
            labels[l].teams.push((team, Some(key), 0.93));
        }
    }
}

/// The name a record carries for a person read: that of `config/people.toml`
/// where the reading is one of its ways of writing, or a letter or two from it.
fn known_as<'a>(rules: &'a Rules, name: &str) -> Option<&'a str> {
    let read = squash(name);
    let of = |known: &super::rules::Known, full: &str| {
        std::iter::once(full)
            .chain(known.also.iter().map(String::as_str))
            .map(|n| {
                let n = squash(n);
                let far = strsim::levenshtein(&n, &read);
                if n.chars().count() >= 6 { far } else { far * 9 }
            })
            .min()
            .unwrap_or(usize::MAX)
    };
    rules
        .people
        .iter()
        .map(|(full, known)| (of(known, full), full.as_str()))
        .min()
        .filter(|(far, _)| *far <= 1)
        .map(|(_, full)| full)
}

/// Scientific names.
fn names(label: &mut Label, rules: &Rules) {
    let mut i = 0;
    let mut found: Vec<Taxon> = Vec::new();
    while i < label.flow.tokens.len() {
        let t = &label.flow.tokens[i];
        if !label.free(i)
            || t.kind != Kind::Word
            || !t.capital()
            || label.known_places.iter().any(|r| r.contains(&i))
        {
            i += 1;
            continue;
        }
        let before = i.checked_sub(1).map(|k| &label.flow.tokens[k]);
        if let Some(taxon) = listed(label, rules, i) {
            i = taxon.tokens.end.max(i + 1);
            found.push(taxon);
            continue;
        }
        let keyed = label.under(i).filter(|m| m.key == Key::Name).is_some();
        // Behind a number, with a point between or not (`1315. Noctua`).
        let numbered = before.is_some_and(|b| {
            b.kind == Kind::Number && label.free(i - 1)
                || b.is('.') && i > 1 && label.flow.tokens[i - 2].kind == Kind::Number
        }) && before.is_some_and(|b| b.line + 1 >= t.line);
        let opens = t.first
            || keyed
            || before.is_some_and(|b| b.is('.') || b.is('(') || b.is('=') || b.kind == Kind::Number)
                && label.line_tokens(t.line).start + 5 >= i;
        let lower_before = before.is_some_and(|b| b.kind == Kind::Word && !b.capital() && b.line == t.line);
        if label.under(i).is_some_and(|m| {
            matches!(m.key, Key::Habitat | Key::Locality | Key::Host | Key::Remarks | Key::Map)
        }) {
            i += 1;
            continue;
        }
        let named = keyed
            || label.determination
            || (t.first || numbered) && {
                // A genus alone counts on a line of its own, with a number at most.
                let line = label.line_tokens(t.line);
                let sheet = label.used.contains(&Some(Use::Heading)) || label.flow.tokens.len() <= 3;
                let others = |k: &usize| {
                    let w = &label.flow.tokens[*k];
                    w.kind == Kind::Word
                        && w.text.chars().count() > 1
                        && label.free(*k)
                        && !rules.number_signs.contains(&w.text)
                };
                (sheet || numbered) && line.clone().filter(others).count() == 1
            };
        let used = &label.used;
        let tokens = &label.flow.tokens;
        // Signs of sex, years, and the strokes a reader makes of them, stand
        // between the words of a name on a determination label.
        let stray = |k: usize| {
            let t = &tokens[k];
            t.kind == Kind::Number && t.text.len() <= 2
                || t.first && t.last && t.text.chars().count() == 1
                || t.is('\'')
                || t.is('-') && tokens.get(k + 1).is_some_and(|n| n.kind == Kind::Number)
        };
        let skip = |k: usize| {
            tokens[k].is('♂')
                || tokens[k].is('♀')
                || label.determination && (matches!(used[k], Some(Use::Date)) || stray(k))
        };
        let stop_at_used = |x: &Taxon| x.tokens.clone().all(|k| used[k].is_none() || skip(k));
        let taxon = taxa::at(&label.flow, rules, i, named, &skip).filter(stop_at_used);
        let Some(taxon) = taxon else {
            i += 1;
            continue;
        };
        // A genus alone stands at the start of a line, or behind a number or key.
        if taxon.epithets == 0 && !(t.first || numbered || keyed) {
            i += 1;
            continue;
        }
        let enough =
            opens && !lower_before || taxon.epithets >= 1 && !taxon.author.is_empty() && !lower_before;
        if !enough {
            i += 1;
            continue;
        }
        let end = taxon.tokens.end;
        found.push(taxon);
        i = end.max(i + 1);
    }
    // Hosts are claimed later: a name behind `on` is none of the specimen.
    for taxon in &found {
        for k in taxon.tokens.clone() {
            if label.used[k].is_none() {
                label.used[k] = Some(Use::Taxon);
            }
        }
    }
    label.taxa = found;
}

/// The name of the collection's checklist that starts at token `i`.
fn listed(label: &Label, rules: &Rules, i: usize) -> Option<Taxon> {
    let m = rules.checklist.at(&label.flow, i, KNOWN_SLACK)?;
    let end = if label.flow.tokens[m.end - 1].is('.') { m.end - 1 } else { m.end };
    if (i..end).any(|k| !label.free(k)) {
        return None;
    }
    let name = rules.checklist_names[m.value].clone();
    // Epithets below the species and authors as they stand.
    let as_it_stands = taxa::at(&label.flow, rules, i, true, &|_| false).filter(|t| t.tokens.end > end);
    let chars = label.chars(i..end);
    Some(match as_it_stands {
        Some(longer) if longer.name.split(' ').count() > name.split(' ').count() => Taxon {
            name: longer.name.split(' ').skip(name.split(' ').count()).fold(name, |n, w| n + " " + w),
            looks: 1.0,
            ..longer
        },
        Some(longer) => Taxon { name, looks: 1.0, ..longer },
        None => Taxon {
            epithets: name.split(' ').count() - 1,
            name,
            author: String::new(),
            qualifier: String::new(),
            author_chars: chars.end..chars.end,
            chars,
            tokens: i..end,
            looks: 1.0,
        },
    })
}

fn places(labels: &mut [Label], rules: &Rules) -> (Decision, Vec<Evidence>) {
    let mut all = Vec::new();
    for (i, label) in labels.iter().enumerate() {
        if label.determination {
            continue;
        }
        let free = |k: usize| {
            matches!(label.used[k], None | Some(Use::Heading))
                && !label.under(k).is_some_and(|m| {
                    matches!(m.key, Key::Name | Key::Habitat | Key::Remarks | Key::Host | Key::Other)
                })
        };
        let prefer = |k: usize| match label.used[k] {
            Some(Use::Heading) => 1.2,
            _ if label.under(k).is_some_and(|m| m.key == Key::Map) => 0.4,
            _ => {
                let t = &label.flow.tokens[k];
                // Alone between punctuation or at a line's edge, a name is more
                // likely the region than inside a phrase (`Georgia Street`).
                let before = k.checked_sub(1).map(|b| &label.flow.tokens[b]);
                let apart =
                    t.first || before.is_some_and(|b| b.kind == Kind::Mark && !b.is('(') && !b.is('&'));
                if apart { 1.0 } else { 0.7 }
            }
        };
        all.extend(geography::find(&label.flow, i, rules, &free, &prefer));
    }
    (geography::decide(&all, rules), all)
}

/// As [`places`], and the references to the British grid of labels that come
/// from there. Their letters are also states (`NY 345 065`): they are taken out
/// of the search for places first, where Britain is named at all.
fn places_and_grid(labels: &mut [Label], rules: &Rules) -> (Decision, Vec<Evidence>) {
    let british =
        |geography: &(Decision, Vec<Evidence>)| geography.0.country.as_ref().is_some_and(|c| c.code == "GB");
    let without = places(labels, rules);
    let named = without.1.iter().flat_map(|e| &e.hits).any(|h| h.country() == "GB" && h.cost == 0.0);
    if !named && !british(&without) {
        return without;
    }
    let before: Vec<_> = labels.iter().map(|l| (l.used.clone(), l.coordinates.len())).collect();
    let mut some = false;
    for label in labels.iter_mut() {
        for c in coordinates::find_british(&label.flow.text) {
            let tokens = label.flow.within(&c.chars);
            if tokens.is_empty() || tokens.clone().any(|i| !label.free(i)) {
                continue;
            }
            label.claim(tokens.clone(), Use::Coordinates);
            label.coordinates.push((c, tokens));
            some = true;
        }
    }
    if !some {
        return without;
    }
    let geography = places(labels, rules);
    if british(&geography) {
        return geography;
    }
    for (label, (used, coordinates)) in labels.iter_mut().zip(before) {
        label.used = used;
        label.coordinates.truncate(coordinates);
    }
    without
}

fn roles(label: &mut Label, rules: &Rules) {
    let marks = label.marks.clone();
    for mark in &marks {
        if !matches!(mark.key, Key::Collector | Key::Determiner | Key::Both) {
            continue;
        }
        let stop_next = marks
            .iter()
            .map(|m| m.tokens.start)
            .find(|s| *s >= mark.tokens.end)
            .unwrap_or(label.flow.tokens.len());
        let team = if mark.behind {
            persons::at(&label.flow, rules, mark.content.start, mark.content.end, true).map(|t| (t, 0.95))
        } else {
            role_ahead(label, rules, mark, stop_next)
        };
        let Some((team, certainty)) = team else { continue };
        if !mark.behind && team.tokens.clone().any(|k| matches!(label.used[k], Some(Use::Person))) {
            // The same person for two roles (`Coll. & det.`) or a stronger word.
            if mark.key != Key::Both {
                continue;
            }
        }
        label.claim(team.tokens.clone(), Use::Person);
        let certainty = if team.initials() || team.full() { certainty } else { certainty - 0.1 };
        label.teams.push((team, Some(mark.key), certainty));
    }
}

/// The person a role word in front speaks for: right behind it; or, on a
/// determination label, at the start of a later line, past years and authors.
fn role_ahead(label: &Label, rules: &Rules, mark: &Mark, stop: usize) -> Option<(Team, f32)> {
    let blocked = |k: usize| !matches!(label.used[k], None | Some(Use::Taxon));
    let mut tries: Vec<(usize, f32)> = Vec::new();
    let mut k = mark.tokens.end;
    while k < stop
        && (matches!(label.used[k], Some(Use::Date))
            || label.flow.tokens[k].is('/')
            || label.flow.tokens[k].is(',')
            || label.flow.tokens[k].is('\'')
            || label.flow.tokens[k].kind == Kind::Number)
    {
        k += 1;
    }
    if k < stop {
        tries.push((k, 0.95));
    }
    let line = label.flow.tokens[mark.tokens.start].line;
    let reach = if mark.key == Key::Collector { 1 } else { 2 };
    for t in mark.tokens.end..stop {
        if label.flow.tokens[t].first
            && label.flow.tokens[t].line <= line + reach
            && !tries.iter().any(|x| x.0 == t)
        {
            tries.push((t, 0.85));
        }
    }
    let mut best: Option<(Team, f32, f32)> = None;
    for (start, certainty) in tries {
        if blocked(start) {
            continue;
        }
        let until = (start..stop).find(|k| blocked(*k)).unwrap_or(stop);
        let Some(team) = persons::at(&label.flow, rules, start, until, true) else { continue };
        let end = team.tokens.end;
        // A surname is not shortened: `Cam.` is an author, a line's end is none.
        let shortened = !team.initials() && label.flow.tokens.get(end).is_some_and(|t| t.is('.') && !t.last);
        let score =
            certainty + 0.3 * f32::from(u8::from(team.initials())) + 0.1 * f32::from(u8::from(team.full()))
                - 0.5 * f32::from(u8::from(shortened));
        if best.as_ref().is_none_or(|b| score > b.2) {
            best = Some((team, certainty, score));
        }
    }
    best.filter(|b| b.2 > 0.6).map(|(t, c, _)| (t, c))
}

/// Persons without a role word: a line of its own, beside a number or a date.
fn lone_persons(labels: &mut [Label], rules: &Rules, evidence: &[Evidence]) {
    let collected =
        labels.iter().any(|l| l.teams.iter().any(|t| matches!(t.1, Some(Key::Collector | Key::Both))));
    let determined =
        labels.iter().any(|l| l.teams.iter().any(|t| matches!(t.1, Some(Key::Determiner | Key::Both))));
    let bracket = |label: &Label, line: usize, stems: &[&str]| {
        let tokens = label.line_tokens(line);
        let first = label.flow.tokens.get(tokens.start).filter(|t| t.is('('));
        first.is_some()
            && label.flow.tokens[tokens].iter().any(|t| stems.iter().any(|s| squash(&t.text).starts_with(s)))
    };
    for (l, label) in labels.iter_mut().enumerate() {
        let known = label.known_places.clone();
        let place = |k: usize| {
            known.iter().any(|r| r.contains(&k))
                || evidence
                    .iter()
                    .any(|e| e.flow == l && e.tokens.contains(&k) && e.unknown.is_none() && !e.common)
        };
        let mut i = 0;
        while i < label.flow.tokens.len() {
            let t = &label.flow.tokens[i];
            let line = label.line_tokens(t.line);
            // What stands in front on the line, past a comma: `14.vii.1993, J. Vell`.
            let comma = i > line.start && label.flow.tokens[i - 1].is(',') && label.free(i - 1);
            let ahead = i.checked_sub(1 + usize::from(comma)).filter(|k| *k >= line.start);
            let ahead = ahead.and_then(|k| label.used[k]);
            let opens = t.first
                || ahead == Some(Use::Date)
                || !comma && matches!(ahead, Some(Use::Number | Use::Taxon | Use::Place));
            if !label.free(i)
                || !opens
                || known.iter().any(|r| r.contains(&i))
                || label.under(i).is_some_and(|m| !m.behind && m.key != Key::Other)
            {
                i += 1;
                continue;
            }
            let stop = (i..label.flow.tokens.len())
                .find(|k| !label.free(*k) || place(*k))
                .unwrap_or(label.flow.tokens.len());
            let team = persons::at(&label.flow, rules, i, stop, false).filter(|t| {
                t.initials()
                    || !label.flow.tokens[t.tokens.clone()]
                        .iter()
                        .any(|w| rules.places.place_words.contains(&squash(&w.text)))
            });
            let Some(team) = team else {
                i += 1;
                continue;
            };
            let end = team.tokens.end;
            // What follows on the line must be nothing, a number or a date.
            let last_line = label.flow.tokens[end - 1].line;
            let rest_end = label.line_tokens(last_line).end;
            let rest: Vec<&Token> =
                (end..rest_end).filter(|k| label.free(*k)).map(|k| &label.flow.tokens[k]).collect();
            let clean = rest.iter().all(|t| {
                t.kind == Kind::Number
                    || t.is(',')
                    || t.is('.')
                    || t.is('#')
                    || t.is('-')
                    || t.is(':')
                    || t.is('/')
                    || t.text.chars().count() == 1
            });
            let number = (end..rest_end).any(|k| label.flow.tokens[k].kind == Kind::Number && label.free(k));
            let date = (end..rest_end).any(|k| label.used[k] == Some(Use::Date)) || ahead == Some(Use::Date);
            let determiner = bracket(label, t.line + 1, &["determin", "identif", "verif"]);
            let collector = bracket(label, t.line + 1, &["collect"]);
            let beside_date = label.dates.iter().any(|d| {
                let l = label.flow.tokens[d.1.start].line;
                l.abs_diff(last_line) <= 1
            });
            let lone = (team.initials()
                || (team.full() && (number || date || beside_date || collector || determiner)))
                && (clean || determiner || collector || (team.initials() && (date || number)));
            if !team.full() || !lone {
                i += 1;
                continue;
            }
            let signed = (end..rest_end).any(|k| {
                label.flow.tokens[k].is('#') || rules.number_signs.contains(&label.flow.tokens[k].text)
            });
            let year_only = date
                && label
                    .dates
                    .iter()
                    .any(|d| d.0.shape == DateShape::Year && label.flow.tokens[d.1.start].line == last_line);
            let (role, certainty) = if determiner {
                (Key::Determiner, 0.85)
            } else if collector || signed && !collected {
                (Key::Collector, 0.9)
            } else if year_only && !number && !collected && !determined && better_collector(label, rules, end)
            {
                (Key::Determiner, 0.7)
            } else if collected
                && !determined
                && date
                && !number
                && label
                    .dates
                    .iter()
                    .any(|d| d.0.shape == DateShape::Year && label.flow.tokens[d.1.start].line == last_line)
            {
                // A name with a year alone, where the collector is known, is
                // how an annotation is signed.
                (Key::Determiner, 0.7)
            } else if collected {
                i = end;
                continue;
            } else if label.determination {
                (Key::Determiner, 0.6)
            } else {
                (Key::Collector, if number || date { 0.9 } else { 0.75 })
            };
            label.claim(team.tokens.clone(), Use::Person);
            i = end;
            label.teams.push((team, Some(role), certainty));
        }
    }
}

/// Whether a later line holds a person with a number, or with a date to the day
/// or month: the collector, beside whom a name with a year alone is another's.
fn better_collector(label: &Label, rules: &Rules, from: usize) -> bool {
    (from..label.flow.tokens.len()).filter(|k| label.flow.tokens[*k].first && label.free(*k)).any(|k| {
        let line = label.line_tokens(label.flow.tokens[k].line);
        let stop = line.clone().find(|x| *x >= k && !label.free(*x)).unwrap_or(line.end);
        let team = persons::at(&label.flow, rules, k, stop, false).filter(|t| t.full());
        team.is_some_and(|t| {
            (t.tokens.end..line.end).any(|x| {
                label.flow.tokens[x].is('#')
                    || rules.number_signs.contains(&label.flow.tokens[x].text)
                    || label.used[x] == Some(Use::Date)
                        && label.dates.iter().any(|d| {
                            d.1.contains(&x) && matches!(d.0.shape, DateShape::Day | DateShape::Month)
                        })
            })
        })
    })
}

fn persons_out(labels: &[Label], rules: &Rules, finds: &mut Vec<Find>) {
    for (term, keys) in
        [("recordedBy", [Key::Collector, Key::Both]), ("identifiedBy", [Key::Determiner, Key::Both])]
    {
        let mut all: Vec<(usize, &Team, f32, i32)> = Vec::new();
        for (l, label) in labels.iter().enumerate() {
            for (team, role, certainty) in &label.teams {
                if role.is_some_and(|r| keys.contains(&r)) {
                    // Of several determinations the latest counts.
                    let year = label
                        .dates
                        .iter()
                        .filter(|d| {
                            let a = label.flow.tokens[d.1.start].line;
                            a.abs_diff(label.flow.tokens[team.tokens.end - 1].line) <= 1
                        })
                        .filter_map(|d| d.0.best().map(|b| i32::from(b.from.year)))
                        .max()
                        .unwrap_or(0);
                    all.push((l, team, *certainty, year));
                }
            }
        }
        if all.is_empty() {
            continue;
        }
        let determiner = term == "identifiedBy";
        all.sort_by(|a, b| {
            let latest = if determiner { b.3.cmp(&a.3) } else { std::cmp::Ordering::Equal };
            latest.then(b.2.total_cmp(&a.2)).then(a.0.cmp(&b.0))
        });
        let (l, team, certainty, _) = all[0];
        let mut note = String::new();
        if team.others {
            note = "others took part (et al.)".into();
        }
        let mut value = team.value();
        let known: Vec<&str> =
            team.persons.iter().map(|p| known_as(rules, &p.name).unwrap_or(&p.name)).collect();
        if team.persons.iter().zip(&known).any(|(p, k)| p.name != **k) {
            value = known.join(" | ");
            note = if note.is_empty() { "as the list of people writes it".into() } else { note };
        }
        let mut candidates = Vec::new();
        for other in all.iter().skip(1) {
            if other.1.value() != team.value() {
                candidates.push(Candidate {
                    value: other.1.value(),
                    confidence: 0.3 * other.2,
                    why: "also named so on the label".into(),
                });
            }
        }
        let certainty = if candidates.is_empty() { certainty } else { certainty - 0.1 };
        if !candidates.is_empty() {
            candidates
                .insert(0, Candidate { value: value.clone(), confidence: certainty, why: String::new() });
        }
        finds.push(Find {
            term,
            flow: l,
            ranges: vec![labels[l].chars(team.tokens.clone())],
            value,
            certainty,
            candidates,
            note,
        });
    }
}

/// Event date and date of determination.
fn dates_out(labels: &mut [Label], rules: &Rules, country: &str, finds: &mut Vec<Find>) {
    struct Seen {
        flow: usize,
        tokens: Range<usize>,
        reading: DateReading,
        determined: f32,
        score: f32,
    }
    let local = rules.dates.for_country(country);
    let other_order = local.order != rules.dates.order;
    let mut seen: Vec<Seen> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        // Only where the country settles the order of day and month.
        let again =
            if other_order && !label.dates.is_empty() { read_dates(&label.flow, &local) } else { Vec::new() };
        for (d, tokens) in &label.dates {
            let reading = again.iter().find(|a| a.chars == d.chars).unwrap_or(d).clone();
            let Some(best) = reading.best() else { continue };
            let line = label.flow.tokens[tokens.start].line;
            let det_mark = label.marks.iter().find(|m| {
                matches!(m.key, Key::Determiner)
                    && !m.behind
                    && (m.content.contains(&tokens.start)
                        || label.flow.tokens[m.tokens.start].line == line && m.tokens.start < tokens.start)
            });
            // On one line with the determiner, behind the word or the name.
            let between_key = det_mark.is_some_and(|m| {
                label.marks.iter().any(|o| {
                    o.tokens.start > m.tokens.start
                        && o.tokens.end <= tokens.start
                        && label.flow.tokens[o.tokens.start].line == line
                })
            });
            let date_key = label.under(tokens.start).is_some_and(|m| m.key == Key::Date);
            let det_team = label.teams.iter().any(|t| {
                t.1 == Some(Key::Determiner)
                    && label.flow.tokens[t.0.tokens.end - 1].line == line
                    && t.0.tokens.end <= tokens.start + 1
            });
            let coll_team = label.teams.iter().any(|t| {
                t.1 == Some(Key::Collector) && label.flow.tokens[t.0.tokens.end - 1].line.abs_diff(line) <= 1
            });
            let mut determined: f32 = 0.0;
            if label.determination {
                determined = 0.95;
            } else if det_mark.is_some() && !between_key {
                determined = 0.8;
            } else if det_team && !between_key {
                determined = 0.85;
            } else if det_mark.is_some() && between_key && date_key {
                determined = 0.5;
            }
            let shape = match reading.shape {
                DateShape::Day => 1.0,
                DateShape::Month => 0.8,
                DateShape::Season => 0.6,
                DateShape::Year => 0.3,
                DateShape::NoYear => 0.35,
            };
            let mut score = shape + 0.3 * best.confidence;
            if coll_team {
                score += 0.15;
            }
            if date_key {
                score += 0.3;
            }
            if matches!(label.used[tokens.start], Some(Use::Heading | Use::Institution)) {
                score -= 0.6;
            }
            let line_tokens = label.line_tokens(line);
            let heading_line =
                line_tokens.clone().any(|k| matches!(label.used[k], Some(Use::Institution | Use::Heading)));
            if heading_line && reading.shape == DateShape::Year {
                score -= 0.5;
            }
            seen.push(Seen { flow: l, tokens: tokens.clone(), reading, determined, score });
        }
    }
    // A lone two-digit number on a determination label is its year.
    for (l, label) in labels.iter().enumerate() {
        if !label.determination || seen.iter().any(|s| s.flow == l) {
            continue;
        }
        for k in 0..label.flow.tokens.len() {
            let Some((digits, end, determined)) = year_of_determination(label, k) else { continue };
            if let Some(mut reading) = dates::find(&format!("'{digits}"), &local).into_iter().next() {
                reading.chars = label.chars(k..end);
                reading.verbatim = label.flow.slice(reading.chars.clone()).to_owned();
                seen.push(Seen { flow: l, tokens: k..end, reading, determined, score: 0.3 });
                break;
            }
        }
    }
    let plain: Vec<usize> = (0..seen.len()).filter(|i| seen[*i].determined < 0.5).collect();
    let mut event = plain.iter().copied().max_by(|a, b| seen[*a].score.total_cmp(&seen[*b].score));
    // `Det. A. Vell 31 July 1955` on a label without another date: forms and
    // habits put the day of collecting there.
    let weak = event.is_none_or(|i| {
        seen[i].reading.shape == DateShape::Year && seen[i].score < 0.4
            || seen[i].reading.shape == DateShape::NoYear
    });
    let mut borrowed = false;
    if weak {
        let fallback = (0..seen.len())
            .filter(|i| seen[*i].determined >= 0.5 && !labels[seen[*i].flow].determination)
            .max_by(|a, b| seen[*a].score.total_cmp(&seen[*b].score).then(b.cmp(a)));
        if let Some(i) = fallback
            && event.is_none_or(|e| seen[i].score > seen[e].score)
        {
            let dets = (0..seen.len()).filter(|k| seen[*k].determined >= 0.5 && *k != i).count();
            if matches!(seen[i].reading.shape, DateShape::Day | DateShape::Month)
                || dets > 0
                || event.is_none()
            {
                event = Some(i);
                borrowed = true;
            }
        }
    }
    let det = (0..seen.len())
        .filter(|i| Some(*i) != event && seen[*i].determined >= 0.5)
        .max_by(|a, b| {
            let year = |i: &usize| seen[*i].reading.best().map_or(0, |c| c.from.year);
            year(a).cmp(&year(b)).then(seen[*a].determined.total_cmp(&seen[*b].determined))
        })
        .or_else(|| {
            // A name signed with a year where an event date stands elsewhere.
            (0..seen.len()).find(|i| {
                Some(*i) != event
                    && labels[seen[*i].flow].teams.iter().any(|t| {
                        t.1 == Some(Key::Determiner)
                            && labels[seen[*i].flow].flow.tokens[t.0.tokens.start].line
                                == labels[seen[*i].flow].flow.tokens[seen[*i].tokens.start].line
                    })
            })
        });

    // Two-digit years of both dates are decided together: nothing is determined
    // before it was collected.
    let options = |i: Option<usize>| i.map(|i| seen[i].reading.candidates.clone()).unwrap_or_default();
    let (events, dets) = (options(event), options(det));
    let active = collector_years(labels, rules);
    let mut best = (0usize, 0usize, -1.0f32);
    for (a, e) in events.iter().enumerate() {
        let mut we = e.confidence;
        if let Some([from, to]) = active {
            we *= if (from..=to).contains(&e.from.year) { 3.0 } else { 0.3 };
        }
        if dets.is_empty() {
            if we > best.2 {
                best = (a, 0, we);
            }
            continue;
        }
        for (b, d) in dets.iter().enumerate() {
            let open = dets.len() > 1;
            // Two open centuries that cannot both be right are more likely a
            // misread year than a far older label.
            let order = if d.to.last() < e.from.first() {
                if open { 0.06 } else { 0.02 }
            } else if d.from.year > e.from.year + 90 {
                0.3
            } else {
                1.0
            };
            let w = we * d.confidence * order;
            if w > best.2 {
                best = (a, b, w);
            }
        }
    }
    if events.is_empty() {
        for (b, d) in dets.iter().enumerate() {
            if d.confidence > best.2 {
                best = (0, b, d.confidence);
            }
        }
    }
    let mut push = |term: &'static str,
                    verbatim_term: Option<&'static str>,
                    i: usize,
                    choice: usize,
                    factor: f32,
                    extra: String| {
        let s = &seen[i];
        let c = &s.reading.candidates[choice.min(s.reading.candidates.len() - 1)];
        let total: f32 = s.reading.candidates.iter().map(|c| c.confidence).sum();
        // With the other date's help an open century is less open.
        let own = if choice == 0 || total <= 0.0 { c.confidence } else { (c.confidence / total).max(0.6) };
        let own = if s.reading.open_century { own.max(0.5) } else { own };
        let mut note = if s.reading.open_century {
            format!("the century is not written; {} is the likelier", c.from.year / 100 * 100)
        } else {
            String::new()
        };
        if s.reading.open_order && country.is_empty() {
            note.push_str(if note.is_empty() { "" } else { "; " });
            note.push_str("the order of day and month is not written");
        } else if s.reading.open_order {
            note.push_str(if note.is_empty() { "" } else { "; " });
            note.push_str(&format!("order of day and month as usual in {country}"));
        }
        if !extra.is_empty() {
            note.push_str(if note.is_empty() { "" } else { "; " });
            note.push_str(&extra);
        }
        let candidates = if s.reading.candidates.len() > 1 {
            s.reading
                .candidates
                .iter()
                .map(|c| Candidate { value: c.iso.clone(), confidence: c.confidence, why: c.why.clone() })
                .collect()
        } else {
            Vec::new()
        };
        let range = s.reading.chars.clone();
        finds.push(Find {
            term,
            flow: s.flow,
            ranges: vec![range.clone()],
            value: c.iso.clone(),
            certainty: own * factor,
            candidates,
            note,
        });
        if let Some(term) = verbatim_term {
            let value = labels[s.flow].flow.slice(range.clone()).to_owned();
            finds.push(Find {
                term,
                flow: s.flow,
                ranges: vec![range],
                value,
                certainty: 0.95,
                candidates: Vec::new(),
                note: String::new(),
            });
        }
    };
    if let Some(i) = event {
        let extra = if borrowed {
            "it stands beside the determiner, but no other date is on the labels".into()
        } else {
            String::new()
        };
        let rivals = plain
            .iter()
            .filter(|k| {
                **k != i
                    && seen[**k].score > seen[i].score - 0.2
                    && seen[**k].reading.shape == seen[i].reading.shape
                    && seen[**k].reading.best().map(|b| &b.iso) != seen[i].reading.best().map(|b| &b.iso)
            })
            .count();
        let factor = if borrowed { 0.75 } else { 1.0 } / (1.0 + 0.7 * rivals as f32);
        push("eventDate", Some("verbatimEventDate"), i, best.0, factor, extra);
    }
    if let Some(i) = det {
        push("dateIdentified", None, i, best.1, seen[i].determined, String::new());
    }
    let mut free: Vec<(usize, Range<usize>)> = Vec::new();
    // No date but one that cannot be: its words stay, its value stays empty.
    if event.is_none() {
        let all = labels.iter().enumerate().flat_map(|(l, label)| label.dates.iter().map(move |d| (l, d)));
        if let Some((flow, (d, tokens))) = all.into_iter().find(|(_, (d, _))| d.candidates.is_empty()) {
            let (range, value) = (d.chars.clone(), labels[flow].flow.slice(d.chars.clone()).to_owned());
            let find = |term, value, certainty, note| Find {
                term,
                flow,
                ranges: vec![range.clone()],
                value,
                certainty,
                candidates: Vec::new(),
                note,
            };
            finds.push(find("eventDate", String::new(), 0.0, d.problem.clone()));
            finds.push(find("verbatimEventDate", value, 0.95, String::new()));
            free.push((flow, tokens.clone()));
        }
    }
    for (i, s) in seen.iter().enumerate() {
        if Some(i) == event || Some(i) == det {
            let (flow, tokens) = (s.flow, s.tokens.clone());
            free.push((flow, tokens));
        }
    }
    // Dates that were neither are open to other uses (a number that looks like
    // a year), and end as leftovers.
    let taken: Vec<(usize, Range<usize>)> = free;
    for (l, label) in labels.iter_mut().enumerate() {
        for (d, tokens) in label.dates.clone() {
            if !taken.iter().any(|t| t.0 == l && t.1 == tokens)
                && matches!(d.shape, DateShape::Year | DateShape::NoYear)
            {
                for k in tokens {
                    label.used[k] = None;
                }
            }
        }
        for (tl, tokens) in &taken {
            if *tl == l {
                label.claim(tokens.clone(), Use::Date);
            }
        }
    }
}

/// The two digits of a year written by hand behind a determiner or a name
/// (`Det. by '58`, `Scullen '61`), with the token behind them and how sure that
/// is. The apostrophe is often read as a stroke (`158`) or not at all (`by58`),
/// a last 1 as a slash (`6/`).
fn year_of_determination(label: &Label, k: usize) -> Option<(String, usize, f32)> {
    let tokens = &label.flow.tokens;
    let t = &tokens[k];
    if t.kind != Kind::Number || !label.free(k) {
        return None;
    }
    let behind_word = k > 0 && tokens[k - 1].kind == Kind::Word && tokens[k - 1].line == t.line;
    let last = |i: usize| tokens.get(i).is_none_or(|n| n.line != t.line);
    match t.text.len() {
        2 if t.spaced || behind_word => Some((t.text.clone(), k + 1, 0.85)),
        3 if behind_word && t.text.starts_with('1') && last(k + 1) => {
            Some((t.text[1..].to_owned(), k + 1, 0.6))
        }
        1 if behind_word && tokens.get(k + 1).is_some_and(|n| n.is('/')) && last(k + 2) => {
            Some((format!("{}1", t.text), k + 2, 0.6))
        }
        _ => None,
    }
}

/// Years in which the collectors named on the labels were active, where
/// `config/people.toml` knows.
fn collector_years(labels: &[Label], rules: &Rules) -> Option<[i16; 2]> {
    let teams =
        labels.iter().flat_map(|l| &l.teams).filter(|t| matches!(t.1, Some(Key::Collector | Key::Both)));
    let known = |name: &str| {
        rules
            .people
            .iter()
            .find(|(n, k)| squash(n) == squash(name) || k.also.iter().any(|a| squash(a) == squash(name)))
            .and_then(|(_, k)| k.active)
    };
    teams.flat_map(|t| &t.0.persons).find_map(|p| known(&p.name))
}

/// A number with what is written against it: `SM97-095`, `88038-23A`, `L- 885`.
fn number_at(label: &Label, i: usize, spaced_dash: bool) -> Option<(String, usize)> {
    let tokens = &label.flow.tokens;
    let (mut k, mut value, mut digits) = (i, String::new(), 0);
    while let Some(t) = tokens.get(k) {
        if k > i && t.line != tokens[i].line || !label.free(k) {
            break;
        }
        let joined = k == i || !t.spaced || spaced_dash && value.ends_with('-');
        let fits = match t.kind {
            Kind::Number => {
                digits += t.text.len();
                true
            }
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
            if k > i && t.kind == Kind::Number && !joined {
                digits -= 0;
            }
            break;
        }
        value.push_str(&t.text);
        k += 1;
    }
    let real: usize = value.chars().filter(char::is_ascii_digit).count();
    let _ = digits;
    (real > 0 && k > i).then_some((value, k))
}

fn record_number(labels: &mut [Label], rules: &Rules, narrow: bool, finds: &mut Vec<Find>) {
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
                let start = content[0];
                all.push((place + size, l, start..end, value));
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

/// The name of the organism: of several, the one of the latest determination,
/// then the fullest.
fn taxon_out(labels: &mut [Label], finds: &mut Vec<Find>) {
    let mut all: Vec<(f32, usize, usize)> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        for (n, taxon) in label.taxa.iter().enumerate() {
            let mut score = taxon.looks + 0.25 * taxon.epithets.min(2) as f32;
            if label.determination {
                score += 0.8;
            }
            let start = taxon.tokens.start;
            let tokens = &label.flow.tokens;
            if start > 0 && (tokens[start - 1].is('(') || tokens[start - 1].is('=')) {
                score -= 0.7;
            }
            if label.under(start).is_some_and(|m| m.key == Key::Name) {
                score += 0.5;
            }
            // Earlier lines carry the name; later ones what it was found on.
            score -= 0.03 * tokens[start].line as f32;
            // A determination right behind it, with a later year than others'.
            let det_year = label
                .teams
                .iter()
                .filter(|t| t.1 == Some(Key::Determiner))
                .filter(|t| {
                    let (a, b) = (tokens[t.0.tokens.start].line, tokens[taxon.tokens.end - 1].line);
                    a >= b && a <= b + 1
                })
                .count();
            score += 0.35 * det_year.min(1) as f32;
            all.push((score, l, n));
        }
    }
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    let Some((top, l, n)) = all.first().copied() else { return };
    let label = &labels[l];
    let taxon = label.taxa[n].clone();
    let plant_label = labels.len() > 1
        && !label.determination
        && taxon.epithets <= 1
        && taxon.author.is_empty()
        && label.flow.tokens.len() <= 4;
    let mut candidates: Vec<Candidate> = Vec::new();
    for (score, ol, on) in all.iter().skip(1) {
        let other = &labels[*ol].taxa[*on];
        if other.name != taxon.name
            && *score > 0.6
            && !taxon.name.starts_with(&other.name)
            && !candidates.iter().any(|c| c.value == other.name)
        {
            candidates.push(Candidate {
                value: other.name.clone(),
                confidence: 0.3,
                why: "also a name on the label".into(),
            });
        }
    }
    let mut certainty = (0.55
        + 0.25 * taxon.looks
        + 0.1 * taxon.epithets.min(1) as f32
        + if label.determination { 0.1 } else { 0.0 })
    .min(0.97);
    if plant_label {
        certainty *= 0.5;
    }
    if !candidates.is_empty() {
        certainty *= 0.85;
        candidates
            .insert(0, Candidate { value: taxon.name.clone(), confidence: certainty, why: String::new() });
    }
    let _ = top;
    finds.push(Find {
        term: "scientificName",
        flow: l,
        ranges: vec![taxon.chars.clone()],
        value: taxon.name.clone(),
        certainty,
        candidates,
        note: String::new(),
    });
    if !taxon.author.is_empty() {
        finds.push(Find {
            term: "scientificNameAuthorship",
            flow: l,
            ranges: vec![taxon.author_chars.clone()],
            value: taxon.author.clone(),
            certainty: 0.8,
            candidates: Vec::new(),
            note: String::new(),
        });
    }
    if !taxon.qualifier.is_empty() {
        finds.push(Find {
            term: "identificationQualifier",
            flow: l,
            ranges: vec![taxon.chars.clone()],
            value: taxon.qualifier.clone(),
            certainty: 0.9,
            candidates: Vec::new(),
            note: String::new(),
        });
    }
}

/// Sex, counts, stage, type, preparation, method, condition.
fn traits(labels: &mut [Label], rules: &Rules, finds: &mut Vec<Find>) {
    let mut sexes: Vec<(usize, Range<usize>, String, u32)> = Vec::new();
    let mut rest: Vec<(Trait, usize, Range<usize>, String)> = Vec::new();
    for (l, label) in labels.iter_mut().enumerate() {
        let mut i = 0;
        while i < label.flow.tokens.len() {
            let t = &label.flow.tokens[i];
            let sign = t.kind == Kind::Mark && matches!(label.used[i], Some(Use::Taxon));
            if !label.free(i) && !sign {
                i += 1;
                continue;
            }
            let Some(m) = rules.traits.at(&label.flow, i, 0.0) else {
                i += 1;
                continue;
            };
            if (i..m.end.min(label.flow.tokens.len())).any(|k| !label.free(k)) && t.kind != Kind::Mark {
                i += 1;
                continue;
            }
            let (kind, value) = m.value;
            let value = rules.values[value].clone();
            let tokens = i..m.end;
            let under_place = label
                .under(i)
                .is_some_and(|m| matches!(m.key, Key::Habitat | Key::Locality | Key::Remarks | Key::Name));
            // Single words of methods and conditions are common words too: they
            // count on their own line, behind `at`, or set off by punctuation.
            let line = label.line_tokens(t.line);
            let apart = (t.first || label.flow.tokens[i - 1].kind == Kind::Mark)
                && label.flow.tokens.get(m.end).is_none_or(|n| n.first || n.kind == Kind::Mark);
            let strong = match kind {
                Trait::Sex | Trait::Type => true,
                Trait::Stage => !under_place,
                _ => (apart || m.end - i >= 2 || line.len() <= 3) && !under_place,
            };
            if !strong {
                i += 1;
                continue;
            }
            let mut claimed = tokens.clone();
            if kind == Trait::Sex {
                let mut count = 1;
                if i > 0
                    && label.flow.tokens[i - 1].kind == Kind::Number
                    && label.flow.tokens[i - 1].text.len() <= 3
                    && label.free(i - 1)
                    && label.flow.tokens[i - 1].line == t.line
                {
                    count = label.flow.tokens[i - 1].text.parse().unwrap_or(1);
                    claimed.start -= 1;
                    sexes.push((l, claimed.clone(), value, count.max(1) | 0x8000_0000));
                } else {
                    // `♂♂` is more than one, how many it does not say.
                    sexes.push((l, claimed.clone(), value, count));
                    count = 0;
                    let _ = count;
                }
            } else {
                rest.push((kind, l, claimed.clone(), value));
            }
            label.claim(claimed, Use::Trait);
            i = m.end.max(i + 1);
        }
    }
    let counted = counts(labels, rules);
    if sexes.is_empty() {
        misread_sign(labels, rules, finds);
    }
    if !sexes.is_empty() {
        let mut kinds: Vec<&str> = Vec::new();
        for s in &sexes {
            if !kinds.contains(&s.2.as_str()) {
                kinds.push(&s.2);
            }
        }
        let written = sexes.iter().any(|s| s.3 & 0x8000_0000 != 0);
        let total: u32 = sexes.iter().map(|s| s.3 & 0x7fff_ffff).sum();
        let l = sexes[0].0;
        let ranges: Vec<Range<usize>> =
            sexes.iter().filter(|s| s.0 == l).map(|s| labels[l].chars(s.1.clone())).collect();
        let value = if kinds.len() > 1 || written && total > 1 && kinds.len() > 1 {
            kinds.join(" | ")
        } else {
            kinds[0].to_owned()
        };
        let certainty = if kinds.len() > 1 && !written { 0.6 } else { 0.95 };
        finds.push(Find {
            term: "sex",
            flow: l,
            ranges: ranges.clone(),
            value,
            certainty,
            candidates: Vec::new(),
            note: String::new(),
        });
        if written {
            finds.push(Find {
                term: "individualCount",
                flow: l,
                ranges,
                value: total.to_string(),
                certainty: 0.9,
                candidates: Vec::new(),
                note: String::new(),
            });
        }
    }
    if let Some((l, tokens, count)) = counted
        && !finds.iter().any(|f| f.term == "individualCount")
    {
        finds.push(Find {
            term: "individualCount",
            flow: l,
            ranges: vec![labels[l].chars(tokens)],
            value: count.to_string(),
            certainty: 0.9,
            candidates: Vec::new(),
            note: String::new(),
        });
    }
    for (kind, term) in [
        (Trait::Stage, "lifeStage"),
        (Trait::Type, "typeStatus"),
        (Trait::Preparation, "preparations"),
        (Trait::Method, "samplingProtocol"),
        (Trait::Condition, "occurrenceRemarks"),
    ] {
        let own: Vec<_> = rest.iter().filter(|r| r.0 == kind).collect();
        let Some(first) = own.first() else { continue };
        let l = first.1;
        let ranges: Vec<Range<usize>> =
            own.iter().filter(|r| r.1 == l).map(|r| labels[l].chars(r.2.clone())).collect();
        let mut values: Vec<String> = Vec::new();
        for r in &own {
            let v = if r.3.is_empty() {
                labels[r.1].flow.slice(labels[r.1].chars(r.2.clone())).to_owned()
            } else {
                r.3.clone()
            };
            if !values.contains(&v) {
                values.push(v);
            }
        }
        let joined = values.join(if kind == Trait::Condition { "; " } else { " | " });
        finds.push(Find {
            term,
            flow: l,
            ranges,
            value: joined,
            certainty: 0.85,
            candidates: Vec::new(),
            note: String::new(),
        });
    }
}

/// The number of specimens before a word that says so (`4 ex.`): where it stands
/// and how many, all such numbers added.
fn counts(labels: &mut [Label], rules: &Rules) -> Option<(usize, Range<usize>, u32)> {
    let mut found: Option<(usize, Range<usize>, u32)> = None;
    for (l, label) in labels.iter_mut().enumerate() {
        for i in 0..label.flow.tokens.len() {
            let t = &label.flow.tokens[i];
            if t.kind != Kind::Number || t.text.len() > 3 || !label.free(i) {
                continue;
            }
            let Some(m) = rules.counts.at(&label.flow, i + 1, 0.0) else { continue };
            if label.flow.tokens[i + 1].line != t.line || (i..m.end).any(|k| !label.free(k)) {
                continue;
            }
            let Ok(count) = t.text.parse::<u32>() else { continue };
            label.claim(i..m.end, Use::Trait);
            found = Some(match found {
                None => (l, i..m.end, count),
                Some((l, tokens, before)) => (l, tokens, before + count),
            });
        }
    }
    found
}

/// The sign of sex that a reader took for another character: it stands alone at
/// the end of the line with the genus of a determination label.
fn misread_sign(labels: &mut [Label], rules: &Rules, finds: &mut Vec<Find>) {
    for (l, label) in labels.iter_mut().enumerate().filter(|(_, l)| l.determination) {
        let Some(taxon) = label.taxa.first() else { continue };
        let from = taxon.tokens.start + 1;
        let line = label.flow.tokens[taxon.tokens.start].line;
        if label.flow.tokens.get(from).is_none_or(|t| t.line != line) {
            continue;
        }
        let Some(end) = taxa::sign_behind(&label.flow, &rules.names, from) else { continue };
        let text: String = label.flow.tokens[from..end].iter().map(|t| t.text.as_str()).collect();
        let Some((value, share)) = rules.sex_misread.get(&text) else { continue };
        let chars = label.chars(from..end);
        label.claim(from..end, Use::Trait);
        let other = if value == "male" { "female" } else { "male" };
        let candidate = |v: &str, p: f32| Candidate {
            value: v.into(),
            confidence: p,
            why: format!("`{text}` stands where the sign of sex is written"),
        };
        finds.push(Find {
            term: "sex",
            flow: l,
            ranges: vec![chars],
            value: value.clone(),
            certainty: *share,
            candidates: vec![candidate(value, *share), candidate(other, 1.0 - share)],
            note: "the sign was read as another character".into(),
        });
        return;
    }
}

/// Hosts: a name behind `on`, or a plant's name on a label of its own.
fn hosts(labels: &mut [Label], rules: &Rules, evidence: &[Evidence], finds: &mut Vec<Find>) {
    let named: Option<(usize, Range<usize>)> =
        finds.iter().find(|f| f.term == "scientificName").map(|f| (f.flow, f.ranges[0].clone()));
    let mut best: Option<(f32, usize, Range<usize>)> = None;
    for l in 0..labels.len() {
        let label = &labels[l];
        let mut i = 0;
        while i < label.flow.tokens.len() {
            let t = &label.flow.tokens[i];
            if !label.free(i) || label.determination {
                i += 1;
                continue;
            }
            let opens = t.first
                || matches!(label.flow.tokens[i - 1].kind, Kind::Mark)
                || label.flow.tokens[i - 1].kind == Kind::Number
                || matches!(label.used[i - 1], Some(Use::Person | Use::Date | Use::Elevation));
            let under = label.under(i).is_some_and(|m| matches!(m.key, Key::Locality | Key::Collector));
            let Some(m) = rules.hosts.at(&label.flow, i, 0.0).filter(|_| opens && !under) else {
                i += 1;
                continue;
            };
            let next = m.end;
            let free_or_taxon = |k: usize| matches!(label.used.get(k), Some(None) | Some(Some(Use::Taxon)));
            if next < label.flow.tokens.len() && free_or_taxon(next) {
                let genus = &label.flow.tokens[next];
                let taxon = taxa::at(&label.flow, rules, next, true, &|_| false);
                if genus.capital()
                    && let Some(x) = taxon.filter(|x| {
                        x.epithets >= 1
                            || rules.names.plants.contains(&x.name)
                            || label.flow.tokens.get(x.tokens.end).is_none_or(|n| n.first)
                    })
                {
                    let mut end = x.tokens.end;
                    // The authors may carry over to the line's end.
                    let line_end = label.line_tokens(label.flow.tokens[end - 1].line).end;
                    if x.epithets >= 1
                        && label.flow.tokens[end.min(line_end)..line_end]
                            .iter()
                            .all(|t| t.capital() || t.is('&') || t.is('.'))
                    {
                        end = line_end;
                    }
                    let score = 0.9;
                    if best.as_ref().is_none_or(|b| score > b.0) {
                        best = Some((score, l, i..end));
                    }
                }
            }
            i = m.end.max(i + 1);
        }
        // A label with a plant's name and nothing else.
        for taxon in &label.taxa {
            let is_name = named.as_ref().is_some_and(|n| n.0 == l && n.1 == taxon.chars);
            if is_name && !(rules.names.plants.contains(&taxon.name)) {
                continue;
            }
            let words = label.flow.tokens.iter().filter(|t| t.kind == Kind::Word).count();
            let own = label.flow.tokens[taxon.tokens.clone()].iter().filter(|t| t.kind == Kind::Word).count();
            let alone = !label.determination && labels.len() > 1 && own == words;
            if alone && best.as_ref().is_none_or(|b| b.0 < 0.8) {
                best = Some((0.8, l, taxon.tokens.clone()));
            }
        }
        for mark in label.marks.iter().filter(|m| m.key == Key::Host && !m.content.is_empty()) {
            best = Some((0.9, l, mark.content.clone()));
        }
    }
    let Some((certainty, l, mut tokens)) = best else { return };
    // On a pin the epithet and the authors may stand in the lines below.
    while labels[l].flow.widest() <= rules.places.pin_line {
        let line = labels[l].flow.tokens[tokens.end - 1].line + 1;
        let below = labels[l].line_tokens(line);
        let all = &labels[l].flow.tokens[below.clone()];
        let place = |k: usize| evidence.iter().any(|e| e.flow == l && e.tokens.contains(&k));
        let free =
            below.clone().all(|k| (labels[l].free(k) || labels[l].used[k] == Some(Use::Taxon)) && !place(k));
        let authors =
            all.iter().any(|t| t.is('&')) || all.iter().all(|t| t.kind == Kind::Word && !t.capital());
        let words = all.iter().filter(|t| t.kind == Kind::Word).count();
        if below.is_empty() || below.start != tokens.end || !free || !authors || words > 4 {
            break;
        }
        tokens.end = below.end;
    }
    let chars = labels[l].chars(tokens.clone());
    labels[l].claim(tokens, Use::Host);
    let value = labels[l].flow.slice(chars.clone()).to_owned();
    // The host is not the animal.
    finds.retain(|f| {
        !(matches!(f.term, "scientificName" | "scientificNameAuthorship" | "identificationQualifier")
            && f.flow == l
            && f.ranges.iter().any(|r| r.start < chars.end && chars.start < r.end))
    });
    finds.push(Find {
        term: "associatedTaxa",
        flow: l,
        ranges: vec![chars],
        value,
        certainty,
        candidates: Vec::new(),
        note: String::new(),
    });
}

fn coordinates_out(labels: &mut [Label], finds: &mut Vec<Find>) {
    let mut degrees: Vec<(usize, CoordinateReading)> = Vec::new();
    let mut survey: Vec<(usize, CoordinateReading)> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        for (c, _) in &label.coordinates {
            if c.system == System::TownshipRange {
                survey.push((l, c.clone()))
            } else {
                degrees.push((l, c.clone()))
            }
        }
    }
    let chosen = degrees
        .iter()
        .find(|d| d.1.latitude.is_some() && d.1.longitude.is_some())
        .or(degrees.first())
        .or(survey.first());
    if let Some((l, c)) = chosen {
        let mut note = c.problem.clone();
        if let Some(datum) = &c.datum {
            note = if note.is_empty() { format!("datum {datum}") } else { format!("{note}; datum {datum}") };
            finds.push(Find {
                term: "geodeticDatum",
                flow: *l,
                ranges: vec![c.chars.clone()],
                value: datum.clone(),
                certainty: 0.9,
                candidates: Vec::new(),
                note: String::new(),
            });
        }
        // Latitude and longitude written apart are one place.
        let (mut lat, mut lon) = (c.latitude, c.longitude);
        let mut ranges = vec![c.chars.clone()];
        if lat.is_none() || lon.is_none() {
            for (ol, o) in &degrees {
                if *ol == *l
                    && o.chars != c.chars
                    && (lat.is_none() && o.latitude.is_some() || lon.is_none() && o.longitude.is_some())
                {
                    lat = lat.or(o.latitude);
                    lon = lon.or(o.longitude);
                    ranges.push(o.chars.clone());
                }
            }
        }
        let value = ranges.iter().map(|r| labels[*l].flow.slice(r.clone())).collect::<Vec<_>>().join(" ");
        let round = |x: f64| {
            let s = format!("{x:.5}");
            s.trim_end_matches('0').trim_end_matches('.').to_owned()
        };
        let several =
            degrees.iter().filter(|d| d.1.latitude.is_some() && d.1.longitude.is_some()).count() > 1;
        let certainty = if several { 0.6 * c.confidence } else { c.confidence };
        let candidates = |get: fn(&CoordinateReading) -> Option<f64>| {
            if !several {
                return Vec::new();
            }
            degrees
                .iter()
                .filter_map(|d| get(&d.1))
                .map(|v| Candidate {
                    value: round(v),
                    confidence: 0.5,
                    why: "several coordinates on the label".into(),
                })
                .collect::<Vec<_>>()
        };
        if let Some(v) = lat {
            finds.push(Find {
                term: "decimalLatitude",
                flow: *l,
                ranges: ranges.clone(),
                value: round(v),
                certainty,
                candidates: candidates(|c| c.latitude),
                note: note.clone(),
            });
        }
        if let Some(v) = lon {
            finds.push(Find {
                term: "decimalLongitude",
                flow: *l,
                ranges: ranges.clone(),
                value: round(v),
                certainty,
                candidates: candidates(|c| c.longitude),
                note: note.clone(),
            });
        }
        finds.push(Find {
            term: "verbatimCoordinates",
            flow: *l,
            ranges,
            value,
            certainty: 0.9,
            candidates: Vec::new(),
            note: c.problem.clone(),
        });
    }
    let mut heights: Vec<(f32, usize, ElevationReading)> = Vec::new();
    for (l, label) in labels.iter().enumerate() {
        for (e, tokens) in &label.elevations {
            let keyed = label.under(tokens.start).is_some_and(|m| m.key == Key::Elevation);
            heights.push((e.confidence + if keyed { 0.3 } else { 0.0 }, l, e.clone()));
        }
    }
    heights.sort_by(|a, b| b.0.total_cmp(&a.0));
    if let Some((_, l, e)) = heights.first() {
        let metres = |x: f64| {
            let s = format!("{x:.1}");
            s.trim_end_matches('0').trim_end_matches('.').to_owned()
        };
        let ranges = vec![e.chars.clone()];
        let note = if e.approximate { "approximate as written".to_owned() } else { String::new() };
        let certainty = e.confidence.min(0.97);
        for (term, value) in
            [("minimumElevationInMeters", e.minimum), ("maximumElevationInMeters", e.maximum)]
        {
            finds.push(Find {
                term,
                flow: *l,
                ranges: ranges.clone(),
                value: metres(value),
                certainty,
                candidates: Vec::new(),
                note: note.clone(),
            });
        }
        let value = labels[*l].flow.slice(e.chars.clone()).to_owned();
        finds.push(Find {
            term: "verbatimElevation",
            flow: *l,
            ranges,
            value,
            certainty: 0.95,
            candidates: Vec::new(),
            note: String::new(),
        });
    }
}

fn geography_out(
    labels: &[Label],
    rules: &Rules,
    decision: &Decision,
    evidence: &[Evidence],
    finds: &mut Vec<Find>,
) {
    let parts =
        [("country", &decision.country), ("stateProvince", &decision.division), ("county", &decision.county)];
    for (term, part) in parts {
        let Some(part) = part else { continue };
        let Some(name) = rules.gazetteer.name(&part.code) else { continue };
        if part.certainty < 0.2 {
            continue;
        }
        let flow = part.from.first().map_or(0, |i| evidence[*i].flow);
        let ranges: Vec<Range<usize>> = part
            .from
            .iter()
            .filter(|i| evidence[**i].flow == flow)
            .map(|i| labels[flow].chars(evidence[*i].tokens.clone()))
            .collect();
        let mut candidates: Vec<Candidate> = part
            .others
            .iter()
            .filter_map(|(code, p, why)| {
                Some(Candidate {
                    value: rules.gazetteer.name(code)?.to_owned(),
                    confidence: *p,
                    why: why.clone(),
                })
            })
            .collect();
        if !candidates.is_empty() {
            candidates.insert(
                0,
                Candidate { value: name.to_owned(), confidence: part.certainty, why: String::new() },
            );
        }
        finds.push(Find {
            term,
            flow,
            ranges,
            value: name.to_owned(),
            certainty: part.certainty,
            candidates,
            note: part.note.clone(),
        });
    }
    if let Some((text, i)) = &decision.county_text
        && decision.county.is_none()
    {
        let e = &evidence[*i];
        finds.push(Find {
            term: "county",
            flow: e.flow,
            ranges: vec![labels[e.flow].chars(e.name.clone())],
            value: text.clone(),
            certainty: 0.35,
            candidates: Vec::new(),
            note: "not in the gazetteer".into(),
        });
    }
}

fn finish(labels: &[Label], rules: &Rules, finds: Vec<Find>) -> Vec<Field> {
    let mut fields: Vec<Field> = Vec::new();
    for find in finds {
        if fields.iter().any(|f| f.term == find.term) {
            continue;
        }
        let (mut spans, mut boxes, mut verbatim) = (Vec::new(), Vec::new(), String::new());
        let (mut mean, mut weakest, mut letters) = (0.0, 1.0f32, 0usize);
        if let Some(label) = labels.get(find.flow) {
            for range in &find.ranges {
                let own = label.flow.spans(range.clone());
                if !verbatim.is_empty() {
                    verbatim.push(' ');
                }
                verbatim.push_str(&label.flow.verbatim(&own));
                boxes.extend(label.flow.boxes(&own));
                spans.extend(own);
                mean += label.flow.sureness(range.clone()) * range.len() as f32;
                weakest = weakest.min(label.flow.weakest(range.clone()));
                letters += range.len();
            }
        }
        let mean = if letters == 0 { 1.0 } else { mean / letters as f32 };
        let raw = rules.confidence.raw(find.certainty, mean, weakest);
        let confidence = rules.confidence.probability(find.term, raw);
        let value = find.value.split_whitespace().collect::<Vec<_>>().join(" ");
        fields.push(Field {
            term: find.term.into(),
            verbatim,
            value,
            confidence,
            candidates: find.candidates,
            spans,
            boxes,
            note: find.note,
        });
    }
    fields
}

fn leftovers(labels: &[Label]) -> Vec<Leftover> {
    let mut out = Vec::new();
    for label in labels {
        let mut i = 0;
        while i < label.flow.tokens.len() {
            if !label.free(i) {
                i += 1;
                continue;
            }
            let line = label.flow.tokens[i].line;
            let end = (i..label.flow.tokens.len())
                .find(|k| !label.free(*k) || label.flow.tokens[*k].line != line)
                .unwrap_or(label.flow.tokens.len());
            let chars = label.chars(i..end);
            let range = label.flow.trim(chars, ".,;:-*()/&'\"");
            if range.is_empty() {
                i = end;
                continue;
            }
            for span in label.flow.spans(range) {
                let text = label.flow.verbatim(std::slice::from_ref(&span));
                out.push(Leftover { text, span });
            }
            i = end;
        }
    }
    out
}

pub(crate) fn is_place(evidence: &Evidence, decision: &Decision) -> Option<Rank> {
    let has = |part: &Option<super::geography::Part>| {
        part.as_ref().is_some_and(|p| evidence.hits.iter().any(|h| h.code == p.code))
    };
    if has(&decision.county) {
        Some(Rank::County)
    } else if has(&decision.division) {
        Some(Rank::Division)
    } else if has(&decision.country) {
        Some(Rank::Country)
    } else if evidence.unknown.is_some() && decision.county.is_none() {
        Some(Rank::County)
    } else {
        None
    }
}
