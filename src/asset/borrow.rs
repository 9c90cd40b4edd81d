//! A skeleton from another file, for meshes that come without one.

use nalgebra::Matrix4;
use serde_json::{Map, Value, json};

use super::document::Document;
use super::patch::Patch;
use super::range_clip::parts;
use super::write::{add_affine, member};
use crate::error::{Error, Fault};
use crate::rig::{Character, Move};

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
    let mut inverse_bind = Vec::with_capacity(children.len());
    for id in skeleton.ids() {
        let joint = skeleton.joint(id);
        let local = match joint.parent {
            None => placement * joint.bind_world,
            Some(_) => joint.bind_local.matrix(&Move::still()),
        };
        let mut node = Map::new();
        node.insert("name".into(), json!(joint.name));
        match parts(&local) {
            Some(parts) => parts.put(&mut node),
            None => _ = node.insert("matrix".into(), json!(local.as_slice())),
        }
        let below: Vec<usize> = children[id.index()]
            .iter()
            .map(|c| first + c.index())
            .collect();
        if !below.is_empty() {
            node.insert("children".into(), json!(below));
        }
        patch.put("nodes", None, node.into())?;
        let world = placement * joint.bind_world;
        inverse_bind.push(world.try_inverse().ok_or_else(|| {
            let part = format!("joint {:?} of {:?}", joint.name, from.name);
            Fault::new(
                &document.path,
                part,
                "a transform with an inverse",
                "a scale of zero above it",
            )
        })?);
    }
    let matrices = add_affine(&mut patch, inverse_bind.into_iter())?;
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
