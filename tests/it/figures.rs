//! Error figures against a plain count over every vertex and pose.

use std::ops::ControlFlow;

use tanyard::deform::{LayerKind, LayerOptions, Skinning, Stack, Stream};
use tanyard::measure::{Part, Tallies};
use tanyard::report::{ErrorsBy, PoseError};
use tanyard::rig::{Character, JointId, Pose, Shapes, Weights};

use crate::layers::{MUSH, layer};
use crate::plain;
use crate::shapes::{limb, poses, rigid, turn};

/// A limb with two sets of weights, in poses of which some bend much, some little and one nothing.
struct Case {
    character: Character,
    base: Weights,
    capped: Weights,
    layers: [LayerOptions; 1],
    stack: Stack,
    set: Vec<Pose>,
}

impl Case {
    fn new() -> Self {
        let character = limb();
        let base = rigid(&character);
        // More than are summed at once, if all come together.
        let milder = |share: i32| {
            let part = move |pose: Pose| {
                let turns = pose.moves.into_iter();
                let turns = turns.map(|(id, turn)| (id, turn.rotation.powf(0.9f64.powi(share))));
                Pose::new(pose.name, turns)
            };
            poses(&character).into_iter().map(part)
        };
        let mut set: Vec<Pose> = (0..8).flat_map(milder).collect();
        // Sweeps, of which most vertices see nothing, and bind, of which none does.
        set.extend(
            character
                .skeleton
                .ids()
                .map(|id| Pose::new("sweep", vec![(id, turn(30.0, 0.0, 50.0))])),
        );
        set.push(Pose::bind("bind"));
        let layers = [layer(LayerKind::Mush(MUSH))];
        let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, &layers);
        Self {
            capped: stack.spread().capped(2),
            character,
            base,
            layers,
            stack,
            set,
        }
    }

    fn sets(&self) -> [&Weights; 2] {
        [&self.base, &self.capped]
    }

    fn diagonal(&self) -> f64 {
        self.character.surface.diagonal()
    }

    /// Tallies of all poses, added so many blocks at once.
    fn tallies(&self, together: usize) -> Tallies {
        let mut all: Vec<Shapes> = Vec::new();
        let end: ControlFlow<()> = Stream::new(&self.stack, &self.character.skeleton, &self.set)
            .run(1, |shapes, _| {
                all.extend_from_slice(shapes);
                ControlFlow::Continue(())
            });
        assert!(end.is_continue() && all.len() > 12, "{} blocks", all.len());
        let mut tallies = Tallies::new(&self.sets(), self.diagonal(), self.set.len());
        for shapes in all.chunks(together) {
            tallies.add(self.stack.rest(), shapes);
        }
        tallies
    }

    /// The error of some weights at every vertex in every pose, with both.
    fn plain_errors(&self, weights: &Weights) -> Vec<(f64, usize, usize)> {
        let mut errors = Vec::new();
        for (p, pose) in self.set.iter().enumerate() {
            let target = plain::posed(&self.character, &self.base, &self.layers, pose);
            // Weights by themselves are a base without layers.
            let moved = plain::posed(&self.character, weights, &[], pose);
            for (v, (target, moved)) in target.iter().zip(&moved).enumerate() {
                errors.push((100.0 * (moved - target).norm() / self.diagonal(), v, p));
            }
        }
        errors
    }

    /// The joint that each vertex hangs from.
    fn bind(&self) -> Vec<JointId> {
        let heaviest = |v| self.base.of(v).next().expect("a joint a vertex").0;
        (0..self.base.len()).map(heaviest).collect()
    }
}

#[test]
fn rms_p99_max_and_worst_are_those_of_all_vertices_and_poses() {
    let case = Case::new();
    let tallies = case.tallies(2);
    for (index, weights) in case.sets().into_iter().enumerate() {
        let mut errors = case.plain_errors(weights);
        errors.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rms = (errors.iter().map(|e| e.0 * e.0).sum::<f64>() / errors.len() as f64).sqrt();
        // Ninety-nine in a hundred are at or below it.
        let p99 = errors[(errors.len() * 99).div_ceil(100) - 1].0;
        let (max, vertex, pose) = errors[errors.len() - 1];
        let figures = tallies.figures(index);
        // f32 positions: some 1e-5 percent, against figures of a tenth and more.
        assert!(
            (figures.rms / rms - 1.0).abs() < 1e-4,
            "{} for {rms}",
            figures.rms
        );
        assert!(
            (figures.max / max - 1.0).abs() < 1e-4,
            "{} for {max}",
            figures.max
        );
        // Bins are 0.4 % wide and rounded up.
        assert!(
            figures.p99 >= p99 * 0.9999 && figures.p99 <= p99 * 1.005,
            "{} for {p99}",
            figures.p99
        );
        let worst = tallies.worst(index, &case.character.surface.rings, 3);
        assert_eq!((worst[0].vertex, worst[0].pose), (vertex, pose));
        assert!(worst[0].error_percent >= worst[1].error_percent);
        let ring = case.character.surface.rings.of(vertex);
        assert!(
            worst[1..]
                .iter()
                .all(|w| !ring.contains(&(w.vertex as u32)))
        );
    }
}

