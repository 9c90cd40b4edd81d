//! Smooth weights where none were found.
//!
//! Abdrashitov et al. 2023, §3.2: the weights of the vertices without a match are those that bend least, given those
//! with one. With the cotangent Laplacian L and areas M they make `wᵀ·Lᵀ·M⁻¹·L·w` least, joint by joint; here without
//! the rows of border vertices, where the Laplacian of a linear field is not zero (Stein, Grinspun, Wardetzky &
//! Jacobson 2018, *Natural boundary conditions for smoothing in geometry processing*, §3). In their place stands what a
//! linear field on two triangles side by side makes zero. So linear fields on a flat surface are met exactly, up to the
//! border. One sparse Cholesky factor serves all joints.

use faer::linalg::solvers::Solve;
use faer::sparse::{SparseColMat, Triplet};
use faer::{Mat, Side};

use super::{Row, sort};
use crate::rig::{JointId, Surface, add_to};

/// What keeps pairs of triangles at a border flat, as a share of the mean stiffness. Without it weights along an open
/// border would continue those inside as harmonic functions do, which lifts every roughness without bound.
const FLAT: f64 = 1.0;

/// What draws neighbours together, as a share of that: it decides where nothing else does.
const TOGETHER: f64 = 1e-12;

/// A vertex counts as having at least this share of the mean area.
const LEAST_AREA: f64 = 1e-3;

/// Weights below this are dropped: far below half a step of any format.
const LEAST_WEIGHT: f64 = 1e-6;

/// Joints solved at once, to bound memory.
const COLUMNS: usize = 16;

/// Fills the rows that `known` says no of from the others. A piece without a known row keeps its own. Weights below
/// zero, which bending may bring, count as zero. `false` if the system could not be solved: then each unknown row is
/// that of the nearest known vertex along edges.
pub fn fill(surface: &Surface, rows: &mut [Row], known: &[bool]) -> bool {
    let mut has_known = vec![false; surface.pieces];
    for v in 0..surface.len() {
        has_known[surface.piece_of[v] as usize] |= known[v];
    }
    let is_open = |v: usize| !known[v] && has_known[surface.piece_of[v] as usize];
    let open: Vec<usize> = (0..surface.len()).filter(|&v| is_open(v)).collect();
    if open.is_empty() {
        return true;
    }
    match System::new(surface, &open).solve(rows) {
        Some(found) => {
            for (&v, row) in open.iter().zip(found) {
                rows[v] = row;
            }
            true
        }
        None => {
            nearest(surface, rows, &open);
            false
        }
    }
}

/// The bending of the surface around open vertices.
struct System {
    /// For each vertex its place among the open ones, else [`CLOSED`].
    place: Vec<usize>,
    count: usize,
    /// What is to be zero around open vertices, with how much its square counts.
    laplacian: Vec<(f64, Vec<(usize, f64)>)>,
    /// What holds the rest.
    hold: Vec<(usize, usize, f64)>,
}

const CLOSED: usize = usize::MAX;

impl System {
    fn new(surface: &Surface, open: &[usize]) -> Self {
        let mut place = vec![CLOSED; surface.len()];
        open.iter().enumerate().for_each(|(k, &v)| place[v] = k);
        let sees = |v: usize| {
            let mut ring = surface.rings.of(v).iter();
            !surface.border[v] && (place[v] != CLOSED || ring.any(|&n| place[n as usize] != CLOSED))
        };
        let seen: Vec<bool> = (0..surface.len()).map(sees).collect();
        let mut rows: Vec<Vec<(usize, f64)>> = vec![Vec::new(); surface.len()];
        for (a, b, half) in surface.half_cotangents() {
            for (own, other) in [(a, b), (b, a)] {
                if seen[own] {
                    add_to(&mut rows[own], own, half);
                    add_to(&mut rows[own], other, -half);
                }
            }
        }
        let mean = surface.areas.iter().sum::<f64>() / surface.len().max(1) as f64;
        let least = (LEAST_AREA * mean).max(f64::MIN_POSITIVE);
        let mut laplacian: Vec<(f64, Vec<(usize, f64)>)> = rows
            .into_iter()
            .enumerate()
            .filter(|(_, row)| !row.is_empty())
            .map(|(v, row)| (1.0 / surface.areas[v].max(least), row))
            .collect();
        let squares = laplacian.iter().map(|(over, row)| {
            let own: f64 = row.iter().map(|entry| entry.1 * entry.1).sum();
            over * own
        });
        let stiffness = squares.sum::<f64>() / open.len() as f64;
        let flat = FLAT * if stiffness > 0.0 { stiffness } else { 1.0 };
        let hinges = hinges(surface, |v| place[v] != CLOSED && surface.border[v]);
        laplacian.extend(hinges.into_iter().map(|row| (flat, row)));
        let held = flat * TOGETHER;
        let hold = open.iter().flat_map(|&v| {
            let ring = surface.rings.of(v).iter();
            ring.map(move |&n| (v, n as usize, held))
        });
        Self {
            count: open.len(),
            hold: hold.collect(),
            laplacian,
            place,
        }
    }

