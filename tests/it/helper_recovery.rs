//! Helper joints that made a shape are found again from the shape.

use nalgebra::{Isometry3, Matrix4, Translation3, UnitQuaternion, Vector3};
use std::sync::Arc;
use tanyard::fit::helpers::{HelperFit, HelperOptions, Plain};
use tanyard::fit::{self, Candidates, Gram};
use tanyard::rig::{
    Block, JointId, JointSpec, LANES, Point, Pose, Shapes, Skeleton, Surface, Targets, Weights,
};

use crate::shapes::{chain, tube, turn};

const OPTIONS: fit::Options = fit::Options {
    influences: 4,
    smoothness: 0.0,
    hold_percent: 1e-4,
    prune: 0.0,
    steps: 1 << 24,
};

const POSES: usize = 64;

/// A tube that two joints and two hidden helpers move.
struct Hidden {
    skeleton: Skeleton,
    surface: Surface,
    poses: Vec<Pose>,
    /// Where each vertex is in each pose.
    wanted: Vec<Vec<Vector3<f64>>>,
}

/// Where the helpers rest, and the joint that each hangs from.
const PLACES: [([f64; 3], usize); 2] = [([1.6, 0.3, 0.0], 0), ([2.5, -0.3, 0.0], 1)];

/// No farther from its place does a helper move a vertex: within what a patch of the fit reaches, which is a fifth of
/// the diagonal along the surface.
const RADIUS: f64 = 0.7;

/// Within this distance the surface follows it alone.
const WHOLE: f64 = 0.3;

/// Helpers that the fit may take, twice the hidden ones: it places two at a time where most is left, and may set both
/// of the first beside the one that moves the surface more.
const COUNT: usize = 4;

impl Hidden {
    fn new() -> Self {
        let skeleton = chain(&[0.0, 2.0]);
        let surface = tube(4.0, 0.3, 48, 16);
        let wave = |pose: usize, rate: f64| (1.0 + rate * pose as f64).sin();
        let poses: Vec<Pose> = (0..POSES)
            .map(|p| {
                let root = turn(20.0 * wave(p, 0.9), 15.0 * wave(p, 1.7), 0.0);
                let elbow = turn(
                    50.0 * wave(p, 2.3),
                    60.0 * wave(p, 1.1),
                    70.0 * wave(p, 0.53),
                );
                Pose::new(
                    format!("pose {p}"),
                    [(JointId(0), root), (JointId(1), elbow)],
                )
            })
            .collect();
        let rows = (0..surface.len()).map(|v| Self::weights(surface.point(v).coords));
        let rows: Vec<[f64; 4]> = rows.collect();
        let wanted = poses.iter().map(|pose| {
            let matrices = Self::matrices(&skeleton, pose);
            let place = |(v, row): (usize, &[f64; 4])| -> Vector3<f64> {
                let moved = matrices.iter().zip(row);
                moved
                    .map(|(m, w)| m.transform_point(&surface.point(v)).coords * *w)
                    .sum()
            };
            rows.iter().enumerate().map(place).collect()
        });
        Self {
            wanted: wanted.collect(),
            skeleton,
            surface,
            poses,
        }
    }

    /// Two joints that share the tube smoothly, and above them the helpers.
    fn weights(at: Vector3<f64>) -> [f64; 4] {
        let helpers = PLACES.map(|(place, _)| {
            let far = (at - Vector3::from(place)).norm();
            let in_reach = ((RADIUS - far) / (RADIUS - WHOLE)).clamp(0.0, 1.0);
            in_reach * in_reach * (3.0 - 2.0 * in_reach)
        });
        let left = 1.0 - helpers[0] - helpers[1];
        let along = ((at.x - 1.4) / 1.2).clamp(0.0, 1.0);
        let second = along * along * (3.0 - 2.0 * along);
        [left * (1.0 - second), left * second, helpers[0], helpers[1]]
    }

