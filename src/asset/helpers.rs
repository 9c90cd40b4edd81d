//! Helper joints: joints that are added to a skin, and keys for nodes that move.

use std::collections::{BTreeMap, HashSet};

use nalgebra::{Matrix4, Vector3, Vector4};
use serde_json::{Map, Value, json};

use super::accessor::Accessor;
use super::channels::{Channels, Moved, Path};
use super::document::Document;
use super::json::keep;
use super::nodes::{Nodes, Trs};
use super::patch::Patch;
use super::range_clip::{differs, near, parts, parts_within, to_parts};
use super::read::Loaded;
use super::skins::Skin;
use super::write::{MATRIX, add_matrices, affine_bytes, member};
use crate::error::{Error, Fault};
use crate::rig::{JointId, Skeleton};

/// The member of a node's `extras` that makes it a helper joint, an object.
pub(super) const HELPER: &str = "tanyard_helper";

/// A new joint may shear so much against its parent, as a share of its largest stretch: 32-bit matrices of the parent
/// do so by rounding. A node cannot, and would stand elsewhere than its inverse bind matrix says.
const LEAST_SHEAR: f64 = 1e-4;

/// Rounding to 32 bits takes a quaternion a ten millionth off length one. What is farther off is no rotation.
const UNIT: f64 = 1e-5;

const OUR_ERROR: &str = "this is an error of tanyard's own: please report it with the file";

/// A joint that is to be added to a skin, as a child of one that it has.
#[derive(Clone, Debug)]
pub struct NewJoint {
    /// Its name, which gets " 2", " 3" and so on behind it if a node has that name.
    pub name: String,
    /// A joint of the skin.
    pub parent: JointId,
    /// Joint space to mesh space at bind; its inverse becomes the inverse bind matrix.
    pub bind_world: Matrix4<f64>,
    /// An object that its node keeps in `extras.tanyard_helper`; an empty one for `None`. Numbers in it must not stand
    /// for accessors or buffer views, which may be numbered anew.
    pub extras: Option<Value>,
}

/// The document with joints added to the skin of a character, behind those that it has: the first gets the number
/// that is one above the highest, and so on. Gives their nodes too. Nodes, joints and inverse bind matrices that are
/// there stay as they are.
///
/// A character whose skin is still to be written gets its weights first ([`with_weights`](super::with_weights)), and
/// the skin with them; if there it becomes several skins, each gets the joints. Where the file has its skin already,
/// either may come first. [`NewWeights::added`](super::NewWeights) lets weights name joints that are added.
///
/// # Errors
/// [`Error::Input`] if there is no such skin in the document, another one moves the same meshes (and would lack the
/// joints), a joint would shear against its parent, or there are more than 65,536 of them.
pub fn with_joints(
    document: &Document,
    loaded: &Loaded,
    joints: &[NewJoint],
) -> Result<(Document, Vec<usize>), Error> {
    if joints.is_empty() {
        return Ok((document.clone(), Vec::new()));
    }
    let nodes = Nodes::read(document)?;
    let skins = skins_of(document, &nodes, loaded)?;
    let mut faults = Vec::new();
    let placed: Vec<Placed> = joints
        .iter()
        .filter_map(|joint| keep(Placed::of(document, loaded, joint), &mut faults))
        .collect();
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }

    let mut patch = Patch::new(document);
    let mut names: HashSet<String> = nodes.nodes.iter().filter_map(|n| n.name.clone()).collect();
    let mut added = Vec::new();
    for (joint, placed) in joints.iter().zip(&placed) {
        let number = patch.put("nodes", None, placed.node(joint, &mut names))?;
        append(
            member(&mut patch, "nodes", placed.parent)?,
            "children",
            number,
        );
        added.push(number);
    }
    for &(skin, space) in &skins {
        let matrices = placed.iter().map(|one| one.inverse_bind * space);
        extend(
            &mut patch,
            document,
            loaded,
            (skin, space),
            &added,
            matrices,
        )?;
    }
    let made = patch.finish()?;
    // What could not be read again is not written.
    let nodes = Nodes::read(&made)?;
    for (skin, _) in skins {
        let skin = Skin::read(&made, skin).map_err(Error::Input)?;
        let inverse_bind = skin.inverse_bind.as_deref().unwrap_or(&[]);
        skin.skeleton(&made, &nodes, inverse_bind)?;
    }
    Ok((made, added))
}

