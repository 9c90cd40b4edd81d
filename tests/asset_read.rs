//! What the reader takes, and what it refuses with which words.

mod asset_kit;

use std::path::Path;

use asset_kit::*;
use serde_json::{Value, json};
use tanyard::asset::{self, Document};
use tanyard::error::Error;
use tanyard::rig::JointId;

fn attributes(kit: &mut Kit) -> &mut Value {
    &mut kit.json["meshes"][0]["primitives"][0]["attributes"]
}

fn row(loaded: &asset::Loaded, vertex: usize) -> Vec<(u16, f32)> {
    let weights = loaded.character.weights.as_ref().unwrap();
    weights
        .of(vertex)
        .map(|(joint, value)| (joint.0, value))
        .collect()
}

#[test]
fn the_arm_is_welded_along_its_seam() {
    let loaded = &arm().try_characters().unwrap()[0];
    let character = &loaded.character;
    assert_eq!(character.name, "sleeve");
    assert_eq!(character.surface.len(), 6);
    assert_eq!(character.surface.triangles.len(), 4);
    assert_eq!(character.surface.welded, [0, 1, 2, 3, 1, 4, 5, 2]);
    assert_eq!(row(loaded, 0), [(0, 1.0)]);
    assert_eq!(row(loaded, 1), [(0, 0.5), (1, 0.5)]);
    assert_eq!(row(loaded, 4), [(1, 1.0)]);
    character.weights.as_ref().unwrap().check(2).unwrap();
    assert_eq!(character.skeleton.find("elbow"), Some(JointId(1)));
    assert_eq!(
        character.skeleton.joint(JointId(1)).parent,
        Some(JointId(0))
    );
    assert_eq!(character.saved_pose, None);
    assert_eq!(character.scene_scale, 1.0);
    assert!(!loaded.unbound);
    assert_eq!(loaded.notes, Vec::<String>::new());
    assert_eq!(character.parts[0].mesh, "sleeve");
    assert_eq!(
        character.parts[0].materials,
        [(String::new(), vec![0, 1, 2, 3, 4, 5])]
    );
}

#[test]
fn strips_and_fans_give_the_triangles_of_lists() {
    let triangles = |mode: u32, corners: &[u8]| {
        let mut kit = arm();
        let indices = kit.accessor("SCALAR", U8, corners.len(), corners);
        kit.json["meshes"][0]["primitives"][0]["indices"] = json!(indices);
        kit.json["meshes"][0]["primitives"][0]["mode"] = json!(mode);
        kit.try_characters().unwrap()[0]
            .character
            .surface
            .triangles
            .clone()
    };
    // Raw 0 1 2 3 are welded 0 1 2 3.
    assert_eq!(triangles(5, &[0, 1, 3, 2]), [[0, 1, 3], [1, 2, 3]]);
    assert_eq!(triangles(6, &[0, 1, 2, 3]), [[1, 2, 0], [2, 3, 0]]);
    assert_eq!(triangles(4, &[0, 1, 2]), [[0, 1, 2]]);
}

#[test]
fn a_mesh_without_indices_draws_its_vertices_in_order() {
    let mut kit = arm();
    let primitive = kit.json["meshes"][0]["primitives"][0]
        .as_object_mut()
        .unwrap();
    primitive.shift_remove("indices");
    let loaded = &kit.try_characters().unwrap()[0];
    // Eight corners: two triangles and two corners too many. Raw 3 4 5 are welded 3 1 4.
    assert_eq!(loaded.character.surface.triangles, [[0, 1, 2], [3, 1, 4]]);
    assert!(
        loaded.notes[0].contains("meshes[0].primitives[0] has 8 corners"),
        "{:?}",
        loaded.notes
    );
}

