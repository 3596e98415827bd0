//! Makes the writing easier to find and read: even light, less glare. Pure
//! picture-to-picture functions; the size of the picture never changes here.

/// A photograph made ready for reading, the same size as the original.
#[derive(Clone, Debug)]
pub struct Clean {
    /// Colour with even light, 8-bit RGB.
    pub colour: image::RgbImage,
}
