//! Brings photographs in: files and folders, JPEG, PNG, TIFF, WebP, HEIC, and
//! scanned PDF whose every page is a photograph.
//!
//! [`find()`] lists the files, [`load`] reads one into memory, hashes its bytes
//! and tells its kind by content, and [`File::photos`] decodes it, one upright
//! photograph at a time. [`open()`] is the last two in one.
//!
//! Left out: colour profiles (writing is read by its contrast), cameras' raw
//! files, moving pictures; each is named with a way out.

mod columns;
mod facts;
mod find;
mod heic;
mod kind;
mod likeness;
mod parts;
mod pdf;
mod picture;
mod records;
mod rules;
mod typed;

pub use columns::{Columns, Said, TableColumns, term_of};
pub use find::{Found, find};
pub use kind::Kind;
pub use likeness::Likeness;
pub use parts::ArchivePart;
pub use records::{GivenRecord, GivenRecords, records};
pub use rules::{IntakeRules, LikenessRules, Limits, PdfRules, RecordsRules, TypedRules};
pub use typed::{TypedRecord, TypedRecords, typed_text};

use crate::trouble::{Result, Trouble, caught, shown};
use image::metadata::Orientation;
use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

/// What is known of a photograph apart from its pixels.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct PhotoFacts {
    /// BLAKE3 hash of the file's bytes, in lower-case hex (64 digits). Pages of
    /// one PDF share it.
    pub hash: String,
    /// The file's name without its folder, for people.
    pub name: String,
    /// The page of a PDF or of a TIFF with several, counted from 1; `None` for
    /// a file that is one picture.
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
    /// The folder it came from, as a hash: pictures of one folder share it. Empty
    /// where it is not known.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub folder: String,
}

impl PhotoFacts {
    /// What a person calls it: the file's name, and the page where there are
    /// several.
    pub fn called(&self) -> String {
        match self.page {
            Some(page) => format!("{}, page {page}", self.name),
            None => self.name.clone(),
        }
    }
}

/// A photograph: what is known of it, and its pixels turned upright by EXIF.
#[derive(Clone, Debug)]
pub struct Photo {
    /// What is known of it.
    pub facts: PhotoFacts,
    /// The upright pixels, 8-bit RGB.
    pub pixels: image::RgbImage,
}

/// A photograph as its file stores it: turning it upright takes as much memory again.
#[derive(Clone, Debug)]
pub struct Stored {
    /// The pixels, 8-bit RGB.
    pub pixels: image::RgbImage,
    /// What turns them upright.
    pub turned: Orientation,
}

/// A file's bytes, hashed and known by kind, before any pixel is decoded.
#[derive(Debug)]
pub struct File {
    /// The path as given, for messages.
    pub path: PathBuf,
    /// The file's name without its folder, for people.
    pub name: String,
    /// The bytes as they are on the disk.
    pub bytes: Vec<u8>,
    /// BLAKE3 hash of the bytes, in lower-case hex (64 digits).
    pub hash: String,
    /// What it is, by content.
    pub kind: Kind,
    /// What a person may want to know although the file is read.
    pub remarks: Vec<Trouble>,
    /// The folder it lies in, as a hash; empty where it is not known.
    pub folder: String,
}

/// Reads the file `path` into memory, once; hashes it and tells its kind.
///
/// # Errors
/// A file that cannot be read, is empty, larger than the limit, or no kind of
/// photograph is named, with the next step.
pub fn load(path: &Path, rules: &IntakeRules) -> Result<File> {
    let file = file(path, whole(path, rules.limits.file_mib, "limits.file_mib")?)?;
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // However the folder was named.
    let folder = folder
        .canonicalize()
        .map_or(String::new(), |f| blake3::hash(f.as_os_str().as_encoded_bytes()).to_hex()[..16].to_owned());
    Ok(File { folder, ..file })
}

