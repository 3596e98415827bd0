//! Country, division and county, decided together.
//!
//! Takes every stretch of the labels that may name one; gives the combination
//! that agrees best. `Mich.` is Michigan, and Michoacán beside `Mex.`;
//! `Washington County` lies in the state the heading names; a county that no
//! candidate state has is doubted. What is not written but follows (the country
//! of a state) is given with a note; what only may follow (the county of a town)
//! is a candidate without a value.

use super::confuse;
use super::flow::{Flow, Kind};
use super::gazetteer::{Hit, Rank, squash};
use super::rules::Rules;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

/// A stretch that may name a country, division or county.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Which flow.
    pub flow: usize,
    /// Its tokens, the word that says what it is (`Co.`) included.
    pub tokens: Range<usize>,
    /// The tokens of the name alone.
    pub name: Range<usize>,
    /// What it may mean.
    pub hits: Vec<Hit>,
    /// Rank that a word beside it says it has.
    pub marked: Option<Rank>,
    /// How much its place on the label speaks for it, 0.2 to 2.
    pub weight: f32,
    /// The county's name as written, where it is marked as one but unknown.
    pub unknown: Option<String>,
    /// Whether it is a common word of places (`West`), not a shortened name.
    pub common: bool,
}

/// What was decided, with the evidence each part rests on.
#[derive(Clone, Debug, Default)]
pub struct Decision {
    /// The country's code, certainty, evidence, and a note where it is inferred.
    pub country: Option<Part>,
    /// The division's.
    pub division: Option<Part>,
    /// The county's.
    pub county: Option<Part>,
    /// County names marked as such that the gazetteer does not have.
    pub county_text: Option<(String, usize)>,
}

/// One part of the decision.
#[derive(Clone, Debug)]
pub struct Part {
    /// The code.
    pub code: String,
    /// Probability that it is right, from the words alone.
    pub certainty: f32,
    /// Indices of the evidence.
    pub from: Vec<usize>,
    /// Why, where the words do not say it.
    pub note: String,
    /// Other codes it may be.
    pub others: Vec<(String, f32, String)>,
}

/// Finds the evidence in one flow. `free` says which tokens are still free,
/// `prefer` how much a token's place speaks for a name of place there (a heading
/// more, a line of an institution less; 0 rules it out).
pub fn find(
    flow: &Flow,
    index: usize,
    rules: &Rules,
    free: &dyn Fn(usize) -> bool,
    prefer: &dyn Fn(usize) -> f32,
) -> Vec<Evidence> {
    let words = &rules.places;
    let tokens = &flow.tokens;
    let mut out: Vec<Evidence> = Vec::new();
    let mut i = 0;
    while i < tokens.len() {
        if tokens[i].kind != Kind::Word || !free(i) || prefer(i) <= 0.0 {
            i += 1;
            continue;
        }
        let mut best: Option<Evidence> = None;
        let mut name_end = i;
        let mut counted = 0;
        let mut j = i;
        while j < tokens.len() && counted < 5 && free(j) {
            let t = &tokens[j];
            if t.kind == Kind::Mark {
                // Inside a name only points and hyphens stand.
                if (t.is('.') || t.is('-')) && j > i {
                    j += 1;
                    continue;
                }
                break;
            }
            if t.kind == Kind::Number || t.line > tokens[i].line + 1 {
                break;
            }
            counted += 1;
            name_end = j + 1;
            let name = i..name_end;
            let upper_words =
                name.clone().filter(|k| tokens[*k].kind == Kind::Word).any(|k| tokens[k].capital());
            if upper_words && let Some(e) = evidence(flow, index, rules, name.clone(), prefer(i)) {
                let better = best.as_ref().is_none_or(|b| rank_of(&e) > rank_of(b));
                if better {
                    best = Some(e);
                }
            }
            // A word that marks the rank ends the name.
            if j > i
                && (words.county_after.contains(&squash(&t.text))
                    || words.division_after.contains(&squash(&t.text)))
            {
                break;
            }
            j += 1;
        }
        let _ = name_end;
        match best {
            Some(e) => {
                i = e.tokens.end.max(i + 1);
                out.push(e);
            }
            None => i += 1,
        }
    }
    out
}

