//! Several sets of weights side by side, and what each makes of a vertex.

use crate::rig::{JointId, LANES, Lane, Point, Residuals, Shapes, Weights};

/// The weights of all sets over the joints that any of them uses at a vertex.
pub(super) struct Rows {
    pub sets: usize,
    starts: Vec<u32>,
    joints: Vec<JointId>,
    /// For each vertex: for each joint the weights of all sets, then what each set's sum lacks to one.
    values: Vec<f32>,
}

/// What one worker needs to work out errors; used again from vertex to vertex.
pub(super) struct Errors {
    residuals: Residuals,
    /// For each body its weight in all sets.
    weights: Vec<f32>,
    /// The squared errors of each set.
    pub squares: Vec<Lane>,
}

/// The squared errors of one set at a vertex, over poses.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Entry {
    pub sum: f64,
    pub worst: f32,
    pub pose: u32,
}

impl Rows {
    pub fn new(sets: &[&Weights], vertices: usize) -> Self {
        let mut rows = Self {
            sets: sets.len(),
            starts: vec![0],
            joints: Vec::new(),
            values: Vec::new(),
        };
        for v in 0..vertices {
            let begin = rows.joints.len();
            for (joint, _) in sets.iter().flat_map(|weights| weights.of(v)) {
                if !rows.joints[begin..].contains(&joint) {
                    rows.joints.push(joint);
                }
            }
            let first = rows.values.len();
            let count = rows.joints.len() - begin;
            rows.values.resize(first + (count + 1) * sets.len(), 0.0);
            let values = &mut rows.values[first..];
            for (set, weights) in sets.iter().enumerate() {
                let mut sum = 0.0;
                for (joint, value) in weights.of(v) {
                    let known = rows.joints[begin..].iter().position(|&j| j == joint);
                    values[known.map_or(0, |place| place * sets.len() + set)] = value;
                    sum += f64::from(value);
                }
                values[count * sets.len() + set] = (sum - 1.0) as f32;
            }
            rows.starts.push(rows.joints.len() as u32);
        }
        rows
    }

    /// Bytes that rows of that many vertices take.
    pub fn bytes(vertices: usize, sets: usize) -> usize {
        vertices * (4 + 6 * (4 + 4 * sets) + 4 * sets)
    }

    /// The joints at a vertex and the values of all sets.
    #[inline(always)]
    fn of(&self, v: usize) -> (&[JointId], &[f32]) {
        let (begin, end) = (self.starts[v] as usize, self.starts[v + 1] as usize);
        let values = (begin + v) * self.sets..(end + v + 1) * self.sets;
        (&self.joints[begin..end], &self.values[values])
    }

    /// Works out the squared errors of each set at a vertex, times `scales`.
    #[inline(always)]
    pub fn squares(
        &self,
        v: usize,
        rest: [f32; 3],
        shapes: &Shapes,
        target: &Point,
        scales: &Lane,
        errors: &mut Errors,
    ) {
        let sets = self.sets;
        let Errors {
            residuals,
            weights,
            squares,
        } = errors;
        let (joints, values) = self.of(v);
        residuals.work_out(shapes, joints, rest, target);
        let lacks = &values[joints.len() * sets..];
        weights.clear();
        weights.resize(residuals.of().len() * sets, 0.0);
        for (&body, values) in residuals.places().iter().zip(values.chunks_exact(sets)) {
            let weights = &mut weights[body * sets..][..sets];
            weights
                .iter_mut()
                .zip(values)
                .for_each(|(sum, w)| *sum += w);
        }
        for (set, squares) in squares.iter_mut().enumerate() {
            // Σ w·T·x − t, by residuals: Σ w·(T·x − t) + (Σ w − 1)·t.
            let mut error = Point::ZERO;
            if lacks[set] != 0.0 {
                add(&mut error, lacks[set], target);
            }
            for (weights, residual) in weights.chunks_exact(sets).zip(residuals.of()) {
                add(&mut error, weights[set], residual);
            }
            for l in 0..LANES {
                squares[l] = scales[l]
                    * (error.x[l] * error.x[l] + error.y[l] * error.y[l] + error.z[l] * error.z[l]);
            }
        }
    }
}

impl Errors {
    pub fn new(sets: usize) -> Self {
        Self {
            residuals: Residuals::default(),
            weights: Vec::new(),
            squares: vec![[0.0; LANES]; sets],
        }
    }
}

impl Entry {
    #[inline(always)]
    pub fn add(&mut self, squares: &Lane, poses: &[usize]) {
        let mut sums = [0.0; LANES / 2];
        let mut greatest = [0.0; LANES / 2];
        for l in 0..LANES / 2 {
            let (a, b) = (squares[l], squares[l + LANES / 2]);
            sums[l] = a + b;
            greatest[l] = if a > b { a } else { b };
        }
        self.sum += f64::from((sums[0] + sums[2]) + (sums[1] + sums[3]));
        if greatest.iter().any(|&square| square > self.worst) {
            for (&square, &pose) in squares.iter().zip(poses) {
                if square > self.worst {
                    self.worst = square;
                    self.pose = pose as u32;
                }
            }
        }
    }
}

/// Percent of the diagonal, squared, of a squared unit.
pub(super) fn unit(diagonal: f64) -> f32 {
    if diagonal > 0.0 {
        (1e4 / (diagonal * diagonal)) as f32
    } else {
        0.0
    }
}

/// The unit in the lanes of a block's poses. Lanes beyond them repeat the last one: they must not count
/// twice.
#[inline(always)]
pub(super) fn scales(unit: f32, poses: usize) -> Lane {
    std::array::from_fn(|l| if l < poses { unit } else { 0.0 })
}

/// `sum += weight · point`.
#[inline(always)]
fn add(sum: &mut Point, weight: f32, point: &Point) {
    for l in 0..LANES {
        sum.x[l] += weight * point.x[l];
        sum.y[l] += weight * point.y[l];
        sum.z[l] += weight * point.z[l];
    }
}
