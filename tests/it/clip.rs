//! The range of motion in a baked file, where it is asked for.

use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use tanyard::asset::{Document, characters};

use crate::asset_kit::{Kit, parse_glb};
use crate::bake::{bake, folder, put};
use crate::farm::{FEW, bake_folder, files_of, names, numbered_arm, put_arm};
use crate::files::{demos, tanyard_ok, word};

const OURS: &str = "tanyard poses";

/// An arm with a clip of its own, whose frames are poses.
fn waving_arm() -> Kit {
    let mut kit = numbered_arm(1);
    let input = kit.floats("SCALAR", 2, &[0.0, 1.0]);
    let turn = f32::sin(0.5);
    let output = kit.floats(
        "VEC4",
        2,
        &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, turn, f32::cos(0.5)],
    );
    kit.push(
        "animations",
        json!({
            "name": "wave",
            "samplers": [{ "input": input, "output": output }],
            "channels": [{ "sampler": 0, "target": { "node": 1, "path": "rotation" } }],
        }),
    );
    kit
}

fn clips(path: &Path) -> Vec<String> {
    let document = Document::open(path).expect("it opens");
    let clips = document.json()["animations"].as_array().cloned();
    let name = |clip: Value| clip["name"].as_str().unwrap_or("").to_owned();
    clips.unwrap_or_default().into_iter().map(name).collect()
}

fn notes(file: &Value) -> String {
    file["characters"][0]["warnings"].to_string()
}

#[test]
fn the_clip_comes_only_where_it_is_asked_for_and_changes_nothing_else() {
    let folder = folder();
    let input = put(folder.path(), "arm.glb", waving_arm().glb());
    put(folder.path(), "tanyard.toml", FEW);
    let at = |name: &str| folder.path().join(name);
    let plain = bake(&input, &at("plain.glb"), &[]);
    let shown = bake(&input, &at("shown.glb"), &["--clip"]);
    assert_eq!(clips(&at("plain.glb")), ["wave"]);
    assert_eq!(clips(&at("shown.glb")), ["wave", OURS]);
    assert_eq!(
        plain["characters"][0]["errors"],
        shown["characters"][0]["errors"]
    );
    let of = |name: &str| parse_glb(&fs::read(at(name)).expect("baked"));
    let (before, after) = (of("plain.glb"), of("shown.glb"));
    assert!(after.bin.starts_with(&before.bin) && after.bin.len() > before.bin.len());
    for (key, value) in before.json.as_object().expect("an object") {
        match (value, &after.json[key]) {
            (Value::Array(old), Value::Array(new)) if key != "buffers" => {
                assert_eq!(old[..], new[..old.len()], "{key}");
                let grows = ["animations", "accessors", "bufferViews"].contains(&key.as_str());
                assert_eq!(new.len() > old.len(), grows, "{key}");
            }
            (old, new) => assert!(key == "buffers" || old == new, "{key}"),
        }
    }
    // The recipe may ask as well.
    let recipe = put(
        folder.path(),
        "clip.toml",
        format!("write.clip = true\n{FEW}"),
    );
    bake(&input, &at("asked.glb"), &["--recipe", word(&recipe)]);
    assert!(fs::read(at("asked.glb")).expect("baked") == fs::read(at("shown.glb")).expect("baked"));
}

#[test]
fn a_file_that_has_the_clip_gets_no_second_one_and_no_poses_from_it() {
    let folder = folder();
    put(folder.path(), "tanyard.toml", FEW);
    let at = |name: &str| folder.path().join(name);
    let path = put(folder.path(), "arm.glb", waving_arm().glb());
    bake(&path, &path, &["--clip"]);
    let once = fs::read(&path).expect("baked");
    let poses = |file: &Value| file["characters"][0]["poses"].clone();
    let again = bake(&path, &at("again.glb"), &[]);
    assert!(
        notes(&again).contains("is a range of motion that tanyard wrote"),
        "{again}"
    );
    assert_eq!(clips(&at("again.glb")), ["wave", OURS], "all else stays");
    // As many poses as without it.
    let mut without = parse_glb(&once);
    without.json["animations"]
        .as_array_mut()
        .expect("a list")
        .truncate(1);
    let without = put(folder.path(), "without.glb", without.glb());
    let plain = bake(&without, &at("out.glb"), &[]);
    assert_eq!(poses(&again), poses(&plain));
    assert_eq!(
        again["characters"][0]["errors"],
        plain["characters"][0]["errors"]
    );
    // In place, again and again: one clip, and the file does not grow.
    for _ in 0..2 {
        bake(&path, &path, &["--clip"]);
        assert_eq!(clips(&path), ["wave", OURS]);
        assert_eq!(fs::metadata(&path).expect("there").len(), once.len() as u64);
    }
}