/// The helper joints of a skeleton, with what their nodes say about them.
pub(super) fn of(document: &Document, skeleton: &Skeleton) -> Vec<(JointId, Value)> {
    let said = |id: JointId| {
        let node = document.item("nodes", skeleton.joint(id).node);
        let said = node.value.get("extras")?.get(HELPER)?;
        said.is_object().then(|| (id, said.clone()))
    };
    skeleton.ids().filter_map(said).collect()
}

/// The skins that move the meshes of a character, each with the place of these meshes in mesh space.
fn skins_of(
    document: &Document,
    nodes: &Nodes,
    loaded: &Loaded,
) -> Result<Vec<(usize, Matrix4<f64>)>, Error> {
    let target = &loaded.target;
    let mut found: Vec<(usize, Matrix4<f64>)> = Vec::new();
    let mut meshes = HashSet::new();
    for (&node, space) in target
        .uses
        .iter()
        .flat_map(|u| u.nodes.iter().map(|n| (n, &u.space)))
    {
        let shown = nodes.nodes.get(node);
        let Some(skin) = shown.and_then(|node| node.skin) else {
            let at = document.item("nodes", node).get("skin");
            return Err(at
                .found("the skin that gets the joints", "none")
                .remedy(OUR_ERROR)
                .into());
        };
        meshes.extend(shown.and_then(|node| node.mesh));
        if found.iter().all(|&(known, _)| known != skin) {
            found.push((skin, *space));
        }
    }
    let mut faults = Vec::new();
    for &(index, _) in &found {
        let skin = Skin::read(document, index).map_err(Error::Input)?;
        if skin.joints != target.skin.joints {
            let at = document.item("skins", index).get("joints");
            let expected = "the joints that the character was read with";
            faults.push(at.found(expected, "others").remedy(OUR_ERROR));
        }
    }
    for (i, node) in nodes.nodes.iter().enumerate() {
        let is_ours = |skin: usize| found.iter().any(|&(ours, _)| ours == skin);
        if let (Some(mesh), Some(skin)) = (node.mesh, node.skin)
            && meshes.contains(&mesh)
            && !is_ours(skin)
        {
            let at = document.item("nodes", i).get("skin");
            let expected =
                format!("one skin for meshes[{mesh}], which gets weights for helper joints");
            let found = format!("skins[{skin}], which does not get these joints");
            faults.push(at.found(expected, found).remedy(
                "bake without helper joints, or give each skin a mesh of its own in the program that wrote the file",
            ));
        }
    }
    if faults.is_empty() {
        Ok(found)
    } else {
        Err(Error::Input(faults))
    }
}

/// A new joint in its place.
struct Placed {
    /// The node of its parent.
    parent: usize,
    /// Relative to that.
    local: Trs,
    inverse_bind: Matrix4<f64>,
}

impl Placed {
    fn of(document: &Document, loaded: &Loaded, joint: &NewJoint) -> Result<Self, Fault> {
        let fault = |expected: &str, found: String| {
            let part = format!("new joint {:?}", joint.name);
            Fault::new(&document.path, part, expected, found)
        };
        let skin = &loaded.target.skin;
        let above = skin.joints.get(joint.parent.index()).copied();
        let unbind = skin
            .inverse_bind
            .as_ref()
            .and_then(|all| all.get(joint.parent.index()));
        let (Some(parent), Some(unbind)) = (above, unbind) else {
            let expected = format!(
                "a parent among the {} joints of the skin",
                skin.joints.len()
            );
            return Err(fault(&expected, joint.parent.0.to_string()).remedy(OUR_ERROR));
        };
        let inverse = joint.bind_world.try_inverse();
        let finite = |m: &Matrix4<f64>| m.iter().all(|&x| (x as f32).is_finite());
        let Some(inverse_bind) = inverse.filter(|m| finite(m) && finite(&joint.bind_world)) else {
            let expected = "a bind transform of finite numbers that has an inverse";
            return Err(fault(expected, "another".into()).remedy(OUR_ERROR));
        };
        if joint.extras.as_ref().is_some_and(|said| !said.is_object()) {
            return Err(
                fault("an object for its extras", "something else".into()).remedy(OUR_ERROR)
            );
        }
        let Some(local) = parts_within(&(unbind * joint.bind_world), LEAST_SHEAR) else {
            let name = &loaded.character.skeleton.joint(joint.parent).name;
            return Err(fault(
                "a joint that only turns, slides and scales along its axes against its parent",
                format!("one that shears against {name:?}"),
            )
            .remedy("apply the scale of the skeleton in the program that wrote the file"));
        };
        Ok(Self {
            parent,
            local,
            inverse_bind,
        })
    }

