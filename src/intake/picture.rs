//! Decodes JPEG, PNG, TIFF and WebP into upright 8-bit RGB.

use super::{IntakeRules, Kind};
use crate::trouble::Trouble;
use image::error::ImageError;
use image::metadata::Orientation;
use image::{ColorType, DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits, RgbImage};
use std::io::Cursor;
use std::ops::Range;

/// Decodes `bytes` of `kind` and turns the picture upright.
pub(super) fn decode(
    bytes: &[u8],
    kind: Kind,
    orientation: Option<Orientation>,
    rules: &IntakeRules,
) -> Result<RgbImage, Trouble> {
    let mut picture = DynamicImage::ImageRgb8(stored(bytes, kind, rules, Vec::new())?);
    picture.apply_orientation(orientation.unwrap_or(Orientation::NoTransforms));
    Ok(picture.into_rgb8())
}

/// Decodes `bytes` of `kind` as they are stored, into the memory of `room` where it
/// is large enough.
pub(super) fn stored(
    bytes: &[u8],
    kind: Kind,
    rules: &IntakeRules,
    mut room: Vec<u8>,
) -> Result<RgbImage, Trouble> {
    if kind == Kind::Jpeg && !ends(bytes) {
        return Err(cut_short());
    }
    let format = match kind {
        Kind::Png => ImageFormat::Png,
        Kind::Tiff => ImageFormat::Tiff,
        Kind::WebP => ImageFormat::WebP,
        _ => ImageFormat::Jpeg,
    };
    let failed = |e| trouble(e, kind);
    let mut reader = ImageReader::with_format(Cursor::new(bytes), format);
    // The decoder itself refuses to take more than a picture of 16-bit RGBA of
    // the largest size; what it claims is checked before any pixel is decoded.
    let mut limits = Limits::default();
    limits.max_alloc = Some(rules.limits.megapixels * 1_000_000 * 8);
    reader.limits(limits);
    let decoder = reader.into_decoder().map_err(failed)?;
    let (width, height) = decoder.dimensions();
    size(width, height, rules)?;
    if decoder.color_type() == ColorType::Rgb8 {
        // `size` holds it far below the largest length.
        let length = usize::try_from(decoder.total_bytes()).unwrap_or(usize::MAX);
        if room.capacity() < length {
            // Growing would have both in memory for a while.
            room = Vec::new();
        }
        room.resize(length, 0);
        decoder.read_image(&mut room).map_err(failed)?;
        return RgbImage::from_raw(width, height, room)
            .ok_or_else(|| Trouble::new("", "is smaller than it claims").hint("copy it again"));
    }
    drop(room);
    let mut picture = DynamicImage::from_decoder(decoder).map_err(failed)?;
    if picture.color().has_alpha() {
        picture = on_white(picture);
    }
    Ok(picture.into_rgb8())
}

/// Refuses a picture that claims more than the rules allow, or nothing.
pub(super) fn size(width: u32, height: u32, rules: &IntakeRules) -> Result<(), Trouble> {
    let pixels = u64::from(width) * u64::from(height);
    if pixels == 0 {
        return Err(Trouble::new("", "holds no pixels").hint("photograph it again"));
    }
    let limit = rules.limits.megapixels;
    if pixels > limit * 1_000_000 || width.max(height) > rules.limits.side {
        return Err(Trouble::new(
            "",
            format!(
                "claims {width} x {height} pixels, more than the {limit} million pixels or {} a side allowed",
                rules.limits.side
            ),
        )
        .hint("save it smaller, or raise [limits] in the collection folder's config/intake.toml"));
    }
    Ok(())
}

/// Lays a picture with see-through parts on white paper, as viewers do: under
/// them most programs leave black, which would hide dark writing.
fn on_white(picture: DynamicImage) -> DynamicImage {
    let mut rgba = picture.into_rgba8();
    for pixel in rgba.pixels_mut() {
        let [r, g, b, a] = pixel.0.map(u32::from);
        let over = |c: u32| ((c * a + 255 * (255 - a) + 127) / 255) as u8;
        pixel.0 = [over(r), over(g), over(b), 255];
    }
    DynamicImage::ImageRgba8(rgba)
}

pub(super) fn cut_short() -> Trouble {
    Trouble::new("", "is cut short: its end is missing")
        .hint("copy it again from the camera or card, or photograph it again")
}

