//! Where: coordinates, elevation, and the parts of the world that a label names.

use super::{Find, Label, Use};
use crate::parsing::Candidate;
use crate::parsing::coordinates::{self, CoordinateReading, System};
use crate::parsing::dates::{DateReading, DateShape};
use crate::parsing::elevation::{self, ElevationReading};
use crate::parsing::flow::Kind;
use crate::parsing::gazetteer::Rank;
use crate::parsing::geography::{self, Decision, Evidence};
use crate::parsing::rules::{Key, Rules};
use std::ops::Range;

/// Coordinates and elevations, which say what they are by their signs. `dates`
/// are those of the label.
pub(super) fn spans_with_units(label: &mut Label, dates: &[DateReading]) {
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

/// Highest cost a letter of a known name may have on average.
pub(super) const KNOWN_SLACK: f32 = 0.12;

/// Places of the collection's own list.
pub(super) fn known_places(label: &mut Label, rules: &Rules) {
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

pub(super) fn places(labels: &mut [Label], rules: &Rules) -> (Decision, Vec<Evidence>) {
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
pub(super) fn places_and_grid(labels: &mut [Label], rules: &Rules) -> (Decision, Vec<Evidence>) {
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

pub(super) fn coordinates_out(labels: &mut [Label], finds: &mut Vec<Find>) {
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

pub(super) fn geography_out(
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

pub(crate) fn is_place(evidence: &Evidence, decision: &Decision) -> Option<Rank> {
    let has = |part: &Option<crate::parsing::geography::Part>| {
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
