//! The range of motion: a pose set as a clip that any viewer plays.

use nalgebra::{Matrix3, Matrix4, SVector, Vector3, Vector4};
use serde_json::{Map, Value, json};

use super::channels::{Channels, Path};
use super::document::Document;
use super::json::whole;
use super::nodes::{Nodes, Trs};
use super::patch::Patch;
use super::skins;
use super::write::member;
use crate::error::{Error, Fault};
use crate::rig::{JointId, Move, Pose, Skeleton, polar};

/// A stretch is a scale along the axes if nothing beside the diagonal exceeds this share of it: glTF
/// nodes cannot shear.
const SHEAR_TOLERANCE: f64 = 1e-2;

/// Translations and scales that differ from a node's own by less are left to the node; a share of
/// the larger one.
const SAME: f64 = 1e-6;

/// The name of a range of motion; where a file has several, each is followed by a comma and its skin's name.
const NAME: &str = "tanyard poses";

/// From one pose to the next, in seconds; the first comes so long after bind. This and its parts are whole
/// eighths of a second, which numbers of 32 bits hold exactly.
const SECONDS_PER_POSE: f64 = 0.75;

/// How long each pose stands still, in seconds; the rest is the way to the next.
const SECONDS_HELD: f64 = 0.25;

/// The moments on the way that have keys, as shares of its time. By then an eighth, half and seven eighths of it are
/// done: slow, fast, slow. Halves of halves need nothing but square roots, which every processor rounds alike; and
/// every viewer plays linear keys, but not splines.
const MOMENTS: [f64; 3] = [0.25, 0.5, 0.75];

/// The poses of one skin.
#[derive(Clone, Copy, Debug)]
pub struct RangeClip<'a> {
    /// The skeleton, read from the document or from one with the same nodes.
    pub skeleton: &'a Skeleton,
    /// The skin's name.
    pub skin: &'a str,
    /// The poses, in order.
    pub poses: &'a [Pose],
}

/// Where clips go among the animations of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClipPlace {
    /// Before all others, which viewers play unasked. Those move up; nothing in the standard refers to them by
    /// number, but extensions may.
    First,
    /// Where a clip of that name is, else behind all others.
    Last,
}

/// Whether a clip of that name is one that [`with_range_clips`] writes.
pub(super) fn is_range_clip(name: &str) -> bool {
    name.strip_prefix(NAME)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with(','))
}

/// The document with a clip for each of these skins, in place of all that this function wrote into it before. A
/// clip stands at bind at time 0, moves to each pose in turn and stands there for a moment, and ends at bind: the
/// pose numbered n, from 1, stands from `n * 0.75` seconds on. It shows the skeleton where the file shows its first
/// root joint. Every joint gets a rotation channel, so that a file saved mid-pose starts from bind too.
///
/// # Errors
/// [`Error::Input`] if a joint would have to shear, or the skeleton is not of this document.
pub fn with_range_clips(
    document: &Document,
    clips: &[RangeClip],
    place: ClipPlace,
) -> Result<Document, Error> {
    let mut patch = Patch::new(document);
    let mut animations = take_animations(&mut patch)?;
    let is_old = |clip: &Value| clip["name"].as_str().is_some_and(is_range_clip);
    let old: Vec<Value> = animations
        .iter()
        .filter(|clip| is_old(clip))
        .cloned()
        .collect();
    let others = animations.iter().filter(|clip| !is_old(clip)).cloned();
    // While nothing of the old clips stands in the document, what they alone refer to is free.
    set_animations(&mut patch, others.collect());
    let samplers = old.iter().filter_map(|clip| clip["samplers"].as_array());
    let accessors = samplers
        .flatten()
        .flat_map(|sampler| [&sampler["input"], &sampler["output"]])
        .filter_map(|index| usize::try_from(whole(index)?).ok());
    patch.release(accessors.collect::<Vec<_>>());

    let mut made = Vec::new();
    for (index, clip) in clips.iter().enumerate() {
        let mut animation = Map::new();
        animation.insert("name".into(), json!(name(clips, index)));
        Track::all(&mut patch, document, clip)?.put(&mut animation);
        made.push(animation.into());
    }
    match place {
        ClipPlace::First => {
            animations.retain(|clip| !is_old(clip));
            animations.splice(0..0, made);
        }
        ClipPlace::Last => {
            for clip in made {
                let same = animations
                    .iter()
                    .position(|other| is_old(other) && other["name"] == clip["name"]);
                match same {
                    Some(place) => animations[place] = clip,
                    None => animations.push(clip),
                }
            }
            let names: Vec<String> = (0..clips.len()).map(|index| name(clips, index)).collect();
            animations.retain(|clip| {
                !is_old(clip) || names.iter().any(|name| clip["name"] == name.as_str())
            });
        }
    }
    set_animations(&mut patch, animations);
    patch.finish()
}

