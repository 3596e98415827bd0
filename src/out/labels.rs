//! Labels for the pin: for every mounted animal a locality label, a
//! determination label and a number label with a Data Matrix code, laid out at
//! exact size to be cut apart.
//!
//! The code says the animal's own catalogue number where it has one, else the
//! lot's number and the animal's place in it (`L00123-2`), so that a photograph
//! of the pinned animal finds its lot. Words that do not fit are wrapped, then
//! shrunk, then refused: nothing is cut off. Measures and texts are those of
//! `config/labels.toml`.

use super::pdf::{self, Align, Face, POINTS, Paper, Sheet, Unfit};
use super::{ContainerRules, Naming};
use crate::catalogue::Record;
use crate::settings::{self, Ranges};
use crate::trouble::{Result, Trouble};
use rxing::common::BitMatrix;
use serde::Deserialize;
use std::path::Path;

/// The table `config/labels.toml`; the file says what each value does.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct LabelRules {
    pub sheet: SheetRules,
    pub label: SizeRules,
    pub number: NumberRules,
    pub container: ContainerRules,
    pub text: TextRules,
}

/// The sheet that labels are printed on.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct SheetRules {
    pub paper: Paper,
    pub margin: f32,
    pub cut_lines: bool,
}

/// The measures of every label.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct SizeRules {
    pub width: f32,
    pub padding: f32,
    pub largest: f32,
    pub smallest: f32,
    pub lines: usize,
    pub leading: f32,
    pub copies: usize,
}

/// The label with the number and its code.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct NumberRules {
    pub module: f32,
    pub prefix: String,
    pub heading: String,
}

/// What stands on the labels.
#[derive(Clone, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct TextRules {
    pub locality: Vec<Vec<String>>,
    pub determination: Vec<Vec<String>>,
}

impl LabelRules {
    /// The built-in rules, overlaid by `folder/labels.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, values out of range too.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: LabelRules =
            settings::table("labels.toml", include_str!("../../config/labels.toml"), folder)?;
        let (label, box_label) = (&rules.label, &rules.container);
        let documented = [
            ("sheet.margin", rules.sheet.margin, 5.0, 30.0),
            ("label.width", label.width, 10.0, 40.0),
            ("label.padding", label.padding, 0.3, 3.0),
            ("label.smallest", label.smallest, 4.0, 10.0),
            ("label.largest", label.largest, label.smallest, 10.0),
            ("label.lines", label.lines as f32, 1.0, 20.0),
            ("label.leading", label.leading, 1.0, 1.6),
            ("label.copies", label.copies as f32, 1.0, 5.0),
            ("number.module", rules.number.module, 0.25, 1.0),
            ("container.width", box_label.width, 25.0, 180.0),
            ("container.height", box_label.height, 12.0, 120.0),
            ("container.padding", box_label.padding, 1.0, 10.0),
            ("container.module", box_label.module, 0.3, 2.0),
            ("container.smallest", box_label.smallest, 6.0, 72.0),
            ("container.largest", box_label.largest, box_label.smallest, 72.0),
            ("container.contents", box_label.contents, 4.0, 12.0),
        ];
        let ranges = Ranges::of("labels.toml", folder);
        for (key, value, least, most) in documented {
            ranges.hold(key, value, least..=most)?;
        }
        Ok(rules)
    }
}

/// A lot of which animals were mounted.
#[derive(Clone, Debug)]
pub struct Mounted {
    /// The lot's record.
    pub record: Record,
    /// How many animals were mounted.
    pub animals: usize,
    /// The place in the lot of the first of them, from 1: later ones of a lot
    /// of which some were mounted before have higher places.
    pub first: usize,
}

/// Which of the three labels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LabelKind {
    /// Where, when and by whom it was collected.
    Locality,
    /// What it is and who said so.
    Determination,
    /// Its number, with a code.
    Number,
}

