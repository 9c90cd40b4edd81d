//! The best weights with at most K joints, by branch and bound.
//!
//! Leaving variables out can only raise the minimum, so the minimum over a set bounds that over all
//! its subsets (Lawler & Wood 1966, *Branch-and-bound methods: a survey*). Each node either leaves the
//! lightest undecided variable out or keeps it for good. The first leaf is backward elimination with
//! re-solve; the rest proves it best or finds better.

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
        let mut found: Option<Minimum> = None;
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
            let bound = found.map_or(f64::INFINITY, |f| f.value - LEAST_GAIN * f.value.abs());
            if node.minimum.value >= bound {
                continue;
            }
            let support = node.minimum.support();
            if support.count_ones() as usize <= influences {
                found = Some(node.minimum);
                continue;
            }
            let undecided = support & !node.kept;
            let lightest = (0..form.len())
                .filter(|&i| undecided >> i & 1 == 1)
                .min_by(|&i, &j| node.minimum.w[i].total_cmp(&node.minimum.w[j]));
            // The support has more variables than may be kept, so one is undecided.
            let Some(lightest) = lightest else { continue };
            let kept = node.kept | 1 << lightest;
            // Pushed first, looked at last.
            if kept.count_ones() as usize == influences {
                open.push(Node {
                    allowed: kept,
                    kept,
                    minimum: form.minimum_from(&node.minimum, kept),
                });
            } else {
                open.push(Node { kept, ..node });
            }
            let allowed = node.allowed & !(1 << lightest);
            open.push(Node {
                allowed,
                kept: node.kept,
                minimum: form.minimum_from(&node.minimum, allowed),
            });
        }
        Best {
            // The first dive always ends in a leaf: each step leaves one variable out.
            minimum: found.unwrap_or(relaxed),
            proved: nodes <= MOST_NODES,
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Node {
    allowed: Set,
    kept: Set,
    minimum: Minimum,
}
