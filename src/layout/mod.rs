//! Finds where the writing is: lines as quads, grouped into the labels they
//! stand on, and bar codes.
//!
//! Takes the photograph's pixels; gives quads in its coordinates. A first look
//! at a scaled-down picture finds the writing; where it turns out small and the
//! photograph has more to give, a closer look at that part finds it again.

mod codes;
mod finder;
mod group;
mod reach;

pub use codes::{find_codes, find_many_codes};
pub(crate) use finder::resize_by;
pub use finder::{FoundLine, LineFinder, NeuralFinder, boxes, resize};
pub use group::group;

use crate::geometry::{Point, Quad};
use crate::settings;
use crate::trouble::Result;
use image::RgbImage;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The numbers of `config/layout.toml`; the file says what each does.
#[derive(Clone, Copy, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct LayoutRules {
    pub first_look: u32,
    pub low_line: f32,
    pub wanted_line: f32,
    pub closer_megapixels: f32,
    pub pixel_threshold: f32,
    pub line_threshold: f32,
    pub grow: f32,
    pub join_gap: f32,
    pub column_lines: usize,
    pub column_width: f32,
    pub label_gap: f32,
    pub edge_drop: f32,
    pub paper_change: f32,
    pub ground_change: f32,
    pub reach_gap: f32,
    pub reach_most: f32,
    pub reach_lines: usize,
}

impl LayoutRules {
    /// The built-in rules, overlaid by `folder/layout.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, values out of range too.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: Self = settings::table("layout.toml", include_str!("../../config/layout.toml"), folder)?;
        let ranges = settings::Ranges::of("layout.toml", folder);
        ranges.hold("first_look", rules.first_look, 640..=1600)?;
        ranges.hold("column_lines", rules.column_lines, 4..=12)?;
        ranges.hold("reach_lines", rules.reach_lines, 6..=60)?;
        let number = |key: &str, value: f32, range| ranges.hold(key, value, range);
        number("low_line", rules.low_line, 6.0..=16.0)?;
        number("wanted_line", rules.wanted_line, 16.0..=32.0)?;
        number("closer_megapixels", rules.closer_megapixels, 1.0..=6.0)?;
        number("pixel_threshold", rules.pixel_threshold, 0.3..=0.7)?;
        number("line_threshold", rules.line_threshold, 0.4..=0.7)?;
        number("grow", rules.grow, 1.2..=2.0)?;
        number("join_gap", rules.join_gap, 0.5..=8.0)?;
        number("column_width", rules.column_width, 3.0..=15.0)?;
        number("label_gap", rules.label_gap, 0.5..=3.0)?;
        number("edge_drop", rules.edge_drop, 8.0..=60.0)?;
        number("paper_change", rules.paper_change, 8.0..=60.0)?;
        number("ground_change", rules.ground_change, 6.0..=40.0)?;
        number("reach_gap", rules.reach_gap, 0.0..=4.0)?;
        number("reach_most", rules.reach_most, 1.0..=12.0)?;
        Ok(rules)
    }

    /// The built-in rules.
    pub fn built_in() -> Self {
        Self::load(None).expect("the built-in table fits")
    }
}

/// A bar code or two-dimensional code found on the photograph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Code {
    /// What it says.
    pub text: String,
    /// The symbology's usual name, for example `CODE_39` or `QR_CODE`.
    pub symbology: String,
    /// Where it is.
    pub quad: Quad,
}

/// One label: a block of writing of its own (a pin label, an envelope's face,
/// a notebook page), with its lines from top to bottom.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The area of the label's writing.
    pub quad: Quad,
    /// Its lines in reading order; never empty.
    pub lines: Vec<Quad>,
    /// For each of [`Label::lines`] the probability, 0 to 1, that it is written by hand.
    pub hand: Vec<f32>,
    /// Whether the finder is sure that the lines are the right way up.
    pub surely_upright: bool,
    /// For some lines (by their index) a longer quad, over ink beyond their ends
    /// that may belong to them; reading decides.
    pub longer: Vec<(usize, Quad)>,
    /// Lone signs (a sign of sex) set off from the right end of a line (its index):
    /// read by themselves, since they are as high as a line and a half.
    pub signs: Vec<(usize, Quad)>,
}

/// What a photograph shows: labels in reading order, and codes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Page {
    /// The labels, top to bottom, left to right.
    pub labels: Vec<Label>,
    /// The codes.
    pub codes: Vec<Code>,
}

