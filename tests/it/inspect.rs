//! `tanyard inspect` as users run it: on real characters, with limits, into a file.

use std::fs;
use std::path::Path;

use serde_json::Value;
use tanyard::inspect::{Kind, Severity};
use tanyard::report::Inspection;

use crate::bake::{QUICK, bake, folder, put};
use crate::files::{assets, demos, refused, tanyard, tanyard_ok, word};
use crate::report::assert_published;

/// The report of a file, read strictly: unknown and missing fields fail.
fn inspect(input: &Path) -> Inspection {
    let text = tanyard_ok(&["inspect", word(input), "--report", "-"]);
    let json: Value = serde_json::from_str(&text).expect("the report is JSON");
    check_fields(&json);
    let report: Inspection = serde_json::from_str(&text).expect("the report has its fields");
    assert_eq!(report.to_json(), text);
    report
}

/// Every field that a script may rely on, named again here.
fn check_fields(report: &Value) {
    assert_eq!(report["schema"], "tanyard-inspect/1");
    assert_eq!(report["tool"]["name"], "tanyard");
    assert!(report["input"].is_string() && report["exceeded"].is_array());
    for skin in report["skins"].as_array().expect("a list") {
        assert!(skin["name"].is_string() && skin["joints"].is_u64() && skin["notes"].is_array());
        assert!(skin["surface"]["welded_vertices"].is_u64() && skin["influences"].is_array());
        for finding in skin["findings"].as_array().expect("a list") {
            for field in ["kind", "severity", "unit", "what", "remedy"] {
                assert!(finding[field].is_string(), "{field}");
            }
            assert!(finding["count"].is_u64() && finding["joints"].is_array());
            for place in finding["places"].as_array().expect("a list") {
                assert!(place["mesh"].is_string() && place["vertex"].is_u64());
                assert!(place["position"].is_array() && place["joints"].is_array());
                for field in ["weight", "patch_vertices", "patch_area_percent"] {
                    assert!(place.get(field).is_some(), "{field}");
                }
            }
        }
    }
}

fn kinds(report: &Inspection) -> Vec<Kind> {
    let findings = report.skins.iter().flat_map(|skin| &skin.findings);
    findings.map(|finding| finding.kind).collect()
}

#[test]
fn published_schema_is_that_of_the_inspection() {
    let made = tanyard::report::inspection_schema();
    assert_published("inspect.schema.json", &made);
}

#[test]
fn real_characters_have_no_errors_and_the_findings_that_one_sees() {
    for input in demos().into_iter().chain(assets()) {
        let found = kinds(&inspect(&input));
        let expected: &[Kind] = match input.file_stem().and_then(|name| name.to_str()) {
            // Bound rigidly to the nearest bone, and saved in mid-stride.
            Some("bog_ox") => &[Kind::Islands, Kind::SavedPose],
            Some("mire_eel_newt") => &[Kind::Unbound],
            // Arm weight in two places of the trunk.
            Some("CesiumMan") => &[Kind::Islands],
            _ => &[],
        };
        assert_eq!(found, expected, "{}", input.display());
        let table = tanyard_ok(&["inspect", word(&input)]);
        assert!(
            table.lines().all(|line| line.chars().count() <= 80),
            "{table}"
        );
    }
}

#[test]
fn baked_characters_have_no_errors_and_keep_the_cap() {
    let folder = folder();
    let recipe = put(folder.path(), "r.toml", QUICK);
    for input in demos() {
        let output = folder.path().join("out.glb");
        bake(&input, &output, &["--recipe", word(&recipe)]);
        for skin in inspect(&output).skins {
            let bad = |f: &tanyard::inspect::Finding| {
                f.severity == Severity::Error || f.kind == Kind::Cap || f.kind == Kind::Unbound
            };
            assert!(!skin.findings.iter().any(bad), "{:#?}", skin.findings);
            assert!(skin.influences.len() <= 4 && !skin.influences.is_empty());
        }
    }
}

#[test]
fn limits_decide_the_exit_code() {
    let ox = &demos()[0];
    let lines = refused(
        &[
            "inspect",
            word(ox),
            "--limit",
            "warning=0",
            "--limit",
            "islands=5",
        ],
        1,
    );
    let lines: Vec<&str> = lines.lines().collect();
    assert_eq!(lines.len(), 2, "{lines:?}");
    assert!(
        lines[0].contains("warning = 1, limit 0, islands at ox_"),
        "{lines:?}"
    );
    assert!(lines[1].contains("limit 5, islands at ox_"), "{lines:?}");
    // What is found is printed all the same, and a limit that holds is no failure.
    let table = tanyard(&["inspect", word(ox), "--limit", "any=0"]).stdout;
    assert!(String::from_utf8_lossy(&table).contains("bog_ox_skin: 1 warning"));
    let quiet = tanyard_ok(&["inspect", word(ox), "--limit", "error=0", "--quiet"]);
    assert_eq!(quiet, "");
    for wrong in ["islands", "islands=x", "lakes=0"] {
        let error = refused(&["inspect", word(ox), "--limit", wrong], 2);
        assert!(error.contains(wrong), "{error}");
    }
}

#[test]
fn reports_go_to_a_file_of_their_own_and_bad_files_exit_with_3() {
    let folder = folder();
    let ox = &demos()[0];
    let report = folder.path().join("ox.json");
    tanyard_ok(&["inspect", word(ox), "--report", word(&report)]);
    let json = fs::read_to_string(&report).expect("the report was written");
    check_fields(&serde_json::from_str(&json).expect("the report is JSON"));
    let copy = put(
        folder.path(),
        "ox.glb",
        fs::read(ox).expect("a demo is there"),
    );
    refused(&["inspect", word(&copy), "--report", word(&copy)], 2);
    assert_eq!(
        fs::read(&copy).expect("still there"),
        fs::read(ox).expect("a demo is there")
    );
    let cut = put(
        folder.path(),
        "cut.glb",
        &fs::read(ox).expect("a demo is there")[..999],
    );
    assert!(refused(&["inspect", word(&cut)], 3).contains("cut.glb"));
}

#[test]
fn threads_do_not_change_the_report() {
    let tanner = &demos()[1];
    let report = |threads| {
        tanyard_ok(&[
            "inspect",
            word(tanner),
            "--report",
            "-",
            "--threads",
            threads,
        ])
    };
    assert_eq!(report("1"), report("3"));
}
