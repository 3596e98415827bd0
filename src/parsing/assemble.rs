//! Puts what the recognisers found together into fields.
//!
//! Works on all labels of a photograph at once, since they speak of one
//! specimen: what a label is for (a determination, a collector, a place) is
//! judged by what was found on it, a two-digit year by the other dates, a state's
//! abbreviation by the country. Each step claims the tokens it used; those that
//! nobody claims are the leftovers.

mod days;
mod numbers;
mod organisms;
mod people;
mod places;
mod traits;
mod words;

use super::coordinates::CoordinateReading;
use super::dates::DateReading;
use super::elevation::ElevationReading;
use super::flow::Flow;
use super::persons::Team;
use super::rules::{Key, Rules};
use super::taxa::{self, Taxon};
use super::{Candidate, Field, Leftover, Parsed, Span};
use crate::reading::{ReadLabel, ReadLine, Reading};
pub(super) use days::read_dates;
use days::{dates_out, find_dates};
use numbers::{catalog, institutions, record_number};
use organisms::{hosts, names, taxon_out};
use people::{known_persons, lone_persons, persons_out, roles};
pub(super) use places::is_place;
use places::{coordinates_out, geography_out, known_places, places_and_grid, spans_with_units};
use std::ops::Range;
use traits::traits;
use words::{headings, is_determination, marks};

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
    /// See [`stands_alone`].
    sign_alone: bool,
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
    let mut chars = label.lines.iter().flat_map(|l| &l.chars).map(|c| c.ch);
    chars.any(|c| taxa::SEXES.contains(c)) || has_words(label)
}

/// Whether a label has more than two letters or figures.
fn has_words(label: &ReadLabel) -> bool {
    label.lines.iter().flat_map(|l| &l.chars).filter(|c| c.ch.is_alphanumeric()).count() > 2
}

/// Whether a label was read from a photograph as little more than a sign, and lies
/// on no other: spots on wings are read so.
fn stands_alone(reading: &Reading, label: &ReadLabel) -> bool {
    let on = |other: &ReadLabel| has_words(other) && other.quad.holds(label.quad.centre());
    let typed = label.lines.iter().all(ReadLine::is_typed);
    !has_words(label) && !typed && !reading.labels.iter().any(on)
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
                sign_alone: stands_alone(reading, l),
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
