//! The arrows between rooms, read from the `use crate::` lines and held to the table in
//! docs/ARCHITECTURE.md.

use std::fs;
use std::path::Path;

/// Each room and those that it may use.
const ROOMS: &[(&str, &[&str])] = &[
    ("rig", &[]),
    ("units", &[]),
    ("memory", &[]),
    ("error", &["units"]),
    ("asset", &["rig", "error"]),
    ("shapes", &["asset", "rig", "error"]),
    ("bind", &["rig"]),
    ("pose", &["rig", "error"]),
    ("deform", &["rig"]),
    ("drive", &["error", "rig"]),
    ("fit", &["rig"]),
    ("carry", &["rig"]),
    ("measure", &["rig"]),
    ("inspect", &["rig"]),
    (
        "report",
        &["error", "inspect", "measure", "memory", "units"],
    ),
    ("picture", &["rig"]),
    ("page", &["picture", "report", "units"]),
    ("limits", &["inspect", "report"]),
    (
        "recipe",
        &[
            "asset", "bind", "deform", "fit", "limits", "pose", "rig", "error",
        ],
    ),
    (
        "job",
        &[
            "asset", "bind", "carry", "deform", "drive", "error", "fit", "inspect", "limits",
            "measure", "memory", "page", "picture", "pose", "recipe", "report", "rig", "shapes",
        ],
    ),
    (
        "batch",
        &[
            "asset", "error", "job", "limits", "memory", "page", "picture", "report", "units",
        ],
    ),
    (
        "cli",
        &[
            "asset", "batch", "error", "inspect", "job", "page", "picture", "pose", "recipe",
            "report", "rig", "shapes", "units",
        ],
    ),
];

#[test]
fn rooms_use_only_what_the_table_allows() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = 0;
    for (room, allowed) in ROOMS {
        for (path, text) in rust_files(&source, room) {
            files += 1;
            for used in used_rooms(&text) {
                let fine = used == *room || allowed.contains(&used.as_str());
                assert!(fine, "{path} uses crate::{used}, which {room} may not");
            }
            let clap = text.contains("clap::");
            assert!(
                !clap || *room == "cli",
                "{path} uses clap, which only src/cli may"
            );
        }
    }
    let known =
        |name: &str| name == "lib" || name == "main" || ROOMS.iter().any(|(room, _)| *room == name);
    for entry in fs::read_dir(&source).expect("src is readable") {
        let path = entry.expect("an entry of src").path();
        let name = path
            .file_stem()
            .and_then(|name| name.to_str())
            .expect("a name in Unicode");
        assert!(known(name), "{name} is no room of the table");
    }
    assert!(
        files > 40,
        "only {files} files were read: the test looks in the wrong place"
    );
}

fn rust_files(source: &Path, room: &str) -> Vec<(String, String)> {
    let folder = source.join(room);
    let mut paths = vec![source.join(format!("{room}.rs"))];
    if let Ok(entries) = fs::read_dir(&folder) {
        paths.extend(entries.map(|entry| entry.expect("an entry of a room").path()));
    }
    paths.retain(|path| path.is_file());
    assert!(!paths.is_empty(), "room {room} has no files");
    paths
        .into_iter()
        .map(|path| {
            (
                path.display().to_string(),
                fs::read_to_string(&path).expect("a source file is readable"),
            )
        })
        .collect()
}

fn used_rooms(text: &str) -> Vec<String> {
    text.match_indices("crate::")
        // Not the `crate` of `pub(in crate::…)` nor the end of a longer name.
        .filter(|(at, _)| !text[..*at].ends_with(|c: char| c.is_alphanumeric() || c == '_'))
        .map(|(at, matched)| {
            let rest = &text[at + matched.len()..];
            let end = rest
                .find(|c: char| !(c.is_alphanumeric() || c == '_'))
                .unwrap_or(rest.len());
            rest[..end].to_owned()
        })
        .filter(|name| !name.is_empty())
        .collect()
}
