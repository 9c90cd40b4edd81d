//! Blocks of poses, eight at once, the poses innermost; and the target shapes of a block.
//!
//! Coordinates are relative to the centre of the bind bounding box, so that f32 rounding stays
//! relative to the character's size wherever it stands.

// Kernels run over the lanes of several arrays at once; indices say so plainest.
#![allow(clippy::needless_range_loop)]

use std::ops::Range;
use std::sync::Arc;

use nalgebra::{Matrix3x4, Matrix4};

use super::{JointId, Pose, Skeleton};

/// Poses in a block.
pub const LANES: usize = 8;

/// One number for each pose of a block.
pub type Lane = [f32; LANES];

/// One point (or vector) for each pose of a block, relative to the character's centre.
#[derive(Clone, Copy, Debug, PartialEq)]
#[repr(C, align(32))]
pub struct Point {
    /// x of each pose.
    pub x: Lane,
    /// y of each pose.
    pub y: Lane,
    /// z of each pose.
    pub z: Lane,
}

impl Point {
    /// All zero.
    pub const ZERO: Self = Self {
        x: [0.0; LANES],
        y: [0.0; LANES],
        z: [0.0; LANES],
    };

    /// The same point in every pose.
    pub fn splat([x, y, z]: [f32; 3]) -> Self {
        Self {
            x: [x; LANES],
            y: [y; LANES],
            z: [z; LANES],
        }
    }

    /// The point of one pose.
    pub fn lane(&self, lane: usize) -> [f32; 3] {
        [self.x[lane], self.y[lane], self.z[lane]]
    }
}

/// The skinning matrices of up to [`LANES`] poses.
///
/// Lanes beyond the poses given repeat the last pose with weight zero, so that kernels need no
/// special case.
#[derive(Clone, Debug)]
pub struct Block {
    /// Poses in the block, at most [`LANES`].
    pub poses: usize,
    /// The weight of each pose.
    pub weights: Lane,
    /// For each joint the rows of its 3×4 matrix, one after the other.
    matrices: Vec<[Lane; 12]>,
}

impl Block {
    /// Works out the skinning matrices of 1 to [`LANES`] poses, about `centre`.
    ///
    /// # Panics
    /// If there are none or more.
    pub fn new(skeleton: &Skeleton, poses: &[&Pose], centre: [f64; 3]) -> Self {
        assert!(
            (1..=LANES).contains(&poses.len()),
            "{} poses in a block",
            poses.len()
        );
        let mut weights = [0.0; LANES];
        let mut matrices = vec![[[0.0; LANES]; 12]; skeleton.joints().len()];
        for lane in 0..LANES {
            let pose = poses[lane.min(poses.len() - 1)];
            if lane < poses.len() {
                weights[lane] = pose.weight as f32;
            }
            for (entry, matrix) in matrices.iter_mut().zip(skeleton.skinning_matrices(pose)) {
                for (row, values) in about(&matrix, centre).iter().enumerate() {
                    for (column, value) in values.iter().enumerate() {
                        entry[4 * row + column][lane] = *value as f32;
                    }
                }
            }
        }
        Self {
            poses: poses.len(),
            weights,
            matrices,
        }
    }

    /// A block of the bind pose alone.
    pub fn bind(joints: usize) -> Self {
        let mut matrix = [[0.0; LANES]; 12];
        for diagonal in [0, 5, 10] {
            matrix[diagonal] = [1.0; LANES];
        }
        Self {
            poses: 1,
            weights: [0.0; LANES],
            matrices: vec![matrix; joints],
        }
    }

    /// The same with joints behind the first so many, in place of those there; `matrix` gives theirs by joint, from 0
    /// on, and lane, about the centre.
    pub fn with_joints(
        &self,
        first: usize,
        joints: usize,
        matrix: impl Fn(usize, usize) -> Matrix3x4<f64>,
    ) -> Self {
        let mut matrices = Vec::with_capacity(first + joints);
        matrices.extend_from_slice(&self.matrices[..first]);
        for joint in 0..joints {
            let mut entry = [[0.0; LANES]; 12];
            for lane in 0..LANES {
                let matrix = matrix(joint, lane);
                for (place, values) in entry.iter_mut().enumerate() {
                    values[lane] = matrix[(place / 4, place % 4)] as f32;
                }
            }
            matrices.push(entry);
        }
        Self {
            matrices,
            weights: self.weights,
            poses: self.poses,
        }
    }

    /// The 3×4 matrix of a joint, row after row; `None` beyond the last joint.
    pub fn get(&self, joint: usize) -> Option<&[Lane; 12]> {
        self.matrices.get(joint)
    }

    /// The 3×4 matrix of a joint of the skeleton, row after row.
    #[inline(always)]
    pub fn joint(&self, joint: u16) -> &[Lane; 12] {
        &self.matrices[usize::from(joint)]
    }

    /// Where a joint takes a bind position, in every pose.
    #[inline(always)]
    pub fn transform(&self, joint: usize, [x, y, z]: [f32; 3]) -> Point {
        product(&self.matrices[joint], [x, y, z, 1.0])
    }
}

