//! The reference layers: what must hold whatever the numbers are, and the textbook cases.

use approx::assert_relative_eq;
use nalgebra::{Rotation3, Vector3};
use tanyard::deform::{
    Border, LayerKind, LayerOptions, MushOptions, RelaxOptions, Scratch, Skinning, Stack, Stream,
    rounds_for_radius,
};
use tanyard::fit::{Candidates, Gram};
use tanyard::rig::{
    Block, Character, JointId, LANES, Move, Pose, Shapes, Skeleton, Surface, Weights,
};

use crate::shapes::{chain, limb, poses, rigid, tube, turn};

pub const MUSH: MushOptions = MushOptions {
    rounds: 6,
    pull: 0.5,
    detail: 1.0,
    border: Border::Free,
};
pub const RELAX: RelaxOptions = RelaxOptions {
    rounds: 4,
    stretch: 0.6,
    squash: 0.3,
    anchor: 0.1,
};

pub fn layer(kind: LayerKind) -> LayerOptions {
    LayerOptions {
        kind,
        blend: 1.0,
        mask: None,
    }
}

/// Stacks of every kind and option.
pub fn stacks(character: &Character) -> Vec<(&'static str, Stack)> {
    let half: Vec<f32> = (0..character.surface.len())
        .map(|v| (v % 3) as f32 / 2.0)
        .collect();
    let lists = [
        ("none", vec![]),
        ("relax", vec![layer(LayerKind::Relax(RELAX))]),
        ("mush", vec![layer(LayerKind::Mush(MUSH))]),
        (
            "held",
            vec![layer(LayerKind::Mush(MushOptions {
                border: Border::Held,
                ..MUSH
            }))],
        ),
        (
            "half detail",
            vec![layer(LayerKind::Mush(MushOptions {
                detail: 0.5,
                ..MUSH
            }))],
        ),
        (
            "relax, mush",
            vec![layer(LayerKind::Relax(RELAX)), layer(LayerKind::Mush(MUSH))],
        ),
        (
            "masked",
            vec![LayerOptions {
                blend: 0.7,
                mask: Some(half),
                ..layer(LayerKind::Mush(MUSH))
            }],
        ),
    ];
    lists
        .into_iter()
        .map(|(name, layers)| {
            (
                name,
                Stack::new(
                    &character.surface,
                    rigid(character),
                    Skinning::Linear,
                    &layers,
                ),
            )
        })
        .collect()
}

/// Every vertex in a block of poses.
fn posed(stack: &Stack, block: Block) -> Shapes {
    let poses = (0..block.poses).collect();
    let joints = (0..)
        .take_while(|&joint| block.get(joint).is_some())
        .count();
    stack
        .whole(joints)
        .evaluate(block, poses, &mut Scratch::default(), Vec::new())
}

/// f32 keeps seven digits; a stack adds and subtracts a few dozen numbers of the character's size.
const ROUNDING: f32 = 2e-6;

