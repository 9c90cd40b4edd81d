//! Limits of a recipe: what each is held against, and what comes of it.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};

use crate::asset_kit::{Kit, arm, bytes_of};
use crate::bake::{folder, put};
use crate::farm::{FEW, bake_folder, put_arm};
use crate::files::{demos, refused, tanyard, tanyard_ok, word};

/// Figures reach the limits by other operations than the report, and may differ in the last bits.
const NEAR: f64 = 1e-9;

/// A character whose result is kept, so that it is baked once and judged often.
struct Bench {
    folder: tempfile::TempDir,
    input: PathBuf,
    recipe: String,
}

/// What a bake with limits came to.
struct Judged {
    code: i32,
    file: Value,
    error: String,
}

impl Bench {
    fn new(character: &[u8], recipe: &str) -> Self {
        let folder = folder();
        let input = put(folder.path(), "in.glb", character);
        Self {
            folder,
            input,
            recipe: recipe.to_owned(),
        }
    }

    fn output(&self) -> PathBuf {
        self.folder.path().join("out.glb")
    }

    /// Bakes with lines of `[limits]`, or judges what was baked.
    fn judge(&self, limits: &str) -> Judged {
        let at = |name: &str| self.folder.path().join(name);
        let text = format!("{}[limits]\n{limits}\n", self.recipe);
        let (recipe, report) = (put(self.folder.path(), "r.toml", text), at("report.json"));
        let end = tanyard(&[
            "bake",
            word(&self.input),
            "-o",
            word(&self.output()),
            "--recipe",
            word(&recipe),
            "--report",
            word(&report),
            "--cache",
            word(&at("cache")),
        ]);
        let error = String::from_utf8_lossy(&end.stderr).into_owned();
        let code = end.status.code().expect("it ended by itself");
        let mut report = read(&report);
        let file = report["files"][0].take();
        assert_eq!(
            report["run"]["counts"]["exceeded"],
            i32::from(code == 1),
            "{error}"
        );
        Judged { code, file, error }
    }
}

impl Judged {
    fn character(&self) -> &Value {
        &self.file["characters"][0]
    }

    fn limit(&self, key: &str) -> &Value {
        let limits = self.character()["limits"].as_array().expect("a list");
        let found = limits.iter().find(|limit| limit["limit"] == key);
        found.unwrap_or_else(|| panic!("{key} was not judged"))
    }

    fn found(&self, key: &str) -> f64 {
        number(&self.limit(key)["found"])
    }

    fn place(&self, key: &str) -> &str {
        self.limit(key)["place"].as_str().expect("text")
    }

    fn exceeded(&self) -> Vec<&str> {
        let limits = self.character()["limits"].as_array().expect("a list");
        let exceeded = limits.iter().filter(|limit| limit["exceeded"] == true);
        exceeded
            .map(|limit| limit["limit"].as_str().expect("a key"))
            .collect()
    }
}

fn read(path: &Path) -> Value {
    let text = fs::read_to_string(path).expect("a report");
    serde_json::from_str(&text).expect("JSON")
}

fn number(value: &Value) -> f64 {
    value
        .as_f64()
        .unwrap_or_else(|| panic!("{value} is no figure"))
}

fn assert_near(a: f64, b: f64, what: &str) {
    assert!((a - b).abs() <= NEAR * b.abs(), "{what}: {a}, {b} by hand");
}

/// Two joints a vertex at most, and nothing mended: every kind of figure is above 0.
const ROUGH: &str = "[poses]\nclips = false\nsweep_steps = 1\nblends = 8\nheld_out = 8\n\
                     [fit]\ninfluences = 2\nmend = false\n";

