//! Organisms: the name of the animal, and its host.

use super::places::KNOWN_SLACK;
use super::{Find, Label, Use};
use crate::parsing::Candidate;
use crate::parsing::flow::Kind;
use crate::parsing::geography::Evidence;
use crate::parsing::rules::{Key, Rules};
use crate::parsing::taxa::{self, Taxon};
use std::ops::Range;

/// Scientific names.
pub(super) fn names(label: &mut Label, rules: &Rules) {
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
            taxa::SEXES.contains(&tokens[k].text)
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
        found.push(as_listed(label, rules, taxon));
        i = end.max(i + 1);
    }
    // Hosts are claimed later: a name behind `on` is none of the specimen.
    for taxon in &found {
        for k in taxon.tokens.clone() {
            if label.used[k].is_none() && !taxon.between.contains(&k) {
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
            between: 0..0,
            looks: 1.0,
        },
    })
}

/// The name of the checklist that `taxon` is a misreading of, where its words stand
/// on two lines or a sign parts them; else as it is.
fn as_listed(label: &Label, rules: &Rules, taxon: Taxon) -> Taxon {
    let glyphs: Vec<_> = taxon.ranges(&label.flow).into_iter().flat_map(|r| label.flow.glyphs(r)).collect();
    match rules.checklist.nearest(&glyphs, glyphs.len(), KNOWN_SLACK) {
        Some((listed, _)) => Taxon { name: rules.checklist_names[listed].clone(), looks: 1.0, ..taxon },
        None => taxon,
    }
}

/// The name of the organism: of several, the one of the latest determination,
/// then the fullest.
pub(super) fn taxon_out(labels: &mut [Label], finds: &mut Vec<Find>) {
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
        ranges: taxon.ranges(&label.flow),
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

/// Hosts: a name behind `on`, or a plant's name on a label of its own.
pub(super) fn hosts(labels: &mut [Label], rules: &Rules, evidence: &[Evidence], finds: &mut Vec<Find>) {
    let named: Option<(usize, usize)> =
        finds.iter().find(|f| f.term == "scientificName").map(|f| (f.flow, f.ranges[0].start));
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
            let is_name = named == Some((l, taxon.chars.start));
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
