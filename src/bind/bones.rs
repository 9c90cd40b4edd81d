//! Bone segments: where in space each joint's bone lies.

use nalgebra::{Point3, Vector3};

use super::sight::Sight;
use crate::rig::{JointId, Skeleton, Surface};

/// A segment that stands for a joint; a joint has one for each child, or an inferred one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bone {
    /// The joint that wins vertices near it.
    pub joint: JointId,
    /// Its begin, in mesh space.
    pub from: Point3<f64>,
    /// Its end.
    pub to: Point3<f64>,
}

/// Bones are this much shorter at either end than the way between joints, so that a vertex beside a
/// joint goes to the bone whose side it is on, not to an even match.
const TRIM: f64 = 0.02;

/// Joints closer than this share of the diagonal are at one place.
const SAME_PLACE: f64 = 1e-4;

/// A leaf's bone ends at this share of the way to the surface.
const LEAF_DEPTH: f64 = 0.9;

impl Bone {
    /// The point of the bone closest to `point`.
    pub fn closest(&self, point: Point3<f64>) -> Point3<f64> {
        let along = self.to - self.from;
        let squared = along.norm_squared();
        if squared == 0.0 {
            return self.from;
        }
        self.from + along * ((point - self.from).dot(&along) / squared).clamp(0.0, 1.0)
    }
}

/// The joints that only carry others: from each root down, while the joint lies outside the body, or
/// at the place of a child.
pub fn carriers(skeleton: &Skeleton, surface: &Surface) -> Vec<bool> {
    carriers_in(skeleton, surface, &Sight::new(surface))
}

pub(super) fn carriers_in(skeleton: &Skeleton, surface: &Surface, sight: &Sight) -> Vec<bool> {
    let children = skeleton.children();
    let near = SAME_PLACE * surface.diagonal();
    let mut carries = vec![false; skeleton.joints().len()];
    for &id in skeleton.parents_first() {
        let below_carriers = skeleton.joint(id).parent.is_none_or(|p| carries[p.index()]);
        let own = &children[id.index()];
        if !below_carriers || own.is_empty() {
            continue;
        }
        let origin = skeleton.origin(id);
        let at_child = own
            .iter()
            .any(|&child| (skeleton.origin(child) - origin).norm() <= near);
        carries[id.index()] = at_child || !sight.inside(Point3::from(origin));
    }
    if carries.iter().all(|&c| c) {
        // Nothing lies inside, as on an open surface: let every joint win.
        carries.fill(false);
    }
    carries
}

/// The bones of all joints that may win vertices.
pub(super) fn bones(skeleton: &Skeleton, surface: &Surface, sight: &Sight) -> Vec<Bone> {
    let children = skeleton.children();
    let carries = carriers_in(skeleton, surface, sight);
    let mut bones = Vec::new();
    for id in skeleton.ids().filter(|id| !carries[id.index()]) {
        let origin = Point3::from(skeleton.origin(id));
        let ends: Vec<Point3<f64>> = match &children[id.index()][..] {
            [] => vec![leaf_end(skeleton, id, surface, sight)],
            own => own
                .iter()
                .map(|&child| Point3::from(skeleton.origin(child)))
                .collect(),
        };
        bones.extend(ends.into_iter().map(|end| Bone {
            joint: id,
            from: origin + (end - origin) * TRIM,
            to: end - (end - origin) * TRIM,
        }));
    }
    bones
}

/// Where the bone of a joint without children ends: onward from its parent, most of the way to the
/// surface, at most as far as the parent's bone is long.
fn leaf_end(skeleton: &Skeleton, id: JointId, surface: &Surface, sight: &Sight) -> Point3<f64> {
    let origin = Point3::from(skeleton.origin(id));
    let mut onward = Vector3::zeros();
    let mut above = skeleton.joint(id).parent;
    // The nearest ancestor at another place gives the direction.
    while let Some(parent) = above {
        onward = origin.coords - skeleton.origin(parent);
        if onward.norm() > SAME_PLACE * surface.diagonal() {
            break;
        }
        above = skeleton.joint(parent).parent;
    }
    let length = onward.norm();
    if length <= SAME_PLACE * surface.diagonal() {
        return origin;
    }
    let direction = onward / length;
    let depth = sight
        .exit(origin, direction)
        .map_or(length / 2.0, |exit| exit * LEAF_DEPTH);
    origin + direction * depth.min(length)
}
