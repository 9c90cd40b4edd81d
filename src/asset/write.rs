//! Weights into a document: new `JOINTS_n` and `WEIGHTS_n`, and skins for meshes that had none. Nothing
//! else changes.

use std::collections::HashMap;

use nalgebra::Matrix4;
use rayon::prelude::*;
use serde_json::{Map, Value, json};

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::geometry::{Stretch, set_of};
use super::json::whole;
use super::patch::{NewAccessor, Patch};
use super::read::Loaded;
use crate::error::{Error, Fault};
use crate::rig::{Kept, Part, Weights};

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

/// New weights of a character, one entry a welded vertex.
#[derive(Clone, Copy, Debug)]
pub struct NewWeights<'a> {
    /// The character.
    pub loaded: &'a Loaded,
    /// Its weights; where some are kept, these stand here too.
    pub weights: &'a Weights,
    /// The vertices that keep the bytes that they have in the file, with the steps of all others; by default
    /// none.
    pub kept: Option<&'a Kept<'a>>,
    /// How many joints behind those of the character they may name: as many as
    /// [`with_joints`](super::with_joints) adds to the skin, before or after.
    pub added: usize,
}

impl<'a> NewWeights<'a> {
    /// New weights for every vertex.
    pub fn all(loaded: &'a Loaded, weights: &'a Weights) -> Self {
        Self {
            loaded,
            weights,
            kept: None,
            added: 0,
        }
    }

    fn is_kept(&self, vertex: usize) -> bool {
        self.kept.is_some_and(|kept| kept.has(vertex))
    }

    /// Sets that the new weights among these vertices need.
    fn sets(&self, mut vertices: impl Iterator<Item = usize>) -> usize {
        let new = vertices.by_ref().filter(|&vertex| !self.is_kept(vertex));
        let most = new.map(|vertex| self.weights.of(vertex).count()).max();
        most.unwrap_or(0).div_ceil(SET).max(1)
    }
}

/// The document with new weights.
///
/// The weights must lie on the grid of the format: every value a whole number of
/// [`WeightFormat::steps`], each vertex summing to all of them. Every copy of a welded vertex gets the
/// same bytes. Joints take one byte each if the highest joint in use allows it; as many sets of four
/// are written as the most influenced vertex needs, and further old sets are removed.
///
/// Where vertices are kept, a primitive that draws none of the others is not touched. One with vertices of both
/// kinds keeps the number format of each of its sets, whatever `format` is, and the bytes of those that are kept:
/// see [`steps_beside_kept`]. It gets further sets if new weights need them, with zeros for those that are kept,
/// and joint numbers of two bytes where one does not hold a new one.
///
/// # Errors
/// [`Error::Input`] if weights and character do not belong together, or off the grid.
pub fn with_weights(
    document: &Document,
    baked: &[NewWeights],
    format: WeightFormat,
) -> Result<Document, Error> {
    let mut patch = Patch::new(document);
    let mut old = Vec::new();
    let mut planned = Vec::new();
    for &new in baked {
        let (loaded, layout) = (new.loaded, Layout::of(document, new, format)?);
        let meshes = if loaded.target.tie {
            own_meshes(&mut patch, loaded)?
        } else {
            loaded.target.uses.iter().map(|u| u.mesh).collect()
        };
        for (stretch, part) in loaded.target.stretches.iter().zip(&loaded.character.parts) {
            let raw = &loaded.character.surface.welded[part.raw.clone()];
            for (place, primitive) in stretch.primitives.iter().enumerate() {
                let sets = match Fate::of(place, stretch, part, raw, &|v| new.is_kept(v)) {
                    Fate::Untouched => continue,
                    Fate::New => layout.sets,
                    Fate::Both(sets) => sets.len().max(new.sets(raw.iter().map(|&v| v as usize))),
                };
                let mesh = meshes[stretch.mesh_use];
                old.extend(clear(&mut patch, mesh, primitive.index, sets)?);
            }
        }
        planned.push((new, layout, meshes));
    }
    // Only now, when nothing planned refers to them any more, is it known which old ones are free.
    patch.release(old);
    for (new, layout, meshes) in planned {
        if new.loaded.target.tie {
            tie(&mut patch, new.loaded)?;
        }
        write(&mut patch, document, new, &layout, &meshes)?;
    }
    patch.finish()
}

