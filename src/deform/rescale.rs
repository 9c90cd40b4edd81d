//! Joints that scale: layers see the pose without scales, which come on top.
//!
//! Layers commute with rigid motion, not with scales: the detail of a mush would stay as large on a head that grows,
//! and edges would be drawn back to the lengths they had. So a vertex is worked out in the pose without scales, and
//! then moved as the scales move it: each joint by what takes its place in the pose without scales to the one in the
//! pose, blended as far as the layers bring the joint. What hangs from one joint moves with it exactly.

use std::ops::Range;
use std::sync::Arc;

use nalgebra::Matrix4;

use super::Spread;
use crate::rig::{Block, Evaluate, LANES, Lane, Point, Pose, Shapes, Skeleton, Targets};

/// What scales do in each pose of a block.
#[derive(Debug)]
pub(super) struct Rescale {
    /// For each joint the rows of what takes it from the pose without scales to the one with them.
    matrices: Vec<[Lane; 12]>,
    spread: Arc<Spread>,
}

impl Rescale {
    /// The scales of poses of one block, which is about `centre`.
    pub fn new(
        skeleton: &Skeleton,
        poses: &[&Pose],
        centre: [f64; 3],
        spread: &Arc<Spread>,
    ) -> Self {
        let mut matrices = vec![[[0.0; LANES]; 12]; skeleton.joints().len()];
        let mut center = Matrix4::identity();
        (0..3).for_each(|i| center[(i, 3)] = centre[i]);
        let mut back = center;
        (0..3).for_each(|i| back[(i, 3)] = -centre[i]);
        for lane in 0..LANES {
            let pose = poses[lane.min(poses.len() - 1)];
            let with = skeleton.skinning_matrices(pose);
            let without = skeleton.skinning_matrices(&pose.unscaled());
            for ((entry, with), without) in matrices.iter_mut().zip(&with).zip(&without) {
                // Poses without scales are rigid: they have inverses.
                let undo = without.try_inverse().unwrap_or_else(Matrix4::identity);
                let matrix = if with == without {
                    Matrix4::identity()
                } else {
                    back * with * undo * center
                };
                for row in 0..3 {
                    for column in 0..4 {
                        entry[4 * row + column][lane] = matrix[(row, column)] as f32;
                    }
                }
            }
        }
        Self {
            matrices,
            spread: Arc::clone(spread),
        }
    }

    /// Shapes of the poses without scales as shapes of `block`, which has them.
    pub fn onto(self, shapes: Shapes, block: Block) -> Shapes {
        let Shapes {
            block: unscaled,
            poses,
            vertices,
            bodies,
            targets,
        } = shapes;
        let targets = match targets {
            Targets::Known(mut points) => {
                for (&v, point) in vertices.iter().zip(&mut points) {
                    *point = self.moved(v, point);
                }
                Targets::Known(points)
            }
            Targets::OnDemand(source) => Targets::OnDemand(Arc::new(Rescaled {
                rescale: self,
                source,
                unscaled,
                vertices: Arc::clone(&vertices),
            })),
        };
        Shapes {
            block,
            poses,
            vertices,
            bodies,
            targets,
        }
    }

    fn moved(&self, vertex: u32, at: &Point) -> Point {
        let row = self.spread.of(vertex as usize);
        let whole: f32 = row.iter().map(|entry| entry.1).sum();
        let mut sum = Point::ZERO;
        for &(joint, mass) in row {
            let (m, share) = (&self.matrices[joint.index()], mass / whole);
            for l in 0..LANES {
                let (x, y, z) = (at.x[l], at.y[l], at.z[l]);
                sum.x[l] += share * (m[0][l] * x + m[1][l] * y + m[2][l] * z + m[3][l]);
                sum.y[l] += share * (m[4][l] * x + m[5][l] * y + m[6][l] * z + m[7][l]);
                sum.z[l] += share * (m[8][l] * x + m[9][l] * y + m[10][l] * z + m[11][l]);
            }
        }
        sum
    }
}

/// Targets of poses without scales, moved on demand.
#[derive(Debug)]
struct Rescaled {
    rescale: Rescale,
    source: Arc<dyn Evaluate>,
    unscaled: Block,
    vertices: Arc<[u32]>,
}

impl Evaluate for Rescaled {
    fn evaluate(&self, _: &Block, slots: Range<usize>, out: &mut [Point]) {
        self.source.evaluate(&self.unscaled, slots.clone(), out);
        for (&v, point) in self.vertices[slots].iter().zip(out) {
            *point = self.rescale.moved(v, point);
        }
    }
}
