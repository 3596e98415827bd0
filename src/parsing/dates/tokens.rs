//! Cuts text into words and numbers and says what each may be in a date, with
//! the cost of every look-alike taken for another character.

use super::rules::{DateRules, fold};

/// What a stretch of text may be in a date.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    /// A number of one or two digits.
    Small(u8),
    /// Two digits that may be a year of an open century.
    TwoDigits(u8),
    /// A year of four digits.
    Year(i16),
    /// A month by name.
    Name(u8),
    /// A month by roman number.
    Roman(u8),
    /// A season: its index in the rules.
    Season(u8),
    /// Early, middle or late: 1, 2, 3.
    Part(u8),
    /// The first year of ten, as in 1930s.
    Decade(i16),
    /// A word between two dates.
    Join,
    /// A word without meaning inside a date.
    Filler,
    /// A word that makes the date approximate.
    About,
    /// A unit of length or time.
    Unit,
}

/// One way to take the stretch that starts at a token.
#[derive(Clone, Copy, Debug)]
pub(super) struct Take {
    pub(super) kind: Kind,
    /// Index of the token after the stretch.
    pub(super) next: usize,
    pub(super) cost: f32,
}

/// A run of letters or of digits: bytes `start..end` of the text.
#[derive(Clone, Debug)]
pub(super) struct Token {
    pub(super) start: usize,
    pub(super) end: usize,
    pub(super) digits: bool,
}

/// What stands between two tokens.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Gap {
    /// Whether a date may go on over it.
    pub(super) ok: bool,
    pub(super) empty: bool,
    pub(super) hyphen: bool,
    pub(super) slash: bool,
    pub(super) dot: bool,
    pub(super) comma: bool,
    pub(super) apostrophe: bool,
    pub(super) join: bool,
    pub(super) newline: bool,
}

impl Gap {
    /// Only white space.
    pub(super) fn blank(self) -> bool {
        !(self.empty || self.hyphen || self.slash || self.dot || self.comma || self.apostrophe || self.join)
    }
}

pub(super) fn gap(text: &str) -> Gap {
    let mut gap = Gap { ok: true, empty: text.is_empty(), ..Gap::default() };
    let mut newlines = 0;
    for (count, c) in text.chars().enumerate() {
        match c {
            '\n' => newlines += 1,
            c if c.is_whitespace() => {}
            '-' | '–' | '—' | '‐' | '‑' | '−' | '~' | '=' => gap.hyphen = true,
            '/' | '\\' => gap.slash = true,
            // 1932年3月5日: year, month, day.
            '.' | '·' | '•' | '_' | '年' | '月' => gap.dot = true,
            ',' | ';' => gap.comma = true,
            '\'' | '’' | '‘' | '`' | '´' => gap.apostrophe = true,
            '&' | '+' => gap.join = true,
            _ => gap.ok = false,
        }
        if count > 5 {
            gap.ok = false;
        }
    }
    gap.newline = newlines > 0;
    if newlines > 1 {
        gap.ok = false;
    }
    gap
}

pub(super) fn cut(text: &str) -> Vec<Token> {
    let mut tokens: Vec<Token> = Vec::new();
    let mut previous: Option<char> = None;
    let mut chars = text.char_indices().peekable();
    while let Some((at, c)) = chars.next() {
        let next = chars.peek().map(|&(_, n)| n);
        let bar = matches!(c, '!' | '|')
            && (previous.is_some_and(char::is_alphanumeric) || next.is_some_and(char::is_alphanumeric));
        let digit = c.is_ascii_digit();
        let letter = bar || c.is_alphabetic() && !matches!(c, '年' | '月' | '日');
        if digit || letter {
            let end = at + c.len_utf8();
            let glued = tokens.last_mut().filter(|t| t.end == at);
            match glued {
                Some(token)
                    if token.digits == digit
                        && !(letter && previous.is_some_and(char::is_lowercase) && c.is_uppercase()) =>
                {
                    token.end = end;
                }
                _ => tokens.push(Token { start: at, end, digits: digit }),
            }
        }
        previous = Some(c);
    }
    unglue(text, tokens)
}

