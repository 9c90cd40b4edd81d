//! Streamed error figures of several sets of weights at once.

use std::sync::{Mutex, PoisonError};

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use rayon::prelude::*;

use crate::rig::{JointId, LANES, Lane, Point, Residuals, Rings, Shapes, Weights};

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

/// Error sums of several sets of weights over one pose set.
pub struct Tallies {
    rows: Rows,
    /// Percent of the diagonal, squared, of a squared unit.
    unit: f32,
    poses: usize,
    vertices: usize,
    /// For each vertex and set, vertex-major.
    entries: Vec<Entry>,
    /// How many errors fell into each bin of each set; one table a worker, summed in the end.
    bins: Mutex<Vec<Bins>>,
}

type Bins = Vec<u64>;

/// All errors are squared.
#[derive(Clone, Copy, Default)]
struct Entry {
    sum: f64,
    worst: f32,
    pose: u32,
}

/// The weights of all sets over the joints that any of them uses at a vertex.
struct Rows {
    sets: usize,
    starts: Vec<u32>,
    joints: Vec<JointId>,
    /// For each vertex: for each joint the weights of all sets, then what each set's sum lacks to one.
    values: Vec<f32>,
}

/// Vertices tallied as one parcel of work; fixed, so that results do not depend on threads.
const CHUNK: usize = 256;

/// Each octave of a squared error has 128 bins: the top seven bits of an f32's mantissa.
const BIN_SHIFT: u32 = 16;

/// Errors below 2⁻³⁰ percent share the lowest bin; those above 2¹⁷ the highest.
const LOWEST_BIN: u32 = (127 - 60) << (23 - BIN_SHIFT);
const BINS: u32 = 94 << (23 - BIN_SHIFT);

impl Rows {
    fn new(sets: &[&Weights], vertices: usize) -> Self {
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

    /// The joints at a vertex and the values of all sets.
    #[inline(always)]
    fn of(&self, v: usize) -> (&[JointId], &[f32]) {
        let (begin, end) = (self.starts[v] as usize, self.starts[v + 1] as usize);
        let values = (begin + v) * self.sets..(end + v + 1) * self.sets;
        (&self.joints[begin..end], &self.values[values])
    }
}

impl Tallies {
    /// Ready to tally these sets of weights over that many poses; `diagonal` is the size that errors
    /// are a percentage of.
    pub fn new(sets: &[&Weights], diagonal: f64, poses: usize) -> Self {
        let vertices = sets.first().map_or(0, |weights| weights.len());
        Self {
            rows: Rows::new(sets, vertices),
            unit: if diagonal > 0.0 {
                (1e4 / (diagonal * diagonal)) as f32
            } else {
                0.0
            },
            poses,
            vertices,
            entries: vec![Entry::default(); vertices * sets.len()],
            bins: Mutex::default(),
        }
    }

    /// Adds the errors in some shapes. `rest` holds bind positions about the centre.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let Self {
            rows,
            unit,
            entries,
            bins,
            ..
        } = self;
        let (rows, bins) = (&*rows, &*bins);
        entries
            .par_chunks_mut(CHUNK * rows.sets)
            .enumerate()
            .for_each_init(
                || Worker::new(bins, rows.sets),
                |worker, (chunk, entries)| {
                    for shape in shapes {
                        tally(rows, *unit, rest, shape, chunk * CHUNK, entries, worker);
                    }
                },
            );
    }

    /// The figures of one set of weights.
    pub fn figures(&self, set: usize) -> Figures {
        let entries = || self.entries.iter().skip(set).step_by(self.rows.sets);
        let count = (self.vertices * self.poses) as u64;
        if count == 0 {
            return Figures {
                rms: 0.0,
                p99: 0.0,
                max: 0.0,
            };
        }
        let squares: f64 = entries().map(|entry| entry.sum).sum();
        let max = entries().map(|entry| entry.worst).fold(0.0, f32::max);
        let mut counts = vec![0u64; BINS as usize];
        for table in self
            .bins
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
        {
            let of_set = &table[set * BINS as usize..][..BINS as usize];
            counts.iter_mut().zip(of_set).for_each(|(sum, n)| *sum += n);
        }
        // What was not evaluated moves rigidly, without error.
        let zeros = count - counts.iter().sum::<u64>();
        let rank = count - count / 100;
        let mut seen = zeros;
        let mut p99 = 0.0;
        for (bin, &in_bin) in counts.iter().enumerate() {
            if seen >= rank {
                break;
            }
            seen += in_bin;
            p99 = upper_edge(bin as u32);
        }
        Figures {
            rms: (squares / count as f64).sqrt(),
            p99: f64::from(p99.min(max)).sqrt(),
            max: f64::from(max).sqrt(),
        }
    }

    /// The vertices with the greatest errors of one set, at most `count`, no two of them neighbours.
    pub fn worst(&self, set: usize, rings: &Rings, count: usize) -> Vec<Worst> {
        let of = |v: usize| &self.entries[v * self.rows.sets + set];
        let mut order: Vec<usize> = (0..self.vertices).filter(|&v| of(v).worst > 0.0).collect();
        order.sort_by(|&a, &b| of(b).worst.total_cmp(&of(a).worst).then(a.cmp(&b)));
        let mut taken: Vec<Worst> = Vec::new();
        for v in order {
            if taken.len() == count {
                break;
            }
            if taken
                .iter()
                .all(|worst| !rings.of(worst.vertex).contains(&(v as u32)))
            {
                let entry = of(v);
                taken.push(Worst {
                    vertex: v,
                    pose: entry.pose as usize,
                    error_percent: f64::from(entry.worst).sqrt(),
                });
            }
        }
        taken
    }

    /// Bytes that tallies of that many vertices and sets take, with that many workers.
    pub fn bytes(vertices: usize, sets: usize, workers: usize) -> usize {
        let row = 4 + 6 * (4 + 4 * sets) + 4 * sets;
        vertices * (sets * size_of::<Entry>() + row) + workers * sets * BINS as usize * 8
    }
}

