//! A scrambled Halton sequence: points that fill a box evenly, in any number of dimensions.
//!
//! Halton 1960, *On the efficiency of certain quasi-random sequences of points*; digits permuted for
//! each base by a random linear map (Matoušek 1998, *On the L2-discrepancy for anchored boxes*) and the
//! whole shifted modulo one (Cranley & Patterson 1976), both from the seed, so that high dimensions do not march in step.

/// The sequence of one seed.
#[derive(Clone, Debug)]
pub struct Halton {
    bases: Vec<Base>,
}

#[derive(Clone, Debug)]
struct Base {
    prime: u64,
    /// Digit d becomes `(factor · d + offset) mod prime`.
    factor: u64,
    offset: u64,
    shift: f64,
}

impl Halton {
    /// A sequence in that many dimensions.
    pub fn new(dimensions: usize, seed: u64) -> Self {
        let mut random = SplitMix(seed);
        let bases = primes(dimensions)
            .into_iter()
            .map(|prime| Base {
                prime,
                // The bias of the remainders is below prime / 2⁶⁴.
                factor: 1 + random.next() % (prime - 1),
                offset: random.next() % prime,
                shift: random.unit(),
            })
            .collect();
        Self { bases }
    }

    /// Coordinate `dimension` of point `index`, in [0, 1).
    pub fn value(&self, index: u64, dimension: usize) -> f64 {
        let base = &self.bases[dimension];
        let (mut rest, mut scale, mut sum) = (index, 1.0, base.shift);
        // Down to the resolution of f64, so that the endless zeros are permuted as well.
        while scale > 1e-16 {
            scale /= base.prime as f64;
            sum += scale * ((base.factor * (rest % base.prime) + base.offset) % base.prime) as f64;
            rest /= base.prime;
        }
        sum.fract()
    }
}

fn primes(count: usize) -> Vec<u64> {
    let mut primes: Vec<u64> = Vec::with_capacity(count);
    let mut candidate = 2;
    while primes.len() < count {
        if primes
            .iter()
            .take_while(|&&p| p * p <= candidate)
            .all(|&p| candidate % p != 0)
        {
            primes.push(candidate);
        }
        candidate += 1;
    }
    primes
}

/// Steele, Lea, Flood 2014, *Fast splittable pseudorandom number generators*.
struct SplitMix(u64);

impl SplitMix {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_round_of_a_base_is_evenly_spaced() {
        // The defining property of the radical inverse: `prime` consecutive points from a multiple of
        // `prime` on differ in their first digit alone, which takes every value once.
        let halton = Halton::new(12, 7);
        for (dimension, base) in halton.bases.iter().enumerate() {
            let mut points: Vec<f64> = (0..base.prime)
                .map(|i| halton.value(i, dimension))
                .collect();
            points.sort_by(f64::total_cmp);
            let width = 1.0 / base.prime as f64;
            for pair in points.windows(2) {
                assert!(
                    (pair[1] - pair[0] - width).abs() < 1e-12,
                    "base {}: {pair:?}",
                    base.prime
                );
            }
        }
    }

    #[test]
    fn seeds_give_other_points_and_the_same_seed_the_same() {
        let points = |seed| {
            let halton = Halton::new(30, seed);
            (0..20).map(|i| halton.value(i, 29)).collect::<Vec<_>>()
        };
        assert_eq!(points(3), points(3));
        assert_ne!(points(3), points(4));
        assert!(points(3).iter().all(|x| (0.0..1.0).contains(x)));
    }
}
