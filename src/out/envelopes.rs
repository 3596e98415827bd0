//! Blank papers for papering: printed fields, fold lines of the triangle, and a
//! code in a numbered run.
//!
//! The code's text is the run, a hyphen and the number with at least five
//! figures: `E-00042`. It stands beside the code in print. A photograph of the
//! envelope reads it into `catalogNumber`, under which the lot is found
//! (`glassine find FOLDER E-00042`).
//!
//! The fold (common practice): a paper of length L and height H is folded at 45
//! degrees through its middle, so that two right-angled triangles with legs H
//! lie on each other; the strips of (L − H) / 2 that stand out at both ends are
//! folded over as flaps. The fields stand on the triangle that stays in front.

use super::pdf::{self, Align, Face, Paper, Sheet};
use crate::settings::{self, Ranges};
use crate::trouble::{Result, Trouble};
use serde::Deserialize;
use std::path::Path;

/// The table `config/envelopes.toml`; the file says what each value does.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct EnvelopeRules {
    pub paper: Paper,
    pub margin: f32,
    pub length: f32,
    pub height: f32,
    pub module: f32,
    pub run: String,
    pub fields: Vec<String>,
}

impl EnvelopeRules {
    /// The built-in rules, overlaid by `folder/envelopes.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, values out of range too.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: EnvelopeRules =
            settings::table("envelopes.toml", include_str!("../../config/envelopes.toml"), folder)?;
        let documented = [
            ("margin", rules.margin, 5.0, 30.0),
            ("length", rules.length, 60.0, 250.0),
            ("height", rules.height, 40.0, 180.0),
            // A flap of less than 8 mm does not hold.
            ("length minus height", rules.length - rules.height, 16.0, 150.0),
            ("module", rules.module, 0.3, 2.0),
        ];
        let ranges = Ranges::of("envelopes.toml", folder);
        for (key, value, least, most) in documented {
            ranges.hold(key, value, least..=most)?;
        }
        let sound = |c: char| c.is_ascii_alphanumeric() || "-_ ./".contains(c);
        if rules.run.len() > 20 || !rules.run.chars().all(sound) || rules.run.trim().is_empty() {
            return Err(Trouble::new("config/envelopes.toml", format!("has the run `{}`", rules.run))
                .hint("use up to 20 letters and figures without accents, for example TV26"));
        }
        Ok(rules)
    }
}

/// The text of the code on paper `number` of a run.
pub fn envelope_code(run: &str, number: u32) -> String {
    format!("{}-{number:05}", run.trim())
}

/// Blank envelopes.
#[derive(Clone, Debug)]
pub struct EnvelopeSheets {
    /// The PDF file.
    pub pdf: Vec<u8>,
    /// How many sheets it has.
    pub sheets: usize,
    /// The text of every code with its sheet (from 0) and the paper's left,
    /// top, width and height in millimetres.
    pub places: Vec<(String, usize, (f32, f32, f32, f32))>,
}

/// Blank papers with the numbers `first` and following, `count` of them.
///
/// # Errors
/// Where a paper does not fit on the sheet, or its fields not on the paper.
pub fn envelopes(first: u32, count: u32, rules: &EnvelopeRules) -> Result<EnvelopeSheets> {
    let upright = rules.paper.size();
    // The lowest 7 mm of the sheet hold the ruler.
    let fits = |(w, h): (f32, f32)| {
        let many = |room: f32, side: f32| ((room + 1e-3) / side).floor().max(0.0) as usize;
        (many(w - 2.0 * rules.margin, rules.length), many(h - 2.0 * rules.margin - 7.0, rules.height))
    };
    let turned = (upright.1, upright.0);
    let size =
        if fits(turned).0 * fits(turned).1 > fits(upright).0 * fits(upright).1 { turned } else { upright };
    let (columns, rows) = fits(size);
    if columns * rows == 0 {
        let fact = format!("of {} x {} mm does not fit on the sheet", rules.length, rules.height);
        return Err(Trouble::new("an envelope", fact)
            .hint("make length, height or margin smaller in the folder's config/envelopes.toml"));
    }
    let (mut sheets, mut places): (Vec<Sheet>, Vec<_>) = (Vec::new(), Vec::new());
    for nth in 0..count as usize {
        let on = nth % (columns * rows);
        if on == 0 {
            let mut sheet = Sheet::new(size);
            sheet.ruler((rules.margin, size.1 - rules.margin));
            sheets.push(sheet);
        }
        let left = rules.margin + (on % columns) as f32 * rules.length;
        let top = rules.margin + (on / columns) as f32 * rules.height;
        let number = first.checked_add(nth as u32).ok_or_else(|| {
            Trouble::new("the run", "ends at number 4294967295")
                .hint("begin a new run in config/envelopes.toml")
        })?;
        let code = envelope_code(&rules.run, number);
        let nth_sheet = sheets.len() - 1;
        let sheet = sheets.last_mut().expect("a sheet was just begun");
        draw(sheet, (left, top), &code, rules)?;
        places.push((code, nth_sheet, (left, top, rules.length, rules.height)));
    }
    Ok(EnvelopeSheets { pdf: pdf::write("Blank envelopes", &sheets)?, sheets: sheets.len(), places })
}

