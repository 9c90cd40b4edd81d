//! From a document to characters: which meshes belong to which skin, and what the writer will patch.

use std::collections::HashMap;

use nalgebra::Matrix4;
use serde_json::Value;

use super::document::Document;
use super::geometry::{Geometry, MeshUse, Stretch};
use super::helpers;
use super::nodes::Nodes;
use super::old_weights::{self, Sources};
use super::skins::{self, Skin};
use super::unbound;
use crate::error::{Error, Fault};
use crate::rig::{Character, JointId, RawWeights, Surface};

/// A character with what reading it brought to light.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// Its skeleton, surface and weights.
    pub character: Character,
    /// What a user should know about the file, in whole sentences.
    pub notes: Vec<String>,
    /// What a user should know about the skin itself (weights that had to be mended, a saved pose), in
    /// whole sentences. `inspect` finds these by itself.
    pub skin_notes: Vec<String>,
    /// Whether the file binds no vertex to the skeleton yet.
    pub unbound: bool,
    /// The helper joints that [`super::with_joints`] added before, in rising order, and what it wrote about each.
    pub helpers: Vec<(JointId, Value)>,
    /// Which objects of the file the weights go to.
    pub target: Target,
}

/// The objects of a document that [`super::with_weights`] patches for one character.
#[derive(Clone, Debug)]
pub struct Target {
    pub(super) skin: Skin,
    pub(super) uses: Vec<MeshUse>,
    /// One for each part of the character, in the same order.
    pub(super) stretches: Vec<Stretch>,
    /// Whether nodes and skins must be tied together first.
    pub(super) tie: bool,
}

/// All characters of a document: one for each skin that a mesh uses, in the order of skins.
///
/// A file may also be unbound: a mesh with a skin but without joints; one skin object that no node
/// uses, beside plain meshes; or no skin at all, where `skeleton` then names the node (or `#index`)
/// whose subtree holds the joints. All lengths are those of mesh space: the space that the inverse
/// bind matrices map from (glTF 2.0 §3.7.3).
///
/// # Errors
/// [`Error::Input`] with all faults of the file; [`Error::Setting`] if `skeleton` does not fit it.
pub fn characters(document: &Document, skeleton: Option<&str>) -> Result<Vec<Loaded>, Error> {
    let nodes = Nodes::read(document)?;
    let skinned = nodes
        .nodes
        .iter()
        .any(|node| node.mesh.is_some() && node.skin.is_some());
    if let (Some(name), true) = (skeleton, document.count("skins") > 0) {
        let fault = Fault::new(
            &document.path,
            "skins",
            "no skin where a skeleton is named",
            format!(
                "{} skins and the skeleton {name:?}",
                document.count("skins")
            ),
        );
        return Err(Error::Setting(vec![fault.remedy(
            "leave the skeleton out: the file says itself what its joints are",
        )]));
    }
    if skinned {
        bound(document, &nodes)
    } else {
        Ok(vec![unbound::character(document, &nodes, skeleton)?])
    }
}

fn bound(document: &Document, nodes: &Nodes) -> Result<Vec<Loaded>, Error> {
    let mut faults = Vec::new();
    let mut loaded: Vec<Loaded> = Vec::new();
    let mut notes = Vec::new();
    // The skin that moves each mesh, with its number of joints.
    let mut claims: Vec<Option<(usize, usize)>> = vec![None; document.count("meshes")];
    for index in 0..document.count("skins") {
        let shown: Vec<(usize, usize)> = nodes
            .nodes
            .iter()
            .enumerate()
            .filter(|(_, node)| node.skin == Some(index))
            .filter_map(|(i, node)| Some((i, node.mesh?)))
            .collect();
        if shown.is_empty() {
            continue;
        }
        let skin = match Skin::read(document, index) {
            Ok(skin) => skin,
            Err(more) => {
                faults.extend(more);
                continue;
            }
        };
        let mut uses: Vec<MeshUse> = Vec::new();
        let mut use_of: HashMap<usize, usize> = HashMap::new();
        for (node, mesh) in shown {
            match claims[mesh] {
                Some((owner, joints)) if owner != index => {
                    if skin.joints.len() < joints {
                        faults.push(document.item("nodes", node).get("skin").found(
                            format!(
                                "at least the {joints} joints of skins[{owner}], which moves the same mesh"
                            ),
                            skin.joints.len().to_string(),
                        ));
                    }
                    notes.push(format!(
                        "meshes[{mesh}] is moved by skins[{owner}] and skins[{index}]: its weights \
                         are those for skins[{owner}]"
                    ));
                }
                Some(_) => {
                    if let Some(&known) = use_of.get(&mesh) {
                        uses[known].nodes.push(node);
                    }
                }
                None => {
                    claims[mesh] = Some((index, skin.joints.len()));
                    use_of.insert(mesh, uses.len());
                    uses.push(MeshUse {
                        mesh,
                        nodes: vec![node],
                        copy: false,
                        space: Matrix4::identity(),
                    });
                }
            }
        }
        if uses.is_empty() {
            continue;
        }
        match assemble(document, nodes, skin, uses, false) {
            Ok(Some(one)) => loaded.push(one),
            Ok(None) => notes.push(format!("skins[{index}] moves no triangles: left as it is")),
            Err(more) => faults.extend(more),
        }
    }
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }
    match loaded.first_mut() {
        Some(first) => first.notes.extend(notes),
        None => {
            let fault = Fault::new(
                &document.path,
                "meshes",
                "a skinned mesh with triangles",
                "none",
            );
            return Err(fault
                .remedy("export the character's mesh as triangles")
                .into());
        }
    }
    Ok(loaded)
}

