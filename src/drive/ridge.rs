//! Least squares with a ridge: `Σ |y − C x|² + λ |C|²`, with samples scaled so that their weights sum to one.
//!
//! λ comes from a fixed ladder, by the leave-one-out error in closed form: eᵢ / (1 − hᵢ), with eᵢ the residual of a
//! sample and hᵢ its own part in its estimate (Allen 1974, *The relationship between variable selection and data
//! augmentation and a method for prediction*; Golub, Heath & Wahba 1979, *Generalized cross-validation as a method for
//! choosing a good ridge parameter*). Terms are not scaled to one size: all are bounded alike, and so a coefficient is
//! how far a pose that no sample shows can throw the result. That is what λ keeps small.

use nalgebra::{Cholesky, DMatrix, SymmetricEigen};

/// Numbers that are estimated together.
pub(super) const OUTPUTS: usize = 6;

/// What is estimated in one sample, or the coefficients of one term.
pub(super) type Outputs = [f64; OUTPUTS];

/// The ladder, greatest first; sums of squares of terms are of order one to a hundredth. The least leaves a motion that is
/// in the family as it is, to six digits.
const LADDER: [f64; 8] = [1e-1, 1e-2, 1e-3, 1e-4, 1e-5, 1e-6, 1e-8, 1e-12];

/// A greater λ is taken if it costs no more than this share of the least error: it is the safer one.
const AS_GOOD: f64 = 1.01;

/// λ where joints are only ranked.
const RANKING: f64 = 1e-4;

/// Iterations of the eigenvalues: far above what any matrix of this size needs.
const MOST_ITERATIONS: usize = 100_000;

/// Rows that are summed in one go.
const AT_ONCE: usize = 4;

/// Samples of terms, row by row.
pub(super) struct Terms {
    pub count: usize,
    pub rows: Vec<f64>,
}

/// How well terms explain outputs.
pub(super) struct Fit {
    lambda: f64,
    /// The leave-one-out error, a mean of squares.
    pub error: f64,
    /// One for each term.
    pub coefficients: Vec<Outputs>,
    turned: Turned,
}

impl Terms {
    fn rows(&self) -> impl Iterator<Item = &[f64]> {
        self.rows.chunks_exact(self.count)
    }

    /// `XᵀX`, row by row.
    fn gram(&self) -> Vec<f64> {
        let count = self.count;
        let mut gram = vec![0.0; count * count];
        for rows in self.rows.chunks(AT_ONCE * count) {
            for i in 0..count {
                let line = &mut gram[i * count + i..(i + 1) * count];
                add_rows(line, |row| rows[row * count + i], rows, count, i);
            }
        }
        for i in 0..count {
            for j in 0..i {
                gram[i * count + j] = gram[j * count + i];
            }
        }
        gram
    }

    /// `XᵀY`.
    fn toward(&self, outputs: &[Outputs]) -> Vec<Outputs> {
        let mut toward = vec![[0.0; OUTPUTS]; self.count];
        for (row, outputs) in self.rows().zip(outputs) {
            for (sums, x) in toward.iter_mut().zip(row) {
                add(sums, *x, outputs);
            }
        }
        toward
    }

    /// How much of the outputs' squares the terms explain: never more than is true, so that it serves to rank.
    pub fn explained(&self, outputs: &[Outputs]) -> f64 {
        let mut gram = DMatrix::from_row_slice(self.count, self.count, &self.gram());
        (0..self.count).for_each(|i| gram[(i, i)] += RANKING);
        let toward = as_matrix(&self.toward(outputs));
        Cholesky::new(gram).map_or(0.0, |factor| toward.dot(&factor.solve(&toward)))
    }

    /// The fit with the λ of the ladder that foretells best; `None` if there is no such thing.
    pub fn fit(&self, outputs: &[Outputs]) -> Option<Fit> {
        let turned = Turned::new(self, outputs)?;
        let errors = turned.errors(self, outputs);
        let least = errors.iter().copied().fold(f64::INFINITY, f64::min);
        let taken = errors.iter().position(|&error| error <= AS_GOOD * least)?;
        Some(Fit {
            lambda: LADDER[taken],
            error: errors[taken],
            coefficients: turned.coefficients(LADDER[taken]),
            turned,
        })
    }
}

