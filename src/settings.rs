//! The tables of `config/`: built in, and overlaid by the user's own.
//!
//! Every table ships inside the program. A collection folder's `config/` may
//! hold a file of the same name; its keys then replace the built-in ones, table
//! by table, so that a new language or collector is a line in a file.

use crate::trouble::{Result, Trouble};
use serde::de::DeserializeOwned;
use std::fmt::Display;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

/// Reads the built-in table `text` (named `name`, for messages) overlaid by
/// `folder/name` where that file exists.
///
/// Tables merge key by key, to any depth; any other value, lists too, is
/// replaced by the user's.
///
/// # Errors
/// Names the file and the line that is not TOML or does not fit `T`.
pub fn table<T: DeserializeOwned>(name: &str, text: &str, folder: Option<&Path>) -> Result<T> {
    let built_in =
        |e: toml::de::Error| Trouble::new(format!("config/{name} (built in)"), "cannot be read").cause(e);
    let mut value: toml::Table = text.parse().map_err(built_in)?;
    let path = folder.map(|f| f.join(name)).filter(|p| p.exists());
    if let Some(path) = &path {
        let own = std::fs::read_to_string(path)
            .map_err(|e| Trouble::file(path, "cannot be read").cause(e).hint("check its permissions"))?;
        let own: toml::Table = own.parse().map_err(|e: toml::de::Error| {
            Trouble::file(path, "is not valid TOML")
                .cause(e)
                .hint("mend the line named, or remove the file to use the built-in table")
        })?;
        merge(&mut value, own);
    }
    value.try_into().map_err(|e: toml::de::Error| match &path {
        Some(path) => Trouble::file(path, "does not fit the table it overlays")
            .cause(e)
            .hint(format!("compare it with config/{name} of the program")),
        None => built_in(e),
    })
}

/// Holds the values of a table within the ranges that it documents.
pub struct Ranges {
    /// The user's own file, or the one that ships, for messages.
    file: PathBuf,
}

impl Ranges {
    /// Of the table `name`, overlaid by `folder/name` where there is a folder.
    pub fn of(name: &str, folder: Option<&Path>) -> Self {
        Ranges { file: folder.unwrap_or(Path::new("config")).join(name) }
    }

    /// Refuses a value outside its range.
    ///
    /// # Errors
    /// Names the file, the key, its value and the range.
    pub fn hold<T: PartialOrd + Display>(&self, key: &str, value: T, range: RangeInclusive<T>) -> Result<()> {
        if range.contains(&value) {
            return Ok(());
        }
        Err(Trouble::file(&self.file, format!("{key} is {value}")).hint(format!(
            "give a value from {} to {}",
            range.start(),
            range.end()
        )))
    }
}

fn merge(base: &mut toml::Table, own: toml::Table) {
    for (key, value) in own {
        match (base.get_mut(&key), value) {
            (Some(toml::Value::Table(base)), toml::Value::Table(own)) => merge(base, own),
            (_, value) => {
                base.insert(key, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    type Months = BTreeMap<String, BTreeMap<String, u8>>;

    #[test]
    fn the_users_keys_are_laid_over_the_built_in_ones() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("m.toml"), "[months]\nheuert = 7\n").unwrap();
        let months: Months = table("m.toml", "[months]\njuly = 7\n", Some(folder.path())).unwrap();
        assert_eq!(months["months"].len(), 2);
    }

    #[test]
    fn a_damaged_table_is_named_with_its_line() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("m.toml"), "[months\n").unwrap();
        let error = table::<Months>("m.toml", "", Some(folder.path())).unwrap_err().to_string();
        assert!(error.contains("m.toml") && error.contains("line 1"), "{error}");
    }
}
