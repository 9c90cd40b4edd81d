//! The rigid motion of helper joints in one pose, from small sums.
//!
//! With helper h at vertex v holding the weight a_hv, the original joints leave `d_v = t_v − Σ_j w_vj·T_j·x_v` for the
//! helpers to make up, and the squared error of a pose is, for x̃ = (x, 1) and 3×4 matrices M_h,
//!
//! ```text
//!   Σ_v |d_v − Σ_h a_hv·M_h·x̃_v|²  =  Σ_hg tr(M_h·A_hg·M_gᵀ) − 2·Σ_h tr(M_h·B_hᵀ) + Σ_v |d_v|²
//!
//!   A_hg = Σ_v a_hv·a_gv·x̃_v·x̃_vᵀ  (4×4, of no pose),      B_h = Σ_v a_hv·d_v·x̃_vᵀ  (3×4)
//! ```
//!
//! So twelve numbers a helper are all that a pose leaves behind. The helpers of a pose are solved in turn, each by the
//! orthogonal Procrustes problem (Schönemann 1966; with weights and without reflections Kabsch 1976), until nothing
//! moves: block coordinate descent as in Le & Deng 2012, *Smooth skinning decomposition with rigid bones*, §4.3
//! (section from memory).
//!
//! A patch may leave a motion open: one that is thin, or round, turns about its axis at no cost. A ball of points
//! around the helper, of a small share of its mass, that moves with the parent decides what the patch does not.

use nalgebra::{
    Isometry3, Matrix3, Matrix3x4, Matrix4, Rotation3, Translation3, UnitQuaternion, Vector3,
    Vector4,
};

/// The mass of the ball that moves with the parent, as a share of that of the patch.
pub const HELD: f64 = 1e-2;

/// Turns over the helpers of a pose, at most.
const MOST_TURNS: usize = 12;

/// A turn that gains less than this share of the first one is the last.
const SETTLED: f64 = 1e-3;

/// `A_hg` of all helpers that share vertices.
#[derive(Clone, Debug, Default)]
pub(super) struct Moments {
    /// For each helper its own moments, with its ball.
    own: Vec<Matrix4<f64>>,
    /// The ball alone.
    balls: Vec<Matrix4<f64>>,
    /// For each helper the others that it shares vertices with.
    shared: Vec<Vec<(usize, Matrix4<f64>)>>,
}

/// The helpers at a vertex, with their weights.
pub(super) type Coupled = Vec<(usize, f64)>;

impl Moments {
    /// From bind positions about the centre, each with its helpers and their weights. Helpers that have none yet are
    /// `alone`: helper, position and what it counts. `balls` are the centre and the radius of each helper's patch.
    pub fn new<'a>(
        coupled: impl Iterator<Item = ([f32; 3], &'a Coupled)>,
        alone: impl Iterator<Item = (usize, [f32; 3], f64)>,
        balls: &[(Vector3<f64>, f64)],
    ) -> Self {
        let count = balls.len();
        let mut own = vec![Matrix4::zeros(); count];
        let mut shared: Vec<Vec<(usize, Matrix4<f64>)>> = vec![Vec::new(); count];
        for (at, helpers) in coupled.filter(|entry| !entry.1.is_empty()) {
            let x = extended(at);
            let square = x * x.transpose();
            for &(h, a) in helpers {
                own[h] += square * (a * a);
                for &(g, b) in helpers.iter().filter(|entry| entry.0 != h) {
                    let moments = square * (a * b);
                    match shared[h].iter_mut().find(|entry| entry.0 == g) {
                        Some(entry) => entry.1 += moments,
                        None => shared[h].push((g, moments)),
                    }
                }
            }
        }
        for (h, at, share) in alone {
            let x = extended(at);
            own[h] += x * x.transpose() * share;
        }
        let balls: Vec<_> = (own.iter().zip(balls))
            .map(|(own, &(centre, radius))| ball(centre, radius) * (HELD * own[(3, 3)]))
            .collect();
        let mut moments = Self { own, balls, shared };
        for (own, ball) in moments.own.iter_mut().zip(&moments.balls) {
            *own += ball;
        }
        moments
    }

    /// Other balls in place of the usual ones: of these shares of the masses of patches.
    pub fn hold(&mut self, shares: &[f64]) {
        for ((own, ball), share) in self.own.iter_mut().zip(&mut self.balls).zip(shares) {
            *own += *ball * (share / HELD - 1.0);
            *ball *= share / HELD;
        }
    }

