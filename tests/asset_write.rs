//! Weights into documents: what changes, and that nothing else does.

mod asset_kit;

use asset_kit::*;
use serde_json::{Value, json};
use tanyard::asset::{self, Document, Loaded, NewWeights, WeightFormat, characters, with_weights};
use tanyard::rig::{JointId, Kept, Weights};

const FORMATS: [WeightFormat; 3] = [WeightFormat::U8, WeightFormat::U16, WeightFormat::F32];

fn bake(document: &Document, loaded: &[Loaded], format: WeightFormat) -> Document {
    let weights: Vec<Weights> = loaded.iter().map(|one| slanted(one, format)).collect();
    let pairs = loaded.iter().zip(&weights);
    let new: Vec<NewWeights> = pairs.map(|(one, w)| NewWeights::all(one, w)).collect();
    with_weights(document, &new, format).unwrap()
}

/// The new weights of a primitive, read by the gltf crate, are those given, the same for each copy.
fn assert_written(file: &[u8], mesh: usize, loaded: &Loaded, weights: &Weights) {
    let (joints, values) = second_opinion(file, mesh, 0, 0);
    assert_eq!(joints.len(), loaded.character.surface.welded.len());
    for (raw, &welded) in loaded.character.surface.welded.iter().enumerate() {
        let mut expected: Vec<(JointId, f32)> = weights.of(welded as usize).take(4).collect();
        expected.resize(4, (JointId(0), 0.0));
        for (slot, &(joint, value)) in expected.iter().enumerate() {
            assert_eq!(joints[raw][slot], joint.0);
            // The crate multiplies by a rounded reciprocal: one bit, far below half a step.
            assert!((values[raw][slot] - value).abs() < 1e-7, "raw vertex {raw}");
        }
    }
}

#[test]
fn weights_come_back_exactly_in_every_format() {
    for format in FORMATS {
        let document = arm().open();
        let loaded = characters(&document, None).unwrap();
        let weights = slanted(&loaded[0], format);
        let file = as_glb(
            &with_weights(&document, &[NewWeights::all(&loaded[0], &weights)], format).unwrap(),
        );
        assert_written(&file, 0, &loaded[0], &weights);
        let kit = parse_glb(&file);
        let attributes = &kit.json["meshes"][0]["primitives"][0]["attributes"];
        let joints = &kit.json["accessors"][attributes["JOINTS_0"].as_u64().unwrap() as usize];
        assert_eq!(joints["componentType"], json!(U8));
        let new = &kit.json["accessors"][attributes["WEIGHTS_0"].as_u64().unwrap() as usize];
        let (component, normalized) = match format {
            WeightFormat::U8 => (U8, json!(true)),
            WeightFormat::U16 => (U16, json!(true)),
            WeightFormat::F32 => (F32, Value::Null),
        };
        assert_eq!(
            (&new["componentType"], &new["normalized"]),
            (&json!(component), &normalized)
        );
        let view = &kit.json["bufferViews"][new["bufferView"].as_u64().unwrap() as usize];
        assert_eq!(view["target"], json!(34962));
        // Integer sums are exact.
        let document = Document::from_bytes("again.glb".as_ref(), file).unwrap();
        let again = characters(&document, None).unwrap();
        let back = again[0].character.weights.clone().unwrap();
        for v in 0..back.len() {
            let (a, b): (Vec<_>, Vec<_>) = (back.of(v).collect(), weights.of(v).collect());
            assert_eq!(a.len(), b.len());
            for (a, b) in a.iter().zip(&b) {
                assert!(a.0 == b.0 && (a.1 - b.1).abs() < 1e-7);
            }
        }
    }
}

