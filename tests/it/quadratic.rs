//! The simplex QP against a general interior-point solver from the registry (clarabel: Goulart & Chen
//! 2024, *Clarabel: an interior-point solver for conic programs with quadratic objectives*), and the
//! choice of K against brute force.

use clarabel::algebra::CscMatrix;
use clarabel::solver::{
    DefaultSettingsBuilder, DefaultSolver, IPSolver, NonnegativeConeT, ZeroConeT,
};
use tanyard::fit::quadratic::{Minimum, Quadratic, Vector};
use tanyard::fit::round_to_grid;
use tanyard::fit::subset::{SINGLE, Search, Sizes, size};

/// A seeded sequence of numbers in [-1, 1] (an LCG with the constants of Knuth's MMIX).
struct Random(u64);

impl Random {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (self.0 >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    }

    /// H = AᵀA + ridge, A with `rank` rows: singular but for the ridge if rank < n.
    fn form(&mut self, n: usize, rank: usize, ridge: f64) -> Quadratic {
        let rows: Vec<Vec<f64>> = (0..rank)
            .map(|_| (0..n).map(|_| self.next()).collect())
            .collect();
        let mut form = Quadratic::zero(n);
        for i in 0..n {
            for j in i..n {
                form.set(i, j, rows.iter().map(|row| row[i] * row[j]).sum());
            }
        }
        let toward: Vec<f64> = (0..n).map(|i| f64::from(u8::from(i == 0))).collect();
        form.pull_toward(ridge, &toward);
        form
    }
}