    /// Its node; the name is put to those that are taken.
    fn node(&self, joint: &NewJoint, names: &mut HashSet<String>) -> Value {
        let further = (2..).map(|n| format!("{} {n}", joint.name));
        let name = std::iter::once(joint.name.clone())
            .chain(further)
            .find(|name| !names.contains(name))
            // There are more numbers than names.
            .unwrap_or_default();
        let mut node = Map::new();
        node.insert("name".into(), json!(name));
        names.insert(name);
        self.local.put(&mut node);
        if !differs(&self.local.scale, &Vector3::repeat(1.0)) {
            node.shift_remove("scale");
        }
        let said = joint.extras.clone().unwrap_or_else(|| json!({}));
        node.insert("extras".into(), json!({ HELPER: said }));
        node.into()
    }
}

/// Adds joints to a skin that shows meshes of the character in that place.
fn extend(
    patch: &mut Patch,
    document: &Document,
    loaded: &Loaded,
    (skin, space): (usize, Matrix4<f64>),
    joints: &[usize],
    matrices: impl Iterator<Item = Matrix4<f64>>,
) -> Result<(), Error> {
    let target = &loaded.target.skin;
    let at = document.item("skins", skin).get("inverseBindMatrices");
    let old = at.index_or_none(document.count("accessors"), "accessors")?;
    let mut bytes = match old {
        Some(old) => Accessor::open(document, old)?.bytes()?,
        None => {
            // Those that it was read with, as `with_weights` would write them: identities by the standard, or the pose
            // that the file was saved in where nothing is bound yet.
            let read = target.inverse_bind.as_deref().unwrap_or(&[]);
            affine_bytes(read.iter().map(|matrix| matrix * space))
        }
    };
    // There may be more matrices than joints.
    bytes.truncate(MATRIX * target.joints.len());
    bytes.extend(affine_bytes(matrices));
    let object = member(patch, "skins", skin)?;
    joints
        .iter()
        .for_each(|&joint| append(object, "joints", joint));
    object.insert("inverseBindMatrices".into(), Value::Null);
    patch.release(old);
    let accessor = add_matrices(patch, &bytes)?;
    member(patch, "skins", skin)?.insert("inverseBindMatrices".into(), json!(accessor));
    Ok(())
}

/// Puts a number behind those of a list, which may be missing.
fn append(object: &mut Map<String, Value>, list: &str, number: usize) {
    match object.get_mut(list).and_then(Value::as_array_mut) {
        Some(numbers) => numbers.push(json!(number)),
        None => _ = object.insert(list.into(), json!([number])),
    }
}

/// How a node moves in an animation, with straight lines from key to key.
#[derive(Clone, Debug)]
pub struct NewTrack {
    /// The number of the animation.
    pub animation: usize,
    /// The number of the node.
    pub node: usize,
    /// In seconds, of the file (not from the first key on); 0 or more, strictly rising, one at least.
    pub times: Vec<f32>,
    /// The node's translation at each time, in the units of its parent.
    pub translations: Vec<[f32; 3]>,
    /// Its rotation, a quaternion x, y, z, w of length one.
    pub rotations: Vec<[f32; 4]>,
}

