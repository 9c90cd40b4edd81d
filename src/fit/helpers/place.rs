//! Where helper joints go: the patches whose residual is greatest.

use crate::rig::{Mirror, Rings};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// A patch of the surface, for one helper joint or a mirrored pair.
#[derive(Clone, Debug)]
pub(super) struct Patch {
    /// Vertices within reach, in rising order, each with its share of the patch: one at the middle.
    pub vertices: Vec<(u32, f64)>,
    pub seed: usize,
}

/// The radius of a patch within which vertices count for its motion, in percent of the diagonal.
pub(super) const RADIUS_PERCENT: f64 = 7.0;

/// Vertices within so many radii may follow the helper.
const REACH: f64 = 3.0;

/// Patches that are made together are so many radii apart.
const APART: f64 = 1.0;

/// Rounds of the walk over the surface, at most.
pub(super) const MOST_ROUNDS: f64 = 400.0;

/// A patch is its own image if its middle is no farther than so many radii from that of the image.
const CENTRAL: f64 = 0.3;

/// What patches are placed on.
pub(super) struct Ground<'a> {
    pub rings: &'a Rings,
    pub rest: &'a [[f32; 3]],
    pub radius: f64,
    /// Whether a vertex may follow a helper.
    pub open: &'a [bool],
    pub mirror: Option<&'a Mirror>,
}

impl Ground<'_> {
    /// The error around each vertex: what a walk over the surface that starts at the error meets there.
    pub fn smoothed(&self, errors: &[f64], rounds: usize) -> Vec<f64> {
        let mut current = errors.to_vec();
        for _ in 0..rounds {
            let next = |v: usize| {
                let ring = self.rings.of(v);
                let near: f64 = ring
                    .iter()
                    .map(|&n| current[n as usize] / self.rings.of(n as usize).len().max(1) as f64)
                    .sum();
                0.5 * (current[v] + if ring.is_empty() { current[v] } else { near })
            };
            current = (0..errors.len()).map(next).collect();
        }
        current
    }

    /// The patch about a vertex: those along the surface (Dijkstra 1959), within [`REACH`] radii.
    pub fn patch(&self, seed: usize) -> Patch {
        let most = REACH * self.radius;
        let mut done: std::collections::BTreeMap<u32, f64> = std::collections::BTreeMap::new();
        let mut heap = BinaryHeap::from([Reverse((Rank(0.0), seed as u32))]);
        while let Some(Reverse((Rank(length), v))) = heap.pop() {
            if done.contains_key(&v) {
                continue;
            }
            done.insert(v, length);
            for &n in self.rings.of(v as usize) {
                let [a, b] = [v, n].map(|v| self.rest[v as usize]);
                let edge: f64 = (0..3).map(|i| f64::from(a[i] - b[i]).powi(2)).sum();
                let next = length + edge.sqrt();
                if next <= most && !done.contains_key(&n) {
                    heap.push(Reverse((Rank(next), n)));
                }
            }
        }
        let vertices = done.into_iter().filter(|&(v, _)| self.open[v as usize]);
        let share = |length: f64| (-(length / self.radius).powi(2)).exp();
        Patch {
            vertices: vertices.map(|(v, length)| (v, share(length))).collect(),
            seed,
        }
    }

    /// The same across the plane.
    pub fn mirrored(&self, patch: &Patch) -> Option<Patch> {
        let mirror = self.mirror?;
        let image = |&(v, share): &(u32, f64)| Some((mirror.vertex(v as usize)? as u32, share));
        // What has no partner is solved by itself, and follows the other one.
        let mut vertices: Vec<(u32, f64)> = patch.vertices.iter().filter_map(image).collect();
        vertices.sort_by_key(|entry| entry.0);
        Some(Patch {
            vertices,
            seed: mirror.vertex(patch.seed)?,
        })
    }

    /// Patches about the places with the greatest error, at most `count` helpers in all, no two near each other; a
    /// patch with its partner counts as two, and follows it. `allow` says whether a vertex may be the middle of so many
    /// more.
    pub fn patches(
        &self,
        errors: &[f64],
        rounds: usize,
        count: usize,
        mut allow: impl FnMut(usize, usize) -> bool,
    ) -> Vec<(Patch, Option<usize>)> {
        let field = self.smoothed(errors, rounds);
        let mut order: Vec<usize> = (0..field.len())
            .filter(|&v| self.open[v] && field[v] > 0.0)
            .collect();
        order.sort_by(|&a, &b| field[b].total_cmp(&field[a]).then(a.cmp(&b)));
        let mut taken: Vec<(Patch, Option<usize>)> = Vec::new();
        let mut seeds: Vec<usize> = Vec::new();
        let within = |a: usize, b: usize, radii: f64| {
            let [a, b] = [a, b].map(|v| self.rest[v]);
            let square: f64 = (0..3).map(|i| f64::from(a[i] - b[i]).powi(2)).sum();
            square < (radii * self.radius).powi(2)
        };
        for seed in order {
            if taken.len() >= count {
                break;
            }
            if seeds.iter().any(|&other| within(seed, other, APART)) {
                continue;
            }
            let partner = self.mirror.and_then(|mirror| mirror.vertex(seed));
            match partner {
                Some(partner) if partner != seed && !within(partner, seed, CENTRAL) => {
                    if taken.len() + 2 > count || !allow(seed, 2) {
                        continue;
                    }
                    let own = self.patch(seed);
                    let Some(other) = self.mirrored(&own) else {
                        continue;
                    };
                    let place = taken.len();
                    seeds.extend([seed, partner]);
                    taken.push((own, Some(place + 1)));
                    taken.push((other, Some(place)));
                }
                Some(_) => {
                    // Across the plane: its own image.
                    if !allow(seed, 1) {
                        continue;
                    }
                    let own = self.patch(seed);
                    let Some(other) = self.mirrored(&own) else {
                        continue;
                    };
                    seeds.push(seed);
                    let place = taken.len();
                    taken.push((joined(&own, &other), Some(place)));
                }
                None => {
                    if allow(seed, 1) {
                        seeds.push(seed);
                        taken.push((self.patch(seed), None));
                    }
                }
            }
        }
        taken
    }
}

/// Both patches as one: vertices have the greater share.
fn joined(a: &Patch, b: &Patch) -> Patch {
    let mut all = [&a.vertices[..], &b.vertices[..]].concat();
    all.sort_by(|x, y| x.0.cmp(&y.0).then(y.1.total_cmp(&x.1)));
    all.dedup_by_key(|entry| entry.0);
    Patch {
        vertices: all,
        seed: a.seed,
    }
}

/// A length that sorts.
#[derive(Clone, Copy, PartialEq)]
struct Rank(f64);

impl Eq for Rank {}

impl PartialOrd for Rank {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Rank {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0)
    }
}
