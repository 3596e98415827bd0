//! The pictures of the page: the whole photograph made small, and the words of
//! a field cut out, turned upright and enlarged. Made when first asked for and
//! kept in memory up to a bound; the originals are only read.

use crate::catalogue::KeptPhoto;
use crate::geometry::{Point, Quad};
use crate::intake::{IntakeRules, Stored, load};
use crate::trouble::{Result, Trouble};
use image::codecs::jpeg::JpegEncoder;
use image::metadata::Orientation;
use image::{DynamicImage, GenericImageView, Rgb, RgbImage};
use imageproc::geometric_transformations::{Border, Interpolation, Projection, warp_into};
use rayon::prelude::*;
use std::path::Path;
use std::sync::{Arc, mpsc};
use tokio::sync::oneshot;

/// Opens an original: its path, for a PDF the page, and memory of an earlier one to
/// decode into.
pub type Opener = Arc<dyn Fn(&Path, Option<u32>, Vec<u8>) -> Result<Stored> + Send + Sync>;

/// JPEG pictures kept in memory, in bytes. Those of a draft are 200 to 600 kB, so
/// that the drafts twenty people have before them, and each one's next, stay at hand;
/// what was shown already is in the browser's own memory.
const KEPT_BYTES: u64 = 16 << 20;

/// The largest photograph that stays decoded between two requests, in pixels;
/// three bytes each. Larger ones are decoded again: slower, but bounded.
const KEPT_PIXELS: u64 = 16_000_000;

/// How many photographs may wait to be made ready; more are those of drafts that
/// people have left.
const MOST_WAITING: usize = 60;

/// The longer side of the whole photograph as shown, in pixels: enough for a
/// large screen; what is enlarged is cut from the original.
const VIEW_SIDE: u32 = 1800;
/// The longer side of the small pictures in lists, in pixels, for screens of
/// two pixels a point.
const SMALL_SIDE: u32 = 240;
/// The height of words cut out, in pixels.
const WORDS_HEIGHT: f32 = 120.0;
/// Room beside the words, and above and below, as shares of their height: too
/// little cuts letters and descenders off, too much shows the neighbours.
const WORDS_ROOM: (f32, f32) = (0.7, 0.25);

/// Which picture of a photograph.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Piece {
    /// All of it.
    View,
    /// All of it, for a list.
    Small,
    /// The words in a quad, upright.
    Words(Quad),
    /// An upright part at full resolution: left, top, width, height.
    Part([u32; 4]),
}

#[derive(Clone)]
struct Bytes;

impl quick_cache::Weighter<String, Arc<Vec<u8>>> for Bytes {
    fn weight(&self, key: &String, value: &Arc<Vec<u8>>) -> u64 {
        (key.len() + value.len() + 64) as u64
    }
}

type Made = quick_cache::sync::Cache<String, Arc<Vec<u8>>, Bytes>;

/// Makes and keeps pictures. They are made on one thread: one photograph is decoded
/// at a time, whoever asks, so that memory stays bounded with many people. What is
/// wanted of a photograph is made together, what is asked for before what may be.
pub(super) struct Pictures {
    made: Arc<Made>,
    jobs: mpsc::Sender<Job>,
}

struct Job {
    photo: KeptPhoto,
    pieces: Vec<Piece>,
    /// Who waits for the first of the pieces.
    answer: Option<oneshot::Sender<Result<Arc<Vec<u8>>>>>,
}

impl Pictures {
    pub(super) fn new(open: Opener) -> Self {
        let made = Arc::new(Made::with_weighter(2000, KEPT_BYTES, Bytes));
        let (jobs, waiting) = mpsc::channel();
        let maker = Maker { open, made: made.clone(), decoded: None };
        // Ends with the last sender.
        std::thread::spawn(move || maker.work(&waiting));
        Pictures { made, jobs }
    }

    /// Makes `pieces` of `photo` ahead of the browser's asking.
    pub(super) fn want(&self, photo: &KeptPhoto, mut pieces: Vec<Piece>) {
        pieces.retain(|piece| self.made.get(&key(photo, piece)).is_none());
        if !pieces.is_empty() {
            // Without the thread it is said where a picture is asked for.
            let _ = self.jobs.send(Job { photo: photo.clone(), pieces, answer: None });
        }
    }