/// A 3×4 matrix, row after row, times a point (w is one) or a direction (w is zero).
#[inline(always)]
pub fn product(m: &[Lane; 12], [x, y, z, w]: [f32; 4]) -> Point {
    let mut point = Point::ZERO;
    for l in 0..LANES {
        point.x[l] = m[0][l] * x + m[1][l] * y + m[2][l] * z + m[3][l] * w;
        point.y[l] = m[4][l] * x + m[5][l] * y + m[6][l] * z + m[7][l] * w;
        point.z[l] = m[8][l] * x + m[9][l] * y + m[10][l] * z + m[11][l] * w;
    }
    point
}

/// Target shapes of a block of poses, on the vertices that the poses bend.
///
/// Every other vertex moves rigidly with its base joints in these poses.
#[derive(Clone, Debug)]
pub struct Shapes {
    /// The poses' matrices.
    pub block: Block,
    /// The place in the pose set of each pose of the block.
    pub poses: Vec<usize>,
    /// The welded vertices, in rising order.
    pub vertices: Arc<[u32]>,
    /// For each joint the body it moves with: joints of one body have one matrix, to the bit.
    pub bodies: Arc<[u32]>,
    /// The target of each of the vertices.
    pub targets: Targets,
}

/// Where target shapes come from.
#[derive(Clone, Debug)]
pub enum Targets {
    /// Worked out already.
    Known(Vec<Point>),
    /// Worked out where they are asked for: no vertex needs another.
    OnDemand(Arc<dyn Evaluate>),
}

/// Works out target shapes a part at a time.
pub trait Evaluate: std::fmt::Debug + Send + Sync {
    /// The targets at these places of the list of vertices.
    fn evaluate(&self, block: &Block, slots: Range<usize>, out: &mut [Point]);
}

impl Shapes {
    /// The vertices within a range with their targets; `buffer` may be used to hold them.
    pub fn within<'a>(
        &'a self,
        range: &Range<usize>,
        buffer: &'a mut Vec<Point>,
    ) -> impl Iterator<Item = (usize, &'a Point)> + use<'a> {
        let begin = self
            .vertices
            .partition_point(|&v| (v as usize) < range.start);
        let end = self.vertices.partition_point(|&v| (v as usize) < range.end);
        let targets = self.targets_at(begin..end, buffer);
        let vertices = self.vertices[begin..end].iter().map(|&v| v as usize);
        vertices.zip(targets)
    }

    /// The targets at these places of the list of vertices; `buffer` may be used to hold them.
    pub fn targets_at<'a>(
        &'a self,
        slots: Range<usize>,
        buffer: &'a mut Vec<Point>,
    ) -> &'a [Point] {
        match &self.targets {
            Targets::Known(targets) => &targets[slots],
            Targets::OnDemand(source) => {
                buffer.resize(slots.len(), Point::ZERO);
                source.evaluate(&self.block, slots, buffer);
                buffer
            }
        }
    }

    /// The target of each of the vertices.
    pub fn points(&self) -> Vec<Point> {
        let mut buffer = Vec::new();
        let all = self.within(&(0..usize::MAX), &mut buffer);
        all.map(|(_, target)| *target).collect()
    }
}

/// How a vertex would move with each body of a block, against its target; used again from vertex to
/// vertex.
#[derive(Clone, Debug, Default)]
pub struct Residuals {
    bodies: Vec<u32>,
    places: Vec<usize>,
    points: Vec<Point>,
    joints: usize,
    count: usize,
}

impl Residuals {
    /// Works them out for some joints at a vertex; joints of one body share theirs.
    #[inline(always)]
    pub fn work_out(
        &mut self,
        shapes: &Shapes,
        joints: &[JointId],
        rest: [f32; 3],
        target: &Point,
    ) {
        if self.places.len() < joints.len() {
            self.grow(joints.len());
        }
        self.joints = joints.len();
        self.count = 0;
        for (place, joint) in self.places.iter_mut().zip(joints) {
            let body = shapes.bodies[joint.index()];
            let known = self.bodies[..self.count].iter().position(|&k| k == body);
            *place = known.unwrap_or(self.count);
            if known.is_none() {
                self.bodies[self.count] = body;
                let moved = shapes.block.transform(joint.index(), rest);
                let residual = &mut self.points[self.count];
                for l in 0..LANES {
                    residual.x[l] = moved.x[l] - target.x[l];
                    residual.y[l] = moved.y[l] - target.y[l];
                    residual.z[l] = moved.z[l] - target.z[l];
                }
                self.count += 1;
            }
        }
    }

    /// For each joint asked for, the place of its body.
    #[inline(always)]
    pub fn places(&self) -> &[usize] {
        &self.places[..self.joints]
    }

    /// `T·x − t` of each body.
    #[inline(always)]
    pub fn of(&self) -> &[Point] {
        &self.points[..self.count]
    }

    #[cold]
    fn grow(&mut self, joints: usize) {
        self.bodies.resize(joints, 0);
        self.places.resize(joints, 0);
        self.points.resize(joints, Point::ZERO);
    }
}

/// The rows of `matrix` for positions relative to `centre`: `T(p + c) − c`.
fn about(matrix: &Matrix4<f64>, centre: [f64; 3]) -> [[f64; 4]; 3] {
    std::array::from_fn(|row| {
        let m = [matrix[(row, 0)], matrix[(row, 1)], matrix[(row, 2)]];
        // Grouped so that an identity gives exactly zero.
        let shift: f64 = (0..3)
            .map(|i| (m[i] - f64::from(u8::from(i == row))) * centre[i])
            .sum();
        [m[0], m[1], m[2], matrix[(row, 3)] + shift]
    })
}
