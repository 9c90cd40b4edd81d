//! What was baked already: an entry a result, keyed by the content that it came from.
//!
//! An entry is one file: a line that names the form, a line with hash (BLAKE3) and length of the head, the
//! head (JSON: key, files, figures), then the bytes of the files if they are kept. It is written beside and
//! renamed into place, so that readers need no lock; whatever is damaged is no entry.

use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::asset::{self, Beside, Written};
use crate::error::{Error, Fault};
use crate::job::Request;
use crate::report::CharacterReport;

/// Names the form of an entry.
const FORM: &[u8] = b"tanyard-cache/2\n";

/// The folder of a cache within that of the results.
pub const LOCAL: &str = ".tanyard";

/// A hash of all that a result comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key(pub blake3::Hash);

/// Where entries are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Cache {
    /// Beside the results: one entry for each, without their bytes, which are there.
    Local(PathBuf),
    /// A folder of its own, which runs and machines may share: one entry for each key, with the bytes.
    Shared(PathBuf),
}

/// The head of an entry.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Head {
    key: String,
    files: Vec<File>,
    has_bytes: bool,
    characters: Vec<CharacterReport>,
}

/// A file of a result; the document first.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    /// From the folder of the document.
    path: PathBuf,
    bytes: u64,
    hash: String,
}

/// A result that need not be made.
pub(super) struct Hit {
    pub characters: Vec<CharacterReport>,
    /// Whether it was there already, and not written anew from the cache.
    pub in_place: bool,
}

/// Why there is no hit.
pub(super) enum Miss {
    /// There is no entry for it.
    Absent,
    /// There is one with its bytes, which were not asked for.
    Kept,
    /// There is one, but it is damaged, or does not fit what it should be.
    Damaged(String),
}

/// The key of a request: a hash of all that its result comes from. Limits are held against a result, and
/// are no part of it.
///
/// # Errors
/// A file that cannot be read.
pub(super) fn key(request: &Request, output: &Path) -> Result<Key, Error> {
    let recipe = request.recipe.unlimited();
    let findings = request.recipe.asks_for_findings();
    let poses = match &request.poses {
        Some(path) => Some(asset::hash_of(path)?.to_hex().to_string()),
        None => None,
    };
    let against = request.against.as_ref().map(|against| {
        // In place, what is there is what the last run left.
        let content = (against.file != *output)
            .then(|| asset::hash_of(&against.file).ok())
            .flatten()
            .map(|hash| hash.to_hex().to_string());
        (content, against.keep_better, against.least_percent)
    });
    let name = output.file_name().unwrap_or_default().as_encoded_bytes();
    let parts = (
        // Two builds of one version may be of other code.
        (env!("CARGO_PKG_VERSION"), env!("TANYARD_SOURCE")),
        asset::fingerprint(&request.input)?.to_hex().to_string(),
        recipe,
        findings,
        poses,
        &request.skeleton,
        against,
        name,
    );
    let text = serde_json::to_vec(&parts).map_err(|error| {
        Fault::new(
            &request.input,
            "its key in the cache",
            "a recipe that is JSON",
            error.to_string(),
        )
    })?;
    let mut hasher = blake3::Hasher::new();
    hasher.update(FORM).update(&text);
    Ok(Key(hasher.finalize()))
}

impl Cache {
    /// The file of an entry. `output` is the result's path from the folder of results.
    fn slot(&self, key: Key, output: &Path) -> PathBuf {
        let (folder, name) = match self {
            Self::Local(folder) => {
                let name = blake3::hash(output.as_os_str().as_encoded_bytes());
                (folder, name.to_hex())
            }
            Self::Shared(folder) => (folder, key.0.to_hex()),
        };
        folder.join(&name[..2]).join(&name[2..])
    }

