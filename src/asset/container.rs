//! The outer shell of a file: GLB header and chunks (glTF 2.0 §4.4), or plain JSON.

use std::borrow::Cow;
use std::io::Read;
use std::path::Path;

use serde_json::Value;

use super::document::Extent;
use crate::error::Fault;

pub(super) const MAGIC: &[u8; 4] = b"glTF";
const VERSION: u32 = 2;
const HEADER: usize = 12;
const CHUNK_HEADER: usize = 8;
/// Where the JSON of a GLB begins.
pub(super) const JSON_START: usize = HEADER + CHUNK_HEADER;
const JSON: u32 = 0x4E4F_534A;
pub(super) const BIN: u32 = 0x004E_4942;

/// Which shell the document came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Container {
    Glb,
    Gltf,
}

/// A GLB chunk that is neither the JSON nor the binary buffer; kept as it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Chunk {
    pub kind: u32,
    pub bytes: Vec<u8>,
}

/// A file taken apart, its JSON parsed.
pub(super) struct Shell {
    pub container: Container,
    pub json: Value,
    /// The BIN chunk, if it is where the standard wants it: second.
    pub bin: Option<Vec<u8>>,
    pub chunks: Vec<Chunk>,
}

/// Takes a file apart; the kind is told by its first four bytes, never by its name.
pub(super) fn open(path: &Path, bytes: Vec<u8>) -> Result<Shell, Fault> {
    if bytes.starts_with(MAGIC) {
        open_glb(path, bytes)
    } else {
        let looks_binary = bytes.iter().take(64).any(|&b| b == 0);
        if bytes.is_empty() || looks_binary {
            let found = match bytes.len() {
                0 => "an empty file",
                _ => "neither",
            };
            return Err(Fault::new(
                path,
                "",
                "a GLB file (which begins with \"glTF\") or glTF JSON",
                found,
            )
            .remedy("export the character as glTF 2.0"));
        }
        Ok(Shell {
            container: Container::Gltf,
            json: parse(path, &bytes)?,
            bin: None,
            chunks: Vec::new(),
        })
    }
}

/// The JSON of a file, and where its BIN chunk lies, which is not read. `None` for whatever [`open`] would find
/// fault with, as far as this sees it.
pub(super) fn open_lean(path: &Path) -> Option<(Container, Value, Option<Extent>)> {
    // A pipe may never end.
    if !std::fs::metadata(path).ok()?.is_file() {
        return None;
    }
    let mut file = std::fs::File::open(path).ok()?;
    let length = file.metadata().ok()?.len();
    let mut head = [0; JSON_START];
    let read = file.read_exact(&mut head);
    if read.is_err() || !head.starts_with(MAGIC) {
        let json = parse(path, &std::fs::read(path).ok()?).ok()?;
        return Some((Container::Gltf, json, None));
    }
    let sound = word(&head, 4) == VERSION && u64::from(word(&head, 8)) == length;
    let json_length = u64::from(word(&head, 12));
    let json_end = JSON_START as u64 + json_length;
    if !sound || word(&head, 16) != JSON || json_end > length {
        return None;
    }
    // The length of the file bounds what is allocated.
    let mut text = vec![0; usize::try_from(json_length).ok()?];
    file.read_exact(&mut text).ok()?;
    let json = parse(path, &text).ok()?;
    let mut head = [0; CHUNK_HEADER];
    if json_end == length {
        return Some((Container::Glb, json, None));
    }
    file.read_exact(&mut head).ok()?;
    let bin = Extent {
        file: path.to_owned(),
        offset: json_end + CHUNK_HEADER as u64,
        length: word(&head, 0) as usize,
    };
    let fits = bin.offset + bin.length as u64 <= length;
    let is_bin = word(&head, 4) == BIN;
    fits.then_some((Container::Glb, json, is_bin.then_some(bin)))
}

