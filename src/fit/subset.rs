//! The best weights with at most K joints, by branch and bound.
//!
//! Leaving variables out can only raise the minimum, so the minimum over a set bounds that over all
//! its subsets (Lawler & Wood 1966, *Branch-and-bound methods: a survey*). Backward elimination with
//! re-solve gives a first answer; the search proves it best or finds better. Each node either keeps the
//! heaviest undecided variable for good or leaves it out: the latter costs most there, and soonest shows
//! that it cannot pay.

use super::quadratic::{Minimum, Quadratic, Set};

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
    /// Minimises over the simplex with at most `influences` non-zero variables; `relaxed` is the minimum over
    /// all variables.
    pub fn best(&mut self, form: &Quadratic, influences: usize, relaxed: Minimum) -> Best {
        if relaxed.support().count_ones() as usize <= influences {
            return Best {
                minimum: relaxed,
                proved: true,
            };
        }
        let mut found = eliminated(form, influences, relaxed);
        let open = &mut self.open;
        open.clear();
        open.push(Node {
            allowed: form.all(),
            kept: 0,
            minimum: relaxed,
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
            if support.count_ones() as usize <= influences {
                found = node.minimum;
                continue;
            }
            let undecided = support & !node.kept;
            // The support has more variables than may be kept, so one is undecided.
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
            if kept.count_ones() as usize == influences {
                let minimum = form.minimum_from(&node.minimum, kept);
                let allowed = kept;
                open.push(Node {
                    allowed,
                    kept,
                    minimum,
                });
            } else {
                open.push(Node { kept, ..node });
            }
        }
        Best {
            minimum: found,
            proved: nodes <= MOST_NODES,
        }
    }
}

/// Leaves out the lightest variable until few enough are left.
fn eliminated(form: &Quadratic, influences: usize, relaxed: Minimum) -> Minimum {
    let (mut allowed, mut minimum) = (form.all(), relaxed);
    // Each step leaves one variable out, so this ends.
    while minimum.support().count_ones() as usize > influences {
        let support = minimum.support();
        let lightest = (0..form.len())
            .filter(|&i| support >> i & 1 == 1)
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