/// Hashes the `bytes` of a file and tells its kind; `path` is its name, for
/// messages, and is not looked at.
///
/// # Errors
/// Where there are none, or they are no kind of photograph.
pub fn file(path: &Path, bytes: Vec<u8>) -> Result<File> {
    if bytes.is_empty() {
        return Err(Trouble::file(path, "is empty").hint("copy it again from the camera or card"));
    }
    let Some(kind) = Kind::of(&bytes) else {
        let (fact, hint) = kind::stranger(&bytes);
        return Err(Trouble::file(path, fact).hint(hint));
    };
    let mut remarks = Vec::new();
    if !kind.suits(path) {
        remarks.push(
            Trouble::file(path, format!("is a {} by its content, not what its name says", kind.name()))
                .hint(format!("read all the same; rename it to .{}", kind.extensions()[0])),
        );
    }
    Ok(File {
        path: path.to_owned(),
        name: shown(path.file_name().unwrap_or(path.as_os_str())),
        hash: blake3::hash(&bytes).to_hex().to_string(),
        bytes,
        kind,
        remarks,
        folder: String::new(),
    })
}

/// The bytes of the file `path`, if it is a file and no larger than `limit` MiB;
/// `key` names that limit in `config/intake.toml`. A pipe or a device, which may
/// never end, is not begun.
fn whole(path: &Path, limit: u64, key: &str) -> Result<Vec<u8>> {
    let meta = path.metadata().map_err(|e| find::unreadable(path, e))?;
    if !meta.is_file() {
        let what = if meta.is_dir() { "is a folder, not a file" } else { "is no ordinary file" };
        return Err(Trouble::file(path, what).hint("give the file itself, or copy it into one first"));
    }
    let too_large = |size: u64| {
        Trouble::file(path, format!("is {} MiB, more than the {limit} MiB allowed", size >> 20))
            .hint(format!("make it smaller, or raise {key} in the collection folder's config/intake.toml"))
    };
    if meta.len() > limit << 20 {
        return Err(too_large(meta.len()));
    }
    let mut bytes = Vec::with_capacity(meta.len() as usize);
    let file = std::fs::File::open(path).map_err(|e| find::unreadable(path, e))?;
    // A file may grow while it is read.
    file.take((limit << 20) + 1).read_to_end(&mut bytes).map_err(|e| find::unreadable(path, e))?;
    if bytes.len() as u64 > limit << 20 {
        return Err(too_large(bytes.len() as u64));
    }
    Ok(bytes)
}

/// Reads one file and gives its photographs, one after the other: one for a
/// picture, one a page for a PDF or a TIFF of several pages.
///
/// A file that cannot be read at all gives a single error.
pub fn open<'a>(path: &Path, rules: &'a IntakeRules) -> impl Iterator<Item = Result<Photo>> + use<'a> {
    let (file, failed) = match load(path, rules) {
        Ok(file) => (Some(file), None),
        Err(trouble) => (None, Some(Err(trouble))),
    };
    let mut photos = None;
    // The file is owned here, so its photographs are asked for by number.
    let mut next = 0;
    failed.into_iter().chain(std::iter::from_fn(move || {
        let file = file.as_ref()?;
        let photos = photos.get_or_insert_with(|| Pages::of(file, rules));
        next += 1;
        photos.photo(file, next - 1, rules)
    }))
}

impl File {
    /// Decodes the file's photographs, one after the other, upright.
    pub fn photos<'a>(&'a self, rules: &'a IntakeRules) -> impl Iterator<Item = Result<Photo>> + use<'a> {
        let pages = Pages::of(self, rules);
        (0..).map_while(move |index| pages.photo(self, index, rules))
    }

    /// Decodes one photograph of the file: page `page`, counted from 1, or the
    /// file's only one. `None` where there is no such page.
    pub fn photo(&self, page: Option<u32>, rules: &IntakeRules) -> Option<Result<Photo>> {
        let index = page.map_or(0, |p| p.saturating_sub(1) as usize);
        Pages::of(self, rules).photo(self, index, rules)
    }

