//! Finds and reads bar codes and two-dimensional codes.
//!
//! Reading is rxing's; finding is ours, since trying every row of a whole
//! photograph costs more than reading all its words. Bars make strong edges in
//! one direction, squares of a two-dimensional code strong edges in both; the
//! structure tensor of small blocks tells them from writing and from paper
//! (Bigün & Granlund, "Optimal orientation detection of linear symmetry", 1987).

use super::Code;
use crate::geometry::{Point, Quad};
use image::{GrayImage, Luma};
use imageproc::geometric_transformations::{Border, Interpolation, rotate_about_center};
use rxing::common::HybridBinarizer;
use rxing::datamatrix::DataMatrixReader;
use rxing::oned::MultiFormatOneDReader;
use rxing::qrcode::QRCodeReader;
use rxing::{BinaryBitmap, DecodeHints, Luma8LuminanceSource, Reader};
use std::borrow::Cow;

/// Side of a block, in pixels of the scaled picture.
const BLOCK: u32 = 16;

/// Longer sides of the pictures the blocks are laid over. In the largest a
/// narrow bar of a code on a label is still more than one pixel wide. A block
/// must hold edges of both directions (on a printed label, 2026-11-27: squares
/// of 2.8 to 4.5 pixels do, of 5.7 do not), so each picture is half of the one
/// before, down to one that a code fills.
const LONG_SIDES: [u32; 4] = [2000, 1000, 500, 250];

/// Blocks whose mean squared gradient lies under this hold no code.
const ENERGY: f32 = 1500.0;

/// How much the edges of a block must share one direction (0 to 1) for bars.
const BARS: f32 = 0.75;

/// At most this many areas are tried, the largest first: a photograph of a
/// page of squared paper must not take minutes.
const TRIES: usize = 12;

/// As [`TRIES`], where the codes are all that is wanted: a box of envelopes.
const TRIES_OF_MANY: usize = 400;

/// The codes of a photograph, with their place; empty where there are none.
pub fn find_codes(grey: &GrayImage) -> Vec<Code> {
    find(grey, TRIES)
}

/// The codes of a photograph of many labels, such as a box of envelopes.
pub fn find_many_codes(grey: &GrayImage) -> Vec<Code> {
    find(grey, TRIES_OF_MANY)
}

fn find(grey: &GrayImage, tries: usize) -> Vec<Code> {
    let mut codes: Vec<Code> = Vec::new();
    let mut last = f32::INFINITY;
    let mut small = Cow::Borrowed(grey);
    for side in LONG_SIDES {
        let scale = (side as f32 / grey.width().max(grey.height()) as f32).min(1.0);
        // A picture smaller than the side was looked at as it is.
        if scale >= last {
            continue;
        }
        last = scale;
        if scale < 1.0 {
            let (w, h) = ((grey.width() as f32 * scale) as u32, (grey.height() as f32 * scale) as u32);
            // From the one before: the photograph is gone over once.
            small = Cow::Owned(image::imageops::thumbnail(&*small, w.max(1), h.max(1)));
        }
        for area in areas(&small).into_iter().take(tries) {
            let mut read = read_area(&small, &area, scale);
            for part in area.parts() {
                if !read.is_empty() {
                    break;
                }
                read.extend(read_area(&small, &part, scale));
            }
            for code in read {
                if !codes.iter().any(|c| c.text == code.text && c.symbology == code.symbology) {
                    codes.push(code);
                }
            }
        }
    }
    codes
}

/// A part of the picture that may hold a code.
struct Area {
    /// Left, top, right, bottom in pixels of the scaled picture.
    edges: (u32, u32, u32, u32),
    /// For bars: the direction across them, in radians.
    across: Option<f32>,
}

impl Area {
    /// What is tried next of an area without bars: itself without the edge of
    /// the paper, which a line may run along, and, where it is longer than wide,
    /// the squares at its ends, since words beside a code grow together with it.
    fn parts(&self) -> Vec<Area> {
        let (l, t, r, b) = self.edges;
        let (w, h) = (r - l, b - t);
        if self.across.is_some() || w.min(h) < 5 * BLOCK {
            return Vec::new();
        }
        let mut parts = vec![(l + BLOCK, t + BLOCK, r - BLOCK, b - BLOCK)];
        let side = w.min(h);
        if w > h + h / 4 {
            parts.extend([(l, t, l + side, b), (r - side, t, r, b)]);
        } else if h > w + w / 4 {
            parts.extend([(l, t, r, t + side), (l, b - side, r, b)]);
        }
        parts.into_iter().map(|edges| Area { edges, across: None }).collect()
    }
}

