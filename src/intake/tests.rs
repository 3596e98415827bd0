//! Made files of every kind, against ImageMagick, Poppler and libheif's own
//! tools where they are installed (`./setup.sh tests` installs them).

#[path = "../../tests/common/pdf.rs"]
#[allow(dead_code)] // what only other tests use
mod pdf;

use super::*;
use exif::experimental::Writer;
use exif::{Field, In, Rational, Tag, Value};
use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use proptest::prelude::*;
use std::io::Cursor;
use std::process::Command;
use tempfile::TempDir;

fn rules() -> IntakeRules {
    IntakeRules::load(None).unwrap()
}

/// A picture no turn or mirroring of which equals itself, in broad areas that
/// survive lossy compression.
fn drawn() -> RgbImage {
    RgbImage::from_fn(64, 40, |x, y| match (x / 16, y / 20) {
        (0, 0) => Rgb([220, 40, 40]),
        (3, 0) => Rgb([40, 200, 60]),
        (0, 1) => Rgb([40, 60, 220]),
        (1, 1) => Rgb([20, 20, 20]),
        _ => Rgb([235, 230, 215]),
    })
}

fn encoded(picture: &RgbImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgb8(picture.clone()).write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// A JPEG with an EXIF segment of `fields`.
fn jpeg_with(picture: &RgbImage, fields: &[Field]) -> Vec<u8> {
    let mut writer = Writer::new();
    fields.iter().for_each(|f| writer.push_field(f));
    let mut exif = Cursor::new(b"Exif\0\0".to_vec());
    exif.set_position(6);
    let mut tiff = Cursor::new(Vec::new());
    writer.write(&mut tiff, false).unwrap();
    let segment = [exif.into_inner(), tiff.into_inner()].concat();
    let jpeg = encoded(picture, ImageFormat::Jpeg);
    let length = u16::try_from(segment.len() + 2).unwrap().to_be_bytes();
    [&jpeg[..2], &[0xFF, 0xE1], &length, &segment, &jpeg[2..]].concat()
}

fn field(tag: Tag, value: Value) -> Field {
    Field { tag, ifd_num: In::PRIMARY, value }
}

/// `pictures` as an uncompressed RGB TIFF, little-endian, a page each, with the
/// compression tag set to `compression` (1 is none). TIFF 6.0, section 2.
fn tiff(pictures: &[RgbImage], compression: u16, subfile: u32) -> Vec<u8> {
    let mut bytes = b"II\x2A\0\0\0\0\0".to_vec();
    let mut link = 4;
    for picture in pictures {
        let data = bytes.len() as u32;
        bytes.extend_from_slice(picture.as_raw());
        let bits = bytes.len() as u32;
        bytes.extend([8, 0, 8, 0, 8, 0]);
        let directory = bytes.len() as u32;
        bytes[link..link + 4].copy_from_slice(&directory.to_le_bytes());
        let (short, long) = (3u16, 4u16);
        let entries = [
            (254, long, 1, subfile),
            (256, long, 1, picture.width()),
            (257, long, 1, picture.height()),
            (258, short, 3, bits),
            (259, short, 1, u32::from(compression)),
            (262, short, 1, 2),
            (273, long, 1, data),
            (277, short, 1, 3),
            (278, long, 1, picture.height()),
            (279, long, 1, picture.as_raw().len() as u32),
        ];
        bytes.extend((entries.len() as u16).to_le_bytes());
        for (tag, kind, count, value) in entries {
            bytes.extend(u16::to_le_bytes(tag));
            bytes.extend(kind.to_le_bytes());
            bytes.extend(u32::to_le_bytes(count));
            bytes.extend(value.to_le_bytes());
        }
        link = bytes.len();
        bytes.extend([0; 4]);
    }
    bytes
}

/// A PDF of `pages` pages of 144 x 90 points, each showing the picture [`drawn`]
/// over all of it.
fn scan(pages: usize) -> Vec<u8> {
    pdf::scanned(&vec![(encoded(&drawn(), ImageFormat::Jpeg), (64, 40)); pages], 32.0)
}

/// A folder with one file in it.
fn written(name: &str, bytes: &[u8]) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    (folder, path)
}