/// Cuts the strokes of a roman month off the day they were read together with:
/// `V128-53` is `V1`, `28`. Three figures that nothing of a date stands beside
/// are left whole: `V131` is a field number (common practice of collectors).
fn unglue(text: &str, tokens: Vec<Token>) -> Vec<Token> {
    let mut out: Vec<Token> = Vec::with_capacity(tokens.len());
    for (i, token) in tokens.iter().cloned().enumerate() {
        let word = &text[token.start..token.end];
        let ones = word.bytes().take_while(|b| *b == b'1').count();
        let roman = token.digits
            && (3..=5).contains(&word.len())
            && ones >= 1
            && ones < word.len()
            && out.last().is_some_and(|t| {
                let before = &text[t.start..t.end];
                t.end == token.start
                    && before.len() <= 3
                    && before.chars().all(|c| "VXI".contains(c.to_ascii_uppercase()))
            });
        let lone = word.len() == 3 && !in_date(text, &tokens, i);
        let strokes = if roman && !lone { ones.min(word.len().saturating_sub(2)).min(3) } else { 0 };
        for k in 0..strokes {
            out.push(Token { start: token.start + k, end: token.start + k + 1, digits: true });
        }
        out.push(Token { start: token.start + strokes, end: token.end, digits: token.digits });
    }
    out
}

/// Whether a day stands before the letters and figures that end with token
/// `at`, or a year behind them.
fn in_date(text: &str, tokens: &[Token], at: usize) -> bool {
    let beside = |a: &Token, b: &Token| {
        Some(gap(&text[a.end..b.start])).filter(|g| g.ok && !g.newline && !g.empty && !g.comma)
    };
    let day = at.checked_sub(2).is_some_and(|k| {
        let before = &tokens[k];
        before.digits && before.end - before.start <= 2 && beside(before, &tokens[k + 1]).is_some()
    });
    day || tokens.get(at + 1).is_some_and(|behind| {
        let count = behind.end - behind.start;
        beside(&tokens[at], behind).is_some_and(|g| match behind.digits {
            true => !g.blank() || count == 2 || count == 4,
            // A year misread in its first figure.
            false => count <= 2 && (g.hyphen || g.slash),
        })
    })
}

/// All takes of every token.
pub(super) fn takes(text: &str, tokens: &[Token], rules: &DateRules) -> Vec<Vec<Take>> {
    let near_digits = |i: usize| {
        let from = i.saturating_sub(2);
        tokens[from..(i + 3).min(tokens.len())].iter().any(|t| t.digits)
    };
    let mut all = Vec::with_capacity(tokens.len());
    for i in 0..tokens.len() {
        let mut here: Vec<Take> = Vec::new();
        if !near_digits(i) {
            all.push(here);
            continue;
        }
        // A word can be misread in its middle (Ju1y), so runs of glued tokens
        // are taken as one word too.
        for next in i + 1..=(i + 4).min(tokens.len()) {
            if next > i + 1 && tokens[next - 2].end != tokens[next - 1].start {
                break;
            }
            let word = &text[tokens[i].start..tokens[next - 1].end];
            if word.len() > 16 {
                break;
            }
            let mut push = |kind, cost| here.push(Take { kind, next, cost });
            if next == i + 1 && tokens[i].digits {
                plain_number(word, &mut push);
            } else {
                number(word, rules.number_limit, &mut push);
                if let Some((month, cost)) = roman(word) {
                    push(Kind::Roman(month), cost);
                }
                word_takes(word, next == i + 1, rules, &mut push);
            }
            let plain_day = next == i + 1 && tokens[i].digits && word.len() <= 2;
            if plain_day && next < tokens.len() && tokens[next].start == tokens[i].end {
                let written = &text[tokens[next].start..tokens[next].end];
                // A lone capital is rather a misread digit: 1O.
                let capital = written.len() == 1 && written.starts_with(char::is_uppercase);
                if let Ok(day) = word.parse()
                    && !capital
                    && rules.ordinals.contains(&fold(written))
                {
                    here.push(Take { kind: Kind::Small(day), next: next + 1, cost: 0.0 });
                }
            }
            if next == i + 1 && tokens[i].digits && word.len() == 4 && word.ends_with('0') {
                // 1930s and 1930's.
                let after = &text[tokens[i].end..];
                let s = after.strip_prefix(['\'', '’']).unwrap_or(after);
                let alone = s.strip_prefix('s').is_some_and(|r| !r.starts_with(char::is_alphanumeric));
                if alone && let Ok(year) = word.parse() {
                    here.push(Take { kind: Kind::Decade(year), next: i + 2, cost: 0.0 });
                }
            }
        }
        all.push(here);
    }
    all
}