fn far(a: [f32; 3], b: [f32; 3]) -> f32 {
    (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f32>().sqrt()
}

#[test]
fn bind_pose_returns_the_bind_shape() {
    let character = limb();
    let size = character.surface.diagonal() as f32;
    for (name, stack) in stacks(&character) {
        let shapes = posed(&stack, Block::bind(4));
        for (target, &rest) in shapes.points().iter().zip(stack.rest()) {
            let error = far(target.lane(0), rest) / size;
            assert!(error <= ROUNDING, "{name}: {error} of the size");
        }
    }
}

#[test]
fn rigid_motion_of_the_whole_moves_the_result_rigidly() {
    let character = limb();
    let size = character.surface.diagonal() as f32;
    let bent = poses(&character);
    for (name, stack) in stacks(&character) {
        for pose in &bent[..4] {
            let mut moved_pose = pose.clone();
            let root_turn = turn(30.0, -70.0, 100.0);
            moved_pose.moves.insert(0, (JointId(0), root_turn.into()));
            let block = Block::new(&character.skeleton, &[pose, &moved_pose], stack.centre);
            let root = character.skeleton.skinning_matrices(&moved_pose)[0];
            let shapes = posed(&stack, block);
            let centre = Vector3::from(stack.centre);
            for target in &shapes.points() {
                let plain = Vector3::from(target.lane(0).map(f64::from)) + centre;
                let expected = (root * plain.push(1.0)).xyz() - centre;
                let found = Vector3::from(target.lane(1).map(f64::from));
                let error = (expected - found).norm() as f32 / size;
                assert!(error <= 2.0 * ROUNDING, "{name}: {error} of the size");
            }
        }
    }
}

#[test]
fn scaled_character_gives_the_same_shape_scaled() {
    let character = limb();
    let pose = &poses(&character)[3];
    let evaluate = |scale: f32| -> Vec<[f32; 3]> {
        let positions: Vec<[f32; 3]> = character
            .surface
            .positions
            .iter()
            .map(|p| p.map(|x| x * scale))
            .collect();
        let surface = Surface::weld(&positions, &character.surface.triangles);
        let skeleton = chain(&[0.0, 1.0, 2.0, 3.0].map(|x: f64| x * f64::from(scale)));
        let layers = [layer(LayerKind::Relax(RELAX)), layer(LayerKind::Mush(MUSH))];
        let stack = Stack::new(&surface, rigid(&character), Skinning::Linear, &layers);
        let block = Block::new(&skeleton, &[pose], stack.centre);
        let shapes = posed(&stack, block);
        shapes
            .points()
            .iter()
            .map(|t| t.lane(0).map(|x| x / scale))
            .collect()
    };
    let plain = evaluate(1.0);
    for scale in [1000.0, 0.001] {
        for (a, b) in plain.iter().zip(evaluate(scale)) {
            assert!(
                far(*a, b) / character.surface.diagonal() as f32 <= ROUNDING,
                "scale {scale}"
            );
        }
    }
}

#[test]
fn local_and_whole_evaluation_agree() {
    let character = limb();
    let sweeps: Vec<Pose> = character
        .skeleton
        .ids()
        .flat_map(|id| {
            [20.0, 45.0, -70.0].map(|a| {
                let own = Move {
                    translation: Vector3::new(0.0, 1e-3 * a, 2e-3 * a),
                    ..turn(0.3 * a, a, -a).into()
                };
                Pose::new("sweep", [(id, own)])
            })
        })
        .collect();
    let mut bent_somewhere = 0;
    for (name, stack) in stacks(&character) {
        for pose in &sweeps {
            let joints = [pose.moves[0].0];
            let block = || Block::new(&character.skeleton, &[pose], stack.centre);
            let whole = posed(&stack, block());
            let Some(local) = stack.bent_by(&joints, &character.skeleton) else {
                assert_eq!(
                    joints,
                    [JointId(0)],
                    "{name}: only turning the root bends nothing"
                );
                continue;
            };
            let local = local.evaluate(block(), vec![0], &mut Scratch::default(), Vec::new());
            bent_somewhere += usize::from(local.vertices.len() < whole.vertices.len());
            compare_local(
                name,
                character.surface.diagonal() as f32,
                &stack,
                &whole,
                &local,
            );
        }
    }
    assert!(
        bent_somewhere > 20,
        "hardly any pose was local: {bent_somewhere}"
    );
}

/// Where the local path has a result it is that of the whole; elsewhere the whole path moves the vertex
/// rigidly with its base joint; both up to rounding.
fn compare_local(name: &str, size: f32, stack: &Stack, whole: &Shapes, local: &Shapes) {
    let mut found = vec![None; whole.vertices.len()];
    for (&v, target) in local.vertices.iter().zip(&local.points()) {
        found[v as usize] = Some(target.lane(0));
    }
    for (v, target) in whole.points().iter().enumerate() {
        match found[v] {
            Some(local) => {
                let error = far(local, target.lane(0)) / size;
                assert!(error <= ROUNDING, "{name}, vertex {v}: {error}");
            }
            None => {
                let (joint, _) = stack.base().of(v).next().expect("every vertex has weight");
                let rigid = whole.block.transform(joint.index(), stack.rest()[v]);
                let error = far(rigid.lane(0), target.lane(0)) / size;
                assert!(error <= ROUNDING, "{name}, vertex {v}: {error}");
            }
        }
    }
}

#[test]
fn stream_hands_on_every_pose_once_in_fixed_order() {
    let character = limb();
    let mut set = poses(&character);
    set.push(Pose::bind("bind"));
    set.extend(
        character
            .skeleton
            .ids()
            .map(|id| Pose::new("sweep", vec![(id, turn(0.0, 30.0, 0.0))])),
    );
    let stack = Stack::new(
        &character.surface,
        rigid(&character),
        Skinning::Linear,
        &[layer(LayerKind::Mush(MUSH))],
    );
    let order = |width: usize| {
        let mut seen = Vec::new();
        let stream = Stream::new(&stack, &character.skeleton, &set);
        let end: std::ops::ControlFlow<()> = stream.run(width, |shapes, _| {
            seen.extend(shapes.iter().flat_map(|shape| shape.poses.clone()));
            std::ops::ControlFlow::Continue(())
        });
        assert!(end.is_continue());
        seen
    };
    let seen = order(1);
    assert_eq!(seen, order(3));
    // Bind and the root alone bend nothing.
    assert_eq!(seen.len(), set.len() - 2);
}

/// A straight bar about the x axis, two joints, twisted about x: averaging the identity with a rotation
/// by θ shrinks the radius by cos(θ/2) (by hand: the mean of two unit vectors θ apart is that long).
/// Kavan, Collins, Žára, O'Sullivan 2008 describe the collapse, and that dual quaternions do not have
/// it.
#[test]
fn twisted_bar_shrinks_by_the_cosine_under_linear_blending_only() {
    let surface = tube(2.0, 0.25, 16, 12);
    let skeleton = chain(&[0.0, 1.0]);
    let half = Weights::new(
        2,
        (0..surface.len())
            .flat_map(|_| [(JointId(0), 0.5), (JointId(1), 0.5)])
            .collect(),
    );
    let bind_rotation = skeleton
        .joint(JointId(1))
        .bind_world
        .fixed_view::<3, 3>(0, 0)
        .into_owned();
    for degrees in [30.0f64, 90.0, 150.0, 179.0] {
        // About x of mesh space, put into the joint's bind frame.
        let axis = bind_rotation.transpose() * Vector3::x();
        let twist = nalgebra::UnitQuaternion::from_scaled_axis(axis * degrees.to_radians());
        let pose = Pose::new("twist", vec![(JointId(1), twist)]);
        for (skinning, factor) in [
            (Skinning::Linear, (degrees.to_radians() / 2.0).cos()),
            (Skinning::DualQuaternion, 1.0),
        ] {
            let stack = Stack::new(&surface, half.clone(), skinning, &[]);
            let block = Block::new(&skeleton, &[&pose], stack.centre);
            let shapes = posed(&stack, block);
            for (target, rest) in shapes.points().iter().zip(&surface.positions) {
                let [_, y, z] = target.lane(0);
                let centre = stack.centre;
                let radius = (f64::from(y) + centre[1]).hypot(f64::from(z) + centre[2]);
                let expected = factor * f64::from(rest[1]).hypot(f64::from(rest[2]));
                assert_relative_eq!(radius, expected, epsilon = 1e-6);
            }
        }
    }
}

#[test]
fn dual_quaternions_with_one_joint_are_linear_blending() {
    let character = limb();
    let pose = &poses(&character)[5];
    let evaluate = |skinning| {
        let stack = Stack::new(&character.surface, rigid(&character), skinning, &[]);
        let block = Block::new(&character.skeleton, &[pose], stack.centre);
        posed(&stack, block).points()
    };
    for (a, b) in evaluate(Skinning::Linear)
        .iter()
        .zip(evaluate(Skinning::DualQuaternion))
    {
        assert!(far(a.lane(0), b.lane(0)) < 1e-5);
    }
}

#[test]
fn relax_brings_edges_nearer_to_their_bind_length() {
    let character = limb();
    let pose = Pose::new("bend", vec![(JointId(1), turn(0.0, 0.0, 80.0))]);
    let strain = |layers: &[LayerOptions]| -> f64 {
        let stack = Stack::new(
            &character.surface,
            rigid(&character),
            Skinning::Linear,
            layers,
        );
        let block = Block::new(&character.skeleton, &[&pose], stack.centre);
        let shapes = posed(&stack, block);
        let points = shapes.points();
        let edges = character.surface.rings.edges();
        edges
            .map(|(a, b)| {
                let now = far(points[a].lane(0), points[b].lane(0));
                let rest = far(stack.rest()[a], stack.rest()[b]);
                f64::from((now / rest - 1.0).powi(2))
            })
            .sum()
    };
    let before = strain(&[]);
    let full = RelaxOptions {
        rounds: 30,
        stretch: 1.0,
        squash: 1.0,
        anchor: 0.0,
    };
    let after = strain(&[layer(LayerKind::Relax(full))]);
    assert!(after < 0.1 * before, "{before} to {after}");
    // Without resistance nothing happens.
    let none = RelaxOptions {
        stretch: 0.0,
        squash: 0.0,
        ..full
    };
    assert_eq!(strain(&[layer(LayerKind::Relax(none))]), before);
}

/// Regions, fronts, departures and the expansion of rounds must not change what the formulas say.
#[test]
fn fast_path_equals_the_plain_formulas() {
    let character = limb();
    let ids: Vec<JointId> = character.skeleton.ids().collect();
    let mush = |rounds: usize| layer(LayerKind::Mush(MushOptions { rounds, ..MUSH }));
    let relax = || layer(LayerKind::Relax(RELAX));
    let half: Vec<f32> = (0..character.surface.len())
        .map(|v| (v % 3) as f32 / 2.0)
        .collect();
    let stacks: Vec<(&str, Vec<LayerOptions>)> = vec![
        ("mush", vec![mush(6)]),
        ("expanded mush", vec![mush(30)]),
        ("relax, mush", vec![relax(), mush(6)]),
        ("mush, relax", vec![mush(6), relax()]),
        ("two mushes", vec![mush(4), mush(7)]),
        (
            "held",
            vec![layer(LayerKind::Mush(MushOptions {
                border: Border::Held,
                ..MUSH
            }))],
        ),
        (
            "half detail",
            vec![
                layer(LayerKind::Mush(MushOptions {
                    detail: 0.5,
                    ..MUSH
                })),
                mush(3),
            ],
        ),
        (
            "masked mush",
            vec![LayerOptions {
                blend: 0.7,
                mask: Some(half.clone()),
                ..mush(6)
            }],
        ),
        (
            "masked",
            vec![
                LayerOptions {
                    blend: 0.7,
                    mask: Some(half),
                    ..mush(6)
                },
                relax(),
            ],
        ),
    ];
    // Smooth base weights over the middle joint, rigid elsewhere.
    let mixed = {
        let rigid = rigid(&character);
        let entries = (0..rigid.len()).flat_map(|v| {
            let x = character.surface.positions[v][0];
            let share = (x - 1.5).clamp(0.0, 1.0);
            let own = rigid.of(v).next().map_or(ids[0], |entry| entry.0);
            match own {
                JointId(1) | JointId(2) => [(ids[1], 1.0 - share), (ids[2], share)],
                other => [(other, 1.0), (ids[0], 0.0)],
            }
        });
        Weights::new(2, entries.collect())
    };
    let all = poses(&character);
    let one = Pose::new("one", vec![(ids[2], turn(20.0, 70.0, -30.0))]);
    let two = Pose::new(
        "two",
        vec![
            (ids[1], turn(-40.0, 0.0, 30.0)),
            (ids[3], turn(0.0, 60.0, 10.0)),
        ],
    );
    let size = character.surface.diagonal();
    for base in [rigid(&character), mixed] {
        for (name, layers) in &stacks {
            let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, layers);
            for pose in [&one, &two, &all[4]] {
                let plain = crate::plain::posed(&character, &base, layers, pose);
                let turned: Vec<JointId> = pose.moves.iter().map(|r| r.0).collect();
                let local = stack
                    .bent_by(&turned, &character.skeleton)
                    .expect("these poses bend");
                let block = Block::new(&character.skeleton, &[pose], stack.centre);
                let shapes = local.evaluate(block, vec![0], &mut Scratch::default(), Vec::new());
                let centre = Vector3::from(stack.centre);
                let mut found: Vec<Vector3<f64>> = (0..plain.len())
                    .map(|v| {
                        let (joint, _) = base.of(v).next().expect("every vertex has weight");
                        Vector3::from(
                            shapes
                                .block
                                .transform(joint.index(), stack.rest()[v])
                                .lane(0)
                                .map(f64::from),
                        )
                    })
                    .collect();
                for (&v, target) in shapes.vertices.iter().zip(&shapes.points()) {
                    found[v as usize] = Vector3::from(target.lane(0).map(f64::from));
                }
                for (v, (plain, found)) in plain.iter().zip(&found).enumerate() {
                    let error = (plain - centre - found).norm() / size;
                    // f32 through frames of rings that thirty rounds have shrunk, and the bound of the expansion.
                    assert!(error <= 1e-5, "{name}, {}, vertex {v}: {error}", pose.name);
                }
            }
        }
    }
}

