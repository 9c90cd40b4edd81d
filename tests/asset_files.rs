//! Documents of several files: what is read, what is refused, what is written where.

mod asset_kit;

use std::fs;
use std::path::Path;

use asset_kit::*;
use serde_json::{Value, json};
use tanyard::asset::{self, Document, NewWeights, WeightFormat, characters, with_weights};
use tanyard::error::Error;

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn baked(path: &Path, format: WeightFormat) -> Document {
    let document = Document::open(path).unwrap();
    let loaded = characters(&document, None).unwrap();
    let weights = slanted(&loaded[0], format);
    with_weights(&document, &[NewWeights::all(&loaded[0], &weights)], format).unwrap()
}

fn json_of(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

/// A folder with `arm.gltf` and its buffer.
fn folder_of_arm(buffer: &str, uri: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("arm.gltf"), arm().gltf_with_uri(uri)).unwrap();
    fs::write(folder.path().join(buffer), &arm().bin).unwrap();
    folder
}

#[test]
fn buffers_are_found_by_percent_encoded_names() {
    let folder = folder_of_arm("arm & bone ü.bin", "arm%20&%20bone%20%C3%BC.bin");
    let document = Document::open(&folder.path().join("arm.gltf")).unwrap();
    assert_eq!(
        characters(&document, None).unwrap()[0]
            .character
            .surface
            .len(),
        6
    );
}

#[test]
fn uris_that_lead_elsewhere_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let inner = folder.path().join("inner");
    fs::create_dir(&inner).unwrap();
    fs::write(folder.path().join("arm.bin"), &arm().bin).unwrap();
    fs::write(inner.join("arm.bin"), &arm().bin).unwrap();
    let absolute = folder.path().join("arm.bin");
    let uris = [
        "../arm.bin",
        "%2E%2E/arm.bin",
        "..%2Farm.bin",
        "sub/../../arm.bin",
        "./../inner/arm.bin",
        absolute.to_str().unwrap(),
        "%2Fetc%2Fpasswd",
        "file:///etc/passwd",
        "http://example.invalid/arm.bin",
        "HTTPS://example.invalid/arm.bin",
        "C:/arm.bin",
        "C%3A/arm.bin",
        "..\\arm.bin",
        "\\\\server\\arm.bin",
        "missing.bin",
        "",
        ".",
        "a%00b",
        "%FF.bin",
        "data:application/octet-stream;base64",
        "data:application/octet-stream;base64,@@@@",
    ];
    for uri in uris {
        let path = inner.join("arm.gltf");
        fs::write(&path, arm().gltf_with_uri(uri)).unwrap();
        let found = faults(Document::open(&path));
        assert_eq!(found.len(), 1, "{uri}");
        assert_eq!(found[0].part, "buffers[0].uri", "{uri}");
        assert_eq!(found[0].file, path);
    }
    fs::write(inner.join("arm.gltf"), arm().gltf_with_uri("./arm.bin")).unwrap();
    assert!(Document::open(&inner.join("arm.gltf")).is_ok());
}

#[cfg(unix)]
#[test]
fn links_and_pipes_out_of_the_folder_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let inner = folder.path().join("inner");
    fs::create_dir(&inner).unwrap();
    fs::write(folder.path().join("arm.bin"), &arm().bin).unwrap();
    std::os::unix::fs::symlink("../arm.bin", inner.join("link.bin")).unwrap();
    std::os::unix::fs::symlink("..", inner.join("up")).unwrap();
    fs::create_dir(inner.join("folder.bin")).unwrap();
    for uri in ["link.bin", "up/arm.bin", "folder.bin"] {
        let path = inner.join("arm.gltf");
        fs::write(&path, arm().gltf_with_uri(uri)).unwrap();
        assert_eq!(
            faults(Document::open(&path))[0].part,
            "buffers[0].uri",
            "{uri}"
        );
    }
    // A link within the folder is fine.
    fs::write(inner.join("real.bin"), &arm().bin).unwrap();
    std::os::unix::fs::symlink("real.bin", inner.join("near.bin")).unwrap();
    fs::write(inner.join("arm.gltf"), arm().gltf_with_uri("near.bin")).unwrap();
    assert!(Document::open(&inner.join("arm.gltf")).is_ok());
}

#[test]
fn a_buffer_cut_short_is_a_fault() {
    let folder = folder_of_arm("arm.bin", "arm.bin");
    fs::write(folder.path().join("arm.bin"), &arm().bin[1..]).unwrap();
    let found = faults(Document::open(&folder.path().join("arm.gltf")));
    assert_eq!(found[0].part, "buffers[0].byteLength");
    let missing = faults(Document::open(&folder.path().join("none.gltf")));
    assert!(missing[0].to_string().contains("none.gltf"));
}

