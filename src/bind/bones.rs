//! Bone segments: which joints have a body of their own, and where in space their bones lie.

use nalgebra::{Point3, Vector3};

use super::body::Body;
use super::territory::{BEND_COST, Territory};
use crate::rig::{JointId, Skeleton};

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

/// Why a joint wins no vertex.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Idle {
    /// It only carries others: from a root down, it lies outside the body or at the place of its children.
    Carrier,
    /// It lies outside the body, and nothing that has a body hangs from it.
    Outside,
    /// It ends at the place of another joint, whose vertices it would share.
    SamePlace(JointId),
    /// The recipe says so.
    Recipe,
}

/// What the recipe says of a joint.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Say {
    /// Nothing.
    #[default]
    Auto,
    /// It wins vertices wherever it lies.
    Wins,
    /// It wins none.
    Carries,
}

/// Bones are this much shorter at either end than the way between joints, so that a vertex beside a
/// joint goes to the bone whose side it is on, not to an even match.
const TRIM: f64 = 0.02;

/// Joints closer than this share of the diagonal are at one place.
const SAME_PLACE: f64 = 1e-4;

/// An end joint this close to another, as a share of the diagonal, is put there to mark its place: nearer
/// than any two joints with flesh between them.
const MARKS_PLACE: f64 = 2e-3;

/// A leaf's bone reaches to where this share of its flesh lies behind, and so far of the way there.
const LEAF_FLESH: f64 = 0.95;

/// Fewer cells of flesh give no direction.
const LEAST_FLESH: usize = 8;

/// The bones of leaves are looked for this often, each time from those found before.
const LEAF_ROUNDS: usize = 1;