/// For each welded vertex the steps from 0 to 1 that a new weight may take where some vertices are not solved:
/// those of the coarsest set that it is written to. And a sentence about primitives that keep another format than
/// the one that is asked for.
///
/// # Errors
/// [`Error::Input`] if the character is of another document.
pub fn steps_beside_kept(
    document: &Document,
    loaded: &Loaded,
    solved: &[bool],
    format: WeightFormat,
) -> Result<(Vec<u32>, Option<String>), Error> {
    let mut steps = vec![u32::MAX; solved.len()];
    let mut others = 0;
    for (stretch, part) in loaded.target.stretches.iter().zip(&loaded.character.parts) {
        let raw = &loaded.character.surface.welded[part.raw.clone()];
        for place in 0..stretch.primitives.len() {
            let of_primitive = match Fate::of(place, stretch, part, raw, &|v| !solved[v]) {
                Fate::Untouched => continue,
                Fate::New => format.steps(),
                Fate::Both(sets) => {
                    let mut coarsest = u32::MAX;
                    let mut is_other = false;
                    for &(_, weights) in sets {
                        let component = Accessor::open(document, weights)?.component;
                        is_other |= component != format.component();
                        coarsest = coarsest.min(steps_of(component));
                    }
                    others += usize::from(is_other);
                    coarsest
                }
            };
            for &v in raw {
                let least = &mut steps[v as usize];
                *least = of_primitive.min(*least);
            }
        }
    }
    // What no primitive writes is only measured.
    for least in steps.iter_mut().filter(|least| **least == u32::MAX) {
        *least = format.steps();
    }
    let note = (others > 0).then(|| {
        let have = if others == 1 { "primitive has" } else { "primitives have" };
        format!(
            "{others} {have} vertices that keep their weights beside others: the number format of the file stays \
             there, in place of write.weights"
        )
    });
    Ok((steps, note))
}

/// Steps from 0 to 1 of weights of that type.
fn steps_of(component: Component) -> u32 {
    match component {
        Component::U8 => WeightFormat::U8.steps(),
        Component::U16 => WeightFormat::U16.steps(),
        // Weights of no other type are read.
        _ => WeightFormat::F32.steps(),
    }
}

/// What becomes of the sets of a primitive.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate<'a> {
    /// It draws no vertex with new weights.
    Untouched,
    /// All its vertices get new weights.
    New,
    /// Some do: these are the accessors of the old sets.
    Both(&'a [(usize, usize)]),
}

impl<'a> Fate<'a> {
    /// That of a primitive of a stretch; `raw` are the welded vertices of the stretch.
    fn of(
        place: usize,
        stretch: &'a Stretch,
        part: &Part,
        raw: &[u32],
        is_kept: &dyn Fn(usize) -> bool,
    ) -> Self {
        let keeps = |v: &u32| is_kept(*v as usize);
        if !raw.iter().any(keeps) {
            Self::New
        } else if part.materials[place].1.iter().all(keeps) {
            Self::Untouched
        } else {
            Self::Both(&stretch.primitives[place].sets)
        }
    }
}

/// The shape of the new attributes of one character where no vertex is kept.
struct Layout {
    sets: usize,
    joint: Component,
    weight: Component,
}

impl Layout {
    fn of(document: &Document, new: NewWeights, format: WeightFormat) -> Result<Self, Fault> {
        let NewWeights {
            loaded, weights, ..
        } = new;
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
            .check(loaded.character.skeleton.joints().len() + new.added)
            .map_err(|broken| fault("valid weights".into(), broken.to_string()))?;
        let steps = |v: usize| f64::from(new.kept.map_or(format.steps(), |kept| kept.steps(v)));
        let sum = |vertex: usize| -> f64 {
            let values = weights.of(vertex);
            values.map(|(_, value)| on_grid(value, steps(vertex))).sum()
        };
        let changed = || {
            let all = (0..vertices).into_par_iter();
            all.filter(|&vertex| !new.is_kept(vertex))
        };
        if let Some(vertex) = changed().find_first(|&vertex| sum(vertex) != steps(vertex)) {
            return Err(fault(
                format!("weights in whole steps that sum to {}", steps(vertex)),
                format!("{} at vertex {vertex}", sum(vertex)),
            ));
        }
        let highest = changed()
            .flat_map_iter(|vertex| weights.of(vertex).map(|(joint, _)| joint.0))
            .max()
            .unwrap_or(0);
        Ok(Self {
            sets: new.sets(0..vertices),
            joint: joint_component(highest),
            weight: format.component(),
        })
    }
}

