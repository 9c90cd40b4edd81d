//! Clips in and out.

mod asset_kit;

use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};

use asset_kit::*;
use nalgebra::{Matrix4, UnitQuaternion, Vector3};
use serde_json::{Value, json};
use tanyard::asset::{ClipPlace, Document, RangeClip, characters, clips, with_range_clips};
use tanyard::rig::{Clip, JointId, Pose, Skeleton};

fn read(kit: &Kit, rate: f64) -> (Vec<Clip>, Vec<String>) {
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    clips(&document, &loaded[0].character.skeleton, rate).unwrap()
}

fn assert_turn(clip: &Clip, frame: usize, joint: usize, expected: &UnitQuaternion<f64>) {
    let found = clip.frames[frame].moves[joint].rotation;
    assert!(
        found.angle_to(expected) < 1e-5,
        "frame {frame}: {found} is not {expected}"
    );
}

#[test]
fn linear_keys_are_sampled_with_both_ends() {
    let mut kit = arm();
    let keys = numbers(&[about_z(0.0), about_z(FRAC_PI_2)]);
    animate(&mut kit, 1, "rotation", "LINEAR", &[1.0, 2.05], &keys);
    let (clips, notes) = read(&kit, 10.0);
    assert_eq!(notes, Vec::<String>::new());
    let clip = &clips[0];
    assert_eq!(clip.name, "wave");
    assert_eq!(clip.frames.len(), 12);
    assert!((clip.frames[11].time - 1.05).abs() < 1e-6);
    assert_turn(clip, 0, 1, &UnitQuaternion::identity());
    assert_turn(clip, 11, 1, &about_z(FRAC_PI_2));
    assert_turn(clip, 5, 1, &about_z(FRAC_PI_2 * 0.5 / 1.05));
    assert_turn(clip, 5, 0, &UnitQuaternion::identity());
    // A whole number of steps: no frame twice at the end.
    let mut kit = arm();
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1.0], &keys);
    assert_eq!(read(&kit, 30.0).0[0].frames.len(), 31);
    // One key is one frame.
    let mut kit = arm();
    animate(&mut kit, 1, "rotation", "LINEAR", &[3.0], &keys[4..]);
    let (clips, _) = read(&kit, 30.0);
    assert_eq!(clips[0].frames.len(), 1);
    assert_turn(&clips[0], 0, 1, &about_z(FRAC_PI_2));
}

#[test]
fn steps_and_splines_are_sampled_as_the_standard_says() {
    let mut kit = arm();
    animate(
        &mut kit,
        1,
        "rotation",
        "STEP",
        &[0.0, 1.0],
        &numbers(&[about_z(0.1), about_z(0.7)]),
    );
    let (clips, _) = read(&kit, 2.0);
    assert_turn(&clips[0], 1, 1, &about_z(0.1));
    assert_turn(&clips[0], 2, 1, &about_z(0.7));
    // With tangents of zero the middle is the mean.
    let mut kit = arm();
    let zero = [0.0f32; 4];
    let mut values = Vec::new();
    for q in [about_z(0.0), about_z(FRAC_PI_2)] {
        values.extend(zero);
        values.extend(numbers(&[q]));
        values.extend(zero);
    }
    animate(&mut kit, 1, "rotation", "CUBICSPLINE", &[0.0, 2.0], &values);
    let (clips, _) = read(&kit, 1.0);
    assert_turn(&clips[0], 1, 1, &about_z(FRAC_PI_4));
    // A tangent out of the first key lifts the middle by span/8 of it, one into the last lowers it so.
    for (place, sign) in [(8, 1.0), (12, -1.0)] {
        let mut values = values.clone();
        values[place..place + 4].copy_from_slice(&[0.0, 0.0, 0.8, 0.0]);
        let mut kit = arm();
        animate(&mut kit, 1, "rotation", "CUBICSPLINE", &[0.0, 2.0], &values);
        let (a, b) = (about_z(0.0).coords, about_z(FRAC_PI_2).coords);
        let lift = nalgebra::Vector4::new(0.0, 0.0, 0.8, 0.0) * sign * 2.0 / 8.0;
        let middle = nalgebra::Quaternion::from((a + b) / 2.0 + lift);
        let expected = UnitQuaternion::new_normalize(middle);
        assert_turn(&read(&kit, 1.0).0[0], 1, 1, &expected);
    }
}

