//! What URIs in a file lead to (glTF 2.0 §3.6.1.1, §2.8): data within the URI, or a file in the input's own
//! folder. Nothing else is read because a file says so, and nothing is fetched.

use std::path::{Component, Path, PathBuf};

use base64::Engine;
use percent_encoding::{AsciiSet, CONTROLS, percent_decode_str, utf8_percent_encode};
use serde_json::Value;

/// What a URI is, before any file is touched.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Uri {
    /// The bytes are in the URI.
    Data(Vec<u8>),
    /// A path below the folder of the document.
    Relative(PathBuf),
    /// It leads to a fixed place elsewhere: it has a scheme, or is absolute.
    Outside,
    /// It leads out of the folder by `..`.
    Upward,
    /// It cannot be read: the reason.
    Broken(String),
}

/// Characters that a path in a URI must not hold as they are.
const ESCAPED: &AsciiSet = &CONTROLS
    .add(b' ')
    .add(b'"')
    .add(b'#')
    .add(b'%')
    .add(b'<')
    .add(b'>')
    .add(b'?')
    .add(b'[')
    .add(b'\\')
    .add(b']')
    .add(b'^')
    .add(b'`')
    .add(b'{')
    .add(b'|')
    .add(b'}')
    .add(b':');

/// A file name as a URI.
pub(super) fn encode_name(name: &str) -> String {
    utf8_percent_encode(name, ESCAPED).to_string()
}

/// Bytes as a data URI.
pub(super) fn encode_data(bytes: &[u8]) -> String {
    let mut uri = String::from("data:application/octet-stream;base64,");
    base64::engine::general_purpose::STANDARD.encode_string(bytes, &mut uri);
    uri
}

/// Tells what a URI is.
pub(super) fn classify(uri: &str) -> Uri {
    if let Some(rest) = strip_data(uri) {
        return match data(rest) {
            Ok(bytes) => Uri::Data(bytes),
            Err(reason) => Uri::Broken(reason),
        };
    }
    if has_scheme(uri) {
        return Uri::Outside;
    }
    let Ok(decoded) = percent_decode_str(uri).decode_utf8() else {
        return Uri::Broken("its percent-encoded characters are no UTF-8".into());
    };
    if decoded.is_empty() || decoded.contains('\0') {
        return Uri::Broken("it is no file name".into());
    }
    // Backslashes separate on some systems, and colons name drives or streams: refused on all alike.
    if decoded.starts_with('/') || decoded.contains('\\') || has_scheme(&decoded) {
        return Uri::Outside;
    }
    let path = PathBuf::from(decoded.as_ref());
    let mut clean = PathBuf::new();
    for component in path.components() {
        match component {
            Component::Normal(name) => clean.push(name),
            Component::CurDir => {}
            Component::ParentDir => return Uri::Upward,
            Component::RootDir | Component::Prefix(_) => {
                return Uri::Outside;
            }
        }
    }
    Uri::Relative(clean)
}

fn strip_data(uri: &str) -> Option<&str> {
    let (scheme, rest) = uri.split_at_checked(5)?;
    scheme.eq_ignore_ascii_case("data:").then_some(rest)
}

fn has_scheme(uri: &str) -> bool {
    uri.split_once(':').is_some_and(|(scheme, _)| {
        let mut letters = scheme.chars();
        letters.next().is_some_and(|c| c.is_ascii_alphabetic())
            && letters.all(|c| c.is_ascii_alphanumeric() || "+-.".contains(c))
    })
}

fn data(rest: &str) -> Result<Vec<u8>, String> {
    let (head, body) = rest
        .split_once(',')
        .ok_or("a data URI without a comma before its data")?;
    let in_base64 = head
        .rsplit(';')
        .next()
        .is_some_and(|last| last.eq_ignore_ascii_case("base64"));
    let bytes: Vec<u8> = percent_decode_str(body).collect();
    if !in_base64 {
        return Ok(bytes);
    }
    let lenient = base64::engine::GeneralPurpose::new(
        &base64::alphabet::STANDARD,
        base64::engine::GeneralPurposeConfig::new()
            .with_decode_padding_mode(base64::engine::DecodePaddingMode::Indifferent),
    );
    lenient
        .decode(&bytes)
        .map_err(|error| format!("base64 that does not decode: {error}"))
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

/// The path that a URI leads to, if that is within the folder of the document.
pub(super) fn relative_of(uri: &str) -> Option<PathBuf> {
    match classify(uri) {
        Uri::Relative(relative) => Some(relative),
        _ => None,
    }
}

/// The folder that the resources of a document lie in.
pub fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

/// The real path of a resource, if it is a plain file that really lies in the folder.
///
/// # Errors
/// What was found in its place.
pub(super) fn locate(folder: &Path, relative: &Path) -> Result<PathBuf, String> {
    let root = folder
        .canonicalize()
        .map_err(|error| format!("the folder {}: {error}", folder.display()))?;
    let real = root
        .join(relative)
        .canonicalize()
        .map_err(|error| format!("{}: {error}", relative.display()))?;
    if !real.starts_with(&root) {
        return Err(format!(
            "{}, a link that leads out of the folder",
            relative.display()
        ));
    }
    // Pipes and devices would never end.
    if !real.is_file() {
        return Err(format!("{}, which is no plain file", relative.display()));
    }
    Ok(real)
}
