//! Damaged files: an answer each time, never a panic and never a hang.

mod asset_kit;

use std::path::{Path, PathBuf};

use asset_kit::*;
use proptest::prelude::*;
use serde_json::json;
use tanyard::asset::{
    Document, NewJoint, NewTrack, NewWeights, WeightFormat, characters, clips, clips_at_keys,
    with_joints, with_tracks, with_weights,
};
use tanyard::rig::{JointId, Weights};

/// Everything that a bake does with a file; whether all of it succeeded.
fn use_all(path: &Path, bytes: Vec<u8>, skeleton: Option<&str>) -> bool {
    let Ok(document) = Document::from_bytes(path, bytes) else {
        return false;
    };
    let Ok(loaded) = characters(&document, skeleton) else {
        return false;
    };
    let mut fine = true;
    for one in &loaded {
        let character = &one.character;
        if let Some(weights) = &character.weights {
            weights.check(character.skeleton.joints().len()).unwrap();
        }
        fine &= clips(&document, &character.skeleton, 3.0).is_ok();
        fine &= with_clip(&document, &character.skeleton, &[]).is_ok();
        let rigid = Weights::rigid(&vec![JointId(0); character.surface.len()]);
        fine &= with_weights(&document, &[NewWeights::all(one, &rigid)], WeightFormat::U8).is_ok();
        fine &= clips_at_keys(&document, &character.skeleton, 0.3).is_ok();
        let helper = NewJoint {
            name: "helper".to_owned(),
            parent: JointId(0),
            bind_world: character.skeleton.joint(JointId(0)).bind_world,
            extras: None,
        };
        if let Ok((made, _)) = with_joints(&document, one, &[helper]) {
            characters(&made, None).expect("what was read before is read with a joint more");
        }
        let track = NewTrack {
            animation: 0,
            node: 0,
            times: vec![0.5],
            translations: vec![[1.0; 3]],
            rotations: vec![[0.0, 0.0, 0.0, 1.0]],
        };
        _ = with_tracks(&document, &[track]);
    }
    fine
}

/// A small file with everything that decoders stumble over.
fn small() -> Kit {
    let mut kit = arm();
    let indices = kit.view(&[0, 3]);
    let values = kit.view(&bytes_of(&SQUARES[..6]));
    kit.json["accessors"][0]["sparse"] = json!({
        "count": 2,
        "indices": { "bufferView": indices, "componentType": U8 },
        "values": { "bufferView": values },
    });
    kit.bin[96 + 12 + 2] = 0;
    let times = kit.floats("SCALAR", 2, &[0.0, 1.0]);
    let turns = kit.floats("VEC4", 2, &[0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 0.0]);
    kit.push(
        "animations",
        json!({
            "samplers": [{ "input": times, "output": turns }],
            "channels": [{ "sampler": 0, "target": { "node": 1, "path": "rotation" } }],
        }),
    );
    kit.chunks.push((0x5858_5858, vec![1, 2, 3, 4]));
    kit
}

#[test]
fn a_file_cut_at_any_length_is_refused() {
    let file = small().glb();
    assert!(use_all(Path::new("small.glb"), file.clone(), None));
    for length in 0..file.len() {
        assert!(!use_all(
            Path::new("small.glb"),
            file[..length].to_vec(),
            None
        ));
        // With a header that agrees the end of the chunks tells.
        let mut agreed = file[..length].to_vec();
        if length >= 12 {
            agreed[8..12].copy_from_slice(&(length as u32).to_le_bytes());
            let chunk_end = length == file.len() - 12;
            assert_eq!(
                use_all(Path::new("small.glb"), agreed, None),
                chunk_end,
                "{length}"
            );
        }
    }
    let text = small().gltf_with_data();
    for length in (0..text.len()).step_by(7) {
        assert!(!use_all(
            Path::new("small.gltf"),
            text[..length].to_vec(),
            None
        ));
    }
}

