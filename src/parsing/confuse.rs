//! What a misreading costs: how far apart two letters, or two words, are for a
//! reader of labels.
//!
//! Takes letters as read, each with the reader's own alternatives, and a word
//! they may stand for; gives the cheapest way from one to the other. A cost of 0
//! is the same letter, 1 a letter taken for one that looks nothing like it.
//! Pairs that print and handwriting confuse (`rn` and `m`, `cl` and `d`) cost
//! less than two letters.
//!
//! The table is common practice among people who mend recognised text; its
//! costs are rounded from the misreadings of our readers on labels.

use std::sync::OnceLock;

/// One letter as read: squashed to a letter or digit in lower case, with what
/// else the reader thought it might be.
#[derive(Clone, Debug, PartialEq)]
pub struct Glyph {
    /// The letter.
    pub ch: char,
    /// Others with their probability, 0 to 1.
    pub others: Vec<(char, f32)>,
}

impl Glyph {
    /// A letter without alternatives.
    pub fn sure(ch: char) -> Self {
        Glyph { ch, others: Vec::new() }
    }
}

/// Glyphs of typed text, letters and digits only.
pub fn glyphs(text: &str) -> Vec<Glyph> {
    super::gazetteer::squash(text).chars().map(Glyph::sure).collect()
}

/// Letters that look alike, with the cost of taking one for the other.
const ALIKE: &[(&str, f32)] = &[
    ("il1|!j", 0.25),
    ("o0qcd", 0.35),
    ("s5", 0.3),
    ("b86", 0.4),
    ("z2", 0.35),
    ("g9q", 0.35),
    ("ec", 0.35),
    ("ao", 0.4),
    ("ae", 0.45),
    ("nu", 0.35),
    ("nrh", 0.45),
    ("vyu", 0.45),
    ("tfl", 0.45),
    ("mn", 0.5),
    ("hbk", 0.45),
    ("4a", 0.5),
    ("7t1", 0.45),
    ("3b", 0.5),
    ("pn", 0.55),
];

/// Pairs of letters that look like one.
const PAIRS: &[(&str, char, f32)] = &[
    ("rn", 'm', 0.3),
    ("ni", 'm', 0.4),
    ("in", 'm', 0.4),
    ("nn", 'm', 0.45),
    ("cl", 'd', 0.35),
    ("ci", 'a', 0.45),
    ("vv", 'w', 0.3),
    ("ii", 'u', 0.35),
    ("ii", 'n', 0.45),
    ("li", 'h', 0.4),
    ("ri", 'n', 0.45),
    ("lo", 'b', 0.5),
];

/// The tables above as square arrays over ASCII, for speed: the search walks
/// through thousands of letters for every name.
struct Square {
    look: [[f32; 128]; 128],
    pairs: [[bool; 128]; 128],
}

fn square() -> &'static Square {
    static SQUARE: OnceLock<Box<Square>> = OnceLock::new();
    SQUARE.get_or_init(|| {
        let mut s = Box::new(Square { look: [[1.0; 128]; 128], pairs: [[false; 128]; 128] });
        for (set, cost) in ALIKE {
            for a in set.bytes() {
                for b in set.bytes() {
                    let cell = &mut s.look[usize::from(a)][usize::from(b)];
                    *cell = cell.min(*cost);
                }
            }
        }
        for (pair, _, _) in PAIRS {
            if let [a, b] = pair.as_bytes() {
                s.pairs[usize::from(*a)][usize::from(*b)] = true;
            }
        }
        s
    })
}

/// Cost of reading `read` where `meant` stands.
pub fn letter(read: &Glyph, meant: char) -> f32 {
    if read.ch == meant {
        return 0.0;
    }
    let look = match (read.ch.is_ascii(), meant.is_ascii()) {
        (true, true) => square().look[read.ch as usize][meant as usize],
        _ => 1.0,
    };
    if read.others.is_empty() {
        return look;
    }
    // A letter the reader itself proposed costs less the surer it was of it.
    let own = read.others.iter().find(|(c, _)| *c == meant).map_or(1.0, |(_, p)| (0.6 * (1.0 - p)).max(0.1));
    look.min(own)
}

