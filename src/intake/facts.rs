//! Reads what a camera wrote beside the pixels (Exif 2.32, CIPA DC-008):
//! orientation, time, place.

use exif::{Exif, Field, In, Tag, Value};
use image::metadata::Orientation;
use jiff::civil::DateTime;
use std::io::Cursor;

/// What a camera wrote; all of it may be missing.
#[derive(Debug, Default, PartialEq)]
pub(super) struct CameraFacts {
    pub orientation: Option<Orientation>,
    pub taken: Option<DateTime>,
    pub place: Option<(f64, f64)>,
    /// The first picture of a TIFF says it is a small preview of another, as
    /// cameras' raw files do.
    pub preview: bool,
}

/// Reads them from a whole file; a file without any, or with damaged ones,
/// gives what could be read. They are never a reason to refuse a photograph.
pub(super) fn read(bytes: &[u8]) -> CameraFacts {
    let exif = exif::Reader::new()
        .continue_on_error(true)
        .read_from_container(&mut Cursor::new(bytes))
        .or_else(|e| e.distill_partial_result(|_| ()));
    let Ok(exif) = exif else { return CameraFacts::default() };
    let number = |tag| exif.get_field(tag, In::PRIMARY).and_then(|f| f.value.get_uint(0));
    CameraFacts {
        orientation: number(Tag::Orientation)
            .and_then(|n| u8::try_from(n).ok())
            .and_then(Orientation::from_exif),
        // Not `DateTime`: that one is when the file was last changed.
        taken: time(&exif, Tag::DateTimeOriginal).or_else(|| time(&exif, Tag::DateTimeDigitized)),
        place: place(&exif),
        preview: number(Tag(exif::Context::Tiff, 254)).is_some_and(|n| n & 1 == 1),
    }
}

fn time(exif: &Exif, tag: Tag) -> Option<DateTime> {
    let Value::Ascii(lines) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let t = exif::DateTime::from_ascii(lines.first()?).ok()?;
    // A clock never set writes zeros, which are no date.
    let small = |n: u8| i8::try_from(n).ok();
    let (year, month, day) = (i16::try_from(t.year).ok()?, small(t.month)?, small(t.day)?);
    DateTime::new(year, month, day, small(t.hour)?, small(t.minute)?, small(t.second)?, 0).ok()
}

fn place(exif: &Exif) -> Option<(f64, f64)> {
    let degrees = |tag, reference, limit: f64| {
        let angle = sexagesimal(exif.get_field(tag, In::PRIMARY)?)?;
        let Value::Ascii(letters) = &exif.get_field(reference, In::PRIMARY)?.value else { return None };
        let signed = match letters.first()?.first()?.to_ascii_uppercase() {
            b'N' | b'E' => angle,
            b'S' | b'W' => -angle,
            _ => return None,
        };
        (angle <= limit).then_some(signed)
    };
    let latitude = degrees(Tag::GPSLatitude, Tag::GPSLatitudeRef, 90.0)?;
    let longitude = degrees(Tag::GPSLongitude, Tag::GPSLongitudeRef, 180.0)?;
    // Telephones without a fix write exactly 0, 0 (common practice to drop it).
    (latitude != 0.0 || longitude != 0.0).then_some((latitude, longitude))
}

/// Degrees, minutes and seconds as three fractions; the later two may be left
/// out. A fraction over nothing is no number.
fn sexagesimal(field: &Field) -> Option<f64> {
    let Value::Rational(parts) = &field.value else { return None };
    if parts.is_empty() || parts.len() > 3 {
        return None;
    }
    let angle: f64 = parts.iter().zip([1.0, 60.0, 3600.0]).map(|(p, unit)| p.to_f64() / unit).sum();
    angle.is_finite().then_some(angle)
}
