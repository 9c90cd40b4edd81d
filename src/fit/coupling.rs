//! Coupling of weights over surface edges: coloured Gauss–Seidel in a fixed order.
//!
//! No two neighbours share a colour, so all vertices of a colour can be solved at once, each exactly
//! with its neighbours fixed; the order of colours is fixed, so results do not depend on threads
//! (Saad 2003, *Iterative Methods for Sparse Linear Systems*, §12.4). Each step can only lower the
//! whole objective, up to pruning. Two partners are solved as one, with the neighbours of both.

use rayon::prelude::*;

use super::solve::{Problems, Solved};
use super::subset::Search;
use super::symmetry::{Role, role};
use crate::rig::{Mirror, Rings, Surface};

/// The coupling term of one surface.
#[derive(Clone, Debug)]
pub(super) struct Coupling {
    rings: Rings,
    colours: Vec<Vec<u32>>,
    areas: Vec<f64>,
    weight: f64,
}

/// Sweeps end when no weight changes by more than this: a third of a step of 8-bit weights.
const LEAST_CHANGE: f64 = 1e-3;

/// Sweeps at most; the report says how much still changed.
const MOST_SWEEPS: usize = 100;

/// A vertex's share of area counts as at least this: slivers must not lose all say.
const LEAST_AREA: f64 = 1e-2;

impl Coupling {
    pub fn new(surface: &Surface, smoothness: f64, mirror: Option<&Mirror>) -> Self {
        let rings = surface.rings.clone();
        let mean_ring = rings.entries() as f64 / rings.len().max(1) as f64;
        let mean_area = surface.areas.iter().sum::<f64>() / surface.areas.len().max(1) as f64;
        let areas = surface
            .areas
            .iter()
            .map(|area| {
                if mean_area > 0.0 {
                    (area / mean_area).max(LEAST_AREA)
                } else {
                    1.0
                }
            })
            .collect();
        Self {
            colours: colour(&rings, mirror),
            rings,
            areas,
            weight: smoothness / mean_ring.max(1.0),
        }
    }

    /// Area of a vertex over the mean.
    pub fn area(&self, v: usize) -> f64 {
        self.areas[v]
    }

    /// The neighbours of a vertex.
    pub fn ring(&self, v: usize) -> &[u32] {
        self.rings.of(v)
    }

    /// Weight of one edge.
    pub fn weight(&self) -> f64 {
        self.weight
    }
}

/// Sweeps until nothing changes; gives the number of sweeps and the last greatest change.
pub(super) fn sweep(
    coupling: &Coupling,
    problems: &Problems,
    solved: &mut [Solved],
) -> (usize, f64) {
    let mut change = f64::INFINITY;
    for round in 1..=MOST_SWEEPS {
        change = 0.0;
        for colour in &coupling.colours {
            let updates: Vec<Solved> = colour
                .par_iter()
                .map_init(Search::default, |search, &v| {
                    problems.updated(v as usize, solved, search)
                })
                .collect();
            for (&v, update) in colour.iter().zip(updates) {
                let old = std::mem::replace(&mut solved[v as usize], update);
                problems.copy_to_image(v as usize, solved);
                let moved = old.w.iter().zip(update.w).map(|(a, b)| (a - b).abs());
                change = moved.fold(change, f64::max);
            }
        }
        if change <= LEAST_CHANGE {
            return (round, change);
        }
    }
    (MOST_SWEEPS, change)
}

/// Greedy colouring in vertex order of what is solved: partners have one colour, in which the first stands
/// for both.
fn colour(rings: &Rings, mirror: Option<&Mirror>) -> Vec<Vec<u32>> {
    let mut colour_of = vec![usize::MAX; rings.len()];
    let mut colours: Vec<Vec<u32>> = Vec::new();
    for v in 0..rings.len() {
        let image: Option<usize> = match role(mirror, v) {
            Role::Image(_) => continue,
            Role::First(image) => Some(image),
            Role::Alone | Role::Central => None,
        };
        let ring = rings
            .of(v)
            .iter()
            .chain(image.map_or(&[][..], |image| rings.of(image)));
        let taken: Vec<usize> = ring.map(|&n| colour_of[n as usize]).collect();
        // One of ring + 1 colours is free.
        let free = (0..=taken.len())
            .find(|c| !taken.contains(c))
            .unwrap_or(taken.len());
        if free == colours.len() {
            colours.push(Vec::new());
        }
        colours[free].push(v as u32);
        colour_of[v] = free;
        if let Some(image) = image {
            colour_of[image] = free;
        }
    }
    colours
}
