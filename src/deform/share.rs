//! What smoothing makes of each joint's share of the bind shape.
//!
//! Smoothing is linear, and a linearly skinned shape is a sum over joints: `p_v = Σ_j T_j·w_vj·(x_v, 1)`. So
//! smoothing the shares `w_vj·(x_v, 1)` of each joint once smooths the shape in every pose (after Le &
//! Lewis 2019, *Direct delta mush skinning and variants*, ACM TOG 38(4), §4; section from memory). The
//! last coordinate of a share is the joint's weight, smoothed.

use rayon::prelude::*;

use super::filter::Filter;
use crate::rig::{Rings, Weights};

/// A share: x, y, z and weight.
pub(super) type Share = [f64; 4];

/// A value for each vertex and each joint that reaches it.
#[derive(Clone, Debug)]
pub(super) struct Shares<T> {
    starts: Vec<u32>,
    joints: Vec<u16>,
    values: Vec<T>,
}

impl<T> Default for Shares<T> {
    /// Without vertices.
    fn default() -> Self {
        Self {
            starts: vec![0],
            joints: Vec::new(),
            values: Vec::new(),
        }
    }
}

impl<T> Shares<T> {
    /// The joints that reach a vertex with their values.
    pub fn of(&self, vertex: usize) -> (&[u16], &[T]) {
        let range = self.starts[vertex] as usize..self.starts[vertex + 1] as usize;
        (&self.joints[range.clone()], &self.values[range])
    }

    /// The number of vertices.
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Adds the next vertex.
    pub fn push(&mut self, entries: impl Iterator<Item = (u16, T)>) {
        for (joint, value) in entries {
            self.joints.push(joint);
            self.values.push(value);
        }
        self.starts.push(self.joints.len() as u32);
    }

    /// Bytes that it takes.
    pub fn bytes(&self) -> usize {
        self.joints.len() * (size_of::<u16>() + size_of::<T>()) + self.starts.len() * 4
    }
}

impl<T: Copy + Default + Send + Sync> Shares<T> {
    /// Smooths every joint's share of the shape `rest` by filters in order, each with the vertices that it
    /// leaves alone, and keeps what `keep` makes of it.
    pub fn smoothed(
        base: &Weights,
        rings: &Rings,
        rest: &[[f64; 3]],
        filters: &[(&Filter, &[bool])],
        keep: impl Fn(Share) -> Option<T> + Sync,
    ) -> Self {
        let mut members: Vec<Vec<(u32, f32)>> = Vec::new();
        for v in 0..base.len() {
            for (joint, weight) in base.of(v) {
                if joint.index() >= members.len() {
                    members.resize_with(joint.index() + 1, Vec::new);
                }
                members[joint.index()].push((v as u32, weight));
            }
        }
        let reached: Vec<Vec<(u32, T)>> = members
            .into_par_iter()
            .map_init(
                || Smoother::new(rings),
                |smoother, members| smoother.run(&members, rest, filters, &keep),
            )
            .collect();
        Self::by_vertex(rings.len(), &reached)
    }

    /// Adds the vertices of another list.
    pub fn append(&mut self, more: &Self) {
        let before = self.joints.len() as u32;
        self.starts
            .extend(more.starts[1..].iter().map(|start| before + start));
        self.joints.extend_from_slice(&more.joints);
        self.values.extend_from_slice(&more.values);
    }

    /// Lists for each joint, put in the order of vertices, joints rising.
    fn by_vertex(vertices: usize, reached: &[Vec<(u32, T)>]) -> Self {
        let mut starts = vec![0u32; vertices + 1];
        for &(v, _) in reached.iter().flatten() {
            starts[v as usize + 1] += 1;
        }
        for v in 0..vertices {
            starts[v + 1] += starts[v];
        }
        let mut next = starts.clone();
        let total = starts[vertices] as usize;
        let (mut joints, mut values) = (vec![0; total], vec![T::default(); total]);
        for (joint, list) in reached.iter().enumerate() {
            for &(v, value) in list {
                let place = next[v as usize] as usize;
                next[v as usize] += 1;
                joints[place] = joint as u16;
                values[place] = value;
            }
        }
        Self {
            starts,
            joints,
            values,
        }
    }
}

