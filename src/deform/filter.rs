//! Rounds of smoothing as a polynomial of the neighbour-mean operator.
//!
//! `rounds` times `s ← s + pull · (W s − s)` is the polynomial `((1 − pull) + pull·x)^rounds` at x = W,
//! the mean of the one-ring. W is similar to a symmetric matrix (scale by the roots of the ring sizes),
//! so its spectrum is real, within [−1, 1], and a Chebyshev expansion of the polynomial that leaves out
//! coefficients with absolute sum τ is off by at most τ in the norm weighted by ring sizes (Sachdeva &
//! Vishnoi 2014, *Faster algorithms via approximation theory*, §3: monomials need only about the root
//! of the degree). All coefficients here are positive (products of positive cosine series are), so what
//! is left out is known exactly, and the rest is scaled to sum to one: constants and rigid motions pass
//! unchanged.

/// `next = mean · W current + own · current + previous · before`; the result takes `take · next`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Step {
    pub mean: f32,
    pub own: f32,
    pub previous: f32,
    pub take: f32,
}

impl Step {
    /// The step at one vertex with a ring: `from` is the current shape, `here` its value there, `before` the
    /// one that came before it.
    #[inline(always)]
    pub fn at<const N: usize>(
        &self,
        ring: &[u32],
        from: &[[f64; N]],
        here: [f64; N],
        before: [f64; N],
    ) -> [f64; N] {
        let mut sum = [0.0; N];
        for &n in ring {
            let there = &from[n as usize];
            for i in 0..N {
                sum[i] += there[i];
            }
        }
        let mean = f64::from(self.mean) / ring.len() as f64;
        let (own, previous) = (f64::from(self.own), f64::from(self.previous));
        std::array::from_fn(|i| mean * sum[i] + own * here[i] + previous * before[i])
    }
}

/// A polynomial of W as a recurrence.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Filter {
    /// What the result takes of the start.
    pub take_start: f32,
    pub steps: Vec<Step>,
}

/// What the expansion may leave out. Detail given back was taken by the same filter, so that the
/// effect on a target is this share of the *change* of detail.
const TAIL: f64 = 1e-6;

/// The expansion is used if it takes at most this share of the rounds: one of its steps costs about a
/// quarter more than a plain round.
const WORTH_IT: f64 = 0.75;

impl Filter {
    /// The filter of that many rounds: the expansion where it is cheaper, else the rounds themselves.
    pub fn new(rounds: usize, pull: f32) -> Self {
        let expansion = Self::expanded(rounds, f64::from(pull), TAIL);
        if expansion.steps.len() as f64 <= WORTH_IT * rounds as f64 {
            expansion
        } else {
            Self::plain(rounds, pull)
        }
    }

    /// The rounds themselves.
    pub fn plain(rounds: usize, pull: f32) -> Self {
        let step = |round| Step {
            mean: pull,
            own: 1.0 - pull,
            previous: 0.0,
            take: if round + 1 == rounds { 1.0 } else { 0.0 },
        };
        Self {
            take_start: if rounds == 0 { 1.0 } else { 0.0 },
            steps: (0..rounds).map(step).collect(),
        }
    }

    /// The Chebyshev expansion that leaves out at most `tail`.
    pub fn expanded(rounds: usize, pull: f64, tail: f64) -> Self {
        let mut taken = Vec::new();
        let mut sum = 0.0;
        while taken.len() <= rounds && 1.0 - sum > tail {
            let c = coefficient(rounds, pull, taken.len());
            sum += c;
            taken.push(c);
        }
        let take = |k: usize| (taken[k] / sum) as f32;
        let steps = (1..taken.len())
            .map(|k| match k {
                1 => Step {
                    mean: 1.0,
                    own: 0.0,
                    previous: 0.0,
                    take: take(k),
                },
                _ => Step {
                    mean: 2.0,
                    own: 0.0,
                    previous: -1.0,
                    take: take(k),
                },
            })
            .collect();
        Self {
            take_start: take(0),
            steps,
        }
    }
}

/// The k-th Chebyshev coefficient of `((1 − pull) + pull·x)^rounds`, by the midpoint rule over
/// `rounds + 1` angles, which is exact for this degree (Trefethen 2013, *Approximation theory and
/// approximation practice*, ch. 4).
fn coefficient(rounds: usize, pull: f64, k: usize) -> f64 {
    let nodes = rounds + 1;
    let sum: f64 = (0..nodes)
        .map(|i| {
            let angle = std::f64::consts::PI * (i as f64 + 0.5) / nodes as f64;
            // As a logarithm: a thousand rounds of a small number would underflow on the way.
            let value = (1.0 - pull) + pull * angle.cos();
            let power = value.abs().ln() * rounds as f64;
            let sign = if value < 0.0 && rounds % 2 == 1 {
                -1.0
            } else {
                1.0
            };
            sign * power.exp() * (k as f64 * angle).cos()
        })
        .sum();
    (if k == 0 { 1.0 } else { 2.0 }) * sum / nodes as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The filter as a function of an eigenvalue of W.
    fn at(filter: &Filter, x: f64) -> f64 {
        let (mut before, mut current) = (0.0, 1.0);
        let mut sum = f64::from(filter.take_start);
        for step in &filter.steps {
            let next = f64::from(step.mean) * x * current
                + f64::from(step.own) * current
                + f64::from(step.previous) * before;
            (before, current) = (current, next);
            sum += f64::from(step.take) * current;
        }
        sum
    }

    #[test]
    fn expansion_stays_within_its_bound_on_the_whole_spectrum() {
        for (rounds, pull) in [
            (5, 0.5),
            (20, 0.5),
            (50, 0.5),
            (400, 0.5),
            (60, 0.2),
            (41, 1.0),
        ] {
            let filter = Filter::expanded(rounds, pull, TAIL);
            for i in 0..=1000 {
                let x = f64::from(i) / 500.0 - 1.0;
                let plain = (1.0 - pull + pull * x).powi(rounds as i32);
                let error = (at(&filter, x) - plain).abs();
                // Twice the tail: what is left out, and the scaling to one; and f32 coefficients.
                assert!(
                    error <= 2.0 * TAIL + 1e-6,
                    "{rounds} rounds at {x}: {error}"
                );
            }
            assert!((at(&filter, 1.0) - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn counts_of_products_are_those_worked_out_beforehand() {
        // Counted numerically beside this program (numpy) for pull 0.5 and a tail below 1e-5.
        for (rounds, products) in [(20, 13), (50, 22), (100, 31), (400, 62), (1000, 99)] {
            assert_eq!(
                Filter::expanded(rounds, 0.5, 1e-5).steps.len(),
                products,
                "{rounds} rounds"
            );
        }
    }

    #[test]
    fn few_rounds_stay_plain() {
        assert_eq!(Filter::new(5, 0.5), Filter::plain(5, 0.5));
        assert_eq!(Filter::new(0, 0.5).take_start, 1.0);
        assert_eq!(Filter::new(20, 0.5).steps.len(), 15);
    }
}