#[test]
fn folders_know_whether_a_result_has_the_clip() {
    let folder = folder();
    let (input, output) = (folder.path().join("in"), folder.path().join("out"));
    put_arm(&input.join("a.glb"), 0);
    put_arm(&input.join("text/b.gltf"), 1);
    put(&input, "tanyard.toml", FEW);
    let run = |extra: &[&str]| {
        let (code, report, error) = bake_folder(&input, &output, extra);
        assert_eq!(code, 0, "{error}");
        names(&report, "baked").len()
    };
    assert_eq!(run(&[]), 2);
    let plain = files_of(&output);
    assert_eq!(run(&["--clip"]), 2);
    assert_eq!(run(&["--clip"]), 0);
    for name in ["a.glb", "text/b.gltf"] {
        assert_eq!(clips(&output.join(name)), [OURS]);
        let document = Document::open(&output.join(name)).expect("it opens");
        assert_eq!(characters(&document, None).expect("skins").len(), 1);
    }
    assert_eq!(run(&[]), 2);
    assert_eq!(files_of(&output), plain, "no side files are left");
    // In place.
    let text = input.join("text/b.gltf");
    for _ in 0..2 {
        tanyard_ok(&["bake", word(&text), "-o", word(&text), "--clip"]);
        assert_eq!(clips(&text), [OURS]);
    }
    let sides = fs::read_dir(input.join("text")).expect("there").count();
    assert_eq!(
        sides, 3,
        "the document, its own buffer and one of new bytes"
    );
}

#[test]
fn a_character_that_no_clip_can_show_is_baked_without() {
    let mut kit = numbered_arm(2);
    kit.push("nodes", json!({ "children": [1], "scale": [1, 5, 1] }));
    kit.json["nodes"][0]["children"] = json!([3]);
    let folder = folder();
    put(folder.path(), "tanyard.toml", FEW);
    let input = put(folder.path(), "arm.glb", kit.glb());
    let output = folder.path().join("out.glb");
    let report = bake(&input, &output, &["--clip"]);
    assert!(notes(&report).contains("no clip was written: "), "{report}");
    assert_eq!(clips(&output), Vec::<String>::new());
}

#[test]
fn an_earlier_result_that_stays_gets_no_clip() {
    let folder = folder();
    put(folder.path(), "tanyard.toml", FEW);
    let input = put(folder.path(), "arm.glb", numbered_arm(3).glb());
    let earlier = folder.path().join("earlier.glb");
    let output = folder.path().join("out.glb");
    bake(&input, &earlier, &[]);
    let against = [
        "-k",
        "1",
        "--clip",
        "--keep-better",
        "--against",
        word(&earlier),
    ];
    let report = bake(&input, &output, &against);
    assert!(notes(&report).contains("it gets no new clip"), "{report}");
    assert!(fs::read(&output).expect("there") == fs::read(&earlier).expect("there"));
}

#[test]
fn a_clip_of_very_many_poses_is_cut_and_says_so() {
    let folder = folder();
    let recipe = "[poses]\nsweep_steps = 1\nblends = 2100\nheld_out = 1\n";
    put(folder.path(), "tanyard.toml", recipe);
    let input = put(folder.path(), "arm.glb", numbered_arm(4).glb());
    let output = folder.path().join("out.glb");
    let report = bake(&input, &output, &["--clip"]);
    let all = &report["characters"][0]["poses"]["fit"];
    let note = format!("the clip shows the first 2000 of {all} poses");
    assert!(notes(&report).contains(&note), "{report}");
    let json = parse_glb(&fs::read(&output).expect("baked")).json;
    let sampler = &json["animations"][0]["samplers"][0];
    let input = sampler["input"].as_u64().expect("a number") as usize;
    assert_eq!(json["accessors"][input]["max"], json!([2001.0 * 0.75]));
}

#[test]
fn memory_for_the_clip_is_in_the_plan() {
    let ox = &demos()[0];
    let needed = |extra: &[&str]| {
        let words = [
            &["bake", word(ox), "--dry-run", "--threads", "1"][..],
            extra,
        ]
        .concat();
        let said = tanyard_ok(&words);
        let (_, rest) = said.split_once("memory: about ").expect("it says so");
        let number = rest.split_whitespace().next().expect("a number").to_owned();
        number.parse::<f64>().expect("a number")
    };
    assert!(needed(&["--clip"]) > needed(&[]) + 1.0);
}