fn read(name: &str, bytes: &[u8]) -> Vec<Result<Photo>> {
    let (_folder, path) = written(name, bytes);
    open(&path, &rules()).collect()
}

fn one(name: &str, bytes: &[u8]) -> Photo {
    let mut photos = read(name, bytes);
    assert_eq!(photos.len(), 1);
    photos.remove(0).unwrap()
}

/// The only trouble of a file that is refused.
fn refused(name: &str, bytes: &[u8]) -> Trouble {
    let mut photos = read(name, bytes);
    assert_eq!(photos.len(), 1, "{name} gave more than its trouble");
    let trouble = photos.remove(0).unwrap_err();
    assert!(trouble.subject.ends_with(name), "the file is named: {trouble}");
    assert!(!trouble.hint.is_empty(), "there is a next step: {trouble}");
    trouble
}

/// The mean difference of two pictures of the same size, in grey levels.
fn difference(a: &RgbImage, b: &RgbImage) -> f64 {
    assert_eq!(a.dimensions(), b.dimensions());
    let sum: u64 = a.as_raw().iter().zip(b.as_raw()).map(|(a, b)| u64::from(a.abs_diff(*b))).sum();
    sum as f64 / a.as_raw().len() as f64
}

/// Whether a tool is installed; says so where it is not.
fn there(tool: &str, says: &str) -> bool {
    let output = Command::new(tool).arg("--version").output();
    let found = output
        .is_ok_and(|o| String::from_utf8_lossy(&[o.stdout, o.stderr].concat()).to_lowercase().contains(says));
    if !found {
        eprintln!("skipped: {tool} is not installed");
    }
    found
}

fn run(tool: &str, arguments: &[&std::ffi::OsStr]) {
    let output = Command::new(tool).args(arguments).output().unwrap();
    assert!(output.status.success(), "{tool}: {}", String::from_utf8_lossy(&output.stderr));
}

#[test]
fn each_lossless_kind_comes_in_as_it_was() {
    for (name, format) in
        [("a.png", ImageFormat::Png), ("a.tif", ImageFormat::Tiff), ("a.webp", ImageFormat::WebP)]
    {
        let photo = one(name, &encoded(&drawn(), format));
        assert_eq!(photo.pixels, drawn(), "{name}");
        assert_eq!((photo.facts.width, photo.facts.height, photo.facts.page), (64, 40, None));
        assert_eq!(photo.facts.name, name);
    }
}

#[test]
fn a_jpeg_comes_in_nearly_as_it_was() {
    assert!(difference(&one("a.jpg", &encoded(&drawn(), ImageFormat::Jpeg)).pixels, &drawn()) < 3.0);
}

/// The hash of three bytes, from the test vectors of the BLAKE3 repository
/// (input length 3: bytes 0, 1, 2), from memory of its first eight digits and
/// checked with `b3sum` at the time.
#[test]
fn the_hash_is_blake3_of_the_bytes() {
    let bytes = encoded(&drawn(), ImageFormat::Png);
    let (_folder, path) = written("a.png", &bytes);
    assert_eq!(load(&path, &rules()).unwrap().hash, blake3::hash(&bytes).to_hex().as_str());
    assert!(blake3::hash(&[0, 1, 2]).to_hex().starts_with("e1be4d7a"));
}

/// All eight orientations of Exif 2.32 (tag 0x0112), against ImageMagick's
/// `-auto-orient`.
#[test]
fn every_exif_orientation_is_turned_upright() {
    if !there("convert", "imagemagick") {
        return;
    }
    for orientation in 1..=8 {
        let bytes = jpeg_with(&drawn(), &[field(Tag::Orientation, Value::Short(vec![orientation]))]);
        let (folder, path) = written("a.jpg", &bytes);
        let upright = folder.path().join("upright.png");
        run("convert", &[path.as_os_str(), "-auto-orient".as_ref(), upright.as_os_str()]);
        let ours = open(&path, &rules()).next().unwrap().unwrap();
        let theirs = image::open(&upright).unwrap().into_rgb8();
        assert!(difference(&ours.pixels, &theirs) < 2.0, "orientation {orientation}");
        let sideways = orientation >= 5;
        assert_eq!(ours.facts.width, if sideways { 40 } else { 64 }, "orientation {orientation}");
    }
}

