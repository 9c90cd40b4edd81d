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

use std::collections::HashMap;
use std::ops::Range;
use std::sync::Arc;

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use rayon::prelude::*;

use super::filter::Filter;
use super::frames::{Frames, WIDEST_REACH, closest_rotation};
use super::mush::MushOptions;
use super::region::bodies;
use super::share::{Share, Shares};
use super::stack::SPREAD_PULL;
use super::{Skin, Spread};
use crate::rig::{
    Block, Evaluate, JointId, LANES, Lane, Point, Rings, Skeleton, Surface, Weights, product,
};

/// Shares lighter than this are left out: ten times less than an expansion leaves out itself.
const LEAST_SHARE: f64 = 1e-7;

/// A mush on the whole surface.
#[derive(Clone, Debug)]
pub(super) struct Direct {
    vertices: Vec<Vertex>,
    terms: Terms,
    /// Pairs of a base joint and another one, with the vertices at which they meet.
    meetings: Vec<(u16, u16, Vec<u32>)>,
    /// Base weights and bind positions, for vertices that the layer leaves as they came in, wholly or in
    /// part.
    skin: Skin,
    rest: Vec<[f32; 3]>,
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

/// What other joints add at each vertex: to the position and to the two tangents.
type Terms = Shares<[[f32; 4]; 3]>;

/// A mush on the vertices that some poses bend, joints that move as one merged.
#[derive(Debug)]
pub(super) struct LocalDirect {
    whole: Arc<Direct>,
    pub core: Arc<[u32]>,
    pub bodies: Arc<[u32]>,
    terms: Terms,
}

impl Direct {
    /// Compiles a mush whose detail all follows the smoothed frames, with how far it brings each joint.
    /// `share` is how much of the layer is applied at each vertex.
    pub fn new(
        surface: &Surface,
        base: &Weights,
        own: &[u16],
        rest: &[[f64; 3]],
        options: MushOptions,
        share: impl Fn(usize) -> f32 + Sync,
    ) -> (Self, Spread) {
        let rings = &surface.rings;
        let filter = Filter::new(options.rounds, options.pull);
        let held = options.held(rings, &surface.border);
        let shares = Shares::smoothed(base, rings, rest, &[(&filter, &held)], |share: Share| {
            (share[3].abs() >= LEAST_SHARE).then_some(share)
        });
        let smooth: Vec<[f64; 3]> = (0..rings.len())
            .map(|v| {
                let mut sum = [0.0; 3];
                for share in shares.of(v).1 {
                    for i in 0..3 {
                        sum[i] += share[i];
                    }
                }
                sum
            })
            .collect();
        let bends = bends(&shares, own, rings);
        let frames = Frames::new(rings, &smooth, |v| bends[v]);
        let context = Context {
            own,
            rings,
            rest,
            shares: &shares,
            smooth: &smooth,
            frames: &frames,
            bends: &bends,
        };
        let parts: Vec<Part> = (0..rings.len())
            .step_by(PART)
            .collect::<Vec<_>>()
            .into_par_iter()
            .map(|first| Part::new(&context, first..rings.len().min(first + PART), &share))
            .collect();
        let mut direct = Self {
            vertices: Vec::with_capacity(rings.len()),
            terms: Terms::default(),
            meetings: Vec::new(),
            skin: Skin::new(base, 0..rings.len()),
            rest: rest.iter().map(|p| p.map(|x| x as f32)).collect(),
        };
        let mut spread = Spread::default();
        for part in &parts {
            direct.vertices.extend_from_slice(&part.vertices);
            direct.terms.append(&part.terms);
            spread.append(&part.spread);
        }
        direct.meet(own);
        (direct, spread)
    }

    /// Lists where joints meet.
    fn meet(&mut self, own: &[u16]) {
        let mut known = HashMap::new();
        for (v, &own) in own.iter().enumerate() {
            for &joint in self.terms.of(v).0 {
                let meeting = *known.entry((own, joint)).or_insert_with(|| {
                    self.meetings.push((own, joint, Vec::new()));
                    self.meetings.len() - 1
                });
                self.meetings[meeting].2.push(v as u32);
            }
        }
    }

