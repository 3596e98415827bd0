//! Scientific names, found by how they look.
//!
//! Takes tokens of a label; gives genus, epithets, authors and qualifiers apart.
//! Names are known by their shape (a capitalised word and lower-case words with
//! Latin endings), since no list holds every moth; the endings are data
//! (`config/names.toml`).
//!
//! Left out: hybrid formulae, names in capitals outside determination labels.

use super::flow::{Flow, Kind, Token};
use super::gazetteer::squash;
use super::rules::{Names, Rules};
use std::ops::Range;

/// A scientific name as it stands on a label.
#[derive(Clone, Debug, PartialEq)]
pub struct Taxon {
    /// Genus and epithets, without author or qualifier.
    pub name: String,
    /// The authors as written; empty where none stand.
    pub author: String,
    /// `cf.`, `aff.`, `nr.`, `?`; empty where none stands.
    pub qualifier: String,
    /// Characters of the name.
    pub chars: Range<usize>,
    /// Characters of the authors.
    pub author_chars: Range<usize>,
    /// Tokens of name and authors together.
    pub tokens: Range<usize>,
    /// Tokens of a row of its own between genus and epithet, no part of the name;
    /// empty where none stands.
    pub between: Range<usize>,
    /// How many epithets.
    pub epithets: usize,
    /// How much it looks like a name, 0 to 1.
    pub looks: f32,
}

impl Taxon {
    /// Its own characters on `flow`, without those of a row between.
    pub fn ranges(&self, flow: &Flow) -> Vec<Range<usize>> {
        if self.between.is_empty() {
            return vec![self.chars.clone()];
        }
        let end = flow.tokens[self.between.start - 1].range.end;
        vec![self.chars.start..end, flow.tokens[self.between.end].range.start..self.chars.end]
    }
}

/// The signs of sex.
pub(crate) const SEXES: &str = "♂♀⚥☿";

/// How Latin a lower-case word looks, 0 to 1.
fn latin(names: &Names, word: &str) -> f32 {
    let word = word.to_lowercase();
    if word.chars().count() < 3 || names.never.contains(&word) || !word.chars().all(char::is_alphabetic) {
        return 0.0;
    }
    let best = names
        .epithets
        .iter()
        .filter(|e| word.ends_with(e.as_str()) && word.len() > e.len() + 1)
        .map(|e| e.len())
        .max();
    match best {
        None => 0.15,
        Some(1) => 0.6,
        Some(2) => 0.75,
        Some(_) => 0.9,
    }
}

/// How much a capitalised word looks like the name of a genus, 0 to 1.
pub(crate) fn generic(names: &Names, word: &str) -> f32 {
    if names.plants.contains(word) {
        return 0.95;
    }
    let lower = word.to_lowercase();
    if lower.chars().count() < 4 || names.never.contains(&lower) {
        return 0.0;
    }
    let best = names
        .genera
        .iter()
        .filter(|e| lower.ends_with(e.as_str()) && lower.len() > e.len() + 1)
        .map(|e| e.len())
        .max();
    match best {
        None => 0.2,
        Some(1) => 0.6,
        Some(_) => 0.8,
    }
}

