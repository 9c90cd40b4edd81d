//! Joints that slide and scale.

use std::ops::ControlFlow;
use std::path::Path;

use nalgebra::{Matrix4, Point3, UnitQuaternion, Vector3};
use serde_json::json;
use tanyard::deform::{Stack, Stream};
use tanyard::pose::file;
use tanyard::rig::{Block, JointId, Move, Pose, Skeleton};

use crate::layers::stacks;
use crate::shapes::{limb, poses, turn};

/// f32 keeps seven digits; a stack adds and subtracts a few dozen numbers of the character's size.
const ROUNDING: f64 = 3e-6;

/// Each vertex in each pose, in mesh space.
fn targets(stack: &Stack, skeleton: &Skeleton, poses: &Vec<Pose>) -> Vec<Vec<Point3<f64>>> {
    let centre = Vector3::from(stack.centre);
    let place = |p: [f32; 3]| Point3::from(Vector3::from(p.map(f64::from)) + centre);
    let mut found: Vec<Vec<Point3<f64>>> = poses
        .as_slice()
        .iter()
        .map(|pose| {
            let block = Block::new(skeleton, &[pose], stack.centre);
            let base = |v: usize| stack.base().of(v).next().expect("a joint").0;
            let moved = |(v, &at): (usize, &[f32; 3])| block.transform(base(v).index(), at).lane(0);
            let rest = stack.rest().iter().enumerate();
            rest.map(moved).map(place).collect()
        })
        .collect();
    let end = Stream::new(stack, skeleton, poses).run::<()>(2, |blocks, _| {
        for shapes in blocks {
            for (&v, target) in shapes.vertices.iter().zip(shapes.points()) {
                for (lane, &pose) in shapes.poses.iter().enumerate() {
                    found[pose][v as usize] = place(target.lane(lane));
                }
            }
        }
        ControlFlow::Continue(())
    });
    assert!(end.is_continue());
    found
}

fn apply(matrix: &Matrix4<f64>, at: &Point3<f64>) -> Point3<f64> {
    matrix.transform_point(at)
}

#[test]
fn a_whole_that_grows_has_the_same_shape_grown() {
    let character = limb();
    let skeleton = &character.skeleton;
    let grown = |pose: &Pose| {
        let root = Move {
            scale: Vector3::repeat(2.5),
            ..Move::from(UnitQuaternion::identity())
        };
        let all = pose.moves.iter().copied().chain([(JointId(0), root)]);
        Pose::new("grown", all)
    };
    let small: Vec<Pose> = poses(&character);
    let large: Vec<Pose> = small.as_slice().iter().map(grown).collect();
    let size = 2.5 * character.surface.diagonal();
    for (name, stack) in stacks(&character) {
        let small_shapes = targets(&stack, skeleton, &small);
        let large_shapes = targets(&stack, skeleton, &large);
        for ((pose, small), large) in large
            .as_slice()
            .iter()
            .zip(&small_shapes)
            .zip(&large_shapes)
        {
            let about = skeleton.origin(JointId(0));
            for (a, b) in small.iter().zip(large) {
                let expected = Point3::from(about + 2.5 * (a.coords - about));
                let apart = (expected - b).norm() / size;
                assert!(apart < ROUNDING, "{name}, {}: {apart}", pose.name);
            }
        }
    }
}

#[test]
fn what_hangs_from_one_joint_moves_with_it_whatever_it_does() {
    let character = limb();
    let skeleton = &character.skeleton;
    let own = Move {
        rotation: turn(10.0, 40.0, -20.0),
        translation: Vector3::new(0.05, 0.2, -0.1),
        scale: Vector3::new(1.3, 0.8, 1.1),
    };
    let pose = Pose::new("all at once", [(JointId(2), own)]);
    for (name, stack) in stacks(&character) {
        let found = &targets(&stack, skeleton, &vec![pose.clone()])[0];
        let matrices = skeleton.skinning_matrices(&pose);
        let (mut alone, mut between) = (0, 0);
        for (v, at) in found.iter().enumerate() {
            let rest = Point3::from(character.surface.positions[v].map(f64::from));
            let moved = |joint: JointId| apply(&matrices[joint.index()], &rest);
            let row = stack.spread().of(v);
            let expected = moved(row[0].0);
            let apart = (expected - at).norm() / character.surface.diagonal();
            // Frames of a mush look a ring further than joints spread.
            if row.len() == 1 {
                assert!(apart < ROUNDING, "{name}, vertex {v}: {apart}");
                alone += 1;
            } else {
                between += usize::from(apart > 1e-3);
            }
        }
        assert!(alone > 8, "{name}: {alone}");
        assert_eq!(between > 10, name != "none", "{name}: {between}");
    }
}

#[test]
fn pose_files_hold_slides_and_scales_both_ways() {
    let skeleton = &limb().skeleton;
    let name = skeleton.joint(JointId(1)).name.clone();
    let read = |joint: serde_json::Value| {
        let text = json!({ "poses": [{ "joints": { name.clone(): joint } }] }).to_string();
        file::parse(Path::new("p.json"), &text, &[skeleton])
    };
    let all = json!({ "rotation": [0.0, 0.0, 0.6, 0.8], "translation": [0.1, 0, 0], "scale": [2, 1, 0.5] });
    let poses = read(all).expect("a pose")[0].clone();
    let own = poses[0].of(JointId(1)).expect("it moves");
    assert_eq!(own.translation, Vector3::new(0.1, 0.0, 0.0));
    assert_eq!(own.scale, Vector3::new(2.0, 1.0, 0.5));
    let again = file::to_json(&poses, skeleton).to_string();
    let again = file::parse(Path::new("p.json"), &again, &[skeleton]).expect("what was written");
    assert_eq!(again[0], poses);
    // A part alone is enough, and bind is no move.
    let slid = read(json!({ "translation": [0, 0, 1] })).expect("a pose");
    assert!(slid[0][0].slides() && !slid[0][0].scales());
    assert!(read(json!({})).expect("bind")[0][0].moves.is_empty());
    for (joint, part) in [
        (json!({ "scale": [1, 0, 1] }), ".scale"),
        (json!({ "scale": [1, -1, 1] }), ".scale"),
        (json!({ "scale": 2 }), ".scale"),
        (json!({ "translation": [1e12, 0, 0] }), ".translation"),
        (json!({ "rotation": [0, 0, 0, 0] }), ".rotation"),
        (json!({ "turn": [0, 0, 0, 1] }), ".turn"),
        (json!([1, 2, 3]), ""),
        (json!("bind"), ""),
    ] {
        let error = read(joint.clone()).expect_err("no move").to_string();
        let expected = format!("poses[0].joints[{name:?}]{part}: expected");
        assert!(error.contains(&expected), "{joint}: {error}");
    }
}
