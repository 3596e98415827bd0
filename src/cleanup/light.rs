//! Evens the light of a photograph.
//!
//! The light is taken to be what the lightest things nearby show: paper. A
//! small copy of the picture gives, for every place, a high tone of its
//! neighbourhood (the closing of grey-scale morphology: dilation over ink, then
//! erosion back), smoothed; every pixel is divided by it. Ink keeps its
//! contrast to the paper it stands on, shadows and dark corners come up.

use super::CleanupRules;
use image::{GrayImage, RgbImage};
use imageproc::filter::gaussian_blur_f32;

/// Longer side of the small copy on which the light is looked at, in pixels.
const COPY: u32 = 256;

/// How much darker the darkest tenth of a photograph's light is than the lightest, 0 (even) to 1.
pub fn unevenness(picture: &RgbImage, rules: &CleanupRules) -> f32 {
    let light = light(picture, rules);
    let mut tones: Vec<u8> = light.into_raw();
    tones.sort_unstable();
    let at = |share: f32| f32::from(tones[((tones.len() - 1) as f32 * share) as usize]);
    let (dark, bright) = (at(0.1), at(0.95));
    if bright > 0.0 { 1.0 - dark / bright } else { 0.0 }
}

/// The photograph as it would look in even light.
pub fn even_light(picture: &RgbImage, rules: &CleanupRules) -> RgbImage {
    let light = light(picture, rules);
    // Nothing is brightened more than four times: deep shadow is noise.
    let most = f32::from(light.iter().copied().max().unwrap_or(255)).max(1.0);
    let (sx, sy) =
        (light.width() as f32 / picture.width() as f32, light.height() as f32 / picture.height() as f32);
    let mut out = picture.clone();
    for (x, y, pixel) in out.enumerate_pixels_mut() {
        let tone = between(&light, (x as f32 + 0.5) * sx - 0.5, (y as f32 + 0.5) * sy - 0.5);
        let gain = (most / tone.max(1.0)).min(4.0);
        pixel.0 = pixel.0.map(|v| (f32::from(v) * gain).min(255.0) as u8);
    }
    out
}

/// The light on a small copy of the picture: 8-bit tones.
fn light(picture: &RgbImage, rules: &CleanupRules) -> GrayImage {
    let (w, h) = picture.dimensions();
    let scale = (COPY as f32 / w.max(h) as f32).min(1.0);
    let (w, h) = (((w as f32 * scale) as u32).max(1), ((h as f32 * scale) as u32).max(1));
    let small = image::imageops::grayscale(&image::imageops::thumbnail(picture, w, h));
    let reach = (rules.reach * w.max(h) as f32).max(1.0);
    let closed = widen(&widen(&small, reach as i32, u8::max), reach as i32, u8::min);
    gaussian_blur_f32(&closed, reach.max(0.5))
}

/// Grey-scale dilation (`pick` the larger) or erosion (the smaller) over a
/// square of `reach` pixels each way.
fn widen(picture: &GrayImage, reach: i32, pick: fn(u8, u8) -> u8) -> GrayImage {
    let (w, h) = (picture.width() as i32, picture.height() as i32);
    let row = GrayImage::from_fn(picture.width(), picture.height(), |x, y| {
        let near = (x as i32 - reach).max(0)..=(x as i32 + reach).min(w - 1);
        image::Luma([near.map(|x| picture.get_pixel(x as u32, y)[0]).reduce(pick).unwrap_or(0)])
    });
    GrayImage::from_fn(picture.width(), picture.height(), |x, y| {
        let near = (y as i32 - reach).max(0)..=(y as i32 + reach).min(h - 1);
        image::Luma([near.map(|y| row.get_pixel(x, y as u32)[0]).reduce(pick).unwrap_or(0)])
    })
}

/// The tone between pixels, linearly.
fn between(picture: &GrayImage, x: f32, y: f32) -> f32 {
    let (x, y) = (x.clamp(0.0, picture.width() as f32 - 1.0), y.clamp(0.0, picture.height() as f32 - 1.0));
    let (l, t) = (x as u32, y as u32);
    let (r, b) = ((l + 1).min(picture.width() - 1), (t + 1).min(picture.height() - 1));
    let (u, v) = (x - l as f32, y - t as f32);
    let at = |x, y| f32::from(picture.get_pixel(x, y)[0]);
    (at(l, t) * (1.0 - u) + at(r, t) * u) * (1.0 - v) + (at(l, b) * (1.0 - u) + at(r, b) * u) * v
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::Rgb;

    /// Paper that gets darker to the right, with strokes of ink a quarter as
    /// light as the paper they stand on.
    fn shaded() -> RgbImage {
        RgbImage::from_fn(400, 200, |x, y| {
            let paper = 240.0 - 0.45 * x as f32;
            let ink = x % 40 < 4 && y % 50 < 30;
            Rgb([(if ink { paper / 4.0 } else { paper }) as u8; 3])
        })
    }

    #[test]
    fn paper_becomes_as_light_in_the_shade_and_ink_keeps_its_contrast() {
        let even = even_light(&shaded(), &CleanupRules::built_in());
        let tone = |x: u32, y: u32| f32::from(even.get_pixel(x, y)[0]);
        assert!((tone(30, 40) - tone(390, 40)).abs() < 12.0, "{} and {}", tone(30, 40), tone(390, 40));
        assert!(tone(362, 10) < 0.35 * tone(390, 40));
    }

    #[test]
    fn the_spread_of_the_light_is_measured() {
        let spread = |picture: &RgbImage| unevenness(picture, &CleanupRules::built_in());
        assert!(spread(&RgbImage::from_pixel(300, 200, Rgb([200; 3]))) < 0.02);
        assert!(spread(&shaded()) > 0.5);
    }

    #[test]
    fn one_pixel_one_row_and_black_are_left_as_they_are() {
        for picture in [
            RgbImage::from_pixel(1, 1, Rgb([90; 3])),
            RgbImage::from_pixel(50, 1, Rgb([90; 3])),
            RgbImage::new(20, 20),
        ] {
            assert_eq!(even_light(&picture, &CleanupRules::built_in()), picture);
        }
    }
}
