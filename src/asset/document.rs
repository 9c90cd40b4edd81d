//! A glTF file as it is: the JSON tree untouched, the bytes of its buffers, the chunks nobody knows.
//!
//! Typed readers drop what they do not know. Here everything stays, and writers patch in place.

use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde_json::Value;

use super::container::{self, Chunk, Container};
use super::extensions;
use super::json::{At, keep};
use super::resources::{self, Uri};
use crate::error::{Error, Fault};

/// A glTF 2.0 file in memory, lossless: JSON, buffers, unknown GLB chunks.
#[derive(Clone, Debug)]
pub struct Document {
    pub(super) path: PathBuf,
    pub(super) json: Value,
    pub(super) buffers: Vec<Buffer>,
    pub(super) chunks: Vec<Chunk>,
    pub(super) container: Container,
    /// Side files of earlier bakes that nothing in the document needs any more.
    pub(super) stale: Vec<PathBuf>,
}

/// The bytes of one entry of `buffers`, as many as its `byteLength` says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Buffer {
    pub bytes: Arc<Vec<u8>>,
    pub source: Source,
}

/// Where the bytes of a buffer live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Source {
    /// The BIN chunk of a GLB.
    Bin,
    /// A data URI.
    Data,
    /// A file, relative to the document's folder.
    File(PathBuf),
    /// Nowhere yet: `save` gives it a place.
    Fresh,
    /// Nowhere: a buffer that only an extension fills.
    Absent,
    /// Still on disk ([`Document::open_lean`]): a document with such buffers is for reading alone.
    OnDisk(Extent),
}

/// A stretch of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Extent {
    pub file: PathBuf,
    pub offset: u64,
    pub length: usize,
}

impl Extent {
    /// Reads bytes of the stretch; `range` lies within it.
    pub fn read(&self, range: std::ops::Range<usize>) -> std::io::Result<Vec<u8>> {
        let mut file = std::fs::File::open(&self.file)?;
        file.seek(SeekFrom::Start(self.offset + range.start as u64))?;
        let mut bytes = vec![0; range.len()];
        file.read_exact(&mut bytes)?;
        Ok(bytes)
    }
}

impl Buffer {
    fn here(bytes: Vec<u8>, source: Source) -> Self {
        Self {
            bytes: Arc::new(bytes),
            source,
        }
    }

    /// How many bytes it has.
    pub fn len(&self) -> usize {
        match &self.source {
            Source::OnDisk(extent) => extent.length,
            _ => self.bytes.len(),
        }
    }

    fn truncate(&mut self, length: usize) {
        match &mut self.source {
            Source::OnDisk(extent) => extent.length = length,
            _ => Arc::make_mut(&mut self.bytes).truncate(length),
        }
    }
}

/// Gives the bytes of a file beside the document that are in memory already.
pub(super) type AtHand<'a> = dyn Fn(&Path) -> Option<Arc<Vec<u8>>> + 'a;

/// Gives the buffer of a file beside the document.
type Beside<'a> = dyn Fn(&At, &Path) -> Result<Buffer, Fault> + 'a;

/// The top-level arrays of objects (§5.17).
const ARRAYS: &[&str] = &[
    "accessors",
    "animations",
    "buffers",
    "bufferViews",
    "cameras",
    "images",
    "materials",
    "meshes",
    "nodes",
    "samplers",
    "scenes",
    "skins",
    "textures",
];

/// An upper estimate of the bytes that reading, patching, writing and checking a file take: JSON as a
/// tree of values, thrice at once, and every other byte as read, as written and as read back. 0 for a
/// file that cannot be read: opening it will say so.
pub fn reading_bytes(path: &Path) -> u64 {
    const TREE: u64 = 60;
    const COPIES: u64 = 4;
    // A pipe may never end: only plain files are opened.
    let Some(all) = std::fs::metadata(path)
        .ok()
        .filter(|file| file.is_file())
        .map(|file| file.len())
    else {
        return 0;
    };
    let mut head = [0; 16];
    let read = std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut head));
    let json = match (read, &head[..4]) {
        (Ok(()), b"glTF") => {
            u64::from(u32::from_le_bytes([head[12], head[13], head[14], head[15]])).min(all)
        }
        _ => all,
    };
    TREE * json + COPIES * (all - json)
}

