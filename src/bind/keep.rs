//! `keep`: the heaviest joint that the file has already.

use crate::rig::{JointId, Weights};

/// For each vertex its heaviest joint; the lower number of equals.
pub fn keep(weights: &Weights) -> Vec<JointId> {
    (0..weights.len())
        // Rows are heaviest first, ties lower joint first; checked weights have at least one entry.
        .map(|v| weights.of(v).next().map_or(JointId(0), |(joint, _)| joint))
        .collect()
}
