//! Files are replaced whole or not at all: written beside the target, read back, compared, renamed.

use std::borrow::Cow;
use std::collections::HashSet;
use std::ffi::OsString;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard};

use serde_json::{Value, json};

use super::accessor::Accessor;
use super::container::{self, Container};
use super::document::{Buffer, Document, Source};
use super::json::whole;
use super::patch::{has_side_name, is_side_file, side_name};
use super::references::References;
use super::resources::{self, Uri, folder_of};
use crate::error::Error;

/// Links to links that are followed before it is called a circle.
const MOST_LINKS: usize = 40;

/// Buffers begin at multiples of this when they are joined.
const ALIGNMENT: usize = 4;

/// Names of files that are not complete yet begin and end like this.
const PART: (&str, &str) = (".tanyard-", ".part");

/// Shared while files are being written.
static WRITING: RwLock<()> = RwLock::new(());

fn writing() -> RwLockReadGuard<'static, ()> {
    // A writer that panicked left no lock on any file: the next may go on.
    WRITING.read().unwrap_or_else(PoisonError::into_inner)
}

/// Runs something while no file is being written: a process that ends within it leaves no litter.
pub fn between_writes<T>(action: impl FnOnce() -> T) -> T {
    let _guard = WRITING.write().unwrap_or_else(PoisonError::into_inner);
    action()
}

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

/// Keeps other processes and threads from changing files of a folder that belong together. `None` where
/// folders cannot be locked. Comes before [`writing`]: whoever has to wait here must not keep the process from
/// ending.
fn lock_folder(folder: &Path) -> Option<fs::File> {
    let folder = fs::File::open(folder).ok()?;
    folder.lock().ok()?;
    Some(folder)
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

/// A file that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// From the folder of the document.
    pub path: PathBuf,
    /// Its length.
    pub bytes: u64,
    /// The hash (BLAKE3) of its content.
    pub hash: blake3::Hash,
}

impl Written {
    fn new(path: impl Into<PathBuf>, content: &[u8]) -> Self {
        Self {
            path: path.into(),
            bytes: content.len() as u64,
            hash: blake3::hash(content),
        }
    }
}

