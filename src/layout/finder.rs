//! Finds lines of writing with a network that marks, pixel by pixel, how likely
//! each belongs to a line.
//!
//! The network is our own (`models/finder/CARD.md`). It marks lines shrunk, as in
//! differentiable binarization (Liao et al., "Real-time Scene Text Detection with
//! Differentiable Binarization", 2020); [`boxes`] finds the marked areas, takes the
//! smallest rectangle around each and lets it grow again.

use super::LayoutRules;
use crate::geometry::{Point, Quad};
use crate::runtime::{Network, planes};
use crate::trouble::Result;
use fast_image_resize::{FilterType, ResizeAlg, ResizeOptions, Resizer};
use geo::MinimumRotatedRect;
use image::{GrayImage, RgbImage};
use std::path::Path;

/// How many of the picture's pixels, along either side, one of the signs' maps stands for.
const SIGNS: u32 = 8;

/// A line of writing as a finder sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FoundLine {
    /// Where it is, in the coordinates of the picture looked at.
    pub quad: Quad,
    /// How sure the finder is, 0 to 1.
    pub score: f32,
    /// Probability, 0 to 1, that it is written by hand; a half where the finder does not tell.
    pub hand: f32,
    /// Probability, 0 to 1, that it stands upside down: that it is to be read
    /// along `quad` turned by a half turn. A half where the finder does not tell.
    pub upside_down: f32,
}

impl FoundLine {
    /// A line of which no more is known than where it is.
    pub fn at(quad: Quad, score: f32) -> Self {
        FoundLine { quad, score, hand: 0.5, upside_down: 0.5 }
    }

    /// Whether it stands upside down; `None` where that is in doubt, as it is for
    /// a sign or two.
    pub fn surely_upside_down(&self) -> Option<bool> {
        let sure = surely(self.upside_down) && self.quad.width() > 2.0 * self.quad.height();
        sure.then_some(self.upside_down > 0.5)
    }
}

/// Whether a probability of standing upside down, 0 to 1, leaves no doubt.
pub(super) fn surely(upside_down: f32) -> bool {
    (upside_down - 0.5).abs() > 0.4
}

/// Finds lines of writing in a picture, in no particular order.
pub trait LineFinder {
    /// The lines of `picture`, in its coordinates.
    ///
    /// # Errors
    /// Where the network fails.
    fn find(&mut self, picture: &RgbImage) -> Result<Vec<FoundLine>>;
}

/// The network finder.
pub struct NeuralFinder {
    network: Network,
    rules: LayoutRules,
}

impl NeuralFinder {
    /// Loads the finder from the models folder, to run on `threads` threads.
    ///
    /// # Errors
    /// Names the model file that is missing or damaged.
    pub fn load(models: &Path, threads: usize, rules: LayoutRules) -> Result<Self> {
        let path = models.join("finder").join("finder.onnx");
        Ok(NeuralFinder { network: Network::load(models, &path, threads)?, rules })
    }
}

impl LineFinder for NeuralFinder {
    fn find(&mut self, picture: &RgbImage) -> Result<Vec<FoundLine>> {
        // The network halves its input five times: sides are multiples of 32.
        let side = |n: u32| (n.max(32) as f32 / 32.0).round() as u32 * 32;
        let (w, h) = (side(picture.width()), side(picture.height()));
        let scaled = resize(picture, w, h);
        let mut data = vec![0.0; (3 * w * h) as usize];
        planes(&scaled, w as usize, &mut data);
        let shape = [1, 3, h as usize, w as usize];
        let output = self.network.run_for(shape, &data, &["lines", "signs"])?;
        let (sx, sy) = (picture.width() as f32 / w as f32, picture.height() as f32 / h as f32);
        let mut lines = boxes(&output[0].data, w, h, &self.rules);
        // The signs' maps have an eighth of the picture's sides.
        let (sw, sh) = (w / SIGNS, h / SIGNS);
        let (hand, upside_down) = output[1].data.split_at((sw * sh) as usize);
        for line in &mut lines {
            let quad = line.quad.scaled(1.0 / SIGNS as f32);
            line.hand = mean_inside(hand, sw, sh, &quad).unwrap_or(0.5);
            line.upside_down = mean_inside(upside_down, sw, sh, &quad).unwrap_or(0.5);
            for p in &mut line.quad.0 {
                *p = Point::new(p.x * sx, p.y * sy);
            }
        }
        Ok(lines)
    }
}

/// Scales `picture` to exactly `width` x `height`, averaging where it shrinks.
pub fn resize(picture: &RgbImage, width: u32, height: u32) -> RgbImage {
    resize_by(picture, width, height, FilterType::Bilinear)
}

/// As [`resize`], by another filter.
pub(crate) fn resize_by(picture: &RgbImage, width: u32, height: u32, filter: FilterType) -> RgbImage {
    if picture.dimensions() == (width, height) {
        return picture.clone();
    }
    let mut out = RgbImage::new(width, height);
    let options = ResizeOptions::new().resize_alg(ResizeAlg::Convolution(filter));
    Resizer::new().resize(picture, &mut out, &options).expect("both pictures are 8-bit RGB and not empty");
    out
}

