//! Small convex quadratic programs on the simplex: minimise `wᵀHw − 2bᵀw` with `w ≥ 0`, `Σw = 1`.
//!
//! A primal active set after Lawson & Hanson 1974, *Solving Least Squares Problems*, ch. 23 (NNLS),
//! with the sum constraint carried through every step. H must be positive definite on the joints in
//! play; callers add a ridge. Work is on the stack, sizes are at most
//! [`MAX_CANDIDATES`](super::MAX_CANDIDATES).

use nalgebra::DMatrix;

use super::MAX_CANDIDATES as MAX;

/// A set of variables, as bits.
pub type Set = u32;

/// Place of entry (i, j), i ≤ j, in a packed upper triangle of order n.
pub fn packed(n: usize, i: usize, j: usize) -> usize {
    i * n - i * (i + 1) / 2 + j
}

/// `wᵀHw − 2bᵀw`.
#[derive(Clone, Copy, Debug)]
pub struct Quadratic {
    n: usize,
    h: [[f64; MAX]; MAX],
    b: [f64; MAX],
}

/// Weights of the variables; zero outside the set allowed.
pub type Vector = [f64; MAX];

/// A minimiser and its value.
#[derive(Clone, Copy, Debug)]
pub struct Minimum {
    /// Where.
    pub w: Vector,
    /// How much.
    pub value: f64,
}

impl Minimum {
    /// The variables that are not zero.
    pub fn support(&self) -> Set {
        (0..MAX)
            .filter(|&i| self.w[i] > 0.0)
            .fold(0, |set, i| set | 1 << i)
    }
}

/// A gradient may be this far, relative to the size of H, on the wrong side of its multiplier: some
/// hundred roundings in f64.
const DUAL_TOLERANCE: f64 = 1e-13;

impl Quadratic {
    /// The zero form in `n` variables.
    pub fn zero(n: usize) -> Self {
        assert!((1..=MAX).contains(&n), "{n} variables");
        Self {
            n,
            h: [[0.0; MAX]; MAX],
            b: [0.0; MAX],
        }
    }

    /// The number of variables.
    pub fn len(&self) -> usize {
        self.n
    }

    /// Never: there is at least one variable.
    pub fn is_empty(&self) -> bool {
        false
    }

    /// All variables.
    pub fn all(&self) -> Set {
        (1 << self.n) - 1
    }

    /// H_ij.
    pub fn get(&self, i: usize, j: usize) -> f64 {
        self.h[i][j]
    }

    /// Sets H_ij and H_ji.
    pub fn set(&mut self, i: usize, j: usize, value: f64) {
        self.h[i][j] = value;
        self.h[j][i] = value;
    }

    /// Multiplies H by a factor.
    pub fn scale(&mut self, factor: f64) {
        for row in &mut self.h[..self.n] {
            for value in &mut row[..self.n] {
                *value *= factor;
            }
        }
    }

    /// Adds `weight · |w − toward|²`, up to a constant.
    pub fn pull_toward(&mut self, weight: f64, toward: &[f64]) {
        for i in 0..self.n {
            self.h[i][i] += weight;
            self.b[i] += weight * toward[i];
        }
    }

    /// The value at w.
    pub fn value(&self, w: &Vector) -> f64 {
        let n = self.n;
        let mut sum = 0.0;
        for i in (0..n).filter(|&i| w[i] != 0.0) {
            let row: f64 = (0..n).map(|j| self.h[i][j] * w[j]).sum();
            sum += w[i] * (row - 2.0 * self.b[i]);
        }
        sum
    }

    /// Half the gradient at w: `Hw − b`.
    pub fn half_gradient(&self, w: &Vector) -> Vector {
        let mut g = [0.0; MAX];
        for i in 0..self.n {
            g[i] = (0..self.n).map(|j| self.h[i][j] * w[j]).sum::<f64>() - self.b[i];
        }
        g
    }

    fn magnitude(&self) -> f64 {
        (0..self.n)
            .map(|i| self.h[i][i].abs().max(self.b[i].abs()))
            .fold(0.0, f64::max)
    }

    /// How far w is from meeting the conditions of Karush, Kuhn and Tucker among the variables of
    /// `allowed`, relative to the magnitude of H: the spread of the gradient over the variables in
    /// use, and how far that of an unused one lies below.
    pub fn kkt_residual(&self, w: &Vector, allowed: Set) -> f64 {
        let g = self.half_gradient(w);
        let used = (0..self.n).filter(|&i| w[i] > 0.0);
        let multiplier: f64 = used.clone().map(|i| w[i] * g[i]).sum();
        let spread = used.map(|i| (g[i] - multiplier).abs()).fold(0.0, f64::max);
        let below = (0..self.n)
            .filter(|&i| allowed >> i & 1 == 1 && w[i] <= 0.0)
            .map(|i| multiplier - g[i])
            .fold(0.0, f64::max);
        let magnitude = self.magnitude();
        if magnitude > 0.0 {
            spread.max(below) / magnitude
        } else {
            0.0
        }
    }

