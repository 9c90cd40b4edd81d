//! `heat`: bone heat.
//!
//! Baran & Popović 2007, *Automatic rigging and animation of 3D characters*, §4: each vertex is heated by
//! the bone that is nearest to it, the stronger the nearer, and heat spreads over the surface until it is
//! at rest. With H = 1/d² and p = 1 where a joint's bone is the nearest, its weights solve
//!
//! ```text
//!   −Δw + H·w = H·p
//! ```
//!
//! Here Δ is the cotangent Laplacian (Pinkall & Polthier 1993, *Computing discrete minimal surfaces and
//! their conjugates*), each vertex's heat counts by its area, and the distance is the one through the body
//! rather than straight to the nearest bone in sight. Negative cotangents are taken as zero: obtuse
//! triangles cannot make weights negative then, at some cost in evenness. All joints share one sparse
//! Cholesky factor.

use faer::linalg::solvers::Solve;
use faer::sparse::{SparseColMat, Triplet};
use faer::{Mat, Side};

use super::through::Found;
use crate::rig::{JointId, Surface, Weights};

/// A bone counts as at least this far away, as a share of the diagonal: a vertex upon a bone would be
/// heated without bound.
const LEAST_DISTANCE: f64 = 1e-3;

/// Weights below this are dropped: less than half a step of 8-bit weights.
const LEAST_WEIGHT: f64 = 1e-3;

/// Joints kept for a vertex.
const SLOTS: usize = 8;

/// Joints solved at once, to bound memory.
const COLUMNS: usize = 16;

/// Vertices whose area is less than this share of the mean count as having so much: slivers must not lose
/// all say.
const LEAST_AREA: f64 = 1e-3;

/// A vertex's joints and weights.
type Row = Vec<(JointId, f64)>;

/// Smooth weights from the nearest bone of each vertex. A vertex without one gets joint 0; if the matrix
/// is not definite after all, every vertex keeps its nearest.
pub(super) fn heat(surface: &Surface, found: &[Option<Found>]) -> Weights {
    let mut rows: Vec<Row> = found
        .iter()
        .map(|own| vec![(own.map_or(JointId(0), |own| own.1), 1.0)])
        .collect();
    let system = System::new(surface, found);
    if let Some(solved) = system.solve(found) {
        for (&v, row) in system.vertices.iter().zip(solved) {
            if !row.is_empty() {
                rows[v] = row;
            }
        }
    }
    to_weights(&rows)
}

/// The linear system on the vertices that have a bone.
struct System {
    vertices: Vec<usize>,
    entries: Vec<Triplet<usize, usize, f64>>,
    /// Area times H.
    sources: Vec<f64>,
}

impl System {
    fn new(surface: &Surface, found: &[Option<Found>]) -> Self {
        let vertices: Vec<usize> = (0..surface.len()).filter(|&v| found[v].is_some()).collect();
        let mut place = vec![usize::MAX; surface.len()];
        for (k, &v) in vertices.iter().enumerate() {
            place[v] = k;
        }
        let mean = surface.areas.iter().sum::<f64>() / surface.len().max(1) as f64;
        // A surface without area conducts nothing: any positive number serves.
        let least_area = if mean > 0.0 { LEAST_AREA * mean } else { 1.0 };
        let least = (LEAST_DISTANCE * surface.diagonal()).max(f64::MIN_POSITIVE.sqrt());
        let sources: Vec<f64> = vertices
            .iter()
            .map(|&v| {
                let distance = found[v].map_or(least, |own| own.0.max(least));
                surface.areas[v].max(least_area) / (distance * distance)
            })
            .collect();
        let mut entries = Vec::with_capacity(vertices.len() + 12 * surface.triangles.len());
        for (a, b, half) in surface.half_cotangents() {
            let (a, b, conductance) = (place[a], place[b], half.max(0.0));
            if a != usize::MAX && b != usize::MAX && conductance > 0.0 {
                entries.push(Triplet::new(a, a, conductance));
                entries.push(Triplet::new(b, b, conductance));
                entries.push(Triplet::new(a.max(b), a.min(b), -conductance));
            }
        }
        entries.extend((0..sources.len()).map(|k| Triplet::new(k, k, sources[k])));
        Self {
            vertices,
            entries,
            sources,
        }
    }

