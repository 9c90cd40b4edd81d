//! Weights into a document: new `JOINTS_n` and `WEIGHTS_n`, and skins for meshes that had none. Nothing
//! else changes.

use std::collections::HashMap;

use nalgebra::Matrix4;
use rayon::prelude::*;
use serde_json::{Map, Value, json};

use super::accessor::Component;
use super::document::Document;
use super::geometry::set_of;
use super::json::whole;
use super::patch::{NewAccessor, Patch};
use super::read::Loaded;
use crate::error::{Error, Fault};
use crate::rig::Weights;

/// How weights are stored (glTF 2.0 §3.7.3.3).
#[derive(
    Clone,
    Copy,
    Debug,
    PartialEq,
    Eq,
    Hash,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum WeightFormat {
    /// Normalised bytes: steps of 1/255.
    U8,
    /// Normalised 16-bit integers: steps of 1/65535.
    U16,
    /// Floats.
    F32,
}

impl WeightFormat {
    /// Steps from 0 to 1: a weight is a whole number divided by this. For floats it is 2²⁴, below
    /// which every whole number and every sum of them is exact.
    pub fn steps(self) -> u32 {
        match self {
            Self::U8 => 255,
            Self::U16 => 65535,
            Self::F32 => 1 << 24,
        }
    }

    fn component(self) -> Component {
        match self {
            Self::U8 => Component::U8,
            Self::U16 => Component::U16,
            Self::F32 => Component::F32,
        }
    }
}

/// Influences in one set of attributes.
const SET: usize = 4;

/// The document with new weights, one entry a welded vertex of each character.
///
/// The weights must lie on the grid of the format: every value a whole number of
/// [`WeightFormat::steps`], each vertex summing to all of them. Every copy of a welded vertex gets the
/// same bytes. Joints take one byte each if the highest joint in use allows it; as many sets of four
/// are written as the most influenced vertex needs, and further old sets are removed.
///
/// # Errors
/// [`Error::Input`] if weights and character do not belong together, or off the grid.
pub fn with_weights(
    document: &Document,
    baked: &[(&Loaded, &Weights)],
    format: WeightFormat,
) -> Result<Document, Error> {
    let mut patch = Patch::new(document);
    let mut old = Vec::new();
    let mut planned = Vec::new();
    for &(loaded, weights) in baked {
        let layout = Layout::of(document, loaded, weights, format)?;
        let meshes = if loaded.target.tie {
            own_meshes(&mut patch, loaded)?
        } else {
            loaded.target.uses.iter().map(|u| u.mesh).collect()
        };
        for stretch in &loaded.target.stretches {
            for primitive in &stretch.primitives {
                let mesh = meshes[stretch.mesh_use];
                old.extend(clear(&mut patch, mesh, primitive.index, layout.sets)?);
            }
        }
        planned.push((loaded, weights, layout, meshes));
    }
    // Only now, when nothing planned refers to them any more, is it known which old ones are free.
    patch.release(old);
    for (loaded, weights, layout, meshes) in planned {
        if loaded.target.tie {
            tie(&mut patch, loaded)?;
        }
        write(&mut patch, loaded, weights, &layout, &meshes, format)?;
    }
    patch.finish()
}

/// The shape of the new attributes of one character.
struct Layout {
    sets: usize,
    joint: Component,
}

impl Layout {
    fn of(
        document: &Document,
        loaded: &Loaded,
        weights: &Weights,
        format: WeightFormat,
    ) -> Result<Self, Fault> {
        let name = &loaded.character.name;
        let fault = |expected: String, found: String| {
            Fault::new(
                &document.path,
                format!("new weights of {name}"),
                expected,
                found,
            )
            .remedy("this is an error of tanyard's own: please report it with the file")
        };
        let vertices = loaded.character.surface.len();
        if weights.len() != vertices {
            let found = weights.len().to_string();
            return Err(fault(format!("weights for {vertices} vertices"), found));
        }
        weights
            .check(loaded.character.skeleton.joints().len())
            .map_err(|broken| fault("valid weights".into(), broken.to_string()))?;
        let steps = f64::from(format.steps());
        let sum = |vertex: usize| -> f64 {
            let values = weights.of(vertex).map(|(_, value)| on_grid(value, steps));
            values.sum()
        };
        let all = || (0..vertices).into_par_iter();
        if let Some(vertex) = all().find_first(|&vertex| sum(vertex) != steps) {
            return Err(fault(
                format!("weights in whole steps that sum to {steps}"),
                format!("{} at vertex {vertex}", sum(vertex)),
            ));
        }
        let highest = all()
            .flat_map_iter(|vertex| weights.of(vertex).map(|(joint, _)| joint.0))
            .max()
            .unwrap_or(0);
        Ok(Self {
            sets: weights.most_influences().div_ceil(SET).max(1),
            joint: if highest > u16::from(u8::MAX) {
                Component::U16
            } else {
                Component::U8
            },
        })
    }
}