#[test]
fn time_and_place_are_read_and_south_and_west_are_negative() {
    let part = |num, denom| Rational { num, denom };
    let place = |south: &str, west: &str| {
        [
            field(Tag::DateTimeOriginal, Value::Ascii(vec![b"2024:07:14 22:41:05".to_vec()])),
            field(Tag::DateTime, Value::Ascii(vec![b"2026:01:01 00:00:00".to_vec()])),
            field(Tag::GPSLatitudeRef, Value::Ascii(vec![south.into()])),
            field(Tag::GPSLatitude, Value::Rational(vec![part(54, 1), part(30, 1), part(36, 1)])),
            field(Tag::GPSLongitudeRef, Value::Ascii(vec![west.into()])),
            field(Tag::GPSLongitude, Value::Rational(vec![part(2, 1), part(15, 1), part(0, 1)])),
        ]
    };
    let facts = one("a.jpg", &jpeg_with(&drawn(), &place("N", "E"))).facts;
    assert_eq!(facts.taken.unwrap().to_string(), "2024-07-14T22:41:05");
    // 54° 30' 36" is 54.51°.
    let (latitude, longitude) = facts.place.unwrap();
    assert!((latitude - 54.51).abs() < 1e-9 && (longitude - 2.25).abs() < 1e-9);
    let facts = one("a.jpg", &jpeg_with(&drawn(), &place("S", "W"))).facts;
    assert!(facts.place.unwrap().0 < 0.0 && facts.place.unwrap().1 < 0.0);
}

#[test]
fn a_clock_never_set_and_a_place_never_found_are_none() {
    let part = |num, denom| Rational { num, denom };
    let nowhere = |p: Rational| {
        vec![
            field(Tag::DateTimeOriginal, Value::Ascii(vec![b"0000:00:00 00:00:00".to_vec()])),
            field(Tag::GPSLatitudeRef, Value::Ascii(vec![b"N".to_vec()])),
            field(Tag::GPSLatitude, Value::Rational(vec![p; 3])),
            field(Tag::GPSLongitudeRef, Value::Ascii(vec![b"E".to_vec()])),
            field(Tag::GPSLongitude, Value::Rational(vec![p; 3])),
        ]
    };
    for p in [part(0, 0), part(0, 1), part(900, 1)] {
        let facts = one("a.jpg", &jpeg_with(&drawn(), &nowhere(p))).facts;
        assert_eq!((facts.taken, facts.place), (None, None), "{p}");
    }
}

#[test]
fn see_through_parts_become_white_paper() {
    let mut picture = image::RgbaImage::from_pixel(3, 1, image::Rgba([0, 0, 0, 0]));
    picture.put_pixel(1, 0, image::Rgba([10, 20, 30, 255]));
    picture.put_pixel(2, 0, image::Rgba([0, 0, 0, 128]));
    let mut bytes = Cursor::new(Vec::new());
    picture.write_to(&mut bytes, ImageFormat::Png).unwrap();
    let pixels = one("a.png", &bytes.into_inner()).pixels;
    assert_eq!(pixels.into_raw(), [255, 255, 255, 10, 20, 30, 127, 127, 127]);
}

#[test]
fn every_page_of_a_tiff_is_a_photograph() {
    let mut second = drawn();
    image::imageops::invert(&mut second);
    let photos = read("scan.tif", &tiff(&[drawn(), second.clone()], 1, 0));
    let photos: Vec<Photo> = photos.into_iter().map(Result::unwrap).collect();
    assert_eq!(photos.iter().map(|p| p.facts.page).collect::<Vec<_>>(), [Some(1), Some(2)]);
    assert_eq!((&photos[0].pixels, &photos[1].pixels), (&drawn(), &second));
}

