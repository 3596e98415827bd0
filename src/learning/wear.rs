//! A line as it might have been written or photographed a little otherwise, so
//! that a few lines teach a hand and not their own pixels.

use super::training::Chance;
use image::{Rgb, RgbImage};
use imageproc::geometric_transformations::{Border, Interpolation, warp_into_with};

/// The line stretched (by a factor of 0.75 to 1.35), slanted (to 20 degrees either
/// way), taller or lower (0.85 to 1.15), moved up or down (to a sixteenth of its
/// height), its strokes bolder or finer, softer, paler or darker.
pub fn worn(line: &RgbImage, chance: &mut Chance) -> RgbImage {
    let (width, height) = (line.width() as f32, line.height() as f32);
    let stretch = chance.between(-0.29, 0.3).exp();
    let slant = chance.between(-0.36, 0.36);
    let tall = chance.between(0.85, 1.15);
    let shift = chance.between(-height / 16.0, height / 16.0);
    let (gain, light) = (chance.between(0.6, 1.3), chance.between(-25.0, 25.0));
    let mut out = RgbImage::new((width * stretch).round().max(8.0) as u32, line.height());
    let middle = height / 2.0;
    let map = |x: f32, y: f32| {
        ((x + 0.5) / stretch - 0.5 + slant * (y - middle), (y - middle - shift) / tall + middle)
    };
    warp_into_with(line, map, Interpolation::Bilinear, Border::Replicate, &mut out);
    match chance.draw() {
        kind if kind < 0.15 => out = stroked(&out, u8::min),
        kind if kind < 0.3 => out = stroked(&out, u8::max),
        _ => {}
    }
    if chance.draw() < 0.3 {
        out = image::imageops::blur(&out, chance.between(0.3, 0.9));
    }
    let count = out.as_raw().len().max(1) as f32;
    let mean = out.as_raw().iter().map(|v| f32::from(*v)).sum::<f32>() / count;
    for Rgb(values) in out.pixels_mut() {
        for v in values {
            *v = ((f32::from(*v) - mean) * gain + mean + light).round().clamp(0.0, 255.0) as u8;
        }
    }
    out
}

/// Every pixel as dark (`u8::min`) or as light (`u8::max`) as the one to the right
/// and the one below, where those are more so.
fn stroked(line: &RgbImage, more: fn(u8, u8) -> u8) -> RgbImage {
    let (width, height) = line.dimensions();
    RgbImage::from_fn(width, height, |x, y| {
        let (right, below) =
            (line.get_pixel((x + 1).min(width - 1), y), line.get_pixel(x, (y + 1).min(height - 1)));
        let own = line.get_pixel(x, y);
        Rgb([0, 1, 2].map(|k| more(own[k], more(right[k], below[k]))))
    })
}
