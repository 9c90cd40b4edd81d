//! Writes what the checks in `tests/outside` compare with their references: for each character its
//! input, the baked file with its clip, twenty poses, and the positions that this library gives in them and in
//! some poses of the clip. Also the ramp of colours, weights filled in a hole, and driven helper joints.
//!
//! `cargo run --release --example outside_cases -- FOLDER CHARACTER.glb…`

use std::fs;
use std::path::{Path, PathBuf};

use nalgebra::{Matrix4, UnitQuaternion, Vector3};
use tanyard::asset::{Document, characters, clips_at_keys};
use tanyard::bind;
use tanyard::carry::{self, Row};
use tanyard::deform::{
    Border, LayerKind, LayerOptions, MushOptions, RelaxOptions, Scratch, Skinning, Stack,
};
use tanyard::drive::{self, Driver, Rotations, Samples};
use tanyard::job::{self, Request, SkinPoses, Stage, Watch};
use tanyard::picture;
use tanyard::pose::{file, pose_set};
use tanyard::recipe::Recipe;
use tanyard::rig::{
    Block, Character, JointId, JointSpec, LANES, Move, Pose, PoseSequence, Skeleton, Surface,
    Weights,
};

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// The mush that the reference repeats.
const MUSH: MushOptions = MushOptions {
    rounds: 5,
    pull: 0.5,
    detail: 1.0,
    border: Border::Free,
};

/// A relax before it.
const RELAX: RelaxOptions = RelaxOptions {
    rounds: 8,
    stretch: 0.6,
    squash: 0.3,
    anchor: 0.1,
};

/// Rounds for characters of one piece: enough that the library expands them. Small separate pieces shrink
/// nearly to a point under so many, where frames in f32 lose digits (docs/method.md).
const MANY_ROUNDS: usize = 20;

/// Poses compared for each character.
const POSES: usize = 20;

/// Poses of the clip compared for each character.
const CLIP_POSES: usize = 12;

/// Poses behind the others in which joints slide and scale: all of them are compared.
const MOVING_POSES: usize = 4;

/// Helper joints of each character.
const HELPERS: usize = 6;

/// Seconds between frames of its clips at most: some lie between keys.
const GAP: f64 = 1.0 / 90.0;

/// Poses of a clip, at most, without those.
const MOST_POSES: usize = 1900;

fn main() -> Outcome<()> {
    let mut words = std::env::args_os().skip(1).map(PathBuf::from);
    let folder = words
        .next()
        .ok_or("usage: outside_cases FOLDER CHARACTER.glb...")?;
    let mut written = 0;
    for input in words {
        let name = input.file_stem().ok_or("a character needs a name")?;
        write_case(&input, &folder.join(name))?;
        written += 1;
    }
    let ramp: Vec<[u8; 3]> = (0..=255).map(|i| picture::ramp(i as f32 / 255.0)).collect();
    fs::write(folder.join("ramp.json"), serde_json::to_string(&ramp)?)?;
    fs::write(folder.join("fill.json"), filled().to_string())?;
    fs::write(folder.join("driven.json"), driven()?.to_string())?;
    println!("{written} cases in {}", folder.display());
    if written == 0 {
        Err("no characters were given".into())
    } else {
        Ok(())
    }
}

