//! The Tesseract reader: libtesseract's line recogniser, one line at a time.
//!
//! Slower and weaker on small labels than the neural reader; kept beside it for
//! languages and scripts it has data for, and as a second opinion. Character
//! boxes, confidence and alternatives come from its hOCR output
//! (`hocr_char_boxes`, `lstm_choice_mode`).

use super::{ReadChar, ReadLine, Reader, View};
use crate::geometry::Quad;
use crate::trouble::{Result, Trouble};
use image::RgbImage;
use regex::Regex;
use std::sync::LazyLock;
use tesseract::{PageSegMode, Tesseract};

/// Height lines are scaled to: Tesseract reads best with capitals about 30
/// pixels high (its documentation, "Improving the quality of the output").
const HEIGHT: u32 = 56;

/// The Tesseract reader for one set of languages.
pub struct TesseractReader {
    languages: String,
    /// `None` only while a call is under way.
    engine: Option<Tesseract>,
}

impl TesseractReader {
    /// A reader for `languages`, as Tesseract names them: `eng`, `eng+fra`.
    ///
    /// # Errors
    /// Where the language data is not installed.
    pub fn new(languages: &str) -> Result<Self> {
        let wrong = |e: String| {
            Trouble::new(format!("tesseract {languages}"), format!("cannot start: {e}"))
                .hint("install the language data, for example the Debian package tesseract-ocr-eng")
        };
        let engine = Tesseract::new(None, Some(languages))
            .map_err(|e| wrong(e.to_string()))?
            .set_variable("hocr_char_boxes", "1")
            .map_err(|e| wrong(e.to_string()))?
            .set_variable("lstm_choice_mode", "2")
            .map_err(|e| wrong(e.to_string()))?;
        Ok(TesseractReader { languages: languages.into(), engine: Some(engine) })
    }

    fn read_line(&mut self, picture: &RgbImage, quad: &Quad) -> Result<Option<ReadLine>> {
        let crop = super::level(picture, quad, HEIGHT);
        let (w, h) = crop.dimensions();
        let wrong = |e: String| Trouble::new("tesseract", format!("could not read a line: {e}"));
        let mut engine = self.engine.take().map_or_else(
            || Tesseract::new(None, Some(&self.languages)).map_err(|e| wrong(e.to_string())),
            Ok,
        )?;
        engine.set_page_seg_mode(PageSegMode::PsmSingleLine);
        let mut engine = engine
            .set_frame(crop.as_raw(), w as i32, h as i32, 3, w as i32 * 3)
            .map_err(|e| wrong(e.to_string()))?
            .set_source_resolution(300)
            .recognize()
            .map_err(|e| wrong(e.to_string()))?;
        let hocr = engine.get_hocr_text(0).map_err(|e| wrong(e.to_string()))?;
        self.engine = Some(engine);
        let chars = characters(&hocr, w as f32);
        Ok(ReadLine::from_chars(*quad, chars, &format!("tesseract {}", self.languages)))
    }
}

impl Reader for TesseractReader {
    fn read(&mut self, view: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
        lines.iter().map(|quad| self.read_line(view.picture, quad)).collect()
    }

    fn name(&self) -> &str {
        "tesseract"
    }

    fn has(&self, ch: char) -> bool {
        // What the English data cannot produce, found by asking it to read them.
        !matches!(ch, '♂' | '♀' | '☿' | '½' | '¼' | '¾' | 'µ' | '±')
    }
}

/// The characters of a line's hOCR, words parted by a space; `width` is that of
/// the picture, in pixels.
fn characters(hocr: &str, width: f32) -> Vec<ReadChar> {
    static PIECE: LazyLock<Regex> = LazyLock::new(|| {
        let word = r"class='(?P<word>ocrx_word)'";
        let one = r"class='ocrx_cinfo' title='x_bboxes (?P<l>\d+) \d+ (?P<r>\d+) \d+; x_conf (?P<c>[\d.]+)'>(?P<t>[^<]*)<";
        let other = r"class='ocrx_cinfo' id='[^']*' title='x_confs (?P<oc>[\d.]+)'>(?P<ot>[^<]*)<";
        Regex::new(&format!("{word}|{one}|{other}")).expect("the pattern is fixed")
    });
    let mut chars: Vec<ReadChar> = Vec::new();
    let mut gap = false;
    for piece in PIECE.captures_iter(hocr) {
        if piece.name("word").is_some() {
            gap = !chars.is_empty();
        } else if let Some(text) = piece.name("t") {
            let number = |name: &str| piece[name].parse::<f32>().unwrap_or(0.0);
            let (start, end) = (number("l") / width, number("r") / width);
            let confidence = (number("c") / 100.0).clamp(0.0, 1.0);
            if std::mem::take(&mut gap) {
                let before = chars.last().map_or(0.0, |c: &ReadChar| c.end);
                let alternatives = Vec::new();
                chars.push(ReadChar {
                    ch: ' ',
                    confidence,
                    alternatives,
                    start: before,
                    end: start.max(before),
                });
            }
            for ch in unescape(text.as_str()).chars() {
                chars.push(ReadChar { ch, confidence, alternatives: Vec::new(), start, end });
            }
        } else if let (Some(text), Some(last)) = (piece.name("ot"), chars.last_mut()) {
            let confidence = piece["oc"].parse::<f32>().unwrap_or(0.0) / 100.0;
            let mut other = unescape(text.as_str());
            if let (Some(ch), true) = (other.pop(), other.is_empty())
                && ch != last.ch
                && !last.alternatives.iter().any(|(c, _)| *c == ch)
            {
                last.alternatives.push((ch, confidence));
            }
        }
    }
    chars
}

fn unescape(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn characters_keep_place_confidence_and_word_gaps() {
        // The shape of hOCR as Tesseract 5 writes it with hocr_char_boxes.
        let hocr = "<span class='ocrx_word' id='w1' title='bbox 0 0 40 50; x_wconf 90'>\
            <span class='ocrx_cinfo' title='x_bboxes 0 0 20 50; x_conf 98.5'>A</span>\
            <span class='ocrx_cinfo' title='x_bboxes 20 0 40 50; x_conf 80'>&amp;</span></span>\
            <span class='ocrx_word' id='w2'><span class='ocrx_cinfo' title='x_bboxes 60 0 100 50; x_conf 50'>B</span></span>";
        let chars = characters(hocr, 100.0);
        let text: String = chars.iter().map(|c| c.ch).collect();
        assert_eq!(text, "A& B");
        assert_eq!((chars[3].start, chars[3].end, chars[3].confidence), (0.6, 1.0, 0.5));
        assert_eq!((chars[2].start, chars[2].end), (0.4, 0.6));
    }
}