/// Smooths one joint's share at a time, on the vertices that it reaches.
struct Smoother<'a> {
    rings: &'a Rings,
    /// For each vertex its place in `vertices`, or `u32::MAX`.
    places: Vec<u32>,
    vertices: Vec<u32>,
    current: Vec<Share>,
    before: Vec<Share>,
    result: Vec<Share>,
}

impl<'a> Smoother<'a> {
    fn new(rings: &'a Rings) -> Self {
        Self {
            rings,
            places: vec![u32::MAX; rings.len()],
            vertices: Vec::new(),
            current: Vec::new(),
            before: Vec::new(),
            result: Vec::new(),
        }
    }

    fn run<T>(
        &mut self,
        members: &[(u32, f32)],
        rest: &[[f64; 3]],
        filters: &[(&Filter, &[bool])],
        keep: impl Fn(Share) -> Option<T>,
    ) -> Vec<(u32, T)> {
        let steps = filters.iter().map(|(filter, _)| filter.steps.len()).sum();
        let nearer = self.grow(members, steps);
        let rings = self.rings.restrict(&self.vertices, &self.places);
        let zero = [0.0; 4];
        for buffer in [&mut self.current, &mut self.before, &mut self.result] {
            buffer.clear();
            buffer.resize(self.vertices.len(), zero);
        }
        for (share, &(v, weight)) in self.current.iter_mut().zip(members) {
            let [x, y, z] = rest[v as usize];
            *share = [x, y, z, 1.0].map(|value| f64::from(weight) * value);
        }
        let mut done = 0;
        for (filter, held) in filters {
            add_scaled(
                filter.take_start,
                &self.current[..nearer[done]],
                &mut self.result,
            );
            for step in &filter.steps {
                done += 1;
                for place in 0..nearer[done] {
                    let here = self.current[place];
                    let held = held[self.vertices[place] as usize];
                    self.before[place] = if held {
                        here
                    } else {
                        step.at(rings.of(place), &self.current, here, self.before[place])
                    };
                }
                std::mem::swap(&mut self.current, &mut self.before);
                if step.take != 0.0 {
                    add_scaled(step.take, &self.current[..nearer[done]], &mut self.result);
                }
            }
            std::mem::swap(&mut self.current, &mut self.result);
            for buffer in [&mut self.before, &mut self.result] {
                buffer.fill(zero);
            }
        }
        self.vertices
            .iter()
            .zip(&self.current)
            .filter_map(|(&v, &share)| Some((v, keep(share)?)))
            .collect()
    }

    /// Takes the members and the rings around them, one more than there are steps, so that the rings of
    /// all vertices that a step changes are whole. Gives how many vertices are nearer than each ring.
    fn grow(&mut self, members: &[(u32, f32)], steps: usize) -> Vec<usize> {
        for &v in &self.vertices {
            self.places[v as usize] = u32::MAX;
        }
        self.vertices.clear();
        let mut nearer = Vec::with_capacity(steps + 1);
        for &(v, _) in members {
            self.places[v as usize] = self.vertices.len() as u32;
            self.vertices.push(v);
        }
        let (mut begin, mut place) = (0, self.vertices.len() as u32);
        for _ in 0..=steps {
            let end = self.vertices.len();
            nearer.push(end);
            let places = &mut self.places;
            self.rings.reach_from(&mut self.vertices, begin, |n| {
                let is_new = places[n as usize] == u32::MAX;
                if is_new {
                    places[n as usize] = place;
                    place += 1;
                }
                is_new
            });
            begin = end;
        }
        nearer
    }
}

fn add_scaled(scale: f32, shares: &[Share], sum: &mut [Share]) {
    let scale = f64::from(scale);
    for (sum, share) in sum.iter_mut().zip(shares) {
        for i in 0..4 {
            sum[i] += scale * share[i];
        }
    }
}