    /// Bytes that it takes.
    pub fn bytes(&self) -> usize {
        self.vertices.len() * (size_of::<Vertex>() + 24) + self.terms.bytes()
    }
}

impl Direct {
    /// The mush on what poses that turn exactly these joints can bend.
    pub fn bent_by(self: &Arc<Self>, turned: &[JointId], skeleton: &Skeleton) -> LocalDirect {
        let bodies = bodies(turned, skeleton);
        let apart = |a: u16, b: u16| bodies[usize::from(a)] != bodies[usize::from(b)];
        let meetings = self.meetings.iter();
        let mut core: Vec<u32> = meetings
            .filter(|(own, other, _)| apart(*own, *other))
            .flat_map(|meeting| meeting.2.iter().copied())
            .collect();
        core.sort_unstable();
        core.dedup();
        self.on(core, bodies)
    }

    /// The mush on the whole surface, for any poses of a skeleton of that many joints.
    pub fn whole(self: &Arc<Self>, joints: usize) -> LocalDirect {
        let all = (0..self.vertices.len() as u32).collect();
        self.on(all, (0..joints as u32).collect())
    }

    fn on(self: &Arc<Self>, core: Vec<u32>, bodies: Vec<u32>) -> LocalDirect {
        let body = |joint: u16| bodies[usize::from(joint)];
        let mut terms = Terms::default();
        let mut merged: Vec<(u16, [[f32; 4]; 3])> = Vec::new();
        for &v in &core {
            let v = v as usize;
            let own = body(self.vertices[v].own);
            merged.clear();
            let (joints, values) = self.terms.of(v);
            for (&joint, value) in joints.iter().zip(values) {
                let of = body(joint);
                match merged.iter_mut().find(|entry| body(entry.0) == of) {
                    _ if of == own => {}
                    Some((_, sum)) => add(sum, value),
                    None => merged.push((joint, *value)),
                }
            }
            terms.push(merged.iter().copied());
        }
        LocalDirect {
            whole: Arc::clone(self),
            core: core.into(),
            bodies: bodies.into(),
            terms,
        }
    }
}

fn add(sum: &mut [[f32; 4]; 3], value: &[[f32; 4]; 3]) {
    for (sum, value) in sum.iter_mut().flatten().zip(value.iter().flatten()) {
        *sum += value;
    }
}

/// Whether any joint but its own can reach a vertex or the ring of its frame. All others move rigidly.
fn bends(shares: &Shares<Share>, own: &[u16], rings: &Rings) -> Vec<bool> {
    let mut bends: Vec<bool> = (0..rings.len())
        .map(|v| shares.of(v).0.iter().any(|&joint| joint != own[v]))
        .collect();
    let mut reached: Vec<u32> = (0..rings.len() as u32)
        .filter(|&v| bends[v as usize])
        .collect();
    let mut begin = 0;
    for _ in 0..WIDEST_REACH {
        let end = reached.len();
        let is_new = |n: u32| !std::mem::replace(&mut bends[n as usize], true);
        rings.reach_from(&mut reached, begin, is_new);
        begin = end;
    }
    bends
}

/// Vertices compiled as one parcel of work.
const PART: usize = 512;

/// What a mush is compiled from.
struct Context<'a> {
    own: &'a [u16],
    rings: &'a Rings,
    rest: &'a [[f64; 3]],
    shares: &'a Shares<Share>,
    smooth: &'a [[f64; 3]],
    frames: &'a Frames,
    bends: &'a [bool],
}

/// A range of vertices, compiled.
struct Part {
    vertices: Vec<Vertex>,
    terms: Terms,
    spread: Spread,
}

