//! Blends: all joints at once, spread evenly over their ranges.

use super::halton::Halton;
use super::ranges::{AxisRanges, Ranges, from_degrees};
use super::{Options, Stream};
use crate::rig::{JointId, Pose, Skeleton};

/// Blends, each made when asked for.
#[derive(Clone, Debug)]
pub(super) struct Blends {
    name: &'static str,
    joints: Vec<(JointId, AxisRanges)>,
    share: f64,
    weight: f64,
    count: usize,
    halton: Halton,
}

impl Blends {
    /// The blends of a stream of the seed; no two streams share points.
    pub fn new(
        skeleton: &Skeleton,
        bends: &[bool],
        ranges: &Ranges,
        options: &Options,
        stream: Stream,
    ) -> Self {
        let joints: Vec<(JointId, AxisRanges)> = skeleton
            .ids()
            .filter(|id| bends[id.index()])
            .map(|id| (id, *ranges.of(id)))
            .collect();
        let (name, count, weight, place) = match stream {
            Stream::Fit => ("blend", options.blends, options.blend_weight, 0),
            Stream::HeldOut => ("held-out", options.held_out, 1.0, 1),
        };
        let count = if joints.is_empty() || weight == 0.0 {
            0
        } else {
            count
        };
        let dimensions = if count == 0 { 0 } else { 3 * joints.len() };
        let halton = Halton::new(dimensions, options.seed.wrapping_mul(2).wrapping_add(place));
        Self {
            name,
            joints,
            share: options.blend_share,
            weight,
            count,
            halton,
        }
    }

    /// The same, more or fewer of them.
    pub fn with_count(&self, count: usize) -> Self {
        // None at all say that there are none to make.
        let count = if self.count == 0 { 0 } else { count };
        Self {
            count,
            ..self.clone()
        }
    }

    pub fn len(&self) -> usize {
        self.count
    }

    pub fn get(&self, index: usize) -> Pose {
        let rotations = self
            .joints
            .iter()
            .enumerate()
            .map(|(place, &(id, ranges))| {
                let vector = std::array::from_fn(|axis| {
                    let [low, high] = ranges[axis];
                    self.share
                        * (low + self.halton.value(index as u64, 3 * place + axis) * (high - low))
                });
                (id, from_degrees(vector))
            });
        Pose {
            weight: self.weight,
            ..Pose::new(format!("{} {index}", self.name), rotations)
        }
    }
}
