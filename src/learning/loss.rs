//! How badly a line's scores fit its text: connectionist temporal
//! classification (Graves, Fernández, Gomez and Schmidhuber, ICML 2006), by the
//! forward-backward algorithm on logarithms.

/// Whether a text of `target` classes can stand in `steps` steps: one a
/// character, and a blank between two that are the same.
pub fn fits(target: &[usize], steps: usize) -> bool {
    target.len() + target.windows(2).filter(|w| w[0] == w[1]).count() <= steps
}

/// The loss of one line in nats, minus the log of the probability of `target`
/// (class indices, none of them 0, the blank), and its gradient by the scores.
///
/// `scores` are `classes` numbers a step, before the softmax. `None` where the
/// text does not fit into the steps.
pub fn ctc(scores: &[f32], classes: usize, target: &[usize]) -> Option<(f32, Vec<f32>)> {
    let steps = scores.len() / classes;
    if steps == 0 || !fits(target, steps) {
        return None;
    }
    let mut log = Vec::with_capacity(scores.len());
    for row in scores.chunks_exact(classes) {
        let most = row.iter().copied().fold(f32::MIN, f32::max);
        let sum: f64 = row.iter().map(|s| f64::from(s - most).exp()).sum();
        log.extend(row.iter().map(|s| f64::from(s - most) - sum.ln()));
    }
    // The text with a blank around every character: even places are blank.
    let places = 2 * target.len() + 1;
    let class = |place: usize| if place.is_multiple_of(2) { 0 } else { target[place / 2] };
    let skips = |place: usize| place % 2 == 1 && place >= 3 && class(place) != class(place - 2);
    let at = |step: usize, place: usize| log[step * classes + class(place)];
    let mut ahead = vec![f64::NEG_INFINITY; steps * places];
    ahead[0] = at(0, 0);
    if places > 1 {
        ahead[1] = at(0, 1);
    }
    for step in 1..steps {
        for place in 0..places {
            let was = &ahead[(step - 1) * places..step * places];
            let mut sum = was[place];
            if place > 0 {
                sum = add(sum, was[place - 1]);
            }
            if skips(place) {
                sum = add(sum, was[place - 2]);
            }
            ahead[step * places + place] = sum + at(step, place);
        }
    }
    // From the end: without the step's own score, so that the sum with `ahead`
    // counts it once.
    let mut back = vec![f64::NEG_INFINITY; steps * places];
    let last = (steps - 1) * places;
    back[last + places - 1] = 0.0;
    if places > 1 {
        back[last + places - 2] = 0.0;
    }
    for step in (0..steps - 1).rev() {
        for place in 0..places {
            let next = |p: usize| back[(step + 1) * places + p] + at(step + 1, p);
            let mut sum = next(place);
            if place + 1 < places {
                sum = add(sum, next(place + 1));
            }
            if place + 2 < places && skips(place + 2) {
                sum = add(sum, next(place + 2));
            }
            back[step * places + place] = sum;
        }
    }
    let end = &ahead[last..];
    let whole = if places > 1 { add(end[places - 1], end[places - 2]) } else { end[0] };
    if !whole.is_finite() {
        return None;
    }
    let mut gradient: Vec<f32> = log.iter().map(|l| l.exp() as f32).collect();
    for step in 0..steps {
        for place in 0..places {
            let share = (ahead[step * places + place] + back[step * places + place] - whole).exp();
            gradient[step * classes + class(place)] -= share as f32;
        }
    }
    Some((-whole as f32, gradient))
}

/// The logarithm of the sum of two numbers given as logarithms.
fn add(a: f64, b: f64) -> f64 {
    let (most, least) = if a > b { (a, b) } else { (b, a) };
    if least == f64::NEG_INFINITY { most } else { most + (least - most).exp().ln_1p() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against PyTorch 2.15.0, `torch.nn.functional.ctc_loss` and its gradient
    /// by the scores, in double precision, over scores 2 sin(1 + 0.7 k).
    #[test]
    fn loss_and_gradient_are_those_of_a_reference_library() {
        let scores: Vec<f32> = (0..24).map(|k| 2.0 * (1.0 + 0.7 * k as f32).sin()).collect();
        let reference = [
            (&[1usize, 2][..], 3.770_492, [-0.193_187, -0.087_998, 0.219_425, 0.061_759], 4.404_918),
            (&[2, 2, 3][..], 4.835_176, [0.240_879, 0.412_986, -0.715_624, 0.061_759], 5.579_436),
            (&[1][..], 5.732_514, [-0.422_951, 0.141_766, 0.219_425, 0.061_759], 5.782_977),
        ];
        for (target, loss, first, whole) in reference {
            let (got, gradient) = ctc(&scores, 4, target).unwrap();
            assert!((got - loss).abs() < 1e-4, "{target:?}: {got}");
            for (a, b) in gradient.iter().zip(first) {
                assert!((a - b).abs() < 1e-4, "{target:?}: {gradient:?}");
            }
            let sum: f32 = gradient.iter().map(|g| g.abs()).sum();
            assert!((sum - whole).abs() < 1e-3, "{target:?}: {sum}");
        }
    }

    #[test]
    fn a_text_longer_than_its_line_has_no_loss() {
        // Two characters that are the same need a blank between them.
        assert!(ctc(&[0.0; 8], 4, &[1, 1]).is_none());
        assert!(ctc(&[0.0; 12], 4, &[1, 1]).is_some());
        assert!(ctc(&[], 4, &[1]).is_none());
    }
}
