//! What must hold for every input: weights on the simplex, exact sums, no dependence on order, scale or
//! threads.

use proptest::prelude::*;
use tanyard::deform::{LayerKind, Skinning, Stack};
use tanyard::fit::{self, Options};
use tanyard::pose::pose_set;
use tanyard::rig::{Character, JointId, JointSpec, Pose, PoseSequence, Skeleton, Surface, Weights};

use crate::layers::{MUSH, RELAX, layer};
use crate::shapes::{chain, gather, limb, poses, rigid, tube};

fn options(influences: usize, steps: u32, smoothness: f64) -> Options {
    Options {
        influences,
        smoothness,
        hold_percent: 1e-4,
        prune: 5e-4,
        steps,
    }
}

/// Fits a character with a relax and a mush.
fn fit(
    skeleton: &Skeleton,
    surface: &Surface,
    base: &Weights,
    poses: &Vec<Pose>,
    options: &Options,
) -> Weights {
    let layers = [layer(LayerKind::Relax(RELAX)), layer(LayerKind::Mush(MUSH))];
    let stack = Stack::new(surface, base.clone(), Skinning::Linear, &layers);
    let gram = gather(&stack, skeleton, surface, poses);
    fit::solve(&gram, surface, base, None, None, options).weights
}

fn fit_limb(character: &Character, options: &Options) -> Weights {
    fit(
        &character.skeleton,
        &character.surface,
        &rigid(character),
        &poses(character),
        options,
    )
}

/// The greatest difference of any weight.
fn apart(joints: usize, a: &Weights, b: &Weights) -> f32 {
    let dense = |w: &Weights, v: usize| {
        let mut row = vec![0.0; joints];
        w.of(v).for_each(|(id, value)| row[id.index()] = value);
        row
    };
    (0..a.len())
        .flat_map(|v| {
            dense(a, v)
                .into_iter()
                .zip(dense(b, v))
                .map(|(a, b)| (a - b).abs())
                .collect::<Vec<_>>()
        })
        .fold(0.0, f32::max)
}

proptest! {
    // Each case is a whole fit of a few hundred vertices.
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn weights_lie_on_the_simplex_and_on_the_grid(
        influences in 1usize..=8,
        format in 0usize..3,
        smoothness in prop_oneof![Just(0.0), 1e-4..1.0f64],
        rings in 8usize..40,
        around in 3usize..12,
    ) {
        let steps = [255u32, 65_535, 1 << 24][format];
        let character = Character { surface: tube(4.0, 0.4, rings, around), ..limb() };
        let weights = fit_limb(&character, &options(influences, steps, smoothness));
        prop_assert_eq!(weights.check(4), Ok(()));
        prop_assert!(weights.most_influences() <= influences);
        for v in 0..weights.len() {
            let counts = weights.of(v).map(|(_, w)| f64::from(w) * f64::from(steps));
            // A count over steps, in f32, is within half a step's rounding of the count.
            let sum: f64 = counts.map(f64::round).sum();
            prop_assert_eq!(sum, f64::from(steps));
        }
    }

    #[test]
    fn order_of_vertices_changes_nothing_but_order(seed in any::<u64>()) {
        let character = limb();
        let plain = fit_limb(&character, &options(4, 1 << 24, 0.0));
        let order = shuffled(character.surface.len(), seed);
        let place: Vec<u32> = {
            let mut place = vec![0; order.len()];
            order.iter().enumerate().for_each(|(new, &old)| place[old] = new as u32);
            place
        };
        let positions: Vec<[f32; 3]> = order.iter().map(|&v| character.surface.positions[v]).collect();
        let triangles: Vec<[u32; 3]> =
            character.surface.triangles.iter().map(|t| t.map(|v| place[v as usize])).collect();
        let moved = Character { surface: Surface::weld(&positions, &triangles), ..character.clone() };
        let weights = fit_limb(&moved, &options(4, 1 << 24, 0.0));
        for (new, &old) in order.iter().enumerate() {
            let row = |w: &Weights, v| w.of(v).collect::<Vec<_>>();
            let (a, b) = (row(&weights, new), row(&plain, old));
            prop_assert_eq!(a.len(), b.len());
            for ((joint_a, value_a), (joint_b, value_b)) in a.iter().zip(&b) {
                // Sums over a ring run in another order: f32 rounding of the targets, through the fit.
                prop_assert!(joint_a == joint_b && (value_a - value_b).abs() < 1e-3, "vertex {}: {:?} {:?}", old, a, b);
            }
        }
    }
}