#[test]
fn indices_of_every_width_are_read() {
    let expected = arm().try_characters().unwrap()[0]
        .character
        .surface
        .triangles
        .clone();
    for component in [U16, U32] {
        let mut kit = arm();
        let bytes: Vec<u8> = SQUARE_CORNERS
            .iter()
            .flat_map(|&i| match component {
                U16 => u16::from(i).to_le_bytes().to_vec(),
                _ => u32::from(i).to_le_bytes().to_vec(),
            })
            .collect();
        let indices = kit.accessor("SCALAR", component, 12, &bytes);
        kit.json["meshes"][0]["primitives"][0]["indices"] = json!(indices);
        assert_eq!(
            kit.try_characters().unwrap()[0].character.surface.triangles,
            expected
        );
    }
}

#[test]
fn interleaved_attributes_are_read() {
    let plain = arm().try_characters().unwrap();
    let mut kit = arm();
    // Position and weights in one view, 28 bytes a vertex; weights before positions.
    let weights = view_bytes(&kit, 3);
    let mut bytes = Vec::new();
    for v in 0..8 {
        bytes.extend(&weights[16 * v..16 * v + 16]);
        bytes.extend(bytes_of(&SQUARES[3 * v..3 * v + 3]));
    }
    let view = kit.view(&bytes);
    kit.json["bufferViews"][view]["byteStride"] = json!(28);
    kit.json["accessors"][0] = json!({ "bufferView": view, "byteOffset": 16, "componentType": F32, "count": 8, "type": "VEC3" });
    kit.json["accessors"][3] =
        json!({ "bufferView": view, "componentType": F32, "count": 8, "type": "VEC4" });
    let read = kit.try_characters().unwrap();
    assert_eq!(
        read[0].character.surface.positions,
        plain[0].character.surface.positions
    );
    assert_eq!(read[0].character.weights, plain[0].character.weights);
}

#[test]
fn sparse_accessors_replace_elements() {
    let mut kit = arm();
    let indices = kit.view(&[0u8, 0, 5, 0]);
    let values = kit.view(&bytes_of(&[0.0, 0.0, 1.0, 2.0, 0.0, 3.0]));
    kit.json["accessors"][0]["sparse"] = json!({
        "count": 2,
        "indices": { "bufferView": indices, "componentType": U16 },
        "values": { "bufferView": values },
    });
    let positions = kit.try_characters().unwrap()[0]
        .character
        .surface
        .positions
        .clone();
    assert_eq!(positions[0], [0.0, 0.0, 1.0]);
    assert_eq!(positions[4], [2.0, 0.0, 3.0]);
    assert_eq!(positions[1], [1.0, 0.0, 0.0]);

    // Without a view below, everything else is zero.
    kit.json["accessors"][0]
        .as_object_mut()
        .unwrap()
        .shift_remove("bufferView");
    let positions = kit.try_characters().unwrap()[0]
        .character
        .surface
        .positions
        .clone();
    assert_eq!(positions, [[0.0, 0.0, 1.0], [0.0; 3], [2.0, 0.0, 3.0]]);

    // Unsorted.
    let at = kit.json["bufferViews"][indices]["byteOffset"]
        .as_u64()
        .unwrap() as usize;
    kit.bin[at..at + 4].copy_from_slice(&[5, 0, 0, 0]);
    assert_fault_at(&kit.faults(), "accessors[0].sparse.indices");
    // Out of range.
    kit.bin[at..at + 4].copy_from_slice(&[0, 0, 8, 0]);
    assert_fault_at(&kit.faults(), "accessors[0].sparse.indices");
}

#[test]
fn zeros_that_no_bytes_back_are_bounded() {
    let mut kit = arm();
    kit.json["accessors"][0] = json!({ "componentType": F32, "count": 1u64 << 40, "type": "VEC3" });
    assert_fault_at(&kit.faults(), "accessors[0].count");
    kit.json["accessors"][0]["count"] = json!(8);
    assert_eq!(kit.try_characters().unwrap()[0].character.surface.len(), 1);
}