#[test]
fn weights_off_the_grid_or_of_another_character_are_refused() {
    let document = arm().open();
    let loaded = characters(&document, None).unwrap();
    let third = Weights::new(
        3,
        [
            (JointId(0), 1.0 / 3.0),
            (JointId(1), 2.0 / 3.0),
            (JointId(0), 0.0),
        ]
        .repeat(6),
    );
    assert!(
        with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &third)],
            WeightFormat::U16
        )
        .is_ok(),
        "thirds are on this grid"
    );
    let off = Weights::new(2, [(JointId(0), 0.5), (JointId(1), 0.5)].repeat(6));
    let fault = &faults(with_weights(
        &document,
        &[NewWeights::all(&loaded[0], &off)],
        WeightFormat::U8,
    ))[0];
    assert!(fault.to_string().contains("256 at vertex 0"), "{fault}");
    let few = Weights::rigid(&[JointId(0); 5]);
    assert!(
        with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &few)],
            WeightFormat::U8
        )
        .is_err()
    );
    let stranger = Weights::rigid(&[JointId(9); 6]);
    assert!(
        with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &stranger)],
            WeightFormat::U8
        )
        .is_err()
    );
    let other = bare_arm().open();
    let fits = Weights::rigid(&[JointId(0); 6]);
    let mut empty = other.json().clone();
    empty["meshes"] = json!([]);
    let bytes = serde_json::to_vec(&json!({ "asset": { "version": "2.0" } })).unwrap();
    let empty = Document::from_bytes("kit.glb".as_ref(), bytes).unwrap();
    assert!(
        with_weights(
            &empty,
            &[NewWeights::all(&loaded[0], &fits)],
            WeightFormat::U8
        )
        .is_err(),
        "no panic"
    );
}

#[test]
fn a_file_that_nothing_changes_comes_back_whole() {
    let kit = rich_arm();
    let before = parse_glb(&kit.glb());
    let after = parse_glb(&as_glb(&kit.open()));
    assert_eq!(before.json, after.json);
    let text = |kit: &Kit| kit.json.to_string();
    assert_eq!(
        text(&before),
        text(&after),
        "order of members and numbers too"
    );
    assert_eq!(before.bin, after.bin);
    assert_eq!(before.chunks, after.chunks);
}

#[test]
fn a_bake_changes_only_its_own() {
    let kit = rich_arm();
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let before = parse_glb(&kit.glb());
    let after = parse_glb(&as_glb(&bake(&document, &loaded, WeightFormat::U8)));
    assert_eq!(before.chunks, after.chunks);
    let mut expected = before.json.clone();
    let mut found = after.json.clone();
    // The same numbers stand for new accessors; only they, their views and the length of the buffer differ.
    for i in [2, 3] {
        expected["accessors"][i] = Value::Null;
        found["accessors"][i] = Value::Null;
    }
    for json in [&mut expected, &mut found] {
        json["buffers"] = Value::Null;
        json["bufferViews"] = Value::Null;
    }
    assert_eq!(expected.to_string(), found.to_string());
    for view in 0..before.json["bufferViews"].as_array().unwrap().len() {
        if view == 2 || view == 3 {
            continue;
        }
        assert_eq!(
            view_bytes(&before, view),
            view_bytes(&after, view),
            "view {view}"
        );
    }
    assert_eq!(
        after.json["bufferViews"].as_array().unwrap().len(),
        before.json["bufferViews"].as_array().unwrap().len()
    );
    assert!(
        after.bin.len() < before.bin.len(),
        "bytes are less than floats"
    );
}

#[test]
fn baking_again_and_again_does_not_grow_the_file() {
    for kit in [arm(), rich_arm(), unused_skin()] {
        for format in FORMATS {
            let mut file = kit.glb();
            let mut sizes = Vec::new();
            for _ in 0..4 {
                let document = Document::from_bytes("kit.glb".as_ref(), file).unwrap();
                let loaded = characters(&document, None).unwrap();
                file = as_glb(&bake(&document, &loaded, format));
                sizes.push(file.len());
            }
            assert_eq!(sizes[1], sizes[2], "{sizes:?}");
            assert_eq!(sizes[2], sizes[3], "{sizes:?}");
            assert!(sizes[1] <= sizes[0], "{sizes:?}");
        }
    }
}