/// Longer, marked and cleaner evidence first.
fn rank_of(e: &Evidence) -> f32 {
    let Some(hit) = e.hits.first() else { return -2.0 };
    let length = (e.name.end - e.name.start) as f32;
    f32::from(u8::from(e.marked.is_some())) * 2.0 + length * 0.4 - hit.cost * 1.5
}

fn evidence(flow: &Flow, index: usize, rules: &Rules, name: Range<usize>, weight: f32) -> Option<Evidence> {
    let words = &rules.places;
    let tokens = &flow.tokens;
    // Whose word stands behind (`Yancey Co.`) or before (`County Yancey`)?
    let mut end = name.end;
    let skip_point = |k: usize| if tokens.get(k).is_some_and(|t| t.is('.') && !t.spaced) { k + 1 } else { k };
    end = skip_point(end);
    let (mut marked, mut misread_mark) = (None, false);
    if let Some(t) = tokens.get(end).filter(|t| t.kind == Kind::Word) {
        let key = squash(&t.text);
        if words.county_after.contains(&key) && tokens[end].line <= tokens[name.start].line + 1 {
            // `North Carolina County Yancey`: the word belongs to what follows.
            let follows = tokens.get(skip_point(end + 1)).is_some_and(|n| n.capital() && n.line == t.line);
            let whole = flow.glyphs(tokens[name.start].range.start..tokens[name.end - 1].range.end);
            let bigger = follows
                && rules.gazetteer.admin(&whole, 0.0).iter().any(|h| h.rank != Rank::County)
                && !rules.gazetteer.counties(&whole, 0.0).iter().any(|h| h.country() == "US");
            // `Co. Rd. 326` is a road.
            let road = tokens
                .get(skip_point(end + 1))
                .is_some_and(|n| ["rd", "road", "hwy", "highway"].contains(&squash(&n.text).as_str()));
            if !road && !bigger {
                marked = Some(Rank::County);
                end = skip_point(end + 1);
            }
        } else if looks_like_co(tokens, end) && tokens[end].line == tokens[name.end - 1].line {
            // `Ce.` and `Ca.,` behind a county's own name are `Co.` misread.
            misread_mark = true;
            marked = Some(Rank::County);
            end = skip_point(end + 1);
        } else if words.division_after.contains(&key)
            && t.capital()
            && !tokens.get(end + 1).is_some_and(|n| n.capital() && n.line == t.line)
        {
            marked = Some(Rank::Division);
            end = skip_point(end + 1);
        }
    }
    let mut start = name.start;
    if marked.is_none() && start > 0 {
        let mut k = start - 1;
        if (tokens[k].is('.') || tokens[k].is(':')) && k > 0 {
            k -= 1;
        }
        let t = &tokens[k];
        // Behind a name with its own `Co.` the word belongs to that one.
        let taken = k > 0 && {
            let p = if tokens[k - 1].is('.') && k > 1 { k - 2 } else { k - 1 };
            tokens[p].kind == Kind::Word
                && tokens[p].capital()
                && tokens[p].line == t.line
                && squash(&tokens[p].text).len() > 2
                && (!tokens[p].text.chars().all(char::is_uppercase) || t.text.chars().all(char::is_uppercase))
        };
        if t.kind == Kind::Word && t.capital() && t.line == tokens[name.start].line {
            let key = squash(&t.text);
            let known = || {
                rules
                    .gazetteer
                    .counties(
                        &flow.glyphs(tokens[name.start].range.start..tokens[name.end - 1].range.end),
                        0.0,
                    )
                    .iter()
                    .any(|h| h.country() == "US")
            };
            // `Greene County: Oconee Forest`: behind a colon it belongs to the first.
            let colon = tokens[start - 1].is(':');
            if words.county_before.contains(&key) && (!taken || !colon && known()) {
                marked = Some(Rank::County);
                start = k;
            } else if words.division_before.contains(&key) && !words.county_before.contains(&key) {
                marked = Some(Rank::Division);
                start = k;
            }
        }
    }
    let glyphs = flow.glyphs(tokens[name.start].range.start..tokens[name.end - 1].range.end);
    // A single letter is an initial; gazetteers know regions by one (`E` is the
    // East of Cameroon), labels do not.
    if glyphs.len() < 2 {
        return None;
    }
    let text = flow.slice(tokens[name.start].range.start..tokens[name.end - 1].range.end);
    let pointed = tokens.get(name.end).is_some_and(|t| t.is('.') && !t.spaced);
    let capitals = text.chars().filter(|c| c.is_alphabetic()).all(char::is_uppercase);
    if glyphs.len() <= 2 && !(capitals || pointed) {
        return None;
    }
    // Short forms of words inside the name (`Sta. Barb.`).
    let expanded = expand(flow, rules, &name);
    // A number or a road behind a short form makes it the name of a road
    // (`GA 15`, `Fla Hwy 20`, `US 27`).
    if let Some(next) = tokens.get(skip_point(name.end)) {
        let road = ["hwy", "highway", "route", "rt", "rd", "road"].contains(&squash(&next.text).as_str());
        let numbered = next.kind == Kind::Number
            && glyphs.len() <= 3
            && !flow.tokens[name.start].first
            && next.line == tokens[name.end - 1].line
            || next.is('#');
        if marked.is_none() && (road || numbered) {
            return None;
        }
    }
    // `M.A. Vell`: initials before a name, no state.
    let pointed_inside = tokens[name.clone()].iter().any(|t| t.is('.'));
    let named = tokens
        .get(skip_point(name.end))
        .is_some_and(|n| n.capital() && n.line == tokens[name.start].line && n.text.chars().count() > 1);
    if glyphs.len() <= 2 && pointed_inside && named && marked.is_none() {
        return None;
    }
    let budget = confuse::budget(glyphs.len());
    let long = expanded.as_ref().map(|l| confuse::glyphs(l));
    let look = |county: bool, budget: f32| {
        let get = |g: &[confuse::Glyph]| {
            if county { rules.gazetteer.counties(g, budget) } else { rules.gazetteer.admin(g, budget) }
        };
        let mut hits = get(&glyphs);
        if let Some(long) = &long {
            for h in get(long) {
                if !hits.iter().any(|o| o.code == h.code) {
                    hits.push(h);
                }
            }
        }
        hits
    };
    let mut hits = look(false, 0.0);
    if marked == Some(Rank::County) {
        hits.extend(look(true, 0.0));
    }
    // A misread name is looked for only where nothing fits as it stands: that
    // costs a walk through the automaton.
    let plain = tokens[name.clone()].iter().any(|t| {
        t.kind == Kind::Word
            && (!t.capital()
                || words.place_words.contains(&squash(&t.text))
                || words.habitat_words.contains(&squash(&t.text)))
    });
    if hits.is_empty() && budget > 0.0 && (marked.is_some() || !plain && glyphs.len() <= 24) {
        hits = look(marked == Some(Rank::County), budget);
    }
    // A short form is known only as it stands: every one is a letter or two from
    // some other word (`Tarn`, `Tam.`).
    hits.retain(|h| h.cost == 0.0 || h.name.chars().count() >= 5);
    // `Co.` is County, not Colorado.
    if marked.is_none() && !capitals && words.county_after.contains(&squash(text)) {
        return None;
    }
    if let Some(rank) = marked {
        hits.retain(|h| h.rank == rank || rank == Rank::County && h.rank == Rank::Division);
    } else {
        // A bare name is a county only where it is written in full; second-order
        // divisions of most countries bear the names of towns.
        hits.retain(|h| h.rank != Rank::County || rules.gazetteer.is_own(&h.code));
    }
    // A county of the user's own needs no word that says what it is.
    if marked.is_none()
        && let Some(own) = hits.iter().find(|h| rules.gazetteer.is_own(&h.code))
    {
        marked = Some(own.rank).filter(|r| *r == Rank::County);
        let rank = own.rank;
        hits.retain(|h| h.rank == rank);
    }
    if misread_mark {
        hits.retain(|h| h.rank == Rank::County && h.cost <= 0.5);
        if hits.is_empty() {
            return None;
        }
    }
    let weight = if misread_mark { 0.7 * weight } else { weight };
    let county_word = tokens[name.end..end.max(name.end)]
        .iter()
        .chain(&tokens[start..name.start])
        .all(|t| !squash(&t.text).starts_with("dist"));
    let unknown = (county_word
        && marked == Some(Rank::County)
        && hits.is_empty()
        && tokens[name.start].capital()
        && start == name.start
        || marked == Some(Rank::County) && hits.is_empty() && start < name.start && county_word)
        .then(|| text.to_owned());
    if hits.is_empty() && unknown.is_none() {
        return None;
    }
    if unknown.is_some() {
        // A name nobody knows is one or two words at the start of a statement.
        let apart =
            tokens[name.start].first || tokens[name.start - 1].kind == Kind::Mark || start < name.start;
        let inside = tokens[name.start].line == tokens[name.end - 1].line;
        let words = tokens[name.clone()].iter().filter(|t| t.kind == Kind::Word).count();
        if !apart
            || !inside
            || words > 2
            || text.chars().count() < 4
            || tokens[name.clone()].iter().any(|t| t.is('.'))
        {
            return None;
        }
    }
    let end = if marked.is_some() || pointed { end } else { name.end };
    let end = end.max(name.end);
    let one_word = tokens[name.clone()].iter().filter(|t| t.kind == Kind::Word).count() == 1;
    let common =
        one_word && (words.place_words.contains(&squash(text)) || words.short.contains_key(&squash(text)));
    // `N.`, `NE`, `West` are directions; `Camp.` shortened may be Campeche.
    if common
        && marked.is_none()
        && (!pointed || text.chars().count() <= 2 || words.short.contains_key(&squash(text)))
    {
        return None;
    }
    Some(Evidence { flow: index, tokens: start..end, name, hits, marked, weight, unknown, common })
}

