//! How far weights stray from the target shapes.
//!
//! Errors are distances between the linear blend of the weights *as written* and the target, for every
//! welded vertex and pose, unweighted, in percent of the bind bounding-box diagonal. They are computed
//! anew from positions; the solver's own residual is not trusted.

// Kernels run over the lanes of several arrays at once; indices say so plainest.
#![allow(clippy::needless_range_loop)]

mod beyond;
mod bins;
mod mirror;
mod rows;
mod stand_out;
mod stretch;
mod sums;
mod tally;
mod versus;

pub use mirror::mirror_error;
pub use stand_out::outliers;
pub use stretch::{CREASE, Stretch};
pub use tally::{Figures, Part, Tallies, Worst};
pub use versus::{
    Change, Measured, ROUNDING_PERCENT, Verdict, change_percent, greatest_changes, root_mean,
    worst_first,
};
