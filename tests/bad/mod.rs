//! Makes a folder of bad inputs, as a camera, a spreadsheet, an old disk or
//! somebody who means harm would: photographs under `photos/`, tables of records
//! under `tables/`. Good ones stand between them, so that it shows whether one
//! hides another.

#[path = "../common/pdf.rs"]
#[allow(dead_code)] // what only other tests use
mod pdf;

use pdf::of as pdf;
use std::ffi::OsStr;
use std::fs::{self, File};
use std::io::{Cursor, Write};
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use zip::write::SimpleFileOptions;

pub const JPEG: &[u8] = include_bytes!("../weather/pictures/a.jpg");
const PROGRESSIVE: &[u8] = include_bytes!("../weather/pictures/p.jpg");
pub const PNG: &[u8] = include_bytes!("../weather/pictures/a.png");
const TIFF: &[u8] = include_bytes!("../weather/pictures/a.tif");
const PAGES: &[u8] = include_bytes!("../weather/pictures/two.tif");
const WEBP: &[u8] = include_bytes!("../weather/pictures/a.webp");
const HEIC: &[u8] = include_bytes!("../weather/pictures/a.heic");
const PDF: &[u8] = include_bytes!("../weather/pictures/a.pdf");
const LOCKED: &[u8] = include_bytes!("../data/locked.pdf");

/// What is to come of an input.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fate {
    /// It is refused, in words that hold these.
    Refused(&'static str),
    /// It is used, perhaps with a remark.
    Used,
    /// Either, as long as it is said or done.
    Any,
}
use Fate::{Any, Refused, Used};

pub struct Bad {
    pub path: PathBuf,
    pub fate: Fate,
}

pub struct Made {
    root: PathBuf,
    pub photos: Vec<Bad>,
    pub tables: Vec<Bad>,
}

impl Made {
    fn photo(&mut self, name: impl AsRef<OsStr>, bytes: &[u8], fate: Fate) {
        let path = self.root.join("photos").join(name.as_ref());
        fs::write(&path, bytes).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        self.photos.push(Bad { path, fate });
    }

    fn table(&mut self, name: &str, bytes: impl AsRef<[u8]>, fate: Fate) {
        let path = self.root.join("tables").join(name);
        fs::write(&path, bytes).unwrap();
        self.tables.push(Bad { path, fate });
    }

    fn link(&mut self, name: &str, to: impl AsRef<Path>, fate: Fate) {
        let path = self.root.join("photos").join(name);
        symlink(to, &path).unwrap();
        self.photos.push(Bad { path, fate });
    }

    pub fn count(&self) -> usize {
        self.photos.len() + self.tables.len()
    }
}

/// Makes them all under `root`.
pub fn make(root: &Path) -> Made {
    let mut made = Made { root: root.into(), photos: Vec::new(), tables: Vec::new() };
    fs::create_dir_all(root.join("photos")).unwrap();
    fs::create_dir_all(root.join("tables")).unwrap();
    cut(&mut made);
    mistaken(&mut made);
    bombs(&mut made);
    pdfs(&mut made);
    exif(&mut made);
    names(&mut made);
    links(&mut made);
    text_tables(&mut made);
    json_tables(&mut made);
    archives(&mut made);
    made
}

/// A card pulled out too early.
fn cut(made: &mut Made) {
    for (end, bytes, parts, fate) in [
        ("jpg", JPEG, 16, Refused("hint")),
        ("p.jpg", PROGRESSIVE, 10, Refused("hint")),
        ("png", PNG, 12, Any),
        ("tif", TIFF, 10, Any),
        ("pages.tif", PAGES, 8, Any),
        ("webp", WEBP, 8, Any),
        ("heic", HEIC, 10, Any),
        ("pdf", PDF, 8, Any),
    ] {
        for part in 1..parts {
            let length = bytes.len() * part / parts;
            made.photo(format!("cut-{part:02}.{end}"), &bytes[..length.max(5)], fate);
        }
    }
}

