//! Gram matrices of the residuals of each vertex, streamed: poses are folded in and forgotten.

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use rayon::prelude::*;

use super::quadratic::{Quadratic, Set, packed};
use super::{Candidates, MAX_CANDIDATES};
use crate::rig::{JointId, LANES, Point, Residuals, Shapes};

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
        chunks
            .into_par_iter()
            .for_each_init(Buffers::default, |buffers, (range, sums)| {
                for shape in shapes {
                    fold_chunk(shape, &range, starts, candidates, rest, sums, buffers);
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
        // For each vertex which candidates move like another, and whether any mix does.
        let found: Vec<(Set, bool)> = (0..self.candidates.len())
            .into_par_iter()
            .map(|v| {
                let n = self.candidates.of(v).len();
                if n < 2 {
                    return (0, false);
                }
                let form = self.quadratic(v);
                let apart = |i, j| form.get(i, i) + form.get(j, j) - 2.0 * form.get(i, j);
                let alike = |&i: &usize| (0..n).any(|j| j != i && apart(i, j) < least);
                let set = (0..n).filter(alike).fold(0, |set: Set, i| set | 1 << i);
                (set, !form.is_at_least_on_sum_zero(least))
            })
            .collect();
        let (mut open, mut told) = (vec![false; joints], vec![false; joints]);
        for (v, (alike, _)) in found.iter().enumerate() {
            let ids = self.candidates.of(v);
            if ids.len() > 1 {
                for (i, id) in ids.iter().enumerate() {
                    let of = if alike >> i & 1 == 1 {
                        &mut open
                    } else {
                        &mut told
                    };
                    of[id.index()] = true;
                }
            }
        }
        let joints = (0..joints)
            .filter(|&j| open[j] && !told[j])
            .map(|j| JointId(j as u16))
            .collect();
        let vertices = found.iter().filter(|found| found.1).count();
        Unidentified { joints, vertices }
    }

    /// Whether every change of a vertex's weights moves it by a root mean square of at least
    /// `least_percent` of the diagonal (for a change of length one).
    pub fn determined(&self, vertex: usize, least_percent: f64) -> bool {
        let form = self.quadratic(vertex);
        form.is_at_least_on_sum_zero(least_percent * least_percent)
    }
}

/// What one worker needs while it folds.
#[derive(Default)]
struct Buffers {
    targets: Vec<Point>,
    residuals: Residuals,
    products: Products,
}

/// For each pair of bodies the products of their residuals, halves of the lanes added.
#[derive(Default)]
struct Products {
    lanes: [[[f64; HALF]; MAX_CANDIDATES]; MAX_CANDIDATES],
    sums: [[f64; MAX_CANDIDATES]; MAX_CANDIDATES],
}

const HALF: usize = LANES / 2;

/// Folds a block of poses into the matrices of a range of vertices.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn fold_chunk(
    shapes: &Shapes,
    range: &std::ops::Range<usize>,
    starts: &[usize],
    candidates: &Candidates,
    rest: &[[f32; 3]],
    sums: &mut [f64],
    buffers: &mut Buffers,
) {
    let base = starts[range.start];
    let Buffers {
        targets,
        residuals,
        products,
    } = buffers;
    let weights = shapes.block.weights.map(f64::from);
    for (v, target) in shapes.within(range, targets) {
        let matrix = &mut sums[starts[v] - base..starts[v + 1] - base];
        if !matrix.is_empty() {
            residuals.work_out(shapes, candidates.of(v), rest[v], target);
            products.work_out(residuals.of(), &weights);
            products.scatter(residuals.places(), matrix);
        }
    }
}

impl Products {
    /// The weighted products of all pairs, summed over the poses.
    #[inline(always)]
    fn work_out(&mut self, residuals: &[Point], weights: &[f64; LANES]) {
        // Lanes go through memory: the compiler makes vectors of stores, not of sums.
        for (i, a) in residuals.iter().enumerate() {
            for (j, b) in residuals.iter().enumerate().skip(i) {
                let lanes = &mut self.lanes[i][j];
                for l in 0..HALF {
                    let h = l + HALF;
                    lanes[l] = weights[l]
                        * (f64::from(a.x[l]) * f64::from(b.x[l])
                            + f64::from(a.y[l]) * f64::from(b.y[l])
                            + f64::from(a.z[l]) * f64::from(b.z[l]))
                        + weights[h]
                            * (f64::from(a.x[h]) * f64::from(b.x[h])
                                + f64::from(a.y[h]) * f64::from(b.y[h])
                                + f64::from(a.z[h]) * f64::from(b.z[h]));
                }
            }
        }
        for i in 0..residuals.len() {
            for j in i..residuals.len() {
                let lanes = &self.lanes[i][j];
                let sum = (lanes[0] + lanes[2]) + (lanes[1] + lanes[3]);
                self.sums[i][j] = sum;
                self.sums[j][i] = sum;
            }
        }
    }

    /// Adds to each pair of candidates the product of their bodies; `places` are those of the bodies.
    #[inline(always)]
    fn scatter(&self, places: &[usize], matrix: &mut [f64]) {
        let mut entries = matrix.iter_mut();
        for (i, &body) in places.iter().enumerate() {
            let row = &self.sums[body];
            for (&place, entry) in places[i..].iter().zip(&mut entries) {
                *entry += row[place];
            }
        }
    }
}