#[test]
fn each_figure_passes_just_below_its_limit_and_fails_just_above() {
    let ox = fs::read(&demos()[0]).expect("the ox");
    let bench = Bench::new(&ox, ROUGH);
    let first = bench.judge("inspect = {}");
    assert_eq!((first.code, &first.file["status"]), (0, &"baked".into()));
    let written = fs::read(bench.output()).expect("baked");
    // Figures as they stand in other places of the report.
    let character = first.character();
    let errors = &character["errors"];
    let (percent, units) = (
        &errors["baked"]["held_out"],
        &errors["baked_units"]["held_out"],
    );
    let height = number(&character["surface"]["height_units"]);
    let mut figures: Vec<(String, f64)> = Vec::new();
    for name in ["rms", "p99", "max"] {
        let in_units = number(&units[format!("{name}_units")]);
        figures.push((
            format!("{name}_percent"),
            number(&percent[format!("{name}_percent")]),
        ));
        figures.push((format!("{name}_units"), in_units));
        figures.push((format!("{name}_pixels"), in_units / height * 700.0));
    }
    let fit = |set: &str| number(&errors[set]["fit"]["rms_percent"]);
    let above_floor = 100.0 * (fit("baked") / fit("floor") - 1.0);
    figures.push(("above_floor_percent".into(), above_floor));
    let counts = character["influences"].as_array().expect("a list");
    let counts: Vec<f64> = counts.iter().map(number).collect();
    let joints: f64 = (1..).zip(&counts).map(|(k, n)| f64::from(k) * n).sum();
    figures.push((
        "mean_influences".into(),
        joints / counts.iter().sum::<f64>(),
    ));
    let outliers = number(&character["outliers"]);
    assert!(
        outliers > 0.0 && above_floor > 0.0,
        "{outliers} {above_floor}"
    );
    // One limit just below its figure, the others just above theirs; counts are whole numbers.
    let limits = |low: &str| {
        let mut text = String::from("height_pixels = 700\n");
        for (key, figure) in &figures {
            let factor = if key == low { 1.0 - 1e-6 } else { 1.0 + 1e-6 };
            text += &format!("{key} = {}\n", figure * factor);
        }
        let outliers = if low == "outliers" {
            outliers - 1.0
        } else {
            outliers
        };
        text + &format!("outliers = {outliers}\n")
    };
    let all = bench.judge(&limits(""));
    assert_eq!((all.code, all.exceeded()), (0, Vec::new()), "{}", all.error);
    for (key, figure) in &figures {
        assert_near(all.found(key), *figure, key);
    }
    let keys = figures.iter().map(|(key, _)| key.as_str());
    for low in keys.chain(["outliers"]) {
        let judged = bench.judge(&limits(low));
        assert_eq!((judged.code, judged.exceeded()), (1, vec![low]), "{low}");
        // Not baked again, and written all the same.
        assert_eq!(judged.file["status"], "unchanged");
        assert!(
            judged.error.contains(&format!("{low} = ")),
            "{}",
            judged.error
        );
    }
    assert_eq!(written, fs::read(bench.output()).expect("there"));
}

#[test]
fn findings_are_those_of_inspect_in_the_written_file() {
    let ox = fs::read(&demos()[0]).expect("the ox");
    let bench = Bench::new(&ox, ROUGH);
    let first = bench.judge("inspect = { any = 1000 }");
    assert_eq!((first.code, &first.file["status"]), (0, &"baked".into()));
    let report = bench.folder.path().join("findings.json");
    let report = word(&report);
    tanyard_ok(&[
        "inspect",
        word(&bench.output()),
        "-k",
        "2",
        "--report",
        report,
    ]);
    let inspection = read(Path::new(report));
    let findings = inspection["skins"][0]["findings"]
        .as_array()
        .expect("a list");
    assert!(findings.len() > 1, "{findings:?}");
    let kind = findings[0]["kind"].as_str().expect("a name");
    let severity = findings[0]["severity"].as_str().expect("a name");
    let of_kind = findings.iter().filter(|finding| finding["kind"] == kind);
    let of_kind: f64 = of_kind.map(|finding| number(&finding["count"])).sum();
    let of_severity = findings.iter().filter(|f| f["severity"] == severity);
    for (key, count) in [
        ("any", findings.len() as f64),
        (severity, of_severity.count() as f64),
        (kind, of_kind),
    ] {
        let name = format!("inspect.{key}");
        let just = bench.judge(&format!("inspect = {{ {key} = {count} }}"));
        assert_eq!((just.code, just.found(&name)), (0, count), "{key}");
        let less = bench.judge(&format!("inspect = {{ {key} = {} }}", count - 1.0));
        assert_eq!((less.code, less.exceeded()), (1, vec![name.as_str()]));
        assert_eq!(less.found(&name), count);
        assert!(!less.place(&name).is_empty());
        assert_eq!(less.file["status"], "unchanged");
    }
}

