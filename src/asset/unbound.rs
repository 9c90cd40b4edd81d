//! Files whose meshes are not bound to a skeleton yet: one skin object that no node uses, or none at all.

use nalgebra::Matrix4;

use super::document::Document;
use super::geometry::MeshUse;
use super::nodes::Nodes;
use super::read::{Loaded, assemble};
use super::skins::{self, Skin};
use crate::error::{Error, Fault};

/// Matrices that agree to this share of their largest entry are the same: f32 rounding through a
/// chain of nodes.
const SAME_MATRIX: f64 = 1e-5;

/// Names of possible skeletons that a fault lists.
const MOST_CANDIDATES: usize = 5;

/// More mesh nodes than that are a scene, not a character.
const MOST_MESHES: usize = 4096;

/// Reads the one character of a file without any skinned mesh.
pub(super) fn character(
    document: &Document,
    nodes: &Nodes,
    skeleton: Option<&str>,
) -> Result<Loaded, Error> {
    let skin = match document.count("skins") {
        0 => skin_below(document, nodes, skeleton)?,
        1 => Skin::read(document, 0).map_err(Error::Input)?,
        several => {
            let fault = Fault::new(
                &document.path,
                "skins",
                "one skin, since no mesh says which one moves it",
                several.to_string(),
            );
            return Err(fault
                .remedy("give each mesh node its skin, or export one character a file")
                .into());
        }
    };
    let mut notes = Vec::new();
    let (uses, note) = uses(document, nodes, &skin)?;
    notes.extend(note);
    let mut loaded = assemble(document, nodes, skin, uses, true)
        .map_err(Error::Input)?
        .ok_or_else(|| nothing(document))?;
    loaded.notes.extend(notes);
    Ok(loaded)
}

fn nothing(document: &Document) -> Fault {
    Fault::new(
        &document.path,
        "meshes",
        "a mesh with triangles to bind",
        "none",
    )
    .remedy("export the character's mesh along with its skeleton")
}

/// A skin of the named node and everything below it that is no mesh and no camera.
fn skin_below(document: &Document, nodes: &Nodes, skeleton: Option<&str>) -> Result<Skin, Error> {
    let bone = |i: usize| nodes.nodes[i].mesh.is_none() && !nodes.nodes[i].has_camera;
    let candidates = || {
        let names: Vec<String> = nodes
            .order
            .iter()
            .filter(|&&i| bone(i) && nodes.nodes[i].children.iter().any(|&child| bone(child)))
            .take(MOST_CANDIDATES)
            .map(|&i| format!("{:?}", nodes.label(i)))
            .collect();
        if names.is_empty() {
            "export the character with its skeleton".to_owned()
        } else {
            format!(
                "give --skeleton with the root joint, such as {}",
                names.join(" or ")
            )
        }
    };
    let Some(wanted) = skeleton else {
        let fault = Fault::new(
            &document.path,
            "skins",
            "a skin, or a joint tree named with --skeleton",
            "neither",
        );
        return Err(fault.remedy(candidates()).into());
    };
    let by_number = wanted
        .strip_prefix('#')
        .and_then(|digits| digits.parse::<usize>().ok())
        .filter(|&i| i < nodes.nodes.len());
    let by_name: Vec<usize> = (0..nodes.nodes.len())
        .filter(|&i| nodes.nodes[i].name.as_deref() == Some(wanted))
        .collect();
    let root = match (by_name.as_slice(), by_number) {
        (&[one], _) | (&[], Some(one)) => one,
        (several, _) => {
            let found = match several.len() {
                0 => "no node of that name".to_owned(),
                n => format!("{n} nodes of that name"),
            };
            let remedy = if several.is_empty() {
                candidates()
            } else {
                let numbers: Vec<String> = several
                    .iter()
                    .take(MOST_CANDIDATES)
                    .map(|i| format!("\"#{i}\""))
                    .collect();
                format!("name it by number: {}", numbers.join(", "))
            };
            let fault = Fault::new(
                &document.path,
                "nodes",
                format!("one node {wanted:?}"),
                found,
            );
            return Err(Error::Setting(vec![fault.remedy(remedy)]));
        }
    };
    let mut marked = vec![false; nodes.nodes.len()];
    marked[root] = true;
    let below = nodes.at_or_below(&marked);
    let joints: Vec<usize> = nodes
        .order
        .iter()
        .copied()
        .filter(|&i| below[i] && bone(i))
        .collect();
    if joints.is_empty() {
        let fault = document
            .item("nodes", root)
            .found("a node with joints", "a mesh or camera without any below");
        return Err(Error::Setting(vec![fault.remedy(candidates())]));
    }
    Ok(Skin {
        index: None,
        name: nodes.nodes[root].name.clone(),
        joints,
        inverse_bind: None,
    })
}