    /// The JPEG of `piece` of `photo`. Takes up to a second for a large original.
    pub(super) async fn jpeg(&self, photo: &KeptPhoto, piece: Piece) -> Result<Arc<Vec<u8>>> {
        if let Some(made) = self.made.get(&key(photo, &piece)) {
            return Ok(made);
        }
        let (answer, made) = oneshot::channel();
        let _ = self.jobs.send(Job { photo: photo.clone(), pieces: vec![piece], answer: Some(answer) });
        made.await.unwrap_or_else(|e| {
            Err(Trouble::new(&photo.name, "could not be shown: a fault of this program")
                .cause(e)
                .hint("load the page again; the words can be settled without the picture"))
        })
    }
}

/// What makes the pictures, on a thread of its own.
struct Maker {
    open: Opener,
    made: Arc<Made>,
    /// The photograph decoded last; the next one is decoded into its memory. Freed and
    /// taken anew, it was in use twice for a while: others take small parts of what is
    /// free.
    decoded: Option<(i64, Stored)>,
}

impl Maker {
    fn work(mut self, jobs: &mpsc::Receiver<Job>) {
        let mut waiting: Vec<Job> = Vec::new();
        loop {
            if waiting.is_empty() {
                let Ok(job) = jobs.recv() else { return };
                waiting.push(job);
            }
            waiting.extend(jobs.try_iter());
            let next = waiting.iter().position(|j| j.answer.is_some()).unwrap_or(waiting.len() - 1);
            let photo = waiting[next].photo.id;
            let (mut these, rest): (Vec<Job>, Vec<Job>) =
                waiting.into_iter().partition(|j| j.photo.id == photo);
            waiting = rest;
            // People have gone on since.
            if waiting.len() > MOST_WAITING {
                waiting.retain(|j| j.answer.is_some());
            }
            these.sort_by_key(|j| j.answer.is_none());
            // A decoder that panics takes this photograph's answers with it.
            let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
                for job in these {
                    let made = self.make(&job.photo, &job.pieces);
                    if let Some(answer) = job.answer {
                        // Whoever asked may be gone.
                        let _ = answer.send(made);
                    }
                }
            }));
            let large = |(_, d): &(i64, Stored)| {
                u64::from(d.pixels.width()) * u64::from(d.pixels.height()) > KEPT_PIXELS
            };
            if done.is_err() || self.decoded.as_ref().is_some_and(large) {
                self.decoded = None;
            }
        }
    }

    /// Makes what is not made yet of `pieces`, side by side; gives the first.
    fn make(&mut self, photo: &KeptPhoto, pieces: &[Piece]) -> Result<Arc<Vec<u8>>> {
        let missing: Vec<Piece> =
            pieces.iter().filter(|p| self.made.get(&key(photo, p)).is_none()).copied().collect();
        let mut fresh = Vec::new();
        if !missing.is_empty() {
            let stored = self.stored(photo)?;
            let jpeg = |piece: &Piece| jpeg(stored, *piece).map(Arc::new);
            let made: Vec<_> = missing.par_iter().map(jpeg).collect();
            for (piece, made) in missing.iter().zip(made) {
                let made = made.map_err(|e| {
                    Trouble::new(&photo.name, "could not be shown")
                        .cause(e)
                        .hint("check the collection folder: glassine verify FOLDER")
                })?;
                self.made.insert(key(photo, piece), made.clone());
                fresh.push((*piece, made));
            }
        }
        let first = pieces.first().and_then(|first| {
            let made = fresh.iter().find(|f| f.0 == *first).map(|f| f.1.clone());
            made.or_else(|| self.made.get(&key(photo, first)))
        });
        first.ok_or_else(|| Trouble::new(&photo.name, "could not be shown: no part of it was named"))
    }

    fn stored(&mut self, photo: &KeptPhoto) -> Result<&Stored> {
        let mut room = Vec::new();
        if self.decoded.as_ref().is_none_or(|d| d.0 != photo.id) {
            room = self.decoded.take().map(|d| d.1.pixels.into_raw()).unwrap_or_default();
        }
        Ok(match &mut self.decoded {
            Some((_, stored)) => stored,
            none => &none.insert((photo.id, (self.open)(&photo.file, photo.page, room)?)).1,
        })
    }
}

