//! A small writer and taker-apart of glTF files for tests, independent of the crate's own.

// Each test file uses what it needs of it.
#![allow(dead_code)]

use std::path::{Path, PathBuf};

use base64::Engine;
use nalgebra::{Matrix4, UnitQuaternion, Vector3};
use serde_json::{Value, json};
use tanyard::asset::{self, ClipPlace, Document, Loaded, RangeClip, WeightFormat};
use tanyard::error::{Error, Fault};
use tanyard::rig::{JointId, Pose, Skeleton, Weights};

/// A document under construction: JSON, and the bytes of its one buffer.
#[derive(Clone)]
pub struct Kit {
    pub json: Value,
    pub bin: Vec<u8>,
    pub chunks: Vec<(u32, Vec<u8>)>,
}

pub const U8: u32 = 5121;
pub const I16: u32 = 5122;
pub const U16: u32 = 5123;
pub const U32: u32 = 5125;
pub const F32: u32 = 5126;

impl Kit {
    pub fn new() -> Self {
        Self {
            json: json!({ "asset": { "version": "2.0" }, "scene": 0, "scenes": [{ "nodes": [] }] }),
            bin: Vec::new(),
            chunks: Vec::new(),
        }
    }

    /// Appends an object to a top-level array; gives its number.
    pub fn push(&mut self, array: &str, value: Value) -> usize {
        let items = &mut self.json[array];
        if items.is_null() {
            *items = json!([]);
        }
        let items = items.as_array_mut().unwrap();
        items.push(value);
        items.len() - 1
    }

    /// Appends bytes to the buffer as a view, at a multiple of four.
    pub fn view(&mut self, bytes: &[u8]) -> usize {
        self.bin.resize(self.bin.len().next_multiple_of(4), 0);
        let offset = self.bin.len();
        self.bin.extend(bytes);
        self.push(
            "bufferViews",
            json!({ "buffer": 0, "byteOffset": offset, "byteLength": bytes.len() }),
        )
    }

    pub fn accessor(&mut self, kind: &str, component: u32, count: usize, bytes: &[u8]) -> usize {
        let view = self.view(bytes);
        self.push(
            "accessors",
            json!({ "bufferView": view, "componentType": component, "count": count, "type": kind }),
        )
    }

    pub fn floats(&mut self, kind: &str, count: usize, numbers: &[f32]) -> usize {
        self.accessor(kind, F32, count, &bytes_of(numbers))
    }

    fn json_with_buffer(&self, uri: Option<String>) -> Value {
        let mut json = self.json.clone();
        if json["buffers"].is_null() {
            json.as_object_mut().unwrap().shift_remove("buffers");
            if !self.bin.is_empty() {
                json["buffers"] = json!([{ "byteLength": self.bin.len() }]);
                if let Some(uri) = uri {
                    json["buffers"][0]["uri"] = json!(uri);
                }
            }
        }
        json
    }

    pub fn glb(&self) -> Vec<u8> {
        let mut text = self.json_with_buffer(None).to_string().into_bytes();
        text.resize(text.len().next_multiple_of(4), b' ');
        let mut bin = self.bin.clone();
        bin.resize(bin.len().next_multiple_of(4), 0);
        let mut parts = vec![(0x4E4F_534A, text)];
        if !bin.is_empty() {
            parts.push((0x004E_4942, bin));
        }
        parts.extend(self.chunks.clone());
        let total: usize = 12
            + parts
                .iter()
                .map(|(_, bytes)| 8 + bytes.len())
                .sum::<usize>();
        let mut file = b"glTF\x02\0\0\0".to_vec();
        file.extend((total as u32).to_le_bytes());
        for (kind, bytes) in parts {
            file.extend((bytes.len() as u32).to_le_bytes());
            file.extend(u32::to_le_bytes(kind));
            file.extend(bytes);
        }
        file
    }

    /// As `.gltf` with its buffer in a data URI.
    pub fn gltf_with_data(&self) -> Vec<u8> {
        let data = base64::engine::general_purpose::STANDARD.encode(&self.bin);
        let uri = format!("data:application/octet-stream;base64,{data}");
        serde_json::to_vec_pretty(&self.json_with_buffer(Some(uri))).unwrap()
    }

