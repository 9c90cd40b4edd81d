//! The sample files, reached through the variable TANYARD_ASSETS; what needs them is skipped where it
//! is not set.

mod asset_kit;

use asset_kit::*;
use nalgebra::Matrix4;
use tanyard::asset::{self, Document, NewWeights, WeightFormat, characters, clips, with_weights};
use tanyard::rig::{JointId, Move, Pose, Weights};

/// The weights of a file brought to the grid of a format, four influences at most.
fn gridded(weights: &Weights, format: WeightFormat) -> Weights {
    let steps = format.steps();
    let mut entries = Vec::new();
    for v in 0..weights.len() {
        let mut row: Vec<(JointId, u32)> = weights
            .of(v)
            .take(4)
            .map(|(joint, value)| (joint, (f64::from(value) * f64::from(steps)).round() as u32))
            .collect();
        let sum: u32 = row.iter().map(|&(_, step)| step).sum();
        row[0].1 = (row[0].1 + steps) - sum;
        row.resize(4, (JointId(0), 0));
        let value = |step: u32| (f64::from(step) / f64::from(steps)) as f32;
        entries.extend(row.into_iter().map(|(joint, step)| (joint, value(step))));
    }
    Weights::new(4, entries)
}

#[test]
fn the_gltf_crate_reads_the_same() {
    for path in samples() {
        let document = Document::open(&path).unwrap();
        let loaded = characters(&document, None).unwrap();
        assert_eq!(loaded.len(), 1);
        let character = &loaded[0].character;
        let file = std::fs::read(&path).unwrap();
        let gltf = gltf::Gltf::from_slice(&file).unwrap();
        let blob = gltf.blob.clone().unwrap();

        let skin = gltf.skins().next().unwrap();
        let nodes: Vec<usize> = skin.joints().map(|joint| joint.index()).collect();
        let ours: Vec<usize> = character
            .skeleton
            .joints()
            .iter()
            .map(|joint| joint.node)
            .collect();
        assert_eq!(nodes, ours);
        let binds = skin
            .reader(|_| Some(&blob))
            .read_inverse_bind_matrices()
            .unwrap();
        for (joint, bind) in character.skeleton.joints().iter().zip(binds) {
            let bind = Matrix4::from_column_slice(&bind.concat()).map(f64::from);
            let product = bind * joint.bind_world;
            assert!(
                (product - Matrix4::identity()).amax() < 1e-6,
                "{}",
                joint.name
            );
        }

        let mut raw = 0;
        let limit = 1e-6 * character.surface.diagonal() as f32;
        for primitive in gltf
            .meshes()
            .flat_map(|mesh| mesh.primitives().collect::<Vec<_>>())
        {
            let reader = primitive.reader(|_| Some(&blob));
            let joints: Vec<[u16; 4]> = reader.read_joints(0).unwrap().into_u16().collect();
            let weights: Vec<[f32; 4]> = reader.read_weights(0).unwrap().into_f32().collect();
            for (v, position) in reader.read_positions().unwrap().enumerate() {
                let welded = character.surface.welded[raw] as usize;
                let ours = character.surface.positions[welded];
                assert!((0..3).all(|i| (ours[i] - position[i]).abs() <= limit));
                // Copies of a vertex agree in these files, but for rounding.
                let sum: f32 = weights[v].iter().sum();
                let ours: Vec<(JointId, f32)> =
                    character.weights.as_ref().unwrap().of(welded).collect();
                for &(joint, value) in &ours {
                    let theirs: f32 = (0..4)
                        .filter(|&s| joints[v][s] == joint.0)
                        .map(|s| weights[v][s] / sum)
                        .sum();
                    assert!((theirs - value).abs() < 1e-4, "{theirs} {value}");
                }
                raw += 1;
            }
        }
        assert_eq!(raw, character.surface.welded.len());
        let triangles: usize = gltf
            .meshes()
            .flat_map(|mesh| mesh.primitives().collect::<Vec<_>>())
            .map(|p| {
                p.indices()
                    .map_or(p.get(&gltf::Semantic::Positions).unwrap().count(), |a| {
                        a.count()
                    })
                    / 3
            })
            .sum();
        assert!(character.surface.triangles.len() <= triangles);
        assert!(
            character.surface.triangles.len() * 10 > triangles * 9,
            "few collapse"
        );
        assert_eq!(character.saved_pose.map(|saved| saved.turn_degrees), None);
    }
}

