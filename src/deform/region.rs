//! The part of a surface that a set of poses can bend.

use std::ops::Range;
use std::sync::Arc;

use crate::rig::{JointId, Rings, Skeleton, Weights};

/// Vertices that poses can bend, nearest to the seams between moving bodies first.
///
/// Joints between two turned ones move as one *body*. The layers commute with rigid motion, so a vertex
/// bends only if base weights of different bodies meet near it. A *seed* is a vertex at which they
/// meet: it mixes bodies, or has a neighbour of another. After a layer step that looks one ring far,
/// only vertices one ring farther from the seeds than before can have left the rigid motion of their
/// base joint.
#[derive(Clone, Debug, PartialEq)]
pub struct Region {
    /// The vertices, by distance from the seeds in rings, then by number; last a margin whose
    /// positions the layers read.
    pub vertices: Vec<u32>,
    /// `nearer[d]` of them are nearer than d rings.
    nearer: Vec<u32>,
    /// The vertices whose results count, in rising order.
    pub core: Arc<[u32]>,
    /// The place of each of them in `vertices`.
    pub places: Vec<u32>,
    /// For each joint the body it moves with.
    pub bodies: Arc<[u32]>,
}

/// Steps that go over the shells together: on a mesh of fifty thousand vertices and two cores, sixteen took
/// seven tenths of the time of one; more gain little.
const STEPS_TOGETHER: usize = 16;

impl Region {
    /// The region of all poses that turn exactly the joints `turned`, as far as `reach` rings from the
    /// seeds, with `margin` rings around it.
    pub fn bent_by(
        turned: &[JointId],
        skeleton: &Skeleton,
        base: &Weights,
        rings: &Rings,
        reach: usize,
        margin: usize,
    ) -> Self {
        let mut region = Self::around_seams(bodies(turned, skeleton), base, rings, reach + margin);
        region.set_core(region.nearer_than(reach));
        region
    }

    /// The whole surface, for poses that turn any joints.
    pub fn whole(
        joints: usize,
        base: &Weights,
        rings: &Rings,
        reach: usize,
        margin: usize,
    ) -> Self {
        let mut region = Self::around_seams(
            (0..joints).map(|joint| joint as u32).collect(),
            base,
            rings,
            reach + margin,
        );
        let mut inside = vec![false; rings.len()];
        region
            .vertices
            .iter()
            .for_each(|&v| inside[v as usize] = true);
        let outside = (0..rings.len() as u32).filter(|&v| !inside[v as usize]);
        region.vertices.extend(outside);
        region.set_core(region.vertices.len());
        region
    }

    /// The number of vertices nearer to the seeds than that many rings; they come first.
    pub fn nearer_than(&self, rings: usize) -> usize {
        // Beyond the last ring there are no more.
        self.nearer[rings.min(self.nearer.len() - 1)] as usize
    }

    /// Runs steps that look one ring far, of which step k changes the vertices nearer than `front` + k + 1
    /// rings, a shell of equal distance at a time: `run` gets the step and the shell's range.
    ///
    /// A few steps go over the shells together, each one shell behind the step before it, so that what
    /// they read is still in the cache. A step on a shell needs the step before it on the shells beside
    /// that one, and nothing there of any later step: with two shapes written in turn, or one in place
    /// that nothing reads any more, the order is as good as step after step.
    pub fn march(&self, front: usize, steps: usize, mut run: impl FnMut(usize, Range<usize>)) {
        for first in (0..steps).step_by(STEPS_TOGETHER) {
            let end = (first + STEPS_TOGETHER).min(steps);
            for turn in 0..front + end + (end - first) {
                for step in first..end.min(first + turn + 1) {
                    let shell = turn - (step - first);
                    let range = self.nearer_than(shell)..self.nearer_than(shell + 1);
                    if shell <= front + step && !range.is_empty() {
                        run(step, range);
                    }
                }
            }
        }
    }