fn write_case(input: &Path, case: &Path) -> Outcome<()> {
    fs::create_dir_all(case)?;
    fs::copy(input, case.join("input.glb"))?;
    let baked = case.join("baked.glb");
    let mut request = Request::new(input, Recipe::default());
    request.recipe.write.clip = true;
    let poses = moving(&job::poses(&request)?.sets[0]);
    let text = file::to_json(&poses, &job::poses(&request)?.sets[0].character.skeleton);
    fs::write(case.join("fit.json"), text.to_string())?;
    request.poses = Some(case.join("fit.json"));
    job::bake(&request, &baked, &Unwatched)?;
    let sets = job::poses(&request)?;
    let (shown, _) = job::shown(&sets.sets.first().ok_or("no skin")?.poses.fit);

    // Everything below reads the baked file anew, as any other program would.
    let document = Document::open(&baked)?;
    let loaded = characters(&document, None)?;
    let character = &loaded.first().ok_or("no skin in the baked file")?.character;
    let weights = character
        .weights
        .as_ref()
        .ok_or("no weights in the baked file")?;
    let poses = some_poses(character, weights);
    fs::write(
        case.join("poses.json"),
        file::to_json(&poses, &character.skeleton).to_string(),
    )?;
    let skinned = positions(character, weights.clone(), &poses, &[]);
    fs::write(case.join("skinned.f32"), little_endian(&skinned))?;
    // Some of the poses that the clip shows, by their number in it.
    let turning = shown.len() - MOVING_POSES;
    let numbers: Vec<usize> = (0..CLIP_POSES)
        .map(|i| i * (turning - 1) / (CLIP_POSES - 1))
        .chain(turning..shown.len())
        .collect();
    let some: Vec<Pose> = numbers.iter().map(|&at| shown[at].clone()).collect();
    let in_clip = positions(character, weights.clone(), &some, &[]);
    fs::write(case.join("clip.f32"), little_endian(&in_clip))?;
    let clip = serde_json::json!({
        "name": "tanyard poses",
        "poses": shown.len(),
        "numbers": numbers.iter().map(|at| at + 1).collect::<Vec<_>>(),
    });
    fs::write(case.join("clip.json"), clip.to_string())?;

    let rounds = if character.surface.pieces == 1 {
        MANY_ROUNDS
    } else {
        MUSH.rounds
    };
    let joints = bind::keep(weights);
    let layers = [LayerOptions {
        kind: LayerKind::Mush(MushOptions { rounds, ..MUSH }),
        blend: 1.0,
        mask: None,
    }];
    let mushed = positions(character, Weights::rigid(&joints), &poses, &layers);
    fs::write(case.join("mush.f32"), little_endian(&mushed))?;
    // Not for a reference, but to compare builds to the bit: layers that run one after the other.
    let relax = LayerOptions {
        kind: LayerKind::Relax(RELAX),
        ..layers[0].clone()
    };
    let layered = positions(
        character,
        Weights::rigid(&joints),
        &poses,
        &[relax, layers[0].clone()],
    );
    fs::write(case.join("layers.f32"), little_endian(&layered))?;
    let of_raw = |raw: &u32| -> JointId { joints[*raw as usize] };
    let bind: Vec<u8> = character
        .surface
        .welded
        .iter()
        .map(of_raw)
        .flat_map(|joint| joint.0.to_le_bytes())
        .collect();
    fs::write(case.join("bind.u16"), bind)?;
    let settings = serde_json::json!({ "rounds": rounds, "pull": MUSH.pull });
    fs::write(case.join("case.json"), settings.to_string())?;
    write_helped(input, case)
}

