//! A mush on linear skinning, without smoothing anything in a pose.
//!
//! The smoothed shape and the tangent map of every frame are linear in the joint matrices: with the
//! smoothed shares Y_vj of [`super::share`], of which (s⁰_v, 1) is the sum over joints, and o the base
//! joint of v,
//!
//! ```text
//!   s_v = T_o·s⁰_v + Σ_{j≠o} (T_j − T_o)·Y_vj
//!   u_v = T_o·u⁰_v + Σ_{j≠o} (T_j − T_o)·Z_vj,   Z_vj = Σ_n c_vn·(Y_nj − Y_vj)
//! ```
//!
//! and the same for the second direction. So a vertex needs a few matrices and no neighbours, in place of
//! every round on its whole neighbourhood. Joints that move as one body drop out to the bit, and at bind
//! everything does. After Le & Lewis 2019, *Direct delta mush skinning and variants*, ACM TOG 38(4),
//! with our frames in place of theirs.

use std::sync::Arc;

use multiversion::multiversion;
use rayon::prelude::*;

use super::Skin;
use super::frames::{Frames, closest_rotation};
use super::mush::Mush;
use super::region::bodies;
use super::share::{Share, Shares};
use crate::rig::{Block, Evaluate, JointId, LANES, Lane, Point, Rings, Skeleton, Weights};

/// Shares lighter than this are left out: ten times less than an expansion leaves out itself.
const LEAST_SHARE: f64 = 1e-7;

/// A mush on the whole surface.
#[derive(Clone, Debug)]
pub(super) struct Direct {
    vertices: Vec<Vertex>,
    terms: Terms,
}

/// What a vertex does by itself.
#[derive(Clone, Copy, Debug)]
struct Vertex {
    /// The base joint.
    own: u16,
    /// Whether it has a frame.
    framed: bool,
    /// How much of the layer is applied.
    share: f32,
    /// The smoothed bind position and the two tangents.
    smooth: [[f32; 3]; 3],
    /// Detail in the frame.
    detail: [f32; 3],
}

/// For each vertex what other joints add: to the position and to the two tangents.
#[derive(Clone, Debug)]
struct Terms {
    starts: Vec<u32>,
    joints: Vec<u16>,
    values: Vec<[[f32; 4]; 3]>,
}

/// A mush on the vertices that some poses bend, joints that move as one merged.
#[derive(Debug)]
pub(super) struct LocalDirect {
    pub core: Arc<[u32]>,
    pub bodies: Arc<[u32]>,
    vertices: Vec<Vertex>,
    terms: Terms,
    /// Base weights and bind positions, for vertices that the layer leaves as they came in, wholly or in
    /// part.
    skin: Skin,
    rest: Vec<[f32; 3]>,
}

impl Direct {
    /// Compiles a mush whose detail all follows the smoothed frames. `share` is how much of it is applied
    /// at each vertex.
    pub fn new(
        mush: &Mush,
        base: &Weights,
        own: &[u16],
        rings: &Rings,
        rest: &[[f64; 3]],
        share: impl Fn(usize) -> f32 + Sync,
    ) -> Self {
        let shares = Shares::smoothed(base, rings, rest, &[mush.smoothing()], |share: Share| {
            (share[3].abs() >= LEAST_SHARE).then_some(share)
        });
        let rows: Vec<(Vertex, Vec<(u16, [[f32; 4]; 3])>)> = (0..rings.len())
            .into_par_iter()
            .map(|v| {
                let sums = sums(v, &shares, rings, mush.frames());
                let mut smooth = [[0.0; 3]; 3];
                for (_, parts) in &sums {
                    for (whole, part) in smooth.iter_mut().zip(parts) {
                        for i in 0..3 {
                            whole[i] += part[i];
                        }
                    }
                }
                let detail = std::array::from_fn(|i| rest[v][i] - smooth[0][i]);
                let smooth = smooth.map(|p| p.map(|x| x as f32));
                let frame = closest_rotation(Point::splat(smooth[1]), Point::splat(smooth[2]));
                let vertex = Vertex {
                    own: own[v],
                    framed: mush.frames().has(v),
                    share: share(v),
                    smooth,
                    detail: frame.coordinates(detail),
                };
                let others = sums
                    .into_iter()
                    .filter(|sum| sum.0 != own[v])
                    .map(|(joint, parts)| (joint, parts.map(|part| part.map(|x| x as f32))));
                (vertex, others.collect())
            })
            .collect();
        let mut direct = Self {
            vertices: Vec::with_capacity(rows.len()),
            terms: Terms::default(),
        };
        for (vertex, others) in rows {
            direct.vertices.push(vertex);
            for (joint, value) in others {
                direct.terms.joints.push(joint);
                direct.terms.values.push(value);
            }
            direct.terms.starts.push(direct.terms.joints.len() as u32);
        }
        direct
    }

