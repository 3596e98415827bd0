//! Files that appear whole or not at all.
//!
//! What is written grows in a temporary file beside its place and takes its name
//! when it is finished. A place that is no ordinary file (a pipe, a device such as
//! `/dev/null`) is written into, never replaced.

use std::io::{self, Write};
use std::path::Path;
use tempfile::NamedTempFile;

/// How a file's name begins while it is being written.
pub const ARRIVING: &str = ".arriving-";

/// Whether `path` is there and must not be replaced by an ordinary file.
fn special(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|m| !m.is_file())
}

/// A temporary file for what is to stand at `path`.
///
/// # Errors
/// Where its folder is missing or may not be written to.
pub fn beside(path: &Path) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(ARRIVING);
    // As any other file a program makes: the umask takes its part.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    if special(path) {
        return builder.tempfile();
    }
    builder.tempfile_in(path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new(".")))
}

/// Gives the finished `file` its name, or writes it into the pipe or device that
/// stands there.
///
/// # Errors
/// Where it cannot be named or written.
pub fn finish(file: NamedTempFile, path: &Path) -> io::Result<()> {
    if !special(path) {
        return file.persist(path).map(|_| ()).map_err(|e| e.error);
    }
    let mut to = std::fs::OpenOptions::new().write(true).open(path)?;
    io::copy(&mut file.reopen()?, &mut to).map(|_| ())
}

/// Writes `bytes` to `path`, whole and onto the disk.
///
/// # Errors
/// Where it cannot be written.
pub fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = beside(path)?;
    file.write_all(bytes)?;
    file.as_file().sync_all()?;
    finish(file, path)
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::io::Read;

    #[test]
    fn a_file_is_replaced_whole_and_readable_by_others() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.csv");
        std::fs::write(&path, "old").unwrap();
        let mut file = beside(&path).unwrap();
        file.write_all(b"new").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"old");
        finish(file, &path).unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"new");
        let plain = folder.path().join("plain");
        std::fs::write(&plain, "").unwrap();
        let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode();
        assert_eq!(mode(&path), mode(&plain));
    }

    #[test]
    fn a_pipe_is_written_into_and_stays_a_pipe() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&path).status().unwrap().success());
        let reader = std::thread::spawn({
            let path = path.clone();
            move || {
                let mut text = String::new();
                std::fs::File::open(path).unwrap().read_to_string(&mut text).unwrap();
                text
            }
        });
        let mut file = beside(&path).unwrap();
        file.write_all(b"drafts").unwrap();
        finish(file, &path).unwrap();
        assert_eq!(reader.join().unwrap(), "drafts");
        assert!(special(&path));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