/// A bake with helper joints that move in the clips of the file, and the positions that the library gives in frames of
/// these, read from the written file alone.
fn write_helped(input: &Path, case: &Path) -> Outcome<()> {
    let helped = case.join("helped.glb");
    let mut request = Request::new(input, Recipe::default());
    request.recipe.poses.sweep_steps = 1;
    request.recipe.poses.blends = 16;
    request.recipe.helpers.count = Some(HELPERS);
    job::bake(&request, &helped, &Unwatched)?;
    let document = Document::open(&helped)?;
    let loaded = characters(&document, None)?;
    let loaded = loaded.first().ok_or("no skin in the helped file")?;
    let character = &loaded.character;
    let weights = character
        .weights
        .as_ref()
        .ok_or("no weights in the helped file")?;
    let mut all = Vec::new();
    let mut shown = Vec::new();
    for (animation, clip) in clips_at_keys(&document, &character.skeleton, GAP)?.0 {
        let last = clip.frames.len() - 1;
        let frames = (0..CLIP_POSES).map(|i| &clip.frames[i * last / (CLIP_POSES - 1)]);
        let poses: Vec<Pose> = frames
            .clone()
            .map(|frame| {
                Pose::new(
                    "frame",
                    character.skeleton.ids().zip(frame.moves.iter().copied()),
                )
            })
            .collect();
        // The place of mesh space in the scene is told by where one joint takes it.
        let first = character.skeleton.skinning_matrices(&poses[0])[0];
        shown.push(serde_json::json!({
            "animation": animation,
            "times": frames.map(|frame| frame.time).collect::<Vec<_>>(),
            "first_joint": first.as_slice(),
        }));
        all.extend(positions(character, weights.clone(), &poses, &[]));
    }
    fs::write(case.join("helped.f32"), little_endian(&all))?;
    let nodes = loaded
        .helpers
        .iter()
        .map(|(id, _)| character.skeleton.joint(*id).node);
    let told = serde_json::json!({ "helpers": nodes.collect::<Vec<_>>(), "clips": shown });
    fs::write(case.join("helped.json"), told.to_string())?;
    Ok(())
}

/// The first poses of a fit, with some behind them in which joints slide and scale besides.
fn moving(skin: &SkinPoses) -> Vec<Pose> {
    let skeleton = &skin.character.skeleton;
    let mut poses = skin.poses.fit.first(MOST_POSES);
    let slide = 0.03 * skeleton.size();
    let moved = |(number, pose): (usize, &Pose)| {
        let moves = pose.moves.iter().enumerate().map(|(place, &(id, own))| {
            let scale = match (place + number) % 3 {
                0 => Vector3::new(1.3, 0.8, 1.1),
                1 => Vector3::repeat(1.2),
                _ => Vector3::repeat(1.0),
            };
            let translation = Vector3::new(1.0, -0.5, 0.25) * (slide / skeleton.slide_unit(id));
            let moved = Move {
                translation,
                scale,
                ..own
            };
            (id, moved)
        });
        Pose::new(format!("moving {number}"), moves)
    };
    let last = &poses[poses.len() - MOVING_POSES..];
    let more: Vec<Pose> = last.iter().enumerate().map(moved).collect();
    poses.extend(more);
    poses
}

/// Poses spread over the set that a bake would fit to.
fn some_poses(character: &Character, weights: &Weights) -> Vec<Pose> {
    let rigid = Weights::rigid(&bind::keep(weights));
    let set = pose_set(
        &character.skeleton,
        &rigid,
        &[],
        &tanyard::pose::Options::default(),
    );
    // Half of them blends, which come last.
    let (count, blends) = (set.fit.len(), POSES / 2);
    let sweeps = POSES - blends;
    let others = count - tanyard::pose::Options::default().blends;
    (0..sweeps)
        .map(|i| i * others / sweeps)
        .chain(count - blends..count)
        .map(|place| set.fit.get(place).into_owned())
        .collect()
}

/// Positions of every raw vertex in every pose, in mesh space.
fn positions(
    character: &Character,
    base: Weights,
    poses: &[Pose],
    layers: &[LayerOptions],
) -> Vec<[f32; 3]> {
    let stack = Stack::new(&character.surface, base, Skinning::Linear, layers);
    let (whole, mut scratch) = (
        stack.whole(character.skeleton.joints().len()),
        Scratch::default(),
    );
    let mut all = Vec::new();
    for chunk in poses.chunks(LANES) {
        let block = Block::new(
            &character.skeleton,
            &chunk.iter().collect::<Vec<_>>(),
            stack.centre,
        );
        let shapes = whole.evaluate(block, (0..chunk.len()).collect(), &mut scratch, Vec::new());
        let points = shapes.points();
        for lane in 0..chunk.len() {
            all.extend(character.surface.welded.iter().map(|&v| {
                let point = points[v as usize].lane(lane);
                std::array::from_fn::<f32, 3, _>(|i| (f64::from(point[i]) + stack.centre[i]) as f32)
            }));
        }
    }
    all
}