fn jpeg(stored: &Stored, piece: Piece) -> image::ImageResult<Vec<u8>> {
    let picture = picture(stored, piece);
    let mut bytes = Vec::new();
    picture.write_with_encoder(JpegEncoder::new_with_quality(&mut bytes, 85))?;
    Ok(bytes)
}

/// `piece` of a photograph, upright.
fn picture(Stored { pixels, turned }: &Stored, piece: Piece) -> RgbImage {
    let place = |p: Point| in_file(p, *turned, pixels.dimensions());
    let picture = match piece {
        // Upright by where its corners are.
        Piece::Words(quad) => return words(pixels, Quad(quad.0.map(place))),
        Piece::View => shrink(pixels, VIEW_SIDE),
        Piece::Small => shrink(pixels, SMALL_SIDE),
        Piece::Part([x, y, w, h]) => {
            let corner = |x: u32, y: u32| place(Point::new(x as f32, y as f32));
            let (a, b) = (corner(x, y), corner(x.saturating_add(w), y.saturating_add(h)));
            let (left, top) = (a.x.min(b.x).max(0.0), a.y.min(b.y).max(0.0));
            let (w, h) = (a.x.max(b.x) - left, a.y.max(b.y) - top);
            part(pixels, left as u32, top as u32, w as u32, h as u32)
        }
    };
    let mut picture = DynamicImage::ImageRgb8(picture);
    picture.apply_orientation(*turned);
    picture.into_rgb8()
}

/// Where in the file a point of the upright photograph is.
fn in_file(Point { x, y }: Point, turned: Orientation, (width, height): (u32, u32)) -> Point {
    let (w, h) = (width as f32, height as f32);
    let (x, y) = match turned {
        Orientation::NoTransforms => (x, y),
        Orientation::FlipHorizontal => (w - x, y),
        Orientation::FlipVertical => (x, h - y),
        Orientation::Rotate180 => (w - x, h - y),
        Orientation::Rotate90 => (y, h - x),
        Orientation::Rotate90FlipH => (y, x),
        Orientation::Rotate270 => (w - y, x),
        Orientation::Rotate270FlipH => (w - y, h - x),
    };
    Point::new(x, y)
}

fn key(photo: &KeptPhoto, piece: &Piece) -> String {
    format!("{} {piece:?}", photo.id)
}

/// Opens originals as intake does: every kind of file it takes, one page of
/// those that have several.
pub(super) fn open_original(
    path: &Path,
    page: Option<u32>,
    rules: &IntakeRules,
    room: Vec<u8>,
) -> Result<Stored> {
    let hint = "look whether a backup has it: originals are never altered by this program";
    let failed = |t: Trouble| Trouble::file(path, "cannot be shown").cause(t).hint(hint);
    let file = load(path, rules).map_err(failed)?;
    match file.stored(page, rules, room) {
        Some(stored) => stored.map_err(failed),
        None => Err(Trouble::file(path, "has no such page").hint(hint)),
    }
}

fn shrink(pixels: &impl GenericImageView<Pixel = Rgb<u8>>, side: u32) -> RgbImage {
    let longer = pixels.width().max(pixels.height());
    if longer <= side {
        return RgbImage::from_fn(pixels.width(), pixels.height(), |x, y| pixels.get_pixel(x, y));
    }
    let by = |length: u32| ((u64::from(length) * u64::from(side)) / u64::from(longer)).max(1) as u32;
    image::imageops::thumbnail(pixels, by(pixels.width()), by(pixels.height()))
}

fn part(pixels: &RgbImage, x: u32, y: u32, w: u32, h: u32) -> RgbImage {
    let (x, y) = (x.min(pixels.width().saturating_sub(1)), y.min(pixels.height().saturating_sub(1)));
    let (w, h) = (w.clamp(1, pixels.width() - x), h.clamp(1, pixels.height() - y));
    shrink(&*image::imageops::crop_imm(pixels, x, y, w, h), VIEW_SIDE)
}

