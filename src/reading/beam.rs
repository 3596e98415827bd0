//! Looks for the likeliest text of a line, the network's scores and the letters'
//! habits weighed together (prefix beam search over connectionist temporal
//! classification: Hannun et al., 2014, "First-pass large vocabulary continuous
//! speech recognition using bi-directional recurrent DNNs").

use super::ctc::{Alphabet, Steps, add};
use serde::Deserialize;

/// How the search weighs and how far it looks (`config/reading.toml`).
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BeamRules {
    /// How many texts are carried along the line.
    pub width: usize,
    /// Classes less likely than this at a step are not followed there.
    pub from: f32,
    /// How much a letter's log probability after the letters before it counts
    /// beside the network's.
    pub weight: f32,
    /// What every letter gains, against the habit of short texts.
    pub bonus: f32,
    /// The same two for a figure, which words and letters foretell badly.
    pub figure_weight: f32,
    #[allow(missing_docs)]
    pub figure_bonus: f32,
}

/// What is usual in texts: how likely each letter is behind those before it.
pub trait Likely {
    /// What is known of a text at one place: as much of it as matters for what follows.
    type Place: Copy;

    /// The start of a line.
    fn start(&self) -> Self::Place;

    /// The log probability (natural) of `ch` at a place, and the place behind it.
    fn next(&self, before: Self::Place, ch: char) -> (f32, Self::Place);

    /// The log probability that the line ends there.
    fn end(&self, before: Self::Place) -> f32;
}

/// A text that the search found, with its scores (natural logarithms).
#[derive(Clone, Debug)]
pub struct Found {
    /// Its used classes (see [`Alphabet`]), without blanks.
    pub text: Vec<usize>,
    /// The network's log probability of the text, over the paths that were followed.
    pub seen: f32,
    /// What habits and letters add to it, weighed.
    pub usual: f32,
}

/// A text on the beam, its last letter.
struct Node<P> {
    parent: usize,
    class: usize,
    place: P,
    /// Weighed letters' score of the text.
    letters: f32,
    children: Vec<(usize, usize)>,
}

/// Log probabilities of a text at a step, by whether a blank came last.
#[derive(Clone, Copy)]
struct Score {
    blank: f32,
    letter: f32,
}

const NEVER: f32 = -1e9;
/// By how much a letter's log probability may lie above 0 for the rounding in tables.
const ROUNDING: f32 = 0.1;

impl Score {
    const NONE: Score = Score { blank: NEVER, letter: NEVER };

    fn all(self) -> f32 {
        add(self.blank, self.letter)
    }
}

/// The used classes (see [`Alphabet`]) of the likeliest text, without blanks.
pub fn search<L: Likely>(steps: &Steps, alphabet: &Alphabet, habits: &L, rules: &BeamRules) -> Vec<usize> {
    texts(steps, alphabet, habits, rules, 1).pop().map(|found| found.text).unwrap_or_default()
}

/// The texts left at the line's end, the likeliest first, at most `most`.
pub fn texts<L: Likely>(
    steps: &Steps,
    alphabet: &Alphabet,
    habits: &L,
    rules: &BeamRules,
    most: usize,
) -> Vec<Found> {
    let root = Node { parent: 0, class: 0, place: habits.start(), letters: 0.0, children: Vec::new() };
    let mut nodes = vec![root];
    // The texts followed, each with both of its scores together.
    let mut beam: Vec<(usize, Score, f32)> = vec![(0, Score { blank: 0.0, letter: NEVER }, 0.0)];
    let mut seen: Vec<(usize, Score)> = Vec::new();
    let mut ranked: Vec<(f32, usize, Score, f32)> = Vec::new();
    // Where a text stands in `seen`; one entry a node.
    let mut place: Vec<usize> = vec![usize::MAX];
    for s in 0..steps.len() {
        let row = steps.row(s);
        let letters: Vec<(usize, f32)> = row
            .iter()
            .enumerate()
            .skip(1)
            .filter(|(_, p)| **p >= rules.from)
            .map(|(c, p)| (c, p.ln()))
            .collect();
        let blank = row[0].max(1e-12).ln();
        seen.clear();
        // The texts that stay as they are.
        for &(n, score, all) in &beam {
            let at = entry(&mut seen, &mut place, n);
            seen[at].1.blank = add(seen[at].1.blank, all + blank);
            if let Some((_, p)) = letters.iter().find(|(class, _)| n != 0 && *class == nodes[n].class) {
                seen[at].1.letter = add(seen[at].1.letter, score.letter + p);
            }
        }
        // What cannot come before the last of them is not begun.
        let least = if seen.len() < rules.width {
            f32::NEG_INFINITY
        } else {
            let ranks = seen.iter().map(|(n, score)| score.all() + nodes[*n].letters);
            ranks.fold(f32::INFINITY, f32::min)
        };
        for &(n, score, all) in &beam {
            for &(class, p) in &letters {
                let again = n != 0 && nodes[n].class == class;
                let from = if again { score.blank } else { all };
                let highest = from + p + nodes[n].letters + rules.bonus.max(rules.figure_bonus) + ROUNDING;
                let known = || nodes[n].children.iter().any(|(c, _)| *c == class);
                if from <= NEVER || (highest < least && !known()) {
                    continue;
                }
                let next = child(&mut nodes, &mut place, n, class, alphabet, habits, rules);
                let at = entry(&mut seen, &mut place, next);
                seen[at].1.letter = add(seen[at].1.letter, from + p);
            }
        }
        ranked.clear();
        ranked.extend(seen.iter().map(|&(n, score)| {
            place[n] = usize::MAX;
            let all = score.all();
            (all + nodes[n].letters, n, score, all)
        }));
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
        ranked.truncate(rules.width.max(1));
        beam.clear();
        beam.extend(ranked.iter().map(|&(_, n, score, all)| (n, score, all)));
    }
    let text = |mut at: usize| {
        let mut text = Vec::new();
        while at != 0 {
            text.push(nodes[at].class);
            at = nodes[at].parent;
        }
        text.reverse();
        text
    };
    let mut ends: Vec<(usize, f32, f32)> = beam
        .iter()
        .map(|(n, _, all)| (*n, *all, nodes[*n].letters + rules.weight * habits.end(nodes[*n].place)))
        .collect();
    ends.sort_by(|a, b| (b.1 + b.2).total_cmp(&(a.1 + a.2)));
    ends.truncate(most);
    ends.into_iter().map(|(n, seen, usual)| Found { text: text(n), seen, usual }).collect()
}