/// Where one label stands, in millimetres from its sheet's top left.
#[derive(Clone, Debug, PartialEq)]
pub struct LabelPlace {
    /// The sheet, from 0.
    pub sheet: usize,
    /// Left, top, width and height.
    pub area: (f32, f32, f32, f32),
    /// Which label it is.
    pub kind: LabelKind,
    /// The lot.
    pub lot: i64,
    /// Its words, lines parted by a line feed; for a number label the text of
    /// its code.
    pub text: String,
}

/// Sheets of labels.
#[derive(Clone, Debug)]
pub struct LabelSheets {
    /// The PDF file.
    pub pdf: Vec<u8>,
    /// How many sheets it has.
    pub sheets: usize,
    /// Every label, in the order printed.
    pub places: Vec<LabelPlace>,
}

/// One label's content, laid out but not placed.
struct Drawn {
    kind: LabelKind,
    lot: i64,
    size: f32,
    lines: Vec<Vec<(Face, String)>>,
    code: Option<(String, BitMatrix)>,
    height: f32,
}

/// The labels of every mounted animal, sets kept together, as a PDF file.
///
/// # Errors
/// Where words do not fit or the font lacks a sign: names every such lot with
/// what is wrong. Where the table asks for an unknown part.
pub fn labels(mounted: &[Mounted], rules: &LabelRules) -> Result<LabelSheets> {
    let (mut sets, mut troubles) = (Vec::new(), Vec::new());
    for lot in mounted {
        let mut wrong = std::collections::BTreeSet::new();
        for nth in lot.first..lot.first + lot.animals {
            match set(lot, nth, rules) {
                Ok(set) => sets.extend(std::iter::repeat_n(set, rules.label.copies)),
                Err(trouble) => {
                    wrong.insert(trouble.to_string());
                }
            }
        }
        troubles.extend(wrong);
    }
    if !troubles.is_empty() {
        let facts = format!("do not fit, and nothing was printed:\n  {}", troubles.join("\n  "));
        return Err(Trouble::new(format!("labels of {} lots", troubles.len()), facts).hint(
            "shorten the words (review page), or raise label.width or label.lines in the folder's \
             config/labels.toml",
        ));
    }
    let (sheets, places) = place(&sets, rules)?;
    Ok(LabelSheets { pdf: pdf::write("Pin labels", &sheets)?, sheets: sheets.len(), places })
}

/// The number of animal `nth` (from 1) of a lot, as print and code have it.
fn number(record: &Record, nth: usize, rules: &LabelRules) -> String {
    match record.specimens.get(nth - 1) {
        Some(specimen) if !specimen.number.trim().is_empty() => specimen.number.trim().into(),
        _ => format!("{}{:05}-{nth}", rules.number.prefix, record.lot),
    }
}

/// The lot that the number of a label or its code names: `L00123-2` is of lot
/// 123. `None` for any other text, such as an animal's own catalogue number.
pub fn lot_of_number(text: &str, rules: &LabelRules) -> Option<i64> {
    let (lot, nth) = text.trim().strip_prefix(rules.number.prefix.as_str())?.split_once('-')?;
    let figures = |t: &str| !t.is_empty() && t.chars().all(|c| c.is_ascii_digit());
    if lot.len() < 5 || !figures(lot) || !figures(nth) {
        return None;
    }
    lot.parse().ok()
}

fn set(lot: &Mounted, nth: usize, rules: &LabelRules) -> Result<std::rc::Rc<Vec<Drawn>>> {
    let record = &lot.record;
    let mut set = Vec::new();
    for (kind, paragraphs) in
        [(LabelKind::Locality, &rules.text.locality), (LabelKind::Determination, &rules.text.determination)]
    {
        let words = paragraphs
            .iter()
            .map(|parts| paragraph(record, nth, parts))
            .collect::<Result<Vec<_>>>()?
            .into_iter()
            .filter(|p| !p.is_empty())
            .collect::<Vec<_>>();
        if !words.is_empty() {
            set.push(draw(record.lot, kind, &words, None, rules)?);
        }
    }
    let text = number(record, nth, rules);
    let bits =
        pdf::data_matrix(&text).map_err(|e| Trouble::new(format!("lot {}", record.lot), e.to_string()))?;
    let mut words = vec![vec![(Face::Heavy, text.clone())]];
    if !rules.number.heading.trim().is_empty() {
        words.insert(0, vec![(Face::Plain, rules.number.heading.trim().to_owned())]);
    }
    set.push(draw(record.lot, LabelKind::Number, &words, Some((text, bits)), rules)?);
    Ok(std::rc::Rc::new(set))
}

