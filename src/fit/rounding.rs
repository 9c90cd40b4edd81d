//! Weights rounded to the grid of the file, with exact sums and the least error.

use super::quadratic::{Quadratic, Vector};

/// Rounds weights to whole numbers of steps that sum to `steps` exactly.
///
/// Each weight is rounded down, and the steps left over go to the weights that make `wᵀHw − 2bᵀw`
/// least: all choices of roundings up are tried, which are few. Weights that were zero stay zero.
pub fn round_to_grid(form: &Quadratic, w: &Vector, steps: u32) -> [u32; super::MAX_CANDIDATES] {
    let mut used = [0; super::MAX_CANDIDATES];
    let mut count = 0;
    let mut counts = [0u32; super::MAX_CANDIDATES];
    for i in (0..form.len()).filter(|&i| w[i] > 0.0) {
        counts[i] = (w[i] * f64::from(steps)).floor() as u32;
        used[count] = i;
        count += 1;
    }
    let used = &used[..count];
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
    let mut best: Option<(f64, [u32; super::MAX_CANDIDATES])> = None;
    for choice in (0..1u32 << used.len()).filter(|choice| choice.count_ones() as usize == left) {
        let mut counts = counts;
        let mut w = [0.0; super::MAX_CANDIDATES];
        for (place, &i) in used.iter().enumerate() {
            counts[i] += choice >> place & 1;
            w[i] = f64::from(counts[i]) / f64::from(steps);
        }
        let value = form.value(&w);
        if best.is_none_or(|(least, _)| value < least) {
            best = Some((value, counts));
        }
    }
    best.map_or(counts, |(_, counts)| counts)
}
