//! Bone segments: which joints have a body of their own, and where in space their bones lie.

use nalgebra::{Matrix3, Point3, Vector3};

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
    /// It lies outside the body, or in another part of it than its parent, and nothing that has a body hangs
    /// from it.
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

/// What hangs from a joint is small if it has no longer chain of joints: an ear of two.
const SMALL_THINGS: usize = 2;

/// A child lies ahead of a joint within this cosine of the way from the joint's parent: 60 degrees.
const AHEAD: f64 = 0.5;

/// A child that turns aside does not end a bone if it is nearer than this share of the flesh ahead: the joint
/// of a jaw just above that of the head.
const NEARBY: f64 = 0.3;

/// A bone lies along an axis within this cosine: 18 degrees.
const ALONG: f64 = 0.95;

/// The share of bones that must lie along one axis before ends without a bone are taken to, too.
const LEAST_AGREEMENT: f64 = 0.8;

/// Fewer cells of flesh give no direction.
const LEAST_FLESH: usize = 8;

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
        let mut below = children[id.index()].iter();
        let ends = below.all(|child| idle[child.index()].is_some());
        let parent = skeleton
            .joint(id)
            .parent
            .filter(|p| idle[p.index()].is_none());
        // An only child goes on where its parent ends, however near the skin: toes.
        let is_only = parent.is_none_or(|p| children[p.index()].len() == 1);
        let parent = parent.map(|p| Point3::from(origin(p)));
        let is_open = ends && idle[id.index()].is_none();
        if is_open && !body.is_of_flesh(Point3::from(origin(id)), parent, is_only) {
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
    // Whether the end of each leaf is known.
    let mut found = Vec::new();
    let near = SAME_PLACE * body.diagonal;
    let axis = Axis::common(skeleton, idle, near);
    // For each joint how many joints with a body hang below it, one from another, at most.
    let mut depth = vec![0; skeleton.joints().len()];
    for &id in skeleton.parents_first().iter().rev() {
        if let (None, Some(parent)) = (idle[id.index()], skeleton.joint(id).parent) {
            depth[parent.index()] = depth[parent.index()].max(depth[id.index()] + 1);
        }
    }
    for id in skeleton.ids().filter(|id| idle[id.index()].is_none()) {
        let origin = Point3::from(skeleton.origin(id));
        let own: Vec<JointId> = children[id.index()]
            .iter()
            .copied()
            .filter(|child| idle[child.index()].is_none())
            .collect();
        let ends = own
            .iter()
            .map(|&child| Point3::from(skeleton.origin(child)));
        let before = bones.len();
        if let Some(end) = onward_end(skeleton, body, id, &own, &depth, axis.as_ref()) {
            bones.push(Bone {
                joint: id,
                from: origin + (end - origin) * TRIM,
                to: end,
            });
        }
        bones.extend(ends.map(|end| Bone {
            joint: id,
            from: origin + (end - origin) * TRIM,
            to: end - (end - origin) * TRIM,
        }));
        if bones.len() == before {
            leaves.push(before);
            let way = axis.as_ref().and_then(|axis| axis.of(skeleton, id));
            let reach = way.map_or(0.0, |way| body.depth(origin, way) * LEAF_FLESH);
            bones.push(Bone {
                to: origin + way.unwrap_or_default() * reach,
                ..Bone::point(id, origin)
            });
            found.push(reach > 0.0);
        }
    }
    if found.contains(&false) {
        let ends = leaf_ends(&bones, &leaves, body);
        for ((&leaf, end), _) in leaves
            .iter()
            .zip(ends)
            .zip(&found)
            .filter(|(_, found)| !**found)
        {
            let bone = &mut bones[leaf];
            bone.to = match end {
                Some(end) => end,
                // No flesh about it: on as far as from its parent, halved.
                None => bone.from + onward(skeleton, bone.joint, near) / 2.0,
            };
        }
    }
    bones
}

