//! Streamed error figures of several sets of weights at once.

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;

use super::beyond::Beyond;
use super::rows::Entry;
use super::sums::{At, Chunk, Sums};
use super::versus::{Measured, root_mean};
use crate::rig::{JointId, Point, PoseSequence, Rings, Shapes, Skeleton, Weights};

/// Errors over all welded vertices and poses, in percent of the diagonal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Root mean square.
    pub rms: f64,
    /// Ninety-nine in a hundred are below this; exact to 0.4 % of itself.
    pub p99: f64,
    /// The greatest.
    pub max: f64,
}

/// A vertex with its greatest error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worst {
    /// The welded vertex.
    pub vertex: usize,
    /// The place of the pose in its set.
    pub pose: usize,
    /// In percent of the diagonal.
    pub error_percent: f64,
}

/// Errors over a part of the vertices and poses, in percent of the diagonal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// Its vertices.
    pub vertices: usize,
    /// Root mean square.
    pub rms: f64,
    /// The greatest.
    pub max: f64,
}

/// Error sums of several sets of weights over one pose set.
pub struct Tallies {
    sums: Sums,
    /// Where weights may be anyone's.
    beyond: Option<Beyond>,
}

impl Tallies {
    /// Ready to tally these sets of weights over that many poses; `diagonal` is the size that errors
    /// are a percentage of.
    pub fn new(sets: &[&Weights], diagonal: f64, poses: usize) -> Self {
        let vertices = sets.first().map_or(0, |weights| weights.len());
        Self {
            sums: Sums::new(sets, diagonal, vertices, poses),
            beyond: None,
        }
    }

    /// The same for sets with weights that the layers never bring to their vertices: those that poses do not bend
    /// count too. `base` are the weights that the stack starts from.
    pub fn beyond(self, base: &Weights) -> Self {
        Self {
            beyond: Some(Beyond::new(base, self.sums.poses())),
            ..self
        }
    }

    /// Adds the errors in some shapes. `rest` holds bind positions about the centre.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        match &mut self.beyond {
            Some(beyond) => beyond.add(&mut self.sums, rest, shapes),
            // What is not evaluated moves rigidly, without error.
            None => self.sums.add(rest, shapes, tally),
        }
    }

    /// Adds the poses that no shapes held, where they count. `centre` is the point that `rest` is about.
    pub fn add_unbent(
        &mut self,
        rest: &[[f32; 3]],
        skeleton: &Skeleton,
        centre: [f64; 3],
        poses: &dyn PoseSequence,
    ) {
        if let Some(beyond) = &mut self.beyond {
            beyond.add_unbent(&mut self.sums, rest, skeleton, centre, poses);
        }
    }

    /// The figures of one set of weights.
    pub fn figures(&self, set: usize) -> Figures {
        self.sums.figures(set)
    }

    /// All that is needed to hold one set against another.
    pub fn measured(&self, set: usize) -> Measured {
        Measured::new(&self.sums, set)
    }

    /// The errors of one set in each pose.
    pub fn by_pose(&self, set: usize) -> Vec<Part> {
        let vertices = self.sums.vertices();
        let part = |sum, worst| Part::new(vertices, vertices, sum, worst);
        self.sums
            .of_poses(set)
            .map(|pose| part(pose.sum, pose.worst))
            .collect()
    }

    /// The errors of one set over the vertices of each joint, of so many; `joints` names that of each vertex.
    pub fn by_joint(&self, set: usize, joints: &[JointId], count: usize) -> Vec<Part> {
        let mut sums = vec![(0, 0.0, 0.0f32); count];
        for (joint, entry) in joints.iter().zip(self.sums.of_vertices(set)) {
            let (vertices, sum, worst) = &mut sums[joint.index()];
            *vertices += 1;
            *sum += entry.sum;
            *worst = worst.max(entry.worst);
        }
        let poses = self.sums.poses();
        sums.into_iter()
            .map(|(vertices, sum, worst)| Part::new(vertices, vertices * poses, sum, worst))
            .collect()
    }

    /// The vertices with the greatest errors of one set, at most `count`, no two of them neighbours.
    pub fn worst(&self, set: usize, rings: &Rings, count: usize) -> Vec<Worst> {
        let entries: Vec<&Entry> = self.sums.of_vertices(set).collect();
        let of = |v: usize| entries[v];
        let mut order: Vec<usize> = (0..entries.len()).filter(|&v| of(v).worst > 0.0).collect();
        order.sort_by(|&a, &b| of(b).worst.total_cmp(&of(a).worst).then(a.cmp(&b)));
        let taken = apart(order, rings, count).into_iter();
        taken
            .map(|v| Worst {
                vertex: v,
                pose: of(v).pose as usize,
                error_percent: f64::from(of(v).worst).sqrt(),
            })
            .collect()
    }

    /// Bytes that tallies of that many vertices, sets and poses take, with that many workers.
    pub fn bytes(vertices: usize, sets: usize, poses: usize, workers: usize) -> usize {
        Sums::bytes(vertices, sets, poses, workers) + Beyond::bytes(vertices, poses)
    }
}

impl Part {
    /// Of squares that sum to this, of which this is the worst.
    fn new(vertices: usize, count: usize, sum: f64, worst: f32) -> Self {
        Self {
            vertices,
            rms: root_mean(sum, count),
            max: f64::from(worst).sqrt(),
        }
    }
}

/// The first vertices of an order, at most `count`, no two of them neighbours.
pub(super) fn apart(
    order: impl IntoIterator<Item = usize>,
    rings: &Rings,
    count: usize,
) -> Vec<usize> {
    let mut taken: Vec<usize> = Vec::new();
    for v in order {
        if taken.len() == count {
            break;
        }
        let near = |&other: &usize| rings.of(other).contains(&(v as u32));
        if !taken.iter().any(near) {
            taken.push(v);
        }
    }
    taken
}

/// Tallies one block of poses for a chunk of vertices.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn tally(at: &At, mut chunk: Chunk, targets: &mut Vec<Point>) {
    for (v, target) in at.shapes.within(&chunk.range(), targets) {
        chunk.record(at, v, target);
    }
}