/// Names that do not say what is in the file, and files that are no photographs.
fn mistaken(made: &mut Made) {
    for (name, bytes) in [
        ("png-inside.jpg", PNG),
        ("jpeg-inside.png", JPEG),
        ("tiff-inside.webp", TIFF),
        ("webp-inside.tif", WEBP),
        ("heic-inside.jpg", HEIC),
        ("pdf-inside.jpg", PDF),
        ("jpeg-inside.txt", JPEG),
        ("jpeg-inside", JPEG),
    ] {
        made.photo(name, bytes, Used);
    }
    for end in ["jpg", "png", "tif", "webp", "heic", "pdf", "txt"] {
        made.photo(format!("nothing.{end}"), b"", Refused("is empty"));
    }
    let others: [(&str, &[u8], &str); 15] = [
        ("one-byte.jpg", b"\xFF", "not a photograph"),
        ("zeros.jpg", &[0; 4096], "not a photograph"),
        ("ones.png", &[0xFF; 4096], "not a photograph"),
        ("words.jpg", b"21 July, MV light, 3 males", "not a photograph"),
        ("page.jpg", b"<!DOCTYPE html><html><script>alert(1)</script>", "not a photograph"),
        ("drawing.svg", b"<svg xmlns='http://www.w3.org/2000/svg'/>", "not a photograph"),
        ("program.jpg", b"\x7FELF\x02\x01\x01\0\0\0\0\0", "not a photograph"),
        ("a.gif", b"GIF89a\x01\0\x01\0\x80\0\0", "is a GIF"),
        ("a.bmp", b"BM\x3a\0\0\0\0\0\0\0\x36\0\0\0", "is a BMP"),
        ("a.mp4", b"\0\0\0\x18ftypisom\0\0\0\0isomiso2", "is a film"),
        ("a.cr3", b"\0\0\0\x18ftypcrx \0\0\0\0crx isom", "raw file"),
        ("a.raf", b"FUJIFILMCCD-RAW 0201", "raw file"),
        ("a.jxl", b"\xFF\x0A\0\0", "JPEG XL"),
        ("a.docx", b"PK\x03\x04\x14\0", "zip archive"),
        ("turned.jpg", b"\xD8\xFF\xFF\xE0", "not a photograph"),
    ];
    for (name, bytes, why) in others {
        made.photo(name, bytes, Refused(why));
    }
    for (name, bytes) in [("tail.jpg", JPEG), ("tail.png", PNG), ("tail.webp", WEBP)] {
        made.photo(name, &[bytes, &[0x41; 5000]].concat(), Any);
    }
}

fn at(bytes: &[u8], what: &[u8]) -> usize {
    bytes.windows(what.len()).position(|w| w == what).expect("the seed holds it")
}

/// A chunk of a PNG with its check sum (ISO/IEC 15948, 5.3 and annex D).
fn chunk(kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut sum = u32::MAX;
    for byte in kind.iter().chain(data) {
        sum ^= u32::from(*byte);
        for _ in 0..8 {
            sum = if sum & 1 == 1 { sum >> 1 ^ 0xEDB8_8320 } else { sum >> 1 };
        }
    }
    [&(data.len() as u32).to_be_bytes()[..], kind, data, &(!sum).to_be_bytes()].concat()
}

fn png(width: u32, height: u32, depth: u8, colour: u8, more: &[u8]) -> Vec<u8> {
    let size = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[depth, colour, 0, 0, 0]].concat();
    let data = &PNG[at(PNG, b"IDAT") - 4..];
    [b"\x89PNG\r\n\x1A\n", &chunk(b"IHDR", &size)[..], more, data].concat()
}

