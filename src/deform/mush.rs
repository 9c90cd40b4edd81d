//! Delta mush: smooth the posed surface, then give back the detail that smoothing takes away at bind.
//!
//! Mancewicz, Derksen, Rijpkema, Wilson 2014, *Delta mush: smoothing deformations while preserving
//! detail* (DigiPro). With A the mean of the one-ring, `rounds` times `s ← s + pull · (A s − s)`; the
//! detail `d = x − s` of the bind shape is kept in a frame at each vertex, and the result in a pose
//! is `s' + F'·Fᵀ·d`.
//!
//! **Frames.** The paper leaves them open; a normal and one edge flip when that edge is a sliver. Ours
//! take the whole ring: the least-squares linear map from the ring's edges at bind, within its two
//! principal directions, to the edges in the pose, and the closest rotation to that map (its polar
//! factor, in closed form for 3×2). No single edge decides, no order of edges matters, and a rigid
//! motion of the ring is followed exactly.
//!
//! Degenerate cases: a ring whose edges lie along one line (see [`LEAST_WIDTH`]) is widened to two,
//! then three rings; if it is still a line the vertex passes as it came in. So does a vertex in a
//! pose in which its ring collapses to a line. A vertex without neighbours stays where it is.

use nalgebra::{Matrix3, Vector3};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::rig::{LANES, Point, Rings};

/// What smoothing does to vertices at the border of an open surface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Border {
    /// Smoothed like any other.
    #[default]
    Free,
    /// Left where they are.
    Held,
}

/// Options of a `mush` layer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MushOptions {
    /// Passes of smoothing.
    pub rounds: usize,
    /// Share of the way to the neighbours' mean each round, 0 to 1.
    pub pull: f32,
    /// Share of the detail given back through the smoothed frame, 0 to 1; the rest keeps the frame of
    /// the shape that came in, so that bind stays bind.
    pub detail: f32,
    /// What happens at the border of an open surface.
    pub border: Border,
}

/// A ring is a line if its second principal extent, squared, is below this share of the first: one
/// in a hundred, in length. Thinner rings would lift f32 rounding into the frame.
pub(super) const LEAST_WIDTH: f64 = 1e-4;

/// A posed ring has collapsed if its area is below this share of its squared extent; closer to zero
/// the direction of its normal is rounding.
const LEAST_POSED_AREA: f32 = 1e-5;

/// A mush layer compiled for a list of vertices.
#[derive(Clone, Debug)]
pub(super) struct Mush {
    pub options: MushOptions,
    /// Vertices that smoothing leaves alone.
    pub held: Vec<bool>,
    pub frames: Frames,
    /// Detail of each vertex in its frame of the smoothed shape, times `detail`.
    pub detail: Vec<[f32; 3]>,
    /// Frames of the shape that comes in and the detail that follows them; only if `detail` < 1.
    pub rest_follow: Option<(Frames, Vec<[f32; 3]>)>,
}

impl Mush {
    pub fn new(options: MushOptions, rings: &Rings, border: &[bool], rest: &[[f32; 3]]) -> Self {
        let held: Vec<bool> = (0..rings.len())
            .map(|v| rings.of(v).is_empty() || (options.border == Border::Held && border[v]))
            .collect();
        let points: Vec<Point> = rest.iter().map(|&p| Point::splat(p)).collect();
        let mut smooth = points.clone();
        // With the kernels of the pose, so that bind comes back to the bit.
        smooth_rounds(&options, rings, &held, &mut smooth, &mut Vec::new());
        let smooth_rest: Vec<[f32; 3]> = smooth.iter().map(|p| p.lane(0)).collect();
        let difference = |v: usize| {
            let (x, s) = (rest[v], smooth_rest[v]);
            [x[0] - s[0], x[1] - s[1], x[2] - s[2]]
        };
        let share = |frames: &Frames, shape: &[Point], part: f32| -> Vec<[f32; 3]> {
            (0..rest.len())
                .map(|v| {
                    let d = difference(v).map(|x| x * part);
                    let frame = frames.pose(v, shape);
                    [&frame.u, &frame.b, &frame.n].map(|axis| {
                        let [x, y, z] = axis.lane(0);
                        x * d[0] + y * d[1] + z * d[2]
                    })
                })
                .collect()
        };
        let frames = Frames::new(rings, &smooth_rest);
        let detail = share(&frames, &smooth, options.detail);
        let rest_follow = (options.detail < 1.0).then(|| {
            let frames = Frames::new(rings, rest);
            let follow = share(&frames, &points, 1.0 - options.detail);
            (frames, follow)
        });
        Self {
            options,
            held,
            frames,
            detail,
            rest_follow,
        }
    }

