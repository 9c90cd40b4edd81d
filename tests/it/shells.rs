//! Completions and manual pages, which come from the definition of the words.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::bake::{folder, put};
use crate::files::{refused, tanyard_ok, word};

/// Runs a program of the system; nothing, said aloud, if it is not there.
fn run(program: &str, words: &[&OsStr]) -> Option<Output> {
    match Command::new(program).args(words).output() {
        Ok(output) => Some(output),
        Err(error) => {
            println!("there is no {program} here ({error}): passed over");
            None
        }
    }
}

/// What bash offers behind these words.
fn offered(script: &Path, words: &[&str]) -> Option<BTreeSet<String>> {
    let last = words.last().copied().unwrap_or_default();
    let before = words.iter().rev().nth(1).copied().unwrap_or_default();
    let quoted: Vec<String> = words.iter().map(|word| format!("'{word}'")).collect();
    let line = format!(
        "source '{}' && COMP_WORDS=({}) COMP_CWORD={} && _tanyard tanyard '{last}' '{before}'; \
         printf '%s\\n' \"${{COMPREPLY[@]}}\"",
        word(script),
        quoted.join(" "),
        words.len() - 1
    );
    // No file of the user's, and no folder with names to offer.
    let output = run("bash", &["--norc", "-c", &line].map(OsStr::new))?;
    let error = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success() && error.is_empty(), "{error}");
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    Some(
        text.lines()
            .map(str::to_owned)
            .filter(|line| !line.is_empty())
            .collect(),
    )
}

#[test]
fn bash_completes_commands_words_and_values() {
    let folder = folder();
    let script = put(
        folder.path(),
        "tanyard.bash",
        tanyard_ok(&["completions", "bash"]),
    );
    let some = |words: &[&str]| offered(&script, words);
    let Some(found) = some(&["tanyard", "ba"]) else {
        return;
    };
    assert_eq!(found, BTreeSet::from(["bake".to_owned()]));
    let offer = |words: &[&str]| some(words).unwrap_or_default();
    let all = offer(&["tanyard", ""]);
    for command in [
        "bake",
        "poses",
        "inspect",
        "recipe",
        "report",
        "compare",
        "completions",
        "man",
    ] {
        assert!(all.contains(command), "{command}: {all:?}");
    }
    assert!(offer(&["tanyard", "bake", "--in"]).contains("--influences"));
    assert!(offer(&["tanyard", "report", "me"]).contains("merge"));
    assert!(offer(&["tanyard", "completions", "po"]).contains("powershell"));
    let colours = offer(&["tanyard", "inspect", "--color", ""]);
    assert_eq!(
        colours,
        ["always", "auto", "never"].map(str::to_owned).into()
    );
}

#[test]
fn every_shell_takes_its_script() {
    let folder = folder();
    for shell in ["bash", "zsh", "fish", "elvish", "powershell"] {
        let script = tanyard_ok(&["completions", shell]);
        assert!(
            script.contains("tanyard") && script.contains("influences"),
            "{shell}"
        );
        let path = put(folder.path(), shell, &script);
        let words: &[&str] = match shell {
            "elvish" => &["-compileonly"],
            // It has no such word: the script is run, which defines functions and no more.
            "powershell" => &["-NoProfile", "-File"],
            _ => &["-n"],
        };
        let program = if shell == "powershell" { "pwsh" } else { shell };
        let words: Vec<&OsStr> = words
            .iter()
            .map(OsStr::new)
            .chain([path.as_os_str()])
            .collect();
        if let Some(output) = run(program, &words) {
            let error = String::from_utf8_lossy(&output.stderr);
            assert!(
                output.status.success() && error.is_empty(),
                "{shell}: {error}"
            );
        }
    }
    refused(&["completions", "tcsh"], 2);
    refused(&["completions"], 2);
}

#[test]
fn there_is_a_sound_manual_page_for_each_command() {
    let folder = folder();
    let said = tanyard_ok(&["man", "-o", word(folder.path())]);
    let names = |folder: &Path| -> BTreeSet<String> {
        let entries = fs::read_dir(folder).expect("it is there").flatten();
        entries
            .map(|entry| entry.file_name().to_string_lossy().into_owned())
            .collect()
    };
    let pages = names(folder.path());
    for page in [
        "tanyard.1",
        "tanyard-bake.1",
        "tanyard-compare.1",
        "tanyard-completions.1",
        "tanyard-inspect.1",
        "tanyard-man.1",
        "tanyard-poses.1",
        "tanyard-recipe.1",
        "tanyard-report.1",
        "tanyard-report-merge.1",
        "tanyard-report-show.1",
    ] {
        assert!(pages.contains(page), "{page}: {pages:?}");
    }
    assert!(said.contains(&format!("{} pages", pages.len())), "{said}");
    let mut checked = 0;
    for page in &pages {
        let path = folder.path().join(page);
        let text = fs::read_to_string(&path).expect("it is there");
        assert!(!text.contains('\u{1b}'), "{page}");
        assert!(!text.contains("EXTRA"), "{page}: a section without a name");
        for (program, flags) in [
            ("groff", &["-ww", "-z", "-man", "-Kutf8", "-Tutf8"][..]),
            ("mandoc", &["-Tlint", "-Wwarning"]),
        ] {
            let words: Vec<&OsStr> = flags
                .iter()
                .map(OsStr::new)
                .chain([path.as_os_str()])
                .collect();
            if let Some(output) = run(program, &words) {
                let said = [output.stdout, output.stderr].concat();
                let said = String::from_utf8_lossy(&said);
                assert!(
                    output.status.success() && said.is_empty(),
                    "{program} {page}: {said}"
                );
                checked += 1;
            }
        }
    }
    println!("{checked} checks of {} pages", pages.len());
    // The first is the one that is printed.
    let first = fs::read_to_string(folder.path().join("tanyard.1")).expect("it is there");
    assert_eq!(tanyard_ok(&["man"]), first);
    assert!(first.contains(".SH EXIT STATUS\n0 all is well"), "{first}");
    let bake = fs::read_to_string(folder.path().join("tanyard-bake.1")).expect("it is there");
    assert!(
        bake.contains(".SH EXAMPLES\n.nf\n  tanyard bake "),
        "{bake}"
    );
    assert!(bake.trim_end().ends_with(".fi"), "{bake}");
    // A folder that is not there is a slip.
    refused(&["man", "-o", word(&folder.path().join("none"))], 2);
    refused(&["man", "-o", word(&folder.path().join("tanyard.1"))], 2);
}