/// The name that starts at token `i`. `named` says that the label is one that
/// gives names (a determination label, a line with a key), so that a genus alone
/// or capitals count too. `skip` are tokens that do not interrupt a name (signs
/// of sex, years of determination).
pub fn at(flow: &Flow, rules: &Rules, i: usize, named: bool, skip: &dyn Fn(usize) -> bool) -> Option<Taxon> {
    let names = &rules.names;
    let first = flow.tokens.get(i)?;
    if !first.capital()
        || first.text.chars().count() < 4
        || rules.persons.never.contains(&squash(&first.text))
    {
        return None;
    }
    let capitals = first.text.chars().all(char::is_uppercase);
    let genus_looks = generic(names, &if capitals { cased(&first.text) } else { first.text.clone() });
    if genus_looks == 0.0 || (capitals && !named) {
        return None;
    }
    // Only a word at the start of a line, or behind a number, a key or an
    // opening word, starts a name; callers pass those.
    let mut name = cased(&first.text);
    let mut looks = genus_looks;
    let (mut pos, mut end, mut epithets) = (i + 1, i + 1, 0);
    let mut qualifier = String::new();
    let mut previous_line = first.line;
    let mut between = 0..0;
    while pos < flow.tokens.len() {
        if pos == i + 1
            && first.last
            && let Some(next) = row_between(flow, pos)
            && let looks = latin(names, &flow.tokens[next].text)
            && (named && looks > 0.0 || looks >= 0.5 && genus_looks >= 0.5)
        {
            previous_line = flow.tokens[pos].line;
            between = pos..next;
            pos = next;
            continue;
        }
        if skip(pos) {
            pos += 1;
            continue;
        }
        let t = &flow.tokens[pos];
        if t.line > previous_line + 1 {
            break;
        }
        // Behind the genus of a determination label stands the sign of sex; what a
        // reader made of it is no part of the name.
        if named
            && epithets == 0
            && t.line == first.line
            && let Some(next) = sign_behind(flow, names, pos)
            && flow.tokens.get(next).is_some_and(|n| latin(names, &n.text) > 0.0 && !n.capital())
        {
            pos = next;
            continue;
        }
        if t.is('?') {
            qualifier = "?".into();
            pos += 1;
            end = pos;
            continue;
        }
        if t.kind != Kind::Word {
            break;
        }
        let dotted = flow.tokens.get(pos + 1).is_some_and(|n| n.is('.') && !n.spaced);
        let lower = t.text.to_lowercase();
        if epithets < 2
            && names.qualifiers.contains(&lower)
            && (dotted || lower == "near" || lower == "nr")
            && !t.capital()
        {
            let open = lower.starts_with("sp");
            qualifier = if dotted { format!("{lower}.") } else { lower };
            pos += 1 + usize::from(dotted);
            end = pos;
            if open {
                // Behind `sp.` no epithet follows.
                break;
            }
            continue;
        }
        if epithets >= 1 && names.ranks.contains(&lower) && dotted {
            let Some(next) =
                flow.tokens.get(pos + 2).filter(|n| n.kind == Kind::Word && latin(names, &n.text) > 0.0)
            else {
                break;
            };
            name.push_str(&format!(" {lower}. {}", next.text.to_lowercase()));
            pos += 3;
            end = pos;
            epithets += 1;
            continue;
        }
        let upper = t.text.chars().all(char::is_uppercase) && t.text.chars().count() > 3;
        // An old species name after a person may start with a capital.
        let old = epithets == 0
            && t.capital()
            && !upper
            && !dotted
            && t.line == first.line
            && (lower.ends_with("ii")
                || lower.ends_with("eri")
                || lower.ends_with("ianus")
                || lower.ends_with("iana")
                || lower.ends_with("ae")
                || lower.ends_with("ensis"))
            && genus_looks >= 0.5;
        if (t.capital() && !(capitals && upper && named) && !old) || epithets >= 2 || dotted {
            break;
        }
        if t.text.chars().next().is_some_and(char::is_uppercase) && !(capitals && upper) && !old {
            break;
        }
        let common = rules.places.habitat_words.contains(&lower) || rules.places.place_words.contains(&lower);
        let l = if common { 0.0 } else { latin(names, &t.text) };
        if l == 0.0 || (epithets >= 1 && l < 0.5) || (t.line != first.line && l < 0.5 && !named) {
            break;
        }
        name.push(' ');
        name.push_str(&lower);
        looks = if epithets == 0 { (genus_looks + l) / 2.0 + 0.1 } else { looks.max(l) };
        epithets += 1;
        previous_line = t.line;
        pos += 1;
        end = pos;
    }
    if epithets == 0 && !(named || names.plants.contains(&first.text)) {
        return None;
    }
    if epithets >= 1 && looks < 0.5 && !named {
        return None;
    }
    if epithets == 0 {
        between = 0..0;
    }
    let chars = first.range.start..flow.tokens[end - 1].range.end;
    // The authors: the rest of the line, and the next where it goes on with a
    // bracket or a name with a point.
    let mut stop = end;
    if epithets >= 1 {
        let mut depth = 0i32;
        // `var. x Auct.` after an author of the species.
        while let Some(t) = flow.tokens.get(stop) {
            if skip(stop) {
                if flow.tokens.get(stop).is_some_and(|t| t.kind == Kind::Number) {
                    break;
                }
                stop += 1;
                continue;
            }
            let dotted = flow.tokens.get(stop + 1).is_some_and(|n| n.is('.'));
            let fresh = t.first && stop > end && !(depth > 0 || flow.tokens[stop - 1].is('&'));
            if t.first && t.line > flow.tokens[end - 1].line && depth == 0 {
                // A new line carries on only if it can be nothing but authors.
                let bracket = t.is('(') && flow.tokens.get(stop + 1).is_some_and(|n| n.capital());
                let amp = flow.tokens.get(stop + 1..stop + 4).is_some_and(|n| {
                    n.iter().any(|t| t.is('&')) && n.iter().all(|t| t.line == flow.tokens[stop].line)
                }) && t.capital()
                    && named;
                let short = t.capital()
                    && t.text.chars().count() <= 6
                    && dotted
                    && flow.tokens.get(stop + 1).is_some_and(|n| n.last);
                let line = flow.tokens[stop..].iter().take_while(|n| n.line == t.line).count();
                if (stop..stop + line).any(|k| {
                    rules.before.at(flow, k, 0.0).is_some() || rules.after.at(flow, k, 0.0).is_some()
                }) {
                    break;
                }
                if !(bracket && stop == end
                    || (amp || short) && (stop == end || depth == 0 && flow.tokens[stop - 1].is(')')))
                    || fresh && !(bracket || amp || short)
                {
                    break;
                }
            }
            let word = t.text.to_lowercase();
            let ok = match t.kind {
                Kind::Word => {
                    (t.capital() && rules.before.get(&t.text).is_none() && !rules.persons.never.contains(&squash(&t.text)) || t.capital() && depth > 0)
                        || ["ex", "in", "et", "and", "f", "de", "von", "van", "der", "la", "du", "fil"].contains(&word.as_str())
                        // The rank of a name below the species follows the author of the species.
                        || names.ranks.contains(&word) && dotted
                }
                Kind::Mark => match t.text.as_str() {
                    "(" | "[" => {
                        depth += 1;
                        true
                    }
                    ")" | "]" => {
                        depth -= 1;
                        depth >= -1
                    }
                    "." | "&" | "-" => true,
                    "," if stop == end => false,
                    "," => flow.tokens.get(stop + 1).is_some_and(|n| {
                        n.kind == Kind::Number && n.text.len() == 4 && n.line == t.line
                            || n.is('&')
                            || n.capital() && n.line == t.line
                    }),
                    _ => false,
                },
                Kind::Number => t.text.len() == 4 && stop > end && flow.tokens[stop - 1].is(','),
            };
            if !ok {
                break;
            }
            if t.kind == Kind::Word && names.ranks.contains(&word) && dotted && word != "f" {
                // Name below the species behind the author: `x y Auct. var. z Auct.`
                if let Some(next) =
                    flow.tokens.get(stop + 2).filter(|n| n.kind == Kind::Word && latin(names, &n.text) >= 0.5)
                {
                    name.push_str(&format!(" {word}. {}", next.text.to_lowercase()));
                    epithets += 1;
                    stop += 3;
                    end = stop;
                    continue;
                }
            }
            stop += 1;
        }
        while stop > end && (flow.tokens[stop - 1].is(',') || flow.tokens[stop - 1].is('-') || skip(stop - 1))
        {
            stop -= 1;
        }
    }
    let author_chars = if stop > end {
        flow.tokens[end].range.start..flow.tokens[stop - 1].range.end
    } else {
        chars.end..chars.end
    };
    let author = flow.slice(author_chars.clone()).trim().to_owned();
    if !author.is_empty() {
        looks = (looks + 0.15).min(1.0);
    }
    Some(Taxon {
        name,
        author,
        qualifier,
        chars,
        author_chars,
        tokens: i..stop,
        between,
        epithets,
        looks: looks.min(1.0),
    })
}

