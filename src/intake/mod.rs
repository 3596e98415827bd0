//! Brings photographs in: files and folders, JPEG, PNG, TIFF, WebP, HEIC, and
//! scanned PDF whose every page is a photograph.

use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

/// What is known of a photograph apart from its pixels.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PhotoFacts {
    /// BLAKE3 hash of the file's bytes, in lower-case hex (64 digits). Pages of
    /// one PDF share it.
    pub hash: String,
    /// The file's name without its folder, for people.
    pub name: String,
    /// The page of a PDF, counted from 1; `None` for a picture file.
    pub page: Option<u32>,
    /// Width of the upright picture, in pixels.
    pub width: u32,
    /// Height of the upright picture, in pixels.
    pub height: u32,
    /// When it was taken, by EXIF (camera's local time).
    pub taken: Option<DateTime>,
    /// Where it was taken, by EXIF: latitude and longitude in decimal degrees,
    /// WGS 84.
    pub place: Option<(f64, f64)>,
}

/// A photograph: what is known of it, and its pixels turned upright by EXIF.
#[derive(Clone, Debug)]
pub struct Photo {
    /// What is known of it.
    pub facts: PhotoFacts,
    /// The upright pixels, 8-bit RGB.
    pub pixels: image::RgbImage,
}