/// Reads the meshes of a skin; `None` if they have no triangles.
pub(super) fn assemble(
    document: &Document,
    nodes: &Nodes,
    mut skin: Skin,
    uses: Vec<MeshUse>,
    mut tie: bool,
) -> Result<Option<Loaded>, Vec<Fault>> {
    let mut faults = Vec::new();
    let mut geometry = Geometry::read(document, &uses, &mut faults);
    if !faults.is_empty() {
        return Err(faults);
    }
    if geometry.triangles.is_empty() {
        return Ok(None);
    }
    let bare = bare_primitives(&geometry, &uses);
    let primitives: usize = geometry.stretches.iter().map(|s| s.primitives.len()).sum();
    let unbound = tie || bare.len() == primitives;
    if !unbound && !bare.is_empty() {
        return Err(bare
            .iter()
            .map(|path| {
                Fault::new(
                    &document.path,
                    format!("{path}.attributes[\"JOINTS_0\"]"),
                    "joints and weights, as other primitives of the same skin have them",
                    "none",
                )
                .remedy("bind every mesh of the skin, or remove the weights from all of them")
            })
            .collect());
    }

    let mut notes = std::mem::take(&mut geometry.notes);
    let inverse_bind = match (&skin.inverse_bind, unbound) {
        (Some(matrices), _) => matrices.clone(),
        (None, true) => {
            if skin.index.is_some() {
                notes.push(
                    "the skin has no inverse bind matrices: the pose that the file was saved in is \
                     taken as bind pose"
                        .into(),
                );
            }
            tie = true;
            skin.bind_as_saved(document, nodes).map_err(|f| vec![f])?
        }
        (None, false) => {
            // `assemble` gets skins without an index only while they are unbound.
            let at = document.item("skins", skin.index.unwrap_or(0));
            return Err(vec![
                at.get("inverseBindMatrices")
                    .found(
                        "inverse bind matrices, since the mesh has weights",
                        "none, which by the standard makes every bind transform the identity",
                    )
                    .remedy("export the file with inverse bind matrices"),
            ]);
        }
    };
    let skeleton = skin
        .skeleton(document, nodes, &inverse_bind)
        .map_err(|fault| vec![fault])?;
    skin.inverse_bind = Some(inverse_bind);

    let surface = Surface::weld(&geometry.raw, &geometry.triangles);
    let mut skin_notes = Vec::new();
    let weights = if unbound {
        None
    } else {
        let joints = skeleton.joints().len();
        let sources = Sources::read(document, &geometry, &uses, joints)?;
        let (weights, more) = old_weights::merge(&sources, &surface);
        skin_notes.extend(more);
        Some(weights)
    };
    fill_materials(&mut geometry, &surface);
    let saved_pose = skins::saved_pose(nodes, &skeleton, surface.diagonal());
    if let Some(saved) = saved_pose {
        skin_notes.push(format!(
            "the file was saved out of bind pose (joints turned by up to {:.1} degrees, moved by up \
             to {:.2} % of its size); the bind pose is that of the inverse bind matrices",
            saved.turn_degrees, saved.shift_percent
        ));
    }
    let helpers = helpers::of(document, &skeleton);
    let name = skin
        .name
        .clone()
        .or_else(|| {
            let mesh = document.item("meshes", uses[0].mesh);
            mesh.name().map(str::to_owned)
        })
        .unwrap_or_else(|| format!("skin {}", skin.index.unwrap_or(0)));
    let placement = skins::placement(nodes, &skeleton);
    let scene_scale = skins::scale_of(&placement);
    Ok(Some(Loaded {
        character: Character {
            name,
            skeleton,
            surface,
            weights,
            parts: geometry.parts,
            scene_scale,
            placement,
            saved_pose,
        },
        notes,
        skin_notes,
        unbound,
        helpers,
        target: Target {
            skin,
            uses,
            stretches: geometry.stretches,
            tie,
        },
    }))
}