/// The epithet below a row that starts at token `i` and holds nothing but a sign of
/// sex, figures (a year by hand, what a reader made of the sign) and their strokes.
fn row_between(flow: &Flow, i: usize) -> Option<usize> {
    let row = flow.tokens.get(i)?;
    let next = i + flow.tokens[i..].iter().take_while(|t| t.line == row.line).count();
    let epithet = flow.tokens.get(next)?;
    let says = |t: &Token| SEXES.contains(&t.text) || t.kind == Kind::Number && t.text.len() <= 3;
    let stroke = |t: &Token| t.kind == Kind::Mark && "'-/.,".contains(&t.text);
    let tokens = &flow.tokens[i..next];
    (row.line == flow.tokens[i - 1].line + 1
        && tokens.iter().any(says)
        && tokens.iter().all(|t| says(t) || stroke(t))
        && epithet.line == row.line + 1
        && epithet.kind == Kind::Word
        && !epithet.capital())
    .then_some(next)
}

/// Where the line that holds token `i` ends, if no more than a sign's worth of
/// characters (three at most, no shortened author and no qualifier) is left of it.
pub(crate) fn sign_behind(flow: &Flow, names: &Names, i: usize) -> Option<usize> {
    let line = flow.tokens.get(i)?.line;
    let end = (i..flow.tokens.len()).find(|k| flow.tokens[*k].line != line).unwrap_or(flow.tokens.len());
    let rest = &flow.tokens[i..end];
    let letters: usize = rest.iter().map(|t| t.text.chars().count()).sum();
    let author = rest.iter().any(|t| t.capital()) && rest.iter().any(|t| t.is('.'));
    let qualifier = rest.iter().any(|t| names.qualifiers.contains(&t.text.to_lowercase()));
    (letters <= 3 && !author && !qualifier).then_some(end)
}

