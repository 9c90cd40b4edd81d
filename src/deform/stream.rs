//! A pose set through the stack, block by block, nothing stored.
//!
//! Poses that turn the same joints bend the same region, so they share blocks and the stack of that
//! region. Waves of blocks are evaluated side by side; the order in which shapes are handed on is
//! fixed by the pose set alone.

use std::ops::ControlFlow;
use std::sync::{Mutex, PoisonError};

use rayon::prelude::*;

use super::rescale::Rescale;
use super::{LocalStack, Scratch, Stack};
use crate::rig::{Block, JointId, LANES, Point, Pose, PoseSequence, Shapes, Skeleton, Targets};

/// A pose set laid out in blocks.
pub struct Stream<'a> {
    stack: &'a Stack,
    skeleton: &'a Skeleton,
    poses: &'a dyn PoseSequence,
    groups: Vec<Vec<JointId>>,
    units: Vec<Unit>,
}

/// A block to evaluate.
struct Unit {
    group: usize,
    poses: Vec<usize>,
}

impl<'a> Stream<'a> {
    /// Lays out a pose set.
    pub fn new(stack: &'a Stack, skeleton: &'a Skeleton, poses: &'a dyn PoseSequence) -> Self {
        let all = skeleton.joints().len();
        let turned = |pose: &Pose| -> Vec<JointId> {
            match pose.moves.len() {
                // Most of the surface bends anyway: poses like this share blocks, whatever they leave out.
                many if 2 * many > all => skeleton.ids().collect(),
                _ => pose.moves.iter().map(|own| own.0).collect(),
            }
        };
        let mut groups: Vec<Vec<JointId>> = Vec::new();
        let mut members: Vec<Vec<usize>> = Vec::new();
        let mut known = std::collections::HashMap::new();
        for index in 0..poses.len() {
            let joints = turned(&poses.get(index));
            let group = *known.entry(joints.clone()).or_insert_with(|| {
                groups.push(joints);
                members.push(Vec::new());
                groups.len() - 1
            });
            members[group].push(index);
        }
        let units = members
            .iter()
            .enumerate()
            .flat_map(|(group, members)| {
                members.chunks(LANES).map(move |poses| Unit {
                    group,
                    poses: poses.to_vec(),
                })
            })
            .collect();
        Self {
            stack,
            skeleton,
            poses,
            groups,
            units,
        }
    }

    /// The number of blocks.
    pub fn blocks(&self) -> usize {
        self.units.len()
    }

    /// Evaluates every block, in waves for `width` workers, and hands shapes on in fixed order, with the number of
    /// blocks done so far. Blocks that bend nothing are left out. Stops early if told to.
    pub fn run<B>(
        &self,
        width: usize,
        mut receive: impl FnMut(&[Shapes], usize) -> ControlFlow<B>,
    ) -> ControlFlow<B> {
        let mut stacks: Vec<(usize, Option<LocalStack>)> = Vec::new();
        // Buffers go round: fresh ones for every block would leave the heap in holes.
        let scratches: Mutex<Vec<Scratch>> = Mutex::default();
        let results: Mutex<Vec<Vec<Point>>> = Mutex::default();
        let mut done = 0;
        let mut rest = self.units.as_slice();
        while !rest.is_empty() {
            let (wave, later) = rest.split_at(self.wave(rest, width.max(1)));
            rest = later;
            stacks.retain(|(group, _)| wave.iter().any(|unit| unit.group == *group));
            let mut missing: Vec<usize> = wave.iter().map(|unit| unit.group).collect();
            missing.dedup();
            missing.retain(|group| stacks.iter().all(|(known, _)| known != group));
            stacks.par_extend(missing.into_par_iter().map(|group| {
                (
                    group,
                    self.stack.bent_by(&self.groups[group], self.skeleton),
                )
            }));
            let shapes: Vec<Shapes> = wave
                .par_iter()
                .filter_map(|unit| {
                    let (_, stack) = stacks.iter().find(|(group, _)| *group == unit.group)?;
                    let poses: Vec<_> = unit.poses.iter().map(|&p| self.poses.get(p)).collect();
                    let poses: Vec<&Pose> = poses.iter().map(AsRef::as_ref).collect();
                    let stack = stack.as_ref()?;
                    let mut scratch = take(&scratches);
                    let mut evaluate = |poses: &[&Pose]| {
                        let block = Block::new(self.skeleton, poses, self.stack.centre);
                        stack.evaluate(block, unit.poses.clone(), &mut scratch, take(&results))
                    };
                    let scales = poses.iter().any(|pose| pose.scales());
                    let shapes = if scales && !self.stack.is_linear_blend() {
                        let unscaled: Vec<Pose> =
                            poses.iter().map(|pose| pose.unscaled()).collect();
                        let shapes = evaluate(&unscaled.as_slice().iter().collect::<Vec<_>>());
                        let (skeleton, centre) = (self.skeleton, self.stack.centre);
                        Rescale::new(skeleton, &poses, centre, self.stack.spread())
                            .onto(shapes, Block::new(skeleton, &poses, centre))
                    } else {
                        evaluate(&poses)
                    };
                    give(&scratches, scratch);
                    Some(shapes)
                })
                .collect();
            done += wave.len();
            receive(&shapes, done)?;
            shapes.into_iter().for_each(|shape| {
                if let Targets::Known(targets) = shape.targets {
                    give(&results, targets);
                }
            });
        }
        ControlFlow::Continue(())
    }

    /// How many of these units to evaluate side by side.
    fn wave(&self, units: &[Unit], width: usize) -> usize {
        let most = self.stack.blocks_per_worker() * width;
        let mut groups = 0;
        let mut last = None;
        let fits = |unit: &&Unit| {
            groups += usize::from(last.replace(unit.group) != Some(unit.group));
            groups <= GROUPS_PER_WORKER * width
        };
        units.iter().take(most).take_while(fits).count()
    }
}

/// Regions that a wave holds for each worker.
pub const GROUPS_PER_WORKER: usize = 4;

fn take<T: Default>(pool: &Mutex<Vec<T>>) -> T {
    // A thread that panicked while holding the lock left whole buffers: their content does not matter.
    pool.lock()
        .unwrap_or_else(PoisonError::into_inner)
        .pop()
        .unwrap_or_default()
}

fn give<T>(pool: &Mutex<Vec<T>>, item: T) {
    pool.lock()
        .unwrap_or_else(PoisonError::into_inner)
        .push(item);
}
