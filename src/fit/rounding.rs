//! Weights rounded to the grid of the file, with exact sums and the least error.

use super::MAX_CANDIDATES;
use super::quadratic::{Quadratic, Set, Vector};
use super::subset::Sizes;

/// Rounds weights to whole numbers of steps that sum to `steps` exactly, over the variables in `used`.
///
/// Each weight is rounded down, and the steps left over go to the weights that make `wᵀHw − 2bᵀw`
/// least: all choices of roundings up are tried, which are few. A variable that stands for two joints takes
/// steps in twos, and gives the steps of each joint; so where `steps` is odd, one of those used must stand
/// for a single joint.
pub fn round_to_grid(
    form: &Quadratic,
    w: &Vector,
    used: Set,
    sizes: &Sizes,
    steps: u32,
) -> [u32; MAX_CANDIDATES] {
    let mut places = [0; MAX_CANDIDATES];
    let (mut count, mut pairs) = (0, 0u32);
    let mut counts = [0u32; MAX_CANDIDATES];
    for i in (0..form.len()).filter(|&i| used >> i & 1 == 1) {
        counts[i] = (w[i] / f64::from(sizes[i]) * f64::from(steps)).floor() as u32;
        places[count] = i;
        pairs |= u32::from(sizes[i] == 2) << count;
        count += 1;
    }
    let used = &places[..count];
    let mut total: u32 = used.iter().map(|&i| counts[i] * u32::from(sizes[i])).sum();
    if total > steps {
        // Only rounding in the sum of w can lead here: take it off the heaviest.
        let heaviest = used
            .iter()
            .copied()
            .max_by(|&i, &j| w[i].total_cmp(&w[j]).then(j.cmp(&i)));
        if let Some(i) = heaviest {
            let taken = (total - steps).div_ceil(u32::from(sizes[i]));
            counts[i] -= taken;
            total -= taken * u32::from(sizes[i]);
        }
    }
    let left = steps - total;
    let taken = |choice: u32| choice.count_ones() + (choice & pairs).count_ones();
    let mut best: Option<(f64, [u32; MAX_CANDIDATES])> = None;
    for choice in (0..1u32 << used.len()).filter(|&choice| taken(choice) == left) {
        let mut counts = counts;
        let mut w = [0.0; MAX_CANDIDATES];
        for (place, &i) in used.iter().enumerate() {
            counts[i] += choice >> place & 1;
            w[i] = f64::from(counts[i] * u32::from(sizes[i])) / f64::from(steps);
        }
        let value = form.value(&w);
        if best.is_none_or(|(least, _)| value < least) {
            best = Some((value, counts));
        }
    }
    best.map_or(counts, |(_, counts)| counts)
}
