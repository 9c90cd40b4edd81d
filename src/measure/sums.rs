//! Sums of squared errors of several sets of weights at once: by vertex, by pose, and by size.
//!
//! Chunks of vertices are measured side by side. A chunk sums by pose what its own vertices have, and the sums of
//! all chunks are added in their order: threads change no bit.

use std::ops::Range;

use rayon::prelude::*;

use super::bins::{Bins, Table};
use super::rows::{Entry, Errors, Rows, scales, unit};
use super::tally::Figures;
use crate::rig::{LANES, Lane, Point, Shapes, Weights};

/// Vertices measured as one parcel of work; fixed, so that results do not depend on threads.
const CHUNK: usize = 256;

/// Blocks of poses whose partial sums are held at once: some 3 bytes a vertex and set.
const BLOCKS_TOGETHER: usize = 8;

/// Sums of several sets of weights over one pose set. What is never added has no error.
pub(super) struct Sums {
    rows: Rows,
    /// Percent of the diagonal, squared, of a squared unit.
    unit: f32,
    vertices: usize,
    /// For each vertex and set, vertex-major.
    entries: Vec<Entry>,
    /// For each pose and set, pose-major.
    poses: Vec<Total>,
    bins: Bins,
    /// For each chunk of vertices, block of poses and set, of the blocks at hand.
    partial: Vec<Lanes>,
}

/// The squared errors of one set in a pose, over vertices.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Total {
    pub sum: f64,
    pub worst: f32,
}

/// The same in the poses of a block.
#[derive(Clone, Copy, Default)]
struct Lanes {
    sums: [f64; LANES],
    worst: Lane,
}

/// A block of poses to measure.
pub(super) struct At<'a> {
    rows: &'a Rows,
    pub rest: &'a [[f32; 3]],
    pub shapes: &'a Shapes,
    /// Lanes beyond the poses of the block count nothing.
    scales: Lane,
}

/// A chunk of vertices in a block of poses.
pub(super) struct Chunk<'a, 'b> {
    first: usize,
    entries: &'a mut [Entry],
    /// For each set.
    lanes: &'a mut [Lanes],
    bins: &'a mut Table<'b>,
    errors: &'a mut Errors,
}

impl Sums {
    /// Ready to sum the errors of these sets of weights over that many vertices and poses; `diagonal` is the size
    /// that errors are a percentage of.
    pub fn new(sets: &[&Weights], diagonal: f64, vertices: usize, poses: usize) -> Self {
        Self {
            rows: Rows::new(sets, vertices),
            unit: unit(diagonal),
            vertices,
            entries: vec![Entry::default(); vertices * sets.len()],
            poses: vec![Total::default(); poses * sets.len()],
            bins: Bins::new(sets.len()),
            partial: Vec::new(),
        }
    }

    /// Adds the errors in some shapes. `rest` holds bind positions about the centre; `measure` records vertices of
    /// a chunk in a block, and may use the buffer for their targets.
    pub fn add(
        &mut self,
        rest: &[[f32; 3]],
        shapes: &[Shapes],
        measure: impl Fn(&At, Chunk, &mut Vec<Point>) + Sync,
    ) {
        for blocks in shapes.chunks(BLOCKS_TOGETHER) {
            self.add_blocks(rest, blocks, &measure);
        }
    }

