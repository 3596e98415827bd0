//! Sheets of paper at exact size: text, lines, areas and codes placed in
//! millimetres, written as PDF by krilla.
//!
//! Text is shaped before it is placed, so that its width is known exactly and
//! nothing overflows unseen. The fonts are DejaVu Sans Condensed 2.37: open
//! capitals and figures that stay legible at 4 points, and the signs of the
//! trade (♂ ♀ ° ×). Only the glyphs used are embedded. Their licence stands beside
//! this file in `DejaVu-LICENSE.txt`.

use crate::trouble::{Result, Trouble};
use krilla::color::luma;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, Stroke, StrokeDash};
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};
use rustybuzz::{Direction, Feature, ShapePlan, UnicodeBuffer, script, ttf_parser::Tag};
use rxing::common::BitMatrix;
use serde::Deserialize;
use std::sync::OnceLock;

/// Points a millimetre: 72 points are one inch of 25.4 mm.
pub(super) const POINTS: f32 = 72.0 / 25.4;

/// A style of the one family.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Face {
    /// Upright.
    Plain,
    /// Slanted: names of genera and species.
    Slanted,
    /// Heavy.
    Heavy,
}

impl Face {
    fn bytes(self) -> &'static [u8] {
        match self {
            Face::Plain => dejavu::sans_condensed::regular(),
            Face::Slanted => dejavu::sans_condensed::oblique(),
            Face::Heavy => dejavu::sans_condensed::bold(),
        }
    }

    fn shaper(self) -> &'static rustybuzz::Face<'static> {
        static FACES: [OnceLock<rustybuzz::Face<'static>>; 3] = [const { OnceLock::new() }; 3];
        FACES[self as usize]
            .get_or_init(|| rustybuzz::Face::from_slice(self.bytes(), 0).expect("the built-in font is sound"))
    }

    /// Whether the font can show `ch`.
    pub(super) fn has(self, ch: char) -> bool {
        ch.is_whitespace() || self.shaper().glyph_index(ch).is_some()
    }

    /// The glyphs of one line, sizes in ems.
    fn shape(self, text: &str) -> Vec<KrillaGlyph> {
        let face = self.shaper();
        let em = face.units_per_em() as f32;
        let mut buffer = UnicodeBuffer::new();
        buffer.push_str(text);
        buffer.guess_segment_properties();
        // Ligatures save nothing on a label and are harder to read back.
        let features = [Feature::new(Tag::from_bytes(b"liga"), 0, ..)];
        // Working out how to shape takes longer than shaping one line.
        static PLANS: [OnceLock<ShapePlan>; 3] = [const { OnceLock::new() }; 3];
        let latin = [script::LATIN, script::COMMON, script::UNKNOWN].contains(&buffer.script());
        let shaped = if latin && buffer.direction() != Direction::RightToLeft {
            buffer.set_script(script::LATIN);
            buffer.set_direction(Direction::LeftToRight);
            let plan = PLANS[self as usize].get_or_init(|| {
                ShapePlan::new(face, Direction::LeftToRight, Some(script::LATIN), None, &features)
            });
            rustybuzz::shape_with_plan(face, plan, buffer)
        } else {
            rustybuzz::shape(face, &features, buffer)
        };
        let (infos, places) = (shaped.glyph_infos(), shaped.glyph_positions());
        (0..infos.len())
            .map(|i| {
                let start = infos[i].cluster as usize;
                let later = infos.iter().map(|g| g.cluster as usize).filter(|c| *c > start).min();
                let place = places[i];
                KrillaGlyph::new(
                    GlyphId::new(infos[i].glyph_id),
                    place.x_advance as f32 / em,
                    place.x_offset as f32 / em,
                    place.y_offset as f32 / em,
                    place.y_advance as f32 / em,
                    start..later.unwrap_or(text.len()),
                    None,
                )
            })
            .collect()
    }

    /// The width of `text` at `size` points, in millimetres.
    pub(super) fn width(self, text: &str, size: f32) -> f32 {
        self.shape(text).iter().map(|g| g.x_advance).sum::<f32>() * size / POINTS
    }
}

/// A size of paper.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
pub enum Paper {
    /// ISO 216 A4, 210 by 297 mm.
    #[default]
    A4,
    /// ANSI/ASME Y14.1 Letter, 215.9 by 279.4 mm.
    Letter,
}

impl Paper {
    /// Width and height upright, in millimetres.
    pub fn size(self) -> (f32, f32) {
        match self {
            Paper::A4 => (210.0, 297.0),
            Paper::Letter => (215.9, 279.4),
        }
    }
}