impl Bone {
    /// A bone without length.
    pub fn point(joint: JointId, at: Point3<f64>) -> Self {
        Self {
            joint,
            from: at,
            to: at,
        }
    }

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

/// For each joint why it wins no vertex, or `None` if it may win some.
pub(super) fn idle(skeleton: &Skeleton, body: &Body, say: &[Say]) -> Vec<Option<Idle>> {
    let children = skeleton.children();
    let near = SAME_PLACE * body.diagonal;
    let origin = |id: JointId| skeleton.origin(id);
    let mut idle = vec![None; skeleton.joints().len()];
    for &id in skeleton.parents_first() {
        let parent = skeleton.joint(id).parent;
        let below_carriers = parent.is_none_or(|p| idle[p.index()] == Some(Idle::Carrier));
        let own = &children[id.index()];
        if below_carriers && !own.is_empty() {
            let at = origin(id);
            let at_children = own.iter().all(|&child| (origin(child) - at).norm() <= near);
            if at_children || !body.is_inside(Point3::from(at)) {
                idle[id.index()] = Some(Idle::Carrier);
            }
        }
    }
    for &id in skeleton.parents_first().iter().rev() {
        let ends = children[id.index()]
            .iter()
            .all(|child| idle[child.index()].is_some());
        if ends && idle[id.index()].is_none() && !body.is_near_flesh(Point3::from(origin(id))) {
            idle[id.index()] = Some(Idle::Outside);
        }
    }
    // End joints that mark the place of another one.
    for id in skeleton.ids().filter(|id| children[id.index()].is_empty()) {
        let close =
            |other: JointId| (origin(other) - origin(id)).norm() <= MARKS_PLACE * body.diagonal;
        // Of two end joints at one place the first stays.
        let stays = |other: JointId| !children[other.index()].is_empty() || other < id;
        let other = skeleton.ids().find(|&other| {
            other != id && idle[other.index()].is_none() && stays(other) && close(other)
        });
        if let (None, Some(other)) = (idle[id.index()], other) {
            idle[id.index()] = Some(Idle::SamePlace(other));
        }
    }
    for (idle, say) in idle.iter_mut().zip(say) {
        match say {
            Say::Auto => {}
            Say::Wins => *idle = None,
            Say::Carries => *idle = Some(Idle::Recipe),
        }
    }
    if idle.iter().all(Option::is_some) {
        // Nothing lies inside, as on an open surface: every joint may win that the recipe does not rule
        // out, or all.
        let none = say.iter().all(|&say| say == Say::Carries);
        for (idle, say) in idle.iter_mut().zip(say) {
            if none || *say != Say::Carries {
                *idle = None;
            }
        }
    }
    idle
}

/// The bones of all joints that may win vertices, joint after joint.
pub(super) fn bones(skeleton: &Skeleton, body: &Body, idle: &[Option<Idle>]) -> Vec<Bone> {
    let children = skeleton.children();
    let mut bones = Vec::new();
    let mut leaves = Vec::new();
    for id in skeleton.ids().filter(|id| idle[id.index()].is_none()) {
        let origin = Point3::from(skeleton.origin(id));
        let ends = children[id.index()]
            .iter()
            .filter(|child| idle[child.index()].is_none())
            .map(|&child| Point3::from(skeleton.origin(child)));
        let before = bones.len();
        bones.extend(ends.map(|end| Bone {
            joint: id,
            from: origin + (end - origin) * TRIM,
            to: end - (end - origin) * TRIM,
        }));
        if bones.len() == before {
            leaves.push(before);
            bones.push(Bone::point(id, origin));
        }
    }
    for _ in 0..LEAF_ROUNDS {
        let ends = leaf_ends(&bones, &leaves, body);
        for (&leaf, end) in leaves.iter().zip(ends) {
            let bone = &mut bones[leaf];
            bone.to = match end {
                Some(end) => end,
                // No flesh about it: on as far as from its parent, halved.
                None => bone.from + onward(skeleton, bone.joint, SAME_PLACE * body.diagonal) / 2.0,
            };
        }
    }
    bones
}

/// Where the bones of joints without children end: toward the middle of the flesh that is nearest to them,
/// through most of it.
fn leaf_ends(bones: &[Bone], leaves: &[usize], body: &Body) -> Vec<Option<Point3<f64>>> {
    let mut flesh: Vec<Vec<(Point3<f64>, f64)>> = vec![Vec::new(); leaves.len()];
    for volume in body.volumes() {
        let territory = Territory::new(volume, bones, BEND_COST);
        for cell in 0..volume.len() as u32 {
            let leaf = territory
                .bone(cell)
                .and_then(|bone| leaves.binary_search(&bone).ok());
            if let Some(leaf) = leaf {
                flesh[leaf].push((volume.middle(cell), volume.step.powi(3)));
            }
        }
    }
    let ends = leaves.iter().zip(flesh).map(|(&leaf, flesh)| {
        let from = bones[leaf].from;
        if flesh.len() < LEAST_FLESH {
            return None;
        }
        let mass: f64 = flesh.iter().map(|entry| entry.1).sum();
        let sum: Vector3<f64> = flesh.iter().map(|(at, mass)| (at - from) * *mass).sum();
        let direction = (sum / mass).try_normalize(SAME_PLACE * body.diagonal)?;
        let mut along: Vec<f64> = flesh
            .iter()
            .map(|(at, _)| (at - from).dot(&direction))
            .collect();
        along.sort_by(f64::total_cmp);
        let reach = along[(along.len() - 1) * 95 / 100];
        Some(from + direction * (reach * LEAF_FLESH).max(0.0))
    });
    ends.collect()
}

/// The way from the nearest ancestor at another place.
fn onward(skeleton: &Skeleton, id: JointId, near: f64) -> Vector3<f64> {
    let mut above = skeleton.joint(id).parent;
    while let Some(parent) = above {
        let way = skeleton.origin(id) - skeleton.origin(parent);
        if way.norm() > near {
            return way;
        }
        above = skeleton.joint(parent).parent;
    }
    Vector3::zeros()
}