/// The narrowest joint numbers that go so far.
fn joint_component(highest: u16) -> Component {
    if highest > u16::from(u8::MAX) {
        Component::U16
    } else {
        Component::U8
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
    let accessor = add_affine(patch, matrices.iter().map(|matrix| matrix * space))?;
    object["inverseBindMatrices"] = json!(accessor);
    let slot = target.skin.index.filter(|_| in_place);
    patch.put("skins", slot, object)
}

/// Adds an accessor of affine matrices.
pub(super) fn add_affine(
    patch: &mut Patch,
    matrices: impl Iterator<Item = Matrix4<f64>>,
) -> Result<usize, Error> {
    add_matrices(patch, &affine_bytes(matrices))
}

/// The bytes of affine matrices, as accessors have them.
pub(super) fn affine_bytes(matrices: impl Iterator<Item = Matrix4<f64>>) -> Vec<u8> {
    let mut bytes = Vec::new();
    for mut matrix in matrices {
        // Products and inverses of affine matrices are affine: only rounding could say otherwise.
        matrix.set_row(3, &nalgebra::RowVector4::new(0.0, 0.0, 0.0, 1.0));
        for number in matrix.iter() {
            bytes.extend((*number as f32).to_le_bytes());
        }
    }
    bytes
}

/// Bytes of a matrix of floats.
pub(super) const MATRIX: usize = 64;

/// Adds an accessor of matrices, as their bytes.
pub(super) fn add_matrices(patch: &mut Patch, bytes: &[u8]) -> Result<usize, Error> {
    patch.add(&NewAccessor {
        component: Component::F32.code(),
        kind: "MAT4",
        count: bytes.len() / MATRIX,
        normalized: false,
        bounds: None,
        bytes,
        vertices: false,
    })
}

/// The accessors of one set: joints and weights.
type SetAccessors = Vec<(usize, usize)>;

fn write(
    patch: &mut Patch,
    document: &Document,
    new: NewWeights,
    layout: &Layout,
    meshes: &[usize],
) -> Result<(), Error> {
    let NewWeights { loaded, .. } = new;
    let character = &loaded.character;
    // Meshes that share positions in one place get the same bytes: they may share those too.
    let mut shared: HashMap<usize, Vec<(Vec<Set>, SetAccessors)>> = HashMap::new();
    for (stretch, part) in loaded.target.stretches.iter().zip(&character.parts) {
        let raw = &character.surface.welded[part.raw.clone()];
        let mut done: Vec<(Fate, SetAccessors)> = Vec::new();
        for (place, primitive) in stretch.primitives.iter().enumerate() {
            let fate = Fate::of(place, stretch, part, raw, &|v| new.is_kept(v));
            if fate == Fate::Untouched {
                continue;
            }
            let accessors = match done.iter().find(|(other, _)| *other == fate) {
                Some((_, accessors)) => accessors.clone(),
                None => {
                    let mut sets = match fate {
                        Fate::Both(sets) => (sets.iter())
                            .map(|&set| Set::of_file(document, set))
                            .collect::<Result<_, _>>()?,
                        _ => Vec::new(),
                    };
                    fill(&mut sets, raw, new, layout);
                    let known = shared.entry(stretch.position).or_default();
                    let accessors = match known.iter().find(|(other, _)| *other == sets) {
                        Some((_, accessors)) => accessors.clone(),
                        None => {
                            let accessors = (sets.iter())
                                .map(|set| set.add(patch, raw.len()))
                                .collect::<Result<SetAccessors, _>>()?;
                            known.push((sets, accessors.clone()));
                            accessors
                        }
                    };
                    done.push((fate, accessors.clone()));
                    accessors
                }
            };
            let attributes = attributes(patch, meshes[stretch.mesh_use], primitive.index)?;
            for (n, &(joints, weights)) in accessors.iter().enumerate() {
                attributes.insert(format!("JOINTS_{n}"), json!(joints));
                attributes.insert(format!("WEIGHTS_{n}"), json!(weights));
            }
        }
    }
    Ok(())
}

/// The bytes of one set of attributes, without gaps, and what they are.
#[derive(PartialEq, Eq)]
struct Set {
    joint: Component,
    weight: Component,
    joints: Vec<u8>,
    weights: Vec<u8>,
}

/// Puts new weights into the sets of a stretch; `raw` are its welded vertices. There become as many as the new
/// weights need; those that are there keep their types, further ones have those of the last, or of the layout.
fn fill(sets: &mut Vec<Set>, raw: &[u32], new: NewWeights, layout: &Layout) {
    let needed = match sets.is_empty() {
        // As all of the character.
        true => layout.sets,
        false => new.sets(raw.iter().map(|&v| v as usize)),
    };
    for _ in sets.len()..needed {
        let (joint, weight) = match sets.last() {
            Some(last) => (last.joint, last.weight),
            None => (layout.joint, layout.weight),
        };
        sets.push(Set::zeros(raw.len(), joint, weight));
    }
    for (n, set) in sets.iter_mut().enumerate() {
        set.fill(raw, new, n * SET);
    }
}

impl Set {
    fn zeros(vertices: usize, joint: Component, weight: Component) -> Self {
        Self {
            joint,
            weight,
            joints: vec![0; vertices * SET * joint.size()],
            weights: vec![0; vertices * SET * weight.size()],
        }
    }

    /// As the file has it.
    fn of_file(document: &Document, (joints, weights): (usize, usize)) -> Result<Self, Fault> {
        let joints = Accessor::open(document, joints)?;
        let weights = Accessor::open(document, weights)?;
        Ok(Self {
            joint: joints.component,
            weight: weights.component,
            joints: joints.bytes()?,
            weights: weights.bytes()?,
        })
    }

    /// Puts in the entries of new weights from `first` on; the rows of vertices that are kept stay.
    fn fill(&mut self, raw: &[u32], new: NewWeights, first: usize) {
        let entries = |v: u32| new.weights.of(v as usize).skip(first).take(SET);
        let is_new = |v: &&u32| !new.is_kept(**v as usize);
        let used = raw.iter().filter(is_new).flat_map(|&v| entries(v));
        let highest = used.map(|(joint, _)| joint.0).max().unwrap_or(0);
        if self.joint == Component::U8 && joint_component(highest) == Component::U16 {
            self.joints = self.joints.iter().flat_map(|&joint| [joint, 0]).collect();
            self.joint = Component::U16;
        }
        let (joint_size, weight_size) = (self.joint.size(), self.weight.size());
        let steps = f64::from(steps_of(self.weight));
        let weight = self.weight;
        let rows = (self.joints)
            .par_chunks_exact_mut(SET * joint_size)
            .zip(self.weights.par_chunks_exact_mut(SET * weight_size));
        let changed = rows.zip(raw).filter(|(_, v)| is_new(v));
        changed.for_each(|((joints, values), &welded)| {
            joints.fill(0);
            values.fill(0);
            let slots = joints
                .chunks_exact_mut(joint_size)
                .zip(values.chunks_exact_mut(weight_size));
            for ((joint_bytes, value_bytes), (joint, value)) in slots.zip(entries(welded)) {
                let joint = u32::from(joint.0).to_le_bytes();
                joint_bytes.copy_from_slice(&joint[..joint_size]);
                match weight {
                    // `Layout::of` proved that the steps fit.
                    Component::U8 => value_bytes[0] = on_grid(value, steps) as u8,
                    Component::U16 => {
                        let step = on_grid(value, steps) as u16;
                        value_bytes.copy_from_slice(&step.to_le_bytes());
                    }
                    _ => value_bytes.copy_from_slice(&value.to_le_bytes()),
                }
            }
        });
    }

    fn add(&self, patch: &mut Patch, count: usize) -> Result<(usize, usize), Error> {
        let new = |component: Component, normalized, bytes| NewAccessor {
            component: component.code(),
            kind: "VEC4",
            count,
            normalized,
            bounds: None,
            bytes,
            vertices: true,
        };
        let joints = patch.add(&new(self.joint, false, &self.joints))?;
        let is_integer = self.weight != Component::F32;
        let weights = patch.add(&new(self.weight, is_integer, &self.weights))?;
        Ok((joints, weights))
    }
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