/// Two letters that may be a misread `Co`, with a point, a comma or the line's
/// end behind them.
fn looks_like_co(tokens: &[super::flow::Token], i: usize) -> bool {
    let Some(t) = tokens.get(i) else { return false };
    let two = t.kind == Kind::Word && t.text.chars().count() == 2;
    let (Some(a), Some(b)) = (t.text.chars().next(), t.text.chars().nth(1)) else { return false };
    let end = t.last || tokens.get(i + 1).is_some_and(|n| n.is('.') || n.is(','));
    two && end && "CcGO(".contains(a) && "oecauis0n".contains(b)
}

fn expand(flow: &Flow, rules: &Rules, name: &Range<usize>) -> Option<String> {
    let mut changed = false;
    let mut out = String::new();
    for t in &flow.tokens[name.clone()] {
        if t.kind != Kind::Word {
            continue;
        }
        let key = squash(&t.text);
        match rules.places.short.get(&key) {
            Some(long) => {
                out.push_str(long);
                changed = true;
            }
            None => out.push_str(&key),
        }
    }
    changed.then_some(out)
}

/// The value of evidence for a code: less for misreadings, more for a marking
/// word and a telling place.
fn worth(e: &Evidence, hit: &Hit) -> f32 {
    let clean = (1.0 - hit.cost / (0.25 * hit.name.len() as f32).max(0.5)).max(0.15);
    let marked = match (e.marked, hit.rank) {
        (Some(Rank::County), Rank::County) => 1.5,
        (Some(Rank::Division), Rank::Division) => 1.5,
        (Some(Rank::County), Rank::Division) => 0.25,
        _ => 1.0,
    };
    let length = if hit.name.len() <= 2 { 0.7 } else { 1.0 };
    // `West`, `Camp`: a name that is also a word of places.
    let common = if e.common && e.marked.is_none() { 0.15 } else { 1.0 };
    clean * marked * length * common * e.weight
}