#[test]
fn more_influences_take_more_sets_and_fewer_take_them_away_again() {
    let mut kit = arm();
    let mut joints = vec![json!(0), json!(1)];
    for i in 0..10 {
        kit.push("nodes", json!({ "name": format!("finger{i}") }));
        joints.push(json!(3 + i));
    }
    kit.json["nodes"][1]["children"] = joints[2..].to_vec().into();
    kit.json["skins"][0]["joints"] = joints.into();
    let bind = kit.floats("MAT4", 12, &INVERSE_BINDS[..16].repeat(12));
    kit.json["skins"][0]["inverseBindMatrices"] = json!(bind);
    let mut file = kit.glb();
    let mut sizes = Vec::new();
    for influences in [9, 4, 5, 2, 8, 1, 9, 4, 5, 2, 8, 1] {
        let document = Document::from_bytes("kit.glb".as_ref(), file).unwrap();
        let loaded = characters(&document, None).unwrap();
        let weights = spread(&loaded[0], influences, WeightFormat::U8);
        let baked = with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &weights)],
            WeightFormat::U8,
        )
        .unwrap();
        file = as_glb(&baked);
        let attributes = baked.json()["meshes"][0]["primitives"][0]["attributes"].clone();
        let sets = (0..4)
            .take_while(|n| !attributes[format!("JOINTS_{n}")].is_null())
            .count();
        assert_eq!(sets, influences.div_ceil(4));
        assert_eq!(attributes.as_object().unwrap().len(), 1 + 2 * sets);
        let again = characters(&baked, None).unwrap();
        assert_eq!(
            again[0]
                .character
                .weights
                .as_ref()
                .unwrap()
                .most_influences(),
            influences
        );
        assert!(gltf::Gltf::from_slice(&file).is_ok());
        sizes.push(file.len());
    }
    assert_eq!(sizes[..6], sizes[6..], "spare slots are used again");
}

#[test]
fn heavier_joints_come_first_across_sets() {
    let document = arm_of(6).open();
    let loaded = characters(&document, None).unwrap();
    let steps = [10, 20, 30, 40, 50, 105];
    let row: Vec<(JointId, f32)> = (0..6)
        .map(|j| (JointId(j), f32::from(steps[j as usize] as u8) / 255.0))
        .collect();
    let weights = Weights::new(6, row.repeat(6));
    let file = as_glb(
        &with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &weights)],
            WeightFormat::U8,
        )
        .unwrap(),
    );
    let (joints, _) = second_opinion(&file, 0, 0, 0);
    assert_eq!(joints[0], [5, 4, 3, 2]);
    let (joints, values) = second_opinion(&file, 0, 0, 1);
    assert_eq!(joints[0], [1, 0, 0, 0]);
    assert_eq!(values[0][2..], [0.0, 0.0]);
}

#[test]
fn many_joints_take_two_bytes_each_only_where_needed() {
    let document = arm_of(300).open();
    let loaded = characters(&document, None).unwrap();
    for (joint, component) in [(255, U8), (256, U16), (299, U16)] {
        let weights = Weights::rigid(&[JointId(joint); 6]);
        let file = as_glb(
            &with_weights(
                &document,
                &[NewWeights::all(&loaded[0], &weights)],
                WeightFormat::F32,
            )
            .unwrap(),
        );
        let (joints, values) = second_opinion(&file, 0, 0, 0);
        assert_eq!(
            (joints[3], values[3]),
            ([joint, 0, 0, 0], [1.0, 0.0, 0.0, 0.0])
        );
        let json = parse_glb(&file).json;
        let accessor = json["meshes"][0]["primitives"][0]["attributes"]["JOINTS_0"]
            .as_u64()
            .unwrap();
        assert_eq!(
            json["accessors"][accessor as usize]["componentType"],
            json!(component)
        );
    }
}

