//! Gram matrices of the residuals of each vertex, streamed: poses are folded in and forgotten.

use multiversion::multiversion;
use rayon::prelude::*;

use super::quadratic::{Quadratic, packed};
use super::{Candidates, MAX_CANDIDATES};
use crate::rig::{JointId, LANES, Shapes};

/// One Gram matrix a vertex over its candidates, as packed upper triangles.
#[derive(Clone, Debug)]
pub struct Gram {
    candidates: Candidates,
    starts: Vec<usize>,
    sums: Vec<f64>,
    pose_weight: f64,
    unit: f64,
}

/// Vertices folded as one parcel of work; fixed, so that results do not depend on threads.
const CHUNK: usize = 256;

/// Joints that no pose tells apart.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Unidentified {
    /// Joints that move just like another candidate at every vertex where they may carry weight.
    pub joints: Vec<JointId>,
    /// Vertices at which some mix of candidates moves just like another.
    pub vertices: usize,
}

impl Gram {
    /// Empty matrices; `diagonal` is the size that errors are a percentage of.
    pub fn new(candidates: Candidates, diagonal: f64) -> Self {
        let mut starts = Vec::with_capacity(candidates.len() + 1);
        let mut total = 0;
        for v in 0..candidates.len() {
            starts.push(total);
            let n = candidates.of(v).len();
            // One candidate leaves nothing to decide: its error is measured, not stored.
            total += if n > 1 { n * (n + 1) / 2 } else { 0 };
        }
        starts.push(total);
        // A character of size zero cannot be in error.
        let percent = if diagonal > 0.0 {
            100.0 / diagonal
        } else {
            0.0
        };
        Self {
            candidates,
            starts,
            sums: vec![0.0; total],
            pose_weight: 0.0,
            unit: percent * percent,
        }
    }

    /// Bytes that the matrices of such candidates take.
    pub fn bytes(candidates: &Candidates) -> usize {
        let packed: usize = (0..candidates.len())
            .map(|v| candidates.of(v).len())
            .map(|n| n * (n + 1) / 2)
            .sum();
        8 * packed + 12 * candidates.len() + 2 * candidates.entries()
    }

    /// The candidates.
    pub fn candidates(&self) -> &Candidates {
        &self.candidates
    }

    /// Folds in shapes, in the order given. `rest` holds bind positions about the centre.
    ///
    /// Products of f32 residuals are summed in f64, so that G stays positive semidefinite to rounding
    /// in f64.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let (starts, candidates) = (&self.starts, &self.candidates);
        let mut chunks = Vec::new();
        let mut tail = self.sums.as_mut_slice();
        for first in (0..candidates.len()).step_by(CHUNK) {
            let end = (first + CHUNK).min(candidates.len());
            let (chunk, rest) = tail.split_at_mut(starts[end] - starts[first]);
            chunks.push((first..end, chunk));
            tail = rest;
        }
        chunks.into_par_iter().for_each(|(range, sums)| {
            for shape in shapes {
                fold_chunk(shape, &range, starts, candidates, rest, sums);
            }
        });
    }

    /// Counts poses with that weight in all as seen; also those that bend nothing.
    pub fn count(&mut self, weight: f64) {
        self.pose_weight += weight;
    }

    /// The mean squared error of a vertex as a quadratic form in its candidates' weights, in percent
    /// of the diagonal, squared.
    pub fn quadratic(&self, vertex: usize) -> Quadratic {
        let n = self.candidates.of(vertex).len();
        let mut form = Quadratic::zero(n);
        let matrix = &self.sums[self.starts[vertex]..self.starts[vertex + 1]];
        if !matrix.is_empty() && self.pose_weight > 0.0 {
            let scale = self.unit / self.pose_weight;
            for i in 0..n {
                for j in i..n {
                    form.set(i, j, matrix[packed(n, i, j)] * scale);
                }
            }
        }
        form
    }

    /// Which joints and vertices the poses leave open, where a root mean square difference in motion
    /// below `least_percent` of the diagonal is none.
    pub fn unidentified(&self, joints: usize, least_percent: f64) -> Unidentified {
        let least = least_percent * least_percent;
        let (mut open, mut told) = (vec![false; joints], vec![false; joints]);
        for v in 0..self.candidates.len() {
            let (form, ids) = (self.quadratic(v), self.candidates.of(v));
            if ids.len() < 2 {
                continue;
            }
            for i in 0..ids.len() {
                let apart = |j: usize| form.get(i, i) + form.get(j, j) - 2.0 * form.get(i, j);
                let alike = (0..ids.len()).any(|j| j != i && apart(j) < least);
                let of = if alike { &mut open } else { &mut told };
                of[ids[i].index()] = true;
            }
        }
        let joints = (0..joints)
            .filter(|&j| open[j] && !told[j])
            .map(|j| JointId(j as u16))
            .collect();
        let vertices = (0..self.candidates.len())
            .into_par_iter()
            .filter(|&v| !self.determined(v, least_percent))
            .count();
        Unidentified { joints, vertices }
    }

    /// Whether every change of a vertex's weights moves it by a root mean square of at least
    /// `least_percent` of the diagonal (for a change of length one).
    pub fn determined(&self, vertex: usize, least_percent: f64) -> bool {
        self.quadratic(vertex).least_on_sum_zero() >= least_percent * least_percent
    }
}

/// Folds a block of poses into the matrices of a range of vertices.
#[multiversion(targets("x86_64+avx2"))]
fn fold_chunk(
    shape: &Shapes,
    range: &std::ops::Range<usize>,
    starts: &[usize],
    candidates: &Candidates,
    rest: &[[f32; 3]],
    sums: &mut [f64],
) {
    let base = starts[range.start];
    for (v, target) in shape.within(&(range.start as u32..range.end as u32)) {
        let matrix = &mut sums[starts[v] - base..starts[v + 1] - base];
        if !matrix.is_empty() {
            fold(shape, candidates.of(v), rest[v], target, matrix);
        }
    }
}

#[inline(always)]
fn fold(
    shape: &Shapes,
    ids: &[JointId],
    rest: [f32; 3],
    target: &crate::rig::Point,
    matrix: &mut [f64],
) {
    let n = ids.len();
    let mut residuals = [[[0.0f64; LANES]; 3]; MAX_CANDIDATES];
    for (residual, id) in residuals.iter_mut().zip(ids) {
        let moved = shape.block.transform(id.index(), rest);
        for l in 0..LANES {
            residual[0][l] = f64::from(moved.x[l] - target.x[l]);
            residual[1][l] = f64::from(moved.y[l] - target.y[l]);
            residual[2][l] = f64::from(moved.z[l] - target.z[l]);
        }
    }
    let weights = shape.block.weights.map(f64::from);
    for i in 0..n {
        let mut weighted = residuals[i];
        for axis in &mut weighted {
            for l in 0..LANES {
                axis[l] *= weights[l];
            }
        }
        for j in i..n {
            let other = &residuals[j];
            let mut sum = [0.0; LANES];
            for l in 0..LANES {
                sum[l] = weighted[0][l] * other[0][l]
                    + weighted[1][l] * other[1][l]
                    + weighted[2][l] * other[2][l];
            }
            matrix[packed(n, i, j)] += sum.iter().sum::<f64>();
        }
    }
}
