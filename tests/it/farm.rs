//! A folder of many small characters, for tests of runs over folders.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::{Value, json};

use crate::asset_kit::{Kit, arm};
use crate::files::word;

/// A recipe that makes the arm bend in few poses.
pub const FEW: &str = "[poses]\nsweep_steps = 1\nblends = 8\nheld_out = 8\n";

/// An arm that no other number gives: its JSON says the number, and its elbow weighs otherwise.
pub fn numbered_arm(number: usize) -> Kit {
    let mut kit = arm();
    kit.json["nodes"][1]["extras"] = json!({ "number": number });
    kit
}

/// Writes an arm as `.glb`, or as `.gltf` with its buffer in a file beside.
pub fn put_arm(path: &Path, number: usize) {
    fs::create_dir_all(path.parent().expect("a folder")).expect("it can be made");
    let kit = numbered_arm(number);
    let is_text = path.extension().is_some_and(|ending| ending == "gltf");
    let bytes = if is_text {
        let name = path.with_extension("buffer");
        fs::write(&name, &kit.bin).expect("it can be written");
        kit.gltf_with_uri(
            name.file_name()
                .and_then(|name| name.to_str())
                .expect("Unicode"),
        )
    } else {
        kit.glb()
    };
    fs::write(path, bytes).expect("it can be written");
}

/// Every plain file below a folder by its path from there, but for the local cache, whose entries hold times.
pub fn files_of(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        let Ok(entries) = fs::read_dir(&folder) else {
            continue;
        };
        for entry in entries.flatten() {
            let path = entry.path();
            if path.is_dir() {
                if entry.file_name() != ".tanyard" {
                    folders.push(path);
                }
            } else {
                let bytes = fs::read(&path).expect("it can be read");
                let relative = path.strip_prefix(root).expect("it is below");
                found.insert(relative.to_owned(), bytes);
            }
        }
    }
    found
}

/// Copies a folder with everything below.
pub fn copy_tree(from: &Path, to: &Path) {
    fs::create_dir_all(to).expect("it can be made");
    for entry in fs::read_dir(from).expect("it can be read").flatten() {
        let (path, target) = (entry.path(), to.join(entry.file_name()));
        if path.is_dir() {
            copy_tree(&path, &target);
        } else {
            fs::copy(&path, &target).expect("it can be copied");
        }
    }
}

/// A bake of a folder.
pub fn command(input: &Path, output: &Path, extra: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tanyard"));
    command.args(["bake", word(input), "-o", word(output)]);
    command.args(extra);
    command
}

/// Bakes a folder; gives the exit code, the report and what went to standard error.
pub fn bake_folder(input: &Path, output: &Path, extra: &[&str]) -> (i32, Value, String) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let report = folder.path().join("report.json");
    let output = command(input, output, &["--report", word(&report)])
        .args(extra)
        .output()
        .expect("the command was built with the tests");
    let text = fs::read_to_string(&report);
    let error = said(&output);
    let text = text.unwrap_or_else(|_| panic!("no report: {error}"));
    let report = serde_json::from_str(&text).expect("the report is JSON");
    (
        output.status.code().expect("it ended by itself"),
        report,
        error,
    )
}

/// What a command said on standard error.
pub fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The names of files that ended so.
pub fn names(report: &Value, status: &str) -> Vec<String> {
    let files = report["files"].as_array().expect("a list");
    files
        .iter()
        .filter(|file| file["status"] == status)
        .map(|file| file["name"].as_str().expect("a name").to_owned())
        .collect()
}

/// The arm that `tests/farm/run.sh` makes its characters from.
#[test]
fn the_arm_that_is_kept_for_the_check_of_the_guide() {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/farm/arm.gltf");
    let made = numbered_arm(0).gltf_with_data();
    if std::env::var_os("TANYARD_REMAKE").is_some() {
        fs::write(&kept, &made).expect("it can be written");
    }
    let kept = fs::read(kept).expect("it is kept");
    assert!(kept == made, "make it again with TANYARD_REMAKE=1");
}
