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