impl Part {
    fn new(context: &Context, range: Range<usize>, share: impl Fn(usize) -> f32) -> Self {
        let mut part = Self {
            vertices: Vec::with_capacity(range.len()),
            terms: Terms::default(),
            spread: Spread::default(),
        };
        let mut row = Row::default();
        for v in range {
            let own = context.own[v];
            row.gather(context, v);
            let others = row.0.iter().filter(|entry| entry.0 != own);
            part.terms.push(
                others.map(|(joint, added)| {
                    (*joint, added.shares.map(|share| share.map(|x| x as f32)))
                }),
            );
            let tangents = row.tangents();
            let frame = closest_rotation(Point::splat(tangents[0]), Point::splat(tangents[1]));
            let (rest, smooth) = (context.rest[v], context.smooth[v]);
            part.vertices.push(Vertex {
                own,
                framed: context.frames.has(v),
                share: share(v),
                smooth: [smooth.map(|x| x as f32), tangents[0], tangents[1]],
                detail: frame.coordinates(std::array::from_fn(|i| rest[i] - smooth[i])),
            });
            part.spread
                .push(row.0.iter().map(|(joint, added)| (*joint, added.mass)));
        }
        part
    }
}

/// What each joint that reaches a vertex or its ring adds there.
#[derive(Default)]
struct Row(Vec<(u16, Added)>);

#[derive(Clone, Copy, Default)]
struct Added {
    /// To the smoothed position and to the two tangents.
    shares: [Share; 3],
    /// Weight after one more round.
    mass: f64,
}

impl Row {
    /// The row of a vertex.
    fn gather(&mut self, context: &Context, v: usize) {
        let Context {
            own,
            rings,
            shares,
            frames,
            bends,
            ..
        } = context;
        self.0.clear();
        if !bends[v] {
            let added = Added {
                mass: 1.0,
                ..Added::default()
            };
            self.0.push((own[v], added));
            return;
        }
        let ring = rings.of(v);
        let pull = match ring.len() {
            0 => 0.0,
            _ => f64::from(SPREAD_PULL),
        };
        let near = pull / ring.len().max(1) as f64;
        // A frame is fitted to the ring, or to a wider one around it.
        let is_ring = frames.of(v).len() == ring.len();
        let mut all = [0.0; 2];
        for (n, [u, b]) in frames.of(v) {
            let [u, b] = [f64::from(u), f64::from(b)];
            all = [all[0] + u, all[1] + b];
            let near = if is_ring { near } else { 0.0 };
            self.add(shares.of(n as usize), [0.0, u, b], near);
        }
        self.add(shares.of(v), [1.0, -all[0], -all[1]], 1.0 - pull);
        if !is_ring {
            // Without a frame it stays as it came in, but joints of the ring may become its candidates:
            // they must be told apart here too.
            for &n in ring {
                self.add(shares.of(n as usize), [0.0; 3], near);
            }
        }
    }

    fn add(&mut self, (joints, shares): (&[u16], &[Share]), factors: [f64; 3], mass: f64) {
        for (&joint, share) in joints.iter().zip(shares) {
            let known = self.0.iter().position(|entry| entry.0 == joint);
            let place = known.unwrap_or_else(|| {
                self.0.push((joint, Added::default()));
                self.0.len() - 1
            });
            let added = &mut self.0[place].1;
            added.mass += mass * share[3];
            for (sum, factor) in added.shares.iter_mut().zip(factors) {
                for i in 0..4 {
                    sum[i] += factor * share[i];
                }
            }
        }
    }

    /// The tangents at bind.
    fn tangents(&self) -> [[f32; 3]; 2] {
        [1, 2].map(|tangent| {
            std::array::from_fn(|i| {
                let added = self.0.iter().map(|(_, added)| added.shares[tangent][i]);
                added.sum::<f64>() as f32
            })
        })
    }
}

impl Evaluate for LocalDirect {
    fn evaluate(&self, block: &Block, slots: Range<usize>, out: &mut [Point]) {
        evaluate(self, block, slots, out);
    }
}

#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn evaluate(local: &LocalDirect, block: &Block, slots: Range<usize>, out: &mut [Point]) {
    let whole = &*local.whole;
    for (slot, out) in slots.zip(out) {
        let v = local.core[slot] as usize;
        let vertex = &whole.vertices[v];
        let (joints, values) = local.terms.of(slot);
        if joints.is_empty() || !vertex.framed {
            *out = whole.skin.linear(block, v, whole.rest[v]);
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
        let came = whole.skin.linear(block, v, whole.rest[v]);
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