fn entry(seen: &mut Vec<(usize, Score)>, place: &mut [usize], node: usize) -> usize {
    if place[node] == usize::MAX {
        place[node] = seen.len();
        seen.push((node, Score::NONE));
    }
    place[node]
}

fn child<L: Likely>(
    nodes: &mut Vec<Node<L::Place>>,
    place: &mut Vec<usize>,
    parent: usize,
    class: usize,
    alphabet: &Alphabet,
    habits: &L,
    rules: &BeamRules,
) -> usize {
    if let Some((_, n)) = nodes[parent].children.iter().find(|(c, _)| *c == class) {
        return *n;
    }
    let ch = alphabet.character(class).unwrap_or(' ');
    let (p, place_behind) = habits.next(nodes[parent].place, ch);
    let (weight, bonus) = match ch {
        '0'..='9' => (rules.figure_weight, rules.figure_bonus),
        _ => (rules.weight, rules.bonus),
    };
    let letters = nodes[parent].letters + weight * p + bonus;
    let n = nodes.len();
    nodes.push(Node { parent, class, place: place_behind, letters, children: Vec::new() });
    place.push(usize::MAX);
    nodes[parent].children.push((class, n));
    n
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::ctc::{Alternatives, best_path};
    use crate::reading::grams::{Grams, Habits};
    use std::io::BufReader;
    use std::sync::Arc;

    const RULES: BeamRules =
        BeamRules { width: 20, from: 0.0, weight: 0.0, bonus: 0.0, figure_weight: 0.0, figure_bonus: 0.0 };

    fn habits() -> Habits {
        // `ab` is usual, `aa` is not.
        let table = "-9\t<s>\n-1\t</s>\n-0.5\ta\t-1\n-0.5\tb\t-1\n-0.05\ta b\n-2\ta a\n";
        Habits::new(Arc::new(Grams::read(BufReader::new(table.as_bytes())).unwrap()), &[])
    }

    fn said(classes: &[usize], alphabet: &Alphabet) -> String {
        classes.iter().filter_map(|c| alphabet.character(*c)).collect()
    }

    #[test]
    fn without_letters_it_finds_the_text_whose_paths_sum_highest() {
        // Graves et al. 2006, figure 4: the best path is blank (0.7 x 0.6), but
        // `a` has more probability over its three paths.
        let alphabet = Alphabet::new(vec!['a', 'b'], |_| true);
        let steps = Steps::from_rows(&[&[0.7, 0.3, 0.0], &[0.6, 0.4, 0.0]]);
        let keep = Alternatives { most: 3, from: 0.1 };
        assert!(best_path(&steps, &alphabet, keep, 1.0).is_empty());
        assert_eq!(said(&search(&steps, &alphabet, &habits(), &RULES), &alphabet), "a");
    }

    #[test]
    fn every_text_is_scored_as_by_counting_all_paths() {
        // Against brute force over all paths of short random lines.
        let alphabet = Alphabet::new(vec!['a', 'b'], |_| true);
        let mut state = 7u32;
        for _ in 0..200 {
            let rows: Vec<[f32; 3]> = (0..5)
                .map(|_| {
                    let mut r = || {
                        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                        (state >> 8) as f32 / (1 << 24) as f32 + 0.01
                    };
                    let v = [r(), r(), r()];
                    let sum: f32 = v.iter().sum();
                    v.map(|x| x / sum)
                })
                .collect();
            let mut sums = std::collections::HashMap::new();
            for path in 0..3usize.pow(5) {
                let classes: Vec<usize> = (0..5u32).map(|k| path / 3usize.pow(k) % 3).collect();
                let p: f32 = classes.iter().zip(&rows).map(|(c, r)| r[*c]).product();
                let mut text = classes.clone();
                text.dedup();
                text.retain(|c| *c != 0);
                *sums.entry(text).or_insert(0.0) += p;
            }
            let best = sums.values().copied().fold(0.0, f32::max);
            let rows: Vec<&[f32]> = rows.iter().map(|r| &r[..]).collect();
            let rules = BeamRules { width: 500, ..RULES };
            let found = search(&Steps::from_rows(&rows), &alphabet, &habits(), &rules);
            assert!((sums[&found] - best).abs() < 1e-5, "{found:?}");
        }
    }

    #[test]
    fn the_habits_of_letters_settle_a_doubt_but_not_a_clear_picture() {
        let alphabet = Alphabet::new(vec!['a', 'b'], |_| true);
        let rules = BeamRules { weight: 0.5, ..RULES };
        let text = |second: &[f32]| {
            let steps = Steps::from_rows(&[&[0.01, 0.98, 0.01], &[0.98, 0.01, 0.01], second]);
            said(&search(&steps, &alphabet, &habits(), &rules), &alphabet)
        };
        assert_eq!(text(&[0.02, 0.54, 0.44]), "ab");
        assert_eq!(text(&[0.0005, 0.999, 0.0005]), "aa");
    }
}
