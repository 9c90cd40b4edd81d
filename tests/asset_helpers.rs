//! Helper joints into documents, and clips at their own keys.

mod asset_kit;

use std::f64::consts::FRAC_PI_2;

use asset_kit::*;
use nalgebra::{Matrix4, UnitQuaternion, Vector3};
use serde_json::{Value, json};
use tanyard::asset::{
    Document, Loaded, NewJoint, NewTrack, NewWeights, NumberedClips, WeightFormat, characters,
    clips, clips_at_keys, with_joints, with_tracks, with_weights,
};
use tanyard::rig::{Clip, JointId, Move, Weights};

/// What matrices of 32 bits in short chains round off, as a share of their largest number.
const ROUNDING: f64 = 2e-6;

fn turned(place: Vector3<f64>) -> Matrix4<f64> {
    let turn = about(Vector3::new(1.0, -2.0, 0.5), 0.7);
    Matrix4::new_translation(&place) * turn.to_homogeneous()
}

/// A joint that is turned against its parent, and a little away from it.
fn below(loaded: &Loaded, parent: u16, name: &str) -> NewJoint {
    let parent = JointId(parent);
    let above = loaded.character.skeleton.joint(parent).bind_world;
    NewJoint {
        name: name.to_owned(),
        parent,
        bind_world: above * turned(Vector3::new(0.5, 0.25, -0.125)),
        extras: None,
    }
}

/// The only character of a document.
fn only(document: &Document) -> Loaded {
    let mut loaded = characters(document, None).unwrap();
    assert_eq!(loaded.len(), 1);
    loaded.remove(0)
}

fn assert_close(found: &Matrix4<f64>, expected: &Matrix4<f64>) {
    let apart = (found - expected).amax() / expected.amax();
    assert!(apart < ROUNDING, "{apart}: {found} is not {expected}");
}

fn index(value: &Value) -> usize {
    usize::try_from(value.as_u64().unwrap()).unwrap()
}

/// For each joint of a skin, where it takes the mesh as the file stands; the gltf crate takes the file as valid.
fn at_rest(file: &[u8], skin: usize) -> Vec<Matrix4<f64>> {
    let gltf = gltf::Gltf::from_slice(file).unwrap();
    let joints: Vec<usize> = gltf
        .skins()
        .nth(skin)
        .unwrap()
        .joints()
        .map(|j| j.index())
        .collect();
    let worlds = worlds(file, 0.0);
    let matrices = inverse_binds(file, skin);
    assert_eq!(joints.len(), matrices.len());
    joints
        .iter()
        .zip(&matrices)
        .map(|(&joint, matrix)| worlds[joint] * matrix)
        .collect()
}

#[test]
fn joints_come_behind_all_others_and_nothing_else_changes() {
    let mut kit = rich_arm();
    // One matrix too many, and a last row that is rounded: the bytes of the others stay.
    let mut matrices = [INVERSE_BINDS, INVERSE_BINDS].concat();
    matrices[15] = 1.000_01;
    let bind = kit.floats("MAT4", 4, &matrices);
    kit.json["skins"][0] = json!({
        "extras": { "deep": [1.5] }, "inverseBindMatrices": bind, "skeleton": 0, "joints": [0, 1], "name": "rig",
    });
    let document = kit.open();
    let loaded = only(&document);
    let mut new = [below(&loaded, 1, "bulge"), below(&loaded, 0, "fold")];
    new[0].extras = Some(json!({ "way": "driven" }));
    let (made, nodes) = with_joints(&document, &loaded, &new).unwrap();
    assert_eq!(nodes, [3, 4]);
    let (before, after) = (parse_glb(&kit.glb()), parse_glb(&as_glb(&made)));
    assert_eq!(before.chunks, after.chunks);

    let said: Vec<&Value> = nodes
        .iter()
        .map(|&n| &after.json["nodes"][n]["extras"])
        .collect();
    assert_eq!(*said[0], json!({ "tanyard_helper": { "way": "driven" } }));
    assert_eq!(*said[1], json!({ "tanyard_helper": {} }));
    for &node in &nodes {
        let node = after.json["nodes"][node].as_object().unwrap();
        let keys: Vec<&str> = node.keys().map(String::as_str).collect();
        assert_eq!(keys, ["name", "translation", "rotation", "extras"]);
    }
    let mut expected = before.json.clone();
    expected["nodes"][0]["children"] = json!([1, 4]);
    expected["nodes"][1]["children"] = json!([3]);
    expected["skins"][0]["joints"] = json!([0, 1, 3, 4]);
    for node in nodes {
        expected["nodes"]
            .as_array_mut()
            .unwrap()
            .push(after.json["nodes"][node].clone());
    }
    let matrices = index(&after.json["skins"][0]["inverseBindMatrices"]);
    assert_eq!(
        matrices, bind,
        "the place of the old ones, which nothing uses any more"
    );
    let accessor = after.json["accessors"][matrices].clone();
    assert_eq!(
        (&accessor["type"], &accessor["count"]),
        (&json!("MAT4"), &json!(4))
    );
    let view = index(&accessor["bufferView"]);
    assert_eq!(after.json["bufferViews"][view]["target"], Value::Null);
    let mut found = after.json.clone();
    for json in [&mut expected, &mut found] {
        json["accessors"][matrices] = Value::Null;
        json["bufferViews"][view] = Value::Null;
        json["buffers"] = Value::Null;
    }
    assert_eq!(expected.to_string(), found.to_string());
    for view in (0..before.json["bufferViews"].as_array().unwrap().len()).filter(|&v| v != view) {
        assert_eq!(
            view_bytes(&before, view),
            view_bytes(&after, view),
            "view {view}"
        );
    }
    let bytes = view_bytes(&after, view);
    let mut old = INVERSE_BINDS;
    old[15] = 1.000_01;
    assert_eq!(bytes[..128], bytes_of(&old));
    for (joint, bytes) in new.iter().zip(bytes[128..].chunks(64)) {
        let inverse = joint.bind_world.try_inverse().unwrap();
        let numbers: Vec<f32> = inverse.iter().map(|&x| x as f32).collect();
        assert_eq!(*bytes, bytes_of(&numbers)[..]);
    }
    // The unbound accessor of the arm, which nothing used, is there as it was.
    assert_eq!(before.json["accessors"][4], after.json["accessors"][4]);
}