/// The name of a clip; where skins have one name, by number.
fn name(clips: &[RangeClip], index: usize) -> String {
    let skin = clips[index].skin;
    if clips.len() == 1 {
        NAME.to_owned()
    } else if clips.iter().filter(|clip| clip.skin == skin).count() == 1 {
        format!("{NAME}, {skin}")
    } else {
        format!("{NAME}, {skin} #{index}")
    }
}

fn take_animations(patch: &mut Patch) -> Result<Vec<Value>, Fault> {
    match patch.json().get("animations") {
        None | Some(Value::Null) => Ok(Vec::new()),
        Some(Value::Array(animations)) => Ok(animations.clone()),
        Some(_) => {
            let path = &patch.document().path;
            Err(Fault::new(path, "animations", "an array", "something else"))
        }
    }
}

/// Writes the list; one without elements is none (§5.17).
fn set_animations(patch: &mut Patch, animations: Vec<Value>) {
    if let Some(root) = patch.json().as_object_mut() {
        if animations.is_empty() {
            root.shift_remove("animations");
        } else {
            root.insert("animations".into(), Value::Array(animations));
        }
    }
}

/// The keys of one property of one node: times in seconds, and three or four numbers each.
#[derive(Default)]
struct Track {
    times: Vec<f32>,
    values: Vec<f32>,
}

impl Track {
    /// The samplers and channels of a clip.
    fn all(patch: &mut Patch, document: &Document, clip: &RangeClip) -> Result<Channels, Error> {
        let skeleton = clip.skeleton;
        let nodes = Nodes::of_skeleton(document, skeleton)?;
        let keys = keys(document, &nodes, skeleton, clip.poses)?;
        let mut channels = Channels::default();
        for (joint, keys) in skeleton.joints().iter().zip(&keys) {
            let own = &nodes.nodes[joint.node];
            let own = match own.parts {
                Some(parts) => parts,
                // That at bind if it shears, which parts cannot say.
                None => to_parts(patch, joint.node, parts(&own.local).unwrap_or(keys[0]))?,
            };
            let turns = near(keys.iter().map(|key| key.rotation.coords));
            let mut tracks = vec![(Path::Rotation, Self::new(&turns, halfway))];
            type Part = fn(&Trs) -> Vector3<f64>;
            let parts: [(Path, Part); 2] = [
                (Path::Translation, |trs| trs.translation),
                (Path::Scale, |trs| trs.scale),
            ];
            for (path, part) in parts {
                if keys.iter().any(|key| differs(&part(key), &part(&own))) {
                    let first = part(&keys[0]);
                    let moves = keys.iter().any(|key| differs(&part(key), &first));
                    let values = keys.iter().map(|key| if moves { part(key) } else { first });
                    let mean = |a: &Vector3<f64>, b: &Vector3<f64>| (a + b) / 2.0;
                    let values: Vec<Vector3<f64>> = values.collect();
                    tracks.push((path, Self::new(&values, mean)));
                }
            }
            for (path, track) in tracks {
                channels.push(patch, (joint.node, path), &track.times, &track.values)?;
            }
        }
        Ok(channels)
    }

    /// From what stands at bind, in each pose and at bind again. What does not change between two poses needs no
    /// keys there.
    fn new<const N: usize>(
        stands: &[SVector<f64, N>],
        half: impl Fn(&SVector<f64, N>, &SVector<f64, N>) -> SVector<f64, N>,
    ) -> Self {
        let mut track = Self::default();
        track.push(0.0, &stands[0]);
        for (pose, pair) in stands.windows(2).enumerate() {
            let (from, to) = (&pair[0], &pair[1]);
            if from == to {
                continue;
            }
            let leave = pose as f64 * SECONDS_PER_POSE + SECONDS_HELD;
            track.push(leave, from);
            let middle = half(from, to);
            let near = |end: &SVector<f64, N>| half(end, &half(end, &middle));
            let between = [near(from), middle, near(to)];
            for (moment, value) in MOMENTS.iter().zip(&between) {
                track.push(leave + moment * (SECONDS_PER_POSE - SECONDS_HELD), value);
            }
            track.push((pose + 1) as f64 * SECONDS_PER_POSE, to);
        }
        // Every channel lasts as long as the clip.
        let end = (stands.len() - 1) as f64 * SECONDS_PER_POSE;
        if track.times.last() != Some(&(end as f32)) {
            track.push(end, &stands[stands.len() - 1]);
        }
        track
    }

