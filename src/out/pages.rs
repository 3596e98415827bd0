//! Readings with the place of every word, for other programs that look at text
//! on pictures: ALTO 4 (Library of Congress,
//! <https://www.loc.gov/standards/alto/>) and PAGE XML (2019-07-15).
//!
//! Text is as read, not as settled. Places are pixels of the upright
//! photograph; lines have their four corners, words the upright box around
//! their characters.

use super::archive::{clean, leaf, xml};
use super::write_failed;
use crate::geometry::{Point, Quad};
use crate::reading::{ReadLine, Reading};
use crate::trouble::Result;
use quick_xml::Writer;
use std::ops::Range;

type Xml = Writer<Vec<u8>>;

/// A word of a line: its characters and its confidence, the least sure
/// character's.
struct Word {
    chars: Range<usize>,
    text: String,
    confidence: f32,
}

fn words(line: &ReadLine) -> Vec<Word> {
    let mut words: Vec<Word> = Vec::new();
    let mut fresh = true;
    for (i, c) in line.chars.iter().enumerate() {
        if c.ch.is_whitespace() {
            fresh = true;
            continue;
        }
        match words.last_mut().filter(|_| !fresh) {
            Some(word) => {
                word.chars.end = i + 1;
                word.text.push(c.ch);
                word.confidence = word.confidence.min(c.confidence);
            }
            None => words.push(Word { chars: i..i + 1, text: c.ch.into(), confidence: c.confidence }),
        }
        fresh = false;
    }
    words
}

/// The part of a line's quad from share `start` to `end` of its width.
fn part(quad: &Quad, start: f32, end: f32) -> Quad {
    let [a, b, c, d] = quad.0;
    Quad([a.towards(b, start), a.towards(b, end), d.towards(c, end), d.towards(c, start)])
}

fn word_quad(line: &ReadLine, word: &Word) -> Quad {
    part(&line.quad, line.chars[word.chars.start].start, line.chars[word.chars.end - 1].end)
}

/// How a line was put on the paper, in the words of PAGE's `production`; `None`
/// where that is in doubt. Hands that print their letters are not told from
/// joined ones, nor typescript from print.
fn production(line: &ReadLine) -> Option<&'static str> {
    match line.hand? {
        hand if hand >= 0.8 => Some("handwritten-cursive"),
        hand if hand <= 0.2 => Some("printed"),
        _ => None,
    }
}

/// Left, top, width and height of the upright box around `quad`, within the
/// photograph.
fn around(quad: &Quad, size: (u32, u32)) -> [i64; 4] {
    let xs = quad.0.map(|p| p.x.clamp(0.0, size.0 as f32));
    let ys = quad.0.map(|p| p.y.clamp(0.0, size.1 as f32));
    let least = |v: [f32; 4]| v.into_iter().fold(f32::INFINITY, f32::min).floor() as i64;
    let most = |v: [f32; 4]| v.into_iter().fold(0.0, f32::max).ceil() as i64;
    let (x, y) = (least(xs), least(ys));
    [x, y, most(xs) - x, most(ys) - y]
}

fn points(quad: &Quad, size: (u32, u32)) -> String {
    let point = |p: &Point| {
        let x = p.x.clamp(0.0, size.0 as f32).round();
        let y = p.y.clamp(0.0, size.1 as f32).round();
        format!("{x},{y}")
    };
    quad.0.iter().map(point).collect::<Vec<_>>().join(" ")
}

