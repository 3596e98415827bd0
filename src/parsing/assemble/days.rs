//! Days: which dates a label says, and which of them is the day of collecting.

use super::{Find, Label, Use};
use crate::parsing::Candidate;
use crate::parsing::dates::{self, DateReading, DateShape};
use crate::parsing::flow::{Flow, Kind};
use crate::parsing::gazetteer::squash;
use crate::parsing::rules::{Key, Rules};
use std::ops::Range;

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
pub(in crate::parsing) fn read_dates(flow: &Flow, rules: &dates::DateRules) -> Vec<DateReading> {
    let text = date_text(flow);
    let mut found = crate::parsing::unsure::find(flow, &text, rules);
    for d in &mut found {
        let strokes = |c: &str| c.chars().filter(|c| *c == '/').count();
        if strokes(flow.slice(d.chars.clone())) > strokes(&d.verbatim) {
            d.repairs += 0.3;
            d.candidates.iter_mut().for_each(|c| c.confidence *= 0.75);
        }
    }
    found
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

pub(super) fn find_dates(label: &mut Label, rules: &Rules, dates: Vec<DateReading>) {
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

/// Event date and date of determination.
pub(super) fn dates_out(labels: &mut [Label], rules: &Rules, country: &str, finds: &mut Vec<Find>) {
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
    // How much speaks for each candidate, the other date's best one beside it.
    let mut for_event = vec![0.0f32; events.len()];
    let mut for_det: Vec<f32> =
        dets.iter().map(|d| if events.is_empty() { d.confidence } else { 0.0 }).collect();
    for (a, e) in events.iter().enumerate() {
        let mut we = e.confidence;
        if let Some([from, to]) = active {
            we *= if (from..=to).contains(&e.from.year) { 3.0 } else { 0.3 };
        }
        if dets.is_empty() {
            for_event[a] = we;
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
            for_event[a] = for_event[a].max(w);
            for_det[b] = for_det[b].max(w);
        }
    }
    let mut push = |term: &'static str,
                    verbatim_term: Option<&'static str>,
                    i: usize,
                    weights: &[f32],
                    factor: f32,
                    extra: String| {
        let s = &seen[i];
        let all = &s.reading.candidates;
        let mut order: Vec<usize> = (0..all.len()).collect();
        order.sort_by(|a, b| weights[*b].total_cmp(&weights[*a]));
        let c = &all[order[0]];
        // With the other date's help an open century is less open.
        let own = if order[0] == 0 { c.confidence } else { 0.6 };
        let own = if s.reading.open_century { own.max(0.5) } else { own };
        let mut note = if s.reading.open_century {
            format!("the century is not written; {}xx is the likeliest", c.from.year / 100)
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
        let total: f32 = all.iter().map(|c| c.confidence).sum();
        let share = total / weights.iter().sum::<f32>().max(f32::MIN_POSITIVE);
        let candidate = |k: usize| Candidate {
            value: all[k].iso.clone(),
            confidence: weights[k] * share,
            why: all[k].why.clone(),
        };
        let candidates = if all.len() > 1 { order.into_iter().map(candidate).collect() } else { Vec::new() };
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
        push("eventDate", Some("verbatimEventDate"), i, &for_event, factor, extra);
    }
    if let Some(i) = det {
        push("dateIdentified", None, i, &for_det, seen[i].determined, String::new());
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