#[test]
fn turns_take_the_shorter_way() {
    let mut kit = arm();
    let mut keys = numbers(&[about_z(0.0), about_z(1.0)]);
    keys[4..].iter_mut().for_each(|x| *x = -*x);
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1.0], &keys);
    assert_turn(&read(&kit, 2.0).0[0], 1, 1, &about_z(0.5));
}

#[test]
fn rotations_are_relative_to_bind_and_to_the_joint_above() {
    let mut kit = arm();
    // The elbow is bound turned by 0.4; a node between turns by 0.1, the elbow's own node by 0.3.
    let bind: Matrix4<f64> =
        Matrix4::<f64>::new_translation(&Vector3::<f64>::x()) * about_z(0.4).to_homogeneous();
    let inverse: Vec<f32> = bind
        .try_inverse()
        .unwrap()
        .iter()
        .map(|&x| x as f32)
        .collect();
    let binds = [&INVERSE_BINDS[..16], &inverse].concat();
    let accessor = kit.floats("MAT4", 2, &binds);
    kit.json["skins"][0]["inverseBindMatrices"] = json!(accessor);
    kit.push("nodes", json!({ "children": [1], "rotation": about_z(0.1).coords.as_slice(), "translation": [1, 0, 0] }));
    kit.json["nodes"][0]["children"] = json!([3]);
    kit.json["nodes"][1] = json!({ "name": "elbow", "rotation": about_z(0.3).coords.as_slice() });
    animate(
        &mut kit,
        1,
        "rotation",
        "LINEAR",
        &[0.0, 1.0],
        &numbers(&[about_z(0.3), about_z(0.8)]),
    );
    // The node between is animated too, in a clip of its own.
    animate(
        &mut kit,
        3,
        "rotation",
        "LINEAR",
        &[0.0, 1.0],
        &numbers(&[about_z(0.1), about_z(-0.2)]),
    );
    // And the shoulder, with the whole skeleton standing askew in the scene.
    animate(
        &mut kit,
        0,
        "rotation",
        "LINEAR",
        &[0.0, 1.0],
        &numbers(&[about_z(0.0), about(Vector3::x(), 0.6)]),
    );
    // The elbow about an axis of its own: turns act in the joint's frame.
    let turned = about_z(0.3) * about(Vector3::x(), 0.5);
    animate(
        &mut kit,
        1,
        "rotation",
        "LINEAR",
        &[0.0],
        &numbers(&[turned]),
    );
    kit.push("nodes", json!({ "children": [0], "rotation": about(Vector3::y(), 1.0).coords.as_slice(), "scale": [3, 3, 3] }));
    kit.json["scenes"][0]["nodes"] = json!([2, 4]);
    let document = kit.open();
    assert_eq!(
        characters(&document, None).unwrap()[0].character.saved_pose,
        None
    );
    let (clips, notes) = read(&kit, 1.0);
    assert_eq!(notes, Vec::<String>::new());
    assert_turn(&clips[0], 0, 1, &UnitQuaternion::identity());
    assert_turn(&clips[0], 1, 1, &about_z(0.5));
    assert_turn(&clips[1], 1, 1, &about_z(-0.3));
    assert_turn(&clips[2], 1, 1, &UnitQuaternion::identity());
    assert_turn(&clips[2], 1, 0, &about(Vector3::x(), 0.6));
    assert_turn(&clips[3], 0, 1, &about(Vector3::x(), 0.5));
}

#[test]
fn what_is_no_pose_is_noted() {
    let mut kit = arm();
    animate(
        &mut kit,
        1,
        "scale",
        "LINEAR",
        &[0.0, 1.0],
        &[1.0, 1.0, 1.0, 0.0, 1.0, 1.0],
    );
    animate(
        &mut kit,
        2,
        "rotation",
        "LINEAR",
        &[0.0],
        &numbers(&[about_z(0.1)]),
    );
    kit.json["animations"][0]["channels"]
        .as_array_mut()
        .unwrap()
        .push(json!({ "sampler": 0, "target": { "path": "pointer" } }));
    let (clips, notes) = read(&kit, 10.0);
    assert_eq!(clips.len(), 1, "a clip that moves no joint is none");
    assert!(
        notes[0].contains("1 channels that move no node"),
        "{notes:?}"
    );
    assert!(notes[1].contains("scales 1 joints to nothing"), "{notes:?}");
    assert!(notes[1].contains("elbow"), "{notes:?}");
}