#[test]
fn what_is_kept_stays_where_others_get_more_sets_and_wider_joints() {
    let mut kit = arm_of(300);
    // One row lies elsewhere, and has numbers of joints that are not there beside no weight.
    let [indices, values] = [&[0][..], &[9, 255, 0, 1]].map(|bytes| kit.view(bytes));
    kit.json["accessors"][2]["sparse"] = json!({
        "count": 1,
        "indices": { "bufferView": indices, "componentType": U8 },
        "values": { "bufferView": values },
    });
    let document = kit.open();
    let loaded = &characters(&document, None).unwrap()[0];
    let surface = &loaded.character.surface;
    let file = loaded.character.weights.as_ref().unwrap();
    let solved: Vec<bool> = surface.positions.iter().map(|p| p[0] == 2.0).collect();
    let kept = Kept::beside(&solved, vec![1 << 24; 6], file).unwrap();
    assert_eq!((kept.count(), kept.has(0)), (4, true));
    let new = |first: f32| {
        let values = [first, 0.25, 0.125, 0.0625, 0.03125, 0.03125];
        let ids = [299, 1, 2, 3, 4, 256].map(JointId);
        let row: Vec<(JointId, f32)> = ids.into_iter().zip(values).collect();
        kept.over(&Weights::new(6, row.repeat(6)))
    };
    let write = |weights: &Weights| {
        let new = NewWeights {
            kept: Some(&kept),
            ..NewWeights::all(loaded, weights)
        };
        // The format of the file rules.
        with_weights(&document, &[new], WeightFormat::U8)
    };
    let written = parse_glb(&as_glb(&write(&new(0.5)).unwrap()));
    let attributes = &written.json["meshes"][0]["primitives"][0]["attributes"];
    let part = |name: &str| {
        let accessor = attributes[name].as_u64().unwrap() as usize;
        let component = written.json["accessors"][accessor]["componentType"].clone();
        (component, rows(&written, accessor))
    };
    let [joints, weights] = [2, 3].map(|accessor| rows(&kit, accessor));
    assert_eq!(joints[0], [9, 255, 0, 1]);
    let wide = |row: &[u8]| row.iter().flat_map(|&b| [b, 0]).collect::<Vec<u8>>();
    let names = ["JOINTS_0", "WEIGHTS_0", "JOINTS_1", "WEIGHTS_1"];
    let [joints_0, weights_0, joints_1, weights_1] = names.map(part);
    assert_eq!((joints_0.0, weights_0.0), (json!(U16), json!(F32)));
    // The last of the six is wide as well; on their own, joints of the second set would be narrow.
    assert_eq!((joints_1.0, weights_1.0), (json!(U16), json!(F32)));
    for (raw, &v) in surface.welded.iter().enumerate() {
        if kept.has(v as usize) {
            assert_eq!(joints_0.1[raw], wide(&joints[raw]));
            assert_eq!(weights_0.1[raw], weights[raw]);
            assert_eq!(joints_1.1[raw], [0; 8]);
            assert_eq!(weights_1.1[raw], [0; 16]);
        } else {
            assert_eq!(joints_0.1[raw], [43, 1, 1, 0, 2, 0, 3, 0]);
            assert_eq!(weights_0.1[raw], bytes_of(&[0.5, 0.25, 0.125, 0.0625]));
            assert_eq!(joints_1.1[raw], [4, 0, 0, 1, 0, 0, 0, 0]);
            assert_eq!(weights_1.1[raw], bytes_of(&[0.03125, 0.03125, 0.0, 0.0]));
        }
    }
    // New weights that do not sum to one are refused, whatever is kept.
    assert!(write(&new(0.4)).is_err());
}

#[test]
fn accessors_that_others_use_stay() {
    // A second mesh, not skinned, uses the same joints and weights accessors.
    let mut kit = arm();
    let mesh = kit.json["meshes"][0].clone();
    kit.push("meshes", mesh);
    kit.push("nodes", json!({ "mesh": 1 }));
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let weights = slanted(&loaded[0], WeightFormat::U8);
    let file = as_glb(
        &with_weights(
            &document,
            &[NewWeights::all(&loaded[0], &weights)],
            WeightFormat::U8,
        )
        .unwrap(),
    );
    assert_written(&file, 0, &loaded[0], &weights);
    assert_eq!(
        second_opinion(&kit.glb(), 1, 0, 0),
        second_opinion(&file, 1, 0, 0)
    );

    // An extension that nobody knows names accessor 3, another the view of accessor 2.
    for (place, extension) in [
        ("extras", json!({ "mine": [3], "and": 2 })),
        ("extensions", json!({ "X": { "source": 3, "other": [2] } })),
        ("extensions", json!({ "X": "/accessors/3/x/bufferViews/2" })),
    ] {
        let mut kit = arm();
        kit.json["nodes"][0][place] = extension;
        let document = kit.open();
        let loaded = characters(&document, None).unwrap();
        let after = parse_glb(&as_glb(&bake(&document, &loaded, WeightFormat::U8)));
        assert_eq!(after.json["accessors"][3], kit.json["accessors"][3]);
        assert_eq!(view_bytes(&kit, 3), view_bytes(&after, 3));
        assert_eq!(view_bytes(&kit, 2), view_bytes(&after, 2));
    }
}

