//! Edges that the weights pull far beyond what the layers show: what the eye sees first.
//!
//! An edge is *torn* in a pose if the weights make it more than twice as long as its target, and longer than
//! at bind: in a crease, where the target is much shorter than at bind, an edge that shrinks less than it
//! should is not stretched.

use rayon::prelude::*;

use crate::rig::{JointId, LANES, Lane, Point, Rings, Shapes, Weights};

/// How many times its target's length an edge may have.
const TOO_LONG: f32 = 2.0;

/// The share of its bind length below which a target is a crease: twice of it is shorter than at bind.
pub const CREASE: f64 = 1.0 / TOO_LONG as f64;

/// Counts the poses in which edges are torn.
#[derive(Clone, Debug)]
pub struct Stretch<'a> {
    weights: &'a Weights,
    /// The weights that the layers start from.
    base: &'a Weights,
    /// The ends of edges, in rising order.
    vertices: Vec<u32>,
    edges: Vec<Edge>,
}

#[derive(Clone, Copy, Debug)]
struct Edge {
    /// The places of its ends among the vertices.
    ends: [u32; 2],
    /// Poses that tear it.
    torn: u32,
}

/// Vertices and edges tallied as one parcel of work.
const CHUNK: usize = 512;

impl<'a> Stretch<'a> {
    /// Watches the edges for which `may_tear` says so: an edge is torn only if the errors of its ends
    /// together reach its target's length. `base` are the weights that the layers start from.
    pub fn new(
        weights: &'a Weights,
        base: &'a Weights,
        rings: &Rings,
        may_tear: impl Fn(usize, usize) -> bool,
    ) -> Self {
        let watched: Vec<[u32; 2]> = rings
            .edges()
            .filter(|&(a, b)| may_tear(a, b))
            .map(|(a, b)| [a as u32, b as u32])
            .collect();
        let mut vertices = watched.as_flattened().to_vec();
        vertices.sort_unstable();
        vertices.dedup();
        let place = |v: u32| vertices.partition_point(|&w| w < v) as u32;
        let edges = watched
            .iter()
            .map(|ends| Edge {
                ends: ends.map(place),
                torn: 0,
            })
            .collect();
        Self {
            weights,
            base,
            vertices,
            edges,
        }
    }

    /// Whether there is nothing to watch.
    pub fn is_empty(&self) -> bool {
        self.edges.is_empty()
    }

    /// Tallies blocks of poses; `rest` are bind positions about the centre.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let (weights, base) = (self.weights, self.base);
        for shape in shapes {
            let mut places = vec![Place::default(); self.vertices.len()];
            places
                .par_chunks_mut(CHUNK)
                .zip(self.vertices.par_chunks(CHUNK))
                .for_each_init(Vec::new, |buffer, (places, vertices)| {
                    for (place, &v) in places.iter_mut().zip(vertices) {
                        *place = Place::new([weights, base], rest, shape, v as usize, buffer);
                    }
                });
            let (places, vertices) = (&places, &self.vertices);
            self.edges.par_chunks_mut(CHUNK).for_each(|edges| {
                for edge in edges {
                    let [a, b] = edge.ends.map(|end| &places[end as usize]);
                    let [p, q] = edge.ends.map(|end| rest[vertices[end as usize] as usize]);
                    let crease = CREASE as f32 * squared(p, q).sqrt();
                    let (is, should) = (distances(&a.is, &b.is), distances(&a.should, &b.should));
                    for lane in 0..shape.poses.len() {
                        let torn = should[lane] >= crease && is[lane] > TOO_LONG * should[lane];
                        edge.torn += u32::from(torn);
                    }
                }
            });
        }
    }

    /// The number of edges torn, each counted once for each pose.
    pub fn torn(&self) -> usize {
        self.edges.iter().map(|edge| edge.torn as usize).sum()
    }

    /// The ends of edges torn in any pose, in rising order.
    pub fn torn_ends(&self) -> Vec<usize> {
        let torn = self.edges.iter().filter(|edge| edge.torn > 0);
        let ends = torn.flat_map(|edge| edge.ends);
        let mut ends: Vec<usize> = ends
            .map(|end| self.vertices[end as usize] as usize)
            .collect();
        ends.sort_unstable();
        ends.dedup();
        ends
    }
}

/// Where a vertex is with the weights, and where the layers show it.
#[derive(Clone, Copy)]
struct Place {
    is: Point,
    should: Point,
}

impl Default for Place {
    fn default() -> Self {
        Self {
            is: Point::ZERO,
            should: Point::ZERO,
        }
    }
}

impl Place {
    fn new(
        [weights, base]: [&Weights; 2],
        rest: &[[f32; 3]],
        shapes: &Shapes,
        v: usize,
        buffer: &mut Vec<Point>,
    ) -> Self {
        let mut is = Point::ZERO;
        for (joint, weight) in weights.of(v) {
            let moved = shapes.block.transform(joint.index(), rest[v]);
            for l in 0..LANES {
                is.x[l] += weight * moved.x[l];
                is.y[l] += weight * moved.y[l];
                is.z[l] += weight * moved.z[l];
            }
        }
        let target = shapes.within(&(v..v + 1), buffer).next();
        // A vertex that these poses do not bend moves with its base joint.
        let should = match target {
            Some((_, target)) => *target,
            None => {
                let own = base.of(v).next().map_or(JointId(0), |(joint, _)| joint);
                shapes.block.transform(own.index(), rest[v])
            }
        };
        Self { is, should }
    }
}

fn squared(p: [f32; 3], q: [f32; 3]) -> f32 {
    (0..3).map(|i| (p[i] - q[i]).powi(2)).sum()
}

fn distances(a: &Point, b: &Point) -> Lane {
    std::array::from_fn(|l| squared(a.lane(l), b.lane(l)).sqrt())
}
