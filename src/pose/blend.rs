//! Blends: all joints at once, spread evenly over their ranges.

use super::Options;
use super::halton::Halton;
use super::ranges::{Ranges, from_degrees};
use crate::rig::{JointId, Pose, Skeleton};

/// Blends for the fit are stream 0 of a seed, held-out poses stream 1; no two share points.
pub fn blends(
    name: &str,
    skeleton: &Skeleton,
    bends: &[bool],
    ranges: &Ranges,
    options: &Options,
    stream: u64,
) -> Vec<Pose> {
    let joints: Vec<JointId> = skeleton.ids().filter(|id| bends[id.index()]).collect();
    let count = if stream == 0 {
        options.blends
    } else {
        options.held_out
    };
    if joints.is_empty() || count == 0 {
        return Vec::new();
    }
    let halton = Halton::new(
        3 * joints.len(),
        options.seed.wrapping_mul(2).wrapping_add(stream),
    );
    (0..count)
        .map(|index| {
            let rotations = joints
                .iter()
                .enumerate()
                .map(|(place, &id)| {
                    let vector = std::array::from_fn(|axis| {
                        let [low, high] = ranges.of(id)[axis];
                        let share = halton.value(index as u64, 3 * place + axis);
                        options.blend_share * (low + share * (high - low))
                    });
                    (id, from_degrees(vector))
                })
                .collect();
            Pose::new(format!("{name} {index}"), rotations)
        })
        .collect()
}
