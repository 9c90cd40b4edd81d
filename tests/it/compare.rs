//! `tanyard compare`: two bakes of a demo, and small strips whose answers are known.

use std::fs;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use tanyard::deform::{LayerKind, Skinning, Stack, Stream};
use tanyard::error::Error;
use tanyard::job::{self, CompareRequest, Stage, Watch};
use tanyard::measure::{Measured, Tallies};
use tanyard::recipe::Recipe;
use tanyard::report::{Comparison, Verdict, comparison_table};
use tanyard::rig::{Character, JointId, Pose, Weights};

use crate::asset_kit::{F32, Kit, U8, U16};
use crate::bake::{QUICK, bake, folder, put};
use crate::files::{demos, refused, tanyard, tanyard_ok, word};
use crate::layers::{MUSH, layer};
use crate::plain;
use crate::report::assert_published;
use crate::shapes::{limb, poses, turn};

#[test]
fn published_schema_is_that_of_the_comparison() {
    let made = tanyard::report::comparison_schema();
    assert_published("compare.schema.json", &made);
}

/// Weights that no fit would give: a share on the last joint everywhere, far from where the layers bring it.
fn strange(character: &Character) -> Weights {
    let ids: Vec<JointId> = character.skeleton.ids().collect();
    let entries = (0..character.surface.len()).flat_map(|v| {
        let share = (v % 7) as f32 / 8.0;
        [(ids[v % 3], 1.0 - share), (ids[3], share)]
    });
    Weights::new(2, entries.collect())
}

/// The limb bound to its first three joints: no pose of the last one bends anything.
fn base(character: &Character) -> Weights {
    let ids: Vec<JointId> = character.skeleton.ids().collect();
    let joint = |p: &[f32; 3]| ids[(p[0].max(0.0) as usize).min(2)];
    Weights::rigid(
        &character
            .surface
            .positions
            .iter()
            .map(joint)
            .collect::<Vec<_>>(),
    )
}

/// Poses that turn many joints, one, the last one, and none.
fn some_poses(character: &Character) -> Vec<Pose> {
    let mut set = poses(character);
    let sweep = |id| Pose::new("sweep", vec![(id, turn(30.0, 0.0, 50.0))]);
    set.extend(character.skeleton.ids().map(sweep));
    set.push(Pose::bind("bind"));
    set
}

fn measured(character: &Character, sets: &[&Weights], width: usize) -> Vec<Measured> {
    let set = some_poses(character);
    let layers = [layer(LayerKind::Mush(MUSH))];
    let (surface, base) = (&character.surface, base(character));
    let stack = Stack::new(surface, base.clone(), Skinning::Linear, &layers);
    let mut versus = Tallies::new(sets, surface.diagonal(), set.len()).beyond(&base);
    let end: ControlFlow<()> =
        Stream::new(&stack, &character.skeleton, &set).run(width, |shapes, _| {
            versus.add(stack.rest(), shapes);
            ControlFlow::Continue(())
        });
    assert!(end.is_continue());
    versus.add_unbent(stack.rest(), &character.skeleton, stack.centre, &set);
    (0..sets.len()).map(|set| versus.measured(set)).collect()
}