    /// The rows of the open vertices.
    fn solve(&self, rows: &[Row]) -> Option<Vec<Row>> {
        let n = self.count;
        let mut entries = Vec::new();
        for (over, row) in &self.laplacian {
            for &(a, x) in row {
                for &(b, y) in row {
                    let (a, b) = (self.place[a], self.place[b]);
                    if a != CLOSED && b != CLOSED && a >= b {
                        entries.push(Triplet::new(a, b, over * x * y));
                    }
                }
            }
        }
        for &(v, other, held) in &self.hold {
            let (a, b) = (self.place[v], self.place[other]);
            entries.push(Triplet::new(a, a, held));
            // Between two open ones both ends say so: each has its own half.
            if b != CLOSED && a > b {
                entries.push(Triplet::new(a, b, -held));
            }
        }
        let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(n, n, &entries).ok()?;
        let factor = matrix.sp_cholesky(Side::Lower).ok()?;
        let mut joints: Vec<JointId> = self
            .known()
            .flat_map(|v| rows[v].iter().map(|entry| entry.0))
            .collect();
        joints.sort_unstable();
        joints.dedup();
        let mut found: Vec<Row> = vec![Row::new(); n];
        for some in joints.chunks(COLUMNS) {
            let mut columns = Mat::zeros(n, some.len());
            let weight = |v: usize, joint: JointId| {
                let row = rows[v].iter().find(|entry| entry.0 == joint);
                row.map_or(0.0, |entry| entry.1)
            };
            for (c, &joint) in some.iter().enumerate() {
                for (over, row) in &self.laplacian {
                    let closed = row.iter().filter(|&&(v, _)| self.place[v] == CLOSED);
                    let bent: f64 = closed.map(|&(v, x)| x * weight(v, joint)).sum();
                    if bent != 0.0 {
                        for &(v, x) in row.iter().filter(|&&(v, _)| self.place[v] != CLOSED) {
                            columns[(self.place[v], c)] -= over * x * bent;
                        }
                    }
                }
                for &(v, other, held) in &self.hold {
                    if self.place[other] == CLOSED {
                        columns[(self.place[v], c)] += held * weight(other, joint);
                    }
                }
            }
            factor.solve_in_place(columns.as_mut());
            for (k, row) in found.iter_mut().enumerate() {
                for (c, &joint) in some.iter().enumerate() {
                    let weight: f64 = columns[(k, c)];
                    if !weight.is_finite() {
                        return None;
                    }
                    if weight >= LEAST_WEIGHT {
                        row.push((joint, weight));
                    }
                }
            }
        }
        for row in &mut found {
            let sum: f64 = row.iter().map(|entry| entry.1).sum();
            if row.is_empty() || sum <= 0.0 {
                return None;
            }
            row.iter_mut().for_each(|entry| entry.1 /= sum);
            sort(row);
        }
        Some(found)
    }

    /// The closed vertices that matter.
    fn known(&self) -> impl Iterator<Item = usize> + '_ {
        let seen = self.laplacian.iter().flat_map(|(_, row)| row);
        let held = self.hold.iter().map(|&(_, other, _)| other);
        let all = seen.map(|entry| entry.0).chain(held);
        all.filter(|&v| self.place[v] == CLOSED)
    }
}

/// For each two triangles that share an edge and touch a vertex that is meant what a linear field on both, laid flat,
/// makes zero: its value at the far corner of one less what the other says of that place.
fn hinges(surface: &Surface, is_meant: impl Fn(usize) -> bool) -> Vec<Vec<(usize, f64)>> {
    let mut sides: Vec<([u32; 2], u32)> = Vec::new();
    for corners in &surface.triangles {
        for k in 0..3 {
            let [apex, a, b] = [corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]];
            sides.push(([a.min(b), a.max(b)], apex));
        }
    }
    sides.sort_unstable();
    let place = |v: u32| surface.point(v as usize);
    let hinge = |edge: [u32; 2], c: u32, d: u32| {
        let [a, b] = edge;
        let (along, to_c, to_d) = (
            place(b) - place(a),
            place(c) - place(a),
            place(d) - place(a),
        );
        let length = along.norm();
        let flat = |to: nalgebra::Vector3<f64>| {
            let x = to.dot(&along) / length;
            (x, (to.norm_squared() - x * x).max(0.0).sqrt())
        };
        let ((x_c, y_c), (x_d, y_d)) = (flat(to_c), flat(to_d));
        let share_c = -y_d / y_c;
        let share_b = (x_d - share_c * x_c) / length;
        let shares = [1.0 - share_b - share_c, share_b, share_c];
        // Slivers say nothing of others.
        let is_sound = shares.iter().all(|share| share.abs() < 1e3);
        is_sound.then(|| {
            let row = [a, b, c].into_iter().zip(shares.map(|share| -share));
            row.chain([(d, 1.0)])
                .map(|(v, x)| (v as usize, x))
                .collect()
        })
    };
    let pairs = sides
        .chunk_by(|x, y| x.0 == y.0)
        .filter(|side| side.len() == 2);
    let touched = pairs.filter(|side| {
        let [a, b] = side[0].0;
        [a, b, side[0].1, side[1].1]
            .iter()
            .any(|&v| is_meant(v as usize))
    });
    touched
        .filter_map(|side| hinge(side[0].0, side[0].1, side[1].1))
        .collect()
}

/// Rows of the nearest known vertices, by edges.
fn nearest(surface: &Surface, rows: &mut [Row], open: &[usize]) {
    let mut waits = vec![false; surface.len()];
    open.iter().for_each(|&v| waits[v] = true);
    let mut left = open.to_vec();
    while !left.is_empty() {
        let reached: Vec<(usize, usize)> = left
            .iter()
            .filter_map(|&v| {
                let mut ring = surface.rings.of(v).iter().map(|&n| n as usize);
                Some((v, ring.find(|&n| !waits[n])?))
            })
            .collect();
        for &(v, from) in &reached {
            rows[v] = rows[from].clone();
        }
        reached.iter().for_each(|&(v, _)| waits[v] = false);
        if reached.is_empty() {
            return;
        }
        left.retain(|&v| waits[v]);
    }
}