impl Document {
    /// Reads a GLB or glTF file and its buffers; the kind is told by its first bytes, not its name.
    /// Buffers in other files must lie in the same folder or below.
    ///
    /// # Errors
    /// [`Error::Input`] with every fault of the container, the buffers and the required extensions.
    pub fn open(path: &Path) -> Result<Self, Error> {
        let unreadable = |error: std::io::Error| {
            Fault::new(path, "", "a file that can be read", error.to_string())
        };
        // A pipe may never end.
        if !std::fs::metadata(path).map_err(unreadable)?.is_file() {
            return Err(Fault::new(path, "", "a plain file", "something else").into());
        }
        let bytes = std::fs::read(path).map_err(unreadable)?;
        Self::from_bytes(path, bytes)
    }

    /// The same for bytes in memory; other files are looked for in the folder of `path`.
    ///
    /// # Errors
    /// As [`Document::open`].
    pub fn from_bytes(path: &Path, bytes: Vec<u8>) -> Result<Self, Error> {
        Self::read(path, bytes, &|_| None)
    }

    /// Reads the JSON alone: the bytes of buffers stay on disk, and an accessor fetches what it needs when it is
    /// opened. For files of many shapes, of which one at a time is looked at.
    ///
    /// # Errors
    /// As [`Document::open`].
    pub(super) fn open_lean(path: &Path) -> Result<Self, Error> {
        let Some((container, json, bin)) = container::open_lean(path) else {
            // Reading all of it says what is wrong.
            return Self::open(path);
        };
        let on_disk = |extent| Buffer {
            bytes: Arc::default(),
            source: Source::OnDisk(extent),
        };
        let beside = |uri: &At, relative: &Path| {
            let file = located(uri, relative)?;
            let length = std::fs::metadata(&file).map_or(0, |meta| meta.len());
            let length = usize::try_from(length).unwrap_or(usize::MAX);
            Ok(on_disk(Extent {
                file,
                offset: 0,
                length,
            }))
        };
        let mut bin = bin.map(on_disk);
        let buffers = buffers(&At::root(path, &json), &mut bin, &beside)?;
        Ok(Self {
            path: path.to_owned(),
            json,
            buffers,
            chunks: Vec::new(),
            container,
            stale: Vec::new(),
        })
    }

    /// Reads a document, taking resources from `at_hand` before the disk.
    pub(super) fn read(path: &Path, bytes: Vec<u8>, at_hand: &AtHand) -> Result<Self, Error> {
        let shell = container::open(path, bytes)?;
        let mut bin = shell.bin.map(|bytes| Buffer::here(bytes, Source::Bin));
        let beside = |uri: &At, relative: &Path| match at_hand(relative) {
            Some(bytes) => Ok(Buffer {
                bytes,
                source: Source::File(relative.to_owned()),
            }),
            None => external(uri, relative),
        };
        let buffers = buffers(&At::root(path, &shell.json), &mut bin, &beside)?;
        let mut chunks = shell.chunks;
        if let Some(bin) = bin {
            // A BIN chunk that no buffer claims is a chunk nobody knows.
            let (kind, bytes) = (container::BIN, Arc::unwrap_or_clone(bin.bytes));
            chunks.insert(0, Chunk { kind, bytes });
        }
        Ok(Self {
            path: path.to_owned(),
            json: shell.json,
            buffers,
            chunks,
            container: shell.container,
            stale: Vec::new(),
        })
    }

    /// The JSON of the file, with everything that stands in it.
    pub fn json(&self) -> &Value {
        &self.json
    }

    /// The file it was read from.
    pub fn path(&self) -> &Path {
        &self.path
    }

    pub(super) fn root(&self) -> At<'_> {
        At::root(&self.path, &self.json)
    }

    /// The number of objects in a top-level array.
    pub fn count(&self, array: &str) -> usize {
        self.json
            .get(array)
            .and_then(Value::as_array)
            .map_or(0, Vec::len)
    }

    /// An object of a top-level array.
    pub(super) fn item(&self, array: &str, index: usize) -> At<'_> {
        self.root().get(array).at(index)
    }
}

