//! Files are replaced whole or not at all: written beside the target, then renamed into its place.

use std::borrow::Cow;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{PoisonError, RwLock, RwLockReadGuard};

use super::resources::folder_of;
use crate::error::Error;

/// Links to links that are followed before it is called a circle.
const MOST_LINKS: usize = 40;

/// Names of files that are not complete yet begin and end like this.
pub(super) const PART: (&str, &str) = (".tanyard-", ".part");

/// Shared while files are being written.
static WRITING: RwLock<()> = RwLock::new(());

pub(super) fn writing() -> RwLockReadGuard<'static, ()> {
    // A writer that panicked left no lock on any file: the next may go on.
    WRITING.read().unwrap_or_else(PoisonError::into_inner)
}

/// Runs something while no file is being written: a process that ends within it leaves no litter.
pub fn between_writes<T>(action: impl FnOnce() -> T) -> T {
    let _guard = WRITING.write().unwrap_or_else(PoisonError::into_inner);
    action()
}

/// Checks that the target can be written, before any long work: its folder is there and takes files.
///
/// # Errors
/// [`Error::Output`] with the reason.
pub fn check_target(path: &Path) -> Result<(), Error> {
    let target = target_of(path)?;
    let _guard = writing();
    // Dropped at once, and with it the file.
    temporary(path, &target).map(drop)
}

/// Writes bytes so that the file is, at every moment, either the old one or the new one.
///
/// # Errors
/// [`Error::Output`]; what was there before is then untouched.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let _guard = writing();
    put_file(path, &target_of(path)?, bytes, true)
}

/// Makes a folder, and those above it, where they are missing.
///
/// # Errors
/// [`Error::Output`].
pub fn make_folder(folder: &Path) -> Result<(), Error> {
    fs::create_dir_all(folder).map_err(|error| failed(folder, error.to_string()))
}

/// Writes bytes to a file that is not there yet, whole or not at all.
///
/// # Errors
/// [`Error::Output`], also if there is something of that name.
pub fn write_new(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let _guard = writing();
    put_file(path, &target_of(path)?, bytes, false)
}

/// The same without waiting for the disk: after a power cut the file may be damaged. For what can be told to
/// be damaged, and made again.
///
/// # Errors
/// As of [`write_atomically`].
pub fn write_lightly(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let _guard = writing();
    let target = target_of(path)?;
    let why = |error: std::io::Error| failed(path, error.to_string());
    let mut file = temporary(path, &target)?;
    file.write_all(bytes).map_err(why)?;
    file.persist(&target).map_err(|error| why(error.error))?;
    Ok(())
}

/// A folder in the making, beside its place: it goes there whole, or is gone again. Of a process that is killed
/// it may stay, under the name of a part.
#[derive(Debug)]
pub struct DraftFolder {
    target: PathBuf,
    draft: tempfile::TempDir,
}

impl DraftFolder {
    /// Begins a folder that is to be at `target`, where there is nothing yet, or an empty folder. Those above it are
    /// made.
    ///
    /// # Errors
    /// [`Error::Output`].
    pub fn new(target: &Path) -> Result<Self, Error> {
        let why = |error: std::io::Error| failed(target, error.to_string());
        let is_taken = match fs::read_dir(target) {
            Ok(mut entries) => entries.next().is_some(),
            Err(_) => fs::symlink_metadata(target).is_ok(),
        };
        if is_taken {
            return Err(failed(
                target,
                "there is something already, and a new or an empty folder is needed",
            ));
        }
        let above = folder_of(target);
        make_folder(above)?;
        let mut builder = tempfile::Builder::new();
        builder.prefix(PART.0).suffix(PART.1);
        #[cfg(unix)]
        let permissions = std::os::unix::fs::PermissionsExt::from_mode(0o777);
        #[cfg(unix)]
        builder.permissions(permissions);
        Ok(Self {
            target: target.to_owned(),
            draft: builder.tempdir_in(above).map_err(why)?,
        })
    }

    /// Where to write until then.
    pub fn path(&self) -> &Path {
        self.draft.path()
    }