fn areas(grey: &GrayImage) -> Vec<Area> {
    let (columns, rows) = (grey.width() / BLOCK, grey.height() / BLOCK);
    let mut kinds = vec![0u8; (columns * rows) as usize];
    let mut tensors = vec![(0.0f32, 0.0f32, 0.0f32); kinds.len()];
    for row in 0..rows {
        for column in 0..columns {
            let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
            for y in (row * BLOCK).max(1)..((row + 1) * BLOCK).min(grey.height() - 1) {
                for x in (column * BLOCK).max(1)..((column + 1) * BLOCK).min(grey.width() - 1) {
                    let at = |x: u32, y: u32| f32::from(grey.get_pixel(x, y)[0]);
                    let gx = at(x + 1, y) - at(x - 1, y);
                    let gy = at(x, y + 1) - at(x, y - 1);
                    xx += gx * gx;
                    yy += gy * gy;
                    xy += gx * gy;
                }
            }
            let n = (BLOCK * BLOCK) as f32;
            let (xx, yy, xy) = (xx / n, yy / n, xy / n);
            let at = (row * columns + column) as usize;
            tensors[at] = (xx, yy, xy);
            if xx + yy > ENERGY {
                let shared = ((xx - yy).powi(2) + 4.0 * xy * xy).sqrt() / (xx + yy);
                kinds[at] = if shared > BARS { 1 } else { 2 };
            }
        }
    }
    let mut found: Vec<(usize, Area)> = Vec::new();
    for kind in [1u8, 2] {
        let mut seen = vec![false; kinds.len()];
        for start in 0..kinds.len() {
            if kinds[start] != kind || seen[start] {
                continue;
            }
            let (mut stack, mut blocks) = (vec![start], Vec::new());
            seen[start] = true;
            while let Some(at) = stack.pop() {
                blocks.push(at);
                let (x, y) = ((at as u32 % columns) as i64, (at as u32 / columns) as i64);
                for (dx, dy) in [(-1, 0), (1, 0), (0, -1), (0, 1), (2, 0), (-2, 0), (0, 2), (0, -2)] {
                    let (nx, ny) = (x + dx, y + dy);
                    if nx < 0 || ny < 0 || nx >= i64::from(columns) || ny >= i64::from(rows) {
                        continue;
                    }
                    let next = (ny * i64::from(columns) + nx) as usize;
                    if kinds[next] == kind && !seen[next] {
                        seen[next] = true;
                        stack.push(next);
                    }
                }
            }
            let xs = blocks.iter().map(|b| *b as u32 % columns);
            let ys = blocks.iter().map(|b| *b as u32 / columns);
            let (l, r) = (xs.clone().min().unwrap_or(0), xs.max().unwrap_or(0) + 1);
            let (t, b) = (ys.clone().min().unwrap_or(0), ys.max().unwrap_or(0) + 1);
            let (w, h) = (r - l, b - t);
            let filled = blocks.len() as f32 / (w * h) as f32;
            let wanted = if kind == 1 {
                blocks.len() >= 5 && w.max(h) >= 4
            } else {
                // Words beside a code may have grown together with it.
                blocks.len() >= 4 && w.min(h) >= 2 && filled > 0.4
            };
            if !wanted {
                continue;
            }
            let across = (kind == 1).then(|| {
                let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
                for b in &blocks {
                    xx += tensors[*b].0;
                    yy += tensors[*b].1;
                    xy += tensors[*b].2;
                }
                0.5 * (2.0 * xy).atan2(xx - yy)
            });
            let margin = 2;
            let edges = (
                l.saturating_sub(margin) * BLOCK,
                t.saturating_sub(margin) * BLOCK,
                ((r + margin) * BLOCK).min(grey.width()),
                ((b + margin) * BLOCK).min(grey.height()),
            );
            found.push((blocks.len(), Area { edges, across }));
        }
    }
    found.sort_by_key(|(size, _)| std::cmp::Reverse(*size));
    found.into_iter().map(|(_, area)| area).collect()
}