fn open_glb(path: &Path, mut bytes: Vec<u8>) -> Result<Shell, Fault> {
    let cut = |part: String, expected: String, found: String| {
        Fault::new(path, part, expected, found)
            .remedy("the file is damaged or was cut short: export or copy it again")
    };
    if bytes.len() < HEADER {
        return Err(cut(
            "bytes 0..12".into(),
            "a GLB header of 12 bytes".into(),
            format!("{} bytes", bytes.len()),
        ));
    }
    let version = word(&bytes, 4);
    if version != VERSION {
        return Err(Fault::new(
            path,
            "bytes 4..8",
            "GLB version 2",
            format!("version {version}"),
        )
        .remedy("export as glTF 2.0"));
    }
    let length = word(&bytes, 8) as usize;
    if length != bytes.len() {
        return Err(cut(
            "bytes 8..12".into(),
            format!("the length of the file, {} bytes", bytes.len()),
            format!("{length}"),
        ));
    }
    let (mut json, mut bin, mut chunks) = (None, None, Vec::new());
    let (mut offset, mut number) = (HEADER, 0usize);
    while offset < bytes.len() {
        let rest = bytes.len() - offset;
        if rest < CHUNK_HEADER {
            return Err(cut(
                format!("bytes {offset}..{}", bytes.len()),
                "a chunk header of 8 bytes".into(),
                format!("{rest} bytes"),
            ));
        }
        let (length, kind) = (word(&bytes, offset) as usize, word(&bytes, offset + 4));
        if length > rest - CHUNK_HEADER {
            return Err(cut(
                format!("bytes {offset}..{}", offset + 4),
                format!("a chunk length of at most {}", rest - CHUNK_HEADER),
                format!("{length}"),
            ));
        }
        let range = offset + CHUNK_HEADER..offset + CHUNK_HEADER + length;
        let content = &bytes[range.clone()];
        match (number, kind) {
            (0, JSON) => json = Some(parse(path, content)?),
            (1, BIN) => bin = Some(range),
            (0, _) => {
                return Err(cut(
                    "bytes 16..20".into(),
                    "the JSON chunk first".into(),
                    format!("a chunk of kind {kind:#010x}"),
                ));
            }
            _ => chunks.push(Chunk {
                kind,
                bytes: content.to_vec(),
            }),
        }
        offset += CHUNK_HEADER + length;
        number += 1;
    }
    let json = json.ok_or_else(|| {
        cut(
            String::new(),
            "a JSON chunk".into(),
            "no chunk at all".into(),
        )
    })?;
    // The bytes of the file become those of the chunk: it may be most of a large file.
    let bin = bin.map(|range| {
        bytes.truncate(range.end);
        bytes.drain(..range.start);
        bytes
    });
    Ok(Shell {
        container: Container::Glb,
        json,
        bin,
        chunks,
    })
}

/// The parts of a GLB, one after the other: JSON padded with spaces, BIN with zeros (§4.4.3). `None` if
/// it would be longer than its header can say, 4 GiB.
pub(super) fn glb<'a>(
    json: &Value,
    bin: Option<&'a [u8]>,
    chunks: &'a [Chunk],
) -> Option<Vec<Cow<'a, [u8]>>> {
    let mut text = json.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let mut contents: Vec<(u32, Cow<[u8]>)> = vec![(JSON, text.into())];
    contents.extend(bin.map(|bin| (BIN, bin.into())));
    contents.extend(
        chunks
            .iter()
            .map(|chunk| (chunk.kind, (&chunk.bytes).into())),
    );
    let padded = |bytes: &[u8]| bytes.len().next_multiple_of(4);
    let lengths = contents.iter().map(|(_, bytes)| padded(bytes) as u64);
    let mut parts: Vec<Cow<[u8]>> = vec![header(lengths)?.into()];
    for (kind, bytes) in contents {
        let header = chunk_header(padded(&bytes) as u64, kind)?;
        let padding = &[0; 3][..padded(&bytes) - bytes.len()];
        parts.extend([header.into(), bytes, padding.into()]);
    }
    Some(parts)
}

/// What stands before the content of a BIN chunk of that length, a multiple of 4, in a GLB with that JSON and
/// nothing else: for chunks too long to be held. `None` if the whole would be longer than its header can say, 4 GiB.
pub fn before_bin(json: &str, bin: u64) -> Option<Vec<u8>> {
    let padding = json.len().next_multiple_of(4) - json.len();
    let json_length = (json.len() + padding) as u64;
    let mut bytes = header([json_length, bin].into_iter())?;
    bytes.extend(chunk_header(json_length, JSON)?);
    bytes.extend_from_slice(json.as_bytes());
    bytes.extend_from_slice(&b"   "[..padding]);
    bytes.extend(chunk_header(bin, BIN)?);
    Some(bytes)
}

/// The header of a file with chunks of these lengths.
fn header(chunks: impl Iterator<Item = u64>) -> Option<Vec<u8>> {
    let total = HEADER as u64 + chunks.map(|chunk| CHUNK_HEADER as u64 + chunk).sum::<u64>();
    let mut header = MAGIC.to_vec();
    header.extend(VERSION.to_le_bytes());
    header.extend(u32::try_from(total).ok()?.to_le_bytes());
    Some(header)
}

fn chunk_header(length: u64, kind: u32) -> Option<Vec<u8>> {
    let length = u32::try_from(length).ok()?.to_le_bytes();
    Some([length, kind.to_le_bytes()].concat())
}

fn parse(path: &Path, bytes: &[u8]) -> Result<Value, Fault> {
    // Some exporters begin with a byte order mark, which the standard forbids and JSON readers refuse.
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let end = bytes
        .iter()
        .rposition(|&b| b != 0)
        .map_or(0, |last| last + 1);
    serde_json::from_slice(&bytes[..end]).map_err(|error| {
        Fault::new(path, "the JSON", "valid JSON", error.to_string()).remedy(
            "the file is damaged, no glTF, or nested deeper than 128 levels: export it again",
        )
    })
}

fn word(bytes: &[u8], offset: usize) -> u32 {
    let mut word = [0; 4];
    word.copy_from_slice(&bytes[offset..offset + 4]);
    u32::from_le_bytes(word)
}
