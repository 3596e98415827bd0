//! Puts right what a line finder gets wrong about single lines: a lone sign
//! taken for a line that stands upright, and ink at a line's ends left out.
//!
//! Words added by hand to a printed line (a day and month before a printed year,
//! a year behind a name) are set off from the print by a gap and written with
//! another pen, so that a finder often marks the print alone. [`reach`] follows
//! the base line outwards over the paper as long as there is ink.

use super::finder::FoundLine;
use super::group::{difference, lightness, paper, pixel};
use super::{Label, LayoutRules};
use crate::geometry::{Point, Quad};
use image::RgbImage;

/// A box at most this many times as long as high is a sign or two.
const SIGN: f32 = 2.4;

/// Turns boxes of a sign or two to the direction of the nearest longer line: the
/// longer side of a `♀` says nothing about how it stands.
pub fn level_signs(lines: &mut [FoundLine]) {
    let long: Vec<Quad> = lines.iter().map(|l| l.quad).filter(|q| q.width() >= SIGN * q.height()).collect();
    for line in lines.iter_mut() {
        let quad = line.quad;
        if quad.width() >= SIGN * quad.height() {
            continue;
        }
        let centre = quad.centre();
        // Distance to the line's middle third, so that a long neighbour is near
        // along its whole length.
        let away = |q: &Quad| {
            let [a, b, c, d] = q.0;
            [0.0, 0.25, 0.5, 0.75, 1.0]
                .map(|t| a.towards(b, t).towards(d.towards(c, t), 0.5).distance(centre))
                .into_iter()
                .fold(f32::MAX, f32::min)
        };
        let Some(near) = long.iter().min_by(|a, b| away(a).total_cmp(&away(b))) else { continue };
        if away(near) > 8.0 * near.height().max(quad.height()) {
            continue;
        }
        let [a, b, c, d] = quad.0;
        let ways = [[a, b, c, d], [b, c, d, a], [c, d, a, b], [d, a, b, c]].map(Quad);
        let turn = |q: &Quad| {
            let t = (q.angle() - near.angle()).to_degrees().rem_euclid(360.0);
            t.min(360.0 - t)
        };
        line.quad = ways.into_iter().min_by(|a, b| turn(a).total_cmp(&turn(b))).expect("four ways");
    }
}

/// Finds for every line whether ink goes on beyond its ends, on its base line and
/// on the same paper, that belongs to no other line; [`Label::longer`] gets the
/// line with it.
///
/// After grouping, so that what is taken in never makes one label of two.
pub fn reach(labels: &mut [Label], picture: &RgbImage, rules: &LayoutRules) {
    if rules.reach_gap <= 0.0 {
        return;
    }
    let mut quads: Vec<Quad> = labels.iter().flat_map(|l| &l.lines).copied().collect();
    quads.extend(labels.iter().flat_map(|l| &l.signs).map(|s| s.1));
    let mut first = 0;
    for label in labels.iter_mut() {
        let from = first;
        first += label.lines.len();
        if label.lines.len() > rules.reach_lines {
            continue;
        }
        label.longer =
            (from..first).filter_map(|i| Some((i - from, longer(picture, &quads, i, rules)?))).collect();
    }
}

/// The line `own` of `quads` with the ink beyond its ends; `None` where there is
/// none.
fn longer(picture: &RgbImage, quads: &[Quad], own: usize, rules: &LayoutRules) -> Option<Quad> {
    let quad = quads[own];
    if quad.width() < 1.2 * quad.height() {
        return None;
    }
    let tones = Tones::of(picture, &quad);
    if tones.paper - tones.ink < 30.0 {
        return None;
    }
    let right = ink_beyond(picture, &quad, &tones, quads, own, rules);
    let left = ink_beyond(picture, &quad.turned(), &tones, quads, own, rules);
    (left > 0.0 || right > 0.0).then(|| quad.slice(-left / quad.width(), 1.0 + right / quad.width()))
}

/// The tones of a line: its paper's colour and lightness, and its ink's.
struct Tones {
    colour: [f32; 3],
    paper: f32,
    ink: f32,
}