/// A candidate for every vertex that the layers can move it to: with a dense spread of the same rounds,
/// nothing of weight is missing, also where rounds are expanded.
#[test]
fn candidates_reach_as_far_as_many_rounds() {
    let character = Character {
        surface: tube(4.0, 0.1, 400, 5),
        ..limb()
    };
    let base = rigid(&character);
    let rounds = 400;
    let layers = [layer(LayerKind::Mush(MushOptions { rounds, ..MUSH }))];
    let stack = Stack::new(&character.surface, base.clone(), Skinning::Linear, &layers);
    let spread = stack.spread();
    let rings = &character.surface.rings;
    for id in character.skeleton.ids() {
        let of = |v: usize| {
            base.of(v)
                .find(|entry| entry.0 == id)
                .map_or(0.0, |entry| f64::from(entry.1))
        };
        let mut mass: Vec<f64> = (0..rings.len()).map(of).collect();
        for _ in 0..rounds {
            let mean = |v: usize| {
                rings.of(v).iter().map(|&n| mass[n as usize]).sum::<f64>()
                    / rings.of(v).len() as f64
            };
            mass = (0..rings.len())
                .map(|v| 0.5 * mass[v] + 0.5 * mean(v))
                .collect();
        }
        for (v, &mass) in mass.iter().enumerate().filter(|entry| *entry.1 >= 2e-4) {
            let found = spread.of(v).iter().find(|entry| entry.0 == id);
            let found =
                found.unwrap_or_else(|| panic!("vertex {v} lacks joint {} of mass {mass}", id.0));
            // What the front drops is below a millionth a round.
            assert!(
                (f64::from(found.1) - mass).abs() < 1e-3,
                "vertex {v}: {} for {mass}",
                found.1
            );
        }
    }
}