/// The least value of `wᵀHw − 2bᵀw` on the simplex, by clarabel.
fn reference(form: &Quadratic, toward_first: f64) -> f64 {
    let n = form.len();
    // Clarabel minimises ½xᵀPx + qᵀx with the upper triangle of P.
    let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
    for j in 0..n {
        for i in 0..=j {
            rows.push(i);
            values.push(2.0 * form.get(i, j));
        }
        starts.push(rows.len());
    }
    let p = CscMatrix::new(n, n, starts, rows, values);
    let mut q = vec![0.0; n];
    q[0] = -2.0 * toward_first;
    // Σw = 1, then −w ≤ 0.
    let (mut starts, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
    for j in 0..n {
        rows.extend([0, 1 + j]);
        values.extend([1.0, -1.0]);
        starts.push(rows.len());
    }
    let a = CscMatrix::new(n + 1, n, starts, rows, values);
    let mut b = vec![0.0; n + 1];
    b[0] = 1.0;
    let settings = DefaultSettingsBuilder::default()
        .verbose(false)
        .tol_gap_abs(1e-12)
        .tol_gap_rel(1e-12)
        .tol_feas(1e-12)
        .build()
        .expect("settings are valid");
    let cones = [ZeroConeT(1), NonnegativeConeT(n)];
    let mut solver =
        DefaultSolver::new(&p, &q, &a, &b, &cones, settings).expect("the problem is well formed");
    solver.solve();
    solver.solution.obj_val
}

#[test]
fn minimum_equals_the_reference_on_random_and_degenerate_forms() {
    let mut random = Random(1);
    let mut worst: f64 = 0.0;
    for round in 0..3000 {
        let n: usize = 1 + round % 16;
        // From a single pose axis to far more equations than joints.
        let rank = [1, 2, n.div_ceil(2), n, 3 * n][round % 5];
        let ridge = [1e-8, 1e-4, 1e-1][round % 3];
        let form = random.form(n, rank, ridge);
        let ours = form.minimum(form.all());
        let expected = reference(&form, ridge);
        // Relative to the size of the form: at the minimum the value itself may cancel to nothing.
        let size = (0..n).map(|i| form.get(i, i)).fold(ridge, f64::max);
        let gap = (ours.value - expected) / size;
        worst = worst.max(gap.abs());
        assert!(
            gap < 1e-8,
            "round {round}: {} against {expected}, n = {n}, rank {rank}",
            ours.value
        );
        let sum: f64 = ours.w.iter().sum();
        assert!(
            (sum - 1.0).abs() < 1e-14 && ours.w.iter().all(|&w| w >= 0.0),
            "round {round}"
        );
        let residual = form.kkt_residual(&ours.w, form.all());
        assert!(residual < 1e-9, "round {round}: KKT residual {residual}");
    }
    println!("3000 forms, greatest gap {worst:.1e} of the form's size");
}

#[test]
fn joints_that_move_alike_share_no_more_than_the_hold_says() {
    // Two identical columns: any split has the same error, the hold picks the base's.
    let mut form = Quadratic::zero(3);
    for (i, j, value) in [(0, 0, 1.0), (0, 1, 1.0), (1, 1, 1.0), (2, 2, 4.0)] {
        form.set(i, j, value);
    }
    form.pull_toward(1e-8, &[1.0, 0.0, 0.0]);
    let w = form.minimum(form.all()).w;
    // Minimum of w₀² + 4w₂² on w₀ + w₂ = 1 by hand: w₀ = 0.8; w₁ = 0 by the hold.
    assert!(
        (w[0] - 0.8).abs() < 1e-6 && w[1] < 1e-6 && (w[2] - 0.2).abs() < 1e-6,
        "{w:?}"
    );
}

/// One to eight variables of one joint or two; the first of one, so that any number of joints suffices.
fn sizes(round: usize) -> Sizes {
    std::array::from_fn(|i| {
        if i > 0 && (round / 3 + i).is_multiple_of(2) {
            2
        } else {
            1
        }
    })
}

#[test]
fn best_subset_equals_brute_force() {
    let mut random = Random(2);
    for round in 0..600 {
        let n = 2 + round % 8;
        let influences = 1 + round % 4;
        let form = random.form(n, [2, n, 2 * n][round % 3], 1e-8);
        let sizes = if round % 2 == 0 { SINGLE } else { sizes(round) };
        let best = Search::default().best(&form, &sizes, influences, form.minimum(form.all()));
        assert!(best.proved);
        assert!(size(best.minimum.support(), &sizes) <= influences);
        let brute = (1u32..1 << n)
            .filter(|&set| size(set, &sizes) <= influences)
            .map(|set| form.minimum(set).value)
            .fold(f64::INFINITY, f64::min);
        let gap = (best.minimum.value - brute).abs();
        // Rounding of values near one.
        assert!(
            gap < 1e-12,
            "round {round}: {} against {brute}",
            best.minimum.value
        );
    }
}

#[test]
fn rounding_sums_exactly_and_is_best_among_neighbouring_roundings() {
    let mut random = Random(3);
    for round in 0..400 {
        let n = 2 + round % 7;
        let steps = [255, 65_535, 1 << 24][round % 3];
        let form = random.form(n, 2 * n, 1e-8);
        let sizes = if round % 2 == 0 { SINGLE } else { sizes(round) };
        let w = form.minimum(form.all()).w;
        let support = Minimum { w, value: 0.0 }.support();
        // Odd numbers of steps need a variable of one joint.
        let used = support | u32::from(round % 2 == 1);
        let counts = round_to_grid(&form, &w, used, &sizes, steps);
        let total = |counts: &[u32]| -> u32 {
            let each = counts.iter().zip(sizes);
            each.map(|(&count, size)| count * u32::from(size)).sum()
        };
        assert_eq!(total(&counts), steps, "round {round}");
        let value = |counts: &[u32]| {
            let mut w: Vector = [0.0; 16];
            for (i, &count) in counts.iter().enumerate() {
                w[i] = f64::from(count * u32::from(sizes[i])) / f64::from(steps);
            }
            form.value(&w)
        };
        let ours = value(&counts);
        for choice in 0..1u32 << n {
            let mut other = [0u32; 16];
            for i in (0..n).filter(|&i| used >> i & 1 == 1) {
                let each = w[i] / f64::from(sizes[i]) * f64::from(steps);
                other[i] = each.floor() as u32 + (choice >> i & 1);
            }
            if total(&other) == steps {
                assert!(
                    ours <= value(&other),
                    "round {round}: a better rounding was left out"
                );
            }
        }
    }
}
