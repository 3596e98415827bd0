//! The limits of intake, from `config/intake.toml`.

use crate::settings::{self, Ranges};
use crate::trouble::Result;
use serde::Deserialize;
use std::path::Path;

/// What intake accepts; the reasons stand in `config/intake.toml`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IntakeRules {
    /// Limits of one file.
    pub limits: Limits,
    /// How pages of a PDF become photographs.
    pub pdf: PdfRules,
    /// When two photographs are nearly the same.
    pub likeness: LikenessRules,
    /// Limits of a file of records.
    pub records: RecordsRules,
    /// Limits of what a person types.
    pub typed: TypedRules,
}

/// Limits of one file.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Limits {
    /// Size of the file, in MiB.
    pub file_mib: u64,
    /// Size of the picture, in millions of pixels.
    pub megapixels: u64,
    /// The longest side, in pixels.
    pub side: u32,
    /// How long one photograph may take to decode, in seconds.
    pub seconds: u64,
}

/// Limits of a file of records.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordsRules {
    /// Size of the file, and of each table an archive unpacks to, in MiB.
    pub file_mib: u64,
    /// Size of one row, in KiB.
    pub row_kib: usize,
}

/// Limits of what a person types.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TypedRules {
    /// The longest text of one record, in characters.
    pub record_chars: usize,
}

/// How pages of a PDF become photographs.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PdfRules {
    /// Dots an inch.
    pub dpi: f32,
    /// The largest number of pages taken from one file.
    pub pages: usize,
}

/// When two photographs are nearly the same.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LikenessRules {
    /// The largest number of differing bits, of 256.
    pub bits: u32,
}

impl IntakeRules {
    /// The built-in rules, overlaid by `folder/intake.toml` where it exists.
    ///
    /// # Errors
    /// Names the file, and the value that is outside its range.
    pub fn load(folder: Option<&Path>) -> Result<Self> {
        let rules: IntakeRules =
            settings::table("intake.toml", include_str!("../../config/intake.toml"), folder)?;
        let ranges = Ranges::of("intake.toml", folder);
        ranges.hold("limits.file_mib", rules.limits.file_mib, 1..=4096)?;
        ranges.hold("limits.megapixels", rules.limits.megapixels, 1..=1000)?;
        ranges.hold("limits.side", rules.limits.side, 1000..=65535)?;
        ranges.hold("limits.seconds", rules.limits.seconds, 1..=3600)?;
        ranges.hold("records.file_mib", rules.records.file_mib, 1..=4096)?;
        ranges.hold("records.row_kib", rules.records.row_kib, 1..=65536)?;
        ranges.hold("typed.record_chars", rules.typed.record_chars, 100..=100_000)?;
        ranges.hold("pdf.dpi", rules.pdf.dpi, 72.0..=1200.0)?;
        ranges.hold("pdf.pages", rules.pdf.pages, 1..=10_000)?;
        ranges.hold("likeness.bits", rules.likeness.bits, 0..=64)?;
        Ok(rules)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with(own: &str) -> Result<IntakeRules> {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("intake.toml"), own).unwrap();
        IntakeRules::load(Some(folder.path()))
    }

    #[test]
    fn the_built_in_rules_are_inside_their_own_ranges() {
        assert!(IntakeRules::load(None).is_ok());
    }

    #[test]
    fn one_value_is_replaced_and_the_rest_stays() {
        let rules = with("[pdf]\ndpi = 200\n").unwrap();
        assert_eq!(rules.pdf.dpi, 200.0);
        assert_eq!(rules.limits, IntakeRules::load(None).unwrap().limits);
    }

    #[test]
    fn a_value_out_of_range_is_named_with_its_range() {
        let message = with("[pdf]\ndpi = 9\n").unwrap_err().to_string();
        assert!(
            message.ends_with("intake.toml: pdf.dpi is 9\nhint: give a value from 72 to 1200"),
            "{message}"
        );
    }

    #[test]
    fn a_misspelt_key_is_named() {
        assert!(with("[pdf]\ndpy = 300\n").unwrap_err().to_string().contains("dpy"));
    }
}