/// Few bytes that claim much, and pictures that are drawn again and again.
fn bombs(made: &mut Made) {
    for (name, width, height) in
        [("40000.png", 40_000, 40_000), ("wide.png", 200_000, 1), ("max.png", 0x7FFF_FFFF, 0x7FFF_FFFF)]
    {
        made.photo(name, &png(width, height, 8, 2, &[]), Any);
    }
    made.photo("40000-one-bit.png", &png(40_000, 40_000, 1, 0, &[]), Refused("40000 x 40000"));
    made.photo("40000-deep.png", &png(40_000, 40_000, 16, 6, &[]), Refused("40000 x 40000"));
    made.photo("no-size.png", &png(0, 0, 8, 2, &[]), Any);
    made.photo("short-of-rows.png", &png(5000, 5000, 8, 2, &[]), Any);
    made.photo("odd-depth.png", &png(24, 16, 3, 5, &[]), Any);
    made.photo("long-chunk.png", &png(24, 16, 8, 2, b"\xFF\xFF\xFF\xFFtEXt"), Any);
    let texts: Vec<u8> = (0..5000).flat_map(|_| chunk(b"zTXt", b"k\0\0x\x9c\x03\0\0\0\0\x01")).collect();
    made.photo("many-texts.png", &png(24, 16, 8, 2, &texts), Any);
    let frame = JPEG.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    for (name, size) in [("65535.jpg", [0xFF; 4]), ("no-size.jpg", [0; 4]), ("no-lines.jpg", [0, 0, 0, 24])] {
        let mut bytes = JPEG.to_vec();
        bytes[frame + 5..frame + 9].copy_from_slice(&size);
        made.photo(name, &bytes, Any);
    }
    // A progressive picture whose one scan comes thousands of times.
    let frame = PROGRESSIVE.windows(2).position(|w| w == [0xFF, 0xC2]).unwrap();
    let mut bytes = PROGRESSIVE.to_vec();
    bytes[frame + 5..frame + 9].copy_from_slice(&[0x20, 0, 0x20, 0]);
    let scan = bytes.windows(2).position(|w| w == [0xFF, 0xDA]).unwrap();
    let end = scan + 2 + bytes[scan + 2..].windows(2).position(|w| w[0] == 0xFF && w[1] != 0).unwrap();
    let again = bytes[scan..end].to_vec();
    for _ in 0..3000 {
        bytes.splice(end..end, again.iter().copied());
    }
    made.photo("scans.jpg", &bytes, Any);
    let size = at(HEIC, b"ispe") + 8;
    for (name, side) in [("40000.heic", 40_000u32), ("max.heic", u32::MAX), ("no-size.heic", 0)] {
        let mut bytes = HEIC.to_vec();
        bytes[size..size + 4].copy_from_slice(&side.to_be_bytes());
        bytes[size + 4..size + 8].copy_from_slice(&side.to_be_bytes());
        made.photo(name, &bytes, Any);
    }
    // The box of the picture's properties inside itself, a thousand times.
    let mut nested = HEIC[..at(HEIC, b"meta") - 4].to_vec();
    for depth in (1..1000u32).rev() {
        nested.extend((depth * 8 + 8).to_be_bytes());
        nested.extend(b"iprp");
    }
    made.photo("nested.heic", &nested, Any);
    let mut webp = WEBP.to_vec();
    let head = at(&webp, b"VP8");
    webp[head + 14..head + 18].copy_from_slice(&[0xFF, 0x3F, 0xFF, 0x3F]);
    made.photo("16383.webp", &webp, Any);
    let canvas =
        [b"RIFF\x16\0\0\0WEBPVP8X\x0a\0\0\0\0\0\0\0", &[0xFF; 6][..], WEBP.get(12..).unwrap()].concat();
    made.photo("canvas.webp", &canvas, Any);
    made.photo("far.tif", b"II\x2B\0\x08\0\0\0\xFF\xFF\xFF\xFF\xFF\xFF\xFF\x7F", Any);
    made.photo("many-entries.tif", &[b"MM\0\x2A\0\0\0\x08\xFF\xFF", &[0x01; 900][..]].concat(), Any);
    let big = made.root.join("photos/600-mib.tif");
    File::create(&big).unwrap().set_len(600 << 20).unwrap();
    made.photos.push(Bad { path: big, fate: Refused("is 600 MiB") });
}

fn stream(dictionary: &str, content: &str) -> Vec<u8> {
    pdf::stream(dictionary, content.as_bytes())
}

/// A PDF of one page with this content, and further objects from the fifth on.
fn page(content: &str, resources: &str, media: &str, more: Vec<Vec<u8>>) -> Vec<u8> {
    let mut objects = vec![
        b"<</Type/Catalog/Pages 2 0 R>>".to_vec(),
        b"<</Type/Pages/Kids[3 0 R]/Count 1>>".to_vec(),
        format!("<</Type/Page/Parent 2 0 R/MediaBox[{media}]/Contents 4 0 R/Resources<<{resources}>>>>")
            .into(),
        stream("", content),
    ];
    objects.extend(more);
    pdf(&objects)
}