/// Finds the labels, lines and codes of a photograph.
///
/// # Errors
/// Where the line finder fails.
pub fn look(picture: &RgbImage, finder: &mut dyn LineFinder, rules: &LayoutRules) -> Result<Page> {
    let mut lines = find_lines(picture, finder, rules)?;
    reach::level_signs(&mut lines);
    let grey = image::imageops::grayscale(picture);
    let mut labels = group(&lines, picture, rules);
    reach::reach(&mut labels, picture, rules);
    Ok(Page { labels, codes: find_codes(&grey) })
}

/// The lines of `picture`: a first look at the whole, and a closer one at the
/// part with writing where that is small.
///
/// # Errors
/// Where the line finder fails.
pub fn find_lines(
    picture: &RgbImage,
    finder: &mut dyn LineFinder,
    rules: &LayoutRules,
) -> Result<Vec<FoundLine>> {
    let (w, h) = picture.dimensions();
    let scale = (rules.first_look as f32 / w.max(h) as f32).min(1.0);
    let first = resize(picture, scaled(w, scale), scaled(h, scale));
    let mut lines = finder.find(&first)?;
    for line in &mut lines {
        line.quad = line.quad.scaled(1.0 / scale);
    }
    let mut heights: Vec<f32> = lines.iter().map(|l| l.quad.height()).collect();
    heights.sort_by(f32::total_cmp);
    let Some(&median) = heights.get(heights.len() / 2) else { return Ok(lines) };
    if scale > 0.99 || median * scale >= rules.low_line {
        return Ok(lines);
    }
    let all: Vec<Quad> = lines.iter().map(|l| l.quad).collect();
    let Some(area) = Quad::around(&all) else { return Ok(lines) };
    let (l, t, r, b) = area.bounds();
    let margin = 3.0 * median;
    let (l, t) = ((l - margin).max(0.0), (t - margin).max(0.0));
    let (r, b) = ((r + margin).min(w as f32), (b + margin).min(h as f32));
    let fits = (rules.closer_megapixels * 1e6 / ((r - l) * (b - t))).sqrt();
    let closer = (rules.wanted_line / median).min(1.0).min(fits);
    if closer < scale * 1.25 {
        return Ok(lines);
    }
    let part = image::imageops::crop_imm(picture, l as u32, t as u32, (r - l) as u32, (b - t) as u32);
    let part = part.to_image();
    let part = resize(&part, scaled(part.width(), closer), scaled(part.height(), closer));
    let mut lines = finder.find(&part)?;
    for line in &mut lines {
        line.quad = Quad(line.quad.0.map(|p| Point::new(p.x / closer + l.floor(), p.y / closer + t.floor())));
    }
    Ok(lines)
}

fn scaled(side: u32, scale: f32) -> u32 {
    ((side as f32 * scale).round() as u32).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sees every dark, upright rectangle and notes the sizes it was shown.
    struct Rectangles(Vec<(u32, u32)>);

    impl LineFinder for Rectangles {
        fn find(&mut self, picture: &RgbImage) -> Result<Vec<FoundLine>> {
            self.0.push(picture.dimensions());
            let map: Vec<f32> = picture.pixels().map(|p| if p[0] < 128 { 0.9 } else { 0.0 }).collect();
            Ok(boxes(&map, picture.width(), picture.height(), &LayoutRules::built_in()))
        }
    }

    #[test]
    fn small_writing_is_looked_at_again_closer() {
        let mut picture = RgbImage::from_pixel(4864, 2432, image::Rgb([255; 3]));
        for y in 1000..1016 {
            for x in 2000..2400 {
                picture.put_pixel(x, y, image::Rgb([0; 3]));
            }
        }
        let mut finder = Rectangles(Vec::new());
        let lines = find_lines(&picture, &mut finder, &LayoutRules::built_in()).unwrap();
        assert_eq!(finder.0.len(), 2, "looked at {:?}", finder.0);
        assert_eq!(lines.len(), 1);
        let centre = lines[0].quad.centre();
        assert!((centre.x - 2200.0).abs() < 6.0 && (centre.y - 1008.0).abs() < 6.0, "{centre:?}");
    }

    #[test]
    fn a_blank_picture_has_no_labels() {
        let picture = RgbImage::from_pixel(64, 64, image::Rgb([255; 3]));
        let page = look(&picture, &mut Rectangles(Vec::new()), &LayoutRules::built_in()).unwrap();
        assert_eq!(page, Page::default());
    }
}
