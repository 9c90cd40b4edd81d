//! Bind matrices: those that scale, mirror or lie far off, skins that disagree, and a saved pose.
//!
//! Source: glTF 2.0 §3.7.3. Limits: a file does not say what its bind pose should be; only what cannot be
//! meant, or disagrees with itself, is found. Two skins may map from different mesh spaces: they agree if
//! one rigid or scaled placement brings all shared joints of one onto those of the other.

use nalgebra::{Matrix3, Matrix4, Vector3};

use super::subject::Subject;
use super::{Finding, Kind, Skin};
use crate::rig::{JointId, Skeleton};

/// A stretch that differs by axis by less than this share is rounding, or never seen.
const EVEN: f64 = 1e-2;

/// A joint with weight this share of the diagonal outside the box of the mesh swings it far about. Tails
/// of robes and floating parts stay well within.
const FAR_OUTSIDE: f64 = 0.5;

/// Bind places of two skins that differ by more than this share of the diagonal disagree: above f32
/// rounding, below what one sees.
const SHIFT: f64 = 1e-3;

/// The same for turns and scales, as entries of matrices of length one: about half a degree.
const TURN: f64 = 1e-2;

/// Shared joints that are tried as the one that others agree with.
const MOST_TRIED: usize = 8;

pub(super) fn findings(subject: &Subject) -> Vec<Finding> {
    let skeleton = subject.skeleton;
    let ids = |keep: &dyn Fn(JointId) -> bool| skeleton.ids().filter(|&id| keep(id)).collect();
    let far: Vec<JointId> = ids(&|id| subject.used[id.index()] && outside(subject, id));
    let uneven = ids(&|id| !is_even(&skeleton.joint(id).bind_local.stretch));
    let mirrored = ids(&|id| skeleton.joint(id).bind_local.stretch.determinant() < 0.0);
    let mut findings = Vec::new();
    for (kind, joints, what, remedy) in [
        (
            Kind::BindFar,
            far,
            "Joints with weight stand far outside the mesh in bind pose: turning one swings the mesh away.",
            "Check their inverse bind matrices; bind again with the skeleton inside the mesh.",
        ),
        (
            Kind::BindScale,
            uneven,
            "Bind matrices scale by axis or shear: turning a joint below shears the mesh.",
            "Freeze the scale of these joints at 1 and bind again.",
        ),
        (
            Kind::BindMirror,
            mirrored,
            "Bind matrices mirror: many engines cannot keep a negative scale of a joint.",
            "Turn these joints in place of mirroring them, and bind again.",
        ),
    ] {
        if !joints.is_empty() {
            let mut finding = subject.finding(kind, joints.len(), what.to_owned(), remedy);
            finding.joints = subject.names(joints);
            findings.push(finding);
        }
    }
    if let Some(saved) = subject.character.saved_pose {
        let what = format!(
            "The file was saved out of bind pose: joints turned by up to {:.1} degrees, moved by up to {:.2} % of the size.",
            saved.turn_degrees, saved.shift_percent
        );
        let remedy = "Nothing, if that is meant: the inverse bind matrices hold the bind pose.";
        findings.push(subject.finding(Kind::SavedPose, 1, what, remedy));
    }
    findings
}

fn outside(subject: &Subject, id: JointId) -> bool {
    let origin = subject.skeleton.origin(id);
    let [low, high] = subject.surface.bounds();
    let beyond = Vector3::from_fn(|i, _| {
        (f64::from(low[i]) - origin[i])
            .max(origin[i] - f64::from(high[i]))
            .max(0.0)
    });
    beyond.norm() > FAR_OUTSIDE * subject.surface.diagonal()
}

fn is_even(stretch: &Matrix3<f64>) -> bool {
    let square = stretch * stretch.transpose();
    let mean = square.trace() / 3.0;
    // Of the square, so twice the share.
    (square - Matrix3::identity() * mean).amax() <= 2.0 * EVEN * mean
}

/// Joints that this skin binds in another place than an earlier skin of the file does.
pub(super) fn disagreement(subject: &Subject, skins: &[Skin], number: usize) -> Option<Finding> {
    for earlier in &skins[..number] {
        let other = &earlier.character.skeleton;
        let joints = disagreeing(subject.skeleton, other, subject.surface.diagonal());
        if !joints.is_empty() {
            let what = format!(
                "Joints are bound in another pose than by the skin {:?}: the meshes part where they meet.",
                earlier.character.name
            );
            let remedy = "Bind both meshes to the skeleton in the same pose.";
            let mut finding = subject.finding(Kind::BindDisagreement, joints.len(), what, remedy);
            finding.joints = subject.names(joints);
            return Some(finding);
        }
    }
    None
}

fn disagreeing(own: &Skeleton, other: &Skeleton, diagonal: f64) -> Vec<JointId> {
    let of_node: std::collections::HashMap<usize, JointId> =
        other.ids().map(|id| (other.joint(id).node, id)).collect();
    // For each shared joint what brings the other skin's mesh space to ours.
    let between: Vec<(JointId, Matrix4<f64>)> = own
        .ids()
        .filter_map(|id| {
            let twin = other.joint(*of_node.get(&own.joint(id).node)?);
            Some((
                id,
                own.joint(id).bind_world * twin.bind_world.try_inverse()?,
            ))
        })
        .collect();
    let differs = |&(id, matrix): &(JointId, Matrix4<f64>), reference: &Matrix4<f64>| {
        let Some(back) = reference.try_inverse() else {
            return true;
        };
        let change = matrix * back;
        let linear = change.fixed_view::<3, 3>(0, 0) - Matrix3::identity();
        let origin = own.origin(id).push(1.0);
        let moved = (change * origin - origin).norm();
        linear.amax() > TURN || moved > SHIFT * diagonal
    };
    let against = |reference: &Matrix4<f64>| -> Vec<JointId> {
        let off = between.iter().filter(|one| differs(one, reference));
        off.map(|one| one.0).collect()
    };
    // The joint that most others agree with; the first of equals.
    between
        .iter()
        .take(MOST_TRIED)
        .map(|(_, reference)| against(reference))
        .min_by_key(Vec::len)
        .unwrap_or_default()
}