    /// As `.gltf` with its buffer elsewhere.
    pub fn gltf_with_uri(&self, uri: &str) -> Vec<u8> {
        serde_json::to_vec_pretty(&self.json_with_buffer(Some(uri.to_owned()))).unwrap()
    }

    pub fn open(&self) -> Document {
        Document::from_bytes(Path::new("kit.glb"), self.glb()).unwrap()
    }

    pub fn try_characters(&self) -> Result<Vec<Loaded>, Error> {
        let document = Document::from_bytes(Path::new("kit.glb"), self.glb())?;
        asset::characters(&document, None)
    }

    /// The faults that reading the characters gives.
    pub fn faults(&self) -> Vec<Fault> {
        faults(self.try_characters())
    }
}

pub fn faults<T>(result: Result<T, Error>) -> Vec<Fault> {
    match result {
        Err(Error::Input(faults) | Error::Setting(faults)) => faults,
        Err(other) => panic!("no faults but {other}"),
        Ok(_) => panic!("no faults"),
    }
}

/// Asserts that exactly one fault is given, at that JSON path (behind what leads to it, if anything), in
/// the file `kit.glb`.
pub fn assert_fault_at(faults: &[Fault], part: &str) {
    assert_eq!(faults.len(), 1, "{faults:?}");
    let found = &faults[0].part;
    assert!(
        found.starts_with(part) || found.contains(&format!(": {part}")),
        "{} is not at {part}",
        faults[0]
    );
    let text = faults[0].to_string();
    assert!(text.starts_with(&format!("kit.glb: {found}")), "{text}");
    assert!(
        text.contains("expected") && text.contains("found"),
        "{text}"
    );
}

/// A GLB taken apart: JSON, BIN, further chunks.
pub fn parse_glb(file: &[u8]) -> Kit {
    let word = |at: usize| u32::from_le_bytes(file[at..at + 4].try_into().unwrap());
    assert_eq!(&file[..4], b"glTF");
    assert_eq!(word(8) as usize, file.len());
    let (mut json, mut bin, mut chunks) = (Value::Null, Vec::new(), Vec::new());
    let mut at = 12;
    while at < file.len() {
        let (length, kind) = (word(at) as usize, word(at + 4));
        assert_eq!(length % 4, 0, "chunks are padded");
        let bytes = file[at + 8..at + 8 + length].to_vec();
        match kind {
            0x4E4F_534A => json = serde_json::from_slice(&bytes).unwrap(),
            0x004E_4942 if bin.is_empty() => bin = bytes,
            _ => chunks.push((kind, bytes)),
        }
        at += 8 + length;
    }
    Kit { json, bin, chunks }
}

pub fn bytes_of(numbers: &[f32]) -> Vec<u8> {
    numbers.iter().flat_map(|x| x.to_le_bytes()).collect()
}

/// The bytes of a view of the first buffer.
pub fn view_bytes(kit: &Kit, view: usize) -> Vec<u8> {
    let view = &kit.json["bufferViews"][view];
    let at = view["byteOffset"].as_u64().unwrap_or(0) as usize;
    kit.bin[at..at + view["byteLength"].as_u64().unwrap() as usize].to_vec()
}

/// The bytes of each element of an accessor of four numbers, whatever lies between them; sparse ones by indices of
/// a byte.
pub fn rows(kit: &Kit, accessor: usize) -> Vec<Vec<u8>> {
    let accessor = &kit.json["accessors"][accessor];
    let number = |value: &Value| value.as_u64().unwrap_or(0) as usize;
    let bytes = 4 * match number(&accessor["componentType"]) as u32 {
        U8 => 1,
        U16 => 2,
        _ => 4,
    };
    let view = &kit.json["bufferViews"][number(&accessor["bufferView"])];
    let stride = view["byteStride"].as_u64().unwrap_or(bytes) as usize;
    let first = number(&view["byteOffset"]) + number(&accessor["byteOffset"]);
    let bytes = bytes as usize;
    let row = |v: usize| kit.bin[first + v * stride..][..bytes].to_vec();
    let mut rows: Vec<Vec<u8>> = (0..number(&accessor["count"])).map(row).collect();
    if let Some(sparse) = accessor.get("sparse") {
        let part = |name: &str| view_bytes(kit, number(&sparse[name]["bufferView"]));
        let values = part("values");
        for (&v, value) in part("indices").iter().zip(values.chunks(bytes)) {
            rows[v as usize] = value.to_vec();
        }
    }
    rows
}