#[test]
fn clips_that_slide_and_scale_move_joints_as_the_standard_says() {
    // glTF 2.0 §3.7.3.3: joint matrix = global transform of the joint node · inverse bind matrix, here about the
    // place where the file shows the root.
    let mut kit = arm();
    let turns = [about(Vector3::new(1.0, 2.0, 0.5), 0.4), about_z(-0.9)];
    let slides = [[1.25f32, 0.5, -0.25], [0.75, -0.5, 0.125]];
    let scales = [[2.0f32, 0.5, 1.5], [0.5, 1.25, 3.0]];
    for (node, key) in [(0, 0), (1, 1)] {
        animate(
            &mut kit,
            node,
            "translation",
            "LINEAR",
            &[0.0],
            &slides[key],
        );
        for (path, values) in [
            ("rotation", numbers(&turns[key..=key])),
            ("scale", scales[key].to_vec()),
        ] {
            let width = values.len();
            let output = kit.floats(if width == 4 { "VEC4" } else { "VEC3" }, 1, &values);
            let animation = &mut kit.json["animations"][0];
            // All in the first animation: one clip.
            let input = animation["samplers"][0]["input"].clone();
            let samplers = animation["samplers"].as_array_mut().unwrap();
            samplers.push(json!({ "input": input, "output": output }));
            let sampler = samplers.len() - 1;
            let target = json!({ "node": node, "path": path });
            let channels = animation["channels"].as_array_mut().unwrap();
            channels.push(json!({ "sampler": sampler, "target": target }));
        }
    }
    let extra = kit.json["animations"].as_array_mut().unwrap().remove(1);
    let first = kit.json["animations"][0].clone();
    let sampler = first["samplers"].as_array().unwrap().len();
    let moved = &mut kit.json["animations"][0];
    moved["samplers"]
        .as_array_mut()
        .unwrap()
        .push(extra["samplers"][0].clone());
    let target = extra["channels"][0]["target"].clone();
    let channels = moved["channels"].as_array_mut().unwrap();
    channels.push(json!({ "sampler": sampler, "target": target }));

    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let skeleton = &loaded[0].character.skeleton;
    let (clips, notes) = clips(&document, skeleton, 10.0).unwrap();
    assert_eq!((clips.len(), notes.len()), (1, 0), "{notes:?}");
    let moves = skeleton.ids().zip(clips[0].frames[0].moves.iter().copied());
    let found = skeleton.skinning_matrices(&Pose::new("keys", moves));
    let local = |key: usize| {
        let slide = Vector3::from(slides[key].map(f64::from));
        Matrix4::new_translation(&slide)
            * turns[key].to_homogeneous()
            * Matrix4::new_nonuniform_scaling(&Vector3::from(scales[key].map(f64::from)))
    };
    let globals = [local(0), local(0) * local(1)];
    for (id, global) in skeleton.ids().zip(globals) {
        let unbind = skeleton.joint(id).bind_world.try_inverse().unwrap();
        let expected = global * unbind;
        // Keys are f32.
        let apart = (found[id.index()] - expected).amax();
        assert!(
            apart < 1e-6,
            "joint {}: {} is not {expected}",
            id.index(),
            found[id.index()]
        );
    }
}

#[test]
fn broken_clips_are_left_out_and_broken_files_refused() {
    let keys = numbers(&[about_z(0.0), about_z(1.0)]);
    type Change<'a> = &'a dyn Fn(&mut Value);
    let broken: [(&str, Change); 4] = [
        ("SPLINE", &|_| {}),
        ("LINEAR", &|sampler| sampler["output"] = json!(0)),
        ("LINEAR", &|sampler| sampler["input"] = json!(3)),
        ("CUBICSPLINE", &|_| {}),
    ];
    for (mode, change) in broken {
        let mut kit = arm();
        animate(&mut kit, 1, "rotation", mode, &[0.0, 1.0], &keys);
        animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1.0], &keys);
        change(&mut kit.json["animations"][0]["samplers"][0]);
        let (clips, notes) = read(&kit, 10.0);
        assert_eq!(clips.len(), 1, "{mode}");
        assert!(notes[0].contains("left out"), "{notes:?}");
    }
    let mut kit = arm();
    animate(&mut kit, 1, "rotation", "LINEAR", &[1.0, 0.0], &keys);
    assert!(read(&kit, 10.0).1[0].contains("rising key times"));
    kit.json["animations"][0]["samplers"][0]["output"] = json!(99);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let found = faults(clips(&document, &loaded[0].character.skeleton, 10.0));
    assert_fault_at(&found, "animations[0].samplers[0].output");
    assert!(clips(&document, &loaded[0].character.skeleton, 0.0).is_err());
}

