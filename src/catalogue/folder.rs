//! The collection folder on the disk: where its parts are, and how a
//! photograph is laid down so that it is whole or not there at all.

use crate::files::ARRIVING;
use crate::trouble::{Result, Trouble};
use std::io::Write;
use std::path::{Path, PathBuf};

const README: &str = "\
Your own tables go here.

A file of the same name as one of the program's tables is laid over it, key by
key: what you write replaces or adds to what is built in, everything else stays.
A new collector, place, month name or abbreviation is one line. Remove a file to
go back to what is built in.

The program's tables, with every key explained, are in its own config folder.
";

/// A collection folder and the places in it.
#[derive(Clone, Debug)]
pub struct Folder {
    path: PathBuf,
}

impl Folder {
    /// Makes an empty collection folder at `path`, which may exist if it is
    /// empty; its database is made by [`super::Catalogue::create`].
    pub(super) fn make(path: &Path) -> Result<Folder> {
        let folder = Folder { path: path.to_owned() };
        if folder.database().exists() {
            return Err(Trouble::file(path, "is a collection folder already")
                .hint(format!("add photographs with: glassine add {} PHOTOS", path.display())));
        }
        match std::fs::read_dir(path) {
            Ok(mut entries) => {
                if entries.next().is_some() {
                    return Err(Trouble::file(path, "exists and is not empty")
                        .hint("name a folder that does not exist yet, or an empty one"));
                }
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) if e.kind() == std::io::ErrorKind::NotADirectory => {
                return Err(Trouble::file(path, "is a file, not a folder").hint("name another place"));
            }
            Err(e) => {
                return Err(Trouble::file(path, "cannot be looked into")
                    .cause(e)
                    .hint("check its permissions, or name another place"));
            }
        }
        for part in [path.to_owned(), folder.photos(), folder.config()] {
            std::fs::create_dir_all(&part).map_err(|e| write_trouble(&part, "cannot be made", e))?;
        }
        let readme = folder.config().join("README.txt");
        std::fs::write(&readme, README).map_err(|e| write_trouble(&readme, "cannot be written", e))?;
        Ok(folder)
    }

    /// The collection folder at `path`.
    ///
    /// # Errors
    /// Says what `path` is instead, where it is not a collection folder.
    pub(super) fn at(path: &Path) -> Result<Folder> {
        let folder = Folder { path: path.to_owned() };
        let new = format!("make one with: glassine new {}", path.display());
        if !path.exists() {
            return Err(Trouble::file(path, "does not exist").hint(new));
        }
        if !path.is_dir() {
            return Err(Trouble::file(path, "is a file, not a collection folder")
                .hint("name the folder that holds catalogue.db"));
        }
        if !folder.database().is_file() {
            return Err(Trouble::file(path, "is not a collection folder: it holds no catalogue.db")
                .hint(format!("name the folder that holds catalogue.db, or {new}")));
        }
        Ok(folder)
    }

    /// The places of a folder, whether it is there or not.
    pub(super) fn unchecked(path: &Path) -> Folder {
        Folder { path: path.to_owned() }
    }

    /// The folder itself.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The database.
    pub fn database(&self) -> PathBuf {
        self.path.join("catalogue.db")
    }

    /// Where the original photographs are.
    pub fn photos(&self) -> PathBuf {
        self.path.join("photos")
    }

    /// Where the user's own tables are.
    pub fn config(&self) -> PathBuf {
        self.path.join("config")
    }

    /// Where what the reader learned of this collection's hand is.
    pub fn reader(&self) -> PathBuf {
        self.path.join("reader")
    }