#[test]
fn views_that_others_use_stay() {
    // Joints interleaved with texture coordinates.
    let mut kit = arm();
    let mut bytes = Vec::new();
    for v in 0..8u8 {
        bytes.extend([0, 1, 0, 0]);
        bytes.extend(bytes_of(&[f32::from(v), 0.25]));
    }
    let view = kit.view(&bytes);
    kit.json["bufferViews"][view]["byteStride"] = json!(12);
    kit.json["accessors"][2] =
        json!({ "bufferView": view, "componentType": U8, "count": 8, "type": "VEC4" });
    let uv = kit.push("accessors", json!({ "bufferView": view, "byteOffset": 4, "componentType": F32, "count": 8, "type": "VEC2" }));
    kit.json["meshes"][0]["primitives"][0]["attributes"]["TEXCOORD_0"] = json!(uv);
    let uvs = |file: &[u8]| -> Vec<[f32; 2]> {
        let gltf = gltf::Gltf::from_slice(file).unwrap();
        let blob = gltf.blob.clone().unwrap();
        let primitive = gltf.meshes().next().unwrap().primitives().next().unwrap();
        primitive
            .reader(|_| Some(&blob))
            .read_tex_coords(0)
            .unwrap()
            .into_f32()
            .collect()
    };
    let before = kit.glb();
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let after = as_glb(&bake(&document, &loaded, WeightFormat::F32));
    assert_eq!(uvs(&before), uvs(&after));
    assert_eq!(uvs(&after)[7], [7.0, 0.25]);
}

#[test]
fn primitives_that_share_keep_sharing() {
    let mut kit = arm();
    let other = kit.json["meshes"][0]["primitives"][0].clone();
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(other);
    // A second mesh on the same accessors, in the same skin.
    let mesh = kit.json["meshes"][0].clone();
    kit.push("meshes", mesh);
    kit.push("nodes", json!({ "mesh": 1, "skin": 0 }));
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    assert_eq!(loaded[0].character.parts.len(), 2);
    assert_eq!(loaded[0].character.surface.len(), 6);
    let json = bake(&document, &loaded, WeightFormat::U8).json().clone();
    let attributes: Vec<&Value> = (0..2)
        .flat_map(|m| (0..2).map(move |p| (m, p)))
        .map(|(m, p)| &json["meshes"][m]["primitives"][p]["attributes"])
        .collect();
    assert!(attributes.iter().all(|a| *a == attributes[0]));
    assert_eq!(json["accessors"].as_array().unwrap().len(), 5);
}

#[test]
fn points_keep_their_old_weights() {
    let mut kit = arm();
    let mut points = kit.json["meshes"][0]["primitives"][0].clone();
    points["mode"] = json!(0);
    points.as_object_mut().unwrap().shift_remove("indices");
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(points);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let file = as_glb(&bake(&document, &loaded, WeightFormat::U8));
    assert_eq!(
        second_opinion(&kit.glb(), 0, 1, 0),
        second_opinion(&file, 0, 1, 0)
    );
    assert_ne!(
        second_opinion(&file, 0, 0, 0),
        second_opinion(&file, 0, 1, 0)
    );
}