fn pdfs(made: &mut Made) {
    let tall = |n: usize| {
        let kids: String = (0..n).map(|i| format!("{} 0 R ", 3 + i)).collect();
        let mut objects = vec![
            b"<</Type/Catalog/Pages 2 0 R>>".to_vec(),
            format!("<</Type/Pages/Kids[{kids}]/Count {n}>>").into_bytes(),
        ];
        objects.extend((0..n).map(|_| b"<</Type/Page/Parent 2 0 R/MediaBox[0 0 8 8]>>".to_vec()));
        pdf(&objects)
    };
    made.photo("5000-pages.pdf", &tall(5000), Refused("more than 500 pages"));
    made.photo("no-pages.pdf", &tall(0), Refused("without pages"));
    made.photo("locked.pdf", LOCKED, Refused("locked by a password"));
    let form = |n: usize, times: usize| {
        let inner = format!("/F{} Do ", n + 1).repeat(times);
        stream(
            &format!(
                "/Type/XObject/Subtype/Form/BBox[0 0 9 9]/Resources<</XObject<</F{} {} 0 R>>>>",
                n + 1,
                n + 6
            ),
            &inner,
        )
    };
    // Each form draws the next one ten times: ten thousand million in all.
    let mut laughs: Vec<Vec<u8>> = (0..10).map(|n| form(n, 10)).collect();
    laughs.push(stream("/Type/XObject/Subtype/Form/BBox[0 0 9 9]", "0 0 9 9 re f"));
    made.photo("forms-in-forms.pdf", &page("/F0 Do", "/XObject<</F0 5 0 R>>", "0 0 90 90", laughs), Any);
    let own =
        stream("/Type/XObject/Subtype/Form/BBox[0 0 9 9]/Resources<</XObject<</F 5 0 R>>>>", "/F Do /F Do");
    made.photo("form-in-itself.pdf", &page("/F Do", "/XObject<</F 5 0 R>>", "0 0 90 90", vec![own]), Any);
    for (name, media) in [
        ("huge.pdf", "0 0 1000000000 1000000000"),
        ("long.pdf", "0 0 1 100000000"),
        ("flat.pdf", "0 0 0 0"),
        ("turned.pdf", "90 90 0 0"),
        ("no-number.pdf", "0 0 1e99999 nan"),
    ] {
        made.photo(name, &page("0 0 9 9 re f", "", media, vec![]), Any);
    }
    made.photo("many-strokes.pdf", &page(&"0 0 m 90 90 l S ".repeat(30_000), "", "0 0 90 90", vec![]), Any);
    made.photo("deep-content.pdf", &page(&"[".repeat(200_000), "", "0 0 90 90", vec![]), Any);
    made.photo("deep-saves.pdf", &page(&"q ".repeat(200_000), "", "0 0 90 90", vec![]), Any);
    made.photo("deep-object.pdf", &page("", "", "0 0 90 90", vec!["<</A".repeat(100_000).into_bytes()]), Any);
    let ring =
        [b"<</Type/Catalog/Pages 2 0 R>>".to_vec(), b"<</Type/Pages/Kids[2 0 R 2 0 R]/Count 9>>".to_vec()];
    made.photo("page-ring.pdf", &pdf(&ring), Any);
    let counted =
        [b"<</Type/Catalog/Pages 2 0 R>>".to_vec(), b"<</Type/Pages/Kids[]/Count 99999999999>>".to_vec()];
    made.photo("counts-much.pdf", &pdf(&counted), Any);
    for (name, filter) in [
        ("jpx.pdf", "JPXDecode"),
        ("jbig2.pdf", "JBIG2Decode"),
        ("ccitt.pdf", "CCITTFaxDecode"),
        ("lzw.pdf", "LZWDecode"),
        ("flate.pdf", "FlateDecode"),
    ] {
        let image = format!(
            "/Type/XObject/Subtype/Image/Width 30000/Height 30000/ColorSpace/DeviceGray/BitsPerComponent 1/Filter/{filter}"
        );
        let content = "90 0 0 90 0 0 cm /I Do";
        made.photo(
            name,
            &page(content, "/XObject<</I 5 0 R>>", "0 0 90 90", vec![stream(&image, "\u{1}\u{2}junk")]),
            Any,
        );
    }
    let xref = String::from_utf8_lossy(&pdf(&ring)).replace("/Root", "/Prev 9/Root");
    made.photo("xref-ring.pdf", xref.as_bytes(), Any);
    made.photo("only-head.pdf", b"%PDF-1.7\n", Refused("PDF"));
    made.photo("junk.pdf", &[b"%PDF-1.7\n", &[0xA5; 3000][..]].concat(), Refused("PDF"));
}

/// A JPEG with this EXIF (a TIFF, Exif 2.32, 4.5.2).
fn with_exif(tiff: &[u8]) -> Vec<u8> {
    let segment = [b"Exif\0\0", tiff].concat();
    let length = ((segment.len() + 2) as u16).to_be_bytes();
    [&JPEG[..2], &[0xFF, 0xE1], &length, &segment, &JPEG[2..]].concat()
}

