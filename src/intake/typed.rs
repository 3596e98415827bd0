//! Takes label texts that a person types: at the terminal, from a file, from a
//! pipe, or on the page.
//!
//! A record is the text of one animal's or one lot's labels, line by line as it
//! stands there. An empty line ends a record; a line of hyphens begins another
//! label of the same record. Nothing is understood here, and nothing is mended:
//! what cannot be a label's text is named with its line and left out, and the
//! next record is taken. Limits are those of `[typed]` in `config/intake.toml`.

use super::TypedRules;
use crate::trouble::{Result, Trouble};
use std::io::{BufRead, Read};

/// The text of one record's labels.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TypedRecord {
    /// Which record of its source it is, from 1; those left out count too.
    pub nth: usize,
    /// Its text, labels parted by one empty line.
    pub text: String,
}

/// The records of a source, one after the other.
#[derive(Debug)]
pub struct TypedRecords<R> {
    reader: R,
    /// What messages call the source.
    name: String,
    rules: TypedRules,
    nth: usize,
    line: usize,
    ended: bool,
}

/// One line of the source.
enum Line {
    End,
    Text(String),
    Wrong(Trouble),
}

const LEFT_OUT: &str = "the record it stands in is left out; mend it and add that record again";

impl<R: BufRead> TypedRecords<R> {
    /// The records of `reader`, which messages call `name`.
    pub fn new(reader: R, name: &str, rules: &TypedRules) -> Self {
        TypedRecords { reader, name: name.into(), rules: rules.clone(), nth: 0, line: 0, ended: false }
    }

    /// The next record, `None` at the end. `before` hears of every line before
    /// it is waited for: which record it is of, and whether it is its first.
    ///
    /// A record that is no text or too long is the error in its place; the one
    /// after it can be asked for.
    pub fn next_record(&mut self, before: &mut dyn FnMut(usize, bool)) -> Option<Result<TypedRecord>> {
        let (mut lines, mut wrong, mut chars) = (Vec::new(), None, 0);
        loop {
            let first = lines.is_empty() && wrong.is_none();
            before(self.nth + 1, first);
            match self.line() {
                Line::End if first => return None,
                Line::End => break,
                Line::Text(line) if line.trim().is_empty() => {
                    if !first {
                        break;
                    }
                }
                Line::Text(line) => {
                    chars += line.chars().count();
                    if chars > self.rules.record_chars {
                        wrong.get_or_insert_with(|| too_long(&self.name, self.line, &self.rules));
                    } else {
                        lines.push(line);
                    }
                }
                Line::Wrong(trouble) => {
                    wrong.get_or_insert(trouble);
                }
            }
        }
        self.nth += 1;
        let text = parted(lines.iter().map(String::as_str));
        Some(match wrong {
            Some(trouble) => Err(trouble),
            None if text.is_empty() => Err(Trouble::new(
                format!("{}, line {}", self.name, self.line),
                "parts labels, and none is there",
            )
            .hint("type the label's words above or below the hyphens")),
            None => Ok(TypedRecord { nth: self.nth, text }),
        })
    }

    /// Reads one line, and of an endless one no more than a record may have.
    fn line(&mut self) -> Line {
        if self.ended {
            return Line::End;
        }
        // A character takes four bytes at most, the end of a line two.
        let most = self.rules.record_chars as u64 * 4 + 2;
        let mut bytes = Vec::new();
        let read = self.reader.by_ref().take(most).read_until(b'\n', &mut bytes);
        let endless = bytes.len() as u64 == most && !bytes.ends_with(b"\n");
        let read = read.and_then(|n| if endless { self.reader.skip_until(b'\n').map(|_| n) } else { Ok(n) });
        self.line += 1;
        let at = || format!("{}, line {}", self.name, self.line);
        match read {
            Ok(0) => {
                self.ended = true;
                Line::End
            }
            Ok(_) if endless => Line::Wrong(too_long(&self.name, self.line, &self.rules)),
            Ok(_) => match text_of(&bytes) {
                Ok(line) => Line::Text(line),
                Err(fact) => Line::Wrong(Trouble::new(at(), fact).hint(LEFT_OUT)),
            },
            Err(e) => {
                let wrong =
                    Trouble::new(at(), "cannot be read; what stands behind it was not taken").cause(e);
                self.ended = true;
                Line::Wrong(wrong.hint("check that the disk is sound, then add the rest again"))
            }
        }
    }
}

/// The text of one record that was typed as a whole, an empty line or a line of
/// hyphens between its labels, in the form of [`TypedRecord::text`].
///
/// # Errors
/// Where nothing stands in it, it is too long, or a sign is none of a label's.
pub fn typed_text(text: &str, rules: &TypedRules) -> Result<String> {
    if text.chars().count() > rules.record_chars {
        return Err(too_long("this text", 0, rules));
    }
    let mut lines = Vec::new();
    for (at, line) in text.lines().enumerate() {
        let line = text_of(line.as_bytes()).map_err(|fact| {
            Trouble::new(format!("this text, line {}", at + 1), fact).hint("take it out, then send it again")
        })?;
        lines.push(line);
    }
    let text = parted(lines.iter().map(String::as_str));
    if text.is_empty() {
        return Err(Trouble::new("this text", "holds no words").hint("type what stands on the label"));
    }
    Ok(text)
}

