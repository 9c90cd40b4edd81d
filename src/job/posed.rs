//! Whole shapes of a few poses, as their targets have them and as weights do.

use super::work::Work;
use super::{Stage, Watch};
use crate::error::Error;
use crate::rig::{Block, LANES, Pose, Weights};

/// A skin in one pose, in mesh space.
pub(super) struct Posed {
    /// Where the target has each welded vertex.
    pub reference: Vec<[f32; 3]>,
    /// Where the weights have it.
    pub baked: Vec<[f32; 3]>,
}

/// Works out a skin in each of some poses, as its target has it and as weights do. Takes memory for all of them at
/// once: for a few poses that are shown, not for a set.
///
/// # Errors
/// An interrupt; a target shape that cannot be read.
pub(super) fn posed(
    work: &Work,
    poses: &Vec<Pose>,
    weights: &Weights,
    width: usize,
    watch: &dyn Watch,
) -> Result<Vec<Posed>, Error> {
    let references = references(work, poses, width, watch)?;
    let baked = in_blocks(work, poses, weights);
    let both = references.into_iter().zip(baked);
    Ok(both
        .map(|(reference, baked)| Posed {
            reference,
            baked: in_mesh_space(baked, work.stack.centre),
        })
        .collect())
}

/// Where the target has each welded vertex in each of some poses, in mesh space; all of them at once.
///
/// # Errors
/// As of [`posed`].
pub(super) fn references(
    work: &Work,
    poses: &Vec<Pose>,
    width: usize,
    watch: &dyn Watch,
) -> Result<Vec<Vec<[f32; 3]>>, Error> {
    // What the layers do not reach moves with its base joints.
    let mut shapes: Vec<_> = in_blocks(work, poses, work.stack.base()).collect();
    work.stream(poses, width, Stage::Measure, watch, |blocks| {
        for block in blocks {
            let mut buffer = Vec::new();
            for (v, target) in block.within(&(0..usize::MAX), &mut buffer) {
                for (lane, &pose) in block.poses.iter().enumerate() {
                    shapes[pose][v] = target.lane(lane);
                }
            }
        }
    })?;
    let centre = work.stack.centre;
    Ok(shapes
        .into_iter()
        .map(|shape| in_mesh_space(shape, centre))
        .collect())
}

/// A shape about the centre, in mesh space.
fn in_mesh_space(mut shape: Vec<[f32; 3]>, centre: [f64; 3]) -> Vec<[f32; 3]> {
    for point in &mut shape {
        *point = std::array::from_fn(|i| (f64::from(point[i]) + centre[i]) as f32);
    }
    shape
}

/// The linear blend of weights in each pose, about the centre.
fn in_blocks<'a>(
    work: &'a Work,
    poses: &'a [Pose],
    weights: &'a Weights,
) -> impl Iterator<Item = Vec<[f32; 3]>> + 'a {
    let (stack, skeleton) = (&work.stack, &work.character.skeleton);
    poses.chunks(LANES).flat_map(move |poses| {
        let poses: Vec<&Pose> = poses.iter().collect();
        let block = Block::new(skeleton, &poses, stack.centre);
        blended(&block, weights, stack.rest())
    })
}

/// The linear blend of weights in each pose of a block.
fn blended(block: &Block, weights: &Weights, rest: &[[f32; 3]]) -> Vec<Vec<[f32; 3]>> {
    let mut posed = vec![Vec::with_capacity(rest.len()); block.poses];
    for (v, &at) in rest.iter().enumerate() {
        let mut sums = [[0.0f64; 3]; LANES];
        for (joint, weight) in weights.of(v) {
            let moved = block.transform(joint.index(), at);
            for (lane, sum) in sums.iter_mut().enumerate() {
                let moved = moved.lane(lane);
                (0..3).for_each(|i| sum[i] += f64::from(weight) * f64::from(moved[i]));
            }
        }
        for (posed, sum) in posed.iter_mut().zip(sums) {
            posed.push(sum.map(|x| x as f32));
        }
    }
    posed
}