/// Chooses country, division and county that agree best with all evidence.
pub fn decide(evidence: &[Evidence], rules: &Rules) -> Decision {
    let named: BTreeSet<&str> = evidence
        .iter()
        .flat_map(|e| &e.hits)
        .filter(|h| h.rank == Rank::Country && h.cost <= 0.5)
        .map(|h| h.code.as_str())
        .collect();
    let mut countries: BTreeMap<String, (f32, Vec<usize>)> = BTreeMap::new();
    let mut divisions: BTreeMap<String, (f32, Vec<usize>)> = BTreeMap::new();
    let mut counties: BTreeMap<String, (f32, Vec<usize>)> = BTreeMap::new();
    for (i, e) in evidence.iter().enumerate() {
        for h in &e.hits {
            let table = match h.rank {
                Rank::Country => &mut countries,
                Rank::Division => &mut divisions,
                _ => &mut counties,
            };
            // A misread name of a country that is not named is hardly one.
            if h.cost > 0.0
                && h.rank != Rank::Country
                && !rules.places.usual_countries.contains(h.country())
                && !named.contains(h.country())
            {
                continue;
            }
            let entry = table.entry(h.code.clone()).or_default();
            // The same name twice says little more than once.
            let w = worth(e, h);
            entry.0 = if entry.0 > 0.0 { entry.0.max(w) + 0.1 * entry.0.min(w) } else { w };
            entry.1.push(i);
        }
    }
    let country_of = |code: &str| code.split('.').next().unwrap_or_default().to_owned();
    let division_of = |code: &str| code.rsplit_once('.').map(|(d, _)| d.to_owned()).unwrap_or_default();

    // Every division that is named, or that holds a county that is.
    let mut choices: BTreeSet<Option<String>> = divisions.keys().cloned().map(Some).collect();
    choices.extend(counties.keys().map(|c| Some(division_of(c))));
    choices.insert(None);
    let mut scored: Vec<Scored> = Vec::new();
    for choice in choices {
        match choice {
            Some(d) => {
                let cc = country_of(&d);
                let own = divisions.get(&d).map_or(0.0, |x| x.0);
                let county = counties
                    .iter()
                    .filter(|(c, x)| {
                        division_of(c) == d && x.1.iter().any(|i| evidence[*i].marked == Some(Rank::County))
                    })
                    .max_by(|a, b| a.1.0.total_cmp(&b.1.0));
                // The same stretch cannot be both the division and the country
                // (`Mex.`).
                let land = countries.get(&cc).map_or(0.0, |x| {
                    let same = divisions.get(&d).is_some_and(|dx| x.1.iter().all(|i| dx.1.contains(i)));
                    if same { 0.0 } else { x.0 }
                });
                let strange: f32 =
                    countries.iter().filter(|(c, _)| **c != cc).map(|(_, x)| x.0).fold(0.0, f32::max);
                // The same stretch cannot be both the division and the county.
                let county_worth = county.map_or(0.0, |(c, x)| {
                    let same = divisions.get(&d).is_some_and(|dx| dx.1.iter().all(|i| x.1.contains(i)));
                    let _ = c;
                    if same && own > 0.0 { 0.0 } else { x.0 }
                });
                if own == 0.0 && (county_worth == 0.0 || land == 0.0 && counties.len() > 1) {
                    continue;
                }
                // A named division counts most; a county alone counts where only
                // one division of the named country has it.
                let mut score = own * 2.0 + county_worth + land * 1.5;
                if land == 0.0 {
                    score -= strange * 0.8;
                }
                // Where the country is not named, labels say their own country's
                // states without it; the United States' are those most often met.
                if land == 0.0 {
                    score += match cc.as_str() {
                        "US" => 0.3,
                        _ if rules.gazetteer.is_own(&d) => 0.3,
                        other if rules.places.usual_countries.contains(other) => 0.0,
                        _ => -0.7,
                    };
                }
                scored.push((
                    score,
                    Some(cc),
                    Some(d.clone()),
                    county.filter(|_| county_worth > 0.0).map(|(c, _)| c.clone()),
                ));
            }
            None => {
                for (cc, x) in &countries {
                    scored.push((x.0 * 1.5, Some(cc.clone()), None, None));
                }
            }
        }
    }
    scored.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)).then(a.2.cmp(&b.2)));
    let county_text = evidence.iter().enumerate().find_map(|(i, e)| e.unknown.clone().map(|u| (u, i)));
    let mut out = Decision { county_text, ..Decision::default() };
    let Some((top, cc, d, county)) = scored.first().cloned() else { return out };
    // How far the next different answer is behind.
    let rival = |f: &dyn Fn(&Scored) -> bool| scored.iter().find(|s| f(s)).map_or(0.0, |s| s.0.max(0.0));
    let sure = |top: f32, rival: f32| {
        let share = top / (top + rival.max(0.0) * 0.6 + 1e-6);
        (share * (1.0 - (-1.6 * top).exp())).clamp(0.05, 0.99)
    };
    if let Some(cc) = cc {
        let named = countries.get(&cc);
        let r = rival(&|s| s.1.as_deref() != Some(&cc));
        let note = if named.is_some() {
            String::new()
        } else {
            d.as_ref()
                .and_then(|d| rules.gazetteer.name(d))
                .map_or(String::new(), |n| format!("not written; follows from {n}"))
        };
        let from = named
            .map(|x| x.1.clone())
            .or_else(|| d.as_ref().and_then(|d| divisions.get(d)).map(|x| x.1.clone()))
            .unwrap_or_default();
        let others = others(&scored, |s| s.1.clone(), &cc, top);
        out.country = Some(Part { certainty: sure(top, r), from, note, code: cc, others });
    }
    if let Some(d) = d {
        let named = divisions.get(&d);
        let r = rival(&|s| s.2.as_deref() != Some(&d) && s.2.is_some());
        let (certainty, note) = match named {
            Some(x) => (sure(top.min(x.0 * 2.0 + 1.0), r), String::new()),
            None => (
                0.5 * sure(top, r),
                county
                    .as_ref()
                    .and_then(|c| rules.gazetteer.name(c))
                    .map_or(String::new(), |n| format!("not written; {n} is a county of it")),
            ),
        };
        let from = named
            .map(|x| x.1.clone())
            .or_else(|| county.as_ref().and_then(|c| counties.get(c)).map(|x| x.1.clone()))
            .unwrap_or_default();
        let others = others(&scored, |s| s.2.clone(), &d, top);
        out.division = Some(Part { certainty, from, note, code: d, others });
    }
    if let Some(c) = county {
        let x = &counties[&c];
        let from = x.1.iter().copied().filter(|i| evidence[*i].marked == Some(Rank::County)).collect();
        out.county = Some(Part {
            certainty: sure(x.0 * 1.5, 0.0),
            from,
            note: String::new(),
            others: Vec::new(),
            code: c,
        });
        out.county_text = None;
    }
    out
}

