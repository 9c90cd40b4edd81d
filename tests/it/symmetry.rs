//! Left and right: exactly alike in the written file, wherever the character is.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use nalgebra::{Translation3, Unit};
use serde_json::json;
use tanyard::asset::WeightFormat;
use tanyard::bind;
use tanyard::deform::{LayerKind, Skinning, Stack};
use tanyard::fit::{self, Gram, symmetric_candidates};
use tanyard::job::{self, Request, Stage, Watch};
use tanyard::recipe::{Recipe, Symmetry};
use tanyard::report::CharacterReport;
use tanyard::rig::{Axis, JointId, JointSpec, Mirror, Pose, Skeleton, Surface, Weights};

use crate::asset_kit::{Kit, U8, U32};
use crate::bake::{folder, put};
use crate::files::demos;
use crate::layers::{MUSH, RELAX, layer};
use crate::shapes::{fold, turn};

/// A T of cloth, symmetric across x to the bit, and a blade in its right hand, a piece by itself.
pub struct Doll {
    pub positions: Vec<[f32; 3]>,
    triangles: Vec<[u32; 3]>,
    pub bind: Vec<u8>,
    /// The vertices of the T come first.
    pub body: usize,
}

/// Name, parent, place. The blade hangs from the right hand alone.
const JOINTS: [(&str, Option<usize>, [f64; 3]); 7] = [
    ("root", None, [0.0, 0.0, 0.0]),
    ("chest", Some(0), [0.0, 2.0, 0.0]),
    ("arm_l", Some(1), [0.25, 3.0, 0.0]),
    ("hand_l", Some(2), [2.5, 3.0, 0.0]),
    ("arm_r", Some(1), [-0.25, 3.0, 0.0]),
    ("hand_r", Some(4), [-2.5, 3.0, 0.0]),
    ("blade", Some(5), [-4.0, 3.0, 0.0]),
];

const STEP: f32 = 0.25;

impl Doll {
    /// With a column of vertices on the plane or with edges across it; with triangles that are mirrored as
    /// well, or all cut the same way.
    pub fn new(has_middle: bool, cuts_are_mirrored: bool) -> Self {
        let mut doll = Self {
            positions: Vec::new(),
            triangles: Vec::new(),
            bind: Vec::new(),
            body: 0,
        };
        let offset = if has_middle { 0.0 } else { 0.5 };
        let mut number = BTreeMap::new();
        for j in 0..15 {
            for i in -14..=14 {
                let (x, y) = ((i as f32 + offset) * STEP, j as f32 * STEP);
                let wide = if y < 2.4 { 0.8 } else { 3.3 };
                if x.abs() > wide {
                    continue;
                }
                number.insert((i, j), doll.positions.len() as u32);
                let z = 0.2 * (2.0 * x.abs() + y).cos() + 0.05 * y * x.abs();
                doll.positions.push([x, y, z]);
                let arm = if x > 0.0 { 2 } else { 4 };
                doll.bind.push(match (x.abs(), y) {
                    (far, 2.4..) if far > 2.5 => arm + 1,
                    (far, 2.4..) if far > 0.1 => arm,
                    (_, 2.0..) => 1,
                    _ => 0,
                });
            }
        }
        doll.body = doll.positions.len();
        for (&(i, j), &a) in &number {
            let others = [(i + 1, j), (i, j + 1), (i + 1, j + 1)];
            if let [Some(&b), Some(&c), Some(&d)] = others.map(|place| number.get(&place)) {
                let (cut, other_cut) = ([[a, b, c], [b, d, c]], [[a, b, d], [a, d, c]]);
                let middle = i as f32 + offset + 0.5;
                if middle >= 0.0 || !cuts_are_mirrored {
                    doll.triangles.extend(cut);
                }
                // A square on the plane has no mirrored cut: it is cut both ways.
                if middle <= 0.0 && cuts_are_mirrored {
                    doll.triangles.extend(other_cut);
                }
            }
        }
        for i in 0..8u32 {
            for side in 0..3u32 {
                let v = doll.positions.len() as u32;
                let along = -2.6 - 0.3 * i as f32;
                doll.positions
                    .push([along, 3.0 + 0.2 * side as f32, 1.0 + 0.1 * (i * i) as f32]);
                doll.bind.push(if i < 4 { 5 } else { 6 });
                if i > 0 && side > 0 {
                    doll.triangles
                        .extend([[v, v - 1, v - 3], [v - 1, v - 4, v - 3]]);
                }
            }
        }
        doll
    }