impl Fit {
    /// The coefficients of other terms of the same samples with the same λ.
    pub fn again(&self, terms: &Terms, outputs: &[Outputs]) -> Option<Vec<Outputs>> {
        Some(Turned::new(terms, outputs)?.coefficients(self.lambda))
    }

    /// The terms to keep: those that cost least are dropped one after the other, all coefficients following, as long as
    /// the sum of squares rises by no more than `budget`.
    pub fn kept(&self, budget: f64) -> Vec<usize> {
        let count = self.coefficients.len();
        let mut inverse = self.turned.inverse(self.lambda);
        let mut coefficients = self.coefficients.clone();
        let mut kept: Vec<usize> = (0..count).collect();
        let mut left = budget;
        loop {
            let costs = kept.iter().enumerate().map(|(place, &term)| {
                let square: f64 = coefficients[term].iter().map(|c| c * c).sum();
                (square / inverse[term * count + term], place)
            });
            let Some((cost, place)) = costs.min_by(|a, b| a.0.total_cmp(&b.0)) else {
                return kept;
            };
            if cost.is_nan() || cost > left {
                return kept;
            }
            left -= cost;
            let term = kept.remove(place);
            // The inverse and the coefficients of what remains, by one step of elimination.
            let line = inverse[term * count..(term + 1) * count].to_vec();
            let gone = coefficients[term];
            for &other in &kept {
                let share = line[other] / line[term];
                add(&mut coefficients[other], -share, &gone);
                let own = &mut inverse[other * count..(other + 1) * count];
                own.iter_mut().zip(&line).for_each(|(x, l)| *x -= share * l);
            }
        }
    }
}

/// Terms turned into the directions in which they are independent of each other.
struct Turned {
    /// The sums of squares along the directions.
    squares: Vec<f64>,
    /// The directions: for each term, its part in each.
    directions: Vec<f64>,
    /// The outputs summed along the directions.
    toward: Vec<Outputs>,
}

impl Turned {
    fn new(terms: &Terms, outputs: &[Outputs]) -> Option<Self> {
        let count = terms.count;
        let gram = DMatrix::from_row_slice(count, count, &terms.gram());
        let eigen = SymmetricEigen::try_new(gram, f64::EPSILON, MOST_ITERATIONS)?;
        let directions = eigen.eigenvectors.transpose().as_slice().to_vec();
        let sums = terms.toward(outputs);
        let mut toward = vec![[0.0; OUTPUTS]; count];
        for (parts, sums) in directions.chunks_exact(count).zip(&sums) {
            let each = toward.iter_mut().zip(parts);
            each.for_each(|(toward, part)| add(toward, *part, sums));
        }
        Some(Self {
            squares: eigen.eigenvalues.iter().map(|d| d.max(0.0)).collect(),
            directions,
            toward,
        })
    }

    /// The coefficients along the directions.
    fn along(&self, lambda: f64) -> Vec<Outputs> {
        let each = self.toward.iter().zip(&self.squares);
        each.map(|(sums, square)| sums.map(|sum| sum / (square + lambda)))
            .collect()
    }

    /// The leave-one-out error for each λ of the ladder.
    fn errors(&self, terms: &Terms, outputs: &[Outputs]) -> [f64; LADDER.len()] {
        let count = terms.count;
        let shares = |lambda| self.squares.iter().map(move |d| 1.0 / (d + lambda));
        let steps: Vec<(Vec<Outputs>, Vec<f64>)> = LADDER
            .iter()
            .map(|&lambda| (self.along(lambda), shares(lambda).collect()))
            .collect();
        let mut errors = [0.0; LADDER.len()];
        let mut turned = vec![0.0; count];
        for (row, outputs) in terms.rows().zip(outputs) {
            turned.fill(0.0);
            let parts = self.directions.chunks(AT_ONCE * count);
            for (x, parts) in row.chunks(AT_ONCE).zip(parts) {
                add_rows(&mut turned, |term| x[term], parts, count, 0);
            }
            for ((along, shares), error) in steps.iter().zip(&mut errors) {
                let (mut left, mut own) = (*outputs, 0.0);
                for ((&z, coefficients), share) in turned.iter().zip(along).zip(shares) {
                    own += z * z * share;
                    add(&mut left, -z, coefficients);
                }
                // A sample that alone decides its estimate says nothing of how it would be foretold.
                let alone = 1.0 - own;
                *error += match alone > 0.0 {
                    true => left.iter().map(|e| (e / alone) * (e / alone)).sum(),
                    false => f64::INFINITY,
                };
            }
        }
        errors.map(|error: f64| if error.is_nan() { f64::INFINITY } else { error })
    }