/// Where text stands against its point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Align {
    Left,
    Right,
}

/// Something on a sheet; all lengths in millimetres from the top left.
#[derive(Clone, Debug)]
enum Mark {
    /// Text with its baseline at `y`, its left end at `x`, size in points.
    Text { x: f32, y: f32, size: f32, face: Face, grey: u8, text: String },
    /// A line `width` thick; dashes `dash` long where that is not 0.
    Line { from: (f32, f32), to: (f32, f32), width: f32, grey: u8, dash: f32 },
    /// A filled rectangle.
    Area { x: f32, y: f32, w: f32, h: f32, grey: u8 },
    /// Dark squares of a code, each `module` wide.
    Code { x: f32, y: f32, module: f32, bits: BitMatrix },
}

/// One sheet.
#[derive(Clone, Debug)]
pub(super) struct Sheet {
    /// Width in millimetres.
    pub(super) width: f32,
    /// Height in millimetres.
    pub(super) height: f32,
    marks: Vec<Mark>,
}

impl Sheet {
    pub(super) fn new((width, height): (f32, f32)) -> Self {
        Sheet { width, height, marks: Vec::new() }
    }

    pub(super) fn text(&mut self, at: (f32, f32), align: Align, size: f32, face: Face, text: &str) {
        self.grey_text(at, align, size, face, 0, text);
    }

    pub(super) fn grey_text(
        &mut self,
        (x, y): (f32, f32),
        align: Align,
        size: f32,
        face: Face,
        grey: u8,
        text: &str,
    ) {
        let x = match align {
            Align::Left => x,
            Align::Right => x - face.width(text, size),
        };
        self.marks.push(Mark::Text { x, y, size, face, grey, text: text.into() });
    }

    pub(super) fn line(&mut self, from: (f32, f32), to: (f32, f32), width: f32, grey: u8) {
        self.marks.push(Mark::Line { from, to, width, grey, dash: 0.0 });
    }

    pub(super) fn dashed(&mut self, from: (f32, f32), to: (f32, f32), width: f32, grey: u8, dash: f32) {
        self.marks.push(Mark::Line { from, to, width, grey, dash });
    }

    pub(super) fn area(&mut self, (x, y): (f32, f32), (w, h): (f32, f32), grey: u8) {
        self.marks.push(Mark::Area { x, y, w, h, grey });
    }

    pub(super) fn code(&mut self, (x, y): (f32, f32), module: f32, bits: &BitMatrix) {
        self.marks.push(Mark::Code { x, y, module, bits: bits.clone() });
    }

    /// Fine lines around an area, to cut along.
    pub(super) fn frame(&mut self, (left, top): (f32, f32), (w, h): (f32, f32)) {
        for y in [top, top + h] {
            self.line((left, y), (left + w, y), 0.08, 140);
        }
        for x in [left, left + w] {
            self.line((x, top), (x, top + h), 0.08, 140);
        }
    }

    /// A bar of 50 mm with a tick every 10, and the words that ask for exact
    /// size: a printer set to fit the page shrinks labels by some percent.
    pub(super) fn ruler(&mut self, (x, y): (f32, f32)) {
        self.line((x, y), (x + 50.0, y), 0.2, 0);
        for tick in 0..=5 {
            let at = x + tick as f32 * 10.0;
            self.line((at, y - if tick % 5 == 0 { 2.0 } else { 1.2 }), (at, y), 0.2, 0);
        }
        let words = "print at 100 %: this bar measures 50 mm";
        self.text((x + 52.5, y), Align::Left, 7.0, Face::Plain, words);
    }
}

/// A code's modules as ISO/IEC 16022 (Data Matrix, square) has them, without a
/// quiet zone.
///
/// # Errors
/// Where `text` is empty or too long for a code.
pub(super) fn data_matrix(text: &str) -> Result<BitMatrix> {
    use rxing::datamatrix::{DataMatrixWriter, encoder::SymbolShapeHint};
    let hints = rxing::EncodeHints {
        DataMatrixShape: Some(SymbolShapeHint::FORCE_SQUARE),
        ..rxing::EncodeHints::default()
    };
    rxing::Writer::encode_with_hints(
        &DataMatrixWriter,
        text,
        &rxing::BarcodeFormat::DATA_MATRIX,
        0,
        0,
        &hints,
    )
    .map_err(|e| {
        Trouble::new(format!("“{text}”"), "cannot be written as a Data Matrix code")
            .cause(e.to_string())
            .hint("use a shorter number of letters, figures and simple signs")
    })
}