    /// The T alone.
    pub fn unarmed(mut self) -> Self {
        self.positions.truncate(self.body);
        self.bind.truncate(self.body);
        let body = self.body as u32;
        self.triangles.retain(|corners| corners[0] < body);
        self
    }

    /// One vertex of a pair on the other joint, and one on the plane on the left arm.
    fn with_slips(mut self) -> Self {
        let at = |x: f32, y: f32| self.positions.iter().position(|p| p[0] == x && p[1] == y);
        let (pair, plane) = (
            at(-1.0, 3.0).expect("a vertex"),
            at(0.0, 3.0).expect("a vertex"),
        );
        self.bind[pair] = 1;
        self.bind[plane] = 2;
        self
    }

    fn skeleton() -> Skeleton {
        let specs = JOINTS
            .iter()
            .enumerate()
            .map(|(node, &(name, parent, [x, y, z]))| JointSpec {
                name: name.to_owned(),
                node,
                parent,
                inverse_bind: Translation3::new(-x, -y, -z).to_homogeneous(),
            });
        Skeleton::new(specs.collect()).expect("a tree of joints")
    }

    pub fn file(&self) -> Vec<u8> {
        let mut kit = Kit::new();
        let count = self.positions.len();
        let positions = kit.floats("VEC3", count, self.positions.as_flattened());
        let bound = |best: fn(f32, f32) -> f32, start: f32| -> Vec<f32> {
            (0..3)
                .map(|i| self.positions.iter().map(|p| p[i]).fold(start, best))
                .collect()
        };
        kit.json["accessors"][positions]["min"] = json!(bound(f32::min, f32::INFINITY));
        kit.json["accessors"][positions]["max"] = json!(bound(f32::max, f32::NEG_INFINITY));
        let corners = self.triangles.as_flattened();
        let bytes: Vec<u8> = corners.iter().flat_map(|v| v.to_le_bytes()).collect();
        let corners = kit.accessor("SCALAR", U32, corners.len(), &bytes);
        let joints: Vec<u8> = self
            .bind
            .iter()
            .flat_map(|&joint| [joint, 0, 0, 0])
            .collect();
        let joints = kit.accessor("VEC4", U8, count, &joints);
        let weights = kit.floats("VEC4", count, &[1.0, 0.0, 0.0, 0.0].repeat(count));
        kit.push(
            "meshes",
            json!({ "primitives": [{
                "attributes": { "POSITION": positions, "JOINTS_0": joints, "WEIGHTS_0": weights },
                "indices": corners,
            }]}),
        );
        let mut binds = Vec::new();
        for (node, (name, parent, place)) in JOINTS.iter().enumerate() {
            let above = parent.map_or([0.0; 3], |parent| JOINTS[parent].2);
            let from_above: Vec<f64> = (0..3).map(|i| place[i] - above[i]).collect();
            let children: Vec<usize> = (0..JOINTS.len())
                .filter(|&child| JOINTS[child].1 == Some(node))
                .collect();
            let mut json = json!({ "name": name, "translation": from_above });
            if !children.is_empty() {
                json["children"] = json!(children);
            }
            kit.push("nodes", json);
            let [x, y, z] = place.map(|x| -x as f32);
            binds.extend([
                1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, x, y, z, 1.0,
            ]);
        }
        let binds = kit.floats("MAT4", JOINTS.len(), &binds);
        let all: Vec<usize> = (0..JOINTS.len()).collect();
        kit.push(
            "skins",
            json!({ "joints": all, "inverseBindMatrices": binds }),
        );
        let mesh = kit.push("nodes", json!({ "name": "doll", "mesh": 0, "skin": 0 }));
        kit.json["scenes"][0]["nodes"] = json!([0, mesh]);
        kit.glb()
    }
}

pub struct Silent;

impl Watch for Silent {
    fn progress(&self, _: &str, _: Stage, _: usize, _: usize) {}
    fn interrupted(&self) -> bool {
        false
    }
}

/// Bakes a file through the library; gives the report and what was written.
pub fn baked(file: &[u8], recipe: &Recipe) -> (CharacterReport, Vec<u8>) {
    let folder = folder();
    let output = folder.path().join("out.glb");
    let request = Request::new(put(folder.path(), "in.glb", file), recipe.clone());
    let mut report = job::bake(&request, &output, &Silent).expect("the file bakes");
    (
        report.characters.remove(0),
        fs::read(output).expect("it was written"),
    )
}

fn recipe(symmetry: Symmetry) -> Recipe {
    let text = "[poses]\nsweep_steps = 1\nblends = 16\nheld_out = 4\n[[layer]]\nkind = \"relax\"\nrounds = 2\n\
                [[layer]]\nkind = \"mush\"\nrounds = 4\n";
    let mut recipe = Recipe::parse(Path::new("r"), text).expect("a good recipe");
    recipe.fit.symmetry = symmetry;
    recipe
}

