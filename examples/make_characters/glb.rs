//! Writes a character as binary glTF.

use serde_json::{Map, Value, json};

use crate::atlas::Part;
use crate::rig::{Clip, Local, Pose, Rig};

/// How the weights are stored.
#[derive(Clone, Copy, PartialEq)]
pub enum Weights {
    /// Up to four, as floats.
    Smooth,
    /// One joint per vertex, as normalised bytes.
    Rigid,
    /// None at all; the skin stands beside the mesh, unused.
    Absent,
}

/// A mesh: name and its primitives (vertices, material).
pub struct MeshOut {
    pub name: String,
    pub parts: Vec<(Part, usize)>,
}

/// Looks of a surface; all share the one texture, if there is one.
pub struct Material {
    pub name: &'static str,
    pub metal: f64,
    pub rough: f64,
    /// Tint, red, green and blue.
    pub colour: Option<[f64; 3]>,
    /// Seen from behind too: an open sheet.
    pub sheet: bool,
}

/// Everything that goes into one file.
pub struct Character {
    pub name: &'static str,
    pub joints: Rig,
    pub meshes: Vec<MeshOut>,
    pub materials: Vec<Material>,
    /// Without it no texture coordinates are written either.
    pub texture: Option<Vec<u8>>,
    pub clips: Vec<Clip>,
    pub weights: Weights,
    /// Pose the nodes are saved in.
    pub saved: Pose,
    /// Scale of an armature node above the joints (none: the root joint is a scene root).
    pub scale: Option<f64>,
}

/// The binary chunk with its views and accessors.
#[derive(Default)]
struct Store {
    bin: Vec<u8>,
    views: Vec<Value>,
    accessors: Vec<Value>,
}

impl Store {
    fn view(&mut self, bytes: &[u8], target: Option<u32>) -> usize {
        while !self.bin.len().is_multiple_of(4) {
            self.bin.push(0);
        }
        let mut view = json!({
            "buffer": 0, "byteOffset": self.bin.len(), "byteLength": bytes.len()
        });
        if let Some(t) = target {
            view["target"] = json!(t);
        }
        self.bin.extend_from_slice(bytes);
        self.views.push(view);
        self.views.len() - 1
    }

    fn accessor(&mut self, bytes: &[u8], target: Option<u32>, mut desc: Value) -> usize {
        desc["bufferView"] = json!(self.view(bytes, target));
        self.accessors.push(desc);
        self.accessors.len() - 1
    }

    /// Floats, `width` per element, with bounds when asked.
    fn floats(&mut self, data: &[f32], kind: &str, target: Option<u32>, bounds: bool) -> usize {
        let width = match kind {
            "SCALAR" => 1,
            "VEC2" => 2,
            "VEC3" => 3,
            "VEC4" => 4,
            _ => 16,
        };
        let mut desc = json!({
            "componentType": 5126, "count": data.len() / width, "type": kind
        });
        if bounds {
            let mut lo = vec![f32::MAX; width];
            let mut hi = vec![f32::MIN; width];
            for e in data.chunks_exact(width) {
                for k in 0..width {
                    lo[k] = lo[k].min(e[k]);
                    hi[k] = hi[k].max(e[k]);
                }
            }
            desc["min"] = json!(lo);
            desc["max"] = json!(hi);
        }
        let bytes: Vec<u8> = data.iter().flat_map(|x| x.to_le_bytes()).collect();
        self.accessor(&bytes, target, desc)
    }
}

const VERTEX: Option<u32> = Some(34962);
const INDEX: Option<u32> = Some(34963);

fn flat<const N: usize>(data: &[[f32; N]]) -> Vec<f32> {
    data.iter().flatten().copied().collect()
}

fn translation(l: &Local) -> [f32; 3] {
    [l.t.x as f32, l.t.y as f32, l.t.z as f32]
}

fn rotation(l: &Local) -> [f32; 4] {
    [l.q.i as f32, l.q.j as f32, l.q.k as f32, l.q.w as f32]
}