#[test]
fn quantised_positions_are_read() {
    let mut kit = arm();
    kit.json["extensionsRequired"] = json!(["KHR_mesh_quantization"]);
    let bytes = |full: f32| -> Vec<u8> {
        SQUARES
            .chunks(3)
            .flat_map(|p| [p[0], p[1], p[2], 0.0])
            .flat_map(|x| ((x / 2.0 * full) as i16).to_le_bytes())
            .collect()
    };
    let view = kit.view(&bytes(32767.0));
    kit.json["bufferViews"][view]["byteStride"] = json!(8);
    kit.json["accessors"][0] = json!({ "bufferView": view, "componentType": I16, "normalized": true, "count": 8, "type": "VEC3" });
    let surface = kit.try_characters().unwrap()[0].character.surface.clone();
    assert_eq!(surface.positions[4], [1.0, 0.0, 0.0]);
    assert_eq!(surface.len(), 6);
    kit.json["accessors"][0]["normalized"] = json!(false);
    let surface = kit.try_characters().unwrap()[0].character.surface.clone();
    assert_eq!(surface.positions[4], [32767.0, 0.0, 0.0]);
}

#[test]
fn normalised_weights_and_wide_joints_are_read() {
    let mut kit = arm();
    let weights = kit.accessor("VEC4", U8, 8, &[204, 51, 0, 0].repeat(8));
    kit.json["accessors"][weights]["normalized"] = json!(true);
    let joints: Vec<u8> = [1u32, 0, 9, 9]
        .repeat(8)
        .iter()
        .flat_map(|j| j.to_le_bytes())
        .collect();
    let joints = kit.accessor("VEC4", U32, 8, &joints);
    attributes(&mut kit)["JOINTS_0"] = json!(joints);
    attributes(&mut kit)["WEIGHTS_0"] = json!(weights);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(
        row(loaded, 3),
        [(1, 0.8), (0, 0.2)],
        "slots without weight may name any joint"
    );
    assert!(loaded.notes.is_empty());
    kit.json["accessors"][weights]
        .as_object_mut()
        .unwrap()
        .shift_remove("normalized");
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(row(loaded, 3), [(1, 0.8), (0, 0.2)]);
    assert!(loaded.skin_notes[0].contains("normalized"));
}

#[test]
fn sets_are_merged_and_joints_that_repeat_are_summed() {
    let mut kit = arm();
    let (joints, weights) = (
        attributes(&mut kit)["JOINTS_0"].clone(),
        attributes(&mut kit)["WEIGHTS_0"].clone(),
    );
    attributes(&mut kit)["JOINTS_1"] = joints;
    attributes(&mut kit)["WEIGHTS_1"] = weights;
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(row(loaded, 1), [(0, 0.5), (1, 0.5)]);
    assert!(
        loaded.skin_notes[0].contains("the weights of 8 vertices"),
        "{:?}",
        loaded.skin_notes
    );

    attributes(&mut kit)
        .as_object_mut()
        .unwrap()
        .shift_remove("WEIGHTS_1");
    assert_fault_at(
        &kit.faults(),
        "meshes[0].primitives[0].attributes[\"WEIGHTS_1\"]",
    );
}

#[test]
fn copies_that_disagree_are_averaged_and_weightless_ones_are_left_out() {
    let mut kit = arm();
    let at = kit.json["bufferViews"][3]["byteOffset"].as_u64().unwrap() as usize;
    // Raw 1 and 4 are one vertex: weightless and all on joint 1.
    kit.bin[at + 16..at + 32].copy_from_slice(&bytes_of(&[0.0; 4]));
    kit.bin[at + 64..at + 80].copy_from_slice(&bytes_of(&[0.0, 1.0, 0.0, 0.0]));
    // Raw 2 and 7 are one vertex too: one on each joint, and one sum is off.
    kit.bin[at + 32..at + 48].copy_from_slice(&bytes_of(&[3.0, 0.0, 0.0, 0.0]));
    kit.bin[at + 112..at + 128].copy_from_slice(&bytes_of(&[0.0, 1.0, 0.0, 0.0]));
    // Raw 5 has no copy.
    kit.bin[at + 80..at + 96].copy_from_slice(&bytes_of(&[0.0; 4]));
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(row(loaded, 1), [(1, 1.0)]);
    assert_eq!(row(loaded, 2), [(0, 0.5), (1, 0.5)]);
    assert_eq!(row(loaded, 4), [(0, 1.0)]);
    assert!(
        loaded.skin_notes[1].starts_with("1 vertices have no weight"),
        "{:?}",
        loaded.skin_notes
    );
}

