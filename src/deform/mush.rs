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
//! Frames: see [`super::frames`].
//!
//! Degenerate cases: a vertex without a frame, at bind or in a pose, passes as it came in. A vertex
//! without neighbours stays where it is.

use std::ops::Range;
use std::sync::Arc;

#[cfg(not(feature = "portable"))]
use multiversion::multiversion;
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::filter::{Filter, Step};
use super::frames::Frames;
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

impl MushOptions {
    /// The vertices that smoothing leaves alone.
    pub(super) fn held(&self, rings: &Rings, border: &[bool]) -> Vec<bool> {
        let held = |v: usize| rings.of(v).is_empty() || (self.border == Border::Held && border[v]);
        (0..rings.len()).map(held).collect()
    }
}

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
        rest: &[[f64; 3]],
        seam_vertices: &[u32],
    ) -> Self {
        let held = options.held(rings, border);
        let filter = Filter::new(options.rounds, options.pull);
        let (smooth, seam_rest) = smooth_bind(&filter, rings, &held, rest, seam_vertices);
        let single = |shape: &[[f64; 3]]| -> Vec<[f32; 3]> {
            shape.iter().map(|p| p.map(|x| x as f32)).collect()
        };
        let share = |frames: &Frames, shape: &[[f32; 3]], part: f64| -> Vec<[f32; 3]> {
            let points: Vec<Point> = shape.iter().map(|&p| Point::splat(p)).collect();
            (0..rest.len())
                .into_par_iter()
                .map(|v| {
                    // With the kernel of the pose, so that bind comes back whatever the frame is.
                    let d = std::array::from_fn(|i| (rest[v][i] - smooth[v][i]) * part);
                    frames.pose(v, &points).coordinates(d)
                })
                .collect()
        };
        let frames = Frames::new(rings, &smooth, |_| true);
        let smooth_single = single(&smooth);
        let detail = share(&frames, &smooth_single, f64::from(options.detail));
        let follow = (options.detail < 1.0).then(|| {
            let frames = Frames::new(rings, rest, |_| true);
            let follow = share(&frames, &single(rest), 1.0 - f64::from(options.detail));
            (frames, follow)
        });
        Self {
            filter: Arc::new(filter),
            held,
            smooth: smooth_single,
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
        let seeds = region.nearer_than(1);
        let steps = &self.filter.steps;
        region.march(front, steps.len(), |k, range| {
            let step = &steps[k];
            let (from, to) = if k % 2 == 0 {
                (&*current, &mut *before)
            } else {
                (&*before, &mut *current)
            };
            if range.end > seeds {
                filter_step(step, rings, &self.held, from, range, to, result);
                return;
            }
            // At the seams what neighbours bring comes in before the result takes its part.
            let alone = Step { take: 0.0, ..*step };
            filter_step(&alone, rings, &self.held, from, range, to, result);
            seams.add_sources(step.mean, &differences, &self.held, &self.seam_rest[k], to);
            add_scaled(step.take, &to[..seeds], result);
        });
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
    rest: &[[f64; 3]],
    seam_vertices: &[u32],
) -> (Vec<[f64; 3]>, Vec<Vec<[f32; 3]>>) {
    let add_scaled = |by: f32, shape: &[[f64; 3]], sum: &mut [[f64; 3]]| {
        for (sum, p) in sum.iter_mut().zip(shape) {
            *sum = std::array::from_fn(|i| sum[i] + f64::from(by) * p[i]);
        }
    };
    let mut before = vec![[0.0; 3]; rest.len()];
    let mut current = rest.to_vec();
    let mut result = vec![[0.0; 3]; rest.len()];
    add_scaled(filter.take_start, &current, &mut result);
    let mut seam_rest = Vec::with_capacity(filter.steps.len());
    for step in &filter.steps {
        let at_seam = |&v: &u32| current[v as usize].map(|x| x as f32);
        seam_rest.push(seam_vertices.iter().map(at_seam).collect());
        before.par_iter_mut().enumerate().for_each(|(v, before)| {
            *before = if held[v] {
                current[v]
            } else {
                step.at(rings.of(v), &current, current[v], *before)
            };
        });
        std::mem::swap(&mut current, &mut before);
        if step.take != 0.0 {
            add_scaled(step.take, &current, &mut result);
        }
    }
    (result, seam_rest)
}

/// One step of the filter on a range of vertices; `to` holds what was before, then what comes, of which
/// `sum` takes its part.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn filter_step(
    step: &Step,
    rings: &Rings,
    held: &[bool],
    from: &[Point],
    range: Range<usize>,
    to: &mut [Point],
    sum: &mut [Point],
) {
    for v in range {
        let here = &from[v];
        let out = &mut to[v];
        if held[v] {
            *out = *here;
        } else {
            let ring = rings.of(v);
            let mut near = Point::ZERO;
            for &n in ring {
                let there = &from[n as usize];
                for l in 0..LANES {
                    near.x[l] += there.x[l];
                    near.y[l] += there.y[l];
                    near.z[l] += there.z[l];
                }
            }
            let mean = step.mean / ring.len() as f32;
            for l in 0..LANES {
                out.x[l] = mean * near.x[l] + step.own * here.x[l] + step.previous * out.x[l];
                out.y[l] = mean * near.y[l] + step.own * here.y[l] + step.previous * out.y[l];
                out.z[l] = mean * near.z[l] + step.own * here.z[l] + step.previous * out.z[l];
            }
        }
        if step.take != 0.0 {
            let sum = &mut sum[v];
            for l in 0..LANES {
                sum.x[l] += step.take * out.x[l];
                sum.y[l] += step.take * out.y[l];
                sum.z[l] += step.take * out.z[l];
            }
        }
    }
}

/// `out = shape − what the base joint makes of rest`.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
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
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
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
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
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
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
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
