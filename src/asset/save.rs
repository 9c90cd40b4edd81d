//! Documents to the disk: written beside the target with all that they refer to, read back, compared, renamed.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::{Value, json};

use super::accessor::Accessor;
use super::atomic::{
    failed, holds, lock_folder, move_into_place, put_file, target_of, write_beside, writing,
};
use super::container::{self, Container};
use super::document::{Buffer, Document, Source};
use super::json::whole;
use super::litter::{Beside, Litter, drop_stale, sides_of};
use super::patch::side_name;
use super::references::References;
use super::resources::{self, Uri, folder_of, relative_of, uris};
use crate::error::Error;

/// Buffers begin at multiples of this when they are joined.
const ALIGNMENT: usize = 4;

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
    save_beside(document, path, Beside::Kept, &[])
}

/// [`save`], with a say in what becomes of files that are there already, and with more files beside the document: names
/// and contents.
///
/// # Errors
/// As of [`save`].
pub fn save_beside(
    document: &Document,
    path: &Path,
    beside: Beside,
    more: &[(PathBuf, Vec<u8>)],
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
    for (name, content) in more {
        litter.put_beside(path, name, content, beside)?;
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

fn container_of(path: &Path) -> Result<Container, Error> {
    let ending = path.extension().and_then(|ending| ending.to_str());
    match ending.map(str::to_ascii_lowercase).as_deref() {
        Some("glb") => Ok(Container::Glb),
        Some("gltf") => Ok(Container::Gltf),
        _ => Err(failed(path, "its name ends in neither .glb nor .gltf")),
    }
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