#[test]
fn points_and_lines_are_left_alone() {
    let mut kit = arm();
    let mut other = kit.json["meshes"][0]["primitives"][0].clone();
    other["mode"] = json!(0);
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(other);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(loaded.character.surface.triangles.len(), 4);
    assert!(loaded.notes[0].contains("meshes[0].primitives[1] draws points or lines"));
}

#[test]
fn masks_and_materials_come_with_their_part() {
    let mut kit = arm();
    let mask = kit.floats("SCALAR", 8, &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]);
    let other = kit.floats("VEC3", 8, &SQUARES);
    kit.push("materials", json!({}));
    kit.push("materials", json!({ "name": "leather" }));
    attributes(&mut kit)["_STIFF"] = json!(mask);
    attributes(&mut kit)["_VECTOR"] = json!(other);
    kit.json["meshes"][0]["primitives"][0]["material"] = json!(1);
    let mut second = kit.json["meshes"][0]["primitives"][0].clone();
    second["material"] = json!(0);
    let corners = kit.accessor("SCALAR", U8, 3, &[4, 5, 6]);
    second["indices"] = json!(corners);
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(second);
    let loaded = &kit.try_characters().unwrap()[0];
    let part = &loaded.character.parts[0];
    assert_eq!(
        loaded.character.parts.len(),
        1,
        "one part for one accessor of positions"
    );
    assert_eq!(part.raw, 0..8);
    assert_eq!(
        part.masks,
        [(
            "_STIFF".to_owned(),
            vec![0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0]
        )]
    );
    assert_eq!(
        part.materials[0],
        ("leather".to_owned(), vec![0, 1, 2, 3, 4, 5])
    );
    assert_eq!(part.materials[1], ("#0".to_owned(), vec![1, 4, 5]));
}

#[test]
fn bind_pose_is_that_of_the_matrices_not_of_the_nodes() {
    let mut kit = arm();
    let turned = [
        0.0,
        0.0,
        std::f64::consts::FRAC_1_SQRT_2,
        std::f64::consts::FRAC_1_SQRT_2,
    ];
    kit.json["nodes"][1]["rotation"] = json!(turned);
    kit.json["nodes"][0]["scale"] = json!([0.01, 0.01, 0.01]);
    kit.json["nodes"][0]["translation"] = json!([5, 6, 7]);
    let loaded = &kit.try_characters().unwrap()[0];
    let saved = loaded.character.saved_pose.expect("saved out of bind");
    assert!((saved.turn_degrees - 90.0).abs() < 1e-3, "{saved:?}");
    assert!(
        saved.shift_percent < 1e-3,
        "{saved:?}: moving the root moves all"
    );
    assert!((loaded.character.scene_scale - 0.01).abs() < 1e-9);
    assert_eq!(
        loaded.character.skeleton.origin(JointId(1)),
        nalgebra::Vector3::x()
    );
    assert!(loaded.skin_notes[0].contains("saved out of bind pose"));
}

#[test]
fn joint_names_are_unique() {
    let mut kit = arm();
    kit.json["nodes"][0]["name"] = json!("bone");
    kit.json["nodes"][1]["name"] = json!("bone");
    let names = |kit: &Kit| -> Vec<String> {
        let loaded = kit.try_characters().unwrap();
        loaded[0]
            .character
            .skeleton
            .joints()
            .iter()
            .map(|joint| joint.name.clone())
            .collect()
    };
    assert_eq!(names(&kit), ["#0", "#1"]);
    kit.json["nodes"][1]["name"] = json!("#0");
    assert_eq!(names(&kit), ["bone", "#1"]);
    kit.json["nodes"][1]["name"] = json!("");
    assert_eq!(names(&kit), ["bone", "#1"]);
}

