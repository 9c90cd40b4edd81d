//! `nearest`: the nearest bone segment, those in sight first.
//!
//! Sight as in Baran & Popović 2007, *Automatic rigging and animation of 3D characters*, §4: a bone
//! counts for a vertex if the way from its closest point stays inside the body. Where no bone is in
//! sight (a strap outside the body, say) the nearest of all wins.

use nalgebra::Point3;
use rayon::prelude::*;

use super::bones::Bone;
use super::through::Found;
use crate::rig::{Sight, Surface};

/// For each welded vertex the joint whose bone is nearest, and how far that is; the lower joint of equals.
pub(super) fn nearest(surface: &Surface, bones: &[Bone]) -> Vec<Option<Found>> {
    let sight = Sight::new(surface);
    surface
        .positions
        .par_iter()
        .map(|position| {
            let vertex = Point3::from(position.map(f64::from));
            let mut order: Vec<(f64, Point3<f64>, &Bone)> = bones
                .iter()
                .map(|bone| {
                    let closest = bone.closest(vertex);
                    ((vertex - closest).norm(), closest, bone)
                })
                .collect();
            order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.2.joint.cmp(&b.2.joint)));
            order
                .iter()
                .find(|(_, closest, _)| !sight.blocked(*closest, vertex))
                .or(order.first())
                .map(|(distance, _, bone)| (*distance, bone.joint))
        })
        .collect()
}