/// Two squares side by side with a seam between them: eight raw vertices, six welded.
pub const SQUARES: [f32; 24] = [
    0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.0, // first
    1.0, 0.0, 0.0, 2.0, 0.0, 0.0, 2.0, 1.0, 0.0, 1.0, 1.0, 0.0, // second
];
pub const SQUARE_CORNERS: [u8; 12] = [0, 1, 2, 0, 2, 3, 4, 5, 6, 4, 6, 7];

/// The nodes of two joints, `shoulder` at the origin and `elbow` one along x, and the node `skin_node`
/// that shows mesh 0.
fn add_nodes(kit: &mut Kit, mesh_node: Value) {
    kit.push("nodes", json!({ "name": "shoulder", "children": [1] }));
    kit.push(
        "nodes",
        json!({ "name": "elbow", "translation": [1, 0, 0] }),
    );
    kit.push("nodes", mesh_node);
    kit.json["scenes"][0]["nodes"] = json!([0, 2]);
}

pub const INVERSE_BINDS: [f32; 32] = [
    1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, //
    1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, -1.0, 0.0, 0.0, 1.0,
];

/// The squares without joints: accessors 0 (positions) and 1 (corners), one mesh.
fn squares(kit: &mut Kit) {
    let positions = kit.floats("VEC3", 8, &SQUARES);
    kit.json["accessors"][positions]["min"] = json!([0.0, 0.0, 0.0]);
    kit.json["accessors"][positions]["max"] = json!([2.0, 1.0, 0.0]);
    let corners = kit.accessor("SCALAR", U8, 12, &SQUARE_CORNERS);
    kit.push(
        "meshes",
        json!({
            "name": "sleeve",
            "primitives": [{ "attributes": { "POSITION": positions }, "indices": corners }],
        }),
    );
}

/// An arm: the squares on two joints, the seam half and half. Accessors: 0 positions, 1 corners,
/// 2 joints (u8), 3 weights (f32), 4 inverse bind matrices.
pub fn arm() -> Kit {
    let mut kit = Kit::new();
    squares(&mut kit);
    let joints = kit.accessor("VEC4", U8, 8, &[0, 1, 0, 0].repeat(8));
    let half = |a: f32| [1.0 - a, a, 0.0, 0.0];
    let weights: Vec<f32> = [0.0, 0.5, 0.5, 0.0, 0.5, 1.0, 1.0, 0.5]
        .into_iter()
        .flat_map(half)
        .collect();
    let weights = kit.floats("VEC4", 8, &weights);
    let attributes = &mut kit.json["meshes"][0]["primitives"][0]["attributes"];
    attributes["JOINTS_0"] = json!(joints);
    attributes["WEIGHTS_0"] = json!(weights);
    let bind = kit.floats("MAT4", 2, &INVERSE_BINDS);
    kit.push(
        "skins",
        json!({ "joints": [0, 1], "inverseBindMatrices": bind }),
    );
    add_nodes(&mut kit, json!({ "name": "arm", "mesh": 0, "skin": 0 }));
    kit
}

/// The arm without weights and without a skin.
pub fn bare_arm() -> Kit {
    let mut kit = Kit::new();
    squares(&mut kit);
    add_nodes(&mut kit, json!({ "name": "arm", "mesh": 0 }));
    kit
}

/// The bare arm beside a skin object that no node uses.
pub fn unused_skin() -> Kit {
    let mut kit = bare_arm();
    let bind = kit.floats("MAT4", 2, &INVERSE_BINDS);
    kit.push(
        "skins",
        json!({ "name": "rig", "joints": [0, 1], "inverseBindMatrices": bind }),
    );
    kit
}

/// A turn about an axis.
pub fn about(axis: Vector3<f64>, angle: f64) -> UnitQuaternion<f64> {
    UnitQuaternion::from_axis_angle(&nalgebra::Unit::new_normalize(axis), angle)
}

pub fn about_z(angle: f64) -> UnitQuaternion<f64> {
    about(Vector3::z(), angle)
}

