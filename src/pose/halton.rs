//! A scrambled Halton sequence: points that fill a box evenly, in any number of dimensions.
//!
//! Halton 1960, *On the efficiency of certain quasi-random sequences of points*; digits permuted at
//! random for each base (Braaten & Weller 1979) and the whole shifted modulo one (Cranley & Patterson
//! 1976), both from the seed, so that high dimensions do not march in step.

/// The sequence of one seed.
#[derive(Clone, Debug)]
pub struct Halton {
    bases: Vec<Base>,
}

#[derive(Clone, Debug)]
struct Base {
    prime: u64,
    digits: Vec<u64>,
    shift: f64,
}

impl Halton {
    /// A sequence in that many dimensions.
    pub fn new(dimensions: usize, seed: u64) -> Self {
        let mut random = SplitMix(seed);
        let bases = primes(dimensions)
            .into_iter()
            .map(|prime| {
                let mut digits: Vec<u64> = (0..prime).collect();
                for i in (1..digits.len()).rev() {
                    // The bias of the remainder is below prime / 2⁶⁴.
                    digits.swap(i, (random.next() % (i as u64 + 1)) as usize);
                }
                Base {
                    prime,
                    digits,
                    shift: random.unit(),
                }
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
            sum += scale * base.digits[(rest % base.prime) as usize] as f64;
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
    fn every_stratum_of_a_base_is_hit_once_a_round() {
        // The defining property of the radical inverse: any `prime` consecutive points fall into
        // `prime` different intervals of width 1/prime (before the shift).
        let halton = Halton::new(12, 7);
        for (dimension, base) in halton.bases.iter().enumerate() {
            let mut hit: Vec<u64> = (0..base.prime)
                .map(|i| {
                    let unshifted = (halton.value(i, dimension) - base.shift).rem_euclid(1.0);
                    (unshifted * base.prime as f64 + 1e-9) as u64
                })
                .collect();
            hit.sort_unstable();
            assert_eq!(hit, (0..base.prime).collect::<Vec<_>>());
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
