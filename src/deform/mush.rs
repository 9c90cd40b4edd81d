//! Delta mush: smooth the posed surface, then give back the detail that smoothing takes away at bind.
//!
//! Mancewicz, Derksen, Rijpkema, Wilson 2014, *Delta mush: smoothing deformations while preserving
//! detail* (DigiPro). With A the mean of the one-ring, `rounds` times `s ← s + pull · (A s − s)`; the
//! detail `d = x − s` of the bind shape is kept in a frame at each vertex, and the result in a pose
//! is `s' + F'·Fᵀ·d`.
//!
//! **Smoothing follows what moves.** A posed shape is what its base joint makes of the bind shape, plus a
//! departure: `s_k(v) = T_v·s⁰_k(v) + u_k(v)`, with `s⁰` the same smoothing of the bind shape. Departures
//! smooth like positions, with a source where a neighbour n follows another joint:
//! `(T_n − T_v)·s⁰_k(n)`. They are zero to the bit away from such seams, so a step touches only the
//! vertices that the step before it reached and one ring more; and at bind nothing departs at all.
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

use std::sync::Arc;

use multiversion::multiversion;
use nalgebra::{Matrix3, Vector3};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::filter::{Filter, Step};
use super::place::{Place, Workspace};
use crate::rig::{Block, LANES, Point, Rings};

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
    filter: Arc<Filter>,
    /// Vertices that smoothing leaves alone.
    held: Vec<bool>,
    /// The smoothed bind shape.
    smooth: Vec<[f32; 3]>,
    frames: Frames,
    /// Detail of each vertex in its frame of the smoothed shape, times `detail`.
    detail: Vec<[f32; 3]>,
    /// Frames of the shape that comes in and the detail that follows them; only if `detail` < 1.
    follow: Option<(Frames, Vec<[f32; 3]>)>,
    /// For each step of the filter, what it starts from at bind, at each seam vertex of the surface.
    seam_rest: Arc<Vec<Vec<[f32; 3]>>>,
}

impl Mush {
    /// Compiles the layer; `seam_vertices` are those with a neighbour of another base joint.
    pub fn new(
        options: MushOptions,
        rings: &Rings,
        border: &[bool],
        rest: &[[f32; 3]],
        seam_vertices: &[u32],
    ) -> Self {
        let held: Vec<bool> = (0..rings.len())
            .map(|v| rings.of(v).is_empty() || (options.border == Border::Held && border[v]))
            .collect();
        let filter = Filter::new(options.rounds, options.pull);
        let (smooth, seam_rest) = smooth_bind(&filter, rings, &held, rest, seam_vertices);
        let share = |frames: &Frames, shape: &[[f32; 3]], part: f32| -> Vec<[f32; 3]> {
            let points: Vec<Point> = shape.iter().map(|&p| Point::splat(p)).collect();
            (0..rest.len())
                .map(|v| {
                    let d: [f32; 3] = std::array::from_fn(|i| (rest[v][i] - smooth[v][i]) * part);
                    // With the kernel of the pose, so that bind comes back whatever the frame is.
                    let frame = frames.pose(v, &points);
                    [&frame.u, &frame.b, &frame.n].map(|axis| {
                        let [x, y, z] = axis.lane(0);
                        x * d[0] + y * d[1] + z * d[2]
                    })
                })
                .collect()
        };
        let frames = Frames::new(rings, &smooth);
        let detail = share(&frames, &smooth, options.detail);
        let follow = (options.detail < 1.0).then(|| {
            let frames = Frames::new(rings, rest);
            let follow = share(&frames, rest, 1.0 - options.detail);
            (frames, follow)
        });
        Self {
            filter: Arc::new(filter),
            held,
            smooth,
            frames,
            detail,
            follow,
            seam_rest: Arc::new(seam_rest),
        }
    }

    /// How many rings farther from the seams the layer bends the surface.
    pub fn reach(&self) -> usize {
        let follow = self.follow.as_ref().map_or(0, |(frames, _)| frames.reach);
        (self.filter.steps.len() + self.frames.reach).max(follow)
    }

