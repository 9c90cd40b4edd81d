//! A rigid bind made the same on both sides.
//!
//! Of two partners the one on the higher side of the plane leads: the other one gets the partner of its
//! joint. A vertex on the plane with a joint of one side gets the nearest joint above that is its own
//! partner.
//!
//! **Degenerate.** Vertices and joints without partner stay as they are, and so does a vertex on the plane
//! above whose joint none is its own partner: the fit then solves it without symmetry.

use crate::rig::{JointId, Mirror, Skeleton, Surface};

/// Makes a bind symmetric.
pub fn symmetric(bind: &mut [JointId], skeleton: &Skeleton, surface: &Surface, mirror: &Mirror) {
    let along = |v: usize| surface.positions[v][mirror.axis.index()];
    for v in 0..bind.len() {
        match mirror.vertex(v) {
            Some(partner) if partner == v => {
                if let Some(central) = central(skeleton, mirror, bind[v]) {
                    bind[v] = central;
                }
            }
            Some(partner) if partner > v => {
                let (leads, follows) = if along(partner) > along(v) {
                    (partner, v)
                } else {
                    (v, partner)
                };
                if let (Some(joint), Some(_)) =
                    (mirror.joint(bind[leads]), mirror.joint(bind[follows]))
                {
                    bind[follows] = joint;
                }
            }
            _ => {}
        }
    }
}

/// The nearest joint from one upward that is its own partner; `None` if the joint has no partner at all.
pub(super) fn central(skeleton: &Skeleton, mirror: &Mirror, joint: JointId) -> Option<JointId> {
    mirror.joint(joint)?;
    let above = |&id: &JointId| skeleton.joint(id).parent;
    std::iter::successors(Some(joint), above).find(|&id| mirror.joint(id) == Some(id))
}