type Scored = (f32, Option<String>, Option<String>, Option<String>);

fn others(
    scored: &[Scored],
    get: impl Fn(&Scored) -> Option<String>,
    chosen: &str,
    top: f32,
) -> Vec<(String, f32, String)> {
    let mut out: Vec<(String, f32, String)> = Vec::new();
    for s in scored {
        if let Some(code) = get(s)
            && code != chosen
            && s.0 > 0.35 * top
            && !out.iter().any(|o| o.0 == code)
        {
            out.push((code, 0.5 * s.0 / (top + s.0), "the same word stands for it".into()));
        }
    }
    out.truncate(3);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    fn decided(text: &str) -> [String; 3] {
        let rules = Rules::load(None).unwrap();
        let reading = Reading::from_text("t", text);
        let mut all = Vec::new();
        for (i, label) in reading.labels.iter().enumerate() {
            let flow = Flow::new(i, label, 0..label.lines.len());
            all.extend(find(&flow, i, &rules, &|_| true, &|_| 1.0));
        }
        let d = decide(&all, &rules);
        let name = |p: &Option<Part>| {
            p.as_ref().and_then(|p| rules.gazetteer.name(&p.code)).unwrap_or_default().to_owned()
        };
        [name(&d.country), name(&d.division), name(&d.county)]
    }

    #[test]
    fn the_same_abbreviation_means_what_its_neighbours_say() {
        assert_eq!(decided("Tarn, Mich."), ["United States", "Michigan", ""]);
        assert_eq!(decided("Tarn, Mich., Mex."), ["Mexico", "Michoacán", ""]);
    }

    /// Counties of the United States Census Bureau's list.
    #[test]
    fn counties_are_those_of_the_state_named() {
        assert_eq!(
            decided("GEORGIA, U.S.A.\nWashington County: Tarn"),
            ["United States", "Georgia", "Washington"]
        );
        assert_eq!(decided("Sta. Barb. Co., Calif."), ["United States", "California", "Santa Barbara"]);
        assert_eq!(
            decided("State North Carolina County Yancey"),
            ["United States", "North Carolina", "Yancey"]
        );
        assert_eq!(
            decided("LOUISIANA\nST. MARTIN PARISH: Tarn"),
            ["United States", "Louisiana", "St. Martin"]
        );
    }

    #[test]
    fn a_misread_state_is_still_that_state() {
        assert_eq!(decided("Cochise Co., Ar1zona"), ["United States", "Arizona", "Cochise"]);
        assert_eq!(decided("Ca1if., Rivers1de Co."), ["United States", "California", "Riverside"]);
    }

    #[test]
    fn a_county_road_is_no_county() {
        assert_eq!(decided("Florida\nalong Levy Co. Rd. 326")[2], "");
    }
}
