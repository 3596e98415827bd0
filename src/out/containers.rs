//! Labels for boxes, drawers, cabinets and coolers: name, kind and a Data Matrix
//! code at exact size, and what lies in them where that is asked for.
//!
//! The code's text is that of [`crate::codes`]; a photograph on which it is read
//! says where the rest of the photograph lies. A name that does not fit is
//! wrapped, then shrunk, then refused. Of the contents as many lines are printed
//! as fit, and the last says how many are left out.

use super::LabelRules;
use super::pdf::{self, Align, Face, POINTS, Sheet, Unfit};
use crate::catalogue::{Container, Held};
use crate::codes;
use crate::trouble::{Result, Trouble, count};
use serde::Deserialize;

/// The measures of a container's label; `config/labels.toml` says what each
/// does.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct ContainerRules {
    pub width: f32,
    pub height: f32,
    pub padding: f32,
    pub module: f32,
    pub largest: f32,
    pub smallest: f32,
    pub contents: f32,
}

/// One label on its sheet.
#[derive(Clone, Debug, PartialEq)]
pub struct ContainerPlace {
    /// The sheet, from 0.
    pub sheet: usize,
    /// Left, top, width and height in millimetres.
    pub area: (f32, f32, f32, f32),
    /// The text of the code.
    pub code: String,
    /// The words in print, line by line.
    pub lines: Vec<String>,
}

/// Sheets of container labels.
#[derive(Clone, Debug)]
pub struct ContainerSheets {
    /// The PDF file.
    pub pdf: Vec<u8>,
    /// How many sheets it has.
    pub sheets: usize,
    /// Every label, in the order printed.
    pub places: Vec<ContainerPlace>,
}

/// The label of each container, with what lies in it where that is given.
///
/// # Errors
/// Where a name does not fit or the font lacks a sign: names every such
/// container; where a label does not fit on the sheet.
pub fn container_labels(
    containers: &[(Container, Option<Held>)],
    rules: &LabelRules,
) -> Result<ContainerSheets> {
    let (size, of) = (rules.sheet.paper.size(), &rules.container);
    let margin = rules.sheet.margin;
    let many = |room: f32, side: f32| ((room + 1e-3) / side).floor().max(0.0) as usize;
    // The ruler and its words stand in the lowest 8 mm.
    let (columns, rows) =
        (many(size.0 - 2.0 * margin, of.width), many(size.1 - 2.0 * margin - 8.0, of.height));
    if columns * rows == 0 {
        let fact = format!("of {} x {} mm does not fit on the sheet", of.width, of.height);
        return Err(Trouble::new("a container's label", fact)
            .hint("make container.width, container.height or sheet.margin smaller in config/labels.toml"));
    }
    let (mut sheets, mut places, mut troubles): (Vec<Sheet>, Vec<_>, Vec<String>) = Default::default();
    for (nth, (container, held)) in containers.iter().enumerate() {
        let on = nth % (columns * rows);
        if on == 0 {
            let mut sheet = Sheet::new(size);
            sheet.ruler((margin, size.1 - margin));
            sheets.push(sheet);
        }
        let at = (margin + (on % columns) as f32 * of.width, margin + (on / columns) as f32 * of.height);
        let sheet = sheets.last_mut().expect("a sheet was just begun");
        match draw(sheet, at, container, held.as_ref(), of) {
            Ok(lines) => {
                if rules.sheet.cut_lines {
                    sheet.frame(at, (of.width, of.height));
                }
                places.push(ContainerPlace {
                    sheet: sheets.len() - 1,
                    area: (at.0, at.1, of.width, of.height),
                    code: codes::of_container(container.id),
                    lines,
                });
            }
            Err(trouble) => troubles.push(trouble.to_string()),
        }
    }
    if !troubles.is_empty() {
        let facts = format!("do not fit, and nothing was printed:\n  {}", troubles.join("\n  "));
        return Err(Trouble::new(format!("labels of {} containers", troubles.len()), facts)
            .hint("raise container.width in config/labels.toml, or lower container.smallest"));
    }
    Ok(ContainerSheets { pdf: pdf::write("Container labels", &sheets)?, sheets: sheets.len(), places })
}