#[test]
fn an_unused_skin_is_given_to_its_mesh() {
    let document = unused_skin().open();
    let loaded = characters(&document, None).unwrap();
    let weights = slanted(&loaded[0], WeightFormat::U16);
    let baked = with_weights(
        &document,
        &[NewWeights::all(&loaded[0], &weights)],
        WeightFormat::U16,
    )
    .unwrap();
    assert_eq!(baked.json()["nodes"][2]["skin"], json!(0));
    assert_eq!(baked.json()["skins"], document.json()["skins"]);
    let file = as_glb(&baked);
    assert_written(&file, 0, &loaded[0], &weights);
    let again = characters(&baked, None).unwrap();
    assert!(!again[0].unbound);
    assert_eq!(
        again[0].character.surface.positions,
        loaded[0].character.surface.positions
    );
}

#[test]
fn a_skinned_mesh_without_weights_gets_some() {
    let mut kit = unused_skin();
    kit.json["nodes"][2]["skin"] = json!(0);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let baked = bake(&document, &loaded, WeightFormat::U8);
    assert_eq!(baked.json()["skins"], document.json()["skins"]);
    assert!(!characters(&baked, None).unwrap()[0].unbound);
    // Without bind matrices too: then the pose that the file was saved in is bind.
    kit.json["skins"][0]
        .as_object_mut()
        .unwrap()
        .shift_remove("inverseBindMatrices");
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    assert!(loaded[0].notes[0].contains("no inverse bind matrices"));
    let again = characters(&bake(&document, &loaded, WeightFormat::U8), None).unwrap();
    assert_eq!(again[0].character.skeleton.origin(JointId(1)).x, 1.0);
    assert_eq!(again[0].character.saved_pose, None);
}

#[test]
fn a_file_without_skin_gets_one() {
    let document = bare_arm().open();
    let loaded = characters(&document, Some("shoulder")).unwrap();
    let baked = bake(&document, &loaded, WeightFormat::U8);
    let skin = &baked.json()["skins"][0];
    assert_eq!(skin["joints"], json!([0, 1]));
    assert_eq!(skin["skeleton"], json!(0));
    assert_eq!(skin["name"], json!("shoulder"));
    assert_eq!(baked.json()["nodes"][2]["skin"], json!(0));
    let gltf = gltf::Gltf::from_slice(&as_glb(&baked)).unwrap();
    let blob = gltf.blob.clone().unwrap();
    let binds: Vec<[[f32; 4]; 4]> = gltf
        .skins()
        .next()
        .unwrap()
        .reader(|_| Some(&blob))
        .read_inverse_bind_matrices()
        .unwrap()
        .collect();
    assert_eq!(binds[1][3], [-1.0, 0.0, 0.0, 1.0]);
    let again = characters(&baked, None).unwrap();
    assert_eq!(again[0].character.saved_pose, None);
}

/// Where the corners of a skinned mesh node appear in the scene, worked out by hand from the file.
fn shown(file: &[u8], node: usize) -> Vec<[f32; 3]> {
    use nalgebra::{Matrix4, Point3};
    let gltf = gltf::Gltf::from_slice(file).unwrap();
    let blob = gltf.blob.clone().unwrap();
    let mut worlds = vec![Matrix4::identity(); gltf.nodes().len()];
    let mut stack: Vec<(gltf::Node, Matrix4<f32>)> = gltf
        .scenes()
        .next()
        .unwrap()
        .nodes()
        .map(|n| (n, Matrix4::identity()))
        .collect();
    while let Some((node, above)) = stack.pop() {
        let local: Vec<f32> = node.transform().matrix().concat();
        worlds[node.index()] = above * Matrix4::from_column_slice(&local);
        stack.extend(node.children().map(|child| (child, worlds[node.index()])));
    }
    let node = gltf.nodes().nth(node).unwrap();
    let skin = node.skin().unwrap();
    let binds: Vec<Matrix4<f32>> = skin
        .reader(|_| Some(&blob))
        .read_inverse_bind_matrices()
        .unwrap()
        .map(|m| Matrix4::from_column_slice(&m.concat()))
        .collect();
    let joints: Vec<usize> = skin.joints().map(|joint| joint.index()).collect();
    let primitive = node.mesh().unwrap().primitives().next().unwrap();
    let reader = primitive.reader(|_| Some(&blob));
    let weights: Vec<[f32; 4]> = reader.read_weights(0).unwrap().into_f32().collect();
    let slots: Vec<[u16; 4]> = reader.read_joints(0).unwrap().into_u16().collect();
    reader
        .read_positions()
        .unwrap()
        .enumerate()
        .map(|(v, p)| {
            let mut matrix = Matrix4::zeros();
            for s in 0..4 {
                let j = usize::from(slots[v][s]);
                matrix += worlds[joints[j]] * binds[j] * weights[v][s];
            }
            matrix.transform_point(&Point3::from(p)).coords.into()
        })
        .collect()
}