/// A vertex's weights by the names of joints, as bits.
pub type Named = BTreeMap<String, u32>;

/// Positions and weights as the gltf crate reads them.
pub fn read_back(file: &[u8]) -> Vec<([f32; 3], Named)> {
    let gltf = gltf::Gltf::from_slice(file).expect("a valid file");
    let blob = gltf.blob.clone().expect("a buffer");
    let skin = gltf.skins().next().expect("a skin");
    let names: Vec<&str> = skin
        .joints()
        .map(|node| node.name().expect("named"))
        .collect();
    let mesh = gltf.meshes().next().expect("a mesh");
    let primitive = mesh.primitives().next().expect("a primitive");
    let reader = primitive.reader(|_| Some(&blob));
    let positions = reader.read_positions().expect("positions");
    let joints = reader.read_joints(0).expect("joints").into_u16();
    let weights = reader.read_weights(0).expect("weights").into_f32();
    positions
        .zip(joints.zip(weights))
        .map(|(position, (joints, weights))| {
            let used = joints
                .into_iter()
                .zip(weights)
                .filter(|entry| entry.1 > 0.0);
            let named = used
                .map(|(joint, weight)| (names[usize::from(joint)].to_owned(), weight.to_bits()));
            (position, named.collect())
        })
        .collect()
}

pub fn other_side(name: &str) -> String {
    match name.strip_suffix("_l") {
        Some(stem) => format!("{stem}_r"),
        None => name
            .strip_suffix("_r")
            .map_or(name.to_owned(), |stem| format!("{stem}_l")),
    }
}

/// Asserts that of the body each vertex has its mirror image's weights, to the bit.
pub fn assert_symmetric(doll: &Doll, file: &[u8], what: &str) {
    let rows = read_back(file);
    let by_place: BTreeMap<[u32; 3], &Named> = rows
        .iter()
        .map(|(position, named)| (position.map(f32::to_bits), named))
        .collect();
    for (position, named) in &rows[..doll.body] {
        let [x, y, z] = *position;
        // Zero has two signs.
        let image = [0.0 - x, y, z].map(f32::to_bits);
        let opposite: Named = by_place[&image]
            .iter()
            .map(|(name, &weight)| (other_side(name), weight))
            .collect();
        assert_eq!(named, &opposite, "{what}: at {position:?}");
    }
}

#[test]
fn written_weights_are_symmetric_to_the_bit() {
    for (has_middle, cuts_are_mirrored) in [(true, false), (true, true), (false, false)] {
        let mut doll = Doll::new(has_middle, cuts_are_mirrored);
        if has_middle {
            doll = doll.with_slips();
        }
        let file = doll.file();
        for format in [WeightFormat::F32, WeightFormat::U16, WeightFormat::U8] {
            for influences in [1, 2, 3, 4] {
                for smoothness in [0.0, 0.05] {
                    let mut recipe = recipe(Symmetry::Auto);
                    recipe.write.weights = format;
                    recipe.fit.influences = influences;
                    recipe.fit.smoothness = smoothness;
                    let (report, written) = baked(&file, &recipe);
                    let what = format!("{format:?}, K = {influences}, s = {smoothness}");
                    assert_symmetric(&doll, &written, &what);
                    let symmetry = report.symmetry;
                    assert_eq!(symmetry.axis.as_deref(), Some("x"), "{what}");
                    assert_eq!(symmetry.mirror_error, Some(0.0), "{what}");
                    let plane = doll.positions[..doll.body]
                        .iter()
                        .filter(|p| p[0] == 0.0)
                        .count();
                    assert_eq!(symmetry.plane_vertices, Some(plane), "{what}");
                    assert_eq!(symmetry.paired_vertices, Some(doll.body - plane), "{what}");
                    assert_eq!(symmetry.unpaired_pieces.len(), 1);
                    assert_eq!(symmetry.unpaired_pieces[0].piece, 1);
                    assert_eq!(symmetry.unpaired_joints, ["blade"]);
                }
            }
        }
    }
}

#[test]
fn bind_is_made_symmetric_first() {
    let doll = Doll::new(true, true).with_slips();
    let surface = Surface::weld(&doll.positions, &doll.triangles);
    let skeleton = Doll::skeleton();
    let mirror = Mirror::find(&skeleton, &surface, None).expect("symmetric");
    let joint = |&joint: &u8| JointId(joint.into());
    let mut found: Vec<JointId> = doll.bind.iter().map(joint).collect();
    bind::symmetric(&mut found, &skeleton, &surface, &mirror);
    // The pair as on its higher side; on the plane the joint above the arm; all else as it was.
    let right: Vec<JointId> = Doll::new(true, true).bind.iter().map(joint).collect();
    assert_eq!(found, right);
}