    /// Looks for a result; where its files are not in place, they are written if the cache has their bytes
    /// and `restore` says what becomes of files beside.
    pub(super) fn find(
        &self,
        key: Key,
        output: &Path,
        target: &Path,
        restore: Option<Beside>,
    ) -> Result<Result<Hit, Miss>, Error> {
        let slot = self.slot(key, output);
        let Ok(entry) = fs::read(&slot) else {
            return Ok(Err(Miss::Absent));
        };
        let damaged = || Ok(Err(Miss::Damaged(slot.display().to_string())));
        let (head, bytes) = match open(&entry) {
            Ok(opened) => opened,
            // Another version of the program wrote it: of what is asked for here there is no entry.
            Err(Unread::OtherForm) => return Ok(Err(Miss::Absent)),
            Err(Unread::Damaged) => return damaged(),
        };
        if head.key != key.0.to_hex().as_str() {
            return match self {
                Self::Local(_) => Ok(Err(Miss::Absent)),
                Self::Shared(_) => damaged(),
            };
        }
        let folder = asset::folder_of(target);
        let in_place = head.files.iter().all(|file| file.is_at(folder));
        if !in_place {
            if !head.has_bytes {
                return Ok(Err(Miss::Absent));
            }
            let Some(beside) = restore else {
                return Ok(Err(Miss::Kept));
            };
            let Some(files) = parted(&head, bytes) else {
                return damaged();
            };
            asset::put_together(target, &files, beside)?;
        }
        // Whoever tidies a shared cache by age sees what is in use. Not vital.
        let opened = fs::OpenOptions::new().append(true).open(&slot);
        let _ = opened.and_then(|file| file.set_modified(std::time::SystemTime::now()));
        Ok(Ok(Hit {
            characters: head.characters,
            in_place,
        }))
    }

    /// Keeps a result.
    ///
    /// # Errors
    /// A sentence; nothing depends on an entry that could not be written.
    pub(super) fn publish(
        &self,
        key: Key,
        output: &Path,
        target: &Path,
        written: &[Written],
        characters: &[CharacterReport],
    ) -> Result<(), String> {
        let has_bytes = matches!(self, Self::Shared(_));
        let files = written.iter().map(|file| File {
            path: file.path.clone(),
            bytes: file.bytes,
            hash: file.hash.to_hex().to_string(),
        });
        let head = Head {
            key: key.0.to_hex().to_string(),
            files: files.collect(),
            has_bytes,
            characters: characters.to_vec(),
        };
        let mut entry = head.to_bytes().map_err(|error| error.to_string())?;
        if has_bytes {
            for file in written {
                let path = asset::folder_of(target).join(&file.path);
                let bytes = fs::read(&path).map_err(|error| error.to_string())?;
                // Another run may have put its own result there meanwhile.
                if blake3::hash(&bytes) != file.hash {
                    return Err(format!("{} has changed already", path.display()));
                }
                entry.extend(bytes);
            }
        }
        let slot = self.slot(key, output);
        let folder = asset::folder_of(&slot);
        fs::create_dir_all(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
        asset::write_lightly(&slot, &entry).map_err(|error| error.to_string())
    }

    /// Clears what a run that was killed left.
    pub(super) fn clear_litter(&self) {
        let (Self::Local(folder) | Self::Shared(folder)) = self;
        for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
            asset::clear_litter(&entry.path());
        }
    }
}

impl Head {
    /// The beginning of its entry, up to the files' bytes.
    fn to_bytes(&self) -> serde_json::Result<Vec<u8>> {
        let text = serde_json::to_vec(self)?;
        let line = format!("{} {}\n", blake3::hash(&text).to_hex(), text.len());
        Ok([FORM, line.as_bytes(), &text].concat())
    }
}

impl File {
    /// Whether the very file is in the folder.
    fn is_at(&self, folder: &Path) -> bool {
        let path = folder.join(&self.path);
        fs::metadata(&path).is_ok_and(|meta| meta.is_file() && meta.len() == self.bytes)
            && asset::hash_of(&path).is_ok_and(|hash| hash.to_hex().as_str() == self.hash)
    }
}

/// Why an entry cannot be read.
#[derive(Debug, PartialEq, Eq)]
enum Unread {
    /// It is whole as far as can be told, but not as this version writes it.
    OtherForm,
    Damaged,
}

/// The head of an entry, and the bytes after it.
fn open(entry: &[u8]) -> Result<(Head, &[u8]), Unread> {
    let (text, bytes) = match entry.strip_prefix(FORM) {
        Some(rest) => whole_head(rest).ok_or(Unread::Damaged)?,
        None if is_other_form(entry) => return Err(Unread::OtherForm),
        None => return Err(Unread::Damaged),
    };
    // Its hash is right: what is not understood was written so.
    let head = serde_json::from_slice(text).map_err(|_| Unread::OtherForm)?;
    Ok((head, bytes))
}

