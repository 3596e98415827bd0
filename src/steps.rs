//! Saves what each room saw, for a person who wants to know why a line was read
//! as it was: the evened photograph, the lines and labels drawn over it, and
//! every line as the reader sees it.

use crate::geometry::Quad;
use crate::intake::PhotoFacts;
use crate::layout::Page;
use crate::reading::level;
use crate::trouble::{Result, Trouble};
use image::{Rgb, RgbImage};
use imageproc::drawing::draw_line_segment_mut;
use std::path::{Path, PathBuf};

/// The folder that intermediate pictures go to.
pub struct Steps {
    folder: PathBuf,
}

impl Steps {
    /// Makes the folder where it is missing.
    ///
    /// # Errors
    /// Where it cannot be made.
    pub fn new(folder: &Path) -> Result<Self> {
        std::fs::create_dir_all(folder).map_err(|e| {
            Trouble::file(folder, "cannot be made").cause(e).hint("name a folder you may write to")
        })?;
        Ok(Steps { folder: folder.into() })
    }

    /// Saves the pictures of one photograph: `NAME.1-light.jpg`,
    /// `NAME.2-layout.jpg` (labels blue, lines red, longer ones that may be meant
    /// orange, lone signs violet, codes green) and `NAME.3-lines/LABEL-LINE.png`,
    /// those of longer lines and signs ending in `-longer.png` and `-sign.png`.
    ///
    /// # Errors
    /// Where a picture cannot be written.
    pub fn keep(&self, facts: &PhotoFacts, clean: &RgbImage, page: &Page) -> Result<()> {
        let page_number = facts.page.map_or(String::new(), |p| format!("-{p}"));
        let base = format!("{}{page_number}", facts.name.replace(['/', '\\'], "_"));
        self.save(clean, &self.folder.join(format!("{base}.1-light.jpg")))?;
        let mut drawn = clean.clone();
        for label in &page.labels {
            draw(&mut drawn, &label.quad, Rgb([30, 80, 230]));
            for (_, longer) in &label.longer {
                draw(&mut drawn, longer, Rgb([240, 150, 20]));
            }
            for line in &label.lines {
                draw(&mut drawn, line, Rgb([230, 40, 30]));
            }
            for (_, sign) in &label.signs {
                draw(&mut drawn, sign, Rgb([150, 40, 200]));
            }
        }
        for code in &page.codes {
            draw(&mut drawn, &code.quad, Rgb([20, 160, 60]));
        }
        self.save(&drawn, &self.folder.join(format!("{base}.2-layout.jpg")))?;
        let lines = self.folder.join(format!("{base}.3-lines"));
        std::fs::create_dir_all(&lines).map_err(|e| Trouble::file(&lines, "cannot be made").cause(e))?;
        for (i, label) in page.labels.iter().enumerate() {
            let plain = label.lines.iter().enumerate().map(|(j, line)| (j, line, ""));
            let longer = label.longer.iter().map(|(j, line)| (*j, line, "-longer"));
            let signs = label.signs.iter().map(|(j, sign)| (*j, sign, "-sign"));
            for (j, quad, what) in plain.chain(longer).chain(signs) {
                let name = format!("{:02}-{:02}{what}.png", i + 1, j + 1);
                self.save(&level(clean, quad, 48), &lines.join(name))?;
            }
        }
        Ok(())
    }

    fn save(&self, picture: &RgbImage, path: &Path) -> Result<()> {
        picture.save(path).map_err(|e| {
            Trouble::file(path, "cannot be written").cause(e).hint("check the free space and the permissions")
        })
    }
}

fn draw(picture: &mut RgbImage, quad: &Quad, colour: Rgb<u8>) {
    let thick = (picture.width().max(picture.height()) / 800).max(1) as i32;
    for i in 0..4 {
        let (a, b) = (quad.0[i], quad.0[(i + 1) % 4]);
        for shift in 0..thick {
            let shift = shift as f32;
            draw_line_segment_mut(picture, (a.x + shift, a.y), (b.x + shift, b.y), colour);
            draw_line_segment_mut(picture, (a.x, a.y + shift), (b.x, b.y + shift), colour);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layout::Label;

    #[test]
    fn every_step_of_a_photograph_is_saved() {
        let folder = tempfile::tempdir().unwrap();
        let quad = Quad::upright(10.0, 10.0, 90.0, 30.0);
        let page = Page {
            labels: vec![Label {
                quad,
                lines: vec![quad],
                hand: vec![0.5],
                surely_upright: true,
                longer: vec![(0, Quad::upright(10.0, 10.0, 95.0, 30.0))],
                signs: vec![(0, Quad::upright(92.0, 8.0, 98.0, 32.0))],
            }],
            codes: Vec::new(),
        };
        let facts = PhotoFacts { name: "envelope.jpg".into(), ..PhotoFacts::default() };
        Steps::new(folder.path()).unwrap().keep(&facts, &RgbImage::new(100, 40), &page).unwrap();
        for (name, width) in [("01-01", 192), ("01-01-longer", 204), ("01-01-sign", 12)] {
            let line = image::open(folder.path().join(format!("envelope.jpg.3-lines/{name}.png"))).unwrap();
            assert_eq!((line.width(), line.height()), (width, 48), "{name}");
        }
        assert!(folder.path().join("envelope.jpg.2-layout.jpg").exists());
    }
}
