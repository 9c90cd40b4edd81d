//! The fit: skin weights that come closest to the target shapes.
//!
//! For every welded vertex v with bind position x_v, target t_v^p in pose p and skinning matrices
//! T_j^p, this minimises over the weights w of the candidate joints of v
//!
//! ```text
//!   Σ_v A_v · w_vᵀ G_v w_v  +  Σ_v ρ·|w_v − w⁰_v|²  +  (s/d̄)·Σ_edges |w_u − w_v|²
//!
//!   subject to  w_v ≥ 0,  Σ_j w_vj = 1,  at most K of w_v non-zero
//! ```
//!
//! | symbol | meaning | where |
//! | --- | --- | --- |
//! | G_v | `(G_v)_jk = Σ_p ω_p r_j·r_k / Σ_p ω_p`, `r_j = T_j x_v − t_v`, in percent of the diagonal, squared | [`Gram`] |
//! | candidates | the joints that the layers can bring to v, at most [`MAX_CANDIDATES`] | [`Candidates`] |
//! | A_v | area of v over the mean area; 1 where s = 0 | [`Options::smoothness`] |
//! | ρ, w⁰ | hold toward the base weights, where no pose tells joints apart | [`Options::hold_percent`] |
//! | s, d̄ | smoothness, and the mean number of neighbours | [`Options::smoothness`] |
//! | K | [`Options::influences`] | [`subset`] |
//!
//! With a mirror, partners share one program and the result is exactly symmetric: see
//! [`symmetric_candidates`].
//!
//! Since Σ_j w_j = 1, `wᵀ G w` is the mean squared error of v: nothing else of the poses is needed,
//! and memory does not grow with them. Weights from example shapes: James & Twigg 2005; Kavan, Sloan,
//! O'Sullivan 2010; Le & Deng 2012 (sparse, §4.2) and 2014 (smooth). Fewer influences: Landreneau &
//! Schaefer 2010.

// Small dense algebra over several arrays at once; indices say so plainest.
#![allow(clippy::needless_range_loop)]

mod candidates;
mod coupling;
mod gram;
pub mod helpers;
mod needed;
pub mod quadratic;
mod rounding;
mod solve;
pub mod subset;
mod symmetry;

pub use candidates::{Candidates, MAX_CANDIDATES};
pub use gram::{Gram, Unidentified};
pub use needed::{Gains, Mix, best_mix, needed};
pub use rounding::round_to_grid;
pub use solve::{Fitted, Options, Solver, Status, Stray, WORKING_BYTES_PER_VERTEX, solve};
pub use symmetry::symmetric_candidates;