#[test]
fn nodes_between_joints_are_seen_through() {
    let mut kit = arm();
    kit.push(
        "nodes",
        json!({ "translation": [0.25, 0, 0], "children": [1] }),
    );
    kit.json["nodes"][0]["children"] = json!([3]);
    kit.json["nodes"][1]["translation"] = json!([0.75, 0, 0]);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(
        loaded.character.skeleton.joint(JointId(1)).parent,
        Some(JointId(0))
    );
    assert_eq!(loaded.character.saved_pose, None);
}

#[test]
fn several_skins_are_several_characters() {
    let mut kit = arm();
    let skin = kit.json["skins"][0].clone();
    let mesh = kit.json["meshes"][0].clone();
    kit.push("skins", skin);
    kit.push("meshes", mesh);
    kit.push("nodes", json!({ "mesh": 1, "skin": 1 }));
    // The first mesh under the second skin too: it keeps the first skin's weights.
    kit.push("nodes", json!({ "mesh": 0, "skin": 1 }));
    let loaded = kit.try_characters().unwrap();
    assert_eq!(loaded.len(), 2);
    assert_eq!(loaded[1].character.surface.len(), 6);
    assert!(loaded[0].notes[0].contains("meshes[0] is moved by skins[0] and skins[1]"));
    kit.json["skins"][1]["joints"] = json!([0]);
    let faults = kit.faults();
    assert!(
        faults.iter().any(|fault| fault.part == "nodes[4].skin"),
        "{faults:?}"
    );
}

#[test]
fn broken_hierarchies_are_faults() {
    let mut kit = arm();
    kit.json["nodes"][1]["children"] = json!([0]);
    kit.json["scenes"][0]["nodes"] = json!([2]);
    assert_fault_at(&kit.faults(), "nodes[0]");
    let mut kit = arm();
    kit.json["nodes"][2]["children"] = json!([1]);
    assert_fault_at(&kit.faults(), "nodes[2].children[0]");
    let mut kit = arm();
    kit.json["nodes"][1]["children"] = json!([99]);
    assert_fault_at(&kit.faults(), "nodes[1].children[0]");
    let mut kit = arm();
    kit.json["nodes"][1]["children"] = json!([1]);
    assert_fault_at(&kit.faults(), "nodes[1].children[0]");
    let mut kit = arm();
    kit.json["nodes"][1]["rotation"] = json!([0, 0, 0, 0]);
    assert_fault_at(&kit.faults(), "nodes[1].rotation");
    let mut kit = arm();
    kit.json["nodes"][0]["scale"] = json!([1e200, 1e200, 1e200]);
    kit.json["nodes"][1]["scale"] = json!([1e200, 1e200, 1e200]);
    assert_fault_at(&kit.faults(), "nodes[1]");
}

#[test]
fn a_very_deep_hierarchy_is_no_problem() {
    let mut kit = arm();
    for i in 0..50_000 {
        kit.push("nodes", json!({ "children": [i + 4] }));
    }
    kit.push("nodes", json!({}));
    assert_eq!(kit.try_characters().unwrap().len(), 1);
}

#[test]
fn broken_skins_are_faults_with_their_path() {
    let mut kit = arm();
    kit.json["skins"][0]["joints"] = json!([0, 0]);
    assert_fault_at(&kit.faults(), "skins[0].joints[1]");
    kit.json["skins"][0]["joints"] = json!([0, 7]);
    assert_fault_at(&kit.faults(), "skins[0].joints[1]");
    kit.json["skins"][0]["joints"] = json!([]);
    assert_fault_at(&kit.faults(), "skins[0].joints");
    let mut kit = arm();
    kit.json["skins"][0]["joints"] = json!([0, 1, 2]);
    assert_fault_at(&kit.faults(), "accessors[4].count");
    let mut kit = arm();
    kit.json["skins"][0]
        .as_object_mut()
        .unwrap()
        .shift_remove("inverseBindMatrices");
    assert_fault_at(&kit.faults(), "skins[0].inverseBindMatrices");
    assert!(kit.faults()[0].found.contains("identity"));
    let with = |matrices: [f32; 32]| {
        let mut kit = arm();
        let bind = kit.floats("MAT4", 2, &matrices);
        kit.json["skins"][0]["inverseBindMatrices"] = json!(bind);
        kit.faults()
    };
    let mut flat = INVERSE_BINDS;
    flat[16] = 0.0;
    assert_fault_at(&with(flat), "skins[0].inverseBindMatrices, matrix 1");
    let mut projective = INVERSE_BINDS;
    projective[19] = 0.5;
    assert_fault_at(&with(projective), "skins[0].inverseBindMatrices, matrix 1");
    let mut nan = INVERSE_BINDS;
    nan[20] = f32::NAN;
    assert_fault_at(&with(nan), "accessors[5]");
}

