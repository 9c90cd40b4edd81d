//! Where characters are found, and how the command is run.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The sample characters of `TANYARD_ASSETS`; none, said aloud, if it is not set.
pub fn assets() -> Vec<PathBuf> {
    let Some(folder) = std::env::var_os("TANYARD_ASSETS") else {
        println!("TANYARD_ASSETS is not set: sample characters are passed over");
        return Vec::new();
    };
    ["CesiumMan.glb", "Fox.glb"]
        .iter()
        .map(|name| Path::new(&folder).join(name))
        .inspect(|path| {
            assert!(
                path.is_file(),
                "TANYARD_ASSETS is set, but {} is not there",
                path.display()
            )
        })
        .collect()
}

/// The demo characters of the repository for a first look.
pub fn demos() -> Vec<PathBuf> {
    in_demo_data(&["bog_ox.glb", "marsh_tanner.glb", "mire_eel_newt.glb"])
}

/// Those without weights that are hard to bind. Tests of bakes leave them out: they are slow and would say
/// no more than the others.
pub fn hard_demos() -> Vec<PathBuf> {
    in_demo_data(&["bank_otter.glb", "eel_catcher.glb", "reed_cutter.glb"])
}

fn in_demo_data(names: &[&str]) -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("demo-data");
    let demos: Vec<PathBuf> = names.iter().map(|name| folder.join(name)).collect();
    for demo in &demos {
        assert!(demo.is_file(), "{} is missing", demo.display());
    }
    demos
}

/// Runs the command.
pub fn tanyard(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_tanyard"))
        .args(arguments)
        .output()
        .expect("the command was built with the tests")
}

/// Runs the command, which must succeed.
pub fn tanyard_ok(arguments: &[&str]) -> String {
    let output = tanyard(arguments);
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {error}");
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Runs the command, which must end with that code; gives what it says.
pub fn refused(arguments: &[&str], code: i32) -> String {
    let output = tanyard(arguments);
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}: {error}");
    error
}

/// A path as the command line takes it.
pub fn word(path: &Path) -> &str {
    path.to_str().expect("test paths are Unicode")
}
