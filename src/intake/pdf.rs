//! Draws the pages of a PDF, each a photograph.

use super::{IntakeRules, picture};
use crate::trouble::Trouble;
use hayro::hayro_interpret::InterpreterSettings;
use hayro::hayro_syntax::{DecryptionError, LoadPdfError, Pdf};
use hayro::vello_cpu::color::palette::css::WHITE;
use hayro::{PixmapSettings, RenderCache, RenderSettings, render};
use image::RgbImage;

/// Points an inch, the unit of PDF's pages (ISO 32000-1, 8.3.2.3).
const POINTS: f32 = 72.0;

/// The renderer's sides are 16-bit numbers.
const LONGEST: f32 = 65_535.0;

pub(super) fn open(bytes: Vec<u8>) -> Result<Pdf, Trouble> {
    let pdf = Pdf::new(bytes).map_err(|e| match e {
        LoadPdfError::Decryption(DecryptionError::PasswordProtected) => {
            Trouble::new("", "is locked by a password")
                .hint("open it with the password, print or save it to a PDF without one, and add that")
        }
        LoadPdfError::Decryption(_) => Trouble::new("", "is encrypted in a way that is not read")
            .hint("open it in a PDF program, save it without protection, and add that"),
        LoadPdfError::Invalid => Trouble::new("", "is a damaged PDF")
            .hint("scan or export it again, or save its pages as pictures and add those"),
    })?;
    if pdf.pages().is_empty() {
        return Err(Trouble::new("", "is a PDF without pages").hint("scan or export it again"));
    }
    Ok(pdf)
}

/// Draws the page counted from 0, at the rules' dots an inch; finer or coarser
/// pages than the limits allow are drawn as fine as they allow.
pub(super) fn page(pdf: &Pdf, index: usize, rules: &IntakeRules) -> Result<RgbImage, Trouble> {
    let pages = pdf.pages();
    let page = pages.get(index).ok_or_else(|| Trouble::new("", "is not in the file"))?;
    let (width, height) = page.render_dimensions();
    if !(width >= 1.0 && height >= 1.0 && width.is_finite() && height.is_finite()) {
        return Err(Trouble::new("", "has no size").hint("scan it again"));
    }
    let limit = rules.limits.megapixels as f32 * 1e6;
    let side = LONGEST.min(rules.limits.side as f32);
    let scale = (rules.pdf.dpi / POINTS).min((limit / (width * height)).sqrt()).min(side / width.max(height));
    picture::size((width * scale) as u32, (height * scale) as u32, rules)?;
    // A cache for each page: pages of scans share nothing worth its memory.
    let drawn = render(
        page,
        &RenderCache::new(),
        &InterpreterSettings::default(),
        &RenderSettings::default(),
        &PixmapSettings { x_scale: scale, y_scale: scale, bg_color: WHITE },
    );
    // On white nothing is see-through, so the colours are as they are.
    let (width, height) = (u32::from(drawn.width()), u32::from(drawn.height()));
    let pixels = drawn.data().iter().flat_map(|p| [p.r, p.g, p.b]).collect();
    RgbImage::from_raw(width, height, pixels).ok_or_else(|| Trouble::new("", "could not be drawn"))
}