fn plain_number(word: &str, push: &mut impl FnMut(Kind, f32)) {
    match (word.len(), word.parse::<i16>()) {
        (1 | 2, Ok(n)) => {
            push(Kind::Small(n as u8), 0.0);
            if word.len() == 2 {
                push(Kind::TwoDigits(n as u8), 0.0);
            }
        }
        (4, Ok(n)) if (1500..2100).contains(&n) => push(Kind::Year(n), 0.0),
        _ => {}
    }
}

/// A number in which letters were read for digits, at least half of it digits.
fn number(word: &str, limit: f32, push: &mut impl FnMut(Kind, f32)) {
    let count = word.chars().count();
    if count > 4 {
        return;
    }
    let (mut digits, mut cost, mut real) = (String::new(), 0.0, 0);
    for c in word.chars() {
        let digit = match c {
            '0'..='9' => {
                real += 1;
                c
            }
            'O' | 'o' | 'Q' | 'D' => '0',
            'l' | 'I' | 'i' | '|' | '!' | 'J' => '1',
            'Z' | 'z' => '2',
            'S' | 's' => '5',
            'G' | 'b' => '6',
            'B' => '8',
            'g' | 'q' => '9',
            _ => return,
        };
        if !c.is_ascii_digit() {
            cost += 0.3;
        }
        digits.push(digit);
    }
    let lone = count == 1 && matches!(word, "l" | "I" | "|" | "!");
    if cost > limit || (real * 2 < count && !lone) {
        return;
    }
    let mut costed = |kind, more: f32| push(kind, cost + more);
    plain_number(&digits, &mut costed);
}

/// A month by roman number, 1 to 12, with the cost of look-alikes.
fn roman(word: &str) -> Option<(u8, f32)> {
    if word.chars().count() > 5 || word.chars().all(|c| c.is_ascii_digit()) {
        return None;
    }
    let (mut letters, mut cost) = (String::new(), 0.0);
    let (mut upper, mut lower) = (false, false);
    for c in word.chars() {
        let (letter, look_alike) = match c {
            'I' | 'V' | 'X' => {
                upper = true;
                (c, 0.0)
            }
            'i' | 'v' | 'x' => {
                lower = true;
                (c.to_ascii_uppercase(), 0.0)
            }
            'l' | '1' | '|' | '!' => ('I', 0.15),
            'j' | 'J' => ('I', 0.2),
            '×' => ('X', 0.15),
            'U' | 'u' | 'Y' | 'y' => ('V', 0.35),
            _ => return None,
        };
        letters.push(letter);
        cost += look_alike;
    }
    if upper && lower {
        cost += 0.15;
    }
    if !upper && !lower {
        cost += 0.4;
    }
    let month = match letters.as_str() {
        "I" => 1,
        "II" => 2,
        "III" => 3,
        "IV" => 4,
        "IIII" => {
            cost += 0.2;
            4
        }
        "V" => 5,
        "VI" => 6,
        "VII" => 7,
        "VIII" => 8,
        "IX" => 9,
        "VIIII" => {
            cost += 0.2;
            9
        }
        "X" => 10,
        "XI" => 11,
        "XII" => 12,
        _ => return None,
    };
    Some((month, cost))
}

