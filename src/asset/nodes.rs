//! The node hierarchy (glTF 2.0 §3.5): a strict forest, with the transform that each node was saved with.

use nalgebra::{Matrix3, Matrix4, Quaternion, UnitQuaternion, Vector3};

use serde_json::{Map, Value, json};

use super::document::Document;
use super::json::{At, keep};
use crate::error::{Error, Fault};
use crate::rig::Skeleton;

/// A quaternion shorter than this says nothing about a rotation.
const LEAST_QUATERNION: f64 = 1e-6;

/// All nodes of a document.
pub(super) struct Nodes {
    pub nodes: Vec<Node>,
    /// Every node, each parent before its children.
    pub order: Vec<usize>,
}

/// One node, as it was saved.
pub(super) struct Node {
    pub name: Option<String>,
    pub parent: Option<usize>,
    pub children: Vec<usize>,
    pub mesh: Option<usize>,
    pub skin: Option<usize>,
    pub has_camera: bool,
    /// `None` if the node has a matrix in place of its parts.
    pub parts: Option<Trs>,
    pub local: Matrix4<f64>,
    pub world: Matrix4<f64>,
}

/// Translation, rotation and scale of a node.
#[derive(Clone, Copy, Debug)]
pub(super) struct Trs {
    pub translation: Vector3<f64>,
    pub rotation: UnitQuaternion<f64>,
    pub scale: Vector3<f64>,
}

impl Trs {
    /// Writes it into a node.
    pub fn put(&self, node: &mut Map<String, Value>) {
        node.insert("translation".into(), json!(self.translation.as_slice()));
        node.insert("rotation".into(), json!(self.rotation.coords.as_slice()));
        node.insert("scale".into(), json!(self.scale.as_slice()));
    }

    pub fn matrix(&self) -> Matrix4<f64> {
        let linear =
            self.rotation.to_rotation_matrix().into_inner() * Matrix3::from_diagonal(&self.scale);
        let mut matrix = linear.to_homogeneous();
        matrix
            .fixed_view_mut::<3, 1>(0, 3)
            .copy_from(&self.translation);
        matrix
    }
}

impl Nodes {
    /// Reads and checks all nodes.
    pub fn read(document: &Document) -> Result<Self, Error> {
        let (meshes, skins) = (document.count("meshes"), document.count("skins"));
        let count = document.count("nodes");
        let mut faults = Vec::new();
        let mut nodes = Vec::with_capacity(count);
        for i in 0..count {
            let at = document.item("nodes", i);
            nodes.extend(keep(node(&at, count, meshes, skins), &mut faults));
        }
        if faults.is_empty() {
            faults.extend(adopt(document, &mut nodes));
        }
        if !faults.is_empty() {
            return Err(Error::Input(faults));
        }
        let order = order(document, &nodes)?;
        for &i in &order {
            nodes[i].world = match nodes[i].parent {
                Some(parent) => nodes[parent].world * nodes[i].local,
                None => nodes[i].local,
            };
            if !nodes[i].world.iter().all(|x| x.is_finite()) {
                let fault = document
                    .item("nodes", i)
                    .found("a finite transform", "one that overflows");
                return Err(fault.into());
            }
        }
        Ok(Self { nodes, order })
    }

    /// The nodes of a document that a skeleton was read from.
    pub fn of_skeleton(document: &Document, skeleton: &Skeleton) -> Result<Self, Error> {
        let nodes = Self::read(document)?;
        if skeleton
            .joints()
            .iter()
            .any(|joint| joint.node >= nodes.nodes.len())
        {
            return Err(Fault::new(
                &document.path,
                "nodes",
                "the nodes of the skeleton",
                "fewer",
            )
            .into());
        }
        Ok(nodes)
    }

    /// Its name, else `#<index>`.
    pub fn label(&self, index: usize) -> String {
        self.nodes[index]
            .name
            .clone()
            .unwrap_or_else(|| format!("#{index}"))
    }

    /// For each node, whether it or an ancestor is marked.
    pub fn at_or_below(&self, marked: &[bool]) -> Vec<bool> {
        let mut below = marked.to_vec();
        for &i in &self.order {
            below[i] |= self.nodes[i].parent.is_some_and(|parent| below[parent]);
        }
        below
    }

