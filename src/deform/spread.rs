//! How far the layers spread each joint: base weights smoothed as the layers smooth positions.
//!
//! From this come the candidate joints of every vertex, and the *naive* weights that a report
//! compares with: smoothed, then cut to the heaviest few.

use rayon::prelude::*;

use super::Region;
use crate::rig::{JointId, Rings, Weights};

/// Joints kept for a vertex while spreading. Beyond the heaviest 24 nothing of weight is left on any
/// surface that could be tried; the fit keeps 16 of them.
pub const MAX_SPREAD: usize = 24;

/// Entries below this are dropped while spreading: far below what a weight can hold.
const LEAST_MASS: f32 = 1e-6;

/// For each vertex the joints that reach it and their mass, heaviest first.
#[derive(Clone, Debug)]
pub struct Spread(Vec<Vec<(JointId, f32)>>);

/// A joint on its way over the surface.
#[derive(Clone, Copy, Debug)]
struct Entry {
    joint: JointId,
    mass: f32,
    /// How many rings it has come from the base weights.
    rings: u32,
}

impl Spread {
    /// Bytes that a vertex takes while spreading: rows of two rounds, with a handful of joints each.
    pub const BYTES_PER_VERTEX: usize = 2 * (size_of::<Vec<Entry>>() + 12 * size_of::<Entry>());

    /// Spreads base weights by rounds that move so much of the way to the mean of the one-ring. No joint
    /// comes farther than the layers `reach` from the seams; `front` is how far base weights mix there.
    /// `region` is the whole surface, all joints apart.
    pub(super) fn new(
        base: &Weights,
        rings: &Rings,
        region: &Region,
        rounds: &[f32],
        front: usize,
        reach: usize,
    ) -> Self {
        let start = |(joint, mass)| Entry {
            joint,
            mass,
            rings: front as u32,
        };
        let mut rows: Vec<Vec<Entry>> = (0..rings.len())
            .map(|v| base.of(v).map(start).collect())
            .collect();
        for (round, &pull) in rounds.iter().enumerate() {
            // Seams themselves may mix from the start; a round reaches one ring farther than the last.
            let reached = &region.vertices[..region.nearer_than(round + 2)];
            let changed: Vec<Vec<Entry>> = reached
                .par_iter()
                .map(|&v| spread_row(v as usize, rings.of(v as usize), &rows, pull, reach as u32))
                .collect();
            for (&v, row) in reached.iter().zip(changed) {
                rows[v as usize] = row;
            }
        }
        let finished = rows.into_iter().map(|mut row| {
            heaviest_first(&mut row);
            row.into_iter()
                .map(|entry| (entry.joint, entry.mass))
                .collect()
        });
        Self(finished.collect())
    }

    /// The joints that reach a vertex, heaviest first.
    pub fn of(&self, vertex: usize) -> &[(JointId, f32)] {
        &self.0[vertex]
    }

    /// The heaviest `influences` of each vertex, scaled to sum to one.
    pub fn capped(&self, influences: usize) -> Weights {
        let entries = self
            .0
            .iter()
            .flat_map(|row| {
                let kept = &row[..row.len().min(influences)];
                let sum: f32 = kept.iter().map(|entry| entry.1).sum();
                (0..influences)
                    .map(move |i| kept.get(i).map_or((JointId(0), 0.0), |e| (e.0, e.1 / sum)))
            })
            .collect();
        Weights::new(influences, entries)
    }
}

fn spread_row(v: usize, ring: &[u32], rows: &[Vec<Entry>], pull: f32, reach: u32) -> Vec<Entry> {
    if ring.is_empty() {
        return rows[v].clone();
    }
    let mut sum: Vec<Entry> = rows[v]
        .iter()
        .map(|entry| Entry {
            mass: entry.mass * (1.0 - pull),
            ..*entry
        })
        .collect();
    let share = pull / ring.len() as f32;
    for &n in ring {
        for &Entry { joint, mass, rings } in &rows[n as usize] {
            match sum.iter_mut().find(|entry| entry.joint == joint) {
                Some(entry) => {
                    entry.mass += mass * share;
                    entry.rings = entry.rings.min(rings + 1);
                }
                None if rings < reach => sum.push(Entry {
                    joint,
                    mass: mass * share,
                    rings: rings + 1,
                }),
                None => {}
            }
        }
    }
    sum.retain(|entry| entry.mass >= LEAST_MASS);
    if sum.len() > MAX_SPREAD {
        heaviest_first(&mut sum);
        sum.truncate(MAX_SPREAD);
    }
    sum
}

fn heaviest_first(row: &mut [Entry]) {
    row.sort_by(|a, b| b.mass.total_cmp(&a.mass).then(a.joint.cmp(&b.joint)));
}