fn placed(id: &str, [x, y, w, h]: [i64; 4]) -> [(&'static str, String); 5] {
    [
        ("ID", id.into()),
        ("HPOS", x.to_string()),
        ("VPOS", y.to_string()),
        ("WIDTH", w.to_string()),
        ("HEIGHT", h.to_string()),
    ]
}

fn pairs<'a>(given: &'a [(&'static str, String)]) -> Vec<(&'static str, &'a str)> {
    given.iter().map(|(k, v)| (*k, v.as_str())).collect()
}

fn engines(reading: &Reading) -> Vec<&str> {
    let mut engines: Vec<&str> =
        reading.labels.iter().flat_map(|l| &l.lines).map(|l| l.engine.as_str()).collect();
    engines.sort_unstable();
    engines.dedup();
    engines
}

/// A reading as ALTO 4. Labels are text blocks, codes graphical elements with
/// their text in a tag.
///
/// # Errors
/// Never in practice: memory is written to.
pub fn alto(reading: &Reading) -> Result<Vec<u8>> {
    let photo = &reading.photo;
    let size = (photo.width, photo.height);
    let write = |w: &mut Xml| {
        w.create_element("alto")
            .with_attributes([
                ("xmlns", "http://www.loc.gov/standards/alto/ns-v4#"),
                ("xmlns:xsi", "http://www.w3.org/2001/XMLSchema-instance"),
                (
                    "xsi:schemaLocation",
                    "http://www.loc.gov/standards/alto/ns-v4# http://www.loc.gov/standards/alto/v4/alto-4-2.xsd",
                ),
                ("SCHEMAVERSION", "4.2"),
            ])
            .write_inner_content(|w| {
                w.create_element("Description").write_inner_content(|w| {
                    leaf(w, "MeasurementUnit", "pixel")?;
                    w.create_element("sourceImageInformation").write_inner_content(|w| {
                        leaf(w, "fileName", &photo.name)?;
                        if !photo.hash.is_empty() {
                            w.create_element("fileIdentifier")
                                .with_attribute(("fileIdentifierLocation", "BLAKE3"))
                                .write_text_content(quick_xml::events::BytesText::new(&photo.hash))?;
                        }
                        Ok(())
                    })?;
                    for (i, engine) in engines(reading).into_iter().enumerate() {
                        w.create_element("Processing")
                            .with_attribute(("ID", format!("reader{}", i + 1).as_str()))
                            .write_inner_content(|w| {
                                leaf(w, "processingCategory", "contentGeneration")?;
                                w.create_element("processingSoftware").write_inner_content(|w| {
                                    leaf(w, "softwareCreator", "Glassine")?;
                                    leaf(w, "softwareName", engine)?;
                                    leaf(w, "softwareVersion", env!("CARGO_PKG_VERSION"))
                                })?;
                                Ok(())
                            })?;
                    }
                    Ok(())
                })?;
                if !reading.codes.is_empty() {
                    w.create_element("Tags").write_inner_content(|w| {
                        for (i, code) in reading.codes.iter().enumerate() {
                            w.create_element("OtherTag")
                                .with_attributes([
                                    ("ID", format!("says{}", i + 1).as_str()),
                                    ("TYPE", code.symbology.as_str()),
                                    ("LABEL", clean(&code.text).as_str()),
                                ])
                                .write_empty()?;
                        }
                        Ok(())
                    })?;
                }
                w.create_element("Layout").write_inner_content(|w| {
                    let page = [
                        ("ID", "page1".to_owned()),
                        ("PHYSICAL_IMG_NR", photo.page.unwrap_or(1).to_string()),
                        ("HEIGHT", size.1.to_string()),
                        ("WIDTH", size.0.to_string()),
                    ];
                    w.create_element("Page").with_attributes(pairs(&page)).write_inner_content(|w| {
                        let space = placed("space1", [0, 0, size.0.into(), size.1.into()]);
                        w.create_element("PrintSpace")
                            .with_attributes(pairs(&space))
                            .write_inner_content(|w| alto_blocks(w, reading, size))?;
                        Ok(())
                    })?;
                    Ok(())
                })?;
                Ok(())
            })?;
        Ok(())
    };
    xml(write).map_err(write_failed)
}

fn alto_blocks(w: &mut Xml, reading: &Reading, size: (u32, u32)) -> std::io::Result<()> {
    for (b, label) in reading.labels.iter().enumerate() {
        let block = placed(&format!("label{}", b + 1), around(&label.quad, size));
        w.create_element("TextBlock").with_attributes(pairs(&block)).write_inner_content(|w| {
            // A line of ALTO has at least one word.
            for (l, line) in label.lines.iter().enumerate().filter(|(_, l)| !words(l).is_empty()) {
                let id = format!("line{}-{}", b + 1, l + 1);
                w.create_element("TextLine")
                    .with_attributes(pairs(&placed(&id, around(&line.quad, size))))
                    .write_inner_content(|w| {
                    w.create_element("Shape").write_inner_content(|w| {
                        w.create_element("Polygon")
                            .with_attribute(("POINTS", points(&line.quad, size).as_str()))
                            .write_empty()?;
                        Ok(())
                    })?;
                    for (i, word) in words(line).into_iter().enumerate() {
                        if i > 0 {
                            w.create_element("SP").write_empty()?;
                        }
                        let quad = word_quad(line, &word);
                        let mut given =
                            placed(&format!("word{}-{}-{}", b + 1, l + 1, i + 1), around(&quad, size))
                                .to_vec();
                        given.push(("CONTENT", clean(&word.text)));
                        given.push(("WC", format!("{:.3}", word.confidence.clamp(0.0, 1.0))));
                        w.create_element("String").with_attributes(pairs(&given)).write_empty()?;
                    }
                    Ok(())
                })?;
            }
            Ok(())
        })?;
    }
    for (i, code) in reading.codes.iter().enumerate() {
        let mut given = placed(&format!("code{}", i + 1), around(&code.quad, size)).to_vec();
        given.push(("TAGREFS", format!("says{}", i + 1)));
        w.create_element("GraphicalElement").with_attributes(pairs(&given)).write_empty()?;
    }
    Ok(())
}

/// A reading as PAGE XML. Labels are text regions, codes graphic regions of the
/// type `barcode` whose text stands in a comment.
///
/// # Errors
/// Never in practice: memory is written to.
pub fn page_xml(reading: &Reading, made: jiff::Timestamp) -> Result<Vec<u8>> {
    let photo = &reading.photo;
    let size = (photo.width, photo.height);
    let time = jiff::tz::TimeZone::UTC.to_datetime(made).strftime("%Y-%m-%dT%H:%M:%S").to_string();
    let write = |w: &mut Xml| {
        w.create_element("PcGts")
            .with_attribute(("xmlns", "http://schema.primaresearch.org/PAGE/gts/pagecontent/2019-07-15"))
            .write_inner_content(|w| {
                w.create_element("Metadata").write_inner_content(|w| {
                    leaf(w, "Creator", concat!("glassine ", env!("CARGO_PKG_VERSION")))?;
                    leaf(w, "Created", &time)?;
                    leaf(w, "LastChange", &time)?;
                    leaf(w, "Comments", &format!("read by {}", engines(reading).join(", ")))
                })?;
                let page = [
                    ("imageFilename", clean(&photo.name)),
                    ("imageWidth", size.0.to_string()),
                    ("imageHeight", size.1.to_string()),
                ];
                w.create_element("Page").with_attributes(pairs(&page)).write_inner_content(|w| {
                    for (b, label) in reading.labels.iter().enumerate() {
                        page_region(w, b, label, size)?;
                    }
                    for (i, code) in reading.codes.iter().enumerate() {
                        w.create_element("GraphicRegion")
                            .with_attributes([
                                ("id", format!("code{}", i + 1).as_str()),
                                ("type", "barcode"),
                                ("comments", clean(&code.text).as_str()),
                            ])
                            .write_inner_content(|w| coords(w, &code.quad, size))?;
                    }
                    Ok(())
                })?;
                Ok(())
            })?;
        Ok(())
    };
    xml(write).map_err(write_failed)
}

fn coords(w: &mut Xml, quad: &Quad, size: (u32, u32)) -> std::io::Result<()> {
    w.create_element("Coords").with_attribute(("points", points(quad, size).as_str())).write_empty()?;
    Ok(())
}

fn equiv(w: &mut Xml, confidence: Option<f32>, text: &str) -> std::io::Result<()> {
    let conf = confidence.map(|c| format!("{:.3}", c.clamp(0.0, 1.0)));
    let mut element = w.create_element("TextEquiv");
    if let Some(conf) = &conf {
        element = element.with_attribute(("conf", conf.as_str()));
    }
    element.write_inner_content(|w| leaf(w, "Unicode", text))?;
    Ok(())
}

fn page_region(
    w: &mut Xml,
    b: usize,
    label: &crate::reading::ReadLabel,
    size: (u32, u32),
) -> std::io::Result<()> {
    w.create_element("TextRegion")
        .with_attribute(("id", format!("label{}", b + 1).as_str()))
        .write_inner_content(|w| {
            coords(w, &label.quad, size)?;
            for (l, line) in label.lines.iter().enumerate() {
                let id = format!("line{}-{}", b + 1, l + 1);
                let mut element = w.create_element("TextLine").with_attribute(("id", id.as_str()));
                if let Some(production) = production(line) {
                    element = element.with_attribute(("production", production));
                }
                element.write_inner_content(|w| {
                    coords(w, &line.quad, size)?;
                    for (i, word) in words(line).into_iter().enumerate() {
                        let id = format!("word{}-{}-{}", b + 1, l + 1, i + 1);
                        w.create_element("Word").with_attribute(("id", id.as_str())).write_inner_content(
                            |w| {
                                coords(w, &word_quad(line, &word), size)?;
                                equiv(w, Some(word.confidence), &word.text)
                            },
                        )?;
                    }
                    equiv(w, Some(line.confidence), &line.text())
                })?;
            }
            let text: Vec<String> = label.lines.iter().map(ReadLine::text).collect();
            equiv(w, None, &text.join("\n"))
        })?;
    Ok(())
}