/// Directories that lead to themselves, and entries that claim much. The picture
/// around them is good and is read.
fn exif(made: &mut Made) {
    let directory = |entries: &[(u16, u16, u32, u32)], next: u32| {
        let mut bytes = b"MM\0\x2A\0\0\0\x08".to_vec();
        bytes.extend((entries.len() as u16).to_be_bytes());
        for (tag, kind, count, value) in entries {
            bytes.extend(tag.to_be_bytes());
            bytes.extend(kind.to_be_bytes());
            bytes.extend(count.to_be_bytes());
            bytes.extend(value.to_be_bytes());
        }
        bytes.extend(next.to_be_bytes());
        bytes
    };
    let turned = |n: u32| directory(&[(0x0112, 3, 1, n << 16)], 0);
    for (name, tiff) in [
        ("exif-ring", directory(&[], 8)),
        ("exif-in-itself", directory(&[(0x8769, 4, 1, 8)], 0)),
        ("gps-in-itself", directory(&[(0x8825, 4, 1, 8)], 0)),
        ("all-in-itself", directory(&[(0x8769, 4, 1, 8), (0x8825, 4, 1, 8), (0xA005, 4, 1, 8)], 8)),
        ("much", directory(&[(0x9003, 2, u32::MAX, 8), (0x0112, 3, u32::MAX, 8)], 0)),
        ("far", directory(&[(0x9003, 2, 20, u32::MAX)], u32::MAX)),
        ("odd-kind", directory(&[(0x0112, 99, 1, 1), (0x9003, 0, 20, 8)], 0)),
        ("no-turn", turned(0)),
        ("ninth-turn", turned(9)),
        ("last-turn", turned(65_535)),
        ("empty", Vec::new()),
        ("half", b"MM\0".to_vec()),
        ("mixed", b"MI\0\x2A\0\0\0\x08".to_vec()),
        ("place-of-nothing", directory(&[(0x8825, 4, 1, 9)], 0)),
    ] {
        made.photo(format!("{name}.jpg"), &with_exif(&tiff), Used);
    }
    let mut ring = directory(&[(256, 4, 1, 24), (257, 4, 1, 16)], 8);
    ring.extend([0; 64]);
    made.photo("ring.tif", &ring, Any);
    made.photo("in-itself.tif", &directory(&[(330, 4, 1, 8), (0x8769, 4, 1, 8)], 8), Any);
}

/// Names that a terminal, a shell, a page or another file could take for
/// something else. The pictures in them are good.
fn names(made: &mut Made) {
    let long = format!("{}.jpg", "n".repeat(251));
    let names: [&[u8]; 16] = [
        b"two\nlines.jpg",
        b"is empty\nerror: other.jpg: is fine.jpg",
        b"return\r.jpg",
        b"bell\x07.jpg",
        b"clear\x1b[2J\x1b[31mred.jpg",
        b"latin-m\xE9re.jpg",
        b"latin-m\xE8re.jpg",
        b"\xFF\xFE.jpg",
        "right\u{202e}gpj.exe.jpg".as_bytes(),
        b"--help.jpg",
        b"-rf.jpg",
        b" space .jpg",
        b"<img src=x onerror=alert(1)>.jpg",
        b"$(reboot);'\".jpg",
        b"%s%n..\\..\\x.jpg",
        long.as_bytes(),
    ];
    for name in names {
        made.photo(OsStr::from_bytes(name), JPEG, Used);
    }
    for name in [&b"bad\nline.jpg"[..], b"bad\x1b[2J.jpg", b"bad\xFF.jpg", "bad\u{202e}.jpg".as_bytes()] {
        made.photo(OsStr::from_bytes(name), b"", Refused("is empty"));
    }
}

fn links(made: &mut Made) {
    let photos = made.root.join("photos");
    made.link("to-nothing.jpg", "gone.jpg", Refused("does not exist"));
    made.link("to-itself.jpg", "to-itself.jpg", Refused("leads to no file"));
    made.link("ring-a.jpg", "ring-b.jpg", Refused("leads to no file"));
    made.link("ring-b.jpg", "ring-a.jpg", Refused("leads to no file"));
    made.link("above", "..", Any);
    made.link("here", ".", Refused("link back"));
    made.link("zero.jpg", "/dev/zero", Refused("neither a file nor a folder"));
    made.link("random.jpg", "/dev/urandom", Refused("neither a file nor a folder"));
    let pipe = photos.join("pipe.jpg");
    assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
    made.photos.push(Bad { path: pipe, fate: Refused("neither a file nor a folder") });
    let socket = photos.join("socket.jpg");
    drop(std::os::unix::net::UnixListener::bind(&socket).unwrap());
    made.photos.push(Bad { path: socket, fate: Refused("neither a file nor a folder") });
    fs::create_dir(photos.join("folder.jpg")).unwrap();
    fs::write(photos.join("folder.jpg/inside.jpg"), JPEG).unwrap();
}