/// Arms whose parents are hard: plain, mid-pose below nodes that turn and scale, all joints of a hundredth, mirrored.
fn hard_arms() -> Vec<Kit> {
    let scaled = |scale: [f64; 3]| {
        let mut kit = arm();
        kit.json["nodes"][0]["scale"] = json!(scale);
        let elbow = Matrix4::new_nonuniform_scaling(&Vector3::from(scale));
        let worlds = [elbow, elbow * Matrix4::new_translation(&Vector3::x())];
        let inverse = worlds.map(|m| m.try_inverse().unwrap().map(|x| x as f32));
        let numbers: Vec<f32> = inverse.iter().flat_map(|m| m.iter().copied()).collect();
        let bind = kit.floats("MAT4", 2, &numbers);
        kit.json["skins"][0]["inverseBindMatrices"] = json!(bind);
        kit
    };
    vec![
        arm(),
        crooked_arm(),
        scaled([0.01; 3]),
        scaled([-1.0, 1.0, 1.0]),
        scaled([-2.0; 3]),
    ]
}

#[test]
fn a_new_joint_stands_where_its_parent_does_whatever_scales_that() {
    for kit in hard_arms() {
        let document = kit.open();
        let loaded = only(&document);
        let mut new = vec![below(&loaded, 0, "a"), below(&loaded, 1, "b")];
        // Joints of the mesh's own size, turned as the mesh is: they take the scale of their parents back.
        for parent in [0, 1] {
            let place = loaded.character.skeleton.origin(JointId(parent));
            let mut plain = below(&loaded, parent, "plain");
            plain.bind_world = Matrix4::new_translation(&place);
            new.push(plain);
        }
        let (made, nodes) = with_joints(&document, &loaded, &new).unwrap();
        let file = as_glb(&made);
        let rest = at_rest(&file, 0);
        for (n, joint) in new.iter().enumerate() {
            assert_close(&rest[2 + n], &rest[joint.parent.index()]);
        }
        let again = only(&made);
        let skeleton = &again.character.skeleton;
        assert_eq!(skeleton.joints().len(), 6);
        assert_eq!(again.character.saved_pose, loaded.character.saved_pose);
        for (n, joint) in new.iter().enumerate() {
            let found = skeleton.joint(JointId(2 + n as u16));
            assert_eq!((found.parent, found.node), (Some(joint.parent), nodes[n]));
            assert_close(&found.bind_world, &joint.bind_world);
        }
        for old in loaded.character.skeleton.ids() {
            let (a, b) = (skeleton.joint(old), loaded.character.skeleton.joint(old));
            assert_eq!((a.bind_world, &a.name), (b.bind_world, &b.name));
        }
    }
}

#[test]
fn a_joint_that_would_shear_or_is_none_is_refused_by_name() {
    let document = hard_arms()[0].open();
    let loaded = only(&document);
    let refused = |change: &dyn Fn(&mut NewJoint)| {
        let mut new = below(&loaded, 0, "bulge");
        change(&mut new);
        let found = faults(with_joints(&document, &loaded, &[new]));
        assert_fault_at(&found, "new joint \"bulge\"");
        found[0].to_string()
    };
    // Half a thousandth to each side is more than any rounding.
    let mut shear = Matrix4::identity();
    shear[(0, 1)] = 1e-3;
    assert!(refused(&|new| new.bind_world *= shear).contains("shears against \"shoulder\""));
    refused(&|new| new.bind_world[(0, 3)] = f64::NAN);
    refused(&|new| new.bind_world = Matrix4::new_scaling(1e-300));
    refused(&|new| new.bind_world.fill_column(0, 0.0));
    refused(&|new| new.parent = JointId(2));
    refused(&|new| new.extras = Some(json!([])));
}

#[test]
fn names_that_are_taken_get_a_number() {
    let mut kit = arm();
    kit.json["nodes"][2]["name"] = json!("elbow 2");
    let document = kit.open();
    let loaded = only(&document);
    let new = ["elbow", "elbow", "hand", "hand"].map(|name| below(&loaded, 0, name));
    let (made, _) = with_joints(&document, &loaded, &new).unwrap();
    let joints = only(&made).character.skeleton;
    let names: Vec<&str> = joints
        .joints()
        .iter()
        .map(|joint| joint.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["shoulder", "elbow", "elbow 3", "elbow 4", "hand", "hand 2"]
    );
}

