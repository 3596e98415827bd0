//! Finds the files to bring in, among files and folders.

use crate::trouble::{Trouble, shown};
use std::collections::HashSet;
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// What was found.
#[derive(Debug, Default)]
pub struct Found {
    /// The files, in the order given; inside a folder in the order of their
    /// names. No file twice.
    pub files: Vec<PathBuf>,
    /// What was given and could not be used.
    pub troubles: Vec<Trouble>,
}

/// Finds the files to bring in: each path given, and every file in and under
/// each folder given.
///
/// Links are followed; a link that leads back to a folder above it is left out
/// with a trouble. Files and folders whose names start with a dot are left out
/// unless given themselves. What the files hold is not looked at yet.
pub fn find(paths: &[PathBuf]) -> Found {
    let mut found = Found::default();
    // The same file given twice, or once by itself and once by its folder, is
    // one file. What it resolves to is remembered, what was given is kept.
    let mut seen = HashSet::new();
    let mut take = |files: &mut Vec<PathBuf>, path: PathBuf| {
        if seen.insert(path.canonicalize().unwrap_or_else(|_| path.clone())) {
            files.push(path);
        }
    };
    for path in paths {
        match path.metadata() {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                let trouble = Trouble::file(path, "does not exist");
                found.troubles.push(if path.is_symlink() {
                    trouble.hint("the link points to nothing: mend or remove it")
                } else {
                    trouble.hint("check the spelling of the path")
                });
            }
            Err(e) => found.troubles.push(unreadable(path, e)),
            Ok(meta) if meta.is_dir() => {
                let before = found.files.len();
                let mut any = false;
                let walk = WalkDir::new(path).follow_links(true).sort_by_file_name();
                for entry in walk.into_iter().filter_entry(|e| e.depth() == 0 || !hidden(e.path())) {
                    match entry {
                        Ok(entry) if entry.file_type().is_file() => {
                            any = true;
                            take(&mut found.files, entry.into_path());
                        }
                        Ok(entry) if entry.file_type().is_dir() => {}
                        Ok(entry) => {
                            any = true;
                            found.troubles.push(neither(entry.path()));
                        }
                        Err(e) => found.troubles.push(walking(path, e)),
                    }
                }
                if found.files.len() == before && !any {
                    found.troubles.push(Trouble::file(path, "holds no files").hint(
                        "give the folder the photographs are in; names starting with a dot are left out",
                    ));
                }
            }
            Ok(meta) if meta.is_file() => take(&mut found.files, path.clone()),
            Ok(_) => found.troubles.push(neither(path)),
        }
    }
    found
}

fn hidden(path: &Path) -> bool {
    path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."))
}

/// A pipe, socket or device: reading it may never end.
fn neither(path: &Path) -> Trouble {
    Trouble::file(path, "is neither a file nor a folder").hint("give photographs or folders of them")
}

pub(super) fn unreadable(path: &Path, e: std::io::Error) -> Trouble {
    let denied = e.kind() == std::io::ErrorKind::PermissionDenied;
    if !denied && path.is_symlink() && path.metadata().is_err() {
        return Trouble::file(path, "is a link that leads to no file")
            .cause(e)
            .hint("mend or remove the link");
    }
    if e.kind() == std::io::ErrorKind::NotFound {
        return Trouble::file(path, "does not exist").hint("check how it is spelt, and where it lies");
    }
    Trouble::file(path, "cannot be read").cause(e).hint(if denied {
        "give yourself permission to read it, then add it again"
    } else {
        "check that the disk is sound and connected, then add it again"
    })
}

fn walking(root: &Path, e: walkdir::Error) -> Trouble {
    let path = e.path().unwrap_or(root).to_owned();
    if let Some(above) = e.loop_ancestor() {
        return Trouble::file(&path, format!("is a link back to {}, a folder above it", shown(above)))
            .hint("nothing is lost: the photographs there are read once");
    }
    match e.into_io_error() {
        Some(e) if e.kind() == std::io::ErrorKind::NotFound => {
            Trouble::file(&path, "is a link to something that does not exist").hint("mend or remove the link")
        }
        Some(e) => unreadable(&path, e),
        None => Trouble::file(&path, "cannot be read").hint("check the folder"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(found: &Found) -> Vec<String> {
        found.files.iter().map(|f| f.file_name().unwrap().to_string_lossy().into_owned()).collect()
    }

    #[test]
    fn folders_are_searched_in_the_order_of_names_and_hidden_files_left_out() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(folder.path().join("b/deep")).unwrap();
        std::fs::create_dir(folder.path().join(".cache")).unwrap();
        for name in ["c.jpg", "a.jpg", ".hidden.jpg", "b/deep/z.tif", ".cache/thumb.jpg"] {
            std::fs::write(folder.path().join(name), b"x").unwrap();
        }
        let found = find(&[folder.path().to_owned()]);
        assert_eq!(names(&found), ["a.jpg", "z.tif", "c.jpg"]);
        assert!(found.troubles.is_empty());
    }

    #[test]
    fn a_file_given_twice_is_one_file() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("a.jpg");
        std::fs::write(&file, b"x").unwrap();
        let found = find(&[file.clone(), folder.path().to_owned(), folder.path().join("./a.jpg")]);
        assert_eq!(found.files, [file]);
        assert!(found.troubles.is_empty(), "{:?}", found.troubles);
    }

    #[test]
    fn what_is_not_there_is_named_and_the_rest_goes_on() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("empty")).unwrap();
        std::fs::write(folder.path().join("a.jpg"), b"x").unwrap();
        let found = find(&[
            folder.path().join("missing.jpg"),
            folder.path().join("empty"),
            folder.path().join("a.jpg"),
        ]);
        assert_eq!(names(&found), ["a.jpg"]);
        let facts: Vec<_> = found.troubles.iter().map(|t| t.fact.as_str()).collect();
        assert_eq!(facts, ["does not exist", "holds no files"]);
        assert!(found.troubles.iter().all(|t| !t.hint.is_empty()));
    }

    #[cfg(unix)]
    #[test]
    fn a_link_back_to_a_folder_above_ends_and_is_named() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("a.jpg"), b"x").unwrap();
        std::os::unix::fs::symlink(folder.path(), folder.path().join("loop")).unwrap();
        std::os::unix::fs::symlink("nowhere", folder.path().join("dangling.jpg")).unwrap();
        let found = find(&[folder.path().to_owned()]);
        assert_eq!(names(&found), ["a.jpg"]);
        assert_eq!(found.troubles.len(), 2, "{:?}", found.troubles);
    }

    #[cfg(unix)]
    #[test]
    fn a_name_that_is_not_utf_8_is_found() {
        use std::os::unix::ffi::OsStrExt;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join(std::ffi::OsStr::from_bytes(b"L\xe4nge.jpg"));
        std::fs::write(&file, b"x").unwrap();
        assert_eq!(find(&[folder.path().to_owned()]).files, [file]);
    }
}