/// The arm along the axes that `turn` gives, as a root node with these members carries it.
fn carried(turn: fn([f32; 3]) -> [f32; 3], root: Value) -> Kit {
    let mut kit = arm();
    let at = |kit: &Kit, view: usize| {
        kit.json["bufferViews"][view]["byteOffset"]
            .as_u64()
            .unwrap_or(0) as usize
    };
    let start = at(&kit, 0);
    let turned = crate::asset_kit::SQUARES
        .as_chunks::<3>()
        .0
        .iter()
        .flat_map(|&point| turn(point));
    let turned: Vec<f32> = turned.collect();
    kit.bin[start..start + 96].copy_from_slice(&bytes_of(&turned));
    let low = (0..3).map(|i| {
        turned
            .iter()
            .skip(i)
            .step_by(3)
            .fold(f32::MAX, |a, &b| a.min(b))
    });
    kit.json["accessors"][0]["min"] = low.collect();
    let high = (0..3).map(|i| {
        turned
            .iter()
            .skip(i)
            .step_by(3)
            .fold(f32::MIN, |a, &b| a.max(b))
    });
    kit.json["accessors"][0]["max"] = high.collect();
    // The elbow is one along the arm; its inverse bind matrix leads back.
    let elbow = turn([1.0, 0.0, 0.0]);
    kit.json["nodes"][1]["translation"] = json!(elbow);
    let last_column = at(&kit, 4) + 4 * (16 + 12);
    let back = elbow.map(|x| -x);
    kit.bin[last_column..last_column + 12].copy_from_slice(&bytes_of(&back));
    let mut root = root;
    root["children"] = json!([0]);
    let place = kit.push("nodes", root);
    kit.json["scenes"][0]["nodes"] = json!([place, 2]);
    kit
}

/// A root as files from tools with Z up and centimetres have it: a quarter turn about X, and a hundredth.
fn z_up_centimetres() -> Value {
    let half = std::f64::consts::FRAC_1_SQRT_2;
    json!({ "rotation": [-half, 0, 0, half], "scale": [0.01, 0.01, 0.01] })
}

/// Where a pinhole camera with focal length `f` (in pixels), which looks along -Z from the origin, shows a
/// point, from the middle of the picture.
fn pinhole(f: f64, point: [f64; 3]) -> [f64; 2] {
    [f * point[0] / -point[2], f * point[1] / -point[2]]
}

#[test]
fn pixels_are_those_of_a_pinhole_camera() {
    // Two units long, one wide, along Z: it stands 0.02 high and 0.01 wide in the scene.
    let kit = carried(|[x, y, z]| [y, z, x], z_up_centimetres());
    let bench = Bench::new(&kit.glb(), FEW);
    // A camera 0.3 in front of it, with any focal length.
    let (f, d) = (1234.0, 0.3);
    let top = pinhole(f, [0.004, 0.013, -d]);
    let bottom = pinhole(f, [-0.001, -0.007, -d]);
    let height = top[1] - bottom[1];
    let judged = bench.judge(&format!(
        "rms_pixels = 1e3\np99_pixels = 1e3\nmax_pixels = 1e3\nheight_pixels = {height}"
    ));
    assert_eq!(judged.code, 0, "{}", judged.error);
    let surface = &judged.character()["surface"];
    // Corners of the file are single precision.
    let near = |found: &Value, by_hand: f64| (number(found) - by_hand).abs() < 1e-6 * by_hand;
    assert!(near(&surface["height_units"], 0.02), "{surface}");
    let diagonal = f64::hypot(0.02, 0.01);
    assert!(near(&surface["diagonal_units"], diagonal), "{surface}");
    for name in ["rms", "p99", "max"] {
        let percent = &judged.character()["errors"]["baked"]["held_out"][format!("{name}_percent")];
        let off = number(percent) / 100.0 * diagonal;
        assert!(off > 0.0);
        // A vertex across the camera's axis, where it is and where the layers want it.
        let (is, wanted) = (
            pinhole(f, [0.002, 0.005, -d]),
            pinhole(f, [0.002 + 0.6 * off, 0.005 - 0.8 * off, -d]),
        );
        let pixels = f64::hypot(wanted[0] - is[0], wanted[1] - is[1]);
        let key = format!("{name}_pixels");
        let found = judged.found(&key);
        assert!(
            (found - pixels).abs() < 1e-6 * pixels,
            "{key}: {found}, {pixels} by hand"
        );
        for (factor, code) in [(1.0 + 1e-4, 0), (1.0 - 1e-4, 1)] {
            let most = pixels * factor;
            let judged = bench.judge(&format!("{key} = {most}\nheight_pixels = {height}"));
            assert_eq!(judged.code, code, "{key}: {}", judged.error);
        }
    }
}