#[test]
fn a_tiff_whose_pages_go_round_in_a_ring_ends() {
    let mut bytes = tiff(&[drawn(), drawn()], 1, 0);
    let first = bytes[4..8].to_vec();
    let end = bytes.len();
    bytes[end - 4..].copy_from_slice(&first);
    assert_eq!(read("scan.tif", &bytes).len(), 2);
}

/// Against Poppler's `pdftoppm`.
#[test]
fn every_page_of_a_pdf_is_a_photograph() {
    let file = scan(3);
    let (folder, path) = written("scan.pdf", &file);
    let photos: Vec<Photo> = open(&path, &rules()).map(Result::unwrap).collect();
    assert_eq!(photos.len(), 3);
    // 144 x 90 points are 2 x 1.25 inches: at 300 dots an inch 600 x 375.
    assert_eq!(photos[2].pixels.dimensions(), (600, 375));
    assert_eq!(photos[2].facts.page, Some(3));
    assert_eq!(photos[0].facts.hash, photos[2].facts.hash);
    if !there("pdftoppm", "poppler") && !there("pdftoppm", "pdftoppm version") {
        return;
    }
    let out = folder.path().join("page");
    run("pdftoppm", &["-r".as_ref(), "300".as_ref(), "-png".as_ref(), path.as_os_str(), out.as_os_str()]);
    let theirs = image::open(folder.path().join("page-1.png")).unwrap().into_rgb8();
    let unlike = difference(&photos[0].pixels, &theirs);
    assert!(unlike < 6.0, "differs by {unlike} grey levels from pdftoppm's page");
}

#[test]
fn pages_after_the_limit_are_named() {
    let (_folder, path) = written("scan.pdf", &scan(4));
    let mut rules = rules();
    rules.pdf.pages = 2;
    let photos: Vec<_> = open(&path, &rules).collect();
    assert_eq!(photos.len(), 3);
    let trouble = photos[2].as_ref().unwrap_err();
    assert_eq!(trouble.fact, "has more than 2 pages; those after page 2 were left out");
}

/// A one-page PDF with a password to open it, made by qpdf 11.3 (`--encrypt
/// moth moth 128`); and one whose owner only forbids printing, which opens.
#[test]
fn a_locked_pdf_is_refused_and_one_only_restricted_is_read() {
    let locked = include_bytes!("../../tests/data/locked.pdf");
    assert_eq!(refused("locked.pdf", locked).fact, "is locked by a password");
    let restricted = include_bytes!("../../tests/data/restricted.pdf");
    assert_eq!(one("restricted.pdf", restricted).pixels.dimensions(), (300, 300));
}

/// A HEIC made by libheif's `heif-enc`, against its `heif-convert`; the picture
/// before compression is the second witness.
#[test]
fn a_heic_comes_in_upright() {
    if !there("heif-enc", "heif-enc") || !there("heif-convert", "heif-convert") {
        return;
    }
    let big = image::imageops::resize(&drawn(), 256, 160, image::imageops::FilterType::Nearest);
    for orientation in [1, 6] {
        let jpeg = jpeg_with(&big, &[field(Tag::Orientation, Value::Short(vec![orientation]))]);
        let (folder, path) = written("a.jpg", &jpeg);
        let (heic, back) = (folder.path().join("a.heic"), folder.path().join("back.png"));
        run("heif-enc", &[path.as_os_str(), "-q".as_ref(), "90".as_ref(), "-o".as_ref(), heic.as_os_str()]);
        run("heif-convert", &[heic.as_os_str(), back.as_os_str()]);
        let ours = open(&heic, &rules()).next().unwrap().unwrap();
        let theirs = image::open(&back).unwrap().into_rgb8();
        assert!(difference(&ours.pixels, &theirs) < 2.0, "orientation {orientation}");
        if orientation == 1 {
            assert!(difference(&ours.pixels, &big) < 6.0);
        }
        let whole = std::fs::read(&heic).unwrap();
        refused("short.heic", &whole[..whole.len() / 2]);
    }
}

#[test]
fn the_wrong_extension_is_remarked_and_the_picture_read() {
    let (_folder, path) = written("a.jpg", &encoded(&drawn(), ImageFormat::Png));
    let file = load(&path, &rules()).unwrap();
    assert_eq!(file.photos(&rules()).next().unwrap().unwrap().pixels, drawn());
    assert_eq!(file.remarks.len(), 1);
    assert_eq!(file.remarks[0].fact, "is a PNG by its content, not what its name says");
}

