//! Tells what a file is by its first bytes, never by its name.

use std::path::Path;

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// JPEG (ISO/IEC 10918).
    Jpeg,
    /// PNG (ISO/IEC 15948).
    Png,
    /// TIFF 6.0 or BigTIFF.
    Tiff,
    /// WebP (RFC 9649).
    WebP,
    /// HEIC and its kin in the HEIF container (ISO/IEC 23008-12).
    Heif,
    /// PDF (ISO 32000).
    Pdf,
}

impl Kind {
    /// The kind of a file that begins with `bytes`; `None` for anything that
    /// is not brought in.
    pub fn of(bytes: &[u8]) -> Option<Kind> {
        Some(match bytes {
            [0xFF, 0xD8, 0xFF, ..] => Kind::Jpeg,
            [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1A, b'\n', ..] => Kind::Png,
            [b'I', b'I', 42 | 43, 0, ..] | [b'M', b'M', 0, 42 | 43, ..] => Kind::Tiff,
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Kind::WebP,
            [_, _, _, _, b'f', b't', b'y', b'p', ..] if heif(bytes) => Kind::Heif,
            // Readers accept a header anywhere in the first 1024 bytes, and
            // scanners' software makes use of that (ISO 32000-1, annex H).
            _ if bytes[..bytes.len().min(1024)].windows(5).any(|w| w == b"%PDF-") => Kind::Pdf,
            _ => return None,
        })
    }

    /// The kind's name, for people.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Jpeg => "JPEG",
            Kind::Png => "PNG",
            Kind::Tiff => "TIFF",
            Kind::WebP => "WebP",
            Kind::Heif => "HEIC",
            Kind::Pdf => "PDF",
        }
    }

    /// The usual ends of such a file's name; the first is the commonest.
    pub fn extensions(self) -> &'static [&'static str] {
        match self {
            Kind::Jpeg => &["jpg", "jpeg", "jpe", "jfif"],
            Kind::Png => &["png"],
            Kind::Tiff => &["tif", "tiff"],
            Kind::WebP => &["webp"],
            Kind::Heif => &["heic", "heif", "hif", "avif"],
            Kind::Pdf => &["pdf"],
        }
    }

    /// Whether the name of `path` ends as such files' names do; a name without
    /// an extension says nothing wrong.
    pub fn suits(self, path: &Path) -> bool {
        path.extension().is_none_or(|e| {
            let e = e.to_string_lossy().to_lowercase();
            self.extensions().contains(&e.as_str())
        })
    }
}

/// Whether one of the brands in a file-type box is a picture's; the same box
/// begins films. Brands: ISO/IEC 23008-12, annexes; AVIF specification 1.1.
fn heif(bytes: &[u8]) -> bool {
    const PICTURES: [&[u8]; 9] =
        [b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif"];
    let size = u32::from_be_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]) as usize;
    let brands = &bytes[8..size.clamp(8, 256).min(bytes.len())];
    brands.chunks_exact(4).any(|brand| PICTURES.contains(&brand))
}

/// What a file that is not brought in seems to be, with the next step; for the
/// message.
pub(super) fn stranger(bytes: &[u8]) -> (&'static str, &'static str) {
    const EXPORT: &str = "export it as JPEG, PNG or TIFF and add that";
    match bytes {
        [b'G', b'I', b'F', b'8', ..] => ("is a GIF, which is not read", EXPORT),
        [b'B', b'M', _, _, _, _, 0, 0, 0, 0, ..] => ("is a BMP, which is not read", EXPORT),
        [b'F', b'U', b'J', b'I', b'F', b'I', b'L', b'M', ..] | [b'I', b'I', b'R', b'O' | b'S', ..] => {
            ("is a camera's raw file, which is not read", EXPORT)
        }
        [_, _, _, _, b'f', b't', b'y', b'p', b'c', b'r', b'x', ..] => {
            ("is a camera's raw file, which is not read", EXPORT)
        }
        [_, _, _, _, b'f', b't', b'y', b'p', ..] => {
            ("is a film, not a photograph", "save the frame that shows the label as a picture and add that")
        }
        [0xFF, 0x0A, ..] | [0, 0, 0, 0x0C, b'J', b'X', b'L', b' ', ..] => {
            ("is a JPEG XL, which is not read", EXPORT)
        }
        [0, 0, 0, 0x0C, b'j', b'P', ..] => ("is a JPEG 2000, which is not read", EXPORT),
        [b'P', b'K', 3, 4, ..] => {
            ("is a zip archive or an office document", "unpack it and add the photographs in it")
        }
        _ => ("is not a photograph", "give JPEG, PNG, TIFF, WebP, HEIC or PDF files"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_are_told_by_content() {
        let heic = b"\0\0\0\x18ftypmif1\0\0\0\0mif1heic";
        for (bytes, kind) in [
            (&b"\xFF\xD8\xFF\xE0\0\x10JFIF"[..], Some(Kind::Jpeg)),
            (b"\x89PNG\r\n\x1A\n\0\0", Some(Kind::Png)),
            (b"II\x2A\0\x08\0\0\0", Some(Kind::Tiff)),
            (b"MM\0\x2B\0\x08\0\0", Some(Kind::Tiff)),
            (b"RIFF\0\0\0\0WEBPVP8 ", Some(Kind::WebP)),
            (b"RIFF\0\0\0\0WAVEfmt ", None),
            (heic, Some(Kind::Heif)),
            (b"\0\0\0\x18ftypisom\0\0\0\0isomiso2", None),
            (b"junk before\n%PDF-1.4\n", Some(Kind::Pdf)),
            (b"", None),
            (b"\xFF", None),
            (b"\0\0\0\0ftyp", None),
        ] {
            assert_eq!(Kind::of(bytes), kind, "{bytes:?}");
        }
    }
}