#[test]
fn any_flipped_bit_gives_an_answer() {
    // The step of the others is no multiple of two, so that every bit of a byte has its turn.
    for (kit, skeleton, step) in [
        (small(), None, 1),
        (bare_arm(), Some("shoulder"), 5),
        (unused_skin(), None, 5),
    ] {
        let file = kit.glb();
        let mut fine = 0;
        for bit in (0..8 * file.len()).step_by(step) {
            let mut damaged = file.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            fine += usize::from(use_all(Path::new("small.glb"), damaged, skeleton));
        }
        assert!(
            fine > 100,
            "most flips of names and numbers leave a valid file, {fine} did"
        );
    }
}

#[test]
fn flipped_bits_in_the_json_of_real_files_give_an_answer() {
    let Some(folder) = std::env::var_os("TANYARD_ASSETS") else {
        eprintln!("skipped: TANYARD_ASSETS is not set");
        return;
    };
    // Primes, so that every bit of a byte has its turn.
    for (name, step) in [("CesiumMan.glb", 1009), ("Fox.glb", 503)] {
        let path = PathBuf::from(&folder).join(name);
        let file = std::fs::read(&path).unwrap();
        let json_length = u32::from_le_bytes(file[12..16].try_into().unwrap()) as usize;
        for bit in (0..8 * (20 + json_length)).step_by(step) {
            let mut damaged = file.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            use_all(&path, damaged, None);
        }
    }
}

/// Bits of JSON that turn a valid file into a strange one.
const SPLINTERS: &[&str] = &[
    "0",
    "-1",
    "1",
    "2",
    "3",
    "4",
    "5121",
    "5126",
    "255",
    "4294967295",
    "18446744073709551615",
    "1e308",
    "-0.0",
    "1e-320",
    "null",
    "true",
    "[]",
    "{}",
    "[[]]",
    "\"\"",
    "\"VEC3\"",
    "\"MAT4\"",
    "[0]",
    "[0,1]",
    "[1,0]",
    "{\"bufferView\":0}",
    "[0,0,0,0]",
    "[1,2,3]",
];

/// Replaces one value of the JSON, counted in depth-first order, by another.
fn graft(value: &mut serde_json::Value, left: &mut usize, splinter: &serde_json::Value) -> bool {
    if *left == 0 {
        *value = splinter.clone();
        return true;
    }
    *left -= 1;
    match value {
        serde_json::Value::Array(items) => items.iter_mut().any(|item| graft(item, left, splinter)),
        serde_json::Value::Object(map) => map.values_mut().any(|item| graft(item, left, splinter)),
        _ => false,
    }
}

#[test]
fn any_value_replaced_by_any_other_gives_an_answer() {
    for (kit, skeleton) in [
        (small(), None),
        (bare_arm(), Some("#0")),
        (unused_skin(), None),
    ] {
        for splinter in SPLINTERS {
            let splinter: serde_json::Value = serde_json::from_str(splinter).unwrap();
            for place in 1.. {
                let mut damaged = kit.clone();
                damaged.json["buffers"] = json!([{ "byteLength": kit.bin.len() }]);
                if !graft(&mut damaged.json, &mut place.clone(), &splinter) {
                    break;
                }
                use_all(Path::new("small.glb"), damaged.glb(), skeleton);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(1000) })]

    #[test]
    fn random_bytes_give_an_answer(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        use_all(Path::new("noise.glb"), bytes.clone(), None);
        let mut glb = b"glTF\x02\0\0\0".to_vec();
        glb.extend((bytes.len() as u32 + 12).to_le_bytes());
        glb.extend(bytes);
        use_all(Path::new("noise.glb"), glb, None);
    }

    #[test]
    fn several_grafts_give_an_answer(
        grafts in proptest::collection::vec((1usize..400, 0..SPLINTERS.len()), 1..6),
        flips in proptest::collection::vec((0usize..600, any::<u8>()), 0..4),
    ) {
        let mut kit = small();
        for (place, splinter) in grafts {
            let splinter = serde_json::from_str(SPLINTERS[splinter]).unwrap();
            graft(&mut kit.json, &mut place.clone(), &splinter);
        }
        for (place, byte) in flips {
            if let Some(old) = kit.bin.get_mut(place) {
                *old = byte;
            }
        }
        use_all(Path::new("small.glb"), kit.glb(), None);
    }
}