#[test]
fn helper_joints_are_known_again_with_what_is_said_about_them() {
    let mut kit = arm();
    kit.json["nodes"][1]["extras"] = json!({ "tanyard_helper": true, "other": 1 });
    let document = kit.open();
    let loaded = only(&document);
    assert!(loaded.helpers.is_empty(), "no object, no helper");
    let mut new = [below(&loaded, 1, "a"), below(&loaded, 0, "b")];
    new[1].extras = Some(json!({ "rows": [[0, 1.5e-7], [4294967296u64, -1]], "text": "ü" }));
    let (made, _) = with_joints(&document, &loaded, &new).unwrap();
    let again = Document::from_bytes("again.glb".as_ref(), as_glb(&made)).unwrap();
    let expected = [
        (JointId(2), json!({})),
        (JointId(3), new[1].extras.clone().unwrap()),
    ];
    assert_eq!(only(&again).helpers, expected);
    assert_eq!(
        again.json()["nodes"][1]["extras"],
        kit.json["nodes"][1]["extras"]
    );
}

#[test]
fn only_the_skin_of_the_character_gets_the_joints() {
    // Two skins with the same joints and the same accessor of matrices.
    let mut kit = two_skins();
    kit.json["skins"][1]["joints"] = json!([0, 1]);
    kit.json["skins"][1]["inverseBindMatrices"] = json!(4);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let (one, nodes) = with_joints(&document, &loaded[0], &[below(&loaded[0], 1, "a")]).unwrap();
    let after = parse_glb(&as_glb(&one));
    assert_eq!(after.json["skins"][1], kit.json["skins"][1]);
    assert_eq!(after.json["skins"][0]["joints"], json!([0, 1, nodes[0]]));
    assert_eq!(after.json["accessors"][4], kit.json["accessors"][4]);
    assert_eq!(
        inverse_binds(&after.glb(), 0)[..2],
        inverse_binds(&after.glb(), 1)
    );
    // The other one too: now the old accessor is free, and its place is used again.
    let (both, _) = with_joints(&one, &loaded[1], &[below(&loaded[1], 0, "b")]).unwrap();
    let again = parse_glb(&as_glb(&both));
    assert_eq!(again.json["skins"][0], after.json["skins"][0]);
    assert_eq!(
        again.json["skins"][1]["joints"],
        json!([0, 1, nodes[0] + 1])
    );
    assert_eq!(again.json["skins"][1]["inverseBindMatrices"], json!(4));
    let read = characters(&both, None).unwrap();
    assert_eq!(
        read.iter().map(|one| one.helpers.len()).collect::<Vec<_>>(),
        [1, 1]
    );
    // Twice to one skin is no way: the second time it is not the skin that was read.
    assert_fault_at(
        &faults(with_joints(&one, &loaded[0], &[below(&loaded[0], 1, "a")])),
        "skins[0].joints",
    );
}

#[test]
fn a_mesh_that_another_skin_moves_too_is_refused() {
    let mut kit = two_skins();
    kit.json["skins"][1]["joints"] = json!([0, 1]);
    kit.json["skins"][1]["inverseBindMatrices"] = json!(4);
    let node = kit.push("nodes", json!({ "mesh": 0, "skin": 1 }));
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let found = faults(with_joints(
        &document,
        &loaded[0],
        &[below(&loaded[0], 1, "a")],
    ));
    assert_fault_at(&found, &format!("nodes[{node}].skin"));
    // The other skin may have more joints than the mesh needs.
    assert!(with_joints(&document, &loaded[1], &[below(&loaded[1], 1, "a")]).is_ok());
}

/// Weights on the last two joints, of so many in all.
fn on_the_last(loaded: &Loaded, joints: usize) -> Weights {
    let last = joints as u16 - 1;
    let row = [(JointId(last), 0.75), (JointId(last - 1), 0.25)];
    Weights::new(2, row.repeat(loaded.character.surface.len()))
}

fn weigh(document: &Document, loaded: &Loaded, added: usize) -> Document {
    let joints = loaded.character.skeleton.joints().len() + added;
    let weights = on_the_last(loaded, joints);
    let new = NewWeights {
        added,
        ..NewWeights::all(loaded, &weights)
    };
    with_weights(document, &[new], WeightFormat::F32).unwrap()
}

fn assert_on_the_last(document: &Document, joints: usize) {
    for loaded in characters(document, None).unwrap() {
        assert_eq!(loaded.character.skeleton.joints().len(), joints);
        let found = loaded.character.weights.clone().unwrap();
        let expected = on_the_last(&loaded, joints);
        for v in 0..found.len() {
            assert!(found.of(v).eq(expected.of(v)), "vertex {v}");
        }
    }
}

#[test]
fn weights_may_name_joints_that_are_added_before_or_after() {
    for count in [2, 254, 255] {
        let document = arm_of(count).open();
        let loaded = only(&document);
        let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
        let (joints_first, _) = with_joints(&document, &loaded, &new).unwrap();
        let (weights_first, _) = with_joints(&weigh(&document, &loaded, 2), &loaded, &new).unwrap();
        for made in [weigh(&joints_first, &loaded, 2), weights_first] {
            assert_on_the_last(&made, count + 2);
            let file = as_glb(&made);
            let (joints, _) = second_opinion(&file, 0, 0, 0);
            assert_eq!(joints[0], [count as u16 + 1, count as u16, 0, 0]);
            let json = parse_glb(&file).json;
            let accessor = &json["meshes"][0]["primitives"][0]["attributes"]["JOINTS_0"];
            let component = &json["accessors"][index(accessor)]["componentType"];
            // Number 256 needs two bytes.
            assert_eq!(*component, json!(if count == 255 { U16 } else { U8 }));
        }
        // One more than are added is none.
        let weights = on_the_last(&loaded, count + 2);
        let short = NewWeights {
            added: 1,
            ..NewWeights::all(&loaded, &weights)
        };
        assert!(with_weights(&document, &[short], WeightFormat::F32).is_err());
    }
}