#[test]
fn errors_by_pose_and_vertex_are_those_of_a_plain_count_for_any_weights() {
    let character = limb();
    let (base, strange) = (base(&character), strange(&character));
    let layers = [layer(LayerKind::Mush(MUSH))];
    let set = some_poses(&character);
    let diagonal = character.surface.diagonal();
    let sets = [&base, &strange];
    for (weights, found) in sets.iter().zip(measured(&character, &sets, 2)) {
        let count = character.surface.len();
        let (mut by_pose, mut by_vertex) = (vec![0.0; set.len()], vec![0.0; count]);
        let mut errors: Vec<(f64, usize, usize)> = Vec::new();
        for (p, pose) in set.iter().enumerate() {
            let target = plain::posed(&character, &base, &layers, pose);
            // Weights by themselves are a base without layers.
            let moved = plain::posed(&character, weights, &[], pose);
            for (v, (target, moved)) in target.iter().zip(&moved).enumerate() {
                let error = 100.0 * (moved - target).norm() / diagonal;
                by_pose[p] += error * error;
                by_vertex[v] += error * error;
                errors.push((error, v, p));
            }
        }
        // f32 positions: some 1e-5 percent, against errors of a tenth and more; squares sum to thousands.
        let near = |found: f64, plain: f64| (found - plain).abs() <= 1e-4 * plain + 1e-6;
        for (p, plain) in by_pose.iter().enumerate() {
            assert!(
                near(found.poses()[p], *plain),
                "{p}: {} for {plain}",
                found.poses()[p]
            );
        }
        for (v, plain) in by_vertex.iter().enumerate() {
            assert!(
                near(found.sum(v), *plain),
                "{v}: {} for {plain}",
                found.sum(v)
            );
        }
        errors.sort_by(|a, b| a.0.total_cmp(&b.0));
        let rms = (by_pose.iter().sum::<f64>() / errors.len() as f64).sqrt();
        let p99 = errors[(errors.len() * 99).div_ceil(100) - 1].0;
        let (max, vertex, pose) = errors[errors.len() - 1];
        assert!(near(found.figures.rms, rms) && near(found.figures.max, max));
        // Bins are 0.4 % wide and rounded up.
        assert!(found.figures.p99 >= p99 * 0.9999 && found.figures.p99 <= p99 * 1.005);
        assert_eq!(
            (found.worst(vertex).vertex, found.worst(vertex).pose),
            (vertex, pose)
        );
    }
    // The sweep of the last joint bends nothing of the base, but much of the strange weights.
    let sweep = poses(&character).len() + 3;
    let [plain, other] = [0, 1].map(|set| measured(&character, &sets, 2)[set].poses()[sweep]);
    assert!(plain == 0.0 && other > 1.0, "{plain} and {other}");
}

#[test]
fn errors_are_the_same_bits_for_any_number_of_threads() {
    let character = limb();
    let (base, strange) = (base(&character), strange(&character));
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        let pool = pool.expect("the system gives a few threads");
        pool.install(|| measured(&character, &[&base, &strange], threads))
    };
    let one = on(1);
    for threads in [2, 5] {
        assert!(one == on(threads), "{threads} threads");
    }
}

/// A strip of quads along x, of length 4, on two joints at 0 and 2, in a file of its own or beside others.
#[derive(Clone)]
struct Strip {
    name: &'static str,
    joints: [&'static str; 2],
    columns: usize,
    /// Vertices from the far end on.
    backwards: bool,
    /// A vertex that lies higher.
    lifted: Option<usize>,
    /// How far weights go over from one joint to the other; `None` for no weights.
    blend: Option<f32>,
}

impl Strip {
    const PLAIN: Self = Self {
        name: "sleeve",
        joints: ["shoulder", "elbow"],
        columns: 16,
        backwards: false,
        lifted: None,
        blend: Some(1.0),
    };