    /// Puts it in its place.
    ///
    /// # Errors
    /// [`Error::Output`], also if there is something by now.
    pub fn finish(self) -> Result<(), Error> {
        let _guard = writing();
        // Not every system renames onto an empty folder; of one with content this removes nothing.
        let _ = fs::remove_dir(&self.target);
        fs::rename(self.draft.path(), &self.target)
            .map_err(|error| failed(&self.target, error.to_string()))?;
        // Nothing is left to remove.
        let _ = self.draft.keep();
        Ok(())
    }
}

/// Keeps other processes and threads from changing files of a folder that belong together. `None` where
/// folders cannot be locked. Comes before [`writing`]: whoever has to wait here must not keep the process from
/// ending.
pub(super) fn lock_folder(folder: &Path) -> Option<fs::File> {
    let folder = fs::File::open(folder).ok()?;
    folder.lock().ok()?;
    Some(folder)
}

pub(super) fn failed(path: &Path, reason: impl Into<String>) -> Error {
    Error::Output {
        path: path.to_owned(),
        reason: reason.into(),
    }
}

/// The file behind the path, links followed, so that a link stays a link.
pub(super) fn target_of(path: &Path) -> Result<PathBuf, Error> {
    let mut target = path.to_owned();
    for _ in 0..MOST_LINKS {
        match fs::symlink_metadata(&target) {
            Ok(meta) if meta.is_symlink() => {
                let to = fs::read_link(&target).map_err(|e| failed(path, e.to_string()))?;
                target = folder_of(&target).join(to);
            }
            Ok(meta) if meta.is_dir() => return Err(failed(path, "it is a folder")),
            Ok(meta) if !meta.is_file() => return Err(failed(path, "it is no plain file")),
            _ => {
                if target.file_name().is_none() {
                    return Err(failed(path, "it is no file name"));
                }
                let folder = folder_of(&target);
                if !folder.is_dir() {
                    let reason = format!("there is no folder {}", folder.display());
                    return Err(failed(path, reason));
                }
                return Ok(target);
            }
        }
    }
    Err(failed(path, "it is a circle of links"))
}

fn temporary(path: &Path, target: &Path) -> Result<tempfile::NamedTempFile, Error> {
    let mut builder = tempfile::Builder::new();
    builder.prefix(PART.0).suffix(PART.1);
    // As a plain new file would have it: the system takes the mask of the user off.
    #[cfg(unix)]
    let permissions = std::os::unix::fs::PermissionsExt::from_mode(0o666);
    #[cfg(unix)]
    builder.permissions(permissions);
    loop {
        let file = builder
            .tempfile_in(folder_of(target))
            .map_err(|error| failed(path, error.to_string()))?;
        // A lock says that somebody is still at it. Whoever clears litter removes files while holding
        // theirs: between making the file and locking it, it may be gone.
        if file.as_file().lock().is_err() || file.path().exists() {
            return Ok(file);
        }
    }
}

/// Writes a file beside the target, part after part, down to the disk.
pub(super) fn write_beside(
    path: &Path,
    target: &Path,
    parts: &[Cow<[u8]>],
) -> Result<tempfile::NamedTempFile, Error> {
    let why = |error: std::io::Error| failed(path, error.to_string());
    let mut file = temporary(path, target)?;
    for part in parts {
        file.write_all(part).map_err(why)?;
    }
    file.as_file().sync_all().map_err(why)?;
    Ok(file)
}

/// Renames the file to the target.
pub(super) fn move_into_place(
    path: &Path,
    target: &Path,
    file: tempfile::NamedTempFile,
    replace: bool,
) -> Result<(), Error> {
    let persisted = if replace {
        file.persist(target)
    } else {
        file.persist_noclobber(target)
    };
    persisted.map_err(|error| failed(path, error.error.to_string()))?;
    // The rename itself reaches the disk with the folder; where folders cannot be synced, in time.
    #[cfg(unix)]
    if let Ok(folder) = fs::File::open(folder_of(target)) {
        let _ = folder.sync_all();
    }
    Ok(())
}

pub(super) fn put_file(
    path: &Path,
    target: &Path,
    bytes: &[u8],
    replace: bool,
) -> Result<(), Error> {
    let file = write_beside(path, target, &[bytes.into()])?;
    move_into_place(path, target, file, replace)
}

pub(super) fn holds(file: &Path, bytes: &[u8]) -> bool {
    let same_length = fs::metadata(file).is_ok_and(|meta| meta.len() == bytes.len() as u64);
    same_length && fs::read(file).is_ok_and(|there| there == bytes)
}
