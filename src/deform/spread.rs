//! How far the layers spread each joint: base weights smoothed as the layers smooth positions.
//!
//! From this come the candidate joints of every vertex, and the *naive* weights that a report
//! compares with: smoothed, then cut to the heaviest few.

use super::filter::Filter;
use super::share::{Share, Shares};
use crate::rig::{JointId, Rings, Weights};

/// Joints kept for a vertex. Beyond the heaviest 24 nothing of weight is left on any surface that could
/// be tried; the fit keeps 16 of them.
pub const MAX_SPREAD: usize = 24;

/// Entries below this are dropped: far below what a weight can hold.
const LEAST_MASS: f64 = 1e-6;

/// For each vertex the joints that reach it and their mass, heaviest first.
#[derive(Clone, Debug)]
pub struct Spread {
    starts: Vec<u32>,
    entries: Vec<(JointId, f32)>,
}

impl Default for Spread {
    /// Without vertices.
    fn default() -> Self {
        Self {
            starts: vec![0],
            entries: Vec::new(),
        }
    }
}

impl Spread {
    /// Bytes that a vertex takes while spreading, with a handful of joints: lists by joint and by vertex.
    pub const BYTES_PER_VERTEX: usize = 12 * (3 * size_of::<(JointId, f32)>() + 6) + 150;

    /// Spreads base weights by filters in order.
    pub(super) fn new(
        base: &Weights,
        rings: &Rings,
        rest: &[[f64; 3]],
        filters: &[Filter],
    ) -> Self {
        let lone: Vec<bool> = (0..rings.len()).map(|v| rings.of(v).is_empty()).collect();
        let filters: Vec<_> = filters
            .iter()
            .map(|filter| (filter, lone.as_slice()))
            .collect();
        let masses = Shares::smoothed(base, rings, rest, &filters, |share: Share| {
            (share[3] >= LEAST_MASS).then_some(share[3])
        });
        let mut spread = Self::default();
        for v in 0..masses.len() {
            let (joints, masses) = masses.of(v);
            spread.push(joints.iter().copied().zip(masses.iter().copied()));
        }
        spread
    }

    /// Adds the next vertex, with the mass of each joint.
    pub(super) fn push(&mut self, masses: impl Iterator<Item = (u16, f64)>) {
        let begin = self.entries.len();
        let entries = masses.filter(|entry| entry.1 >= LEAST_MASS);
        self.entries
            .extend(entries.map(|(joint, mass)| (JointId(joint), mass as f32)));
        self.entries[begin..].sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        self.entries.truncate(begin + MAX_SPREAD);
        self.starts.push(self.entries.len() as u32);
    }

    /// Adds the vertices of another spread.
    pub(super) fn append(&mut self, more: &Self) {
        let before = self.entries.len() as u32;
        self.starts
            .extend(more.starts[1..].iter().map(|start| before + start));
        self.entries.extend_from_slice(&more.entries);
    }

    /// The same without what may not meet: at each vertex the `base` joint stays, then the heavier of two
    /// joints that are a pair of `apart`.
    pub(super) fn without(&self, apart: &[(JointId, JointId)], base: &[u16]) -> Self {
        let mut spread = Self::default();
        let may_meet = |a: u16, b: u16| {
            let (a, b) = (JointId(a), JointId(b));
            !apart.contains(&(a, b)) && !apart.contains(&(b, a))
        };
        for (v, &base) in base.iter().enumerate() {
            let mut kept = vec![base];
            for &(joint, _) in self.of(v) {
                if joint.0 != base && kept.iter().all(|&other| may_meet(joint.0, other)) {
                    kept.push(joint.0);
                }
            }
            let row = self.of(v).iter().filter(|entry| kept.contains(&entry.0.0));
            spread.push(row.map(|&(joint, mass)| (joint.0, f64::from(mass))));
        }
        spread
    }

    /// The joints that reach a vertex, heaviest first.
    pub fn of(&self, vertex: usize) -> &[(JointId, f32)] {
        &self.entries[self.starts[vertex] as usize..self.starts[vertex + 1] as usize]
    }

    /// The heaviest `influences` of each vertex, scaled to sum to one.
    pub fn capped(&self, influences: usize) -> Weights {
        let entries = (0..self.starts.len() - 1)
            .flat_map(|v| {
                let row = self.of(v);
                let kept = &row[..row.len().min(influences)];
                let sum: f32 = kept.iter().map(|entry| entry.1).sum();
                (0..influences)
                    .map(move |i| kept.get(i).map_or((JointId(0), 0.0), |e| (e.0, e.1 / sum)))
            })
            .collect();
        Weights::new(influences, entries)
    }
}