#[test]
fn an_endless_clip_is_cut() {
    let mut kit = arm();
    let keys = numbers(&[about_z(0.0), about_z(1.0)]);
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1e30], &keys);
    let (clips, notes) = read(&kit, 60.0);
    assert_eq!(clips[0].frames.len(), 100_000);
    assert!(
        notes[0].contains("only its first 100000 frames"),
        "{notes:?}"
    );
}

fn poses() -> Vec<Pose> {
    let (shoulder, elbow) = (JointId(0), JointId(1));
    vec![
        Pose::new("bend", vec![(elbow, about_z(1.2))]),
        Pose::new(
            "twist",
            vec![
                (shoulder, about(Vector3::x(), 0.8)),
                (elbow, about(Vector3::new(1.0, 2.0, 3.0), -2.0)),
            ],
        ),
        Pose::bind("rest"),
        Pose::new("over", vec![(elbow, about_z(3.0))]),
    ]
}

/// Frames from one pose to the next, at the rate at which `played` samples: all keys lie on frames.
const PERIOD: usize = 6;

/// Frames that a pose stands after the first.
const HELD: usize = 2;

fn played(document: &Document, skeleton: &Skeleton) -> Clip {
    let (mut read, _) = clips(&renamed(document, "range"), skeleton, 8.0).unwrap();
    read.swap_remove(0)
}

#[test]
fn a_pose_clip_stands_in_each_pose_and_goes_to_the_next_the_shorter_way() {
    for kit in [arm(), crooked_arm()] {
        let document = kit.open();
        let loaded = characters(&document, None).unwrap();
        let skeleton = &loaded[0].character.skeleton;
        let poses = poses();
        let clip = played(&with_clip(&document, skeleton, &poses).unwrap(), skeleton);
        assert_eq!(clip.frames.len(), PERIOD * (poses.len() + 1) + 1);
        for joint in skeleton.ids() {
            let in_pose = |number: usize| {
                let pose = number.checked_sub(1).and_then(|at| poses.get(at));
                let own = pose.and_then(|p| p.of(joint));
                own.map_or(UnitQuaternion::identity(), |own| own.rotation)
            };
            // Bind is before the first and after the last.
            for number in 0..=poses.len() {
                let (from, to) = (in_pose(number), in_pose(number + 1));
                let first = PERIOD * number;
                for frame in first..=first + HELD {
                    assert_turn(&clip, frame, joint.index(), &from);
                }
                let on_the_way = [0.125, 0.5, 0.875].iter().zip(first + HELD + 1..);
                for (share, frame) in on_the_way {
                    // By angle, which knows only the shorter way.
                    let turned = from.inverse() * clip.frames[frame].moves[joint.index()].rotation;
                    let expected = (from.inverse() * to).angle() * share;
                    assert!((turned.angle() - expected).abs() < 1e-5, "frame {frame}");
                    assert_turn(&clip, frame, joint.index(), &from.slerp(&to, *share));
                }
                assert_turn(&clip, first + PERIOD, joint.index(), &to);
            }
        }
    }
}

#[test]
fn a_joint_that_stands_still_has_no_keys_between() {
    let document = arm().open();
    let skeleton = characters(&document, None).unwrap()[0]
        .character
        .skeleton
        .clone();
    let bend = |angle| Pose::new("bend", vec![(JointId(1), about_z(angle))]);
    let poses: Vec<Pose> = (1..=50).map(|n| bend(f64::from(n) * 0.01)).collect();
    let with_clip = with_clip(&document, &skeleton, &poses).unwrap();
    let clip = &with_clip.json()["animations"][0];
    let count = |joint: usize| {
        let sampler = clip["channels"][joint]["sampler"].as_u64().unwrap() as usize;
        let output = clip["samplers"][sampler]["output"].as_u64().unwrap() as usize;
        with_clip.json()["accessors"][output]["count"]
            .as_u64()
            .unwrap()
    };
    assert_eq!(count(0), 2);
    // Leave, three on the way, arrive; and the start.
    assert_eq!(count(1), 51 * 5 + 1);
}