#[test]
fn a_bake_leaves_all_but_the_weights() {
    for path in samples() {
        let before = parse_glb(&std::fs::read(&path).unwrap());
        let document = Document::open(&path).unwrap();
        let loaded = characters(&document, None).unwrap();
        for format in [WeightFormat::U8, WeightFormat::U16, WeightFormat::F32] {
            let weights = gridded(loaded[0].character.weights.as_ref().unwrap(), format);
            let baked =
                with_weights(&document, &[NewWeights::all(&loaded[0], &weights)], format).unwrap();
            let file = as_glb(&baked);
            let after = parse_glb(&file);
            for key in before.json.as_object().unwrap().keys() {
                if !["accessors", "bufferViews", "buffers", "meshes"].contains(&key.as_str()) {
                    assert_eq!(
                        before.json[key].to_string(),
                        after.json[key].to_string(),
                        "{key}"
                    );
                }
            }
            // Everything that the crate can read of the rest reads the same.
            let (old, new) = (
                gltf::Gltf::from_slice(&std::fs::read(&path).unwrap()).unwrap(),
                gltf::Gltf::from_slice(&file).unwrap(),
            );
            let attributes = |gltf: &gltf::Gltf| {
                let blob = gltf.blob.clone().unwrap();
                let primitive = gltf.meshes().next().unwrap().primitives().next().unwrap();
                let reader = primitive.reader(|_| Some(&blob));
                let positions: Vec<_> = reader.read_positions().unwrap().collect();
                let normals: Option<Vec<_>> = reader.read_normals().map(Iterator::collect);
                let uvs: Vec<_> = reader.read_tex_coords(0).unwrap().into_f32().collect();
                let indices: Option<Vec<_>> = reader.read_indices().map(|i| i.into_u32().collect());
                (positions, normals, uvs, indices)
            };
            assert_eq!(attributes(&old), attributes(&new));
            let image = |gltf: &gltf::Gltf| match gltf.images().next().unwrap().source() {
                gltf::image::Source::View { view, .. } => {
                    let blob = gltf.blob.as_ref().unwrap();
                    blob[view.offset()..view.offset() + view.length()].to_vec()
                }
                gltf::image::Source::Uri { .. } => unreachable!("the samples hold their images"),
            };
            assert_eq!(image(&old), image(&new));
            // What was written is what was meant, within half a step.
            let again = characters(
                &Document::from_bytes("again.glb".as_ref(), file).unwrap(),
                None,
            )
            .unwrap();
            let read = again[0].character.weights.as_ref().unwrap();
            for v in 0..read.len() {
                let (a, b): (Vec<_>, Vec<_>) = (read.of(v).collect(), weights.of(v).collect());
                assert!(
                    a.iter().zip(&b).all(|(a, b)| (a.1 - b.1).abs() < 1e-6),
                    "{a:?} {b:?}"
                );
            }
            // Again and again: no growth.
            let twice =
                with_weights(&baked, &[NewWeights::all(&again[0], &weights)], format).unwrap();
            assert_eq!(as_glb(&twice).len(), as_glb(&baked).len());
        }
    }
}

#[test]
fn clips_of_the_samples_are_read() {
    for path in samples() {
        let document = Document::open(&path).unwrap();
        let loaded = characters(&document, None).unwrap();
        let skeleton = &loaded[0].character.skeleton;
        let (found, _) = clips(&document, skeleton, 30.0).unwrap();
        assert_eq!(
            found.len(),
            document.json()["animations"].as_array().unwrap().len()
        );
        for clip in &found {
            let most = clip
                .frames
                .iter()
                .flat_map(|frame| &frame.moves)
                .map(|own| own.rotation.angle())
                .fold(0.0, f64::max);
            assert!(most > 0.1 && most < 3.2, "{}: {most}", clip.name);
            assert!(
                clip.frames
                    .windows(2)
                    .all(|pair| pair[0].time < pair[1].time)
            );
        }
    }
}

#[test]
fn a_pose_clip_of_a_sample_reads_back() {
    for path in samples() {
        let document = Document::open(&path).unwrap();
        let loaded = characters(&document, None).unwrap();
        let skeleton = &loaded[0].character.skeleton;
        let turn = nalgebra::UnitQuaternion::from_euler_angles(0.5, -0.4, 0.3);
        let poses: Vec<Pose> = skeleton
            .ids()
            .map(|id| Pose::new("one", vec![(id, turn)]))
            .collect();
        let shown = with_clip(&document, skeleton, &poses).unwrap();
        // Poses stand from every sixth eighth of a second on.
        let (found, _) = clips(&renamed(&shown, "range"), skeleton, 8.0).unwrap();
        assert_eq!(found[0].frames.len(), 6 * (poses.len() + 1) + 1);
        for (p, pose) in poses.iter().enumerate() {
            for id in skeleton.ids() {
                let expected = pose.of(id).copied().unwrap_or_else(Move::still).rotation;
                let read = found[0].frames[6 * (p + 1)].moves[id.index()].rotation;
                assert!(
                    read.angle_to(&expected) < 1e-3,
                    "pose {p}, joint {}",
                    id.index()
                );
            }
        }
        assert!(gltf::Gltf::from_slice(&as_glb(&shown)).is_ok());
        let folder = tempfile::tempdir().unwrap();
        asset::save(&shown, &folder.path().join("as.gltf")).unwrap();
        assert!(Document::open(&folder.path().join("as.gltf")).is_ok());
    }
}