#[test]
fn more_joints_than_a_number_counts_are_refused() {
    let document = arm_of(65535).open();
    let loaded = only(&document);
    let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
    assert!(with_joints(&document, &loaded, &new[..1]).is_ok());
    assert_fault_at(
        &faults(with_joints(&document, &loaded, &new)),
        "skins[0].joints",
    );
}

#[test]
fn a_file_without_a_skin_gets_its_weights_first() {
    let document = bare_arm().open();
    let loaded = characters(&document, Some("shoulder")).unwrap().remove(0);
    let new = [below(&loaded, 1, "a"), below(&loaded, 1, "b")];
    assert_fault_at(
        &faults(with_joints(&document, &loaded, &new)),
        "nodes[2].skin",
    );
    let (made, nodes) = with_joints(&weigh(&document, &loaded, 2), &loaded, &new).unwrap();
    assert_eq!(nodes, [3, 4]);
    assert_on_the_last(&made, 4);
    for matrix in at_rest(&as_glb(&made), 0) {
        assert_close(&matrix, &Matrix4::identity());
    }
}

#[test]
fn each_skin_that_a_character_is_bound_with_gets_the_joints() {
    for with_skin in [true, false] {
        let document = scattered(with_skin).open();
        let name = (!with_skin).then_some("shoulder");
        let loaded = characters(&document, name).unwrap().remove(0);
        let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
        let (made, nodes) = with_joints(&weigh(&document, &loaded, 2), &loaded, &new).unwrap();
        let file = as_glb(&made);
        let skins = [2, 3].map(|node| index(&made.json()["nodes"][node]["skin"]));
        assert_ne!(skins[0], skins[1]);
        for (skin, node) in skins.into_iter().zip([2, 3]) {
            assert_eq!(
                made.json()["skins"][skin]["joints"],
                json!([0, 1, nodes[0], nodes[1]])
            );
            // Every joint leaves the mesh where it stood before it was bound.
            let place = worlds(&file, 0.0)[node];
            for matrix in at_rest(&file, skin) {
                assert_close(&matrix, &place);
            }
        }
        // A skin that moves none of the meshes stays.
        if with_skin && !skins.contains(&0) {
            assert_eq!(made.json()["skins"][0], document.json()["skins"][0]);
        }
    }
}

#[test]
fn a_skin_without_matrices_gets_those_that_it_is_bound_by() {
    // Saved with a bent shoulder, which is its bind pose then.
    let mut kit = arm();
    kit.json["nodes"][0]["rotation"] = json!(about_z(0.5).coords.as_slice());
    let skin = kit.json["skins"][0].as_object_mut().unwrap();
    skin.shift_remove("inverseBindMatrices");
    let attributes = kit.json["meshes"][0]["primitives"][0]["attributes"]
        .as_object_mut()
        .unwrap();
    attributes.shift_remove("JOINTS_0");
    attributes.shift_remove("WEIGHTS_0");
    let document = kit.open();
    let loaded = only(&document);
    assert!(loaded.unbound);
    let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
    let (joints_first, _) = with_joints(&document, &loaded, &new).unwrap();
    let (weights_first, _) = with_joints(&weigh(&document, &loaded, 2), &loaded, &new).unwrap();
    for made in [weigh(&joints_first, &loaded, 2), weights_first] {
        assert_on_the_last(&made, 4);
        for matrix in at_rest(&as_glb(&made), 0) {
            assert_close(&matrix, &Matrix4::identity());
        }
    }
}

#[test]
fn numbers_in_what_is_said_about_a_helper_hold_on_to_nothing() {
    let document = arm().open();
    let loaded = only(&document);
    let mut new = below(&loaded, 1, "a");
    new.extras = Some(json!({ "joints": [0, 1, 2, 3, 4, 5, 6], "buffer": 0 }));
    let (made, _) = with_joints(&document, &loaded, &[new]).unwrap();
    let mut file = as_glb(&made);
    let size = |file: &[u8]| parse_glb(file).bin.len();
    let mut sizes = vec![size(&file)];
    for _ in 0..3 {
        let document = Document::from_bytes("kit.glb".as_ref(), file).unwrap();
        let loaded = only(&document);
        let weights = slanted(&loaded, WeightFormat::F32);
        let new = NewWeights::all(&loaded, &weights);
        file = as_glb(&with_weights(&document, &[new], WeightFormat::F32).unwrap());
        sizes.push(size(&file));
    }
    assert_eq!(sizes, [sizes[0]; 4], "the old weights make way for the new");
}

/// Three keys that are no bind, with turns on both sides of a half.
fn keys(animation: usize, node: usize) -> NewTrack {
    let turns = [0.4, 2.9, -1.2].map(|angle| about(Vector3::new(1.0, 2.0, -0.5), angle));
    let rotations = numbers(&turns).as_chunks::<4>().0.to_vec();
    NewTrack {
        animation,
        node,
        times: vec![0.5, 1.0, 2.25],
        translations: vec![[1.0, 0.5, -0.25], [0.75, -0.5, 0.125], [2.0, 0.1, 0.3]],
        rotations,
    }
}