/// Where a second bone of a joint ends that carries only small things, none of them ahead: a head with jaw
/// and ears goes on beyond them, through most of the flesh.
fn onward_end(
    skeleton: &Skeleton,
    body: &Body,
    id: JointId,
    children: &[JointId],
    depth: &[usize],
    axis: Option<&Axis>,
) -> Option<Point3<f64>> {
    let near = SAME_PLACE * body.diagonal;
    if children.is_empty() || depth[id.index()] > SMALL_THINGS {
        return None;
    }
    let way = ahead(skeleton, id, axis, near)?;
    let origin = Point3::from(skeleton.origin(id));
    let reach = body.depth(origin, way) * LEAF_FLESH;
    let is_ahead = |&child: &JointId| {
        let to = skeleton.origin(child) - skeleton.origin(id);
        let along = to.dot(&way);
        let goes_on = ahead(skeleton, child, axis, near).is_none_or(|on| on.dot(&way) > AHEAD);
        along > AHEAD * to.norm() && (goes_on || along > NEARBY * reach)
    };
    (!children.iter().any(is_ahead) && reach > near).then(|| origin + way * reach)
}

/// The direction in which a joint's bone goes: along the axis of its frame that bones of this skeleton lie
/// along, else on from its parent.
fn ahead(skeleton: &Skeleton, id: JointId, axis: Option<&Axis>, near: f64) -> Option<Vector3<f64>> {
    match axis {
        Some(axis) => axis.of(skeleton, id),
        None => onward(skeleton, id, near).try_normalize(near),
    }
}

/// A joint's frame at bind, its axes of length one.
fn turn(skeleton: &Skeleton, id: JointId) -> Matrix3<f64> {
    let mut frame: Matrix3<f64> = skeleton
        .joint(id)
        .bind_world
        .fixed_view::<3, 3>(0, 0)
        .into();
    for mut axis in frame.column_iter_mut() {
        // Bind matrices have an inverse: no axis is zero.
        axis.normalize_mut();
    }
    frame
}

/// The axis of their frames that bones lie along: what builds skeletons keeps to one axis as a rule, though
/// not to one sign on both sides of a body (common practice, no source).
struct Axis {
    column: usize,
    /// For each joint the sign that its bone has, 0 where it has none along the axis.
    signs: Vec<f64>,
}

impl Axis {
    /// The axis of nearly all bones, if there is one.
    fn common(skeleton: &Skeleton, idle: &[Option<Idle>], near: f64) -> Option<Self> {
        let children = skeleton.children();
        let mut signs = [(); 3].map(|()| vec![0.0; skeleton.joints().len()]);
        let mut votes = [0usize; 3];
        let mut all = 0;
        for id in skeleton.ids().filter(|id| idle[id.index()].is_none()) {
            let frame = turn(skeleton, id);
            let ways: Vec<Vector3<f64>> = children[id.index()]
                .iter()
                .filter(|child| idle[child.index()].is_none())
                .map(|&child| skeleton.origin(child) - skeleton.origin(id))
                .filter_map(|way| way.try_normalize(near))
                .collect();
            all += usize::from(!ways.is_empty());
            for column in 0..3 {
                let along = ways.iter().map(|way| way.dot(&frame.column(column)));
                if let Some(along) = along.into_iter().find(|along| along.abs() > ALONG) {
                    votes[column] += 1;
                    signs[column][id.index()] = along.signum();
                }
            }
        }
        let column = (0..3).max_by(|&i, &j| votes[i].cmp(&votes[j]).then(j.cmp(&i)))?;
        let agrees = all > 0 && votes[column] as f64 >= LEAST_AGREEMENT * all as f64;
        let signs = std::mem::take(&mut signs[column]);
        agrees.then_some(Self { column, signs })
    }

    /// The direction of a joint's bone; the sign is that of the nearest joint above that has one.
    fn of(&self, skeleton: &Skeleton, id: JointId) -> Option<Vector3<f64>> {
        let above = |&id: &JointId| skeleton.joint(id).parent;
        let mut signs = std::iter::successors(Some(id), above).map(|id| self.signs[id.index()]);
        let sign = signs.find(|&sign| sign != 0.0)?;
        Some(turn(skeleton, id).column(self.column) * sign)
    }
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