/// The figures of some errors, which are of so many vertices.
fn part(errors: impl Iterator<Item = f64> + Clone, vertices: usize) -> Part {
    let count = errors.clone().count();
    Part {
        vertices,
        rms: (errors.clone().map(|error| error * error).sum::<f64>() / count as f64).sqrt(),
        max: errors.fold(0.0, f64::max),
    }
}

#[test]
fn errors_by_pose_and_by_joint_are_those_of_a_plain_count() {
    let case = Case::new();
    let tallies = case.tallies(usize::MAX);
    let bind = case.bind();
    let joints = case.character.skeleton.joints().len();
    // f32 positions: some 1e-5 percent, against errors of a tenth and more.
    let near = |found: f64, plain: f64| (found - plain).abs() <= 1e-4 * plain + 1e-5;
    let same = |found: &Part, plain: &Part| {
        found.vertices == plain.vertices && near(found.rms, plain.rms) && near(found.max, plain.max)
    };
    for (index, weights) in case.sets().into_iter().enumerate() {
        let errors = case.plain_errors(weights);
        let by_pose = tallies.by_pose(index);
        assert_eq!(by_pose.len(), case.set.len());
        for (p, found) in by_pose.iter().enumerate() {
            let of_pose = errors.iter().filter(|e| e.2 == p).map(|e| e.0);
            let plain = part(of_pose, bind.len());
            assert!(same(found, &plain), "pose {p}: {found:?} for {plain:?}");
        }
        let by_joint = tallies.by_joint(index, &bind, joints);
        assert_eq!(by_joint.len(), joints);
        for (j, found) in by_joint.iter().enumerate() {
            let has = |v: usize| bind[v].index() == j;
            let of_joint = errors.iter().filter(|e| has(e.1)).map(|e| e.0);
            let plain = part(of_joint, (0..bind.len()).filter(|&v| has(v)).count());
            assert!(same(found, &plain), "joint {j}: {found:?} for {plain:?}");
        }
        // Both are of the same errors as the whole: their squares have its mean.
        let rms = tallies.figures(index).rms;
        let poses: f64 = by_pose.iter().map(|part| part.rms.powi(2)).sum();
        let joints = by_joint
            .iter()
            .map(|part| part.vertices as f64 * part.rms.powi(2));
        // Sums of the same f64 in another order.
        assert!(((poses / by_pose.len() as f64).sqrt() / rms - 1.0).abs() < 1e-9);
        assert!(((joints.sum::<f64>() / bind.len() as f64).sqrt() / rms - 1.0).abs() < 1e-9);
    }
}

#[test]
fn threads_do_not_change_a_bit_of_errors_by_pose_and_by_joint() {
    let case = Case::new();
    let (bind, joints) = (case.bind(), case.character.skeleton.joints().len());
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let pool = pool.expect("the system gives a few threads");
        pool.install(|| {
            let tallies = case.tallies(3 * threads);
            let of = |set| (tallies.by_pose(set), tallies.by_joint(set, &bind, joints));
            (of(0), of(1))
        })
    };
    let one = on(1);
    for threads in [2, 5, 16] {
        assert!(one == on(threads), "{threads} threads");
    }
}

#[test]
fn a_report_lists_the_worst_poses_and_tells_of_all_by_quantiles() {
    let by = |rms: Vec<f64>| {
        ErrorsBy::new(false, Vec::new(), [rms.clone(), rms.clone()], |index| {
            PoseError {
                pose: format!("pose {index}"),
                index,
                rms_percent: rms[index],
                max_percent: rms[index],
                rigid_rms_percent: rms[index],
            }
        })
    };
    // 1 to 40, shuffled; 7 and 40 have no common factor.
    let many = by((0..40).map(|p| f64::from(1 + p * 7 % 40)).collect());
    let worst: Vec<f64> = many.worst_poses.iter().map(|p| p.rms_percent).collect();
    assert_eq!(worst, (21..=40).rev().map(f64::from).collect::<Vec<_>>());
    assert!(
        many.worst_poses
            .iter()
            .all(|p| 1 + p.index * 7 % 40 == p.rms_percent as usize)
    );
    // Of forty, two stand for each twentieth: 2 of 40 are at or below the second.
    let twentieths: Vec<f64> = (1..=20).map(|step| f64::from(2 * step)).collect();
    assert_eq!(
        many.rms_percent_quantiles,
        [&[1.0], &twentieths[..]].concat()
    );
    assert_eq!(many.rigid_rms_percent_quantiles, many.rms_percent_quantiles);

    // Poses that are alike stay in their order, and one stands for all of itself.
    let alike = by(vec![0.5, 0.5, 0.25]);
    let order: Vec<usize> = alike.worst_poses.iter().map(|p| p.index).collect();
    assert_eq!(order, [0, 1, 2]);
    assert_eq!(alike.rms_percent_quantiles[..7], [0.25; 7]);
    assert_eq!(alike.rms_percent_quantiles[7..], [0.5; 14]);
    assert_eq!(by(vec![0.5]).rms_percent_quantiles, [0.5; 21]);
}