/// As accessors have them.
pub fn numbers(rotations: &[UnitQuaternion<f64>]) -> Vec<f32> {
    rotations
        .iter()
        .flat_map(|q| q.coords.iter().map(|&x| x as f32).collect::<Vec<_>>())
        .collect()
}

/// Adds an animation of one channel.
pub fn animate(kit: &mut Kit, node: usize, path: &str, mode: &str, times: &[f32], values: &[f32]) {
    let kind = if path == "rotation" { "VEC4" } else { "VEC3" };
    let width = if path == "rotation" { 4 } else { 3 };
    let input = kit.floats("SCALAR", times.len(), times);
    let output = kit.floats(kind, values.len() / width, values);
    kit.push(
        "animations",
        json!({
            "name": "wave",
            "samplers": [{ "input": input, "output": output, "interpolation": mode }],
            "channels": [{ "sampler": 0, "target": { "node": node, "path": path } }],
        }),
    );
}

/// The scene's world matrices of a file, worked out by hand; where it has animations, at the last keys of the first one
/// up to that time in seconds (before them at the first).
pub fn worlds(file: &[u8], now: f32) -> Vec<Matrix4<f64>> {
    use gltf::animation::util::ReadOutputs;
    let gltf = gltf::Gltf::from_slice(file).unwrap();
    let blob = gltf.blob.clone().unwrap();
    let mut parts: Vec<_> = gltf
        .nodes()
        .map(|node| node.transform().decomposed())
        .collect();
    for channel in gltf
        .animations()
        .next()
        .iter()
        .flat_map(|first| first.channels())
    {
        let reader = channel.reader(|_| Some(&blob));
        let times: Vec<f32> = reader.read_inputs().unwrap().collect();
        let key = times.partition_point(|&time| time <= now).saturating_sub(1);
        let part = &mut parts[channel.target().node().index()];
        match reader.read_outputs().unwrap() {
            ReadOutputs::Translations(mut values) => part.0 = values.nth(key).unwrap(),
            ReadOutputs::Rotations(values) => part.1 = values.into_f32().nth(key).unwrap(),
            ReadOutputs::Scales(mut values) => part.2 = values.nth(key).unwrap(),
            ReadOutputs::MorphTargetWeights(_) => unreachable!(),
        }
    }
    let mut worlds = vec![Matrix4::identity(); parts.len()];
    let mut stack: Vec<(gltf::Node, Matrix4<f64>)> = gltf
        .scenes()
        .next()
        .unwrap()
        .nodes()
        .map(|n| (n, Matrix4::identity()))
        .collect();
    while let Some((node, above)) = stack.pop() {
        let (translation, rotation, scale) = parts[node.index()];
        let transform = gltf::scene::Transform::Decomposed {
            translation,
            rotation,
            scale,
        };
        let local: Vec<f64> = transform
            .matrix()
            .concat()
            .into_iter()
            .map(f64::from)
            .collect();
        worlds[node.index()] = above * Matrix4::from_column_slice(&local);
        stack.extend(node.children().map(|child| (child, worlds[node.index()])));
    }
    worlds
}

/// An arm on a turned, scaled, animated and mid-pose hierarchy: everything the clip must see through.
pub fn crooked_arm() -> Kit {
    let mut kit = arm();
    kit.push("nodes", json!({ "children": [1], "rotation": about_z(0.7).coords.as_slice(), "translation": [0.5, 0, 0], "scale": [2, 2, 2] }));
    kit.json["nodes"][0]["children"] = json!([3]);
    let matrix = Matrix4::<f64>::new_translation(&Vector3::new(0.1, 0.2, 0.3))
        * about(Vector3::x(), 0.5).to_homogeneous();
    kit.json["nodes"][1] = json!({ "name": "elbow", "matrix": matrix.as_slice() });
    kit.push("nodes", json!({ "children": [0], "rotation": about(Vector3::y(), 1.0).coords.as_slice(), "scale": [0.01, 0.01, 0.01] }));
    kit.json["nodes"][0]["translation"] = json!([4, 5, 6]);
    kit.json["scenes"][0]["nodes"] = json!([2, 4]);
    kit
}

