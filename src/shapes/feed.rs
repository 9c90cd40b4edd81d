//! Given shapes of a pose set, block by block, nothing stored: where layers stream theirs, these come from files.

use std::ops::ControlFlow;
use std::sync::Arc;

use rayon::prelude::*;

use super::{Places, ShapeFiles};
use crate::error::Error;
use crate::rig::{Block, LANES, Lane, Point, Pose, PoseSequence, Shapes, Skeleton, Targets};

/// Shapes of one skin.
#[derive(Clone, Copy, Debug)]
pub struct Feed<'a> {
    /// Where they are.
    pub files: &'a ShapeFiles,
    /// Which vertex is which.
    pub places: &'a Places,
    /// The joints that pose it.
    pub skeleton: &'a Skeleton,
    /// What points are about: see [`Block`].
    pub centre: [f64; 3],
}

/// A block in the making.
#[derive(Clone, Debug, Default)]
struct Buffers {
    points: Vec<Point>,
    shape: Vec<[f32; 3]>,
}

impl Feed<'_> {
    /// Blocks that poses come to.
    pub fn blocks(poses: &dyn PoseSequence) -> usize {
        given(poses).len().div_ceil(LANES)
    }

    /// Bytes that this takes with so many blocks side by side, at most.
    pub fn bytes(&self, width: usize) -> usize {
        let joints = self.skeleton.joints().len();
        let block = self.places.len() * size_of::<Point>() + joints * size_of::<[Lane; 12]>();
        width * block + self.places.bytes() + self.files.bytes(width)
    }

    /// Reads the shapes of poses, and hands them on in the order of the poses, `width` blocks at a time, with the
    /// number of blocks done. Every vertex has its target. Poses without a shape are passed over.
    ///
    /// # Errors
    /// As of [`ShapeFiles::read`].
    pub fn run(
        &self,
        poses: &dyn PoseSequence,
        width: usize,
        mut receive: impl FnMut(&[Shapes], usize) -> ControlFlow<()>,
    ) -> Result<ControlFlow<()>, Error> {
        let vertices: Arc<[u32]> = (0..self.places.len() as u32).collect();
        // Two joints with one matrix are taken as two: it costs time, and nothing else.
        let bodies: Arc<[u32]> = (0..self.skeleton.joints().len() as u32).collect();
        let given = given(poses);
        let blocks: Vec<&[usize]> = given.chunks(LANES).collect();
        let mut buffers = vec![Buffers::default(); width.max(1)];
        let mut done = 0;
        for wave in blocks.chunks(width.max(1)) {
            let evaluate = |(poses_of, buffers): (&&[usize], &mut Buffers)| {
                let of_block: Vec<_> = poses_of.iter().map(|&index| poses.get(index)).collect();
                let of_block: Vec<&Pose> = of_block.iter().map(AsRef::as_ref).collect();
                let points = self.points(&of_block, buffers)?;
                Ok(Shapes {
                    block: Block::new(self.skeleton, &of_block, self.centre),
                    poses: poses_of.to_vec(),
                    vertices: Arc::clone(&vertices),
                    bodies: Arc::clone(&bodies),
                    targets: Targets::Known(points),
                })
            };
            let shapes: Vec<Shapes> = (wave.par_iter().zip(&mut buffers))
                .map(evaluate)
                .collect::<Result<_, Error>>()?;
            done += wave.len();
            if receive(&shapes, done).is_break() {
                return Ok(ControlFlow::Break(()));
            }
            for (shapes, buffers) in shapes.into_iter().zip(&mut buffers) {
                if let Targets::Known(points) = shapes.targets {
                    buffers.points = points;
                }
            }
        }
        Ok(ControlFlow::Continue(()))
    }

    /// The shapes of the poses of a block, lane by lane; those beyond repeat the last.
    fn points(&self, poses: &[&Pose], buffers: &mut Buffers) -> Result<Vec<Point>, Error> {
        let mut points = std::mem::take(&mut buffers.points);
        points.resize(self.places.len(), Point::ZERO);
        for lane in 0..LANES {
            if let Some(shape) = poses.get(lane).and_then(|pose| pose.shape) {
                self.files.read(shape, &mut buffers.shape)?;
            }
            self.places
                .fill(&buffers.shape, self.centre, lane, &mut points);
        }
        Ok(points)
    }
}

/// The places of the poses that have a shape.
fn given(poses: &dyn PoseSequence) -> Vec<usize> {
    let has_shape = |&index: &usize| poses.get(index).shape.is_some();
    (0..poses.len()).filter(has_shape).collect()
}
