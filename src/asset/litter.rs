//! What must not stay: files of a save that failed, of a process that was killed, and side files that no document
//! mentions any more.

use std::collections::HashSet;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::atomic::{PART, failed, holds, lock_folder, put_file};
use super::patch::{has_side_name, is_side_file};
use super::resources::{self, folder_of, relative_of, uris};
use crate::error::Error;

/// Removes what a process that was killed left in a folder: files that were not complete, and side files
/// that no document mentions. What another process is writing is locked, and stays; so does everything
/// where the system cannot lock. Gives the number of files removed.
pub fn clear_litter(folder: &Path) -> usize {
    let Ok(entries) = fs::read_dir(folder) else {
        return 0;
    };
    let (mut parts, mut sides) = (Vec::new(), Vec::new());
    for path in entries.flatten().map(|entry| entry.path()) {
        let name = path.file_name().and_then(|name| name.to_str());
        match name {
            Some(name) if name.starts_with(PART.0) && name.ends_with(PART.1) => parts.push(path),
            Some(name) if has_side_name(name) => sides.push(path),
            _ => {}
        }
    }
    let abandoned = parts.iter().filter(|path| {
        let file = fs::OpenOptions::new().read(true).write(true).open(path);
        // Removed while the lock is held: see `temporary`.
        file.is_ok_and(|file| file.try_lock().is_ok() && fs::remove_file(path).is_ok())
    });
    let mut removed = abandoned.count();
    if !sides.is_empty()
        && let Some(_alone) = lock_folder(folder)
        && let Some(mentioned) = mentioned(folder, None)
    {
        let orphaned = sides.iter().filter(|path| {
            !mentioned.holds(path)
                && fs::read(path).is_ok_and(|bytes| is_side_file(path, &bytes))
                && fs::remove_file(path).is_ok()
        });
        removed += orphaned.count();
    }
    removed
}

/// What becomes of a file that a document refers to, where another folder has one of its name already.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Beside {
    /// It must have the same content.
    #[default]
    Kept,
    /// The folder mirrors that of the document: it is replaced.
    Replaced,
}

/// The file beside a document that tells how its helper joints are driven, from its folder. It is the document's own,
/// and replaced with it.
pub fn helpers_beside(path: &Path) -> PathBuf {
    let mut name = path.file_stem().unwrap_or_default().to_owned();
    name.push(".helpers.json");
    name.into()
}

/// Files and folders made on the way; removed again unless the whole succeeds.
#[derive(Default)]
pub(super) struct Litter {
    files: Vec<PathBuf>,
    folders: Vec<PathBuf>,
}

impl Litter {
    /// Writes a file that is not there yet; one with the same bytes may stay.
    pub fn put(&mut self, path: &Path, file: &Path, bytes: &[u8]) -> Result<(), Error> {
        if holds(file, bytes) {
            return Ok(());
        }
        put_file(path, file, bytes, false).map_err(|error| match error {
            Error::Output { reason, .. } => {
                failed(path, format!("its part {}: {reason}", file.display()))
            }
            other => other,
        })?;
        self.files.push(file.to_owned());
        Ok(())
    }

    /// Writes a file that a document refers to, by its path from the document's folder.
    pub fn put_beside(
        &mut self,
        path: &Path,
        relative: &Path,
        bytes: &[u8],
        beside: Beside,
    ) -> Result<(), Error> {
        let folder = folder_of(path);
        self.make_folders(path, folder, relative)?;
        let file = folder.join(relative);
        let replaced = beside == Beside::Replaced || relative == helpers_beside(path);
        if replaced && file.exists() && !holds(&file, bytes) {
            return put_file(path, &file, bytes, true);
        }
        self.put(path, &file, bytes)
    }

    fn make_folders(&mut self, path: &Path, root: &Path, relative: &Path) -> Result<(), Error> {
        let mut folder = root.to_owned();
        let parents = relative.parent().into_iter().flat_map(Path::components);
        for component in parents {
            folder.push(component);
            if folder.is_dir() {
                continue;
            }
            fs::create_dir(&folder)
                .map_err(|error| failed(path, format!("folder {}: {error}", folder.display())))?;
            self.folders.push(folder.clone());
        }
        Ok(())
    }

    pub fn keep(&mut self) {
        self.files.clear();
        self.folders.clear();
    }
}

impl Drop for Litter {
    fn drop(&mut self) {
        // Best effort: the failure that led here is what the user hears of.
        for file in self.files.drain(..) {
            let _ = fs::remove_file(file);
        }
        for folder in self.folders.drain(..).rev() {
            let _ = fs::remove_dir(folder);
        }
    }
}