/// Draws one label and gives its words line by line.
fn draw(
    sheet: &mut Sheet,
    (left, top): (f32, f32),
    container: &Container,
    held: Option<&Held>,
    of: &ContainerRules,
) -> Result<Vec<String>> {
    let wrong = |fact: String| Trouble::new(format!("container {}", container.code), fact);
    let bits = pdf::data_matrix(&codes::of_container(container.id))?;
    // With the quiet zone of one module (ISO/IEC 16022).
    let side = (bits.getWidth() + 2) as f32 * of.module;
    let (x, width) = (left + of.padding + side + 1.0, of.width - 2.0 * of.padding - side - 1.0);
    let height = of.height - 2.0 * of.padding;
    if side > height {
        return Err(wrong(format!("its code of {side:.1} mm is higher than the label")));
    }
    if width < 5.0 {
        return Err(wrong(format!("its code of {side:.1} mm leaves no room for its name")));
    }
    for text in [&container.code, &container.kind] {
        if let Some(ch) = text.chars().find(|c| !Face::Heavy.has(*c)) {
            return Err(wrong(format!("the font has no `{ch}` (in `{text}`)")));
        }
    }
    let name = vec![vec![(Face::Heavy, container.code.clone())]];
    let sizes = (of.smallest, of.largest);
    // A name is sooner shrunk than broken.
    let fitted = pdf::fit(&name, width, 1, sizes).or_else(|_| pdf::fit(&name, width, 2, sizes));
    let fitted = fitted.map_err(|e| {
        wrong(match e {
            Unfit::Word(word) => format!("`{word}` is wider than {width:.1} mm at {} points", of.smallest),
            Unfit::Lines(lines) => format!("needs {lines} lines at {} points, and has two", of.smallest),
        })
    })?;
    sheet.code((left + of.padding + of.module, top + of.padding + of.module), of.module, &bits);
    let mut lines = Vec::new();
    let mut y = top + of.padding;
    let step = |size: f32| size * 1.14 / POINTS;
    for line in &fitted.lines {
        let text: String = line.iter().map(|p| p.1.as_str()).collect();
        sheet.text((x, y + step(fitted.size) * 0.79), Align::Left, fitted.size, Face::Heavy, &text);
        y += step(fitted.size);
        lines.push(text);
    }
    let small = step(of.contents);
    let mut rest: Vec<(Face, String)> = Vec::new();
    if !container.kind.is_empty() {
        rest.push((Face::Plain, container.kind.clone()));
    }
    rest.extend(held.into_iter().flat_map(contents));
    let room = ((top + of.padding + height - y + 1e-3) / small).floor().max(0.0) as usize;
    let must = usize::from(!container.kind.is_empty());
    if room < must {
        return Err(wrong(format!("its name leaves no line of {} points for its kind", of.contents)));
    }
    let shown = if rest.len() > room { room.saturating_sub(1) } else { rest.len() };
    let left_out = rest.len() - shown;
    rest.truncate(shown);
    if left_out > 0 && room > 0 {
        rest.push((Face::Plain, format!("and {left_out} lines more")));
    }
    for (face, text) in rest {
        let text = shortened(face, &text, of.contents, width);
        sheet.text((x, y + small * 0.79), Align::Left, of.contents, face, &text);
        y += small;
        lines.push(text);
    }
    Ok(lines)
}

/// What lies in a container, line by line: all, by stage, by name.
fn contents(held: &Held) -> Vec<(Face, String)> {
    let mut all = count(held.lots, "lot");
    if held.specimens > 0 {
        all.push_str(&format!(", {}", count(held.specimens, "specimen")));
    }
    let mut lines = vec![(Face::Plain, all)];
    lines.extend(held.stages.iter().map(|(word, n)| (Face::Plain, format!("{n} {word}"))));
    lines.extend(held.names.iter().map(|(name, n)| match name.as_str() {
        "" => (Face::Plain, format!("{n} without a name")),
        name => (Face::Slanted, format!("{n} {name}")),
    }));
    lines
}

/// The text as far as it fits, its end replaced by an ellipsis where it does
/// not; signs that the font lacks become question marks.
fn shortened(face: Face, text: &str, size: f32, width: f32) -> String {
    let shown: String = text.chars().map(|c| if face.has(c) { c } else { '?' }).collect();
    if face.width(&shown, size) <= width {
        return shown;
    }
    let mut chars: Vec<char> = shown.chars().collect();
    while chars.pop().is_some() {
        let tried: String = chars.iter().chain(&['…']).collect();
        if face.width(&tried, size) <= width {
            return tried;
        }
    }
    String::new()
}
