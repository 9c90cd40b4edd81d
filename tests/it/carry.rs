//! Weights carried to other surfaces.

use std::path::{Path, PathBuf};

use nalgebra::{Matrix4, Point3, UnitQuaternion, Vector3};
use rayon::prelude::*;
use serde_json::{Value, json};
use tanyard::asset::{Document, characters, part_of};
use tanyard::carry::{self, Options, Row};
use tanyard::job::{self, Request};
use tanyard::pose::Poses;
use tanyard::recipe::Recipe;
use tanyard::rig::{Character, JointId, Pose, PoseSequence, Sight, Surface, Weights};

use crate::asset_kit::{Kit, parse_glb};
use crate::bake::{QUICK, bake, folder, put, report_of};
use crate::files::{demos, refused, tanyard_ok, word};
use crate::shapes::limb;

/// A demo, baked quickly, and the recipe.
struct Baked {
    folder: tempfile::TempDir,
    source: PathBuf,
    baked: PathBuf,
    recipe: PathBuf,
}

impl Baked {
    fn new() -> Self {
        let folder = folder();
        let source = demos()[0].clone();
        let baked = folder.path().join("baked.glb");
        let recipe = put(folder.path(), "quick.toml", QUICK);
        bake(&source, &baked, &["--recipe", word(&recipe)]);
        std::fs::copy(&baked, folder.path().join("copy.glb")).expect("a copy");
        Self {
            folder,
            source,
            baked,
            recipe,
        }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Carries from the baked file; gives the character's part of the report.
    fn carry(&self, to: &Path, output: &Path, extra: &[&str]) -> Value {
        let mut words = vec!["carry", word(&self.baked), word(to), "-o", word(output)];
        words.extend([
            "--source",
            word(&self.source),
            "--recipe",
            word(&self.recipe),
        ]);
        words.extend(extra);
        report_of(&words)["characters"][0].take()
    }
}

pub fn read(path: &Path) -> Character {
    let document = Document::open(path).expect("a file");
    let loaded = characters(&document, None).expect("a character");
    loaded.into_iter().next().expect("one").character
}

/// The mesh of a name.
fn part(path: &Path, name: &str) -> Character {
    let document = Document::open(path).expect("a file");
    let loaded = &characters(&document, None).expect("a character")[0];
    let is_it = |names: &[String]| names.iter().any(|own| own == name);
    let part = part_of(&document, loaded, &is_it).expect("a part");
    part.expect("triangles").character
}

fn weights(path: &Path) -> Weights {
    read(path).weights.expect("weights")
}

fn rms(character: &Value, set: &str, poses: &str) -> f64 {
    let figure = &character["errors"][set][poses]["rms_percent"];
    figure.as_f64().expect("a figure")
}

#[test]
fn onto_itself_weights_stay_the_same() {
    let baked = Baked::new();
    let output = baked.path("again.glb");
    let report = baked.carry(&baked.path("copy.glb"), &output, &["--no-refit"]);
    assert_eq!(report["carried"]["filled_vertices"], 0, "{report}");
    assert_eq!(weights(&output), weights(&baked.baked));
    // A fit could not do better than the bake, whose target it is.
    let fitted = baked.carry(&baked.path("copy.glb"), &output, &[]);
    assert_eq!(fitted["carried"]["fitted"], false);
    assert_eq!(weights(&output), weights(&baked.baked));
    for poses in ["fit", "held_out"] {
        assert_eq!(rms(&report, "baked", poses), rms(&fitted, "baked", poses));
    }
    // Under a smaller cap it does.
    let two = baked.carry(&baked.path("copy.glb"), &output, &["-k", "2"]);
    assert_eq!(two["carried"]["fitted"], true);
    for poses in ["fit", "held_out"] {
        assert!(rms(&two, "baked", poses) < 0.95 * rms(&two, "naive", poses));
    }
}

/// The surface with each triangle cut into four, and for each new vertex the two that it lies between.
fn subdivided(surface: &Surface) -> (Surface, Vec<(u32, u32)>) {
    let mut positions = surface.positions.clone();
    let mut between = Vec::new();
    let mut known = std::collections::HashMap::new();
    let mut triangles = Vec::new();
    for &[a, b, c] in &surface.triangles {
        let mut middle = |p: u32, q: u32| {
            *known.entry((p.min(q), p.max(q))).or_insert_with(|| {
                let [u, v] = [p, q].map(|v| surface.positions[v as usize]);
                positions.push(std::array::from_fn(|i| (u[i] + v[i]) / 2.0));
                between.push((p, q));
                positions.len() as u32 - 1
            })
        };
        let (ab, bc, ca) = (middle(a, b), middle(b, c), middle(c, a));
        triangles.extend([[a, ab, ca], [ab, b, bc], [ca, bc, c], [ab, bc, ca]]);
    }
    (Surface::weld(&positions, &triangles), between)
}

fn weight_of(row: &Row, joint: JointId) -> f64 {
    let entry = row.iter().find(|entry| entry.0 == joint);
    entry.map_or(0.0, |entry| entry.1)
}

#[test]
fn a_subdivided_copy_gets_the_interpolated_weights() {
    let character = read(&demos()[0]);
    let (surface, weights) = (
        &character.surface,
        character.weights.as_ref().expect("some"),
    );
    let (fine, between) = subdivided(surface);
    assert_eq!(
        fine.len(),
        surface.len() + between.len(),
        "nothing was welded"
    );
    let found = carry::matches(surface, weights, &fine, &Options::default());
    let rows = carry::rows(weights, &found.places);
    let mut compared = 0;
    for (v, row) in rows.iter().enumerate() {
        assert!(found.places[v].is_some(), "vertex {v} lies on the surface");
        let ends = match v.checked_sub(surface.len()) {
            None => (v as u32, v as u32),
            Some(middle) => between[middle],
        };
        // A middle is rounded to f32, which moves it along a short edge by more than the bound.
        let [from, to] = [ends.0, ends.1].map(|v| surface.point(v as usize));
        let (along, at) = (to - from, fine.point(v) - from);
        let share = along.dot(&at) / along.norm_squared().max(f64::MIN_POSITIVE);
        for joint in character.skeleton.ids() {
            let of = |v: u32| {
                let entry = weights.of(v as usize).find(|entry| entry.0 == joint);
                entry.map_or(0.0, |entry| f64::from(entry.1))
            };
            let expected = of(ends.0) * (1.0 - share) + of(ends.1) * share;
            let apart = (weight_of(row, joint) - expected).abs();
            // A place is as exact as f32 has the middle: beside a short edge, that is more than 1e-6 of it.
            let rounding = f64::from(f32::EPSILON) * surface.diagonal() / along.norm().max(1e-9);
            assert!(apart < 1e-6 + rounding, "vertex {v}: {apart}");
            compared += usize::from(expected > 0.0);
        }
    }
    assert!(compared > fine.len());
}

/// A flat sheet of squares, each cut along one of its diagonals at random; jittered inside.
fn sheet(side: usize) -> Surface {
    let noise = |k: usize, a: f64| (0.5 + a * k as f64).fract() - 0.5;
    let mut positions = Vec::new();
    for y in 0..=side {
        for x in 0..=side {
            let k = y * (side + 1) + x;
            let inside = x > 0 && y > 0 && x < side && y < side;
            let shift = |a: f64| if inside { 0.5 * noise(k, a) } else { 0.0 };
            let at = [
                x as f64 + shift(0.754_877),
                y as f64 + shift(0.569_840),
                0.0,
            ];
            positions.push(at.map(|x| x as f32));
        }
    }
    let mut triangles = Vec::new();
    for y in 0..side {
        for x in 0..side {
            let a = (y * (side + 1) + x) as u32;
            let (b, c, d) = (a + 1, a + side as u32 + 1, a + side as u32 + 2);
            match noise(a as usize, 0.819_173) > 0.0 {
                true => triangles.extend([[a, b, d], [a, d, c]]),
                false => triangles.extend([[a, b, c], [b, d, c]]),
            }
        }
    }
    Surface::weld(&positions, &triangles)
}

#[test]
fn linear_weights_on_a_flat_sheet_are_filled_exactly() {
    let side = 12;
    let surface = sheet(side);
    // Two joints, shared by a linear function of the place.
    let share = |v: usize| {
        let [x, y, _] = surface.positions[v].map(f64::from);
        0.1 + 0.03 * x + 0.02 * y
    };
    let full = |v: usize| vec![(JointId(0), 1.0 - share(v)), (JointId(3), share(v))];
    // A hole inside, one that reaches a border, and a corner.
    let holes: [&dyn Fn(f32, f32) -> bool; 3] = [
        &|x, y| (x - 6.0).abs() < 2.6 && (y - 6.0).abs() < 2.6,
        &|x, y| x > 8.0 && (y - 6.0).abs() < 1.6,
        &|x, y| x < 3.2 && y < 2.2,
    ];
    for (number, hole) in holes.into_iter().enumerate() {
        let open = |v: usize| hole(surface.positions[v][0], surface.positions[v][1]);
        let known: Vec<bool> = (0..surface.len()).map(|v| !open(v)).collect();
        let row = |v: usize| if open(v) { Row::new() } else { full(v) };
        let mut rows: Vec<Row> = (0..surface.len()).map(row).collect();
        assert!(carry::fill(&surface, &mut rows, &known));
        for (v, row) in rows.iter().enumerate() {
            let apart = (weight_of(row, JointId(3)) - share(v)).abs();
            // What holds loose corners is 1e-10 of the stiffness; a hole of a dozen vertices lifts it.
            assert!(apart < 1e-6, "hole {number}, vertex {v}: {apart}");
        }
        assert!(
            known.iter().filter(|known| !**known).count() > 8,
            "hole {number}"
        );
    }
}

#[test]
fn a_piece_without_matches_takes_the_closest_places_and_broken_ones_do_no_harm() {
    let character = limb();
    let weights = crate::shapes::rigid(&character);
    // Inside out and a little larger: no normal agrees.
    let surface = &character.surface;
    let turned: Vec<[u32; 3]> = surface
        .triangles
        .iter()
        .map(|&[a, b, c]| [a, c, b])
        .collect();
    let larger = surface.positions.iter().map(|p| p.map(|x| 1.05 * x));
    let inside_out = Surface::weld(&larger.collect::<Vec<_>>(), &turned);
    let found = carry::matches(surface, &weights, &inside_out, &Options::default());
    assert_eq!(found.forced, [0]);
    assert!(found.places.iter().all(Option::is_some));
    // Slivers only: there is nothing to solve with.
    let line: Vec<[f32; 3]> = (0..6).map(|k| [k as f32, 0.0, 0.0]).collect();
    let slivers = Surface::weld(&line, &[[0, 1, 2], [1, 2, 3], [2, 3, 4], [3, 4, 5]]);
    let known = [true, false, false, false, false, true];
    let mut rows: Vec<Row> = vec![Row::new(); 6];
    (rows[0], rows[5]) = (vec![(JointId(0), 1.0)], vec![(JointId(1), 1.0)]);
    carry::fill(&slivers, &mut rows, &known);
    for row in &rows {
        let sum: f64 = row.iter().map(|entry| entry.1).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{rows:?}");
    }
}

#[test]
fn capped_rows_lie_on_the_grid_and_keep_the_heaviest() {
    let row = |weights: &[f64]| -> Row {
        let entries = weights.iter().enumerate();
        entries.map(|(j, &w)| (JointId(j as u16), w)).collect()
    };
    let rows = [
        row(&[0.4, 0.3, 0.2, 0.1]),
        row(&[1.0]),
        Row::new(),
        row(&[1.0 / 3.0, 1.0 / 3.0, 1.0 / 3.0]),
    ];
    for steps in [255, 65535, 1 << 24] {
        let weights = carry::capped(&rows, 3, steps);
        weights.check(4).expect("sound");
        for v in 0..rows.len() {
            let count = |w: f32| (f64::from(w) * f64::from(steps)).round();
            let sum: f64 = weights.of(v).map(|entry| count(entry.1)).sum();
            assert_eq!(sum, f64::from(steps));
        }
        let first: Vec<f32> = weights.of(0).map(|entry| entry.1).collect();
        assert!((f64::from(first[0]) - 4.0 / 9.0).abs() <= 1.0 / f64::from(steps));
        assert_eq!(first.len(), 3);
    }
}

/// The bytes of an accessor of tightly packed numbers.
fn floats(kit: &mut Kit, accessor: usize, width: usize) -> Vec<&mut [u8]> {
    let accessor = kit.json["accessors"][accessor].clone();
    let view =
        kit.json["bufferViews"][accessor["bufferView"].as_u64().expect("a view") as usize].clone();
    let offset = |value: &Value| value["byteOffset"].as_u64().unwrap_or(0) as usize;
    let stride = view["byteStride"]
        .as_u64()
        .map_or(4 * width, |stride| stride as usize);
    let count = accessor["count"].as_u64().expect("a count") as usize;
    let start = offset(&view) + offset(&accessor);
    let all = &mut kit.bin[start..];
    all.chunks_mut(stride)
        .take(count)
        .map(|chunk| &mut chunk[..4 * width])
        .collect()
}

fn change(bytes: &mut [u8], map: impl Fn(Vec<f64>) -> Vec<f64>) {
    let numbers = bytes
        .chunks(4)
        .map(|b| f32::from_le_bytes(b.try_into().expect("four")));
    let mapped = map(numbers.map(f64::from).collect());
    for (chunk, number) in bytes.chunks_mut(4).zip(mapped) {
        chunk.copy_from_slice(&(number as f32).to_le_bytes());
    }
}

#[test]
fn another_mesh_space_in_the_same_scene_changes_nothing() {
    let baked = Baked::new();
    let plain = baked.path("plain.glb");
    baked.carry(&baked.path("copy.glb"), &plain, &["--no-refit"]);
    // Mesh space in hundredths, lying on its side: the joints stand where they stood in the scene.
    let space = UnitQuaternion::from_euler_angles(-std::f64::consts::FRAC_PI_2, 0.0, 0.3)
        .to_homogeneous()
        * Matrix4::new_scaling(100.0)
        * Matrix4::new_translation(&Vector3::new(0.4, 0.0, -0.2));
    let back = space.try_inverse().expect("it has one");
    let mut kit = parse_glb(&std::fs::read(&baked.baked).expect("a file"));
    let number = |value: &Value| value.as_u64().expect("a number") as usize;
    let mut seen = Vec::new();
    for mesh in kit.json["meshes"].as_array().expect("meshes").clone() {
        for primitive in mesh["primitives"].as_array().expect("primitives") {
            seen.push(number(&primitive["attributes"]["POSITION"]));
        }
    }
    seen.sort_unstable();
    seen.dedup();
    for accessor in seen {
        for bytes in floats(&mut kit, accessor, 3) {
            change(bytes, |p| {
                let at = space.transform_point(&Point3::new(p[0], p[1], p[2]));
                at.coords.iter().copied().collect()
            });
        }
        let object = kit.json["accessors"][accessor]
            .as_object_mut()
            .expect("an object");
        object.insert("min".into(), json!([-1e3, -1e3, -1e3]));
        object.insert("max".into(), json!([1e3, 1e3, 1e3]));
    }
    let matrices = number(&kit.json["skins"][0]["inverseBindMatrices"]);
    for bytes in floats(&mut kit, matrices, 16) {
        change(bytes, |m| {
            (Matrix4::from_column_slice(&m) * back)
                .iter()
                .copied()
                .collect()
        });
    }
    let other = put(baked.folder.path(), "other.glb", kit.glb());
    let output = baked.path("out.glb");
    let report = baked.carry(&other, &output, &["--no-refit"]);
    assert_eq!(report["carried"]["filled_vertices"], 0, "{report}");
    let (plain, found) = (weights(&plain), weights(&output));
    for v in 0..plain.len() {
        for (joint, weight) in plain.of(v) {
            let other = found
                .of(v)
                .find(|entry| entry.0 == joint)
                .map_or(0.0, |e| e.1);
            // Places are rounded to f32 twice, at a hundred times the size.
            assert!(
                (weight - other).abs() < 1e-3,
                "vertex {v}: {weight} and {other}"
            );
        }
    }
}

/// The ox with a second mesh of the same geometry, by that name, on the same skin.
fn with_copy(kit: &mut Kit, name: &str) {
    let nodes = kit.json["nodes"].as_array().expect("nodes").clone();
    let first = nodes
        .iter()
        .position(|node| node.get("skin").is_some())
        .expect("a skinned mesh");
    let mut node = nodes[first].clone();
    let mut mesh = kit.json["meshes"][node["mesh"].as_u64().expect("a mesh") as usize].clone();
    mesh["name"] = json!(name);
    node["name"] = json!(name);
    node["mesh"] = json!(kit.push("meshes", mesh));
    let number = kit.push("nodes", node);
    let scene = kit.json["scenes"][0]["nodes"]
        .as_array_mut()
        .expect("a scene");
    scene.push(json!(number));
}

#[test]
fn lods_of_a_recipe_follow_each_with_its_own_cap_and_limits() {
    let folder = folder();
    let mut kit = parse_glb(&std::fs::read(&demos()[0]).expect("a demo"));
    with_copy(&mut kit, "ox_lod1");
    with_copy(&mut kit, "ox_lod2");
    let input = put(folder.path(), "ox.glb", kit.glb());
    let recipe = format!(
        "{QUICK}[limits]\nmax_percent = 90\n[[lod]]\nmeshes = [\"*_lod1\"]\n\
         [[lod]]\nmeshes = [\"*_lod2\"]\ninfluences = 2\nlimits = {{ rms_percent = 1e-6 }}\n"
    );
    let recipe = put(folder.path(), "lod.toml", recipe);
    let output = folder.path().join("out.glb");
    let report = folder.path().join("report.json");
    let error = refused(
        &[
            "bake",
            word(&input),
            "-o",
            word(&output),
            "--recipe",
            word(&recipe),
            "--report",
            word(&report),
        ],
        1,
    );
    assert!(error.contains("rms_percent"), "{error}");
    let text = std::fs::read_to_string(&report).expect("a report");
    let report: Value = serde_json::from_str(&text).expect("JSON");
    crate::report::check_fields(&report);
    let all = report["files"][0]["characters"]
        .as_array()
        .expect("characters");
    let names: Vec<&str> = all.iter().filter_map(|one| one["name"].as_str()).collect();
    assert_eq!(names.len(), 3, "{names:?}");
    assert_eq!(names[1..], ["ox_lod1", "ox_lod2"]);
    assert_eq!(all[0]["carried"], Value::Null);
    for (place, lod) in [(1, 0), (2, 1)] {
        assert_eq!(
            all[place]["carried"]["lod"], lod,
            "{}",
            all[place]["carried"]
        );
    }
    // The first lies upon what it follows and has its cap: its error is that of LOD0 where it has the same vertices.
    let limit = |one: &Value| one["limits"][0]["limit"].as_str().map(str::to_owned);
    assert_eq!(limit(&all[0]).as_deref(), Some("max_percent"));
    assert_eq!(limit(&all[1]).as_deref(), Some("max_percent"));
    assert_eq!(limit(&all[2]).as_deref(), Some("rms_percent"));
    assert_eq!(all[2]["limits"][0]["exceeded"], true);
    assert!(all[2]["influences"].as_array().expect("a list").len() <= 2);
    for poses in ["fit", "held_out"] {
        assert!(
            rms(&all[2], "baked", poses) < rms(&all[2], "naive", poses),
            "{poses}"
        );
        assert!(
            rms(&all[1], "baked", poses) < rms(&all[1], "rigid", poses),
            "{poses}"
        );
    }
    // Written where they belong: the second LOD has two joints a vertex at most in the file.
    let part = part(&output, "ox_lod2");
    assert_eq!(part.name, "ox_lod2");
    assert!(part.weights.expect("weights").most_influences() <= 2);
}

#[test]
fn both_surfaces_may_be_in_one_file() {
    let baked = Baked::new();
    let mut kit = parse_glb(&std::fs::read(&baked.baked).expect("a file"));
    with_copy(&mut kit, "coarse");
    let input = put(baked.folder.path(), "both.glb", kit.glb());
    let output = baked.path("out.glb");
    let words = [
        "carry",
        word(&input),
        "-o",
        word(&output),
        "--recipe",
        word(&baked.recipe),
    ];
    let report = report_of(&[&words[..], &["--to", "coarse", "-k", "2"]].concat());
    let characters = report["characters"].as_array().expect("characters");
    assert_eq!(characters.len(), 1);
    assert_eq!(characters[0]["name"], "coarse");
    // The others are as they were.
    let plain = read(&output);
    let error = refused(&words, 2);
    assert!(error.contains("--from or --to"), "{error}");
    let error = refused(&[&words[..], &["--to", "nothing*"]].concat(), 2);
    assert!(error.contains("--to: expected a mesh"), "{error}");
    assert!(plain.weights.is_some());
}

#[test]
fn a_mesh_without_a_skeleton_gets_that_of_the_other() {
    let baked = Baked::new();
    let mut kit = parse_glb(&std::fs::read(&baked.baked).expect("a file"));
    let object = kit.json.as_object_mut().expect("an object");
    object.shift_remove("skins");
    object.shift_remove("animations");
    for node in kit.json["nodes"].as_array_mut().expect("nodes") {
        node.as_object_mut()
            .expect("an object")
            .shift_remove("skin");
    }
    for mesh in kit.json["meshes"].as_array_mut().expect("meshes") {
        for primitive in mesh["primitives"].as_array_mut().expect("primitives") {
            let attributes = primitive["attributes"].as_object_mut().expect("attributes");
            attributes
                .retain(|name, _| !name.starts_with("JOINTS") && !name.starts_with("WEIGHTS"));
        }
    }
    let bare = put(baked.folder.path(), "bare.glb", kit.glb());
    let output = baked.path("out.glb");
    baked.carry(&bare, &output, &["--no-refit"]);
    let (found, expected) = (read(&output), read(&baked.baked));
    let names = |c: &Character| -> Vec<String> {
        c.skeleton
            .joints()
            .iter()
            .map(|joint| joint.name.clone())
            .collect()
    };
    assert_eq!(names(&found), names(&expected));
    for id in found.skeleton.ids() {
        // Mesh space is that of the scene, about the mesh.
        let apart = found.skeleton.origin(id) - expected.skeleton.origin(id);
        assert!(apart.norm() < 1e-5 * expected.surface.diagonal(), "{apart}");
    }
    assert_eq!(found.weights, expected.weights);
}

#[test]
fn what_cannot_be_carried_is_named() {
    let folder = folder();
    let (ox, tanner) = (&demos()[0], &demos()[1]);
    let output = folder.path().join("never.glb");
    // Weights that are not there.
    let otter = &crate::files::hard_demos()[0];
    let error = refused(
        &[
            "carry",
            word(otter),
            word(otter),
            "-o",
            word(&output),
            "--from",
            "*",
        ],
        3,
    );
    assert!(error.contains("bake it first"), "{error}");
    // No joint in common.
    let mut kit = parse_glb(&std::fs::read(ox).expect("a demo"));
    for node in kit.json["nodes"].as_array_mut().expect("nodes") {
        let name = node["name"].as_str().unwrap_or("none").to_owned();
        node["name"] = json!(format!("other_{name}"));
    }
    let other = put(folder.path(), "other.glb", kit.glb());
    let error = refused(
        &["carry", word(tanner), word(&other), "-o", word(&output)],
        3,
    );
    assert!(error.contains("joints go by their names"), "{error}");
    // A target that is read besides.
    let before = std::fs::read(ox).expect("a demo");
    let copy = put(folder.path(), "copy.glb", &before);
    refused(&["carry", word(&copy), word(tanner), "-o", word(&copy)], 2);
    assert_eq!(std::fs::read(&copy).expect("a copy"), before);
    assert!(!output.exists());
    let help = tanyard_ok(&["carry", "--help"]);
    assert!(help.contains("--no-refit"), "{help}");
}

/// A jacket: what the body has around spine and arms, a little larger, on the same skeleton.
fn jacket(baked: &Path, body: &str) -> Kit {
    let character = part(baked, body);
    let (surface, weights) = (
        &character.surface,
        character.weights.as_ref().expect("weights"),
    );
    let is_inside = |v: u32| {
        let joint = weights.of(v as usize).next().expect("a joint").0;
        let name = &character.skeleton.joint(joint).name;
        ["spine", "clavicle", "upper_arm", "forearm"]
            .iter()
            .any(|part| name.starts_with(part))
    };
    let normals = surface.normals();
    let size = surface.diagonal();
    let mut numbers = Vec::new();
    for (v, normal) in normals.iter().enumerate() {
        let at = surface.point(v) + normal * (0.008 * size);
        numbers.extend(at.coords.iter().map(|&x| x as f32));
    }
    let inside = surface
        .triangles
        .iter()
        .filter(|corners| corners.iter().all(|&v| is_inside(v)));
    let corners: Vec<u8> = inside.flatten().flat_map(|v| v.to_le_bytes()).collect();
    let mut kit = parse_glb(&std::fs::read(baked).expect("a file"));
    kit.json["buffers"] = Value::Null;
    for node in kit.json["nodes"].as_array_mut().expect("nodes") {
        let node = node.as_object_mut().expect("an object");
        node.shift_remove("mesh");
        node.shift_remove("skin");
    }
    let position = kit.floats("VEC3", numbers.len() / 3, &numbers);
    kit.json["accessors"][position]["min"] = json!([-1e3, -1e3, -1e3]);
    kit.json["accessors"][position]["max"] = json!([1e3, 1e3, 1e3]);
    let indices = kit.accessor("SCALAR", crate::asset_kit::U32, corners.len() / 4, &corners);
    kit.json["meshes"] = json!([{
        "name": "jacket",
        "primitives": [{ "attributes": { "POSITION": position }, "indices": indices }],
    }]);
    let node = kit.push("nodes", json!({ "name": "jacket", "mesh": 0, "skin": 0 }));
    let scene = kit.json["scenes"][0]["nodes"]
        .as_array_mut()
        .expect("a scene");
    scene.push(json!(node));
    kit
}

/// Where linear blend skinning has the vertices of a surface in a pose, in its own space.
pub fn skinned(character: &Character, surface: &Surface, pose: &Pose) -> Surface {
    let matrices = character.skeleton.skinning_matrices(pose);
    let weights = character.weights.as_ref().expect("weights");
    let place = |v: usize| {
        let at = surface.point(v);
        let moved = weights.of(v).map(|(joint, weight)| {
            matrices[joint.index()].transform_point(&at).coords * f64::from(weight)
        });
        let sum: Vector3<f64> = moved.sum();
        [sum.x as f32, sum.y as f32, sum.z as f32]
    };
    surface.moved((0..surface.len()).map(place).collect())
}

/// How deep vertices of cloth lie inside a body in poses: the sum over all, and how many.
fn depth(body: &Character, cloth: &Character, poses: &Poses) -> (f64, usize) {
    let used: Vec<usize> = (0..cloth.surface.len())
        .filter(|&v| !cloth.surface.rings.of(v).is_empty())
        .collect();
    let size = body.surface.diagonal();
    let of_pose = |index: usize| {
        let pose = poses.get(index);
        let skin = skinned(body, &body.surface, &pose);
        let worn = skinned(cloth, &cloth.surface, &pose);
        let sight = Sight::new(&skin);
        let normals = skin.normals();
        let mut found = (0.0, 0);
        for &v in &used {
            let at = worn.point(v);
            let closest = sight.closest(at).expect("a body");
            let corners = skin.triangles[closest.triangle].iter().zip(closest.shares);
            let normal: Vector3<f64> = corners.map(|(&c, share)| normals[c as usize] * share).sum();
            let height = (at - closest.place).dot(&normal) / normal.norm().max(1e-9) / size;
            if height < 0.0 {
                found = (found.0 - height, found.1 + 1);
            }
        }
        found
    };
    let all: Vec<(f64, usize)> = (0..poses.len()).into_par_iter().map(of_pose).collect();
    all.iter()
        .fold((0.0, 0), |sum, one| (sum.0 + one.0, sum.1 + one.1))
}

#[test]
fn a_jacket_stays_outside_the_body_at_least_as_well_as_by_plain_weights() {
    let folder = folder();
    let (source, body) = (&demos()[1], "tanner_body");
    let recipe = put(
        folder.path(),
        "r.toml",
        "[poses]\nsweep_steps = 1\nheld_out = 200\nclips = false\n",
    );
    let baked = folder.path().join("baked.glb");
    bake(source, &baked, &["--recipe", word(&recipe)]);
    let cloth = put(folder.path(), "jacket.glb", jacket(&baked, body).glb());
    let mut request = Request::new(source, Recipe::default());
    request.recipe =
        Recipe::parse(&recipe, &std::fs::read_to_string(&recipe).expect("text")).expect("a recipe");
    let poses = job::poses(&request)
        .expect("poses")
        .sets
        .swap_remove(0)
        .poses
        .held_out;
    assert_eq!(poses.len(), 200);
    let body = part(&baked, body);
    let mut found = Vec::new();
    for extra in [&["--no-refit"][..], &[]] {
        let output = folder.path().join("worn.glb");
        let mut words = vec!["carry", word(&baked), word(&cloth), "-o", word(&output)];
        words.extend([
            "--source",
            word(source),
            "--from",
            "tanner_body",
            "--recipe",
            word(&recipe),
        ]);
        words.extend(extra);
        report_of(&words);
        found.push(depth(&body, &read(&output), &poses));
    }
    let [(plain, plain_count), (fitted, fitted_count)] = found[..] else {
        panic!("two of them");
    };
    println!(
        "depth in the body, sum over 200 poses, shares of the size: plain {plain:.4} at {plain_count}, fitted {fitted:.4} at {fitted_count}"
    );
    assert!(fitted <= plain, "{fitted} and {plain}");
    assert!(plain_count > 0, "the poses must be a test of it");
}