    /// For each node, its nearest marked ancestor, itself not counted.
    pub fn nearest_above(&self, marked: &[bool]) -> Vec<Option<usize>> {
        let mut nearest = vec![None; self.nodes.len()];
        for &i in &self.order {
            if let Some(parent) = self.nodes[i].parent {
                nearest[i] = if marked[parent] {
                    Some(parent)
                } else {
                    nearest[parent]
                };
            }
        }
        nearest
    }

    /// For each node, its transform relative to its nearest marked ancestor (to the scene where
    /// there is none), with the locals given.
    pub fn relative_to_marked(
        &self,
        marked: &[bool],
        local: impl Fn(usize) -> Matrix4<f64>,
    ) -> Vec<Matrix4<f64>> {
        let mut relative = vec![Matrix4::identity(); self.nodes.len()];
        for &i in &self.order {
            relative[i] = match self.nodes[i].parent {
                Some(parent) if !marked[parent] => relative[parent] * local(i),
                _ => local(i),
            };
        }
        relative
    }
}

fn node(at: &At, count: usize, meshes: usize, skins: usize) -> Result<Node, Fault> {
    let children = at
        .get("children")
        .items()?
        .iter()
        .map(|child| child.index(count, "nodes"))
        .collect::<Result<Vec<_>, _>>()?;
    let (parts, local) = match at.get("matrix").numbers::<16>()? {
        Some(numbers) => (None, Matrix4::from_column_slice(&numbers)),
        None => {
            let parts = trs(at)?;
            (Some(parts), parts.matrix())
        }
    };
    Ok(Node {
        name: at.name().map(str::to_owned),
        parent: None,
        children,
        mesh: at.get("mesh").index_or_none(meshes, "meshes")?,
        skin: at.get("skin").index_or_none(skins, "skins")?,
        has_camera: !at.get("camera").is_missing(),
        parts,
        local,
        world: local,
    })
}

fn trs(at: &At) -> Result<Trs, Fault> {
    let translation = at.get("translation").numbers::<3>()?.unwrap_or([0.0; 3]);
    let scale = at.get("scale").numbers::<3>()?.unwrap_or([1.0; 3]);
    let rotation_at = at.get("rotation");
    let [x, y, z, w] = rotation_at.numbers::<4>()?.unwrap_or([0.0, 0.0, 0.0, 1.0]);
    let rotation = UnitQuaternion::try_new(Quaternion::new(w, x, y, z), LEAST_QUATERNION)
        .filter(|q| q.coords.iter().all(|x| x.is_finite()))
        .ok_or_else(|| rotation_at.found("a quaternion of length 1", "one without direction"))?;
    Ok(Trs {
        translation: translation.into(),
        rotation,
        scale: scale.into(),
    })
}

/// Tells every node its parent.
fn adopt(document: &Document, nodes: &mut [Node]) -> Vec<Fault> {
    let mut faults = Vec::new();
    for parent in 0..nodes.len() {
        for place in 0..nodes[parent].children.len() {
            let child = nodes[parent].children[place];
            if let Some(other) = nodes[child].parent {
                let at = document.item("nodes", parent).get("children").at(place);
                faults.push(at.found(
                    "each node to be the child of one node, once",
                    format!("node {child}, already a child of node {other}"),
                ));
            } else {
                nodes[child].parent = Some(parent);
            }
        }
    }
    faults
}

fn order(document: &Document, nodes: &[Node]) -> Result<Vec<usize>, Fault> {
    let mut order: Vec<usize> = Vec::with_capacity(nodes.len());
    let mut stack: Vec<usize> = (0..nodes.len())
        .rev()
        .filter(|&i| nodes[i].parent.is_none())
        .collect();
    while let Some(i) = stack.pop() {
        order.push(i);
        stack.extend(nodes[i].children.iter().rev());
    }
    if order.len() == nodes.len() {
        return Ok(order);
    }
    // With one parent at most for each, a node that no root leads to hangs on a cycle.
    let mut reached = vec![false; nodes.len()];
    for &i in &order {
        reached[i] = true;
    }
    let lost = reached.iter().position(|&yes| !yes).unwrap_or(0);
    Err(document
        .item("nodes", lost)
        .found(
            "a node that some root leads to",
            "a cycle of children above it",
        )
        .remedy("the hierarchy is damaged: export the file again"))
}