/// The meshes to bind, each with its place in mesh space.
fn uses(
    document: &Document,
    nodes: &Nodes,
    skin: &Skin,
) -> Result<(Vec<MeshUse>, Option<String>), Error> {
    let mut joint = vec![false; nodes.nodes.len()];
    for &node in &skin.joints {
        joint[node] = true;
    }
    let carried = nodes.at_or_below(&joint);
    let meshes: Vec<(usize, usize)> = nodes
        .nodes
        .iter()
        .enumerate()
        .filter_map(|(i, node)| Some((i, node.mesh?)))
        .collect();
    // What hangs on a joint is a prop that follows it, unless that leaves nothing to bind.
    let mut bound: Vec<(usize, usize)> = meshes
        .iter()
        .copied()
        .filter(|&(node, _)| !carried[node])
        .collect();
    let mut note = None;
    if bound.is_empty() && !meshes.is_empty() {
        bound = meshes;
        note = Some("all meshes hang on joints: bound to the skeleton all the same".to_owned());
    } else if bound.len() < meshes.len() {
        note = Some(format!(
            "{} mesh nodes hang on joints and follow them: not bound",
            meshes.len() - bound.len()
        ));
    }
    if bound.is_empty() {
        return Err(nothing(document).into());
    }
    if bound.len() > MOST_MESHES {
        let fault = Fault::new(
            &document.path,
            "nodes",
            format!("at most {MOST_MESHES} mesh nodes to bind"),
            bound.len().to_string(),
        );
        return Err(fault
            .remedy("join meshes, or export one character a file")
            .into());
    }
    let unplace = unplacement(document, nodes, skin, &bound)?;
    let mut uses: Vec<MeshUse> = Vec::new();
    for (node, mesh) in bound {
        let space = exact_identity(unplace * nodes.nodes[node].world);
        let known = uses
            .iter_mut()
            .find(|known| known.mesh == mesh && same(&known.space, &space));
        if let Some(known) = known {
            known.nodes.push(node);
            continue;
        }
        // Matrices equal up to rounding share one skin object later.
        let space = uses
            .iter()
            .map(|known| known.space)
            .find(|known| same(known, &space))
            .unwrap_or(space);
        uses.push(MeshUse {
            mesh,
            nodes: vec![node],
            copy: uses.iter().any(|known| known.mesh == mesh),
            space,
        });
    }
    Ok((uses, note))
}

/// Scene space to the space that the inverse bind matrices map from.
///
/// Most files have them map from the scene. Some have them map from the mesh's own space, as they
/// would if the mesh were bound: then the root joint, as displayed, places mesh space just where the
/// mesh node places its mesh. Anything else is a root moved since bind, and says nothing.
fn unplacement(
    document: &Document,
    nodes: &Nodes,
    skin: &Skin,
    meshes: &[(usize, usize)],
) -> Result<Matrix4<f64>, Error> {
    let Some(inverse_bind) = &skin.inverse_bind else {
        return Ok(Matrix4::identity());
    };
    let skeleton = skin.skeleton(document, nodes, inverse_bind)?;
    let placement = skins::placement(nodes, &skeleton);
    let of_a_mesh = meshes
        .iter()
        .any(|&(node, _)| same(&placement, &nodes.nodes[node].world));
    if !of_a_mesh || same(&placement, &Matrix4::identity()) {
        return Ok(Matrix4::identity());
    }
    Ok(placement.try_inverse().unwrap_or_else(Matrix4::identity))
}

fn exact_identity(matrix: Matrix4<f64>) -> Matrix4<f64> {
    if same(&matrix, &Matrix4::identity()) {
        Matrix4::identity()
    } else {
        matrix
    }
}

fn same(a: &Matrix4<f64>, b: &Matrix4<f64>) -> bool {
    (a - b).amax() <= SAME_MATRIX * a.amax().max(b.amax())
}