fn draw(sheet: &mut Sheet, (left, top): (f32, f32), code: &str, rules: &EnvelopeRules) -> Result<()> {
    let (l, h) = (rules.length, rules.height);
    let flap = (l - h) / 2.0;
    let (right, bottom) = (left + l, top + h);
    // Cut along the edges, fold along the dashes: the slanted one first.
    for (from, to) in [
        ((left, top), (right, top)),
        ((left, bottom), (right, bottom)),
        ((left, top), (left, bottom)),
        ((right, top), (right, bottom)),
    ] {
        sheet.line(from, to, 0.08, 140);
    }
    sheet.dashed((left + flap, bottom), (right - flap, top), 0.12, 150, 1.5);
    sheet.dashed((left + flap, top), (left + flap, bottom), 0.12, 150, 1.5);
    sheet.dashed((right - flap, top), (right - flap, bottom), 0.12, 150, 1.5);
    let note =
        |sheet: &mut Sheet, at, text: &str| sheet.grey_text(at, Align::Left, 5.0, Face::Plain, 130, text);
    note(sheet, (left + flap + 5.5, bottom - 2.0), "1 fold back along the slanted line");
    note(sheet, (left + 1.0, bottom - 2.0), "2 flap");
    note(sheet, (right - flap + 1.0, bottom - 2.0), "2 flap");

    // The front triangle has its right angle at the top left.
    let bits = pdf::data_matrix(code)?;
    let side = (bits.getWidth() + 2) as f32 * rules.module;
    let (x, pad) = (left + flap + 3.0, 3.0);
    let code_top = top + pad;
    sheet.code((x + rules.module, code_top + rules.module), rules.module, &bits);
    sheet.text((x + side + 2.0, code_top + 4.5), Align::Left, 9.0, Face::Heavy, code);
    let species = "name";
    let mut baseline = code_top + side.max(9.0);
    // A line ends where the slanted fold is 3 mm away.
    let end = |y: f32| right - flap - (y - top) - 3.0 * std::f32::consts::SQRT_2;
    ruled(sheet, (x + side + 2.0, baseline), end(baseline), species);
    for field in &rules.fields {
        baseline += 8.0;
        let to = end(baseline);
        if to - x < 14.0 || baseline > bottom - 5.0 {
            return Err(Trouble::new(
                "config/envelopes.toml",
                format!("has no room for the field `{field}`"),
            )
            .hint("take a field out, or make the paper larger"));
        }
        ruled(sheet, (x, baseline), to, field);
    }
    Ok(())
}

/// A field's small word with a line to write on.
fn ruled(sheet: &mut Sheet, (x, baseline): (f32, f32), end: f32, word: &str) {
    sheet.grey_text((x, baseline - 0.6), Align::Left, 5.5, Face::Plain, 90, word);
    let from = x + Face::Plain.width(word, 5.5) + 1.0;
    sheet.line((from, baseline), (end.max(from + 1.0), baseline), 0.1, 120);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_numbered_and_its_papers_lie_on_the_sheet_without_overlap() {
        let rules = EnvelopeRules::load(None).unwrap();
        let made = envelopes(41, 10, &rules).unwrap();
        assert_eq!(made.places[0].0, "E-00041");
        assert_eq!(made.places[9].0, "E-00050");
        let (width, height) = (297.0, 210.0);
        for (i, (_, sheet, (x, y, w, h))) in made.places.iter().enumerate() {
            assert!(
                *x >= 8.0 && x + w <= width - 8.0 + 1e-3 && *y >= 8.0 && y + h <= height - 8.0,
                "{x} {y}"
            );
            for (_, other, (x2, y2, ..)) in &made.places[..i] {
                assert!(sheet != other || (x - x2).abs() > w - 1e-3 || (y - y2).abs() > h - 1e-3);
            }
        }
        assert_eq!(made.sheets, 3);
    }

    #[test]
    fn what_cannot_be_folded_or_printed_is_refused() {
        let of = |own: &str| {
            let folder = tempfile::tempdir().unwrap();
            std::fs::write(folder.path().join("envelopes.toml"), own).unwrap();
            EnvelopeRules::load(Some(folder.path()))
                .and_then(|r| envelopes(1, 1, &r))
                .unwrap_err()
                .to_string()
        };
        assert!(of("length = 100.0\nheight = 95.0\n").contains("length minus height"));
        assert!(of("run = \"Tal–é\"\n").contains("has the run"));
        assert!(of("length = 240.0\nheight = 178.0\nmargin = 30.0\n").contains("does not fit on the sheet"));
        let many = format!("fields = {:?}\n", ["one"; 30]);
        assert!(of(&many).contains("no room for the field"));
    }
}