fn word_takes(word: &str, single: bool, rules: &DateRules, push: &mut impl FnMut(Kind, f32)) {
    let folded = fold(word);
    if let Some(&month) = rules.months.get(&folded) {
        push(Kind::Name(month), 0.0);
    } else if let Some((month, cost)) = misread_month(&folded, rules) {
        push(Kind::Name(month), cost);
    }
    if !single {
        return;
    }
    if let Some(&season) = rules.season_words.get(&folded) {
        push(Kind::Season(season), 0.0);
    }
    if let Some(&part) = rules.parts.get(&folded) {
        push(Kind::Part(part), 0.0);
    }
    for (set, kind) in [
        (&rules.joins, Kind::Join),
        (&rules.fillers, Kind::Filler),
        (&rules.about, Kind::About),
        (&rules.units, Kind::Unit),
    ] {
        if set.contains(&folded) {
            push(kind, 0.0);
        }
    }
}

/// The month whose name is nearest to a word that is no month, and the cost.
fn misread_month(folded: &str, rules: &DateRules) -> Option<(u8, f32)> {
    let word: Vec<char> = folded.chars().collect();
    if word.len() < 3 || word.len() > 13 || rules.season_words.contains_key(folded) {
        return None;
    }
    let mut best: Option<(u8, f32)> = None;
    for (name, month) in &rules.month_list {
        // A short name changed in one real letter is another word (May, Mar).
        let limit = match name.len() {
            3 => 0.35,
            4 => 0.65,
            _ => rules.month_limit,
        }
        .min(rules.month_limit);
        if name.len().abs_diff(word.len()) > 1 {
            continue;
        }
        let cost = distance(&word, name, limit);
        if cost <= limit && best.is_none_or(|b| cost < b.1) {
            best = Some((*month, cost.max(0.05)));
        }
    }
    best
}

/// Weighted edit distance; stops early above `limit`.
fn distance(a: &[char], b: &[char], limit: f32) -> f32 {
    let mut row: Vec<f32> = (0..=b.len()).map(|j| j as f32).collect();
    for (i, &ca) in a.iter().enumerate() {
        let mut diagonal = row[0];
        row[0] = i as f32 + 1.0;
        let mut least = row[0];
        for (j, &cb) in b.iter().enumerate() {
            let change = diagonal + substitution(ca, cb);
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1.0).min(row[j + 1] + 1.0);
            least = least.min(row[j + 1]);
        }
        if least > limit {
            return f32::MAX;
        }
    }
    row[b.len()]
}

fn substitution(a: char, b: char) -> f32 {
    if a == b {
        return 0.0;
    }
    // Look-alikes of print, typescript and hands, in either direction.
    const ALIKE: [&str; 10] = ["il1|!jt", "o0qd", "s5", "b68h", "g9qy", "z2", "ce", "un", "vu", "rn"];
    let alike = ALIKE.iter().any(|group| group.contains(a) && group.contains(b));
    // A capital J of a hand is read as nearly any letter with a stem.
    let stem = |x: char, y: char| x == 'j' && "dfsgp".contains(y);
    match () {
        () if alike => 0.3,
        () if stem(a, b) || stem(b, a) => 0.55,
        () => 1.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roman_months_survive_look_alikes() {
        for (word, month) in
            [("VII", 7), ("V1", 6), ("Vll", 7), ("viI", 7), ("X1", 11), ("ix", 9), ("VI!", 7)]
        {
            assert_eq!(roman(word).map(|r| r.0), Some(month), "{word}");
        }
        assert!(roman("XIIV").is_none());
        assert!(roman("11").is_none());
    }

    #[test]
    fn misread_month_names_are_costed_not_trusted() {
        let rules = DateRules::built_in();
        for (word, month) in
            [("juiy", 7), ("duly", 7), ("0ct", 10), ("jnne", 6), ("5ept", 9), ("auqust", 8), ("septembcr", 9)]
        {
            let (found, cost) = misread_month(word, rules).unwrap_or((0, 0.0));
            assert_eq!(found, month, "{word}");
            assert!(cost > 0.0);
        }
        for word in ["mary", "mark", "marx", "dek", "collector", "jay", "sea"] {
            assert!(misread_month(word, rules).is_none(), "{word} {:?}", misread_month(word, rules));
        }
    }
}