#[test]
fn what_is_no_photograph_is_refused_by_what_it_is() {
    for (name, bytes, fact) in [
        ("empty.jpg", &b""[..], "is empty"),
        ("notes.txt", b"21 July, MV light, 3 males", "is not a photograph"),
        ("notes.jpg", b"21 July, MV light, 3 males", "is not a photograph"),
        ("a.gif", b"GIF89a\x01\0\x01\0", "is a GIF, which is not read"),
        ("a.mp4", b"\0\0\0\x18ftypisom\0\0\0\0isomiso2", "is a film, not a photograph"),
        ("a.cr3", b"\0\0\0\x18ftypcrx \0\0\0\0crx isom", "is a camera's raw file, which is not read"),
        ("a.docx", b"PK\x03\x04\x14\0", "is a zip archive or an office document"),
    ] {
        assert_eq!(refused(name, bytes).fact, fact, "{name}");
    }
    // The first picture of a raw file is a preview by its subfile type (TIFF
    // 6.0, tag 254, bit 0; DNG 1.4, chapter 2).
    let raw = tiff(&[drawn()], 1, 1);
    assert_eq!(refused("a.dng", &raw).fact, "is a camera's raw file, which is not read");
    let folder = tempfile::tempdir().unwrap();
    let missing = open(&folder.path().join("gone.jpg"), &rules()).next().unwrap().unwrap_err();
    assert_eq!(missing.fact, "does not exist");
}

#[test]
fn pictures_cut_short_are_refused_and_said_to_be() {
    for (name, format) in [
        ("a.jpg", ImageFormat::Jpeg),
        ("a.png", ImageFormat::Png),
        ("a.tif", ImageFormat::Tiff),
        ("a.webp", ImageFormat::WebP),
    ] {
        let whole = encoded(&drawn(), format);
        for share in [3, 6, 9] {
            let trouble = refused(name, &whole[..whole.len() * share / 10]);
            let said = trouble.to_string();
            assert!(said.contains("cut short") || said.contains("damaged"), "{said}");
        }
        if format == ImageFormat::Jpeg {
            let trouble = refused(name, &whole[..whole.len() - 2]);
            assert_eq!(trouble.fact, "is cut short: its end is missing");
        }
    }
    let whole = scan(1);
    refused("a.pdf", &whole[..40]);
}

/// The preview in a photograph's EXIF has an end of its own; the photograph
/// around it is cut short all the same.
#[test]
fn the_end_of_a_preview_is_not_the_end_of_the_photograph() {
    let preview = encoded(&RgbImage::new(8, 8), ImageFormat::Jpeg);
    let whole = encoded(&drawn(), ImageFormat::Jpeg);
    let length = u16::try_from(preview.len() + 2).unwrap().to_be_bytes();
    let with = [&whole[..2], &[0xFF, 0xE1], &length, &preview, &whole[2..]].concat();
    assert!(read("a.jpg", &with)[0].is_ok());
    assert_eq!(refused("a.jpg", &with[..with.len() - 40]).fact, "is cut short: its end is missing");
}

#[test]
fn a_file_of_few_bytes_that_claims_billions_of_pixels_is_refused() {
    let mut jpeg = encoded(&drawn(), ImageFormat::Jpeg);
    // The size stands after the frame header's marker, length and precision
    // (ISO/IEC 10918-1, B.2.2).
    let frame = jpeg.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    jpeg[frame + 5..frame + 9].copy_from_slice(&[0xFF; 4]);
    let trouble = refused("bomb.jpg", &jpeg);
    assert_eq!(
        trouble.fact,
        "claims 65535 x 65535 pixels, more than the 120 million pixels or 40000 a side allowed"
    );
    let mut bytes = tiff(&[drawn()], 1, 0);
    let directory = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    for entry in [1, 2, 8] {
        let at = directory + 2 + entry * 12 + 8;
        bytes[at..at + 4].copy_from_slice(&100_000u32.to_le_bytes());
    }
    let trouble = refused("bomb.tif", &bytes);
    assert!(trouble.fact.starts_with("claims 100000 x 100000 pixels"), "{trouble}");
}