/// Two skins, the second of the elbow alone: they share that joint.
pub fn two_skins() -> Kit {
    let mut kit = arm();
    let bind = kit.floats("MAT4", 1, &INVERSE_BINDS[16..]);
    kit.push(
        "skins",
        json!({ "name": "hand", "joints": [1], "inverseBindMatrices": bind }),
    );
    let mesh = kit.json["meshes"][0].clone();
    kit.push("meshes", mesh);
    let joints = kit.accessor("VEC4", U8, 8, &[0; 32]);
    kit.json["meshes"][1]["primitives"][0]["attributes"]["JOINTS_0"] = json!(joints);
    let whole = kit.floats("VEC4", 8, &[1.0, 0.0, 0.0, 0.0].repeat(8));
    kit.json["meshes"][1]["primitives"][0]["attributes"]["WEIGHTS_0"] = json!(whole);
    let node = kit.push("nodes", json!({ "mesh": 1, "skin": 1 }));
    kit.json["scenes"][0]["nodes"] = json!([0, 2, node]);
    kit.json["skins"][0]["name"] = json!("arm");
    kit
}

/// The arm with everything about it that a careless writer loses.
pub fn rich_arm() -> Kit {
    let mut kit = arm();
    let image = kit.view(&[1, 2, 3, 4, 5]);
    kit.push("images", json!({ "bufferView": image, "mimeType": "image/png", "extras": { "deep": [null, 1.5e300] } }));
    kit.push(
        "cameras",
        json!({ "type": "perspective", "perspective": { "yfov": 1.0, "znear": 0.1 } }),
    );
    kit.json["extensionsUsed"] = json!(["X_unknown", "KHR_materials_unlit"]);
    kit.json["extensions"] = json!({ "X_unknown": { "big": 9_007_199_254_740_993u64, "negative": i64::MIN, "text": "ümläut \u{1F98A}" } });
    kit.json["asset"]["extras"] = json!({ "number": 0.1, "tiny": 5e-324 });
    kit.json["asset"]["extensions"] = json!({ "X_unknown": {} });
    kit.json["nodes"][1]["rotation"] = json!([0, 0, 0, 1]);
    kit.json["nodes"][1]["extras"] = json!({ "plain": true });
    kit.json["meshes"][0]["weights"] = json!([0.0]);
    kit.json["meshes"][0]["primitives"][0]["mode"] = json!(4);
    let morph = kit.floats("VEC3", 8, &SQUARES);
    kit.json["meshes"][0]["primitives"][0]["targets"] =
        json!([{ "POSITION": morph, "_OWN": morph }]);
    kit.json["accessors"][0]["byteOffset"] = json!(0);
    kit.json["accessors"][0]["normalized"] = json!(false);
    kit.json["unknownTop"] = json!({ "kept": "too" });
    kit.push(
        "materials",
        json!({ "extensions": { "KHR_materials_unlit": {} }, "alphaMode": "OPAQUE" }),
    );
    kit.chunks.push((0x1234_5678, b"what is this".to_vec()));
    kit.chunks.push((0x004E_4942, b"BIN2".to_vec()));
    kit
}

/// The arm with further joints, so many in all.
pub fn arm_of(count: usize) -> Kit {
    let mut kit = arm();
    let mut joints = vec![json!(0), json!(1)];
    for _ in 2..count {
        joints.push(json!(kit.push("nodes", json!({}))));
    }
    kit.json["skins"][0]["joints"] = joints.into();
    let bind = kit.floats("MAT4", count, &INVERSE_BINDS[..16].repeat(count));
    kit.json["skins"][0]["inverseBindMatrices"] = json!(bind);
    kit
}

const SAMPLES: [&str; 2] = ["CesiumMan.glb", "Fox.glb"];

/// The sample files; none, with a word about it, where the variable is not set.
pub fn samples() -> Vec<PathBuf> {
    match std::env::var_os("TANYARD_ASSETS") {
        Some(folder) => SAMPLES
            .iter()
            .map(|name| PathBuf::from(&folder).join(name))
            .collect(),
        None => {
            eprintln!("skipped: TANYARD_ASSETS is not set");
            Vec::new()
        }
    }
}