    /// As [`File::photo`], with little memory: a JPEG is not turned upright, and is
    /// decoded into the memory of `room` (an earlier photograph's pixels), where that
    /// is large enough.
    pub fn stored(mut self, page: Option<u32>, rules: &IntakeRules, room: Vec<u8>) -> Option<Result<Stored>> {
        if self.kind != Kind::Jpeg || page.is_some_and(|p| p > 1) {
            drop(room);
            let upright = |photo: Photo| Stored { pixels: photo.pixels, turned: Orientation::NoTransforms };
            return self.photo(page, rules).map(|photo| photo.map(upright));
        }
        let (bytes, own) = (std::mem::take(&mut self.bytes), rules.clone());
        let stored = in_time(rules, move || {
            let turned = facts::read(&bytes).orientation.unwrap_or(Orientation::NoTransforms);
            Ok(Stored { pixels: picture::stored(&bytes, Kind::Jpeg, &own, room)?, turned })
        });
        Some(stored.map_err(|trouble| Trouble { subject: shown(&self.path), ..trouble }))
    }
}

/// How a file falls into photographs.
enum Pages {
    One(facts::CameraFacts),
    Tiff(picture::TiffPages, facts::CameraFacts),
    Pdf(Arc<hayro::hayro_syntax::Pdf>, AtomicBool),
    None(Option<Trouble>),
}

impl Pages {
    fn of(file: &File, rules: &IntakeRules) -> Pages {
        let found = guarded(|| match file.kind {
            Kind::Pdf => {
                let bytes = file.bytes.clone();
                in_time(rules, move || pdf::open(bytes))
                    .map(|pdf| Pages::Pdf(Arc::new(pdf), AtomicBool::new(false)))
            }
            Kind::Tiff => {
                let facts = facts::read(&file.bytes);
                if facts.preview {
                    return Err(Trouble::new("", "is a camera's raw file, which is not read")
                        .hint("export it as JPEG, PNG or TIFF and add that"));
                }
                // One more than allowed, to know that there are more.
                let pages = picture::TiffPages::of(&file.bytes, rules.pdf.pages + 1);
                Ok(if pages.len() > 1 { Pages::Tiff(pages, facts) } else { Pages::One(facts) })
            }
            _ => Ok(Pages::One(facts::read(&file.bytes))),
        });
        found.unwrap_or_else(|trouble| Pages::None(Some(trouble)))
    }