#[test]
fn slivers_lone_vertices_and_lines_pass_without_harm() {
    let mut positions = limb().surface.positions;
    let count = positions.len() as u32;
    // A lone vertex, a triangle squeezed to a line, a doubled triangle.
    positions.extend([
        [9.0, 9.0, 9.0],
        [5.0, 0.0, 0.0],
        [5.5, 0.0, 0.0],
        [6.0, 0.0, 0.0],
    ]);
    let mut triangles = limb().surface.triangles;
    triangles.extend([
        [count + 1, count + 2, count + 3],
        triangles[0],
        [triangles[0][0], triangles[0][1], count + 1],
    ]);
    let character = Character {
        surface: Surface::weld(&positions, &triangles),
        ..limb()
    };
    for (name, stack) in stacks(&character) {
        for pose in &poses(&character) {
            let block = Block::new(&character.skeleton, &[pose], stack.centre);
            let shapes = posed(&stack, block);
            for lane in 0..LANES {
                let finite = |p: [f32; 3]| p.iter().all(|x| x.is_finite());
                assert!(
                    shapes.points().iter().all(|t| finite(t.lane(lane))),
                    "{name}"
                );
            }
        }
    }
}

#[test]
fn radius_means_the_same_on_a_mesh_of_half_the_edge_length() {
    // Rounds grow with the square: a random walk (de Moivre–Laplace).
    assert_eq!(rounds_for_radius(2.0, 1.0, 0.5), 8);
    assert_eq!(rounds_for_radius(2.0, 0.5, 0.5), 32);
    assert_eq!(rounds_for_radius(0.1, 1.0, 0.5), 1);
    assert_eq!(rounds_for_radius(1.0, 0.0, 0.5), 1);
}