fn assert_close(a: &[[f32; 3]], b: &[[f32; 3]]) {
    assert_eq!(a.len(), b.len());
    for (p, q) in a.iter().zip(b) {
        for i in 0..3 {
            assert!((p[i] - q[i]).abs() < 1e-5, "{a:?}\n{b:?}");
        }
    }
}

fn moved(f: impl Fn([f32; 3]) -> [f32; 3]) -> Vec<[f32; 3]> {
    SQUARES.chunks(3).map(|p| f([p[0], p[1], p[2]])).collect()
}

#[test]
fn meshes_bound_where_they_stand_stay_where_they_stand() {
    for with_skin in [true, false] {
        let kit = scattered(with_skin);
        let document = kit.open();
        let name = (!with_skin).then_some("shoulder");
        let loaded = characters(&document, name).unwrap();
        assert_eq!(loaded[0].character.parts.len(), 3);
        let baked = bake(&document, &loaded, WeightFormat::F32);
        let file = as_glb(&baked);
        let up = moved(|[x, y, z]| [x, y + 3.0, z]);
        let twice = moved(|p| p.map(|x| 2.0 * x));
        assert_close(&shown(&file, 2), &up);
        assert_close(&shown(&file, 4), &up);
        assert_close(&shown(&file, 3), &twice);
        assert_close(&shown(&file, 5), &twice);
        let json = baked.json();
        assert_eq!(
            json["meshes"].as_array().unwrap().len(),
            3,
            "one copy for the second place"
        );
        assert_eq!(json["nodes"][2]["skin"], json["nodes"][4]["skin"]);
        assert_eq!(json["nodes"][3]["skin"], json["nodes"][5]["skin"]);
        assert_ne!(json["nodes"][2]["skin"], json["nodes"][3]["skin"]);
        // And all of it can be baked again.
        let again = characters(&baked, None).unwrap();
        assert_eq!(again.len(), 2);
        let twice_baked = bake(&baked, &again, WeightFormat::F32);
        assert_close(&shown(&as_glb(&twice_baked), 3), &twice);
    }
}

#[test]
fn a_cycle_of_formats_leaves_a_valid_file() {
    let mut document = rich_arm().open();
    for format in FORMATS.into_iter().cycle().take(7) {
        let loaded = characters(&document, None).unwrap();
        document = bake(&document, &loaded, format);
        // Not saved in between: a document in memory is as good as one on disk.
        let weights = characters(&document, None).unwrap()[0]
            .character
            .weights
            .clone()
            .unwrap();
        assert_eq!(weights.len(), 6);
    }
    let kit = parse_glb(&as_glb(&document));
    assert_eq!(view_bytes(&rich_arm(), 5), view_bytes(&kit, 5), "the image");
    let length = kit.json["buffers"][0]["byteLength"].as_u64().unwrap() as usize;
    assert_eq!(length.next_multiple_of(4), kit.bin.len());
    let folder = tempfile::tempdir().unwrap();
    assert!(
        asset::save(&document, &folder.path().join("x.gltf")).is_err(),
        "chunks that .gltf cannot hold"
    );
}

