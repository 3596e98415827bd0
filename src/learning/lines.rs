//! Where the lines to learn from come from: pictures of lines that a person
//! wrote out, and lines of settled drafts whose text is certain.

use crate::catalogue::Draft;
use crate::geometry::Quad;
use crate::trouble::{Result, Trouble};
use image::RgbImage;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// One line: its picture, cut out and levelled, and what stands there.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The line, upright and levelled.
    pub picture: RgbImage,
    /// Its text.
    pub text: String,
}

/// The lines of a settled draft whose text is certain, with where they are.
///
/// Certain is a line that is made of whole fields and signs between them, each
/// field standing in this line alone with a value that is its words, letter by
/// letter. A field that a person changed gives its words only where the term is
/// one for words as written (`verbatim…`) and no more than half of it changed;
/// any other change casts doubt on the line, and it is left out.
pub fn certain(draft: &Draft) -> Vec<(Quad, String)> {
    let mut found = Vec::new();
    for (l, label) in draft.reading.labels.iter().enumerate() {
        for (n, line) in label.lines.iter().enumerate() {
            let chars: Vec<char> = line.chars.iter().map(|c| c.ch).collect();
            if line.is_typed() || line.quad.width() < 8.0 {
                continue;
            }
            // By place in the line: from, to, the words that stand there.
            let mut pieces: Vec<(usize, usize, String, bool)> = Vec::new();
            let mut sure = true;
            for value in &draft.values {
                let Some(field) = &value.read else { continue };
                let here = |s: &&crate::parsing::Span| (s.label, s.line) == (l, n);
                let Some(span) = field.spans.iter().find(here) else { continue };
                let words: String = chars.get(span.start..span.end).unwrap_or_default().iter().collect();
                let literal = field.spans.len() == 1 && field.verbatim == words && field.value == words;
                let changed = value.changed();
                if !changed {
                    if literal {
                        pieces.push((span.start, span.end, words, false));
                    }
                    continue;
                }
                let now = plain(&value.value);
                let far = strsim::levenshtein(&now, &words) * 2 > words.chars().count();
                if literal && field.term.starts_with("verbatim") && !now.is_empty() && !far {
                    pieces.push((span.start, span.end, now, true));
                } else {
                    sure = false;
                }
            }
            // Where two fields share their words, the one that was changed.
            pieces.sort_by_key(|p| (p.0, p.1, !p.3));
            pieces.dedup_by_key(|p| (p.0, p.1));
            sure &= pieces.windows(2).all(|p| p[0].1 <= p[1].0) && !pieces.is_empty();
            let (mut text, mut at) = (String::new(), 0);
            for (from, to, words, _) in &pieces {
                if !sure {
                    break;
                }
                sure &= !chars[at..*from].iter().any(|c| c.is_alphanumeric());
                text.extend(&chars[at..*from]);
                text.push_str(words);
                at = *to;
            }
            if sure && !chars[at..].iter().any(|c| c.is_alphanumeric()) {
                text.extend(&chars[at..]);
                found.push((line.quad, text.trim().to_owned()));
            }
        }
    }
    found
}

/// `text` with one space between its words: no tab or line end, which part a
/// list's columns and rows.
pub fn plain(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// A row of a list of lines: a picture and what stands in it.
#[derive(Debug, Deserialize)]
struct Row {
    picture: PathBuf,
    text: String,
}

/// The lines of a list: tab-separated with a heading, of its columns `picture`
/// (a file, its path seen from the list) and `text`. Rows without a text are
/// passed over. Rows that cannot be used come back as troubles.
///
/// # Errors
/// Where the list itself cannot be read.
pub fn listed(list: &Path) -> Result<(Vec<(PathBuf, Line)>, Vec<Trouble>)> {
    let wrong = |e: csv::Error| {
        Trouble::file(list, "is no list of lines").cause(e).hint(
            "it is a table with tabs between its columns and a heading that names `picture` and `text`; `glassine learn FOLDER --sheet NEW-FOLDER` makes one",
        )
    };
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(b'\t')
        .quoting(false)
        .flexible(true)
        .from_path(list)
        .map_err(wrong)?;
    let heads = reader.headers().map_err(wrong)?.clone();
    let (mut lines, mut troubles) = (Vec::new(), Vec::new());
    for (nth, record) in reader.records().enumerate() {
        let row: Row = record.and_then(|r| r.deserialize(Some(&heads))).map_err(wrong)?;
        let text = plain(&row.text);
        if text.is_empty() {
            continue;
        }
        let path = list.parent().unwrap_or(Path::new(".")).join(&row.picture);
        match image::open(&path) {
            Ok(picture) => lines.push((path, Line { picture: picture.into_rgb8(), text })),
            Err(e) => troubles.push(
                Trouble::new(
                    format!("{}, row {}", list.display(), nth + 2),
                    format!("{} cannot be opened as a picture", row.picture.display()),
                )
                .cause(e)
                .hint(
                    "name a PNG, JPEG, TIFF or WebP file by its path from the list; the other rows are used",
                ),
            ),
        }
    }
    Ok((lines, troubles))
}
