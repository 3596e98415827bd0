//! Turns a recogniser's numbers into characters (connectionist temporal
//! classification: Graves et al., 2006).
//!
//! The network gives, for every step along the line, a score for each class:
//! class 0 is "no character here" (blank), the others stand for the alphabet's
//! characters. The best path takes the likeliest class of every step, joins
//! repeats and drops blanks. A character's confidence and alternatives are
//! those of the step where it stands out most.

use super::ReadChar;

/// The classes of a recogniser: which characters it can produce.
pub struct Alphabet {
    /// The character of every class but blank, in class order.
    characters: Vec<char>,
    /// The classes used, blank first: those with a character of our trade.
    used: Vec<(usize, Option<char>)>,
}

impl Alphabet {
    /// The alphabet of `characters` (class 1 on, in order); those for which
    /// `wanted` is false are never produced.
    pub fn new(characters: Vec<char>, wanted: impl Fn(char) -> bool) -> Self {
        let used = std::iter::once((0, None))
            .chain(characters.iter().enumerate().filter(|(_, c)| wanted(**c)).map(|(i, c)| (i + 1, Some(*c))))
            .collect();
        Alphabet { characters, used }
    }

    /// How many classes the network must have: one a character, and blank.
    pub fn classes(&self) -> usize {
        self.characters.len() + 1
    }

    /// The character of a used class, counted from 0 (blank, which has none).
    pub fn character(&self, used: usize) -> Option<char> {
        self.used.get(used).and_then(|(_, c)| *c)
    }

    /// Whether it can produce `ch`.
    pub fn has(&self, ch: char) -> bool {
        self.used.iter().any(|(_, c)| *c == Some(ch))
    }
}

/// How many alternatives to keep, and from which probability on.
#[derive(Clone, Copy, Debug)]
pub struct Alternatives {
    /// At most this many a character.
    pub most: usize,
    /// Only those at least this likely.
    pub from: f32,
}

/// Probabilities of the used classes at every step of a line.
pub struct Steps {
    /// Row-major: a row a step, a column a used class.
    data: Vec<f32>,
    classes: usize,
}

impl Steps {
    /// From a network's output, `classes` numbers a step: probabilities, or
    /// scores of which the softmax is taken, divided by `temperature` first.
    pub fn new(output: &[f32], alphabet: &Alphabet, temperature: f32) -> Self {
        let classes = alphabet.classes();
        let used = alphabet.used.len();
        let mut data = Vec::with_capacity(output.len() / classes * used);
        for row in output.chunks_exact(classes) {
            let probabilities = (row.iter().sum::<f32>() - 1.0).abs() < 0.02 && row.iter().all(|p| *p >= 0.0);
            let score = |class: usize| {
                let value = if probabilities { row[class].max(1e-12).ln() } else { row[class] };
                value / temperature
            };
            let start = data.len();
            data.extend(alphabet.used.iter().map(|(class, _)| score(*class)));
            let row = &mut data[start..];
            let most = row.iter().copied().fold(f32::MIN, f32::max);
            let mut sum = 0.0;
            for value in row.iter_mut() {
                *value = (*value - most).exp();
                sum += *value;
            }
            row.iter_mut().for_each(|v| *v /= sum);
        }
        Steps { data, classes: used }
    }

    /// From probabilities of the used classes, a row a step.
    #[cfg(test)]
    pub(super) fn from_rows(rows: &[&[f32]]) -> Self {
        Steps { data: rows.concat(), classes: rows[0].len() }
    }

    /// How many steps there are.
    pub fn len(&self) -> usize {
        self.data.len() / self.classes
    }

    /// Whether there is no step.
    pub fn is_empty(&self) -> bool {
        self.data.is_empty()
    }

    /// The probabilities of one step, in the order of the alphabet's used
    /// classes (blank first).
    pub fn row(&self, step: usize) -> &[f32] {
        &self.data[step * self.classes..(step + 1) * self.classes]
    }
}

/// The characters along the best path. `filled` is the share (0 to 1) of the
/// steps that the line's picture fills; the rest is padding.
pub fn best_path(steps: &Steps, alphabet: &Alphabet, keep: Alternatives, filled: f32) -> Vec<ReadChar> {
    let best: Vec<usize> = (0..steps.len())
        .map(|s| steps.row(s).iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(i, _)| i))
        .collect();
    characters(&best, steps, alphabet, keep, filled)
}

/// The characters of `text` (used classes without blanks), each where the
/// network places it best (Viterbi alignment).
pub fn along(
    text: &[usize],
    steps: &Steps,
    alphabet: &Alphabet,
    keep: Alternatives,
    filled: f32,
) -> Vec<ReadChar> {
    characters(&align(text, steps), steps, alphabet, keep, filled)
}

