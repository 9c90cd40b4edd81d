//! Edge relax: edge lengths drawn back toward bind.
//!
//! After the distance constraints of Müller, Heidelberger, Hennix, Ratcliff 2007, *Position based
//! dynamics*, §3.3, each applied at half its violation and averaged over the edges of a vertex
//! (Jacobi form, as in Macklin, Müller, Chentanez 2016, *XPBD*, §4), so that the result does not
//! depend on the order of edges. Lengthened and shortened edges resist separately. At bind every
//! violation is exactly zero, because rest lengths come from the same arithmetic.
//!
//! Degenerate cases: an edge of length zero in the pose gives no direction and no pull; a vertex
//! without edges stays.

use multiversion::multiversion;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::place::{Place, Workspace};
use crate::rig::{LANES, Point, Rings};

/// Options of a `relax` layer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RelaxOptions {
    /// Passes over the surface.
    pub rounds: usize,
    /// Resistance to lengthening, 0 to 1.
    pub stretch: f32,
    /// Resistance to shortening, 0 to 1.
    pub squash: f32,
    /// Pull toward the shape that came in, 0 to 1, each round.
    pub anchor: f32,
}

/// A relax layer compiled for a list of vertices.
#[derive(Clone, Debug)]
pub(super) struct Relax {
    pub options: RelaxOptions,
    /// Rest length of each ring entry.
    pub lengths: Vec<f32>,
}

/// Below this squared length an edge has no direction in f32.
const LEAST_SQUARED_LENGTH: f32 = 1e-30;

impl Relax {
    pub fn new(options: RelaxOptions, rings: &Rings, rest: &[[f64; 3]]) -> Self {
        let at = |v: usize| Point::splat(rest[v].map(|x| x as f32));
        let mut lengths = Vec::with_capacity(rings.entries());
        for v in 0..rings.len() {
            let here = at(v);
            for &n in rings.of(v) {
                lengths.push(edge(&here, &at(n as usize)).length[0]);
            }
        }
        Self { options, lengths }
    }

    /// The same layer on a list of vertices; see [`Rings::restrict`].
    pub fn restrict(&self, rings: &Rings, vertices: &[u32], local: &[u32]) -> Self {
        let lengths = vertices
            .iter()
            .flat_map(|&v| {
                rings
                    .of(v as usize)
                    .iter()
                    .zip(&self.lengths[rings.entry(v as usize)..])
                    .filter(|(n, _)| local[**n as usize] != u32::MAX)
                    .map(|(_, &length)| length)
            })
            .collect();
        Self {
            options: self.options,
            lengths,
        }
    }

    /// Runs the layer on `shape`, of which the vertices nearer than `front` rings may have departed from
    /// their base joint; each round reaches one ring farther.
    pub fn apply(&self, place: &Place, front: usize, work: &mut Workspace) {
        let Workspace {
            shape,
            spare: [incoming, next, _],
        } = work;
        incoming.clone_from(shape);
        // Beyond what a round reaches, both shapes stay as they came in.
        next.clone_from(shape);
        for round in 0..self.options.rounds {
            let reached = place.region.nearer_than(front + round + 1);
            relax_round(
                &self.options,
                &place.rings,
                &self.lengths,
                incoming,
                shape,
                &mut next[..reached],
            );
            std::mem::swap(shape, next);
        }
    }
}

struct Edge {
    vector: Point,
    length: [f32; LANES],
}

#[inline(always)]
fn edge(from: &Point, to: &Point) -> Edge {
    let mut vector = Point::ZERO;
    let mut length = [0.0; LANES];
    for l in 0..LANES {
        vector.x[l] = to.x[l] - from.x[l];
        vector.y[l] = to.y[l] - from.y[l];
        vector.z[l] = to.z[l] - from.z[l];
        let squared =
            vector.x[l] * vector.x[l] + vector.y[l] * vector.y[l] + vector.z[l] * vector.z[l];
        length[l] = squared.max(LEAST_SQUARED_LENGTH).sqrt();
    }
    Edge { vector, length }
}

#[multiversion(targets("x86_64+avx2"))]
fn relax_round(
    options: &RelaxOptions,
    rings: &Rings,
    lengths: &[f32],
    incoming: &[Point],
    from: &[Point],
    to: &mut [Point],
) {
    let mut entry = 0;
    for v in 0..to.len() {
        let here = &from[v];
        let ring = rings.of(v);
        let mut pull = Point::ZERO;
        for &n in ring {
            let rest = lengths[entry];
            entry += 1;
            let Edge { vector, length } = edge(here, &from[n as usize]);
            for l in 0..LANES {
                let violation = length[l] - rest;
                let resistance = if violation > 0.0 {
                    options.stretch
                } else {
                    options.squash
                };
                let share = resistance * violation / length[l];
                pull.x[l] += share * vector.x[l];
                pull.y[l] += share * vector.y[l];
                pull.z[l] += share * vector.z[l];
            }
        }
        let step = if ring.is_empty() {
            0.0
        } else {
            0.5 / ring.len() as f32
        };
        let (start, out) = (&incoming[v], &mut to[v]);
        for l in 0..LANES {
            out.x[l] = here.x[l] + step * pull.x[l] + options.anchor * (start.x[l] - here.x[l]);
            out.y[l] = here.y[l] + step * pull.y[l] + options.anchor * (start.y[l] - here.y[l]);
            out.z[l] = here.z[l] + step * pull.z[l] + options.anchor * (start.z[l] - here.z[l]);
        }
    }
}