impl Loaded {
    /// The number of its skin in the file; `None` for one that is still to be written.
    pub fn skin(&self) -> Option<usize> {
        self.target.skin.index
    }
}

/// The meshes of a character that `keep` says yes of, as a character of their own; `None` if they have no triangles. It
/// gets the names that a mesh goes by: those of its nodes, then its own; and the part goes by the first name of its
/// first mesh. `loaded` comes from [`characters`] and the same document.
///
/// # Errors
/// As of [`characters`].
pub fn part_of(
    document: &Document,
    loaded: &Loaded,
    keep: &dyn Fn(&[String]) -> bool,
) -> Result<Option<Loaded>, Error> {
    let all = &loaded.target.uses;
    let kept = all.iter().filter(|one| keep(&names(document, one)));
    let uses: Vec<MeshUse> = kept.cloned().collect();
    if uses.len() == all.len() {
        return Ok(Some(loaded.clone()));
    }
    let Some(first) = uses.first() else {
        return Ok(None);
    };
    let name = names(document, first).into_iter().next();
    let nodes = Nodes::read(document)?;
    let (skin, tie) = (loaded.target.skin.clone(), loaded.target.tie);
    let part = assemble(document, &nodes, skin, uses, tie).map_err(Error::Input)?;
    Ok(part.map(|mut part| {
        part.character.name = name.unwrap_or(part.character.name);
        part
    }))
}

/// The names that a mesh goes by.
fn names(document: &Document, mesh: &MeshUse) -> Vec<String> {
    let name = |list, index| document.item(list, index).name().map(str::to_owned);
    let nodes = mesh.nodes.iter().filter_map(|&node| name("nodes", node));
    nodes.chain(name("meshes", mesh.mesh)).collect()
}

/// The weights of a character as its file has them; `None` if it has none. `loaded` comes from
/// [`characters`] and the same document, which is decoded once more.
///
/// # Errors
/// [`Error::Input`]: a joint number beyond the skin, where reading passed over it because another
/// primitive decides for the vertex.
pub fn raw_weights(document: &Document, loaded: &Loaded) -> Result<Option<RawWeights>, Error> {
    if loaded.unbound {
        return Ok(None);
    }
    let mut faults = Vec::new();
    let uses = &loaded.target.uses;
    let geometry = Geometry::read(document, uses, &mut faults);
    if !faults.is_empty() {
        return Err(Error::Input(faults));
    }
    let joints = loaded.character.skeleton.joints().len();
    let sources = Sources::read(document, &geometry, uses, joints).map_err(Error::Input)?;
    Ok(Some(sources.raw(document, &geometry, joints)?))
}

/// Gives each material the welded vertices that are drawn in it, each once, in rising order.
fn fill_materials(geometry: &mut Geometry, surface: &Surface) {
    let mut seen = vec![false; surface.len()];
    for (part, stretch) in geometry.parts.iter_mut().zip(&geometry.stretches) {
        for ((_, vertices), primitive) in part.materials.iter_mut().zip(&stretch.primitives) {
            let corners = geometry.triangles[primitive.triangles.clone()].as_flattened();
            let welded = corners.iter().map(|&raw| surface.welded[raw as usize]);
            vertices.extend(welded.filter(|&v| !std::mem::replace(&mut seen[v as usize], true)));
            for &v in vertices.iter() {
                seen[v as usize] = false;
            }
            vertices.sort_unstable();
        }
    }
}

/// The paths of triangle primitives without joints.
fn bare_primitives(geometry: &Geometry, uses: &[MeshUse]) -> Vec<String> {
    let mut bare = Vec::new();
    for stretch in &geometry.stretches {
        for primitive in stretch.primitives.iter().filter(|p| p.sets.is_empty()) {
            bare.push(format!(
                "meshes[{}].primitives[{}]",
                uses[stretch.mesh_use].mesh, primitive.index
            ));
        }
    }
    bare
}