/// The code's side with its quiet zone of one module (ISO/IEC 16022).
fn code_side(bits: &BitMatrix, rules: &LabelRules) -> f32 {
    (bits.getWidth() + 2) as f32 * rules.number.module
}

fn draw(
    lot: i64,
    kind: LabelKind,
    words: &[Vec<(Face, String)>],
    code: Option<(String, BitMatrix)>,
    rules: &LabelRules,
) -> Result<Drawn> {
    let label = &rules.label;
    let name = match kind {
        LabelKind::Locality => "locality label",
        LabelKind::Determination => "determination label",
        LabelKind::Number => "number label",
    };
    let wrong = |fact: String| Trouble::new(format!("lot {lot}, {name}"), fact);
    for (face, text) in words.iter().flatten() {
        if let Some(ch) = text.chars().find(|c| !face.has(*c)) {
            return Err(wrong(format!("the font has no `{ch}` (in `{text}`)")));
        }
    }
    let side = code.as_ref().map_or(0.0, |c| code_side(&c.1, rules));
    let width = label.width - 2.0 * label.padding - side;
    if width < 3.0 {
        return Err(wrong(format!("its code of {side:.1} mm leaves no room for the number")));
    }
    let sizes = (label.smallest, label.largest);
    // A number is sooner shrunk than broken.
    let whole = code.as_ref().and_then(|_| pdf::fit(words, width, words.len(), sizes).ok());
    let fitted = whole.map_or_else(|| pdf::fit(words, width, label.lines, sizes), Ok).map_err(|e| {
        wrong(match e {
            Unfit::Word(word) => {
                format!("`{word}` is wider than {width:.1} mm even at {} points", label.smallest)
            }
            Unfit::Lines(lines) => format!(
                "needs {lines} lines even at {} points, and {} are allowed",
                label.smallest, label.lines
            ),
        })
    })?;
    let text_height = fitted.lines.len() as f32 * fitted.size * label.leading / POINTS;
    let height = text_height.max(side) + 2.0 * label.padding;
    Ok(Drawn { kind, lot, size: fitted.size, lines: fitted.lines, code, height })
}

