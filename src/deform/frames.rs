//! Frames of a surface: an orthonormal frame at each vertex, fitted to its ring.
//!
//! The paper of delta mush leaves them open; a normal and one edge flip when that edge is a sliver. Ours
//! take the whole ring: the least-squares linear map from the ring's edges at bind, within its two
//! principal directions, to the edges in the pose, and the closest rotation to that map (its polar
//! factor, in closed form for 3×2). No single edge decides, no order of edges matters, and a rigid
//! motion of the ring is followed exactly.
//!
//! Degenerate cases: a ring whose edges lie along one line (see [`LEAST_WIDTH`]) is widened to two,
//! then three rings; if it is still a line there is no frame. In a pose in which its ring collapses to a
//! line a vertex has none either.

use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;

use crate::rig::{LANES, Point, Rings};

/// A ring is a line if its second principal extent, squared, is below this share of the first: one
/// in a hundred, in length. Thinner rings would lift f32 rounding into the frame.
pub(super) const LEAST_WIDTH: f64 = 1e-4;

/// A posed ring has collapsed if its area is below this share of its squared extent; closer to zero
/// the direction of its normal is rounding.
const LEAST_POSED_AREA: f32 = 1e-5;

/// For each vertex the ring that its frame is fitted to, with the two coefficients of each edge that
/// make the least-squares tangent map.
#[derive(Clone, Debug, Default)]
pub(super) struct Frames {
    starts: Vec<u32>,
    neighbours: Vec<u32>,
    coefficients: Vec<[f32; 2]>,
    /// The widest ring used.
    pub reach: usize,
}

/// An orthonormal frame in every pose of a block, and whether the ring had not collapsed.
pub(super) struct Frame {
    u: Point,
    b: Point,
    n: Point,
    pub good: [bool; LANES],
}

impl Frame {
    /// A vector in the coordinates of the frame, in the first pose.
    pub fn coordinates(&self, vector: [f64; 3]) -> [f32; 3] {
        [&self.u, &self.b, &self.n].map(|axis| {
            let [x, y, z] = axis.lane(0).map(f64::from);
            (x * vector[0] + y * vector[1] + z * vector[2]) as f32
        })
    }

    /// `from + frame · detail`.
    #[inline(always)]
    pub fn carry(&self, [du, db, dn]: [f32; 3], from: &Point) -> Point {
        let mut to = Point::ZERO;
        for l in 0..LANES {
            to.x[l] = from.x[l] + (self.u.x[l] * du + self.b.x[l] * db + self.n.x[l] * dn);
            to.y[l] = from.y[l] + (self.u.y[l] * du + self.b.y[l] * db + self.n.y[l] * dn);
            to.z[l] = from.z[l] + (self.u.z[l] * du + self.b.z[l] * db + self.n.z[l] * dn);
        }
        to
    }
}

impl Frames {
    /// Frames of the shape `rest`, at the vertices that are wanted.
    pub fn new(rings: &Rings, rest: &[[f64; 3]], wanted: impl Fn(usize) -> bool + Sync) -> Self {
        let fits: Vec<Option<Fit>> = (0..rings.len())
            .into_par_iter()
            .map(|v| wanted(v).then(|| fit(v, rings, rest)).flatten())
            .collect();
        let mut frames = Self {
            starts: Vec::with_capacity(rings.len() + 1),
            reach: 1,
            ..Self::default()
        };
        frames.starts.push(0);
        for (v, fit) in fits.into_iter().enumerate() {
            if let Some(fit) = fit {
                frames
                    .neighbours
                    .extend_from_slice(fit.wide.as_deref().unwrap_or(rings.of(v)));
                frames.coefficients.extend(fit.coefficients);
                frames.reach = frames.reach.max(fit.reach);
            }
            frames.starts.push(frames.neighbours.len() as u32);
        }
        frames
    }

    /// The ring of a vertex's frame with the coefficients of its edges; empty if it has none.
    pub fn of(&self, v: usize) -> impl ExactSizeIterator<Item = (u32, [f32; 2])> + '_ {
        let range = self.starts[v] as usize..self.starts[v + 1] as usize;
        self.neighbours[range.clone()]
            .iter()
            .copied()
            .zip(self.coefficients[range].iter().copied())
    }

    /// Whether a vertex has a frame.
    pub fn has(&self, v: usize) -> bool {
        self.starts[v] != self.starts[v + 1]
    }

    /// The frame of a vertex of a posed shape.
    #[inline(always)]
    pub fn pose(&self, v: usize, shape: &[Point]) -> Frame {
        let range = self.starts[v] as usize..self.starts[v + 1] as usize;
        let here = &shape[v];
        let (mut u, mut b) = (Point::ZERO, Point::ZERO);
        for (&n, &[cu, cb]) in self.neighbours[range.clone()]
            .iter()
            .zip(&self.coefficients[range])
        {
            let there = &shape[n as usize];
            for l in 0..LANES {
                let (x, y, z) = (
                    there.x[l] - here.x[l],
                    there.y[l] - here.y[l],
                    there.z[l] - here.z[l],
                );
                u.x[l] += cu * x;
                u.y[l] += cu * y;
                u.z[l] += cu * z;
                b.x[l] += cb * x;
                b.y[l] += cb * y;
                b.z[l] += cb * z;
            }
        }
        closest_rotation(u, b)
    }

    /// The same frames for a list of vertices; see [`Rings::restrict`].
    pub fn restrict(&self, vertices: &[u32], local: &[u32]) -> Self {
        let mut frames = Self {
            starts: vec![0],
            reach: self.reach,
            ..Self::default()
        };
        for &v in vertices {
            for entry in self.starts[v as usize]..self.starts[v as usize + 1] {
                let n = local[self.neighbours[entry as usize] as usize];
                if n != u32::MAX {
                    frames.neighbours.push(n);
                    frames.coefficients.push(self.coefficients[entry as usize]);
                }
            }
            frames.starts.push(frames.neighbours.len() as u32);
        }
        frames
    }
}