/// The class of every step on the likeliest path that says `text`; all blank
/// where the steps are too few for it.
fn align(text: &[usize], steps: &Steps) -> Vec<usize> {
    // Blank, first letter, blank, second letter ... blank.
    let states: Vec<usize> = std::iter::once(0).chain(text.iter().flat_map(|c| [*c, 0])).collect();
    let (n, t) = (states.len(), steps.len());
    let mut score = vec![f32::NEG_INFINITY; n];
    // How many states each step came forward, by step and state.
    let mut came = vec![0u8; n * t];
    for s in 0..t {
        let row = steps.row(s);
        for k in (0..n).rev() {
            let skip = k > 1 && states[k] != 0 && states[k] != states[k - 2];
            let (best, by) = if s == 0 {
                (if k < 2 { 0.0 } else { f32::NEG_INFINITY }, 0)
            } else {
                (0..=if skip { 2 } else { 1.min(k) })
                    .map(|d| (score[k - d], d))
                    .fold((f32::NEG_INFINITY, 0), |a, b| if b.0 > a.0 { b } else { a })
            };
            score[k] = best + row[states[k]].max(1e-12).ln();
            came[s * n + k] = by as u8;
        }
    }
    let mut k = if n > 1 && score[n - 2] > score[n - 1] { n - 2 } else { n - 1 };
    if score[k] == f32::NEG_INFINITY {
        return vec![0; t];
    }
    let mut path = vec![0; t];
    for s in (0..t).rev() {
        path[s] = states[k];
        k -= usize::from(came[s * n + k]);
    }
    path
}

/// The log probability (natural) that the network gives to `text` (used classes without blanks) over
/// all its paths (the forward variable of Graves et al., 2006, equation 6); minus infinity where the
/// steps are too few for it.
pub fn chance(text: &[usize], steps: &Steps) -> f32 {
    // Blank, first letter, blank, second letter ... blank, with whether the letter before the last
    // blank may be followed at once.
    let states: Vec<(usize, bool)> = std::iter::once((0, false))
        .chain(text.iter().enumerate().flat_map(|(i, c)| [(*c, i > 0 && text[i - 1] != *c), (0, false)]))
        .collect();
    // The sums of a step, a share of all of them each; the logarithm of all is added up.
    let mut sum = vec![0.0f64; states.len()];
    let mut log = 0.0;
    for s in 0..steps.len() {
        let row = steps.row(s);
        let mut all = 0.0;
        for k in (0..states.len()).rev() {
            let (class, skips) = states[k];
            let mut from = if s == 0 && k < 2 { 1.0 } else { sum[k] };
            if s > 0 && k > 0 {
                from += sum[k - 1];
            }
            if s > 0 && skips {
                from += sum[k - 2];
            }
            sum[k] = from * f64::from(row[class].max(1e-12));
            all += sum[k];
        }
        if all == 0.0 {
            return f32::NEG_INFINITY;
        }
        sum.iter_mut().for_each(|share| *share /= all);
        log += all.ln();
    }
    let end: f64 = sum.iter().rev().take(2).sum();
    (log + end.ln()) as f32
}

/// log(exp a + exp b).
pub(super) fn add(a: f32, b: f32) -> f32 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    // Also where both are minus infinity.
    if low < high - 20.0 || low == f32::NEG_INFINITY { high } else { high + (low - high).exp().ln_1p() }
}

fn characters(
    best: &[usize],
    steps: &Steps,
    alphabet: &Alphabet,
    keep: Alternatives,
    filled: f32,
) -> Vec<ReadChar> {
    let width = steps.len() as f32 * filled.max(1e-3);
    let mut chars = Vec::new();
    let mut at = 0;
    while at < best.len() {
        let class = best[at];
        let end = best[at..].iter().position(|c| *c != class).map_or(best.len(), |n| at + n);
        if let Some(ch) = alphabet.used[class].1 {
            let peak = (at..end)
                .max_by(|a, b| steps.row(*a)[class].total_cmp(&steps.row(*b)[class]))
                .expect("a run has a step");
            let row = steps.row(peak);
            let mut others: Vec<(char, f32)> = row
                .iter()
                .enumerate()
                .filter(|(i, p)| *i != class && **p >= keep.from)
                .filter_map(|(i, p)| alphabet.used[i].1.map(|c| (c, *p)))
                .collect();
            others.sort_by(|a, b| b.1.total_cmp(&a.1));
            others.truncate(keep.most);
            chars.push(ReadChar {
                ch,
                confidence: row[class],
                alternatives: others,
                start: (at as f32 / width).min(1.0),
                end: (end as f32 / width).min(1.0),
            });
        }
        at = end;
    }
    widen(&mut chars);
    chars
}