    /// The photograph counted from 0; `None` after the last.
    fn photo(&self, file: &File, index: usize, rules: &IntakeRules) -> Option<Result<Photo>> {
        let count = match self {
            Pages::One(_) | Pages::None(_) => 1,
            Pages::Tiff(pages, _) => pages.len(),
            // After a page that would not end, the others would not either.
            Pages::Pdf(_, late) if late.load(Ordering::Relaxed) => return None,
            Pages::Pdf(pdf, _) => pdf.pages().len(),
        };
        let allowed = rules.pdf.pages;
        if index >= count || index > allowed {
            return None;
        }
        let page = matches!(self, Pages::Tiff(..) | Pages::Pdf(..)).then_some(index as u32 + 1);
        let name = |trouble: Trouble| Trouble {
            subject: match page {
                Some(page) => format!("{}, page {page}", shown(&file.path)),
                None => shown(&file.path),
            },
            ..trouble
        };
        if index == allowed {
            return Some(Err(Trouble::file(
                &file.path,
                format!("has more than {allowed} pages; those after page {allowed} were left out"),
            )
            .hint("split it, or raise pdf.pages in the collection folder's config/intake.toml")));
        }
        let none = facts::CameraFacts::default();
        let (facts, pixels) = match self {
            Pages::None(trouble) => {
                // Said once; the trouble is not copied, as its cause cannot be.
                let (fact, hint) = trouble.as_ref().map_or(("cannot be read", ""), |t| (&t.fact, &t.hint));
                return Some(Err(name(Trouble::new("", fact).hint(hint))));
            }
            Pages::Pdf(pdf, late) => {
                let (pdf, own) = (pdf.clone(), rules.clone());
                let drawn = within(rules, move || pdf::page(&pdf, index, &own));
                late.store(drawn.is_none(), Ordering::Relaxed);
                (&none, drawn.unwrap_or_else(|| Err(too_slow(rules))))
            }
            Pages::One(facts) => {
                let (kind, turned) = (file.kind, facts.orientation);
                let decode = move |bytes: &[u8], rules: &IntakeRules| match kind {
                    Kind::Heif => heic::decode(bytes, rules),
                    _ => picture::decode(bytes, kind, turned, rules),
                };
                // The time of the others is bounded by their size in pixels; a
                // JPEG may draw the same ones again and again.
                let pixels = if matches!(kind, Kind::Heif | Kind::Jpeg) {
                    let (bytes, own) = (file.bytes.clone(), rules.clone());
                    in_time(rules, move || decode(&bytes, &own))
                } else {
                    guarded(|| decode(&file.bytes, rules))
                };
                (facts, pixels)
            }
            Pages::Tiff(pages, facts) => (
                facts,
                guarded(|| {
                    let bytes = pages.bytes(&file.bytes, index).ok_or_else(picture::cut_short)?;
                    picture::decode(&bytes, file.kind, facts::read(&bytes).orientation, rules)
                }),
            ),
        };
        Some(pixels.map_err(name).map(|pixels| Photo {
            facts: PhotoFacts {
                hash: file.hash.clone(),
                name: file.name.clone(),
                page,
                width: pixels.width(),
                height: pixels.height(),
                taken: facts.taken,
                place: facts.place,
                folder: file.folder.clone(),
            },
            pixels,
        }))
    }
}

/// Runs a decoder so that its giving up on a damaged file (a panic in a
/// library) is an error of that file and not the end of the run.
fn guarded<T>(decode: impl FnOnce() -> Result<T>) -> Result<T> {
    caught(decode).unwrap_or_else(|| Err(gave_up()))
}

fn gave_up() -> Trouble {
    Trouble::new("", "is damaged in a way its decoder could not cope with")
        .hint("open it in a picture program, save it anew, and add that")
}

fn too_slow(rules: &IntakeRules) -> Trouble {
    let seconds = rules.limits.seconds;
    Trouble::new("", format!("is not done after {seconds} s of decoding; no more of it was read")).hint(
        "save it anew in a picture program and add that, or raise limits.seconds in the collection folder's \
         config/intake.toml",
    )
}

/// As [`within`], with being late as an error of the file.
fn in_time<T: Send + 'static>(
    rules: &IntakeRules,
    decode: impl FnOnce() -> Result<T> + Send + 'static,
) -> Result<T> {
    within(rules, decode).unwrap_or_else(|| Err(too_slow(rules)))
}

/// As [`guarded`], but waits no longer than the rules allow, and gives `None`
/// then: a file made for it can keep a decoder busy for ever. The decoder is left
/// behind; it cannot be stopped, and ends with the program at the latest.
fn within<T: Send + 'static>(
    rules: &IntakeRules,
    decode: impl FnOnce() -> Result<T> + Send + 'static,
) -> Option<Result<T>> {
    let (to, from) = channel();
    let work = move || {
        // Nobody waits any more where this fails.
        let _ = to.send(guarded(decode));
    };
    // Deeply nested files need room; the system gives it only where it is used.
    let thread = std::thread::Builder::new().name("decoder".into()).stack_size(16 << 20).spawn(work);
    if let Err(e) = thread {
        let trouble = Trouble::new("", "cannot be decoded").cause(e);
        return Some(Err(trouble.hint("close other programs, then add it again")));
    }
    match from.recv_timeout(Duration::from_secs(rules.limits.seconds)) {
        Ok(decoded) => Some(decoded),
        Err(RecvTimeoutError::Disconnected) => Some(Err(gave_up())),
        Err(RecvTimeoutError::Timeout) => None,
    }
}

#[cfg(test)]
mod tests;
