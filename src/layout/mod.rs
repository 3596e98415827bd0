//! Finds where the writing is: lines as quads, grouped into the labels they
//! stand on, and bar codes.

use crate::geometry::Quad;
use serde::{Deserialize, Serialize};

/// A bar code or two-dimensional code found on the photograph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Code {
    /// What it says.
    pub text: String,
    /// The symbology's usual name, for example `CODE_39` or `QR_CODE`.
    pub symbology: String,
    /// Where it is.
    pub quad: Quad,
}

/// One label: a block of writing of its own (a pin label, an envelope's face,
/// a notebook page), with its lines from top to bottom.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// The area of the label's writing.
    pub quad: Quad,
    /// Its lines in reading order; never empty.
    pub lines: Vec<Quad>,
}

/// What a photograph shows: labels in reading order, and codes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Page {
    /// The labels, top to bottom, left to right.
    pub labels: Vec<Label>,
    /// The codes.
    pub codes: Vec<Code>,
}