#[test]
fn without_symmetry_the_same_doll_is_not_symmetric() {
    // Else the test above could not fail.
    let doll = Doll::new(true, false);
    let (report, written) = baked(&doll.file(), &recipe(Symmetry::Off));
    assert_eq!(
        (report.symmetry.axis, report.symmetry.mirror_error),
        (None, None)
    );
    let rows = read_back(&written);
    let uneven = rows[..doll.body].iter().filter(|(position, named)| {
        let image = [0.0 - position[0], position[1], position[2]];
        let other = rows.iter().find(|row| row.0 == image).expect("an image");
        named
            .iter()
            .any(|(name, weight)| other.1.get(&other_side(name)) != Some(weight))
    });
    assert!(uneven.count() > doll.body / 4);
}

#[test]
fn one_sided_gear_is_as_without_symmetry() {
    let doll = Doll::new(true, true);
    // Without smoothness: with it, sweeps end when the body's do, and so the gear's.
    let [with, without] = [Symmetry::X, Symmetry::Off]
        .map(|symmetry| read_back(&baked(&doll.file(), &recipe(symmetry)).1));
    assert_eq!(with[doll.body..], without[doll.body..]);
    let on_two = with[doll.body..].iter().filter(|row| row.1.len() > 1);
    assert!(on_two.count() > 0, "nothing was blended");
    assert_ne!(with[..doll.body], without[..doll.body]);
}

#[test]
fn symmetry_costs_little_error() {
    for cuts_are_mirrored in [true, false] {
        let doll = Doll::new(true, cuts_are_mirrored);
        let [with, without] = [Symmetry::Auto, Symmetry::Off].map(|symmetry| {
            let (report, _) = baked(&doll.file(), &recipe(symmetry));
            report.errors.baked.fit.expect("fit poses").rms_percent
        });
        let above = with / without - 1.0;
        println!(
            "symmetric weights: {:.2} % more error on fit poses",
            100.0 * above
        );
        assert!((-1e-9..0.05).contains(&above), "{with} against {without}");
    }
}

#[test]
fn threads_do_not_change_symmetric_weights() {
    let file = Doll::new(false, false).file();
    let mut recipe = recipe(Symmetry::Auto);
    recipe.fit.smoothness = 0.05;
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.expect("threads").install(|| baked(&file, &recipe).1)
    };
    assert!(run(1) == run(3));
}

#[test]
fn without_partners_nothing_changes() {
    let mut quick = recipe(Symmetry::Auto);
    quick.poses.clips = false;
    let mut uneven = 0;
    for path in demos() {
        let file = fs::read(&path).expect("a demo");
        let (report, auto) = baked(&file, &quick);
        let symmetry = report.symmetry;
        println!("{}: {symmetry:?}", path.display());
        if symmetry.axis.is_none() {
            uneven += 1;
            quick.fit.symmetry = Symmetry::Off;
            assert!(auto == baked(&file, &quick).1, "{}", path.display());
            quick.fit.symmetry = Symmetry::Auto;
        }
    }
    assert!(uneven > 0, "every demo is symmetric: the test says nothing");
}

/// The fit of a doll, up to the solve.
struct Problem {
    doll: Doll,
    surface: Surface,
    base: Weights,
    mirror: Mirror,
    gram: Gram,
}