/// One line without its end and the byte order mark, or what is wrong with it.
fn text_of(bytes: &[u8]) -> std::result::Result<String, String> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let line = std::str::from_utf8(bytes).map_err(|_| "is not UTF-8 text".to_owned())?;
    let line = line.trim_end();
    match line.chars().find(|c| c.is_control() && *c != '\t') {
        Some(sign) => Err(format!("holds the control sign U+{:04X}", u32::from(sign))),
        None => Ok(line.to_owned()),
    }
}

/// Whether a line parts two labels of one record: two hyphens or more, no more.
fn parts_labels(line: &str) -> bool {
    let line = line.trim();
    line.len() >= 2 && line.chars().all(|c| c == '-')
}

/// Lines as one text, labels parted by one empty line.
fn parted<'l>(lines: impl Iterator<Item = &'l str>) -> String {
    let mut text = String::new();
    let mut gap = "";
    for line in lines {
        if line.trim().is_empty() || parts_labels(line) {
            gap = "\n\n";
            continue;
        }
        if !text.is_empty() {
            text.push_str(gap);
        }
        text.push_str(line);
        gap = "\n";
    }
    text
}

fn too_long(name: &str, line: usize, rules: &TypedRules) -> Trouble {
    let at = if line > 0 { format!("{name}, line {line}") } else { name.to_owned() };
    Trouble::new(at, format!("makes a record of more than {} signs", rules.record_chars)).hint(
        "part records by an empty line; a larger limit is typed.record_chars in the folder's config/intake.toml",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rules() -> TypedRules {
        TypedRules { record_chars: 60 }
    }

    fn all(bytes: &[u8]) -> Vec<std::result::Result<(usize, String), String>> {
        let mut records = TypedRecords::new(bytes, "labels.txt", &rules());
        std::iter::from_fn(|| records.next_record(&mut |_, _| {}))
            .map(|r| r.map(|r| (r.nth, r.text)).map_err(|t| t.to_string()))
            .collect()
    }

    #[test]
    fn empty_lines_part_records_and_hyphens_part_labels() {
        let found =
            all("\u{feff}\n\nTarn Head\r\n  12.vii.93 \n---\nNoctua serena ♀\n\n\nMere End".as_bytes());
        assert_eq!(
            found,
            [Ok((1, "Tarn Head\n  12.vii.93\n\nNoctua serena ♀".into())), Ok((2, "Mere End".into()))]
        );
        assert!(all(b"").is_empty() && all(b"\n \n\t\n").is_empty());
    }

    #[test]
    fn a_record_that_is_no_text_is_named_with_its_line_and_the_next_is_taken() {
        let found = all(b"Tarn\nM\xE9re End\n12.vii.93\n\nAlder\x07 Ghyll\n\nLow Fold\n\n--\n\nLast\n");
        let wrong: Vec<&str> = found.iter().filter_map(|r| r.as_ref().err()).map(String::as_str).collect();
        assert_eq!(wrong.len(), 3, "{found:?}");
        assert!(wrong[0].contains("labels.txt, line 2") && wrong[0].contains("UTF-8"), "{}", wrong[0]);
        assert!(wrong[1].contains("line 5") && wrong[1].contains("U+0007"), "{}", wrong[1]);
        assert!(wrong[2].contains("line 10") && wrong[2].contains("hint:"), "{}", wrong[2]);
        assert_eq!(found[2], Ok((3, "Low Fold".into())));
        assert_eq!(found[4], Ok((5, "Last".into())));
    }

    #[test]
    fn a_text_without_end_takes_no_more_memory_than_a_record_may() {
        let endless = format!("{}\n\nTarn Head\n", "x".repeat(5_000));
        let found = all(endless.as_bytes());
        assert!(
            found[0].as_ref().is_err_and(|e| e.contains("60 signs") && e.contains("line 1")),
            "{found:?}"
        );
        assert_eq!(found[1], Ok((2, "Tarn Head".into())));
        let many = "a short line\n".repeat(40) + "\nTarn Head";
        assert!(all(many.as_bytes())[0].is_err());
        assert!(typed_text(&many, &rules()).is_err());
    }

    #[test]
    fn every_line_is_announced_before_it_is_waited_for() {
        let mut records = TypedRecords::new("a\nb\n\nc".as_bytes(), "x", &rules());
        let mut heard = Vec::new();
        while records.next_record(&mut |nth, first| heard.push((nth, first))).is_some() {}
        assert_eq!(
            heard,
            [(1, true), (1, false), (1, false), (2, true), (2, false), (3, true)],
            "the empty line and the end are waited for too"
        );
    }

    #[test]
    fn a_text_typed_as_a_whole_keeps_its_lines() {
        let rules = rules();
        assert_eq!(
            typed_text("\r\nTarn Head\r\n\r\n\r\nleg. Vell\r\n", &rules).unwrap(),
            "Tarn Head\n\nleg. Vell"
        );
        assert!(typed_text(" \n--\n", &rules).unwrap_err().to_string().contains("no words"));
        assert!(typed_text("a\nb\u{1b}[2J", &rules).unwrap_err().to_string().contains("line 2"));
    }
}
