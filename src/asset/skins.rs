//! Skins (glTF 2.0 §3.7.3): joints, their hierarchy, and the bind pose that the inverse bind matrices give.

use std::collections::HashMap;

use nalgebra::{Matrix3, Matrix4};

use super::accessor::{Accessor, Component};
use super::document::Document;
use super::nodes::Nodes;
use crate::error::Fault;
use crate::rig::{BindLocal, JointId, JointSpec, SavedPose, Skeleton, SkeletonFault};

/// An affine matrix has 0, 0, 0, 1 in its last row; exporters round it this much at most.
const LAST_ROW_TOLERANCE: f64 = 1e-4;

/// A pose this close to bind counts as bind: below what one sees, above f32 rounding.
const SAVED_TURN_DEGREES: f64 = 0.1;
/// The same for shifts, in percent of the diagonal.
const SAVED_SHIFT_PERCENT: f64 = 0.01;

/// A skin object, or what is to become one.
#[derive(Clone, Debug)]
pub(super) struct Skin {
    /// Its number in the file; `None` for one that is still to be written.
    pub index: Option<usize>,
    pub name: Option<String>,
    /// Nodes, in the order that `JOINTS_n` counts.
    pub joints: Vec<usize>,
    /// Mesh space to joint space; `None` if the file gives none.
    pub inverse_bind: Option<Vec<Matrix4<f64>>>,
}