#[test]
fn a_limit_that_cannot_be_measured_is_exceeded_and_says_why() {
    // Lying flat: in this scene it has no height.
    let flat = carried(|point| point, z_up_centimetres());
    let bench = Bench::new(&flat.glb(), FEW);
    let judged = bench.judge("rms_percent = 90\nrms_pixels = 1e6\nheight_pixels = 100");
    assert_eq!(number(&judged.character()["surface"]["height_units"]), 0.0);
    assert_eq!((judged.code, judged.exceeded()), (1, vec!["rms_pixels"]));
    assert_eq!(judged.limit("rms_pixels")["found"], Value::Null);
    assert_eq!(judged.place("rms_pixels"), "the character has no height");
    let said = "rms_pixels could not be measured, limit 1000000 (the character has no height)";
    assert!(judged.error.contains(said), "{}", judged.error);
}

#[test]
fn without_held_out_poses_those_of_the_fit_count() {
    let none = FEW.replace("held_out = 8", "held_out = 0");
    let bench = Bench::new(&arm().glb(), &none);
    let judged = bench.judge("rms_percent = 90\nmax_percent = 90");
    let errors = &judged.character()["errors"]["baked"];
    assert_eq!(errors["held_out"], Value::Null);
    for name in ["rms_percent", "max_percent"] {
        assert_near(judged.found(name), number(&errors["fit"][name]), name);
        assert!(
            judged.place(name).starts_with("on poses of the fit"),
            "{}",
            judged.place(name)
        );
    }
    let held_out = Bench::new(&arm().glb(), FEW).judge("rms_percent = 90");
    let place = held_out.place("rms_percent");
    assert!(place.starts_with("on held-out poses"), "{place}");
}

#[test]
fn where_no_pose_bends_the_surface_nothing_can_be_wrong() {
    let mut kit = arm();
    // All on the shoulder.
    let weights = kit.json["bufferViews"][3]["byteOffset"]
        .as_u64()
        .expect("an offset") as usize;
    let all = bytes_of(&[1.0, 0.0, 0.0, 0.0].repeat(8));
    kit.bin[weights..weights + all.len()].copy_from_slice(&all);
    // Its two joints would be each other's mirror image.
    let recipe = format!("{FEW}[fit]\nsymmetry = \"off\"\n");
    let judged =
        Bench::new(&kit.glb(), &recipe).judge("max_percent = 1e-9\nabove_floor_percent = 0");
    assert_eq!(judged.code, 0, "{}", judged.error);
    assert_eq!(judged.limit("max_percent")["found"], Value::Null);
    assert_eq!(judged.place("max_percent"), "no pose bends this surface");
}

