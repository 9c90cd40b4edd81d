//! Candidates where no layers say how far a joint reaches: joints that given shapes cannot be had without.
//!
//! As the active set of a least squares problem with signs grows (Lawson & Hanson 1974, *Solving Least Squares Problems*,
//! ch. 23): where weights w leave the residual `e = Σ_j w_j r_j`, weight that goes to joint k makes the error smaller if
//! `Σ_p e·r_k < Σ_p e·e`. Along `d = r_k − e` the best step takes `(Σ_p e·d)² / Σ_p d·d` off it, and joints that take
//! most are tried first: by the slope alone, those far away would be, which move most. What is found so is kept only if
//! it makes much of a difference ([`needed`]).

use rayon::prelude::*;

use super::Gram;
use super::quadratic::Quadratic;
use crate::rig::{JointId, LANES, Point, Shapes};

/// Joints beyond the usual ones must leave less than this share of their mean squared error. Whatever more joints
/// there are, some of them make errors a little smaller, by chance; what a joint really moves is not to be had
/// without it.
const LEAST_GAIN: f64 = 0.25;

/// A root mean square error below this, in percent of the diagonal, is none: a hundred roundings of f32.
const NO_ERROR_PERCENT: f64 = 1e-3;

/// What tells a weight from none where joints move alike, in percent of the diagonal, squared.
const RIDGE: f64 = 1e-10;

/// A joint gains nothing if its sum lies within this share of the error: the rounding of sums in f32.
const ROUNDING: f32 = 1e-4;

/// Weights of a vertex.
pub type Mix = Vec<(JointId, f32)>;

/// For each vertex and joint `Σ_p e·r_k` and `Σ_p r_k·r_k` over shapes.
#[derive(Clone, Debug)]
pub struct Gains {
    joints: usize,
    sums: Vec<[f32; 2]>,
}

impl Gains {
    /// Without shapes yet.
    pub fn new(vertices: usize, joints: usize) -> Self {
        Self {
            joints,
            sums: vec![[0.0; 2]; vertices * joints],
        }
    }

    /// Bytes that it takes.
    pub fn bytes(vertices: usize, joints: usize) -> usize {
        vertices * joints * size_of::<[f32; 2]>()
    }

    /// Adds blocks of shapes; `rest` are the bind positions about the centre of the blocks. Vertices without a mix are
    /// passed over.
    pub fn add(&mut self, rest: &[[f32; 3]], mixes: &[Mix], shapes: &[Shapes]) {
        /// Vertices of a parcel.
        const PARCEL: usize = 256;
        let joints = self.joints;
        let parcels = self.sums.par_chunks_mut(PARCEL * joints).enumerate();
        parcels.for_each(|(parcel, sums)| {
            let first = parcel * PARCEL;
            let range = first..first + sums.len() / joints;
            let mut buffer = Vec::new();
            for shapes in shapes {
                for (v, target) in shapes.within(&range, &mut buffer) {
                    if mixes[v].is_empty() {
                        continue;
                    }
                    let residual =
                        |joint: usize| less(shapes.block.transform(joint, rest[v]), target);
                    let mut error = Point::ZERO;
                    for &(joint, weight) in &mixes[v] {
                        let own = residual(joint.index());
                        for l in 0..LANES {
                            error.x[l] += weight * own.x[l];
                            error.y[l] += weight * own.y[l];
                            error.z[l] += weight * own.z[l];
                        }
                    }
                    let sums = &mut sums[(v - first) * joints..][..joints];
                    for (joint, sum) in sums.iter_mut().enumerate() {
                        let own = residual(joint);
                        for l in 0..LANES {
                            let (x, y, z) = (own.x[l], own.y[l], own.z[l]);
                            let weight = shapes.block.weights[l];
                            sum[0] += weight * (error.x[l] * x + error.y[l] * y + error.z[l] * z);
                            sum[1] += weight * (x * x + y * y + z * z);
                        }
                    }
                }
            }
        });
    }

    /// The joints that promise most at a vertex with that mix, so many at most.
    pub fn best(&self, vertex: usize, mix: &Mix, most: usize) -> Vec<JointId> {
        let sums = &self.sums[vertex * self.joints..][..self.joints];
        let shares = mix.iter();
        let error: f32 = shares
            .map(|(id, weight)| weight * sums[id.index()][0])
            .sum();
        let gain = |joint: usize| {
            let [mixed, own] = sums[joint];
            let slope = error - mixed;
            let length = own - 2.0 * mixed + error;
            (slope > ROUNDING * error && length > 0.0).then(|| slope * slope / length)
        };
        // The skeleton has at most 65,536 joints.
        let gains = (0..self.joints).filter_map(|j| Some((gain(j)?, JointId(j as u16))));
        let mut gains: Vec<(f32, JointId)> = gains.collect();
        gains.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        gains.into_iter().take(most).map(|(_, id)| id).collect()
    }
}

fn less(mut point: Point, other: &Point) -> Point {
    for l in 0..LANES {
        point.x[l] -= other.x[l];
        point.y[l] -= other.y[l];
        point.z[l] -= other.z[l];
    }
    point
}

fn ridged(gram: &Gram, vertex: usize) -> Quadratic {
    let mut form = gram.quadratic(vertex);
    for place in 0..form.len() {
        form.tie(RIDGE, place, None);
    }
    form
}

/// The best weights of a vertex on its candidates; empty where they leave no error.
pub fn best_mix(gram: &Gram, vertex: usize) -> Mix {
    let form = ridged(gram, vertex);
    let best = form.minimum(form.all());
    if best.value <= NO_ERROR_PERCENT * NO_ERROR_PERCENT {
        return Vec::new();
    }
    let all = gram.candidates().of(vertex).iter().zip(best.w);
    all.filter(|(_, weight)| *weight > 0.0)
        .map(|(&id, weight)| (id, weight as f32))
        .collect()
}

/// The candidates of a vertex that are not among its usual joints, but without which its error would be much greater.
pub fn needed(gram: &Gram, vertex: usize, usual: &[JointId]) -> Vec<JointId> {
    let candidates = gram.candidates().of(vertex);
    let form = ridged(gram, vertex);
    let is_usual = |place: &usize| usual.contains(&candidates[*place]);
    let usual = (0..candidates.len()).filter(is_usual);
    let without = usual.fold(0, |set, place| set | 1 << place);
    if without == form.all() || without == 0 {
        return Vec::new();
    }
    let (best, most) = (form.minimum(form.all()), form.minimum(without));
    if most.value <= NO_ERROR_PERCENT * NO_ERROR_PERCENT || best.value > LEAST_GAIN * most.value {
        return Vec::new();
    }
    let carries = |place: &usize| !is_usual(place) && best.w[*place] > 0.0;
    let places = (0..candidates.len()).filter(carries);
    places.map(|place| candidates[place]).collect()
}
