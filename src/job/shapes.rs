//! Whole shapes of a few poses, as the layers have them and as weights do.

use super::work::Work;
use super::{Stage, Watch};
use crate::error::Error;
use crate::rig::{Block, LANES, Pose, Weights};

/// A skin in one pose, in mesh space.
pub(super) struct Posed {
    /// Where the layers have each welded vertex.
    pub reference: Vec<[f32; 3]>,
    /// Where the weights have it.
    pub baked: Vec<[f32; 3]>,
}

/// Works out a skin in each of some poses. Takes memory for all of them at once: for a few poses that are shown, not
/// for a set.
///
/// # Errors
/// An interrupt.
pub(super) fn shapes(
    work: &Work,
    poses: &Vec<Pose>,
    weights: &Weights,
    width: usize,
    watch: &dyn Watch,
) -> Result<Vec<Posed>, Error> {
    let (stack, skeleton) = (&work.stack, &work.character.skeleton);
    let mut posed: Vec<Posed> = poses
        .chunks(LANES)
        .flat_map(|poses| {
            let poses: Vec<&Pose> = poses.iter().collect();
            let block = Block::new(skeleton, &poses, stack.centre);
            // What the layers do not reach moves with its base joints.
            let reference = blended(&block, stack.base(), stack.rest());
            let baked = blended(&block, weights, stack.rest());
            reference.into_iter().zip(baked)
        })
        .map(|(reference, baked)| Posed { reference, baked })
        .collect();
    work.stream(poses, width, Stage::Measure, watch, |blocks| {
        for shapes in blocks {
            let mut buffer = Vec::new();
            for (v, target) in shapes.within(&(0..usize::MAX), &mut buffer) {
                for (lane, &pose) in shapes.poses.iter().enumerate() {
                    posed[pose].reference[v] = target.lane(lane);
                }
            }
        }
    })?;
    let centre = stack.centre;
    let to_mesh = |point: &mut [f32; 3]| {
        *point = std::array::from_fn(|i| (f64::from(point[i]) + centre[i]) as f32);
    };
    for posed in &mut posed {
        posed
            .reference
            .iter_mut()
            .chain(&mut posed.baked)
            .for_each(to_mesh);
    }
    Ok(posed)
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