/// The sheets as one PDF file.
///
/// # Errors
/// Where the library refuses; the message names its reason.
pub(super) fn write(title: &str, sheets: &[Sheet]) -> Result<Vec<u8>> {
    let refused = |reason: String| Trouble::new("the PDF", "could not be made").cause(reason);
    let font = |face: Face| {
        Font::new(face.bytes().into(), 0).ok_or_else(|| refused("the built-in font cannot be used".into()))
    };
    let fonts = [font(Face::Plain)?, font(Face::Slanted)?, font(Face::Heavy)?];
    let mut document = Document::new_with(SerializeSettings::default());
    document.set_metadata(
        Metadata::new()
            .title(title.into())
            .creator(concat!("glassine ", env!("CARGO_PKG_VERSION")).into())
            .language("en".into()),
    );
    let p = |mm: f32| mm * POINTS;
    for sheet in sheets {
        let settings = PageSettings::from_wh(p(sheet.width), p(sheet.height))
            .ok_or_else(|| refused("a sheet has no size".into()))?;
        let mut page = document.start_page_with(settings);
        let mut surface = page.surface();
        let paint = |grey: u8| Fill {
            paint: luma::Color::new(grey).into(),
            opacity: NormalizedF32::ONE,
            rule: FillRule::NonZero,
        };
        for mark in &sheet.marks {
            let mut path = PathBuilder::new();
            match mark {
                Mark::Text { x, y, size, face, grey, text } => {
                    surface.set_stroke(None);
                    surface.set_fill(Some(paint(*grey)));
                    let at = Point::from_xy(p(*x), p(*y));
                    let glyphs = face.shape(text);
                    surface.draw_glyphs(at, &glyphs, fonts[*face as usize].clone(), text, *size, false);
                    continue;
                }
                Mark::Line { from, to, width, grey, dash } => {
                    surface.set_fill(None);
                    surface.set_stroke(Some(Stroke {
                        paint: luma::Color::new(*grey).into(),
                        width: p(*width),
                        dash: (*dash > 0.0)
                            .then(|| StrokeDash { array: vec![p(*dash), p(*dash)], offset: 0.0 }),
                        ..Stroke::default()
                    }));
                    path.move_to(p(from.0), p(from.1));
                    path.line_to(p(to.0), p(to.1));
                }
                Mark::Area { x, y, w, h, grey } => {
                    surface.set_stroke(None);
                    surface.set_fill(Some(paint(*grey)));
                    path.push_rect(
                        rectangle(p(*x), p(*y), p(*w), p(*h))
                            .ok_or_else(|| refused("an area has no size".into()))?,
                    );
                }
                Mark::Code { x, y, module, bits } => {
                    surface.set_stroke(None);
                    surface.set_fill(Some(paint(0)));
                    // Neighbours in a row are one rectangle, all are one path:
                    // no renderer then leaves hairlines between them.
                    for row in 0..bits.getHeight() {
                        let mut column = 0;
                        while column < bits.getWidth() {
                            let start = column;
                            while column < bits.getWidth() && bits.get(column, row) {
                                column += 1;
                            }
                            if column > start {
                                let left = p(x + start as f32 * module);
                                let top = p(y + row as f32 * module);
                                let wide = p((column - start) as f32 * module);
                                if let Some(r) = rectangle(left, top, wide, p(*module)) {
                                    path.push_rect(r);
                                }
                            }
                            column += 1;
                        }
                    }
                }
            }
            if let Some(path) = path.finish() {
                surface.draw_path(&path);
            }
        }
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|e| refused(format!("{e:?}")))
}

fn rectangle(x: f32, y: f32, w: f32, h: f32) -> Option<Rect> {
    Rect::from_xywh(x, y, w, h)
}

/// Words laid into a width.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fitted {
    /// The size in points that all fits at.
    pub(super) size: f32,
    /// The lines, each of pieces with their style.
    pub(super) lines: Vec<Vec<(Face, String)>>,
}

/// Why text does not fit.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Unfit {
    /// One word is wider than the room at the smallest size.
    Word(String),
    /// More lines than allowed at the smallest size.
    Lines(usize),
}

