//! Decodes HEIC and its kin with the system's libheif.

use super::{IntakeRules, picture};
use crate::trouble::Trouble;
use image::RgbImage;
use libheif_rs::{ColorSpace, HeifContext, HeifError, HeifErrorCode, HeifErrorSubCode, RgbChroma};

/// Decodes the file's main picture. Turning and mirroring are the container's
/// own properties here and libheif applies them; the EXIF orientation beside
/// them is to be ignored (ISO/IEC 23008-12, annex A.2).
pub(super) fn decode(bytes: &[u8], rules: &IntakeRules) -> Result<RgbImage, Trouble> {
    let context = HeifContext::read_from_bytes(bytes).map_err(trouble)?;
    let handle = context.primary_image_handle().map_err(trouble)?;
    picture::size(handle.width(), handle.height(), rules)?;
    let decoded = handle.decode(ColorSpace::Rgb(RgbChroma::Rgb), None).map_err(trouble)?;
    let planes = decoded.planes();
    let plane = planes.interleaved.ok_or_else(|| {
        Trouble::new("", "holds no colour picture").hint("save the picture as JPEG and add that")
    })?;
    // Rows are padded to `stride` bytes.
    picture::size(plane.width, plane.height, rules)?;
    let row = plane.width as usize * 3;
    let mut pixels = Vec::with_capacity(row * plane.height as usize);
    for line in plane.data.chunks(plane.stride).take(plane.height as usize) {
        pixels.extend_from_slice(line.get(..row).unwrap_or(line));
    }
    RgbImage::from_raw(plane.width, plane.height, pixels)
        .ok_or_else(|| Trouble::new("", "is a damaged HEIC").hint("copy it again from the telephone"))
}

fn trouble(e: HeifError) -> Trouble {
    match (e.code, e.sub_code) {
        (HeifErrorCode::InvalidInput, HeifErrorSubCode::EndOfData) => picture::cut_short(),
        (HeifErrorCode::UnsupportedFeature | HeifErrorCode::UnsupportedFileType, _) => {
            Trouble::new("", "is a kind of HEIC that the system's libheif does not decode")
                .hint("install its decoder (Debian: libheif-plugin-libde265), or save the picture as JPEG")
        }
        _ => Trouble::new("", "is a damaged HEIC").hint("copy it again from the telephone or card"),
    }
    .cause(e)
}