    fn coefficients(&self, lambda: f64) -> Vec<Outputs> {
        let along = self.along(lambda);
        let terms = self.directions.chunks_exact(along.len());
        terms
            .map(|parts| {
                let mut sums = [0.0; OUTPUTS];
                let each = parts.iter().zip(&along);
                each.for_each(|(&part, coefficients)| add(&mut sums, part, coefficients));
                sums
            })
            .collect()
    }

    /// `(XᵀX + λ)⁻¹`, row by row.
    fn inverse(&self, lambda: f64) -> Vec<f64> {
        let count = self.squares.len();
        let mut inverse = vec![0.0; count * count];
        let rows = || self.directions.chunks_exact(count);
        for (a, line) in rows().zip(inverse.chunks_exact_mut(count)) {
            let each = a.iter().zip(&self.squares);
            let scaled: Vec<f64> = each.map(|(a, d)| a / (d + lambda)).collect();
            for (b, entry) in rows().zip(line) {
                *entry = scaled.iter().zip(b).map(|(a, b)| a * b).sum();
            }
        }
        inverse
    }
}

/// `sums += Σ x(k) · rows[k][from..]` for at most [`AT_ONCE`] rows of one width: sums are read and written once for all.
fn add_rows(sums: &mut [f64], x: impl Fn(usize) -> f64, rows: &[f64], width: usize, from: usize) {
    let row = |k: usize| &rows[k * width + from..(k + 1) * width];
    let count = rows.len() / width;
    if count == AT_ONCE {
        let [a, b, c, d] = [x(0), x(1), x(2), x(3)];
        let each = sums
            .iter_mut()
            .zip(row(0))
            .zip(row(1))
            .zip(row(2))
            .zip(row(3));
        each.for_each(|((((sum, p), q), r), s)| *sum += (a * p + b * q) + (c * r + d * s));
        return;
    }
    for k in 0..count {
        let each = sums.iter_mut().zip(row(k));
        each.for_each(|(sum, p)| *sum += x(k) * p);
    }
}

/// `sums += x · outputs`.
pub(super) fn add(sums: &mut Outputs, x: f64, outputs: &Outputs) {
    sums.iter_mut()
        .zip(outputs)
        .for_each(|(sum, y)| *sum += x * y);
}