impl Problem {
    /// With poses that differ from side to side, or each of them with its mirror image.
    pub fn new(has_middle: bool, poses_are_mirrored: bool) -> Self {
        let doll = Doll::new(has_middle, true);
        let surface = Surface::weld(&doll.positions, &doll.triangles);
        assert_eq!(surface.len(), doll.positions.len(), "no copies");
        let skeleton = Doll::skeleton();
        let mut mirror = Mirror::find(&skeleton, &surface, Some(Axis::X)).expect("symmetric");
        let joint = |&joint: &u8| JointId(joint.into());
        let mut bind: Vec<JointId> = doll.bind.iter().map(joint).collect();
        bind::symmetric(&mut bind, &skeleton, &surface, &mirror);
        let base = Weights::rigid(&bind);
        let layers = [layer(LayerKind::Relax(RELAX)), layer(LayerKind::Mush(MUSH))];
        let stack = Stack::new(&surface, base.clone(), Skinning::Linear, &layers);
        let poses: Vec<Pose> = (0..12)
            .flat_map(|p| {
                let rotations: Vec<_> = (1..6)
                    .map(|j| {
                        let phase = f64::from(p * 7 + j * 5);
                        let angles = [phase.sin(), (1.3 * phase).cos(), (0.7 * phase).sin()];
                        let [x, y, z] = angles.map(|angle| 40.0 * angle);
                        (JointId(j as u16), turn(x, y, z))
                    })
                    .collect();
                let image = rotations.iter().map(|&(id, q)| {
                    let q = nalgebra::Quaternion::new(q.w, q.i, -q.j, -q.k);
                    (mirror.joint(id).expect("a partner"), Unit::new_normalize(q))
                });
                let image = Pose::new(format!("{p} mirrored"), image);
                let image = Some(image).filter(|_| poses_are_mirrored);
                [Some(Pose::new(p.to_string(), rotations)), image]
            })
            .flatten()
            .collect();
        let row = |v: usize| stack.spread().of(v);
        let candidates = symmetric_candidates(row, 1e-4, &mut mirror);
        let mut gram = Gram::new(candidates, surface.diagonal());
        fold(&mut gram, &stack, &skeleton, &poses);
        Self {
            doll,
            surface,
            base,
            mirror,
            gram,
        }
    }

    fn solve(&self, mirror: Option<&Mirror>, smoothness: f64) -> Weights {
        let options = fit::Options {
            influences: 4,
            smoothness,
            hold_percent: 1e-4,
            prune: 0.0,
            steps: 1 << 24,
        };
        fit::solve(
            &self.gram,
            &self.surface,
            &self.base,
            mirror,
            None,
            &options,
        )
        .weights
    }

    /// The mean squared error of a vertex with weights given by joint.
    fn error(&self, v: usize, weight_of: impl Fn(JointId) -> f32) -> f64 {
        let mut w = [0.0; 16];
        for (w, &id) in w.iter_mut().zip(self.gram.candidates().of(v)) {
            *w = f64::from(weight_of(id));
        }
        self.gram.quadratic(v).value(&w)
    }
}

fn weight_of(weights: &Weights, v: usize, id: JointId) -> f32 {
    let found = weights.of(v).find(|entry| entry.0 == id);
    found.map_or(0.0, |entry| entry.1)
}

#[test]
fn symmetric_problems_have_the_same_solution_with_and_without() {
    for has_middle in [true, false] {
        let problem = Problem::new(has_middle, true);
        // Without smoothness f32 rounding of targets, through the fit; with it sweeps end when no weight
        // changes by more than 0.001, either way.
        for (smoothness, tolerance) in [(0.0, 1e-5), (5.0, 2e-3)] {
            let with = problem.solve(Some(&problem.mirror), smoothness);
            let without = problem.solve(None, smoothness);
            let mut worst = 0.0f32;
            for v in 0..problem.doll.body {
                for j in 0..JOINTS.len() {
                    let of = |weights| weight_of(weights, v, JointId(j as u16));
                    worst = worst.max((of(&with) - of(&without)).abs());
                }
            }
            println!("middle {has_middle}, smoothness {smoothness}: apart by {worst:.1e}");
            assert!(
                worst < tolerance,
                "middle {has_middle}, s {smoothness}: {worst}"
            );
        }
    }
}

#[test]
fn partners_are_solved_for_the_sum_of_both_errors() {
    let problem = Problem::new(true, false);
    let mirror = &problem.mirror;
    let [both, each] = [Some(mirror), None].map(|mirror| problem.solve(mirror, 0.0));
    let mut gains = 0;
    for v in 0..problem.doll.body {
        let partner = mirror.vertex(v).expect("the body is symmetric");
        if partner <= v {
            continue;
        }
        let sum = |weights: &Weights, of: usize| {
            let own = |id| weight_of(weights, of, id);
            let across = |id| own(mirror.joint(id).expect("a partner"));
            if of == v {
                problem.error(v, own) + problem.error(partner, across)
            } else {
                problem.error(v, across) + problem.error(partner, own)
            }
        };
        // What is best for one side, on both sides.
        let (ours, one, other) = (sum(&both, v), sum(&each, v), sum(&each, partner));
        // Rounding of weights to 2⁻²⁴, and the hold.
        assert!(
            ours <= one.min(other) * (1.0 + 1e-5) + 1e-9,
            "{v}: {ours} {one} {other}"
        );
        gains += usize::from(ours < 0.99 * one.min(other));
    }
    assert!(
        gains > 10,
        "only {gains} pairs differ: the test says little"
    );
}