/// The steps in which a character stands out are its middle; its strokes reach
/// half of the way to its neighbours, at most half of a usual character.
fn widen(chars: &mut [ReadChar]) {
    let (Some(first), Some(last)) = (chars.first(), chars.last()) else { return };
    let half = 0.6 * (last.end - first.start) / chars.len() as f32;
    let old: Vec<(f32, f32)> = chars.iter().map(|c| (c.start, c.end)).collect();
    for (i, c) in chars.iter_mut().enumerate() {
        let before = i.checked_sub(1).map_or(-c.start, |k| old[k].1);
        let after = old.get(i + 1).map_or(2.0 - c.end, |n| n.0);
        c.start -= half.min((c.start - before) / 2.0).max(0.0);
        c.end += half.min((after - c.end) / 2.0).max(0.0);
        (c.start, c.end) = (c.start.max(0.0), c.end.min(1.0));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEEP: Alternatives = Alternatives { most: 3, from: 0.05 };

    fn steps(rows: &[[f32; 3]], alphabet: &Alphabet) -> Steps {
        Steps::new(&rows.concat(), alphabet, 1.0)
    }

    #[test]
    fn repeats_join_and_a_blank_parts_doubled_letters() {
        let alphabet = Alphabet::new(vec!['l', 'I'], |_| true);
        let rows = [[0.1, 0.7, 0.2], [0.1, 0.8, 0.1], [0.9, 0.05, 0.05], [0.1, 0.6, 0.3]];
        let chars = best_path(&steps(&rows, &alphabet), &alphabet, KEEP, 1.0);
        let text: String = chars.iter().map(|c| c.ch).collect();
        assert_eq!(text, "ll");
        assert!((chars[0].confidence - 0.8).abs() < 1e-6);
        // Two of four steps and half of the blank behind them.
        assert_eq!((chars[0].start, chars[0].end), (0.0, 0.625));
        assert_eq!(chars[1].alternatives.len(), 1);
        assert_eq!(chars[1].alternatives[0].0, 'I');
    }

    #[test]
    fn a_text_is_placed_where_the_network_sees_it() {
        let alphabet = Alphabet::new(vec!['l', 'I'], |_| true);
        let rows = [[0.1, 0.7, 0.2], [0.1, 0.8, 0.1], [0.9, 0.05, 0.05], [0.1, 0.6, 0.3]];
        let steps = steps(&rows, &alphabet);
        // The best path's own text gives the best path's characters.
        let (same, best) =
            (along(&[1, 1], &steps, &alphabet, KEEP, 1.0), best_path(&steps, &alphabet, KEEP, 1.0));
        assert_eq!(same, best);
        let other = along(&[1, 2], &steps, &alphabet, KEEP, 1.0);
        assert_eq!(other.iter().map(|c| c.ch).collect::<String>(), "lI");
        // Its confidence is what the network gives it, and the likelier letter
        // stays as another reading.
        assert!((other[1].confidence - 0.3).abs() < 1e-6);
        assert_eq!(other[1].alternatives[0].0, 'l');
        // Three letters that must be parted by blanks do not fit into four steps.
        assert!(along(&[1, 1, 1], &steps, &alphabet, KEEP, 1.0).is_empty());
    }

    #[test]
    fn the_chance_of_a_text_is_the_sum_over_its_paths() {
        let alphabet = Alphabet::new(vec!['a', 'b'], |_| true);
        let rows = [[0.2, 0.5, 0.3], [0.6, 0.1, 0.3], [0.3, 0.4, 0.3], [0.5, 0.2, 0.3]];
        let steps = steps(&rows.map(|r| r.map(|p: f32| p.ln())), &alphabet);
        for text in [&[][..], &[1], &[1, 2], &[1, 1], &[2, 1, 2], &[1, 2, 1, 2]] {
            // By counting all paths.
            let said = |path: usize| {
                let classes: Vec<usize> = (0..4u32).map(|k| path / 3usize.pow(k) % 3).collect();
                let p: f32 = classes.iter().zip(&rows).map(|(c, r)| r[*c]).product();
                let mut text = classes;
                text.dedup();
                text.retain(|c| *c != 0);
                (text, p)
            };
            let sum: f32 = (0..81).map(said).filter(|(t, _)| t == text).map(|(_, p)| p).sum();
            assert!((chance(text, &steps).exp() - sum).abs() < 1e-5, "{text:?}");
        }
        assert_eq!(chance(&[1, 1, 1], &steps), f32::NEG_INFINITY);
    }

    #[test]
    fn unwanted_characters_are_never_produced_and_the_rest_share_their_weight() {
        let alphabet = Alphabet::new(vec!['a', '中'], |c| c.is_ascii());
        let chars = best_path(&steps(&[[0.1, 0.2, 0.7]], &alphabet), &alphabet, KEEP, 1.0);
        assert_eq!(chars[0].ch, 'a');
        assert!((chars[0].confidence - 0.2 / 0.3).abs() < 1e-5);
    }

    #[test]
    fn scores_become_probabilities_and_a_higher_temperature_flattens_them() {
        let alphabet = Alphabet::new(vec!['a', 'b'], |_| true);
        let sharp = Steps::new(&[0.0, 4.0, -1.0], &alphabet, 1.0);
        let flat = Steps::new(&[0.0, 4.0, -1.0], &alphabet, 2.0);
        assert!((sharp.row(0).iter().sum::<f32>() - 1.0).abs() < 1e-6);
        assert!(sharp.row(0)[1] > flat.row(0)[1] && flat.row(0)[1] > 0.5);
    }
}