/// The words in `quad`, with a little room around, turned so that they read
/// from left to right.
fn words(pixels: &RgbImage, quad: Quad) -> RgbImage {
    let quad = quad.with_room(quad.height() * WORDS_ROOM.0, quad.height() * WORDS_ROOM.1);
    let (width, height) = (quad.width().max(1.0), quad.height().max(1.0));
    // Enlarging more than four times shows no more.
    let factor = (WORDS_HEIGHT / height).min(4.0).min(1600.0 / width);
    let size = ((width * factor).ceil().max(1.0), (height * factor).ceil().max(1.0));
    let mut out = RgbImage::new(size.0 as u32, size.1 as u32);
    let from = quad.0.map(|p| (p.x, p.y));
    let to = [(0.0, 0.0), (size.0, 0.0), size, (0.0, size.1)];
    if let Some(projection) = Projection::from_control_points(from, to) {
        warp_into(pixels, projection, Interpolation::Bilinear, Border::Replicate, &mut out);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Left half black, right half white.
    fn halves() -> RgbImage {
        RgbImage::from_fn(200, 100, |x, _| image::Rgb([if x < 100 { 0 } else { 255 }; 3]))
    }

    #[test]
    fn words_upside_down_are_turned_to_read_from_left_to_right() {
        let quad = Quad::upright(60.0, 40.0, 140.0, 60.0);
        let upright = words(&halves(), quad);
        let turned = words(&halves(), quad.turned());
        let edge = upright.width() - 5;
        assert!(upright.get_pixel(5, 5)[0] < 50 && upright.get_pixel(edge, 5)[0] > 200);
        assert!(turned.get_pixel(5, 5)[0] > 200 && turned.get_pixel(edge, 5)[0] < 50);
    }

    /// The eight orientations of Exif (CIPA DC-008, tag 0x0112), turned by the `image`
    /// crate before cutting.
    #[test]
    fn what_is_cut_from_a_turned_photograph_is_what_stands_there_upright() {
        // Soft enough that a pixel's own edges make no difference.
        let pixels = RgbImage::from_fn(240, 160, |x, y| {
            image::Rgb([x as u8, (y + 60) as u8, ((x + 2 * y) / 3) as u8])
        });
        for exif in 1..=8 {
            let turned = Orientation::from_exif(exif).unwrap();
            let mut upright = DynamicImage::ImageRgb8(pixels.clone());
            upright.apply_orientation(turned);
            let upright = Stored { pixels: upright.into_rgb8(), turned: Orientation::NoTransforms };
            let stored = Stored { pixels: pixels.clone(), turned };
            let slanted = Quad(
                [(60.0, 40.0), (130.0, 50.0), (127.0, 71.0), (57.0, 61.0)].map(|(x, y)| Point::new(x, y)),
            );
            for piece in [Piece::View, Piece::Words(slanted), Piece::Part([20, 30, 70, 50])] {
                let (ours, theirs) = (picture(&stored, piece), picture(&upright, piece));
                assert_eq!(ours.dimensions(), theirs.dimensions(), "orientation {exif}, {piece:?}");
                let most = ours.iter().zip(theirs.iter()).map(|(a, b)| a.abs_diff(*b)).max();
                assert!(most <= Some(2), "orientation {exif}, {piece:?}: {most:?}");
            }
            assert_ne!(picture(&stored, Piece::View), picture(&stored, Piece::Part([20, 30, 70, 50])));
        }
    }

    #[test]
    fn an_empty_quad_or_one_outside_gives_a_picture_all_the_same() {
        for quad in [Quad::upright(0.0, 0.0, 0.0, 0.0), Quad::upright(900.0, 900.0, 990.0, 920.0)] {
            assert!(words(&halves(), quad).width() >= 1);
        }
        assert_eq!(part(&halves(), 500, 500, 0, 0).dimensions(), (1, 1));
    }

    #[test]
    fn a_long_picture_keeps_its_shape_when_made_small() {
        assert_eq!(shrink(&RgbImage::new(4000, 1000), 1000).dimensions(), (1000, 250));
        assert_eq!(shrink(&RgbImage::new(4000, 1), 1000).dimensions(), (1000, 1));
    }
}
