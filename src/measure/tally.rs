//! Streamed error figures of several sets of weights at once.

use std::sync::atomic::{AtomicU64, Ordering};

use multiversion::multiversion;
use rayon::prelude::*;

use crate::deform::Skin;
use crate::rig::{LANES, Rings, Shapes, Weights};

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
    skins: Vec<Skin>,
    percent: f32,
    poses: usize,
    vertices: usize,
    /// For each vertex and set, vertex-major.
    entries: Vec<Entry>,
    /// For each set, how many errors fell into each bin.
    bins: Vec<Vec<AtomicU64>>,
}

#[derive(Clone, Copy, Default)]
struct Entry {
    squares: f64,
    worst: f32,
    pose: u32,
}

/// Vertices tallied as one parcel of work; fixed, so that results do not depend on threads.
const CHUNK: usize = 256;

/// Each octave has 256 bins: the top eight bits of an f32's mantissa.
const BIN_SHIFT: u32 = 15;

/// Errors below 2⁻³⁰ percent share the lowest bin; those above 2¹⁷ the highest.
const LOWEST_BIN: u32 = (127 - 30) << (23 - BIN_SHIFT);
const BINS: u32 = 47 << (23 - BIN_SHIFT);

impl Tallies {
    /// Ready to tally these sets of weights over that many poses; `diagonal` is the size that errors
    /// are a percentage of.
    pub fn new(sets: &[&Weights], diagonal: f64, poses: usize) -> Self {
        let vertices = sets.first().map_or(0, |weights| weights.len());
        Self {
            skins: sets
                .iter()
                .map(|weights| Skin::new(weights, 0..weights.len()))
                .collect(),
            percent: if diagonal > 0.0 {
                (100.0 / diagonal) as f32
            } else {
                0.0
            },
            poses,
            vertices,
            entries: vec![Entry::default(); vertices * sets.len()],
            bins: sets
                .iter()
                .map(|_| (0..BINS).map(|_| AtomicU64::new(0)).collect())
                .collect(),
        }
    }

    /// Adds the errors in some shapes. `rest` holds bind positions about the centre.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let Self {
            skins,
            percent,
            entries,
            bins,
            ..
        } = self;
        entries
            .par_chunks_mut(CHUNK * skins.len())
            .enumerate()
            .for_each(|(chunk, entries)| {
                for shape in shapes {
                    tally(skins, *percent, rest, shape, chunk * CHUNK, entries, bins);
                }
            });
    }

    /// The figures of one set of weights.
    pub fn figures(&self, set: usize) -> Figures {
        let entries = || self.entries.iter().skip(set).step_by(self.skins.len());
        let count = (self.vertices * self.poses) as u64;
        if count == 0 {
            return Figures {
                rms: 0.0,
                p99: 0.0,
                max: 0.0,
            };
        }
        let squares: f64 = entries().map(|entry| entry.squares).sum();
        let max = entries().map(|entry| entry.worst).fold(0.0, f32::max);
        let counts: Vec<u64> = self.bins[set]
            .iter()
            .map(|bin| bin.load(Ordering::Relaxed))
            .collect();
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
            p99: f64::from(p99.min(max)),
            max: f64::from(max),
        }
    }

    /// The vertices with the greatest errors of one set, at most `count`, no two of them neighbours.
    pub fn worst(&self, set: usize, rings: &Rings, count: usize) -> Vec<Worst> {
        let of = |v: usize| &self.entries[v * self.skins.len() + set];
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
                    error_percent: f64::from(entry.worst),
                });
            }
        }
        taken
    }

    /// Bytes that tallies of that many vertices and sets take.
    pub fn bytes(vertices: usize, sets: usize) -> usize {
        vertices * sets * (size_of::<Entry>() + 4 + 6 * 8) + sets * BINS as usize * 8
    }
}

/// Tallies one block of poses for the vertices from `first` on.
#[multiversion(targets("x86_64+avx2"))]
fn tally(
    skins: &[Skin],
    percent: f32,
    rest: &[[f32; 3]],
    shape: &Shapes,
    first: usize,
    entries: &mut [Entry],
    bins: &[Vec<AtomicU64>],
) {
    let sets = skins.len();
    let range = first as u32..(first + entries.len() / sets) as u32;
    for (v, target) in shape.within(&range) {
        for (set, skin) in skins.iter().enumerate() {
            let moved = skin.linear(&shape.block, v, rest[v]);
            let mut errors = [0.0f32; LANES];
            for l in 0..LANES {
                let (x, y, z) = (
                    moved.x[l] - target.x[l],
                    moved.y[l] - target.y[l],
                    moved.z[l] - target.z[l],
                );
                errors[l] = percent * (x * x + y * y + z * z).sqrt();
            }
            let entry = &mut entries[(v - first) * sets + set];
            for (&error, &pose) in errors.iter().zip(&shape.poses) {
                entry.squares += f64::from(error) * f64::from(error);
                if error > entry.worst {
                    entry.worst = error;
                    entry.pose = pose as u32;
                }
                bins[set][bin(error)].fetch_add(1, Ordering::Relaxed);
            }
        }
    }
}

fn bin(error: f32) -> usize {
    ((error.to_bits() >> BIN_SHIFT).saturating_sub(LOWEST_BIN)).min(BINS - 1) as usize
}

fn upper_edge(bin: u32) -> f32 {
    f32::from_bits((bin + 1 + LOWEST_BIN) << BIN_SHIFT)
}