fn shape_faults(root: &At) -> Vec<Fault> {
    let mut faults = Vec::new();
    if !root.value.is_object() {
        return vec![root.fault("a JSON object")];
    }
    let version = root.get("asset").get("version");
    if !version.text().is_some_and(|text| text.starts_with("2.")) {
        faults.push(
            version
                .fault("glTF version \"2.0\"")
                .remedy("export as glTF 2.0"),
        );
    }
    // §3.2: a client that does not support the minimum version must not load the asset.
    let least = root.get("asset").get("minVersion");
    if !least.is_missing() && least.text() != Some("2.0") {
        faults.push(least.fault("a minimum version of \"2.0\""));
    }
    for array in ARRAYS {
        if let Some(items) = keep(root.get(array).items(), &mut faults) {
            faults.extend(
                items
                    .iter()
                    .filter(|item| !item.value.is_object())
                    .map(|item| item.fault("an object")),
            );
        }
    }
    faults
}

fn extension_faults(root: &At) -> Vec<Fault> {
    let mut faults = Vec::new();
    let required = root.get("extensionsRequired");
    for at in keep(required.items(), &mut faults).unwrap_or_default() {
        match at.text() {
            Some(name) if extensions::is_harmless(name) => {}
            Some(name) => faults.push(
                at.found("no required extension that this version cannot read", name)
                    .remedy(extensions::remedy(name)),
            ),
            None => faults.push(at.fault("the name of an extension")),
        }
    }
    faults
}

/// The buffers of a document; the first takes the BIN chunk, if it has no other source.
fn buffers(root: &At, bin: &mut Option<Buffer>, beside: &Beside) -> Result<Vec<Buffer>, Error> {
    let mut faults = shape_faults(root);
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }
    faults.extend(extension_faults(root));
    let mut buffers = Vec::new();
    for (i, at) in root.get("buffers").items()?.iter().enumerate() {
        let own = if i == 0 && at.get("uri").is_missing() {
            bin.take()
        } else {
            None
        };
        buffers.extend(keep(buffer(at, own, beside), &mut faults));
    }
    if faults.is_empty() {
        Ok(buffers)
    } else {
        Err(Error::Input(faults))
    }
}

fn buffer(at: &At, bin: Option<Buffer>, beside: &Beside) -> Result<Buffer, Fault> {
    let length = at.get("byteLength");
    let bytes_expected = length.integer("the buffer's length in bytes")?;
    let uri = at.get("uri");
    let mut buffer = match (uri.value, bin) {
        (Value::Null, Some(bin)) => bin,
        // Filled by an extension, or by nobody: a fault only for whoever reads it.
        (Value::Null, None) => return Ok(Buffer::here(Vec::new(), Source::Absent)),
        (Value::String(text), _) => match resources::classify(text) {
            Uri::Data(bytes) => Buffer::here(bytes, Source::Data),
            Uri::Relative(relative) => beside(&uri, &relative)?,
            Uri::Outside | Uri::Upward => {
                return Err(uri
                    .fault("a data URI or a path within the folder of the file")
                    .remedy("put the buffer beside the file, or export as .glb"));
            }
            Uri::Broken(reason) => {
                return Err(uri
                    .found("a data URI or a path within the folder of the file", reason)
                    .remedy("export the file again"));
            }
        },
        _ => return Err(uri.fault("a URI")),
    };
    if (buffer.len() as u64) < bytes_expected {
        return Err(length
            .found(
                format!("at most the {} bytes that are there", buffer.len()),
                bytes_expected.to_string(),
            )
            .remedy("the buffer was cut short: export or copy the file again"));
    }
    if (buffer.len() as u64) > bytes_expected {
        buffer.truncate(bytes_expected as usize);
    }
    Ok(buffer)
}

fn external(uri: &At, relative: &Path) -> Result<Buffer, Fault> {
    let bytes = std::fs::read(located(uri, relative)?)
        .map_err(|error| no_file(uri, format!("{}: {error}", relative.display())))?;
    Ok(Buffer::here(bytes, Source::File(relative.to_owned())))
}

/// The real place of a file that a URI leads to.
fn located(uri: &At, relative: &Path) -> Result<PathBuf, Fault> {
    resources::locate(resources::folder_of(uri.file), relative).map_err(|found| no_file(uri, found))
}

fn no_file(uri: &At, found: String) -> Fault {
    uri.found("a plain file within the folder of the document", found)
        .remedy("copy the buffer file along with the document")
}
