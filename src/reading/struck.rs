//! Finds what a pen crossed out in a line.
//!
//! Takes a line of a photograph in grey, levelled and with some paper at either
//! end; gives the stretches through which a straight stroke runs at the height of
//! the small letters. Cross-bars and the links of joined letters are shorter or
//! bend; a printed rule goes on beyond the words.
//!
//! Left out: single letters or figures crossed out, and waves and scribbles.

use super::ReadingRules;
use crate::geometry::Quad;
use image::{GrayImage, RgbImage};

/// Height to which a line is levelled, in pixels.
const HEIGHT: usize = 40;
/// Paper at either end, in line heights.
const BESIDE: f32 = 0.6;
/// Columns without ink that a stroke may pass.
const GAP: usize = 1;
/// Slopes looked along, up and down, in hundredths.
const SLOPES: i32 = 8;
/// Ink less darker than its paper than this (of 255) is not looked at.
const FAINTEST: f32 = 20.0;

/// The stretches of the line at `quad` that are crossed out, as shares (0 to 1)
/// of its width.
pub fn struck(picture: &RgbImage, quad: &Quad, rules: &ReadingRules) -> Vec<(f32, f32)> {
    let (width, height) = (quad.width(), quad.height());
    if height < 4.0 || width < rules.struck_from * height {
        return Vec::new();
    }
    let beside = BESIDE * height / width;
    let wide = quad.slice(-beside, 1.0 + beside);
    let grey = image::imageops::grayscale(&super::level(picture, &wide, HEIGHT as u32));
    let total = 1.0 + 2.0 * beside;
    strokes(&grey, rules.struck_from * HEIGHT as f32)
        .into_iter()
        .map(|(a, b)| (a * total - beside, b * total - beside))
        .map(|(a, b)| (a.max(0.0), b.min(1.0)))
        .collect()
}

/// Straight strokes at least `least` pixels long, as shares of the picture's
/// width, from left to right.
fn strokes(grey: &GrayImage, least: f32) -> Vec<(f32, f32)> {
    let (w, h) = (grey.width() as usize, grey.height() as usize);
    let mut values: Vec<u8> = grey.as_raw().clone();
    values.sort_unstable();
    let (paper, ink) = (f32::from(values[values.len() * 4 / 5]), f32::from(values[values.len() * 3 / 100]));
    if paper - ink < FAINTEST {
        return Vec::new();
    }
    let threshold = paper - 0.4 * (paper - ink);
    let dark = |x: usize, y: usize| f32::from(grey.get_pixel(x as u32, y as u32).0[0]) < threshold;
    let band = (h / 4) as f32..(h * 3 / 4) as f32;
    let mut found: Vec<(usize, usize)> = Vec::new();
    for slope in -SLOPES..=SLOPES {
        let slope = slope as f32 * 0.01;
        for start in h * 3 / 10..h * 7 / 10 {
            let (mut from, mut last) = (0, None::<usize>);
            for x in 0..=w {
                let y = start as f32 + slope * (x as f32 - w as f32 / 2.0);
                if x < w && band.contains(&y) && dark(x, y.round() as usize) {
                    if last.is_none_or(|last| x - last > 1 + GAP) {
                        from = x;
                    }
                    last = Some(x);
                    if (x - from) as f32 >= least {
                        // Grows with the run; the others are joined below.
                        match found.last_mut() {
                            Some(f) if f.0 == from => f.1 = x,
                            _ => found.push((from, x)),
                        }
                    }
                }
            }
        }
    }
    found.sort_unstable();
    let mut joined: Vec<(usize, usize)> = Vec::new();
    for (a, b) in found {
        match joined.last_mut() {
            Some(last) if a <= last.1 => last.1 = last.1.max(b),
            _ => joined.push((a, b)),
        }
    }
    // A rule of the paper comes in at one end and goes out at the other.
    let edge = h / 6;
    joined.retain(|(a, b)| *a > edge || *b + edge < w - 1);
    joined.into_iter().map(|(a, b)| (a as f32 / w as f32, (b + 1) as f32 / w as f32)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Upright strokes as letters, and level ones from `(x, x, y)`.
    fn line(level: &[(u32, u32, u32)]) -> GrayImage {
        let mut grey = GrayImage::from_pixel(500, HEIGHT as u32, image::Luma([230]));
        for x in (40..460).step_by(12) {
            for y in 12..30 {
                grey.put_pixel(x, y, image::Luma([40]));
                grey.put_pixel(x + 1, y, image::Luma([40]));
            }
        }
        for &(from, to, at) in level {
            for x in from..to {
                for y in at..at + 2 {
                    grey.put_pixel(x, y, image::Luma([40]));
                }
            }
        }
        grey
    }

    #[test]
    fn a_stroke_through_words_is_found_and_letters_are_none() {
        assert_eq!(strokes(&line(&[]), 100.0), []);
        let found = strokes(&line(&[(100, 260, 21)]), 100.0);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!((found[0].0 - 0.2).abs() < 0.02 && (found[0].1 - 0.52).abs() < 0.02, "{found:?}");
    }

    #[test]
    fn a_rule_of_the_paper_and_a_cross_bar_cross_nothing_out() {
        assert_eq!(strokes(&line(&[(0, 500, 22)]), 100.0), []);
        assert_eq!(strokes(&line(&[(100, 150, 22)]), 100.0), []);
        assert_eq!(strokes(&line(&[(100, 260, 35)]), 100.0), []);
    }
}