/// What one worker needs while it tallies. Its table of bins goes back when it is done.
struct Worker<'a> {
    home: &'a Mutex<Vec<Bins>>,
    bins: Bins,
    targets: Vec<Point>,
    residuals: Residuals,
    /// For each body its weight in all sets.
    weights: Vec<f32>,
    /// The squared errors of each set.
    squares: Vec<Lane>,
}

impl<'a> Worker<'a> {
    fn new(home: &'a Mutex<Vec<Bins>>, sets: usize) -> Self {
        // Counts are whole at any time: a panic elsewhere does not spoil them.
        let known = home.lock().unwrap_or_else(PoisonError::into_inner).pop();
        Self {
            home,
            bins: known.unwrap_or_else(|| vec![0; sets * BINS as usize]),
            targets: Vec::new(),
            residuals: Residuals::default(),
            weights: Vec::new(),
            squares: vec![[0.0; LANES]; sets],
        }
    }
}

impl Drop for Worker<'_> {
    fn drop(&mut self) {
        let bins = std::mem::take(&mut self.bins);
        self.home
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(bins);
    }
}

/// Tallies one block of poses for the vertices from `first` on.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn tally(
    rows: &Rows,
    unit: f32,
    rest: &[[f32; 3]],
    shapes: &Shapes,
    first: usize,
    entries: &mut [Entry],
    worker: &mut Worker,
) {
    let sets = rows.sets;
    let Worker {
        bins,
        targets,
        residuals,
        weights,
        squares,
        ..
    } = worker;
    let range = first..first + entries.len() / sets;
    // Lanes beyond the poses repeat the last one: they must not count twice.
    let scales: Lane = std::array::from_fn(|l| if l < shapes.poses.len() { unit } else { 0.0 });
    for (v, target) in shapes.within(&range, targets) {
        let (joints, values) = rows.of(v);
        residuals.work_out(shapes, joints, rest[v], target);
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
        let entries = &mut entries[(v - first) * sets..][..sets];
        for (set, (entry, squares)) in entries.iter_mut().zip(squares.iter()).enumerate() {
            entry.add(squares, &shapes.poses);
            let mut places = [0; LANES];
            for l in 0..LANES {
                places[l] = bin(squares[l]);
            }
            let bins = &mut bins[set * BINS as usize..][..BINS as usize];
            for &place in &places[..shapes.poses.len()] {
                bins[place as usize] += 1;
            }
        }
    }
}

impl Entry {
    #[inline(always)]
    fn add(&mut self, squares: &Lane, poses: &[usize]) {
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

/// `sum += weight · point`.
#[inline(always)]
fn add(sum: &mut Point, weight: f32, point: &Point) {
    for l in 0..LANES {
        sum.x[l] += weight * point.x[l];
        sum.y[l] += weight * point.y[l];
        sum.z[l] += weight * point.z[l];
    }
}

#[inline(always)]
fn bin(square: f32) -> u32 {
    (square.to_bits() >> BIN_SHIFT).clamp(LOWEST_BIN, LOWEST_BIN + BINS - 1) - LOWEST_BIN
}

fn upper_edge(bin: u32) -> f32 {
    f32::from_bits((bin + 1 + LOWEST_BIN) << BIN_SHIFT)
}