#[test]
fn skinning_matrices_follow_the_formula_of_the_pose_file() {
    // local = T·R·M·S, world = parent · local, matrix = world · inverse bind (glTF 2.0 §3.7.3.3).
    let skeleton: Skeleton = chain(&[0.0, 1.0, 2.0, 3.0]);
    let pose = &poses(&limb())[7];
    let mut world = nalgebra::Matrix4::<f64>::identity();
    for (id, found) in skeleton.ids().zip(skeleton.skinning_matrices(pose)) {
        let joint = skeleton.joint(id);
        let own = pose.of(id).copied().unwrap_or_else(Move::still);
        world *= joint.bind_local.matrix(&own);
        let expected = world
            * joint
                .bind_world
                .try_inverse()
                .expect("a rigid matrix has an inverse");
        assert_relative_eq!(expected, found, epsilon = 1e-12);
    }
    let mirrored = nalgebra::Matrix3::from_diagonal(&Vector3::new(-2.0, 1.0, 0.5));
    let matrix = Rotation3::from_euler_angles(0.3, 0.2, 0.1).into_inner() * mirrored;
    let (rotation, stretch) = tanyard::rig::polar(&matrix).expect("it can be inverted");
    assert_relative_eq!(
        rotation.to_rotation_matrix().into_inner() * stretch,
        matrix,
        epsilon = 1e-12
    );
    assert_relative_eq!(stretch, mirrored, epsilon = 1e-12);
}

