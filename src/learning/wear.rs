//! A line as it might have been written or photographed a little otherwise, so
//! that a few lines teach a hand and not their own pixels.

use super::training::Chance;
use image::{Rgb, RgbImage};
use imageproc::geometric_transformations::{Border, Interpolation, warp_into_with};

/// The line stretched (0.88 to 1.14), slanted (to 14 degrees either way), taller
/// or lower (0.85 to 1.15), moved up or down (to a sixteenth of its height),
/// paler or darker.
pub fn worn(line: &RgbImage, chance: &mut Chance) -> RgbImage {
    let (width, height) = (line.width() as f32, line.height() as f32);
    let stretch = chance.between(0.88, 1.14);
    let slant = chance.between(-0.25, 0.25);
    let tall = chance.between(0.85, 1.15);
    let shift = chance.between(-height / 16.0, height / 16.0);
    let (gain, light) = (chance.between(0.7, 1.25), chance.between(-25.0, 25.0));
    let mut out = RgbImage::new((width * stretch).round().max(8.0) as u32, line.height());
    let middle = height / 2.0;
    let map = |x: f32, y: f32| {
        ((x + 0.5) / stretch - 0.5 + slant * (y - middle), (y - middle - shift) / tall + middle)
    };
    warp_into_with(line, map, Interpolation::Bilinear, Border::Replicate, &mut out);
    let count = out.as_raw().len().max(1) as f32;
    let mean = out.as_raw().iter().map(|v| f32::from(*v)).sum::<f32>() / count;
    for Rgb(values) in out.pixels_mut() {
        for v in values {
            *v = ((f32::from(*v) - mean) * gain + mean + light).round().clamp(0.0, 255.0) as u8;
        }
    }
    out
}
