//! Small convex quadratic programs on the simplex: minimise `wᵀHw − 2bᵀw` with `w ≥ 0`, `Σw = 1`.
//!
//! A primal active set after Lawson & Hanson 1974, *Solving Least Squares Problems*, ch. 23 (NNLS),
//! with the sum constraint carried through every step. H must be positive definite on the joints in
//! play; callers add a ridge. Work is on the stack, sizes are at most
//! [`MAX_CANDIDATES`](super::MAX_CANDIDATES).

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

/// A start that keeps less of a larger minimum than this is no start.
const LEAST_START: f64 = 1e-6;

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

    /// Adds `weight · (w_i − w_j)²`, or `weight · w_i²` for no j.
    pub fn tie(&mut self, weight: f64, i: usize, j: Option<usize>) {
        self.h[i][i] += weight;
        if let Some(j) = j {
            self.h[j][j] += weight;
            self.h[i][j] -= weight;
            self.h[j][i] -= weight;
        }
    }

    /// Adds another form whose variable `places[i]` is this one's i.
    pub fn add(&mut self, other: &Self, places: &[usize; MAX]) {
        for i in 0..self.n {
            for j in 0..self.n {
                self.h[i][j] += other.h[places[i]][places[j]];
            }
            self.b[i] += other.b[places[i]];
        }
    }

    /// The form in `n` variables that stand for groups of these: group `groups[i]` of variable i shares its
    /// weight evenly among its `sizes`.
    pub fn grouped(&self, n: usize, groups: &[usize; MAX], sizes: &super::subset::Sizes) -> Self {
        let mut form = Self::zero(n);
        let share = |i: usize| 1.0 / f64::from(sizes[groups[i]]);
        for i in 0..self.n {
            for j in 0..self.n {
                form.h[groups[i]][groups[j]] += share(i) * share(j) * self.h[i][j];
            }
            form.b[groups[i]] += share(i) * self.b[i];
        }
        form
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
        self.half_gradient_of(self.n, w)
    }

    #[inline(always)]
    fn half_gradient_of(&self, n: usize, w: &Vector) -> Vector {
        let mut g = [0.0; MAX];
        for i in 0..n {
            g[i] = (0..n).map(|j| self.h[i][j] * w[j]).sum::<f64>() - self.b[i];
        }
        g
    }

    pub(super) fn magnitude(&self) -> f64 {
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
        let allowed = allowed & self.all();
        debug_assert!(allowed != 0);
        let start = (0..self.n)
            .filter(|&i| allowed >> i & 1 == 1)
            .min_by(|&i, &j| {
                (self.h[i][i] - 2.0 * self.b[i]).total_cmp(&(self.h[j][j] - 2.0 * self.b[j]))
            })
            .unwrap_or(0);
        let mut w = [0.0; MAX];
        w[start] = 1.0;
        self.descend(allowed, w)
    }

    /// The same, from the minimum over a larger set: a step or two where that is near.
    pub fn minimum_from(&self, larger: &Minimum, allowed: Set) -> Minimum {
        let allowed = allowed & self.all();
        let mut w = larger.w;
        (0..MAX)
            .filter(|&i| allowed >> i & 1 == 0)
            .for_each(|i| w[i] = 0.0);
        let sum: f64 = w[..self.n].iter().sum();
        // What little is left would be lifted far beyond its rounding.
        if sum < LEAST_START {
            return self.minimum(allowed);
        }
        w[..self.n].iter_mut().for_each(|value| *value /= sum);
        self.descend(allowed, w)
    }

    /// The minimum from a start on the simplex of the variables in `allowed`.
    fn descend(&self, allowed: Set, start: Vector) -> Minimum {
        // The common sizes by themselves: loops of known length.
        match self.n {
            2 => self.descend_in(2, allowed, start),
            3 => self.descend_in(3, allowed, start),
            4 => self.descend_in(4, allowed, start),
            5 => self.descend_in(5, allowed, start),
            6 => self.descend_in(6, allowed, start),
            n => self.descend_in(n, allowed, start),
        }
    }

    #[inline(always)]
    fn descend_in(&self, n: usize, allowed: Set, mut w: Vector) -> Minimum {
        let tolerance = DUAL_TOLERANCE * self.magnitude();
        let mut passive = Minimum { w, value: 0.0 }.support();
        // Variables that came in and went straight out again: rounding, not descent.
        let mut barred: Set = 0;
        let mut newcomer = None;
        // A start of several variables is first made the minimum over them.
        let mut settled = passive.count_ones() == 1;
        // Lawson & Hanson's finiteness argument bounds the steps; rounding could defeat it, so count.
        for _ in 0..8 * MAX {
            if settled {
                let g = self.half_gradient_of(n, &w);
                let multiplier: f64 = (0..n).map(|i| w[i] * g[i]).sum();
                newcomer = (0..n)
                    .filter(|&i| (allowed & !passive & !barred) >> i & 1 == 1)
                    .min_by(|&i, &j| g[i].total_cmp(&g[j]))
                    .filter(|&i| g[i] < multiplier - tolerance);
                let Some(entering) = newcomer else { break };
                passive |= 1 << entering;
            }
            settled = true;
            loop {
                let Some(next) = self.equality_minimum(n, passive) else {
                    // Not positive definite to rounding: do without the newcomer, or one of the start.
                    let out = newcomer.unwrap_or_else(|| lightest(&w, passive));
                    passive &= !(1 << out);
                    barred |= 1 << out;
                    if newcomer.is_none() {
                        w[out] = 0.0;
                        normalise(&mut w, n);
                        settled = passive.count_ones() == 1;
                    }
                    break;
                };
                let blocking = (0..n)
                    .filter(|&i| passive >> i & 1 == 1 && next[i] <= 0.0)
                    .map(|i| (w[i] / (w[i] - next[i]).max(f64::MIN_POSITIVE), i))
                    .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
                let Some((step, leaving)) = blocking else {
                    w = next;
                    barred = 0;
                    break;
                };
                for i in 0..n {
                    w[i] += step * (next[i] - w[i]);
                }
                w[leaving] = 0.0;
                passive &= !(1 << leaving);
                if newcomer == Some(leaving) {
                    barred |= 1 << leaving;
                }
                for i in 0..n {
                    if w[i] <= 0.0 || passive >> i & 1 == 0 {
                        w[i] = 0.0;
                        if newcomer != Some(i) {
                            passive &= !(1 << i);
                        }
                    }
                }
                if newcomer == Some(leaving) {
                    break;
                }
            }
        }
        normalise(&mut w, n);
        Minimum {
            w,
            value: self.value(&w),
        }
    }

    /// The minimum with `Σw = 1` over the variables of a set, whatever the signs; `None` if H is not
    /// positive definite there. By Cholesky: with `Hy = b` and `Hz = 1`, `w = y + z·(1 − Σy)/Σz`.
    #[inline(always)]
    fn equality_minimum(&self, n: usize, set: Set) -> Option<Vector> {
        let mut index = [0; MAX];
        let mut m = 0;
        for i in (0..n).filter(|&i| set >> i & 1 == 1) {
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
        let solve = |right: Vector| {
            let mut x = [0.0; MAX];
            for r in 0..m {
                let dot: f64 = (0..r).map(|k| l[r][k] * x[k]).sum();
                x[r] = (right[r] - dot) / l[r][r];
            }
            for r in (0..m).rev() {
                let dot: f64 = (r + 1..m).map(|k| l[k][r] * x[k]).sum();
                x[r] = (x[r] - dot) / l[r][r];
            }
            x
        };
        let y = solve(index.map(|i| self.b[i]));
        let z = solve([1.0; MAX]);
        let share = (1.0 - y[..m].iter().sum::<f64>()) / z[..m].iter().sum::<f64>();
        let mut w = [0.0; MAX];
        for r in 0..m {
            w[index[r]] = y[r] + share * z[r];
        }
        Some(w)
    }

    /// Whether `dᵀHd ≥ least·|d|²` for all directions d with `Σd = 0`: whether `H − least` is positive
    /// definite on differences to the last variable, by Cholesky.
    pub fn is_at_least_on_sum_zero(&self, least: f64) -> bool {
        let last = self.n - 1;
        let at = |i: usize, j: usize| self.h[i][j] - if i == j { least } else { 0.0 };
        let mut l = [[0.0; MAX]; MAX];
        for r in 0..last {
            for c in 0..=r {
                let dot: f64 = (0..c).map(|k| l[r][k] * l[c][k]).sum();
                let rest = at(r, c) - at(r, last) - at(last, c) + at(last, last) - dot;
                if r > c {
                    l[r][c] = rest / l[c][c];
                } else if rest > 0.0 {
                    l[r][r] = rest.sqrt();
                } else {
                    return false;
                }
            }
        }
        true
    }
}

fn lightest(w: &Vector, set: Set) -> usize {
    (0..MAX)
        .filter(|&i| set >> i & 1 == 1)
        .min_by(|&i, &j| w[i].total_cmp(&w[j]))
        .unwrap_or(0)
}

/// Clears rounding from the sum.
fn normalise(w: &mut Vector, n: usize) {
    let sum: f64 = w[..n].iter().sum();
    for value in &mut w[..n] {
        *value /= sum;
    }
}