#[test]
fn order_of_joints_changes_nothing_but_order() {
    let character = limb();
    let plain = fit_limb(&character, &options(4, 1 << 24, 0.0));
    // The same joints, last first.
    let old: Vec<JointId> = character.skeleton.ids().rev().collect();
    let specs = old
        .iter()
        .map(|&id| {
            let joint = character.skeleton.joint(id);
            JointSpec {
                name: joint.name.clone(),
                node: joint.node,
                parent: joint.parent.map(|p| 3 - p.index()),
                inverse_bind: joint
                    .bind_world
                    .try_inverse()
                    .expect("a rigid matrix has an inverse"),
            }
        })
        .collect();
    let skeleton = Skeleton::new(specs).expect("still a chain");
    let swap = |id: JointId| JointId(3 - id.0);
    let base: Vec<JointId> = (0..character.surface.len())
        .map(|v| {
            rigid(&character)
                .of(v)
                .next()
                .map(|(id, _)| swap(id))
                .expect("rigid")
        })
        .collect();
    let turned: Vec<Pose> = poses(&character)
        .into_iter()
        .map(|pose| {
            Pose::new(
                pose.name,
                pose.moves.into_iter().map(|(id, q)| (swap(id), q)),
            )
        })
        .collect();
    let weights = fit(
        &skeleton,
        &character.surface,
        &Weights::rigid(&base),
        &turned,
        &options(4, 1 << 24, 0.0),
    );
    let back = Weights::new(
        4,
        (0..weights.len())
            .flat_map(|v| {
                let mut row: Vec<(JointId, f32)> =
                    weights.of(v).map(|(id, w)| (swap(id), w)).collect();
                row.resize(4, (JointId(0), 0.0));
                row
            })
            .collect(),
    );
    // Sums over joints run in another order: f64 rounding through the fit.
    let worst = apart(4, &plain, &back);
    assert!(worst < 1e-4, "{worst}");
}

#[test]
fn scale_changes_no_weight_beyond_rounding() {
    let character = limb();
    let plain = fit_limb(&character, &options(4, 1 << 24, 0.0));
    for scale in [1000.0f32, 0.001] {
        let positions: Vec<[f32; 3]> = character
            .surface
            .positions
            .iter()
            .map(|p| p.map(|x| x * scale))
            .collect();
        let scaled = Character {
            surface: Surface::weld(&positions, &character.surface.triangles),
            skeleton: chain(&[0.0, 1.0, 2.0, 3.0].map(|x: f64| x * f64::from(scale))),
            ..character.clone()
        };
        assert_eq!(scaled.surface.len(), character.surface.len());
        let weights = fit(
            &scaled.skeleton,
            &scaled.surface,
            &rigid(&character),
            &poses(&character),
            &options(4, 1 << 24, 0.0),
        );
        // Positions times 1000 round anew in f32; a thousandth of a weight is far below a step of u8.
        let worst = apart(4, &plain, &weights);
        assert!(worst < 1e-3, "scale {scale}: {worst}");
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bits() {
    let character = limb();
    let run = |threads: usize, smoothness: f64| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .expect("threads");
        pool.install(|| fit_limb(&character, &options(3, 1 << 24, smoothness)))
    };
    for smoothness in [0.0, 0.05] {
        let one = run(1, smoothness);
        assert_eq!(one, run(2, smoothness));
        assert_eq!(one, run(8, smoothness));
    }
}

#[test]
fn smoothness_lowers_the_difference_between_neighbours() {
    let character = limb();
    let rough = |smoothness: f64| -> f64 {
        let weights = fit_limb(&character, &options(4, 1 << 24, smoothness));
        let dense = |v: usize| {
            let mut row = [0.0f64; 4];
            weights
                .of(v)
                .for_each(|(id, w)| row[id.index()] = f64::from(w));
            row
        };
        let edges = character.surface.rings.edges();
        edges
            .map(|(a, b)| {
                (0..4)
                    .map(|j| (dense(a)[j] - dense(b)[j]).powi(2))
                    .sum::<f64>()
            })
            .sum()
    };
    let (none, some, much) = (rough(0.0), rough(1.0), rough(100.0));
    assert!(much < some && some < none, "{none} {some} {much}");
}

#[test]
fn default_poses_bend_every_joint_both_ways() {
    let character = limb();
    let set = pose_set(
        &character.skeleton,
        &rigid(&character),
        &[],
        &tanyard::pose::Options::default(),
    );
    // Three joints bend (the root carries all), three axes, two steps on two sides; and the blends.
    assert_eq!(set.fit.len(), 3 * 3 * 4 + 64);
    assert_eq!(set.held_out.len(), 64);
    let fit: Vec<Pose> = set.fit.iter().map(std::borrow::Cow::into_owned).collect();
    assert!(
        set.held_out
            .iter()
            .all(|held| fit.iter().all(|pose| pose.moves != held.moves))
    );
}

fn shuffled(count: usize, seed: u64) -> Vec<usize> {
    let mut order: Vec<usize> = (0..count).collect();
    let mut state = seed | 1;
    for i in (1..count).rev() {
        // An LCG with the constants of Knuth's MMIX.
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        order.swap(i, (state >> 33) as usize % (i + 1));
    }
    order
}