/// A word in capitals with only its first letter one.
pub(crate) fn cased(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().into_iter().chain(letters.flat_map(char::to_lowercase)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Reading;

    fn taxon(text: &str, named: bool) -> Option<(String, String, String)> {
        let rules = Rules::load(None).unwrap();
        let reading = Reading::from_text("t", text);
        let flow = Flow::new(0, &reading.labels[0], 0..reading.labels[0].lines.len());
        at(&flow, &rules, 0, named, &|i| flow.tokens[i].is('♂')).map(|t| (t.name, t.author, t.qualifier))
    }

    fn yes(name: &str, author: &str, qualifier: &str) -> Option<(String, String, String)> {
        Some((name.into(), author.into(), qualifier.into()))
    }

    /// Names from the International Code of Zoological Nomenclature, examples
    /// of articles 51 and 22A (from memory).
    #[test]
    fn names_with_authors_in_brackets_or_not() {
        assert_eq!(
            taxon("Taenia diminuta Rudolphi, 1819", false),
            yes("Taenia diminuta", "Rudolphi, 1819", "")
        );
        assert_eq!(
            taxon("Hymenolepis diminuta (Rudolphi, 1819)", false),
            yes("Hymenolepis diminuta", "(Rudolphi, 1819)", "")
        );
    }

    #[test]
    fn a_name_over_several_lines_with_a_sign_of_sex() {
        assert_eq!(taxon("Noctua ♂\npronuba\npronuba L.", true), yes("Noctua pronuba pronuba", "L.", ""));
        assert_eq!(taxon("NOCTUA\nPRONUBA", true), yes("Noctua pronuba", "", ""));
    }

    #[test]
    fn a_row_of_a_sign_or_a_figure_between_genus_and_epithet_is_seen_through() {
        for row in ["♂", "♀ 3", "3 ♀", "2", "'71", "18-71"] {
            for named in [true, false] {
                let text = format!("Noctua\n{row}\npronuba L.");
                assert_eq!(taxon(&text, named), yes("Noctua pronuba", "L.", ""), "{text} {named}");
            }
        }
        // Anything else in the row, or anything but an epithet below, ends the name.
        for text in ["Noctua\n♂ Fell\npronuba", "Noctua\n1952\npronuba", "Noctua\n♂\nPronuba"] {
            assert_eq!(taxon(text, true), yes("Noctua", "", ""), "{text}");
        }
        for text in ["Noctua\n♂\nat light", "Noctua\n3\nmiles N", "Upland\n3\npronuba"] {
            assert_eq!(taxon(text, false), None, "{text}");
        }
    }

    #[test]
    fn a_misread_sign_of_sex_is_no_part_of_the_name() {
        assert_eq!(taxon("Noctua &\npronuba", true), yes("Noctua pronuba", "", ""));
        assert_eq!(taxon("Noctua ai ♀\npronuba L.", true), yes("Noctua pronuba", "L.", ""));
        assert_eq!(taxon("Noctua sp.\nwing", true), yes("Noctua", "", "sp."));
    }

    #[test]
    fn qualifiers_are_kept_apart() {
        assert_eq!(taxon("Noctua cf. pronuba", false), yes("Noctua pronuba", "", "cf."));
        assert_eq!(taxon("Noctua sp.", true), yes("Noctua", "", "sp."));
    }

    #[test]
    fn sentences_are_no_names() {
        assert_eq!(taxon("Near the river", false), None);
        assert_eq!(taxon("Trail to the tarn", false), None);
    }
}