fn little_endian(points: &[[f32; 3]]) -> Vec<u8> {
    points
        .iter()
        .flatten()
        .flat_map(|x| x.to_le_bytes())
        .collect()
}

struct Unwatched;

impl Watch for Unwatched {
    fn progress(&self, _: &str, _: Stage, _: usize, _: usize) {}

    fn interrupted(&self) -> bool {
        false
    }
}

/// A bumpy sheet of three hundred vertices with a hole in the weights of three joints, and the weights that fill it.
fn filled() -> serde_json::Value {
    const SIDE: usize = 17;
    let at = |x: usize, y: usize| {
        let (x, y) = (x as f32 / 4.0, y as f32 / 4.0);
        // Uneven, so that no two triangles are alike.
        let bump = 0.6 * (1.7 * x).sin() * (1.3 * y + 0.4).cos();
        [x + 0.05 * (5.0 * y).sin(), y + 0.04 * (4.0 * x).cos(), bump]
    };
    let place = |x: usize, y: usize| (y * (SIDE + 1) + x) as u32;
    let (mut positions, mut triangles) = (Vec::new(), Vec::new());
    for y in 0..=SIDE {
        positions.extend((0..=SIDE).map(|x| at(x, y)));
    }
    for y in 0..SIDE {
        for x in 0..SIDE {
            let [a, b] = [place(x, y), place(x + 1, y)];
            let [c, d] = [place(x, y + 1), place(x + 1, y + 1)];
            triangles.extend([[a, b, d], [a, d, c]]);
        }
    }
    let surface = Surface::weld(&positions, &triangles);
    let full = |p: [f32; 3]| {
        let parts = [
            1.0 + p[0].sin(),
            1.5 + (0.8 * p[1]).cos(),
            0.7 + p[0] * p[1] / 20.0,
        ];
        let sum: f32 = parts.iter().sum();
        parts.map(|part| f64::from(part / sum))
    };
    // Two holes, away from the border, where the library has terms of its own.
    let is_open = |p: [f32; 3]| {
        let first = (p[0] - 1.6).hypot(p[1] - 2.4) < 0.9;
        first || (p[0] - 3.1).hypot(p[1] - 1.2) < 0.6
    };
    let known: Vec<bool> = positions.iter().map(|&p| !is_open(p)).collect();
    let mut rows: Vec<Row> = positions
        .iter()
        .map(|&p| match is_open(p) {
            true => Row::new(),
            false => (0..3).map(JointId).zip(full(p)).collect(),
        })
        .collect();
    let dense = |rows: &[Row]| -> Vec<[f64; 3]> {
        let dense = |row: &Row| {
            let mut weights = [0.0; 3];
            row.iter()
                .for_each(|&(joint, weight)| weights[joint.index()] = weight);
            weights
        };
        rows.iter().map(dense).collect()
    };
    let before = dense(&rows);
    let solved = carry::fill(&surface, &mut rows, &known);
    serde_json::json!({
        "positions": positions, "triangles": triangles, "known": known, "before": before, "solved": solved,
        "filled": dense(&rows),
    })
}

/// What a helper does as three joints turn.
type Follower = fn(&[UnitQuaternion<f64>; 3]) -> Move;