const ROW: &str = "good,1993-07-14,54.5,-2.2\n";
const HEAD: &str = "occurrenceID,eventDate,decimalLatitude,decimalLongitude\n";

fn text_tables(made: &mut Made) {
    let body = |rows: &str| format!("{HEAD}{rows}{ROW}");
    made.table("empty.csv", "", Refused("hint"));
    made.table("spaces.csv", "  \n \n", Any);
    made.table("mark-only.csv", "\u{feff}", Any);
    made.table("head-only.csv", HEAD, Used);
    made.table("no-column.csv", "a,b\n1,2\n", Any);
    made.table("twice.csv", "eventDate,eventDate\n1993,1994\n", Any);
    made.table("nuls-in-cells.csv", body("a\0b,19\x0093,5\x004,-2\n"), Used);
    made.table("nuls.csv", vec![0; 70_000], Any);
    made.table(
        "nuls-between.csv",
        [body("").into_bytes(), vec![0; 70_000], b"\n".to_vec(), ROW.into()].concat(),
        Used,
    );
    made.table(
        "utf16-le.csv",
        HEAD.encode_utf16().fold(vec![0xFF, 0xFE], |mut v, c| {
            v.extend(c.to_le_bytes());
            v
        }),
        Refused("UTF"),
    );
    made.table(
        "utf16-be.csv",
        HEAD.encode_utf16().fold(vec![0xFE, 0xFF], |mut v, c| {
            v.extend(c.to_be_bytes());
            v
        }),
        Refused("UTF"),
    );
    made.table("latin.csv", [HEAD.as_bytes(), b"M\xE9re,1993,54.5,-2.2\n", ROW.as_bytes()].concat(), Any);
    made.table("unclosed.csv", body(&format!("\"a,1993,54.5,-2.2\n{}", ROW.repeat(300))), Any);
    made.table("unclosed-head.csv", format!("\"eventDate,sex\n{}", "1993,male\n".repeat(50)), Any);
    made.table("unclosed-end.csv", format!("{HEAD}{ROW}\"b,1993,54.5,-2.2\n"), Any);
    made.table("quotes.csv", body("\"a\"b\"c\"\"\"\"\"\",\"\"\"\",,\n"), Any);
    made.table("returns.csv", body("").replace('\n', "\r"), Any);
    made.table("mixed-ends.csv", "eventDate,sex\r1993,male\n1994,male\r\n1995,male\r\r\n", Any);
    made.table("ragged.csv", body("a\na,b,c,d,e,f,g\n,\n\n"), Any);
    made.table("many-fields.csv", body(&format!("{}\n", ",".repeat(100_000))), Any);
    made.table("many-columns.csv", format!("eventDate{}\n1993\n", ",c".repeat(20_000)), Any);
    made.table("long-row.csv", body(&format!("{},1993,54.5,-2.2\n", "a".repeat(3 << 20))), Any);
    made.table("long-cell.csv", body(&format!("\"{}\",1993,54.5,-2.2\n", "a,\n".repeat(1 << 20))), Any);
    made.table("long-head.csv", format!("eventDate,{}\n1993,x\n", "a".repeat(3 << 20)), Any);
    made.table(
        "long-row.tsv",
        format!("occurrenceID\teventDate\n{}\t1993\ngood\t1994\n", "a".repeat(3 << 20)),
        Any,
    );
    made.table(
        "formulas.csv",
        body("=HYPERLINK(\"http://evil.example\"),=1+1,+1,-1\n@SUM(A1),|x,\t=1,'=1\n"),
        Any,
    );
    made.table("markup.csv", body("<script>alert(1)</script>,<b>1993</b>,\"\"\">\",&lt;\n"), Used);
    made.table("markup-head.csv", "eventDate,\"<img src=x onerror=alert(1)>\"\n1993,x\n", Used);
    made.table("escapes.csv", body("\u{1b}[2J,19\u{7}93,\u{202e}5,\u{b}\n"), Used);
    made.table(
        "numbers.csv",
        body("a,99999999999999999999-01-01,1e999,NaN\nb,-0001-00-00,-inf,0x10\nc,1993-07-14/1893,1e-320,٣\n"),
        Used,
    );
    made.table(
        "dates.csv",
        body("a,30.ii.1990,,\nb,0/0/0,,\nc,XIIX.viii.MM,,\nd,1993-W54-8,,\ne,../..,,\nf,Y-170000002,,\n"),
        Used,
    );
    made.table("letters.csv", body("e\u{301}\u{301}\u{301},１９９３,𝟙,½\n"), Used);
    made.table("pipes.csv", "eventDate|sex|recordedBy\n1993|male|x\n1994|male\n", Any);
    made.table("tabs-in.csv", "eventDate\tsex,recordedBy\n1993\tmale,x\n", Any);
    made.table("no-kind.xyz", body(""), Any);
    made.table("picture.csv", JPEG, Any);
    made.table("letters only.csv", "eventDate", Any);
    // A line of 160 MiB, or of a gibibyte in hard weather: a hole, so that the disk
    // does not fill.
    let mib = if std::env::var_os("GLASSINE_WEATHER_SECONDS").is_some() { 1024 } else { 160 };
    let path = made.root.join("tables/endless-line.csv");
    let mut file = File::create(&path).unwrap();
    file.write_all(format!("{HEAD}{ROW}").as_bytes()).unwrap();
    file.set_len(mib << 20).unwrap();
    fs::OpenOptions::new()
        .append(true)
        .open(&path)
        .unwrap()
        .write_all(format!("\n{ROW}").as_bytes())
        .unwrap();
    made.tables.push(Bad { path, fate: Any });
}