/// Lays sets into rows and rows onto sheets; every label of a row is as high
/// as the highest, so that one cut parts the row.
fn place(sets: &[std::rc::Rc<Vec<Drawn>>], rules: &LabelRules) -> Result<(Vec<Sheet>, Vec<LabelPlace>)> {
    let (width, height) = rules.sheet.paper.size();
    let (margin, label) = (rules.sheet.margin, &rules.label);
    let columns = ((width - 2.0 * margin) / label.width + 1e-3).floor() as usize;
    // The ruler and its words stand in the lowest 8 mm.
    let room = height - 2.0 * margin - 8.0;
    let most = sets.iter().map(|s| s.len()).max().unwrap_or(0);
    if columns < most.max(1) {
        return Err(Trouble::new(
            "label.width",
            format!("{} mm leaves no room for a set of {most} labels", label.width),
        )
        .hint("make the labels narrower or the margin smaller in config/labels.toml"));
    }
    let mut rows: Vec<Vec<&Drawn>> = Vec::new();
    for set in sets {
        match rows.last_mut() {
            Some(row) if row.len() + set.len() <= columns => row.extend(set.iter()),
            _ => rows.push(set.iter().collect()),
        }
    }
    let (mut sheets, mut places): (Vec<Sheet>, Vec<LabelPlace>) = (Vec::new(), Vec::new());
    let mut top = f32::INFINITY;
    for row in &rows {
        let high = row.iter().map(|d| d.height).fold(0.0, f32::max);
        if high > room {
            return Err(Trouble::new(
                format!("lot {}", row[0].lot),
                format!("has a label {high:.0} mm high, more than the sheet holds"),
            )
            .hint("lower label.lines in config/labels.toml"));
        }
        if top + high > margin + room {
            let mut sheet = Sheet::new((width, height));
            sheet.ruler((margin, height - margin));
            sheets.push(sheet);
            top = margin;
        }
        let nth = sheets.len() - 1;
        let sheet = sheets.last_mut().expect("a sheet was just begun");
        for (column, drawn) in row.iter().enumerate() {
            let left = margin + column as f32 * label.width;
            put(sheet, (left, top), high, drawn, rules);
            let text = match &drawn.code {
                Some((text, _)) => text.clone(),
                None => {
                    let line = |l: &Vec<(Face, String)>| l.iter().map(|p| p.1.as_str()).collect::<String>();
                    drawn.lines.iter().map(line).collect::<Vec<_>>().join("\n")
                }
            };
            let area = (left, top, label.width, high);
            places.push(LabelPlace { sheet: nth, area, kind: drawn.kind, lot: drawn.lot, text });
        }
        if rules.sheet.cut_lines {
            let right = margin + row.len() as f32 * label.width;
            for y in [top, top + high] {
                sheet.line((margin, y), (right, y), 0.08, 140);
            }
            for column in 0..=row.len() {
                let x = margin + column as f32 * label.width;
                sheet.line((x, top), (x, top + high), 0.08, 140);
            }
        }
        top += high;
    }
    Ok((sheets, places))
}

fn put(sheet: &mut Sheet, (left, top): (f32, f32), high: f32, drawn: &Drawn, rules: &LabelRules) {
    let label = &rules.label;
    let mut x = left + label.padding;
    if let Some((_, bits)) = &drawn.code {
        let (side, module) = (code_side(bits, rules), rules.number.module);
        sheet.code((x + module, top + (high - side) / 2.0 + module), module, bits);
        x += side;
    }
    let step = drawn.size * label.leading / POINTS;
    let used = drawn.lines.len() as f32 * step;
    // DejaVu's capitals are 0.73 em high: the first baseline stands so that
    // capitals and what hangs below the last line keep the same white.
    let mut baseline = top + (high - used) / 2.0 + step * 0.79;
    for line in &drawn.lines {
        let mut at = x;
        for (face, text) in line {
            sheet.text((at, baseline), Align::Left, drawn.size, *face, text);
            at += face.width(text, drawn.size);
        }
        baseline += step;
    }
}

/// The parts of one paragraph with their values, joined by commas.
fn paragraph(record: &Record, nth: usize, parts: &[String]) -> Result<Vec<(Face, String)>> {
    let mut pieces: Vec<(Face, String)> = Vec::new();
    for part in parts {
        let found = part_of(record, nth, part)?;
        if found.iter().all(|p| p.1.trim().is_empty()) {
            continue;
        }
        if let Some(last) = pieces.last_mut() {
            // A sign of sex needs none.
            if last.1.chars().count() > 1 {
                last.1.push(',');
            }
        }
        pieces.extend(found.into_iter().filter(|p| !p.1.trim().is_empty()));
    }
    Ok(pieces)
}

/// A sex as its sign. A lot of both (`male | female`) says nothing of the one
/// animal on the pin: its label leaves room for a pen.
fn sign_of(sex: &str) -> String {
    match sex {
        "male" => "♂".into(),
        "female" => "♀".into(),
        "hermaphrodite" => "⚥".into(),
        several if several.contains('|') => String::new(),
        other => other.into(),
    }
}