    /// Bytes that it takes.
    pub fn bytes(&self) -> usize {
        self.vertices.len() * size_of::<Vertex>() + self.terms.bytes()
    }
}

impl Direct {
    /// The mush on what poses that turn exactly these joints can bend.
    pub fn bent_by(
        &self,
        turned: &[JointId],
        skeleton: &Skeleton,
        base: &Weights,
        rest: &[[f32; 3]],
    ) -> LocalDirect {
        let bodies = bodies(turned, skeleton);
        let bends = |v: &u32| {
            let v = *v as usize;
            let own = bodies[usize::from(self.vertices[v].own)];
            let (joints, _) = self.terms.of(v);
            joints.iter().any(|&j| bodies[usize::from(j)] != own)
        };
        let core = (0..self.vertices.len() as u32).filter(bends).collect();
        self.on(core, bodies, base, rest)
    }

    /// The mush on the whole surface, for any poses of a skeleton of that many joints.
    pub fn whole(&self, joints: usize, base: &Weights, rest: &[[f32; 3]]) -> LocalDirect {
        let all = (0..self.vertices.len() as u32).collect();
        self.on(all, (0..joints as u32).collect(), base, rest)
    }

    fn on(
        &self,
        core: Arc<[u32]>,
        bodies: Vec<u32>,
        base: &Weights,
        rest: &[[f32; 3]],
    ) -> LocalDirect {
        let mut terms = Terms::default();
        for &v in core.iter() {
            let v = v as usize;
            let body = |joint: u16| bodies[usize::from(joint)];
            let begin = terms.joints.len();
            let (joints, values) = self.terms.of(v);
            for (&joint, value) in joints.iter().zip(values) {
                if body(joint) == body(self.vertices[v].own) {
                    continue;
                }
                let known = terms.joints[begin..]
                    .iter()
                    .position(|&j| body(j) == body(joint));
                match known {
                    Some(place) => add(&mut terms.values[begin + place], value),
                    None => {
                        terms.joints.push(joint);
                        terms.values.push(*value);
                    }
                }
            }
            terms.starts.push(terms.joints.len() as u32);
        }
        let core_vertices = || core.iter().map(|&v| v as usize);
        LocalDirect {
            vertices: core_vertices().map(|v| self.vertices[v]).collect(),
            skin: Skin::new(base, core_vertices()),
            rest: core_vertices().map(|v| rest[v]).collect(),
            bodies: bodies.into(),
            terms,
            core,
        }
    }
}

impl Terms {
    fn of(&self, slot: usize) -> (&[u16], &[[[f32; 4]; 3]]) {
        let range = self.starts[slot] as usize..self.starts[slot + 1] as usize;
        (&self.joints[range.clone()], &self.values[range])
    }

    fn bytes(&self) -> usize {
        self.joints.len() * (2 + size_of::<[[f32; 4]; 3]>()) + self.starts.len() * 4
    }
}

impl Default for Terms {
    fn default() -> Self {
        Self {
            starts: vec![0],
            joints: Vec::new(),
            values: Vec::new(),
        }
    }
}

fn add(sum: &mut [[f32; 4]; 3], value: &[[f32; 4]; 3]) {
    for (sum, value) in sum.iter_mut().flatten().zip(value.iter().flatten()) {
        *sum += value;
    }
}