/// Helpers of a made-up skeleton, fitted to made-up motions, and where they stand in a hundred poses: rotations of nodes
/// in, translation and rotation of the helper's node out, all relative to the node above.
fn driven() -> Outcome<serde_json::Value> {
    const POSES: usize = 100;
    const FITTED: usize = 400;
    let bind = |x: f64| {
        let turned = UnitQuaternion::from_euler_angles(0.3 * x, 0.7 - x, 0.2 * x * x);
        Matrix4::new_translation(&Vector3::new(x, 0.5, 0.1 * x)) * turned.to_homogeneous()
    };
    let spec = |name: &str, node, parent, x: f64| -> Outcome<JointSpec> {
        let inverse_bind = bind(x).try_inverse().ok_or("a bind without inverse")?;
        Ok(JointSpec {
            name: name.to_owned(),
            node,
            parent,
            inverse_bind,
        })
    };
    let skeleton = Skeleton::new(vec![
        spec("hip", 3, None, 0.0)?,
        spec("knee", 5, Some(0), 1.0)?,
        spec("ankle", 1, Some(1), 2.0)?,
        spec("knee helper", 7, Some(0), 0.9)?,
    ])?;
    let (joints, helper) = ([JointId(0), JointId(1), JointId(2)], JointId(3));
    // The first for the fit; those behind go farther, so that the clamp is reached.
    let turn = |pose: usize, joint: usize| {
        let wave = |axis: usize| {
            (1.0 + pose as f64 * (0.71 + 0.37 * joint as f64 + 0.53 * axis as f64)).sin()
        };
        let far = if pose < FITTED { 1.1 } else { 1.9 };
        UnitQuaternion::from_scaled_axis(Vector3::new(wave(0), wave(1), wave(2)) * far)
    };
    let pose = |number: usize| {
        let moves = joints.iter().map(|&id| (id, turn(number, id.index())));
        Pose::new(format!("pose {number}"), moves)
    };
    let mut rotations = Rotations::new(skeleton.joints().len());
    (0..FITTED).for_each(|number| rotations.push(&pose(number)));
    // Each by the joints that it follows: one, two, none.
    let motions: [Follower; 3] = [
        |q| Move {
            translation: 0.2 * (q[1] * Vector3::x() - Vector3::x()),
            ..Move::from(q[1].powf(0.5))
        },
        |q| Move {
            translation: 0.1 * (q[1] * q[0] * Vector3::y() - Vector3::y()),
            ..Move::from(q[0].powf(0.3) * q[1].powf(0.4))
        },
        |_| Move::still(),
    ];
    let mut cases = Vec::new();
    for motion in motions {
        let of = |number| motion(&[0, 1, 2].map(|joint| turn(number, joint)));
        let wanted: Vec<Move> = (0..FITTED).map(of).collect();
        let samples = Samples {
            rotations: &rotations,
            motions: &wanted,
            weights: &[1.0; FITTED],
            radius: 0.3,
        };
        let driver = drive::fit(
            &samples,
            &[joints[1], joints[0], joints[2]],
            &Default::default(),
        );
        let rest = |id| skeleton.joint(id).bind_local.rotation;
        let object = driver.to_json(helper, &skeleton, &rest);
        if Driver::from_json(&object, &skeleton)? != driver {
            return Err("a driver is not what was written of it".into());
        }
        let bind = &skeleton.joint(helper).bind_local;
        let poses = (FITTED - POSES / 2..FITTED + POSES / 2).map(|number| {
            let nodes: serde_json::Map<String, serde_json::Value> = joints
                .iter()
                .map(|&id| {
                    // Engines may hold either sign.
                    let sign = if (number + id.index()) % 2 == 0 { 1.0 } else { -1.0 };
                    let local = (rest(id) * turn(number, id.index())).coords * sign;
                    (skeleton.joint(id).node.to_string(), serde_json::json!(local.as_slice()))
                })
                .collect();
            let own = driver.motion(&|id| turn(number, id.index()));
            let translation = bind.translation + bind.rotation * own.translation;
            let rotation = (bind.rotation * own.rotation).coords;
            serde_json::json!({
                "nodes": nodes, "translation": translation.as_slice(), "rotation": rotation.as_slice(),
            })
        });
        cases.push(serde_json::json!({ "driven": object, "poses": poses.collect::<Vec<_>>() }));
    }
    Ok(serde_json::json!(cases))
}