/// The document with these keys in its animations: two channels a track, for translation and rotation, which share
/// their times. A channel that moves the same makes way. Rotations are written on the near side of those before, so
/// that the shorter way is the straight one. A node with a matrix gets translation, rotation and scale in its place.
///
/// # Errors
/// [`Error::Input`] if a track is not as [`NewTrack`] says, moves what another of them moves, or a node's matrix shears.
pub fn with_tracks(document: &Document, tracks: &[NewTrack]) -> Result<Document, Error> {
    let nodes = Nodes::read(document)?;
    let mut faults = Vec::new();
    let mut moved = HashSet::new();
    let mut by_animation: BTreeMap<usize, Vec<&NewTrack>> = BTreeMap::new();
    for track in tracks {
        faults.extend(track.fault(document, &nodes));
        if !moved.insert((track.animation, track.node)) {
            faults.push(track.wrong(document, "one track a node", "a further one".into()));
        }
        by_animation.entry(track.animation).or_default().push(track);
    }
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }

    let mut patch = Patch::new(document);
    let (mut made, mut old) = (Vec::new(), Vec::new());
    for (animation, tracks) in by_animation {
        let renewed = |track: &&NewTrack| {
            [Path::Translation, Path::Rotation].map(|path| -> Moved { (track.node, path) })
        };
        let renewed: Vec<Moved> = tracks.iter().flat_map(renewed).collect();
        let (channels, free) =
            Channels::of_file(&document.item("animations", animation), &renewed)?;
        channels.put(member(&mut patch, "animations", animation)?);
        old.extend(free);
        made.push((animation, channels, tracks));
    }
    // Only now, when no old keys are left, is it known what they alone referred to.
    patch.release(old);
    for (animation, mut channels, tracks) in made {
        for track in tracks {
            let node = &nodes.nodes[track.node];
            if node.parts.is_none() {
                let parts = parts(&node.local).ok_or_else(|| {
                    let at = document.item("nodes", track.node).get("matrix");
                    at.found(
                        "a transform without shear, since clips move the node",
                        "one that shears",
                    )
                })?;
                to_parts(&mut patch, track.node, parts)?;
            }
            let turns = track
                .rotations
                .iter()
                .map(|&q| Vector4::from(q).cast::<f64>());
            let turns = near(turns).into_iter().flat_map(<[f64; 4]>::from);
            let turns: Vec<f32> = turns.map(|x| x as f32).collect();
            let slides = track.translations.as_flattened();
            channels.push(
                &mut patch,
                (track.node, Path::Translation),
                &track.times,
                slides,
            )?;
            channels.push(
                &mut patch,
                (track.node, Path::Rotation),
                &track.times,
                &turns,
            )?;
        }
        channels.put(member(&mut patch, "animations", animation)?);
    }
    patch.finish()
}

impl NewTrack {
    fn wrong(&self, document: &Document, expected: &str, found: String) -> Fault {
        let part = format!(
            "new keys of nodes[{}] in animations[{}]",
            self.node, self.animation
        );
        Fault::new(&document.path, part, expected, found).remedy(OUR_ERROR)
    }

    fn fault(&self, document: &Document, nodes: &Nodes) -> Option<Fault> {
        let wrong = |expected: &str, found: String| Some(self.wrong(document, expected, found));
        let (animations, all) = (document.count("animations"), nodes.nodes.len());
        if self.animation >= animations || self.node >= all {
            let found = format!("{animations} animations and {all} nodes");
            return wrong("an animation and a node of the file", found);
        }
        let keys = self.times.len();
        let (slides, turns) = (self.translations.len(), self.rotations.len());
        if keys == 0 || slides != keys || turns != keys {
            let found = format!("{keys} times, {slides} translations, {turns} rotations");
            return wrong("a translation and a rotation for each time", found);
        }
        let is_time = |time: &f32| time.is_finite() && *time >= 0.0;
        if !(self.times.iter().all(is_time) && self.times.is_sorted_by(|a, b| a < b)) {
            return wrong("finite times from 0 on that strictly rise", "others".into());
        }
        let length = |q: &[f32; 4]| Vector4::from(*q).cast::<f64>().norm();
        let is_unit = |q: &[f32; 4]| (length(q) - 1.0).abs() <= UNIT;
        let finite = self
            .translations
            .as_flattened()
            .iter()
            .all(|x| x.is_finite());
        if !(finite && self.rotations.iter().all(is_unit)) {
            let expected = "finite translations and rotations of length one";
            return wrong(expected, "others".into());
        }
        None
    }
}