    fn add_blocks(
        &mut self,
        rest: &[[f32; 3]],
        blocks: &[Shapes],
        measure: &(impl Fn(&At, Chunk, &mut Vec<Point>) + Sync),
    ) {
        let sets = self.rows.sets;
        let width = blocks.len() * sets;
        self.partial.clear();
        self.partial
            .resize(self.vertices.div_ceil(CHUNK) * width, Lanes::default());
        let (rows, bins, unit) = (&self.rows, &self.bins, self.unit);
        self.entries
            .par_chunks_mut(CHUNK * sets)
            .zip(self.partial.par_chunks_mut(width))
            .enumerate()
            .for_each_init(
                || (bins.table(), Errors::new(sets), Vec::new()),
                |(bins, errors, targets), (chunk, (entries, lanes))| {
                    for (shapes, lanes) in blocks.iter().zip(lanes.chunks_exact_mut(sets)) {
                        let at = At {
                            rows,
                            rest,
                            shapes,
                            scales: scales(unit, shapes.poses.len()),
                        };
                        let chunk = Chunk {
                            first: chunk * CHUNK,
                            entries,
                            lanes,
                            bins,
                            errors,
                        };
                        measure(&at, chunk, targets);
                    }
                },
            );
        for (block, shapes) in blocks.iter().enumerate() {
            for (lane, &pose) in shapes.poses.iter().enumerate() {
                for set in 0..sets {
                    let of_chunks = self.partial[block * sets + set..].iter().step_by(width);
                    let total = &mut self.poses[pose * sets + set];
                    for lanes in of_chunks {
                        total.sum += lanes.sums[lane];
                        total.worst = total.worst.max(lanes.worst[lane]);
                    }
                }
            }
        }
    }

    /// The number of vertices.
    pub fn vertices(&self) -> usize {
        self.vertices
    }

    /// The number of poses.
    pub fn poses(&self) -> usize {
        self.poses.len() / self.rows.sets.max(1)
    }

    /// What each vertex has of a set.
    pub fn of_vertices(&self, set: usize) -> impl Iterator<Item = &Entry> + Clone {
        self.entries.iter().skip(set).step_by(self.rows.sets)
    }

    /// What each pose has of a set.
    pub fn of_poses(&self, set: usize) -> impl Iterator<Item = &Total> {
        self.poses.iter().skip(set).step_by(self.rows.sets)
    }

    /// The figures of a set.
    pub fn figures(&self, set: usize) -> Figures {
        let count = (self.vertices * self.poses()) as u64;
        if count == 0 {
            return Figures {
                rms: 0.0,
                p99: 0.0,
                max: 0.0,
            };
        }
        let entries = self.of_vertices(set);
        let squares: f64 = entries.clone().map(|entry| entry.sum).sum();
        let max = entries.map(|entry| entry.worst).fold(0.0, f32::max);
        Figures {
            rms: (squares / count as f64).sqrt(),
            p99: f64::from(self.bins.p99(set, count).min(max)).sqrt(),
            max: f64::from(max).sqrt(),
        }
    }

    /// Bytes that sums over that many vertices, sets and poses take, with that many workers.
    pub fn bytes(vertices: usize, sets: usize, poses: usize, workers: usize) -> usize {
        let entries = vertices * sets * size_of::<Entry>();
        let totals = poses * sets * size_of::<Total>();
        let partial = vertices.div_ceil(CHUNK) * BLOCKS_TOGETHER * sets * size_of::<Lanes>();
        entries + totals + partial + Rows::bytes(vertices, sets) + workers * Bins::bytes(sets)
    }
}

impl Chunk<'_, '_> {
    /// Its vertices.
    #[inline(always)]
    pub fn range(&self) -> Range<usize> {
        self.first..self.first + self.entries.len() / self.lanes.len()
    }

    /// Counts the errors of all sets at a vertex of the chunk, whose target is this.
    #[inline(always)]
    pub fn record(&mut self, at: &At, v: usize, target: &Point) {
        let (rest, poses) = (at.rest[v], &at.shapes.poses);
        at.rows
            .squares(v, rest, at.shapes, target, &at.scales, self.errors);
        let sets = self.lanes.len();
        let entries = &mut self.entries[(v - self.first) * sets..][..sets];
        let sums = entries.iter_mut().zip(self.lanes.iter_mut());
        for (set, ((entry, lanes), squares)) in sums.zip(&self.errors.squares).enumerate() {
            entry.add(squares, poses);
            self.bins.count(set, squares, poses.len());
            lanes.add(squares);
        }
    }
}

impl Lanes {
    #[inline(always)]
    fn add(&mut self, squares: &Lane) {
        for l in 0..LANES {
            self.sums[l] += f64::from(squares[l]);
            let worst = self.worst[l];
            self.worst[l] = if squares[l] > worst {
                squares[l]
            } else {
                worst
            };
        }
    }
}
