//! A pose set as a clip that any viewer plays.

use nalgebra::{Matrix3, Matrix4, UnitQuaternion, Vector3};
use serde_json::{Value, json};

use super::accessor::Component;
use super::document::Document;
use super::nodes::{Node, Nodes, Trs};
use super::patch::{NewAccessor, Patch};
use super::skins;
use super::write::member;
use crate::error::{Error, Fault};
use crate::rig::{JointId, Pose, Skeleton, polar};

/// A stretch is a scale along the axes if nothing beside the diagonal exceeds this share of it: glTF
/// nodes cannot shear.
const SHEAR_TOLERANCE: f64 = 1e-2;

/// Translations and scales that differ from a node's own by less are left to the node; a share of
/// the larger one.
const SAME: f64 = 1e-6;

/// The document with a clip of the poses, first among its animations: bind at time 0, then each pose,
/// `seconds_per_pose` apart, linear between. It shows the skeleton where the file shows its first root
/// joint. Every joint gets a rotation channel, so that a file saved mid-pose starts from bind too.
///
/// Animations after it move up by one; nothing in the standard refers to them by number.
///
/// # Errors
/// [`Error::Input`] if a joint would have to shear, or the skeleton is not of this document.
pub fn with_pose_clip(
    document: &Document,
    skeleton: &Skeleton,
    poses: &[Pose],
    name: &str,
    seconds_per_pose: f64,
) -> Result<Document, Error> {
    if !(seconds_per_pose > 0.0 && seconds_per_pose.is_finite()) {
        let fault = Fault::new(
            &document.path,
            "seconds per pose",
            "more than 0",
            seconds_per_pose.to_string(),
        );
        return Err(Error::Setting(vec![fault]));
    }
    let nodes = Nodes::of_skeleton(document, skeleton)?;
    let keys = keys(document, &nodes, skeleton, poses)?;
    let mut patch = Patch::new(document);
    let times: Vec<f32> = (0..=poses.len())
        .map(|i| (i as f64 * seconds_per_pose) as f32)
        .collect();
    let last = times.last().copied().unwrap_or(0.0);
    let input = add(&mut patch, "SCALAR", 1, &times, Some([0.0, last]))?;
    // What stays the same needs its first and last moment only.
    let mut ends = None;

    let (mut samplers, mut channels) = (Vec::new(), Vec::new());
    for (joint, keys) in skeleton.joints().iter().zip(&keys) {
        let own = &nodes.nodes[joint.node];
        let own = match own.parts {
            Some(parts) => parts,
            None => to_parts(&mut patch, joint.node, own, &keys[0])?,
        };
        let mut channel = |patch: &mut Patch, path: &str, values: Vec<Vec<f64>>| {
            let constant = values.iter().all(|value| *value == values[0]);
            let shown = if constant && values.len() > 2 {
                &values[..2]
            } else {
                &values[..]
            };
            let numbers: Vec<f32> = shown.iter().flatten().map(|&x| x as f32).collect();
            let kind = if values[0].len() == 4 { "VEC4" } else { "VEC3" };
            let output = add(patch, kind, values[0].len(), &numbers, None)?;
            let input = match ends {
                _ if shown.len() == values.len() => input,
                Some(ends) => ends,
                None => *ends.insert(add(patch, "SCALAR", 1, &[0.0, last], Some([0.0, last]))?),
            };
            channels.push(json!({
                "sampler": samplers.len(),
                "target": { "node": joint.node, "path": path },
            }));
            samplers.push(json!({ "input": input, "interpolation": "LINEAR", "output": output }));
            Ok::<(), Error>(())
        };
        channel(&mut patch, "rotation", rotations(keys))?;
        if keys
            .iter()
            .any(|key| differs(&key.translation, &own.translation))
        {
            let values = keys.iter().map(|k| k.translation.as_slice().to_vec());
            channel(&mut patch, "translation", values.collect())?;
        }
        if keys.iter().any(|key| differs(&key.scale, &own.scale)) {
            let values = keys.iter().map(|k| k.scale.as_slice().to_vec());
            channel(&mut patch, "scale", values.collect())?;
        }
    }
    let clip = json!({ "name": name, "samplers": samplers, "channels": channels });
    let path = document.path.clone();
    let animations = patch
        .json()
        .as_object_mut()
        .map(|root| root.entry("animations").or_insert(Value::Null));
    match animations {
        Some(Value::Array(items)) => items.insert(0, clip),
        Some(missing @ Value::Null) => *missing = json!([clip]),
        _ => return Err(Fault::new(&path, "animations", "an array", "something else").into()),
    }
    patch.finish()
}

/// For each joint, its node's transform at bind and in each pose.
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
        let turn_in = |pose: &Pose| {
            let found = pose.rotations.binary_search_by_key(&id, |&(id, _)| id);
            found.map_or(UnitQuaternion::identity(), |i| pose.rotations[i].1)
        };
        let turns = std::iter::once(UnitQuaternion::identity()).chain(poses.iter().map(turn_in));
        let keys: Option<Vec<Trs>> = turns
            .map(|turn| parts(&(before * joint.bind_local.matrix(&turn))))
            .collect();
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
fn parts(matrix: &Matrix4<f64>) -> Option<Trs> {
    let (rotation, stretch): (_, Matrix3<f64>) = polar(&matrix.fixed_view::<3, 3>(0, 0).into())?;
    let scale = stretch.diagonal();
    let beside = stretch - Matrix3::from_diagonal(&scale);
    if beside.amax() > SHEAR_TOLERANCE * scale.amax() {
        return None;
    }
    Some(Trs {
        translation: matrix.fixed_view::<3, 1>(0, 3).into(),
        rotation,
        scale,
    })
}

fn differs(a: &Vector3<f64>, b: &Vector3<f64>) -> bool {
    (a - b).amax() > SAME * a.amax().max(b.amax())
}

/// Rotations as x, y, z, w; each on the near side of the one before.
fn rotations(keys: &[Trs]) -> Vec<Vec<f64>> {
    let mut last = keys[0].rotation.coords;
    keys.iter()
        .map(|key| {
            let mut coords = key.rotation.coords;
            if coords.dot(&last) < 0.0 {
                coords = -coords;
            }
            last = coords;
            coords.as_slice().to_vec()
        })
        .collect()
}

/// A node with a matrix cannot be animated (glTF 2.0 §3.5.3): gives it the same transform in parts,
/// or that at bind if it shears, which parts cannot say.
fn to_parts(patch: &mut Patch, index: usize, node: &Node, bind: &Trs) -> Result<Trs, Error> {
    let trs = parts(&node.local).unwrap_or(*bind);
    let object = member(patch, "nodes", index)?;
    object.shift_remove("matrix");
    object.insert("translation".into(), json!(trs.translation.as_slice()));
    object.insert("rotation".into(), json!(trs.rotation.coords.as_slice()));
    object.insert("scale".into(), json!(trs.scale.as_slice()));
    Ok(trs)
}

fn add(
    patch: &mut Patch,
    kind: &str,
    width: usize,
    numbers: &[f32],
    bounds: Option<[f32; 2]>,
) -> Result<usize, Error> {
    let bytes: Vec<u8> = numbers.iter().flat_map(|x| x.to_le_bytes()).collect();
    patch.add(&NewAccessor {
        component: Component::F32.code(),
        kind,
        count: numbers.len() / width,
        normalized: false,
        bounds,
        bytes: &bytes,
        vertices: false,
    })
}