#[test]
fn data_uris_are_read_and_written_in_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("arm.gltf");
    fs::write(&path, arm().gltf_with_data()).unwrap();
    let mut sizes = Vec::new();
    for _ in 0..3 {
        asset::save(&baked(&path, WeightFormat::F32), &path).unwrap();
        sizes.push(fs::metadata(&path).unwrap().len());
        let json = json_of(&path);
        assert_eq!(json["buffers"].as_array().unwrap().len(), 1);
        assert!(
            json["buffers"][0]["uri"]
                .as_str()
                .unwrap()
                .starts_with("data:")
        );
    }
    assert!(sizes[0] == sizes[1] && sizes[1] == sizes[2], "{sizes:?}");
    assert_eq!(names(folder.path()), ["arm.gltf"]);

    // Not in base64.
    let plain: String = arm()
        .bin
        .iter()
        .map(|byte| format!("%{byte:02x}"))
        .collect();
    fs::write(&path, arm().gltf_with_uri(&format!("data:,{plain}"))).unwrap();
    asset::save(&baked(&path, WeightFormat::U8), &path).unwrap();
    assert!(Document::open(&path).is_ok());
}

#[test]
fn new_bytes_of_a_gltf_go_to_a_side_file_that_is_replaced() {
    let folder = folder_of_arm("arm.bin", "arm.bin");
    let path = folder.path().join("arm.gltf");
    let original = fs::read(folder.path().join("arm.bin")).unwrap();
    let mut sides = Vec::new();
    for format in [
        WeightFormat::F32,
        WeightFormat::U8,
        WeightFormat::U8,
        WeightFormat::U16,
    ] {
        asset::save(&baked(&path, format), &path).unwrap();
        let names = names(folder.path());
        assert_eq!(names.len(), 3, "the stale one is gone: {names:?}");
        let side = names
            .iter()
            .find(|name| *name != "arm.bin" && *name != "arm.gltf")
            .unwrap();
        assert!(
            side.starts_with("arm.") && side.ends_with(".bin") && side.len() == 16,
            "{side}"
        );
        sides.push(side.clone());
        let json = json_of(&path);
        assert_eq!(json["buffers"].as_array().unwrap().len(), 2);
        assert_eq!(json["buffers"][1]["uri"], json!(side));
        assert_eq!(fs::read(folder.path().join("arm.bin")).unwrap(), original);
        let document = Document::open(&path).unwrap();
        assert!(!characters(&document, None).unwrap()[0].unbound);
    }
    assert_ne!(sides[0], sides[1]);
    assert_eq!(sides[1], sides[2], "the same bytes have the same name");
    assert_ne!(sides[2], sides[3]);

    // A copy of the document lives on the same side file: it stays.
    fs::copy(&path, folder.path().join("copy.gltf")).unwrap();
    asset::save(&baked(&path, WeightFormat::F32), &path).unwrap();
    assert_eq!(names(folder.path()).len(), 5);
    assert!(Document::open(&folder.path().join("copy.gltf")).is_ok());
}

