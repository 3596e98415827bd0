//! Looks for what cannot be true or is not certain, and says so in one plain
//! sentence with its evidence.

use serde::{Deserialize, Serialize};

/// A reason for a person to look.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Doubt {
    /// The kind, a short fixed name in kebab case, for filters and counts, for
    /// example `date-in-the-future`.
    pub kind: String,
    /// The Darwin Core terms it concerns.
    pub terms: Vec<String>,
    /// One plain sentence with the evidence, for example `The label gives
    /// 31 June 1952, but June has 30 days.`
    pub sentence: String,
    /// How likely the record is wrong because of it, 0 (a remark) to 1.
    pub weight: f32,
}