/// For each joint that reaches a vertex or its ring: its share of the smoothed position and of the two
/// tangents.
fn sums(
    v: usize,
    shares: &Shares<Share>,
    rings: &Rings,
    frames: &Frames,
) -> Vec<(u16, [Share; 3])> {
    let mut sums: Vec<(u16, [Share; 3])> = Vec::new();
    let mut add = |vertex: usize, factors: [f64; 3]| {
        let (joints, values) = shares.of(vertex);
        for (&joint, value) in joints.iter().zip(values) {
            let place = sums
                .iter()
                .position(|sum| sum.0 == joint)
                .unwrap_or_else(|| {
                    sums.push((joint, [[0.0; 4]; 3]));
                    sums.len() - 1
                });
            for (sum, factor) in sums[place].1.iter_mut().zip(factors) {
                for i in 0..4 {
                    sum[i] += factor * value[i];
                }
            }
        }
    };
    let mut all = [0.0; 2];
    for (n, [u, b]) in frames.of(v) {
        let [u, b] = [f64::from(u), f64::from(b)];
        all = [all[0] + u, all[1] + b];
        add(n as usize, [0.0, u, b]);
    }
    add(v, [1.0, -all[0], -all[1]]);
    if !frames.has(v) {
        // It stays as it came in, but the fit may give it the joints of its ring: they must be told apart.
        for &n in rings.of(v) {
            add(n as usize, [0.0; 3]);
        }
    }
    sums
}

impl Evaluate for LocalDirect {
    fn evaluate(&self, block: &Block, slots: std::ops::Range<usize>, out: &mut [Point]) {
        evaluate(self, block, slots, out);
    }
}

#[multiversion(targets("x86_64+avx2"))]
fn evaluate(local: &LocalDirect, block: &Block, slots: std::ops::Range<usize>, out: &mut [Point]) {
    for (slot, out) in slots.zip(out) {
        let vertex = &local.vertices[slot];
        let (joints, values) = local.terms.of(slot);
        if joints.is_empty() || !vertex.framed {
            *out = local.skin.linear(block, slot, local.rest[slot]);
            continue;
        }
        let own = &block.joint(vertex.own);
        let [position, u, b] = &vertex.smooth;
        let (mut s, mut tu, mut tb) = (
            product(own, [position[0], position[1], position[2], 1.0]),
            product(own, [u[0], u[1], u[2], 0.0]),
            product(own, [b[0], b[1], b[2], 0.0]),
        );
        for (&joint, value) in joints.iter().zip(values) {
            let other = block.joint(joint);
            add_difference(other, own, 0, value, [&mut s.x, &mut tu.x, &mut tb.x]);
            add_difference(other, own, 4, value, [&mut s.y, &mut tu.y, &mut tb.y]);
            add_difference(other, own, 8, value, [&mut s.z, &mut tu.z, &mut tb.z]);
        }
        let frame = closest_rotation(tu, tb);
        let point = frame.carry(vertex.detail, &s);
        if vertex.share == 1.0 && frame.good == [true; LANES] {
            *out = point;
            continue;
        }
        let came = local.skin.linear(block, slot, local.rest[slot]);
        for l in 0..LANES {
            let share = if frame.good[l] { vertex.share } else { 0.0 };
            out.x[l] = came.x[l] + share * (point.x[l] - came.x[l]);
            out.y[l] = came.y[l] + share * (point.y[l] - came.y[l]);
            out.z[l] = came.z[l] + share * (point.z[l] - came.z[l]);
        }
    }
}

/// Adds one row of the difference of two matrices, times the position and both tangents of a term.
#[inline(always)]
fn add_difference(
    other: &[Lane; 12],
    own: &[Lane; 12],
    row: usize,
    [at, u, b]: &[[f32; 4]; 3],
    [s, tu, tb]: [&mut Lane; 3],
) {
    // One loop with everything in it: the compiler makes vectors of it.
    for l in 0..LANES {
        let d0 = other[row][l] - own[row][l];
        let d1 = other[row + 1][l] - own[row + 1][l];
        let d2 = other[row + 2][l] - own[row + 2][l];
        let d3 = other[row + 3][l] - own[row + 3][l];
        s[l] += d0 * at[0] + d1 * at[1] + d2 * at[2] + d3 * at[3];
        tu[l] += d0 * u[0] + d1 * u[1] + d2 * u[2] + d3 * u[3];
        tb[l] += d0 * b[0] + d1 * b[1] + d2 * b[2] + d3 * b[3];
    }
}

/// A joint's matrix times a point or direction.
#[inline(always)]
fn product(m: &[Lane; 12], [x, y, z, w]: [f32; 4]) -> Point {
    let mut point = Point::ZERO;
    for l in 0..LANES {
        point.x[l] = m[0][l] * x + m[1][l] * y + m[2][l] * z + m[3][l] * w;
        point.y[l] = m[4][l] * x + m[5][l] * y + m[6][l] * z + m[7][l] * w;
        point.z[l] = m[8][l] * x + m[9][l] * y + m[10][l] * z + m[11][l] * w;
    }
    point
}
