//! Earlier results: a bake held against them in the same run, folders and reports compared.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::bake::{folder, put};
use crate::farm::{bake_folder, files_of, names, put_arm};
use crate::files::{refused, tanyard, tanyard_ok, word};
use crate::report::assert_published;

const POSES: &str = "[poses]\nsweep_steps = 2\nblends = 8\nheld_out = 8\n";

#[test]
fn published_schema_is_that_of_comparisons() {
    assert_published(
        "comparisons.schema.json",
        &tanyard::report::comparisons_schema(),
    );
}

/// Three arms, and their results with one joint a vertex and with four.
struct Nights {
    folder: tempfile::TempDir,
    input: PathBuf,
    poor: PathBuf,
    rich: PathBuf,
}

impl Nights {
    fn new() -> Self {
        let folder = folder();
        let at = |name: &str| folder.path().join(name);
        let input = at("in");
        for number in 0..2 {
            put_arm(&input.join(format!("{number}.glb")), number);
        }
        put_arm(&input.join("text/2.gltf"), 2);
        put(&input, "tanyard.toml", POSES);
        let (poor, rich) = (at("poor"), at("rich"));
        for (output, influences) in [(&poor, "1"), (&rich, "4")] {
            let report = output.with_extension("json");
            let words = ["bake", word(&input), "-o", word(output), "-k", influences];
            tanyard_ok(&[&words[..], &["-q", "--report", word(&report)]].concat());
        }
        Self {
            folder,
            input,
            poor,
            rich,
        }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

fn verdicts(report: &Value) -> Vec<&str> {
    let files = report["files"].as_array().expect("a list").iter();
    let characters = files.flat_map(|file| file["characters"].as_array().expect("a list"));
    characters
        .map(|character| character["against"]["verdict"].as_str().unwrap_or("none"))
        .collect()
}

#[test]
fn a_worse_bake_is_told_and_the_better_file_stays_where_asked() {
    let nights = Nights::new();
    let output = nights.at("out");
    let run = |against: &Path, influences: &str, extra: &[&str]| {
        let words = [&["-k", influences, "--against", word(against)][..], extra].concat();
        bake_folder(&nights.input, &output, &words)
    };
    let (code, report, error) = run(&nights.poor, "4", &[]);
    assert_eq!((code, verdicts(&report)), (0, vec!["better"; 3]), "{error}");
    assert_eq!(files_of(&output), files_of(&nights.rich));
    let (code, report, error) = run(&nights.rich, "4", &[]);
    assert_eq!((code, verdicts(&report)), (0, vec!["same"; 3]), "{error}");
    let against = &report["files"][0]["characters"][0]["against"];
    assert_eq!(against["change"]["rms_change_percent"], 0.0);
    // Held against the bake's own held-out figures: two counts of the same errors.
    let errors = &report["files"][0]["characters"][0]["errors"]["baked"]["held_out"];
    let rms = |figures: &Value| figures["rms_percent"].as_f64().expect("a figure");
    assert!((rms(&against["new"]) - rms(errors)).abs() < 1e-4 * rms(errors));
    // Worse: written all the same, and exit code 1.
    let (code, report, error) = run(&nights.rich, "1", &[]);
    assert_eq!((code, verdicts(&report)), (1, vec!["worse"; 3]), "{error}");
    assert!(
        error.contains("0.glb") && error.contains("against"),
        "{error}"
    );
    assert_eq!(files_of(&output), files_of(&nights.poor));
    // Or the better ones stay.
    let (code, report, error) = run(&nights.rich, "1", &["--keep-better"]);
    assert_eq!((code, names(&report, "baked").len()), (0, 3), "{error}");
    assert_eq!(files_of(&output), files_of(&nights.rich));
    let character = &report["files"][0]["characters"][0];
    assert_eq!(character["against"]["kept"], true);
    let warnings = character["warnings"].to_string();
    assert!(
        warnings.contains("takes the place of this bake"),
        "{warnings}"
    );
    // Once more: nothing to do.
    let (code, report, _) = run(&nights.rich, "1", &["--keep-better"]);
    assert_eq!((code, names(&report, "unchanged").len()), (0, 3));
    // Another earlier result is another question.
    let (_, report, _) = run(&nights.poor, "1", &["--keep-better"]);
    assert_eq!(
        (names(&report, "baked").len(), verdicts(&report)),
        (3, vec!["same"; 3])
    );
}

#[test]
fn results_are_held_against_what_they_replace() {
    let nights = Nights::new();
    let against = ["--against", word(&nights.rich), "--keep-better"];
    let before = files_of(&nights.rich);
    let run =
        |extra: &[&str]| bake_folder(&nights.input, &nights.rich, &[&against[..], extra].concat());
    let (code, report, error) = run(&["-k", "1"]);
    assert_eq!((code, verdicts(&report)), (0, vec!["worse"; 3]), "{error}");
    assert_eq!(files_of(&nights.rich), before);
    let (_, report, _) = run(&["-k", "1"]);
    assert_eq!(names(&report, "unchanged").len(), 3);
    // The first run into a place finds nothing there.
    let fresh = nights.at("fresh");
    let (code, report, _) = bake_folder(&nights.input, &fresh, &["--against", word(&fresh)]);
    assert_eq!((code, verdicts(&report)), (0, vec!["none"; 3]));
    // What cannot be held against is said, and the bake goes on.
    put(&nights.poor, "0.glb", "junk");
    put_arm(&nights.poor.join("1.glb"), 1);
    let other = fs::read(&crate::files::demos()[2]).expect("a demo");
    put(&nights.poor, "1.glb", other);
    let (code, report, _) = bake_folder(&nights.input, &fresh, &["--against", word(&nights.poor)]);
    assert_eq!(
        (code, verdicts(&report)),
        (0, vec!["none", "none", "better"])
    );
    for file in 0..2 {
        let warnings = report["files"][file]["characters"][0]["warnings"].to_string();
        assert!(warnings.contains("not held against"), "{warnings}");
    }
    // Slips.
    let lone = nights.input.join("0.glb");
    let output = nights.at("o.glb");
    for (input, output, against) in [
        (&nights.input, &fresh, &nights.at("nowhere")),
        (&nights.input, &fresh, &lone),
        (&lone, &output, &nights.rich),
        (&lone, &output, &nights.at("nowhere.glb")),
    ] {
        refused(
            &[
                "bake",
                word(input),
                "-o",
                word(output),
                "--against",
                word(against),
            ],
            2,
        );
    }
    refused(
        &["bake", word(&lone), "-o", word(&output), "--keep-better"],
        2,
    );
}

#[test]
fn folders_and_reports_are_compared_file_by_file() {
    let nights = Nights::new();
    put_arm(&nights.poor.join("only_old.glb"), 7);
    put_arm(&nights.rich.join("only_new.glb"), 8);
    let compare = |old: &Path, new: &Path, extra: &[&str]| {
        let words = [
            &["compare", word(old), word(new), "--report", "-"][..],
            extra,
        ]
        .concat();
        let output = tanyard(&words);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        let report: Value = serde_json::from_str(&text).unwrap_or_else(|_| panic!("{text}{error}"));
        (output.status.code().expect("an end"), report, error)
    };
    let source = ["--source", word(&nights.input)];
    let (code, report, error) = compare(&nights.poor, &nights.rich, &source);
    assert_eq!((code, &report["verdict"]), (0, &"better".into()), "{error}");
    assert_eq!(report["schema"], "tanyard-comparisons/1");
    let files = report["files"].as_array().expect("a list");
    let names: Vec<&Value> = files.iter().map(|file| &file["name"]).collect();
    assert_eq!(names, ["0.glb", "1.glb", "text/2.gltf"]);
    assert_eq!(report["only_old"], serde_json::json!(["only_old.glb"]));
    assert_eq!(report["only_new"], serde_json::json!(["only_new.glb"]));
    let (code, _, error) = compare(&nights.rich, &nights.poor, &source);
    assert_eq!(code, 1);
    assert!(
        error.contains("text/2.gltf") && error.contains("worse"),
        "{error}"
    );
    // The same figures by the reports of the two runs: of the same weights in the same poses.
    let reports = |old: &Path, new: &Path| {
        compare(
            &old.with_extension("json"),
            &new.with_extension("json"),
            &[],
        )
    };
    let (code, by_report, error) = reports(&nights.poor, &nights.rich);
    assert_eq!(
        (code, &by_report["verdict"]),
        (0, &"better".into()),
        "{error}"
    );
    for (one, other) in files
        .iter()
        .zip(by_report["files"].as_array().expect("a list"))
    {
        let change = |file: &Value| {
            file["skins"][0]["change"]["rms_change_percent"]
                .as_f64()
                .expect("a figure")
        };
        // Two counts of f32 errors.
        assert!((change(one) - change(other)).abs() < 0.01, "{one} {other}");
    }
    assert_eq!(reports(&nights.rich, &nights.poor).0, 1);
    assert_eq!(reports(&nights.rich, &nights.rich).0, 0);
    // One bad file stops no other.
    put(&nights.rich, "0.glb", "junk");
    let (code, report, error) = compare(&nights.poor, &nights.rich, &source);
    assert_eq!(
        (code, &report["files"][0]["verdict"]),
        (3, &Value::Null),
        "{error}"
    );
    assert_eq!(report["files"][1]["verdict"], "better");
    assert!(
        error.contains("0.glb") && error.contains("export"),
        "{error}"
    );
    let table = tanyard(&[
        "compare",
        word(&nights.poor),
        word(&nights.rich),
        "--source",
        word(&nights.input),
    ]);
    let table = String::from_utf8_lossy(&table.stdout).into_owned();
    println!("{table}");
    assert!(
        table.starts_with("FAILED: of 3 files 2 better, 0 the same, 0 worse, 1 not compared\n"),
        "{table}"
    );
    assert!(
        table.lines().all(|line| line.chars().count() <= 80),
        "{table}"
    );
    // Things of different kinds.
    let report = nights.poor.with_extension("json");
    refused(&["compare", word(&report), word(&nights.rich)], 2);
    refused(
        &[
            "compare",
            word(&nights.rich),
            word(&nights.rich.join("1.glb")),
        ],
        2,
    );
    refused(
        &[
            "compare",
            word(&report),
            word(&report),
            "--source",
            word(&nights.input),
        ],
        2,
    );
    let empty = nights.at("empty");
    fs::create_dir(&empty).expect("new");
    refused(&["compare", word(&empty), word(&nights.rich)], 3);
}