/// Cost of a letter that was read where none stands, or not read where one does.
pub fn lone(ch: char) -> f32 {
    if "il1jt".contains(ch) { 0.7 } else { 1.0 }
}

/// Cost of two letters read as one (`pair` meant, `read` seen) or the reverse.
pub fn pair(two: (char, char), one: char) -> Option<f32> {
    if !two.0.is_ascii() || !two.1.is_ascii() || !square().pairs[two.0 as usize][two.1 as usize] {
        return None;
    }
    PAIRS
        .iter()
        .find(|(pair, single, _)| {
            let mut letters = pair.chars();
            *single == one && letters.next() == Some(two.0) && letters.next() == Some(two.1)
        })
        .map(|(_, _, cost)| *cost)
}

/// One step of the alignment: extends `rows` (one row a letter of the word
/// meant so far) by `meant`, whose predecessor is `before`.
pub(crate) fn step(rows: &[Vec<f32>], read: &[Glyph], before: Option<char>, meant: char) -> Vec<f32> {
    let last = rows.last().expect("the row of the empty word comes first");
    let mut row = Vec::with_capacity(last.len());
    row.push(last[0] + lone(meant));
    for j in 1..=read.len() {
        let mut best = (last[j] + lone(meant)).min(row[j - 1] + lone(read[j - 1].ch));
        best = best.min(last[j - 1] + letter(&read[j - 1], meant));
        if j >= 2
            && let Some(cost) = pair((read[j - 2].ch, read[j - 1].ch), meant)
        {
            best = best.min(last[j - 2] + cost);
        }
        if rows.len() >= 2
            && let Some(before) = before
            && let Some(cost) = pair((before, meant), read[j - 1].ch)
        {
            best = best.min(rows[rows.len() - 2][j - 1] + cost);
        }
        row.push(best);
    }
    row
}

/// The row of the empty word: every letter read is one too many.
pub(crate) fn first(read: &[Glyph]) -> Vec<f32> {
    let mut row = vec![0.0];
    for glyph in read {
        row.push(row[row.len() - 1] + lone(glyph.ch));
    }
    row
}

/// Cost of reading `read` where the word `meant` (squashed) stands.
pub fn word(read: &[Glyph], meant: &str) -> f32 {
    let mut rows = vec![first(read)];
    let mut before = None;
    for ch in meant.chars() {
        rows.push(step(&rows, read, before, ch));
        before = Some(ch);
    }
    rows[rows.len() - 1][read.len()]
}

/// How much misreading a word of `letters` letters may carry before it stops
/// being that word. Short words may carry almost none: every state's
/// abbreviation is one letter from another.
pub fn budget(letters: usize) -> f32 {
    match letters {
        0..=3 => 0.0,
        4..=5 => 0.5,
        6..=7 => 0.9,
        8..=10 => 1.4,
        _ => 2.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_that_look_alike_cost_less_than_any_two_letters() {
        assert_eq!(word(&glyphs("arizona"), "arizona"), 0.0);
        assert!(word(&glyphs("ar1z0na"), "arizona") < 0.7);
        assert!(word(&glyphs("arixona"), "arizona") >= 1.0);
    }

    #[test]
    fn two_letters_read_as_one_and_the_reverse() {
        assert!(word(&glyphs("surnmer"), "summer") < 0.35);
        assert!(word(&glyphs("summer"), "surnmer") < 0.35);
        assert!(word(&glyphs("boulcler"), "boulder") < 0.4);
    }

    #[test]
    fn the_readers_own_second_choice_is_cheap() {
        let mut read = glyphs("texus");
        let plain = word(&read, "texas");
        read[3].others = vec![('a', 0.4)];
        assert!(word(&read, "texas") < 0.4 && plain > 0.9);
    }

    #[test]
    fn lost_and_invented_letters_are_counted() {
        assert_eq!(word(&glyphs("nevda"), "nevada"), 1.0);
        assert_eq!(word(&[], "ok"), 2.0);
    }
}