fn json_tables(made: &mut Made) {
    let good = "{\"occurrenceID\":\"good\",\"eventDate\":\"1993-07-14\"}\n";
    let with = |line: &str| format!("{good}{line}\n{good}");
    for (name, line) in [
        ("not-json", "eventDate: 1993".to_owned()),
        ("array", "[1,2]".to_owned()),
        ("nested", "{\"eventDate\":{\"year\":1993}}".to_owned()),
        ("deep", format!("{{\"eventDate\":{}", "[".repeat(200_000))),
        ("deep-closed", format!("{}1{}", "{\"a\":".repeat(20_000), "}".repeat(20_000))),
        ("number", "{\"eventDate\":1e999999,\"decimalLatitude\":-0}".to_owned()),
        ("digits", format!("{{\"decimalLatitude\":{}}}", "9".repeat(100_000))),
        ("twice", "{\"eventDate\":\"1993\",\"eventDate\":\"1893\"}".to_owned()),
        ("surrogate", "{\"eventDate\":\"\\ud800\"}".to_owned()),
        ("nul", "{\"eventDate\":\"\0\\u0000\"}".to_owned()),
        ("open", "{\"eventDate\":\"1993".to_owned()),
        ("long", format!("{{\"eventDate\":\"{}\"}}", "a".repeat(3 << 20))),
        ("formula", "{\"eventDate\":\"=1+1\",\"sex\":\"<script>\"}".to_owned()),
    ] {
        made.table(&format!("{name}.jsonl"), with(&line), Any);
    }
    made.table(
        "latin.jsonl",
        [good.as_bytes(), b"{\"eventDate\":\"M\xE9re\"}\n", good.as_bytes()].concat(),
        Any,
    );
}

const META: &str = r#"<archive xmlns="http://rs.tdwg.org/dwc/text/"><core encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\n" fieldsEnclosedBy='"' ignoreHeaderLines="1" rowType="http://rs.tdwg.org/dwc/terms/Occurrence"><files><location>core.csv</location></files><id index="0"/><field index="0" term="http://rs.tdwg.org/dwc/terms/occurrenceID"/><field index="1" term="http://rs.tdwg.org/dwc/terms/eventDate"/><field index="2" term="http://rs.tdwg.org/dwc/terms/decimalLatitude"/><field index="3" term="http://rs.tdwg.org/dwc/terms/decimalLongitude"/></core></archive>"#;