    /// The minimum over the simplex of the variables in `allowed`, which must not be empty.
    pub fn minimum(&self, allowed: Set) -> Minimum {
        debug_assert!(allowed & self.all() != 0);
        let allowed = allowed & self.all();
        let tolerance = DUAL_TOLERANCE * self.magnitude();
        let start = (0..self.n)
            .filter(|&i| allowed >> i & 1 == 1)
            .min_by(|&i, &j| {
                (self.h[i][i] - 2.0 * self.b[i]).total_cmp(&(self.h[j][j] - 2.0 * self.b[j]))
            })
            .unwrap_or(0);
        let mut w = [0.0; MAX];
        w[start] = 1.0;
        let mut passive: Set = 1 << start;
        // Variables that came in and went straight out again: rounding, not descent.
        let mut barred: Set = 0;
        // Lawson & Hanson's finiteness argument bounds the steps; rounding could defeat it, so count.
        for _ in 0..8 * MAX {
            let g = self.half_gradient(&w);
            let multiplier: f64 = (0..self.n).map(|i| w[i] * g[i]).sum();
            let entering = (0..self.n)
                .filter(|&i| (allowed & !passive & !barred) >> i & 1 == 1)
                .min_by(|&i, &j| g[i].total_cmp(&g[j]))
                .filter(|&i| g[i] < multiplier - tolerance);
            let Some(entering) = entering else { break };
            passive |= 1 << entering;
            loop {
                let Some(next) = self.equality_minimum(passive) else {
                    // Not positive definite to rounding: do without the newcomer.
                    passive &= !(1 << entering);
                    barred |= 1 << entering;
                    break;
                };
                let blocking = (0..self.n)
                    .filter(|&i| passive >> i & 1 == 1 && next[i] <= 0.0)
                    .map(|i| (w[i] / (w[i] - next[i]).max(f64::MIN_POSITIVE), i))
                    .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
                let Some((step, leaving)) = blocking else {
                    w = next;
                    barred = 0;
                    break;
                };
                for i in 0..self.n {
                    w[i] += step * (next[i] - w[i]);
                }
                w[leaving] = 0.0;
                passive &= !(1 << leaving);
                if leaving == entering {
                    barred |= 1 << entering;
                }
                for i in 0..self.n {
                    if w[i] <= 0.0 || passive >> i & 1 == 0 {
                        w[i] = 0.0;
                        if i != entering {
                            passive &= !(1 << i);
                        }
                    }
                }
                if leaving == entering {
                    break;
                }
            }
        }
        normalise(&mut w, self.n);
        Minimum {
            w,
            value: self.value(&w),
        }
    }

    /// The minimum with `Σw = 1` over the variables of a set, whatever the signs; `None` if H is not
    /// positive definite there. By Cholesky: with `Hy = b` and `Hz = 1`, `w = y + z·(1 − Σy)/Σz`.
    fn equality_minimum(&self, set: Set) -> Option<Vector> {
        let mut index = [0; MAX];
        let mut m = 0;
        for i in (0..self.n).filter(|&i| set >> i & 1 == 1) {
            index[m] = i;
            m += 1;
        }
        let mut l = [[0.0; MAX]; MAX];
        for r in 0..m {
            for c in 0..=r {
                let dot: f64 = (0..c).map(|k| l[r][k] * l[c][k]).sum();
                let rest = self.h[index[r]][index[c]] - dot;
                if r == c {
                    // A pivot below its own rounding says nothing.
                    if rest.is_nan() || rest <= f64::EPSILON * self.h[index[r]][index[r]].abs() {
                        return None;
                    }
                    l[r][r] = rest.sqrt();
                } else {
                    l[r][c] = rest / l[c][c];
                }
            }
        }
        let solve = |right: &dyn Fn(usize) -> f64| {
            let mut x = [0.0; MAX];
            for r in 0..m {
                let dot: f64 = (0..r).map(|k| l[r][k] * x[k]).sum();
                x[r] = (right(r) - dot) / l[r][r];
            }
            for r in (0..m).rev() {
                let dot: f64 = (r + 1..m).map(|k| l[k][r] * x[k]).sum();
                x[r] = (x[r] - dot) / l[r][r];
            }
            x
        };
        let y = solve(&|r| self.b[index[r]]);
        let z = solve(&|_| 1.0);
        let share = (1.0 - y[..m].iter().sum::<f64>()) / z[..m].iter().sum::<f64>();
        let mut w = [0.0; MAX];
        for r in 0..m {
            w[index[r]] = y[r] + share * z[r];
        }
        Some(w)
    }

    /// The least value of `dᵀHd` over directions d of length one with `Σd = 0`; infinite for one
    /// variable.
    pub fn least_on_sum_zero(&self) -> f64 {
        let n = self.n;
        if n == 1 {
            return f64::INFINITY;
        }
        // An orthonormal basis of the sum-zero space (Helmert's): row k is (1, …, 1, −k, 0, …)/√(k(k+1)).
        let basis = DMatrix::from_fn(n - 1, n, |row, column| {
            let k = (row + 1) as f64;
            let scale = 1.0 / (k * (k + 1.0)).sqrt();
            match column.cmp(&(row + 1)) {
                std::cmp::Ordering::Less => scale,
                std::cmp::Ordering::Equal => -k * scale,
                std::cmp::Ordering::Greater => 0.0,
            }
        });
        let h = DMatrix::from_fn(n, n, |i, j| self.h[i][j]);
        let projected = &basis * h * basis.transpose();
        projected.symmetric_eigenvalues().min()
    }
}

/// Clears rounding from the sum.
fn normalise(w: &mut Vector, n: usize) {
    let sum: f64 = w[..n].iter().sum();
    for value in &mut w[..n] {
        *value /= sum;
    }
}