    /// The weights of each of its vertices, heaviest joints first.
    fn solve(&self, found: &[Option<Found>]) -> Option<Vec<Row>> {
        let n = self.vertices.len();
        let matrix = SparseColMat::<usize, f64>::try_new_from_triplets(n, n, &self.entries).ok()?;
        let factor = matrix.sp_cholesky(Side::Lower).ok()?;
        let nearest: Vec<JointId> = self
            .vertices
            .iter()
            .map(|&v| found[v].map_or(JointId(0), |own| own.1))
            .collect();
        let mut joints = nearest.clone();
        joints.sort_unstable();
        joints.dedup();
        let mut rows: Vec<Row> = vec![Vec::new(); n];
        for some in joints.chunks(COLUMNS) {
            let heated = |k: usize, c: usize| {
                if nearest[k] == some[c] {
                    self.sources[k]
                } else {
                    0.0
                }
            };
            let mut columns = Mat::from_fn(n, some.len(), heated);
            factor.solve_in_place(columns.as_mut());
            for (k, row) in rows.iter_mut().enumerate() {
                for (c, &joint) in some.iter().enumerate() {
                    if columns[(k, c)] >= LEAST_WEIGHT {
                        row.push((joint, columns[(k, c)]));
                    }
                }
                row.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
                row.truncate(SLOTS);
            }
        }
        Some(rows)
    }
}

fn to_weights(rows: &[Row]) -> Weights {
    let entries = rows
        .iter()
        .flat_map(|row| {
            let sum: f64 = row.iter().map(|entry| entry.1).sum();
            (0..SLOTS).map(move |k| {
                row.get(k)
                    .map_or((JointId(0), 0.0), |&(joint, w)| (joint, (w / sum) as f32))
            })
        })
        .collect();
    Weights::new(SLOTS, entries)
}

#[cfg(test)]
mod tests {
    //! Against a dense solve of the same system by a general library.

    use nalgebra::DMatrix;

    use super::*;
    use crate::bind::pieces::tests::tube;

    #[test]
    fn heat_agrees_with_a_dense_solve() {
        let surface = tube(12, 10);
        let n = surface.len();
        // Three bones along the tube, by halves.
        let found: Vec<Option<Found>> = (0..n)
            .map(|v| {
                let x = f64::from(surface.positions[v][0]);
                Some((
                    0.3 + 0.05 * (x * 5.0).sin(),
                    JointId((x * 3.0 / 1.001) as u16),
                ))
            })
            .collect();
        let weights = heat(&surface, &found);
        // The system, written down anew: cotangents from edge lengths (law of cosines).
        let mut matrix = DMatrix::<f64>::zeros(n, n);
        let place = |v: u32| surface.point(v as usize);
        for corners in &surface.triangles {
            for k in 0..3 {
                let [c, a, b] = [corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]];
                let [ab, ac, bc] =
                    [(a, b), (a, c), (b, c)].map(|(p, q)| (place(p) - place(q)).norm());
                let cosine = (ac * ac + bc * bc - ab * ab) / (2.0 * ac * bc);
                let half = (0.5 * cosine / (1.0 - cosine * cosine).sqrt()).max(0.0);
                let (a, b) = (a as usize, b as usize);
                matrix[(a, a)] += half;
                matrix[(b, b)] += half;
                matrix[(a, b)] -= half;
                matrix[(b, a)] -= half;
            }
        }
        let mut right = DMatrix::<f64>::zeros(n, 3);
        for v in 0..n {
            let (distance, joint) = found[v].expect("all have one");
            let source = surface.areas[v] / (distance * distance);
            matrix[(v, v)] += source;
            right[(v, joint.index())] = source;
        }
        let dense = matrix.lu().solve(&right).expect("definite");
        let mut mixed = 0;
        for v in 0..n {
            assert!((dense.row(v).sum() - 1.0).abs() < 1e-9, "heat adds up");
            for joint in 0..3 {
                let ours = weights.of(v).find(|entry| entry.0.index() == joint);
                let ours = ours.map_or(0.0, |entry| f64::from(entry.1));
                // Weights below a thousandth are dropped, and the others scaled.
                assert!(
                    (ours - dense[(v, joint)]).abs() < 4e-3,
                    "vertex {v}, joint {joint}"
                );
            }
            mixed += usize::from(weights.of(v).count() > 1);
        }
        assert!(mixed > n / 4, "{mixed} of {n} are mixed");
    }
}