fn trouble(e: ImageError, kind: Kind) -> Trouble {
    let ended = |e: &(dyn std::error::Error + 'static)| {
        let mut cause = Some(e);
        std::iter::from_fn(|| {
            let this = cause?;
            cause = this.source();
            Some(this)
        })
        .any(|e| {
            e.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == std::io::ErrorKind::UnexpectedEof)
                || e.to_string().to_lowercase().contains("unexpected end of file")
        })
    };
    if ended(&e) {
        return cut_short().cause(e);
    }
    match e {
        ImageError::Limits(_) => Trouble::new("", "needs more memory to decode than is allowed")
            .hint("save it smaller, or raise [limits] in the collection folder's config/intake.toml"),
        ImageError::Unsupported(_) => {
            Trouble::new("", format!("is a kind of {} that is not read", kind.name()))
                .hint("open it in any picture program and save it as JPEG or PNG")
        }
        _ => Trouble::new("", format!("is a damaged {}", kind.name()))
            .hint("copy it again from the camera or card, or open it in a picture program and save it anew"),
    }
    .cause(e)
}

/// Whether a JPEG's end marker (FF D9) is there. Decoders fill what is missing
/// with grey and say nothing, and a label under the grey would be lost.
///
/// It is looked for after the first scan begins (FF DA): previews in the
/// segments before have ends of their own, and in the scans themselves FF is
/// always followed by 00 or a restart number (ISO/IEC 10918-1, B.1.1.2).
fn ends(bytes: &[u8]) -> bool {
    let mut at = 2;
    while let [0xFF, marker, rest @ ..] = bytes.get(at..).unwrap_or_default() {
        match (marker, rest) {
            (0xFF, _) => at += 1, // fill bytes may stand before a marker
            (0x01 | 0xD0..=0xD8, _) => at += 2,
            (0xDA, _) => return rest.windows(2).any(|w| w == [0xFF, 0xD9]),
            (_, [high, low, ..]) => at += 2 + usize::from(u16::from_be_bytes([*high, *low])),
            _ => return false,
        }
    }
    // Lost among the segments: either cut short in one, or damaged, which the
    // decoder tells better.
    at < bytes.len()
}

/// The pictures of a TIFF: for each, the file's bytes with the header pointing
/// to it, so that decoders of a file's first picture decode that one.
///
/// Follows the chain of directories (TIFF 6.0, section 2; BigTIFF likewise) at
/// most `most` long; a chain that bites its tail ends there.
pub(super) struct TiffPages {
    /// Where in the header the offset of the first directory stands.
    header: Range<usize>,
    /// The offset of each page's directory, as bytes of the file's order.
    pages: Vec<Vec<u8>>,
}

impl TiffPages {
    pub fn of(bytes: &[u8], most: usize) -> TiffPages {
        let big_endian = bytes.starts_with(b"MM");
        let big = bytes.get(if big_endian { 3 } else { 2 }) == Some(&43);
        let number = |from: usize, length: usize| -> Option<u64> {
            let field = bytes.get(from..from.checked_add(length)?)?;
            let add = |n: u64, b: &u8| (n << 8) | u64::from(*b);
            Some(if big_endian { field.iter().fold(0, add) } else { field.iter().rev().fold(0, add) })
        };
        // Widths of an offset, of the count before the entries, of an entry.
        let (header, offset, count, entry) = if big { (8..16, 8, 8, 20) } else { (4..8, 4, 2, 12) };
        let mut pages: Vec<Vec<u8>> = Vec::new();
        let mut at = header.start;
        while let Some(directory) = number(at, offset).and_then(|n| usize::try_from(n).ok()) {
            let Some(as_written) = bytes.get(at..at + offset) else { break };
            if directory == 0 || pages.iter().any(|p| p == as_written) || pages.len() == most {
                break;
            }
            let next = number(directory, count)
                .and_then(|n| usize::try_from(n).ok()?.checked_mul(entry))
                .and_then(|length| directory.checked_add(count)?.checked_add(length));
            pages.push(as_written.to_vec());
            let Some(next) = next else { break };
            at = next;
        }
        TiffPages { header, pages }
    }

    pub fn len(&self) -> usize {
        self.pages.len()
    }

    /// The bytes for the page counted from 0.
    pub fn bytes(&self, file: &[u8], page: usize) -> Option<Vec<u8>> {
        let mut bytes = file.to_vec();
        bytes.get_mut(self.header.clone())?.copy_from_slice(self.pages.get(page)?);
        Some(bytes)
    }
}