fn part_of(record: &Record, nth: usize, part: &str) -> Result<Vec<(Face, String)>> {
    let plain = |text: String| vec![(Face::Plain, text)];
    let specimen = record.specimens.get(nth - 1);
    let named = Naming::of(record, specimen.map(|s| s.id));
    Ok(match part {
        "place" => plain(first_of(record, &["locality", "verbatimLocality"]).into()),
        "date" => plain(label_date(record.value("eventDate"))),
        "elevation" => plain(elevation(record)),
        "coordinates" => plain(coordinates(record)),
        "collector" => plain(with("leg. ", record.value("recordedBy"), "")),
        "determiner" => plain(with("det. ", named.by, named.day.get(..4).unwrap_or(""))),
        "sex" => plain(sign_of(
            specimen.map(|s| s.sex.as_str()).filter(|s| !s.is_empty()).unwrap_or(record.value("sex")),
        )),
        "name" => {
            let name = named.name;
            let author = record.value("scientificNameAuthorship");
            // The author may stand in the name already.
            let bare = name.strip_suffix(author).unwrap_or(name).trim();
            vec![(Face::Slanted, bare.to_owned()), (Face::Plain, author.to_owned())]
        }
        term if term.starts_with(char::is_lowercase)
            && term.chars().all(|c| c.is_ascii_alphanumeric())
            && is_term(term) =>
        {
            plain(record.value(term).into())
        }
        other => {
            return Err(Trouble::new("config/labels.toml", format!("[text] names an unknown part `{other}`"))
                .hint("use a Darwin Core term, or one of: place, date, elevation, coordinates, collector, determiner, sex, name"));
        }
    })
}

/// Whether `word` looks like a Darwin Core term that a record may have: known
/// to the catalogue's order, or with a capital inside as all longer ones have.
fn is_term(word: &str) -> bool {
    crate::catalogue::TERM_ORDER.contains(&word)
        || word.chars().any(char::is_uppercase)
        || ["continent", "island", "disposition", "caste", "behavior", "vitality"].contains(&word)
}

fn first_of<'a>(record: &'a Record, terms: &[&str]) -> &'a str {
    terms.iter().map(|t| record.value(t)).find(|v| !v.is_empty()).unwrap_or("")
}

fn with(before: &str, value: &str, after: &str) -> String {
    let value = value.replace(" | ", ", ");
    if value.is_empty() { value } else { format!("{before}{value} {after}").trim().to_owned() }
}

fn elevation(record: &Record) -> String {
    let (low, high) = (record.value("minimumElevationInMeters"), record.value("maximumElevationInMeters"));
    match (low, high) {
        ("", "") => record.value("verbatimElevation").into(),
        (low, high) if high.is_empty() || low == high => format!("{low} m"),
        ("", high) => format!("{high} m"),
        (low, high) => format!("{low}–{high} m"),
    }
}

fn coordinates(record: &Record) -> String {
    let signed = |value: &str, plus: char, minus: char| match value.strip_prefix('-') {
        Some(value) => format!("{value}°{minus}"),
        None => format!("{value}°{plus}"),
    };
    match (record.value("decimalLatitude"), record.value("decimalLongitude")) {
        ("", _) | (_, "") => record.value("verbatimCoordinates").into(),
        (lat, lon) => format!("{} {}", signed(lat, 'N', 'S'), signed(lon, 'E', 'W')),
    }
}

