//! Makes the writing easier to find and read: even light. Glare is left as it is. Pure
//! picture-to-picture functions; the size of the picture never changes here.

mod light;

use light::{even_light, unevenness};

use crate::settings;
use crate::trouble::Result;
use image::RgbImage;
use serde::Deserialize;
use std::path::Path;

/// The numbers of `config/cleanup.toml`; the file says what each does.
#[derive(Clone, Copy, Debug, Deserialize)]
#[allow(missing_docs)]
pub struct CleanupRules {
    pub reach: f32,
    pub even_from: f32,
}

impl CleanupRules {
    /// The built-in rules, overlaid by `folder/cleanup.toml`.
    ///
    /// # Errors
    /// Names the user's file and what is wrong in it, values out of range too.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: Self = settings::table("cleanup.toml", include_str!("../../config/cleanup.toml"), folder)?;
        let ranges = settings::Ranges::of("cleanup.toml", folder);
        ranges.hold("reach", rules.reach, 0.01..=0.1)?;
        ranges.hold("even_from", rules.even_from, 0.1..=0.9)?;
        Ok(rules)
    }

    /// The built-in rules.
    pub fn built_in() -> Self {
        Self::load(None).expect("the built-in table fits")
    }
}

/// A photograph made ready for reading, the same size as the original, 8-bit RGB: its light is
/// evened where that is worth it.
pub fn clean(picture: RgbImage, rules: &CleanupRules) -> RgbImage {
    if unevenness(&picture, rules) > rules.even_from { even_light(&picture, rules) } else { picture }
}