#[test]
fn files_that_a_document_refers_to_go_along_to_another_folder() {
    let folder = tempfile::tempdir().unwrap();
    let (from, to) = (folder.path().join("from"), folder.path().join("to"));
    fs::create_dir_all(from.join("maps")).unwrap();
    fs::create_dir(&to).unwrap();
    let mut kit = arm();
    kit.push("images", json!({ "uri": "maps/skin%20one.png" }));
    kit.push("images", json!({ "uri": "maps/missing.png" }));
    kit.push("images", json!({ "uri": "http://example.invalid/far.png" }));
    kit.json["extras"] = json!({ "uri": "maps/not-a-reference.txt" });
    fs::write(from.join("maps/skin one.png"), b"png").unwrap();
    fs::write(from.join("maps/not-a-reference.txt"), b"txt").unwrap();
    fs::write(from.join("arm.gltf"), kit.gltf_with_uri("arm.bin")).unwrap();
    fs::write(from.join("arm.bin"), &kit.bin).unwrap();

    let document = baked(&from.join("arm.gltf"), WeightFormat::U8);
    asset::save(&document, &to.join("hand.gltf")).unwrap();
    assert_eq!(fs::read(to.join("maps/skin one.png")).unwrap(), b"png");
    assert_eq!(names(&to.join("maps")), ["skin one.png"]);
    assert_eq!(names(&to).len(), 4, "{:?}", names(&to));
    assert!(
        names(&to)
            .iter()
            .any(|name| name.starts_with("hand.") && name.ends_with(".bin"))
    );
    assert!(Document::open(&to.join("hand.gltf")).is_ok());
    // Once more: what is there is the same.
    asset::save(&document, &to.join("hand.gltf")).unwrap();

    // To GLB: one file and the image.
    let other = folder.path().join("other");
    fs::create_dir(&other).unwrap();
    asset::save(&document, &other.join("arm.glb")).unwrap();
    assert_eq!(names(&other), ["arm.glb", "maps"]);

    // Something else of that name: an error, and nothing is written.
    let third = folder.path().join("third");
    fs::create_dir_all(third.join("maps")).unwrap();
    fs::write(third.join("maps/skin one.png"), b"mine").unwrap();
    let error = asset::save(&document, &third.join("arm.gltf")).unwrap_err();
    assert!(
        error.to_string().contains("already, with other content"),
        "{error}"
    );
    assert_eq!(names(&third), ["maps"]);
    assert_eq!(fs::read(third.join("maps/skin one.png")).unwrap(), b"mine");

    // A reference upward would lead elsewhere.
    kit.push("images", json!({ "uri": "../shared.png" }));
    fs::write(from.join("arm.gltf"), kit.gltf_with_uri("arm.bin")).unwrap();
    let document = baked(&from.join("arm.gltf"), WeightFormat::U8);
    let fourth = folder.path().join("fourth");
    fs::create_dir(&fourth).unwrap();
    assert!(asset::save(&document, &fourth.join("arm.gltf")).is_err());
    assert!(names(&fourth).is_empty());
    assert!(asset::save(&document, &from.join("arm.gltf")).is_ok());
}

#[test]
fn containers_change_by_the_name_of_the_target() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    // Two buffers, one beside and one within, to GLB.
    let mut kit = arm();
    let split = kit.json["bufferViews"][3]["byteOffset"].as_u64().unwrap() as usize;
    let second = kit.bin.split_off(split);
    for view in kit.json["bufferViews"].as_array_mut().unwrap() {
        let offset = view["byteOffset"].as_u64().unwrap() as usize;
        if offset >= split {
            view["buffer"] = json!(1);
            view["byteOffset"] = json!(offset - split);
        }
    }
    kit.bin.push(7); // an odd length, so that joining must align
    let data: String = second.iter().map(|byte| format!("%{byte:02x}")).collect();
    kit.json["buffers"] = json!([
        { "byteLength": kit.bin.len(), "uri": "first.bin", "name": "first" },
        { "byteLength": second.len(), "uri": format!("data:,{data}") },
    ]);
    fs::write(at("first.bin"), &kit.bin).unwrap();
    fs::write(at("two.gltf"), serde_json::to_vec(&kit.json).unwrap()).unwrap();
    let expected = characters(&arm().open(), None).unwrap()[0]
        .character
        .weights
        .clone();
    let same = |path: &Path| {
        let document = Document::open(path).unwrap();
        assert_eq!(
            characters(&document, None).unwrap()[0].character.weights,
            expected
        );
        document
    };
    asset::save(&same(&at("two.gltf")), &at("one.glb")).unwrap();
    let one = same(&at("one.glb"));
    for view in one.json()["bufferViews"].as_array().unwrap() {
        assert_eq!(
            view["byteOffset"].as_u64().unwrap() % 4,
            0,
            "aligned: {view}"
        );
    }
    assert_eq!(one.json()["buffers"].as_array().unwrap().len(), 1);
    assert_eq!(one.json()["buffers"][0]["name"], json!("first"));
    assert!(gltf::Gltf::from_slice(&fs::read(at("one.glb")).unwrap()).is_ok());
    asset::save(&one, &at("back.gltf")).unwrap();
    let back = same(&at("back.gltf"));
    let uri = back.json()["buffers"][0]["uri"].as_str().unwrap();
    assert!(uri.starts_with("back.") && uri.ends_with(".bin"), "{uri}");
    assert!(asset::save(&back, &at("back.fbx")).is_err());
    assert!(asset::save(&back, &at("back")).is_err());
    asset::save(&back, &at("LOUD.GLB")).unwrap();
    same(&at("LOUD.GLB"));
}