    /// The farthest ring from which the layer can move a vertex.
    pub fn reach(&self) -> usize {
        let follow = self
            .rest_follow
            .as_ref()
            .map_or(0, |(frames, _)| frames.reach);
        (self.options.rounds + self.frames.reach).max(follow)
    }

    /// The same layer on a list of vertices; see [`Rings::restrict`].
    pub fn restrict(
        &self,
        vertices: &[u32],
        local: &[u32],
        pick: impl Fn(&[[f32; 3]]) -> Vec<[f32; 3]>,
    ) -> Self {
        Self {
            options: self.options,
            held: vertices.iter().map(|&v| self.held[v as usize]).collect(),
            frames: self.frames.restrict(vertices, local),
            detail: pick(&self.detail),
            rest_follow: self
                .rest_follow
                .as_ref()
                .map(|(frames, follow)| (frames.restrict(vertices, local), pick(follow))),
        }
    }

    /// Runs the layer: `shape` holds what came in, and the result in the end.
    pub fn apply(
        &self,
        rings: &Rings,
        shape: &mut Vec<Point>,
        incoming: &mut Vec<Point>,
        spare: &mut Vec<Point>,
    ) {
        incoming.clone_from(shape);
        smooth_rounds(&self.options, rings, &self.held, shape, spare);
        give_back(&self.frames, &self.detail, shape, incoming, spare);
        if let Some((frames, follow)) = &self.rest_follow {
            add_detail(frames, follow, incoming, spare);
        }
        std::mem::swap(shape, spare);
    }
}

fn smooth_rounds(
    options: &MushOptions,
    rings: &Rings,
    held: &[bool],
    shape: &mut Vec<Point>,
    spare: &mut Vec<Point>,
) {
    spare.resize(shape.len(), Point::ZERO);
    for _ in 0..options.rounds {
        smooth_round(options.pull, rings, held, shape, spare);
        std::mem::swap(shape, spare);
    }
}

fn smooth_round(pull: f32, rings: &Rings, held: &[bool], from: &[Point], to: &mut [Point]) {
    for v in 0..from.len() {
        let here = &from[v];
        if held[v] {
            to[v] = *here;
            continue;
        }
        let ring = rings.of(v);
        let mut sum = Point::ZERO;
        for &n in ring {
            let there = &from[n as usize];
            for l in 0..LANES {
                sum.x[l] += there.x[l];
                sum.y[l] += there.y[l];
                sum.z[l] += there.z[l];
            }
        }
        let share = 1.0 / ring.len() as f32;
        let out = &mut to[v];
        for l in 0..LANES {
            out.x[l] = here.x[l] + pull * (sum.x[l] * share - here.x[l]);
            out.y[l] = here.y[l] + pull * (sum.y[l] * share - here.y[l]);
            out.z[l] = here.z[l] + pull * (sum.z[l] * share - here.z[l]);
        }
    }
}