    fn push<const N: usize>(&mut self, time: f64, value: &SVector<f64, N>) {
        self.times.push(time as f32);
        self.values.extend(value.iter().map(|&x| x as f32));
    }
}

/// For each joint, its node's transform at bind, in each pose, and at bind again.
fn keys(
    document: &Document,
    nodes: &Nodes,
    skeleton: &Skeleton,
    poses: &[Pose],
) -> Result<Vec<Vec<Trs>>, Error> {
    let placement = skins::placement(nodes, skeleton);
    // Static transforms between a joint and the joint above it, its own node left out.
    let marked = skins::marked(nodes, skeleton);
    let between = nodes.relative_to_marked(&marked, |node| {
        if marked[node] {
            Matrix4::identity()
        } else {
            nodes.nodes[node].local
        }
    });
    let mut faults = Vec::new();
    let mut all = Vec::new();
    for (j, joint) in skeleton.joints().iter().enumerate() {
        let id = JointId(j as u16);
        let at = || document.item("nodes", joint.node);
        let Some(undo) = between[joint.node].try_inverse() else {
            faults.push(at().found("parents whose transform has an inverse", "a scale of zero"));
            continue;
        };
        let before = match joint.parent {
            Some(_) => undo,
            None => undo * placement,
        };
        let stand = |own: &Move| parts(&(before * joint.bind_local.matrix(own)));
        let bind = stand(&Move::still());
        let stands = poses.iter().map(|pose| pose.of(id).map_or(bind, stand));
        let keys: Option<Vec<Trs>> = std::iter::once(bind).chain(stands).chain([bind]).collect();
        match keys {
            Some(keys) => all.push(keys),
            None => faults.push(
                at().found(
                    "a joint that turns without shear",
                    "scales above it that differ by axis",
                )
                .remedy("apply the scale of the skeleton in the program that wrote the file"),
            ),
        }
    }
    if faults.is_empty() {
        Ok(all)
    } else {
        Err(Error::Input(faults))
    }
}

/// The matrix as translation, rotation and scale; `None` if it shears or has no inverse.
pub(super) fn parts(matrix: &Matrix4<f64>) -> Option<Trs> {
    parts_within(matrix, SHEAR_TOLERANCE)
}

/// The same with another share of the largest stretch that counts as shear.
pub(super) fn parts_within(matrix: &Matrix4<f64>, tolerance: f64) -> Option<Trs> {
    let (rotation, stretch): (_, Matrix3<f64>) = polar(&matrix.fixed_view::<3, 3>(0, 0).into())?;
    let scale = stretch.diagonal();
    let beside = stretch - Matrix3::from_diagonal(&scale);
    if beside.amax() > tolerance * scale.amax() {
        return None;
    }
    Some(Trs {
        translation: matrix.fixed_view::<3, 1>(0, 3).into(),
        rotation,
        scale,
    })
}

pub(super) fn differs(a: &Vector3<f64>, b: &Vector3<f64>) -> bool {
    (a - b).amax() > SAME * a.amax().max(b.amax())
}

/// Rotations as x, y, z, w; each on the near side of the one before, so that all go the shorter way.
pub(super) fn near(rotations: impl Iterator<Item = Vector4<f64>>) -> Vec<Vector4<f64>> {
    let mut last = None;
    rotations
        .map(|mut coords| {
            if last.is_some_and(|last| coords.dot(&last) < 0.0) {
                coords = -coords;
            }
            last = Some(coords);
            coords
        })
        .collect()
}

/// The rotation halfway between two that are at most half a turn apart: never zero, since they are on one side.
fn halfway(a: &Vector4<f64>, b: &Vector4<f64>) -> Vector4<f64> {
    (a + b).normalize()
}

/// A node with a matrix cannot be animated (glTF 2.0 §3.5.3): gives it these parts in its place.
pub(super) fn to_parts(patch: &mut Patch, index: usize, parts: Trs) -> Result<Trs, Error> {
    let object = member(patch, "nodes", index)?;
    object.shift_remove("matrix");
    parts.put(object);
    Ok(parts)
}