impl Skin {
    /// Reads a skin object of the file.
    pub fn read(document: &Document, index: usize) -> Result<Self, Vec<Fault>> {
        let at = document.item("skins", index);
        let mut faults = Vec::new();
        let mut joints: Vec<usize> = Vec::new();
        let mut first: HashMap<usize, usize> = HashMap::new();
        let items = at.get("joints").items().map_err(|fault| vec![fault])?;
        if items.is_empty() {
            faults.push(at.get("joints").fault("at least one joint"));
        }
        for (j, item) in items.iter().enumerate() {
            match item.index(document.count("nodes"), "nodes") {
                Ok(node) => {
                    if let Some(other) = first.insert(node, j) {
                        faults.push(item.found(
                            "each joint once",
                            format!("node {node}, also joint {other} of this skin"),
                        ));
                    }
                    joints.push(node);
                }
                Err(fault) => faults.push(fault),
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        let inverse_bind = inverse_bind(document, index, joints.len())?;
        Ok(Self {
            index: Some(index),
            name: at.name().map(str::to_owned),
            joints,
            inverse_bind,
        })
    }

    /// The inverse bind matrices that make the pose of the nodes the bind pose, mesh space being
    /// scene space.
    pub fn bind_as_saved(
        &self,
        document: &Document,
        nodes: &Nodes,
    ) -> Result<Vec<Matrix4<f64>>, Fault> {
        let invert = |&joint: &usize| {
            nodes.nodes[joint].world.try_inverse().ok_or_else(|| {
                document.item("nodes", joint).found(
                    "a joint whose transform has an inverse",
                    "a scale of zero on it or above it",
                )
            })
        };
        self.joints.iter().map(invert).collect()
    }

    /// The skeleton with these inverse bind matrices.
    pub fn skeleton(
        &self,
        document: &Document,
        nodes: &Nodes,
        inverse_bind: &[Matrix4<f64>],
    ) -> Result<Skeleton, Fault> {
        let mut number = vec![None; nodes.nodes.len()];
        let mut marked = vec![false; nodes.nodes.len()];
        for (j, &node) in self.joints.iter().enumerate() {
            number[node] = Some(j);
            marked[node] = true;
        }
        let above = nodes.nearest_above(&marked);
        let names = names(nodes, &self.joints);
        let specs = self
            .joints
            .iter()
            .zip(names)
            .zip(inverse_bind)
            .map(|((&node, name), &inverse_bind)| JointSpec {
                name,
                node,
                parent: above[node].and_then(|parent| number[parent]),
                inverse_bind,
            })
            .collect();
        Skeleton::new(specs).map_err(|fault| self.fault(document, &fault))
    }

    fn fault(&self, document: &Document, fault: &SkeletonFault) -> Fault {
        let skin = match self.index {
            Some(index) => format!("skins[{index}]"),
            None => "the skeleton".to_owned(),
        };
        let (part, expected) = match fault {
            SkeletonFault::Singular(j) => (
                format!("{skin}.inverseBindMatrices, matrix {j}"),
                "a matrix with an inverse",
            ),
            SkeletonFault::Cycle(j) => (format!("{skin}.joints[{j}]"), "joints in a hierarchy"),
            SkeletonFault::Count(_) => (format!("{skin}.joints"), "1 to 65,536 joints"),
        };
        Fault::new(&document.path, part, expected, fault.to_string())
            .remedy("bind the skeleton again in the program that wrote the file")
    }
}

fn inverse_bind(
    document: &Document,
    skin: usize,
    joints: usize,
) -> Result<Option<Vec<Matrix4<f64>>>, Vec<Fault>> {
    let at = document.item("skins", skin).get("inverseBindMatrices");
    let Some(index) = at
        .index_or_none(document.count("accessors"), "accessors")
        .map_err(|fault| vec![fault])?
    else {
        return Ok(None);
    };
    let read = || {
        let accessor = Accessor::open(document, index)?;
        accessor.require("MAT4", &[Component::F32], "inverse bind matrices")?;
        if accessor.count < joints {
            return Err(accessor.at.get("count").found(
                format!("a matrix for each of the {joints} joints of skins[{skin}]"),
                accessor.count.to_string(),
            ));
        }
        accessor.floats()
    };
    let numbers = read().map_err(|fault| vec![fault.within(&at.path)])?;
    let matrices: Vec<Matrix4<f64>> = numbers
        .chunks_exact(16)
        .take(joints)
        .map(|m| Matrix4::from_iterator(m.iter().map(|&x| f64::from(x))))
        .collect();
    let mut faults = Vec::new();
    for (j, m) in matrices.iter().enumerate() {
        let row = [m[(3, 0)], m[(3, 1)], m[(3, 2)], m[(3, 3)]];
        let off = (0..4).any(|i| (row[i] - f64::from(u8::from(i == 3))).abs() > LAST_ROW_TOLERANCE);
        if off {
            faults.push(Fault::new(
                &document.path,
                format!("{}, matrix {j}", at.path),
                "a last row of 0, 0, 0, 1",
                format!("{}, {}, {}, {}", row[0], row[1], row[2], row[3]),
            ));
        }
    }
    if faults.is_empty() {
        let exact = |mut m: Matrix4<f64>| {
            m.set_row(3, &nalgebra::RowVector4::new(0.0, 0.0, 0.0, 1.0));
            m
        };
        Ok(Some(matrices.into_iter().map(exact).collect()))
    } else {
        Err(faults)
    }
}

/// A joint's name is its node's, if no other joint has it and it cannot be mistaken for a number.
fn names(nodes: &Nodes, joints: &[usize]) -> Vec<String> {
    let mut uses: HashMap<&str, usize> = HashMap::new();
    for &joint in joints {
        if let Some(name) = &nodes.nodes[joint].name {
            *uses.entry(name).or_default() += 1;
        }
    }
    joints
        .iter()
        .map(|&joint| match &nodes.nodes[joint].name {
            Some(name) if uses[name.as_str()] == 1 && !name.starts_with('#') => name.clone(),
            _ => format!("#{joint}"),
        })
        .collect()
}

/// The first joint without a joint above it.
pub(super) fn first_root(skeleton: &Skeleton) -> JointId {
    skeleton
        .ids()
        .find(|&id| skeleton.joint(id).parent.is_none())
        .unwrap_or(JointId(0))
}

/// Mesh space to the scene, as the first root joint is displayed: the identity in most files that
/// were saved in bind pose, a turn or a scale where nodes above the skeleton bring one.
pub(super) fn placement(nodes: &Nodes, skeleton: &Skeleton) -> Matrix4<f64> {
    let root = skeleton.joint(first_root(skeleton));
    root.bind_world
        .try_inverse()
        .map_or(Matrix4::identity(), |unbind| {
            nodes.nodes[root.node].world * unbind
        })
}

/// How many lengths of the scene one length of mesh space is.
pub(super) fn scale_of(matrix: &Matrix4<f64>) -> f64 {
    let linear: Matrix3<f64> = matrix.fixed_view::<3, 3>(0, 0).into();
    linear.determinant().abs().cbrt()
}

/// For each node, whether it is a joint of the skeleton.
pub(super) fn marked(nodes: &Nodes, skeleton: &Skeleton) -> Vec<bool> {
    let mut marked = vec![false; nodes.nodes.len()];
    for joint in skeleton.joints() {
        marked[joint.node] = true;
    }
    marked
}

/// How far the nodes stand from bind, relative to the first root joint; `None` if they do not.
pub(super) fn saved_pose(nodes: &Nodes, skeleton: &Skeleton, diagonal: f64) -> Option<SavedPose> {
    let unplace = placement(nodes, skeleton).try_inverse()?;
    let relative =
        nodes.relative_to_marked(&marked(nodes, skeleton), |node| nodes.nodes[node].local);
    let mut saved = SavedPose {
        shift_percent: 0.0,
        turn_degrees: 0.0,
    };
    for joint in skeleton.joints() {
        let (local, unit) = match joint.parent {
            Some(parent) => (
                relative[joint.node],
                scale_of(&skeleton.joint(parent).bind_world),
            ),
            None => (unplace * relative[joint.node], 1.0),
        };
        // A joint scaled to nothing has no rotation to compare.
        let Some(local) = BindLocal::from_matrix(&local) else {
            continue;
        };
        let shift = (local.translation - joint.bind_local.translation).norm() * unit;
        if diagonal > 0.0 {
            saved.shift_percent = saved.shift_percent.max(100.0 * shift / diagonal);
        }
        let turn = local.rotation.angle_to(&joint.bind_local.rotation);
        saved.turn_degrees = saved.turn_degrees.max(turn.to_degrees());
    }
    (saved.turn_degrees > SAVED_TURN_DEGREES || saved.shift_percent > SAVED_SHIFT_PERCENT)
        .then_some(saved)
}