/// The whole number of steps nearest to a weight.
fn on_grid(value: f32, steps: f64) -> f64 {
    (f64::from(value) * steps).round()
}

/// The mesh object of each use; a mesh that stands in several places gets one for each further place.
fn own_meshes(patch: &mut Patch, loaded: &Loaded) -> Result<Vec<usize>, Error> {
    let mut meshes = Vec::new();
    for mesh_use in &loaded.target.uses {
        let mesh = if mesh_use.copy {
            let original = patch.document().item("meshes", mesh_use.mesh).value.clone();
            let mesh = patch.put("meshes", None, original)?;
            for &node in &mesh_use.nodes {
                member(patch, "nodes", node)?.insert("mesh".into(), json!(mesh));
            }
            mesh
        } else {
            mesh_use.mesh
        };
        meshes.push(mesh);
    }
    Ok(meshes)
}

/// Takes the old accessors out of a primitive; the names of the sets that stay keep their places.
fn clear(
    patch: &mut Patch,
    mesh: usize,
    primitive: usize,
    sets: usize,
) -> Result<Vec<usize>, Error> {
    let attributes = attributes(patch, mesh, primitive)?;
    let known: Vec<(String, u64)> = attributes
        .keys()
        .filter_map(|key| Some((key.clone(), set_of(key)?.1)))
        .collect();
    let mut old = Vec::new();
    for (key, n) in known {
        let index = if n < sets as u64 {
            attributes.insert(key, Value::Null)
        } else {
            attributes.shift_remove(&key)
        };
        old.extend(index.as_ref().and_then(whole).map(|index| index as usize));
    }
    Ok(old)
}

/// Makes the skins of an unbound character and gives them to its nodes: the skin of the file where
/// meshes lie in mesh space already, one more for each other place.
fn tie(patch: &mut Patch, loaded: &Loaded) -> Result<(), Error> {
    let target = &loaded.target;
    let matrices = target.skin.inverse_bind.as_deref().unwrap_or(&[]);
    let mut made: Vec<(Matrix4<f64>, usize)> = Vec::new();
    for mesh_use in &target.uses {
        let known = made.iter().find(|(space, _)| *space == mesh_use.space);
        let skin = match known {
            Some(&(_, skin)) => skin,
            None => {
                let skin = skin_for(patch, loaded, matrices, &mesh_use.space)?;
                made.push((mesh_use.space, skin));
                skin
            }
        };
        for &node in &mesh_use.nodes {
            member(patch, "nodes", node)?.insert("skin".into(), json!(skin));
        }
    }
    Ok(())
}

fn skin_for(
    patch: &mut Patch,
    loaded: &Loaded,
    matrices: &[Matrix4<f64>],
    space: &Matrix4<f64>,
) -> Result<usize, Error> {
    let target = &loaded.target;
    let in_place = *space == Matrix4::identity();
    let mut object = match target.skin.index {
        Some(index) => {
            let object = patch.document().item("skins", index).value.clone();
            if in_place && object.get("inverseBindMatrices").is_some() {
                return Ok(index);
            }
            object
        }
        None => {
            let mut object = json!({});
            if let Some(name) = &target.skin.name {
                object["name"] = json!(name);
            }
            // The first joint is the one that the rest hangs below.
            object["skeleton"] = json!(target.skin.joints.first());
            object["joints"] = json!(target.skin.joints);
            object
        }
    };
    let mut bytes = Vec::with_capacity(64 * matrices.len());
    for matrix in matrices {
        let mut matrix = matrix * space;
        // An affine matrix times another: only rounding could say otherwise.
        matrix.set_row(3, &nalgebra::RowVector4::new(0.0, 0.0, 0.0, 1.0));
        for number in matrix.iter() {
            bytes.extend((*number as f32).to_le_bytes());
        }
    }
    let accessor = patch.add(&NewAccessor {
        component: Component::F32.code(),
        kind: "MAT4",
        count: matrices.len(),
        normalized: false,
        bounds: None,
        bytes: &bytes,
        vertices: false,
    })?;
    object["inverseBindMatrices"] = json!(accessor);
    let slot = target.skin.index.filter(|_| in_place);
    patch.put("skins", slot, object)
}

/// The accessors of one set: joints and weights.
type SetAccessors = Vec<(usize, usize)>;