#[test]
fn broken_geometry_is_a_fault_with_its_path() {
    let fault = |change: &dyn Fn(&mut Kit)| {
        let mut kit = arm();
        change(&mut kit);
        kit.faults()
    };
    let primitive = "meshes[0].primitives[0]";
    let nan = |kit: &mut Kit| kit.bin[0..4].copy_from_slice(&f32::NAN.to_le_bytes());
    assert_fault_at(&fault(&nan), "accessors[0]");
    let corner = |kit: &mut Kit| kit.bin[96] = 8;
    assert_fault_at(&fault(&corner), &format!("{primitive}.indices"));
    let restart = |kit: &mut Kit| kit.bin[96] = 255;
    assert_fault_at(&fault(&restart), &format!("{primitive}.indices"));
    let joint = |kit: &mut Kit| kit.bin[108] = 2;
    assert_fault_at(&fault(&joint), "accessors[2]");
    let negative = |kit: &mut Kit| kit.bin[140..144].copy_from_slice(&(-0.5f32).to_le_bytes());
    assert_fault_at(&fault(&negative), "accessors[3]");
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["count"] = json!(9)),
        "accessors[0]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["count"] = json!(-1)),
        "accessors[0].count",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["count"] = json!(1u64 << 62)),
        "accessors[0]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["type"] = json!("VEC2")),
        "accessors[0].type",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["componentType"] = json!(5124)),
        "accessors[0].componentType",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][1]["componentType"] = json!(F32)),
        "accessors[1]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][3]["count"] = json!(7)),
        "accessors[3]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["bufferViews"][0]["byteStride"] = json!(4)),
        "bufferViews[0].byteStride",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["bufferViews"][0]["byteStride"] = json!(1 << 20)),
        "bufferViews[0].byteStride",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["bufferViews"][0]["byteLength"] = json!(95)),
        "accessors[0]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["accessors"][0]["byteOffset"] = json!(1)),
        "accessors[0]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["bufferViews"][0]["byteLength"] = json!(u64::MAX)),
        "bufferViews[0]",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["bufferViews"][0]["buffer"] = json!(3)),
        "bufferViews[0].buffer",
    );
    assert_fault_at(
        &fault(&|kit| kit.json["meshes"][0]["primitives"][0]["mode"] = json!(7)),
        &format!("{primitive}.mode"),
    );
    assert_fault_at(
        &fault(&|kit| attributes(kit)["POSITION"] = json!(50)),
        &format!("{primitive}.attributes[\"POSITION\"]"),
    );
    let half_bound = |kit: &mut Kit| {
        let mut second = kit.json["meshes"][0]["primitives"][0].clone();
        second["attributes"]
            .as_object_mut()
            .unwrap()
            .retain(|key, _| key == "POSITION");
        kit.json["meshes"][0]["primitives"]
            .as_array_mut()
            .unwrap()
            .push(second);
    };
    assert_fault_at(
        &fault(&half_bound),
        "meshes[0].primitives[1].attributes[\"JOINTS_0\"]",
    );
}

#[test]
fn all_faults_of_a_file_are_told_at_once() {
    let mut kit = arm();
    let mut second = kit.json["meshes"][0]["primitives"][0].clone();
    second["attributes"]["POSITION"] = json!(77);
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(second);
    kit.json["meshes"][0]["primitives"][0]["mode"] = json!(9);
    assert_eq!(kit.faults().len(), 2);
}

