//! How far weights are from being symmetric.

use crate::rig::{Mirror, Weights};

/// The greatest difference between a weight and that of the partner joint at the partner of the vertex;
/// vertices without partner do not count. Looks both ways, so that a joint which only one of the two uses
/// counts with its whole weight.
pub fn mirror_error(weights: &Weights, mirror: &Mirror) -> f64 {
    let mut greatest = 0.0f64;
    for v in 0..weights.len() {
        let Some(partner) = mirror.vertex(v) else {
            continue;
        };
        for (id, weight) in weights.of(v) {
            let opposite = mirror.joint(id).and_then(|joint| {
                let entry = weights.of(partner).find(|entry| entry.0 == joint)?;
                Some(entry.1)
            });
            let apart = f64::from(weight) - f64::from(opposite.unwrap_or(0.0));
            greatest = greatest.max(apart.abs());
        }
    }
    greatest
}