#[test]
fn a_viewer_shows_the_pose_clip_as_the_skeleton_means_it() {
    for kit in [arm(), crooked_arm()] {
        let document = kit.open();
        let loaded = characters(&document, None).unwrap();
        let skeleton = &loaded[0].character.skeleton;
        let poses = poses();
        let file = as_glb(&with_clip(&document, skeleton, &poses).unwrap());
        let bind = worlds(&file, 0.0);
        let root = skeleton.joint(JointId(0));
        // The root joint stays where the file shows it.
        let placement = bind[root.node] * root.bind_world.try_inverse().unwrap();
        for key in 0..=poses.len() + 1 {
            let pose = key.checked_sub(1).and_then(|at| poses.get(at)).cloned();
            let pose = pose.unwrap_or_else(|| Pose::bind("bind"));
            let shown = worlds(&file, key as f32 * 0.75);
            for (joint, matrix) in skeleton
                .joints()
                .iter()
                .zip(skeleton.skinning_matrices(&pose))
            {
                let expected = placement * matrix * joint.bind_world;
                let difference = (shown[joint.node] - expected).amax() / expected.amax();
                assert!(
                    difference < 1e-5,
                    "{} at key {key}: {difference}",
                    joint.name
                );
            }
        }
        let text = parse_glb(&file).json;
        assert_eq!(text["animations"][0]["name"], json!("tanyard poses"));
        assert!(
            text["nodes"][1]["matrix"].is_null(),
            "an animated node has no matrix"
        );
    }
}

#[test]
fn a_pose_clip_goes_before_the_clips_of_the_file_and_leaves_them() {
    let mut kit = arm();
    animate(
        &mut kit,
        1,
        "rotation",
        "LINEAR",
        &[0.0, 1.0],
        &numbers(&[about_z(0.0), about_z(1.0)]),
    );
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let skeleton = &loaded[0].character.skeleton;
    let baked = with_clip(&document, skeleton, &poses()).unwrap();
    assert_eq!(baked.json()["animations"].as_array().unwrap().len(), 2);
    assert_eq!(
        baked.json()["animations"][1],
        document.json()["animations"][0]
    );
    let clip = &baked.json()["animations"][0];
    let input = clip["samplers"][0]["input"].as_u64().unwrap() as usize;
    assert_eq!(baked.json()["accessors"][input]["min"], json!([0.0]));
    assert_eq!(baked.json()["accessors"][input]["max"], json!([3.75]));
    assert_eq!(
        clip["channels"].as_array().unwrap().len(),
        2,
        "rotations only, where nothing else differs"
    );
    // Bind alone is a clip too.
    let still = played(&with_clip(&document, skeleton, &[]).unwrap(), skeleton);
    assert_eq!(still.frames.len(), PERIOD + 1);
}

#[test]
fn an_unbound_skeleton_has_a_pose_clip_too() {
    let document = bare_arm().open();
    let loaded = characters(&document, Some("shoulder")).unwrap();
    let skeleton = &loaded[0].character.skeleton;
    let file = as_glb(&with_clip(&document, skeleton, &poses()).unwrap());
    let elbow = worlds(&file, 0.75)[1];
    let expected: Matrix4<f64> =
        Matrix4::<f64>::new_translation(&Vector3::<f64>::x()) * about_z(1.2).to_homogeneous();
    assert!((elbow - expected).amax() < 1e-6);
}

#[test]
fn joints_that_would_shear_are_refused_by_name() {
    let mut kit = arm();
    kit.push("nodes", json!({ "children": [1], "scale": [1, 5, 1] }));
    kit.json["nodes"][0]["children"] = json!([3]);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    let found = faults(with_clip(
        &document,
        &loaded[0].character.skeleton,
        &poses(),
    ));
    assert_fault_at(&found, "nodes[1]");
}