#[test]
fn compression_and_unknown_required_extensions_are_refused_by_name() {
    let mut kit = arm();
    kit.json["extensionsRequired"] =
        json!(["KHR_materials_unlit", "KHR_texture_basisu", "EXT_something"]);
    let faults = kit.faults();
    assert_fault_at(&faults, "extensionsRequired[2]");
    assert!(faults[0].to_string().contains("EXT_something"));
    let mut kit = arm();
    kit.json["meshes"][0]["primitives"][0]["extensions"] =
        json!({ "KHR_draco_mesh_compression": {} });
    let faults = kit.faults();
    assert_fault_at(
        &faults,
        "meshes[0].primitives[0].extensions[\"KHR_draco_mesh_compression\"]",
    );
    assert!(faults[0].remedy.contains("without compression"));
    let mut kit = arm();
    kit.json["bufferViews"][0]["extensions"] = json!({ "EXT_meshopt_compression": {} });
    assert_fault_at(
        &kit.faults(),
        "bufferViews[0].extensions[\"EXT_meshopt_compression\"]",
    );
}

#[test]
fn other_versions_and_other_files_are_refused() {
    let open = |bytes: &[u8]| faults(Document::from_bytes(Path::new("kit.glb"), bytes.to_vec()));
    assert!(open(b"")[0].to_string().contains("an empty file"));
    assert!(
        open(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR")[0]
            .to_string()
            .contains("neither")
    );
    assert!(open(b"solid cube")[0].to_string().contains("valid JSON"));
    assert_fault_at(&open(b"{\"asset\":{\"version\":\"1.0\"}}"), "asset.version");
    assert_fault_at(
        &open(b"{\"asset\":{\"version\":\"2.0\"},\"nodes\":{}}"),
        "nodes",
    );
    assert_fault_at(
        &open(b"{\"asset\":{\"version\":\"2.0\"},\"meshes\":[1]}"),
        "meshes[0]",
    );
    let mut glb = arm().glb();
    glb.push(0);
    assert_fault_at(&open(&glb), "bytes 8..12");
    glb.pop();
    glb[4] = 1;
    assert_fault_at(&open(&glb), "bytes 4..8");
    // A .gltf is told by its content, whatever its name; a byte order mark is overlooked.
    let mut text = b"\xEF\xBB\xBF".to_vec();
    text.extend(arm().gltf_with_data());
    let document = Document::from_bytes(Path::new("arm.glb"), text).unwrap();
    assert_eq!(asset::characters(&document, None).unwrap().len(), 1);
}

#[test]
fn an_unused_skin_and_a_plain_mesh_belong_together() {
    let loaded = &unused_skin().try_characters().unwrap()[0];
    assert!(loaded.unbound);
    assert_eq!(loaded.character.weights, None);
    assert_eq!(loaded.character.name, "rig");
    assert_eq!(loaded.character.surface.len(), 6);
    // A skin that moves a mesh without joints is the same to the reader.
    let mut kit = unused_skin();
    kit.json["nodes"][2]["skin"] = json!(0);
    assert!(kit.try_characters().unwrap()[0].unbound);
    // Two unused skins do not say which.
    let mut kit = unused_skin();
    let skin = kit.json["skins"][0].clone();
    kit.push("skins", skin);
    assert_fault_at(&kit.faults(), "skins");
}

#[test]
fn meshes_elsewhere_are_brought_into_mesh_space() {
    let mut kit = unused_skin();
    kit.json["nodes"][2]["translation"] = json!([0, 0, 5]);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(loaded.character.surface.positions[4], [2.0, 0.0, 5.0]);
    // Matrices that map from the mesh's own space already: armature and mesh in centimetres.
    let mut kit = unused_skin();
    kit.push(
        "nodes",
        json!({ "name": "armature", "scale": [0.01, 0.01, 0.01], "children": [0, 2] }),
    );
    kit.json["scenes"][0]["nodes"] = json!([3]);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(loaded.character.surface.positions[4], [2.0, 0.0, 0.0]);
    assert!((loaded.character.scene_scale - 0.01).abs() < 1e-12);
}

#[test]
fn props_on_joints_are_not_bound() {
    let mut kit = unused_skin();
    let mesh = kit.json["meshes"][0].clone();
    kit.push("meshes", mesh);
    kit.push("nodes", json!({ "name": "sword", "mesh": 1 }));
    kit.json["nodes"][1]["children"] = json!([3]);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(loaded.character.parts.len(), 1);
    assert!(
        loaded.notes[0].contains("1 mesh nodes hang on joints"),
        "{:?}",
        loaded.notes
    );
}

#[test]
fn a_file_without_skin_needs_a_skeleton_by_name() {
    let kit = bare_arm();
    let faults_of = |name: Option<&str>| faults(asset::characters(&kit.open(), name));
    let missing = faults_of(None);
    assert_fault_at(&missing, "skins");
    assert!(missing[0].remedy.contains("\"shoulder\""), "{}", missing[0]);
    let wrong = asset::characters(&kit.open(), Some("hip"));
    assert!(matches!(wrong, Err(Error::Setting(_))));
    assert_fault_at(&faults_of(Some("hip")), "nodes");
    assert_fault_at(&faults_of(Some("arm")), "nodes[2]");
    for name in ["shoulder", "#0"] {
        let loaded = &asset::characters(&kit.open(), Some(name)).unwrap()[0];
        assert!(loaded.unbound);
        assert_eq!(loaded.character.skeleton.joints().len(), 2);
        assert_eq!(
            loaded.character.skeleton.origin(JointId(1)),
            nalgebra::Vector3::x()
        );
    }
    let needless = asset::characters(&arm().open(), Some("shoulder"));
    assert!(matches!(needless, Err(Error::Setting(_))));
    // Two nodes of that name: by number then.
    let mut kit = bare_arm();
    kit.json["nodes"][1]["name"] = json!("shoulder");
    let several = faults(asset::characters(&kit.open(), Some("shoulder")));
    assert!(
        several[0].remedy.contains("\"#0\", \"#1\""),
        "{}",
        several[0]
    );
}

#[test]
fn a_file_with_nothing_to_bind_is_a_fault() {
    let mut kit = arm();
    kit.json["meshes"][0]["primitives"][0]["mode"] = json!(1);
    assert_fault_at(&kit.faults(), "meshes");
    let mut kit = unused_skin();
    kit.json["nodes"][2]
        .as_object_mut()
        .unwrap()
        .shift_remove("mesh");
    assert_fault_at(&kit.faults(), "meshes");
}

#[test]
fn primitives_that_share_positions_bring_their_own_weights() {
    let mut kit = arm();
    // The first primitive draws the first square only; the other has weights of its own.
    let first = kit.accessor("SCALAR", U8, 6, &SQUARE_CORNERS[..6]);
    let second = kit.accessor("SCALAR", U8, 6, &SQUARE_CORNERS[6..]);
    let joints = kit.accessor("VEC4", U8, 8, &[0, 1, 0, 0].repeat(8));
    let weights = kit.floats("VEC4", 8, &[1.0, 0.0, 0.0, 0.0].repeat(8));
    let mut other = kit.json["meshes"][0]["primitives"][0].clone();
    kit.json["meshes"][0]["primitives"][0]["indices"] = json!(first);
    other["indices"] = json!(second);
    other["attributes"]["JOINTS_0"] = json!(joints);
    other["attributes"]["WEIGHTS_0"] = json!(weights);
    kit.json["meshes"][0]["primitives"]
        .as_array_mut()
        .unwrap()
        .push(other);
    let loaded = &kit.try_characters().unwrap()[0];
    assert_eq!(loaded.character.parts.len(), 1);
    assert_eq!(row(loaded, 0), [(0, 1.0)]);
    assert_eq!(row(loaded, 4), [(0, 1.0)]);
    assert_eq!(
        row(loaded, 1),
        [(0, 0.75), (1, 0.25)],
        "copies: half and half, and all on joint 0"
    );
}
