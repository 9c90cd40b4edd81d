//! The best weights with at most K joints, by branch and bound.
//!
//! Leaving variables out can only raise the minimum, so the minimum over a set bounds that over all
//! its subsets (Lawler & Wood 1966, *Branch-and-bound methods: a survey*). Backward elimination with
//! re-solve gives a first answer; the search proves it best or finds better. Each node either keeps the
//! heaviest undecided variable for good or leaves it out: the latter costs most there, and soonest shows
//! that it cannot pay.
//!
//! A variable may stand for several joints that share its weight (a pair, see `symmetry`): it counts as
//! that many. One that stands for none is free of charge.

use super::MAX_CANDIDATES;
use super::quadratic::{Minimum, Quadratic, Set};

/// How many joints each variable stands for.
pub type Sizes = [u8; MAX_CANDIDATES];

/// Each variable one joint.
pub const SINGLE: Sizes = [1; MAX_CANDIDATES];

/// The joints that a set of variables stands for.
pub fn size(set: Set, sizes: &Sizes) -> usize {
    let inside = (0..MAX_CANDIDATES).filter(|&i| set >> i & 1 == 1);
    inside.map(|i| usize::from(sizes[i])).sum()
}

/// The result, and whether it is proved best.
#[derive(Clone, Copy, Debug)]
pub struct Best {
    /// The best found.
    pub minimum: Minimum,
    /// Whether no other can be better.
    pub proved: bool,
}

/// Nodes looked at before the best found so far is taken. Sixteen candidates and K = 8 need some
/// thousand at worst; typical vertices need under ten.
const MOST_NODES: usize = 20_000;

/// A leaf must be better by this share to replace an earlier one: below it is rounding.
const LEAST_GAIN: f64 = 1e-14;

/// A search, with the memory that it uses again from vertex to vertex.
#[derive(Clone, Debug, Default)]
pub struct Search {
    open: Vec<Node>,
}

impl Search {
    /// Minimises over the simplex with non-zero variables that stand for at most `influences` joints;
    /// `relaxed` is the minimum over all variables. One variable at least must not be larger than that.
    pub fn best(
        &mut self,
        form: &Quadratic,
        sizes: &Sizes,
        influences: usize,
        relaxed: Minimum,
    ) -> Best {
        if size(relaxed.support(), sizes) <= influences {
            return Best {
                minimum: relaxed,
                proved: true,
            };
        }
        let allowed = fitting(form.all(), sizes, influences);
        let minimum = if allowed == form.all() {
            relaxed
        } else {
            form.minimum_from(&relaxed, allowed)
        };
        let mut found = eliminated(form, sizes, influences, allowed, minimum);
        let open = &mut self.open;
        open.clear();
        open.push(Node {
            allowed,
            kept: 0,
            minimum,
        });
        let mut nodes = 0;
        while let Some(node) = open.pop() {
            nodes += 1;
            if nodes > MOST_NODES {
                break;
            }
            let bound = found.value - LEAST_GAIN * found.value.abs();
            if node.minimum.value >= bound {
                continue;
            }
            let support = node.minimum.support();
            if size(support, sizes) <= influences {
                found = node.minimum;
                continue;
            }
            let undecided = support & !node.kept;
            // The support is larger than what may be kept, so one is undecided.
            let Some(heaviest) = heaviest(&node.minimum, undecided) else {
                continue;
            };
            let allowed = node.allowed & !(1 << heaviest);
            let without = form.minimum_from(&node.minimum, allowed);
            if without.value < bound {
                open.push(Node {
                    allowed,
                    kept: node.kept,
                    minimum: without,
                });
            }
            // Pushed last, looked at first.
            let kept = node.kept | 1 << heaviest;
            // What is allowed fits beside what is kept.
            let room = influences - size(kept, sizes);
            let allowed = kept | fitting(node.allowed, sizes, room);
            if allowed == node.allowed {
                open.push(Node { kept, ..node });
            } else {
                let minimum = form.minimum_from(&node.minimum, allowed);
                open.push(Node {
                    allowed,
                    kept,
                    minimum,
                });
            }
        }
        Best {
            minimum: found,
            proved: nodes <= MOST_NODES,
        }
    }
}

/// The variables of a set that are no larger than the room there is.
fn fitting(set: Set, sizes: &Sizes, room: usize) -> Set {
    (0..MAX_CANDIDATES)
        .filter(|&i| usize::from(sizes[i]) <= room)
        .fold(0, |fitting, i| fitting | set & 1 << i)
}

/// Leaves out the lightest variable until few enough are left, from the minimum over those allowed; each of
/// these fits by itself.
fn eliminated(
    form: &Quadratic,
    sizes: &Sizes,
    influences: usize,
    mut allowed: Set,
    mut minimum: Minimum,
) -> Minimum {
    // Each step leaves one variable out, so this ends.
    while size(minimum.support(), sizes) > influences {
        let support = minimum.support();
        let lightest = (0..form.len())
            .filter(|&i| support >> i & 1 == 1 && sizes[i] > 0)
            .min_by(|&i, &j| minimum.w[i].total_cmp(&minimum.w[j]));
        allowed &= !(1 << lightest.unwrap_or(0));
        minimum = form.minimum_from(&minimum, allowed);
    }
    minimum
}

fn heaviest(minimum: &Minimum, among: Set) -> Option<usize> {
    (0..minimum.w.len())
        .filter(|&i| among >> i & 1 == 1)
        .max_by(|&i, &j| minimum.w[i].total_cmp(&minimum.w[j]))
}

#[derive(Clone, Copy, Debug)]
struct Node {
    allowed: Set,
    kept: Set,
    minimum: Minimum,
}