/// A ring is widened to this many rings at most.
pub(super) const WIDEST_REACH: usize = 3;

/// The ring that a frame is fitted to: a vertex's own unless it had to be widened.
struct Fit {
    reach: usize,
    wide: Option<Vec<u32>>,
    coefficients: Vec<[f32; 2]>,
}

fn fit(v: usize, rings: &Rings, rest: &[[f64; 3]]) -> Option<Fit> {
    (1..=WIDEST_REACH).find_map(|reach| {
        let wide = (reach > 1).then(|| wide_ring(rings, v as u32, reach));
        let ring = wide.as_deref().unwrap_or(rings.of(v));
        let coefficients = tangent_map(v, ring, rest)?;
        Some(Fit {
            reach,
            wide,
            coefficients,
        })
    })
}

/// A ring is widened to this many vertices at most; more of them lie on a line just as well.
const WIDEST_RING: usize = 64;

/// The vertices within `reach` rings of `v`, without `v`, in rising order.
fn wide_ring(rings: &Rings, v: u32, reach: usize) -> Vec<u32> {
    let mut found = vec![v];
    let mut begin = 0;
    for _ in 0..reach {
        let end = found.len();
        for i in begin..end {
            if found.len() > WIDEST_RING {
                break;
            }
            for &n in rings.of(found[i] as usize) {
                if found.len() <= WIDEST_RING && !found.contains(&n) {
                    found.push(n);
                }
            }
        }
        begin = end;
    }
    found.swap_remove(0);
    found.sort_unstable();
    found
}

/// Coefficients (c, d) of each edge such that Σ c·e' and Σ d·e' are the images of the ring's principal
/// directions under the least-squares linear map; `None` for a ring that is a line or a point.
fn tangent_map(v: usize, ring: &[u32], rest: &[[f64; 3]]) -> Option<Vec<[f32; 2]>> {
    let here = Vector3::from(rest[v]);
    let edges: Vec<Vector3<f64>> = ring
        .iter()
        .map(|&n| Vector3::from(rest[n as usize]) - here)
        .collect();
    let spread: Matrix3<f64> = edges.iter().map(|e| e * e.transpose()).sum();
    let scale = spread.trace();
    if scale.is_nan() || scale <= 0.0 {
        return None;
    }
    let eigen = (spread / scale).try_symmetric_eigen(f64::EPSILON, 500)?;
    let mut order = [0, 1, 2];
    order.sort_by(|&i, &j| eigen.eigenvalues[j].total_cmp(&eigen.eigenvalues[i]));
    let [first, second] = [order[0], order[1]].map(|i| eigen.eigenvalues[i]);
    if second.is_nan() || second < LEAST_WIDTH * first {
        return None;
    }
    let [u, b] = [order[0], order[1]].map(|i| eigen.eigenvectors.column(i).into_owned());
    Some(
        edges
            .iter()
            .map(|e| {
                [
                    (e.dot(&u) / (first * scale)) as f32,
                    (e.dot(&b) / (second * scale)) as f32,
                ]
            })
            .collect(),
    )
}

/// The polar factor of the 3×2 matrix [u b], completed by the normal.
///
/// With `MᵀM = [[a, c], [c, b]]` and δ its root determinant, the inverse square root is
/// `[[b+δ, −c], [−c, a+δ]] / (δ·√(a+b+2δ))`; δ is the length of the cross product, which loses fewer
/// digits than `ab − c²`.
#[inline(always)]
pub(super) fn closest_rotation(u: Point, b: Point) -> Frame {
    let (mut out_u, mut out_b, mut n) = (Point::ZERO, Point::ZERO, Point::ZERO);
    let mut good = [false; LANES];
    for l in 0..LANES {
        let (ux, uy, uz) = (u.x[l], u.y[l], u.z[l]);
        let (bx, by, bz) = (b.x[l], b.y[l], b.z[l]);
        let (nx, ny, nz) = (uy * bz - uz * by, uz * bx - ux * bz, ux * by - uy * bx);
        let area = (nx * nx + ny * ny + nz * nz).sqrt();
        let uu = ux * ux + uy * uy + uz * uz;
        let bb = bx * bx + by * by + bz * bz;
        let ub = ux * bx + uy * by + uz * bz;
        good[l] = area > LEAST_POSED_AREA * (uu + bb);
        let scale = 1.0 / (area * (uu + bb + 2.0 * area).sqrt()).max(f32::MIN_POSITIVE);
        let (p, q, r) = ((bb + area) * scale, (uu + area) * scale, ub * scale);
        out_u.x[l] = p * ux - r * bx;
        out_u.y[l] = p * uy - r * by;
        out_u.z[l] = p * uz - r * bz;
        out_b.x[l] = q * bx - r * ux;
        out_b.y[l] = q * by - r * uy;
        out_b.z[l] = q * bz - r * uz;
        let normal = 1.0 / area.max(f32::MIN_POSITIVE);
        n.x[l] = nx * normal;
        n.y[l] = ny * normal;
        n.z[l] = nz * normal;
    }
    Frame {
        u: out_u,
        b: out_b,
        n,
        good,
    }
}