/// Names and bytes of all that a document's clips are made of.
fn names(document: &Document) -> Vec<String> {
    let clips = document.json()["animations"].as_array().unwrap();
    clips
        .iter()
        .map(|clip| clip["name"].as_str().unwrap_or("").to_owned())
        .collect()
}

#[test]
fn a_clip_of_each_skin_takes_the_place_of_the_one_before_and_leaves_all_others() {
    let mut kit = two_skins();
    let keys = numbers(&[about_z(0.0), about_z(1.0)]);
    animate(&mut kit, 1, "rotation", "LINEAR", &[0.0, 1.0], &keys);
    let document = kit.open();
    let loaded = characters(&document, None).unwrap();
    assert_eq!(loaded.len(), 2);
    let elbow = |poses: usize| -> Vec<Pose> {
        (1..=poses)
            .map(|n| Pose::new("p", vec![(JointId(0), about_z(n as f64 * 0.1))]))
            .collect()
    };
    let with = |document: &Document, poses: usize| {
        let (arm, hand) = (elbow(poses), elbow(poses));
        let clips: Vec<RangeClip> = loaded
            .iter()
            .zip([&arm, &hand])
            .map(|(one, poses)| RangeClip {
                skeleton: &one.character.skeleton,
                skin: &one.character.name,
                poses,
            })
            .collect();
        with_range_clips(document, &clips, ClipPlace::Last).unwrap()
    };
    let once = with(&document, 5);
    let ours = ["tanyard poses, arm", "tanyard poses, hand"];
    assert_eq!(names(&once), ["wave", ours[0], ours[1]]);
    // What was there is there, byte for byte; new bytes are behind.
    let (before, after) = (kit.glb(), as_glb(&once));
    let (before, after) = (parse_glb(&before), parse_glb(&after));
    assert!(after.bin.starts_with(&before.bin));
    for key in ["nodes", "skins", "meshes"] {
        assert_eq!(before.json[key], after.json[key], "{key}");
    }
    for key in ["accessors", "bufferViews", "animations"] {
        let old = before.json[key].as_array().unwrap();
        assert_eq!(
            old[..],
            after.json[key].as_array().unwrap()[..old.len()],
            "{key}"
        );
    }
    // Again, shorter, with another clip behind: in the same places, and the file does not grow.
    let mut moved = after.clone();
    moved.json["animations"]
        .as_array_mut()
        .unwrap()
        .push(before.json["animations"][0].clone());
    let again = with(&moved.open(), 5);
    assert_eq!(names(&again), ["wave", ours[0], ours[1], "wave"]);
    let again = parse_glb(&as_glb(&again));
    assert_eq!(again.bin, after.bin);
    assert_eq!(again.json, moved.json);
    let shorter = parse_glb(&as_glb(&with(&again.open(), 2)));
    assert!(shorter.bin.starts_with(&before.bin) && shorter.bin.len() < after.bin.len());
    assert_eq!(names(&shorter.open()), ["wave", ours[0], ours[1], "wave"]);
    // Two skins of one name have two names.
    kit.json["skins"][0]["name"] = json!("hand");
    let loaded = characters(&kit.open(), None).unwrap();
    let clips: Vec<RangeClip> = loaded
        .iter()
        .map(|one| RangeClip {
            skeleton: &one.character.skeleton,
            skin: &one.character.name,
            poses: &[],
        })
        .collect();
    let twins = with_range_clips(&after.open(), &clips, ClipPlace::Last).unwrap();
    assert_eq!(
        names(&twins),
        ["wave", "tanyard poses, hand #0", "tanyard poses, hand #1"]
    );
}

#[test]
fn a_range_of_motion_gives_no_poses_and_says_so() {
    let document = arm().open();
    let skeleton = characters(&document, None).unwrap()[0]
        .character
        .skeleton
        .clone();
    let shown = with_clip(&document, &skeleton, &poses()).unwrap();
    let read = |name: &str| clips(&renamed(&shown, name), &skeleton, 8.0).unwrap();
    for ours in ["tanyard poses", "tanyard poses, arm"] {
        let (found, notes) = read(ours);
        assert!(found.is_empty());
        let note = format!("clip {ours:?} is left out: it is a range of motion that tanyard wrote");
        assert_eq!(notes, [note]);
    }
    for other in ["tanyard poses2", "poses", "Tanyard poses"] {
        assert_eq!(read(other).0.len(), 1, "{other}");
    }
}