fn write(
    patch: &mut Patch,
    loaded: &Loaded,
    weights: &Weights,
    layout: &Layout,
    meshes: &[usize],
    format: WeightFormat,
) -> Result<(), Error> {
    let character = &loaded.character;
    // Meshes that share positions in one place get the same bytes: they may share those too.
    let mut shared: HashMap<usize, Vec<(Vec<Bytes>, SetAccessors)>> = HashMap::new();
    for (stretch, part) in loaded.target.stretches.iter().zip(&character.parts) {
        let raw = &character.surface.welded[part.raw.clone()];
        let bytes = encode(raw, weights, layout, format);
        let known = shared.entry(stretch.position).or_default();
        let accessors = match known.iter().find(|(other, _)| *other == bytes) {
            Some((_, accessors)) => accessors.clone(),
            None => {
                let accessors = bytes
                    .iter()
                    .map(|set| add_set(patch, set, raw.len(), layout, format))
                    .collect::<Result<SetAccessors, _>>()?;
                known.push((bytes, accessors.clone()));
                accessors
            }
        };
        for primitive in &stretch.primitives {
            let attributes = attributes(patch, meshes[stretch.mesh_use], primitive.index)?;
            for (n, &(joints, weights)) in accessors.iter().enumerate() {
                attributes.insert(format!("JOINTS_{n}"), json!(joints));
                attributes.insert(format!("WEIGHTS_{n}"), json!(weights));
            }
        }
    }
    Ok(())
}

/// The bytes of one set.
#[derive(PartialEq, Eq)]
struct Bytes {
    joints: Vec<u8>,
    weights: Vec<u8>,
}

fn encode(raw: &[u32], weights: &Weights, layout: &Layout, format: WeightFormat) -> Vec<Bytes> {
    let steps = f64::from(format.steps());
    let (joint_size, weight_size) = (layout.joint.size(), format.component().size());
    let encode_set = |set: usize| {
        let mut bytes = Bytes {
            joints: vec![0; raw.len() * SET * joint_size],
            weights: vec![0; raw.len() * SET * weight_size],
        };
        let rows = bytes
            .joints
            .par_chunks_exact_mut(SET * joint_size)
            .zip(bytes.weights.par_chunks_exact_mut(SET * weight_size));
        rows.zip(raw).for_each(|((joints, values), &welded)| {
            let slots = joints
                .chunks_exact_mut(joint_size)
                .zip(values.chunks_exact_mut(weight_size));
            let entries = weights.of(welded as usize).skip(set * SET);
            for ((joint_bytes, value_bytes), (joint, value)) in slots.zip(entries) {
                joint_bytes.copy_from_slice(&joint.0.to_le_bytes()[..joint_size]);
                match format {
                    // `Layout::of` proved that the steps fit.
                    WeightFormat::U8 => value_bytes[0] = on_grid(value, steps) as u8,
                    WeightFormat::U16 => {
                        let step = on_grid(value, steps) as u16;
                        value_bytes.copy_from_slice(&step.to_le_bytes());
                    }
                    WeightFormat::F32 => value_bytes.copy_from_slice(&value.to_le_bytes()),
                }
            }
        });
        bytes
    };
    (0..layout.sets).map(encode_set).collect()
}

fn add_set(
    patch: &mut Patch,
    bytes: &Bytes,
    count: usize,
    layout: &Layout,
    format: WeightFormat,
) -> Result<(usize, usize), Error> {
    let joints = patch.add(&NewAccessor {
        component: layout.joint.code(),
        kind: "VEC4",
        count,
        normalized: false,
        bounds: None,
        bytes: &bytes.joints,
        vertices: true,
    })?;
    let weights = patch.add(&NewAccessor {
        component: format.component().code(),
        kind: "VEC4",
        count,
        normalized: format != WeightFormat::F32,
        bounds: None,
        bytes: &bytes.weights,
        vertices: true,
    })?;
    Ok((joints, weights))
}

/// The object of that number in a top-level array, to be changed.
pub(super) fn member<'a>(
    patch: &'a mut Patch,
    array: &str,
    index: usize,
) -> Result<&'a mut Map<String, Value>, Error> {
    let path = patch.document().path.clone();
    let found = patch
        .json()
        .get_mut(array)
        .and_then(|items| items.get_mut(index))
        .and_then(Value::as_object_mut);
    // Only a character of another document leads here.
    found.ok_or_else(|| {
        Fault::new(
            &path,
            format!("{array}[{index}]"),
            "the object that the character was read from",
            "none",
        )
        .into()
    })
}

fn attributes(
    patch: &mut Patch,
    mesh: usize,
    primitive: usize,
) -> Result<&mut Map<String, Value>, Error> {
    let path = patch.document().path.clone();
    member(patch, "meshes", mesh)?
        .get_mut("primitives")
        .and_then(|primitives| primitives.get_mut(primitive))
        .and_then(|primitive| primitive.get_mut("attributes"))
        .and_then(Value::as_object_mut)
        .ok_or_else(|| {
            Fault::new(
                &path,
                format!("meshes[{mesh}].primitives[{primitive}].attributes"),
                "the attributes that the character was read from",
                "none",
            )
            .into()
        })
}