    /// How many rings around a vertex its frame looks at.
    pub fn margin(&self) -> usize {
        let follow = self.follow.as_ref().map_or(0, |(frames, _)| frames.reach);
        self.frames.reach.max(follow)
    }

    /// Bytes of what is shared by all regions.
    pub fn shared_bytes(&self) -> usize {
        self.seam_rest.iter().map(|step| step.len() * 12).sum()
    }

    /// The same layer on a list of vertices; see [`Rings::restrict`].
    pub fn restrict(
        &self,
        vertices: &[u32],
        local: &[u32],
        pick: impl Fn(&[[f32; 3]]) -> Vec<[f32; 3]>,
    ) -> Self {
        Self {
            filter: Arc::clone(&self.filter),
            held: vertices.iter().map(|&v| self.held[v as usize]).collect(),
            smooth: pick(&self.smooth),
            frames: self.frames.restrict(vertices, local),
            detail: pick(&self.detail),
            follow: self
                .follow
                .as_ref()
                .map(|(frames, follow)| (frames.restrict(vertices, local), pick(follow))),
            seam_rest: Arc::clone(&self.seam_rest),
        }
    }

    /// Runs the layer on `shape`, of which the vertices nearer than `front` rings may have departed from
    /// their base joint; in the end those nearer than `front` + [`Mush::reach`] may.
    pub fn apply(&self, place: &Place, block: &Block, front: usize, work: &mut Workspace) {
        let Place {
            region,
            rings,
            rest,
            own,
            seams,
        } = place;
        let count = own.len();
        let Workspace {
            shape,
            spare: [current, before, result],
        } = work;
        for buffer in [&mut *current, before, result] {
            buffer.clear();
            buffer.resize(count, Point::ZERO);
        }
        let departed = region.nearer_than(front);
        depart(block, &own[..departed], rest, shape, current);
        add_scaled(self.filter.take_start, &current[..departed], result);
        let differences = seams.differences(block);
        for (k, step) in self.filter.steps.iter().enumerate() {
            let reached = region.nearer_than(front + k + 1);
            filter_step(step, rings, &self.held, current, &mut before[..reached]);
            seams.add_sources(
                step.mean,
                &differences,
                &self.held,
                &self.seam_rest[k],
                before,
            );
            std::mem::swap(current, before);
            if step.take != 0.0 {
                add_scaled(step.take, &current[..reached], result);
            }
        }
        // From departures to positions.
        let smooth = result;
        arrive(block, own, &self.smooth, smooth);
        // `current` takes the result: what does not bend stays as it came in.
        current.clone_from(shape);
        let bent = region.nearer_than(front + self.reach());
        let follow = self
            .follow
            .as_ref()
            .map(|(frames, detail)| (frames, detail.as_slice()));
        give_back(
            (&self.frames, &self.detail),
            follow,
            smooth,
            shape,
            &mut current[..bent],
        );
        std::mem::swap(shape, current);
    }
}

/// The smoothed bind shape, and what each step starts from at the seam vertices.
fn smooth_bind(
    filter: &Filter,
    rings: &Rings,
    held: &[bool],
    rest: &[[f32; 3]],
    seam_vertices: &[u32],
) -> (Vec<[f32; 3]>, Vec<Vec<[f32; 3]>>) {
    let scaled = |shape: &[[f32; 3]], by: f32| -> Vec<[f32; 3]> {
        shape.iter().map(|p| p.map(|x| by * x)).collect()
    };
    let mut before = vec![[0.0; 3]; rest.len()];
    let mut current = rest.to_vec();
    let mut result = scaled(rest, filter.take_start);
    let mut seam_rest = Vec::with_capacity(filter.steps.len());
    for step in &filter.steps {
        seam_rest.push(seam_vertices.iter().map(|&v| current[v as usize]).collect());
        let next = (0..rest.len())
            .into_par_iter()
            .map(|v| {
                if held[v] {
                    return current[v];
                }
                let ring = rings.of(v);
                std::array::from_fn(|i| {
                    let sum: f32 = ring.iter().map(|&n| current[n as usize][i]).sum();
                    let mean = step.mean / ring.len() as f32;
                    mean * sum + step.own * current[v][i] + step.previous * before[v][i]
                })
            })
            .collect();
        before = std::mem::replace(&mut current, next);
        if step.take != 0.0 {
            for (sum, p) in result.iter_mut().zip(scaled(&current, step.take)) {
                *sum = std::array::from_fn(|i| sum[i] + p[i]);
            }
        }
    }
    (result, seam_rest)
}