    /// Of the joints, and of the helpers: these slide and turn as the elbow turns.
    fn matrices(skeleton: &Skeleton, pose: &Pose) -> [Matrix4<f64>; 4] {
        let joints = skeleton.skinning_matrices(pose);
        let elbow = pose.of(JointId(1)).expect("it turns").rotation;
        let slid = |axis: Vector3<f64>, share: f64| share * (elbow * axis - axis);
        let own = [
            (slid(Vector3::x(), 0.25), elbow.powf(0.4)),
            (slid(Vector3::y(), -0.2), elbow.powf(-0.3)),
        ];
        let helper = |h: usize| {
            let (place, parent) = PLACES[h];
            let (slide, turn): (Vector3<f64>, UnitQuaternion<f64>) = own[h];
            let back = Translation3::from(Vector3::from(place));
            let motion =
                Isometry3::from_parts(Translation3::from(slide) * back, turn) * back.inverse();
            joints[parent] * motion.to_homogeneous()
        };
        [joints[0], joints[1], helper(0), helper(1)]
    }

    /// The shapes in blocks; `skeleton` may have helpers, which `poses` move.
    fn shapes(&self, skeleton: &Skeleton, poses: &[Pose], centre: [f64; 3]) -> Vec<Shapes> {
        let numbers: Vec<usize> = (0..poses.len()).collect();
        let all: Arc<[u32]> = (0..self.surface.len() as u32).collect();
        let bodies: Arc<[u32]> = (0..skeleton.joints().len() as u32).collect();
        let block = |numbers: &[usize]| {
            let chunk: Vec<&Pose> = numbers.iter().map(|&p| &poses[p]).collect();
            let target = |v: usize| {
                let mut point = Point::ZERO;
                for lane in 0..LANES {
                    let at = self.wanted[numbers[lane.min(numbers.len() - 1)]][v];
                    point.x[lane] = (at.x - centre[0]) as f32;
                    point.y[lane] = (at.y - centre[1]) as f32;
                    point.z[lane] = (at.z - centre[2]) as f32;
                }
                point
            };
            Shapes {
                block: Block::new(skeleton, &chunk, centre),
                poses: numbers.to_vec(),
                vertices: Arc::clone(&all),
                bodies: Arc::clone(&bodies),
                targets: Targets::Known((0..self.surface.len()).map(target).collect()),
            }
        };
        numbers.chunks(LANES).map(block).collect()
    }

    /// The Gram matrices over some candidates.
    fn gram(&self, candidates: Candidates, rest: &[[f32; 3]], shapes: &[Shapes]) -> Gram {
        let mut gram = Gram::new(candidates, self.surface.diagonal());
        gram.add(rest, shapes);
        gram.count(self.poses.len() as f64);
        gram
    }

    /// Root mean square and greatest distance from what was wanted, in percent of the diagonal.
    fn apart(&self, skeleton: &Skeleton, poses: &[Pose], weights: &Weights) -> (f64, f64) {
        let (mut sum, mut most) = (0.0, 0.0f64);
        for (pose, wanted) in poses.iter().zip(&self.wanted) {
            let matrices = skeleton.skinning_matrices(pose);
            for (v, wanted) in wanted.iter().enumerate() {
                let at = self.surface.point(v);
                let moved = weights
                    .of(v)
                    .map(|(id, w)| matrices[id.index()].transform_point(&at).coords * f64::from(w));
                let square = (moved.sum::<Vector3<f64>>() - wanted).norm_squared();
                (sum, most) = (sum + square, most.max(square));
            }
        }
        let count = (self.poses.len() * self.surface.len()) as f64;
        let percent = |square: f64| 100.0 * square.sqrt() / self.surface.diagonal();
        (percent(sum / count), percent(most))
    }
}

/// What the fit may leave of the error of joints alone, as a share of the root mean square and of the greatest distance:
/// with the true helpers nothing would be left. Weights and motions are solved in turn, which closes in slowly, and the
/// fit ends after twelve turns or once one gains less than half a percent. It leaves half of these.
const LEFT: (f64, f64) = (0.1, 0.4);

