//! A report for the owner of the land or the office that gave a permit: which
//! species, where, when, how many; one line a species and place, as PDF.

use super::pdf::{self, Align, Face, Paper, Sheet};
use super::{Row, label_date};
use crate::trouble::Result;
use std::collections::BTreeMap;

/// What stands above the table.
#[derive(Clone, Debug, Default)]
pub struct ReportHead {
    /// The report's title.
    pub title: String,
    /// Lines under it: for whom, permit, period, who collected.
    pub lines: Vec<String>,
    /// The sheet.
    pub paper: Paper,
}

/// One line of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ReportLine {
    /// The scientific name, or what else is known of it.
    pub name: String,
    /// The place, the smaller unit first.
    pub place: String,
    /// The first and the last date, as labels have them.
    pub dates: String,
    /// How many lots.
    pub lots: usize,
    /// How many animals, where their number is known of all lots.
    pub animals: Option<u64>,
}

/// The rows of the table: lots of one name at one place together, in the order
/// of names and places. `rows` are those of one lot each.
pub fn report_lines<'a>(lots: impl Iterator<Item = &'a [Row]>) -> Vec<ReportLine> {
    struct Sum {
        dates: Vec<String>,
        lots: usize,
        animals: Option<u64>,
    }
    let mut sums: BTreeMap<(String, String), Sum> = BTreeMap::new();
    for rows in lots {
        // Animals of one lot may bear different names.
        let mut by_name: BTreeMap<String, Vec<&Row>> = BTreeMap::new();
        for row in rows {
            let name = row.get("scientificName").map_or("not determined", String::as_str);
            by_name.entry(name.into()).or_default().push(row);
        }
        let names = by_name.len();
        for (name, rows) in by_name {
            let row = rows[0];
            let value = |term: &str| row.get(term).map_or("", String::as_str);
            let words = if value("locality").is_empty() { "verbatimLocality" } else { "locality" };
            let mut place: Vec<&str> =
                [value(words), value("county"), value("stateProvince"), value("country")].into();
            place.retain(|p| !p.is_empty());
            let sum = sums.entry((name, place.join(", "))).or_insert(Sum {
                dates: Vec::new(),
                lots: 0,
                animals: Some(0),
            });
            sum.lots += 1;
            sum.dates.extend(row.get("eventDate").cloned());
            // The count is the lot's: with several names it is not told apart.
            let counted = if names > 1 || !value("catalogNumber").is_empty() && rows.len() > 1 {
                Some(rows.len() as u64)
            } else {
                value("individualCount").parse::<u64>().ok()
            };
            sum.animals = sum.animals.zip(counted).map(|(a, b)| a + b);
        }
    }
    sums.into_iter()
        .map(|((name, place), mut sum)| {
            sum.dates.sort();
            let first = sum.dates.first().map_or("", |d| d.split('/').next().unwrap_or(d));
            let last = sum.dates.iter().map(|d| d.rsplit('/').next().unwrap_or(d)).max().unwrap_or("");
            // An interval's short end does not sort with whole dates.
            let last = if last.len() < 4 { sum.dates.last().map_or("", String::as_str) } else { last };
            let dates = if first == last || last.is_empty() {
                label_date(first)
            } else if last.contains('/') {
                format!("{} to {}", label_date(first), label_date(last))
            } else {
                label_date(&format!("{first}/{last}"))
            };
            ReportLine { name, place, dates, lots: sum.lots, animals: sum.animals }
        })
        .collect()
}

