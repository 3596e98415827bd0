//! Words that say what follows or stands before them: headings, roles, the marks of
//! a determination label.

use super::people::{team_after, team_before};
use super::{Label, Mark, Use};
use crate::parsing::dates::{DateReading, DateShape};
use crate::parsing::flow::Kind;
use crate::parsing::gazetteer::squash;
use crate::parsing::persons::{self};
use crate::parsing::rules::{Key, Rules};
use std::ops::Range;

/// Headings (`LICHENS OF ALASKA`): the line's words are no place or person, but
/// a region in it counts more than one elsewhere.
pub(super) fn headings(label: &mut Label, rules: &Rules) {
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

pub(super) fn marks(label: &mut Label, rules: &Rules) {
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

pub(super) fn is_determination(label: &Label) -> bool {
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