impl Tones {
    fn of(picture: &RgbImage, quad: &Quad) -> Tones {
        let colour = paper(picture, quad);
        let [a, b, c, d] = quad.0;
        let mut values: Vec<f32> = Vec::new();
        for row in 1..8 {
            let v = row as f32 / 8.0;
            let (left, right) = (a.towards(d, v), b.towards(c, v));
            values.extend(
                (0..96).filter_map(|k| {
                    pixel(picture, left.towards(right, (k as f32 + 0.5) / 96.0)).map(lightness)
                }),
            );
        }
        values.sort_by(f32::total_cmp);
        let ink = values.get(values.len() / 16).copied().unwrap_or(0.0);
        Tones { colour, paper: lightness(colour), ink }
    }
}

/// How far, in pixels, ink goes on beyond the right end of `quad`; 0 for none.
fn ink_beyond(
    picture: &RgbImage,
    quad: &Quad,
    tones: &Tones,
    all: &[Quad],
    own: usize,
    rules: &LayoutRules,
) -> f32 {
    let height = quad.height();
    let step = (height / 24.0).max(1.0);
    let [a, b, c, d] = quad.0;
    let along = Point::new((b.x - a.x) / a.distance(b).max(1.0), (b.y - a.y) / a.distance(b).max(1.0));
    let mid = b.towards(c, 0.5);
    let across = Point::new((d.x - a.x) / height, (d.y - a.y) / height);
    let at =
        |u: f32, v: f32| Point::new(mid.x + along.x * u + across.x * v, mid.y + along.y * u + across.y * v);
    // Dark enough for ink: nearer to the line's ink than to its paper.
    let dark = tones.paper - 0.45 * (tones.paper - tones.ink);
    let taken = |p: Point| {
        all.iter().enumerate().any(|(k, q)| {
            if k == own {
                return false;
            }
            let (u, v) = q.shares(p);
            (-0.02..=1.02).contains(&u) && (0.1..=0.9).contains(&v)
        })
    };
    const ROWS: usize = 21;
    let (mut reached, mut last_ink) = (0.0f32, 0.0f32);
    // The piece of ink being passed: where it starts, how high it reaches, and
    // how wide its darkest stretch is.
    let mut piece: Option<(f32, f32, f32)> = None;
    let counts = |(start, low, high): (f32, f32, f32), end: f32| {
        let wide = (end - start) / height;
        (high - low + 1.0) / (ROWS - 8) as f32 > 0.4 && wide > 0.04 && wide < 6.0
    };
    let mut u = 0.0;
    let mut off_paper = 0;
    while u - last_ink <= rules.reach_gap * height {
        u += step;
        if u > rules.reach_most * height || taken(at(u, 0.0)) {
            // Another line's end: what lies between is kept only if it is whole.
            break;
        }
        let column: Vec<Option<[f32; 3]>> = (0..ROWS)
            .map(|r| pixel(picture, at(u, (r as f32 / (ROWS - 1) as f32 - 0.5) * 1.3 * height)))
            .collect();
        if column.iter().filter(|p| p.is_none()).count() > ROWS / 4 {
            break;
        }
        let mut light: Vec<[f32; 3]> = column.iter().flatten().copied().collect();
        light.sort_by(|a, b| lightness(*b).total_cmp(&lightness(*a)));
        // The paper ends: even the lighter third of some columns in a row is of
        // another colour (one alone may be grain).
        let other = difference(&light[light.len() / 3], &tones.colour) > rules.paper_change;
        off_paper = if other { off_paper + 1 } else { 0 };
        if off_paper > 2 {
            break;
        }
        // Ink stands in the line's own height; what runs through the whole
        // column and beyond is a frame, a fold or a pin.
        let is_dark = |p: &Option<[f32; 3]>| p.is_some_and(|c| lightness(c) < dark);
        let inner = &column[4..ROWS - 4];
        let (first, last) = (inner.iter().position(is_dark), inner.iter().rposition(is_dark));
        if is_dark(&column[0])
            && is_dark(&column[ROWS - 1])
            && inner.iter().filter(|p| is_dark(p)).count() > 9
        {
            break;
        }
        match (first, last) {
            (Some(f), Some(l)) => {
                last_ink = u;
                let (f, l) = (f as f32, l as f32);
                piece = Some(match piece {
                    Some((start, lo, hi)) => (start, lo.min(f), hi.max(l)),
                    None => (u, f, l),
                });
            }
            _ => {
                // Space: a piece high enough to be a character counts.
                if u - last_ink > 0.25 * height
                    && let Some(passed) = piece.take()
                    && counts(passed, last_ink)
                {
                    reached = last_ink;
                }
            }
        }
    }
    if piece.is_some_and(|piece| counts(piece, last_ink)) {
        reached = last_ink;
    }
    if reached > 0.0 { reached + 0.15 * height } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn paint(picture: &mut RgbImage, l: u32, t: u32, r: u32, b: u32, tone: u8) {
        for y in t..b {
            for x in l..r {
                picture.put_pixel(x, y, image::Rgb([tone; 3]));
            }
        }
    }

    /// Letters as bars, 20 pixels high.
    fn letters(picture: &mut RgbImage, from: u32, to: u32, top: u32) {
        for x in (from..to).step_by(12) {
            paint(picture, x, top, x + 5, top + 20, 30);
        }
    }

    fn reached(quad: Quad, picture: &RgbImage) -> (f32, f32) {
        let mut labels = [Label {
            quad,
            lines: vec![quad],
            hand: vec![0.5],
            surely_upright: false,
            longer: Vec::new(),
            signs: Vec::new(),
        }];
        reach(&mut labels, picture, &LayoutRules::built_in());
        let (l, _, r, _) = labels[0].longer.first().map_or(quad, |l| l.1).bounds();
        (l, r)
    }

    fn line(l: f32, t: f32, r: f32, b: f32) -> FoundLine {
        FoundLine::at(Quad::upright(l, t, r, b), 1.0)
    }

    #[test]
    fn ink_set_off_from_the_print_is_taken_in_and_bare_paper_is_not() {
        let mut picture = RgbImage::from_pixel(400, 120, image::Rgb([235; 3]));
        letters(&mut picture, 200, 300, 40);
        letters(&mut picture, 120, 170, 40);
        let (l, r) = reached(Quad::upright(195.0, 36.0, 305.0, 64.0), &picture);
        assert!((112.0..121.0).contains(&l), "left end at {l}");
        assert!((r - 305.0).abs() < 0.5, "right end at {r}");
    }

    #[test]
    fn the_edge_of_the_paper_and_a_frame_stop_it() {
        let mut picture = RgbImage::from_pixel(400, 120, image::Rgb([150, 120, 90]));
        paint(&mut picture, 100, 0, 320, 120, 235);
        letters(&mut picture, 200, 300, 40);
        // Writing beyond the paper is on another label.
        letters(&mut picture, 330, 390, 40);
        // A printed frame on the left, with ink behind it.
        paint(&mut picture, 180, 0, 184, 120, 30);
        letters(&mut picture, 120, 170, 40);
        let (l, r) = reached(Quad::upright(196.0, 36.0, 305.0, 64.0), &picture);
        assert!(l > 190.0 && r < 320.0, "{l} to {r}");
    }

    #[test]
    fn a_lone_sign_stands_as_the_line_beside_it() {
        let mut lines = [
            line(50.0, 30.0, 150.0, 50.0),
            FoundLine::at(
                Quad([
                    Point::new(200.0, 25.0),
                    Point::new(200.0, 65.0),
                    Point::new(175.0, 65.0),
                    Point::new(175.0, 25.0),
                ]),
                1.0,
            ),
        ];
        level_signs(&mut lines);
        assert!(lines[1].quad.angle().abs() < 0.01);
        assert!((lines[1].quad.width() - 25.0).abs() < 0.1 && (lines[1].quad.height() - 40.0).abs() < 0.1);
    }
}
