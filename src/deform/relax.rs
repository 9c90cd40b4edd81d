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

use std::ops::Range;

#[cfg(not(feature = "portable"))]
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

/// A relax layer on a list of vertices.
#[derive(Clone, Debug)]
pub(super) struct Relax {
    options: RelaxOptions,
    /// Where the edges of each vertex begin.
    starts: Vec<u32>,
    /// Every edge once, at the vertex that comes first: the other vertex and the rest length.
    edges: Vec<(u32, f32)>,
    /// Half of one over the size of each ring.
    steps: Vec<f32>,
}

/// Below this squared length an edge has no direction in f32.
const LEAST_SQUARED_LENGTH: f32 = 1e-30;

impl Relax {
    /// Compiles the layer for the vertices of `rings`, whose bind positions are `rest`.
    pub fn new(options: RelaxOptions, rings: &Rings, rest: &[[f32; 3]]) -> Self {
        let mut starts = Vec::with_capacity(rings.len() + 1);
        let mut edges = Vec::with_capacity(rings.entries() / 2);
        starts.push(0);
        for v in 0..rings.len() {
            let later = rings.of(v).iter().filter(|&&n| n as usize > v);
            edges.extend(later.map(|&n| (n, length(difference(rest[n as usize], rest[v])))));
            starts.push(edges.len() as u32);
        }
        let step = |v: usize| match rings.of(v).len() {
            0 => 0.0,
            size => 0.5 / size as f32,
        };
        Self {
            options,
            starts,
            edges,
            steps: (0..rings.len()).map(step).collect(),
        }
    }

    /// The same layer on other vertices.
    pub fn on(&self, rings: &Rings, rest: &[[f32; 3]]) -> Self {
        Self::new(self.options, rings, rest)
    }

    /// Bytes that it takes.
    pub fn bytes(&self) -> usize {
        8 * self.edges.len() + 8 * self.steps.len()
    }

    /// How many rings farther from the seams the layer bends the surface.
    pub fn reach(&self) -> usize {
        self.options.rounds
    }

    /// Runs the layer on `shape`, of which the vertices nearer than `front` rings may have departed from
    /// their base joint; each round reaches one ring farther.
    pub fn apply(&self, place: &Place, front: usize, work: &mut Workspace) {
        let Workspace {
            shape,
            spare: [incoming, next, pulls],
        } = work;
        incoming.clone_from(shape);
        // Beyond what a round reaches, both shapes stay as they came in.
        next.clone_from(shape);
        pulls.clear();
        pulls.resize(shape.len(), Point::ZERO);
        place
            .region
            .march(front, self.options.rounds, |round, range| {
                let reached = place.region.nearer_than(front + round + 1);
                let (from, to) = if round % 2 == 0 {
                    (&*shape, &mut *next)
                } else {
                    (&*next, &mut *shape)
                };
                relax_round(self, incoming, from, range, reached, pulls, to);
            });
        if self.options.rounds % 2 == 1 {
            std::mem::swap(shape, next);
        }
    }
}

fn difference(a: [f32; 3], b: [f32; 3]) -> [f32; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

/// The length of a vector, in the arithmetic of the round: at bind every violation is zero to the bit.
#[inline(always)]
fn length([x, y, z]: [f32; 3]) -> f32 {
    (x * x + y * y + z * z).max(LEAST_SQUARED_LENGTH).sqrt()
}

/// One round on a range of vertices, of which those below `reached` move in all. Edges of a vertex pull
/// later ones through `pulls`, which is zero where no round is under way.
#[cfg_attr(not(feature = "portable"), multiversion(targets("x86_64+avx2")))]
fn relax_round(
    relax: &Relax,
    incoming: &[Point],
    from: &[Point],
    range: Range<usize>,
    reached: usize,
    pulls: &mut [Point],
    to: &mut [Point],
) {
    let Relax {
        options,
        starts,
        edges,
        steps,
    } = relax;
    // By value: a choice between places in memory would be made lane by lane.
    let RelaxOptions {
        stretch,
        squash,
        anchor,
        ..
    } = *options;
    for v in range {
        let here = &from[v];
        // What edges of earlier vertices have pulled already; zero again for the next round.
        let mut pull = std::mem::replace(&mut pulls[v], Point::ZERO);
        for &(n, rest) in &edges[starts[v] as usize..starts[v + 1] as usize] {
            let there = &from[n as usize];
            let mut edge = Point::ZERO;
            for l in 0..LANES {
                let [x, y, z] = [
                    there.x[l] - here.x[l],
                    there.y[l] - here.y[l],
                    there.z[l] - here.z[l],
                ];
                let length = length([x, y, z]);
                let violation = length - rest;
                let resistance = if violation > 0.0 { stretch } else { squash };
                let share = resistance * violation / length;
                edge.x[l] = share * x;
                edge.y[l] = share * y;
                edge.z[l] = share * z;
                pull.x[l] += edge.x[l];
                pull.y[l] += edge.y[l];
                pull.z[l] += edge.z[l];
            }
            // Beyond what the round reaches nothing moves.
            if (n as usize) < reached {
                let other = &mut pulls[n as usize];
                for l in 0..LANES {
                    other.x[l] -= edge.x[l];
                    other.y[l] -= edge.y[l];
                    other.z[l] -= edge.z[l];
                }
            }
        }
        let step = steps[v];
        let (start, out) = (&incoming[v], &mut to[v]);
        for l in 0..LANES {
            out.x[l] = here.x[l] + step * pull.x[l] + anchor * (start.x[l] - here.x[l]);
            out.y[l] = here.y[l] + step * pull.y[l] + anchor * (start.y[l] - here.y[l]);
            out.z[l] = here.z[l] + step * pull.z[l] + anchor * (start.z[l] - here.z[l]);
        }
    }
}
