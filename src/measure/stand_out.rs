//! Vertices whose weights stand out from their neighbourhood.
//!
//! A vertex stands out if its weights differ from the mean of its neighbours' by more than a quarter (half
//! the sum of differences), and by three times as much as its neighbours' do from theirs. A sharp border
//! between joints does not count: there all vertices along it differ as much.

use rayon::prelude::*;

use crate::rig::{JointId, Rings, Weights};

/// Weight that lies elsewhere than the neighbours'.
const LEAST_DIFFERENCE: f32 = 0.25;

/// How many times as much as the median of its neighbours.
const TIMES: f32 = 3.0;

/// Fewer neighbours tell nothing.
const LEAST_RING: usize = 3;

/// The vertices that stand out, in rising order.
pub fn outliers(rings: &Rings, weights: &Weights) -> Vec<usize> {
    let roughness: Vec<f32> = (0..rings.len())
        .into_par_iter()
        .map(|v| difference(rings.of(v), weights, v))
        .collect();
    let stands_out = |&v: &usize| {
        let mut around: Vec<f32> = rings.of(v).iter().map(|&n| roughness[n as usize]).collect();
        around.sort_by(f32::total_cmp);
        around.len() >= LEAST_RING
            && roughness[v] > LEAST_DIFFERENCE
            && roughness[v] > TIMES * around[around.len() / 2]
    };
    (0..rings.len())
        .into_par_iter()
        .filter(stands_out)
        .collect()
}

/// Half the sum of differences between a vertex's weights and the mean of its neighbours'.
fn difference(ring: &[u32], weights: &Weights, v: usize) -> f32 {
    if ring.is_empty() {
        return 0.0;
    }
    let mut apart: Vec<(JointId, f32)> = weights.of(v).collect();
    let share = 1.0 / ring.len() as f32;
    for &n in ring {
        for (joint, weight) in weights.of(n as usize) {
            match apart.iter_mut().find(|entry| entry.0 == joint) {
                Some(entry) => entry.1 -= share * weight,
                None => apart.push((joint, -share * weight)),
            }
        }
    }
    apart.iter().map(|entry| entry.1.abs()).sum::<f32>() / 2.0
}
