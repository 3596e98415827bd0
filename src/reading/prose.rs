//! Running writing: whether a photograph shows some in English, and reading it once more with that
//! language's words.
//!
//! A label holds names and figures, which no words foretell; a page of a notebook or a letter is as
//! usual as it is hard to read. It is known by its commonest words (`the`, `of`, `and`), of which even
//! a bad reading has some: on test lines of English letters 8 to 60 of a hundred words are among the
//! hundred commonest, on French and German ones at most 7.

use super::beam::BeamRules;
use super::words::Words;
use super::{ReadLabel, ReadLine, Reader, View};
use crate::trouble::Result;
use serde::Deserialize;

/// The numbers under `[prose]` in `config/reading.toml`; the file says what each does.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct ProseRules {
    pub words_from: usize,
    pub share: f32,
    pub sure: f32,
    pub narrower: f32,
    pub beam: BeamRules,
}

/// Reads the lines by hand of a photograph once more, where it is running writing in English. What
/// was read surely stays, and so does a line in which nothing is read the second time.
///
/// # Errors
/// Where the engine fails.
pub(super) fn read_again(
    view: &mut View,
    labels: &mut [ReadLabel],
    reader: &mut dyn Reader,
    rules: &ProseRules,
) -> Result<()> {
    let mut lines: Vec<&mut ReadLine> =
        labels.iter_mut().flat_map(|l| &mut l.lines).filter(|l| l.is_by_hand()).collect();
    let texts: Vec<String> = lines.iter().map(|l| l.text().to_lowercase()).collect();
    let words: Vec<&str> = texts.iter().flat_map(|t| words_of(t)).collect();
    // The table is not loaded for labels.
    if words.len() < rules.words_from {
        return Ok(());
    }
    let Some(table) = reader.words()? else { return Ok(()) };
    if !is_english(&words, &table, rules) {
        return Ok(());
    }
    lines.retain(|line| line.confidence < rules.sure);
    let quads: Vec<_> = lines.iter().map(|line| line.quad).collect();
    for (line, again) in lines.into_iter().zip(reader.read_prose(view, &quads)?) {
        if let Some(again) = again {
            *line = ReadLine { hand: line.hand, ..again };
        }
    }
    Ok(())
}

/// The words of a text, without figures and signs.
fn words_of(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphabetic() && c != '\'')
        .map(|w| w.trim_matches('\''))
        .filter(|w| !w.is_empty())
}

fn is_english(words: &[&str], table: &Words, rules: &ProseRules) -> bool {
    let common = words.iter().filter(|w| table.is_common(w)).count();
    common as f32 >= rules.share * words.len() as f32
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::Quad;
    use crate::reading::ReadingRules;
    use image::RgbImage;
    use std::sync::Arc;

    /// Knows a few words, and reads every line the second time as `again`.
    struct Knowing(usize);

    impl Reader for Knowing {
        fn read(&mut self, _: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
            Ok(vec![None; lines.len()])
        }

        fn words(&mut self) -> Result<Option<Arc<Words>>> {
            // Rarer words, so that a hundred are commoner than `moth`.
            let seldom: String = (0..97).map(|i| format!("-3\tseldom{i}\n")).collect();
            let table = format!("-1\tthe\n-1\tof\n-1\tand\n-5\tmoth\n{seldom}");
            Ok(Some(Arc::new(Words::read(table.as_bytes()).unwrap())))
        }

        fn read_prose(&mut self, _: &mut View, lines: &[Quad]) -> Result<Vec<Option<ReadLine>>> {
            self.0 += lines.len();
            Ok(lines
                .iter()
                .map(|quad| (quad.0[0].y < 50.0).then(|| line("again", *quad, 0.9, None)))
                .collect())
        }

        fn name(&self) -> &str {
            "knowing"
        }

        fn has(&self, _: char) -> bool {
            true
        }
    }

    fn line(text: &str, quad: Quad, confidence: f32, hand: Option<f32>) -> ReadLine {
        ReadLine { quad, confidence, hand, ..ReadLine::from_text(text) }
    }

    /// What stands in the lines after a second reading, and how many were read twice.
    fn read(lines: &[(&str, f32, f32)]) -> (Vec<String>, usize) {
        let quad = |i: usize| Quad::upright(0.0, 20.0 * i as f32, 100.0, 20.0 * i as f32 + 20.0);
        let lines = lines.iter().enumerate().map(|(i, (t, sure, hand))| line(t, quad(i), *sure, Some(*hand)));
        let mut labels = vec![ReadLabel { quad: quad(0), lines: lines.collect() }];
        let mut reader = Knowing(0);
        let picture = RgbImage::new(1, 1);
        read_again(&mut View::new(&picture), &mut labels, &mut reader, &ReadingRules::built_in().prose)
            .unwrap();
        (labels[0].lines.iter().map(ReadLine::text).collect(), reader.0)
    }

    const LONG: &str = "The moths af the upper talley came to tre light and to sugar";

    #[test]
    fn running_writing_is_read_again_and_keeps_what_is_sure_or_printed() {
        let (texts, twice) = read(&[
            (LONG, 0.7, 1.0),
            ("of the 12th", 0.99, 1.0),
            ("of the printed head", 0.7, 0.1),
            ("and tha", 0.7, 0.9),
        ]);
        // The last line stands where the second reading finds nothing.
        assert_eq!(texts, ["again", "of the 12th", "of the printed head", "and tha"]);
        assert_eq!(twice, 2);
    }

    #[test]
    fn labels_and_other_languages_are_left_as_they_are() {
        let foreign = "Les papillons de la haute vallée venaient à la lumière et au miel du soir";
        for lines in
            [&[("Tarn Head, edge of the wood", 0.6, 1.0)][..], &[(foreign, 0.6, 1.0)], &[(LONG, 0.6, 0.0)]]
        {
            let (texts, twice) = read(lines);
            assert_eq!((texts[0].as_str(), twice), (lines[0].0, 0));
        }
    }
}
