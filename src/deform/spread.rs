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
pub struct Spread(Vec<Row>);

type Row = Vec<(JointId, f32)>;

impl Spread {
    /// Bytes that a vertex takes while spreading: rows of two rounds, with a handful of joints each.
    pub const BYTES_PER_VERTEX: usize = 2 * (size_of::<Row>() + 12 * size_of::<(JointId, f32)>());

    /// Spreads base weights by rounds that move so much of the way to the mean of the one-ring. After
    /// `reach` rounds no joint comes to vertices that it has not reached: there its mass is below what
    /// the layers resolve. `region` is the whole surface, all joints apart.
    pub(super) fn new(
        base: &Weights,
        rings: &Rings,
        region: &Region,
        rounds: &[f32],
        reach: usize,
    ) -> Self {
        let mut rows: Vec<Row> = (0..rings.len()).map(|v| base.of(v).collect()).collect();
        // Seams themselves may mix from the start; else a round reaches one ring farther than the last.
        for (round, &pull) in rounds.iter().enumerate() {
            let grow = round < reach;
            let reached = &region.vertices[..region.nearer_than(round.min(reach) + 2)];
            let changed: Vec<Row> = reached
                .par_iter()
                .map(|&v| spread_row(v as usize, rings.of(v as usize), &rows, pull, grow))
                .collect();
            for (&v, row) in reached.iter().zip(changed) {
                rows[v as usize] = row;
            }
        }
        for row in &mut rows {
            heaviest_first(row);
        }
        Self(rows)
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

fn spread_row(v: usize, ring: &[u32], rows: &[Row], pull: f32, grow: bool) -> Row {
    if ring.is_empty() {
        return rows[v].clone();
    }
    let mut sum: Row = rows[v]
        .iter()
        .map(|&(joint, mass)| (joint, mass * (1.0 - pull)))
        .collect();
    let share = pull / ring.len() as f32;
    for &n in ring {
        for &(joint, mass) in &rows[n as usize] {
            match sum.iter_mut().find(|entry| entry.0 == joint) {
                Some(entry) => entry.1 += mass * share,
                None if grow => sum.push((joint, mass * share)),
                None => {}
            }
        }
    }
    sum.retain(|entry| entry.1 >= LEAST_MASS);
    if sum.len() > MAX_SPREAD {
        heaviest_first(&mut sum);
        sum.truncate(MAX_SPREAD);
    }
    sum
}

fn heaviest_first(row: &mut Row) {
    row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
}
