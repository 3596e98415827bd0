//! How sure a field is: the reading's sureness and the rule's, brought to a
//! probability that was measured.
//!
//! A rule says how often its kind of find is right when the words are read
//! right; the reader says how sure it is of the letters. Their product orders
//! the fields well but is no probability. A logistic curve for each term,
//! fitted on photographs with known records (`config/confidence.toml` says
//! which and how), makes it one.

use crate::settings;
use crate::trouble::Result;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::Path;

/// One curve: `1 / (1 + exp(-(a + b * logit(raw))))`.
#[derive(Clone, Copy, Debug, Deserialize)]
struct Curve {
    a: f32,
    b: f32,
}

#[derive(Debug, Deserialize)]
struct File {
    default: Curve,
    #[serde(default)]
    terms: BTreeMap<String, Curve>,
    letters: Letters,
}

#[derive(Clone, Copy, Debug, Deserialize)]
struct Letters {
    mean: f32,
    weakest: f32,
}

/// The curves of `config/confidence.toml`.
#[derive(Debug)]
pub struct Calibration(File);

impl Calibration {
    /// Loads the curves.
    ///
    /// # Errors
    /// Names the file and the line that does not fit.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let file = settings::table("confidence.toml", include_str!("../../config/confidence.toml"), folder)?;
        Ok(Calibration(file))
    }

    /// Before calibration: the rule's certainty and the reading's, together.
    /// `mean` and `weakest` are the mean and lowest probability of the letters.
    pub fn raw(&self, certainty: f32, mean: f32, weakest: f32) -> f32 {
        let reading = mean.clamp(0.0, 1.0).powf(self.0.letters.mean)
            * weakest.clamp(0.02, 1.0).powf(self.0.letters.weakest);
        (certainty * reading).clamp(0.01, 0.99)
    }

    /// The probability that a field of `term` with this raw score is right.
    pub fn probability(&self, term: &str, raw: f32) -> f32 {
        let curve = self.0.terms.get(term).unwrap_or(&self.0.default);
        let raw = raw.clamp(0.005, 0.995);
        let logit = (raw / (1.0 - raw)).ln();
        1.0 / (1.0 + (-(curve.a + curve.b * logit)).exp())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_worse_reading_is_less_sure_and_all_stay_probabilities() {
        let c = Calibration::load(None).unwrap();
        assert!(c.raw(0.9, 0.99, 0.95) > c.raw(0.9, 0.99, 0.3));
        for term in ["eventDate", "recordedBy", "habitat"] {
            let mut last = 0.0;
            for i in 0..=100 {
                let p = c.probability(term, i as f32 / 100.0);
                assert!((0.0..=1.0).contains(&p) && p >= last, "{term} {i}");
                last = p;
            }
        }
    }
}