    /// Solves the motions of one pose. `pulls` are the B of all helpers, `parents` the matrices of their parents, and
    /// `motions` where they start from.
    pub fn solve(
        &self,
        active: &[bool],
        pulls: &[Matrix3x4<f64>],
        parents: &[Matrix4<f64>],
        motions: &mut [Matrix3x4<f64>],
    ) {
        let helpers: Vec<usize> = (0..motions.len())
            .filter(|&h| active[h] && self.own[h][(3, 3)] > 0.0)
            .collect();
        let frames: Vec<Option<Frame>> = (0..motions.len())
            .map(|h| Frame::new(&parents[h]))
            .collect();
        let mut first = 0.0;
        for turn in 0..MOST_TURNS {
            let mut gained = 0.0;
            for &h in &helpers {
                let mut goal = pulls[h] + rows(&parents[h]) * self.balls[h];
                for (g, moments) in &self.shared[h] {
                    goal -= motions[*g] * moments;
                }
                let value = |m: &Matrix3x4<f64>| (m * self.own[h]).dot(m) - 2.0 * m.dot(&goal);
                let frame = frames[h].as_ref();
                let Some(found) = frame.and_then(|frame| frame.closest(&self.own[h], &goal)) else {
                    continue;
                };
                // Where a parent scales by axis the problem solved is another one, and may not pay.
                let gain = value(&motions[h]) - value(&found);
                if gain > 0.0 {
                    gained += gain;
                    motions[h] = found;
                }
            }
            if turn == 0 {
                first = gained;
            }
            if helpers.len() < 2 || gained <= SETTLED * first {
                break;
            }
        }
    }

    /// How far a motion is from another, squared, summed over the patch of a helper.
    pub fn apart(&self, helper: usize, a: &Matrix3x4<f64>, b: &Matrix3x4<f64>) -> f64 {
        let between = a - b;
        (between * self.own[helper]).dot(&between)
    }
}

/// A parent's matrix, ready to take motions into its frame.
struct Frame {
    linear: Matrix3<f64>,
    inverse: Matrix3<f64>,
    origin: Vector3<f64>,
}

impl Frame {
    fn new(parent: &Matrix4<f64>) -> Option<Self> {
        let linear: Matrix3<f64> = parent.fixed_view::<3, 3>(0, 0).into();
        Some(Self {
            linear,
            inverse: linear.try_inverse()?,
            origin: parent.fixed_view::<3, 1>(0, 3).into(),
        })
    }

    /// The M = parent · rigid motion that minimises `tr(M·A·Mᵀ) − 2·tr(M·Cᵀ)`: exactly where the parent turns and
    /// scales evenly.
    fn closest(&self, moments: &Matrix4<f64>, goal: &Matrix3x4<f64>) -> Option<Matrix3x4<f64>> {
        let mass = moments[(3, 3)];
        let first: Vector3<f64> = moments.fixed_view::<3, 1>(0, 3).into();
        // C in the parent's frame: there the motion is rigid.
        let goal = self.inverse * (goal - self.origin * moments.row(3));
        let at: Vector3<f64> = goal.column(3).into();
        let spread = goal.fixed_view::<3, 3>(0, 0) - at * first.transpose() / mass;
        let turn = closest_rotation(&spread)?;
        let shift = (at - turn * first) / mass;
        let mut motion = Matrix3x4::zeros();
        motion
            .fixed_view_mut::<3, 3>(0, 0)
            .copy_from(&(self.linear * turn));
        motion
            .fixed_view_mut::<3, 1>(0, 3)
            .copy_from(&(self.linear * shift + self.origin));
        Some(motion)
    }
}

/// The rotation R that maximises tr(R·Kᵀ), for the K given (Kabsch 1976); `None` if K is not finite.
fn closest_rotation(k: &Matrix3<f64>) -> Option<Matrix3<f64>> {
    let svd = k.try_svd(true, true, f64::EPSILON, 500)?;
    let (mut u, v_t) = (svd.u?, svd.v_t?);
    if (u * v_t).determinant() < 0.0 {
        let least = svd.singular_values.imin();
        let flipped = -u.column(least);
        u.set_column(least, &flipped);
    }
    Some(u * v_t)
}

/// Second moments of a ball of mass one about a centre: as of points a radius away along each axis.
fn ball(centre: Vector3<f64>, radius: f64) -> Matrix4<f64> {
    let x = Vector4::new(centre.x, centre.y, centre.z, 1.0);
    let mut moments = x * x.transpose();
    for i in 0..3 {
        moments[(i, i)] += radius * radius / 3.0;
    }
    moments
}

pub(super) fn extended(at: [f32; 3]) -> Vector4<f64> {
    let [x, y, z] = at.map(f64::from);
    Vector4::new(x, y, z, 1.0)
}

pub(super) fn rows(matrix: &Matrix4<f64>) -> Matrix3x4<f64> {
    matrix.fixed_view::<3, 4>(0, 0).into()
}

/// What moves from a parent's motion to another one, as a rigid motion: `parent⁻¹ · motion`.
pub(super) fn relative(parent: &Matrix4<f64>, motion: &Matrix3x4<f64>) -> Option<Isometry3<f64>> {
    let frame = Frame::new(parent)?;
    let turn: Matrix3<f64> = frame.inverse * motion.fixed_view::<3, 3>(0, 0);
    let shift: Vector3<f64> = motion.column(3).into();
    let turn = closest_rotation(&turn)?;
    let turn = UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn));
    let shift = Translation3::from(frame.inverse * (shift - frame.origin));
    Some(Isometry3::from_parts(shift, turn))
}