/// Fits paragraphs of styled pieces into `width` millimetres and `most` lines:
/// wraps them, then shrinks from `largest` points by tenths to `smallest`.
pub(super) fn fit(
    paragraphs: &[Vec<(Face, String)>],
    width: f32,
    most: usize,
    (smallest, largest): (f32, f32),
) -> std::result::Result<Fitted, Unfit> {
    let mut tenths = (largest * 10.0).round() as i32;
    let last = (smallest * 10.0).round() as i32;
    loop {
        let size = tenths as f32 / 10.0;
        let tried = wrap(paragraphs, width, size);
        match tried {
            Ok(lines) if lines.len() <= most => return Ok(Fitted { size, lines }),
            Ok(lines) if tenths <= last => return Err(Unfit::Lines(lines.len())),
            Err(word) if tenths <= last => return Err(Unfit::Word(word)),
            _ => tenths -= 1,
        }
    }
}

/// The paragraphs broken at spaces; the word that is too wide where one is.
pub(super) fn wrap(
    paragraphs: &[Vec<(Face, String)>],
    width: f32,
    size: f32,
) -> std::result::Result<Vec<Vec<(Face, String)>>, String> {
    let mut lines = Vec::new();
    for paragraph in paragraphs {
        // A word that would stand alone as too wide breaks after a hyphen or
        // a slash before it is given up.
        let mut words: Vec<(Face, String, bool)> = Vec::new();
        for (face, text) in paragraph {
            for word in text.split_whitespace() {
                if face.width(word, size) <= width {
                    words.push((*face, word.into(), true));
                    continue;
                }
                let mut spaced = true;
                for part in word.split_inclusive(['-', '/', '–']) {
                    if face.width(part, size) > width {
                        return Err(word.into());
                    }
                    words.push((*face, part.into(), spaced));
                    spaced = false;
                }
            }
        }
        let mut line: Vec<(Face, String)> = Vec::new();
        for (face, word, spaced) in words {
            let gap = if spaced && !line.is_empty() { " " } else { "" };
            let mut longer = line.clone();
            match longer.last_mut() {
                Some((f, text)) if *f == face => text.push_str(&format!("{gap}{word}")),
                Some((_, text)) => {
                    text.push_str(gap);
                    longer.push((face, word.clone()));
                }
                None => longer.push((face, word.clone())),
            }
            if line_width(&longer, size) <= width {
                line = longer;
            } else {
                lines.push(std::mem::take(&mut line));
                line.push((face, word));
            }
        }
        if !line.is_empty() {
            lines.push(line);
        }
    }
    Ok(lines)
}

/// The width of a line's pieces, in millimetres.
pub(super) fn line_width(line: &[(Face, String)], size: f32) -> f32 {
    line.iter().map(|(face, text)| face.width(text, size)).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_font_has_the_signs_of_our_trade_and_the_letters_of_europe() {
        for face in [Face::Plain, Face::Slanted, Face::Heavy] {
            for ch in "♂♀⚥°′″'×±½–&éèüöäñçøåæœßłŁđžščřőűğışțăĀ".chars()
            {
                assert!(face.has(ch), "{face:?} lacks {ch}");
            }
        }
        assert!(!Face::Plain.has('蛾'));
    }

    #[test]
    fn text_wraps_then_shrinks_then_is_refused() {
        let text = |t: &str| vec![vec![(Face::Plain, t.to_owned())]];
        let long = text("Tarn Head, Alder Ghyll, Low Fold Wood, Mere End");
        let one = fit(&text("Tarn Head"), 14.0, 3, (4.0, 5.0)).unwrap();
        assert_eq!((one.size, one.lines.len()), (5.0, 1));
        let wrapped = fit(&long, 14.0, 4, (4.0, 5.0)).unwrap();
        assert!(wrapped.lines.len() > 1);
        // Between a width that needs a fourth line and one that does not, the
        // words shrink to three; more room never makes them smaller.
        let sizes: Vec<Option<Fitted>> =
            (40..80).map(|w| fit(&long, w as f32 / 4.0, 3, (4.0, 5.0)).ok()).collect();
        let shrunk = sizes.iter().flatten().find(|f| f.size < 5.0).expect("some width shrinks");
        assert!(shrunk.lines.len() <= 3 && shrunk.size >= 4.0, "{shrunk:?}");
        let sizes: Vec<f32> = sizes.iter().map(|f| f.as_ref().map_or(0.0, |f| f.size)).collect();
        assert!(sizes.is_sorted(), "{sizes:?}");
        for line in &wrapped.lines {
            assert!(line_width(line, wrapped.size) <= 14.0);
        }
        assert_eq!(fit(&long, 14.0, 1, (4.0, 5.0)), Err(Unfit::Lines(3)));
        let word = "Llanfairpwllgwyngyllgogerychwyrndrobwllllantysiliogogogoch";
        assert_eq!(fit(&text(word), 14.0, 9, (4.0, 5.0)), Err(Unfit::Word(word.into())));
    }
}