#[test]
fn a_baseline_passes_what_is_no_worse() {
    let folder = folder();
    let (input, output) = (folder.path().join("in"), folder.path().join("out"));
    for number in 0..3 {
        put_arm(&input.join(format!("crowd/{number}.glb")), number);
    }
    let recipe = |limits: &str| drop(put(&input, "tanyard.toml", format!("{FEW}{limits}")));
    let of = |report: &Value, file: usize| report["files"][file]["characters"][0].clone();
    let held = |most: f64| {
        format!("[limits]\nbaseline = \"../last.json\"\nabove_baseline_percent = {most}\n")
    };
    recipe("");
    let (_, report, _) = bake_folder(&input, &output, &[]);
    let last = put(folder.path(), "last.json", report.to_string());
    recipe(&held(0.0));
    let (code, again, error) = bake_folder(&input, &output, &[]);
    assert_eq!((code, &again["run"]["counts"]["unchanged"]), (0, &3.into()));
    assert_eq!(number(&of(&again, 0)["limits"][0]["found"]), 0.0, "{error}");
    // It was better by a fifth; a figure is then a quarter above it.
    let mut better = report.clone();
    let rms = &mut better["files"][1]["characters"][0]["errors"]["baked"]["held_out"];
    rms["rms_percent"] = (0.8 * number(&rms["rms_percent"])).into();
    fs::write(&last, better.to_string()).expect("it can be written");
    for (most, code) in [(25.01, 0), (24.99, 1)] {
        recipe(&held(most));
        let (found, judged, error) = bake_folder(&input, &output, &[]);
        assert_eq!(found, code, "{error}");
        let exceeded = judged["files"].as_array().expect("a list").iter();
        let exceeded = exceeded.map(|file| &file["characters"][0]["limits"][0]["exceeded"]);
        let exceeded: Vec<bool> = exceeded.map(|e| *e == true).collect();
        assert_eq!(exceeded, [false, code == 1, false]);
        assert_eq!(
            error.contains("above_baseline_percent = 25"),
            code == 1,
            "{error}"
        );
    }
    // Weights that are worse for the same poses.
    fs::write(&last, report.to_string()).expect("it can be written");
    recipe(&format!("[fit]\ninfluences = 1\n{}", held(0.0)));
    let (code, worse, error) = bake_folder(&input, &output, &[]);
    assert_eq!(
        (code, &worse["run"]["counts"]["exceeded"]),
        (1, &3.into()),
        "{error}"
    );
    // One that is new has nothing to be worse than.
    put_arm(&input.join("crowd/new.glb"), 7);
    recipe(&held(0.0));
    let (code, new, error) = bake_folder(&input, &output, &[]);
    assert_eq!(code, 0, "{error}");
    let limit = &of(&new, 3)["limits"][0];
    assert_eq!(
        (&limit["found"], &limit["place"]),
        (&Value::Null, &"not in the baseline".into())
    );
    // Other poses are another measure.
    let text = format!(
        "{}{}",
        FEW.replace("held_out = 8", "held_out = 9"),
        held(1e6)
    );
    put(&input, "tanyard.toml", text);
    let (_, other, _) = bake_folder(&input, &output, &[]);
    let limit = &of(&other, 0)["limits"][0];
    let place = limit["place"].as_str().expect("text");
    assert!(place.contains("on other poses"), "{place}");
    // A report in its place would be what the next one is held against.
    let before = fs::read(&last).expect("there");
    let words = ["bake", word(&input), "-o", word(&output)];
    for form in ["--report", "--junit", "--markdown"] {
        let text = refused(&[&words[..], &[form, word(&last)]].concat(), 2);
        assert!(text.contains("a target of its own"), "{text}");
    }
    assert_eq!(before, fs::read(&last).expect("there"));
    // Without it, what the recipe asks for is not there.
    fs::remove_file(&last).expect("there");
    recipe(&held(0.0));
    let before = fs::read(output.join("crowd/0.glb")).expect("baked");
    let (code, missing, error) = bake_folder(&input, &output, &["--again"]);
    assert_eq!(
        (code, &missing["run"]["counts"]["failed"]),
        (2, &4.into()),
        "{error}"
    );
    assert!(
        error.contains("last.json") && error.contains("a readable report"),
        "{error}"
    );
    assert_eq!(
        before,
        fs::read(output.join("crowd/0.glb")).expect("untouched")
    );
}