/// `out = smooth + frame · detail`; vertices without a frame take the incoming point.
fn give_back(
    frames: &Frames,
    detail: &[[f32; 3]],
    smooth: &[Point],
    incoming: &[Point],
    out: &mut [Point],
) {
    for v in 0..smooth.len() {
        if !frames.has(v) {
            out[v] = incoming[v];
            continue;
        }
        let frame = frames.pose(v, smooth);
        let ([du, db, dn], s, came, out) = (detail[v], &smooth[v], &incoming[v], &mut out[v]);
        for l in 0..LANES {
            let x = s.x[l] + (frame.u.x[l] * du + frame.b.x[l] * db + frame.n.x[l] * dn);
            let y = s.y[l] + (frame.u.y[l] * du + frame.b.y[l] * db + frame.n.y[l] * dn);
            let z = s.z[l] + (frame.u.z[l] * du + frame.b.z[l] * db + frame.n.z[l] * dn);
            let good = frame.good[l];
            out.x[l] = if good { x } else { came.x[l] };
            out.y[l] = if good { y } else { came.y[l] };
            out.z[l] = if good { z } else { came.z[l] };
        }
    }
}

/// `out += frame · detail` for vertices with a frame.
fn add_detail(frames: &Frames, detail: &[[f32; 3]], shape: &[Point], out: &mut [Point]) {
    for v in (0..shape.len()).filter(|&v| frames.has(v)) {
        let frame = frames.pose(v, shape);
        let ([du, db, dn], out) = (detail[v], &mut out[v]);
        for l in (0..LANES).filter(|&l| frame.good[l]) {
            out.x[l] += frame.u.x[l] * du + frame.b.x[l] * db + frame.n.x[l] * dn;
            out.y[l] += frame.u.y[l] * du + frame.b.y[l] * db + frame.n.y[l] * dn;
            out.z[l] += frame.u.z[l] * du + frame.b.z[l] * db + frame.n.z[l] * dn;
        }
    }
}

/// For each vertex the ring that its frame is fitted to, with the two coefficients of each edge that
/// make the least-squares tangent map.
#[derive(Clone, Debug, Default)]
pub(super) struct Frames {
    starts: Vec<u32>,
    neighbours: Vec<u32>,
    coefficients: Vec<[f32; 2]>,
    /// The widest ring used.
    reach: usize,
}

/// An orthonormal frame in every pose of a block, and whether the ring had not collapsed.
struct Frame {
    u: Point,
    b: Point,
    n: Point,
    good: [bool; LANES],
}

impl Frames {
    fn new(rings: &Rings, rest: &[[f32; 3]]) -> Self {
        let mut frames = Self {
            starts: vec![0],
            reach: 1,
            ..Self::default()
        };
        for v in 0..rings.len() {
            for reach in 1..=3 {
                let wide;
                let ring = if reach == 1 {
                    rings.of(v)
                } else {
                    wide = wide_ring(rings, v as u32, reach);
                    &wide
                };
                if let Some(coefficients) = tangent_map(v, ring, rest) {
                    frames.neighbours.extend_from_slice(ring);
                    frames.coefficients.extend(coefficients);
                    frames.reach = frames.reach.max(reach);
                    break;
                }
            }
            frames.starts.push(frames.neighbours.len() as u32);
        }
        frames
    }

    fn has(&self, v: usize) -> bool {
        self.starts[v] != self.starts[v + 1]
    }

    #[inline(always)]
    fn pose(&self, v: usize, shape: &[Point]) -> Frame {
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

/// The vertices within `reach` rings of `v`, without `v`, in rising order.
fn wide_ring(rings: &Rings, v: u32, reach: usize) -> Vec<u32> {
    let mut found = vec![v];
    let mut begin = 0;
    for _ in 0..reach {
        let end = found.len();
        for i in begin..end {
            for &n in rings.of(found[i] as usize) {
                if !found.contains(&n) {
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
fn tangent_map(v: usize, ring: &[u32], rest: &[[f32; 3]]) -> Option<Vec<[f32; 2]>> {
    let here = Vector3::from(rest[v].map(f64::from));
    let edges: Vec<Vector3<f64>> = ring
        .iter()
        .map(|&n| Vector3::from(rest[n as usize].map(f64::from)) - here)
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
fn closest_rotation(u: Point, b: Point) -> Frame {
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