/// A date as labels have it: `1993-07-12` is 12.vii.1993, `1993-07-12/14` and
/// `1993-07-12/1993-07-14` are 12–14.vii.1993. The Roman month cannot be taken
/// for a day in any country (common practice). Anything else stays as it is.
pub fn label_date(date: &str) -> String {
    const ROMAN: [&str; 12] = ["i", "ii", "iii", "iv", "v", "vi", "vii", "viii", "ix", "x", "xi", "xii"];
    // Year, month and day as far as they are given.
    fn parts(text: &str) -> Option<Vec<u16>> {
        let day = text.split('T').next()?;
        let numbers: Option<Vec<u16>> = day.split('-').map(|p| p.parse().ok()).collect();
        numbers.filter(|n| n.len() <= 3 && n[0] > 999 && n.get(1).is_none_or(|m| (1..=12).contains(m)))
    }
    let say = |n: &[u16]| match *n {
        [y] => y.to_string(),
        [y, m] => format!("{}.{y}", ROMAN[usize::from(m) - 1]),
        [y, m, d] => format!("{d}.{}.{y}", ROMAN[usize::from(m) - 1]),
        _ => String::new(),
    };
    let Some((first, last)) = date.split_once('/') else {
        return parts(date).map_or_else(|| date.into(), |p| say(&p));
    };
    let Some(first_parts) = parts(first) else { return date.into() };
    // The end of an interval may leave out what it shares (ISO 8601-1, 5.5.2.4).
    let kept = first.len().saturating_sub(last.len());
    let whole = if last.len() < first.len() && first.is_char_boundary(kept) {
        format!("{}{last}", &first[..kept])
    } else {
        last.to_owned()
    };
    let Some(last_parts) = parts(&whole) else { return date.into() };
    match (&first_parts[..], &last_parts[..]) {
        ([y, m, d], [y2, m2, d2]) if (y, m) == (y2, m2) => {
            format!("{d}–{d2}.{}.{y}", ROMAN[usize::from(*m) - 1])
        }
        ([y, m, d], [y2, ..]) if y == y2 => {
            format!("{d}.{}–{}", ROMAN[usize::from(*m) - 1], say(&last_parts))
        }
        ([y, m], [y2, _]) if y == y2 => format!("{}–{}", ROMAN[usize::from(*m) - 1], say(&last_parts)),
        _ => format!("{}–{}", say(&first_parts), say(&last_parts)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Interval forms by ISO 8601-1:2019, 5.5.2; Roman months are common practice.
    #[test]
    fn dates_have_roman_months_and_four_figures_of_the_year() {
        for (date, label) in [
            ("1993-07-12", "12.vii.1993"),
            ("1993-07-12T21:30", "12.vii.1993"),
            ("1993-07", "vii.1993"),
            ("1993", "1993"),
            ("1993-07-12/14", "12–14.vii.1993"),
            ("1993-07-12/1993-07-14", "12–14.vii.1993"),
            ("1993-06-30/1993-07-02", "30.vi–2.vii.1993"),
            ("1993-12-30/1994-01-02", "30.xii.1993–2.i.1994"),
            ("1993-06/1993-08", "vi–viii.1993"),
            ("1993-13-01", "1993-13-01"),
            ("summer 1993", "summer 1993"),
            ("", ""),
        ] {
            assert_eq!(label_date(date), label, "{date}");
        }
    }

    // Darwin Core, sex: one animal has one (https://dwc.tdwg.org/list/#dwc_sex).
    #[test]
    fn a_label_of_one_animal_never_says_both_sexes() {
        assert_eq!(sign_of("male | female"), "");
        assert_eq!(
            [sign_of("female"), sign_of("male"), sign_of("gynandromorph")],
            ["♀", "♂", "gynandromorph"]
        );
    }

    #[test]
    fn a_label_s_number_names_its_lot() {
        let rules = LabelRules::load(None).unwrap();
        assert_eq!(lot_of_number("L00123-2", &rules), Some(123));
        assert_eq!(lot_of_number(" L1234567-12 ", &rules), Some(1_234_567));
        for other in ["TVMS-00412", "L123-2", "L00123", "L00123-", "LX0123-2", "E-00042", ""] {
            assert_eq!(lot_of_number(other, &rules), None, "{other}");
        }
    }

    #[test]
    fn type_under_four_points_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("labels.toml"), "[label]\nsmallest = 3.5\n").unwrap();
        let error = LabelRules::load(Some(folder.path())).unwrap_err().to_string();
        assert!(
            error.contains("label.smallest") && error.contains("4") && error.contains("hint:"),
            "{error}"
        );
    }
}
