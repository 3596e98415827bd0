//! Sex, count, stage and what else is said of the animals themselves.

use super::{Find, Label, Use};
use crate::parsing::Candidate;
use crate::parsing::flow::Kind;
use crate::parsing::rules::{Key, Rules, Trait};
use crate::parsing::taxa::{self};
use std::ops::Range;

/// Sex, counts, stage, type, preparation, method, condition.
pub(super) fn traits(labels: &mut [Label], rules: &Rules, finds: &mut Vec<Find>) {
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
                    && !label.sign_alone
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
    // Of signs that stand alone none is needed where a label says the sex.
    let told = sexes.iter().any(|s| !labels[s.0].sign_alone);
    if told {
        sexes.retain(|s| {
            let sure = !labels[s.0].sign_alone;
            if !sure {
                labels[s.0].used[s.1.clone()].fill(None);
            }
            sure
        });
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
        let offered = rules.sign_alone;
        let (value, certainty, candidates, note) = if told {
            let certainty = if kinds.len() > 1 && !written { 0.6 } else { 0.95 };
            (value, certainty, Vec::new(), "")
        } else {
            let candidate = |value: &str, confidence| Candidate {
                value: value.into(),
                confidence,
                why: "the sign stands alone".into(),
            };
            let each = offered / kinds.len() as f32;
            let candidates = kinds.iter().map(|k| candidate(k, each)).collect();
            (String::new(), offered, candidates, "a sign alone may be a spot on a wing")
        };
        let note = note.into();
        finds.push(Find { term: "sex", flow: l, ranges: ranges.clone(), value, certainty, candidates, note });
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
pub(super) fn counts(labels: &mut [Label], rules: &Rules) -> Option<(usize, Range<usize>, u32)> {
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
/// the end of the line with the genus of a determination label, or in a row of its
/// own below it.
fn misread_sign(labels: &mut [Label], rules: &Rules, finds: &mut Vec<Find>) {
    for (l, label) in labels.iter_mut().enumerate().filter(|(_, l)| l.determination) {
        let Some(taxon) = label.taxa.first() else { continue };
        let from = taxon.tokens.start + 1;
        let line = label.flow.tokens[taxon.tokens.start].line;
        let beside = label.flow.tokens.get(from).is_some_and(|t| t.line == line);
        let end = match beside {
            true => taxa::sign_behind(&label.flow, &rules.names, from),
            false => Some(taxon.between.end).filter(|end| *end > from),
        };
        let Some(end) = end else { continue };
        let text: String = label.flow.tokens[from..end].iter().map(|t| t.text.as_str()).collect();
        let Some((value, share)) = rules.sex_misread.get(&text) else { continue };
        let chars = label.chars(from..end);
        label.claim(from..end, Use::Trait);
        let other = if value == "male" { "female" } else { "male" };
        let candidate = |v: &str, p: f32| Candidate {
            value: v.into(),
            confidence: p,
            why: format!("“{text}” stands where the sign of sex is written"),
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