    fn around_seams(bodies: Vec<u32>, base: &Weights, rings: &Rings, depth: usize) -> Self {
        let first = |v: usize| base.of(v).next().map(|(joint, _)| bodies[joint.index()]);
        let seed = |v: usize| {
            let own = first(v);
            base.of(v)
                .any(|(joint, _)| Some(bodies[joint.index()]) != own)
                || rings.of(v).iter().any(|&n| first(n as usize) != own)
        };
        let mut seen = vec![false; rings.len()];
        let mut vertices: Vec<u32> = (0..rings.len())
            .filter(|&v| seed(v))
            .map(|v| v as u32)
            .collect();
        vertices.iter().for_each(|&v| seen[v as usize] = true);
        let mut nearer = vec![0];
        for _ in 1..depth {
            let begin = nearer[nearer.len() - 1] as usize;
            let end = vertices.len();
            nearer.push(end as u32);
            if begin == end {
                break;
            }
            let is_new = |n: u32| !std::mem::replace(&mut seen[n as usize], true);
            rings.reach_from(&mut vertices, begin, is_new);
            vertices[end..].sort_unstable();
        }
        nearer.push(vertices.len() as u32);
        Self {
            vertices,
            nearer,
            core: Arc::new([]),
            places: Vec::new(),
            bodies: bodies.into(),
        }
    }

    fn set_core(&mut self, count: usize) {
        let mut core: Vec<(u32, u32)> = self.vertices[..count].iter().copied().zip(0..).collect();
        core.sort_unstable();
        self.core = core.iter().map(|entry| entry.0).collect();
        self.places = core.iter().map(|entry| entry.1).collect();
    }
}

/// For each joint the body it moves with: the nearest turned joint at or above it. Roots that no pose
/// turns rest together: they are one body.
pub(super) fn bodies(turned: &[JointId], skeleton: &Skeleton) -> Vec<u32> {
    let mut turns = vec![false; skeleton.joints().len()];
    turned.iter().for_each(|id| turns[id.index()] = true);
    let mut body = vec![u32::MAX; turns.len()];
    for &id in skeleton.parents_first() {
        if turns[id.index()] {
            body[id.index()] = u32::from(id.0);
        } else if let Some(parent) = skeleton.joint(id).parent {
            body[id.index()] = body[parent.index()];
        }
    }
    body
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_comes_after_the_one_before_it_and_ahead_of_the_one_behind() {
        for (shells, front, steps) in [(9, 0, 40), (30, 1, 7), (60, 3, 50), (1, 0, 5), (20, 2, 17)]
        {
            let region = Region {
                vertices: (0..2 * shells).collect(),
                nearer: (0..=shells).map(|shell| 2 * shell).collect(),
                core: Arc::new([]),
                places: Vec::new(),
                bodies: Arc::new([]),
            };
            let shells = shells as usize;
            let mut done = vec![0; shells];
            region.march(front, steps, |step, range| {
                let shell = range.start / 2;
                assert_eq!(range, 2 * shell..2 * shell + 2);
                assert_eq!(
                    done[shell],
                    step.saturating_sub(shell.saturating_sub(front))
                );
                let beside = shell.saturating_sub(1)..(shell + 2).min(shells);
                for near in beside {
                    // What the shell never reaches before this step stands still, as it came in.
                    let still = near.saturating_sub(front);
                    let taken = done[near] + still.min(step);
                    assert!(
                        taken >= step,
                        "step {step} on shell {shell}: {near} is behind"
                    );
                    assert!(
                        taken <= step + 1,
                        "step {step} on shell {shell}: {near} is ahead"
                    );
                }
                done[shell] += 1;
            });
            for (shell, done) in done.iter().enumerate() {
                let first = shell.saturating_sub(front);
                assert_eq!(*done, steps.saturating_sub(first), "shell {shell}");
            }
        }
    }
}
