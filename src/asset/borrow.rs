//! A skeleton from another file, for meshes that come without one.

use nalgebra::Matrix4;
use serde_json::{Value, json};

use super::accessor::Component;
use super::document::Document;
use super::patch::{NewAccessor, Patch};
use super::write::member;
use crate::error::{Error, Fault};
use crate::rig::Character;

/// The document with the joints of another character as nodes, at bind, and a skin of them that no mesh uses yet.
/// `placement` takes the mesh space of the other to the scene of this one. Transforms are matrices where a joint
/// shears, else parts, which clips can move.
///
/// # Errors
/// [`Error::Input`] if the document's scene is none, or the skeleton stands under a scale of zero.
pub fn with_skeleton_of(
    document: &Document,
    from: &Character,
    placement: &Matrix4<f64>,
) -> Result<Document, Error> {
    let skeleton = &from.skeleton;
    let mut patch = Patch::new(document);
    let first = document.count("nodes");
    let children = skeleton.children();
    let mut bytes = Vec::with_capacity(64 * children.len());
    for id in skeleton.ids() {
        let joint = skeleton.joint(id);
        let local = match joint.parent {
            None => placement * joint.bind_world,
            Some(_) => joint.bind_local.matrix(&crate::rig::Move::still()),
        };
        let mut node = json!({ "name": joint.name });
        match super::range_clip::parts(&local) {
            Some(parts) => {
                node["translation"] = json!(parts.translation.as_slice());
                node["rotation"] = json!(parts.rotation.coords.as_slice());
                node["scale"] = json!(parts.scale.as_slice());
            }
            None => node["matrix"] = json!(local.as_slice()),
        }
        let below: Vec<usize> = children[id.index()]
            .iter()
            .map(|c| first + c.index())
            .collect();
        if !below.is_empty() {
            node["children"] = json!(below);
        }
        patch.put("nodes", None, node)?;
        let world = placement * joint.bind_world;
        let mut inverse: Matrix4<f64> = world.try_inverse().ok_or_else(|| {
            let part = format!("joint {:?} of {:?}", joint.name, from.name);
            Fault::new(
                &document.path,
                part,
                "a transform with an inverse",
                "a scale of zero above it",
            )
        })?;
        // The inverse of an affine matrix is one: only rounding could say otherwise.
        inverse.set_row(3, &nalgebra::RowVector4::new(0.0, 0.0, 0.0, 1.0));
        for number in inverse.iter() {
            bytes.extend((*number as f32).to_le_bytes());
        }
    }
    let matrices = patch.add(&NewAccessor {
        component: Component::F32.code(),
        kind: "MAT4",
        count: children.len(),
        normalized: false,
        bounds: None,
        bytes: &bytes,
        vertices: false,
    })?;
    let joints: Vec<usize> = skeleton.ids().map(|id| first + id.index()).collect();
    let skin = json!({ "name": from.name, "joints": joints, "inverseBindMatrices": matrices });
    patch.put("skins", None, skin)?;
    let roots = skeleton
        .ids()
        .filter(|&id| skeleton.joint(id).parent.is_none());
    let roots: Vec<Value> = roots.map(|id| json!(first + id.index())).collect();
    let scene = document.json()["scene"].as_u64().unwrap_or(0) as usize;
    let scene = member(&mut patch, "scenes", scene)?;
    match scene
        .entry("nodes")
        .or_insert_with(|| json!([]))
        .as_array_mut()
    {
        Some(nodes) => nodes.extend(roots),
        None => {
            let fault = Fault::new(
                &document.path,
                "scenes",
                "a list of nodes",
                "something else",
            );
            return Err(fault.into());
        }
    }
    patch.finish()
}