/// What the keys say at a time: straight lines and, for turns, the shorter way.
fn said(track: &NewTrack, scale: Vector3<f64>, time: f64) -> Matrix4<f64> {
    let times = &track.times;
    let after = times
        .partition_point(|&key| f64::from(key) <= time)
        .clamp(1, times.len() - 1);
    let (start, end) = (f64::from(times[after - 1]), f64::from(times[after]));
    let share = ((time - start) / (end - start)).clamp(0.0, 1.0);
    let slide = |key: usize| Vector3::from(track.translations[key]).cast::<f64>();
    let turn = |key: usize| {
        let coords = nalgebra::Vector4::from(track.rotations[key]).cast::<f64>();
        UnitQuaternion::new_normalize(coords.into())
    };
    Matrix4::new_translation(&slide(after - 1).lerp(&slide(after), share))
        * turn(after - 1).slerp(&turn(after), share).to_homogeneous()
        * Matrix4::new_nonuniform_scaling(&scale)
}

/// An animation that moves the elbow, to put keys in.
fn waving(mut kit: Kit) -> Kit {
    let turns = numbers(&[about_z(0.0), about_z(FRAC_PI_2)]);
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.25, 2.0], &turns);
    kit
}

#[test]
fn keys_play_back_as_they_were_asked_for() {
    for kit in hard_arms() {
        let document = waving(kit).open();
        let loaded = only(&document);
        let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
        let (made, nodes) = with_joints(&document, &loaded, &new).unwrap();
        let tracks = [keys(0, nodes[0]), keys(0, nodes[1])];
        let made = with_tracks(&made, &tracks).unwrap();
        let file = as_glb(&made);
        let made = Document::from_bytes("again.glb".as_ref(), file.clone()).unwrap();
        let skeleton = only(&made).character.skeleton;
        let (at_keys, notes) = clips_at_keys(&made, &skeleton, 0.25).unwrap();
        assert_eq!(notes, Vec::<String>::new());
        let (evenly, _) = clips(&made, &skeleton, 8.0).unwrap();
        assert_eq!((at_keys.len(), evenly.len()), (1, 1));
        // Those of the even one count from the first key of all on.
        for (clip, start) in [(&at_keys[0].1, 0.0), (&evenly[0], 0.25)] {
            assert!(clip.frames.len() > 8);
            for frame in &clip.frames {
                for (n, track) in tracks.iter().enumerate() {
                    let joint = skeleton.joint(JointId(2 + n as u16));
                    let found = joint.bind_local.matrix(&frame.moves[2 + n]);
                    let scale = joint.bind_local.stretch.diagonal();
                    assert_close(&found, &said(track, scale, start + frame.time));
                }
            }
        }
        // The clip of the file plays as it did.
        let before = clips(&document, &loaded.character.skeleton, 8.0).unwrap().0;
        let turn = |clip: &Clip, i: usize| clip.frames[i].moves[1].rotation;
        for i in 0..before[0].frames.len() {
            assert!(turn(&before[0], i).angle_to(&turn(&evenly[0], i)) < ROUNDING);
        }
    }
}

#[test]
fn keys_are_written_as_the_standard_wants_them() {
    let document = waving(arm()).open();
    let loaded = only(&document);
    let new = [below(&loaded, 0, "a"), below(&loaded, 1, "b")];
    let (with_new, nodes) = with_joints(&document, &loaded, &new).unwrap();
    let tracks = [keys(0, nodes[0]), keys(0, nodes[1])];
    let file = as_glb(&with_tracks(&with_new, &tracks).unwrap());
    let gltf = gltf::Gltf::from_slice(&file).unwrap();
    let blob = gltf.blob.clone().unwrap();
    let animation = gltf.animations().next().unwrap();
    let mut inputs = Vec::new();
    let mut targets = Vec::new();
    for channel in animation.channels().skip(1) {
        let sampler = channel.sampler();
        assert_eq!(
            sampler.interpolation(),
            gltf::animation::Interpolation::Linear
        );
        let input = sampler.input();
        assert_eq!(input.min(), Some(json!([0.5])));
        assert_eq!(input.max(), Some(json!([2.25])));
        inputs.push(input.index());
        targets.push((channel.target().node().index(), channel.target().property()));
        let reader = channel.reader(|_| Some(&blob));
        assert!(reader.read_inputs().unwrap().eq([0.5, 1.0, 2.25]));
        use gltf::animation::util::ReadOutputs;
        match reader.read_outputs().unwrap() {
            ReadOutputs::Translations(found) => assert!(found.eq(tracks[0].translations.clone())),
            ReadOutputs::Rotations(found) => {
                // The third is written on the near side of the second.
                let found: Vec<[f32; 4]> = found.into_f32().collect();
                for (q, asked) in found.iter().zip(&tracks[0].rotations) {
                    assert!(q == asked || q.map(|x| -x) == *asked);
                }
                let dot = |a: &[f32; 4], b: &[f32; 4]| -> f32 {
                    a.iter().zip(b).map(|(a, b)| a * b).sum()
                };
                assert!(found.windows(2).all(|pair| dot(&pair[0], &pair[1]) > 0.0));
            }
            _ => panic!("neither scales nor weights are written"),
        }
    }
    use gltf::animation::Property::{Rotation, Translation};
    let each = nodes
        .iter()
        .flat_map(|&node| [(node, Translation), (node, Rotation)]);
    assert_eq!(targets, each.collect::<Vec<_>>());
    assert_eq!(inputs, [inputs[0]; 4], "one accessor of times");
    let json = parse_glb(&file).json;
    assert_eq!(
        json["animations"][0]["channels"][0],
        document.json()["animations"][0]["channels"][0]
    );
    assert_eq!(
        json["animations"][0]["samplers"][0],
        document.json()["animations"][0]["samplers"][0]
    );
    assert_eq!(json["animations"][0]["name"], json!("wave"));
}