#[test]
fn a_file_larger_than_allowed_is_refused_unread() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("big.tif");
    // A hole, so that the disk does not fill.
    std::fs::File::create(&path).unwrap().set_len(600 << 20).unwrap();
    let trouble = load(&path, &rules()).unwrap_err();
    assert_eq!(trouble.fact, "is 600 MiB, more than the 512 MiB allowed");
}

#[test]
fn a_tiff_of_a_kind_not_read_is_named() {
    // 34712 is JPEG 2000, which few programs write into TIFF.
    let trouble = refused("a.tif", &tiff(&[drawn()], 34712, 0));
    assert_eq!(trouble.fact, "is a kind of TIFF that is not read");
}

#[test]
fn the_same_picture_saved_smaller_or_lighter_is_alike_and_another_is_not() {
    // Patches of all sizes, as a photograph has: smooth waves leave the hash
    // nothing to hold on to.
    let patch =
        |x: u32, y: u32, size: u32| (x / size).wrapping_mul(2_654_435_761) ^ (y / size).wrapping_mul(40_503);
    let picture = RgbImage::from_fn(400, 300, |x, y| {
        let grey = [97, 41, 19, 11].iter().map(|size| patch(x, y, *size) >> 7 & 31).sum::<u32>() as u8;
        Rgb([grey + 60, grey + 58, grey + 40])
    });
    let hash = Likeness::of(&picture);
    let smaller = image::imageops::resize(&picture, 320, 240, image::imageops::FilterType::Triangle);
    let lighter = image::imageops::colorops::brighten(&picture, 20);
    let again = one("a.jpg", &encoded(&picture, ImageFormat::Jpeg)).pixels;
    for alike in [smaller, lighter, again] {
        assert!(hash.differs(&Likeness::of(&alike)) <= rules().likeness.bits);
    }
    let turned = image::imageops::rotate180(&picture);
    assert!(hash.differs(&Likeness::of(&turned)) > rules().likeness.bits);
    assert_eq!(hash.to_string().parse::<Likeness>().unwrap(), hash);
    assert!("moth".parse::<Likeness>().is_err());
    Likeness::of(&RgbImage::new(1, 1));
}

/// A file from memory, as `load` gives it.
fn file(bytes: Vec<u8>) -> Option<File> {
    let kind = Kind::of(&bytes)?;
    let hash = String::new();
    let name = "random".to_owned();
    Some(File { path: "random".into(), name, bytes, hash, kind, remarks: Vec::new(), folder: String::new() })
}

fn samples() -> Vec<Vec<u8>> {
    let jpeg = jpeg_with(&drawn(), &[field(Tag::Orientation, Value::Short(vec![6]))]);
    vec![
        pdf::scanned(&vec![(jpeg.clone(), (64, 40)); 2], 32.0),
        jpeg,
        encoded(&drawn(), ImageFormat::Png),
        encoded(&drawn(), ImageFormat::WebP),
        tiff(&[drawn(), drawn()], 1, 0),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn no_bytes_after_a_known_beginning_end_the_run(
        start in 0usize..5,
        length in 4usize..40,
        rest in proptest::collection::vec(any::<u8>(), 0..600),
    ) {
        let sample = &samples()[start];
        let bytes = [&sample[..length.min(sample.len())], &rest].concat();
        if let Some(file) = file(bytes) {
            prop_assert!(file.photos(&rules()).take(20).count() >= 1);
        }
    }

    #[test]
    fn no_damage_to_a_good_file_ends_the_run(
        sample in 0usize..5,
        damage in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
    ) {
        let mut bytes = samples()[sample].clone();
        for (at, value) in damage {
            let at = at.index(bytes.len());
            bytes[at] = value;
        }
        if let Some(file) = file(bytes) {
            for photo in file.photos(&rules()).take(20).flatten() {
                prop_assert!(photo.pixels.width() > 0);
            }
        }
    }
}
