//! Vertices that poses do not bend, for weights that may be wrong there.
//!
//! New weights give a vertex only joints that the layers bring there: where poses do not bend it, all of these move
//! as one, without error. Those of a file may be anyone's. So the vertices that no shapes hold count too, and poses
//! that bend nothing: the target there is the rigid motion of the base joint.

use std::sync::Arc;

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;

use super::sums::{At, Chunk, Sums};
use crate::rig::{
    Block, JointId, LANES, Point, Pose, PoseSequence, Shapes, Skeleton, Targets, Weights,
};

/// What is known of them, beside the sums of one pose set.
pub(super) struct Beyond {
    /// The heaviest base joint of each vertex.
    own: Vec<JointId>,
    seen: Vec<bool>,
}

impl Beyond {
    /// For a stack that starts from these weights, and that many poses.
    pub fn new(base: &Weights, poses: usize) -> Self {
        // A row of checked weights has at least one entry.
        let heaviest = |v: usize| base.of(v).next().map_or(JointId(0), |(joint, _)| joint);
        Self {
            own: (0..base.len()).map(heaviest).collect(),
            seen: vec![false; poses],
        }
    }

    /// Adds the errors in some shapes.
    pub fn add(&mut self, sums: &mut Sums, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let own = &self.own;
        sums.add(rest, shapes, |at, chunk, targets| {
            measure(own, at, chunk, targets);
        });
        for &pose in shapes.iter().flat_map(|shapes| &shapes.poses) {
            self.seen[pose] = true;
        }
    }

    /// Adds the poses that no shapes held: a stream leaves out those that bend nothing.
    pub fn add_unbent(
        &mut self,
        sums: &mut Sums,
        rest: &[[f32; 3]],
        skeleton: &Skeleton,
        centre: [f64; 3],
        poses: &dyn PoseSequence,
    ) {
        let unseen: Vec<usize> = (0..self.seen.len()).filter(|&p| !self.seen[p]).collect();
        let joints = skeleton.joints().len() as u32;
        for places in unseen.chunks(LANES) {
            let block: Vec<_> = places.iter().map(|&place| poses.get(place)).collect();
            let block: Vec<&Pose> = block.iter().map(AsRef::as_ref).collect();
            let shapes = Shapes {
                block: Block::new(skeleton, &block, centre),
                poses: places.to_vec(),
                vertices: Arc::new([]),
                bodies: (0..joints).collect(),
                targets: Targets::Known(Vec::new()),
            };
            self.add(sums, rest, &[shapes]);
        }
    }

    /// Bytes for that many vertices and poses.
    pub fn bytes(vertices: usize, poses: usize) -> usize {
        vertices * size_of::<JointId>() + poses
    }
}

/// Measures one block of poses on a chunk of vertices.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn measure(own: &[JointId], at: &At, mut chunk: Chunk, targets: &mut Vec<Point>) {
    let range = chunk.range();
    let mut bent = at.shapes.within(&range, targets).peekable();
    for v in range {
        let target = match bent.next_if(|&(next, _)| next == v) {
            Some((_, target)) => *target,
            None => at.shapes.block.transform(own[v].index(), at.rest[v]),
        };
        chunk.record(at, v, &target);
    }
}
