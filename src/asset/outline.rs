//! What a file holds and what it is made of, without decoding it: for planning, and to tell whether it changed.

use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::container;
use super::json::whole;
use super::resources;
use crate::error::{Error, Fault};

/// The sizes that the JSON of a file claims; nothing of it is checked. All 0 where there is no JSON to read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outline {
    /// Bytes of the file and of all files that it refers to.
    pub bytes: u64,
    /// Vertices as the file splits them.
    pub raw_vertices: u64,
    /// Joints of all skins.
    pub joints: u64,
}

/// Reads what a file claims to hold, by its JSON alone.
///
/// # Errors
/// [`Error::Input`] if the file cannot be read. Broken content is no error here.
pub fn outline(path: &Path) -> Result<Outline, Error> {
    let mut file = open(path)?;
    let json = read_json(path, &mut file)?;
    let bytes = file.metadata().map_err(|error| unreadable(path, &error))?;
    let mut outline = Outline {
        bytes: bytes.len(),
        ..Outline::default()
    };
    if let Some(json) = json {
        outline.raw_vertices = raw_vertices(&json);
        outline.joints = joints(&json);
        for relative in relatives(&json) {
            let found = resources::locate(resources::folder_of(path), &relative);
            let length = found.ok().and_then(|real| std::fs::metadata(real).ok());
            outline.bytes += length.map_or(0, |meta| meta.len());
        }
    }
    Ok(outline)
}

/// A hash of the bytes of a file and of those of every file that it refers to within its folder: two with
/// the same hash hold the same document.
///
/// # Errors
/// [`Error::Input`] if a file cannot be read. Broken content is no error here.
pub fn fingerprint(path: &Path) -> Result<blake3::Hash, Error> {
    let mut file = open(path)?;
    let mut hasher = blake3::Hasher::new();
    let read = hasher.update_reader(&mut file).map(drop);
    read.map_err(|error| unreadable(path, &error))?;
    let json = read_json(path, &mut file)?;
    for relative in json.as_ref().map(relatives).unwrap_or_default() {
        // Each part with its length before it, so that no two lists of parts give the same bytes.
        let name = relative.as_os_str().as_encoded_bytes();
        hasher.update(&(name.len() as u64).to_le_bytes());
        hasher.update(name);
        let found = resources::locate(resources::folder_of(path), &relative);
        match found.ok().map(|real| hash_of(&real)) {
            Some(content) => hasher.update(content?.as_bytes()),
            None => hasher.update(b"absent"),
        };
    }
    Ok(hasher.finalize())
}

/// The files that a file refers to within its folder, as paths from there. None where there is no JSON to read.
pub fn beside(path: &Path) -> Vec<PathBuf> {
    let json = open(path).and_then(|mut file| read_json(path, &mut file));
    json.ok()
        .flatten()
        .as_ref()
        .map(relatives)
        .unwrap_or_default()
}

/// The hash (BLAKE3) of a file's bytes.
///
/// # Errors
/// [`Error::Input`] if it cannot be read.
pub fn hash_of(path: &Path) -> Result<blake3::Hash, Error> {
    let mut hasher = blake3::Hasher::new();
    let read = hasher.update_reader(open(path)?).map(drop);
    read.map_err(|error| unreadable(path, &error))?;
    Ok(hasher.finalize())
}

fn unreadable(path: &Path, error: &std::io::Error) -> Error {
    Fault::new(path, "", "a file that can be read", error.to_string()).into()
}

fn open(path: &Path) -> Result<File, Error> {
    let why = |error: std::io::Error| unreadable(path, &error);
    // A pipe may never end.
    if !std::fs::metadata(path).map_err(why)?.is_file() {
        return Err(Fault::new(path, "", "a plain file", "something else").into());
    }
    File::open(path).map_err(why)
}

/// The JSON of a GLB or glTF file; `None` where there is none that parses.
fn read_json(path: &Path, file: &mut File) -> Result<Option<Value>, Error> {
    let text = json_text(file).map_err(|error| unreadable(path, &error))?;
    Ok(serde_json::from_slice(&text).ok())
}

/// The bytes that should be the JSON of a file.
fn json_text(file: &mut File) -> std::io::Result<Vec<u8>> {
    let length = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(0))?;
    let mut head = [0; container::JSON_START];
    let is_glb = length >= head.len() as u64 && {
        file.read_exact(&mut head)?;
        head.starts_with(container::MAGIC)
    };
    let mut text = Vec::new();
    if is_glb {
        let length = u32::from_le_bytes([head[12], head[13], head[14], head[15]]);
        file.take(u64::from(length)).read_to_end(&mut text)?;
    } else {
        file.seek(SeekFrom::Start(0))?;
        file.read_to_end(&mut text)?;
    }
    Ok(text)
}

fn items<'a>(value: &'a Value, key: &str) -> &'a [Value] {
    value
        .get(key)
        .and_then(Value::as_array)
        .map_or(&[], Vec::as_slice)
}

/// Vertices of all accessors that hold positions, each counted once.
fn raw_vertices(json: &Value) -> u64 {
    let primitives = items(json, "meshes")
        .iter()
        .flat_map(|mesh| items(mesh, "primitives"));
    let mut accessors: Vec<u64> = primitives
        .filter_map(|primitive| whole(primitive.get("attributes")?.get("POSITION")?))
        .collect();
    accessors.sort_unstable();
    accessors.dedup();
    let all = items(json, "accessors");
    let count = |index: u64| whole(all.get(usize::try_from(index).ok()?)?.get("count")?);
    accessors
        .into_iter()
        .filter_map(count)
        .fold(0, u64::saturating_add)
}

fn joints(json: &Value) -> u64 {
    let skins = items(json, "skins").iter();
    skins.map(|skin| items(skin, "joints").len() as u64).sum()
}

/// Files that buffers and images refer to, in the folder of the document or below; in order, each once.
fn relatives(json: &Value) -> Vec<PathBuf> {
    let uris = resources::uris(json).into_iter();
    let mut found: Vec<PathBuf> = uris.filter_map(resources::relative_of).collect();
    found.sort_unstable();
    found.dedup();
    found
}