#[test]
fn keys_take_the_place_of_those_that_move_the_same() {
    let mut kit = waving(arm());
    animate(&mut kit, 1, "scale", "LINEAR", &[0.0], &[1.0, 1.0, 1.0]);
    animate(&mut kit, 1, "translation", "LINEAR", &[0.0, 3.0], &[0.0; 6]);
    // One animation: the shoulder turns by the sampler of the elbow, and the elbow slides by two channels, one too many.
    let all = kit.json["animations"].as_array().unwrap().clone();
    let samplers: Vec<Value> = all.iter().map(|one| one["samplers"][0].clone()).collect();
    let channel = |sampler: usize, node: usize, path: &str| json!({ "extras": { "from": sampler }, "sampler": sampler, "target": { "node": node, "path": path } });
    let channels = [
        channel(0, 1, "rotation"),
        channel(0, 0, "rotation"),
        channel(1, 1, "scale"),
        channel(2, 1, "translation"),
        channel(2, 1, "translation"),
    ];
    kit.json["animations"] =
        json!([{ "name": "wave", "channels": channels, "samplers": samplers }]);
    let document = kit.open();
    let made = with_tracks(&document, &[keys(0, 1)]).unwrap();
    let (before, after) = (
        &document.json()["animations"][0],
        &made.json()["animations"][0],
    );
    let expected = [
        // A sampler of its own: the shoulder needs the old one.
        json!({ "extras": { "from": 0 }, "sampler": 3, "target": { "node": 1, "path": "rotation" } }),
        channels[1].clone(),
        channels[2].clone(),
        channels[3].clone(),
    ];
    assert_eq!(after["channels"], json!(expected));
    assert_eq!(after["samplers"][0], before["samplers"][0]);
    assert_eq!(after["samplers"][1], before["samplers"][1]);
    // The old times of the slide are free, and those of the new keys are there.
    let input = index(&after["samplers"][2]["input"]);
    assert_eq!(after["samplers"][3]["input"], json!(input));
    assert_eq!(input, index(&before["samplers"][2]["input"]));
    assert!(gltf::Gltf::from_slice(&as_glb(&made)).is_ok());
    let skeleton = only(&made).character.skeleton;
    let (found, _) = clips_at_keys(&made, &skeleton, 9.0).unwrap();
    let elbow = skeleton
        .joint(JointId(1))
        .bind_local
        .matrix(&found[0].1.frames[2].moves[1]);
    assert_eq!(found[0].1.frames[2].time, 0.5);
    assert_close(&elbow, &said(&keys(0, 1), Vector3::repeat(1.0), 0.5));
    // The same again changes nothing.
    assert_eq!(
        as_glb(&with_tracks(&made, &[keys(0, 1)]).unwrap()),
        as_glb(&made)
    );
}

#[test]
fn a_node_with_a_matrix_gets_parts_when_it_is_moved() {
    let document = waving(crooked_arm()).open();
    assert!(!document.json()["nodes"][1]["matrix"].is_null());
    let made = with_tracks(&document, &[keys(0, 1)]).unwrap();
    assert!(made.json()["nodes"][1]["matrix"].is_null());
    let rest = |document: &Document| {
        let mut kit = parse_glb(&as_glb(document));
        kit.json.as_object_mut().unwrap().shift_remove("animations");
        worlds(&kit.glb(), 0.0)[1]
    };
    assert_close(&rest(&made), &rest(&document));
    let mut kit = waving(crooked_arm());
    kit.json["nodes"][1]["matrix"][4] = json!(0.5);
    assert_fault_at(
        &faults(with_tracks(&kit.open(), &[keys(0, 1)])),
        "nodes[1].matrix",
    );
}

#[test]
fn keys_that_are_none_are_refused() {
    let document = waving(arm()).open();
    let broken: [&dyn Fn(&mut NewTrack); 10] = [
        &|track| track.animation = 1,
        &|track| track.node = 3,
        &|track| track.times[1] = 0.5,
        &|track| track.times[0] = -0.5,
        &|track| track.times[2] = f32::INFINITY,
        &|track| _ = track.times.pop(),
        &|track| _ = track.translations.pop(),
        &|track| track.translations[1][2] = f32::NAN,
        &|track| track.rotations[1] = [0.0, 0.0, 0.0, 1.001],
        &|track| {
            (track.times, track.translations, track.rotations) = (vec![], vec![], vec![]);
        },
    ];
    for (i, change) in broken.iter().enumerate() {
        let mut track = keys(0, 1);
        change(&mut track);
        let part = format!(
            "new keys of nodes[{}] in animations[{}]",
            track.node, track.animation
        );
        let found = faults(with_tracks(&document, &[track]));
        assert_eq!(found[0].part, part, "change {i}");
        assert_fault_at(&found, &part);
    }
    let twice = faults(with_tracks(&document, &[keys(0, 1), keys(0, 1)]));
    assert_fault_at(&twice, "new keys of nodes[1] in animations[0]");
    assert!(with_tracks(&document, &[]).is_ok());
}

fn at_keys(kit: &Kit, longest_gap: f64) -> (NumberedClips, Vec<String>) {
    let document = kit.open();
    let loaded = only(&document);
    clips_at_keys(&document, &loaded.character.skeleton, longest_gap).unwrap()
}