fn zipped(files: &[(&str, &[u8])]) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in files {
        let stored = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
        zip.start_file(*name, stored).unwrap();
        zip.write_all(content).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// An archive whose core unpacks to `mib` MiB of zeros.
pub fn swelling(mib: usize) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    zip.start_file("meta.xml", SimpleFileOptions::default()).unwrap();
    zip.write_all(META.as_bytes()).unwrap();
    zip.start_file("core.csv", SimpleFileOptions::default()).unwrap();
    let part = vec![0; 1 << 20];
    for _ in 0..mib {
        zip.write_all(&part).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

fn archives(made: &mut Made) {
    let core = format!("{HEAD}{ROW}");
    let good = zipped(&[("meta.xml", META.as_bytes()), ("core.csv", core.as_bytes())]);
    let with = |from: &str, to: &str| {
        zipped(&[("meta.xml", META.replace(from, to).as_bytes()), ("core.csv", core.as_bytes())])
    };
    made.table("good.zip", &good, Used);
    made.table("head.zip", "PK\x03\x04rest", Refused("hint"));
    for part in 1..6 {
        made.table(&format!("cut-{part}.zip"), &good[..good.len() * part / 6], Refused("hint"));
    }
    let mut wrong = good.clone();
    let data = at(&wrong, b"good,1993").min(wrong.len() - 1);
    wrong[data] ^= 1;
    made.table("wrong-sum.zip", &wrong, Any);
    made.table("no-meta.zip", zipped(&[("core.csv", core.as_bytes())]), Refused("meta.xml"));
    made.table("no-core.zip", zipped(&[("meta.xml", META.as_bytes())]), Refused("core.csv"));
    made.table("nothing-in.zip", zipped(&[]), Refused("hint"));
    made.table("no-xml.zip", zipped(&[("meta.xml", b"<archive <<<")]), Refused("meta.xml"));
    made.table("no-xml-2.zip", zipped(&[("meta.xml", &[0xFF; 99])]), Refused("meta.xml"));
    let laugh: String =
        (1..10).map(|n| format!("<!ENTITY l{n} \"{}\">", format!("&l{};", n - 1).repeat(10))).collect();
    let laugh = format!("<!DOCTYPE a [<!ENTITY l0 \"ha\">{laugh}]>{}", META.replace("core.csv", "&l9;"));
    made.table("laughs.zip", zipped(&[("meta.xml", laugh.as_bytes()), ("core.csv", core.as_bytes())]), Any);
    let outside = format!(
        "<!DOCTYPE a [<!ENTITY x SYSTEM \"file:///etc/passwd\">]>{}",
        META.replace("core.csv", "&x;")
    );
    made.table(
        "outside.zip",
        zipped(&[("meta.xml", outside.as_bytes()), ("core.csv", core.as_bytes())]),
        Any,
    );
    made.table("deep.zip", zipped(&[("meta.xml", "<a>".repeat(200_000).as_bytes())]), Refused("meta.xml"));
    for (name, to) in [("slip-core.zip", "../../../../etc/passwd"), ("slip-root.zip", "/etc/passwd")] {
        made.table(name, with("core.csv", to), Refused("passwd"));
    }
    let slip = [
        ("meta.xml", META.as_bytes()),
        ("core.csv", core.as_bytes()),
        ("../slipped.csv", b"out"),
        ("../../slipped.csv", b"out"),
        ("/tmp/slipped.csv", b"out"),
        ("..\\slipped.csv", b"out"),
    ];
    made.table("slip.zip", zipped(&slip), Used);
    let slipped =
        [("meta.xml", META.replace("core.csv", "../slipped.csv")), ("../slipped.csv", core.clone())];
    let slipped: Vec<(&str, &[u8])> = slipped.iter().map(|(n, c)| (*n, c.as_bytes())).collect();
    made.table("slip-named.zip", zipped(&slipped), Any);
    made.table("far-column.zip", with("index=\"3\"", "index=\"18446744073709551615\""), Refused("hint"));
    made.table("no-place.zip", with("index=\"3\"", "index=\"-1\""), Any);
    made.table(
        "skip-all.zip",
        with("ignoreHeaderLines=\"1\"", "ignoreHeaderLines=\"18446744073709551615\""),
        Any,
    );
    made.table("two-signs.zip", with("fieldsTerminatedBy=\",\"", "fieldsTerminatedBy=\"||\""), Any);
    made.table("latin.zip", with("UTF-8", "ISO-8859-1"), Any);
    made.table("is-folder.zip", with("core.csv", "folder/"), Refused("folder"));
    let mut method = good.clone();
    for at in [8, at(&good, b"PK\x01\x02") + 10] {
        method[at] = 99;
    }
    made.table("odd-method.zip", &method, Any);
    let mut locked = good.clone();
    for at in [6, at(&good, b"PK\x01\x02") + 8] {
        locked[at] |= 1;
    }
    made.table("locked.zip", &locked, Any);
    made.table("in-itself.zip", zipped(&[("good.zip", &good)]), Refused("meta.xml"));
    made.table("swelling.zip", swelling(270), Refused("unpacks to"));
}