    fn add(&self, kit: &mut Kit) {
        let count = 2 * (self.columns + 1);
        let order = |i: usize| if self.backwards { count - 1 - i } else { i };
        let place = |n: usize| {
            let x = 4.0 * (n / 2) as f32 / self.columns as f32;
            let lift = if self.lifted == Some(n) { 0.1 } else { 0.0 };
            [x, (n % 2) as f32 * 0.7, 0.03 * x * x + lift]
        };
        let places: Vec<[f32; 3]> = (0..count).map(|i| place(order(i))).collect();
        let positions = kit.floats("VEC3", count, places.as_flattened());
        let corners = (0..self.columns).flat_map(|q| {
            let n = 2 * q;
            [n, n + 2, n + 1, n + 1, n + 2, n + 3].map(|n| order(n) as u16)
        });
        let corners: Vec<u8> = corners.flat_map(u16::to_le_bytes).collect();
        let corners = kit.accessor("SCALAR", U16, 6 * self.columns, &corners);
        let mut attributes = json!({ "POSITION": positions });
        if let Some(blend) = self.blend {
            let ids = [0, 1, 0, 0].repeat(count);
            attributes["JOINTS_0"] = json!(kit.accessor("VEC4", U8, count, &ids));
            let far = |x: f32| ((x - 2.0) / blend.max(1e-3) + 0.5).clamp(0.0, 1.0);
            let rows = places
                .iter()
                .flat_map(|p| [1.0 - far(p[0]), far(p[0]), 0.0, 0.0]);
            let rows: Vec<u8> = rows.flat_map(f32::to_le_bytes).collect();
            attributes["WEIGHTS_0"] = json!(kit.accessor("VEC4", F32, count, &rows));
        }
        let primitive = json!({ "attributes": attributes, "indices": corners });
        let mesh = kit.push(
            "meshes",
            json!({ "name": self.name, "primitives": [primitive] }),
        );
        let shoulder = kit.push("nodes", json!({ "name": self.joints[0] }));
        let elbow = json!({ "name": self.joints[1], "translation": [2, 0, 0] });
        let elbow = kit.push("nodes", elbow);
        kit.json["nodes"][shoulder]["children"] = json!([elbow]);
        let mut binds = [0.0f32; 32];
        for i in [0, 5, 10, 15, 16, 21, 26, 31] {
            binds[i] = 1.0;
        }
        binds[28] = -2.0;
        let binds = kit.floats("MAT4", 2, &binds);
        let skin =
            json!({ "name": self.name, "joints": [shoulder, elbow], "inverseBindMatrices": binds });
        let skin = kit.push("skins", skin);
        let node = kit.push("nodes", json!({ "mesh": mesh, "skin": skin }));
        let roots = kit.json["scenes"][0]["nodes"]
            .as_array_mut()
            .expect("a list");
        roots.extend([json!(shoulder), json!(node)]);
    }
}

fn file(folder: &Path, name: &str, strips: &[Strip]) -> PathBuf {
    let mut kit = Kit::new();
    strips.iter().for_each(|strip| strip.add(&mut kit));
    put(folder, name, kit.glb())
}

struct Quiet;

impl Watch for Quiet {
    fn progress(&self, _: &str, _: Stage, _: usize, _: usize) {}
    fn interrupted(&self) -> bool {
        false
    }
}

fn compare(old: &Path, new: &Path, source: Option<&Path>) -> Result<Comparison, Error> {
    let request = CompareRequest {
        old: old.to_owned(),
        new: new.to_owned(),
        source: source.map(Path::to_owned),
        skeleton: None,
        recipe: Recipe::parse(Path::new("r.toml"), QUICK).expect("a recipe"),
        memory: None,
        least_percent: 1.0,
    };
    let comparison = job::compare(&request, &Quiet)?;
    let table = comparison_table(&comparison).to_string();
    let long = |line: &&str| line.chars().count() > 80;
    assert!(!table.lines().any(|line| long(&line)), "{table}");
    Ok(comparison)
}

#[test]
fn the_order_of_vertices_does_not_matter() {
    let folder = folder();
    let at = |name: &str, strip: Strip| file(folder.path(), name, &[strip]);
    let plain = at("plain.glb", Strip::PLAIN);
    let backwards = at(
        "backwards.glb",
        Strip {
            backwards: true,
            ..Strip::PLAIN
        },
    );
    let wide = at(
        "wide.glb",
        Strip {
            blend: Some(3.0),
            ..Strip::PLAIN
        },
    );
    for source in [Some(&plain), Some(&backwards), None] {
        let same = compare(&plain, &backwards, source.map(PathBuf::as_path)).expect("they fit");
        let skin = &same.skins[0];
        assert_eq!((skin.verdict, skin.same_vertices), (Verdict::Same, true));
        let change = skin.change.expect("poses bend it").rms_change_percent;
        match source {
            Some(_) => assert_eq!(change, Some(0.0)),
            // Two references, whose sums run in another order.
            None => assert!(change.expect("errors").abs() < 1e-3, "{change:?}"),
        }
        assert!(skin.better.is_empty() && skin.worse.is_empty());
    }
    let found = |old, new| {
        let comparison = compare(old, new, Some(&plain)).expect("they fit");
        comparison.skins.into_iter().next().expect("one skin")
    };
    let (gain, loss) = (found(&wide, &backwards), found(&backwards, &wide));
    assert_eq!(
        (gain.verdict, loss.verdict),
        (Verdict::Better, Verdict::Worse)
    );
    assert_eq!((gain.old, gain.new), (loss.new, loss.old));
    // What got better lies where weights went over too far from the bend.
    let place = &gain.better[0];
    let from_bend = (place.position[0] - 2.0).abs();
    assert!((0.5..1.5).contains(&from_bend), "{place:?}");
    assert_eq!((place.old.joints.len(), place.new.joints.len()), (2, 1));
    assert!(place.old.rms_percent > place.new.rms_percent && place.old.pose.is_some());
    let parts: f64 = gain
        .joints
        .iter()
        .filter_map(|joint| joint.part_percent)
        .sum();
    let [old, new] = [gain.old, gain.new].map(|figures| figures.expect("figures").rms_percent);
    // Parts sum to the change of the mean square; rounding of f64 sums.
    assert!((parts - 100.0 * (new * new / (old * old) - 1.0)).abs() < 1e-6);
    assert_eq!(
        gain.joints
            .iter()
            .map(|joint| joint.old_vertices)
            .sum::<usize>(),
        34
    );
}

#[test]
fn another_mesh_is_compared_as_a_whole_and_fits_no_source() {
    let folder = folder();
    let at = |name: &str, strip: Strip| file(folder.path(), name, &[strip]);
    let plain = at("plain.glb", Strip::PLAIN);
    let finer = at(
        "finer.glb",
        Strip {
            columns: 24,
            ..Strip::PLAIN
        },
    );
    let lifted = at(
        "lifted.glb",
        Strip {
            lifted: Some(7),
            ..Strip::PLAIN
        },
    );
    let other = compare(&plain, &finer, None).expect("whole figures need no vertices");
    let skin = &other.skins[0];
    assert!(!skin.same_vertices && skin.better.is_empty() && skin.worse.is_empty());
    let counts: Vec<_> = skin
        .joints
        .iter()
        .map(|j| (j.old_vertices, j.new_vertices))
        .collect();
    assert_eq!(counts.iter().map(|c| c.0).sum::<usize>(), 34);
    assert_eq!(counts.iter().map(|c| c.1).sum::<usize>(), 50);
    assert!(
        skin.notes
            .iter()
            .any(|note| note.contains("other vertices (34 and 50)"))
    );
    let error = compare(&plain, &finer, Some(&finer))
        .expect_err("no counterparts")
        .to_string();
    assert!(
        error.contains("plain.glb") && error.contains("none at 32: sleeve vertex 2 ("),
        "{error}"
    );
    // More vertices than the source are left out, and said to be.
    let more = compare(
        &plain,
        &plain,
        Some(&file(
            folder.path(),
            "coarse.glb",
            &[Strip {
                columns: 8,
                ..Strip::PLAIN
            }],
        )),
    );
    let more = more.expect("every vertex of the source is there");
    assert!(
        more.skins[0].notes[0].contains("16 vertices have no counterpart"),
        "{more:#?}"
    );
    // One that was only reshaped is known by its numbers.
    let moved = compare(&plain, &lifted, Some(&lifted)).expect("the same triangles");
    assert!(
        moved.skins[0]
            .notes
            .iter()
            .any(|note| note.contains("1 vertices lie elsewhere"))
    );
    assert_eq!(moved.verdict, Verdict::Same);
}

#[test]
fn what_does_not_fit_is_named() {
    let folder = folder();
    let at = |name: &str, strip: Strip| file(folder.path(), name, &[strip]);
    let plain = at("plain.glb", Strip::PLAIN);
    let renamed = at(
        "renamed.glb",
        Strip {
            joints: ["shoulder", "knee"],
            ..Strip::PLAIN
        },
    );
    let bare = at(
        "bare.glb",
        Strip {
            blend: None,
            ..Strip::PLAIN
        },
    );
    for source in [None, Some(&plain)] {
        let source = source.map(PathBuf::as_path);
        let error = compare(&plain, &renamed, source)
            .expect_err("no elbow")
            .to_string();
        let missing = if source.is_some() { "knee" } else { "elbow" };
        assert!(
            error.contains("renamed.glb") && error.contains(missing),
            "{error}"
        );
        let error = compare(&bare, &plain, source)
            .expect_err("no weights")
            .to_string();
        assert!(
            error.contains("bare.glb: skin \"sleeve\"") && error.contains("weights"),
            "{error}"
        );
    }
    // A source needs no weights.
    let same = compare(&plain, &plain, Some(&bare)).expect("a source");
    assert_eq!(same.verdict, Verdict::Same);
}

#[test]
fn skins_are_paired_by_name_then_by_order_and_the_rest_is_named() {
    let folder = folder();
    let strip = |name, blend| Strip {
        name,
        blend: Some(blend),
        ..Strip::PLAIN
    };
    let at = |name: &str, strips: &[Strip]| file(folder.path(), name, strips);
    let old = at("old.glb", &[strip("left", 3.0), strip("right", 1.0)]);
    let new = at("new.glb", &[strip("right", 1.0), strip("left", 1.0)]);
    for source in [None, Some(old.as_path())] {
        let both = compare(&old, &new, source).expect("they fit");
        let skins: Vec<_> = both
            .skins
            .iter()
            .map(|s| (s.name.as_str(), s.verdict))
            .collect();
        assert_eq!(skins, [("left", Verdict::Better), ("right", Verdict::Same)]);
        assert!(both.unpaired.is_empty() && both.notes.is_empty());
    }
    let one = at("one.glb", &[strip("right", 1.0)]);
    let rest = compare(&old, &one, None).expect("one fits");
    assert_eq!((rest.skins.len(), rest.unpaired.len()), (1, 1));
    assert_eq!(
        (rest.unpaired[0].skin.as_str(), &rest.unpaired[0].file),
        ("left", &old)
    );
    let named = at("named.glb", &[strip("sleeve", 1.0)]);
    let ordered = compare(&one, &named, None).expect("one each");
    assert!(
        ordered.notes[0].contains("no other is left"),
        "{:?}",
        ordered.notes
    );
    let error = compare(&old, &named, None)
        .expect_err("which of two?")
        .to_string();
    assert!(
        error.contains("named.glb") && error.contains("\"left\", \"right\""),
        "{error}"
    );
}

/// Every field that a script may rely on, named again here.
fn check_fields(report: &Value) {
    assert_eq!(report["schema"], "tanyard-compare/1");
    assert_eq!(report["tool"]["name"], "tanyard");
    for field in ["old", "new", "source", "verdict"] {
        assert!(report[field].is_string(), "{field}");
    }
    assert!(report["least_percent"].is_f64());
    assert!(report["unpaired"].is_array() && report["notes"].is_array());
    let skin = &report["skins"][0];
    assert!(skin["name"].is_string() && skin["verdict"].is_string() && skin["poses"].is_u64());
    assert!(skin["same_vertices"].is_boolean() && skin["notes"].is_array());
    for side in ["old", "new"] {
        for figure in ["rms_percent", "p99_percent", "max_percent"] {
            assert!(skin[side][figure].is_f64(), "{side} {figure}");
        }
    }
    for figure in [
        "rms_change_percent",
        "standard_error_percent",
        "band_percent",
    ] {
        assert!(skin["change"][figure].is_f64(), "{figure}");
    }
    assert!(skin["change"]["better_poses"].is_u64() && skin["change"]["worse_poses"].is_u64());
    let joint = &skin["joints"][0];
    assert!(joint["joint"].is_string());
    assert!(joint["old_vertices"].is_u64() && joint["new_vertices"].is_u64());
    for figure in [
        "old_rms_percent",
        "new_rms_percent",
        "rms_change_percent",
        "part_percent",
    ] {
        assert!(joint[figure].is_f64(), "{figure}");
    }
    for place in skin["worse"].as_array().expect("a list") {
        assert!(
            place["mesh"].is_string() && place["vertex"].is_u64() && place["joint"].is_string()
        );
        assert!(place["position"].is_array());
        for side in ["old", "new"] {
            assert!(place[side]["rms_percent"].is_f64() && place[side]["max_percent"].is_f64());
            assert!(place[side]["pose"].is_string() && place[side]["joints"].is_array());
        }
    }
    assert!(skin["better"].is_array());
}

#[test]
fn two_bakes_of_a_demo_differ_as_their_caps_do() {
    let folder = folder();
    let source = &demos()[0];
    let recipe = put(folder.path(), "r.toml", QUICK);
    let at = |name: &str| folder.path().join(name);
    let (one, four) = (at("one.glb"), at("four.glb"));
    let common = ["--recipe", word(&recipe), "--source", word(source)];
    let baked = |output: &Path, influences| {
        let report = bake(
            source,
            output,
            &["--recipe", word(&recipe), "-k", influences],
        );
        let rms = &report["characters"][0]["errors"]["baked"]["held_out"]["rms_percent"];
        rms.as_f64().expect("a figure")
    };
    let rms = [baked(&one, "1"), baked(&four, "4")];
    let words = |old: &Path, new: &Path, more: &[&str]| -> Vec<String> {
        let files = ["compare", word(old), word(new)];
        let words = files.iter().chain(&common).chain(more);
        words.map(|word| (*word).to_owned()).collect()
    };
    let run = |old: &Path, new: &Path, more: &[&str]| {
        let words = words(old, new, more);
        tanyard(&words.iter().map(String::as_str).collect::<Vec<_>>())
    };
    let report = |old: &Path, new: &Path, threads: &str, code: i32| -> Comparison {
        let output = run(old, new, &["--report", "-", "--threads", threads]);
        assert_eq!(output.status.code(), Some(code));
        let text = String::from_utf8(output.stdout).expect("text");
        check_fields(&serde_json::from_str(&text).expect("the report is JSON"));
        let report: Comparison = serde_json::from_str(&text).expect("the report has its fields");
        assert_eq!(report.to_json(), text);
        report
    };
    let (gain, loss) = (report(&one, &four, "1", 0), report(&four, &one, "2", 1));
    assert_eq!(
        (gain.verdict, loss.verdict),
        (Verdict::Better, Verdict::Worse)
    );
    assert!(
        gain == report(&one, &four, "3", 0),
        "threads change the report"
    );
    // The bakes measured the same poses against the same layers. What the layers do not bend counts as
    // right there, to f32 rounding.
    let found = [gain.skins[0].old, gain.skins[0].new].map(|f| f.expect("figures").rms_percent);
    for (found, rms) in found.iter().zip(rms) {
        assert!((found / rms - 1.0).abs() < 1e-4, "{found} for {rms}");
    }
    let change = gain.skins[0].change.expect("poses bend it");
    assert!(change.rms_change_percent.expect("errors") < -50.0 && change.better_poses == Some(8));

    let same = report(&four, &four, "2", 0);
    let change = same.skins[0].change.expect("poses bend it");
    assert_eq!(
        (same.verdict, change.rms_change_percent),
        (Verdict::Same, Some(0.0))
    );
    assert_eq!(change.standard_error_percent, Some(0.0));

    // As people see it.
    let output = run(&four, &one, &[]);
    let table = String::from_utf8_lossy(&output.stdout).into_owned();
    let first = table.lines().next().expect("a line");
    assert!(first.starts_with("worse: ") && first.len() <= 80, "{first}");
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(error.contains("bog_ox_skin: worse: "), "{error}");
    let quiet = run(&one, &four, &["-q"]);
    assert!(quiet.stdout.is_empty() && quiet.stderr.is_empty() && quiet.status.success());
    let wide = run(&four, &one, &["--band", "100", "-q"]);
    // More than twice the error.
    assert_eq!(wide.status.code(), Some(1));

    // What cannot be compared.
    let json = at("c.json");
    tanyard_ok(&[
        "compare",
        word(&four),
        word(&four),
        "--report",
        word(&json),
        "-q",
    ]);
    let own: Value = serde_json::from_slice(&fs::read(&json).expect("written")).expect("JSON");
    assert!(own["source"].is_null() && own["verdict"] == "same");
    let cut = put(
        folder.path(),
        "cut.glb",
        &fs::read(&four).expect("baked")[..999],
    );
    assert!(refused(&["compare", word(&four), word(&cut)], 3).contains("cut.glb"));
    let error = refused(&["compare", word(&demos()[2]), word(&four)], 3);
    assert!(
        error.contains("expected skin weights to compare, found none"),
        "{error}"
    );
    let error = refused(&["compare", word(&four), word(&four), "--memory", "1M"], 3);
    assert!(error.contains("needs about"), "{error}");
    for wrong in ["-1", "nan", "101", "x"] {
        let band = format!("--band={wrong}");
        assert!(refused(&["compare", "a.glb", "b.glb", &band], 2).contains(wrong));
    }
    let kept = fs::read(&four).expect("baked");
    refused(
        &["compare", word(&one), word(&four), "--report", word(&four)],
        2,
    );
    assert!(fs::read(&four).expect("still there") == kept);
    let none = put(folder.path(), "none.toml", "[poses]\nheld_out = 0\n");
    let error = refused(
        &["compare", word(&one), word(&four), "--recipe", word(&none)],
        2,
    );
    assert!(error.contains("held_out"), "{error}");
}