/// The lines in a probability map of `width` x `height` numbers (row-major, 0
/// to 1), in its coordinates.
pub fn boxes(map: &[f32], width: u32, height: u32, rules: &LayoutRules) -> Vec<FoundLine> {
    let mut mask = GrayImage::new(width, height);
    for (pixel, &p) in mask.iter_mut().zip(map) {
        *pixel = if p > rules.pixel_threshold { 255 } else { 0 };
    }
    let contours = imageproc::contours::find_contours::<i32>(&mask);
    let mut lines = Vec::new();
    for contour in &contours {
        if contour.border_type == imageproc::contours::BorderType::Hole || contour.points.len() < 4 {
            continue;
        }
        let Some(rectangle) = smallest_rectangle(&contour.points) else { continue };
        let (w, h) = (rectangle.width(), rectangle.height());
        if w.min(h) < 3.0 {
            continue;
        }
        let score = mean_inside(map, width, height, &rectangle).unwrap_or(0.0);
        if score < rules.line_threshold {
            continue;
        }
        let grown = w * h * rules.grow / (2.0 * (w + h));
        let quad = rectangle.with_room(grown, grown);
        if quad.width().min(quad.height()) < 5.0 {
            continue;
        }
        lines.push(FoundLine::at(quad, score));
    }
    lines
}

/// The smallest rectangle around the pixels `points`, its longer side along the
/// text: to the right, or, for a line that stands upright, downwards.
fn smallest_rectangle(points: &[imageproc::point::Point<i32>]) -> Option<Quad> {
    // Not imageproc's own: it rounds to whole pixels, which is a third of the
    // height of a shrunk line, and tilts wide ones out of the marked area.
    let points: geo::MultiPoint<f64> =
        points.iter().map(|p| (f64::from(p.x) + 0.5, f64::from(p.y) + 0.5)).collect();
    let rectangle = points.minimum_rotated_rect()?;
    let corners: Vec<Point> =
        rectangle.exterior().coords().take(4).map(|c| Point::new(c.x as f32, c.y as f32)).collect();
    // A pixel has an extent: half of one on each side.
    let quad = Quad(corners.try_into().ok()?).with_room(0.5, 0.5);
    let [a, b, c, d] = quad.0;
    let (along, across) = (a.distance(b), b.distance(c));
    // A box not much longer than high is one sign or two, and those stand level
    // more often than not: its longer side says nothing.
    let level = |p: Point, q: Point| (q.x - p.x).abs() >= (q.y - p.y).abs();
    let first = if along.max(across) < 1.5 * along.min(across) { level(a, b) } else { along >= across };
    let mut quad = if first { Quad([a, b, c, d]) } else { Quad([b, c, d, a]) };
    // Make it clockwise as seen, so that height points down from the text.
    let cross = |q: &Quad| {
        let [a, b, _, d] = q.0;
        (b.x - a.x) * (d.y - a.y) - (b.y - a.y) * (d.x - a.x)
    };
    if cross(&quad) < 0.0 {
        let [a, b, c, d] = quad.0;
        quad = Quad([b, a, d, c]);
    }
    // Text runs to the right; where it stands upright, downwards.
    let angle = quad.angle().to_degrees();
    if !(-60.0..=120.0).contains(&angle) {
        quad = quad.turned();
    }
    (quad.width() > 0.0).then_some(quad)
}

/// The mean of `map` over the pixels whose centres lie in `quad`; `None` where none does.
fn mean_inside(map: &[f32], width: u32, height: u32, quad: &Quad) -> Option<f32> {
    let (l, t, r, b) = quad.bounds();
    let (mut sum, mut count) = (0.0, 0u32);
    for y in (t.max(0.0) as u32)..(b.ceil().max(0.0) as u32).min(height) {
        for x in (l.max(0.0) as u32)..(r.ceil().max(0.0) as u32).min(width) {
            if quad.holds(Point::new(x as f32 + 0.5, y as f32 + 0.5)) {
                sum += map[(y * width + x) as usize];
                count += 1;
            }
        }
    }
    (count > 0).then(|| sum / count as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn map(width: u32, height: u32, marked: impl Fn(f32, f32) -> bool) -> Vec<f32> {
        let at = |i: u32| ((i % width) as f32 + 0.5, (i / width) as f32 + 0.5);
        (0..width * height).map(|i| if marked(at(i).0, at(i).1) { 0.9 } else { 0.0 }).collect()
    }

    #[test]
    fn a_marked_bar_grows_back_to_its_line() {
        let map = map(128, 64, |x, y| (20.0..100.0).contains(&x) && (30.0..40.0).contains(&y));
        let lines = boxes(&map, 128, 64, &LayoutRules::built_in());
        assert_eq!(lines.len(), 1);
        // area 800, perimeter 180, grow 1.4: 6.2 pixels on every side.
        let (l, t, r, b) = lines[0].quad.bounds();
        for (got, want) in [(l, 13.8), (t, 23.8), (r, 106.2), (b, 46.2)] {
            assert!((got - want).abs() < 0.6, "{got} is not {want}");
        }
        assert!(lines[0].quad.angle().abs() < 0.02);
    }

    #[test]
    fn a_slanted_line_keeps_its_angle() {
        let turn = 20f32.to_radians();
        let map = map(200, 200, |x, y| {
            let (dx, dy) = (x - 100.0, y - 100.0);
            let (u, v) = (dx * turn.cos() + dy * turn.sin(), dy * turn.cos() - dx * turn.sin());
            u.abs() < 60.0 && v.abs() < 8.0
        });
        let lines = boxes(&map, 200, 200, &LayoutRules::built_in());
        assert_eq!(lines.len(), 1);
        assert!((lines[0].quad.angle() - turn).abs() < 0.05, "{}", lines[0].quad.angle().to_degrees());
    }

    #[test]
    fn an_empty_map_and_a_single_pixel_have_no_lines() {
        assert!(boxes(&map(32, 32, |_, _| false), 32, 32, &LayoutRules::built_in()).is_empty());
        assert!(boxes(&map(32, 32, |x, y| x < 1.0 && y < 1.0), 32, 32, &LayoutRules::built_in()).is_empty());
    }
}
