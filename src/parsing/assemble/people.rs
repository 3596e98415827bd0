//! People: who collected, who determined, and who is neither.

use super::places::KNOWN_SLACK;
use super::{Find, Label, Mark, Use};
use crate::parsing::Candidate;
use crate::parsing::dates::DateShape;
use crate::parsing::flow::{Kind, Token};
use crate::parsing::gazetteer::squash;
use crate::parsing::geography::Evidence;
use crate::parsing::persons::{self, Team};
use crate::parsing::rules::{Key, Rules};

pub(super) fn team_after(label: &Label, rules: &Rules, i: usize) -> Option<Team> {
    label.flow.tokens.get(i)?;
    // On the same line, or the whole next line.
    let stop = (i..label.flow.tokens.len())
        .find(|k| {
            matches!(label.used[*k], Some(Use::Date | Use::Catalog | Use::Coordinates | Use::Elevation))
        })
        .unwrap_or(label.flow.tokens.len());
    let team = persons::at(&label.flow, rules, i, stop, true)?;
    Some(team)
}

/// The team that ends right before token `i`.
pub(super) fn team_before(label: &Label, rules: &Rules, i: usize) -> Option<Team> {
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

/// People of the collection's own list, where they stand without a role word:
/// collectors, on a determination label its determiner.
pub(super) fn known_persons(labels: &mut [Label], rules: &Rules) {
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
    let of = |known: &crate::parsing::rules::Known, full: &str| {
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

pub(super) fn roles(label: &mut Label, rules: &Rules) {
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
pub(super) fn lone_persons(labels: &mut [Label], rules: &Rules, evidence: &[Evidence]) {
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

pub(super) fn persons_out(labels: &[Label], rules: &Rules, finds: &mut Vec<Find>) {
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