/// The squares unbound in three places, two of them alike, and a second mesh, all away from the origin; beside a skin
/// that no node uses, or without any.
pub fn scattered(with_skin: bool) -> Kit {
    let mut kit = if with_skin { unused_skin() } else { bare_arm() };
    let mesh = kit.json["meshes"][0].clone();
    kit.push("meshes", mesh);
    kit.json["nodes"][2]["translation"] = json!([0, 3, 0]);
    kit.push("nodes", json!({ "mesh": 0, "scale": [2, 2, 2] }));
    kit.push("nodes", json!({ "mesh": 0, "translation": [0, 3, 0] }));
    kit.push("nodes", json!({ "mesh": 1, "scale": [2, 2, 2] }));
    kit.json["scenes"][0]["nodes"] = json!([0, 2, 3, 4, 5]);
    kit
}

/// Weights that differ from vertex to vertex: `share` of the last joint grows with the vertex.
pub fn slanted(loaded: &Loaded, format: WeightFormat) -> Weights {
    let (count, steps) = (loaded.character.surface.len(), format.steps());
    let last = JointId(loaded.character.skeleton.joints().len() as u16 - 1);
    let entries = (0..count).flat_map(|v| {
        let share = (v as u32 * 97 + 13) % (steps / 2);
        let value = |step: u32| (f64::from(step) / f64::from(steps)) as f32;
        [(JointId(0), value(steps - share)), (last, value(share))]
    });
    Weights::new(2, entries.collect())
}

/// Weights on that many joints each, all alike but for the last bit.
pub fn spread(loaded: &Loaded, influences: usize, format: WeightFormat) -> Weights {
    let (count, steps) = (loaded.character.surface.len(), format.steps());
    let each = steps / influences as u32;
    let entries = (0..count).flat_map(|_| {
        (0..influences).map(move |j| {
            let step = if j == 0 {
                steps - each * (influences as u32 - 1)
            } else {
                each
            };
            (
                JointId(j as u16),
                (f64::from(step) / f64::from(steps)) as f32,
            )
        })
    });
    Weights::new(influences, entries.collect())
}

/// The glTF of a document, written to a scratch folder as GLB and read as bytes.
pub fn as_glb(document: &Document) -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out.glb");
    asset::save(document, &path).unwrap();
    std::fs::read(&path).unwrap()
}

/// A document with one range of motion, first of its clips.
pub fn with_clip(
    document: &Document,
    skeleton: &Skeleton,
    poses: &[Pose],
) -> Result<Document, Error> {
    let clip = RangeClip {
        skeleton,
        skin: "",
        poses,
    };
    asset::with_range_clips(document, &[clip], ClipPlace::First)
}

/// The same file with that name on its first clip: those of our own give no poses.
pub fn renamed(document: &Document, name: &str) -> Document {
    let mut kit = parse_glb(&as_glb(document));
    kit.json["animations"][0]["name"] = json!(name);
    kit.open()
}

/// The inverse bind matrices of a skin as the gltf crate sees them.
pub fn inverse_binds(file: &[u8], skin: usize) -> Vec<Matrix4<f64>> {
    let gltf = gltf::Gltf::from_slice(file).unwrap();
    let blob = gltf.blob.clone().unwrap();
    let skin = gltf.skins().nth(skin).unwrap();
    let matrices = skin.reader(|_| Some(&blob)).read_inverse_bind_matrices();
    let matrices = matrices.unwrap();
    matrices
        .map(|m| Matrix4::from_column_slice(&m.concat()).map(f64::from))
        .collect()
}

/// Reads JOINTS_n and WEIGHTS_n of a primitive as the gltf crate sees them.
pub fn second_opinion(
    file: &[u8],
    mesh: usize,
    primitive: usize,
    set: u32,
) -> (Vec<[u16; 4]>, Vec<[f32; 4]>) {
    let gltf = gltf::Gltf::from_slice(file).expect("the gltf crate takes the file as valid");
    let blob = gltf.blob.clone().unwrap();
    let mesh = gltf.meshes().nth(mesh).unwrap();
    let primitive = mesh.primitives().nth(primitive).unwrap();
    let reader = primitive.reader(|_| Some(&blob));
    (
        reader.read_joints(set).unwrap().into_u16().collect(),
        reader.read_weights(set).unwrap().into_f32().collect(),
    )
}
