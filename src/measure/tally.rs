//! Streamed error figures of several sets of weights at once.

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use rayon::prelude::*;

use super::bins::{Bins, Table};
use super::rows::{Entry, Errors, Rows, scales, unit};
use crate::rig::{Point, Rings, Shapes, Weights};

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
    bins: Bins,
}

/// Vertices tallied as one parcel of work; fixed, so that results do not depend on threads.
const CHUNK: usize = 256;

impl Tallies {
    /// Ready to tally these sets of weights over that many poses; `diagonal` is the size that errors
    /// are a percentage of.
    pub fn new(sets: &[&Weights], diagonal: f64, poses: usize) -> Self {
        let vertices = sets.first().map_or(0, |weights| weights.len());
        Self {
            rows: Rows::new(sets, vertices),
            unit: unit(diagonal),
            poses,
            vertices,
            entries: vec![Entry::default(); vertices * sets.len()],
            bins: Bins::new(sets.len()),
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
                || Worker {
                    bins: bins.table(),
                    targets: Vec::new(),
                    errors: Errors::new(rows.sets),
                },
                |worker, (chunk, entries)| {
                    for shape in shapes {
                        tally(rows, *unit, rest, shape, chunk * CHUNK, entries, worker);
                    }
                },
            );
    }

    /// The figures of one set of weights.
    pub fn figures(&self, set: usize) -> Figures {
        let entries = self.entries.iter().skip(set).step_by(self.rows.sets);
        // What was not evaluated moves rigidly, without error.
        figures(
            entries,
            &self.bins,
            set,
            (self.vertices * self.poses) as u64,
        )
    }

    /// The vertices with the greatest errors of one set, at most `count`, no two of them neighbours.
    pub fn worst(&self, set: usize, rings: &Rings, count: usize) -> Vec<Worst> {
        let of = |v: usize| &self.entries[v * self.rows.sets + set];
        let mut order: Vec<usize> = (0..self.vertices).filter(|&v| of(v).worst > 0.0).collect();
        order.sort_by(|&a, &b| of(b).worst.total_cmp(&of(a).worst).then(a.cmp(&b)));
        let taken = apart(order, rings, count).into_iter();
        taken
            .map(|v| Worst {
                vertex: v,
                pose: of(v).pose as usize,
                error_percent: f64::from(of(v).worst).sqrt(),
            })
            .collect()
    }

    /// Bytes that tallies of that many vertices and sets take, with that many workers.
    pub fn bytes(vertices: usize, sets: usize, workers: usize) -> usize {
        let entries = vertices * sets * size_of::<Entry>();
        entries + Rows::bytes(vertices, sets) + workers * Bins::bytes(sets)
    }
}

/// The figures of a set with these entries, over that many vertices times poses.
pub(super) fn figures<'a>(
    entries: impl Iterator<Item = &'a Entry> + Clone,
    bins: &Bins,
    set: usize,
    count: u64,
) -> Figures {
    if count == 0 {
        return Figures {
            rms: 0.0,
            p99: 0.0,
            max: 0.0,
        };
    }
    let squares: f64 = entries.clone().map(|entry| entry.sum).sum();
    let max = entries.map(|entry| entry.worst).fold(0.0, f32::max);
    Figures {
        rms: (squares / count as f64).sqrt(),
        p99: f64::from(bins.p99(set, count).min(max)).sqrt(),
        max: f64::from(max).sqrt(),
    }
}

/// The first vertices of an order, at most `count`, no two of them neighbours.
pub(super) fn apart(
    order: impl IntoIterator<Item = usize>,
    rings: &Rings,
    count: usize,
) -> Vec<usize> {
    let mut taken: Vec<usize> = Vec::new();
    for v in order {
        if taken.len() == count {
            break;
        }
        let near = |&other: &usize| rings.of(other).contains(&(v as u32));
        if !taken.iter().any(near) {
            taken.push(v);
        }
    }
    taken
}

/// What one worker needs while it tallies.
struct Worker<'a> {
    bins: Table<'a>,
    targets: Vec<Point>,
    errors: Errors,
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
        errors,
    } = worker;
    let range = first..first + entries.len() / sets;
    let scales = scales(unit, shapes.poses.len());
    for (v, target) in shapes.within(&range, targets) {
        rows.squares(v, rest[v], shapes, target, &scales, errors);
        let entries = &mut entries[(v - first) * sets..][..sets];
        for (set, (entry, squares)) in entries.iter_mut().zip(&errors.squares).enumerate() {
            entry.add(squares, &shapes.poses);
            bins.count(set, squares, shapes.poses.len());
        }
    }
}