/// Writes one primitive.
fn primitive(store: &mut Store, c: &Character, part: &Part, material: usize) -> Value {
    let (weights, joints) = (c.weights, c.joints.bones.len());
    let mut attr = Map::new();
    let mut put = |name: &str, id: usize| {
        attr.insert(name.to_string(), json!(id));
    };
    put(
        "POSITION",
        store.floats(&flat(&part.pos), "VEC3", VERTEX, true),
    );
    put(
        "NORMAL",
        store.floats(&flat(&part.normal), "VEC3", VERTEX, false),
    );
    if c.texture.is_some() {
        put(
            "TEXCOORD_0",
            store.floats(&flat(&part.uv), "VEC2", VERTEX, false),
        );
    }
    if weights != Weights::Absent {
        let slots = part.bind.iter().map(|b| {
            let mut j = [0usize; 4];
            let mut w = [0f64; 4];
            if weights == Weights::Rigid {
                j[0] = b.right;
                w[0] = 1.0;
            } else {
                for (k, (joint, share)) in b.weights.iter().take(4).enumerate() {
                    j[k] = *joint;
                    w[k] = *share;
                }
            }
            (j, w)
        });
        let (js, ws): (Vec<_>, Vec<_>) = slots.unzip();
        let (ctype, bytes): (u32, Vec<u8>) = if joints <= 256 {
            (5121, js.iter().flatten().map(|&j| j as u8).collect())
        } else {
            let wide = js.iter().flatten().flat_map(|&j| (j as u16).to_le_bytes());
            (5123, wide.collect())
        };
        let desc = json!({"componentType": ctype, "count": js.len(), "type": "VEC4"});
        put("JOINTS_0", store.accessor(&bytes, VERTEX, desc));
        let id = if weights == Weights::Rigid {
            let bytes: Vec<u8> = ws.iter().flatten().map(|w| (w * 255.0) as u8).collect();
            let desc = json!({
                "componentType": 5121, "normalized": true, "count": ws.len(), "type": "VEC4"
            });
            store.accessor(&bytes, VERTEX, desc)
        } else {
            let data: Vec<f32> = ws.iter().flatten().map(|&w| w as f32).collect();
            store.floats(&data, "VEC4", VERTEX, false)
        };
        put("WEIGHTS_0", id);
    }
    let right: Vec<f32> = part.bind.iter().map(|b| b.right as f32).collect();
    put(
        "_RIGHT_JOINT",
        store.floats(&right, "SCALAR", VERTEX, false),
    );
    let (ctype, bytes): (u32, Vec<u8>) = if part.pos.len() < 65535 {
        let narrow = part.index.iter().flat_map(|&i| (i as u16).to_le_bytes());
        (5123, narrow.collect())
    } else {
        (
            5125,
            part.index.iter().flat_map(|i| i.to_le_bytes()).collect(),
        )
    };
    let desc = json!({"componentType": ctype, "count": part.index.len(), "type": "SCALAR"});
    let indices = store.accessor(&bytes, INDEX, desc);
    json!({"attributes": attr, "indices": indices, "material": material})
}