/// The text of a head, as its hash says, and what follows.
fn whole_head(rest: &[u8]) -> Option<(&[u8], &[u8])> {
    let end = rest.iter().position(|&byte| byte == b'\n')?;
    let (hash, length) = std::str::from_utf8(&rest[..end]).ok()?.split_once(' ')?;
    let (text, bytes) = rest[end + 1..].split_at_checked(length.parse().ok()?)?;
    (blake3::hash(text).to_hex().as_str() == hash).then_some((text, bytes))
}

/// Whether an entry begins with the line of a form of another number.
fn is_other_form(entry: &[u8]) -> bool {
    let name = FORM.split_inclusive(|&byte| byte == b'/').next();
    let rest = name.and_then(|name| entry.strip_prefix(name));
    let line = rest.and_then(|rest| rest.split(|&byte| byte == b'\n').next());
    line.is_some_and(|number| !number.is_empty() && number.iter().all(u8::is_ascii_digit))
}

/// The files of an entry that has their bytes; `None` if it is damaged.
fn parted(head: &Head, mut bytes: &[u8]) -> Option<Vec<(PathBuf, Vec<u8>)>> {
    let mut files = Vec::new();
    for file in &head.files {
        let (content, rest) = bytes.split_at_checked(usize::try_from(file.bytes).ok()?)?;
        let plain = file
            .path
            .components()
            .all(|part| matches!(part, std::path::Component::Normal(_)));
        if !plain || blake3::hash(content).to_hex().as_str() != file.hash {
            return None;
        }
        files.push((file.path.clone(), content.to_vec()));
        bytes = rest;
    }
    (!files.is_empty() && bytes.is_empty()).then_some(files)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry() -> Vec<u8> {
        let head = Head {
            key: "00".into(),
            files: vec![File {
                path: "a.glb".into(),
                bytes: 3,
                hash: blake3::hash(b"abc").to_hex().to_string(),
            }],
            has_bytes: true,
            characters: Vec::new(),
        };
        let mut entry = head.to_bytes().expect("plain");
        entry.extend(b"abc");
        entry
    }

    fn is_whole(entry: &[u8]) -> bool {
        open(entry).is_ok_and(|(head, bytes)| parted(&head, bytes).is_some())
    }

    #[test]
    fn an_entry_of_another_version_is_not_damaged() {
        let whole = entry();
        let why = |entry: &[u8]| open(entry).err();
        let rest = whole.strip_prefix(FORM).expect("its form");
        let older = [b"tanyard-cache/1\n", rest].concat();
        assert_eq!(why(&older), Some(Unread::OtherForm));
        // A head of the same form with other figures.
        let text = br#"{"key":"00","files":[],"has_bytes":true,"characters":[{"name":"x"}]}"#;
        let line = format!("{} {}\n", blake3::hash(text).to_hex(), text.len());
        let other = [FORM, line.as_bytes(), text].concat();
        assert_eq!(why(&other), Some(Unread::OtherForm));
        for damaged in [
            &b""[..],
            b"tanyard-cache/",
            b"tanyard-cache/x\n",
            &whole[1..],
            &other[..40],
        ] {
            assert_eq!(why(damaged), Some(Unread::Damaged));
        }
    }

    #[test]
    fn whatever_is_damaged_is_no_entry() {
        let whole = entry();
        assert!(is_whole(&whole));
        for length in 0..whole.len() {
            assert!(!is_whole(&whole[..length]), "cut to {length}");
        }
        for at in 0..whole.len() {
            for bit in 0..8 {
                let mut damaged = whole.clone();
                damaged[at] ^= 1 << bit;
                assert!(!is_whole(&damaged), "bit {bit} of byte {at}");
            }
        }
    }

    #[test]
    fn files_of_an_entry_stay_in_their_folder() {
        let entry = entry();
        let Ok((mut head, _)) = open(&entry) else {
            panic!("the entry is whole");
        };
        for path in ["../a.glb", "/a.glb", "x/../../a.glb"] {
            head.files[0].path = path.into();
            assert!(parted(&head, b"abc").is_none(), "{path}");
        }
    }
}