    /// Lays down the original `bytes` as `photos/<two digits>/<hash>.<ext>` and
    /// gives the path below `photos/`. A file already there with that name is
    /// left as it is, since its name is its content.
    ///
    /// The bytes go to a file beside, are synced, made read-only and renamed:
    /// no crash leaves half a photograph under its name.
    pub(super) fn lay_down(&self, bytes: &[u8], hash: &str, ext: &str) -> Result<String> {
        let ext: String =
            ext.chars().filter(char::is_ascii_alphanumeric).take(8).collect::<String>().to_lowercase();
        let ext = if ext.is_empty() { "photo".to_owned() } else { ext };
        let name = format!("{}/{hash}.{ext}", &hash[..2]);
        let target = self.photos().join(&name);
        if target.exists() {
            return Ok(name);
        }
        let shelf = self.photos().join(&hash[..2]);
        let failed = |e: std::io::Error| write_trouble(&target, "cannot be written", e);
        std::fs::create_dir_all(&shelf).map_err(failed)?;
        let mut file = tempfile::Builder::new().prefix(ARRIVING).tempfile_in(&shelf).map_err(failed)?;
        file.write_all(bytes).map_err(failed)?;
        let mut permissions = file.as_file().metadata().map_err(failed)?.permissions();
        permissions.set_readonly(true);
        file.as_file().set_permissions(readable(permissions)).map_err(failed)?;
        file.as_file().sync_all().map_err(failed)?;
        match file.persist_noclobber(&target) {
            Ok(_) => {}
            Err(e) if target.exists() => drop(e),
            Err(e) => return Err(failed(e.error)),
        }
        sync_folder(&shelf).and_then(|()| sync_folder(&self.photos())).map_err(failed)?;
        Ok(name)
    }
}

/// A file that has been arriving for longer than this is what a crash left:
/// the largest photograph is written in seconds.
const LEFT_OVER: std::time::Duration = std::time::Duration::from_secs(3600);

impl Folder {
    /// Removes what crashes left half written, and gives how many files that
    /// were. Files that another program may still be writing are younger and
    /// stay. One that cannot be removed stays too: it harms nothing.
    pub(super) fn sweep(&self) -> u64 {
        let mut swept = 0;
        let beside = walkdir::WalkDir::new(self.path()).max_depth(1);
        let shelves = walkdir::WalkDir::new(self.photos()).max_depth(2);
        let config = walkdir::WalkDir::new(self.config());
        for entry in beside.into_iter().chain(shelves).chain(config).filter_map(|e| e.ok()) {
            let arriving = entry.file_name().to_string_lossy().starts_with(ARRIVING);
            if !arriving || !entry.file_type().is_file() {
                continue;
            }
            let age = entry.metadata().ok().and_then(|m| m.modified().ok()).and_then(|m| m.elapsed().ok());
            if age.is_some_and(|a| a > LEFT_OVER) && std::fs::remove_file(entry.path()).is_ok() {
                swept += 1;
            }
        }
        swept
    }
}

/// Temporary files are for their owner alone; a photograph may be read by
/// whoever may read the folder.
#[cfg(unix)]
fn readable(mut permissions: std::fs::Permissions) -> std::fs::Permissions {
    use std::os::unix::fs::PermissionsExt;
    permissions.set_mode(0o444);
    permissions
}

#[cfg(not(unix))]
fn readable(permissions: std::fs::Permissions) -> std::fs::Permissions {
    permissions
}

/// Makes a rename inside `folder` outlast a power cut.
#[cfg(unix)]
fn sync_folder(folder: &Path) -> std::io::Result<()> {
    std::fs::File::open(folder)?.sync_all()
}

#[cfg(not(unix))]
fn sync_folder(_: &Path) -> std::io::Result<()> {
    Ok(())
}

/// A failed write to `path`, with the next step by its kind.
pub(super) fn write_trouble(path: &Path, fact: &str, error: std::io::Error) -> Trouble {
    use std::io::ErrorKind::{PermissionDenied, ReadOnlyFilesystem, StorageFull};
    let hint = match error.kind() {
        StorageFull => "the disk is full: free some space and run the same command again; nothing is lost",
        PermissionDenied | ReadOnlyFilesystem => {
            "the folder is read-only: check its permissions, or work on a copy that can be written"
        }
        _ => "check that the disk is there and can be written, then run the same command again",
    };
    Trouble::file(path, fact).cause(error).hint(hint)
}
