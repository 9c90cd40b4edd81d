//! The command refuses: wrong words, wrong recipes, broken files, targets that cannot be written. It names
//! the file and the part, exits with the right code and writes nothing.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::bake::{QUICK, data_of, folder, put};
use crate::files::{demos, refused, word};

#[test]
fn too_little_memory_is_said_before_work_starts() {
    let folder = folder();
    let output = folder.path().join("out.glb");
    let error = refused(
        &[
            "bake",
            word(&demos()[1]),
            "-o",
            word(&output),
            "--memory",
            "5M",
        ],
        3,
    );
    assert!(
        error.contains("needs about") && error.contains("5.0 MiB") && !output.exists(),
        "{error}"
    );
}

#[test]
fn bad_input_is_named_and_nothing_is_written() {
    let folder = folder();
    let good = fs::read(&demos()[2]).expect("a demo is there");
    let cut = put(folder.path(), "cut.glb", &good[..good.len() / 2]);
    let text = put(
        folder.path(),
        "text.gltf",
        "{\"asset\": {\"version\": \"2.0\"}, ",
    );
    let cases = [
        (cut, "cut.glb"),
        (text, "text.gltf"),
        (folder.path().join("missing.glb"), "missing.glb"),
        (
            patched(folder.path(), "range.glb", &good, |json| {
                json["meshes"][0]["primitives"][0]["attributes"]["POSITION"] = 9999.into()
            }),
            "POSITION",
        ),
        (
            patched(folder.path(), "cycle.glb", &good, |json| {
                let joint = json["skins"][0]["joints"][3].as_u64().expect("a joint") as usize;
                json["nodes"][joint]["children"] = serde_json::json!([joint]);
            }),
            "nodes",
        ),
        (
            patched(folder.path(), "bare.glb", &good, |json| {
                json.as_object_mut()
                    .expect("an object")
                    .shift_remove("skins");
            }),
            "--skeleton",
        ),
        (
            patched(folder.path(), "draco.glb", &good, |json| {
                json["extensionsRequired"] = serde_json::json!(["KHR_draco_mesh_compression"]);
            }),
            "KHR_draco_mesh_compression",
        ),
    ];
    for (input, part) in cases {
        let output = folder.path().join("never.glb");
        let error = refused(&["bake", word(&input), "-o", word(&output)], 3);
        assert!(error.contains(part), "{}: {error}", input.display());
        assert!(
            error.contains(input.file_name().and_then(|n| n.to_str()).expect("a name")),
            "{error}"
        );
        assert!(!output.exists());
    }
}

#[test]
fn numbers_that_are_none_are_named() {
    let folder = folder();
    let good = fs::read(&demos()[2]).expect("a demo is there");
    let position = data_of(&good, |json| {
        json["meshes"][0]["primitives"][0]["attributes"]["POSITION"]
            .as_u64()
            .expect("there")
    });
    let matrix = data_of(&good, |json| {
        json["skins"][0]["inverseBindMatrices"]
            .as_u64()
            .expect("there")
    });
    let nan = f32::NAN.to_le_bytes();
    for (at, bytes, part) in [
        (position, &nan[..], "POSITION"),
        (matrix + 64, &nan[..], "inverseBindMatrices"),
        // The first three columns of the second matrix: no inverse.
        (matrix + 64, &[0u8; 48][..], "inverseBindMatrices"),
    ] {
        let mut bad = good.clone();
        bad[at..at + bytes.len()].copy_from_slice(bytes);
        let input = put(folder.path(), "bad.glb", bad);
        let output = folder.path().join("never.glb");
        let error = refused(&["bake", word(&input), "-o", word(&output)], 3);
        assert!(
            error.contains(part) && error.contains("bad.glb") && !output.exists(),
            "{error}"
        );
    }
}

#[test]
fn wrong_words_and_recipes_exit_with_2() {
    let folder = folder();
    let input = word(&demos()[2]).to_owned();
    let output = folder.path().join("never.glb");
    let recipe = put(folder.path(), "r.toml", "[fit]\ninfluence = 3\n");
    for words in [
        vec!["bake", &input],
        vec!["bake", &input, "-o", word(&output), "--influences", "9"],
        vec![
            "bake",
            &input,
            "-o",
            word(&output),
            "--recipe",
            word(&recipe),
        ],
        vec!["bake", &input, "-o", word(&output), "--memory", "lots"],
        vec!["tan", &input],
    ] {
        refused(&words, 2);
        assert!(!output.exists());
    }
}

#[test]
fn poses_with_unknown_joints_name_the_nearest() {
    let folder = folder();
    let input = &demos()[1];
    let poses = put(
        folder.path(),
        "poses.json",
        r#"{"poses":[{"name":"a","joints":{"hand_ll":[0,0,0,1]}}]}"#,
    );
    let output = folder.path().join("never.glb");
    let error = refused(
        &[
            "bake",
            word(input),
            "-o",
            word(&output),
            "--poses",
            word(&poses),
        ],
        3,
    );
    for part in ["poses.json", "poses[0].joints[\"hand_ll\"]", "\"hand_l\""] {
        assert!(error.contains(part), "{error}");
    }
    assert!(!output.exists());
}

#[test]
fn target_that_cannot_be_written_fails_before_work() {
    let folder = folder();
    let input = &demos()[2];
    let missing = folder.path().join("no").join("such").join("out.glb");
    let is_folder = folder.path().join("folder.glb");
    fs::create_dir(&is_folder).expect("a temporary folder can be written");
    for output in [missing.as_path(), &is_folder] {
        let error = refused(&["bake", word(input), "-o", word(output)], 3);
        assert!(
            error.contains(word(output)) && error.contains("nothing was written"),
            "{error}"
        );
    }
}