fn times(clip: &Clip) -> Vec<f64> {
    clip.frames.iter().map(|frame| frame.time).collect()
}

#[test]
fn a_clip_at_its_keys_has_them_all_and_no_long_gap() {
    let mut kit = arm();
    // The first moves no joint, the last is one of our own.
    animate(&mut kit, 2, "translation", "LINEAR", &[0.0, 1.0], &[0.0; 6]);
    let turns = [0.0, 0.3, 0.1, 0.9].map(about_z);
    animate(
        &mut kit,
        1,
        "rotation",
        "LINEAR",
        &[1.0, 1.1, 2.0, 2.3],
        &numbers(&turns),
    );
    animate(
        &mut kit,
        0,
        "rotation",
        "LINEAR",
        &[0.5, 1.1, 1.7],
        &numbers(&turns[..3]),
    );
    let second = kit.json["animations"]
        .as_array_mut()
        .unwrap()
        .pop()
        .unwrap();
    let clip = &mut kit.json["animations"][1];
    clip["samplers"]
        .as_array_mut()
        .unwrap()
        .push(second["samplers"][0].clone());
    let mut channel = second["channels"][0].clone();
    channel["sampler"] = json!(1);
    clip["channels"].as_array_mut().unwrap().push(channel);
    let mut ours = kit.json["animations"][1].clone();
    ours["name"] = json!("tanyard poses");
    kit.push("animations", ours);
    let keys = [0.5, 1.0, 1.1, 1.7, 2.0, 2.3].map(|time: f32| f64::from(time));
    let (found, notes) = at_keys(&kit, 9.0);
    assert_eq!(notes.len(), 1);
    assert!(notes[0].contains("range of motion"), "{notes:?}");
    let [(1, clip)] = &found[..] else {
        panic!("{} clips", found.len())
    };
    assert_eq!(times(clip), keys, "of the file, not from the first on");
    for (time, frame) in times(clip).into_iter().zip(&clip.frames) {
        // Before its first key a track stands at it.
        let expected = match time {
            t if t <= 1.0 => 0.0,
            t if t < 1.2 => 0.3,
            t if t < 1.9 => 0.3 - 0.2 * (0.6 / 0.9),
            t if t < 2.1 => 0.1,
            _ => 0.9,
        };
        let apart = frame.moves[1].rotation.angle_to(&about_z(expected));
        // Keys are f32.
        assert!(apart < 1e-6, "{apart} at {time}");
    }
    let (found, _) = at_keys(&kit, 0.2);
    let between = times(&found[0].1);
    assert!(keys.iter().all(|key| between.contains(key)));
    // Half a second in three parts, 0.6 s in three, 0.3 s in two each.
    assert_eq!(between.len(), 6 + 2 + 2 + 1 + 1);
    for pair in between.windows(2) {
        // Ends are rounded to 2⁻²³ of their size.
        assert!(
            pair[1] > pair[0] && pair[1] - pair[0] < 0.2 + 1e-6,
            "{pair:?}"
        );
    }
    assert!(between.iter().all(|&time| f64::from(time as f32) == time));
}

#[test]
fn keys_at_the_longest_gap_get_none_between() {
    let mut kit = arm();
    let count = 600;
    let key_times: Vec<f32> = (0..count).map(|i| i as f32 / 30.0).collect();
    let turns: Vec<UnitQuaternion<f64>> =
        (0..count).map(|i| about_z(f64::from(i) * 1e-3)).collect();
    animate(
        &mut kit,
        1,
        "rotation",
        "LINEAR",
        &key_times,
        &numbers(&turns),
    );
    let (found, _) = at_keys(&kit, 1.0 / 30.0);
    assert_eq!(found[0].1.frames.len(), count as usize);
    // A hundredth less is less.
    let (found, _) = at_keys(&kit, 0.99 / 30.0);
    assert_eq!(found[0].1.frames.len(), 2 * count as usize - 1);
}

#[test]
fn steps_and_splines_have_frames_where_lines_would_miss_them() {
    let mut kit = arm();
    let turns = [0.1, 0.7, 0.7, 0.2].map(about_z);
    animate(
        &mut kit,
        1,
        "rotation",
        "STEP",
        &[0.0, 1.0, 2.0, 3.0],
        &numbers(&turns),
    );
    let (found, _) = at_keys(&kit, 9.0);
    let before = |time: f32| f64::from(time.next_down());
    assert_eq!(
        times(&found[0].1),
        [0.0, before(1.0), 1.0, 2.0, before(3.0), 3.0]
    );
    for (frame, angle) in found[0].1.frames.iter().zip([0.1, 0.1, 0.7, 0.7, 0.7, 0.2]) {
        assert!(frame.moves[1].rotation.angle_to(&about_z(angle)) < 1e-6);
    }
    // Appendix C.5 by hand: from 0 with a tangent of 1 a second to 0, over two seconds.
    let mut kit = arm();
    let mut values = vec![0.0f32; 18];
    (values[3], values[6], values[12]) = (1.0, 1.0, 1.0);
    animate(
        &mut kit,
        1,
        "translation",
        "CUBICSPLINE",
        &[4.0, 6.0],
        &values,
    );
    let (found, _) = at_keys(&kit, 0.5);
    assert_eq!(times(&found[0].1), [4.0, 4.5, 5.0, 5.5, 6.0]);
    for frame in &found[0].1.frames {
        let u = (frame.time - 4.0) / 2.0;
        let expected = 2.0 * (u * u * u - 2.0 * u * u + u);
        // The elbow is bound at 1; what goes into the first key and out of the last does not count.
        let found = frame.moves[1].translation;
        assert!(
            (found - Vector3::new(expected, 0.0, 0.0)).amax() < 1e-12,
            "{found}"
        );
    }
}