/// The matrices that the fit sees, from regions and from the whole surface, for a sweep of every joint of
/// every character there is.
#[test]
fn gram_matrices_of_local_and_whole_evaluation_agree() {
    for path in crate::files::demos()
        .into_iter()
        .chain(crate::files::assets())
    {
        let document = tanyard::asset::Document::open(&path).expect("a sample opens");
        let loaded = tanyard::asset::characters(&document, None).expect("a sample has skins");
        let character = &loaded[0].character;
        let way = match &character.weights {
            Some(_) => tanyard::bind::Way::Keep,
            None => tanyard::bind::Way::Through,
        };
        let joints = character.skeleton.joints().len();
        let options = tanyard::bind::Options::plain(way, joints);
        let bind = tanyard::bind::bind(character, &options, None).joints;
        let mush = layer(LayerKind::Mush(MushOptions { rounds: 20, ..MUSH }));
        let relax = layer(LayerKind::Relax(RelaxOptions { rounds: 2, ..RELAX }));
        for layers in [vec![mush.clone()], vec![relax, mush]] {
            let share = compare_grams(&path.display().to_string(), character, &bind, &layers);
            println!(
                "{}, {} layers: sweeps bend {:.1} % of the surface each",
                path.display(),
                layers.len(),
                100.0 * share
            );
        }
    }
}

/// Holds the two ways of evaluating a sweep of every joint against each other; gives the mean share of the
/// surface that a sweep bends.
fn compare_grams(
    name: &str,
    character: &Character,
    bind: &[JointId],
    layers: &[LayerOptions],
) -> f64 {
    let stack = Stack::new(
        &character.surface,
        Weights::rigid(bind),
        Skinning::Linear,
        layers,
    );
    let spread = stack.spread();
    let rows = || (0..character.surface.len()).map(|v| spread.of(v));
    let diagonal = character.surface.diagonal();
    let gram = || Gram::new(Candidates::new(rows(), 1e-4), diagonal);
    let (mut whole, mut local) = (gram(), gram());
    let everywhere = stack.whole(character.skeleton.joints().len());
    let mut local_vertices = 0;
    for id in character.skeleton.ids() {
        let poses = [40.0, -60.0]
            .map(|angle| Pose::new("sweep", vec![(id, turn(angle, 0.3 * angle, -0.5 * angle))]));
        let block = || Block::new(&character.skeleton, &[&poses[0], &poses[1]], stack.centre);
        let evaluate = |on: &tanyard::deform::LocalStack| {
            on.evaluate(block(), vec![0, 1], &mut Scratch::default(), Vec::new())
        };
        whole.add(stack.rest(), &[evaluate(&everywhere)]);
        if let Some(bent) = stack.bent_by(&[id], &character.skeleton) {
            let shapes = evaluate(&bent);
            local_vertices += shapes.vertices.len();
            local.add(stack.rest(), &[shapes]);
        }
    }
    let poses = 2 * character.skeleton.joints().len();
    for gram in [&mut whole, &mut local] {
        gram.count(poses as f64);
    }
    for v in 0..character.surface.len() {
        let (a, b) = (whole.quadratic(v), local.quadratic(v));
        for i in 0..a.len() {
            for j in 0..a.len() {
                // Residuals are off by the f32 rounding of a position, 1e-5 percent or so.
                let size = (a.get(i, i) * a.get(j, j))
                    .sqrt()
                    .max(a.get(i, i))
                    .max(a.get(j, j));
                let allowed = 1e-4 * (size.sqrt() + 1e-4);
                let apart = (a.get(i, j) - b.get(i, j)).abs();
                assert!(apart <= allowed, "{}: vertex {v}: {apart} of {size}", name);
            }
        }
    }
    local_vertices as f64 / (character.skeleton.joints().len() * character.surface.len()) as f64
}