/// The whole file as bytes.
pub fn write(c: &Character) -> Vec<u8> {
    let mut store = Store::default();
    let joints = c.joints.bones.len();
    let meshes: Vec<Value> = c
        .meshes
        .iter()
        .map(|m| {
            let prims: Vec<Value> = m
                .parts
                .iter()
                .map(|(p, material)| primitive(&mut store, c, p, *material))
                .collect();
            json!({"name": m.name, "primitives": prims})
        })
        .collect();

    // Inverse binds, from the true bind pose.
    let mut inverse: Vec<f32> = Vec::with_capacity(joints * 16);
    for i in 0..joints {
        let inv = c.joints.world(i).inverse();
        let mut m = inv.to_homogeneous();
        let t = inv * -c.joints.bones[i].head;
        m.fixed_view_mut::<3, 1>(0, 3).copy_from(&t);
        inverse.extend(m.as_slice().iter().map(|&x| x as f32));
    }
    let ibm = store.floats(&inverse, "MAT4", None, false);

    // Nodes: meshes first, then the armature (if any), then the joints.
    let mut nodes = Vec::new();
    let mut scene = Vec::new();
    for (i, m) in c.meshes.iter().enumerate() {
        let mut node = json!({"name": m.name, "mesh": i});
        if c.weights != Weights::Absent {
            node["skin"] = json!(0);
        }
        nodes.push(node);
        scene.push(i);
    }
    let first = nodes.len() + c.scale.is_some() as usize;
    if let Some(s) = c.scale {
        scene.push(nodes.len());
        nodes.push(json!({
            "name": format!("{}_armature", c.name), "scale": [s, s, s], "children": [first]
        }));
    } else {
        scene.push(first);
    }
    for (i, b) in c.joints.bones.iter().enumerate() {
        let l = c.joints.posed(i, &c.saved);
        let mut node = json!({
            "name": b.name, "translation": translation(&l), "rotation": rotation(&l)
        });
        let kids: Vec<usize> = (0..joints)
            .filter(|&k| c.joints.bones[k].parent == Some(i))
            .map(|k| first + k)
            .collect();
        if !kids.is_empty() {
            node["children"] = json!(kids);
        }
        nodes.push(node);
    }
    let skin = json!({
        "name": format!("{}_skin", c.name),
        "inverseBindMatrices": ibm,
        "skeleton": first,
        "joints": (0..joints).map(|i| first + i).collect::<Vec<_>>(),
    });

    let animations: Vec<Value> = c
        .clips
        .iter()
        .map(|clip| animation(&mut store, c, clip, first))
        .collect();

    let image = c.texture.as_ref().map(|png| store.view(png, None));
    let materials: Vec<Value> = c
        .materials
        .iter()
        .map(|m| {
            let mut looks = Map::new();
            if image.is_some() {
                looks.insert("baseColorTexture".into(), json!({"index": 0}));
            }
            if let Some([r, g, b]) = m.colour {
                looks.insert("baseColorFactor".into(), json!([r, g, b, 1.0]));
            }
            looks.insert("metallicFactor".into(), json!(m.metal));
            looks.insert("roughnessFactor".into(), json!(m.rough));
            let mut out = json!({"name": m.name, "pbrMetallicRoughness": looks});
            if m.sheet {
                out["doubleSided"] = json!(true);
            }
            out
        })
        .collect();
    while !store.bin.len().is_multiple_of(4) {
        store.bin.push(0);
    }
    let mut root = json!({
        "asset": {"version": "2.0", "generator": "tanyard make_characters"},
        "scene": 0,
        "scenes": [{"name": c.name, "nodes": scene}],
        "nodes": nodes,
        "meshes": meshes,
        "skins": [skin],
        "animations": animations,
        "materials": materials,
        "accessors": store.accessors,
        "bufferViews": store.views,
        "buffers": [{"byteLength": store.bin.len()}],
    });
    if let Some(image) = image {
        root["textures"] = json!([{"name": "hide", "sampler": 0, "source": 0}]);
        root["images"] = json!([{"name": "hide", "mimeType": "image/png", "bufferView": image}]);
        root["samplers"] =
            json!([{"magFilter": 9729, "minFilter": 9729, "wrapS": 10497, "wrapT": 33071}]);
    }
    let mut text = root.to_string().into_bytes();
    while !text.len().is_multiple_of(4) {
        text.push(b' ');
    }
    let total = 12 + 8 + text.len() + 8 + store.bin.len();
    let mut out = Vec::with_capacity(total);
    out.extend_from_slice(b"glTF");
    out.extend_from_slice(&2u32.to_le_bytes());
    out.extend_from_slice(&(total as u32).to_le_bytes());
    out.extend_from_slice(&(text.len() as u32).to_le_bytes());
    out.extend_from_slice(b"JSON");
    out.extend_from_slice(&text);
    out.extend_from_slice(&(store.bin.len() as u32).to_le_bytes());
    out.extend_from_slice(b"BIN\0");
    out.extend_from_slice(&store.bin);
    out
}

/// Writes one clip: a rotation channel per turned joint, a translation channel per shifted one.
fn animation(store: &mut Store, c: &Character, clip: &Clip, first: usize) -> Value {
    let times: Vec<f32> = clip.times.iter().map(|&t| t as f32).collect();
    let input = store.floats(&times, "SCALAR", None, true);
    let mut channels = Vec::new();
    let mut samplers = Vec::new();
    for i in 0..c.joints.bones.len() {
        let locals: Vec<Local> = clip.poses.iter().map(|p| c.joints.posed(i, p)).collect();
        let mut put = |path: &str, output: usize| {
            channels.push(json!({
                "sampler": samplers.len(), "target": {"node": first + i, "path": path}
            }));
            samplers.push(json!({
                "input": input, "output": output, "interpolation": "LINEAR"
            }));
        };
        if clip.poses.iter().any(|p| p.turn.contains_key(&i)) {
            let mut keys: Vec<[f32; 4]> = locals.iter().map(rotation).collect();
            // Keep neighbouring keys on one side of the sphere.
            for k in 1..keys.len() {
                let dot: f32 = keys[k].iter().zip(keys[k - 1]).map(|(a, b)| a * b).sum();
                if dot < 0.0 {
                    keys[k] = keys[k].map(|x| -x);
                }
            }
            put("rotation", store.floats(&flat(&keys), "VEC4", None, false));
        }
        if clip.poses.iter().any(|p| p.shift.contains_key(&i)) {
            let keys: Vec<[f32; 3]> = locals.iter().map(translation).collect();
            put(
                "translation",
                store.floats(&flat(&keys), "VEC3", None, false),
            );
        }
    }
    json!({"name": clip.name, "channels": channels, "samplers": samplers})
}