#[test]
fn slots_left_over_in_the_middle_are_filled_by_the_next_bake() {
    let mut kit = arm();
    let mut joints = vec![json!(0), json!(1)];
    for _ in 0..6 {
        joints.push(json!(kit.push("nodes", json!({}))));
    }
    kit.json["skins"][0]["joints"] = joints.into();
    let bind = kit.floats("MAT4", 8, &INVERSE_BINDS[..16].repeat(8));
    kit.json["skins"][0]["inverseBindMatrices"] = json!(bind);
    let bake = |document: &Document, influences| {
        let loaded = characters(document, None).unwrap();
        let weights = spread(&loaded[0], influences, WeightFormat::U8);
        with_weights(
            document,
            &[NewWeights::all(&loaded[0], &weights)],
            WeightFormat::U8,
        )
        .unwrap()
    };
    let wide = bake(&kit.open(), 8);
    // A clip behind the weights, so that fewer weights leave a gap.
    let skeleton = characters(&wide, None).unwrap()[0]
        .character
        .skeleton
        .clone();
    let wide = with_clip(&wide, &skeleton, &[]).unwrap();
    let narrow = bake(&wide, 4);
    let count = |document: &Document, array: &str| document.json()[array].as_array().unwrap().len();
    for array in ["accessors", "bufferViews"] {
        assert_eq!(count(&narrow, array), count(&wide, array), "numbers stay");
    }
    assert!(
        gltf::Gltf::from_slice(&as_glb(&narrow)).is_ok(),
        "spare slots are valid"
    );
    let again = bake(&narrow, 8);
    for array in ["accessors", "bufferViews"] {
        assert_eq!(count(&again, array), count(&wide, array));
    }
    assert_eq!(as_glb(&again).len(), as_glb(&wide).len());
}

#[test]
fn attributes_with_other_names_are_no_sets() {
    let mut kit = arm();
    let attributes = &mut kit.json["meshes"][0]["primitives"][0]["attributes"];
    attributes["JOINTS_01"] = json!(2);
    attributes["WEIGHTS_+1"] = json!(3);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let baked = bake(&document, &loaded, WeightFormat::U8);
    let attributes = &baked.json()["meshes"][0]["primitives"][0]["attributes"];
    assert_eq!(
        (&attributes["JOINTS_01"], &attributes["WEIGHTS_+1"]),
        (&json!(2), &json!(3))
    );
}

#[test]
fn slots_left_over_without_a_view_of_their_own_stay_valid() {
    // Two sets in the view of the positions, which stays; one set is enough for the new weights.
    let mut kit = arm();
    let mut bytes = bytes_of(&SQUARES);
    bytes.extend([0, 1, 0, 0].repeat(8));
    bytes.extend(bytes_of(&[1.0, 0.0, 0.0, 0.0].repeat(8)));
    let view = kit.view(&bytes);
    let accessor = |offset: usize, component: u32, kind: &str| json!({ "bufferView": view, "byteOffset": offset, "componentType": component, "count": 8, "type": kind });
    kit.json["accessors"][0] = accessor(0, F32, "VEC3");
    kit.json["accessors"][0]["min"] = json!([0.0, 0.0, 0.0]);
    kit.json["accessors"][0]["max"] = json!([2.0, 1.0, 0.0]);
    kit.json["accessors"][2] = accessor(96, U8, "VEC4");
    kit.json["accessors"][3] = accessor(128, F32, "VEC4");
    let joints = kit.push("accessors", accessor(96, U8, "VEC4"));
    let weights = kit.push("accessors", accessor(128, F32, "VEC4"));
    let other = kit.floats("VEC3", 8, &SQUARES);
    let attributes = &mut kit.json["meshes"][0]["primitives"][0]["attributes"];
    attributes["JOINTS_1"] = json!(joints);
    attributes["WEIGHTS_1"] = json!(weights);
    attributes["_OTHER"] = json!(other);
    let mut document = kit.open();
    let mut sizes = Vec::new();
    for _ in 0..3 {
        let loaded = characters(&document, None).unwrap();
        document = bake(&document, &loaded, WeightFormat::U8);
        let file = as_glb(&document);
        gltf::Gltf::from_slice(&file).unwrap();
        sizes.push(file.len());
    }
    assert_eq!(sizes[0], sizes[2]);
}