/// The report as a PDF file.
///
/// # Errors
/// Where the PDF cannot be made.
pub fn report(head: &ReportHead, lines: &[ReportLine]) -> Result<Vec<u8>> {
    const SIZE: f32 = 8.5;
    const STEP: f32 = 3.9;
    let (width, height) = head.paper.size();
    let (left, right, bottom) = (18.0, width - 18.0, height - 20.0);
    // Name, place, dates, lots, animals: left edges; the last two end at theirs.
    let edges = [left, left + 48.0, left + 116.0, right - 14.0, right];
    let widths = [46.0, 66.0, edges[3] - 10.0 - edges[2] - 1.0];
    let mut sheets: Vec<Sheet> = Vec::new();
    let mut y = f32::INFINITY;
    let begin = |sheets: &mut Vec<Sheet>| -> f32 {
        let mut sheet = Sheet::new((width, height));
        let mut y = 24.0;
        if sheets.is_empty() {
            for line in paragraph(Face::Heavy, &head.title, right - left, 15.0) {
                sheet.text((left, y), Align::Left, 15.0, Face::Heavy, &line);
                y += 7.0;
            }
            for line in head.lines.iter().flat_map(|l| paragraph(Face::Plain, l, right - left, 9.0)) {
                sheet.text((left, y), Align::Left, 9.0, Face::Plain, &line);
                y += 4.4;
            }
            y += 4.0;
        }
        let titles = ["Name", "Place", "Dates"];
        for (title, x) in titles.iter().zip(edges) {
            sheet.text((x, y), Align::Left, SIZE, Face::Heavy, title);
        }
        sheet.text((edges[3], y), Align::Right, SIZE, Face::Heavy, "Lots");
        sheet.text((edges[4], y), Align::Right, SIZE, Face::Heavy, "Animals");
        sheet.line((left, y + 1.4), (right, y + 1.4), 0.25, 0);
        sheets.push(sheet);
        y + 1.4 + STEP + 0.6
    };
    for (n, line) in lines.iter().enumerate() {
        let name = paragraph(Face::Slanted, &line.name, widths[0], SIZE);
        let place = paragraph(Face::Plain, &line.place, widths[1], SIZE);
        let dates = paragraph(Face::Plain, &line.dates, widths[2], SIZE);
        let high = name.len().max(place.len()).max(dates.len()) as f32 * STEP;
        if y + high > bottom {
            y = begin(&mut sheets);
        }
        let sheet = sheets.last_mut().expect("a sheet was just begun");
        if n % 2 == 1 {
            sheet.area((left - 1.0, y - STEP + 0.9), (right - left + 2.0, high), 244);
        }
        let face = if line.name == "not determined" { Face::Plain } else { Face::Slanted };
        for (texts, face, x) in
            [(&name, face, edges[0]), (&place, Face::Plain, edges[1]), (&dates, Face::Plain, edges[2])]
        {
            for (i, text) in texts.iter().enumerate() {
                sheet.text((x, y + i as f32 * STEP), Align::Left, SIZE, face, text);
            }
        }
        sheet.text((edges[3], y), Align::Right, SIZE, Face::Plain, &line.lots.to_string());
        let animals = line.animals.map_or("–".into(), |a| a.to_string());
        sheet.text((edges[4], y), Align::Right, SIZE, Face::Plain, &animals);
        y += high;
    }
    if sheets.is_empty() || y + STEP + 2.0 > bottom {
        y = begin(&mut sheets);
    }
    let sheet = sheets.last_mut().expect("there is a sheet");
    sheet.line((left, y - STEP + 1.6), (right, y - STEP + 1.6), 0.25, 0);
    let names: std::collections::BTreeSet<&str> =
        lines.iter().map(|l| l.name.as_str()).filter(|n| *n != "not determined").collect();
    let sum = format!("{} names at {} places", names.len(), places(lines));
    sheet.text((left, y + 2.0), Align::Left, SIZE, Face::Heavy, &sum);
    let lots: usize = lines.iter().map(|l| l.lots).sum();
    sheet.text((edges[3], y + 2.0), Align::Right, SIZE, Face::Heavy, &lots.to_string());
    let animals = lines.iter().try_fold(0u64, |sum, l| l.animals.map(|a| sum + a));
    let animals = animals.map_or("–".into(), |a| a.to_string());
    sheet.text((edges[4], y + 2.0), Align::Right, SIZE, Face::Heavy, &animals);
    let all = sheets.len();
    for (i, sheet) in sheets.iter_mut().enumerate() {
        let words = format!("sheet {} of {all}", i + 1);
        sheet.grey_text((right, height - 12.0), Align::Right, 7.5, Face::Plain, 90, &words);
        sheet.grey_text((left, height - 12.0), Align::Left, 7.5, Face::Plain, 90, &head.title);
    }
    pdf::write(&head.title, &sheets)
}

fn places(lines: &[ReportLine]) -> usize {
    lines.iter().map(|l| &l.place).collect::<std::collections::BTreeSet<_>>().len()
}

/// Text wrapped to lines; a word that is too wide is broken between letters, and
/// a sign that the font lacks becomes a question mark: a report is never refused
/// for one name.
fn paragraph(face: Face, text: &str, width: f32, size: f32) -> Vec<String> {
    let text: String = text.chars().map(|c| if face.has(c) { c } else { '?' }).collect();
    let mut words = String::new();
    for word in text.split_whitespace() {
        let mut piece = String::new();
        for c in word.chars() {
            piece.push(c);
            if face.width(&piece, size) > width {
                piece.pop();
                words.push_str(&piece);
                words.push(' ');
                piece = c.into();
            }
        }
        words.push_str(&piece);
        words.push(' ');
    }
    let lines = pdf::wrap(&[vec![(face, words)]], width, size).unwrap_or_default();
    let lines: Vec<String> = lines.into_iter().map(|l| l.into_iter().map(|p| p.1).collect()).collect();
    if lines.is_empty() { vec![String::new()] } else { lines }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(pairs: &[(&str, &str)]) -> Row {
        pairs.iter().map(|(t, v)| ((*t).into(), (*v).into())).collect()
    }

    #[test]
    fn lots_of_one_name_at_one_place_are_one_line() {
        let lot = |name: &str, place: &str, date: &str, count: &str| {
            vec![row(&[
                ("scientificName", name),
                ("locality", place),
                ("eventDate", date),
                ("individualCount", count),
            ])]
        };
        let lots = [
            lot("Plusia vallis", "Mere End", "1993-07-12", "3"),
            lot("Plusia vallis", "Mere End", "1993-08-02", "2"),
            lot("Plusia vallis", "Tarn Head", "1993-07-12", ""),
            lot("Noctua serena", "Mere End", "1993-06-30", "1"),
            // Two animals with names of their own.
            vec![
                row(&[
                    ("scientificName", "Noctua serena"),
                    ("locality", "Mere End"),
                    ("eventDate", "1993-07-01"),
                    ("individualCount", "2"),
                ]),
                row(&[
                    ("scientificName", "Plusia vallis"),
                    ("locality", "Mere End"),
                    ("eventDate", "1993-07-01"),
                    ("individualCount", "2"),
                ]),
            ],
        ];
        let lines = report_lines(lots.iter().map(Vec::as_slice));
        let said: Vec<_> = lines
            .iter()
            .map(|l| (l.name.as_str(), l.place.as_str(), l.dates.as_str(), l.lots, l.animals))
            .collect();
        assert_eq!(
            said,
            [
                ("Noctua serena", "Mere End", "30.vi–1.vii.1993", 2, Some(2)),
                ("Plusia vallis", "Mere End", "1.vii–2.viii.1993", 3, Some(6)),
                ("Plusia vallis", "Tarn Head", "12.vii.1993", 1, None),
            ]
        );
    }
}
