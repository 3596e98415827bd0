//! Sheets as a printer would put them on paper: rendered by Poppler, measured in
//! millimetres.

use image::GrayImage;
use std::process::Command;

/// Sheet `page` (from 0) rendered at `dpi`; nothing where Poppler is missing.
pub fn rendered(pdf: &[u8], page: usize, dpi: u32) -> Option<GrayImage> {
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("labels.pdf");
    std::fs::write(&file, pdf).unwrap();
    let page = (page + 1).to_string();
    let done = Command::new("pdftoppm")
        .args(["-r", &dpi.to_string(), "-gray", "-png", "-singlefile", "-f", &page, "-l", &page])
        .arg(&file)
        .arg(place.path().join("sheet"))
        .status();
    match done {
        Ok(status) => {
            assert!(status.success(), "pdftoppm refuses the file");
            Some(image::open(place.path().join("sheet.png")).unwrap().into_luma8())
        }
        Err(_) => {
            println!("skipped: pdftoppm is missing (./setup.sh tests installs it)");
            None
        }
    }
}

/// A scanned PDF: JPEG pictures of the given sizes in pixels, a page each, at 150
/// dots an inch (ISO 32000-1, 7.5 and 8.9).
pub fn scanned(pictures: &[(Vec<u8>, (u32, u32))]) -> Vec<u8> {
    let mut bytes = b"%PDF-1.4\n".to_vec();
    let mut offsets = Vec::new();
    let mut object = |bytes: &mut Vec<u8>, body: &[u8]| {
        offsets.push(bytes.len());
        bytes.extend(format!("{} 0 obj\n", offsets.len()).bytes());
        bytes.extend(body);
        bytes.extend(b"\nendobj\n");
    };
    let kids: String = (0..pictures.len()).map(|i| format!("{} 0 R ", 3 + 3 * i)).collect();
    object(&mut bytes, b"<</Type/Catalog/Pages 2 0 R>>");
    object(&mut bytes, format!("<</Type/Pages/Kids[{kids}]/Count {}>>", pictures.len()).as_bytes());
    for (i, (jpeg, (width, height))) in pictures.iter().enumerate() {
        let (w, h) = (*width as f32 * 72.0 / 150.0, *height as f32 * 72.0 / 150.0);
        let (content, picture) = (4 + 3 * i, 5 + 3 * i);
        let page = format!(
            "<</Type/Page/Parent 2 0 R/MediaBox[0 0 {w} {h}]/Contents {content} 0 R\
             /Resources<</XObject<</I {picture} 0 R>>>>>>"
        );
        object(&mut bytes, page.as_bytes());
        let draw = format!("q {w} 0 0 {h} 0 0 cm /I Do");
        object(&mut bytes, format!("<</Length {}>>stream\n{draw}\nendstream", draw.len() + 1).as_bytes());
        let head = format!(
            "<</Type/XObject/Subtype/Image/Width {width}/Height {height}/ColorSpace/DeviceRGB\
             /BitsPerComponent 8/Filter/DCTDecode/Length {}>>stream\n",
            jpeg.len()
        );
        object(&mut bytes, &[head.as_bytes(), jpeg, b"\nendstream"].concat());
    }
    let start = bytes.len();
    bytes.extend(format!("xref\n0 {}\n0000000000 65535 f \n", offsets.len() + 1).bytes());
    for offset in &offsets {
        bytes.extend(format!("{offset:010} 00000 n \n").bytes());
    }
    let size = offsets.len() + 1;
    bytes.extend(format!("trailer<</Size {size}/Root 1 0 R>>\nstartxref\n{start}\n%%EOF\n").bytes());
    bytes
}

/// Where the dark of a line lies, in millimetres: the centroid of the darkness
/// within 0.5 mm of `near`, over the stretch `along` of the other direction.
pub fn line_at(picture: &GrayImage, dpi: u32, upright: bool, near: f32, along: (f32, f32)) -> f32 {
    let px = |mm: f32| (mm * dpi as f32 / 25.4).round() as u32;
    let (mut sum, mut weight) = (0.0f64, 0.0f64);
    for at in px(near - 0.5)..=px(near + 0.5) {
        for other in px(along.0)..px(along.1) {
            let (x, y) = if upright { (at, other) } else { (other, at) };
            let dark = f64::from(255 - picture.get_pixel(x, y)[0]);
            sum += dark * (f64::from(at) + 0.5);
            weight += dark;
        }
    }
    assert!(weight > 0.0, "no line near {near} mm");
    (sum / weight * 25.4 / f64::from(dpi)) as f32
}
