//! Edges that the weights pull far beyond what the layers show: what the eye sees first.
//!
//! An edge is *torn* in a pose if the weights make it more than twice as long as its target. Edges whose
//! target is a crease, shorter than a quarter of the bind length, do not count: twice nearly nothing is
//! nothing to see.

use rayon::prelude::*;

use crate::rig::{LANES, Lane, Point, Rings, Shapes, Weights};

/// How many times its target's length an edge may have.
const TOO_LONG: f32 = 2.0;

/// The share of its bind length below which a target is a crease.
const CREASE: f32 = 0.25;

/// Counts the poses in which edges are torn.
#[derive(Clone, Debug)]
pub struct Stretch<'a> {
    weights: &'a Weights,
    /// The ends of each edge, the lower first, with the number of poses that tear it.
    edges: Vec<Edge>,
}

#[derive(Clone, Copy, Debug)]
struct Edge {
    ends: [u32; 2],
    torn: u32,
    /// The greatest ratio of lengths.
    worst: f32,
}

/// Edges tallied as one parcel of work.
const CHUNK: usize = 1024;

impl<'a> Stretch<'a> {
    /// Watches the edges around vertices for which `may_tear` says so: an edge is torn only if the errors
    /// of its ends together reach its target's length.
    pub fn new(weights: &'a Weights, rings: &Rings, may_tear: impl Fn(usize, usize) -> bool) -> Self {
        let edges = rings
            .edges()
            .filter(|&(a, b)| may_tear(a, b))
            .map(|(a, b)| Edge {
                ends: [a as u32, b as u32],
                torn: 0,
                worst: 0.0,
            })
            .collect();
        Self { weights, edges }
    }

    /// Whether there is nothing to watch.
    pub fn is_empty(&self) -> bool {
        self.edges.is_empty()
    }

    /// Tallies blocks of poses; `rest` are bind positions about the centre.
    pub fn add(&mut self, rest: &[[f32; 3]], shapes: &[Shapes]) {
        let weights = self.weights;
        for shape in shapes {
            self.edges.par_chunks_mut(CHUNK).for_each(|edges| {
                let mut posed = Posed::new(weights, rest, shape);
                for edge in edges {
                    let [a, b] = edge.ends.map(|v| v as usize);
                    let ends = [posed.at(a), posed.at(b)];
                    let bind = squared(rest[a], rest[b]).sqrt();
                    let (is, should) = (
                        distances(&ends[0].is, &ends[1].is),
                        distances(&ends[0].should, &ends[1].should),
                    );
                    for lane in 0..shape.poses.len() {
                        let ratio = is[lane] / should[lane].max(f32::MIN_POSITIVE);
                        if should[lane] >= CREASE * bind && ratio > TOO_LONG {
                            edge.torn += 1;
                            edge.worst = edge.worst.max(ratio);
                        }
                    }
                }
            });
        }
    }

    /// The number of edges torn, each counted once for each pose.
    pub fn torn(&self) -> usize {
        self.edges.iter().map(|edge| edge.torn as usize).sum()
    }

    /// The edges torn in any pose, by their ends.
    pub fn torn_edges(&self) -> impl Iterator<Item = [usize; 2]> + '_ {
        let torn = self.edges.iter().filter(|edge| edge.torn > 0);
        torn.map(|edge| edge.ends.map(|v| v as usize))
    }
}

/// Where a vertex is with the weights, and where the layers show it.
#[derive(Clone, Copy)]
struct Place {
    is: Point,
    should: Point,
}

/// Vertices in one block of poses. The last few stay known: edges come by their lower end.
struct Posed<'a> {
    weights: &'a Weights,
    rest: &'a [[f32; 3]],
    shapes: &'a Shapes,
    buffer: Vec<Point>,
    last: Option<(usize, Place)>,
}

impl<'a> Posed<'a> {
    fn new(weights: &'a Weights, rest: &'a [[f32; 3]], shapes: &'a Shapes) -> Self {
        Self {
            weights,
            rest,
            shapes,
            buffer: Vec::new(),
            last: None,
        }
    }

    fn at(&mut self, v: usize) -> Place {
        if let Some((_, place)) = self.last.filter(|last| last.0 == v) {
            return place;
        }
        let rest = self.rest[v];
        let mut is = Point::ZERO;
        for (joint, weight) in self.weights.of(v) {
            let moved = self.shapes.block.transform(joint.index(), rest);
            for l in 0..LANES {
                is.x[l] += weight * moved.x[l];
                is.y[l] += weight * moved.y[l];
                is.z[l] += weight * moved.z[l];
            }
        }
        let target = self.shapes.within(&(v..v + 1), &mut self.buffer).next();
        // A vertex that these poses do not bend moves with its joints, all as one.
        let should = target.map_or(is, |(_, target)| *target);
        let place = Place { is, should };
        self.last = Some((v, place));
        place
    }
}

fn squared(p: [f32; 3], q: [f32; 3]) -> f32 {
    (0..3).map(|i| (p[i] - q[i]).powi(2)).sum()
}

fn distances(a: &Point, b: &Point) -> Lane {
    std::array::from_fn(|l| squared(a.lane(l), b.lane(l)).sqrt())
}