/// The side files of earlier bakes that a document on the disk refers to.
pub(super) fn sides_of(target: &Path) -> Vec<PathBuf> {
    let is_text = target
        .extension()
        .is_some_and(|ending| ending.eq_ignore_ascii_case("gltf"));
    let Some(json) = is_text
        .then(|| fs::read(target).ok())
        .flatten()
        .and_then(|bytes| serde_json::from_slice::<Value>(&bytes).ok())
    else {
        return Vec::new();
    };
    let folder = folder_of(target);
    let is_side = |relative: &PathBuf| {
        let name = relative.file_name().and_then(|name| name.to_str());
        let path = folder.join(relative);
        name.is_some_and(has_side_name)
            && fs::read(&path).is_ok_and(|bytes| is_side_file(&path, &bytes))
    };
    uris(&json)
        .into_iter()
        .filter_map(relative_of)
        .filter(is_side)
        .collect()
}

/// Deletes those of the side files that are not in use, by the document just written or by others in the
/// folder.
pub(super) fn drop_stale(folder: &Path, target: &Path, sides: &[PathBuf], used: &[&Path]) {
    let stale = sides
        .iter()
        .filter(|side| !used.contains(&side.as_path()) && resources::locate(folder, side).is_ok());
    let mut stale = stale.peekable();
    if stale.peek().is_none() {
        return;
    }
    // A copy of the document under another name may live on the same side file.
    let Some(mentioned) = mentioned(folder, Some(target)) else {
        return;
    };
    for side in stale.filter(|side| !mentioned.holds(side)) {
        let _ = fs::remove_file(folder.join(side));
    }
}

/// Names of side files that documents mention.
#[derive(Default)]
struct Mentioned(HashSet<OsString>);

impl Mentioned {
    fn holds(&self, side: &Path) -> bool {
        side.file_name().is_some_and(|name| self.0.contains(name))
    }

    /// Adds what a document mentions: whatever text ends in `.<hash>.bin`, also of a document that is damaged,
    /// however the rest of it is escaped. `None` where that cannot be read.
    fn add(&mut self, bytes: &[u8]) -> Option<()> {
        const ENDING: usize = ".01234567.bin".len();
        let is_ending = |w: &[u8]| w.starts_with(b".") && w.ends_with(b".bin");
        let endings = bytes.windows(ENDING).enumerate();
        for (at, _) in endings.filter(|(_, window)| is_ending(window)) {
            let is_quote = |&i: &usize| bytes[i] == b'"' && (i == 0 || bytes[i - 1] != b'\\');
            let start = (0..at).rev().find(is_quote)?;
            let text = [&bytes[start..at + ENDING], b"\""].concat();
            let text: String = serde_json::from_slice(&text).ok()?;
            let relative = relative_of(&text);
            let name = relative.as_deref().and_then(Path::file_name);
            self.0.extend(name.map(ToOwned::to_owned));
        }
        Some(())
    }
}

/// What the glTF files in the folder, other than that one, mention; each is read once. `None` if one cannot be
/// read: it may mention anything.
fn mentioned(folder: &Path, except: Option<&Path>) -> Option<Mentioned> {
    let except = except.and_then(|path| path.canonicalize().ok());
    let mut mentioned = Mentioned::default();
    for entry in fs::read_dir(folder).ok()?.flatten() {
        let path = entry.path();
        let is_gltf = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("gltf") || e.eq_ignore_ascii_case("glb"));
        let same = || except.is_some() && path.canonicalize().ok() == except;
        if is_gltf && !same() {
            mentioned.add(&fs::read(&path).ok()?)?;
        }
    }
    Some(mentioned)
}

#[cfg(test)]
mod tests {
    use super::super::patch::side_name;
    use super::*;

    #[test]
    fn side_files_in_use_stay_however_documents_write_their_names() {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let put = |name: &str, bytes: &[u8]| {
            fs::write(folder.path().join(name), bytes).expect("it can be written");
        };
        let used = [side_name("gr\u{fc} \"1\"", b"a"), side_name("b", b"a")];
        let unused = [side_name("c", b"a"), side_name("b", b"other")];
        for name in used.iter().chain(&unused[..1]) {
            put(name, b"a");
        }
        put(&unused[1], b"other");
        let escaped = used[0].replace('\u{fc}', "\\u00fc").replace('"', "\\\"");
        put("1.gltf", format!("{{\"uri\":\"x/{escaped}\"}}").as_bytes());
        // Damaged, and percent-encoded where that is not needed.
        put(
            "2.glb",
            format!("\0\"uri\": \"%62{}\", ", &used[1][1..]).as_bytes(),
        );
        // What cannot be read may mention anything.
        put("3.gltf", b"\"\\u00.01234567.bin");
        assert_eq!(clear_litter(folder.path()), 0);
        fs::remove_file(folder.path().join("3.gltf")).expect("there");
        assert_eq!(clear_litter(folder.path()), unused.len());
        assert!(used.iter().all(|name| folder.path().join(name).exists()));
    }
}