#[test]
fn a_clip_with_too_many_moments_is_cut_with_a_note() {
    let mut kit = arm();
    let turns = numbers(&[about_z(0.0), about_z(1.0)]);
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1e30], &turns);
    let (found, notes) = at_keys(&kit, 1e-3);
    assert_eq!(found[0].1.frames.len(), 100_000);
    assert!(
        notes[0].contains("only its first 100000 frames"),
        "{notes:?}"
    );
    let document = kit.open();
    let skeleton = only(&document).character.skeleton;
    for gap in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let found = faults(clips_at_keys(&document, &skeleton, gap));
        assert_eq!(found[0].part, "seconds between frames");
    }
}

#[test]
fn sample_characters_get_joints_and_keys_and_keep_the_rest() {
    for path in samples() {
        let document = Document::open(&path).unwrap();
        let loaded = only(&document);
        let old = loaded.character.skeleton.joints().len();
        let last = old as u16 - 1;
        let new = [below(&loaded, 3, "bulge"), below(&loaded, last, "fold")];
        let (made, nodes) = with_joints(&weigh(&document, &loaded, 2), &loaded, &new).unwrap();
        let rest = at_rest(&as_glb(&made), 0);
        for (n, joint) in new.iter().enumerate() {
            assert_close(&rest[old + n], &rest[joint.parent.index()]);
        }
        let (motion, _) =
            clips_at_keys(&made, &only(&made).character.skeleton, 1.0 / 15.0).unwrap();
        let tracks = motion.iter().flat_map(|(animation, clip)| {
            let times: Vec<f32> = clip.frames.iter().map(|frame| frame.time as f32).collect();
            let share = |i: usize| i as f64 / times.len() as f64;
            let turns: Vec<_> = (0..times.len())
                .map(|i| about(Vector3::y(), 3.0 * share(i)))
                .collect();
            let rotations = numbers(&turns).as_chunks::<4>().0.to_vec();
            let translations = (0..times.len())
                .map(|i| [0.1, share(i) as f32, -0.2])
                .collect();
            let track = NewTrack {
                animation: *animation,
                node: 0,
                times,
                translations,
                rotations,
            };
            nodes
                .iter()
                .map(|&node| NewTrack {
                    node,
                    ..track.clone()
                })
                .collect::<Vec<_>>()
        });
        let tracks: Vec<NewTrack> = tracks.collect();
        assert_eq!(
            tracks.len(),
            2 * document.json()["animations"].as_array().unwrap().len()
        );
        let file = as_glb(&with_tracks(&made, &tracks).unwrap());
        let made = Document::from_bytes("again.glb".as_ref(), file.clone()).unwrap();
        assert_on_the_last(&made, old + 2);
        let again = only(&made);
        assert_eq!(
            again.helpers.iter().map(|h| h.0.0).collect::<Vec<_>>(),
            [last + 1, last + 2]
        );

        // Nodes, clips and matrices that were there are what they were.
        let (before, after) = (parse_glb(&std::fs::read(&path).unwrap()), parse_glb(&file));
        let mut found = after.json["nodes"].as_array().unwrap().clone();
        found.truncate(nodes[0]);
        for joint in &new {
            let node = loaded.character.skeleton.joint(joint.parent).node;
            let children = found[node]["children"].as_array_mut().unwrap();
            children.retain(|child| !nodes.contains(&index(child)));
            if children.is_empty() {
                found[node]
                    .as_object_mut()
                    .unwrap()
                    .shift_remove("children");
            }
        }
        assert_eq!(json!(found), before.json["nodes"]);
        let source = std::fs::read(&path).unwrap();
        assert_eq!(inverse_binds(&file, 0)[..old], inverse_binds(&source, 0));
        let animations = before.json["animations"].as_array().unwrap().iter();
        for (a, b) in animations.zip(after.json["animations"].as_array().unwrap()) {
            for list in ["channels", "samplers"] {
                let old = a[list].as_array().unwrap();
                assert_eq!(old[..], b[list].as_array().unwrap()[..old.len()]);
            }
        }
        let played = |document: &Document, loaded: &Loaded| {
            clips(document, &loaded.character.skeleton, 30.0).unwrap().0
        };
        for (a, b) in played(&document, &loaded)
            .iter()
            .zip(&played(&made, &again))
        {
            assert_eq!(a.frames.len(), b.frames.len());
            for (a, b) in a.frames.iter().zip(&b.frames) {
                assert_eq!(a.moves[..], b.moves[..old]);
            }
        }
        // The keys are those that were asked for.
        let skeleton = &again.character.skeleton;
        let (motion, _) = clips_at_keys(&made, skeleton, 1.0 / 15.0).unwrap();
        for (n, track) in tracks.iter().enumerate() {
            let clip = &motion
                .iter()
                .find(|(animation, _)| *animation == track.animation)
                .unwrap()
                .1;
            let joint = JointId(last + 1 + (n % 2) as u16);
            let bind = &skeleton.joint(joint).bind_local;
            assert_eq!(clip.frames.len(), track.times.len());
            for frame in &clip.frames {
                let own: &Move = &frame.moves[joint.index()];
                assert_close(
                    &bind.matrix(own),
                    &said(track, bind.stretch.diagonal(), frame.time),
                );
            }
        }
    }
}