/// One step of the filter on the first `to.len()` vertices; `to` holds what was before, then the result.
#[multiversion(targets("x86_64+avx2"))]
fn filter_step(step: &Step, rings: &Rings, held: &[bool], from: &[Point], to: &mut [Point]) {
    for (v, out) in to.iter_mut().enumerate() {
        let here = &from[v];
        if held[v] {
            *out = *here;
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
        let mean = step.mean / ring.len() as f32;
        for l in 0..LANES {
            out.x[l] = mean * sum.x[l] + step.own * here.x[l] + step.previous * out.x[l];
            out.y[l] = mean * sum.y[l] + step.own * here.y[l] + step.previous * out.y[l];
            out.z[l] = mean * sum.z[l] + step.own * here.z[l] + step.previous * out.z[l];
        }
    }
}

/// `out = shape − what the base joint makes of rest`.
#[multiversion(targets("x86_64+avx2"))]
fn depart(block: &Block, own: &[u16], rest: &[[f32; 3]], shape: &[Point], out: &mut [Point]) {
    for (v, &joint) in own.iter().enumerate() {
        let rigid = block.transform(usize::from(joint), rest[v]);
        for l in 0..LANES {
            out[v].x[l] = shape[v].x[l] - rigid.x[l];
            out[v].y[l] = shape[v].y[l] - rigid.y[l];
            out[v].z[l] = shape[v].z[l] - rigid.z[l];
        }
    }
}

/// `departure += what the base joint makes of rest`.
#[multiversion(targets("x86_64+avx2"))]
fn arrive(block: &Block, own: &[u16], rest: &[[f32; 3]], departure: &mut [Point]) {
    for (v, &joint) in own.iter().enumerate() {
        let rigid = block.transform(usize::from(joint), rest[v]);
        for l in 0..LANES {
            departure[v].x[l] += rigid.x[l];
            departure[v].y[l] += rigid.y[l];
            departure[v].z[l] += rigid.z[l];
        }
    }
}

/// `sum += scale · shape`, on the vertices of `shape`.
#[multiversion(targets("x86_64+avx2"))]
fn add_scaled(scale: f32, shape: &[Point], sum: &mut [Point]) {
    for (sum, point) in sum.iter_mut().zip(shape) {
        for l in 0..LANES {
            sum.x[l] += scale * point.x[l];
            sum.y[l] += scale * point.y[l];
            sum.z[l] += scale * point.z[l];
        }
    }
}

/// `out = smooth + frame · detail`, and what follows the frames of the shape that came in; a vertex
/// without a frame takes the incoming point.
#[multiversion(targets("x86_64+avx2"))]
fn give_back(
    (frames, detail): (&Frames, &[[f32; 3]]),
    follow: Option<(&Frames, &[[f32; 3]])>,
    smooth: &[Point],
    incoming: &[Point],
    out: &mut [Point],
) {
    for (v, out) in out.iter_mut().enumerate() {
        if !frames.has(v) || follow.is_some_and(|(frames, _)| !frames.has(v)) {
            *out = incoming[v];
            continue;
        }
        let frame = frames.pose(v, smooth);
        let mut point = frame.carry(detail[v], &smooth[v]);
        let mut good = frame.good;
        if let Some((frames, detail)) = follow {
            let frame = frames.pose(v, incoming);
            point = frame.carry(detail[v], &point);
            for l in 0..LANES {
                good[l] &= frame.good[l];
            }
        }
        let came = &incoming[v];
        for l in 0..LANES {
            out.x[l] = if good[l] { point.x[l] } else { came.x[l] };
            out.y[l] = if good[l] { point.y[l] } else { came.y[l] };
            out.z[l] = if good[l] { point.z[l] } else { came.z[l] };
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

impl Frame {
    /// `from + frame · detail`.
    #[inline(always)]
    fn carry(&self, [du, db, dn]: [f32; 3], from: &Point) -> Point {
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