#[test]
fn shapes_that_hidden_helpers_made_come_back() {
    let hidden = Hidden::new();
    let (surface, skeleton) = (&hidden.surface, &hidden.skeleton);
    let centre = surface.centre();
    let rest: Vec<[f32; 3]> = (surface.positions.iter())
        .map(|p| std::array::from_fn(|i| (f64::from(p[i]) - centre[i]) as f32))
        .collect();
    let bind: Vec<JointId> = (surface.positions.iter())
        .map(|p| JointId(u16::from(p[0] > 2.0)))
        .collect();
    let base = Weights::rigid(&bind);
    let both = [(JointId(0), 1.0), (JointId(1), 0.5)];
    let candidates = Candidates::new((0..surface.len()).map(|_| &both[..]), 0.0);
    let shapes = hidden.shapes(skeleton, &hidden.poses, centre);
    let gram = hidden.gram(candidates.clone(), &rest, &shapes);
    let solver = fit::Solver::new(&gram, surface, &base, None, None, &OPTIONS);
    let (weights, errors) = (solver.weights(), solver.errors());
    let without = hidden.apart(skeleton, &hidden.poses, &weights);

    let asked = HelperOptions {
        count: COUNT,
        error_percent: None,
        regions: Vec::new(),
    };
    let plain = Plain {
        surface,
        skeleton,
        rest: &rest,
        base: &base,
        candidates: &candidates,
        mirror: None,
        kept: None,
        options: &OPTIONS,
    };
    let mut fit = HelperFit::new(plain, &asked, &weights, errors, (POSES, POSES as f64));
    while fit.begin() {
        fit.add(&shapes);
        fit.end();
    }
    let course = fit.course().to_vec();
    let helped = fit.finish(&hidden.poses, centre).expect("helpers");
    assert_eq!(helped.helpers.len(), COUNT);

    // Joints and poses with the helpers, and weights for them: from here on as any skin.
    let middle = Vector3::from(centre);
    let specs: Vec<JointSpec> = (helped.helpers.iter().enumerate())
        .map(|(h, helper)| {
            let mut world = skeleton.joint(helper.parent).bind_world;
            let place = Vector3::from(helper.place) + middle;
            world.fixed_view_mut::<3, 1>(0, 3).copy_from(&place);
            JointSpec {
                name: format!("helper {h}"),
                node: 2 + h,
                parent: Some(helper.parent.index()),
                inverse_bind: world.try_inverse().expect("a rigid matrix has an inverse"),
            }
        })
        .collect();
    let grown = skeleton.with_joints(&specs).expect("there is room");
    let to = Translation3::from(middle);
    let posed: Vec<Pose> = (hidden.poses.iter().enumerate())
        .map(|(p, pose)| {
            let own = (0..helped.helpers.len()).map(|h| {
                let motion = to * helped.motions[h][p] * to.inverse();
                let id = JointId(2 + h as u16);
                let own = grown.rigid_move(id, &motion.to_homogeneous());
                (id, own.expect("a rigid motion"))
            });
            Pose::new(pose.name.clone(), pose.moves.iter().copied().chain(own))
        })
        .collect();
    let shapes = hidden.shapes(&grown, &posed, centre);
    let gram = hidden.gram(helped.candidates, &rest, &shapes);
    let fitted = fit::solve(&gram, surface, &base, None, None, &OPTIONS);
    let with = hidden.apart(&grown, &posed, &fitted.weights);
    println!(
        "rms and most, % of the diagonal: {without:?} by joints alone, {with:?} with helpers; {course:?}"
    );
    assert!(with.0 < LEFT.0 * without.0, "{with:?} against {without:?}");
    assert!(with.1 < LEFT.1 * without.1, "{with:?} against {without:?}");
    // The result is that of the best turn, and its figure is true.
    let least = course.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(with.0 < 1.01 * least, "{} and {least}", with.0);
    // They stand where the hidden ones moved the surface.
    for (place, _) in PLACES {
        let near = |helper: &tanyard::fit::helpers::Helper| {
            (Vector3::from(helper.place) + middle - Vector3::from(place)).norm() < RADIUS
        };
        assert!(helped.helpers.iter().any(near), "none near {place:?}");
    }
}
