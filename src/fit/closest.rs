//! The joints whose rigid motion comes closest to given shapes: candidates where no layers say how far a joint
//! reaches.

use rayon::prelude::*;

use crate::rig::{JointId, Mirror, Shapes};

/// Sums of squared distances, for each vertex and joint, over shapes.
#[derive(Clone, Debug)]
pub struct Closest {
    joints: usize,
    sums: Vec<f32>,
}

impl Closest {
    /// Without shapes yet.
    pub fn new(vertices: usize, joints: usize) -> Self {
        Self {
            joints,
            sums: vec![0.0; vertices * joints],
        }
    }

    /// Bytes that it takes.
    pub fn bytes(vertices: usize, joints: usize) -> usize {
        vertices * joints * size_of::<f32>()
    }

    /// Adds blocks of shapes; `rest` are the bind positions about the centre of the blocks.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        /// Vertices of a parcel.
        const PARCEL: usize = 256;
        let joints = self.joints;
        let parcels = self.sums.par_chunks_mut(PARCEL * joints).enumerate();
        parcels.for_each(|(parcel, sums)| {
            let first = parcel * PARCEL;
            let range = first..first + sums.len() / joints;
            let mut buffer = Vec::new();
            for shapes in shapes {
                let lanes = shapes.block.poses;
                for (v, target) in shapes.within(&range, &mut buffer) {
                    let sums = &mut sums[(v - first) * joints..][..joints];
                    for (joint, sum) in sums.iter_mut().enumerate() {
                        let moved = shapes.block.transform(joint, rest[v]);
                        for l in 0..lanes {
                            let x = moved.x[l] - target.x[l];
                            let y = moved.y[l] - target.y[l];
                            let z = moved.z[l] - target.z[l];
                            *sum += x * x + y * y + z * z;
                        }
                    }
                }
            }
        });
    }

    /// The closest joints of a vertex, the closest first, so many at most; partners of a mirror have the same.
    pub fn of(&self, vertex: usize, mirror: Option<&Mirror>, most: usize) -> Vec<JointId> {
        let sums = |v: usize| &self.sums[v * self.joints..][..self.joints];
        let mut own: Vec<(f32, JointId)> = (0..)
            .map(JointId)
            .zip(sums(vertex))
            .map(|(id, &sum)| (sum, id))
            .collect();
        if let Some(mirror) = mirror
            && let Some(partner) = mirror.vertex(vertex)
        {
            let other = sums(partner);
            for (sum, id) in &mut own {
                *sum += mirror.joint(*id).map_or(*sum, |id| other[id.index()]);
            }
        }
        own.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        own.into_iter().take(most).map(|(_, id)| id).collect()
    }
}
