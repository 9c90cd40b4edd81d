//! Which joint carries a place: the right joint, and weights as an artist might paint them.

use crate::field::{Field, V3};
use crate::rig::{JointMap, Rig};

/// How one vertex hangs on the joints.
#[derive(Clone, Default, PartialEq)]
pub struct Bind {
    /// The joint whose solid dominates.
    pub right: usize,
    /// At most four joints and shares that sum to one.
    pub weights: Vec<(usize, f64)>,
}

/// The body as the binder needs it.
pub struct Flesh<'a> {
    pub field: &'a Field,
    pub rig: &'a Rig,
    pub map: &'a JointMap,
    /// Width of the soft border of each bone.
    pub soft: Vec<f64>,
}

impl Flesh<'_> {
    /// Bind of the body surface at `p`.
    pub fn bind(&self, p: V3) -> Bind {
        let dists = self.field.bone_dists(p);
        let owner = self.field.owner(p);
        let side = |b: usize| {
            let n = &self.rig.bones[b].name;
            (n.ends_with("_l"), n.ends_with("_r"))
        };
        let best = dists[owner];
        let mut joints: Vec<(usize, f64)> = Vec::new();
        for (b, d) in dists.iter().enumerate() {
            if *d == f64::MAX {
                continue;
            }
            let (o, s) = (side(owner), side(b));
            let steps = self.rig.steps(owner, b);
            // Only near kin, and never the other half of the body.
            if steps > 2 || (o.0 && s.1) || (o.1 && s.0) {
                continue;
            }
            // Siblings (two fingers) do not share skin.
            if steps == 2 && self.rig.bones[owner].parent == self.rig.bones[b].parent {
                continue;
            }
            let width = self.soft[owner].min(self.soft[b]);
            let w = (-(d - best) / width).exp();
            if w < 0.01 {
                continue;
            }
            for (j, share) in self.map.shares(self.rig, b, p) {
                match joints.iter_mut().find(|(k, _)| *k == j) {
                    Some((_, sum)) => *sum += w * share,
                    None => joints.push((j, w * share)),
                }
            }
        }
        Bind {
            right: self.map.part(self.rig, owner, p),
            weights: four(joints),
        }
    }
}

/// The four largest shares, in steps of 1/1024 so that their sum is exactly one in f32.
pub fn four(mut joints: Vec<(usize, f64)>) -> Vec<(usize, f64)> {
    joints.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    joints.truncate(4);
    let sum: f64 = joints.iter().map(|j| j.1).sum();
    joints.retain(|j| j.1 / sum > 0.02);
    let sum: f64 = joints.iter().map(|j| j.1).sum();
    for j in &mut joints {
        j.1 = (j.1 / sum * 1024.0).round() / 1024.0;
    }
    let rest: f64 = joints.iter().skip(1).map(|j| j.1).sum();
    if let Some(first) = joints.first_mut() {
        first.1 = 1.0 - rest;
    }
    joints
}

/// All weight on one joint.
pub fn rigid(joint: usize) -> Bind {
    Bind {
        right: joint,
        weights: vec![(joint, 1.0)],
    }
}