/// A report, a recipe or a pose file must never be taken for a target by a slip of the path.
#[test]
fn files_that_are_read_are_not_written_over() {
    let folder = folder();
    let input = put(
        folder.path(),
        "a.glb",
        fs::read(&demos()[2]).expect("a demo is there"),
    );
    let recipe = put(folder.path(), "r.toml", QUICK);
    let output = folder.path().join("o.glb");
    let roundabout = folder
        .path()
        .join("..")
        .join(folder.path().file_name().expect("a name"))
        .join("o.glb");
    for (target, report) in [
        (&output, &input),
        (&output, &recipe),
        (&output, &roundabout),
    ] {
        let before = fs::read(report).ok();
        let error = refused(
            &[
                "bake",
                word(&input),
                "-o",
                word(target),
                "--recipe",
                word(&recipe),
                "--report",
                word(report),
            ],
            2,
        );
        assert!(
            error.contains("a target of its own") && !output.exists(),
            "{error}"
        );
        assert_eq!(fs::read(report).ok(), before);
    }
    refused(&["poses", word(&input), "-o", word(&input)], 2);
}

#[test]
fn slips_of_many_zeros_are_refused() {
    let folder = folder();
    let input = word(&demos()[2]).to_owned();
    let output = folder.path().join("never.glb");
    for text in [
        "[poses]\nblends = 9223372036854775807\n",
        "[poses]\nheld_out = 1000000000000\n",
        "[poses]\nblend_weight = 1e308\n",
        "[poses]\nblend_weight = 1e-320\n",
        "[fit]\nhold = 1e300\n",
        "[fit]\nsmoothness = 1e9\n",
        "[[layer]]\nkind = \"mush\"\nrounds = 100000\n",
        "[[layer]]\nkind = \"mush\"\npull = 1e-30\n",
    ] {
        let recipe = put(folder.path(), "r.toml", text);
        let error = refused(
            &[
                "bake",
                &input,
                "-o",
                word(&output),
                "--recipe",
                word(&recipe),
            ],
            2,
        );
        assert!(
            error.contains("r.toml") && !output.exists(),
            "{text}: {error}"
        );
    }
    refused(
        &["bake", &input, "-o", word(&output), "--threads", "100000"],
        2,
    );
}

#[test]
fn poses_that_bend_nothing_are_refused() {
    let folder = folder();
    let input = &demos()[1];
    let poses = put(
        folder.path(),
        "poses.json",
        r#"{"poses":[{"name":"bind","joints":{}}]}"#,
    );
    let output = folder.path().join("never.glb");
    let error = refused(
        &[
            "bake",
            word(input),
            "-o",
            word(&output),
            "--poses",
            word(&poses),
        ],
        2,
    );
    assert!(
        error.contains("at least one pose that bends") && !output.exists(),
        "{error}"
    );
}

/// Regression: a pipe that nobody writes to was waited for without end.
#[test]
#[cfg(unix)]
fn pipes_are_refused() {
    let folder = folder();
    let pipe = folder.path().join("pipe.glb");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.expect("POSIX has mkfifo").success());
    let (pipe, output) = (word(&pipe), folder.path().join("never.glb"));
    let input = demos()[2].clone();
    for (words, code) in [
        (vec!["bake", pipe, "-o", word(&output)], 3),
        (
            vec!["bake", word(&input), "-o", word(&output), "--poses", pipe],
            3,
        ),
        (
            vec!["bake", word(&input), "-o", word(&output), "--recipe", pipe],
            2,
        ),
    ] {
        refused(&words, code);
    }
}

#[test]
fn report_that_cannot_be_delivered_is_a_failure() {
    let full = Path::new("/dev/full");
    if !full.exists() {
        println!("no /dev/full here: passed over");
        return;
    }
    let folder = folder();
    let recipe = put(folder.path(), "r.toml", QUICK);
    let output = folder.path().join("o.glb");
    let status = std::process::Command::new(env!("CARGO_BIN_EXE_tanyard"))
        .args([
            "bake",
            word(&demos()[2]),
            "-o",
            word(&output),
            "--recipe",
            word(&recipe),
            "--report",
            "-",
        ])
        .stdout(
            fs::OpenOptions::new()
                .write(true)
                .open(full)
                .expect("it can be opened"),
        )
        .stderr(std::process::Stdio::null())
        .status()
        .expect("the command was built with the tests");
    assert_eq!(status.code(), Some(3));
}

/// A copy of a GLB with its JSON changed.
fn patched(folder: &Path, name: &str, glb: &[u8], change: impl FnOnce(&mut Value)) -> PathBuf {
    let length = u32::from_le_bytes(glb[12..16].try_into().expect("four bytes")) as usize;
    let mut json: Value = serde_json::from_slice(&glb[20..20 + length]).expect("JSON");
    change(&mut json);
    let mut text = json.to_string().into_bytes();
    text.resize(text.len().next_multiple_of(4), b' ');
    let rest = &glb[20 + length..];
    let mut out = glb[..8].to_vec();
    out.extend((20 + text.len() as u32 + rest.len() as u32).to_le_bytes());
    out.extend((text.len() as u32).to_le_bytes());
    out.extend(b"JSON");
    out.extend(text);
    out.extend(rest);
    put(folder, name, out)
}