/// Writes the files that make up a document, the document first in the list, as [`save_beside`] does: it takes
/// its place last. Paths are from its folder.
///
/// # Errors
/// As of [`save`].
pub fn put_together(
    path: &Path,
    files: &[(PathBuf, Vec<u8>)],
    beside: Beside,
) -> Result<(), Error> {
    let Some(((_, document), others)) = files.split_first() else {
        return Ok(());
    };
    let target = target_of(path)?;
    let folder = folder_of(path);
    let _alone = match others {
        [] => None,
        _ => lock_folder(folder),
    };
    let _guard = writing();
    let replaced = sides_of(&target);
    let mut litter = Litter::default();
    for (relative, content) in others {
        litter.put_beside(path, relative, content, beside)?;
    }
    put_file(path, &target, document, true)?;
    litter.keep();
    let used: Vec<&Path> = others.iter().map(|(relative, _)| &**relative).collect();
    drop_stale(folder, &target, &replaced, &used);
    Ok(())
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

/// Writes the document as `.glb` or `.gltf`, by the ending of the name; the new file takes its place
/// only after it was read back and compared.
///
/// To GLB, all buffers of a `.gltf` become the BIN chunk (names and extras of all but the first are
/// lost; the standard allows one). To `.gltf`, new bytes go to a data URI if the document has its
/// buffers there, else to a side file `<stem>.<hash>.bin`, written first. Files that the document
/// refers to are copied along to another folder. A side file of an earlier bake, of this document or of the
/// file that is replaced, that nothing needs any more is deleted last. Gives the files that make it up, the
/// document first.
///
/// # Errors
/// [`Error::Output`]; what was there before is then untouched, and nothing new is left behind.
pub fn save(document: &Document, path: &Path) -> Result<Vec<Written>, Error> {
    save_beside(document, path, Beside::Kept)
}

/// [`save`], with a say in what becomes of files that are there already.
///
/// # Errors
/// As of [`save`].
pub fn save_beside(
    document: &Document,
    path: &Path,
    beside: Beside,
) -> Result<Vec<Written>, Error> {
    let target = target_of(path)?;
    let (placed, sides) = place(document, path, container_of(path)?)?;
    let parts = match placed.container {
        Container::Glb => {
            let first = placed.buffers.first();
            let bin = first.filter(|buffer| buffer.source == Source::Bin);
            container::glb(
                &placed.json,
                bin.map(|buffer| buffer.bytes.as_slice()),
                &placed.chunks,
            )
            .ok_or_else(|| failed(path, "a GLB file holds 4 GiB at most; write .gltf"))?
        }
        Container::Gltf => {
            let text = serde_json::to_vec_pretty(&placed.json);
            vec![
                text.map_err(|error| failed(path, error.to_string()))?
                    .into(),
            ]
        }
    };
    let folder = folder_of(path);
    // A document and the files beside it change together: others that share those wait.
    let _alone = match placed.container {
        Container::Gltf => lock_folder(folder),
        Container::Glb if uris(&placed.json).is_empty() => None,
        Container::Glb => lock_folder(folder),
    };
    let _guard = writing();
    let copies = copies(document, &placed, &sides, path, beside)?;
    let replaced = sides_of(&target);

    let mut litter = Litter::default();
    let mut written = Vec::new();
    for (from, relative) in &copies {
        let content = fs::read(from).map_err(|error| failed(path, error.to_string()))?;
        litter.put_beside(path, relative, &content, beside)?;
        written.push(Written::new(relative, &content));
    }
    for (name, content) in &sides {
        litter.put_beside(path, Path::new(name), content, beside)?;
        written.push(Written::new(name, content));
    }
    let file = write_beside(path, &target, &parts)?;
    let there = fs::read(file.path()).map_err(|error| failed(path, error.to_string()))?;
    written.insert(
        0,
        Written::new(path.file_name().unwrap_or_default(), &there),
    );
    verify(&placed, path, there)?;
    move_into_place(path, &target, file, true)?;
    litter.keep();
    let in_place = match (document.path.canonicalize(), target.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    };
    let mut stale = replaced;
    if in_place {
        stale.extend(document.stale.iter().cloned());
    }
    let used: Vec<PathBuf> = uris(&placed.json)
        .into_iter()
        .filter_map(relative_of)
        .collect();
    let used: Vec<&Path> = used.iter().map(AsRef::as_ref).collect();
    drop_stale(folder, &target, &stale, &used);
    Ok(written)
}

fn failed(path: &Path, reason: impl Into<String>) -> Error {
    Error::Output {
        path: path.to_owned(),
        reason: reason.into(),
    }
}

fn container_of(path: &Path) -> Result<Container, Error> {
    let ending = path.extension().and_then(|ending| ending.to_str());
    match ending.map(str::to_ascii_lowercase).as_deref() {
        Some("glb") => Ok(Container::Glb),
        Some("gltf") => Ok(Container::Gltf),
        _ => Err(failed(path, "its name ends in neither .glb nor .gltf")),
    }
}

/// The file behind the path, links followed, so that a link stays a link.
fn target_of(path: &Path) -> Result<PathBuf, Error> {
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
fn write_beside(
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
fn move_into_place(
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

fn put_file(path: &Path, target: &Path, bytes: &[u8], replace: bool) -> Result<(), Error> {
    let file = write_beside(path, target, &[bytes.into()])?;
    move_into_place(path, target, file, replace)
}

/// Files and folders made on the way; removed again unless the whole succeeds.
#[derive(Default)]
struct Litter {
    files: Vec<PathBuf>,
    folders: Vec<PathBuf>,
}

impl Litter {
    /// Writes a file that is not there yet; one with the same bytes may stay.
    fn put(&mut self, path: &Path, file: &Path, bytes: &[u8]) -> Result<(), Error> {
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
    fn put_beside(
        &mut self,
        path: &Path,
        relative: &Path,
        bytes: &[u8],
        beside: Beside,
    ) -> Result<(), Error> {
        let folder = folder_of(path);
        self.make_folders(path, folder, relative)?;
        let file = folder.join(relative);
        if beside == Beside::Replaced && file.exists() && !holds(&file, bytes) {
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

    fn keep(&mut self) {
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

fn holds(file: &Path, bytes: &[u8]) -> bool {
    let same_length = fs::metadata(file).is_ok_and(|meta| meta.len() == bytes.len() as u64);
    same_length && fs::read(file).is_ok_and(|there| there == bytes)
}

/// Files to write beside the document: name and content.
type Sides = Vec<(String, Arc<Vec<u8>>)>;

/// Gives every buffer its place in the container asked for.
fn place(
    document: &Document,
    path: &Path,
    container: Container,
) -> Result<(Document, Sides), Error> {
    let mut placed = document.clone();
    placed.container = container;
    let mut sides = Sides::new();
    match container {
        Container::Glb if document.container == Container::Gltf => join(&mut placed, path)?,
        Container::Glb => {}
        Container::Gltf => {
            if !document.chunks.is_empty() {
                return Err(failed(
                    path,
                    "the document has GLB chunks that .gltf cannot hold; write .glb",
                ));
            }
            let stem = path.file_stem().unwrap_or_default().to_string_lossy();
            for (i, buffer) in placed.buffers.iter_mut().enumerate() {
                if !matches!(buffer.source, Source::Bin | Source::Fresh) {
                    continue;
                }
                let name = side_name(&stem, &buffer.bytes);
                placed.json["buffers"][i]["uri"] = json!(resources::encode_name(&name));
                buffer.source = Source::File(PathBuf::from(&name));
                sides.push((name, Arc::clone(&buffer.bytes)));
            }
        }
    }
    Ok((placed, sides))
}

/// Joins all buffers into one BIN chunk.
fn join(placed: &mut Document, path: &Path) -> Result<(), Error> {
    if placed.buffers.is_empty() {
        return Ok(());
    }
    let opaque = References::of(&placed.json).opaque_buffers;
    let absent = placed.buffers.iter().any(|b| b.source == Source::Absent);
    if opaque || absent {
        return Err(failed(
            path,
            "an extension of the document refers to buffers, which therefore cannot be joined; write .gltf",
        ));
    }
    let mut bin = Vec::with_capacity(
        placed
            .buffers
            .iter()
            .map(|b| b.bytes.len() + ALIGNMENT)
            .sum(),
    );
    let mut bases = Vec::new();
    for buffer in &placed.buffers {
        bin.resize(bin.len().next_multiple_of(ALIGNMENT), 0);
        bases.push(bin.len());
        bin.extend(buffer.bytes.iter());
    }
    let views = placed
        .json
        .get_mut("bufferViews")
        .and_then(Value::as_array_mut);
    for (i, view) in views.into_iter().flatten().enumerate() {
        let base = view
            .get("buffer")
            .and_then(whole)
            .and_then(|buffer| bases.get(usize::try_from(buffer).ok()?));
        let Some(base) = base else {
            return Err(failed(
                path,
                format!("bufferViews[{i}].buffer is no buffer"),
            ));
        };
        let offset = view.get("byteOffset").and_then(whole).unwrap_or(0);
        view["buffer"] = json!(0);
        if *base > 0 {
            view["byteOffset"] = json!(offset.saturating_add(*base as u64));
        }
    }
    let buffers = placed.json.get_mut("buffers").and_then(Value::as_array_mut);
    if let Some(buffers) = buffers {
        buffers.truncate(1);
        if let Some(first) = buffers.first_mut().and_then(Value::as_object_mut) {
            first.shift_remove("uri");
            first.insert("byteLength".into(), json!(bin.len()));
        }
    }
    placed.buffers = vec![Buffer {
        bytes: Arc::new(bin),
        source: Source::Bin,
    }];
    Ok(())
}

/// Reads the new bytes as any file, and compares.
fn verify(placed: &Document, path: &Path, bytes: Vec<u8>) -> Result<(), Error> {
    let at_hand = |relative: &Path| {
        let same = |b: &&Buffer| matches!(&b.source, Source::File(file) if file == relative);
        let buffer = placed.buffers.iter().find(same);
        buffer.map(|buffer| Arc::clone(&buffer.bytes))
    };
    let wrong = |what: &str| {
        failed(
            path,
            format!(
                "reading it back gave {what}; this is an error of tanyard's own: please report it"
            ),
        )
    };
    let copy = Document::read(path, bytes, &at_hand).map_err(|error| wrong(&error.to_string()))?;
    if copy.json != placed.json {
        return Err(wrong("other JSON"));
    }
    let same_buffers = copy.buffers.len() == placed.buffers.len()
        && copy
            .buffers
            .iter()
            .zip(&placed.buffers)
            .all(|(a, b)| a.bytes == b.bytes);
    let padded = |chunk: &container::Chunk| {
        let mut bytes = chunk.bytes.clone();
        bytes.resize(bytes.len().next_multiple_of(4), 0);
        (chunk.kind, bytes)
    };
    let same_chunks = copy
        .chunks
        .iter()
        .map(padded)
        .eq(placed.chunks.iter().map(padded));
    if !same_buffers || !same_chunks {
        return Err(wrong("other bytes"));
    }
    for i in 0..placed.count("accessors") {
        if Accessor::open(placed, i).is_ok() && Accessor::open(&copy, i).is_err() {
            return Err(wrong(&format!("accessors[{i}] broken")));
        }
    }
    Ok(())
}

/// What must be copied along to another folder: from where, and where to within the folder.
fn copies(
    document: &Document,
    placed: &Document,
    sides: &Sides,
    path: &Path,
    beside: Beside,
) -> Result<Vec<(PathBuf, PathBuf)>, Error> {
    let (from, to) = (folder_of(&document.path), folder_of(path));
    let real = |folder: &Path| folder.canonicalize().ok();
    if real(from) == real(to) {
        return Ok(Vec::new());
    }
    let mut copies: Vec<(PathBuf, PathBuf)> = Vec::new();
    for uri in uris(&placed.json) {
        let relative = match resources::classify(uri) {
            Uri::Relative(relative) => relative,
            Uri::Upward => {
                return Err(failed(
                    path,
                    format!(
                        "the document refers to {uri:?}, which would lead elsewhere from another folder"
                    ),
                ));
            }
            // Wherever it leads, it leads there from everywhere.
            Uri::Data(_) | Uri::Outside | Uri::Broken(_) => continue,
        };
        let is_side = sides.iter().any(|(name, _)| Path::new(name) == relative);
        if is_side || copies.iter().any(|(_, known)| *known == relative) {
            continue;
        }
        // What is missing here is missing there: no worse than before.
        if fs::symlink_metadata(from.join(&relative)).is_err() {
            continue;
        }
        let source = resources::locate(from, &relative)
            .map_err(|found| failed(path, format!("it refers to {found}")))?;
        let target = to.join(&relative);
        if fs::symlink_metadata(&target).is_ok() {
            let content = fs::read(&source).map_err(|error| failed(path, error.to_string()))?;
            if beside == Beside::Kept && !holds(&target, &content) {
                return Err(failed(
                    path,
                    format!("{} is there already, with other content", target.display()),
                ));
            }
        }
        copies.push((source, relative));
    }
    Ok(copies)
}

/// All `uri` members outside extras.
pub(super) fn uris(json: &Value) -> Vec<&str> {
    let mut found = Vec::new();
    let mut stack = vec![json];
    while let Some(value) = stack.pop() {
        match value {
            Value::Object(map) => {
                for (key, value) in map.iter().filter(|(key, _)| *key != "extras") {
                    match value {
                        Value::String(text) if key == "uri" => found.push(text.as_str()),
                        _ => stack.push(value),
                    }
                }
            }
            Value::Array(items) => stack.extend(items),
            _ => {}
        }
    }
    found
}

/// The side files of earlier bakes that a document on the disk refers to.
fn sides_of(target: &Path) -> Vec<PathBuf> {
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
fn drop_stale(folder: &Path, target: &Path, sides: &[PathBuf], used: &[&Path]) {
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

/// The path that a URI leads to, if that is within the folder of the document.
fn relative_of(uri: &str) -> Option<PathBuf> {
    match resources::classify(uri) {
        Uri::Relative(relative) => Some(relative),
        _ => None,
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