#[test]
fn a_glb_whose_first_buffer_lies_elsewhere_can_be_baked() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("arm.glb");
    let mut kit = arm();
    fs::write(folder.path().join("arm.bin"), &kit.bin).unwrap();
    kit.json["buffers"] = json!([{ "byteLength": kit.bin.len(), "uri": "arm.bin" }]);
    kit.bin.clear();
    fs::write(&path, kit.glb()).unwrap();
    let mut sizes = Vec::new();
    for _ in 0..3 {
        asset::save(&baked(&path, WeightFormat::U8), &path).unwrap();
        sizes.push(fs::metadata(&path).unwrap().len());
    }
    assert_eq!(sizes[0], sizes[2]);
    assert_eq!(names(folder.path()), ["arm.bin", "arm.glb"]);
}

#[cfg(unix)]
#[test]
fn a_target_that_is_a_link_stays_one() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::create_dir(at("store")).unwrap();
    std::os::unix::fs::symlink("store/real.glb", at("link.glb")).unwrap();
    std::os::unix::fs::symlink("round.glb", at("round.glb")).unwrap();
    asset::save(&arm().open(), &at("link.glb")).unwrap();
    assert!(fs::symlink_metadata(at("link.glb")).unwrap().is_symlink());
    assert!(Document::open(&at("store/real.glb")).is_ok());
    asset::save(&arm().open(), &at("link.glb")).unwrap();
    assert!(fs::symlink_metadata(at("link.glb")).unwrap().is_symlink());
    let error = asset::save(&arm().open(), &at("round.glb")).unwrap_err();
    assert!(error.to_string().contains("circle of links"));
}

#[cfg(unix)]
#[test]
fn new_files_have_the_permissions_of_plain_ones() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::write(at("plain"), b"").unwrap();
    asset::write_atomically(&at("ours"), b"text").unwrap();
    let mode = |name: &str| fs::metadata(at(name)).unwrap().permissions().mode();
    assert_eq!(mode("plain"), mode("ours"));
    assert_eq!(fs::read(at("ours")).unwrap(), b"text");
}

#[test]
fn targets_that_cannot_be_written_are_told_early_and_leave_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    fs::create_dir(at("folder.glb")).unwrap();
    fs::write(at("file"), b"").unwrap();
    for (name, reason) in [
        ("folder.glb", "it is a folder"),
        ("none/x.glb", "there is no folder"),
        ("file/x.glb", "there is no folder"),
    ] {
        let path = at(name);
        for result in [
            asset::check_target(&path),
            asset::save(&arm().open(), &path).map(drop),
            asset::write_atomically(&path, b""),
        ] {
            match result.unwrap_err() {
                Error::Output {
                    path: named,
                    reason: why,
                } => {
                    assert_eq!(named, path);
                    assert!(why.contains(reason), "{why}");
                }
                other => panic!("{other}"),
            }
        }
    }
    asset::check_target(&at("fine.glb")).unwrap();
    assert_eq!(names(folder.path()), ["file", "folder.glb"]);
}

#[test]
fn an_empty_document_is_saved_too() {
    let folder = tempfile::tempdir().unwrap();
    let document = Document::from_bytes(
        Path::new("x.gltf"),
        b"{\"asset\":{\"version\":\"2.0\"}}".to_vec(),
    )
    .unwrap();
    for name in ["x.glb", "x.gltf"] {
        asset::save(&document, &folder.path().join(name)).unwrap();
        assert_eq!(
            Document::open(&folder.path().join(name)).unwrap().json(),
            document.json()
        );
    }
    assert!(characters(&document, None).is_err());
}

#[test]
fn a_save_that_fails_midway_takes_back_what_it_wrote() {
    let folder = tempfile::tempdir().unwrap();
    let (from, to, trial) = (
        folder.path().join("from"),
        folder.path().join("to"),
        folder.path().join("trial"),
    );
    for path in [&from.join("maps"), &to, &trial] {
        fs::create_dir_all(path).unwrap();
    }
    let mut kit = arm();
    kit.push("images", json!({ "uri": "maps/skin.png" }));
    fs::write(from.join("maps/skin.png"), b"png").unwrap();
    fs::write(from.join("arm.bin"), &kit.bin).unwrap();
    fs::write(from.join("arm.gltf"), kit.gltf_with_uri("arm.bin")).unwrap();
    let document = baked(&from.join("arm.gltf"), WeightFormat::U8);
    asset::save(&document, &trial.join("arm.gltf")).unwrap();
    let is_side = |name: &&String| name.starts_with("arm.") && name.len() == 16;
    let side = names(&trial).iter().find(is_side).unwrap().clone();
    // A folder stands where the side file must go; images and buffers are copied before it.
    fs::create_dir(to.join(&side)).unwrap();
    let error = asset::save(&document, &to.join("arm.gltf")).unwrap_err();
    assert!(error.to_string().contains(&side), "{error}");
    assert_eq!(names(&to), [side]);
}