fn read_area(grey: &GrayImage, area: &Area, scale: f32) -> Vec<Code> {
    let (l, t, r, b) = area.edges;
    let part = image::imageops::crop_imm(grey, l, t, r - l, b - t).to_image();
    let bars = area.across.is_some();
    // Bars that stand askew are turned level; the rest is read as it is.
    let turn = area.across.filter(|a| a.abs() > 0.03);
    let upright = match turn {
        Some(angle) => {
            let side = (part.width().pow(2) + part.height().pow(2)).isqrt() + 2;
            let mut square = GrayImage::from_pixel(side, side, Luma([255]));
            let (x, y) = ((side - part.width()) / 2, (side - part.height()) / 2);
            image::imageops::replace(&mut square, &part, i64::from(x), i64::from(y));
            rotate_about_center(&square, -angle, Interpolation::Bilinear, Border::Constant(Luma([255])))
        }
        None => part,
    };
    let (w, h) = upright.dimensions();
    let Ok(source) = Luma8LuminanceSource::new(upright.into_raw(), w, h) else { return Vec::new() };
    let mut bitmap = BinaryBitmap::new(HybridBinarizer::new(source));
    let hints = DecodeHints { TryHarder: Some(true), ..DecodeHints::default() };
    // Only the readers our labels need: each is a large piece of generic code.
    let read = if bars {
        MultiFormatOneDReader::new(&hints).decode_with_hints(&mut bitmap, &hints)
    } else {
        QRCodeReader
            .decode_with_hints(&mut bitmap, &hints)
            .or_else(|_| DataMatrixReader.decode_with_hints(&mut bitmap, &hints))
    };
    let quad = Quad::upright(l as f32, t as f32, r as f32, b as f32).scaled(1.0 / scale);
    read.into_iter()
        .filter(|code| !code.getText().is_empty())
        .map(|code| {
            let points: Vec<Point> = code
                .getPoints()
                .iter()
                .map(|p| Point::new((p.x + l as f32) / scale, (p.y + t as f32) / scale))
                .collect();
            let quad = match points[..] {
                [a, b, c, d] if turn.is_none() => Quad([a, b, c, d]),
                _ => quad,
            };
            Code {
                text: code.getText().to_string(),
                symbology: format!("{:?}", code.getBarcodeFormat()),
                quad,
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rxing::{BarcodeFormat, MultiFormatWriter, Writer};

    fn drawn(text: &str, format: BarcodeFormat, w: i32, h: i32) -> GrayImage {
        let bits = MultiFormatWriter.encode(text, &format, w, h).unwrap();
        let mut picture = GrayImage::from_pixel(800, 600, Luma([235]));
        for y in 0..bits.getHeight() {
            for x in 0..bits.getWidth() {
                let tone = if bits.get(x, y) { 30 } else { 235 };
                picture.put_pixel(x + 200, y + 150, Luma([tone]));
            }
        }
        picture
    }

    #[test]
    fn bars_are_read_level_and_askew() {
        let picture = drawn("TVMS-00417", BarcodeFormat::CODE_128, 360, 90);
        assert_eq!(find_codes(&picture)[0].text, "TVMS-00417");
        let border = Border::Constant(Luma([235]));
        let askew = rotate_about_center(&picture, 0.35, Interpolation::Bilinear, border);
        assert_eq!(find_codes(&askew)[0].text, "TVMS-00417");
    }

    #[test]
    fn a_qr_code_is_read_with_its_place() {
        let picture = drawn("lot 93-014", BarcodeFormat::QR_CODE, 200, 200);
        let codes = find_codes(&picture);
        assert_eq!(codes.len(), 1);
        assert_eq!((codes[0].text.as_str(), codes[0].symbology.as_str()), ("lot 93-014", "QR_CODE"));
        let centre = codes[0].quad.centre();
        assert!((centre.x - 300.0).abs() < 60.0 && (centre.y - 250.0).abs() < 60.0, "{centre:?}");
    }

    #[test]
    fn a_data_matrix_is_read_from_small_to_filling_the_picture() {
        for side in [60, 120, 240, 440] {
            let picture = drawn("IN.00007", BarcodeFormat::DATA_MATRIX, side, side);
            let codes = find_codes(&picture);
            let read: Vec<&str> = codes.iter().map(|c| c.text.as_str()).collect();
            assert_eq!(read, ["IN.00007"], "{side}");
        }
    }

    #[test]
    fn blank_and_tiny_pictures_have_no_codes() {
        assert!(find_codes(&GrayImage::from_pixel(400, 300, Luma([200]))).is_empty());
        assert!(find_codes(&GrayImage::from_pixel(1, 1, Luma([200]))).is_empty());
    }
}