fn as_matrix(rows: &[Outputs]) -> DMatrix<f64> {
    DMatrix::from_row_slice(rows.len(), OUTPUTS, rows.as_flattened())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Uneven numbers: `count` terms in `samples` samples, one of them nearly the sum of two others, and outputs.
    fn case(count: usize, samples: usize) -> (Terms, Vec<Outputs>) {
        let x = |i: usize, j: usize| (1.7 * i as f64 + (j * j) as f64 * 0.9 + 0.3).sin();
        let rows = (0..samples).flat_map(|i| {
            let mut row: Vec<f64> = (0..count).map(|j| x(i, j) / 4.0).collect();
            row[2] = row[0] + row[1] + 1e-3 * x(3 * i, 7);
            row
        });
        let rows = rows.collect();
        let outputs = (0..samples)
            .map(|i| [0, 1, 2, 3, 4, 5].map(|k| x(2 * i, k + 11) + x(i, k % count)))
            .collect();
        (Terms { count, rows }, outputs)
    }

    fn with(lambda: f64, terms: &Terms, outputs: &[Outputs]) -> Fit {
        let turned = Turned::new(terms, outputs).expect("directions");
        Fit {
            lambda,
            error: 0.0,
            coefficients: turned.coefficients(lambda),
            turned,
        }
    }

    fn without(terms: &Terms, outputs: &[Outputs], gone: usize) -> (Terms, Vec<Outputs>) {
        let mut rows = terms.rows.clone();
        rows.drain(gone * terms.count..(gone + 1) * terms.count);
        let mut left = outputs.to_vec();
        left.remove(gone);
        let count = terms.count;
        (Terms { count, rows }, left)
    }

    #[test]
    fn the_error_is_that_of_leaving_out_each_sample_in_turn() {
        let (terms, outputs) = case(5, 17);
        let fit = terms.fit(&outputs).expect("a fit");
        let mut least = f64::INFINITY;
        for (place, lambda) in LADDER.into_iter().enumerate() {
            let mut error = 0.0;
            for i in 0..outputs.len() {
                let (others, left) = without(&terms, &outputs, i);
                let coefficients = with(lambda, &others, &left).coefficients;
                let mut wrong = outputs[i];
                let row = terms.rows[5 * i..5 * i + 5].iter();
                row.zip(&coefficients)
                    .for_each(|(x, c)| add(&mut wrong, -x, c));
                error += wrong.iter().map(|e| e * e).sum::<f64>();
            }
            let short = fit.turned.errors(&terms, &outputs)[place];
            // Two ways to the same number, through systems whose condition is a million.
            assert!((short / error - 1.0).abs() < 1e-7, "{short} {error}");
            least = least.min(error);
        }
        assert!(fit.error <= AS_GOOD * least * (1.0 + 1e-7));
    }

    #[test]
    fn coefficients_solve_the_normal_equations() {
        let (terms, outputs) = case(6, 40);
        for lambda in [1e-3, 1e-8] {
            let found = as_matrix(&with(lambda, &terms, &outputs).coefficients);
            let mut gram = DMatrix::from_row_slice(6, 6, &terms.gram());
            (0..6).for_each(|i| gram[(i, i)] += lambda);
            let left = &gram * found - as_matrix(&terms.toward(&outputs));
            // Sums of forty products of size one, in sixteen digits.
            assert!(left.amax() < 1e-11, "{}", left.amax());
        }
    }

    #[test]
    fn what_a_term_costs_is_what_the_sum_rises_by_without_it() {
        let (terms, outputs) = case(6, 40);
        let lambda = 1e-4;
        let of = |kept: &[usize]| Terms {
            count: kept.len(),
            rows: terms
                .rows()
                .flat_map(|row| kept.iter().map(|&term| row[term]).collect::<Vec<_>>())
                .collect(),
        };
        // The minimum of the whole sum, ridge and all.
        let sum = |kept: &[usize]| {
            let terms = of(kept);
            let coefficients = with(lambda, &terms, &outputs).coefficients;
            let mut sum: f64 = lambda
                * coefficients
                    .as_flattened()
                    .iter()
                    .map(|c| c * c)
                    .sum::<f64>();
            for (row, outputs) in terms.rows().zip(&outputs) {
                let mut left = *outputs;
                row.iter()
                    .zip(&coefficients)
                    .for_each(|(x, c)| add(&mut left, -x, c));
                sum += left.iter().map(|e| e * e).sum::<f64>();
            }
            sum
        };
        let fit = with(lambda, &terms, &outputs);
        let mut kept: Vec<usize> = (0..6).collect();
        let mut spent = 0.0;
        while kept.len() > 1 {
            // The cheapest by trying all.
            let trials: Vec<(f64, Vec<usize>)> = (0..kept.len())
                .map(|at| {
                    let mut less = kept.clone();
                    less.remove(at);
                    (sum(&less), less)
                })
                .collect();
            let best = trials
                .iter()
                .min_by(|a, b| a.0.total_cmp(&b.0))
                .expect("trials");
            spent += best.0 - sum(&kept);
            // Just enough for it, and just too little: rounding is far below a millionth.
            let enough = fit.kept(spent * (1.0 + 1e-6));
            let short = fit.kept(spent * (1.0 - 1e-6));
            assert_eq!((&enough, &short), (&best.1, &kept));
            kept = best.1.clone();
        }
    }
}
