//! Weights rounded to the grid of the file, with exact sums and the least error.

use super::quadratic::{Quadratic, Vector};

/// Rounds weights to whole numbers of steps that sum to `steps` exactly.
///
/// Each weight is rounded down, and the steps left over go to the weights that make `wᵀHw − 2bᵀw`
/// least: all choices of roundings up are tried, which are few. Weights that were zero stay zero.
pub fn round_to_grid(form: &Quadratic, w: &Vector, steps: u32) -> [u32; super::MAX_CANDIDATES] {
    let used: Vec<usize> = (0..form.len()).filter(|&i| w[i] > 0.0).collect();
    let mut counts = [0u32; super::MAX_CANDIDATES];
    for &i in &used {
        counts[i] = (w[i] * f64::from(steps)).floor() as u32;
    }
    let total: u32 = counts.iter().sum();
    if total > steps {
        // Only rounding in the sum of w can lead here: take it off the heaviest.
        let heaviest = used
            .iter()
            .copied()
            .max_by(|&i, &j| w[i].total_cmp(&w[j]).then(j.cmp(&i)));
        if let Some(i) = heaviest {
            counts[i] -= total - steps;
        }
        return counts;
    }
    let left = (steps - total) as usize;
    let value = |counts: &[u32]| {
        let mut w = [0.0; super::MAX_CANDIDATES];
        for &i in &used {
            w[i] = f64::from(counts[i]) / f64::from(steps);
        }
        form.value(&w)
    };
    let up = |choice: u32| {
        let mut counts = counts;
        for (place, &i) in used.iter().enumerate() {
            counts[i] += choice >> place & 1;
        }
        counts
    };
    (0..1u32 << used.len())
        .filter(|choice| choice.count_ones() as usize == left)
        .map(up)
        .min_by(|a, b| value(a).total_cmp(&value(b)))
        .unwrap_or(counts)
}
